"""A small plan, or a part of a large one, as one integer program, solved to the optimum.

One 0/1 column per job, week, person and gauge; every hard rule and every part of the cost is a
row or a column, so the optimum of the program is the best plan. HiGHS through SciPy; the only
limit is a number of branches, so the answer does not depend on the speed of the machine.

Of a large plan some weeks are taken: the jobs in them are placed anew in these weeks, all others
stay where they are. Such a part is the best for what stays around it, and proves no bound.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import combinations

from calfleet.scheduling.plan_bound import Program
from calfleet.scheduling.plan_cost import Place
from calfleet.scheduling.plan_grid import SPANS, Grid, hull

NODES = 60
GAP = 1e-9
_INF = float("inf")


@dataclass(slots=True)
class Solved:
    """The best places found (``None``: none), a proven bound, and whether they are the best."""

    places: list[Place | None] | None
    bound: float
    proven: bool


@dataclass(frozen=True, slots=True)
class Part:
    """The weeks of a plan that are placed anew, and everything's place before.

    ``loose``: the jobs that may move, within ``weeks`` only.
    """

    weeks: frozenset[int]
    loose: frozenset[int]
    places: Sequence[Place | None]


def part_of(grid: Grid, places: Sequence[Place | None], weeks: Iterable[int]) -> Part:
    """The part of a plan in ``weeks``: the jobs placed there, and those without a place."""
    inside = frozenset(weeks)
    loose = frozenset(
        j
        for j in grid.placeable
        if not inside.isdisjoint(grid.days[j])
        and ((place := places[j]) is None or place[0] in inside)
    )
    return Part(inside, loose, places)


def choices_of(grid: Grid, part: Part) -> int:
    """How many choices of week, person and gauge the loose jobs of a part have."""
    return sum(len(grid.combos(j, w)) for j in part.loose for w in grid.days[j] if w in part.weeks)


def solve_exactly(
    grid: Grid, *, nodes: int = NODES, gap: float = GAP, part: Part | None = None
) -> Solved:
    """The optimal places of all placeable jobs, if found within ``nodes`` branches.

    ``gap``: how far from the optimum, as a fraction, is near enough. With ``part`` only its loose
    jobs are placed; the bound is then 0 and nothing is proven.
    """
    import numpy as np
    from scipy.optimize import Bounds, LinearConstraint, milp
    from scipy.sparse import csr_array

    p = Program()
    x = _choices(grid, p, part)
    whole = len(p.cost)
    peak = p.column(grid.weights.peak, 1)
    _room(grid, p, x, peak)
    if part is not None:
        _peak_elsewhere(grid, p, peak, part)
    _costs(grid, p, x)
    _groups(grid, p, x)
    answer = milp(
        np.array(p.cost),
        integrality=np.array([1] * whole + [0] * (len(p.cost) - whole)),
        bounds=Bounds(0, np.array(p.upper)),
        constraints=LinearConstraint(
            csr_array((p.values, (p.rows, p.cols)), shape=(len(p.low), len(p.cost))),
            np.array(p.low),
            np.array(p.high),
        ),
        options={"node_limit": nodes, "mip_rel_gap": gap},
    )
    bound = answer.mip_dual_bound
    bound = float(bound) if bound is not None and np.isfinite(bound) else 0.0
    if part is not None:
        bound = 0.0
    if answer.x is None:
        return Solved(None, bound, proven=False)
    places: list[Place | None] = [None] * len(grid.jobs) if part is None else list(part.places)
    for j in part.loose if part is not None else ():
        places[j] = None
    for (j, week, k, g), column in x.items():
        if answer.x[column] > 0.5:
            places[j] = (week, k, g)
    return Solved(places, bound, proven=part is None and answer.status == 0)


Choice = tuple[int, int, int, int]


def _choices(grid: Grid, p: Program, part: Part | None) -> dict[Choice, int]:
    x: dict[Choice, int] = {}
    for j in grid.placeable:
        loose = part is None or j in part.loose
        place = part.places[j] if part is not None and not loose else None
        if part is not None and not loose and (place is None or not _near(grid, j, place, part)):
            continue
        once = p.row(1, 1)
        for week, cost in grid.cost[j].items():
            if part is not None and loose and week not in part.weeks:
                continue
            for c in grid.combos(j, week):
                if place is not None and place != (week, c.worker, c.gauge):
                    continue
                hands = grid.hands_cost(j, week, c.worker, c.gauge)
                x[j, week, c.worker, c.gauge] = column = p.column(cost + hands, 1)
                p.set(once, column, 1)
        if loose:
            p.set(once, p.column(grid.unplanned_cost(j), 1), 1)
    return x


def _near(grid: Grid, j: int, place: Place, part: Part) -> bool:
    """Whether a job that stays matters to those that move: in their weeks, or their partner."""
    return place[0] in part.weeks or any(i in part.loose for i in grid.group[j])


def _peak_elsewhere(grid: Grid, p: Program, peak: int, part: Part) -> None:
    """The fullest person-week outside the part is there whatever happens in it."""
    load: dict[tuple[int, int], int] = {}
    for j, place in enumerate(part.places):
        if place is not None and place[0] not in part.weeks:
            load[place[1], place[0]] = load.get((place[1], place[0]), 0) + grid.minutes[j]
    share = max((n / grid.worker_cap[k][w] for (k, w), n in load.items()), default=0.0)
    p.set(p.row(share, _INF), peak, 1)


def _room(grid: Grid, p: Program, x: dict[Choice, int], peak: int) -> None:
    """No person and no gauge beyond its minutes, on all days and on each stretch of days."""
    work: dict[tuple[bool, int, int], list[tuple[int, int, int, int]]] = {}
    for (j, week, k, g), column in x.items():
        bits = next(c.bits for c in grid.combos(j, week) if (c.worker, c.gauge) == (k, g))
        lo, hi = hull(bits)
        work.setdefault((True, k, week), []).append((column, grid.minutes[j], lo, hi))
        if grid.gauge_rate[g] is not None:
            work.setdefault((False, g, week), []).append((column, grid.minutes[j], lo, hi))
    for (person, n, week), items in work.items():
        days = (grid.worker_days if person else grid.gauge_days)[n][week]
        rate = grid.worker_rate[n][week] if person else grid.gauge_rate[n] or 0
        if person:
            row = p.row(-_INF, 0)
            p.set(row, peak, -grid.worker_cap[n][week])
            for column, minutes, _, _ in items:
                p.set(row, column, minutes)
        for a in sorted({lo for _, _, lo, _ in items}):
            for b in sorted({hi for _, _, _, hi in items}):
                inside = [(c, m) for c, m, lo, hi in items if a <= lo and hi <= b]
                if inside:
                    row = p.row(-_INF, rate * (days & SPANS[a][b]).bit_count())
                    for column, minutes in inside:
                        p.set(row, column, minutes)


def _costs(grid: Grid, p: Program, x: dict[Choice, int]) -> None:
    """Minutes above the level, visits and gauges set up."""
    total = float(sum(grid.minutes[j] for j in grid.placeable))
    level: dict[int, int] = {}
    visit: dict[tuple[int, int], int] = {}
    setup: dict[tuple[int, int], int] = {}
    visit_row: dict[tuple[int, int], int] = {}
    setup_row: dict[tuple[int, int, int], int] = {}
    for (j, week, _, g), column in x.items():
        if week not in level:
            level[week] = p.row(-_INF, grid.level[week])
            p.set(level[week], p.column(grid.weights.above_level, total), -1)
        p.set(level[week], column, grid.minutes[j])
        place = grid.area[j], week
        if place not in visit:
            visit[place] = p.column(grid.weights.area_visit, 1)
        if (j, week) not in visit_row:
            visit_row[j, week] = p.row(-_INF, 0)
            p.set(visit_row[j, week], visit[place], -1)
        p.set(visit_row[j, week], column, 1)
        if (g, week) not in setup:
            setup[g, week] = p.column(grid.weights.gauge_setup, 1)
        if (j, g, week) not in setup_row:
            setup_row[j, g, week] = p.row(-_INF, 0)
            p.set(setup_row[j, g, week], setup[g, week], -1)
        p.set(setup_row[j, g, week], column, 1)


def _groups(grid: Grid, p: Program, x: dict[Choice, int]) -> None:
    """Redundant switches apart in time, and not in the same hands with the same gauge."""
    by_job: dict[int, list[tuple[int, int, int, int]]] = {}
    for (j, week, k, g), column in x.items():
        by_job.setdefault(j, []).append((week, k, g, column))
    for members, apart in grid.group_list:
        jobs = [j for j in members if j in by_job]
        for start in range(len(grid.weeks)) if apart else ():
            columns = [c for j in jobs for w, _, _, c in by_job[j] if start <= w < start + apart]
            if columns:
                row = p.row(-_INF, 1)
                for column in columns:
                    p.set(row, column, 1)
        for i, j in combinations(jobs, 2):
            if grid.jobs[i].tag == grid.jobs[j].tag:
                continue
            hands: dict[tuple[int, int], list[int]] = {}
            for _, k, g, column in by_job[i] + by_job[j]:
                hands.setdefault((k, g), []).append(column)
            for columns in hands.values():
                row = p.row(-_INF, 1)
                for column in columns:
                    p.set(row, column, 1)
