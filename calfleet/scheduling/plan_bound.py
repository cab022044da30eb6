"""A proven lower bound on what any plan must cost, and the weeks that it suggests.

The relaxation lets a job be split between weeks, and its minutes between persons and gauges; all
else that makes a plan dearer stays: capacities, level, fullest person-week, visits, separation.
Every real plan is a solution of it at no higher cost, so its optimum is a bound. It is a linear
program, solved by HiGHS through SciPy; the bound is taken from the dual solution, so that it
holds whatever the tolerance with which the primal one was found.
"""

from __future__ import annotations

from dataclasses import dataclass, field

from calfleet.scheduling.plan_grid import Grid

MANY = 400_000
"""So many job-weeks are relaxed at most; beyond it the plain bound has to do."""


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


def plain_bound(grid: Grid) -> float:
    """The sum of each job's cheapest week, and of the fewest visits that reach every job's weeks."""
    cheapest = sum(min(grid.cost[j].values()) for j in grid.placeable)
    cheapest = (
        min(cheapest, sum(grid.unplanned_cost(j) for j in grid.placeable))
        if (grid.weights.unplanned == 0)
        else cheapest
    )
    return cheapest


def relax(grid: Grid) -> Relaxation:
    """The bound, peak and week hints of the relaxed plan.

    Without a job that has a place: all zero. Source: linear programming duality; HiGHS.
    """
    if not grid.placeable:
        return Relaxation(0.0, 0.0)
    if sum(len(grid.days[j]) for j in grid.placeable) > MANY:
        return Relaxation(plain_bound(grid), 0.0)
    return _solve(grid)


def _solve(grid: Grid) -> Relaxation:
    import numpy as np
    from scipy.optimize import linprog
    from scipy.sparse import csr_array

    p = Program()
    x = _jobs(grid, p)
    peak = _hands(grid, p, x)
    _level(grid, p, x)
    _visits(grid, p, x)
    _apart(grid, p, x)
    low, high = np.array(p.low), np.array(p.high)
    shape = (len(low), len(p.cost))
    a = csr_array((p.values, (p.rows, p.cols)), shape=shape)
    equal = low == high
    upper = ~equal & np.isfinite(high)
    lower = ~equal & np.isfinite(low)
    from scipy.sparse import vstack

    a_ub = vstack([a[upper], -a[lower]]).tocsr()
    b_ub = np.concatenate([high[upper], -low[lower]])
    cost, limit = np.array(p.cost), np.array(p.upper)
    answer = linprog(
        cost,
        A_ub=a_ub,
        b_ub=b_ub,
        A_eq=a[equal],
        b_eq=low[equal],
        bounds=np.column_stack([np.zeros(len(limit)), limit]),
        method="highs",
    )
    if answer.status != 0:
        return Relaxation(plain_bound(grid), 0.0)
    # Any multipliers of the right sign give a bound; these are the solver's, made exact in sign.
    y_ub = np.minimum(answer.ineqlin.marginals, 0.0)
    y_eq = answer.eqlin.marginals
    reduced = cost - a_ub.T @ y_ub - a[equal].T @ y_eq
    bound = float(y_ub @ b_ub + y_eq @ low[equal] + np.minimum(reduced, 0.0) @ limit)
    hints: dict[int, list[int]] = {}
    for j, columns in x.items():
        found = [(w, float(answer.x[c])) for w, c in columns.items() if answer.x[c] > 1e-6]
        hints[j] = [w for w, _ in sorted(found, key=lambda pair: (-round(pair[1], 6), pair[0]))]
    return Relaxation(max(bound, plain_bound(grid)), float(answer.x[peak]), hints)


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


def _hands(grid: Grid, p: Program, x: dict[int, dict[int, int]]) -> int:
    """Minutes of each kind of work go to persons and to gauges that can do it; the peak's column."""
    weeks = range(len(grid.weeks))
    most = float(max(max(row) for row in grid.worker_cap))
    peak = p.column(grid.weights.peak, 1)
    person_rows: dict[tuple[int, int], int] = {}
    gauge_rows: dict[tuple[int, int], int] = {}
    setup_rows: dict[tuple[int, int], int] = {}
    by_quantity: dict[tuple[int, int], list[int]] = {}
    by_gauges: dict[tuple[tuple[int, ...], int], list[int]] = {}
    for j, columns in x.items():
        for week in columns:
            by_quantity.setdefault((grid.quantity[j], week), []).append(j)
            by_gauges.setdefault((grid.usable[j], week), []).append(j)
    for k, row in enumerate(grid.worker_cap):
        for w in weeks:
            if row[w]:
                person_rows[k, w] = p.row(-float("inf"), 0)
                p.set(person_rows[k, w], peak, -row[w])
    for (q, week), jobs in sorted(by_quantity.items()):
        flow = p.row(0, 0)
        for j in jobs:
            p.set(flow, x[j][week], grid.minutes[j])
        for k in range(len(grid.workers)):
            if grid.skill_days[k][q][week]:
                z = p.column(0, most)
                p.set(flow, z, -1)
                p.set(person_rows[k, week], z, 1)
    for (usable, week), jobs in sorted(by_gauges.items()):
        flow = p.row(0, 0)
        longest = max(grid.minutes[j] for j in jobs)
        total = sum(grid.minutes[j] for j in jobs)
        for j in jobs:
            p.set(flow, x[j][week], grid.minutes[j])
        for place, g in enumerate(usable):
            if not grid.gauge_days[g][week]:
                continue
            cap = grid.gauge_cap[g][week]
            limit = total if cap is None else min(total, cap)
            y = p.column(grid.weights.preference * place / longest, limit)
            p.set(flow, y, -1)
            if (g, week) not in setup_rows:
                s = p.column(grid.weights.gauge_setup, 1)
                setup_rows[g, week] = s
                if cap is not None:
                    gauge_rows[g, week] = p.row(-float("inf"), 0)
                    p.set(gauge_rows[g, week], s, -cap)
            if cap is not None:
                p.set(gauge_rows[g, week], y, 1)
            own = p.row(-float("inf"), 0)
            p.set(own, y, 1)
            p.set(own, setup_rows[g, week], -limit)
    return peak


def _level(grid: Grid, p: Program, x: dict[int, dict[int, int]]) -> None:
    """Minutes above each week's level cost."""
    total = float(sum(grid.minutes[j] for j in grid.placeable))
    rows: dict[int, int] = {}
    for j, columns in x.items():
        for week, column in columns.items():
            if week not in rows:
                rows[week] = p.row(-float("inf"), grid.level[week])
                p.set(rows[week], p.column(grid.weights.above_level, total), -1)
            p.set(rows[week], column, grid.minutes[j])


def _visits(grid: Grid, p: Program, x: dict[int, dict[int, int]]) -> None:
    """A visit per area and week, wanted by every job or group of jobs with the same choice."""
    visit: dict[tuple[int, int], int] = {}
    alike: dict[tuple[object, ...], list[int]] = {}
    for j in grid.placeable:
        due = (grid.jobs[j].due_on - grid.monday).days // 7
        alike.setdefault((grid.area[j], due, tuple(grid.days[j])), []).append(j)
    for (area, _, weeks), jobs in sorted(alike.items()):  # type: ignore[misc]
        for week in weeks:
            if (area, week) not in visit:
                visit[area, week] = p.column(grid.weights.area_visit, 1)
            row = p.row(-float("inf"), 0)
            p.set(row, visit[area, week], -len(jobs))
            for j in jobs:
                p.set(row, x[j][week], 1)


def _apart(grid: Grid, p: Program, x: dict[int, dict[int, int]]) -> None:
    """Within any stretch of weeks nearer than allowed stands at most one job of a group."""
    for members, apart in grid.group_list:
        jobs = [j for j in members if j in x]
        if apart < 1 or len(jobs) < 2:
            continue
        for start in range(len(grid.weeks)):
            columns = [x[j][w] for j in jobs for w in range(start, start + apart) if w in x[j]]
            if len(columns) > 1:
                row = p.row(-float("inf"), 1)
                for column in columns:
                    p.set(row, column, 1)
