"""Questions about switches and their data sheets."""

from __future__ import annotations

from datetime import date
from typing import TYPE_CHECKING, Any

from calfleet.metrology.direction import Direction
from calfleet.records import Criticality, Hazard, Quantity, SetPoint, Switch, SwitchStatus
from calfleet.store.queries.reader import DAY, FLAG, TYPED, Question, ask, question

if TYPE_CHECKING:
    from calfleet.store.queries.reader import Reader

_TAGS = question("SELECT tag FROM switch ORDER BY tag")


def tags(reader: Reader) -> list[str]:
    """Every tag, in alphabetical order (unique)."""
    return [tag for (tag,) in ask(reader, _TAGS)]


def _sheets(source: str, order: str) -> Question:
    """The question for data sheets from ``source``, an SQL expression with their columns."""
    return question(
        f"""
        SELECT r.id, s.tag, r.revision, r.effective_on, r.reason, r.serial, a.code, r.service,
               r.family, r.quantity, r.unit, r.range_low, r.range_high, r.line_unit,
               r.proof_pressure, r.static_nominal, r.medium, r.criticality, r.outage_bound,
               r.status, r.policy, p.code, r.bench_minutes
        FROM {source} r
        JOIN switch s ON s.id = r.switch_id
        JOIN area a ON a.id = r.area_id
        JOIN procedure p ON p.id = r.procedure_id
        {order}
        """,
        effective_on=DAY,
        quantity=Quantity,
        range_low=TYPED,
        range_high=TYPED,
        proof_pressure=TYPED,
        static_nominal=TYPED,
        criticality=Criticality,
        outage_bound=FLAG,
        status=SwitchStatus,
    )


_IN_FORCE = _sheets(
    """(
            SELECT switch_revision.*, ROW_NUMBER() OVER (
                PARTITION BY switch_id ORDER BY effective_on DESC, revision DESC
            ) AS place
            FROM switch_revision WHERE effective_on <= :day
        )""",
    "WHERE r.place = 1 ORDER BY s.tag",
)
_ALL = _sheets("switch_revision", "ORDER BY s.tag, r.revision")
_OF_TAG = _sheets("switch_revision", "WHERE s.tag = :tag ORDER BY r.revision")


def in_force(reader: Reader, day: date) -> list[Switch]:
    """One data sheet per tag in force on ``day``, by tag; tags not yet known then are left out.

    Of two revisions effective on one day the higher number counts.
    """
    return _made(reader, ask(reader, _IN_FORCE, day=day))


def revisions(reader: Reader, tag: str | None = None) -> list[Switch]:
    """Every data sheet revision (of one tag), by tag and revision (unique)."""
    if tag is None:
        return _made(reader, ask(reader, _ALL))
    return _made(reader, ask(reader, _OF_TAG, tag=tag), tag)


def switch_on(reader: Reader, tag: str, day: date) -> Switch | None:
    """The data sheet of ``tag`` in force on ``day``: latest effective, then highest revision."""
    held = [s for s in revisions(reader, tag) if s.effective_on <= day]
    return max(held, key=lambda s: (s.effective_on, s.revision), default=None)


_ONE = """
    WHERE switch_revision_id IN (
        SELECT r.id FROM switch_revision r JOIN switch s ON s.id = r.switch_id WHERE s.tag = :tag
    )
"""


def _hazards(where: str) -> Question:
    return question(
        f"""
        SELECT switch_revision_id, hazard FROM switch_hazard {where}
        ORDER BY switch_revision_id, id
        """,
        hazard=Hazard,
    )


_HAZARDS, _HAZARDS_OF_TAG = _hazards(""), _hazards(_ONE)


def _made(reader: Reader, rows: list[tuple[Any, ...]], tag: str | None = None) -> list[Switch]:
    """The data sheets of ``rows``; with ``tag`` they are all of that switch."""
    points = _set_points(reader, tag)
    hazards: dict[int, list[Hazard]] = {}
    held = ask(reader, _HAZARDS) if tag is None else ask(reader, _HAZARDS_OF_TAG, tag=tag)
    for key, hazard in held:
        hazards.setdefault(key, []).append(hazard)
    found: list[Switch] = []
    for key, *v in rows:
        # columns in the order of the record's fields, its parts at the end
        values = [*v, tuple(hazards.get(key, ())), tuple(points.get(key, ()))]
        found.append(Switch(*values))
    return found


def _points(where: str) -> Question:
    return question(
        f"""
        SELECT switch_revision_id, label, value, direction, tolerance_minus, tolerance_plus,
               tolerance_basis, as_left_minus, as_left_plus, dead_band_kind, dead_band_min,
               dead_band_max, repeatability_limit, contact_form, action, energised_state
        FROM set_point {where} ORDER BY id
        """,
        value=TYPED,
        direction=Direction,
        tolerance_minus=TYPED,
        tolerance_plus=TYPED,
        as_left_minus=TYPED,
        as_left_plus=TYPED,
        dead_band_min=TYPED,
        dead_band_max=TYPED,
        repeatability_limit=TYPED,
    )


_SET_POINTS, _SET_POINTS_OF_TAG = _points(""), _points(_ONE)


def _set_points(reader: Reader, tag: str | None) -> dict[int, list[SetPoint]]:
    held = ask(reader, _SET_POINTS) if tag is None else ask(reader, _SET_POINTS_OF_TAG, tag=tag)
    found: dict[int, list[SetPoint]] = {}
    for key, *values in held:
        found.setdefault(key, []).append(SetPoint(*values))
    return found
