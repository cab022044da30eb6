"""Every hard rule that a plan breaks, found from dates alone.

Nothing here is shared with the planner: the rules are read again from the input, day by day, so
that a mistake there is seen here. A plan that somebody changed by hand is checked the same way.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Collection
from dataclasses import dataclass
from datetime import date
from functools import partial
from itertools import combinations

from calfleet.scheduling.calendar import Week, days_through
from calfleet.scheduling.plan_model import (
    Assignment,
    GaugeAvailability,
    Plan,
    PlanInput,
    PlanJob,
    PlanWorker,
)


@dataclass(frozen=True, slots=True)
class BrokenRule:
    """A hard rule that does not hold: its name, the jobs concerned, and what is wrong."""

    rule: str
    keys: tuple[str, ...]
    text: str

    def __str__(self) -> str:
        return self.text


def check_plan(plan: Plan, given: PlanInput) -> list[BrokenRule]:
    """The hard rules that ``plan`` breaks, in order of rule, then job; empty: none.

    Rules: every job is planned once or told to be unplanned; its week has a day on which job,
    shop, person and gauge agree; fixed assignments stand; redundant switches are apart and not in
    the same hands; no person and no gauge has more minutes than the days of the week allow, also
    counting only the work that must fall on some of its days.
    """
    jobs = {j.key: j for j in given.jobs}
    workers = {w.code: w for w in given.workers}
    gauges = {g.code: g for g in given.gauges}
    broken = _once_each(plan, jobs)
    spans: list[tuple[Assignment, PlanJob, list[date]]] = []
    for a in plan.assignments:
        job, worker, gauge = jobs.get(a.key), workers.get(a.worker), gauges.get(a.gauge)
        if job is None:
            continue
        if worker is None or gauge is None:
            missing = a.worker if worker is None else a.gauge
            broken.append(BrokenRule("names", (a.key,), f"{a.key} has {missing}, who is unknown."))
            continue
        broken += _place(a, job, given)
        days = [d for d in _job_days(a, job, given) if _hands(d, job, worker, gauge, given.gauges)]
        static = gauges.get(a.static_gauge or "")
        if job.static_gauges and not (
            static is not None
            and static.code in job.static_gauges
            and static != gauge
            and any(static.usable_on(d) for d in days)
        ):
            text = f"{a.key} lacks a second gauge for its static pressure in {a.week}."
            broken.append(BrokenRule("static gauge", (a.key,), text))
        if a.day is not None and a.day not in days:
            text = f"{a.key} is proposed for {a.day}, on which it cannot be done."
            broken.append(BrokenRule("day", (a.key,), text))
        if days:
            spans.append((a, job, days))
            if (a.first, a.last) != (days[0], days[-1]):
                text = f"{a.key} is shown from {a.first} to {a.last}, but can be done {days[0]} to "
                broken.append(BrokenRule("days", (a.key,), text + f"{days[-1]}."))
        else:
            text = f"{a.key} cannot be done by {a.worker} with {a.gauge} on any day of {a.week}."
            broken.append(BrokenRule("days", (a.key,), text))
    broken += _apart(plan, jobs, given)
    for code, worker in workers.items():
        rows = [(a, j, d) for a, j, d in spans if a.worker == code]
        open_days = {d for d in _working(given) if worker.present_on(d)}
        broken += _room("person", code, rows, open_days, worker.minutes_in)
    for code, gauge in gauges.items():
        rate = gauge.minutes_per_day
        if rate is not None:
            rows = [(a, j, d) for a, j, d in spans if a.gauge == code]
            open_days = {d for d in _working(given) if gauge.usable_on(d)}
            broken += _room("gauge", code, rows, open_days, partial(_always, rate))
    return broken


def _once_each(plan: Plan, jobs: dict[str, PlanJob]) -> list[BrokenRule]:
    seen = Counter([a.key for a in plan.assignments] + [u.key for u in plan.unplanned])
    broken = [
        BrokenRule("once", (key,), f"{key} stands {seen[key]} times in the plan.")
        for key in jobs
        if seen[key] != 1
    ]
    return broken + [
        BrokenRule("once", (key,), f"{key} is in the plan but not among the jobs.")
        for key in seen
        if key not in jobs
    ]


def _always(rate: int, _: Week) -> int:
    return rate


def _working(given: PlanInput) -> list[date]:
    return [d for d in days_through(given.first, given.last) if given.calendar.is_working(d)]


def _job_days(a: Assignment, job: PlanJob, given: PlanInput) -> list[date]:
    return [
        d
        for d in days_through(max(a.week.first, given.first), min(a.week.last, given.last))
        if given.calendar.is_working(d)
        and job.earliest_on <= d <= job.latest_on
        and (job.outages is None or any(d in w for w in job.outages))
    ]


def _hands(
    day: date,
    job: PlanJob,
    worker: PlanWorker,
    gauge: GaugeAvailability,
    others: Collection[GaugeAvailability],
) -> bool:
    return (
        worker.present_on(day)
        and worker.qualified_on(job.quantity, day)
        and gauge.code in job.gauges
        and gauge.usable_on(day)
        and (
            not job.static_gauges
            or any(s.usable_on(day) for s in others if s.code in job.static_gauges and s != gauge)
        )
    )


def _place(a: Assignment, job: PlanJob, given: PlanInput) -> list[BrokenRule]:
    broken = []
    if a.week.last < given.first or a.week.first > given.last:
        broken.append(BrokenRule("horizon", (a.key,), f"{a.key} is in {a.week}, outside the plan."))
    if a.week.first > job.latest_on:
        text = f"{a.key} is in {a.week}, after its latest day {job.latest_on}."
        broken.append(BrokenRule("latest", (a.key,), text))
    if job.fixed is not None and (
        a.week != job.fixed.week
        or job.fixed.worker not in (None, a.worker)
        or job.fixed.gauge not in (None, a.gauge)
    ):
        broken.append(BrokenRule("fixed", (a.key,), f"{a.key} is not where it was fixed."))
    return broken


def _apart(plan: Plan, jobs: dict[str, PlanJob], given: PlanInput) -> list[BrokenRule]:
    broken = []
    groups: dict[str, list[Assignment]] = {}
    for a in plan.assignments:
        job = jobs.get(a.key)
        if job is not None and job.redundant_group is not None:
            groups.setdefault(job.redundant_group, []).append(a)
    for name, members in sorted(groups.items()):
        apart = max(j.apart_weeks for j in jobs.values() if j.redundant_group == name)
        others = [
            (r.tag, r.week, r.worker, r.gauge) for r in given.recent if r.redundant_group == name
        ]
        for a, b in combinations(members, 2):
            broken += _pair(a, (b.tag, b.week, b.worker, b.gauge), (a.key, b.key), apart)
        for a in members:
            for other in others:
                broken += _pair(a, other, (a.key,), apart)
    return broken


def _pair(
    a: Assignment, other: tuple[str, Week, str, str], keys: tuple[str, ...], apart: int
) -> list[BrokenRule]:
    tag, week, worker, gauge = other
    weeks = abs((a.week.first - week.first).days) // 7
    broken = []
    if weeks < apart:
        text = f"{a.tag} in {a.week} and {tag} in {week} are nearer than {apart} weeks."
        broken.append(BrokenRule("apart", keys, text))
    if a.tag != tag and (a.worker, a.gauge) == (worker, gauge):
        text = f"{a.tag} and {tag} are both done by {worker} with {gauge}."
        broken.append(BrokenRule("same hands", keys, text))
    return broken


def _room(
    kind: str,
    code: str,
    rows: list[tuple[Assignment, PlanJob, list[date]]],
    open_days: set[date],
    minutes_per_day: Callable[[Week], int],
) -> list[BrokenRule]:
    """For each week, the first stretch of days in which more must be done than fits."""
    weeks: dict[Week, list[tuple[Assignment, PlanJob, list[date]]]] = {}
    for row in rows:
        weeks.setdefault(row[0].week, []).append(row)
    broken = []
    for week, group in weeks.items():
        starts = sorted({days[0] for _, _, days in group})
        ends = sorted({days[-1] for _, _, days in group}, reverse=True)
        for first, last in ((s, e) for s in starts for e in ends if s <= e):
            inside = [(a, j) for a, j, days in group if first <= days[0] and days[-1] <= last]
            need = sum(j.minutes for _, j in inside)
            have = minutes_per_day(week) * sum(first <= d <= last for d in open_days)
            if need > have:
                text = f"The {kind} {code} has {need} minutes of work from {first} to {last} in "
                text += f"{week}, and {have} minutes there."
                broken.append(BrokenRule(kind, tuple(a.key for a, _ in inside), text))
                break
    return broken
