"""One cell of a shop's sheet, understood as its column is mapped: number, unit, range, day, word.

Values keep the unit they were written in; whoever puts a row together brings them to one unit,
exactly or not at all (``in_unit``).
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime
from decimal import Decimal
from fnmatch import fnmatchcase
from fractions import Fraction
from functools import lru_cache

from calfleet import records as rec
from calfleet.adapters.workbook.grids import Broken, Shown
from calfleet.adapters.workbook.loose import (
    Band,
    Decimals,
    Misread,
    band,
    clean,
    measured,
    serial_or_day,
    span,
)
from calfleet.adapters.workbook.moving_map import ColumnUse, Sort
from calfleet.adapters.workbook.siterows import TOLERANCE_BASES
from calfleet.adapters.workbook.tables import shown
from calfleet.errors import CalfleetError
from calfleet.metrology.units import (
    PressureMode,
    convert,
    convert_difference,
    split_unit_mode,
)

NOTHING = frozenset({"-", "--", "---", "–", "—", "."})
"""What people type to show that a cell is blank on purpose (common practice, no source)."""

OF_GAUGE, OF_SWITCH = "of the gauge", "of the switch"
"""Units of readings that the mapping names by what they belong to."""

OUTCOMES = frozenset(str(each) for each in rec.CycleOutcome)
_LENGTHS = {"m": 0, "cm": -2, "mm": -3}
_MINUTES = {
    **dict.fromkeys(("min", "mins", "minute", "minutes"), 1),
    **dict.fromkeys(("h", "hr", "hrs", "hour", "hours"), 60),
}
_MEASURED = frozenset({Sort.VALUE, Sort.SPREAD, Sort.BAND, Sort.RANGE, Sort.SPREADS})
_NUMBERS = _MEASURED | {Sort.NUMBER, Sort.SHARE, Sort.WHOLE}
_AS_SHOWN = frozenset({Sort.TEXT, Sort.WORD, Sort.LIST})
_SEVERAL = re.compile(
    r"(?<!\d )(?<![\d.,])[\d.,]*\d\s*[^\W\d]*\s*(?:[/;|&\n]|\band\b)\s*(?:[^\W\d]+[ :=]\s*)?\d"
)
"""Two numbers in a cell, as in 'HH 5.2 bar / H 4.8 bar', not '4 1/2 bar' nor '4 kg/cm2'."""
_CELSIUS = frozenset(
    {"temperature_c", "temperature_min_c", "temperature_max_c", "Reference temperature"}
)


@dataclass(frozen=True, slots=True)
class Value:
    """A number with the code of its unit ('' where none is told) and the mode written with it."""

    number: Decimal
    unit: str = ""
    mode: PressureMode | None = None


@dataclass(frozen=True, slots=True)
class Ends:
    """A range; ``low`` is ``None`` where only its upper end is told."""

    low: Decimal | None
    high: Decimal
    unit: str = ""
    mode: PressureMode | None = None


@dataclass(frozen=True, slots=True)
class Tolerance:
    """Magnitudes below and above (``None``: open); ``basis`` is '' where nothing tells it."""

    minus: Decimal | None
    plus: Decimal | None
    basis: str = ""
    unit: str = ""


@dataclass(frozen=True, slots=True)
class Outcome:
    """A word in the place of a reading: the switch did not trip, did not reset ..."""

    word: str


class Endless(Misread):
    """A value that has no end of digits in the unit asked for."""


def blank(value: object) -> bool:
    if value is None:
        return True
    if isinstance(value, str):
        plain = value.strip()
        return not plain or plain in NOTHING or not clean(plain)
    return False


def plain(value: object) -> str:
    """The text of a cell as its words are looked up."""
    if isinstance(value, str):
        return clean(value)
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, datetime):
        return value.date().isoformat()
    if isinstance(value, date):
        return value.isoformat()
    if isinstance(value, Decimal):
        return format(value, "f")
    return str(value)


def translated(text: str, words: Sequence[tuple[str, str]]) -> str | None:
    """What ``words`` say for the text, ``None`` where they say nothing; capitals do not count."""
    folded = text.casefold()
    for said, meant in words:
        if said.casefold() == folded:
            return meant
    for said, meant in words:
        if "*" in said and fnmatchcase(folded, said.casefold().replace("[", "[[]")):
            return meant
    return None


@lru_cache(maxsize=4096)
def unit_and_mode(text: str) -> tuple[str, PressureMode | None]:
    """The code of a unit and the mode written with it ("barg"). Raises Misread."""
    if text in (OF_GAUGE, OF_SWITCH):
        return text, None
    try:
        unit, mode = split_unit_mode(text)
    except CalfleetError as error:
        raise Misread(error.message, error.next_step) from error
    return unit.code, mode


def _unit_of(text: str, use: ColumnUse) -> tuple[str, PressureMode | None]:
    """The unit behind a number, else the column's; words of the column are looked up first."""
    if text:
        return unit_and_mode(translated(text, use.words) or text)
    if use.unit and not use.unit.startswith("%"):
        return unit_and_mode(use.unit)
    return "", None


def understood(value: object, sort: Sort, use: ColumnUse, *, epoch_1904: bool) -> object:
    """What a cell says: ``None`` for a blank one, else a plain value or one of the classes here.

    Raises Misread.
    """
    if isinstance(value, Broken):
        raise Misread(value.message, value.hint)
    if blank(value):
        return None
    if isinstance(value, Shown):
        use = replace(use, decimals=Decimals.POINT)
        if sort in _AS_SHOWN:
            if value.unclear is not None:
                raise Misread(value.unclear.message, value.unclear.hint)
        elif sort in _NUMBERS:
            value = _as_seen(value, sort, use)
        elif value.number is None:
            value = value.measured
        else:
            value = value.number
    if use.words:
        found = translated(plain(value), use.words)
        if found is not None:
            if not found:
                return None
            value = found
    return _READERS[sort](value, use, epoch_1904)


def _as_seen(value: Shown, sort: Sort, use: ColumnUse) -> object:
    """The number of a cell with what its format shows around it, as if it had been typed.

    Raises Misread: a person sees another number, or per cent of something else.
    """
    if value.differs is not None:
        if sort is Sort.WHOLE and value.unclear is None:
            return str(value)  # "Rev-2"
        raise Misread(value.differs.message, value.differs.hint)
    of_cell = re.fullmatch(r"[^%]*%\s*([^\W\d_].*)", str(value.measured), re.DOTALL)
    if of_cell is not None and use.unit.startswith("% of"):
        basis = band(f"1 %{of_cell[1]}").basis
        if basis != use.unit:
            raise Misread(
                f"The cell shows {str(value)!r}, and the mapping says {use.unit!r}.",
                "Correct the number format of the cell, or the unit of the column in the mapping.",
            )
    return value.measured


def _number(value: object, use: ColumnUse) -> tuple[Decimal, str]:
    """The number of a cell and the text behind it."""
    if isinstance(value, bool) or not isinstance(value, Decimal | int | str):
        raise Misread(f"{shown(value)} is not a number.", "Enter digits, and the unit behind them.")
    if isinstance(value, str):
        found = measured(value, use.decimals)
        return found.number, found.unit
    return Decimal(value), ""


def _text(value: object, use: ColumnUse, epoch: bool) -> object:
    return plain(value)


def _flag(value: object, use: ColumnUse, epoch: bool) -> object:
    return value if isinstance(value, bool) else plain(value)


def _list(value: object, use: ColumnUse, epoch: bool) -> object:
    parts = [each.strip() for each in re.split(r"[,;/\n]", plain(value)) if each.strip()]
    meant = [translated(each, use.words) for each in parts]
    return [m if m is not None else each for m, each in zip(meant, parts, strict=True) if m != ""]


def _plain_number(value: object, use: ColumnUse, epoch: bool) -> object:
    number, behind = _number(value, use)
    behind = behind or use.unit
    if not behind:
        return number
    if use.field in _CELSIUS:
        return in_unit(Value(number, *unit_and_mode(behind)), "degC")
    if use.field.startswith("head_height") and behind in _LENGTHS:
        return number.scaleb(_LENGTHS[behind])
    if use.field == "head_density_kg_m3" and re.fullmatch(r"kg/m(3|³|\^3)", behind):
        return number
    if use.field == "barometric":
        return Value(number, *unit_and_mode(behind))
    raise Misread(f"{shown(value)}: {behind!r} is not a unit of {use.field}.", "Enter the number.")


def _whole(value: object, use: ColumnUse, epoch: bool) -> object:
    if isinstance(value, str) and (found := re.fullmatch(r"\D{0,8}?(\d{1,9})\.?", clean(value))):
        return int(found[1])  # "Rev. 2"
    number, behind = _number(value, use)
    behind = (behind or use.unit).casefold()
    if behind in _MINUTES and use.field == "Bench minutes":
        return number * _MINUTES[behind]
    if behind:
        raise Misread(f"{shown(value)} is not a whole number.", "Enter the number alone.")
    return number


def _share(value: object, use: ColumnUse, epoch: bool) -> object:
    number, behind = _number(value, use)
    first = (behind or use.unit).strip()[:1]
    if first == "%":
        return number.scaleb(-2)
    if behind:
        raise Misread(f"{shown(value)} is not a share.", "45 % is 0.45 or 45 %.")
    if number > 1:
        raise Misread(
            f"{shown(value)} is not a share between 0 and 1.",
            '45 % is 0.45 or 45 %. For a column in per cent, add unit = "%" to it in the mapping.',
        )
    return number


def _day(value: object, use: ColumnUse, epoch: bool) -> object:
    return serial_or_day(value, use.date_order, epoch_1904=epoch)


def _unit(value: object, use: ColumnUse, epoch: bool) -> object:
    return Value(Decimal(0), *unit_and_mode(plain(value)))


def _value(value: object, use: ColumnUse, epoch: bool) -> object:
    if isinstance(value, str) and value in OUTCOMES:
        return Outcome(value)
    if isinstance(value, str) and use.field == "Set point" and _SEVERAL.search(value):
        raise Misread(
            f"{shown(value)} is more than one set point.",
            'Split it: a column for each, with set_point = "HH" and set_point = "H" in the '
            "mapping, or a row for each with its label. Of one value in two units keep one.",
        )
    number, behind = _number(value, use)
    return Value(number, *_unit_of(behind, use))


def _spread(value: object, use: ColumnUse, epoch: bool) -> object:
    if isinstance(value, str):
        found = band(value, use.decimals)  # "±0.1 bar" and "0.1 bar" alike
        if found.basis == "absolute" and found.minus == found.plus and found.plus is not None:
            return Value(found.plus, *_unit_of(found.unit, use))
        if found.basis == "absolute" and None in (found.minus, found.plus):
            one = found.plus if found.minus is None else found.minus
            return Value(one or Decimal(0), *_unit_of(found.unit, use))
        if found.minus == found.plus and found.plus is not None:
            return Value(found.plus, found.basis if found.basis != "%" else use.unit or "%")
        raise Misread(f"{value!r} is not one number.", "Map the column as a tolerance.")
    number, _ = _number(value, use)
    if use.unit.startswith("%"):
        return Value(number, use.unit)
    return Value(number, *_unit_of("", use))


def _band(value: object, use: ColumnUse, epoch: bool) -> object:
    if not isinstance(value, str):
        number, _ = _number(value, use)
        if use.unit.startswith("%"):
            return Tolerance(number, number, use.unit if use.unit != "%" else "")
        unit, _ = _unit_of("", use)
        return Tolerance(number, number, "absolute" if unit else "", unit)
    found = band(value, use.decimals)
    if None in (found.minus, found.plus) and "open" not in value.casefold():
        raise _one_side(value, found, use)
    if found.basis == "%":
        basis = use.unit if use.unit in TOLERANCE_BASES or use.unit == "% of reading" else ""
        return Tolerance(found.minus, found.plus, basis, "%")
    if found.basis != "absolute":
        return Tolerance(found.minus, found.plus, found.basis)
    if not found.unit and use.unit.startswith("%"):
        return Tolerance(found.minus, found.plus, use.unit if use.unit != "%" else "", "%")
    unit, _ = _unit_of(found.unit, use)
    return Tolerance(found.minus, found.plus, "absolute" if unit else "", unit)


def _one_side(text: str, found: Band, use: ColumnUse) -> Misread:
    """A sign alone: many write it for both sides, and an open side is a limit given up."""
    number = (found.plus if found.minus is None else found.minus) or Decimal(0)
    behind = found.unit if found.basis == "absolute" else found.basis
    unit = f" {behind}" if behind else ""
    sign, other = ("-", "+") if found.plus is None else ("+", "-")
    both = f"Write '+/- {number}{unit}' for both sides"
    if use.field == "Accuracy":
        return Misread(f"{text!r} gives one side of an error.", f"{both}.")
    return Misread(
        f"{text!r}: it is not clear whether this is both sides, or one with the other open.",
        f"{both}, '{sign}{number}/{other}{2 * number}{unit}' for two different ones, or "
        f"'{sign}{number}/open{unit}' for an open side; or give the sides in two columns, mapped "
        "to 'Tolerance minus' and 'Tolerance plus'.",
    )


def _range(value: object, use: ColumnUse, epoch: bool) -> object:
    if not isinstance(value, str):
        raise Misread(f"{shown(value)} is not a range.", "Write it as '0 to 10 bar'.")
    found = span(value, use.decimals)
    return Ends(found.low, found.high, *_unit_of(found.unit, use))


def _spreads(value: object, use: ColumnUse, epoch: bool) -> object:
    """A dead band: two ends, or its most alone."""
    if isinstance(value, str):
        try:
            found = span(value, use.decimals)
        except Misread:
            plain_text = re.sub(r"(?i)^(?:<=?|≤|max\.?|up to)\s*", "", clean(value))
            plain_text = re.sub(r"(?i)\s*\(?max\.?\)?$", "", plain_text)
            one = measured(plain_text, use.decimals)
            return Ends(None, one.number, *_unit_of(one.unit, use))
        return Ends(found.low, found.high, *_unit_of(found.unit, use))
    number, _ = _number(value, use)
    return Ends(None, number, *_unit_of("", use))


_READERS = {
    Sort.TEXT: _text, Sort.WORD: _text, Sort.FLAG: _flag, Sort.LIST: _list,
    Sort.NUMBER: _plain_number, Sort.VALUE: _value, Sort.SPREAD: _spread, Sort.BAND: _band,
    Sort.RANGE: _range, Sort.SPREADS: _spreads, Sort.SHARE: _share, Sort.WHOLE: _whole,
    Sort.DAY: _day, Sort.UNIT: _unit,
}  # fmt: skip


# --- units --------------------------------------------------------------------------------


def in_unit(value: Value, unit: str, *, difference: bool = False) -> Decimal:
    """The number in ``unit``, exactly; as it stands where it names no unit.

    >>> in_unit(Value(Decimal("2.5"), "bar"), "kPa")
    Decimal('250')

    Raises Misread: another dimension; Endless: no finite decimal (30 psi is none in bar).
    """
    if not value.unit or not unit or value.unit == unit:
        return value.number
    turn = convert_difference if difference else convert
    try:
        exact = turn(Fraction(value.number), value.unit, unit)
    except CalfleetError as error:
        raise Misread(error.message, error.next_step) from error
    found = exact_decimal(exact)
    if found is None:
        raise Endless(
            f"{value.number} {value.unit} is {float(exact):.9g}... {unit}, no number with an end.",
            f"Give it in {unit} as the data sheet, the certificate or the instrument states it: it "
            "is not rounded here, that would be another value.",
        )
    return found


def exact_decimal(value: Fraction) -> Decimal | None:
    """The fraction as a decimal, ``None`` where it has none with at most 30 digits.

    >>> exact_decimal(Fraction(5, 2)), exact_decimal(Fraction(1, 3))
    (Decimal('2.5'), None)
    """
    rest, power = value.denominator, 0
    while rest % 10 == 0:
        rest, power = rest // 10, power + 1
    while rest % 2 == 0 or rest % 5 == 0:
        rest, power = rest // (2 if rest % 2 == 0 else 5), power + 1
    if rest != 1 or power > 30:
        return None
    scaled = value * 10**power
    digits = Decimal(scaled.numerator)
    return Decimal(format(digits.scaleb(-power), "f")) if len(str(digits)) <= 27 else None
