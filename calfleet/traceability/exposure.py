"""Before it happens: which gauge, if it failed today, would put most results in doubt.

Only results that are the last word on a switch count (of its last calibration; as left where a
set point was adjusted), and only where the gauge was used since it was last known good: what an
event of that day would touch.

Order: the gauge with most results on safety items first, then environment, production, general.
That order of weights is this project's choice.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import date

from calfleet.records import Calibration, Certificate, Criticality, Phase, Result
from calfleet.traceability.facts import ChainFacts, Use

Counts = Mapping[Criticality, int]


@dataclass(frozen=True, slots=True)
class Exposure:
    """What rests on one gauge: results per criticality, directly and through other gauges.

    A result that rests on the gauge both ways counts as direct. ``certificate``: the one in force
    (empty where none is); ``since``: its calibration day. ``gauges``: the gauges calibrated with
    it through which results come, in order of their codes.
    """

    gauge: str
    certificate: str
    since: date | None
    direct: Counts
    through: Counts
    gauges: tuple[str, ...]

    def results(self, criticality: Criticality | None = None) -> int:
        """How many results rest on the gauge; of one criticality where it is given."""
        wanted = Criticality if criticality is None else (criticality,)
        return sum(self.direct.get(c, 0) + self.through.get(c, 0) for c in wanted)

    @property
    def statement(self) -> str:
        """The exposure in one sentence."""
        if not self.results():
            return f"No current result rests on {self.gauge}."
        parts = [f"{self.results(c)} {c}" for c in Criticality if self.results(c)]
        carried = sum(self.through.values())
        way = f", {carried} of them through {', '.join(self.gauges)}" if carried else ""
        return (
            f"If {self.gauge} failed, {self.results()} current results would be in doubt "
            f"({', '.join(parts)}){way}."
        )


def exposures(facts: ChainFacts, day: date) -> tuple[Exposure, ...]:
    """Every gauge with the current results that rest on it on ``day``, the worst first.

    Gauges on which nothing rests are listed too, last, in order of their codes.
    """
    good = {code: _in_force(facts.certificates.values(), code, day) for code in facts.gauges}
    behind = _Behind(facts)
    direct: dict[str, Counter[Criticality]] = {code: Counter() for code in facts.gauges}
    through: dict[str, Counter[Criticality]] = {code: Counter() for code in facts.gauges}
    carriers: dict[str, set[str]] = {code: set() for code in facts.gauges}

    def doubted(use: Use) -> bool:
        certificate = good.get(use.gauge)
        if certificate is None or not certificate.calibrated_on <= use.day <= day:
            return False
        return use.day > certificate.calibrated_on or use.certificate == certificate.number

    criticality = _criticalities(facts)
    for calibration, results in current_results(facts, day):
        bench = calibration.bench
        own = {Use(u.gauge, u.certificate, bench.performed_on) for u in bench.gauges}
        hit = {use.gauge for use in own if doubted(use)}
        carried: dict[str, set[str]] = {}
        for use in own:
            for deeper in behind.of(use.certificate):
                if doubted(deeper):
                    carried.setdefault(deeper.gauge, set()).add(use.gauge)
        weight = criticality[bench.tag]
        for code in hit:
            direct[code][weight] += len(results)
        for code, ways in carried.items():
            if code not in hit:
                through[code][weight] += len(results)
                carriers[code] |= ways
    found = [
        Exposure(
            code,
            certificate.number if (certificate := good[code]) is not None else "",
            certificate.calibrated_on if certificate is not None else None,
            dict(direct[code]),
            dict(through[code]),
            tuple(sorted(carriers[code])),
        )
        for code in facts.gauges
    ]
    return tuple(sorted(found, key=lambda e: (*(-e.results(c) for c in Criticality), e.gauge)))


def current_results(
    facts: ChainFacts, day: date
) -> tuple[tuple[Calibration, tuple[Result, ...]], ...]:
    """The last calibration of each switch by ``day``, with the results that describe it now."""
    last: dict[str, Calibration] = {}
    for calibration in facts.calibrations.values():
        if calibration.replaced_by is not None or calibration.bench.performed_on > day:
            continue
        held = last.get(calibration.bench.tag)
        if held is None or _when(calibration) > _when(held):
            last[calibration.bench.tag] = calibration
    found = []
    for calibration in last.values():
        left = {r.set_point for r in calibration.results if r.phase is Phase.AS_LEFT}
        results = tuple(
            r for r in calibration.results if r.phase is Phase.AS_LEFT or r.set_point not in left
        )
        found.append((calibration, results))
    return tuple(found)


def _when(calibration: Calibration) -> tuple[object, ...]:
    return calibration.bench.performed_on, calibration.recorded_at, calibration.number


def _criticalities(facts: ChainFacts) -> dict[str, Criticality]:
    """Each switch's criticality by its newest data sheet."""
    newest: dict[str, tuple[tuple[date, int], Criticality]] = {}
    for switch in facts.switches.values():
        key = (switch.effective_on, switch.revision)
        if switch.tag not in newest or key > newest[switch.tag][0]:
            newest[switch.tag] = (key, switch.criticality)
    found = {tag: pair[1] for tag, pair in newest.items()}
    for calibration in facts.calibrations.values():
        found.setdefault(calibration.bench.tag, Criticality.GENERAL)
    return found


def _in_force(certificates: Iterable[Certificate], gauge: str, day: date) -> Certificate | None:
    """The newest certificate issued by ``day`` that is neither withdrawn nor replaced."""
    every = list(certificates)
    replaced = {c.replaces for c in every if c.replaces is not None and c.issued_on <= day}
    held = [
        c
        for c in every
        if c.gauge == gauge
        and c.calibrated_on < day
        and c.issued_on <= day
        and c.number not in replaced
        and not (c.withdrawal is not None and c.withdrawal.withdrawn_on <= day)
    ]
    return max(held, key=lambda c: (c.calibrated_on, c.issued_on, c.number), default=None)


class _Behind:
    """All uses of standards behind a certificate, to any depth; each certificate once."""

    def __init__(self, facts: ChainFacts) -> None:
        self._facts = facts
        self._known: dict[str, frozenset[Use]] = {}

    def of(self, number: str) -> frozenset[Use]:
        if number not in self._known:
            found: set[Use] = set()
            waiting, seen = [number], {number}
            while waiting:
                certificate = self._facts.certificates.get(waiting.pop())
                if certificate is None:
                    continue
                for standard in certificate.standards:
                    if standard.gauge is None:
                        continue
                    behind = standard.certificate or ""
                    found.add(Use(standard.gauge, behind, certificate.calibrated_on))
                    if behind and behind not in seen:
                        seen.add(behind)
                        waiting.append(behind)
            self._known[number] = frozenset(found)
        return self._known[number]
