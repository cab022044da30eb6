"""Due dates, grace, storage, usage, outages and deferrals of one item."""

from __future__ import annotations

import subprocess
import sys
from dataclasses import replace
from datetime import date, timedelta
from decimal import Decimal
from itertools import islice, pairwise

import pytest
from dateutil.relativedelta import relativedelta
from hypothesis import assume, given
from hypothesis import strategies as st

from calfleet.errors import BadQuantity, CalfleetError, DateRefused, RecordRefused, Refused
from calfleet.records import IntervalBasis, IntervalPolicy, IntervalUnit
from calfleet.scheduling.calendar import Window, is_month_end, month_text
from calfleet.scheduling.due import (
    EARLY_SHARE,
    Clock,
    Deferral,
    Outages,
    Standing,
    Status,
    Storage,
    UsageLimit,
    check_deferral,
    check_outage,
    check_policy,
    extended_days,
    grace_history,
    grace_length,
    grid_index,
    interval_days,
    nth_date,
    recurrences,
    standing,
    valid_until,
)

FLOAT, GRID = IntervalBasis.LAST_DONE, IntervalBasis.FIXED_GRID
MONTH, DAY = IntervalUnit.MONTH, IntervalUnit.DAY


def policy(
    every: int = 12,
    unit: IntervalUnit = MONTH,
    basis: IntervalBasis = FLOAT,
    *,
    end_of_month: bool = False,
    grace: str = "0",
    grace_days: int = 0,
) -> IntervalPolicy:
    return IntervalPolicy(
        "P1", date(2000, 1, 1), basis, every, unit, end_of_month, Decimal(grace), grace_days
    )


def d(text: str) -> date:
    return date.fromisoformat(text)


days = st.dates(min_value=date(1990, 1, 1), max_value=date(2090, 12, 31))
month_policies = st.builds(
    policy,
    st.integers(1, 60),
    st.just(MONTH),
    st.sampled_from([FLOAT, GRID]),
    end_of_month=st.booleans(),
    grace=st.sampled_from(["0", "0.04", "0.1", "0.25", "0.5"]),
)
day_policies = st.builds(
    policy,
    st.integers(1, 1000),
    st.just(DAY),
    st.sampled_from([FLOAT, GRID]),
    grace=st.sampled_from(["0", "0.04", "0.1", "0.25", "0.5"]),
)
policies = st.one_of(month_policies, day_policies)


# --- the published and agreed values ------------------------------------------------------


def test_counted_from_the_last_performance() -> None:
    """Common practice, no source. Early work pulls the next date earlier, late work later."""
    yearly = policy()
    assert standing(yearly, [d("2025-03-10")], as_of=d("2025-06-01")).due_on == d("2026-03-10")
    assert standing(yearly, [d("2025-02-10")], as_of=d("2025-06-01")).due_on == d("2026-02-10")
    assert standing(yearly, [d("2025-04-10")], as_of=d("2025-06-01")).due_on == d("2026-04-10")


def test_counted_from_the_previous_due_date() -> None:
    """Common practice, no source: due 2025-03-01, done 2025-03-10."""
    now = standing(
        policy(basis=GRID), [d("2025-03-10")], as_of=d("2025-06-01"), grid_anchor=d("2025-03-01")
    )
    assert now.due_on == d("2026-03-01")
    assert "fixed dates every 12 months from 2025-03-01; 2025-03-01 was met on 2025-03-10" in (
        now.why
    )


def test_month_end_is_clamped_and_said() -> None:
    """Own example, recomputed."""
    now = standing(policy(3), [d("2025-11-30")], as_of=d("2025-12-01"))
    assert now.due_on == d("2026-02-28")
    assert "that month having no day 30" in now.why


def test_until_the_last_day_of_the_due_month() -> None:
    """Common practice, no source."""
    now = standing(policy(end_of_month=True), [d("2025-06-12")], as_of=d("2026-06-30"))
    assert now.due_on == d("2026-06-30")
    assert now.status is Status.DUE
    assert now.why == (
        "Due 2026-06-30, the end of the month 12 months after it was last done on 2025-06-12 "
        "(policy P1)."
    )


@pytest.mark.parametrize(
    ("start", "length", "quarter"),
    [("2024-01-31", 366, "91.5"), ("2025-01-31", 365, "91.25")],
)
def test_twelve_months_and_a_quarter_of_them(start: str, length: int, quarter: str) -> None:
    """Recomputed."""
    assert interval_days(policy(), d(start)) == length
    assert extended_days(length, Decimal("0.25")) - length == Decimal(quarter)
    assert grace_length(policy(grace="0.25"), d(start)) == 91


@pytest.mark.parametrize(
    ("interval", "extended"),
    [(7, "8.75"), (31, "38.75"), (92, "115"), (184, "230"), (366, "457.5"), (550, "687.5")],
)
def test_the_quarter_extension(interval: int, extended: str) -> None:
    """Technical specifications 4.0.2 (NRC ADAMS ML20077M339, read): at most 25 % of the interval;
    days of the usual surveillance frequencies from memory, products recomputed."""
    assert extended_days(interval, Decimal("0.25")) == Decimal(extended)
    last = d("2025-01-10")
    now = standing(policy(interval, DAY, grace="0.25"), [last], as_of=last)
    assert now.due_on == last + timedelta(days=interval)
    assert now.latest_on is not None
    assert (now.latest_on - last).days == int(Decimal(extended))  # whole days, never rounded up


def test_eighteen_months_and_the_hard_stop() -> None:
    """NRC GL 83-27 (read in part): 18 months and 25 % are a window of 22.5 months."""
    last = d("2025-01-15")
    now = standing(policy(18, grace="0.25"), [last], as_of=last, outages=Outages(()))
    assert now.latest_on is not None
    assert (
        last + relativedelta(months=22) < now.latest_on <= last + relativedelta(months=22, days=15)
    )
    assert now.latest_on == d("2026-11-28")  # 546 days and a quarter of them, recomputed


# --- the status of a day --------------------------------------------------------------------


@pytest.mark.parametrize(
    ("as_of", "status", "left", "used", "usable"),
    [
        ("2026-02-07", Status.NOT_DUE, 31, 0, True),
        ("2026-02-08", Status.DUE, 30, 0, True),
        ("2026-03-10", Status.DUE, 0, 0, True),
        ("2026-03-11", Status.IN_GRACE, -1, 1, True),
        ("2026-06-09", Status.IN_GRACE, -91, 91, True),
        ("2026-06-10", Status.OVERDUE, -92, 91, False),
    ],
)
def test_status_day_by_day(as_of: str, status: Status, left: int, used: int, usable: bool) -> None:
    now = standing(policy(grace="0.25"), [d("2025-03-10")], as_of=d(as_of))
    assert (now.status, now.days_left, now.grace_days_used) == (status, left, used)
    assert now.usable is usable
    assert (now.due_on, now.latest_on) == (d("2026-03-10"), d("2026-06-09"))
    assert now.grace_days == 91


def test_grace_in_use_is_said() -> None:
    yearly = policy(grace="0.25")
    in_grace = standing(yearly, [d("2025-03-10")], as_of=d("2026-03-22"))
    assert in_grace.why.endswith("; 12 of 91 days of grace used, it ends on 2026-06-09.")
    over = standing(yearly, [d("2025-03-10")], as_of=d("2026-06-10"))
    assert over.why.endswith("; overdue by 92 days, the grace of 91 days ended on 2026-06-09.")
    plain = standing(policy(), [d("2025-03-10")], as_of=d("2026-03-11"))
    assert plain.status is Status.OVERDUE
    assert plain.why.endswith("; overdue by 1 day.")


def test_grace_in_days() -> None:
    now = standing(policy(grace_days=30), [d("2025-03-10")], as_of=d("2026-04-09"))
    assert (now.status, now.grace_days, now.grace_days_used) == (Status.IN_GRACE, 30, 30)


def test_notice_is_the_callers_choice() -> None:
    def at(notice: int) -> Status:
        return standing(
            policy(), [d("2025-03-10")], as_of=d("2026-03-01"), notice_days=notice
        ).status

    assert at(9) is Status.DUE
    assert at(8) is Status.NOT_DUE


def test_later_performances_are_not_known_yet_and_order_does_not_matter() -> None:
    facts = [d("2026-01-05"), d("2024-03-01"), d("2025-03-10")]
    assert standing(policy(), facts, as_of=d("2025-12-31")).last_on == d("2025-03-10")
    assert standing(policy(), facts, as_of=d("2026-01-05")).due_on == d("2027-01-05")


# --- fixed dates ------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("done", "due"),
    [
        ("2024-11-29", "2025-03-01"),  # 92 days early: extra work, the date stands
        ("2024-11-30", "2026-03-01"),  # 91 days early, a quarter of 365: satisfies 2025-03-01
        ("2025-03-01", "2026-03-01"),
        ("2025-11-29", "2026-03-01"),  # nine months late: it satisfies the date that it missed
        ("2025-11-30", "2027-03-01"),
    ],
)
def test_which_fixed_date_a_performance_satisfies(done: str, due: str) -> None:
    """Own rule, recomputed by hand."""
    now = standing(
        policy(basis=GRID), [d(done)], as_of=d("2026-01-01"), grid_anchor=d("2025-03-01")
    )
    assert now.due_on == d(due)


def test_grid_without_a_set_date_starts_at_the_first_performance() -> None:
    grid = policy(1, basis=GRID)
    facts = [d("2024-01-31"), d("2024-03-02"), d("2024-03-29")]
    # 2024-02-29 was met late on 03-02; 03-31 early on 03-29; the 31 of the anchor is not lost.
    assert standing(grid, facts[:2], as_of=d("2024-03-02")).due_on == d("2024-03-31")
    assert standing(grid, facts, as_of=d("2024-03-29")).due_on == d("2024-04-30")
    assert nth_date(grid, d("2024-01-31"), 4) == d("2024-05-31")


def test_missed_fixed_dates_stay_overdue() -> None:
    now = standing(
        policy(3, basis=GRID), [d("2024-01-01")], as_of=d("2025-01-01"),
        grid_anchor=d("2024-01-01"),
    )  # fmt: skip
    assert (now.status, now.due_on, now.days_left) == (Status.OVERDUE, d("2024-04-01"), -275)


def test_end_of_month_grid_takes_the_whole_month() -> None:
    monthly = policy(1, basis=GRID, end_of_month=True)
    now = standing(monthly, [d("2024-02-01")], as_of=d("2024-02-05"), grid_anchor=d("2024-01-31"))
    assert now.due_on == d("2024-03-31")


def test_early_work_on_a_grid_costs_grace() -> None:
    """Grace counts from the previous performance: a quarter early leaves none of a quarter."""
    grid = policy(basis=GRID, grace="0.25")

    def at(done: str) -> Standing:
        return standing(grid, [d(done)], as_of=d("2025-06-01"), grid_anchor=d("2025-03-01"))

    assert at("2025-03-01").latest_on == d("2026-05-31")  # 91 days
    assert at("2025-02-01").latest_on == d("2026-05-03")  # 2026-02-01 and 91 days
    assert "early work leaving 63 of 91 days of grace" in at("2025-02-01").why
    assert "early work" not in at("2025-03-01").why
    assert at("2024-11-30").latest_on == d("2026-03-01")  # 2025-11-30 and 91 days: nothing left
    assert at("2025-04-01").latest_on == d("2026-05-31")  # late work gives no more than 91 days


@given(policies, days, st.integers(-500, 4000))
def test_satisfied_grid_date_is_the_latest_one_open(
    grid: IntervalPolicy, anchor: date, after: int
) -> None:
    """The rule in words, by walking the grid from its start."""
    performed = anchor + timedelta(days=after)
    expected = -1
    for n in range(4600):
        fixed, before = nth_date(grid, anchor, n), nth_date(grid, anchor, n - 1)
        opens = fixed - timedelta(days=int((fixed - before).days * EARLY_SHARE))
        same_month = grid.end_of_month and month_text(fixed) == month_text(performed)
        if opens > performed and not same_month:
            break
        expected = n
    assert grid_index(grid, anchor, performed) == expected


@given(policies, days, st.integers(0, 3000))
def test_early_work_never_stretches_a_grid(grid: IntervalPolicy, anchor: date, after: int) -> None:
    grid = replace(grid, basis=GRID, end_of_month=False)
    performed = anchor + timedelta(days=after)
    due_on = standing(grid, [performed], as_of=performed, grid_anchor=anchor).due_on
    assert due_on is not None
    n = grid_index(grid, anchor, performed)
    satisfied = nth_date(grid, anchor, n)
    assert performed < due_on == nth_date(grid, anchor, n + 1)
    longest = (due_on - satisfied).days + (satisfied - nth_date(grid, anchor, n - 1)).days / 4
    assert (due_on - performed).days <= longest


# --- properties -------------------------------------------------------------------------------


@given(policies, days, st.lists(st.integers(0, 3000), max_size=5), st.integers(-100, 4000))
def test_grace_never_shortens_and_never_exceeds(
    given_policy: IntervalPolicy, start: date, more: list[int], later: int
) -> None:
    facts = [start, *(start + timedelta(days=n) for n in more)]
    as_of = max(facts) + timedelta(days=max(later, 0))
    with_grace = standing(given_policy, facts, as_of=as_of)
    without = standing(replace(given_policy, grace_fraction=Decimal(0)), facts, as_of=as_of)
    assert with_grace.due_on == without.due_on == without.latest_on
    assert with_grace.due_on is not None
    assert with_grace.latest_on is not None
    assert with_grace.latest_on >= with_grace.due_on
    last = max(facts)
    longest = extended_days(interval_days(given_policy, last), given_policy.grace_fraction)
    if with_grace.latest_on > with_grace.due_on:
        assert (with_grace.latest_on - last).days <= longest
    assert 0 <= with_grace.grace_days_used <= with_grace.grace_days
    assert without.usable <= with_grace.usable


@given(policies, days, st.integers(0, 3000), st.integers(0, 3000))
def test_an_earlier_day_is_never_more_overdue(
    given_policy: IntervalPolicy, start: date, a: int, b: int
) -> None:
    early, late = sorted((start + timedelta(days=a), start + timedelta(days=b)))
    first = standing(given_policy, [start], as_of=early)
    second = standing(given_policy, [start], as_of=late)
    assert first.due_on == second.due_on
    assert first.days_left is not None
    assert second.days_left is not None
    assert first.days_left - second.days_left == (late - early).days
    assert first.usable >= second.usable


@given(policies, days, st.integers(1, 24))
def test_a_longer_interval_is_never_due_earlier(
    given_policy: IntervalPolicy, start: date, more: int
) -> None:
    shorter = replace(given_policy, basis=FLOAT)
    longer = replace(shorter, every=shorter.every + more)
    a, b = (standing(p, [start], as_of=start) for p in (shorter, longer))
    assert a.due_on is not None
    assert b.due_on is not None
    assert a.due_on <= b.due_on
    if shorter.unit is DAY:
        assert a.due_on < b.due_on


@given(month_policies, days)
def test_end_of_month_is_always_a_month_end(given_policy: IntervalPolicy, start: date) -> None:
    ended = replace(given_policy, end_of_month=True)
    plain = replace(given_policy, end_of_month=False)
    now, other = (standing(p, [start], as_of=start) for p in (ended, plain))
    assert now.due_on is not None
    assert other.due_on is not None
    assert is_month_end(now.due_on)
    if ended.basis is FLOAT:
        assert month_text(now.due_on) == month_text(other.due_on)


@given(policies, days, st.integers(1, 60))
def test_recurring_due_dates_do_not_drift(
    given_policy: IntervalPolicy, start: date, n: int
) -> None:
    """Done on each due date, the n-th date is that of python-dateutil in one step."""
    first = standing(given_policy, [start], as_of=start).due_on
    assert first is not None
    found = [
        first,
        *islice(recurrences(given_policy, first, counted_from=start, grid_anchor=start), n - 1),
    ]
    count = n * given_policy.every
    there = start + (
        relativedelta(months=count) if given_policy.unit is MONTH else relativedelta(days=count)
    )
    assert len(found) == n
    if given_policy.end_of_month:
        assert month_text(found[-1]) == month_text(there)
        assert is_month_end(found[-1])
    else:
        assert found[-1] == there
    assert all(a < b for a, b in pairwise(found))


@given(policies, days)
def test_a_certificate_is_valid_to_the_due_date(given_policy: IntervalPolicy, on: date) -> None:
    now = standing(given_policy, [on], as_of=on)
    assert valid_until(given_policy, on) == now.due_on
    assert valid_until(given_policy, on) > on


def test_validity_of_a_certificate() -> None:
    assert valid_until(policy(grace="0.25"), d("2025-03-10")) == d("2026-03-10")  # no grace
    grid = policy(basis=GRID)
    assert valid_until(grid, d("2025-03-10"), grid_anchor=d("2025-03-01")) == d("2026-03-01")
    with pytest.raises(RecordRefused):
        valid_until(policy(0), d("2025-03-10"))


def test_recurrences_end_with_the_calendar() -> None:
    found = list(recurrences(policy(120), d("9900-01-01")))
    assert found
    assert found[-1] <= date.max
    late = list(recurrences(policy(1, DAY), d("9999-12-20")))
    assert late[0] == d("9999-12-21")


# --- never done, in store, before use ---------------------------------------------------------


def test_never_calibrated() -> None:
    """Own rule: without a first calibration there is nothing to count an interval from."""
    known = standing(policy(grace="0.25"), [], as_of=d("2026-03-01"), first_use=d("2026-02-01"))
    assert (known.status, known.due_on, known.days_left) == (
        Status.NEVER_CALIBRATED, d("2026-02-01"), -28,
    )  # fmt: skip
    assert known.grace_days == 0
    assert not known.usable
    assert known.why.endswith("overdue by 28 days.")
    unknown = standing(policy(), [], as_of=d("2026-03-01"))
    assert (unknown.due_on, unknown.days_left) == (d("2026-03-01"), 0)
    on_grid = standing(policy(basis=GRID), [], as_of=d("2026-03-01"), grid_anchor=d("2026-05-01"))
    assert (on_grid.status, on_grid.due_on) == (Status.NEVER_CALIBRATED, d("2026-05-01"))


def test_the_clock_starts_on_issue_within_the_shelf_limit() -> None:
    """Common practice, no source."""
    last = [d("2025-01-10")]
    store = Storage(issued_on=d("2025-06-01"), shelf_limit_days=180)
    now = standing(policy(), last, as_of=d("2025-07-01"), storage=store)
    assert now.due_on == d("2026-06-01")
    assert "12 months after its issue on 2025-06-01" in now.why
    late = standing(
        policy(), last, as_of=d("2025-08-01"), storage=replace(store, issued_on=d("2025-07-10"))
    )
    assert (late.status, late.due_on, late.usable) == (
        Status.CALIBRATE_BEFORE_USE, d("2025-07-10"), False,
    )  # fmt: skip
    assert "181 days after its calibration on 2025-01-10, past its shelf limit of 180" in late.why
    limit = standing(
        policy(), last, as_of=d("2025-08-01"), storage=replace(store, issued_on=d("2025-07-09"))
    )
    assert limit.due_on == d("2026-07-09")  # issued on the last day of its shelf limit
    # Calibrated after its issue: storage is history. No shelf limit: storage stops no clock.
    again = standing(policy(), [*last, d("2025-07-12")], as_of=d("2025-08-01"), storage=store)
    assert again.due_on == d("2026-07-12")
    plain = standing(
        policy(), last, as_of=d("2025-07-01"), storage=Storage(issued_on=d("2025-06-01"))
    )
    assert plain.due_on == d("2026-01-10")


@pytest.mark.parametrize(
    ("as_of", "status"),
    [("2025-07-09", Status.IN_STORE), ("2025-07-10", Status.CALIBRATE_BEFORE_USE)],
)
def test_in_store_is_never_overdue_and_never_usable(as_of: str, status: Status) -> None:
    """Common practice, no source."""
    store = Storage(shelf_limit_days=180)
    now = standing(policy(1), [d("2025-01-10")], as_of=d(as_of), storage=store)
    assert (now.status, now.due_on, now.days_left, now.usable) == (status, None, None, False)
    assert "2025-07-09" in now.why
    plain = standing(policy(1), [d("2025-01-10")], as_of=d("2030-01-01"), storage=Storage())
    assert plain.status is Status.IN_STORE
    # Not issued yet on the day asked for.
    before = standing(
        policy(1), [d("2025-01-10")], as_of=d("2025-05-01"), storage=Storage(d("2025-06-01"), 180)
    )
    assert before.status is Status.IN_STORE
    never = standing(policy(1), [], as_of=d("2025-05-01"), storage=Storage())
    assert never.status is Status.CALIBRATE_BEFORE_USE


def test_not_in_service_is_not_due() -> None:
    now = standing(policy(1), [d("2020-01-10")], as_of=d("2026-01-01"), in_service=False)
    assert (now.status, now.due_on, now.usable) == (Status.NOT_IN_SERVICE, None, False)
    assert "2020-01-10" in now.why


def test_calibrated_before_each_use() -> None:
    """Common practice, no source: no due date; good on the day it was done."""
    same = standing(policy(), [d("2026-01-05")], as_of=d("2026-01-05"), before_each_use=True)
    assert (same.status, same.due_on, same.usable) == (Status.CALIBRATE_BEFORE_USE, None, True)
    after = standing(policy(), [d("2026-01-05")], as_of=d("2026-01-06"), before_each_use=True)
    assert not after.usable
    assert "last done on 2026-01-05, not on 2026-01-06" in after.why
    assert not standing(policy(), [], as_of=d("2026-01-06"), before_each_use=True).usable


# --- several limits ---------------------------------------------------------------------------


def usage(used: str, rate: str | None = None, read_on: str = "2026-01-10") -> UsageLimit:
    return UsageLimit(
        "hours", Decimal(100), Decimal(used), d(read_on), None if rate is None else Decimal(rate)
    )


def test_the_usage_limit_comes_first() -> None:
    """Every 100 operating hours or six months (TM 5-4310-226-15, read); forecast recomputed:
    60 hours left at 1.5 a day are 40 days."""
    now = standing(policy(6), [d("2026-01-01")], as_of=d("2026-01-15"), usage=[usage("40", "1.5")])
    assert now.due_on == now.latest_on == d("2026-02-19")
    assert now.why == (
        "Due 2026-02-19, when the limit of 100 hours is expected (40 on 2026-01-10, 1.5 a day); "
        "the earliest of 2 limits, next policy P1 2026-07-01."
    )
    assert [limit.name for limit in now.limits] == ["100 hours", "policy P1"]


def test_the_calendar_comes_first() -> None:
    now = standing(policy(6), [d("2026-01-01")], as_of=d("2026-01-15"), usage=[usage("1", "0.1")])
    assert now.due_on == d("2026-07-01")
    assert "earliest of 2 limits, next 100 hours" in now.why


def test_rate_from_the_counter_itself() -> None:
    """45 hours in 9 days are 5 a day: 55 left are 11 days."""
    now = standing(policy(6), [d("2026-01-01")], as_of=d("2026-01-15"), usage=[usage("45")])
    assert now.due_on == d("2026-01-21")


def test_a_limit_seen_reached_is_due_that_day() -> None:
    now = standing(
        policy(6, grace="0.25"), [d("2026-01-01")], as_of=d("2026-01-11"), usage=[usage("100")]
    )
    assert (now.status, now.due_on, now.usable) == (Status.OVERDUE, d("2026-01-10"), False)


def test_a_counter_that_tells_nothing_sets_no_date() -> None:
    for silent in (usage("0"), usage("10", "0"), usage("10", "0.0000001")):
        now = standing(policy(6), [d("2026-01-01")], as_of=d("2026-01-15"), usage=[silent])
        assert now.due_on == d("2026-07-01")
        assert len(now.limits) == 1
    # Read before the last calibration: the count began anew on that day.
    stale = usage("99", "10", read_on="2025-12-20")
    now = standing(policy(6), [d("2026-01-01")], as_of=d("2026-01-02"), usage=[stale])
    assert now.due_on == d("2026-01-11")


def test_a_usage_limit_must_make_sense() -> None:
    for limit, used, rate in (
        ("0", "1", "1"),
        ("5", "-1", "1"),
        ("5", "1", "-1"),
        ("NaN", "1", "1"),
    ):
        with pytest.raises(BadQuantity):
            UsageLimit("cycles", Decimal(limit), Decimal(used), d("2026-01-01"), Decimal(rate))


def test_several_intervals_on_one_item() -> None:
    check = Clock("function check", policy(3, grace="0.25"), (d("2025-11-20"),))
    now = standing(policy(grace="0.25"), [d("2025-06-01")], as_of=d("2026-01-01"), also=[check])
    assert now.due_on == d("2026-02-20")
    assert "for function check: 3 months after it was last done on 2025-11-20" in now.why
    assert "the earliest of 2 limits, next policy P1 2026-06-01" in now.why
    never = standing(
        policy(), [d("2025-06-01")], as_of=d("2026-01-01"), also=[replace(check, performed=())],
        first_use=d("2025-05-01"),
    )  # fmt: skip
    assert never.due_on == d("2025-05-01")
    assert "which was never done" in never.why


def test_the_earliest_latest_date_binds() -> None:
    """A short interval without grace ends before the long one's grace, and the other way round."""
    loose = Clock("loose", policy(11, grace="0.25"), (d("2025-06-01"),))
    now = standing(policy(12), [d("2025-06-01")], as_of=d("2025-07-01"), also=[loose])
    assert (now.due_on, now.latest_on) == (d("2026-05-01"), d("2026-06-01"))


# --- outages ----------------------------------------------------------------------------------

LAST = d("2025-01-15")
YEAR_AND_A_HALF = policy(18, grace="0.25")  # aim 2026-07-15, hard stop 2026-11-28


def outage(first: str, last: str, name: str = "summer") -> Window:
    return Window(d(first), d(last), name)


def at_outage(as_of: str, *windows: Window, hard_stop: str | None = None) -> Standing:
    stop = None if hard_stop is None else d(hard_stop)
    return standing(YEAR_AND_A_HALF, [LAST], as_of=d(as_of), outages=Outages(windows, stop))


def test_due_at_the_outage_before_the_calendar_date() -> None:
    june = outage("2026-06-01", "2026-06-14")
    october = outage("2026-10-01", "2026-10-14", "autumn")
    now = at_outage("2026-01-01", october, june)
    assert (now.due_on, now.outage, now.status) == (d("2026-06-14"), june, Status.NOT_DUE)
    assert now.latest_on == d("2026-11-28")
    assert "at the outage summer (2026-06-01 to 2026-06-14)" in now.why
    assert "the calendar date is 2026-07-15" in now.why
    assert at_outage("2026-06-03", october, june).status is Status.DUE
    # Missed: the next outage before the hard stop.
    missed = at_outage("2026-07-20", october, june)
    assert (missed.due_on, missed.status) == (d("2026-10-14"), Status.WAITS_FOR_OUTAGE)
    assert missed.grace_days_used == 5
    assert "5 of 136 days up to the hard stop used" in missed.why


def test_waits_for_the_outage_in_its_grace() -> None:
    october = outage("2026-10-01", "2026-10-14")
    assert at_outage("2026-06-01", october).status is Status.NOT_DUE
    waiting = at_outage("2026-08-01", october)
    assert (waiting.status, waiting.usable) == (Status.WAITS_FOR_OUTAGE, True)
    assert waiting.due_on == d("2026-10-14")


def test_an_outage_long_before_is_not_the_items_outage() -> None:
    far = outage("2025-09-01", "2025-09-14")  # ten months early, more than a quarter of 18 months
    now = at_outage("2025-08-20", far)
    assert (now.outage, now.due_on, now.status) == (None, d("2026-11-28"), Status.NOT_DUE)


def test_the_hard_stop_cuts_an_outage() -> None:
    late = outage("2026-11-20", "2026-12-10")
    now = at_outage("2026-11-21", late)
    assert (now.due_on, now.status) == (d("2026-11-28"), Status.DUE)
    assert "cut by the hard stop 2026-11-28" in now.why
    over = at_outage("2026-11-29", late)
    assert (over.status, over.usable) == (Status.OVERDUE, False)
    assert "overdue by 1 day" in over.why


def test_an_outage_past_the_hard_stop_needs_a_deferral() -> None:
    """Common practice, no source."""
    moved = outage("2026-12-05", "2026-12-15")
    now = at_outage("2026-06-01", moved)
    assert (now.status, now.due_on) == (Status.NEEDS_DEFERRAL, d("2026-11-28"))
    assert "is past it, a deferral is needed" in now.why
    assert at_outage("2026-06-20").status is Status.NEEDS_DEFERRAL  # no outage known, due soon
    assert at_outage("2026-06-01").status is Status.NOT_DUE
    with pytest.raises(
        RecordRefused, match=r"summer .* begins after the hard stop 2026-11-28 of T1"
    ):
        check_outage(moved, d("2026-11-28"), tag="T1")
    check_outage(outage("2026-11-28", "2026-12-15"), d("2026-11-28"), tag="T1")


def test_a_hard_stop_that_was_set() -> None:
    june = outage("2026-06-01", "2026-06-14")
    now = at_outage("2026-01-01", june, hard_stop="2026-06-10")
    assert (now.due_on, now.latest_on) == (d("2026-06-10"), d("2026-06-10"))
    with pytest.raises(RecordRefused, match="is not after the last calibration"):
        at_outage("2026-01-01", june, hard_stop="2025-01-15")


def test_work_in_an_outage_is_not_due_again_in_it() -> None:
    june = outage("2026-06-01", "2026-06-14")
    for done in ("2026-06-03", "2026-06-14"):
        long = replace(june, last=d("2026-07-20"))
        for window in (june, long):
            now = standing(policy(1), [d(done)], as_of=d(done), outages=Outages((window, long)))
            assert now.outage is None


def test_the_outage_nearest_before_the_calendar_date() -> None:
    spring, june = outage("2026-04-01", "2026-04-14"), outage("2026-06-01", "2026-06-14")
    assert at_outage("2026-01-01", june, spring).outage == june
    july = outage("2026-07-15", "2026-07-20")
    assert at_outage("2026-01-01", june, july, spring).outage == july


@given(
    st.lists(st.tuples(st.integers(1, 900), st.integers(0, 30)), max_size=5),
    st.integers(0, 900),
    st.integers(0, 900),
)
def test_at_outages_an_earlier_day_is_never_more_overdue(
    spans: list[tuple[int, int]], a: int, b: int
) -> None:
    windows = tuple(
        Window(LAST + timedelta(days=n), LAST + timedelta(days=n + length)) for n, length in spans
    )
    early, late = sorted((a, b))
    first, second = (
        standing(YEAR_AND_A_HALF, [LAST], as_of=LAST + timedelta(days=n), outages=Outages(windows))
        for n in (early, late)
    )
    for now in (first, second):
        assert now.due_on is not None
        assert now.latest_on == d("2026-11-28")
        assert now.due_on <= now.latest_on
        assert (now.status is Status.OVERDUE) == (now.as_of > now.latest_on)
    assert first.days_left is not None
    assert second.days_left is not None
    assert max(-first.days_left, 0) <= max(-second.days_left, 0)


# --- deferrals --------------------------------------------------------------------------------


def deferral(
    due_on: str = "2026-03-10",
    until: str = "2026-05-01",
    requested_on: str = "2026-02-01",
    approved_on: str = "2026-02-10",
    reason: str = "Boiler runs through the cold weeks.",
    risk: str = "Drift was below a fifth of the tolerance in four years.",
    requested_by: str = "AB",
    approved_by: str = "CD",
) -> Deferral:
    return Deferral(
        d(due_on), d(until), reason, risk, requested_by, d(requested_on), approved_by,
        d(approved_on),
    )  # fmt: skip


def deferred(as_of: str, *facts: Deferral, done: str = "2025-03-10") -> Standing:
    performed = sorted({d("2025-03-10"), d(done)})
    return standing(policy(), performed, as_of=d(as_of), deferrals=facts)


def test_a_deferral_keeps_the_original_date() -> None:
    """Common practice, no source."""
    now = deferred("2026-04-01", deferral())
    assert (now.status, now.due_on, now.original_due_on, now.days_left) == (
        Status.DEFERRED, d("2026-05-01"), d("2026-03-10"), 30,
    )  # fmt: skip
    assert now.usable
    assert now.why == (
        "Deferred from 2026-03-10 to 2026-05-01 (approved by CD on 2026-02-10: Boiler runs "
        "through the cold weeks); first due 2026-03-10, 12 months after it was last done on "
        "2025-03-10 (policy P1)."
    )
    over = deferred("2026-05-02", deferral())
    assert (over.status, over.days_left, over.usable) == (Status.OVERDUE, -1, False)
    assert over.why.endswith("; overdue by 1 day.")


def test_a_deferral_is_not_known_before_its_approval_and_spent_by_the_work() -> None:
    assert deferred("2026-02-09", deferral()).due_on == d("2026-03-10")
    assert deferred("2026-02-10", deferral()).due_on == d("2026-05-01")
    spent = deferred("2026-04-20", deferral(), done="2026-04-15")
    assert (spent.due_on, spent.original_due_on) == (d("2027-04-15"), None)
    early = deferred("2026-03-02", deferral(), done="2026-03-01")
    assert early.due_on == d("2027-03-01")


def test_work_before_the_deferred_date_spends_the_deferral() -> None:
    monthly = policy(1)
    facts = [d("2026-02-10"), d("2026-03-01")]
    now = standing(monthly, facts, as_of=d("2026-04-20"), deferrals=[deferral()])
    assert (now.status, now.due_on) == (Status.OVERDUE, d("2026-04-01"))


def test_approval_on_the_due_date_is_in_time() -> None:
    fact = deferral(approved_on="2026-03-10")
    assert deferred("2026-03-10", fact).due_on == d("2026-05-01")
    check_deferral(fact, deferred("2026-03-10"))


def test_deferred_twice() -> None:
    second = deferral("2026-05-01", "2026-06-01", "2026-04-01", "2026-04-20")
    now = deferred("2026-05-10", second, deferral())
    assert (now.due_on, now.original_due_on) == (d("2026-06-01"), d("2026-03-10"))
    assert "put off 2 times" in now.why


def test_grace_runs_on_beside_a_deferral() -> None:
    facts = [d("2025-03-10")]
    short = deferral(until="2026-03-20")
    now = standing(policy(grace="0.25"), facts, as_of=d("2026-04-01"), deferrals=[short])
    assert (now.status, now.latest_on, now.usable) == (Status.IN_GRACE, d("2026-06-09"), True)
    assert now.grace_days_used == 22  # from the original date


@pytest.mark.parametrize(
    ("change", "error", "text"),
    [
        ({"reason": " "}, RecordRefused, "lacks: reason"),
        ({"risk": "", "requested_by": ""}, RecordRefused, "lacks: risk statement, requester"),
        ({"approved_by": " ab "}, RecordRefused, "requested and approved by"),
        ({"until": "2026-03-10"}, RecordRefused, "puts nothing off"),
        ({"approved_on": "2026-03-11"}, DateRefused, "when the date had passed"),
        ({"approved_on": "2026-01-31"}, DateRefused, "before it was requested"),
    ],
)
def test_a_deferral_that_cannot_be(
    change: dict[str, str], error: type[CalfleetError], text: str
) -> None:
    with pytest.raises(error, match=text) as caught:
        deferral(**change)
    assert isinstance(caught.value, Refused)
    assert caught.value.rule
    assert caught.value.next_step


def test_recording_a_deferral_is_checked_against_the_item() -> None:
    now = deferred("2026-02-10")
    check_deferral(deferral(), now)
    with pytest.raises(RecordRefused, match="is due on 2026-03-10"):
        check_deferral(deferral(due_on="2026-03-11"), now)
    with pytest.raises(RecordRefused, match="reaches past 2026-04-30"):
        check_deferral(deferral(), now, not_after=d("2026-04-30"))
    with pytest.raises(DateRefused, match="1 day after the due date"):
        check_deferral(deferral(), deferred("2026-03-11"))
    again = deferral("2026-05-01", "2026-06-01", "2026-04-01", "2026-04-20")
    first = deferred("2026-04-20", deferral())
    with pytest.raises(RecordRefused, match="number 2 since the last calibration on 2025-03-10"):
        check_deferral(again, first, earlier=[deferral()])
    check_deferral(again, first, earlier=[deferral()], max_count=2)
    # Deferrals of an earlier cycle do not count.
    old = deferral("2025-03-05", "2025-03-20", "2025-02-01", "2025-02-02")
    check_deferral(deferral(), now, earlier=[old])


def test_what_has_no_date_cannot_be_deferred() -> None:
    idle = standing(policy(), [], as_of=d("2026-01-01"), in_service=False)
    with pytest.raises(RecordRefused, match="not in service"):
        check_deferral(deferral(), idle)
    never = standing(policy(), [], as_of=d("2026-01-01"), first_use=d("2026-03-10"))
    with pytest.raises(RecordRefused, match="calibrated before use"):
        check_deferral(deferral(), never)


def test_an_outage_moved_past_the_hard_stop_is_deferred() -> None:
    moved = outage("2026-12-05", "2026-12-15")
    fact = deferral("2026-11-28", "2026-12-15", "2026-11-01", "2026-11-05")
    now = standing(
        YEAR_AND_A_HALF, [LAST], as_of=d("2026-12-01"), outages=Outages((moved,)),
        deferrals=[fact],
    )  # fmt: skip
    assert (now.status, now.due_on, now.original_due_on) == (
        Status.DEFERRED, d("2026-12-15"), d("2026-11-28"),
    )  # fmt: skip


# --- policies, history, speed -------------------------------------------------------------------


@pytest.mark.parametrize(
    ("bad", "text"),
    [
        (policy(0), "interval of 0 months"),
        (policy(-3), "interval of -3 months"),
        (policy(grace="-0.1"), "grace of -0.1"),
        (policy(grace="1"), "grace of 1 and 0 days"),
        (policy(grace_days=-1), "-1 days"),
        (policy(grace="0.25", grace_days=30), "states grace twice"),
        (policy(1, grace_days=28), "grace of 28 days on an interval of 1 month"),
        (policy(7, DAY, grace_days=7), "on an interval of 7 days"),
        (policy(92, DAY, end_of_month=True), "counts days and ends with the month"),
    ],
)
def test_a_policy_that_contradicts_itself(bad: IntervalPolicy, text: str) -> None:
    with pytest.raises(RecordRefused, match=text) as caught:
        check_policy(bad)
    assert "P1" in caught.value.message
    assert caught.value.next_step
    with pytest.raises(RecordRefused):
        standing(bad, [d("2025-01-01")], as_of=d("2025-06-01"))


def test_grace_used_in_the_past() -> None:
    facts = [d("2023-01-10"), d("2024-01-20"), d("2025-01-15"), d("2026-06-01")]
    uses = grace_history(policy(grace="0.25"), facts)
    assert [(u.days_late, u.grace_days_used, u.days_past_grace) for u in uses] == [
        (10, 10, 0),
        (0, 0, 0),
        (137, 91, 46),
    ]
    assert grace_history(policy(), facts[:1]) == ()
    assert grace_history(policy(), []) == ()


@given(policies, st.lists(days, max_size=8))
def test_grace_history_adds_up(given_policy: IntervalPolicy, facts: list[date]) -> None:
    for use in grace_history(given_policy, facts):
        assert use.days_late == use.grace_days_used + use.days_past_grace
        assert (use.days_past_grace > 0) == (use.done_on > use.latest_on)


@given(policies, days, st.integers(0, 2000))
def test_the_sentence_names_the_date(given_policy: IntervalPolicy, on: date, later: int) -> None:
    as_of = on + timedelta(days=later)
    assume(as_of < date(2090, 1, 1))
    now = standing(given_policy, [on], as_of=as_of)
    assert now.why.startswith(f"Due {now.due_on}, ")
    assert f"{on}" in now.why
    assert now.why.endswith(".")
    assert "\n" not in now.why


def test_nothing_heavy_is_loaded() -> None:
    code = (
        "import sys, calfleet.scheduling.due;"
        "print(*[m for m in ('numpy', 'scipy', 'pandas', 'sqlalchemy', 'holidays', 'dateutil',"
        " 'openpyxl') if m in sys.modules])"
    )
    ran = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert ran.stdout.strip() == ""


# --- several kinds of work ----------------------------------------------------------------


def test_work_never_done_is_due_when_it_is_first_wanted_not_from_first_use() -> None:
    clock = Clock("contacts", policy(6), (), d("2026-10-01"))
    now = standing(
        policy(12), [d("2026-05-05")], as_of=d("2026-11-01"), first_use=d("2020-01-01"),
        also=[clock],
    )  # fmt: skip
    assert (now.due_on, now.status) == (d("2026-10-01"), Status.OVERDUE)
    assert "for contacts, wanted since 2026-10-01, which was never done" in now.why
    assert now.works_due(d("2026-12-31")) == ("contacts",)
    assert now.works_due(d("2027-12-31")) == ("contacts", "")


def test_each_work_is_counted_from_its_own_days() -> None:
    clock = Clock("contacts", policy(6), (d("2026-09-10"),), d("2024-01-01"))
    now = standing(policy(12), [d("2025-12-20")], as_of=d("2026-11-01"), also=[clock])
    assert now.due_on == d("2026-12-20")
    assert [(x.work, x.due_on) for x in now.limits] == [
        ("", d("2026-12-20")),
        ("contacts", d("2027-03-10")),
    ]
    assert now.works_due(d("2026-12-31")) == ("",)


def test_other_work_is_due_though_the_calibration_is_before_each_use() -> None:
    clock = Clock("contacts", policy(6), (d("2026-03-10"),))
    now = standing(
        policy(12), [d("2026-01-01")], as_of=d("2026-11-01"), also=[clock], before_each_use=True
    )
    assert (now.due_on, now.status, now.usable) == (d("2026-09-10"), Status.OVERDUE, False)
    assert now.works_due(d("2026-11-30")) == ("contacts",)
    assert "calibrated before each use" in now.why


def test_a_deferral_puts_off_the_date_it_names_and_no_other() -> None:
    """The other work is due on 2026-11-10 and put off to 2027-01-31; the calibration is not."""
    clock = Clock("contacts", policy(6), (d("2026-05-10"),))
    put_off = Deferral(
        d("2026-11-10"), d("2027-01-31"), "why", "risk", "A", d("2026-11-01"), "B", d("2026-11-02")
    )
    how = {"as_of": d("2026-11-20"), "deferrals": [put_off]}
    both = standing(policy(12), [d("2025-12-20")], also=[clock], **how)  # type: ignore[arg-type]
    assert (both.original_due_on, both.due_on) == (d("2026-11-10"), d("2026-12-20"))
    alone = standing(policy(12), [d("2025-12-20")], **how)  # type: ignore[arg-type]
    assert (alone.original_due_on, alone.due_on) == (None, d("2026-12-20"))
    later = standing(policy(12), [d("2026-03-20")], also=[clock], **how)  # type: ignore[arg-type]
    assert later.due_on == d("2027-01-31")


def test_a_switch_never_calibrated_tells_its_other_work_too() -> None:
    clock = Clock("contacts", policy(6), (), d("2026-10-01"))
    now = standing(policy(12), [], as_of=d("2026-09-01"), first_use=d("2026-08-01"), also=[clock])
    assert now.status is Status.NEVER_CALIBRATED
    assert now.works_due(d("2026-12-31")) == ("", "contacts")


def test_no_deferral_at_all_can_be_the_rule() -> None:
    now = standing(policy(12), [d("2025-12-20")], as_of=d("2026-11-20"))
    asked = Deferral(
        d("2026-12-20"), d("2027-01-31"), "why", "risk", "A", d("2026-11-01"), "B", d("2026-11-02")
    )
    with pytest.raises(RecordRefused) as refusal:
        check_deferral(asked, now, max_count=0)
    assert "not even once" in refusal.value.rule
