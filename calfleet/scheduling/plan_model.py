"""What a levelled plan is made from, and what it is: jobs, people, gauges, weights, assignments.

A plan gives each job an ISO week, a person and a gauge. Weeks are whole: the days inside a week
are not scheduled, but a job is put in a week only when there is a day in it on which the job is
allowed, the shop works, the person is there and qualified, and the gauge is there and valid.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass, field
from datetime import date
from enum import StrEnum

from calfleet.errors import BadQuantity, RecordRefused
from calfleet.records import Criticality, Quantity
from calfleet.scheduling.bench_time import check_minutes, minutes_then, no_bench_time
from calfleet.scheduling.calendar import (
    Week,
    Window,
    WorkingCalendar,
    add_days,
    days_through,
    iso_week,
)


@dataclass(frozen=True, slots=True)
class Fixed:
    """What somebody has decided for a job: its week and, where not ``None``, person and gauge."""

    week: Week
    worker: str | None = None
    gauge: str | None = None


NO_GAUGE = "none needed"
"""Stands for the gauge of work that needs none; always there, without limit."""


@dataclass(frozen=True, slots=True)
class PlanJob:
    """One calibration to be placed between ``earliest_on`` and ``latest_on``, both included.

    ``key`` is unique in the plan (one switch may have several jobs). ``due_on`` is the last day in
    date; days from there to ``latest_on`` are grace. ``earliest_on`` bounds the pull-forward.
    ``gauges``: codes that are in range and good enough, best first; only ``NO_GAUGE`` for work that
    needs none. ``static_gauges``: one of them, other than the gauge, is needed on the same days to
    read the static pressure (empty: none is). ``work``: what is done, in words. ``outages``: the
    days on which alone the work can be done (``None``: any day). Jobs of one ``redundant_group``
    stay ``apart_weeks`` weeks apart (1: not in the same week; the largest of the group counts),
    and two switches of it are not done by the same person with the same gauge.

    Raises BadQuantity for minutes or an interval below 1 or a negative ``apart_weeks``;
    RecordRefused when the job may not begin until after its latest day, or names a gauge twice.
    """

    key: str
    tag: str
    due_on: date
    earliest_on: date
    latest_on: date
    minutes: int
    area: str
    quantity: Quantity
    gauges: tuple[str, ...]
    interval_days: int
    criticality: Criticality = Criticality.GENERAL
    redundant_group: str | None = None
    apart_weeks: int = 1
    outages: tuple[Window, ...] | None = None
    fixed: Fixed | None = None
    static_gauges: tuple[str, ...] = ()
    work: str = "calibration"

    def __post_init__(self) -> None:
        if self.minutes < 1 or self.interval_days < 1 or self.apart_weeks < 0:
            raise BadQuantity(
                f"The job {self.key} has {self.minutes} minutes, an interval of "
                f"{self.interval_days} days and {self.apart_weeks} weeks apart.",
                rule="Minutes and interval are at least 1, weeks apart at least 0.",
                next_step="Correct the bench minutes, the policy or the group.",
            )
        if self.latest_on < self.earliest_on:
            raise RecordRefused(
                f"The job {self.key} may begin on {self.earliest_on}, after its latest day "
                f"{self.latest_on}.",
                rule="A job's first allowed day is not after its last one.",
                next_step="Correct the pull-forward or the due date.",
            )
        if len(set(self.gauges)) < len(self.gauges):
            raise RecordRefused(
                f"The job {self.key} names a gauge twice: {', '.join(self.gauges)}.",
                rule="Each usable gauge is named once, best first.",
                next_step="Drop the repeated code.",
            )


@dataclass(frozen=True, slots=True)
class GaugeAvailability:
    """When a reference gauge can be used: on days in a ``valid`` window and in no ``away`` one.

    ``minutes_per_day``: bench minutes on each such working day; ``None``: no limit. ``note``: what
    else is to be told where it is not there.
    """

    code: str
    valid: tuple[Window, ...]
    away: tuple[Window, ...] = ()
    minutes_per_day: int | None = None
    note: str = ""

    def __post_init__(self) -> None:
        if self.minutes_per_day is not None and self.minutes_per_day < 0:
            raise BadQuantity(
                f"The gauge {self.code} has {self.minutes_per_day} minutes a day.",
                rule="A gauge has zero minutes a day or more.",
                next_step="Correct the gauge's minutes, or leave them out.",
            )

    def usable_on(self, day: date) -> bool:
        """Whether the gauge is there and valid on ``day``."""
        return any(day in w for w in self.valid) and not any(day in w for w in self.away)


@dataclass(frozen=True, slots=True)
class Skill:
    """A qualification for ``quantity``, in force in ``window`` (``None``: always)."""

    quantity: Quantity
    window: Window | None = None

    def holds_on(self, day: date) -> bool:
        return self.window is None or day in self.window


@dataclass(frozen=True, slots=True)
class PlanWorker:
    """A person: what they are qualified for, bench minutes on each working day, days away.

    ``changes``: other minutes from a later day on, in order of day.
    """

    code: str
    skills: tuple[Skill, ...]
    minutes_per_day: int
    away: tuple[Window, ...] = ()
    changes: tuple[tuple[date, int], ...] = ()

    def __post_init__(self) -> None:
        check_minutes(self.code, self.minutes_per_day, self.changes)

    def minutes_on(self, day: date) -> int:
        """Bench minutes on ``day``, were it worked."""
        return minutes_then(day, self.minutes_per_day, self.changes)

    def minutes_in(self, week: Week) -> int:
        """Bench minutes on each day of ``week``: the fewest, where they change within it."""
        if not self.changes:
            return self.minutes_per_day
        return min(self.minutes_on(day) for day in days_through(week.first, week.last))

    def minutes_for(self, day: date) -> int:
        """Bench minutes on ``day`` as a plan counts them: those of its week."""
        return self.minutes_in(iso_week(day))

    def present_on(self, day: date) -> bool:
        return not any(day in w for w in self.away)

    def qualified_on(self, quantity: Quantity, day: date) -> bool:
        return any(s.quantity is quantity and s.holds_on(day) for s in self.skills)


@dataclass(frozen=True, slots=True)
class Recent:
    """Work already done on a switch of a redundant group; its partners keep away from it."""

    redundant_group: str
    tag: str
    week: Week
    worker: str
    gauge: str


_FACTOR = {
    Criticality.SAFETY: 4.0,
    Criticality.ENVIRONMENT: 3.0,
    Criticality.PRODUCTION: 2.0,
    Criticality.GENERAL: 1.0,
}


@dataclass(frozen=True, slots=True)
class Weights:
    """What each undesired thing costs, all in bench minutes, so that they can be weighed.

    - ``unplanned``: a job that gets no place, times 4, 3, 2 or 1 by criticality; far above the
      rest together, so that no job is dropped to save something else;
    - ``late_day``: a day of grace used, times the same factor;
    - ``peak``: the fullest person-week at 100 % of its minutes, in proportion below;
    - ``above_level``: a minute of a week's load above the shop's average share of capacity;
    - ``lost``: a minute of work repeated too soon: minutes * days early / interval in days;
    - ``area_visit``, ``gauge_setup``: each area worked in, each gauge taken out, in a week;
    - ``preference``: each place down in a job's list of gauges;
    - ``moved_week``, ``moved_hands``: a job whose week, or else whose person or gauge, differs
      from the previous plan.

    Raises BadQuantity when one is negative or not finite.
    """

    unplanned: float = 20_000.0
    late_day: float = 60.0
    peak: float = 3_000.0
    above_level: float = 0.2
    lost: float = 1.0
    area_visit: float = 15.0
    gauge_setup: float = 3.0
    preference: float = 1.0
    moved_week: float = 60.0
    moved_hands: float = 10.0

    def __post_init__(self) -> None:
        for name in self.__slots__:
            value = getattr(self, name)
            if not 0 <= value < 1e9:
                raise BadQuantity(
                    f"The weight {name} is {value}.",
                    rule="A weight is a cost in bench minutes from 0 to below 1e9.",
                    next_step="Correct the weight.",
                )

    def unplanned_cost(self, criticality: Criticality) -> float:
        return self.unplanned * _FACTOR[criticality]

    def late_cost(self, criticality: Criticality) -> float:
        return self.late_day * _FACTOR[criticality]


@dataclass(frozen=True, slots=True)
class Assignment:
    """A job's place: its week, person and gauge.

    ``first`` and ``last`` bound the days of that week on which job, person and gauge agree.
    ``static_gauge``: the one that reads the static pressure, for a job that needs two. ``day``: on
    which it begins, by due date and the person's minutes a day; a proposal, not held to.
    """

    key: str
    tag: str
    week: Week
    worker: str
    gauge: str
    first: date
    last: date
    fixed: bool = False
    static_gauge: str | None = None
    day: date | None = None


@dataclass(frozen=True, slots=True)
class PlanInput:
    """Everything a plan is made from; the same input always gives the same plan.

    The plan covers ``weeks`` ISO weeks from that of ``first``; days before ``first`` are gone.
    ``previous``: the plan in force; changing it costs.

    Raises BadQuantity for a horizon outside 1 to 520 weeks; RecordRefused for a key or code that
    stands twice, a job with an unknown gauge, or no bench time at all.
    """

    jobs: tuple[PlanJob, ...]
    workers: tuple[PlanWorker, ...]
    gauges: tuple[GaugeAvailability, ...]
    calendar: WorkingCalendar
    first: date
    weeks: int
    weights: Weights = field(default_factory=Weights)
    recent: tuple[Recent, ...] = ()
    previous: tuple[Assignment, ...] = ()

    def __post_init__(self) -> None:
        if not 1 <= self.weeks <= 520:
            raise BadQuantity(
                f"A plan over {self.weeks} weeks is not usable.",
                rule="A plan covers 1 to 520 weeks.",
                next_step="Give the number of weeks to plan.",
            )
        _once("job", (j.key for j in self.jobs))
        _once("person", (w.code for w in self.workers))
        _once("gauge", (g.code for g in self.gauges))
        known = {g.code for g in self.gauges}
        for job in self.jobs:
            named = (*job.gauges, *job.static_gauges)
            if unknown := [g for g in named if g not in known]:
                raise RecordRefused(
                    f"The job {job.key} names {', '.join(unknown)}, which is not among the gauges.",
                    rule="Every gauge that a job may use is in the plan with its windows.",
                    next_step="Add the gauge, or take it out of the job's list.",
                )
        why = no_bench_time(
            [(w.code, w.minutes_for, w.away) for w in self.workers],
            self.calendar,
            self.first,
            self.last,
        )
        if why:
            raise RecordRefused(
                f"There is no bench time from {self.first} to {self.last}: {why}.",
                rule="A plan needs people with bench hours who are there on working days.",
                next_step="Check the people's hours, their leave, holidays and closures, or plan "
                "more weeks.",
            )

    @property
    def last(self) -> date:
        """The last day of the horizon, a Sunday."""
        return add_days(iso_week(self.first).first, 7 * self.weeks - 1)

    @property
    def days(self) -> tuple[date, ...]:
        return tuple(add_days(self.first, n) for n in range((self.last - self.first).days + 1))

    @property
    def week_list(self) -> tuple[Week, ...]:
        monday = iso_week(self.first).first
        return tuple(iso_week(add_days(monday, 7 * n)) for n in range(self.weeks))


def _once(kind: str, names: Iterable[str]) -> None:
    repeated = [name for name, count in Counter(names).items() if count > 1]
    if repeated:
        raise RecordRefused(
            f"The {kind} {repeated[0]} stands twice in the plan.",
            rule=f"Each {kind} of a plan has its own name.",
            next_step="Drop or rename one of the two.",
        )


# --- the answer -------------------------------------------------------------------------


class Cause(StrEnum):
    """Why a job has no place; all but the last three are proven, whatever else is planned."""

    PAST = "latest day is past"
    BEYOND = "begins after the plan"
    NO_WORKING_DAY = "no working day"
    NO_OUTAGE = "no outage"
    NOBODY_QUALIFIED = "nobody qualified"
    NO_GAUGE = "no gauge"
    NO_COMMON_DAY = "person and gauge never together"
    TOO_LONG = "longer than a week has minutes"
    FIXED = "fixed assignment not possible"
    SEPARATION = "redundant partner too near"
    CAPACITY = "no room"
    GAUGE_CAPACITY = "no room on its gauges"


@dataclass(frozen=True, slots=True)
class Unplanned:
    """A job without a place, and why in one sentence.

    ``proven``: the reason holds whatever else is planned; else no room was found beside the rest.
    ``soonest``: the first place after its latest day that the plan leaves free: a proposal for
    whoever approves being late, not part of the plan. ``None``: there is none.
    """

    key: str
    tag: str
    cause: Cause
    reason: str
    proven: bool
    soonest: Assignment | None = None


@dataclass(frozen=True, slots=True)
class Objective:
    """What a plan costs, part by part, in weighted bench minutes (see ``Weights``).

    ``peak_share`` is the fullest person-week as a fraction of its minutes, ``lost_minutes`` the
    work repeated too soon, ``late_days`` the days of grace used: these three without weights.
    """

    unplanned: float
    late: float
    peak: float
    above_level: float
    lost: float
    grouping: float
    preference: float
    moved: float
    peak_share: float
    lost_minutes: float
    late_days: int

    @property
    def total(self) -> float:
        return (
            self.unplanned
            + self.late
            + self.peak
            + self.above_level
            + self.lost
            + self.grouping
            + self.preference
            + self.moved
        )


@dataclass(frozen=True, slots=True)
class WeekLoad:
    """One week of the plan: jobs and minutes, the shop's minutes, the level aimed at."""

    week: Week
    jobs: int
    minutes: int
    capacity_minutes: int
    level_minutes: float
    by_worker: tuple[tuple[str, int], ...]
    by_gauge: tuple[tuple[str, int], ...]
    by_area: tuple[tuple[str, int], ...]


@dataclass(frozen=True, slots=True)
class Moved:
    """A job whose place differs from the previous plan."""

    key: str
    before: Assignment
    after: Assignment

    @property
    def week_changed(self) -> bool:
        return self.before.week != self.after.week


class Method(StrEnum):
    EXACT = "exact"
    SEARCH = "relaxation, rounding and search"


@dataclass(frozen=True, slots=True)
class Plan:
    """A levelled plan, by week, then key; with how far it may be from the best one.

    ``bound`` is proven: no plan of this input costs less than it. ``bound`` and ``objective`` both
    leave out the jobs that are proven to have no place: they cost the same in every plan.
    """

    first: date
    weeks: int
    assignments: tuple[Assignment, ...]
    unplanned: tuple[Unplanned, ...]
    loads: tuple[WeekLoad, ...]
    objective: Objective
    bound: float
    method: Method
    moved: tuple[Moved, ...] = ()

    @property
    def gap(self) -> float:
        """How much of the plan's cost might be saved at best, as a fraction; 0: none."""
        cost = self.objective.total
        return max(0.0, cost - self.bound) / cost if cost > 0 else 0.0

    @property
    def load_sum(self) -> int:
        """The sum of the weekly minutes."""
        return sum(line.minutes for line in self.loads)

    @property
    def load_square_sum(self) -> int:
        """The sum of the squared weekly minutes: the smaller, the more level."""
        return sum(line.minutes**2 for line in self.loads)
