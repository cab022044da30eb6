"""All that a bench sheet says of one job, as plain data: printed, recorded, and checked on return.

Nothing is worked out anywhere else: targets are those of ``targets``, limits those of the
evaluation, and what a live formula of a workbook needs is given as figures here.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date
from decimal import Decimal
from fractions import Fraction

from calfleet.errors import CalfleetError, ExtrapolationRefused
from calfleet.metrology.certificate import CertificateCurve
from calfleet.metrology.direction import Direction
from calfleet.metrology.evaluation import GaugeUse, outlook
from calfleet.metrology.rounding import (
    cut_ratio,
    decimal_text,
    exact_text,
    percent,
    significant,
    to_resolution,
)
from calfleet.metrology.switch import SetPointSpec
from calfleet.metrology.units import (
    Dimension,
    PressureMode,
    convert,
    convert_difference,
    find_unit,
)
from calfleet.records import (
    Certificate,
    Gauge,
    GaugeRole,
    Quantity,
    Role,
    SetPoint,
    Switch,
)
from calfleet.services.cautions import DEFERENCE
from calfleet.services.fit_gauges import planning_atmosphere
from calfleet.services.measurands import gauge_use, method, pooled_for, set_point_spec
from calfleet.services.plan_bench import (
    BAROMETER_UNIT,
    BenchPlan,
    TargetLine,
    Tools,
    needs_barometer,
    reads_static,
    targets_for,
)
from calfleet.services.record import able_people

FORM = "1"
"""The form of sheets: what stands where. A sheet of another form does not come back."""
RETURN_CHECKS = (
    "Valves lined up by the site's list",
    "Joints leak-tested at process pressure",
    "Wiring and terminals made good, cover closed",
    "Contact in its state of normal process",
    "Bypass removed and its removal confirmed",
    "Alarm clear, confirmed by the control room",
)
"""In this order: line-up, leak, wiring, contact, bypass, alarm. Common practice, no source."""


@dataclass(frozen=True, slots=True)
class HandOut:
    """Who hands out, when, and from which database (``identity``: of its first audit entry)."""

    on: date
    by: str
    by_name: str
    site_code: str
    site_name: str
    identity: str


def sheet_content(
    plan: BenchPlan, tools: Tools, static: Decimal | None, areas: dict[str, str], given: HandOut
) -> dict[str, object]:
    """Everything printed on the sheet of one job, as plain data.

    ``static``: as read beforehand, in the unit of the gauge that reads it; ``None``: the nominal.

    Raises: ReadingRefused for a static reading that has no place; CalfleetError where no target
    or budget can be stated.
    """
    switch, procedure, gauge = plan.switch, plan.procedure, tools.operating.gauge
    lines = targets_for(switch, gauge, static, static_gauge=tools.static)
    return {
        "form": FORM,
        "site": {
            "code": given.site_code, "name": given.site_name, "identity": given.identity,
        },
        "handed_out": {"on": given.on.isoformat(), "by": given.by, "name": given.by_name},
        "for_on": plan.on.isoformat(),
        "due": {"on": _day(plan.standing.due_on), "why": plan.standing.why},
        "switch": _switch(switch, areas),
        "procedure": {
            "code": procedure.code,
            "revision": procedure.revision,
            "title": procedure.title,
            "steps": list(procedure.steps),
            "as_found_runs": procedure.as_found_runs,
            "as_left_runs": procedure.as_left_runs,
            "exercise_cycles": procedure.exercise_cycles,
            "temperature": [
                exact_text(procedure.temperature_min_c), exact_text(procedure.temperature_max_c),
            ],
            "humidity_max": percent(procedure.humidity_max),
        },
        "cautions": [[c.heading, c.text] for c in plan.cautions],
        "deference": DEFERENCE,
        "gauges": _gauges(plan, tools),
        "static": _static(switch, gauge, tools, static, lines),
        "barometer": BAROMETER_UNIT if needs_barometer(switch, gauge) else None,
        "head": switch.quantity is not Quantity.TEMPERATURE,
        "figures": _figures(plan, tools),
        "points": [
            _point(plan, tools, point, line)
            for point, line in zip(switch.set_points, lines, strict=True)
        ],
        "people": _people(plan),
        "checks": list(RETURN_CHECKS),
    }  # fmt: skip


def _day(value: date | None) -> str | None:
    return None if value is None else value.isoformat()


def _switch(switch: Switch, areas: dict[str, str]) -> dict[str, object]:
    return {
        "tag": switch.tag,
        "revision": switch.revision,
        "serial": switch.serial,
        "service": switch.service,
        "area": switch.area,
        "area_name": areas.get(switch.area, ""),
        "family": switch.family,
        "quantity": str(switch.quantity),
        "unit": switch.unit,
        "symbol": find_unit(switch.unit).symbol,
        "range": [format(switch.range_low, "f"), format(switch.range_high, "f")],
        "static": f"{switch.static_nominal} {switch.line_unit}" if switch.static_nominal else "",
        "proof": f"{switch.proof_pressure} {switch.line_unit}" if switch.proof_pressure else "",
        "medium": switch.medium,
        "hazards": [str(h) for h in switch.hazards],
        "criticality": str(switch.criticality),
        "minutes": switch.bench_minutes,
    }


def _people(plan: BenchPlan) -> list[dict[str, object]]:
    """Everybody, by code; who may perform the job says so."""
    people = plan.context.facts.people
    able = {p.code for p in able_people(people.values(), plan.switch.quantity, plan.on)}
    return [
        {"code": p.code, "name": p.name, "able": p.code in able}
        for p in sorted(people.values(), key=lambda p: p.code)
        if p.code in able or any(p.holds(role, plan.on) for role in Role)
    ]


# --- gauges -----------------------------------------------------------------------------


def _gauges(plan: BenchPlan, tools: Tools) -> list[dict[str, object]]:
    option = tools.operating
    certificate = plan.context.facts.certificates[option.certificate or ""]
    found = [_gauge(plan, GaugeRole.OPERATING, option.gauge, certificate)]
    ratio = "not defined" if option.tur is None else f"{cut_ratio(option.tur)}:1"
    found[0]["tur"] = ratio
    if tools.static is not None and tools.static_certificate is not None:
        found.append(_gauge(plan, GaugeRole.STATIC, tools.static, tools.static_certificate))
    return found


def _gauge(
    plan: BenchPlan, role: GaugeRole, gauge: Gauge, certificate: Certificate
) -> dict[str, object]:
    return {
        "role": str(role),
        "code": gauge.code,
        "description": gauge.description,
        "serial": gauge.serial,
        "certificate": certificate.number,
        "calibrated_on": certificate.calibrated_on.isoformat(),
        "valid_until": plan.context.facts.valid_until(certificate).isoformat(),
        "unit": gauge.unit,
        "symbol": find_unit(gauge.unit).symbol,
        "range": [format(gauge.range_low, "f"), format(gauge.range_high, "f")],
        "resolution": format(gauge.resolution, "f"),
        "reads": str(gauge.mode or "temperature"),
        "corrected": gauge.use_corrections,
    }


def _static(
    switch: Switch, gauge: Gauge, tools: Tools, given: Decimal | None, lines: Iterable[TargetLine]
) -> dict[str, object] | None:
    """How the static pressure is read; ``None`` where it is not."""
    if not reads_static(switch, gauge):
        return None
    reader = tools.static or gauge
    nominal = convert_difference(switch.static_nominal, switch.line_unit or "", reader.unit)
    return {
        "gauge": reader.code,
        "unit": reader.unit,
        "symbol": find_unit(reader.unit).symbol,
        "nominal": _on_gauge(to_resolution(nominal, reader.resolution), reader) or "",
        "value": float(nominal if given is None else Fraction(given)),
        "given": None if given is None else format(given, "f"),
    }


# --- what the live formulas stand on ----------------------------------------------------


def _figures(plan: BenchPlan, tools: Tools) -> dict[str, object]:
    """How a reading becomes what the switch saw, in its unit.

    seen = factor (reading - error) + offset + air x barometric pressure, less the same of the
    static reading, plus the head.
    """
    switch = plan.switch
    operating = tools.operating.gauge
    reader = tools.static or operating
    facts = plan.context.facts
    curve = _use(plan, operating, facts.certificates[tools.operating.certificate or ""]).curve
    figures: dict[str, object] = {
        **reading_map(switch, operating, reader, operating),
        "step": format(operating.resolution, "f"),
        "curves": _curves(curve, operating),
        "static": None,
        "pascal": None,
        "barometer": None,
    }
    if switch.quantity is not Quantity.TEMPERATURE:
        # a higher pressure is less vacuum
        sign = -1 if switch.quantity is Quantity.VACUUM else 1
        figures["pascal"] = sign * float(convert_difference(1, "Pa", switch.unit))
        figures["barometer"] = float(convert_difference(1, BAROMETER_UNIT, switch.unit))
    if reads_static(switch, operating):
        second = curve
        if tools.static is not None and tools.static_certificate is not None:
            second = _use(plan, tools.static, tools.static_certificate).curve
        figures["static"] = {
            **reading_map(switch, operating, reader, reader),
            "to_gauge": float(convert_difference(1, reader.unit, operating.unit)),
            "curves": _curves(second, reader),
        }
    return figures


def reading_map(switch: Switch, operating: Gauge, reader: Gauge, gauge: Gauge) -> dict[str, object]:
    """Factor, offset and share of the air that turn a reading of ``gauge`` into the switch's unit.

    ``reader`` reads the static pressure. ``flips``: a rising reading is a falling pressure.
    """
    dimension = find_unit(switch.unit).dimension
    offset = convert(0, gauge.unit, switch.unit) if dimension is Dimension.TEMPERATURE else 0
    factor = convert_difference(1, gauge.unit, switch.unit)
    target = set_point_spec(switch, switch.set_points[0]).mode
    if target is PressureMode.DIFFERENTIAL and operating.mode is not PressureMode.DIFFERENTIAL:
        both = operating.mode is PressureMode.ABSOLUTE and reader.mode is PressureMode.ABSOLUTE
        target = PressureMode.ABSOLUTE if both else PressureMode.GAUGE
    source = gauge.mode
    flips, air = False, 0
    if source is not None and target is not None and source is not target:
        flips = (source is PressureMode.VACUUM) is not (target is PressureMode.VACUUM)
        if (source is PressureMode.ABSOLUTE) is not (target is PressureMode.ABSOLUTE):
            air = -1 if target is PressureMode.GAUGE else 1
    return {
        "factor": float(-factor if flips else factor),
        "offset": float(offset),
        "air": air,
        "flips": flips,
    }


def _use(plan: BenchPlan, gauge: Gauge, certificate: Certificate) -> GaugeUse:
    return gauge_use(gauge, certificate, plan.on, None)


def _curves(curve: CertificateCurve, gauge: Gauge) -> dict[str, object]:
    """Per direction of the reading: the certificate's points (indication, error) and its reach.

    The errors are zero where the gauge is used without corrections; ``None`` where the certificate
    has no points of that direction.
    """
    found: dict[str, object] = {}
    for direction in Direction:
        try:
            low, high = curve.range(direction)
            points = curve.line(direction)
        except ExtrapolationRefused:
            found[str(direction)] = None
            continue
        found[str(direction)] = {
            "reach": [float(low), float(high)],
            "points": [
                [float(x), float(error) if gauge.use_corrections else 0.0] for x, error in points
            ],
        }
    return found


# --- set points -------------------------------------------------------------------------


def _point(plan: BenchPlan, tools: Tools, point: SetPoint, line: TargetLine) -> dict[str, object]:
    switch = plan.switch
    spec = set_point_spec(switch, point)
    targets = line.targets
    return {
        "label": point.label,
        "value": format(point.value, "f"),
        "direction": str(point.direction),
        "action": point.action,
        "contact": point.contact_form,
        "energised": point.energised_state,
        "dead_band": [_exact(spec.dead_band_min), _exact(spec.dead_band_max)],
        "dead_band_kind": point.dead_band_kind,
        "repeatability": _exact(spec.repeatability_limit),
        "required": _required(spec),
        "ends": [float(spec.bottom), float(spec.top)],
        "resets": [_double(x) for x in spec.reset_limits()],
        "limits": {
            "as-found": _limits(plan, tools, spec, as_left=False),
            "as-left": _limits(plan, tools, spec, as_left=True),
        },
        "targets": {
            name: _on_gauge(getattr(targets, name), tools.operating.gauge)
            for name in (
                "static", "start", "set_point", "lower", "upper", "as_left_lower",
                "as_left_upper", "reset_low", "reset_high", "exercise_bottom", "exercise_top",
            )
        },
    }  # fmt: skip


def _required(spec: SetPointSpec) -> dict[str, str]:
    """The limits in the switch's unit, in words."""

    def window(low: Fraction | None, high: Fraction | None) -> str:
        ends = ["open" if x is None else _shown(x) for x in (low, high)]
        return " to ".join(ends)

    return {
        "tolerance": window(*spec.limits()),
        "as_left": window(*spec.limits(as_left=True)),
    }


def _shown(value: Fraction) -> str:
    text = exact_text(value)
    return text if "/" not in text and len(text) <= 12 else significant(value, 7)


def _limits(
    plan: BenchPlan, tools: Tools, spec: SetPointSpec, *, as_left: bool
) -> dict[str, object]:
    """Tolerance (or as-left band) and the acceptance limits expected, in the switch's unit."""
    lower, upper = spec.limits(as_left=as_left)
    plain: dict[str, object] = {
        "lower": _double(lower),
        "upper": _double(upper),
        "accept_lower": _double(lower),
        "accept_upper": _double(upper),
        "rule": plan.procedure.decision_rule,
    }
    try:
        expected = _outlook(plan, tools, spec, as_left=as_left)
    except CalfleetError:  # the gauge will do, but no interval can be stated before the readings
        return plain
    plain["accept_lower"] = _double(expected.zone.lower)
    plain["accept_upper"] = _double(expected.zone.upper)
    plain["rule"] = expected.zone.statement
    return plain


def _outlook(plan: BenchPlan, tools: Tools, spec: SetPointSpec, *, as_left: bool):  # type: ignore[no-untyped-def]
    facts, switch = plan.context.facts, plan.switch
    gauge = tools.operating.gauge
    static_use = None
    static_value = None
    if reads_static(switch, gauge):
        reader = tools.static or gauge
        static_value = convert_difference(
            switch.static_nominal, switch.line_unit or "", reader.unit
        )
        if tools.static is not None and tools.static_certificate is not None:
            static_use = _use(plan, tools.static, tools.static_certificate)
    return outlook(
        spec,
        static_value,
        _use(plan, gauge, facts.certificates[tools.operating.certificate or ""]),
        static_use,
        method(plan.procedure, switch),
        pooled_for(switch, dict(facts.repeatability)),
        as_left=as_left,
        barometric=planning_atmosphere(spec) if needs_barometer(switch, gauge) else None,
    )


def _on_gauge(value: Fraction | None, gauge: Gauge) -> str | None:
    """A reading with the decimals that the gauge shows."""
    if value is None:
        return None
    places = max(0, -int(gauge.resolution.as_tuple().exponent))
    return decimal_text(value, places)


def _exact(value: Fraction | None) -> str | None:
    return None if value is None else exact_text(value)


def _double(value: Fraction | None) -> float | None:
    return None if value is None else float(value)
