"""History judged as it goes on: each calibration with what was known from those before it."""

from __future__ import annotations

import gc
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from datetime import date, datetime

from calfleet.metrology.readings import RunningPool
from calfleet.records import BenchRecord, Calibration, Phase, Switch
from calfleet.services.record import Context, judge_record

Series = list[tuple[float, float]]


class Spread:
    """The pooled repeatability per family as history goes on, by the rule of the stored query."""

    def __init__(self) -> None:
        self.pooled: dict[str, tuple[float, int]] = {}
        self._series: dict[str, tuple[str, Series]] = {}
        self._pools: dict[str, RunningPool] = {}

    def add(self, calibration: Calibration, revisions: Sequence[Switch]) -> None:
        switch = next(s for s in revisions if s.revision == calibration.switch_revision)
        span = float(switch.range_high) - float(switch.range_low)
        own = [
            (r.trip_sd / span, float(r.runs - 1))
            for r in calibration.results
            if r.phase is Phase.AS_LEFT and r.trip_sd is not None
        ]
        self.add_series(calibration.number, switch.family, own)

    def add_series(self, number: str, family: str, own: Series) -> None:
        """The as-left series (s over the span, dof) of the calibration of that number."""
        if own:
            self._series[number] = (family, own)
            pool = self._pools.setdefault(family, RunningPool())
            for s, dof in own:
                pool.add(s, dof)
            self._pool(family)

    def remove(self, number: str) -> tuple[str, Series]:
        """The family and the series of a calibration that is corrected, from now on left out."""
        family, own = self._series.pop(number, ("", []))
        for s, dof in own:
            self._pools[family].remove(s, dof)
        if own:
            self._pool(family)
        return family, own

    def _pool(self, family: str) -> None:
        found = self._pools[family].pooled()
        if found is None:
            self.pooled.pop(family, None)
        else:
            self.pooled[family] = (found[0], int(found[1]))


@dataclass
class Before:
    """What history stands on that is judged now: facts, and the calibrations there are already.

    ``days``: day of performance of each calibration that no record corrected, by its number.
    ``taken``: numbers that a calibration without one cannot get. ``context.facts`` must have the
    pooled repeatability of ``spread``, which goes on as history does.
    """

    context: Context
    spread: Spread
    performed: dict[str, list[date]]
    days: dict[str, date] = field(default_factory=dict)
    taken: set[str] = field(default_factory=set)
    counts: dict[int, int] = field(default_factory=dict)

    @contextmanager
    def correcting(self, bench: BenchRecord) -> Iterator[None]:
        """Inside, the record that this one corrects is left out; it stays so unless it fails."""
        self.context.corrects = None
        if bench.replaces not in self.days:
            yield
            return
        day = self.context.corrects = self.days.pop(bench.replaces)
        self.performed[bench.tag].remove(day)
        series = self.spread.remove(bench.replaces)
        try:
            yield
        except BaseException:
            self.days[bench.replaces] = day
            self.performed[bench.tag].append(day)
            self.spread.add_series(bench.replaces, *series)
            raise

    def number_for(self, bench: BenchRecord) -> str:
        """The next number of the year of performance that nobody has."""
        year = bench.performed_on.year
        while True:
            self.counts[year] = self.counts.get(year, 0) + 1
            number = f"C{year}-{self.counts[year]:04d}"
            if number not in self.taken:
                return number

    def take(self, calibration: Calibration) -> None:
        """From now on the calibration is one of those before."""
        tag, day = calibration.bench.tag, calibration.bench.performed_on
        self.taken.add(calibration.number)
        self.days[calibration.number] = day
        self.performed.setdefault(tag, []).append(day)
        self.spread.add(calibration, self.context.switches[tag])


def judge_next(
    before: Before, bench: BenchRecord, *, today: date, at: datetime, recorded_by: str
) -> Calibration:
    """The calibration judged by the rules and the procedure of its day, with a number.

    What would have been refused at the bench is kept with a finding. It counts as one of those
    before the next.

    Raises: UnknownName, Refused, BadQuantity for what cannot be judged at all; nothing is taken
    then.
    """
    with before.correcting(bench):
        made = judge_record(
            before.context, bench, today=today, at=at, recorded_by=recorded_by, strict=False
        )
    if not made.number:
        made = replace(made, number=before.number_for(bench))
    before.take(made)
    return made


@contextmanager
def no_collecting() -> Iterator[None]:
    """Inside, Python looks for no circles among the objects in memory.

    Judging makes none, and looking through all that is held, time and again, costs an eighth.
    """
    on = gc.isenabled()
    gc.disable()
    try:
        yield
    finally:
        if on:
            gc.enable()


def in_order(history: Iterable[BenchRecord]) -> Iterator[BenchRecord]:
    """By day, then number; a correction never before the record that it corrects."""
    every = sorted(history, key=lambda b: (b.performed_on, b.number or ""))
    given = {b.number for b in every if b.number is not None}
    named: set[str] = set()
    waiting: dict[str, list[BenchRecord]] = {}
    for bench in every:
        if bench.replaces in given and bench.replaces not in named:
            waiting.setdefault(bench.replaces or "", []).append(bench)
            continue
        ready = [bench]
        while ready:
            one = ready.pop(0)
            yield one
            if one.number is not None:
                named.add(one.number)
                ready += waiting.pop(one.number, [])
    for rest in waiting.values():  # two that correct each other: refused when they are added
        yield from rest
