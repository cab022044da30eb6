"""Deferrals, outages, use and the forecast, on the demo's site and on small facts."""

from __future__ import annotations

import shutil
from datetime import date
from decimal import Decimal
from pathlib import Path

import pytest

from calfleet.errors import DateRefused, PersonRefused, RecordRefused
from calfleet.records import Outage, UsageReading, UsageRule
from calfleet.scheduling.forecast import Period
from calfleet.services.defer import defer
from calfleet.services.forecast_load import GroupBy, forecast_load
from calfleet.services.list_due import list_due
from calfleet.services.plan_facts import DueFacts
from calfleet.site import SiteFolder, read_settings
from calfleet.store.queries.planning import deferrals, planning_input
from calfleet.store.queries.switches import in_force

TODAY = date(2026, 11, 25)
GOOD = {
    "until": date(2026, 12, 10),
    "reason": "Spare part",
    "risk": "Watched by the shift",
    "requested_by": "P01",
    "requested_on": TODAY,
    "approved_by": "P07",
    "approved_on": TODAY,
}


@pytest.fixture
def site(demo_site: Path, tmp_path: Path) -> SiteFolder:
    """A copy of the demo's site that may be written."""
    return read_settings(Path(shutil.copytree(demo_site, tmp_path / "site")))


def put_off(site: SiteFolder, tag: str, **changes: object) -> None:
    with site.work(actor="P01", action="defer", subject=tag) as work:
        defer(work, tag, today=TODAY, **(GOOD | changes))  # type: ignore[arg-type]
        work.commit()


def test_a_deferral_moves_the_date_and_keeps_it(site: SiteFolder) -> None:
    put_off(site, "PSH-3102")
    with site.asking() as reader:
        (made,) = deferrals(reader)["PSH-3102"]
        lines = list_due(reader, as_of=TODAY, until=date(2026, 12, 31)).lines
    assert (made.due_on, made.until) == (date(2026, 11, 30), date(2026, 12, 10))
    line = next(x for x in lines if x.tag == "PSH-3102")
    assert line.due_on == date(2026, 12, 10)
    assert line.status == "deferred"
    assert "2026-11-30" in line.why


def test_a_deferral_is_by_one_interval_at_most(site: SiteFolder) -> None:
    """PSL-2101 is due on 2026-12-08 by S06, six months without grace: a mistyped year is refused.

    Common practice, no source: what is put off for longer than its interval has another interval.
    """
    with pytest.raises(RecordRefused, match="reaches past 2027-06-08"):
        put_off(site, "PSL-2101", until=date(2036, 12, 18))
    with pytest.raises(RecordRefused, match="reaches past 2027-06-08"):
        put_off(site, "PSL-2101", until=date(2027, 6, 9))
    with site.asking() as reader:
        assert "PSL-2101" not in deferrals(reader)
    put_off(site, "PSL-2101", until=date(2027, 6, 8))


@pytest.mark.parametrize(
    ("changes", "refusal", "words"),
    [
        ({"approved_by": "P01"}, PersonRefused, "may not approve"),
        ({"requested_by": "P07"}, RecordRefused, "requested and approved by P07"),
        ({"requested_by": "P02"}, PersonRefused, "may not ask"),
        ({"until": date(2026, 11, 30)}, RecordRefused, "puts nothing off"),
        ({"risk": " "}, RecordRefused, "risk statement"),
        ({"approved_on": date(2026, 11, 24)}, DateRefused, "before it was requested"),
    ],
)
def test_a_deferral_that_breaks_a_rule_changes_nothing(
    site: SiteFolder, changes: dict[str, object], refusal: type[Exception], words: str
) -> None:
    with pytest.raises(refusal, match=words):
        put_off(site, "PSH-3102", **changes)
    with site.asking() as reader:
        assert "PSH-3102" not in deferrals(reader)


def test_what_is_overdue_cannot_be_deferred_and_nothing_twice(site: SiteFolder) -> None:
    with pytest.raises(DateRefused, match="when the date had passed"):
        put_off(site, "PSL-1108")
    put_off(site, "PSH-3102")
    with pytest.raises(RecordRefused, match="number 2"):
        put_off(site, "PSH-3102", until=date(2026, 12, 20))


def test_use_is_counted_from_the_last_calibration_between_readings() -> None:
    facts = DueFacts(
        rules={"T": [UsageRule("T", "cycles", Decimal(1000), date(2025, 1, 1))]},
        readings={
            "T": [
                UsageReading("T", "cycles", Decimal(100), date(2026, 1, 1)),
                UsageReading("T", "cycles", Decimal(300), date(2026, 1, 11)),
                UsageReading("T", "cycles", Decimal(900), date(2026, 2, 1)),
            ]
        },
    )
    # half way between 100 and 300 on the day of the calibration: 200 then, 700 since
    (limit,) = facts.usage_of("T", date(2026, 1, 6), date(2026, 3, 1))
    assert (limit.used, limit.read_on) == (Decimal(700), date(2026, 2, 1))
    # a reading after the day asked for is not known yet
    (earlier,) = facts.usage_of("T", date(2026, 1, 6), date(2026, 1, 20))
    assert earlier.used == Decimal(100)
    assert facts.usage_of("T", date(2026, 1, 6), date(2024, 1, 1)) == []


def test_an_outage_concerns_its_areas_and_outage_bound_switches_only(demo_site: Path) -> None:
    facts = DueFacts(
        outages=(
            Outage("ALL", 1, "all", date(2027, 7, 5), date(2027, 7, 23)),
            Outage("FWS", 1, "feedwater", date(2027, 3, 1), date(2027, 3, 5), "", ("FWS",)),
        )
    )
    with read_settings(demo_site).reading() as session:
        switches = {s.tag: s for s in in_force(session, TODAY)}
    bound = facts.outages_for(switches["PSHH-1101A"])
    assert bound is not None
    assert [w.name for w in bound.windows] == ["all"]
    assert facts.outages_for(switches["PSL-1108"]) is None


def test_outage_bound_switches_are_due_at_their_outage(demo_site: Path) -> None:
    with read_settings(demo_site).asking() as reader:
        given = planning_input(reader)
        lines = list_due(reader, as_of=TODAY, until=date(2027, 8, 31)).lines
    revision = next(o for o in given.outages if o.code == "REV-2027")
    bound = [x for x in lines if x.outage_bound]
    assert bound
    assert {x.due_on for x in bound} == {revision.last_on}
    assert all("outage" in x.why for x in bound)


@pytest.mark.parametrize("group_by", list(GroupBy))
def test_the_forecast_adds_up_whatever_it_is_split_by(demo_site: Path, group_by: GroupBy) -> None:
    with read_settings(demo_site).asking() as reader:
        found = forecast_load(
            reader, as_of=TODAY, months=12, period=Period.MONTH, group_by=group_by
        )
    assert sum(x.jobs for x in found.lines) == len(found.jobs)
    assert sum(x.bench_minutes for x in found.lines) == sum(j.bench_minutes for j in found.jobs)
    assert sum(x.bench_minutes for x in found.capacity) == sum(j.bench_minutes for j in found.jobs)
    assert any(j.recurs for j in found.jobs), "half-yearly switches come round again"


def test_the_capacity_is_the_hours_of_people_on_working_days(demo_site: Path) -> None:
    with read_settings(demo_site).asking() as reader:
        given = planning_input(reader)
        found = forecast_load(
            reader, as_of=TODAY, months=12, period=Period.MONTH, group_by=GroupBy.AREA
        )
    weekly = sum(h.minutes_per_week for h in given.hours)
    january = next(c for c in found.capacity if c.period == "2027-01")
    # January 2027: 21 weekdays (Fri 1st to Sun 31st), of which New year is a holiday
    assert january.working_days == 20
    assert january.capacity_minutes == 20 * weekly / 5
