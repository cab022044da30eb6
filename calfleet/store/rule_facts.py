"""Adding rules about due dates, further intervals, and the other work that was done."""

from __future__ import annotations

from calfleet.records import DueRule, FurtherInterval, OtherWork, RuleScope
from calfleet.store.facts import insert, known, site_id
from calfleet.store.models import DueRuleRow, FurtherIntervalRow, OtherWorkRow, PersonRow, SwitchRow
from calfleet.store.work import Work


def rule_key(rule: DueRule) -> str:
    """What a due rule is called in the audit trail."""
    subject = f" {rule.subject}" if rule.subject else ""
    return f"{rule.scope}{subject} from {rule.effective_on}"


def add_due_rule(work: Work, rule: DueRule) -> None:
    switch = None
    if rule.scope is RuleScope.SWITCH:
        switch = known(work, SwitchRow, "switch", rule.subject, "tag")
    row = DueRuleRow(
        site_id=site_id(work),
        scope=rule.scope,
        subject=rule.subject,
        switch_id=switch,
        effective_on=rule.effective_on,
        reason=rule.reason,
        policy=rule.policy,
        before_use=rule.before_use,
        grid_anchor=rule.grid_anchor,
        shelf_limit_days=rule.shelf_limit_days,
        hard_stop=rule.hard_stop,
        deferrals_allowed=rule.deferrals_allowed,
        **work.marks(),
    )
    insert(work, row, "due rule", rule_key(rule), rule)


def further_key(interval: FurtherInterval) -> str:
    """What a further interval is called in the audit trail."""
    return f"{interval.tag} {interval.name} from {interval.effective_on}"


def add_further_interval(work: Work, interval: FurtherInterval) -> None:
    row = FurtherIntervalRow(
        switch_id=known(work, SwitchRow, "switch", interval.tag, "tag"),
        name=interval.name,
        policy=interval.policy,
        effective_on=interval.effective_on,
        held=interval.held,
        **work.marks(),
    )
    insert(work, row, "further interval", further_key(interval), interval)


def other_work_key(done: OtherWork) -> str:
    """What a piece of other work is called in the audit trail."""
    return f"{done.tag} {done.name} on {done.done_on}"


def add_other_work(work: Work, done: OtherWork) -> None:
    row = OtherWorkRow(
        switch_id=known(work, SwitchRow, "switch", done.tag, "tag"),
        name=done.name,
        done_on=done.done_on,
        done_by_id=known(work, PersonRow, "person", done.done_by),
        note=done.note,
        **work.marks(),
    )
    insert(work, row, "other work", other_work_key(done), done)
