"""A result judged again with the error found, from its raw readings; what became of it.

The raw readings go through the same evaluation as at the bench, with a certificate that states
the error the gauge is now taken to have had; uncertainties, limits and rule stay. Module ``many``
does the same for many results at once. Both answer with a :class:`State`; :func:`consequence`
compares two of them, in one place.

*No longer sure* is a result that was accepted, is still inside its tolerance, but which the rule
no longer accepts as before, or which now lies within its expanded uncertainty of a limit and
nearer to it than was recorded. A result that was that near when it was accepted, and has not
moved, is kept: nothing changed.

Sources: metrology.evaluation; ISO/IEC 17025:2017 7.10.1 c (significance of nonconforming work,
impact on previous results). Where "no longer sure" begins is this project's choice.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from enum import StrEnum
from fractions import Fraction
from typing import NamedTuple

from calfleet.errors import CalfleetError
from calfleet.metrology.conformity import Verdict
from calfleet.metrology.direction import Direction
from calfleet.metrology.evaluation import Evaluation, GaugeUse, Method, Phase, Pooled, evaluate
from calfleet.metrology.switch import Cycle, SetPointSpec
from calfleet.metrology.units import PressureMode
from calfleet.records import Calibration, Result
from calfleet.traceability.shifts import Course, Shifts, flips, shifted_reading


class Consequence(StrEnum):
    """What the error found does to a result, worst first."""

    FLIPPED_OUT = "flipped to out of tolerance"
    NOT_SURE = "no longer sure"
    FLIPPED_IN = "falsely rejected"
    KEPT = "kept"

    @property
    def rank(self) -> int:
        return _RANK[self]


_RANK = {one: place for place, one in enumerate(Consequence)}
_VERDICT_RANK = {one: place for place, one in enumerate(Verdict)}


class State(NamedTuple):
    """How a result stands, in the switch's unit.

    ``margin``: the least distance of a judged value to its tolerance limits, negative outside;
    ``None`` where nothing was judged. ``found``: the set point found. ``low``, ``high``: the
    least and greatest judged value. ``limits``: what else is outside its limits (dead band,
    repeatability), in words; ``failed``: a run did not act.
    """

    verdict: Verdict
    margin: float | None
    found: float | None
    low: float | None
    high: float | None
    U: float
    limits: str = ""
    failed: bool = False


def consequence(before: State, after: State | None) -> Consequence:
    """What becomes of a result; ``after`` is ``None`` where the error is not known."""
    if before.failed:
        return Consequence.KEPT  # it did not act, whatever the gauge showed
    if after is None:
        return Consequence.NOT_SURE
    if not before.verdict.accepted:
        return Consequence.FLIPPED_IN if after.verdict.accepted else Consequence.KEPT
    outside = bool(after.limits) or (after.margin is not None and after.margin < 0)
    if not after.verdict.accepted:
        return Consequence.FLIPPED_OUT if outside else Consequence.NOT_SURE
    changed = after.verdict is not before.verdict
    if changed and _VERDICT_RANK[after.verdict] > _VERDICT_RANK[before.verdict]:
        return Consequence.NOT_SURE
    if after.margin is None or before.margin is None:
        return Consequence.KEPT
    nearer = after.margin < before.margin and after.margin < after.U
    return Consequence.NOT_SURE if nearer else Consequence.KEPT


# --- exactly ----------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Inputs:
    """What the evaluation took for one result: see ``metrology.evaluation.evaluate``.

    ``pooled`` should be the scatter that the recorded budget used (:func:`recorded_scatter`), so
    that the uncertainty stays what it was.
    """

    spec: SetPointSpec
    cycles: tuple[Cycle, ...]
    operating: GaugeUse
    static: GaugeUse | None
    method: Method
    phase: Phase
    pooled: Pooled | None = None
    barometric: Fraction | None = None


InputsOf = Callable[[Calibration, Result], "Inputs | None"]
"""Gives the inputs of a recorded result, ``None`` where they are not to be had."""


def recorded_scatter(result: Result) -> Pooled | None:
    """The standard deviation of a single trip that the recorded budget used, with its dof.

    ``None`` where it used none (a repeatability limit, or nothing).
    """
    components = result.budget.get("components")
    for component in components if isinstance(components, list) else []:
        if component["name"] == "repeatability" and component["distribution"] == "t":
            return float(component["u"]) * float(component["divisor"]), float(component["dof"])
    return None


@dataclass(frozen=True, slots=True)
class Placed:
    """The shifts of the gauges of a result. ``static``: of the gauge of the static reading."""

    operating: Shifts | None
    static: Shifts | None
    fraction: Fraction


def judge_exactly(inputs: Inputs, placed: Placed, course: Course | None) -> State | None:
    """The result as evaluated from its raw readings; with ``course`` after the shift.

    ``None`` where the shift is not known at one of the readings, or the evaluation refuses.
    """
    if course is None:
        return _state(_evaluated(inputs))
    shifted = _shifted(inputs, placed, course)
    if shifted is None:
        return None
    try:
        return _state(_evaluated(shifted))
    except CalfleetError:
        return None


def _evaluated(inputs: Inputs) -> Evaluation:
    return evaluate(
        inputs.spec,
        inputs.cycles,
        inputs.operating,
        inputs.static,
        inputs.method,
        phase=inputs.phase,
        pooled=inputs.pooled,
        barometric=inputs.barometric,
    )


def _state(found: Evaluation) -> State:
    values = [one.decision.value for one in found.judgements]
    margins = [
        value - limit if low else limit - value
        for value in values
        for limit, low in ((found.lower, True), (found.upper, False))
        if limit is not None
    ]
    outside = [check.reason for check in found.limit_checks if not check.inside]
    mean = found.found.mean_trip
    return State(
        verdict=found.verdict,
        margin=float(min(margins)) if margins else None,
        found=None if mean is None else float(mean),
        low=float(min(values)) if values else None,
        high=float(max(values)) if values else None,
        U=found.U,
        limits=" ".join(outside),
        failed=bool(found.found.failures),
    )


def _shifted(inputs: Inputs, placed: Placed, course: Course) -> Inputs | None:
    """The inputs with the gauges as they are now taken to have been; ``None`` where unknown."""
    operating, static = inputs.operating, inputs.static
    trips = trip_direction(inputs.spec.direction, operating.spec.mode, inputs.spec.mode)
    low_side = operating if static is None else static
    low_shifts = placed.static if static is not None else placed.operating
    held = static_direction(low_side, inputs.spec.mode)
    fraction = placed.fraction
    counted = operating.spec.mode is not PressureMode.DIFFERENTIAL and any(
        cycle.static for cycle in inputs.cycles
    )

    def moved(
        use: GaugeUse, shifts: Shifts | None, value: Fraction | None, direction: Direction
    ) -> Fraction | None:
        if value is None or shifts is None:
            return value
        if shifts.at(value, direction, course, fraction) is None:
            raise _UnknownShift
        return shifted_reading(use, shifts, value, direction, course, fraction)

    try:
        cycles = tuple(
            replace(
                cycle,
                trip=moved(operating, placed.operating, cycle.trip, trips),
                reset=moved(operating, placed.operating, cycle.reset, trips.opposite),
                static=moved(low_side, low_shifts, cycle.static, held) if counted else cycle.static,
            )
            for cycle in inputs.cycles
        )
        if placed.operating is not None:
            operating = placed.operating.use(operating, course, fraction)
        if static is not None and placed.static is not None:
            static = placed.static.use(static, course, fraction)
    except (_UnknownShift, CalfleetError):
        return None
    return replace(inputs, cycles=cycles, operating=operating, static=static)


class _UnknownShift(Exception):
    """The shift is not known at a reading; never leaves this module."""


def trip_direction(
    wanted: Direction, gauge: PressureMode | None, switch: PressureMode | None
) -> Direction:
    """The way the gauge's reading moved when the switch's value moved the ``wanted`` way."""
    return wanted.opposite if flips(gauge, switch) else wanted


def static_direction(use: GaugeUse, switch: PressureMode | None) -> Direction:
    """From which side a locked static pressure was set: raised, as in the evaluation."""
    wanted = trip_direction(Direction.RISING, use.spec.mode, switch)
    held = use.curve.directions
    return wanted if not held or wanted in held else held[0]
