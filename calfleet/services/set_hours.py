"""Bench hours of a person set from a day on; a later version replaces the one before."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from decimal import Decimal

from calfleet.errors import BadQuantity, RecordRefused
from calfleet.records import Role, WorkingHours
from calfleet.services.bench_hours import WORKING_DAYS
from calfleet.services.nearest import pick
from calfleet.services.touched_jobs import Touched, weeks_too_full
from calfleet.store import planning_facts
from calfleet.store.queries.planning import planning_input
from calfleet.store.queries.shop import people
from calfleet.store.work import Work

MOST_HOURS = 24 * WORKING_DAYS
"""A week's hours are spread over its weekdays."""


@dataclass(frozen=True, slots=True)
class SetHours:
    """The hours as entered, those they replace (minutes a week; ``None``: none), what they touch.

    ``without_effect``: why they bring no bench time yet; empty: they do.
    """

    hours: WorkingHours
    before: int | None
    touched: Touched
    without_effect: str


def set_hours(
    work: Work, person: str, hours_per_week: Decimal, *, effective_on: date, today: date
) -> SetHours:
    """The hours as added, with the planned weeks that are fuller than they; the caller commits.

    Zero ends them. Raises: UnknownName; BadQuantity outside a week; RecordRefused for a second
    version from that day.
    """
    session = work.session
    who = pick("person", person, people(session))
    if not hours_per_week.is_finite() or not 0 <= hours_per_week <= MOST_HOURS:
        raise BadQuantity(
            f"{who.code} with {hours_per_week} bench hours a week.",
            rule=f"A week has {WORKING_DAYS} working days: 0 to {MOST_HOURS} hours.",
            next_step="Give the hours that this person has for the bench each week; 0 ends them.",
        )
    made = WorkingHours(who.code, effective_on, round(hours_per_week * 60))
    before = None
    for line in planning_input(session).hours:
        if line.person != who.code:
            continue
        if line.effective_on == effective_on:
            raise RecordRefused(
                f"Hours of {who.code} take effect on {effective_on} already: "
                f"{line.minutes_per_week / 60:g} h a week.",
                rule="One version of a person's hours takes effect on a day; versions are only "
                "added.",
                next_step="Let the new one take effect on another day.",
            )
        if line.effective_on < effective_on:
            before = line.minutes_per_week
    planning_facts.add_hours(work, made)
    without = ""
    if made.minutes_per_week and not who.holds(Role.TECHNICIAN, max(today, effective_on)):
        without = f"{who.code} is no technician then: the hours count as soon as {who.code} is one."
    return SetHours(made, before, weeks_too_full(session, made, today=today), without)
