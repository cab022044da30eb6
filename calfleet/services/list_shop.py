"""What planning stands on, listed: the shop's calendar, hours, laboratory terms, groups."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date
from typing import TYPE_CHECKING

from calfleet.records import GaugeStatus, LaboratoryTerms, PlanningInput, Role, Withdrawable
from calfleet.scheduling.calendar import WorkingCalendar, days_through
from calfleet.services.bench_facts import gather, in_force
from calfleet.services.bench_hours import shop_calendar
from calfleet.store.queries.planning import everything_entered, planning_input, withdrawals
from calfleet.store.queries.shop import laboratories, people

if TYPE_CHECKING:
    from sqlalchemy.orm import Session


@dataclass(frozen=True, slots=True)
class CalendarLine:
    """A holiday, closure, leave or gauge absence.

    ``working_days``: those on which the shop would work but for it (holiday, closure), or works
    without the person or the gauge. ``cancelled``: why it no longer counts; ``None``: it does.
    """

    kind: Withdrawable
    subject: str
    first_on: date
    last_on: date
    working_days: int
    text: str
    cancelled: str | None

    @property
    def days(self) -> int:
        return (self.last_on - self.first_on).days + 1


def list_calendar(
    session: Session, *, since: date | None = None, with_cancelled: bool = False
) -> list[CalendarLine]:
    """Everything that takes days away, by first day; that over before ``since`` is left out."""
    given = everything_entered(session)
    calendar = shop_calendar(planning_input(session))
    gone = {(w.kind, w.subject, w.first_on, w.last_on): w.reason for w in withdrawals(session)}
    found = []
    for kind, subject, first, last, text in _entries(given):
        cancelled = gone.get((kind, subject, first, last))
        if (cancelled is not None and not with_cancelled) or (since is not None and last < since):
            continue
        days = _weekdays if kind in (Withdrawable.HOLIDAY, Withdrawable.CLOSURE) else _worked
        found.append(
            CalendarLine(kind, subject, first, last, days(calendar, first, last), text, cancelled)
        )
    return sorted(found, key=lambda x: (x.first_on, x.last_on, x.kind, x.subject))


def _entries(given: PlanningInput) -> Iterator[tuple[Withdrawable, str, date, date, str]]:
    for h in given.holidays:
        yield Withdrawable.HOLIDAY, "", h.day, h.day, h.name
    for c in given.closures:
        yield Withdrawable.CLOSURE, "", c.first_on, c.last_on, c.name
    for x in given.leaves:
        yield Withdrawable.LEAVE, x.person, x.first_on, x.last_on, x.reason
    for a in given.absences:
        yield Withdrawable.ABSENCE, a.gauge, a.first_on, a.last_on, a.reason


def _weekdays(calendar: WorkingCalendar, first: date, last: date) -> int:
    return sum(d.isoweekday() not in calendar.weekend for d in days_through(first, last))


def _worked(calendar: WorkingCalendar, first: date, last: date) -> int:
    return calendar.count(first, last)


@dataclass(frozen=True, slots=True)
class HoursLine:
    """A version of somebody's bench hours, or a technician without any (``effective_on`` None).

    ``counts``: in words, whether they bring bench time on the day asked for.
    """

    person: str
    name: str
    effective_on: date | None
    minutes_per_week: int | None
    counts: str


def list_hours(session: Session, on: date) -> list[HoursLine]:
    """Every version of everybody's hours, by person and day of effect; technicians without too."""
    versions: dict[str, list[tuple[date, int]]] = {}
    for line in planning_input(session).hours:
        versions.setdefault(line.person, []).append((line.effective_on, line.minutes_per_week))
    found = []
    for code, person in sorted(people(session).items()):
        technician = person.holds(Role.TECHNICIAN, on)
        held = sorted(versions.get(code, []))
        current = max((day for day, _ in held if day <= on), default=None)
        for day, minutes in held:
            counts = "in force" if day == current else "replaced" if day <= on else "to come"
            if not technician and counts != "replaced":
                counts = "no technician: does not count"
            found.append(HoursLine(code, person.name, day, minutes, counts))
        if technician and not held:
            found.append(HoursLine(code, person.name, None, None, "no hours: no bench time"))
    return found


@dataclass(frozen=True, slots=True)
class TermsLine:
    """A version of a laboratory's terms, or a laboratory without any in force (``None``).

    ``gauges``: those whose certificate on the day is from it. ``standing`` in words.
    """

    laboratory: str
    name: str
    terms: LaboratoryTerms | None
    standing: str
    gauges: tuple[str, ...]

    @property
    def days_away(self) -> int | None:
        t = self.terms
        return None if t is None else t.transit_days + t.turnaround_days + t.review_days


NOT_ENTERED = "terms are not entered"


def list_terms(session: Session, on: date) -> list[TermsLine]:
    """Every version of every laboratory's terms, by laboratory and day; those without too."""
    going = gauges_by_laboratory(session, on)
    versions: dict[str, list[LaboratoryTerms]] = {}
    for terms in planning_input(session).terms:
        versions.setdefault(terms.laboratory, []).append(terms)
    found = []
    for code, laboratory in sorted(laboratories(session).items()):
        held = sorted(versions.get(code, []), key=lambda t: t.effective_on)
        gauges = going.get(code, ())
        current = max((t.effective_on for t in held if t.effective_on <= on), default=None)
        if current is None:
            found.append(TermsLine(code, laboratory.name, None, NOT_ENTERED, gauges))
        for terms in held:
            day = terms.effective_on
            standing = "in force" if day == current else "replaced" if day <= on else "to come"
            shown = gauges if day == current else ()
            found.append(TermsLine(code, laboratory.name, terms, standing, shown))
    return found


def gauges_by_laboratory(session: Session, on: date) -> dict[str, tuple[str, ...]]:
    """Laboratory to the gauges whose certificate in force is from it."""
    facts = gather(session)
    found: dict[str, list[str]] = {}
    for code, revisions in sorted(facts.gauges.items()):
        gauge = in_force(revisions, on)
        certificate = facts.certificate_on(code, on)
        if gauge is None or certificate is None:
            continue
        if gauge.status not in (GaugeStatus.WITHDRAWN, GaugeStatus.LOST):
            found.setdefault(certificate.laboratory, []).append(code)
    return {laboratory: tuple(codes) for laboratory, codes in found.items()}


@dataclass(frozen=True, slots=True)
class GroupLine:
    """A redundant group; ``cancelled``: why it no longer counts, ``None``: it does."""

    code: str
    tags: tuple[str, ...]
    weeks_apart: int
    cancelled: str | None


def list_groups(session: Session, *, with_cancelled: bool = False) -> list[GroupLine]:
    """The redundant groups, by code."""
    gone = {w.subject: w.reason for w in withdrawals(session) if w.kind is Withdrawable.GROUP}
    return [
        GroupLine(g.code, g.tags, g.weeks_apart, gone.get(g.code))
        for g in sorted(everything_entered(session).redundant_groups, key=lambda g: g.code)
        if with_cancelled or g.code not in gone
    ]
