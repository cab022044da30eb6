"""Tables as CSV files (RFC 4180, UTF-8, a heading row), written and read back without loss.

An empty cell is NULL where a column may be NULL, and empty text where it may not. In a column of
text that may be NULL, text that is empty or begins with a backslash is written with one backslash
more in front, so that nothing is mistaken for NULL.

Cells are the values as they are, also those that begin with ``=``: the files are for programs. A
spreadsheet program must import their columns as text.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import contextmanager
from typing import Any

from calfleet.errors import Problem
from calfleet.keeping.containers import FileNote, Hashed, Sink, Source, written
from calfleet.store.transfer import ColumnShape, Row, TableShape, stored_value

FOLDER = "tables"
STEP = 100_000
"""Rows after which progress is told."""
MOST_PROBLEMS = 200
"""Problems named for one table; more of them are counted."""


def table_path(table: str) -> str:
    """The name of a table's file in the copy."""
    return f"{FOLDER}/{table}.csv"


def _escaped(column: ColumnShape) -> bool:
    return column.kind == "text" and column.nullable


def write_table(
    sink: Sink,
    table: TableShape,
    rows: Iterable[Row],
    progress: Callable[[str], None] = lambda _: None,
) -> int:
    """The number of rows written to the table's file in ``sink``."""
    with written(sink, table_path(table.name)) as stream:
        return write_rows(stream, table, rows, progress)


def write_rows(
    stream: Hashed,
    table: TableShape,
    rows: Iterable[Row],
    progress: Callable[[str], None] = lambda _: None,
) -> int:
    """The number of rows written to ``stream`` as CSV."""
    escaped = [n for n, column in enumerate(table.columns) if _escaped(column)]
    buffered = io.BufferedWriter(stream, 1 << 16)
    wrapped = io.TextIOWrapper(buffered, encoding="utf-8", newline="", write_through=False)
    writer = csv.writer(wrapped, lineterminator="\r\n")
    writer.writerow([column.name for column in table.columns])
    count = 0
    for row in rows:
        cells: Sequence[str | None] = row
        if escaped:
            changed = list(row)
            for n in escaped:
                words = changed[n]
                if words is not None and words[:1] in ("", "\\"):
                    changed[n] = "\\" + words
            cells = changed
        writer.writerow(cells)
        count += 1
        if count % STEP == 0:
            progress(f"Table {table.name}: {count:,} rows")
    wrapped.flush()
    wrapped.detach()
    buffered.flush()
    buffered.detach()
    return count


class _Nowhere(io.RawIOBase):
    def writable(self) -> bool:
        return True

    def write(self, data: Any, /) -> int:
        return len(data)


def table_digest(table: TableShape, rows: Iterable[Row]) -> str:
    """SHA-256 (hex) of the file that ``rows`` would be written to."""
    stream = Hashed(_Nowhere())  # type: ignore[arg-type]
    write_rows(stream, table, rows)
    return stream.sha256()


@contextmanager
def _any_length() -> Iterator[None]:
    """Inside, a CSV cell may be as long as it is: an audit entry names every fact added."""
    before = csv.field_size_limit((1 << 31) - 1)
    try:
        yield
    finally:
        csv.field_size_limit(before)


def read_table(
    source: Source,
    note: FileNote,
    table: TableShape,
    problems: list[Problem],
    *,
    everywhere: bool = True,
) -> Iterator[tuple[int, list[Any]]]:
    """(line, stored values) of each sound row of the table's file; what is wrong is added to
    ``problems``, with file, line and column: heading, cells, order of keys, and the digest.

    ``everywhere``: whether values must be such that PostgreSQL takes them, too.
    """
    found = _Problems(note.path, problems)
    with _any_length(), source.open(note.path) as under:
        stream = Hashed(under)
        buffered = io.BufferedReader(stream, 1 << 16)
        wrapped = io.TextIOWrapper(buffered, encoding="utf-8", newline="")
        try:
            yield from _rows(csv.reader(wrapped, strict=True), table, found, everywhere)
        except (csv.Error, UnicodeDecodeError) as error:
            found.add(None, f"It cannot be read as CSV in UTF-8: {error}.")
        else:
            if stream.sha256() != note.sha256:
                found.add(None, "It was changed while it was read.")
        found.close()


class _Problems:
    def __init__(self, path: str, problems: list[Problem]) -> None:
        self._path = path
        self._problems = problems
        self._count = 0

    def add(self, line: int | None, message: str) -> None:
        self._count += 1
        if self._count <= MOST_PROBLEMS:
            where = self._path if line is None else f"{self._path} line {line}"
            self._problems.append(Problem(where, message))

    def close(self) -> None:
        if self._count > MOST_PROBLEMS:
            self._problems.append(
                Problem(self._path, f"And {self._count - MOST_PROBLEMS} problems more.")
            )


def _rows(
    reader: Any, table: TableShape, found: _Problems, everywhere: bool
) -> Iterator[tuple[int, list[Any]]]:
    names = [column.name for column in table.columns]
    heading = next(reader, None)
    if heading != names:
        found.add(1, f"The heading is not {', '.join(names)}.")
        return
    keys = [names.index(name) for name in table.key]
    last: list[Any] | None = None
    for cells in reader:
        line = reader.line_num
        if len(cells) != len(names):
            found.add(line, f"It has {len(cells)} cells, not {len(names)}.")
            continue
        values: list[Any] = []
        sound = True
        for column, cell in zip(table.columns, cells, strict=True):
            try:
                values.append(stored_value(column, _words(column, cell), everywhere=everywhere))
            except ValueError as error:
                shown = cell if len(cell) <= 60 else cell[:57] + "..."
                found.add(line, f"{column.name}: {shown!r} {error}.")
                sound = False
        if not sound:
            continue
        key = [values[n] for n in keys]
        if last is not None and not key > last:
            found.add(line, "It is out of order, or there twice: rows go up by their key.")
        last = key
        yield line, values


def _words(column: ColumnShape, cell: str) -> str | None:
    """The canonical text in a cell; the inverse of how ``write_rows`` writes it."""
    if not column.nullable:
        return cell
    if cell == "":
        return None
    if _escaped(column) and cell[0] == "\\":
        if len(cell) > 1 and cell[1] != "\\":
            raise ValueError("begins with a backslash that stands for nothing")
        return cell[1:]
    return cell
