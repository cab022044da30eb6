"""Adding gauges found bad, what was decided and told about them, and cross checks."""

from __future__ import annotations

from calfleet.records import (
    CertificateWithdrawal,
    CrossCheck,
    Disposition,
    EventClosure,
    EventNotice,
    GaugeEvent,
)
from calfleet.store.facts import insert, known, site_id
from calfleet.store.models import (
    CalibrationRow,
    CertificateRow,
    CertificateWithdrawalRow,
    CrossCheckPointRow,
    CrossCheckRow,
    DispositionRow,
    EventClosureRow,
    EventNoticeRow,
    GaugeEventPointRow,
    GaugeEventRow,
    GaugeRow,
    PersonRow,
)
from calfleet.store.work import Work


def add_event(work: Work, event: GaugeEvent) -> None:
    row = GaugeEventRow(
        site_id=site_id(work),
        number=event.number,
        gauge_id=known(work, GaugeRow, "gauge", event.gauge),
        kind=event.kind,
        found_on=event.found_on,
        reported_by_id=known(work, PersonRow, "person", event.reported_by),
        certificate_id=None
        if event.certificate is None
        else known(work, CertificateRow, "certificate", event.certificate, "number"),
        unit=event.unit,
        note=event.note,
        points=[
            GaugeEventPointRow(
                indication=p.indication,
                indication_value=float(p.indication),
                error=p.error,
                error_value=float(p.error),
                direction=p.direction,
            )
            for p in event.points
        ],
        **work.marks(),
    )
    insert(work, row, "gauge event", event.number, event)


def add_withdrawal(work: Work, certificate: str, withdrawal: CertificateWithdrawal) -> None:
    """The withdrawal of a certificate that was entered earlier."""
    row = CertificateWithdrawalRow(
        certificate_id=known(work, CertificateRow, "certificate", certificate, "number"),
        withdrawn_on=withdrawal.withdrawn_on,
        reason=withdrawal.reason,
        **work.marks(),
    )
    insert(work, row, "certificate withdrawal", certificate, withdrawal)


def add_notice(work: Work, notice: EventNotice) -> None:
    row = EventNoticeRow(
        gauge_event_id=_event(work, notice.event),
        told=notice.told,
        told_on=notice.told_on,
        told_by_id=known(work, PersonRow, "person", notice.told_by),
        note=notice.note,
        **work.marks(),
    )
    insert(work, row, "event notice", f"{notice.event} {notice.told} on {notice.told_on}", notice)


def add_disposition(work: Work, made: Disposition) -> None:
    row = DispositionRow(
        gauge_event_id=_event(work, made.event),
        calibration_id=known(work, CalibrationRow, "calibration", made.calibration, "number"),
        decision=made.decision,
        action=made.action,
        reason=made.reason,
        decided_by_id=known(work, PersonRow, "person", made.decided_by),
        decided_on=made.decided_on,
        **work.marks(),
    )
    key = f"{made.event} {made.calibration} decision {made.decision}"
    insert(work, row, "disposition", key, made)


def add_closure(work: Work, closure: EventClosure) -> None:
    row = EventClosureRow(
        gauge_event_id=_event(work, closure.event),
        closed_by_id=known(work, PersonRow, "person", closure.closed_by),
        closed_on=closure.closed_on,
        statement=closure.statement,
        **work.marks(),
    )
    insert(work, row, "event closure", closure.event, closure)


def add_cross_check(work: Work, check: CrossCheck) -> None:
    row = CrossCheckRow(
        site_id=site_id(work),
        number=check.number,
        gauge_id=known(work, GaugeRow, "gauge", check.gauge),
        certificate_id=known(work, CertificateRow, "certificate", check.certificate, "number"),
        against_id=known(work, GaugeRow, "gauge", check.against),
        against_certificate_id=known(
            work, CertificateRow, "certificate", check.against_certificate, "number"
        ),
        done_on=check.done_on,
        done_by_id=known(work, PersonRow, "person", check.done_by),
        unit=check.unit,
        note=check.note,
        points=[
            CrossCheckPointRow(
                indication=p.indication,
                indication_value=float(p.indication),
                reference=p.reference,
                reference_value=float(p.reference),
                gauge_uncertainty=p.gauge_uncertainty,
                gauge_uncertainty_value=float(p.gauge_uncertainty),
                reference_uncertainty=p.reference_uncertainty,
                reference_uncertainty_value=float(p.reference_uncertainty),
            )
            for p in check.points
        ],
        **work.marks(),
    )
    insert(work, row, "cross check", check.number, check)


def _event(work: Work, number: str) -> int:
    return known(work, GaugeEventRow, "event", number, "number")
