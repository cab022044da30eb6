# ruff: noqa: E501 (one bad file on a line)
"""Bad workbooks, by family: what a reader of files must survive, and say in plain words.

For tests only. ``light`` gives several hundred small files in a few seconds; ``heavy`` a dozen
that try to take memory or time. Each says what a reader must make of it:

- ``REFUSED``: it cannot be read, and the problem says why and what to do;
- ``NOTED``: it is read, and at least one problem (or a cell that is marked broken) names a place;
- ``READ``: it is strange, but holds nothing wrong;
- ``EITHER``: damaged at random: read or refused, but never an exception.
"""

from __future__ import annotations

import random
import struct
import zlib
from collections.abc import Iterator
from dataclasses import dataclass
from enum import Enum

from bad_files import (
    DATE_STYLE,
    DOCUMENT,
    END,
    FRACTION_STYLE,
    HEAD,
    MAIN,
    ODS_SOUND,
    PERCENT_STYLE,
    SOUND,
    STYLES,
    XLS_SOUND,
    Member,
    Raw,
    compound,
    deflated,
    links_xml,
    ods,
    ods_content,
    pack,
    record,
    sheet_xml,
    strings_xml,
    text16,
    xls,
    xls_cell,
    xls_rows,
    xls_sheet,
    xls_stream,
    xlsx,
    xlsx_parts,
    zipped,
)


class Expect(Enum):
    REFUSED = "refused"
    NOTED = "noted"
    READ = "read"
    EITHER = "either"


REFUSED, NOTED, READ, EITHER = Expect


@dataclass(frozen=True)
class Bad:
    """One bad file; ``says`` is a pattern that one of its problems (or broken cells) matches."""

    family: str
    name: str
    content: bytes
    expect: Expect = REFUSED
    says: str = ""


Files = Iterator[Bad]


def _file(
    family: str, label: str, suffix: str, content: bytes, expect: Expect = REFUSED, says: str = ""
) -> Bad:
    return Bad(family, f"{family}-{label}.{suffix}", content, expect, says)


# --- damaged on the way ---------------------------------------------------------------------


def cut_short() -> Files:
    """Cut off somewhere: a copy that was interrupted."""
    for suffix, whole, steps in (
        ("xlsx", xlsx(), 34), ("ods", ods(), 16), ("xls", xls(), 16)
    ):  # fmt: skip
        for step in range(1, steps):
            at = len(whole) * step // steps
            # the cells of an old workbook stand before the end of their last sector
            expect = EITHER if suffix == "xls" else REFUSED
            yield _file("cut-short", f"{suffix}-{at}", suffix, whole[:at], expect)
    whole = xlsx()
    for kept in (4, 22, 30, len(whole) - 1, len(whole) - 21):
        yield _file("cut-short", f"first-{kept}", "xlsx", whole[:kept])
    yield _file("cut-short", "no-start", "xlsx", b"PK" + whole[40:], EITHER)
    yield _file("cut-short", "twice", "xlsx", whole + whole, EITHER)
    yield _file("cut-short", "tail", "xlsx", whole + b"\0" * 70_000, REFUSED)


def flipped() -> Files:
    """Some bytes wrong: a bad disk. The same files each time, as the seed is fixed."""
    chance = random.Random(20261125)
    for suffix, whole, count in (
        ("xlsx", xlsx(), 25), ("ods", ods(), 15), ("xls", xls(), 25)
    ):  # fmt: skip
        for n in range(count):
            data = bytearray(whole)
            for _ in range(1 + n % 4):
                # the first bytes say what kind of file it is, and are another family
                data[chance.randrange(8, len(data))] ^= 1 << chance.randrange(8)
            yield _file("flipped", f"{suffix}-{n}", suffix, bytes(data), EITHER)
    # the same inside the parts, so that the checksums of the package are right
    for n in range(45):
        parts = xlsx_parts()
        name = sorted(parts)[n % len(parts)]
        part = bytearray(parts[name] or b"")
        for _ in range(1 + n % 3):
            part[chance.randrange(len(part))] = chance.randrange(256)
        yield _file("flipped", f"part-{n}", "xlsx", pack(parts | {name: bytes(part)}), EITHER)
    for n in range(15):
        part = bytearray(ods_content(ODS_SOUND))
        part[chance.randrange(len(part))] = chance.randrange(256)
        yield _file(
            "flipped", f"content-{n}", "ods", ods(replace={"content.xml": bytes(part)}), EITHER
        )


# --- packages that lie ----------------------------------------------------------------------


def members(**changes: Member) -> list[Member]:
    """The members of a sound package; keywords replace a part by the last word of its name."""
    found = []
    for name, data in xlsx_parts().items():
        short = name.rpartition("/")[2].removesuffix(".xml")
        found.append(changes.get(short) or Member(name.encode(), data or b""))
    return found


def lying_packages() -> Files:
    """Headers of the package that say what is not so."""
    family = "lying-packages"
    sheet = xlsx_parts()["xl/worksheets/sheet1.xml"] or b""
    place = b"xl/worksheets/sheet1.xml"

    def one(label: str, member: Member, expect: Expect = EITHER, says: str = "") -> Bad:
        return _file(family, label, "xlsx", zipped(members(sheet1=member)), expect, says)

    yield one("size-too-small", Member(place, sheet, size=100), NOTED, "damaged")
    yield one("size-too-large", Member(place, sheet, size=len(sheet) + 100))
    yield one("size-nothing", Member(place, sheet, size=0), NOTED)
    yield one("size-2-gib", Member(place, sheet, size=2**31), REFUSED, "too large")
    yield one("size-4-gib", Member(place, sheet, size=2**32 - 1))
    yield one("packed-too-small", Member(place, sheet, packed_size=10), NOTED)
    yield one("packed-too-large", Member(place, sheet, packed_size=10**6))
    yield one("crc-wrong", Member(place, sheet, crc=1), NOTED, "damaged")
    yield one("encrypted", Member(place, sheet, flags=1), REFUSED, "password")
    yield one("encrypted-strongly", Member(place, sheet, flags=0x41), REFUSED, "password")
    yield one("patched", Member(place, sheet, flags=0x20))
    yield one("names-in-utf-8", Member(place, sheet, flags=0x800), READ)
    for method in (1, 6, 9, 12, 14, 20, 95, 99, 0xFFFF):
        yield one(f"method-{method}", Member(place, sheet, packed=sheet, method=method), NOTED)
    yield one("not-deflated", Member(place, sheet, packed=b"\xff" * 200), NOTED)
    yield one("deflate-ends-early", Member(place, sheet, packed=deflated(sheet)[:50]), NOTED)
    yield one("extra-broken", Member(place, sheet, extra=b"\x01\x00\xff\xff"))
    yield one("extra-zip64-short", Member(place, sheet, extra=b"\x01\x00\x04\x00abcd"))
    yield one("name-broken", Member(b"xl/\xff\xfe.xml", sheet, flags=0x800))
    yield one("name-with-nul", Member(b"xl/worksheets/sheet1.xml\0.txt", sheet))
    yield one("name-backslash", Member(b"xl\\worksheets\\sheet1.xml", sheet), NOTED)
    yield one("name-empty", Member(b"", sheet), EITHER)
    yield one("name-outside", Member(b"../../../../tmp/outside.xml", sheet), NOTED)
    yield one("name-absolute", Member(b"/etc/passwd", sheet), NOTED)
    sound = members()
    yield _file(
        family, "overlap", "xlsx",
        zipped([*sound, *(Member(b"xl/o%d.xml" % n, sheet, same_place_as=place)
                          for n in range(50))]),
        EITHER,
    )  # fmt: skip
    yield _file(
        family, "same-name-twice", "xlsx",
        zipped([*sound, Member(place, sheet_xml([["other"]]))]), READ,
    )  # fmt: skip
    yield _file(family, "nothing-in-it", "xlsx", zipped([]))
    yield _file(family, "no-entries-stated", "xlsx", zipped(sound, entries=0), EITHER)
    yield _file(family, "more-entries-stated", "xlsx", zipped(sound, entries=9999), EITHER)
    yield _file(family, "directory-too-long", "xlsx", zipped(sound, directory_size=2**31))
    yield _file(family, "directory-too-short", "xlsx", zipped(sound, directory_size=20))
    yield _file(family, "directory-elsewhere", "xlsx", zipped(sound, directory_at=5), EITHER)
    yield _file(family, "directory-beyond", "xlsx", zipped(sound, directory_at=2**31), EITHER)
    yield _file(family, "zip64-huge", "xlsx", zipped(sound, zip64=(2**40, 2**50, 2**60)))
    yield _file(family, "zip64-negative", "xlsx", zipped(sound, zip64=(2**64 - 1,) * 3))
    yield _file(family, "comment", "xlsx", zipped(sound, comment=b"PK\x05\x06" * 5000), EITHER)
    yield _file(family, "other-zip", "xlsx", zipped([Member(b"readme.txt", b"hello")]))
    inner = zipped([Member(b"xl/workbook.xml", b"<a/>")])
    yield _file(family, "zip-in-zip", "xlsx", zipped([Member(b"[Content_Types].xml", inner)]))
    many = [*sound, *(Member(b"xl/media/%d.png" % n, b"", method=0) for n in range(20_000))]
    yield _file(family, "many-members", "xlsx", zipped(many), REFUSED, "too large")


# --- XML tricks -----------------------------------------------------------------------------

_LAUGHS = "<!DOCTYPE lolz [<!ENTITY a 'ha'>" + "".join(
    f"<!ENTITY {chr(98 + n)} '{f'&{chr(97 + n)};' * 10}'>" for n in range(9)
)


def xml_tricks() -> Files:
    """What XML allows and a workbook does not need, or what no parser may believe."""
    family = "xml-tricks"

    def sheet(label: str, xml: str | bytes, expect: Expect = NOTED, says: str = "") -> Bad:
        data = xml if isinstance(xml, bytes) else xml.encode()
        return _file(
            family, label, "xlsx", xlsx(replace={"xl/worksheets/sheet1.xml": data}), expect, says
        )

    body = f'<worksheet xmlns="{MAIN}"><sheetData><row r="1"><c r="A1"><v>&i;</v></c></row>'
    body += "</sheetData></worksheet>"
    laughs = _LAUGHS + "<!ENTITY i '&h;'>]>" + body
    outside = "<!DOCTYPE w [<!ENTITY i SYSTEM 'file:///etc/passwd'>]>" + body
    network = "<!DOCTYPE w [<!ENTITY i SYSTEM 'http://127.0.0.1:9/x'>]>" + body
    parameter = "<!DOCTYPE w [<!ENTITY % p SYSTEM 'file:///etc/passwd'> %p;]>" + body
    plain = body.replace("&i;", "1")
    # doors for entities, in every part that is read
    for part in (
        "xl/worksheets/sheet1.xml", "xl/workbook.xml", "xl/sharedStrings.xml", "xl/styles.xml",
        "_rels/.rels", "xl/_rels/workbook.xml.rels",
    ):  # fmt: skip
        for label, xml in (("laughs", laughs), ("outside", outside)):
            expect = NOTED if "sheet1" in part else REFUSED
            name = f"{label}-{part.replace('/', '-').strip('._')}"
            yield _file(
                family, name, "xlsx", xlsx(replace={part: xml.encode()}), expect, "document type"
            )
    for part in ("content.xml", "META-INF/manifest.xml"):
        for label, xml in (("laughs", laughs), ("outside", outside), ("network", network)):
            name = f"{label}-{part.rpartition('/')[2]}"
            yield _file(
                family, name, "ods", ods(replace={part: xml.encode()}), REFUSED, "document type"
            )
    yield sheet("network", network, NOTED, "document type")
    yield sheet("parameter-entity", parameter, NOTED, "document type")
    yield sheet("dtd-outside", "<!DOCTYPE w SYSTEM 'http://127.0.0.1:9/x.dtd'>" + plain)
    yield sheet("dtd-empty", "<!DOCTYPE worksheet>" + plain, NOTED, "document type")
    yield sheet("laughs-utf-16", laughs.encode("utf-16"), NOTED, "document type")
    yield sheet("entity-unknown", body)
    yield sheet("entity-number-nul", body.replace("&i;", "&#0;"))
    yield sheet("entity-number-high", body.replace("&i;", "&#x110000;"))
    yield sheet("entity-surrogate", body.replace("&i;", "&#xD800;"))
    # encodings
    yield sheet("utf-16", plain.encode("utf-16"), READ)
    for encoding in ("utf-7", "utf-32", "ebcdic-cp-us", "x-no-such", "base64", "rot13", "idna",
                     "unicode_escape", "shift_jis", "gb18030", "\u00fc"):  # fmt: skip
        yield sheet(f"declared-{encoding.encode().hex()[:12]}",
                    f'<?xml version="1.0" encoding="{encoding}"?>{plain}',
                    EITHER if "escape" in encoding else NOTED)  # fmt: skip
    yield sheet("declared-latin", b'<?xml version="1.0" encoding="iso-8859-1"?>'
                + plain.replace(">1<", ' t="str">\u00e9<').encode("latin-1"), EITHER)  # fmt: skip
    yield sheet("not-utf-8", plain.replace(">1<", ">\u00e9<").encode("latin-1"))
    yield sheet("surrogate-bytes", plain.encode().replace(b">1<", b">\xed\xa0\x80<"))
    yield sheet("overlong", plain.encode().replace(b">1<", b">\xc0\xb1<"))
    yield sheet("nul-byte", plain.encode().replace(b">1<", b">1\0<"))
    yield sheet("version-1.1", '<?xml version="1.1"?>' + plain, EITHER)
    yield sheet("version-9", '<?xml version="9"?>' + plain, EITHER)
    # shapes
    yield sheet("empty", b"")
    yield sheet("blank", b"   \n")
    yield sheet("not-xml", b"Tag,Set point\nPSL-1101,2.5\n")
    yield sheet("html", "<!DOCTYPE html><html><body><table><tr><td>1</td></tr></table></body>")
    yield sheet("two-roots", plain + plain)
    yield sheet("text-behind", plain + "hello")
    yield sheet("tags-crossed", plain.replace("</c></row>", "</row></c>"))
    yield sheet("attribute-twice", plain.replace('r="A1"', 'r="A1" r="A2"'))
    yield sheet("deep", "<a>" * 30_000 + "</a>" * 30_000, EITHER)
    yield sheet("deep-open", "<a>" * 30_000)
    yield sheet("deep-rows", plain.replace("<row", "<row>" * 5000 + "<row", 1), EITHER)
    yield sheet("names-many", "<x>" + "".join(f"<n{n}/>" for n in range(20_000)) + "</x>")
    yield sheet("attributes-many", "<x " + " ".join(f"a{n}=''" for n in range(20_000)) + "/>",
                EITHER)  # fmt: skip
    yield sheet("attribute-long", f"<x a='{'y' * 500_000}'/>", EITHER)
    yield sheet("name-long", f"<{'y' * 500_000}/>", EITHER)
    yield sheet("comment-long", plain + f"<!--{'y' * 500_000}-->", READ)
    yield sheet("instruction-long", plain + f"<?p {'y' * 500_000}?>", READ)
    yield sheet("cdata", plain.replace(">1<", "><![CDATA[1]]><"), READ)
    yield sheet("cdata-open", plain.replace(">1<", "><![CDATA[1<"))
    yield sheet("namespace-none", plain.replace(f' xmlns="{MAIN}"', ""), READ)
    yield sheet("namespace-other", plain.replace(MAIN, "urn:other"), READ)
    yield sheet("namespace-strict", plain.replace(
        MAIN, "http://purl.oclc.org/ooxml/spreadsheetml/main"), READ)  # fmt: skip
    yield sheet(
        "prefix-unbound", plain.replace("<row", "<q:row").replace("</row", "</q:row"), EITHER
    )
    yield sheet("xinclude", plain.replace("<sheetData>", '<xi:include xmlns:xi="http://www.w3.org/'
                '2001/XInclude" href="file:///etc/passwd" parse="text"/><sheetData>'), READ)  # fmt: skip
    yield sheet("stylesheet", '<?xml-stylesheet href="http://127.0.0.1:9/x.xsl"?>' + plain, READ)


# --- parts and relationships ----------------------------------------------------------------


def parts() -> Files:
    """Parts that are missing, and relationships that lead nowhere or in circles."""
    family = "parts"
    whole = xlsx_parts()
    for name in whole:
        expect = {
            "xl/styles.xml": REFUSED, "xl/sharedStrings.xml": REFUSED, "_rels/.rels": READ,
            "xl/worksheets/sheet1.xml": NOTED,
        }.get(name, REFUSED)  # fmt: skip
        label = name.replace("/", "-").strip("[]._")
        yield _file(family, f"without-{label}", "xlsx", pack(whole | {name: None}), expect)
        if "sheet1" not in name:  # that one is among the XML tricks
            yield _file(family, f"empty-{label}", "xlsx", pack(whole | {name: b""}),
                        EITHER if name.startswith("[") else REFUSED)  # fmt: skip
    for name in ("content.xml", "META-INF/manifest.xml", "mimetype"):
        label = name.replace("/", "-")
        yield _file(family, f"without-{label}", "ods", ods(replace={name: None}), EITHER)
        yield _file(family, f"empty-{label}", "ods", ods(replace={name: b""}), EITHER)

    def linked(
        label: str, target: str, expect: Expect = NOTED, more: str = "", mode: str = ""
    ) -> Bad:
        links = (
            f'<Relationship Id="rId1" Type="{DOCUMENT}/worksheet" Target="{target}"{mode}/>{more}'
        )
        return _file(
            family, f"link-{label}", "xlsx",
            xlsx(replace={"xl/_rels/workbook.xml.rels": links_xml(links)}), expect,
        )  # fmt: skip

    yield linked("absolute", "/xl/worksheets/sheet1.xml", READ)
    yield linked("up-and-down", "../xl/worksheets/sheet1.xml", READ)
    yield linked("outside", "../../../../../../etc/passwd")
    yield linked("root", "/etc/passwd")
    yield linked("file-address", "file:///etc/passwd")
    yield linked("web-address", "http://127.0.0.1:9/sheet.xml")
    yield linked("share", "\\\\server\\share\\sheet.xml")
    yield linked("external", "http://127.0.0.1:9/s.xml", REFUSED, mode=' TargetMode="External"')
    yield linked("itself", "workbook.xml", EITHER)
    yield linked("its-links", "_rels/workbook.xml.rels", EITHER)
    yield linked("empty", "")
    yield linked("folder", "worksheets/")
    yield linked("nul", "worksheets/sheet1.xml&#x1;", REFUSED)
    yield linked("long", "a/" * 30_000 + "sheet.xml")
    yield linked("strings-are-sheet", "worksheets/sheet1.xml", EITHER,
                 f'<Relationship Id="s" Type="{DOCUMENT}/sharedStrings" '
                 'Target="worksheets/sheet1.xml"/>')  # fmt: skip
    yield linked("styles-are-sheet", "worksheets/sheet1.xml", EITHER,
                 f'<Relationship Id="s" Type="{DOCUMENT}/styles" '
                 'Target="worksheets/sheet1.xml"/>')  # fmt: skip
    yield linked("twice", "worksheets/sheet1.xml", EITHER,
                 f'<Relationship Id="rId1" Type="{DOCUMENT}/worksheet" Target="other.xml"/>')  # fmt: skip
    for label, target in (
        ("none", ""), ("itself", "_rels/.rels"), ("outside", "../../etc/passwd"),
        ("binary", "xl/workbook.bin"), ("sheet", "xl/worksheets/sheet1.xml"),
        ("document", "word/document.xml"),
    ):  # fmt: skip
        links = f'<Relationship Id="rId1" Type="{DOCUMENT}/officeDocument" Target="{target}"/>'
        yield _file(
            family, f"main-{label}", "xlsx", xlsx(replace={"_rels/.rels": links_xml(links)})
        )
    for label, settings in (
        ("no-sheets", "<sheets/>"),
        ("sheets-thousand", "<sheets>" + "".join(
            f'<sheet name="S{n}" sheetId="{n}" r:id="rId1"/>' for n in range(1000)) + "</sheets>"),
        ("sheet-no-link", '<sheets><sheet name="Switches" sheetId="1"/></sheets>'),
        ("sheet-no-name", '<sheets><sheet sheetId="1" r:id="rId7"/></sheets>'),
    ):  # fmt: skip
        workbook = f'{HEAD}<workbook xmlns="{MAIN}" xmlns:r="{DOCUMENT}">{settings}</workbook>'
        yield _file(family, label, "xlsx", xlsx(replace={"xl/workbook.xml": workbook.encode()}))
    chart = (
        f'<Relationship Id="rId1" Type="{DOCUMENT}/chartsheet" Target="chartsheets/sheet1.xml"/>'
    )
    yield _file(
        family, "chart-only", "xlsx",
        xlsx(replace={"xl/_rels/workbook.xml.rels": links_xml(chart),
                      "xl/chartsheets/sheet1.xml": b"<chartsheet/>"}),
        REFUSED, "no sheet",
    )  # fmt: skip
    mixed = xlsx_parts([("Switches", SOUND), ("Chart", b"<chartsheet/>")])
    links = (mixed["xl/_rels/workbook.xml.rels"] or b"").replace(
        b'/worksheet" Target="worksheets/sheet2', b'/chartsheet" Target="worksheets/sheet2'
    )
    yield _file(
        family, "chart-beside", "xlsx", pack(mixed | {"xl/_rels/workbook.xml.rels": links}), READ
    )
    extra: dict[str, bytes | None] = {
        "xl/vbaProject.bin": b"\xd0\xcf\x11\xe0" + b"macro" * 50,
        "xl/externalLinks/externalLink1.xml": b"<externalLink><externalBook/></externalLink>",
        "xl/connections.xml": b"<connections><connection odbc='x'/></connections>",
        "xl/embeddings/oleObject1.bin": b"MZ\x90\0" * 100,
        "customXml/item1.xml": laughs_part(),
    }
    yield _file(family, "macros", "xlsm", xlsx(replace=extra), READ)
    yield _file(family, "external-data", "xlsx", xlsx(replace=extra | {"a": b"b"}), READ)


def laughs_part() -> bytes:
    """Entities in a part that no reader opens."""
    return (_LAUGHS + "]><x>&i;</x>").encode()


# --- cells ----------------------------------------------------------------------------------


def _cell(label: str, xml: str, expect: Expect = NOTED, says: str = "", **more: bytes) -> Bad:
    rows = [*SOUND, ["PSL-1103", Raw(xml), "bar", "0-10 bar", "2025-03-14"]]
    replace = {f"xl/{name}.xml": data for name, data in more.items()}
    return _file("cells", label, "xlsx", xlsx(rows, replace=replace), expect, says)


def _value(value: str, more: str = "") -> str:
    return f'<c r="{{at}}"{more}><v>{value}</v></c>'


def cells() -> Files:
    """Values of the wrong kind in a cell that should hold a number."""
    for value in ("NaN", "nan", "sNaN", "INF", "-INF", "Infinity", "1e999", "-1e999", "1e308",
                  "1e-999", "1e99999999999999999999", "0x10", "1,5", "1.5.2", "1 5", "--1", "1e",
                  "+", ".", "1/3", "#REF!", "true", "'1", "=1+1", "9" * 400,
                  "1" * 30_000, "\u221e"):  # fmt: skip
        label = "".join(c if c.isalnum() else f"_{ord(c):x}" for c in value[:12]) + f"-{len(value)}"
        yield _cell(f"number-{label}", _value(value))
    for value in ("1_000", "\u0661\u0662", "\uff11\uff12", " 2.5 ", "+2.5", "2.", ".5", "-0",
                  "0.1000000000000000055511151231257827", "00002.5"):  # fmt: skip
        label = "".join(c if c.isalnum() and c.isascii() else f"_{ord(c):x}" for c in value[:12])
        yield _cell(f"odd-number-{label}", _value(value), EITHER)
    for error in ("#REF!", "#DIV/0!", "#N/A", "#NAME?", "#NULL!", "#NUM!", "#VALUE!",
                  "#GETTING_DATA", "#SPILL!", "x" * 5000):  # fmt: skip
        label = "".join(c for c in error[:12] if c.isalnum())
        yield _cell(f"error-{label}", _value(error, ' t="e"'), NOTED, "error")
    for index in ("0", "-1", "1", "99999999", "1e3", "x", "", "1.0", "\u0661", "9" * 300):
        label = f"{index[:8]}-{len(index)}" if index.isascii() else "arabic"
        yield _cell(f"string-index-{label}", _value(index, ' t="s"'),
                    EITHER if index == "" else NOTED)  # fmt: skip
    for style in ("99", "-1", "x", "4294967296", "9" * 300, "\u0661"):
        label = style[:8] if style.isascii() else "arabic"
        yield _cell(f"style-{label}", _value("2.5", f' s="{style}"'), READ)
    for kind in ("x", "S", "", "number", "z" * 5000):
        yield _cell(f"kind-{kind[:8]}", _value("2.5", f' t="{kind}"'), EITHER)
    yield _cell("bool-5", _value("5", ' t="b"'), EITHER)
    yield _cell("bool-x", _value("x", ' t="b"'), EITHER)
    for label, address in (
        ("zero", "A0"), ("none", ""), ("lower", "b4"), ("dollar", "$B$4"), ("row-only", "4"),
        ("column-only", "B"), ("far-row", "B99999999"), ("far-column", "ABCDEF4"),
        ("words", "somewhere"), ("negative", "B-4"), ("long", "B" * 40_000 + "4"),
        ("unicode", "\u00c44"), ("nul", "B4&#x9;"), ("range", "B4:B5"), ("sheet", "X!B4"),
        ("other-row", "B2"),
    ):  # fmt: skip
        yield _cell(f"address-{label}", f'<c r="{address}"><v>2.5</v></c>', EITHER)
    yield _cell("address-last", '<c r="XFD4"><v>2.5</v></c>', NOTED, "column")
    yield _cell("twice", '<c r="{at}"><v>1</v></c><c r="{at}"><v>2</v></c>', READ)
    yield _cell("backwards", '<c r="D4"><v>1</v></c><c r="B4"><v>2</v></c>', READ)
    yield _cell("in-cell", '<c r="{at}"><c r="{at}"><v>1</v></c></c>', EITHER)
    yield _cell("two-values", '<c r="{at}"><v>1</v><v>2</v></c>', EITHER)
    yield _cell("no-value", '<c r="{at}" t="n"/>', READ)
    yield _cell("no-value-string", '<c r="{at}" t="s"/>', READ)
    yield _cell("value-with-tags", '<c r="{at}"><v><b>2</b></v></c>', EITHER)
    long = "long " * 8000
    yield _cell("text-long", f'<c r="{{at}}" t="inlineStr"><is><t>{long}</t></is></c>', READ)
    yield _cell("rich", '<c r="{at}" t="inlineStr"><is><r><t>2</t></r><r><rPr><b/></rPr>'
                '<t>.5</t></r><rPh sb="0" eb="1"><t>x</t></rPh></is></c>', READ)  # fmt: skip
    yield _cell("date-iso", _value("2025-03-14", ' t="d"'), READ)
    for text in ("2025-13-01", "yesterday", "", "2025", "0000-00-00", "10000-01-01", "T10:00"):
        yield _cell(f"date-iso-{text}", _value(text, ' t="d"'), EITHER if not text else NOTED)
    for number in ("-1", "0", "60", "2958466", "1e10", "1e300", "1e-300", "99999999999999",
                   "NaN", "0.5"):  # fmt: skip
        yield _cell(f"date-{number}", _value(number, f' s="{DATE_STYLE}"'))
    for number in ("1", "59", "61", "2958465", "2958465.999999", "45000.99999999999"):
        yield _cell(f"date-edge-{number}", _value(number, f' s="{DATE_STYLE}"'), READ)
    yield _cell("per-cent-huge", _value("1e30", f' s="{PERCENT_STYLE}"'), READ)
    yield _cell("per-cent-tiny", _value("1e-30", f' s="{PERCENT_STYLE}"'), READ)
    yield _cell("fraction-huge", _value("1e30", f' s="{FRACTION_STYLE}"'), READ)
    for label, code in (
        ("brackets", "[" * 100_000), ("quotes", '"' * 99_999), ("zeros", "0." + "0" * 100_000),
        ("backslash", "\\" * 99_999), ("under", "_ " * 50_000), ("empty", ""),
        ("semicolons", ";" * 100_000), ("dates", "yyyy-mm-dd" * 9000), ("spaces", "0" + " " * 60_000 + "x"),
    ):  # fmt: skip
        style = STYLES.replace(b"0.000", code.replace('"', "&quot;").encode(), 1)
        yield _cell(f"format-{label}", _value("2.5", ' s="1"'), EITHER, styles=style)
    odd = STYLES.replace(b'<xf numFmtId="164"', b'<xf numFmtId="-7"')
    yield _cell("format-unknown", _value("2.5", ' s="1"'), READ, styles=odd)
    texts = strings_xml(["x"]).replace(b"<t>x</t>", b"<t>2</t><rPh><t>y</t></rPh><r><t>.5</t></r>")
    yield _cell("shared-rich", _value("0", ' t="s"'), READ, sharedStrings=texts)
    texts = strings_xml(["x"]).replace(b"<si>", b"<si><si>").replace(b"</si>", b"</si></si>")
    yield _cell("shared-nested", _value("0", ' t="s"'), EITHER, sharedStrings=texts)


# --- formulas -------------------------------------------------------------------------------

INJECTIONS = (
    "=cmd|' /C calc'!A0", "=HYPERLINK(\"http://127.0.0.1:9/?\"&A1,\"click\")", "+1+1", "-2+3",
    "@SUM(A1:A9)", "\t=1+1", "\r=1+1", "=WEBSERVICE(\"http://127.0.0.1:9/\")",
    "=IMPORTXML(\"http://127.0.0.1:9/\",\"//a\")", "-cmd|' /C calc'!A0", "=DDE(\"cmd\";\"/C\";\"x\")",
    "\uff1d1+1", "=1+1\n=2+2", "%0a=1+1", ";=1+1", "\"=1+1", "'=1+1", " =1+1", "\u200b=1+1",
)  # fmt: skip
"""Texts that some program runs when it opens a file that holds them."""


def formulas() -> Files:
    """Formulas: without a result, with a wrong one, and texts that turn into one when opened."""
    family = "formulas"
    for n, text in enumerate(INJECTIONS):
        rows = [*SOUND, [text, text, text, text, text]]
        yield _file(family, f"text-{n}", "xlsx", xlsx(rows), READ)
        yield _file(family, f"text-{n}", "ods", ods([*ODS_SOUND, [text] * 4]), READ)
        quoted = '"' + text.replace('"', '""') + '"'
        content = f"Tag,Set point\n{quoted},{quoted}\n".encode()
        yield _file(family, f"text-{n}", "csv", content, EITHER)

    def cell(label: str, xml: str, expect: Expect = NOTED, says: str = "") -> Bad:
        rows = [*SOUND, ["PSL-1103", Raw(xml), "bar"]]
        return _file(family, label, "xlsx", xlsx(rows), expect, says)

    yield cell("no-result", '<c r="{at}"><f>A1+1</f></c>', NOTED, "no stored result")
    yield cell("empty-result", '<c r="{at}"><f>A1+1</f><v></v></c>', NOTED, "no stored result")
    yield cell("text-result", '<c r="{at}" t="str"><f>A1</f><v>x</v></c>', READ)
    yield cell("error-result", '<c r="{at}" t="e"><f>1/0</f><v>#DIV/0!</v></c>', NOTED, "error")
    yield cell("nan-result", '<c r="{at}"><f>A1</f><v>NaN</v></c>')
    yield cell("number-result", '<c r="{at}"><f>1+1.5</f><v>2.5</v></c>', READ)
    yield cell("shared", '<c r="{at}"><f t="shared" si="99"/><v>2.5</v></c>', READ)
    yield cell("shared-no-result", '<c r="{at}"><f t="shared" si="-5"/></c>')
    yield cell("array", '<c r="{at}"><f t="array" ref="A1:XFD1048576">1</f><v>2</v></c>', READ)
    yield cell("table", '<c r="{at}"><f t="dataTable" ref="x" r1="y" r2="z"/><v>2</v></c>', READ)
    yield cell("circle", '<c r="{at}"><f>B4</f><v>0</v></c>', READ)
    yield cell("long", f'<c r="{{at}}"><f>{"1+" * 50_000}1</f></c>')
    yield cell("deep", f'<c r="{{at}}"><f>{"(" * 20_000}1{")" * 20_000}</f><v>1</v></c>', READ)
    yield cell("external", '<c r="{at}"><f>[1]Sheet!A1</f><v>2</v></c>', READ)
    formula = '<table:table-cell table:formula="of:=1+1" {}>{}</table:table-cell>'
    for label, given, shown, expect in (
        ("no-result", "", "", NOTED),
        ("error", 'office:value-type="string"', "<text:p>#REF!</text:p>", NOTED),
        ("number", 'office:value-type="float" office:value="2"', "<text:p>2</text:p>", READ),
        ("dde", 'office:value-type="float" office:value="x"', "", NOTED),
    ):
        rows = [*ODS_SOUND, ["PSL-1103", Raw(formula.format(given, shown)), "bar"]]
        yield _file(family, f"formula-{label}", "ods", ods(rows), expect)


# --- sheets ---------------------------------------------------------------------------------


def sheets() -> Files:
    """Sheets with strange names and states, and merged areas that cannot be."""
    family = "sheets"

    def named(label: str, *names: str, expect: Expect = READ, **states: str) -> Bad:
        made = xlsx_parts([(name, SOUND) for name in names], states=states)
        return _file(family, f"name-{label}", "xlsx", pack(made), expect)

    yield named("same", "Switches", "Switches", expect=EITHER)
    yield named("same-but-capitals", "Switches", "SWITCHES", expect=EITHER)
    for label, name in (
        ("empty", ""), ("quote", "It's"), ("quotes", "'Switches'"), ("bang", "A!B1"),
        ("outside", "../../etc/passwd"), ("absolute", "/etc/passwd"), ("backslash", "a\\b"),
        ("right-to-left", "\u202egpj.exe"), ("marks", "\u200e\u200f\u2066Switches"),
        ("no-width", "\u200b"), ("combining", "a" + "\u0301" * 500), ("long", "x" * 5000),
        ("tab", "a\tb"), ("line-break", "a\nb"), ("markup", "<b>&amp;</b>"), ("emoji", "\U0001f600"),
        ("formula", "=1+1"), ("braces", "{0.__class__}"), ("per-cent", "%s%n"), ("bracket", "[red]x"),
        ("not-a-character", "\ufffd\ufdd0"), ("blank", "   "),
    ):  # fmt: skip
        yield named(label, name)
        yield _file(family, f"name-{label}", "ods", ods(name=name), READ)
    for state in ("hidden", "veryHidden", "nonsense", ""):
        yield named(f"state-{state}", "Switches", "Other", Switches=state)
    yield named("all-hidden", "A", "B", A="hidden", B="veryHidden")

    def merged(label: str, *areas: str, expect: Expect = READ) -> Bad:
        xml = "".join(f'<mergeCell ref="{area}"/>' for area in areas)
        data = sheet_xml(SOUND, after=f'<mergeCells count="1">{xml}</mergeCells>')
        return _file(
            family, f"merged-{label}", "xlsx", xlsx(replace={"xl/worksheets/sheet1.xml": data}),
            expect,
        )  # fmt: skip

    yield merged("everything", "A1:XFD1048576")
    yield merged("overlapping", "A1:C3", "B2:D4", "A1:C3")
    yield merged("backwards", "C3:A1")
    yield merged("one-cell", "A1:A1", "B2")
    yield merged("nonsense", "", ":", "A1:", "x", "A0:B0", "A1:B2:C3", "$A$1:$B$2", "1:1", "A:A")
    yield merged("beyond", "ZZZ9999999:ZZZ9999999")
    yield merged("many", *(f"A{n}:B{n}" for n in range(1, 30_001)), expect=NOTED)
    hidden = "".join(f'<col min="{n}" max="16384" hidden="1"/>' for n in range(1, 5))
    hidden += '<col min="-5" max="9999999999" hidden="1"/><col min="x" max="" hidden="1"/>'
    data = sheet_xml(SOUND, before=f"<cols>{hidden}</cols>")
    yield _file(family, "columns-hidden", "xlsx",
                xlsx(replace={"xl/worksheets/sheet1.xml": data}), READ)  # fmt: skip
    for label, number in (("0", "0"), ("negative", "-3"), ("text", "x"), ("huge", "1048577"),
                          ("enormous", "9" * 30), ("backwards", "1"), ("arabic", "\u0664")):  # fmt: skip
        data = sheet_xml(SOUND, inside=f'<row r="{number}"><c><v>1</v></c></row>')
        yield _file(family, f"row-{label}", "xlsx",
                    xlsx(replace={"xl/worksheets/sheet1.xml": data}), EITHER)  # fmt: skip
    for size in ("A1:XFD1048576", "A1:A1", "x", "", "A0", "A1:XFD99999999"):
        data = sheet_xml(SOUND, before=f'<dimension ref="{size}"/>')
        yield _file(family, f"size-{size.replace(':', '-')}", "xlsx",
                    xlsx(replace={"xl/worksheets/sheet1.xml": data}), READ)  # fmt: skip
    yield _file(family, "no-rows", "xlsx", xlsx([]), READ)
    spaces: list[list[object]] = [[" ", "\u00a0", "\u200b"], ["", "\t", "\n"]]
    yield _file(family, "blanks-only", "xlsx", xlsx(spaces), READ)
    epoch = xlsx_parts(settings='<workbookPr date1904="maybe"/>')
    yield _file(family, "epoch-unknown", "xlsx", pack(epoch), READ)


# --- headers and texts ------------------------------------------------------------------------


def texts() -> Files:
    """Headers that are no headers, and texts that are no words; sound as files."""
    family = "texts"
    body: list[object] = ["PSL-1101", 2.5, "bar", "0-10 bar", "2025-03-14"]
    for label, header in (
        ("twice", ["Tag", "Tag", "Tag", "Unit", "Unit"]),
        ("empty", [None] * 5),
        ("blank", [" ", "\u00a0", "\u200b", "\t", "\n"]),
        ("numbers", [1, 2, 3, 4, 5]),
        ("true", [True, False, True, False, True]),
        ("long", ["x" * 10_000] * 5),
        ("combining", ["T\u0301" * 3000] * 5),
        ("invisible", ["T\u200bag", "\ufeffSet point", "Un\u00adit", "Range\u2060", "\u202eDate"]),
        ("wide", ["\uff34\uff41\uff47", "\uff33\uff45\uff54", "U", "R", "D"]),
        ("lines", ["Tag\nof\nthe\nswitch", "Set\r\npoint", "Unit\n", "\nRange", "Date"]),
        ("too-many", [f"Column {n}" for n in range(390)]),
    ):
        rows: list[list[object]] = [list(header), body]
        yield _file(family, f"header-{label}", "xlsx", xlsx(rows), READ)
        yield _file(family, f"header-{label}", "ods", ods(rows), EITHER)
    wide: list[list[object]] = [[f"Column {n}" for n in range(10_000)], body]
    yield _file(family, "header-10000", "xlsx", xlsx(wide), NOTED, "column")
    yield _file(family, "header-10000", "ods", ods(wide), NOTED, "column")
    line = ",".join(f"Column {n}" for n in range(10_000))
    yield _file(family, "header-10000", "csv", f"{line}\n1,2\n".encode(), NOTED, "cells")
    for label, text in (
        ("no-break", "PSL\u00a01101"), ("zero-width", "PSL\u200b-\u200d1101"),
        ("combining", "PSL-1101" + "\u0301" * 200), ("long", "P" * 10_000),
        ("right-to-left", "\u202e1011-LSP\u202c"), ("hyphens", "PSL\u20111101\u2013A"),
        ("lookalike", "\u0420SL-1101"), ("unit-nonsense", "2.5 bananas"),
        ("units", "2.5 bar psi kPa"), ("range-backwards", "10-0 bar"), ("range-one", "10 bar"),
        ("range-many", "0-10-20-30 bar"), ("range-negative", "-5--10 bar"),
        ("tolerance", "+/-+/-2 %%"), ("digits", "1 " * 10_000), ("points", "1." * 10_000),
        ("signs", "+-" * 10_000), ("dashes", "- " * 10_000), ("spaces", " " * 30_000 + "x"),
        ("lines", "\n \n" * 9000), ("dates", "01/02/" * 4000), ("zeros", "0" * 20_000 + "x"),
        ("letters", "a" * 20_000), ("commas", "1,234" * 4000), ("quotes", "'\"`" * 5000),
        ("mixed", "1 a " * 8000), ("slashes", "1/" * 10_000), ("per-cent", "%" * 10_000),
    ):  # fmt: skip
        yield _file(family, f"all-{label}", "xlsx", xlsx([*SOUND, [text] * 5]), READ)


# --- CSV ------------------------------------------------------------------------------------


def csv_files() -> Files:
    """Text files that are no tables."""
    family = "csv"
    plain = "Tag;Set point;Unit\nPSL-1101;2,5;bar\nPSH-1102;4,2;bar\n"
    for label, data, expect in (
        ("empty", b"", REFUSED),
        ("one-byte", b"x", READ),
        ("bom-only", b"\xef\xbb\xbf", EITHER),
        ("bom-utf-16-only", b"\xff\xfe", EITHER),
        ("bom-utf-16-odd", b"\xff\xfea", REFUSED),
        ("bom-wrong", b"\xef\xbb\xbf" + plain.encode("utf-16-le"), EITHER),
        ("bom-twice", b"\xef\xbb\xbf\xef\xbb\xbf" + plain.encode(), READ),
        ("bom-utf-8-bytes-latin", b"\xef\xbb\xbf" + "Pr\u00fcfer;x\n".encode("latin-1"), REFUSED),
        ("utf-32", plain.encode("utf-32"), EITHER),
        ("utf-16-no-bom", plain.encode("utf-16-le"), READ),
        ("utf-16-big", b"\xfe\xff" + plain.encode("utf-16-be"), READ),
        ("utf-16-surrogate", b"\xff\xfe\x00\xd8;\x00", REFUSED),
        ("nul", b"Tag,Set point\nPSL\x00-1101,2.5\n", REFUSED),
        ("nul-late", b"Tag,Set point\n" + b"PSL-1,2.5\n" * 600 + b"PSL\x00,2\n", REFUSED),
        ("nul-only", bytes(5000), REFUSED),
        ("binary", bytes(range(256)) * 20, REFUSED),
        ("random", random.Random(1).randbytes(20_000), REFUSED),
        ("control", b"Tag,Set\nPSL\x01\x02\x1b[31m,2.5\n", EITHER),
        ("escape", b"Tag\x1b]0;title\x07,Set point\nPSL-1,2\n", EITHER),
        ("delete", b"Tag,Set\x7f\nPSL-1,\x7f\n", EITHER),
        ("mixed", "Pr\u00fcfer;1\n".encode() + "Pr\u00fcfer;2\n".encode("latin-1"), READ),
        ("quote-open", b'Tag,Set point\n"PSL-1101,2.5\nPSH-1102,4.2\n', NOTED),
        ("quote-open-long", b'Tag,Set\n"' + b"PSL-1101,2.5\n" * 20_000, NOTED),
        ("quote-inside", b'Tag,Set point\nPS"L-1101,"2.5" x\n', READ),
        ("quotes-only", b'"' * 9999, EITHER),
        ("quotes-even", b'"' * 300_000, EITHER),
        ("ragged", b"Tag,Set point\nPSL-1\nPSL-2,1,2,3,4\n,,,,,\n\n,x\n", READ),
        ("no-line-end", b"Tag,Set point\nPSL-1101,2.5", READ),
        ("carriage-returns", plain.replace("\n", "\r").encode(), READ),
        ("line-ends-mixed", b"Tag,Set\r\nA,1\rB,2\nC,3\n\rD,4\r\n", READ),
        ("separator-said", b"sep=|\nTag|Set\nPSL-1|2\n", READ),
        ("separator-letter", b"sep=a\nTaga1\n", EITHER),
        ("separator-quote", b'sep="\nTag"Set\n', EITHER),
        ("separator-blank", b"sep= \nTag Set\n", EITHER),
        ("separator-wide", "sep=\U0001f600\nTag\U0001f600Set\n".encode(), EITHER),
        ("separator-nul", b"sep=\x00\nTag\x00Set\n", REFUSED),
        ("separator-none", b"Tag Set point\nPSL-1101 2.5\n", READ),
        ("separators-mixed", b"Tag,Set;Unit\tRange\n1,2;3\t4\n", READ),
        ("field-long", b"Tag,Set\n" + b"x" * 140_000 + b",2\n", NOTED),
        ("cells-many", b"Tag\n" + b"," * 60_000 + b"\n", NOTED),
        ("lines-blank", b"\n" * 100_000, EITHER),
        ("line-ends-strange", "Tag\u2028Set\x85\x0b\x0c\x1c,2\nA,1\n".encode(), EITHER),
        ("pk", b"PK;Tag\n1;PSL-1101\n", READ),
        ("html", b"<html><table><tr><td>Tag</td></tr></table></html>", EITHER),
        ("rtf", b"{\\rtf1\\ansi Tag}", EITHER),
        ("pdf", b"%PDF-1.7\n%\xe2\xe3\xcf\xd3\n1 0 obj\n\x00\x01", REFUSED),
        ("png", b"\x89PNG\r\n\x1a\n" + bytes(64), REFUSED),
        ("gzip", b"\x1f\x8b\x08\x00" + zlib.compress(b"x" * 500), REFUSED),
        ("program", b"\x7fELF\x02\x01\x01" + bytes(64), REFUSED),
        ("json", b'[{"Tag": "PSL-1101"}]', EITHER),
        ("overlong", b"Tag,Set\n\xc0\xaf,1\n", READ),
        ("surrogate", b"Tag,Set\n\xed\xa0\x80,1\n", READ),
        ("undefined-1252", b"Tag,Set\n\x81\x8d,1\n", REFUSED),
        ("astral", "Tag,Set\n\U0001f600\U0010ffff,1\n".encode(), READ),
    ):
        yield _file(family, label, "csv", data, expect)


def misnamed() -> Files:
    """Sound or not, but another kind of file than its name says; and other kinds of file."""
    family = "misnamed"
    protected = compound(b"\0" * 5000, name="EncryptedPackage", others=[("EncryptionInfo", 2)])
    for n, (suffix, data, expect) in enumerate((
        ("xlsx", ods([["z"]]), READ), ("xlsx", xls(), READ), ("xlsx", b"Tag,Set\nA,1\n", READ),
        ("ods", xlsx(), READ), ("xls", xlsx(store=True), READ), ("csv", xlsx([["a"]]), READ),
        ("csv", xls([["c"]]), READ), ("xls", b"Tag;Set\nA;1\n", READ), ("txt", ods([["a"]]), READ),
        ("xlsb", xls([["b"]]), READ), ("xlsx", protected, REFUSED),
        ("xls", protected + b"\0" * 512, REFUSED),
        ("ods", pack({"mimetype": b"application/epub+zip", "META-INF/container.xml": b"<c/>"}),
         REFUSED),
        ("docx", pack({"[Content_Types].xml": b"<Types/>", "word/document.xml": b"<w/>"}), REFUSED),
        ("jar", pack({"META-INF/MANIFEST.MF": b"Manifest-Version: 1.0\n"}), REFUSED),
        ("xlsx", compound(b"\1" * 5000, name="WordDocument"), REFUSED),
        ("xlsx", b"PK", EITHER), ("xlsx", b"PK\x05\x06", REFUSED),
        ("xlsx", b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1", REFUSED),
        ("xls", b"\x09\x08\x10\x00\x00\x06\x05\x00" + bytes(200), REFUSED),
        ("xlsx", b"<?xml version='1.0'?><Workbook/>", EITHER),
    )):  # fmt: skip
        yield _file(family, str(n), suffix, data, expect)


# --- .xls -----------------------------------------------------------------------------------


def old_workbooks() -> Files:
    """Old workbooks: records that lie, and allocation tables that run in circles."""
    family = "xls"
    sound = xls_rows(XLS_SOUND)

    def stream(label: str, data: bytes, expect: Expect = EITHER, says: str = "") -> Bad:
        return _file(family, label, "xls", compound(data), expect, says)

    def cell(label: str, value: bytes, expect: Expect = EITHER) -> Bad:
        cells_ = [xls_cell(0, 0, "Tag"), xls_cell(0, 1, "Set point"), value]
        return stream(label, xls_stream([("Switches", xls_sheet(cells_))]), expect)

    whole = xls_stream([("Switches", sound)])
    yield stream("password", xls_stream([("Switches", sound)],
                 before=record(0x2F, struct.pack("<HHH", 1, 1, 1) + bytes(48))), REFUSED)  # fmt: skip
    yield stream("password-xor", xls_stream([("Switches", sound)],
                 before=record(0x2F, struct.pack("<HHH", 0, 1, 2))), REFUSED)  # fmt: skip
    yield stream("nothing", b"")
    yield stream("no-end", whole.replace(record(0x0A), b""))
    yield stream("no-sheets", xls_stream([]))
    yield stream("version-9", whole.replace(b"\x00\x06", b"\x00\x09"))
    yield stream("version-5", whole.replace(b"\x00\x06", b"\x00\x05"))
    yield stream("record-too-long", record(0x809, b"\0" * 16) + struct.pack("<HH", 0x204, 0xFFFF))
    yield stream("sheet-beyond", whole.replace(struct.pack("<I", len(whole) - len(sound)),
                                               struct.pack("<I", 2**31)))  # fmt: skip
    yield stream("sheet-is-globals", whole.replace(
        struct.pack("<I", len(whole) - len(sound)), struct.pack("<I", 0)))  # fmt: skip
    yield stream("sheets-many", xls_stream([(f"S{n}", xls_rows([["x"]])) for n in range(300)]),
                 REFUSED)  # fmt: skip
    yield stream("sheets-same", xls_stream([("Switches", sound)] * 3), EITHER)
    yield stream("hidden", xls_stream([("A", sound), ("B", sound), ("C", sound)], states=(0, 1, 2)),
                 READ)  # fmt: skip
    yield stream("name-empty", xls_stream([("", sound)]))
    yield stream("name-nul", xls_stream([("a\0b", sound)]))
    yield stream("name-surrogate", whole.replace("Sw".encode("utf-16-le"), b"\x00\xd8\x00\xd8"))
    yield stream("no-rows", xls_stream([("Switches", xls_sheet([]))]), READ)
    place = struct.pack("<HHH", 1, 1, 0)
    for label, number in (
        ("nan", struct.pack("<d", float("nan"))), ("inf", struct.pack("<d", float("inf"))),
        ("huge", struct.pack("<d", 1e308)),
    ):  # fmt: skip
        yield cell(f"number-{label}", record(0x203, place + number), NOTED)
    yield cell("number-tiny", record(0x203, place + struct.pack("<d", 5e-324)), READ)
    yield cell("number-short", record(0x203, place[:4]))
    for code in (0, 7, 15, 23, 29, 36, 42, 43, 255):
        yield cell(f"error-{code}", record(0x205, place + bytes((code, 1))))
    yield cell("bool-9", record(0x205, place + bytes((9, 0))))
    yield cell("text-too-long", record(0x204, place + struct.pack("<HB", 60_000, 1) + b"ab"))
    yield cell("text-broken", record(0x204, place + struct.pack("<HB", 2, 1) + b"\x00\xd8\x00\xd8"))
    yield cell("string-index", record(0xFD, place + struct.pack("<I", 99)))
    yield cell("string-index-minus", record(0xFD, place + struct.pack("<i", -1)))
    yield cell("style-index", record(0x203, struct.pack("<HHHd", 1, 1, 0xFFF, 2.5)))
    yield cell("packed", record(0x27E, place + struct.pack("<I", 0xFFFFFFFF)))
    yield cell("packed-many", record(0xBD, struct.pack("<HH", 1, 1) + bytes(5)))
    yield cell("packed-wrong-end", record(0xBD, struct.pack("<HHHIH", 1, 200, 0, 0, 1)))
    yield cell("formula-no-result", record(0x06, place + bytes(16)))
    yield cell("formula-text-missing", record(
        0x06, place + b"\0\0\0\0\0\0\xff\xff" + bytes(8)))  # fmt: skip
    yield cell("formula-error", record(0x06, place + b"\2\0\x17\0\0\0\xff\xff" + bytes(8)))
    yield cell("formula-short", record(0x06, place))
    yield cell("formula-tokens", record(0x06, place + bytes(14) + struct.pack("<H", 60_000)))
    yield cell("merged-beyond", record(0xE5, struct.pack("<HHHHH", 1, 0, 65535, 0, 255)))
    yield cell("merged-lie", record(0xE5, struct.pack("<H", 5000)))
    yield cell("merged-many", record(0xE5, struct.pack("<H", 1027) + bytes(8 * 1027)) * 20, REFUSED)
    yield cell("merged-backwards", record(0xE5, struct.pack("<HHHHH", 1, 9, 2, 9, 2)))
    yield cell("size-lie", record(0x200, struct.pack("<IIHHH", 0, 2**32 - 1, 0, 0xFFFF, 0)))
    yield cell("size-short", record(0x200, b"\0"))
    for label, data in (
        ("count", struct.pack("<II", 5, 2**31)),
        ("short", b"\1"),
        ("lengths", struct.pack("<II", 1, 1) + struct.pack("<HB", 0xFFFF, 8) + b"ab"),
        ("runs", struct.pack("<II", 1, 1) + struct.pack("<HBH", 1, 8, 0xFFFF) + b"a"),
    ):
        globals_ = xls_stream([("Switches", sound)], before=record(0xFC, data))
        yield stream(f"strings-{label}", globals_)
    yield stream("formats", xls_stream([("Switches", sound)],
                 before=record(0x41E, struct.pack("<H", 200) + text16("[" * 4000))
                 + record(0xE0, bytes(20))))  # fmt: skip

    # the compound file around it
    def shell(label: str, expect: Expect = REFUSED, **how: object) -> Bad:
        return _file(family, f"shell-{label}", "xls", compound(whole, **how), expect)  # type: ignore[arg-type]

    yield shell("circle", fat={3: 2})
    yield shell("circle-one", fat={2: 2})
    yield shell("circle-directory", fat={1: 1})
    yield shell("circle-table", fat={2: 0}, expect=EITHER)
    yield shell("beyond", fat={3: 60_000})
    yield shell("ends-early", fat={2: END}, expect=EITHER)
    yield shell("other-name", name="Contents")
    yield shell("old-name", name="Book", expect=EITHER)
    yield shell("size-huge", size=2**31, expect=EITHER)
    yield shell("size-enormous", size=2**62, expect=EITHER)
    yield shell("size-nothing", size=0, expect=EITHER)
    for label, at, data in (
        ("sector-0", 30, b"\0\0"), ("sector-31", 30, b"\x1f\0"), ("sector-65535", 30, b"\xff\xff"),
        ("sector-4096", 30, b"\x0c\0"), ("mini-sector-63", 32, b"\x3f\0"), ("version-9", 26, b"\x09\0"),
        ("tables-many", 44, b"\xff\xff\xff\x7f"), ("tables-none", 44, bytes(4)),
        ("directory-beyond", 48, b"\xf0\xff\xff\x0f"), ("directory-table", 48, bytes(4)),
        ("mini-beyond", 60, b"\xf0\xff\xff\x0f\x01\0\0\0"), ("more-tables-beyond", 68, b"\x05\0\0\0\xff\0\0\0"),
        ("more-tables-circle", 68, b"\0\0\0\0\xff\xff\xff\x7f"), ("table-beyond", 76, b"\xf0\xff\xff\x0f"),
        ("byte-order", 28, b"\xff\xff"), ("cutoff", 56, b"\xff\xff\xff\xff"),
    ):  # fmt: skip
        yield shell(label, header={at: data}, expect=EITHER)


# --- .ods -----------------------------------------------------------------------------------


def open_documents() -> Files:
    """OpenDocument sheets: counts that lie, values of the wrong kind, protected ones."""
    family = "ods"
    cell = (
        '<table:table-cell office:value-type="string"><text:p>PSL-1101</text:p></table:table-cell>'
    )
    row = f"<table:table-row>{cell}</table:table-row>"

    def rows(label: str, xml: str, expect: Expect = EITHER, says: str = "") -> Bad:
        return _file(family, label, "ods", ods(row + xml), expect, says)

    many = '<table:table-row table:number-rows-repeated="{}">{}</table:table-row>'
    yield rows("blank-million", many.format(1_000_000, "<table:table-cell/>"), READ)
    yield rows("blank-most", many.format(1_048_575, "<table:table-cell/>"), READ)
    yield rows("blank-beyond", many.format(99_999_999, "<table:table-cell/>"), READ)
    yield rows("blank-beyond-filled", many.format(99_999_999, "") + row, REFUSED, "too large")
    for n in ("-5", "x", "1e6", "0", "", "9" * 400, "1.5", "\u0661"):
        label = n[:6] if n.isascii() else "arabic"
        yield rows(f"repeated-{label}", many.format(n, cell))
    wide = (
        '<table:table-row><table:table-cell table:number-columns-repeated="{}"{}</table:table-row>'
    )
    blank, filled = (
        "/>",
        f">{cell.partition('>')[2]}".replace(">", ' office:value-type="string">', 1),
    )
    yield rows("blank-columns", wide.format(1_000_000, blank), READ)
    yield rows("filled-columns", wide.format(1_000_000, filled), NOTED, "column")
    yield rows("columns-both", many.format(500_000, cell * 20), REFUSED, "too large")
    yield rows("many-columns", '<table:table-column table:number-columns-repeated="99999999" '
               'table:visibility="collapse"/>' + row, READ)  # fmt: skip
    yield rows("spanned", '<table:table-row><table:table-cell table:number-rows-spanned="99999999"'
               ' table:number-columns-spanned="99999999"/></table:table-row>', READ)  # fmt: skip
    typed = '<table:table-row><table:table-cell office:value-type="{}" {}><text:p>{}</text:p>'
    typed += "</table:table-cell></table:table-row>"
    for n, (kind, given, shown, expect) in enumerate((
        ("float", 'office:value="NaN"', "NaN", NOTED),
        ("float", 'office:value="INF"', "", NOTED),
        ("float", 'office:value="1e999"', "", NOTED),
        ("float", 'office:value="x"', "2.5", NOTED),
        ("float", "", "2.5", NOTED),
        ("float", 'office:value="100000000000000000000"', "100000000000000000000.000000000000", READ),
        ("float", 'office:value="1e30"', "1.000000000000000", READ),
        ("float", 'office:value="1e-30"', "0.000000000000000", READ),
        ("percentage", 'office:value="1e30"', "", READ),
        ("percentage", 'office:value="x"', "5 %", NOTED),
        ("currency", 'office:value="2.5"', "2,50 \u20ac", READ),
        ("date", 'office:date-value="2025-13-14"', "x", NOTED),
        ("date", 'office:date-value="0000-01-01"', "x", NOTED),
        ("date", 'office:date-value="99999-01-01"', "x", NOTED),
        ("date", "", "yesterday", NOTED),
        ("date", 'office:date-value="2025-03-14T25:61:99"', "x", READ),
        ("time", 'office:time-value="PT99999999H"', "x", READ),
        ("boolean", 'office:boolean-value="maybe"', "x", READ),
        ("string", "", "#REF!", NOTED),
        ("string", "", "Err:508", NOTED),
        ("nonsense", "", "x", READ),
        ("void", "", "", READ),
    )):  # fmt: skip
        yield rows(f"value-{n}-{kind}", typed.format(kind, given, shown), expect)
    inside = (
        f"<table:table-row><table:table-cell><table:table>{row}</table:table></table:table-cell>"
    )
    yield rows("table-in-cell", inside + "</table:table-row>", REFUSED)
    yield rows("cell-in-text", f"<table:table-row><table:table-cell><text:p>{cell}x</text:p>"
               "</table:table-cell></table:table-row>")  # fmt: skip
    yield rows("cells-only", cell * 3)
    yield rows("row-in-row", f"<table:table-row>{row}</table:table-row>")
    yield rows("blanks-counted", typed.format("string", "", '<text:s text:c="99999999"/>'), READ)
    yield rows("blanks-many", typed.format("string", "", '<text:s text:c="100"/>' * 3000), READ)
    yield rows("paragraphs-many", typed.format("string", "", "</text:p><text:p>" * 20_000), READ)
    yield rows("note", typed.format("string", "", "x<office:annotation><text:p>y</text:p>"
               "</office:annotation>"), READ)  # fmt: skip
    yield rows("text-long", typed.format("string", "", "long " * 60_000), READ)
    locked = (
        b'<manifest xmlns="urn:oasis:names:tc:opendocument:xmlns:manifest:1.0">'
        b'<file-entry full-path="content.xml"><encryption-data checksum="x"/></file-entry></manifest>'
    )
    yield _file(family, "password", "ods", ods(replace={"META-INF/manifest.xml": locked}), REFUSED,
                "password")  # fmt: skip
    yield _file(family, "document", "odt",
                ods(replace={"content.xml": b"<office:text xmlns:office='x'/>"}), REFUSED)  # fmt: skip
    tables = "".join(f'</table:table><table:table table:name="S{n}">' for n in range(300))
    yield rows("sheets-many", tables, REFUSED, "too large")
    yield rows("sheets-same", '</table:table><table:table table:name="Switches">' + row)


LIGHT = (
    cut_short, flipped, lying_packages, xml_tricks, parts, cells, formulas, sheets, texts,
    csv_files, misnamed, old_workbooks, open_documents,
)  # fmt: skip
