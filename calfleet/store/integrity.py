"""What the database itself can tell of damage: integrity, references, guards."""

from __future__ import annotations

from collections.abc import Iterator

from sqlalchemy import text
from sqlalchemy.orm import Session

from calfleet.store import guards


def problems(session: Session) -> Iterator[tuple[str, str, str]]:
    """(check, where, what) of everything wrong, in the order database, references, guards.

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
    for name in guards.missing(connection):
        yield "guards", name, "The guard is missing, disabled or altered."
