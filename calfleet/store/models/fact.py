"""What every fact carries, and the CHECK that a word is one of a list."""

from __future__ import annotations

from collections.abc import Iterable

from sqlalchemy import CheckConstraint
from sqlalchemy.orm import Mapped, mapped_column

from calfleet.store.columns import Code, Key, Moment


class Keyed:
    """A surrogate key; natural keys are UNIQUE constraints beside it."""

    id: Mapped[Key] = mapped_column(sort_order=-100)


class Fact(Keyed):
    """Key and the two marks of entry: ``recorded_at`` (UTC) and ``recorded_by``.

    ``recorded_by`` is the person's code in words, not a key: the site itself is entered before
    anybody exists in the database. Rows that are parts of a fact (points, cycles, steps) have
    no marks of their own; they are entered with their parent.
    """

    recorded_at: Mapped[Moment] = mapped_column(sort_order=90)
    recorded_by: Mapped[Code] = mapped_column(sort_order=91)


def one_of(column: str, words: Iterable[str], name: str) -> CheckConstraint:
    """A CHECK that ``column`` holds one of ``words``."""
    listed = ", ".join("'" + str(word).replace("'", "''") + "'" for word in words)
    return CheckConstraint(f"{column} IN ({listed})", name=name)
