"""Questions about what was read at the bench, without what was made of it: many at little cost."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date
from typing import TYPE_CHECKING

from calfleet.records import BenchRecord, Cycle, CycleOutcome, GaugeRole, GaugeUsed, Phase
from calfleet.store.queries.reader import DAY, FLAG, TYPED, ask, question

if TYPE_CHECKING:
    from calfleet.store.queries.reader import Reader

PORTION = 2000
"""Calibrations read at once."""

_LAST = question("SELECT max(id) FROM calibration")
_BENCHES = question(
    """
    SELECT c.id, c.number, r.number AS replaced_by, s.tag, c.performed_on, p.code, q.code,
           v.revision, c.temperature_c, c.humidity, c.adjusted, c.adjustment_note, c.barometric,
           c.barometric_unit, c.exercised_before_as_found, c.exercise_cycles, c.contact_check,
           c.seal, c.permit, c.bypass, b.code, w.code, c.work_order, c.remarks,
           o.number AS replaces, c.replacement_reason, c.head_height_m,
           c.head_height_half_width_m, c.head_density_kg_m3
    FROM calibration c
    JOIN switch s ON s.id = c.switch_id
    JOIN person p ON p.id = c.performed_by_id
    JOIN procedure_revision v ON v.id = c.procedure_revision_id
    JOIN procedure q ON q.id = v.procedure_id
    LEFT JOIN person b ON b.id = c.returned_by_id
    LEFT JOIN person w ON w.id = c.verified_by_id
    LEFT JOIN calibration o ON o.id = c.replaces_id
    LEFT JOIN calibration r ON r.replaces_id = c.id
    WHERE c.id > :after AND c.id <= :upto ORDER BY c.id
    """,
    performed_on=DAY,
    temperature_c=TYPED,
    humidity=TYPED,
    adjusted=FLAG,
    barometric=TYPED,
    exercised_before_as_found=FLAG,
    head_height_m=TYPED,
    head_height_half_width_m=TYPED,
    head_density_kg_m3=TYPED,
)
_CYCLES = question(
    """
    SELECT y.calibration_id, p.label, y.phase, y.run, y.trip, y.reset, y.static, y.outcome
    FROM calibration_cycle y JOIN set_point p ON p.id = y.set_point_id
    WHERE y.calibration_id > :after AND y.calibration_id <= :upto ORDER BY y.id
    """,
    phase=Phase,
    trip=TYPED,
    reset=TYPED,
    static=TYPED,
    outcome=CycleOutcome,
)
_GAUGES = question(
    """
    SELECT u.calibration_id, u.role, g.code, c.number
    FROM calibration_gauge u
    JOIN gauge g ON g.id = u.gauge_id
    JOIN certificate c ON c.id = u.certificate_id
    WHERE u.calibration_id > :after AND u.calibration_id <= :upto ORDER BY u.id
    """,
    role=GaugeRole,
)


@dataclass(frozen=True, slots=True)
class HeldBench:
    """A bench record as it is recorded; ``replaced_by``: the calibration that corrects it."""

    number: str
    bench: BenchRecord
    replaced_by: str | None


def benches(reader: Reader) -> Iterator[HeldBench]:
    """Every bench record in the order entered (by key); memory does not grow with them."""
    last = ask(reader, _LAST)[0][0] or 0
    for after in range(0, last, PORTION):
        some = {"after": after, "upto": after + PORTION}
        cycles: dict[int, list[Cycle]] = {}
        for key, *values in ask(reader, _CYCLES, **some):
            cycles.setdefault(key, []).append(Cycle(*values))
        gauges: dict[int, list[GaugeUsed]] = {}
        for key, *values in ask(reader, _GAUGES, **some):
            gauges.setdefault(key, []).append(GaugeUsed(*values))
        for key, number, replaced_by, *v in ask(reader, _BENCHES, **some):
            # columns in the order of the record's fields, its parts in their places
            parts = [tuple(gauges.get(key, ())), tuple(cycles.get(key, ()))]
            values = [*v[:5], *parts, *v[5:23], None, *v[23:]]
            yield HeldBench(number, BenchRecord(*values), replaced_by)


_SERIES = question(
    """
    SELECT c.number, v.family, r.trip_sd, r.runs, v.range_low_value, v.range_high_value
    FROM calibration_result r
    JOIN calibration c ON c.id = r.calibration_id
    JOIN switch_revision v ON v.id = c.switch_revision_id
    WHERE r.phase = 'as-left' AND r.trip_sd IS NOT NULL
      AND NOT EXISTS (SELECT 1 FROM calibration n WHERE n.replaces_id = c.id)
    ORDER BY r.id
    """
)


def as_left_series(reader: Reader) -> dict[str, tuple[str, list[tuple[float, float]]]]:
    """Family and as-left series (s over the span, dof) of each calibration, by its number.

    Records that were corrected are left out, as in ``due.pooled_repeatability``.
    """
    found: dict[str, tuple[str, list[tuple[float, float]]]] = {}
    for number, family, s, runs, low, high in ask(reader, _SERIES):
        found.setdefault(number, (family, []))[1].append((s / (high - low), float(runs - 1)))
    return found


_SWITCH_DAYS = question(
    """
    SELECT s.tag, max(c.performed_on) AS day FROM calibration c JOIN switch s ON s.id = c.switch_id
    GROUP BY s.tag ORDER BY s.tag
    """,
    day=DAY,
)
_GAUGE_DAYS = question(
    """
    SELECT g.code, max(c.performed_on) AS day
    FROM calibration_gauge u
    JOIN calibration c ON c.id = u.calibration_id
    JOIN gauge g ON g.id = u.gauge_id
    GROUP BY g.code ORDER BY g.code
    """,
    day=DAY,
)


def last_calibrated(reader: Reader) -> dict[str, date]:
    """The last day of calibration of each switch that has any, corrected records included."""
    return dict(ask(reader, _SWITCH_DAYS))


def last_used(reader: Reader) -> dict[str, date]:
    """The last day on which each gauge was read in a calibration, corrected records included."""
    return dict(ask(reader, _GAUGE_DAYS))


@dataclass(frozen=True, slots=True)
class HeldDay:
    """A calibration's number, its switch and its day; whether a later record corrects it."""

    number: str
    tag: str
    performed_on: date
    corrected: bool


_DAYS = question(
    """
    SELECT c.number, s.tag, c.performed_on,
           EXISTS (SELECT 1 FROM calibration n WHERE n.replaces_id = c.id) AS corrected
    FROM calibration c JOIN switch s ON s.id = c.switch_id ORDER BY c.id
    """,
    performed_on=DAY,
    corrected=FLAG,
)


def held_days(reader: Reader) -> list[HeldDay]:
    """Number, switch and day of every calibration, in the order entered."""
    return [HeldDay(*row) for row in ask(reader, _DAYS)]
