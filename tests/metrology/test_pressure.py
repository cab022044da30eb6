"""Head corrections, densities and gauge targets against published and recomputed figures."""

from __future__ import annotations

import math
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from calfleet.errors import BadQuantity
from calfleet.metrology.direction import Direction
from calfleet.metrology.pressure import (
    STANDARD_GRAVITY,
    Head,
    air_density,
    differential,
    exercise_path,
    gas_density,
    gauge_targets,
    head_pressure,
    local_gravity,
    water_density,
)
from calfleet.metrology.switch import SetPointSpec, Tolerance, ToleranceBasis
from calfleet.metrology.units import UNITS, Dimension, PressureMode, convert

# --- gravity and densities --------------------------------------------------------------


@pytest.mark.parametrize(
    ("latitude", "height", "g"),
    [
        (0, 0, 9.7803270),
        (45, 0, 9.8061999),
        (90, 0, 9.8321862),
        (45, 500, 9.8046569),
        (40, 1600, 9.7967614),
        (52, 50, 9.8123218),
        (33.75, 300, 9.7953596),
    ],
)
def test_gravity_of_the_1980_form(latitude, height, g):
    # coefficients of the 1980 international formula; values independently recomputed
    assert local_gravity(latitude, height) == pytest.approx(g, abs=5.1e-8)


@pytest.mark.parametrize(
    ("latitude", "g"),
    [(0, 9.7803267715), (30, 9.7932487036), (45, 9.8061992025), (90, 9.8321863685)],
)
def test_gravity_is_near_the_ellipsoid(latitude, g):
    # GRS80 normal gravity, independently recomputed two ways
    assert local_gravity(latitude) == pytest.approx(g, rel=2e-7)


@pytest.mark.parametrize(
    ("t", "rho"),
    [(0, 999.84283), (15.5556, 999.01699), (20, 998.20675), (25, 997.04702), (40, 992.21521)],
)
def test_water_density(t, rho):
    # M. Tanaka et al. 2001: 998.2067 at 20 degC, 997.0470 at 25 degC; digits recomputed
    assert water_density(t) == pytest.approx(rho, abs=6e-6)


@pytest.mark.parametrize(("t", "rho"), [(10, 999.70247), (20, 998.20715)])
def test_water_density_against_iapws(t, rho):
    # IAPWS-95 at 101.325 kPa (10 degC: NIST WebBook; 20 degC recomputed)
    assert water_density(t) == pytest.approx(rho, rel=1e-6)


@pytest.mark.parametrize(
    ("t", "p", "h", "rho", "within"),
    [
        (10, 730 * 133.322387415, 0.4, 1.1957, 1e-4),  # CIPM-2007 published example
        (40, 760 * 133.322387415, 0.4, 1.1150, 1e-4),  # CIPM-2007 published example
        (20, 101325, 0.5, 1.199314, 2e-5),  # recomputed
        (20, 101325, 0.0, 1.204557, 2e-5),  # recomputed
        (23, 101325, 0.5, 1.186084, 2e-5),  # recomputed
        (15, 101325, 0.0, 1.225521, 2e-5),  # recomputed
    ],
)
def test_air_density(t, p, h, rho, within):
    assert air_density(t, p, h) == pytest.approx(rho, abs=within)


def test_densities_refuse_what_they_do_not_cover():
    with pytest.raises(BadQuantity):
        water_density(60)
    with pytest.raises(BadQuantity):
        air_density(20, 1013.25)  # hectopascal typed for pascal
    with pytest.raises(BadQuantity):
        air_density(20, 101325, 50)  # per cent typed for a fraction
    with pytest.raises(BadQuantity):
        gas_density(0, 20, 0.028)
    with pytest.raises(BadQuantity):
        local_gravity(91)


# --- head -------------------------------------------------------------------------------


def test_liquid_head_with_and_without_buoyancy():
    # water at 20 degC, 1 m, standard gravity, air 1.1993 kg/m3; independently recomputed
    rho = water_density(20)
    assert float(head_pressure(1, rho, Fraction("1.1993"))) == pytest.approx(9777.303, abs=1e-3)
    assert float(head_pressure(1, rho)) == pytest.approx(9789.064, abs=1e-3)


@pytest.mark.parametrize(
    ("rho", "unit", "expected"),
    [("998.2", "kPa", 2.447), ("860", "kPa", 2.108), ("860", "psi", 0.3058)],
)
def test_head_of_a_quarter_metre(rho, unit, expected):
    # 0.25 m of water and of oil; recomputed (EURAMET cg-17 asks for equal levels or a correction)
    digits = len(str(expected).split(".")[1])
    head = Head(Fraction("0.25"), Fraction(rho))
    assert round(float(head.pressure(unit)), digits) == expected


def test_gas_head_needs_the_absolute_pressure():
    # N2 at 20 degC, ideal, 28.0134 g/mol: 11.2710 Pa/m at 100 kPa absolute, 33.813 Pa for 0.3 m at
    # 1 MPa absolute; independently recomputed
    low = head_pressure(1, gas_density(100e3, 20, 0.0280134))
    assert float(low) == pytest.approx(11.2710, abs=5e-5)
    high = head_pressure(Fraction("0.3"), gas_density(1e6, 20, 0.0280134))
    assert float(high) == pytest.approx(33.813, abs=5e-4)
    # one bar of gauge pressure is about two bar absolute: leaving the air out halves the density
    assert gas_density(100e3 + 101325, 20, 0.0280134) > 2 * gas_density(100e3, 20, 0.0280134)


def test_inch_of_water_from_its_density():
    # 999.01708 kg/m3 (60 degF): 248.8441 Pa, NIST SP 811 prints 248.84
    inch = head_pressure(Fraction("0.0254"), Fraction("999.01708"))
    assert float(inch) == pytest.approx(248.8441, abs=5e-5)
    assert float(inch) == pytest.approx(float(UNITS["inH2O_60F"].factor), abs=0.005)


def test_gauge_above_the_switch_reads_less_than_the_switch_sees():
    # common practice, no source
    head = Head(Fraction(1), Fraction(1000))
    assert differential(100, 0, head.pressure("kPa")) > 100
    assert differential(100, 0, Head(Fraction(-1), Fraction(1000)).pressure("kPa")) < 100


def test_head_half_widths():
    head = Head(2, 1000, height_half_width_m=0.01, density_half_width=5)
    height, density = head.half_widths("Pa")
    g = float(STANDARD_GRAVITY)
    assert height == pytest.approx(1000 * g * 0.01)
    assert density == pytest.approx(2 * g * 5)
    with pytest.raises(BadQuantity):
        Head(1, 1000, height_half_width_m=-1)
    with pytest.raises(BadQuantity):
        head_pressure(1, -1)


# --- targets ----------------------------------------------------------------------------


def spec(direction=Direction.RISING, unit="kPa", low=0, high=100, x=60, **more):
    return SetPointSpec(x, direction, unit, low, high, Tolerance(2, 3), **more)


def test_target_is_static_plus_set_point():
    # common practice, no source
    targets = gauge_targets(spec(), 500, "kPa", Fraction("0.1"))
    assert targets.set_point == 560
    assert (targets.lower, targets.upper) == (558, 563)
    assert targets.static == 500


def test_full_range_on_the_gauge_is_static_plus_range():
    # common practice, no source
    targets = gauge_targets(spec(), 500, "kPa", Fraction("0.1"))
    assert (targets.exercise_bottom, targets.exercise_top) == (500, 600)


def test_exercise_goes_three_times_over_the_full_range():
    # common practice, no source; TB 9-6660-270-50 exercises gauges 3 times over the full range
    path = exercise_path(gauge_targets(spec(), 500, "kPa", Fraction("0.1")))
    assert path == (500, 600, 500, 600, 500, 600, 500)
    falling = exercise_path(gauge_targets(spec(Direction.FALLING), 500, "kPa", 1), 1)
    assert falling == (600, 500, 600)
    with pytest.raises(BadQuantity):
        exercise_path(gauge_targets(spec(), None, "kPa", 1), -1)


def test_rising_starts_at_the_bottom_falling_at_the_top():
    # common practice, no source; MIL-DTL-12211G 4.7.3 starts beyond the limit on the far side
    assert gauge_targets(spec(), 500, "kPa", 1).start == 500
    assert gauge_targets(spec(Direction.FALLING), 500, "kPa", 1).start == 600


def test_reset_lies_on_the_far_side_of_the_dead_band():
    bands = {"dead_band_min": 4, "dead_band_max": 10}
    rising = gauge_targets(spec(**bands), 500, "kPa", 1)
    assert (rising.reset_low, rising.reset_high) == (550, 556)
    falling = gauge_targets(spec(Direction.FALLING, **bands), 500, "kPa", 1)
    assert (falling.reset_low, falling.reset_high) == (564, 570)
    assert gauge_targets(spec(), 500, "kPa", 1).reset_low is None


def test_targets_in_the_gauges_own_unit_and_resolution():
    # 20 psi in kPa: 137.895..., TM 10-4320-342-24 limits 18 and 22 psi: 124.106, 151.684
    own = SetPointSpec(20, Direction.RISING, "psi", 0, 30, Tolerance(2, 2))
    targets = gauge_targets(own, None, "kPa", Fraction("0.5"))
    assert targets.set_point == 138
    assert float(targets.set_point_exact) == pytest.approx(137.895146, abs=1e-6)
    # rounded inwards: a reading on a shown limit is inside the tolerance
    assert (targets.lower, targets.upper) == (Fraction("124.5"), Fraction("151.5"))
    assert (targets.exercise_bottom, targets.exercise_top) == (0, Fraction("206.5"))


def test_static_may_come_in_another_unit():
    assert gauge_targets(spec(), 5, "kPa", 1, static_unit="bar").set_point == 560


def test_head_lowers_the_target():
    # gauge above the switch: the switch sees more than the gauge shows
    assert gauge_targets(spec(), None, "kPa", Fraction("0.1"), head=Fraction("2.4")).set_point == (
        Fraction("57.6")
    )


def test_vacuum_range_below_zero_is_exercised_downwards():
    own = SetPointSpec(-40, Direction.FALLING, "kPa", -100, 0, Tolerance(2, 2))
    targets = gauge_targets(own, None, "kPa", 1)
    assert (targets.exercise_bottom, targets.exercise_top, targets.start) == (-100, 0, 0)


def test_temperature_targets_convert_as_points():
    own = SetPointSpec(100, Direction.RISING, "degC", 40, 120, Tolerance(2, None))
    targets = gauge_targets(own, None, "degF", 1)
    assert targets.set_point == 212
    assert targets.upper is None
    assert targets.lower == 209  # 98 degC = 208.4 degF
    assert (targets.exercise_bottom, targets.exercise_top) == (104, 248)
    with pytest.raises(BadQuantity):
        gauge_targets(own, 5, "degF", 1)


def test_targets_refuse_a_resolution_of_zero_and_another_kind_of_unit():
    with pytest.raises(BadQuantity):
        gauge_targets(spec(), None, "kPa", 0)
    with pytest.raises(BadQuantity):
        gauge_targets(spec(), None, "degC", 1)


pressure_units = st.sampled_from(
    sorted(code for code, unit in UNITS.items() if unit.dimension is Dimension.PRESSURE)
)
places = st.decimals(0, 100, places=2).map(Fraction)


@given(places, pressure_units, places.filter(bool), st.sampled_from(list(Direction)))
def test_a_reading_on_a_shown_limit_is_inside_the_tolerance(x, unit, resolution, direction):
    own = SetPointSpec(x, direction, "kPa", 0, 100, Tolerance(1, 1, ToleranceBasis.SPAN))
    targets = gauge_targets(own, None, unit, resolution)
    low, high = own.limits()
    for shown in (targets.lower, targets.upper):
        assert shown is not None
        assert shown % resolution == 0
    assert targets.lower is not None
    assert targets.upper is not None
    assert convert(targets.lower, unit, "kPa") >= low
    assert convert(targets.upper, unit, "kPa") <= high
    assert abs(targets.set_point - targets.set_point_exact) <= resolution / 2
    assert math.isclose(float(convert(targets.set_point_exact, unit, "kPa")), float(x))


# --- targets on a gauge that counts from elsewhere --------------------------------------


def test_targets_for_an_absolute_switch_on_a_gauge_pressure_gauge() -> None:
    """150 kPa absolute in air of 98.0 kPa is 52.0 kPa on the gauge (recomputed: 150 - 98)."""
    spec = SetPointSpec(
        150, Direction.RISING, "kPa", 120, 700, Tolerance(2, 2), mode=PressureMode.ABSOLUTE
    )
    targets = gauge_targets(
        spec, None, "kPa", Fraction("0.1"), gauge_mode=PressureMode.GAUGE, barometric=98
    )
    assert (targets.set_point, targets.lower, targets.upper) == (52, 50, 54)
    assert (targets.exercise_bottom, targets.exercise_top) == (-98, 602)
    with pytest.raises(BadQuantity):
        gauge_targets(spec, None, "kPa", Fraction("0.1"), gauge_mode=PressureMode.GAUGE)


def test_targets_for_a_vacuum_switch_on_a_gauge_pressure_gauge() -> None:
    """A rising vacuum is a falling reading: limits change places, the approach begins on top."""
    spec = SetPointSpec(
        60, Direction.RISING, "kPa", 10, 90, Tolerance(3, 2), dead_band_max=8,
        mode=PressureMode.VACUUM,
    )  # fmt: skip
    targets = gauge_targets(spec, None, "kPa", Fraction("0.1"), gauge_mode=PressureMode.GAUGE)
    assert (targets.set_point, targets.lower, targets.upper) == (-60, -62, -57)
    assert (targets.reset_low, targets.reset_high) == (None, -52)
    assert (targets.exercise_bottom, targets.exercise_top) == (-90, 0)
    assert targets.start == 0


def test_a_head_moves_the_targets_of_both_the_same_way() -> None:
    """What the liquid adds need not be pumped, whatever the gauge counts from."""
    spec = SetPointSpec(
        150, Direction.RISING, "kPa", 120, 700, Tolerance(2, 2), mode=PressureMode.ABSOLUTE
    )
    plain, lower = (
        gauge_targets(
            spec, None, "kPa", None, gauge_mode=PressureMode.GAUGE, barometric=98, head=head
        )
        for head in (0, 10)
    )
    assert plain.set_point - lower.set_point == 10
