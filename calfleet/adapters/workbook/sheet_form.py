"""The form of a bench sheet in a workbook: what stands in which cell, worked out from its content.

One layout serves both ways: the writer draws it, and the reader works it out again from the content
that was recorded when the sheet was handed out, so that a target, a limit or a name that was
altered in between is seen. Nothing here opens a file.

Columns A to L are printed. Those from N on are hidden: marks, figures for the live formulas, the
lists of the drop-downs.
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date
from typing import Any

PRINTED = 12
MARKS = ("form", "sheet", "content", "database", "tag")
"""What stands in N1:N5, with the values beside in O1:O5."""
MARK_TITLE = "calfleet bench sheet"
YES, NO, NOT_NEEDED = "yes", "no", "not needed"
OUTCOMES = ("tripped", "no trip", "no reset", "chatter")
PHASES = ("as-found", "as-left")


@dataclass(frozen=True, slots=True)
class Cell:
    """A locked cell: text, number, date, or a formula (text that begins with ``=``)."""

    row: int
    column: int
    value: object
    style: str
    across: int = 1
    formula: bool = False
    number_format: str = ""


@dataclass(frozen=True, slots=True)
class Field:
    """A cell to be filled in. ``kind``: number, date, text, choice or time."""

    key: str
    row: int
    column: int
    across: int
    kind: str
    label: str
    number_format: str = "General"
    low: float | None = None
    high: float | None = None
    choices: str = ""
    """The range that the drop-down takes its words from."""
    hint: str = ""
    down: int = 1


@dataclass(frozen=True, slots=True)
class Tint:
    """A conditional colour: ``tone`` where ``formula`` (of the first cell of the range) holds."""

    area: str
    formula: str
    tone: str


@dataclass
class Form:
    """One bench sheet laid out."""

    title: str
    cells: list[Cell] = field(default_factory=list)
    fields: dict[str, Field] = field(default_factory=dict)
    tints: list[Tint] = field(default_factory=list)
    heights: dict[int, float] = field(default_factory=dict)
    breaks: list[int] = field(default_factory=list)
    rows: int = 0
    state: str = ""
    """The cell that says how the sheet stands."""
    words: dict[str, tuple[str, ...]] = field(default_factory=dict)
    """The words of each drop-down, by the range they stand in."""

    def place(self, key: str) -> str:
        """The cell of a field, for example ``E41``."""
        one = self.fields[key]
        return at(one.row, one.column)


def letter(column: int) -> str:
    """The letters of a column counted from 1.

    >>> letter(1), letter(26), letter(27)
    ('A', 'Z', 'AA')
    """
    text = ""
    while column:
        column, rest = divmod(column - 1, 26)
        text = chr(65 + rest) + text
    return text


def at(row: int, column: int) -> str:
    """A cell's name. ``at(3, 2)`` is ``B3``."""
    return f"{letter(column)}{row}"


def fixed(row: int, column: int) -> str:
    """A cell's name that stays when a formula is moved. ``fixed(3, 2)`` is ``$B$3``."""
    return f"${letter(column)}${row}"


_CONTROL = re.compile(r"[\x00-\x08\x0b\x0c\x0e-\x1f\ud800-\udfff\ufffe\uffff]")


def clean(text: object) -> str:
    """Text as a workbook can hold it: without control characters, ends trimmed."""
    return _CONTROL.sub(" ", str(text)).strip()


def sheet_title(tag: str, taken: set[str]) -> str:
    """A name for the sheet of ``tag`` that a workbook allows and that is not ``taken``.

    >>> sheet_title("PS/1", set()), sheet_title("PS/1", {"ps-1"})
    ('PS-1', 'PS-1 (2)')
    """
    plain = re.sub(r"[\[\]:*?/\\'\x00-\x1f]", "-", clean(tag))[:25] or "switch"
    name, n = plain, 1
    while name.casefold() in taken:
        n += 1
        name = f"{plain} ({n})"
    taken.add(name.casefold())
    return name


def places_of(step: str) -> int:
    """Decimals of a resolution written in plain decimals. ``places_of("0.05")`` is 2."""
    return len(step.partition(".")[2])


def person_words(person: Mapping[str, Any]) -> str:
    """How a person is offered in a drop-down: code, then name."""
    return clean(f"{person['code']} {person['name']}")


# --- hidden columns ---------------------------------------------------------------------

NAME, VALUE = 14, 15  # N, O
CURVE = {"trip": 16, "reset": 18, "static": 20}  # P Q, R S, T U
LIST = 22  # V on
WORK = 30  # AD on: what the live cells of a row need


@dataclass
class Hidden:
    """The hidden columns while a form is laid out: figures with a name, curves, lists."""

    form: Form
    next_row: int = len(MARKS) + 2
    lists: int = LIST

    def figure(self, name: str, value: object, *, formula: bool = False) -> str:
        """The fixed address of a figure put into the next row."""
        row = self.next_row
        self.next_row += 1
        self.form.cells.append(Cell(row, NAME, name, "hidden"))
        self.form.cells.append(Cell(row, VALUE, value, "hidden", formula=formula))
        return fixed(row, VALUE)

    def curve(self, which: str, points: Sequence[Sequence[float]]) -> Curve:
        """The points of a certificate, for interpolation in a formula."""
        column = CURVE[which]
        self.form.cells.append(Cell(1, column, f"{which}: indication", "hidden"))
        self.form.cells.append(Cell(1, column + 1, f"{which}: error", "hidden"))
        for n, (x, error) in enumerate(points, 2):
            self.form.cells.append(Cell(n, column, x, "hidden"))
            self.form.cells.append(Cell(n, column + 1, error, "hidden"))
        return Curve(column, len(points))

    def words(self, words: Sequence[str]) -> str:
        """The range of a list that a drop-down offers."""
        column = self.lists
        self.lists += 1
        for n, word in enumerate(words, 1):
            self.form.cells.append(Cell(n, column, word, "hidden"))
        area = f"{fixed(1, column)}:{fixed(len(words), column)}"
        self.form.words[area] = tuple(words)
        return area


@dataclass(frozen=True, slots=True)
class Curve:
    """Where the points of a certificate stand: indications in ``column``, errors beside."""

    column: int
    count: int

    def error(self, reading: str) -> str:
        """The formula (without ``=``) of the error at the cell ``reading``, as in the program."""
        if not self.count:
            return "0"
        first, last = 2, 1 + self.count
        x0, e0 = fixed(first, self.column), fixed(first, self.column + 1)
        xn, en = fixed(last, self.column), fixed(last, self.column + 1)
        if self.count == 1:
            return e0
        xs = f"{fixed(first, self.column)}:{fixed(last, self.column)}"
        es = f"{fixed(first, self.column + 1)}:{fixed(last, self.column + 1)}"
        k = f"MATCH({reading},{xs},1)"
        left, right = f"INDEX({xs},{k})", f"INDEX({xs},{k}+1)"
        low, high = f"INDEX({es},{k})", f"INDEX({es},{k}+1)"
        between = f"{low}+({reading}-{left})*({high}-{low})/({right}-{left})"
        return f"IF({reading}<={x0},{e0},IF({reading}>={xn},{en},{between}))"


def outside(cell: str, low: str | None, high: str | None, places: int) -> str:
    """The formula that holds where a cell lies outside limits; limits themselves are inside.

    Compared to ``places`` decimals: what two readings cannot differ by is the machine's noise.
    """
    parts = []
    if low is not None:
        parts.append(f"ROUND({cell}-{low},{places})<0")
    if high is not None:
        parts.append(f"ROUND({cell}-{high},{places})>0")
    if not parts:
        return "FALSE()"
    return parts[0] if len(parts) == 1 else f"OR({','.join(parts)})"


def noise_places(width: float) -> int:
    """Decimals to which two values on a scale of that width are compared."""
    return max(0, 10 - math.ceil(math.log10(abs(width)))) if width else 9


def as_date(text: str) -> date:
    return date.fromisoformat(text)
