"""The audit trail: one entry per unit of work, chained by digest."""

from __future__ import annotations

from sqlalchemy import CheckConstraint, String, UniqueConstraint
from sqlalchemy.orm import Mapped, mapped_column

from calfleet.store.base import Base
from calfleet.store.columns import Code, Moment, Plain, Prose, Sequence, Word


class AuditEntryRow(Base):
    """Who did what, when and why; ``digest`` = SHA-256 of the entry's canonical JSON.

    The canonical form holds ``previous``, so that an entry can neither be changed nor removed
    nor moved without breaking every later one.
    """

    __tablename__ = "audit_entry"
    position: Mapped[Sequence] = mapped_column(primary_key=True, autoincrement=False)
    at: Mapped[Moment]
    actor: Mapped[Code]
    action: Mapped[Word]
    subject: Mapped[Prose]
    reason: Mapped[Prose]
    content: Mapped[Plain]
    previous: Mapped[str] = mapped_column(String(64))
    digest: Mapped[str] = mapped_column(String(64))
    __table_args__ = (
        UniqueConstraint("previous"),
        UniqueConstraint("digest"),
        CheckConstraint("position >= 1", name="position_from_one"),
        CheckConstraint("length(previous) = 64 AND length(digest) = 64", name="digest_length"),
    )
