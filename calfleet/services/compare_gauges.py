"""Two gauges at one pressure: what each says once corrected, how sure, and whether they agree.

Each gauge is used as at the bench: corrected by its certificate where its data sheet says so, else
with its permissible error in the uncertainty. The pressure is taken as rising.

Source: the limit abs(x1 - x2) <= sqrt(U1^2 + U2^2) is common practice (E_n number at most 1,
ISO/IEC 17043, from memory); intermediate checks: ISO/IEC 17025:2017 6.4.10.
"""

from __future__ import annotations

from datetime import date
from decimal import ROUND_HALF_EVEN, Decimal
from fractions import Fraction

from calfleet.errors import RecordRefused
from calfleet.metrology.evaluation import GaugeUse, gauge_budget, rising_or_held
from calfleet.metrology.units import convert, convert_difference, find_unit
from calfleet.records import Certificate, CrossCheck, Gauge
from calfleet.services.bench_facts import BenchFacts, in_force
from calfleet.services.measurands import gauge_use
from calfleet.traceability.event import CrossCheck as PointCheck
from calfleet.traceability.period import Compared
from calfleet.traceability.shifts import flips, needs_air

PLACES = Decimal("1E-9")
"""Corrected values are rounded to so many units, far below what any gauge shows."""


def compared(check: CrossCheck, facts: BenchFacts) -> Compared:
    """A recorded cross check, each of its points compared by the certificates it names.

    Raises: ReadingRefused, ExtrapolationRefused for a reading no certificate speaks of.
    """
    use = _use(facts, check.gauge, check.certificate, check.done_on)
    other = _use(facts, check.against, check.against_certificate, check.done_on)
    return Compared(
        check.number, check.gauge, check.certificate, check.against, check.against_certificate,
        check.done_on,
        tuple(
            PointCheck(
                check.gauge, check.against, check.done_on, check.unit,
                corrected(use, p.indication, check.unit), p.gauge_uncertainty,
                corrected(other, p.reference, check.unit), p.reference_uncertainty,
            )
            for p in check.points
        ),
    )  # fmt: skip


def _use(facts: BenchFacts, code: str, certificate: str, on: date) -> GaugeUse:
    return use_on(gauge_on(facts, code, on), facts.certificates[certificate], on)


def gauge_on(facts: BenchFacts, code: str, on: date) -> Gauge:
    """The data sheet of the gauge in force on ``on``, or its first one before that."""
    return in_force(facts.gauges[code], on) or facts.gauges[code][0]


def use_on(gauge: Gauge, certificate: Certificate, on: date) -> GaugeUse:
    """The gauge as it stands on ``on`` with that certificate, at a temperature not recorded."""
    return gauge_use(gauge, certificate, on, None)


def corrected(use: GaugeUse, reading: Decimal, unit: str) -> Decimal:
    """What the gauge says at ``reading``, both in ``unit``: corrected where it is used so."""
    own = convert(reading, unit, use.spec.unit)
    said = convert(use.corrected(own, rising_or_held(use)), use.spec.unit, unit)
    return _decimal(said)


def expanded_uncertainty(use: GaugeUse, reading: Decimal, unit: str) -> Decimal:
    """U (95 %) of the gauge at ``reading``, both in ``unit``, to three significant digits."""
    own = convert(reading, unit, use.spec.unit)
    factor = abs(convert_difference(1, use.spec.unit, unit))
    return Decimal(f"{gauge_budget(use, own).U * float(factor):.3g}")


def _decimal(value: Fraction) -> Decimal:
    exact = Decimal(value.numerator) / Decimal(value.denominator)
    return exact.quantize(PLACES, rounding=ROUND_HALF_EVEN)


def require_comparable(one: Gauge, other: Gauge, unit: str) -> None:
    """Nothing when both gauges can show one pressure side by side, in ``unit``.

    Raises: RecordRefused.
    """
    dimension = find_unit(unit).dimension
    for gauge in (one, other):
        if find_unit(gauge.unit).dimension is not dimension:
            raise RecordRefused(
                f"{gauge.code} reads {gauge.unit}; the points are in {unit}.",
                rule="The points of a cross check are in a unit of both gauges' kind.",
                next_step="Choose gauges of one kind, or correct the unit.",
            )
    if needs_air(one.mode, other.mode) or flips(one.mode, other.mode):
        raise RecordRefused(
            f"{one.code} reads {one.mode} pressure, {other.code} {other.mode} pressure.",
            rule="Two gauges are compared by what they show: both read pressure of one mode, or "
            "one of them a difference to the open air.",
            next_step="Compare it with a gauge of its own mode.",
        )
