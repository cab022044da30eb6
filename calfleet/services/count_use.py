"""Use counted: limits on it, what the counters showed, and when a limit will be reached."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import date
from decimal import Decimal
from typing import TYPE_CHECKING

from calfleet.errors import BadQuantity, DateRefused, ReadingRefused, RecordRefused
from calfleet.records import SwitchStatus, UsageReading, UsageRule
from calfleet.scheduling.due import Standing, UsageLimit, usage_rate
from calfleet.services.bench_facts import gather_for_planning
from calfleet.services.list_due import gather_dates
from calfleet.services.nearest import pick
from calfleet.services.plan_facts import due_facts
from calfleet.store import planning_facts
from calfleet.store.queries import due as due_queries
from calfleet.store.queries import switches as switch_queries
from calfleet.store.queries.planning import usage
from calfleet.store.work import Work

if TYPE_CHECKING:
    from sqlalchemy.orm import Session


def set_usage_limit(work: Work, given: UsageRule, *, today: date) -> tuple[UsageRule, Standing]:
    """The limit on use as added, and how the switch stands with it; the caller commits.

    Raises: UnknownName; BadQuantity for a limit that is not above zero; RecordRefused without a
    name or for a second limit of that name from that day.
    """
    session = work.session
    on = max(today, given.effective_on)
    switch = pick("switch", given.tag, {s.tag: s for s in switch_queries.in_force(session, on)})
    name = " ".join(given.name.split())
    if not name:
        raise RecordRefused(
            "The limit does not say of what.",
            rule="A limit on use names what is counted.",
            next_step="Name it, for example 'cycles' or 'hours'.",
        )
    if not given.limit.is_finite() or given.limit <= 0:
        raise BadQuantity(
            f"A limit of {given.limit} {name}.",
            rule="A limit on use is above zero.",
            next_step="Correct the limit.",
        )
    rules, _ = usage(session)
    made = replace(
        given, tag=switch.tag, name=_as_named(name, [r for r in rules if r.tag == switch.tag])
    )
    if any(
        (r.tag, r.name, r.effective_on) == (made.tag, made.name, made.effective_on) for r in rules
    ):
        raise RecordRefused(
            f"A limit of {made.name} on {made.tag} takes effect on {made.effective_on} already.",
            rule="One limit of a name takes effect on a day; limits are only added.",
            next_step="Let the new one take effect on another day.",
        )
    planning_facts.add_usage_rule(work, made)
    return made, gather_dates(session, on, gather_for_planning(session)).standing(switch)


def _as_named(name: str, rules: list[UsageRule]) -> str:
    return next((r.name for r in rules if r.name.casefold() == name.casefold()), name)


def read_counter(work: Work, given: UsageReading, *, today: date) -> tuple[UsageReading, Standing]:
    """The counter reading as added, and how the switch stands with it; the caller commits.

    Raises: UnknownName for a tag or a counter without a limit; DateRefused for a day to come;
    ReadingRefused for a value below an earlier one or above a later one; RecordRefused when a
    reading of that day is there.
    """
    session = work.session
    switch = pick("switch", given.tag, {s.tag: s for s in switch_queries.in_force(session, today)})
    rules, readings = usage(session)
    names = {r.name: r.name for r in rules if r.tag == switch.tag}
    name = pick(
        "counter",
        " ".join(given.name.split()),
        names,
        next_step=f"Counted on {switch.tag}: {', '.join(sorted(names)) or 'nothing'}. "
        "'calfleet usage-limit' sets a limit.",
    )
    made = replace(given, tag=switch.tag, name=name)
    if made.read_on > today:
        raise DateRefused(
            f"The reading of {name} on {made.tag} is dated {made.read_on}, which is to come.",
            rule="A counter is read by today.",
            next_step="Correct the date.",
        )
    if not made.value.is_finite() or made.value < 0:
        raise ReadingRefused(
            f"A reading of {made.value} {name}.",
            rule="A counter shows zero or more.",
            next_step="Correct the value.",
        )
    own = [r for r in readings if (r.tag, r.name) == (made.tag, name)]
    if any(r.read_on == made.read_on for r in own):
        raise RecordRefused(
            f"{name} on {made.tag} was read on {made.read_on} already.",
            rule="A counter is recorded once a day; readings are only added.",
            next_step="Check the day.",
        )
    before = max(
        (r for r in own if r.read_on < made.read_on), key=lambda r: r.read_on, default=None
    )
    after = min((r for r in own if r.read_on > made.read_on), key=lambda r: r.read_on, default=None)
    if (before is not None and made.value < before.value) or (
        after is not None and made.value > after.value
    ):
        beside = ", ".join(f"{r.value} on {r.read_on}" for r in (before, after) if r is not None)
        raise ReadingRefused(
            f"{made.value} {name} on {made.read_on} does not fit in with {beside}.",
            rule="A counter counts from first use and never runs back.",
            next_step="Check the value and the day. For a new counter add what the old one showed.",
        )
    planning_facts.add_usage_reading(work, made)
    return made, gather_dates(session, today, gather_for_planning(session)).standing(switch)


@dataclass(frozen=True, slots=True)
class UseLine:
    """A limit on use on a day: what the counter last showed, what was used, what it means."""

    tag: str
    name: str
    limit: Decimal
    since: date
    last_value: Decimal | None
    read_on: date | None
    used: Decimal | None
    rate_per_day: Decimal | None
    left: Decimal | None
    share: float | None
    expected_on: date | None


def list_usage(session: Session, on: date) -> list[UseLine]:
    """Every limit on use in force on ``on`` of a switch in service, by tag, then name."""
    moved = due_facts(session)
    performed = due_queries.performed_days(session)
    dates = gather_dates(session, on, gather_for_planning(session))
    lines = []
    for switch in switch_queries.in_force(session, on):
        rules = {r.name: r for r in moved.rules.get(switch.tag, ()) if r.effective_on <= on}
        if not rules or switch.status is not SwitchStatus.IN_SERVICE:
            continue
        last = max((d for d in performed.get(switch.tag, ()) if d <= on), default=None)
        limits = {u.name: u for u in moved.usage_of(switch.tag, last, on)}
        expected = {x.name: x.due_on for x in dates.by_calendar(switch).limits if x.estimated}
        for name, rule in sorted(rules.items()):
            lines.append(_use_line(rule, limits.get(name), moved.readings, last, on, expected))
    return lines


def _use_line(
    rule: UsageRule,
    found: UsageLimit | None,
    readings: dict[str, list[UsageReading]],
    last: date | None,
    on: date,
    expected: dict[str, date],
) -> UseLine:
    own = [r for r in readings.get(rule.tag, ()) if r.name == rule.name and r.read_on <= on]
    read = own[-1] if own else None
    rate = None
    if found is not None:
        start = last or (own[0].read_on if own else on)
        rate = usage_rate(found, start) if found.read_on > start else None
    day = next((day for name, day in expected.items() if name.endswith(f" {rule.name}")), None)
    return UseLine(
        tag=rule.tag,
        name=rule.name,
        limit=rule.limit,
        since=rule.effective_on,
        last_value=None if read is None else read.value,
        read_on=None if read is None else read.read_on,
        used=None if found is None else found.used,
        rate_per_day=rate,
        left=None if found is None else rule.limit - found.used,
        share=None if found is None else float(found.used / rule.limit),
        expected_on=day,
    )
