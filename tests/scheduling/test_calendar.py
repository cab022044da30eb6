"""Months, weeks and working days against RFC 5545, ISO 8601 and python-dateutil."""

from __future__ import annotations

from datetime import date, timedelta
from itertools import islice, pairwise

import pytest
from dateutil.relativedelta import relativedelta
from dateutil.rrule import rrulestr
from hypothesis import given
from hypothesis import strategies as st

from calfleet.errors import BadDate, BadQuantity, RecordRefused
from calfleet.records import IntervalUnit
from calfleet.scheduling.calendar import (
    Week,
    Window,
    WorkingCalendar,
    add_days,
    add_interval,
    add_months,
    days_through,
    is_month_end,
    iso_week,
    merge_windows,
    month_bounds,
    month_end,
    month_text,
    week_bounds,
)

days = st.dates(min_value=date(1900, 1, 1), max_value=date(2200, 12, 31))
months = st.integers(min_value=-1200, max_value=1200)


def dates(*texts: str) -> list[date]:
    return [date.fromisoformat(t) for t in texts]


def by_rrule(rule: str, start: date, count: int) -> list[date]:
    """The first ``count`` dates of ``rule`` by python-dateutil, the independent reference."""
    found = rrulestr(f"DTSTART:{start:%Y%m%d}T000000\nRRULE:{rule}")
    return [moment.date() for moment in islice(found, count)]


def months_from(start: date, count: int) -> list[date]:
    """The first of ``count`` months, counted from the month of ``start`` in one step each."""
    return [add_months(start.replace(day=1), n) for n in range(count)]


# --- recurrence rules: our functions, the published dates and python-dateutil agree ----------


def test_the_15th_and_the_30th_skipping_february() -> None:
    """RFC 5545 3.8.5.3, an invalid date is skipped; read in four public test suites, recomputed."""
    start = date(2007, 1, 15)
    expected = dates("2007-01-15", "2007-01-30", "2007-02-15", "2007-03-15", "2007-03-30")
    ours = [
        first.replace(day=d)
        for first in months_from(start, 3)
        for d in (15, 30)
        if d <= month_end(first).day
    ]
    assert ours == expected
    assert by_rrule("FREQ=MONTHLY;BYMONTHDAY=15,30;COUNT=5", start, 9) == expected


def test_first_and_last_day_of_the_month() -> None:
    """RFC 5545 3.8.5.3: rule read, dates recomputed."""
    start = date(1997, 9, 30)
    expected = dates(
        "1997-09-30", "1997-10-01", "1997-10-31", "1997-11-01", "1997-11-30",
        "1997-12-01", "1997-12-31", "1998-01-01", "1998-01-31", "1998-02-01",
    )  # fmt: skip
    ours = [
        day
        for first in months_from(start, 6)
        for day in month_bounds(month_text(first))
        if day >= start
    ]
    assert ours[:10] == expected
    assert by_rrule("FREQ=MONTHLY;COUNT=10;BYMONTHDAY=1,-1", start, 99) == expected


def test_third_last_day_of_the_month() -> None:
    """RFC 5545 3.8.5.3: rule read, dates recomputed."""
    start = date(1997, 9, 28)
    expected = dates(
        "1997-09-28", "1997-10-29", "1997-11-28", "1997-12-29", "1998-01-29", "1998-02-26"
    )
    assert [add_days(month_end(m), -2) for m in months_from(start, 6)] == expected
    assert by_rrule("FREQ=MONTHLY;BYMONTHDAY=-3", start, 6) == expected


def test_the_31st_where_there_is_one() -> None:
    """A public recurrence test suite (read): a 31st is skipped there and clamped by us."""
    start = date(1997, 9, 2)
    expected = dates(
        "1997-10-31", "1997-12-31", "1998-01-31", "1998-03-31", "1998-05-31",
        "1998-07-31", "1998-08-31", "1998-10-31", "1998-12-31", "1999-01-31",
    )  # fmt: skip
    clamped = [add_months(date(1997, 8, 31), n) for n in range(1, 18)]
    assert [d for d in clamped if d.day == 31] == expected
    assert [d for d in clamped if d.day < 31] == [
        month_end(d) for d in clamped if month_end(d).day < 31
    ]
    assert by_rrule("FREQ=MONTHLY;COUNT=10;BYMONTHDAY=31", start, 99) == expected


@pytest.mark.parametrize(
    ("interval", "expected"),
    [
        (1, ("2024-01-31", "2024-02-29", "2024-03-31", "2024-04-30", "2024-05-31", "2024-06-30")),
        (3, ("2024-01-31", "2024-04-30", "2024-07-31", "2024-10-31", "2025-01-31", "2025-04-30")),
    ],
)
def test_month_ends_from_an_anchor(interval: int, expected: tuple[str, ...]) -> None:
    """Recomputed; the anchor never loses its 31."""
    start = date(2024, 1, 31)
    rule = f"FREQ=MONTHLY;INTERVAL={interval};BYMONTHDAY=-1"
    assert by_rrule(rule, start, 6) == dates(*expected)
    for options in ({"end_of_month": True}, {"sticky": True}, {}):
        assert [add_months(start, n * interval, **options) for n in range(6)] == dates(*expected)


def test_the_30th_or_the_last_day() -> None:
    """Recomputed: clamping is "the 30th, or the last day of a shorter month"."""
    start = date(2024, 1, 30)
    expected = dates("2024-01-30", "2024-02-29", "2024-03-30", "2024-04-30", "2024-05-30")
    assert [add_months(start, n) for n in range(5)] == expected
    rule = "FREQ=MONTHLY;BYMONTHDAY=28,29,30;BYSETPOS=-1;COUNT=5"
    assert by_rrule(rule, start, 9) == expected


def test_second_last_weekday_of_the_month() -> None:
    """RFC 5545 3.8.5.3 example, dates recomputed."""
    start = date(1997, 9, 29)
    expected = dates(
        "1997-09-29", "1997-10-30", "1997-11-27", "1997-12-30",
        "1998-01-29", "1998-02-26", "1998-03-30",
    )  # fmt: skip
    shop = WorkingCalendar()
    ours = [list(shop.working_days(m, month_end(m)))[-2] for m in months_from(start, 7)]
    assert ours == expected
    assert by_rrule("FREQ=MONTHLY;BYDAY=MO,TU,WE,TH,FR;BYSETPOS=-2", start, 7) == expected


def test_monday_of_week_20() -> None:
    """RFC 5545 3.8.5.3 example, dates recomputed."""
    expected = dates("1997-05-12", "1998-05-11", "1999-05-17")
    assert [week_bounds(f"{y}-W20")[0] for y in (1997, 1998, 1999)] == expected
    assert by_rrule("FREQ=YEARLY;BYWEEKNO=20;BYDAY=MO", date(1997, 5, 12), 3) == expected


# --- months -----------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("start", "count", "options", "expected"),
    [
        ("2025-03-10", 12, {}, "2026-03-10"),  # common practice, no source
        ("2025-11-30", 3, {}, "2026-02-28"),  # own example, recomputed
        ("2025-02-28", 1, {}, "2025-03-28"),  # own example, recomputed
        ("2025-02-28", 1, {"sticky": True}, "2025-03-31"),  # own example, recomputed
        ("2025-11-30", 3, {"sticky": True}, "2026-02-28"),  # recomputed
        ("2024-02-28", 1, {"sticky": True}, "2024-03-28"),  # 28 is no month end in 2024
        ("2025-06-12", 12, {"end_of_month": True}, "2026-06-30"),  # common practice, no source
        ("2024-02-29", 12, {}, "2025-02-28"),  # recomputed
        ("2024-02-29", 48, {}, "2028-02-29"),  # recomputed
        ("2026-01-31", -2, {}, "2025-11-30"),  # recomputed
        ("2026-01-15", -1, {}, "2025-12-15"),  # recomputed
    ],
)
def test_month_arithmetic(start: str, count: int, options: dict[str, bool], expected: str) -> None:
    assert add_months(date.fromisoformat(start), count, **options) == date.fromisoformat(expected)


@pytest.mark.parametrize(("start", "length"), [("2024-01-31", 366), ("2025-01-31", 365)])
def test_twelve_months_in_days(start: str, length: int) -> None:
    """Recomputed: the leap day of 2024 lies in the first of the two."""
    first = date.fromisoformat(start)
    assert (add_months(first, 12) - first).days == length


@given(days, months)
def test_months_agree_with_dateutil(start: date, count: int) -> None:
    assert add_months(start, count) == start + relativedelta(months=count)


@given(days, st.integers(0, 240), st.integers(1, 24))
def test_an_anchored_date_does_not_drift(start: date, n: int, every: int) -> None:
    """Whatever lies between, the day of the anchor is kept, or the month has none such."""
    there = add_months(start, n * every)
    assert there.day == min(start.day, month_end(there).day)
    assert (there.year - start.year) * 12 + there.month - start.month == n * every


@given(days, months)
def test_end_of_month_is_a_month_end(start: date, count: int) -> None:
    plain = add_months(start, count)
    ended = add_months(start, count, end_of_month=True)
    assert is_month_end(ended)
    assert (ended + timedelta(days=1)).day == 1
    assert month_text(ended) == month_text(plain)
    sticky = add_months(start, count, sticky=True)
    assert sticky == (ended if is_month_end(start) else plain)


@given(days, st.integers(-5000, 5000))
def test_days_are_days(start: date, count: int) -> None:
    assert add_interval(start, count, IntervalUnit.DAY) - start == timedelta(days=count)
    assert add_interval(start, count, IntervalUnit.DAY, sticky=True) - start == timedelta(count)


def test_days_with_end_of_month() -> None:
    moved = add_interval(date(2025, 1, 1), 92, IntervalUnit.DAY, end_of_month=True)
    assert moved == date(2025, 4, 30)


def test_outside_the_calendar() -> None:
    with pytest.raises(BadDate, match="9999-12-01 plus 1 months"):
        add_months(date(9999, 12, 1), 1)
    with pytest.raises(BadDate, match="outside the calendar"):
        add_months(date(1, 1, 1), -1)
    with pytest.raises(BadDate, match="9999-12-31 plus 1 days"):
        add_interval(date.max, 1, IntervalUnit.DAY)


@pytest.mark.parametrize(
    ("text", "first", "last"),
    [
        ("2026-12", "2026-12-01", "2026-12-31"),
        (" 2024-02 ", "2024-02-01", "2024-02-29"),
        ("2100-02", "2100-02-01", "2100-02-28"),
    ],
)
def test_bounds_of_a_month(text: str, first: str, last: str) -> None:
    assert month_bounds(text) == (date.fromisoformat(first), date.fromisoformat(last))


@pytest.mark.parametrize(
    "text",
    ["2026-13", "2026-00", "2026-1", "26-12", "2026-12-01", "12/2026", "", "0000-01", "２026-01"],
)
def test_what_is_not_a_month(text: str) -> None:
    with pytest.raises(BadDate, match="is not a month") as caught:
        month_bounds(text)
    assert "2026-12" in caught.value.next_step


# --- weeks ------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("day", "week", "weekday"),
    [
        # Examples of week dates around New Year as commonly printed with ISO 8601; from memory.
        ("2005-01-01", "2004-W53", 6),
        ("2005-01-02", "2004-W53", 7),
        ("2005-12-31", "2005-W52", 6),
        ("2006-01-01", "2005-W52", 7),
        ("2006-01-02", "2006-W01", 1),
        ("2006-12-31", "2006-W52", 7),
        ("2007-01-01", "2007-W01", 1),
        ("2007-12-30", "2007-W52", 7),
        ("2007-12-31", "2008-W01", 1),
        ("2008-12-28", "2008-W52", 7),
        ("2008-12-29", "2009-W01", 1),
        ("2009-12-31", "2009-W53", 4),
        ("2010-01-03", "2009-W53", 7),
        ("2010-01-04", "2010-W01", 1),
    ],
)
def test_weeks_around_new_year(day: str, week: str, weekday: int) -> None:
    when = date.fromisoformat(day)
    assert str(iso_week(when)) == week
    assert when == week_bounds(week)[0] + timedelta(days=weekday - 1)


@given(days)
def test_a_week_belongs_to_the_year_of_its_thursday(day: date) -> None:
    """The rule of ISO 8601, worked out by counting days; from memory."""
    thursday = day + timedelta(days=4 - day.isoweekday())
    number = (thursday - date(thursday.year, 1, 1)).days // 7 + 1
    found = iso_week(day)
    assert found == Week(thursday.year, number)
    assert found.first <= day <= found.last
    assert week_bounds(str(found)) == (found.first, found.last)


@pytest.mark.parametrize("text", ["2010-W53", "2026-W00", "2026-W5", "2026-05", "2026W05", ""])
def test_what_is_not_a_week(text: str) -> None:
    with pytest.raises(BadDate, match="is not a week"):
        week_bounds(text)


# --- working days -----------------------------------------------------------------------

SHOP = WorkingCalendar(
    holidays=frozenset(dates("2026-12-25", "2027-01-01")),
    shutdowns=(Window(date(2026, 12, 28), date(2026, 12, 30), "year's end"),),
)


def test_working_days_leave_out_weekends_holidays_and_shutdowns() -> None:
    found = list(SHOP.working_days(date(2026, 12, 23), date(2027, 1, 5)))
    assert found == dates("2026-12-23", "2026-12-24", "2026-12-31", "2027-01-04", "2027-01-05")
    assert SHOP.count(date(2026, 12, 23), date(2027, 1, 5)) == 5
    assert SHOP.count(date(2027, 1, 5), date(2027, 1, 4)) == 0


def test_nearest_working_day() -> None:
    assert SHOP.on_or_before(date(2026, 12, 30)) == date(2026, 12, 24)
    assert SHOP.on_or_after(date(2027, 1, 1)) == date(2027, 1, 4)
    assert SHOP.on_or_after(date(2026, 12, 31)) == date(2026, 12, 31)


def test_counting_working_days() -> None:
    assert SHOP.add(date(2026, 12, 24), 1) == date(2026, 12, 31)
    assert SHOP.add(date(2026, 12, 31), -1) == date(2026, 12, 24)
    assert SHOP.add(date(2026, 12, 26), 0) == date(2026, 12, 26)


@given(days, st.integers(-300, 300))
def test_working_days_agree_with_dateutil(start: date, count: int) -> None:
    plain = WorkingCalendar()
    there = plain.add(start, count)
    step = timedelta(days=1)
    walked = list(days_through(min(start + step, there), max(start - step, there)))
    if count > 0:
        rule = by_rrule("FREQ=DAILY;BYDAY=MO,TU,WE,TH,FR", start + step, count)
        assert there == rule[-1]
    elif count < 0:
        assert sum(d.isoweekday() <= 5 for d in walked) == -count
        assert there.isoweekday() <= 5


def test_a_shop_that_never_works() -> None:
    with pytest.raises(BadQuantity, match="leaves no usable week"):
        WorkingCalendar(weekend=frozenset(range(1, 8)))
    with pytest.raises(BadQuantity):
        WorkingCalendar(weekend=frozenset({0}))
    closed = WorkingCalendar(shutdowns=(Window(date(2026, 1, 1), date(2028, 1, 1)),))
    with pytest.raises(BadDate, match="no working day within a year"):
        closed.on_or_after(date(2026, 6, 1))


def test_a_window_ends_after_it_begins() -> None:
    with pytest.raises(RecordRefused, match="summer ends on 2026-06-01"):
        Window(date(2026, 6, 2), date(2026, 6, 1), "summer")
    window = Window(date(2026, 6, 1), date(2026, 6, 14))
    assert window.days == 14
    assert date(2026, 6, 14) in window
    assert date(2026, 6, 15) not in window


def test_windows_that_touch_become_one() -> None:
    a = Window(date(2026, 6, 1), date(2026, 6, 5), "a")
    b = Window(date(2026, 6, 6), date(2026, 6, 9), "b")
    c = Window(date(2026, 6, 2), date(2026, 6, 3), "a")
    d = Window(date(2026, 7, 1), date(2026, 7, 1))
    assert merge_windows([d, b, a, c]) == (Window(a.first, b.last, "a + b"), d)


@given(st.lists(st.tuples(st.integers(0, 60), st.integers(0, 10)), max_size=12))
def test_merged_windows_hold_the_same_days(spans: list[tuple[int, int]]) -> None:
    origin = date(2026, 1, 1)
    windows = [Window(add_days(origin, a), add_days(origin, a + n)) for a, n in spans]
    merged = merge_windows(windows)
    assert {d for w in merged for d in days_through(w.first, w.last)} == {
        d for w in windows for d in days_through(w.first, w.last)
    }
    for before, after in pairwise(merged):
        assert (after.first - before.last).days > 1


def test_days_through_reaches_the_last_day_there_is() -> None:
    assert list(days_through(date(9999, 12, 30), date.max)) == dates("9999-12-30", "9999-12-31")
