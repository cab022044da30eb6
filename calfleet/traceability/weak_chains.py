"""The whole site at once: every result whose chain is broken or weak.

Agrees with ``trace_result`` for each calibration, but what lies behind a certificate is followed
once and shared: per gauge, certificate and day of use. A chain with a circle in it is traced on
its own, because which link closes the circle depends on where one comes from.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from datetime import date

from calfleet.records import Calibration
from calfleet.traceability.bench import Bench
from calfleet.traceability.chain import trace_results
from calfleet.traceability.facts import ChainFacts, Step, Use
from calfleet.traceability.gauges import Gauges
from calfleet.traceability.links import ChainVerdict, Link, LinkState, Reason
from calfleet.traceability.standards import Standards


@dataclass(frozen=True, slots=True)
class WeakChain:
    """A calibration whose chain is not sound: the reasons, broken ones first.

    ``reasons``: each with the link it belongs to. ``current``: no later record replaced it.
    """

    calibration: str
    tag: str
    performed_on: date
    verdict: ChainVerdict
    reasons: tuple[tuple[Link, Reason], ...]
    current: bool

    @property
    def statement(self) -> str:
        """The first reason in full, and how many more there are."""
        first = self.reasons[0][1].text
        more = len(self.reasons) - 1
        return f"{first} (and {more} more)" if more else first


def weak_chains(facts: ChainFacts, numbers: Iterable[str] | None = None) -> Iterator[WeakChain]:
    """The calibrations with a broken or weak chain, in the order of ``facts`` (or of ``numbers``).

    Raises: KeyError for a number that is not there.
    """
    site = _Site(facts)
    for number in facts.calibrations if numbers is None else numbers:
        row = site.row(facts.calibrations[number])
        if row is not None:
            yield row


class _Site:
    def __init__(self, facts: ChainFacts) -> None:
        self._facts = facts
        self._gauges = Gauges(facts)
        self._bench = Bench(self._gauges, brief=True)
        self._standards = Standards(self._gauges)
        self._behind: dict[str, tuple[tuple[Link, ...], bool]] = {}

    def row(self, calibration: Calibration) -> WeakChain | None:
        step = self._bench.step(calibration)
        links = dict(_bad(step))
        for use in step.uses:
            links.update(_bad(self._gauges.use(use)))
            found, circle = self._of(use.certificate)
            if circle:
                return self._traced(calibration)
            links.update((_key(link), link) for link in found)
        return _row(calibration, links.values())

    def _traced(self, calibration: Calibration) -> WeakChain | None:
        chain = next(iter(trace_results(self._facts, [calibration.number])))
        return _row(calibration, [link for link in chain.links if link.reasons])

    def _of(self, number: str) -> tuple[tuple[Link, ...], bool]:
        """The bad links behind a certificate, and whether there is a circle among them."""
        if number not in self._behind:
            links: dict[tuple[object, ...], Link] = {}
            circle = False
            uses: set[Use] = set()
            onwards: dict[str, set[str]] = {}
            waiting, seen = [number], {number}
            while waiting:
                current = waiting.pop()
                certificate = self._facts.certificates.get(current)
                if certificate is None:
                    continue
                step = self._standards.behind(certificate)
                links.update(_bad(step))
                onwards[current] = {use.certificate for use in step.uses}
                for use in step.uses:
                    if use not in uses:
                        uses.add(use)
                        links.update(_bad(self._gauges.use(use)))
                    if use.certificate not in seen:
                        seen.add(use.certificate)
                        waiting.append(use.certificate)
            circle = _has_circle(onwards)
            self._behind[number] = (tuple(links.values()), circle)
        return self._behind[number]


def _has_circle(onwards: dict[str, set[str]]) -> bool:
    """Whether the graph has a circle: leaves are taken away until none is left."""
    left = {number: {n for n in further if n in onwards} for number, further in onwards.items()}
    while left:
        leaves = {number for number, further in left.items() if not further}
        if not leaves:
            return True
        left = {n: further - leaves for n, further in left.items() if n not in leaves}
    return False


def _key(link: Link) -> tuple[object, ...]:
    return link.source, link.target, link.relation, link.day


def _bad(step: Step) -> Iterator[tuple[tuple[object, ...], Link]]:
    return ((_key(link), link) for link in step.links if link.reasons)


def _row(calibration: Calibration, links: Iterable[Link]) -> WeakChain | None:
    found = [(link, reason) for link in links for reason in link.reasons]
    if not found:
        return None
    found.sort(key=lambda pair: -pair[1].state.rank)
    broken = found[0][1].state is LinkState.BROKEN
    return WeakChain(
        calibration.number,
        calibration.bench.tag,
        calibration.bench.performed_on,
        ChainVerdict.BROKEN if broken else ChainVerdict.WEAK,
        tuple(found),
        calibration.replaced_by is None,
    )
