"""Telling whether a report that somebody shows is one that the shop issued, by its digest."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from calfleet.records import ReviewOutcome
from calfleet.services.events_about import events_about
from calfleet.store.queries import audit, papers
from calfleet.store.queries import calibrations as calibration_queries
from calfleet.store.queries.audit import AuditEntry
from calfleet.store.queries.papers import HeldReport
from calfleet.store.work import digest_of

if TYPE_CHECKING:
    from sqlalchemy.orm import Session


@dataclass(frozen=True, slots=True)
class Checked:
    """An issue whose file has the digest asked for, and what became of it since.

    ``cautions``: why it is no longer the word that counts, in words; empty where it is.
    ``head_held``: the head of the audit trail that it names is in the trail.
    ``sealed``: an entry of the audit trail, itself unaltered, notes this very issue; a row put
    into the database by other means has none.
    ``doubts``: gauges found bad that it rests on, in words, unless it was decided that nothing
    need be done; ``weighed``: those about which that was decided.
    """

    issued: HeldReport
    tag: str
    cautions: tuple[str, ...]
    head_held: bool
    sealed: bool = True
    doubts: tuple[str, ...] = ()
    weighed: tuple[str, ...] = ()


def check_report(session: Session, digest: str) -> Checked | None:
    """The issue with that digest (SHA-256, hex) of its file; ``None`` where there is none."""
    every = papers.issued_reports(session)
    found = next((r for r in every if r.report.digest == digest), None)
    if found is None:
        return None
    report = found.report
    calibration = calibration_queries.calibration(session, report.calibration)
    cautions = []
    later = [
        r.report.issue
        for r in every
        if r.report.calibration == report.calibration and r.report.issue > report.issue
    ]
    if later:
        cautions.append(f"issue {max(later)} takes its place")
    if calibration is not None and calibration.replaced_by is not None:
        cautions.append(f"the calibration was corrected by {calibration.replaced_by}")
    read = papers.reviews(session).get(report.calibration, [])
    if read and read[-1].review.outcome is ReviewOutcome.RETURNED:
        cautions.append(f"the calibration was returned since: {read[-1].review.reason}")
    entries = audit.entries(session)
    heads = {e.position: e.digest for e in entries}
    about = () if calibration is None else events_about(session, calibration)
    return Checked(
        found,
        "" if calibration is None else calibration.bench.tag,
        tuple(cautions),
        heads.get(report.audit_entries) == report.audit_head,
        _sealed(found, entries),
        tuple(a.words for a in about if not a.settled),
        tuple(a.words for a in about if a.settled),
    )


def _sealed(held: HeldReport, entries: list[AuditEntry]) -> bool:
    """Whether the trail notes the issue as the database holds it, in an unaltered entry."""
    marked = papers.with_marks(held.report, held.recorded_at, held.recorded_by)
    fact = ("issued report", papers.issue_key(held.report), digest_of(marked))
    return any(fact in e.facts() and e.recomputed() == e.digest for e in entries)
