"""The shop's units by exact definition, and the four pressure modes.

Every factor is a ``Fraction``: conversions are exact, and a limit typed in one unit is still the
same limit after a trip through another. Where a unit is defined only by published digits (water
and mercury columns at a stated temperature) those digits are taken as exact and named in
``Unit.definition``.

Sources: NIST SP 811 (2008) Appendix B.8/B.9 (factors); ISO 80000-4 and the 3rd CGPM 1901 for the
standard acceleration of free fall 9.80665 m/s2; the international pound 0.45359237 kg and inch
0.0254 m (1959). UCUM and UN/ECE Recommendation 20 codes as listed by QUDT.

A water column without a temperature is several units (up to 0.18 % apart) and is refused with
the choices. Gauge, differential, absolute and vacuum are not units but *modes* of a pressure:
:func:`split_unit_mode` takes ``psig`` apart, :func:`convert_mode` changes the mode and asks for
the barometric pressure where one is needed.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from decimal import Decimal
from enum import StrEnum
from fractions import Fraction
from math import isfinite
from types import MappingProxyType

from calfleet.errors import BadQuantity, UnitAmbiguous, UnitUnknown

Number = int | float | Fraction | Decimal


class Dimension(StrEnum):
    """What a unit measures; only units of one dimension convert into each other."""

    PRESSURE = "pressure"
    TEMPERATURE = "temperature"


class PressureMode(StrEnum):
    """What a pressure is counted from.

    gauge: from the surrounding air, up. vacuum: from the surrounding air, down (a vacuum of
    60 kPa is a gauge pressure of -60 kPa). absolute: from zero pressure. differential: one port
    against the other, whatever the air does.
    """

    GAUGE = "gauge"
    DIFFERENTIAL = "differential"
    ABSOLUTE = "absolute"
    VACUUM = "vacuum"


@dataclass(frozen=True, slots=True)
class Unit:
    """One unit: SI value = ``factor`` * number + ``offset`` (pascal or kelvin).

    ``code`` is what is typed and stored, ``symbol`` what is printed. ``ucum``, ``unece`` and
    ``dsi`` are the codes of UCUM, UN/ECE Recommendation 20 and the D-SI format, ``None`` where
    the list has none or none is proven; a ``dsi`` that begins with ``|`` is a non-SI name that an
    exporter must declare.
    """

    code: str
    symbol: str
    dimension: Dimension
    factor: Fraction
    offset: Fraction = Fraction(0)
    ucum: str | None = None
    unece: str | None = None
    dsi: str | None = None
    definition: str = ""

    def __str__(self) -> str:
        return self.symbol


_G = Fraction("9.80665")
_INCH = Fraction("0.0254")
_POUND = Fraction("0.45359237")
_PSI = _POUND * _G / _INCH**2

_WATER_INCH: dict[str, tuple[Fraction, str, str]] = {
    "conv": (1000 * _G * _INCH, "conv.", "conventional: 1000 kg/m3 x 9.80665 m/s2, exact"),
    "4C": (Fraction("249.082"), "4 °C", "water at 4 degC (39.2 degF): 249.082 Pa per inch, SP 811"),
    "60F": (Fraction("248.84"), "60 °F", "water at 60 degF: 248.84 Pa per inch, SP 811"),
    "20C": (
        Fraction("248.641"),
        "20 °C",
        "water at 20 degC (68 degF): 248.641 Pa per inch, makers' convention (not in SP 811)",
    ),
}
_LENGTHS: dict[str, Fraction] = {
    "mm": Fraction(10, 254),
    "cm": Fraction(100, 254),
    "m": Fraction(10000, 254),
    "in": Fraction(1),
    "ft": Fraction(12),
}
_WATER_CODES: dict[str, tuple[str | None, str | None]] = {
    "mmH2O_conv": ("mm[H2O]", "HP"),
    "cmH2O_conv": ("cm[H2O]", "H78"),
    "mH2O_conv": ("m[H2O]", "N23"),
    "inH2O_conv": ("[in_i'H2O]", "F78"),
    "ftH2O_conv": (None, "K24"),
    "cmH2O_4C": (None, "N14"),
    "ftH2O_4C": (None, "N15"),
    "inH2O_4C": (None, "N18"),
    "inH2O_60F": (None, "N19"),
}


def _all_units() -> Iterable[Unit]:
    p = Dimension.PRESSURE
    t = Dimension.TEMPERATURE
    yield Unit("Pa", "Pa", p, Fraction(1), ucum="Pa", unece="PAL", dsi=r"\pascal")
    yield Unit("hPa", "hPa", p, Fraction(100), ucum="hPa", unece="A97", dsi=r"\hecto\pascal")
    yield Unit("kPa", "kPa", p, Fraction(1000), ucum="kPa", unece="KPA", dsi=r"\kilo\pascal")
    yield Unit("MPa", "MPa", p, Fraction(10**6), ucum="MPa", unece="MPA", dsi=r"\mega\pascal")
    yield Unit("mbar", "mbar", p, Fraction(100), ucum="mbar", unece="MBR", dsi=r"\milli\bar")
    yield Unit("bar", "bar", p, Fraction(10**5), ucum="bar", unece="BAR", dsi=r"\bar")
    yield Unit(
        "psi", "psi", p, _PSI, ucum="[psi]", unece="PS", dsi="|psi",
        definition="0.45359237 kg x 9.80665 m/s2 / (0.0254 m)2, exact",
    )  # fmt: skip
    yield Unit(
        "ozf/in2",
        "ozf/in²",
        p,
        _PSI / 16,
        unece="N22",
        dsi="|ozf_in2",
        definition="psi / 16, exact",
    )
    yield Unit(
        "lbf/ft2",
        "lbf/ft²",
        p,
        _PSI / 144,
        unece="K85",
        dsi="|lbf_ft2",
        definition="psi / 144, exact",
    )
    yield Unit(
        "kgf/cm2", "kgf/cm²", p, Fraction("98066.5"), ucum="kgf.cm-2", unece="E42",
        dsi="|kgf_cm2", definition="technical atmosphere, exact",
    )  # fmt: skip
    yield Unit(
        "atm", "atm", p, Fraction(101325), ucum="atm", unece="ATM", dsi="|atm",
        definition="standard atmosphere, exact",
    )  # fmt: skip
    yield Unit(
        "Torr", "Torr", p, Fraction(101325, 760), unece="UA", dsi="|Torr",
        definition="standard atmosphere / 760, exact",
    )  # fmt: skip
    yield Unit(
        "mmHg_conv", "mmHg", p, Fraction("133.322387415"), ucum="mm[Hg]", unece="HN",
        dsi=r"\mmHg", definition="conventional: 13595.1 kg/m3 x 9.80665 m/s2, exact",
    )  # fmt: skip
    yield Unit(
        "inHg_conv", "inHg (conv.)", p, Fraction("133.322387415") * Fraction("25.4"),
        ucum="[in_i'Hg]", unece="F79", dsi="|inHg_conv",
        definition="conventional: 13595.1 kg/m3 x 9.80665 m/s2, exact",
    )  # fmt: skip
    yield Unit(
        "inHg_32F", "inHg (32 °F)", p, Fraction("3386.38"), unece="N16", dsi="|inHg_32F",
        definition="mercury at 32 degF (0 degC): 3386.38 Pa, SP 811",
    )  # fmt: skip
    yield Unit(
        "inHg_60F", "inHg (60 °F)", p, Fraction("3376.85"), unece="N17", dsi="|inHg_60F",
        definition="mercury at 60 degF: 3376.85 Pa, SP 811",
    )  # fmt: skip
    for length, inches in _LENGTHS.items():
        for condition, (inch, words, definition) in _WATER_INCH.items():
            code = f"{length}H2O_{condition}"
            ucum, unece = _WATER_CODES.get(code, (None, None))
            yield Unit(
                code, f"{length}H₂O ({words})", p, inch * inches, ucum=ucum, unece=unece,
                dsi=f"|{code}", definition=definition,
            )  # fmt: skip
    yield Unit("K", "K", t, Fraction(1), ucum="K", unece="KEL", dsi=r"\kelvin")
    yield Unit(
        "degC", "°C", t, Fraction(1), Fraction("273.15"), ucum="Cel", unece="CEL",
        dsi=r"\degreecelsius", definition="t/degC = T/K - 273.15",
    )  # fmt: skip
    yield Unit(
        "degF", "°F", t, Fraction(5, 9), Fraction("459.67") * Fraction(5, 9), ucum="[degF]",
        unece="FAH", dsi="|degF", definition="t/degC = (t/degF - 32)/1.8",
    )  # fmt: skip
    yield Unit(
        "degR", "°R", t, Fraction(5, 9), ucum="[degR]", unece="A48", dsi="|degR",
        definition="T/K = (T/degR)/1.8",
    )  # fmt: skip


UNITS: Mapping[str, Unit] = MappingProxyType({unit.code: unit for unit in _all_units()})

# Other spellings, squeezed (see _squeeze) and in lower case. A spelling that would be wrong in
# another case (mPa is a millipascal, Mbar a megabar) is kept out by _CASE_MATTERS.
ALIASES: Mapping[str, str] = MappingProxyType(
    {
        **{code.casefold().replace("_", ""): code for code in UNITS},
        "pascal": "Pa",
        "pascals": "Pa",
        "kilopascal": "kPa",
        "megapascal": "MPa",
        "hectopascal": "hPa",
        "millibar": "mbar",
        "bars": "bar",
        "lbf/in2": "psi",
        "lb/in2": "psi",
        "lbs/in2": "psi",
        "oz/in2": "ozf/in2",
        "osi": "ozf/in2",
        "psf": "lbf/ft2",
        "lb/ft2": "lbf/ft2",
        "kg/cm2": "kgf/cm2",
        "kp/cm2": "kgf/cm2",
        "ksc": "kgf/cm2",
        "at": "kgf/cm2",
        "mmhg": "mmHg_conv",
        "kelvin": "K",
        "°c": "degC",
        "c": "degC",
        "celsius": "degC",
        "°f": "degF",
        "f": "degF",
        "fahrenheit": "degF",
        "°r": "degR",
        "rankine": "degR",
    }
)
_CASE_MATTERS = {"mPa", "mpa", "Mbar", "MBar"}

_WATER = re.compile(
    r"(?P<length>in|inch|inches|\"|''|mm|cm|m|ft|foot|feet|)"
    r"(?:of)?(?:h2o|wc|wg|ws|aq|watercolumn|watergauge|water)"
    r"(?P<condition>conv|conventional|4c|39\.?2f|60f|15\.?6c|20c|68f|)"
)
_WATER_CONDITION = {
    "conv": "conv",
    "conventional": "conv",
    "4c": "4C",
    "392f": "4C",
    "60f": "60F",
    "156c": "60F",
    "20c": "20C",
    "68f": "20C",
}
_WATER_LENGTH = {
    "inch": "in",
    "inches": "in",
    '"': "in",
    "''": "in",
    "foot": "ft",
    "feet": "ft",
}
_INCH_MERCURY = re.compile(
    r"(?:in|inch|inches|\"|'')(?:of)?(?:hg|mercury)(?P<condition>conv|conventional|32f|0c|60f|)"
)
_MERCURY_CONDITION = {
    "conv": "conv",
    "conventional": "conv",
    "32f": "32F",
    "0c": "32F",
    "60f": "60F",
}
_MODES = {
    "g": PressureMode.GAUGE,
    "gauge": PressureMode.GAUGE,
    "gage": PressureMode.GAUGE,
    "a": PressureMode.ABSOLUTE,
    "abs": PressureMode.ABSOLUTE,
    "absolute": PressureMode.ABSOLUTE,
    "d": PressureMode.DIFFERENTIAL,
    "diff": PressureMode.DIFFERENTIAL,
    "differential": PressureMode.DIFFERENTIAL,
    "v": PressureMode.VACUUM,
    "vac": PressureMode.VACUUM,
    "vacuum": PressureMode.VACUUM,
}
_MODE_SUFFIX = re.compile(
    r"(?P<unit>.+?)[\s(\[.-]*(?P<mode>"
    + "|".join(sorted(_MODES, key=len, reverse=True))
    + r")[)\]]?",
    re.IGNORECASE,
)


def exact(value: Number) -> Fraction:
    """The value as an exact fraction; a float counts as its shortest decimal text.

    ``0.1`` becomes 1/10, not the binary neighbour of it, because a float here is always a number
    that somebody typed. nan and infinities are no quantities.

    >>> exact(0.1)
    Fraction(1, 10)

    Raises BadQuantity for nan and infinities.
    """
    if isinstance(value, Fraction):
        return value
    if isinstance(value, int):
        return Fraction(value)
    if not isfinite(value):
        raise BadQuantity(
            f"{value} is not a quantity.",
            rule="A quantity is a finite number.",
            next_step="Leave the value out where nothing was measured.",
        )
    number = value if isinstance(value, Decimal) else Decimal(repr(float(value)))
    return Fraction(*number.as_integer_ratio())


def _squeeze(text: str) -> str:
    plain = unicodedata.normalize("NFKC", text.replace("″", '"').replace("”", '"'))
    plain = plain.replace("deg ", "deg").replace("²", "2").replace("^", "")
    return re.sub(r"[\s._@()\[\]]", "", plain)


def _column(key: str, text: str) -> Unit | None:
    """The water or mercury column meant, None when the text is neither; refuses a bare column."""
    key = key.replace("°", "").replace("deg", "")
    water = _WATER.fullmatch(key)
    if water is not None:
        typed_length = water["length"]
        length = _WATER_LENGTH.get(typed_length, typed_length)
        typed = water["condition"].replace(".", "")
        if length and typed:
            return UNITS[f"{length}H2O_{_WATER_CONDITION[typed]}"]
        lengths = [length] if length else ["in", "mm"]
        conditions = [_WATER_CONDITION[typed]] if typed else list(_WATER_INCH)
        raise _ambiguous(text, [f"{one}H2O_{c}" for one in lengths for c in conditions])
    mercury = _INCH_MERCURY.fullmatch(key)
    if mercury is not None:
        if mercury["condition"]:
            return UNITS[f"inHg_{_MERCURY_CONDITION[mercury['condition']]}"]
        raise _ambiguous(text, ["inHg_conv", "inHg_32F", "inHg_60F"])
    return None


def _ambiguous(text: str, codes: list[str]) -> UnitAmbiguous:
    choices = ", ".join(f"{code} = {float(UNITS[code].factor):.8g} Pa" for code in codes)
    return UnitAmbiguous(
        f"The unit {text!r} has several meanings.",
        rule="A liquid column is a unit only with the condition of its liquid.",
        next_step=f"Find out which one the scale means and write one of: {choices}.",
    )


_COMMON = (
    "Common ones: Pa, kPa, MPa, mbar, bar, psi, mmH2O_4C, inH2O_60F, degC; "
    "docs/input-files.md lists all."
)


def _unknown(text: str) -> UnitUnknown:
    import difflib

    key = _squeeze(text).casefold()
    near = difflib.get_close_matches(key, list(ALIASES), n=3, cutoff=0.6)
    codes = list(dict.fromkeys(ALIASES[name] for name in near))
    return UnitUnknown(
        f"No unit named {text!r}.",
        rule="A unit is written by its code.",
        next_step=f"Nearest: {', '.join(codes)}." if codes else _COMMON,
    )


def find_unit(text: str) -> Unit:
    """The unit a text names: its code, or one of the documented other spellings (``ALIASES``).

    Blanks, dots, brackets and raised digits do not matter; capitals do not either, except where
    they change the unit (``mPa`` is no ``MPa`` and is refused).

    >>> find_unit("kg/cm²").code
    'kgf/cm2'
    >>> find_unit("in. H2O @ 60°F").code
    'inH2O_60F'

    Raises UnitUnknown (with the nearest codes), and UnitAmbiguous for a water column or an inch
    of mercury without its condition (with the choices).
    Source: NIST SP 811 (2008) B.8, which lists each column once per condition.
    """
    if text in UNITS:
        return UNITS[text]
    squeezed = _squeeze(text)
    if squeezed in _CASE_MATTERS:
        raise _unknown(text)
    key = squeezed.casefold()
    if key in ALIASES:
        return UNITS[ALIASES[key]]
    column = _column(key, text)
    if column is not None:
        return column
    raise _unknown(text)


def split_unit_mode(text: str) -> tuple[Unit, PressureMode | None]:
    """The unit and the pressure mode written into it; the mode is None where none is written.

    >>> unit, mode = split_unit_mode("psig")
    >>> unit.code, str(mode)
    ('psi', 'gauge')
    >>> split_unit_mode("mmHg")[1] is None
    True

    Raises UnitUnknown and UnitAmbiguous as :func:`find_unit`.
    """
    try:
        return find_unit(text), None
    except UnitUnknown:
        match = _MODE_SUFFIX.fullmatch(text.strip())
        if match is None:
            raise
        try:
            unit = find_unit(match["unit"])
        except UnitUnknown:
            raise _unknown(text) from None
        if unit.dimension is not Dimension.PRESSURE:
            raise
        return unit, _MODES[match["mode"].casefold()]


def _unit(unit: Unit | str) -> Unit:
    return find_unit(unit) if isinstance(unit, str) else unit


# Comparing and subtracting fractions is most of what judging many thousands of readings costs, and
# most of that is what ``Fraction`` asks about numbers of other kinds. These say the same.


def at_most(a: Fraction, b: Fraction) -> bool:
    """``a <= b``."""
    n, d = a.as_integer_ratio()
    m, e = b.as_integer_ratio()
    return n * e <= m * d


def less(a: Fraction, b: Fraction) -> Fraction:
    """``a - b``."""
    n, d = a.as_integer_ratio()
    m, e = b.as_integer_ratio()
    return Fraction(n * e - m * d, d * e)


def double_less(a: Fraction, b: Fraction) -> float:
    """``float(a - b)``: the quotient of two whole numbers is rounded once, whatever their size."""
    n, d = a.as_integer_ratio()
    m, e = b.as_integer_ratio()
    return (n * e - m * d) / (d * e)


_FACTORS: dict[tuple[str, str], tuple[Unit, Unit, Fraction]] = {}


def _factor(source: Unit, target: Unit) -> Fraction:
    """How many of ``target`` one of ``source`` is; kept once computed."""
    held = _FACTORS.get((source.code, target.code))
    if held is None or held[0] is not source or held[1] is not target:
        held = (source, target, source.factor / target.factor)
        _FACTORS[source.code, target.code] = held
    return held[2]


def _same_dimension(source: Unit, target: Unit) -> None:
    if source.dimension is not target.dimension:
        raise BadQuantity(
            f"{source.code} is a unit of {source.dimension}, {target.code} of {target.dimension}.",
            rule="Only units of one kind convert into each other.",
            next_step=f"Give the value in a unit of {target.dimension}.",
        )


def convert(value: Number, source: Unit | str, target: Unit | str) -> Fraction:
    """The same point on the scale in another unit, exact; offsets of degC and degF honoured.

    value: a pressure or a temperature in ``source``. A temperature below absolute zero is no
    quantity. For intervals of temperature use :func:`convert_difference`.

    >>> convert(212, "degF", "degC")
    Fraction(100, 1)
    >>> f"{float(convert(1, 'psi', 'Pa')):.6f}"
    '6894.757293'

    Raises BadQuantity for different dimensions, nan, infinities, below absolute zero.
    Source: NIST SP 811 (2008) B.8 and B.9.
    """
    source, target = _unit(source), _unit(target)
    _same_dimension(source, target)
    number = exact(value)
    if source.dimension is Dimension.PRESSURE and not source.offset and not target.offset:
        return number if source is target else number * _factor(source, target)
    if source == target:
        si = number * source.factor + source.offset
        result = number
    else:
        si = number * source.factor + source.offset
        result = (si - target.offset) / target.factor
    if source.dimension is Dimension.TEMPERATURE and si < 0:
        raise BadQuantity(
            f"{float(number):g} {source.code} is below absolute zero.",
            rule="A temperature is at least 0 K.",
            next_step="Check the number and its unit.",
        )
    return result


def convert_difference(value: Number, source: Unit | str, target: Unit | str) -> Fraction:
    """The same difference in another unit, exact; offsets play no part.

    >>> convert_difference(1, "degC", "degF")
    Fraction(9, 5)

    Raises BadQuantity for different dimensions, nan, infinities.
    Source: NIST SP 811 (2008) B.9 (temperature interval).
    """
    source, target = _unit(source), _unit(target)
    _same_dimension(source, target)
    return exact(value) * source.factor / target.factor


def convert_mode(
    value: Number,
    unit: Unit | str,
    source: PressureMode,
    target: PressureMode,
    barometric: Number | None = None,
) -> Fraction:
    """The same pressure counted in another mode, in the same unit, exact.

    ``barometric`` is the absolute pressure of the air, in ``unit``; it is needed exactly when one
    of the two modes is absolute and the other is not. A differential pressure is not counted from
    the air and converts into no other mode: whoever knows that the low port was open to the air
    records the pressure as a gauge pressure.

    >>> convert_mode(Fraction("60.5"), "kPa", PressureMode.VACUUM, PressureMode.GAUGE)
    Fraction(-121, 2)
    >>> convert_mode(0, "kPa", PressureMode.GAUGE, PressureMode.ABSOLUTE, Fraction("101.325"))
    Fraction(4053, 40)

    Raises BadQuantity: not a pressure; barometric pressure missing or not above zero; an absolute
    pressure below zero; differential mixed with another mode.
    """
    unit = _unit(unit)
    if unit.dimension is not Dimension.PRESSURE:
        raise BadQuantity(
            f"{unit.code} is no unit of pressure.",
            rule="Only a pressure has a pressure mode.",
            next_step="Leave the mode out for this quantity.",
        )
    number = exact(value)
    if source is PressureMode.ABSOLUTE:
        _not_below_vacuum(number, unit)
    if source is target:
        return number
    if PressureMode.DIFFERENTIAL in (source, target):
        raise BadQuantity(
            f"A pressure recorded as {source} is not a {target} pressure.",
            rule="A differential pressure is counted from the other port, not from the air.",
            next_step="If the low port was open to the air, record the pressure as gauge pressure.",
        )
    gauge = number
    if PressureMode.ABSOLUTE in (source, target):
        if barometric is None:
            raise BadQuantity(
                f"{source} to {target} pressure without a barometric pressure.",
                rule="Absolute and gauge pressure differ by the pressure of the air on the day.",
                next_step=f"Record the barometric pressure in {unit.code}.",
            )
        air = exact(barometric)
        if air <= 0:
            raise BadQuantity(
                f"The barometric pressure {float(air):g} {unit.code} is not above zero.",
                rule="The pressure of the air is an absolute pressure above zero.",
                next_step=f"Record the absolute pressure of the air in {unit.code}.",
            )
        if source is PressureMode.ABSOLUTE:
            gauge = number - air
        else:
            gauge = -number if source is PressureMode.VACUUM else number
            total = gauge + air
            _not_below_vacuum(total, unit)
            return total
    elif source is PressureMode.VACUUM:
        gauge = -number
    return -gauge if target is PressureMode.VACUUM else gauge


def _not_below_vacuum(pressure: Fraction, unit: Unit) -> None:
    if pressure < 0:
        raise BadQuantity(
            f"An absolute pressure of {float(pressure):g} {unit.code} does not exist.",
            rule="An absolute pressure is at least zero.",
            next_step="Check the number, its mode and the barometric pressure.",
        )
