"""Adding calibrations, one or many: rows in bulk, keys looked up once for all of them.

A row at a time through the session costs more than judging does; a shop that moves in brings tens
of thousands. What is stored, and the digest in the audit entry, is the same for one and for many.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from datetime import date
from types import MappingProxyType
from typing import Any

from sqlalchemy import func, select, text

from calfleet.errors import UnknownName
from calfleet.records import Calibration
from calfleet.store.bulk import insert_rows
from calfleet.store.facts import double, known, person_or_none, revision_key, site_id
from calfleet.store.models import (
    CalibrationCycleRow,
    CalibrationFindingRow,
    CalibrationGaugeRow,
    CalibrationResultRow,
    CalibrationRow,
    CertificateRow,
    GaugeRevisionRow,
    GaugeRow,
    PersonRow,
    ProcedureRevisionRow,
    ProcedureRow,
    SetPointRow,
    SwitchRevisionRow,
    SwitchRow,
)
from calfleet.store.work import Work

Row = dict[str, Any]
PORTION = 500
"""How many calibrations are sent at once: enough to be quick, little enough to hold."""
NO_DIGESTS: Mapping[str, str] = MappingProxyType({})
_ASKED_AT_ONCE = 400
"""How many keys one question names: below what a database takes as parameters."""


def add_calibration(work: Work, calibration: Calibration) -> None:
    """A judged calibration with its raw cycles, gauges, results and findings.

    Raises: as :func:`add_calibrations`.
    """
    add_calibrations(work, (calibration,))


def add_calibrations(
    work: Work, calibrations: Iterable[Calibration], digests: Mapping[str, str] = NO_DIGESTS
) -> None:
    """Judged calibrations with their raw cycles, gauges, results and findings, in their order.

    The data sheet revision and the gauges' revisions are those in force on the day it was
    performed; the caller judged the calibrations by the same. A correction comes after the record
    it corrects. Only ``PORTION`` of them are held at a time. ``digests``: of those whose digest
    was made already, by number; it may be filled while the calibrations come.

    Raises: UnknownName for a reference to something that is not there; RecordRefused for a text
    that does not fit; what the database's constraints refuse.
    """
    portion: list[Calibration] = []
    for calibration in calibrations:
        portion.append(calibration)
        if len(portion) == PORTION:
            _add(work, portion, digests)
            portion = []
    if portion:
        _add(work, portion, digests)


def _add(work: Work, calibrations: Sequence[Calibration], digests: Mapping[str, str]) -> None:
    work.session.flush()  # what was added before comes before in the database too
    keys = _Keys(work, calibrations)
    rows: dict[type[Any], list[Row]] = {
        CalibrationRow: [],
        CalibrationGaugeRow: [],
        CalibrationCycleRow: [],
        CalibrationResultRow: [],
        CalibrationFindingRow: [],
    }
    free = _reserved(work, len(calibrations))
    for key, calibration in zip(free, calibrations, strict=True):
        _collect(work, keys, key, calibration, rows)
        work.ids[CalibrationRow, calibration.number] = key
    connection = work.session.connection()
    for kind, found in rows.items():
        insert_rows(connection, kind, found)
    for calibration in calibrations:
        # which record corrects it is told by that record, and may come later
        held = calibration if calibration.replaced_by is None else _uncorrected(calibration)
        digest = digests.get(calibration.number) if held is calibration else None
        work.fact("calibration", calibration.number, held, digest=digest)


def _uncorrected(calibration: Calibration) -> Calibration:
    return replace(calibration, replaced_by=None)


def _collect(
    work: Work, keys: _Keys, key: int, calibration: Calibration, rows: dict[type[Any], list[Row]]
) -> None:
    """The rows of one calibration, added to those of its portion."""
    bench = calibration.bench
    revision_id = keys.switch_revision(bench.tag, calibration.switch_revision)
    points = keys.set_points[revision_id]
    rows[CalibrationRow].append({
        "id": key,
        "site_id": site_id(work),
        "number": calibration.number,
        "switch_id": known(work, SwitchRow, "switch", bench.tag, "tag"),
        "switch_revision_id": revision_id,
        "procedure_revision_id": revision_key(
            work, "procedure revision", ProcedureRevisionRow, ProcedureRow, "code",
            bench.procedure, bench.procedure_revision,
        ),
        "performed_on": bench.performed_on,
        "performed_by_id": known(work, PersonRow, "person", bench.performed_by),
        "temperature_c": bench.temperature_c,
        "humidity": bench.humidity,
        "barometric": bench.barometric,
        "barometric_unit": bench.barometric_unit,
        "head_height_m": bench.head_height_m,
        "head_height_half_width_m": bench.head_height_half_width_m,
        "head_density_kg_m3": bench.head_density_kg_m3,
        "exercised_before_as_found": bench.exercised_before_as_found,
        "exercise_cycles": bench.exercise_cycles,
        "adjusted": bench.adjusted,
        "adjustment_note": bench.adjustment_note,
        "contact_check": bench.contact_check,
        "seal": bench.seal,
        "permit": bench.permit,
        "bypass": bench.bypass,
        "returned_by_id": person_or_none(work, bench.returned_by),
        "verified_by_id": person_or_none(work, bench.verified_by),
        "work_order": bench.work_order,
        "remarks": bench.remarks,
        "origin": calibration.origin,
        "evaluation_version": calibration.evaluation_version,
        "replaces_id": None
        if bench.replaces is None
        else known(work, CalibrationRow, "calibration", bench.replaces, "number"),
        "replacement_reason": bench.replacement_reason,
        **work.marks(),
    })  # fmt: skip
    rows[CalibrationGaugeRow] += [
        {
            "calibration_id": key,
            "role": used.role,
            "gauge_id": known(work, GaugeRow, "gauge", used.gauge),
            "gauge_revision_id": keys.gauge_revision(used.gauge, bench.performed_on),
            "certificate_id": known(
                work, CertificateRow, "certificate", used.certificate, "number"
            ),
        }
        for used in bench.gauges
    ]
    rows[CalibrationCycleRow] += [
        {
            "calibration_id": key,
            "switch_revision_id": revision_id,
            "set_point_id": points[c.set_point][0],
            "direction": points[c.set_point][1],
            "phase": c.phase,
            "run": c.run,
            "static": c.static,
            "static_value": double(c.static),
            "trip": c.trip,
            "trip_value": double(c.trip),
            "reset": c.reset,
            "reset_value": double(c.reset),
            "outcome": c.outcome,
        }
        for c in bench.cycles
    ]
    rows[CalibrationResultRow] += [
        {
            "calibration_id": key,
            "switch_revision_id": revision_id,
            "set_point_id": points[r.set_point][0],
            "phase": r.phase,
            "unit": r.unit,
            "required": r.required,
            "found": r.found,
            "first_trip": r.first_trip,
            "error": r.error,
            "late": r.late,
            "dead_band": r.dead_band,
            "repeatability": r.repeatability,
            "runs": r.runs,
            "trip_sd": r.trip_sd,
            "standard_uncertainty": r.standard_uncertainty,
            "coverage_factor": r.coverage_factor,
            "expanded_uncertainty": r.expanded_uncertainty,
            "effective_dof": r.effective_dof,
            "coverage_probability": r.coverage_probability,
            "tur": r.tur,
            "lower_limit": r.lower_limit,
            "upper_limit": r.upper_limit,
            "lower_acceptance": r.lower_acceptance,
            "upper_acceptance": r.upper_acceptance,
            "decision_rule": r.decision_rule,
            "rule_statement": r.rule_statement,
            "verdict": r.verdict,
            "category": r.category,
            "reason": r.reason,
            "probability_outside": r.probability_outside,
            "budget": r.budget,
        }
        for r in calibration.results
    ]
    rows[CalibrationFindingRow] += [
        {"calibration_id": key, "code": f.code, "text": f.text} for f in calibration.findings
    ]


# --- keys -------------------------------------------------------------------------------


class _Keys:
    """The keys that a portion of calibrations refers to, asked for together."""

    def __init__(self, work: Work, calibrations: Sequence[Calibration]) -> None:
        self.work = work
        self.gauges: dict[str, tuple[list[date], list[int]]] = {}
        wanted = {(c.bench.tag, c.switch_revision) for c in calibrations}
        self._look_up({w for w in wanted if ("switch revision", *w) not in work.ids})
        revisions = {work.ids["switch revision", *w] for w in wanted if self._found(w)}
        self.set_points: dict[int, dict[str, tuple[int, str]]] = {r: {} for r in revisions}
        for some in _portions(sorted(revisions)):
            for revision, label, key, direction in work.session.execute(
                select(
                    SetPointRow.switch_revision_id,
                    SetPointRow.label,
                    SetPointRow.id,
                    SetPointRow.direction,
                ).where(SetPointRow.switch_revision_id.in_(some))
            ):
                self.set_points[revision][label] = (key, direction)

    def _found(self, wanted: tuple[str, int]) -> bool:
        return ("switch revision", *wanted) in self.work.ids

    def _look_up(self, wanted: set[tuple[str, int]]) -> None:
        """Note the keys of data sheet revisions that this unit of work has not met yet."""
        for some in _portions(sorted({tag for tag, _ in wanted})):
            for tag, switch_id, revision, key in self.work.session.execute(
                select(
                    SwitchRow.tag, SwitchRow.id, SwitchRevisionRow.revision, SwitchRevisionRow.id
                )
                .join(SwitchRevisionRow, SwitchRevisionRow.switch_id == SwitchRow.id)
                .where(SwitchRow.site_id == site_id(self.work), SwitchRow.tag.in_(some))
            ):
                self.work.ids[SwitchRow, tag] = switch_id
                self.work.ids["switch revision", tag, revision] = key

    def switch_revision(self, tag: str, revision: int) -> int:
        return revision_key(
            self.work, "switch revision", SwitchRevisionRow, SwitchRow, "tag", tag, revision
        )

    def gauge_revision(self, code: str, on: date) -> int:
        """The gauge's revision in force on that day; of two on one day the later."""
        if code not in self.gauges:
            gauge_id = known(self.work, GaugeRow, "gauge", code)
            found = self.work.session.execute(
                select(GaugeRevisionRow.effective_on, GaugeRevisionRow.id)
                .where(GaugeRevisionRow.gauge_id == gauge_id)
                .order_by(GaugeRevisionRow.effective_on, GaugeRevisionRow.revision)
            ).all()
            self.gauges[code] = ([day for day, _ in found], [key for _, key in found])
        days, keys = self.gauges[code]
        place = bisect_right(days, on)
        if place == 0:
            raise UnknownName("gauge in force on that day", code)
        return keys[place - 1]


def _portions(items: Sequence[Any]) -> Iterable[Sequence[Any]]:
    for start in range(0, len(items), _ASKED_AT_ONCE):
        yield items[start : start + _ASKED_AT_ONCE]


def _reserved(work: Work, count: int) -> list[int]:
    """Keys for so many new calibrations: this unit of work is the only one that writes."""
    if work.session.get_bind().dialect.name == "postgresql":
        drawn = work.session.execute(
            text(
                "SELECT nextval(pg_get_serial_sequence('calibration', 'id')) "
                "FROM generate_series(1, :count)"
            ),
            {"count": count},
        )
        return [int(key) for (key,) in drawn]
    last = work.session.scalar(select(func.max(CalibrationRow.id))) or 0
    return list(range(last + 1, last + 1 + count))
