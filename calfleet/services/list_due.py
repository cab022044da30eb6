"""The due list: what is due, why on that day, and whether a gauge will be at hand then."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from datetime import date
from typing import TYPE_CHECKING

from calfleet.records import (
    Criticality,
    DueLine,
    IntervalBasis,
    IntervalPolicy,
    Phase,
    Quantity,
    SetPoint,
    Switch,
    SwitchStatus,
)
from calfleet.scheduling.due import Standing, Status, standing
from calfleet.scheduling.rules import RuleInForce
from calfleet.services.bench_facts import BenchFacts, gather_for_planning
from calfleet.services.fit_gauges import CurveCache, Readiness, ready_gauge
from calfleet.services.gauge_outlook import with_outlook
from calfleet.services.plan_facts import DueFacts, due_facts
from calfleet.services.recalls import recalls, with_recall
from calfleet.store.queries import due as due_queries
from calfleet.store.queries import switches as switch_queries
from calfleet.store.queries.doubts import Recalled
from calfleet.store.queries.due import LastResult
from calfleet.store.queries.planning import laboratory_terms, static_gauge_users

if TYPE_CHECKING:
    from calfleet.store.queries.reader import Reader


@dataclass(frozen=True, slots=True)
class Filters:
    """Which lines are wanted; an empty tuple means all."""

    areas: tuple[str, ...] = ()
    criticalities: tuple[Criticality, ...] = ()
    quantities: tuple[Quantity, ...] = ()
    overdue_only: bool = False


@dataclass(frozen=True, slots=True)
class DueTotals:
    """Totals below the list; hours by area in order of the area's code.

    ``before_use``: switches without a date, because they are calibrated before each use.
    """

    count: int
    overdue: int
    in_grace: int
    without_gauge: int
    bench_minutes: int
    minutes_by_area: Mapping[str, int]
    before_use: int = 0


@dataclass(frozen=True, slots=True)
class DueList:
    """The lines, most urgent first, with their totals; ``site`` is the site's code."""

    as_of: date
    until: date
    lines: tuple[DueLine, ...]
    totals: DueTotals
    site: str


def list_due(
    reader: Reader, *, as_of: date, until: date, filters: Filters | None = None
) -> DueList:
    """Everything in service whose due date is not after ``until``, most urgent first.

    What is already overdue on ``as_of`` is always part of the list: it is still to be done.
    Order: overdue before not overdue, then due date, then criticality (safety first), then tag.
    A job that is overdue is judged for its gauge on ``as_of``, any other on its due date, with
    the gauges that are expected to be there then (``gauge_outlook``).
    """
    wanted = filters or Filters()
    facts = gather_for_planning(reader, in_use_on=as_of)
    dates = gather_dates(reader, as_of, facts)
    facts = with_outlook(facts, laboratory_terms(reader), as_of, max(until, as_of))
    static_users = static_gauge_users(reader)
    cache = CurveCache()
    lines = []
    before_use = 0
    for switch in switch_queries.in_force(reader, as_of):
        if not _wanted(switch, wanted):
            continue
        standing_now = dates.standing(switch)
        if standing_now.due_on is None:
            before_use += standing_now.status is Status.CALIBRATE_BEFORE_USE
            continue
        if standing_now.due_on > until and standing_now.due_on >= as_of:
            continue
        overdue = standing_now.due_on < as_of
        if wanted.overdue_only and not overdue:
            continue
        job_day = max(standing_now.due_on, as_of)
        readiness = ready_gauge(
            switch, facts, job_day, cache, needs_static=switch.tag in static_users
        )
        last = dates.last.get(switch.tag)
        lines.append(_line(switch, standing_now, last, readiness, until))
    lines.sort(key=lambda x: (x.due_on or until, x.criticality.rank, x.tag))
    totals = replace(_totals(lines, as_of), before_use=before_use)
    return DueList(as_of, until, tuple(lines), totals, due_queries.site_code(reader))


@dataclass(frozen=True)
class Dates:
    """All that due dates are counted from, as known on ``as_of``, for the whole site."""

    as_of: date
    facts: BenchFacts
    moved: DueFacts
    performed: Mapping[str, list[date]]
    last: Mapping[str, LastResult]
    recalled: Mapping[str, Recalled]

    def standing(self, switch: Switch, *, further: bool = True) -> Standing:
        """How ``switch`` stands: by the calendar and the rules, left failed, recalled.

        Without ``further`` only the calibration counts, not the switch's other work.
        """
        found = self.by_calendar(switch, further=further)
        found = with_failure(found, self.last.get(switch.tag))
        return with_recall(found, self.recalled.get(switch.tag))

    def by_calendar(self, switch: Switch, *, further: bool = True) -> Standing:
        """The same, whatever the last calibration found and whoever recalled it."""
        return switch_standing(
            switch,
            self.performed.get(switch.tag, []),
            self.facts,
            self.as_of,
            moved_by=self.moved,
            further=further,
        )


def gather_dates(reader: Reader, as_of: date, facts: BenchFacts) -> Dates:
    """What the dates of every switch are counted from, through a connection or a session."""
    performed = due_queries.performed_days(reader)
    return Dates(
        as_of,
        facts,
        due_facts(reader),
        performed,
        due_queries.last_results(reader, as_of),
        recalls(reader, as_of, performed),
    )


def switch_standing(
    switch: Switch,
    performed: list[date],
    facts: BenchFacts,
    as_of: date,
    *,
    first_use: date | None = None,
    moved_by: DueFacts | None = None,
    further: bool = True,
) -> Standing:
    """When ``switch`` is due and why: the one place where stored facts become a due date.

    Never calibrated, its clock starts on its first day in service (where no data sheet tells it:
    on ``first_use``, else when the given sheet took effect). ``moved_by``: due rules, deferrals,
    outages, use, storage and, if ``further``, the further intervals, where they are to count.
    """
    past = [day for day in performed if day <= as_of]
    last = max(past, default=None)
    moved = moved_by or DueFacts()
    rule = moved.rule_for(switch, as_of)
    policy = policy_for(switch, facts, rule, as_of)
    storage = moved.storage_of(switch.tag, last, as_of, rule.shelf_limit_days)
    stop = hard_stop_for(switch, rule, last)
    outages = moved.outages_for(switch, stop) if moved.outages or stop else None
    found = standing(
        policy,
        past,
        as_of=as_of,
        in_service=switch.status is SwitchStatus.IN_SERVICE,
        first_use=moved.first_use(switch.tag, as_of) or first_use or switch.effective_on,
        grid_anchor=rule.grid_anchor,
        storage=storage,
        usage=moved.usage_of(switch.tag, last, as_of),
        also=moved.clocks_of(switch.tag, as_of, facts.policy) if further else (),
        outages=outages,
        deferrals=moved.deferrals_of(switch.tag, as_of),
        before_each_use=rule.before_use,
    )
    if not rule.sources:
        return found
    said = rule.text(
        name
        for name, counts in (
            ("policy", not rule.before_use),
            ("before_use", rule.before_use),
            ("grid_anchor", policy.basis is IntervalBasis.FIXED_GRID and not rule.before_use),
            ("shelf_limit_days", storage is not None),
            ("hard_stop", stop is not None),
        )
        if counts
    )
    return replace(found, why=f"{found.why} {said}") if said else found


def policy_for(switch: Switch, facts: BenchFacts, rule: RuleInForce, as_of: date) -> IntervalPolicy:
    """The interval policy that ``switch`` follows: by the rule in force, else its data sheet."""
    return facts.policy(rule.policy or switch.policy, as_of)


def hard_stop_for(switch: Switch, rule: RuleInForce, last: date | None) -> date | None:
    """The hard stop of the coming calibration: work done since the rule took effect spends it."""
    source = rule.source("hard_stop")
    if not switch.outage_bound or source is None:
        return None
    return None if last is not None and last >= source.effective_on else rule.hard_stop


def _wanted(switch: Switch, filters: Filters) -> bool:
    return (
        switch.status is SwitchStatus.IN_SERVICE
        and (not filters.areas or switch.area in filters.areas)
        and (not filters.criticalities or switch.criticality in filters.criticalities)
        and (not filters.quantities or switch.quantity in filters.quantities)
    )


CALIBRATION = "calibration"


def work_text(works: Iterable[str]) -> str:
    """What is due, in words: the calibration and further work by name."""
    return ", ".join(name or CALIBRATION for name in works)


def _line(
    switch: Switch, due: Standing, last: LastResult | None, readiness: Readiness, until: date
) -> DueLine:
    return DueLine(
        tag=switch.tag,
        service=switch.service,
        area=switch.area,
        quantity=switch.quantity,
        criticality=switch.criticality,
        set_points="; ".join(set_point_text(p, switch.unit) for p in switch.set_points),
        last_number=None if last is None else last.number,
        last_on=None if last is None else last.performed_on,
        last_verdict=last_verdict(last),
        due_on=due.due_on,
        latest_on=due.latest_on,
        days_left=due.days_left,
        status=str(due.status),
        why=due.why,
        bench_minutes=switch.bench_minutes,
        outage_bound=switch.outage_bound,
        readiness=readiness.view(),
        work=work_text(due.works_due(max(until, due.as_of))),
    )


def set_point_text(point: SetPoint, unit: str) -> str:
    """A set point in a few characters: value, unit and an arrow for its direction."""
    arrow = "↑" if point.direction == "rising" else "↓"
    return f"{format(point.value, 'f')} {unit} {arrow}"


def left_failed(verdicts: Iterable[tuple[str, str, str]]) -> bool:
    """Whether the last word on any set point is a failure.

    ``verdicts``: (set point label, phase, verdict); as left counts before as found.
    """
    final: dict[str, tuple[bool, str]] = {}
    for label, phase, verdict in verdicts:
        left = phase == Phase.AS_LEFT
        if left or label not in final:
            final[label] = (left, verdict)
    return any(verdict.endswith("fail") for _, verdict in final.values())


def with_failure(standing: Standing, last: LastResult | None) -> Standing:
    """``standing``, or due since the last calibration when that left the switch failed.

    No calendar makes a switch trustworthy that was left outside its limits.
    """
    if last is None or standing.due_on is None or not left_failed(last.verdicts):
        return standing
    return replace(
        standing,
        status=Status.OVERDUE,
        due_on=last.performed_on,
        latest_on=last.performed_on,
        original_due_on=standing.due_on,
        why=f"Due at once: left failed on {last.performed_on} ({last.number}), until a calibration "
        f"leaves it inside its limits. By the calendar {standing.due_on}.",
    )


def last_verdict(last: LastResult | None) -> str:
    """The last calibration in words: the worst as-found verdict and the worst as-left one."""
    if last is None:
        return "none recorded"
    order = ("fail", "conditional fail", "conditional pass", "pass")
    parts = []
    for phase in (Phase.AS_FOUND, Phase.AS_LEFT):
        verdicts = {v for _, p, v in last.verdicts if p == phase}
        worst = next((v for v in order if v in verdicts), None)
        if worst is not None:
            parts.append(f"{phase} {worst}")
    return ", ".join(parts) or "no readings"


def _totals(lines: list[DueLine], as_of: date) -> DueTotals:
    minutes: Counter[str] = Counter()
    for line in sorted(lines, key=lambda x: x.area):
        minutes[line.area] += line.bench_minutes
    return DueTotals(
        count=len(lines),
        overdue=sum(x.due_on is not None and x.due_on < as_of for x in lines),
        in_grace=sum(x.status == "in grace" for x in lines),
        without_gauge=sum(not x.readiness.ready for x in lines),
        bench_minutes=sum(x.bench_minutes for x in lines),
        minutes_by_area=dict(minutes),
    )
