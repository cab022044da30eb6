"""What planning stands on, turned into what the scheduling takes."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from datetime import date
from decimal import Decimal
from typing import TYPE_CHECKING

from calfleet.records import (
    DeferralRecord,
    GaugeAbsence,
    Outage,
    PlanningInput,
    Switch,
    UsageReading,
    UsageRule,
)
from calfleet.scheduling.calendar import Window
from calfleet.scheduling.due import Deferral, Outages, UsageLimit
from calfleet.store.queries import planning as queries

if TYPE_CHECKING:
    from calfleet.store.queries.reader import Reader


@dataclass(frozen=True)
class DueFacts:
    """What moves a due date besides the policy: deferrals, outages, use, by tag or area."""

    deferrals: dict[str, list[DeferralRecord]] = field(default_factory=dict)
    outages: tuple[Outage, ...] = ()
    rules: dict[str, list[UsageRule]] = field(default_factory=dict)
    readings: dict[str, list[UsageReading]] = field(default_factory=dict)

    def deferrals_of(self, tag: str, as_of: date) -> list[Deferral]:
        """The deferrals of ``tag`` approved by ``as_of``, as scheduling takes them."""
        return [
            Deferral(
                d.due_on,
                d.until,
                d.reason,
                d.risk,
                d.requested_by,
                d.requested_on,
                d.approved_by,
                d.approved_on,
            )
            for d in self.deferrals.get(tag, ())
            if d.approved_on <= as_of
        ]

    def outages_for(self, switch: Switch) -> Outages | None:
        """The outages in which an outage-bound switch can be reached; else ``None``."""
        if not switch.outage_bound:
            return None
        return Outages(
            tuple(
                Window(o.first_on, o.last_on, o.name)
                for o in self.outages
                if not o.areas or switch.area in o.areas
            )
        )

    def usage_of(self, tag: str, last_on: date | None, as_of: date) -> list[UsageLimit]:
        """The usage limits of ``tag`` with what was used since ``last_on``.

        What the counter stood at on ``last_on`` is interpolated between readings; before the
        first reading it is taken as zero, which makes the item due earlier rather than later.
        """
        found = []
        in_force: dict[str, UsageRule] = {}
        for rule in self.rules.get(tag, ()):
            if rule.effective_on <= as_of:
                in_force[rule.name] = rule
        for rule in in_force.values():
            readings = [
                r for r in self.readings.get(tag, ()) if r.name == rule.name and r.read_on <= as_of
            ]
            if not readings:
                continue
            last = readings[-1]
            base = Decimal(0) if last_on is None else _counter_on(readings, last_on)
            found.append(
                UsageLimit(rule.name, rule.limit, max(Decimal(0), last.value - base), last.read_on)
            )
        return found


def _counter_on(readings: list[UsageReading], day: date) -> Decimal:
    """What a counter stood at on ``day``, between its readings (ordered by day)."""
    before = [r for r in readings if r.read_on <= day]
    after = [r for r in readings if r.read_on > day]
    if not before:
        return Decimal(0)
    left = before[-1]
    if not after or left.read_on == day:
        return left.value
    right = after[0]
    share = Decimal((day - left.read_on).days) / Decimal((right.read_on - left.read_on).days)
    return left.value + (right.value - left.value) * share


def due_facts(reader: Reader) -> DueFacts:
    """All facts that move due dates, through a connection or a session."""
    rules, readings = queries.usage(reader)
    return facts_from(
        PlanningInput(
            outages=tuple(queries.outages(reader)),
            usage_rules=rules,
            usage_readings=readings,
            deferrals=tuple(d for held in queries.deferrals(reader).values() for d in held),
        )
    )


def facts_from(given: PlanningInput) -> DueFacts:
    """The same from planning input as a whole."""
    rules: dict[str, list[UsageRule]] = {}
    for rule in sorted(given.usage_rules, key=lambda r: r.effective_on):
        rules.setdefault(rule.tag, []).append(rule)
    readings: dict[str, list[UsageReading]] = {}
    for reading in sorted(given.usage_readings, key=lambda r: r.read_on):
        readings.setdefault(reading.tag, []).append(reading)
    deferrals: dict[str, list[DeferralRecord]] = {}
    for deferral in given.deferrals:
        deferrals.setdefault(deferral.tag, []).append(deferral)
    return DueFacts(deferrals, tuple(given.outages), rules, readings)


def absence_on(absences: Iterable[GaugeAbsence], gauge: str, day: date) -> GaugeAbsence | None:
    """The absence of ``gauge`` that covers ``day``, or ``None``."""
    return next((a for a in absences if a.gauge == gauge and a.first_on <= day <= a.last_on), None)
