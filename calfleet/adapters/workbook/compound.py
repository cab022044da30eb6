"""An old .xls file looked over before the library that reads it sees it.

The library trusts what the file says of itself: an allocation table that runs in a circle, or two
cells in the far corners of a sheet, make it take memory until the program is ended. So the tables
are followed here once, and the cells counted by their addresses.

Source: [MS-CFB] 2.2 to 2.6 (header, sectors, directory); [MS-XLS] 2.4 and 2.1.4 (records), from
memory.
"""

from __future__ import annotations

import struct
from array import array
from collections.abc import Iterator
from dataclasses import dataclass

from calfleet.adapters.workbook.grid_cells import LIMITS, Unreadable, too_large

_DAMAGED = "The file is damaged: it is no readable .xls workbook."
_AGAIN = "Open it in a spreadsheet program, save it as .xlsx without a password, and try that."
_LAST_SECTOR = 0xFFFFFFFA
_STREAMS = ("Workbook", "WORKBOOK", "Book", "BOOK")
_RECORDS = 12_000_000
_CELL_KINDS = frozenset({0x06, 0xBD, 0xD6, 0xFD, 0x203, 0x204, 0x205, 0x27E, 0x406})
_WITHOUT_VALUE = frozenset({0x01, 0xBE, 0x201})
_NOTHING = 0x0FFF  # no record has this kind
_BEGIN, _END, _SHEET, _SIZE, _PASSWORD, _MERGED = 0x809, 0x0A, 0x85, 0x200, 0x2F, 0xE5
_MOST_MERGED = 20_000


@dataclass(frozen=True, slots=True)
class _Entry:
    """An entry of the directory."""

    name: str
    kind: int
    start: int
    size: int


def looked_over(data: bytes) -> bytes:
    """The workbook in a compound file, once it is known to be safe to read.

    Cells without a value, which only have a format, are out of it: the library keeps each of them.

    Raises Unreadable: damaged, no workbook in it, protected by a password, too large.
    """
    try:
        return _Compound(data).looked_over()
    except (struct.error, IndexError, UnicodeDecodeError) as error:
        raise Unreadable(_DAMAGED, _AGAIN) from error


class _Compound:
    def __init__(self, data: bytes) -> None:
        self.data = data
        shift, mini_shift = struct.unpack_from("<HH", data, 30)
        if shift not in (9, 12) or mini_shift != 6:
            raise Unreadable(_DAMAGED, _AGAIN)
        self.sector: int = 1 << int(shift)
        self.fat = self._table(self._tables())

    def looked_over(self) -> bytes:
        (first,) = struct.unpack_from("<I", self.data, 48)
        directory = self.chain(first)
        entries = [
            entry
            for sector in directory
            for at in range(self._at(sector), self._at(sector) + self.sector, 128)
            if (entry := self._entry(at)) is not None
        ]
        root = next((entry for entry in entries if entry.kind == 5), None)
        cutoff, mini_first = struct.unpack_from("<II", self.data, 56)
        mini = self._table(self.chain(mini_first))
        small = self._joined(self.chain(root.start)) if root is not None else b""
        book = b""
        names = set()
        for entry in entries:
            if entry.kind != 2 or not entry.size:
                continue
            names.add(entry.name)
            if entry.name not in _STREAMS or book:
                continue  # the library is not shown it
            if entry.size > len(self.data):
                raise Unreadable(_DAMAGED, _AGAIN)
            if entry.size < cutoff:
                places = _follow(mini, entry.start)
                found = b"".join(small[n * 64 : n * 64 + 64] for n in places)
            else:
                found = self._joined(self.chain(entry.start))
            book = found[: entry.size]
        if "EncryptedPackage" in names:
            raise Unreadable("The file is protected by a password.", "Save it without a password.")
        if not book:
            raise Unreadable("The file holds no workbook.", "Name a workbook or CSV.")
        return _look_over(bytearray(book))

    def _at(self, sector: int) -> int:
        return (sector + 1) * self.sector

    def _joined(self, sectors: list[int]) -> bytes:
        size = self.sector
        return b"".join(self.data[self._at(n) : self._at(n) + size] for n in sectors)

    def _tables(self) -> list[int]:
        """The sectors that the allocation table stands in."""
        count, (following,) = len(self.data) // self.sector, struct.unpack_from("<I", self.data, 68)
        tables = list(struct.unpack_from("<109I", self.data, 76))
        seen: set[int] = set()
        while following < _LAST_SECTOR and following < count:
            if following in seen:
                raise Unreadable(_DAMAGED, _AGAIN)
            seen.add(following)
            more = struct.unpack_from(f"<{self.sector // 4}I", self.data, self._at(following))
            tables += more[:-1]
            following = more[-1]
        return [sector for sector in tables if sector < _LAST_SECTOR]

    def _table(self, sectors: list[int]) -> array[int]:
        joined = self._joined(sectors)
        table = array("I", joined[: len(joined) // 4 * 4])
        if table.itemsize != 4:
            table = array("L", joined[: len(joined) // 4 * 4])
        return table

    def chain(self, first: int) -> list[int]:
        """The sectors of a stream in their order."""
        return _follow(self.fat, first)

    def _entry(self, at: int) -> _Entry | None:
        raw = self.data[at : at + 128]
        length, kind = struct.unpack_from("<HB", raw, 64)
        if kind not in (1, 2, 5):
            return None
        start, size = struct.unpack_from("<II", raw, 116)
        name = raw[: min(max(0, length - 2), 62)].decode("utf-16-le", "replace")
        return _Entry(name, kind, start, size)


def _follow(table: array[int], first: int) -> list[int]:
    """The places that follow one another in an allocation table.

    Raises Unreadable: they run in a circle, or leave the table.
    """
    places: list[int] = []
    seen = bytearray(len(table))
    while first < _LAST_SECTOR:
        if first >= len(table) or seen[first]:
            raise Unreadable(_DAMAGED, _AGAIN)
        seen[first] = 1
        places.append(first)
        first = int(table[first])
    return places


def _look_over(book: bytearray) -> bytes:
    """Follows the records of a workbook; the cells of all sheets are counted by their corners."""
    sheets: list[int] = []
    begun = False
    budget = _Budget()
    for kind, at, size in _records(book, 0, budget):
        if not begun and kind & 0xFF != 0x09:
            raise Unreadable(_DAMAGED, _AGAIN)
        begun = True
        if kind == _PASSWORD:
            raise Unreadable("The file is protected by a password.", "Save it without a password.")
        if kind == _SHEET and size >= 4:
            sheets.append(struct.unpack_from("<I", book, at)[0])
    if not begun:
        raise Unreadable(_DAMAGED, _AGAIN)
    if len(sheets) > LIMITS.sheets:
        raise too_large(f"{len(sheets)} sheets")
    area = 0
    for start in sheets:
        top, bottom, left, right = 1 << 16, -1, 1 << 16, -1
        merged = 0
        for kind, at, size in _records(book, start, budget):
            if kind in _CELL_KINDS and size >= 4:
                row, column = struct.unpack_from("<HH", book, at)
                last = column + (size - 6) // 6 - 1 if kind == 0xBD else column
                top, bottom = min(top, row), max(bottom, row)
                left, right = min(left, column), max(right, last)
            elif kind in _WITHOUT_VALUE:
                struct.pack_into("<H", book, at - 4, _NOTHING)
            elif kind == _MERGED and size >= 2:
                merged += struct.unpack_from("<H", book, at)[0]
                if merged > _MOST_MERGED:
                    raise too_large(f"more than {_MOST_MERGED:,} merged areas")
            elif kind == _SIZE:
                _check_size(bytes(book[at : at + size]))
        if bottom >= 0:
            area += (bottom - top + 1) * (right - left + 1)
        if area > LIMITS.cells:
            raise too_large(f"its cells span more than {LIMITS.cells:,} places")
    return bytes(book)


class _Budget:
    """How many records were seen: sheets may share them."""

    def __init__(self) -> None:
        self.records = 0


def _records(book: bytes | bytearray, at: int, budget: _Budget) -> Iterator[tuple[int, int, int]]:
    """(kind, place of the data, its size) of each record up to the end of its part."""
    end = len(book) - 4
    unpack = struct.Struct("<HH").unpack_from
    while at <= end:
        kind, size = unpack(book, at)
        budget.records += 1
        if budget.records > _RECORDS:
            raise too_large(f"more than {_RECORDS:,} records")
        if kind == _END:
            return
        yield kind, at + 4, min(size, end - at)
        at += 4 + size


def _check_size(data: bytes) -> None:
    """A stated size that no sheet has is not believed by us, but is by the library."""
    if len(data) >= 14:
        first, last, left, right = struct.unpack_from("<IIHH", data)
    elif len(data) >= 8:
        first, last, left, right = struct.unpack_from("<HHHH", data)
    else:
        return
    if last > 65_536 or right > 256 or last < first or right < left:
        raise Unreadable(f"{_DAMAGED} It states a size that no sheet has.", _AGAIN)
