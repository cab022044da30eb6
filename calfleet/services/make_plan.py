"""A levelled plan of the coming weeks, made from the site's facts and kept as a record.

What is assumed and said with every plan: an overdue job may still be placed in the next weeks; a
gauge whose certificate ends is away for its laboratory's time just before, or in the absence on
record, and valid again afterwards for its interval; people have their bench hours every week.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date, timedelta
from typing import TYPE_CHECKING

from calfleet.errors import RecordRefused, UsageError
from calfleet.records import (
    Gauge,
    GaugeStatus,
    Person,
    Plan,
    PlanAssignment,
    PlanningInput,
    Role,
    Switch,
)
from calfleet.scheduling.calendar import Window, WorkingCalendar, iso_week, week_bounds
from calfleet.scheduling.due import grace_length, interval_days, valid_until
from calfleet.scheduling.forecast import forecast
from calfleet.scheduling.plan import make_plan as level
from calfleet.scheduling.plan_model import (
    Assignment,
    Cause,
    Fixed,
    GaugeAvailability,
    PlanInput,
    PlanJob,
    PlanWorker,
    Recent,
    Skill,
    WeekLoad,
)
from calfleet.scheduling.plan_model import Plan as Levelled
from calfleet.services.bench_facts import BenchFacts, gather, in_force
from calfleet.services.fit_gauges import CurveCache, fit_gauges
from calfleet.services.forecast_load import WORKING_DAYS, forecast_items
from calfleet.services.list_due import switch_standing
from calfleet.services.nearest import pick
from calfleet.services.plan_facts import facts_from
from calfleet.store import planning_facts
from calfleet.store.queries import due as due_queries
from calfleet.store.queries import switches as switch_queries
from calfleet.store.queries.planning import planning_input, plans, recent_work

if TYPE_CHECKING:
    from sqlalchemy.orm import Session

    from calfleet.store.work import Work

PULL_FORWARD = 0.25
"""A job is done at most this share of its interval before its due date."""
OVERDUE_WEEKS = 4
"""An overdue job is placed within so many weeks; late days make the first week the best."""
UNDATED = ("overdue", "away", "at laboratory", "no certificate")
"""Reasons against a gauge that only a date makes; the others hold on every day."""


@dataclass(frozen=True, slots=True)
class Wish:
    """What a planner decides for a job: its week and, where not ``None``, person and gauge."""

    tag: str
    week: str
    person: str | None = None
    gauge: str | None = None


@dataclass(frozen=True)
class MadePlan:
    """The plan as a record, the levelling behind it, and what it was made from."""

    record: Plan
    levelled: Levelled
    given: PlanInput


def make_plan(
    session: Session, *, today: date, weeks: int, wishes: Sequence[Wish] = ()
) -> MadePlan:
    """A plan of what is due within ``weeks`` ISO weeks from that of ``today``; nothing is written.

    The last plan is what this one departs from: few jobs move. Its fixed assignments stay fixed,
    ``wishes`` are added to them.

    Raises: UsageError for a horizon, UnknownName, BadDate, RecordRefused when there is no bench
    time or a wish cannot be kept in any case.
    """
    if not 1 <= weeks <= 156:
        raise UsageError(
            f"A plan over {weeks} weeks.",
            rule="A plan covers 1 to 156 weeks.",
            next_step="Give the number of weeks.",
        )
    given = planning_input(session)
    facts = gather(session)
    switches = {s.tag: s for s in switch_queries.in_force(session, today)}
    made = plans(session)
    last = made[-1] if made else None
    if last is not None:
        last = plans(session, with_assignments_of=last.number)[-1]
    gauges = _gauges(facts, given, today, weeks)
    jobs = _jobs(session, given, facts, switches, today, weeks, {g.code for g in gauges})
    jobs = _with_fixed(jobs, last, wishes, switches)
    plan_input = PlanInput(
        jobs=tuple(jobs),
        workers=tuple(_workers(facts.people, given, today)),
        gauges=tuple(gauges),
        calendar=WorkingCalendar(holidays=frozenset(h.day for h in given.holidays)),
        first=today,
        weeks=weeks,
        recent=tuple(_recent(session, given, today)),
        previous=tuple(_previous(last, jobs)),
    )
    levelled = level(plan_input)
    _refuse_impossible(levelled, wishes, switches)
    number = f"PL{today.year}-{len(made) + 1:03d}"
    return MadePlan(_record(number, levelled, today, last), levelled, plan_input)


def _refuse_impossible(
    levelled: Levelled, wishes: Sequence[Wish], switches: Mapping[str, Switch]
) -> None:
    wished = {pick("switch", w.tag, switches).tag for w in wishes}
    for one in levelled.unplanned:
        if one.tag in wished and one.cause in (Cause.FIXED, Cause.TOO_LONG):
            raise RecordRefused(
                f"{one.tag} cannot be fixed there. {one.reason}",
                rule="A job is fixed within its days, with somebody qualified and a usable gauge.",
                next_step="Choose another week, person or gauge, or have the job deferred first.",
            )


def keep_plan(work: Work, made: MadePlan) -> Plan:
    """The plan as added; the caller commits."""
    planning_facts.add_plan(work, made.record)
    return made.record


def find_plan(session: Session, number: str | None) -> Plan:
    """The plan of that number with its assignments, or the last one made.

    Raises: UnknownName; RecordRefused when there is none yet.
    """
    known = {p.number: p for p in plans(session)}
    if not known:
        raise RecordRefused(
            "No plan has been made yet.",
            rule="A plan is made before it is shown or accepted.",
            next_step="'calfleet plan make'.",
        )
    wanted = list(known)[-1] if number is None else pick("plan", number, known).number
    return next(p for p in plans(session, with_assignments_of=wanted) if p.number == wanted)


def accept(work: Work, number: str | None, person: str, today: date) -> Plan:
    """The plan, now accepted by ``person``; the caller commits.

    Raises: UnknownName, RecordRefused when it was accepted already or the person is no planner.
    """
    plan = find_plan(work.session, number)
    facts = gather(work.session)
    who = pick("person", person, facts.people)
    if not who.holds(Role.PLANNER, today):
        able = [p.code for p in facts.people.values() if p.holds(Role.PLANNER, today)]
        raise RecordRefused(
            f"{who.code} ({who.name}) is not a planner on {today}.",
            rule="A plan is accepted by a planner.",
            next_step=f"Planners: {', '.join(able) or 'none'}.",
        )
    if plan.accepted_on is not None:
        raise RecordRefused(
            f"{plan.number} was accepted on {plan.accepted_on} by {plan.accepted_by}.",
            rule="A plan is accepted once.",
            next_step="Make a new plan to change it.",
        )
    planning_facts.accept_plan(work, plan, who.code)
    return replace(plan, accepted_on=work.at.date(), accepted_by=who.code)


# --- from the site's facts to the levelling ---------------------------------------------


def _jobs(
    session: Session,
    given: PlanningInput,
    facts: BenchFacts,
    switches: Mapping[str, Switch],
    today: date,
    weeks: int,
    gauges: set[str],
) -> list[PlanJob]:
    days = due_queries.performed_days(session)
    first = due_queries.first_used(session)
    moved = facts_from(given)
    group_of = {tag: g for g in given.redundant_groups for tag in g.tags}
    cache = CurveCache()
    end = week_bounds(str(iso_week(today + timedelta(weeks=weeks - 1))))[1]
    items = {i.tag: i for i in forecast_items(session, given, today, with_gauges=False)}
    jobs = []
    for job in forecast(items.values(), as_of=today, months=_months(weeks)):
        switch, item = switches[job.tag], items[job.tag]
        interval = interval_days(item.policy, job.due_on)
        latest = job.due_on + timedelta(days=grace_length(item.policy, job.due_on))
        due_on = job.due_on
        if job.number == 1:
            standing = switch_standing(
                switch,
                days.get(job.tag, []),
                facts,
                today,
                first_use=first.get(job.tag),
                moved_by=moved,
            )
            due_on = standing.due_on or job.due_on
            latest = standing.latest_on or latest
        earliest = max(today, due_on - timedelta(days=int(interval * PULL_FORWARD)))
        if latest < today:
            latest = week_bounds(str(iso_week(today + timedelta(weeks=OVERDUE_WEEKS - 1))))[1]
            earliest = today
        if due_on > end:
            continue
        group = group_of.get(job.tag)
        outages = item.outages
        jobs.append(
            PlanJob(
                key=key_of(job.tag, due_on),
                tag=job.tag,
                due_on=max(due_on, today),  # what is overdue already is late from today on
                earliest_on=min(earliest, latest),
                latest_on=latest,
                minutes=job.bench_minutes,
                area=job.area,
                quantity=job.quantity,
                gauges=_usable(switch, facts, max(due_on, today), cache, gauges),
                interval_days=interval,
                criticality=job.criticality,
                redundant_group=None if group is None else group.code,
                apart_weeks=1 if group is None else group.weeks_apart,
                outages=None if outages is None or not outages.windows else outages.windows,
            )
        )
    return jobs


def _months(weeks: int) -> int:
    """Months that surely hold the weeks and the pull-forward of yearly jobs behind them."""
    return -(-weeks * 7 // 28) + 4


def _usable(
    switch: Switch, facts: BenchFacts, on: date, cache: CurveCache, known: set[str]
) -> tuple[str, ...]:
    """Gauges that would do on some day, in order of choice."""
    options = fit_gauges(switch, facts, on, cache=cache)
    good = [o for o in options if all(r.startswith(UNDATED) for r in o.reasons)]
    good.sort(key=lambda o: (-o.gauge.tier, -(o.tur or 0.0), o.gauge.code))
    return tuple(o.gauge.code for o in good if o.gauge.code in known)


def _workers(people: Mapping[str, Person], given: PlanningInput, today: date) -> list[PlanWorker]:
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


def _gauges(
    facts: BenchFacts, given: PlanningInput, today: date, weeks: int
) -> list[GaugeAvailability]:
    end = today + timedelta(weeks=weeks + 1)
    found = []
    for code, revisions in facts.gauges.items():
        gauge = in_force(revisions, today)
        if gauge is None or gauge.status in (GaugeStatus.WITHDRAWN, GaugeStatus.LOST):
            continue
        certificate = facts.certificate_on(code, today)
        if certificate is None:
            continue
        absences = [
            Window(a.first_on, a.last_on, a.reason) for a in given.absences if a.gauge == code
        ]
        valid, away = _cycles(
            gauge,
            Window(certificate.issued_on, facts.valid_until(certificate), certificate.number),
            absences,
            _time_away(given, certificate.laboratory, today),
            facts,
            end,
        )
        found.append(GaugeAvailability(code, tuple(valid), tuple(away)))
    return found


def _time_away(given: PlanningInput, laboratory: str, today: date) -> int:
    """Days that laboratory takes, from sending the gauge to its reviewed return."""
    days = 0
    for terms in given.terms:
        if terms.laboratory == laboratory and terms.effective_on <= today:
            days = terms.transit_days + terms.turnaround_days + terms.review_days
    return days


def _cycles(
    gauge: Gauge,
    current: Window,
    absences: list[Window],
    time_away: int,
    facts: BenchFacts,
    end: date,
) -> tuple[list[Window], list[Window]]:
    """When the gauge is valid and when away, certificate after certificate, until ``end``.

    An absence on record that begins within a quarter of the interval before the certificate ends,
    or after it ended, is taken for its recalibration.
    """
    valid, away = [current], list(absences)
    unused = sorted(absences, key=lambda w: w.first)
    last = current.last
    while last < end:
        policy = facts.policy(gauge.policy, last)
        quarter = interval_days(policy, last) // 4
        known = next((w for w in unused if w.last >= last - timedelta(days=quarter)), None)
        if known is not None:
            unused.remove(known)
            back = known.last + timedelta(days=1)
        else:
            away.append(Window(last - timedelta(days=time_away), last, "recalibration, assumed"))
            back = last + timedelta(days=1)
        last = valid_until(policy, back)
        valid.append(Window(back, last, "certificate to come"))
    return valid, away


def _recent(session: Session, given: PlanningInput, today: date) -> list[Recent]:
    group_of = {tag: g for g in given.redundant_groups for tag in g.tags}
    longest = max((g.weeks_apart for g in given.redundant_groups), default=0)
    since = today - timedelta(weeks=longest + 1)
    return [
        Recent(group_of[tag].code, tag, iso_week(day), person, gauge)
        for tag, day, person, gauge in recent_work(session, since)
        if tag in group_of
    ]


def _previous(last: Plan | None, jobs: Sequence[PlanJob]) -> list[Assignment]:
    if last is None:
        return []
    keys = {j.key for j in jobs}
    found = []
    for a in last.assignments:
        key = key_of(a.tag, a.due_on)
        if key in keys and a.person is not None and a.gauge is not None:
            week = iso_week(a.week_on)
            found.append(
                Assignment(key, a.tag, week, a.person, a.gauge, week.first, week.last, a.fixed)
            )
    return found


def _with_fixed(
    jobs: list[PlanJob], last: Plan | None, wishes: Sequence[Wish], switches: Mapping[str, Switch]
) -> list[PlanJob]:
    fixed: dict[str, Fixed] = {}
    for a in last.assignments if last is not None else ():
        if a.fixed:
            fixed[key_of(a.tag, a.due_on)] = Fixed(iso_week(a.week_on), a.person, a.gauge)
    for wish in wishes:
        tag = pick("switch", wish.tag, switches).tag
        first, _ = week_bounds(wish.week)
        own = [j for j in jobs if j.tag == tag]
        if not own:
            raise RecordRefused(
                f"{tag} has no job in these weeks.",
                rule="A job is fixed in a plan that holds it.",
                next_step="Plan more weeks, or check the tag.",
            )
        nearest = min(own, key=lambda j: abs((j.due_on - first).days))
        fixed[nearest.key] = Fixed(iso_week(first), wish.person, wish.gauge)
    return [replace(j, fixed=fixed[j.key]) if j.key in fixed else j for j in jobs]


def _record(
    number: str,
    levelled: Levelled,
    today: date,
    last: Plan | None,
) -> Plan:
    o = levelled.objective
    return Plan(
        number=number,
        as_of=today,
        first_week_on=iso_week(today).first,
        weeks=levelled.weeks,
        based_on=None if last is None else last.number,
        settings={"pull_forward": PULL_FORWARD, "overdue_weeks": OVERDUE_WEEKS},
        outcome={
            "method": str(levelled.method),
            "objective": o.total,
            "bound": levelled.bound,
            "gap": levelled.gap,
            "peak_share": o.peak_share,
            "lost_minutes": o.lost_minutes,
            "late_days": o.late_days,
            "moved": len(levelled.moved),
            "unplanned": [
                {"tag": u.tag, "due_on": due_of(u.key).isoformat(), "reason": u.reason}
                for u in levelled.unplanned
            ],
        },
        assignments=tuple(
            PlanAssignment(
                tag=a.tag,
                due_on=due_of(a.key),
                week_on=a.week.first,
                person=a.worker,
                gauge=a.gauge,
                fixed=a.fixed,
            )
            for a in levelled.assignments
        ),
    )


def key_of(tag: str, due_on: date) -> str:
    """A job's name in a plan: one switch may have several."""
    return f"{tag} {due_on.isoformat()}"


def due_of(key: str) -> date:
    """The due date that a job's name ends with."""
    return date.fromisoformat(key.rsplit(" ", 1)[1])


__all__ = [
    "MadePlan",
    "WeekLoad",
    "Wish",
    "accept",
    "find_plan",
    "keep_plan",
    "make_plan",
]
