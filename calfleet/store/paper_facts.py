"""Adding drafts, their signing, reviews and attached files: one function per kind of record."""

from __future__ import annotations

from calfleet.records import AttachedTo, Attachment, Draft, DraftSigned, IssuedReport, Review
from calfleet.store.facts import insert, known, site_id
from calfleet.store.models import (
    AttachmentRow,
    CalibrationRow,
    CertificateRow,
    CrossCheckRow,
    DraftRow,
    DraftSignedRow,
    GaugeEventRow,
    IssuedReportRow,
    PersonRow,
    ReviewRow,
    SwitchRow,
)
from calfleet.store.queries.papers import attachment_key, issue_key, review_key, with_marks
from calfleet.store.work import Work

_BOUND_TO = {
    AttachedTo.CERTIFICATE: ("certificate_id", CertificateRow),
    AttachedTo.CALIBRATION: ("calibration_id", CalibrationRow),
    AttachedTo.EVENT: ("gauge_event_id", GaugeEventRow),
    AttachedTo.CROSS_CHECK: ("cross_check_id", CrossCheckRow),
}


def add_draft(work: Work, draft: Draft) -> None:
    """Raises: UnknownName for a switch or a draft that is not there."""
    row = DraftRow(
        site_id=site_id(work),
        number=draft.number,
        switch_id=known(work, SwitchRow, "switch", draft.tag, "tag"),
        content=draft.content,
        replaces_id=None
        if draft.replaces is None
        else known(work, DraftRow, "draft", draft.replaces, "number"),
        note=draft.note,
        **work.marks(),
    )
    insert(work, row, "draft", draft.number, with_marks(draft, work.at, work.actor))


def add_signature(work: Work, signed: DraftSigned) -> None:
    """Note which calibration a draft became.

    Raises: UnknownName for a draft or a calibration that is not there.
    """
    row = DraftSignedRow(
        draft_id=known(work, DraftRow, "draft", signed.draft, "number"),
        calibration_id=known(work, CalibrationRow, "calibration", signed.calibration, "number"),
        **work.marks(),
    )
    insert(work, row, "draft signed", signed.draft, with_marks(signed, work.at, work.actor))


def add_review(work: Work, review: Review) -> None:
    """Raises: UnknownName for a calibration or a person that is not there."""
    row = ReviewRow(
        calibration_id=known(work, CalibrationRow, "calibration", review.calibration, "number"),
        reading=review.reading,
        outcome=review.outcome,
        reviewed_by_id=known(work, PersonRow, "person", review.reviewed_by),
        reviewed_on=review.reviewed_on,
        reason=review.reason,
        **work.marks(),
    )
    insert(work, row, "review", review_key(review), with_marks(review, work.at, work.actor))


def add_attachment(work: Work, attachment: Attachment) -> None:
    """Bind a file to its record; the file itself is kept before.

    Raises: UnknownName for a record that is not there.
    """
    column, table = _BOUND_TO[attachment.to]
    row = AttachmentRow(
        site_id=site_id(work),
        digest=attachment.digest,
        size=attachment.size,
        media_type=attachment.media_type,
        name=attachment.name,
        note=attachment.note,
        **{column: known(work, table, str(attachment.to), attachment.key, "number")},
        **work.marks(),
    )
    insert(
        work, row, "attachment", attachment_key(attachment),
        with_marks(attachment, work.at, work.actor),
    )  # fmt: skip


def add_issued_report(work: Work, report: IssuedReport) -> None:
    """Raises: UnknownName for a calibration that is not there."""
    row = IssuedReportRow(
        calibration_id=known(work, CalibrationRow, "calibration", report.calibration, "number"),
        issue=report.issue,
        digest=report.digest,
        size=report.size,
        audit_entries=report.audit_entries,
        audit_head=report.audit_head,
        **work.marks(),
    )
    insert(work, row, "issued report", issue_key(report), with_marks(report, work.at, work.actor))
