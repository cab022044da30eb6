"""A copy of an .xlsx workbook that keeps its form, with nothing in it that could run.

Charts, pictures and macros are not copied, and the leading sheet says so. No cell of the copy is a
formula: opened anew, it could fetch something from elsewhere, and its result would no longer be
what was read. For the same reason links to other files, drop-down lists and names are left out, and
rules of conditional formats unless they are plain ones.
"""

from __future__ import annotations

import re
import warnings
from collections.abc import Iterator, Mapping, Sequence
from copy import copy
from typing import Any, BinaryIO
from zipfile import ZipFile

from calfleet.adapters.workbook.grid_cells import LIMITS, Book, sheet_name
from calfleet.adapters.workbook.marked_cells import (
    MOST_PLACES,
    Marker,
    Marks,
    by_cell,
    moved,
    own_tabs,
    saved,
)
from calfleet.adapters.workbook.marked_list import RUNS, Copied, draw_about, draw_list
from calfleet.adapters.workbook.marked_places import WIDEST, Spot
from calfleet.adapters.workbook.packages import Unreadable, screen
from calfleet.adapters.workbook.sources import letter

_LEFT_OUT = (
    ("xl/charts/", "charts"), ("xl/media/", "pictures"), ("xl/drawings/drawing", "drawings"),
    ("xl/vbaProject", "macros"), ("xl/externalLinks/", "links to other files"),
    ("xl/pivotTables/", "pivot tables"), ("xl/ctrlProps/", "buttons"),
    ("xl/activeX/", "controls"), ("xl/embeddings/", "embedded files"),
    ("xl/connections", "queries"), ("xl/threadedComments/", "threads of comments"),
    ("xl/slicers/", "slicers"), ("xl/chartsheets/", "sheets with a chart only"),
)  # fmt: skip


def with_form(book: Book, its: Sequence[Spot]) -> bytes:
    """A copy of an .xlsx as far as the library keeps it. Raises Unreadable where it must not."""
    from openpyxl.formatting.formatting import ConditionalFormattingList

    screen(book.path, elements=3_000_000, places=MOST_PLACES)
    with book.path.open("rb") as stream, warnings.catch_warnings():
        warnings.simplefilter("ignore")  # of what is dropped, the first sheet tells
        with ZipFile(stream) as package:
            names = package.namelist()
        target = _opened(stream)
        pages = target.worksheets
        if len(pages) != len(book.grids) or any(
            not sheet_name(page.title).startswith(grid.name)  # of two same names one gets a digit
            for page, grid in zip(pages, book.grids, strict=True)
        ):
            raise Unreadable("Its sheets could not be told apart.")
        if not all(_possible(page) for page in pages):
            raise Unreadable("It has cells where no cell can be.")
        notes = _made_harmless(target, book, names)
        titles = {n: page.title for n, page in enumerate(pages)}
        its = list(its)
        for index, page in enumerate(pages):
            its = moved(its, index, _merged_in(page, by_cell(its, index)))
        told = Copied(book, its, titles, *own_tabs(titles.values()), notes=notes)
        marker = Marker(told)
        for index, page in enumerate(pages):
            marks = by_cell(its, index)
            for (row, column), here in sorted(marks.items()):
                marker.mark(page.cell(row + 1, column + 1), here)
            if not _cut_out(page, marks):
                page.conditional_formatting = ConditionalFormattingList()
                notes.append(f"The conditional formats of {page.title} are left out.")
        draw_list(target.create_sheet(told.to_mend, 0), told)
        draw_about(target.create_sheet(told.about), told)
        for page in target.worksheets:
            page.sheet_view.tabSelected = page.title == told.to_mend
        target.active = 0
        for view in target.views:
            view.firstSheet = view.activeTab = 0
        return saved(target, book)


def _possible(page: Any) -> bool:
    """Whether all cells, rows and columns of a sheet are where a sheet can have them."""
    from openpyxl.utils import column_index_from_string

    try:
        columns = [column_index_from_string(name) for name in page.column_dimensions]
    except ValueError:
        return False
    return (
        all(0 < row <= LIMITS.rows and 0 < column <= WIDEST for row, column in page._cells)
        and all(0 < row <= LIMITS.rows for row in page.row_dimensions)
        and all(0 < column <= WIDEST for column in columns)
    )


def _opened(stream: BinaryIO) -> Any:
    """The workbook with its stored values; numbers shown as dates stay the numbers they are."""
    from openpyxl.reader.excel import ExcelReader

    class Reader(ExcelReader):  # type: ignore[misc]
        def read_worksheets(self) -> None:
            # as dates they would come back a little different, or not at all
            self.wb._date_formats = set()
            self.wb._timedelta_formats = set()
            super().read_worksheets()

    stream.seek(0)
    reader = Reader(stream, data_only=True, keep_links=False, rich_text=True)
    reader.read()
    return reader.wb


def _made_harmless(target: Any, book: Book, names: Sequence[str]) -> list[str]:
    """Takes out what could run, fetch or lead elsewhere; returns what the first sheet says."""
    from openpyxl.worksheet.datavalidation import DataValidationList

    lost = {what for part, what in _LEFT_OUT if any(name.startswith(part) for name in names)}
    target.template = False
    target.defined_names.clear()
    target._pivots = []
    for sheet in target.chartsheets:
        target.remove(sheet)
    plain_formats = True
    formulas = any(grid.formulas for grid in book.grids)
    for page, grid in zip(target.worksheets, book.grids, strict=True):
        page._charts, page._images, page._pivots = [], [], []
        page.defined_names.clear()
        if page.data_validations.count:
            lost.add("drop-down lists")
            page.data_validations = DataValidationList()
        for name in [table.name for table in page.tables.values() if table.tableType]:
            del page.tables[name]
            lost.add("queries")
        for table in page.tables.values():
            for column in table.tableColumns:
                column.calculatedColumnFormula = column.totalsRowFormula = None
        for cell in page._cells.values():
            link = cell.hyperlink
            if link is not None and not (link.target or "#").startswith("#"):
                cell.hyperlink = None
                lost.add("links to other files")
        for row, column in grid.formulas:
            cell = page._cells.get((row + 1, column + 1))
            if cell is not None and isinstance(cell.value, str) and cell.value.startswith(RUNS):
                cell.quotePrefix = True
        plain_formats &= _plain_formats_only(page)
    if not plain_formats:
        lost.add("some conditional formats")
    notes = []
    if formulas:
        notes.append("Formulas stand as the values that were stored with them.")
    if lost:
        notes.append(f"Not in this copy: {', '.join(sorted(lost))}.")
    return notes


_PLAIN_FUNCTIONS = frozenset(
    {
        "ABS", "AND", "AVERAGE", "CEILING", "COUNT", "COUNTA", "COUNTBLANK", "COUNTIF", "COUNTIFS",
        "DATE", "DATEVALUE", "DAY", "DAYS", "EDATE", "EOMONTH", "EXACT", "FALSE", "FIND", "FLOOR",
        "IF", "IFERROR", "IFNA", "INT", "ISBLANK", "ISERR", "ISERROR", "ISEVEN", "ISNA", "ISNUMBER",
        "ISODD", "ISTEXT", "LEFT", "LEN", "LOWER", "MATCH", "MAX", "MEDIAN", "MID", "MIN", "MOD",
        "MONTH", "N", "NETWORKDAYS", "NOT", "NOW", "OR", "PROPER", "RIGHT", "ROUND", "ROUNDDOWN",
        "ROUNDUP", "ROW", "ROWS", "COLUMN", "COLUMNS", "SEARCH", "SIGN", "STDEV", "SUBSTITUTE",
        "SUBTOTAL", "SUM", "SUMIF", "SUMIFS", "SUMPRODUCT", "T", "TEXT", "TODAY", "TRIM", "TRUE",
        "TRUNC", "UPPER", "VALUE", "WEEKDAY", "WEEKNUM", "WORKDAY", "YEAR", "YEARFRAC"
    }
)  # fmt: skip
_TEXT = re.compile(r'"[^"]*"')
_WORD = re.compile(r"[^\W\d][\w.]*")
_REFERENCE = re.compile(r"\$?[A-Za-z]{1,3}(\$?[0-9]{1,7})?")


def is_plain(formula: str) -> bool:
    """Whether a formula of a format uses cells of its own sheet and harmless functions only.

    >>> is_plain('AND($D5<>"",TODAY()>$D5)'), is_plain("[1]Other!A1=1"), is_plain("cmd|' /c x'!A0")
    (True, False, False)
    """
    text = _TEXT.sub("", formula)
    if any(sign in text for sign in "[]|!'{}@#\""):
        return False
    for match in _WORD.finditer(text):
        called = text[match.end() :].lstrip().startswith("(")
        reference = not called and _REFERENCE.fullmatch(match[0]) is not None
        if not reference and match[0].upper() not in _PLAIN_FUNCTIONS:
            return False
    return True


def _plain_formats_only(page: Any) -> bool:
    """Leaves only rules whose formulas are plain; returns whether that is all of them."""
    from openpyxl.formatting.formatting import ConditionalFormattingList

    kept, complete = ConditionalFormattingList(), True
    for area, rule in _rules(page):
        if all(is_plain(str(text)) for text in (rule.formula or ())):
            kept.add(area, rule)
        else:
            complete = False
    page.conditional_formatting = kept
    return complete


def _rules(page: Any) -> Iterator[tuple[str, Any]]:
    for each in page.conditional_formatting:
        for rule in each.rules:
            yield str(each.sqref), rule


_PER_CELL = frozenset(
    {"expression", "cellIs", "containsText", "notContainsText", "beginsWith", "endsWith",
     "containsBlanks", "notContainsBlanks", "containsErrors", "notContainsErrors", "timePeriod"}
)  # fmt: skip
_MOST_PIECES = 2000


def _cut_out(page: Any, marks: Marks) -> bool:
    """Takes the marked cells out of the areas of conditional formats, so that their filling shows.

    A rule of our own before the others would do in some programs only. False when rules had to be
    left out because their areas would have been cut into too many pieces.
    """
    from openpyxl.formatting.formatting import ConditionalFormattingList
    from openpyxl.worksheet.cell_range import MultiCellRange

    if not marks:
        return True
    kept, count = ConditionalFormattingList(), 0
    by_row: dict[int, set[int]] = {}
    for row, column in marks:
        by_row.setdefault(row + 1, set()).add(column + 1)
    for text, rule in list(_rules(page)):
        areas = [area.bounds for area in MultiCellRange(text).ranges]
        pieces = [piece for area in areas for piece in _pieces(area, by_row)]
        count += len(pieces)
        if count > _MOST_PIECES:
            return False
        if pieces == areas:
            kept.add(text, rule)
        elif pieces and rule.type in _PER_CELL:
            origin = _named((min(a[0] for a in areas), min(a[1] for a in areas)) * 2)
            for piece in pieces:
                kept.add(_named(piece), _shifted(rule, origin, _named(piece[:2] * 2)))
        elif pieces:
            kept.add(" ".join(map(_named, pieces)), rule)
    page.conditional_formatting = kept
    return True


def _pieces(
    area: tuple[int, int, int, int], by_row: Mapping[int, set[int]]
) -> list[tuple[int, int, int, int]]:
    """The area without the marked cells: whole rows together, others in runs."""
    left, top, right, bottom = area
    found, begun = [], top
    for row in sorted(row for row in by_row if top <= row <= bottom):
        columns = sorted(column for column in by_row[row] if left <= column <= right)
        if not columns:
            continue
        if begun < row:
            found.append((left, begun, right, row - 1))
        start = left
        for column in columns:
            if start < column:
                found.append((start, row, column - 1, row))
            start = column + 1
        if start <= right:
            found.append((start, row, right, row))
        begun = row + 1
    if begun <= bottom:
        found.append((left, begun, right, bottom))
    return found


def _named(area: tuple[int, ...]) -> str:
    left, top, right, bottom = area
    first = f"{letter(left - 1)}{top}"
    return first if (left, top) == (right, bottom) else f"{first}:{letter(right - 1)}{bottom}"


def _shifted(rule: Any, origin: str, to: str) -> Any:
    """The rule with its formulas as they read from another first cell."""
    from openpyxl.formula.translate import Translator

    made = copy(rule)
    made.dxf, made.priority = rule.dxf, rule.priority
    made.formula = [
        Translator(f"={text}", origin=origin).translate_formula(to)[1:]
        for text in (rule.formula or ())
    ]
    return made


def _merged_in(page: Any, marks: Marks) -> dict[tuple[int, int], tuple[int, int]]:
    """Marked cell inside a merged area to the first cell of the area."""
    from openpyxl.cell import MergedCell

    inside = [at for at in marks if isinstance(page._cells.get((at[0] + 1, at[1] + 1)), MergedCell)]
    if not inside:
        return {}
    anchors = {}
    for area in page.merged_cells.ranges:
        for row, column in inside:
            if area.min_row <= row + 1 <= area.max_row and (
                area.min_col <= column + 1 <= area.max_col
            ):
                anchors[row, column] = (area.min_row - 1, area.min_col - 1)
    return anchors
