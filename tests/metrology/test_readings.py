"""Readings: parsing, and mean and s against NIST StRD and published tables."""

from __future__ import annotations

import math
from fractions import Fraction

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from calfleet.errors import BadNumber, BadQuantity, UncertaintyRefused
from calfleet.metrology.readings import parse_number, pooled, summarize


@pytest.mark.parametrize(
    ("text", "value"),
    [
        ("100.00", Fraction(100)),
        (" -0.5 ", Fraction(-1, 2)),
        ("+7", Fraction(7)),
        (".25", Fraction(1, 4)),
        ("−3.5", Fraction(-7, 2)),  # the minus sign of typography
        ("0.1", Fraction(1, 10)),
    ],
)
def test_one_plain_decimal(text: str, value: Fraction) -> None:
    assert parse_number(text) == value


@pytest.mark.parametrize(
    "text",
    ["", " ", "12,5", "1,234.5", "1 234", "1e3", "0x10", "nan", "inf", "--1", "5.", "1.2.3", "1/2",
     "12 bar", "١٢", "１２", "1_000", "9" * 41, "TRIP"],
)  # fmt: skip
def test_everything_else_is_refused(text: str) -> None:
    with pytest.raises(BadNumber) as refusal:
        parse_number(text)
    assert refusal.value.next_step


def test_a_decimal_comma_only_when_stated() -> None:
    with pytest.raises(BadNumber) as refusal:
        parse_number("12,5")
    assert "12.5" in refusal.value.next_step
    assert parse_number("12,5", decimal_comma=True) == Fraction(25, 2)
    assert parse_number("12", decimal_comma=True) == 12
    for text in ("12.5", "1.234,5"):
        with pytest.raises(BadNumber):
            parse_number(text, decimal_comma=True)


# NIST StRD univariate summary statistics. Data and certified values: the NIST .dat files
# (itl.nist.gov/div898/strd/univ), public domain; mark: seen in faithful copies, and exact
# arithmetic on them gives the certified digits.
MAVRO = """
2.00180 2.00170 2.00180 2.00190 2.00180 2.00170 2.00150 2.00140 2.00150 2.00150
2.00170 2.00180 2.00180 2.00190 2.00190 2.00210 2.00200 2.00160 2.00140 2.00130
2.00130 2.00150 2.00150 2.00160 2.00150 2.00140 2.00130 2.00140 2.00150 2.00140
2.00150 2.00160 2.00150 2.00160 2.00190 2.00200 2.00200 2.00210 2.00220 2.00230
2.00240 2.00250 2.00270 2.00260 2.00260 2.00260 2.00270 2.00260 2.00250 2.00240
"""
MICHELSO = """
299.85 299.74 299.90 300.07 299.93 299.85 299.95 299.98 299.98 299.88
300.00 299.98 299.93 299.65 299.76 299.81 300.00 300.00 299.96 299.96
299.96 299.94 299.96 299.94 299.88 299.80 299.85 299.88 299.90 299.84
299.83 299.79 299.81 299.88 299.88 299.83 299.80 299.79 299.76 299.80
299.88 299.88 299.88 299.86 299.72 299.72 299.62 299.86 299.97 299.95
299.88 299.91 299.85 299.87 299.84 299.84 299.85 299.84 299.84 299.84
299.89 299.81 299.81 299.82 299.80 299.77 299.76 299.74 299.75 299.76
299.91 299.92 299.89 299.86 299.88 299.72 299.84 299.85 299.85 299.78
299.89 299.84 299.78 299.81 299.76 299.81 299.79 299.81 299.82 299.85
299.87 299.87 299.81 299.74 299.81 299.94 299.95 299.80 299.81 299.87
"""
LEW = """
-213 -564 -35 -15 141 115 -420 -360 203 -338 -431 194 -220 -513 154 -125 -559 92 -21 -579
-52 99 -543 -175 162 -457 -346 204 -300 -474 164 -107 -572 -8 83 -541 -224 180 -420 -374
201 -236 -531 83 27 -564 -112 131 -507 -254 199 -311 -495 143 -46 -579 -90 136 -472 -338
202 -287 -477 169 -124 -568 17 48 -568 -135 162 -430 -422 172 -74 -577 -13 92 -534 -243
194 -355 -465 156 -81 -578 -64 139 -449 -384 193 -198 -538 110 -44 -577 -6 66 -552 -164
161 -460 -344 205 -281 -504 134 -28 -576 -118 156 -437 -381 200 -220 -540 83 11 -568 -160
172 -414 -408 188 -125 -572 -32 139 -492 -321 205 -262 -504 142 -83 -574 0 48 -571 -106
137 -501 -266 190 -391 -406 194 -186 -553 83 -13 -577 -49 103 -515 -280 201 300 -506 131
-45 -578 -80 138 -462 -361 201 -211 -554 32 74 -533 -235 187 -372 -442 182 -147 -566 25
68 -535 -244 194 -351 -463 174 -125 -570 15 72 -550 -190 172 -424 -385 198 -218 -536 96
"""
NUMACC2 = " ".join(["1.2"] + ["1.1", "1.3"] * 500)
NUMACC3 = " ".join(["1000000.2"] + ["1000000.1", "1000000.3"] * 500)
NUMACC4 = " ".join(["10000000.2"] + ["10000000.1", "10000000.3"] * 500)


@pytest.mark.parametrize(
    ("data", "n", "mean", "s"),
    [
        pytest.param(MAVRO, 50, "2.00185600000000", "0.000429123454003053", id="Mavro"),
        pytest.param(MICHELSO, 100, "299.852400000000", "0.0790105478190518", id="Michelso"),
        pytest.param(LEW, 200, "-177.435000000000", "277.332168044316", id="Lew"),
        pytest.param("10000001 10000003 10000002", 3, "10000002", "1", id="NumAcc1"),
        pytest.param(NUMACC2, 1001, "1.2", "0.1", id="NumAcc2"),
        pytest.param(NUMACC3, 1001, "1000000.2", "0.1", id="NumAcc3"),
        pytest.param(NUMACC4, 1001, "10000000.2", "0.1", id="NumAcc4"),
    ],
)
def test_nist_strd_to_all_certified_digits(data: str, n: int, mean: str, s: str) -> None:
    sample = summarize([parse_number(word) for word in data.split()])
    assert (sample.n, sample.dof) == (n, n - 1)
    assert sample.mean == Fraction(mean)  # exact, not approximate
    assert sample.s == pytest.approx(float(s), rel=1e-14)


def test_strd_floats_count_as_typed() -> None:
    sample = summarize([float(word) for word in NUMACC4.split()])
    assert sample.s == pytest.approx(0.1, rel=1e-15)  # two-pass numpy has 0.10000000055879354


# JCGM 100:2008 4.4.3 and Table 1. Mark: from memory, the arithmetic reproduces it.
GUM_TABLE_1 = """96.90 98.18 98.25 98.61 99.03 99.49 99.56 99.74 99.89 100.07 100.33 100.42
100.68 100.95 101.11 101.20 101.57 101.84 102.36 102.72"""


def test_gum_4_4_3() -> None:
    sample = summarize(parse_number(word) for word in GUM_TABLE_1.split())
    assert sample.mean == Fraction("100.145")
    assert round(sample.s or 0, 5) == 1.48884
    assert round(sample.s_mean or 0, 6) == 0.332916


# Twenty readings of a gauge at 10 kPa from a measurement textbook's figure. Mark: seen (scan);
# statistics recomputed. Population s 0.134732 would be the n for n - 1 mistake.
GAUGE_AT_10_KPA = """10.02 10.20 10.26 10.20 10.22 10.13 9.97 10.12 10.09 9.90 10.05 10.17 10.42
10.21 10.23 10.11 9.98 10.10 10.04 9.81"""


def test_repeatability_of_a_gauge_at_one_pressure() -> None:
    sample = summarize(parse_number(word) for word in GAUGE_AT_10_KPA.split())
    assert sample.mean == Fraction("10.1115")
    assert round(sample.s or 0, 6) == 0.138232
    assert round(sample.s_mean or 0, 6) == 0.030910
    assert sample.spread == Fraction("0.61")


# Weighing-scale and switch figures: own computed set, no source.
def test_trip_and_dead_band_series() -> None:
    trips = summarize([Fraction("60.2"), Fraction("60.0"), Fraction("60.4")])
    bands = summarize([Fraction("10.1"), Fraction("9.7"), Fraction("10.5")])
    assert (trips.mean, trips.s) == (Fraction("60.2"), 0.2)
    assert (bands.mean, bands.s) == (Fraction("10.1"), 0.4)


def test_one_reading_has_no_scatter_and_none_is_refused() -> None:
    one = summarize([5])
    assert (one.n, one.mean, one.s, one.s_mean, one.dof, one.spread) == (1, 5, None, None, 0, 0)
    for bad in ([], [1.0, math.nan], [math.inf]):
        with pytest.raises(BadQuantity):
            summarize(bad)


def test_pooled() -> None:
    # JCGM 100:2008 4.2.4, H.3.6 note: weights are the degrees of freedom
    s, dof = pooled([(3.0, 1), (1.0, 3), (None, 0)])
    assert (s, dof) == (math.sqrt(3.0), 4.0)
    assert pooled([(0.7, 4)]) == pytest.approx((0.7, 4))
    with pytest.raises(UncertaintyRefused):
        pooled([(None, 0)])
    with pytest.raises(UncertaintyRefused):
        pooled([])
    for bad in [(-1.0, 2), (math.nan, 2), (1.0, -1), (None, 2), (1.0, math.inf)]:
        with pytest.raises(BadQuantity):
            pooled([bad])


READINGS = st.lists(
    st.fractions(min_value=-1000, max_value=1000, max_denominator=10**4), min_size=2, max_size=8
)


@given(READINGS, st.fractions(min_value=-(10**9), max_value=10**9, max_denominator=100))
def test_s_does_not_see_where_zero_is(values: list[Fraction], shift: Fraction) -> None:
    here, there = summarize(values), summarize([value + shift for value in values])
    assert there.mean == here.mean + shift
    assert there.s == here.s
    assert min(values) <= here.mean <= max(values)


@settings(max_examples=40)
@given(st.lists(READINGS, min_size=1, max_size=3))
def test_pooled_lies_between_the_series(groups: list[list[Fraction]]) -> None:
    samples = [summarize(group) for group in groups]
    s, dof = pooled([(sample.s, sample.dof) for sample in samples])
    sizes = [sample.s for sample in samples if sample.s is not None]
    assert min(sizes) * (1 - 1e-12) <= s <= max(sizes) * (1 + 1e-12)
    assert dof == sum(sample.dof for sample in samples)
