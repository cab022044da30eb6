"""By how much a gauge was off what was taken for it: the shift of its error, reading by reading.

A recorded value was worked out with the error e0 that the gauge's certificate states. If the error
was e1, the shift is e1 - e0, and the value is recorded - shift. Two courses are told apart:

- *worst case*: the whole error found was there from the first day of the period;
- *linear with time*: it grew from e0 on the last good day to e1 on the day of the finding.

*From tier to tier.* A standard that was off by d at a pressure made the reference values of a
certificate wrong by d, so the error that this certificate states is wrong by -d at that point and
the gauge it belongs to is off by d (in its own unit; with the other sign where one reads vacuum
and the other not). The pressure is that stated on the certificate: the standard's own error there
would move the place by a second-order amount. What a certificate got wrong stays wrong for all
its time: from the second tier on the shift does not depend on the day of use.

*Several standards on one certificate* may share its points; nobody recorded which carried which.
Each point is taken to rest on the one that would be off most. A bad standard of another quantity
(the thermometer beside a pressure gauge) has an effect that cannot be worked out: unknown.

*A gauge used without corrections* was judged with its error e0 kept inside its permissible error;
the shift is e1 - e0 there too, against the same e0.

Between points everything is a straight line over the indication, as on certificates, exact.
"""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, replace
from enum import StrEnum
from fractions import Fraction
from itertools import pairwise
from typing import TYPE_CHECKING

from calfleet.errors import BadQuantity, ExtrapolationRefused
from calfleet.metrology.certificate import CertificateCurve, CertificatePoint, CurveValue
from calfleet.metrology.direction import Direction
from calfleet.metrology.evaluation import AccuracyBasis, GaugeUse
from calfleet.metrology.units import PressureMode, convert, convert_difference
from calfleet.traceability.event import Beyond, FoundPoint

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    FloatArray = NDArray[np.float64]

Shift = Fraction | None
"""A shift in the gauge's unit; ``None`` where it is not known."""

WHOLE = Fraction(1)


class Course(StrEnum):
    """How the error is taken to have come about."""

    WORST = "worst case"
    LINEAR = "linear with time"


@dataclass(frozen=True, slots=True)
class Knot:
    """One place of a branch: the indication, the recorded error with its u and k, and the shifts.

    Linear with time the shift is ``start`` + fraction x ``growth``.
    """

    indication: Fraction
    error: Fraction
    u: float
    k: float
    worst: Shift
    start: Shift
    growth: Shift

    def at(self, course: Course, fraction: Fraction) -> Shift:
        if course is Course.WORST:
            return self.worst
        if self.start is None or self.growth is None:
            return None
        return self.start + self.growth * fraction


@dataclass(frozen=True, slots=True)
class Shifts:
    """How far a gauge on one certificate was off, by direction (``None``: not told apart).

    Indications and shifts in ``unit``, the gauge's. Each branch in order of indication.
    """

    unit: str
    branches: dict[Direction | None, tuple[Knot, ...]]
    _curves: dict[tuple[Course, Fraction, bool], CertificateCurve] = field(
        default_factory=dict, repr=False, compare=False
    )
    _arrays: dict[Direction | None, dict[str, FloatArray]] = field(
        default_factory=dict, repr=False, compare=False
    )

    def branch(self, direction: Direction | None) -> tuple[Knot, ...]:
        """The knots for readings of that direction; the only branch where there is one."""
        if direction in self.branches:
            return self.branches[direction]
        return next(iter(self.branches.values()))

    def covers(self, reading: Fraction, direction: Direction | None) -> bool:
        """Whether the certificate holds at that reading."""
        knots = self.branch(direction)
        return knots[0].indication <= reading <= knots[-1].indication

    def at(
        self,
        reading: Fraction,
        direction: Direction | None,
        course: Course,
        fraction: Fraction = WHOLE,
    ) -> Shift:
        """The shift at a reading; ``None`` where it is not known or the certificate ends."""
        knots = self.branch(direction)
        places = [knot.indication for knot in knots]
        right = bisect_left(places, reading)
        if right < len(knots) and places[right] == reading:
            return knots[right].at(course, fraction)
        if not 0 < right < len(knots):
            return None
        low, high = knots[right - 1], knots[right]
        first, last = low.at(course, fraction), high.at(course, fraction)
        if first is None or last is None:
            return None
        part = (reading - low.indication) / (high.indication - low.indication)
        return first + part * (last - first)

    @property
    def unknown(self) -> bool:
        """True where nothing at all is known."""
        return all(k.worst is None for knots in self.branches.values() for k in knots)

    @property
    def partly_unknown(self) -> bool:
        return any(k.worst is None for knots in self.branches.values() for k in knots)

    @property
    def largest(self) -> Shift:
        """The shift of largest magnitude in the worst case, ``None`` where none is known."""
        known = [k.worst for ks in self.branches.values() for k in ks if k.worst is not None]
        return max(known, key=abs, default=None)

    # --- for the evaluation

    def use(self, recorded: GaugeUse, course: Course, fraction: Fraction) -> GaugeUse:
        """The same use of the gauge with the certificate that it should have had.

        The uncertainties stay those of the certificate. Of a gauge used without corrections the
        readings are to be taken through :meth:`reading`, and the certificate moves with them.

        Raises: BadQuantity where the shift leaves no curve: two indications at one pressure.
        """
        corrected = recorded.spec.use_corrections
        key = (course, WHOLE if course is Course.WORST else fraction, corrected)
        if key not in self._curves:
            self._curves[key] = self._curve(course, fraction, corrected=corrected)
        curve = self._curves[key]
        spec = recorded.spec
        if not corrected:
            largest = max(abs(p.indication) for p in curve.points) + 1
            if spec.accuracy_basis is AccuracyBasis.SPAN:
                spec = replace(
                    spec,
                    accuracy=spec.permissible_error(0),
                    accuracy_basis=AccuracyBasis.ABSOLUTE,
                )
            spec = replace(
                spec,
                range_low=min(spec.range_low, -largest),
                range_high=max(spec.range_high, largest),
            )
        return GaugeUse(spec, curve, recorded.years_since_calibration, recorded.temperature_c)

    def _curve(self, course: Course, fraction: Fraction, *, corrected: bool) -> CertificateCurve:
        points = []
        for direction, knots in self.branches.items():
            places: list[Fraction] = []
            for knot in knots:
                shift = knot.at(course, fraction) or Fraction(0)
                indication = knot.indication if corrected else knot.indication - shift
                reference = knot.indication - knot.error - shift
                if not corrected:  # the recorded error stays with the reading that moved
                    reference = indication - knot.error
                places.append(reference if corrected else indication)
                points.append(
                    CertificatePoint(reference, indication, knot.k * knot.u, knot.k, direction)
                )
            # equal references would be merged into one point, moved readings change places
            folded = any(high <= low for low, high in pairwise(places))
            if len(set(places)) < len(places) or (folded and not corrected):
                raise BadQuantity(
                    "With the error found the gauge shows two readings at one pressure.",
                    rule="A gauge is corrected by a curve that rises.",
                    next_step="Judge the results by hand.",
                )
        return CertificateCurve(points, self.unit)

    # --- for many at once

    def arrays(self, direction: Direction | None) -> dict[str, FloatArray]:
        """The branch as arrays: indication, error, worst, start, growth; nan where unknown."""
        import numpy as np

        if direction in self._arrays:
            return self._arrays[direction]
        knots = self.branch(direction)

        def column(values: Iterable[Fraction | None]) -> FloatArray:
            return np.array([np.nan if v is None else float(v) for v in values], dtype=float)

        self._arrays[direction] = {
            "indication": column(k.indication for k in knots),
            "error": column(k.error for k in knots),
            "worst": column(k.worst for k in knots),
            "start": column(k.start for k in knots),
            "growth": column(k.growth for k in knots),
        }
        return self._arrays[direction]


# --- the recorded certificate -----------------------------------------------------------------


def _places(curve: CertificateCurve, direction: Direction | None) -> list[Fraction]:
    """The indications between which the certificate is a straight line, its reach included."""
    found = set(curve.range(direction))
    low, high = min(found), max(found)
    for point in curve.points:
        for place in (point.indication, point.reference):
            if low <= place <= high:
                found.update(curve.at(place, direction).between)
    return sorted(found)


def _directions(curve: CertificateCurve) -> tuple[Direction | None, ...]:
    return curve.directions or (None,)


def _held(curve: CertificateCurve, direction: Direction | None) -> Direction | None:
    return direction if direction in curve.directions else None


def unshifted(curve: CertificateCurve) -> Shifts:
    """A gauge that was not off: every shift is zero. ``curve`` in the gauge's unit."""
    zero = Fraction(0)
    return Shifts(
        curve.unit,
        {
            d: tuple(_knot(x, curve.at(x, d), zero, zero, zero) for x in _places(curve, d))
            for d in _directions(curve)
        },
    )


def unknown_shifts(curve: CertificateCurve) -> Shifts:
    """A gauge that was off by nobody knows how much. ``curve`` in the gauge's unit."""
    return Shifts(
        curve.unit,
        {
            d: tuple(_knot(x, curve.at(x, d), None, None, None) for x in _places(curve, d))
            for d in _directions(curve)
        },
    )


def _knot(place: Fraction, value: CurveValue, worst: Shift, start: Shift, growth: Shift) -> Knot:
    return Knot(place, value.error, value.u, value.k, worst, start, growth)


# --- the gauge found bad ------------------------------------------------------------------------


def found_curve(points: Sequence[FoundPoint], unit: str, gauge_unit: str) -> CertificateCurve:
    """The errors found as a curve in the gauge's unit; it states no uncertainty.

    Raises: BadQuantity for units of different kinds or no point.
    """
    return CertificateCurve(
        (
            CertificatePoint(
                Fraction(p.indication) - Fraction(p.error), Fraction(p.indication), 0.0, 2.0,
                p.direction,
            )
            for p in points
        ),
        unit,
    ).in_unit(gauge_unit)  # fmt: skip


def found_shifts(
    recorded: CertificateCurve,
    good: CertificateCurve,
    found: CertificateCurve,
    beyond: Beyond,
    *,
    constant: bool,
) -> Shifts:
    """The shifts of a gauge found with errors, against the certificate it was used on.

    All curves in the gauge's unit. ``good``: the certificate of the last good day (where it ends,
    ``recorded`` stands in). ``constant``: nothing grew, linear is the worst case.
    """
    branches: dict[Direction | None, tuple[Knot, ...]] = {}
    # a gauge found to differ rising and falling has two branches from then on
    for direction in recorded.directions or (tuple(Direction) if found.directions else (None,)):
        own, other = _held(recorded, direction), _held(found, direction)
        low, high = recorded.range(own)
        first, last = found.range(other)
        places = set(_places(recorded, own))
        for curve in (found, good):
            places |= {x for x in _places(curve, _held(curve, direction)) if low < x < high}
        knots = []
        for x in sorted(places):
            error: Shift = None
            if first <= x <= last:
                error = found.at(x, other).error
            elif beyond is Beyond.END_ERROR:
                error = found.at(first if x < first else last, other).error
            value = recorded.at(x, own)
            knots.append(_direct_knot(x, value, good, direction, error, constant=constant))
        branches[direction] = tuple(knots)
    return Shifts(recorded.unit, branches)


def _direct_knot(
    x: Fraction,
    value: CurveValue,
    good: CertificateCurve,
    direction: Direction | None,
    error: Shift,
    *,
    constant: bool,
) -> Knot:
    if error is None:
        return _knot(x, value, None, None, None)
    worst = error - value.error
    if constant:
        return _knot(x, value, worst, worst, Fraction(0))
    try:
        before = good.at(x, _held(good, direction)).error
    except ExtrapolationRefused:
        before = value.error
    return _knot(x, value, worst, before - value.error, error - before)


# --- a gauge calibrated with it ---------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Source:
    """A standard as it bears on a certificate.

    ``shifts`` of the standard, in its unit; ``None`` where the effect cannot be worked out.
    ``fraction``: how much of a growing error had come about that day. ``flips``: one of the two
    gauges reads vacuum, the other does not.
    """

    shifts: Shifts | None
    fraction: Fraction = WHOLE
    flips: bool = False


def flips(one: PressureMode | None, other: PressureMode | None) -> bool:
    """Whether a rising reading of the one is a falling reading of the other."""
    if one is None or other is None:
        return False
    return (one is PressureMode.VACUUM) is not (other is PressureMode.VACUUM)


def needs_air(one: PressureMode | None, other: PressureMode | None) -> bool:
    """Whether the barometric pressure stands between the two readings."""
    if one is None or other is None:
        return False
    return (one is PressureMode.ABSOLUTE) is not (other is PressureMode.ABSOLUTE)


def carried_shifts(recorded: CertificateCurve, sources: Sequence[Source], *, alone: bool) -> Shifts:
    """The shifts of a gauge whose certificate rests on standards that were off.

    ``recorded`` in the gauge's unit. ``alone``: no other standard can have carried a point that
    none of the ``sources`` reaches; such a point is then unknown, else it is sound.
    """
    branches: dict[Direction | None, tuple[Knot, ...]] = {}
    for direction in _directions(recorded):
        knots = []
        for x in _places(recorded, direction):
            value = recorded.at(x, direction)
            pressure = _reference(recorded, direction, x, value)
            worst, linear = _carried(recorded.unit, pressure, direction, sources, alone=alone)
            growth = None if linear is None else Fraction(0)
            knots.append(_knot(x, value, worst, linear, growth))
        branches[direction] = tuple(knots)
    return Shifts(recorded.unit, branches)


def _reference(
    curve: CertificateCurve, direction: Direction | None, x: Fraction, value: CurveValue
) -> Fraction:
    """The pressure at an indication; at the reach beyond the last point, that of the point."""
    end = value.between[0] if len(value.between) == 1 else x
    return end - value.error


def _carried(
    unit: str,
    pressure: Fraction,
    direction: Direction | None,
    sources: Sequence[Source],
    *,
    alone: bool,
) -> tuple[Shift, Shift]:
    found: list[tuple[Fraction, Fraction]] = []
    for source in sources:
        if source.shifts is None:
            return None, None
        sign = -1 if source.flips else 1
        place = sign * convert(pressure, unit, source.shifts.unit)
        for approached in _approached(source, direction):
            if not source.shifts.covers(place, approached):
                continue
            worst = source.shifts.at(place, approached, Course.WORST)
            linear = source.shifts.at(place, approached, Course.LINEAR, source.fraction)
            if worst is None or linear is None:
                return None, None
            found.append(
                (
                    sign * convert_difference(worst, source.shifts.unit, unit),
                    sign * convert_difference(linear, source.shifts.unit, unit),
                )
            )
    if not found:
        return (None, None) if alone else (Fraction(0), Fraction(0))
    return max(found, key=lambda pair: abs(pair[0]))


def _approached(source: Source, direction: Direction | None) -> tuple[Direction | None, ...]:
    """From which sides the standard may have come: both, where the certificate does not tell."""
    if direction is None:
        return tuple(source.shifts.branches) if source.shifts is not None else ()
    return (direction.opposite if source.flips else direction,)


def shifted_reading(
    use: GaugeUse,
    shifts: Shifts,
    reading: Fraction,
    direction: Direction | None,
    course: Course,
    fraction: Fraction,
) -> Fraction:
    """The reading to evaluate: as read, or less the shift for a gauge used without corrections."""
    if use.spec.use_corrections:
        return reading
    return reading - (shifts.at(reading, direction, course, fraction) or Fraction(0))
