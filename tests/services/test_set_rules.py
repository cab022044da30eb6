"""Due rules, policies, other work, use and outages entered; one due date wherever it is told."""

from __future__ import annotations

import shutil
from collections.abc import Callable
from dataclasses import replace
from datetime import date, timedelta
from decimal import Decimal
from pathlib import Path
from typing import Any

import pytest

from calfleet.errors import (
    BadQuantity,
    DateRefused,
    PersonRefused,
    ReadingRefused,
    RecordRefused,
    UnknownName,
)
from calfleet.records import (
    DueLine,
    DueRule,
    FurtherInterval,
    IntervalBasis,
    IntervalPolicy,
    IntervalUnit,
    OtherWork,
    RuleScope,
    Switch,
    SwitchStatus,
    UsageReading,
    UsageRule,
)
from calfleet.scheduling.due import Status
from calfleet.scheduling.forecast import Period
from calfleet.services.after import next_due
from calfleet.services.bench_facts import BenchFacts, gather, gather_for_planning
from calfleet.services.count_use import list_usage, read_counter, set_usage_limit
from calfleet.services.defer import defer
from calfleet.services.forecast_load import GroupBy, forecast_load
from calfleet.services.list_due import Dates, gather_dates, list_due, switch_standing
from calfleet.services.make_plan import make_plan
from calfleet.services.move_outage import list_outages, set_outage
from calfleet.services.other_work import (
    list_further_intervals,
    record_other_work,
    set_further_interval,
)
from calfleet.services.plan_facts import DueFacts
from calfleet.services.plan_input import due_of
from calfleet.services.set_rules import SetRule, list_policies, list_rules, set_due_rule, set_policy
from calfleet.site import SiteFolder, read_settings
from calfleet.store.queries import calibrations, planning, rules
from calfleet.store.queries import switches as switch_queries
from calfleet.store.work import Work

TODAY = date(2026, 11, 25)
SITE, FAMILY, SWITCH = RuleScope.SITE, RuleScope.FAMILY, RuleScope.SWITCH


@pytest.fixture
def site(demo_site: Path, tmp_path: Path) -> SiteFolder:
    """A copy of the demo's site that may be written."""
    return read_settings(Path(shutil.copytree(demo_site, tmp_path / "site")))


def enter(site: SiteFolder, add: Callable[[Work], Any]) -> Any:
    with site.work(actor="P01", action="test", subject="x") as work:
        made = add(work)
        work.commit()
        return made


def rule(scope: RuleScope, subject: str = "", on: date = TODAY, **says: Any) -> DueRule:
    return DueRule(scope, subject, on, "a reason", **says)


def set_rule(site: SiteFolder, given: DueRule) -> SetRule:
    made = enter(site, lambda work: set_due_rule(work, given, today=TODAY))
    assert isinstance(made, SetRule)
    return made


def lines(site: SiteFolder, until: date = date(2028, 12, 31)) -> dict[str, DueLine]:
    with site.asking() as reader:
        return {x.tag: x for x in list_due(reader, as_of=TODAY, until=until).lines}


# --- due rules ----------------------------------------------------------------------------


def test_a_rule_moves_the_date_and_is_named_with_its_scope(site: SiteFolder) -> None:
    """PSH-3102: last done 2025-11-17, 12 months to the month's end by its sheet; 6 by the rule."""
    before = lines(site)["PSH-3102"]
    made = set_rule(site, rule(SWITCH, "psh-3102", policy="S06"))
    assert (made.rule.subject, made.switches) == ("PSH-3102", 1)
    (moved,) = made.moved
    assert (moved.before, moved.after) == (date(2026, 11, 30), date(2026, 5, 17))
    after = lines(site)["PSH-3102"]
    assert (before.due_on, after.due_on) == (moved.before, moved.after)
    assert after.why.endswith("By the rule for switch PSH-3102 since 2026-11-25: policy S06.")
    with site.reading() as session:
        (line,) = list_rules(session, TODAY)
    assert (line.in_force, line.switches, line.says) == (True, 1, "policy S06")


def test_a_family_rule_yields_to_the_switchs_own(site: SiteFolder) -> None:
    with site.reading() as session:
        sheet = switch_queries.switch_on(session, "PSH-3102", TODAY)
    assert sheet is not None
    before = lines(site)
    made = set_rule(site, rule(FAMILY, sheet.family, policy="S06"))
    moved = {m.tag for m in made.moved}
    assert "PSH-3102" in moved
    assert len(moved) > 1
    set_rule(site, rule(SWITCH, "PSH-3102", policy="S12"))
    after = lines(site)
    assert after["PSH-3102"].due_on == before["PSH-3102"].due_on
    assert all(after[tag].due_on != before[tag].due_on for tag in moved - {"PSH-3102"})


def test_before_use_has_no_due_date_and_is_counted_below(site: SiteFolder) -> None:
    set_rule(site, rule(SWITCH, "PSH-3102", before_use=True))
    with site.asking() as reader:
        found = list_due(reader, as_of=TODAY, until=date(2027, 12, 31))
    assert "PSH-3102" not in {x.tag for x in found.lines}
    assert found.totals.before_use == 1


def test_a_grid_begins_where_the_rule_says(site: SiteFolder) -> None:
    set_rule(site, rule(SWITCH, "PSH-3102", policy="O12", grid_anchor=date(2025, 9, 1)))
    # done 2025-11-17: after the fixed date 2025-09-01, which it met; the next is 2026-09-01
    line = lines(site)["PSH-3102"]
    assert line.due_on == date(2026, 9, 1)
    assert "fixed dates from 2025-09-01" in line.why


def test_a_hard_stop_binds_until_the_work_is_done(site: SiteFolder) -> None:
    with site.reading() as session:
        bound = [s.tag for s in switch_queries.in_force(session, TODAY) if s.outage_bound]
    tag = bound[0]
    stop = date(2027, 3, 31)
    set_rule(site, rule(SWITCH, tag, hard_stop=stop))
    line = lines(site)[tag]
    assert line.due_on == stop
    assert "hard stop 2027-03-31" in line.why
    with site.reading() as session:
        dates = gather_dates(session, date(2027, 4, 2), gather_for_planning(session))
        switch = switch_queries.switch_on(session, tag, TODAY)
        assert switch is not None
        done = [*dates.performed[tag], date(2027, 3, 30)]
        after = replace(dates, performed={**dates.performed, tag: done}).by_calendar(switch)
    assert after.due_on != stop, "work done since the rule took effect spends it"
    assert "hard stop 2027-03-31" not in after.why


@pytest.mark.parametrize(
    ("bad", "refusal", "words"),
    [
        (rule(SWITCH, "PSH-9999", policy="S06"), UnknownName, "PSH-9999"),
        (rule(FAMILY, "no such", policy="S06"), UnknownName, "no such"),
        (rule(SITE, policy="S99"), UnknownName, "S99"),
        (rule(SITE, before_use=True, policy="S06"), RecordRefused, "contradicts itself"),
        (rule(SWITCH, "PSH-3102", grid_anchor=TODAY), RecordRefused, "counts from the last"),
        (rule(SWITCH, "PSH-3102", hard_stop=date(2027, 1, 1)), RecordRefused, "outage-bound"),
        (rule(SWITCH, "PSH-3102"), RecordRefused, "says nothing"),
    ],
)
def test_a_rule_that_means_nothing_changes_nothing(
    site: SiteFolder, bad: DueRule, refusal: type[Exception], words: str
) -> None:
    with pytest.raises(refusal, match=words):
        set_rule(site, bad)
    with site.asking() as reader:
        assert rules.due_rules(reader) == ()


def test_one_rule_a_day_and_an_empty_one_ends_it(site: SiteFolder) -> None:
    before = lines(site)["PSH-3102"].due_on
    set_rule(site, rule(SWITCH, "PSH-3102", date(2026, 11, 1), policy="S06"))
    with pytest.raises(RecordRefused, match="there already"):
        set_rule(site, rule(SWITCH, "PSH-3102", date(2026, 11, 1), policy="S24"))
    set_rule(site, rule(SWITCH, "PSH-3102"))
    assert lines(site)["PSH-3102"].due_on == before


def test_the_rule_says_how_often_a_date_may_be_put_off(site: SiteFolder) -> None:
    def put_off(until: date) -> None:
        enter(
            site,
            lambda work: defer(
                work, "PSH-3102", until=until, reason="r", risk="r", requested_by="P01",
                requested_on=TODAY, approved_by="P07", approved_on=TODAY, today=TODAY,
            ),
        )  # fmt: skip

    set_rule(site, rule(SWITCH, "PSH-3102", deferrals_allowed=2))
    put_off(date(2026, 12, 10))
    put_off(date(2026, 12, 20))
    with pytest.raises(RecordRefused, match="number 3"):
        put_off(date(2026, 12, 30))
    set_rule(site, rule(SITE, deferrals_allowed=0))
    with pytest.raises(RecordRefused, match="number 1"):
        enter(
            site,
            lambda work: defer(
                work, "PSL-2101", until=date(2026, 12, 20), reason="r", risk="r",
                requested_by="P01", requested_on=TODAY, approved_by="P07", approved_on=TODAY,
                today=TODAY,
            ),
        )  # fmt: skip


# --- policies -----------------------------------------------------------------------------


def policy(code: str = "S06", every: int = 4, **how: Any) -> IntervalPolicy:
    return replace(
        IntervalPolicy(code, TODAY, IntervalBasis.LAST_DONE, every, IntervalUnit.MONTH), **how
    )


def test_a_new_version_of_a_policy_moves_who_follows_it(site: SiteFolder) -> None:
    with site.reading() as session:
        followers = [
            s.tag
            for s in switch_queries.in_force(session, TODAY)
            if s.policy == "S06" and s.status is SwitchStatus.IN_SERVICE
        ]
    made = enter(site, lambda work: set_policy(work, policy(), today=TODAY))
    assert made.followed_by == len(followers) > 10
    assert {m.tag for m in made.moved} <= set(followers)
    assert {m.after - m.before for m in made.moved} <= {timedelta(days=-n) for n in range(58, 64)}
    with site.reading() as session:
        versions = [p for p in list_policies(session, TODAY) if p.policy.code == "S06"]
    assert [(p.policy.every, p.in_force) for p in versions] == [(6, False), (4, True)]


@pytest.mark.parametrize(
    "bad",
    [
        {"every": 0},
        {"grace_days": 5, "grace_fraction": Decimal("0.1")},
        {"grace_days": 200},
        {"grace_fraction": Decimal(1)},
        {"unit": IntervalUnit.DAY, "end_of_month": True},
        {"effective_on": date(2022, 1, 1)},
    ],
)
def test_a_policy_that_contradicts_itself_is_refused(site: SiteFolder, bad: dict[str, Any]) -> None:
    with pytest.raises(RecordRefused):
        enter(site, lambda work: set_policy(work, policy(**bad), today=TODAY))
    with site.reading() as session:
        assert sum(p.policy.code == "S06" for p in list_policies(session, TODAY)) == 1


def test_a_policy_takes_effect_on_no_past_day(site: SiteFolder) -> None:
    """What was in force then is what certificates and results of then rest on."""
    late = policy(effective_on=TODAY - timedelta(days=1))
    with pytest.raises(RecordRefused, match="that day is past") as refusal:
        enter(site, lambda work: set_policy(work, late, today=TODAY))
    assert str(TODAY) in refusal.value.next_step


# --- other work, use ----------------------------------------------------------------------


def further(site: SiteFolder, on: date = TODAY, **how: Any) -> Any:
    given = replace(FurtherInterval("PSH-3102", "contact inspection", "S06", on), **how)
    return enter(site, lambda work: set_further_interval(work, given, today=TODAY))


def done(site: SiteFolder, on: date, **how: Any) -> Any:
    given = replace(OtherWork("PSH-3102", "Contact  inspection", on, "P02"), **how)
    return enter(site, lambda work: record_other_work(work, given, today=TODAY))


def test_other_work_has_dates_of_its_own_and_the_list_says_what_is_due(site: SiteFolder) -> None:
    further(site, date(2026, 6, 1))
    line = lines(site, date(2026, 12, 31))["PSH-3102"]
    assert (line.due_on, line.work) == (date(2026, 6, 1), "contact inspection, calibration")
    done(site, date(2026, 6, 15))
    line = lines(site, date(2026, 11, 30))["PSH-3102"]
    assert (line.due_on, line.work) == (date(2026, 11, 30), "calibration")
    assert lines(site, date(2026, 12, 31))["PSH-3102"].work == "calibration, contact inspection"
    with site.reading() as session:
        (listed,) = list_further_intervals(session, TODAY)
    assert (listed.last_on, listed.last_by, listed.due_on) == (
        date(2026, 6, 15), "P02", date(2026, 12, 15),
    )  # fmt: skip
    further(site, held=False)
    assert lines(site, date(2026, 12, 31))["PSH-3102"].work == "calibration"


def test_other_work_that_cannot_be_is_refused(site: SiteFolder) -> None:
    with pytest.raises(UnknownName, match="other work"):
        done(site, TODAY)
    with pytest.raises(RecordRefused, match="could end"):
        further(site, held=False)
    with pytest.raises(RecordRefused, match="does not name other work"):
        further(site, name=" Calibration ")
    with pytest.raises(UnknownName):
        further(site, policy="S99")
    further(site)
    with pytest.raises(RecordRefused, match="changes on"):
        further(site)
    with pytest.raises(DateRefused):
        done(site, TODAY + timedelta(days=1))
    with pytest.raises(PersonRefused, match="not a technician"):
        done(site, TODAY, done_by="P07")
    done(site, TODAY)
    with pytest.raises(RecordRefused, match="already"):
        done(site, TODAY)


def test_a_counter_moves_the_due_date_and_never_runs_back(site: SiteFolder) -> None:
    def read(value: int, on: date = TODAY) -> Any:
        given = UsageReading("PSL-1108", "Cycles", Decimal(value), on)
        return enter(site, lambda work: read_counter(work, given, today=TODAY))

    with pytest.raises(ReadingRefused, match="does not fit"):
        read(17000)
    with pytest.raises(ReadingRefused, match="does not fit"):
        read(17500, date(2026, 10, 1))
    with pytest.raises(DateRefused):
        read(18000, TODAY + timedelta(days=1))
    made, standing = read(19000)
    assert made.name == "cycles"
    limit = next(x for x in standing.limits if x.estimated)
    # 19000 used in the 439 days since 2025-09-12: 43.28 a day, 1000 left for 23 days
    assert limit.due_on == TODAY + timedelta(days=23)
    with site.reading() as session:
        line = next(x for x in list_usage(session, TODAY) if x.tag == "PSL-1108")
    assert (line.last_value, line.left, line.expected_on) == (19000, 1000, limit.due_on)
    with pytest.raises(RecordRefused, match="already"):
        read(19000)
    with pytest.raises(UnknownName, match="counter"):
        enter(
            site,
            lambda w: read_counter(
                w, UsageReading("PSH-3102", "cycles", Decimal(1), TODAY), today=TODAY
            ),
        )


def test_a_limit_on_use_is_set_once_a_day(site: SiteFolder) -> None:
    def limit(value: str, tag: str = "PSH-3102") -> Any:
        given = UsageRule(tag, "hours", Decimal(value), TODAY)
        return enter(site, lambda work: set_usage_limit(work, given, today=TODAY))

    with pytest.raises(BadQuantity):
        limit("0")
    limit("500")
    with pytest.raises(RecordRefused, match="already"):
        limit("600")


# --- storage ------------------------------------------------------------------------------

IN, STORE, OUT = SwitchStatus.IN_SERVICE, SwitchStatus.IN_STORE, SwitchStatus.OUT_OF_SERVICE


def stored(*history: tuple[date, SwitchStatus]) -> DueFacts:
    return DueFacts(service={"T": list(history)})


def test_storage_is_read_from_the_data_sheets() -> None:
    bought, issued = date(2026, 1, 1), date(2026, 8, 1)
    facts = stored((bought, STORE), (issued, IN))
    made = facts.storage_of("T", date(2026, 2, 1), date(2026, 9, 1), 365)
    assert made is not None
    assert (made.issued_on, made.shelf_limit_days) == (issued, 365)
    assert facts.first_use("T", date(2026, 9, 1)) == issued
    assert facts.first_use("T", date(2026, 7, 31)) is None
    still = facts.storage_of("T", date(2026, 2, 1), date(2026, 7, 1), None)
    assert still is not None
    assert still.issued_on is None
    # without a shelf limit storage does not stop the clock; nor once it was calibrated in service
    assert facts.storage_of("T", date(2026, 2, 1), date(2026, 9, 1), None) is None
    assert facts.storage_of("T", date(2026, 8, 1), date(2026, 9, 1), 365) is None


def test_use_before_storage_counts_but_a_spent_shelf_limit_blocks() -> None:
    facts = stored((date(2026, 1, 1), IN), (date(2026, 6, 1), STORE), (date(2026, 9, 1), IN))
    done_on, now = date(2026, 2, 1), date(2026, 10, 1)
    assert facts.storage_of("T", done_on, now, 365) is None
    spent = facts.storage_of("T", done_on, now, 100)
    assert spent is not None
    assert spent.issued_on == date(2026, 9, 1)


def test_a_switch_from_store_starts_its_clock_when_issued(site: SiteFolder) -> None:
    """In store from before its calibration until it is issued; shelf limit of the site."""
    with site.reading() as session:
        facts = gather_for_planning(session)
        sheet = switch_queries.switch_on(session, "PSH-3102", TODAY)
    assert sheet is not None
    last, issued = date(2025, 11, 17), date(2026, 3, 1)
    moved = DueFacts(
        due_rules={(SITE, ""): [rule(SITE, on=date(2025, 1, 1), shelf_limit_days=180)]},
        service={sheet.tag: [(date(2025, 1, 1), STORE), (issued, IN)]},
    )

    def asked(on: date, status: SwitchStatus = IN) -> Any:
        return switch_standing(replace(sheet, status=status), [last], facts, on, moved_by=moved)

    before = asked(date(2026, 2, 1), STORE)
    assert (before.status, before.due_on, before.usable) == (Status.IN_STORE, None, False)
    after = asked(TODAY)
    assert after.due_on == date(2027, 3, 31), "12 months after its issue, by the month's end"
    assert "shelf limit 180 days" in after.why
    late = replace(moved, service={sheet.tag: [(date(2025, 1, 1), STORE), (date(2026, 7, 1), IN)]})
    spent = switch_standing(sheet, [last], facts, TODAY, moved_by=late)
    assert spent.status is Status.CALIBRATE_BEFORE_USE


# --- outages ------------------------------------------------------------------------------


def move(site: SiteFolder, first: date, last: date, code: str = "REV-2027", **how: Any) -> Any:
    return enter(
        site,
        lambda work: set_outage(
            work, code, first_on=first, last_on=last, today=TODAY, **({"reason": "why"} | how)
        ),
    )


def test_an_outage_moves_with_the_dates_of_what_waits_for_it(site: SiteFolder) -> None:
    made = move(site, date(2027, 6, 28), date(2027, 7, 16))
    assert (made.outage.revision, made.before.revision) == (2, 1)
    assert len(made.moved) == 15
    assert {m.after for m in made.moved} == {date(2027, 7, 16)}
    with site.reading() as session:
        waiting = {x.outage.code: x.waiting for x in list_outages(session, TODAY)}
    assert waiting == {"REV-2026": 0, "FWS-2027": 0, "REV-2027": 15}


def test_an_outage_past_a_hard_stop_is_refused_with_all_it_concerns(site: SiteFolder) -> None:
    with pytest.raises(RecordRefused, match="15 outage-bound switches") as refusal:
        move(site, date(2027, 10, 1), date(2027, 10, 20))
    assert refusal.value.message.count("(hard stop 2027-08-") == 15
    with site.asking() as reader:
        assert all(o.revision == 1 for o in planning.outage_revisions(reader))
    # with another outage in time nothing stands in the way
    move(site, date(2027, 7, 5), date(2027, 7, 9), "EXTRA", name="Short stop")
    move(site, date(2027, 10, 1), date(2027, 10, 20))


@pytest.mark.parametrize(
    ("how", "words"),
    [
        ({"code": "NEW"}, "its name, first or last day is missing"),
        ({"first": date(2027, 8, 1)}, "before it begins"),
        ({"reason": " "}, "without a reason"),
        ({"code": "REV-2026"}, "was over on"),
        ({"last": date(2027, 7, 23)}, "Nothing about REV-2027 would change"),
    ],
)
def test_an_outage_that_cannot_be_is_refused(
    site: SiteFolder, how: dict[str, Any], words: str
) -> None:
    given = {"first": date(2027, 7, 5), "last": date(2027, 7, 16)} | how
    with pytest.raises(RecordRefused, match=words):
        move(site, **given)
    with pytest.raises(UnknownName, match="area"):
        move(site, date(2027, 7, 5), date(2027, 7, 16), areas=["XXX"])


# --- one due date wherever it is told -----------------------------------------------------


def test_due_list_forecast_and_plan_tell_the_same_dates(site: SiteFolder) -> None:
    """With every kind of fact that moves one: rules, other work, use, a deferral, outages."""
    set_rule(site, rule(SWITCH, "PDSH-5202", policy="S06"))
    set_rule(site, rule(SITE, deferrals_allowed=1))
    further(site, date(2026, 6, 1))
    done(site, date(2026, 7, 15))
    with site.asking() as reader:
        listed = list_due(reader, as_of=TODAY, until=date(2027, 11, 24)).lines
        found = forecast_load(
            reader, as_of=TODAY, months=12, period=Period.WEEK, group_by=GroupBy.AREA
        )
    first: dict[str, date] = {}
    for job in found.jobs:
        first[job.tag] = min(first.get(job.tag, job.due_on), job.due_on)
    assert first == {x.tag: x.due_on for x in listed}
    assert {j.due_on for j in found.jobs if j.work} == {date(2027, 1, 15), date(2027, 7, 15)}
    with site.reading() as session:
        made = make_plan(session, today=TODAY, weeks=52)
    planned: dict[str, date] = {}
    for one in made.given.jobs:
        due = due_of(one.key)
        planned[one.tag] = min(planned.get(one.tag, due), due)
    assert planned == {tag: due for tag, due in first.items() if due <= made.given.last}
    work = {one.work for one in made.given.jobs if one.tag == "PSH-3102"}
    assert work == {"calibration", "contact inspection"}


def test_the_next_due_date_after_a_record_is_the_lists(site: SiteFolder) -> None:
    """For every switch whose last calibration is the newest fact about it."""
    with site.reading() as session:
        facts = gather(session)
        dates = gather_dates(session, TODAY, facts)
        checked = 0
        for switch in switch_queries.in_force(session, TODAY):
            last = dates.last.get(switch.tag)
            if last is None or switch.status is not SwitchStatus.IN_SERVICE or checked == 25:
                continue
            on_day = gather_dates(session, last.performed_on, facts)
            record = next(
                c for c in calibrations.calibrations_of(session, switch.tag)
                if c.number == last.number
            )  # fmt: skip
            sheet = switch_queries.switch_on(session, switch.tag, last.performed_on)
            assert sheet is not None
            assert next_due(session, record).due_on == standing_of(on_day, sheet)
            checked += 1
        assert checked == 25


def standing_of(dates: Dates, switch: Switch) -> date | None:
    return dates.standing(switch).due_on


def test_the_facts_of_one_question_suffice_for_the_other(site: SiteFolder) -> None:
    with site.asking() as reader, site.reading() as session:
        quick: BenchFacts = gather_for_planning(reader)
        a = gather_dates(reader, TODAY, quick)
        b = gather_dates(session, TODAY, gather(session))
        for switch in switch_queries.in_force(reader, TODAY):
            assert a.standing(switch) == b.standing(switch)
