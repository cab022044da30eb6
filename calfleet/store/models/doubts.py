"""Gauges found bad, what was decided about the results they touched, and cross checks."""

from __future__ import annotations

from sqlalchemy import CheckConstraint, ForeignKey, ForeignKeyConstraint, UniqueConstraint
from sqlalchemy.orm import Mapped, mapped_column, relationship

from calfleet.metrology.direction import Direction
from calfleet.records import Action, FoundBadKind
from calfleet.store.base import Base
from calfleet.store.columns import Code, Count, Day, Line, Number, Prose, Ref, Typed, UnitCode, Word
from calfleet.store.models.fact import Fact, Keyed, one_of


class GaugeEventRow(Fact, Base):
    """A gauge found bad, as reported; it is open until an ``event_closure`` names it."""

    __tablename__ = "gauge_event"
    site_id: Mapped[Ref] = mapped_column(ForeignKey("site.id"))
    number: Mapped[Code]
    gauge_id: Mapped[Ref] = mapped_column(ForeignKey("gauge.id"))
    kind: Mapped[Word]
    found_on: Mapped[Day]
    reported_by_id: Mapped[Ref] = mapped_column(ForeignKey("person.id"))
    certificate_id: Mapped[Ref | None]
    unit: Mapped[UnitCode]
    note: Mapped[Prose]
    points: Mapped[list[GaugeEventPointRow]] = relationship(
        lazy="raise", order_by="GaugeEventPointRow.id"
    )
    __table_args__ = (
        UniqueConstraint("site_id", "number"),
        ForeignKeyConstraint(
            ["certificate_id", "gauge_id"], ["certificate.id", "certificate.gauge_id"]
        ),
        one_of("kind", FoundBadKind, "kind_known"),
        CheckConstraint(
            "kind <> 'certificate withdrawn' OR certificate_id IS NOT NULL",
            name="the_withdrawn_certificate_is_named",
        ),
    )


class GaugeEventPointRow(Keyed, Base):
    __tablename__ = "gauge_event_point"
    gauge_event_id: Mapped[Ref] = mapped_column(ForeignKey("gauge_event.id"), index=True)
    indication: Mapped[Typed]
    indication_value: Mapped[Number]
    error: Mapped[Typed]
    error_value: Mapped[Number]
    direction: Mapped[Word | None]
    __table_args__ = (
        CheckConstraint(
            "direction IS NULL OR direction IN ("
            + ", ".join(f"'{word}'" for word in Direction)
            + ")",
            name="direction_known",
        ),
    )


class EventNoticeRow(Fact, Base):
    __tablename__ = "event_notice"
    gauge_event_id: Mapped[Ref] = mapped_column(ForeignKey("gauge_event.id"))
    told: Mapped[Line]
    told_on: Mapped[Day]
    told_by_id: Mapped[Ref] = mapped_column(ForeignKey("person.id"))
    note: Mapped[Prose]
    __table_args__ = (
        UniqueConstraint("gauge_event_id", "told", "told_on"),
        CheckConstraint("length(told) > 0", name="somebody_was_told"),
    )


class DispositionRow(Fact, Base):
    """What was decided about a calibration; of several the highest ``decision`` stands."""

    __tablename__ = "disposition"
    gauge_event_id: Mapped[Ref] = mapped_column(ForeignKey("gauge_event.id"))
    calibration_id: Mapped[Ref] = mapped_column(ForeignKey("calibration.id"))
    decision: Mapped[Count]
    action: Mapped[Word]
    reason: Mapped[Prose]
    decided_by_id: Mapped[Ref] = mapped_column(ForeignKey("person.id"))
    decided_on: Mapped[Day]
    __table_args__ = (
        UniqueConstraint("gauge_event_id", "calibration_id", "decision"),
        one_of("action", Action, "action_known"),
        CheckConstraint("decision > 0", name="decision_from_one"),
        CheckConstraint("length(reason) > 0", name="reason_stated"),
    )


class EventClosureRow(Fact, Base):
    __tablename__ = "event_closure"
    gauge_event_id: Mapped[Ref] = mapped_column(ForeignKey("gauge_event.id"))
    closed_by_id: Mapped[Ref] = mapped_column(ForeignKey("person.id"))
    closed_on: Mapped[Day]
    statement: Mapped[Prose]
    __table_args__ = (
        UniqueConstraint("gauge_event_id"),
        CheckConstraint("length(statement) > 0", name="statement_made"),
    )


class CrossCheckRow(Fact, Base):
    """Two gauges compared between their calibrations."""

    __tablename__ = "cross_check"
    site_id: Mapped[Ref] = mapped_column(ForeignKey("site.id"))
    number: Mapped[Code]
    gauge_id: Mapped[Ref]
    certificate_id: Mapped[Ref]
    against_id: Mapped[Ref]
    against_certificate_id: Mapped[Ref]
    done_on: Mapped[Day]
    done_by_id: Mapped[Ref] = mapped_column(ForeignKey("person.id"))
    unit: Mapped[UnitCode]
    note: Mapped[Prose]
    points: Mapped[list[CrossCheckPointRow]] = relationship(
        lazy="raise", order_by="CrossCheckPointRow.id"
    )
    __table_args__ = (
        UniqueConstraint("site_id", "number"),
        ForeignKeyConstraint(
            ["certificate_id", "gauge_id"], ["certificate.id", "certificate.gauge_id"]
        ),
        ForeignKeyConstraint(
            ["against_certificate_id", "against_id"], ["certificate.id", "certificate.gauge_id"]
        ),
        CheckConstraint("gauge_id <> against_id", name="two_gauges"),
    )


class CrossCheckPointRow(Keyed, Base):
    __tablename__ = "cross_check_point"
    cross_check_id: Mapped[Ref] = mapped_column(ForeignKey("cross_check.id"), index=True)
    indication: Mapped[Typed]
    indication_value: Mapped[Number]
    reference: Mapped[Typed]
    reference_value: Mapped[Number]
    gauge_uncertainty: Mapped[Typed]
    gauge_uncertainty_value: Mapped[Number]
    reference_uncertainty: Mapped[Typed]
    reference_uncertainty_value: Mapped[Number]
    __table_args__ = (
        CheckConstraint(
            "gauge_uncertainty_value >= 0 AND reference_uncertainty_value >= 0",
            name="uncertainties_not_negative",
        ),
    )
