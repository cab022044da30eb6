"""Records turned into what the evaluation takes: set point, gauge on its day, method."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date
from decimal import Decimal
from fractions import Fraction

from calfleet.metrology.certificate import CertificateCurve
from calfleet.metrology.conformity import DecisionRule, Rule
from calfleet.metrology.evaluation import AccuracyBasis, GaugeSpec, GaugeUse, Method
from calfleet.metrology.pressure import Head, air_density
from calfleet.metrology.switch import SetPointSpec, Tolerance, ToleranceBasis
from calfleet.metrology.units import PressureMode, convert
from calfleet.records import (
    BenchRecord,
    Certificate,
    Gauge,
    ProcedureRevision,
    Quantity,
    SetPoint,
    Switch,
)
from calfleet.traceability.curves import certificate_curve

DAYS_PER_YEAR = 365.25

_MODE_OF = {
    Quantity.PRESSURE: PressureMode.GAUGE,
    Quantity.DIFFERENTIAL: PressureMode.DIFFERENTIAL,
    Quantity.VACUUM: PressureMode.VACUUM,
    Quantity.ABSOLUTE: PressureMode.ABSOLUTE,
    Quantity.TEMPERATURE: None,
}


def set_point_spec(switch: Switch, point: SetPoint) -> SetPointSpec:
    """What is required of ``point``, in the switch's unit.

    Raises: BadQuantity for a data sheet that contradicts itself.
    """
    basis = ToleranceBasis(point.tolerance_basis)
    as_left = None
    if point.as_left_minus is not None or point.as_left_plus is not None:
        as_left = Tolerance(_exact(point.as_left_minus), _exact(point.as_left_plus), basis)
    return SetPointSpec(
        set_point=Fraction(point.value),
        direction=point.direction,
        unit=switch.unit,
        range_low=Fraction(switch.range_low),
        range_high=Fraction(switch.range_high),
        tolerance=Tolerance(_exact(point.tolerance_minus), _exact(point.tolerance_plus), basis),
        as_left_tolerance=as_left,
        dead_band_min=_exact(point.dead_band_min),
        dead_band_max=_exact(point.dead_band_max),
        repeatability_limit=_exact(point.repeatability_limit),
        mode=_MODE_OF[switch.quantity],
    )


def gauge_spec(gauge: Gauge) -> GaugeSpec:
    """The gauge's data sheet as the evaluation takes it."""
    return GaugeSpec(
        unit=gauge.unit,
        range_low=Fraction(gauge.range_low),
        range_high=Fraction(gauge.range_high),
        resolution=Fraction(gauge.resolution),
        readable_fraction=Fraction(gauge.readable_fraction),
        accuracy=Fraction(gauge.accuracy),
        accuracy_basis=AccuracyBasis(gauge.accuracy_basis),
        drift_per_year=Fraction(gauge.drift_per_year),
        temperature_coefficient=Fraction(gauge.temperature_coefficient),
        reference_temperature_c=Fraction(gauge.reference_temperature_c),
        use_corrections=gauge.use_corrections,
        same_gauge_correlation=float(gauge.same_gauge_correlation),
        mode=gauge.mode,
    )


def gauge_use(
    gauge: Gauge,
    certificate: Certificate,
    on: date,
    temperature_c: float | None,
    curve: CertificateCurve | None = None,
    spec: GaugeSpec | None = None,
) -> GaugeUse:
    """The gauge as it stands on ``on`` with ``certificate``.

    ``curve`` and ``spec``, where at hand, save making them again.
    """
    return GaugeUse(
        spec=spec or gauge_spec(gauge),
        curve=curve or certificate_curve(certificate),
        years_since_calibration=(on - certificate.calibrated_on).days / DAYS_PER_YEAR,
        temperature_c=temperature_c,
    )


def decision_rule(procedure: ProcedureRevision) -> DecisionRule:
    """The procedure's decision rule with its numbers."""
    probability = procedure.conformance_probability
    return DecisionRule(
        rule=Rule(procedure.decision_rule),
        guard_factor=float(procedure.guard_factor),
        required_tur=float(procedure.required_tur),
        conformance_probability=None if probability is None else float(probability),
    )


def method(
    procedure: ProcedureRevision, switch: Switch, bench: BenchRecord | None = None
) -> Method:
    """The procedure as the evaluation takes it for ``switch``, with the head where one is told."""
    span = float(switch.range_high - switch.range_low)
    return Method(
        decision_rule=decision_rule(procedure),
        coverage_probability=float(procedure.coverage_probability),
        runs=procedure.as_found_runs,
        ramp_rate=float(procedure.ramp_limit_fraction_per_s) * span,
        gauge_lag_s=float(procedure.reading_lag_s),
        static_hold=float(procedure.static_hold_fraction) * span,
        head=None if bench is None else head_of(bench),
    )


def head_of(bench: BenchRecord) -> Head | None:
    """The height difference a bench record tells of, with the air of its room, or ``None``.

    Raises: BadQuantity for a density or a climate outside the domain.
    """
    if bench.head_height_m is None or bench.head_density_kg_m3 is None:
        return None
    pressure_pa = 101_325.0
    if bench.barometric is not None and bench.barometric_unit is not None:
        pressure_pa = float(convert(bench.barometric, bench.barometric_unit, "Pa"))
    air = air_density(float(bench.temperature_c), pressure_pa, float(bench.humidity))
    return Head(
        height_m=Fraction(bench.head_height_m),
        fluid_density=Fraction(bench.head_density_kg_m3),
        air_density=Fraction(f"{air:.6f}"),
        height_half_width_m=float(bench.head_height_half_width_m or 0),
    )


def pooled_for(
    switch: Switch, repeatability: Mapping[str, tuple[float, int]]
) -> tuple[float, float] | None:
    """The pooled standard deviation of a trip in the switch's unit with its dof, or ``None``.

    A family with fewer than ten degrees of freedom is not pooled: its own three runs say as much.
    Planning and recording take the same figures, so that they expect and reach the same ratio.
    """
    found = repeatability.get(switch.family)
    if found is None or found[1] < 10:
        return None
    relative, dof = found
    span = float(switch.range_high - switch.range_low)
    return relative * span, float(dof)


def _exact(value: Decimal | None) -> Fraction | None:
    return None if value is None else Fraction(value)
