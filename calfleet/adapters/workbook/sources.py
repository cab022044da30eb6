"""CSV files, sheets of a workbook and TOML files, opened and brought into rows.

Nothing is raised for bad data: a file that is missing or broken is one problem, and gives no
rows. What reading a workbook row by row (``read_only``) must mind: the stated size of a sheet may
be wrong, empty cells know no address, a formula shows either its text or its stored result, and a
date is a number with a date format.
"""

from __future__ import annotations

import csv
import io
import re
import tomllib
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from decimal import Decimal
from pathlib import Path
from typing import Any

from calfleet.adapters.workbook.packages import Damaged, Unreadable, screen
from calfleet.adapters.workbook.tables import Row, nearest, shown, squeezed
from calfleet.errors import Problem

_FIXED_FORMAT = re.compile(r"(?:#,##)?0+(?:\.(0+))?(?:_[^;]|\s)*(?:;.*)?")


@dataclass(frozen=True, slots=True)
class Columns:
    """The columns of a table: those it must have, and those it may have."""

    required: Sequence[str]
    optional: Sequence[str] = ()

    @property
    def all(self) -> tuple[str, ...]:
        return (*self.required, *self.optional)


@dataclass(frozen=True, slots=True)
class Table:
    """The rows of a table; ``complete`` is false when it could not be read as a whole."""

    rows: tuple[Row, ...]
    complete: bool


def read_text(path: Path, name: str, problems: list[Problem]) -> str | None:
    """The text of a UTF-8 file (a byte order mark is dropped), ``None`` with a problem noted."""
    try:
        return path.read_bytes().decode("utf-8-sig")
    except FileNotFoundError:
        problems.append(Problem(name, "The file is missing.", "Put it beside the others."))
    except UnicodeDecodeError as error:
        problems.append(
            Problem(
                name,
                f"The text is not UTF-8 (byte {error.start}).",
                "Save the file again with the encoding UTF-8.",
            )
        )
    except OSError as error:
        problems.append(Problem(name, f"The file cannot be read: {error.strerror or error}."))
    return None


# --- CSV ----------------------------------------------------------------------------------


def csv_lines(
    text: str, name: str, problems: list[Problem]
) -> tuple[list[tuple[int, list[str]]], bool]:
    """Each line that is not blank with its number in the file; false when the CSV is broken."""
    lines: list[tuple[int, list[str]]] = []
    reader = csv.reader(io.StringIO(text, newline=""), strict=True)
    start = 1
    while True:
        try:
            cells = next(reader)
        except StopIteration:
            return lines, True
        except csv.Error as error:
            problems.append(
                Problem(f"{name}, line {start}", f"The line is not valid CSV: {error}.")
            )
            return lines, False
        if any(cell.strip() for cell in cells):
            lines.append((start, cells))
        start = reader.line_num + 1


def read_csv(path: Path, columns: Columns, problems: list[Problem]) -> Table:
    """The rows of a CSV file with a header line; places read 'people.csv, line 7, column role'."""
    name = path.name
    text = read_text(path, name, problems)
    if text is None:
        return Table((), complete=False)
    lines, complete = csv_lines(text, name, problems)
    if not lines:
        problems.append(Problem(name, "The file is empty.", "The first line names the columns."))
        return Table((), complete=False)
    first, header = lines[0]
    keys = _header(
        [cell.strip() for cell in header], columns, f"{name}, line {first}",
        lambda index: f"{name}, line {first}", problems,
        hint="The cells look separated by semicolons; use commas."
        if len(header) == 1 and ";" in header[0] else "",
    )  # fmt: skip
    if keys is None:
        return Table((), complete=False)
    rows = []
    for line, cells in lines[1:]:
        row = Row(
            {key: cell for key, cell in zip(keys, cells, strict=False) if key},
            lambda column, line=line: f"{name}, line {line}, column {column}",  # type: ignore[misc]
            problems,
        )
        if len(cells) != len(keys):
            row.bad = True
            problems.append(
                Problem(
                    f"{name}, line {line}",
                    f"The line has {len(cells)} cells, the header {len(keys)}.",
                    "Text with a comma in it must stand between quotation marks.",
                )
            )
        rows.append(row)
    return Table(tuple(rows), complete)


def _header(
    names: Sequence[str],
    columns: Columns,
    where: str,
    place: Callable[[int], str],
    problems: list[Problem],
    hint: str = "",
) -> list[str] | None:
    """The squeezed name of each column ('' for a blank one), ``None`` when one is missing."""
    known = {squeezed(column): column for column in columns.all}
    keys: list[str] = []
    for index, name in enumerate(names):
        key = squeezed(name)
        if not key:
            keys.append("")
        elif key not in known:
            if not hint:
                problems.append(
                    Problem(
                        place(index),
                        f"No such column: {shown(name)}.",
                        nearest(name[:100], columns.all),
                    )
                )
            keys.append("")
        else:
            if key in keys:
                problems.append(Problem(place(index), f"The column {shown(name)} is there twice."))
            keys.append(key)
    missing = [column for column in columns.required if squeezed(column) not in keys]
    for column in missing:
        problems.append(Problem(where, f"The column {column!r} is missing.", hint))
    return None if missing else keys


# --- workbooks ----------------------------------------------------------------------------


class Workbook:
    """A workbook read once; ``table`` gives the rows of a sheet."""

    def __init__(self, path: Path, problems: list[Problem]) -> None:
        self._path = path
        self._problems = problems
        self._grids = self._open(formulas=True) if self._safe() else None
        if self._grids is not None and any(
            isinstance(value, _Formula)
            for grid in self._grids.values()
            for row in grid
            for value in row
        ):
            stored = self._open(formulas=False) or {}
            for title, grid in self._grids.items():
                values = stored.get(title, [])
                for r, row in enumerate(grid):
                    row[:] = [self._stored(values, r, c, value) for c, value in enumerate(row)]

    @staticmethod
    def _stored(grid: list[list[object]], row: int, column: int, value: object) -> object:
        if not isinstance(value, _Formula):
            return value
        inside = row < len(grid) and column < len(grid[row])
        found = grid[row][column] if inside else None
        return value if found is None else found

    def _safe(self) -> bool:
        """Whether the library may open the file; a problem is noted where it must not."""
        try:
            screen(self._path, elements=3_000_000, places=3_000_000)
        except Damaged:
            pass  # its own error says so
        except Unreadable as error:
            self._problems.append(Problem(self._path.name, error.message, error.hint))
            return False
        return True

    def _open(self, *, formulas: bool) -> dict[str, list[list[object]]] | None:
        import warnings
        import zlib
        from zipfile import BadZipFile

        import openpyxl
        from openpyxl.utils.exceptions import InvalidFileException

        name = self._path.name
        try:
            with warnings.catch_warnings():
                # extensions that openpyxl drops (validations, drawings) hold no data
                warnings.simplefilter("ignore")
                with self._path.open("rb") as stream:
                    book = openpyxl.load_workbook(stream, read_only=True, data_only=not formulas)
                    try:
                        return {sheet.title: _grid(sheet) for sheet in book.worksheets}
                    finally:
                        book.close()
        except FileNotFoundError:
            self._problems.append(
                Problem(name, "The file is missing.", "Put it beside the others.")
            )
        except PermissionError as error:
            self._problems.append(Problem(name, f"The file cannot be read: {error.strerror}."))
        except (
            # what openpyxl raises on a file that is no workbook, or a damaged one
            BadZipFile, InvalidFileException, zlib.error, OSError, EOFError, LookupError,
            ValueError, TypeError, AttributeError, SyntaxError, RuntimeError,
        ):  # fmt: skip
            self._problems.append(
                Problem(
                    name,
                    "The file is not a readable .xlsx workbook.",
                    "Open it and save it again as .xlsx without a password.",
                )
            )
        return None

    def table(self, title: str, columns: Columns) -> Table:
        """The rows of a sheet whose first row names the columns; places read 'file, Sheet!F12'."""
        name = self._path.name
        if self._grids is None:
            return Table((), complete=False)
        found = {squeezed(each): each for each in self._grids}.get(squeezed(title))
        if found is None:
            self._problems.append(
                Problem(name, f"The sheet {title!r} is missing.", nearest(title, self._grids))
            )
            return Table((), complete=False)
        grid = self._grids[found]
        filled = [index for index, cells in enumerate(grid) if not _blank(cells)]
        if not filled:
            self._problems.append(Problem(f"{name}, {found}", "The sheet is empty."))
            return Table((), complete=False)
        head = filled[0]
        keys = _header(
            ["" if cell is None else str(cell).strip() for cell in grid[head]],
            columns,
            f"{name}, {found}!{head + 1}:{head + 1}",
            lambda index: f"{name}, {found}!{letter(index)}{head + 1}",
            self._problems,
        )
        if keys is None:
            return Table((), complete=False)
        rows = []
        for index in filled[1:]:
            cells = grid[index]
            row = Row(
                {key: cell for key, cell in zip(keys, cells, strict=False) if key},
                _place(f"{name}, {found}", keys, index + 1),
                self._problems,
            )
            for column, cell in enumerate(cells):
                if isinstance(cell, _Formula | _Broken) and column < len(keys) and keys[column]:
                    row.bad = True
                    self._problems.append(
                        Problem(
                            f"{name}, {found}!{letter(column)}{index + 1}",
                            cell.message,
                            "Enter the value itself.",
                        )
                    )
            if not row.bad:
                rows.append(row)
        return Table(tuple(rows), complete=len(rows) == len(filled) - 1)


@dataclass(frozen=True, slots=True)
class _Formula:
    """A formula whose result is not (yet) known."""

    message: str = "The formula has no stored result."


@dataclass(frozen=True, slots=True)
class _Broken:
    """An error value such as #REF!."""

    message: str


def _place(sheet: str, keys: Sequence[str], row: int) -> Callable[[str], str]:
    at = {key: letter(index) for index, key in enumerate(keys) if key}

    def place(column: str) -> str:
        found = at.get(squeezed(column))
        return f"{sheet}!{found}{row}" if found else f"{sheet}!{row}:{row}"

    return place


def letter(index: int) -> str:
    """The letters of a column counted from 0.

    >>> letter(0), letter(25), letter(26)
    ('A', 'Z', 'AA')
    """
    text = ""
    index += 1
    while index:
        index, rest = divmod(index - 1, 26)
        text = chr(65 + rest) + text
    return text


def _blank(cells: Sequence[object]) -> bool:
    return all(cell is None or (isinstance(cell, str) and not cell.strip()) for cell in cells)


def _grid(sheet: Any) -> list[list[object]]:
    """Every row of the sheet from A1 on, as plain values."""
    # the size written in the file may be wrong or absent; only the cells count
    sheet.reset_dimensions()
    grid = [[_value(cell) for cell in row] for row in sheet.iter_rows()]
    while grid and _blank(grid[-1]):
        grid.pop()
    return grid


def _value(cell: Any) -> object:
    value = cell.value
    if value is None:
        return None
    kind = cell.data_type
    if kind == "f" or (isinstance(value, str) and value.startswith("=") and kind != "s"):
        return _Formula()
    if kind == "e":
        return _Broken(f"The cell holds the error {value}.")
    if isinstance(value, bool | str | datetime | date):
        return value
    if isinstance(value, int | float):
        return number_shown(value, cell.number_format or "General")
    return str(value)


def number_shown(value: int | float, number_format: str) -> Decimal:
    """The number of a cell as a ``Decimal`` with the digits its format shows.

    A workbook stores a double: fifteen significant digits are taken, and trailing zeros that a
    fixed format shows are added. A format that shows fewer digits than are there cuts none off.

    >>> number_shown(2.5, "0.00"), number_shown(0.1 + 0.2, "General"), number_shown(1.25, "0.0")
    (Decimal('2.50'), Decimal('0.3'), Decimal('1.25'))
    """
    plain = str(value) if isinstance(value, int) else format(value, ".15g")
    number = Decimal(format(Decimal(plain), "f"))
    match = _FIXED_FORMAT.fullmatch(number_format)
    wanted = len(match[1] or "") if match else 0
    present = -int(number.as_tuple().exponent)
    if wanted <= present or number.adjusted() + wanted > 25:  # the second: no number of a plant
        return number
    return number.quantize(Decimal(1).scaleb(-wanted))


# --- TOML ---------------------------------------------------------------------------------


def read_toml(path: Path, problems: list[Problem], name: str = "") -> dict[str, object] | None:
    """The table of a TOML file, decimals with their digits; ``None`` with a problem noted."""
    name = name or path.name
    text = read_text(path, name, problems)
    if text is None:
        return None
    try:
        return tomllib.loads(text, parse_float=Decimal)
    except (ValueError, RecursionError) as error:
        # besides its own error, a ValueError for a number too long, and nesting without end
        problems.append(
            Problem(
                name,
                f"The file is not valid TOML: {error}.",
                "Text stands between quotation marks; numbers have a decimal point.",
            )
        )
    return None


class TomlTable:
    """One table of a TOML file: checks its keys, gives its cells as a ``Row``, and its subtables.

    ``names`` are the plain keys it may have, ``parts`` the keys of its subtables and of lists of
    tables. Anything else is a problem, with the nearest key.
    """

    def __init__(
        self,
        table: Mapping[str, object],
        where: str,
        problems: list[Problem],
        names: Sequence[str],
        parts: Sequence[str] = (),
    ) -> None:
        self._table = table
        self._where = where
        self._problems = problems
        self.row = Row(
            {squeezed(key): value for key, value in table.items() if key in names},
            lambda key: f"{where}, {key}",
            problems,
        )
        for key, value in table.items():
            if key not in names and key not in parts:
                self.row.bad = True
                problems.append(
                    Problem(f"{where}, {key}", "No such key.", nearest(key, (*names, *parts)))
                )
            elif key in names and isinstance(value, dict):
                self.row.problem(key, "A table stands where a plain value is expected.")

    def part(self, key: str, names: Sequence[str], *, required: bool = True) -> TomlTable:
        """The subtable ``[key]``; an absent one is empty (and a problem when required)."""
        value = self._table.get(key)
        if value is None and required:
            self.row.problem(f"[{key}]", "The table is missing.")
        elif value is not None and not isinstance(value, dict):
            self.row.problem(f"[{key}]", "A plain value stands where a table is expected.")
        table = value if isinstance(value, dict) else {}
        # an absent part is one problem, not one for each of its keys
        problems = [] if value is None or not isinstance(value, dict) else self._problems
        return TomlTable(table, f"{self._where}, [{key}]", problems, names)

    def parts(
        self, key: str, names: Sequence[str], subparts: Sequence[str] = ()
    ) -> Iterator[TomlTable]:
        """Each table of the list ``[[key]]``."""
        value = self._table.get(key, [])
        if not isinstance(value, list) or not all(isinstance(item, dict) for item in value):
            self.row.problem(f"[[{key}]]", "A list of tables is expected.")
            return
        for index, item in enumerate(value, 1):
            yield TomlTable(
                item, f"{self._where}, [[{key}]] {index}", self._problems, names, subparts
            )
