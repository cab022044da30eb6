"""Reference gauges on the calendar: when each is sent and back, and which jobs lack one meanwhile.

The jobs are those of the last accepted plan, on its days; what that plan does not hold is taken
on its due date (the working day before, where that is none). Which gauges are in range and good
enough is judged for the day of the job.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date
from typing import TYPE_CHECKING

from calfleet.errors import UsageError
from calfleet.records import Certificate, Gauge, Plan, PlanAssignment, PlanningInput, Switch
from calfleet.scheduling.calendar import Window, WorkingCalendar, add_days, iso_week
from calfleet.scheduling.forecast import ship_by
from calfleet.scheduling.gauge_plan import (
    Conflict,
    GaugeCare,
    LapseImpact,
    Trip,
    Use,
    conflicts,
    lapse_impact,
    trips,
)
from calfleet.scheduling.people_plan import PersonConflict, person_conflicts
from calfleet.scheduling.plan_model import NO_GAUGE, PlanJob
from calfleet.services.bench_facts import BenchFacts, gather, in_force
from calfleet.services.fit_gauges import CurveCache
from calfleet.services.list_due import Dates, gather_dates
from calfleet.services.nearest import pick
from calfleet.services.plan_input import (
    end_of_plan,
    gauge_cares,
    key_of,
    plan_jobs,
    plan_workers,
    shop_calendar,
    static_gauges,
    usable_gauges,
)
from calfleet.store.queries import switches as switch_queries
from calfleet.store.queries.planning import planning_input, plans

if TYPE_CHECKING:
    from sqlalchemy.orm import Session

MOST_WEEKS = 156


@dataclass(frozen=True, slots=True)
class Spare:
    """Another gauge that can do some of the jobs: how many of how many."""

    gauge: str
    jobs: int
    of: int

    @property
    def text(self) -> str:
        return self.gauge if self.jobs == self.of else f"{self.gauge} {self.jobs}/{self.of}"


@dataclass(frozen=True, slots=True)
class GaugeLine:
    """One calibration of a gauge inside the horizon, or a gauge that needs none in it.

    ``send_by``: the last day to send it and still have it back on ``due_on``; ``away``: the days
    it is planned to be gone; ``back_on``: the first day it can be used again. ``jobs``: those for
    which it would be used, ``while_away`` of them in its absence or lapse, ``without`` of those
    that no other gauge can do. ``spares``: gauges for its jobs, those that can do most first.
    """

    gauge: Gauge
    certificate: Certificate
    due_on: date
    send_by: date
    transit_days: int
    laboratory_days: int
    review_days: int
    trip: Trip | None
    standing: str
    spares: tuple[Spare, ...]
    jobs: int
    while_away: int
    without: tuple[str, ...]

    @property
    def away(self) -> Window | None:
        return None if self.trip is None else self.trip.away

    @property
    def back_on(self) -> date | None:
        return None if self.trip is None else self.trip.back_on

    @property
    def days_out_of_date(self) -> int:
        return 0 if self.trip is None else self.trip.days_lapsed


@dataclass(frozen=True)
class GaugeSchedule:
    """The gauges of a horizon, the jobs they are wanted for, and what is in the way.

    ``source``: key of a job to where its day comes from. ``plan``: the accepted plan used, if any.
    """

    as_of: date
    until: date
    lines: tuple[GaugeLine, ...]
    uses: tuple[Use, ...]
    cares: tuple[GaugeCare, ...]
    calendar: WorkingCalendar
    source: dict[str, str]
    plan: str | None
    gauge_conflicts: tuple[Conflict, ...]
    person_conflicts: tuple[PersonConflict, ...]


def schedule_gauges(session: Session, *, as_of: date, weeks: int) -> GaugeSchedule:
    """Every gauge with a certificate over ``weeks`` from ``as_of``, and the jobs in conflict.

    Raises: UsageError for a horizon; BadQuantity for a gauge that is away as long as it is valid.
    """
    if not 1 <= weeks <= MOST_WEEKS:
        raise UsageError(
            f"A schedule over {weeks} weeks.",
            rule=f"A schedule covers 1 to {MOST_WEEKS} weeks.",
            next_step="Give the number of weeks.",
        )
    given = planning_input(session)
    facts = gather(session)
    dates = gather_dates(session, as_of, facts)
    switches = {s.tag: s for s in switch_queries.in_force(session, as_of)}
    cares = tuple(gauge_cares(facts, given, as_of))
    codes = {c.code for c in cares}
    jobs = plan_jobs(session, dates, given, switches, weeks=weeks, gauges=[*codes, NO_GAUGE])
    until = end_of_plan(as_of, weeks)
    accepted = _accepted(session)
    calendar = shop_calendar(given)
    uses, source = _uses(jobs, accepted, calendar, dates, switches, codes)
    # a trip that begins within the horizon may end after it
    far = add_days(until, max((c.absence_days for c in cares), default=0) + 1)
    return GaugeSchedule(
        as_of=as_of,
        until=until,
        lines=tuple(_lines(cares, uses, facts, given, as_of, until)),
        uses=uses,
        cares=cares,
        calendar=calendar,
        source=source,
        plan=None if accepted is None else accepted.number,
        gauge_conflicts=conflicts(uses, cares, calendar, as_of=as_of, until=far),
        person_conflicts=person_conflicts(
            uses, plan_workers(facts.people, given, as_of), calendar, as_of=as_of
        ),
    )


def if_lapses(
    schedule: GaugeSchedule,
    gauge: str,
    *,
    lapses_on: date | None = None,
    back_on: date | None = None,
) -> LapseImpact:
    """The jobs of the schedule that would be blocked if ``gauge`` could not be used any more.

    Raises: UnknownName; UsageError when it would be back before it lapses.
    """
    code = pick("gauge", gauge, {c.code: c.code for c in schedule.cares})
    if lapses_on is not None and back_on is not None and back_on <= lapses_on:
        raise UsageError(
            f"{code} would be back on {back_on}, before it lapses on {lapses_on}.",
            rule="A gauge is back after it was gone.",
            next_step="Correct one of the two days.",
        )
    return lapse_impact(
        code,
        schedule.uses,
        schedule.cares,
        as_of=schedule.as_of,
        until=schedule.until,
        lapses_on=lapses_on,
        back_on=back_on,
    )


# --- jobs and their days ------------------------------------------------------------------


def _accepted(session: Session) -> Plan | None:
    """The last plan that was accepted, with its assignments."""
    made = [p for p in plans(session) if p.accepted_on is not None]
    if not made:
        return None
    number = made[-1].number
    return next(p for p in plans(session, with_assignments_of=number) if p.number == number)


def _uses(
    jobs: Sequence[PlanJob],
    accepted: Plan | None,
    calendar: WorkingCalendar,
    dates: Dates,
    switches: dict[str, Switch],
    known: set[str],
) -> tuple[tuple[Use, ...], dict[str, str]]:
    """Each job on its day with the gauges that would do then, and where its day comes from."""
    planned = {key_of(a.tag, a.due_on): a for a in accepted.assignments} if accepted else {}
    days = _planned_days(accepted) if accepted else {}
    cache = CurveCache()
    uses = []
    source = {}
    for job in jobs:
        place = planned.get(job.key)
        day = _day_of(job, place, days.get(job.key), calendar, dates.as_of)
        if job.gauges != (NO_GAUGE,) and day != job.due_on:
            switch = switches[job.tag]
            job = replace(job, gauges=usable_gauges(switch, dates.facts, day, cache, known))
            if job.static_gauges:
                job = replace(job, static_gauges=static_gauges(switch, dates.facts, day, known))
        uses.append(
            Use(
                job,
                day,
                None if place is None or job.gauges == (NO_GAUGE,) else place.gauge,
                None if place is None else place.person,
            )
        )
        source[job.key] = (
            accepted.number if accepted is not None and place is not None else "due date"
        )
    return tuple(sorted(uses, key=lambda u: (u.day, u.job.key))), source


def _planned_days(plan: Plan) -> dict[str, date]:
    """Key of a job to the day that the plan proposes for it."""
    told = plan.outcome.get("days")
    found = {}
    for one in told if isinstance(told, list) else ():
        if one.get("day"):
            key = key_of(str(one["tag"]), date.fromisoformat(str(one["due_on"])))
            found[key] = date.fromisoformat(str(one["day"]))
    return found


def _day_of(
    job: PlanJob,
    place: PlanAssignment | None,
    proposed: date | None,
    calendar: WorkingCalendar,
    as_of: date,
) -> date:
    if place is None:
        day = calendar.on_or_before(job.due_on)
    elif proposed is not None:
        day = proposed
    else:
        day = calendar.on_or_after(iso_week(place.week_on).first)
    return day if day >= as_of else calendar.on_or_after(as_of)


# --- lines --------------------------------------------------------------------------------


def _lines(
    cares: Sequence[GaugeCare],
    uses: Sequence[Use],
    facts: BenchFacts,
    given: PlanningInput,
    as_of: date,
    until: date,
) -> list[GaugeLine]:
    lines = []
    free = {c.code: _out(c, as_of, until) for c in cares}
    for care in cares:
        gauge = in_force(facts.gauges[care.code], as_of)
        certificate = facts.certificate_on(care.code, as_of)
        if gauge is None or certificate is None:
            continue
        wanted = [u for u in uses if _takes(u, care.code)]
        able = [u for u in uses if care.code in u.job.gauges]
        spares = _spares(care.code, able)
        journeys: list[Trip | None] = list(trips(care, as_of, until))
        for trip in journeys or [None]:
            due_on = care.due_on if trip is None else trip.due_on
            out = None if trip is None else _gone(trip)
            away = [u for u in able if out is not None and u.day in out]
            without = tuple(
                u.job.key
                for u in away
                if not any(
                    g != care.code and g in free and not any(u.day in w for w in free[g])
                    for g in u.job.gauges
                )
            )
            lines.append(
                GaugeLine(
                    gauge=gauge,
                    certificate=certificate,
                    due_on=due_on,
                    send_by=ship_by(
                        due_on,
                        transit_days=care.transit_days,
                        laboratory_days=care.laboratory_days,
                        review_days=care.review_days,
                    ),
                    transit_days=care.transit_days,
                    laboratory_days=care.laboratory_days,
                    review_days=care.review_days,
                    trip=trip,
                    standing=_standing(care, trip, as_of),
                    spares=spares,
                    jobs=len(wanted),
                    while_away=len(away),
                    without=without,
                )
            )
    return lines


def _takes(use: Use, code: str) -> bool:
    """Whether the gauge is planned for the job, or is its first choice where none is planned."""
    if use.gauge is not None:
        return use.gauge == code
    return bool(use.job.gauges) and use.job.gauges[0] == code


def _gone(trip: Trip) -> Window | None:
    """The days on which a trip keeps the gauge from work: away, or out of date until it is back."""
    first = min(trip.ship_on, add_days(trip.due_on, 1))
    last = add_days(trip.back_on, -1)
    return Window(first, last, "away or out of date") if last >= first else None


def _out(care: GaugeCare, as_of: date, until: date) -> list[Window]:
    """All days on which a gauge cannot be used."""
    gone = [w for t in trips(care, as_of, until) if (w := _gone(t)) is not None]
    return [*care.away, *gone]


def _spares(code: str, able: Sequence[Use]) -> tuple[Spare, ...]:
    counted: dict[str, int] = {}
    for use in able:
        for other in use.job.gauges:
            if other != code:
                counted[other] = counted.get(other, 0) + 1
    return tuple(
        Spare(g, n, len(able)) for g, n in sorted(counted.items(), key=lambda x: (-x[1], x[0]))
    )


def _standing(care: GaugeCare, trip: Trip | None, as_of: date) -> str:
    if trip is None:
        return "valid throughout" if care.due_on >= as_of else f"out of date since {care.due_on}"
    later = trip.due_on != care.due_on
    if care.sent_on is not None and not later:
        return f"at the laboratory since {care.sent_on}"
    if trip.recorded:
        return "absence on record"
    planned = add_days(trip.due_on, -care.absence_days)
    if planned < as_of and not later:
        late = (as_of - planned).days
        return f"to be sent at once, {late} day{'' if late == 1 else 's'} late"
    if care.absence_days == 0:
        return "to be calibrated; no laboratory times on record"
    return f"to be sent by {planned}"
