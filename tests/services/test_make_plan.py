"""The levelled plan on the demo's site: hard rules, stability, wishes, acceptance."""

from __future__ import annotations

import shutil
from datetime import date, timedelta
from itertools import combinations
from pathlib import Path

import pytest

from calfleet.errors import RecordRefused, UnknownName, UsageError
from calfleet.records import Plan, PlanAssignment
from calfleet.scheduling.plan_check import check_plan
from calfleet.services.make_plan import MadePlan, Wish, accept, find_plan, keep_plan, make_plan
from calfleet.site import SiteFolder, read_settings
from calfleet.store.queries.planning import planning_input

TODAY = date(2026, 11, 25)


@pytest.fixture(scope="module")
def site(demo_site: Path, tmp_path_factory: pytest.TempPathFactory) -> SiteFolder:
    """A copy of the demo's site that may be written; plans are only added to it."""
    return read_settings(
        Path(shutil.copytree(demo_site, tmp_path_factory.mktemp("plans") / "site"))
    )


@pytest.fixture(scope="module")
def first(site: SiteFolder) -> MadePlan:
    """A first plan over 16 weeks, kept."""
    with site.work(actor="P01", action="make plan", subject="16") as work:
        made = make_plan(work.session, today=TODAY, weeks=16)
        keep_plan(work, made)
        work.commit()
    return made


def plan_of(made: MadePlan) -> dict[str, PlanAssignment]:
    return {a.tag: a for a in made.record.assignments}


def test_no_hard_rule_is_broken(first: MadePlan) -> None:
    """Judged by the checker that knows nothing of the solver."""
    assert check_plan(first.levelled, first.given) == []


def test_everything_due_is_planned_or_told_with_its_reason(first: MadePlan) -> None:
    told = {u["tag"] for u in first.record.outcome["unplanned"]}  # type: ignore[attr-defined]
    assert set(plan_of(first)) | told == {j.tag for j in first.given.jobs}
    assert not set(plan_of(first)) & told
    # two switches that no gauge of the shop can serve, and a vacuum job without its gauge
    assert {"VSH-6107", "PDSH-4413", "VSL-7205"} <= told


def test_no_job_is_later_than_its_latest_day(first: MadePlan) -> None:
    latest = {j.tag: j.latest_on for j in first.given.jobs}
    for tag, a in plan_of(first).items():
        assert a.week_on <= latest[tag]


def test_redundant_channels_are_apart_and_not_in_the_same_hands(
    first: MadePlan, site: SiteFolder
) -> None:
    with site.asking() as reader:
        groups = planning_input(reader).redundant_groups
    planned = plan_of(first)
    for group in groups:
        for a, b in combinations([planned[t] for t in group.tags if t in planned], 2):
            assert abs(a.week_on - b.week_on) >= timedelta(weeks=group.weeks_apart)
            assert (a.person, a.gauge) != (b.person, b.gauge)


def test_a_gauge_is_not_planned_while_it_is_away(first: MadePlan) -> None:
    """RG-204 is away until 2026-12-18; RG-303's certificate ends on 2026-12-04 and it is away
    from 2026-12-07 to 2026-12-11 (the demo's story)."""
    weeks = {g: {a.week_on for a in first.record.assignments if a.gauge == g}
             for g in ("RG-204", "RG-303")}  # fmt: skip
    assert weeks["RG-204"]
    assert min(weeks["RG-204"]) >= date(2026, 12, 14)
    assert date(2026, 12, 7) not in weeks["RG-303"]


def test_planning_again_moves_nothing_when_nothing_changed(
    site: SiteFolder, first: MadePlan
) -> None:
    with site.reading() as session:
        again = make_plan(session, today=TODAY, weeks=16)
    assert again.record.based_on is not None
    assert again.record.outcome["moved"] == 0
    assert {(a.tag, a.week_on) for a in again.record.assignments} == {
        (a.tag, a.week_on) for a in first.record.assignments
    }


def test_a_wish_is_kept_and_moves_few_others(site: SiteFolder, first: MadePlan) -> None:
    job = next(
        j for j in first.given.jobs
        if j.tag in plan_of(first) and (j.latest_on - j.earliest_on).days > 40
        and j.redundant_group is None
    )  # fmt: skip
    now = plan_of(first)[job.tag]
    days = [job.earliest_on + timedelta(days=7 * n) for n in range(1, 6)]
    other = next(
        d for d in days
        if d.isocalendar()[:2] != now.week_on.isocalendar()[:2] and d <= job.latest_on
    )  # fmt: skip
    year, week, _ = other.isocalendar()
    wish = Wish(job.tag, f"{year}-W{week:02d}")
    with site.reading() as session:
        made = make_plan(session, today=TODAY, weeks=16, wishes=[wish])
    fixed = plan_of(made)[job.tag]
    assert fixed.fixed
    assert fixed.week_on == date.fromisocalendar(year, week, 1)
    assert made.record.outcome["moved"] <= 4  # type: ignore[operator]
    assert check_plan(made.levelled, made.given) == []


def test_a_wish_outside_the_jobs_days_is_refused(site: SiteFolder, first: MadePlan) -> None:
    with site.reading() as session:
        with pytest.raises(RecordRefused, match="PSL-6111 cannot be fixed there"):
            make_plan(session, today=TODAY, weeks=16, wishes=[Wish("PSL-6111", "2027-W08")])
        with pytest.raises(RecordRefused, match="PSHH-2102B cannot be fixed") as early:
            make_plan(session, today=TODAY, weeks=16, wishes=[Wish("PSHH-2102B", "2026-W50")])
        assert early.value.next_step == "Choose a later week."
        with pytest.raises(UnknownName):
            make_plan(session, today=TODAY, weeks=16, wishes=[Wish("PSL-9999", "2027-W08")])
        with pytest.raises(UsageError, match="weeks"):
            make_plan(session, today=TODAY, weeks=0)


def test_a_plan_is_accepted_once_by_a_planner(site: SiteFolder, first: MadePlan) -> None:
    def try_accept(person: str) -> Plan:
        with site.work(actor=person, action="accept", subject="x") as work:
            made = accept(work, first.record.number, person, TODAY)
            work.commit()
            return made

    with pytest.raises(RecordRefused, match="not a planner"):
        try_accept("P02")
    try_accept("P06")
    with pytest.raises(RecordRefused, match="accepted on 2026-11-25 by P06"):
        try_accept("P01")
    with site.reading() as session:
        assert find_plan(session, first.record.number).accepted_by == "P06"


def test_without_bench_hours_there_is_no_plan(demo_site: Path, tmp_path: Path) -> None:
    site = read_settings(Path(shutil.copytree(demo_site, tmp_path / "site")))
    with (
        site.reading() as session,
        pytest.raises(RecordRefused, match="no bench time"),
    ):
        # before anybody's hours begin
        make_plan(session, today=date(2021, 1, 4), weeks=8)
