"""Gathering what a calibration report says of one calibration."""

from __future__ import annotations

from dataclasses import replace
from datetime import date
from typing import TYPE_CHECKING

from calfleet.errors import RecordRefused
from calfleet.records import ReportFacts, ReportGauge, ReportIssue, ReportState
from calfleet.services.bench_facts import gather, in_force
from calfleet.services.calibration_state import course
from calfleet.services.choose_procedure import procedure_revision
from calfleet.services.events_about import events_about
from calfleet.services.find_calibration import find_calibration
from calfleet.services.list_particulars import (
    gauges_on,
    receipt_before,
    shop_on,
    switch_on,
)
from calfleet.services.trace import Traced, trace
from calfleet.services.trail import head
from calfleet.store.queries import shop
from calfleet.store.queries import switches as switch_queries
from calfleet.store.work import digest_of

if TYPE_CHECKING:
    from sqlalchemy.orm import Session


def report_facts(
    session: Session, name: str, *, issued_on: date, issue: ReportIssue | None = None
) -> ReportFacts:
    """What the report of the calibration ``name`` (or a tag's newest) says when issued that day.

    issue: ``None`` for a print that is not issued.

    Raises: UnknownName; RecordRefused when the site has no name to issue it under.
    """
    found = find_calibration(session, name)
    site = shop.site(session)
    if site is None:
        raise RecordRefused(
            "This database holds no site.",
            rule="A report names the site that issues it.",
            next_step="Build the site first: calfleet build.",
        )
    bench = gather(session)
    sheets = switch_queries.revisions(session, found.bench.tag)
    switch = next(s for s in sheets if s.revision == found.switch_revision)
    areas = {area.code: area for area in shop.areas(session)}
    laboratories = shop.laboratories(session)
    told = gauges_on(session, found.bench.performed_on)
    gauges = []
    for used in found.bench.gauges:
        certificate = bench.certificates[used.certificate]
        versions = bench.gauges[used.gauge]
        laboratory = laboratories[certificate.laboratory]
        gauges.append(
            ReportGauge(
                role=used.role,
                gauge=in_force(versions, found.bench.performed_on) or versions[0],
                certificate=certificate,
                laboratory=laboratory,
                accreditation=laboratory.accreditation(certificate.calibrated_on),
                valid_until=bench.valid_until(certificate),
                particulars=told.get(used.gauge),
            )
        )
    chain = trace(session, found.number, kind=Traced.RESULT)
    end = head(session)
    return ReportFacts(
        site=site,
        area=areas.get(switch.area),
        switch=switch,
        calibration=found,
        procedure=procedure_revision(
            bench.procedures,
            found.bench.procedure,
            found.bench.procedure_revision,
            found.bench.performed_on,
        ),
        gauges=tuple(gauges),
        people={code: person.name for code, person in bench.people.items()},
        states=tuple(
            ReportState(str(m.state), m.at, m.by, m.record, m.reason)
            for m in course(session, found).marks
        ),
        chain_verdict=str(chain.verdict),
        chain_statement=chain.statement,
        record_digest=digest_of(replace(found, replaced_by=None)),
        head_position=end.position,
        head_digest=end.digest,
        issued_on=issued_on,
        issue=issue,
        shop=shop_on(session, issued_on),
        particulars=switch_on(session, found.bench.tag, found.bench.performed_on),
        receipt=receipt_before(session, found.bench.tag, found.bench.performed_on),
        doubts=tuple(a.words for a in events_about(session, found) if not a.settled),
    )
