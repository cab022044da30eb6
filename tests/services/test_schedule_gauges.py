"""Gauges on the calendar of the demo's site: trips, spares, conflicts and lapses.

The demo's story: RG-204 is at WES from 2026-11-16 and back after 2026-12-18; RG-303 runs out on
2026-12-04 and is calibrated in the shop from 2026-12-07 to 2026-12-11.
"""

from __future__ import annotations

import shutil
from datetime import date, timedelta
from pathlib import Path

import pytest

from calfleet.errors import UnknownName, UsageError
from calfleet.records import ShopClosure
from calfleet.scheduling.gauge_plan import ChoiceKind
from calfleet.services.enter_days_off import enter_closure
from calfleet.services.list_due import list_due
from calfleet.services.make_plan import accept, keep_plan, make_plan
from calfleet.services.schedule_gauges import GaugeSchedule, if_lapses, schedule_gauges
from calfleet.site import read_settings

TODAY = date(2026, 11, 25)


@pytest.fixture(scope="module")
def found(demo_site: Path) -> GaugeSchedule:
    with read_settings(demo_site).reading() as session:
        return schedule_gauges(session, as_of=TODAY, weeks=52)


def test_a_gauge_is_sent_by_its_laboratorys_days(found: GaugeSchedule) -> None:
    """RG-101: NMH takes 5 + 20 + 3 days, valid until 2027-09-16 (sample input)."""
    (line,) = [x for x in found.lines if x.gauge.code == "RG-101"]
    assert (line.transit_days, line.laboratory_days, line.review_days) == (5, 20, 3)
    assert line.due_on == date(2027, 9, 16)
    assert line.send_by == line.due_on - timedelta(days=28) == date(2027, 8, 19)
    assert line.away is not None
    assert (line.away.first, line.back_on) == (date(2027, 8, 19), date(2027, 9, 16))
    assert line.days_out_of_date == 0
    assert line.standing == "to be sent by 2027-08-19"


def test_a_gauge_is_sent_on_a_working_day(found: GaugeSchedule) -> None:
    """RG-201: 3 days in the shop before 2027-09-15 is a Sunday, so the Friday before it is told."""
    assert all(x.send_by is not None and found.calendar.is_working(x.send_by) for x in found.lines)
    (line,) = [x for x in found.lines if x.gauge.code == "RG-201"]
    assert line.due_on - timedelta(days=3) == date(2027, 9, 12)
    assert date(2027, 9, 12).isoweekday() == 7
    assert line.send_by == date(2027, 9, 10)
    assert line.standing == "to be sent by 2027-09-10"


def test_a_closed_shop_sends_before_it_closes(demo_site: Path, tmp_path: Path) -> None:
    """RG-201 again, with the shop closed in the week before."""
    folder = read_settings(Path(shutil.copytree(demo_site, tmp_path / "site")))
    closed = ShopClosure(date(2027, 9, 6), date(2027, 9, 10), "Moving house")
    with folder.work(actor="P01", action="closure", subject="2027-09-06") as work:
        enter_closure(work, closed, today=TODAY)
        work.commit()
    with folder.reading() as session:
        lines = schedule_gauges(session, as_of=TODAY, weeks=52).lines
    assert {x.send_by for x in lines if x.gauge.code == "RG-201"} == {date(2027, 9, 3)}


def test_an_absence_on_record_counts_and_the_lapse_is_told(found: GaugeSchedule) -> None:
    first = {x.gauge.code: x for x in reversed(found.lines)}
    at_laboratory, late = first["RG-204"], first["RG-303"]
    assert at_laboratory.standing == "at the laboratory since 2026-11-16"
    assert at_laboratory.back_on == date(2026, 12, 19)
    assert late.away is not None
    assert (late.away.first, late.away.last) == (date(2026, 12, 7), date(2026, 12, 11))
    assert late.days_out_of_date == 7  # 2026-12-05 through 2026-12-11
    assert first["RG-102"].trip is None
    assert first["RG-102"].standing == "valid throughout"


def test_spares_are_gauges_that_would_do_for_its_jobs(found: GaugeSchedule) -> None:
    for line in found.lines:
        able = [u for u in found.uses if line.gauge.code in u.job.gauges]
        for spare in line.spares:
            assert spare.of == len(able)
            assert spare.jobs == sum(spare.gauge in u.job.gauges for u in able) > 0
            assert spare.gauge != line.gauge.code


def test_every_job_without_a_gauge_on_its_day_is_a_conflict(found: GaugeSchedule) -> None:
    """Against the due list, which judges each gauge for the day by the bench's own rule."""
    lacking = {(c.tag, c.day) for c in found.gauge_conflicts}
    with_gauge = {(u.job.tag, u.day) for u in found.uses} - lacking
    assert {tag for tag, _ in lacking} >= {"VSL-7205", "PDSH-4413", "VSH-6107"}
    assert with_gauge
    pull = next(c for c in found.gauge_conflicts if c.tag == "PSL-2201")
    kinds = {c.kind: c for c in pull.choices}
    assert set(kinds) == {
        ChoiceKind.PULL_FORWARD, ChoiceKind.SEND_EARLIER, ChoiceKind.SEND_LATER,
    }  # fmt: skip
    assert kinds[ChoiceKind.SEND_LATER].also_blocks


def test_the_due_list_agrees_on_what_lacks_a_gauge_at_once(
    found: GaugeSchedule, demo_site: Path
) -> None:
    with read_settings(demo_site).asking() as reader:
        lines = list_due(reader, as_of=TODAY, until=date(2026, 12, 31)).lines
    # while no gauge on record changes, both must say the same
    without = {x.tag for x in lines if not x.readiness.ready and x.due_on < TODAY}  # type: ignore[operator]
    lacking = {c.tag for c in found.gauge_conflicts if c.day == TODAY}
    assert without <= lacking


def test_the_lapse_of_a_gauge_blocks_jobs_without_another(found: GaugeSchedule) -> None:
    impact = if_lapses(found, "rg-204", lapses_on=date(2026, 12, 20))
    assert [u.job.tag for u in impact.blocked]
    assert {u.job.gauges for u in impact.blocked} == {("RG-204",)}
    assert all(u.day >= date(2026, 12, 20) for u in impact.blocked)
    many = if_lapses(found, "RG-202", lapses_on=TODAY)
    assert many.can_move
    for use, other in many.can_move:
        assert other in use.job.gauges
        assert other != "RG-202"
    with pytest.raises(UnknownName):
        if_lapses(found, "RG-999")
    with pytest.raises(UsageError, match="before it lapses"):
        if_lapses(found, "RG-202", lapses_on=TODAY, back_on=TODAY)


def test_the_accepted_plan_gives_the_days(demo_site: Path, tmp_path: Path) -> None:
    site = read_settings(Path(shutil.copytree(demo_site, tmp_path / "site")))
    with site.work(actor="P06", action="plan", subject="x") as work:
        made = make_plan(work.session, today=TODAY, weeks=6)
        keep_plan(work, made)
        work.commit()
    with site.reading() as session:
        assert schedule_gauges(session, as_of=TODAY, weeks=6).plan is None, "not accepted yet"
    with site.work(actor="P06", action="accept", subject="x") as work:
        accept(work, made.record.number, "P06", TODAY)
        work.commit()
    with site.reading() as session:
        found = schedule_gauges(session, as_of=TODAY, weeks=6)
    assert found.plan == made.record.number
    planned = {a.key: a for a in made.levelled.assignments}
    for use in found.uses:
        place = planned.get(use.job.key)
        if place is None:
            assert found.source[use.job.key] == "due date"
            continue
        assert found.source[use.job.key] == made.record.number
        assert (use.day, use.gauge, use.person) == (place.day, place.gauge, place.worker)
    # what the plan placed has its gauge and its person
    lacking = {c.key for c in (*found.gauge_conflicts, *found.person_conflicts)}
    assert not lacking & set(planned)


def test_a_horizon_without_weeks_is_refused(demo_site: Path) -> None:
    with read_settings(demo_site).reading() as session, pytest.raises(UsageError):
        schedule_gauges(session, as_of=TODAY, weeks=0)
