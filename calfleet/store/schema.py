"""Which revision a database has, bringing it to this one, and the backup before that."""

from __future__ import annotations

from collections.abc import Callable
from contextlib import closing
from pathlib import Path

from sqlalchemy import Engine, text
from sqlalchemy.engine import make_url
from sqlalchemy.exc import OperationalError, ProgrammingError

from calfleet.errors import SchemaMismatch, SiteNotFound, StoreRefused
from calfleet.store.engine import open_engine, public_name, refusals, sqlite_file
from calfleet.store.revision import HEAD, require_head


def revision_of(engine: Engine) -> str | None:
    """The database's revision, or ``None`` when it has none (empty or not ours)."""
    try:
        with engine.connect() as connection:
            row = connection.execute(text("SELECT version_num FROM alembic_version")).first()
    except (OperationalError, ProgrammingError) as error:
        if "alembic_version" in str(error.orig):
            return None
        raise
    return None if row is None else str(row[0])


def require_current(engine: Engine, url: str) -> None:
    """Nothing when the database has this program's revision.

    Raises: SchemaMismatch with the command to run, SiteNotFound, StoreRefused.
    """
    with refusals(url):
        found = revision_of(engine)
    require_head(found, public_name(url))


def migrations_folder() -> Path:
    """Where the migrations lie: inside an installed wheel, or beside the checkout.

    Raises: SiteNotFound when neither is there.
    """
    package = Path(__file__).resolve().parent.parent
    for folder in (package / "_migrations", package.parent / "migrations"):
        if (folder / "env.py").is_file():
            return folder
    raise SiteNotFound(
        "The migrations of this installation are missing.",
        rule="They are part of the package.",
        next_step="Install calfleet again.",
    )


def upgrade(url: str, *, to: str = "head") -> str:
    """The revision after upgrading the database at ``url``; a new one is created.

    Raises: SchemaMismatch for a database from a newer program, StoreRefused.
    """
    from alembic import command
    from alembic.config import Config
    from alembic.util import CommandError

    config = Config()
    config.set_main_option("script_location", str(migrations_folder()).replace("%", "%%"))
    config.attributes["url"] = url
    try:
        with refusals(url):
            command.upgrade(config, to)
            engine = open_engine(url)
            try:
                return revision_of(engine) or ""
            finally:
                engine.dispose()
    except CommandError as error:
        raise SchemaMismatch(
            f"The database cannot be upgraded: {error}.",
            rule=f"This program knows the revisions up to {HEAD}.",
            next_step="Install the calfleet that wrote it.",
        ) from error


def backup_sqlite(url: str, target: Path, progress: Callable[[str], None] | None = None) -> Path:
    """``target``, a complete copy of the SQLite database at ``url`` taken while it is in use.

    One state of the database, with what its write-ahead log holds; the copy is one file without
    such a log.

    Raises: StoreRefused when ``url`` is not a SQLite file, ``target`` exists, or the source or
    the copy is not whole; SiteNotFound when there is no such file.
    """
    import sqlite3

    source = sqlite_file(url)
    if source is None:
        raise StoreRefused(
            f"{make_url(url).render_as_string(hide_password=True)} is not a database file.",
            rule="Only a SQLite site has a database file to copy.",
            next_step="Use 'calfleet backup', which copies the tables of a database server.",
        )
    if not source.is_file():
        raise SiteNotFound(
            f"The database {source} does not exist.",
            rule="What is not there cannot be copied.",
            next_step="Check the path in calfleet.toml, or restore a backup.",
        )
    if target.exists():
        raise StoreRefused(
            f"{target} exists already.",
            rule="A backup never overwrites a file.",
            next_step="Choose another name.",
        )
    target.parent.mkdir(parents=True, exist_ok=True)
    try:
        with (
            closing(sqlite3.connect(f"{source.resolve().as_uri()}?mode=ro", uri=True)) as reader,
            closing(sqlite3.connect(target)) as writer,
        ):
            reader.backup(writer)
            writer.execute("PRAGMA journal_mode = DELETE")
            check = str(writer.execute("PRAGMA integrity_check").fetchone()[0])
    except sqlite3.Error as error:
        check = str(error)
    if check != "ok":
        target.unlink(missing_ok=True)
        raise StoreRefused(
            f"The copy of {source} failed its own check: {check}.",
            rule="A backup must be whole.",
            next_step="Examine the database before going on: 'calfleet verify' names what is "
            "wrong. Keep the damaged file, and restore the newest backup into another folder.",
        )
    if progress:
        progress(f"Backup written to {target}")
    return target
