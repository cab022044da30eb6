"""Which points of an in-house certificate its standards can have carried, and how well.

Several standards may share the points among them: a point counts as carried when it lies inside
the range and the certificate of at least one, and its uncertainty as possible when at least one
of those is known better than what was certified.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from fractions import Fraction

from calfleet.errors import CalfleetError
from calfleet.metrology.certificate import CertificateCurve
from calfleet.metrology.rounding import significant
from calfleet.metrology.units import PressureMode, convert_difference
from calfleet.records import Certificate, CertificatePoint, Gauge, StandardUsed
from calfleet.traceability.curves import (
    Reading,
    UnitsDiffer,
    beyond,
    direction_held,
    outside_text,
    points_words,
    range_words,
    spread_text,
    to_unit,
)
from calfleet.traceability.gauges import Gauges
from calfleet.traceability.links import Fact, Reason, broken, weak
from calfleet.traceability.words import (
    counted,
    ratio_text,
    symbol,
    with_unit,
    without_zeros,
)


@dataclass(slots=True)
class Share:
    """What one standard can have carried of a certificate.

    ``range_miss`` and ``point_miss``: by index of the certificate's point, how far it lies
    outside the standard's range and its certificate's points. ``u``: standard uncertainty of the
    standard at the points it covers, in the certificate's unit. ``gauge`` and ``curve`` are
    ``None`` where there is nothing to compare with. ``other_quantity`` and ``other_mode`` say in
    words why numbers cannot be compared.
    """

    standard: StandardUsed
    gauge: Gauge | None = None
    curve: CertificateCurve | None = None
    range_miss: dict[int, Fraction] = field(default_factory=dict)
    point_miss: dict[int, Fraction] = field(default_factory=dict)
    u: dict[int, float] = field(default_factory=dict)
    other_quantity: str = ""
    other_mode: str = ""

    @property
    def comparable(self) -> bool:
        return self.curve is not None and not self.other_quantity and not self.other_mode


class Shares:
    """The shares of all standards of one certificate that are gauges of ours."""

    def __init__(
        self, certificate: Certificate, standards: Sequence[StandardUsed], gauges: Gauges
    ) -> None:
        self._certificate = certificate
        self.shares = [_share(certificate, standard, gauges) for standard in standards]
        self._carried = {i for share in self.shares for i in share.u}
        self._possible = {
            i for share in self.shares for i, u in share.u.items() if u < _u(certificate.points[i])
        }
        self._has_main = any(share.comparable for share in self.shares)

    def judge(self, share: Share) -> tuple[list[Reason], list[Fact]]:
        """Range, points and uncertainty of one standard against the certificate it carried."""
        certificate, code = self._certificate, share.standard.gauge
        if share.other_quantity:
            if self._has_main:  # such as the thermometer beside a pressure balance
                return [], [Fact("use", "auxiliary, of another quantity")]
            text = f"{code} cannot be the standard of {certificate.gauge}: {share.other_quantity}"
            return [broken("standard.unit", text)], []
        if share.other_mode:
            text = (
                f"Range and uncertainty cannot be compared: {share.other_mode}, and certificate "
                f"{certificate.number} states no barometric pressure."
            )
            return [weak("standard.mode", text)], []
        if share.gauge is None or share.curve is None:
            return [], []
        reasons = self._uncarried(share, share.gauge, share.curve)
        total = len(certificate.points)
        carried = [self._reading(i) for i in sorted(share.u)]
        reach = f", {spread_text(carried)}" if carried else ""
        shown = [Fact("points carried", f"{len(carried)} of {total}{reach}")]
        if carried:
            more, ratio = self._uncertainty(share)
            reasons += more
            shown += ratio
        return reasons, shown

    def _reading(self, i: int) -> Reading:
        point = self._certificate.points[i]
        return Reading(
            f"the {point.phase} {point.direction} point of {self._certificate.number}",
            point.reference,
            self._certificate.unit,
            point.direction,
        )

    def _uncarried(self, share: Share, gauge: Gauge, curve: CertificateCurve) -> list[Reason]:
        """Points that no standard carried, where this one does not reach them."""
        reasons = []
        for code, misses, limits in (
            ("standard.range", share.range_miss, range_words(gauge)),
            (
                "standard.points",
                share.point_miss,
                points_words(share.standard.certificate or "", curve),
            ),
        ):
            found = [(m, self._reading(i)) for i, m in misses.items() if i not in self._carried]
            if found:
                text = outside_text(len(self._certificate.points), found, limits)
                reasons.append(broken(code, text[0].upper() + text[1:]))
        return reasons

    def _uncertainty(self, share: Share) -> tuple[list[Reason], list[Fact]]:
        """The certified uncertainty against that of the standard, at the points carried."""
        points, unit = self._certificate.points, self._certificate.unit

        def ratio(i: int) -> float:
            certified = _u(points[i])
            if certified == 0:
                return 0.0
            return certified / share.u[i] if share.u[i] > 0 else math.inf

        least = min(share.u, key=ratio)
        shown = []
        if math.isfinite(ratio(least)):
            words = f"{ratio_text(ratio(least))} at {with_unit(points[least].reference, unit)}"
            shown.append(Fact("certified U to standard's U, least", words))
        impossible = [i for i in share.u if i not in self._possible]
        if not impossible:
            return [], shown
        worst = min(impossible, key=ratio)
        point = points[worst]
        k = point.coverage_factor
        text = (
            f"Certificate {self._certificate.number} claims U = "
            f"{with_unit(point.expanded_uncertainty, unit)} (k = {without_zeros(k)}) at "
            f"{with_unit(point.reference, unit)}, but its standard {share.standard.gauge} is "
            f"itself known only to {significant(share.u[worst] * float(k), 2)} {symbol(unit)} "
            f"there (ratio {ratio_text(ratio(worst))}); such claims at {len(impossible)} of "
            f"{counted(len(points), 'point')}."
        )
        return [broken("standard.uncertainty", text)], shown


def _u(point: CertificatePoint) -> float:
    """The certified standard uncertainty; 0 where the coverage factor makes no sense."""
    if point.coverage_factor <= 0:
        return 0.0
    return float(point.expanded_uncertainty / point.coverage_factor)


def _share(certificate: Certificate, standard: StandardUsed, gauges: Gauges) -> Share:
    gauge = gauges.on(standard.gauge or "", certificate.calibrated_on)
    curve = gauges.curves.of(standard.certificate or "")
    if gauge is None or isinstance(curve, str):
        return Share(standard, gauge)
    share = Share(standard, gauge, curve)
    own = gauges.on(certificate.gauge, certificate.calibrated_on)
    own_mode = own.mode if own is not None else None
    if own_mode and gauge.mode and [own_mode, gauge.mode].count(PressureMode.ABSOLUTE) == 1:
        share.other_mode = (
            f"{certificate.gauge} reads {own_mode} pressure, {gauge.code} {gauge.mode} pressure"
        )
        return share
    low, high = Fraction(gauge.range_low), Fraction(gauge.range_high)
    try:
        to_own = float(convert_difference(1, curve.unit, certificate.unit))
        for i, point in enumerate(certificate.points):
            in_gauge = to_unit(point.reference, certificate.unit, gauge.unit)
            in_curve = to_unit(point.reference, certificate.unit, curve.unit)
            direction = direction_held(curve, point.direction)
            out_of_range = beyond(in_gauge, low, high)
            if out_of_range > 0:
                share.range_miss[i] = out_of_range
            if not curve.covers(in_curve, direction):
                share.point_miss[i] = beyond(in_curve, *curve.range(direction))
            elif out_of_range <= 0:
                share.u[i] = curve.at(in_curve, direction).u * to_own
    except CalfleetError as error:
        share.other_quantity = error.message
    except UnitsDiffer as error:
        share.other_quantity = str(error)
    return share
