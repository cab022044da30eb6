"""Listings as table, CSV or JSON, and the few shapes of text the commands share.

A table is for a person: units in the heading, numbers right-aligned. CSV and JSON carry the
same columns under stable keys with the unit in the key, numbers as numbers, dates as ISO text,
and an empty cell or null where there is nothing.
"""

from __future__ import annotations

import csv
import io
import json
import re
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
    table_only: bool = False
    """Whether it is left out of CSV and JSON; one without a heading is left out of the table."""
    name: str = ""
    """Its heading in a workbook, where not that of the table or the key in words."""
    unit: str = ""
    """The unit to stand in its heading in a workbook."""
    digits: Callable[[Row], int | None] | None = None
    """Decimals that count in a workbook, where ``text`` does not tell them."""


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
    if output is Format.TABLE:
        _table(rows, [c for c in columns if c.heading], title, list(footer), empty, note)
        return
    wanted = [c for c in columns if not c.table_only]
    if output is Format.CSV:
        sys.stdout.write(csv_text(rows, wanted))
    else:
        print(json.dumps(_plain_rows(rows, wanted), indent=2, ensure_ascii=False))


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
    return [{c.key: _number(_plain(c.value(row)), c.value(row)) for c in columns} for row in rows]


def _number(plain: Any, value: Any) -> Any:
    """JSON has numbers: a decimal is one of them; CSV keeps the digits as they were typed."""
    if not isinstance(value, Decimal):
        return plain
    return int(value) if value == value.to_integral_value() and "." not in plain else float(value)


def csv_text(rows: Iterable[Row], columns: Sequence[Column[Row]]) -> str:
    """``rows`` as CSV under the columns' keys."""
    out = io.StringIO(newline="")
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow([c.key for c in columns])
    for row in rows:
        writer.writerow([_safe_cell(_plain(c.value(row))) for c in columns])
    return out.getvalue()


def _safe_cell(value: Any) -> Any:
    """Text that a spreadsheet program would run as a formula gets a leading apostrophe.

    Numbers stay as they are, negative ones too: what reads as one number is no formula.
    """
    if value is None:
        return ""
    if isinstance(value, bool):
        return cell_text(value)
    if isinstance(value, str) and "\r" in value:
        # the writer does not quote it, and the rest of the cell would begin a row of its own
        value = value.replace("\r\n", "\n").replace("\r", "\n")
    if isinstance(value, str) and value[:1] in ("=", "+", "-", "@", "\t", "\n"):
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
        print(paragraph(title))
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
        for line in fitting_lines(
            [c.heading for c in columns],
            cells,
            right=[c.right for c in columns],
            width=terminal_width(),
            fold=[c.fold for c in columns],
            notes=None if note is None else [note(row) for row in rows],
        ):
            print(line)
    for line in footer:
        wrapped = "\n" in line or len(line) <= terminal_width()
        print(line if wrapped else paragraph(line))


def terminal_width() -> int:
    """The width to print to: the terminal's, or wide enough for a table when there is none."""
    import os
    import shutil

    if "COLUMNS" in os.environ or sys.stdout.isatty():
        return max(60, shutil.get_terminal_size((160, 40)).columns)
    return 160


GAP = 2
"""Spaces between two columns."""


def _longest_word(texts: Iterable[str]) -> int:
    return max((len(word) for text in texts for word in text.split()), default=0)


def _narrowest(
    headings: Sequence[str], cells: Sequence[Sequence[str]], fold: Sequence[bool]
) -> list[int]:
    """How narrow each column can be without breaking a word: headings fold in every column."""
    return [
        max(
            _longest_word([heading]),
            _longest_word(row[n] for row in cells)
            if fold[n]
            else max((len(row[n]) for row in cells), default=0),
        )
        for n, heading in enumerate(headings)
    ]


def fitting_lines(
    headings: Sequence[str],
    cells: Sequence[Sequence[str]],
    *,
    right: Sequence[bool],
    width: int,
    fold: Sequence[bool],
    notes: Sequence[str] | None = None,
) -> list[str]:
    """Lines of a table where ``width`` holds one, else each row as a block of labelled values."""
    if sum(_narrowest(headings, cells, fold)) + GAP * (len(headings) - 1) <= width:
        return table_lines(headings, cells, right=right, width=width, fold=fold, notes=notes)
    return block_lines(headings, cells, width=width, notes=notes)


def table_lines(
    headings: Sequence[str],
    cells: Sequence[Sequence[str]],
    *,
    right: Sequence[bool],
    width: int,
    fold: Sequence[bool],
    notes: Sequence[str] | None = None,
) -> list[str]:
    """Lines of an aligned table, folded to ``width`` between words: headings in every column,
    cells in the columns marked ``fold``. A table that cannot be so narrow is wider.

    ``notes``, one for each row, are wrapped below it.

    Written here rather than taken from a library because the due list must start faster than a
    table library can be imported.
    """
    wide = [
        max([len(h), *(len(row[n]) for row in cells)]) if cells else len(h)
        for n, h in enumerate(headings)
    ]
    least = _narrowest(headings, cells, fold)
    while sum(wide) + GAP * (len(wide) - 1) > width:
        spare = [n for n in range(len(wide)) if wide[n] > least[n]]
        if not spare:
            break
        wide[max(spare, key=lambda n: wide[n])] -= 1
    lines = _folded_row(headings, wide, right)
    lines.append((" " * GAP).join("─" * w for w in wide))
    for n, row in enumerate(cells):
        lines += _folded_row(row, wide, right)
        if notes is not None and notes[n]:
            lines += paragraph(notes[n], indent="    ", width=width).splitlines()
    return lines


def block_lines(
    headings: Sequence[str],
    cells: Sequence[Sequence[str]],
    *,
    width: int,
    notes: Sequence[str] | None = None,
) -> list[str]:
    """The rows as blocks, for a terminal too narrow for their table: the first cell and beside it
    the others, each under its heading's name, as many on a line as fit.

    ``notes``, one for each row, are wrapped below it.
    """
    first = max(len(row[0]) for row in cells)
    lines = []
    hang = " " * (first + GAP)
    for n, row in enumerate(cells):
        lines.append("─" * min(width, 100))
        started = row[0].ljust(first + GAP)
        line = started
        for heading, text in zip(headings[1:], row[1:], strict=True):
            if not text:
                continue
            piece = f"{heading}: {text}"
            if line.strip() and line not in (started, hang):
                if len(line) + 3 + len(piece) <= width:
                    line += f"   {piece}"
                    continue
                lines.append(line)
                line = hang
            whole = paragraph(piece, indent=hang, width=width).splitlines()
            lines += [line + whole[0][len(hang) :], *whole[1:-1]] if len(whole) > 1 else []
            line = whole[-1] if len(whole) > 1 else line + piece
        lines.append(line.rstrip())
        if notes is not None and notes[n]:
            lines += paragraph(notes[n], indent=hang, width=width).splitlines()
    return lines


def _folded_row(row: Sequence[str], wide: Sequence[int], right: Sequence[bool]) -> list[str]:
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
        lines.append((" " * GAP).join(pieces).rstrip())
    return lines


KEPT = "\u00a0"
BOUND = r"(?<=\d) (?=(?:%|°C|degC|degF|m?bar|[kMh]?Pa|psi|inH2O\w*|mmH2O\w*|mm?)(?:[ ,.;:)]|$))"
"""Between a number and its unit no line is broken."""


def paragraph(text: str, *, indent: str = "", width: int | None = None) -> str:
    """``text`` wrapped to the terminal (at most 100 characters), hanging under ``indent``."""
    import textwrap

    limit = min(100, width or terminal_width())
    return textwrap.fill(
        re.sub(BOUND, KEPT, text),
        limit,
        initial_indent=indent,
        subsequent_indent=" " * len(indent.rpartition("\n")[2]),
        break_long_words=False,
        break_on_hyphens=False,
    ).replace(KEPT, " ")


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
