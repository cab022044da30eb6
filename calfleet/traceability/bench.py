"""What was done at the bench: results, readings, technician, procedure, gauges in their role."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import replace
from datetime import date
from decimal import Decimal

from calfleet.metrology.certificate import CertificateCurve
from calfleet.metrology.rounding import significant, with_uncertainty
from calfleet.metrology.units import PressureMode
from calfleet.records import (
    Calibration,
    CycleOutcome,
    Gauge,
    GaugeRole,
    GaugeUsed,
    Person,
    Phase,
    ProcedureRevision,
    Quantity,
    Result,
    Role,
    Switch,
)
from calfleet.traceability.curves import Reading, u_at
from calfleet.traceability.facts import Step, Use, in_force
from calfleet.traceability.gauges import Gauges, state_facts
from calfleet.traceability.links import Fact, Link, Node, NodeKind, Reason, broken, weak
from calfleet.traceability.words import (
    counted,
    listed,
    not_recorded,
    ratio_text,
    span_text,
    symbol,
    with_unit,
)


class Bench:
    """Judges what a calibration rests on, up to the gauges used.

    ``brief``: only the reasons are wanted, of many calibrations; nodes and facts to show are left
    out, and readings well inside are not looked at one by one.
    """

    def __init__(self, gauges: Gauges, *, brief: bool = False) -> None:
        self._facts = gauges.facts
        self._gauges = gauges
        self._brief = brief
        self._sheets: dict[str, list[Switch]] = {}
        for switch in gauges.facts.switches.values():
            self._sheets.setdefault(switch.tag, []).append(switch)

    def step(self, calibration: Calibration) -> Step:
        """What the calibration rests on; the gauges used are still to be followed."""
        bench, number, day = calibration.bench, calibration.number, calibration.bench.performed_on
        root = f"calibration {number}"
        switch = self._facts.switches.get((bench.tag, calibration.switch_revision))
        procedure = self._procedure_revision(bench.procedure, bench.procedure_revision)
        nodes = [] if self._brief else [_calibration_node(calibration)]
        links: list[Link] = []
        uses: list[Use] = []

        readings_node = _readings_node(calibration, brief=self._brief)
        for result in calibration.results:
            node = _result_node(number, result, brief=self._brief)
            nodes.append(node)
            links.append(Link(root, node.key, "states", day))
            reasons, shown = self._judge_result(calibration, result, switch, procedure)
            links.append(Link(node.key, readings_node.key, "worked out from", day, reasons, shown))
        if not calibration.results:
            reason = broken("result.none", f"{number} holds no result for any set point.")
            links.append(Link(root, readings_node.key, "worked out from", day, (reason,)))
        nodes.append(readings_node)

        sheet, link = self._data_sheet(calibration, switch)
        nodes.append(sheet)
        links.append(link)
        for node, link in (
            self._technician(calibration, switch, readings_node.key),
            self._procedure(calibration, switch, procedure, readings_node.key),
        ):
            nodes.append(node)
            links.append(link)
        for part in self._uses(calibration, switch, readings_node.key):
            nodes += part.nodes
            links += part.links
            uses += part.uses
        for node, link in self._calibration_corrections(calibration):
            nodes.append(node)
            links.append(link)
        return Step(tuple(nodes), tuple(links), tuple(uses))

    def _judge_result(
        self,
        calibration: Calibration,
        result: Result,
        switch: Switch | None,
        procedure: ProcedureRevision | None,
    ) -> tuple[tuple[Reason, ...], tuple[Fact, ...]]:
        where = f"{result.set_point} {result.phase}"
        reasons: list[Reason] = []
        shown: list[Fact] = []
        cycles = [
            c
            for c in calibration.bench.cycles
            if c.set_point == result.set_point and c.phase is result.phase
        ]
        if not cycles:
            reasons.append(
                broken("result.no-readings", f"No raw readings are recorded for {where}.")
            )
        elif result.found is not None and all(c.trip is None for c in cycles):
            reasons.append(
                broken(
                    "result.no-trip-reading",
                    f"{where} states a set point, but none of its "
                    f"{counted(len(cycles), 'recorded run')} holds a trip reading.",
                )
            )
        if result.found is None:
            return tuple(reasons), tuple(shown)
        if result.standard_uncertainty is None or result.expanded_uncertainty is None:
            reasons.append(
                broken("result.no-uncertainty", f"{where} is stated without an uncertainty.")
            )
            return tuple(reasons), tuple(shown)
        unit = symbol(result.unit)
        if procedure is not None and result.tur is not None:
            required = procedure.required_tur
            shown.append(Fact("ratio (TUR)", f"{ratio_text(result.tur)}, required {required:f}:1"))
            # A ratio is judged as computed; a rounding in the last binary digit is no shortfall.
            if result.tur < float(required) * (1 - 1e-12):
                reasons.append(
                    weak(
                        "result.low-ratio",
                        f"The ratio (TUR) of {where} is {ratio_text(result.tur)}; "
                        f"{procedure.name} requires {required:f}:1.",
                    )
                )
        elif result.tur is None:
            shown.append(Fact("ratio (TUR)", "none: the tolerance is one-sided"))
        if self._brief and self._surely_possible(calibration, result):
            return tuple(reasons), tuple(shown)
        smallest = self._gauge_uncertainty(calibration, result, switch)
        if smallest is not None:
            u, trip, certificate = smallest
            if u > 0:
                shown.append(
                    Fact(
                        "result u to certificate u",
                        ratio_text(result.standard_uncertainty / u),
                    )
                )
            if result.standard_uncertainty < u * (1 - 1e-6):
                reasons.append(
                    broken(
                        "result.impossible-uncertainty",
                        f"{where} claims a standard uncertainty of "
                        f"{significant(result.standard_uncertainty, 3)} {unit}, less than the "
                        f"{significant(u, 3)} {unit} of certificate {certificate} at {trip}.",
                    )
                )
        return tuple(reasons), tuple(shown)

    def _gauge_uncertainty(
        self, calibration: Calibration, result: Result, switch: Switch | None
    ) -> tuple[float, str, str] | None:
        """The least standard uncertainty the operating gauge's certificate gives at the trips.

        Their mean, where the budget asks the certificate, is one of the places: between two
        points the larger neighbour counts, and at a point between the trips less may be stated.
        In the result's unit, with the reading and the certificate; ``None`` where it is not
        known, or where static readings on the same gauge may cancel a part of it.
        """
        bench = calibration.bench
        if any(c.static is not None for c in bench.cycles):
            return None
        operating = _operating(calibration)
        if operating is None:
            return None
        curve = self._gauges.curves.of(operating.certificate)
        gauge = self._gauges.on(operating.gauge, bench.performed_on)
        if not isinstance(curve, CertificateCurve) or gauge is None:
            return None
        found: list[tuple[float, str, str]] = []
        readings = _readings_on(calibration, GaugeRole.OPERATING, switch, gauge.unit, result)
        trips = [reading for reading in readings if reading.is_trip]
        for reading in trips + _mean_trip(calibration, result, trips):
            u = u_at(curve, reading, result.unit)
            if u is not None:
                value = with_unit(reading.value, reading.unit)
                found.append((u, value, operating.certificate))
        return min(found, default=None)

    def _surely_possible(self, calibration: Calibration, result: Result) -> bool:
        """Whether the result's uncertainty is above the largest that the certificate states."""
        operating = _operating(calibration)
        if operating is None or result.standard_uncertainty is None:
            return False
        largest = self._gauges.curves.largest_u(operating.certificate, result.unit)
        return largest is not None and result.standard_uncertainty >= largest

    def _well_inside(
        self, calibration: Calibration, used: GaugeUsed, switch: Switch | None, gauge: Gauge
    ) -> bool:
        """Whether nothing can be said against the readings on the gauge in this role.

        False where they have to be looked at one by one.
        """
        reach = self._gauges.curves.reach
        ways = {p.label: p.direction for p in switch.set_points} if switch is not None else {}
        for cycle in calibration.bench.cycles:
            if used.role is GaugeRole.STATIC:
                readings = ((cycle.static, None, False),)
            else:
                way = ways.get(cycle.set_point)
                readings = (
                    (cycle.trip, way, True),
                    (cycle.reset, way.opposite if way is not None else None, False),
                )  # type: ignore[assignment]
            for value, way, is_trip in readings:
                if value is None:
                    continue
                low, high = reach(gauge, used.certificate, way, is_trip=is_trip)
                if not low <= float(value) <= high:
                    return False
        return True

    def _data_sheet(self, calibration: Calibration, switch: Switch | None) -> tuple[Node, Link]:
        tag, revision = calibration.bench.tag, calibration.switch_revision
        day = calibration.bench.performed_on
        key = f"data sheet {tag} rev {revision}"
        title = f"{tag} rev {revision}"
        source = f"calibration {calibration.number}"
        relation = "judged against"
        if switch is None:
            reason = broken(
                "switch.unknown", f"Revision {revision} of the data sheet of {tag} is not recorded."
            )
            node = Node(key, NodeKind.DATA_SHEET, not_recorded(title), known=False)
            return node, Link(source, key, relation, day, (reason,))
        reasons = []
        if switch.effective_on > day:
            reasons.append(
                weak(
                    "switch.not-yet",
                    f"Revision {revision} of the data sheet of {tag} took effect on "
                    f"{switch.effective_on}, after the calibration of {day}.",
                )
            )
        else:
            current = in_force(self._sheets.get(tag, ()), day)
            if current is not None and current.revision != revision:
                reasons.append(
                    weak(
                        "switch.superseded",
                        f"Revision {revision} of the data sheet of {tag} had been superseded by "
                        f"revision {current.revision} on {current.effective_on}.",
                    )
                )
        if self._brief:
            node = Node(key, NodeKind.DATA_SHEET, title)
            return node, Link(source, key, relation, day, tuple(reasons))
        shown = (
            Fact("service", switch.service),
            Fact("serial number", switch.serial),
            Fact("range", span_text(switch.range_low, switch.range_high, switch.unit)),
            Fact("in effect from", str(switch.effective_on)),
        )
        node = Node(key, NodeKind.DATA_SHEET, title, shown)
        return node, Link(source, key, relation, day, tuple(reasons))

    def _technician(
        self, calibration: Calibration, switch: Switch | None, source: str
    ) -> tuple[Node, Link]:
        code, day = calibration.bench.performed_by, calibration.bench.performed_on
        key = f"person {code}"
        person = self._facts.people.get(code)
        if person is None:
            reason = broken(
                "person.unknown", f"{code}, named as technician, is not in the register of people."
            )
            node = Node(key, NodeKind.TECHNICIAN, not_recorded(code), known=False)
            return node, Link(source, key, "taken by", day, (reason,))
        reasons = []
        shown = []
        if person.holds(Role.TECHNICIAN, day):
            shown.append(Fact("role", Role.TECHNICIAN.value))
        else:
            reasons.append(
                weak("person.no-role", f"{person.name} did not hold the role technician on {day}.")
            )
        if switch is not None:
            quantity = switch.quantity
            held = person.qualification(quantity, day)
            if held is not None:
                shown.append(Fact(f"qualified for {quantity}", f"until {held.expires_on}"))
            else:
                reasons.append(_not_qualified(person, quantity, day))
        node = Node(key, NodeKind.TECHNICIAN, f"{person.name} ({code})")
        return node, Link(source, key, "taken by", day, tuple(reasons), tuple(shown))

    def _procedure_revision(self, code: str, revision: int) -> ProcedureRevision | None:
        revisions = self._facts.procedures.get(code, ())
        return next((p for p in revisions if p.revision == revision), None)

    def _procedure(
        self,
        calibration: Calibration,
        switch: Switch | None,
        procedure: ProcedureRevision | None,
        source: str,
    ) -> tuple[Node, Link]:
        bench = calibration.bench
        day = bench.performed_on
        name = f"{bench.procedure} rev {bench.procedure_revision}"
        key = f"procedure {name}"
        if procedure is None:
            reason = broken("procedure.unknown", f"Procedure {name} is not recorded.")
            node = Node(key, NodeKind.PROCEDURE, not_recorded(name), known=False)
            return node, Link(source, key, "by procedure", day, (reason,))
        reasons = []
        if procedure.effective_on > day:
            reasons.append(
                weak(
                    "procedure.not-yet",
                    f"{name} came into force on {procedure.effective_on}, after the calibration "
                    f"of {day}.",
                )
            )
        if procedure.approved_on > day:
            reasons.append(
                weak(
                    "procedure.not-approved",
                    f"{name} was approved on {procedure.approved_on}, after the calibration of "
                    f"{day}.",
                )
            )
        current = in_force(self._facts.procedures[bench.procedure], day)
        if (
            current is not None
            and procedure.effective_on <= day
            and current.revision != procedure.revision
        ):
            reasons.append(
                weak(
                    "procedure.superseded",
                    f"{name} had been superseded by revision {current.revision} on "
                    f"{current.effective_on}.",
                )
            )
        if switch is not None and switch.quantity not in procedure.quantities:
            reasons.append(
                weak(
                    "procedure.other-quantity",
                    f"{name} is written for {listed([q.value for q in procedure.quantities])}, "
                    f"{switch.tag} responds to {switch.quantity}.",
                )
            )
        shown = (
            Fact("title", procedure.title),
            Fact("in force from", str(procedure.effective_on)),
            Fact("approved", f"{procedure.approved_on} by {procedure.approved_by}"),
            Fact("required ratio (TUR)", f"{procedure.required_tur:f}:1"),
            Fact("decision rule", procedure.decision_rule),
        )
        node = Node(key, NodeKind.PROCEDURE, name, shown)
        return node, Link(source, key, "by procedure", day, tuple(reasons))

    def _uses(self, calibration: Calibration, switch: Switch | None, source: str) -> Iterator[Step]:
        bench, day = calibration.bench, calibration.bench.performed_on
        for used in bench.gauges:
            use = Use(used.gauge, used.certificate, day)
            gauge = self._gauges.on(used.gauge, day)
            reasons = list(self._gauges.judge(used.gauge, used.certificate, day))
            shown = list(state_facts(gauge))
            if gauge is not None:
                if (
                    used.role is GaugeRole.OPERATING
                    and switch is not None
                    and gauge.mode not in switch.quantity.gauge_modes
                ):
                    reads = "temperature" if gauge.mode is None else f"{gauge.mode} pressure"
                    reasons.append(
                        broken(
                            "gauge.other-quantity",
                            f"{gauge.code} reads {reads}, {switch.tag} responds to "
                            f"{switch.quantity}.",
                        )
                    )
                readings = []
                if not (self._brief and self._well_inside(calibration, used, switch, gauge)):
                    readings = _readings_on(calibration, used.role, switch, gauge.unit)
                if readings:
                    more, covered = self._gauges.curves.judge(gauge, used.certificate, readings)
                    reasons += more
                    shown += covered
            relation = f"{used.role} pressure read on"
            if switch is not None and switch.quantity is Quantity.TEMPERATURE:
                relation = "temperature read on"
            link = Link(source, use.key, relation, day, tuple(reasons), tuple(shown))
            nodes = () if self._brief else (self._gauges.gauge_node(use),)
            yield Step(nodes, (link,), (use,))
        yield from self._unrecorded_gauges(calibration, source)

    def _unrecorded_gauges(self, calibration: Calibration, source: str) -> Iterator[Step]:
        bench, day = calibration.bench, calibration.bench.performed_on
        roles = {used.role for used in bench.gauges}
        if GaugeRole.OPERATING not in roles:
            reason = broken(
                "gauge.none", f"{calibration.number} names no gauge on which the trips were read."
            )
            node = Node(
                "no operating gauge", NodeKind.GAUGE, not_recorded("operating gauge"), (), False
            )
            link = Link(source, node.key, "operating pressure read on", day, (reason,))
            yield Step((node,), (link,))
        statics = sum(c.static is not None for c in bench.cycles)
        if statics and GaugeRole.STATIC not in roles:
            text = (
                f"{counted(statics, 'static pressure reading')} of {calibration.number} "
                f"{'was' if statics == 1 else 'were'} taken on no recorded gauge"
            )
            operating = next((u.gauge for u in bench.gauges if u.role is GaugeRole.OPERATING), "")
            gauge = self._gauges.on(operating, day)
            if gauge is not None and gauge.mode is PressureMode.DIFFERENTIAL:
                # Read directly as a difference: the static pressure is a condition, not a part.
                reason = weak(
                    "gauge.none-static", f"{text}; the difference itself was read on {operating}."
                )
            else:
                reason = broken(
                    "gauge.none-static", f"{text}; the set point is trip less static pressure."
                )
            node = Node("no static gauge", NodeKind.GAUGE, not_recorded("static gauge"), (), False)
            link = Link(source, node.key, "static pressure read on", day, (reason,))
            yield Step((node,), (link,))

    def _calibration_corrections(self, calibration: Calibration) -> Iterator[tuple[Node, Link]]:
        number, bench = calibration.number, calibration.bench
        root = f"calibration {number}"
        if calibration.replaced_by is not None:
            newer = self._facts.calibrations.get(calibration.replaced_by)
            node = _calibration_node(newer, calibration.replaced_by)
            when = f" on {newer.recorded_at.date()}" if newer is not None else ""
            why = newer.bench.replacement_reason if newer is not None else None
            reason = weak(
                "calibration.replaced",
                f"{number} was replaced by {calibration.replaced_by}{when}"
                f"{f' ({why})' if why else ''}: the later record stands.",
            )
            day = newer.bench.performed_on if newer is not None else bench.performed_on
            yield (
                node,
                Link(root, node.key, "replaced by", day, (reason,), rests_on=False),
            )
        if bench.replaces is not None:
            older = self._facts.calibrations.get(bench.replaces)
            node = _calibration_node(older, bench.replaces)
            shown = (Fact("reason", bench.replacement_reason),) if bench.replacement_reason else ()
            day = older.bench.performed_on if older is not None else bench.performed_on
            yield node, Link(root, node.key, "replaces", day, (), shown, rests_on=False)


def _calibration_node(calibration: Calibration | None, number: str = "") -> Node:
    if calibration is None:
        title = not_recorded(f"calibration {number}")
        return Node(f"calibration {number}", NodeKind.CALIBRATION, title, (), False)
    bench = calibration.bench
    shown = [
        Fact("switch", bench.tag),
        Fact("performed on", str(bench.performed_on)),
        Fact("recorded", f"{calibration.recorded_at.date()} by {calibration.recorded_by}"),
        Fact("adjusted", "yes" if bench.adjusted else "no"),
    ]
    if calibration.findings:
        shown.append(Fact("findings", str(len(calibration.findings))))
    return Node(
        f"calibration {calibration.number}",
        NodeKind.CALIBRATION,
        f"{calibration.number} of {bench.tag}",
        tuple(shown),
    )


def _operating(calibration: Calibration) -> GaugeUsed | None:
    gauges = calibration.bench.gauges
    return next((g for g in gauges if g.role is GaugeRole.OPERATING), None)


def _result_node(number: str, result: Result, *, brief: bool = False) -> Node:
    if brief:
        return Node(f"result {number} {result.set_point} {result.phase}", NodeKind.RESULT, "")
    unit = symbol(result.unit)
    if result.found is None:
        value = "did not trip as required"
    elif result.expanded_uncertainty is None or not 0 < result.expanded_uncertainty < math.inf:
        value = f"{significant(result.found, 6)} {unit}"
    else:
        text, wide = with_uncertainty(result.found, result.expanded_uncertainty)
        k = f", k = {result.coverage_factor:.2f}" if result.coverage_factor is not None else ""
        value = f"{text} ± {wide} {unit} ({result.coverage_probability:.0%}{k})"
    shown = (
        Fact("found" if result.phase is Phase.AS_FOUND else "left", value),
        Fact("required", with_unit(result.required, result.unit)),
        Fact("verdict", f"{result.verdict} ({result.decision_rule})"),
    )
    return Node(
        f"result {number} {result.set_point} {result.phase}",
        NodeKind.RESULT,
        f"{result.set_point} {result.phase}: {result.verdict}",
        shown,
    )


def _readings_node(calibration: Calibration, *, brief: bool = False) -> Node:
    if brief:
        return Node(f"readings {calibration.number}", NodeKind.READINGS, "")
    shown = []
    for phase in Phase:
        labels = dict.fromkeys(c.set_point for c in calibration.bench.cycles if c.phase is phase)
        for label in labels:
            runs = [
                c for c in calibration.bench.cycles if c.phase is phase and c.set_point == label
            ]
            words = []
            for cycle in runs:
                trip = f"{cycle.trip:f}" if cycle.trip is not None else cycle.outcome.value
                reset = f"/{cycle.reset:f}" if cycle.reset is not None else ""
                static = f" at {cycle.static:f}" if cycle.static is not None else ""
                words.append(f"{trip}{reset}{static}")
            shown.append(Fact(f"{label} {phase}", ", ".join(words)))
    count = len(calibration.bench.cycles)
    return Node(
        f"readings {calibration.number}",
        NodeKind.READINGS,
        f"{counted(count, 'run')}, trip/reset as read" if count else "no readings",
        tuple(shown),
        bool(count),
    )


def _readings_on(
    calibration: Calibration,
    role: GaugeRole,
    switch: Switch | None,
    unit: str,
    result: Result | None = None,
) -> list[Reading]:
    """Every reading taken on the gauge in this role, in its unit, in the order of the runs.

    With ``result`` only those of its set point and phase.
    """
    directions = {p.label: p.direction for p in switch.set_points} if switch is not None else {}
    found = []
    for cycle in calibration.bench.cycles:
        if result and (cycle.set_point, cycle.phase) != (result.set_point, result.phase):
            continue
        name = f"{cycle.set_point} {cycle.phase} run {cycle.run}"
        trips = directions.get(cycle.set_point)
        if role is GaugeRole.STATIC:
            if cycle.static is not None:
                found.append(Reading(f"{name} static", cycle.static, unit, None))
            continue
        if cycle.trip is not None:
            found.append(Reading(f"{name} trip", cycle.trip, unit, trips, is_trip=True))
        if cycle.reset is not None:
            back = trips.opposite if trips is not None else None
            found.append(Reading(f"{name} reset", cycle.reset, unit, back))
    return found


def _mean_trip(calibration: Calibration, result: Result, trips: list[Reading]) -> list[Reading]:
    """The mean of the trips that count, as the budget takes it; empty where none does."""
    values = [
        c.trip
        for c in calibration.bench.cycles
        if (c.set_point, c.phase) == (result.set_point, result.phase)
        and c.trip is not None
        and c.outcome in (CycleOutcome.TRIPPED, CycleOutcome.NO_RESET)
    ]
    if not values:
        return []
    mean = sum(values, Decimal(0)) / len(values)
    # 12 digits: the text shows it, and a mean of three need not end
    return [replace(trips[0], name="mean trip", value=Decimal(significant(mean, 12)))]


def _not_qualified(person: Person, quantity: Quantity, day: date) -> Reason:
    own = [q for q in person.qualifications if q.quantity is quantity]
    before = max((q for q in own if q.expires_on < day), key=lambda q: q.expires_on, default=None)
    after = min((q for q in own if q.granted_on > day), key=lambda q: q.granted_on, default=None)
    detail = []
    if before is not None:
        detail.append(f"the last one ended on {before.expires_on}")
    if after is not None:
        detail.append(f"the next one began on {after.granted_on}")
    if not own:
        detail.append("none was ever granted")
    return weak(
        "person.not-qualified",
        f"{person.name} held no qualification for {quantity} on {day}: {' and '.join(detail)}.",
    )
