"""Trip and reset readings to set point, dead band, repeatability, and the sign of the error.

All pressures here are what the switch saw, corrected, in the switch's own unit, exact. Definitions
that differ between shops are fixed here and said aloud:

- *set point found*: mean of the trips, approached the stated way; the first trip is kept apart,
  because it is what the plant would have had;
- *dead band*: mean of trip minus reset per cycle, taken positive (never mean trip minus mean reset
  of unequal numbers of readings);
- *repeatability*: largest minus smallest trip, same direction (not a standard deviation);
- *late*: the switch acts after the required point on the way there, the non-conservative side
  (rising: above, falling: below); *early* otherwise.

Source for these: common practice, no source; dead band and repeatability terms as in ISA-51.1 (from
memory).
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from enum import StrEnum
from fractions import Fraction
from typing import Any

from calfleet.errors import BadQuantity, ReadingRefused
from calfleet.metrology.direction import Direction
from calfleet.metrology.readings import Sample, exact_mean, summarize
from calfleet.metrology.rounding import exact_text, significant
from calfleet.metrology.units import (
    Dimension,
    Number,
    PressureMode,
    at_most,
    convert,
    exact,
    find_unit,
    less,
)


class ToleranceBasis(StrEnum):
    """What a tolerance figure is a part of; the same 1 % is four different widths."""

    ABSOLUTE = "absolute"
    SPAN = "% of span"
    UPPER = "% of upper range value"
    SET_POINT = "% of set point"


def _optional(value: Number | None) -> Fraction | None:
    return None if value is None else exact(value)


def _shown(value: Fraction) -> str:
    text = exact_text(value)
    return text if "/" not in text and len(text) <= 14 else significant(value, 8)


@dataclass(frozen=True, slots=True)
class Tolerance:
    """How far a value may lie below (``minus``) and above (``plus``) the set point.

    Both are magnitudes of at least zero in the terms of ``basis``; None leaves that side open. At
    least one is given and at least one is above zero.

    Raises BadQuantity outside these domains.
    """

    minus: Fraction | None
    plus: Fraction | None
    basis: ToleranceBasis = ToleranceBasis.ABSOLUTE

    def __post_init__(self) -> None:
        object.__setattr__(self, "minus", _optional(self.minus))
        object.__setattr__(self, "plus", _optional(self.plus))
        object.__setattr__(self, "basis", ToleranceBasis(self.basis))
        given = [side for side in (self.minus, self.plus) if side is not None]
        if not given or min(given) < 0 or (len(given) == 2 and max(given) == 0):
            shown = " / ".join(
                "open" if side is None else f"{sign}{_shown(abs(side))}"
                for sign, side in (("-", self.minus), ("+", self.plus))
            )
            raise BadQuantity(
                f"A tolerance of {shown}.",
                rule="A tolerance has one or two sides, each a magnitude of at least zero, "
                "and some width.",
                next_step="Give the magnitudes below and above the set point; leave an open "
                "side empty.",
            )

    def limits(
        self, set_point: Number, low: Number, high: Number
    ) -> tuple[Fraction | None, Fraction | None]:
        """The lower and upper limit around a set point, exact; None for an open side.

        set_point, low, high (ends of the adjustable range) in one unit; the limits are in it too.

        >>> W1 = Tolerance(Fraction("1.5"), Fraction("1.5"), ToleranceBasis.SPAN)
        >>> [float(limit) for limit in W1.limits(60, 10, 100)]
        [58.65, 61.35]

        Raises BadQuantity: range without width; % of an upper range value or a set point that is
        zero (or an upper range value below zero).
        Source: common practice, no source; ISA-51.1 lists these expressions of accuracy.
        """
        x, bottom, top = exact(set_point), exact(low), exact(high)
        if bottom >= top:
            raise BadQuantity(
                f"A range from {_shown(bottom)} to {_shown(top)} has no span.",
                rule="A range runs from its lower to its higher end.",
                next_step="Correct the range of the switch.",
            )
        if self.basis is ToleranceBasis.ABSOLUTE:
            unit = Fraction(1)
        elif self.basis is ToleranceBasis.SPAN:
            unit = (top - bottom) / 100
        elif self.basis is ToleranceBasis.UPPER:
            unit = top / 100
        else:
            unit = abs(x) / 100
        if unit <= 0:
            raise BadQuantity(
                f"A tolerance in {self.basis} where that is {_shown(unit * 100)}.",
                rule="A percentage needs something above zero to be a part of.",
                next_step="Give the tolerance as an absolute value or in % of span.",
            )
        return (
            None if self.minus is None else x - self.minus * unit,
            None if self.plus is None else x + self.plus * unit,
        )


@dataclass(frozen=True, slots=True)
class SetPointSpec:
    """What is required of one set point, everything in ``unit`` (a unit code).

    range_low..range_high: adjustable range. as_left_tolerance: None where it is the same as
    ``tolerance``. dead_band_min/max and repeatability_limit: None where not limited. mode: pressure
    mode of the switch, None where it does not matter (temperature) or is not recorded.

    Raises BadQuantity: no span, dead band limits negative or crossed, negative repeatability limit.
    """

    set_point: Fraction
    direction: Direction
    unit: str
    range_low: Fraction
    range_high: Fraction
    tolerance: Tolerance
    as_left_tolerance: Tolerance | None = None
    dead_band_min: Fraction | None = None
    dead_band_max: Fraction | None = None
    repeatability_limit: Fraction | None = None
    mode: PressureMode | None = None
    _kept: dict[object, Any] = field(init=False, repr=False, compare=False)
    """What follows from the above alone and is asked for again and again."""

    def __post_init__(self) -> None:
        object.__setattr__(self, "_kept", {})
        for name in ("set_point", "range_low", "range_high"):
            object.__setattr__(self, name, exact(getattr(self, name)))
        for name in ("dead_band_min", "dead_band_max", "repeatability_limit"):
            object.__setattr__(self, name, _optional(getattr(self, name)))
        object.__setattr__(self, "direction", Direction(self.direction))
        if self.range_low >= self.range_high:
            raise BadQuantity(
                f"A range from {_shown(self.range_low)} to {_shown(self.range_high)} {self.unit}.",
                rule="A range runs from its lower to its higher end.",
                next_step="Correct the range of the switch.",
            )
        low, high = self.dead_band_min, self.dead_band_max
        negative = any(limit is not None and limit < 0 for limit in (low, high))
        if negative or (low is not None and high is not None and low > high):
            raise BadQuantity(
                f"Dead band limits {None if low is None else _shown(low)} to "
                f"{None if high is None else _shown(high)} {self.unit}.",
                rule="A dead band is at least zero, its lower limit not above its upper.",
                next_step="Correct the dead band limits.",
            )
        if self.repeatability_limit is not None and self.repeatability_limit < 0:
            raise BadQuantity(
                f"A repeatability limit of {_shown(self.repeatability_limit)} {self.unit}.",
                rule="Repeatability is the largest minus the smallest trip, at least zero.",
                next_step="Correct the repeatability limit.",
            )

    @property
    def span(self) -> Fraction:
        """The width of the adjustable range."""
        return self.range_high - self.range_low

    @property
    def bottom(self) -> Fraction:
        """The lowest value the switch can be taken to: nothing applied, or a range below zero.

        For a temperature, which has no "nothing applied", the low end of the range.
        """
        if find_unit(self.unit).dimension is Dimension.TEMPERATURE:
            return self.range_low
        return min(self.range_low, Fraction(0))

    @property
    def top(self) -> Fraction:
        """The highest value of the exercise: the high end of the range, at least zero pressure."""
        if find_unit(self.unit).dimension is Dimension.TEMPERATURE:
            return self.range_high
        return max(self.range_high, Fraction(0))

    def limits(self, *, as_left: bool = False) -> tuple[Fraction | None, Fraction | None]:
        """The tolerance limits, as found or as left, exact; None for an open side."""
        held: tuple[Fraction | None, Fraction | None] | None = self._kept.get(as_left)
        if held is None:
            chosen = (self.as_left_tolerance if as_left else None) or self.tolerance
            held = chosen.limits(self.set_point, self.range_low, self.range_high)
            self._kept[as_left] = held
        return held

    def reset_limits(self) -> tuple[Fraction | None, Fraction | None]:
        """Where the reset may lie if the trip is exactly on the set point, from the dead band.

        A rising set point resets below, a falling one above. None for a side not limited.
        """
        near, far = self.dead_band_min, self.dead_band_max
        if self.direction is Direction.RISING:
            return (
                None if far is None else self.set_point - far,
                None if near is None else self.set_point - near,
            )
        return (
            None if near is None else self.set_point + near,
            None if far is None else self.set_point + far,
        )


class Outcome(StrEnum):
    """How one cycle ended."""

    TRIPPED = "tripped"
    NO_TRIP = "no trip"
    NO_RESET = "no reset"
    CHATTER = "chatter"


@dataclass(frozen=True, slots=True)
class Cycle:
    """One run: trip and reset, None where there was none or none was read.

    A contact that did not act, or chattered, gives no number to average. ``static`` is the static
    reading of that run where it was read. Before correction the readings are in the gauges' units,
    after it trip and reset are in the switch's.

    Raises ReadingRefused: tripped or no reset without a trip, a trip where there was none.
    """

    run: int
    trip: Fraction | None
    reset: Fraction | None = None
    static: Fraction | None = None
    outcome: Outcome = Outcome.TRIPPED

    def __post_init__(self) -> None:
        for name in ("trip", "reset", "static"):
            object.__setattr__(self, name, _optional(getattr(self, name)))
        given: object = self.outcome
        if not isinstance(given, Outcome):
            object.__setattr__(self, "outcome", Outcome(str(given)))
        expected = self.outcome in (Outcome.TRIPPED, Outcome.NO_RESET)
        if expected and self.trip is None:
            raise ReadingRefused(
                f"Run {self.run} is recorded as {self.outcome!s} without a trip reading.",
                rule="A trip has a reading; a blank is never counted as zero.",
                next_step="Enter the reading, or record the outcome 'no trip'.",
            )
        if self.outcome is Outcome.NO_TRIP and self.trip is not None:
            raise ReadingRefused(
                f"Run {self.run} has a trip reading and the outcome 'no trip'.",
                rule="A switch that did not trip has no trip reading.",
                next_step="Leave the reading out, or record the outcome 'tripped'.",
            )
        if self.outcome is Outcome.NO_RESET and self.reset is not None:
            raise ReadingRefused(
                f"Run {self.run} has a reset reading and the outcome 'no reset'.",
                rule="A switch that did not reset has no reset reading.",
                next_step="Leave the reading out, or record the outcome 'tripped'.",
            )

    @property
    def counts(self) -> bool:
        """True where the trip is a number that may be averaged."""
        return self.trip is not None and self.outcome in (Outcome.TRIPPED, Outcome.NO_RESET)


def dead_band(trip: Number, reset: Number, direction: Direction) -> Fraction:
    """trip - reset for a rising set point, reset - trip for a falling one; exact, at least zero.

    >>> dead_band(175, 140, Direction.RISING)  # TM 5-4310-350-14 para 5-10
    Fraction(35, 1)
    >>> dead_band(Fraction("19.4"), Fraction("23.0"), Direction.FALLING)
    Fraction(18, 5)

    Raises ReadingRefused when the reset lies on the wrong side of the trip.
    Source: common practice, no source.
    """
    a, b = exact(trip), exact(reset)
    band = less(a, b) if direction is Direction.RISING else less(b, a)
    if band.numerator < 0:
        side = "above" if direction is Direction.RISING else "below"
        right = "below" if direction is Direction.RISING else "above"
        raise ReadingRefused(
            f"The reset {_shown(b)} lies {side} the trip {_shown(a)} of a {direction} set point.",
            rule=f"A {direction} set point resets {right} its trip.",
            next_step="Check whether trip and reset were swapped, or the direction is wrong.",
        )
    return band


def lateness(error: Number, direction: Direction) -> bool | None:
    """True for late (non-conservative), False for early, None for no error.

    error: set point found minus required. Late is above for rising, below for falling.

    >>> lateness(Fraction("0.5"), Direction.RISING), lateness(Fraction("-0.6"), Direction.FALLING)
    (True, True)
    """
    sign = exact(error).numerator
    if sign == 0:
        return None
    return (sign > 0) is (direction is Direction.RISING)


@dataclass(frozen=True, slots=True)
class SetPointFound:
    """What a series of runs says, in the switch's unit; None where no run gave a number.

    first_trip: trip of the first run, None if that run did not trip. sample: of all counting trips.
    error = mean_trip - required; first_error likewise; late: True, False or None for exactly on
    the point (of the mean; first_late of the first trip). dead_bands: one per run, None where that
    run had no trip and reset. dead_band: their mean. repeatability: largest minus smallest trip,
    None with fewer than two. failures: (run, outcome) of the runs that failed to act.
    """

    first_trip: Fraction | None
    mean_trip: Fraction | None
    mean_reset: Fraction | None
    error: Fraction | None
    first_error: Fraction | None
    late: bool | None
    first_late: bool | None
    dead_bands: tuple[Fraction | None, ...]
    dead_band: Fraction | None
    repeatability: Fraction | None
    sample: Sample | None
    failures: tuple[tuple[int, Outcome], ...]


def set_point_found(cycles: Iterable[Cycle], spec: SetPointSpec) -> SetPointFound:
    """Set point, dead band, repeatability and sign of the error of one series of runs.

    cycles: corrected, in the switch's unit, any order (taken by run number). One run gives no
    repeatability. Runs with no trip or chatter give no number and are listed as failures.

    >>> W1 = SetPointSpec(60, Direction.RISING, "psi", 10, 100, Tolerance(2, 2))
    >>> readings = [("60.4", "51.2"), ("60.6", "51.0"), ("60.5", "51.1")]
    >>> found = set_point_found(
    ...     [Cycle(i, Fraction(a), Fraction(b)) for i, (a, b) in enumerate(readings, start=1)], W1
    ... )
    >>> [float(x) for x in (found.mean_trip, found.error, found.dead_band, found.repeatability)]
    [60.5, 0.5, 9.4, 0.2]

    Raises BadQuantity without cycles or with a run number twice; ReadingRefused for a reset on the
    wrong side.
    Source: common practice, no source (mean of the trips, largest minus smallest).
    """
    runs = sorted(cycles, key=lambda cycle: cycle.run)
    if not runs:
        raise BadQuantity(
            "A series without runs.",
            rule="A set point is found from at least one run.",
            next_step="Enter the readings of the runs.",
        )
    if len({cycle.run for cycle in runs}) != len(runs):
        raise BadQuantity(
            "A run number occurs twice in one series.",
            rule="Each run has its own number.",
            next_step="Number the runs 1, 2, 3 ...",
        )
    trips = [cycle.trip for cycle in runs if cycle.counts and cycle.trip is not None]
    resets = [cycle.reset for cycle in runs if cycle.counts and cycle.reset is not None]
    bands = tuple(
        dead_band(cycle.trip, cycle.reset, spec.direction)
        if cycle.counts and cycle.trip is not None and cycle.reset is not None
        else None
        for cycle in runs
    )
    known = [band for band in bands if band is not None]
    sample = summarize(trips) if trips else None
    mean = None if sample is None else sample.mean
    first = runs[0].trip if runs[0].counts else None
    error = None if mean is None else less(mean, spec.set_point)
    first_error = None if first is None else less(first, spec.set_point)
    return SetPointFound(
        first_trip=first,
        mean_trip=mean,
        mean_reset=exact_mean(resets) if resets else None,
        error=error,
        first_error=first_error,
        late=None if error is None else lateness(error, spec.direction),
        first_late=None if first_error is None else lateness(first_error, spec.direction),
        dead_bands=bands,
        dead_band=exact_mean(known) if known else None,
        repeatability=sample.spread if sample is not None and sample.n > 1 else None,
        sample=sample,
        failures=tuple(
            (cycle.run, cycle.outcome) for cycle in runs if cycle.outcome is not Outcome.TRIPPED
        ),
    )


# --- plausibility -----------------------------------------------------------------------


class Severity(StrEnum):
    """Whether work may go on."""

    STOP = "stop"
    WARNING = "warning"


@dataclass(frozen=True, slots=True)
class Remark:
    """Something implausible: ``code`` is stable, ``text`` a sentence, then rule and next step."""

    code: str
    severity: Severity
    text: str
    rule: str
    next_step: str


DEFAULT_END_SHARE = Fraction(1, 20)
"""A set point nearer to an end of the range than this share of the span is remarked on."""


def plausibility(
    spec: SetPointSpec,
    cycles: Sequence[Cycle] = (),
    *,
    static: Number | None = None,
    static_unit: str | None = None,
    proof_pressure: Number | None = None,
    gauge_low: Number | None = None,
    gauge_high: Number | None = None,
    gauge_unit: str | None = None,
    gauge_sees_static: bool = True,
    end_share: Number = DEFAULT_END_SHARE,
) -> list[Remark]:
    """What is implausible about a set point, its set-up and its readings; empty when nothing is.

    cycles: corrected, in the switch's unit. static and proof_pressure in static_unit, gauge_low
    and gauge_high in gauge_unit (each by default the switch's unit). gauge_sees_static: False for
    a differential gauge, which reads the difference itself. end_share: fraction of the span.

    Stops: static + full range above the proof pressure or outside the gauge; set point outside the
    range; a dead band that cannot reset within what the switch can be taken to. Warnings: set
    point near an end, dead band outside its limits, reset limits beyond the range, trip outside
    the range.

    Raises ReadingRefused for a reset on the wrong side of its trip.
    Source: common practice, no source.
    """
    bare = static is None and proof_pressure is None and gauge_low is None and gauge_high is None
    if bare and end_share is DEFAULT_END_SHARE:  # nothing beside the set point: the same each time
        held = spec._kept.get("remarks")
        if held is None:
            held = spec._kept["remarks"] = (
                *_of_set_point(spec, DEFAULT_END_SHARE),
                *_of_set_up(spec, Fraction(0), None, None, None, gauge_sees_static),
            )
        return [*held, *(remark for cycle in cycles for remark in _of_cycle(spec, cycle))]
    remarks = _of_set_point(spec, exact(end_share))
    remarks += _of_set_up(
        spec,
        _into(static, static_unit, spec.unit) or Fraction(0),
        _into(proof_pressure, static_unit, spec.unit),
        _into(gauge_low, gauge_unit, spec.unit),
        _into(gauge_high, gauge_unit, spec.unit),
        gauge_sees_static,
    )
    for cycle in cycles:
        remarks += _of_cycle(spec, cycle)
    return remarks


def _into(value: Number | None, unit: str | None, target: str) -> Fraction | None:
    if value is None:
        return None
    return exact(value) if unit is None else convert(value, unit, target)


def _of_set_point(spec: SetPointSpec, end_share: Fraction) -> list[Remark]:
    remarks: list[Remark] = []
    x, unit = spec.set_point, spec.unit
    rule = "A set point lies inside the adjustable range, away from its ends."
    if not spec.range_low <= x <= spec.range_high:
        remarks.append(
            Remark(
                "set point outside range",
                Severity.STOP,
                f"The set point {_shown(x)} {unit} is outside the range {_shown(spec.range_low)} "
                f"to {_shown(spec.range_high)} {unit}.",
                rule,
                "Check the set point and the range, or choose another switch.",
            )
        )
    elif min(x - spec.range_low, spec.range_high - x) < end_share * spec.span:
        remarks.append(
            Remark(
                "set point near end of range",
                Severity.WARNING,
                f"The set point {_shown(x)} {unit} is nearer than {_shown(end_share * 100)} % of "
                f"span to an end of the range {_shown(spec.range_low)} to "
                f"{_shown(spec.range_high)} {unit}.",
                rule,
                "A switch of a range around the set point repeats better.",
            )
        )
    low, high = spec.reset_limits()
    nearest, farthest = (high, low) if spec.direction is Direction.RISING else (low, high)
    outer_low = spec.bottom
    for reset, certain in ((nearest, True), (farthest, False)):
        if reset is None:
            continue
        impossible = reset < outer_low or reset > spec.top
        if impossible and certain:
            remarks.append(
                Remark(
                    "dead band not feasible",
                    Severity.STOP,
                    f"With its smallest dead band the switch would reset at {_shown(reset)} "
                    f"{unit}, which it can never be taken to.",
                    "Trip and reset both lie where the switch can be taken to.",
                    "Check the dead band limits and the set point.",
                )
            )
            break
        if not spec.range_low <= reset <= spec.range_high:
            which = "smallest" if certain else "largest"
            remarks.append(
                Remark(
                    "reset outside range",
                    Severity.WARNING,
                    f"With its {which} dead band the switch would reset at {_shown(reset)} {unit}, "
                    f"outside its range {_shown(spec.range_low)} to {_shown(spec.range_high)} "
                    f"{unit}.",
                    "Trip and reset both lie inside the range.",
                    "Check the dead band limits and the set point.",
                )
            )
            break
    return remarks


def _of_set_up(
    spec: SetPointSpec,
    static: Fraction,
    proof: Fraction | None,
    gauge_low: Fraction | None,
    gauge_high: Fraction | None,
    gauge_sees_static: bool,
) -> list[Remark]:
    remarks: list[Remark] = []
    top = static + spec.top
    unit = spec.unit
    if proof is not None and top > proof:
        remarks.append(
            Remark(
                "proof pressure",
                Severity.STOP,
                f"Static {_shown(static)} plus full range {_shown(spec.top)} {unit} is "
                f"{_shown(top)} {unit}, above the proof pressure {_shown(proof)} {unit}.",
                "Switch, hose and gauge stand static pressure plus full range.",
                "Lower the static pressure, or limit the exercise below the full range.",
            )
        )
    shift = static if gauge_sees_static else Fraction(0)
    low, high = shift + spec.bottom, shift + spec.top
    if gauge_high is not None and high > gauge_high:
        remarks.append(
            Remark(
                "gauge range",
                Severity.STOP,
                f"The exercise goes up to {_shown(high)} {unit}, the gauge to "
                f"{_shown(gauge_high)} {unit}.",
                "Static pressure plus full range fits on the gauge.",
                "Choose a gauge with a higher range.",
            )
        )
    if gauge_low is not None and low < gauge_low:
        remarks.append(
            Remark(
                "gauge range",
                Severity.STOP,
                f"The exercise goes down to {_shown(low)} {unit}, the gauge to "
                f"{_shown(gauge_low)} {unit}.",
                "The whole exercise fits on the gauge.",
                "Choose a gauge with a lower range.",
            )
        )
    return remarks


def _of_cycle(spec: SetPointSpec, cycle: Cycle) -> list[Remark]:
    remarks: list[Remark] = []
    unit = spec.unit
    if cycle.trip is None:
        return remarks
    if not (at_most(spec.range_low, cycle.trip) and at_most(cycle.trip, spec.range_high)):
        remarks.append(
            Remark(
                "trip outside range",
                Severity.WARNING,
                f"Run {cycle.run} tripped at {_shown(cycle.trip)} {unit}, outside the range "
                f"{_shown(spec.range_low)} to {_shown(spec.range_high)} {unit}.",
                "A switch trips inside its adjustable range.",
                "Check the reading and its unit; read again.",
            )
        )
    if cycle.reset is None:
        return remarks
    band = dead_band(cycle.trip, cycle.reset, spec.direction)
    low, high = spec.dead_band_min, spec.dead_band_max
    short = low is not None and not at_most(low, band)
    if short or (high is not None and not at_most(band, high)):
        side, bound = ("below", low) if short else ("above", high)
        remarks.append(
            Remark(
                "dead band outside limits",
                Severity.WARNING,
                f"Run {cycle.run} has a dead band of {_shown(band)} {unit}, {side} the limit "
                f"{_shown(bound or Fraction(0))} {unit}.",
                "The dead band lies inside its limits.",
                "Read again; if it stays, adjust the dead band or reject the switch.",
            )
        )
    elif not band:
        remarks.append(
            Remark(
                "no dead band",
                Severity.WARNING,
                f"Run {cycle.run} has trip and reset at the same reading {_shown(cycle.trip)} "
                f"{unit}.",
                "A switch resets away from its trip.",
                "Read again with a finer gauge or a slower ramp.",
            )
        )
    return remarks
