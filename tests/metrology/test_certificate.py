"""Certificates as curves: published gauge tables, interpolation, refusals; straight lines."""

from __future__ import annotations

import json
import math
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from calfleet.errors import BadQuantity, ExtrapolationRefused, UnitAmbiguous
from calfleet.metrology.certificate import (
    CertificateCurve,
    CertificatePoint,
    fit_line,
)
from calfleet.metrology.direction import Direction
from calfleet.metrology.readings import summarize

RISING, FALLING = Direction.RISING, Direction.FALLING


def point(
    reference: str,
    indication: str,
    U: float = 0.02,
    k: float = 2,
    direction: Direction | None = None,
) -> CertificatePoint:
    return CertificatePoint(Fraction(reference), Fraction(indication), U, k, direction)


# Dial pressure gauge, 0 to 10 kPa, from a measurement textbook's calibration figure. Mark: table
# and fitted line seen (scan), the other figures recomputed.
UP = ["-1.12", "0.21", "1.18", "2.09", "3.33", "4.50", "5.26", "6.59", "7.73", "8.68", "9.80"]
DOWN = ["-0.69", "0.42", "1.65", "2.48", "3.62", "4.71", "5.87", "6.89", "7.92", "9.10", "10.20"]
DIAL = CertificateCurve(
    [point(str(kpa), text, 0.1, 2, RISING) for kpa, text in enumerate(UP)]
    + [point(str(kpa), text, 0.1, 2, FALLING) for kpa, text in enumerate(DOWN)],
    "kPa",
)


def test_dial_gauge_line() -> None:
    line = fit_line([*range(11), *range(11)], [Fraction(text) for text in UP + DOWN])
    assert (round(float(line.slope), 2), round(float(line.intercept), 2)) == (1.08, -0.85)
    assert (round(float(line.slope), 8), round(float(line.intercept), 8)) == (
        1.08231818,
        -0.84704545,
    )
    up = fit_line(list(range(11)), [Fraction(text) for text in UP])
    down = fit_line(list(range(11)), [Fraction(text) for text in DOWN])
    assert (round(float(up.slope), 8), round(float(up.intercept), 8)) == (1.08236364, -1.02545455)
    assert (round(float(down.slope), 8), round(float(down.intercept), 8)) == (
        1.08227273,
        -0.66863636,
    )
    assert up.s == pytest.approx(0.116, abs=5e-4)
    assert down.s == pytest.approx(0.072, abs=5e-4)
    assert (4.32 - float(line.intercept)) / float(line.slope) == pytest.approx(4.774054, abs=5e-7)


def test_dial_gauge_hysteresis_and_largest_error() -> None:
    hysteresis = DIAL.hysteresis()
    printed = [
        "0.43",
        "0.21",
        "0.47",
        "0.39",
        "0.29",
        "0.21",
        "0.61",
        "0.30",
        "0.19",
        "0.42",
        "0.40",
    ]
    assert list(hysteresis.values()) == [Fraction(text) for text in printed]
    assert max(hysteresis, key=lambda key: hysteresis[key]) == 6
    worst = DIAL.largest_error()
    assert (worst.reference, worst.error, worst.direction) == (0, Fraction("-1.12"), RISING)


def test_dial_gauge_mean_error_where_the_direction_is_not_told() -> None:
    # mean of both branches at the references, recomputed: the branches as curves over their own
    # references, so the middle is taken of errors at one reading, not of one reference
    errors = [
        (Fraction(a) + Fraction(b)) / 2 - kpa
        for kpa, (a, b) in enumerate(zip(UP, DOWN, strict=True))
    ]
    printed = [
        "-0.905",
        "-0.685",
        "-0.585",
        "-0.715",
        "-0.525",
        "-0.395",
        "-0.435",
        "-0.260",
        "-0.175",
        "-0.110",
        "0.000",
    ]
    assert errors == [Fraction(text) for text in printed]
    value = DIAL.at(Fraction("5.26"))
    rising, falling = DIAL.at(Fraction("5.26"), RISING), DIAL.at(Fraction("5.26"), FALLING)
    assert value.error == (rising.error + falling.error) / 2
    half = float(falling.error - rising.error) / 2
    assert value.u == pytest.approx(math.hypot(0.05, half / math.sqrt(3)))
    assert pytest.approx(2 * value.u) == value.U
    assert "half their distance" in value.how


def test_rising_and_falling_points_are_kept_apart() -> None:
    rising = DIAL.at(Fraction("5.26"), RISING)
    assert rising.error == Fraction("-0.74")
    assert rising.corrected(Fraction("5.26")) == 6
    assert rising.how == "at the point 5.26"
    falling = DIAL.at(Fraction("5.87"), FALLING)
    assert falling.corrected(Fraction("5.87")) == 6
    assert DIAL.directions == (RISING, FALLING)


def test_a_direction_the_certificate_does_not_hold_is_refused() -> None:
    only = CertificateCurve(
        [point("0", "0", direction=RISING), point("1", "1", direction=RISING)], "bar"
    )
    assert only.at(Fraction(1, 2)).error == 0
    assert not only.covers(Fraction(1, 2), FALLING)
    with pytest.raises(ExtrapolationRefused, match="no falling points") as refusal:
        only.at(Fraction(1, 2), FALLING)
    assert "without a direction" in refusal.value.next_step


def test_points_without_direction_belong_to_both_branches() -> None:
    curve = CertificateCurve(
        [
            point("0", "0"),
            point("5", "5.1", direction=RISING),
            point("5", "5.3", direction=FALLING),
            point("10", "10"),
        ],
        "bar",
    )
    assert curve.at(Fraction("2.55"), RISING).error == Fraction("0.05")
    assert curve.at(Fraction("2.65"), FALLING).error == Fraction("0.15")
    assert curve.at(10, RISING).error == curve.at(10, FALLING).error == 0


def test_uncertainty_between_points_is_the_larger() -> None:
    points = [point("0", "0", 0.02, 2), point("10", "10.1", 0.06, 3)]
    larger = CertificateCurve(points, "bar").at(Fraction("5.05"))
    # u is 0.01 at the left and 0.02 at the right: U alone would mislead where k differs
    assert (larger.u, larger.k, larger.U) == pytest.approx((0.02, 3, 0.06))
    assert larger.error == Fraction("0.05")
    assert larger.between == (0, Fraction("10.1"))
    assert larger.how == "between 0 and 10.1, larger U"


def test_extrapolation_is_refused_and_the_ends_are_included() -> None:
    curve = CertificateCurve([point("2", "2.05"), point("10", "9.98")], "bar")
    assert curve.range() == (2, 10)
    assert curve.at(Fraction("2.05")).error == Fraction("0.05")
    # the gauge showed 9.98 at 10: readings up to 10 are those pressures, at the end's own error
    assert curve.at(10).error == Fraction("-0.02")
    assert "end point 9.98" in curve.at(10).how
    assert curve.at(2).error == Fraction("0.05")
    for reading in ("1.99", "10.01", "-5", "1000"):
        assert not curve.covers(Fraction(reading))
        with pytest.raises(ExtrapolationRefused, match="covers 2 to 10 bar") as refusal:
            curve.at(Fraction(reading))
        assert refusal.value.exit_code == 3


def test_one_point_holds_at_that_point_alone() -> None:
    curve = CertificateCurve([point("5", "5.1")], "bar")
    assert curve.at(Fraction("5.1")).error == Fraction("0.1")
    assert curve.range() == (Fraction("5.1"), Fraction("5.1"))
    for reading in ("5", "5.05", "5.2"):
        with pytest.raises(ExtrapolationRefused, match=r"holds at 5\.1 alone"):
            curve.at(Fraction(reading))


def test_repeated_points_become_their_mean_with_their_range_in_u() -> None:
    curve = CertificateCurve(
        [point("0", "0"), point("5", "5.0", 0.02), point("5", "5.2", 0.04), point("10", "10")],
        "bar",
    )
    value = curve.at(Fraction("5.1"))
    assert value.error == Fraction("0.1")
    assert value.u == pytest.approx(math.hypot(0.02, 0.1 / math.sqrt(3)))
    assert "mean of 2 points" in value.how
    same = CertificateCurve([point("0", "0"), point("5", "5.1"), point("5", "5.1")], "bar")
    assert same.at(Fraction("5.1")).u == pytest.approx(0.01)
    # a sticking gauge: one indication at two references
    stuck = CertificateCurve([point("0", "0"), point("1", "1"), point("2", "1")], "bar")
    value = stuck.at(1)
    assert value.error == Fraction("-0.5")
    assert value.u == pytest.approx(math.hypot(0.01, 0.5 / math.sqrt(3)))


def test_what_is_no_certificate() -> None:
    with pytest.raises(BadQuantity):
        CertificateCurve([], "bar")
    with pytest.raises(UnitAmbiguous):
        CertificateCurve([point("0", "0")], "inH2O")
    for U, k in ((-1, 2), (math.nan, 2), (0.1, 0), (0.1, math.inf)):
        with pytest.raises(BadQuantity, match="certificate point at 1"):
            point("1", "1", U, k)
    with pytest.raises(BadQuantity):
        DIAL.at(math.nan)


def test_storage_and_change_of_unit() -> None:
    plain = json.loads(json.dumps(DIAL.to_plain(), allow_nan=False))
    assert CertificateCurve.from_plain(plain) == DIAL
    mbar = DIAL.in_unit("mbar")
    assert mbar.unit == "mbar"
    here, there = DIAL.at(Fraction("5.5"), RISING), mbar.at(55, RISING)
    assert there.error == 10 * here.error
    assert pytest.approx(10 * here.U) == there.U
    psi = DIAL.in_unit("psi").in_unit("kPa")
    assert [p.indication for p in psi.points] == [p.indication for p in DIAL.points]
    celsius = CertificateCurve([point("0", "0.5"), point("100", "100.5")], "degC")
    assert celsius.in_unit("degF").at(122).error == Fraction("0.9")  # a difference, no offset
    with pytest.raises(BadQuantity):
        DIAL.in_unit("degC")


# JCGM 100:2008 H.3, thermometer. Mark: data and results seen (faithful copy); recomputed.
H3_T = [
    "21.521",
    "22.012",
    "22.512",
    "23.003",
    "23.507",
    "23.999",
    "24.513",
    "25.002",
    "25.503",
    "26.010",
    "26.511",
]
H3_B = [
    "-0.171",
    "-0.169",
    "-0.166",
    "-0.159",
    "-0.164",
    "-0.165",
    "-0.156",
    "-0.157",
    "-0.159",
    "-0.161",
    "-0.160",
]


def test_gum_h3() -> None:
    line = fit_line([Fraction(t) for t in H3_T], [Fraction(b) for b in H3_B], origin=20)
    assert round(float(line.intercept), 4) == -0.1712
    assert round(line.u_intercept or 0, 4) == 0.0029
    assert round(float(line.slope), 5) == 0.00218
    assert round(line.u_slope or 0, 5) == 0.00067
    assert round(line.r, 3) == -0.930
    assert round(line.s or 0, 4) == 0.0035
    assert line.dof == 9
    assert round(float(line.at(30)), 4) == -0.1494
    assert round(line.u_at(30) or 0, 4) == 0.0041
    # to the digits of the recomputation
    assert float(line.intercept) == pytest.approx(-0.171203790, abs=5e-10)
    assert line.u_intercept == pytest.approx(0.002877598, abs=5e-10)
    assert float(line.slope) == pytest.approx(0.0021826977, abs=5e-11)
    assert line.u_slope == pytest.approx(0.000667939, abs=5e-10)
    assert line.u_at(30) == pytest.approx(0.00413860, abs=5e-9)
    assert (line.s or 0) ** 2 * 9 == pytest.approx(0.000110096583109, rel=1e-11)


# Pressure sensor 0 to 20: R. Kessel, R. N. Kacker, K.-D. Sommer, Measurement 45 (2012)
# 1661-1669, Tables 4 and 7. Mark: seen (faithful copy); recomputed.
SENSOR = [
    "0.0000",
    "0.2039",
    "0.4080",
    "0.6120",
    "0.8160",
    "1.0201",
    "1.2242",
    "1.4283",
    "1.6325",
    "1.8367",
    "2.0410",
]


def test_pressure_sensor_two_point_line() -> None:
    line = fit_line([0, Fraction("2.0410")], [0, 20])
    assert float(line.slope) == pytest.approx(9.799118079372857, rel=1e-15)
    assert (line.s, line.u_slope, line.u_at(3), line.dof) == (None, None, None, 0)
    residuals = [2 * i - float(line.at(Fraction(x))) for i, x in enumerate(SENSOR)]
    printed = [0, 0.00196, 0.00196, 0.00294, 0.00392, 0.0039, 0.0039, 0.0039, 0.0029, 0.0020, 0]
    assert residuals == pytest.approx(printed, abs=6e-5)


def test_a_line_needs_places() -> None:
    for x, y in (([1], [1]), ([1, 1], [1, 2]), ([1, 2], [1]), ([], [])):
        with pytest.raises(BadQuantity):
            fit_line(x, y)


VALUES = st.fractions(min_value=-50, max_value=50, max_denominator=1000)


@st.composite
def curves(draw: st.DrawFn) -> CertificateCurve:
    references = draw(st.lists(st.integers(0, 100), min_size=2, max_size=8, unique=True))
    points = []
    for reference in references:
        error = draw(st.fractions(min_value="-4/10", max_value="4/10", max_denominator=100))
        U = draw(st.floats(0, 1))
        k = draw(st.sampled_from([1.65, 2.0, 2.28]))
        points.append(CertificatePoint(Fraction(reference), reference + error, U, k))
    return CertificateCurve(points, "bar")


@given(curves(), st.fractions(min_value=0, max_value=1))
def test_interpolation_stays_inside_the_neighbouring_points(
    curve: CertificateCurve, part: Fraction
) -> None:
    low, high = curve.range()
    reading = low + part * (high - low)
    value = curve.at(reading)
    used = [p for p in curve.points if p.indication in value.between]
    assert 1 <= len(used) <= 2
    assert min(p.error for p in used) <= value.error <= max(p.error for p in used)
    assert value.u == max(p.u for p in used)
    assert value.k * value.u == value.U
    assert value.k in {p.k for p in used}


@given(curves(), VALUES)
def test_a_reading_is_covered_or_refused_by_the_stated_range(
    curve: CertificateCurve, reading: Fraction
) -> None:
    low, high = curve.range()
    assert curve.covers(reading) == (low <= reading <= high)


@given(curves())
def test_at_each_point_the_correction_gives_the_reference(curve: CertificateCurve) -> None:
    for one in curve.points:
        value = curve.at(one.indication)
        assert value.corrected(one.indication) == one.reference
        assert pytest.approx(one.U) == value.U


@given(
    st.lists(VALUES, min_size=3, max_size=8, unique=True),
    VALUES,
    VALUES,
    VALUES,
)
def test_a_line_through_a_line_is_that_line(
    x: list[Fraction], intercept: Fraction, slope: Fraction, origin: Fraction
) -> None:
    line = fit_line(x, [intercept + slope * (place - origin) for place in x], origin=origin)
    assert (line.intercept, line.slope, line.s) == (intercept, slope, 0)
    assert line.at(summarize(x).mean) == intercept + slope * (summarize(x).mean - origin)


def test_the_line_that_readings_are_interpolated_on() -> None:
    """Points of a direction in order of indication; points without direction belong to both."""
    points = [
        CertificatePoint(Fraction(10), Fraction("10.1"), 0.04, 2, Direction.RISING),
        CertificatePoint(Fraction(0), Fraction("0.02"), 0.04, 2),
        CertificatePoint(Fraction(10), Fraction("10.3"), 0.04, 2, Direction.FALLING),
        CertificatePoint(Fraction(10), Fraction("10.5"), 0.04, 2, Direction.FALLING),
    ]
    curve = CertificateCurve(points, "bar")
    assert curve.line(Direction.RISING) == (
        (Fraction("0.02"), Fraction("0.02")),
        (Fraction("10.1"), Fraction("0.1")),
    )
    # a point measured twice counts by its mean
    assert curve.line(Direction.FALLING)[1] == (Fraction("10.4"), Fraction("0.4"))
    for direction in Direction:
        for indication, error in curve.line(direction):
            assert curve.at(indication, direction).error == error
    with pytest.raises(ExtrapolationRefused):
        CertificateCurve(points[:1], "bar").line(Direction.FALLING)
