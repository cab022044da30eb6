"""Many results judged again at once: the recorded value of each run less its shift, as arrays.

The recorded limits, uncertainty and rule are taken as they stand; nothing is evaluated anew. It
agrees with ``rejudge`` except where doubles could decide otherwise: ``Many.near`` marks what lies
that near a limit (``NEAR``) and is to be judged exactly.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from functools import lru_cache
from typing import TYPE_CHECKING, NamedTuple

from calfleet.metrology.conformity import Rule, Verdict
from calfleet.metrology.direction import Direction
from calfleet.metrology.units import PressureMode, convert_difference
from calfleet.records import (
    Calibration,
    Cycle,
    CycleOutcome,
    Quantity,
    Result,
    SetPoint,
    Switch,
)
from calfleet.traceability.rejudge import State, trip_direction
from calfleet.traceability.shifts import Course, Shifts, flips

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]
    Bools = NDArray[np.bool_]

NEAR = 1e-9
"""Nearer to a limit than this part of the numbers involved, rounding could decide."""

_ON = 1e-12
"""So near to a limit a double is on it: readings and limits are decimals of a few digits."""

_VERDICTS = tuple(Verdict)


@dataclass(frozen=True, slots=True)
class GaugeInUse:
    """A gauge's part in a result: its shifts, mode, and whether corrections were subtracted.

    ``by_reading``: its permissible error is a part of the reading, so that a shifted reading has
    a slightly different uncertainty.
    """

    shifts: Shifts
    mode: PressureMode | None
    corrected: bool
    by_reading: bool = False


class Item(NamedTuple):
    """One result to be judged. ``static``: the gauge of the static readings, where they count."""

    calibration: Calibration
    result: Result
    switch: Switch
    cycles: tuple[Cycle, ...]
    operating: GaugeInUse
    static: GaugeInUse | None
    required_tur: float | None
    fraction: Fraction


@dataclass(frozen=True, slots=True)
class Many:
    """The states before and after, in the order of the items.

    ``None``: the shift is not known at a reading, or with it a reset passes its trip.

    ``shift_worst``, ``shift_linear``: of the set point found, in the switch's unit;
    ``shift_known``: the shift is known at every reading. ``near``: so near a limit that the result
    is to be judged exactly.
    """

    before: list[State]
    worst: list[State | None]
    linear: list[State | None]
    shift_worst: list[float | None]
    shift_linear: list[float | None]
    shift_known: list[bool]
    near: list[bool]


@lru_cache(maxsize=1024)
def _factor(source: str, target: str) -> float:
    return float(convert_difference(1, source, target))


def sensitivity(use: GaugeInUse, switch: Switch) -> float:
    """What one unit of the gauge is in the switch's unit, negative where the one falls."""
    factor = _factor(use.shifts.unit, switch.unit)
    return -factor if flips(use.mode, switch_mode(switch.quantity)) else factor


@lru_cache(maxsize=16)
def switch_mode(quantity: Quantity) -> PressureMode | None:
    """The pressure mode in which a switch of that quantity is set."""
    return quantity.gauge_modes[0]


class _Branches:
    """Branches of shifts, each by an index, with its arrays."""

    def __init__(self) -> None:
        self.arrays: list[dict[str, Floats]] = []
        self._index: dict[tuple[int, bool], int] = {}
        self._kept: list[Shifts] = []

    def index(self, shifts: Shifts, direction: Direction) -> int:
        key = (id(shifts), direction is Direction.RISING)  # quicker to hash than an enumeration
        found = self._index.get(key)
        if found is None:
            found = self._index[key] = len(self.arrays)
            self.arrays.append(shifts.arrays(direction))
            self._kept.append(shifts)  # an id is only good while its object lives
        return found


@dataclass(frozen=True, slots=True)
class _Found:
    """Looked up for an array of readings: recorded error, and the shifts of both courses."""

    error: Floats
    worst: Floats
    linear: Floats


def _look_up(
    values: Floats, branch: NDArray[np.intp], branches: _Branches, fraction: Floats
) -> _Found:
    """Everything about the readings of each row on its branch; -1: no gauge, all zero."""
    import numpy as np

    error, worst, linear = (np.zeros_like(values) for _ in range(3))
    order = np.argsort(branch, kind="stable")
    starts = np.searchsorted(branch[order], np.arange(len(branches.arrays) + 1))
    for index, arrays in enumerate(branches.arrays):
        rows = order[starts[index] : starts[index + 1]]
        if not len(rows):
            continue
        weigh = _weights(values[rows], arrays["indication"])
        error[rows] = weigh(arrays["error"])
        worst[rows] = weigh(arrays["worst"])
        linear[rows] = weigh(arrays["start"]) + fraction[rows, None] * weigh(arrays["growth"])
    return _Found(error, worst, linear)


def _weights(values: Floats, places: Floats) -> Callable[[Floats], Floats]:
    """Interpolates columns at the values; nan outside, and beside a knot that is nan."""
    import numpy as np

    last = len(places) - 1
    right = np.clip(np.searchsorted(places, values), 0, last)
    left = np.clip(right - 1, 0, last)
    hit = places[right] == values
    outside = ~((values >= places[0]) & (values <= places[last]))
    width = np.where(right > left, places[right] - places[left], 1.0)
    part = (values - places[left]) / width

    def weigh(column: Floats) -> Floats:
        low, high = column[left], column[right]
        between = low + part * (high - low)
        return np.where(outside, np.nan, np.where(hit, high, between))

    return weigh


class _Columns:
    """One number per item and column, gathered in a list and turned into an array once."""

    NAMES = (
        "sign", "low_sign", "corrected", "low_corrected", "rising", "found", "U",
        "lower", "upper", "accept_lower", "accept_upper", "guard", "short", "graded",
        "band_min", "band_max", "repeatability", "fraction", "failed", "by_reading",
    )  # fmt: skip

    def __init__(self) -> None:
        self.rows: list[tuple[float, ...]] = []

    def arrays(self) -> dict[str, Floats]:
        import numpy as np

        table = np.array(self.rows, dtype=float).T
        return dict(zip(self.NAMES, table, strict=True))


def judge_many(items: Sequence[Item]) -> Many:
    """Every item judged before and after the shift, both courses, as arrays of doubles."""
    import numpy as np

    if not items:
        return Many([], [], [], [], [], [], [])
    branches, columns = _Branches(), _Columns()
    runs = max(len(item.cycles) for item in items)
    shape = (len(items), max(runs, 1))
    trips, resets, statics = (np.full(shape, np.nan) for _ in range(3))
    where = np.full((3, len(items)), -1, dtype=np.intp)
    for i, item in enumerate(items):
        _read(i, item, branches, trips, resets, statics, where)
        columns.rows.append(_numbers(item))
    c = columns.arrays()
    fraction = c["fraction"]
    t = _look_up(trips, where[0], branches, fraction)
    r = _look_up(resets, where[1], branches, fraction)
    s = _look_up(np.nan_to_num(statics), where[2], branches, fraction)

    sign, low_sign = c["sign"][:, None], c["low_sign"][:, None]
    corrected, low_corrected = c["corrected"][:, None], c["low_corrected"][:, None]
    turned = c["rising"][:, None] * sign
    seen = sign * (trips - corrected * t.error)
    seen -= low_sign * (np.nan_to_num(statics) - low_corrected * s.error)
    value = seen + (c["found"] - _mean(seen))[:, None]
    band = turned * ((trips - corrected * t.error) - (resets - corrected * r.error))

    before = _judge(c, value, band)
    after: dict[Course, _Judged] = {}
    shift: dict[Course, Floats] = {}
    near = np.zeros(len(items), dtype=np.bool_)
    dark = np.zeros(len(items), dtype=np.bool_)
    for course, a, b, low in (
        (Course.WORST, t.worst, r.worst, s.worst),
        (Course.LINEAR, t.linear, r.linear, s.linear),
    ):
        moved = sign * a - low_sign * low
        made = _judge(c, value - moved, band - turned * (a - b))
        unknown = (~np.isnan(trips) & np.isnan(moved)).any(axis=1)
        unknown |= (~np.isnan(resets) & np.isnan(b)).any(axis=1)
        dark |= unknown
        unknown = unknown | (made.refused & ~before.refused)
        shift[course] = np.where(unknown, np.nan, _mean(moved))
        after[course] = replace(made, unknown=unknown)
        unmoved = (np.nan_to_num(moved) == 0).all(axis=1) & (np.nan_to_num(a - b) == 0).all(axis=1)
        tight = _tight(c, made.low, made.high)
        blurred = tight + c["by_reading"] * c["U"] * _relative(a, trips)
        close = np.abs(made.margin - before.margin) <= tight
        close |= np.abs(made.margin - c["U"]) <= blurred
        # so uneven a shift changes the scatter of the runs, and with it perhaps the uncertainty
        close |= _spread(moved) > 0.1 * c["U"]
        near |= ~unknown & ~unmoved & (made.near | before.near | close)
    return Many(
        before=[state for state in _states(before) if state is not None],
        worst=_states(after[Course.WORST]),
        linear=_states(after[Course.LINEAR]),
        shift_worst=_known(shift[Course.WORST]),
        shift_linear=_known(shift[Course.LINEAR]),
        shift_known=(~dark).tolist(),
        near=near.tolist(),
    )


def _point(item: Item) -> SetPoint | None:
    for point in item.switch.set_points:
        if point.label == item.result.set_point:
            return point
    return None


def _read(
    i: int,
    item: Item,
    branches: _Branches,
    trips: Floats,
    resets: Floats,
    statics: Floats,
    where: NDArray[np.intp],
) -> None:
    """The readings of an item into row ``i``, and the branches they go through."""
    point = _point(item)
    mode = switch_mode(item.switch.quantity)
    wanted = point.direction if point is not None else Direction.RISING
    direction = trip_direction(wanted, item.operating.mode, mode)
    where[0, i] = branches.index(item.operating.shifts, direction)
    where[1, i] = branches.index(item.operating.shifts, direction.opposite)
    if item.static is not None:
        raised = trip_direction(Direction.RISING, item.static.mode, mode)
        where[2, i] = branches.index(item.static.shifts, raised)
    current = None
    for run, cycle in enumerate(item.cycles):
        current = cycle.static if cycle.static is not None else current
        if cycle.trip is None or cycle.outcome is CycleOutcome.CHATTER:
            continue
        trips[i, run] = float(cycle.trip)
        if cycle.reset is not None:
            resets[i, run] = float(cycle.reset)
        if item.static is not None and current is not None:
            statics[i, run] = float(current)


def _numbers(item: Item) -> tuple[float, ...]:
    """The columns of an item, in the order of their names."""
    result, switch = item.result, item.switch
    point = _point(item)
    rising = 1.0 if point is None or point.direction is Direction.RISING else -1.0
    low, high = _open(result.lower_limit, -1), _open(result.upper_limit, 1)
    accept_low = _open(result.lower_acceptance, -1)
    accept_high = _open(result.upper_acceptance, 1)
    guard = 0.0
    if result.lower_limit is not None and result.lower_acceptance is not None:
        guard = abs(result.lower_acceptance - result.lower_limit)
    elif result.upper_limit is not None and result.upper_acceptance is not None:
        guard = abs(result.upper_limit - result.upper_acceptance)
    short = (
        result.decision_rule == Rule.SIMPLE
        and item.required_tur is not None
        and result.tur is not None
        and result.tur < item.required_tur
    )
    failed = any(cycle.outcome is not CycleOutcome.TRIPPED for cycle in item.cycles)
    static = item.static
    return (
        sensitivity(item.operating, switch),
        sensitivity(static, switch) if static is not None else 0.0,
        float(item.operating.corrected),
        float(static.corrected) if static is not None else 0.0,
        rising,
        result.found if result.found is not None else float("nan"),
        result.expanded_uncertainty or 0.0,
        low, high, accept_low, accept_high, guard,
        float(short),
        float(result.decision_rule == Rule.NON_BINARY),
        _limit(point.dead_band_min if point else None, -1),
        _limit(point.dead_band_max if point else None, 1),
        _limit(point.repeatability_limit if point else None, 1),
        float(item.fraction),
        float(failed),
        float(item.operating.by_reading or (static is not None and static.by_reading)),
    )  # fmt: skip


def _open(limit: float | None, side: int) -> float:
    return limit if limit is not None else side * float("inf")


def _limit(limit: object, side: int) -> float:
    return float(limit) if limit is not None else side * float("inf")  # type: ignore[arg-type]


def _mean(values: Floats) -> Floats:
    """The mean of each row without its nan; nan for a row without any."""
    import numpy as np

    there = ~np.isnan(values)
    count = there.sum(axis=1)
    total = np.where(there, values, 0.0).sum(axis=1)
    return np.where(count > 0, total / np.maximum(count, 1), np.nan)


def _spread(values: Floats) -> Floats:
    """Largest minus smallest of each row without its nan; 0 for a row without any."""
    import numpy as np

    there = ~np.isnan(values)
    high = np.where(there, values, -np.inf).max(axis=1)
    low = np.where(there, values, np.inf).min(axis=1)
    return np.where(there.any(axis=1), high - low, 0.0)


def _relative(shift: Floats, readings: Floats) -> Floats:
    """Twice the largest shift of each row against its readings; 0 where there is none."""
    import numpy as np

    size = np.nan_to_num(np.abs(shift)).max(axis=1)
    reading = np.nan_to_num(np.abs(readings)).max(axis=1)
    return np.where(reading > 0, 2 * size / np.maximum(reading, 1e-300), 0.0)


# --- judging ----------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class _Judged:
    """Each item's verdict (its rank), margin and extremes, as arrays."""

    rank: NDArray[np.intp]
    margin: Floats
    found: Floats
    low: Floats
    high: Floats
    U: Floats
    band: Bools
    spread: Bools
    failed: Bools
    refused: Bools
    near: Bools
    unknown: Bools


def _judge(c: dict[str, Floats], value: Floats, band: Floats) -> _Judged:
    """The verdict on every item whose runs are ``value`` and ``band`` (nan: no such run)."""
    import numpy as np

    there = ~np.isnan(value)
    low = np.where(there, value, np.inf).min(axis=1)
    high = np.where(there, value, -np.inf).max(axis=1)
    judged = there.any(axis=1)
    tight = _tight(c, low, high)
    slack = tight * (_ON / NEAR)

    def between(lower: Floats, upper: Floats) -> Bools:
        made: Bools = (low >= lower - slack) & (high <= upper + slack)
        return made

    inside = between(c["lower"], c["upper"])
    accepted = between(c["accept_lower"], c["accept_upper"])
    accepted &= c["accept_lower"] <= c["accept_upper"]
    graded, short = c["graded"] > 0, c["short"] > 0
    nearly = between(c["lower"] - c["guard"], c["upper"] + c["guard"])
    plain = np.where(accepted, 0, 3)
    steps = np.where(accepted, 0, np.where(inside, 1, np.where(nearly, 2, 3)))
    rank = np.where(short, np.where(inside, 1, 3), np.where(graded, steps, plain))
    bands = _mean(band)
    out_band = (bands < c["band_min"] - slack) | (bands > c["band_max"] + slack)
    spread = high - low
    out_spread = judged & (there.sum(axis=1) > 1) & (spread > c["repeatability"] + slack)
    failed = c["failed"] > 0
    rank = np.where(failed | out_band | out_spread, 3, np.where(judged, rank, 0))
    refused = np.where(np.isnan(band), 0.0, band).min(axis=1) < 0

    near: Bools = np.zeros(len(low), dtype=np.bool_)
    for edge in (
        c["lower"], c["upper"], c["accept_lower"], c["accept_upper"],
        c["lower"] - c["guard"], c["upper"] + c["guard"],
    ):  # fmt: skip
        near |= np.abs(_apart(low, edge)) <= tight
        near |= np.abs(_apart(high, edge)) <= tight
    for figure, edge in (
        (bands, c["band_min"]), (bands, c["band_max"]), (spread, c["repeatability"]),
    ):  # fmt: skip
        near |= np.abs(_apart(figure, edge)) <= tight
    margin = np.where(judged, np.minimum(low - c["lower"], c["upper"] - high), np.nan)
    margin = np.where(np.abs(margin) <= slack, 0.0, margin)
    return _Judged(
        rank, margin, _mean(value), low, high, c["U"], out_band, out_spread, failed, refused,
        near, np.zeros(len(low), dtype=np.bool_),
    )  # fmt: skip


def _apart(figure: Floats, edge: Floats) -> Floats:
    """The distance of a figure from a limit; infinite where there is no limit or no figure."""
    import numpy as np

    there = np.isfinite(edge) & np.isfinite(figure)
    return np.where(there, np.where(there, figure, 0.0) - np.where(there, edge, 0.0), np.inf)


def _tight(c: dict[str, Floats], low: Floats, high: Floats) -> Floats:
    """How near a limit rounding could decide, item by item."""
    import numpy as np

    size = np.zeros(len(low))
    for column in (low, high, c["lower"], c["upper"]):
        size = np.maximum(size, np.where(np.isfinite(column), np.abs(column), 0.0))
    return NEAR * (size + c["U"])


def _states(judged: _Judged) -> list[State | None]:
    columns = (
        judged.rank, judged.margin, judged.found, judged.low, judged.high, judged.U,
        judged.band, judged.spread, judged.failed, judged.unknown,
    )  # fmt: skip
    return [
        None if unknown else _state(rank, margin, found, low, high, U, band, spread, failed)
        for rank, margin, found, low, high, U, band, spread, failed, unknown in zip(
            *(column.tolist() for column in columns), strict=True
        )
    ]


def _state(
    rank: int,
    margin: float,
    found: float,
    low: float,
    high: float,
    U: float,
    band: bool,
    spread: bool,
    failed: bool,
) -> State:
    limits = ""
    if band or spread:
        what = [word for word, out in (("repeatability", spread), ("dead band", band)) if out]
        limits = f"The {' and the '.join(what)} {'are' if len(what) > 1 else 'is'} outside limits."
    return State(
        _VERDICTS[rank],
        _number(margin),
        _number(found),
        _number(low),
        _number(high),
        U,
        limits,
        failed,
    )


def _number(value: float) -> float | None:
    """The number, ``None`` for nan and infinities."""
    return value if value - value == 0 else None


def _known(values: Floats) -> list[float | None]:
    return [_number(value) for value in values.tolist()]
