"""Sheets of an .xlsx workbook in one pass through its XML.

One pass gives what the libraries give only in several, or only by holding every cell as an
object: values with the digits their format shows, formulas, hidden rows, columns and sheets, and
merged areas. Sizes are checked before a part is unpacked; a document type declaration (the door
for entity tricks) is refused; the cells are counted as they come.

Source: ECMA-376 Part 1 (SpreadsheetML), 18.2 workbook, 18.3 worksheets, 18.4 shared strings, 18.8
styles; built-in number formats 18.8.30 (from memory).
"""

from __future__ import annotations

import posixpath
import re
from collections.abc import Iterator
from datetime import date
from decimal import Decimal
from pathlib import Path, PurePosixPath
from typing import Any

from calfleet.adapters.workbook.grid_cells import (
    FORMAT_LENGTH,
    LIMITS,
    Book,
    Broken,
    Grid,
    Unreadable,
    sheet_name,
    too_large,
)
from calfleet.adapters.workbook.grid_formats import around_text, by_format
from calfleet.adapters.workbook.packages import AGAIN, DAMAGED, Package, parse
from calfleet.adapters.workbook.sources import letter
from calfleet.errors import Problem

_BUILT_IN = {
    1: "0", 2: "0.00", 3: "#,##0", 4: "#,##0.00", 9: "0%", 10: "0.00%", 11: "0.00E+00",
    **dict.fromkeys(range(14, 18), "d/m/yy"), 22: "d/m/yy h:mm",
    **dict.fromkeys(range(18, 22), "h:mm:ss"), **dict.fromkeys(range(45, 48), "[h]:mm:ss"),
    **dict.fromkeys(range(27, 32), "yyyy/m/d"), 36: "yyyy/m/d",
    **dict.fromkeys(range(50, 59), "yyyy/m/d"),
}  # fmt: skip
_OTHER = "Name a workbook with cells in it."
_REFERENCE = re.compile(r"([A-Z]{1,3})([1-9]\d{0,6})")
_RUNS = 4096
"""So many runs of a text are kept: more than the longest text of a cell needs."""


def read(path: Path, package: Package, problems: list[Problem]) -> Book:
    """Every worksheet of the workbook. Raises Unreadable for a file that is none."""
    if "[Content_Types].xml" not in package.namelist():
        raise Unreadable("The file is a ZIP archive, but no workbook.", "Name a workbook or CSV.")
    main = _main_part(package)
    book = Book(path, "xlsx")
    sheets = _sheets(package, main, book)
    if not sheets:
        raise Unreadable("The workbook holds no sheet.", _OTHER)
    if len(sheets) > LIMITS.sheets:
        raise too_large(f"{len(sheets)} sheets")
    links = _links(package, main)
    strings = _strings(package, links)
    formats = _formats(package, links)
    budget = _Count()
    read_already: set[str] = set()
    for name, state, link in sheets:
        kind, part = links.get(link, ("", ""))
        if kind != "worksheet":
            continue  # a chart
        grid = Grid(name, hidden=state != "visible")
        book.grids.append(grid)
        if part in read_already:
            problems.append(
                Problem(
                    f"{book.name}, {name}",
                    f"{DAMAGED[:-1]} (the sheet is the same as another).",
                    AGAIN,
                )
            )
            continue
        read_already.add(part)
        try:
            _Sheet(grid, strings, formats, book, budget, problems).read(package, part)
        except Unreadable as error:
            problems.append(Problem(f"{book.name}, {name}", error.message, error.hint))
            if package.spent:
                break
    if not book.grids:
        raise Unreadable("The workbook holds no sheet with cells.", _OTHER)
    return book


def _main_part(package: Package) -> str:
    found: list[str] = []

    def start(name: str, attributes: dict[str, str]) -> None:
        if name == "Relationship" and attributes.get("Type", "").endswith("/officeDocument"):
            found.append(attributes.get("Target", "").lstrip("/"))

    if "_rels/.rels" in package.namelist():
        parse(package, "_rels/.rels", start)
    main = found[0] if found else "xl/workbook.xml"
    if main.endswith(".bin"):
        raise Unreadable("The workbook is a binary one (.xlsb).", "Save it as .xlsx.")
    if main not in package.namelist() or not main.endswith(".xml"):
        raise Unreadable("The file is no workbook.", "Name a workbook or CSV.")
    return main


def _sheets(package: Package, main: str, book: Book) -> list[tuple[str, str, str]]:
    """(name, state, link) of each sheet, in order."""
    sheets: list[tuple[str, str, str]] = []

    def start(name: str, attributes: dict[str, str]) -> None:
        if name == "sheet":
            link = next((v for k, v in attributes.items() if k.rpartition(":")[2] == "id"), "")
            sheets.append(
                (sheet_name(attributes.get("name", "")), attributes.get("state", "visible"), link)
            )
        elif name == "workbookPr":
            book.epoch_1904 = attributes.get("date1904", "") in ("1", "true", "on")

    parse(package, main, start)
    return sheets


def _links(package: Package, main: str) -> dict[str, tuple[str, str]]:
    """Link to (kind, part); shared strings and styles also under their kind."""
    where = PurePosixPath(main)
    links: dict[str, tuple[str, str]] = {}

    def start(name: str, attributes: dict[str, str]) -> None:
        if name != "Relationship" or attributes.get("TargetMode") == "External":
            return
        kind = attributes.get("Type", "").rpartition("/")[2]
        target = attributes.get("Target", "")
        part = posixpath.normpath(posixpath.join("/", str(where.parent), target)).lstrip("/")
        links[attributes.get("Id", "")] = (kind, part)
        links.setdefault(f"kind {kind}", (kind, part))

    parse(package, str(where.parent / "_rels" / f"{where.name}.rels"), start)
    return links


def _strings(package: Package, links: dict[str, tuple[str, str]]) -> list[str]:
    if "kind sharedStrings" not in links:
        return []
    strings: list[str] = []
    parts: list[str] = []
    state = {"take": False, "phonetic": False}

    def start(name: str, _: dict[str, str]) -> None:
        if name == "t":
            state["take"] = not state["phonetic"]
        elif name == "rPh":
            state["phonetic"] = True
        elif name == "si":
            parts.clear()

    def end(name: str) -> None:
        if name == "t":
            state["take"] = False
        elif name == "rPh":
            state["phonetic"] = False
        elif name == "si":
            strings.append("".join(parts)[: LIMITS.text])
            if len(strings) > LIMITS.cells:
                raise too_large(f"more than {LIMITS.cells:,} texts")

    def text(data: str) -> None:
        if state["take"] and len(parts) < _RUNS:
            parts.append(data)

    parse(package, links["kind sharedStrings"][1], start, end, text)
    return strings


def _formats(package: Package, links: dict[str, tuple[str, str]]) -> list[str]:
    """The number format of each cell style."""
    if "kind styles" not in links:
        return []
    own: dict[str, str] = {}
    styles: list[str] = []
    inside = {"cellXfs": False}

    def start(name: str, attributes: dict[str, str]) -> None:
        if name == "numFmt":
            code = attributes.get("formatCode", "General")
            own[attributes.get("numFmtId", "")] = code[:FORMAT_LENGTH]
        elif name == "cellXfs":
            inside["cellXfs"] = True
        elif name == "xf" and inside["cellXfs"]:
            styles.append(attributes.get("numFmtId", "0"))

    def end(name: str) -> None:
        if name == "cellXfs":
            inside["cellXfs"] = False

    parse(package, links["kind styles"][1], start, end)
    built_in = {str(key): value for key, value in _BUILT_IN.items()}
    return [own.get(style) or built_in.get(style, "General") for style in styles]


class _Count:
    """How many cells and filled rows were seen in the whole workbook."""

    def __init__(self) -> None:
        self.cells = 0
        self.rows = 0


def column_number(letters: str) -> int:
    """The number of a column from 0.

    >>> column_number("A"), column_number("Z"), column_number("AA")
    (0, 25, 26)
    """
    number = 0
    for character in letters:
        number = number * 26 + ord(character) - 64
    return number - 1


class _Sheet:
    """One worksheet while it is read."""

    def __init__(
        self,
        grid: Grid,
        strings: list[str],
        formats: list[str],
        book: Book,
        count: _Count,
        problems: list[Problem],
    ) -> None:
        self.grid = grid
        self.strings = strings
        self.formats = formats
        self.around = {str(n): each for n, fmt in enumerate(formats) if (each := around_text(fmt))}
        self.book = book
        self.count = count
        self.problems = problems
        self.numbers: dict[tuple[str, str], object] = {}
        self.columns: dict[str, int] = {}
        self.row = -1
        self.column = -1
        self.kind = ""
        self.style = ""
        self.formula = False
        self.value: list[str] = []
        self.taking = False
        self.filled = False
        self.cells: list[object] = []
        self.too_wide = False
        self.rows_seen = 0

    def read(self, package: Package, part: str) -> None:
        parse(package, part, self.start, self.end, self.text)
        if self.too_wide:
            self.problems.append(
                Problem(
                    f"{self.book.name}, {self.grid.name}",
                    f"There are cells right of column {letter(LIMITS.columns - 1)}; they were not "
                    "read.",
                    "Delete the columns that hold no data.",
                )
            )

    def start(self, name: str, attributes: dict[str, str]) -> None:
        if name == "c":
            self.start_cell(attributes)
        elif name in ("v", "t"):
            self.taking = True
            self.filled = True
        elif name == "f":
            self.formula = True
        elif name == "row":
            self.start_row(attributes)
        elif name == "rPh":
            self.taking = False
        elif name == "mergeCell":
            self.merge(attributes.get("ref", ""))
        elif name == "col" and attributes.get("hidden") in ("1", "true"):
            first, last = _whole(attributes.get("min")), _whole(attributes.get("max"))
            if first is not None and last is not None:
                self.grid.hidden_columns.update(range(first - 1, min(last, LIMITS.columns)))

    def start_row(self, attributes: dict[str, str]) -> None:
        stated = _whole(attributes.get("r"))
        self.row = self.row + 1 if stated is None else stated - 1
        self.rows_seen += 1
        if not 0 <= self.row < LIMITS.rows or self.rows_seen > LIMITS.rows:
            raise Unreadable(f"{DAMAGED} Row {self.row + 1} cannot be.", AGAIN)
        self.column = -1
        self.cells = []
        if attributes.get("hidden") in ("1", "true"):
            self.grid.hidden_rows.add(self.row)

    def start_cell(self, attributes: dict[str, str]) -> None:
        self.count.cells += 1
        if self.count.cells > LIMITS.cells:
            raise too_large(f"more than {LIMITS.cells:,} cells")
        reference = attributes.get("r")
        if reference is None:
            self.column += 1
        else:
            letters = reference.rstrip("0123456789")
            found = self.columns.get(letters)
            if found is None:
                if not _REFERENCE.fullmatch(reference):
                    raise Unreadable(f"{DAMAGED} There is no cell {reference[:20]!r}.", AGAIN)
                found = self.columns[letters] = column_number(letters)
            self.column = found
        self.kind = attributes.get("t", "n")
        self.style = attributes.get("s", "")
        self.formula = False
        self.filled = False
        self.taking = False
        if self.value:
            self.value = []

    def text(self, data: str) -> None:
        if self.taking and len(self.value) < _RUNS:
            self.value.append(data)

    def end(self, name: str) -> None:
        if name in ("v", "t"):
            self.taking = False
        elif name == "c" and (self.filled or self.formula):
            value = self.result()
            if value is None:
                return
            if self.column >= LIMITS.columns:
                self.too_wide = True
                return
            cells = self.cells
            if not cells:
                if self.row < 0:
                    raise Unreadable(DAMAGED, AGAIN)
                cells = self.cells = self.grid.rows.setdefault(self.row, [])
                self.count.rows += 1
                if self.count.rows > LIMITS.filled_rows:
                    raise too_large(f"more than {LIMITS.filled_rows:,} rows")
            missing = self.column - len(cells)
            if missing < 0:
                cells[self.column] = value
                return
            if missing:
                cells.extend([None] * missing)
            cells.append(value)

    def result(self) -> object:
        text = "".join(self.value)
        if self.formula:
            if not self.filled or (not text and self.kind != "str"):
                return Broken("The formula has no stored result.", "Enter the value itself.")
            if self.column < LIMITS.columns:
                self.grid.formulas.add((self.row, self.column))
        kind = self.kind
        if kind == "s":
            number = _whole(text)
            if number is None or not 0 <= number < len(self.strings):
                return Broken("The cell names a text that is not in the file.", AGAIN)
            return self.framed(self.strings[number]) or None
        if kind in ("str", "inlineStr"):
            return self.framed(text[: LIMITS.text]) or None
        if kind == "e":
            return Broken(f"The cell holds the error {text[:20]}.", "Enter the value itself.")
        if kind == "b":
            return text.strip() in ("1", "true")
        if kind == "d":
            try:
                return date.fromisoformat(text.strip()[:10])
            except ValueError:
                return Broken(f"The cell holds a date {text[:30]!r} that is none.")
        if not text.strip():
            return None
        key = (text, self.style)
        found = self.numbers.get(key)
        if found is None:
            if len(self.numbers) > 500_000:
                self.numbers.clear()
            found = self.numbers[key] = self.number(text)
        return found

    def framed(self, text: str) -> str:
        """The text with what its format shows around it."""
        around = self.around.get(self.style) if text else None
        return f"{around[0]}{text}{around[1]}"[: LIMITS.text] if around else text

    def number(self, text: str) -> object:
        try:
            exact = Decimal(text.strip())
        except ArithmeticError:
            return Broken(f"The cell holds {text[:30]!r} where a number stands.")
        if not exact.is_finite() or abs(exact.adjusted()) > 30:
            return Broken(f"The cell holds {text[:30]}, which is no number of a plant.")
        style = _whole(self.style) or 0
        fmt = self.formats[style] if 0 <= style < len(self.formats) else "General"
        return by_format(exact, fmt, epoch_1904=self.book.epoch_1904)

    def merge(self, reference: str) -> None:
        if len(self.grid.merged) >= 20_000:
            raise too_large("more than 20,000 merged areas")
        first, _, last = reference.partition(":")
        corners = [_REFERENCE.fullmatch(each) for each in (first, last or first)]
        if corners[0] is None or corners[1] is None:
            return
        a, b = corners[0], corners[1]
        self.grid.merged.append(
            (int(a[2]) - 1, column_number(a[1]), int(b[2]) - 1, column_number(b[1]))
        )


def _whole(text: str | None) -> int | None:
    if text is None or not text.strip().isdecimal() or len(text) > 12:
        return None
    return int(text)


def filled_rows(grid: Grid) -> Iterator[tuple[int, list[Any]]]:
    """The rows in order of their numbers."""
    return iter(sorted(grid.rows.items()))
