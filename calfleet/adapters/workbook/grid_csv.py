"""A CSV file in one of the common encodings, with one of the common separators."""

from __future__ import annotations

import csv
import re
from collections.abc import Iterator
from pathlib import Path

from calfleet.adapters.workbook.grid_cells import (
    CONTROL,
    LIMITS,
    Book,
    Grid,
    Unreadable,
    plain_text,
    too_large,
)
from calfleet.errors import Problem

SEPARATORS = {",": "commas", ";": "semicolons", "\t": "tabs", "|": "upright strokes"}


def read(path: Path, problems: list[Problem]) -> Book:
    """The file as one sheet. Raises Unreadable for one that is no text."""
    text, encoding = decode(path.read_bytes())
    book = Book(path, "csv")
    grid = Grid(path.stem)
    book.grids.append(grid)
    skip = 0
    head, _, rest = text.partition("\n")
    if head.strip().casefold().startswith("sep=") and len(head.strip()) == 5:
        separator = head.strip()[4]
        text, skip = rest, 1
    else:
        separator = separator_of(text)
    if text.count("\n") + text.count("\r") > 3 * LIMITS.rows:
        raise too_large(f"more than {LIMITS.rows:,} lines")
    source = _Lines(text)
    reader = csv.reader(source, delimiter=separator, strict=False)
    line, count, too_wide = skip, 0, 0
    strange = CONTROL.search(text) is not None
    while True:
        try:
            cells = next(reader)
        except StopIteration:
            if source.unfinished(separator):
                problems.append(
                    Problem(
                        f"{path.name}, line {source.began + skip + 1}",
                        "A quotation mark is opened and never closed; everything behind it stands "
                        "in one cell.",
                        "Close it, or delete it.",
                    )
                )
            break
        except csv.Error as error:
            problems.append(
                Problem(
                    f"{path.name}, line {line + 1}",
                    f"The line is not valid CSV: {error}.",
                    "Check its quotation marks.",
                )
            )
            break
        source.next_record()
        count += len(cells)
        if count > LIMITS.cells or line > LIMITS.rows:
            raise too_large(f"more than {LIMITS.cells:,} cells or {LIMITS.rows:,} lines")
        too_wide += len(cells) > LIMITS.columns
        if len(cells) > LIMITS.columns and too_wide <= 20:
            problems.append(
                Problem(
                    f"{path.name}, line {line + 1}",
                    f"The line has {len(cells)} cells; {LIMITS.columns} are read.",
                    "Check the separator and the quotation marks.",
                )
            )
        values: list[object] = [
            cell[: LIMITS.text] if cell.strip() else None for cell in cells[: LIMITS.columns]
        ]
        if strange:
            values = [plain_text(value) if isinstance(value, str) else value for value in values]
        while values and values[-1] is None:
            values.pop()
        if values:
            grid.rows[line] = values
        line = skip + reader.line_num
    book.remarks.append(
        Problem(path.name, f"Read as {encoding}, separated by {SEPARATORS.get(separator, '?')}.")
    )
    return book


class _Lines:
    """The lines of a text one by one; a record that has no end is refused before it is held."""

    def __init__(self, text: str) -> None:
        self.found = re.finditer(r"[^\r\n]*+(?:\r\n|\r|\n)|[^\r\n]++", text)
        self.record = 0
        self.began = self.last_began = self.count = 0
        self.kept: list[str] = []
        self.last: list[str] = []

    def next_record(self) -> None:
        """The lines up to here are done with, but for the last record."""
        self.last, self.kept, self.record = self.kept, [], 0
        self.last_began, self.began = self.began, self.count

    def unfinished(self, separator: str) -> bool:
        """Whether the last record ends inside quotation marks."""
        self.began = self.last_began
        try:
            list(csv.reader(self.last, delimiter=separator, strict=True))
        except csv.Error as error:
            return "end of data" in str(error)
        return False

    def __iter__(self) -> Iterator[str]:
        return self

    def __next__(self) -> str:
        match = next(self.found)
        self.count += 1
        self.record += match.end() - match.start()
        if self.record > LIMITS.record:
            raise Unreadable(
                f"A line has more than {LIMITS.record:,} characters.",
                "Check the ends of its lines, and its quotation marks.",
            )
        line = match[0]
        self.kept.append(line)
        return line


def decode(data: bytes) -> tuple[str, str]:
    """The text and the name of its encoding: a byte order mark, else UTF-8, else Windows-1252.

    Raises Unreadable for bytes that are no text.
    """
    if data.startswith((b"\xff\xfe", b"\xfe\xff")):
        return _strict(data, "utf-16"), "UTF-16"
    if data.startswith(b"\xef\xbb\xbf"):
        return _strict(data, "utf-8-sig"), "UTF-8"
    sample = data[:4096]
    if b"\x00" in sample:
        even, odd = sample[0::2].count(0), sample[1::2].count(0)
        if max(even, odd) > len(sample) // 8 and len(data) % 2 == 0:
            return _strict(data, "utf-16-le" if odd > even else "utf-16-be"), "UTF-16"
        raise _no_text()
    try:
        text = data.decode("utf-8")
    except UnicodeDecodeError:
        pass
    else:
        if "\x00" in text:
            raise _no_text()
        return text, "UTF-8"
    strange = sum(byte < 32 and byte not in (9, 10, 12, 13) for byte in sample)
    if strange:
        raise _no_text()
    return _strict(data, "cp1252"), "Windows-1252"


def _strict(data: bytes, encoding: str) -> str:
    try:
        text = data.decode(encoding)
    except UnicodeDecodeError as error:
        raise _no_text() from error
    if "\x00" in text:
        raise _no_text()
    return text


def _no_text() -> Unreadable:
    return Unreadable(
        "The file is neither a workbook nor text in a known encoding.",
        "Save it as .xlsx, or as CSV in UTF-8.",
    )


def separator_of(text: str) -> str:
    """The separator that cuts the first lines into the most cells, most evenly.

    A comma between digits is more likely a decimal comma, so a semicolon or tab goes first.

    >>> separator_of("Tag;Set point\\nPS-1;2,5\\n"), separator_of("Tag,Set point\\nPS-1,2.5\\n")
    (';', ',')
    """
    lines = [line for line in text[:20_000].splitlines() if line.strip()][:40]
    best, best_score = ",", 0.0
    for separator in (";", "\t", "|", ","):
        try:
            rows = list(csv.reader(lines, delimiter=separator))
        except csv.Error:
            continue
        widths = [len(row) for row in rows if len(row) > 1]
        if not widths:
            continue
        usual = max(set(widths), key=lambda width: (widths.count(width), width))
        score = widths.count(usual) / len(rows) * min(usual, 12)
        if score > best_score * 1.05:
            best, best_score = separator, score
    return best
