"""What planning stands on, turned into what the scheduling takes."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from datetime import date
from decimal import Decimal
from typing import TYPE_CHECKING

from calfleet.records import (
    DeferralRecord,
    FurtherInterval,
    GaugeAbsence,
    IntervalPolicy,
    Outage,
    PlanningInput,
    Switch,
    SwitchStatus,
    UsageReading,
    UsageRule,
)
from calfleet.scheduling.calendar import Window
from calfleet.scheduling.due import Clock, Deferral, Outages, Storage, UsageLimit
from calfleet.scheduling.rules import NO_RULE, RuleInForce, Rules, by_subject, rule_in_force
from calfleet.store.queries import planning as queries
from calfleet.store.queries import rules as rule_queries

if TYPE_CHECKING:
    from calfleet.store.queries.reader import Reader


@dataclass(frozen=True)
class DueFacts:
    """What moves a due date besides the policy, by tag or area.

    ``due_rules``: by scope and subject; ``further``: versions of a switch's further intervals;
    ``other_work``: the days each was done, by tag and name; ``service``: what its data sheets
    made of a switch and from when.
    """

    deferrals: dict[str, list[DeferralRecord]] = field(default_factory=dict)
    outages: tuple[Outage, ...] = ()
    rules: dict[str, list[UsageRule]] = field(default_factory=dict)
    readings: dict[str, list[UsageReading]] = field(default_factory=dict)
    due_rules: Rules = field(default_factory=dict)
    further: dict[str, list[FurtherInterval]] = field(default_factory=dict)
    other_work: dict[tuple[str, str], list[date]] = field(default_factory=dict)
    service: dict[str, list[tuple[date, SwitchStatus]]] = field(default_factory=dict)

    def rule_for(self, switch: Switch, as_of: date) -> RuleInForce:
        """What the due rules say about ``switch`` on ``as_of``."""
        if not self.due_rules:
            return NO_RULE
        return rule_in_force(self.due_rules, tag=switch.tag, family=switch.family, on=as_of)

    def clocks_of(
        self, tag: str, as_of: date, policy: Callable[[str, date], IntervalPolicy]
    ) -> list[Clock]:
        """The further intervals of ``tag`` held on ``as_of``, as scheduling takes them."""
        held: dict[str, list[FurtherInterval]] = {}
        for version in self.further.get(tag, ()):
            if version.effective_on <= as_of:
                held.setdefault(version.name, []).append(version)
        found = []
        for name, versions in held.items():
            if not versions[-1].held:
                continue
            begins = versions[-1].effective_on
            for version in reversed(versions):
                if not version.held:
                    break
                begins = version.effective_on
            found.append(
                Clock(
                    name,
                    policy(versions[-1].policy, as_of),
                    tuple(self.other_work.get((tag, name), ())),
                    begins,
                )
            )
        return found

    def first_use(self, tag: str, as_of: date) -> date | None:
        """The first day the switch was in service, if that is on record by ``as_of``."""
        return next(
            (
                day
                for day, status in self.service.get(tag, ())
                if status is SwitchStatus.IN_SERVICE and day <= as_of
            ),
            None,
        )

    def storage_of(
        self, tag: str, last_on: date | None, as_of: date, shelf_limit_days: int | None
    ) -> Storage | None:
        """Storage that matters on ``as_of``; ``None``: in service, with a clock of its own.

        Issued from store, the clock starts on the day of issue only where the switch was in store
        ever since its calibration; where it was in use meanwhile, that use counts. A shelf limit
        that ran out before the issue counts either way.
        """
        known = [(day, status) for day, status in self.service.get(tag, ()) if day <= as_of]
        if not known:
            return None
        if known[-1][1] is SwitchStatus.IN_STORE:
            return Storage(None, shelf_limit_days)
        issued_on = None
        before: SwitchStatus | None = None
        for day, status in known:
            if status is SwitchStatus.IN_SERVICE and before is SwitchStatus.IN_STORE:
                issued_on = day
            before = status
        if shelf_limit_days is None or last_on is None or issued_on is None or issued_on <= last_on:
            return None
        on_day = [status for day, status in known if day <= last_on]
        meanwhile = [status for day, status in known if last_on < day < issued_on]
        stored = [*on_day[-1:], *meanwhile]
        if (issued_on - last_on).days > shelf_limit_days or all(
            status is not SwitchStatus.IN_SERVICE for status in stored
        ):
            return Storage(issued_on, shelf_limit_days)
        return None

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

    def outages_for(self, switch: Switch, hard_stop: date | None = None) -> Outages | None:
        """The outages in which an outage-bound switch can be reached; else ``None``."""
        if not switch.outage_bound:
            return None
        return Outages(
            tuple(
                Window(o.first_on, o.last_on, o.name)
                for o in self.outages
                if not o.areas or switch.area in o.areas
            ),
            hard_stop,
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
            due_rules=rule_queries.due_rules(reader),
            further_intervals=rule_queries.further_intervals(reader),
            other_work=rule_queries.other_work(reader),
        ),
        rule_queries.service_history(reader),
    )


def facts_from(
    given: PlanningInput, service: dict[str, list[tuple[date, SwitchStatus]]]
) -> DueFacts:
    """The same from planning input as a whole, and what each switch's data sheets made of it."""
    rules: dict[str, list[UsageRule]] = {}
    for rule in sorted(given.usage_rules, key=lambda r: r.effective_on):
        rules.setdefault(rule.tag, []).append(rule)
    readings: dict[str, list[UsageReading]] = {}
    for reading in sorted(given.usage_readings, key=lambda r: r.read_on):
        readings.setdefault(reading.tag, []).append(reading)
    deferrals: dict[str, list[DeferralRecord]] = {}
    for deferral in given.deferrals:
        deferrals.setdefault(deferral.tag, []).append(deferral)
    further: dict[str, list[FurtherInterval]] = {}
    for interval in sorted(given.further_intervals, key=lambda f: f.effective_on):
        further.setdefault(interval.tag, []).append(interval)
    done: dict[tuple[str, str], list[date]] = {}
    for work in given.other_work:
        done.setdefault((work.tag, work.name), []).append(work.done_on)
    return DueFacts(
        deferrals, tuple(given.outages), rules, readings, by_subject(given.due_rules), further,
        done, service,
    )  # fmt: skip


def absence_on(absences: Iterable[GaugeAbsence], gauge: str, day: date) -> GaugeAbsence | None:
    """The absence of ``gauge`` that covers ``day``, or ``None``."""
    return next((a for a in absences if a.gauge == gauge and a.first_on <= day <= a.last_on), None)
