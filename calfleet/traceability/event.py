"""A gauge found bad: what was found, when, and since when it cannot be trusted.

The period begins on the day on which the gauge was last known good: its calibration with the
certificate then in force, or a later cross check with another gauge in which both agreed, or the
day of an incident that is known. It ends on the day on which it was found bad. Both days belong
to it: nobody recorded the hour.

Sources: ISO/IEC 17025:2017 6.4.9, 6.4.10, 7.10.1; the limit of a cross check,
abs(x1 - x2) <= sqrt(U1^2 + U2^2), is common practice (the E_n number of ISO/IEC 17043, from
memory, at most 1).
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import date
from decimal import Decimal
from enum import StrEnum
from fractions import Fraction

from calfleet.errors import BadQuantity, DateRefused, RecordRefused
from calfleet.metrology.direction import Direction
from calfleet.metrology.rounding import significant
from calfleet.metrology.units import find_unit
from calfleet.records import Certificate, FoundBadKind, Phase
from calfleet.traceability.words import symbol

Kind = FoundBadKind


class Beyond(StrEnum):
    """What is taken for the error outside the points that were found."""

    UNKNOWN = "unknown"
    END_ERROR = "error of the end point"


@dataclass(frozen=True, slots=True)
class FoundPoint:
    """The error found at an indication: ``error`` is indication - reference, in the event's unit.

    ``direction``: the way the pressure was approached, ``None`` where it was not told apart.
    """

    indication: Decimal
    error: Decimal
    direction: Direction | None = None


@dataclass(frozen=True, slots=True)
class LastGood:
    """The day on which the gauge was last known good, the certificate then in force, and how.

    ``corrected``: earlier issues of that certificate, of the same calibration.
    """

    on: date
    certificate: str
    how: str
    corrected: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class FoundBad:
    """A gauge (or one certificate of it) found bad on a day.

    ``points`` in ``unit`` (a unit code): with kind ``as-found errors`` at least one; with
    ``certificate withdrawn`` the errors that the certificate should have stated, if they are
    known; lost and damaged gauges have none. ``certificate``: the withdrawn one. ``by``: who
    reported it, for the report. ``used_until``: uses after the finding, through that day and on a
    certificate older than the finding, fall under the event as well. ``left_out``: cross checks
    that agreed and were not taken as showing it good, each in one sentence with the reason.

    Raises: RecordRefused for an event that contradicts itself, DateRefused for a last good day
    after the finding.
    """

    gauge: str
    found_on: date
    kind: Kind
    last_good: LastGood
    points: tuple[FoundPoint, ...] = ()
    unit: str = ""
    certificate: str | None = None
    beyond: Beyond = Beyond.UNKNOWN
    note: str = ""
    by: str = ""
    used_until: date | None = None
    left_out: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        if self.last_good.on > self.found_on:
            raise DateRefused(
                f"{self.gauge} was found bad on {self.found_on}, but last known good later, on "
                f"{self.last_good.on}.",
                rule="A gauge is last known good before it is found bad.",
                next_step="Check the two dates.",
            )
        wanted = {Kind.AS_FOUND: True, Kind.LOST: False, Kind.DAMAGED: False}.get(self.kind)
        if wanted is not None and bool(self.points) is not wanted:
            has = "states errors" if self.points else "states no error"
            raise RecordRefused(
                f"The event '{self.kind}' of {self.gauge} {has}.",
                rule="As-found errors come with the points found; a lost or damaged gauge has an "
                "unknown error.",
                next_step="Enter the points as 'as-found errors', or leave them out.",
            )
        if (self.kind is Kind.WITHDRAWN) is not (self.certificate is not None):
            raise RecordRefused(
                f"The event '{self.kind}' of {self.gauge} names "
                f"{self.certificate or 'no certificate'}.",
                rule="The withdrawn certificate is named, and only with that kind of event.",
                next_step="Name the certificate, or choose another kind of event.",
            )
        if self.points:
            find_unit(self.unit)

    @property
    def known(self) -> bool:
        """True where the error is a number."""
        return bool(self.points)

    @property
    def constant(self) -> bool:
        """True where nothing drifted: a certificate was wrong from its first day."""
        return self.kind is Kind.WITHDRAWN

    def fraction(self, day: date) -> Fraction:
        """How much of the error had come about by ``day`` if it grew linearly: 0 to 1."""
        if self.constant:
            return Fraction(1)
        whole = (self.found_on - self.last_good.on).days
        passed = (day - self.last_good.on).days
        return min(Fraction(1), max(Fraction(0), Fraction(passed, whole))) if whole else Fraction(1)

    def touches(self, certificate: Certificate | None, number: str, day: date) -> bool:
        """Whether a use of this gauge on ``day`` with that certificate falls under the event.

        A use on the day of the finding (or later) on the certificate made of that finding does
        not, nor one on the last good day on an earlier certificate: that was before the gauge was
        shown good.
        """
        if self.kind is Kind.WITHDRAWN:
            return number == self.certificate
        if day >= self.found_on and certificate is not None:
            older = certificate.calibrated_on < self.found_on
            return older and day <= max(self.found_on, self.used_until or self.found_on)
        if day == self.last_good.on and number:
            return number in (self.last_good.certificate, *self.last_good.corrected)
        return self.last_good.on <= day <= self.found_on


# --- since when -----------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class CrossCheck:
    """Two gauges compared on a day at one pressure, corrected, in one unit.

    ``value`` and ``U`` of the gauge, ``other_value`` and ``other_U`` of the other one; U are
    expanded uncertainties of at least zero, not both zero.

    >>> check = CrossCheck(
    ...     "RG-1",
    ...     "RG-2",
    ...     date(2026, 1, 5),
    ...     "bar",
    ...     Decimal("10.03"),
    ...     Decimal("0.03"),
    ...     Decimal("9.99"),
    ...     Decimal("0.04"),
    ... )
    >>> check.agrees, round(check.en, 3)  # 0.04 against sqrt(0.03^2 + 0.04^2) = 0.05
    (True, 0.8)

    Raises: BadQuantity.
    Source: the limit is common practice (E_n number, ISO/IEC 17043, from memory).
    """

    gauge: str
    other: str
    on: date
    unit: str
    value: Decimal
    U: Decimal
    other_value: Decimal
    other_U: Decimal

    def __post_init__(self) -> None:
        find_unit(self.unit)
        finite = all(x.is_finite() for x in (self.value, self.U, self.other_value, self.other_U))
        if not finite or min(self.U, self.other_U) < 0 or max(self.U, self.other_U) == 0:
            raise BadQuantity(
                f"The cross check of {self.gauge} with {self.other} has the expanded "
                f"uncertainties {self.U} and {self.other_U}.",
                rule="Both are at least zero, and one is above zero.",
                next_step="Take them from the certificates, at this reading.",
            )

    @property
    def limit_squared(self) -> Decimal:
        return self.U**2 + self.other_U**2

    @property
    def en(self) -> float:
        """abs(x1 - x2) / sqrt(U1^2 + U2^2)."""
        return float(abs(self.value - self.other_value)) / math.sqrt(self.limit_squared)

    @property
    def agrees(self) -> bool:
        """Whether the difference is within the limit; on the limit it is."""
        return (self.value - self.other_value) ** 2 <= self.limit_squared

    def __str__(self) -> str:
        apart = significant(abs(float(self.value - self.other_value)), 2)
        limit = significant(math.sqrt(self.limit_squared), 2)
        verb = "agreed" if self.agrees else "did not agree"
        return (
            f"cross check of {self.on} with {self.other}: the two {verb}, {apart} "
            f"{symbol(self.unit)} apart, limit {limit} {symbol(self.unit)}"
        )


def last_known_good(
    certificates: Mapping[str, Certificate],
    gauge: str,
    found_on: date,
    checks: Iterable[CrossCheck] = (),
    *,
    doubted: Mapping[str, str] | None = None,
) -> LastGood:
    """Since when ``gauge`` is to be doubted: its last good calibration, or a cross check after it.

    Of the calibrations before ``found_on`` the newest whose certificate is neither withdrawn nor
    replaced counts, and none of ``doubted`` (certificate number to why) while there is another. A
    day of cross checks after it moves the beginning forward when every check of that day agreed
    and no earlier one after the calibration failed.

    Raises: RecordRefused when there is no such certificate.
    """
    replaced = {c.replaces for c in certificates.values() if c.replaces is not None}
    held = [
        c
        for c in certificates.values()
        if c.gauge == gauge
        and c.calibrated_on < found_on
        and c.withdrawal is None
        and c.number not in replaced
    ]
    if not held:
        raise RecordRefused(
            f"No certificate shows that {gauge} was good before {found_on}.",
            rule="The period to be looked into begins with the last good calibration.",
            next_step="State the day and the certificate yourself, or enter the certificate.",
        )
    in_doubt = doubted or {}
    sound = [c for c in held if c.number not in in_doubt]
    newest = max(sound or held, key=lambda c: (c.calibrated_on, c.issued_on, c.number))
    earlier = _corrected_by(certificates, newest)
    how = f"calibration of {newest.calibrated_on}"
    later = [c for c in held if c.calibrated_on > newest.calibrated_on]
    if not sound:
        how += f", itself in doubt: {in_doubt[newest.number]}"
    elif later:
        how += "; not counted: " + "; ".join(f"{c.number}, {in_doubt[c.number]}" for c in later)
    good = LastGood(newest.calibrated_on, newest.number, how, earlier)
    days: dict[date, list[CrossCheck]] = {}
    for check in checks:
        if check.gauge == gauge and newest.calibrated_on <= check.on < found_on:
            days.setdefault(check.on, []).append(check)
    for day in sorted(days):
        if not all(check.agrees for check in days[day]):
            break
        shown = "; ".join(str(check) for check in days[day])
        good = LastGood(day, newest.number, shown, earlier)
    return good


def _corrected_by(certificates: Mapping[str, Certificate], last: Certificate) -> tuple[str, ...]:
    """The earlier issues of a certificate, newest first; those of the same calibration only."""
    found: list[str] = []
    current = last
    while current.replaces is not None and current.replaces not in found:
        if current.replaces not in certificates:
            break
        current = certificates[current.replaces]
        if current.calibrated_on == last.calibrated_on:
            found.append(current.number)
    return tuple(found)


def points_found(certificate: Certificate) -> tuple[FoundPoint, ...]:
    """The as-found lines of a certificate as points of an event, in the certificate's unit."""
    return tuple(
        FoundPoint(p.indication, p.error, p.direction)
        for p in certificate.points_in(Phase.AS_FOUND)
    )


def points_stated(certificate: Certificate) -> tuple[FoundPoint, ...]:
    """What a certificate states of the gauge in use, as points of an event.

    For a withdrawn certificate that was issued again with other values: those of the new one.
    """
    points = certificate.points_in(Phase.AS_LEFT) or certificate.points_in(Phase.AS_FOUND)
    return tuple(FoundPoint(p.indication, p.error, p.direction) for p in points)
