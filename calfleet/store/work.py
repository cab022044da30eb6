"""The unit of work: one actor, one time, one transaction, one audit entry."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable
from contextlib import AbstractContextManager
from dataclasses import fields, is_dataclass
from datetime import datetime
from decimal import Decimal
from operator import attrgetter
from types import TracebackType
from typing import Any, Self

from sqlalchemy import Engine, func, select, text
from sqlalchemy.exc import SQLAlchemyError
from sqlalchemy.orm import Session

from calfleet.records import to_plain
from calfleet.store.engine import refusals, writing
from calfleet.store.lengths import refuse_what_does_not_fit
from calfleet.store.models import AuditEntryRow
from calfleet.store.types import canonical_json, utc_text

FIRST_PREVIOUS = "0" * 64
CACHE_KIB = 65_536
"""How much SQLite may hold in memory for a unit of work. With its own 2 MB it writes and reads the
same pages of its indexes again and again while tens of thousands of records are added."""


def digest_of(record: object) -> str:
    """SHA-256 (hex) of a record's canonical JSON form."""
    try:
        form = _FORM.encode(record)
    except (TypeError, ValueError):  # what JSON cannot say by itself, such as an infinite float
        form = canonical_json(to_plain(record))
    return hashlib.sha256(form.encode()).hexdigest()


_FIELDS: dict[type[object], tuple[tuple[str, ...], Callable[[object], tuple[Any, ...]] | None]] = {}
"""Names of a record's fields with what takes their values; no names for what is no such record."""


def _shallow(value: object) -> object:
    """The plain form of one value that JSON does not know; what is inside it comes later."""
    kind = type(value)
    if kind is Decimal:
        return format(value, "f")
    held = _FIELDS.get(kind)
    if held is None:
        names = tuple(sorted(f.name for f in fields(kind))) if is_dataclass(kind) else ()
        held = _FIELDS[kind] = (names, attrgetter(*names)) if len(names) > 1 else ((), None)
    names, values = held
    if values is None:
        return to_plain(value)
    return dict(zip(names, values(value), strict=True))


_FORM = json.JSONEncoder(
    sort_keys=True, separators=(",", ":"), ensure_ascii=False, allow_nan=False, default=_shallow
)
"""Writes the text of ``canonical_json(to_plain(...))`` without making the plain form first."""


def entry_digest(
    *,
    position: int,
    at: datetime,
    actor: str,
    action: str,
    subject: str,
    reason: str,
    content: dict[str, Any],
    previous: str,
) -> str:
    """SHA-256 (hex) of an audit entry's canonical JSON form, which holds ``previous``."""
    form = {
        "position": position,
        "at": utc_text(at),
        "actor": actor,
        "action": action,
        "subject": subject,
        "reason": reason,
        "content": content,
        "previous": previous,
    }
    return hashlib.sha256(canonical_json(form).encode()).hexdigest()


class Work(AbstractContextManager["Work"]):
    """Facts entered together: all of them and their audit entry, or nothing.

    Use as a context manager and call ``commit()`` at the end; leaving without it, by an error
    or an interrupt, rolls everything back.

    Raises (from database refusals): StoreRefused, RecordRefused, SiteNotFound.
    """

    def __init__(
        self,
        engine: Engine,
        *,
        actor: str,
        at: datetime,
        action: str,
        subject: str,
        reason: str = "",
    ) -> None:
        self.actor = actor
        self.at = at
        self.action = action
        self.subject = subject
        self.reason = reason
        self.session = Session(writing(engine), expire_on_commit=False)
        refuse_what_does_not_fit(self.session)
        self.ids: dict[tuple[object, ...], int] = {}
        self._url = str(engine.url)
        self._facts: list[dict[str, str]] = []

    def __enter__(self) -> Self:
        try:
            with refusals(self._url):
                if self.session.get_bind().dialect.name == "postgresql":
                    # one writer at a time, as on SQLite: the audit chain has one end
                    self.session.execute(text("LOCK TABLE audit_entry IN EXCLUSIVE MODE"))
                else:
                    connection = self.session.connection()
                    connection.exec_driver_sql(f"PRAGMA cache_size = -{CACHE_KIB}")
        except BaseException:
            self.session.close()
            raise
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.session.rollback()
        self.session.close()
        if isinstance(error, SQLAlchemyError):
            with refusals(self._url):
                raise error

    def fact(self, kind: str, key: str, record: object, *, digest: str | None = None) -> None:
        """Note a fact for the audit entry: what it is, its natural key, and its digest.

        ``digest``: what :func:`digest_of` gives of the record, where it is at hand.
        """
        self._facts.append({"kind": kind, "key": key, "digest": digest or digest_of(record)})

    def marks(self) -> dict[str, Any]:
        """The two marks of entry that every fact row carries."""
        return {"recorded_at": self.at, "recorded_by": self.actor}

    def commit(self) -> str:
        """The digest of the audit entry, after everything is safely in the database."""
        with refusals(self._url):
            self.session.flush()
            last = self.session.execute(
                select(AuditEntryRow.position, AuditEntryRow.digest)
                .order_by(AuditEntryRow.position.desc())
                .limit(1)
            ).first()
            position, previous = (1, FIRST_PREVIOUS) if last is None else (last[0] + 1, last[1])
            content: dict[str, Any] = {"facts": self._facts}
            digest = entry_digest(
                position=position,
                at=self.at,
                actor=self.actor,
                action=self.action,
                subject=self.subject,
                reason=self.reason,
                content=content,
                previous=previous,
            )
            self.session.add(
                AuditEntryRow(
                    position=position,
                    at=self.at,
                    actor=self.actor,
                    action=self.action,
                    subject=self.subject,
                    reason=self.reason,
                    content=content,
                    previous=previous,
                    digest=digest,
                )
            )
            self.session.commit()
        return digest

    def count(self, row: type[Any]) -> int:
        """How many rows ``row``'s table holds, those of this unit included."""
        return self.session.scalar(select(func.count()).select_from(row)) or 0
