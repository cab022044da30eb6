"""Engines for SQLite and PostgreSQL, and the translation of database refusals."""

from __future__ import annotations

import re
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any
from urllib.parse import quote

from sqlalchemy import Connection, Engine, create_engine, event
from sqlalchemy.engine import make_url
from sqlalchemy.exc import (
    DatabaseError,
    DBAPIError,
    IntegrityError,
    OperationalError,
    SQLAlchemyError,
)

from calfleet.errors import RecordRefused, SiteNotFound, StoreRefused

GUARD_MARK = "append-only"
GUARD_KEY = "already has this key"
BUSY_TIMEOUT_MS = 10_000


def open_engine(url: str) -> Engine:
    """An engine for ``url`` (``sqlite:///file`` or ``postgresql+psycopg://...``).

    SQLite connections enforce foreign keys, fire delete guards on REPLACE, wait for a busy
    database, and begin a transaction when SQLAlchemy says so (the driver would begin one late,
    so that two reads of one unit could see two states). A unit of work that writes takes the
    write lock at its beginning, see ``writing``.
    """
    parsed = make_url(url)
    if parsed.get_backend_name() != "sqlite":
        # all questions of one reading see one state, as on SQLite
        return create_engine(parsed, pool_pre_ping=True, isolation_level="REPEATABLE READ")
    engine = create_engine(parsed, connect_args={"timeout": BUSY_TIMEOUT_MS / 1000})
    event.listen(engine, "connect", _prepare_sqlite)
    event.listen(engine, "begin", _begin_sqlite)
    return engine


def writing(engine: Engine) -> Engine:
    """``engine`` with transactions that take SQLite's write lock at once."""
    return engine.execution_options(calfleet_writes=True)


def _prepare_sqlite(connection: Any, _record: Any) -> None:
    connection.isolation_level = None
    cursor = connection.cursor()
    cursor.execute("PRAGMA foreign_keys = ON")
    cursor.execute("PRAGMA recursive_triggers = ON")
    cursor.execute(f"PRAGMA busy_timeout = {BUSY_TIMEOUT_MS}")
    cursor.close()


def _begin_sqlite(connection: Connection) -> None:
    writes = connection.get_execution_options().get("calfleet_writes", False)
    if writes:
        # what undoes one statement stays in memory: in a file it costs two writes for each page
        # that an insert touches. What undoes the whole unit is on disk as always.
        connection.exec_driver_sql("PRAGMA temp_store = MEMORY")
    connection.exec_driver_sql("BEGIN IMMEDIATE" if writes else "BEGIN")


def sqlite_url(file: Path) -> str:
    """The address of a SQLite file, whatever signs its path holds."""
    return f"sqlite:///{quote(str(file), safe='/ :')}"


def sqlite_file(url: str) -> Path | None:
    """The database file behind ``url``, or ``None`` for another database or a memory one."""
    parsed = make_url(url)
    if parsed.get_backend_name() != "sqlite" or parsed.database in (None, "", ":memory:"):
        return None
    return Path(str(parsed.database))


@contextmanager
def refusals(url: str) -> Iterator[None]:
    """Inside, a refusal of the database is raised as one of calfleet's own errors.

    Raises: StoreRefused (a guard, a lock, a read-only file, an unreachable server),
    RecordRefused (a constraint), SiteNotFound (no such file).
    """
    try:
        yield
    except SQLAlchemyError as error:
        raise _translated(error, url) from error


def _translated(error: SQLAlchemyError, url: str) -> Exception:
    text = str(error.orig) if isinstance(error, DBAPIError) and error.orig else str(error)
    name = public_name(url)
    if GUARD_MARK in text and GUARD_KEY in text:
        what = text.splitlines()[0].partition(f"{GUARD_MARK}: ")[2]
        return RecordRefused(
            f"The database refused the record: {what}.",
            rule="Every record has a key of its own, and none is overwritten.",
            next_step="Nothing was written. Give it another number, or enter it as a correction.",
        )
    if GUARD_MARK in text:
        return StoreRefused(
            f"The database refused the change: {text.splitlines()[0]}.",
            rule="Records of measurement are only ever added.",
            next_step="Enter a new record that names the one it corrects, and why.",
        )
    if isinstance(error, IntegrityError):
        return RecordRefused(
            f"The database refused the record: {text.splitlines()[0]}.",
            rule=_constraint(text),
            next_step="Nothing was written. Correct the record and enter it again.",
        )
    if isinstance(error, OperationalError) and "readonly" in text:
        return read_only(name)
    if isinstance(error, OperationalError) and "locked" in text:
        return StoreRefused(
            f"The database {name} is busy: another calfleet is writing.",
            rule="One writer at a time.",
            next_step="Nothing was written. Wait a moment and run the command again.",
        )
    if "unable to open database file" in text:
        return SiteNotFound(
            f"The database {name} cannot be opened.",
            rule="The file must exist and be readable.",
            next_step="Check the path in calfleet.toml, or restore the file from a backup.",
        )
    if isinstance(error, DatabaseError) and ("not a database" in text or "malformed" in text):
        return StoreRefused(
            f"The file {name} is not an intact calfleet database ({text.splitlines()[0]}).",
            rule="The database file must be whole.",
            next_step="Restore the newest backup; keep the damaged file for examination.",
        )
    return StoreRefused(
        f"The database {name} did not do what was asked: {text.splitlines()[0]}.",
        next_step="Nothing was written. Check the database and run the command again.",
    )


def read_only(name: str) -> StoreRefused:
    """The refusal for a database that cannot be written."""
    return StoreRefused(
        f"The database {name} is read-only.",
        rule="Recording needs a database that can be written.",
        next_step="Nothing was written. Make the file and its folder writable, then run it again.",
    )


def public_name(url: str) -> str:
    """The database as a message names it: its file, or its address without the password."""
    file = sqlite_file(url)
    return str(file) if file else make_url(url).render_as_string(hide_password=True)


def _constraint(text: str) -> str:
    found = re.search(r"\b((?:ck|uq|fk|pk)_\w+)", text)
    return f"Constraint {found.group(1)}." if found else "A constraint of the database."
