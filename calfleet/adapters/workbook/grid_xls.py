"""Sheets of an old .xls workbook.

Its values come through a library that knows its records; it tells neither formats nor formulas
nor hidden rows, which is said in a remark.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from datetime import date, datetime, time, timedelta
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
from calfleet.adapters.workbook.sources import number_shown
from calfleet.errors import Problem

_DAMAGED = "The file is no readable .xls workbook, or protected by a password."
_AGAIN = "Open it in a spreadsheet program, save it as .xlsx without a password, and try that."


def read(path: Path, problems: list[Problem]) -> Book:
    """Every sheet of the workbook. Raises Unreadable for a file that is none."""
    import io

    from python_calamine import CalamineError, CalamineWorkbook, SheetVisibleEnum

    from calfleet.adapters.workbook.compound import looked_over

    book = Book(path, "xls")
    count = 0
    content = looked_over(path.read_bytes())
    try:
        # from its bytes: by its path the library would believe the name
        source = CalamineWorkbook.from_filelike(io.BytesIO(content))
        if len(source.sheet_names) > LIMITS.sheets:
            raise too_large(f"{len(source.sheet_names)} sheets")
        visible = {each.name: each.visible for each in source.sheets_metadata}
        for index, name in enumerate(source.sheet_names):
            grid = Grid(
                sheet_name(name), hidden=visible.get(name, 0) is not SheetVisibleEnum.Visible
            )
            sheet = source.get_sheet_by_index(index)
            for first, last in sheet.merged_cell_ranges or ():
                grid.merged.append((*first, *last))
            for row, cells in enumerate(_rows(sheet)):
                values = [_value(cell) for cell in cells[: LIMITS.columns]]
                while values and values[-1] is None:
                    values.pop()
                count += len(values)
                if count > LIMITS.cells:
                    raise too_large(f"more than {LIMITS.cells:,} cells")
                if values:
                    grid.rows[row] = values
            book.grids.append(grid)
    except (CalamineError, OSError, ValueError, OverflowError) as error:
        raise Unreadable(_DAMAGED, _AGAIN) from error
    except Unreadable:
        raise
    except BaseException as error:
        if type(error).__name__ != "PanicException":  # the library's own defect on a bad file
            raise
        raise Unreadable(_DAMAGED, _AGAIN) from error
    if not book.grids:
        raise Unreadable("The workbook holds no sheet.", "Name a workbook with cells in it.")
    book.remarks.append(
        Problem(
            book.name,
            "An .xls file does not tell which cells are formulas, which rows are hidden and how "
            "many digits were shown, nor a per cent sign or unit that only a format shows: a "
            "cell that shows 2 % is read as 0.02.",
            "Save it as .xlsx where that matters.",
        )
    )
    return book


def _rows(sheet: Any) -> Iterator[list[object]]:
    """The rows from the first of the sheet on."""
    start = sheet.start
    if start is None:
        return
    yield from ([] for _ in range(start[0]))
    blank = [""] * start[1]
    for cells in sheet.iter_rows():
        yield blank + list(cells)


def _value(value: object) -> object:
    if value is None or value == "":
        return None
    if isinstance(value, str):
        return plain_text(value[: LIMITS.text])
    if isinstance(value, bool):
        return value
    if isinstance(value, int | float):
        if not math.isfinite(value) or abs(value) > 1e30:
            return Broken(f"The cell holds {value}, which is no number of a plant.")
        number = number_shown(int(value) if value == int(value) else float(value), "General")
        return number if number.adjusted() > -30 else Decimal(0)
    if isinstance(value, datetime):
        return value.date()
    if isinstance(value, date):
        return value
    if isinstance(value, time | timedelta):
        return str(value)
    return str(value)
