"""Append-only guards: triggers that refuse UPDATE, DELETE, REPLACE and TRUNCATE on every table.

The migrations create them (from their own frozen text); this module tells what they must look
like today, creates them again after a table was rebuilt, and reports any that is missing or
altered.
"""

from __future__ import annotations

from collections.abc import Iterable

from sqlalchemy import Connection, Table, UniqueConstraint, text

from calfleet.store.base import Base
from calfleet.store.engine import GUARD_MARK

POSTGRES_FUNCTION = "calfleet_refuse_change"
POSTGRES_BODY = (
    "BEGIN RAISE EXCEPTION 'append-only: % rows are never changed or removed', TG_TABLE_NAME "
    "USING ERRCODE = 'integrity_constraint_violation'; END"
)
"""What the function does that every guard on PostgreSQL calls."""


def expected(dialect: str) -> dict[str, str]:
    """Every guard's name with the SQL that creates it, for ``sqlite`` or ``postgresql``."""
    make = _sqlite_guards if dialect == "sqlite" else _postgres_guards
    return {name: sql for table in Base.metadata.sorted_tables for name, sql in make(table).items()}


def _sqlite_guards(table: Table) -> dict[str, str]:
    name = table.name
    key = next(iter(table.primary_key)).name
    keys = [(key,), *_unique_keys(table)]
    taken = " OR ".join(
        f"EXISTS (SELECT 1 FROM {name} WHERE "
        + " AND ".join(f"{column} = NEW.{column}" for column in columns)
        + ")"
        for columns in keys
    )
    refuse = "SELECT RAISE(ABORT, '{0}: {1} {2}')".format
    return {
        f"guard_{name}_update": (
            f"CREATE TRIGGER guard_{name}_update BEFORE UPDATE ON {name} "
            f"BEGIN {refuse(GUARD_MARK, name, 'rows are never changed')}; END"
        ),
        f"guard_{name}_delete": (
            f"CREATE TRIGGER guard_{name}_delete BEFORE DELETE ON {name} "
            f"BEGIN {refuse(GUARD_MARK, name, 'rows are never removed')}; END"
        ),
        # REPLACE removes the old row without firing a delete trigger unless the connection
        # asked for recursive triggers, so an existing key is refused before the insert.
        f"guard_{name}_insert": (
            f"CREATE TRIGGER guard_{name}_insert BEFORE INSERT ON {name} WHEN {taken} "
            f"BEGIN {refuse(GUARD_MARK, name, 'already has this key')}; END"
        ),
    }


def _unique_keys(table: Table) -> list[tuple[str, ...]]:
    """Column names of each unique constraint that does not hold the primary key, sorted."""
    keys = [
        tuple(column.name for column in constraint.columns)
        for constraint in table.constraints
        if isinstance(constraint, UniqueConstraint)
        and not any(column.primary_key for column in constraint.columns)
    ]
    return sorted(keys)


def _postgres_guards(table: Table) -> dict[str, str]:
    name = table.name
    return {
        f"guard_{name}_change": (
            f"CREATE TRIGGER guard_{name}_change BEFORE DELETE OR UPDATE ON {name} "
            f"FOR EACH ROW EXECUTE FUNCTION {POSTGRES_FUNCTION}()"
        ),
        f"guard_{name}_truncate": (
            f"CREATE TRIGGER guard_{name}_truncate BEFORE TRUNCATE ON {name} "
            f"FOR EACH STATEMENT EXECUTE FUNCTION {POSTGRES_FUNCTION}()"
        ),
    }


def present(connection: Connection) -> dict[str, str]:
    """Every guard found in the database: name to its definition as the database tells it."""
    if connection.dialect.name == "sqlite":
        rows = connection.execute(
            text("SELECT name, sql FROM sqlite_master WHERE type = 'trigger' ORDER BY name")
        )
    else:
        # a disabled trigger (tgenabled <> 'O') guards nothing, so it does not count as present
        rows = connection.execute(
            text(
                "SELECT tgname, pg_get_triggerdef(oid) FROM pg_trigger "
                "WHERE NOT tgisinternal AND tgenabled = 'O' ORDER BY tgname"
            )
        )
    return {str(name): str(sql) for name, sql in rows}


def missing(connection: Connection) -> list[str]:
    """Names of guards that are absent, disabled or altered, sorted; empty when all stand.

    On PostgreSQL the function they call is one of them: replaced, it would refuse nothing.
    """
    wanted = expected(connection.dialect.name)
    found = present(connection)
    gone = {
        name
        for name, sql in wanted.items()
        if name not in found or _folded(found[name]) != _folded(sql)
    }
    if connection.dialect.name == "postgresql" and not _function_stands(connection):
        gone.add(POSTGRES_FUNCTION)
    return sorted(gone)


def _function_stands(connection: Connection) -> bool:
    rows = connection.execute(
        text(
            "SELECT DISTINCT f.prosrc, l.lanname FROM pg_trigger t "
            "JOIN pg_proc f ON f.oid = t.tgfoid JOIN pg_language l ON l.oid = f.prolang "
            "WHERE NOT t.tgisinternal AND f.proname = :name"
        ),
        {"name": POSTGRES_FUNCTION},
    )
    return [(_folded(body), language) for body, language in rows] == [(POSTGRES_BODY, "plpgsql")]


def foreign(connection: Connection) -> list[tuple[str, str]]:
    """(name, table) of triggers on this program's tables that are not its own, sorted."""
    asked = (
        "SELECT name, tbl_name FROM sqlite_master WHERE type = 'trigger'"
        if connection.dialect.name == "sqlite"
        else "SELECT t.tgname, c.relname FROM pg_trigger t JOIN pg_class c ON c.oid = t.tgrelid "
        "WHERE NOT t.tgisinternal"
    )
    wanted = expected(connection.dialect.name)
    return sorted(
        (str(name), str(table))
        for name, table in connection.execute(text(asked))
        if name not in wanted and table in Base.metadata.tables
    )


def _folded(sql: str) -> str:
    """SQL without the differences a database makes when it tells a definition again."""
    return " ".join(sql.replace("public.", "").replace(" ON ONLY ", " ON ").split())


def restore(connection: Connection, names: Iterable[str] | None = None) -> list[str]:
    """Create the absent guards among ``names`` (all when ``None``); the names created."""
    wanted = expected(connection.dialect.name)
    found = present(connection)
    created = [n for n in (wanted if names is None else names) if n not in found]
    for name in created:
        connection.execute(text(wanted[name].replace(":", r"\:")))
    return created
