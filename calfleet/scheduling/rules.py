"""The due rule in force for a switch on a day, and rules that contradict themselves.

A rule is made for one switch, one family or the whole site. Of the rules for one subject the last
one that took effect counts, as a whole; what it leaves open is left to the wider scope, field by
field: a rule for the switch goes before one for its family, that before one for the site.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, fields
from datetime import date

from calfleet.errors import RecordRefused
from calfleet.records import DueRule, IntervalBasis, IntervalPolicy, RuleScope

FIELDS = (
    "policy",
    "before_use",
    "grid_anchor",
    "shelf_limit_days",
    "hard_stop",
    "deferrals_allowed",
)
"""What a rule can say, by field."""

Rules = Mapping[tuple[RuleScope, str], Sequence[DueRule]]
"""The rules of each scope and subject, by day of effect."""


@dataclass(frozen=True, slots=True)
class RuleInForce:
    """What the rules say about one switch on one day; ``sources``: each field set, and by whom."""

    policy: str = ""
    before_use: bool = False
    grid_anchor: date | None = None
    shelf_limit_days: int | None = None
    hard_stop: date | None = None
    deferrals_allowed: int | None = None
    sources: tuple[tuple[str, DueRule], ...] = ()

    def source(self, name: str) -> DueRule | None:
        """The rule that set this field, or ``None``."""
        return next((rule for field, rule in self.sources if field == name), None)

    def text(self, wanted: Iterable[str]) -> str:
        """What the rules say in these fields and for what each is made; empty: nothing.

        One sentence for each rule, widest scope last.
        """
        said: dict[DueRule, list[str]] = {}
        for name in wanted:
            rule = self.source(name)
            if rule is not None:
                said.setdefault(rule, []).append(field_text(rule, name))
        ordered = sorted(said, key=lambda r: -r.scope.rank)
        return " ".join(f"By the rule for {rule_text(r)}: {', '.join(said[r])}." for r in ordered)


NO_RULE = RuleInForce()


def by_subject(rules: Iterable[DueRule]) -> dict[tuple[RuleScope, str], list[DueRule]]:
    """The rules by scope and subject, each list by day of effect."""
    found: dict[tuple[RuleScope, str], list[DueRule]] = {}
    for rule in sorted(rules, key=lambda r: r.effective_on):
        found.setdefault((rule.scope, rule.subject), []).append(rule)
    return found


def rule_in_force(rules: Rules, *, tag: str, family: str, on: date) -> RuleInForce:
    """The rule for the switch ``tag`` of ``family`` on ``on``, put together field by field.

    No rules: one that says nothing.
    """
    if not rules:
        return NO_RULE
    values: dict[str, object] = {}
    sources: list[tuple[str, DueRule]] = []
    for key in (
        (RuleScope.SWITCH, tag),
        (RuleScope.FAMILY, family),
        (RuleScope.SITE, ""),
    ):
        held = [r for r in rules.get(key, ()) if r.effective_on <= on]
        if not held:
            continue
        rule = max(held, key=lambda r: r.effective_on)
        for name in FIELDS:
            value = getattr(rule, name)
            if value is not None and value != "" and name not in values:
                values[name] = value
                sources.append((name, rule))
    return RuleInForce(**values, sources=tuple(sources))  # type: ignore[arg-type]


def rule_text(rule: DueRule) -> str:
    """For what the rule is made and since when, in words."""
    what = "the whole site" if rule.scope is RuleScope.SITE else f"{rule.scope} {rule.subject}"
    return f"{what} since {rule.effective_on}"


def field_text(rule: DueRule, name: str) -> str:
    """What the rule says in one field, in words; empty when it leaves that open."""
    value = getattr(rule, name)
    if value is None or value == "":
        return ""
    plural = "" if value == 1 else "s"
    return {
        "policy": f"policy {value}",
        "before_use": "calibrated before each use" if value else "due by its date",
        "grid_anchor": f"fixed dates from {value}",
        "shelf_limit_days": f"shelf limit {value} day{plural}",
        "hard_stop": f"hard stop {value}",
        "deferrals_allowed": f"{value} deferral{plural} between two calibrations",
    }[name]


def says(rule: DueRule) -> str:
    """All that the rule says, in words; "nothing" where it leaves everything to the wider scope."""
    return ", ".join(filter(None, (field_text(rule, n) for n in FIELDS))) or "nothing"


def check_rule(rule: DueRule) -> None:
    """Nothing, when ``rule`` does not contradict itself; whom it concerns is not looked at.

    Raises RecordRefused for a rule without a reason, a subject where the scope has none (or the
    reverse), a date or a limit that "before each use" makes void, a shelf limit below one day, a
    negative number of deferrals, or a hard stop that is past when the rule takes effect.
    """
    name = f"The due rule for {rule_text(rule)}"
    if not rule.reason.strip():
        raise RecordRefused(
            f"{name} has no reason.",
            rule="A rule that changes due dates says why.",
            next_step="State the reason.",
        )
    if (rule.scope is RuleScope.SITE) != (not rule.subject):
        raise RecordRefused(
            f"{name} does not say for what it is made.",
            rule="A rule is for one switch, one family, or the whole site.",
            next_step="Name one of them.",
        )
    if rule.before_use:
        void = [field_text(rule, n) for n in FIELDS if n != "before_use"]
        if void := [text for text in void if text]:
            raise RecordRefused(
                f"{name} contradicts itself: calibrated before each use, and {', '.join(void)}.",
                rule="What is calibrated before each use has no due date that could be moved.",
                next_step="Keep one of the two.",
            )
    if rule.shelf_limit_days is not None and rule.shelf_limit_days < 1:
        raise RecordRefused(
            f"{name} has a shelf limit of {rule.shelf_limit_days} days.",
            rule="A shelf limit is at least one day.",
            next_step="Give the longest time in store, or leave the limit out.",
        )
    if rule.deferrals_allowed is not None and rule.deferrals_allowed < 0:
        raise RecordRefused(
            f"{name} allows {rule.deferrals_allowed} deferrals.",
            rule="The number of deferrals between two calibrations is 0 (none) or more.",
            next_step="Correct the number.",
        )
    if rule.hard_stop is not None and rule.hard_stop <= rule.effective_on:
        raise RecordRefused(
            f"{name} has its hard stop on {rule.hard_stop}, which is then past.",
            rule="A hard stop is the last day for the coming calibration.",
            next_step="Give a later hard stop, or an earlier day of effect.",
        )


def check_anchor(rule: DueRule, policy: IntervalPolicy, *, tag: str) -> None:
    """Nothing, when the first fixed date of ``rule`` means something for ``tag`` and its policy.

    Raises RecordRefused when the policy counts from the last calibration.
    """
    if rule.grid_anchor is not None and policy.basis is not IntervalBasis.FIXED_GRID:
        raise RecordRefused(
            f"The due rule for {rule_text(rule)} sets fixed dates from {rule.grid_anchor}, but "
            f"{tag} follows policy {policy.code}, which counts from the last calibration.",
            rule="A first fixed date belongs to a policy with fixed dates.",
            next_step="Name such a policy in the rule too, or leave the date out.",
        )


def leaves_all_open(rule: DueRule) -> bool:
    """Whether the rule says nothing at all: it ends the one before it."""
    return all(not field_text(rule, f.name) for f in fields(rule) if f.name in FIELDS)
