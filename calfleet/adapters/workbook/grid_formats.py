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
    percent_format,
    serial_day,
    shows_date,
    words_behind,
)
from calfleet.adapters.workbook.sources import number_shown

_NUMBER_ALONE = re.compile(r"(?:General|@|#?,?#*0(?:\.0+)?)?", re.IGNORECASE)
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
    day, percent, unit = _plain_sorts(number_format)
    if day:
        return serial(exact, epoch_1904=epoch_1904)
    if percent is not None:
        return Shown(f"{number_shown(float(exact) * 100, percent)} %")
    value = _digits(exact, number_format)
    text = code_shown(value, number_format)
    if text is None and not unit:
        return value
    measured = f"{value} {unit}" if unit else value
    if isinstance(text, Broken):
        return Shown(str(measured), value, measured, text)
    return Shown(str(measured) if text is None else text, value, measured)


@lru_cache(maxsize=1024)
def _plain_sorts(number_format: str) -> tuple[bool, str | None, str]:
    return shows_date(number_format), percent_format(number_format), words_behind(number_format)


def _digits(exact: Decimal, number_format: str) -> Decimal:
    whole = exact == exact.to_integral_value() and exact.adjusted() < 18
    return number_shown(int(exact) if whole else float(exact), number_format)


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
        elif text == "/" and "?" in number_format:  # a fraction
            section.shaped = True
        elif kind == "other":
            section.strange |= text.isalpha()
            section.parts.append(("literal", text))
    return tuple(found)


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
    sections = [each for n, each in enumerate(_sections(number_format)) if n < 3]
    if len(sections) > 1 and sections[-1].of_text:
        sections.pop()
    index = (1 if number < 0 else 2 if number == 0 else 0) if len(sections) > 1 else 0
    section = sections[index] if index < len(sections) else sections[0]
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
    return None if text == f"{number:f}" else text


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
