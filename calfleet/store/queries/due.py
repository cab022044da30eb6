"""What the due list asks; like all it asks, without building database objects."""

from __future__ import annotations

from datetime import date
from typing import TYPE_CHECKING, NamedTuple

from calfleet.metrology.readings import pooled
from calfleet.records import (
    IntervalBasis,
    IntervalPolicy,
    IntervalUnit,
)
from calfleet.store.queries.reader import DAY, FLAG, TYPED, ask, question

if TYPE_CHECKING:
    from calfleet.store.queries.reader import Reader


class LastResult(NamedTuple):
    """The newest calibration of a switch: its number, day, and its as-found/as-left verdicts."""

    number: str
    performed_on: date
    verdicts: tuple[tuple[str, str, str], ...]
    """(set point label, phase, verdict), in the order recorded."""


_SITE = question("SELECT code FROM site ORDER BY id LIMIT 1")


def site_code(reader: Reader) -> str:
    """The code of the one site of this database; empty before it is built."""
    rows = ask(reader, _SITE)
    return str(rows[0][0]) if rows else ""


_PERFORMED = question(
    """
    SELECT s.tag, c.performed_on
    FROM calibration c JOIN switch s ON s.id = c.switch_id
    WHERE NOT EXISTS (SELECT 1 FROM calibration n WHERE n.replaces_id = c.id)
    ORDER BY s.tag, c.performed_on, c.id
    """,
    performed_on=DAY,
)


def performed_days(reader: Reader) -> dict[str, list[date]]:
    """Every tag with the days it was calibrated, oldest first; corrected records left out."""
    found: dict[str, list[date]] = {}
    for tag, day in ask(reader, _PERFORMED):
        found.setdefault(tag, []).append(day)
    return found


_LAST = question(
    """
    SELECT s.tag, c.number, c.performed_on, p.label, r.phase, r.verdict
    FROM (
        SELECT calibration.*, ROW_NUMBER() OVER (
            PARTITION BY switch_id ORDER BY performed_on DESC, id DESC
        ) AS place
        FROM calibration
        WHERE performed_on <= :day
          AND NOT EXISTS (SELECT 1 FROM calibration n WHERE n.replaces_id = calibration.id)
    ) c
    JOIN switch s ON s.id = c.switch_id
    LEFT JOIN calibration_result r ON r.calibration_id = c.id
    LEFT JOIN set_point p ON p.id = r.set_point_id
    WHERE c.place = 1
    ORDER BY s.tag, r.id
    """,
    performed_on=DAY,
)


def last_results(reader: Reader, day: date) -> dict[str, LastResult]:
    """Per tag the newest calibration up to ``day`` that no correction replaces (then by key)."""
    found: dict[str, LastResult] = {}
    for tag, number, performed, label, phase, verdict in ask(reader, _LAST, day=day):
        held = found.get(tag, LastResult(number, performed, ()))
        verdicts = held.verdicts if label is None else (*held.verdicts, (label, phase, verdict))
        found[tag] = LastResult(number, performed, verdicts)
    return found


_SPREADS = question(
    """
    SELECT v.family, r.trip_sd, r.runs, v.range_low_value, v.range_high_value
    FROM calibration_result r
    JOIN calibration c ON c.id = r.calibration_id
    JOIN switch_revision v ON v.id = c.switch_revision_id
    WHERE r.phase = 'as-left' AND r.trip_sd IS NOT NULL
      AND NOT EXISTS (SELECT 1 FROM calibration n WHERE n.replaces_id = c.id)
      AND c.number <> :without
    ORDER BY v.family, r.id
    """
)


def pooled_repeatability(reader: Reader, *, without: str = "") -> dict[str, tuple[float, int]]:
    """Per switch family the pooled standard deviation of trips over the span, and its dof.

    From as-left runs only (the first as-found trips are stuck by the nature of the test),
    corrected records left out, and the one numbered ``without`` (about to be corrected) too.
    Families without two runs anywhere are absent. Not summed by the database: sums of its own
    differ in the last digit from one kind to the other, and every figure must come out again.
    """
    series: dict[str, list[tuple[float | None, float]]] = {}
    for family, s, runs, low, high in ask(reader, _SPREADS, without=without):
        series.setdefault(family, []).append((s / (high - low), runs - 1))
    return {family: pooled_spread(held) for family, held in series.items()}


def pooled_spread(series: list[tuple[float | None, float]]) -> tuple[float, int]:
    """The pooled standard deviation of series (s over the span, dof), and its dof."""
    s, dof = pooled(series)
    return s, int(dof)


_POLICIES = question(
    """
    SELECT code, effective_on, basis, every, unit, end_of_month, grace_fraction, grace_days, note
    FROM interval_policy ORDER BY code, effective_on
    """,
    effective_on=DAY,
    basis=IntervalBasis,
    unit=IntervalUnit,
    end_of_month=FLAG,
    grace_fraction=TYPED,
)


def policies(reader: Reader) -> dict[str, tuple[IntervalPolicy, ...]]:
    """Every interval policy by code; its versions by the day they took effect (unique)."""
    found: dict[str, list[IntervalPolicy]] = {}
    for row in ask(reader, _POLICIES):
        found.setdefault(row[0], []).append(IntervalPolicy(*row))
    return {code: tuple(versions) for code, versions in found.items()}
