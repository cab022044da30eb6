"""Reference gauges, their certificates and what the certificates rest on."""

from __future__ import annotations

from sqlalchemy import CheckConstraint, ForeignKey, ForeignKeyConstraint, Index, UniqueConstraint
from sqlalchemy.orm import Mapped, mapped_column, relationship

from calfleet.metrology.direction import Direction
from calfleet.metrology.units import PressureMode
from calfleet.records import GaugeStatus, Phase
from calfleet.store.base import Base
from calfleet.store.columns import (
    Code,
    Count,
    Day,
    Flag,
    Line,
    Number,
    Prose,
    Ref,
    Typed,
    UnitCode,
    Word,
)
from calfleet.store.models.fact import Fact, Keyed, one_of

ACCURACY_BASES = ("absolute", "% of span", "% of reading")


class GaugeRow(Fact, Base):
    __tablename__ = "gauge"
    site_id: Mapped[Ref] = mapped_column(ForeignKey("site.id"))
    code: Mapped[Code]
    __table_args__ = (UniqueConstraint("site_id", "code"),)


class GaugeRevisionRow(Fact, Base):
    """What a gauge is and whether it may be used, from ``effective_on``."""

    __tablename__ = "gauge_revision"
    gauge_id: Mapped[Ref] = mapped_column(ForeignKey("gauge.id"))
    revision: Mapped[Count]
    effective_on: Mapped[Day]
    reason: Mapped[Line]
    serial: Mapped[Code]
    description: Mapped[Line]
    status: Mapped[Word]
    mode: Mapped[Word | None]
    unit: Mapped[UnitCode]
    range_low: Mapped[Typed]
    range_high: Mapped[Typed]
    range_low_value: Mapped[Number]
    range_high_value: Mapped[Number]
    resolution: Mapped[Typed]
    resolution_value: Mapped[Number]
    accuracy: Mapped[Typed]
    accuracy_value: Mapped[Number]
    accuracy_basis: Mapped[Word]
    drift_per_year: Mapped[Typed]
    temperature_coefficient: Mapped[Typed]
    reference_temperature_c: Mapped[Typed]
    use_corrections: Mapped[Flag]
    tier: Mapped[Count]
    policy: Mapped[Code]
    oxygen_clean: Mapped[Flag]
    same_gauge_correlation: Mapped[Typed]
    static_limit: Mapped[Typed | None]
    readable_fraction: Mapped[Typed]
    __table_args__ = (
        UniqueConstraint("gauge_id", "revision"),
        UniqueConstraint("id", "gauge_id"),
        one_of("status", GaugeStatus, "status_known"),
        one_of("mode", PressureMode, "mode_known"),
        one_of("accuracy_basis", ACCURACY_BASES, "accuracy_basis_known"),
        CheckConstraint("revision > 0", name="revision_positive"),
        CheckConstraint("range_low_value < range_high_value", name="range_not_empty"),
        CheckConstraint("resolution_value > 0", name="resolution_positive"),
        CheckConstraint("accuracy_value >= 0", name="accuracy_not_negative"),
        CheckConstraint("tier >= 1", name="tier_from_one"),
        Index("ix_gauge_revision_in_force", "gauge_id", "effective_on", "revision"),
    )


class CertificateRow(Fact, Base):
    __tablename__ = "certificate"
    site_id: Mapped[Ref] = mapped_column(ForeignKey("site.id"))
    number: Mapped[Code]
    gauge_id: Mapped[Ref] = mapped_column(ForeignKey("gauge.id"))
    laboratory_id: Mapped[Ref] = mapped_column(ForeignKey("laboratory.id"))
    calibrated_on: Mapped[Day]
    issued_on: Mapped[Day]
    unit: Mapped[UnitCode]
    temperature_c: Mapped[Typed]
    humidity: Mapped[Typed]
    adjusted: Mapped[Flag]
    remarks: Mapped[Prose]
    replaces_id: Mapped[Ref | None]
    replacement_reason: Mapped[Prose | None]
    points: Mapped[list[CertificatePointRow]] = relationship(
        lazy="raise", order_by="CertificatePointRow.position"
    )
    standards: Mapped[list[CertificateStandardRow]] = relationship(
        lazy="raise",
        order_by="CertificateStandardRow.position",
        foreign_keys="CertificateStandardRow.certificate_id",
    )
    withdrawal: Mapped[list[CertificateWithdrawalRow]] = relationship(lazy="raise")
    __table_args__ = (
        # both are targets of "this certificate is of that gauge"
        UniqueConstraint("id", "gauge_id"),
        UniqueConstraint("site_id", "number"),
        UniqueConstraint("replaces_id"),
        ForeignKeyConstraint(
            ["replaces_id", "gauge_id"], ["certificate.id", "certificate.gauge_id"]
        ),
        CheckConstraint("issued_on >= calibrated_on", name="issued_after_calibration"),
        CheckConstraint("replaces_id IS NULL OR replaces_id <> id", name="not_its_own_correction"),
        CheckConstraint(
            "(replaces_id IS NULL) = (replacement_reason IS NULL)", name="correction_has_a_reason"
        ),
        Index("ix_certificate_gauge_day", "gauge_id", "calibrated_on"),
    )


class CertificatePointRow(Keyed, Base):
    __tablename__ = "certificate_point"
    certificate_id: Mapped[Ref] = mapped_column(ForeignKey("certificate.id"))
    position: Mapped[Count]
    phase: Mapped[Word]
    direction: Mapped[Word]
    reference: Mapped[Typed]
    indication: Mapped[Typed]
    reference_value: Mapped[Number]
    indication_value: Mapped[Number]
    expanded_uncertainty: Mapped[Typed]
    expanded_uncertainty_value: Mapped[Number]
    coverage_factor: Mapped[Typed]
    coverage_factor_value: Mapped[Number]
    __table_args__ = (
        UniqueConstraint("certificate_id", "position"),
        one_of("phase", Phase, "phase_known"),
        one_of("direction", Direction, "direction_known"),
        CheckConstraint("expanded_uncertainty_value > 0", name="uncertainty_positive"),
        CheckConstraint("coverage_factor_value >= 1", name="coverage_factor_from_one"),
    )


class CertificateStandardRow(Keyed, Base):
    """A standard behind a certificate: one of the site's gauges with its certificate, or words."""

    __tablename__ = "certificate_standard"
    certificate_id: Mapped[Ref] = mapped_column(ForeignKey("certificate.id"))
    position: Mapped[Count]
    description: Mapped[Line]
    gauge_id: Mapped[Ref | None]
    standard_certificate_id: Mapped[Ref | None]
    __table_args__ = (
        UniqueConstraint("certificate_id", "position"),
        ForeignKeyConstraint(
            ["standard_certificate_id", "gauge_id"],
            ["certificate.id", "certificate.gauge_id"],
        ),
        CheckConstraint(
            "(gauge_id IS NULL) = (standard_certificate_id IS NULL)", name="gauge_with_certificate"
        ),
        CheckConstraint(
            "standard_certificate_id IS NULL OR standard_certificate_id <> certificate_id",
            name="not_its_own_standard",
        ),
        Index("ix_certificate_standard_used", "standard_certificate_id"),
    )


class CertificateWithdrawalRow(Fact, Base):
    __tablename__ = "certificate_withdrawal"
    certificate_id: Mapped[Ref] = mapped_column(ForeignKey("certificate.id"))
    withdrawn_on: Mapped[Day]
    reason: Mapped[Prose]
    __table_args__ = (UniqueConstraint("certificate_id"),)
