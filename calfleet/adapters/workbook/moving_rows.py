"""The lines of a mapped sheet, cells by field; titles, totals, blank and repeated lines left out.

What is left out, or understood rather than stated, is a remark; what cannot be understood is a
problem with its cell.
"""

from __future__ import annotations

import re
from collections import Counter, defaultdict
from collections.abc import Callable, Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from decimal import Decimal

from calfleet.adapters.workbook.grids import Area, Book, Broken, Grid, Shown
from calfleet.adapters.workbook.loose import Decimals, Misread, clean, column_decimals
from calfleet.adapters.workbook.moving_cells import blank, plain, understood
from calfleet.adapters.workbook.moving_map import (
    FIELDS,
    KEYS,
    ColumnUse,
    Constant,
    Sort,
    TableKind,
    TableUse,
)
from calfleet.adapters.workbook.sources import letter
from calfleet.adapters.workbook.tables import MissingValue, Row, shown, squeezed
from calfleet.errors import Problem

_TOTAL = re.compile(
    r"(?:grand |sub-?)?(?:total|sum|count|average|mean|number of|summe|gesamt|anzahl)\b.{0,40}",
    re.IGNORECASE,
)
_EXAMPLES: dict[Sort, str] = {
    Sort.DAY: "2026-01-31", Sort.WHOLE: "1", Sort.NUMBER: "20", Sort.SHARE: "0.5",
    Sort.FLAG: "false",
}  # fmt: skip
_WITH_DECIMALS = frozenset({
    Sort.NUMBER, Sort.VALUE, Sort.SPREAD, Sort.BAND, Sort.RANGE, Sort.SPREADS, Sort.SHARE,
})  # fmt: skip
_POINT_OR_THOUSANDS = re.compile(r"(?<![\d.,])[1-9]\d{0,2}\.\d{3}(?![\d.,])")
_FILL = 2_000_000
"""So many cells at most are filled from merged areas."""


def header_areas(grid: Grid, last_row: int) -> list[Area]:
    """The merged areas that begin in the rows (from 1) up to the last one of a header."""
    return [area for area in grid.merged if area[0] < last_row]


def header_of(grid: Grid, rows: Sequence[int], column: int, areas: Sequence[Area]) -> str:
    """What stands above a column in the header rows (from 1), joined by blanks, each once.

    A merged cell counts for every column below it. A blank cell of an upper row takes the one
    to its left where both columns have something below: "As found" above "Trip" and "Reset".
    """
    parts: list[str] = []
    for number, row in enumerate(rows):
        text = _header_text(grid, row - 1, column, areas)
        below = rows[number + 1 :]
        left = column
        while not text and left > 0 and any(_own(grid, under, left) for under in below):
            left -= 1
            if not any(_own(grid, under, left) for under in below):
                break
            text = _header_text(grid, row - 1, left, areas)
        if text and (not parts or parts[-1] != text):
            parts.append(text)
    return clean(" ".join(parts))[:200]


def _own(grid: Grid, row: int, column: int) -> bool:
    return not blank(grid.cell(row - 1, column))


def _header_text(grid: Grid, row: int, column: int, areas: Sequence[Area]) -> str:
    value = grid.cell(row, column)
    if blank(value):
        for top, left, bottom, right in areas:
            if top <= row <= bottom and left <= column <= right:
                value = grid.cell(top, left)
                break
    return "" if blank(value) else plain(value).replace("\n", " ")


def merged_cells(grid: Grid, first_row: int) -> dict[tuple[int, int], object]:
    """The value of each cell that a merged area of several rows hides, from a row (from 0) on."""
    found: dict[tuple[int, int], object] = {}
    last = max(grid.rows, default=-1)
    left_over = _FILL
    for top, left, bottom, right in grid.merged:
        if bottom == top or bottom < first_row or top < first_row:
            continue
        value = grid.cell(top, left)
        if value is None:
            continue
        # across several columns only the first is filled: the others are no cells of their own
        for row in range(top + 1, min(bottom, last) + 1):
            left_over -= 1
            if left_over < 0:
                return found
            found[row, left] = value
        del right
    return found


@dataclass
class Notes:
    """What is to be said about the files, gathered while they are read."""

    problems: list[Problem] = field(default_factory=list)
    remarks: list[Problem] = field(default_factory=list)
    doubts: list[Problem] = field(default_factory=list)
    """Remarks on values that are hardly meant so; they are told before the others."""
    _missing: dict[tuple[str, str], None] = field(default_factory=dict)

    def problem(self, where: str, message: str, hint: str = "") -> None:
        self.problems.append(Problem(where, message, hint))

    def remark(self, where: str, message: str, hint: str = "") -> None:
        self.remarks.append(Problem(where, message, hint))

    def doubt(self, where: str, message: str, hint: str = "") -> None:
        self.doubts.append(Problem(where, message, hint))

    def missing(self, sheet: SheetRows, name: str) -> None:
        """A field that neither column nor constant gives: said once for the sheet."""
        key = (sheet.table.name, squeezed(name))
        if key in self._missing:
            return
        self._missing[key] = None
        fields = FIELDS[sheet.table.kind]
        own = next((each for each in fields if squeezed(each) == squeezed(name)), name)
        example = _EXAMPLES.get(fields.get(own, Sort.TEXT), '"..."')
        self.problem(
            sheet.table.name,
            f"No column gives {own!r}, and every row needs it.",
            f"Map a column to it, or add this line under [tables.constants] of the sheet "
            f'{sheet.table.sheet!r} in the mapping: "{own}" = {example}',
        )


@dataclass
class Placed:
    """A mapped column with its number in the sheet; ``None`` for a constant."""

    index: int | None
    use: ColumnUse
    sort: Sort
    constant: Constant | None = None
    cache: dict[object, object] = field(default_factory=dict)
    commas: bool = False
    """Whether decimal commas stand in the sheet, and the mapping gives the column no sign."""


class SheetRows:
    """A sheet read by its table of the mapping."""

    def __init__(self, book: Book, grid: Grid, table: TableUse, notes: Notes) -> None:
        self.book = book
        self.grid = grid
        self.table = table
        self.notes = notes
        self.fields = FIELDS[table.kind]
        self.columns: list[Placed] = []
        self.constants: dict[str, Placed] = {}
        self.at: dict[str, Placed] = {}
        self.groups: dict[tuple[str, str, int | None], dict[str, Placed]] = defaultdict(dict)
        self.complete = self._find_columns()
        for name, value in table.constants:
            use = ColumnUse("", "", field=name)
            sort = self.fields.get(name)
            if sort is not None:
                self.constants[squeezed(name)] = Placed(None, use, sort, value)
        self.count = 0
        self.not_read: set[int] = set()
        """Rows (from 0) that gave no record, for a problem of theirs or of a row that belongs to
        them."""
        self._merged = merged_cells(grid, table.first_row - 1)
        self._names: dict[str, str] = {}

    # columns -----------------------------------------------------------------------------

    def _find_columns(self) -> bool:
        """Finds each mapped column by its header; false when one is not there."""
        grid, rows = self.grid, self.table.header_rows
        areas = header_areas(grid, max(rows, default=0))
        headers = [header_of(grid, rows, column, areas) for column in range(grid.width)]
        folded = [squeezed(each) for each in headers]
        whole = True
        for use in self.table.columns:
            wanted = squeezed(use.header)
            index = _index(use.column)
            if index >= len(headers) or folded[index] != wanted:
                others = [i for i, each in enumerate(folded) if wanted and each == wanted]
                if len(others) == 1:
                    if use.field:
                        self.notes.remark(
                            self.place(rows[-1] - 1 if rows else 0, others[0]),
                            f"The column {use.header!r} was {use.column} in the mapping and is "
                            f"{letter(others[0])} now.",
                        )
                    index = others[0]
                elif not use.field:
                    continue
                else:
                    whole = False
                    there = headers[index] if index < len(headers) else ""
                    what = (
                        f"Column {use.column} is called {there!r}" if there
                        else f"Column {use.column} has no header"
                    )  # fmt: skip
                    self.notes.problem(
                        self.place(rows[-1] - 1 if rows else 0, index),
                        f"{what}; the mapping expects {use.header!r} there ({use.field}).",
                        "Correct the mapping, or let it be proposed anew.",
                    )
                    continue
            if not use.field:
                continue
            placed = Placed(index, use, self.fields[use.field])
            self.columns.append(placed)
            self._put(placed)
        numbers = [each for each in self.columns if each.sort in _WITH_DECIMALS]
        commas = any(
            each.use.decimals is Decimals.COMMA
            or (each.use.decimals is None and self._has_commas(each.index))
            for each in numbers
        )
        for each in numbers:
            each.commas = commas and each.use.decimals is None
        mapped = {squeezed(each.header) for each in self.table.columns}
        letters = {each.column for each in self.table.columns}
        for column, header in enumerate(headers):
            if header and folded[column] not in mapped and letter(column) not in letters:
                self.notes.remark(
                    self.place(rows[-1] - 1, column),
                    f"The column {header!r} is not in the mapping; it is not used.",
                )
        return whole

    def _has_commas(self, column: int | None) -> bool:
        """Whether a cell of the column has a decimal comma for certain."""
        if column is None:
            return False
        first = self.table.first_row - 1
        texts = {
            cells[column]
            for row, cells in self.grid.rows.items()
            if row >= first and column < len(cells) and isinstance(cells[column], str)
        }
        return any(
            "," in text and column_decimals([text]) is Decimals.COMMA
            for text in texts
            if isinstance(text, str)
        )

    def _put(self, placed: Placed) -> None:
        use = placed.use
        if use.set_point or use.phase or use.run is not None:
            self.groups[use.set_point, use.phase, use.run][use.field] = placed
        else:
            self.at.setdefault(squeezed(use.field), placed)

    def gives(self, *names: str) -> bool:
        """Whether a column or a constant gives one of the fields."""
        return any(squeezed(n) in self.at or squeezed(n) in self.constants for n in names)

    def place(self, row: int, column: int | None = None) -> str:
        return self.book.place(self.grid, row, column)

    # lines -------------------------------------------------------------------------------

    def lines(self, tags: Collection[str] = ()) -> Iterator[Line]:
        """Every line of data, top to bottom; ``tags``: names that are no titles."""
        first = self.table.first_row - 1
        last = self.table.last_row
        hidden: list[int] = []
        formulas: Counter[int] = Counter()
        used: list[int] = sorted({c.index for c in self.columns if c.index is not None})
        fills = {c.index: None for c in self.columns if c.use.fill_down and c.index is not None}
        above: dict[int, object] = {}
        names = self._repeated_header(used)
        for row in sorted(self.grid.rows):
            if row < first or (last is not None and row >= last):
                continue
            cells = self.grid.rows[row]
            if self._merged:
                cells = self._with_merged(row, cells)
            if not any(not blank(cells[i]) for i in used if i < len(cells)):
                self._beside(row, cells)
                continue
            if row in self.grid.hidden_rows:
                hidden.append(row)
                if not self.table.hidden_rows:
                    continue
            if self._left_out(row, cells, used, names, tags):
                continue
            for index in fills:
                if index < len(cells) and not blank(cells[index]):
                    above[index] = cells[index]
                elif index in above:
                    cells = [*cells, *[None] * (index + 1 - len(cells))]
                    cells[index] = above[index]
            if self.grid.formulas:
                formulas.update(i for i in used if (row, i) in self.grid.formulas)
            self.count += 1
            yield Line(self, row, cells)
        self._remarks(hidden, formulas)

    def _with_merged(self, row: int, cells: list[object]) -> list[object]:
        merged = self._merged
        out = cells
        for placed in self.columns:
            index = placed.index
            if index is None or (row, index) not in merged:
                continue
            if out is cells:
                out = list(cells)
            if index >= len(out):
                out.extend([None] * (index + 1 - len(out)))
            if blank(out[index]):
                out[index] = merged[row, index]
        return out

    def _repeated_header(self, used: Sequence[int]) -> list[dict[int, str]]:
        """The texts of each header row by column: pages repeat them further down."""
        out = []
        for row in self.table.header_rows:
            cells = self.grid.rows.get(row - 1, [])
            texts = {
                i: squeezed(plain(cells[i])) for i in used if i < len(cells) and not blank(cells[i])
            }
            if len(texts) >= 2:
                out.append(texts)
        return out

    def _left_out(
        self,
        row: int,
        cells: Sequence[object],
        used: Sequence[int],
        headers: Sequence[Mapping[int, str]],
        tags: Collection[str],
    ) -> bool:
        """Whether the row is no line of data: a header again, totals, a title or a note."""
        filled = [i for i, cell in enumerate(cells) if not blank(cell)]
        first = cells[filled[0]]
        text = plain(first) if isinstance(first, str) else ""
        key = self.at.get(squeezed(KEYS[self.table.kind]))
        index = key.index if key is not None else None
        keyless = index is None or index >= len(cells) or blank(cells[index])
        if headers and isinstance(first, str):
            for texts in headers:
                if all(
                    i < len(cells) and squeezed(plain(cells[i])) == text
                    for i, text in texts.items()
                ):
                    self.notes.remark(self.place(row), "The header stands here again; left out.")
                    return True
        if (
            text
            and _TOTAL.fullmatch(text.strip(" :=\t"))
            and (keyless or filled[0] == index or self._only_counts(cells, filled[1:]))
            and text not in tags
        ):
            self.notes.remark(self.place(row), f"Left out as a line of totals: {shown(text)}.")
            return True
        if len(filled) > 1 or len(used) < 3 or not text or text in tags:
            return False
        if keyless or (" " in text.strip() and not re.search(r"\d", text)):
            self.notes.remark(self.place(row), f"Left out as a title or a note: {shown(text)}.")
            return True
        return False

    @staticmethod
    def _only_counts(cells: Sequence[object], filled: Sequence[int]) -> bool:
        """Whether cells hold nothing but plain numbers: '40' below the tags counts them."""
        return all(
            re.fullmatch(r"[-+]?\d[\d.,' ]*", plain(cells[index])) is not None for index in filled
        )

    def _beside(self, row: int, cells: Sequence[object]) -> None:
        """A row that has something only in columns that are not used."""
        filled = [cell for cell in cells if not blank(cell)]
        if filled:
            self.notes.remark(
                self.place(row),
                f"Left out: nothing in the mapped columns, only {shown(filled[0])}.",
            )

    def _remarks(self, hidden: Sequence[int], formulas: Mapping[int, int]) -> None:
        if hidden:
            did = "read as well" if self.table.hidden_rows else "left out, as the mapping says"
            self.notes.remark(
                self.table.name,
                f"{len(hidden)} hidden row{'s' if len(hidden) > 1 else ''} "
                f"({_runs(hidden)}) {'were' if len(hidden) > 1 else 'was'} {did}.",
                'hidden_rows = false in the mapping leaves them out.'
                if self.table.hidden_rows else "",
            )  # fmt: skip
        for index, count in sorted(formulas.items()):
            self.notes.remark(
                f"{self.table.name}",
                f"Column {letter(index)} holds {count} formula{'s' if count > 1 else ''}; the "
                "stored results were taken as they are.",
            )
        for placed in self.columns:
            if placed.index is not None and placed.index in self.grid.hidden_columns:
                index = placed.index
                self.notes.remark(
                    self.table.name, f"Column {letter(index)} is hidden; it was read."
                )


class Line:
    """One row of a sheet: cells by field, understood once; problems go to the notes."""

    __slots__ = ("_bad", "_found", "cells", "failed", "row", "sheet")

    def __init__(self, sheet: SheetRows, row: int, cells: Sequence[object]) -> None:
        self.sheet = sheet
        self.row = row
        self.cells = cells
        self._bad = False
        self.failed: set[str] = set()
        self._found: dict[str, object] = {}

    @property
    def bad(self) -> bool:
        """Whether something of the row cannot be read; set, it counts the row as not read."""
        return self._bad

    @bad.setter
    def bad(self, value: bool) -> None:
        self._bad = value
        if value:
            self.sheet.not_read.add(self.row)

    def cell(self, placed: Placed) -> object:
        if placed.index is None:
            return placed.constant
        return self.cells[placed.index] if placed.index < len(self.cells) else None

    def read(self, placed: Placed) -> object:
        """What a column says in this row, ``None`` for nothing or with a problem noted."""
        raw = self.cell(placed)
        if raw is None:
            return None
        key = (type(raw), raw, str(raw)) if isinstance(raw, Decimal) else (type(raw), raw)
        if type(raw) is Shown:
            key = (*key, raw.number, raw.measured, raw.unclear, raw.differs)
        try:
            return placed.cache[key]
        except KeyError:
            pass
        except TypeError:  # a broken cell in a list: no case of its own
            key = (type(raw), repr(raw))
        if isinstance(raw, int | float) and not isinstance(raw, bool):
            raw = Decimal(str(raw))
        if placed.commas and type(raw) is str and (open_ := _POINT_OR_THOUSANDS.search(raw)):
            self.problem(
                placed,
                f"{shown(raw)}: {open_[0]} may be {Decimal(open_[0]).normalize():f} or "
                f"{open_[0].replace('.', '')}; other cells of the sheet have decimal commas.",
                'Write it without a doubt, or say decimals = "comma" or "point" in the mapping.',
            )
            return None
        try:
            found = understood(raw, placed.sort, placed.use, epoch_1904=self.sheet.book.epoch_1904)
        except Misread as error:
            self.problem(placed, error.message, error.hint)
            return None
        if len(placed.cache) < 100_000:
            placed.cache[key] = found
        return found

    def get(self, name: str) -> object:
        """What the row says of a field: its column, else the constant; ``None`` for nothing."""
        key = squeezed(name)
        if key in self._found:
            return self._found[key]
        value: object = None
        before = self.bad
        placed = self.sheet.at.get(key)
        if placed is not None:
            value = self.read(placed)
        if value is None and (placed is None or self.bad == before):
            constant = self.sheet.constants.get(key)
            if constant is not None:
                value = self.read(constant)
        self._found[key] = value
        return value

    def problem(self, placed: Placed | str | None, message: str, hint: str = "") -> None:
        self.bad = True
        if placed is not None:
            self.failed.add(squeezed(placed if isinstance(placed, str) else placed.use.field))
        where = self.where(placed) if isinstance(placed, str) else self.at(placed)
        self.sheet.notes.problem(where, message, hint)

    def at(self, placed: Placed | None) -> str:
        return self.sheet.place(self.row, placed.index if placed is not None else None)

    def where(self, name: str) -> str:
        """The cell of a field, or of the column that gives it with others; else the row."""
        for each in (squeezed(name), *_TOGETHER.get(squeezed(name), ())):
            placed = self.sheet.at.get(each)
            if placed is not None and placed.index is not None:
                return self.at(placed)
        return self.at(None)


_TOGETHER: dict[str, tuple[str, ...]] = {
    "range low": ("range",), "range high": ("range",),
    "unit": ("range", "range high", "range low", "set point"),
    "tolerance minus": ("tolerance", "lower limit"), "tolerance plus": ("tolerance", "upper limit"),
    "tolerance basis": ("tolerance",), "as left minus": ("as left tolerance",),
    "as left plus": ("as left tolerance",), "dead band min": ("dead band range",),
    "dead band max": ("dead band range",), "line unit": ("proof pressure", "static pressure"),
    "accuracy basis": ("accuracy",), "indication": ("error",),
    "operating certificate": ("operating gauge",), "static certificate": ("static gauge",),
}  # fmt: skip


_NO_UNIT = (
    "names no unit",
    'Write the unit behind the number, or give the column its unit = "..." in the mapping.',
)
_NO_BASIS = (
    "does not say in which unit, or per cent of what",
    "Write it as '±0.1 bar' or '2 % of span', or give the column its unit = \"% of span\" (or a "
    "unit of pressure) in the mapping.",
)
_BARE = {
    "unit": _NO_UNIT, "line unit": _NO_UNIT, "tolerance basis": _NO_BASIS,
    "accuracy basis": _NO_BASIS,
}  # fmt: skip
"""What is wrong with a cell that is filled, yet does not tell what else is needed."""


class MovedRow(Row):
    """A row of canonical values that knows the sheet it came from.

    A field that neither column nor constant gives is one problem for the sheet. ``quiet`` names
    are not missed: something else was said about them. ``group``: columns of this row alone, such
    as those of one of several set points.
    """

    __slots__ = ("_bad", "_said", "group", "line", "quiet")

    def __init__(
        self,
        values: Mapping[str, object],
        line: Line,
        place: Callable[[str], str] | None = None,
        quiet: Collection[str] = (),
        group: Mapping[str, Placed] | None = None,
    ) -> None:
        self.line = line
        super().__init__(values, place or line.where, line.sheet.notes.problems)
        self.quiet = quiet
        self.group = group or {}
        self.bad = line.bad
        self._said: set[str] = set()

    @property
    def bad(self) -> bool:
        """Whether the record cannot be made; set, it counts the row as not read."""
        return self._bad

    @bad.setter
    def bad(self, value: bool) -> None:
        self._bad = value
        if value:
            self.line.sheet.not_read.add(self.line.row)

    def column(self, *names: str) -> Placed | None:
        """The column, or the constant, that gives one of the fields: the first that is filled."""
        sheet = self.line.sheet
        for name in names:
            key = squeezed(name)
            for placed in (self.group.get(name), sheet.at.get(key), sheet.constants.get(key)):
                if placed is not None and not blank(self.line.cell(placed)):
                    return placed
        return None

    def _missing(self, name: str, what: str) -> None:
        self.bad = True
        names = (squeezed(name), *_TOGETHER.get(squeezed(name), ()))
        if squeezed(name) in self.quiet or self.line.failed.intersection(names):
            return
        if squeezed(name) in self._said:
            return  # asked for twice, missing once
        self._said.add(squeezed(name))
        sheet = self.line.sheet
        if not sheet.gives(*names) and not any(
            squeezed(each) in names for group in sheet.groups.values() for each in group
        ):
            sheet.notes.missing(sheet, name)
            return
        said = _BARE.get(squeezed(name))
        bare = self._bare(names[1:]) if said else None
        if said and bare is not None:
            self._problems.append(
                MissingValue(self._place(name), f"{shown(bare)} {said[0]}.", said[1], name)
            )
            return
        self._problems.append(
            MissingValue(self._place(name), f"{what} is missing.", "Fill in the cell.", name)
        )

    def _bare(self, names: Sequence[str]) -> object:
        """What the first column that gives one of the fields holds here, ``None`` for nothing."""
        for each in names:
            placed = self.line.sheet.at.get(each)
            if placed is not None:
                value = self.line.cell(placed)
                return None if blank(value) or isinstance(value, Broken) else value
        return None


def without_idle_reason(values: dict[str, object], line: Line) -> None:
    """Takes a reason for correcting out that holds for the whole sheet, of a row that corrects
    nothing."""
    if values.get("replaces") is None and line.sheet.at.get("replacement reason") is None:
        values.pop("replacement reason", None)


def marked_together(rows: Sequence[MovedRow]) -> bool:
    """Whether one of the rows has a problem; all of them are marked then: they are one record."""
    bad = any(row.bad for row in rows)
    if bad:
        for row in rows:
            row.bad = True
    return bad


def _index(column: str) -> int:
    number = 0
    for character in column.upper():
        number = number * 26 + ord(character) - 64
    return number - 1


def _runs(rows: Sequence[int]) -> str:
    """Rows from 0 as people name them: '3, 7 to 9'; the first few."""
    parts: list[tuple[int, int]] = []
    for row in rows:
        if parts and row == parts[-1][1] + 1:
            parts[-1] = (parts[-1][0], row)
        else:
            parts.append((row, row))
    texts = [str(a + 1) if a == b else f"{a + 1} to {b + 1}" for a, b in parts[:6]]
    return ", ".join(texts) + (" and more" if len(parts) > 6 else "")


def tables_of(kind: TableKind, sheets: Sequence[SheetRows]) -> list[SheetRows]:
    return [each for each in sheets if each.table.kind is kind]
