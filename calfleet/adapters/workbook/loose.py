"""What people type into cells, taken apart: numbers with units, ranges, tolerances, dates, words.

Nothing is guessed here. Where a text has two meanings (1,234; 03/04/2025) the caller says which
one holds for the column, from what ``column_dates`` and ``column_decimals`` find in all of its
cells, or from the mapping; without that the text is refused with both meanings named.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date, datetime
from decimal import Decimal
from enum import StrEnum

from calfleet.adapters.workbook.grid_cells import serial_day
from calfleet.errors import UnitAmbiguous, UnitUnknown
from calfleet.metrology.units import split_unit_mode


class Misread(Exception):
    """A text that cannot be understood; the message says why, the hint what would be right."""

    def __init__(self, message: str, hint: str = "") -> None:
        super().__init__(message)
        self.message = message
        self.hint = hint


class DateOrder(StrEnum):
    """How day, month and year stand in dates written as digits."""

    DMY = "day month year"
    MDY = "month day year"
    YMD = "year month day"


class Decimals(StrEnum):
    """Which sign is the decimal one."""

    POINT = "point"
    COMMA = "comma"


# the strange blanks and hyphens that come from copying
_BLANKS = {ord(c): " " for c in "\u00a0\u2007\u2009\u202f\u2002\u2003\u200a\t\r\v\f"}
_NOTHING = {ord(c): None for c in "\u200b\u200c\u200d\ufeff\u00ad\u2060"}
_HYPHENS = {ord(c): "-" for c in "\u2010\u2011\u2012\u2013\u2014\u2212\ufe63\uff0d"}
_PLAIN = _BLANKS | _NOTHING
_LONGEST = 200


def clean(text: str) -> str:
    """``text`` without strange blanks and characters of no width, runs of blanks as one.

    >>> clean(" PSL\\u00a01102\\u200b  A ")
    'PSL 1102 A'
    """
    if text.isascii() and "  " not in text and "\t" not in text and "\r" not in text:
        return text.strip()
    plain = unicodedata.normalize("NFC", text.translate(_PLAIN))
    return re.sub(r" *\n *", "\n", re.sub(r" {2,}", " ", plain)).strip()


def _short(text: str) -> str:
    """``text``, which is short enough to be a number, a range or a date.

    Raises Misread: its parts would be tried in every order before it is refused.
    """
    if len(text) > _LONGEST:
        raise Misread(
            f"A text of {len(text)} characters, {text[:40]!r} and so on, is no number, range, "
            "tolerance or date.",
            "Enter the value alone.",
        )
    return text


# --- numbers ------------------------------------------------------------------------------

_DIGITS = r"(?:\d[\d.,' ]*\d|\d|[.,]\d+)"
_NUMBER = re.compile(rf"(?P<sign>[-+]?)\s*(?P<digits>{_DIGITS})(?P<power>[eE][-+]?\d{{1,2}})?")
_GROUPED = {
    # a group of thousands never begins with 0: 0.125 is an eighth, whatever the decimal sign
    Decimals.POINT: re.compile(r"[1-9]\d{0,2}(?:[,' ]\d{3})+(?:\.\d+)?"),
    Decimals.COMMA: re.compile(r"[1-9]\d{0,2}(?:[.' ]\d{3})+(?:,\d+)?"),
}
_UNGROUPED = {
    Decimals.POINT: re.compile(r"\d+\.?|\d*\.\d+"),
    Decimals.COMMA: re.compile(r"\d+,?|\d*,\d+"),
}


@dataclass(frozen=True, slots=True)
class Measured:
    """A number with what stands behind it (a unit, '' for none)."""

    number: Decimal
    unit: str = ""


def plain_number(digits: str, decimals: Decimals | None) -> Decimal:
    """The number of a run of digits, points, commas, blanks and apostrophes.

    >>> plain_number("1.234,50", None), plain_number("1,5", None), plain_number("12 500", None)
    (Decimal('1234.50'), Decimal('1.5'), Decimal('12500'))

    Raises Misread: '1,234' and '1.234' where ``decimals`` is not known and both readings fit
    (a point alone is a decimal point, as spreadsheet programs write it); digits that do not fit
    the decimal sign given; digits in no order.
    """
    choices = [decimals] if decimals else [Decimals.POINT, Decimals.COMMA]
    found: list[Decimal] = []
    for choice in choices:
        if _UNGROUPED[choice].fullmatch(digits):
            found.append(Decimal(digits.replace(",", ".").strip(".") or "0"))
        elif _GROUPED[choice].fullmatch(digits):
            mark = "," if choice is Decimals.COMMA else "."
            whole, _, part = digits.partition(mark)
            whole = re.sub(r"\D", "", whole)
            found.append(Decimal(f"{whole}.{part}" if part else whole))
    values = sorted(set(found))
    if len(values) == 1:
        return found[0]
    if not values:
        other = Decimals.POINT if decimals is Decimals.COMMA else Decimals.COMMA
        if decimals and (_UNGROUPED[other].fullmatch(digits) or _GROUPED[other].fullmatch(digits)):
            raise Misread(
                f'{digits!r} is not a number with decimals = "{decimals}", as the mapping says of '
                "the column.",
                f'Write the number with that sign, or put decimals = "{other}" in the mapping; '
                "where both signs stand in the column, leave decimals out.",
            )
        raise Misread(f"{digits!r} is not a number.", "Enter digits with one decimal sign.")
    if "," not in digits:
        return Decimal(digits)  # 1.234: only a comma in the column makes a point a separator
    raise Misread(
        f"{digits!r} may be {values[0]} or {values[1]}.",
        'Say which sign is the decimal one: decimals = "comma" or "point" in the mapping.',
    )


def measured(text: str, decimals: Decimals | None = None) -> Measured:
    """A number and its unit, as in '2.5 bar', '-0,4bar', '1.2E3 Pa', '45 %'.

    >>> measured("2.5 bar"), measured("−0,4 bar")
    (Measured(number=Decimal('2.5'), unit='bar'), Measured(number=Decimal('-0.4'), unit='bar'))

    Raises Misread.
    """
    plain = clean(_short(text)).translate(_HYPHENS)
    match = _NUMBER.match(plain)
    if match is None:
        raise Misread(f"{text!r} is not a number.", "Enter digits, and the unit behind them.")
    unit = plain[match.end() :].strip()
    if re.match(r"[-+]?\d|[-+.,/~<>=]", unit):
        raise Misread(f"{text!r} is not one number.", "Enter one number in a cell.")
    number = plain_number(match["digits"].rstrip(), decimals)
    if match["power"]:
        number = Decimal(format(number.scaleb(int(match["power"][1:])), "f"))
    return Measured(-number if match["sign"] == "-" else number, unit.rstrip("."))


_DOTS = re.compile(r"\.{2,}|…")
_TO = r"(?:\s*(?:\.{2,3}|…|\bto\b|\bbis\b|\buntil\b|/|~|;|:)\s*|\s*-\s*)"
_RANGE = re.compile(
    rf"\(?\[?\s*(?P<low>[-+]?\s*{_DIGITS})\s*(?P<first>[^\d\s.,\-+/~;:…][^\d]*?)?{_TO}"
    rf"(?P<high>[-+]?\s*{_DIGITS})\s*\]?\)?\s*(?P<unit>.*)"
)


@dataclass(frozen=True, slots=True)
class Span:
    """A range with its unit ('' for none)."""

    low: Decimal
    high: Decimal
    unit: str = ""


def span(text: str, decimals: Decimals | None = None) -> Span:
    """A range, as in '0-10 bar', '-1 ... 0 bar', '0 to 100 psi', '0..1,6 bar', '10 bar' (from 0).

    >>> span("0-10 bar")
    Span(low=Decimal('0'), high=Decimal('10'), unit='bar')
    >>> span("-1 ... 0 bar").low, span("-1/+3 bar").high
    (Decimal('-1'), Decimal('3'))

    Raises Misread: no range, the higher end first, one number alone.
    """
    plain = clean(_short(text)).translate(_HYPHENS)
    match = _RANGE.fullmatch(plain)
    if match is None:
        raise Misread(f"{text!r} is not a range.", "Write it as '0 to 10 bar', or in two columns.")
    ends = []
    for name in ("low", "high"):
        part = match[name].replace(" ", "", 1) if match[name][:1] in "+-" else match[name]
        ends.append(measured(part, decimals).number)
    unit = match["unit"].strip() or (match["first"] or "").strip()
    if match["first"] and match["unit"] and match["first"].strip() != match["unit"].strip():
        raise Misread(f"{text!r} names two units.", "Use one unit.")
    if ends[0] >= ends[1]:
        raise Misread(f"{text!r} runs from its higher to its lower end.", "Write the lower first.")
    return Span(ends[0], ends[1], unit.rstrip("."))


# --- tolerances ---------------------------------------------------------------------------

_BASES = (
    (
        re.compile(
            r"(?:of\s+)?(?:the\s+)?(?:span|adjustable range|range|fs|f\.s\.|full scale|"
            r"der\s+spanne|v\.?\s*sp\.?|spanne|messspanne)\b\.?"
        ),
        "% of span",
    ),
    (
        re.compile(
            r"(?:of\s+)?(?:the\s+)?(?:upper range value|urv|upper range|max\.? range|"
            r"(?:v\.?|vom)\s*(?:e(?:w|ndwert)?|mbe)|endwert)\b\.?"
        ),
        "% of upper range value",
    ),
    (
        re.compile(
            r"(?:of\s+)?(?:the\s+)?(?:set\s*point|setting|sp|set|sollwert|v\.?\s*sw|"
            r"schaltpunkt|nominal)\b\.?"
        ),
        "% of set point",
    ),
    (
        re.compile(
            r"(?:of\s+)?(?:the\s+)?(?:reading|rdg|o\.r\.|measured value|mw|"
            r"v\.?\s*mw|messwert|anzeige)\b\.?"
        ),
        "% of reading",
    ),
)


@dataclass(frozen=True, slots=True)
class Band:
    """A tolerance: magnitudes below and above (``None``: open), its basis where it is told.

    ``basis`` is 'absolute', '% of span' ... or '%' where the text says per cent of nothing.
    """

    minus: Decimal | None
    plus: Decimal | None
    basis: str
    unit: str = ""


_BOTH = re.compile(r"^(?:\+\s*/?\s*-|±|\+/-|-/\+|∓|plus\s*/?\s*minus)\s*", re.IGNORECASE)
_TWO = re.compile(
    rf"(?P<s1>[-+])\s*(?P<n1>{_DIGITS})\s*(?P<u1>[^\d+\-/;,]*)[\s/;,|]*"
    rf"(?P<s2>[-+])\s*(?P<n2>{_DIGITS})\s*(?P<u2>.*)"
)
_OPEN = re.compile(
    rf"(?:(?P<s1>[-+])\s*(?P<n1>{_DIGITS})\s*(?P<u1>[^\d+\-/;,]*?)\s*[/;,|]\s*[-+]?\s*open"
    rf"|[-+]?\s*open\s*[/;,|]\s*(?P<s2>[-+])\s*(?P<n2>{_DIGITS}))\s*(?P<u2>.*)",
    re.IGNORECASE,
)
_ONE = re.compile(rf"(?P<s1>[-+]?)\s*(?P<n1>{_DIGITS})\s*(?P<u1>.*)")


def band(text: str, decimals: Decimals | None = None) -> Band:
    """A tolerance, as in '+/- 2 %', '±0.1 bar', '+0.2/-0.1 bar', '+0,5/open bar', '1 % FS'.

    'open' or one sign alone leaves the other side open; no sign is both sides.

    >>> band("±0.1 bar")
    Band(minus=Decimal('0.1'), plus=Decimal('0.1'), basis='absolute', unit='bar')
    >>> band("+0.2/-0.1").minus, band("+/- 2 % of span").basis, band("2 %").basis
    (Decimal('0.1'), '% of span', '%')

    Raises Misread.
    """
    plain = clean(_short(text)).translate(_HYPHENS)
    both = _BOTH.match(plain)
    rest = plain[both.end() :] if both else plain
    two = None if both else _TWO.fullmatch(rest)
    if two is not None and two["s1"] != two["s2"]:
        sides = {two["s1"]: measured(two["n1"], decimals).number}
        sides[two["s2"]] = measured(two["n2"], decimals).number
        first, second = two["u1"].strip(), two["u2"].strip()
        if first and second and first != second:
            raise Misread(f"{text!r} names two units.", "Use one unit for both sides.")
        basis, unit = _basis(second or first)
        return Band(sides["-"], sides["+"], basis, unit)
    side = None if both else _OPEN.fullmatch(rest)
    if side is not None:
        number = measured(side["n1"] or side["n2"], decimals).number
        first, second = (side["u1"] or "").strip(), side["u2"].strip()
        if first and second and first != second:
            raise Misread(f"{text!r} names two units.", "Use one unit.")
        basis, unit = _basis(second or first)
        if (side["s1"] or side["s2"]) == "+":
            return Band(None, number, basis, unit)
        return Band(number, None, basis, unit)
    one = _ONE.fullmatch(rest)
    behind = one["u1"].strip() if one is not None else ""
    strange = re.search(r"\d", behind.replace("2O", "")) is not None and not _is_unit(behind)
    if one is None or (both and one["s1"]) or strange:
        raise Misread(
            f"{text!r} is not a tolerance.", "Write it as '±0.1 bar', '+0.2/-0.1 bar', '±1 % FS'."
        )
    number = measured(one["n1"], decimals).number
    basis, unit = _basis(one["u1"].strip())
    if one["s1"] == "+":
        return Band(None, number, basis, unit)
    if one["s1"] == "-":
        return Band(number, None, basis, unit)
    return Band(number, number, basis, unit)


def _is_unit(text: str) -> bool:
    """Whether a text with digits in it is a unit, such as kg/cm2."""
    try:
        split_unit_mode(text)
    except UnitUnknown:
        return False
    except UnitAmbiguous:
        return True
    return True


def _basis(behind: str) -> tuple[str, str]:
    """(basis, unit) of what stands behind the number."""
    if not behind.startswith("%"):
        folded = behind.casefold()
        return "absolute", "" if folded in ("abs", "absolute") else behind
    rest = behind[1:].strip().strip("().").strip().casefold()
    if not rest:
        return "%", ""
    for pattern, basis in _BASES:
        if pattern.fullmatch(rest):
            return basis, ""
    raise Misread(f"{behind!r} does not say of what.", "Write '% of span' or '% of set point'.")


# --- dates --------------------------------------------------------------------------------

_MONTHS = {
    name: number
    for number, names in enumerate(
        (
            "january januar jan jän", "february februar feb", "march märz mar mrz mär maerz",
            "april apr", "may mai", "june juni jun", "july juli jul", "august aug",
            "september sep sept", "october oktober oct okt", "november nov",
            "december dezember dec dez",
        ),
        1,
    )
    for name in names.split()
}  # fmt: skip
_DIGIT_DATE = re.compile(r"(\d{1,4})\s*([./\- ])\s*(\d{1,2})\s*\2\s*(\d{1,4})\.?")
_NAMED_DATE = re.compile(r"(\d{1,2})(?:st|nd|rd|th)?[. \-/]*([^\W\d_]{3,9})[., \-/]*(\d{4}|\d{2})")
_NAMED_FIRST = re.compile(r"([^\W\d_]{3,9})[. \-/]*(\d{1,2})(?:st|nd|rd|th)?[., \-/]+(\d{4})")
_COMPACT = re.compile(r"(19|20)\d{6}")
_TIME = re.compile(r"[T ]+\d{1,2}:\d{2}(?::\d{2}(?:[.,]\d+)?)?(?:\s*[AaPp]\.?[Mm]\.?)?Z?$")
_WEEKDAY = re.compile(r"^(?:[^\W\d_]{2,10}day|[A-Z][a-z]{1,2})[.,]+\s+|^[^\W\d_]{5,10}tag,?\s+")


def day_of(text: str, order: DateOrder | None = None) -> date:
    """The day of a text: ISO, digits in a known order, a month by name, a time of day left out.

    >>> day_of("2025-04-03"), day_of("3. April 2025"), day_of("25/04/2025")
    (datetime.date(2025, 4, 3), datetime.date(2025, 4, 3), datetime.date(2025, 4, 25))

    Raises Misread: none of these, not in the calendar, two orders possible and none given, or
    no day in the order given (a year of four digits in front is ISO, whatever the order).
    Source: ISO 8601-1:2019 5.2.2 (YYYY-MM-DD, YYYYMMDD).
    """
    plain = _TIME.sub("", clean(_short(text)).translate(_HYPHENS)).strip()
    plain = _WEEKDAY.sub("", plain)
    if _COMPACT.fullmatch(plain):
        return _day(int(plain[:4]), int(plain[4:6]), int(plain[6:]), text)
    match = _DIGIT_DATE.fullmatch(plain)
    if match:
        orders = _every_order(plain)
        if not orders:
            raise Misread(f"{text!r} is not a day of the calendar.", "Write YYYY-MM-DD.")
        if order is not None and order not in orders and len(match[1]) < 4:
            raise Misread(
                f"{text!r} is no day in the order {order}, which the mapping gives.",
                "Write YYYY-MM-DD, or correct date_order in the mapping.",
            )
        days = set(orders.values())
        chosen = order if order in orders else next(iter(orders)) if len(days) == 1 else None
        if chosen is None:
            either = " or ".join(str(day) for day in sorted(days))
            raise Misread(
                f"{text!r} may be {either}.",
                'Say which: date_order = "day month year" or "month day year" in the mapping.',
            )
        return orders[chosen]
    named = _NAMED_DATE.fullmatch(plain)
    first = None if named else _NAMED_FIRST.fullmatch(plain)
    if named or first:
        if named:
            number, name, year = named[1], named[2], named[3]
        else:
            assert_first = first
            name, number, year = (
                ("", "", "") if assert_first is None else assert_first.group(1, 2, 3)
            )
        month = _MONTHS.get(name.casefold())
        if month is not None:
            return _day(_year(year), month, int(number), text)
    raise Misread(f"{text!r} is not a date.", "Write YYYY-MM-DD.")


def date_orders(text: str) -> dict[DateOrder, date]:
    """The orders in which a date written as digits is a day of the calendar, with that day.

    Two orders that give the same day (03/03/2025) count once, as day month year.

    >>> [str(order) for order in date_orders("03/04/2025")]
    ['day month year', 'month day year']
    """
    found: dict[DateOrder, date] = {}
    for order, value in _every_order(text).items():
        if value not in found.values():
            found[order] = value
    return found


def _every_order(text: str) -> dict[DateOrder, date]:
    """The orders in which ``text`` is a day, those that give the same day as well."""
    found: dict[DateOrder, date] = {}
    if len(text) > _LONGEST:
        return found
    plain = _TIME.sub("", clean(text).translate(_HYPHENS)).strip()
    match = _DIGIT_DATE.fullmatch(plain)
    if match is None:
        return found
    a, b, c = match[1], match[3], match[4]
    if len(a) == 4:
        tries = ((DateOrder.YMD, a, b, c),) if len(c) <= 2 else ()
    elif len(c) == 4 and len(a) <= 2:
        tries = ((DateOrder.DMY, c, b, a), (DateOrder.MDY, c, a, b))  # type: ignore[assignment]
    elif len(a) <= 2 and len(c) <= 2:
        tries = (  # type: ignore[assignment]
            (DateOrder.DMY, c, b, a),
            (DateOrder.MDY, c, a, b),
            (DateOrder.YMD, a, b, c),
        )
        if match[2] == "." or len(c) < 2:
            tries = tries[:1] if match[2] == "." else tries[:2]
    else:
        tries = ()
    for order, year, month, day in tries:
        try:
            found[order] = date(_year(year), int(month), int(day))
        except ValueError:
            continue
    return found


def _same_either_way(text: str) -> bool:
    """Whether day and month are one number, as in 03/03/2025: it tells no order."""
    match = _DIGIT_DATE.fullmatch(_TIME.sub("", clean(text).translate(_HYPHENS)).strip())
    return match is not None and len(match[1]) < 4 and int(match[1]) == int(match[3])


def _year(text: str) -> int:
    """Two digits are 1970 to 2069."""
    year = int(text)
    if len(text) > 2:
        return year
    return year + (2000 if year < 70 else 1900)


def _day(year: int, month: int, day: int, text: str) -> date:
    try:
        return date(year, month, day)
    except ValueError as error:
        raise Misread(f"{text!r} is not a day of the calendar.", "Write YYYY-MM-DD.") from error


def column_dates(values: Iterable[object]) -> DateOrder | None:
    """The one order in which every date of a column fits that fits in one order only.

    ``None`` where no date decides, or where they contradict each other.
    """
    decided = deciding_dates(values)
    return next(iter(decided)) if len(decided) == 1 else None


def deciding_dates(values: Iterable[object]) -> dict[DateOrder, str]:
    """A date for each order that at least one date of a column fits alone.

    A year of four digits in front (ISO) tells nothing about the others.
    """
    decided: dict[DateOrder, str] = {}
    for value in values:
        if isinstance(value, str) and not re.match(r"\s*\d{4}", value):
            orders = date_orders(value)
            if len(orders) == 1 and not _same_either_way(value):
                decided.setdefault(next(iter(orders)), value)
    return decided


def column_decimals(values: Iterable[object]) -> Decimals | None:
    """The decimal sign that every number of a column fits, ``None`` where nothing decides."""
    decided = column_signs(values).decided
    return next(iter(decided)) if len(decided) == 1 else None


_OTHER = {Decimals.POINT: Decimals.COMMA, Decimals.COMMA: Decimals.POINT}


@dataclass(frozen=True, slots=True)
class Signs:
    """What the numbers of a column tell of its decimal sign.

    ``decided``: a cell for each sign that at least one number tells; ``open``: a cell for each
    sign that would make thousands of a number which is a decimal one by the other sign (POINT:
    1,234; COMMA: 1.234); ``grouped``: whether a number shows thousands for certain (1.234,5).
    """

    decided: dict[Decimals, str]
    open: dict[Decimals, str]
    grouped: bool


def column_signs(values: Iterable[object]) -> Signs:
    """What decides the decimal sign of a column, and which of its numbers have two readings."""
    decided: dict[Decimals, str] = {}
    unclear: dict[Decimals, str] = {}
    grouped = False
    for value in values:
        if not isinstance(value, str) or ("," not in value and "." not in value):
            continue
        if len(value) > _LONGEST:
            continue
        for digits in re.findall(_DIGITS, _DOTS.sub(" to ", clean(value))):
            last_comma, last_point = digits.rfind(","), digits.rfind(".")
            if last_comma < 0 and last_point < 0:
                continue  # a whole number tells nothing
            if last_comma >= 0 and last_point >= 0:
                sign = Decimals.COMMA if last_comma > last_point else Decimals.POINT
                decided.setdefault(sign, value)
                grouped = True
                continue
            mark = "," if last_comma >= 0 else "."
            own = Decimals.COMMA if mark == "," else Decimals.POINT
            whole, _, part = digits.partition(mark)
            if digits.count(mark) > 1:
                decided.setdefault(_OTHER[own], value)
                grouped = True
            elif len(part) != 3 or whole[:1] in ("", "0") or len(whole) > 3:
                decided.setdefault(own, value)
            else:
                unclear.setdefault(_OTHER[own], value)
    return Signs(decided, unclear, grouped)


def serial_or_day(value: object, order: DateOrder | None, *, epoch_1904: bool) -> date:
    """The day of a cell: a date, text, or a serial number that no format shows as a date.

    A number counts as serial from 1950 to 2100; others are no dates of a shop. The fraction of a
    serial number is its time of day and left out, as that of a text is.

    Raises Misread.
    """
    if isinstance(value, datetime):
        return value.date()
    if isinstance(value, date):
        return value
    if isinstance(value, Decimal | int) and not isinstance(value, bool):
        day = serial_day(int(value), epoch_1904=epoch_1904)
        if day is not None and 1950 <= day.year <= 2100:
            return day
        if Decimal(value) == int(value) and 19_500_101 <= value <= 21_001_231:
            return day_of(str(int(value)), order)
        raise Misread(f"{value} is not a date.", "Write YYYY-MM-DD.")
    if isinstance(value, str):
        plain = clean(value)
        if re.fullmatch(r"\d{5}(?:\.\d+)?", plain):
            return serial_or_day(Decimal(plain), order, epoch_1904=epoch_1904)
        return day_of(plain, order)
    raise Misread(f"{value} is not a date.", "Write YYYY-MM-DD.")
