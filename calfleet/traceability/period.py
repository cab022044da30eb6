"""Reported events as the analysis takes them: for each the errors found, and since when.

Since when a gauge is to be doubted depends on everything else that is known, and is worked out
anew whenever it is asked:

- a certificate that was made with a gauge which another event puts in doubt does not show that
  its own gauge was good; the period then begins with the calibration before it;
- a cross check counts only with a gauge that was itself not in doubt that day and does not owe
  its certificate to the gauge it was compared with; and only if it could have seen the errors
  that were found: some of them are beyond its limits, and all those lie between its points;
- where no error is known (lost, damaged), anything may have been wrong anywhere, and a cross check
  counts only if it was as good as a calibration in small: from end to end of what the gauge's
  certificate covers (a tenth of it may be missing at either end, no gap wider than six tenths),
  with a limit of agreement at every point no wider than the gauge's permissible error there;
- a cross check that was entered after the event was reported, or after the day the gauge was found
  bad, does not count, whatever day it names: nobody can tell whether it was done then. It is
  named, and whoever decides about the results weighs it. One in which the two did not agree is
  taken against the gauge all the same;
- a certificate withdrawn or corrected later counts as such from then on;
- where nothing shows the gauge good any more, the period begins with its oldest calibration.

That a cross check must cover so much of the range, and be entered in time, is this project's
choice: the cautious one.

Sources: ISO/IEC 17025:2017 6.4.9 (taken out of service until shown to perform correctly, the
effect examined; from memory), 6.4.10 (intermediate checks; from memory), 7.10.1 c).
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime
from decimal import Decimal
from fractions import Fraction
from itertools import pairwise

from calfleet.errors import RecordRefused
from calfleet.metrology.evaluation import AccuracyBasis, GaugeSpec
from calfleet.metrology.units import convert, convert_difference
from calfleet.records import Certificate, ErrorPoint, Gauge, GaugeEvent
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
from calfleet.traceability.facts import ChainFacts, in_force
from calfleet.traceability.words import symbol

MAY_LACK = Fraction(1, 10)
"""So much of the certificate's span may be missing at either end of a check."""
WIDEST_GAP = Fraction(6, 10)
"""No two neighbouring points of a check lie further apart, as a part of the certificate's span."""


@dataclass(frozen=True, slots=True)
class Compared:
    """A recorded cross check: each of its points compared, seen from ``gauge``.

    ``entered_at``: when it was put on record, where that is known.
    """

    number: str
    gauge: str
    certificate: str
    against: str
    against_certificate: str
    on: date
    points: tuple[CrossCheck, ...]
    entered_at: datetime | None = None

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
            self.on, points, self.entered_at,
        )  # fmt: skip


def found_bad_events(
    facts: ChainFacts,
    events: Sequence[GaugeEvent],
    checks: Sequence[Compared] = (),
    *,
    reported: Mapping[str, datetime] | None = None,
) -> dict[str, FoundBad]:
    """Every event by its number, as the analysis takes it, each in the light of the others.

    Of ``facts`` gauges and certificates are needed, not calibrations. ``reported``: when each
    event was put on record, by its number; one that is not there is being reported now.

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
            sound: list[CrossCheck] = []
            left_out: dict[str, Compared] = {}
            for check in checks:
                if event.gauge not in (check.gauge, check.against):
                    continue
                seen = check.seen_from(event.gauge)
                if _other_in_doubt(facts, seen, event, before, rests):
                    continue
                why = _not_counted(facts, seen, event, before[event.number], reported or {})
                if why:
                    left_out[why] = seen
                else:
                    sound += seen.points
            one = _made(facts.certificates, event, sound, doubted)
            made[event.number] = replace(
                one, left_out=tuple(w for w, c in left_out.items() if _would_bound(c, one))
            )
        if made == before:
            break
        for number, one in made.items():
            rests[number] = set(affected_certificates(facts, one))
    return made


def _other_in_doubt(
    facts: ChainFacts,
    check: Compared,
    event: GaugeEvent,
    made: Mapping[str, FoundBad],
    rests: Mapping[str, set[str]],
) -> bool:
    """Whether the other gauge of a check says nothing: in doubt itself, or no better known."""
    other = check.against_certificate
    if other in rests[event.number]:
        return True
    for number, one in made.items():
        if number == event.number:
            continue
        used = facts.certificates.get(other)
        if other in rests[number] or (
            one.gauge == check.against and one.touches(used, other, check.on)
        ):
            return True
    return False


def _not_counted(
    facts: ChainFacts,
    check: Compared,
    event: GaugeEvent,
    found: FoundBad,
    reported: Mapping[str, datetime],
) -> str:
    """Why a check in which both agreed does not show the gauge good, as a sentence; else empty."""
    if not check.agrees:
        return ""
    start = f"Cross check {check.number} of {check.on} with {check.against} is not counted:"
    entered, known = check.entered_at, reported.get(event.number)
    if entered is not None:
        late = known is not None and entered > known
        if late or entered.date() > event.found_on:
            after = "the event was reported" if late else "the gauge was found bad"
            return (
                f"{start} it was entered on {entered:%Y-%m-%d}, after {after}. Whoever decides "
                "about a result may weigh it, and says so in the reason."
            )
    if found.points:
        if _could_see(check, found):
            return ""
        return (
            f"{start} it could not have seen the errors found (too few points, or too wide a "
            "limit)."
        )
    why = too_poor(facts, check)
    return f"{start} {why}." if why else ""


def _would_bound(check: Compared, found: FoundBad) -> bool:
    """Whether the check, had it counted, would have begun the period later."""
    bounded = found.kind is not Kind.WITHDRAWN
    return bounded and found.last_good.on < check.on < found.found_on


def too_poor(facts: ChainFacts, check: Compared) -> str:
    """Why the check does not show ``check.gauge`` good where no error is known, in words.

    Empty where it does: it reaches over what the gauge's certificate covers, and its limit of
    agreement is nowhere wider than the gauge's permissible error.
    """
    certificate = facts.certificates[check.certificate]
    versions = facts.gauges[check.gauge]
    gauge = in_force(versions, check.on) or versions[0]
    covered = [Fraction(p.indication) for p in certificate.points]
    low, high = min(covered), max(covered)
    seen = sorted(convert(p.value, p.unit, certificate.unit) for p in check.points)
    span = high - low
    steps = [after - before for before, after in pairwise(seen)]
    reaches = seen[0] <= low + MAY_LACK * span and seen[-1] >= high - MAY_LACK * span
    if not reaches or max(steps, default=span) > WIDEST_GAP * span:
        unit = symbol(certificate.unit)
        at = ", ".join(f"{float(value):.6g}" for value in seen)
        return (
            f"it compared at {at} {unit}, and the certificate covers {float(low):.6g} to "
            f"{float(high):.6g} {unit}; it must reach from end to end, with a point between"
        )
    for point in check.points:
        limit = convert_difference(point.limit_squared.sqrt(), point.unit, gauge.unit)
        allowed = _permissible(gauge, point.value, point.unit)
        if limit > allowed:
            return (
                f"its limit at {point.value:.6g} {symbol(point.unit)} is {float(limit):.2g} "
                f"{symbol(gauge.unit)}, wider than the permissible error of {check.gauge}, "
                f"{float(allowed):.2g} {symbol(gauge.unit)}"
            )
    return ""


def _permissible(gauge: Gauge, value: Decimal, unit: str) -> Fraction:
    spec = GaugeSpec(
        gauge.unit,
        Fraction(gauge.range_low),
        Fraction(gauge.range_high),
        Fraction(gauge.resolution),
        accuracy=Fraction(gauge.accuracy),
        accuracy_basis=AccuracyBasis(gauge.accuracy_basis),
    )
    return spec.permissible_error(convert(value, unit, gauge.unit))


def _could_see(check: Compared, found: FoundBad) -> bool:
    """Whether the check would have shown the errors found, had they been there that day."""
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
