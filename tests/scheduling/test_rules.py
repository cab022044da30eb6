"""Due rules: whose counts on a day, field by field, and which contradict themselves."""

from __future__ import annotations

from dataclasses import replace
from datetime import date

import pytest
from hypothesis import given
from hypothesis import strategies as st

from calfleet.errors import RecordRefused
from calfleet.records import DueRule, IntervalBasis, IntervalPolicy, IntervalUnit, RuleScope
from calfleet.scheduling.rules import (
    FIELDS,
    by_subject,
    check_anchor,
    check_rule,
    leaves_all_open,
    rule_in_force,
    says,
)

SITE, FAMILY, SWITCH = RuleScope.SITE, RuleScope.FAMILY, RuleScope.SWITCH
START = date(2026, 1, 1)


def rule(scope: RuleScope, subject: str = "", on: date = START, **says: object) -> DueRule:
    return DueRule(scope, subject, on, "a reason", **says)  # type: ignore[arg-type]


def found(*rules: DueRule, on: date = date(2026, 6, 1)) -> dict[str, object]:
    made = rule_in_force(by_subject(rules), tag="T", family="F", on=on)
    return {name: getattr(made, name) for name in FIELDS}


NOTHING = {
    "policy": "", "before_use": False, "grid_anchor": None, "shelf_limit_days": None,
    "hard_stop": None, "deferrals_allowed": None,
}  # fmt: skip


def test_without_rules_nothing_is_said() -> None:
    assert found() == NOTHING
    assert found(rule(SWITCH, "OTHER", policy="X"), rule(FAMILY, "G", policy="Y")) == NOTHING


def test_the_narrower_scope_goes_first_field_by_field() -> None:
    stop = date(2027, 8, 1)
    assert found(
        rule(SITE, policy="P1", deferrals_allowed=0, shelf_limit_days=90),
        rule(FAMILY, "F", policy="P2", hard_stop=stop),
        rule(SWITCH, "T", deferrals_allowed=2),
    ) == NOTHING | {
        "policy": "P2", "hard_stop": stop, "deferrals_allowed": 2, "shelf_limit_days": 90,
    }  # fmt: skip


def test_a_later_rule_of_one_subject_replaces_the_earlier_as_a_whole() -> None:
    old = rule(SWITCH, "T", policy="P1", deferrals_allowed=3)
    new = rule(SWITCH, "T", date(2026, 5, 1), policy="P2")
    assert found(new, old) == NOTHING | {"policy": "P2"}
    assert found(new, old, on=date(2026, 4, 30)) == NOTHING | {
        "policy": "P1", "deferrals_allowed": 3,
    }  # fmt: skip
    assert found(new, old, on=date(2025, 12, 31)) == NOTHING
    # a rule that says nothing ends the one before: the wider scope counts again
    end = rule(SWITCH, "T", date(2026, 5, 1))
    assert leaves_all_open(end)
    assert found(old, end, rule(SITE, policy="P3")) == NOTHING | {"policy": "P3"}


def test_a_switch_can_be_taken_out_of_before_use() -> None:
    wide, own = rule(FAMILY, "F", before_use=True), rule(SWITCH, "T", before_use=False)
    assert found(wide)["before_use"] is True
    assert found(wide, own)["before_use"] is False


def test_the_words_name_rule_and_scope() -> None:
    made = rule_in_force(
        by_subject([rule(FAMILY, "F", policy="P2"), rule(SWITCH, "T", deferrals_allowed=1)]),
        tag="T", family="F", on=START,
    )  # fmt: skip
    assert made.text(["policy"]) == "By the rule for family F since 2026-01-01: policy P2."
    assert made.text(FIELDS).startswith("By the rule for switch T since 2026-01-01: 1 deferral ")
    assert made.text(["hard_stop"]) == ""
    assert says(rule(SITE)) == "nothing"


@given(st.permutations(range(6)))
def test_the_order_in_which_rules_were_entered_does_not_matter(order: list[int]) -> None:
    rules = [
        rule(SITE, policy="P1"),
        rule(SITE, on=date(2026, 2, 1), shelf_limit_days=30),
        rule(FAMILY, "F", policy="P2"),
        rule(FAMILY, "F", date(2026, 3, 1), deferrals_allowed=1),
        rule(SWITCH, "T", date(2026, 4, 1), hard_stop=date(2027, 1, 1)),
        rule(SWITCH, "T", date(2027, 4, 1), policy="P9"),
    ]
    assert found(*(rules[n] for n in order)) == NOTHING | {
        "shelf_limit_days": 30, "deferrals_allowed": 1, "hard_stop": date(2027, 1, 1),
    }  # fmt: skip


@pytest.mark.parametrize(
    ("bad", "words"),
    [
        (replace(rule(SITE, policy="P"), reason=" "), "no reason"),
        (rule(SITE, "T", policy="P"), "for what it is made"),
        (rule(SWITCH, policy="P"), "for what it is made"),
        (rule(SITE, before_use=True, policy="P"), "contradicts itself"),
        (rule(SITE, before_use=True, hard_stop=date(2027, 1, 1)), "hard stop 2027-01-01"),
        (rule(SITE, before_use=True, deferrals_allowed=0), "contradicts itself"),
        (rule(SITE, shelf_limit_days=0), "shelf limit of 0"),
        (rule(SITE, deferrals_allowed=-1), "-1 deferrals"),
        (rule(SITE, hard_stop=START), "is then past"),
    ],
)
def test_a_rule_that_contradicts_itself_is_refused(bad: DueRule, words: str) -> None:
    with pytest.raises(RecordRefused, match=words):
        check_rule(bad)


def test_a_good_rule_passes() -> None:
    check_rule(rule(SITE, before_use=True))
    check_rule(rule(SWITCH, "T", policy="P", hard_stop=date(2026, 1, 2), deferrals_allowed=0))


def test_a_fixed_date_belongs_to_a_policy_with_fixed_dates() -> None:
    floating = IntervalPolicy("P", START, IntervalBasis.LAST_DONE, 12, IntervalUnit.MONTH)
    given_rule = rule(SWITCH, "T", grid_anchor=date(2026, 6, 30))
    with pytest.raises(RecordRefused, match="counts from the last calibration"):
        check_anchor(given_rule, floating, tag="T")
    check_anchor(given_rule, replace(floating, basis=IntervalBasis.FIXED_GRID), tag="T")
    check_anchor(rule(SWITCH, "T"), floating, tag="T")
