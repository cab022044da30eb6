"""A proven lower bound on what any plan must cost, and the weeks that it suggests.

Two steps, both weak duality, so the bound holds however roughly the programs were solved:

1. A linear program splits jobs between weeks and minutes between persons; capacities, the level,
   the fullest person-week and the separation of redundant switches stay. Where a week then asks
   more of some gauges than they have, that week gets a row for just these gauges, and the program
   is solved again.
2. The prices of those rows are charged to the jobs. What is left falls apart into one problem for
   each area: which weeks to visit it in, and each job to one of these. Its relaxation is solved
   for each area, and the sum is the bound (Lagrangian relaxation: for any prices, the optimum of
   the priced problem is not above that of the real one).

Place in the list of gauges and changed hands count with the least they can be for a job in a week;
gauges set up where jobs of a week have none in common. Left out: that jobs are not split.
Linear programs are solved by HiGHS through SciPy.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Any

from calfleet.scheduling.plan_grid import Grid

ROUNDS = 4
_INF = float("inf")
_DUST = 1e-6


@dataclass(slots=True)
class Relaxation:
    """The bound, the share of the fullest person-week, and weeks for each job, best first."""

    bound: float
    peak: float
    hints: dict[int, list[int]] = field(default_factory=dict)


@dataclass(slots=True)
class Program:
    """A linear program being written: columns with cost and upper bound, rows with limits."""

    cost: list[float] = field(default_factory=list)
    upper: list[float] = field(default_factory=list)
    rows: list[int] = field(default_factory=list)
    cols: list[int] = field(default_factory=list)
    values: list[float] = field(default_factory=list)
    low: list[float] = field(default_factory=list)
    high: list[float] = field(default_factory=list)

    def column(self, cost: float, upper: float) -> int:
        self.cost.append(cost)
        self.upper.append(upper)
        return len(self.cost) - 1

    def row(self, low: float, high: float) -> int:
        self.low.append(low)
        self.high.append(high)
        return len(self.low) - 1

    def set(self, row: int, column: int, value: float) -> None:
        self.rows.append(row)
        self.cols.append(column)
        self.values.append(value)

    def matrix(self) -> Any:
        from scipy.sparse import csr_array

        shape = (len(self.low), len(self.cost))
        return csr_array((self.values, (self.rows, self.cols)), shape=shape)


def plain_bound(grid: Grid) -> float:
    """The sum of what each job costs at least by itself."""
    return sum(
        min(
            grid.unplanned_cost(j),
            *(cost + _hands(grid, j, week) for week, cost in grid.cost[j].items()),
        )
        for j in grid.placeable
    )


def relax(grid: Grid) -> Relaxation:
    """The bound, peak and week hints of the relaxed plan; without a placeable job all zero.

    Source: linear programming duality; Lagrangian relaxation as in Geoffrion (1974), from memory.
    """
    if not grid.placeable:
        return Relaxation(0.0, 0.0)
    program = Program()
    x = _jobs(grid, program)
    coupling_from = len(program.low)
    peak = _people(grid, program, x)
    _level(grid, program, x)
    _apart(grid, program, x)
    answer = None
    for _ in range(ROUNDS):
        answer = _solve(program)
        if answer is None or not _gauge_rows(grid, program, x, answer[0]):
            break
    if answer is None:
        return Relaxation(plain_bound(grid), 0.0)
    values, prices = answer
    bound = _priced(grid, program, x, coupling_from, prices)
    # The weeks that the first program suggests are kept: hands and set-ups say little about where
    # to look, and much about what it costs.
    for j, columns in x.items():
        for week, column in columns.items():
            program.cost[column] += _hands(grid, j, week)
    _setups(grid, program, x)
    dearer = _solve(program)
    if dearer is not None:
        bound = max(bound, _priced(grid, program, x, coupling_from, dearer[1]))
    hints: dict[int, list[int]] = {}
    for j, columns in x.items():
        found = [(w, float(values[c])) for w, c in columns.items() if values[c] > 1e-6]
        hints[j] = [w for w, _ in sorted(found, key=lambda pair: (-round(pair[1], 6), pair[0]))]
    return Relaxation(max(bound, plain_bound(grid)), float(values[peak]), hints)


def _solve(p: Program) -> tuple[Any, Any] | None:
    """Values of the columns and prices of the rows at the optimum; ``None``: not solved."""
    import numpy as np
    from scipy.optimize import linprog

    a = p.matrix()
    low, high = np.array(p.low), np.array(p.high)
    equal = low == high
    less = ~equal
    answer = linprog(
        np.array(p.cost),
        A_ub=a[less] if less.any() else None,
        b_ub=high[less] if less.any() else None,
        A_eq=a[equal],
        b_eq=low[equal],
        bounds=np.column_stack([np.zeros(len(p.upper)), np.array(p.upper)]),
        method="highs-ds",
    )
    if answer.status != 0:
        return None
    prices = np.zeros(len(low))
    prices[equal] = answer.eqlin.marginals
    if less.any():
        prices[less] = np.minimum(answer.ineqlin.marginals, 0.0)
    return answer.x, prices


def _jobs(grid: Grid, p: Program) -> dict[int, dict[int, int]]:
    """One column per job and week; each job is placed once, or stays unplanned."""
    x: dict[int, dict[int, int]] = {}
    for j in grid.placeable:
        once = p.row(1, 1)
        x[j] = {}
        for week, cost in grid.cost[j].items():
            x[j][week] = column = p.column(cost, 1)
            p.set(once, column, 1)
        p.set(once, p.column(grid.unplanned_cost(j), 1), 1)
    return x


def _hands(grid: Grid, j: int, week: int) -> float:
    """What the cheapest person and gauge cost for the job that week: place in its list, change."""
    return min(grid.hands_cost(j, week, c.worker, c.gauge) for c in grid.combos(j, week))


def _setups(grid: Grid, p: Program, x: dict[int, dict[int, int]]) -> None:
    """In each week, jobs that have no gauge in common need a gauge set up each.

    Jobs are picked so that no two share a gauge, those with the fewest gauges first; each pays for
    a gauge of its own in the week it is done in. A gauge set up for one of them serves no other,
    so nothing is counted twice. All jobs with the same gauges share the column.
    """
    kinds: dict[int, dict[frozenset[int], list[int]]] = {}
    for j, columns in x.items():
        for week, column in columns.items():
            usable = frozenset(c.gauge for c in grid.combos(j, week))
            kinds.setdefault(week, {}).setdefault(usable, []).append(column)
    for _, found in sorted(kinds.items()):
        taken: set[int] = set()
        for usable, held in sorted(found.items(), key=lambda k: (len(k[0]), sorted(k[0]))):
            if usable & taken:
                continue
            taken |= usable
            share = p.column(grid.weights.gauge_setup, 1)
            for column in held:
                row = p.row(-_INF, 0)
                p.set(row, column, 1)
                p.set(row, share, -1)


def _people(grid: Grid, p: Program, x: dict[int, dict[int, int]]) -> int:
    """Minutes of each quantity go to people qualified for it; the column of the peak."""
    most = float(max(max(row) for row in grid.worker_cap))
    peak = p.column(grid.weights.peak, 1)
    person: dict[tuple[int, int], int] = {}
    for k, row in enumerate(grid.worker_cap):
        for w, cap in enumerate(row):
            if cap:
                person[k, w] = p.row(-_INF, 0)
                p.set(person[k, w], peak, -cap)
    work: dict[tuple[int, int], list[int]] = {}
    for j, columns in x.items():
        for week in columns:
            work.setdefault((grid.quantity[j], week), []).append(j)
    for (q, week), jobs in sorted(work.items()):
        flow = p.row(-_INF, 0)
        for j in jobs:
            p.set(flow, x[j][week], grid.minutes[j])
        for k in range(len(grid.workers)):
            if grid.skill_days[k][q][week]:
                z = p.column(0, most)
                p.set(flow, z, -1)
                p.set(person[k, week], z, 1)
    return peak


def _level(grid: Grid, p: Program, x: dict[int, dict[int, int]]) -> None:
    """Minutes above each week's level cost."""
    total = float(sum(grid.minutes[j] for j in grid.placeable))
    rows: dict[int, int] = {}
    for j, columns in x.items():
        for week, column in columns.items():
            if week not in rows:
                rows[week] = p.row(-_INF, grid.level[week])
                p.set(rows[week], p.column(grid.weights.above_level, total), -1)
            p.set(rows[week], column, grid.minutes[j])


def _apart(grid: Grid, p: Program, x: dict[int, dict[int, int]]) -> None:
    """Within any stretch of weeks nearer than allowed stands at most one job of a group."""
    for members, apart in grid.group_list:
        jobs = [j for j in members if j in x]
        if apart < 1 or len(jobs) < 2:
            continue
        for start in range(len(grid.weeks)):
            near = range(start, start + apart)
            columns = [[x[j][w] for w in near if w in x[j]] for j in jobs]
            if sum(map(bool, columns)) > 1:
                row = p.row(-_INF, 1)
                for column in (c for some in columns for c in some):
                    p.set(row, column, 1)


# --- gauges ---------------------------------------------------------------------------------


def _gauge_rows(grid: Grid, p: Program, x: dict[int, dict[int, int]], values: Any) -> int:
    """How many weeks got a row because these ``values`` ask too much of some of their gauges."""
    weeks: dict[int, dict[frozenset[int], list[int]]] = {}
    for j, columns in x.items():
        for week in columns:
            usable = frozenset(g for g in grid.usable[j] if grid.gauge_days[g][week])
            if all(grid.gauge_rate[g] is not None for g in usable):
                weeks.setdefault(week, {}).setdefault(usable, []).append(j)
    added = 0
    for week, kinds in sorted(weeks.items()):
        need = {
            usable: sum(grid.minutes[j] * float(values[x[j][week]]) for j in jobs)
            for usable, jobs in kinds.items()
        }
        short = _overloaded(need, {g: row[week] or 0 for g, row in enumerate(grid.gauge_cap)})
        if not short:
            continue
        gauges = frozenset().union(*short)
        row = p.row(-_INF, sum(grid.gauge_cap[g][week] or 0 for g in gauges))
        for usable, jobs in kinds.items():
            if usable <= gauges:
                for j in jobs:
                    p.set(row, x[j][week], grid.minutes[j])
        added += 1
    return added


def _overloaded(need: dict[frozenset[int], float], caps: dict[int, int]) -> list[frozenset[int]]:
    """Kinds of work that together need more than all their gauges have; empty: all fits.

    The far side of a least cut between work and gauges (max-flow min-cut theorem).
    """
    kinds = sorted((k for k, n in need.items() if n > _DUST), key=sorted)
    left = [need[k] for k in kinds]
    spare = {g: float(cap) for g, cap in caps.items()}
    flow: dict[tuple[int, int], float] = {}
    while True:
        # Kinds with work left, and those whose gauge could be freed for them, breadth first.
        queue = deque(i for i, n in enumerate(left) if n > _DUST)
        freed_by: dict[int, int | None] = dict.fromkeys(queue)
        wanted_by: dict[int, int] = {}
        end = None
        while queue and end is None:
            i = queue.popleft()
            for g in sorted(kinds[i] - wanted_by.keys()):
                wanted_by[g] = i
                if spare[g] > _DUST:
                    end = g
                    break
                for other in range(len(kinds)):
                    if other not in freed_by and flow.get((other, g), 0.0) > _DUST:
                        freed_by[other] = g
                        queue.append(other)
        if end is None:
            return [kinds[i] for i in freed_by] if sum(left) > 0.5 else []
        path: list[tuple[int, int, int | None]] = []
        step: int | None = end
        amount = spare[end]
        while step is not None:
            i = wanted_by[step]
            back = freed_by[i]
            amount = min(amount, left[i] if back is None else flow[i, back])
            path.append((i, step, back))
            step = back
        spare[end] -= amount
        for i, g, back in path:
            flow[i, g] = flow.get((i, g), 0.0) + amount
            if back is None:
                left[i] -= amount
            else:
                flow[i, back] -= amount


# --- areas ----------------------------------------------------------------------------------


def _priced(
    grid: Grid, p: Program, x: dict[int, dict[int, int]], coupling_from: int, prices: Any
) -> float:
    """The bound that these prices of the coupling rows prove."""
    import numpy as np

    prices = prices.copy()
    prices[:coupling_from] = 0.0
    low, high = np.array(p.low), np.array(p.high)
    limit = np.where(low == high, low, high)
    reduced = np.array(p.cost) - p.matrix().T @ prices
    bound = float(prices[coupling_from:] @ limit[coupling_from:])
    own = np.ones(len(p.cost), dtype=bool)
    own[: sum(len(columns) + 1 for columns in x.values())] = False
    bound += float(np.minimum(reduced[own], 0.0) @ np.array(p.upper)[own])
    areas: dict[int, list[int]] = {}
    for j in grid.placeable:
        areas.setdefault(grid.area[j], []).append(j)
    for jobs in areas.values():
        costs = {j: {w: float(reduced[c]) for w, c in x[j].items()} for j in jobs}
        bound += _area_bound(grid, jobs, costs)
    return bound


def _area_bound(grid: Grid, jobs: Iterable[int], costs: dict[int, dict[int, float]]) -> float:
    """What the jobs of one area cost at least, with a visit in every week that is used."""
    import numpy as np

    p = Program()
    weeks = sorted({w for j in jobs for w in costs[j]})
    visit = {w: p.column(grid.weights.area_visit, 1) for w in weeks}
    rows = {}
    for j in jobs:
        rows[j] = p.row(1, 1)
        for w, cost in costs[j].items():
            column = p.column(cost, _INF)
            p.set(rows[j], column, 1)
            link = p.row(-_INF, 0)
            p.set(link, column, 1)
            p.set(link, visit[w], -1)
        p.set(rows[j], p.column(grid.unplanned_cost(j), _INF), 1)
    answer = _solve(p)
    # What a job pays for its place, by the solver; any payment gives a bound, checked here.
    total = 0.0
    surplus = dict.fromkeys(weeks, 0.0)
    for j in jobs:
        cheapest = min(costs[j].values())
        pays = float(answer[1][rows[j]]) if answer is not None else cheapest
        pays = min(pays, grid.unplanned_cost(j))
        total += pays
        for w, cost in costs[j].items():
            surplus[w] += max(0.0, pays - cost)
    return total - float(np.sum([max(0.0, s - grid.weights.area_visit) for s in surplus.values()]))
