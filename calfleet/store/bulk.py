"""Rows of one table sent together: bound column by column and handed to the driver as they are.

The values are bound by the types of the table, as a statement of SQLAlchemy would bind them row by
row; what is left out is the making of a set of parameters for each row, which costs more than
sending it.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Any, cast

from sqlalchemy import BigInteger, Column, Connection, Dialect, Enum, Integer, String, Table, insert
from sqlalchemy.types import TypeDecorator

from calfleet.store.lengths import WHOLE_NUMBERS, check_row
from calfleet.store.types import PlainJson, UtcTime

Row = Mapping[str, Any]


@dataclass(frozen=True, slots=True)
class _Bound:
    """How the values of one column are sent: how each is made, and what may not fit."""

    name: str
    make: Callable[[Any], Any] | None
    text: bool
    limit: int | None
    whole: bool

    def sent(self, values: Iterable[Any]) -> list[Any]:
        make = self.make
        return list(values) if make is None else [make(value) for value in values]

    def fit(self, sent: Iterable[Any]) -> bool:
        """Whether each fits the column; the same as ``check_row`` finds."""
        if self.text:
            limit = self.limit
            for value in sent:
                if value is not None and (
                    (limit is not None and len(value) > limit) or "\0" in value
                ):
                    return False
        elif self.whole:
            return all(value is None or value in WHOLE_NUMBERS for value in sent)
        return True


def insert_rows(connection: Connection, kind: type[Any], rows: Sequence[Row]) -> None:
    """Add ``rows`` to the table of the row class ``kind``; all have the same columns.

    Raises: RecordRefused for a text or whole number that does not fit, before any is sent; what
    the database's constraints refuse.
    """
    if not rows:
        return
    names = tuple(rows[0])
    statement, order, bound = _prepared(cast("Table", kind.__table__), names, connection.dialect)
    columns = []
    for each in bound:
        sent = each.sent([row[each.name] for row in rows])
        if not each.fit(sent):
            for row in rows:  # words the refusal
                check_row(kind(**row))
        columns.append(sent)
    lines = list(zip(*columns, strict=True))
    if order is None:
        connection.exec_driver_sql(statement, [dict(zip(names, x, strict=True)) for x in lines])
    else:
        connection.exec_driver_sql(statement, lines)


@lru_cache(maxsize=64)
def _prepared(
    table: Table, names: tuple[str, ...], dialect: Dialect
) -> tuple[str, tuple[str, ...] | None, tuple[_Bound, ...]]:
    """The statement, the order of its values (``None`` where they have names), the columns."""
    compiled = insert(table).compile(dialect=dialect, column_keys=list(names), for_executemany=True)
    if set(compiled.params) != set(names):
        raise TypeError(f"{table.name} has columns with a default that are not given")
    order = None if compiled.positiontup is None else tuple(compiled.positiontup)
    bound = tuple(_bound(table.columns[name], dialect) for name in order or names)
    return str(compiled), order, bound


def _bound(column: Column[Any], dialect: Dialect) -> _Bound:
    own = column.type.impl if isinstance(column.type, TypeDecorator) else column.type
    always = isinstance(column.type, PlainJson | UtcTime)  # canonical JSON and UTC times fit
    return _Bound(
        name=column.name,
        make=column.type.dialect_impl(dialect).bind_processor(dialect),
        text=isinstance(own, String) and not isinstance(own, Enum) and not always,
        limit=getattr(own, "length", None),
        whole=isinstance(own, Integer) and not isinstance(own, BigInteger),
    )
