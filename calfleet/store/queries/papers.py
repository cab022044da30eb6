"""Questions about drafts, reviews and attached files."""

from __future__ import annotations

import json
from dataclasses import dataclass
from datetime import datetime
from typing import TYPE_CHECKING

from calfleet.records import (
    AttachedTo,
    Attachment,
    Draft,
    DraftSigned,
    IssuedReport,
    Review,
    ReviewOutcome,
    to_plain,
)
from calfleet.store.queries.reader import DAY, ask, question

if TYPE_CHECKING:
    from calfleet.store.queries.reader import Reader


def with_marks(record: object, at: datetime, by: str) -> dict[str, object]:
    """The record's plain form with its two marks of entry: what its digest is taken over.

    Who drafted or reviewed, and when, is as much part of these facts as what they say.
    """
    plain = to_plain(record)
    content = plain if isinstance(plain, dict) else {"value": plain}
    return {**content, "recorded_at": to_plain(at), "recorded_by": by}


def review_key(review: Review) -> str:
    """What a review is called in the audit trail."""
    return f"{review.calibration} reading {review.reading}"


def attachment_key(attachment: Attachment) -> str:
    """What an attachment is called in the audit trail."""
    return f"{attachment.to} {attachment.key} {attachment.digest}"


def issue_key(report: IssuedReport) -> str:
    """What an issued report is called in the audit trail."""
    return f"{report.calibration} issue {report.issue}"


@dataclass(frozen=True, slots=True)
class HeldReport:
    """A report with when and by whom it was issued."""

    report: IssuedReport
    recorded_at: datetime
    recorded_by: str


@dataclass(frozen=True, slots=True)
class HeldDraft:
    """A draft with when and by whom it was put down, and what became of it.

    ``calibration``: what it became when signed. ``replaced_by``: the draft in its place.
    """

    draft: Draft
    recorded_at: datetime
    recorded_by: str
    calibration: str | None = None
    replaced_by: str | None = None

    @property
    def open(self) -> bool:
        """Whether it waits: neither signed nor replaced."""
        return self.calibration is None and self.replaced_by is None


@dataclass(frozen=True, slots=True)
class HeldSignature:
    signed: DraftSigned
    recorded_at: datetime
    recorded_by: str


@dataclass(frozen=True, slots=True)
class HeldReview:
    review: Review
    recorded_at: datetime
    recorded_by: str


@dataclass(frozen=True, slots=True)
class HeldAttachment:
    attachment: Attachment
    recorded_at: datetime
    recorded_by: str


_DRAFTS = question(
    """
    SELECT d.number, s.tag, d.content, p.number, d.note, d.recorded_at, d.recorded_by,
           c.number, n.number
    FROM draft d
    JOIN switch s ON s.id = d.switch_id
    LEFT JOIN draft p ON p.id = d.replaces_id
    LEFT JOIN draft n ON n.replaces_id = d.id
    LEFT JOIN draft_signed x ON x.draft_id = d.id
    LEFT JOIN calibration c ON c.id = x.calibration_id
    ORDER BY d.id
    """,
    content=json.loads,
    recorded_at=datetime.fromisoformat,
)


def drafts(reader: Reader) -> list[HeldDraft]:
    """Every draft, signed and replaced ones too, in the order in which they were put down."""
    return [
        HeldDraft(Draft(number, tag, content, replaces, note), at, by, calibration, replaced_by)
        for number, tag, content, replaces, note, at, by, calibration, replaced_by in ask(
            reader, _DRAFTS
        )
    ]


_SIGNED = question(
    """
    SELECT d.number, c.number, x.recorded_at, x.recorded_by
    FROM draft_signed x
    JOIN draft d ON d.id = x.draft_id
    JOIN calibration c ON c.id = x.calibration_id
    ORDER BY x.id
    """,
    recorded_at=datetime.fromisoformat,
)


def signatures(reader: Reader) -> list[HeldSignature]:
    """Every draft that became a calibration, in the order of signing."""
    return [HeldSignature(DraftSigned(d, c), at, by) for d, c, at, by in ask(reader, _SIGNED)]


_REVIEWS = question(
    """
    SELECT c.number, r.reading, r.outcome, p.code, r.reviewed_on, r.reason,
           r.recorded_at, r.recorded_by
    FROM review r
    JOIN calibration c ON c.id = r.calibration_id
    JOIN person p ON p.id = r.reviewed_by_id
    ORDER BY c.number, r.reading
    """,
    outcome=ReviewOutcome,
    reviewed_on=DAY,
    recorded_at=datetime.fromisoformat,
)


def reviews(reader: Reader) -> dict[str, list[HeldReview]]:
    """Every review by calibration, in order of reading: the last one stands."""
    found: dict[str, list[HeldReview]] = {}
    for *said, at, by in ask(reader, _REVIEWS):
        found.setdefault(said[0], []).append(HeldReview(Review(*said), at, by))
    return found


_ATTACHMENTS = question(
    """
    SELECT c.number AS certificate, k.number AS calibration, e.number AS gauge_event,
           x.number AS cross_check, a.digest, a.size, a.media_type, a.name, a.note,
           a.recorded_at, a.recorded_by
    FROM attachment a
    LEFT JOIN certificate c ON c.id = a.certificate_id
    LEFT JOIN calibration k ON k.id = a.calibration_id
    LEFT JOIN gauge_event e ON e.id = a.gauge_event_id
    LEFT JOIN cross_check x ON x.id = a.cross_check_id
    ORDER BY a.id
    """,
    recorded_at=datetime.fromisoformat,
)
_BOUND = (
    AttachedTo.CERTIFICATE,
    AttachedTo.CALIBRATION,
    AttachedTo.EVENT,
    AttachedTo.CROSS_CHECK,
)
"""The order of the four numbers in a row of ``_ATTACHMENTS``, of which one is set."""


def attachments(reader: Reader) -> list[HeldAttachment]:
    """Every attachment in the order in which it was entered."""
    found = []
    for *numbers, digest, size, media_type, name, note, at, by in ask(reader, _ATTACHMENTS):
        to, key = next(
            ((kind, n) for kind, n in zip(_BOUND, numbers, strict=True) if n is not None),
            (AttachedTo.CERTIFICATE, ""),
        )
        one = Attachment(to, key, digest, size, media_type, name, note)
        found.append(HeldAttachment(one, at, by))
    return found


_EVENTS = question("SELECT number FROM gauge_event ORDER BY id")
_CROSS_CHECKS = question("SELECT number FROM cross_check ORDER BY id")


def bound_numbers(reader: Reader, to: AttachedTo) -> list[str]:
    """The numbers of the events or cross checks that a file can be bound to, as entered."""
    asked = _EVENTS if to is AttachedTo.EVENT else _CROSS_CHECKS
    return [number for (number,) in ask(reader, asked)]


_REPORTS = question(
    """
    SELECT c.number, i.issue, i.digest, i.size, i.audit_entries, i.audit_head, i.recorded_at,
           i.recorded_by
    FROM issued_report i JOIN calibration c ON c.id = i.calibration_id
    ORDER BY i.id
    """,
    recorded_at=datetime.fromisoformat,
)


def issued_reports(reader: Reader) -> list[HeldReport]:
    """Every report issued, in the order of issue."""
    return [HeldReport(IssuedReport(*row[:-2]), *row[-2:]) for row in ask(reader, _REPORTS)]
