"""Cells, sheets and books as the tolerant readers give them, and what the numbers of days are."""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from datetime import date, timedelta
from pathlib import Path
from typing import Final

from calfleet.adapters.workbook.packages import LIMITS as LIMITS
from calfleet.adapters.workbook.packages import Limits as Limits
from calfleet.adapters.workbook.packages import Unreadable as Unreadable
from calfleet.adapters.workbook.packages import sheet_name as sheet_name
from calfleet.adapters.workbook.packages import too_large as too_large
from calfleet.adapters.workbook.sources import letter
from calfleet.errors import Problem


@dataclass(frozen=True, slots=True)
class Broken:
    """A cell that holds no usable value, with what to say about it."""

    message: str
    hint: str = ""


class Shown(str):
    """The text that a cell shows by its number format: '2 %', '2.5 bar', 'PSH-101', '00101'.

    ``number`` is the bare value, ``None`` for a percentage, which is another number than the one
    that is stored. ``measured`` is what fields of measured values take: the number with the unit
    that the format shows around it (its decimal sign is the point, whatever the texts of its
    column have), else the bare number. ``unclear`` says why the text of the format could not be
    worked out, ``differs`` why the number is not the one that a person sees.
    """

    number: object
    measured: object
    unclear: Broken | None
    differs: Broken | None

    def __new__(
        cls,
        text: str,
        number: object = None,
        measured: object = None,
        unclear: Broken | None = None,
        differs: Broken | None = None,
    ) -> Shown:
        made = super().__new__(cls, text)
        made.number = number
        made.measured = text if measured is None else measured
        made.unclear = unclear
        made.differs = differs
        return made

    __slots__ = ("differs", "measured", "number", "unclear")


def other_number(number: object, message: str) -> Broken:
    """What to say of a cell whose number is not the one that its number format shows."""
    return Broken(
        f"The cell holds {number}, but {message}.",
        "Enter the number that is meant in a plain number format (General, 0.00), its unit behind "
        "it where that is another than the column's.",
    )


Area = tuple[int, int, int, int]
"""First row, first column, last row, last column, counted from 0, ends included."""


@dataclass
class Grid:
    """One sheet: the rows that hold anything, by their number from 0; columns count from 0."""

    name: str
    rows: dict[int, list[object]] = field(default_factory=dict)
    hidden: bool = False
    hidden_rows: set[int] = field(default_factory=set)
    hidden_columns: set[int] = field(default_factory=set)
    merged: list[Area] = field(default_factory=list)
    formulas: set[tuple[int, int]] = field(default_factory=set)

    @property
    def width(self) -> int:
        return max((len(cells) for cells in self.rows.values()), default=0)

    def cell(self, row: int, column: int) -> object:
        cells = self.rows.get(row)
        return cells[column] if cells is not None and column < len(cells) else None


@dataclass
class Book:
    """A file with its sheets; ``remarks`` say what was understood rather than stated."""

    path: Path
    kind: str
    grids: list[Grid] = field(default_factory=list)
    epoch_1904: bool = False
    remarks: list[Problem] = field(default_factory=list)

    @property
    def name(self) -> str:
        return self.path.name

    def place(self, grid: Grid, row: int, column: int | None = None) -> str:
        """Where a cell (or a row) is, as messages name it: 'file, Sheet!F12', 'file, line 12'."""
        if self.kind == "csv":
            where = f"{self.name}, line {row + 1}"
            return where if column is None else f"{where}, column {letter(column)}"
        where = f"{row + 1}:{row + 1}" if column is None else f"{letter(column)}{row + 1}"
        return f"{self.name}, {grid.name}!{where}"


CONTROL: Final = re.compile("[\x00-\x08\x0e-\x1f\x7f]")


def plain_text(text: str) -> object:
    """``text`` of a cell, or a broken cell where it holds control characters.

    >>> plain_text("PSL-1101"), plain_text("PSL\\x1b").message
    ('PSL-1101', "The cell holds a control character, in 'PSL\\\\x1b'.")
    """
    if CONTROL.search(text) is None:
        return text
    return Broken(f"The cell holds a control character, in {text[:40]!r}.", "Type its text anew.")


# --- serial numbers of days ---------------------------------------------------------------

_LAST_SERIAL = 2_958_465  # 9999-12-31


def serial_day(serial: int, *, epoch_1904: bool = False) -> date | None:
    """The day of a serial number, ``None`` where it is none.

    In the 1900 system day 1 is 1900-01-01, and day 60 is 29 February 1900, which there was not;
    in the 1904 system day 0 is 1904-01-01.

    >>> serial_day(1), serial_day(59), serial_day(60), serial_day(61)
    (datetime.date(1900, 1, 1), datetime.date(1900, 2, 28), None, datetime.date(1900, 3, 1))
    >>> serial_day(0, epoch_1904=True)
    datetime.date(1904, 1, 1)

    Source: ECMA-376 Part 1, 18.17.4.1 (date bases), from memory; day 60 as spreadsheet programs
    count it.
    """
    if epoch_1904:
        if not 0 <= serial <= _LAST_SERIAL - 1462:
            return None
        return date(1904, 1, 1) + timedelta(serial)
    if not 1 <= serial <= _LAST_SERIAL or serial == 60:
        return None
    return date(1899, 12, 31 if serial < 60 else 30) + timedelta(serial)


FORMAT_LENGTH: Final = 255
"""Characters in a number format, as spreadsheet programs allow (from memory)."""
_NOT_FORMAT = re.compile(r'"[^"]*(?:"|$)|\\.|_.|\*.|\[[^\]]*(?:\]|$)')
"""What is no code of digits or days; what a malformed format opens reaches to its end."""
_BEHIND = re.compile(r'(?:[0#?]|General)(?:[_*].|,)*((?:"[^"]*"|\\.|[ /_])+)(?:[_*].)*$')


def words_behind(number_format: str) -> str:
    """The letters that a number format shows behind the digits, '' for none.

    >>> words_behind('0.0 "bar"'), words_behind("0.00"), words_behind('General" mbar";-0')
    ('bar', '', 'mbar')
    """
    first = number_format[:FORMAT_LENGTH].split(";")[0].rstrip()
    found = _BEHIND.search(first)
    if found is None:
        return ""
    text = re.sub(r'"([^"]*)"|\\(.)', lambda each: each[1] or each[2] or "", found[1]).strip()
    return text if re.search(r"[^\W\d_]", text) else ""


def percent_format(number_format: str) -> str | None:
    """The format of the number before its per cent sign; ``None``: it shows no percentage.

    >>> percent_format("0.00%_)"), percent_format("0.0%;-0.0%"), percent_format('0.0 "%"')
    ('0.00', '0.0', None)
    """
    plain = _NOT_FORMAT.sub("", number_format[:FORMAT_LENGTH]).split(";")[0]
    return plain.replace("%", "").strip() if "%" in plain else None


def shows_date(number_format: str) -> bool:
    """Whether a number format shows a number as a day.

    >>> shows_date("dd.mm.yyyy"), shows_date("0.00"), shows_date('0.0 "days"'), shows_date("[h]:mm")
    (True, False, False, False)
    >>> shows_date("[Red"), shows_date('0"days')
    (False, False)
    """
    plain = _NOT_FORMAT.sub("", number_format[:FORMAT_LENGTH]).split(";")[0].casefold()
    return "general" not in plain and ("y" in plain or "d" in plain or "j" in plain)
