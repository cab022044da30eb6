"""The registers of a site in the order in which each record finds those it refers to."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Protocol

from calfleet.records import (
    Area,
    Certificate,
    Gauge,
    IntervalPolicy,
    Laboratory,
    Person,
    ProcedureRevision,
    Site,
    Switch,
)
from calfleet.store import facts
from calfleet.store.work import Work


class Registers(Protocol):
    """What a site is made of before anything is calibrated; each register in any order."""

    @property
    def site(self) -> Site: ...
    @property
    def areas(self) -> Sequence[Area]: ...
    @property
    def people(self) -> Sequence[Person]: ...
    @property
    def laboratories(self) -> Sequence[Laboratory]: ...
    @property
    def policies(self) -> Sequence[IntervalPolicy]: ...
    @property
    def procedures(self) -> Sequence[ProcedureRevision]: ...
    @property
    def switches(self) -> Sequence[Switch]: ...
    @property
    def gauges(self) -> Sequence[Gauge]: ...
    @property
    def certificates(self) -> Sequence[Certificate]: ...


def add_registers(work: Work, given: Registers) -> None:
    """Everything in the registers added: revisions by number, certificates by date.

    A certificate names gauges and earlier certificates, so gauges come first and certificates in
    the order of calibration, then of issue.

    Raises: UnknownName for a reference to something that is not given; RecordRefused.
    """
    facts.add_site(work, given.site)
    for area in given.areas:
        facts.add_area(work, area)
    for person in given.people:
        facts.add_person(work, person)
    for laboratory in given.laboratories:
        facts.add_laboratory(work, laboratory)
    for policy in given.policies:
        facts.add_policy(work, policy)
    for procedure in sorted(given.procedures, key=lambda p: (p.code, p.revision)):
        facts.add_procedure_revision(work, procedure)
    for switch in sorted(given.switches, key=lambda s: (s.tag, s.revision)):
        facts.add_switch(work, switch)
    for gauge in sorted(given.gauges, key=lambda g: (g.code, g.revision)):
        facts.add_gauge(work, gauge)
    for certificate in sorted(given.certificates, key=lambda c: (c.calibrated_on, c.issued_on)):
        facts.add_certificate(work, certificate)
