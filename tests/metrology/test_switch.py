"""Readings to set point, dead band, repeatability and sign, and what is implausible about them."""

from __future__ import annotations

from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from calfleet.errors import BadQuantity, ReadingRefused
from calfleet.metrology.direction import Direction
from calfleet.metrology.switch import (
    Cycle,
    Outcome,
    SetPointSpec,
    Severity,
    Tolerance,
    ToleranceBasis,
    dead_band,
    lateness,
    plausibility,
    set_point_found,
)
from calfleet.metrology.units import UNITS, Dimension, convert, convert_difference

F = Fraction
RISING, FALLING = Direction.RISING, Direction.FALLING


def spec(x=60, direction=RISING, unit="psi", low=10, high=100, tolerance=None, **more):
    tolerance = tolerance or Tolerance(F("1.5"), F("1.5"), ToleranceBasis.SPAN)
    return SetPointSpec(x, direction, unit, low, high, tolerance, **more)


def series(*pairs):
    return [
        Cycle(run, F(trip), None if reset is None else F(reset))
        for run, (trip, reset) in enumerate(pairs, start=1)
    ]


W1 = series(("60.4", "51.2"), ("60.6", "51.0"), ("60.5", "51.1"))

# --- tolerances -------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("basis", "figure", "half"),
    [
        (ToleranceBasis.ABSOLUTE, "1.5", "1.5"),
        (ToleranceBasis.SPAN, "1.5", "1.35"),  # W1: 1.5 % of 90 psi
        (ToleranceBasis.UPPER, "1.5", "1.5"),
        (ToleranceBasis.SET_POINT, "1.5", "0.9"),
    ],
)
def test_the_same_figure_on_four_bases(basis, figure, half):
    # range 10 to 100, set point 60; recomputed
    lower, upper = Tolerance(F(figure), F(figure), basis).limits(60, 10, 100)
    assert (lower, upper) == (60 - F(half), 60 + F(half))


@pytest.mark.parametrize(
    ("psi", "percent", "lower", "upper"),
    [(300, 1, 297, 303), (600, 2, 588, 612), (900, 2, 882, 918), (1500, 1, 1485, 1515)],
)
def test_per_cent_of_reading_table(psi, percent, lower, upper):
    # TM 10-4610-215-24 p. 3-104
    tolerance = Tolerance(percent, percent, ToleranceBasis.SET_POINT)
    assert tolerance.limits(psi, 0, 2000) == (lower, upper)


def test_published_acceptance_of_a_twenty_psi_switch():
    # TM 10-4320-342-24 para 2-33: 20 psi, accepted from 18 to 22 psi
    own = Tolerance(10, 10, ToleranceBasis.SET_POINT)
    assert own.limits(20, 0, 60) == (18, 22)


def test_asymmetric_and_one_sided():
    assert Tolerance(F("0.5"), 2).limits(20, 0, 60) == (F("19.5"), 22)
    assert Tolerance(None, 2).limits(20, 0, 60) == (None, 22)
    assert Tolerance(2, None).limits(20, 0, 60) == (18, None)


@pytest.mark.parametrize(("minus", "plus"), [(None, None), (-1, 1), (0, 0)])
def test_tolerance_refuses(minus, plus):
    with pytest.raises(BadQuantity):
        Tolerance(minus, plus)


@pytest.mark.parametrize(
    ("basis", "x", "low", "high"),
    [
        (ToleranceBasis.SET_POINT, 0, -10, 10),
        (ToleranceBasis.UPPER, -40, -100, 0),
        (ToleranceBasis.SPAN, 5, 10, 10),
    ],
)
def test_a_percentage_of_nothing_is_refused(basis, x, low, high):
    with pytest.raises(BadQuantity):
        Tolerance(1, 1, basis).limits(x, low, high)


def test_as_left_limits_fall_back_to_as_found():
    assert spec().limits(as_left=True) == spec().limits()
    tight = spec(as_left_tolerance=Tolerance(1, 1))
    assert tight.limits(as_left=True) == (59, 61)
    assert tight.limits() == (F("58.65"), F("61.35"))


# --- published and worked cases ---------------------------------------------------------


def test_case_w1_rising():
    # own worked example: range 10-100 psi, set 60.0, tolerance 1.5 % of span; recomputed
    found = set_point_found(W1, spec())
    assert found.first_trip == F("60.4")
    assert found.mean_trip == F("60.5")
    assert found.error == F("0.5")
    assert round(float(found.error / 90 * 100), 4) == 0.5556
    assert found.repeatability == F("0.2")
    assert round(float(found.repeatability / 90 * 100), 4) == 0.2222
    assert found.dead_band == F("9.4")
    assert round(float(found.dead_band / 90 * 100), 3) == 10.444
    assert found.late is True


def test_case_w2_falling_is_late_below():
    # own worked example: set 20.0, trip 19.4, reset 23.0
    found = set_point_found(series(("19.4", "23.0")), spec(20, FALLING, low=0))
    assert found.error == F("-0.6")
    assert found.late is True
    assert found.dead_band == F("3.6")
    assert found.repeatability is None
    assert found.sample is not None
    assert found.sample.s is None


@pytest.mark.parametrize(("cut_in", "cut_out", "band"), [(140, 175, 35), (165, 190, 25)])
def test_published_differentials(cut_in, cut_out, band):
    # TM 5-4310-350-14 para 5-10 and TM 5-4310-356-14 para 5-9
    assert dead_band(cut_out, cut_in, RISING) == band
    assert dead_band(cut_in, cut_out, FALLING) == band


def test_low_pressure_switch_is_taken_on_falling_pressure():
    # TM 10-4610-215-24 Table 3-1: 10 psig = 0.7 kg/cm2 falling, 1250 psig = 88 kg/cm2 rising
    assert round(float(convert(10, "psi", "kgf/cm2")), 5) == 0.70307
    assert round(float(convert(1250, "psi", "kgf/cm2")), 4) == 87.8837
    own = SetPointSpec(10, FALLING, "psi", 0, 50, Tolerance(1, 1, ToleranceBasis.SET_POINT))
    assert set_point_found(series(("9.95", "14")), own).late is True


def test_dead_bands_are_per_cycle():
    # own computed set: rising 60.2 60.0 60.4, reset 50.1 50.3 49.9; s of the dead band is 0.4, not
    # sqrt(0.2^2 + 0.2^2) = 0.283, because trip and reset move against each other
    found = set_point_found(series(("60.2", "50.1"), ("60.0", "50.3"), ("60.4", "49.9")), spec())
    assert found.dead_bands == (F("10.1"), F("9.7"), F("10.5"))
    assert found.dead_band == F("10.1")
    assert (found.mean_trip, found.mean_reset) == (F("60.2"), F("50.1"))
    assert found.sample is not None
    assert found.sample.s == pytest.approx(0.2, rel=1e-12)


def test_dead_band_is_trip_less_reset_for_a_rising_set_point():
    # common practice, no source
    assert dead_band(60, 51, RISING) == 9


def test_repeatability_is_largest_minus_smallest_same_direction():
    # 43 CFR 3175.135: difference among the three ascending values
    found = set_point_found(series(("60.4", None), ("60.9", None), ("60.5", None)), spec())
    assert found.repeatability == F("0.5")
    assert found.dead_band is None


@pytest.mark.parametrize(
    ("error", "direction", "late"),
    [(1, RISING, True), (-1, RISING, False), (1, FALLING, False), (-1, FALLING, True),
     (0, RISING, None)],
)  # fmt: skip
def test_lateness(error, direction, late):
    # common practice, no source: late is above for rising, below for falling
    assert lateness(error, direction) is late


# --- failures ---------------------------------------------------------------------------


def test_runs_that_failed_give_no_number():
    runs = [
        Cycle(1, None, None, outcome=Outcome.NO_TRIP),
        Cycle(2, F(61), None, outcome=Outcome.NO_RESET),
        Cycle(3, F(99), F(1), outcome=Outcome.CHATTER),
        Cycle(4, F(60), F(51)),
    ]
    found = set_point_found(runs, spec())
    assert found.first_trip is None
    assert found.mean_trip == F("60.5")
    assert found.dead_bands == (None, None, None, F(9))
    assert found.failures == ((1, "no trip"), (2, "no reset"), (3, "chatter"))


def test_nothing_tripped():
    found = set_point_found([Cycle(1, None, outcome=Outcome.NO_TRIP)], spec())
    assert (found.mean_trip, found.error, found.late, found.sample) == (None, None, None, None)


def test_order_of_entry_does_not_matter():
    assert set_point_found(reversed(W1), spec()) == set_point_found(W1, spec())


@pytest.mark.parametrize("runs", [[], [Cycle(1, F(60)), Cycle(1, F(61))]])
def test_series_refuses(runs):
    with pytest.raises(BadQuantity):
        set_point_found(runs, spec())


@pytest.mark.parametrize(
    ("trip", "reset", "outcome"),
    [
        (None, None, Outcome.TRIPPED),
        (None, None, Outcome.NO_RESET),
        (60, None, Outcome.NO_TRIP),
        (60, 50, Outcome.NO_RESET),
    ],
)
def test_cycles_that_contradict_themselves(trip, reset, outcome):
    with pytest.raises(ReadingRefused):
        Cycle(1, trip, reset, outcome=outcome)


@pytest.mark.parametrize(("direction", "reset"), [(RISING, 61), (FALLING, 59)])
def test_reset_on_the_wrong_side_is_refused(direction, reset):
    with pytest.raises(ReadingRefused) as caught:
        set_point_found([Cycle(1, 60, reset)], spec(direction=direction))
    assert "swapped" in caught.value.next_step
    with pytest.raises(ReadingRefused):
        plausibility(spec(direction=direction), [Cycle(1, 60, reset)])


@pytest.mark.parametrize(
    "more",
    [
        {"low": 100, "high": 100},
        {"dead_band_min": 5, "dead_band_max": 4},
        {"dead_band_max": -1},
        {"repeatability_limit": -1},
    ],
)
def test_spec_refuses(more):
    with pytest.raises(BadQuantity):
        spec(**more)


# --- plausibility -----------------------------------------------------------------------


def codes(remarks):
    return [(remark.code, remark.severity) for remark in remarks]


def test_nothing_to_remark():
    own = spec(dead_band_min=5, dead_band_max=12)
    assert plausibility(own, W1, static=50, proof_pressure=200, gauge_low=0, gauge_high=160) == []


def test_static_plus_full_range_stays_below_proof_pressure_and_on_the_gauge():
    # common practice, no source
    on_the_edge = plausibility(spec(), static=100, proof_pressure=200, gauge_high=200)
    assert on_the_edge == []
    beyond = plausibility(spec(), static=101, proof_pressure=200, gauge_low=0, gauge_high=200)
    assert codes(beyond) == [
        ("proof pressure", Severity.STOP),
        ("gauge range", Severity.STOP),
    ]
    assert "201" in beyond[0].text


def test_units_of_static_and_gauge_are_converted():
    own = spec(60, unit="kPa", low=0, high=100)
    fits = plausibility(
        own, static=5, static_unit="bar", proof_pressure=6, gauge_high=6, gauge_unit="bar"
    )
    assert fits == []
    too_high = plausibility(own, static=F("5.01"), static_unit="bar", proof_pressure=6)
    assert codes(too_high) == [("proof pressure", Severity.STOP)]


def test_differential_gauge_need_not_stand_on_static():
    own = spec(60, unit="kPa", low=0, high=100)
    assert plausibility(own, static=500, gauge_high=100, gauge_sees_static=False) == []
    assert codes(plausibility(own, static=500, gauge_high=100)) == [("gauge range", Severity.STOP)]


def test_gauge_that_starts_too_high():
    own = spec(60, unit="kPa", low=0, high=100)
    assert codes(plausibility(own, gauge_low=10, gauge_high=200)) == [
        ("gauge range", Severity.STOP)
    ]


@pytest.mark.parametrize(
    ("x", "expected"),
    [
        (14, [("set point near end of range", Severity.WARNING)]),
        (F("14.5"), []),
        (98, [("set point near end of range", Severity.WARNING)]),
        (101, [("set point outside range", Severity.STOP)]),
    ],
)
def test_set_point_against_its_range(x, expected):
    assert codes(plausibility(spec(x))) == expected


def test_dead_band_must_be_feasible():
    # a rising set point of 20 with at least 25 of dead band would have to reset below nothing
    never = plausibility(spec(20, dead_band_min=25, dead_band_max=30))
    assert codes(never) == [("dead band not feasible", Severity.STOP)]
    outside = plausibility(spec(20, dead_band_min=2, dead_band_max=12))
    assert codes(outside) == [("reset outside range", Severity.WARNING)]
    falling = plausibility(spec(90, FALLING, dead_band_min=12))
    assert codes(falling) == [("dead band not feasible", Severity.STOP)]
    assert plausibility(spec(60, FALLING, dead_band_min=5, dead_band_max=12)) == []


def test_dead_band_outside_its_limits_is_remarked_on():
    own = spec(dead_band_min=5, dead_band_max=9)
    remarks = plausibility(own, W1)
    assert [remark.code for remark in remarks] == ["dead band outside limits"] * 3
    assert "9.2" in remarks[0].text
    assert codes(plausibility(own, [Cycle(1, 60, 60)])) == [
        ("dead band outside limits", Severity.WARNING)
    ]
    assert codes(plausibility(spec(), [Cycle(1, 60, 60)])) == [("no dead band", Severity.WARNING)]


def test_trip_outside_the_range_is_remarked_on():
    assert codes(plausibility(spec(), [Cycle(1, 160, 150)])) == [
        ("trip outside range", Severity.WARNING)
    ]


# --- properties -------------------------------------------------------------------------

readings = st.lists(
    st.tuples(st.decimals(20, 90, places=2).map(F), st.decimals(0, 10, places=2).map(F)),
    min_size=1,
    max_size=6,
)
pressure_units = st.sampled_from(
    sorted(code for code, unit in UNITS.items() if unit.dimension is Dimension.PRESSURE)
)


@given(readings, st.decimals(20, 90, places=1).map(F))
def test_swapping_rising_and_falling_mirrors_late_and_early(pairs, x):
    rising = [Cycle(run, trip, trip - band) for run, (trip, band) in enumerate(pairs, 1)]
    falling = [Cycle(run, -trip, band - trip) for run, (trip, band) in enumerate(pairs, 1)]
    up = set_point_found(rising, spec(x))
    down = set_point_found(falling, spec(-x, FALLING, low=-100, high=-10))
    assert up.late is down.late  # mirrored pressures, mirrored direction: the same side
    same_pressures = [Cycle(run, trip, trip + band) for run, (trip, band) in enumerate(pairs, 1)]
    other = set_point_found(same_pressures, spec(x, FALLING))
    assert (up.late is None) is (other.late is None)
    if up.late is not None:
        assert other.late is (not up.late)
    assert up.error == other.error
    assert up.dead_bands == other.dead_bands
    assert up.repeatability == other.repeatability == down.repeatability


@given(readings, pressure_units)
def test_figures_do_not_depend_on_the_unit(pairs, unit):
    own = spec(60, unit="kPa")
    runs = [Cycle(run, trip, trip - band) for run, (trip, band) in enumerate(pairs, 1)]
    here = set_point_found(runs, own)
    other = SetPointSpec(
        convert(60, "kPa", unit), RISING, unit, convert(10, "kPa", unit),
        convert(100, "kPa", unit), Tolerance(F("1.5"), F("1.5"), ToleranceBasis.SPAN),
    )  # fmt: skip
    there = set_point_found(
        [
            Cycle(one.run, convert(one.trip, "kPa", unit), convert(one.reset, "kPa", unit))
            for one in runs
        ],
        other,
    )
    assert there.late is here.late
    assert convert(there.mean_trip, unit, "kPa") == here.mean_trip
    assert convert_difference(there.dead_band, unit, "kPa") == here.dead_band
    assert [convert(limit, unit, "kPa") for limit in other.limits()] == list(own.limits())
