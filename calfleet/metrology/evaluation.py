"""One series of runs judged: readings to set point, budget, ratios, decisions, reasons.

The chain, for one set point in one phase (as-found or as-left):

1. each reading less its gauge's error (where the gauge is used with corrections), converted into
   the switch's unit; x = p - s + head (static reading s where one gauge or a second one read it);
2. set point, dead band, repeatability, late or early (module ``switch``);
3. a budget in the switch's unit, at the reading of the mean trip, for the set point found;
4. TUR and TAR; every judged value against the limits of the procedure's rule; repeatability and
   dead band against their own limits (simple acceptance, inclusive);
5. the verdict is the worst of all, with the reason in one sentence.

What is decided here:

- *One budget* serves the mean and the single trips. The scatter of the switch enters it as
  s/sqrt(n). A single trip is an event that happened: the switch's scatter is no part of *its*
  uncertainty, so the budget is on the safe side for it.
- *s*: a pooled s of the model with its degrees of freedom where given, unless this series scatters
  significantly more (F test at 5 %), then its own; else its own; with one run and no pooled s the
  repeatability limit as largest minus smallest (rectangular, half of it to either side). With none
  of these the budget says so in a remark.
- *Gauge without corrections*: the permissible error is an additional rectangular component, beside
  the uncertainty with which the certificate has shown it. An error on the certificate above the
  permissible one is a remark that stops.
- *One gauge for static and operating pressure*: correlation r between the two calibration
  components, u2(x) = u2(p) + u2(s) - 2 r u(p) u(s). Default r = 0 (conservative).
- *Temperature not recorded*: a stated departure from the reference temperature is assumed
  (``Method.unknown_temperature_k``).
- TUR and TAR are of the tolerance in both phases; the as-left band is a setting limit inside it.
- TUR needs the 95 % uncertainty: with another coverage probability it is computed for the ratio.

Sources: JCGM 100:2008; ISO/IEC 17025:2017 6.4.11, 7.6, 7.8.6; ILAC-G8:09/2019. First trip, every
run and mean as judged values: common practice, no source, a setting of the procedure.
"""

from __future__ import annotations

import math
from bisect import bisect_left
from collections.abc import Sequence
from dataclasses import dataclass, field, fields, is_dataclass, replace
from enum import Enum, StrEnum
from fractions import Fraction
from functools import lru_cache
from typing import Any, NamedTuple

from calfleet.errors import BadQuantity, ReadingRefused
from calfleet.metrology.budget import (
    DOMINANCE_RATIO,
    Budget,
    combine,
    coverage_factor,
    dof_from_coverage_factor,
    trapezoidal_factor,
    whole_dof,
)
from calfleet.metrology.certificate import CertificateCurve, CurveValue
from calfleet.metrology.components import (
    Component,
    Distribution,
    rectangular,
    resolution,
    type_a,
)
from calfleet.metrology.conformity import (
    Acceptance,
    Decision,
    DecisionRule,
    GlobalRisk,
    Reliability,
    Rule,
    Verdict,
    acceptance,
    decide,
    global_risk,
    ratio_words,
    sigma_from_reliability,
    tar,
    tur,
    tur_words,
    worst,
)
from calfleet.metrology.direction import Direction
from calfleet.metrology.pressure import Head, differential
from calfleet.metrology.readings import exact_mean
from calfleet.metrology.rounding import exact_text, significant
from calfleet.metrology.switch import (
    Cycle,
    Remark,
    SetPointFound,
    SetPointSpec,
    Severity,
    lateness,
    plausibility,
    set_point_found,
)
from calfleet.metrology.units import (
    Dimension,
    Number,
    PressureMode,
    at_most,
    convert,
    convert_difference,
    convert_mode,
    exact,
    find_unit,
    less,
)

EVALUATION_VERSION = "2"
"""Stored with every result; a change that can change a figure gets a new one."""

_SQRT3 = math.sqrt(3.0)


# --- what the gauges and the procedure bring --------------------------------------------


class AccuracyBasis(StrEnum):
    """What a gauge's permissible error is a part of."""

    SPAN = "% of span"
    READING = "% of reading"
    ABSOLUTE = "absolute"


@dataclass(frozen=True, slots=True)
class GaugeSpec:
    """What is specified of a reference gauge, everything in ``unit`` (a unit code).

    resolution: smallest display step or scale interval, above zero; readable_fraction: the part of
    it that can be read (1 for a display). accuracy: permissible error, a magnitude in the terms of
    accuracy_basis. drift_per_year and temperature_coefficient (per kelvin): half-widths of at least
    zero. use_corrections: subtract the certificate's errors, or keep them inside the permissible
    error. same_gauge_correlation: r between the calibration at static and at operating pressure,
    -1 to 1. mode: None for a thermometer or where it is not recorded.
    certificate_probability: what the certificate's k stands for (95.45 % for "k = 2").

    Raises BadQuantity outside these domains.
    """

    unit: str
    range_low: Fraction
    range_high: Fraction
    resolution: Fraction
    readable_fraction: Fraction = Fraction(1)
    accuracy: Fraction = Fraction(0)
    accuracy_basis: AccuracyBasis = AccuracyBasis.SPAN
    drift_per_year: Fraction = Fraction(0)
    temperature_coefficient: Fraction = Fraction(0)
    reference_temperature_c: Fraction = Fraction(20)
    use_corrections: bool = True
    same_gauge_correlation: float = 0.0
    mode: PressureMode | None = None
    certificate_probability: float = 0.9545

    def __post_init__(self) -> None:
        for name in (
            "range_low", "range_high", "resolution", "readable_fraction", "accuracy",
            "drift_per_year", "temperature_coefficient", "reference_temperature_c",
        ):  # fmt: skip
            object.__setattr__(self, name, exact(getattr(self, name)))
        object.__setattr__(self, "accuracy_basis", AccuracyBasis(self.accuracy_basis))
        object.__setattr__(self, "same_gauge_correlation", float(self.same_gauge_correlation))
        checks = (
            (self.range_low < self.range_high, "The range runs from its lower to its higher end."),
            (self.resolution > 0, "The resolution is above zero."),
            (0 < self.readable_fraction <= 1, "The readable fraction is above 0, at most 1."),
            (self.accuracy >= 0, "The permissible error is at least zero."),
            (self.drift_per_year >= 0, "The drift per year is at least zero."),
            (self.temperature_coefficient >= 0, "The temperature coefficient is at least zero."),
            (-1 <= self.same_gauge_correlation <= 1, "A correlation lies within -1 to 1."),
            (
                self.use_corrections or self.accuracy > 0,
                "A gauge used without corrections has a permissible error above zero.",
            ),
        )
        for good, rule in checks:
            if not good:
                raise BadQuantity(
                    "The specification of a reference gauge is impossible.",
                    rule=rule,
                    next_step="Correct the gauge's data sheet.",
                )

    def permissible_error(self, reading: Number) -> Fraction:
        """The half-width of the accuracy specification at a reading, in the gauge's unit.

        >>> gauge = GaugeSpec("kPa", 0, 4000, 1, accuracy=1)  # class 1, span 4000 kPa
        >>> gauge.permissible_error(1234)
        Fraction(40, 1)

        Source: EN 837-1:1996 Table 11 (class number = % of span); MSL Technical Guide 13.
        """
        if self.accuracy_basis is AccuracyBasis.SPAN:
            return self.accuracy * (self.range_high - self.range_low) / 100
        if self.accuracy_basis is AccuracyBasis.READING:
            return self.accuracy * abs(exact(reading)) / 100
        return self.accuracy


_Branch = tuple[tuple[float, ...], tuple[tuple[float, float], ...]]
_Segments = dict[Direction | None, _Branch]


@dataclass(frozen=True, slots=True)
class GaugeUse:
    """A reference gauge on one day: its specification, the certificate in force, its conditions.

    years_since_calibration: at least zero. temperature_c: None where it was not recorded. A
    certificate in another unit is converted into the gauge's.

    Raises BadQuantity outside these domains.
    """

    spec: GaugeSpec
    curve: CertificateCurve
    years_since_calibration: float = 0.0
    temperature_c: float | None = None
    _segments: _Segments | None = field(init=False, repr=False, compare=False, default=None)

    def __post_init__(self) -> None:
        if not (self.years_since_calibration >= 0 and math.isfinite(self.years_since_calibration)):
            raise BadQuantity(
                f"{self.years_since_calibration} years since calibration.",
                rule="A certificate is used after its calibration.",
                next_step="Choose the certificate that was in force on that day.",
            )
        unit = find_unit(self.spec.unit).code
        if self.curve.unit != unit:
            object.__setattr__(self, "curve", self.curve.in_unit(unit))

    def at(self, reading: Number, direction: Direction) -> CurveValue:
        """What the certificate says at a reading in the gauge's unit.

        Raises ExtrapolationRefused beyond the certificate; ReadingRefused beyond the gauge's range.
        """
        value = exact(reading)
        self._check_range(value)
        return self.curve.at(value, direction)

    def _check_range(self, value: Fraction) -> None:
        low, high = self.spec.range_low, self.spec.range_high
        if not (at_most(low, value) and at_most(value, high)):
            raise ReadingRefused(
                f"The reading {_shown(value)} {self.spec.unit} is outside the gauge's range "
                f"{_shown(self.spec.range_low)} to {_shown(self.spec.range_high)} "
                f"{self.spec.unit}.",
                rule="A gauge is read inside its range.",
                next_step="Check the reading and its unit, or use a gauge of another range.",
            )

    def corrected(self, reading: Number, direction: Direction) -> Fraction:
        """The reading less the gauge's error, or as it is where corrections are not used."""
        value = exact(reading)
        self._check_range(value)
        corrected = self.curve.corrected(value, direction)
        return corrected if self.spec.use_corrections else value


class Judged(StrEnum):
    """Which values of a series are judged against the tolerance."""

    FIRST = "first trip"
    EVERY_RUN = "every run"
    MEAN = "mean"


class Phase(StrEnum):
    """Before or after adjustment."""

    AS_FOUND = "as-found"
    AS_LEFT = "as-left"


@dataclass(frozen=True, slots=True)
class Method:
    """What the procedure brings into the evaluation; figures with a unit are in the switch's unit.

    ramp_rate: per second; gauge_lag_s + switch_delay_s: how long the reading may be behind.
    static_hold: how much the locked low side may change during a run. head: gauge above switch.
    runs: how many are planned, for the budget before any reading. unknown_temperature_k: departure
    from the gauge's reference temperature where none was recorded. barometric_half_width: of the
    barometric pressure, where absolute and gauge pressure are converted.

    Raises BadQuantity: probability outside (0, 1), negative or non-finite figures, no runs.
    """

    decision_rule: DecisionRule = field(default_factory=lambda: DecisionRule(Rule.SIMPLE))
    coverage_probability: float = 0.95
    ramp_rate: float = 0.0
    gauge_lag_s: float = 0.0
    switch_delay_s: float = 0.0
    static_hold: float = 0.0
    head: Head | None = None
    runs: int = 3
    unknown_temperature_k: float = 5.0
    barometric_half_width: float = 0.0
    judged_as_found: tuple[Judged, ...] = (Judged.FIRST, Judged.EVERY_RUN)
    judged_as_left: tuple[Judged, ...] = (Judged.EVERY_RUN, Judged.MEAN)

    def __post_init__(self) -> None:
        figures = (
            self.ramp_rate, self.gauge_lag_s, self.switch_delay_s, self.static_hold,
            self.unknown_temperature_k, self.barometric_half_width,
        )  # fmt: skip
        judged = self.judged_as_found and self.judged_as_left
        if (
            not 0 < self.coverage_probability < 1
            or any(not 0 <= figure < math.inf for figure in figures)
            or self.runs < 1
            or not judged
        ):
            raise BadQuantity(
                "The method's figures are impossible.",
                rule="The coverage probability is a fraction inside 0 to 1; rates, times and "
                "half-widths are at least zero; at least one run and one judged value.",
                next_step="Correct the procedure.",
            )

    @property
    def ramp_half_width(self) -> float:
        """How far the pressure may move between the change-over and its reading."""
        return self.ramp_rate * (self.gauge_lag_s + self.switch_delay_s)

    def judged(self, phase: Phase) -> tuple[Judged, ...]:
        """Which values are judged in this phase."""
        return self.judged_as_found if phase is Phase.AS_FOUND else self.judged_as_left


Pooled = tuple[float, float]
"""A pooled standard deviation of single trips in the switch's unit, and its degrees of freedom."""


def _shown(value: Fraction) -> str:
    text = exact_text(value)
    return text if "/" not in text and len(text) <= 14 else significant(value, 8)


# --- from the gauges to the switch ------------------------------------------------------


@dataclass(frozen=True, slots=True)
class _Route:
    """How a corrected reading of one gauge becomes a pressure in the switch's unit and mode."""

    use: GaugeUse
    unit: str
    source: PressureMode | None
    target: PressureMode | None
    barometric: Fraction | None

    @property
    def flips(self) -> bool:
        """True where a rising reading is a falling pressure (vacuum against gauge pressure)."""
        if self.source is None or self.target is None:
            return False
        return (self.source is PressureMode.VACUUM) is not (self.target is PressureMode.VACUUM)

    @property
    def needs_air(self) -> bool:
        """True where the barometric pressure enters."""
        if self.source is None or self.target is None:
            return False
        return (self.source is PressureMode.ABSOLUTE) is not (self.target is PressureMode.ABSOLUTE)

    def direction(self, direction: Direction) -> Direction:
        return direction.opposite if self.flips else direction

    def sensitivity(self) -> float:
        factor = _ratio(self.use.spec.unit, self.unit)
        return -factor if self.flips else factor

    def seen(self, corrected: Fraction) -> Fraction:
        value = convert(corrected, self.use.spec.unit, self.unit)
        if self.source is None or self.target is None or self.source is self.target:
            return value
        return convert_mode(value, self.unit, self.source, self.target, self.barometric)

    def reading(self, seen: Fraction) -> Fraction:
        """The reading (before correction) at which the gauge shows this pressure."""
        value = seen
        if self.source is not None and self.target is not None and self.source is not self.target:
            value = convert_mode(seen, self.unit, self.target, self.source, self.barometric)
        return convert(value, self.unit, self.use.spec.unit)


@lru_cache(maxsize=1024)
def _ratio(source: str, target: str) -> float:
    return float(convert_difference(1, source, target))


def _routes(
    spec: SetPointSpec,
    operating: GaugeUse,
    static: GaugeUse | None,
    barometric: Fraction | None,
) -> tuple[_Route, _Route | None]:
    """The routes of both readings; a difference of two like readings needs no common zero."""
    source, target = operating.spec.mode, spec.mode
    static_source = None if static is None else static.spec.mode
    static_target = target
    if target is PressureMode.DIFFERENTIAL and source is not PressureMode.DIFFERENTIAL:
        both_absolute = source is PressureMode.ABSOLUTE and static_source is PressureMode.ABSOLUTE
        target = static_target = PressureMode.ABSOLUTE if both_absolute else PressureMode.GAUGE
    first = _Route(operating, spec.unit, source, target, barometric)
    if static is None:
        return first, None
    return first, _Route(static, spec.unit, static_source, static_target, barometric)


def _locking_direction(route: _Route) -> Direction:
    """From which side the static pressure was set: raised and then locked.

    A certificate that holds only the other branch is taken as it is.
    """
    wanted = route.direction(Direction.RISING)
    held = route.use.curve.directions
    return wanted if not held or wanted in held else held[0]


def _differential_gauge(operating: GaugeUse) -> bool:
    return operating.spec.mode is PressureMode.DIFFERENTIAL


# --- the budget -------------------------------------------------------------------------

_CALIBRATION = "calibration"


def _of_gauge(
    who: str,
    use: GaugeUse,
    reading: Fraction,
    value: CurveValue,
    sensitivity: float,
    method: Method,
) -> list[Component]:
    """The components of one reading; influences of zero width are left out."""
    spec = use.spec
    dof = _certified_dof(use, value.k)
    parts = [
        Component(
            f"{who}: {_CALIBRATION}", Distribution.NORMAL, value.u, sensitivity, dof,
            value.U, value.k, value.how,
        )
    ]  # fmt: skip
    if not spec.use_corrections:
        parts.append(
            rectangular(
                f"{who}: accuracy",
                float(spec.permissible_error(reading)),
                sensitivity=sensitivity,
                note="corrections not applied",
            )
        )
    drift = float(spec.drift_per_year) * use.years_since_calibration
    if drift > 0:
        parts.append(
            rectangular(
                f"{who}: drift",
                drift,
                sensitivity=sensitivity,
                note=f"{use.years_since_calibration:.2f} years since calibration",
            )
        )
    parts.append(
        resolution(
            f"{who}: resolution",
            float(spec.resolution),
            readable_fraction=float(spec.readable_fraction),
            sensitivity=sensitivity,
        )
    )
    departure = _departure(use, method)
    if spec.temperature_coefficient > 0 and departure > 0:
        assumed = ", assumed: not recorded" if use.temperature_c is None else ""
        parts.append(
            rectangular(
                f"{who}: temperature",
                float(spec.temperature_coefficient) * departure,
                sensitivity=sensitivity,
                note=f"{departure:.1f} K from its reference temperature{assumed}",
            )
        )
    return parts


def gauge_budget(use: GaugeUse, reading: Number, method: Method | None = None) -> Budget:
    """The budget of a single reading of ``use`` itself, in the gauge's unit, pressure rising.

    As its part in a result: certificate, accuracy where corrections are not used, drift,
    resolution, temperature. A certificate that holds only the falling branch is taken as it is.

    Raises ReadingRefused, ExtrapolationRefused as :meth:`GaugeUse.at`.
    """
    how = method or Method()
    value = use.at(reading, rising_or_held(use))
    parts = _of_gauge("gauge", use, Fraction(reading), value, 1.0, how)
    return combine(parts, coverage_probability=how.coverage_probability)


def rising_or_held(use: GaugeUse) -> Direction:
    """The rising branch of its certificate, or the only one that it holds."""
    held = use.curve.directions
    return Direction.RISING if not held or Direction.RISING in held else held[0]


def _departure(use: GaugeUse, method: Method) -> float:
    if use.temperature_c is None:
        return method.unknown_temperature_k
    return abs(float(use.temperature_c) - float(use.spec.reference_temperature_c))


def _of_method(
    spec: SetPointSpec, method: Method, *, has_static: bool, needs_air: bool
) -> list[Component]:
    parts: list[Component] = []
    if method.head is not None:
        height, density = method.head.half_widths(spec.unit)
        if height > 0:
            parts.append(rectangular("head: height", height))
        if density > 0:
            parts.append(rectangular("head: density", density))
    if method.ramp_half_width > 0:
        lag = method.gauge_lag_s + method.switch_delay_s
        parts.append(rectangular("ramp", method.ramp_half_width, note=f"{lag:g} s behind"))
    if has_static and method.static_hold > 0:
        parts.append(rectangular("static hold", method.static_hold))
    if needs_air and method.barometric_half_width > 0:
        parts.append(rectangular("barometric pressure", method.barometric_half_width))
    return parts


_REPEATABILITY = "repeatability"


def _scatter(
    spec: SetPointSpec, n: int, own_s: float | None, pooled: Pooled | None
) -> Component | None:
    """The repeatability of the mean of n trips; None where nothing is known about it."""
    if pooled is not None:
        s, dof = pooled
        if own_s is not None and own_s > s and n > 1 and _scatters_more(own_s, n - 1, s, dof):
            return type_a(
                _REPEATABILITY, own_s, n, note=f"own s: significantly above the pooled s {s:.3g}"
            )
        return type_a(_REPEATABILITY, s, n, dof, note=f"pooled s, {n} runs")
    if own_s is not None and n > 1:
        return type_a(_REPEATABILITY, own_s, n, note=f"s of {n} runs")
    if spec.repeatability_limit is not None and spec.repeatability_limit > 0:
        return rectangular(
            _REPEATABILITY,
            float(spec.repeatability_limit) / 2,
            note="from the repeatability limit, largest minus smallest",
        )
    return None


def _scatters_more(own: float, own_dof: float, s: float, dof: float) -> bool:
    """Whether own s is significantly above s: one-sided F test at 5 %."""
    if s <= 0:
        return True
    from scipy.special import chdtrc, fdtrc

    ratio = (own / s) ** 2
    if math.isinf(dof):
        return float(chdtrc(own_dof, own_dof * ratio)) < 0.05
    return float(fdtrc(own_dof, dof, ratio)) < 0.05


def _budget(
    spec: SetPointSpec,
    method: Method,
    operating: _Route,
    p: Fraction,
    static: _Route | None,
    s: Fraction | None,
    scatter: Component | None,
    *,
    planning: bool = False,
) -> Budget:
    """The budget of x = p - s + head in the switch's unit at the readings p and s.

    planning: ask the certificate for its uncertainty alone, without the words on how.
    """
    value_at = _uncertainty_at if planning else GaugeUse.at
    p_direction = operating.direction(spec.direction)
    parts = _of_gauge(
        "operating gauge", operating.use, p, value_at(operating.use, p, p_direction),
        operating.sensitivity(), method,
    )  # fmt: skip
    correlations: dict[tuple[str, str], float] = {}
    if static is not None and s is not None:
        s_direction = _locking_direction(static)
        parts += _of_gauge(
            "static gauge", static.use, s, value_at(static.use, s, s_direction),
            -static.sensitivity(), method,
        )  # fmt: skip
        r = operating.use.spec.same_gauge_correlation
        if r and static.use == operating.use:
            correlations["operating gauge: calibration", "static gauge: calibration"] = r
    air = operating.needs_air or (static is not None and static.needs_air)
    parts += _of_method(spec, method, has_static=static is not None, needs_air=air)
    if scatter is not None:
        parts.append(scatter)
    # A scatter of exactly zero (identical readings) has no share and no degrees of freedom to lose.
    return combine(
        parts, coverage_probability=method.coverage_probability, correlations=correlations
    )


def _uncertainty_at(use: GaugeUse, reading: Fraction, direction: Direction) -> CurveValue:
    """What :meth:`GaugeUse.at` says, with the error left out where the short way serves."""
    gauge = use.spec
    found = _fast_u(use, float(reading), direction)
    if found is None or not gauge.range_low <= reading <= gauge.range_high:
        return use.at(reading, direction)
    u, k = found
    return CurveValue(Fraction(0), k * u, k, u, (), "planned")


def _head(spec: SetPointSpec, method: Method) -> Fraction:
    """What the switch sees more than the gauge; a higher pressure is less vacuum."""
    if method.head is None:
        return Fraction(0)
    more = method.head.pressure(spec.unit)
    return -more if spec.mode is PressureMode.VACUUM else more


def _planned(
    spec: SetPointSpec,
    static_value: Number | None,
    operating: GaugeUse,
    static: GaugeUse | None,
    method: Method,
    barometric: Fraction | None,
) -> tuple[_Route, Fraction, _Route | None, Fraction | None]:
    """Routes and readings at which the set point would be found."""
    value = None if static_value is None else exact(static_value)
    if value is None or value == 0 or _differential_gauge(operating):
        value, low_side = None, None
    else:
        low_side = operating if static is None else static
    route, static_route = _routes(spec, operating, low_side, barometric)
    seen = spec.set_point - _head(spec, method)
    if value is not None and static_route is not None:
        seen += static_route.seen(value)
    return route, route.reading(seen), static_route, value


def planned_uncertainty(
    spec: SetPointSpec,
    static_value: Number | None,
    operating: GaugeUse,
    static: GaugeUse | None,
    method: Method,
    pooled: Pooled | None = None,
    *,
    barometric: Number | None = None,
) -> Budget:
    """The budget that a calibration with these gauges will have, before any reading is taken.

    static_value: reading of the static pressure in the unit of the gauge that reads it (``static``,
    or ``operating`` where that is None); None or 0 without, ignored for a differential gauge.
    pooled: (s, dof) of single trips in the switch's unit. barometric: in the switch's unit, where
    absolute and gauge pressure are converted. Neither numpy nor scipy is imported. For ranking
    many gauges: :func:`planned_figures`.

    It is the budget that :func:`evaluate` forms of ``method.runs`` runs whose mean reading is the
    set point, unless they scatter significantly more than ``pooled``; where the temperature, the
    head and the air of the day are those planned with.

    Raises ReadingRefused: the set point would be read outside the gauge's range;
    ExtrapolationRefused: beyond its certificate; UncertaintyRefused: no budget can be formed.
    Source: JCGM 100:2008 clause 5, G.3.4, G.4.1.
    """
    air = None if barometric is None else exact(barometric)
    route, p, static_route, s = _planned(spec, static_value, operating, static, method, air)
    scatter = _scatter(spec, method.runs, None, pooled)
    return _budget(spec, method, route, p, static_route, s, scatter, planning=True)


# --- the same, fast ---------------------------------------------------------------------


def _segments(use: GaugeUse) -> _Segments:
    """Indications and (u, k) of the certificate, per branch; empty where at() must be asked.

    Covers the plain case: no repeated points.
    """
    if use._segments is not None:
        return use._segments
    table: _Segments = {}
    points = use.curve.points
    directed = any(point.direction is not None for point in points)
    for direction in Direction if directed else (None,):
        branch = [one for one in points if one.direction in (direction, None)]
        if directed and not any(one.direction is direction for one in branch):
            continue
        references = {one.reference for one in branch}
        indications = {one.indication for one in branch}
        if len(references) == len(indications) == len(branch):
            branch.sort(key=lambda one: one.indication)
            table[direction] = (
                tuple(float(one.indication) for one in branch),
                tuple((one.u, one.k) for one in branch),
            )
    object.__setattr__(use, "_segments", table)
    return table


def _fast_u(
    use: GaugeUse, reading: float, direction: Direction | None
) -> tuple[float, float] | None:
    """(u, k) at a reading, None where at() must be asked."""
    table = _segments(use)
    branch = table.get(None) or table.get(direction)
    if branch is None:
        return None
    indications, us = branch
    right = bisect_left(indications, reading)
    near = 1e-9 * max(1.0, abs(reading))
    if right < len(us) and indications[right] - reading <= near:
        return us[right]
    if right > 0 and reading - indications[right - 1] <= near:
        return us[right - 1]
    if 0 < right < len(us):
        return max(us[right - 1], us[right])
    return None


def _fast_gauge(
    terms: list[float], use: GaugeUse, reading: float, factor: float, method: Method
) -> None:
    """Append the standard uncertainties of one gauge's rectangular influences."""
    spec = use.spec
    scale = factor / _SQRT3
    if not spec.use_corrections:
        width = float(spec.accuracy)
        if spec.accuracy_basis is AccuracyBasis.SPAN:
            width *= float(spec.range_high - spec.range_low) / 100
        elif spec.accuracy_basis is AccuracyBasis.READING:
            width *= abs(reading) / 100
        terms.append(width * scale)
    if spec.drift_per_year:
        terms.append(float(spec.drift_per_year) * use.years_since_calibration * scale)
    terms.append(float(spec.resolution) * float(spec.readable_fraction) / 2 * scale)
    if spec.temperature_coefficient:
        terms.append(float(spec.temperature_coefficient) * _departure(use, method) * scale)


class PlannedFigures(NamedTuple):
    """What is expected of a result, in the switch's unit; names as in :class:`Budget`.

    ``U95`` is the U that the ratio is formed with, as in :class:`Evaluation`.
    """

    U: float
    u_c: float
    nu_eff: float
    U95: float


def planned_figures(
    spec: SetPointSpec,
    static_value: Number | None,
    operating: GaugeUse,
    static: GaugeUse | None,
    method: Method,
    pooled: Pooled | None = None,
    *,
    barometric: Number | None = None,
) -> PlannedFigures:
    """U, u_c and degrees of freedom of :func:`planned_uncertainty`, some ten times faster.

    Arguments as there. Anything but the plain case (correlation, conversion of mode, temperature,
    repeated certificate points, a reading outside the points) is handed to the full computation,
    so that results and refusals are the same.
    """
    fast = _fast(spec, static_value, operating, static, method, pooled)
    if fast is not None:
        return fast
    budget = planned_uncertainty(
        spec, static_value, operating, static, method, pooled, barometric=barometric
    )
    return PlannedFigures(budget.U, budget.u_c, budget.nu_eff, _u95(budget))


def _fast(
    spec: SetPointSpec,
    static_value: Number | None,
    operating: GaugeUse,
    static: GaugeUse | None,
    method: Method,
    pooled: Pooled | None,
) -> PlannedFigures | None:
    mode = operating.spec.mode
    plain = mode is spec.mode or spec.mode is None or mode is None
    if not plain and not (spec.mode is PressureMode.DIFFERENTIAL and mode is PressureMode.GAUGE):
        return None
    if find_unit(spec.unit).dimension is Dimension.TEMPERATURE:
        return None
    factor = _ratio(operating.spec.unit, spec.unit)
    with_static = bool(static_value) and not _differential_gauge(operating)
    seen = float(spec.set_point)
    if method.head is not None:
        seen -= float(_head(spec, method))
    low_side = operating if static is None else static
    static_reading = 0.0
    static_factor = 1.0
    if with_static and static_value is not None:
        if low_side.spec.mode is not mode or low_side.spec.same_gauge_correlation:
            return None
        static_reading = float(static_value)
        static_factor = _ratio(low_side.spec.unit, spec.unit)
        seen += static_reading * static_factor
    reading = seen / factor
    if not float(operating.spec.range_low) <= reading <= float(operating.spec.range_high):
        return None
    at_p = _fast_u(operating, reading, spec.direction)
    if at_p is None:
        return None
    wide: list[float] = []  # rectangular contributions
    others = [(at_p[0] * factor, _certified_dof(operating, at_p[1]))]  # with degrees of freedom
    _fast_gauge(wide, operating, reading, factor, method)
    if with_static:
        low, high = float(low_side.spec.range_low), float(low_side.spec.range_high)
        if not low <= static_reading <= high:
            return None
        # (a certificate without rising points is left to the full computation)
        at_s = _fast_u(low_side, static_reading, Direction.RISING)
        if at_s is None:
            return None
        others.append((at_s[0] * static_factor, _certified_dof(low_side, at_s[1])))
        _fast_gauge(wide, low_side, static_reading, static_factor, method)
        wide.append(method.static_hold / _SQRT3)
    if method.head is not None:
        wide.extend(width / _SQRT3 for width in method.head.half_widths(spec.unit))
    wide.append(method.ramp_half_width / _SQRT3)
    if pooled is not None:
        others.append((pooled[0] / math.sqrt(method.runs), pooled[1]))
    elif spec.repeatability_limit is not None:
        wide.append(float(spec.repeatability_limit) / 2 / _SQRT3)
    wide.sort(reverse=True)
    first, second = wide[0], wide[1]
    variance = sum([u * u for u, _ in others]) + sum([u * u for u in wide])
    lost = sum([(u * u / variance) ** 2 / dof for u, dof in others])  # Welch-Satterthwaite
    nu = 1 / lost if lost else math.inf
    largest_other = max([u for u, _ in others])
    # The same criterion as in the budget: the rest at most 0.3 of the one or two leading.
    limit = 1 + DOMINANCE_RATIO**2
    if first >= largest_other and variance <= limit * first**2:
        leading: tuple[float, float] | None = (first, 0.0)
    elif second >= largest_other and variance <= limit * (first**2 + second**2):
        leading = (first, second)
    else:
        leading = None
    u_c = math.sqrt(variance)
    p = method.coverage_probability
    U = u_c * _factor(leading, nu, p)
    return PlannedFigures(U, u_c, nu, U if _is_95(p) else u_c * _factor(leading, nu, 0.95))


def _certified_dof(use: GaugeUse, k: float) -> float:
    """Degrees of freedom that the k of a certificate stands for."""
    if k > 2.0:
        return dof_from_coverage_factor(k, use.spec.certificate_probability)
    return math.inf


def _factor(leading: tuple[float, float] | None, nu: float, p: float) -> float:
    """k of a budget with these leading rectangular contributions, else with nu from t."""
    return coverage_factor(nu, p) if leading is None else trapezoidal_factor(*leading, p)


def _is_95(p: float) -> bool:
    """Whether U of that coverage probability serves for ratios: 95 %, or 95.45 % for k = 2."""
    return 0.95 <= p <= 0.955


# --- judging ----------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Judgement:
    """One judged value: ``what`` in words ("run 2"), its decision, and whether it acts late."""

    what: str
    decision: Decision
    late: bool | None


@dataclass(frozen=True, slots=True)
class LimitCheck:
    """Repeatability or dead band against its own limits, inclusive; None for an open side."""

    what: str
    value: Fraction
    lower: Fraction | None
    upper: Fraction | None
    inside: bool
    reason: str


@dataclass(frozen=True, slots=True)
class Run:
    """One run as the switch saw it: trip and reset corrected, in the switch's unit."""

    run: int
    trip: Fraction | None
    reset: Fraction | None
    static: Fraction | None
    outcome: str


@dataclass(frozen=True, slots=True)
class Evaluation:
    """Everything that is said about one series of runs, in ``unit``, the switch's unit.

    lower, upper: tolerance limits of the phase (None: open); acceptance_lower/upper: after the
    decision rule. U, k, nu_eff belong to the set point found. tur is None for a one-sided
    tolerance (``tur_text`` says why), tar is None without accuracy specification or one-sided.
    within_as_left: as-found only, whether every judged value lies inside the as-left limits too.
    specific_risk: largest probability among the judged values of being outside the tolerance;
    None where none could be judged. reason: one sentence on what decided; reasons: all of them.
    """

    version: str
    phase: Phase
    unit: str
    required: Fraction
    found: SetPointFound
    runs: tuple[Run, ...]
    lower: Fraction | None
    upper: Fraction | None
    acceptance_lower: Fraction | None
    acceptance_upper: Fraction | None
    budget: Budget
    U: float
    U95: float
    tur: float | None
    tur_text: str
    tar: float | None
    rule_text: str
    judgements: tuple[Judgement, ...]
    limit_checks: tuple[LimitCheck, ...]
    verdict: Verdict
    within_as_left: bool | None
    specific_risk: float | None
    reason: str
    reasons: tuple[str, ...]
    remarks: tuple[Remark, ...]

    @property
    def k(self) -> float:
        """The coverage factor of U."""
        return self.budget.k

    def to_plain(self) -> dict[str, Any]:
        """The evaluation as plain JSON data; exact numbers as text, infinities as ``"inf"``."""
        plain = _plain(self)
        if not isinstance(plain, dict):  # a dataclass always gives a dict
            raise TypeError("an evaluation has a dict as its plain form")
        return plain


def _plain(value: object) -> object:
    if isinstance(value, Budget):
        return value.to_plain()
    if isinstance(value, Enum):
        return str(value.value)
    if value is None or isinstance(value, bool | int | str):
        return value
    if isinstance(value, Fraction):
        return exact_text(value)
    if isinstance(value, float):
        return value if math.isfinite(value) else str(value)
    if isinstance(value, tuple | list):
        return [_plain(item) for item in value]
    if is_dataclass(value):
        return {one.name: _plain(getattr(value, one.name)) for one in fields(value)}
    raise TypeError(f"{type(value).__name__} has no plain form")


def _with_static(cycles: Sequence[Cycle]) -> list[Cycle]:
    """The runs in order, each with its static reading; a run without one keeps the one before."""
    runs = sorted(cycles, key=lambda cycle: cycle.run)
    if all(cycle.static is None for cycle in runs):
        return runs
    kept: list[Cycle] = []
    current: Fraction | None = None
    for cycle in runs:
        current = cycle.static if cycle.static is not None else current
        if current is None:
            raise ReadingRefused(
                f"Run {cycle.run} has no static reading, a later one has.",
                rule="The static pressure is read before the first run that needs it.",
                next_step="Enter the static reading of the first run.",
            )
        kept.append(replace(cycle, static=current))
    return kept


def _corrected(
    spec: SetPointSpec,
    cycle: Cycle,
    route: _Route,
    static_route: _Route | None,
    head: Fraction,
) -> Cycle:
    """The run in the switch's unit."""
    low = Fraction(0)
    if static_route is not None and cycle.static is not None:
        use = static_route.use
        direction = _locking_direction(static_route)
        low = static_route.seen(use.corrected(cycle.static, direction))

    def seen(reading: Fraction | None, direction: Direction) -> Fraction | None:
        if reading is None:
            return None
        corrected = route.use.corrected(reading, route.direction(direction))
        return differential(route.seen(corrected), low, head)

    return Cycle(
        run=cycle.run,
        trip=seen(cycle.trip, spec.direction),
        reset=seen(cycle.reset, spec.direction.opposite),
        static=low if static_route is not None else None,
        outcome=cycle.outcome,
    )


def evaluate(
    spec: SetPointSpec,
    cycles: Sequence[Cycle],
    operating: GaugeUse,
    static: GaugeUse | None = None,
    method: Method | None = None,
    *,
    phase: Phase | str = Phase.AS_FOUND,
    pooled: Pooled | None = None,
    barometric: Number | None = None,
) -> Evaluation:
    """The judged outcome of one series of runs of one set point, in the switch's unit.

    cycles: as read; trip and reset in the operating gauge's unit, static in that of the gauge that
    read it. A static reading with ``static`` None was read on the operating gauge (locked low
    side); 0 or none: low side open; on a differential gauge it is kept but plays no part. A run
    without a static reading keeps the one before. pooled: (s, dof) of single trips in the switch's
    unit. barometric: in the switch's unit, for conversions to or from absolute pressure.

    A run without trip, without reset or with chatter fails the series; its budget is then the
    planned one where no trip was read at all.

    Raises ReadingRefused: reset on the wrong side of its trip, a reading outside its gauge;
    ExtrapolationRefused: beyond a certificate; BadQuantity: no runs, modes that cannot be
    converted; UncertaintyRefused: no coverage interval can be stated.
    Source: see the module.
    """
    method = Method() if method is None else method
    phase = Phase(str(phase))
    air = None if barometric is None else exact(barometric)
    runs = _with_static(cycles)
    low_side: GaugeUse | None = None
    if any(cycle.static for cycle in runs) and not _differential_gauge(operating):
        low_side = operating if static is None else static
    route, static_route = _routes(spec, operating, low_side, air)
    head = _head(spec, method)
    corrected = [_corrected(spec, cycle, route, static_route, head) for cycle in runs]
    found = set_point_found(corrected, spec)

    trips = [cycle.trip for cycle in runs if cycle.counts and cycle.trip is not None]
    statics = [cycle.static for cycle in runs if cycle.static is not None]
    s = exact_mean(statics) if statics and static_route is not None else None
    if trips:
        p = exact_mean(trips)
        n, own = len(trips), None if found.sample is None else found.sample.s
    else:
        _, p, _, _ = _planned(spec, s, operating, static, method, air)
        n, own = method.runs, None
    scatter = _scatter(spec, n, own, pooled)
    budget = _budget(spec, method, route, p, static_route, s, scatter)
    remarks = plausibility(spec, [cycle for cycle in corrected if cycle.counts])
    remarks += _gauge_remarks(spec, route, p, static_route, s)
    if scatter is None:
        remarks.append(
            Remark(
                "repeatability not included",
                Severity.WARNING,
                "The budget holds no repeatability: one run, no pooled s, no limit.",
                "The scatter of the trips is an influence.",
                "Repeat the run, or pool the repeatability of the model.",
            )
        )

    U95 = _u95(budget)
    lower, upper = spec.limits(as_left=phase is Phase.AS_LEFT)
    ratio_limits = spec.limits()
    ratio = tur(*ratio_limits, U95)
    rule = _rule_of_phase(method.decision_rule, phase, ratio)
    dof = budget.nu_eff if math.isinf(budget.nu_eff) else whole_dof(budget.nu_eff)
    zone = acceptance(lower, upper, U=budget.U, u=budget.u_c, rule=rule, dof=dof, U95=U95)
    judgements = tuple(
        Judgement(
            what,
            decide(
                value, lower, upper, U=budget.U, u=budget.u_c, rule=rule,
                dof=dof, U95=U95, name=what[0].upper() + what[1:], unit=spec.unit, zone=zone,
            ),
            lateness(less(value, spec.set_point), spec.direction),
        )
        for what, value in _judged_values(method.judged(phase), corrected, found)
    )  # fmt: skip
    checks, check_remarks = _limit_checks(spec, found)
    remarks += check_remarks
    verdict, reasons = _verdict(found, judgements, checks)
    permissible = float(operating.spec.permissible_error(p)) * abs(route.sensitivity())
    return Evaluation(
        version=EVALUATION_VERSION,
        phase=phase,
        unit=spec.unit,
        required=spec.set_point,
        found=found,
        runs=tuple(
            Run(one.run, one.trip, one.reset, one.static, str(one.outcome)) for one in corrected
        ),
        lower=lower,
        upper=upper,
        acceptance_lower=zone.lower,
        acceptance_upper=zone.upper,
        budget=budget,
        U=budget.U,
        U95=U95,
        tur=ratio,
        tur_text=ratio_words(ratio),
        tar=tar(*ratio_limits, permissible) if permissible > 0 else None,
        rule_text=zone.statement,
        judgements=judgements,
        limit_checks=checks,
        verdict=verdict,
        within_as_left=_within_as_left(spec, phase, verdict, judgements, checks, found),
        specific_risk=max((one.decision.specific_risk for one in judgements), default=None),
        reason=reasons[0],
        reasons=reasons,
        remarks=tuple(remarks),
    )


def _rule_of_phase(rule: DecisionRule, phase: Phase, ratio: float | None) -> DecisionRule:
    """The rule with its required ratio already settled where the as-left band is judged.

    A required ratio is of the tolerance. The as-left band is a setting limit inside it, so its
    own, smaller ratio is not what the procedure asks for.
    """
    met = rule.required_tur is not None and ratio is not None and ratio >= rule.required_tur
    if phase is Phase.AS_LEFT and rule.rule is Rule.SIMPLE and met:
        return replace(rule, required_tur=None)
    return rule


def _u95(budget: Budget) -> float:
    """The expanded uncertainty for ratios: U at 95 % (or 95.45 %, k = 2), else recomputed."""
    if _is_95(budget.coverage_probability):
        return budget.U
    correlations = {(a, b): r for a, b, r in budget.correlations}
    return combine(budget.components, coverage_probability=0.95, correlations=correlations).U


def _gauge_remarks(
    spec: SetPointSpec,
    route: _Route,
    p: Fraction,
    static_route: _Route | None,
    s: Fraction | None,
) -> list[Remark]:
    remarks: list[Remark] = []
    places = [("operating", route, p, route.direction(spec.direction))]
    if static_route is not None and s is not None:
        places.append(("static", static_route, s, _locking_direction(static_route)))
    for who, one, reading, direction in places:
        gauge = one.use.spec
        if gauge.use_corrections:
            continue
        error = one.use.at(reading, direction).error
        permissible = gauge.permissible_error(reading)
        if abs(error) > permissible:
            remarks.append(
                Remark(
                    "gauge error above permissible",
                    Severity.STOP,
                    f"The {who} gauge has an error of {_shown(error)} {gauge.unit} at "
                    f"{_shown(reading)} {gauge.unit}; permissible is {_shown(permissible)} "
                    f"{gauge.unit}.",
                    "A gauge used without corrections keeps its permissible error.",
                    "Apply the certificate's corrections, or withdraw the gauge.",
                )
            )
    return remarks


def _judged_values(
    judged: tuple[Judged, ...], runs: Sequence[Cycle], found: SetPointFound
) -> list[tuple[str, Fraction]]:
    values: list[tuple[str, Fraction]] = []
    if Judged.FIRST in judged and found.first_trip is not None:
        values.append(("first trip", found.first_trip))
    if Judged.EVERY_RUN in judged:
        first_done = bool(values)
        for index, cycle in enumerate(runs):
            if cycle.counts and cycle.trip is not None and not (index == 0 and first_done):
                values.append((f"run {cycle.run}", cycle.trip))
    if Judged.MEAN in judged and found.mean_trip is not None:
        n = 0 if found.sample is None else found.sample.n
        values.append((f"mean of {n} run{'s' if n != 1 else ''}", found.mean_trip))
    return values


def _limit_checks(
    spec: SetPointSpec, found: SetPointFound
) -> tuple[tuple[LimitCheck, ...], list[Remark]]:
    checks: list[LimitCheck] = []
    remarks: list[Remark] = []
    wanted = (
        ("repeatability", found.repeatability, None, spec.repeatability_limit, "two trips"),
        ("dead band", found.dead_band, spec.dead_band_min, spec.dead_band_max, "trip and reset"),
    )
    for what, value, low, high, needs in wanted:
        if low is None and high is None:
            continue
        if value is None:
            remarks.append(
                Remark(
                    f"{what} not judged",
                    Severity.WARNING,
                    f"The {what} has a limit but was not measured.",
                    f"The {what} needs {needs}.",
                    "Repeat the run.",
                )
            )
            continue
        checks.append(_limit_check(what, value, low, high, spec.unit))
    return tuple(checks), remarks


def _limit_check(
    what: str, value: Fraction, low: Fraction | None, high: Fraction | None, unit: str
) -> LimitCheck:
    here = f"{what[0].upper()}{what[1:]}, {_shown(value)} {unit},"
    if high is not None and value > high:
        return LimitCheck(
            what, value, low, high, False, f"{here} is above its limit {_shown(high)} {unit}."
        )
    if low is not None and value < low:
        return LimitCheck(
            what, value, low, high, False, f"{here} is below its limit {_shown(low)} {unit}."
        )
    return LimitCheck(what, value, low, high, True, f"{here} is inside its limits.")


def _verdict(
    found: SetPointFound,
    judgements: tuple[Judgement, ...],
    checks: tuple[LimitCheck, ...],
) -> tuple[Verdict, tuple[str, ...]]:
    """The worst verdict, and the reasons, what decided first; never empty."""
    failed = [f"Run {run}: {outcome!s}." for run, outcome in found.failures]
    wrong = [one for one in judgements if one.decision.verdict is not Verdict.PASS]
    # A late value outweighs an early one of the same verdict; then the order of the runs.
    wrong.sort(key=lambda one: (-one.decision.verdict.rank, one.late is not True))
    outside = [check.reason for check in checks if not check.inside]
    verdict = worst([one.decision.verdict for one in judgements])
    if failed or outside:
        verdict = Verdict.FAIL
    reasons = [*failed]
    hard = [one for one in wrong if one.decision.verdict is Verdict.FAIL]
    soft = [one for one in wrong if one.decision.verdict is not Verdict.FAIL]
    reasons += [_side(one) for one in hard] + outside + [_side(one) for one in soft]
    if not reasons:
        reasons.append(_all_inside(judgements, checks))
    return verdict, tuple(reasons)


def _side(one: Judgement) -> str:
    if one.late is None:
        return one.decision.reason
    words = "late, the non-conservative side" if one.late else "early, the conservative side"
    return f"{one.decision.reason[:-1]} ({words})."


def _all_inside(judgements: tuple[Judgement, ...], checks: tuple[LimitCheck, ...]) -> str:
    what = ", ".join(one.what for one in judgements)
    also = "".join(f"; {check.what} inside its limits" for check in checks)
    return f"Inside the acceptance limits: {what}{also}."


def _within_as_left(
    spec: SetPointSpec,
    phase: Phase,
    verdict: Verdict,
    judgements: tuple[Judgement, ...],
    checks: tuple[LimitCheck, ...],
    found: SetPointFound,
) -> bool | None:
    if phase is not Phase.AS_FOUND:
        return None
    low, high = spec.limits(as_left=True)
    return (
        not found.failures
        and verdict.accepted
        and all(check.inside for check in checks)
        and all(
            (low is None or at_most(low, one.decision.value))
            and (high is None or at_most(one.decision.value, high))
            for one in judgements
        )
    )


# --- before the job ---------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Outlook:
    """What a gauge would make possible for a set point, in the switch's unit.

    tur None: one-sided (``tur_text`` says why). zone: acceptance limits and rule. risk: global
    risk, None where no in-tolerance probability was given; risk_basis says which one was.
    """

    budget: Budget
    U: float
    tur: float | None
    tur_text: str
    zone: Acceptance
    risk: GlobalRisk | None
    risk_basis: str


def outlook(
    spec: SetPointSpec,
    static_value: Number | None,
    operating: GaugeUse,
    static: GaugeUse | None,
    method: Method,
    pooled: Pooled | None = None,
    *,
    reliability: float | None = None,
    kind: Reliability = Reliability.TRUE,
    as_left: bool = False,
    barometric: Number | None = None,
) -> Outlook:
    """What a calibration with these gauges would reach: U, TUR, acceptance limits, global risk.

    Arguments as :func:`planned_uncertainty`; reliability: in-tolerance probability of the family,
    a fraction, true or observed by ``kind`` (the observed one is taken as measured with the same
    uncertainty). None leaves the risk out.

    Raises RiskInfeasible where no family has that probability; otherwise as planned_uncertainty.
    """
    budget = planned_uncertainty(
        spec, static_value, operating, static, method, pooled, barometric=barometric
    )
    U95 = _u95(budget)
    lower, upper = spec.limits(as_left=as_left)
    dof = budget.nu_eff if math.isinf(budget.nu_eff) else whole_dof(budget.nu_eff)
    zone = acceptance(
        lower, upper, U=budget.U, u=budget.u_c, rule=method.decision_rule, dof=dof, U95=U95
    )
    risk, basis = None, "no in-tolerance probability given"
    if reliability is not None:
        x = spec.set_point
        low, high, accept_low, accept_high = (
            None if limit is None else float(limit - x)
            for limit in (lower, upper, zone.lower, zone.upper)
        )
        sigma = sigma_from_reliability(reliability, low, high, kind=kind, u=budget.u_c)
        risk = global_risk(
            low, high, sigma_x=sigma, u=budget.u_c, accept_lower=accept_low,
            accept_upper=accept_high,
        )  # fmt: skip
        basis = f"{kind!s} in-tolerance probability {reliability:g}"
    return Outlook(
        budget, budget.U, tur(lower, upper, U95), tur_words(lower, upper, U95), zone, risk, basis
    )
