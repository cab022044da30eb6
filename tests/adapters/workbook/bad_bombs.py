"""Bad workbooks that try to take memory or time, by name; each is made when it is wanted.

For tests only: from a few kilobytes up to 200 MB.
"""

from __future__ import annotations

import random
import struct
import zlib
from collections.abc import Callable

from bad_files import (
    DOCUMENT,
    END,
    FAT_SECTOR,
    FREE,
    HEAD,
    MAIN,
    Member,
    compound,
    entry,
    ods,
    ods_content,
    repeated,
    sheet_xml,
    xls_cell,
    xls_sheet,
    xls_stream,
    zipped,
)
from bad_workbooks import EITHER, NOTED, READ, REFUSED, Expect
from bad_workbooks import members as _members


def _sheet_bomb(block: bytes, times: int, before: str = "", after: str = "") -> bytes:
    """A workbook whose sheet holds ``block`` many times."""
    head = f'{HEAD}<worksheet xmlns="{MAIN}">{before}<sheetData>'.encode()
    tail = f"</sheetData>{after}</worksheet>".encode()
    return _bomb("sheet1", b"xl/worksheets/sheet1.xml", head, block, times, tail)


def _bomb(short: str, name: bytes, head: bytes, block: bytes, times: int, tail: bytes) -> bytes:
    member = Member(
        name, b"", packed=repeated(block, times, head, tail),
        size=len(head) + len(block) * times + len(tail),
        crc=_crc_repeated(head, block, times, tail),
    )  # fmt: skip
    return zipped(_members(**{short: member}))


def _crc_repeated(head: bytes, block: bytes, times: int, tail: bytes) -> int:
    crc = zlib.crc32(head)
    for _ in range(times):
        crc = zlib.crc32(block, crc)
    return zlib.crc32(tail, crc)


def _noise(size: int) -> bytes:
    """Text that does not pack well, so that no ratio gives a bomb away."""
    return random.Random(7).randbytes(size // 2).hex().encode()


HEAVY: dict[str, tuple[str, Callable[[], bytes], Expect]] = {}


def _heavy(name: str, expect: Expect) -> Callable[[Callable[[], bytes]], Callable[[], bytes]]:
    def keep(make: Callable[[], bytes]) -> Callable[[], bytes]:
        HEAVY[name] = (make.__doc__ or "", make, expect)
        return make

    return keep


@_heavy("bomb-4-gib.xlsx", REFUSED)
def _zeros() -> bytes:
    """One part of 3.9 GiB of blanks, packed to 4 MiB, its size stated truly."""
    block, times = b" " * 2**20, 4000
    head, tail = b"<x>", b"</x>"
    member = Member(b"xl/worksheets/sheet1.xml", b"", packed=repeated(block, times, head, tail),
                    size=3 + len(block) * times + 4, crc=0)  # fmt: skip
    return zipped(_members(sheet1=member))


@_heavy("bomb-lying.xlsx", NOTED)
def _zeros_lying() -> bytes:
    """The same, its size stated as 1 kB."""
    block, times = b" " * 2**20, 1000
    packed = repeated(block, times, b"<x>", b"</x>")
    member = Member(b"xl/worksheets/sheet1.xml", b"", packed=packed, size=1000, crc=0)
    return zipped(_members(sheet1=member))


@_heavy("bomb-overlap.xlsx", EITHER)
def _overlap() -> bytes:
    """A thousand members that share the data of one of 300 MiB."""
    block, times = b" " * 2**20, 300
    one = Member(b"xl/k.xml", b"", packed=repeated(block, times), size=len(block) * times, crc=0)
    more = (
        Member(b"xl/%d.xml" % n, b"", packed=b"", size=len(block) * times, crc=0,
               packed_size=100_000, same_place_as=b"xl/k.xml") for n in range(1000)
    )  # fmt: skip
    return zipped([*_members(), one, *more])


@_heavy("directory-huge.xlsx", REFUSED)
def _directory() -> bytes:
    """A directory of a million entries: each costs the reader much more than the file."""
    entry = b"PK\x01\x02" + struct.pack("<HHHHHHIIIHHHHHII", 20, 20, 0, 0, 0, 33, 0, 0, 0, 1, 0, 0,
                                        0, 0, 0, 0) + b"a"  # fmt: skip
    count = 1_000_000
    size = len(entry) * count
    return (
        b"PK\x03\x04" + bytes(26) + entry * count
        + b"PK\x06\x06" + struct.pack("<QHHIIQQQQ", 44, 45, 45, 0, 0, count, count, size, 30)
        + b"PK\x06\x07" + struct.pack("<IQI", 0, 30 + size, 1)
        + b"PK\x05\x06" + struct.pack("<HHHHIIH", 0, 0, 65535, 65535, size, 30, 0)
    )  # fmt: skip


@_heavy("elements.xlsx", NOTED)
def _elements() -> bytes:
    """Sixty million empty elements that mean nothing."""
    return _sheet_bomb(b"<x/>" * 2**16 + _noise(600), 950)


@_heavy("one-sheet-200-times.xlsx", EITHER)
def _again() -> bytes:
    """Two hundred sheets that are the same part of 30 MiB."""
    block = b"<row/>" * 10_000 + b"<!--" + _noise(100) + b"-->"
    data = sheet_xml([["x"]], inside="@").replace(b"@", b"<!---->")
    head, tail = data.split(b"<!---->")
    member = Member(b"xl/worksheets/sheet1.xml", b"", packed=repeated(block, 100, head, tail),
                    size=len(head) + len(block) * 100 + len(tail),
                    crc=_crc_repeated(head, block, 100, tail))  # fmt: skip
    names = "".join(f'<sheet name="S{n}" sheetId="{n}" r:id="rId1"/>' for n in range(200))
    book = (
        f'{HEAD}<workbook xmlns="{MAIN}" xmlns:r="{DOCUMENT}"><sheets>{names}</sheets></workbook>'
    )
    return zipped(_members(sheet1=member, workbook=Member(b"xl/workbook.xml", book.encode())))


@_heavy("rows-million.xlsx", READ)
def _rows() -> bytes:
    """A million blank rows, each an element, as a sheet that was formatted to its end."""
    return _sheet_bomb(b'<row ht="15"/>' * 10_000, 100)


@_heavy("columns-million.xlsx", NOTED)
def _columns() -> bytes:
    """A row of a million cells without addresses."""
    head = f'<worksheet xmlns="{MAIN}"><sheetData><row>'.encode()
    tail = b"</row></sheetData></worksheet>"
    return _bomb(
        "sheet1", b"xl/worksheets/sheet1.xml", head, b"<c><v>1</v></c>" * 10_000, 100, tail
    )


@_heavy("cells.xlsx", NOTED)
def _cells() -> bytes:
    """Twenty million cells."""
    return _sheet_bomb(b"<row>" + b"<c><v>1</v></c>" * 200 + b"</row>", 100_000)


@_heavy("strings.xlsx", REFUSED)
def _strings() -> bytes:
    """Thirty million shared texts that are empty."""
    head = f'{HEAD}<sst xmlns="{MAIN}">'.encode()
    return _bomb("sharedStrings", b"xl/sharedStrings.xml", head, b"<si/>" * 2**16, 460, b"</sst>")


@_heavy("attribute.xlsx", NOTED)
def _attribute() -> bytes:
    """One attribute of 40 MiB that does not pack well."""
    name = b"xl/worksheets/sheet1.xml"
    return _bomb("sheet1", name, b"<x a='", _noise(2**20), 40, b"'/>")


@_heavy("text.xlsx", READ)
def _text() -> bytes:
    """One cell with 40 MiB of text."""
    head = f'<worksheet xmlns="{MAIN}"><sheetData><row r="1"><c r="A1" t="inlineStr"><is><t>'
    tail = "</t></is></c></row></sheetData></worksheet>"
    return _bomb("sheet1", b"xl/worksheets/sheet1.xml", head.encode(), _noise(2**20), 40,
                 tail.encode())  # fmt: skip


def _ods_bomb(head: str, block: bytes, times: int, tail: str) -> bytes:
    before, after = ods_content(head + "@@" + tail).split(b"@@")
    member = Member(
        b"content.xml", b"", packed=repeated(block, times, before, after),
        size=len(before) + len(block) * times + len(after),
        crc=_crc_repeated(before, block, times, after),
    )  # fmt: skip
    return zipped([Member(b"mimetype", b"application/vnd.oasis.opendocument.spreadsheet"), member])


_TEXT_CELL = '<table:table-row><table:table-cell office:value-type="string"><text:p>'
_TEXT_END = "</text:p></table:table-cell></table:table-row>"


@_heavy("text.ods", READ)
def _ods_text() -> bytes:
    """One cell with 40 MiB of text."""
    return _ods_bomb(_TEXT_CELL, _noise(2**20), 40, _TEXT_END)


@_heavy("paragraphs.ods", READ)
def _ods_paragraphs() -> bytes:
    """One cell with half a million paragraphs."""
    return _ods_bomb(_TEXT_CELL, b"</text:p><text:p>" * 10_000, 50, _TEXT_END)


@_heavy("rows.ods", REFUSED)
def _ods_rows() -> bytes:
    """Sheets of a million rows that hold one cell, each by one element."""
    row = '<table:table-row table:number-rows-repeated="1000000"><table:table-cell '
    row += 'office:value-type="string"><text:p>x</text:p></table:table-cell></table:table-row>'
    return ods("</table:table><table:table>".join([row] * 20))


@_heavy("line.csv", REFUSED)
def _line() -> bytes:
    """A line of 100 MB."""
    return b"Tag,Set point\n" + b"x" * 100_000_000


@_heavy("commas.csv", REFUSED)
def _commas() -> bytes:
    """A line of 40 million empty cells."""
    return b"Tag,Set point\n" + b"," * 40_000_000


@_heavy("commas-quoted.csv", EITHER)
def _commas_quoted() -> bytes:
    """One record over five million lines, by quotation marks."""
    return b'Tag,Set point\n"' + b'\n","' * 5_000_000


@_heavy("newlines.csv", REFUSED)
def _newlines() -> bytes:
    """Forty million blank lines."""
    return b"Tag,Set point\n" + b"\n" * 40_000_000


@_heavy("quotes.csv", EITHER)
def _quotes() -> bytes:
    """Forty million quotation marks."""
    return b'"' * 40_000_000


@_heavy("wide-characters.csv", EITHER)
def _wide() -> bytes:
    """60 MB of text that needs four bytes for each character."""
    return b"Tag,Set point\n" + ("\U0001f600,2.5\n" + "abcde,2.5\n" * 500).encode() * 12_000


@_heavy("corners.xls", REFUSED)
def _corners() -> bytes:
    """Forty sheets, each with a cell in its first and in its last corner."""
    sheet = xls_sheet([xls_cell(0, 0, "Tag"), xls_cell(65535, 255, "x")])
    return compound(xls_stream([(f"S{n}", sheet) for n in range(40)]))


@_heavy("directory.xls", REFUSED)
def _directory() -> bytes:
    """Sixty thousand names in the directory that all stand for one stream of 8,000 sectors."""
    size, names, sectors, tables = 4096, 2000, 8000, 10
    chains = [tables + n + 1 for n in range(names - 1)] + [END]
    chains += [tables + names + n + 1 for n in range(sectors - 1)] + [END]
    table = [FAT_SECTOR] * tables + chains
    table += [FREE] * (tables * size // 4 - len(table))
    head = bytearray(compound(b"x")[:512]).ljust(size, b"\0")
    struct.pack_into("<HHH", head, 26, 4, 0xFFFE, 12)
    struct.pack_into("<II", head, 44, tables, tables)
    struct.pack_into("<109I", head, 76, *range(tables), *[FREE] * (109 - tables))
    entries = entry("Root Entry", 5, 1, END, 0)
    entries += entry("x", 2, FREE, tables + names, sectors * size) * (names * size // 128 - 1)
    return bytes(head) + struct.pack(f"<{len(table)}I", *table) + entries + bytes(sectors * size)


@_heavy("too-long.csv", REFUSED)
def _too_long() -> bytes:
    """More bytes than any file of a shop has."""
    return b"Tag\n" + bytes(200_000_000)
