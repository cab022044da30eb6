"""Rules about due dates entered: due rules and interval policies, with the dates they move."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import date
from typing import TYPE_CHECKING

from calfleet.errors import RecordRefused
from calfleet.records import DueRule, IntervalBasis, IntervalPolicy, RuleScope, Switch, SwitchStatus
from calfleet.scheduling.due import check_policy
from calfleet.scheduling.rules import (
    by_subject,
    check_anchor,
    check_rule,
    leaves_all_open,
    rule_text,
    says,
)
from calfleet.services.bench_facts import gather_for_planning
from calfleet.services.list_due import Dates, gather_dates, hard_stop_for, policy_for
from calfleet.services.nearest import pick, pick_policy
from calfleet.store import facts as store
from calfleet.store import rule_facts
from calfleet.store.queries import due as due_queries
from calfleet.store.queries import rules as rule_queries
from calfleet.store.queries import switches as switch_queries
from calfleet.store.work import Work

if TYPE_CHECKING:
    from sqlalchemy.orm import Session


@dataclass(frozen=True, slots=True)
class MovedDate:
    """A due date before and after; ``None``: there is none. ``why`` tells the new one."""

    tag: str
    before: date | None
    after: date | None
    why: str


@dataclass(frozen=True, slots=True)
class SetRule:
    """What was entered, how many switches it is made for, and the dates it moves today."""

    rule: DueRule
    switches: int
    moved: tuple[MovedDate, ...]


def set_due_rule(work: Work, given: DueRule, *, today: date) -> SetRule:
    """The due rule as added, with the dates it moves; the caller commits.

    Raises: UnknownName for its subject or policy; RecordRefused where it contradicts itself or
    what it is made for, says nothing, or stands there already.
    """
    session = work.session
    dates = gather_dates(session, today, gather_for_planning(session))
    switches = switch_queries.in_force(session, max(today, given.effective_on))
    rule = _named(given, switches, dates)
    check_rule(rule)
    held = rule_queries.due_rules(session)
    same = [r for r in held if (r.scope, r.subject) == (rule.scope, rule.subject)]
    if any(r.effective_on == rule.effective_on for r in same):
        raise RecordRefused(
            f"A due rule for {rule_text(rule)} is there already.",
            rule="One rule for one subject takes effect on a day; rules are only added.",
            next_step="Let the new one take effect on another day.",
        )
    if leaves_all_open(rule) and not any(r.effective_on < rule.effective_on for r in same):
        raise RecordRefused(
            f"The due rule for {rule_text(rule)} says nothing.",
            rule="A rule sets something, or ends an earlier one for the same subject.",
            next_step="Say what it sets, or check for what it is made.",
        )
    for policy in dates.facts.policies.get(rule.policy, ()):
        check_policy(policy)
    after = replace(dates, moved=replace(dates.moved, due_rules=by_subject([*held, rule])))
    concerned = [s for s in switches if _concerns(rule, s) and s.status is SwitchStatus.IN_SERVICE]
    then = max(today, rule.effective_on)
    _check_items(rule, concerned, replace(after, as_of=then))
    rule_facts.add_due_rule(work, rule)
    moved = moved_dates(concerned, replace(dates, as_of=then), replace(after, as_of=then))
    return SetRule(rule, len(concerned), moved)


def _named(given: DueRule, switches: Sequence[Switch], dates: Dates) -> DueRule:
    """``given`` with its names as recorded."""
    subject = given.subject
    if given.scope is RuleScope.SWITCH:
        subject = pick("switch", subject, {s.tag: s.tag for s in switches})
    elif given.scope is RuleScope.FAMILY:
        subject = pick("family", subject, {s.family: s.family for s in switches})
    policy = given.policy
    if policy:
        policy = pick_policy(policy, dates.facts.policies)
    return replace(given, subject=subject, policy=policy, reason=given.reason.strip())


def _concerns(rule: DueRule, switch: Switch) -> bool:
    return rule.scope is RuleScope.SITE or rule.subject in (
        switch.tag if rule.scope is RuleScope.SWITCH else switch.family,
    )


def _check_items(rule: DueRule, concerned: Sequence[Switch], then: Dates) -> None:
    """Nothing, when what the rule sets means something for what it is made for."""
    if rule.grid_anchor is not None:
        followed = {
            s.tag: policy_for(s, then.facts, then.moved.rule_for(s, then.as_of), then.as_of)
            for s in concerned
        }
        if not any(p.basis is IntervalBasis.FIXED_GRID for p in followed.values()):
            for tag, policy in followed.items():
                check_anchor(rule, policy, tag=tag)
    if rule.hard_stop is not None:
        bound = [s for s in concerned if s.outage_bound]
        if not bound:
            raise RecordRefused(
                f"The due rule for {rule_text(rule)} sets a hard stop, but nothing it is made for "
                "is outage-bound.",
                rule="A hard stop belongs to a switch that is done in an outage.",
                next_step="Mark the switch as outage-bound on its data sheet first.",
            )
        if all(
            hard_stop_for(s, then.moved.rule_for(s, then.as_of), _last(then, s)) is None
            for s in bound
        ):
            raise RecordRefused(
                f"The hard stop of the due rule for {rule_text(rule)} is spent: calibrated since.",
                rule="A hard stop is for the coming calibration: work done after the rule took "
                "effect spends it.",
                next_step="Let the rule take effect after the last calibration.",
            )


def _last(dates: Dates, switch: Switch) -> date | None:
    return max((d for d in dates.performed.get(switch.tag, ()) if d <= dates.as_of), default=None)


def moved_dates(switches: Iterable[Switch], before: Dates, after: Dates) -> tuple[MovedDate, ...]:
    """The switches whose due date differs, in the order given."""
    found = []
    for switch in switches:
        old, new = before.standing(switch), after.standing(switch)
        if old.due_on != new.due_on or old.latest_on != new.latest_on:
            found.append(MovedDate(switch.tag, old.due_on, new.due_on, new.why))
    return tuple(found)


@dataclass(frozen=True, slots=True)
class SetPolicy:
    """The policy entered, who follows it, and the dates it moves from its day on."""

    policy: IntervalPolicy
    followed_by: int
    moved: tuple[MovedDate, ...]


def set_policy(work: Work, policy: IntervalPolicy, *, today: date) -> SetPolicy:
    """The interval policy, or its new version, as added; the caller commits.

    Raises: RecordRefused when it contradicts itself, takes effect on a day that is past (results
    and certificates of past days were judged by what was in force then), or on one on which a
    version of it takes effect already.
    """
    check_policy(policy)
    if policy.effective_on < today:
        raise RecordRefused(
            f"Policy {policy.code} cannot take effect on {policy.effective_on}: that day is past.",
            rule="What was in force on a past day stays: due dates, certificates and results of "
            "that time rest on it.",
            next_step=f"Let it take effect on {today} or later.",
        )
    session = work.session
    dates = gather_dates(session, today, gather_for_planning(session))
    versions = dates.facts.policies.get(policy.code, ())
    if any(p.effective_on == policy.effective_on for p in versions):
        raise RecordRefused(
            f"A version of policy {policy.code} takes effect on {policy.effective_on} already.",
            rule="One version of a policy takes effect on a day; versions are only added.",
            next_step="Let the new one take effect on another day.",
        )
    then = max(today, policy.effective_on)
    known = {**dates.facts.policies}
    known[policy.code] = tuple(sorted((*versions, policy), key=lambda p: p.effective_on))
    before = replace(dates, as_of=then)
    after = replace(before, facts=replace(dates.facts, policies=known))
    followers = [
        s
        for s in switch_queries.in_force(session, then)
        if s.status is SwitchStatus.IN_SERVICE
        and (before.moved.rule_for(s, then).policy or s.policy) == policy.code
    ]
    store.add_policy(work, policy)
    return SetPolicy(policy, len(followers), moved_dates(followers, before, after))


@dataclass(frozen=True, slots=True)
class RuleLine:
    """A due rule as listed: whether it is in force, and for how many switches it is made."""

    rule: DueRule
    in_force: bool
    switches: int
    says: str


def list_rules(session: Session, on: date) -> list[RuleLine]:
    """Every due rule, widest scope first, then by subject and day of effect."""
    switches = [
        s for s in switch_queries.in_force(session, on) if s.status is SwitchStatus.IN_SERVICE
    ]
    rules = rule_queries.due_rules(session)
    newest: dict[tuple[RuleScope, str], date] = {}
    for rule in rules:
        if rule.effective_on <= on:
            key = (rule.scope, rule.subject)
            newest[key] = max(newest.get(key, date.min), rule.effective_on)
    return [
        RuleLine(
            rule,
            newest.get((rule.scope, rule.subject)) == rule.effective_on,
            sum(_concerns(rule, s) for s in switches),
            says(rule),
        )
        for rule in sorted(rules, key=lambda r: (r.scope.rank, r.subject, r.effective_on))
    ]


@dataclass(frozen=True, slots=True)
class PolicyLine:
    """A version of an interval policy as listed; ``switches`` that follow it on the day."""

    policy: IntervalPolicy
    in_force: bool
    switches: int


def list_policies(session: Session, on: date) -> list[PolicyLine]:
    """Every version of every interval policy, by code and day of effect."""
    dates = gather_dates(session, on, gather_for_planning(session))
    followed: dict[str, int] = {}
    for s in switch_queries.in_force(session, on):
        if s.status is SwitchStatus.IN_SERVICE:
            code = dates.moved.rule_for(s, on).policy or s.policy
            followed[code] = followed.get(code, 0) + 1
    lines = []
    for code, versions in sorted(due_queries.policies(session).items()):
        current = max((p.effective_on for p in versions if p.effective_on <= on), default=None)
        lines += [
            PolicyLine(
                p, p.effective_on == current, followed.get(code, 0) * (p.effective_on == current)
            )
            for p in versions
        ]
    return lines
