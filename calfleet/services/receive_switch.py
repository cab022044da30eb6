"""Receiving a switch at the bench: when, by whom, in what condition.

Source: ISO/IEC 17025:2017 7.4.3 (its condition on receipt; from memory), 7.8.2.1 g and h.
"""

from __future__ import annotations

from dataclasses import replace
from datetime import date
from typing import TYPE_CHECKING

from calfleet.errors import DateRefused, RecordRefused
from calfleet.records import Role, SwitchReceipt
from calfleet.services.event_facts import require_role
from calfleet.services.nearest import pick
from calfleet.store import particular_facts
from calfleet.store.queries import particulars, shop
from calfleet.store.queries import switches as switch_queries
from calfleet.store.work import Work

if TYPE_CHECKING:
    from sqlalchemy.orm import Session

MAY_RECEIVE = (Role.TECHNICIAN, Role.PLANNER)


def receive(work: Work, given: SwitchReceipt, *, today: date) -> SwitchReceipt:
    """The receipt as added; the caller commits.

    Raises: UnknownName for tag or person; DateRefused for a day to come; PersonRefused for somebody
    who is neither technician nor planner; RecordRefused where it is on record for that day.
    """
    tag = pick("switch", given.tag, {t: t for t in switch_queries.tags(work.session)})
    people = shop.people(work.session)
    person = pick("person", given.received_by, people)
    if given.received_on > today:
        raise DateRefused(
            f"{tag} is received on {given.received_on}, which is to come.",
            rule="What is noted as received came by today.",
            next_step="Correct the date.",
        )
    require_role(person, MAY_RECEIVE, given.received_on, "receive a switch", people.values())
    made = replace(given, tag=tag, received_by=person.code, condition=given.condition.strip())
    if any(
        (r.tag, r.received_on) == (tag, made.received_on)
        for r in particulars.switch_receipts(work.session)
    ):
        raise RecordRefused(
            f"{tag} is noted as received on {made.received_on} already.",
            rule="A switch comes once a day; what is on record is not changed.",
            next_step="Tell the rest in the remarks of its calibration.",
        )
    particular_facts.add_switch_receipt(work, made)
    return made


def list_receipts(session: Session, tag: str | None = None) -> list[SwitchReceipt]:
    """All receipts (of one switch), newest first, then by tag.

    Raises: UnknownName.
    """
    rows = list(particulars.switch_receipts(session))
    if tag is not None:
        known = pick("switch", tag, {t: t for t in switch_queries.tags(session)})
        rows = [r for r in rows if r.tag == known]
    return sorted(rows, key=lambda r: (-r.received_on.toordinal(), r.tag))
