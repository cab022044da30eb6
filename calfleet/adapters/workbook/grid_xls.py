"""Sheets of an old .xls workbook, once ``compound`` has looked it over.

Its values and number formats come through a library that knows its records; it does not tell
which cells hold formulas, which is said in a remark.
"""

from __future__ import annotations

import math
from decimal import Decimal
from pathlib import Path
from typing import Any

from calfleet.adapters.workbook.grid_cells import (
    LIMITS,
    Book,
    Broken,
    Grid,
    Unreadable,
    plain_text,
    sheet_name,
    too_large,
)
from calfleet.adapters.workbook.grid_formats import around_text, by_format
from calfleet.errors import Problem

_DAMAGED = "The file is no readable .xls workbook, or protected by a password."
_AGAIN = "Open it in a spreadsheet program, save it as .xlsx without a password, and try that."


def read(path: Path, problems: list[Problem]) -> Book:
    """Every sheet of the workbook. Raises Unreadable for a file that is none."""
    import io

    import xlrd

    from calfleet.adapters.workbook.compound import looked_over

    book = Book(path, "xls")
    stream = looked_over(path.read_bytes())
    try:
        source = xlrd.open_workbook(
            file_contents=stream, formatting_info=True, ragged_rows=True, on_demand=True,
            logfile=io.StringIO(),
        )  # fmt: skip
        book.epoch_1904 = source.datemode == 1
        if source.nsheets > LIMITS.sheets:
            raise too_large(f"{source.nsheets} sheets")
        cells = _Cells(source)
        count = 0
        for index in range(source.nsheets):
            sheet = source.sheet_by_index(index)
            grid = Grid(sheet_name(sheet.name), hidden=sheet.visibility != 0)
            book.grids.append(grid)
            count += cells.fill(grid, sheet)
            if count > LIMITS.cells:
                raise too_large(f"more than {LIMITS.cells:,} cells")
            source.unload_sheet(index)
    except (Unreadable, MemoryError):
        raise
    except Exception as error:  # whatever the library stumbles over in a bad file
        raise Unreadable(_DAMAGED, _AGAIN) from error
    if not book.grids:
        raise Unreadable("The workbook holds no sheet.", "Name a workbook with cells in it.")
    book.remarks.append(
        Problem(
            book.name,
            "Which cells hold formulas was not looked for in the .xls file; the stored results "
            "were taken as they are.",
            "Save it as .xlsx where that matters.",
        )
    )
    return book


class _Cells:
    """The cells of a workbook as values of a grid."""

    def __init__(self, source: Any) -> None:
        self.formats: list[str] = [
            source.format_map[xf.format_key].format_str if xf.format_key in source.format_map
            else "General"
            for xf in source.xf_list
        ]  # fmt: skip
        self.around = [around_text(each) for each in self.formats]
        self.epoch_1904 = source.datemode == 1
        self.numbers: dict[tuple[float, int], object] = {}

    def fill(self, grid: Grid, sheet: Any) -> int:
        """Puts the cells of a sheet into its grid; gives their number."""
        count = 0
        for row in range(min(sheet.nrows, LIMITS.rows)):
            kinds, values = sheet.row_types(row), sheet.row_values(row)
            cells = [
                self.value(kind, value, sheet, row, column)
                for column, (kind, value) in enumerate(
                    zip(kinds[: LIMITS.columns], values, strict=False)
                )
            ]
            while cells and cells[-1] is None:
                cells.pop()
            if cells:
                grid.rows[row] = cells
                count += len(cells)
        grid.merged.extend(
            (top, left, below - 1, right - 1)
            for top, below, left, right in sheet.merged_cells
            if top < below and left < right
        )
        grid.hidden_rows.update(n for n, row in sheet.rowinfo_map.items() if row.hidden)
        grid.hidden_columns.update(n for n, each in sheet.colinfo_map.items() if each.hidden)
        return count

    def value(self, kind: int, value: Any, sheet: Any, row: int, column: int) -> object:
        if kind in (2, 3):  # a number, a day
            style = sheet.cell_xf_index(row, column)
            key = (value, style)
            found = self.numbers.get(key)
            if found is None:
                if len(self.numbers) > 500_000:
                    self.numbers.clear()
                found = self.numbers[key] = self.number(value, style)
            return found
        if kind == 1:
            text = value[: LIMITS.text]
            around = self.around[sheet.cell_xf_index(row, column)] if text else None
            if around is not None:
                text = f"{around[0]}{text}{around[1]}"[: LIMITS.text]
            return plain_text(text) if text else None
        if kind == 4:
            return bool(value)
        if kind == 5:
            import xlrd

            name = xlrd.error_text_from_code.get(value, f"number {value}")
            return Broken(f"The cell holds the error {name}.", "Enter the value itself.")
        return None

    def number(self, value: float, style: int) -> object:
        if not math.isfinite(value) or abs(value) > 1e30:
            return Broken(f"The cell holds {value}, which is no number of a plant.")
        if abs(value) < 1e-30:
            value = 0.0
        return by_format(Decimal(repr(value)), self.formats[style], epoch_1904=self.epoch_1904)
