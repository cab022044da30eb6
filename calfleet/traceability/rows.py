"""Every result that rests on a gauge found bad as a row: judged, compared, in order of urgency."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Callable, Collection, Iterable, Iterator, Mapping, Sequence
from functools import cached_property
from typing import TYPE_CHECKING, Any, overload

from calfleet.errors import CalfleetError
from calfleet.metrology.conformity import Verdict
from calfleet.records import (
    Calibration,
    CalibrationColumns,
    Criticality,
    Phase,
    Result,
    Switch,
    SwitchStatus,
)
from calfleet.traceability.affected import Affected, ShiftBook
from calfleet.traceability.event import FoundBad
from calfleet.traceability.facts import ChainFacts
from calfleet.traceability.gathered import (
    NO_OPERATING,
    NO_READINGS,
    NO_SHEET,
    NO_STATIC,
    Gathered,
)
from calfleet.traceability.many import LIMITS, Judged, judge_many, known
from calfleet.traceability.outcome import Row
from calfleet.traceability.rejudge import (
    Consequence,
    InputsOf,
    Placed,
    State,
    judge_exactly,
)
from calfleet.traceability.shifts import Course

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]
    Bools = NDArray[np.bool_]
    Ints = NDArray[np.intp]

RecordsOf = Callable[[Collection[str]], Mapping[str, Calibration]]
"""Gives the calibrations of these numbers, whole."""

PORTION = 1_000
"""So many rows are made at once."""

_BATCH = 25_000  # so many results at once: what is only needed on the way is soon let go

_CRITICALITIES = tuple(Criticality)
_CONSEQUENCES = tuple(Consequence)
_VERDICTS = tuple(Verdict)


class _Stands:
    """How every result stands at one time, as arrays; nan and infinities for what is not there."""

    def __init__(self, size: int, *, known: bool) -> None:
        import numpy as np

        self.rank = np.zeros(size, dtype=np.intp)
        self.margin = np.full(size, np.nan)
        self.U = np.zeros(size)
        self.failed = np.zeros(size, dtype=np.bool_)
        self.low, self.high, self.found = (np.full(size, np.nan) for _ in range(3))
        self.limits = np.zeros(size, dtype=np.intp)
        self.unknown = np.full(size, not known)
        self._alone: dict[int, State | None] = {}

    def put(self, places: Ints, judged: Judged) -> None:
        """The outcome of a batch."""
        import numpy as np

        self.rank[places] = judged.rank
        self.margin[places] = np.where(np.isfinite(judged.margin), judged.margin, np.nan)
        self.low[places], self.high[places] = judged.low, judged.high
        self.found[places], self.U[places] = judged.found, judged.U
        self.limits[places] = judged.spread * 2 + judged.band
        self.failed[places] = judged.failed
        self.unknown[places] = judged.unknown

    @property
    def outside(self) -> Bools:
        """Whether something beside the set point is outside its limits."""
        found: Bools = self.limits > 0
        return found

    def states(self, places: Ints) -> list[State | None]:
        """How the results at these places stand; ``None`` where that is not known."""
        made: list[State | None] = list(
            map(
                State,
                [_VERDICTS[rank] for rank in self.rank[places].tolist()],
                known(self.margin[places]),
                known(self.found[places]),
                known(self.low[places]),
                known(self.high[places]),
                self.U[places].tolist(),
                [LIMITS[n] for n in self.limits[places].tolist()],
                self.failed[places].tolist(),
            )
        )
        for n, (place, unknown) in enumerate(
            zip(places.tolist(), self.unknown[places].tolist(), strict=True)
        ):
            if unknown:
                made[n] = None
            elif place in self._alone:
                made[n] = self._alone[place]
        return made

    def set(self, place: int, state: State | None) -> None:
        """One result, judged by itself."""
        self._alone[place] = state
        self.unknown[place] = state is None
        if state is None:
            return
        self.rank[place] = state.verdict.rank
        self.margin[place] = math.nan if state.margin is None else state.margin
        self.U[place] = state.U
        self.limits[place] = int(bool(state.limits))
        self.failed[place] = state.failed


def consequences(before: _Stands, after: _Stands) -> Ints:
    """What becomes of every result, as places in ``Consequence``: ``rejudge.consequence``."""
    import numpy as np

    out, unsure, back, kept = range(len(_CONSEQUENCES))
    accepted = after.rank <= 1
    outside = after.outside | (after.margin < 0)
    with np.errstate(invalid="ignore"):
        nearer = (after.margin < before.margin) & (after.margin < after.U)
    found: Ints = np.select(
        [
            before.failed,
            after.unknown,
            (before.rank > 1) & accepted,
            before.rank > 1,
            ~accepted & outside,
            ~accepted,
            after.rank > before.rank,
            nearer,
        ],
        [kept, unsure, back, kept, out, unsure, unsure, unsure],
        kept,
    )
    return found


class Rows(Sequence[Row]):
    """The results on the gauge of ``event``, judged again, most urgent first.

    All are judged at once; a row is made when it is asked for, with its neighbours. ``counts``:
    how many have each consequence and criticality; ``on``: by certificate. ``exact``: how many
    were judged from their raw readings.
    """

    def __init__(
        self,
        facts: ChainFacts,
        event: FoundBad,
        columns: CalibrationColumns,
        affected: Affected,
        book: ShiftBook,
        *,
        areas: Mapping[str, str],
        inputs: InputsOf | None,
        records: RecordsOf,
        exact_up_to: int,
    ) -> None:
        self._event, self._columns = event, columns
        self._affected, self._book, self._areas = affected, book, areas
        self._inputs, self._records = inputs, records
        self._newest = newest_sheets(facts.switches.values())
        self._gathered = Gathered(facts, event, columns, affected, book, self._newest)
        self._everything = len(self._gathered) <= exact_up_to
        self._paths: dict[str, tuple[str, ...]] = {}
        self.counts: Counter[tuple[Consequence, Criticality]] = Counter()
        self._portions: dict[int, list[Row]] = {}
        self._judge()
        self._compare()

    # --- judging

    def _judge(self) -> None:
        import numpy as np

        size = len(self._gathered)
        self._before = _Stands(size, known=True)
        self._worst, self._linear = _Stands(size, known=False), _Stands(size, known=False)
        self._shift_worst, self._shift_linear = np.full(size, np.nan), np.full(size, np.nan)
        self._shift_known = np.zeros(size, dtype=np.bool_)
        self._exact = np.zeros(size, dtype=np.bool_)
        near = np.zeros(size, dtype=np.bool_)
        for places, batch in self._gathered.batches(_BATCH):
            many = judge_many(batch)
            self._before.put(places, many.before)
            self._worst.put(places, many.worst)
            self._linear.put(places, many.linear)
            self._shift_worst[places] = many.shift_worst
            self._shift_linear[places] = many.shift_linear
            self._shift_known[places] = many.shift_known
            near[places] = True if self._everything else many.near
        for place in np.flatnonzero(self._gathered.why > 0).tolist():
            self._before.set(place, _recorded(self._gathered.rows[place]))
        if self._inputs is not None:
            self._judge_exactly(np.flatnonzero(near).tolist(), self._inputs)

    def _judge_exactly(self, places: list[int], inputs: InputsOf) -> None:
        g = self._gathered
        numbers = [self._columns.numbers[g.calibration[place]] for place in places]
        records = self._records(set(numbers)) if numbers else {}
        for place, number in zip(places, numbers, strict=True):
            label, phase = g.labels[g.point[place]], g.rows[place][2]
            calibration = records[number]
            result = next(
                r for r in calibration.results if r.set_point == label and r.phase == phase
            )
            self._judge_one(place, calibration, result, inputs)

    def _judge_one(
        self, place: int, calibration: Calibration, result: Result, inputs: InputsOf
    ) -> None:
        """From the raw readings; where the evaluation refuses them, the figures stay."""
        g = self._gathered
        operating, low_side = g.in_use[g.operating[place]], None
        if g.static[place] >= 0:
            low_side = g.in_use[g.static[place]]
        placed = Placed(
            None if operating is None else operating.shifts,
            None if low_side is None else low_side.shifts,
            g.fraction(place),
        )
        try:
            given = inputs(calibration, result)
            before = judge_exactly(given, placed, None) if given is not None else None
        except CalfleetError:
            return
        if given is None or before is None:
            return
        self._before.set(place, before)
        self._exact[place] = True
        for course, stands, shifts in (
            (Course.WORST, self._worst, self._shift_worst),
            (Course.LINEAR, self._linear, self._shift_linear),
        ):
            after = judge_exactly(given, placed, course)
            stands.set(place, after)
            shifts[place] = _difference(before, after, shifts[place])

    # --- comparing

    def _compare(self) -> None:
        """What became of every result, and the order of the rows."""
        import numpy as np

        g, columns = self._gathered, self._columns
        self._under_worst = consequences(self._before, self._worst)
        self._under_linear = consequences(self._before, self._linear)
        self._gravest = gravest = np.minimum(self._under_worst, self._under_linear)
        self._newest_sheets = [self._newest.get(tag) for tag, _ in g.names]
        weight = np.array(
            [0 if s is None else _CRITICALITIES.index(s.criticality) for s in self._newest_sheets],
            dtype=np.intp,
        )[g.sheet]  # fmt: skip
        self._after = self._later()[g.calibration]
        self._now = now = (self._after < 0) & (g.left | ~self._adjusted())
        margin = np.where(self._worst.unknown, self._before.margin, self._worst.margin)
        margin = np.where(np.isnan(margin), -np.inf, margin)
        self._order = np.lexsort(
            (
                g.left, _ranks(g.labels)[g.point], _ranks(columns.numbers)[g.calibration],
                g.day_of[g.calibration], margin, ~now, weight, gravest,
            )
        )  # fmt: skip
        codes = gravest * len(_CRITICALITIES) + weight
        for code, count in enumerate(np.bincount(codes).tolist() if len(codes) else []):
            if count:
                what, which = divmod(code, len(_CRITICALITIES))
                self.counts[_CONSEQUENCES[what], _CRITICALITIES[which]] = count

    # --- as a sequence

    def __len__(self) -> int:
        return len(self._gathered)

    @overload
    def __getitem__(self, place: int) -> Row: ...
    @overload
    def __getitem__(self, place: slice) -> list[Row]: ...
    def __getitem__(self, place: int | slice) -> Row | list[Row]:
        if isinstance(place, slice):
            return [self[n] for n in range(*place.indices(len(self)))]
        at = place + len(self) if place < 0 else place
        if not 0 <= at < len(self):
            raise IndexError(place)
        return self._portion(at // PORTION)[at % PORTION]

    def __iter__(self) -> Iterator[Row]:
        for number in range(-(-len(self) // PORTION)):
            yield from self._portion(number)

    def __eq__(self, other: object) -> bool:
        if not isinstance(other, Sequence):
            return NotImplemented
        return len(self) == len(other) and all(a == b for a, b in zip(self, other, strict=True))

    __hash__ = None  # type: ignore[assignment]

    def _portion(self, number: int) -> list[Row]:
        held = self._portions.get(number)
        if held is None:
            places = self._order[number * PORTION : (number + 1) * PORTION]
            held = self._portions[number] = self._made(places)
        return held

    @property
    def exact(self) -> int:
        return int(self._exact.sum())

    @cached_property
    def on(self) -> Counter[str]:
        columns, nearest = self._columns, self._affected.touched.nearest
        return Counter(
            columns.certificates[columns.uses[nearest[columns.keys[n]]][3]]
            for n in self._gathered.calibration.tolist()
        )

    def unconfirmed(self) -> list[Row]:
        """The rows judged from their readings whose recorded verdict these do not confirm."""
        places = self._order[self._exact[self._order]]
        return [row for row in self._made(places) if row.recorded_verdict != row.before.verdict]

    # --- making rows

    def _made(self, order: Ints) -> list[Row]:
        """The rows of the results at these places."""
        columns = self._columns
        return list(
            map(
                Row,
                *self._names(order),
                *self._figures(order),
                [_CONSEQUENCES[n] for n in self._under_worst[order].tolist()],
                [_CONSEQUENCES[n] for n in self._under_linear[order].tolist()],
                [_CONSEQUENCES[n] for n in self._gravest[order].tolist()],
                self._why(order),
                [None if n < 0 else columns.numbers[n] for n in self._after[order].tolist()],
                self._now[order].tolist(),
                self._exact[order].tolist(),
            )
        )

    def _names(self, order: Ints) -> Iterable[Iterable[object]]:
        """The columns of a row that say what it is: up to ``fraction``."""
        g, columns = self._gathered, self._columns
        calibration = g.calibration[order].tolist()
        sheet = g.sheet[order].tolist()
        phases = (Phase.AS_FOUND, Phase.AS_LEFT)
        nearest = [self._affected.touched.nearest[columns.keys[c]] for c in calibration]
        uses = [columns.uses[n] for n in nearest]
        tiers = [self._affected.touched.tiers[n] for n in nearest]
        certificates = [columns.certificates[use[3]] for use in uses]
        fractions = self._fractions
        days = g.day_of[g.calibration[order]].tolist()
        services, areas, area_names, criticalities, in_use = self._sheet_words

        def of(words: list[Any]) -> list[Any]:
            return [words[n] for n in sheet]

        return (
            [columns.numbers[c] for c in calibration],
            [g.names[n][0] for n in sheet],
            of(services),
            of(areas),
            of(area_names),
            of(criticalities),
            of(in_use),
            [g.days[n] for n in days],
            [g.labels[n] for n in g.point[order].tolist()],
            [phases[left] for left in g.left[order].tolist()],
            [g.rows[n][3] for n in order.tolist()],
            [columns.gauges[use[2]] for use in uses],
            certificates,
            tiers,
            [
                self._path(number) if tier > 1 else ()
                for number, tier in zip(certificates, tiers, strict=True)
            ],
            [fractions[n] for n in days],
        )

    @cached_property
    def _fractions(self) -> list[float]:
        return [float(fraction) for fraction in self._gathered.fractions]

    @cached_property
    def _sheet_words(self) -> tuple[list[Any], ...]:
        """Of every data sheet: service; by the newest one: area, its name, criticality, in use."""
        g, newest = self._gathered, self._newest_sheets
        known = [s or n for s, n in zip(g.switches, newest, strict=True)]

        def of(sheets: list[Switch | None], what: Callable[[Switch], object]) -> list[object]:
            return [None if s is None else what(s) for s in sheets]

        return (
            of(known, lambda s: s.service),
            of(newest, lambda s: s.area),
            of(newest, lambda s: self._areas.get(s.area, "")),
            of(newest, lambda s: s.criticality),
            of(newest, lambda s: s.status is SwitchStatus.IN_SERVICE),
        )

    def _figures(self, order: Ints) -> Iterable[Iterable[object]]:
        """The columns of a row from its limits to the shifts."""
        places = order.tolist()
        rows = self._gathered.rows
        return (
            [rows[n][7] for n in places],
            [rows[n][8] for n in places],
            [rows[n][12] for n in places],
            self._before.states(order),
            self._worst.states(order),
            self._linear.states(order),
            known(self._shift_worst[order]),
            known(self._shift_linear[order]),
        )

    def _adjusted(self) -> Bools:
        """For each result whether its set point has one as left as well."""
        import numpy as np

        g = self._gathered
        code = g.calibration * max(len(g.labels), 1) + g.point
        found: Bools = np.isin(code, code[g.left])
        return found

    def _later(self) -> Ints:
        """For each calibration the place of the next one of its switch; -1 where there is none.

        Those that a later record replaced are left out.
        """
        import numpy as np

        g, columns = self._gathered, self._columns
        tags: dict[str, int] = {}
        of_sheet = [tags.setdefault(tag, len(tags)) for tag, _ in g.names]
        standing = np.flatnonzero(~np.array(columns.replaced, dtype=np.bool_))
        tag = np.array(of_sheet, dtype=np.intp)[g.sheet_of][standing] if len(standing) else standing
        order = np.lexsort(
            (
                _ranks(columns.numbers)[standing], _ranks(columns.recorded_at)[standing],
                g.day_of[standing], tag,
            )
        )  # fmt: skip
        own, tag = standing[order], tag[order]
        later = np.full(len(columns.keys), -1, dtype=np.intp)
        same = tag[1:] == tag[:-1]
        later[own[:-1][same]] = own[1:][same]
        return later

    # --- words

    def _path(self, certificate: str) -> tuple[str, ...]:
        if certificate not in self._paths:
            self._paths[certificate] = self._affected.path(certificate)
        return self._paths[certificate]

    def _why(self, order: Ints) -> list[str]:
        """Why the error is not known; empty where it is."""
        import numpy as np

        why = [""] * len(order)
        for n in np.flatnonzero(self._worst.unknown[order]).tolist():
            why[n] = self._why_not(int(order[n]))
        return why

    def _why_not(self, place: int) -> str:
        g, event = self._gathered, self._event
        tag, revision = g.names[g.sheet[place]]
        cause = {
            NO_SHEET: f"revision {revision} of {tag} is not recorded",
            NO_READINGS: "no readings are recorded",
            NO_OPERATING: "no usable certificate of the operating gauge is recorded",
            NO_STATIC: "no usable certificate of the static gauge is recorded",
        }.get(int(g.why[place]))
        if cause is not None:
            return cause
        nearest = self._affected.touched.nearest[self._columns.keys[g.calibration[place]]]
        certificate = self._columns.certificates[self._columns.uses[nearest][3]]
        if self._affected.touched.tiers[nearest] > 1 and certificate in self._book.reasons:
            return self._book.reasons[certificate]
        if event.known and self._shift_known[place]:
            return f"with the error of {event.gauge} its readings contradict each other"
        if event.known:
            return f"a reading lies outside the points at which {event.gauge} was checked"
        return f"{event.gauge}: {event.kind} on {event.found_on}, its error is not known"


def newest_sheets(switches: Iterable[Switch]) -> dict[str, Switch]:
    """By tag the newest data sheet: the last in effect, of two on one day the higher revision."""
    newest: dict[str, Switch] = {}
    for switch in switches:
        known = newest.get(switch.tag)
        if known is None or (switch.effective_on, switch.revision) > (
            known.effective_on,
            known.revision,
        ):
            newest[switch.tag] = switch
    return newest


def _ranks(names: Iterable[str]) -> Ints:
    """The place of each name among all in order."""
    import numpy as np

    held = list(names)
    place = {name: n for n, name in enumerate(sorted(set(held)))}
    return np.array([place[name] for name in held], dtype=np.intp)


def _recorded(row: tuple[Any, ...]) -> State:
    """How a result stands by its record alone: the set point found is the only value known."""
    found, U, low, high, verdict = (row[n] for n in (4, 5, 7, 8, 12))
    margins = []
    if found is not None:
        margins += [found - low] if low is not None else []
        margins += [high - found] if high is not None else []
    return State(
        verdict=next((v for v in Verdict if v == verdict), Verdict.FAIL),
        margin=min(margins, default=None),
        found=found,
        low=found,
        high=found,
        U=U or 0.0,
        failed=found is None,
    )


def _difference(before: State, after: State | None, quick: float) -> float:
    if after is None:
        return math.nan
    if before.found is None or after.found is None:
        return quick
    return before.found - after.found
