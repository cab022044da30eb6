"""Building a site from its input files: registers first, then history, judged as it goes."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from dataclasses import replace
from datetime import date
from typing import Any, TypeVar

from calfleet.records import BenchRecord, Calibration, Phase, SiteInput, Switch
from calfleet.services.bench_facts import BenchFacts
from calfleet.services.record import Context, judge_record
from calfleet.store import facts as store
from calfleet.store.planning_facts import add_planning_input
from calfleet.store.queries.due import pooled_spread
from calfleet.store.registers import add_registers
from calfleet.store.work import Work

Item = TypeVar("Item")


def build_site(
    work: Work, given: SiteInput, *, today: date, step: Callable[[], object] = lambda: None
) -> list[Calibration]:
    """The calibrations added, in order of performance; ``step`` is called after each.

    Every historic calibration is judged from its readings by the rules and the procedure of its
    day; what would have been refused at the bench is kept with a finding. The pooled
    repeatability that a judgement uses is that of the calibrations before it.

    Raises: RecordRefused, UnknownName; the caller rolls back.
    """
    add_registers(work, given)
    add_planning_input(work, given.planning)
    return _history(work, given, today, step)


def _history(
    work: Work, given: SiteInput, today: date, step: Callable[[], object]
) -> list[Calibration]:
    spread = Spread()
    facts = BenchFacts(
        gauges=_grouped(given.gauges, lambda g: g.code, lambda g: g.revision),
        certificates={c.number: c for c in given.certificates},
        policies=_grouped(given.policies, lambda p: p.code, lambda p: p.effective_on),
        procedures=_grouped(given.procedures, lambda p: p.code, lambda p: p.revision),
        people={p.code: p for p in given.people},
        repeatability=spread.pooled,
        absences=given.planning.absences,
    )
    performed: dict[str, list[date]] = {}
    switches = _grouped(given.switches, lambda s: s.tag, lambda s: s.revision)
    context = Context(facts, switches, performed)
    made: list[Calibration] = []
    counts: dict[int, int] = {}
    days: dict[str, date] = {}
    for bench in _in_order(given.history):
        context.corrects = None
        if bench.replaces in days:
            context.corrects = days.pop(bench.replaces)
            performed[bench.tag].remove(context.corrects)
            spread.remove(bench.replaces)
        calibration = judge_record(
            context, bench, today=today, at=work.at, recorded_by=work.actor, strict=False
        )
        if not calibration.number:
            year = bench.performed_on.year
            counts[year] = counts.get(year, 0) + 1
            calibration = replace(calibration, number=f"C{year}-{counts[year]:04d}")
        store.add_calibration(work, calibration)
        made.append(calibration)
        days[calibration.number] = bench.performed_on
        performed.setdefault(calibration.bench.tag, []).append(bench.performed_on)
        spread.add(calibration, switches[calibration.bench.tag])
        step()
    return made


def _in_order(history: Iterable[BenchRecord]) -> Iterator[BenchRecord]:
    """By day, then number; a correction never before the record that it corrects."""
    named: set[str] = set()
    waiting: dict[str, list[BenchRecord]] = {}
    for bench in sorted(history, key=lambda b: (b.performed_on, b.number or "")):
        if bench.replaces is not None and bench.replaces not in named:
            waiting.setdefault(bench.replaces, []).append(bench)
            continue
        ready = [bench]
        while ready:
            one = ready.pop(0)
            yield one
            if one.number is not None:
                named.add(one.number)
                ready += waiting.pop(one.number, [])
    for rest in waiting.values():  # of a record that is not there: refused when it is added
        yield from rest


class Spread:
    """The pooled repeatability per family as history goes on, by the rule of the stored query."""

    def __init__(self) -> None:
        self.series: dict[str, dict[str, list[tuple[float | None, float]]]] = {}
        self.pooled: dict[str, tuple[float, int]] = {}

    def add(self, calibration: Calibration, revisions: tuple[Switch, ...]) -> None:
        switch = next(s for s in revisions if s.revision == calibration.switch_revision)
        span = float(switch.range_high) - float(switch.range_low)
        own: list[tuple[float | None, float]] = [
            (r.trip_sd / span, r.runs - 1)
            for r in calibration.results
            if r.phase is Phase.AS_LEFT and r.trip_sd is not None
        ]
        if own:
            self.series.setdefault(switch.family, {})[calibration.number] = own
            self._pool(switch.family)

    def remove(self, number: str) -> None:
        """Leave out a calibration that is corrected."""
        for family, series in self.series.items():
            if series.pop(number, None) is not None:
                self._pool(family)

    def _pool(self, family: str) -> None:
        series = [one for own in self.series[family].values() for one in own]
        if series:
            self.pooled[family] = pooled_spread(series)
        else:
            self.pooled.pop(family, None)


def _grouped(
    items: Iterable[Item], key: Callable[[Item], str], order: Callable[[Item], Any]
) -> dict[str, tuple[Item, ...]]:
    """The items by their key, each group in order."""
    found: dict[str, list[Item]] = {}
    for item in sorted(items, key=order):
        found.setdefault(key(item), []).append(item)
    return {name: tuple(group) for name, group in found.items()}
