"""Issuing a calibration report: what left the shop is kept as a fact, by number and digest.

What is issued was read by another person before; history that was moved in is issued as what it is.
A further issue takes the place of the one before and says why.

Source: ISO/IEC 17025:2017 7.8.1.1 reports are reviewed and authorised before release (from
memory), 7.8.8 amendments name what they replace and why (from memory).
"""

from __future__ import annotations

from datetime import date
from typing import TYPE_CHECKING

from calfleet.errors import PersonRefused, RecordRefused, UsageError
from calfleet.records import IssuedReport, Origin, ReportFacts, ReportIssue, Role
from calfleet.services.calibration_report import report_facts
from calfleet.services.calibration_state import State, course
from calfleet.services.event_facts import require_role
from calfleet.services.find_calibration import find_calibration
from calfleet.services.nearest import pick
from calfleet.services.trail import head
from calfleet.store import paper_facts
from calfleet.store.queries import calibrations as calibration_queries
from calfleet.store.queries import papers, shop
from calfleet.store.queries.papers import HeldReport
from calfleet.store.work import Work

if TYPE_CHECKING:
    from sqlalchemy.orm import Session

    from calfleet.records import Calibration

MAY_ISSUE = (Role.REVIEWER, Role.APPROVER)


def to_issue(
    session: Session, name: str, *, person: str, reason: str = "", today: date
) -> ReportFacts:
    """What the next issue of the report of ``name`` says; nothing is written.

    reason: why a further issue is made; the first needs none.

    Raises: UnknownName; PersonRefused for who performed it and anybody without the role;
    RecordRefused for a calibration not reviewed, returned or replaced; UsageError for a further
    issue without a reason.
    """
    found = find_calibration(session, name)
    people = shop.people(session)
    who = pick("person", person, people)
    require_role(who, MAY_ISSUE, today, "issue a calibration report", people.values())
    if who.code == found.bench.performed_by:
        raise PersonRefused(
            f"{who.code} ({who.name}) performed {found.number}.",
            rule="A report is issued by another person than who did the work.",
            next_step="Have another reviewer or approver issue it.",
        )
    _require_read(session, found)
    earlier = issues(session, found.number)
    replaces = ""
    if earlier:
        last = earlier[-1]
        replaces = f"issue {last.report.issue} of {last.recorded_at:%Y-%m-%d}"
        if not reason.strip():
            raise UsageError(
                f"{found.number} was issued already: {replaces}.",
                rule="A further issue says why it takes the place of the one before.",
                next_step="Give it with --reason.",
            )
    else:
        last_before = _issued_before(session, found)
        if last_before is not None:
            replaces = (
                f"issue {last_before.report.issue} of the report "
                f"{last_before.report.calibration} of {last_before.recorded_at:%Y-%m-%d}"
            )
    why = reason.strip() or (found.bench.replacement_reason or "" if replaces else "")
    issue = ReportIssue(len(earlier) + 1, who.code, replaces, why)
    return report_facts(session, found.number, issued_on=today, issue=issue)


def _issued_before(session: Session, found: Calibration) -> HeldReport | None:
    """The newest report issued of the records that this one corrects, however many ago."""
    number = found.bench.replaces
    while number is not None:
        before = issues(session, number)
        if before:
            return before[-1]
        earlier = calibration_queries.calibration(session, number)
        number = None if earlier is None else earlier.bench.replaces
    return None


def _require_read(session: Session, found: Calibration) -> None:
    if found.replaced_by is not None:
        raise RecordRefused(
            f"{found.number} was corrected by {found.replaced_by}.",
            rule="The record that stands is issued.",
            next_step=f"Issue the report of {found.replaced_by}.",
        )
    if found.origin is Origin.HISTORY:
        return
    read = course(session, found).review
    if read is None or read.state is not State.REVIEWED:
        state = "is not reviewed yet." if read is None else f"was returned: {read.reason}"
        raise RecordRefused(
            f"{found.number} {state}",
            rule="What leaves the shop as issued was accepted by another person first.",
            next_step=(
                f"'calfleet review accept {found.number}', after reading it."
                if read is None
                else "Record its correction, and have that reviewed and issued."
            )
            + " Without --issue the report is a print that says its state.",
        )


def issue(work: Work, facts: ReportFacts, *, digest: str, size: int) -> IssuedReport:
    """The issue as added, of the report whose file has that digest and size; the caller commits.

    Raises: RecordRefused where another issue, or anything else, was entered since ``facts``.
    """
    number = facts.calibration.number
    end = head(work.session)
    if facts.issue is None or (end.position, end.digest) != (
        facts.head_position,
        facts.head_digest,
    ):
        raise RecordRefused(
            f"Something was entered while the report of {number} was made.",
            rule="An issued report names the head of the audit trail as it is when it is issued.",
            next_step="Issue it again.",
        )
    made = IssuedReport(
        number, facts.issue.number, digest, size, facts.head_position, facts.head_digest
    )
    paper_facts.add_issued_report(work, made)
    return made


def issues(session: Session, number: str) -> list[HeldReport]:
    """The issues of one calibration's report, in order."""
    return [r for r in papers.issued_reports(session) if r.report.calibration == number]
