"""What a file is, a name that is safe, what it is bound to, and what the folder must hold."""

from __future__ import annotations

import hashlib
import unicodedata
from collections.abc import Iterator
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from sqlalchemy import Engine
from sqlalchemy.orm import Session

from calfleet.errors import RecordRefused, UnknownName
from calfleet.records import AttachedTo, Attachment, KeptFile
from calfleet.services import attach as service
from calfleet.services.attach import (
    CSV,
    JPEG,
    PDF,
    PNG,
    TEXT,
    TIFF,
    XML,
    check_files,
    examine,
    kept_place,
    media_type_of,
    parse_bound,
    safe_name,
)
from calfleet.store.engine import open_engine
from calfleet.store.queries.papers import HeldAttachment
from calfleet.store.work import Work

LIMIT = 1000
A_PDF = b"%PDF-1.7\n1 0 obj\n%%EOF\n"
A_PNG = b"\x89PNG\r\n\x1a\n\x00\x00\x00\rIHDR" + b"\x00" * 17 + b"\x00\x00\x00\x00IEND\xaeB`\x82"
A_JPEG = b"\xff\xd8\xff\xe0\x00\x10JFIF" + b"\x00" * 9 + b"\xff\xd9"
AN_XML = b'<?xml version="1.0" encoding="UTF-8"?>\n<a b="c">d &amp; e</a>\n'

# --- what it is -------------------------------------------------------------------------

KINDS = [
    (A_PDF, "c.pdf", PDF),
    (A_PDF, "c.txt", PDF),  # the content counts, not the name
    (A_PNG, "c.png", PNG),
    (A_JPEG, "c.jpg", JPEG),
    (b"II*\x00\x08\x00\x00\x00", "c.tif", TIFF),
    (b"MM\x00*\x00\x00\x00\x08", "c.tif", TIFF),
    (AN_XML, "c.xml", XML),
    (b"\xef\xbb\xbf" + AN_XML, "c.xml", XML),
    (b"  \n<a/>", "c.txt", XML),
    ('<?xml version="1.0" encoding="UTF-16"?><a>ü</a>'.encode("utf-16"), "c.xml", XML),
    ("point,error\n0,0.1\n20 °C,ü\n".encode(), "c.csv", CSV),
    (b"point,error\n", "c.CSV", CSV),
    ("a note ü\twith tab\r\n".encode(), "c", TEXT),
    ("\ufeffa note".encode(), "c.txt", TEXT),
]


@pytest.mark.parametrize(("data", "name", "wanted"), KINDS)
def test_the_content_tells_what_a_file_is(data: bytes, name: str, wanted: str) -> None:
    assert media_type_of(data, name) == wanted


REFUSED = [
    (b"MZ\x90\x00program", "c.pdf", "of a kind that is not kept"),
    (b"PK\x03\x04zip or office", "c.pdf", "of a kind that is not kept"),
    (b"GIF89a\x01\x00", "c.gif", "of a kind that is not kept"),
    ("pressure é".encode("latin-1"), "c.txt", "of a kind that is not kept"),
    (b"text with \x00 in it", "c.txt", "of a kind that is not kept"),
    (b"text with \x1b[31m in it", "c.txt", "of a kind that is not kept"),
    (b"%PDF-1.7\n1 0 obj", "c.pdf", "begins like a PDF, but its end is missing"),
    (A_PNG[:20], "c.png", "begins like a PNG image, but its end is missing"),
    (A_JPEG[:-2], "c.jpg", "begins like a JPEG image, but its end is missing"),
    (b"<a><b></a>", "c.xml", "it is not well formed"),
    (b"<!DOCTYPE html><html></html>", "c.html", "document type declaration"),
    (
        b'<?xml version="1.0"?><!DOCTYPE a [<!ENTITY b SYSTEM "file:///x">]><a>&b;</a>',
        "c.xml",
        "document type declaration",
    ),
    (b"<a>&unknown;</a>", "c.xml", "it is not well formed"),
    (b'<?xml version="1.0" encoding="rot13"?><a/>', "c.xml", "XML"),
]


@pytest.mark.parametrize(("data", "name", "says"), REFUSED)
def test_other_kinds_and_broken_files_are_refused(data: bytes, name: str, says: str) -> None:
    with pytest.raises(RecordRefused, match=says) as refusal:
        examine(data, name, limit=LIMIT)
    assert refusal.value.rule
    assert refusal.value.next_step


def test_entities_are_never_expanded() -> None:
    """A thousand million characters would take minutes; the declaration is met first."""
    levels = "".join(
        f'<!ENTITY e{n} "{f"&e{n - 1};" * 10}">' if n else '<!ENTITY e0 "ha">' for n in range(10)
    )
    data = f'<?xml version="1.0"?><!DOCTYPE a [{levels}]><a>&e9;</a>'.encode()
    with pytest.raises(RecordRefused, match="document type declaration"):
        examine(data, "c.xml", limit=10_000)


def test_the_size_limit_is_inclusive() -> None:
    data = b"x" * LIMIT
    assert examine(data, "c.txt", limit=LIMIT).size == LIMIT
    with pytest.raises(RecordRefused, match="larger than"):
        examine(data + b"x", "c.txt", limit=LIMIT)
    with pytest.raises(RecordRefused, match="is empty"):
        examine(b"", "c.txt", limit=LIMIT)


def test_digest_and_name_are_told() -> None:
    found = examine(A_PDF, "../scan.png", limit=LIMIT)
    assert found.digest == hashlib.sha256(A_PDF).hexdigest()
    assert (found.name, found.media_type) == ("scan.png.pdf", PDF)
    assert found.renamed == "Kept under the name scan.png.pdf."
    assert examine(A_PDF, "scan.pdf", limit=LIMIT).renamed == ""


# --- its name ---------------------------------------------------------------------------

NAMES = [
    ("../../etc/passwd", None, "passwd"),
    ("/abs/olute.pdf", PDF, "olute.pdf"),
    ("C:\\temp\\..\\x.pdf", PDF, "x.pdf"),
    ("\u202egnp.exe.pdf", PDF, "gnp.exe.pdf"),
    ("a\u200b\u2066b\u00ad\ufeff.pdf", PDF, "ab.pdf"),
    ("line\nbreak\x00\x1b[31m.pdf", PDF, "linebreak[31m.pdf"),
    ("a\u2028b\u2029c.pdf", PDF, "abc.pdf"),
    ("CON", TEXT, "_CON.txt"),
    ("con.pdf", PDF, "_con.pdf"),
    ("Lpt1.tar.pdf", PDF, "_Lpt1.tar.pdf"),
    ("COM¹.csv", CSV, "_COM¹.csv"),
    ("console.pdf", PDF, "console.pdf"),
    ('a<b>:"|?*.pdf', PDF, "a_b______.pdf"),
    ("...", PDF, "file.pdf"),
    ("", None, "file"),
    (".hidden.pdf", PDF, "hidden.pdf"),
    ("-rf.pdf", PDF, "rf.pdf"),
    ("trailing. . .pdf ", PDF, "trailing.pdf"),
    ("zeugnis Prüfung\u00a0Nr 3.pdf", PDF, "zeugnis Prüfung Nr 3.pdf"),
    ("e\u0301.pdf", PDF, "é.pdf"),
    ("scan.JPG", JPEG, "scan.JPG"),
    ("scan.jpeg", JPEG, "scan.jpeg"),
    ("scan.pdf", PNG, "scan.pdf.png"),
    ("x" * 300 + ".pdf", PDF, "x" * 116 + ".pdf"),
]


@pytest.mark.parametrize(("name", "kind", "wanted"), NAMES)
def test_a_name_is_made_safe(name: str, kind: str | None, wanted: str) -> None:
    assert safe_name(name, kind) == wanted


@given(st.text(max_size=300), st.sampled_from([None, PDF, CSV, JPEG, TEXT]))
def test_any_name_is_made_safe_once_and_for_all(name: str, kind: str | None) -> None:
    made = safe_name(name, kind)
    assert 0 < len(made) <= 120
    assert safe_name(made, kind) == made
    assert made not in (".", "..")
    assert not set(made) & set('/\\<>:"|?*\x7f')
    assert made[0] not in " .-"
    assert made[-1] not in " ."
    for c in made:
        assert unicodedata.category(c)[0] != "C"
        assert unicodedata.category(c) not in ("Zl", "Zp")


# --- what it belongs to -----------------------------------------------------------------


@pytest.fixture
def engine(database_url: str, little: Any) -> Iterator[Engine]:
    made = open_engine(database_url)
    little.build(made)
    yield made
    made.dispose()


def bind(engine: Engine, little: Any, data: bytes, to: AttachedTo, key: str) -> Attachment:
    with Work(engine, actor="P1", at=little.now, action="attach", subject=key) as unit:
        made = service.attach(
            unit, examine(data, "c.pdf", limit=LIMIT), to=to, key=key, note=" as received "
        )
        unit.commit()
    return made


def test_a_file_is_bound_to_its_record_and_found_again(engine: Engine, little: Any) -> None:
    number = little.given.certificates[0].number
    made = bind(engine, little, A_PDF, AttachedTo.CERTIFICATE, number.lower())
    assert (made.key, made.note, made.size) == (number, "as received", len(A_PDF))
    calibration = little.record(engine, little.bench(), recorded_by="T1").number
    again = bind(engine, little, A_PDF, AttachedTo.CALIBRATION, calibration)
    with Session(engine) as session:
        assert [h.attachment for h in service.list_attachments(session)] == [made, again]
        (only,) = service.list_attachments(
            session, to=AttachedTo.CALIBRATION, key=calibration.lower()
        )
        assert only.attachment == again
        assert (only.recorded_by, only.recorded_at) == ("P1", little.now)
        assert service.find_attachment(session, made.digest[:8].upper()).attachment == made
        for short in (made.digest[:7], "0" * 64, ""):
            with pytest.raises(UnknownName, match="No file named"):
                service.find_attachment(session, short)


def test_a_record_has_a_file_once(engine: Engine, little: Any) -> None:
    number = little.given.certificates[0].number
    bind(engine, little, A_PDF, AttachedTo.CERTIFICATE, number)
    with pytest.raises(RecordRefused, match="has this very file already"):
        bind(engine, little, A_PDF, AttachedTo.CERTIFICATE, number)
    bind(engine, little, A_PDF + b"%%EOF\n", AttachedTo.CERTIFICATE, number)


@pytest.mark.parametrize("to", AttachedTo)
def test_a_record_that_is_not_there_is_named(
    own_works: Engine, little: Any, to: AttachedTo
) -> None:
    with pytest.raises(UnknownName, match=f"No {to} named"):
        bind(own_works, little, A_PDF, to, "nothing")


def test_kinds_of_records_as_they_are_typed() -> None:
    assert parse_bound("cross-check") is parse_bound("Cross Check") is AttachedTo.CROSS_CHECK
    with pytest.raises(UnknownName, match="kind of record") as refusal:
        parse_bound("invoice")
    assert "cross-check" in refusal.value.next_step


# --- whether it is still there ----------------------------------------------------------

DIGEST, OTHER = "ab" + "0" * 62, "cd" + "1" * 62


def held(digest: str = DIGEST, size: int = 5) -> HeldAttachment:
    from datetime import UTC, datetime

    one = Attachment(AttachedTo.CERTIFICATE, "N1", digest, size, PDF, "c.pdf")
    return HeldAttachment(one, datetime(2026, 1, 1, tzinfo=UTC), "P1")


def told(*kept: KeptFile) -> list[tuple[bool, str]]:
    return [(wrong, text) for wrong, _, text in check_files([held()], kept)]


def test_a_folder_as_it_should_be() -> None:
    assert kept_place(DIGEST) == f"ab/{DIGEST[2:]}"
    assert told(KeptFile(kept_place(DIGEST), 5, DIGEST)) == []
    assert list(check_files([], [])) == []


@pytest.mark.parametrize(
    ("kept", "says"),
    [
        ([], "is missing"),
        ([KeptFile(kept_place(DIGEST), 5, OTHER)], "changed or swapped"),
        ([KeptFile(kept_place(DIGEST), 6, DIGEST)], "has 6 bytes; its record says 5"),
        ([KeptFile(kept_place(DIGEST), 0, None)], "not a plain file"),
        (
            [KeptFile(kept_place(DIGEST), 5, DIGEST), KeptFile("notes.txt", 1, OTHER)],
            "not put there by us",
        ),
        (
            [KeptFile(kept_place(DIGEST), 5, DIGEST), KeptFile(kept_place(OTHER), 1, DIGEST)],
            "not put there by us",
        ),
    ],
)
def test_what_is_wrong_is_named(kept: list[KeptFile], says: str) -> None:
    ((wrong, text),) = told(*kept)
    assert wrong
    assert says in text


def test_what_a_broken_off_attaching_leaves_is_told_and_harmless() -> None:
    good = KeptFile(kept_place(DIGEST), 5, DIGEST)
    orphan = KeptFile(kept_place(OTHER), 9, OTHER)
    part = KeptFile(f"{kept_place(OTHER)}.1a2b.part", 3, DIGEST, part=True)
    found = told(good, orphan, part)
    assert [wrong for wrong, _ in found] == [False, False]
    assert "broken off" in found[0][1]
