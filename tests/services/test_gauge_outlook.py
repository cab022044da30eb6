"""Whether a gauge will be usable on a coming day: one answer for every question of planning.

The demo's story: RG-204 is at WES from 2026-11-16 and back after 2026-12-18; RG-303 runs out on
2026-12-04 and is calibrated in the shop from 2026-12-07 to 2026-12-11.
"""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta
from pathlib import Path

import pytest

from calfleet.records import GaugeStatus
from calfleet.scheduling.forecast import Period
from calfleet.services.bench_facts import gather, in_force
from calfleet.services.forecast_load import GroupBy, forecast_load
from calfleet.services.gauge_outlook import GaugeOutlook, gauge_cares, gauge_outlook
from calfleet.services.list_due import list_due
from calfleet.services.list_gauges import fitting_gauges
from calfleet.services.make_plan import make_plan
from calfleet.services.schedule_gauges import schedule_gauges
from calfleet.site import SiteFolder, read_settings
from calfleet.store.queries.planning import planning_input

TODAY = date(2026, 11, 25)
END = date(2027, 10, 31)


@pytest.fixture(scope="module")
def site(demo_site: Path) -> SiteFolder:
    return read_settings(demo_site)


@pytest.fixture(scope="module")
def outlook(site: SiteFolder) -> GaugeOutlook:
    with site.reading() as session:
        return gauge_outlook(gather(session), planning_input(session).terms, TODAY, END)


def test_a_gauge_that_comes_back_is_counted_on_from_then(outlook: GaugeOutlook) -> None:
    """From the demo's input: out of date from 12-05, away through 12-11."""
    assert outlook.why_not("RG-303", date(2026, 12, 4)) is None
    assert (
        outlook.why_not("RG-303", date(2026, 12, 5))
        == "overdue since 2026-12-04, back on 2026-12-12"
    )
    away = outlook.why_not("RG-303", date(2026, 12, 9))
    assert away is not None
    assert away.startswith("away 2026-12-07 to 2026-12-11: ")
    assert outlook.usable("RG-303", date(2026, 12, 31))
    assert outlook.back_on("RG-303", date(2026, 12, 31)) == date(2026, 12, 12)
    assert outlook.back_on("RG-101", date(2026, 12, 31)) is None
    assert outlook.why_not("RG-NONE", TODAY) == f"no certificate on {TODAY}"


def test_a_gauge_nobody_sent_is_here_today(outlook: GaugeOutlook, site: SiteFolder) -> None:
    """RG-303 must be sent by 2026-12-01: seen from 12-03 it is late, and still on the bench."""
    day = date(2026, 12, 3)
    with site.reading() as session:
        facts = replace(gather(session), absences=())
        seen = gauge_outlook(facts, planning_input(session).terms, day, END)
    assert seen.usable("RG-303", day)
    assert seen.why_not("RG-303", day + timedelta(days=1)) is not None


def test_without_laboratory_times_nothing_is_assumed(site: SiteFolder) -> None:
    with site.reading() as session:
        facts = replace(gather(session), absences=())
        seen = gauge_outlook(facts, (), TODAY, END)
    assert seen.usable("RG-303", date(2026, 12, 4))
    why = "overdue since 2026-12-04, terms of SHOP are not entered"
    assert seen.why_not("RG-303", date(2026, 12, 31)) == why
    assert "terms of WES are not entered" in str(seen.why_not("RG-204", date(2027, 6, 1)))


def test_a_data_sheet_that_takes_a_gauge_out_of_service_counts_from_its_day(
    site: SiteFolder,
) -> None:
    with site.reading() as session:
        facts, terms = gather(session), planning_input(session).terms
    sheets = facts.gauges["RG-102"]
    now = in_force(sheets, TODAY)
    assert now is not None
    gone = replace(
        now,
        effective_on=date(2027, 1, 10),
        revision=now.revision + 1,
        status=GaugeStatus.WITHDRAWN,
    )
    facts = replace(facts, gauges={**facts.gauges, "RG-102": (*sheets, gone)})
    seen = gauge_outlook(facts, terms, TODAY, END)
    assert seen.usable("RG-102", date(2027, 1, 9))
    assert seen.why_not("RG-102", date(2027, 1, 10)) == "withdrawn from 2027-01-10 on"
    assert any(c.ends for c in gauge_cares(facts, terms, TODAY))


def test_due_and_gauge_schedule_and_forecast_agree_on_every_job(site: SiteFolder) -> None:
    """Every switch due in eleven months: a gauge by one is a gauge by the others, and the same.

    Due dates on working days only: the schedule takes the working day before one that is none.
    """
    with site.reading() as session:
        schedule = schedule_gauges(session, as_of=TODAY, weeks=48)
        ahead = forecast_load(
            session, as_of=TODAY, months=11, period=Period.MONTH, group_by=GroupBy.GAUGE
        )
    with site.asking() as reader:
        due = list_due(reader, as_of=TODAY, until=END)
    lacking = {(c.tag, c.day): c for c in schedule.gauge_conflicts}
    uses = {(u.job.tag, u.day): u for u in schedule.uses}
    jobs = {(j.tag, j.planned_on): j for j in ahead.jobs if not j.work}
    seen = 0
    for line in due.lines:
        assert line.due_on is not None
        key = (line.tag, max(line.due_on, TODAY))
        if key not in uses or "calibration" not in line.work:
            continue
        seen += 1
        assert line.readiness.ready == (key not in lacking), line
        told = line.readiness.gauge
        assert told == (schedule.gauge_for(uses[key]) if line.readiness.ready else None), line
        assert jobs[key].gauge == told, line
    assert seen > 80
    assert any(not line.readiness.ready for line in due.lines)
    assert any(line.readiness.back_on for line in due.lines)


def test_the_gauges_for_a_switch_on_a_coming_day_are_those_of_the_due_list(
    site: SiteFolder,
) -> None:
    with site.asking() as reader:
        due = list_due(reader, as_of=TODAY, until=date(2026, 12, 31))
    with site.reading() as session:
        for line in due.lines:
            assert line.due_on is not None
            on = max(line.due_on, TODAY)
            choice = fitting_gauges(session, line.tag, on=on, today=TODAY)
            usable = [o for o in choice.options if o.usable]
            first = usable[0] if usable else None
            assert (first and first.gauge.code) == line.readiness.gauge, line.tag
            assert (first and first.back_on) == line.readiness.back_on, line.tag
            assert ("gauge-schedule" in choice.basis) == (on > TODAY)
        by_records = fitting_gauges(session, "VSL-1104A", on=date(2026, 12, 31))
    assert not any(o.usable for o in by_records.options)
    assert any(line.readiness.back_on for line in due.lines)


def test_the_plan_uses_gauges_when_the_outlook_says_they_are_there(
    site: SiteFolder, outlook: GaugeOutlook
) -> None:
    with site.reading() as session:
        made = make_plan(session, today=TODAY, weeks=8)
    assert made.levelled.assignments
    for a in made.levelled.assignments:
        if a.gauge in outlook.fleet.free:
            assert outlook.usable(a.gauge, a.first), a
            assert outlook.usable(a.gauge, a.last), a
    for told in made.given.gauges:
        if told.code in outlook.fleet.free:
            for n in range(56):
                day = TODAY + timedelta(days=n)
                assert told.usable_on(day) == outlook.usable(told.code, day), (told.code, day)
