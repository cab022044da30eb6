"""Questions about gauges found bad, what was decided about them, and cross checks."""

from __future__ import annotations

from datetime import date, datetime
from typing import TYPE_CHECKING, NamedTuple

from calfleet.metrology.direction import Direction
from calfleet.records import (
    Action,
    CrossCheck,
    CrossCheckPoint,
    Disposition,
    ErrorPoint,
    EventClosure,
    EventNotice,
    FoundBadKind,
    GaugeEvent,
)
from calfleet.store.queries.reader import DAY, TYPED, ask, question

if TYPE_CHECKING:
    from calfleet.store.queries.reader import Reader

_EVENTS = question(
    """
    SELECT e.id, e.number, g.code AS gauge, e.kind, e.found_on, p.code AS reported_by,
           c.number AS certificate, e.unit, e.note
    FROM gauge_event e
    JOIN gauge g ON g.id = e.gauge_id
    JOIN person p ON p.id = e.reported_by_id
    LEFT JOIN certificate c ON c.id = e.certificate_id
    ORDER BY e.id
    """,
    kind=FoundBadKind,
    found_on=DAY,
)
_EVENT_POINTS = question(
    """
    SELECT gauge_event_id, indication, error, direction FROM gauge_event_point
    ORDER BY gauge_event_id, id
    """,
    indication=TYPED,
    error=TYPED,
    direction=Direction,
)


def events(reader: Reader) -> list[GaugeEvent]:
    """Every gauge found bad, in the order reported; its points in the order given."""
    points: dict[int, list[ErrorPoint]] = {}
    for key, *values in ask(reader, _EVENT_POINTS):
        points.setdefault(key, []).append(ErrorPoint(*values))
    found = []
    for key, *v in ask(reader, _EVENTS):
        values = [*v[:7], tuple(points.get(key, ())), *v[7:]]
        found.append(GaugeEvent(*values))
    return found


_NOTICES = question(
    """
    SELECT e.number, n.told, n.told_on, p.code, n.note
    FROM event_notice n
    JOIN gauge_event e ON e.id = n.gauge_event_id
    JOIN person p ON p.id = n.told_by_id
    ORDER BY e.id, n.told_on, n.id
    """,
    told_on=DAY,
)


def notices(reader: Reader) -> list[EventNotice]:
    """Everybody told of an event, by event, day, then order of entry."""
    return [EventNotice(*row) for row in ask(reader, _NOTICES)]


_DISPOSITIONS = question(
    """
    SELECT e.number, c.number, d.decision, d.action, d.reason, p.code, d.decided_on
    FROM disposition d
    JOIN gauge_event e ON e.id = d.gauge_event_id
    JOIN calibration c ON c.id = d.calibration_id
    JOIN person p ON p.id = d.decided_by_id
    ORDER BY e.id, c.number, d.decision
    """,
    action=Action,
    decided_on=DAY,
)


def dispositions(reader: Reader) -> list[Disposition]:
    """Every decision about a calibration, by event, calibration and decision number."""
    return [Disposition(*row) for row in ask(reader, _DISPOSITIONS)]


_CLOSURES = question(
    """
    SELECT e.number, p.code, c.closed_on, c.statement
    FROM event_closure c
    JOIN gauge_event e ON e.id = c.gauge_event_id
    JOIN person p ON p.id = c.closed_by_id
    ORDER BY e.id
    """,
    closed_on=DAY,
)


def closures(reader: Reader) -> dict[str, EventClosure]:
    """The closure of each closed event, by the event's number."""
    return {row[0]: EventClosure(*row) for row in ask(reader, _CLOSURES)}


_CROSS_CHECKS = question(
    """
    SELECT k.id, k.number, g.code AS gauge, c.number AS certificate, a.code AS against,
           r.number AS against_certificate, k.done_on, p.code AS done_by, k.unit, k.note
    FROM cross_check k
    JOIN gauge g ON g.id = k.gauge_id
    JOIN certificate c ON c.id = k.certificate_id
    JOIN gauge a ON a.id = k.against_id
    JOIN certificate r ON r.id = k.against_certificate_id
    JOIN person p ON p.id = k.done_by_id
    ORDER BY k.done_on, k.id
    """,
    done_on=DAY,
)
_CROSS_CHECK_POINTS = question(
    """
    SELECT cross_check_id, indication, reference, gauge_uncertainty, reference_uncertainty
    FROM cross_check_point ORDER BY cross_check_id, id
    """,
    indication=TYPED,
    reference=TYPED,
    gauge_uncertainty=TYPED,
    reference_uncertainty=TYPED,
)


def cross_checks(reader: Reader) -> list[CrossCheck]:
    """Every cross check, oldest first, then in order of entry; points in the order given."""
    points: dict[int, list[CrossCheckPoint]] = {}
    for key, *values in ask(reader, _CROSS_CHECK_POINTS):
        points.setdefault(key, []).append(CrossCheckPoint(*values))
    found = []
    for key, *v in ask(reader, _CROSS_CHECKS):
        values = [*v[:8], tuple(points.get(key, ())), *v[8:]]
        found.append(CrossCheck(*values))
    return found


_REPORTED = question(
    "SELECT number, recorded_at FROM gauge_event ORDER BY id", recorded_at=datetime.fromisoformat
)
_COMPARED = question(
    "SELECT number, recorded_at FROM cross_check ORDER BY id", recorded_at=datetime.fromisoformat
)


def reported_at(reader: Reader) -> dict[str, datetime]:
    """When each event was entered, by its number, in the order reported."""
    return dict(ask(reader, _REPORTED))


def compared_at(reader: Reader) -> dict[str, datetime]:
    """When each cross check was entered, by its number, in the order of entry."""
    return dict(ask(reader, _COMPARED))


class FoundUnfit(NamedTuple):
    """A gauge that is not to be used from ``found_on`` until it is calibrated again."""

    gauge: str
    event: str
    kind: FoundBadKind
    found_on: date


_UNFIT = question(
    """
    SELECT g.code, e.number, e.kind, e.found_on
    FROM gauge_event e JOIN gauge g ON g.id = e.gauge_id
    WHERE e.kind <> 'certificate withdrawn'
    ORDER BY g.code, e.found_on, e.id
    """,
    kind=FoundBadKind,
    found_on=DAY,
)


def unfit_gauges(reader: Reader) -> tuple[FoundUnfit, ...]:
    """Every event after which a gauge itself is in doubt, by gauge, day found, order of entry.

    A withdrawn certificate is not among them: it is no longer in force, and that is enough.
    """
    return tuple(FoundUnfit(*row) for row in ask(reader, _UNFIT))


class Recalled(NamedTuple):
    """A calibration whose switch is to be calibrated again, by the standing decision."""

    tag: str
    event: str
    found_on: date
    calibration: str
    performed_on: date
    decided_on: date


_RECALLED = question(
    """
    SELECT s.tag, e.number, e.found_on, c.number, c.performed_on, d.decided_on
    FROM disposition d
    JOIN gauge_event e ON e.id = d.gauge_event_id
    JOIN calibration c ON c.id = d.calibration_id
    JOIN switch s ON s.id = c.switch_id
    WHERE d.action = 'recall' AND d.decided_on <= :day
      AND NOT EXISTS (
          SELECT 1 FROM disposition n
          WHERE n.gauge_event_id = d.gauge_event_id AND n.calibration_id = d.calibration_id
            AND n.decision > d.decision AND n.decided_on <= :day
      )
    ORDER BY s.tag, d.decided_on, d.id
    """,
    found_on=DAY,
    performed_on=DAY,
    decided_on=DAY,
)


def recalled(reader: Reader, day: date) -> list[Recalled]:
    """Every calibration recalled by what was decided up to ``day``, by tag, then decision day."""
    return [Recalled(*row) for row in ask(reader, _RECALLED, day=day)]
