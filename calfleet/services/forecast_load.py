"""The months ahead: which jobs come, how many bench hours, against what the shop has."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import date
from enum import StrEnum
from typing import TYPE_CHECKING

from calfleet.records import PlanningInput, Switch, SwitchStatus
from calfleet.scheduling.calendar import Window, WorkingCalendar
from calfleet.scheduling.forecast import (
    Capacity,
    CapacityLine,
    ForecastItem,
    FurtherWork,
    Horizon,
    Job,
    LoadLine,
    Period,
    Worker,
    against_capacity,
    forecast,
    horizon,
    load,
)
from calfleet.services.bench_facts import BenchFacts, gather_for_planning
from calfleet.services.fit_gauges import CurveCache, fit_gauges, ready_gauge
from calfleet.services.list_due import Dates, gather_dates, hard_stop_for, policy_for
from calfleet.store.queries import switches as switch_queries
from calfleet.store.queries.planning import planning_input

if TYPE_CHECKING:
    from calfleet.store.queries.reader import Reader

WORKING_DAYS = 5
NO_GAUGE = "no gauge"
NEEDS_NONE = "needs none"


class GroupBy(StrEnum):
    """By what the load is split."""

    AREA = "area"
    QUANTITY = "quantity"
    CRITICALITY = "criticality"
    GAUGE = "gauge"


@dataclass(frozen=True, slots=True)
class Forecast:
    """Jobs of the horizon, their load by period and group, and the capacity of each period.

    ``shutdowns``: whole-site outages; ``closed``: holidays; ``absences``: gauges away, by code.
    """

    span: Horizon
    period: Period
    group_by: GroupBy
    jobs: tuple[Job, ...]
    lines: tuple[LoadLine, ...]
    capacity: tuple[CapacityLine, ...]
    shutdowns: tuple[Window, ...]
    closed: tuple[Window, ...]
    absences: tuple[tuple[str, tuple[Window, ...]], ...]
    people: tuple[str, ...]

    @property
    def groups(self) -> list[str]:
        return sorted({line.group for line in self.lines})


def forecast_load(
    reader: Reader, *, as_of: date, months: int, period: Period, group_by: GroupBy
) -> Forecast:
    """The forecast from ``as_of`` over ``months``; each job done on its due date, again and again.

    A job is counted to the gauge of first choice of its switch on ``as_of`` (or the next best
    that only a date keeps away). Without hours on record there is no capacity to compare with.

    Raises: BadQuantity, RecordRefused.
    """
    given = planning_input(reader)
    items = forecast_items(reader, as_of, with_gauges=group_by is GroupBy.GAUGE)
    span = horizon(as_of, months)
    jobs = forecast(items, as_of=as_of, months=months)
    split: dict[GroupBy, Callable[[Job], str]] = {
        GroupBy.AREA: lambda j: j.area,
        GroupBy.QUANTITY: lambda j: str(j.quantity),
        GroupBy.CRITICALITY: lambda j: str(j.criticality),
        GroupBy.GAUGE: lambda j: NEEDS_NONE if j.work else j.gauge or NO_GAUGE,
    }
    capacity = shop_capacity(given, as_of)
    return Forecast(
        span=span,
        period=period,
        group_by=group_by,
        jobs=jobs,
        lines=load(jobs, span, period=period, group=split[group_by]),
        capacity=against_capacity(jobs, span, capacity, period=period) if capacity.workers else (),
        shutdowns=tuple(
            Window(o.first_on, o.last_on, o.name)
            for o in given.outages
            if not o.areas and o.first_on <= span.last and o.last_on >= span.first
        ),
        closed=tuple(
            Window(h.day, h.day, h.name) for h in given.holidays if span.first <= h.day <= span.last
        ),
        absences=_absences(given, span),
        people=tuple(w.name for w in capacity.workers),
    )


def _absences(given: PlanningInput, span: Horizon) -> tuple[tuple[str, tuple[Window, ...]], ...]:
    """The gauges with an absence on record inside the horizon, by code."""
    found: dict[str, list[Window]] = {}
    for a in given.absences:
        if a.first_on <= span.last and a.last_on >= span.first:
            found.setdefault(a.gauge, []).append(Window(a.first_on, a.last_on, a.reason))
    return tuple((gauge, tuple(windows)) for gauge, windows in sorted(found.items()))


def forecast_items(reader: Reader, as_of: date, *, with_gauges: bool) -> list[ForecastItem]:
    """Every switch in service as the forecast takes it, by tag."""
    facts = gather_for_planning(reader, in_use_on=as_of)
    dates = gather_dates(reader, as_of, facts)
    cache = CurveCache()
    items = []
    for switch in switch_queries.in_force(reader, as_of):
        if switch.status is not SwitchStatus.IN_SERVICE:
            continue
        gauge = _gauge_for(switch, facts, as_of, cache) if with_gauges else None
        items.append(forecast_item(switch, dates, gauge))
    return items


def forecast_item(switch: Switch, dates: Dates, gauge: str | None = None) -> ForecastItem:
    """``switch`` as the forecast takes it; its first date is the one that the due list tells."""
    as_of, facts, moved = dates.as_of, dates.facts, dates.moved
    done = tuple(d for d in dates.performed.get(switch.tag, ()) if d <= as_of)
    last = max(done, default=None)
    rule = moved.rule_for(switch, as_of)
    return ForecastItem(
        tag=switch.tag,
        policy=policy_for(switch, facts, rule, as_of),
        performed=done,
        bench_minutes=switch.bench_minutes,
        area=switch.area,
        quantity=switch.quantity,
        criticality=switch.criticality,
        gauge=gauge,
        first_use=moved.first_use(switch.tag, as_of),
        grid_anchor=rule.grid_anchor,
        before_each_use=rule.before_use,
        outages=moved.outages_for(switch, hard_stop_for(switch, rule, last)),
        now=dates.standing(switch, further=False),
        usage=tuple(moved.usage_of(switch.tag, last, as_of)),
        further=tuple(_further(switch, dates)),
    )


def _further(switch: Switch, dates: Dates) -> Iterator[FurtherWork]:
    clocks = {c.name: c for c in dates.moved.clocks_of(switch.tag, dates.as_of, dates.facts.policy)}
    if not clocks:
        return
    whole = dates.by_calendar(switch)
    for limit in whole.limits:
        if limit.work:
            clock = clocks[limit.work]
            due_on, latest_on = limit.due_on, limit.latest_on
            if whole.due_on is not None and due_on == whole.original_due_on:
                due_on, latest_on = whole.due_on, whole.latest_on or whole.due_on  # put off
            yield FurtherWork(limit.work, clock.policy, due_on, clock.performed, latest_on)


def _gauge_for(switch: Switch, facts: BenchFacts, on: date, cache: CurveCache) -> str | None:
    ready = ready_gauge(switch, facts, on, cache)
    if ready.option is not None:
        return ready.option.gauge.code
    away = [
        o
        for o in fit_gauges(switch, facts, on, cache=cache)
        if all(r.startswith(("overdue", "away", "at laboratory")) for r in o.reasons)
    ]
    return away[0].gauge.code if away else None


def shop_capacity(given: PlanningInput, as_of: date) -> Capacity:
    """The hours of everybody with bench hours on ``as_of``, on the shop's working days.

    Whole-site outages are working time of the shop (that is when outage-bound work is done);
    holidays are not.
    """
    hours: dict[str, int] = {}
    for line in given.hours:
        if line.effective_on <= as_of:
            hours[line.person] = line.minutes_per_week
    return Capacity(
        workers=tuple(
            Worker(person, round(minutes / WORKING_DAYS))
            for person, minutes in sorted(hours.items())
            if minutes
        ),
        calendar=WorkingCalendar(holidays=frozenset(h.day for h in given.holidays)),
    )
