"""What a set of places costs, part by part, counted afresh from the places alone."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence

from calfleet.scheduling.plan_grid import Grid
from calfleet.scheduling.plan_model import Objective, WeekLoad

Place = tuple[int, int, int]
"""Week, person and gauge, by index in a ``Grid``."""


def objective(grid: Grid, places: Sequence[Place | None]) -> Objective:
    """The cost of ``places`` (one per job; ``None``: no place), hopeless jobs left out."""
    weights = grid.weights
    load: Counter[tuple[int, int]] = Counter()
    per_week: Counter[int] = Counter()
    visits: set[tuple[int, int]] = set()
    setups: set[tuple[int, int]] = set()
    unplanned = late = lost = preference = moved = lost_minutes = 0.0
    late_days = 0
    for j in grid.placeable:
        place = places[j]
        if place is None:
            unplanned += grid.unplanned_cost(j)
            continue
        week, worker, gauge = place
        job = grid.jobs[j]
        load[worker, week] += job.minutes
        per_week[week] += job.minutes
        visits.add((grid.area[j], week))
        setups.add((gauge, week))
        days_late = grid.timing(j, week)[1]
        late_days += days_late
        late += weights.late_cost(job.criticality) * days_late
        given_away = grid.lost_minutes(j, week)
        lost_minutes += given_away
        lost += weights.lost * given_away
        preference += weights.preference * grid.rank[j][gauge]
        before = grid.previous[j]
        if before is not None and before[0] != week:
            moved += weights.moved_week
        elif before is not None and before != place:
            moved += weights.moved_hands
    peak = max((n / grid.worker_cap[k][w] for (k, w), n in load.items()), default=0.0)
    above = sum(max(0.0, per_week[w] - level) for w, level in enumerate(grid.level))
    return Objective(
        unplanned=unplanned,
        late=late,
        peak=weights.peak * peak,
        above_level=weights.above_level * above,
        lost=lost,
        grouping=weights.area_visit * len(visits) + weights.gauge_setup * len(setups),
        preference=preference,
        moved=moved,
        peak_share=peak,
        lost_minutes=lost_minutes,
        late_days=late_days,
    )


def week_loads(grid: Grid, places: Sequence[Place | None]) -> tuple[WeekLoad, ...]:
    """The load of every week of the plan, in order; every person and gauge, areas with work."""
    jobs: Counter[int] = Counter()
    minutes: Counter[int] = Counter()
    by_worker: Counter[tuple[int, int]] = Counter()
    by_gauge: Counter[tuple[int, int]] = Counter()
    by_area: Counter[tuple[int, int]] = Counter()
    for j, place in enumerate(places):
        if place is None:
            continue
        week, worker, gauge = place
        jobs[week] += 1
        minutes[week] += grid.minutes[j]
        by_worker[week, worker] += grid.minutes[j]
        by_gauge[week, gauge] += grid.minutes[j]
        by_area[week, grid.area[j]] += grid.minutes[j]
    return tuple(
        WeekLoad(
            week=week,
            jobs=jobs[n],
            minutes=minutes[n],
            capacity_minutes=grid.week_cap[n],
            level_minutes=grid.level[n],
            by_worker=tuple((w.code, by_worker[n, k]) for k, w in enumerate(grid.workers)),
            by_gauge=tuple((g.code, by_gauge[n, i]) for i, g in enumerate(grid.gauges)),
            by_area=tuple(
                (name, by_area[n, a]) for a, name in enumerate(grid.areas) if by_area[n, a]
            ),
        )
        for n, week in enumerate(grid.weeks)
    )
