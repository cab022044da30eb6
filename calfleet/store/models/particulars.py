"""What is told about gauges, switches and the shop beside what is measured, and their upkeep."""

from __future__ import annotations

from sqlalchemy import CheckConstraint, ForeignKey, UniqueConstraint
from sqlalchemy.orm import Mapped, mapped_column

from calfleet.records import UpkeepKind
from calfleet.store.base import Base
from calfleet.store.columns import Day, Line, Prose, Ref, Word
from calfleet.store.models.fact import Fact, one_of


class GaugeParticularsRow(Fact, Base):
    """ISO/IEC 17025:2017, 6.4.13 a, b, d and g; the latest in effect stands."""

    __tablename__ = "gauge_particulars"
    gauge_id: Mapped[Ref] = mapped_column(ForeignKey("gauge.id"))
    effective_on: Mapped[Day]
    maker: Mapped[Line]
    model: Mapped[Line]
    software_version: Mapped[Line]
    kept_at: Mapped[Line]
    maintenance: Mapped[Prose]
    reason: Mapped[Prose]
    __table_args__ = (UniqueConstraint("gauge_id", "effective_on"),)


class SwitchParticularsRow(Fact, Base):
    """ISO/IEC 17025:2017, 7.8.2.1 c and g; the latest in effect stands."""

    __tablename__ = "switch_particulars"
    switch_id: Mapped[Ref] = mapped_column(ForeignKey("switch.id"))
    effective_on: Mapped[Day]
    maker: Mapped[Line]
    model: Mapped[Line]
    stands_at: Mapped[Line]
    reason: Mapped[Prose]
    __table_args__ = (UniqueConstraint("switch_id", "effective_on"),)


class SiteParticularsRow(Fact, Base):
    """ISO/IEC 17025:2017, 7.8.2.1 b and e; the latest in effect stands."""

    __tablename__ = "site_particulars"
    site_id: Mapped[Ref] = mapped_column(ForeignKey("site.id"))
    effective_on: Mapped[Day]
    shop_name: Mapped[Line]
    shop_address: Mapped[Prose]
    customer_name: Mapped[Line]
    customer_address: Mapped[Prose]
    reason: Mapped[Prose]
    __table_args__ = (UniqueConstraint("site_id", "effective_on"),)


class GaugeUpkeepRow(Fact, Base):
    """Maintenance, repair, damage or a modification: ISO/IEC 17025:2017, 6.4.13 g and h."""

    __tablename__ = "gauge_upkeep"
    gauge_id: Mapped[Ref] = mapped_column(ForeignKey("gauge.id"))
    kind: Mapped[Word]
    done_on: Mapped[Day]
    done_by_id: Mapped[Ref] = mapped_column(ForeignKey("person.id"))
    note: Mapped[Prose]
    __table_args__ = (
        UniqueConstraint("gauge_id", "kind", "done_on"),
        one_of("kind", UpkeepKind, "kind_known"),
        CheckConstraint("length(note) > 0", name="note_made"),
    )


class SwitchReceiptRow(Fact, Base):
    """A switch came to the bench: ISO/IEC 17025:2017, 7.4.3 and 7.8.2.1 g and h."""

    __tablename__ = "switch_receipt"
    switch_id: Mapped[Ref] = mapped_column(ForeignKey("switch.id"))
    received_on: Mapped[Day]
    received_by_id: Mapped[Ref] = mapped_column(ForeignKey("person.id"))
    condition: Mapped[Prose]
    __table_args__ = (UniqueConstraint("switch_id", "received_on"),)
