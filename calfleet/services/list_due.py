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
    Phase,
    Quantity,
    SetPoint,
    Switch,
    SwitchStatus,
)
from calfleet.scheduling.due import Standing, Status, standing
from calfleet.services.bench_facts import BenchFacts, gather_for_planning
from calfleet.services.fit_gauges import CurveCache, Readiness, ready_gauge
from calfleet.services.plan_facts import DueFacts, due_facts
from calfleet.store.queries import due as due_queries
from calfleet.store.queries import switches as switch_queries
from calfleet.store.queries.due import LastResult

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
    """Totals below the list; hours by area in order of the area's code."""

    count: int
    overdue: int
    in_grace: int
    without_gauge: int
    bench_minutes: int
    minutes_by_area: Mapping[str, int]


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
    A job that is overdue is judged for its gauge on ``as_of``, any other on its due date.
    """
    wanted = filters or Filters()
    facts = gather_for_planning(reader, in_use_on=as_of)
    days = due_queries.performed_days(reader)
    first = due_queries.first_used(reader)
    moved_by = due_facts(reader)
    last = due_queries.last_results(reader, as_of)
    cache = CurveCache()
    lines = []
    for switch in switch_queries.in_force(reader, as_of):
        if not _wanted(switch, wanted):
            continue
        standing_now = switch_standing(
            switch,
            days.get(switch.tag, []),
            facts,
            as_of,
            first_use=first.get(switch.tag),
            moved_by=moved_by,
        )
        standing_now = with_failure(standing_now, last.get(switch.tag))
        if standing_now.due_on is None:
            continue
        if standing_now.due_on > until and standing_now.due_on >= as_of:
            continue
        overdue = standing_now.due_on < as_of
        if wanted.overdue_only and not overdue:
            continue
        job_day = max(standing_now.due_on, as_of)
        readiness = ready_gauge(switch, facts, job_day, cache)
        lines.append(_line(switch, standing_now, last.get(switch.tag), readiness))
    lines.sort(key=lambda x: (x.due_on or until, x.criticality.rank, x.tag))
    return DueList(as_of, until, tuple(lines), _totals(lines, as_of), due_queries.site_code(reader))


def switch_standing(
    switch: Switch,
    performed: list[date],
    facts: BenchFacts,
    as_of: date,
    *,
    first_use: date | None = None,
    moved_by: DueFacts | None = None,
) -> Standing:
    """When ``switch`` is due and why; never calibrated, its clock starts on ``first_use``.

    ``first_use`` is the day its first data sheet took effect (else: the one given).
    ``moved_by``: deferrals, outages and use, where they are to count.
    """
    past = [day for day in performed if day <= as_of]
    moved = moved_by or DueFacts()
    return standing(
        facts.policy(switch.policy, as_of),
        past,
        as_of=as_of,
        in_service=switch.status is SwitchStatus.IN_SERVICE,
        first_use=first_use or switch.effective_on,
        usage=moved.usage_of(switch.tag, max(past, default=None), as_of),
        outages=moved.outages_for(switch) if moved.outages else None,
        deferrals=moved.deferrals_of(switch.tag, as_of),
    )


def _wanted(switch: Switch, filters: Filters) -> bool:
    return (
        switch.status is SwitchStatus.IN_SERVICE
        and (not filters.areas or switch.area in filters.areas)
        and (not filters.criticalities or switch.criticality in filters.criticalities)
        and (not filters.quantities or switch.quantity in filters.quantities)
    )


def _line(switch: Switch, due: Standing, last: LastResult | None, readiness: Readiness) -> DueLine:
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
