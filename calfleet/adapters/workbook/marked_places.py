"""Where each problem stands: the text that names a place, found again in the books that were read.

A place is text such as ``register.xlsx, Gauges!F12``, ``register.xlsx, Gauges!12:12``,
``register.csv, line 12, column F``, ``register.xlsx, Gauges`` or ``register.xlsx``. Names of files
and of sheets may hold commas and exclamation marks themselves, so the text is never cut at them:
it is compared with the names that there are, the longest first.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Final

from calfleet.adapters.workbook.grid_cells import LIMITS, Book, Grid
from calfleet.adapters.workbook.grid_xlsx import column_number
from calfleet.errors import Problem

_CELL = re.compile(r"([A-Z]{1,3})([1-9]\d{0,6})(?::[A-Z]{1,3}[1-9]\d{0,6})?")
_ROW = re.compile(r"([1-9]\d{0,6}):[1-9]\d{0,6}")
_COLUMN = re.compile(r"([A-Z]{1,3}):[A-Z]{1,3}")
_LINE = re.compile(r"line ([1-9]\d{0,6})(?:, column (.+))?", re.DOTALL)

WIDEST: Final = 16_384
"""Columns of a sheet (ECMA-376 Part 1, 18.3.1.73, from memory)."""


@dataclass(frozen=True, slots=True)
class Spot:
    """A problem at its place; rows and columns count from 0, sheets in the order of the book.

    ``sheet`` is ``None`` for a problem of the whole file, ``row`` and ``column`` for one of a whole
    sheet; with only one of them it is of a whole row or column. ``at`` is the cell to be marked.
    """

    problem: Problem
    sheet: int | None = None
    row: int | None = None
    column: int | None = None
    at: tuple[int, int] | None = None


def spots(
    books: Sequence[Book], problems: Iterable[Problem]
) -> tuple[list[list[Spot]], list[Problem]]:
    """The problems of each book with their places, and those that belong to no book.

    The same problem told twice is given once. Spots come in the order of the sheets, rows and
    columns, those of the whole file first. Where two books have the same name, a problem goes to
    the first that has the sheet it names.
    """
    found: list[list[Spot]] = [[] for _ in books]
    others = []
    for problem in dict.fromkeys(problems):
        placed = [(n, spot) for n, book in enumerate(books) if (spot := _spot(book, problem))]
        if not placed:
            others.append(problem)
            continue
        # a longer name is the better one, then the place that says more
        index, spot = max(
            placed, key=lambda pair: (len(books[pair[0]].name), pair[1].sheet is not None)
        )
        found[index].append(spot)
    for each in found:
        each.sort(key=_order)
    return found, others


def _order(spot: Spot) -> tuple[int, int, int]:
    at = spot.at or (-1, -1)
    return (-1 if spot.sheet is None else spot.sheet, *at)


def _spot(book: Book, problem: Problem) -> Spot | None:
    where = problem.where
    if where == book.name:
        return Spot(problem)
    if not where.startswith(f"{book.name}, "):
        return None
    rest = where[len(book.name) + 2 :]
    if book.kind == "csv":
        return _line(book, problem, rest)
    names = sorted(range(len(book.grids)), key=lambda n: -len(book.grids[n].name))
    for index in names:
        grid = book.grids[index]
        if rest == grid.name:
            return Spot(problem, index)
        if rest.startswith(f"{grid.name}!"):
            return _inside(grid, index, problem, rest[len(grid.name) + 1 :])
    return Spot(problem)


def _line(book: Book, problem: Problem, rest: str) -> Spot:
    match = _LINE.fullmatch(rest)
    if match is None:
        return Spot(problem, 0)
    row = int(match[1]) - 1
    name = match[2] or ""
    if re.fullmatch("[A-Z]{1,3}", name) and column_number(name) < LIMITS.columns:
        column = column_number(name)
        return Spot(problem, 0, row, column, (row, column))
    return Spot(problem, 0, row, None, (row, first_filled(book.grids[0], row)))


def _inside(grid: Grid, index: int, problem: Problem, text: str) -> Spot:
    if match := _CELL.fullmatch(text):
        row, column = int(match[2]) - 1, column_number(match[1])
        if row < LIMITS.rows and column < WIDEST:
            return Spot(problem, index, row, column, (row, column))
    elif match := _ROW.fullmatch(text):
        row = int(match[1]) - 1
        if row < LIMITS.rows:
            return Spot(problem, index, row, None, (row, first_filled(grid, row)))
    elif match := _COLUMN.fullmatch(text):
        column = column_number(match[1])
        if column < WIDEST:
            top = min((r for r in grid.rows if grid.cell(r, column) is not None), default=0)
            return Spot(problem, index, None, column, (top, column))
    return Spot(problem, index)


def first_filled(grid: Grid, row: int) -> int:
    """The first column of a row that holds anything and is not hidden; 0 where there is none."""
    filled = [n for n, value in enumerate(grid.rows.get(row, ())) if value is not None]
    seen = [n for n in filled if n not in grid.hidden_columns]
    return (seen or filled or [0])[0]
