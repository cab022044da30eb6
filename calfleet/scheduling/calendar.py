"""Months, month ends, working days, shutdown windows and ISO weeks.

Month arithmetic is anchored: the n-th date is always ``add_months(first, n)``, never one month
added to the date before. From 31 January, one month gives 28 February and two give 31 March;
chaining would have lost the 31 for good. Where the month is too short, its last day is taken.

Two options move a date to a month's end. ``end_of_month`` always does: the trade's "valid until
the last day of the due month". ``sticky`` does so only when the start is itself the last day of
its month: 28 February plus one month is 28 March, sticky 31 March. Sticky is never assumed.
"""

from __future__ import annotations

import re
from calendar import monthrange
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from datetime import MAXYEAR, MINYEAR, date, timedelta

from calfleet.errors import BadDate, BadQuantity, RecordRefused
from calfleet.records import IntervalUnit

_MONTH = re.compile(r"(\d{4})-(\d{2})", re.ASCII)
_WEEK = re.compile(r"(\d{4})-W(\d{2})", re.ASCII)
_ONE_DAY = timedelta(days=1)


# --- months -----------------------------------------------------------------------------


def month_end(day: date) -> date:
    """The last day of the month of ``day``.

    >>> month_end(date(2024, 2, 10))
    datetime.date(2024, 2, 29)
    """
    return day.replace(day=monthrange(day.year, day.month)[1])


def is_month_end(day: date) -> bool:
    """Whether ``day`` is the last of its month."""
    return day.day == monthrange(day.year, day.month)[1]


def add_months(
    start: date, months: int, *, end_of_month: bool = False, sticky: bool = False
) -> date:
    """``start`` plus ``months`` (negative: minus); the day is clamped to the month's length.

    ``end_of_month``: the last day of the month arrived at. ``sticky``: likewise, but only when
    ``start`` is the last day of its own month. Raises BadDate outside the years 1 to 9999.

    >>> add_months(date(2025, 11, 30), 3)
    datetime.date(2026, 2, 28)
    >>> add_months(date(2025, 2, 28), 1), add_months(date(2025, 2, 28), 1, sticky=True)
    (datetime.date(2025, 3, 28), datetime.date(2025, 3, 31))
    """
    year, month_index = divmod(start.year * 12 + start.month - 1 + months, 12)
    if not MINYEAR <= year <= MAXYEAR:
        raise _outside(start, f"{months} months")
    last = monthrange(year, month_index + 1)[1]
    if end_of_month or (sticky and is_month_end(start)):
        return date(year, month_index + 1, last)
    return date(year, month_index + 1, min(start.day, last))


def add_interval(
    start: date,
    count: int,
    unit: IntervalUnit,
    *,
    end_of_month: bool = False,
    sticky: bool = False,
) -> date:
    """``start`` plus ``count`` months or days.

    With days, ``end_of_month`` takes the end of the month arrived at and ``sticky`` does nothing.
    Raises BadDate outside the years 1 to 9999.

    >>> add_interval(date(2025, 6, 12), 12, IntervalUnit.MONTH, end_of_month=True)
    datetime.date(2026, 6, 30)
    >>> add_interval(date(2025, 1, 1), 92, IntervalUnit.DAY)
    datetime.date(2025, 4, 3)
    """
    if unit is IntervalUnit.MONTH:
        return add_months(start, count, end_of_month=end_of_month, sticky=sticky)
    moved = add_days(start, count)
    return month_end(moved) if end_of_month else moved


def add_days(start: date, days: int) -> date:
    """``start`` plus ``days``. Raises BadDate outside the years 1 to 9999."""
    try:
        return start + timedelta(days=days)
    except OverflowError:
        raise _outside(start, f"{days} days") from None


def month_bounds(text: str) -> tuple[date, date]:
    """The first and the last day of a month written ``YYYY-MM``.

    Raises BadDate for anything else.

    >>> month_bounds("2026-12")
    (datetime.date(2026, 12, 1), datetime.date(2026, 12, 31))
    """
    match = _MONTH.fullmatch(text.strip())
    try:
        if match is None:
            raise ValueError
        first = date(int(match[1]), int(match[2]), 1)
    except ValueError:
        raise BadDate(
            f"{text!r} is not a month.",
            rule="A month is written YYYY-MM with a month from 01 to 12.",
            next_step="Write it like 2026-12.",
        ) from None
    return first, month_end(first)


def month_text(day: date) -> str:
    """The month of ``day`` as ``YYYY-MM``."""
    return f"{day.year:04d}-{day.month:02d}"


def _outside(start: date, step: str) -> BadDate:
    return BadDate(
        f"{start} plus {step} is outside the calendar.",
        rule=f"Dates run from the year {MINYEAR} to the year {MAXYEAR}.",
        next_step="Correct the date or the interval.",
    )


# --- ISO 8601 weeks ---------------------------------------------------------------------


@dataclass(frozen=True, slots=True, order=True)
class Week:
    """An ISO 8601 week: Monday to Sunday, in the year that holds its Thursday."""

    year: int
    week: int

    def __str__(self) -> str:
        return f"{self.year:04d}-W{self.week:02d}"

    @property
    def first(self) -> date:
        """Its Monday."""
        return date.fromisocalendar(self.year, self.week, 1)

    @property
    def last(self) -> date:
        """Its Sunday."""
        return date.fromisocalendar(self.year, self.week, 7)


def iso_week(day: date) -> Week:
    """The ISO 8601 week of ``day``; around New Year its year may differ from that of ``day``.

    >>> str(iso_week(date(2005, 1, 1)))
    '2004-W53'
    """
    year, week, _ = day.isocalendar()
    return Week(year, week)


def week_bounds(text: str) -> tuple[date, date]:
    """The Monday and the Sunday of a week written ``YYYY-Www``.

    Raises BadDate for anything else, a 53rd week in a year that has 52 included.

    >>> week_bounds("2009-W53")
    (datetime.date(2009, 12, 28), datetime.date(2010, 1, 3))
    """
    match = _WEEK.fullmatch(text.strip())
    try:
        if match is None:
            raise ValueError
        week = Week(int(match[1]), int(match[2]))
        return week.first, week.last
    except ValueError:
        raise BadDate(
            f"{text!r} is not a week.",
            rule="A week is written YYYY-Www; a year has 52 or 53 of them (ISO 8601).",
            next_step="Write it like 2026-W05.",
        ) from None


# --- working days -----------------------------------------------------------------------


@dataclass(frozen=True, slots=True, order=True)
class Window:
    """Days from ``first`` through ``last``, both included: a shutdown, an outage, an absence."""

    first: date
    last: date
    name: str = ""

    def __post_init__(self) -> None:
        if self.last < self.first:
            raise RecordRefused(
                f"The window {self.name or 'without a name'} ends on {self.last}, before it "
                f"begins on {self.first}.",
                rule="A window begins on or before the day it ends.",
                next_step="Correct one of the two dates.",
            )

    def __contains__(self, day: date) -> bool:
        return self.first <= day <= self.last

    @property
    def days(self) -> int:
        return (self.last - self.first).days + 1


@dataclass(frozen=True, slots=True)
class WorkingCalendar:
    """Which days the shop works.

    ``weekend`` holds ISO weekdays (1 Monday .. 7 Sunday). ``shutdowns`` are windows in which the
    shop is closed. Raises BadQuantity when no weekday is left or a weekday is not 1 to 7.
    """

    holidays: frozenset[date] = frozenset()
    shutdowns: tuple[Window, ...] = ()
    weekend: frozenset[int] = field(default=frozenset({6, 7}))

    def __post_init__(self) -> None:
        if not self.weekend <= set(range(1, 8)) or len(self.weekend) == 7:
            raise BadQuantity(
                f"A weekend of {sorted(self.weekend)} leaves no usable week.",
                rule="Weekdays are numbered 1 (Monday) to 7 (Sunday); at least one is worked.",
                next_step="Name the days of the week that are not worked.",
            )

    def is_working(self, day: date) -> bool:
        """Whether the shop works on ``day``."""
        return (
            day.isoweekday() not in self.weekend
            and day not in self.holidays
            and not any(day in window for window in self.shutdowns)
        )

    def working_days(self, first: date, last: date) -> Iterator[date]:
        """The working days from ``first`` through ``last``; none when ``last`` is earlier."""
        for day in days_through(first, last):
            if self.is_working(day):
                yield day

    def count(self, first: date, last: date) -> int:
        """How many working days lie from ``first`` through ``last``."""
        return sum(1 for _ in self.working_days(first, last))

    def on_or_before(self, day: date) -> date:
        """The last working day not after ``day``. Raises BadDate when there is none in a year."""
        return self._nearest(day, -1)

    def on_or_after(self, day: date) -> date:
        """The first working day not before ``day``. Raises BadDate when there is none in a year."""
        return self._nearest(day, 1)

    def add(self, start: date, working_days: int) -> date:
        """The day ``working_days`` working days after ``start`` (negative: before).

        ``start`` itself is not counted; 0 gives ``start`` whether worked or not.
        """
        step = 1 if working_days >= 0 else -1
        day = start
        for _ in range(abs(working_days)):
            day = self._nearest(add_days(day, step), step)
        return day

    def _nearest(self, day: date, step: int) -> date:
        candidate = day
        for _ in range(366):
            if self.is_working(candidate):
                return candidate
            candidate = add_days(candidate, step)
        raise BadDate(
            f"There is no working day within a year {'after' if step > 0 else 'before'} {day}.",
            rule="The working calendar must leave some days to work.",
            next_step="Check the shutdown windows and holidays.",
        )


def days_through(first: date, last: date) -> Iterator[date]:
    """Every day from ``first`` through ``last``; none when ``last`` is earlier."""
    day = first
    while day <= last:
        yield day
        if day == date.max:
            return
        day += _ONE_DAY


def merge_windows(windows: Iterable[Window]) -> tuple[Window, ...]:
    """The same days as ``windows``, in order, without overlap; touching windows become one.

    Names of windows that became one are joined by " + ".
    """
    merged: list[Window] = []
    for window in sorted(windows):
        if merged and (window.first - merged[-1].last).days <= 1:
            before = merged.pop()
            name = " + ".join(n for n in dict.fromkeys((before.name, window.name)) if n)
            window = Window(before.first, max(before.last, window.last), name)
        merged.append(window)
    return tuple(merged)
