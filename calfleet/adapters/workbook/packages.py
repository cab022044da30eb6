"""ZIP packages and the XML in them, opened so that no file can take more than ``LIMITS`` allow.

Sizes are checked before anything is unpacked, elements counted as they come, and a document type
declaration (the door for entity tricks) is refused. ``screened`` does the same for a workbook that
a library is to open, which checks nothing itself.

Source: PKWARE APPNOTE 6.3, 4.3.12 to 4.3.16 (directory and end records), from memory.
"""

from __future__ import annotations

import re
import struct
import zlib
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path, PurePosixPath
from typing import Final
from xml.parsers import expat
from zipfile import BadZipFile, ZipFile

DAMAGED = "The file is damaged: it is no complete workbook."
AGAIN = "Open it in a spreadsheet program, save it again as .xlsx, and try that."
_BLOCK = 1 << 16
_ENCODINGS = {"utf-8", "utf-16", "us-ascii", "iso-8859-1", "windows-1252"}


@dataclass(frozen=True, slots=True)
class Limits:
    """What one file may hold at most; far above what a shop has, far below what does harm."""

    file_bytes: int = 128 * 2**20
    unpacked_bytes: int = 400 * 2**20
    part_ratio: int = 1000
    """Unpacked over packed size of a part above ``ratio_from`` bytes."""
    ratio_from: int = 20 * 2**20
    parts: int = 5000
    sheets: int = 200
    rows: int = 1_048_576
    columns: int = 400
    cells: int = 3_000_000
    filled_rows: int = 1_500_000
    """Rows that hold anything, in all sheets."""
    elements: int = 10_000_000
    """XML elements that are read, in all parts."""
    token: int = 2**20
    """Bytes of one tag or comment."""
    directory_bytes: int = 4 * 2**20
    record: int = 4_000_000
    """Characters in a line of a CSV file."""
    text: int = 32_767
    """Characters in a cell, as spreadsheet programs allow (ECMA-376 Part 1, 18.3.1.4, from
    memory)."""


LIMITS: Final = Limits()


class Unreadable(Exception):
    """Inside the readers: the file (or sheet) cannot be read; the problem says why."""

    def __init__(self, message: str, hint: str = "") -> None:
        super().__init__(message)
        self.message = message
        self.hint = hint


# control characters, and those that turn the direction of writing
_TURNING = dict.fromkeys(
    (*range(32), *range(127, 160), 0x200E, 0x200F, *range(0x202A, 0x202F), *range(0x2066, 0x206A)),
    " ",
)


def sheet_name(text: str) -> str:
    """The name of a sheet as messages can show it: on one line, none turned round, not too long.

    >>> sheet_name("a\\tb"), sheet_name("")
    ('a b', '?')
    """
    return text[:200].translate(_TURNING) or "?"


class Damaged(Unreadable):
    """A part that is missing, or no sound XML."""


def too_large(what: str) -> Unreadable:
    return Unreadable(
        f"The file is too large to be read: {what}.",
        "Split it, or delete the empty rows and columns beyond the data, and save it again.",
    )


class Package(ZipFile):
    """A ZIP package that counts what is read from it: parts may be read again and again."""

    unpacked = 0
    elements = 0

    @property
    def spent(self) -> bool:
        """Whether no more may be read from it."""
        return self.unpacked > LIMITS.unpacked_bytes or self.elements > LIMITS.elements


def open_package(path: Path) -> Package:
    """The ZIP package, its stated sizes checked.

    Raises Unreadable: not a ZIP, too many parts, too large when unpacked.
    """
    try:
        _check_directory(path)
        package = Package(path)
    except (BadZipFile, OSError, ValueError, NotImplementedError, struct.error) as error:
        raise Damaged(DAMAGED, AGAIN) from error
    entries = package.infolist()
    if len(entries) > LIMITS.parts:
        package.close()
        raise too_large(f"{len(entries)} parts")
    total = sum(entry.file_size for entry in entries)
    worst = max(
        (
            entry.file_size / max(1, entry.compress_size)
            for entry in entries
            if entry.file_size > LIMITS.ratio_from
        ),
        default=0.0,
    )
    if total > LIMITS.unpacked_bytes or worst > LIMITS.part_ratio:
        package.close()
        raise too_large(f"unpacked it would be {total / 2**20:.0f} MiB")
    if any(entry.flag_bits & 1 for entry in entries):
        package.close()
        raise Unreadable("The file is protected by a password.", "Save it without a password.")
    return package


def _check_directory(path: Path) -> None:
    """Looks at the stated size of the directory before a million entries are made into objects."""
    with path.open("rb") as stream:
        stream.seek(0, 2)
        size = stream.tell()
        stream.seek(max(0, size - 65_557 - 76))
        tail = stream.read()
        stated = [0]
        for match in re.finditer(rb"PK\x05\x06(?s:.{8})(?s:(.{4}))", tail):
            stated.append(int.from_bytes(match[1], "little"))
            locator = tail[max(0, match.start() - 20) : match.start()]
            records = [tail[max(0, match.start() - 76) :][:56]]
            if locator.startswith(b"PK\x06\x07"):
                stream.seek(min(size, int.from_bytes(locator[8:16], "little")))
                records.append(stream.read(56))
            stated += [
                int.from_bytes(record[40:48], "little")
                for record in records
                if record.startswith(b"PK\x06\x06")
            ]
    if max(stated) > LIMITS.directory_bytes:
        raise too_large("it says that it has too many parts")


def parse(
    package: Package,
    part: str,
    start: Callable[[str, dict[str, str]], object],
    end: Callable[[str], object] | None = None,
    text: Callable[[str], object] | None = None,
) -> None:
    """Runs through the XML of a part; names come without their prefix.

    Raises Unreadable: no such part, damaged, not XML, with a document type declaration, too large.
    """
    shown = sheet_name(PurePosixPath(part).name)[:80]
    seen = 0
    parser = expat.ParserCreate()
    parser.buffer_text = True
    local: dict[str, str] = {}

    def bare(name: str) -> str:
        found = local.get(name)
        if found is None:
            if len(local) > 10_000:
                raise Unreadable(DAMAGED, AGAIN)
            found = local[name] = name.rpartition(":")[2]
        return found

    def refuse(*_: object) -> None:
        raise Unreadable(
            "The file declares a document type in its XML; no spreadsheet program does.",
            "Do not use this file; ask where it came from.",
        )

    def begin(name: str, attributes: dict[str, str]) -> None:
        nonlocal seen
        seen += 1
        start(bare(name), attributes)

    parser.StartElementHandler = begin
    if end is not None:
        parser.EndElementHandler = lambda name: end(bare(name))
    if text is not None:
        parser.CharacterDataHandler = text

    def declared(_: str, encoding: str | None, __: int) -> None:
        if encoding is not None and encoding.casefold() not in _ENCODINGS:
            raise Unreadable(
                f"The file states an encoding that no spreadsheet program writes: "
                f"{encoding[:20]!r}.",
                AGAIN,
            )

    parser.XmlDeclHandler = declared
    parser.StartDoctypeDeclHandler = refuse
    parser.EntityDeclHandler = refuse
    try:
        with package.open(part) as stream:
            fed = 0
            while block := stream.read(_BLOCK):
                parser.Parse(block, False)
                fed += len(block)
                package.unpacked += len(block)
                package.elements, seen = package.elements + seen, 0
                if package.unpacked > LIMITS.unpacked_bytes:
                    raise too_large(f"unpacked it is more than {LIMITS.unpacked_bytes >> 20} MiB")
                if package.elements > LIMITS.elements:
                    raise too_large(f"more than {LIMITS.elements:,} elements")
                # the parser starts again at the beginning of a tag with each block
                if fed - parser.CurrentByteIndex > LIMITS.token:
                    raise Unreadable(f"{DAMAGED[:-1]} ({shown}).", AGAIN)
            parser.Parse(b"", True)
    except KeyError as error:
        raise Damaged(f"{DAMAGED} The part {shown} is missing.", AGAIN) from error
    except (
        expat.ExpatError, BadZipFile, zlib.error, EOFError, OSError, NotImplementedError,
        RuntimeError, ValueError, LookupError, ArithmeticError, struct.error,
    ) as error:  # fmt: skip
        raise Damaged(f"{DAMAGED[:-1]} ({shown}).", AGAIN) from error


# --- before a library opens a workbook ------------------------------------------------------

_ADDRESS = re.compile(r"\$?([A-Z]{1,3})\$?([0-9]{1,7})")
_SPREAD = ("mergeCell", "hyperlink")
"""Elements whose area a library makes into one object for each of its cells."""


def screen(path: Path, *, elements: int, places: int) -> None:
    """Looks through every part of an .xlsx workbook; returns when a library may open it.

    ``elements``: so many XML elements at most in all parts; ``places``: so many cells, counted as
    a library counts them: each row up to its last cell, rows that are left out, merged areas.

    Raises Unreadable: no package, too large, a document type declaration.
    """
    if path.is_file():
        if path.stat().st_size > LIMITS.file_bytes:
            raise too_large(f"{path.stat().st_size / 2**20:.0f} MiB")
    elif path.exists() and not path.is_dir():
        raise Unreadable("It is no file with an end.", "Name a workbook.")
    with open_package(path) as package:
        count = _Places(places)
        for entry in package.infolist():
            count.begin()
            try:
                parse(package, entry.filename, count.start)
            except Damaged:
                continue  # a picture; or the library says so itself, if it needs the part
            if package.elements > elements:
                raise too_large(f"more than {elements:,} elements")


class _Places:
    """Counts the places that cells and areas take."""

    def __init__(self, limit: int) -> None:
        self.limit = limit
        self.count = 0
        self.begin()

    def begin(self) -> None:
        self.row = self.column = self.areas = 0
        self.sheets: set[str] = set()

    def start(self, name: str, attributes: dict[str, str]) -> None:
        if name == "numFmt" and len(attributes.get("formatCode", "")) > 1000:
            raise Unreadable(f"{DAMAGED[:-1]} (a number format without end).", AGAIN)
        if name == "c":
            match = _ADDRESS.fullmatch(attributes.get("r", ""))
            before = self.column
            self.column = max(before, _column(match[1])) if match else before + 1
            self.add(self.column - before)
        elif name == "row":
            try:
                number = int(attributes.get("r", self.row + 1))
            except ValueError:
                number = self.row + 1
            self.add(max(1, number - self.row))
            self.row, self.column = number, 0
        elif name == "sheet" or (
            name == "Relationship" and attributes.get("Type", "").endswith("/worksheet")
        ):
            link = next((v for k, v in attributes.items() if k.rpartition(":")[2] == "id"), "")
            target = attributes.get("Target", link).rpartition("/")[2]
            if target in self.sheets:
                raise Unreadable(f"{DAMAGED[:-1]} (two of its sheets are the same part).", AGAIN)
            self.sheets.add(target)
        elif name in _SPREAD:
            self.areas += 1
            if self.areas > 5000:
                raise too_large("a sheet has more than 5,000 areas")
            first, _, last = attributes.get("ref", "").partition(":")
            ends = [_ADDRESS.fullmatch(text) for text in (first, last or first)]
            if ends[0] is not None and ends[1] is not None:
                down = abs(int(ends[1][2]) - int(ends[0][2])) + 1
                self.add(down * (abs(_column(ends[1][1]) - _column(ends[0][1])) + 1))

    def add(self, places: int) -> None:
        self.count += places
        if self.count > self.limit:
            raise too_large(f"its sheets span more than {self.limit:,} cells")


def _column(letters: str) -> int:
    number = 0
    for character in letters:
        number = number * 26 + ord(character) - 64
    return number
