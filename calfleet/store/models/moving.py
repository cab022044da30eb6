"""What came from workbooks of the shop: which file, read how, and from which cell."""

from __future__ import annotations

from sqlalchemy import ForeignKey, Index, String, UniqueConstraint
from sqlalchemy.orm import Mapped, mapped_column, relationship

from calfleet.store.base import Base
from calfleet.store.columns import Code, Line, Plain, Ref, Word
from calfleet.store.models.fact import Fact, Keyed


class MoveInRow(Fact, Base):
    """Files taken in at one time, with the mapping by which they were read."""

    __tablename__ = "move_in"
    site_id: Mapped[Ref] = mapped_column(ForeignKey("site.id"))
    number: Mapped[Code]
    mapping: Mapped[Plain]
    outcome: Mapped[Plain]
    files: Mapped[list[MoveInFileRow]] = relationship(lazy="raise", order_by="MoveInFileRow.id")
    __table_args__ = (UniqueConstraint("site_id", "number"),)


class MoveInFileRow(Keyed, Base):
    __tablename__ = "move_in_file"
    move_in_id: Mapped[Ref] = mapped_column(ForeignKey("move_in.id"))
    name: Mapped[Line]
    digest: Mapped[str] = mapped_column(String(64))
    __table_args__ = (UniqueConstraint("move_in_id", "name"),)


class MovedRecordRow(Keyed, Base):
    """Where a record stood before: ``kind`` and ``key`` as the audit trail names it."""

    __tablename__ = "moved_record"
    move_in_id: Mapped[Ref] = mapped_column(ForeignKey("move_in.id"))
    kind: Mapped[Word]
    key: Mapped[Line]
    place: Mapped[Line]
    __table_args__ = (
        UniqueConstraint("move_in_id", "kind", "key"),
        Index("ix_moved_record_key", "kind", "key"),
    )
