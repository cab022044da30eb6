"""Recurring jobs, load per period and the shop's capacity."""

from __future__ import annotations

import cProfile
import itertools
import pstats
from collections import Counter
from dataclasses import replace
from datetime import date, timedelta
from decimal import Decimal

import pytest
from dateutil.relativedelta import relativedelta
from hypothesis import given
from hypothesis import strategies as st

from calfleet.errors import BadQuantity
from calfleet.records import Criticality, IntervalBasis, IntervalPolicy, IntervalUnit, Quantity
from calfleet.scheduling.calendar import Window, WorkingCalendar
from calfleet.scheduling.due import Outages, UsageLimit, standing
from calfleet.scheduling.forecast import (
    Capacity,
    ForecastItem,
    FurtherWork,
    Horizon,
    Job,
    Period,
    Worker,
    against_capacity,
    forecast,
    horizon,
    load,
    ship_by,
)

FLOAT, GRID = IntervalBasis.LAST_DONE, IntervalBasis.FIXED_GRID


def d(text: str) -> date:
    return date.fromisoformat(text)


def item(
    tag: str = "T1",
    every: int = 3,
    *performed: str,
    basis: IntervalBasis = FLOAT,
    unit: IntervalUnit = IntervalUnit.MONTH,
    minutes: int = 45,
    area: str = "B1",
    gauge: str | None = "RG-1",
    grace: str = "0",
) -> ForecastItem:
    return ForecastItem(
        tag=tag,
        policy=IntervalPolicy(
            "P1", d("2000-01-01"), basis, every, unit, grace_fraction=Decimal(grace)
        ),
        performed=tuple(d(p) for p in performed),
        bench_minutes=minutes,
        area=area,
        quantity=Quantity.PRESSURE,
        criticality=Criticality.SAFETY,
        gauge=gauge,
    )


def due_days(found: tuple[Job, ...]) -> list[str]:
    return [str(job.due_on) for job in found]


# --- jobs ---------------------------------------------------------------------------------------


def test_what_recurs_is_counted_from_the_anchor() -> None:
    """Recomputed: the 31 of the last performance is not lost in November and February."""
    found = forecast([item("T1", 3, "2026-08-31")], as_of=d("2026-11-01"), months=12)
    assert due_days(found) == ["2026-11-30", "2027-02-28", "2027-05-31", "2027-08-31"]
    assert [job.number for job in found] == [1, 2, 3, 4]
    assert [job.recurs for job in found] == [False, True, True, True]
    assert not any(job.overdue for job in found)


def test_what_is_overdue_is_done_first_and_counts_from_then() -> None:
    floating = forecast([item("T1", 6, "2025-10-20")], as_of=d("2026-11-25"), months=12)
    assert due_days(floating) == ["2026-04-20", "2027-05-25"]
    assert [str(j.planned_on) for j in floating] == ["2026-11-25", "2027-05-25"]
    assert [j.overdue for j in floating] == [True, False]
    grid = forecast([item("T1", 6, "2025-10-20", basis=GRID)], as_of=d("2026-11-25"), months=12)
    # Done on 2026-11-25 it satisfies 2026-10-20; the dates stand.
    assert due_days(grid) == ["2026-04-20", "2027-04-20", "2027-10-20"]


def test_the_horizon_ends_before_the_same_day() -> None:
    assert horizon(d("2026-11-25"), 1) == Horizon(d("2026-11-25"), d("2026-12-24"))
    inside = item("T1", 12, "2025-12-24")
    outside = item("T2", 12, "2025-12-25")
    assert [j.tag for j in forecast([outside, inside], as_of=d("2026-11-25"), months=1)] == ["T1"]
    for months in (0, -1, 5000):
        with pytest.raises(BadQuantity, match=f"horizon of {months} months"):
            horizon(d("2026-11-25"), months)


def test_never_calibrated_and_not_in_service() -> None:
    new = replace(item("NEW", 6), first_use=d("2026-12-10"))
    idle = replace(item("IDLE", 6, "2020-01-01"), in_service=False)
    each = replace(item("EACH", 6, "2020-01-01"), before_each_use=True)
    found = forecast([new, idle, each], as_of=d("2026-11-25"), months=8)
    assert [(j.tag, str(j.due_on)) for j in found] == [("NEW", "2026-12-10"), ("NEW", "2027-06-10")]


def test_most_critical_first_on_the_same_day() -> None:
    general = replace(item("A", 12, "2026-01-01"), criticality=Criticality.GENERAL)
    found = forecast([general, item("B", 12, "2026-01-01")], as_of=d("2026-11-25"), months=3)
    assert [j.tag for j in found] == ["B", "A"]


def test_outage_bound_items_are_planned_at_their_outages() -> None:
    windows = (
        Window(d("2027-06-01"), d("2027-06-14"), "summer 2027"),
        Window(d("2028-06-05"), d("2028-06-18"), "summer 2028"),
    )
    bound = replace(
        item("T1", 12, "2026-06-10", grace="0.25"),
        outages=Outages(windows, hard_stop=d("2027-06-12")),
    )
    found = forecast([bound], as_of=d("2026-11-25"), months=36)
    # The set hard stop cuts the first outage only; 2029 has no outage yet: calendar date.
    assert due_days(found) == ["2027-06-12", "2028-06-18", "2029-06-18"]


@given(
    st.integers(1, 24),
    st.sampled_from([FLOAT, GRID]),
    st.dates(min_value=d("2020-01-01"), max_value=d("2026-11-25")),
    st.integers(1, 48),
)
def test_jobs_agree_with_dateutil(
    every: int, basis: IntervalBasis, last: date, months: int
) -> None:
    """Every n-th date in one step from its anchor, between the ends of the horizon."""
    as_of = d("2026-11-25")
    one = replace(item("T1", every, basis=basis), performed=(last,))
    found = forecast([one], as_of=as_of, months=months)
    end = as_of + relativedelta(months=months)
    first = last + relativedelta(months=every)
    if first >= end:
        assert found == ()
        return
    assert found[0].due_on == first
    rest = [j.due_on for j in found[1:]]
    anchor = as_of if basis is FLOAT and first < as_of else last
    grid = [anchor + relativedelta(months=every * n) for n in range(200)]
    expected = [g for g in grid if max(as_of, first) < g < end]
    if basis is GRID and first < as_of and expected:
        # Overdue work done within a quarter interval of a fixed date satisfies that one too.
        n = grid.index(expected[0])
        if (expected[0] - as_of).days <= int((grid[n] - grid[n - 1]).days / 4):
            expected = expected[1:]
    assert rest == expected


# --- load ---------------------------------------------------------------------------------------

SPAN = Horizon(d("2026-12-21"), d("2027-01-10"))
JOBS = forecast(
    [
        item("T1", 12, "2025-12-22", minutes=30, area="B1"),
        item("T2", 12, "2025-12-27", minutes=40, area="B2"),
        item("T3", 12, "2026-01-03", minutes=50, area="B1"),
    ],
    as_of=d("2026-12-21"),
    months=1,
)


def test_load_per_iso_week_around_new_year() -> None:
    """2026 has a week 53 that holds 2027-01-03 (ISO 8601, recomputed)."""
    found = load(JOBS, SPAN, period=Period.WEEK, group=lambda j: j.area)
    assert [(x.period, x.group, x.jobs, x.bench_minutes) for x in found] == [
        ("2026-W52", "B1", 1, 30),
        ("2026-W52", "B2", 1, 40),
        ("2026-W53", "B1", 1, 50),
        ("2026-W53", "B2", 0, 0),
        ("2027-W01", "B1", 0, 0),
        ("2027-W01", "B2", 0, 0),
    ]
    assert (found[2].first, found[2].last) == (d("2026-12-28"), d("2027-01-03"))


def test_load_per_month_is_cut_by_the_horizon() -> None:
    found = load(JOBS, SPAN, period=Period.MONTH)
    assert [(x.period, x.first, x.last, x.jobs, x.bench_minutes) for x in found] == [
        ("2026-12", d("2026-12-21"), d("2026-12-31"), 2, 70),
        ("2027-01", d("2027-01-01"), d("2027-01-10"), 1, 50),
    ]
    assert load([], SPAN, period=Period.MONTH) == ()


@given(
    st.lists(st.tuples(st.integers(1, 12), st.integers(0, 900), st.integers(5, 240)), max_size=15),
    st.sampled_from(list(Period)),
    st.integers(1, 30),
)
def test_no_minute_is_lost(specs: list[tuple[int, int, int]], period: Period, months: int) -> None:
    as_of = d("2026-11-25")
    items = [
        replace(
            item(f"T{i}", every, minutes=minutes, area=f"B{i % 3}"),
            performed=(as_of - timedelta(days=ago),),
        )
        for i, (every, ago, minutes) in enumerate(specs)
    ]
    jobs = forecast(items, as_of=as_of, months=months)
    span = horizon(as_of, months)
    lines = load(jobs, span, period=period, group=lambda j: j.area)
    assert sum(x.bench_minutes for x in lines) == sum(j.bench_minutes for j in jobs)
    assert sum(x.jobs for x in lines) == len(jobs)
    for line in lines:
        assert line.jobs == sum(
            line.first <= j.planned_on <= line.last and j.area == line.group for j in jobs
        )
    spans = list(span.periods(period))
    assert spans[0][1] == span.first
    assert spans[-1][2] == span.last
    for before, after in itertools.pairwise(spans):
        assert after[1] - before[2] == timedelta(days=1)
    assert len({name for name, _, _ in spans}) == len(spans)


# --- capacity -----------------------------------------------------------------------------------


def test_load_against_capacity() -> None:
    """Own example: two people, a holiday, a shutdown, one absence; counted by hand."""
    calendar = WorkingCalendar(
        holidays=frozenset({d("2026-12-25"), d("2027-01-01")}),
        shutdowns=(Window(d("2026-12-28"), d("2026-12-31"), "year's end"),),
    )
    people = (
        Worker("AB", 300),
        Worker("CD", 120, away=(Window(d("2026-12-23"), d("2027-01-05")),)),
    )
    found = against_capacity(JOBS, SPAN, Capacity(people, calendar), period=Period.WEEK)
    assert [(x.period, x.working_days, x.capacity_minutes, x.free_minutes) for x in found] == [
        ("2026-W52", 4, 4 * 300 + 2 * 120, 1440 - 70),
        ("2026-W53", 0, 0, -50),
        ("2027-W01", 5, 5 * 300 + 3 * 120, 1860),
    ]
    assert [x.share for x in found] == [70 / 1440, None, 0.0]


def test_a_horizon_without_capacity() -> None:
    closed = WorkingCalendar(shutdowns=(Window(d("2026-12-01"), d("2027-02-01")),))
    shut = Capacity((Worker("AB", 300),), closed)
    found = against_capacity(JOBS, SPAN, shut, period=Period.WEEK)
    assert [(x.capacity_minutes, x.share) for x in found] == [(0, None)] * 3
    assert sum(x.closure_minutes for x in found) == 15 * 300  # three weeks of five weekdays
    assert shut.why_none(SPAN) == ("the shop works on no day (closed 2026-12-01 to 2027-02-01)")
    nobody = Capacity((), WorkingCalendar())
    assert all(x.share is None for x in against_capacity(JOBS, SPAN, nobody, period=Period.MONTH))
    assert nobody.why_none(SPAN) == "nobody has bench hours"
    with pytest.raises(BadQuantity, match="AB has 1500 bench minutes"):
        Capacity((Worker("AB", 1500),), WorkingCalendar())


def test_cost_is_linear_in_the_jobs() -> None:
    """Function calls counted, not time: twice the items or the months, about twice the calls."""

    def calls(count: int, months: int) -> tuple[int, int]:
        items = [item(f"T{i}", 1 + i % 12, "2026-01-05", area=f"B{i % 7}") for i in range(count)]
        profile = cProfile.Profile()
        jobs = profile.runcall(forecast, items, as_of=d("2026-11-25"), months=months)
        return pstats.Stats(profile).total_calls, len(jobs)  # type: ignore[attr-defined]

    base, jobs = calls(100, 24)
    more_items, more_jobs = calls(200, 24)
    assert more_jobs == pytest.approx(2 * jobs, rel=0.05)
    assert more_items <= 2.1 * base
    longer, longer_jobs = calls(100, 48)
    assert longer / longer_jobs <= base / jobs


def test_groups_can_be_any_property() -> None:
    by_gauge = load(JOBS, SPAN, period=Period.MONTH, group=lambda j: j.gauge or "none")
    assert Counter({x.period: x.jobs for x in by_gauge}) == {"2026-12": 2, "2027-01": 1}
    assert {x.group for x in by_gauge} == {"RG-1"}


# --- reference gauges ---------------------------------------------------------------------------


def test_ship_by() -> None:
    """Own example: 5 + 15 + 3 days before 2026-12-31."""
    day = ship_by(d("2026-12-31"), transit_days=5, laboratory_days=15, review_days=3)
    assert day == d("2026-12-08")
    with pytest.raises(BadQuantity):
        ship_by(d("2026-12-31"), transit_days=-1, laboratory_days=15, review_days=3)


# --- what else moves and recurs -----------------------------------------------------------


def days_of(made: tuple[Job, ...], work: str = "") -> list[date]:
    return [j.due_on for j in made if j.work == work]


def test_the_first_date_is_the_one_given_and_the_rest_follow_the_policy() -> None:
    """Left failed: due at once on the first day, then every three months from there."""
    one = item("T1", 3, "2026-11-01")
    now = standing(one.policy, one.performed, as_of=d("2026-11-25"))
    failed = replace(now, due_on=d("2026-11-01"))
    made = forecast([replace(one, now=failed)], as_of=d("2026-11-25"), months=7)
    assert [(j.due_on, j.planned_on) for j in made] == [
        (d("2026-11-01"), d("2026-11-25")),
        (d("2027-02-25"), d("2027-02-25")),
        (d("2027-05-25"), d("2027-05-25")),
    ]


def test_use_brings_the_job_round_sooner_than_the_interval() -> None:
    """1000 cycles at 10 a day last 100 days, less than 12 months: again and again."""
    limit = UsageLimit("cycles", Decimal(1000), Decimal(500), d("2026-11-20"), Decimal(10))
    one = replace(item("T1", 12, "2026-10-01"), usage=(limit,))
    now = standing(one.policy, one.performed, as_of=d("2026-11-25"), usage=[limit])
    made = forecast([replace(one, now=now)], as_of=d("2026-11-25"), months=10)
    first = d("2027-01-09")  # 500 left at 10 a day, from 2026-11-20
    assert days_of(made) == [first, first + timedelta(days=100), first + timedelta(days=200)]


def test_a_slow_counter_leaves_the_policys_dates_anchored() -> None:
    limit = UsageLimit("cycles", Decimal(1000), Decimal(1), d("2026-11-20"), Decimal("0.01"))
    one = item("T1", 1, "2026-10-31")
    plain = forecast([one], as_of=d("2026-11-25"), months=6)
    assert forecast([replace(one, usage=(limit,))], as_of=d("2026-11-25"), months=6) == plain
    assert days_of(plain)[:3] == [d("2026-11-30"), d("2026-12-31"), d("2027-01-31")]


def test_other_work_is_a_job_of_its_own_without_a_gauge() -> None:
    half = IntervalPolicy("P6", d("2000-01-01"), FLOAT, 6, IntervalUnit.MONTH)
    work = FurtherWork("contacts", half, d("2026-12-30"), (d("2026-06-30"),))
    one = replace(item("T1", 12, "2026-03-01"), further=(work,))
    made = forecast([one], as_of=d("2026-11-25"), months=14)
    assert days_of(made) == [d("2027-03-01")]
    assert days_of(made, "contacts") == [d("2026-12-30"), d("2027-06-30"), d("2027-12-30")]
    assert {j.gauge for j in made if j.work} == {None}
    assert {j.gauge for j in made if not j.work} == {"RG-1"}
