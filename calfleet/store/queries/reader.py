"""Asking: SQL text with the kinds of its columns, through whatever connection is at hand.

The due list must feel instant, and loading SQLAlchemy costs more than the whole answer. So the
questions it needs are SQL text, asked through the driver's own connection on a SQLite site and
through SQLAlchemy everywhere else; the rows are the same. A test asks every one of them both ways
and on both databases.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Callable, Mapping
from contextlib import closing, contextmanager
from dataclasses import dataclass
from datetime import date
from decimal import Decimal
from pathlib import Path
from typing import TYPE_CHECKING, Any

from calfleet.errors import CalfleetError, SiteNotFound, StoreRefused

if TYPE_CHECKING:
    from collections.abc import Iterator

    from sqlalchemy import Connection
    from sqlalchemy.orm import Session

    Reader = sqlite3.Connection | Connection | Session

Kind = Callable[[Any], Any]


def as_day(value: date | str) -> date:
    """A day: PostgreSQL gives a date, SQLite its ISO text."""
    return value if isinstance(value, date) else date.fromisoformat(value)


DAY: Kind = as_day
FLAG: Kind = bool
TYPED: Kind = Decimal
NUMBER: Kind = float


@dataclass(frozen=True)
class Question:
    """SQL with ``:name`` parameters, and for each column that needs one what makes its value."""

    sql: str
    kinds: Mapping[str, Kind]


def question(sql: str, **kinds: Kind) -> Question:
    """``sql`` whose named columns are made by the kinds given; NULL stays ``None``."""
    return Question(sql, kinds)


def ask(reader: Reader, asked: Question, **parameters: Any) -> list[tuple[Any, ...]]:
    """The rows as tuples, in the order and of the columns that the SQL says."""
    if isinstance(reader, sqlite3.Connection):
        cursor = reader.execute(asked.sql, _iso(parameters))
        names = [column[0] for column in cursor.description]
        rows: list[tuple[Any, ...]] = cursor.fetchall()
    else:
        from sqlalchemy import text

        bind = reader.get_bind() if hasattr(reader, "get_bind") else reader
        given = _iso(parameters) if bind.dialect.name == "sqlite" else parameters
        result = reader.execute(text(asked.sql), given)
        names = list(result.keys())
        rows = [tuple(row) for row in result]
    places = [(n, asked.kinds[name]) for n, name in enumerate(names) if name in asked.kinds]
    return [_made(row, places) for row in rows] if places else rows


def _made(row: tuple[Any, ...], places: list[tuple[int, Kind]]) -> tuple[Any, ...]:
    values = list(row)
    for n, kind in places:
        if values[n] is not None:
            values[n] = kind(values[n])
    return tuple(values)


def _iso(parameters: Mapping[str, Any]) -> dict[str, Any]:
    return {k: v.isoformat() if isinstance(v, date) else v for k, v in parameters.items()}


@contextmanager
def quick_reader(file: Path, require: Callable[[str | None, str], None]) -> Iterator[Reader]:
    """A read-only driver connection to a SQLite file; ``require`` is told its revision.

    One read transaction spans all questions, so that they see one state.

    Raises: SiteNotFound, StoreRefused, and what ``require`` raises.
    """
    try:
        with closing(sqlite3.connect(f"{file.resolve().as_uri()}?mode=ro", uri=True)) as reader:
            reader.isolation_level = None
            reader.execute("BEGIN")
            require(_revision(reader), str(file))
            yield reader
    except CalfleetError:
        raise
    except sqlite3.DatabaseError as error:
        text = str(error)
        if "unable to open" in text:
            raise SiteNotFound(
                f"The database {file} cannot be opened.",
                rule="The file must exist and be readable.",
                next_step="Check the path in calfleet.toml, or restore it from a backup.",
            ) from error
        raise StoreRefused(
            f"The file {file} is not an intact calfleet database ({text}).",
            rule="The database file must be whole.",
            next_step="Restore the newest backup; keep the damaged file for examination.",
        ) from error


def _revision(reader: sqlite3.Connection) -> str | None:
    try:
        row = reader.execute("SELECT version_num FROM alembic_version").fetchone()
    except sqlite3.OperationalError as error:
        if "no such table" in str(error):
            return None
        raise
    return None if row is None else str(row[0])
