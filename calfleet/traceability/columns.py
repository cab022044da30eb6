"""Many calibrations as columns: made of records, and which of them rest on a gauge found bad."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING

from calfleet.records import Calibration, CalibrationColumns
from calfleet.traceability.event import FoundBad

if TYPE_CHECKING:
    from datetime import date

    from calfleet.records import Certificate


def columns_of(calibrations: Iterable[Calibration]) -> CalibrationColumns:
    """The calibrations, in their order, as columns; their keys are the names themselves."""
    held = list(calibrations)
    uses: list[tuple[object, ...]] = []
    cycles: list[tuple[object, ...]] = []
    results: list[tuple[object, ...]] = []
    for c in held:
        tag, sheet = c.bench.tag, c.switch_revision
        uses += [(c.number, u.role, u.gauge, u.certificate) for u in c.bench.gauges]
        cycles += [
            (
                c.number, (tag, sheet, y.set_point), y.phase, y.run, _double(y.trip),
                _double(y.reset), _double(y.static), y.outcome,
            )
            for y in c.bench.cycles
        ]  # fmt: skip
        results += [
            (
                c.number, (tag, sheet, r.set_point), r.phase, r.unit, r.found,
                r.expanded_uncertainty, r.tur, r.lower_limit, r.upper_limit, r.lower_acceptance,
                r.upper_acceptance, r.decision_rule, r.verdict,
            )
            for r in c.results
        ]  # fmt: skip
    procedures = {(c.bench.procedure, c.bench.procedure_revision) for c in held}
    sheets = {(c.bench.tag, c.switch_revision) for c in held}
    points = {row[1] for row in (*cycles, *results)}
    return CalibrationColumns(
        keys=[c.number for c in held],
        numbers=[c.number for c in held],
        sheet=[(c.bench.tag, c.switch_revision) for c in held],
        procedure=[(c.bench.procedure, c.bench.procedure_revision) for c in held],
        performed_on=[c.bench.performed_on for c in held],
        recorded_at=[c.recorded_at.isoformat(timespec="microseconds") for c in held],
        replaced=[c.replaced_by is not None for c in held],
        uses=uses,
        cycles=cycles,
        results=results,
        sheets={sheet: sheet for sheet in sheets},
        procedures={procedure: procedure for procedure in procedures},
        points={point: str(point[2]) for point in points if isinstance(point, tuple)},
        gauges={gauge: str(gauge) for _, _, gauge, _ in uses},
        certificates={number: str(number) for _, _, _, number in uses},
    )


def _double(value: object) -> float | None:
    return None if value is None else float(value)  # type: ignore[arg-type]


@dataclass(frozen=True, slots=True)
class TouchedUses:
    """Which uses of gauges, and so which calibrations, rest on the gauge found bad.

    ``tiers``: of each use, 0 where it does not rest on it. ``nearest``: by the key of a
    calibration that does, its use of the lowest tier (of two the first), by its place.
    """

    tiers: list[int]
    nearest: dict[object, int]


def touched(
    columns: CalibrationColumns,
    event: FoundBad,
    affected: Mapping[str, int],
    certificates: Mapping[str, Certificate],
) -> TouchedUses:
    """The uses that rest on the gauge of ``event``: itself, or on an ``affected`` certificate.

    ``affected``: the tier of each such certificate by its number.
    """
    days = dict(zip(columns.keys, columns.performed_on, strict=True))
    known: dict[tuple[object, object, date], int] = {}
    tiers: list[int] = []
    nearest: dict[object, int] = {}
    for place, (calibration, _, gauge, certificate) in enumerate(columns.uses):
        key = (gauge, certificate, days[calibration])
        tier = known.get(key)
        if tier is None:
            number = columns.certificates[certificate]
            direct = columns.gauges[gauge] == event.gauge and event.touches(
                certificates.get(number), number, key[2]
            )
            tier = known[key] = 1 if direct else affected.get(number, -1) + 1
        tiers.append(tier)
        if tier:
            before = nearest.get(calibration)
            if before is None or tier < tiers[before]:
                nearest[calibration] = place
    return TouchedUses(tiers, nearest)
