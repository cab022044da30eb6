"""Questions about reference gauges and their certificates."""

from __future__ import annotations

from collections.abc import Iterable

from sqlalchemy import select
from sqlalchemy.orm import Session, aliased

from calfleet.metrology.direction import Direction
from calfleet.metrology.units import PressureMode
from calfleet.records import (
    Certificate,
    CertificatePoint,
    CertificateWithdrawal,
    Gauge,
    GaugeStatus,
    Phase,
    StandardUsed,
)
from calfleet.store.models import (
    CertificatePointRow,
    CertificateRow,
    CertificateStandardRow,
    CertificateWithdrawalRow,
    GaugeRevisionRow,
    GaugeRow,
    LaboratoryRow,
)


def gauges(session: Session) -> dict[str, tuple[Gauge, ...]]:
    """Every gauge by code; its revisions by number (unique)."""
    identity, revision = GaugeRow.__table__.c, GaugeRevisionRow.__table__.c
    found: dict[str, list[Gauge]] = {}
    # columns, not objects: the due list asks this and must start fast
    for r in session.execute(
        select(identity.code, revision)
        .join(GaugeRevisionRow.__table__, revision.gauge_id == identity.id)
        .order_by(identity.code, revision.revision)
    ):
        found.setdefault(r.code, []).append(
            Gauge(
                code=r.code,
                revision=r.revision,
                effective_on=r.effective_on,
                reason=r.reason,
                serial=r.serial,
                description=r.description,
                status=GaugeStatus(r.status),
                mode=None if r.mode is None else PressureMode(r.mode),
                unit=r.unit,
                range_low=r.range_low,
                range_high=r.range_high,
                resolution=r.resolution,
                accuracy=r.accuracy,
                accuracy_basis=r.accuracy_basis,
                drift_per_year=r.drift_per_year,
                temperature_coefficient=r.temperature_coefficient,
                reference_temperature_c=r.reference_temperature_c,
                use_corrections=r.use_corrections,
                tier=r.tier,
                policy=r.policy,
                oxygen_clean=r.oxygen_clean,
                same_gauge_correlation=r.same_gauge_correlation,
                static_limit=r.static_limit,
            )
        )
    return {code: tuple(revisions) for code, revisions in found.items()}


def certificates(
    session: Session, *, gauge_codes: Iterable[str] | None = None
) -> dict[str, Certificate]:
    """Every certificate (of those gauges) by number, in order of calibration day, then number."""
    certificate = CertificateRow.__table__.c
    replaced = aliased(CertificateRow.__table__)
    query = (
        select(
            certificate,
            GaugeRow.__table__.c.code.label("gauge"),
            LaboratoryRow.__table__.c.code.label("laboratory"),
            replaced.c.number.label("replaces"),
        )
        .join(GaugeRow.__table__, GaugeRow.__table__.c.id == certificate.gauge_id)
        .join(LaboratoryRow.__table__, LaboratoryRow.__table__.c.id == certificate.laboratory_id)
        .join(replaced, replaced.c.id == certificate.replaces_id, isouter=True)
        .order_by(certificate.calibrated_on, certificate.number)
    )
    wanted = None if gauge_codes is None else list(gauge_codes)
    if wanted is not None:
        query = query.where(GaugeRow.__table__.c.code.in_(wanted))
    rows = session.execute(query).all()
    ids = None if wanted is None else [r.id for r in rows]
    points = _points(session, ids)
    standards = _standards(session, ids)
    withdrawals = _withdrawals(session)
    return {
        r.number: Certificate(
            number=r.number,
            gauge=r.gauge,
            laboratory=r.laboratory,
            calibrated_on=r.calibrated_on,
            issued_on=r.issued_on,
            unit=r.unit,
            temperature_c=r.temperature_c,
            humidity=r.humidity,
            adjusted=r.adjusted,
            points=tuple(points.get(r.id, ())),
            standards=tuple(standards.get(r.id, ())),
            withdrawal=withdrawals.get(r.id),
            replaces=r.replaces,
            replacement_reason=r.replacement_reason,
            remarks=r.remarks,
        )
        for r in rows
    }


def _points(session: Session, ids: list[int] | None) -> dict[int, list[CertificatePoint]]:
    c = CertificatePointRow.__table__.c
    query = select(
        c.certificate_id,
        c.phase,
        c.direction,
        c.reference,
        c.indication,
        c.expanded_uncertainty,
        c.coverage_factor,
    ).order_by(c.certificate_id, c.position)
    if ids is not None:
        query = query.where(c.certificate_id.in_(ids))
    found: dict[int, list[CertificatePoint]] = {}
    for key, phase, direction, reference, indication, U, k in session.execute(query):
        found.setdefault(key, []).append(
            CertificatePoint(Phase(phase), Direction(direction), reference, indication, U, k)
        )
    return found


def _standards(session: Session, ids: list[int] | None) -> dict[int, list[StandardUsed]]:
    c = CertificateStandardRow.__table__.c
    gauge, standard = GaugeRow.__table__.c, CertificateRow.__table__.c
    query = (
        select(c.certificate_id, c.description, gauge.code, standard.number)
        .join(GaugeRow.__table__, gauge.id == c.gauge_id, isouter=True)
        .join(CertificateRow.__table__, standard.id == c.standard_certificate_id, isouter=True)
        .order_by(c.certificate_id, c.position)
    )
    if ids is not None:
        query = query.where(c.certificate_id.in_(ids))
    found: dict[int, list[StandardUsed]] = {}
    for key, description, code, number in session.execute(query):
        found.setdefault(key, []).append(StandardUsed(description, code, number))
    return found


def _withdrawals(session: Session) -> dict[int, CertificateWithdrawal]:
    c = CertificateWithdrawalRow.__table__.c
    return {
        key: CertificateWithdrawal(day, reason)
        for key, day, reason in session.execute(
            select(c.certificate_id, c.withdrawn_on, c.reason)
        )
    }


