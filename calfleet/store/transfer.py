"""Whole tables out of a database and into an empty one, as canonical text, row by row.

Every value has one text, the same from SQLite and from PostgreSQL: a table written from either
has the same bytes. Rows are fetched and stored in portions, so that memory does not grow with a
table.
"""

from __future__ import annotations

import json
import re
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import date, datetime
from decimal import Decimal, InvalidOperation
from typing import Any

from sqlalchemy import (
    BigInteger,
    Boolean,
    CheckConstraint,
    Connection,
    Date,
    Double,
    ForeignKeyConstraint,
    Integer,
    MetaData,
    Numeric,
    String,
    Table,
    UniqueConstraint,
    text,
)
from sqlalchemy.orm import Session
from sqlalchemy.types import TypeEngine

import calfleet.store.models  # noqa: F401 - loads every table
from calfleet.errors import RecordRefused, StoreRefused
from calfleet.store.base import Base
from calfleet.store.engine import open_engine, public_name, refusals, writing
from calfleet.store.revision import HEAD, require_head
from calfleet.store.schema import revision_of
from calfleet.store.types import PlainJson, TypedNumber, UtcTime, canonical_json
from calfleet.store.work import FIRST_PREVIOUS, entry_digest

PORTION = 2_000
"""Rows fetched or stored at once."""
VERSION_TABLE = "alembic_version"

Row = tuple[str | None, ...]


@dataclass(frozen=True, slots=True)
class ColumnShape:
    """A column: ``kind`` is integer, number, decimal, text, boolean, date, time or json.

    ``decimal`` is a number kept as it was typed, ``time`` an UTC time, ``json`` canonical JSON;
    these three are text in the database.
    """

    name: str
    kind: str
    nullable: bool
    most_characters: int | None = None
    words: tuple[str, ...] = ()
    """The words that a CHECK allows; empty where there is none."""
    large: bool = False
    """Whether an integer may need more than 32 bits."""


@dataclass(frozen=True, slots=True)
class Reference:
    """A foreign key: columns here, the table and the columns they point at."""

    columns: tuple[str, ...]
    table: str
    targets: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class TableShape:
    """A table: columns in order, primary key, unique keys, references, checks (name, SQL)."""

    name: str
    columns: tuple[ColumnShape, ...]
    key: tuple[str, ...]
    unique: tuple[tuple[str, ...], ...]
    references: tuple[Reference, ...]
    checks: tuple[tuple[str, str], ...]


def shapes(connection: Connection, revision: str) -> tuple[TableShape, ...]:
    """Every table, those pointed at before those that point.

    For this program's revision from the models; for an older one from the database itself, where
    a column that the models know by name has the kind it has there.
    """
    if revision == HEAD:
        metadata = Base.metadata
    else:
        metadata = MetaData()
        metadata.reflect(connection)
    return tuple(_shape(t) for t in metadata.sorted_tables if t.name != VERSION_TABLE)


def _shape(table: Table) -> TableShape:
    checks = tuple(
        sorted(
            (str(c.name), str(c.sqltext))
            for c in table.constraints
            if isinstance(c, CheckConstraint)
        )
    )
    words = _words(checks)
    return TableShape(
        name=table.name,
        columns=tuple(
            ColumnShape(
                name=column.name,
                kind=_kind(table.name, column.name, column.type),
                nullable=bool(column.nullable),
                most_characters=column.type.length if isinstance(column.type, String) else None,
                words=words.get(column.name, ()),
                large=isinstance(column.type, BigInteger),
            )
            for column in table.columns
        ),
        key=tuple(column.name for column in table.primary_key),
        unique=tuple(
            sorted(
                tuple(column.name for column in c.columns)
                for c in table.constraints
                if isinstance(c, UniqueConstraint)
            )
        ),
        references=tuple(
            sorted(
                (_reference(c) for c in table.foreign_key_constraints),
                key=lambda reference: reference.columns,
            )
        ),
        checks=checks,
    )


def _reference(constraint: ForeignKeyConstraint) -> Reference:
    return Reference(
        tuple(constraint.column_keys),
        constraint.referred_table.name,
        tuple(element.column.name for element in constraint.elements),
    )


def _words(checks: Iterable[tuple[str, str]]) -> dict[str, tuple[str, ...]]:
    """Column to the words allowed, of the checks that say just that."""
    found = {}
    for _, sql in checks:
        listed = re.fullmatch(r"(\w+) IN \(('(?:[^']|'')*'(?:, '(?:[^']|'')*')*)\)", sql)
        if listed:
            words = re.findall(r"'((?:[^']|'')*)'", listed[2])
            found[listed[1]] = tuple(word.replace("''", "'") for word in words)
    return found


def _kind(table: str, column: str, found: TypeEngine[Any]) -> str:
    model = Base.metadata.tables.get(table)
    known = None if model is None else model.columns.get(column)
    kept = found if known is None else known.type
    for kind, types in (
        ("decimal", TypedNumber),
        ("time", UtcTime),
        ("json", PlainJson),
        ("boolean", Boolean),
        ("date", Date),
        ("number", Double),
        ("integer", Integer),
    ):
        if isinstance(kept, types):
            return kind
    if isinstance(kept, Numeric):
        return "number"
    return "text"


# --- canonical text ---------------------------------------------------------------------


def number_text(value: float) -> str:
    """The shortest text that gives this double again; INF, -INF and NaN in words.

    >>> number_text(0.1), number_text(1e-7), number_text(float("-inf"))
    ('0.1', '1e-07', '-INF')
    """
    words = {"inf": "INF", "-inf": "-INF", "nan": "NaN"}
    shown = repr(float(value))
    return words.get(shown, shown)


def _flag_text(value: object) -> str:
    if value not in (0, 1):
        raise ValueError(f"{value!r} is neither true nor false")
    return "true" if value else "false"


def _date_text(value: object) -> str:
    return (
        value.isoformat() if isinstance(value, date) else date.fromisoformat(str(value)).isoformat()
    )


def _word_text(value: object) -> str:
    if not isinstance(value, str):
        raise ValueError(f"{value!r} is not text")
    return value


def _whole_text(value: object) -> str:
    if not isinstance(value, int):
        raise ValueError(f"{value!r} is not a whole number")
    return str(value)


def _double_text(value: object) -> str:
    if not isinstance(value, int | float):
        raise ValueError(f"{value!r} is not a number")
    return number_text(value)


TEXTS: dict[str, Callable[[Any], str]] = {
    "integer": _whole_text,
    "number": _double_text,
    "boolean": _flag_text,
    "date": _date_text,
    "decimal": _word_text,
    "time": _word_text,
    "json": _word_text,
    "text": _word_text,
}


def _whole(words: str) -> int:
    if re.fullmatch(r"0|-?[1-9][0-9]{0,18}", words) is None or abs(int(words)) >= 2**63:
        raise ValueError("is not a whole number")
    return int(words)


def _double(words: str) -> float:
    try:
        value = float(words.replace("INF", "inf"))
    except ValueError:
        raise ValueError("is not a number") from None
    if number_text(value) != words:
        raise ValueError(f"is not a number in its shortest form ({number_text(value)})")
    return value


def _flag(words: str) -> int:
    if words not in ("true", "false"):
        raise ValueError("is neither true nor false")
    return int(words == "true")


def _date(words: str) -> str:
    try:
        fine = date.fromisoformat(words).isoformat() == words
    except ValueError:
        fine = False
    if not fine:
        raise ValueError("is not a date YYYY-MM-DD")
    return words


def _time(words: str) -> str:
    try:
        moment = datetime.strptime(words, "%Y-%m-%dT%H:%M:%S.%fZ")  # noqa: DTZ007 - Z is UTC
        fine = moment.isoformat(timespec="microseconds") + "Z" == words
    except ValueError:
        fine = False
    if not fine:
        raise ValueError("is not a UTC time such as 2026-11-25T08:30:00.000000Z")
    return words


def _decimal(words: str) -> str:
    try:
        value = Decimal(words)
        fine = value.is_finite() and format(value, "f") == words
    except InvalidOperation:
        fine = False
    if not fine:
        raise ValueError("is not a plain decimal number")
    return words


def _json(words: str) -> str:
    try:
        fine = canonical_json(json.loads(words)) == words
    except (ValueError, RecursionError):
        fine = False
    if not fine:
        raise ValueError("is not canonical JSON")
    return words


VALUES: dict[str, Callable[[str], Any]] = {
    "integer": _whole,
    "number": _double,
    "boolean": _flag,
    "date": _date,
    "decimal": _decimal,
    "time": _time,
    "json": _json,
    "text": str,
}


def stored_value(column: ColumnShape, words: str | None, *, everywhere: bool = True) -> Any:
    """What the SQLite driver is given for a canonical text.

    ``everywhere``: what PostgreSQL would not take is refused as well: text longer than its column,
    a NUL in it, a whole number beyond 32 bits. SQLite sites of earlier versions may hold such.

    Raises: ValueError that says what the text is not.
    """
    if words is None:
        if not column.nullable:
            raise ValueError("is missing, and must not be")
        return None
    value = VALUES[column.kind](words)
    if not everywhere:
        return value
    if column.most_characters is not None and len(words) > column.most_characters:
        raise ValueError(f"has more than {column.most_characters} characters")
    if column.kind == "integer" and not column.large and abs(value) >= 2**31:
        raise ValueError("is too large a number")
    if column.kind == "text" and "\0" in words:
        raise ValueError("holds a character that no database takes (NUL)")
    return value


# --- reading ----------------------------------------------------------------------------


class Reading:
    """A database read in one transaction: its revision, tables, rows and audit trail's end."""

    def __init__(self, connection: Connection, url: str, revision: str) -> None:
        self.connection = connection
        self.name = public_name(url)
        self.revision = revision
        self.tables = shapes(connection, revision)

    def rows(self, table: TableShape) -> Iterator[Row]:
        """The rows as canonical text, ``None`` for NULL, in the order of the primary key.

        Raises: StoreRefused for a value that no calfleet wrote, naming the row.
        """
        listed = ", ".join(f'"{column.name}"' for column in table.columns)
        order = ", ".join(f'"{name}"' for name in table.key)
        asked = text(f'SELECT {listed} FROM "{table.name}" ORDER BY {order}')
        texts = [TEXTS[column.kind] for column in table.columns]
        found = self.connection.execute(
            asked, execution_options={"yield_per": PORTION, "stream_results": True}
        )
        for portion in found.partitions():
            for row in portion:
                try:
                    yield tuple(
                        None if value is None else make(value)
                        for make, value in zip(texts, row, strict=True)
                    )
                except ValueError as error:
                    raise StoreRefused(
                        f"The database {self.name} holds a value in {table.name} row {row[0]} "
                        f"that cannot be read: {error}.",
                        rule="Every value is of the kind of its column.",
                        next_step="'calfleet verify' names everything that is wrong.",
                    ) from error

    def count(self, table: TableShape) -> int:
        """How many rows the table holds."""
        return int(
            self.connection.execute(text(f'SELECT count(*) FROM "{table.name}"')).scalar_one()
        )

    def audit_end(self) -> tuple[int, str]:
        """Position and digest of the last audit entry; (0, 64 zeros) when there is none."""
        last = self.connection.execute(
            text("SELECT position, digest FROM audit_entry ORDER BY position DESC LIMIT 1")
        ).first()
        return (0, FIRST_PREVIOUS) if last is None else (int(last[0]), str(last[1]))

    def has_entry(self, digest: str) -> bool:
        """Whether the audit trail holds an entry of this digest."""
        asked = text("SELECT 1 FROM audit_entry WHERE digest = :digest")
        return self.connection.execute(asked, {"digest": digest}).first() is not None

    def site(self) -> tuple[str, str]:
        """Code and name of the site; empty when none was entered."""
        found = self.connection.execute(text("SELECT code, name FROM site ORDER BY id")).first()
        return ("", "") if found is None else (str(found[0]), str(found[1]))

    def attachments(self) -> Iterator[tuple[str, int]]:
        """Digest and size of every attached file; nothing before there was such a table."""
        if any(table.name == "attachment" for table in self.tables):
            for digest, size in self.connection.execute(
                text("SELECT DISTINCT digest, size FROM attachment ORDER BY digest")
            ):
                yield str(digest), int(size)

    def chain(self) -> Iterator[str]:
        """What is wrong with the audit trail, entry after entry, as text; nothing when whole."""
        previous = FIRST_PREVIOUS
        asked = text(
            "SELECT position, at, actor, action, subject, reason, content, previous, digest "
            "FROM audit_entry ORDER BY position"
        )
        found = self.connection.execute(
            asked, execution_options={"yield_per": 1, "stream_results": True}
        )
        for place, row in enumerate(found, 1):
            if row.position != place:
                yield f"Audit entry {place} is missing."
                return
            if row.previous != previous:
                yield f"Audit entry {place} does not follow the entry before it."
            try:
                digest = entry_digest(
                    position=place,
                    at=datetime.fromisoformat(row.at),
                    actor=row.actor,
                    action=row.action,
                    subject=row.subject,
                    reason=row.reason,
                    content=json.loads(row.content),
                    previous=row.previous,
                )
            except (ValueError, TypeError) as error:
                digest = f"unreadable: {error}"
            if digest != row.digest:
                yield f"The words of audit entry {place} are not those it was sealed with."
            previous = row.digest


@contextmanager
def reading(url: str) -> Iterator[Reading]:
    """The database at ``url``, of this program's revision or an older one, in one transaction.

    Raises: SchemaMismatch for an empty database or one of a newer program, StoreRefused.
    """
    engine = open_engine(url)
    try:
        with refusals(url):
            revision = revision_of(engine)
            if revision is None or revision > HEAD:
                require_head(revision, public_name(url))
            with engine.connect() as connection:
                yield Reading(connection, url, str(revision))
    finally:
        engine.dispose()


@contextmanager
def session_on(url: str) -> Iterator[Session]:
    """A session for questions on the database at ``url``.

    Raises: StoreRefused.
    """
    engine = open_engine(url)
    try:
        with refusals(url), Session(engine) as session:
            yield session
    finally:
        engine.dispose()


# --- writing into an empty SQLite database ------------------------------------------------


class Loading:
    """An empty SQLite database being filled in one transaction; ``commit`` keeps it."""

    def __init__(self, connection: Connection, revision: str) -> None:
        self.connection = connection
        self.tables = shapes(connection, revision)

    def load(
        self, table: TableShape, rows: Iterable[tuple[int, Sequence[Any]]]
    ) -> Iterator[tuple[int, str]]:
        """Store ``rows`` (place, stored values); (place, what is wrong) of each refused.

        Every row is tried: one that is refused does not hide the next.
        """
        listed = ", ".join(f'"{column.name}"' for column in table.columns)
        marks = ", ".join("?" for _ in table.columns)
        insert = f'INSERT INTO "{table.name}" ({listed}) VALUES ({marks})'
        driver: Any = self.connection.connection.driver_connection
        portion: list[tuple[int, Sequence[Any]]] = []
        for row in rows:
            portion.append(row)
            if len(portion) == PORTION:
                yield from self._store(driver, insert, portion)
                portion = []
        yield from self._store(driver, insert, portion)

    def _store(
        self, driver: Any, insert: str, portion: list[tuple[int, Sequence[Any]]]
    ) -> Iterator[tuple[int, str]]:
        import sqlite3

        cursor = driver.cursor()
        try:
            cursor.execute("SAVEPOINT portion")
            try:
                cursor.executemany(insert, [values for _, values in portion])
            except sqlite3.Error:
                # row by row, so that every bad one is named
                cursor.execute("ROLLBACK TO portion")
                for place, values in portion:
                    try:
                        cursor.execute(insert, values)
                    except (sqlite3.IntegrityError, sqlite3.DataError) as error:
                        yield place, f"The database refuses it: {error}."
            cursor.execute("RELEASE portion")
        finally:
            cursor.close()

    def broken_references(self) -> Iterator[tuple[str, int, str]]:
        """(table, row, table it points at) of every reference to a row that is not there."""
        for table, row, parent, _ in self.connection.execute(text("PRAGMA foreign_key_check")):
            yield str(table), int(row), str(parent)

    def commit(self) -> None:
        self.connection.commit()


@contextmanager
def loading(url: str, revision: str) -> Iterator[Loading]:
    """The empty SQLite database at ``url``, of ``revision``, ready to be filled.

    References are looked at when all is stored (``broken_references``), in whatever order tables
    come. Leaving without ``commit`` stores nothing.
    """
    engine = open_engine(url)
    try:
        with refusals(url), writing(engine).connect() as connection:
            connection.execute(text("PRAGMA defer_foreign_keys = ON"))
            yield Loading(connection, revision)
            connection.rollback()
    finally:
        engine.dispose()


# --- from one database into another -------------------------------------------------------


def require_empty(url: str) -> None:
    """Nothing when the database at ``url`` has this program's tables and no row in them.

    Raises: RecordRefused naming the first table that holds something.
    """
    with reading(url) as target:
        for table in target.tables:
            if target.count(table):
                raise RecordRefused(
                    f"The database {target.name} holds rows already, in {table.name} among others.",
                    rule="A site is put only into an empty database.",
                    next_step="Name an empty database.",
                )


def copy_to_postgresql(
    source_url: str,
    target_url: str,
    *,
    agrees: Callable[[Reading], None],
    progress: Callable[[str], None] = lambda _: None,
) -> None:
    """Every row of ``source_url`` put into the empty PostgreSQL database ``target_url``.

    One transaction: ``agrees`` is given the filled database before it is kept, and what it raises
    undoes everything. The counters of the keys go on after the largest key.

    Raises: SchemaMismatch, StoreRefused, RecordRefused.
    """
    from psycopg import Error

    require_empty(target_url)
    engine = open_engine(target_url)
    try:
        with (
            refusals(target_url),
            reading(source_url) as source,
            engine.connect() as connection,
        ):
            connection.execute(text("SELECT 1"))
            driver: Any = connection.connection.driver_connection
            try:
                for table in source.tables:
                    progress(f"Table {table.name}")
                    _copy_in(driver, table, source.rows(table))
            except Error as error:
                raise StoreRefused(
                    f"The database {public_name(target_url)} refused rows of {table.name}: "
                    f"{str(error).splitlines()[0]}.",
                    rule="All rows are taken, or none.",
                    next_step="Nothing was written.",
                ) from error
            _set_counters(connection, source.tables)
            agrees(Reading(connection, target_url, source.revision))
            connection.commit()
    finally:
        engine.dispose()


def _copy_in(driver: Any, table: TableShape, rows: Iterable[Row]) -> None:
    listed = ", ".join(f'"{column.name}"' for column in table.columns)
    infinite = [n for n, column in enumerate(table.columns) if column.kind == "number"]
    with (
        driver.cursor() as cursor,
        cursor.copy(f'COPY "{table.name}" ({listed}) FROM STDIN') as into,
    ):
        for row in rows:
            if any(row[n] in ("INF", "-INF") for n in infinite):
                row = tuple(
                    words.replace("INF", "Infinity") if words and n in infinite else words
                    for n, words in enumerate(row)
                )
            into.write_row(row)


def _set_counters(connection: Connection, tables: Iterable[TableShape]) -> None:
    for table in tables:
        for key in table.key:
            connection.execute(
                text(
                    f"SELECT setval(pg_get_serial_sequence(:name, :key), "
                    f'(SELECT max("{key}") FROM "{table.name}")) '
                    f"WHERE pg_get_serial_sequence(:name, :key) IS NOT NULL "
                    f'AND EXISTS (SELECT 1 FROM "{table.name}")'
                ),
                {"name": table.name, "key": key},
            )
