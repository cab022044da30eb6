"""Questions about switches and their data sheets."""

from __future__ import annotations

from datetime import date

from sqlalchemy import Row, Select, select
from sqlalchemy.orm import Session, selectinload

from calfleet.metrology.direction import Direction
from calfleet.records import Criticality, Hazard, Quantity, SetPoint, Switch, SwitchStatus
from calfleet.store.models import (
    AreaRow,
    ProcedureRow,
    SetPointRow,
    SwitchRevisionRow,
    SwitchRow,
)


def tags(session: Session) -> list[str]:
    """Every tag, in alphabetical order (unique)."""
    return list(session.scalars(select(SwitchRow.tag).order_by(SwitchRow.tag)))


def switch_on(session: Session, tag: str, day: date) -> Switch | None:
    """The data sheet of ``tag`` in force on ``day``: latest effective, then highest revision."""
    row = session.execute(
        _joined()
        .where(SwitchRow.tag == tag, SwitchRevisionRow.effective_on <= day)
        .order_by(SwitchRevisionRow.effective_on.desc(), SwitchRevisionRow.revision.desc())
        .limit(1)
    ).first()
    return None if row is None else _switch(row)


def revisions(session: Session, tag: str | None = None) -> list[Switch]:
    """Every data sheet revision (of one tag), by tag and revision (unique)."""
    query = _joined().order_by(SwitchRow.tag, SwitchRevisionRow.revision)
    if tag is not None:
        query = query.where(SwitchRow.tag == tag)
    return [_switch(row) for row in session.execute(query)]


def in_force(session: Session, day: date) -> list[Switch]:
    """One data sheet per tag, in force on ``day``, by tag; tags not yet known then are left out.

    Of two revisions effective on one day the higher number counts.
    """
    latest: dict[str, Switch] = {}
    for switch in revisions(session):
        if switch.effective_on <= day:
            held = latest.get(switch.tag)
            if held is None or (held.effective_on, held.revision) < (
                switch.effective_on,
                switch.revision,
            ):
                latest[switch.tag] = switch
    return list(latest.values())


def _joined() -> Select[str, str, str, SwitchRevisionRow]:
    return (
        select(SwitchRow.tag, AreaRow.code, ProcedureRow.code, SwitchRevisionRow)
        .join(SwitchRevisionRow, SwitchRevisionRow.switch_id == SwitchRow.id)
        .join(AreaRow, AreaRow.id == SwitchRevisionRow.area_id)
        .join(ProcedureRow, ProcedureRow.id == SwitchRevisionRow.procedure_id)
        .options(
            selectinload(SwitchRevisionRow.hazards), selectinload(SwitchRevisionRow.set_points)
        )
    )


def _switch(row: Row[str, str, str, SwitchRevisionRow]) -> Switch:
    tag, area, procedure, r = row
    return Switch(
        tag=tag,
        revision=r.revision,
        effective_on=r.effective_on,
        reason=r.reason,
        serial=r.serial,
        area=area,
        service=r.service,
        family=r.family,
        quantity=Quantity(r.quantity),
        unit=r.unit,
        range_low=r.range_low,
        range_high=r.range_high,
        line_unit=r.line_unit,
        proof_pressure=r.proof_pressure,
        static_nominal=r.static_nominal,
        medium=r.medium,
        criticality=Criticality(r.criticality),
        outage_bound=r.outage_bound,
        status=SwitchStatus(r.status),
        policy=r.policy,
        procedure=procedure,
        bench_minutes=r.bench_minutes,
        hazards=tuple(Hazard(h.hazard) for h in r.hazards),
        set_points=tuple(set_point_record(s) for s in r.set_points),
    )


def set_point_record(row: SetPointRow) -> SetPoint:
    """The record of a set point row (or of a plain row with the same columns)."""
    return SetPoint(
        label=row.label,
        value=row.value,
        direction=Direction(row.direction),
        tolerance_minus=row.tolerance_minus,
        tolerance_plus=row.tolerance_plus,
        tolerance_basis=row.tolerance_basis,
        as_left_minus=row.as_left_minus,
        as_left_plus=row.as_left_plus,
        dead_band_kind=row.dead_band_kind,
        dead_band_min=row.dead_band_min,
        dead_band_max=row.dead_band_max,
        repeatability_limit=row.repeatability_limit,
        contact_form=row.contact_form,
        action=row.action,
        energised_state=row.energised_state,
    )
