"""Questions to the audit trail, and everything it speaks of read back."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from typing import Any

from sqlalchemy.orm import Session

from calfleet.records import Calibration, LaterRole
from calfleet.store.particular_facts import upkeep_key
from calfleet.store.planning_facts import closure_key, leave_key, withdrawal_key
from calfleet.store.queries import (
    calibrations,
    doubts,
    due,
    gauges,
    moving,
    papers,
    particulars,
    planning,
    procedures,
    rules,
    shop,
    switches,
)
from calfleet.store.queries.reader import ask, question
from calfleet.store.queries.sheets import bench_sheet_returns, bench_sheets
from calfleet.store.rule_facts import further_key, other_work_key, rule_key
from calfleet.store.work import digest_of, entry_digest

UNREADABLE = datetime.min.replace(tzinfo=UTC)
"""The time of an entry whose time is no time; like a content that is none, it breaks the seal."""

_LAST = question("SELECT position, digest FROM audit_entry ORDER BY position DESC LIMIT 1")
_ENTRIES = question(
    """
    SELECT position, at, actor, action, subject, reason, content, previous, digest
    FROM audit_entry ORDER BY position
    """,
    at=lambda text: _read(datetime.fromisoformat, text, UNREADABLE),
    content=lambda text: _read(_content, text, {}),
)


def _read(made: Callable[[str], Any], text: str, instead: Any) -> Any:
    """What ``made`` makes of it, else ``instead``: verify names the entry, whatever is in it."""
    try:
        return made(text)
    except (ValueError, TypeError):
        return instead


def _content(text: str) -> dict[str, Any]:
    made = json.loads(text)
    facts = made.get("facts", []) if isinstance(made, dict) else None
    named = {"kind", "key", "digest"}
    if not isinstance(facts, list) or not all(
        isinstance(fact, dict) and named <= fact.keys() for fact in facts
    ):
        raise ValueError("not the content of an audit entry")
    return dict(made)


@dataclass(frozen=True, slots=True)
class AuditEntry:
    """One unit of work as the trail tells it; ``content["facts"]`` names what was added."""

    position: int
    at: datetime
    actor: str
    action: str
    subject: str
    reason: str
    content: dict[str, Any]
    previous: str
    digest: str

    def recomputed(self) -> str:
        """The digest that the entry's own words give."""
        return entry_digest(
            position=self.position,
            at=self.at,
            actor=self.actor,
            action=self.action,
            subject=self.subject,
            reason=self.reason,
            content=self.content,
            previous=self.previous,
        )

    def facts(self) -> Iterator[tuple[str, str, str]]:
        """(kind, key, digest) of every fact added."""
        for fact in self.content.get("facts", ()):
            yield fact["kind"], fact["key"], fact["digest"]


def entries(session: Session) -> list[AuditEntry]:
    """Every audit entry, in order of position."""
    return [AuditEntry(*row) for row in ask(session, _ENTRIES)]


_HEAD = question("SELECT position, digest FROM audit_entry ORDER BY position DESC LIMIT 1")


def head(session: Session) -> tuple[int, str]:
    """Position and digest of the last audit entry; 0 and nothing before the first."""
    rows = ask(session, _HEAD)
    return (int(rows[0][0]), str(rows[0][1])) if rows else (0, "")


def all_facts(session: Session) -> Iterator[tuple[str, str, str]]:
    """(kind, key, digest) of every fact as the database holds it now, in no particular order."""
    for kind, key, record in all_records(session):
        yield kind, key, digest_of(record)


def calibration_fact(calibration: Calibration) -> tuple[str, str, object]:
    """(kind, key, record) of a calibration as it was entered: nothing had replaced it then."""
    return "calibration", calibration.number, replace(calibration, replaced_by=None)


def last_entry(session: Session) -> tuple[int, str] | None:
    """Position and digest of the last audit entry, or ``None``."""
    found = ask(session, _LAST)
    return (found[0][0], found[0][1]) if found else None


def all_records(
    session: Session, *, with_calibrations: bool = True
) -> Iterator[tuple[str, str, object]]:
    """(kind, key, record) of every fact as the database holds it now, in no particular order.

    Without the calibrations, which outnumber all else, it is quick.
    """
    site = shop.site(session)
    if site is not None:
        yield "site", site.code, site
    for area in shop.areas(session):
        yield "area", area.code, area
    yield from _people(session)
    for versions in due.policies(session).values():
        for policy in versions:
            yield "interval policy", f"{policy.code} from {policy.effective_on}", policy
    for revisions in procedures.procedures(session).values():
        for procedure in revisions:
            yield "procedure revision", procedure.name, procedure
    for switch in switches.revisions(session):
        yield "switch", f"{switch.tag} rev {switch.revision}", switch
    for sheets in gauges.gauges(session).values():
        for gauge in sheets:
            yield "gauge", f"{gauge.code} rev {gauge.revision}", gauge
    for certificate in gauges.certificates(session).values():
        yield "certificate", certificate.number, replace(certificate, withdrawal=None)
        if certificate.withdrawal is not None:
            yield "certificate withdrawal", certificate.number, certificate.withdrawal
    for calibration in calibrations.each_calibration(session) if with_calibrations else ():
        yield calibration_fact(calibration)
    yield from _planning(session)
    yield from _doubts(session)
    yield from _rules(session)
    yield from _papers(session)
    yield from _sheets(session)
    yield from _particulars(session)
    for held in moving.move_ins(session):
        marked = papers.with_marks(held.move, held.recorded_at, held.recorded_by)
        yield "move in", held.move.number, marked


def _people(session: Session) -> Iterator[tuple[str, str, object]]:
    """People and laboratories as entered first; what was granted later is a fact of its own."""
    for person, grants in shop.people_as_entered(session):
        yield "person", person.code, person
        for grant in grants:
            kind = "person role" if isinstance(grant, LaterRole) else "qualification"
            yield kind, grant.key, grant
    for laboratory, accreditations in shop.laboratories_as_entered(session):
        yield "laboratory", laboratory.code, laboratory
        for accreditation in accreditations:
            yield "accreditation", accreditation.key, accreditation


def _doubts(session: Session) -> Iterator[tuple[str, str, object]]:
    """Gauges found bad, what was told, decided and closed about them, and cross checks."""
    for event in doubts.events(session):
        yield "gauge event", event.number, event
    for n in doubts.notices(session):
        yield "event notice", f"{n.event} {n.told} on {n.told_on}", n
    for d in doubts.dispositions(session):
        yield "disposition", f"{d.event} {d.calibration} decision {d.decision}", d
    for closure in doubts.closures(session).values():
        yield "event closure", closure.event, closure
    for check in doubts.cross_checks(session):
        yield "cross check", check.number, check


def _papers(session: Session) -> Iterator[tuple[str, str, object]]:
    """Drafts, reviews and attachments, each with its marks of entry."""
    for d in papers.drafts(session):
        yield "draft", d.draft.number, papers.with_marks(d.draft, d.recorded_at, d.recorded_by)
    for s in papers.signatures(session):
        yield (
            "draft signed",
            s.signed.draft,
            papers.with_marks(s.signed, s.recorded_at, s.recorded_by),
        )
    for held in papers.reviews(session).values():
        for r in held:
            key = papers.review_key(r.review)
            yield "review", key, papers.with_marks(r.review, r.recorded_at, r.recorded_by)
    for a in papers.attachments(session):
        key = papers.attachment_key(a.attachment)
        yield "attachment", key, papers.with_marks(a.attachment, a.recorded_at, a.recorded_by)
    for i in papers.issued_reports(session):
        key = papers.issue_key(i.report)
        yield "issued report", key, papers.with_marks(i.report, i.recorded_at, i.recorded_by)


def _sheets(session: Session) -> Iterator[tuple[str, str, object]]:
    """Bench sheets and what became of them, each with its marks of entry."""
    for h in bench_sheets(session):
        marked = papers.with_marks(h.sheet, h.recorded_at, h.recorded_by)
        yield "bench sheet", h.sheet.number, marked
    for r in bench_sheet_returns(session):
        yield (
            "bench sheet return",
            r.returned.sheet,
            papers.with_marks(r.returned, r.recorded_at, r.recorded_by),
        )


def _particulars(session: Session) -> Iterator[tuple[str, str, object]]:
    for gauge in particulars.gauge_particulars(session):
        yield "gauge particulars", f"{gauge.gauge} from {gauge.effective_on}", gauge
    for switch in particulars.switch_particulars(session):
        yield "switch particulars", f"{switch.tag} from {switch.effective_on}", switch
    for site in particulars.site_particulars(session):
        yield "site particulars", f"site from {site.effective_on}", site
    for done in particulars.gauge_upkeep(session):
        yield "gauge upkeep", upkeep_key(done), done
    for receipt in particulars.switch_receipts(session):
        yield "switch receipt", f"{receipt.tag} on {receipt.received_on}", receipt


def _rules(session: Session) -> Iterator[tuple[str, str, object]]:
    for rule in rules.due_rules(session):
        yield "due rule", rule_key(rule), rule
    for interval in rules.further_intervals(session):
        yield "further interval", further_key(interval), interval
    for done in rules.other_work(session):
        yield "other work", other_work_key(done), done


def _planning(session: Session) -> Iterator[tuple[str, str, object]]:
    given = planning.everything_entered(session)
    for outage in planning.outage_revisions(session):
        yield "outage", f"{outage.code} rev {outage.revision}", outage
    for holiday in given.holidays:
        yield "holiday", holiday.day.isoformat(), holiday
    for hours in given.hours:
        yield "working hours", f"{hours.person} from {hours.effective_on}", hours
    for absence in given.absences:
        yield "gauge absence", f"{absence.gauge} from {absence.first_on}", absence
    for leave in given.leaves:
        yield "leave", leave_key(leave), leave
    for closure in given.closures:
        yield "closure", closure_key(closure), closure
    for gone in planning.withdrawals(session):
        yield "planning withdrawal", withdrawal_key(gone), gone
    for terms in given.terms:
        yield "laboratory terms", f"{terms.laboratory} from {terms.effective_on}", terms
    for rule in given.usage_rules:
        yield "usage rule", f"{rule.tag} {rule.name} from {rule.effective_on}", rule
    for reading in given.usage_readings:
        yield "usage reading", f"{reading.tag} {reading.name} on {reading.read_on}", reading
    for group in given.redundant_groups:
        yield "redundant group", group.code, group
    for deferral in given.deferrals:
        yield "deferral", f"{deferral.tag} {deferral.due_on}", deferral
    for bare in planning.plans(session):
        plan = next(
            p
            for p in planning.plans(session, with_assignments_of=bare.number)
            if p.number == bare.number
        )
        yield "plan", plan.number, replace(plan, accepted_on=None, accepted_by=None)
        if plan.accepted_on is not None:
            yield (
                "plan acceptance",
                plan.number,
                {"plan": plan.number, "on": plan.accepted_on, "by": plan.accepted_by},
            )
