"""A site's facts as the levelling takes them: jobs and people (gauges: ``gauge_outlook``).

What is assumed: an overdue job may still be placed in the next weeks; other work takes the minutes
on the switch's data sheet and no gauge.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import replace
from datetime import date, timedelta
from typing import TYPE_CHECKING

from calfleet.records import (
    Person,
    PlanningInput,
    Role,
    Switch,
    SwitchStatus,
)
from calfleet.scheduling.calendar import Window, iso_week, week_bounds
from calfleet.scheduling.due import interval_days
from calfleet.scheduling.forecast import forecast
from calfleet.scheduling.plan_model import (
    NO_GAUGE,
    PlanJob,
    PlanWorker,
    Recent,
    Skill,
)
from calfleet.services.bench_facts import BenchFacts
from calfleet.services.bench_hours import leaves, minutes_a_day
from calfleet.services.fit_gauges import CurveCache, fit_gauges, static_gauges
from calfleet.services.forecast_load import forecast_item
from calfleet.services.list_due import CALIBRATION, Dates
from calfleet.store.queries.planning import recent_work, static_gauge_users

if TYPE_CHECKING:
    from sqlalchemy.orm import Session

PULL_FORWARD = 0.25
"""A job is done at most this share of its interval before its due date."""
OVERDUE_WEEKS = 4
"""An overdue job is placed within so many weeks; late days make the first week the best."""


def end_of_plan(today: date, weeks: int) -> date:
    """The last day, a Sunday, of ``weeks`` ISO weeks from that of ``today``."""
    return week_bounds(str(iso_week(today + timedelta(weeks=weeks - 1))))[1]


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
        due_on, latest = job.due_on, job.latest_on or job.due_on
        if due_on > end:
            continue
        interval = interval_days(job.policy or item.policy, due_on)
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
                tuple(g for g in static_gauges(switch, dates.facts, on) if g in known)
                if job.tag in with_static and not job.work
                else ()
            ),
            work=job.work or CALIBRATION,
        )
        before = jobs.get(made.key)
        jobs[made.key] = made if before is None else _together(before, made)
    return list(jobs.values())


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
    good = [o for o in options if o.only_a_date]
    good.sort(key=lambda o: (-o.gauge.tier, -(o.tur or 0.0), o.gauge.code))
    return tuple(o.gauge.code for o in good if o.gauge.code in known)


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
    """Everybody with bench hours, now or later, who is a technician on ``today``, by code.

    Leave is time away. Where hours change within a week, the fewer count for all of it.
    """
    away = leaves(given)
    return [
        PlanWorker(
            code=code,
            skills=tuple(
                Skill(q.quantity, Window(q.granted_on, q.expires_on, "qualification"))
                for q in people[code].qualifications
            ),
            minutes_per_day=now,
            away=away.get(code, ()),
            changes=later,
        )
        for code, (now, later) in sorted(minutes_a_day(given, today).items())
        if code in people and people[code].holds(Role.TECHNICIAN, today)
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
