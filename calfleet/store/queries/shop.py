"""Questions about the site, its people and laboratories."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session, selectinload

from calfleet.records import (
    Accreditation,
    Area,
    Laboratory,
    LaboratoryKind,
    LaterAccreditation,
    LaterQualification,
    LaterRole,
    Person,
    Qualification,
    Quantity,
    Role,
    RoleGrant,
    Site,
)
from calfleet.store.models import (
    AreaRow,
    LaboratoryRow,
    PersonRow,
    SiteRow,
)


def site(session: Session) -> Site | None:
    """The one site of this database, or ``None`` before it is built."""
    row = session.scalars(select(SiteRow).order_by(SiteRow.id).limit(1)).first()
    return None if row is None else Site(row.code, row.name)


def areas(session: Session) -> list[Area]:
    """Every area, by code (unique)."""
    return [Area(r.code, r.name) for r in session.scalars(select(AreaRow).order_by(AreaRow.code))]


def people(session: Session) -> dict[str, Person]:
    """Every person by code, with all roles and qualifications ever granted."""
    return {r.code: _person(r, r.roles, r.qualifications) for r in _people(session)}


def people_as_entered(
    session: Session,
) -> Iterator[tuple[Person, list[LaterRole | LaterQualification]]]:
    """Every person, by code, as entered first; and what was granted later, in order of entry.

    Roles come before qualifications. What was entered together carries the same marks of entry:
    see ``store.people_facts``.
    """
    for row in _people(session):
        roles, later_roles = _parted(row, row.roles)
        held, later_held = _parted(row, row.qualifications)
        code = row.code
        later: list[LaterRole | LaterQualification] = [
            LaterRole(code, g.role, g.effective_on, g.held) for g in map(_role, later_roles)
        ]
        later += [
            LaterQualification(code, q.quantity, q.granted_on, q.expires_on, q.granted_by)
            for q in map(_qualification, later_held)
        ]
        yield _person(row, roles, held), later


def laboratories(session: Session) -> dict[str, Laboratory]:
    """Every laboratory by code, with all its accreditations."""
    return {r.code: _laboratory(r, r.accreditations) for r in _laboratories(session)}


def laboratories_as_entered(
    session: Session,
) -> Iterator[tuple[Laboratory, list[LaterAccreditation]]]:
    """Every laboratory, by code, as entered first; and later accreditations, in order of entry."""
    for row in _laboratories(session):
        own, later = _parted(row, row.accreditations)
        yield (
            _laboratory(row, own),
            [
                LaterAccreditation(row.code, a.number, a.valid_from, a.valid_until, a.scope)
                for a in map(_accreditation, later)
            ],
        )


def _people(session: Session) -> Iterable[PersonRow]:
    return session.scalars(
        select(PersonRow)
        .options(selectinload(PersonRow.roles), selectinload(PersonRow.qualifications))
        .order_by(PersonRow.code)
        .execution_options(populate_existing=True)
    )


def _laboratories(session: Session) -> Iterable[LaboratoryRow]:
    return session.scalars(
        select(LaboratoryRow)
        .options(selectinload(LaboratoryRow.accreditations))
        .order_by(LaboratoryRow.code)
        .execution_options(populate_existing=True)
    )


def _parted(row: Any, parts: Iterable[Any]) -> tuple[list[Any], list[Any]]:
    """The parts entered together with ``row``, and those entered later."""
    own: list[Any] = []
    later: list[Any] = []
    marks = (row.recorded_at, row.recorded_by)
    for part in parts:
        (own if (part.recorded_at, part.recorded_by) == marks else later).append(part)
    return own, later


def _person(row: PersonRow, roles: Iterable[Any], held: Iterable[Any]) -> Person:
    return Person(row.code, row.name, tuple(map(_role, roles)), tuple(map(_qualification, held)))


def _role(row: Any) -> RoleGrant:
    return RoleGrant(Role(row.role), row.effective_on, row.held)


def _qualification(row: Any) -> Qualification:
    return Qualification(Quantity(row.quantity), row.granted_on, row.expires_on, row.granted_by)


def _laboratory(row: LaboratoryRow, accreditations: Iterable[Any]) -> Laboratory:
    return Laboratory(
        row.code, row.name, LaboratoryKind(row.kind), tuple(map(_accreditation, accreditations))
    )


def _accreditation(row: Any) -> Accreditation:
    return Accreditation(row.number, row.valid_from, row.valid_until, row.scope)
