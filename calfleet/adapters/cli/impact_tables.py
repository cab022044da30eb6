"""A gauge found bad, as tables: the event, the results, the gauges touched, the jobs."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import TYPE_CHECKING, Any

from calfleet.adapters.cli.render import Column
from calfleet.adapters.cli.workbooks import places_of, sheet

if TYPE_CHECKING:
    from calfleet.adapters.documents.tidy_workbook import Sheet
    from calfleet.records import Disposition
    from calfleet.traceability.event import FoundPoint
    from calfleet.traceability.outcome import Impact, Job, RestingGauge, Row
    from calfleet.traceability.rejudge import State


def sheets(impact: Impact) -> list[Sheet]:
    """The report as sheets: Event, Errors found (where there are any), Results, Gauges, Jobs."""
    event = impact.event
    heading = f"Gauge {event.gauge} found bad on {event.found_on}"
    pairs: list[Column[tuple[str, Any]]] = [
        Column("What", "what", lambda x: x[0]),
        Column("Value", "value", lambda x: x[1]),
    ]
    made = [
        sheet(
            [x for x in _event(impact) if x[1] is not None],
            pairs,
            title="Event",
            heading=heading,
            frozen=0,
        )
    ]
    if event.points:
        made.append(
            sheet(event.points, _point_columns(event.unit), title="Errors found", heading=heading)
        )
    made += [
        sheet(impact.rows, result_columns(), title="Results", heading=heading, frozen=2),
        sheet(impact.gauges, _gauge_columns(), title="Gauges", heading=heading),
        sheet(impact.jobs, _job_columns(), title="Jobs", heading=heading, frozen=2),
    ]
    return made


def _event(impact: Impact) -> Iterator[tuple[str, Any]]:
    event, gauge = impact.event, impact.gauge
    yield "Gauge", event.gauge
    yield "Description", gauge.description
    yield "Serial number", gauge.serial
    yield "Range from", gauge.range_low
    yield "Range to", gauge.range_high
    yield "Unit of the range", gauge.unit
    yield "Event", event.kind
    yield "Certificate", event.certificate or None
    yield "Found on", event.found_on
    yield "Reported by", event.by or None
    yield "Note", event.note or None
    yield "Last known good on", event.last_good.on
    yield "Known from", event.last_good.how
    yield "Certificate then", event.last_good.certificate or None
    for line in event.left_out:
        yield "Not counted", line
    yield "Outcome", impact.statement
    for (consequence, criticality), count in impact.counts.items():
        if count:
            yield f"Results {consequence}, {criticality}", count
    for line in impact.method:
        yield "Method", line
    for who in impact.told:
        yield "To be told", who
    for note in impact.notes:
        yield "Note", note


def _point_columns(unit: str) -> list[Column[FoundPoint]]:
    return [
        Column("Indication", "indication", lambda x: x.indication, unit=unit),
        Column("Error", "error", lambda x: x.error, unit=unit),
        Column("Direction", "direction", lambda x: x.direction or None),
    ]


def result_columns() -> list[Column[Row]]:
    """The columns of the results touched, for CSV and the workbook; figures in the row's unit."""

    def state(name: str, of: Callable[[Row], State | None]) -> list[Column[Row]]:
        def part(key: str) -> Callable[[Row], Any]:
            return lambda x: None if (found := of(x)) is None else getattr(found, key)

        def places(x: Row) -> int | None:
            found = of(x)
            return None if found is None else places_of(found.U)

        key = name.lower().replace(" ", "_")
        return [
            Column("", f"{key}_verdict", part("verdict"), name=f"{name}: verdict"),
            Column("", f"{key}_found", part("found"), name=f"{name}: found", digits=places),
            Column("", f"{key}_expanded_uncertainty", part("U"), name=f"{name}: U", digits=places),
            Column("", f"{key}_margin", part("margin"), name=f"{name}: margin", digits=places),
        ]

    def shift(x: Row) -> int | None:
        # a shift of a reading has the digits that the uncertainty of the reading leaves
        return places_of(x.before.U)

    return [
        Column("", "calibration", lambda x: x.calibration),
        Column("", "tag", lambda x: x.tag),
        Column("", "service", lambda x: x.service),
        Column("", "area", lambda x: x.area),
        Column("", "criticality", lambda x: x.criticality),
        Column("", "performed_on", lambda x: x.performed_on, name="Done"),
        Column("", "set_point", lambda x: x.set_point),
        Column("", "phase", lambda x: x.phase),
        Column("", "unit", lambda x: x.unit),
        Column("", "gauge", lambda x: x.gauge),
        Column("", "certificate", lambda x: x.certificate),
        Column("", "tier", lambda x: x.tier),
        Column("", "path", lambda x: " → ".join(x.path) or None, name="Rests on it through"),
        Column("", "consequence", lambda x: x.consequence),
        Column("", "worst_case", lambda x: x.under_worst),
        Column("", "linear_with_time", lambda x: x.under_linear),
        Column("", "recorded_verdict", lambda x: x.recorded_verdict),
        Column("", "lower_limit", lambda x: x.lower),
        Column("", "upper_limit", lambda x: x.upper),
        Column("", "shift_worst", lambda x: x.shift_worst, digits=shift),
        Column("", "shift_linear", lambda x: x.shift_linear, digits=shift),
        *state("Before", lambda x: x.before),
        *state("After worst", lambda x: x.worst),
        *state("After linear", lambda x: x.linear),
        Column("", "reason", lambda x: x.reason),
        Column("", "action", lambda x: x.action),
        Column("", "advice", lambda x: x.advice),
        Column("", "told", lambda x: "; ".join(x.told) or None, name="To be told"),
        Column("", "later", lambda x: x.later or None, name="Later calibration"),
        Column("", "describes_now", lambda x: x.describes_now),
    ]


def decided_columns() -> list[Column[tuple[Row, Disposition | None]]]:
    """The columns of the results touched with the decision that covers each."""

    def decision(key: str) -> Callable[[tuple[Row, Disposition | None]], Any]:
        return lambda x: None if x[1] is None else getattr(x[1], key)

    def of_row(
        value: Callable[[Row], Any],
    ) -> Callable[[tuple[Row, Disposition | None]], Any]:
        return lambda x: value(x[0])

    return [
        *(Column("", c.key, of_row(c.value)) for c in result_columns()),
        Column("", "decision", decision("action")),
        Column("", "decision_reason", decision("reason")),
        Column("", "decided_by", decision("decided_by")),
        Column("", "decided_on", decision("decided_on")),
        Column("", "decision_number", decision("decision")),
    ]


def _gauge_columns() -> list[Column[RestingGauge]]:
    return [
        Column("Gauge", "gauge", lambda x: x.gauge),
        Column("Certificate", "certificate", lambda x: x.certificate),
        Column("Calibrated", "calibrated_on", lambda x: x.calibrated_on),
        Column("Tier", "tier", lambda x: x.tier),
        Column("Rests on it through", "path", lambda x: " → ".join(x.path) or None),
        Column("Unit", "unit", lambda x: x.unit),
        Column("Largest shift", "largest_shift", lambda x: x.largest_shift),
        Column("Results", "results", lambda x: x.results),
        Column("In force", "in_force", lambda x: x.in_force),
        Column("Why", "reason", lambda x: x.reason),
    ]


def _job_columns() -> list[Column[Job]]:
    return [
        Column("By", "by", lambda x: x.by),
        Column("What", "what", lambda x: x.what),
        Column("Tag", "tag", lambda x: x.tag or None),
        Column("Gauge", "gauge", lambda x: x.gauge or None),
        Column("Criticality", "criticality", lambda x: x.criticality),
        Column("Why", "reason", lambda x: x.reason),
        Column("Calibrations", "calibrations", lambda x: ", ".join(x.calibrations) or None),
    ]
