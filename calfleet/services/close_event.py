"""Closing an event: every result decided about, everybody concerned told, by a second person.

Closing is about the results. It does not make the gauge usable again, which only a calibration
does, nor calibrate a switch that was recalled.

Source: ISO/IEC 17025:2017 7.10.1 f) who authorises the resumption of work; 7.10.2 records. That a
second person closes is this project's choice.
"""

from __future__ import annotations

from datetime import date

from calfleet.errors import PersonRefused, RecordRefused, UsageError
from calfleet.records import EventClosure, Role
from calfleet.services.event_facts import event_facts, open_event, require_role
from calfleet.services.nearest import pick
from calfleet.services.show_event import judged
from calfleet.store import doubt_facts
from calfleet.store.work import Work
from calfleet.traceability.dossier import open_points, touched_calibrations

MAY_CLOSE = (Role.REVIEWER, Role.APPROVER)


def close(work: Work, number: str, *, statement: str, person: str, today: date) -> EventClosure:
    """The closure as added; the caller commits.

    Raises: UnknownName, UsageError without a statement, PersonRefused, RecordRefused while a
    touched result has no decision or nobody was told.
    """
    held = open_event(work.session, number)
    if not statement.strip():
        raise UsageError(
            "The event is closed without a word.",
            rule="Whoever closes it states what came of it.",
            next_step="Give it with --statement.",
        )
    facts = event_facts(work.session)
    people = facts.chain.people
    who = pick("person", person, people)
    require_role(who, MAY_CLOSE, today, "close an event", people.values())
    acted = {held.event.reported_by, *(d.decided_by for d in held.standing.values())}
    if acted == {who.code}:
        raise PersonRefused(
            f"{who.code} ({who.name}) reported {held.number} and decided everything about it.",
            rule="A second person closes an event.",
            next_step="Have another reviewer or approver read and close it.",
        )
    found = judged(work.session, facts, held.number, today)
    waiting = tuple(open_points(held, touched_calibrations(found), found.told))
    if waiting:
        raise RecordRefused(
            f"{held.number} cannot be closed: {'; '.join(waiting)}.",
            rule="Every touched result has a decision, and whoever it concerns was told.",
            next_step="'calfleet doubt decide' and 'calfleet doubt tell' put them on record.",
        )
    made = EventClosure(held.number, who.code, today, statement.strip())
    doubt_facts.add_closure(work, made)
    return made
