"""A site made from an export or a backup: checked before it is put in place, never over another."""

from __future__ import annotations

import shutil
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from itertools import islice
from pathlib import Path
from typing import Any

from calfleet.errors import CopyDamaged, Problem
from calfleet.keeping import settings
from calfleet.keeping.containers import (
    CHUNK,
    FileNote,
    FolderSource,
    Source,
    new_folder,
    opened,
    require_new_folder,
)
from calfleet.keeping.copies import ATTACHMENTS, DATABASE
from calfleet.keeping.manifest import (
    SQLITE,
    TABLES,
    Manifest,
    altered,
    read_manifest,
    require_whole,
)
from calfleet.keeping.tables import MOST_PROBLEMS, read_table, table_digest, table_path
from calfleet.services.verify import verify
from calfleet.store import integrity
from calfleet.store.engine import sqlite_url
from calfleet.store.revision import HEAD
from calfleet.store.schema import upgrade
from calfleet.store.transfer import (
    Reading,
    copy_to_postgresql,
    loading,
    reading,
    require_empty,
    session_on,
)

Progress = Callable[[str], None]

PHYSICAL = ("database", "references", "guards")
"""What must be right in a database that is put back; whether its records are as they were entered
was so, or not, when it was copied."""


@dataclass(frozen=True, slots=True)
class Restored:
    """What was made: the copy's manifest, the revision now, and what the audit trail differs in.

    ``differences`` is empty unless they were to be kept.
    """

    manifest: Manifest
    revision: str
    differences: tuple[Problem, ...]

    @property
    def current(self) -> bool:
        """Whether this program can work on it as it is; else it is to be upgraded first."""
        return self.revision == HEAD


def _silent(_: str) -> None:
    pass


def restore(
    copy: Path,
    folder: Path,
    *,
    database_url: str | None = None,
    kept_head: str | None = None,
    keep_differences: bool = False,
    new_settings: Callable[[str], str] = lambda url: url,
    progress: Progress = _silent,
) -> Restored:
    """What was made in the new folder ``folder`` from the copy at ``copy``.

    ``database_url``: an empty PostgreSQL database to fill; without it the site is a SQLite file.
    ``kept_head``: a head of the audit trail kept elsewhere, which must be in the copy.
    ``keep_differences``: take records that are not as the audit trail says, and report them; a
    site that was damaged before it was copied is not lost by that.
    ``new_settings``: gives the text of plain settings for an address, used where those of the copy
    cannot be adapted.

    Everything is built and checked beside ``folder`` and then renamed: it is there whole, or not
    at all. Rows in PostgreSQL are put in by one transaction.

    Raises: CopyDamaged with every problem, UsageError, SchemaMismatch, RecordRefused (the folder
    or the database is not empty), StoreRefused.
    """
    require_new_folder(folder)
    with opened(copy) as source:
        manifest = read_manifest(source)
        require_whole(source, manifest, progress)
        if database_url is not None:
            upgrade(database_url)
            require_empty(database_url)
        with new_folder(folder) as making:
            file = making / DATABASE
            if manifest.holds == SQLITE:
                _fetch(source, manifest.file(DATABASE), file)
            else:
                _load(source, manifest, file, database_url is not None, progress)
            url = sqlite_url(file)
            revision, differences = _judged(
                source.name, manifest, url, kept_head, keep_differences, progress
            )
            _files(source, manifest, making)
            if database_url is not None:
                digests = _digests(url, manifest)
                copy_to_postgresql(
                    url,
                    database_url,
                    agrees=lambda made: _require_same(source.name, made, digests),
                    progress=progress,
                )
                file.unlink()
            address = database_url or f"sqlite:///{DATABASE}"
            _settings(making, address, new_settings)
    return Restored(manifest, revision, differences)


def _fetch(source: Source, note: FileNote, target: Path) -> None:
    """The file written to ``target``, and looked at once more there."""
    target.parent.mkdir(parents=True, exist_ok=True)
    with source.open(note.path) as stream, target.open("xb") as file:
        shutil.copyfileobj(stream, file, CHUNK)
    wrong = altered(FolderSource(target.parent), FileNote(target.name, note.bytes, note.sha256))
    if wrong:
        raise CopyDamaged(source.name, [Problem(note.path, wrong)])


def _files(source: Source, manifest: Manifest, making: Path) -> None:
    (making / ATTACHMENTS).mkdir()
    for note in manifest.files:
        if note.path.startswith(f"{ATTACHMENTS}/") or note.path == settings.NAME:
            _fetch(source, note, making / note.path)


def _settings(making: Path, address: str, new_settings: Callable[[str], str]) -> None:
    path = making / settings.NAME
    text = path.read_text(encoding="utf-8") if path.exists() else ""
    adapted = settings.for_new_site(text, url=address, attachments=ATTACHMENTS)
    path.write_text(new_settings(address) if adapted is None else adapted, encoding="utf-8")


# --- tables into a database ---------------------------------------------------------------


def _load(
    source: Source, manifest: Manifest, file: Path, everywhere: bool, progress: Progress
) -> None:
    """The records of an export in a new SQLite file of the revision they were written with.

    Raises: CopyDamaged with every problem of every table.
    """
    url = sqlite_url(file)
    upgrade(url, to=manifest.revision)
    problems: list[Problem] = []
    with loading(url, manifest.revision) as into:
        noted = {note.path: note for note in manifest.files}
        known = {table_path(table.name) for table in into.tables}
        for path in sorted(noted):
            if path.startswith("tables/") and path not in known:
                problems.append(
                    Problem(path, f"Revision {manifest.revision} has no table of this name.")
                )
        for table in into.tables:
            path = table_path(table.name)
            if path not in noted:
                problems.append(Problem(path, "The file of this table is missing."))
                continue
            progress(f"Table {table.name}")
            rows = _Counted(read_table(source, noted[path], table, problems, everywhere=everywhere))
            for line, message in into.load(table, rows):
                problems.append(Problem(f"{path} line {line}", message))
            told = manifest.tables.get(table.name)
            if rows.count != told:
                message = f"It has {rows.count} sound rows, not the {told} that the manifest tells."
                problems.append(Problem(path, message))
        for name, row, parent in islice(into.broken_references(), MOST_PROBLEMS):
            problems.append(
                Problem(
                    table_path(name), f"Row {row} points at a row of {parent} that is not there."
                )
            )
        if problems:
            raise CopyDamaged(source.name, problems)
        into.commit()


class _Counted:
    """Rows handed on and counted."""

    def __init__(self, rows: Iterable[tuple[int, list[Any]]]) -> None:
        self._rows = rows
        self.count = 0

    def __iter__(self) -> Iterator[tuple[int, list[Any]]]:
        for row in self._rows:
            self.count += 1
            yield row


# --- what was made, judged -----------------------------------------------------------------


def _judged(
    name: str,
    manifest: Manifest,
    url: str,
    kept_head: str | None,
    keep_differences: bool,
    progress: Progress,
) -> tuple[str, tuple[Problem, ...]]:
    """The revision afterwards, and the differences that were kept.

    Raises: CopyDamaged.
    """
    problems: list[Problem] = []
    with reading(url) as database:
        progress("Audit trail")
        if database.revision != manifest.revision:
            problems.append(
                Problem(
                    DATABASE,
                    f"It has revision {database.revision}, not {manifest.revision} as the manifest "
                    "tells.",
                )
            )
        if database.audit_end() != (manifest.entries, manifest.head):
            problems.append(
                Problem(
                    _trail_file(manifest),
                    "The audit trail does not end with the entry that the manifest tells.",
                )
            )
        where = _trail_file(manifest)
        wrong = [Problem(where, text) for text in database.chain()]
        if not keep_differences:
            problems += wrong
        if kept_head is not None and not database.has_entry(kept_head):
            problems.append(
                Problem(where, f"The entry {kept_head}, kept elsewhere, is not in this trail.")
            )
        for table in database.tables if manifest.holds == SQLITE else ():
            if database.count(table) != manifest.tables.get(table.name):
                problems.append(
                    Problem(DATABASE, f"Table {table.name} has not the rows the manifest tells.")
                )
    if problems:
        raise CopyDamaged(name, problems)
    revision = manifest.revision
    if manifest.holds == TABLES and revision != HEAD:
        progress(f"Bringing revision {revision} to {HEAD}")
        revision = upgrade(url)
    if manifest.holds == TABLES and manifest.revision == HEAD:
        with reading(url) as database:
            _require_same(name, database, _noted(manifest))
    return revision, _differences(name, manifest, url, revision, keep_differences, progress)


def _differences(
    name: str,
    manifest: Manifest,
    url: str,
    revision: str,
    keep_differences: bool,
    progress: Progress,
) -> tuple[Problem, ...]:
    if revision != HEAD:
        # of an older revision, and left at it: what this program knows of tables does not apply
        return ()
    with session_on(url) as session:
        if manifest.holds == SQLITE:
            # exactly as it was when it was copied; the facts in it are 'verify's to judge
            progress("Database, references and guards")
            found = [
                Problem(where, text)
                for check, where, text in integrity.problems(session)
                if check in PHYSICAL
            ]
        else:
            found = [
                Problem(one.where, one.text)
                for one in verify(session, with_figures=False, progress=progress).differences
            ]
    if found and not keep_differences:
        raise CopyDamaged(name, found)
    return tuple(found)


def _trail_file(manifest: Manifest) -> str:
    return DATABASE if manifest.holds == SQLITE else table_path("audit_entry")


def _noted(manifest: Manifest) -> dict[str, str]:
    return {note.path: note.sha256 for note in manifest.files if note.path.startswith("tables/")}


def _digests(url: str, manifest: Manifest) -> dict[str, str]:
    """Table file to its digest, of what is in the database at ``url``."""
    if manifest.holds == TABLES and manifest.revision == HEAD:
        return _noted(manifest)
    with reading(url) as database:
        return {
            table_path(table.name): table_digest(table, database.rows(table))
            for table in database.tables
        }


def _require_same(name: str, made: Reading, digests: dict[str, str]) -> None:
    """Nothing when every table, written from ``made``, is byte for byte what it came from.

    Raises: CopyDamaged.
    """
    problems = [
        Problem(
            table_path(table.name),
            "Written again from the new database it is not the same.",
        )
        for table in made.tables
        if table_digest(table, made.rows(table)) != digests.get(table_path(table.name))
    ]
    if problems:
        raise CopyDamaged(name, problems)
