"""When the shop works and how long each person has for the bench, as planning takes it.

Hours are those for this bench: of a person who works elsewhere too, only the share that is here.
Who has none on record, or zero, brings none. A week's hours are spread over its five weekdays.
"""

from __future__ import annotations

from datetime import date
from typing import TYPE_CHECKING

from calfleet.records import Person, PlanningInput, Role
from calfleet.scheduling.calendar import Window, WorkingCalendar
from calfleet.store.queries.planning import role_grants

if TYPE_CHECKING:
    from calfleet.store.queries.reader import Reader

WORKING_DAYS = 5


def shop_calendar(given: PlanningInput) -> WorkingCalendar:
    """The days that the shop works: weekdays without holidays and closures."""
    return WorkingCalendar(
        holidays=frozenset(h.day for h in given.holidays), shutdowns=tuple(closures(given))
    )


def closures(given: PlanningInput) -> list[Window]:
    """The closures of the shop, in the order given."""
    return [Window(c.first_on, c.last_on, c.name) for c in given.closures]


def leaves(given: PlanningInput) -> dict[str, tuple[Window, ...]]:
    """Person to the days on leave, in order."""
    found: dict[str, list[Window]] = {}
    for x in given.leaves:
        found.setdefault(x.person, []).append(Window(x.first_on, x.last_on, x.reason or "leave"))
    return {person: tuple(sorted(windows)) for person, windows in found.items()}


Minutes = tuple[int, tuple[tuple[date, int], ...]]
"""Bench minutes a working day now, and from later days on."""


def minutes_a_day(given: PlanningInput, as_of: date) -> dict[str, Minutes]:
    """Person to the bench minutes on a working day, a fifth of the week's, from ``as_of`` on.

    Only people with hours on some day from ``as_of`` on; a later version replaces the one before.
    """
    now: dict[str, int] = {}
    later: dict[str, list[tuple[date, int]]] = {}
    for line in sorted(given.hours, key=lambda h: (h.person, h.effective_on)):
        minutes = round(line.minutes_per_week / WORKING_DAYS)
        if line.effective_on <= as_of:
            now[line.person] = minutes
        else:
            later.setdefault(line.person, []).append((line.effective_on, minutes))
    found = {}
    for person in {*now, *later}:
        changes = tuple(later.get(person, ()))
        if now.get(person) or any(minutes for _, minutes in changes):
            found[person] = (now.get(person, 0), changes)
    return found


def technicians(reader: Reader, on: date) -> frozenset[str]:
    """The people who hold the role of a technician on ``on``, by code."""
    return frozenset(
        code
        for code, roles in role_grants(reader).items()
        if Person(code, "", roles).holds(Role.TECHNICIAN, on)
    )
