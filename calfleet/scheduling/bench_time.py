"""Bench minutes of people that change from a day on, and why there may be none at all."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from datetime import date

from calfleet.errors import BadQuantity
from calfleet.scheduling.calendar import Window, WorkingCalendar, merge_windows

Changes = Sequence[tuple[date, int]]
"""Minutes a day from a day on, in order of day."""


def minutes_then(day: date, at_first: int, changes: Changes) -> int:
    """The minutes a day in force on ``day``: ``at_first``, or those of the last change by then."""
    found = at_first
    for since, minutes in changes:
        if since > day:
            break
        found = minutes
    return found


def check_minutes(name: str, at_first: int, changes: Changes) -> None:
    """Nothing, when a person's minutes fit into a day.

    Raises BadQuantity for less than 0 or more than 24 hours a day.
    """
    for minutes in (at_first, *(m for _, m in changes)):
        if not 0 <= minutes <= 24 * 60:
            raise BadQuantity(
                f"{name} has {minutes} bench minutes a day.",
                rule="A day has 0 to 1440 minutes.",
                next_step="Correct the hours of this person.",
            )


Someone = tuple[str, Callable[[date], int], Sequence[Window]]
"""A person: the code, the bench minutes on a day, the days away."""


def no_bench_time(
    people: Iterable[Someone],
    calendar: WorkingCalendar,
    first: date,
    last: date,
) -> str:
    """Why nobody has bench time from ``first`` through ``last``; empty when somebody has.

    ``last`` before ``first``: the shop works on no day.
    """
    known = list(people)
    days = list(calendar.working_days(first, last))
    with_hours = []
    for code, minutes, away in known:
        paid = [d for d in days if minutes(d)]
        if any(not any(d in w for w in away) for d in paid):
            return ""
        if paid:
            with_hours.append((code, away))
    if not known:
        return "nobody has bench hours"
    if not days:
        shut = [w for w in merge_windows(calendar.shutdowns) if w.last >= first and w.first <= last]
        told = "; ".join(f"{w.name or 'closed'} {w.first} to {w.last}" for w in shut)
        return f"the shop works on no day{f' ({told})' if told else ''}"
    if not with_hours:
        return "nobody has bench hours on these days"
    told = "; ".join(f"{code} {_days(away, first, last)}" for code, away in with_hours)
    return f"everybody with bench hours is away ({told})"


def _days(away: Sequence[Window], first: date, last: date) -> str:
    inside = [w for w in merge_windows(away) if w.last >= first and w.first <= last]
    return ", ".join(f"{w.first} to {w.last}" for w in inside)
