"""The cells of a bench sheet that LibreOffice and its kin saved as .ods, as those of an .xlsx.

Values keep the digits that are shown. Formulas are put as an .xlsx holds them, so that the same
comparison tells whether one was altered.

Source: OASIS OpenDocument 1.3 Part 4, 5.8 (references) and 5.2 (separators), from memory.
"""

from __future__ import annotations

import re
from datetime import datetime, time
from decimal import Decimal
from pathlib import Path

from calfleet.adapters.workbook.grid_cells import Book, Broken, Shown
from calfleet.adapters.workbook.grid_ods import Content, attribute, refuse_encrypted
from calfleet.adapters.workbook.packages import Package, Unreadable, parse
from calfleet.errors import Problem

Value = str | int | float | object
Cells = dict[tuple[int, int], tuple[Value, str, str, object]]
"""Value, kind, number format and what is shown, by row and column from 1; of a formula its text,
kind ``f``."""

_ROWS, _COLUMNS = 2000, 60
"""A bench sheet reaches no further."""
_TIME = re.compile(r"PT(\d{1,2})H(\d{1,2})M(\d{1,2})(?:[.,]\d+)?S")
_PIECE = re.compile(r'"(?:[^"]|"")*"|\[((?:\'(?:[^\']|\'\')*\'|[^\]\'])*)\]|[;|{}]|[^"\[;|{}]+')
_REFERENCE = re.compile(r"(?:\$?(?P<sheet>'(?:[^']|'')*'|[^.:'\"]+))?\.(?P<cell>[$A-Za-z0-9]+)")


def pages(path: Path, package: Package) -> dict[str, Cells]:
    """The cells of each tab that hold anything. Raises Unreadable for a file that is none."""
    refuse_encrypted(package)
    book = Book(path, "ods")
    problems: list[Problem] = []
    content = _Content(book, problems)
    parse(package, "content.xml", content.start, content.end, content.text)
    if problems:
        raise Unreadable(problems[0].message, problems[0].hint)
    found: dict[str, Cells] = {}
    for number, grid in enumerate(book.grids):
        cells: Cells = {
            (row + 1, column + 1): _typed(value)
            for row, values in grid.rows.items()
            for column, value in enumerate(values)
            if value is not None
        }
        for (row, column), formula in content.written.get(number, {}).items():
            cells[row + 1, column + 1] = (formula_put(formula), "f", "General", None)
        found[grid.name] = cells
    return found


class _Content(Content):
    """content.xml while it is read, with formulas as they are written."""

    def __init__(self, book: Book, problems: list[Problem]) -> None:
        super().__init__(book, problems)
        self.written: dict[int, dict[tuple[int, int], str]] = {}

    def value(self, given: dict[str, str]) -> object:
        formula = attribute(given, "formula")
        if formula:
            if attribute(given, "number-matrix-rows-spanned"):
                formula = f"of:={{{formula}}}"  # of several cells: none was handed out
            of_sheet = self.written.setdefault(len(self.book.grids) - 1, {})
            for row in range(self.row, min(self.row + self.row_repeat, _ROWS)):
                for column in range(self.column, min(self.column + self.repeat, _COLUMNS)):
                    of_sheet[row, column] = formula
        kind = attribute(given, "value-type")
        if kind == "percentage":
            found = super().value(given)
            if isinstance(found, Shown):
                # its number is what a printed cell is compared by
                number = Decimal(attribute(given, "value"))
                return Shown(found, number, found.measured, found.unclear, found.differs)
            return found
        if kind == "date" and "T" in attribute(given, "date-value"):
            try:
                return datetime.fromisoformat(attribute(given, "date-value"))
            except ValueError:
                pass  # said by what reads a day
        if kind == "time":
            clock = _TIME.fullmatch(attribute(given, "time-value"))
            if clock is not None and int(clock[1]) < 24:
                return time(int(clock[1]), int(clock[2]) % 60)
        return super().value(given)


def _typed(value: object) -> tuple[Value, str, str, object]:
    if isinstance(value, Broken):
        return value.message, "e", "General", None
    number = value.number if isinstance(value, Shown) else value
    if isinstance(number, Decimal):
        places = max(0, -int(number.as_tuple().exponent))
        if not places:
            return int(number), "n", "0", value
        return float(number), "n", f"0.{'0' * places}", value
    return number, "b" if isinstance(number, bool) else "s", "General", None


def formula_put(formula: str) -> str:
    """A formula of an .ods as an .xlsx has it.

    >>> formula_put('of:=IF([.A1]>0.5;SUM([.B1:.B3]);"a;b")')
    '=IF(A1>0.5,SUM(B1:B3),"a;b")'
    >>> formula_put("of:=[$'My sheet'.$A$1]*[$Round.B2]")
    "='My sheet'!$A$1*Round!B2"
    """
    text = re.sub(r"^(?:of|oooc):", "", formula)
    out: list[str] = []
    braces = 0
    for piece in _PIECE.finditer(text):
        part = piece[0]
        if piece[1] is not None:
            part = _REFERENCE.sub(_reference, piece[1])
        elif part in "{}":
            braces += 1 if part == "{" else -1
        elif part == ";":
            part = ","
        elif part == "|" and braces:
            part = ";"
        elif not part.startswith('"'):
            part = part.replace("COM.MICROSOFT.", "")
        out.append(part)
    return "".join(out)


def _reference(found: re.Match[str]) -> str:
    sheet = found["sheet"]
    return found["cell"] if sheet is None else f"{sheet}!{found['cell']}"
