"""Looking things up: switches, people, procedures and a switch's history, as of a day."""

from __future__ import annotations

from collections.abc import Collection, Iterable
from datetime import date, timedelta
from typing import TYPE_CHECKING

from calfleet.errors import UnknownName
from calfleet.records import Calibration, Person, ProcedureRevision, Quantity, Role, Switch
from calfleet.services.choose_procedure import procedure_revision
from calfleet.services.nearest import nearest_names, pick
from calfleet.store.queries import calibrations as calibration_queries
from calfleet.store.queries import moving, shop
from calfleet.store.queries import switches as switch_queries
from calfleet.store.queries.procedures import procedures

if TYPE_CHECKING:
    from sqlalchemy.orm import Session

    from calfleet.store.queries.moving import HeldMoveIn


def switches_on(session: Session, on: date, areas: Collection[str] = ()) -> list[Switch]:
    """The data sheets in force on ``on`` (in those areas), by tag.

    Raises: UnknownName for an area that is not there.
    """
    known = [area.code for area in shop.areas(session)]
    for code in areas:
        if code not in known:
            raise UnknownName("area", code, nearest_names(code, known) or known)
    return [s for s in switch_queries.in_force(session, on) if not areas or s.area in areas]


def site_name(session: Session) -> str:
    """The name of the site with its code; empty before it is built."""
    found = shop.site(session)
    return "" if found is None else f"{found.name} ({found.code})"


def everybody(session: Session) -> list[Person]:
    """Every person, by code."""
    return list(shop.people(session).values())


def all_procedures(session: Session) -> list[ProcedureRevision]:
    """Every revision of every procedure, by code, then revision."""
    return [r for revisions in procedures(session).values() for r in revisions]


def one_procedure(session: Session, code: str, revision: int | None, on: date) -> ProcedureRevision:
    """The revision named, or the one in force on ``on``.

    Raises: UnknownName, ProcedureRefused.
    """
    return procedure_revision(procedures(session), code, revision, on)


def history_of(session: Session, tag: str) -> tuple[str, list[Calibration]]:
    """The tag as written on its data sheet, and its calibrations, newest first.

    Raises: UnknownName with the nearest tags.
    """
    tag = pick("switch", tag, {t: t for t in switch_queries.tags(session)})
    return tag, calibration_queries.calibrations_of(session, tag)


def person_code(session: Session, code: str) -> str:
    """The person's code as recorded: who enters something must be known.

    Raises: UnknownName with the nearest codes.
    """
    return pick("person", code, shop.people(session)).code


def moves(session: Session) -> list[HeldMoveIn]:
    """Everything that was moved in from workbooks, in the order entered, without its records."""
    return moving.move_ins(session, with_records=False)


def stood(session: Session, kind: str, key: str) -> str:
    """Where a record stood before it was moved in, in words; empty for one entered here.

    ``kind`` and ``key`` as the audit trail names it.
    """
    found = moving.stood(session, kind, key)
    return "; ".join(f"{one.place}, by {one.number}" for one in found)


SOON_DAYS = 60
"""A qualification that ends within so many days is told: common practice, no source."""


def ending_soon(people: Iterable[Person], on: date) -> list[tuple[str, Quantity, date]]:
    """(person, quantity, last day) of technicians' qualifications in force that end soon.

    One that a further qualification follows without a gap is left out; by last day and person.
    """
    found = []
    for person in people:
        for quantity in Quantity if person.holds(Role.TECHNICIAN, on) else ():
            held = person.qualification(quantity, on)
            if held is None or held.expires_on > on + timedelta(days=SOON_DAYS):
                continue
            if person.qualification(quantity, held.expires_on + timedelta(days=1)) is None:
                found.append((person.code, quantity, held.expires_on))
    return sorted(found, key=lambda x: (x[2], x[0], x[1]))


def nobody_qualified(people: Iterable[Person], on: date) -> bool:
    """Whether no technician is qualified for anything on that day."""
    return not any(
        p.holds(Role.TECHNICIAN, on) and any(p.qualification(q, on) for q in Quantity)
        for p in people
    )
