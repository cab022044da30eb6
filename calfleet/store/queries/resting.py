"""The calibrations that can rest on some gauges or certificates: many at once, read quickly."""

from __future__ import annotations

import json
import sqlite3
from collections import defaultdict
from collections.abc import Collection, Iterable
from datetime import datetime
from decimal import Decimal
from typing import TYPE_CHECKING, Any

from calfleet.records import (
    BenchRecord,
    Calibration,
    Cycle,
    CycleOutcome,
    GaugeRole,
    GaugeUsed,
    Origin,
    Phase,
    Result,
)
from calfleet.store.queries.reader import DAY, ask, question

if TYPE_CHECKING:
    from datetime import date

    from calfleet.store.queries.reader import Reader

_USING = """
    SELECT u.calibration_id FROM calibration_gauge u
    WHERE u.gauge_id IN (SELECT id FROM gauge WHERE code IN ({gauges}))
       OR u.certificate_id IN (SELECT id FROM certificate WHERE number IN ({certificates}))
"""

_CALIBRATIONS = """
    SELECT c.id, c.number, s.tag, v.revision, c.performed_on, p.code, k.code, q.revision,
           c.temperature_c, c.humidity, c.adjusted, c.barometric, c.barometric_unit,
           c.head_height_m, c.head_height_half_width_m, c.head_density_kg_m3, o.number, n.number,
           c.origin, c.evaluation_version, c.recorded_at, c.recorded_by
    FROM calibration c
    JOIN switch s ON s.id = c.switch_id
    JOIN switch_revision v ON v.id = c.switch_revision_id
    JOIN person p ON p.id = c.performed_by_id
    JOIN procedure_revision q ON q.id = c.procedure_revision_id
    JOIN procedure k ON k.id = q.procedure_id
    LEFT JOIN calibration o ON o.id = c.replaces_id
    LEFT JOIN calibration n ON n.replaces_id = c.id
    WHERE c.switch_id IN (SELECT switch_id FROM calibration WHERE id IN ({using}))
    ORDER BY c.performed_on, c.id
"""

_GAUGES = """
    SELECT u.calibration_id, u.role, g.code, k.number
    FROM calibration_gauge u
    JOIN gauge g ON g.id = u.gauge_id
    JOIN certificate k ON k.id = u.certificate_id
    WHERE u.calibration_id IN ({using})
    ORDER BY u.calibration_id, u.id
"""

_CYCLES = """
    SELECT y.calibration_id, t.label, y.phase, y.run, y.trip, y.reset, y.static, y.outcome
    FROM calibration_cycle y JOIN set_point t ON t.id = y.set_point_id
    WHERE y.calibration_id IN ({using})
    ORDER BY y.calibration_id, y.id
"""

_RESULTS = """
    SELECT r.calibration_id, t.label, r.phase, r.unit, r.required, r.found, r.first_trip, r.error,
           r.late, r.dead_band, r.repeatability, r.runs, r.trip_sd, r.standard_uncertainty,
           r.coverage_factor, r.expanded_uncertainty, r.effective_dof, r.coverage_probability,
           r.tur, r.lower_limit, r.upper_limit, r.lower_acceptance, r.upper_acceptance,
           r.decision_rule, r.verdict, r.category, r.probability_outside
    FROM calibration_result r JOIN set_point t ON t.id = r.set_point_id
    WHERE r.calibration_id IN ({using})
    ORDER BY r.calibration_id, r.id
"""

_BUDGETS = question(
    """
    SELECT t.label, r.phase, r.budget
    FROM calibration_result r
    JOIN calibration c ON c.id = r.calibration_id
    JOIN set_point t ON t.id = r.set_point_id
    WHERE c.number = :number
    ORDER BY r.id
    """,
    phase=Phase,
    budget=json.loads,
)

# looked up by their words: a quarter of a million times quicker than made
_PHASES = {str(one): one for one in Phase}
_OUTCOMES = {str(one): one for one in CycleOutcome}
_ROLES = {str(one): one for one in GaugeRole}
_ORIGINS = {str(one): one for one in Origin}


def resting_on(
    reader: Reader,
    *,
    gauges: Collection[str],
    certificates: Collection[str],
    with_readings: bool = True,
) -> dict[str, Calibration]:
    """By number, every calibration with one of ``gauges`` or on one of ``certificates``, and the
    others of the same switches; oldest performance first, then in order of entry.

    What is needed to judge them again, and no more: without budgets (``budgets_of`` gives them),
    words and findings. The others of the same switches come without gauges, cycles and results;
    with ``with_readings`` false all come without cycles and results.
    """
    if not gauges and not certificates:
        return {}
    given: dict[str, str] = {}
    using = _USING.format(
        gauges=_names("g", gauges, given), certificates=_names("c", certificates, given)
    )

    source = _directly(reader)

    def rows(sql: str) -> list[tuple[Any, ...]]:
        return ask(source, question(sql.format(using=using)), **given)

    used: dict[int, list[GaugeUsed]] = defaultdict(list)
    for key, role, gauge, certificate in rows(_GAUGES):
        used[key].append(GaugeUsed(_ROLES[role], gauge, certificate))
    cycles: dict[int, list[Cycle]] = defaultdict(list)
    results: dict[int, list[Result]] = defaultdict(list)
    if with_readings:
        for key, label, phase, run, trip, reset, static, outcome in rows(_CYCLES):
            cycles[key].append(
                Cycle(
                    label, _PHASES[phase], run,
                    None if trip is None else Decimal(trip),
                    None if reset is None else Decimal(reset),
                    None if static is None else Decimal(static),
                    _OUTCOMES[outcome],
                )
            )  # fmt: skip
        for key, *values in rows(_RESULTS):
            results[key].append(_result(values))
    days: dict[object, date] = {}
    found: dict[str, Calibration] = {}
    for row in rows(_CALIBRATIONS):
        day = days.get(row[4])
        if day is None:
            day = days[row[4]] = DAY(row[4])
        one = _calibration(row, day, used, cycles, results)
        found[one.number] = one
    return found


def budgets_of(reader: Reader, number: str) -> dict[tuple[str, Phase], dict[str, object]]:
    """The stored budgets of a calibration by set point and phase, in the order recorded."""
    return {(label, phase): budget for label, phase, budget in ask(reader, _BUDGETS, number=number)}


def _directly(reader: Reader) -> Reader:
    """The SQLite driver's own connection below a session, which hands rows over much quicker."""
    if isinstance(reader, sqlite3.Connection):
        return reader
    connection = reader.connection() if callable(reader.connection) else reader
    driver = connection.connection.driver_connection
    return driver if isinstance(driver, sqlite3.Connection) else reader


def _names(prefix: str, names: Iterable[str], given: dict[str, str]) -> str:
    """Parameters for the names, put into ``given``; ``NULL`` where there are none."""
    own = {f"{prefix}{n}": name for n, name in enumerate(sorted(names))}
    given |= own
    return ", ".join(f":{key}" for key in own) or "NULL"


def _calibration(
    row: tuple[Any, ...],
    day: date,
    used: dict[int, list[GaugeUsed]],
    cycles: dict[int, list[Cycle]],
    results: dict[int, list[Result]],
) -> Calibration:
    (
        key, number, tag, revision, _, performer, procedure, procedure_revision, temperature,
        humidity, adjusted, barometric, barometric_unit, height, half_width, density, replaces,
        replaced_by, origin, version, recorded_at, recorded_by,
    ) = row  # fmt: skip
    return Calibration(
        number=number,
        bench=BenchRecord(
            tag=tag,
            performed_on=day,
            performed_by=performer,
            procedure=procedure,
            procedure_revision=procedure_revision,
            gauges=tuple(used.get(key, ())),
            cycles=tuple(cycles.get(key, ())),
            temperature_c=Decimal(temperature),
            humidity=Decimal(humidity),
            adjusted=bool(adjusted),
            barometric=None if barometric is None else Decimal(barometric),
            barometric_unit=barometric_unit,
            head_height_m=None if height is None else Decimal(height),
            head_height_half_width_m=None if half_width is None else Decimal(half_width),
            head_density_kg_m3=None if density is None else Decimal(density),
            replaces=replaces,
        ),
        switch_revision=revision,
        results=tuple(results.get(key, ())),
        findings=(),
        origin=_ORIGINS[origin],
        evaluation_version=version,
        recorded_at=datetime.fromisoformat(recorded_at),
        recorded_by=recorded_by,
        replaced_by=replaced_by,
    )


def _result(v: list[Any]) -> Result:
    return Result(
        set_point=v[0],
        phase=_PHASES[v[1]],
        unit=v[2],
        required=Decimal(v[3]),
        found=v[4],
        first_trip=v[5],
        error=v[6],
        late=None if v[7] is None else bool(v[7]),
        dead_band=v[8],
        repeatability=v[9],
        runs=v[10],
        trip_sd=v[11],
        standard_uncertainty=v[12],
        coverage_factor=v[13],
        expanded_uncertainty=v[14],
        effective_dof=v[15],
        coverage_probability=v[16],
        tur=v[17],
        lower_limit=v[18],
        upper_limit=v[19],
        lower_acceptance=v[20],
        upper_acceptance=v[21],
        decision_rule=v[22],
        rule_statement="",
        verdict=v[23],
        category=v[24],
        reason="",
        probability_outside=v[25],
    )
