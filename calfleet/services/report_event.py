"""Reporting a gauge found bad: its error was found, it is lost or damaged, or a certificate of it
was withdrawn.

Sources: ISO/IEC 17025:2017 6.4.9 (from memory), 7.10.1.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import date

from calfleet.errors import RecordRefused, UsageError
from calfleet.metrology.units import find_unit
from calfleet.records import (
    Certificate,
    CertificateWithdrawal,
    ErrorPoint,
    FoundBadKind,
    GaugeEvent,
)
from calfleet.services.doubt import as_found_certificate
from calfleet.services.event_facts import (
    calibrations_on,
    certificate_of,
    event_facts,
    next_number,
)
from calfleet.services.nearest import pick
from calfleet.store import doubt_facts
from calfleet.store.work import Work
from calfleet.traceability.affected import Affected, find_affected, require_usable
from calfleet.traceability.event import FoundBad


@dataclass(frozen=True, slots=True)
class NewEvent:
    """What is reported.

    ``certificate``: whose as-found lines show the errors, or the withdrawn one; ``points`` in
    ``unit`` (empty: the gauge's) where no certificate states the errors; ``found_on``: else today,
    or the day of the calibration that found it.
    """

    gauge: str
    kind: FoundBadKind
    certificate: str | None = None
    found_on: date | None = None
    points: tuple[ErrorPoint, ...] = ()
    unit: str = ""
    note: str = ""


@dataclass(frozen=True, slots=True)
class Reported:
    """The event as added, since when it counts, and what it touches.

    ``withdrawn``: the withdrawal of its certificate was added with it.
    """

    event: GaugeEvent
    found: FoundBad
    affected: Affected
    withdrawn: bool


def report_event(work: Work, new: NewEvent, *, person: str, today: date) -> Reported:
    """The event as added; the caller commits.

    With as-found errors and neither certificate nor points, the newest certificate of the gauge
    with as-found lines is taken. A certificate reported as withdrawn is withdrawn with it, unless
    it was before.

    Raises: UnknownName, UsageError, RecordRefused, DateRefused, BadQuantity.
    """
    facts = event_facts(work.session)
    chain = facts.chain
    gauge = pick("gauge", new.gauge, chain.gauges)[0].code
    certificate = _certificate(new, gauge, chain.certificates)
    event = GaugeEvent(
        number=next_number("E", today, facts.held),
        gauge=gauge,
        kind=new.kind,
        found_on=_found_on(new, gauge, certificate, today),
        reported_by=pick("person", person, chain.people).code,
        certificate=None if certificate is None else certificate.number,
        unit=_unit(new, chain.gauges[gauge][-1].unit),
        points=tuple(sorted(new.points, key=lambda p: (p.indication, p.direction or ""))),
        note=new.note.strip(),
    )
    for held in facts.held.values():
        if held.closure is None and _bare(held.event) == _bare(event):
            raise RecordRefused(
                f"{gauge}, {event.kind} on {event.found_on}, is reported already: {held.number}.",
                rule="One finding is one event.",
                next_step=f"'calfleet doubt show {held.number}' shows it.",
            )
    require_usable(event_facts(work.session, [event]).found[event.number], chain)
    doubt_facts.add_event(work, event)
    withdrawing = (
        event.kind is FoundBadKind.WITHDRAWN
        and certificate is not None
        and certificate.withdrawal is None
    )
    if withdrawing and certificate is not None:
        doubt_facts.add_withdrawal(
            work,
            certificate.number,
            CertificateWithdrawal(event.found_on, event.note or f"event {event.number}"),
        )
    # asked again: what was withdrawn just now no longer shows anything good
    after = event_facts(work.session)
    found = after.found[event.number]
    columns = calibrations_on(work.session, after.chain, [found], with_readings=False)
    return Reported(event, found, find_affected(after.chain, found, columns), withdrawing)


def _bare(event: GaugeEvent) -> GaugeEvent:
    return replace(event, number="", reported_by="", note="")


def _certificate(
    new: NewEvent, gauge: str, certificates: Mapping[str, Certificate]
) -> Certificate | None:
    """The certificate that the event names, if it names one."""
    if new.kind is FoundBadKind.WITHDRAWN:
        if new.certificate is None:
            raise UsageError(
                f"Which certificate of {gauge} was withdrawn?",
                rule="The withdrawn certificate is named.",
                next_step="Name it with --certificate.",
            )
        return certificate_of(certificates, gauge, new.certificate)
    if new.kind is FoundBadKind.AS_FOUND:
        if not new.points:
            return as_found_certificate(certificates, gauge, new.certificate)
        if new.certificate is None:
            return None
        raise UsageError(
            f"Errors of {gauge} are stated twice: by points and by {new.certificate}.",
            rule="As-found errors come from a certificate, or as points where none states them.",
            next_step="Give one of the two.",
        )
    if new.points or new.certificate is not None:
        raise UsageError(
            f"{gauge} is {new.kind}, and its errors are stated.",
            rule="As-found errors come from a certificate or as points; a lost or damaged gauge "
            "has an unknown error.",
            next_step="Report as-found errors, or leave the certificate and the points out.",
        )
    return None


def _found_on(new: NewEvent, gauge: str, certificate: Certificate | None, today: date) -> date:
    by_certificate = new.kind is FoundBadKind.AS_FOUND and certificate is not None
    if by_certificate and certificate is not None:
        if new.found_on not in (None, certificate.calibrated_on):
            raise UsageError(
                f"{certificate.number} found the errors on {certificate.calibrated_on}, not on "
                f"{new.found_on}.",
                rule="With a certificate the day is that of its calibration.",
                next_step="Leave --found-on out.",
            )
        return certificate.calibrated_on
    found_on = new.found_on or today
    if found_on > today:
        raise UsageError(
            f"{gauge} was found bad on {found_on}, which is after today, {today}.",
            rule="An event is told after it happened.",
            next_step="Check the date.",
        )
    if certificate is not None and found_on < certificate.issued_on:
        raise UsageError(
            f"{certificate.number} was issued on {certificate.issued_on}, after {found_on}.",
            rule="A certificate is withdrawn after it was issued.",
            next_step="Check the date.",
        )
    return found_on


def _unit(new: NewEvent, own: str) -> str:
    if not new.points:
        return ""
    indications = [(p.indication, p.direction) for p in new.points]
    if len(set(indications)) < len(indications):
        raise RecordRefused(
            "An error is stated twice for one indication.",
            rule="At one indication, approached one way, there is one error.",
            next_step="Give their mean, or the two ways of approach.",
        )
    return find_unit(new.unit or own).code
