"""What the database itself can tell of damage: integrity, references, guards."""

from __future__ import annotations

from collections.abc import Iterator

from sqlalchemy import Connection, String, select, text, type_coerce
from sqlalchemy.orm import Session

from calfleet.store import guards
from calfleet.store.base import Base


def problems(session: Session) -> Iterator[tuple[str, str, str]]:
    """(check, where, what) of everything wrong: database, references, numbers, marks, guards.

    PostgreSQL keeps its references by itself (a validated foreign key cannot be broken without
    being dropped); what is asked there is whether every foreign key still stands validated.
    """
    connection = session.connection()
    if connection.dialect.name == "sqlite":
        for (line,) in connection.execute(text("PRAGMA integrity_check")):
            if line != "ok":
                yield "database", "file", str(line)
        for table, row, parent, _ in connection.execute(text("PRAGMA foreign_key_check")):
            yield "references", f"{table} row {row}", f"It points at no row of {parent}."
    else:
        rows = connection.execute(
            text(
                "SELECT conrelid::regclass::text, conname FROM pg_constraint "
                "WHERE contype = 'f' AND NOT convalidated ORDER BY conname"
            )
        )
        for table, name in rows:
            yield "references", table, f"The foreign key {name} is not validated."
    yield from _numbers(connection)
    yield from _marks(connection)
    for name in guards.missing(connection):
        yield "guards", name, "The guard is missing, disabled or altered."
    for name, table in guards.foreign(connection):
        yield (
            "guards",
            name,
            f"A trigger on {table} that is none of this program's: it may change or drop what is "
            "entered.",
        )


def _marks(connection: Connection) -> Iterator[tuple[str, str, str]]:
    """Facts entered at a time or by a person of which the audit trail has no entry."""
    for table in Base.metadata.sorted_tables:
        if "recorded_at" not in table.columns:
            continue
        rows = connection.execute(
            text(
                f"SELECT min(id), recorded_at, recorded_by FROM {table.name} f WHERE NOT EXISTS "
                "(SELECT 1 FROM audit_entry e WHERE e.at = f.recorded_at "
                "AND e.actor = f.recorded_by) GROUP BY recorded_at, recorded_by ORDER BY 1"
            )
        )
        for row, at, by in rows:
            yield (
                "marks",
                f"{table.name} row {row}",
                f"It is marked as entered {at} by {by}; the audit trail has no such entry.",
            )


def _numbers(connection: Connection) -> Iterator[tuple[str, str, str]]:
    """Numbers kept as typed beside the double that constraints use: the two must agree."""
    for table in Base.metadata.sorted_tables:
        for column in table.columns:
            typed = table.columns.get(column.name.removesuffix("_value"))
            if not column.name.endswith("_value") or typed is None or typed is column:
                continue
            key = next(iter(table.primary_key))
            rows = connection.execute(
                select(key, type_coerce(typed, String), column).where(typed.is_not(None))
            )
            for row, words, value in rows:
                try:
                    agrees = float(words) == value
                except ValueError:
                    agrees = False
                if not agrees:
                    yield (
                        "numbers",
                        f"{table.name} row {row}",
                        f"{typed.name} is typed as {words!r} but kept as {value!r}.",
                    )
