"""A levelled plan of the coming weeks, made from the site's facts and kept as a record.

What is assumed stands at the head of ``plan_input``; people have their bench hours every week.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date
from typing import TYPE_CHECKING

from calfleet.errors import RecordRefused, UsageError
from calfleet.records import Plan, PlanAssignment, Role, Switch
from calfleet.scheduling.calendar import iso_week, week_bounds
from calfleet.scheduling.plan import make_plan as level
from calfleet.scheduling.plan_model import (
    NO_GAUGE,
    Assignment,
    Cause,
    Fixed,
    PlanInput,
    PlanJob,
    WeekLoad,
)
from calfleet.scheduling.plan_model import Plan as Levelled
from calfleet.services.bench_facts import gather
from calfleet.services.list_due import gather_dates
from calfleet.services.nearest import pick
from calfleet.services.plan_input import (
    OVERDUE_WEEKS,
    PULL_FORWARD,
    due_of,
    gauge_cares,
    gauges_ahead,
    key_of,
    plan_jobs,
    plan_workers,
    recent_of,
    shop_calendar,
)
from calfleet.store import planning_facts
from calfleet.store.queries import switches as switch_queries
from calfleet.store.queries.planning import planning_input, plans

if TYPE_CHECKING:
    from sqlalchemy.orm import Session

    from calfleet.store.work import Work


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
    dates = gather_dates(session, today, facts)
    gauges = gauges_ahead(gauge_cares(facts, given, today), today, weeks)
    codes = [g.code for g in gauges]
    jobs = plan_jobs(session, dates, given, switches, weeks=weeks, gauges=codes)
    jobs = _with_fixed(jobs, last, wishes, switches)
    plan_input = PlanInput(
        jobs=tuple(jobs),
        workers=tuple(plan_workers(facts.people, given, today)),
        gauges=tuple(gauges),
        calendar=shop_calendar(given),
        first=today,
        weeks=weeks,
        recent=tuple(recent_of(session, given, today)),
        previous=tuple(_previous(last, jobs)),
    )
    levelled = level(plan_input)
    _refuse_impossible(levelled, wishes, switches)
    number = f"PL{today.year}-{len(made) + 1:03d}"
    work = {j.key: j.work for j in jobs}
    return MadePlan(_record(number, levelled, today, last, work), levelled, plan_input)


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


# --- what was planned before ---------------------------------------------------------------


def _previous(last: Plan | None, jobs: Sequence[PlanJob]) -> list[Assignment]:
    if last is None:
        return []
    keys = {j.key for j in jobs}
    found = []
    for a in last.assignments:
        key = key_of(a.tag, a.due_on)
        if key in keys and a.person is not None:
            week = iso_week(a.week_on)
            gauge = a.gauge or NO_GAUGE
            found.append(
                Assignment(key, a.tag, week, a.person, gauge, week.first, week.last, a.fixed)
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
    work: Mapping[str, str],
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
            "days": [
                {
                    "tag": a.tag,
                    "due_on": due_of(a.key).isoformat(),
                    "day": None if a.day is None else a.day.isoformat(),
                    "static_gauge": a.static_gauge,
                    "work": work[a.key],
                }
                for a in levelled.assignments
            ],
        },
        assignments=tuple(
            PlanAssignment(
                tag=a.tag,
                due_on=due_of(a.key),
                week_on=a.week.first,
                person=a.worker,
                gauge=None if a.gauge == NO_GAUGE else a.gauge,
                fixed=a.fixed,
            )
            for a in levelled.assignments
        ),
    )


__all__ = [
    "MadePlan",
    "WeekLoad",
    "Wish",
    "accept",
    "find_plan",
    "keep_plan",
    "make_plan",
]
