"""Jobs whose person is not there or not qualified on the day, and what can be done about it."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import date
from enum import StrEnum

from calfleet.scheduling.calendar import WorkingCalendar, add_days
from calfleet.scheduling.gauge_plan import Use
from calfleet.scheduling.plan_model import PlanJob, PlanWorker


class PersonChoiceKind(StrEnum):
    OTHER_PERSON = "another person"
    PULL_FORWARD = "pull the job forward"
    PUT_BACK = "do the job later"
    RENEW = "renew the qualification"


@dataclass(frozen=True, slots=True)
class PersonChoice:
    """One way out, in words and as data; ``day``: of the job, or by which to renew."""

    kind: PersonChoiceKind
    text: str
    person: str
    day: date


@dataclass(frozen=True, slots=True)
class PersonConflict:
    """A job that lacks somebody to do it on its day: why, and what can be done."""

    key: str
    tag: str
    day: date
    reason: str
    choices: tuple[PersonChoice, ...]

    @property
    def text(self) -> str:
        """The conflict in one sentence."""
        return f"{self.tag} on {self.day}: {self.reason}."


def person_conflicts(
    uses: Iterable[Use],
    workers: Sequence[PlanWorker],
    calendar: WorkingCalendar,
    *,
    as_of: date,
    equipped: Callable[[PlanJob, date], bool] = lambda job, day: True,
) -> tuple[PersonConflict, ...]:
    """The jobs that nobody fit for them is there for on their day, by day, then key.

    A job with a planned person lacks that one; a job without lacks anybody. Nothing is proposed
    before ``as_of``, outside a job's own days or, by ``equipped``, on a day without a gauge for it.
    """
    known = {w.code: w for w in workers}
    found = []
    for use in sorted(uses, key=lambda u: (u.day, u.job.key)):
        reason = _why_not(use, known)
        if reason:
            choices = tuple(_choices(use, known, calendar, as_of, equipped))
            found.append(PersonConflict(use.job.key, use.job.tag, use.day, reason, choices))
    return tuple(found)


def anybody(job: PlanJob, workers: Iterable[PlanWorker], day: date) -> bool:
    """Whether somebody with bench hours and the qualification is there on ``day``."""
    return any(_fit(worker, job, day) for worker in workers)


def _fit(worker: PlanWorker, job: PlanJob, day: date) -> bool:
    return (
        worker.minutes_on(day) > 0
        and worker.present_on(day)
        and worker.qualified_on(job.quantity, day)
    )


def _why_not(use: Use, known: dict[str, PlanWorker]) -> str:
    """Why nobody, or not the planned person, can do the job; empty: somebody can."""
    job, day = use.job, use.day
    if use.person is None:
        if any(_fit(w, job, day) for w in known.values()):
            return ""
        return f"nobody qualified for {job.quantity} is there"
    worker = known.get(use.person)
    if worker is None:
        return f"{use.person} has no bench hours or is no technician any more"
    for window in worker.away:
        if day in window:
            return f"{worker.code} is away from {window.first} to {window.last}"
    if not worker.minutes_on(day):
        return f"{worker.code} has no bench hours then"
    if worker.qualified_on(job.quantity, day):
        return ""
    ends = [s.window.last for s in worker.skills if s.quantity is job.quantity and s.window]
    until = max((e for e in ends if e < day), default=None)
    told = f" after {until}" if until is not None else ""
    return f"{worker.code} is not qualified for {job.quantity}{told}"


def _choices(
    use: Use,
    known: dict[str, PlanWorker],
    calendar: WorkingCalendar,
    as_of: date,
    equipped: Callable[[PlanJob, date], bool],
) -> Iterator[PersonChoice]:
    job, day = use.job, use.day
    for worker in known.values():
        if worker.code != use.person and _fit(worker, job, day):
            text = f"Let {worker.code} do it, qualified and there on {day}."
            yield PersonChoice(PersonChoiceKind.OTHER_PERSON, text, worker.code, day)
    asked = [known[use.person]] if use.person in known else list(known.values())
    for step, kind, words in (
        (-1, PersonChoiceKind.PULL_FORWARD, "Pull the job forward to {} or earlier, while {} can."),
        (+1, PersonChoiceKind.PUT_BACK, "Do the job on {}, when {} can."),
    ):
        for worker in asked:
            other = _day_with(worker, job, calendar, day, step, as_of, equipped)
            if other is not None:
                yield PersonChoice(kind, words.format(other, worker.code), worker.code, other)
    for worker in asked:
        if any(s.quantity is job.quantity for s in worker.skills) and not worker.qualified_on(
            job.quantity, day
        ):
            text = f"Renew the qualification of {worker.code} for {job.quantity} by {day}."
            yield PersonChoice(PersonChoiceKind.RENEW, text, worker.code, day)


def _day_with(
    worker: PlanWorker,
    job: PlanJob,
    calendar: WorkingCalendar,
    day: date,
    step: int,
    as_of: date,
    equipped: Callable[[PlanJob, date], bool],
) -> date | None:
    """The working day of the job nearest to ``day`` in that direction on which the person can."""
    first, last = max(job.earliest_on, as_of), job.latest_on
    candidate = add_days(day, step)
    candidate = min(candidate, last) if step < 0 else max(candidate, first)
    while first <= candidate <= last:
        allowed = job.outages is None or any(candidate in w for w in job.outages)
        if (
            allowed
            and calendar.is_working(candidate)
            and _fit(worker, job, candidate)
            and equipped(job, candidate)
        ):
            return candidate
        candidate = add_days(candidate, step)
    return None
