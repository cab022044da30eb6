"""Reported events as the analysis takes them: for each the errors found, and since when.

Since when a gauge is to be doubted depends on everything else that is known, and is worked out
anew whenever it is asked:

- a certificate that was made with a gauge which another event puts in doubt does not show that
  its own gauge was good; the period then begins with the calibration before it;
- a cross check counts only with a gauge that was itself not in doubt that day and does not owe
  its certificate to the gauge it was compared with; and only if it could have seen the errors
  that were found: some of them are beyond its limits, and all those lie between its points;
- a certificate withdrawn or corrected later counts as such from then on;
- where nothing shows the gauge good any more, the period begins with its oldest calibration.

Sources: ISO/IEC 17025:2017 6.4.9 (taken out of service until shown to perform correctly, the
effect examined; from memory), 6.4.10 (intermediate checks; from memory), 7.10.1 c).
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from fractions import Fraction

from calfleet.errors import RecordRefused
from calfleet.metrology.units import convert, convert_difference
from calfleet.records import Certificate, ErrorPoint, GaugeEvent
from calfleet.traceability.affected import affected_certificates
from calfleet.traceability.event import (
    CrossCheck,
    FoundBad,
    FoundPoint,
    Kind,
    LastGood,
    last_known_good,
    points_found,
    points_stated,
)
from calfleet.traceability.facts import ChainFacts


@dataclass(frozen=True, slots=True)
class Compared:
    """A recorded cross check: each of its points compared, seen from ``gauge``."""

    number: str
    gauge: str
    certificate: str
    against: str
    against_certificate: str
    on: date
    points: tuple[CrossCheck, ...]

    @property
    def agrees(self) -> bool:
        """Whether the two gauges agreed at every point."""
        return all(point.agrees for point in self.points)

    @property
    def largest_en(self) -> float:
        """The largest E_n number of the points."""
        return max(point.en for point in self.points)

    def seen_from(self, gauge: str) -> Compared:
        """The same comparison with ``gauge``, one of the two, as the one that is checked."""
        if gauge == self.gauge:
            return self
        points = tuple(
            CrossCheck(p.other, p.gauge, p.on, p.unit, p.other_value, p.other_U, p.value, p.U)
            for p in self.points
        )
        return Compared(
            self.number, self.against, self.against_certificate, self.gauge, self.certificate,
            self.on, points,
        )  # fmt: skip


def found_bad_events(
    facts: ChainFacts, events: Sequence[GaugeEvent], checks: Sequence[Compared] = ()
) -> dict[str, FoundBad]:
    """Every event by its number, as the analysis takes it, each in the light of the others.

    Of ``facts`` gauges and certificates are needed, not calibrations.

    Raises: RecordRefused for an event that contradicts itself, or for a gauge without any
    certificate from before it was found bad.
    """
    made = {e.number: _made(facts.certificates, e, (), {}) for e in events}
    rests = {number: set(affected_certificates(facts, event)) for number, event in made.items()}
    for _ in events:
        before = made
        made = {}
        for event in events:
            others = [n for n in before if n != event.number]
            doubted = {
                c: f"itself made with {before[n].gauge}, found bad ({n})"
                for n in sorted(others, reverse=True)
                for c in rests[n]
            }
            sound = [
                point
                for check in checks
                if event.gauge in (check.gauge, check.against)
                for point in _sound(facts, check.seen_from(event.gauge), event, before, rests)
            ]
            made[event.number] = _made(facts.certificates, event, sound, doubted)
        if made == before:
            break
        for number, one in made.items():
            rests[number] = set(affected_certificates(facts, one))
    return made


def _sound(
    facts: ChainFacts,
    check: Compared,
    event: GaugeEvent,
    made: Mapping[str, FoundBad],
    rests: Mapping[str, set[str]],
) -> tuple[CrossCheck, ...]:
    """The points of a cross check that say something about the gauge of ``event``; else none."""
    other = check.against_certificate
    if other in rests[event.number]:
        return ()
    for number, one in made.items():
        if number == event.number:
            continue
        used = facts.certificates.get(other)
        if other in rests[number] or (
            one.gauge == check.against and one.touches(used, other, check.on)
        ):
            return ()
    return check.points if _could_see(check, made[event.number]) else ()


def _could_see(check: Compared, found: FoundBad) -> bool:
    """Whether the check would have shown the errors found, had they been there that day.

    Where no error is known (a lost or damaged gauge), it is not asked.
    """
    if not found.points:
        return True
    seen = [convert(p.value, p.unit, found.unit) for p in check.points]
    widest = max(
        convert_difference(p.limit_squared.sqrt(), p.unit, found.unit) for p in check.points
    )
    beyond = [f for f in found.points if abs(f.error) > widest]

    def reached(point: FoundPoint) -> bool:
        # the points of a check are corrected, the indications of the errors are not
        near = abs(Fraction(point.error)) + widest
        return min(seen) - near <= Fraction(point.indication) <= max(seen) + near

    return bool(beyond) and all(map(reached, beyond))


def _made(
    certificates: Mapping[str, Certificate],
    event: GaugeEvent,
    checks: Iterable[CrossCheck],
    doubted: Mapping[str, str],
) -> FoundBad:
    points, unit, by = tuple(map(_point, event.points)), event.unit, event.reported_by
    if event.kind is Kind.WITHDRAWN:
        withdrawn = certificates[event.certificate or ""]
        correction = next(
            (c for c in certificates.values() if c.replaces == withdrawn.number), None
        )
        if not points and correction is not None:
            points, unit = points_stated(correction), correction.unit
        good = LastGood(
            withdrawn.calibrated_on, withdrawn.number, "calibration whose certificate was withdrawn"
        )
        return FoundBad(
            event.gauge, event.found_on, event.kind, good, points, unit if points else "",
            withdrawn.number, note=event.note, by=by,
        )  # fmt: skip
    if event.certificate is not None:
        shown = certificates[event.certificate]
        points, unit = points_found(shown), shown.unit
        stated = f"certificate {shown.number} of {shown.laboratory}"
        by = f"{by}, by {stated}" if by else stated
    return FoundBad(
        event.gauge, event.found_on, event.kind, _good(certificates, event, checks, doubted),
        points, unit, note=event.note, by=by, used_until=_used_until(certificates, event),
    )  # fmt: skip


def _point(point: ErrorPoint) -> FoundPoint:
    return FoundPoint(point.indication, point.error, point.direction)


def _good(
    certificates: Mapping[str, Certificate],
    event: GaugeEvent,
    checks: Iterable[CrossCheck],
    doubted: Mapping[str, str],
) -> LastGood:
    try:
        return last_known_good(certificates, event.gauge, event.found_on, checks, doubted=doubted)
    except RecordRefused:
        any_at_all = [
            c
            for c in certificates.values()
            if c.gauge == event.gauge and c.calibrated_on < event.found_on
        ]
        if not any_at_all:
            raise
    first = min(any_at_all, key=lambda c: (c.calibrated_on, c.issued_on, c.number))
    return LastGood(
        first.calibrated_on, first.number,
        "its oldest calibration: no certificate that stands shows it good",
    )  # fmt: skip


def _used_until(certificates: Mapping[str, Certificate], event: GaugeEvent) -> date | None:
    """The day the gauge was calibrated again; ``None`` where that was the day it was found."""
    again = min(
        (
            c.calibrated_on
            for c in certificates.values()
            if c.gauge == event.gauge and c.calibrated_on >= event.found_on
        ),
        default=date.max,
    )
    return again if again > event.found_on else None
