"""How values are kept in the database, the same on SQLite and PostgreSQL.

``TypedNumber`` keeps a number as typed: ``Decimal("100.00")`` comes back with both zeros, which
``Numeric`` on SQLite cannot do. ``UtcTime`` keeps an aware UTC time as ISO text, so that its
order and its digest are the same on every database. ``PlainJson`` is canonical JSON text.
"""

from __future__ import annotations

import json
from datetime import UTC, datetime
from decimal import Decimal
from typing import Any

from sqlalchemy import String, Text
from sqlalchemy.engine import Dialect
from sqlalchemy.types import TypeDecorator


class TypedNumber(TypeDecorator[Decimal]):
    """A finite ``Decimal`` stored as its own plain text."""

    impl = String(40)
    cache_ok = True

    def process_bind_param(self, value: Decimal | None, dialect: Dialect) -> str | None:
        return None if value is None else format(value, "f")

    def process_result_value(self, value: str | None, dialect: Dialect) -> Decimal | None:
        return None if value is None else Decimal(value)


class UtcTime(TypeDecorator[datetime]):
    """An aware time stored as UTC text ``2026-11-25T08:30:00.000000Z``."""

    impl = String(27)
    cache_ok = True

    def process_bind_param(self, value: datetime | None, dialect: Dialect) -> str | None:
        return None if value is None else utc_text(value)

    def process_result_value(self, value: str | None, dialect: Dialect) -> datetime | None:
        return None if value is None else datetime.fromisoformat(value)


class PlainJson(TypeDecorator[dict[str, Any]]):
    """JSON data as canonical text: sorted keys, no blanks, so that its digest can be checked."""

    impl = Text()
    cache_ok = True

    def process_bind_param(self, value: dict[str, Any] | None, dialect: Dialect) -> str | None:
        return None if value is None else canonical_json(value)

    def process_result_value(self, value: str | None, dialect: Dialect) -> dict[str, Any] | None:
        return None if value is None else json.loads(value)


def utc_text(moment: datetime) -> str:
    """``moment`` (aware) in UTC with microseconds and ``Z``.

    >>> from datetime import timezone
    >>> utc_text(datetime(2026, 11, 25, 8, 30, tzinfo=timezone.utc))
    '2026-11-25T08:30:00.000000Z'
    """
    return moment.astimezone(UTC).strftime("%Y-%m-%dT%H:%M:%S.%fZ")


_CANONICAL = json.JSONEncoder(
    sort_keys=True, separators=(",", ":"), ensure_ascii=False, allow_nan=False
)


def canonical_json(value: object) -> str:
    """``value`` as JSON text with sorted keys and no blanks (NaN refused)."""
    return _CANONICAL.encode(value)
