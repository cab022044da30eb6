"""The months ahead: which jobs come, how many bench hours, against what the shop has."""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterable, Iterator, Mapping
from dataclasses import dataclass, replace
from datetime import date
from enum import StrEnum
from typing import TYPE_CHECKING

from calfleet.records import IntervalPolicy, PlanningInput, RuleScope, Switch, SwitchStatus
from calfleet.scheduling.calendar import Window
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
from calfleet.services.bench_hours import (
    closures,
    leaves,
    minutes_a_day,
    shop_calendar,
    technicians,
)
from calfleet.services.fit_gauges import CurveCache, ready_gauge
from calfleet.services.gauge_outlook import GaugeOutlook, with_outlook
from calfleet.services.list_due import Dates, gather_dates, hard_stop_for, policy_for
from calfleet.store.queries import switches as switch_queries
from calfleet.store.queries.due import site_code
from calfleet.store.queries.planning import planning_input, static_gauge_users

if TYPE_CHECKING:
    from calfleet.store.queries.reader import Reader

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

    ``shutdowns``: outages of the plant, those of some areas named with them; ``closed``: holidays
    and closures of the shop; ``absences``: gauges away, on record or expected, by code;
    ``leaves``: people on leave, by code. ``no_time``: why there is no bench time in the whole
    horizon, though people have hours (empty: there is some).
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
    leaves: tuple[tuple[str, tuple[Window, ...]], ...] = ()
    no_time: str = ""
    site: str = ""

    @property
    def groups(self) -> list[str]:
        return sorted({line.group for line in self.lines})


def forecast_load(
    reader: Reader, *, as_of: date, months: int, period: Period, group_by: GroupBy
) -> Forecast:
    """The forecast from ``as_of`` over ``months``; each job done on its due date, again and again.

    A job is counted to the gauge of first choice on its own day, as ``gauge_outlook`` expects the
    gauges to be there (no gauge: none of them is). Without hours on record there is no capacity to
    compare with; with hours, but nobody there on any working day, it is zero and ``no_time`` says
    why.

    Raises: BadQuantity, RecordRefused.
    """
    given = planning_input(reader)
    span = horizon(as_of, months)
    facts = with_outlook(
        gather_for_planning(reader, in_use_on=as_of), given.terms, as_of, span.last
    )
    dates = gather_dates(reader, as_of, facts)
    switches = {
        s.tag: s
        for s in switch_queries.in_force(reader, as_of)
        if s.status is SwitchStatus.IN_SERVICE
    }
    items = [forecast_item(switch, dates) for switch in switches.values()]
    jobs = forecast(items, as_of=as_of, months=months)
    if group_by is GroupBy.GAUGE:
        jobs = _with_gauges(jobs, switches, facts, static_gauge_users(reader))
    split: dict[GroupBy, Callable[[Job], str]] = {
        GroupBy.AREA: lambda j: j.area,
        GroupBy.QUANTITY: lambda j: str(j.quantity),
        GroupBy.CRITICALITY: lambda j: str(j.criticality),
        GroupBy.GAUGE: lambda j: NEEDS_NONE if j.work else j.gauge or NO_GAUGE,
    }
    capacity = shop_capacity(given, technicians(reader, as_of), as_of)
    return Forecast(
        span=span,
        period=period,
        group_by=group_by,
        jobs=jobs,
        lines=load(jobs, span, period=period, group=split[group_by]),
        capacity=against_capacity(jobs, span, capacity, period=period) if capacity.workers else (),
        shutdowns=tuple(
            Window(o.first_on, o.last_on, f"{o.name} ({', '.join(o.areas)})" if o.areas else o.name)
            for o in given.outages
            if o.first_on <= span.last and o.last_on >= span.first
        ),
        closed=tuple(w for w in sorted([*_holidays(given), *closures(given)]) if _within(w, span)),
        absences=_by_code(span, _gauges_away(given, facts)),
        people=tuple(w.name for w in capacity.workers),
        leaves=_by_code(
            span, ((w.name, window) for w in capacity.workers for window in sorted(w.away))
        ),
        no_time=capacity.why_none(span) if capacity.workers else "",
        site=site_code(reader),
    )


def _within(window: Window, span: Horizon) -> bool:
    return window.first <= span.last and window.last >= span.first


def _by_code(
    span: Horizon, windows: Iterable[tuple[str, Window]]
) -> tuple[tuple[str, tuple[Window, ...]], ...]:
    """The windows that touch the horizon, by whom or what they belong to."""
    found: dict[str, list[Window]] = {}
    for code, window in windows:
        if _within(window, span):
            found.setdefault(code, []).append(window)
    return tuple((code, tuple(held)) for code, held in sorted(found.items()))


def _holidays(given: PlanningInput) -> list[Window]:
    return [Window(h.day, h.day, h.name) for h in given.holidays]


def _gauges_away(given: PlanningInput, facts: BenchFacts) -> Iterator[tuple[str, Window]]:
    """The days each gauge is away, as expected; what is on record where nothing is expected."""
    outlook = facts.outlook
    if isinstance(outlook, GaugeOutlook):
        for free in outlook.availability():
            yield from ((free.code, window) for window in free.away)
    else:
        yield from ((a.gauge, Window(a.first_on, a.last_on, a.reason)) for a in given.absences)


def _with_gauges(
    jobs: Iterable[Job],
    switches: Mapping[str, Switch],
    facts: BenchFacts,
    static_users: Collection[str],
) -> tuple[Job, ...]:
    """The jobs, each with the gauge of first choice on its day."""
    cache = CurveCache()
    found = []
    for job in jobs:
        ready = ready_gauge(
            switches[job.tag], facts, job.planned_on, cache, needs_static=job.tag in static_users
        )
        code = None if job.work or ready.option is None else ready.option.gauge.code
        found.append(replace(job, gauge=code))
    return tuple(found)


def forecast_item(switch: Switch, dates: Dates) -> ForecastItem:
    """``switch`` as the forecast takes it; its first date is the one that the due list tells.

    With how it stands by the policies and due rules that take effect after the day of ``dates``.
    """
    now = _item_on(switch, dates)
    days = _turns(switch, dates)
    if not days:
        return now
    known = tuple(d for d in dates.performed.get(switch.tag, ()) if d <= dates.as_of)
    dates = replace(dates, performed={switch.tag: list(known)})
    later: list[tuple[date, ForecastItem]] = []
    before = now
    for day in days:
        then = _item_on(switch, replace(dates, as_of=day))
        if _by_rule(then) != _by_rule(before):
            later.append((day, then))
            before = then
    return replace(now, later=tuple(later))


def _by_rule(item: ForecastItem) -> tuple[object, ...]:
    """What of an item the policies and rules decide."""
    further = tuple((f.name, _terms(f.policy)) for f in item.further)
    return (_terms(item.policy), item.grid_anchor, item.before_each_use, item.outages, further)


def _terms(policy: IntervalPolicy) -> IntervalPolicy:
    """The policy without what says nothing about dates."""
    return replace(policy, effective_on=date.min, note="")


def _turns(switch: Switch, dates: Dates) -> list[date]:
    """The days to come on which a policy or a rule for ``switch`` takes effect, in order."""
    moved, facts = dates.moved, dates.facts
    rules = [
        rule
        for key in (
            (RuleScope.SWITCH, switch.tag),
            (RuleScope.FAMILY, switch.family),
            (RuleScope.SITE, ""),
        )
        for rule in moved.due_rules.get(key, ())
    ]
    further = moved.further.get(switch.tag, ())
    codes = {switch.policy, *(r.policy for r in rules if r.policy), *(f.policy for f in further)}
    days = {r.effective_on for r in rules} | {f.effective_on for f in further}
    days |= {p.effective_on for code in codes for p in facts.policies.get(code, ())}
    return sorted(day for day in days if day > dates.as_of)


def _item_on(switch: Switch, dates: Dates) -> ForecastItem:
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


def shop_capacity(given: PlanningInput, technicians: Collection[str], as_of: date) -> Capacity:
    """The hours of the ``technicians`` from ``as_of`` on, on the days that the shop works.

    A later version of somebody's hours counts from its day on. Leave takes a person's hours away,
    holidays and closures of the shop those of all. Outages of the plant are working time of the
    shop: that is when outage-bound work is done.
    """
    away = leaves(given)
    return Capacity(
        workers=tuple(
            Worker(code, now, away.get(code, ()), later)
            for code, (now, later) in sorted(minutes_a_day(given, as_of).items())
            if code in technicians
        ),
        calendar=shop_calendar(given),
    )
