"""Cells that are marked: filling, comment, and the names of the tabs they stand on."""

from __future__ import annotations

import io
import re
from collections.abc import Iterable, Sequence
from copy import copy
from dataclasses import replace
from typing import Any, Final

from calfleet.adapters.workbook.grid_cells import Book
from calfleet.adapters.workbook.marked_list import (
    ABOUT,
    FACE,
    INK,
    MOST_LISTED,
    SOFT,
    TO_MEND,
    Copied,
    printable,
)
from calfleet.adapters.workbook.marked_places import Spot
from calfleet.adapters.workbook.sources import letter

MOST_COMMENTED: Final = 5_000
"""Cells of a file that get a comment; more are filled and listed."""
MOST_SAID: Final = 3_000
"""Characters of a comment."""
MOST_PLACES: Final = 400_000
"""Places of an .xlsx that is copied with its form: each is an object in memory."""
AUTHOR = "calfleet"
Marks = dict[tuple[int, int], list[Spot]]
"""The problems of each cell of a sheet."""


class Marker:
    """Fills cells and writes comments, until there are enough of them."""

    def __init__(self, told: Copied) -> None:
        from openpyxl.styles import Font, PatternFill
        from openpyxl.styles.colors import Color

        self.told = told
        self.fill = PatternFill("solid", fgColor=SOFT)
        self.ink = Color(rgb=f"FF{INK}")
        self.font = Font(name=FACE, color=INK)

    def mark(self, cell: Any, its: Sequence[Spot], own: bool = True) -> None:
        """Marks a cell; ``own``: it keeps its font but for the colour, which must be readable."""
        cell.fill = self.fill
        if own:
            font = copy(cell.font)
            font.color = self.ink
            cell.font = font
        else:
            cell.font = self.font
        self.told.marked += 1
        if self.told.commented < MOST_COMMENTED:
            cell.comment = _comment(its, cell.comment)
            self.told.commented += 1


def _comment(its: Sequence[Spot], before: Any) -> Any:
    """One comment for all problems of a cell; what the shop wrote there stands below."""
    from openpyxl.comments import Comment

    parts = []
    for number, spot in enumerate(its, 1):
        where = ""
        if spot.row is not None and spot.column is None:
            where = "The whole row: "
        elif spot.row is None and spot.column is not None:
            where = "The whole column: "
        elif (
            spot.row is not None and spot.column is not None and spot.at != (spot.row, spot.column)
        ):
            where = f"{letter(spot.column)}{spot.row + 1}: "
        lead = f"{number}. " if len(its) > 1 else ""
        next_step = f"\n→ {spot.problem.hint}" if spot.problem.hint else ""
        parts.append(f"{lead}{where}{spot.problem.message}{next_step}")
    text = "\n\n".join(parts)
    if len(text) > MOST_SAID:
        text = text[:MOST_SAID] + f"… (all of it in the sheet {TO_MEND})"
    if before is not None and before.text:
        text = f"{text}\n\nNoted here before:\n{before.text}"
    text = printable(text.replace("\r\n", "\n").replace("\r", "\n"))
    lines = sum(1 + len(line) // 44 for line in text.split("\n"))
    return Comment(text, AUTHOR, height=min(520, 26 + 19 * lines), width=340)


def by_cell(its: Sequence[Spot], sheet: int) -> Marks:
    marks: Marks = {}
    for spot in its[:MOST_LISTED]:
        if spot.sheet == sheet and spot.at is not None:
            marks.setdefault(spot.at, []).append(spot)
    return marks


def moved(
    its: Sequence[Spot], sheet: int, anchors: dict[tuple[int, int], tuple[int, int]]
) -> list[Spot]:
    """The spots, those inside merged areas of ``sheet`` moved to the first cell of the area."""
    return [
        replace(spot, at=anchors[spot.at]) if spot.sheet == sheet and spot.at in anchors else spot
        for spot in its
    ]


def tabs(names: Sequence[str]) -> dict[int, str]:
    """The tab of each sheet: its own name where a workbook allows it, each its own."""
    taken = {"history"}  # a word that some programs keep
    titles = {}
    for index, name in enumerate(names):
        plain = re.sub(r"[\[\]:*?/\\]", "-", printable(name))
        plain = (plain if len(plain) <= 31 else plain[:31]).strip("'") or "Sheet"
        titles[index] = _free(plain, taken)
    return titles


def _free(plain: str, taken: set[str]) -> str:
    title, number = plain, 1
    while title.casefold() in taken:
        number += 1
        title = f"{plain[: 30 - len(str(number))]} {number}"
    taken.add(title.casefold())
    return title


def own_tabs(others: Iterable[str]) -> tuple[str, str]:
    """Names for our two sheets that no sheet of the shop has."""
    taken = {title.casefold() for title in others}
    return _free(TO_MEND, taken), _free(ABOUT, taken)


def saved(target: Any, book: Book) -> bytes:
    target.properties.creator = AUTHOR
    target.properties.title = printable(f"{TO_MEND}: {book.name}")[:200]
    out = io.BytesIO()
    target.save(out)
    return out.getvalue()
