"""Units against NIST SP 811, UN/ECE Recommendation 20, and pint as a second opinion."""

from __future__ import annotations

from decimal import Decimal
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from calfleet.errors import BadQuantity, UnitAmbiguous, UnitUnknown
from calfleet.metrology.units import (
    ALIASES,
    UNITS,
    Dimension,
    PressureMode,
    convert,
    convert_difference,
    convert_mode,
    exact,
    find_unit,
    split_unit_mode,
)

GAUGE, ABSOLUTE = PressureMode.GAUGE, PressureMode.ABSOLUTE
VACUUM, DIFFERENTIAL = PressureMode.VACUUM, PressureMode.DIFFERENTIAL

# NIST SP 811 (2008) Appendix B.8, factor to pascal as printed. Mark: seen in three faithful copies.
SP811 = {
    "psi": "6.894757E+03",
    "bar": "1.0E+05",
    "atm": "1.01325E+05",
    "kgf/cm2": "9.80665E+04",
    "Torr": "1.333224E+02",
    "mmHg_conv": "1.333224E+02",
    "inHg_32F": "3.38638E+03",
    "inHg_60F": "3.37685E+03",
    "inHg_conv": "3.386389E+03",
    "cmH2O_4C": "9.80638E+01",
    "cmH2O_conv": "9.80665E+01",
    "mmH2O_conv": "9.80665E+00",
    "inH2O_4C": "2.49082E+02",
    "inH2O_60F": "2.4884E+02",
    "inH2O_conv": "2.490889E+02",
    "ftH2O_4C": "2.98898E+03",
    "ftH2O_conv": "2.989067E+03",
    "lbf/ft2": "4.788026E+01",
    "mbar": "1.0E+02",
}


@pytest.mark.parametrize("code", SP811)
def test_factor_rounds_to_the_digits_printed_in_sp811(code: str) -> None:
    printed = Decimal(SP811[code])
    half_a_place = Fraction(Decimal((0, (1,), int(printed.as_tuple().exponent)))) / 2
    assert abs(UNITS[code].factor - Fraction(printed)) <= half_a_place


# Exact definitions, recomputed independently: international pound and inch, 9.80665 m/s2.
def test_exact_definitions() -> None:
    assert abs(UNITS["psi"].factor - Fraction("6894.757293168361336722673")) < Fraction(1, 10**21)
    assert UNITS["inH2O_conv"].factor == Fraction("249.08891")
    assert UNITS["ftH2O_conv"].factor == Fraction("2989.06692")
    assert UNITS["inHg_conv"].factor == Fraction("3386.388640341")
    assert UNITS["mmHg_conv"].factor == Fraction("13595.1") * Fraction("9.80665") / 1000
    assert UNITS["Torr"].factor == Fraction(101325, 760)
    # 1 inch of water at 20 degC: makers' convention (seen), with ftH2O 2983.692 as its check.
    assert UNITS["ftH2O_20C"].factor == Fraction("2983.692")


# Derived figures, recomputed from the definitions in double precision.
@pytest.mark.parametrize(
    ("value", "source", "target", "expected"),
    [
        (1, "bar", "psi", 14.50377377302092),
        (1, "kPa", "psi", 0.14503773773020923),
        (1, "kgf/cm2", "psi", 14.223343307119562),
        (1, "atm", "psi", 14.695948775513449),
        (1, "psi", "inH2O_conv", 27.67990471020312),
        (1, "psi", "inH2O_4C", 27.680672602469716),
        (1, "psi", "inH2O_60F", 27.707592401416015),
        (1, "psi", "inHg_conv", 2.0360206773177927),
        # US technical manual TM 10-4610-215-24 Table 3-1, its factors recomputed
        (10, "psi", "kgf/cm2", 0.70307),
        (1250, "psi", "kgf/cm2", 87.8837),
        (1500, "psi", "kgf/cm2", 105.4605),
    ],
)
def test_conversions(value: int, source: str, target: str, expected: float) -> None:
    digits = len(str(expected).replace(".", "").lstrip("0"))
    tolerance = 1e-14 if digits > 12 else 10.0 ** (1 - digits)
    assert float(convert(value, source, target)) == pytest.approx(expected, rel=tolerance)


# NIST SP 811 B.9 formulas: fixed points.
@pytest.mark.parametrize(
    ("fahrenheit", "celsius"),
    [
        ("212", Fraction(100)),
        ("32", Fraction(0)),
        ("-40", Fraction(-40)),
        ("68", Fraction(20)),
        ("39.2", Fraction(4)),
        ("60", Fraction(140, 9)),
        ("98.6", Fraction(37)),
    ],
)
def test_temperature_points_are_exact(fahrenheit: str, celsius: Fraction) -> None:
    assert convert(Fraction(fahrenheit), "degF", "degC") == celsius
    assert convert(celsius, "degC", "degF") == Fraction(fahrenheit)


def test_temperature_differences_have_no_offset() -> None:
    assert convert_difference(1, "degC", "degF") == Fraction(9, 5)
    assert convert_difference(Fraction("1.8"), "degF", "K") == 1
    assert convert(Fraction("491.67"), "degR", "K") == Fraction("273.15")


def test_below_absolute_zero_is_no_temperature() -> None:
    assert convert(Fraction("-273.15"), "degC", "K") == 0
    for target in ("K", "degC"):
        with pytest.raises(BadQuantity, match="absolute zero"):
            convert(Fraction("-273.16"), "degC", target)


def test_pint_agrees_where_it_means_the_same_unit() -> None:
    pint = pytest.importorskip("pint")
    registry = pint.UnitRegistry()
    # (our code, pint's name, relative difference allowed and why)
    same = 2e-15
    printed = 3e-7  # pint computes from densities, we keep the printed digits
    for code, name, tolerance in [
        ("psi", "psi", same),
        ("bar", "bar", same),
        ("mbar", "mbar", same),
        ("atm", "atm", same),
        ("kgf/cm2", "kgf/cm**2", same),
        ("Torr", "torr", same),
        ("mmHg_conv", "mmHg", same),
        ("inHg_conv", "inHg", 1e-9),
        ("inHg_32F", "inHg_32F", 3e-6),  # pint's value is the conventional one
        ("inHg_60F", "inHg_60F", 1e-6),
        ("inH2O_conv", "inH2O", same),  # pint's bare inH2O is the conventional unit
        ("cmH2O_conv", "cmH2O", same),
        ("mmH2O_conv", "mmH2O", same),
        ("ftH2O_conv", "ftH2O", same),
        ("inH2O_4C", "inH2O_4C", printed),
        ("inH2O_60F", "inH2O_60F", printed),
        ("ftH2O_4C", "ftH2O_4C", printed),
        ("lbf/ft2", "lbf/ft**2", same),
    ]:
        theirs = registry.Quantity(1, name).to("Pa").magnitude
        assert float(UNITS[code].factor) == pytest.approx(theirs, rel=tolerance), code
    theirs = registry.Quantity(98.6, "degF").to("degC").magnitude
    assert float(convert(98.6, "degF", "degC")) == pytest.approx(theirs, abs=1e-12)


# UN/ECE Recommendation 20 codes; mark: seen in public code lists with these factors.
def test_unece_codes_are_unique_and_as_listed() -> None:
    codes = [unit.unece for unit in UNITS.values() if unit.unece]
    assert len(codes) == len(set(codes))
    expected = {"PAL": "Pa", "BAR": "bar", "MBR": "mbar", "PS": "psi", "E42": "kgf/cm2"}
    expected |= {"N18": "inH2O_4C", "N19": "inH2O_60F", "F78": "inH2O_conv", "HN": "mmHg_conv"}
    by_code = {unit.unece: code for code, unit in UNITS.items()}
    assert {code: by_code[code] for code in expected} == expected


def test_every_code_and_alias_finds_its_unit() -> None:
    for code, unit in UNITS.items():
        assert find_unit(code) is unit
        assert find_unit(f" {code} ") is unit
    for spelling, code in ALIASES.items():
        if spelling not in ("mpa", "mbar"):
            assert find_unit(spelling).code == code


@pytest.mark.parametrize(
    ("text", "code"),
    [
        ("PSI", "psi"),
        ("KPA", "kPa"),
        ("MPA", "MPa"),
        ("Mpa", "MPa"),
        ("MBAR", "mbar"),
        ("kg/cm²", "kgf/cm2"),
        ("kgf/cm^2", "kgf/cm2"),
        ("lb/in²", "psi"),
        ("mm Hg", "mmHg_conv"),
        ("°C", "degC"),
        ("deg F", "degF"),
        ("inH₂O (60 °F)", "inH2O_60F"),
        ("in. w.c. @ 4 °C", "inH2O_4C"),
        ("inH2O 39.2F", "inH2O_4C"),
        ("mmWC 20C", "mmH2O_20C"),
        ('"H2O 68°F', "inH2O_20C"),
        ("inches of water conventional", "inH2O_conv"),
        ("inHg 60F", "inHg_60F"),
    ],
)
def test_other_spellings(text: str, code: str) -> None:
    assert find_unit(text).code == code


@pytest.mark.parametrize(
    "text", ["inH2O", "InH2O", "in H₂O", '"WC', "inWG", "in.w.c.", "inAq", "WC", "inches of water"]
)
def test_a_water_column_without_temperature_is_refused_with_the_choices(text: str) -> None:
    with pytest.raises(UnitAmbiguous) as refusal:
        find_unit(text)
    for choice in ("inH2O_conv", "inH2O_4C", "inH2O_60F", "inH2O_20C"):
        assert choice in refusal.value.next_step


@pytest.mark.parametrize(
    ("text", "choice"),
    [("mmH2O", "mmH2O_4C"), ("cmWC", "cmH2O_conv"), ("ftH2O", "ftH2O_60F"), ("mmWS", "mmH2O_20C"),
     ("inHg", "inHg_32F"), ("inH2Og", "inH2O_60F"), ("mH2O", "mH2O_conv")],
)  # fmt: skip
def test_other_columns_are_refused_with_their_own_choices(text: str, choice: str) -> None:
    with pytest.raises(UnitAmbiguous) as refusal:
        split_unit_mode(text)
    assert choice in refusal.value.next_step


@pytest.mark.parametrize(
    "text", ["mPa", "mpa", "Mbar", "", " ", "psj", "inH2O 59F", "kPa/m", "barn"]
)
def test_unknown_units_are_refused(text: str) -> None:
    with pytest.raises(UnitUnknown):
        find_unit(text)


def test_the_nearest_codes_are_offered() -> None:
    with pytest.raises(UnitUnknown) as refusal:
        find_unit("mPa")
    assert "Nearest: MPa" in refusal.value.next_step


@pytest.mark.parametrize("text", ["barr", "furlong"])
def test_not_every_code_is_listed_for_each_unknown_unit(text: str) -> None:
    with pytest.raises(UnitUnknown) as refusal:
        find_unit(text)
    words = refusal.value.next_step.replace(",", " ").replace(".", " ").replace(";", " ").split()
    assert 1 <= sum(code in words for code in UNITS) <= 9


@pytest.mark.parametrize(
    ("text", "code", "mode"),
    [
        ("psig", "psi", GAUGE),
        ("PSIA", "psi", ABSOLUTE),
        ("psid", "psi", DIFFERENTIAL),
        ("barg", "bar", GAUGE),
        ("bar(a)", "bar", ABSOLUTE),
        ("bar abs", "bar", ABSOLUTE),
        ("kPa gauge", "kPa", GAUGE),
        ("MPaG", "MPa", GAUGE),
        ("kgf/cm2 g", "kgf/cm2", GAUGE),
        ("mbara", "mbar", ABSOLUTE),
        ("ata", "kgf/cm2", ABSOLUTE),
        ("inHg_conv vac", "inHg_conv", VACUUM),
        ("kPa", "kPa", None),
        ("Pa", "Pa", None),
        ("mmHg", "mmHg_conv", None),  # its g is no mode
        ("degC", "degC", None),
    ],
)
def test_split_unit_mode(text: str, code: str, mode: PressureMode | None) -> None:
    unit, found = split_unit_mode(text)
    assert (unit.code, found) == (code, mode)


def test_a_temperature_has_no_pressure_mode() -> None:
    with pytest.raises(UnitUnknown):
        split_unit_mode("degC g")
    with pytest.raises(BadQuantity, match="no unit of pressure"):
        convert_mode(1, "degC", GAUGE, GAUGE)


def test_gauge_and_absolute_need_the_barometric_pressure() -> None:
    with pytest.raises(BadQuantity, match="barometric"):
        convert_mode(1, "bar", GAUGE, ABSOLUTE)
    with pytest.raises(BadQuantity, match="not above zero"):
        convert_mode(1, "bar", GAUGE, ABSOLUTE, 0)
    air = Fraction("1.01325")
    assert convert_mode(1, "bar", GAUGE, ABSOLUTE, air) == Fraction("2.01325")
    assert convert_mode(Fraction("0.5"), "bar", ABSOLUTE, GAUGE, air) == Fraction("-0.51325")
    assert convert_mode(Fraction("0.5"), "bar", ABSOLUTE, VACUUM, air) == Fraction("0.51325")
    assert convert_mode(Fraction("0.51325"), "bar", VACUUM, ABSOLUTE, air) == Fraction("0.5")


def test_vacuum_is_negative_gauge_and_needs_no_air() -> None:
    assert convert_mode(60, "kPa", VACUUM, GAUGE) == -60
    assert convert_mode(-60, "kPa", GAUGE, VACUUM) == 60


def test_no_pressure_below_zero_absolute() -> None:
    with pytest.raises(BadQuantity, match="does not exist"):
        convert_mode(-2, "bar", GAUGE, ABSOLUTE, 1)
    with pytest.raises(BadQuantity, match="does not exist"):
        convert_mode(-1, "bar", ABSOLUTE, ABSOLUTE)


@pytest.mark.parametrize("other", [GAUGE, ABSOLUTE, VACUUM])
def test_differential_never_mixes(other: PressureMode) -> None:
    for source, target in ((DIFFERENTIAL, other), (other, DIFFERENTIAL)):
        with pytest.raises(BadQuantity, match="is not a"):
            convert_mode(1, "bar", source, target, 1)
    assert convert_mode(5, "bar", DIFFERENTIAL, DIFFERENTIAL) == 5


def test_dimensions_do_not_mix() -> None:
    for function in (convert, convert_difference):
        with pytest.raises(BadQuantity, match="temperature"):
            function(1, "bar", "degC")


def test_exact_takes_a_float_at_its_shortest_text_and_refuses_nan() -> None:
    assert exact(0.1) == Fraction(1, 10)
    assert exact(Decimal("100.00")) == 100
    for bad in (float("nan"), float("inf"), Decimal("NaN")):
        with pytest.raises(BadQuantity):
            exact(bad)


PRESSURES = [code for code, unit in UNITS.items() if unit.dimension is Dimension.PRESSURE]
TEMPERATURES = [code for code, unit in UNITS.items() if unit.dimension is Dimension.TEMPERATURE]
NUMBERS = st.fractions(min_value=-(10**6), max_value=10**6, max_denominator=10**6)


@given(NUMBERS, st.sampled_from(PRESSURES), st.sampled_from(PRESSURES), st.sampled_from(PRESSURES))
def test_round_trips_are_exact_and_detours_do_not_matter(
    value: Fraction, first: str, second: str, third: str
) -> None:
    there = convert(value, first, second)
    assert convert(there, second, first) == value
    assert convert(there, second, third) == convert(value, first, third)


@given(
    st.fractions(min_value=0, max_value=10**4, max_denominator=1000),
    st.sampled_from(TEMPERATURES),
    st.sampled_from(TEMPERATURES),
)
def test_temperature_round_trips_are_exact(kelvin: Fraction, first: str, second: str) -> None:
    value = convert(kelvin, "K", first)
    assert convert(convert(value, first, second), second, first) == value
    warmer = convert(kelvin + 1, "K", first)
    assert warmer - value == convert_difference(1, "K", first)


@given(NUMBERS, st.sampled_from([GAUGE, VACUUM]), st.sampled_from([GAUGE, VACUUM, ABSOLUTE]))
def test_mode_round_trips_are_exact(
    value: Fraction, source: PressureMode, target: PressureMode
) -> None:
    air = Fraction(2 * 10**6)
    there = convert_mode(value, "Pa", source, target, air)
    assert convert_mode(there, "Pa", target, source, air) == value
