"""Questions about due rules, further intervals, other work, and when a switch was in service."""

from __future__ import annotations

from datetime import date
from typing import TYPE_CHECKING

from calfleet.records import DueRule, FurtherInterval, OtherWork, RuleScope, SwitchStatus
from calfleet.store.queries.reader import DAY, FLAG, ask, question

if TYPE_CHECKING:
    from calfleet.store.queries.reader import Reader

_RULES = question(
    """
    SELECT scope, subject, effective_on, reason, policy, before_use, grid_anchor,
           shelf_limit_days, hard_stop, deferrals_allowed
    FROM due_rule ORDER BY scope, subject, effective_on
    """,
    scope=RuleScope,
    effective_on=DAY,
    before_use=FLAG,
    grid_anchor=DAY,
    hard_stop=DAY,
)


def due_rules(reader: Reader) -> tuple[DueRule, ...]:
    """Every due rule, by scope, subject and day of effect (unique)."""
    return tuple(DueRule(*row) for row in ask(reader, _RULES))


_FURTHER = question(
    """
    SELECT s.tag, f.name, f.policy, f.effective_on, f.held
    FROM further_interval f JOIN switch s ON s.id = f.switch_id
    ORDER BY s.tag, f.name, f.effective_on
    """,
    effective_on=DAY,
    held=FLAG,
)


def further_intervals(reader: Reader) -> tuple[FurtherInterval, ...]:
    """Every version of every further interval, by tag, name and day of effect (unique)."""
    return tuple(FurtherInterval(*row) for row in ask(reader, _FURTHER))


_OTHER_WORK = question(
    """
    SELECT s.tag, o.name, o.done_on, p.code, o.note
    FROM other_work o
    JOIN switch s ON s.id = o.switch_id
    JOIN person p ON p.id = o.done_by_id
    ORDER BY s.tag, o.name, o.done_on
    """,
    done_on=DAY,
)


def other_work(reader: Reader) -> tuple[OtherWork, ...]:
    """All other work that was done, by tag, name and day (unique)."""
    return tuple(OtherWork(*row) for row in ask(reader, _OTHER_WORK))


_SERVICE = question(
    """
    SELECT s.tag, r.effective_on, r.status
    FROM switch_revision r JOIN switch s ON s.id = r.switch_id
    ORDER BY s.tag, r.effective_on, r.revision
    """,
    effective_on=DAY,
    status=SwitchStatus,
)


def service_history(reader: Reader) -> dict[str, list[tuple[date, SwitchStatus]]]:
    """Per tag the status that each data sheet gave it and from when, in order of effect.

    Of two sheets effective on one day the later entry counts.
    """
    found: dict[str, list[tuple[date, SwitchStatus]]] = {}
    for tag, day, status in ask(reader, _SERVICE):
        found.setdefault(tag, []).append((day, status))
    return found
