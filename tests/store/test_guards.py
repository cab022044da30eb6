"""Rows are only ever added: every other way is refused, on both databases.

Every table is tried through the databases' own drivers, on connections that the program did not
open, as somebody with another tool would.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from contextlib import closing

import psycopg
import pytest
from sqlalchemy import Engine, text
from sqlalchemy.exc import DBAPIError

from calfleet.store import guards
from calfleet.store.base import Base
from calfleet.store.engine import open_engine

TABLES = [table.name for table in Base.metadata.sorted_tables]


@pytest.fixture
def engine(database_url: str) -> Iterator[Engine]:
    made = open_engine(database_url)
    with made.begin() as connection:
        connection.execute(
            text(
                "INSERT INTO site (id, code, name, recorded_at, recorded_by) "
                "VALUES (1, 'W', 'Works', '2026-01-01T00:00:00.000000Z', 'P1')"
            )
        )
    yield made
    made.dispose()


def refused(engine: Engine, statement: str) -> None:
    with pytest.raises(DBAPIError, match="append-only"), engine.begin() as connection:
        connection.exec_driver_sql(statement)
    with engine.connect() as connection:
        assert connection.execute(text("SELECT code, name FROM site")).all() == [("W", "Works")]


def test_a_row_is_never_changed(engine: Engine) -> None:
    refused(engine, "UPDATE site SET name = 'Other'")


def test_a_row_is_never_removed(engine: Engine) -> None:
    refused(engine, "DELETE FROM site")


def test_a_row_is_never_replaced(engine: Engine) -> None:
    values = "'W', 'Other', '2026-01-01T00:00:00.000000Z', 'P1'"
    columns = "code, name, recorded_at, recorded_by"
    if engine.dialect.name == "sqlite":
        refused(engine, f"INSERT OR REPLACE INTO site (id, {columns}) VALUES (1, {values})")
        # by the natural key, and on a connection that does not fire delete triggers on REPLACE
        with engine.connect() as connection:
            connection.exec_driver_sql("PRAGMA recursive_triggers = OFF")
        refused(engine, f"REPLACE INTO site ({columns}) VALUES ({values})")
    refused(
        engine,
        f"INSERT INTO site (id, {columns}) VALUES (2, {values}) "
        "ON CONFLICT (code) DO UPDATE SET name = 'Other'",
    )


def test_a_table_is_never_emptied_at_once(engine: Engine) -> None:
    if engine.dialect.name == "postgresql":
        refused(engine, "TRUNCATE site CASCADE")
    else:
        refused(engine, "DELETE FROM site WHERE 1")


def test_every_table_has_its_guards(engine: Engine) -> None:
    with engine.connect() as connection:
        found = guards.present(connection)
        assert guards.missing(connection) == []
    per_table = 3 if engine.dialect.name == "sqlite" else 2
    assert len(found) == per_table * len(TABLES)
    for table in TABLES:
        assert sum(name.startswith(f"guard_{table}_") for name in found) >= per_table


def test_a_dropped_guard_is_found_and_restored(engine: Engine) -> None:
    sqlite = engine.dialect.name == "sqlite"
    name = "guard_site_update" if sqlite else "guard_site_change"
    on = "" if sqlite else " ON site"
    with engine.begin() as connection:
        connection.exec_driver_sql(f"DROP TRIGGER {name}{on}")
    with engine.begin() as connection:
        assert guards.missing(connection) == [name]
        assert guards.restore(connection) == [name]
        assert guards.missing(connection) == []
    refused(engine, "UPDATE site SET name = 'Other'")


def test_an_altered_guard_is_found(engine: Engine) -> None:
    sqlite = engine.dialect.name == "sqlite"
    with engine.begin() as connection:
        if sqlite:
            connection.exec_driver_sql("DROP TRIGGER guard_site_delete")
            connection.exec_driver_sql(
                "CREATE TRIGGER guard_site_delete BEFORE DELETE ON site "
                "WHEN OLD.code <> 'W' BEGIN SELECT RAISE(ABORT, 'append-only'); END"
            )
        else:
            connection.exec_driver_sql("ALTER TABLE site DISABLE TRIGGER guard_site_change")
    with engine.connect() as connection:
        altered = "guard_site_delete" if sqlite else "guard_site_change"
        assert guards.missing(connection) == [altered]


# --- every table, by the bare driver --------------------------------------------------------------

ROWS = "SELECT * FROM {0} ORDER BY 1"


def first_column(table: str) -> str:
    return Base.metadata.tables[table].columns.keys()[0]


@pytest.fixture(scope="module")
def bare_sqlite(filled_sqlite: Engine) -> Iterator[sqlite3.Connection]:
    with closing(sqlite3.connect(str(filled_sqlite.url.database))) as connection:
        yield connection


@pytest.fixture(scope="module")
def bare_postgres(filled_postgres: Engine) -> Iterator[psycopg.Connection]:
    address = filled_postgres.url.set(drivername="postgresql").render_as_string(False)
    with psycopg.connect(address) as connection:
        yield connection
        connection.rollback()


@pytest.mark.parametrize("table", TABLES)
def test_nothing_but_adding_by_the_driver_of_sqlite(
    bare_sqlite: sqlite3.Connection, table: str
) -> None:
    """UPDATE, DELETE and REPLACE, with and without triggers on the rows that REPLACE removes."""
    column = first_column(table)
    before = bare_sqlite.execute(ROWS.format(table)).fetchall()
    assert before, "a guard on rows shows only where there are rows"
    for recursive in ("OFF", "ON"):
        bare_sqlite.execute(f"PRAGMA recursive_triggers = {recursive}")
        for statement in (
            f"UPDATE {table} SET {column} = {column}",
            f"UPDATE OR REPLACE {table} SET {column} = {column}",
            f"DELETE FROM {table}",
            f"DELETE FROM {table} WHERE {column} = (SELECT min({column}) FROM {table})",
            f"REPLACE INTO {table} SELECT * FROM {table}",
            f"INSERT OR REPLACE INTO {table} SELECT * FROM {table} LIMIT 1",
        ):
            with pytest.raises(sqlite3.IntegrityError, match=f"append-only: {table} "):
                bare_sqlite.execute(statement)
            bare_sqlite.rollback()
    assert bare_sqlite.execute(ROWS.format(table)).fetchall() == before


@pytest.mark.postgres
@pytest.mark.parametrize("table", TABLES)
def test_nothing_but_adding_by_the_driver_of_postgresql(
    bare_postgres: psycopg.Connection, table: str
) -> None:
    """TRUNCATE alone and with what hangs on it, UPDATE, DELETE, and an INSERT that would update."""
    column = first_column(table)

    def rows() -> list[tuple[object, ...]]:
        found = bare_postgres.execute(ROWS.format(table)).fetchall()  # type: ignore[call-overload]
        return list(found)

    before = rows()
    assert before, "a guard on rows shows only where there are rows"
    for statement in (
        f"TRUNCATE {table} CASCADE",
        f"TRUNCATE {table} RESTART IDENTITY CASCADE",
        f"UPDATE {table} SET {column} = {column}",
        f"DELETE FROM {table}",
        f"INSERT INTO {table} SELECT * FROM {table} "
        f"ON CONFLICT ({column}) DO UPDATE SET {column} = EXCLUDED.{column}",
    ):
        with pytest.raises(psycopg.IntegrityError, match="append-only"):
            bare_postgres.execute(statement)  # type: ignore[call-overload]
        bare_postgres.rollback()
    assert rows() == before


@pytest.mark.postgres
def test_a_table_nothing_hangs_on_is_not_truncated_alone_either(
    bare_postgres: psycopg.Connection,
) -> None:
    """Without CASCADE a foreign key would refuse first; where none points, the guard must."""
    pointed_at = {
        key.column.table.name
        for table in Base.metadata.sorted_tables
        for key in table.foreign_keys
        if key.column.table.name != table.name
    }
    free = sorted(set(TABLES) - pointed_at)
    assert len(free) > 10
    for table in free:
        with pytest.raises(psycopg.IntegrityError, match=f"append-only: {table} "):
            bare_postgres.execute(f"TRUNCATE {table}")  # type: ignore[call-overload]
        bare_postgres.rollback()
