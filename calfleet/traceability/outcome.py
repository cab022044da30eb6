"""What becomes of results on a gauge found bad: rows, gauges, jobs, and sentences about them."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date
from typing import NamedTuple

from calfleet.records import Action, Criticality, Gauge, Phase
from calfleet.traceability.event import FoundBad
from calfleet.traceability.rejudge import Consequence, State
from calfleet.traceability.words import counted, symbol

_TOLD = {
    Criticality.SAFETY: "whoever answers for functional safety",
    Criticality.ENVIRONMENT: "whoever answers for the environmental permit",
    Criticality.PRODUCTION: "the shift supervisor",
}


class Row(NamedTuple):
    """One result that rests on the gauge found bad, in the switch's unit.

    ``gauge``, ``certificate``: the nearest of those used; ``path``: the certificates from the
    gauge found bad down to it, empty for the gauge itself. ``before``, ``worst``, ``linear``: how
    the result stands; ``None`` where the error is not known, then ``why_unknown`` says why.
    ``later``: the next calibration of the switch, if any. ``describes_now``: the result is
    the last word on the state of the switch. ``consequence``: the worse of the two courses.
    ``exact``: judged from its raw readings.
    """

    calibration: str
    tag: str
    service: str
    area: str
    area_name: str
    criticality: Criticality
    in_use: bool
    performed_on: date
    set_point: str
    phase: Phase
    unit: str
    gauge: str
    certificate: str
    tier: int
    path: tuple[str, ...]
    fraction: float
    lower: float | None
    upper: float | None
    recorded_verdict: str
    before: State
    worst: State | None
    linear: State | None
    shift_worst: float | None
    shift_linear: float | None
    under_worst: Consequence
    under_linear: Consequence
    consequence: Consequence
    why_unknown: str
    later: str | None
    describes_now: bool
    exact: bool

    @property
    def action(self) -> Action:
        if self.consequence is Consequence.KEPT:
            return Action.NONE
        grave = self.consequence is Consequence.FLIPPED_OUT or (
            self.consequence is Consequence.NOT_SURE
            and self.criticality in (Criticality.SAFETY, Criticality.ENVIRONMENT)
        )
        return Action.RECALL if grave and self.describes_now and self.in_use else Action.ASSESS

    @property
    def advice(self) -> str:
        """What the action means here, in a few words."""
        if self.action is Action.NONE:
            return "nothing"
        if self.action is Action.RECALL:
            return f"recall {self.tag} and calibrate it again"
        if self.later is not None:
            return f"assess what it meant until {self.later}, the next calibration"
        if not self.in_use:
            return (
                f"the switch is not in service now: calibrate {self.tag} before it is used, and "
                f"assess what it meant where it was in use since {self.performed_on}"
            )
        if self.consequence is Consequence.FLIPPED_IN:
            return "assess whether it was adjusted or replaced without cause"
        if not self.describes_now:
            return "assess what the state as found meant for the plant"
        return "assess whether the margin left will do until the next calibration"

    @property
    def told(self) -> tuple[str, ...]:
        """Who must be told, in words; nobody about a result that is kept."""
        if self.consequence is Consequence.KEPT:
            return ()
        name = f" ({self.area_name})" if self.area_name else ""
        owner = f"the owner of area {self.area}{name}"
        more = _TOLD.get(self.criticality)
        return (owner, more) if more else (owner,)

    @property
    def reason(self) -> str:
        """One sentence with numbers and units."""
        unit, places = symbol(self.unit), _places(self.before.U)
        was = (
            f"Recorded {_figure(self.before.found, places)} {unit} ({self.recorded_verdict})"
            if self.before.found is not None
            else f"Recorded without a set point ({self.recorded_verdict})"
        )
        if self.before.failed:
            return f"{was}; a run did not act, whatever the gauge showed."
        if self.worst is None:
            stood = _stands(self, self.before, self.before, places)
            return f"{was}, {stood}; how far it was off cannot be told: {self.why_unknown}."
        parts = [
            f"less {_figure(self.shift_worst, places)} {unit} (worst case) it is "
            f"{_figure(self.worst.found, places)} {unit}, "
            f"{_stands(self, self.worst, self.before, places)}"
        ]
        if self.linear is not None and self.shift_linear != self.shift_worst:
            parts.append(
                f"less {_figure(self.shift_linear, places)} {unit} (linear with time) "
                f"{_stands(self, self.linear, self.before, places)}"
            )
        return f"{was}; {'; '.join(parts)}."


def _places(U: float) -> int:
    """Decimal places that show two digits of U."""
    return max(0, 1 - math.floor(math.log10(U))) if U > 0 else 4


def _figure(value: float | None, places: int) -> str:
    if value is None:
        return "?"
    text = f"{value:.{places}f}"
    return text.removeprefix("-") if float(text) == 0 else text


def _stands(row: Row, state: State, before: State, places: int) -> str:
    """Where a state lies against the limits, in words."""
    unit = symbol(row.unit)
    if state.margin is None:
        return "without a judged value"
    if state.margin < 0:
        below = row.lower is not None and state.low is not None and state.low < row.lower
        value = state.low if below else state.high
        limit = row.lower if below else row.upper
        which = ""
        if _figure(value, places) != _figure(state.found, places):
            which = f"its {'least' if below else 'greatest'} run, {_figure(value, places)} {unit}, "
        side = "below the lower" if below else "above the upper"
        return f"{which}{_figure(-state.margin, places)} {unit} {side} limit {limit:.10g} {unit}"
    inside = f"inside its limits by {_figure(state.margin, places)} {unit}"
    if state.limits:
        return f"{inside}, but: {state.limits.rstrip('.')}"
    if not state.verdict.accepted:
        return f"{inside}, but not accepted by the rule"
    if state.margin < state.U:
        return f"{inside}, less than U = {_figure(state.U, places)} {unit}"
    return inside


def changed(
    rows: Sequence[Row], counts: Mapping[tuple[Consequence, Criticality], int]
) -> Sequence[Row]:
    """Those of ``rows`` that are not kept: as kept ones come last, the first of them.

    There may be a hundred thousand rows, made when they are asked for; the kept ones, by far the
    most, are not. Without ``counts`` these are all rows.
    """
    kept = sum(count for (what, _), count in counts.items() if what is Consequence.KEPT)
    return rows[: len(rows) - kept]


@dataclass(frozen=True, slots=True)
class RestingGauge:
    """A gauge calibrated with the one found bad, directly or through others.

    ``largest_shift`` in ``unit``, worst case; ``None`` where it is not known, then ``why_unknown``
    says why. ``results``: how many results rest on this certificate. ``in_force``: it is the
    gauge's newest certificate.
    """

    gauge: str
    certificate: str
    calibrated_on: date
    tier: int
    path: tuple[str, ...]
    unit: str
    largest_shift: float | None
    why_unknown: str
    results: int
    in_force: bool

    @property
    def reason(self) -> str:
        """One sentence: by how much its certificate is off."""
        start = f"{self.certificate} of {self.gauge} is off by"
        if self.largest_shift is None:
            return f"{start} an unknown amount: {self.why_unknown}."
        return f"{start} up to {self.largest_shift:.2g} {symbol(self.unit)} (worst case)."


@dataclass(frozen=True, slots=True)
class Job:
    """Something to be done: ``what`` in words, for a switch (``tag``) or a gauge (``gauge``)."""

    what: str
    by: date
    reason: str
    tag: str | None = None
    gauge: str | None = None
    criticality: Criticality | None = None
    calibrations: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Impact:
    """What rests on a gauge found bad; ``rows`` and ``jobs`` in the order of their urgency.

    ``replaced``: calibrations on the gauge that a later record replaced; they are not judged.
    ``notes``: what a reader must know beside the rows.
    """

    event: FoundBad
    gauge: Gauge
    method: tuple[str, ...]
    rows: Sequence[Row]
    gauges: tuple[RestingGauge, ...]
    jobs: tuple[Job, ...]
    replaced: tuple[str, ...]
    notes: tuple[str, ...]
    counts: Mapping[tuple[Consequence, Criticality], int] = field(default_factory=dict)

    def count(self, what: Consequence) -> int:
        """How many results have that consequence."""
        if not self.counts:
            return sum(row.consequence is what for row in self.rows)
        return sum(n for (one, _), n in self.counts.items() if one is what)

    @property
    def changed(self) -> Sequence[Row]:
        """The rows that are not kept, most urgent first."""
        return changed(self.rows, self.counts)

    def rows_of(self, what: Consequence, most: int | None = None) -> Sequence[Row]:
        """The rows of that consequence, most urgent first, at most ``most`` of them."""
        if what is Consequence.KEPT and self.counts:
            first = len(self.rows) - self.count(what)
            return self.rows[first : None if most is None else first + most]
        return [row for row in self.changed if row.consequence is what][:most]

    @property
    def told(self) -> tuple[str, ...]:
        """Everybody who must be told, each once."""
        return tuple(dict.fromkeys(who for row in self.changed for who in row.told))

    @property
    def statement(self) -> str:
        """The outcome in one sentence."""
        who = self.event.gauge
        if not self.rows:
            return f"No result rests on {who} in the period."
        parts = [f"{self.count(one)} {one}" for one in Consequence if self.count(one)]
        recalled = sum(row.action is Action.RECALL for row in self.changed)
        tail = f"; {counted(recalled, 'result')} to be recalled" if recalled else ""
        return f"{counted(len(self.rows), 'result')} on {who}: {', '.join(parts)}{tail}."
