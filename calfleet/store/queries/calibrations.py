"""Questions about recorded calibrations."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from datetime import date
from typing import Any

from sqlalchemy import Select, func, select
from sqlalchemy.orm import Session, aliased, selectinload

from calfleet.records import (
    BenchRecord,
    Calibration,
    Cycle,
    CycleOutcome,
    Finding,
    GaugeRole,
    GaugeUsed,
    Origin,
    Phase,
    Result,
)
from calfleet.store.models import (
    CalibrationGaugeRow,
    CalibrationResultRow,
    CalibrationRow,
    CertificateRow,
    GaugeRow,
    PersonRow,
    ProcedureRevisionRow,
    ProcedureRow,
    SetPointRow,
    SwitchRevisionRow,
    SwitchRow,
)


def number_exists(session: Session, number: str) -> bool:
    """Whether a calibration of that number is recorded."""
    return session.scalar(select(CalibrationRow.id).where(CalibrationRow.number == number)) is not (
        None
    )


def numbers(session: Session) -> list[str]:
    """Every calibration number, newest performance first, then highest key."""
    return list(
        session.scalars(
            select(CalibrationRow.number).order_by(
                CalibrationRow.performed_on.desc(), CalibrationRow.id.desc()
            )
        )
    )


def numbers_as_entered(session: Session) -> list[str]:
    """Every calibration number in the order of entry (by key).

    Not by the time of entry: a clock may be set back, and a demo site's stands still by the day.
    """
    return list(session.scalars(select(CalibrationRow.number).order_by(CalibrationRow.id)))


def count_in_year(session: Session, year: int) -> int:
    """How many calibrations performed in ``year`` are recorded, corrected ones included."""
    return (
        session.scalar(
            select(func.count()).where(
                CalibrationRow.performed_on >= date(year, 1, 1),
                CalibrationRow.performed_on <= date(year, 12, 31),
            )
        )
        or 0
    )


def calibration(session: Session, number: str) -> Calibration | None:
    """The calibration of that number, whole, or ``None``."""
    found = _read(session, _joined().where(CalibrationRow.number == number))
    return found[0] if found else None


def calibrations_of(session: Session, tag: str, *, newest: int | None = None) -> list[Calibration]:
    """The calibrations of ``tag``, newest performance first, then highest key."""
    query = (
        _joined()
        .where(SwitchRow.tag == tag)
        .order_by(CalibrationRow.performed_on.desc(), CalibrationRow.id.desc())
    )
    return _read(session, query if newest is None else query.limit(newest))


def all_calibrations(session: Session) -> list[Calibration]:
    """Every calibration, oldest performance first, then lowest key."""
    return _read(session, _joined().order_by(CalibrationRow.performed_on, CalibrationRow.id))


PORTION = 500
"""Calibrations fetched at once where they are handed on one by one."""


def each_calibration(session: Session) -> Iterator[Calibration]:
    """Every calibration, one after the other, lowest key first; memory does not grow with them."""
    last = 0
    while True:
        keys = list(
            session.scalars(
                select(CalibrationRow.id)
                .where(CalibrationRow.id > last)
                .order_by(CalibrationRow.id)
                .limit(PORTION)
            )
        )
        if not keys:
            return
        yield from _read(
            session, _joined().where(CalibrationRow.id.in_(keys)).order_by(CalibrationRow.id)
        )
        last = keys[-1]


def of_origin(session: Session, origin: Origin, *, standing: bool) -> list[Calibration]:
    """The calibrations of that origin (``standing``: that no record corrected), oldest first."""
    found = _read(
        session,
        _joined()
        .where(CalibrationRow.origin == origin)
        .order_by(CalibrationRow.performed_on, CalibrationRow.id),
    )
    return [c for c in found if not standing or c.replaced_by is None]


def count_of(session: Session, origin: Origin) -> int:
    """How many calibrations of that origin are recorded."""
    return session.scalar(select(func.count()).where(CalibrationRow.origin == origin)) or 0


def gauges_used_on(session: Session, certificate: str) -> list[str]:
    """Numbers of calibrations that stood on ``certificate``, by performance day, then key."""
    return list(
        session.scalars(
            select(CalibrationRow.number)
            .join(CalibrationGaugeRow, CalibrationGaugeRow.calibration_id == CalibrationRow.id)
            .join(CertificateRow, CertificateRow.id == CalibrationGaugeRow.certificate_id)
            .where(CertificateRow.number == certificate)
            .order_by(CalibrationRow.performed_on, CalibrationRow.id)
        )
    )


def _joined() -> Select[*tuple[Any, ...]]:
    # made here, not at import: an alias configures every mapper, and the due list needs none
    returned = aliased(PersonRow, name="returned")
    verified = aliased(PersonRow, name="verified")
    replaced = aliased(CalibrationRow, name="replaced")
    replacing = aliased(CalibrationRow, name="replacing")
    return (
        select(
            CalibrationRow,
            SwitchRow.tag,
            SwitchRevisionRow.revision,
            PersonRow.code,
            ProcedureRow.code,
            ProcedureRevisionRow.revision,
            returned.code,
            verified.code,
            replaced.number,
            replacing.number,
        )
        .join(SwitchRow, SwitchRow.id == CalibrationRow.switch_id)
        .join(SwitchRevisionRow, SwitchRevisionRow.id == CalibrationRow.switch_revision_id)
        .join(PersonRow, PersonRow.id == CalibrationRow.performed_by_id)
        .join(ProcedureRevisionRow, ProcedureRevisionRow.id == CalibrationRow.procedure_revision_id)
        .join(ProcedureRow, ProcedureRow.id == ProcedureRevisionRow.procedure_id)
        .join(returned, returned.id == CalibrationRow.returned_by_id, isouter=True)
        .join(verified, verified.id == CalibrationRow.verified_by_id, isouter=True)
        .join(replaced, replaced.id == CalibrationRow.replaces_id, isouter=True)
        .join(replacing, replacing.replaces_id == CalibrationRow.id, isouter=True)
        .options(
            selectinload(CalibrationRow.cycles),
            selectinload(CalibrationRow.results),
            selectinload(CalibrationRow.findings),
        )
    )


def _read(session: Session, query: Select[*tuple[Any, ...]]) -> list[Calibration]:
    rows = session.execute(query).all()
    keys = [row[0].id for row in rows]
    gauges = _gauges_used(session, keys)
    labels = _labels(session, {row[0].switch_revision_id for row in rows})
    return [_calibration(row, gauges.get(row[0].id, ()), labels) for row in rows]


def _gauges_used(session: Session, keys: Sequence[int]) -> dict[int, tuple[GaugeUsed, ...]]:
    found: dict[int, tuple[GaugeUsed, ...]] = {}
    for start in range(0, len(keys), 500):
        for key, role, gauge, certificate in session.execute(
            select(
                CalibrationGaugeRow.calibration_id,
                CalibrationGaugeRow.role,
                GaugeRow.code,
                CertificateRow.number,
            )
            .join(GaugeRow, GaugeRow.id == CalibrationGaugeRow.gauge_id)
            .join(CertificateRow, CertificateRow.id == CalibrationGaugeRow.certificate_id)
            .where(CalibrationGaugeRow.calibration_id.in_(keys[start : start + 500]))
            .order_by(CalibrationGaugeRow.id)
        ):
            found[key] = (*found.get(key, ()), GaugeUsed(GaugeRole(role), gauge, certificate))
    return found


def _labels(session: Session, revision_ids: set[int]) -> dict[int, str]:
    """Set point key to its label, for the data sheet revisions given."""
    keys = sorted(revision_ids)
    found: dict[int, str] = {}
    for start in range(0, len(keys), 500):
        for key, label in session.execute(
            select(SetPointRow.id, SetPointRow.label).where(
                SetPointRow.switch_revision_id.in_(keys[start : start + 500])
            )
        ):
            found[key] = label
    return found


def _calibration(row, gauges: tuple[GaugeUsed, ...], labels: dict[int, str]) -> Calibration:  # type: ignore[no-untyped-def]
    c: CalibrationRow
    (
        c, tag, revision, performer, procedure, procedure_revision,
        returned, verified, replaced, replacing,
    ) = row  # fmt: skip
    return Calibration(
        number=c.number,
        bench=BenchRecord(
            tag=tag,
            performed_on=c.performed_on,
            performed_by=performer,
            procedure=procedure,
            procedure_revision=procedure_revision,
            gauges=gauges,
            cycles=tuple(
                Cycle(
                    labels[y.set_point_id],
                    Phase(y.phase),
                    y.run,
                    y.trip,
                    y.reset,
                    y.static,
                    CycleOutcome(y.outcome),
                )
                for y in c.cycles
            ),
            temperature_c=c.temperature_c,
            humidity=c.humidity,
            adjusted=c.adjusted,
            adjustment_note=c.adjustment_note,
            barometric=c.barometric,
            barometric_unit=c.barometric_unit,
            head_height_m=c.head_height_m,
            head_height_half_width_m=c.head_height_half_width_m,
            head_density_kg_m3=c.head_density_kg_m3,
            exercised_before_as_found=c.exercised_before_as_found,
            exercise_cycles=c.exercise_cycles,
            contact_check=c.contact_check,
            seal=c.seal,
            permit=c.permit,
            bypass=c.bypass,
            returned_by=returned,
            verified_by=verified,
            work_order=c.work_order,
            remarks=c.remarks,
            replaces=replaced,
            replacement_reason=c.replacement_reason,
        ),
        switch_revision=revision,
        results=tuple(_result(r, labels[r.set_point_id]) for r in c.results),
        findings=tuple(Finding(f.code, f.text) for f in c.findings),
        origin=Origin(c.origin),
        evaluation_version=c.evaluation_version,
        recorded_at=c.recorded_at,
        recorded_by=c.recorded_by,
        replaced_by=replacing,
    )


def _result(r: CalibrationResultRow, label: str) -> Result:
    return Result(
        set_point=label,
        phase=Phase(r.phase),
        unit=r.unit,
        required=r.required,
        found=r.found,
        first_trip=r.first_trip,
        error=r.error,
        late=r.late,
        dead_band=r.dead_band,
        repeatability=r.repeatability,
        runs=r.runs,
        trip_sd=r.trip_sd,
        standard_uncertainty=r.standard_uncertainty,
        coverage_factor=r.coverage_factor,
        expanded_uncertainty=r.expanded_uncertainty,
        effective_dof=r.effective_dof,
        coverage_probability=r.coverage_probability,
        tur=r.tur,
        lower_limit=r.lower_limit,
        upper_limit=r.upper_limit,
        lower_acceptance=r.lower_acceptance,
        upper_acceptance=r.upper_acceptance,
        decision_rule=r.decision_rule,
        rule_statement=r.rule_statement,
        verdict=r.verdict,
        category=r.category,
        reason=r.reason,
        probability_outside=r.probability_outside,
        budget=r.budget,
    )
