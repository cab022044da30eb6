"""Calibrations: what was read, with which standards, and how it was judged."""

from __future__ import annotations

from sqlalchemy import CheckConstraint, ForeignKey, ForeignKeyConstraint, Index, UniqueConstraint
from sqlalchemy.orm import Mapped, mapped_column, relationship

from calfleet.metrology.conformity import Rule, Verdict
from calfleet.records import CycleOutcome, GaugeRole, Origin, Phase
from calfleet.store.base import Base
from calfleet.store.columns import (
    Code,
    Count,
    Day,
    Flag,
    Number,
    Plain,
    Prose,
    Ref,
    Typed,
    UnitCode,
    Word,
)
from calfleet.store.models.fact import Fact, Keyed, one_of


class CalibrationRow(Fact, Base):
    __tablename__ = "calibration"
    site_id: Mapped[Ref] = mapped_column(ForeignKey("site.id"))
    number: Mapped[Code]
    switch_id: Mapped[Ref] = mapped_column(ForeignKey("switch.id"))
    switch_revision_id: Mapped[Ref]
    procedure_revision_id: Mapped[Ref] = mapped_column(ForeignKey("procedure_revision.id"))
    performed_on: Mapped[Day]
    performed_by_id: Mapped[Ref] = mapped_column(ForeignKey("person.id"))
    temperature_c: Mapped[Typed]
    humidity: Mapped[Typed]
    barometric: Mapped[Typed | None]
    barometric_unit: Mapped[UnitCode | None]
    head_height_m: Mapped[Typed | None]
    head_height_half_width_m: Mapped[Typed | None]
    head_density_kg_m3: Mapped[Typed | None]
    exercised_before_as_found: Mapped[Flag]
    exercise_cycles: Mapped[Count]
    adjusted: Mapped[Flag]
    adjustment_note: Mapped[Prose]
    contact_check: Mapped[Prose]
    seal: Mapped[Code]
    permit: Mapped[Code]
    bypass: Mapped[Prose]
    returned_by_id: Mapped[Ref | None] = mapped_column(ForeignKey("person.id"))
    verified_by_id: Mapped[Ref | None] = mapped_column(ForeignKey("person.id"))
    work_order: Mapped[Code]
    remarks: Mapped[Prose]
    origin: Mapped[Word]
    evaluation_version: Mapped[Word]
    replaces_id: Mapped[Ref | None]
    replacement_reason: Mapped[Prose | None]
    gauges: Mapped[list[CalibrationGaugeRow]] = relationship(
        lazy="raise", order_by="CalibrationGaugeRow.id"
    )
    cycles: Mapped[list[CalibrationCycleRow]] = relationship(
        lazy="raise", order_by="CalibrationCycleRow.id"
    )
    results: Mapped[list[CalibrationResultRow]] = relationship(
        lazy="raise", order_by="CalibrationResultRow.id"
    )
    findings: Mapped[list[CalibrationFindingRow]] = relationship(
        lazy="raise", order_by="CalibrationFindingRow.id"
    )
    __table_args__ = (
        UniqueConstraint("site_id", "number"),
        # a result can be corrected once; a second correction names the first one
        UniqueConstraint("replaces_id"),
        UniqueConstraint("id", "switch_id"),
        UniqueConstraint("id", "switch_revision_id"),
        ForeignKeyConstraint(
            ["switch_revision_id", "switch_id"],
            ["switch_revision.id", "switch_revision.switch_id"],
        ),
        ForeignKeyConstraint(
            ["replaces_id", "switch_id"], ["calibration.id", "calibration.switch_id"]
        ),
        one_of("origin", Origin, "origin_known"),
        CheckConstraint("exercise_cycles >= 0", name="exercise_cycles_not_negative"),
        CheckConstraint("replaces_id IS NULL OR replaces_id <> id", name="not_its_own_correction"),
        CheckConstraint(
            "(replaces_id IS NULL) = (replacement_reason IS NULL)", name="correction_has_a_reason"
        ),
        CheckConstraint(
            "(barometric IS NULL) = (barometric_unit IS NULL)", name="barometric_has_a_unit"
        ),
        CheckConstraint(
            "(head_height_m IS NULL) = (head_density_kg_m3 IS NULL)", name="head_has_a_fluid"
        ),
        CheckConstraint(
            "verified_by_id IS NULL OR verified_by_id <> performed_by_id",
            name="verified_by_another_person",
        ),
        Index("ix_calibration_switch_day", "switch_id", "performed_on"),
    )


class CalibrationGaugeRow(Keyed, Base):
    """A gauge in its role, its data sheet of that day, and the very certificate it stood on."""

    __tablename__ = "calibration_gauge"
    calibration_id: Mapped[Ref] = mapped_column(ForeignKey("calibration.id"))
    role: Mapped[Word]
    gauge_id: Mapped[Ref] = mapped_column(ForeignKey("gauge.id"))
    gauge_revision_id: Mapped[Ref]
    certificate_id: Mapped[Ref]
    __table_args__ = (
        UniqueConstraint("calibration_id", "role"),
        ForeignKeyConstraint(
            ["gauge_revision_id", "gauge_id"], ["gauge_revision.id", "gauge_revision.gauge_id"]
        ),
        ForeignKeyConstraint(
            ["certificate_id", "gauge_id"], ["certificate.id", "certificate.gauge_id"]
        ),
        one_of("role", GaugeRole, "role_known"),
        Index("ix_calibration_gauge_certificate", "certificate_id"),
    )


class CalibrationCycleRow(Keyed, Base):
    __tablename__ = "calibration_cycle"
    calibration_id: Mapped[Ref]
    switch_revision_id: Mapped[Ref]
    set_point_id: Mapped[Ref]
    direction: Mapped[Word]
    phase: Mapped[Word]
    run: Mapped[Count]
    static: Mapped[Typed | None]
    static_value: Mapped[Number | None]
    trip: Mapped[Typed | None]
    trip_value: Mapped[Number | None]
    reset: Mapped[Typed | None]
    reset_value: Mapped[Number | None]
    outcome: Mapped[Word]
    __table_args__ = (
        UniqueConstraint("calibration_id", "set_point_id", "phase", "run"),
        ForeignKeyConstraint(
            ["calibration_id", "switch_revision_id"],
            ["calibration.id", "calibration.switch_revision_id"],
        ),
        # the set point is of the very data sheet the calibration was judged by
        ForeignKeyConstraint(
            ["set_point_id", "direction", "switch_revision_id"],
            ["set_point.id", "set_point.direction", "set_point.switch_revision_id"],
        ),
        one_of("phase", Phase, "phase_known"),
        one_of("outcome", CycleOutcome, "outcome_known"),
        CheckConstraint("run > 0", name="run_from_one"),
        CheckConstraint(
            "trip_value IS NULL OR reset_value IS NULL "
            "OR (direction = 'rising' AND reset_value <= trip_value) "
            "OR (direction = 'falling' AND reset_value >= trip_value)",
            name="dead_band_not_negative",
        ),
        CheckConstraint(
            "(outcome = 'no trip') = (trip_value IS NULL)", name="a_trip_has_a_reading"
        ),
        CheckConstraint(
            "(trip IS NULL) = (trip_value IS NULL) AND (reset IS NULL) = (reset_value IS NULL) "
            "AND (static IS NULL) = (static_value IS NULL)",
            name="typed_with_value",
        ),
    )


class CalibrationResultRow(Keyed, Base):
    __tablename__ = "calibration_result"
    calibration_id: Mapped[Ref]
    switch_revision_id: Mapped[Ref]
    set_point_id: Mapped[Ref]
    phase: Mapped[Word]
    unit: Mapped[UnitCode]
    required: Mapped[Typed]
    found: Mapped[Number | None]
    first_trip: Mapped[Number | None]
    error: Mapped[Number | None]
    late: Mapped[Flag | None]
    dead_band: Mapped[Number | None]
    repeatability: Mapped[Number | None]
    runs: Mapped[Count]
    trip_sd: Mapped[Number | None]
    standard_uncertainty: Mapped[Number | None]
    coverage_factor: Mapped[Number | None]
    expanded_uncertainty: Mapped[Number | None]
    effective_dof: Mapped[Number | None]
    coverage_probability: Mapped[Number]
    tur: Mapped[Number | None]
    lower_limit: Mapped[Number | None]
    upper_limit: Mapped[Number | None]
    lower_acceptance: Mapped[Number | None]
    upper_acceptance: Mapped[Number | None]
    decision_rule: Mapped[Word]
    rule_statement: Mapped[Prose]
    verdict: Mapped[Word]
    category: Mapped[Word]
    reason: Mapped[Prose]
    probability_outside: Mapped[Number | None]
    budget: Mapped[Plain]
    __table_args__ = (
        UniqueConstraint("calibration_id", "set_point_id", "phase"),
        ForeignKeyConstraint(
            ["calibration_id", "switch_revision_id"],
            ["calibration.id", "calibration.switch_revision_id"],
        ),
        # as for a cycle: of the very data sheet the calibration was judged by
        ForeignKeyConstraint(
            ["set_point_id", "switch_revision_id"],
            ["set_point.id", "set_point.switch_revision_id"],
        ),
        one_of("phase", Phase, "phase_known"),
        one_of("verdict", Verdict, "verdict_known"),
        one_of("decision_rule", Rule, "decision_rule_known"),
        CheckConstraint("dead_band IS NULL OR dead_band >= 0", name="dead_band_not_negative"),
        CheckConstraint(
            "repeatability IS NULL OR repeatability >= 0", name="repeatability_not_negative"
        ),
        CheckConstraint(
            "runs >= 0 AND (trip_sd IS NULL OR (trip_sd >= 0 AND runs >= 2))",
            name="spread_needs_two_runs",
        ),
        CheckConstraint(
            "expanded_uncertainty IS NULL OR expanded_uncertainty >= 0",
            name="uncertainty_not_negative",
        ),
        CheckConstraint(
            "probability_outside IS NULL OR "
            "(probability_outside >= 0 AND probability_outside <= 1)",
            name="probability_is_a_fraction",
        ),
    )


class CalibrationFindingRow(Keyed, Base):
    __tablename__ = "calibration_finding"
    calibration_id: Mapped[Ref] = mapped_column(ForeignKey("calibration.id"), index=True)
    code: Mapped[Word]
    text: Mapped[Prose]
