"""Questions about the site, its people and laboratories."""

from __future__ import annotations

from sqlalchemy import select
from sqlalchemy.orm import Session, selectinload

from calfleet.records import (
    Accreditation,
    Area,
    Laboratory,
    LaboratoryKind,
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
    rows = session.scalars(
        select(PersonRow)
        .options(selectinload(PersonRow.roles), selectinload(PersonRow.qualifications))
        .order_by(PersonRow.code)
    )
    return {
        row.code: Person(
            row.code,
            row.name,
            tuple(RoleGrant(Role(g.role), g.effective_on, g.held) for g in row.roles),
            tuple(
                Qualification(Quantity(q.quantity), q.granted_on, q.expires_on, q.granted_by)
                for q in row.qualifications
            ),
        )
        for row in rows
    }


def laboratories(session: Session) -> dict[str, Laboratory]:
    """Every laboratory by code, with all its accreditations."""
    rows = session.scalars(
        select(LaboratoryRow)
        .options(selectinload(LaboratoryRow.accreditations))
        .order_by(LaboratoryRow.code)
    )
    return {
        row.code: Laboratory(
            row.code,
            row.name,
            LaboratoryKind(row.kind),
            tuple(
                Accreditation(a.number, a.valid_from, a.valid_until, a.scope)
                for a in row.accreditations
            ),
        )
        for row in rows
    }
