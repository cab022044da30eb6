"""Reference gauges and certificates as a planner or an auditor asks for them."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from decimal import Decimal
from typing import TYPE_CHECKING

from calfleet.records import (
    Certificate,
    Gauge,
    GaugeParticulars,
    GaugeStatus,
    Phase,
    Switch,
)
from calfleet.services.bench_facts import gather_for_planning, in_force
from calfleet.services.choose_procedure import procedure_revision
from calfleet.services.fit_gauges import GaugeOption, fit_gauges
from calfleet.services.gauge_outlook import with_outlook
from calfleet.services.list_particulars import gauges_on
from calfleet.services.measurands import gauge_spec
from calfleet.services.nearest import pick
from calfleet.store.queries import switches as switch_queries
from calfleet.store.queries.planning import laboratory_terms

if TYPE_CHECKING:
    from sqlalchemy.orm import Session

EXPECTED_THERE = (
    "Which gauges will be there on a coming day is worked out as for the due list and the plan: "
    "'calfleet gauge-schedule' shows when each is sent and back."
)
RESTS_ON_RETURN = (
    "'Valid until' is that of the certificate on record; 'Back' is the return its use rests on."
)


@dataclass(frozen=True, slots=True)
class GaugeLine:
    """A gauge with the certificate it stands on; ``standing`` says in words if it may be used.

    ``particulars``: maker, model and the like on that day, ``None`` where nothing is told.
    """

    gauge: Gauge
    certificate: str | None
    laboratory: str | None
    calibrated_on: date | None
    valid_until: date | None
    days_left: int | None
    standing: str
    particulars: GaugeParticulars | None = None


def list_gauges(session: Session, on: date) -> list[GaugeLine]:
    """Every gauge known on ``on``, by code."""
    facts = gather_for_planning(session)
    told = gauges_on(session, on)
    lines = []
    for revisions in facts.gauges.values():
        gauge = in_force(revisions, on)
        if gauge is None:
            continue
        certificate = facts.certificate_on(gauge.code, on)
        until = None if certificate is None else facts.valid_until(certificate)
        if gauge.status is not GaugeStatus.IN_SERVICE:
            standing = f"{gauge.status}: {gauge.reason}"
        elif (bad := facts.found_unfit(gauge.code, on, certificate)) is not None:
            standing = f"found bad on {bad.found_on} ({bad.kind}, {bad.event})"
        elif certificate is None:
            standing = "no certificate"
        elif until is not None and until < on:
            standing = f"certificate past its last day by {(on - until).days} d"
        else:
            standing = "ready"
        lines.append(
            GaugeLine(
                gauge=gauge,
                certificate=None if certificate is None else certificate.number,
                laboratory=None if certificate is None else certificate.laboratory,
                calibrated_on=None if certificate is None else certificate.calibrated_on,
                valid_until=until,
                days_left=None if until is None else (until - on).days,
                standing=standing,
                particulars=told.get(gauge.code),
            )
        )
    return lines


@dataclass(frozen=True, slots=True)
class CertificateLine:
    certificate: Certificate
    valid_until: date
    largest_error: str
    within_accuracy: str
    standards: str
    remarks: str


def list_certificates(session: Session, gauge: str | None = None) -> list[CertificateLine]:
    """Certificates (of one gauge), newest calibration first, then by number.

    The largest error and whether all stay within the gauge's accuracy are of the as-found points
    where there are any: that is the state the earlier results were taken with.

    Raises: UnknownName for a gauge that is not there.
    """
    facts = gather_for_planning(session)
    if gauge is not None:
        gauge = pick("gauge", gauge, facts.gauges)[0].code
    replaced = {c.replaces: c.number for c in facts.certificates.values() if c.replaces}
    lines = []
    for c in sorted(
        facts.certificates.values(), key=lambda c: (c.calibrated_on, c.number), reverse=True
    ):
        if gauge is not None and c.gauge != gauge:
            continue
        sheet = in_force(facts.gauges[c.gauge], c.calibrated_on) or facts.gauges[c.gauge][0]
        phase = Phase.AS_FOUND if c.points_in(Phase.AS_FOUND) else Phase.AS_LEFT
        points = c.points_in(phase)
        worst = max(points, key=lambda p: abs(p.error))
        spec = gauge_spec(sheet)
        outside = [p for p in points if abs(p.error) > spec.permissible_error(p.reference)]
        remarks = [c.remarks] if c.remarks else []
        if c.withdrawal is not None:
            remarks.append(f"withdrawn {c.withdrawal.withdrawn_on}: {c.withdrawal.reason}")
        if c.number in replaced:
            remarks.append(f"corrected by {replaced[c.number]}")
        lines.append(
            CertificateLine(
                certificate=c,
                valid_until=facts.valid_until(c),
                largest_error=f"{worst.error:+} {c.unit} at {worst.reference} ({phase})",
                within_accuracy="yes" if not outside else f"no, {len(outside)} points outside",
                standards=", ".join(s.certificate or s.description for s in c.standards),
                remarks="; ".join(remarks),
            )
        )
    return lines


@dataclass(frozen=True, slots=True)
class GaugeChoice:
    """Every gauge judged for one switch: ``heading`` and ``basis`` say for what and how."""

    switch: Switch
    options: tuple[GaugeOption, ...]
    heading: str
    basis: str


def fitting_gauges(
    session: Session,
    tag: str,
    *,
    on: date,
    static: Decimal | None = None,
    today: date | None = None,
) -> GaugeChoice:
    """Every gauge of the site judged for calibrating ``tag`` on ``on``, usable ones first.

    Where ``on`` is after ``today``, with the gauges that are expected to be there then
    (``gauge_outlook``), as the due list and the plan do; without ``today`` by the records only.
    Raises: UnknownName for a tag that is not there.
    """
    facts = gather_for_planning(session)
    coming = today is not None and on > today
    if today is not None and coming:
        facts = with_outlook(facts, laboratory_terms(session), today, on)
    known = {s.tag: s for s in switch_queries.in_force(session, on)}
    switch = pick("switch", tag, known)
    procedure = procedure_revision(facts.procedures, switch.procedure, None, on)
    options = fit_gauges(switch, facts, on, static=static)
    line = switch.static_nominal if static is None else static
    against = f" at static {line} {switch.line_unit}" if line else ""
    return GaugeChoice(
        switch=switch,
        options=tuple(options),
        heading=f"Reference gauges for {switch.tag} ({switch.service}){against} on {on}",
        basis=(
            f"{procedure.name} requires TUR {procedure.required_tur}:1. TUR and U are expected "
            f"values before any reading, at {procedure.coverage_probability} coverage, for the "
            "set point where the gauge does worst."
            + (f" {EXPECTED_THERE}" if coming and facts.outlook is not None else "")
            + (f" {RESTS_ON_RETURN}" if any(o.back_on for o in options) else "")
        ),
    )
