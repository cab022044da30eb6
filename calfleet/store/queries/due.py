"""What the due list asks, in columns: it must feel instant, so no objects are built here."""

from __future__ import annotations

from datetime import date
from typing import NamedTuple

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from calfleet.records import (
    Criticality,
    Hazard,

    Quantity,
    SetPoint,
    Switch,
    SwitchStatus,
)
from calfleet.store.models import (
    AreaRow,
    CalibrationResultRow,
    CalibrationRow,
    ProcedureRow,
    SetPointRow,
    SwitchHazardRow,
    SwitchRevisionRow,
    SwitchRow,
)
from calfleet.store.queries.switches import set_point_record


class LastResult(NamedTuple):
    """The newest calibration of a switch: its number, day, and its as-found/as-left verdicts."""

    number: str
    performed_on: date
    verdicts: tuple[tuple[str, str, str], ...]  # (set point label, phase, verdict)


def switches_in_force(session: Session, day: date) -> list[Switch]:
    """One data sheet per tag in force on ``day``, by tag.

    Of two revisions effective on one day the higher number counts.
    """
    r, s = SwitchRevisionRow.__table__.c, SwitchRow.__table__.c
    a, p = AreaRow.__table__.c, ProcedureRow.__table__.c
    ranked = (
        select(
            r.id,
            func.row_number()
            .over(partition_by=r.switch_id, order_by=(r.effective_on.desc(), r.revision.desc()))
            .label("place"),
        )
        .where(r.effective_on <= day)
        .subquery()
    )
    points: dict[int, list[SetPoint]] = {}
    for row in session.execute(select(SetPointRow.__table__).order_by(SetPointRow.__table__.c.id)):
        points.setdefault(row.switch_revision_id, []).append(set_point_record(row))
    rows = session.execute(
        select(r, s.tag, a.code.label("area"), p.code.label("procedure"))
        .join(ranked, ranked.c.id == r.id)
        .join(SwitchRow.__table__, s.id == r.switch_id)
        .join(AreaRow.__table__, a.id == r.area_id)
        .join(ProcedureRow.__table__, p.id == r.procedure_id)
        .where(ranked.c.place == 1)
        .order_by(s.tag)
    )
    hazards: dict[int, list[Hazard]] = {}
    h = SwitchHazardRow.__table__.c
    for key, word in session.execute(
        select(h.switch_revision_id, h.hazard).order_by(h.switch_revision_id, h.id)
    ):
        hazards.setdefault(key, []).append(Hazard(word))
    return [
        Switch(
            tag=x.tag,
            revision=x.revision,
            effective_on=x.effective_on,
            reason=x.reason,
            serial=x.serial,
            area=x.area,
            service=x.service,
            family=x.family,
            quantity=Quantity(x.quantity),
            unit=x.unit,
            range_low=x.range_low,
            range_high=x.range_high,
            line_unit=x.line_unit,
            proof_pressure=x.proof_pressure,
            static_nominal=x.static_nominal,
            medium=x.medium,
            criticality=Criticality(x.criticality),
            outage_bound=x.outage_bound,
            status=SwitchStatus(x.status),
            policy=x.policy,
            procedure=x.procedure,
            bench_minutes=x.bench_minutes,
            hazards=tuple(hazards.get(x.id, ())),
            set_points=tuple(points.get(x.id, ())),
        )
        for x in rows
    ]


def last_results(session: Session) -> dict[str, LastResult]:
    """Per tag the newest calibration that no correction replaces (latest day, then key)."""
    c, s, r = CalibrationRow.__table__.c, SwitchRow.__table__.c, CalibrationResultRow.__table__.c
    later = CalibrationRow.__table__.alias("later")
    ranked = (
        select(
            c.id,
            func.row_number()
            .over(partition_by=c.switch_id, order_by=(c.performed_on.desc(), c.id.desc()))
            .label("place"),
        )
        .where(~select(later.c.id).where(later.c.replaces_id == c.id).exists())
        .subquery()
    )
    rows = session.execute(
        select(s.tag, c.number, c.performed_on, SetPointRow.__table__.c.label, r.phase, r.verdict)
        .join(ranked, ranked.c.id == c.id)
        .join(SwitchRow.__table__, s.id == c.switch_id)
        .join(CalibrationResultRow.__table__, r.calibration_id == c.id, isouter=True)
        .join(SetPointRow.__table__, SetPointRow.__table__.c.id == r.set_point_id, isouter=True)
        .where(ranked.c.place == 1)
        .order_by(s.tag, r.id)
    )
    found: dict[str, LastResult] = {}
    for tag, number, day, label, phase, verdict in rows:
        held = found.get(tag, LastResult(number, day, ()))
        verdicts = held.verdicts if label is None else (*held.verdicts, (label, phase, verdict))
        found[tag] = LastResult(number, day, verdicts)
    return found


