"""Listings as table, CSV or JSON, and the few shapes of text the commands share.

A table is for a person: units in the heading, numbers right-aligned. CSV and JSON carry the
same columns under stable keys with the unit in the key, numbers as numbers, dates as ISO text,
and an empty cell or null where there is nothing.
"""

from __future__ import annotations

import csv
import io
import json
import sys
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from decimal import Decimal
from enum import Enum, StrEnum
from typing import Any, Generic, TypeVar

Row = TypeVar("Row")


class Format(StrEnum):
    """How a listing is printed."""

    TABLE = "table"
    CSV = "csv"
    JSON = "json"


@dataclass(frozen=True, slots=True)
class Column(Generic[Row]):
    """One column: heading in the table, key in CSV and JSON, the value, and its table text."""

    heading: str
    key: str
    value: Callable[[Row], Any]
    text: Callable[[Any], str] | None = None
    right: bool = False
    fold: bool = False
    """Whether the column's text may be folded in a table wider than the terminal."""


def listing(
    rows: Sequence[Row],
    columns: Sequence[Column[Row]],
    output: Format,
    *,
    title: str = "",
    footer: Iterable[str] = (),
    empty: str = "Nothing to list.",
    note: Callable[[Row], str] | None = None,
) -> None:
    """Print ``rows``; title, footer and the note below each row belong to the table only."""
    if output is Format.CSV:
        _csv(rows, columns)
    elif output is Format.JSON:
        print(json.dumps(_plain_rows(rows, columns), indent=2, ensure_ascii=False))
    else:
        _table(rows, columns, title, list(footer), empty, note)


def as_json(value: object) -> None:
    """Print plain data as JSON."""
    print(json.dumps(value, indent=2, ensure_ascii=False))


def _plain(value: Any) -> Any:
    if isinstance(value, Enum):
        return value.value
    if isinstance(value, date | datetime):
        return value.isoformat()
    if isinstance(value, Decimal):
        return format(value, "f")
    return value


def _plain_rows(rows: Sequence[Row], columns: Sequence[Column[Row]]) -> list[dict[str, Any]]:
    return [{c.key: _plain(c.value(row)) for c in columns} for row in rows]


def _csv(rows: Sequence[Row], columns: Sequence[Column[Row]]) -> None:
    out = io.StringIO(newline="")
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow([c.key for c in columns])
    for row in rows:
        writer.writerow([_safe_cell(_plain(c.value(row))) for c in columns])
    sys.stdout.write(out.getvalue())


def _safe_cell(value: Any) -> Any:
    """Text that a spreadsheet program would run as a formula gets a leading apostrophe."""
    if value is None:
        return ""
    if isinstance(value, str) and value[:1] in ("=", "+", "-", "@", "\t", "\r"):
        try:
            float(value)
        except ValueError:
            return "'" + value
    return value


def cell_text(value: Any) -> str:
    """A value as a table shows it."""
    if value is None:
        return ""
    if isinstance(value, bool):
        return "yes" if value else "no"
    return str(_plain(value))


def _table(
    rows: Sequence[Row],
    columns: Sequence[Column[Row]],
    title: str,
    footer: list[str],
    empty: str,
    note: Callable[[Row], str] | None,
) -> None:
    if title:
        print(title)
    if not rows:
        print(empty)
    else:
        cells = [
            [
                (c.text or cell_text)(value) if (value := c.value(row)) is not None else ""
                for c in columns
            ]
            for row in rows
        ]
        for line in table_lines(
            [c.heading for c in columns],
            cells,
            right=[c.right for c in columns],
            width=terminal_width(),
            fold=[c.fold for c in columns],
            notes=None if note is None else [note(row) for row in rows],
        ):
            print(line)
    for line in footer:
        print(line)


def terminal_width() -> int:
    """The width to print to: the terminal's, or wide enough for a table when there is none."""
    import os
    import shutil

    if "COLUMNS" in os.environ or sys.stdout.isatty():
        return max(60, shutil.get_terminal_size((160, 40)).columns)
    return 160


NARROWEST = 12
"""No column is folded to fewer characters than this; a narrower terminal wraps the lines."""


def table_lines(
    headings: Sequence[str],
    cells: Sequence[Sequence[str]],
    *,
    right: Sequence[bool],
    width: int,
    fold: Sequence[bool],
    notes: Sequence[str] | None = None,
) -> list[str]:
    """Lines of an aligned table, folded to ``width`` where the columns marked ``fold`` allow.

    ``notes``, one for each row, are wrapped below it.

    Written here rather than taken from a library because the due list must start faster than a
    table library can be imported.
    """
    wide = [
        max([len(h), *(len(row[n]) for row in cells)]) if cells else len(h)
        for n, h in enumerate(headings)
    ]
    gap = 2
    foldable = [n for n, f in enumerate(fold) if f]
    while sum(wide) + gap * (len(wide) - 1) > width and foldable:
        widest = max(foldable, key=lambda n: wide[n])
        if wide[widest] <= NARROWEST:
            break
        wide[widest] -= 1
    lines = _folded_row(headings, wide, right, gap)
    lines.append((" " * gap).join("─" * w for w in wide))
    for n, row in enumerate(cells):
        lines += _folded_row(row, wide, right, gap)
        if notes is not None and notes[n]:
            lines += paragraph(notes[n], indent="    ", width=width).splitlines()
    return lines


def _folded_row(
    row: Sequence[str], wide: Sequence[int], right: Sequence[bool], gap: int
) -> list[str]:
    if all(len(text) <= w for text, w in zip(row, wide, strict=True)):
        parts = [[text] for text in row]
    else:
        import textwrap

        parts = [
            textwrap.wrap(text, w, break_on_hyphens=False) or [""] if len(text) > w else [text]
            for text, w in zip(row, wide, strict=True)
        ]
    height = max(len(p) for p in parts)
    lines = []
    for n in range(height):
        pieces = [
            (p[n] if n < len(p) else "").rjust(w) if r else (p[n] if n < len(p) else "").ljust(w)
            for p, w, r in zip(parts, wide, right, strict=True)
        ]
        lines.append((" " * gap).join(pieces).rstrip())
    return lines


def paragraph(text: str, *, indent: str = "", width: int | None = None) -> str:
    """``text`` wrapped to the terminal (at most 100 characters), hanging under ``indent``."""
    import textwrap

    limit = min(100, width or terminal_width())
    return textwrap.fill(
        text,
        limit,
        initial_indent=indent,
        subsequent_indent=" " * len(indent),
        break_long_words=False,
        break_on_hyphens=False,
    )


def facts(pairs: Iterable[tuple[str, str]]) -> list[str]:
    """Label and value lines, labels aligned; pairs with an empty value are left out."""
    shown = [(label, value) for label, value in pairs if value]
    wide = max((len(label) for label, _ in shown), default=0)
    lines = []
    for label, value in shown:
        wrapped = paragraph(value, width=min(100, terminal_width()) - wide - 2).splitlines()
        lines.append(f"{label.ljust(wide)}  {wrapped[0] if wrapped else ''}".rstrip())
        lines += [" " * (wide + 2) + more for more in wrapped[1:]]
    return lines
