"""Procedures and their approved, dated, superseding revisions."""

from __future__ import annotations

from sqlalchemy import CheckConstraint, ForeignKey, UniqueConstraint
from sqlalchemy.orm import Mapped, mapped_column, relationship

from calfleet.metrology.conformity import Rule
from calfleet.records import Hazard, Quantity
from calfleet.store.base import Base
from calfleet.store.columns import Code, Count, Day, Line, Number, Prose, Ref, Typed, Word
from calfleet.store.models.fact import Fact, Keyed, one_of


class ProcedureRow(Fact, Base):
    __tablename__ = "procedure"
    site_id: Mapped[Ref] = mapped_column(ForeignKey("site.id"))
    code: Mapped[Code]
    __table_args__ = (UniqueConstraint("site_id", "code"),)


class ProcedureRevisionRow(Fact, Base):
    """One approved revision; the next one in force supersedes it on its ``effective_on``."""

    __tablename__ = "procedure_revision"
    procedure_id: Mapped[Ref] = mapped_column(ForeignKey("procedure.id"))
    revision: Mapped[Count]
    title: Mapped[Line]
    approved_on: Mapped[Day]
    approved_by: Mapped[Code]
    effective_on: Mapped[Day]
    exercise_cycles: Mapped[Count]
    as_found_runs: Mapped[Count]
    as_left_runs: Mapped[Count]
    ramp_limit_fraction_per_s: Mapped[Typed]
    temperature_min_c: Mapped[Typed]
    temperature_max_c: Mapped[Typed]
    humidity_max: Mapped[Typed]
    required_tur: Mapped[Typed]
    decision_rule: Mapped[Word]
    guard_factor: Mapped[Typed]
    coverage_probability: Mapped[Typed]
    coverage_probability_value: Mapped[Number]
    conformance_probability: Mapped[Typed | None]
    reading_lag_s: Mapped[Typed]
    static_hold_fraction: Mapped[Typed]
    scope: Mapped[list[ProcedureScopeRow]] = relationship(
        lazy="raise", order_by="ProcedureScopeRow.id"
    )
    hazards: Mapped[list[ProcedureHazardRow]] = relationship(
        lazy="raise", order_by="ProcedureHazardRow.id"
    )
    steps: Mapped[list[ProcedureStepRow]] = relationship(
        lazy="raise", order_by="ProcedureStepRow.position"
    )
    __table_args__ = (
        UniqueConstraint("procedure_id", "revision"),
        UniqueConstraint("procedure_id", "effective_on"),
        one_of("decision_rule", Rule, "decision_rule_known"),
        CheckConstraint("revision > 0", name="revision_positive"),
        CheckConstraint("effective_on >= approved_on", name="approved_before_use"),
        CheckConstraint(
            "exercise_cycles >= 0 AND as_found_runs >= 1 AND as_left_runs >= 1",
            name="counts_sensible",
        ),
        CheckConstraint(
            "coverage_probability_value > 0 AND coverage_probability_value < 1",
            name="coverage_is_a_fraction",
        ),
    )


class ProcedureScopeRow(Keyed, Base):
    __tablename__ = "procedure_scope"
    procedure_revision_id: Mapped[Ref] = mapped_column(ForeignKey("procedure_revision.id"))
    quantity: Mapped[Word]
    __table_args__ = (
        UniqueConstraint("procedure_revision_id", "quantity"),
        one_of("quantity", Quantity, "quantity_known"),
    )


class ProcedureHazardRow(Keyed, Base):
    __tablename__ = "procedure_hazard"
    procedure_revision_id: Mapped[Ref] = mapped_column(ForeignKey("procedure_revision.id"))
    hazard: Mapped[Word]
    __table_args__ = (
        UniqueConstraint("procedure_revision_id", "hazard"),
        one_of("hazard", Hazard, "hazard_known"),
    )


class ProcedureStepRow(Keyed, Base):
    __tablename__ = "procedure_step"
    procedure_revision_id: Mapped[Ref] = mapped_column(ForeignKey("procedure_revision.id"))
    position: Mapped[Count]
    text: Mapped[Prose]
    __table_args__ = (UniqueConstraint("procedure_revision_id", "position"),)
