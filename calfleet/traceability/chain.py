"""From a result, or a certificate, to its standards: each link judged on the day of use.

A chain is a graph of what rests on what. A result is worked out from raw readings; these were
taken by a technician, by a procedure, on reference gauges; a gauge stands on a certificate of a
laboratory. A national laboratory ends the chain, so does an accredited one whose accreditation
was in force on the day of that calibration. An in-house certificate names the standards used,
each one of our gauges with its certificate, and the chain goes on from there, judged on the day
of that calibration, to any depth.

*A gauge stands in the chain once per certificate*: RG-1 on last year's certificate and RG-1 on
this year's are two states of the instrument and two nodes. Standards shared by several branches
are one node.

*Three states of a link.* ``broken``: on the day of use the value cannot be shown to rest on a
standard (nothing recorded, not in force, out of range, an uncertainty that cannot be). ``weak``:
it can, but a rule was not kept, or something known since calls for a second look (superseded
procedure, qualification run out, ratio below the required one, certificate corrected later).
``sound``: neither. Every reason is found, not only the first.

*Several standards on one certificate* may share its points among them: a point must be inside
the range and the certificate of at least one, and smaller than the certified uncertainty must be
the uncertainty of at least one of those.

Sources: JCGM 200:2012 2.41 (metrological traceability: a documented unbroken chain of
calibrations, each contributing to the uncertainty); ISO/IEC 17025:2017 6.4.11, 6.5, 7.8.4.1.
Which reason breaks and which weakens is this project's choice.
"""

from __future__ import annotations

import difflib
import math
from collections import deque
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date
from decimal import Decimal
from enum import StrEnum
from fractions import Fraction
from typing import NamedTuple, Protocol, TypeVar

from calfleet.errors import CalfleetError, UnknownName
from calfleet.metrology.certificate import Between, CertificateCurve
from calfleet.metrology.certificate import CertificatePoint as CurvePoint
from calfleet.metrology.direction import Direction
from calfleet.metrology.rounding import significant, with_uncertainty
from calfleet.metrology.units import PressureMode, convert, convert_difference, find_unit
from calfleet.records import (
    Calibration,
    Certificate,
    Gauge,
    GaugeRole,
    GaugeStatus,
    Laboratory,
    LaboratoryKind,
    Person,
    Phase,
    ProcedureRevision,
    Quantity,
    Result,
    Role,
    StandardUsed,
    Switch,
)

# --- the ways in ------------------------------------------------------------------------------


def trace_result(facts: ChainFacts, number: str) -> Chain:
    """The chain from the calibration ``number`` and its results to the standards behind them.

    Raises: UnknownName with the nearest numbers.
    """
    return _Tracer(facts).result(number)


def trace_certificate(facts: ChainFacts, number: str) -> Chain:
    """The chain from the certificate ``number`` to the standards behind it.

    Raises: UnknownName with the nearest numbers.
    """
    return _Tracer(facts).certificate(number)


def trace_results(facts: ChainFacts, numbers: Iterable[str] | None = None) -> Iterator[Chain]:
    """The chain of each calibration in turn (all of them, in the order of ``facts``, if not named).

    For checks of a whole site: what certificates rest on is judged once and used again.

    Raises: UnknownName with the nearest numbers.
    """
    tracer = _Tracer(facts)
    for number in facts.calibrations if numbers is None else numbers:
        yield tracer.result(number)


class _Tracer:
    """Judges links; what a certificate rests on is judged once and kept."""

    def __init__(self, facts: ChainFacts) -> None:
        self.facts = facts
        self._curves: dict[str, CertificateCurve | str] = {}
        self._behind: dict[str, Step] = {}
        self._used: dict[Use, Step] = {}
        self._replaced_by: dict[str, list[Certificate]] = {}
        self._of_gauge: dict[str, list[Certificate]] = {}
        for certificate in facts.certificates.values():
            self._of_gauge.setdefault(certificate.gauge, []).append(certificate)
            if certificate.replaces is not None:
                self._replaced_by.setdefault(certificate.replaces, []).append(certificate)

    # --- the two ways in

    def result(self, number: str) -> Chain:
        calibration = self.facts.calibrations.get(number)
        if calibration is None:
            near = difflib.get_close_matches(number, list(self.facts.calibrations), n=3)
            raise UnknownName("calibration", number, near)
        start = self._calibration(calibration)
        return self._follow(f"result {number}", f"calibration {number}", start)

    def certificate(self, number: str) -> Chain:
        certificate = self.facts.certificates.get(number)
        if certificate is None:
            near = difflib.get_close_matches(number, list(self.facts.certificates), n=3)
            raise UnknownName("certificate", number, near)
        key = certificate_key(number)
        own = self._own_gauge(certificate)
        behind = self._behind_certificate(certificate)
        start = Step(
            (self._certificate_node(number), *own.nodes, *behind.nodes),
            (*own.links, *behind.links),
            behind.uses,
        )
        return self._follow(f"certificate {number}", key, start, {number})

    def _follow(
        self, subject: str, root: str, start: Step, expanded: set[str] | None = None
    ) -> Chain:
        """Everything behind ``start``, breadth first: each node and each link once."""
        nodes: dict[str, Node] = {}
        links: dict[tuple[str, str, str, date], Link] = {}
        done: set[str] = set(expanded or ())
        uses: set[Use] = set()
        waiting: deque[Step] = deque([start])
        while waiting:
            step = waiting.popleft()
            for node in step.nodes:
                nodes.setdefault(node.key, node)
            for link in step.links:
                links.setdefault((link.source, link.target, link.relation, link.day), link)
            for use in step.uses:
                if use in uses:
                    continue
                uses.add(use)
                waiting.append(self._use(use))
                certificate = self.facts.certificates.get(use.certificate)
                if certificate is not None and certificate.number not in done:
                    done.add(certificate.number)
                    waiting.append(self._behind_certificate(certificate))
        chain = Chain(subject, root, tuple(nodes.values()), tuple(links.values()))
        return with_circles_broken(chain)

