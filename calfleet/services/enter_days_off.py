"""Days without work entered: holidays and closures of the shop, leave of people."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import date
from typing import TYPE_CHECKING

from calfleet.errors import RecordRefused
from calfleet.records import Holiday, PersonLeave, Role, ShopClosure
from calfleet.services.bench_hours import minutes_a_day
from calfleet.services.nearest import pick
from calfleet.services.touched_jobs import Touched, jobs_in_days, jobs_of_person
from calfleet.store import planning_facts
from calfleet.store.queries.planning import everything_entered, planning_input
from calfleet.store.queries.shop import people
from calfleet.store.work import Work

if TYPE_CHECKING:
    from calfleet.records import PlanningInput


@dataclass(frozen=True, slots=True)
class SetHoliday:
    """The holiday as entered, and the planned jobs that it touches."""

    holiday: Holiday
    touched: Touched


@dataclass(frozen=True, slots=True)
class SetClosure:
    """The closure as entered, and the planned jobs that it touches."""

    closure: ShopClosure
    touched: Touched


@dataclass(frozen=True, slots=True)
class SetLeave:
    """The leave as entered, the planned jobs that it touches, and why it changes no hours."""

    leave: PersonLeave
    touched: Touched
    without_effect: str


def enter_holiday(work: Work, day: date, name: str, *, today: date) -> SetHoliday:
    """The holiday as added, with the planned jobs of that day; the caller commits.

    Raises: RecordRefused without a name, or for a day that is or was one.
    """
    made = Holiday(day, _named(name, f"The holiday on {day}"))
    entered, standing = _known(work)
    for known in standing.holidays:
        if known.day == day:
            raise RecordRefused(
                f"{day} is a holiday already: {known.name}.",
                rule="A day is a holiday once.",
                next_step="Check the day: 'calfleet shop calendar' lists them.",
            )
    if any(known.day == day for known in entered.holidays):
        raise RecordRefused(
            f"The holiday on {day} was entered before and cancelled.",
            rule="What was cancelled stays on record and is not entered a second time.",
            next_step=f"Enter the day as a closure: 'calfleet shop add-closure {day}'.",
        )
    touched = jobs_in_days(work.session, day, day, today=today)
    planning_facts.add_holiday(work, made)
    return SetHoliday(made, touched)


def enter_closure(work: Work, given: ShopClosure, *, today: date) -> SetClosure:
    """The closure of the shop as added, with the planned jobs in it; the caller commits.

    Raises: RecordRefused without a name, for days in the wrong order, an overlap with another
    closure, or days that were entered and cancelled.
    """
    made = replace(given, name=_named(given.name, "The closure"))
    in_order(made.first_on, made.last_on, "The closure")
    entered, standing = _known(work)
    for known in standing.closures:
        if overlap(made, known):
            raise RecordRefused(
                f"The shop is closed from {known.first_on} to {known.last_on} already: "
                f"{known.name}.",
                rule="Closures of the shop do not overlap.",
                next_step="Enter only the days that are missing, or cancel the other one first: "
                f"'calfleet shop cancel closure --from {known.first_on}'.",
            )
    if any((k.first_on, k.last_on) == (made.first_on, made.last_on) for k in entered.closures):
        raise cancelled_before(
            f"A closure from {made.first_on} to {made.last_on}", made.first_on, made.last_on
        )
    touched = jobs_in_days(work.session, made.first_on, made.last_on, today=today)
    planning_facts.add_closure(work, made)
    return SetClosure(made, touched)


def enter_leave(work: Work, given: PersonLeave, *, today: date) -> SetLeave:
    """The leave as added, with the jobs planned for this person in its weeks; the caller commits.

    Raises: UnknownName; RecordRefused for days in the wrong order, an overlap with other leave of
    the same person, or days that were entered and cancelled.
    """
    person = pick("person", given.person, people(work.session))
    made = replace(given, person=person.code, reason=given.reason.strip())
    in_order(made.first_on, made.last_on, f"The leave of {person.code}")
    entered, standing = _known(work)
    for known in standing.leaves:
        if known.person == made.person and overlap(made, known):
            raise RecordRefused(
                f"{person.code} is on leave from {known.first_on} to {known.last_on} already.",
                rule="Leave of one person does not overlap.",
                next_step="Enter only the days that are missing, or cancel the other leave first: "
                f"'calfleet shop cancel leave {person.code} --from {known.first_on}'.",
            )
    if any(
        (k.person, k.first_on, k.last_on) == (made.person, made.first_on, made.last_on)
        for k in entered.leaves
    ):
        raise cancelled_before(
            f"Leave of {person.code} from {made.first_on} to {made.last_on}",
            made.first_on,
            made.last_on,
        )
    without = ""
    if not person.holds(Role.TECHNICIAN, max(today, made.first_on)):
        without = f"{person.code} is no technician then: no bench hours are lost."
    elif person.code not in minutes_a_day(standing, made.first_on):
        without = f"{person.code} has no bench hours then: none are lost."
    touched = jobs_of_person(work.session, made.person, made.first_on, made.last_on, today=today)
    planning_facts.add_leave(work, made)
    return SetLeave(made, touched, without)


def _known(work: Work) -> tuple[PlanningInput, PlanningInput]:
    """All that was entered, and what of it still counts."""
    return everything_entered(work.session), planning_input(work.session)


def _named(name: str, what: str) -> str:
    if not name.strip():
        raise RecordRefused(
            f"{what} has no name.",
            rule="Who reads the calendar must see why nobody works.",
            next_step="Give it a name.",
        )
    return name.strip()


def in_order(first: date, last: date, what: str) -> None:
    """Nothing, when ``first`` is not after ``last``. Raises: RecordRefused."""
    if last < first:
        raise RecordRefused(
            f"{what} would end on {last}, before it begins on {first}.",
            rule="The first day is on or before the last one.",
            next_step="Correct one of the two days.",
        )


def overlap(one: _Days, other: _Days) -> bool:
    """Whether both have a day in common."""
    return one.first_on <= other.last_on and other.first_on <= one.last_on


def cancelled_before(what: str, first: date, last: date) -> RecordRefused:
    """The refusal of something with the very days of one that was cancelled."""
    parts = ", or in two parts that follow each other" if last > first else ""
    return RecordRefused(
        f"{what} was entered before and cancelled.",
        rule="What was cancelled stays on record and is not entered a second time as it was.",
        next_step=f"Enter it with a day more or less{parts}.",
    )


if TYPE_CHECKING:
    from calfleet.records import GaugeAbsence

    _Days = PersonLeave | ShopClosure | GaugeAbsence
