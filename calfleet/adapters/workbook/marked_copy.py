"""Copies of a shop's own files with the cells marked that hold problems.

Each file with problems gets a copy ``NAME-marked.xlsx`` with a leading sheet that lists them. The
file itself is only read.

What is decided here:

- An .xlsx keeps its form: formats, widths, merged areas, hidden rows and columns, other sheets.
  Charts, pictures and macros are not copied, and the leading sheet says so.
- No cell of a copy is a formula. A formula of the shop is written as its stored value: opened
  anew, it could fetch something from elsewhere, and its result would no longer be what was read.
  For the same reason links to other files, drop-down lists and names are left out, and rules of
  conditional formats unless they are plain ones.
- An .xls, .ods or CSV file, an .xlsx that the library cannot open, and one too large to be held
  as objects are copied as their values: same sheets, same addresses.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

from calfleet.adapters.workbook.grid_cells import LIMITS, Area, Book, Grid, sheet_name
from calfleet.adapters.workbook.marked_cells import (
    MOST_PLACES,
    Marker,
    Marks,
    by_cell,
    moved,
    own_tabs,
    saved,
    tabs,
)
from calfleet.adapters.workbook.marked_form import with_form
from calfleet.adapters.workbook.marked_list import (
    RUNS,
    Copied,
    as_cell,
    counted,
    draw_about,
    draw_list,
)
from calfleet.adapters.workbook.marked_places import Spot, spots
from calfleet.adapters.workbook.packages import Unreadable
from calfleet.errors import Problem, RecordRefused

_NAMES_TRIED = 1000
_MOST_MERGED, _LARGEST_MERGED = 1000, 10_000
"""Merged areas of a sheet that a copy of the values keeps, and cells of one."""
_RESERVED = re.compile(r"(con|prn|aux|nul|com\d|lpt\d)", re.IGNORECASE)


def mark(
    books: Sequence[Book],
    problems: Sequence[Problem],
    folder: Path,
    *,
    said: list[Problem] | None = None,
    progress: Callable[[str], None] = lambda _: None,
) -> list[Path]:
    """The marked copies that were written into ``folder``, one for each book with problems.

    ``said`` gets a line for each place that is in none of the books. The folder is made where
    there is none. No file is ever overwritten: where the name is taken, a number is put
    behind it. When a copy cannot be written, those of this call are taken away again.

    Raises: RecordRefused when ``folder`` is a file or no name is free; OSError.
    """
    by_book, others = spots(books, problems)
    if said is not None:
        said += [
            Problem(where, "No marked copy shows it: it is in none of the files that were read.")
            for where in dict.fromkeys(problem.where for problem in others)
        ]
    wanted = [(book, each) for book, each in zip(books, by_book, strict=True) if each]
    if wanted and folder.exists() and not folder.is_dir():
        raise RecordRefused(
            f"{folder} is a file.",
            rule="Marked copies are written into a folder.",
            next_step="Name a folder, or one that does not exist yet.",
        )
    written: list[Path] = []
    try:
        for book, each in wanted:
            progress(f"Marked copy of {book.name}")
            data = marked_bytes(book, each)
            folder.mkdir(parents=True, exist_ok=True)
            written.append(_write(folder, safe_stem(book.path), data))
    except BaseException:
        for path in written:
            path.unlink(missing_ok=True)
        raise
    return written


def marked_bytes(book: Book, its: Sequence[Spot]) -> bytes:
    """The marked copy of a book as .xlsx."""
    import zlib
    from zipfile import BadZipFile

    from openpyxl.utils.exceptions import IllegalCharacterError

    if book.kind == "xlsx":
        try:
            return with_form(book, its)
        except Unreadable as error:
            reason = error.message
        except (
            # what openpyxl raises on what it does not understand
            BadZipFile, zlib.error, IllegalCharacterError, OSError, EOFError, LookupError,
            ValueError, TypeError, AttributeError, SyntaxError, RuntimeError, ArithmeticError,
        ):  # fmt: skip
            reason = "The file has something that could not be copied."
        return _values_only(book, its, f"Only the values were copied, without their form. {reason}")
    return _values_only(book, its, _AS_READ[book.kind])


_AS_READ = {
    "csv": "The copy is a workbook: line 12 of the text is row 12, the sixth cell is in column F.",
    "xls": "Only the values were copied, as they were read, without their form.",
    "ods": "Only the values were copied, as they were read, without their form.",
}


# --- names of files -----------------------------------------------------------------------


def safe_stem(path: Path) -> str:
    """The name of a copy without its ending: one that every system takes, never a path.

    >>> (
    ...     safe_stem(Path("in/Gauges 2026.xls")),
    ...     safe_stem(Path("..a:b.csv")),
    ...     safe_stem(Path("nul.csv")),
    ... )
    ('Gauges 2026-marked', 'a-b-marked', '_nul-marked')
    """
    plain = re.sub(r'[\x00-\x1f\x7f<>:"/\\|?*]', "-", sheet_name(path.stem))
    plain = plain.encode("utf-8", "replace")[:120].decode("utf-8", "ignore").strip(" .-") or "file"
    if _RESERVED.fullmatch(plain.partition(".")[0]):
        plain = f"_{plain}"
    return f"{plain}-marked"


def _write(folder: Path, stem: str, data: bytes) -> Path:
    for number in range(1, _NAMES_TRIED):
        path = folder / (f"{stem}.xlsx" if number == 1 else f"{stem}-{number}.xlsx")
        try:
            stream = path.open("xb")
        except FileExistsError:
            continue
        try:
            with stream:
                stream.write(data)
        except BaseException:
            path.unlink(missing_ok=True)
            raise
        return path
    raise RecordRefused(
        f"{folder} holds {_NAMES_TRIED - 1} copies named {stem} already.",
        rule="A file is never overwritten.",
        next_step="Name another folder.",
    )


# --- a copy of the values -----------------------------------------------------------------


def _values_only(book: Book, its: Sequence[Spot], note: str) -> bytes:
    """A new workbook with the values as read, written row by row."""
    from openpyxl import Workbook

    its = list(its)
    for index, grid in enumerate(book.grids):
        its = moved(its, index, _anchors(grid))
    titles = tabs([grid.name for grid in book.grids])
    told = Copied(book, its, titles, *own_tabs(titles.values()), notes=[note])
    renamed = [grid.name for n, grid in enumerate(book.grids) if titles[n] != grid.name]
    if renamed:
        told.notes.append(
            f"{counted(len(renamed), 'sheet has', 'sheets have')} another name here, because a "
            f"workbook cannot hold it: {', '.join(renamed[:3])}."
        )
    marks = [by_cell(its, index) for index in range(len(book.grids))]
    told.marked = sum(map(len, marks))
    target = Workbook(write_only=True)
    lead = target.create_sheet(told.to_mend)
    marker = Marker(told)
    draw_list(lead, told)
    told.marked = 0
    for index, grid in enumerate(book.grids):
        page = target.create_sheet(titles[index])
        page.sheet_state = "hidden" if grid.hidden else "visible"
        _values(page, grid, marks[index], marker)
    draw_about(target.create_sheet(told.about), told)
    return saved(target, book)


def _areas(grid: Grid) -> list[Area]:
    """The merged areas that a copy of the values keeps: none that cannot be, or beyond reason."""
    kept, places = [], 0
    for top, left, bottom, right in grid.merged[:_MOST_MERGED]:
        size = (bottom - top + 1) * (right - left + 1)
        sound = 0 <= top <= bottom < LIMITS.rows and 0 <= left <= right < LIMITS.columns
        if sound and 1 < size <= _LARGEST_MERGED and places + size <= MOST_PLACES:
            kept.append((top, left, bottom, right))
            places += size
    return kept


def _anchors(grid: Grid) -> dict[tuple[int, int], tuple[int, int]]:
    """Cell inside a merged area to the area's first cell."""
    return {
        (row, column): (top, left)
        for top, left, bottom, right in _areas(grid)
        for row in range(top, bottom + 1)
        for column in range(left, right + 1)
        if (row, column) != (top, left)
    }


def _values(page: Any, grid: Grid, marks: Marks, marker: Marker) -> None:
    from openpyxl.cell import WriteOnlyCell
    from openpyxl.utils import get_column_letter
    from openpyxl.worksheet.cell_range import CellRange

    sample = [grid.rows[row] for row in sorted(grid.rows)[:300]]
    for column in range(grid.width):
        longest = max((len(_text(row[column])) for row in sample if column < len(row)), default=0)
        dimension = page.column_dimensions[get_column_letter(column + 1)]
        dimension.width = min(45.0, max(9.0, longest + 2.5))
        dimension.hidden = column in grid.hidden_columns
    for top, left, bottom, right in _areas(grid):
        # not by add(), which compares each area with all others
        page.merged_cells.ranges.add(CellRange(None, left + 1, top + 1, right + 1, bottom + 1))
    by_row: dict[int, list[int]] = {}
    for row, column in marks:
        by_row.setdefault(row, []).append(column)
    for row in range(max((*grid.rows, *by_row), default=-1) + 1):
        values = list(grid.rows.get(row, ()))
        marked = by_row.get(row, ())
        values.extend([None] * (max(marked, default=-1) + 1 - len(values)))
        if row in grid.hidden_rows:
            page.row_dimensions[row + 1].hidden = True
        cells: list[Any] = []
        for column, value in enumerate(values):
            plain, number_format = as_cell(value)
            if plain is None and column not in marked:
                cells.append(None)
                continue
            cell = WriteOnlyCell(page, plain)
            if isinstance(plain, str):
                cell.data_type = "s"
                if plain.startswith(RUNS):
                    cell.quotePrefix = True
            elif number_format:
                cell.number_format = number_format
            if column in marked:
                marker.mark(cell, marks[row, column], own=False)
            cells.append(cell)
        page.append(cells)


def _text(value: object) -> str:
    plain, _ = as_cell(value)
    return "" if plain is None else max(str(plain).splitlines() or [""], key=len)
