"""From a result, a reading or a certificate to its standards: each link judged on its day of use.

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
from collections import deque
from collections.abc import Iterable, Iterator
from datetime import date

from calfleet.errors import UnknownName
from calfleet.traceability.bench import Bench
from calfleet.traceability.facts import ChainFacts, Step, Use, certificate_key
from calfleet.traceability.gauges import Gauges, state_facts
from calfleet.traceability.links import (
    Chain,
    ChainVerdict,
    Fact,
    Link,
    LinkState,
    Node,
    NodeKind,
    Reason,
    with_circles_broken,
)
from calfleet.traceability.standards import Standards

__all__ = [
    "ChainFacts",
    "trace_result",
    "trace_certificate",
    "trace_reading",
    "trace_results",
    "Chain",
    "ChainVerdict",
    "Node",
    "NodeKind",
    "Link",
    "LinkState",
    "Reason",
    "Fact",
]


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


def trace_reading(
    facts: ChainFacts,
    gauge: str,
    certificate: str,
    day: date,
    reasons: Iterable[Reason] = (),
) -> Chain:
    """The chain from what ``gauge`` shows on ``day`` to the standards behind it.

    ``certificate``: the one it stands on that day, empty where it has none. ``reasons``: what else
    is known against its use that day.
    """
    return _Tracer(facts).reading(gauge, certificate, day, tuple(reasons))


def trace_results(facts: ChainFacts, numbers: Iterable[str] | None = None) -> Iterator[Chain]:
    """The chain of each calibration in turn (all of them, in the order of ``facts``, if not named).

    For checks of a whole site: what certificates rest on is judged once and used again.

    Raises: UnknownName with the nearest numbers.
    """
    tracer = _Tracer(facts)
    for number in facts.calibrations if numbers is None else numbers:
        yield tracer.result(number)


class _Tracer:
    """Follows what rests on what, breadth first; what was judged once is kept."""

    def __init__(self, facts: ChainFacts) -> None:
        self._facts = facts
        self._gauges = Gauges(facts)
        self._bench = Bench(self._gauges)
        self._standards = Standards(self._gauges)

    def result(self, number: str) -> Chain:
        calibration = self._facts.calibrations.get(number)
        if calibration is None:
            near = difflib.get_close_matches(number, list(self._facts.calibrations), n=3)
            raise UnknownName("calibration", number, near)
        start = self._bench.step(calibration)
        return self._follow(f"result {number}", f"calibration {number}", start, set())

    def certificate(self, number: str) -> Chain:
        certificate = self._facts.certificates.get(number)
        if certificate is None:
            near = difflib.get_close_matches(number, list(self._facts.certificates), n=3)
            raise UnknownName("certificate", number, near)
        own, behind = self._gauges.owner(certificate), self._standards.behind(certificate)
        start = Step(
            (self._gauges.certificate_node(number), *own.nodes, *behind.nodes),
            (*own.links, *behind.links),
            behind.uses,
        )
        return self._follow(f"certificate {number}", certificate_key(number), start, {number})

    def reading(
        self, gauge: str, certificate: str, day: date, reasons: tuple[Reason, ...]
    ) -> Chain:
        use = Use(gauge, certificate, day)
        root = f"reading of {gauge} on {day}"
        node = Node(root, NodeKind.READINGS, f"a reading of {gauge} on {day}")
        judged = (*self._gauges.judge(gauge, certificate, day), *reasons)
        shown = state_facts(self._gauges.on(gauge, day))
        link = Link(root, use.key, "read on", day, judged, shown)
        start = Step((node, self._gauges.gauge_node(use)), (link,), (use,))
        return self._follow(f"the {root}", root, start, set())

    def _follow(self, subject: str, root: str, start: Step, followed: set[str]) -> Chain:
        """Everything behind ``start``: each node, each link and each certificate once."""
        nodes: dict[str, Node] = {}
        links: dict[tuple[str, str, str, date], Link] = {}
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
                waiting.append(self._gauges.use(use))
                certificate = self._facts.certificates.get(use.certificate)
                if certificate is not None and certificate.number not in followed:
                    followed.add(certificate.number)
                    waiting.append(self._standards.behind(certificate))
        chain = Chain(subject, root, tuple(nodes.values()), _each_correction_once(links.values()))
        return with_circles_broken(chain)


def _each_correction_once(links: Iterable[Link]) -> tuple[Link, ...]:
    """The links without a "replaces" whose "replaced by", which carries the reason, is there."""
    every = tuple(links)
    replaced = {(k.source, k.target) for k in every if not k.rests_on and k.reasons}
    return tuple(
        k for k in every if k.rests_on or k.reasons or (k.target, k.source) not in replaced
    )
