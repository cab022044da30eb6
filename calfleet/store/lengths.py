"""Texts and whole numbers that do not fit their column are refused, on every database alike.

SQLite takes a text of any length into a column declared for 300 characters, and a NUL inside it;
PostgreSQL refuses both. What one database holds the other must be able to take over, so both are
refused here, before anything is sent, with the column's own length from the metadata.
"""

from __future__ import annotations

from functools import cache
from typing import Any, cast

from sqlalchemy import BigInteger, Column, Enum, Integer, String, event, inspect
from sqlalchemy.engine.default import DefaultDialect
from sqlalchemy.orm import Mapper, Session
from sqlalchemy.types import TypeDecorator

from calfleet.errors import RecordRefused

WHOLE_NUMBERS = range(-(2**31), 2**31)
_SHOWN = 40
_ANY_DIALECT = DefaultDialect()


def refuse_what_does_not_fit(session: Session) -> None:
    """From now on every row that the session would insert is checked by :func:`check_row` first.

    Rows added with their parent are checked like any other. The refusal leaves the session's
    transaction open; the unit of work rolls it back.
    """
    event.listen(session, "before_flush", _check_new)


def _check_new(session: Session, _context: Any, _instances: Any) -> None:
    for row in session.new:
        check_row(row)


def check_row(row: Any) -> None:
    """Nothing when each text and whole number of a row fits its column.

    A text is counted in characters as both databases count them; a column without a length takes
    any text. Whole numbers are those of a 32-bit column.

    Raises: RecordRefused, naming the table, the row, the column and its length.
    """
    for key, column, limit in _checked(inspect(type(row))):
        value = getattr(row, key)
        if value is not None and isinstance(column.type, TypeDecorator):
            value = column.type.process_bind_param(value, _ANY_DIALECT)
        if isinstance(value, str):
            _check_text(row, column, value, limit)
        elif isinstance(value, int) and value not in WHOLE_NUMBERS:
            raise RecordRefused(
                f"{_place(row, column)} is {value}.",
                rule=f"A whole number lies between {WHOLE_NUMBERS[0]} and {WHOLE_NUMBERS[-1]}.",
                next_step="Nothing was written. Correct the number and enter it again.",
            )


@cache
def _checked(mapper: Mapper[Any]) -> tuple[tuple[str, Column[Any], int | None], ...]:
    """The attributes of a row class that can fail to fit, with their columns and lengths."""
    found: list[tuple[str, Column[Any], int | None]] = []
    for attribute in mapper.column_attrs:
        column = cast("Column[Any]", attribute.columns[0])
        kind = column.type.impl if isinstance(column.type, TypeDecorator) else column.type
        small = isinstance(kind, Integer) and not isinstance(kind, BigInteger)
        if small or (isinstance(kind, String) and not isinstance(kind, Enum)):
            found.append((attribute.key, column, getattr(kind, "length", None)))
    return tuple(found)


def _check_text(row: Any, column: Column[Any], value: str, limit: int | None) -> None:
    if limit is not None and len(value) > limit:
        raise RecordRefused(
            f"{_place(row, column)} has {len(value)} characters: '{_short(value)}'.",
            rule=f"It holds at most {limit} characters.",
            next_step="Nothing was written. Shorten it and enter it again.",
        )
    if "\0" in value:
        raise RecordRefused(
            f"{_place(row, column)} holds a NUL character: '{_short(value)}'.",
            rule="A text is made of printable characters, tabs and line ends.",
            next_step="Nothing was written. Take the character out and enter it again.",
        )


def _place(row: Any, column: Column[Any]) -> str:
    words = _words(column.name)
    return f"{words[0].upper()}{words[1:]} of {_named(row)}"


def _short(value: str) -> str:
    shown = value if len(value) <= _SHOWN else value[: _SHOWN - 3] + "..."
    return shown.replace("\0", "?").replace("\n", " ")


def _words(name: str) -> str:
    return name.removesuffix("_id").replace("_", " ")


def _named(row: Any) -> str:
    """The row in words: its table, and its own number, code, tag, label or name if it has one."""
    what = _words(row.__tablename__)
    for key in ("number", "code", "tag", "label", "name"):
        value = getattr(row, key, None)
        if isinstance(value, str):
            return f"the {what} '{_short(value)}'"
    return f"a {what}"
