"""Rows are only ever added: every other way is refused, on both databases."""

from __future__ import annotations

from collections.abc import Iterator

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
