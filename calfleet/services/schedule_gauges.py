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
from calfleet.records import Certificate, Gauge, Plan, PlanAssignment, Switch
from calfleet.scheduling.calendar import Window, WorkingCalendar, add_days, iso_week
from calfleet.scheduling.forecast import ship_by
from calfleet.scheduling.gauge_plan import (
    Conflict,
    Fleet,
    GaugeCare,
    LapseImpact,
    Trip,
    Use,
    conflicts,
    lapse_impact,
    trips,
)
from calfleet.scheduling.people_plan import PersonConflict, anybody, person_conflicts
from calfleet.scheduling.plan_model import NO_GAUGE, PlanJob, PlanWorker
from calfleet.services.bench_facts import BenchFacts, gather, in_force
from calfleet.services.bench_hours import shop_calendar
from calfleet.services.defer import why_no_deferral
from calfleet.services.fit_gauges import CurveCache, static_gauges
from calfleet.services.gauge_outlook import gauge_cares, gauge_outlook
from calfleet.services.list_due import Dates, gather_dates
from calfleet.services.nearest import pick
from calfleet.services.plan_input import (
    due_of,
    end_of_plan,
    key_of,
    plan_jobs,
    plan_workers,
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

    ``send_by``: the last working day of the shop to send it and still have it back on ``due_on``;
    ``away``: the days it is planned to be gone, from the last day of all that would do;
    ``back_on``: the first day it can be used again. ``jobs``: those for which it would be used,
    ``while_away`` of them in its absence or lapse, ``without`` of those that no other gauge can do.
    ``spares``: gauges for its jobs, those that can do most first. ``without_terms``: its
    laboratory, where the terms of that are not entered; ``send_by`` and the days are then ``None``.
    """

    gauge: Gauge
    certificate: Certificate
    due_on: date
    send_by: date | None
    transit_days: int | None
    laboratory_days: int | None
    review_days: int | None
    trip: Trip | None
    standing: str
    spares: tuple[Spare, ...]
    jobs: int
    while_away: int
    without: tuple[str, ...]
    without_terms: str = ""

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
    ``advice``: key of a job in conflict without any choice to what is left to do.
    """

    as_of: date
    until: date
    lines: tuple[GaugeLine, ...]
    uses: tuple[Use, ...]
    cares: tuple[GaugeCare, ...]
    fleet: Fleet
    calendar: WorkingCalendar
    source: dict[str, str]
    plan: str | None
    gauge_conflicts: tuple[Conflict, ...]
    person_conflicts: tuple[PersonConflict, ...]
    advice: dict[str, str]

    def gauge_for(self, use: Use) -> str | None:
        """The gauge that the job is done with; ``None``: no gauge of the fleet can do it."""
        return _gauge_for(use, self.fleet)


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
    until = end_of_plan(as_of, weeks)
    cares = tuple(gauge_cares(facts, given.terms, as_of))
    fleet = gauge_outlook(facts, given.terms, as_of, until, cares=cares).fleet
    codes = {c.code for c in cares}
    jobs = plan_jobs(session, dates, given, switches, weeks=weeks, gauges=[*codes, NO_GAUGE])
    accepted = _accepted(session)
    calendar = shop_calendar(given)
    uses, source = _uses(jobs, accepted, calendar, dates, switches, codes)
    workers = plan_workers(facts.people, given, as_of)
    lacking = conflicts(
        uses,
        cares,
        calendar,
        as_of=as_of,
        until=fleet.last,
        staffed=lambda job, on: anybody(job, workers, on),
    )
    unmanned = person_conflicts(
        uses,
        workers,
        calendar,
        as_of=as_of,
        equipped=lambda job, on: job.gauges == (NO_GAUGE,) or _equipped(job, fleet, on),
    )
    by_key = {u.job.key: u for u in uses}
    stuck = [c.key for c in lacking if not c.choices]
    stuck += [c.key for c in unmanned if not c.choices]
    advice = {key: _advice(by_key[key], fleet, workers, calendar, dates, switches) for key in stuck}
    return GaugeSchedule(
        as_of=as_of,
        until=until,
        lines=tuple(_lines(fleet, uses, facts, calendar, as_of, until)),
        uses=uses,
        cares=cares,
        fleet=fleet,
        calendar=calendar,
        source=source,
        plan=None if accepted is None else accepted.number,
        gauge_conflicts=lacking,
        person_conflicts=unmanned,
        advice=advice,
    )


def _equipped(job: PlanJob, fleet: Fleet, day: date) -> bool:
    """Whether some gauge can be used on ``day``, and a second one where the job needs it."""
    there = [g for g in job.gauges if fleet.usable(g, day)]
    if not job.static_gauges:
        return bool(there)
    return any(s != g and fleet.usable(s, day) for g in there for s in job.static_gauges)


def _advice(
    use: Use,
    fleet: Fleet,
    workers: Sequence[PlanWorker],
    calendar: WorkingCalendar,
    dates: Dates,
    switches: dict[str, Switch],
) -> str:
    """What is left to do for a job without its gauge or person on any of its days.

    Whatever command is named here would do what is said: a deferral is proposed only where one
    would be accepted.
    """
    job = use.job
    out = f"take {job.tag} out of service, by the site's procedure, until it is calibrated"
    if not job.gauges:
        ways = (
            f"No gauge of the shop will do on any day: 'calfleet gauges --for {job.tag}' tells "
            "what each lacks. Get another gauge, or have it calibrated by a laboratory"
        )
        return f"{ways}; else {out}." if use.overdue else f"{ways}."
    day = add_days(use.day, 1)
    while day <= fleet.last and not (
        calendar.is_working(day)
        and (job.gauges == (NO_GAUGE,) or _equipped(job, fleet, day))
        and anybody(job, workers, day)
    ):
        day = add_days(day, 1)
    if day > fleet.last:
        again = "no day is known on which gauge and person are there again"
    else:
        code = next((g for g in job.gauges if g != NO_GAUGE and fleet.usable(g, day)), None)
        what = "somebody for it is" if code is None else f"{code} and somebody for it are"
        again = f"{what} there on {day}"
    if use.overdue:
        return (
            f"It is past its latest day, so it cannot be deferred, and {again}. Get another gauge "
            f"or person for it, or {out}."
        )
    standing = dates.standing(switches[job.tag], further=False)
    if day <= fleet.last and standing.due_on == due_of(job.key):
        refused = why_no_deferral(dates, switches[job.tag], day)
        if refused is None:
            return (
                f"None of its days will do; {again}. Get another gauge or person for it, or have "
                f"the date put off: 'calfleet defer {job.tag} --until {day}', with reason, risk "
                "and an approver."
            )
        return (
            f"None of its days will do, and {again}. It cannot be deferred: {refused} Get another "
            f"gauge or person for it, or {out}."
        )
    return (
        f"None of its days will do; {again}. Get another gauge or person for it, or move the "
        "absence that is in the way."
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
                job = replace(
                    job,
                    static_gauges=tuple(
                        g for g in static_gauges(switch, dates.facts, day) if g in known
                    ),
                )
        uses.append(
            Use(
                job,
                day,
                None if place is None or job.gauges == (NO_GAUGE,) else place.gauge,
                None if place is None else place.person,
                overdue=_past_its_latest_day(job, dates, switches),
            )
        )
        source[job.key] = (
            accepted.number if accepted is not None and place is not None else "due date"
        )
    return tuple(sorted(uses, key=lambda u: (u.day, u.job.key))), source


def _past_its_latest_day(job: PlanJob, dates: Dates, switches: dict[str, Switch]) -> bool:
    if due_of(job.key) >= dates.as_of:
        return False
    now = dates.standing(switches[job.tag])
    return now.latest_on is None or now.latest_on < dates.as_of


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
    fleet: Fleet,
    uses: Sequence[Use],
    facts: BenchFacts,
    calendar: WorkingCalendar,
    as_of: date,
    until: date,
) -> list[GaugeLine]:
    lines = []
    for care in fleet.cares.values():
        gauge = in_force(facts.gauges[care.code], as_of)
        certificate = facts.certificate_on(care.code, as_of)
        if gauge is None or certificate is None:
            continue
        wanted = [u for u in uses if _gauge_for(u, fleet) == care.code]
        able = [u for u in uses if care.code in u.job.gauges]
        spares = _spares(care.code, able)
        journeys: list[Trip | None] = list(trips(care, as_of, until))
        for trip in journeys or [None]:
            due_on = care.due_on if trip is None else trip.due_on
            send_by = _send_by(care, due_on, calendar)
            out = _gone(trip) if trip is not None else _lapsed(care, until)
            away = [
                u
                for u in able
                if out is not None and u.day in out and not fleet.usable(care.code, u.day)
            ]
            without = tuple(
                u.job.key
                for u in away
                if not any(fleet.usable(g, u.day) for g in u.job.gauges if g != care.code)
            )
            lines.append(
                GaugeLine(
                    gauge=gauge,
                    certificate=certificate,
                    due_on=due_on,
                    send_by=send_by,
                    transit_days=None if care.without_terms else care.transit_days,
                    laboratory_days=None if care.without_terms else care.laboratory_days,
                    review_days=None if care.without_terms else care.review_days,
                    trip=trip,
                    standing=_standing(care, trip, send_by, as_of, until),
                    spares=spares,
                    jobs=len(wanted),
                    while_away=len(away),
                    without=without,
                    without_terms=care.without_terms,
                )
            )
    return lines


def _gauge_for(use: Use, fleet: Fleet) -> str | None:
    """The gauge planned for the job, else the first that can be used then, else the first."""
    if use.gauge is not None:
        return use.gauge
    if use.job.gauges == (NO_GAUGE,):
        return None
    there = [g for g in use.job.gauges if fleet.usable(g, use.day)]
    return next(iter((*there, *use.job.gauges)), None)


def _gone(trip: Trip) -> Window | None:
    """The days on which a trip keeps the gauge from work: away, or out of date until it is back."""
    first = min(trip.ship_on, add_days(trip.due_on, 1))
    last = add_days(trip.back_on, -1)
    return Window(first, last, "away or out of date") if last >= first else None


def _lapsed(care: GaugeCare, until: date) -> Window | None:
    """The days from its due date on, for a gauge whose return nobody knows."""
    first = add_days(care.due_on, 1)
    return Window(first, until, "out of date") if first <= until else None


def _spares(code: str, able: Sequence[Use]) -> tuple[Spare, ...]:
    counted: dict[str, int] = {}
    for use in able:
        for other in use.job.gauges:
            if other != code:
                counted[other] = counted.get(other, 0) + 1
    return tuple(
        Spare(g, n, len(able)) for g, n in sorted(counted.items(), key=lambda x: (-x[1], x[0]))
    )


def _send_by(care: GaugeCare, due_on: date, calendar: WorkingCalendar) -> date | None:
    """The last working day of the shop on which it can be sent; nobody sends it on another."""
    if care.without_terms:
        return None
    latest = ship_by(
        due_on,
        transit_days=care.transit_days,
        laboratory_days=care.laboratory_days,
        review_days=care.review_days,
    )
    return calendar.on_or_before(latest)


def _standing(
    care: GaugeCare, trip: Trip | None, send_by: date | None, as_of: date, until: date
) -> str:
    if trip is None:
        if care.without_terms and care.sent_on is not None:
            return f"at the laboratory since {care.sent_on}; {care.no_terms}"
        if care.due_on < as_of:
            known = f"; {care.no_terms}" if care.without_terms else ""
            return f"out of date since {care.due_on}{known}"
        if care.due_on < until:
            return f"out of date after {care.due_on}: {care.no_terms}"
        return "valid throughout"
    later = trip.due_on != care.due_on
    if care.sent_on is not None and not later:
        return f"at the laboratory since {care.sent_on}"
    if trip.recorded:
        return "absence on record"
    if send_by is None:
        return care.no_terms
    if send_by < as_of and not later:
        late = (as_of - send_by).days
        return f"to be sent at once, {late} day{'' if late == 1 else 's'} late"
    return f"to be sent by {send_by}"
