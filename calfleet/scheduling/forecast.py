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

from calfleet.errors import BadQuantity, RecordRefused
from calfleet.records import Criticality, IntervalPolicy, Quantity
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


@dataclass(frozen=True, slots=True)
class Job:
    """One coming calibration. ``number`` 1 is the first one, 2 and up recur inside the horizon.

    ``planned_on`` is ``due_on``, or the first day of the horizon for what is overdue on it.
    ``work``: the name of other work; empty: the calibration.
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
    """The load of one period against the hours the shop has in it, in minutes."""

    period: str
    first: date
    last: date
    jobs: int
    bench_minutes: int
    working_days: int
    capacity_minutes: int

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
    """A person's bench minutes on each working day, and the days away."""

    name: str
    minutes_per_day: int
    away: tuple[Window, ...] = ()


@dataclass(frozen=True, slots=True)
class Capacity:
    """Who works how long on the days of the shop's calendar.

    Raises BadQuantity for a person with less than 0 or more than 24 hours a day.
    """

    workers: tuple[Worker, ...]
    calendar: WorkingCalendar

    def __post_init__(self) -> None:
        for worker in self.workers:
            if not 0 <= worker.minutes_per_day <= 24 * 60:
                raise BadQuantity(
                    f"{worker.name} has {worker.minutes_per_day} bench minutes a day.",
                    rule="A day has 0 to 1440 minutes.",
                    next_step="Correct the hours of this person.",
                )

    def minutes_on(self, day: date) -> int:
        """The bench minutes of all people on ``day``; 0 when the shop does not work."""
        if not self.calendar.is_working(day):
            return 0
        return sum(
            w.minutes_per_day for w in self.workers if not any(day in gone for gone in w.away)
        )


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
    calendar date. Raises RecordRefused for a policy that contradicts
    itself, BadQuantity for a horizon below one month.
    """
    span = horizon(as_of, months)
    jobs = [job for item in items for job in _jobs_of(item, span)]
    jobs.sort(key=lambda j: (j.planned_on, j.criticality.rank, j.tag, j.work, j.number))
    return tuple(jobs)


def _jobs_of(item: ForecastItem, span: Horizon) -> Iterator[Job]:
    series = [("", _days_of(item, span))]
    series += [(f.name, _days_of_further(f, span)) for f in item.further]
    for work, days in series:
        for number, (due_on, planned_on) in enumerate(days, start=1):
            yield Job(
                tag=item.tag,
                number=number,
                due_on=due_on,
                planned_on=planned_on,
                bench_minutes=item.bench_minutes,
                area=item.area,
                quantity=item.quantity,
                criticality=item.criticality,
                gauge=None if work else item.gauge,
                work=work,
            )


def _days_of_further(work: FurtherWork, span: Horizon) -> Iterator[tuple[date, date]]:
    """Due and planned day of each time that other work falls due inside ``span``, in order."""
    if work.due_on > span.last:
        return
    planned_on = max(work.due_on, span.first)
    yield work.due_on, planned_on
    done = work.performed
    for due_on in recurrences(
        work.policy,
        planned_on,
        counted_from=max(done, default=None),
        grid_anchor=min(done, default=None),
    ):
        if due_on > span.last:
            return
        yield due_on, due_on


def _days_of(item: ForecastItem, span: Horizon) -> Iterator[tuple[date, date]]:
    """Due and planned day of each job of ``item`` inside ``span``, in order."""
    done = [day for day in item.performed if day <= span.first]
    now = item.now or _standing(item, done, span.first, item.outages)
    if now.due_on is None or now.due_on > span.last:
        return
    planned_on = max(now.due_on, span.first)
    yield now.due_on, planned_on
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
            yield due_on, planned_on
    anchor = item.grid_anchor
    if anchor is None and done:
        anchor = min(done)
    counted_from = max(done, default=None)
    dates = recurrences(item.policy, planned_on, counted_from=counted_from, grid_anchor=anchor)
    used_up = _days_to_limit(item, done)
    for_policy = next(dates, None)
    while True:
        found = [for_policy] if for_policy is not None else []
        if used_up is not None and (date.max - planned_on).days > used_up:
            found.append(add_days(planned_on, used_up))
        if not found or min(found) > span.last:
            return
        planned_on = min(found)
        yield planned_on, planned_on
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
    """The load of every period in ``span`` beside the shop's bench minutes in it.

    Raises RecordRefused when there is no capacity in the whole horizon.
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
        per_day = [capacity.minutes_on(day) for day in days_through(first, last)]
        lines.append(
            CapacityLine(
                period=label,
                first=first,
                last=last,
                jobs=count.get(label, 0),
                bench_minutes=minutes.get(label, 0),
                working_days=sum(m > 0 for m in per_day),
                capacity_minutes=sum(per_day),
            )
        )
    if not any(line.capacity_minutes for line in lines):
        raise RecordRefused(
            f"There is no bench time from {span.first} to {span.last}.",
            rule="A load is compared with the hours of people on working days.",
            next_step="Check the people's hours, holidays and shutdown windows.",
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
