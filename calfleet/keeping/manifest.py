"""The manifest of a copy: what is in it, with digests, and whether all of it is as it was."""

from __future__ import annotations

import hashlib
import json
import zipfile
import zlib
from collections import Counter
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

from calfleet.errors import CopyDamaged, Problem, SchemaMismatch, UsageError
from calfleet.keeping.containers import (
    CHUNK,
    FileNote,
    Hashed,
    Sink,
    Source,
    safe_name,
    written,
)
from calfleet.store.revision import HEAD
from calfleet.store.types import canonical_json

MANIFEST = "manifest.json"
FORM = "calfleet copy"
FORM_VERSION = 1
TABLES, SQLITE = "tables", "sqlite"
"""What holds the records: one CSV file for each table, or the SQLite database as it is."""
UNREADABLE = (
    OSError,
    EOFError,
    ValueError,
    zipfile.BadZipFile,
    zlib.error,
    NotImplementedError,  # a way of packing that is not known
    RuntimeError,  # locked with a password
)
"""What reading a file of a damaged copy may raise."""
MOST_MANIFEST = 256 * CHUNK


@dataclass(frozen=True, slots=True)
class Manifest:
    """``tables``: name to number of rows; ``head`` of the audit trail after ``entries`` entries."""

    holds: str
    made_at: str
    made_by: str
    revision: str
    site_code: str
    site_name: str
    entries: int
    head: str
    tables: Mapping[str, int]
    attachments_missing: tuple[str, ...]
    files: tuple[FileNote, ...]

    def file(self, path: str) -> FileNote:
        """The note on that file.

        Raises: KeyError.
        """
        for note in self.files:
            if note.path == path:
                return note
        raise KeyError(path)


def write_manifest(sink: Sink, manifest: Manifest) -> None:
    """Write ``manifest.json`` last: it names all files written before it."""
    form: dict[str, Any] = {
        "form": FORM,
        "form_version": FORM_VERSION,
        "holds": manifest.holds,
        "made_at": manifest.made_at,
        "made_by": manifest.made_by,
        "schema_revision": manifest.revision,
        "site": {"code": manifest.site_code, "name": manifest.site_name},
        "audit_trail": {"entries": manifest.entries, "head": manifest.head},
        "tables": dict(manifest.tables),
        "attachments_missing": list(manifest.attachments_missing),
        "files": [
            {"path": n.path, "bytes": n.bytes, "sha256": n.sha256}
            for n in sorted(manifest.files, key=lambda n: n.path)
        ],
    }
    form["digest"] = _digest(form)
    with written(sink, MANIFEST) as stream:
        stream.write((json.dumps(form, indent=2, ensure_ascii=False) + "\n").encode())


def _digest(form: Mapping[str, Any]) -> str:
    """SHA-256 (hex) of the manifest's canonical JSON without the digest itself."""
    rest = {key: value for key, value in form.items() if key != "digest"}
    return hashlib.sha256(canonical_json(rest).encode()).hexdigest()


def read_manifest(source: Source) -> Manifest:
    """The manifest of a copy, sealed by its own digest.

    Raises: UsageError when it is no copy, CopyDamaged when the manifest was changed,
    SchemaMismatch for a copy of a newer program.
    """
    if MANIFEST not in source.names():
        raise UsageError(
            f"{source.name} holds no {MANIFEST}.",
            rule="A copy made by 'calfleet export' or 'calfleet backup' names its files in it.",
            next_step="Name the folder or file as it was made; without its manifest it is of no "
            "use.",
        )
    try:
        with source.open(MANIFEST) as stream:
            data = stream.read(MOST_MANIFEST)
        form = json.loads(data)
        if form["form"] != FORM:
            raise ValueError("it is not a manifest of calfleet's")
        if form["form_version"] != FORM_VERSION:
            raise SchemaMismatch(
                f"{source.name} is a copy of form {form['form_version']}.",
                rule=f"This program reads form {FORM_VERSION}.",
                next_step="Install the calfleet that wrote it.",
            )
        if _digest(form) != form["digest"]:
            raise ValueError("it is not as it was written")
        manifest = _made(form)
    except (*UNREADABLE, KeyError, TypeError, AttributeError, RecursionError) as error:
        reason = f"there is no {error}" if isinstance(error, KeyError) else str(error)
        raise CopyDamaged(
            source.name, [Problem(MANIFEST, f"The manifest is damaged: {reason}.")]
        ) from error
    if manifest.revision > HEAD:
        raise SchemaMismatch(
            f"{source.name} holds records of revision {manifest.revision}.",
            rule=f"This program knows the revisions up to {HEAD}.",
            next_step=f"Install the calfleet that wrote it ({manifest.made_by}).",
        )
    return manifest


def _made(form: Mapping[str, Any]) -> Manifest:
    manifest = Manifest(
        holds=str(form["holds"]),
        made_at=str(form["made_at"]),
        made_by=str(form["made_by"]),
        revision=str(form["schema_revision"]),
        site_code=str(form["site"]["code"]),
        site_name=str(form["site"]["name"]),
        entries=int(form["audit_trail"]["entries"]),
        head=str(form["audit_trail"]["head"]),
        tables={str(name): int(rows) for name, rows in form["tables"].items()},
        attachments_missing=tuple(map(str, form["attachments_missing"])),
        files=tuple(
            FileNote(str(f["path"]), int(f["bytes"]), str(f["sha256"])) for f in form["files"]
        ),
    )
    if manifest.holds not in (TABLES, SQLITE):
        raise ValueError(f"it holds {manifest.holds!r}, which is not known")
    for note in manifest.files:
        if not safe_name(note.path):
            raise ValueError(f"it names a file {note.path!r} that would lie elsewhere")
    return manifest


def require_whole(
    source: Source, manifest: Manifest, progress: Callable[[str], None] = lambda _: None
) -> None:
    """Nothing when every file is there and as it was written, and no other is.

    Raises: CopyDamaged with every file that is missing, foreign or altered.
    """
    problems = []
    names = source.names()
    there = set(names)
    noted = {note.path for note in manifest.files}
    for path in sorted(path for path, times in Counter(names).items() if times > 1):
        problems.append(Problem(path, "The copy holds two files of this name."))
    for path in sorted(there - noted - {MANIFEST}):
        problems.append(Problem(path, "The manifest does not know this file."))
    progress(f"Checking {len(noted)} files against the manifest")
    for note in manifest.files:
        if note.path not in there:
            problems.append(Problem(note.path, "The file is missing."))
            continue
        wrong = altered(source, note)
        if wrong:
            problems.append(Problem(note.path, wrong))
    if problems:
        raise CopyDamaged(source.name, problems)


def altered(source: Source, note: FileNote) -> str:
    """How a file differs from its note, in words; empty when it does not."""
    try:
        with source.open(note.path) as under:
            stream = Hashed(under)
            while stream.read(CHUNK):
                if stream.size > note.bytes:
                    break
    except UNREADABLE as error:
        return f"The file cannot be read: {error}."
    if stream.size != note.bytes:
        more = stream.size > note.bytes
        return (
            f"The file has {'more than ' if more else ''}"
            f"{note.bytes if more else stream.size} bytes"
            + ("." if more else f", not the {note.bytes} it was written with.")
        )
    if stream.sha256() != note.sha256:
        return "The file is not as it was written: its SHA-256 differs."
    return ""
