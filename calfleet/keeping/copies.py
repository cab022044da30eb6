"""Copies of a site, taken while it is in use: an export as plain files, or a backup."""

from __future__ import annotations

import json
import tempfile
from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

import calfleet
from calfleet.errors import StoreRefused
from calfleet.keeping import settings
from calfleet.keeping.containers import (
    FolderSink,
    Sink,
    new_folder,
    new_zip,
    put,
    regular_files,
    require_new_file,
    require_new_folder,
    require_plain_name,
    written,
)
from calfleet.keeping.manifest import MANIFEST, SQLITE, TABLES, Manifest, write_manifest
from calfleet.keeping.package import PACKAGE, data_package
from calfleet.keeping.tables import write_table
from calfleet.store.engine import sqlite_file, sqlite_url
from calfleet.store.schema import backup_sqlite
from calfleet.store.transfer import Reading, reading
from calfleet.store.types import utc_text

DATABASE = "site.sqlite"
ATTACHMENTS = "attachments"

Progress = Callable[[str], None]


@dataclass(frozen=True, slots=True)
class Subject:
    """What is copied: the database, the attachments folder, the text of the settings, and when."""

    url: str
    attachments: Path
    settings: str
    at: datetime


def _silent(_: str) -> None:
    pass


def make_export(subject: Subject, target: Path, progress: Progress = _silent) -> Manifest:
    """The manifest of the export written to the new folder ``target``.

    From one state of the database: a SQLite file is first copied, so that nobody waits; a server
    is asked in one transaction.

    Raises: RecordRefused when ``target`` is there, SchemaMismatch, StoreRefused.
    """
    require_new_folder(target)
    with new_folder(target) as making:
        sink = FolderSink(making)
        with _Still(subject, making.parent, progress) as url:
            return _tables(subject, sink, url, progress)


def make_backup(subject: Subject, target: Path, progress: Progress = _silent) -> Manifest:
    """The manifest of the backup written to the new zip file ``target``.

    It holds a SQLite database as it is, checked after it was copied; of a server's database it
    holds every table as in an export.

    Raises: RecordRefused when ``target`` is there, SchemaMismatch, StoreRefused.
    """
    require_new_file(target)
    with new_zip(target) as sink:
        if sqlite_file(subject.url) is None:
            return _tables(subject, sink, subject.url, progress)
        with _Still(subject, target.parent, progress) as url:
            file = sqlite_file(url)
            if file is None:
                raise StoreRefused("The copy of the database is gone.")
            progress("Packing the database")
            with file.open("rb") as source:
                put(sink, DATABASE, source)
            with reading(url) as database:
                return _rest(subject, sink, database, SQLITE, {}, progress)


class _Still:
    """Inside, the address of a database nobody changes: a SQLite file's copy, or the server's."""

    def __init__(self, subject: Subject, folder: Path, progress: Progress) -> None:
        self._subject = subject
        self._folder = folder
        self._progress = progress
        self._made: tempfile.TemporaryDirectory[str] | None = None

    def __enter__(self) -> str:
        if sqlite_file(self._subject.url) is None:
            return self._subject.url
        self._progress("Copying the database")
        self._made = tempfile.TemporaryDirectory(dir=self._folder, prefix=".calfleet-")
        try:
            copy = backup_sqlite(self._subject.url, Path(self._made.name) / DATABASE)
        except BaseException:
            self._made.cleanup()
            raise
        return sqlite_url(copy)

    def __exit__(self, *_: object) -> None:
        if self._made is not None:
            self._made.cleanup()


def _tables(subject: Subject, sink: Sink, url: str, progress: Progress) -> Manifest:
    rows = {}
    with reading(url) as database:
        for table in database.tables:
            progress(f"Table {table.name}")
            rows[table.name] = write_table(sink, table, database.rows(table), progress)
        described = data_package(
            database.tables,
            rows,
            sink.notes,
            site=database.site(),
            made_at=utc_text(subject.at),
            revision=database.revision,
        )
        with written(sink, PACKAGE) as stream:
            stream.write((json.dumps(described, indent=2, ensure_ascii=False) + "\n").encode())
        return _rest(subject, sink, database, TABLES, rows, progress)


def _rest(
    subject: Subject,
    sink: Sink,
    database: Reading,
    holds: str,
    rows: dict[str, int],
    progress: Progress,
) -> Manifest:
    """Attachments, settings and the manifest.

    The database was read before: a file that is attached now is not of that state, and does no
    harm in the copy.
    """
    missing = _attachments(subject, sink, database, progress)
    with written(sink, settings.NAME) as stream:
        stream.write(settings.without_password(subject.settings, subject.url).encode())
    entries, head = database.audit_end()
    code, name = database.site()
    manifest = Manifest(
        holds=holds,
        made_at=utc_text(subject.at),
        made_by=f"calfleet {calfleet.__version__}",
        revision=database.revision,
        site_code=code,
        site_name=name,
        entries=entries,
        head=head,
        tables=rows or {table.name: database.count(table) for table in database.tables},
        attachments_missing=missing,
        files=tuple(sink.notes),
    )
    write_manifest(sink, manifest)
    return manifest


def _attachments(
    subject: Subject, sink: Sink, database: Reading, progress: Progress
) -> tuple[str, ...]:
    """Copy every file of the attachments folder; digests of attachments that are not there."""
    names = list(regular_files(subject.attachments)) if subject.attachments.is_dir() else []
    if names:
        progress(f"Packing {len(names)} attached files")
    for name in names:
        require_plain_name(name, subject.attachments)
        try:
            with (subject.attachments / name).open("rb") as source:
                put(sink, f"{ATTACHMENTS}/{name}", source)
        except FileNotFoundError:
            continue  # a file on its way in, under another name by now
    there = {note.sha256 for note in sink.notes if note.path.startswith(f"{ATTACHMENTS}/")}
    return tuple(digest for digest, _ in database.attachments() if digest not in there)


__all__ = ["ATTACHMENTS", "DATABASE", "MANIFEST", "Subject", "make_backup", "make_export"]
