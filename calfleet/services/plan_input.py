"""A site's facts as the levelling takes them: jobs, people, and when each gauge can be used.

What is assumed: an overdue job may still be placed in the next weeks; a gauge is sent so that it
is back on its due date, or goes in the absence on record near it, and its next interval is counted
from its calibration; other work takes the minutes on the switch's data sheet and no gauge.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import replace
from datetime import date, timedelta
from typing import TYPE_CHECKING

from calfleet.metrology.units import PressureMode, convert_difference
from calfleet.records import (
    Gauge,
    GaugeStatus,
    Person,
    PlanningInput,
    Role,
    Switch,
    SwitchStatus,
)
from calfleet.scheduling.calendar import Window, WorkingCalendar, iso_week, week_bounds
from calfleet.scheduling.due import grace_length, interval_days
from calfleet.scheduling.forecast import ForecastItem, Job, forecast
from calfleet.scheduling.gauge_plan import GaugeCare, availability
from calfleet.scheduling.plan_model import (
    NO_GAUGE,
    GaugeAvailability,
    PlanJob,
    PlanWorker,
    Recent,
    Skill,
)
from calfleet.services.bench_facts import BenchFacts, in_force
from calfleet.services.fit_gauges import CurveCache, fit_gauges
from calfleet.services.forecast_load import WORKING_DAYS, forecast_item
from calfleet.services.list_due import CALIBRATION, Dates
from calfleet.store.queries.planning import recent_work, static_gauge_users

if TYPE_CHECKING:
    from sqlalchemy.orm import Session

PULL_FORWARD = 0.25
"""A job is done at most this share of its interval before its due date."""
OVERDUE_WEEKS = 4
"""An overdue job is placed within so many weeks; late days make the first week the best."""
UNDATED = ("overdue", "away", "at laboratory", "no certificate", "in doubt")
"""Reasons against a gauge that only a date makes; the others hold on every day."""


def end_of_plan(today: date, weeks: int) -> date:
    """The last day, a Sunday, of ``weeks`` ISO weeks from that of ``today``."""
    return week_bounds(str(iso_week(today + timedelta(weeks=weeks - 1))))[1]


def shop_calendar(given: PlanningInput) -> WorkingCalendar:
    """The days that the shop works: weekdays without holidays."""
    return WorkingCalendar(holidays=frozenset(h.day for h in given.holidays))


# --- jobs ---------------------------------------------------------------------------------


def plan_jobs(
    session: Session,
    dates: Dates,
    given: PlanningInput,
    switches: Mapping[str, Switch],
    *,
    weeks: int,
    gauges: Iterable[str],
) -> list[PlanJob]:
    """Every job due within ``weeks``, in order of planned day; with the gauges that would do.

    Of what is due on one switch on one day one job is made. ``gauges``: codes that may be used.
    """
    today = dates.as_of
    end = end_of_plan(today, weeks)
    group_of = {tag: g for g in given.redundant_groups for tag in g.tags}
    known = set(gauges)
    cache = CurveCache()
    with_static = static_gauge_users(session)
    items = {
        tag: forecast_item(switch, dates)
        for tag, switch in switches.items()
        if switch.status is SwitchStatus.IN_SERVICE
    }
    jobs: dict[str, PlanJob] = {}
    for job in forecast(items.values(), as_of=today, months=_months(weeks)):
        switch, item = switches[job.tag], items[job.tag]
        due_on, latest = _days(job, item)
        if due_on > end:
            continue
        policy = next((f.policy for f in item.further if f.name == job.work), item.policy)
        interval = interval_days(policy, due_on)
        earliest = max(today, due_on - timedelta(days=int(interval * PULL_FORWARD)))
        if latest < today:
            latest, earliest = end_of_plan(today, OVERDUE_WEEKS), today
        on = max(due_on, today)
        group = group_of.get(job.tag)
        outages = None if job.work else item.outages
        made = PlanJob(
            key=key_of(job.tag, due_on),
            tag=job.tag,
            due_on=on,  # what is overdue already is late from today on
            earliest_on=min(earliest, latest),
            latest_on=latest,
            minutes=job.bench_minutes,
            area=job.area,
            quantity=job.quantity,
            gauges=(
                (NO_GAUGE,) if job.work else usable_gauges(switch, dates.facts, on, cache, known)
            ),
            interval_days=interval,
            criticality=job.criticality,
            redundant_group=None if group is None else group.code,
            apart_weeks=1 if group is None else group.weeks_apart,
            outages=None if outages is None or not outages.windows else outages.windows,
            static_gauges=(
                static_gauges(switch, dates.facts, on, known)
                if job.tag in with_static and not job.work
                else ()
            ),
            work=job.work or CALIBRATION,
        )
        before = jobs.get(made.key)
        jobs[made.key] = made if before is None else _together(before, made)
    return list(jobs.values())


def _days(job: Job, item: ForecastItem) -> tuple[date, date]:
    """The due date and the latest date of a job."""
    further = next((f for f in item.further if f.name == job.work), None)
    policy = item.policy if further is None else further.policy
    latest = job.due_on + timedelta(days=grace_length(policy, job.due_on))
    if job.number > 1:
        return job.due_on, latest
    if further is not None:
        return job.due_on, further.latest_on or latest
    now = item.now
    return job.due_on, latest if now is None or now.latest_on is None else now.latest_on


def _together(one: PlanJob, other: PlanJob) -> PlanJob:
    """Two kinds of work on one switch that are due on one day, as one job."""
    main, more = (one, other) if other.gauges == (NO_GAUGE,) else (other, one)
    earliest, latest = (
        max(main.earliest_on, more.earliest_on),
        min(main.latest_on, more.latest_on),
    )
    return replace(
        main,
        minutes=main.minutes + more.minutes,
        earliest_on=min(earliest, latest),
        latest_on=latest,
        work=f"{main.work}, {more.work}",
    )


def _months(weeks: int) -> int:
    """Months that surely hold the weeks and the pull-forward of yearly jobs behind them."""
    return -(-weeks * 7 // 28) + 4


def usable_gauges(
    switch: Switch, facts: BenchFacts, on: date, cache: CurveCache, known: set[str]
) -> tuple[str, ...]:
    """Gauges that would do on some day, in order of choice: in range, and good enough on ``on``."""
    options = fit_gauges(switch, facts, on, cache=cache)
    good = [o for o in options if all(r.startswith(UNDATED) for r in o.reasons)]
    good.sort(key=lambda o: (-o.gauge.tier, -(o.tur or 0.0), o.gauge.code))
    return tuple(o.gauge.code for o in good if o.gauge.code in known)


def static_gauges(switch: Switch, facts: BenchFacts, on: date, known: set[str]) -> tuple[str, ...]:
    """Gauges that can read the static pressure of ``switch`` by their range, by code."""
    if not switch.static_nominal or switch.line_unit is None:
        return ()
    found = []
    for code, revisions in facts.gauges.items():
        gauge = in_force(revisions, on)
        if gauge is None or gauge.mode is not PressureMode.GAUGE or code not in known:
            continue
        line = convert_difference(switch.static_nominal, switch.line_unit, gauge.unit)
        if gauge.range_low <= line <= gauge.range_high:
            found.append(code)
    return tuple(sorted(found))


def key_of(tag: str, due_on: date) -> str:
    """A job's name in a plan: one switch may have several."""
    return f"{tag} {due_on.isoformat()}"


def due_of(key: str) -> date:
    """The due date that a job's name ends with."""
    return date.fromisoformat(key.rsplit(" ", 1)[1])


# --- people -------------------------------------------------------------------------------


def plan_workers(
    people: Mapping[str, Person], given: PlanningInput, today: date
) -> list[PlanWorker]:
    """Everybody with bench hours who is a technician on ``today``, by code."""
    hours: dict[str, int] = {}
    for line in given.hours:
        if line.effective_on <= today:
            hours[line.person] = line.minutes_per_week
    return [
        PlanWorker(
            code=code,
            skills=tuple(
                Skill(q.quantity, Window(q.granted_on, q.expires_on, "qualification"))
                for q in people[code].qualifications
            ),
            minutes_per_day=round(minutes / WORKING_DAYS),
        )
        for code, minutes in sorted(hours.items())
        if minutes and code in people and people[code].holds(Role.TECHNICIAN, today)
    ]


def recent_of(session: Session, given: PlanningInput, today: date) -> list[Recent]:
    """What was done of late on switches of redundant groups."""
    group_of = {tag: g for g in given.redundant_groups for tag in g.tags}
    longest = max((g.weeks_apart for g in given.redundant_groups), default=0)
    since = today - timedelta(weeks=longest + 1)
    return [
        Recent(group_of[tag].code, tag, iso_week(day), person, gauge)
        for tag, day, person, gauge in recent_work(session, since)
        if tag in group_of
    ]


# --- gauges -------------------------------------------------------------------------------


def gauge_cares(facts: BenchFacts, given: PlanningInput, today: date) -> Iterator[GaugeCare]:
    """Every gauge that has a certificate and is not gone for good, by code."""
    for code, revisions in sorted(facts.gauges.items()):
        gauge = in_force(revisions, today)
        if gauge is None or gauge.status in (GaugeStatus.WITHDRAWN, GaugeStatus.LOST):
            continue
        certificate = facts.certificate_on(code, today)
        if certificate is None:
            continue
        transit, laboratory, review = laboratory_days(given, certificate.laboratory, today)
        yield GaugeCare(
            code=code,
            due_on=facts.valid_until(certificate),
            policy=facts.policy(gauge.policy, today),
            transit_days=transit,
            laboratory_days=laboratory,
            review_days=review,
            valid_from=certificate.issued_on,
            away=tuple(
                Window(a.first_on, a.last_on, a.reason) for a in given.absences if a.gauge == code
            ),
            sent_on=_sent_on(revisions, gauge),
        )


def _sent_on(revisions: Iterable[Gauge], now: Gauge) -> date | None:
    """Since when a gauge that is at the laboratory is there, by its data sheets."""
    if now.status is not GaugeStatus.AT_LABORATORY:
        return None
    since = now.effective_on
    for sheet in sorted(revisions, key=lambda g: (g.effective_on, g.revision), reverse=True):
        if sheet.effective_on > now.effective_on:
            continue
        if sheet.status is not GaugeStatus.AT_LABORATORY:
            break
        since = sheet.effective_on
    return since


def laboratory_days(given: PlanningInput, laboratory: str, today: date) -> tuple[int, int, int]:
    """Days on the way, at that laboratory, and for the review; all 0 without terms on record."""
    found = (0, 0, 0)
    for terms in given.terms:
        if terms.laboratory == laboratory and terms.effective_on <= today:
            found = (terms.transit_days, terms.turnaround_days, terms.review_days)
    return found


def gauges_ahead(cares: Iterable[GaugeCare], today: date, weeks: int) -> list[GaugeAvailability]:
    """When each gauge can be used in the weeks of a plan, and the one that is always there."""
    end = today + timedelta(weeks=weeks + 1)
    found = [availability(care, today, end) for care in cares]
    return [*found, GaugeAvailability(NO_GAUGE, (Window(date.min, date.max),))]
