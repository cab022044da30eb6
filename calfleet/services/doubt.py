"""A gauge in doubt: what rests on it, judged again; which gauge would hurt most; weak chains."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import date
from typing import TYPE_CHECKING

from calfleet.errors import RecordRefused, UsageError
from calfleet.records import (
    Certificate,
    GaugeEvent,
    Phase,
)
from calfleet.services.bench_facts import gather
from calfleet.services.event_facts import event_facts, uncollected
from calfleet.services.judge_again import judged_again
from calfleet.services.nearest import pick
from calfleet.store.queries import shop
from calfleet.store.queries import switches as switch_queries
from calfleet.store.queries.resting import every_calibration
from calfleet.traceability.chain import ChainFacts
from calfleet.traceability.exposure import Exposure, exposures
from calfleet.traceability.impact import (
    Impact,
    Kind,
)
from calfleet.traceability.weak_chains import WeakChain, weak_chains

if TYPE_CHECKING:
    from sqlalchemy.orm import Session


@dataclass(frozen=True, slots=True)
class Doubt:
    """What was found wrong with a gauge: by an as-found certificate, or lost, or damaged."""

    gauge: str
    certificate: str | None = None
    kind: Kind = Kind.AS_FOUND
    found_on: date | None = None
    note: str = ""


def in_doubt(session: Session, doubt: Doubt, *, today: date) -> Impact:
    """Every result that rests on the gauge since it was last known good, judged again.

    With ``certificate`` the errors are its as-found lines and the day is its calibration;
    without one, the newest certificate of the gauge that has as-found lines is taken.

    Raises: UnknownName, UsageError, RecordRefused, DateRefused.
    """
    held = event_facts(session)
    gauge = pick("gauge", doubt.gauge, held.chain.gauges)[0].code
    certificate = None
    if doubt.kind is Kind.AS_FOUND:
        certificate = as_found_certificate(held.chain.certificates, gauge, doubt.certificate)
        found_on = certificate.calibrated_on
    elif doubt.certificate is not None:
        raise UsageError(
            f"{gauge} is {doubt.kind} and a certificate is named.",
            rule="As-found errors come from a certificate; a lost or damaged gauge has none.",
            next_step="Give one of the two.",
        )
    else:
        found_on = doubt.found_on or today
    if found_on > today:
        raise UsageError(
            f"{gauge} was found bad on {found_on}, which is after today, {today}.",
            rule="An event is told after it happened.",
            next_step="Check the date.",
        )
    asked = GaugeEvent(
        number="",
        gauge=gauge,
        kind=doubt.kind,
        found_on=found_on,
        reported_by="",
        certificate=None if certificate is None else certificate.number,
        note=doubt.note,
    )
    event = event_facts(session, [asked]).found[""]
    return judged_again(session, held.chain, event, today)


def as_found_certificate(
    certificates: Mapping[str, Certificate], gauge: str, number: str | None
) -> Certificate:
    """The certificate of that number, or the gauge's newest that has as-found lines.

    Raises: UnknownName, RecordRefused where it has none.
    """
    own = {c.number: c for c in certificates.values() if c.gauge == gauge}
    if number is not None:
        certificate = pick(f"certificate of {gauge}", number, own)
        if not certificate.points_in(Phase.AS_FOUND):
            raise RecordRefused(
                f"Certificate {certificate.number} has no as-found lines.",
                rule="The error found is what the gauge showed before adjustment.",
                next_step="Name a certificate that has them, or say --lost or --damaged.",
            )
        return certificate
    with_lines = [c for c in own.values() if c.points_in(Phase.AS_FOUND)]
    if not with_lines:
        raise RecordRefused(
            f"{gauge} has no certificate with as-found lines.",
            rule="The error found is what the gauge showed before adjustment.",
            next_step="Enter the certificate first, or say --lost or --damaged.",
        )
    return max(with_lines, key=lambda c: (c.calibrated_on, c.number))


def exposed(session: Session, *, on: date) -> tuple[Exposure, ...]:
    """For every gauge, the current results that rest on it on ``on``; most hurtful first."""
    with uncollected():
        return exposures(site_facts(session), on)


def weak(session: Session) -> Iterator[WeakChain]:
    """Every calibration whose chain is broken or weak, oldest first."""
    with uncollected():
        found = list(weak_chains(site_facts(session)))
    yield from found


def site_facts(session: Session) -> ChainFacts:
    """All facts of the site that chains are made of."""
    bench = gather(session)
    return ChainFacts(
        calibrations=every_calibration(session),
        switches={(s.tag, s.revision): s for s in switch_queries.revisions(session)},
        procedures=bench.procedures,
        people=bench.people,
        gauges=bench.gauges,
        certificates=bench.certificates,
        laboratories=shop.laboratories(session),
        valid_until={c.number: bench.valid_until(c) for c in bench.certificates.values()},
    )
