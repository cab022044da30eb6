"""The short ways by which many calibrations are judged say exactly what the long ways say."""

from __future__ import annotations

import math
from fractions import Fraction

from hypothesis import given
from hypothesis import strategies as st

from calfleet.metrology.certificate import CertificateCurve, CertificatePoint
from calfleet.metrology.conformity import tar
from calfleet.metrology.direction import Direction
from calfleet.metrology.readings import RunningPool, exact_mean, pooled, summarize
from calfleet.metrology.rounding import decimal_text
from calfleet.metrology.units import UNITS, Dimension, at_most, convert, double_less, exact, less

fractions = st.fractions(min_value=-10_000, max_value=10_000, max_denominator=10_000)
series = st.lists(
    st.tuples(
        st.floats(min_value=0, max_value=1e3, allow_subnormal=False), st.integers(0, 20).map(float)
    ),
    min_size=1,
    max_size=30,
)


@given(series, st.data())
def test_a_running_pool_is_the_pool_of_what_is_in_it(
    held: list[tuple[float, float]], data: st.DataObject
) -> None:
    pool = RunningPool()
    for one in held:
        pool.add(*one)
    out = data.draw(st.lists(st.sampled_from(range(len(held))), unique=True))
    for n in out:
        pool.remove(*held[n])
    left = [one for n, one in enumerate(held) if n not in out]
    if any(dof > 0 for _, dof in left):
        assert pool.pooled() == pooled(left)
    else:
        assert pool.pooled() is None


@given(st.lists(fractions, min_size=1, max_size=12))
def test_means_and_deviations_against_fractions_one_by_one(values: list[Fraction]) -> None:
    n = len(values)
    mean = sum(values, Fraction(0)) / n
    assert exact_mean(values) == mean
    sample = summarize(values)
    assert sample.mean == mean
    assert sample.spread == max(values) - min(values)
    if n > 1 and sample.s is not None:
        variance = sum(((v - mean) ** 2 for v in values), Fraction(0)) / (n - 1)
        assert sample.s == _root(variance)


def _root(square: Fraction) -> float:
    """By fractions all the way: scaled to 128 bits, then the whole root."""
    if square == 0:
        return 0.0
    shift = 128 - square.numerator.bit_length() + square.denominator.bit_length()
    shift += shift % 2
    scaled = square * Fraction(2) ** shift
    return math.ldexp(math.isqrt(scaled.numerator // scaled.denominator), -shift // 2)


@given(fractions, st.integers(-6, 9))
def test_rounding_against_the_rounding_of_fractions(value: Fraction, places: int) -> None:
    scaled = round(value * Fraction(10) ** places)  # half to even, as the standard library has it
    assert Fraction(decimal_text(value, places)) == scaled / Fraction(10) ** places


@given(st.lists(fractions, min_size=2, max_size=9, unique=True), st.data())
def test_the_error_alone_is_that_of_the_whole_answer(
    places: list[Fraction], data: st.DataObject
) -> None:
    errors = data.draw(
        st.lists(st.fractions(-1, 1, max_denominator=1000), min_size=len(places),
                 max_size=len(places))
    )  # fmt: skip
    points = [
        CertificatePoint(place - error, place, 0.1, 2.0)
        for place, error in zip(places, errors, strict=True)
    ]
    curve = CertificateCurve(points, "kPa")
    low, high = curve.range()
    part = data.draw(st.fractions(0, 1, max_denominator=997))
    for reading in (low + part * (high - low), *places):
        if curve.covers(reading):
            assert curve.corrected(reading, Direction.RISING) == reading - curve.at(reading).error


@given(st.fractions(), st.fractions())
def test_fractions_compared_and_subtracted_as_python_does(a: Fraction, b: Fraction) -> None:
    assert at_most(a, b) is (a <= b)
    assert at_most(a, a)
    assert less(a, b) == a - b
    # to the last bit, and in lowest terms, so that it is the same as text and as a key
    assert less(a, b).as_integer_ratio() == (a - b).as_integer_ratio()
    assert double_less(a, b) == float(a - b)


@given(st.floats(allow_nan=False, allow_infinity=False))
def test_a_float_is_its_shortest_text(value: float) -> None:
    assert exact(value) == Fraction(repr(value))


@given(fractions, fractions, st.floats(min_value=1e-6, max_value=1e6))
def test_the_accuracy_ratio_is_rounded_once(a: Fraction, b: Fraction, error: float) -> None:
    low, high = min(a, b), max(a, b) + 1
    assert tar(low, high, error) == float((high - low) / 2 / Fraction(repr(error)))


@given(fractions)
def test_pressures_convert_by_one_factor(value: Fraction) -> None:
    units = [unit for unit in UNITS.values() if unit.dimension is Dimension.PRESSURE]
    for source in units:
        for target in units:
            si = value * source.factor + source.offset
            assert convert(value, source, target) == (si - target.offset) / target.factor
