"""How many jobs a change of the shop's calendar touches, and which command shows them.

Planned jobs are those of the last accepted plan that are still due; a job that it does not hold is
taken on its due date, and touched only by a gauge that is missing then.
"""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from itertools import combinations
from typing import TYPE_CHECKING

from calfleet.records import RedundantGroup, WorkingHours
from calfleet.scheduling.calendar import Week, Window, iso_week
from calfleet.scheduling.gauge_plan import Use, availability
from calfleet.services.bench_facts import gather
from calfleet.services.plan_input import plan_workers
from calfleet.services.schedule_gauges import (
    MOST_WEEKS,
    GaugeSchedule,
    if_lapses,
    schedule_gauges,
)
from calfleet.store.queries.planning import planning_input, plans

if TYPE_CHECKING:
    from sqlalchemy.orm import Session

AGAIN = "'calfleet plan make' plans anew."
NO_PLAN = "No plan is accepted yet: nothing that is planned is touched."
MOST_NAMED = 6
"""So many weeks are named; the rest is counted."""


@dataclass(frozen=True, slots=True)
class Touched:
    """The number of jobs that a change touches, and a sentence that says so with the command."""

    jobs: int
    text: str


def jobs_in_days(session: Session, first: date, last: date, *, today: date) -> Touched:
    """The planned jobs on days from ``first`` through ``last``."""
    if last < today:
        return Touched(0, "")
    schedule = _until(session, last, today)
    if schedule.plan is None:
        return Touched(0, NO_PLAN)
    days = Window(first, last)
    found = [u for u in _planned(schedule) if u.day in days]
    if not found:
        return Touched(0, f"No job of plan {schedule.plan} is touched.")
    is_or_are = "1 job is" if len(found) == 1 else f"{len(found)} jobs are"
    text = f"{is_or_are} planned then. {_shown(schedule.plan, found)}"
    return Touched(len(found), text)


def jobs_of_person(
    session: Session, person: str, first: date, last: date, *, today: date
) -> Touched:
    """The jobs planned for ``person`` in the weeks of these days."""
    if last < today:
        return Touched(0, "")
    schedule = _until(session, last, today)
    if schedule.plan is None:
        return Touched(0, NO_PLAN)
    weeks = Window(iso_week(first).first, iso_week(last).last)
    found = [u for u in _planned(schedule) if u.person == person and u.day in weeks]
    if not found:
        return Touched(0, f"Plan {schedule.plan} gives {person} no job in these weeks.")
    hit = sum(u.day in Window(first, last) for u in found)
    on_days = "all of them" if hit == len(found) else f"{hit} of them"
    text = (
        f"Plan {schedule.plan} gives {person} {_jobs(len(found))} in these weeks, {on_days} on "
        f"days of this leave. {_shown(schedule.plan, found)}"
    )
    return Touched(len(found), text)


def jobs_of_gauge(session: Session, gauge: str, first: date, last: date, *, today: date) -> Touched:
    """The jobs on these days that would use ``gauge``, and those of them that no other one can do.

    A job that could not use it then in any case is not counted.
    """
    if last < today:
        return Touched(0, "")
    schedule = _until(session, last, today)
    care = next((c for c in schedule.cares if c.code == gauge), None)
    if care is None:
        return Touched(0, f"{gauge} has no certificate: no job is planned with it.")
    start, back = max(first, today), last + timedelta(days=1)
    impact = if_lapses(schedule, gauge, lapses_on=start, back_on=back)
    free = availability(care, schedule.as_of, schedule.until)
    blocked = [u for u in impact.blocked if free.usable_on(u.day)]
    other = [u for u, _ in impact.can_move if free.usable_on(u.day)]
    count = len(blocked) + len(other)
    if not count:
        return Touched(0, f"No job needs {gauge} then.")
    weeks = _weeks_to(last, today)
    longer = f" --weeks {weeks}" if weeks > 52 else ""
    text = (
        f"{_jobs(count)} on these days would use {gauge}: {len(blocked)} without another gauge, "
        f"{len(other)} with another one. 'calfleet gauge-schedule --if-lapses {gauge} --lapses-on "
        f"{start} --back-on {back}{longer}' shows them."
    )
    return Touched(count, text)


def weeks_too_full(session: Session, hours: WorkingHours, *, today: date) -> Touched:
    """The planned jobs of a person in weeks that hold more than the hours now on record give.

    Asked after the hours were added.
    """
    last = _end_of_accepted(session)
    if last is None:
        return Touched(0, NO_PLAN)
    schedule = _until(session, max(last, today), today)
    workers = plan_workers(gather(session).people, planning_input(session), today)
    worker = next((w for w in workers if w.code == hours.person), None)
    weeks: dict[Week, list[Use]] = {}
    for use in _planned(schedule):
        if use.person == hours.person and use.day >= hours.effective_on:
            weeks.setdefault(iso_week(use.day), []).append(use)
    full: list[Use] = []
    for week, uses in weeks.items():
        have = 0
        if worker is not None:
            days = schedule.calendar.working_days(max(week.first, today), week.last)
            have = worker.minutes_in(week) * sum(worker.present_on(day) for day in days)
        if sum(u.job.minutes for u in uses) > have:
            full += uses
    if not full or schedule.plan is None:
        return Touched(0, f"No week of plan {schedule.plan} is too full with these hours.")
    text = (
        f"Plan {schedule.plan} gives {hours.person} more than these hours in some weeks: "
        f"{_jobs(len(full))}. {_shown(schedule.plan, full)}"
    )
    return Touched(len(full), text)


def channels_too_near(session: Session, group: RedundantGroup, *, today: date) -> Touched:
    """The planned jobs of a group's channels that are too near, or in the same hands."""
    last = _end_of_accepted(session)
    if last is None:
        return Touched(0, NO_PLAN)
    schedule = _until(session, max(last, today), today)
    mine = [u for u in _planned(schedule) if u.job.tag in group.tags]
    near: dict[str, Use] = {}
    for one, other in combinations(mine, 2):
        weeks = abs((iso_week(one.day).first - iso_week(other.day).first).days) // 7
        hands = one.job.tag != other.job.tag and (one.person, one.gauge) == (
            other.person, other.gauge,
        )  # fmt: skip
        if weeks < group.weeks_apart or hands:
            near |= {one.job.key: one, other.job.key: other}
    if not near or schedule.plan is None:
        return Touched(0, f"Plan {schedule.plan} keeps its channels apart already.")
    text = (
        f"{_jobs(len(near))} of plan {schedule.plan} on its channels are too near each other, or "
        f"by the same person with the same gauge. {_shown(schedule.plan, list(near.values()))}"
    )
    return Touched(len(near), text)


def _weeks_to(last: date, today: date) -> int:
    weeks = (iso_week(last).first - iso_week(today).first).days // 7 + 1
    return min(max(1, weeks), MOST_WEEKS)


def _until(session: Session, last: date, today: date) -> GaugeSchedule:
    """The jobs through ``last`` and the end of the plan, which holds some before their day."""
    end = max(last, _end_of_accepted(session) or today)
    return schedule_gauges(session, as_of=today, weeks=_weeks_to(end, today))


def _planned(schedule: GaugeSchedule) -> list[Use]:
    return [u for u in schedule.uses if schedule.source[u.job.key] == schedule.plan]


def _end_of_accepted(session: Session) -> date | None:
    """The last day of the last accepted plan; ``None``: there is none."""
    made = [p for p in plans(session) if p.accepted_on is not None]
    return made[-1].first_week_on + timedelta(weeks=made[-1].weeks, days=-1) if made else None


def _jobs(count: int) -> str:
    return f"{count} job{'' if count == 1 else 's'}"


def _weeks(uses: Collection[Use]) -> str:
    named = [str(w) for w in sorted({iso_week(u.day) for u in uses})]
    more = len(named) - MOST_NAMED
    return ", ".join(named[:MOST_NAMED]) + (f" and {more} more weeks" if more > 0 else "")


def _shown(plan: str, uses: Sequence[Use]) -> str:
    first = min(iso_week(u.day) for u in uses)
    later = [u for u in uses if iso_week(u.day) != first]
    rest = f" (likewise {_weeks(later)})" if later else ""
    return f"'calfleet plan show {plan} --week {first}' shows the week{rest}; {AGAIN}"
