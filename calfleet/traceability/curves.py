"""Readings against a gauge's range and against the points of its certificate."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from decimal import Decimal
from fractions import Fraction

from calfleet.errors import CalfleetError
from calfleet.metrology.certificate import CertificateCurve
from calfleet.metrology.certificate import CertificatePoint as CurvePoint
from calfleet.metrology.direction import Direction
from calfleet.metrology.rounding import significant
from calfleet.metrology.units import convert, convert_difference
from calfleet.records import Certificate, Gauge, Phase
from calfleet.traceability.links import Fact, Reason, broken, weak
from calfleet.traceability.words import counted, span_text, symbol, with_unit


class UnitsDiffer(Exception):
    """Two units do not convert into each other; the text says which. Never leaves this package."""


@dataclass(frozen=True, slots=True)
class Reading:
    """A reading on a gauge: its name in words, the number, its unit, the way it was approached.

    ``is_trip``: whether a set point rests on it.
    """

    name: str
    value: Decimal
    unit: str
    direction: Direction | None
    is_trip: bool = False


def to_unit(value: Decimal | Fraction, source: str, target: str) -> Fraction:
    """The value in another unit, exact.

    Raises: UnitsDiffer.
    """
    try:
        return convert(value, source, target)
    except CalfleetError as error:
        raise UnitsDiffer(error.message) from None


def spread_text(readings: Sequence[Reading]) -> str:
    """The smallest to the largest of the readings, all in one unit."""
    values = [r.value for r in readings]
    low, high = min(values), max(values)
    if low == high:
        return with_unit(low, readings[0].unit)
    return span_text(low, high, readings[0].unit)


def outside_text(total: int, outside: Sequence[tuple[Fraction, Reading]], limits: str) -> str:
    """A sentence: which of ``total`` readings lie outside, the one furthest out by name.

    ``outside``: at least one distance with its reading, distances in one unit.
    """
    worst = max(outside, key=lambda pair: pair[0])[1]
    value = with_unit(worst.value, worst.unit)
    if len(outside) == 1:
        return f"{worst.name}, {value}, is outside {limits}."
    return (
        f"{len(outside)} of {total} values are outside {limits}; furthest out: "
        f"{worst.name}, {value}."
    )


def beyond(value: Fraction, low: Fraction, high: Fraction) -> Fraction:
    """How far the value lies outside low..high; zero or less inside."""
    return max(low - value, value - high)


def range_words(gauge: Gauge) -> str:
    """The gauge's range as it stands in a sentence."""
    return f"the range of {gauge.code}, {span_text(gauge.range_low, gauge.range_high, gauge.unit)}"


def points_words(number: str, curve: CertificateCurve) -> str:
    """The reach of a certificate's points as it stands in a sentence."""
    return f"the points of certificate {number}, {span_text(*curve.range(), curve.unit)}"


def direction_held(curve: CertificateCurve, wanted: Direction | None) -> Direction | None:
    """The direction to ask the curve for: the one wanted where it is told apart, else either."""
    return wanted if wanted in curve.directions else None


def u_at(curve: CertificateCurve, reading: Reading, unit: str) -> float | None:
    """The certificate's standard uncertainty at a reading, in ``unit``; ``None`` if not covered."""
    try:
        value = convert(reading.value, reading.unit, curve.unit)
        u = curve.at(value, direction_held(curve, reading.direction)).u
        return u * float(convert_difference(1, curve.unit, unit))
    except CalfleetError:
        return None


class Curves:
    """The certificates of a site as curves, each made once."""

    def __init__(self, certificates: Mapping[str, Certificate]) -> None:
        self._certificates = certificates
        self._made: dict[str, CertificateCurve | str] = {}
        self._reach: dict[tuple[object, ...], tuple[float, float]] = {}
        self._largest: dict[tuple[str, str], float | None] = {}

    def of(self, number: str) -> CertificateCurve | str:
        """The certificate as a curve, or in words why it cannot be one.

        The same curve as in the budget of a result (:func:`certificate_curve`), so that what a
        result states and what its chain shows cannot differ.
        """
        if number not in self._made:
            certificate = self._certificates.get(number)
            self._made[number] = _curve(certificate) if certificate else "It is not recorded."
        return self._made[number]

    def reach(
        self, gauge: Gauge, number: str, way: Direction | None, *, is_trip: bool
    ) -> tuple[float, float]:
        """Between which readings, in the gauge's unit, nothing can be said against one.

        A little inside the gauge's range and the certificate's points, so that rounding decides
        nothing; from infinity to minus infinity where every reading has to be looked at.
        """
        key = (number, gauge.code, gauge.revision, way is None, way is Direction.RISING, is_trip)
        if key not in self._reach:
            self._reach[key] = self._inner_reach(gauge, number, way, is_trip=is_trip)
        return self._reach[key]

    def _inner_reach(
        self, gauge: Gauge, number: str, way: Direction | None, *, is_trip: bool
    ) -> tuple[float, float]:
        nowhere = (math.inf, -math.inf)
        curve = self.of(number)
        if isinstance(curve, str):
            return nowhere
        direction = direction_held(curve, way)
        if curve.directions and is_trip and direction is not way:
            return nowhere
        try:
            ends = [convert(x, curve.unit, gauge.unit) for x in curve.range(direction)]
        except CalfleetError:
            return nowhere
        low = max(float(ends[0]), float(gauge.range_low))
        high = min(float(ends[1]), float(gauge.range_high))
        spare = 1e-9 * (abs(low) + abs(high))
        return low + spare, high - spare

    def largest_u(self, number: str, unit: str) -> float | None:
        """A little more than the largest standard uncertainty that the certificate states.

        In ``unit``; ``None`` where it is not known.
        """
        key = (number, unit)
        if key not in self._largest:
            curve = self.of(number)
            found = None
            if not isinstance(curve, str):
                try:
                    factor = float(convert_difference(1, curve.unit, unit))
                    found = max(p.u for p in curve.points) * factor * (1 + 1e-9)
                except CalfleetError:
                    found = None
            self._largest[key] = found
        return self._largest[key]

    def judge(
        self, gauge: Gauge, number: str, readings: Sequence[Reading]
    ) -> tuple[list[Reason], list[Fact]]:
        """Readings against the gauge's range and its certificate's points; readings not empty."""
        low, high = Fraction(gauge.range_low), Fraction(gauge.range_high)
        shown = [Fact("readings", spread_text(readings))]
        reasons: list[Reason] = []
        distances = [(beyond(Fraction(r.value), low, high), r) for r in readings]
        outside = [pair for pair in distances if pair[0] > 0]
        if outside:
            text = outside_text(len(readings), outside, range_words(gauge))
            reasons.append(broken("gauge.range", text))
        curve = self.of(number)
        if isinstance(curve, str):
            return reasons, shown
        try:
            more, covered = _coverage(number, curve, readings)
        except UnitsDiffer as error:
            text = f"Certificate {number} does not fit {gauge.code}: {error}"
            return [*reasons, broken("certificate.unit", text)], shown
        return reasons + more, shown + covered


def certificate_curve(certificate: Certificate) -> CertificateCurve:
    """The points a gauge is used by, as left or else as found, as a curve in their own unit.

    Raises: BadQuantity without points, or for U or k outside their domain; UnitUnknown.
    """
    points = certificate.points_in(Phase.AS_LEFT) or certificate.points_in(Phase.AS_FOUND)
    return CertificateCurve(
        (
            CurvePoint(
                Fraction(p.reference),
                Fraction(p.indication),
                float(p.expanded_uncertainty),
                float(p.coverage_factor),
                p.direction,
            )
            for p in points
        ),
        certificate.unit,
    )


def _curve(certificate: Certificate) -> CertificateCurve | str:
    try:
        return certificate_curve(certificate)
    except CalfleetError as error:
        return error.message


def _coverage(
    number: str, curve: CertificateCurve, readings: Sequence[Reading]
) -> tuple[list[Reason], list[Fact]]:
    reasons: list[Reason] = []
    outside: list[tuple[Fraction, Reading]] = []
    one_way: list[Reading] = []
    largest = 0.0
    shown: list[Fact] = []
    for reading in readings:
        value = to_unit(reading.value, reading.unit, curve.unit)
        direction = direction_held(curve, reading.direction)
        if curve.directions and reading.is_trip and direction is not reading.direction:
            one_way.append(reading)
        if not curve.covers(value, direction):
            outside.append((beyond(value, *curve.range(direction)), reading))
            continue
        at = curve.at(value, direction)
        if largest <= at.U:
            largest = at.U
            words = f"{significant(at.U, 2)} {symbol(curve.unit)} (k = {at.k:g})"
            shown = [
                Fact("certified U, largest", f"{words} at {with_unit(reading.value, reading.unit)}")
            ]
    if outside:
        text = outside_text(len(readings), outside, points_words(number, curve))
        reasons.append(broken("certificate.points", text))
    if one_way:
        way = one_way[0].direction
        verb = "was" if len(one_way) == 1 else "were"
        text = (
            f"Certificate {number} has no {way} points, but {counted(len(one_way), 'trip')} "
            f"{verb} read {way}."
        )
        reasons.append(weak("certificate.direction", text))
    return reasons, shown
