"""Attaching files: what a file is by its content, a name that is safe, and what it belongs to.

A file is kept once, by its SHA-256 digest; any number of records may name it. Nothing here opens
it: it is kept as it came, byte for byte.
"""

from __future__ import annotations

import hashlib
import re
import unicodedata
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING

from calfleet.errors import RecordRefused, UnknownName
from calfleet.records import AttachedTo, Attachment, KeptFile
from calfleet.services.nearest import nearest_names
from calfleet.store import paper_facts
from calfleet.store.queries import calibrations as calibration_queries
from calfleet.store.queries import gauges as gauge_queries
from calfleet.store.queries import papers
from calfleet.store.queries.papers import HeldAttachment
from calfleet.store.work import Work

if TYPE_CHECKING:
    from sqlalchemy.orm import Session

PDF, XML, PNG, JPEG, TIFF, TEXT, CSV = (
    "application/pdf",
    "application/xml",
    "image/png",
    "image/jpeg",
    "image/tiff",
    "text/plain",
    "text/csv",
)
SUFFIXES = {
    PDF: (".pdf",),
    XML: (".xml",),
    PNG: (".png",),
    JPEG: (".jpg", ".jpeg"),
    TIFF: (".tif", ".tiff"),
    TEXT: (".txt",),
    CSV: (".csv",),
}
"""The kinds of file that are kept, each with the endings of a name that say so."""
KINDS_TEXT = "PDF, XML, PNG, JPEG, TIFF, plain text or CSV"
LONGEST_NAME = 120
ORPHAN = (
    "No record speaks of this file: the attaching was broken off. It may be deleted, or attached "
    "again."
)
PREFIX = 8
"""So many digits of a digest name a file at least."""


@dataclass(frozen=True, slots=True)
class Examined:
    """What a file turned out to be; ``renamed`` says why its name was changed."""

    digest: str
    size: int
    media_type: str
    name: str
    renamed: str = ""


def examine(data: bytes, name: str, *, limit: int) -> Examined:
    """What the file ``data`` called ``name`` is, judged by its content.

    limit: the most bytes that a file may have.

    Raises: RecordRefused for an empty file, one that is too large, or of a kind not kept.
    """
    shown = safe_name(name)
    if not data:
        raise RecordRefused(
            f"{shown} is empty.",
            rule="An attachment has content.",
            next_step="Look whether the copy went wrong.",
        )
    if len(data) > limit:
        raise too_large(shown, limit)
    media_type = media_type_of(data, shown)
    safe = safe_name(name, media_type)
    renamed = "" if safe == name else f"Kept under the name {safe}."
    return Examined(hashlib.sha256(data).hexdigest(), len(data), media_type, safe, renamed)


def too_large(name: str, limit: int) -> RecordRefused:
    """The refusal of a file with more than ``limit`` bytes."""
    return RecordRefused(
        f"{safe_name(name)} is larger than {limit / 2**20:g} MiB.",
        rule=f"An attachment has at most {limit / 2**20:g} MiB: 'limit_mib' under [attachments] "
        "in the settings.",
        next_step="Attach a smaller copy, or have the limit raised.",
    )


# --- what it is -------------------------------------------------------------------------


def media_type_of(data: bytes, name: str) -> str:
    """The media type that the content shows, whatever the name says.

    name: tells CSV from other text, and what to say in a refusal.

    Raises: RecordRefused for a kind that is not kept, or a file that is cut off or broken.
    """
    if data.startswith(b"%PDF-"):
        if b"%%EOF" not in data[-2048:]:
            raise _broken(name, "a PDF", "its end is missing")
        return PDF
    if data.startswith(b"\x89PNG\r\n\x1a\n"):
        if data[12:16] != b"IHDR" or b"IEND" not in data[-64:]:
            raise _broken(name, "a PNG image", "its end is missing")
        return PNG
    if data.startswith(b"\xff\xd8\xff"):
        if b"\xff\xd9" not in data[-4096:]:
            raise _broken(name, "a JPEG image", "its end is missing")
        return JPEG
    if data[:4] in (b"II*\x00", b"MM\x00*", b"II+\x00", b"MM\x00+"):
        return TIFF
    if _looks_like_xml(data):
        _check_xml(data, name)
        return XML
    if _is_text(data):
        return CSV if name.casefold().endswith(".csv") else TEXT
    raise RecordRefused(
        f"{name} is of a kind that is not kept.",
        rule=f"Kept are {KINDS_TEXT}, judged by the content; text is in UTF-8.",
        next_step="Save it as PDF, or text in UTF-8, and attach that.",
    )


def _broken(name: str, what: str, why: str) -> RecordRefused:
    return RecordRefused(
        f"{name} begins like {what}, but {why}.",
        rule="An attachment is whole.",
        next_step="Get it again from where it came.",
    )


def _looks_like_xml(data: bytes) -> bool:
    head = data[:64].lstrip(b"\xef\xbb\xbf")
    wide = data[:2] in (b"\xff\xfe", b"\xfe\xff")
    if wide:
        head = head[2:].replace(b"\x00", b"")
    return head.lstrip(b" \t\r\n").startswith(b"<")


def _check_xml(data: bytes, name: str) -> None:
    """Nothing when the XML is well formed; entities are never expanded, for none may be declared.

    A document type declaration is where a small file can ask for memory without end, or for
    other files; certificates in XML do without.
    """
    from xml.parsers import expat

    declared: list[str] = []

    def declares(*_: object) -> None:
        declared.append("")
        raise ValueError

    parser = expat.ParserCreate()
    parser.StartDoctypeDeclHandler = declares
    try:
        parser.Parse(data, True)
    except expat.ExpatError as error:
        raise _broken(name, "XML", f"it is not well formed: {error}") from error
    except (ValueError, LookupError) as error:
        if not declared:
            raise _broken(name, "XML", f"it cannot be read: {error}") from error
        raise RecordRefused(
            f"{name} is XML or HTML with a document type declaration.",
            rule="XML that is kept stands alone: it declares no document type and no entities.",
            next_step="Attach the PDF of it instead.",
        ) from error


def _is_text(data: bytes) -> bool:
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError:
        return False
    return not any(unicodedata.category(c) == "Cc" and c not in "\t\n\r\f" for c in text)


# --- its name ---------------------------------------------------------------------------

_RESERVED = re.compile(r"(?:con|prn|aux|nul|conin\$|conout\$|com[0-9¹²³]|lpt[0-9¹²³])", re.I)
_NOT_IN_A_NAME = set('<>:"|?*')


def safe_name(name: str, media_type: str | None = None) -> str:
    """``name`` without anything that could lead elsewhere or look like something else.

    Without folders, control and invisible characters, marks that turn the direction of writing,
    and characters or names that some system keeps for itself; not longer than 120 characters.
    With ``media_type`` its ending is one of that kind.

    >>> safe_name("../../etc/passwd"), safe_name("C:\\\\x\\\\con.pdf"), safe_name("a\\u202efdp.exe")
    ('passwd', '_con.pdf', 'afdp.exe')
    >>> safe_name("scan", "image/png"), safe_name("", "application/pdf")
    ('scan.png', 'file.pdf')
    """
    last = re.split(r"[/\\]", unicodedata.normalize("NFC", name))[-1]
    kept = "".join(
        "_" if c in _NOT_IN_A_NAME else " " if unicodedata.category(c) == "Zs" else c
        for c in last
        if unicodedata.category(c)[0] != "C" and unicodedata.category(c) not in ("Zl", "Zp")
    )
    kept = re.sub(r" {2,}", " ", kept).strip(" .").lstrip("-~")
    stem, dot, suffix = kept.rpartition(".")
    if not dot:
        stem, suffix = kept, ""
    ending = f".{suffix}" if suffix and len(suffix) <= 10 else ""
    if suffix and not ending:
        stem = kept
    if media_type in SUFFIXES and ending.casefold() not in SUFFIXES[media_type]:
        stem, ending = stem + ending, SUFFIXES[media_type][0]
    stem = stem.rstrip(" .") or "file"
    if _RESERVED.fullmatch(stem.split(".")[0].strip()):
        stem = f"_{stem}"
    return stem[: LONGEST_NAME - len(ending)].rstrip(" .") + ending


# --- what it belongs to -----------------------------------------------------------------


def parse_bound(kind: str) -> AttachedTo:
    """The kind of record typed as ``kind`` (``cross-check`` or ``cross check``).

    Raises: UnknownName.
    """
    wanted = kind.strip().casefold().replace("-", " ")
    for known in AttachedTo:
        if known == wanted:
            return known
    raise UnknownName(
        "kind of record",
        kind,
        next_step=f"One of: {', '.join(str(k).replace(' ', '-') for k in AttachedTo)}.",
    )


def attach(
    work: Work, examined: Examined, *, to: AttachedTo, key: str, note: str = ""
) -> Attachment:
    """The attachment as added; the file itself is kept before, and the caller commits.

    Raises: UnknownName for a record that is not there, RecordRefused when the record has this
    very file already.
    """
    key = bound_key(work.session, to, key)
    made = Attachment(
        to=to,
        key=key,
        digest=examined.digest,
        size=examined.size,
        media_type=examined.media_type,
        name=examined.name,
        note=note.strip(),
    )
    for held in papers.attachments(work.session):
        a = held.attachment
        if (a.to, a.key, a.digest) == (to, key, examined.digest):
            raise RecordRefused(
                f"{to} {key} has this very file already, as {a.name}.",
                rule="A file is bound to a record once.",
                next_step=f"'calfleet attachments --to {str(to).replace(' ', '-')} {key}' lists "
                "what it has.",
            )
    paper_facts.add_attachment(work, made)
    return made


def bound_key(session: Session, to: AttachedTo, key: str) -> str:
    """The number of the record as it is written, letter case aside.

    Raises: UnknownName with the nearest numbers.
    """
    known: Iterable[str]
    if to is AttachedTo.CERTIFICATE:
        known = gauge_queries.certificates(session, with_points=False)
    elif to is AttachedTo.CALIBRATION:
        known = calibration_queries.numbers(session)
    else:
        known = papers.bound_numbers(session, to)
    names = {name.casefold(): name for name in known}
    found = names.get(key.strip().casefold())
    if found is None:
        raise UnknownName(str(to), key, nearest_names(key, names.values()))
    return found


def list_attachments(
    session: Session, *, to: AttachedTo | None = None, key: str | None = None
) -> list[HeldAttachment]:
    """The attachments (of one record), oldest first.

    Raises: UnknownName for a record that is not there.
    """
    wanted = None if to is None or key is None else bound_key(session, to, key)
    return [
        a
        for a in papers.attachments(session)
        if (to is None or a.attachment.to is to) and (wanted is None or a.attachment.key == wanted)
    ]


def find_attachment(session: Session, digest: str) -> HeldAttachment:
    """The (first) attachment whose digest begins so.

    Raises: UnknownName when none does, RecordRefused when several files do.
    """
    wanted = digest.strip().casefold()
    every = papers.attachments(session)
    found = [a for a in every if a.attachment.digest.startswith(wanted)]
    if len(wanted) < PREFIX or not found:
        raise UnknownName(
            "file",
            digest,
            next_step=f"At least the first {PREFIX} digits of its digest: 'calfleet attachments' "
            "lists them.",
        )
    if len({a.attachment.digest for a in found}) > 1:
        raise RecordRefused(
            f"Several files have a digest that begins with {wanted}.",
            rule="The digits given must tell one file.",
            next_step="Give more of them.",
        )
    return found[0]


# --- whether it is still there ----------------------------------------------------------


def kept_place(digest: str) -> str:
    """Where a file lies in the folder of attachments: ``ab/cdef...``."""
    return f"{digest[:2]}/{digest[2:]}"


def check_files(
    held: Iterable[HeldAttachment], kept: Iterable[KeptFile]
) -> Iterator[tuple[bool, str, str]]:
    """(is a difference, where, what) of every attachment or file that is not as it should be.

    What is left of an attaching that was broken off is told, but is no difference: no record
    speaks of it.
    """
    files = {f.place: f for f in kept}
    named: set[str] = set()
    for place, held_here in _by_place(held).items():
        named.add(place)
        names = ", ".join(f"{a.attachment.to} {a.attachment.key}" for a in held_here)
        one = held_here[0].attachment
        where = f"{one.name} of {names}"
        file = files.get(place)
        if file is None:
            yield True, where, f"The file is missing: {place}."
            continue
        if file.digest is None:
            yield True, where, f"{place} is not a plain file or cannot be read."
            continue
        sizes = {a.attachment.size for a in held_here}
        if file.digest != one.digest:
            yield True, where, f"The file was changed or swapped: {place} has digest {file.digest}."
        elif sizes != {file.size}:
            noted = ", ".join(map(str, sorted(sizes)))
            yield True, where, f"The file has {file.size} bytes; its record says {noted}."
    for place, file in sorted(files.items()):
        if place in named:
            continue
        if file.part:
            yield False, place, "Left by an attaching that was broken off; it may be deleted."
        elif file.digest is not None and place == kept_place(file.digest):
            yield False, place, ORPHAN
        else:
            yield True, place, "No record speaks of this file, and it was not put there by us."


def _by_place(held: Iterable[HeldAttachment]) -> dict[str, list[HeldAttachment]]:
    found: dict[str, list[HeldAttachment]] = {}
    for a in held:
        found.setdefault(kept_place(a.attachment.digest), []).append(a)
    return found
