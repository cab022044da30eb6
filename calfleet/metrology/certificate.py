"""A gauge's certificate as a curve: its error and uncertainty at any reading it covers.

A certificate lists points: at this reference pressure the gauge indicated that, with expanded
uncertainty U and coverage factor k. The error of the gauge is indication - reference, and the
corrected reading is reading - error (ISO/IEC 17025:2017 6.4.11, JCGM 200:2012 2.16, 2.53).

What is decided here:

*Between points* the error is interpolated in a straight line over the indication, exactly. The
uncertainty is the standard uncertainty of the neighbour that has the larger one, with that
neighbour's k: a certificate states U at its points only, and what holds at both of two points is
the least that it can be read to state between them. This is the only rule: budgets, planned
ratios and chains ask the same curve. It adds nothing for the gauge's own bend between the points:
that belongs into a component of its own where it matters.

*Rising and falling* points form a branch each; a point without direction belongs to both. With
branches, a reading whose direction is not stated gets the middle of both, and half their
distance is added as the half-width of a rectangular distribution. A direction that the
certificate does not hold is refused: points entered without a direction count for both.

*Repeated points* of a branch (same reference, or same indication) become one: the mean, the
largest u among them, and half the range of their errors added as the half-width of a rectangular
distribution.

*Outside the points* nothing is stated: ``ExtrapolationRefused``. The ends reach to the end
point's reference or indication, whichever is further out, so that a gauge that showed 9.98 at
10.00 may be read at 10.00; there the end point's error is used as it stands. A certificate
with one point holds at that point alone.
"""

from __future__ import annotations

import math
from bisect import bisect_left
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from fractions import Fraction
from typing import Any

from calfleet.errors import BadQuantity, ExtrapolationRefused
from calfleet.metrology.direction import Direction
from calfleet.metrology.rounding import exact_text, significant
from calfleet.metrology.units import Number, Unit, convert, convert_difference, exact, find_unit


@dataclass(frozen=True, slots=True)
class CertificatePoint:
    """One line of a certificate, in the certificate's unit.

    ``reference`` what the laboratory's standard said, ``indication`` what the gauge showed, both
    exact; ``U`` expanded uncertainty of the error, at least zero; ``k`` its coverage factor,
    above zero; ``direction`` the way the pressure was approached, None where the certificate does
    not say.

    Raises BadQuantity outside these domains.
    """

    reference: Fraction
    indication: Fraction
    U: float
    k: float = 2.0
    direction: Direction | None = None

    def __post_init__(self) -> None:
        # Callers may pass int or Decimal; what is kept is always exact.
        object.__setattr__(self, "reference", exact(self.reference))
        object.__setattr__(self, "indication", exact(self.indication))
        usable = math.isfinite(self.U) and self.U >= 0 and math.isfinite(self.k) and self.k > 0
        if not usable:
            raise BadQuantity(
                f"The certificate point at {exact_text(self.reference)} has U = {self.U} "
                f"and k = {self.k}.",
                rule="U is at least zero, k is above zero, both finite.",
                next_step="Take U and k of this point from the certificate.",
            )

    @property
    def error(self) -> Fraction:
        """indication - reference, exact (JCGM 200:2012 2.16)."""
        return self.indication - self.reference

    @property
    def u(self) -> float:
        """The standard uncertainty U / k."""
        return self.U / self.k


@dataclass(frozen=True, slots=True)
class CurveValue:
    """What a certificate says about one reading.

    ``error`` to be subtracted from the reading, exact; ``U`` = ``k`` * ``u``; ``between`` the
    indications of the points used (one or two, all branches); ``how`` says in words what was done.
    """

    error: Fraction
    U: float
    k: float
    u: float
    between: tuple[Fraction, ...]
    how: str

    def corrected(self, reading: Number) -> Fraction:
        """The reading less the error, exact."""
        return exact(reading) - self.error


@dataclass(frozen=True, slots=True)
class _Knot:
    indication: Fraction
    error: Fraction
    u: float
    k: float
    count: int

    @property
    def reference(self) -> Fraction:
        return self.indication - self.error


def _merged(knots: Sequence[_Knot]) -> _Knot:
    """Repeated points as one: mean, largest u, half the range of the errors on top."""
    if len(knots) == 1:
        return knots[0]
    count = sum(knot.count for knot in knots)
    indication = sum((knot.indication * knot.count for knot in knots), Fraction(0)) / count
    error = sum((knot.error * knot.count for knot in knots), Fraction(0)) / count
    errors = [knot.error for knot in knots]
    half_range = float(max(errors) - min(errors)) / 2
    widest = max(knots, key=lambda knot: (knot.u, knot.k))
    return _Knot(
        indication, error, math.hypot(widest.u, half_range / math.sqrt(3)), widest.k, count
    )


def _branch(points: Iterable[CertificatePoint]) -> tuple[_Knot, ...]:
    by_reference: dict[Fraction, list[_Knot]] = {}
    for point in points:
        knot = _Knot(point.indication, point.error, point.u, point.k, 1)
        by_reference.setdefault(point.reference, []).append(knot)
    by_indication: dict[Fraction, list[_Knot]] = {}
    for group in by_reference.values():
        knot = _merged(group)
        by_indication.setdefault(knot.indication, []).append(knot)
    return tuple(_merged(by_indication[indication]) for indication in sorted(by_indication))


def _shown(value: Fraction) -> str:
    text = exact_text(value)
    return text if "/" not in text and len(text) <= 12 else significant(value, 7)


class _Line:
    """The points of one branch in order; what lies between two of them is made when asked for."""

    __slots__ = ("_between", "_doubles", "_whole", "indications", "knots")

    def __init__(self, knots: tuple[_Knot, ...]) -> None:
        self.knots = knots
        self.indications = tuple(knot.indication for knot in knots)
        self._doubles = tuple(float(one) for one in self.indications)
        self._between: dict[int, tuple[Fraction, Fraction, CurveValue]] = {}
        self._whole: dict[int, tuple[int, int, int]] = {}

    def between(self, right: int, reading: Fraction) -> CurveValue:
        """The value between the points before and at ``right``, by a straight line of errors."""
        start, slope, value = self._between.get(right) or self._kept(right)
        error = start + slope * reading if slope else start
        return CurveValue(error, value.U, value.k, value.u, value.between, value.how)

    def corrected(self, reading: Fraction) -> Fraction | None:
        """A reading that lies clearly between two points less its error, exact; else None."""
        n, d = reading.as_integer_ratio()
        double = n / d
        doubles = self._doubles
        right = bisect_left(doubles, double)
        if not 0 < right < len(doubles):
            return None
        near = 1e-9 * max(1.0, abs(double))  # far above what rounding to a double can move
        if doubles[right] - double <= near or double - doubles[right - 1] <= near:
            return None
        whole = self._whole.get(right)
        if whole is None:  # reading - (start + slope * reading), over one denominator
            start, slope, _ = self._between.get(right) or self._kept(right)
            denominator = math.lcm(start.denominator, slope.denominator)
            factor, shift = (1 - slope) * denominator, -start * denominator
            whole = self._whole[right] = (factor.numerator, shift.numerator, denominator)
        factor_of, shift_of, denominator = whole
        return Fraction(factor_of * n + shift_of * d, denominator * d)

    def _kept(self, right: int) -> tuple[Fraction, Fraction, CurveValue]:
        held = self._between[right] = self._made(right)
        return held

    def _made(self, right: int) -> tuple[Fraction, Fraction, CurveValue]:
        low, high = self.knots[right - 1], self.knots[right]
        slope = (high.error - low.error) / (high.indication - low.indication)
        widest = max(low, high, key=lambda knot: (knot.u, knot.k))
        return (
            low.error - slope * low.indication,
            slope,
            CurveValue(
                error=low.error,
                U=widest.k * widest.u,
                k=widest.k,
                u=widest.u,
                between=(low.indication, high.indication),
                how=f"between {_shown(low.indication)} and {_shown(high.indication)}, larger U",
            ),
        )


def _reach(knots: tuple[_Knot, ...]) -> tuple[Fraction, Fraction]:
    first, last = knots[0], knots[-1]
    if len(knots) == 1:
        return first.indication, first.indication
    return min(first.indication, first.reference), max(last.indication, last.reference)


@dataclass(frozen=True, slots=True)
class CertificateCurve:
    """A certificate ready to be asked: ``at(reading, direction)`` gives error and uncertainty.

    points: at least one, any order, all in ``unit`` (a unit code).

    >>> curve = CertificateCurve(
    ...     [
    ...         CertificatePoint(Fraction(0), Fraction(0), 0.02, 2),
    ...         CertificatePoint(Fraction(10), Fraction("10.1"), 0.04, 2),
    ...     ],
    ...     "bar",
    ... )
    >>> value = curve.at(Fraction("5.05"))
    >>> value.error, value.U, value.how
    (Fraction(1, 20), 0.04, 'between 0 and 10.1, larger U')

    Raises BadQuantity without points; UnitUnknown and UnitAmbiguous for the unit.
    """

    points: tuple[CertificatePoint, ...]
    unit: str
    _branches: dict[Direction | None, _Line] = field(init=False, repr=False, compare=False)

    def __init__(self, points: Iterable[CertificatePoint], unit: str | Unit) -> None:
        kept = tuple(points)
        if not kept:
            raise BadQuantity(
                "A certificate without points.",
                rule="A certificate holds at least one point.",
                next_step="Enter the points of the certificate.",
            )
        object.__setattr__(self, "points", kept)
        object.__setattr__(self, "unit", (find_unit(unit) if isinstance(unit, str) else unit).code)
        branches: dict[Direction | None, _Line] = {}
        if all(point.direction is None for point in kept):
            branches[None] = _Line(_branch(kept))
        else:
            for direction in Direction:
                own = [point for point in kept if point.direction is direction]
                if own:
                    shared = [point for point in kept if point.direction is None]
                    branches[direction] = _Line(_branch(own + shared))
        object.__setattr__(self, "_branches", branches)

    @property
    def directions(self) -> tuple[Direction, ...]:
        """The directions told apart by this certificate; empty when none is."""
        return tuple(direction for direction in Direction if direction in self._branches)

    def range(self, direction: Direction | None = None) -> tuple[Fraction, Fraction]:
        """The lowest and highest reading covered, ends included; low above high where none is.

        Raises ExtrapolationRefused when the certificate has no points of that direction.
        """
        branches = self._used(direction)
        return (
            max(_reach(one.knots)[0] for one in branches),
            min(_reach(one.knots)[1] for one in branches),
        )

    def line(self, direction: Direction) -> tuple[tuple[Fraction, Fraction], ...]:
        """(indication, error) of the points that readings are interpolated between, in order.

        Beyond the first and the last, as far as :meth:`range` says, their own error holds.

        Raises ExtrapolationRefused when the certificate has no points of that direction.
        """
        (branch,) = self._used(direction)
        return tuple((knot.indication, knot.error) for knot in branch.knots)

    def covers(self, reading: Number, direction: Direction | None = None) -> bool:
        """Whether :meth:`at` would answer for this reading and direction."""
        try:
            self.at(reading, direction)
        except ExtrapolationRefused:
            return False
        return True

    def at(self, reading: Number, direction: Direction | None = None) -> CurveValue:
        """The error and uncertainty of the gauge when it shows ``reading``.

        reading: in the certificate's unit. direction: the way the pressure moved; None takes the
        middle of both branches where there are two.

        Raises ExtrapolationRefused outside the points, or for a direction that the certificate
        does not hold; BadQuantity for nan.
        Source: ISO/IEC 17025:2017 6.4.11; JCGM 100:2008 4.3.7 (rectangular from a half-width).
        """
        place = exact(reading)
        values = [self._on_branch(branch, place) for branch in self._used(direction)]
        if len(values) == 1:
            return values[0]
        first, second = values
        half = abs(first.error - second.error) / 2
        widest = max(values, key=lambda value: (value.u, value.k))
        u = math.hypot(widest.u, float(half) / math.sqrt(3))
        return CurveValue(
            error=(first.error + second.error) / 2,
            U=widest.k * u,
            k=widest.k,
            u=u,
            between=tuple(sorted({*first.between, *second.between})),
            how=f"middle of rising ({first.how}) and falling ({second.how}), "
            f"half their distance {_shown(half)} as rectangular half-width",
        )

    def corrected(self, reading: Fraction, direction: Direction) -> Fraction:
        """``reading`` less the error that :meth:`at` says, by a shorter way where there is one.

        Raises as :meth:`at`.
        """
        branch = self._branches.get(None) or self._branches.get(direction)
        found = None if branch is None else branch.corrected(reading)
        return reading - self.at(reading, direction).error if found is None else found

    def _used(self, direction: Direction | None) -> list[_Line]:
        if None in self._branches:
            return [self._branches[None]]
        if direction is None:
            return [self._branches[one] for one in self.directions]
        if direction not in self._branches:
            raise ExtrapolationRefused(
                f"The certificate has no {direction} points.",
                rule="A reading is corrected from points approached the same way.",
                next_step=f"Use a gauge calibrated {direction}, or enter the points without a "
                "direction where the certificate does not tell them apart.",
            )
        return [self._branches[direction]]

    def _on_branch(self, branch: _Line, reading: Fraction) -> CurveValue:
        knots = branch.knots
        right = bisect_left(branch.indications, reading)
        if right < len(knots) and knots[right].indication == reading:
            return self._value(knots[right], f"at the point {_shown(reading)}")
        if 0 < right < len(knots):
            return branch.between(right, reading)
        low, high = _reach(knots)
        if low <= reading <= high:
            end = knots[0] if right == 0 else knots[-1]
            return self._value(end, f"error of the end point {_shown(end.indication)}")
        if len(knots) == 1:
            covered = f"holds at {_shown(low)} alone, in"
        else:
            covered = f"covers {_shown(low)} to {_shown(high)}"
        raise ExtrapolationRefused(
            f"The certificate {covered} {self.unit}; the reading is {_shown(reading)}.",
            rule="A certificate is not extrapolated.",
            next_step="Use a gauge whose certificate covers this reading.",
        )

    def _value(self, knot: _Knot, how: str) -> CurveValue:
        if knot.count > 1:
            how += f", mean of {knot.count} points"
        return CurveValue(knot.error, knot.k * knot.u, knot.k, knot.u, (knot.indication,), how)

    def hysteresis(self) -> dict[Fraction, Fraction]:
        """Falling minus rising indication at each reference measured both ways, exact.

        Empty when no reference was. Repeated points count by their mean. In order of reference.

        Source: JCGM 200:2012 has no term; the difference at one point of one pair, as
        43 CFR 3175.135 has it.
        """
        means: list[dict[Fraction, Fraction]] = []
        for direction in Direction:
            by_reference: dict[Fraction, list[Fraction]] = {}
            for point in self.points:
                if point.direction is direction:
                    by_reference.setdefault(point.reference, []).append(point.indication)
            means.append(
                {key: sum(ones, Fraction(0)) / len(ones) for key, ones in by_reference.items()}
            )
        rising, falling = means
        return {key: falling[key] - rising[key] for key in sorted(rising) if key in falling}

    def largest_error(self) -> CertificatePoint:
        """The point with the largest absolute error; the first such in the order entered."""
        return max(self.points, key=lambda point: abs(point.error))

    def to_plain(self) -> dict[str, Any]:
        """The certificate as plain values for storage; numbers as exact decimal text."""
        return {
            "unit": self.unit,
            "points": [
                {
                    "reference": exact_text(point.reference),
                    "indication": exact_text(point.indication),
                    "U": point.U,
                    "k": point.k,
                    "direction": None if point.direction is None else str(point.direction),
                }
                for point in self.points
            ],
        }

    @classmethod
    def from_plain(cls, plain: Mapping[str, Any]) -> CertificateCurve:
        """The certificate stored by :meth:`to_plain`."""
        return cls(
            (
                CertificatePoint(
                    Fraction(point["reference"]),
                    Fraction(point["indication"]),
                    point["U"],
                    point["k"],
                    None if point["direction"] is None else Direction(point["direction"]),
                )
                for point in plain["points"]
            ),
            plain["unit"],
        )

    def in_unit(self, unit: str | Unit) -> CertificateCurve:
        """The same certificate in another unit of pressure or temperature, exact.

        Raises BadQuantity for a unit of another dimension.
        """
        target = find_unit(unit) if isinstance(unit, str) else unit
        ratio = float(convert_difference(1, self.unit, target))
        return CertificateCurve(
            (
                CertificatePoint(
                    convert(point.reference, self.unit, target),
                    convert(point.indication, self.unit, target),
                    point.U * ratio,
                    point.k,
                    point.direction,
                )
                for point in self.points
            ),
            target,
        )


@dataclass(frozen=True, slots=True)
class StraightLine:
    """y = intercept + slope * (x - origin), fitted by least squares; estimates exact.

    ``s`` the residual standard deviation with ``dof`` = n - 2; ``u_intercept``, ``u_slope`` and
    their correlation ``r`` follow from s and the x alone. With n = 2 the line meets both points:
    s and both u are None.
    """

    intercept: Fraction
    slope: Fraction
    origin: Fraction
    s: float | None
    u_intercept: float | None
    u_slope: float | None
    r: float
    dof: int

    def at(self, x: Number) -> Fraction:
        """The value of the line at x, exact."""
        return self.intercept + self.slope * (exact(x) - self.origin)

    def u_at(self, x: Number) -> float | None:
        """The standard uncertainty of the line at x from the scatter alone; None with n = 2.

        Source: JCGM 100:2008 H.3, eq. (H.15).
        """
        if self.u_intercept is None or self.u_slope is None:
            return None
        reach = float(exact(x) - self.origin) * self.u_slope
        square = self.u_intercept**2 + reach**2 + 2 * self.r * self.u_intercept * reach
        return math.sqrt(max(0.0, square))


def fit_line(x: Sequence[Number], y: Sequence[Number], *, origin: Number = 0) -> StraightLine:
    """The least-squares line through the points (x, y), all of the same weight, x without error.

    origin: the x at which the intercept is taken. For a gauge: x references and y indications
    give its characteristic, y errors give its correction as a line.

    Raises BadQuantity: lengths differ, fewer than two points, all x equal, nan.
    Source: JCGM 100:2008 H.3, eqs. (H.13a) to (H.13f).
    """
    xs = [exact(value) - exact(origin) for value in x]
    ys = [exact(value) for value in y]
    n = len(xs)
    sum_x = sum(xs, Fraction(0))
    sum_xx = sum((value * value for value in xs), Fraction(0))
    spread = n * sum_xx - sum_x**2
    if len(ys) != n or n < 2 or spread == 0:
        raise BadQuantity(
            f"{n} places and {len(ys)} values give no line.",
            rule="A line needs two points or more at different places, one value for each.",
            next_step="Check the points.",
        )
    sum_y = sum(ys, Fraction(0))
    sum_xy = sum((a * b for a, b in zip(xs, ys, strict=True)), Fraction(0))
    intercept = (sum_y * sum_xx - sum_x * sum_xy) / spread
    slope = (n * sum_xy - sum_x * sum_y) / spread
    r = 0.0 if sum_x == 0 else -float(sum_x) / math.sqrt(n * sum_xx)
    s = u_intercept = u_slope = None
    if n > 2:
        residuals = (b - intercept - slope * a for a, b in zip(xs, ys, strict=True))
        variance = sum((value * value for value in residuals), Fraction(0)) / (n - 2)
        s = math.sqrt(variance)
        u_intercept = math.sqrt(variance * sum_xx / spread)
        u_slope = math.sqrt(variance * n / spread)
    return StraightLine(intercept, slope, exact(origin), s, u_intercept, u_slope, r, n - 2)
