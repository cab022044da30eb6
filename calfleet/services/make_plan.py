"""A levelled plan of the coming weeks, made from the site's facts and kept as a record.

What is assumed stands at the head of ``plan_input``; people have their bench hours every week.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
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
    Unplanned,
    WeekLoad,
)
from calfleet.scheduling.plan_model import Plan as Levelled
from calfleet.services.bench_facts import gather
from calfleet.services.bench_hours import shop_calendar
from calfleet.services.gauge_outlook import gauge_outlook
from calfleet.services.list_due import Dates, gather_dates
from calfleet.services.nearest import pick
from calfleet.services.plan_input import (
    OVERDUE_WEEKS,
    PULL_FORWARD,
    due_of,
    end_of_plan,
    key_of,
    plan_jobs,
    plan_workers,
    recent_of,
)
from calfleet.store import planning_facts
from calfleet.store.queries import switches as switch_queries
from calfleet.store.queries.due import site_code
from calfleet.store.queries.planning import planning_input, plans

if TYPE_CHECKING:
    from sqlalchemy.orm import Session

    from calfleet.store.work import Work


@dataclass(frozen=True, slots=True)
class Wish:
    """What a planner decides for a job: its week and, where not ``None``, person and gauge; why."""

    tag: str
    week: str
    person: str | None = None
    gauge: str | None = None
    reason: str = ""


@dataclass(frozen=True, slots=True)
class Release:
    """A job of the last plan that is not to be fixed any more, and why."""

    tag: str
    reason: str


@dataclass(frozen=True)
class MadePlan:
    """The plan as a record, the levelling behind it, and what it was made from."""

    record: Plan
    levelled: Levelled
    given: PlanInput


def make_plan(
    session: Session,
    *,
    today: date,
    weeks: int,
    wishes: Sequence[Wish] = (),
    releases: Sequence[Release] = (),
) -> MadePlan:
    """A plan of what is due within ``weeks`` ISO weeks from that of ``today``; nothing is written.

    The last plan is what this one departs from: few jobs move. Its fixed assignments stay fixed
    but for ``releases``; ``wishes`` are added to them. Both are kept with their reasons.

    Raises: UsageError for a horizon, UnknownName, BadDate, RecordRefused when there is no bench
    time, a wish cannot be kept, or a job that is to be released is not fixed.
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
    outlook = gauge_outlook(facts, given.terms, today, end_of_plan(today, weeks))
    gauges = outlook.availability()
    codes = [g.code for g in gauges]
    jobs = plan_jobs(session, dates, given, switches, weeks=weeks, gauges=codes)
    named = [
        replace(
            w,
            person=None if w.person is None else pick("person", w.person, facts.people).code,
            gauge=None if w.gauge is None else pick("gauge", w.gauge, {c: c for c in facts.gauges}),
        )
        for w in wishes
    ]
    fixed, decided = _fixed(jobs, last, named, releases, switches)
    late = _past_latest(jobs, dates, switches)
    jobs = [_held(j, fixed[j.key].place, late) if j.key in fixed else j for j in jobs]
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
    early = {
        j.key
        for j in jobs
        if j.fixed is not None and j.key not in late and j.fixed.week.last < j.earliest_on
    }
    _refuse_impossible(levelled, {key for key, one in fixed.items() if one.new}, late, early)
    number = f"PL{today.year}-{len(made) + 1:03d}"
    work = {j.key: j.work for j in jobs}
    record = _record(number, levelled, today, last, work, fixed, decided)
    return MadePlan(record, levelled, plan_input)


def _past_latest(
    jobs: Iterable[PlanJob], dates: Dates, switches: Mapping[str, Switch]
) -> frozenset[str]:
    """Keys of the jobs that are past their latest day already, whenever they are done."""
    return frozenset(
        j.key
        for j in jobs
        if due_of(j.key) < dates.as_of and not dates.standing(switches[j.tag]).usable
    )


def _held(job: PlanJob, place: Fixed, late: Collection[str]) -> PlanJob:
    """``job`` fixed to ``place``; one that is late whatever is done may be fixed in any week."""
    if job.key not in late:
        return replace(job, fixed=place)
    return replace(job, fixed=place, latest_on=max(job.latest_on, place.week.last))


def _refuse_impossible(
    levelled: Levelled, wished: Collection[str], late: Collection[str], early: Collection[str]
) -> None:
    for one in levelled.unplanned:
        if one.key in wished:
            choose = "Choose another week, person or gauge"
            raise RecordRefused(
                f"{one.tag} cannot be fixed there. {one.reason}",
                rule="A job is fixed within its days, with somebody qualified and a usable gauge.",
                next_step=(
                    f"{choose}; it is past its latest day, so it can no longer be deferred."
                    if one.key in late
                    else "Choose a later week."
                    if one.key in early
                    else f"{choose}, or have the job deferred first."
                ),
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


def unplanned_count(plan: Plan) -> int:
    """How many jobs the plan left without a place."""
    told = plan.outcome.get("unplanned")
    return len(told) if isinstance(told, list) else 0


@dataclass(frozen=True)
class PlanCalendar:
    """What a plan's calendar file needs beside the plan.

    ``before``: the jobs of the plan that it is based on; ``edition``: how many plans were made
    before it.
    """

    site: str
    switches: dict[str, Switch]
    before: tuple[PlanAssignment, ...]
    edition: int


def plan_calendar(session: Session, plan: Plan) -> PlanCalendar:
    """What is told about the jobs of ``plan`` in a calendar, from the data sheets of its day."""
    numbers = [p.number for p in plans(session)]
    before: tuple[PlanAssignment, ...] = ()
    if plan.based_on is not None:
        held = plans(session, with_assignments_of=plan.based_on)
        before = next(p.assignments for p in held if p.number == plan.based_on)
    return PlanCalendar(
        site_code(session),
        {s.tag: s for s in switch_queries.in_force(session, plan.as_of)},
        before,
        numbers.index(plan.number),
    )


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


@dataclass(frozen=True, slots=True)
class _Fix:
    """Where a job is fixed and why; ``new``: decided with this plan."""

    place: Fixed
    reason: str
    new: bool = False


def _fixed(
    jobs: Sequence[PlanJob],
    last: Plan | None,
    wishes: Sequence[Wish],
    releases: Sequence[Release],
    switches: Mapping[str, Switch],
) -> tuple[dict[str, _Fix], list[dict[str, str]]]:
    """Job to where it is fixed; and what was decided with this plan, as its settings keep it."""
    fixed: dict[str, _Fix] = {}
    decided: list[dict[str, str]] = []
    for a in last.assignments if last is not None else ():
        if a.fixed:
            place = Fixed(iso_week(a.week_on), a.person, a.gauge)
            fixed[key_of(a.tag, a.due_on)] = _Fix(place, a.note)
    for key, place, why in _fixed_without_place(last):
        fixed.setdefault(key, _Fix(place, why))
    for release in releases:
        tag = pick("switch", release.tag, switches).tag
        keys = [k for k in fixed if k.rsplit(" ", 1)[0] == tag]
        if not keys:
            held = sorted({k.rsplit(" ", 1)[0] for k in fixed})
            raise RecordRefused(
                f"{tag} is not fixed in {'a plan' if last is None else last.number}.",
                rule="What is released was fixed before.",
                next_step=(
                    f"Fixed there: {', '.join(held)}."
                    if held
                    else "No job is fixed there: 'calfleet plan fix' fixes one."
                ),
            )
        for key in keys:
            decided.append(_decision("released", tag, key, fixed.pop(key).place, release.reason))
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
        place = Fixed(iso_week(first), wish.person, wish.gauge)
        fixed[nearest.key] = _Fix(place, wish.reason, new=True)
        decided.append(_decision("fixed", tag, nearest.key, place, wish.reason))
    return fixed, decided


def _decision(what: str, tag: str, key: str, place: Fixed, reason: str) -> dict[str, str]:
    told = {
        "what": what,
        "tag": tag,
        "due_on": due_of(key).isoformat(),
        "week": str(place.week),
        "reason": reason,
    }
    if place.worker is not None:
        told["person"] = place.worker
    if place.gauge is not None:
        told["gauge"] = place.gauge
    return told


def _fixed_without_place(last: Plan | None) -> Iterator[tuple[str, Fixed, str]]:
    """What the last plan could not keep where it was fixed: it stays fixed until released."""
    told = None if last is None else last.outcome.get("unplanned")
    for one in told if isinstance(told, list) else ():
        fix = one.get("fixed")
        if fix:
            key = key_of(one["tag"], date.fromisoformat(one["due_on"]))
            week = iso_week(date.fromisoformat(fix["week_on"]))
            yield key, Fixed(week, fix.get("person"), fix.get("gauge")), fix.get("reason", "")


LACKS = {
    Cause.PAST: "window",
    Cause.BEYOND: "window",
    Cause.NO_WORKING_DAY: "window",
    Cause.NO_OUTAGE: "window",
    Cause.NOBODY_QUALIFIED: "person",
    Cause.NO_GAUGE: "gauge",
    Cause.NO_COMMON_DAY: "person and gauge together",
    Cause.TOO_LONG: "hours",
    Cause.FIXED: "its fixed place",
    Cause.SEPARATION: "distance to its partner",
    Cause.CAPACITY: "hours",
    Cause.GAUGE_CAPACITY: "gauge",
}
"""What a job without a place lacks, in a word or two."""


def _told(one: Unplanned, fix: _Fix | None) -> dict[str, object]:
    """A job without a place as the plan's outcome keeps it."""
    told: dict[str, object] = {
        "tag": one.tag,
        "due_on": due_of(one.key).isoformat(),
        "lacks": LACKS[one.cause],
        "proven": one.proven,
        "reason": one.reason,
    }
    if one.cause is Cause.FIXED and fix is not None:
        told["reason"] = f"{one.reason} 'calfleet plan release {one.tag}' lets it go elsewhere."
    if one.soonest is not None:
        s = one.soonest
        told["soonest"] = {
            "week_on": s.week.first.isoformat(),
            "first_on": s.first.isoformat(),
            "last_on": s.last.isoformat(),
            "person": s.worker,
            "gauge": None if s.gauge == NO_GAUGE else s.gauge,
        }
    if fix is not None:
        told["fixed"] = {
            "week_on": fix.place.week.first.isoformat(),
            "person": fix.place.worker,
            "gauge": fix.place.gauge,
            "reason": fix.reason,
        }
    return told


def _record(
    number: str,
    levelled: Levelled,
    today: date,
    last: Plan | None,
    work: Mapping[str, str],
    fixed: Mapping[str, _Fix],
    decided: list[dict[str, str]],
) -> Plan:
    o = levelled.objective
    settings: dict[str, object] = {"pull_forward": PULL_FORWARD, "overdue_weeks": OVERDUE_WEEKS}
    if decided:
        settings["decided"] = decided
    return Plan(
        number=number,
        as_of=today,
        first_week_on=iso_week(today).first,
        weeks=levelled.weeks,
        based_on=None if last is None else last.number,
        settings=settings,
        outcome={
            "method": str(levelled.method),
            "objective": o.total,
            "bound": levelled.bound,
            "gap": levelled.gap,
            "peak_share": o.peak_share,
            "lost_minutes": o.lost_minutes,
            "late_days": o.late_days,
            "moved": len(levelled.moved),
            "unplanned": [_told(u, fixed.get(u.key)) for u in levelled.unplanned],
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
                note=fixed[a.key].reason if a.fixed and a.key in fixed else "",
            )
            for a in levelled.assignments
        ),
    )


__all__ = [
    "MadePlan",
    "Release",
    "WeekLoad",
    "Wish",
    "accept",
    "find_plan",
    "keep_plan",
    "make_plan",
]
