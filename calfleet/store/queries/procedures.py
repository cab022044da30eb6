"""Questions about procedures and their revisions."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from calfleet.records import Hazard, ProcedureRevision, Quantity
from calfleet.store.queries.reader import DAY, TYPED, Question, ask, question

if TYPE_CHECKING:
    from calfleet.store.queries.reader import Reader

_REVISIONS = question(
    """
    SELECT r.id, p.code, r.title, r.revision, r.approved_on, r.approved_by, r.effective_on,
           r.exercise_cycles, r.as_found_runs, r.as_left_runs, r.ramp_limit_fraction_per_s,
           r.temperature_min_c, r.temperature_max_c, r.humidity_max, r.required_tur,
           r.decision_rule, r.guard_factor, r.coverage_probability, r.conformance_probability,
           r.reading_lag_s, r.static_hold_fraction
    FROM procedure p JOIN procedure_revision r ON r.procedure_id = p.id
    ORDER BY p.code, r.revision
    """,
    approved_on=DAY,
    effective_on=DAY,
    ramp_limit_fraction_per_s=TYPED,
    temperature_min_c=TYPED,
    temperature_max_c=TYPED,
    humidity_max=TYPED,
    required_tur=TYPED,
    guard_factor=TYPED,
    coverage_probability=TYPED,
    conformance_probability=TYPED,
    reading_lag_s=TYPED,
    static_hold_fraction=TYPED,
)
_SCOPE = question(
    "SELECT procedure_revision_id, quantity FROM procedure_scope ORDER BY id", quantity=Quantity
)
_HAZARDS = question(
    "SELECT procedure_revision_id, hazard FROM procedure_hazard ORDER BY id", hazard=Hazard
)
_STEPS = question("SELECT procedure_revision_id, text FROM procedure_step ORDER BY position, id")


def procedures(reader: Reader) -> dict[str, tuple[ProcedureRevision, ...]]:
    """Every procedure by code; its revisions in order of revision number (unique)."""
    parts = [_grouped(reader, asked) for asked in (_SCOPE, _HAZARDS, _STEPS)]
    found: dict[str, list[ProcedureRevision]] = {}
    for key, *v in ask(reader, _REVISIONS):
        scope, hazards, steps = (tuple(held.get(key, ())) for held in parts)
        # columns in the order of the record's fields, its parts in their places
        values = [*v[:6], scope, *v[6:], hazards, steps]
        found.setdefault(v[0], []).append(ProcedureRevision(*values))
    return {code: tuple(revisions) for code, revisions in found.items()}


def _grouped(reader: Reader, asked: Question) -> dict[int, list[Any]]:
    held: dict[int, list[Any]] = {}
    for key, part in ask(reader, asked):
        held.setdefault(key, []).append(part)
    return held
