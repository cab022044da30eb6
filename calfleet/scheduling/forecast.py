"""Jobs and bench hours over the coming months, with what recurs, against the shop's capacity.

A forecast is a simulation with one assumption, said here and nowhere hidden: every job is done on
its due date. What is already overdue is done on the first day of the horizon. Cost grows with the
number of jobs, not with items times days.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import date
from enum import StrEnum

from calfleet.errors import BadQuantity
from calfleet.records import Criticality, IntervalPolicy, Quantity
from calfleet.scheduling.bench_time import check_minutes, minutes_then, no_bench_time
from calfleet.scheduling.calendar import (
    Window,
    WorkingCalendar,
    add_days,
    add_months,
    days_through,
    iso_week,
    month_end,
    month_text,
)
from calfleet.scheduling.due import (
    Outages,
    Standing,
    UsageLimit,
    grace_length,
    recurrences,
    standing,
    usage_rate,
)


class Period(StrEnum):
    WEEK = "week"
    MONTH = "month"


@dataclass(frozen=True, slots=True)
class FurtherWork:
    """Other work on a switch: its name, its policy, when it is next due, when it was done."""

    name: str
    policy: IntervalPolicy
    due_on: date
    performed: tuple[date, ...] = ()
    latest_on: date | None = None


@dataclass(frozen=True, slots=True)
class ForecastItem:
    """What the forecast needs of one switch; ``gauge`` is the reference planned for it.

    ``now``: how its calibration stands at the start (all that moves a date counted); ``None``:
    worked out from the rest. ``usage``: limits that come round again at their rate. ``further``:
    other work, each a job of its own that takes the switch's bench minutes and no gauge.
    ``later``: the same item by the policies and rules of later days, from each day on, as if
    nothing were done meanwhile.
    """

    tag: str
    policy: IntervalPolicy
    performed: tuple[date, ...]
    bench_minutes: int
    area: str
    quantity: Quantity
    criticality: Criticality
    gauge: str | None = None
    first_use: date | None = None
    grid_anchor: date | None = None
    in_service: bool = True
    before_each_use: bool = False
    outages: Outages | None = None
    now: Standing | None = None
    usage: tuple[UsageLimit, ...] = ()
    further: tuple[FurtherWork, ...] = ()
    later: tuple[tuple[date, ForecastItem], ...] = ()


@dataclass(frozen=True, slots=True)
class Job:
    """One coming calibration. ``number`` 1 is the first one, 2 and up recur inside the horizon.

    ``planned_on`` is ``due_on``, or the first day of the horizon for what is overdue on it.
    ``work``: the name of other work; empty: the calibration. ``policy``: the one in force then,
    by which it is due; ``latest_on``: the end of its grace.
    """

    tag: str
    number: int
    due_on: date
    planned_on: date
    bench_minutes: int
    area: str
    quantity: Quantity
    criticality: Criticality
    gauge: str | None
    work: str = ""
    policy: IntervalPolicy | None = None
    latest_on: date | None = None

    @property
    def overdue(self) -> bool:
        return self.due_on < self.planned_on

    @property
    def recurs(self) -> bool:
        return self.number > 1


@dataclass(frozen=True, slots=True)
class LoadLine:
    """Jobs and bench minutes of one group in one period; ``period`` as ``2026-W49`` or ``2026-12``.

    ``first`` and ``last`` are the period's days that lie inside the horizon.
    """

    period: str
    first: date
    last: date
    group: str
    jobs: int
    bench_minutes: int


@dataclass(frozen=True, slots=True)
class CapacityLine:
    """The load of one period against the hours the shop has in it, in minutes.

    ``holiday_minutes``, ``closure_minutes``, ``leave_minutes``: bench time that the people would
    have on the weekdays of the period, and that holidays, closures of the shop and their own leave
    take away; each day counts once, in this order.
    """

    period: str
    first: date
    last: date
    jobs: int
    bench_minutes: int
    working_days: int
    capacity_minutes: int
    holiday_minutes: int = 0
    closure_minutes: int = 0
    leave_minutes: int = 0

    @property
    def lost_minutes(self) -> int:
        """What holidays, closures and leave take away together."""
        return self.holiday_minutes + self.closure_minutes + self.leave_minutes

    @property
    def free_minutes(self) -> int:
        """What is left; negative: so much too little."""
        return self.capacity_minutes - self.bench_minutes

    @property
    def share(self) -> float | None:
        """Load as a fraction of the capacity; ``None`` without capacity."""
        return self.bench_minutes / self.capacity_minutes if self.capacity_minutes else None


@dataclass(frozen=True, slots=True)
class Worker:
    """A person's bench minutes on each working day, and the days away.

    ``changes``: other minutes from a later day on, in order of day.
    """

    name: str
    minutes_per_day: int
    away: tuple[Window, ...] = ()
    changes: tuple[tuple[date, int], ...] = ()

    def minutes_on(self, day: date) -> int:
        """Bench minutes on ``day``, were it worked."""
        return minutes_then(day, self.minutes_per_day, self.changes)


@dataclass(frozen=True, slots=True)
class Capacity:
    """Who works how long on the days of the shop's calendar.

    Raises BadQuantity for a person with less than 0 or more than 24 hours a day.
    """

    workers: tuple[Worker, ...]
    calendar: WorkingCalendar

    def __post_init__(self) -> None:
        for worker in self.workers:
            check_minutes(worker.name, worker.minutes_per_day, worker.changes)

    def minutes_on(self, day: date) -> int:
        """The bench minutes of all people on ``day``; 0 when the shop does not work."""
        if not self.calendar.is_working(day):
            return 0
        return sum(
            w.minutes_on(day) for w in self.workers if not any(day in gone for gone in w.away)
        )

    def lost_on(self, day: date) -> tuple[int, int, int]:
        """Minutes that a holiday, a closure or leave takes on ``day``; each day counts once."""
        if day.isoweekday() in self.calendar.weekend:
            return 0, 0, 0
        whole = sum(w.minutes_on(day) for w in self.workers)
        if day in self.calendar.holidays:
            return whole, 0, 0
        if not self.calendar.is_working(day):
            return 0, whole, 0
        return 0, 0, whole - self.minutes_on(day)

    def why_none(self, span: Horizon) -> str:
        """Why there is no bench time on any day of ``span``; empty when there is some."""
        people = [(w.name, w.minutes_on, w.away) for w in self.workers]
        return no_bench_time(people, self.calendar, span.first, span.last)


@dataclass(frozen=True, slots=True)
class Horizon:
    """The days looked at, both ends included."""

    first: date
    last: date

    def periods(self, period: Period) -> Iterator[tuple[str, date, date]]:
        """Every week or month touched, in order: name, first and last day inside the horizon."""
        start = self.first
        while start <= self.last:
            end = min(_period_end(start, period), self.last)
            yield period_name(start, period), start, end
            start = add_days(end, 1)


def horizon(as_of: date, months: int) -> Horizon:
    """The days from ``as_of`` through the day before ``as_of`` plus ``months``.

    Raises BadQuantity when ``months`` is below 1 or the horizon leaves the calendar.

    >>> horizon(date(2026, 11, 25), 3)
    Horizon(first=datetime.date(2026, 11, 25), last=datetime.date(2027, 2, 24))
    """
    if not 1 <= months <= 1200:
        raise BadQuantity(
            f"A horizon of {months} months is not usable.",
            rule="A horizon is 1 to 1200 months.",
            next_step="Give the number of months to look ahead.",
        )
    return Horizon(as_of, add_days(add_months(as_of, months), -1))


def period_name(day: date, period: Period) -> str:
    """The week (``2026-W48``) or month (``2026-11``) of ``day``."""
    return str(iso_week(day)) if period is Period.WEEK else month_text(day)


def _period_end(day: date, period: Period) -> date:
    return iso_week(day).last if period is Period.WEEK else month_end(day)


# --- jobs -------------------------------------------------------------------------------


def forecast(items: Iterable[ForecastItem], *, as_of: date, months: int) -> tuple[Job, ...]:
    """Every job from ``as_of`` over ``months``, by planned day, criticality, tag.

    Items that are not in service or calibrated before each use have none. An outage-bound item is
    planned at its outage; a later job of it too, or, where no fitting outage is known yet, at its
    calendar date. Each date follows the policy and the rules in force on that day; what a later
    rule makes due before its own first day is done on the day before it. Raises RecordRefused for
    a policy that contradicts itself, BadQuantity for a horizon below one month.
    """
    span = horizon(as_of, months)
    jobs = [job for item in items for job in _jobs_of(item, span)]
    jobs.sort(key=lambda j: (j.planned_on, j.criticality.rank, j.tag, j.work, j.number))
    return tuple(jobs)


@dataclass(frozen=True, slots=True)
class _Time:
    """One time that work falls due, the day it is done, and by which policy."""

    due_on: date
    planned_on: date
    latest_on: date
    policy: IntervalPolicy


@dataclass(frozen=True, slots=True)
class _Phase:
    """The days on which one set of rules is in force.

    ``at_once``: the day on which work is done that is overdue when the phase begins; for all but
    the first phase the day before it, when it was not overdue yet.
    """

    days: Horizon
    at_once: date
    item: ForecastItem


def _phases(item: ForecastItem, span: Horizon) -> list[_Phase]:
    starts = [(span.first, item)]
    starts += [(day, then) for day, then in item.later if span.first < day <= span.last]
    ends = [add_days(day, -1) for day, _ in starts[1:]] + [span.last]
    return [
        _Phase(Horizon(first, last), first if n == 0 else add_days(first, -1), then)
        for n, ((first, then), last) in enumerate(zip(starts, ends, strict=True))
    ]


def _jobs_of(item: ForecastItem, span: Horizon) -> Iterator[Job]:
    phases = _phases(item, span)
    names = dict.fromkeys(f.name for phase in phases for f in phase.item.further)
    series: list[tuple[str, Iterator[_Time]]] = [("", _times(phases))]
    series += [(name, _times_of_further(name, phases)) for name in names]
    for work, times in series:
        for number, time in enumerate(times, start=1):
            yield Job(
                tag=item.tag,
                number=number,
                due_on=time.due_on,
                planned_on=time.planned_on,
                bench_minutes=item.bench_minutes,
                area=item.area,
                quantity=item.quantity,
                criticality=item.criticality,
                gauge=None if work else item.gauge,
                work=work,
                policy=time.policy,
                latest_on=time.latest_on,
            )


def _time(policy: IntervalPolicy, due_on: date, phase: _Phase) -> _Time:
    """Work due on ``due_on``, done then, or at once where that day lies before the phase."""
    latest_on = add_days(due_on, grace_length(policy, due_on))
    if due_on >= phase.days.first:
        return _Time(due_on, due_on, latest_on, policy)
    if phase.at_once == phase.days.first:
        return _Time(due_on, phase.at_once, latest_on, policy)
    moved = max(due_on, phase.at_once)
    return _Time(moved, moved, max(latest_on, moved), policy)


def _times_of_further(name: str, phases: Sequence[_Phase]) -> Iterator[_Time]:
    """Each time that other work falls due, in order, by the rules in force then."""
    done: list[date] = []
    for phase in phases:
        work = next((f for f in phase.item.further if f.name == name), None)
        if work is None:
            continue
        due_on: date | None = work.due_on
        if done:
            due_on = next(recurrences(work.policy, done[-1]), None)
        if due_on is None or due_on > phase.days.last:
            continue
        time = _time(work.policy, due_on, phase)
        if not done and work.latest_on is not None:
            time = replace(time, latest_on=max(work.latest_on, time.latest_on))
        yield time
        done.append(time.planned_on)
        for due_on in recurrences(
            work.policy,
            time.planned_on,
            counted_from=max(work.performed, default=None),
            grid_anchor=min(work.performed, default=None),
        ):
            if due_on > phase.days.last:
                break
            yield _time(work.policy, due_on, phase)
            done.append(due_on)


def _times(phases: Sequence[_Phase]) -> Iterator[_Time]:
    """Each time that the calibration falls due, in order, by the rules in force then."""
    simulated: list[date] = []
    for phase in phases:
        for time in _times_in(phase, tuple(simulated)):
            simulated.append(time.planned_on)
            yield time


def _times_in(phase: _Phase, simulated: Sequence[date]) -> Iterator[_Time]:
    item, span = phase.item, phase.days
    real = [day for day in item.performed if day <= span.first]
    done = [*real, *simulated]
    used_up = _days_to_limit(item, real)
    now = item.now
    if now is None or simulated:
        now = _standing(item, done, span.first, item.outages)
    first_due = now.due_on
    if simulated and first_due is not None and used_up is not None:
        first_due = min(first_due, add_days(simulated[-1], used_up))
    if first_due is None or first_due > span.last:
        return
    time = _time(item.policy, first_due, phase)
    if now.latest_on is not None and first_due == now.due_on:
        time = replace(
            time,
            latest_on=max(now.latest_on, time.planned_on)
            if phase.at_once != span.first
            else now.latest_on,
        )
    yield time
    planned_on = time.planned_on
    if item.outages is not None:
        # Work at an outage may be early or late, so each next date depends on the one before;
        # a hard stop that was set is for the coming cycle only.
        outages = replace(item.outages, hard_stop=None)
        origin = min([*done, planned_on])
        while True:
            following = _standing(item, [origin, planned_on], planned_on, outages)
            due_on = following.due_on
            if following.outage is None and following.limits:
                due_on = following.limits[0].due_on
            if due_on is None or not planned_on < due_on <= span.last:
                return
            planned_on = due_on
            yield _time(item.policy, planned_on, phase)
    anchor = item.grid_anchor
    if anchor is None and done:
        anchor = min(done)
    counted_from = max(done, default=None)
    dates = recurrences(item.policy, planned_on, counted_from=counted_from, grid_anchor=anchor)
    for_policy = next(dates, None)
    while True:
        found = [for_policy] if for_policy is not None else []
        if used_up is not None and (date.max - planned_on).days > used_up:
            found.append(add_days(planned_on, used_up))
        if not found or min(found) > span.last:
            return
        planned_on = min(found)
        yield _time(item.policy, planned_on, phase)
        if planned_on != for_policy:  # the counter was first: the interval is counted afresh
            dates = recurrences(item.policy, planned_on, grid_anchor=anchor)
        for_policy = next(dates, None)


def _days_to_limit(item: ForecastItem, done: Sequence[date]) -> int | None:
    """Whole days from a calibration to the first usage limit, at the rates seen; at least 1."""
    start = max(done, default=item.first_use)
    if start is None:
        return None
    rates = [(u.limit, usage_rate(u, start)) for u in item.usage]
    days = [int(limit / rate) for limit, rate in rates if rate > 0]
    return max(1, min(days)) if days else None


def _standing(
    item: ForecastItem, performed: Sequence[date], as_of: date, outages: Outages | None
) -> Standing:
    return standing(
        item.policy,
        performed,
        as_of=as_of,
        in_service=item.in_service,
        first_use=item.first_use,
        grid_anchor=item.grid_anchor,
        outages=outages,
        before_each_use=item.before_each_use,
    )


# --- load and capacity ------------------------------------------------------------------


def load(
    jobs: Iterable[Job],
    span: Horizon,
    *,
    period: Period,
    group: Callable[[Job], str] = lambda _: "all",
) -> tuple[LoadLine, ...]:
    """Jobs and bench minutes per period and group, in order of period, then group.

    Each group found has a line in every period of the horizon, empty ones included; no jobs: no
    lines. Jobs planned outside ``span`` are left out.
    """
    counted: dict[tuple[str, str], list[int]] = {}
    groups: set[str] = set()
    for job in jobs:
        if not span.first <= job.planned_on <= span.last:
            continue
        name = group(job)
        groups.add(name)
        cell = counted.setdefault((period_name(job.planned_on, period), name), [0, 0])
        cell[0] += 1
        cell[1] += job.bench_minutes
    ordered = sorted(groups)
    lines = []
    for label, first, last in span.periods(period):
        for name in ordered:
            count, minutes = counted.get((label, name), (0, 0))
            lines.append(LoadLine(label, first, last, name, count, minutes))
    return tuple(lines)


def against_capacity(
    jobs: Iterable[Job], span: Horizon, capacity: Capacity, *, period: Period
) -> tuple[CapacityLine, ...]:
    """The load of every period in ``span`` beside the shop's bench minutes, and what it lost.

    Without any capacity in the horizon all of it is zero; ``Capacity.why_none`` says why.
    """
    count: dict[str, int] = {}
    minutes: dict[str, int] = {}
    for job in jobs:
        if span.first <= job.planned_on <= span.last:
            label = period_name(job.planned_on, period)
            count[label] = count.get(label, 0) + 1
            minutes[label] = minutes.get(label, 0) + job.bench_minutes
    lines = []
    for label, first, last in span.periods(period):
        days = list(days_through(first, last))
        per_day = [capacity.minutes_on(day) for day in days]
        lost = [capacity.lost_on(day) for day in days]
        lines.append(
            CapacityLine(
                period=label,
                first=first,
                last=last,
                jobs=count.get(label, 0),
                bench_minutes=minutes.get(label, 0),
                working_days=sum(m > 0 for m in per_day),
                capacity_minutes=sum(per_day),
                holiday_minutes=sum(h for h, _, _ in lost),
                closure_minutes=sum(c for _, c, _ in lost),
                leave_minutes=sum(away for _, _, away in lost),
            )
        )
    return tuple(lines)


# --- reference gauges -------------------------------------------------------------------


def ship_by(due_on: date, *, transit_days: int, laboratory_days: int, review_days: int) -> date:
    """The last day to send a gauge away so that it is back and reviewed on its due date.

    Days are calendar days, ``transit_days`` both ways together. Raises BadQuantity when negative.
    Source: common practice, no source.
    """
    if min(transit_days, laboratory_days, review_days) < 0:
        raise BadQuantity(
            f"Times of {transit_days}, {laboratory_days} and {review_days} days are not usable.",
            rule="Transit, laboratory and review take zero days or more.",
            next_step="Correct the times.",
        )
    return add_days(due_on, -(transit_days + laboratory_days + review_days))
