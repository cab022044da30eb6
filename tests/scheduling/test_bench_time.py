"""Bench time against numpy.busday_count, dateutil.rrule and ISO 8601 weeks (datetime)."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta

import numpy as np
import pytest
from dateutil.rrule import rrulestr
from hypothesis import given
from hypothesis import strategies as st

from calfleet.errors import BadQuantity, RecordRefused
from calfleet.records import Quantity
from calfleet.scheduling.bench_time import minutes_then, no_bench_time
from calfleet.scheduling.calendar import Window, WorkingCalendar, days_through, iso_week
from calfleet.scheduling.forecast import Capacity, Horizon, Period, Worker, against_capacity
from calfleet.scheduling.plan import make_plan
from calfleet.scheduling.plan_check import check_plan
from calfleet.scheduling.plan_model import (
    GaugeAvailability,
    PlanInput,
    PlanJob,
    PlanWorker,
    Skill,
)

START = date(2026, 11, 30)  # a Monday, ISO week 2026-W49
P = Quantity.PRESSURE


def day(n: int) -> date:
    return START + timedelta(days=n)


days = st.integers(0, 120).map(day)
windows = st.tuples(days, st.integers(0, 30)).map(
    lambda x: Window(x[0], x[0] + timedelta(days=x[1]))
)
calendars = st.builds(
    WorkingCalendar,
    holidays=st.frozensets(days, max_size=8),
    shutdowns=st.lists(windows, max_size=3).map(tuple),
)
changes = st.dictionaries(days, st.integers(0, 600), max_size=3).map(
    lambda x: tuple(sorted(x.items()))
)
workers = st.builds(
    Worker,
    name=st.just("ann"),
    minutes_per_day=st.integers(0, 600),
    away=st.lists(windows, max_size=3).map(tuple),
    changes=changes,
)
SPAN = Horizon(START, day(120))


def all_days(found: tuple[Window, ...]) -> set[date]:
    return {d for w in found for d in days_through(w.first, w.last)}


def total(capacity: Capacity) -> int:
    return sum(capacity.minutes_on(d) for d in days_through(SPAN.first, SPAN.last))


@given(calendars, windows)
def test_working_days_are_those_of_two_other_libraries(
    calendar: WorkingCalendar, span: Window
) -> None:
    """numpy.busday_count with the closed days as holidays; a daily rrule of Monday to Friday."""
    closed = calendar.holidays | all_days(calendar.shutdowns)
    after = span.last + timedelta(days=1)
    counted = np.busday_count(span.first, after, holidays=sorted(closed))
    assert calendar.count(span.first, span.last) == counted
    ruled = rrulestr(
        f"DTSTART:{span.first:%Y%m%d}T000000\n"
        f"RRULE:FREQ=DAILY;BYDAY=MO,TU,WE,TH,FR;UNTIL={span.last:%Y%m%d}T000000"
    )
    assert calendar.count(span.first, span.last) == sum(d.date() not in closed for d in ruled)


@given(calendars, st.lists(windows, max_size=3).map(tuple), st.integers(0, 600))
def test_capacity_is_minutes_times_the_days_there(
    calendar: WorkingCalendar, away: tuple[Window, ...], minutes: int
) -> None:
    """Against numpy.busday_count with closures, holidays and leave all as holidays."""
    gone = calendar.holidays | all_days(calendar.shutdowns) | all_days(away)
    there = np.busday_count(SPAN.first, SPAN.last + timedelta(days=1), holidays=sorted(gone))
    assert total(Capacity((Worker("ann", minutes, away),), calendar)) == minutes * there


@given(calendars, st.lists(workers, max_size=3), st.sampled_from(Period))
def test_what_is_left_and_what_is_lost_are_the_whole(
    calendar: WorkingCalendar, people: list[Worker], period: Period
) -> None:
    found = against_capacity((), SPAN, Capacity(tuple(people), calendar), period=period)
    bare = Capacity(tuple(replace(w, away=()) for w in people), WorkingCalendar())
    whole = against_capacity((), SPAN, bare, period=period)
    for line, without in zip(found, whole, strict=True):
        assert line.capacity_minutes + line.lost_minutes == without.capacity_minutes
        assert min(line.holiday_minutes, line.closure_minutes, line.leave_minutes) >= 0
        assert without.lost_minutes == 0


@given(calendars, workers, windows)
def test_leave_and_closures_never_add_hours(
    calendar: WorkingCalendar, worker: Worker, more: Window
) -> None:
    before = total(Capacity((worker,), calendar))
    on_leave = replace(worker, away=(*worker.away, more))
    shut = replace(calendar, shutdowns=(*calendar.shutdowns, more))
    assert total(Capacity((on_leave,), calendar)) <= before
    assert total(Capacity((worker,), shut)) <= before


@given(calendars, st.lists(workers, max_size=3))
def test_no_bench_time_is_told_exactly_when_there_is_none(
    calendar: WorkingCalendar, people: list[Worker]
) -> None:
    capacity = Capacity(tuple(people), calendar)
    assert (capacity.why_none(SPAN) == "") == (total(capacity) > 0)


@given(st.integers(0, 600), changes, days)
def test_minutes_are_those_of_the_last_change(
    first: int, later: tuple[tuple[date, int], ...], on: date
) -> None:
    in_force = [m for since, m in later if since <= on]
    assert minutes_then(on, first, later) == (in_force[-1] if in_force else first)


@given(changes, days)
def test_a_weeks_minutes_are_the_fewest_of_its_days(
    later: tuple[tuple[date, int], ...], on: date
) -> None:
    """The days of an ISO 8601 week by datetime.fromisocalendar."""
    worker = PlanWorker("ann", (), 240, changes=later)
    year, week, _ = on.isocalendar()
    same = [worker.minutes_on(date.fromisocalendar(year, week, n)) for n in range(1, 8)]
    assert worker.minutes_in(iso_week(on)) == worker.minutes_for(on) == min(same)


# --- in a levelled plan ---------------------------------------------------------------------


def job(key: str, first: int, last: int, minutes: int = 60) -> PlanJob:
    return PlanJob(key, key, day(last), day(first), day(last), minutes, "A", P, ("G1",), 365)


def plan_input(*workers: PlanWorker, jobs: int = 8, **more: object) -> PlanInput:
    asked: dict[str, object] = {
        "jobs": tuple(job(f"J{n}", 0, 27) for n in range(jobs)),
        "workers": workers,
        "gauges": (GaugeAvailability("G1", (Window(date.min, date.max),)),),
        "calendar": WorkingCalendar(),
        "first": START,
        "weeks": 4,
    }
    return PlanInput(**{**asked, **more})  # type: ignore[arg-type]


def ann(minutes: int = 24, **more: object) -> PlanWorker:
    return PlanWorker("ann", (Skill(P),), minutes, **more)  # type: ignore[arg-type]


def test_a_plan_keeps_to_hours_that_change() -> None:
    """Two jobs of 60 minutes fill a week of 5 x 24 minutes; none is left after the change to 0."""
    asked = plan_input(ann(changes=((day(14), 0),)))
    made = make_plan(asked)
    assert check_plan(made, asked) == []
    assert {str(a.week) for a in made.assignments} == {"2026-W49", "2026-W50"}
    assert len(made.assignments) == 4
    assert [line.capacity_minutes for line in made.loads] == [120, 120, 0, 0]
    more = plan_input(ann(0, changes=((day(14), 48),)))
    made = make_plan(more)
    assert check_plan(made, more) == []
    assert {str(a.week) for a in made.assignments} == {"2026-W51", "2026-W52"}
    assert [line.capacity_minutes for line in made.loads] == [0, 0, 240, 240]


def test_hours_that_change_within_a_week_count_from_the_next_one() -> None:
    rising = make_plan(plan_input(ann(24, changes=((day(2), 48),))))
    falling = make_plan(plan_input(ann(48, changes=((day(2), 24),))))
    assert [x.capacity_minutes for x in rising.loads] == [120, 240, 240, 240]
    assert [x.capacity_minutes for x in falling.loads] == [120, 120, 120, 120]


def test_leave_and_closures_take_the_weeks_capacity() -> None:
    leave = Window(day(0), day(4), "leave")
    shut = WorkingCalendar(
        holidays=frozenset({day(7)}), shutdowns=(Window(day(14), day(17), "winter stop"),)
    )
    asked = plan_input(ann(away=(leave,)), calendar=shut)
    made = make_plan(asked)
    assert check_plan(made, asked) == []
    assert [x.capacity_minutes for x in made.loads] == [0, 96, 24, 120]
    assert all(a.first not in leave for a in made.assignments)


def test_a_job_that_nobody_is_there_for_says_where_each_is() -> None:
    """Each of five people lacks something else in the first week; a sixth has another trade."""
    first_week = Window(day(0), day(4), "leave")
    people = (
        ann(away=(first_week,)),
        PlanWorker("bob", (Skill(P, Window(day(-9), day(-1))),), 48),
        PlanWorker("cat", (Skill(P),), 48, changes=((day(-1), 0), (day(7), 48))),
        PlanWorker("dan", (Skill(P, Window(day(3), day(90))),), 48, away=(first_week,)),
        PlanWorker("eve", (Skill(Quantity.VACUUM),), 48),
    )
    asked = plan_input(*people, jobs=0)
    made = make_plan(replace(asked, jobs=(job("J", 0, 4),)))
    (unplanned,) = made.unplanned
    assert unplanned.reason == (
        f"Nobody qualified for pressure is there in 2026-W49: ann away {day(0)} to {day(4)}; "
        f"bob qualified {day(-9)} to {day(-1)}; cat without bench hours; "
        f"dan away {day(0)} to {day(4)}."
    )


@given(calendars, st.lists(windows, max_size=3).map(tuple), windows)
def test_a_plans_weeks_never_gain_by_leave(
    calendar: WorkingCalendar, away: tuple[Window, ...], more: Window
) -> None:
    def weeks(*gone: Window) -> list[int]:
        try:
            asked = plan_input(ann(away=gone), jobs=0, calendar=calendar, weeks=16)
        except RecordRefused:
            return [0] * 16
        return [line.capacity_minutes for line in make_plan(asked).loads]

    assert all(a <= b for a, b in zip(weeks(*away, more), weeks(*away), strict=True))


@pytest.mark.parametrize(
    ("workers", "calendar", "why"),
    [
        ((), WorkingCalendar(), "nobody has bench hours"),
        ((ann(0),), WorkingCalendar(), "nobody has bench hours on these days"),
        (
            (ann(away=(Window(day(-7), day(60), "leave"),)),),
            WorkingCalendar(),
            f"everybody with bench hours is away (ann {day(-7)} to {day(60)})",
        ),
        (
            (ann(),),
            WorkingCalendar(shutdowns=(Window(day(-1), day(40), "winter stop"),)),
            f"the shop works on no day (winter stop {day(-1)} to {day(40)})",
        ),
    ],
)
def test_a_plan_without_any_bench_time_is_refused_and_says_why(
    workers: tuple[PlanWorker, ...], calendar: WorkingCalendar, why: str
) -> None:
    with pytest.raises(RecordRefused) as told:
        plan_input(*workers, calendar=calendar)
    assert why in told.value.message
    assert "closures" in told.value.next_step


def test_everybody_is_away_in_turn_though_never_all_at_once() -> None:
    """One of two is always there: bench time, whoever is away."""
    calendar = WorkingCalendar()
    first, second = Window(day(0), day(9)), Window(day(10), day(27))
    people = [("ann", lambda _: 24, (first,)), ("bob", lambda _: 24, (second,))]
    assert no_bench_time(people, calendar, day(0), day(27)) == ""
    assert "bob" in no_bench_time(people[1:], calendar, day(10), day(27))


def test_more_than_a_day_is_refused_in_a_change_too() -> None:
    with pytest.raises(BadQuantity, match="1441"):
        ann(changes=((day(3), 1441),))
    with pytest.raises(BadQuantity, match="1441"):
        Capacity((Worker("ann", 60, changes=((day(3), 1441),)),), WorkingCalendar())
