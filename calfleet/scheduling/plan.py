"""A levelled plan: every job in an ISO week, with a person and a gauge, and how good that is.

Hard rules (``plan_check`` finds every breach): never outside a job's days, outages and fixed
assignment; person there and qualified, gauge there and valid on a day of that week; no person
and no gauge beyond its minutes; redundant switches apart, and not in the same hands with the same
gauge. A job for which that cannot be had is told to be unplanned, with the reason.

Objective, all in bench minutes (``plan_model.Weights``): unplanned jobs and days of grace first,
then the fullest person-week and weeks above the level, then bench time given away by working
early, then visits, gauges set up, gauges down the list, and changes of the previous plan.

Method. Small inputs are solved exactly as one integer program (HiGHS through SciPy). Large ones
in four steps: the linear relaxation gives a bound and suggests weeks; jobs go to those weeks and
to whoever has room and least to do; jobs without room move others out of the way; then single
jobs, whole visits and the fullest person-weeks are moved as long as that saves something. With a
previous plan, its places are kept where they still can be, so that little moves. There is no
random choice and no limit by the clock: the same input gives the same plan. Where the plan is
not near its bound, stretches of weeks are then solved again, each as an integer program of its
own (``plan_refine``); small inputs are solved whole.
"""

from __future__ import annotations

from collections.abc import Sequence

from calfleet.scheduling.plan_bound import relax
from calfleet.scheduling.plan_cost import Place, objective, week_loads
from calfleet.scheduling.plan_days import with_days
from calfleet.scheduling.plan_exact import NODES, solve_exactly
from calfleet.scheduling.plan_grid import Combo, Grid, hull
from calfleet.scheduling.plan_model import (
    Assignment,
    Cause,
    Method,
    Moved,
    Plan,
    PlanInput,
    Unplanned,
)
from calfleet.scheduling.plan_refine import refined
from calfleet.scheduling.plan_search import Search

EXACT_CHOICES = 6_000
"""Up to so many choices of week, person and gauge in all, the integer program is used."""
BRANCHED_CHOICES = 500
"""Up to so many it is also branched; beyond, only solved as far as that goes at its root."""
NEAR_ENOUGH = 0.02
"""A plan that near to its bound, as a fraction, is not made better week by week."""

PASSES = 12


def make_plan(given: PlanInput, *, exact_choices: int = EXACT_CHOICES, refine: bool = True) -> Plan:
    """The levelled plan of ``given``, with its cost, a proven bound and the reasons for gaps.

    No jobs: an empty plan. ``exact_choices``: the size up to which the integer program is used
    (0: never); ``refine``: whether stretches of weeks are solved again. Raises nothing beyond what
    ``PlanInput`` refuses.
    """
    grid = Grid(given)
    choices = sum(len(grid.combos(j, w)) for j in grid.placeable for w in grid.days[j])
    relaxed = relax(grid)
    search = Search(grid, peak=relaxed.peak)
    search.build(relaxed.hints, keep=bool(given.previous))
    search.improve(PASSES)
    places: Sequence[Place | None] = tuple(search.place)
    bound, method = relaxed.bound, Method.SEARCH
    if grid.placeable and choices <= exact_choices:
        solved = solve_exactly(grid, nodes=NODES if choices <= BRANCHED_CHOICES else 1)
        bound = max(bound, solved.bound)
        if solved.proven:
            method = Method.EXACT
        found = solved.places
        if found and objective(grid, found).total < objective(grid, places).total - 1e-6:
            places = found
    if method is Method.SEARCH and refine:
        cost = objective(grid, places).total
        if cost - bound > NEAR_ENOUGH * cost:
            places = refined(grid, places)
    return _plan(grid, places, bound, method)


def _plan(grid: Grid, places: Sequence[Place | None], bound: float, method: Method) -> Plan:
    given = grid.given
    cost = objective(grid, places)
    assignments = [
        _assignment(grid, j, place) for j, place in enumerate(places) if place is not None
    ]
    assignments = with_days(assignments, grid)
    assignments.sort(key=lambda a: (a.week, a.key))
    before = {a.key: a for a in given.previous}
    moved = tuple(
        Moved(a.key, before[a.key], a)
        for a in assignments
        if a.key in before
        and (a.week, a.worker, a.gauge)
        != (before[a.key].week, before[a.key].worker, before[a.key].gauge)
    )
    return Plan(
        first=given.first,
        weeks=given.weeks,
        assignments=tuple(assignments),
        unplanned=_unplanned(grid, places),
        loads=week_loads(grid, places),
        objective=cost,
        bound=bound,
        method=method,
        moved=moved,
    )


def _assignment(grid: Grid, j: int, place: Place) -> Assignment:
    week, worker, gauge = place
    bits = next(c.bits for c in grid.combos(j, week) if (c.worker, c.gauge) == (worker, gauge))
    return _shown(grid, j, week, Combo(worker, gauge, bits))


def _shown(grid: Grid, j: int, week: int, combo: Combo) -> Assignment:
    job = grid.jobs[j]
    lo, hi = hull(combo.bits)
    return Assignment(
        key=job.key,
        tag=job.tag,
        week=grid.weeks[week],
        worker=grid.workers[combo.worker].code,
        gauge=grid.gauges[combo.gauge].code,
        first=grid.day(week, lo),
        last=grid.day(week, hi),
        fixed=job.fixed is not None,
        static_gauge=_static_gauge(grid, j, week, combo),
    )


def _static_gauge(grid: Grid, j: int, week: int, combo: Combo) -> str | None:
    """The gauge for the static pressure, where the job needs one: the one there on most days."""
    free = [s for s in grid.statics[j] if s != combo.gauge]
    if not free:
        return None
    best = max(free, key=lambda s: ((grid.gauge_days[s][week] & combo.bits).bit_count(), -s))
    return grid.gauges[best].code


# --- what has no place ------------------------------------------------------------------


def _unplanned(grid: Grid, places: Sequence[Place | None]) -> tuple[Unplanned, ...]:
    """Jobs without a place, worst first, each with the soonest late place that is left."""
    left = [j for j, place in enumerate(places) if place is None]
    if not left:
        return ()
    search = Search(grid)
    for j, place in enumerate(places):
        if place is not None:
            week, worker, gauge = place
            combos = grid.combos(j, week)
            search.put(j, week, next(c for c in combos if (c.worker, c.gauge) == (worker, gauge)))
    told = {j: grid.hopeless.get(j) or _no_room(grid, search, j) for j in left}
    answer = []
    for j in sorted(left, key=lambda j: (grid.jobs[j].criticality.rank, grid.jobs[j].due_on, j)):
        u = told[j]
        soonest = None if u.cause is Cause.BEYOND else _soonest(grid, search, j)
        answer.append(Unplanned(u.key, u.tag, u.cause, u.reason, u.proven, soonest))
    return tuple(answer)


def _soonest(grid: Grid, search: Search, j: int) -> Assignment | None:
    """The first place after the job's latest day that is free; it is then taken."""
    for week, bits in sorted(grid.soonest_days(j).items()):
        if week in grid.barred_weeks[j] or not search.clear_of_partners(j, week):
            continue
        taken = search.taken_hands(j)
        for combo in grid.combos(j, week, bits):
            if (combo.worker, combo.gauge) not in taken and search.fits(j, week, combo):
                search.put(j, week, combo)
                return _shown(grid, j, week, combo)
    return None


def _no_room(grid: Grid, search: Search, j: int) -> Unplanned:
    """Why none of the weeks in which ``j`` could be done had room beside the rest."""
    job = grid.jobs[j]
    weeks = sorted(grid.days[j])
    named = str(grid.weeks[weeks[0]])
    if len(weeks) > 1:
        named = f"{named} to {grid.weeks[weeks[-1]]}"
    near: list[int] = []
    same_hands: list[int] = []
    person_full: list[int] = []
    gauge_full: list[int] = []
    for week in weeks:
        if not search.clear_of_partners(j, week):
            near.append(week)
            continue
        taken = search.taken_hands(j)
        free = [c for c in grid.combos(j, week) if (c.worker, c.gauge) not in taken]
        if not free:
            same_hands.append(week)
        elif all(not search.person_fits(j, week, c) for c in free):
            person_full.append(week)
        else:
            gauge_full.append(week)
    if near and len(near) == len(weeks):
        others = ", ".join(_partners(grid, search, j))
        return _told(
            grid,
            j,
            Cause.SEPARATION,
            f"All its weeks, {named}, are nearer than {grid.apart[j]} weeks to its redundant "
            f"partners: {others}.",
        )
    parts = []
    if person_full:
        parts.append(_people_text(grid, search, j, person_full))
    if gauge_full:
        parts.append(_gauges_text(grid, search, j, gauge_full))
    if near:
        parts.append(
            f"{_count(grid, near)} nearer than {grid.apart[j]} weeks to "
            f"{', '.join(_partners(grid, search, j))}"
        )
    if same_hands:
        parts.append(f"{_count(grid, same_hands)} only with the hands of a redundant partner")
    cause = Cause.SEPARATION
    if person_full or gauge_full:
        cause = Cause.CAPACITY if person_full else Cause.GAUGE_CAPACITY
    text = f"Its {job.minutes} minutes found no room: {'; '.join(parts)}."
    return _told(grid, j, cause, text)


def _told(grid: Grid, j: int, cause: Cause, text: str) -> Unplanned:
    return Unplanned(grid.jobs[j].key, grid.jobs[j].tag, cause, text, proven=False)


def _partners(grid: Grid, search: Search, j: int) -> list[str]:
    return [
        f"{grid.jobs[i].tag} in {grid.weeks[place[0]]}"
        for i in grid.group[j]
        if i != j and (place := search.place[i]) is not None
    ]


def _count(grid: Grid, weeks: Sequence[int]) -> str:
    if len(weeks) == 1:
        return f"{grid.weeks[weeks[0]]} is"
    return f"{len(weeks)} weeks ({grid.weeks[weeks[0]]} to {grid.weeks[weeks[-1]]}) are"


def _people_text(grid: Grid, search: Search, j: int, weeks: Sequence[int]) -> str:
    hands = [{c.worker for c in grid.combos(j, w)} for w in weeks]
    have = sum(grid.worker_cap[k][w] for w, who in zip(weeks, hands, strict=True) for k in who)
    used = sum(
        search.worker_bins[k][w].load for w, who in zip(weeks, hands, strict=True) for k in who
    )
    names = ", ".join(sorted({grid.workers[k].code for who in hands for k in who}))
    count = _count(grid, weeks)
    return (
        f"{count} full for the people qualified for {grid.jobs[j].quantity} ({names}), with "
        f"{used} of {have} minutes taken and the rest too short or on other days"
    )


def _gauges_text(grid: Grid, search: Search, j: int, weeks: Sequence[int]) -> str:
    names = ", ".join(sorted({grid.gauges[c.gauge].code for w in weeks for c in grid.combos(j, w)}))
    return f"{_count(grid, weeks)} full for its gauges ({names}) together with a free person"
