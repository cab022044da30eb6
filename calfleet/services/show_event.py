"""An event as an auditor asks for it: what it touched, what was decided, told, and what is open."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import date
from typing import TYPE_CHECKING

from calfleet.services.event_facts import (
    EventFacts,
    event_facts,
    find_event,
    touched_by,
)
from calfleet.services.judge_again import judged_again
from calfleet.store.queries import audit, due
from calfleet.traceability.affected import affected_certificates
from calfleet.traceability.dossier import (
    GRAVITY,
    Dossier,
    HeldEvent,
    Touched,
    open_points,
    some,
    touched_calibrations,
    undecided,
)
from calfleet.traceability.event import FoundBad
from calfleet.traceability.impact import Impact
from calfleet.traceability.words import counted

if TYPE_CHECKING:
    from sqlalchemy.orm import Session


def dossier(session: Session, number: str, *, today: date) -> Dossier:
    """The event of that number as it stands on ``today``, every result judged anew.

    Raises: UnknownName.
    """
    held = find_event(session, number)
    facts = event_facts(session)
    found = judged(session, facts, held.number, today)
    touched = touched_calibrations(found)
    gauge = held.event.gauge
    checks = tuple(
        compared for c, compared in facts.checks if gauge in (c.gauge, c.against)
    )  # fmt: skip
    return Dossier(
        held=held,
        impact=found,
        touched=touched,
        checks=checks,
        open_points=tuple(open_points(held, touched, found.told)),
        remarks=tuple(_remarks(held, facts, touched)),
        head=audit.head(session),
        asked_on=today,
        site=due.site_code(session),
        names={code: p.name for code, p in facts.chain.people.items()},
    )


def judged(session: Session, facts: EventFacts, number: str, today: date) -> Impact:
    """Every result that event ``number`` touches, judged again with the error found."""
    return judged_again(session, facts.chain, facts.found[number], today)


def _remarks(held: HeldEvent, facts: EventFacts, touched: Mapping[str, Touched]) -> Iterator[str]:
    if held.closure is not None:
        late = undecided(held, touched)
        if late:
            yield (
                f"Since the event was closed {counted(len(late), 'calibration')} came to rest on "
                f"the gauge or were corrected: {some(late)}. Report the gauge again."
            )
    gone = tuple(n for n in held.standing if n not in touched)
    if gone:
        yield (
            f"Decided about, but no longer touched (corrected, or the period is shorter now): "
            f"{some(gone)}."
        )
    for number, decision in held.standing.items():
        one = touched.get(number)
        if one is None or decision.action is one.proposed:
            continue
        if GRAVITY.index(decision.action) > GRAVITY.index(one.proposed):
            yield (
                f"{number} of {one.tag}: {decision.action} was decided where {one.proposed} is "
                f"proposed ({one.consequence})."
            )
    for number, event in facts.found.items():
        shared = () if number == held.number else _shared(facts, event, touched)
        if shared:
            yield (
                f"Event {number} ({event.gauge}) touches {counted(len(shared), 'calibration')} of "
                f"these, too, and is judged by itself: {some(shared)}."
            )


def _shared(facts: EventFacts, event: FoundBad, touched: Mapping[str, Touched]) -> tuple[str, ...]:
    """Those of the touched calibrations that ``event``, another one, touches as well."""
    certificates = facts.chain.certificates
    rests = affected_certificates(facts.chain, event)
    return tuple(
        one.calibration
        for one in touched.values()
        if any(
            row.certificate in rests
            or (
                row.gauge == event.gauge
                and event.touches(
                    certificates.get(row.certificate), row.certificate, row.performed_on
                )
            )
            for row in one.rows
        )
    )


# --- the list -----------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class EventLine:
    """An event in a list; ``touched`` and ``undecided`` count calibrations."""

    held: HeldEvent
    touched: int
    undecided: int
    since: date

    @property
    def state(self) -> str:
        closure = self.held.closure
        return "open" if closure is None else f"closed {closure.closed_on}"


def event_lines(session: Session) -> list[EventLine]:
    """Every event, in the order reported; nothing is judged again for it."""
    facts = event_facts(session)
    touched = touched_by(session, facts)
    lines = []
    for number, held in facts.held.items():
        names = dict.fromkeys(touched[number].calibrations)
        lines.append(
            EventLine(
                held,
                len(names),
                len(undecided(held, names)),
                facts.found[number].last_good.on,
            )
        )
    return lines
