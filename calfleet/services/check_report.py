"""Telling whether a report that somebody shows is one that the shop issued, by its digest."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from calfleet.records import ReviewOutcome
from calfleet.store.queries import audit, papers
from calfleet.store.queries import calibrations as calibration_queries
from calfleet.store.queries.papers import HeldReport

if TYPE_CHECKING:
    from sqlalchemy.orm import Session


@dataclass(frozen=True, slots=True)
class Checked:
    """An issue whose file has the digest asked for, and what became of it since.

    ``cautions``: why it is no longer the word that counts, in words; empty where it is.
    ``head_held``: the head of the audit trail that it names is in the trail.
    """

    issued: HeldReport
    tag: str
    cautions: tuple[str, ...]
    head_held: bool


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
    heads = {e.position: e.digest for e in audit.entries(session)}
    return Checked(
        found,
        "" if calibration is None else calibration.bench.tag,
        tuple(cautions),
        heads.get(report.audit_entries) == report.audit_head,
    )
