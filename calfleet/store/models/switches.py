"""Switches: the tag, and each revision of its data sheet with its set points."""

from __future__ import annotations

from sqlalchemy import CheckConstraint, ForeignKey, ForeignKeyConstraint, Index, UniqueConstraint
from sqlalchemy.orm import Mapped, mapped_column, relationship

from calfleet.metrology.direction import Direction
from calfleet.metrology.switch import ToleranceBasis
from calfleet.records import Criticality, Hazard, Quantity, SwitchStatus
from calfleet.store.base import Base
from calfleet.store.columns import (
    Code,
    Count,
    Day,
    Flag,
    Line,
    Number,
    Ref,
    Typed,
    UnitCode,
    Word,
)
from calfleet.store.models.fact import Fact, Keyed, one_of

DEAD_BAND_KINDS = ("fixed", "adjustable")


class SwitchRow(Fact, Base):
    __tablename__ = "switch"
    site_id: Mapped[Ref] = mapped_column(ForeignKey("site.id"))
    tag: Mapped[Code]
    __table_args__ = (UniqueConstraint("site_id", "tag"),)


class SwitchRevisionRow(Fact, Base):
    """The data sheet from ``effective_on`` until the next revision takes effect."""

    __tablename__ = "switch_revision"
    switch_id: Mapped[Ref] = mapped_column(ForeignKey("switch.id"))
    revision: Mapped[Count]
    effective_on: Mapped[Day]
    reason: Mapped[Line]
    serial: Mapped[Code]
    area_id: Mapped[Ref] = mapped_column(ForeignKey("area.id"))
    service: Mapped[Line]
    family: Mapped[Code]
    quantity: Mapped[Word]
    unit: Mapped[UnitCode]
    range_low: Mapped[Typed]
    range_high: Mapped[Typed]
    range_low_value: Mapped[Number]
    range_high_value: Mapped[Number]
    line_unit: Mapped[UnitCode | None]
    proof_pressure: Mapped[Typed | None]
    static_nominal: Mapped[Typed]
    medium: Mapped[Line]
    criticality: Mapped[Word]
    outage_bound: Mapped[Flag]
    status: Mapped[Word]
    policy: Mapped[Code]
    procedure_id: Mapped[Ref] = mapped_column(ForeignKey("procedure.id"))
    bench_minutes: Mapped[Count]
    hazards: Mapped[list[SwitchHazardRow]] = relationship(
        lazy="raise", order_by="SwitchHazardRow.id"
    )
    set_points: Mapped[list[SetPointRow]] = relationship(lazy="raise", order_by="SetPointRow.id")
    __table_args__ = (
        UniqueConstraint("switch_id", "revision"),
        # a calibration names (revision, switch) together: the revision must be of that switch
        UniqueConstraint("id", "switch_id"),
        one_of("quantity", Quantity, "quantity_known"),
        one_of("criticality", Criticality, "criticality_known"),
        one_of("status", SwitchStatus, "status_known"),
        CheckConstraint("revision > 0", name="revision_positive"),
        CheckConstraint("range_low_value < range_high_value", name="range_not_empty"),
        CheckConstraint("bench_minutes > 0", name="bench_minutes_positive"),
        CheckConstraint(
            "quantity = 'temperature' OR line_unit IS NOT NULL", name="pressure_has_line_unit"
        ),
        Index("ix_switch_revision_in_force", "switch_id", "effective_on", "revision"),
    )


class SwitchHazardRow(Keyed, Base):
    __tablename__ = "switch_hazard"
    switch_revision_id: Mapped[Ref] = mapped_column(ForeignKey("switch_revision.id"))
    hazard: Mapped[Word]
    __table_args__ = (
        UniqueConstraint("switch_revision_id", "hazard"),
        one_of("hazard", Hazard, "hazard_known"),
    )


class SetPointRow(Keyed, Base):
    __tablename__ = "set_point"
    switch_revision_id: Mapped[Ref]
    switch_id: Mapped[Ref]
    label: Mapped[Code]
    value: Mapped[Typed]
    value_value: Mapped[Number]
    direction: Mapped[Word]
    tolerance_minus: Mapped[Typed | None]
    tolerance_plus: Mapped[Typed | None]
    tolerance_basis: Mapped[Word]
    as_left_minus: Mapped[Typed | None]
    as_left_plus: Mapped[Typed | None]
    dead_band_kind: Mapped[Word]
    dead_band_min: Mapped[Typed | None]
    dead_band_max: Mapped[Typed | None]
    dead_band_min_value: Mapped[Number | None]
    dead_band_max_value: Mapped[Number | None]
    repeatability_limit: Mapped[Typed | None]
    repeatability_limit_value: Mapped[Number | None]
    contact_form: Mapped[Word]
    action: Mapped[Word]
    energised_state: Mapped[Word]
    __table_args__ = (
        ForeignKeyConstraint(
            ["switch_revision_id", "switch_id"],
            ["switch_revision.id", "switch_revision.switch_id"],
        ),
        UniqueConstraint("switch_revision_id", "label"),
        # a cycle names (set point, direction, revision) together, so that its CHECKs can use them
        UniqueConstraint("id", "direction", "switch_revision_id"),
        UniqueConstraint("id", "switch_revision_id"),
        one_of("direction", Direction, "direction_known"),
        one_of("tolerance_basis", ToleranceBasis, "tolerance_basis_known"),
        one_of("dead_band_kind", DEAD_BAND_KINDS, "dead_band_kind_known"),
        CheckConstraint(
            "tolerance_minus IS NOT NULL OR tolerance_plus IS NOT NULL", name="has_a_tolerance"
        ),
        CheckConstraint(
            "(dead_band_min_value IS NULL OR dead_band_min_value >= 0) AND "
            "(dead_band_max_value IS NULL OR dead_band_max_value >= 0)",
            name="dead_band_not_negative",
        ),
        CheckConstraint(
            "dead_band_min_value IS NULL OR dead_band_max_value IS NULL "
            "OR dead_band_min_value <= dead_band_max_value",
            name="dead_band_limits_in_order",
        ),
        CheckConstraint(
            "repeatability_limit_value IS NULL OR repeatability_limit_value > 0",
            name="repeatability_limit_positive",
        ),
    )
