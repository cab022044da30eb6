"""One row of an input file: typed access to its cells, problems collected instead of raised.

A reader goes through every row, asks for each cell in the type it should have, and looks at
``row.bad`` before it builds a record. A cell that cannot be understood gives a problem with its
place and a stand-in value, so that the rest of the row is still checked.
"""

from __future__ import annotations

import difflib
import re
from collections.abc import Callable, Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from decimal import Decimal
from enum import StrEnum
from functools import lru_cache
from typing import TypeVar

from calfleet.errors import CalfleetError, Problem
from calfleet.metrology.units import Dimension, find_unit

Choice = TypeVar("Choice", bound=StrEnum)

CODE, WORD, LINE, PROSE = 60, 40, 300, 4000
_DAY = re.compile(r"\d{4}-\d{2}-\d{2}")
_NUMBER = re.compile(r"[+-]?(\d+(\.\d*)?|\.\d+)")
_PERCENT = re.compile(r"(\d+(?:\.\d+)?)\s*%")
_CONTROL = re.compile("[\x00-\x08\x0b\x0c\x0e-\x1f\x7f]")
_FLAGS = {"yes": True, "true": True, "no": False, "false": False}


@lru_cache(maxsize=8192)
def squeezed(name: str) -> str:
    """A column or key name without regard to capitals, blanks, hyphens and underscores.

    >>> squeezed("Serial_number ") == squeezed("serial number")
    True
    """
    return re.sub(r"[\s_\-]+", " ", name).strip().casefold()


def nearest(name: str, names: Iterable[str]) -> str:
    """A hint with the nearest of ``names``, or with all of them when they are few, else ''."""
    listed = sorted(set(names))
    close = difflib.get_close_matches(name, listed, n=3, cutoff=0.5)
    if close:
        return f"Nearest: {', '.join(close)}."
    return f"Known: {', '.join(listed)}." if 0 < len(listed) <= 12 else ""


class Names:
    """The names other rows may refer to.

    ``complete`` is false when the file that defines them could not be read: then nothing is
    called unknown, because one missing file would make every reference to it a problem.
    """

    def __init__(self, kind: str, names: Collection[str] = (), *, complete: bool = True) -> None:
        self.kind = kind
        self.names = set(names)
        self.complete = complete

    def add(self, name: str) -> bool:
        """True when ``name`` is new."""
        new = name not in self.names
        self.names.add(name)
        return new

    def knows(self, name: str) -> bool:
        return name in self.names or not self.complete


@dataclass(frozen=True, slots=True)
class MissingValue(Problem):
    """Nothing is given where something must be: ``name`` is what the file calls it."""

    name: str = ""


class Row:
    """Typed access to the cells of one row (or the keys of one TOML table).

    ``values`` maps squeezed names to raw values: ``None``, ``str``, ``bool``, ``int``,
    ``Decimal``, ``date``, ``datetime`` or a list of these. ``place`` turns a name into where the
    cell is. Every method takes the name as the file shows it.
    """

    __slots__ = ("_place", "_problems", "_values", "bad")

    def __init__(
        self,
        values: Mapping[str, object],
        place: Callable[[str], str],
        problems: list[Problem],
    ) -> None:
        self._values = values
        self._place = place
        self._problems = problems
        self.bad = False

    def where(self, name: str) -> str:
        return self._place(name)

    def problem(self, name: str, message: str, hint: str = "") -> None:
        """Notes a problem of the cell ``name`` and marks the row as bad."""
        self.bad = True
        self._problems.append(Problem(self._place(name), message, hint))

    def raw(self, name: str) -> object:
        value = self._values.get(squeezed(name))
        if isinstance(value, str):
            value = value.strip()
        return None if value == "" else value

    def given(self, name: str) -> bool:
        return self.raw(name) is not None

    def _missing(self, name: str, what: str) -> None:
        self.bad = True
        self._problems.append(
            MissingValue(self._place(name), f"{what} is missing.", "Fill in the cell.", name)
        )

    # text -------------------------------------------------------------------------------

    def text(self, name: str, limit: int = LINE) -> str:
        value = self.text_or(name, None, limit)
        if value is None:
            if not self.given(name):
                self._missing(name, f"{name!r}")
            return ""
        return value

    def text_or(self, name: str, default: str | None, limit: int = LINE) -> str | None:
        value = self.raw(name)
        if value is None:
            return default
        if isinstance(value, bool) or not isinstance(value, str | int | Decimal):
            self.problem(name, f"{shown(value)} is not text.")
            return default
        text = value if isinstance(value, str) else format(Decimal(value), "f")
        if len(text) > limit:
            self.problem(name, f"The text has {len(text)} characters; {limit} are allowed.")
            text = text[:limit]  # a stand-in: others name it in their messages
        if _CONTROL.search(text):
            self.problem(name, f"{shown(text)} holds a control character.", "Type it anew.")
        return text

    def prose(self, name: str, limit: int = PROSE) -> str:
        return self.text_or(name, "", limit) or ""

    def reference(self, name: str, known: Names) -> str:
        value = self.text(name, CODE)
        if value and not known.knows(value):
            self.unknown(name, known.kind, value, known.names)
        return value

    def reference_or_none(self, name: str, known: Names) -> str | None:
        return self.reference(name, known) if self.given(name) else None

    def unknown(self, name: str, kind: str, value: str, names: Iterable[str]) -> None:
        self.problem(name, f"No {kind} named {shown(value)}.", nearest(value[:100], names))

    # words from a list -------------------------------------------------------------------

    def choice(self, name: str, choices: type[Choice]) -> Choice:
        text = self.text(name)
        found = self._choose(name, text, [str(item) for item in choices])
        return choices(found) if found else next(iter(choices))

    def word(self, name: str, choices: Sequence[str]) -> str:
        return self._choose(name, self.text(name), choices) or choices[0]

    def choices(self, name: str, choices: type[Choice]) -> tuple[Choice, ...]:
        """A list of words: a TOML list, or text separated by commas; blank is empty."""
        value = self.raw(name)
        if value is None:
            return ()
        words = value if isinstance(value, list) else str(value).split(",")
        allowed = [str(item) for item in choices]
        found = [self._choose(name, str(word).strip(), allowed) for word in words]
        kept = [choices(word) for word in found if word]
        for word in sorted({word for word in kept if kept.count(word) > 1}):
            self.problem(name, f"{str(word)!r} is listed twice.")
        return tuple(kept)

    def _choose(self, name: str, text: str, choices: Sequence[str]) -> str | None:
        if not text:
            return None
        wanted = " ".join(text.split()).casefold()
        for item in choices:
            if item.casefold() == wanted:
                return item
        self.problem(name, f"{shown(text)} is not one of the words.", f"Use: {', '.join(choices)}.")
        return None

    def flag(self, name: str, default: bool | None = None) -> bool:
        value = self.raw(name)
        if value is None:
            if default is None:
                self._missing(name, f"{name!r} (yes or no)")
            return bool(default)
        if isinstance(value, bool):
            return value
        found = _FLAGS.get(str(value).casefold())
        if found is None:
            self.problem(name, f"{shown(value)} is neither yes nor no.", "Enter yes or no.")
        return bool(found)

    # numbers -----------------------------------------------------------------------------

    def number(self, name: str, low: Decimal | None = None, high: Decimal | None = None) -> Decimal:
        value = self.number_or_none(name, low, high)
        if value is None:
            if not self.given(name):
                self._missing(name, f"The number {name!r}")
            return Decimal(0)
        return value

    def number_or(self, name: str, default: Decimal, low: Decimal | None = None) -> Decimal:
        value = self.number_or_none(name, low)
        return default if value is None else value

    def number_or_none(
        self, name: str, low: Decimal | None = None, high: Decimal | None = None
    ) -> Decimal | None:
        """The number with its digits, ``None`` for a blank (or not understood) cell."""
        value = self.raw(name)
        if value is None:
            return None
        number: Decimal | None = None
        if isinstance(value, str):
            plain = value.replace("−", "-").replace("\u00a0", "")
            if _NUMBER.fullmatch(plain) and len(plain) <= 40:
                number = Decimal(plain)
            elif re.fullmatch(r"[+-]?\d+,\d+", plain):
                self.problem(
                    name,
                    f"{shown(value)} has a comma where a decimal point is expected.",
                    f"Write {plain.replace(',', '.')}.",
                )
                return None
        elif isinstance(value, int | Decimal) and not isinstance(value, bool):
            number = Decimal(value)
            # an exponent is written out; one beyond any reading is not worth its digits
            sensible = number.is_finite() and -30 < number.adjusted() < 30
            number = Decimal(format(number, "f")) if sensible else None
        if number is None:
            self.problem(
                name, f"{shown(value)} is not a number.", "Enter digits with a decimal point only."
            )
            return None
        if low is not None and number < low:
            self.problem(name, f"{shown(number)} is below {low}, the least that makes sense.")
        if high is not None and number > high:
            self.problem(name, f"{shown(number)} is above {high}, the most that makes sense.")
        return number

    def fraction(self, name: str) -> Decimal:
        """A share from 0 to 1; text with a per cent sign is understood."""
        value = self.raw(name)
        percent = _PERCENT.fullmatch(value) if isinstance(value, str) else None
        if percent:
            number = Decimal(percent[1]).scaleb(-2)
        else:
            found = self.number_or_none(name)
            if found is None:
                if not self.given(name):
                    self._missing(name, f"The share {name!r}")
                return Decimal(0)
            number = found
        if not 0 <= number <= 1:
            self.problem(
                name,
                f"{shown(value)} is not a share between 0 and 1.",
                f"45 % is 0.45{' or 45 %' if number > 1 else ''}.",
            )
        return number

    def integer(self, name: str, low: int, default: int | None = None) -> int:
        if not self.given(name) and default is not None:
            return default
        number = self.number_or_none(name)
        if number is None:
            if not self.given(name):
                self._missing(name, f"The whole number {name!r}")
            return low
        if number != number.to_integral_value() or abs(number) > 10**9:
            self.problem(name, f"{shown(number)} is not a whole number.")
            return low
        if number < low:
            self.problem(name, f"{shown(number)} is below {low}, the least that makes sense.")
        return int(number)

    # dates and units ---------------------------------------------------------------------

    def day(self, name: str) -> date:
        value = self.day_or_none(name)
        if value is None:
            if not self.given(name):
                self._missing(name, f"The date {name!r}")
            return date.min
        return value

    def day_or_none(self, name: str) -> date | None:
        value = self.raw(name)
        if value is None:
            return None
        if isinstance(value, datetime):
            if value.time() == value.time().min:
                return value.date()
            self.problem(name, f"{value} has a time of day.", "Enter the date alone.")
            return None
        if isinstance(value, date):
            return value
        if isinstance(value, str) and _DAY.fullmatch(value):
            try:
                return date.fromisoformat(value)
            except ValueError:
                self.problem(name, f"{value} is not in the calendar.")
                return None
        self.problem(name, f"{shown(value)} is not a date.", "Write YYYY-MM-DD.")
        return None

    def unit(self, name: str, dimension: Dimension | None) -> str:
        """The code of the unit; ``dimension`` it must have, ``None`` for any."""
        text = self.text(name)
        if not text:
            return ""
        if len(text) > WORD:
            self.problem(name, f"{shown(text)} is not a unit.", "Write its symbol, such as bar.")
            return ""
        try:
            unit = find_unit(text)
        except CalfleetError as error:
            self.problem(name, error.message, error.next_step)
            return ""
        if dimension is not None and unit.dimension is not dimension:
            self.problem(name, f"{text!r} is not a unit of {dimension.value}.")
        return unit.code

    def before(self, earlier: str, later: str, first: date | None, second: date | None) -> None:
        """Notes a problem when the date of ``later`` lies before that of ``earlier``."""
        if first is None or second is None or date.min in (first, second):
            return
        if second < first:
            self.problem(
                later,
                f"{second} lies before {first} ({earlier}).",
                "The dates are in the wrong order.",
            )


def shown(value: object) -> str:
    """``value`` as a message shows it."""
    if isinstance(value, str):
        return repr(value if len(value) <= 60 else value[:57] + "...")
    if isinstance(value, dict):
        return "a table"
    if isinstance(value, list):
        return "a list"
    text = str(value)
    return text if len(text) <= 60 else text[:57] + "..."
