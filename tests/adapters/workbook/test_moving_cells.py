"""Single cells: what decides a column's decimal sign and dates, units, words, exact conversion."""

from __future__ import annotations

from datetime import date
from decimal import Decimal
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from calfleet.adapters.workbook.loose import (
    DateOrder,
    Decimals,
    Misread,
    band,
    column_dates,
    column_decimals,
    day_of,
    plain_number,
    serial_or_day,
)
from calfleet.adapters.workbook.moving_cells import (
    Ends,
    Value,
    exact_decimal,
    in_unit,
    translated,
    understood,
)
from calfleet.adapters.workbook.moving_map import ColumnUse, Sort
from calfleet.adapters.workbook.moving_names import folded
from calfleet.adapters.workbook.moving_words import label_of, plain_header
from calfleet.metrology.units import convert


@pytest.mark.parametrize(
    ("texts", "expected"),
    [
        (["0..10,0 bar"], Decimals.COMMA), (["0.20 ... 1.20 bar"], Decimals.POINT),
        (["0-2,5 bar", "0-10 bar"], Decimals.COMMA), (["0-10 bar"], None), (["1,234"], None),
        (["2,5", "2.5"], None), (["1.234,5"], Decimals.COMMA), (["0,125"], Decimals.COMMA),
    ],
)  # fmt: skip
def test_the_decimal_sign_of_a_column(texts: list[str], expected: Decimals | None) -> None:
    assert column_decimals(texts) is expected


@pytest.mark.parametrize(
    ("digits", "decimals"),
    [
        ("0.125", Decimals.COMMA), ("0,125", Decimals.POINT), ("00.125", Decimals.COMMA),
        ("0.125,5", Decimals.COMMA), ("0 125", Decimals.POINT),
    ],
)  # fmt: skip
def test_no_group_of_thousands_begins_with_0(digits: str, decimals: Decimals) -> None:
    """0.125 is an eighth: read as thousands it would be 125, a thousand times too large."""
    with pytest.raises(Misread) as caught:
        plain_number(digits, decimals)
    if digits in ("0.125", "0,125"):  # a number by the other sign: the mapping may be wrong
        assert "decimals" in f"{caught.value.message} {caught.value.hint}"
        assert "the mapping" in f"{caught.value.message} {caught.value.hint}"


@pytest.mark.parametrize(
    ("digits", "decimals", "number"),
    [
        ("0.125", None, "0.125"), ("0,125", None, "0.125"), ("0,125", Decimals.COMMA, "0.125"),
        ("1.250", Decimals.COMMA, "1250"), ("1,250.5", Decimals.POINT, "1250.5"),
    ],
)  # fmt: skip
def test_numbers_with_and_without_thousands(
    digits: str, decimals: Decimals | None, number: str
) -> None:
    assert plain_number(digits, decimals) == Decimal(number)


@pytest.mark.parametrize(
    ("texts", "expected"),
    [
        (["03/03/2025"], None),  # the same day either way: it tells nothing
        (["03/03/2025", "04/25/2025"], DateOrder.MDY), (["25/04/2025"], DateOrder.DMY),
        (["05/06/2025"], None), (["25/04/2025", "04/25/2025"], None),
    ],
)  # fmt: skip
def test_the_order_of_a_columns_dates(texts: list[str], expected: DateOrder | None) -> None:
    assert column_dates(texts) is expected


@pytest.mark.parametrize(
    ("text", "order", "expected"),
    [
        ("03/04/2025", DateOrder.DMY, date(2025, 4, 3)),
        ("03/04/2025", DateOrder.MDY, date(2025, 3, 4)),
        ("03/03/2025", DateOrder.MDY, date(2025, 3, 3)),  # the same day either way
        ("25-11-25", DateOrder.YMD, date(2025, 11, 25)),
        ("2025-11-25", DateOrder.DMY, date(2025, 11, 25)),  # ISO 8601, whatever the order
        ("25 Nov 2025", DateOrder.MDY, date(2025, 11, 25)),
    ],
)
def test_a_date_in_the_order_of_its_column(text: str, order: DateOrder, expected: date) -> None:
    assert day_of(text, order) == expected


@pytest.mark.parametrize(
    ("text", "order"),
    [
        ("11/25/2025", DateOrder.DMY), ("25/11/2025", DateOrder.MDY),
        ("25/11/2025", DateOrder.YMD), ("11-25-03", DateOrder.DMY),
    ],
)  # fmt: skip
def test_a_date_against_the_order_of_its_column_is_refused(text: str, order: DateOrder) -> None:
    """Its column would hold two orders, and every 03/04/2025 in it could be either."""
    with pytest.raises(Misread, match="no day in the order"):
        day_of(text, order)


@pytest.mark.parametrize("value", [Decimal("45750.4"), Decimal("45750.9999"), "45750.4"])
def test_the_time_of_day_of_a_serial_number_is_left_out(value: object) -> None:
    """Day 45 750 of the 1900 system is 2025-04-03, by openpyxl's own conversion."""
    from openpyxl.utils.datetime import from_excel

    assert serial_or_day(value, None, epoch_1904=False) == date(2025, 4, 3)
    assert from_excel(45750).date() == date(2025, 4, 3)


@pytest.mark.parametrize("unit", ["kg/cm2", "inH2O_20C", "in. H2O @ 4 °C", "lb/in2"])
def test_units_with_digits_behind_a_tolerance(unit: str) -> None:
    assert band(f"±0.25 {unit}").unit == unit


def test_two_numbers_are_no_tolerance() -> None:
    with pytest.raises(Misread):
        band("±0.1 bar 0.2 bar")


@given(st.decimals(-1000, 1000, places=3), st.sampled_from(["kPa", "mbar", "Pa", "MPa", "hPa"]))
def test_a_conversion_is_exact_or_refused(number: Decimal, unit: str) -> None:
    """Checked against the fraction that the units' own definitions give."""
    found = in_unit(Value(number, "bar"), unit)
    assert Fraction(found) == convert(Fraction(number), "bar", unit)


def test_a_value_without_an_end_is_refused_not_rounded() -> None:
    with pytest.raises(Misread, match="no number with an end"):
        in_unit(Value(Decimal(30), "psi"), "bar")


@given(st.integers(-(10**9), 10**9), st.integers(0, 9))
def test_every_decimal_fraction_is_found(digits: int, places: int) -> None:
    assert exact_decimal(Fraction(digits, 10**places)) == Decimal(digits).scaleb(-places)


@pytest.mark.parametrize("denominator", [3, 7, 127**2, 9])
def test_other_fractions_are_none(denominator: int) -> None:
    assert exact_decimal(Fraction(1, denominator)) is None


def test_a_dead_band_of_one_number_is_its_most() -> None:
    use = ColumnUse("A", "DB", "Dead band range", unit="bar")
    for text in ("0.5", "max 0.5", "≤ 0.5", "0.5 max."):
        assert understood(text, Sort.SPREADS, use, epoch_1904=False) == Ends(
            None, Decimal("0.5"), "bar"
        )


def test_words_are_found_by_text_then_by_pattern() -> None:
    words = (("*SHH*", "HH"), ("*SH*", "H"), ("PSH-7", "X"))
    assert translated("pshh-1101", words) == "HH"
    assert translated("PSH-1101", words) == "H"
    assert translated("PSH-7", words) == "X"
    assert translated("[a]*", (("[a]*", "y"),)) == "y"
    assert translated("PT-1", words) is None


@pytest.mark.parametrize("text", ["-", "--", "–", " ", "\u00a0"])
def test_a_dash_is_blank(text: str) -> None:
    use = ColumnUse("A", "Set point", "Set point")
    assert understood(text, Sort.VALUE, use, epoch_1904=False) is None


def test_headers_of_one_meaning_have_one_form() -> None:
    assert {plain_header(h) for h in ("S/P", "SP", "Set pt.", "SETPOINT", "Set Point (bar)")} == {
        "setpoint"
    }
    assert label_of("High High S/P") == ("HH", "setpoint")
    assert folded("PSL 1102/a") == folded("psl-1102A")


@pytest.mark.parametrize("value", [Decimal(44), "44", "1.5"])
def test_a_bare_number_above_one_is_no_share_and_says_how_to_map_it(value: object) -> None:
    bare = ColumnUse("A", "Humidity", "humidity")
    with pytest.raises(Misread, match="is not a share between 0 and 1") as caught:
        understood(value, Sort.SHARE, bare, epoch_1904=False)
    assert 'add unit = "%" to it in the mapping' in caught.value.hint
    mapped = ColumnUse("A", "Humidity", "humidity", unit="%")
    found = understood(value, Sort.SHARE, mapped, epoch_1904=False)
    assert found == Decimal(str(value)) / 100


def test_a_decimal_sign_against_the_mapping_is_told_as_such() -> None:
    with pytest.raises(Misread, match='not a number with decimals = "comma"') as refused:
        plain_number("0.05", Decimals.COMMA)
    assert 'decimals = "point"' in refused.value.hint
    with pytest.raises(Misread, match='not a number with decimals = "point"'):
        plain_number("0,05", Decimals.POINT)
    with pytest.raises(Misread, match=r"is not a number\.$"):
        plain_number("1,2.3,4", Decimals.COMMA)
    assert plain_number("1.234,5", Decimals.COMMA) == Decimal("1234.5")
