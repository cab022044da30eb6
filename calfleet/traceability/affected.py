"""What rests on a gauge found bad: certificates through every tier, and the calibrations on them.

Breadth first, without recursion: each certificate once, however many ways lead to it; circles do
no harm, but a certificate that rests on itself has no error that could be worked out.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable
from dataclasses import dataclass, field
from datetime import date

from calfleet.errors import CalfleetError, RecordRefused, UnknownName
from calfleet.metrology.certificate import CertificateCurve
from calfleet.metrology.units import find_unit
from calfleet.records import CalibrationColumns, Certificate, Gauge, StandardUsed
from calfleet.traceability.columns import TouchedUses, columns_of, touched
from calfleet.traceability.curves import certificate_curve
from calfleet.traceability.event import FoundBad
from calfleet.traceability.facts import ChainFacts, in_force
from calfleet.traceability.shifts import (
    Shifts,
    Source,
    carried_shifts,
    flips,
    found_curve,
    found_shifts,
    needs_air,
    unknown_shifts,
    unshifted,
)


@dataclass(frozen=True, slots=True)
class AffectedCertificate:
    """A certificate that rests on the gauge found bad.

    ``tier`` 1: the gauge was its standard; 2: the standard was calibrated with the gauge; and so
    on, by the shortest way. ``parents``: the affected certificates it names, ``""`` for the gauge
    itself.
    """

    number: str
    gauge: str
    calibrated_on: date
    tier: int
    parents: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Affected:
    """Everything that rests on the gauge found bad.

    ``certificates`` by number, nearest tier first. ``calibrations`` by number in the order of the
    columns, without those that a later record replaced, which are in ``replaced``.
    """

    certificates: dict[str, AffectedCertificate]
    calibrations: tuple[str, ...]
    replaced: tuple[str, ...]
    touched: TouchedUses

    def path(self, number: str) -> tuple[str, ...]:
        """The certificates from the one next to the gauge found bad up to ``number``."""
        way: list[str] = []
        current = number
        while current and current not in way:
            way.append(current)
            parents = self.certificates[current].parents
            current = min(parents, key=lambda p: self.certificates[p].tier if p else 0)
        return tuple(reversed(way))


def find_affected(
    facts: ChainFacts, event: FoundBad, columns: CalibrationColumns | None = None
) -> Affected:
    """What rests on the gauge of ``event``, through every tier.

    ``columns``: the calibrations to look among; those of ``facts`` where they are not given.

    Raises: UnknownName for a gauge or certificate that is not recorded.
    """
    if event.gauge not in facts.gauges:
        raise UnknownName(
            "gauge",
            event.gauge,
            _near(event.gauge, facts.gauges),
            next_step="Name a gauge of the register.",
        )
    for number in (event.last_good.certificate, event.certificate):
        if number and number not in facts.certificates:
            raise UnknownName(
                "certificate",
                number,
                _near(number, facts.certificates),
                next_step=f"Name a recorded certificate of {event.gauge}.",
            )
    if columns is None:
        columns = columns_of(facts.calibrations.values())
    certificates = affected_certificates(facts, event)
    tiers = {number: one.tier for number, one in certificates.items()}
    rests = touched(columns, event, tiers, facts.certificates)
    hit = [
        (number, replaced)
        for key, number, replaced in zip(
            columns.keys, columns.numbers, columns.replaced, strict=True
        )
        if key in rests.nearest
    ]
    return Affected(
        certificates,
        tuple(number for number, replaced in hit if not replaced),
        tuple(number for number, replaced in hit if replaced),
        rests,
    )


def _near(name: str, names: Iterable[str]) -> list[str]:
    import difflib

    return difflib.get_close_matches(name, list(names), n=3)


def affected_certificates(facts: ChainFacts, event: FoundBad) -> dict[str, AffectedCertificate]:
    """The certificates that rest on the gauge of ``event``, by number, nearest tier first."""
    named: dict[str, list[Certificate]] = {}
    parents: dict[str, dict[str, None]] = {}
    waiting: deque[tuple[Certificate, int]] = deque()
    for certificate in facts.certificates.values():
        direct = False
        for standard in certificate.standards:
            if standard.certificate:
                named.setdefault(standard.certificate, []).append(certificate)
            direct = direct or _names(facts, event, standard, certificate.calibrated_on)
        if direct:
            parents[certificate.number] = {"": None}
            waiting.append((certificate, 1))
    tiers: dict[str, int] = {}
    while waiting:
        certificate, tier = waiting.popleft()
        if certificate.number in tiers:
            continue
        tiers[certificate.number] = tier
        for above in named.get(certificate.number, ()):
            parents.setdefault(above.number, {})[certificate.number] = None
            waiting.append((above, tier + 1))
    return {
        number: AffectedCertificate(
            number,
            facts.certificates[number].gauge,
            facts.certificates[number].calibrated_on,
            tier,
            tuple(parents[number]),
        )
        for number, tier in tiers.items()
    }


def _names(facts: ChainFacts, event: FoundBad, standard: StandardUsed, day: date) -> bool:
    number = standard.certificate or ""
    return standard.gauge == event.gauge and event.touches(
        facts.certificates.get(number), number, day
    )


# --- by how much --------------------------------------------------------------------------------


@dataclass
class ShiftBook:
    """The shifts of every gauge that rests on the one found bad; each worked out once.

    ``reasons``: certificate number to why its shift is not known.
    """

    facts: ChainFacts
    event: FoundBad
    affected: Affected
    reasons: dict[str, str] = field(default_factory=dict)
    _done: set[str] = field(default_factory=set)
    _curves: dict[tuple[str, str], CertificateCurve] = field(default_factory=dict)
    _direct: dict[tuple[str, str], Shifts] = field(default_factory=dict)
    _carried: dict[tuple[str, str], Shifts] = field(default_factory=dict)
    _sound: dict[tuple[str, str], Shifts] = field(default_factory=dict)
    _units: dict[str, str] = field(default_factory=dict)

    def __post_init__(self) -> None:
        for certificate in self._in_order():
            gauge = self.gauge(certificate.gauge, certificate.calibrated_on)
            if gauge is not None:
                self._carry(certificate, gauge.unit)

    def gauge(self, code: str, day: date) -> Gauge | None:
        """The gauge as it was that day; its first revision before that."""
        revisions = self.facts.gauges.get(code, ())
        return in_force(revisions, day) or (revisions[0] if revisions else None)

    def of(self, code: str, number: str, day: date, *, affected: bool) -> Shifts | None:
        """The shifts of gauge ``code`` as used on certificate ``number`` that day.

        ``None`` without gauge or usable certificate.
        """
        gauge = self.gauge(code, day)
        recorded = self.curve(number, gauge.unit) if gauge is not None else None
        if gauge is None or recorded is None:
            return None
        key = (number, gauge.unit)
        if not affected:
            if key not in self._sound:
                self._sound[key] = unshifted(recorded)
            return self._sound[key]
        direct = code == self.event.gauge and self.event.touches(
            self.facts.certificates.get(number), number, day
        )
        if direct:
            return self._direct_shifts(number, gauge.unit, recorded)
        if key not in self._carried:
            self._carry(self.affected.certificates[number], gauge.unit)
        return self._carried[key]

    def carried(self, number: str, unit: str) -> Shifts | None:
        """The shifts of the gauge of an affected certificate; ``None`` where it cannot be used."""
        return self._carried.get((number, unit))

    def curve(self, number: str, unit: str) -> CertificateCurve | None:
        """The certificate's points in use in that unit; ``None`` where there are none to use."""
        if unit not in self._units:
            self._units[unit] = find_unit(unit).code
        key = (number, self._units[unit])
        if key not in self._curves:
            certificate = self.facts.certificates.get(number)
            if certificate is None:
                return None
            try:
                self._curves[key] = certificate_curve(certificate).in_unit(unit)
            except CalfleetError:
                return None
        return self._curves[key]

    # --- the gauge itself

    def _direct_shifts(self, number: str, unit: str, recorded: CertificateCurve) -> Shifts:
        key = (number, unit)
        if key not in self._direct:
            if not self.event.known:
                self._direct[key] = unknown_shifts(recorded)
            else:
                good = self.curve(self.event.last_good.certificate, unit)
                found = found_curve(self.event.points, self.event.unit, unit)
                self._direct[key] = found_shifts(
                    recorded, good or recorded, found, self.event.beyond,
                    constant=self.event.constant,
                )  # fmt: skip
        return self._direct[key]

    # --- gauges calibrated with it

    def _in_order(self) -> list[AffectedCertificate]:
        """Every certificate after those it rests on; those in a circle last."""
        certificates = self.affected.certificates
        open_parents = {n: sum(p != "" for p in c.parents) for n, c in certificates.items()}
        above: dict[str, list[str]] = {}
        for number, certificate in certificates.items():
            for parent in certificate.parents:
                above.setdefault(parent, []).append(number)
        ready = deque(n for n, count in open_parents.items() if count == 0)
        order: list[str] = []
        while ready:
            number = ready.popleft()
            order.append(number)
            for other in above.get(number, ()):
                open_parents[other] -= 1
                if open_parents[other] == 0:
                    ready.append(other)
        done = set(order)
        return [certificates[n] for n in (*order, *(n for n in certificates if n not in done))]

    def _carry(self, affected: AffectedCertificate, unit: str) -> None:
        """Works out the shifts of a gauge on an affected certificate, in ``unit``."""
        recorded = self.curve(affected.number, unit)
        if recorded is None:
            self.reasons[affected.number] = f"certificate {affected.number} cannot be used"
            return
        certificate = self.facts.certificates[affected.number]
        sources: list[Source] = []
        others = False
        for standard in certificate.standards:
            if self._rests(affected, standard):
                source, why = self._source(certificate, standard)
                sources.append(source)
                if why:
                    self.reasons.setdefault(affected.number, why)
            else:
                others = others or self._may_have_carried(certificate, standard)
        made = carried_shifts(recorded, sources, alone=not others)
        if made.partly_unknown and affected.number not in self.reasons:
            self.reasons[affected.number] = self._inherited(affected)
        self._carried[affected.number, unit] = made
        self._done.add(affected.number)

    def _rests(self, affected: AffectedCertificate, standard: StandardUsed) -> bool:
        direct = "" in affected.parents and _names(
            self.facts, self.event, standard, affected.calibrated_on
        )
        return direct or bool(standard.certificate and standard.certificate in affected.parents)

    def _source(self, certificate: Certificate, standard: StandardUsed) -> tuple[Source, str]:
        day, code, number = certificate.calibrated_on, standard.gauge or "", standard.certificate
        own, gauge = self.gauge(certificate.gauge, day), self.gauge(code, day)
        if own is None or gauge is None or not number:
            return Source(
                None
            ), f"{certificate.number} does not say on which certificate {code} stood"
        if find_unit(own.unit).dimension is not find_unit(gauge.unit).dimension:
            return Source(None), (
                f"{code}, of another quantity, was an auxiliary for {certificate.number}: its "
                f"effect cannot be worked out"
            )
        if needs_air(own.mode, gauge.mode):
            return Source(None), (
                f"{certificate.number} compares absolute with gauge pressure and states no "
                "barometric pressure"
            )
        recorded = self.curve(number, gauge.unit)
        if recorded is None:
            return Source(None), f"certificate {number} of {code} cannot be used"
        turned = flips(own.mode, gauge.mode)
        if _names(self.facts, self.event, standard, day):
            shifts = self._direct_shifts(number, gauge.unit, recorded)
            return Source(shifts, self.event.fraction(day), turned), ""
        if number in self._done and (number, gauge.unit) not in self._carried:
            self._carry(self.affected.certificates[number], gauge.unit)
        known = self._carried.get((number, gauge.unit))
        if known is None:
            return Source(None), f"certificate {certificate.number} rests on itself in a circle"
        return Source(known, flips=turned), ""

    def _may_have_carried(self, certificate: Certificate, standard: StandardUsed) -> bool:
        """Whether a standard that was not off can have carried points of the certificate."""
        if standard.gauge is None:
            return True
        own = self.gauge(certificate.gauge, certificate.calibrated_on)
        gauge = self.gauge(standard.gauge, certificate.calibrated_on)
        if own is None or gauge is None:
            return False
        return find_unit(own.unit).dimension is find_unit(gauge.unit).dimension

    def _inherited(self, affected: AffectedCertificate) -> str:
        for parent in affected.parents:
            if parent and parent in self.reasons:
                return self.reasons[parent]
        if not self.event.known:
            return f"the error of {self.event.gauge} is not known"
        return f"the error of {self.event.gauge} is not known at every point"


def require_usable(event: FoundBad, facts: ChainFacts) -> None:
    """Raises RecordRefused where the errors found cannot be set against the gauge's unit."""
    gauge = in_force(facts.gauges[event.gauge], event.found_on) or facts.gauges[event.gauge][0]
    if event.known and find_unit(event.unit).dimension is not find_unit(gauge.unit).dimension:
        raise RecordRefused(
            f"The errors of {event.gauge} are stated in {event.unit}; it reads {gauge.unit}.",
            rule="Errors are stated in a unit of the gauge's own kind.",
            next_step="Correct the unit of the points found.",
        )
