"""What is on record about gauges found bad, and each event as it stands in the light of it all."""

from __future__ import annotations

import gc
from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, replace
from datetime import date
from typing import TYPE_CHECKING

from calfleet.errors import PersonRefused, RecordRefused
from calfleet.records import (
    CalibrationColumns,
    Certificate,
    CrossCheck,
    GaugeEvent,
    Person,
    Role,
)
from calfleet.services.bench_facts import gather
from calfleet.services.compare_gauges import compared
from calfleet.services.nearest import pick
from calfleet.store.queries import doubts
from calfleet.store.queries.resting import resting_on
from calfleet.traceability.affected import Affected, affected_certificates, find_affected
from calfleet.traceability.dossier import HeldEvent
from calfleet.traceability.event import FoundBad
from calfleet.traceability.facts import ChainFacts
from calfleet.traceability.period import Compared, found_bad_events

if TYPE_CHECKING:
    from sqlalchemy.orm import Session


def held_events(session: Session) -> dict[str, HeldEvent]:
    """Every event by number, in the order reported."""
    held = {e.number: HeldEvent(e) for e in doubts.events(session)}
    for decision in doubts.dispositions(session):
        one = held[decision.event]
        held[decision.event] = replace(one, decisions=(*one.decisions, decision))
    for notice in doubts.notices(session):
        one = held[notice.event]
        held[notice.event] = replace(one, notices=(*one.notices, notice))
    for number, closure in doubts.closures(session).items():
        held[number] = replace(held[number], closure=closure)
    return held


def open_event(session: Session, number: str) -> HeldEvent:
    """The event of that number, which is open.

    Raises: UnknownName; RecordRefused for one that was closed.
    """
    held = find_event(session, number)
    if held.closure is not None:
        raise RecordRefused(
            f"Event {held.number} was closed on {held.closure.closed_on} by "
            f"{held.closure.closed_by}.",
            rule="A closed event stays as it was closed.",
            next_step="Report the gauge again: that opens a new event.",
        )
    return held


def find_event(session: Session, number: str) -> HeldEvent:
    """The event of that number.

    Raises: UnknownName.
    """
    return pick(
        "event", number, held_events(session), next_step="'calfleet doubt list' lists them."
    )


@dataclass(frozen=True)
class EventFacts:
    """The gauges and certificates of a site with its events and cross checks; no calibrations.

    ``certificates`` and ``gauges`` are in ``chain``, which the analysis takes.
    """

    chain: ChainFacts
    held: Mapping[str, HeldEvent]
    found: Mapping[str, FoundBad]
    checks: tuple[tuple[CrossCheck, Compared], ...]


def event_facts(session: Session, extra: Sequence[GaugeEvent] = ()) -> EventFacts:
    """Every event of the site as it stands now; ``extra``: events about to be added.

    Raises: RecordRefused for an ``extra`` event that contradicts itself.
    """
    bench = gather(session)
    chain = ChainFacts(
        calibrations={},
        switches={},
        procedures=bench.procedures,
        people=bench.people,
        gauges=bench.gauges,
        certificates=bench.certificates,
        laboratories={},
        valid_until={},
    )
    held = held_events(session)
    entered = doubts.compared_at(session)
    checks = tuple(
        (c, replace(compared(c, bench), entered_at=entered[c.number]))
        for c in doubts.cross_checks(session)
    )
    events = [*(h.event for h in held.values()), *extra]
    found = found_bad_events(
        chain, events, [c for _, c in checks], reported=doubts.reported_at(session)
    )
    return EventFacts(chain, held, found, checks)


def calibrations_on(
    session: Session,
    facts: ChainFacts,
    events: Iterable[FoundBad],
    *,
    with_readings: bool = True,
) -> CalibrationColumns:
    """The calibrations that can rest on the gauges of ``events``.

    Those are the calibrations on an affected certificate or on the gauge itself, and every other
    calibration of the same switches, which tell what is the last word on each.
    """
    certificates: set[str] = set()
    gauges: set[str] = set()
    for event in events:
        certificates |= set(affected_certificates(facts, event))
        gauges.add(event.gauge)
    return resting_on(
        session, gauges=gauges, certificates=certificates, with_readings=with_readings
    )


@contextmanager
def uncollected() -> Iterator[None]:
    """While a very large number of records is made: no search for garbage among them.

    It would go through all of them again and again and find nothing; half of the time was that.
    """
    was_on = gc.isenabled()
    gc.disable()
    try:
        yield
    finally:
        if was_on:
            gc.enable()


def touched_by(session: Session, facts: EventFacts) -> dict[str, Affected]:
    """What each event touches, by the event's number; the calibrations come without readings."""
    with uncollected():
        columns = calibrations_on(session, facts.chain, facts.found.values(), with_readings=False)
        return {n: find_affected(facts.chain, event, columns) for n, event in facts.found.items()}


def require_role(
    person: Person, roles: tuple[Role, ...], on: date, what: str, people: Iterable[Person]
) -> None:
    """Nothing when ``person`` holds one of ``roles`` on ``on``.

    Raises: PersonRefused, naming who does.
    """
    if any(person.holds(role, on) for role in roles):
        return
    able = [p.code for p in people if any(p.holds(role, on) for role in roles)]
    raise PersonRefused(
        f"{person.code} ({person.name}) may not {what}.",
        rule=f"The role {' or '.join(roles)} is needed on {on}.",
        next_step=f"On that day: {', '.join(able) or 'nobody'}.",
    )


def next_number(letter: str, day: date, held: Iterable[str]) -> str:
    """The next number of the year, such as ``E2026-001``."""
    start = f"{letter}{day.year}-"
    taken = [int(n.removeprefix(start)) for n in held if n.startswith(start)]
    return f"{start}{max(taken, default=0) + 1:03d}"


def certificate_of(certificates: Mapping[str, Certificate], gauge: str, number: str) -> Certificate:
    """The certificate of that number, one of the gauge's own.

    Raises: UnknownName.
    """
    own = {c.number: c for c in certificates.values() if c.gauge == gauge}
    return pick(f"certificate of {gauge}", number, own)
