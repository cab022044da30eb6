"""Jobs without somebody fit for them on their day, and the ways out."""

from __future__ import annotations

from datetime import date

from calfleet.records import Quantity
from calfleet.scheduling.calendar import Window, WorkingCalendar
from calfleet.scheduling.gauge_plan import Use
from calfleet.scheduling.people_plan import PersonChoiceKind, PersonConflict, person_conflicts
from calfleet.scheduling.plan_model import PlanJob, PlanWorker, Skill

P, DP = Quantity.PRESSURE, Quantity.DIFFERENTIAL
START = date(2027, 1, 4)
ENDS = Window(date(2020, 1, 1), date(2027, 2, 10))
"""A qualification through Wednesday 2027-02-10."""


def use(day: str, person: str | None = None, quantity: Quantity = P) -> Use:
    on = date.fromisoformat(day)
    job = PlanJob(
        key="J", tag="T", due_on=on, earliest_on=date(2027, 2, 1), latest_on=date(2027, 3, 31),
        minutes=60, area="A", quantity=quantity, gauges=("G",), interval_days=365,
    )  # fmt: skip
    return Use(job, on, None, person)


def found(asked: Use, *workers: PlanWorker) -> PersonConflict | None:
    conflicts = person_conflicts([asked], workers, WorkingCalendar(), as_of=START)
    assert len(conflicts) <= 1
    return conflicts[0] if conflicts else None


def kinds(conflict: PersonConflict) -> dict[PersonChoiceKind, tuple[str, date]]:
    return {c.kind: (c.person, c.day) for c in conflict.choices}


ANN = PlanWorker("ann", (Skill(P, ENDS),), 240)
BOB = PlanWorker("bob", (Skill(P), Skill(DP)), 240, (Window(START, date(2027, 2, 28), "leave"),))


def test_somebody_qualified_and_there_is_no_conflict() -> None:
    assert found(use("2027-02-10", "ann"), ANN, BOB) is None
    assert found(use("2027-02-10"), ANN, BOB) is None
    assert found(use("2027-03-01"), ANN, BOB) is None  # by Bob


def test_a_qualification_that_ends_before_the_day() -> None:
    conflict = found(use("2027-02-15", "ann"), ANN, BOB)
    assert conflict is not None
    assert conflict.reason == "ann is not qualified for pressure after 2027-02-10"
    assert conflict.text.startswith("T on 2027-02-15: ann is not qualified")
    assert kinds(conflict) == {
        PersonChoiceKind.PULL_FORWARD: ("ann", date(2027, 2, 10)),
        PersonChoiceKind.RENEW: ("ann", date(2027, 2, 15)),
    }


def test_another_person_is_proposed_where_there_is_one() -> None:
    conflict = found(use("2027-03-02", "ann"), ANN, BOB)
    assert conflict is not None
    assert kinds(conflict)[PersonChoiceKind.OTHER_PERSON] == ("bob", date(2027, 3, 2))


def test_nobody_there_proposes_the_first_day_with_somebody() -> None:
    conflict = found(use("2027-02-15", quantity=DP), ANN, BOB)
    assert conflict is not None
    assert "nobody qualified for differential pressure" in conflict.reason
    # Bob is back on Monday 2027-03-01
    assert kinds(conflict) == {PersonChoiceKind.PUT_BACK: ("bob", date(2027, 3, 1))}


def test_somebody_unknown_or_away_is_told() -> None:
    gone = found(use("2027-02-09", "cat"), ANN)
    assert gone is not None
    assert "cat has no bench hours" in gone.reason
    away = found(use("2027-02-09", "bob"), ANN, BOB)
    assert away is not None
    assert away.reason == f"bob is away from {START} to 2027-02-28"
