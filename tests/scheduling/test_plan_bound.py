"""The bound of a plan: never above what the best plan costs, and near it where that is plain."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta

import pytest

from calfleet.records import Criticality, Quantity
from calfleet.scheduling.calendar import Window, WorkingCalendar, iso_week
from calfleet.scheduling.plan import make_plan
from calfleet.scheduling.plan_bound import relax
from calfleet.scheduling.plan_grid import Grid
from calfleet.scheduling.plan_model import (
    Assignment,
    GaugeAvailability,
    Method,
    PlanInput,
    PlanJob,
    PlanWorker,
    Skill,
)

P = Quantity.PRESSURE
MONDAY = date(2027, 1, 4)
ALWAYS = (Window(date(2020, 1, 1), date(2040, 1, 1)),)


def day(number: int) -> date:
    return MONDAY + timedelta(days=number)


def job(key: str, first: int, last: int, **how: object) -> PlanJob:
    values: dict[str, object] = {
        "tag": key, "due_on": day(last), "earliest_on": day(first), "latest_on": day(last),
        "minutes": 60, "area": "A", "quantity": P, "gauges": ("G1",), "interval_days": 365,
        "criticality": Criticality.GENERAL,
    }  # fmt: skip
    return PlanJob(key=key, **{**values, **how})  # type: ignore[arg-type]


def asked(
    *jobs: PlanJob, minutes: int = 240, gauge_minutes: int | None = None, weeks: int = 4
) -> PlanInput:
    return PlanInput(
        jobs=jobs,
        workers=(PlanWorker("ann", (Skill(P),), minutes),),
        gauges=(GaugeAvailability("G1", ALWAYS, (), gauge_minutes),),
        calendar=WorkingCalendar(),
        first=MONDAY,
        weeks=weeks,
    )


def both(
    *jobs: PlanJob, away: tuple[Window, ...] = (), previous: tuple[Assignment, ...] = ()
) -> PlanInput:
    """The same with two gauges, ``away`` of the first, and a plan in force."""
    gauges = (GaugeAvailability("G1", ALWAYS, away), GaugeAvailability("G2", ALWAYS))
    return replace(asked(), jobs=jobs, gauges=gauges, previous=previous)


def planned(key: str, gauge: str) -> Assignment:
    """A place in the first week."""
    return Assignment(key, key, iso_week(MONDAY), "ann", gauge, day(0), day(4))


WEEK = range(0, 28, 7)
ONE_PLACE_SHORT = 20_000.0
"""What leaving out one job of general criticality costs."""

CASES = {
    "more work than a person has in the week": (
        asked(*(job(f"J{n}", 0, 4) for n in range(6)), minutes=60),
        ONE_PLACE_SHORT,
    ),
    "more work than a gauge has in the week": (
        asked(*(job(f"J{n}", 0, 4) for n in range(6)), gauge_minutes=60),
        ONE_PLACE_SHORT,
    ),
    "a redundant pair that has one week only": (
        asked(*(job(f"J{n}", 0, 4, redundant_group="R") for n in range(2))),
        ONE_PLACE_SHORT,
    ),
    "a redundant pair in neighbouring weeks, which is apart enough": (
        asked(
            *(
                job(f"J{n}", w, w + 4, redundant_group="R", tag="J")
                for n, w in enumerate(list(WEEK)[:2])
            )
        ),
        0.0,
    ),
    # the fullest person-week 60 of 1200 minutes: 150; the visit: 15; its gauge set up: 3
    "one job": (asked(job("J", 0, 4)), 168.0),
    "two jobs that have no gauge in common, each set up": (
        both(job("J0", 0, 4), job("J1", 0, 4, gauges=("G2",))),
        2 * 150.0 + 15.0 + 2 * 3.0,
    ),
    "a job whose first gauge is away": (
        both(job("J", 0, 4, gauges=("G1", "G2")), away=(Window(day(0), day(6)),)),
        168.0 + 1.0,
    ),
    "a job that cannot keep the gauge it was planned with": (
        both(job("J", 0, 4, gauges=("G2",)), previous=(planned("J", "G1"),)),
        168.0 + 10.0,
    ),
    "one job of each of three areas in one week": (
        asked(*(job(f"J{a}", 0, 4, area=a) for a in "ABC")),
        3 * 150.0 + 3 * 15.0 + 3.0,
    ),
}


@pytest.mark.parametrize("name", CASES)
def test_the_bound_holds_and_is_worth_something(name: str) -> None:
    """The least cost by hand, from the weights: the bound reaches it, and the best plan is dearer.

    The exact plan is an independent program; it proves that the bound does not claim too much.
    """
    given, at_least = CASES[name]
    bound = relax(Grid(given)).bound
    best = make_plan(given, exact_choices=10_000)
    assert best.method is Method.EXACT
    assert at_least - 1e-6 <= bound <= best.objective.total + 1e-6
