"""What a cell shows of its number by its number format: a day, a percentage, a unit, a code.

Registers hold tags and numbers of gauges as bare numbers: 101 that is shown as PSH-101 by the
format ``"PSH-"000``. What a person sees is the name; the bare number is another one.

Source: ECMA-376 Part 1, 18.8.31 (number format codes: sections, digits, literals), from memory.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from decimal import Decimal
from functools import lru_cache

from calfleet.adapters.workbook.grid_cells import (
    FORMAT_LENGTH,
    Broken,
    Shown,
    other_number,
    percent_format,
    serial_day,
    shows_date,
    words_behind,
)
from calfleet.adapters.workbook.sources import number_shown

_NUMBER_ALONE = re.compile(r"(?:General|@|#?,?#*0(?:\.0+)?)?", re.IGNORECASE)
_GENERAL = 11
"""So many characters of a number are shown in full without a format (common practice)."""
_TOKEN = re.compile(
    r'"(?P<quoted>[^"]*)"|\\(?P<escaped>.)|(?P<space>[_*].)|\[\$(?P<sign>[^\]-]*)[^\]]*\]'
    r"|\[(?P<bracket>[^\]]*)\]|(?P<all>General|@)|(?P<power>[Ee][+-])|(?P<digit>[0#?])"
    r"|(?P<shape>[.,])|(?P<end>;)|(?P<other>.)",
    re.IGNORECASE | re.DOTALL,
)


def by_format(exact: Decimal, number_format: str, *, epoch_1904: bool) -> object:
    """What a cell gives that holds a number: a day, ``Shown``, or the number with its digits.

    ``exact`` is a number of a plant: finite, of at most 30 digits before the point.
    """
    if number_format == "General":
        return _digits(exact, number_format)
    day, percent = _plain_sorts(number_format)
    if day:
        return serial(exact, epoch_1904=epoch_1904)
    around = _around_number(number_format, (exact > 0) - (exact < 0))
    if percent is not None:
        value = _digits(number_shown(float(exact) * 100, percent), percent, around.places)
        differs = other_number(value, around.other) if around.other else None
        text = f"{around.before}{value} {around.behind or '%'}"
        return Shown(text, None, text, differs, differs)
    value = _digits(exact, number_format, around.places)
    measured = f"{around.before}{value} {around.behind}".strip() if around.words else value
    shown = code_shown(value, number_format)
    if around.other:
        differs = other_number(f"{value:f}", around.other)
        if isinstance(shown, str):
            return Shown(shown, value, value, None, differs)
        return Shown(str(value), value, value, shown or differs, differs)
    if shown is None and not around.words:
        return value
    if isinstance(shown, Broken):
        return Shown(str(measured), value, measured, shown)
    return Shown(str(measured) if shown is None else shown, value, measured)


@lru_cache(maxsize=1024)
def _plain_sorts(number_format: str) -> tuple[bool, str | None]:
    return shows_date(number_format), percent_format(number_format)


def _digits(exact: Decimal, number_format: str, places: int = 0) -> Decimal:
    """The number with the digits of its format, at least ``places`` behind the point."""
    whole = exact == exact.to_integral_value() and exact.adjusted() < 18
    value = number_shown(int(exact) if whole else float(exact), number_format)
    if places <= -int(value.as_tuple().exponent) or value.adjusted() + places > 25:
        return value
    return value.quantize(Decimal(1).scaleb(-places))


def serial(number: Decimal, *, epoch_1904: bool) -> object:
    """The day of a cell that shows one: its time of day is left out where it has one."""
    day = serial_day(int(number), epoch_1904=epoch_1904)
    if day is not None:
        return day
    if int(number) == 60 and not epoch_1904:
        return Broken("Serial number 60 is 29 February 1900, which there was not.")
    return Broken(f"{number} is not the serial number of a day.", "Enter the date as a date.")


# --- codes by format ------------------------------------------------------------------------


@dataclass
class _Section:
    """One section of a number format: literals and places of digits in their order."""

    parts: list[tuple[str, str]] = field(default_factory=list)
    shaped: bool = False
    """Whether it has a decimal sign, separators of thousands, a fraction or a power of ten."""
    strange: bool = False
    """Whether it has what is not looked into: a condition, an elapsed time, a time of day."""
    of_text: bool = False
    red: bool = False
    percent: int = 0

    @property
    def words(self) -> str:
        return "".join(text for kind, text in self.parts if kind == "literal").strip()

    @property
    def digits(self) -> str:
        return "".join(text for kind, text in self.parts if kind == "digit")


@lru_cache(maxsize=1024)
def _sections(number_format: str) -> tuple[_Section, ...]:
    found = [_Section()]
    for token in _TOKEN.finditer(number_format[:FORMAT_LENGTH]):
        section, kind, text = found[-1], token.lastgroup or "", token[0]
        if kind == "end":
            found.append(_Section())
        elif kind in ("quoted", "escaped", "sign"):
            section.parts.append(("literal", token[kind]))
        elif kind == "all":
            section.parts.append(("digit", "*"))
            section.of_text |= text == "@"
        elif kind == "digit":
            section.parts.append(("digit", text))
        elif kind in ("shape", "power"):
            section.shaped = True
            section.parts.append(("shape", text))
        elif kind == "bracket":
            # a colour or a language says nothing of the text
            section.strange |= re.match(r"[<>=]|[hms]+$", text[1:-1], re.IGNORECASE) is not None
            section.red |= re.fullmatch(r"\[(red|colou?r ?3)\]", text, re.IGNORECASE) is not None
        elif text == "/" and "?" in number_format:  # a fraction
            section.shaped = True
        elif kind == "other":
            section.strange |= text.isalpha()
            section.percent += text == "%"
            section.parts.append(("literal", text))
    return tuple(found)


def _of_numbers(number_format: str) -> list[_Section]:
    """The sections that show numbers: one, or those above, below and at zero."""
    sections = list(_sections(number_format)[:3])
    if len(sections) > 1 and sections[-1].of_text:
        sections.pop()
    return sections


def _which(sections: list[_Section], sign: int) -> int:
    """The section that shows a number of this sign (-1, 0, 1), where none has a condition."""
    index = (1 if sign < 0 else 2 if sign == 0 else 0) if len(sections) > 1 else 0
    return index if index < len(sections) else 0


def code_shown(number: Decimal, number_format: str) -> str | Broken | None:
    """The text that a number format makes of a whole number; ``None``: the number and its unit.

    Worked out are literals before, between and behind the digits, and leading zeros. A broken
    cell says what is not: literals with a decimal sign, conditions, a negative number, a section
    without digits.

    >>> code_shown(Decimal(101), '"PSH-"000'), code_shown(Decimal(7), "00000")
    ('PSH-101', '00007')
    >>> code_shown(Decimal(101202), r'000\\-000"/B"'), code_shown(Decimal("2.50"), "0.00")
    ('101-202/B', None)
    """
    if _NUMBER_ALONE.fullmatch(number_format):
        return None
    sections = _of_numbers(number_format)
    section = sections[_which(sections, (number > 0) - (number < 0))]
    unclear = Broken(
        f"The cell holds {number:f} and shows it by the number format {number_format!r}; what it "
        "shows cannot be worked out.",
        "Enter the text itself in the cell.",
    )
    words = section.words
    if any(each.strange for each in sections) or (section.of_text and words):
        return unclear
    if not section.digits and words:  # one word for every such number; a dash is none
        return words if re.search(r"[^\W_]", words) else None
    if not section.digits:
        return unclear
    if section.digits == "*" and number > 0 and len(f"{number:f}") <= _GENERAL:
        text = _filled(section, f"{number:f}", literals=bool(words))
        return None if text == f"{number:f}" else text
    if section.shaped or number < 0 or number != number.to_integral_value():
        before = ""
        for kind, text in section.parts:
            if kind == "digit":
                break
            before += text
        alone = not words or (section.shaped and not before.strip() and words_behind(number_format))
        return None if alone else unclear
    digits = format(number, "f").partition(".")[0] if number else ""
    text = _filled(section, digits, literals=bool(words))
    # nothing ('#') and a dash alone are a 0 as well
    return None if text == f"{number:f}" or not re.search(r"[^\W_]", text) else text


def _filled(section: _Section, digits: str, *, literals: bool) -> str:
    """The section with the digits put into their places, from the right; more go to the first."""
    places = len(section.digits)
    left = list(digits)
    out: list[str] = []
    for kind, text in reversed(section.parts):
        if kind == "literal":
            out += reversed(text) if literals else ()
            continue
        places -= 1
        if left and (not places or text == "*"):
            out += reversed(left)
            left.clear()
        elif left:
            out.append(left.pop())
        elif text in "0*":
            out.append("0")
    return "".join(reversed(out)).strip()


# --- what stands around a number ------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class _Around:
    """What a format shows before and behind a number, and the places that it always shows.

    ``other`` says why the number that is shown is another than the one that is held, '' where it
    is the same.
    """

    before: str = ""
    behind: str = ""
    places: int = 0
    other: str = ""

    @property
    def words(self) -> bool:
        return bool(self.before or self.behind)


_SIGNS = "-\u2212\u2013"
_BEFORE = re.compile(rf"[{_SIGNS}(.,\d]$")
_BEHIND = re.compile(rf"[{_SIGNS}).,\d]")


@lru_cache(maxsize=4096)
def _around_number(number_format: str, sign: int) -> _Around:
    """What a format shows around a number of this sign (-1, 0, 1).

    >>> _around_number('0.00" bar"', 1), _around_number("0.0;[Red](0.0)", -1).other
    (_Around(before='', behind='bar', places=2, other=''), '')
    >>> _around_number("0.0,", 1).other
    "its number format '0.0,' divides it by 1000 or more before it is shown"
    """

    def other(reason: str) -> _Around:
        return _Around(other=f"its number format {number_format!r} {reason}")

    sections = _of_numbers(number_format)
    index = _which(sections, sign)
    section, first = sections[index], sections[0]
    if any(each.strange for each in sections):
        return other("has a condition, or shows a time, so what is shown cannot be worked out")
    if not section.digits:
        shown = section.words.strip(_SIGNS)
        return other("shows no number") if shown or sign else _Around(behind=_framed(first)[2])
    before, inside, behind = _framed(section)
    shape = "".join("0" if kind == "digit" else text for kind, text in section.parts
                    if kind in ("digit", "shape"))  # fmt: skip
    if re.search(r",(?!.*0)|,\.", shape):
        return other("divides it by 1000 or more before it is shown")
    if section.percent != first.percent or section.percent > 1:
        return other("has more than one per cent sign")
    if inside.strip(" '\u2019\u00a0\u202f"):
        return other(f"shows {inside!r} between its digits")
    signed = sign < 0 and index == 1
    marked = section.red
    if signed or not sign:  # a zero has no sign to lose
        if "(" in before and ")" in behind:
            before, behind = before.replace("(", "", 1).strip(), behind.replace(")", "", 1).strip()
            marked = True
        elif before[-1:] and before[-1] in _SIGNS:
            before, marked = before[:-1].rstrip(), True
        elif before[:1] and before[0] in _SIGNS:
            before, marked = before[1:].lstrip(), True
        elif behind[:1] and behind[0] in _SIGNS:
            behind, marked = behind[1:].lstrip(), True
    if signed and not marked:
        return other("shows it without its sign")
    if section.percent and "%" in before:
        before, behind = before.replace("%", "").rstrip(), f"%{behind}"
    if _BEFORE.search(before) or _BEHIND.match(behind):
        return other("shows a sign, point or digit beside it that is none of its own")
    if index:
        named = _framed(first)
        silent = not sign and not before and not behind
        if not silent and (before.strip("+"), behind) != (named[0].strip("+"), named[2]):
            return other("shows other words with numbers above zero than with this one")
        behind = named[2]
    return _Around(before, behind, _places(section))


def _framed(section: _Section) -> tuple[str, str, str]:
    """The literals before, between and behind the digits; the outer ones without blanks."""
    at = [n for n, (kind, _) in enumerate(section.parts) if kind == "digit"]
    first, last = (at[0], at[-1]) if at else (len(section.parts), len(section.parts))
    texts = ["", "", ""]
    for n, (kind, text) in enumerate(section.parts):
        if kind == "literal":
            texts[0 if n < first else 1 if n < last else 2] += text
    return texts[0].strip(), texts[1], texts[2].strip()


def _places(section: _Section) -> int:
    """The digits behind the point that a section always shows; none told of a power of ten."""
    shapes = [text for kind, text in section.parts if kind == "shape"]
    if shapes.count(".") != 1 or any(text[0] in "Ee" for text in shapes):
        return 0
    point = section.parts.index(("shape", "."))
    return sum(part == ("digit", "0") for part in section.parts[point:])


@lru_cache(maxsize=1024)
def around_text(number_format: str) -> tuple[str, str] | None:
    """What a format shows before and behind a text; ``None`` for nothing.

    >>> around_text('"PSH-"@'), around_text("_-* #,##0_-;_-@_-"), around_text('0;-0;0;@" bar"')
    (('PSH-', ''), None, ('', ' bar'))
    """
    sections = _sections(number_format)
    section = sections[3] if len(sections) > 3 else sections[-1]
    if not section.of_text or not section.words:
        return None
    ends = ["", ""]
    behind = False
    for kind, text in section.parts:
        if kind == "literal":
            ends[behind] += text
        behind = behind or kind == "digit"
    return ends[0], ends[1]
