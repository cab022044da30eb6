"""The schema gate: the one revision this program works on, and what to do about another."""

from __future__ import annotations

from calfleet.errors import SchemaMismatch

HEAD = "0004"
"""The revision this program reads and writes; a test compares it with the migrations' head."""


def require_head(found: str | None, name: str) -> None:
    """Nothing when ``found``, the revision of the database called ``name``, is this program's.

    Raises: SchemaMismatch with the command to run.
    """
    if found == HEAD:
        return
    if found is None:
        raise SchemaMismatch(
            f"The database {name} holds no calfleet tables.",
            rule=f"This program works on revision {HEAD}.",
            next_step="Check the database named in calfleet.toml, or build a new site with "
            "'calfleet build'.",
        )
    raise SchemaMismatch(
        f"The database {name} has revision {found}; this program works on revision {HEAD}.",
        rule="Program and database must have the same revision.",
        next_step=(
            "Install the newer calfleet that wrote it; nothing was changed."
            if found > HEAD
            else "Run 'calfleet upgrade' (it makes a backup first)."
        ),
    )
