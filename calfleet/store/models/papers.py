"""Drafts and reviews of calibrations, attached files, and the bench sheets handed out."""

from __future__ import annotations

from sqlalchemy import CheckConstraint, ForeignKey, ForeignKeyConstraint, String, UniqueConstraint
from sqlalchemy.orm import Mapped, mapped_column

from calfleet.records import ReviewOutcome
from calfleet.store.base import Base
from calfleet.store.columns import Code, Count, Day, Line, Plain, Prose, Ref, Sequence, Word
from calfleet.store.models.fact import Fact, one_of


class DraftRow(Fact, Base):
    """A bench record put down and not signed; it stands until signed or replaced."""

    __tablename__ = "draft"
    site_id: Mapped[Ref] = mapped_column(ForeignKey("site.id"))
    number: Mapped[Code]
    switch_id: Mapped[Ref] = mapped_column(ForeignKey("switch.id"))
    content: Mapped[Plain]
    replaces_id: Mapped[Ref | None]
    note: Mapped[Prose]
    __table_args__ = (
        UniqueConstraint("site_id", "number"),
        UniqueConstraint("replaces_id"),
        UniqueConstraint("id", "switch_id"),
        ForeignKeyConstraint(["replaces_id", "switch_id"], ["draft.id", "draft.switch_id"]),
        CheckConstraint("replaces_id IS NULL OR replaces_id <> id", name="not_its_own_successor"),
    )


class DraftSignedRow(Fact, Base):
    __tablename__ = "draft_signed"
    draft_id: Mapped[Ref] = mapped_column(ForeignKey("draft.id"))
    calibration_id: Mapped[Ref] = mapped_column(ForeignKey("calibration.id"))
    __table_args__ = (UniqueConstraint("draft_id"), UniqueConstraint("calibration_id"))


class ReviewRow(Fact, Base):
    """What a reviewer found; of several the highest ``reading`` stands."""

    __tablename__ = "review"
    calibration_id: Mapped[Ref] = mapped_column(ForeignKey("calibration.id"))
    reading: Mapped[Count]
    outcome: Mapped[Word]
    reviewed_by_id: Mapped[Ref] = mapped_column(ForeignKey("person.id"))
    reviewed_on: Mapped[Day]
    reason: Mapped[Prose]
    __table_args__ = (
        UniqueConstraint("calibration_id", "reading"),
        one_of("outcome", ReviewOutcome, "outcome_known"),
        CheckConstraint("reading > 0", name="reading_from_one"),
        CheckConstraint("outcome = 'accepted' OR length(reason) > 0", name="a_return_has_a_reason"),
    )


class AttachmentRow(Fact, Base):
    """A file kept by its digest, bound to exactly one record."""

    __tablename__ = "attachment"
    site_id: Mapped[Ref] = mapped_column(ForeignKey("site.id"))
    digest: Mapped[str] = mapped_column(String(64))
    size: Mapped[Sequence]
    media_type: Mapped[Code]
    name: Mapped[Line]
    note: Mapped[Prose]
    certificate_id: Mapped[Ref | None] = mapped_column(ForeignKey("certificate.id"))
    calibration_id: Mapped[Ref | None] = mapped_column(ForeignKey("calibration.id"))
    gauge_event_id: Mapped[Ref | None] = mapped_column(ForeignKey("gauge_event.id"))
    cross_check_id: Mapped[Ref | None] = mapped_column(ForeignKey("cross_check.id"))
    __table_args__ = (
        UniqueConstraint("certificate_id", "digest"),
        UniqueConstraint("calibration_id", "digest"),
        UniqueConstraint("gauge_event_id", "digest"),
        UniqueConstraint("cross_check_id", "digest"),
        CheckConstraint("size > 0", name="not_empty"),
        CheckConstraint(
            "(certificate_id IS NOT NULL AND calibration_id IS NULL AND gauge_event_id IS NULL "
            "AND cross_check_id IS NULL) OR (certificate_id IS NULL AND calibration_id IS NOT NULL "
            "AND gauge_event_id IS NULL AND cross_check_id IS NULL) OR (certificate_id IS NULL "
            "AND calibration_id IS NULL AND gauge_event_id IS NOT NULL AND cross_check_id IS NULL) "
            "OR (certificate_id IS NULL AND calibration_id IS NULL AND gauge_event_id IS NULL "
            "AND cross_check_id IS NOT NULL)",
            name="bound_to_one_record",
        ),
    )


class BenchSheetRow(Fact, Base):
    """A bench sheet as it was handed out."""

    __tablename__ = "bench_sheet"
    site_id: Mapped[Ref] = mapped_column(ForeignKey("site.id"))
    number: Mapped[Code]
    switch_id: Mapped[Ref]
    switch_revision_id: Mapped[Ref]
    procedure_revision_id: Mapped[Ref] = mapped_column(ForeignKey("procedure_revision.id"))
    for_on: Mapped[Day]
    content: Mapped[Plain]
    __table_args__ = (
        UniqueConstraint("site_id", "number"),
        ForeignKeyConstraint(
            ["switch_revision_id", "switch_id"],
            ["switch_revision.id", "switch_revision.switch_id"],
        ),
    )


class BenchSheetReturnRow(Fact, Base):
    __tablename__ = "bench_sheet_return"
    bench_sheet_id: Mapped[Ref] = mapped_column(ForeignKey("bench_sheet.id"))
    calibration_id: Mapped[Ref] = mapped_column(ForeignKey("calibration.id"))
    digest: Mapped[str] = mapped_column(String(64))
    __table_args__ = (UniqueConstraint("bench_sheet_id"), UniqueConstraint("calibration_id"))


class IssuedReportRow(Fact, Base):
    """A calibration report as it left the shop, with the head of the audit trail it names."""

    __tablename__ = "issued_report"
    calibration_id: Mapped[Ref] = mapped_column(ForeignKey("calibration.id"))
    issue: Mapped[Count]
    digest: Mapped[str] = mapped_column(String(64))
    size: Mapped[Sequence]
    audit_entries: Mapped[Sequence]
    audit_head: Mapped[str] = mapped_column(String(64))
    __table_args__ = (
        UniqueConstraint("calibration_id", "issue"),
        CheckConstraint("issue > 0", name="issue_from_one"),
        CheckConstraint("size > 0", name="not_empty"),
    )
