"""Questions about reference gauges and their certificates."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from typing import TYPE_CHECKING

from calfleet.metrology.direction import Direction
from calfleet.metrology.units import PressureMode
from calfleet.records import (
    Certificate,
    CertificatePoint,
    CertificateWithdrawal,
    Gauge,
    GaugeStatus,
    Phase,
    StandardUsed,
)
from calfleet.store.queries.reader import DAY, FLAG, TYPED, ask, question

if TYPE_CHECKING:
    from calfleet.store.queries.reader import Reader

_GAUGES = question(
    """
    SELECT g.code, r.revision, r.effective_on, r.reason, r.serial, r.description, r.status,
           r.mode, r.unit, r.range_low, r.range_high, r.resolution, r.accuracy, r.accuracy_basis,
           r.drift_per_year, r.temperature_coefficient, r.reference_temperature_c,
           r.use_corrections, r.tier, r.policy, r.oxygen_clean, r.same_gauge_correlation,
           r.static_limit, r.readable_fraction
    FROM gauge g JOIN gauge_revision r ON r.gauge_id = g.id
    ORDER BY g.code, r.revision
    """,
    effective_on=DAY,
    status=GaugeStatus,
    mode=PressureMode,
    range_low=TYPED,
    range_high=TYPED,
    resolution=TYPED,
    accuracy=TYPED,
    drift_per_year=TYPED,
    temperature_coefficient=TYPED,
    reference_temperature_c=TYPED,
    use_corrections=FLAG,
    oxygen_clean=FLAG,
    same_gauge_correlation=TYPED,
    static_limit=TYPED,
    readable_fraction=TYPED,
)


def gauges(reader: Reader) -> dict[str, tuple[Gauge, ...]]:
    """Every gauge by code; its revisions by number (unique)."""
    found: dict[str, list[Gauge]] = {}
    for row in ask(reader, _GAUGES):  # columns in the order of the record's fields
        found.setdefault(row[0], []).append(Gauge(*row))
    return {code: tuple(revisions) for code, revisions in found.items()}


_CERTIFICATES = question(
    """
    SELECT c.id, c.number, g.code AS gauge, l.code AS laboratory, c.calibrated_on, c.issued_on,
           c.unit, c.temperature_c, c.humidity, c.adjusted, o.number AS replaces,
           c.replacement_reason, c.remarks
    FROM certificate c
    JOIN gauge g ON g.id = c.gauge_id
    JOIN laboratory l ON l.id = c.laboratory_id
    LEFT JOIN certificate o ON o.id = c.replaces_id
    ORDER BY c.calibrated_on, c.number
    """,
    calibrated_on=DAY,
    issued_on=DAY,
    temperature_c=TYPED,
    humidity=TYPED,
    adjusted=FLAG,
)


def certificates(reader: Reader, *, with_points: bool = True) -> dict[str, Certificate]:
    """Every certificate by number, in order of calibration day, then number.

    Without points for questions about dates only; ``with_points_of`` adds those of a few.
    """
    standards = _standards(reader)
    withdrawals = _withdrawals(reader)
    found: dict[str, Certificate] = {}
    for key, *v in ask(reader, _CERTIFICATES):
        # columns in the order of the record's fields, its parts in their places
        parts = [(), tuple(standards.get(key, ())), withdrawals.get(key)]
        values = [*v[:9], *parts, *v[9:]]
        found[v[0]] = Certificate(*values)
    return with_points_of(reader, found, found) if with_points else found


_POINTS = """
    SELECT c.number, p.phase, p.direction, p.reference, p.indication, p.expanded_uncertainty,
           p.coverage_factor
    FROM certificate_point p JOIN certificate c ON c.id = p.certificate_id
    {where}
    ORDER BY p.certificate_id, p.position
    """


def with_points_of(
    reader: Reader, held: dict[str, Certificate], numbers: Iterable[str]
) -> dict[str, Certificate]:
    """``held``, the certificates among ``numbers`` now with their points in table order."""
    wanted = sorted(set(numbers))
    # a short list is named; for a long one all points are read and the unwanted left out
    given = {f"n{i}": number for i, number in enumerate(wanted)} if len(wanted) <= 100 else {}
    where = f"WHERE c.number IN ({', '.join(':' + name for name in given)})" if given else ""
    asked = question(
        _POINTS.format(where=where),
        phase=Phase,
        direction=Direction,
        reference=TYPED,
        indication=TYPED,
        expanded_uncertainty=TYPED,
        coverage_factor=TYPED,
    )
    points: dict[str, list[CertificatePoint]] = {}
    for number, *values in ask(reader, asked, **given) if wanted else ():
        points.setdefault(number, []).append(CertificatePoint(*values))
    return held | {
        number: replace(held[number], points=tuple(points.get(number, ()))) for number in wanted
    }


_STANDARDS = question(
    """
    SELECT s.certificate_id, s.description, g.code, c.number
    FROM certificate_standard s
    LEFT JOIN gauge g ON g.id = s.gauge_id
    LEFT JOIN certificate c ON c.id = s.standard_certificate_id
    ORDER BY s.certificate_id, s.position
    """
)


def _standards(reader: Reader) -> dict[int, list[StandardUsed]]:
    found: dict[int, list[StandardUsed]] = {}
    for key, *values in ask(reader, _STANDARDS):
        found.setdefault(key, []).append(StandardUsed(*values))
    return found


_WITHDRAWALS = question(
    """
    SELECT certificate_id, withdrawn_on, reason FROM certificate_withdrawal
    ORDER BY certificate_id
    """,
    withdrawn_on=DAY,
)


def _withdrawals(reader: Reader) -> dict[int, CertificateWithdrawal]:
    return {key: CertificateWithdrawal(*values) for key, *values in ask(reader, _WITHDRAWALS)}
