"""Numbers as text: GUM 7.2.6 and no artefacts of floating point."""

from __future__ import annotations

from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from calfleet.errors import BadQuantity
from calfleet.metrology.rounding import (
    decimal_text,
    exact_text,
    significant,
    to_resolution,
    with_uncertainty,
)


@pytest.mark.parametrize(
    ("value", "U", "digits", "expected"),
    [
        (10000.178, 0.0166548, 2, ("10000.178", "0.017")),  # EA-4/02 S3; recomputed
        (50000838, 93, 2, ("50000838", "93")),  # JCGM 100:2008 H.1; seen
        (-0.14937681, 0.0041386, 2, ("-0.1494", "0.0041")),  # JCGM 100:2008 H.3; seen
        (0.0021826977, 0.000667939, 2, ("0.00218", "0.00067")),  # JCGM 100:2008 H.3; seen
        (100.145, 0.332916, 2, ("100.14", "0.33")),  # JCGM 100:2008 4.4.3; from memory
        (127.732, 0.07107, 2, ("127.732", "0.071")),  # JCGM 100:2008 H.2; from memory
        # own cases: carry, tens, negative zero, one digit, tie to even
        (1.23456, 0.0996, 2, ("1.23", "0.10")),
        (12345, 1234, 2, ("12300", "1200")),
        (-0.001, 0.5, 2, ("0.00", "0.50")),
        (9.96, 0.5, 1, ("10.0", "0.5")),
        ("0.25", 1, 2, ("0.2", "1.0")),
        ("0.35", 1, 2, ("0.4", "1.0")),
    ],
)
def test_value_to_the_place_of_its_uncertainty(
    value: float | str, U: float, digits: int, expected: tuple[str, str]
) -> None:
    number = Fraction(value) if isinstance(value, str) else value
    assert with_uncertainty(number, U, digits=digits) == expected


@pytest.mark.parametrize("U", [0, -1, float("nan"), float("inf")])
def test_an_uncertainty_that_gives_no_place_is_refused(U: float) -> None:
    with pytest.raises(BadQuantity):
        with_uncertainty(1, U)


def test_at_least_one_digit_and_a_resolution_above_zero() -> None:
    with pytest.raises(BadQuantity):
        significant(1.5, 0)
    for step in (0, -1):
        with pytest.raises(BadQuantity):
            to_resolution(1, step)


def test_no_floating_point_artefacts() -> None:
    assert decimal_text(2.675, 2) == "2.68"  # round(2.675, 2) is 2.67
    assert decimal_text(1e-7, 3) == "0.000"
    assert decimal_text(1e22, 0) == "1" + "0" * 22
    assert significant(0, 3) == "0"
    assert significant(99.96, 3) == "100"
    assert to_resolution(0.3, 0.1) == Fraction(3, 10)


NUMBERS = st.fractions(min_value=-(10**9), max_value=10**9, max_denominator=10**9)


@given(NUMBERS, st.integers(-6, 9))
def test_decimal_text_is_never_off_by_more_than_half_a_place(value: Fraction, places: int) -> None:
    text = decimal_text(value, places)
    assert abs(Fraction(text) - value) <= Fraction(10) ** -places / 2
    assert len(text.partition(".")[2]) == max(places, 0)
    assert "e" not in text.lower()
    assert not (text.startswith("-") and Fraction(text) == 0)


@given(NUMBERS, st.fractions(min_value="1/1000000", max_value=10**6), st.integers(1, 4))
def test_with_uncertainty_shows_both_to_one_place(
    value: Fraction, U: Fraction, digits: int
) -> None:
    value_text, width_text = with_uncertainty(value, U, digits=digits)
    assert len(value_text.partition(".")[2]) == len(width_text.partition(".")[2])
    shown = width_text.replace(".", "").lstrip("0")
    decimals = len(width_text.partition(".")[2])
    if decimals:
        assert len(shown) == digits
        place = Fraction(1, 10**decimals)
    else:
        place = Fraction(10) ** (len(shown) - digits)
    assert abs(Fraction(value_text) - value) <= place / 2
    assert abs(Fraction(width_text) - U) <= place / 2


@given(NUMBERS, st.fractions(min_value="1/1000", max_value=1000))
def test_to_resolution_is_a_multiple_within_half_a_step(value: Fraction, step: Fraction) -> None:
    shown = to_resolution(value, step)
    assert (shown / step).denominator == 1
    assert abs(shown - value) <= step / 2


@given(st.fractions())
def test_exact_text_reads_back_exactly(value: Fraction) -> None:
    assert Fraction(exact_text(value)) == value
