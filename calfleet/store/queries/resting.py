"""The calibrations that can rest on some gauges or certificates: many at once, read quickly."""

from __future__ import annotations

import json
import sqlite3
from collections import defaultdict
from collections.abc import Collection, Iterable
from datetime import date, datetime
from decimal import Decimal
from typing import TYPE_CHECKING, Any

from calfleet.records import (
    BenchRecord,
    Calibration,
    CalibrationColumns,
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
    from calfleet.store.queries.reader import Reader

_USING = """
    SELECT u.calibration_id FROM calibration_gauge u
    WHERE u.gauge_id IN (SELECT id FROM gauge WHERE code IN ({gauges}))
       OR u.certificate_id IN (SELECT id FROM certificate WHERE number IN ({certificates}))
"""

_COLUMNS = """
    SELECT c.id, c.number, c.switch_revision_id, c.procedure_revision_id, c.performed_on,
           c.recorded_at, n.id
    FROM calibration c LEFT JOIN calibration n ON n.replaces_id = c.id
    WHERE c.switch_id IN (SELECT switch_id FROM calibration WHERE id IN ({using}))
    ORDER BY c.performed_on, c.id
"""

_USES = """
    SELECT u.calibration_id, u.role, u.gauge_id, u.certificate_id
    FROM calibration_gauge u WHERE u.calibration_id IN ({using}) ORDER BY u.id
"""

_RUNS = """
    SELECT y.calibration_id, y.set_point_id, y.phase, y.run, y.trip_value, y.reset_value,
           y.static_value, y.outcome
    FROM calibration_cycle y WHERE y.calibration_id IN ({using})
"""

_JUDGED = """
    SELECT r.calibration_id, r.set_point_id, r.phase, r.unit, r.found, r.expanded_uncertainty,
           r.tur, r.lower_limit, r.upper_limit, r.lower_acceptance, r.upper_acceptance,
           r.decision_rule, r.verdict
    FROM calibration_result r WHERE r.calibration_id IN ({using}) ORDER BY r.id
"""

_SHEETS = """
    SELECT v.id, s.tag, v.revision FROM switch_revision v JOIN switch s ON s.id = v.switch_id
"""
_REVISIONS = """
    SELECT q.id, k.code, q.revision
    FROM procedure_revision q JOIN procedure k ON k.id = q.procedure_id
"""
_POINTS = "SELECT id, label FROM set_point"
_CODES = "SELECT id, code FROM gauge"
_NUMBERS = "SELECT id, number FROM certificate"

_CALIBRATIONS = """
    SELECT c.id, c.number, s.tag, v.revision, c.performed_on, p.code, k.code, q.revision,
           c.temperature_c, c.humidity, c.adjusted, c.barometric, c.barometric_unit,
           c.head_height_m, c.head_height_half_width_m, c.head_density_kg_m3, o.number, n.number,
           c.origin, c.evaluation_version, c.recorded_at, c.recorded_by, c.replacement_reason
    FROM calibration c
    JOIN switch s ON s.id = c.switch_id
    JOIN switch_revision v ON v.id = c.switch_revision_id
    JOIN person p ON p.id = c.performed_by_id
    JOIN procedure_revision q ON q.id = c.procedure_revision_id
    JOIN procedure k ON k.id = q.procedure_id
    LEFT JOIN calibration o ON o.id = c.replaces_id
    LEFT JOIN calibration n ON n.replaces_id = c.id
    WHERE c.id IN ({using})
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
           r.decision_rule, r.verdict, r.category, r.probability_outside, r.budget
    FROM calibration_result r JOIN set_point t ON t.id = r.set_point_id
    WHERE r.calibration_id IN ({using})
    ORDER BY r.calibration_id, r.id
"""

# looked up by their words: a quarter of a million times quicker than made
_PHASES = {str(one): one for one in Phase}
_OUTCOMES = {str(one): one for one in CycleOutcome}
_ROLES = {str(one): one for one in GaugeRole}
_ORIGINS = {str(one): one for one in Origin}


PORTION = 500
"""So many calibrations are asked for by their numbers at once."""


def resting_on(
    reader: Reader,
    *,
    gauges: Collection[str],
    certificates: Collection[str],
    with_readings: bool = True,
) -> CalibrationColumns:
    """Every calibration with one of ``gauges`` or on one of ``certificates``, and the others of
    the same switches; oldest performance first, then in order of entry.

    Uses, cycles and results are those of the former only, uses and results in the order entered;
    with ``with_readings`` false there are neither cycles nor results.
    """
    given: dict[str, str] = {}
    using = _USING.format(
        gauges=_names("g", gauges, given), certificates=_names("c", certificates, given)
    )
    source = _directly(reader)

    def rows(sql: str) -> list[tuple[Any, ...]]:
        return ask(source, question(sql.format(using=using)), **given)

    nobody = not gauges and not certificates
    found = [] if nobody else rows(_COLUMNS)
    keys, numbers, sheet, procedure, performed, recorded, after = (
        zip(*found, strict=True) if (found) else ((),) * 7
    )
    days = {day: DAY(day) for day in set(performed)}

    def few(sql: str) -> list[tuple[Any, ...]]:
        return ask(source, question(sql))

    return CalibrationColumns(
        keys=keys,
        numbers=numbers,
        sheet=sheet,
        procedure=procedure,
        performed_on=[days[day] for day in performed],
        recorded_at=recorded,
        replaced=[key is not None for key in after],
        uses=[] if nobody else rows(_USES),
        cycles=rows(_RUNS) if with_readings and not nobody else [],
        results=rows(_JUDGED) if with_readings and not nobody else [],
        sheets={key: (tag, revision) for key, tag, revision in few(_SHEETS)},
        procedures={key: (code, revision) for key, code, revision in few(_REVISIONS)},
        points=dict(few(_POINTS)),
        gauges=dict(few(_CODES)),
        certificates=dict(few(_NUMBERS)),
    )


def calibrations_of(reader: Reader, numbers: Collection[str]) -> dict[str, Calibration]:
    """The calibrations of these numbers, with all that judging them again takes, budgets included,
    but without words and findings; a portion at a time.
    """
    source = _directly(reader)
    wanted = sorted(numbers)
    found: dict[str, Calibration] = {}
    for start in range(0, len(wanted), PORTION):
        given: dict[str, str] = {}
        names = _names("n", wanted[start : start + PORTION], given)
        using = f"SELECT id FROM calibration WHERE number IN ({names})"
        found |= _read(source, using, given)
    return found


def every_calibration(reader: Reader) -> dict[str, Calibration]:
    """Every calibration by number, oldest performance first, then in order of entry.

    Read quickly, for questions about the whole site: without budgets, words and findings.
    """
    source = _directly(reader)
    return _read(source, "SELECT id FROM calibration", {}, budgets=False)


def _read(
    source: Reader, using: str, given: dict[str, str], *, budgets: bool = True
) -> dict[str, Calibration]:
    def rows(sql: str) -> list[tuple[Any, ...]]:
        return ask(source, question(sql.format(using=using)), **given)

    used: dict[int, list[GaugeUsed]] = defaultdict(list)
    for key, role, gauge, certificate in rows(_GAUGES):
        used[key].append(GaugeUsed(_ROLES[role], gauge, certificate))
    cycles: dict[int, list[Cycle]] = defaultdict(list)
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
    results: dict[int, list[Result]] = defaultdict(list)
    judged = _RESULTS if budgets else _RESULTS.replace("r.budget", "NULL")
    for key, *values in rows(judged):
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
        replaced_by, origin, version, recorded_at, recorded_by, why,
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
            replacement_reason=why,
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
        budget={} if v[26] is None else json.loads(v[26]),
    )
