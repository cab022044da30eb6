"""A plan solved again week by week: never dearer, no rule broken, and jobs placed that lost out."""

from __future__ import annotations

from datetime import date, timedelta

from calfleet.records import Quantity
from calfleet.scheduling.calendar import Window, WorkingCalendar
from calfleet.scheduling.plan import make_plan
from calfleet.scheduling.plan_check import check_plan
from calfleet.scheduling.plan_cost import objective
from calfleet.scheduling.plan_exact import choices_of, part_of, solve_exactly
from calfleet.scheduling.plan_grid import Grid
from calfleet.scheduling.plan_model import (
    GaugeAvailability,
    PlanInput,
    PlanJob,
    PlanWorker,
    Skill,
)
from calfleet.scheduling.plan_refine import refined
from calfleet.scheduling.plan_search import Search

P, DP = Quantity.PRESSURE, Quantity.DIFFERENTIAL
MONDAY = date(2027, 1, 4)
ALWAYS = (Window(date(2020, 1, 1), date(2040, 1, 1)),)


def day(number: int) -> date:
    return MONDAY + timedelta(days=number)


def job(key: str, quantity: Quantity, minutes: int, latest: int, late: int = 0) -> PlanJob:
    return PlanJob(
        key=key,
        tag=key,
        due_on=day(latest),
        earliest_on=day(0),
        latest_on=day(latest + late),
        minutes=minutes,
        area="A",
        quantity=quantity,
        gauges=("G1",),
        interval_days=365,
    )


def tight() -> PlanInput:
    """Two people, two weeks: the long job fits only if three short ones are swapped about.

    Ann (pressure, differential pressure) and Bob (pressure) have 100 minutes a week each; the job
    of 90 needs Ann in the first week, what must be done then by pressure needs Bob.
    """
    return PlanInput(
        jobs=(
            job("long", DP, 90, 4),
            job("a", P, 50, 4),
            job("b", P, 50, 4),
            job("c", P, 50, 4, late=7),
            job("d", P, 50, 4, late=7),
        ),
        workers=(
            PlanWorker("ann", (Skill(P), Skill(DP)), 20),
            PlanWorker("bob", (Skill(P),), 20),
        ),
        gauges=(GaugeAvailability("G1", ALWAYS),),
        calendar=WorkingCalendar(),
        first=MONDAY,
        weeks=2,
    )


def test_jobs_without_a_place_get_one_where_there_is_one() -> None:
    """The one plan that places all: Ann does "long", Bob "a" and "b", the others come later."""
    grid = Grid(tight())
    number = {j.key: n for n, j in enumerate(grid.jobs)}
    search = Search(grid)
    # a start that a plain search could have: Ann full with pressure work, "long" without a place
    for key, worker in (("a", 0), ("b", 0), ("c", 1), ("d", 1)):
        j = number[key]
        combo = next(c for c in grid.combos(j, 0) if c.worker == worker)
        search.put(j, 0, combo)
    assert search.place[number["long"]] is None
    better = refined(grid, search.place)
    assert None not in better
    assert better[number["long"]] == (0, 0, 0)
    assert objective(grid, better).total < objective(grid, search.place).total
    assert {better[number[k]][:2] for k in "ab"} == {(0, 1)}  # type: ignore[index]


def test_refining_never_makes_it_dearer_and_breaks_no_rule() -> None:
    asked = tight()
    plain = make_plan(asked, exact_choices=0, refine=False)
    made = make_plan(asked, exact_choices=0)
    assert made.objective.total <= plain.objective.total
    assert check_plan(made, asked) == []
    # so small an input is solved whole, and nothing is better than that
    assert make_plan(asked).objective.total <= made.objective.total + 1e-6


def test_a_part_leaves_everything_else_where_it_is() -> None:
    asked = tight()
    grid = Grid(asked)
    search = Search(grid)
    search.build({}, keep=False)
    part = part_of(grid, search.place, [1])
    assert all(search.place[j] is None or search.place[j][0] == 1 for j in part.loose)  # type: ignore[index]
    assert choices_of(grid, part) <= sum(
        len(grid.combos(j, w)) for j in grid.placeable for w in grid.days[j]
    )
    solved = solve_exactly(grid, part=part)
    assert solved.places is not None
    assert not solved.proven
    assert solved.bound == 0.0
    for j, place in enumerate(search.place):
        if j not in part.loose:
            assert solved.places[j] == place


def test_without_a_budget_nothing_changes() -> None:
    grid = Grid(tight())
    search = Search(grid)
    search.build({}, keep=False)
    assert refined(grid, search.place, budget=0) == list(search.place)
