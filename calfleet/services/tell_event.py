"""Telling whoever must know of a gauge found bad, on record: who was told when, by whom.

Source: ISO/IEC 17025:2017 7.10.1 e): where necessary, the customer is told and work recalled.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date

from calfleet.errors import DateRefused, RecordRefused, UsageError
from calfleet.records import EventNotice
from calfleet.services.event_facts import event_facts, find_event
from calfleet.services.nearest import pick
from calfleet.services.show_event import judged
from calfleet.store import doubt_facts
from calfleet.store.work import Work


def tell(
    work: Work,
    number: str,
    *,
    told: Sequence[str] = (),
    everybody: bool = False,
    told_on: date | None = None,
    note: str = "",
    person: str,
    today: date,
) -> list[EventNotice]:
    """The notices as added, one for each of ``told``; the caller commits.

    ``everybody``: all who must be told by the consequences and were not told yet. A closed event
    may be told of as well.

    Raises: UnknownName, UsageError, DateRefused, RecordRefused.
    """
    held = find_event(work.session, number)
    facts = event_facts(work.session)
    who = pick("person", person, facts.chain.people)
    on = told_on or today
    if on > today or on < held.event.found_on:
        raise DateRefused(
            f"Told on {on}.",
            rule=f"Somebody is told after the gauge was found bad ({held.event.found_on}) and "
            f"before it is put on record ({today}).",
            next_step="Check the date.",
        )
    names = [name.strip() for name in told if name.strip()]
    known = {notice.told for notice in held.notices}
    if everybody:
        proposed = judged(work.session, facts, held.number, today).told
        names += [name for name in proposed if name not in known]
        if not names:
            raise RecordRefused(
                f"Nobody is left to be told of {held.number}.",
                rule="Whom the consequences concern is told once.",
                next_step="Name somebody else, if they were told.",
            )
    if not names:
        raise UsageError(
            "Nobody is named.",
            rule="It is put on record who was told.",
            next_step="Name them, or say --everybody for all who must be told.",
        )
    made = []
    for name in dict.fromkeys(names):
        if any(n.told == name and n.told_on == on for n in held.notices):
            raise RecordRefused(
                f"That {name} was told on {on} is on record.",
                rule="One telling is put on record once.",
                next_step="Leave the name out.",
            )
        notice = EventNotice(held.number, name, on, who.code, note.strip())
        doubt_facts.add_notice(work, notice)
        made.append(notice)
    return made
