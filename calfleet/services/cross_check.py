"""A cross check put on record: two gauges compared between their calibrations.

Source: ISO/IEC 17025:2017 6.4.10 intermediate checks (from memory); the limit is that of the E_n
number, see ``compare_gauges``.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from decimal import Decimal
from typing import TYPE_CHECKING

from calfleet.errors import BadQuantity, GaugeRefused, UsageError
from calfleet.metrology.units import find_unit
from calfleet.records import Certificate, CrossCheck, CrossCheckPoint, GaugeStatus
from calfleet.services.bench_facts import BenchFacts, gather
from calfleet.services.compare_gauges import (
    compared,
    expanded_uncertainty,
    gauge_on,
    require_comparable,
    use_on,
)
from calfleet.services.event_facts import event_facts, next_number
from calfleet.services.nearest import pick
from calfleet.store import doubt_facts
from calfleet.store.queries import doubts
from calfleet.store.work import Work
from calfleet.traceability.affected import affected_certificates
from calfleet.traceability.period import Compared, too_poor

if TYPE_CHECKING:
    from sqlalchemy.orm import Session


@dataclass(frozen=True, slots=True)
class NewPoint:
    """What both gauges showed at one pressure; U of each where it is not to be worked out."""

    indication: Decimal
    reference: Decimal
    gauge_uncertainty: Decimal | None = None
    reference_uncertainty: Decimal | None = None


@dataclass(frozen=True, slots=True)
class NewCheck:
    """Two gauges compared; ``unit`` of all figures (empty: that of ``gauge``)."""

    gauge: str
    against: str
    points: Sequence[NewPoint]
    unit: str = ""
    done_on: date | None = None
    note: str = ""


def cross_check(
    work: Work, new: NewCheck, *, person: str, today: date
) -> tuple[CrossCheck, Compared]:
    """The cross check as added, and its outcome; the caller commits.

    Uncertainties that are not given are those of the gauges' budgets by the certificates in force.

    Raises: UnknownName, UsageError, GaugeRefused for a gauge without a valid certificate that day,
    RecordRefused, BadQuantity, ReadingRefused, ExtrapolationRefused.
    """
    facts = gather(work.session)
    one = pick("gauge", new.gauge, facts.gauges)[0].code
    other = pick("gauge", new.against, facts.gauges)[0].code
    on = new.done_on or today
    if on > today:
        raise UsageError(
            f"Compared on {on}, which is after today, {today}.",
            rule="A cross check is put on record after it was done.",
            next_step="Check the date.",
        )
    if one == other:
        raise UsageError(
            f"{one} compared with itself.",
            rule="A cross check is of two gauges.",
            next_step="Name another gauge with --against.",
        )
    if not new.points:
        raise UsageError(
            "No point was compared.",
            rule="A cross check has at least one pressure at which both gauges were read.",
            next_step="Give --point with both indications.",
        )
    gauges = gauge_on(facts, one, on), gauge_on(facts, other, on)
    certificates = tuple(_certificate(facts, code, on) for code in (one, other))
    unit = find_unit(new.unit or gauges[0].unit).code
    require_comparable(*gauges, unit)
    uses = [use_on(g, c, on) for g, c in zip(gauges, certificates, strict=True)]
    points = tuple(
        CrossCheckPoint(
            p.indication,
            p.reference,
            _given(p.gauge_uncertainty, one)
            if p.gauge_uncertainty is not None
            else expanded_uncertainty(uses[0], p.indication, unit),
            _given(p.reference_uncertainty, other)
            if p.reference_uncertainty is not None
            else expanded_uncertainty(uses[1], p.reference, unit),
        )
        for p in new.points
    )
    made = CrossCheck(
        number=next_number("X", today, (c.number for c in doubts.cross_checks(work.session))),
        gauge=one,
        certificate=certificates[0].number,
        against=other,
        against_certificate=certificates[1].number,
        done_on=on,
        done_by=pick("person", person, facts.people).code,
        unit=unit,
        points=points,
        note=new.note.strip(),
    )
    outcome = compared(made, facts)
    doubt_facts.add_cross_check(work, made)
    return made, outcome


def _given(U: Decimal, gauge: str) -> Decimal:
    if not U.is_finite() or U < 0:
        raise BadQuantity(
            f"The expanded uncertainty of {gauge} is {U}.",
            rule="An expanded uncertainty is a number, zero or above.",
            next_step="Leave it out to have it worked out, or correct it.",
        )
    return U


def _certificate(facts: BenchFacts, code: str, on: date) -> Certificate:
    """The certificate of the gauge in force, and valid, on ``on``."""
    certificate = facts.certificate_on(code, on)
    status = gauge_on(facts, code, on).status
    if status in (GaugeStatus.WITHDRAWN, GaugeStatus.LOST):
        raise GaugeRefused(
            f"{code} is {status} on {on}.",
            rule="A cross check is done with two gauges at hand.",
            next_step="Compare with another gauge.",
        )
    if certificate is None:
        raise GaugeRefused(
            f"{code} has no certificate in force on {on}.",
            rule="Both gauges of a cross check stand on a certificate of that day.",
            next_step="Compare with a calibrated gauge.",
        )
    until = facts.valid_until(certificate)
    if until < on:
        raise GaugeRefused(
            f"{code} is overdue since {until} (certificate {certificate.number}).",
            rule="Both gauges of a cross check are in date.",
            next_step="Have it calibrated: that shows what a cross check cannot.",
        )
    return certificate


def clears(session: Session, outcome: Compared) -> dict[str, str]:
    """Of both gauges, why this check would not clear it should it be lost or damaged later.

    Empty text: it would. See ``period`` for the rule.
    """
    chain = event_facts(session).chain
    return {
        code: too_poor(chain, outcome.seen_from(code)) for code in (outcome.gauge, outcome.against)
    }


@dataclass(frozen=True, slots=True)
class Doubted:
    """A gauge of a check that is in doubt that day, and the events by which it is.

    The check does not shorten their doubt, as it was entered after they were reported; nor does it
    count for ``other``, the gauge it was compared with.
    """

    gauge: str
    other: str
    events: tuple[str, ...]


def doubted(session: Session, outcome: Compared) -> list[Doubted]:
    """The gauges of a check entered now that are in doubt on its day; see ``period`` for the rule.

    By its own event, or because its certificate rests on a gauge found bad.
    """
    facts = event_facts(session)
    found = []
    for code, other in ((outcome.gauge, outcome.against), (outcome.against, outcome.gauge)):
        number = outcome.seen_from(code).certificate
        used = facts.chain.certificates.get(number)
        events = tuple(
            event
            for event, one in facts.found.items()
            if number in affected_certificates(facts.chain, one)
            or (one.gauge == code and one.touches(used, number, outcome.on))
        )
        if events:
            found.append(Doubted(code, other, events))
    return found


def cross_checks(session: Session, gauge: str | None = None) -> list[tuple[CrossCheck, Compared]]:
    """Every cross check (in which ``gauge`` took part), oldest first, with its outcome.

    Raises: UnknownName.
    """
    facts = gather(session)
    if gauge is not None:
        gauge = pick("gauge", gauge, facts.gauges)[0].code
    return [
        (c, compared(c, facts))
        for c in doubts.cross_checks(session)
        if gauge is None or gauge in (c.gauge, c.against)
    ]
