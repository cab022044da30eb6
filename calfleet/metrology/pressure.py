"""Static and differential pressure, head of a liquid or gas, and what to read on the gauge.

Source for the set-up figures: common practice, no source (target = static + set point; the exercise
runs from static to static + full range). Densities and gravity carry their own sources.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from fractions import Fraction

from calfleet.errors import BadQuantity
from calfleet.metrology.direction import Direction
from calfleet.metrology.rounding import to_resolution
from calfleet.metrology.switch import SetPointSpec
from calfleet.metrology.units import (
    Dimension,
    Number,
    PressureMode,
    convert,
    convert_difference,
    convert_mode,
    exact,
    find_unit,
)

STANDARD_GRAVITY = Fraction("9.80665")
"""Standard acceleration of free fall in m/s2, exact (3rd CGPM, 1901)."""
GAS_CONSTANT = 8.31446261815324
"""Molar gas constant in J/(mol K), exact since 2019 (SI brochure, 9th edition)."""


# --- gravity and densities --------------------------------------------------------------


def local_gravity(latitude_deg: float, height_m: float = 0.0) -> float:
    """The acceleration of free fall in m/s2 from latitude and height, good to some 1e-4 of it.

    latitude_deg from -90 to 90, height_m above the sea, from -500 to 10,000.

    >>> round(local_gravity(52, 50), 7), round(local_gravity(0), 7)
    (9.8123218, 9.780327)

    Raises BadQuantity outside the domain.
    Source: 1980 form of the international gravity formula, 9.780327 (1 + 0.0053024 sin2 phi
    - 0.0000058 sin2 2phi) - 3.086e-6 h.
    """
    if not (-90 <= latitude_deg <= 90 and -500 <= height_m <= 10_000):
        raise BadQuantity(
            f"Latitude {latitude_deg} degrees, height {height_m} m.",
            rule="Latitude lies within -90 to 90 degrees, height within -500 to 10,000 m.",
            next_step="Check the site's position.",
        )
    phi = math.radians(latitude_deg)
    return (
        9.780327 * (1 + 0.0053024 * math.sin(phi) ** 2 - 0.0000058 * math.sin(2 * phi) ** 2)
        - 3.086e-6 * height_m
    )


def water_density(temperature_c: float) -> float:
    """The density of air-free pure water in kg/m3 at one atmosphere, 0 to 40 degC.

    >>> round(water_density(20), 4), round(water_density(25), 4)
    (998.2067, 997.047)

    Raises BadQuantity outside 0 to 40 degC, the range of the formula.
    Source: M. Tanaka et al., Metrologia 38 (2001) 301-309.
    """
    if not 0 <= temperature_c <= 40:
        raise BadQuantity(
            f"The density of water at {temperature_c} degC is not covered.",
            rule="The formula holds from 0 to 40 degC.",
            next_step="Enter the density of the liquid itself.",
        )
    t = temperature_c
    return 999.974950 * (1 - (t - 3.983035) ** 2 * (t + 301.797) / (522528.9 * (t + 69.34881)))


def air_density(
    temperature_c: float, pressure_pa: float = 101325.0, humidity: float = 0.5
) -> float:
    """The density of moist air in kg/m3 (CO2 400 ppm).

    pressure_pa absolute, 10 kPa to 200 kPa; temperature_c -10 to 60; humidity a fraction from 0
    to 1. Outside 60 to 110 kPa and 15 to 27 degC the formula is an extension of its proven range,
    far better still than a head correction needs.

    >>> round(air_density(20, 101325, 0.5), 4), round(air_density(20, 101325, 0), 4)
    (1.1993, 1.2046)

    Raises BadQuantity outside these domains.
    Source: A. Picard et al., CIPM-2007, Metrologia 45 (2008) 149-155.
    """
    if not (-10 <= temperature_c <= 60 and 10_000 <= pressure_pa <= 200_000 and 0 <= humidity <= 1):
        raise BadQuantity(
            f"Air at {temperature_c} degC, {pressure_pa} Pa and humidity {humidity}.",
            rule="Temperature -10 to 60 degC, absolute pressure 10 to 200 kPa, humidity 0 to 1.",
            next_step="Give the absolute pressure in pascal and the humidity as a fraction.",
        )
    t, T, p = temperature_c, temperature_c + 273.15, pressure_pa
    saturation = math.exp(1.2378847e-5 * T * T - 1.9121316e-2 * T + 33.93711047 - 6.3431645e3 / T)
    enhancement = 1.00062 + 3.14e-8 * p + 5.6e-7 * t * t
    x = humidity * enhancement * saturation / p
    Z = (
        1
        - p
        / T
        * (
            1.58123e-6
            - 2.9331e-8 * t
            + 1.1043e-10 * t * t
            + (5.707e-6 - 2.051e-8 * t) * x
            + (1.9898e-4 - 2.376e-6 * t) * x * x
        )
        + (p / T) ** 2 * (1.83e-11 - 0.765e-8 * x * x)
    )
    # 3.483740e-3 is M_a / R with the R of the CIPM-2007 paper and 400 ppm of CO2.
    return 3.483740e-3 * p / (Z * T) * (1 - 0.3780 * x)


def gas_density(
    absolute_pressure_pa: float, temperature_c: float, molar_mass_kg_mol: float
) -> float:
    """The density of an ideal gas in kg/m3, from its absolute pressure.

    absolute_pressure_pa above zero (a gauge pressure would leave out the air: at 1 bar that is
    half), temperature above absolute zero, molar mass above zero (N2: 0.0280134 kg/mol).

    >>> N2 = gas_density(100_000, 20, 0.0280134)
    >>> round(float(head_pressure(1, N2, gravity=STANDARD_GRAVITY)), 4)
    11.271

    Raises BadQuantity outside the domains.
    Source: ideal gas law, rho = p M / (R T).
    """
    T = temperature_c + 273.15
    good = absolute_pressure_pa > 0 and T > 0 and molar_mass_kg_mol > 0
    if not (good and math.isfinite(absolute_pressure_pa * T * molar_mass_kg_mol)):
        raise BadQuantity(
            f"A gas at {absolute_pressure_pa} Pa, {temperature_c} degC, "
            f"{molar_mass_kg_mol} kg/mol.",
            rule="Absolute pressure, absolute temperature and molar mass are above zero.",
            next_step="Give the absolute pressure (gauge pressure plus barometric pressure).",
        )
    return absolute_pressure_pa * molar_mass_kg_mol / (GAS_CONSTANT * T)


def head_pressure(
    height_m: Number,
    fluid_density: Number,
    air_density: Number = 0,
    *,
    gravity: Number = STANDARD_GRAVITY,
) -> Fraction:
    """What the switch sees more than the gauge, in pascal, exact: (rho_fluid - rho_air) g h.

    height_m: how far the gauge's reference level lies above the switch's; below is negative.
    fluid_density: of what fills the line between them, air_density: of the air around it, both in
    kg/m3 (0: buoyancy left out). gravity in m/s2, above zero.

    >>> float(head_pressure(1, Fraction("998.2067"), Fraction("1.1993")))  # water at 20 degC
    9777.30...

    Raises BadQuantity: negative density, gravity not above zero, nan.
    Source: hydrostatics with air buoyancy; EURAMET cg-17 asks for equal levels or a correction.
    """
    rho, air, g = exact(fluid_density), exact(air_density), exact(gravity)
    if rho < 0 or air < 0 or g <= 0:
        raise BadQuantity(
            f"A head of density {float(rho):g} kg/m3, air {float(air):g} kg/m3, "
            f"gravity {float(g):g} m/s2.",
            rule="Densities are at least zero, gravity above zero.",
            next_step="Check the densities and the gravity.",
        )
    return (rho - air) * g * exact(height_m)


@dataclass(frozen=True, slots=True)
class Head:
    """A height difference between gauge and switch, with how well it is known.

    height_m: gauge level above switch level, negative below. Densities in kg/m3, gravity in m/s2.
    The half-widths are those of rectangular distributions.

    Raises BadQuantity for a negative half-width.
    """

    height_m: Fraction
    fluid_density: Fraction
    air_density: Fraction = Fraction(0)
    gravity: Fraction = STANDARD_GRAVITY
    height_half_width_m: float = 0.0
    density_half_width: float = 0.0

    def __post_init__(self) -> None:
        for name in ("height_m", "fluid_density", "air_density", "gravity"):
            object.__setattr__(self, name, exact(getattr(self, name)))
        if not (self.height_half_width_m >= 0 and self.density_half_width >= 0):
            raise BadQuantity(
                "A negative half-width of height or density.",
                rule="A half-width is at least zero.",
                next_step="Give how far the true value may lie to either side.",
            )

    def pressure(self, unit: str) -> Fraction:
        """What the switch sees more than the gauge, in ``unit``, exact."""
        pascal = head_pressure(
            self.height_m, self.fluid_density, self.air_density, gravity=self.gravity
        )
        return convert_difference(pascal, "Pa", unit)

    def half_widths(self, unit: str) -> tuple[float, float]:
        """Half-widths of the head in ``unit`` from the height and from the density."""
        per_pascal = float(convert_difference(1, "Pa", unit))
        g = float(self.gravity)
        rho = float(self.fluid_density - self.air_density)
        return (
            abs(rho) * g * self.height_half_width_m * per_pascal,
            abs(float(self.height_m)) * g * self.density_half_width * per_pascal,
        )


def differential(p: Number, s: Number = 0, head: Number = 0) -> Fraction:
    """The differential pressure at the switch: operating less static reading plus head, exact.

    p, s: corrected readings, head: what the switch sees more, all in one unit. s = 0 is a pressure
    switch, or a low side open to the air, or a gauge that reads the difference itself.

    >>> differential(Fraction("172.4"), Fraction(150))
    Fraction(112, 5)

    Source: common practice, no source (one gauge, locked low side).
    """
    seen = exact(p)
    if s:
        seen -= exact(s)
    return seen + exact(head) if head else seen


# --- what to read on the gauge ----------------------------------------------------------


@dataclass(frozen=True, slots=True)
class GaugeTargets:
    """What the operating gauge should read, in its ``unit``, at its ``resolution`` (None: exact).

    start: where the approach to the trip begins. static, set_point: nearest place that can be
    read. Limits are rounded inwards, so that a reading on a limit shown here is inside; None where
    open. exercise_bottom/top: rounded inwards too, so that the exercise never leaves the range.
    set_point_exact: before rounding.
    """

    unit: str
    resolution: Fraction | None
    direction: Direction
    static: Fraction
    start: Fraction
    set_point: Fraction
    set_point_exact: Fraction
    lower: Fraction | None
    upper: Fraction | None
    as_left_lower: Fraction | None
    as_left_upper: Fraction | None
    reset_low: Fraction | None
    reset_high: Fraction | None
    exercise_bottom: Fraction
    exercise_top: Fraction


def _up(value: Fraction, step: Fraction | None) -> Fraction:
    return value if step is None else math.ceil(value / step) * step


def _down(value: Fraction, step: Fraction | None) -> Fraction:
    return value if step is None else math.floor(value / step) * step


def gauge_targets(
    spec: SetPointSpec,
    static: Number | None,
    gauge_unit: str,
    gauge_resolution: Number | None,
    *,
    static_unit: str | None = None,
    head: Number = 0,
    gauge_mode: PressureMode | None = None,
    barometric: Number | None = None,
) -> GaugeTargets:
    """The gauge readings for the start, the set point, its limits, the reset and the exercise.

    spec: in the switch's unit. static: reading of the low side, in static_unit (default: the
    gauge's unit), None or 0 without static pressure or on a differential gauge. gauge_resolution:
    smallest step that can be read, in the gauge's unit, None for exact figures. head: what the
    switch sees more than the gauge, in the switch's unit (it lowers every target). gauge_mode: what
    the gauge counts from, None for the same as the switch (or a thermometer); barometric: in the
    switch's unit, needed where just one of the two is absolute.

    A rising set point is approached from the bottom, a falling one from the top.

    >>> from calfleet.metrology.switch import Tolerance
    >>> spec = SetPointSpec(60, Direction.RISING, "kPa", 0, 100, Tolerance(2, 2))
    >>> targets = gauge_targets(spec, 500, "kPa", Fraction("0.1"))
    >>> [int(x) for x in (targets.set_point, targets.exercise_bottom, targets.exercise_top)]
    [560, 500, 600]

    Raises BadQuantity: resolution not above zero, units of different kinds, a static value for a
    temperature, no barometric pressure where it is needed.
    Source: common practice, no source: target = static + set point, top = static + full range.
    """
    gauge, own = find_unit(gauge_unit), find_unit(spec.unit)
    step = None if gauge_resolution is None else exact(gauge_resolution)
    if step is not None:
        to_resolution(0, step)  # refuses a step that is not above zero
    base = Fraction(0)
    if static is not None and exact(static) != 0:
        if own.dimension is Dimension.TEMPERATURE:
            raise BadQuantity(
                "A static value for a temperature switch.",
                rule="Only pressure switches have a static pressure.",
                next_step="Leave the static value out.",
            )
        base = convert_difference(static, static_unit or gauge.code, gauge)
    rise = exact(head)
    other = _other_mode(spec, gauge_mode)
    # a vacuum counts downwards: on a gauge that counts upwards the upper limit is the lower one
    flips = other is not None and (other is PressureMode.VACUUM) is not (
        spec.mode is PressureMode.VACUUM
    )

    def reading(x: Fraction) -> Fraction:
        if other is None or spec.mode is None:
            return base + convert(x - rise, own, gauge)
        seen = convert_mode(x, own, spec.mode, other, barometric)
        return base + convert(seen + rise if flips else seen - rise, own, gauge)

    def inward(
        limits: tuple[Fraction | None, Fraction | None],
    ) -> tuple[Fraction | None, Fraction | None]:
        low, high = reversed(limits) if flips else limits
        return (
            None if low is None else _up(reading(low), step),
            None if high is None else _down(reading(high), step),
        )

    lower, upper = inward(spec.limits())
    as_left_lower, as_left_upper = inward(spec.limits(as_left=True))
    reset_low, reset_high = inward(spec.reset_limits())
    ends = sorted((reading(spec.bottom), reading(spec.top)))
    bottom, top = _up(ends[0], step), _down(ends[1], step)
    target = reading(spec.set_point)
    return GaugeTargets(
        unit=gauge.code,
        resolution=step,
        direction=spec.direction,
        static=base if step is None else to_resolution(base, step),
        start=bottom if (spec.direction is Direction.RISING) is not flips else top,
        set_point=target if step is None else to_resolution(target, step),
        set_point_exact=target,
        lower=lower,
        upper=upper,
        as_left_lower=as_left_lower,
        as_left_upper=as_left_upper,
        reset_low=reset_low,
        reset_high=reset_high,
        exercise_bottom=bottom,
        exercise_top=top,
    )


def _other_mode(spec: SetPointSpec, gauge_mode: PressureMode | None) -> PressureMode | None:
    """The mode of a gauge that counts from elsewhere than the switch; else ``None``.

    A difference read as two pressures needs no common zero, so it counts as the same.
    """
    if gauge_mode is None or spec.mode in (None, gauge_mode, PressureMode.DIFFERENTIAL):
        return None
    return gauge_mode


EXERCISE_CYCLES = 3
"""How often a switch is exercised before adjustment (common practice, no source)."""


def exercise_path(targets: GaugeTargets, cycles: int = EXERCISE_CYCLES) -> tuple[Fraction, ...]:
    """The gauge readings to go through for the exercise: from the start to the far end and back.

    In the gauge's unit; ends where the approach to the trip begins. cycles: at least zero (then
    the start alone). Never before the as-found trip: a stuck switch would free itself.

    Raises BadQuantity for a negative number of cycles.
    Source: common practice, no source.
    """
    if cycles < 0:
        raise BadQuantity(
            f"{cycles} exercise cycles.",
            rule="A switch is exercised a whole number of times, at least zero.",
            next_step="Correct the procedure.",
        )
    bottom, top = targets.exercise_bottom, targets.exercise_top
    far = top if targets.start == bottom else bottom
    return (targets.start, *((far, targets.start) * cycles))
