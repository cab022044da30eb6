"""Questions about the site, its people, laboratories, policies and procedures."""

from __future__ import annotations

from sqlalchemy import select
from sqlalchemy.orm import Session, selectinload

from calfleet.metrology.conformity import Rule
from calfleet.records import (
    Accreditation,
    Area,
    Hazard,
    IntervalBasis,
    IntervalPolicy,
    IntervalUnit,
    Laboratory,
    LaboratoryKind,
    Person,
    ProcedureRevision,
    Qualification,
    Quantity,
    Role,
    RoleGrant,
    Site,
)
from calfleet.store.models import (
    AreaRow,
    IntervalPolicyRow,
    LaboratoryRow,
    PersonRow,
    ProcedureRevisionRow,
    ProcedureRow,
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


def policies(session: Session) -> dict[str, tuple[IntervalPolicy, ...]]:
    """Every interval policy by code; its versions by the day they took effect (unique)."""
    found: dict[str, list[IntervalPolicy]] = {}
    columns = IntervalPolicyRow.__table__.c
    for r in session.execute(
        select(columns).order_by(columns.code, columns.effective_on)
    ):  # columns, not objects: the due list asks this and must start fast
        found.setdefault(r.code, []).append(
            IntervalPolicy(
                r.code,
                r.effective_on,
                IntervalBasis(r.basis),
                r.every,
                IntervalUnit(r.unit),
                r.end_of_month,
                r.grace_fraction,
                r.grace_days,
                r.note,
            )
        )
    return {code: tuple(versions) for code, versions in found.items()}


def procedures(session: Session) -> dict[str, tuple[ProcedureRevision, ...]]:
    """Every procedure by code; its revisions in order of revision number (unique)."""
    rows = session.execute(
        select(ProcedureRow.code, ProcedureRevisionRow)
        .join(ProcedureRevisionRow, ProcedureRevisionRow.procedure_id == ProcedureRow.id)
        .options(
            selectinload(ProcedureRevisionRow.scope),
            selectinload(ProcedureRevisionRow.hazards),
            selectinload(ProcedureRevisionRow.steps),
        )
        .order_by(ProcedureRow.code, ProcedureRevisionRow.revision)
    )
    found: dict[str, list[ProcedureRevision]] = {}
    for code, row in rows:
        found.setdefault(code, []).append(_procedure(code, row))
    return {code: tuple(revisions) for code, revisions in found.items()}


def _procedure(code: str, row: ProcedureRevisionRow) -> ProcedureRevision:
    return ProcedureRevision(
        code=code,
        title=row.title,
        revision=row.revision,
        approved_on=row.approved_on,
        approved_by=row.approved_by,
        effective_on=row.effective_on,
        quantities=tuple(Quantity(s.quantity) for s in row.scope),
        exercise_cycles=row.exercise_cycles,
        as_found_runs=row.as_found_runs,
        as_left_runs=row.as_left_runs,
        ramp_limit_fraction_per_s=row.ramp_limit_fraction_per_s,
        temperature_min_c=row.temperature_min_c,
        temperature_max_c=row.temperature_max_c,
        humidity_max=row.humidity_max,
        required_tur=row.required_tur,
        decision_rule=Rule(row.decision_rule),
        guard_factor=row.guard_factor,
        coverage_probability=row.coverage_probability,
        conformance_probability=row.conformance_probability,
        hazards=tuple(Hazard(h.hazard) for h in row.hazards),
        steps=tuple(s.text for s in row.steps),
    )
