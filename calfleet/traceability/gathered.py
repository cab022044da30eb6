"""The results that rest on a gauge found bad, as arrays ready to be judged.

What is the same for many results is looked up once: a gauge on its certificate on one day, a data
sheet, a set point, a procedure revision; a result only points there.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from fractions import Fraction
from functools import lru_cache
from typing import TYPE_CHECKING

from calfleet.metrology.conformity import Rule
from calfleet.metrology.direction import Direction
from calfleet.metrology.units import PressureMode, convert_difference
from calfleet.records import (
    CalibrationColumns,
    CycleOutcome,
    GaugeRole,
    Phase,
    Quantity,
    SetPoint,
    Switch,
)
from calfleet.traceability.affected import Affected, ShiftBook
from calfleet.traceability.event import FoundBad
from calfleet.traceability.facts import ChainFacts
from calfleet.traceability.many import COLUMNS, Batch
from calfleet.traceability.shifts import Shifts

if TYPE_CHECKING:
    from datetime import date

    import numpy as np
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]
    Bools = NDArray[np.bool_]
    Ints = NDArray[np.intp]

NO_SHEET, NO_READINGS, NO_OPERATING, NO_STATIC = 1, 2, 3, 4
"""Why a result cannot be judged again."""

# an enumeration is asked for its member slowly, a hundred thousand times
_LEFT, _CHATTER, _TRIPPED = (
    Phase.AS_LEFT.value,
    CycleOutcome.CHATTER.value,
    CycleOutcome.TRIPPED.value,
)
_SIMPLE, _GRADED = Rule.SIMPLE.value, Rule.NON_BINARY.value


@lru_cache(maxsize=1024)
def _factor(source: str, target: str) -> float:
    return float(convert_difference(1, source, target))


@lru_cache(maxsize=16)
def switch_mode(quantity: Quantity) -> PressureMode | None:
    """The pressure mode in which a switch of that quantity is set."""
    return quantity.gauge_modes[0]


@dataclass(frozen=True, slots=True)
class GaugeInUse:
    """A gauge's part in a result: its shifts, mode, and whether corrections were subtracted.

    ``by_reading``: its permissible error is a part of the reading.
    """

    shifts: Shifts
    mode: PressureMode | None
    corrected: bool
    by_reading: bool = False


def _places(names: Iterable[object]) -> dict[object, int]:
    return {name: place for place, name in enumerate(names)}


class Gathered:
    """The results on the gauge of ``event``, one place each in every array.

    ``calibration``, ``sheet``, ``point``: places in the lists of the same names below; a result
    of a switch without any data sheet is left out. ``operating``, ``static``: the place in
    ``in_use``, -1 for none; ``static`` only where a static reading counts. ``why``: why it cannot
    be judged, 0 where it can.
    """

    def __init__(
        self,
        facts: ChainFacts,
        event: FoundBad,
        columns: CalibrationColumns,
        affected: Affected,
        book: ShiftBook,
        newest: dict[str, Switch],
    ) -> None:
        import numpy as np

        self.columns = columns
        self._facts, self._event, self._book = facts, event, book
        self._affected = affected
        self.place = _places(columns.keys)
        self.names = list(columns.sheets.values())
        self.switches = [facts.switches.get(name) for name in self.names]
        sheets = _places(columns.sheets)
        sheet_of = np.array([sheets[key] for key in columns.sheet], dtype=np.intp)
        known = np.array(
            [s is not None or tag in newest for s, (tag, _) in zip(
                self.switches, self.names, strict=True
            )], dtype=np.bool_,
        )  # fmt: skip
        days = sorted(set(columns.performed_on))
        ordinal = _places(days)
        self.days: list[date] = days
        self.fractions: list[Fraction] = [event.fraction(day) for day in days]
        self.day_of = np.array([ordinal[day] for day in columns.performed_on], dtype=np.intp)
        self.sheet_of = sheet_of

        hit = np.zeros(len(columns.keys), dtype=np.bool_)
        for key in affected.touched.nearest:
            hit[self.place[key]] = True
        hit &= ~np.array(columns.replaced, dtype=np.bool_)
        hit &= known[sheet_of] if len(sheet_of) else True
        owner = np.array([self.place[row[0]] for row in columns.results], dtype=np.intp)
        kept = np.flatnonzero(hit[owner]) if len(owner) else np.zeros(0, dtype=np.intp)
        self.rows = [columns.results[i] for i in kept.tolist()]
        self.calibration = owner[kept]
        self.sheet = sheet_of[self.calibration]
        points = _places(columns.points)
        self.labels = list(columns.points.values())
        self.point = np.array([points[row[1]] for row in self.rows], dtype=np.intp)
        self.left = np.array([row[2] == _LEFT for row in self.rows], dtype=np.bool_)
        self._read_cycles(columns, points)
        self._read_uses(columns)
        self._find_out_why()
        self._spec = _Spec(self)

    def __len__(self) -> int:
        return len(self.rows)

    # --- readings

    def _code(self, calibration: Ints, point: Ints, left: Bools) -> Ints:
        code: Ints = (calibration * max(len(self.labels), 1) + point) * 2 + left
        return code

    def _read_cycles(self, columns: CalibrationColumns, points: dict[object, int]) -> None:
        """The cycles of the results in order of result and run."""
        import numpy as np

        mine = self._code(self.calibration, self.point, self.left)
        order = np.argsort(mine, kind="stable")
        cells = list(zip(*columns.cycles, strict=True)) if columns.cycles else [()] * 8
        code = self._code(
            np.array([self.place[key] for key in cells[0]], dtype=np.intp),
            np.array([points[key] for key in cells[1]], dtype=np.intp),
            np.array([phase == _LEFT for phase in cells[2]], dtype=np.bool_),
        )
        at = np.searchsorted(mine[order], code)
        if len(mine):
            there = mine[order][np.minimum(at, len(mine) - 1)] == code
        else:
            there = np.zeros(len(code), dtype=np.bool_)
        chosen = np.flatnonzero(there)
        result = order[at[chosen]]
        run = np.array(cells[3], dtype=np.intp)[chosen]
        sorting = np.lexsort((run, result))
        chosen, self.cycle_result = chosen[sorting], result[sorting]

        def numbers(place: int) -> Floats:
            column: Floats = np.array(cells[place], dtype=float)[chosen]
            return column

        self._trips, self._resets, self._statics = numbers(4), numbers(5), numbers(6)
        outcome = cells[7]
        said = [outcome[i] for i in chosen.tolist()]
        self._chatter = np.array([o == _CHATTER for o in said], dtype=np.bool_)
        not_tripped = np.array([o != _TRIPPED for o in said], dtype=np.bool_)
        size = len(self.rows)
        self.first = np.searchsorted(self.cycle_result, np.arange(size + 1))
        self.runs = np.diff(self.first)
        self.failed = np.bincount(self.cycle_result, not_tripped, size) > 0
        pressed = ~np.isnan(self._statics) & (self._statics != 0)
        self._pressed = np.bincount(self.cycle_result, pressed, size) > 0

    # --- gauges

    def _read_uses(self, columns: CalibrationColumns) -> None:
        import numpy as np

        wanted: dict[GaugeRole, list[int]] = {
            role: [-1] * len(columns.keys) for role in (GaugeRole.OPERATING, GaugeRole.STATIC)
        }
        index: dict[tuple[object, object, int], int] = {}
        self.in_use: list[GaugeInUse | None] = []
        hit = set(np.unique(self.calibration).tolist())
        days = self.day_of.tolist()
        roles = {str(role): held for role, held in wanted.items()}
        for tier, (key, role, gauge, certificate) in zip(
            self._affected.touched.tiers, columns.uses, strict=True
        ):
            place = self.place[key]
            held = roles.get(role)
            if held is None or place not in hit or held[place] >= 0:
                continue
            name = (gauge, certificate, days[place])
            known = index.get(name)
            if known is None:
                known = index[name] = len(self.in_use)
                self.in_use.append(
                    self._looked_up(
                        columns.gauges[gauge], columns.certificates[certificate],
                        self.days[name[2]], affected=tier > 0,
                    )
                )  # fmt: skip
            held[place] = known
        operating = np.array(wanted[GaugeRole.OPERATING], dtype=np.intp)
        own_static = np.array(wanted[GaugeRole.STATIC], dtype=np.intp)
        usable = np.array([use is not None for use in (*self.in_use, None)], dtype=np.bool_)
        differential = np.array(
            [
                use is not None and use.mode is PressureMode.DIFFERENTIAL
                for use in (*self.in_use, None)
            ],
            dtype=np.bool_,
        )
        self.operating = operating[self.calibration]
        low_side = np.where(own_static >= 0, own_static, operating)[self.calibration]
        self.operating = np.where(usable[self.operating], self.operating, -1)
        counted = self._pressed & ~differential[self.operating]
        self.no_static = counted & ~usable[low_side]
        self.static = np.where(counted & usable[low_side], low_side, -1)

    def _looked_up(self, code: str, number: str, day: date, *, affected: bool) -> GaugeInUse | None:
        gauge = self._book.gauge(code, day)
        shifts = self._book.of(code, number, day, affected=affected)
        if gauge is None or shifts is None:
            return None
        return GaugeInUse(
            shifts, gauge.mode, gauge.use_corrections,
            not gauge.use_corrections and gauge.accuracy_basis == "% of reading",
        )  # fmt: skip

    def _find_out_why(self) -> None:
        import numpy as np

        unknown = np.array([switch is None for switch in self.switches], dtype=np.bool_)
        unknown = unknown[self.sheet] if len(self.sheet) else np.zeros(0, dtype=np.bool_)
        self.why = np.select(
            [unknown, self.runs == 0, self.operating < 0, self.no_static],
            [NO_SHEET, NO_READINGS, NO_OPERATING, NO_STATIC],
            0,
        )

    def fraction(self, i: int) -> Fraction:
        """How much of a growing error had come about on the day of result ``i``."""
        return self.fractions[int(self.day_of[self.calibration[i]])]

    # --- for judging

    def batches(self, most: int) -> Iterator[tuple[Ints, Batch]]:
        """The results that can be judged, ``most`` at once: their places, and what is known."""
        import numpy as np

        judged = np.flatnonzero(self.why == 0)
        for start in range(0, len(judged), most):
            places = judged[start : start + most]
            yield places, self._spec.batch(places)


class _Spec:
    """Turns results into batches; what does not depend on the batch is worked out once."""

    def __init__(self, gathered: Gathered) -> None:
        import numpy as np

        g = self._g = gathered
        uses = [*g.in_use, None]  # the last one stands for "none"
        self.branches: list[dict[str, Floats]] = []
        index: dict[int, int] = {}
        first = []
        for use in uses:
            if use is None:
                first.append(-1)
                continue
            if id(use.shifts) not in index:
                index[id(use.shifts)] = len(self.branches)
                self.branches += [
                    use.shifts.arrays(d) for d in (Direction.RISING, Direction.FALLING)
                ]
            first.append(index[id(use.shifts)])

        def of_use(given: Callable[[GaugeInUse], bool]) -> Bools:
            return np.array([u is not None and given(u) for u in uses], dtype=np.bool_)

        self._first = np.array(first, dtype=np.intp)
        self._pressure = of_use(lambda u: u.mode is not None)
        self._vacuum = of_use(lambda u: u.mode is PressureMode.VACUUM)
        self._corrected = of_use(lambda u: u.corrected)
        self._by_reading = of_use(lambda u: u.by_reading)
        units = sorted({u.shifts.unit for u in uses if u is not None})
        place = _places(units)
        self._unit = np.array([-1 if u is None else place[u.shifts.unit] for u in uses])
        modes = [None if s is None else switch_mode(s.quantity) for s in g.switches]
        self._sheet_pressure = np.array([m is not None for m in modes], dtype=np.bool_)
        self._sheet_vacuum = np.array([m is PressureMode.VACUUM for m in modes], dtype=np.bool_)
        own = sorted({s.unit for s in g.switches if s is not None})
        places = _places(own)
        self._sheet_unit = np.array([-1 if s is None else places[s.unit] for s in g.switches])
        self._factors: dict[tuple[int, int], float] = {}
        self._units, self._own = units, own
        self._required = self._required_ratios()
        self._points = self._point_columns()

    def _required_ratios(self) -> Floats:
        """Of each calibration the ratio that its procedure required, nan where not recorded."""
        import numpy as np

        columns = self._g.columns
        known = {
            (code, revision.revision): float(revision.required_tur)
            for code, revisions in self._g._facts.procedures.items()
            for revision in revisions
        }
        of = {key: known.get(name, float("nan")) for key, name in columns.procedures.items()}
        return np.array([of[key] for key in columns.procedure], dtype=float)

    def _point_columns(self) -> dict[str, Floats]:
        """Of each data sheet's set points what is judged beside the trips; one more for none."""
        import numpy as np

        g = self._g
        self._pairs = np.unique(g.sheet * max(len(g.labels), 1) + g.point)
        rows = []
        for pair in self._pairs.tolist():
            sheet, label = divmod(pair, max(len(g.labels), 1))
            point = _point(g.switches[sheet], g.labels[label])
            rising = point is None or point.direction is Direction.RISING
            rows.append(
                (
                    1.0 if rising else -1.0,
                    _limit(point.dead_band_min if point else None, -1),
                    _limit(point.dead_band_max if point else None, 1),
                    _limit(point.repeatability_limit if point else None, 1),
                )
            )
        table = np.array(rows, dtype=float).reshape(len(rows), 4).T
        names = ("rising", "band_min", "band_max", "repeatability")
        return dict(zip(names, table, strict=True))

    def batch(self, places: Ints) -> Batch:
        import numpy as np

        g = self._g
        shape = (len(places), max(int(g.runs[places].max(initial=0)), 1))
        trips, resets, statics, run_there = self._readings(places, shape)
        sheet, operating, static = g.sheet[places], g.operating[places], g.static[places]
        at = np.searchsorted(self._pairs, sheet * max(len(g.labels), 1) + g.point[places])
        points = {name: column[at] for name, column in self._points.items()}
        with_static = static >= 0
        statics[~with_static] = np.nan
        rises = points["rising"] > 0
        turned, low_turned = self._flips(operating, sheet), self._flips(static, sheet)
        way = rises ^ turned  # the way of the gauge's reading at the trip
        start, low_start = self._first[operating], self._first[static]
        where = (
            start + np.where(way, 0, 1),
            start + np.where(way, 1, 0),
            np.where(with_static, low_start + np.where(low_turned, 1, 0), -1),
        )
        columns = self._columns(places)
        columns |= points
        columns |= {
            "sign": np.where(turned, -1.0, 1.0) * self._factor_of(operating, sheet),
            "low_sign": np.where(low_turned, -1.0, 1.0) * self._factor_of(static, sheet),
            "corrected": self._corrected[operating].astype(float),
            "low_corrected": self._corrected[static].astype(float),
            "by_reading": (self._by_reading[operating] | self._by_reading[static]).astype(float),
        }
        trips[~run_there] = np.nan
        return Batch(
            trips, resets, statics, where, self.branches,
            {name: columns[name] for name in COLUMNS},
        )  # fmt: skip

    def _readings(
        self, places: Ints, shape: tuple[int, int]
    ) -> tuple[Floats, Floats, Floats, Bools]:
        """Readings by result and run; the static pressure holds until another one is read."""
        import numpy as np

        g = self._g
        trips, resets, statics = (np.full(shape, np.nan) for _ in range(3))
        steady = np.zeros(shape, dtype=np.bool_)
        runs = g.runs[places]
        row = np.repeat(np.arange(len(places)), runs)
        offset = np.arange(len(row)) - np.repeat(np.cumsum(runs) - runs, runs)
        cycle = np.repeat(g.first[places], runs) + offset
        trips[row, offset] = g._trips[cycle]
        resets[row, offset] = g._resets[cycle]
        statics[row, offset] = g._statics[cycle]
        steady[row, offset] = ~g._chatter[cycle]
        for n in range(1, shape[1]):
            statics[:, n] = np.where(np.isnan(statics[:, n]), statics[:, n - 1], statics[:, n])
        read = steady & ~np.isnan(trips)
        resets[~read] = np.nan
        statics[~read] = np.nan
        return trips, resets, statics, read

    def _flips(self, use: Ints, sheet: Ints) -> Bools:
        known = self._pressure[use] & self._sheet_pressure[sheet]
        turned: Bools = known & (self._vacuum[use] != self._sheet_vacuum[sheet])
        return turned

    def _factor_of(self, use: Ints, sheet: Ints) -> Floats:
        """What one unit of the gauge is in the switch's unit; 0 for no gauge."""
        import numpy as np

        source, target = self._unit[use], self._sheet_unit[sheet]
        wide = max(len(self._own), 1)
        pairs, back = np.unique(source * wide + target, return_inverse=True)
        factors = [
            0.0 if pair < 0 else _factor(self._units[pair // wide], self._own[pair % wide])
            for pair in pairs.tolist()
        ]
        found: Floats = np.array(factors, dtype=float)[back]
        return found

    def _columns(self, places: Ints) -> dict[str, Floats]:
        """What the results themselves say."""
        import numpy as np

        g = self._g
        rows = [g.rows[i] for i in places.tolist()]
        cells = list(zip(*rows, strict=True)) if rows else [()] * 13

        def numbers(place: int) -> Floats:
            return np.array(cells[place], dtype=float)

        def limit(place: int, side: int) -> Floats:
            column = numbers(place)
            return np.where(np.isnan(column), side * np.inf, column)

        lower, upper = numbers(7), numbers(8)
        guard = np.abs(numbers(9) - lower)
        guard = np.where(np.isnan(guard), np.abs(upper - numbers(10)), guard)
        simple = np.array([rule == _SIMPLE for rule in cells[11]], dtype=np.bool_)
        day = g.day_of[g.calibration[places]]
        fractions = np.array([float(f) for f in g.fractions], dtype=float)
        return {
            "found": numbers(4),
            "U": np.nan_to_num(numbers(5)),
            "lower": limit(7, -1),
            "upper": limit(8, 1),
            "accept_lower": limit(9, -1),
            "accept_upper": limit(10, 1),
            "guard": np.nan_to_num(guard),
            # a comparison with nan, a ratio not known, is false
            "short": (simple & (numbers(6) < self._required[g.calibration[places]])).astype(float),
            "graded": np.array([float(rule == _GRADED) for rule in cells[11]]),
            "fraction": fractions[day],
            "failed": g.failed[places].astype(float),
        }


def _point(switch: Switch | None, label: str) -> SetPoint | None:
    for point in switch.set_points if switch is not None else ():
        if point.label == label:
            return point
    return None


def _limit(limit: object, side: int) -> float:
    return float(limit) if limit is not None else side * float("inf")  # type: ignore[arg-type]
