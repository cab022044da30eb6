"""Packages, workbooks and old workbooks made byte by byte, so that each byte of them can be wrong.

For tests only. ``xlsx``, ``ods`` and ``xls`` make sound files from plain rows; their parts can be
replaced, and ``zipped`` writes packages whose headers say anything.
"""

from __future__ import annotations

import struct
import zlib
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from xml.sax.saxutils import escape, quoteattr

Cells = Iterable[Sequence[object]]
MAIN = "http://schemas.openxmlformats.org/spreadsheetml/2006/main"
DOCUMENT = "http://schemas.openxmlformats.org/officeDocument/2006/relationships"
PACKAGE = "http://schemas.openxmlformats.org/package/2006"
HEAD = '<?xml version="1.0" encoding="UTF-8" standalone="yes"?>\n'


# --- ZIP packages (PKWARE APPNOTE 6.3, sections 4.3 and 4.4, from memory) ------------------


@dataclass(frozen=True)
class Member:
    """One member of a package: what is in it, and what its headers say where that is a lie."""

    name: bytes
    data: bytes
    packed: bytes | None = None
    """Raw deflate data, where it is not made from ``data``."""
    method: int = 8
    size: int | None = None
    packed_size: int | None = None
    crc: int | None = None
    flags: int = 0
    extra: bytes = b""
    same_place_as: bytes = b""
    """The name of a member before this one, at whose offset this one is said to stand."""


def deflated(data: bytes) -> bytes:
    packer = zlib.compressobj(6, zlib.DEFLATED, -15)
    return packer.compress(data) + packer.flush()


def repeated(block: bytes, times: int, before: bytes = b"", after: bytes = b"") -> bytes:
    """Raw deflate data of ``before``, ``block`` many times, ``after``: made from one block."""
    packer = zlib.compressobj(9, zlib.DEFLATED, -15)
    head = packer.compress(before) + packer.flush(zlib.Z_FULL_FLUSH)
    one = packer.compress(block) + packer.flush(zlib.Z_FULL_FLUSH)
    return head + one * times + packer.compress(after) + packer.flush()


def zipped(
    members: Iterable[Member],
    *,
    comment: bytes = b"",
    entries: int | None = None,
    directory_size: int | None = None,
    directory_at: int | None = None,
    zip64: tuple[int, int, int] | None = None,
) -> bytes:
    """A package; the end record says what is given. ``zip64``: (entries, size, offset) there."""
    out, directory = bytearray(), bytearray()
    places: dict[bytes, int] = {}
    count = 0
    for member in members:
        packed = member.packed
        if packed is None:
            packed = deflated(member.data) if member.method == 8 else member.data
        size = len(member.data) if member.size is None else member.size
        crc = zlib.crc32(member.data) if member.crc is None else member.crc
        stated = len(packed) if member.packed_size is None else member.packed_size
        place = places.get(member.same_place_as, len(out))
        about = struct.pack(
            "<HHHHHIIIHH", 20, member.flags, member.method, 0, 0x21, crc & 0xFFFFFFFF,
            stated & 0xFFFFFFFF, size & 0xFFFFFFFF, len(member.name), len(member.extra),
        )  # fmt: skip
        if not member.same_place_as:
            places[member.name] = len(out)
            out += b"PK\x03\x04" + about + member.name + member.extra + packed
        directory += b"PK\x01\x02\x14\x00" + about + struct.pack("<HHHII", 0, 0, 0, 0, place)
        directory += member.name + member.extra
        count += 1
    at = len(out) if directory_at is None else directory_at
    length = len(directory) if directory_size is None else directory_size
    out += directory
    if zip64 is not None:
        end = len(out)
        out += b"PK\x06\x06" + struct.pack("<QHHIIQQQQ", 44, 45, 45, 0, 0, zip64[0], *zip64)
        out += b"PK\x06\x07" + struct.pack("<IQI", 0, end, 1)
    count = (count if entries is None else entries) & 0xFFFF
    out += b"PK\x05\x06" + struct.pack(
        "<HHHHIIH", 0, 0, count, count, length & 0xFFFFFFFF, at & 0xFFFFFFFF, len(comment)
    )
    return bytes(out + comment)


def pack(parts: Mapping[str, bytes | None], *, store: bool = False) -> bytes:
    """A package of the parts that are not ``None``, with true headers."""
    return zipped(
        Member(name.encode(), data, method=0 if store else 8)
        for name, data in parts.items()
        if data is not None
    )


# --- .xlsx ---------------------------------------------------------------------------------


@dataclass(frozen=True)
class Raw:
    """XML that stands in a row of cells as it is; ``{at}`` becomes the cell's address."""

    xml: str


def letters(column: int) -> str:
    text, column = "", column + 1
    while column:
        column, rest = divmod(column - 1, 26)
        text = chr(65 + rest) + text
    return text


def row_xml(number: int, cells: Sequence[object], attributes: str = "") -> str:
    said = []
    for column, value in enumerate(cells):
        at = f"{letters(column)}{number}"
        if value is None:
            continue
        if isinstance(value, Raw):
            said.append(value.xml.replace("{at}", at))
        elif isinstance(value, bool):
            said.append(f'<c r="{at}" t="b"><v>{int(value)}</v></c>')
        elif isinstance(value, int | float):
            said.append(f'<c r="{at}"><v>{value!r}</v></c>')
        else:
            text = escape(str(value))
            said.append(
                f'<c r="{at}" t="inlineStr"><is><t xml:space="preserve">{text}</t></is></c>'
            )
    return f'<row r="{number}"{attributes}>{"".join(said)}</row>'


def sheet_xml(rows: Cells, *, before: str = "", after: str = "", inside: str = "") -> bytes:
    """A worksheet; ``before`` and ``after`` stand beside its data, ``inside`` at their end."""
    data = "".join(row_xml(n, cells) for n, cells in enumerate(rows, 1))
    return (
        f'{HEAD}<worksheet xmlns="{MAIN}" xmlns:r="{DOCUMENT}">{before}'
        f"<sheetData>{data}{inside}</sheetData>{after}</worksheet>"
    ).encode()


STYLES = (
    f'{HEAD}<styleSheet xmlns="{MAIN}"><numFmts count="2">'
    '<numFmt numFmtId="164" formatCode="0.000"/><numFmt numFmtId="165" formatCode="yyyy-mm-dd"/>'
    '</numFmts><fonts count="1"><font><sz val="11"/><name val="Calibri"/></font></fonts>'
    '<fills count="1"><fill><patternFill patternType="none"/></fill></fills>'
    '<borders count="1"><border/></borders>'
    '<cellStyleXfs count="1"><xf numFmtId="0" fontId="0" fillId="0" borderId="0"/></cellStyleXfs>'
    '<cellXfs count="4"><xf numFmtId="0" fontId="0" fillId="0" borderId="0" xfId="0"/>'
    '<xf numFmtId="164" fontId="0" fillId="0" borderId="0" xfId="0"/>'
    '<xf numFmtId="165" fontId="0" fillId="0" borderId="0" xfId="0"/>'
    '<xf numFmtId="10" fontId="0" fillId="0" borderId="0" xfId="0"/></cellXfs></styleSheet>'
).encode()
"""Styles 0: general, 1: 0.000, 2: a date, 3: 0.00 %."""
FRACTION_STYLE, DATE_STYLE, PERCENT_STYLE = 1, 2, 3


def strings_xml(texts: Iterable[str]) -> bytes:
    items = "".join(f"<si><t>{escape(text)}</t></si>" for text in texts)
    return f'{HEAD}<sst xmlns="{MAIN}">{items}</sst>'.encode()


def xlsx_parts(
    sheets: Sequence[tuple[str, bytes | Cells]] | None = None,
    *,
    states: Mapping[str, str] | None = None,
    strings: Iterable[str] = (),
    settings: str = "",
) -> dict[str, bytes | None]:
    """The parts of a workbook: sheets as (name, rows or XML), ``states`` of those not visible."""
    sheets = [("Switches", SOUND)] if sheets is None else sheets
    named, links, types = [], [], []
    parts: dict[str, bytes | None] = {"[Content_Types].xml": b"", "_rels/.rels": b""}
    for n, (name, content) in enumerate(sheets, 1):
        state = (states or {}).get(name, "visible")
        named.append(f'<sheet name={quoteattr(name)} sheetId="{n}" state="{state}" r:id="rId{n}"/>')
        links.append(
            f'<Relationship Id="rId{n}" Type="{DOCUMENT}/worksheet" '
            f'Target="worksheets/sheet{n}.xml"/>'
        )
        types.append(
            f'<Override PartName="/xl/worksheets/sheet{n}.xml" ContentType="application/vnd.'
            'openxmlformats-officedocument.spreadsheetml.worksheet+xml"/>'
        )
        parts[f"xl/worksheets/sheet{n}.xml"] = (
            content if isinstance(content, bytes) else sheet_xml(content)
        )
    kinds = (("styles", "styles"), ("sharedStrings", "sharedStrings"))
    for kind, file in kinds:
        links.append(f'<Relationship Id="{kind}" Type="{DOCUMENT}/{kind}" Target="{file}.xml"/>')
        types.append(
            f'<Override PartName="/xl/{file}.xml" ContentType="application/vnd.openxmlformats-'
            f'officedocument.spreadsheetml.{kind}+xml"/>'
        )
    parts["[Content_Types].xml"] = (
        f'{HEAD}<Types xmlns="{PACKAGE}/content-types">'
        '<Default Extension="rels" ContentType="application/vnd.openxmlformats-package.'
        'relationships+xml"/><Default Extension="xml" ContentType="application/xml"/>'
        '<Override PartName="/xl/workbook.xml" ContentType="application/vnd.openxmlformats-'
        f'officedocument.spreadsheetml.sheet.main+xml"/>{"".join(types)}</Types>'
    ).encode()
    parts["_rels/.rels"] = links_xml(
        f'<Relationship Id="rId1" Type="{DOCUMENT}/officeDocument" Target="xl/workbook.xml"/>'
    )
    parts["xl/workbook.xml"] = (
        f'{HEAD}<workbook xmlns="{MAIN}" xmlns:r="{DOCUMENT}">{settings}'
        f"<sheets>{''.join(named)}</sheets></workbook>"
    ).encode()
    parts["xl/_rels/workbook.xml.rels"] = links_xml("".join(links))
    parts["xl/styles.xml"] = STYLES
    parts["xl/sharedStrings.xml"] = strings_xml(strings)
    return parts


def links_xml(links: str) -> bytes:
    return f'{HEAD}<Relationships xmlns="{PACKAGE}/relationships">{links}</Relationships>'.encode()


SOUND: list[list[object]] = [
    ["Tag", "Set point", "Unit", "Range", "Last calibration"],
    ["PSL-1101", 2.5, "bar", "0-10 bar", Raw('<c r="{at}" s="2"><v>45000</v></c>')],
    ["PSH-1102", "4,2", "bar", "0-16 bar", "2025-03-14"],
]
"""A small register: a tag, a number, a unit, a range, a date; the header in the first row."""


def xlsx(
    rows: Cells | None = None,
    *,
    replace: Mapping[str, bytes | None] | None = None,
    store: bool = False,
) -> bytes:
    """A workbook of one sheet, some of its parts replaced (``None``: left out)."""
    parts = xlsx_parts(None if rows is None else [("Switches", rows)])
    return pack(parts | dict(replace or {}), store=store)


# --- .ods ----------------------------------------------------------------------------------

_ODS = "urn:oasis:names:tc:opendocument:xmlns"
SPREADSHEET = "application/vnd.oasis.opendocument.spreadsheet"


def ods_cell(value: object) -> str:
    if isinstance(value, Raw):
        return value.xml
    if value is None:
        return "<table:table-cell/>"
    if isinstance(value, int | float):
        return (
            f'<table:table-cell office:value-type="float" office:value="{value}">'
            f"<text:p>{value}</text:p></table:table-cell>"
        )
    return (
        f'<table:table-cell office:value-type="string"><text:p>{escape(str(value))}</text:p>'
        "</table:table-cell>"
    )


ODS_SOUND: list[list[object]] = [
    ["Tag", "Set point", "Unit", "Last calibration"],
    [
        "PSL-1101", 2.5, "bar",
        Raw('<table:table-cell office:value-type="date" office:date-value="2025-03-14">'
            "<text:p>14.03.2025</text:p></table:table-cell>"),
    ],
]  # fmt: skip


def ods_content(rows: Cells | str, *, before: str = "", name: str = "Switches") -> bytes:
    """content.xml of one sheet; ``rows`` may be the XML of the rows."""
    if not isinstance(rows, str):
        rows = "".join(
            f"<table:table-row>{''.join(map(ods_cell, cells))}</table:table-row>" for cells in rows
        )
    return (
        f'{HEAD}<office:document-content xmlns:office="{_ODS}:office:1.0" '
        f'xmlns:table="{_ODS}:table:1.0" xmlns:text="{_ODS}:text:1.0" '
        f'xmlns:style="{_ODS}:style:1.0" office:version="1.3">{before}<office:body>'
        f"<office:spreadsheet><table:table table:name={quoteattr(name)}>{rows}</table:table>"
        "</office:spreadsheet></office:body></office:document-content>"
    ).encode()


def ods(
    rows: Cells | str | None = None,
    *,
    replace: Mapping[str, bytes | None] | None = None,
    store: bool = False,
    **how: str,
) -> bytes:
    """A workbook of one sheet, some of its parts replaced."""
    parts: dict[str, bytes | None] = {
        "mimetype": SPREADSHEET.encode(),
        "META-INF/manifest.xml": (
            f'{HEAD}<manifest:manifest xmlns:manifest="{_ODS}:manifest:1.0">'
            f'<manifest:file-entry manifest:full-path="/" manifest:media-type="{SPREADSHEET}"/>'
            "</manifest:manifest>"
        ).encode(),
        "content.xml": ods_content(ODS_SOUND if rows is None else rows, **how),
    }
    return pack(parts | dict(replace or {}), store=store)


# --- .xls ([MS-XLS] 2.4 records, [MS-CFB] 2.2 and 2.6, from memory) --------------------------

FREE, END, FAT_SECTOR = 0xFFFFFFFF, 0xFFFFFFFE, 0xFFFFFFFD


def record(kind: int, data: bytes = b"") -> bytes:
    return struct.pack("<HH", kind, len(data)) + data


def text16(text: str, length: str = "<H") -> bytes:
    return struct.pack(length + "B", len(text), 1) + text.encode("utf-16-le")


def xls_cell(row: int, column: int, value: object) -> bytes:
    place = struct.pack("<HHH", row, column, 0)
    if isinstance(value, bytes):
        return value
    if isinstance(value, bool):
        return record(0x205, place + bytes((value, 0)))
    if isinstance(value, int | float):
        return record(0x203, place + struct.pack("<d", value))
    return record(0x204, place + text16(str(value)))


def xls_sheet(cells: Iterable[bytes], before: bytes = b"") -> bytes:
    begin = record(0x809, struct.pack("<HHHHII", 0x600, 0x10, 0, 0, 0, 0))
    return begin + before + b"".join(cells) + record(0x0A)


def xls_stream(
    sheets: Sequence[tuple[str, bytes]], before: bytes = b"", states: Sequence[int] = ()
) -> bytes:
    """The stream of a workbook: its globals with the one style of all cells, then its sheets."""
    begin = record(0x809, struct.pack("<HHHHII", 0x600, 0x05, 0, 0, 0, 0)) + before
    begin += record(0xE0, bytes(20))
    names = [text16(name, "<B") for name, _ in sheets]
    size = len(begin) + sum(10 + len(name) for name in names) + 4
    globals_ = begin
    for n, (name, (_, content)) in enumerate(zip(names, sheets, strict=True)):
        state = states[n] if n < len(states) else 0
        globals_ += record(0x85, struct.pack("<IBB", size, state, 0) + name)
        size += len(content)
    return globals_ + record(0x0A) + b"".join(content for _, content in sheets)


def xls_rows(rows: Cells) -> bytes:
    return xls_sheet(
        xls_cell(r, c, value)
        for r, cells in enumerate(rows)
        for c, value in enumerate(cells)
        if value is not None
    )


XLS_SOUND: list[list[object]] = [
    ["Tag", "Set point", "Unit", "Last calibration"],
    ["PSL-1101", 2.5, "bar", "2025-03-14"],
    ["PSH-1102", 4.2, "bar", 45000],
]


def compound(
    stream: bytes,
    *,
    name: str = "Workbook",
    fat: Mapping[int, int] | None = None,
    header: Mapping[int, bytes] | None = None,
    size: int | None = None,
    others: Sequence[tuple[str, int]] = (),
) -> bytes:
    """A compound file that holds one stream; ``fat`` and ``header`` say what is put wrong.

    Sector 0 is the allocation table (or the first of them), the next the directory, then comes
    the stream. ``others`` are further names in the directory, with their kind.
    """
    stream += b"\0" * max(0, 4096 - len(stream))
    sectors = -(-len(stream) // 512)
    tables = -(-(sectors + 3) // 127)
    first = tables + 1
    table = [FAT_SECTOR] * tables + [END]
    table += [first + n + 1 for n in range(sectors - 1)] + [END]
    table += [FREE] * (tables * 128 - len(table))
    for sector, following in (fat or {}).items():
        table[sector] = following
    entries = b"".join(
        entry(text, kind, child, start, length)
        for text, kind, child, start, length in (
            ("Root Entry", 5, 1, END, 0),
            (name, 2, FREE, first, len(stream) if size is None else size),
            *((text, kind, FREE, END, 0) for text, kind in others[:2]),
        )
    ).ljust(512, b"\0")
    head = bytearray(
        b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1" + bytes(16)
        + struct.pack("<HHHHH6xIIIIIIIII", 0x3E, 3, 0xFFFE, 9, 6, 0, tables, tables, 0, 4096,
                      END, 0, END, 0)
    )  # fmt: skip
    head += struct.pack("<109I", *(list(range(tables)) + [FREE] * 109)[:109])
    for at, data in (header or {}).items():
        head[at : at + len(data)] = data
    return (
        bytes(head)
        + struct.pack(f"<{len(table)}I", *table)
        + entries
        + stream.ljust(sectors * 512, b"\0")
    )


def entry(name: str, kind: int, child: int, start: int, size: int) -> bytes:
    text = name.encode("utf-16-le") + b"\0\0"
    return (
        text.ljust(64, b"\0")
        + struct.pack("<HBBIII", len(text), kind, 1, FREE, FREE, child)
        + bytes(36)
        + struct.pack("<IQ", start, size)
    )


def xls(rows: Cells | None = None) -> bytes:
    """An old workbook of one sheet."""
    return compound(xls_stream([("Switches", xls_rows(XLS_SOUND if rows is None else rows))]))
