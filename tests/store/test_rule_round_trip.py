"""Due rules, further intervals and other work come back as they were entered, on both databases."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import replace
from datetime import UTC, date, datetime
from typing import Any

import pytest
from sqlalchemy import Engine, text

from calfleet.errors import RecordRefused, UnknownName
from calfleet.records import DueRule, FurtherInterval, OtherWork, RuleScope, SwitchStatus
from calfleet.store import rule_facts
from calfleet.store.engine import open_engine
from calfleet.store.queries import audit, rules
from calfleet.store.work import Work, digest_of

AT = datetime(2026, 11, 25, 9, 0, tzinfo=UTC)
FULL = DueRule(
    RuleScope.SWITCH, "TS-2", date(2026, 1, 1), "seasonal", "Y", False, date(2026, 6, 30), 180,
    date(2026, 9, 30), 2,
)  # fmt: skip
RULES = (
    DueRule(RuleScope.FAMILY, "TX", date(2026, 2, 1), "kept ready", before_use=True),
    DueRule(RuleScope.SITE, "", date(2026, 1, 1), "custom of the site", deferrals_allowed=0),
    FULL,
)
INTERVALS = (
    FurtherInterval("TS-2", "diaphragm", "Y", date(2026, 1, 1)),
    FurtherInterval("TS-2", "diaphragm", "Y", date(2026, 8, 1), held=False),
)
DONE = (OtherWork("TS-2", "diaphragm", date(2026, 3, 4), "P1", "as new"),)


@pytest.fixture
def engine(database_url: str, shop: Any) -> Iterator[Engine]:
    made = open_engine(database_url)
    with Work(made, actor="T", at=AT, action="build", subject="x") as work:
        shop.add_all(work)
        work.commit()
    yield made
    made.dispose()


def enter(engine: Engine, add: Callable[[Work], None]) -> None:
    with Work(engine, actor="P1", at=AT, action="rules", subject="x") as work:
        add(work)
        work.commit()


def add_all(work: Work) -> None:
    for rule in RULES:
        rule_facts.add_due_rule(work, rule)
    for interval in INTERVALS:
        rule_facts.add_further_interval(work, interval)
    for done in DONE:
        rule_facts.add_other_work(work, done)


def test_what_was_entered_comes_back_and_the_trail_knows_it(engine: Engine) -> None:
    enter(engine, add_all)
    with engine.connect() as reader:
        assert set(rules.due_rules(reader)) == set(RULES)
        assert rules.further_intervals(reader) == INTERVALS
        assert rules.other_work(reader) == DONE
    from sqlalchemy.orm import Session

    with Session(engine) as session:
        known = set(audit.all_facts(session))
        entered = {fact for entry in audit.entries(session) for fact in entry.facts()}
    mine = {("due rule", rule_facts.rule_key(r), digest_of(r)) for r in RULES}
    mine |= {("further interval", rule_facts.further_key(i), digest_of(i)) for i in INTERVALS}
    mine |= {("other work", rule_facts.other_work_key(o), digest_of(o)) for o in DONE}
    assert mine <= known
    assert mine <= entered


@pytest.mark.parametrize(
    ("add", "refusal"),
    [
        (lambda w: rule_facts.add_due_rule(w, replace(FULL, reason="")), RecordRefused),
        (lambda w: rule_facts.add_due_rule(w, replace(FULL, shelf_limit_days=0)), RecordRefused),
        (lambda w: rule_facts.add_due_rule(w, replace(FULL, subject="NO-1")), UnknownName),
        (lambda w: rule_facts.add_other_work(w, replace(DONE[0], done_by="NO")), UnknownName),
        (
            lambda w: [rule_facts.add_due_rule(w, FULL), rule_facts.add_due_rule(w, FULL)],
            RecordRefused,
        ),
    ],
)
def test_what_contradicts_the_model_is_refused_whole(
    engine: Engine, add: Callable[[Work], None], refusal: type[Exception]
) -> None:
    with pytest.raises(refusal):
        enter(engine, add)
    with engine.connect() as reader:
        for table in ("due_rule", "further_interval", "other_work"):
            assert reader.execute(text(f"SELECT COUNT(*) FROM {table}")).scalar() == 0


def test_when_a_switch_was_in_service_is_told_by_its_data_sheets(engine: Engine) -> None:
    with engine.connect() as reader:
        found = rules.service_history(reader)
    assert found["PDS-1"] == [
        (date(2024, 1, 2), SwitchStatus.IN_SERVICE),
        (date(2025, 7, 1), SwitchStatus.OUT_OF_SERVICE),
    ]
    assert found["TS-2"] == [(date(2024, 1, 2), SwitchStatus.IN_STORE)]
