"""Questions to the audit trail, and everything it speaks of read back."""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Any

from sqlalchemy.orm import Session

from calfleet.store.queries import calibrations, due, gauges, planning, procedures, shop, switches
from calfleet.store.queries.reader import ask, question
from calfleet.store.work import digest_of, entry_digest

_ENTRIES = question(
    """
    SELECT position, at, actor, action, subject, reason, content, previous, digest
    FROM audit_entry ORDER BY position
    """,
    at=datetime.fromisoformat,
    content=json.loads,
)


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


def all_facts(session: Session) -> Iterator[tuple[str, str, str]]:
    """(kind, key, digest) of every fact as the database holds it now, in no particular order."""
    for kind, key, record in _records(session):
        yield kind, key, digest_of(record)


def _records(session: Session) -> Iterator[tuple[str, str, object]]:
    site = shop.site(session)
    if site is not None:
        yield "site", site.code, site
    for area in shop.areas(session):
        yield "area", area.code, area
    for person in shop.people(session).values():
        yield "person", person.code, person
    for laboratory in shop.laboratories(session).values():
        yield "laboratory", laboratory.code, laboratory
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
    for calibration in calibrations.all_calibrations(session):
        yield "calibration", calibration.number, replace(calibration, replaced_by=None)
    yield from _planning(session)


def _planning(session: Session) -> Iterator[tuple[str, str, object]]:
    given = planning.planning_input(session)
    for outage in planning.outage_revisions(session):
        yield "outage", f"{outage.code} rev {outage.revision}", outage
    for holiday in given.holidays:
        yield "holiday", holiday.day.isoformat(), holiday
    for hours in given.hours:
        yield "working hours", f"{hours.person} from {hours.effective_on}", hours
    for absence in given.absences:
        yield "gauge absence", f"{absence.gauge} from {absence.first_on}", absence
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
