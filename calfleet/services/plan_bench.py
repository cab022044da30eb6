"""What a technician needs before the first reading: cautions, gauges, targets, what is due."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from decimal import Decimal
from fractions import Fraction
from typing import TYPE_CHECKING

from calfleet.errors import GaugeRefused, ReadingRefused, RecordRefused, Refused
from calfleet.metrology.pressure import GaugeTargets, gauge_targets
from calfleet.metrology.switch import Cycle as SeenCycle
from calfleet.metrology.switch import Outcome, dead_band
from calfleet.metrology.units import PressureMode, convert_difference
from calfleet.records import (
    Certificate,
    Gauge,
    ProcedureRevision,
    SetPoint,
    Switch,
    SwitchStatus,
)
from calfleet.scheduling.due import Standing
from calfleet.services.bench_facts import in_force
from calfleet.services.cautions import Caution, cautions_for
from calfleet.services.choose_procedure import procedure_revision
from calfleet.services.fit_gauges import GaugeOption, fit_gauges
from calfleet.services.list_due import switch_standing
from calfleet.services.measurands import gauge_use, set_point_spec
from calfleet.services.nearest import pick
from calfleet.services.plan_facts import due_facts
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
        standing=switch_standing(
            switch,
            list(context.performed[name]),
            context.facts,
            on,
            first_use=min(s.effective_on for s in revisions),
            moved_by=due_facts(session),
        ),
        on=on,
        context=context,
    )


@dataclass(frozen=True, slots=True)
class TargetLine:
    """What the gauge should read for one set point; ``needs_static`` when static is read too."""

    point: SetPoint
    targets: GaugeTargets
    needs_static: bool


def reads_static(switch: Switch, gauge: Gauge) -> bool:
    """Whether the static pressure is part of what this gauge shows."""
    return bool(switch.static_nominal) and gauge.mode is not PressureMode.DIFFERENTIAL


def targets_for(
    switch: Switch, gauge: Gauge, static: Decimal | None = None
) -> tuple[TargetLine, ...]:
    """The gauge readings to go for, one line per set point, in the gauge's own unit.

    ``static``: as read on this gauge, in its unit; ``None`` takes the nominal static pressure.

    Raises: ReadingRefused for a static reading where none is read.
    """
    needs = reads_static(switch, gauge)
    if static and not needs:
        why = (
            f"{gauge.code} is a differential gauge and reads the difference itself"
            if switch.static_nominal
            else f"{switch.tag} has no static pressure on its data sheet"
        )
        raise ReadingRefused(
            f"A static reading of {static} {gauge.unit} has no place here: {why}.",
            rule="A static reading belongs to a gauge that shows static and operating pressure.",
            next_step="Leave it out, or name another gauge.",
        )
    value: Fraction | None = None
    if needs and static is not None:
        value = Fraction(static)
        if not gauge.range_low <= static <= gauge.range_high:
            raise ReadingRefused(
                f"The static reading {static} {gauge.unit} is outside the range of {gauge.code}, "
                f"{gauge.range_low} to {gauge.range_high} {gauge.unit}.",
                rule="A reading lies inside the range of its gauge.",
                next_step="Check the reading and its unit.",
            )
    elif needs and switch.line_unit is not None:
        value = convert_difference(Fraction(switch.static_nominal), switch.line_unit, gauge.unit)
    return tuple(
        TargetLine(
            p,
            gauge_targets(set_point_spec(switch, p), value, gauge.unit, Fraction(gauge.resolution)),
            needs,
        )
        for p in switch.set_points
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
) -> list[Comment]:
    """What there is to say about one run, gauge readings in the gauge's unit; may be empty.

    A reading outside the gauge, a reset on the wrong side, or a trip outside the adjustable range
    asks for the reading again; outside the tolerance, or a dead band outside its limits, is said.
    """
    gauge = option.gauge
    comments: list[Comment] = []
    for what, value in (("static", static), ("trip", trip), ("reset", reset)):
        if value is not None and not gauge.range_low <= value <= gauge.range_high:
            comments.append(
                Comment(
                    f"The {what} {value} {gauge.unit} is outside the range of {gauge.code}, "
                    f"{gauge.range_low} to {gauge.range_high} {gauge.unit}.",
                    True,
                )
            )
    if comments or trip is None:
        return comments
    spec = set_point_spec(plan.switch, point)
    if reset is not None and gauge.mode is not PressureMode.VACUUM:
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
        seen = _seen(plan, option, point, trip, reset, static)
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
    found = evaluate(
        set_point_spec(plan.switch, point),
        [run],
        gauge_use(option.gauge, certificate, plan.on, None),
    )
    one = found.runs[0]
    return SeenCycle(1, one.trip, one.reset, None, Outcome.TRIPPED)
