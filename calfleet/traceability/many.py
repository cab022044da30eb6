"""Many results judged again at once: the recorded value of each run less its shift, as arrays.

The recorded limits, uncertainty and rule are taken as they stand; nothing is evaluated anew. It
agrees with ``rejudge`` except where doubles could decide otherwise: ``Many.near`` marks what lies
that near a limit (``NEAR``) and is to be judged exactly.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from calfleet.traceability.shifts import Course

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]
    Bools = NDArray[np.bool_]
    Ints = NDArray[np.intp]

NEAR = 1e-9
"""Nearer to a limit than this part of the numbers involved, rounding could decide."""

_ON = 1e-12
"""So near to a limit a double is on it: readings and limits are decimals of a few digits."""


COLUMNS = (
    "sign", "low_sign", "corrected", "low_corrected", "rising", "found", "U",
    "lower", "upper", "accept_lower", "accept_upper", "guard", "short", "graded",
    "band_min", "band_max", "repeatability", "fraction", "failed", "by_reading",
)  # fmt: skip
"""What is to be known of each result, one double each.

``sign``, ``low_sign``: one unit of the operating gauge and of the gauge of the static reading (0:
none) in the switch's unit, negative where the one falls as the other rises. ``corrected``: the
gauge's error was subtracted. ``rising``: 1 or -1. ``guard``: the width of the guard band.
``short``: the ratio is below the one required, under simple acceptance. ``graded``: the rule has
four verdicts. ``failed``: a run did not act. ``by_reading``: the permissible error of a gauge is a
part of the reading, so that a shifted reading has a slightly different uncertainty. Limits that
there are not are infinite.
"""


@dataclass(frozen=True, slots=True)
class Batch:
    """Results to be judged, one place each; runs stand along the second axis, nan where none is.

    ``where``: for trips, resets and static readings the branch of the shifts that they go through,
    by its place in ``branches``; -1 where there is no gauge. ``columns``: by ``COLUMNS``.
    """

    trips: Floats
    resets: Floats
    statics: Floats
    where: tuple[Ints, Ints, Ints]
    branches: Sequence[Mapping[str, Floats]]
    columns: Mapping[str, Floats]


@dataclass(frozen=True, slots=True)
class Many:
    """How the results of a batch stand before and after, and by how much they moved.

    ``shift_worst``, ``shift_linear``: of the set point found, in the switch's unit, nan where not
    known; ``shift_known``: the shift is known at every reading. ``near``: so near a limit that the
    result is to be judged exactly.
    """

    before: Judged
    worst: Judged
    linear: Judged
    shift_worst: Floats
    shift_linear: Floats
    shift_known: Bools
    near: Bools


@dataclass(frozen=True, slots=True)
class _Found:
    """Looked up for an array of readings: recorded error, and the shifts of both courses."""

    error: Floats
    worst: Floats
    linear: Floats


def _look_up(
    values: Floats, branch: Ints, branches: Sequence[Mapping[str, Floats]], fraction: Floats
) -> _Found:
    """Everything about the readings of each row on its branch; -1: no gauge, all zero."""
    import numpy as np

    error, worst, linear = (np.zeros_like(values) for _ in range(3))
    order = np.argsort(branch, kind="stable")
    starts = np.searchsorted(branch[order], np.arange(len(branches) + 1))
    for index, arrays in enumerate(branches):
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


def judge_many(batch: Batch) -> Many:
    """Every result judged before and after the shift, both courses, as arrays of doubles."""
    import numpy as np

    c, branches = batch.columns, batch.branches
    trips, resets, statics = batch.trips, batch.resets, batch.statics
    fraction = c["fraction"]
    t = _look_up(trips, batch.where[0], branches, fraction)
    r = _look_up(resets, batch.where[1], branches, fraction)
    s = _look_up(np.nan_to_num(statics), batch.where[2], branches, fraction)

    sign, low_sign = c["sign"][:, None], c["low_sign"][:, None]
    corrected, low_corrected = c["corrected"][:, None], c["low_corrected"][:, None]
    turned = c["rising"][:, None] * sign
    seen = sign * (trips - corrected * t.error)
    seen -= low_sign * (np.nan_to_num(statics) - low_corrected * s.error)
    value = seen + (c["found"] - _mean(seen))[:, None]
    band = turned * ((trips - corrected * t.error) - (resets - corrected * r.error))

    before = _judge(c, value, band)
    after: dict[Course, Judged] = {}
    shift: dict[Course, Floats] = {}
    near = np.zeros(len(trips), dtype=np.bool_)
    dark = np.zeros(len(trips), dtype=np.bool_)
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
        before, after[Course.WORST], after[Course.LINEAR],
        shift[Course.WORST], shift[Course.LINEAR], ~dark, near,
    )  # fmt: skip


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
class Judged:
    """How each result stands: its verdict (the rank), margin and extremes, as arrays.

    What ``rejudge.State`` has; nan and infinities stand for what is not there. ``refused``: a reset
    has passed its trip. ``unknown``: the shift is not known at a reading, or it was refused.
    """

    rank: Ints
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


def _judge(c: Mapping[str, Floats], value: Floats, band: Floats) -> Judged:
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
    return Judged(
        rank, margin, _mean(value), low, high, c["U"], out_band, out_spread, failed, refused,
        near, np.zeros(len(low), dtype=np.bool_),
    )  # fmt: skip


def _apart(figure: Floats, edge: Floats) -> Floats:
    """The distance of a figure from a limit; infinite where there is no limit or no figure."""
    import numpy as np

    there = np.isfinite(edge) & np.isfinite(figure)
    return np.where(there, np.where(there, figure, 0.0) - np.where(there, edge, 0.0), np.inf)


def _tight(c: Mapping[str, Floats], low: Floats, high: Floats) -> Floats:
    """How near a limit rounding could decide, item by item."""
    import numpy as np

    size = np.zeros(len(low))
    for column in (low, high, c["lower"], c["upper"]):
        size = np.maximum(size, np.where(np.isfinite(column), np.abs(column), 0.0))
    return NEAR * (size + c["U"])


# --- in words --------------------------------------------------------------------------------

LIMITS = (
    "",
    "The dead band is outside limits.",
    "The repeatability is outside limits.",
    "The repeatability and the dead band are outside limits.",
)
"""By twice ``spread`` plus ``band``: what else is outside, in words."""


def known(values: Floats) -> list[float | None]:
    """The numbers, ``None`` for nan and infinities."""
    import numpy as np

    listed: list[float | None] = values.tolist()
    for place in np.flatnonzero(~np.isfinite(values)).tolist():
        listed[place] = None
    return listed
