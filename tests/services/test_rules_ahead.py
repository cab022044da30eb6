"""Forecast and plan follow the policy and the due rule in force on each day to come."""

from __future__ import annotations

from datetime import date, timedelta

from hypothesis import given, settings
from hypothesis import strategies as st

from calfleet.records import Criticality, IntervalBasis, IntervalPolicy, IntervalUnit, Quantity
from calfleet.scheduling.due import standing
from calfleet.scheduling.forecast import ForecastItem, forecast

TODAY = date(2026, 3, 2)


def policy(months: int, since: date = date(2020, 1, 1)) -> IntervalPolicy:
    return IntervalPolicy("P", since, IntervalBasis.LAST_DONE, months, IntervalUnit.MONTH)


def item(held: IntervalPolicy, done: date, **how: object) -> ForecastItem:
    values: dict[str, object] = {
        "tag": "PS-1", "policy": held, "performed": (done,), "bench_minutes": 60, "area": "A",
        "quantity": Quantity.PRESSURE, "criticality": Criticality.GENERAL,
    }  # fmt: skip
    return ForecastItem(**{**values, **how})  # type: ignore[arg-type]


def with_change(before: int, after: int, turn: date, done: date) -> ForecastItem:
    """An item whose interval changes from ``before`` to ``after`` months on ``turn``."""
    later = item(policy(after, turn), done)
    return item(policy(before), done, later=((turn, later),))


def days(one: ForecastItem, months: int = 36) -> list[date]:
    return [j.planned_on for j in forecast([one], as_of=TODAY, months=months)]


def test_a_shorter_interval_counts_from_its_first_day() -> None:
    """By hand: last done 2025-09-10; 12 months say 2026-09-10, 6 months 2026-03-10.

    The six months take effect on 2026-06-01, when the item would be overdue at once: it is done
    the day before, then every six months from there.
    """
    one = with_change(12, 6, date(2026, 6, 1), date(2025, 9, 10))
    assert days(one, 24) == [
        date(2026, 5, 31), date(2026, 11, 30), date(2027, 5, 31), date(2027, 11, 30),
    ]  # fmt: skip
    (first, *_) = forecast([one], as_of=TODAY, months=24)
    assert (first.due_on, first.latest_on) == (date(2026, 5, 31), date(2026, 5, 31))
    assert first.policy is not None
    assert first.policy.every == 6


def test_a_longer_interval_puts_off_what_is_not_due_yet() -> None:
    one = with_change(6, 12, date(2026, 6, 1), date(2026, 1, 10))
    assert days(one, 24) == [date(2027, 1, 10), date(2028, 1, 10)]
    # what falls due before the change is done by the old interval
    one = with_change(6, 12, date(2026, 8, 1), date(2026, 1, 10))
    assert days(one, 24) == [date(2026, 7, 10), date(2027, 7, 10)]


def test_before_each_use_ends_the_dates() -> None:
    turn = date(2026, 6, 1)
    later = item(policy(6), date(2026, 1, 10), before_each_use=True)
    one = item(policy(6), date(2026, 1, 10), later=((turn, later),))
    assert days(one) == []


@settings(max_examples=150, deadline=None)
@given(
    before=st.integers(1, 24),
    after=st.integers(1, 24),
    turn=st.integers(1, 900),
    age=st.integers(0, 800),
)
def test_against_living_through_the_days_one_by_one(
    before: int, after: int, turn: int, age: int
) -> None:
    """Each day is judged by ``standing`` with the policy in force that day; what is due is done.

    The two may differ by a day where a change makes something overdue (the forecast does it on
    the day before), and by what a month's end clamps after that.
    """
    change = TODAY + timedelta(days=turn)
    done = [TODAY - timedelta(days=age)]
    old, new = policy(before), policy(after, change)
    lived = []
    day = TODAY
    while day < date(2029, 3, 2):
        now = standing(old if day < change else new, done, as_of=day)
        if now.due_on is not None and now.due_on <= day:
            done.append(day)
            lived.append(day)
        day += timedelta(days=1)
    told = days(with_change(before, after, change, done[0]))
    assert abs(len(told) - len(lived)) <= 1
    for a, b in zip(told, lived, strict=False):
        assert abs((a - b).days) <= 4, (told, lived)
