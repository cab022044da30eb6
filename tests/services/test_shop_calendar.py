"""Holidays, leave, closures, hours, absences, terms and groups entered and cancelled.

On a copy of the demo's site: its shop works 10 hours a week (P02 and P03 4, P04 2), two hours a
working day, and 2026-12-24 and 25 are holidays.
"""

from __future__ import annotations

import shutil
from collections.abc import Callable
from dataclasses import replace
from datetime import date
from decimal import Decimal
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from sqlalchemy import Engine
from sqlalchemy.orm import Session

from calfleet.errors import BadQuantity, CalfleetError, RecordRefused, UnknownName, UsageError
from calfleet.records import (
    GaugeAbsence,
    GaugeStatus,
    Holiday,
    LaboratoryTerms,
    PersonLeave,
    PlanningInput,
    Role,
    ShopClosure,
    Withdrawable,
    WorkingHours,
)
from calfleet.scheduling.forecast import Horizon, Period, against_capacity
from calfleet.services.bench_hours import minutes_a_day, technicians
from calfleet.services.cancel_entry import cancel_entry
from calfleet.services.enter_absence import enter_absence
from calfleet.services.enter_days_off import enter_closure, enter_holiday, enter_leave
from calfleet.services.forecast_load import Forecast, GroupBy, forecast_load, shop_capacity
from calfleet.services.group_channels import group_channels
from calfleet.services.list_due import list_due
from calfleet.services.list_shop import list_calendar, list_groups, list_hours, list_terms
from calfleet.services.make_plan import accept, keep_plan, make_plan
from calfleet.services.schedule_gauges import if_lapses, schedule_gauges
from calfleet.services.set_hours import set_hours
from calfleet.services.set_terms import set_terms
from calfleet.site import SiteFolder, read_settings
from calfleet.store.engine import open_engine
from calfleet.store.queries.planning import planning_input, plans
from calfleet.store.queries.shop import people
from calfleet.store.work import Work

TODAY = date(2026, 11, 25)
SINCE = date(2024, 1, 2)
D = Decimal


def day(text: str) -> date:
    return date.fromisoformat(text)


@pytest.fixture
def site(demo_site: Path, tmp_path: Path) -> SiteFolder:
    """A copy of the demo's site that may be written."""
    return read_settings(Path(shutil.copytree(demo_site, tmp_path / "site")))


@pytest.fixture(scope="module")
def planned_site(demo_site: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A copy of the demo's site with an accepted plan of twelve weeks."""
    root = Path(shutil.copytree(demo_site, tmp_path_factory.mktemp("planned") / "site"))
    enter(read_settings(root), _plan)
    return root


def _plan(work: Work) -> None:
    keep_plan(work, make_plan(work.session, today=TODAY, weeks=12))
    accept(work, None, "P01", TODAY)


@pytest.fixture
def planned(planned_site: Path, tmp_path: Path) -> SiteFolder:
    return read_settings(Path(shutil.copytree(planned_site, tmp_path / "planned")))


def enter(site: SiteFolder, change: Callable[[Work], Any]) -> Any:
    with site.work(actor="P01", action="test", subject="shop") as work:
        made = change(work)
        work.commit()
    return made


def looking_ahead(site: SiteFolder, months: int = 4, period: Period = Period.WEEK) -> Forecast:
    with site.asking() as reader:
        return forecast_load(
            reader, as_of=TODAY, months=months, period=period, group_by=GroupBy.AREA
        )


def capacity(site: SiteFolder) -> dict[str, int]:
    return {line.period: line.capacity_minutes for line in looking_ahead(site).capacity}


def leave(person: str, first: str, last: str) -> PersonLeave:
    return PersonLeave(person, day(first), day(last))


# --- capacity -----------------------------------------------------------------------------


def test_leave_and_closure_and_holiday_take_their_hours_and_are_told(site: SiteFolder) -> None:
    """W49: P02 (4 h a week) is away. W53 is closed; of its days 2027-01-01 is a holiday too."""
    before = {line.period: line for line in looking_ahead(site).capacity}
    enter(site, lambda w: enter_leave(w, leave("P02", "2026-11-30", "2026-12-04"), today=TODAY))
    closure = ShopClosure(day("2026-12-28"), day("2027-01-03"), "Winter stop")
    enter(site, lambda w: enter_closure(w, closure, today=TODAY))
    found = looking_ahead(site)
    after = {line.period: line for line in found.capacity}
    assert before["2026-W49"].capacity_minutes == 600
    assert (after["2026-W49"].capacity_minutes, after["2026-W49"].leave_minutes) == (360, 240)
    stop = after["2026-W53"]
    assert (stop.capacity_minutes, stop.closure_minutes, stop.holiday_minutes) == (0, 480, 120)
    assert after["2026-W52"].holiday_minutes == before["2026-W52"].holiday_minutes == 240
    untouched = set(before) - {"2026-W49", "2026-W53"}
    assert {k: after[k] for k in untouched} == {k: before[k] for k in untouched}
    assert [w.name for w in found.closed if w.days > 1] == ["Winter stop"]
    assert dict(found.leaves)["P02"][0].first == day("2026-11-30")


def test_hours_of_a_later_day_count_from_it(site: SiteFolder) -> None:
    enter(
        site,
        lambda w: set_hours(w, "P04", D(10), effective_on=day("2026-12-16"), today=TODAY),
    )
    found = capacity(site)
    # two days of 24 and three of 120 minutes instead of five of 24
    assert (found["2026-W50"], found["2026-W51"]) == (600, 600 + 3 * 96)
    assert found["2027-W02"] == 600 + 5 * 96
    with site.reading() as session:
        made = make_plan(session, today=TODAY, weeks=8)
    loads = {str(x.week): x.capacity_minutes for x in made.levelled.loads}
    assert (loads["2026-W51"], loads["2027-W02"]) == (600, 600 + 5 * 96)


def test_the_plan_and_the_forecast_count_the_same_hours(site: SiteFolder) -> None:
    enter(site, lambda w: enter_leave(w, leave("P03", "2026-12-08", "2026-12-15"), today=TODAY))
    closure = ShopClosure(day("2026-12-21"), day("2026-12-31"), "Winter stop")
    enter(site, lambda w: enter_closure(w, closure, today=TODAY))
    with site.reading() as session:
        made = make_plan(session, today=TODAY, weeks=8)
    for load in made.levelled.loads:
        assert load.capacity_minutes == capacity(site)[str(load.week)]
    away = set(np.arange("2026-12-08", "2026-12-16", dtype="datetime64[D]").astype(date))
    for a in made.levelled.assignments:
        assert a.day is not None
        assert not (a.worker == "P03" and a.day in away)
        assert not day("2026-12-21") <= a.day <= day("2026-12-31")


def test_somebody_without_the_role_brings_no_hours(site: SiteFolder) -> None:
    before = capacity(site)
    made = enter(site, lambda w: set_hours(w, "P05", D(20), effective_on=TODAY, today=TODAY))
    assert "no technician" in made.without_effect
    assert capacity(site) == before
    made = enter(
        site,
        lambda w: enter_leave(w, leave("P05", "2026-12-01", "2026-12-01"), today=TODAY),
    )
    assert "no technician" in made.without_effect
    assert capacity(site) == before


def test_whoever_ends_their_hours_is_gone_from_then_on(site: SiteFolder) -> None:
    enter(site, lambda w: set_hours(w, "P02", D(0), effective_on=day("2026-12-14"), today=TODAY))
    found = capacity(site)
    assert (found["2026-W50"], found["2026-W51"]) == (600, 360)


def test_nobody_there_at_all_is_a_refused_plan_and_a_told_forecast(site: SiteFolder) -> None:
    for person in ("P02", "P03", "P04"):
        away = leave(person, "2026-11-20", "2027-03-31")
        enter(site, lambda w, away=away: enter_leave(w, away, today=TODAY))
    found = looking_ahead(site, months=3)
    assert "everybody with bench hours is away (P02 2026-11-20 to 2027-03-31" in found.no_time
    assert all(x.capacity_minutes == 0 and x.share is None for x in found.capacity)
    assert found.jobs
    with site.reading() as session, pytest.raises(RecordRefused) as told:
        make_plan(session, today=TODAY, weeks=8)
    assert "There is no bench time from 2026-11-25 to 2027-01-17: everybody" in told.value.message
    assert looking_ahead(site, months=6).no_time == ""


def test_a_shop_closed_throughout_is_told_by_its_name(site: SiteFolder) -> None:
    closure = ShopClosure(day("2026-11-01"), day("2027-02-28"), "Moving house")
    enter(site, lambda w: enter_closure(w, closure, today=TODAY))
    assert "Moving house 2026-11-01 to 2027-02-28" in looking_ahead(site, months=2).no_time
    with site.reading() as session, pytest.raises(RecordRefused, match="Moving house"):
        make_plan(session, today=TODAY, weeks=8)


dates = st.dates(day("2026-11-20"), day("2027-03-31"))
spans = st.tuples(dates, dates).map(sorted)
inputs = st.builds(
    PlanningInput,
    holidays=st.lists(dates, max_size=4, unique=True).map(
        lambda x: tuple(Holiday(d, "h") for d in x)
    ),
    hours=st.lists(
        st.builds(
            WorkingHours,
            person=st.sampled_from(["A", "B"]),
            effective_on=dates,
            minutes_per_week=st.integers(0, 2400),
        ),
        max_size=4,
        unique_by=lambda h: (h.person, h.effective_on),
    ).map(tuple),
    leaves=st.lists(spans, max_size=3).map(lambda x: tuple(PersonLeave("A", *d) for d in x)),
    closures=st.lists(spans, max_size=2).map(lambda x: tuple(ShopClosure(*d, "c") for d in x)),
)


@given(inputs)
def test_the_shops_capacity_is_that_of_numpys_working_days(given: PlanningInput) -> None:
    """Each person's days counted by numpy.busday_count, for each stretch of one version."""
    span = Horizon(TODAY, day("2027-02-24"))
    lines = against_capacity((), span, shop_capacity(given, {"A", "B"}, TODAY), period=Period.MONTH)
    closed = {h.day for h in given.holidays}
    for c in given.closures:
        closed |= _days(c.first_on, c.last_on)
    expected = 0
    for person in ("A", "B"):
        gone = set(closed)
        for x in given.leaves:
            if x.person == person:
                gone |= _days(x.first_on, x.last_on)
        held = sorted((h.effective_on, h.minutes_per_week) for h in given.hours
                      if h.person == person)  # fmt: skip
        ends = [*(d for d, _ in held[1:]), date(2027, 2, 25)][: len(held)]
        for (since, minutes), end in zip(held, ends, strict=True):
            first, after = max(since, span.first), min(end, date(2027, 2, 25))
            if first < after:
                count = np.busday_count(first, after, holidays=sorted(gone))
                expected += int(count) * round(minutes / 5)
    assert sum(x.capacity_minutes for x in lines) == expected


def _days(first: date, last: date) -> set[date]:
    after = np.datetime64(last) + 1
    return set(np.arange(np.datetime64(first), after).astype(date))


def test_versions_of_hours_are_taken_in_order_of_their_days() -> None:
    given = PlanningInput(
        hours=(
            WorkingHours("A", day("2027-01-04"), 300),
            WorkingHours("A", day("2020-01-01"), 600),
            WorkingHours("B", day("2020-01-01"), 0),
            WorkingHours("C", day("2027-01-04"), 150),
        )
    )
    assert minutes_a_day(given, TODAY) == {
        "A": (120, ((day("2027-01-04"), 60),)),
        "C": (0, ((day("2027-01-04"), 30),)),
    }


# --- cancelling ---------------------------------------------------------------------------


def _leave(w: Work) -> None:
    enter_leave(w, leave("P02", "2026-12-01", "2026-12-18"), today=TODAY)


def _closure(w: Work) -> None:
    given = ShopClosure(day("2027-01-04"), day("2027-01-08"), "Stocktaking")
    enter_closure(w, given, today=TODAY)


def _holiday(w: Work) -> None:
    enter_holiday(w, day("2027-01-06"), "Lantern day", today=TODAY)


def _absence(w: Work) -> None:
    given = GaugeAbsence("RG-202", day("2026-12-01"), day("2026-12-10"), "lent")
    enter_absence(w, given, today=TODAY)


def _group(w: Work) -> None:
    group_channels(w, "PS-31", ["PSH-3102", "PSH-3106"], weeks_apart=2, today=TODAY)


@pytest.mark.parametrize(
    ("make", "kind", "subject", "first"),
    [
        (_leave, Withdrawable.LEAVE, "P02", "2026-12-01"),
        (_closure, Withdrawable.CLOSURE, None, "2027-01-04"),
        (_holiday, Withdrawable.HOLIDAY, None, "2027-01-06"),
        (_absence, Withdrawable.ABSENCE, "RG-202", "2026-12-01"),
        (_group, Withdrawable.GROUP, "PS-31", None),
    ],
)
def test_cancelling_restores_exactly_what_was_and_keeps_the_entry(
    site: SiteFolder,
    make: Callable[[Work], None],
    kind: Withdrawable,
    subject: str | None,
    first: str | None,
) -> None:
    def state() -> tuple[object, ...]:
        with site.reading() as session:
            schedule = schedule_gauges(session, as_of=TODAY, weeks=20)
            plan = make_plan(session, today=TODAY, weeks=4)
            return (
                planning_input(session),
                looking_ahead(site),
                schedule.lines,
                schedule.gauge_conflicts,
                plan.record,
            )

    def cancel(work: Work) -> None:
        cancel_entry(
            work, kind, subject, first_on=None if first is None else day(first), reason="mistake"
        )

    before = state()
    enter(site, make)
    assert state() != before
    enter(site, cancel)
    assert state() == before
    with site.reading() as session:
        calendar = list_calendar(session, with_cancelled=True)
        groups = list_groups(session, with_cancelled=True)
        standing = [*list_calendar(session), *list_groups(session)]
    assert [x.cancelled for x in (*calendar, *groups) if x.cancelled] == ["mistake"]
    assert all(x.cancelled is None for x in standing)
    with pytest.raises(RecordRefused, match="cancelled before"):
        enter(site, cancel)
    with pytest.raises(RecordRefused, match=r"cancelled|was, a redundant group"):
        enter(site, make)
    assert state() == before


def test_leave_that_was_cancelled_can_be_entered_in_two_parts(site: SiteFolder) -> None:
    enter(site, _leave)
    with_leave = capacity(site)
    enter(
        site,
        lambda w: cancel_entry(
            w, Withdrawable.LEAVE, "p02", first_on=day("2026-12-01"), reason="moved"
        ),
    )
    for first, last in (("2026-12-01", "2026-12-11"), ("2026-12-12", "2026-12-18")):
        given = leave("P02", first, last)
        enter(site, lambda w, given=given: enter_leave(w, given, today=TODAY))
    assert capacity(site) == with_leave


@settings(
    max_examples=6, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(first=st.integers(0, 60), length=st.integers(0, 20), who=st.sampled_from(["P02", "P04"]))
def test_any_leave_takes_at_most_what_was_there_and_gives_it_back(
    demo_site: Path,
    tmp_path_factory: pytest.TempPathFactory,
    first: int,
    length: int,
    who: str,
) -> None:
    root = Path(shutil.copytree(demo_site, tmp_path_factory.mktemp("any") / "site"))
    site = read_settings(root)
    begins = date.fromordinal(TODAY.toordinal() + first)
    given = PersonLeave(who, begins, date.fromordinal(begins.toordinal() + length))
    before = capacity(site)
    enter(site, lambda w: enter_leave(w, given, today=TODAY))
    during = capacity(site)
    assert all(during[k] <= before[k] for k in before)
    enter(
        site,
        lambda w: cancel_entry(w, Withdrawable.LEAVE, who, first_on=begins, reason="mistake"),
    )
    assert capacity(site) == before


# --- refusals -----------------------------------------------------------------------------


def holiday(on: str, name: str = "x") -> Callable[[Work], object]:
    return lambda w: enter_holiday(w, day(on), name, today=TODAY)


def closure(first: str, last: str, name: str = "x") -> Callable[[Work], object]:
    return lambda w: enter_closure(w, ShopClosure(day(first), day(last), name), today=TODAY)


def off(person: str, first: str, last: str) -> Callable[[Work], object]:
    return lambda w: enter_leave(w, leave(person, first, last), today=TODAY)


def absent(gauge: str, first: str, last: str, reason: str = "x") -> Callable[[Work], object]:
    given = GaugeAbsence(gauge, day(first), day(last), reason)
    return lambda w: enter_absence(w, given, today=TODAY)


def hours(person: str, week: str, on: str = "2026-12-01") -> Callable[[Work], object]:
    return lambda w: set_hours(w, person, D(week), effective_on=day(on), today=TODAY)


def terms(laboratory: str, *days: int, on: str = "2026-12-01") -> Callable[[Work], object]:
    return lambda w: set_terms(w, LaboratoryTerms(laboratory, day(on), *days), today=TODAY)


TO = "2026-12-09"


def group(code: str, *tags: str, apart: int = 1) -> Callable[[Work], object]:
    return lambda w: group_channels(w, code, tags, weeks_apart=apart, today=TODAY)


def gone(
    kind: Withdrawable, subject: str | None, first: str | None, reason: str = "x"
) -> Callable[[Work], object]:
    on = None if first is None else day(first)
    return lambda w: cancel_entry(w, kind, subject, first_on=on, reason=reason)


@pytest.mark.parametrize(
    ("change", "refusal", "says"),
    [
        (holiday("2026-12-25"), RecordRefused, "2026-12-25 is a holiday already: Midwinter day"),
        (holiday("2026-12-30", " "), RecordRefused, "has no name"),
        (closure("2026-12-30", "2026-12-28"), RecordRefused, "before it begins"),
        (closure("2026-12-28", "2026-12-30", ""), RecordRefused, "has no name"),
        (off("P02", "2026-12-30", "2026-12-28"), RecordRefused, "before it begins on 2026-12-30"),
        (off("P2", "2026-12-28", "2026-12-30"), UnknownName, "P2"),
        (absent("RG-204", "2026-12-18", "2026-12-20"), RecordRefused, "away from 2026-11-16"),
        (absent("RG-202", "2026-12-18", "2026-12-20", " "), RecordRefused, "has no reason"),
        (absent("RG-202", "2026-12-18", "2026-12-17"), RecordRefused, "before it begins"),
        (absent("RG-299", "2026-12-18", "2026-12-20"), UnknownName, "RG-299"),
        (hours("P02", "120.1"), BadQuantity, "120.1 bench hours"),
        (hours("P02", "-1"), BadQuantity, "-1"),
        (hours("P02", "NaN"), BadQuantity, "NaN"),
        (hours("P02", "8", "2022-01-10"), RecordRefused, "2022-01-10 already: 4 h a week"),
        (hours("P99", "8"), UnknownName, "P99"),
        (terms("WES", 1, -1, 0), BadQuantity, "-1"),
        (terms("WES", 1, 1, 1, on="2022-01-10"), RecordRefused, "2022-01-10 already"),
        (terms("WEST", 1, 1, 1), UnknownName, "WEST"),
        (group("X", "PSH-3102"), RecordRefused, "one switch only: PSH-3102"),
        (group("X", "PSH-3102", "psh-3102"), RecordRefused, "one switch only: PSH-3102"),
        (group("X", "PSH-3102", "PSH-3106", apart=0), BadQuantity, "0 weeks"),
        (group("X", "PSH-3102", "PSHH-1101A"), RecordRefused, "group PSHH-1101 already"),
        (group("pshh-1101", "PSH-3102", "PSH-3106"), RecordRefused, "was, a redundant group"),
        (group(" ", "PSH-3102", "PSH-3106"), RecordRefused, "no code"),
        (group("X", "PSH-3102", "PSH-999"), UnknownName, "PSH-999"),
        (gone(Withdrawable.HOLIDAY, None, "2026-12-24", " "), RecordRefused, "without a reason"),
        (gone(Withdrawable.HOLIDAY, None, "2026-12-26"), UnknownName, "2026-12-26"),
        (gone(Withdrawable.HOLIDAY, "P02", "2026-12-24"), UsageError, "P02"),
        (gone(Withdrawable.HOLIDAY, None, None), UsageError, "first day"),
        (gone(Withdrawable.LEAVE, None, "2026-12-24"), UsageError, "person is missing"),
        (gone(Withdrawable.LEAVE, "P02", "2026-12-24"), UnknownName, "leave of P02"),
        (gone(Withdrawable.ABSENCE, "RG-204", "2026-11-17"), UnknownName, "2026-11-17"),
        (gone(Withdrawable.GROUP, "PSHH-11", None), UnknownName, "PSHH-11"),
        (gone(Withdrawable.GROUP, "PSHH-1101", "2026-12-24"), UsageError, "day was given"),
    ],
)
def test_what_breaks_a_rule_is_refused_with_rule_and_next_step(
    site: SiteFolder, change: Callable[[Work], object], refusal: type[CalfleetError], says: str
) -> None:
    with site.reading() as session:
        before = planning_input(session)
    with pytest.raises(refusal) as told:
        enter(site, change)
    assert says in told.value.message
    assert told.value.rule
    assert told.value.next_step or isinstance(told.value, UnknownName)
    with site.reading() as session:
        assert planning_input(session) == before


@pytest.mark.parametrize(
    ("one", "other"),
    [
        (closure("2026-12-28", "2026-12-31"), closure("2026-12-31", "2027-01-05")),
        (off("P02", "2026-12-07", "2026-12-11"), off("P02", "2026-12-01", "2026-12-07")),
        (off("P02", "2026-12-07", "2026-12-11"), off("p02", "2026-12-09", "2026-12-09")),
        (absent("RG-202", "2026-12-07", "2026-12-07"), absent("RG-202", "2026-12-06", TO)),
        (group("X", "PSH-3102", "PSH-3106"), group("Y", "PSH-3106", "PSL-3107")),
    ],
)  # fmt: skip
def test_what_overlaps_is_refused(
    site: SiteFolder, one: Callable[[Work], object], other: Callable[[Work], object]
) -> None:
    enter(site, one)
    with pytest.raises(RecordRefused, match="already") as told:
        enter(site, other)
    assert "calfleet shop cancel" in told.value.next_step


def test_leave_of_two_people_and_leave_in_a_row_may_be(site: SiteFolder) -> None:
    enter(site, off("P02", "2026-12-07", "2026-12-11"))
    enter(site, off("P03", "2026-12-07", "2026-12-11"))
    enter(site, off("P02", "2026-12-12", "2026-12-12"))
    with site.reading() as session:
        assert len(planning_input(session).leaves) == 3


# --- what is touched ----------------------------------------------------------------------


def test_leave_tells_the_jobs_planned_for_the_person_in_its_weeks(planned: SiteFolder) -> None:
    with planned.reading() as session:
        number = plans(session)[-1].number
        (plan,) = [p for p in plans(session, with_assignments_of=number) if p.number == number]
    mine = [a for a in plan.assignments if a.person == "P03"]
    week = max(a.week_on for a in mine)
    wanted = sum(a.week_on == week for a in mine)
    year, number_of_week, _ = week.isocalendar()
    made = enter(planned, off("P03", str(week), f"{week}"))
    assert made.touched.jobs == wanted > 0
    assert f"gives P03 {wanted} job" in made.touched.text
    assert f"plan show {number} --week {year}-W{number_of_week:02d}" in made.touched.text
    none = enter(planned, off("P03", "2027-05-03", "2027-05-07"))
    assert (none.touched.jobs, "no job in these weeks" in none.touched.text) == (0, True)


def test_a_closure_tells_the_jobs_planned_in_it(planned: SiteFolder) -> None:
    with planned.reading() as session:
        schedule = schedule_gauges(session, as_of=TODAY, weeks=12)
    first, last = day("2026-12-01"), day("2026-12-11")
    wanted = sum(
        first <= u.day <= last and schedule.source[u.job.key] == schedule.plan
        for u in schedule.uses
    )
    made = enter(planned, closure(str(first), str(last)))
    assert made.touched.jobs == wanted > 0
    assert f"{wanted} jobs are planned then" in made.touched.text


def test_an_absence_tells_the_jobs_that_would_use_the_gauge(planned: SiteFolder) -> None:
    with planned.reading() as session:
        schedule = schedule_gauges(session, as_of=TODAY, weeks=12)
    used = [u for u in schedule.uses if u.gauge == "RG-207" and u.day > TODAY]
    on = used[0].day
    impact = if_lapses(
        schedule, "RG-207", lapses_on=on, back_on=date.fromordinal(on.toordinal() + 1)
    )
    made = enter(planned, absent("RG-207", str(on), str(on)))
    assert made.touched.jobs == len(impact.blocked) + len(impact.can_move) > 0
    assert f"{len(impact.blocked)} without another gauge" in made.touched.text
    assert "calfleet gauge-schedule --if-lapses RG-207" in made.touched.text
    with planned.reading() as session:
        after = schedule_gauges(session, as_of=TODAY, weeks=12)
    assert {c.key for c in after.gauge_conflicts} >= {
        u.job.key for u in used if u.day == on
    }  # fmt: skip


def test_fewer_hours_tell_the_weeks_that_are_too_full(planned: SiteFolder) -> None:
    made = enter(planned, hours("P03", "0", "2026-12-01"))
    with planned.reading() as session:
        schedule = schedule_gauges(session, as_of=TODAY, weeks=12)
    wanted = sum(
        u.person == "P03"
        and u.day >= day("2026-12-01")
        and schedule.source[u.job.key] == schedule.plan
        for u in schedule.uses
    )
    assert made.touched.jobs == wanted > 0
    more = enter(planned, hours("P02", "40", "2026-12-01"))
    assert (more.touched.jobs, more.before) == (0, 240)


def test_a_group_tells_the_planned_jobs_that_are_too_near(planned: SiteFolder) -> None:
    with planned.reading() as session:
        schedule = schedule_gauges(session, as_of=TODAY, weeks=12)
        grouped = {t for g in planning_input(session).redundant_groups for t in g.tags}
    alone = [
        u.job.tag
        for u in schedule.uses
        if schedule.source[u.job.key] == schedule.plan and u.job.tag not in grouped
    ]
    tags = list(dict.fromkeys(alone))[:2]
    made = enter(planned, group("NEW", *tags, apart=52))
    assert made.touched.jobs == sum(t in tags for t in alone)
    assert "too near each other" in made.touched.text


def test_without_an_accepted_plan_nothing_planned_is_touched(site: SiteFolder) -> None:
    made = enter(site, off("P02", "2026-12-07", "2026-12-11"))
    assert (made.touched.jobs, "No plan is accepted" in made.touched.text) == (0, True)
    past = enter(site, off("P02", "2026-10-05", "2026-10-09"))
    assert (past.touched.jobs, past.touched.text) == (0, "")


# --- laboratory terms ---------------------------------------------------------------------


def test_terms_move_the_days_to_send(site: SiteFolder) -> None:
    """WES takes 20 days; with 31 its gauges are sent 11 days earlier, the others as before.

    RG-102 is due on 2028-01-13; 20 days before is 2027-12-24, a holiday. RG-206 is due on
    2027-04-08. RG-204 is there already: its next day to send moves inside a weekend only.
    """
    made = enter(site, terms("WES", 4, 25, 2, on="2026-11-25"))
    assert made.before == 20
    assert {m.gauge: (m.before, m.after) for m in made.moved} == {
        "RG-102": (date(2027, 12, 23), date(2027, 12, 13)),
        "RG-206": (date(2027, 3, 19), date(2027, 3, 8)),
    }
    with site.reading() as session:
        lines = [x for x in list_terms(session, TODAY) if x.laboratory == "WES"]
    assert [(x.standing, x.days_away) for x in lines] == [("replaced", 20), ("in force", 31)]


def test_missing_terms_are_said_and_nothing_is_assumed(own_works: Engine, little: Any) -> None:
    """The small works has no terms of ACC: no gauge comes back from a calibration to come."""
    with Session(own_works) as session:
        before = schedule_gauges(session, as_of=little.today, weeks=52)
        missing = list_terms(session, little.today)
    assert [(x.laboratory, x.terms, x.standing) for x in missing] == [
        ("ACC", None, "terms are not entered")
    ]
    assert all(x.send_by is None and x.transit_days is None for x in before.lines)
    assert {x.without_terms for x in before.lines} == {"ACC"}
    (bench,) = [x for x in before.lines if x.gauge.code == "G-BENCH"]
    assert "terms of ACC are not entered" in bench.standing
    assert not before.fleet.usable("G-BENCH", date(2026, 9, 1))
    assert "terms of ACC are not entered" in (
        before.fleet.why_not("G-BENCH", date(2026, 9, 1)) or ""
    )
    with Work(own_works, actor="P1", at=little.now, action="terms", subject="ACC") as work:
        made = set_terms(work, LaboratoryTerms("ACC", little.today, 2, 5, 1), today=little.today)
        work.commit()
    assert made.before is None
    assert any(m.gauge == "G-BENCH" and m.before is None and m.after for m in made.moved)
    with Session(own_works) as session:
        after = schedule_gauges(session, as_of=little.today, weeks=52)
    assert after.fleet.usable("G-BENCH", date(2026, 9, 1))


def test_due_and_plan_say_that_terms_are_missing(sqlite_url: str, little: Any) -> None:
    """PS-1 is due on 2026-07-08; with G-REF gone, none is left."""
    sold = replace(
        little.gauge("G-REF"), revision=2, effective_on=date(2026, 3, 1), reason="sold",
        status=GaugeStatus.WITHDRAWN,
    )  # fmt: skip
    engine = open_engine(sqlite_url)
    planning = PlanningInput(hours=(WorkingHours("T1", SINCE, 1200),))
    little.build(engine, gauges=(*little.given.gauges, sold), planning=planning)
    with Session(engine) as session:
        made = make_plan(session, today=date(2026, 6, 15), weeks=30)
        due = list_due(session, as_of=little.today, until=date(2026, 9, 1))
    engine.dispose()
    (unplanned,) = [
        u for u in made.levelled.unplanned if u.tag == "PS-1" and "2026-07-08" in u.key
    ]  # fmt: skip
    assert "(terms of ACC are not entered)" in unplanned.reason
    (line,) = [x for x in due.lines if x.tag == "PS-1"]
    assert not line.readiness.ready
    assert "G-OLD overdue since 2026-01-20, terms of ACC are not entered" in line.readiness.reason


# --- listings -----------------------------------------------------------------------------


def test_hours_list_every_version_and_who_has_none(own_works: Engine, little: Any) -> None:
    with Work(own_works, actor="P1", at=little.now, action="hours", subject="T1") as work:
        set_hours(work, "T1", D(8), effective_on=date(2026, 1, 5), today=little.today)
        set_hours(work, "T1", D("7.5"), effective_on=date(2026, 2, 2), today=little.today)
        set_hours(work, "T1", D(4), effective_on=date(2026, 6, 1), today=little.today)
        set_hours(work, "P1", D(4), effective_on=date(2026, 2, 2), today=little.today)
        work.commit()
    with Session(own_works) as session:
        found = [
            (x.person, x.minutes_per_week, x.counts) for x in list_hours(session, little.today)
        ]
    assert found == [
        ("P1", 240, "no technician: does not count"),
        ("T1", 480, "replaced"),
        ("T1", 450, "in force"),
        ("T1", 240, "to come"),
        ("T2", None, "no hours: no bench time"),
    ]


def test_the_calendar_counts_working_days_and_leaves_out_what_is_over(site: SiteFolder) -> None:
    """2026-12-21 to 27: five weekdays, less two holidays (numpy.busday_count)."""
    enter(site, off("P02", "2026-12-21", "2026-12-27"))
    enter(site, closure("2026-12-28", "2027-01-03"))
    enter(site, off("P02", "2026-10-05", "2026-10-09"))
    with site.reading() as session:
        found = list_calendar(session, since=TODAY)
        everything = list_calendar(session)
    ((days, working),) = [(x.days, x.working_days) for x in found if x.kind is Withdrawable.LEAVE]
    expected = np.busday_count("2026-12-21", "2026-12-28", holidays=["2026-12-24", "2026-12-25"])
    assert (days, working) == (7, int(expected)) == (7, 3)
    (shut,) = [x for x in found if x.kind is Withdrawable.CLOSURE]
    assert (shut.days, shut.working_days) == (7, 5)
    assert len(everything) == len(found) + 1


# --- who is a technician ------------------------------------------------------------------


def test_technicians_are_those_of_the_people_on_both_databases(
    session: Session, little: Any
) -> None:
    """The small question of planning against the people as the rest of the program reads them."""
    for on in (little.today, date(2024, 1, 1), date(2024, 1, 2)):
        held = {c for c, p in people(session).items() if p.holds(Role.TECHNICIAN, on)}
        assert technicians(session, on) == held
    assert technicians(session, little.today) == {"T1", "T2"}


def test_technicians_are_found_through_the_drivers_own_connection(demo_site: Path) -> None:
    with read_settings(demo_site).asking() as reader:
        assert technicians(reader, TODAY) == {"P02", "P03", "P04"}
