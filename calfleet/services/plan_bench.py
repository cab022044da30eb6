"""What a technician needs before the first reading: cautions, gauges, targets, what is due."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from decimal import Decimal
from fractions import Fraction
from typing import TYPE_CHECKING

from calfleet.errors import GaugeRefused, ReadingRefused, RecordRefused, Refused
from calfleet.metrology.pressure import GaugeTargets, Head, air_density, gauge_targets
from calfleet.metrology.switch import Cycle as SeenCycle
from calfleet.metrology.switch import Outcome, dead_band
from calfleet.metrology.units import PressureMode, convert, convert_difference
from calfleet.records import (
    BenchRecord,
    Certificate,
    Gauge,
    GaugeStatus,
    ProcedureRevision,
    Quantity,
    SetPoint,
    Switch,
    SwitchStatus,
)
from calfleet.scheduling.due import Standing
from calfleet.services.bench_facts import in_force
from calfleet.services.cautions import Caution, cautions_for
from calfleet.services.choose_procedure import procedure_revision
from calfleet.services.fit_gauges import GaugeOption, fit_gauges, planning_atmosphere
from calfleet.services.list_due import gather_dates
from calfleet.services.measurands import gauge_use, method, set_point_spec
from calfleet.services.nearest import pick
from calfleet.services.record import Context, context_for

if TYPE_CHECKING:
    from sqlalchemy.orm import Session


@dataclass(frozen=True)
class BenchPlan:
    """One job prepared: the switch, how it is done, what to watch, which gauges would do."""

    switch: Switch
    procedure: ProcedureRevision
    cautions: tuple[Caution, ...]
    options: tuple[GaugeOption, ...]
    standing: Standing
    on: date
    context: Context

    @property
    def usable(self) -> tuple[GaugeOption, ...]:
        return tuple(o for o in self.options if o.usable)

    def option(self, code: str) -> GaugeOption:
        """The gauge of that code, which will do.

        Raises: UnknownName; GaugeRefused with the reasons and the gauges that would do.
        """
        found = pick("gauge", code, {o.gauge.code: o for o in self.options})
        if not found.usable:
            raise GaugeRefused(
                f"{found.gauge.code} cannot be used for {self.switch.tag} on {self.on}: "
                f"{'; '.join(found.reasons)}.",
                rule="A reference gauge is in service, in date, in range and good enough.",
                next_step="Would do: "
                + (", ".join(o.gauge.code for o in self.usable) or "none")
                + ".",
            )
        return found


def plan_bench(session: Session, tag: str, *, on: date) -> BenchPlan:
    """The job of calibrating ``tag`` on ``on``, prepared.

    Raises: UnknownName, RecordRefused for a switch that is not there to be calibrated.
    """
    context = context_for(session, tag)
    ((name, revisions),) = context.switches.items()
    switch = in_force(revisions, on)
    if switch is None or switch.status is SwitchStatus.SCRAPPED:
        state = "has no data sheet in force" if switch is None else "is scrapped"
        raise RecordRefused(
            f"{name} {state} on {on}.",
            rule="A switch is calibrated by the data sheet in force.",
            next_step="Check the tag and the date.",
        )
    procedure = procedure_revision(context.facts.procedures, switch.procedure, None, on)
    return BenchPlan(
        switch=switch,
        procedure=procedure,
        cautions=cautions_for(switch, procedure.hazards),
        options=tuple(fit_gauges(switch, context.facts, on, cache=context.cache)),
        standing=gather_dates(session, on, context.facts).standing(switch),
        on=on,
        context=context,
    )


@dataclass(frozen=True, slots=True)
class TargetLine:
    """What the gauge should read for one set point; ``needs_static`` when static is read too.

    ``needs_barometer``: the gauge counts from the air and the switch from zero pressure, or the
    other way round; without a barometric pressure the target is for the standard atmosphere.
    """

    point: SetPoint
    targets: GaugeTargets
    needs_static: bool
    needs_barometer: bool = False


BAROMETER_UNIT = "hPa"
"""In which the pressure of the air is asked for."""


def reads_static(switch: Switch, gauge: Gauge) -> bool:
    """Whether the static pressure is part of what this gauge shows."""
    return bool(switch.static_nominal) and gauge.mode is not PressureMode.DIFFERENTIAL


def needs_barometer(switch: Switch, gauge: Gauge) -> bool:
    """Whether gauge and absolute pressure meet, so that the pressure of the air enters."""
    if switch.quantity in (Quantity.TEMPERATURE, Quantity.DIFFERENTIAL):
        return False
    absolute = switch.quantity is Quantity.ABSOLUTE
    return absolute is not (gauge.mode is PressureMode.ABSOLUTE)


@dataclass(frozen=True, slots=True)
class Tools:
    """The gauges of one job: what reads the operating pressure, and what the static one."""

    operating: GaugeOption
    static: Gauge | None = None
    """A second gauge for the static pressure; ``None``: the operating one reads both."""
    static_certificate: Certificate | None = None


def choose_tools(plan: BenchPlan, gauge: str | None, static_gauge: str | None) -> Tools:
    """The gauge named or of first choice, and the second gauge where one is named.

    Raises: GaugeRefused with the reasons; UnknownName.
    """
    if gauge is not None:
        option = plan.option(gauge)
    elif plan.usable:
        option = plan.usable[0]
    else:
        near = plan.options[0] if plan.options else None
        raise GaugeRefused(
            f"No reference gauge will do for {plan.switch.tag} on {plan.on}.",
            rule=f"Nearest: {near.gauge.code}, {'; '.join(near.reasons)}." if near else "",
            next_step=f"'calfleet gauges --for {plan.switch.tag}' shows each with its reason.",
        )
    if static_gauge is None:
        return Tools(option)
    second = pick("gauge", static_gauge, {o.gauge.code: o.gauge for o in plan.options})
    if second.code == option.gauge.code:
        return Tools(option)
    return Tools(option, second, static_certificate(plan, option.gauge, second))


def static_certificate(plan: BenchPlan, operating: Gauge, second: Gauge) -> Certificate:
    """The certificate that the second gauge stands on.

    Raises: GaugeRefused for a gauge that cannot read the static pressure of the job.
    """
    facts = plan.context.facts
    held = facts.certificate_on(second.code, plan.on)
    reasons = []
    if not reads_static(plan.switch, operating):
        reasons.append(f"{plan.switch.tag} on {operating.code} needs no static reading")
    if second.mode not in (PressureMode.GAUGE, PressureMode.ABSOLUTE):
        reasons.append("a static pressure is read on a gauge-pressure gauge")
    if second.status is not GaugeStatus.IN_SERVICE:
        reasons.append(f"{second.status} since {second.effective_on}")
    if held is None:
        reasons.append(f"no certificate on {plan.on}")
    elif facts.valid_until(held) < plan.on:
        reasons.append(f"overdue since {facts.valid_until(held)} (certificate {held.number})")
    if held is None or reasons:
        raise GaugeRefused(
            f"{second.code} cannot read the static pressure of {plan.switch.tag}: "
            f"{'; '.join(reasons)}.",
            rule="The static gauge is in service, in date, and reads the pressure of the line.",
            next_step="Name another gauge, or leave it out: the operating gauge reads both.",
        )
    return held


def usual_head(height_m: Decimal | None, density: Decimal | None, switch: Switch) -> Fraction:
    """What ``switch`` sees more than the gauge, in its unit, in the air of a usual room.

    For targets, before the room is known; zero where height or fluid is not told. A higher
    pressure is less vacuum.
    """
    if height_m is None or density is None:
        return Fraction(0)
    air = Fraction(f"{air_density(20, 101_325, 0.5):.6f}")
    more = Head(Fraction(height_m), Fraction(density), air).pressure(switch.unit)
    return -more if switch.quantity is Quantity.VACUUM else more


def targets_for(
    switch: Switch,
    gauge: Gauge,
    static: Decimal | None = None,
    *,
    static_gauge: Gauge | None = None,
    barometric: Fraction | None = None,
    head: Fraction = Fraction(0),
) -> tuple[TargetLine, ...]:
    """The gauge readings to go for, one line per set point, in the gauge's own unit.

    ``static``: as read on ``static_gauge`` (on ``gauge`` where that is ``None``), in its unit;
    ``None`` takes the nominal static pressure. ``barometric``: in the switch's unit; ``None`` takes
    the standard atmosphere where one is needed. ``head``: what the switch sees more than the gauge,
    in the switch's unit; it lowers every target.

    Raises: ReadingRefused for a static reading where none is read.
    """
    needs = reads_static(switch, gauge)
    reader = static_gauge or gauge
    if static and not needs:
        why = (
            f"{gauge.code} is a differential gauge and reads the difference itself"
            if switch.static_nominal
            else f"{switch.tag} has no static pressure on its data sheet"
        )
        raise ReadingRefused(
            f"A static reading of {static} {reader.unit} has no place here: {why}.",
            rule="A static reading belongs to a gauge that shows static and operating pressure.",
            next_step="Leave it out, or name another gauge.",
        )
    value: Fraction | None = None
    if needs and static is not None:
        value = Fraction(static)
        if not reader.range_low <= static <= reader.range_high:
            raise ReadingRefused(
                f"The static reading {static} {reader.unit} is outside the range of "
                f"{reader.code}, {reader.range_low} to {reader.range_high} {reader.unit}.",
                rule="A reading lies inside the range of its gauge.",
                next_step="Check the reading and its unit.",
            )
    elif needs and switch.line_unit is not None:
        value = convert_difference(Fraction(switch.static_nominal), switch.line_unit, reader.unit)
    air = needs_barometer(switch, gauge)
    specs = [set_point_spec(switch, p) for p in switch.set_points]
    return tuple(
        TargetLine(
            point,
            gauge_targets(
                spec,
                value,
                gauge.unit,
                Fraction(gauge.resolution),
                static_unit=reader.unit,
                head=head,
                gauge_mode=gauge.mode,
                barometric=(barometric or planning_atmosphere(spec)) if air else None,
            ),
            needs,
            air,
        )
        for point, spec in zip(switch.set_points, specs, strict=True)
    )


@dataclass(frozen=True, slots=True)
class Comment:
    """What is said about a reading at once; ``again`` asks for it to be read once more."""

    text: str
    again: bool


def comment_on_cycle(
    plan: BenchPlan,
    option: GaugeOption,
    point: SetPoint,
    *,
    trip: Decimal | None,
    reset: Decimal | None,
    static: Decimal | None,
    as_left: bool,
    static_gauge: Gauge | None = None,
    bench: BenchRecord | None = None,
) -> list[Comment]:
    """What there is to say about one run, gauge readings in the gauge's unit; may be empty.

    ``static_gauge`` reads the static pressure where it is not the same gauge; ``bench``: what is
    entered so far, for the air and the head.

    A reading outside the gauge, a reset on the wrong side, or a trip outside the adjustable range
    asks for the reading again; outside the tolerance, or a dead band outside its limits, is said.
    """
    gauge = option.gauge
    comments: list[Comment] = []
    read = (
        ("static", static, static_gauge or gauge),
        ("trip", trip, gauge),
        ("reset", reset, gauge),
    )
    for what, value, on in read:
        if value is not None and not on.range_low <= value <= on.range_high:
            comments.append(
                Comment(
                    f"The {what} {value} {on.unit} is outside the range of {on.code}, "
                    f"{on.range_low} to {on.range_high} {on.unit}.",
                    True,
                )
            )
    if comments or trip is None:
        return comments
    spec = set_point_spec(plan.switch, point)
    if reset is not None and PressureMode.VACUUM not in (gauge.mode, spec.mode):
        rising = spec.direction == "rising"
        if reset > trip if rising else reset < trip:
            side, right = ("above", "below") if rising else ("below", "above")
            return [
                Comment(
                    f"The reset {reset} {gauge.unit} is {side} the trip {trip} {gauge.unit}; a "
                    f"{spec.direction} set point resets {right} its trip.",
                    True,
                )
            ]
    try:
        seen = _seen(plan, option, point, trip, reset, static, static_gauge, bench)
    except Refused as refusal:  # reset on the wrong side, or beyond the certificate
        return [Comment(f"{refusal.message} {refusal.next_step}", True)]
    if seen.trip is None:
        return comments
    unit = plan.switch.unit
    if not spec.range_low <= seen.trip <= spec.range_high:
        comments.append(
            Comment(
                f"A trip at {float(seen.trip):.6g} {unit} is outside the adjustable range, "
                f"{plan.switch.range_low} to {plan.switch.range_high} {unit}.",
                True,
            )
        )
    lower, upper = spec.limits(as_left=as_left)
    outside = (lower is not None and seen.trip < lower) or (upper is not None and seen.trip > upper)
    if outside:
        error = float(seen.trip - spec.set_point)
        late = (error > 0) is (spec.direction == "rising")
        comments.append(
            Comment(
                f"Outside the {'as-left band' if as_left else 'tolerance'}: trip "
                f"{float(seen.trip):.6g} {unit}, error {error:+.3g} {unit} "
                f"({'late' if late else 'early'}).",
                False,
            )
        )
    if seen.reset is not None:
        band = dead_band(seen.trip, seen.reset, spec.direction)
        low, high = spec.dead_band_min, spec.dead_band_max
        if (low is not None and band < low) or (high is not None and band > high):
            comments.append(
                Comment(f"Dead band {float(band):.4g} {unit} is outside its limits.", False)
            )
    return comments


def _seen(
    plan: BenchPlan,
    option: GaugeOption,
    point: SetPoint,
    trip: Decimal,
    reset: Decimal | None,
    static: Decimal | None,
    static_gauge: Gauge | None,
    bench: BenchRecord | None,
) -> SeenCycle:
    """One run as the switch saw it, corrected, in its unit; by the same code that will judge it."""
    from calfleet.metrology.evaluation import evaluate

    certificate: Certificate = plan.context.facts.certificates[option.certificate or ""]
    run = SeenCycle(
        1,
        Fraction(trip),
        None if reset is None else Fraction(reset),
        None if static is None else Fraction(static),
        Outcome.TRIPPED,
    )
    second, air = None, None
    if static_gauge is not None and static_gauge.code != option.gauge.code:
        held = static_certificate(plan, option.gauge, static_gauge)
        second = gauge_use(static_gauge, held, plan.on, None)
    if bench is not None and bench.barometric is not None and bench.barometric_unit is not None:
        air = convert(bench.barometric, bench.barometric_unit, plan.switch.unit)
    found = evaluate(
        set_point_spec(plan.switch, point),
        [run],
        gauge_use(option.gauge, certificate, plan.on, None),
        second,
        method(plan.procedure, plan.switch, bench),
        barometric=air,
    )
    one = found.runs[0]
    return SeenCycle(1, one.trip, one.reset, None, Outcome.TRIPPED)
