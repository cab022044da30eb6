"""Rows sent together are stored as SQLAlchemy's own statement stores them, on both databases."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, datetime
from decimal import Decimal
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import (
    Column,
    Connection,
    Engine,
    Integer,
    MetaData,
    Table,
    create_engine,
    insert,
    select,
    text,
)
from sqlalchemy.exc import IntegrityError

from calfleet.errors import RecordRefused
from calfleet.store.base import Base
from calfleet.store.bulk import _prepared, insert_rows
from calfleet.store.models import AreaRow, CalibrationRow, SiteRow

AT = datetime(2026, 3, 4, 5, 6, 7, tzinfo=UTC)
MARKS = {"recorded_at": AT, "recorded_by": "P1"}


@pytest.fixture
def unguarded(request: pytest.FixtureRequest, filled: Engine, tmp_path: Path) -> Iterator[Engine]:
    """The tables without guards, so that rows can be taken out again."""
    if filled.dialect.name == "sqlite":
        url = f"sqlite:///{tmp_path / 'unguarded.sqlite'}"
    else:
        url = request.getfixturevalue("empty_postgres_url")
    engine = create_engine(url)
    Base.metadata.create_all(engine)
    yield engine
    engine.dispose()


def typed(engine: Engine, table: Table) -> list[dict[str, Any]]:
    with engine.connect() as connection:
        found = connection.execute(select(table).order_by(*table.primary_key))
        return [dict(row._mapping) for row in found]


def raw(connection: Connection, table: Table) -> list[tuple[Any, ...]]:
    """The rows as the driver gives them, with the types it gives them in."""
    order = ", ".join(f'"{c.name}"' for c in table.primary_key)
    found = connection.execute(text(f'SELECT * FROM "{table.name}" ORDER BY {order}'))
    return [tuple((type(v).__name__, v) for v in row) for row in found]


def test_every_table_is_stored_alike(filled: Engine, unguarded: Engine) -> None:
    kinds = {mapper.local_table: mapper.class_ for mapper in Base.registry.mappers}
    held = {table: typed(filled, table) for table in Base.metadata.sorted_tables}
    held = {table: rows for table, rows in held.items() if rows}
    assert len(held) > 30
    stored = []
    for way in ("statement", "together"):
        with unguarded.connect() as connection:
            for table, rows in held.items():
                if way == "statement":
                    connection.execute(insert(table), rows)
                else:
                    insert_rows(connection, kinds[table], rows)
            stored.append({table.name: raw(connection, table) for table in held})
            connection.rollback()
    assert stored[0] == stored[1]
    assert sum(map(len, stored[1].values())) == sum(map(len, held.values()))


def site(connection: Connection) -> None:
    insert_rows(connection, SiteRow, [{"id": 1, "code": "W", "name": "Works", **MARKS}])


def area(code: str, name: str = "x", site_id: int = 1) -> dict[str, Any]:
    return {"site_id": site_id, "code": code, "name": name, **MARKS}


@pytest.mark.parametrize(
    ("wrong", "said"),
    [
        (area("C", name="n" * 301), "301 characters"),
        (area("C", name="a\0b"), "holds a NUL character"),
        (area("C", site_id=2**31), "is 2147483648"),
    ],
)
def test_what_does_not_fit_is_refused_before_any_is_sent(
    unguarded: Engine, wrong: dict[str, Any], said: str
) -> None:
    with unguarded.connect() as connection:
        site(connection)
        with pytest.raises(RecordRefused, match=said):
            insert_rows(connection, AreaRow, [area("A"), wrong, area("B")])
        assert raw(connection, AreaRow.__table__) == []  # type: ignore[arg-type]


def test_what_just_fits_is_taken(unguarded: Engine) -> None:
    with unguarded.connect() as connection:
        site(connection)
        insert_rows(connection, AreaRow, [area("A", name="n" * 300)])
        assert len(raw(connection, AreaRow.__table__)) == 1  # type: ignore[arg-type]


def test_a_number_with_too_many_digits_is_refused(unguarded: Engine) -> None:
    long = Decimal("1." + "0" * 39)
    row = {"id": 1, "number": "C1", "temperature_c": long}
    with unguarded.connect() as connection, pytest.raises(RecordRefused, match="41 characters"):
        insert_rows(connection, CalibrationRow, [row])


def test_the_order_of_the_values_is_not_that_of_the_table(unguarded: Engine) -> None:
    with unguarded.connect() as connection:
        insert_rows(
            connection,
            SiteRow,
            [dict(reversed({"id": 1, "code": "W", "name": "Works", **MARKS}.items()))],
        )
        mixed = [area("A", name="first"), dict(reversed(area("B", name="second").items()))]
        insert_rows(connection, AreaRow, [dict(reversed(row.items())) for row in mixed])
        found = connection.execute(text("SELECT site_id, code, name FROM area ORDER BY id")).all()
        assert [tuple(row) for row in found] == [(1, "A", "first"), (1, "B", "second")]


def test_columns_that_would_fill_themselves_are_to_be_given(unguarded: Engine) -> None:
    class WithDefault:
        __table__ = Table("t", MetaData(), Column("a", Integer), Column("b", Integer, default=3))

    with unguarded.connect() as connection, pytest.raises(TypeError, match="default"):
        insert_rows(connection, WithDefault, [{"a": 1}])


def test_what_the_database_refuses_is_raised(unguarded: Engine) -> None:
    with unguarded.connect() as connection:
        site(connection)
        with pytest.raises(IntegrityError):
            insert_rows(connection, AreaRow, [area("A"), area("A")])


def test_no_rows_are_no_work(unguarded: Engine) -> None:
    with unguarded.connect() as connection:
        insert_rows(connection, CalibrationRow, [])
        assert raw(connection, CalibrationRow.__table__) == []  # type: ignore[arg-type]


def test_nothing_is_given_back_for_each_row(unguarded: Engine) -> None:
    table = AreaRow.__table__
    names = ("site_id", "code", "name", "recorded_at", "recorded_by")
    statement, _, _ = _prepared(table, names, unguarded.dialect)  # type: ignore[arg-type]
    assert statement.startswith("INSERT INTO area ")
    assert "RETURNING" not in statement
