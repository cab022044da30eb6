"""Building a site from its input files: registers first, then history, judged as it goes."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from datetime import date
from typing import Any, TypeVar

from calfleet.records import Calibration, SiteInput
from calfleet.services.bench_facts import BenchFacts
from calfleet.services.history import Before, Spread, in_order, judge_next, no_collecting
from calfleet.services.record import Context
from calfleet.store import calibration_facts
from calfleet.store.particular_facts import add_particulars
from calfleet.store.planning_facts import add_planning_input
from calfleet.store.registers import add_registers
from calfleet.store.work import Work

Item = TypeVar("Item")


def build_site(
    work: Work,
    given: SiteInput,
    *,
    today: date,
    step: Callable[[], object] = lambda: None,
    keep: bool = True,
) -> list[Calibration]:
    """The calibrations added, in order of performance; ``step`` is called after each.

    Every historic calibration is judged from its readings by the rules and the procedure of its
    day; what would have been refused at the bench is kept with a finding. The pooled
    repeatability that a judgement uses is that of the calibrations before it. Without ``keep``
    none is given back: tens of thousands are not held at once then.

    Raises: RecordRefused, UnknownName; the caller rolls back.
    """
    add_registers(work, given)
    add_planning_input(work, given.planning)
    add_particulars(work, given.particulars)
    made: list[Calibration] = []

    def judged() -> Iterator[Calibration]:
        for calibration in _history(work, given, today):
            if keep:
                made.append(calibration)
            yield calibration
            step()

    with no_collecting():
        calibration_facts.add_calibrations(work, judged())
    return made


def _history(work: Work, given: SiteInput, today: date) -> Iterator[Calibration]:
    spread = Spread()
    facts = BenchFacts(
        gauges=grouped(given.gauges, lambda g: g.code, lambda g: g.revision),
        certificates={c.number: c for c in given.certificates},
        policies=grouped(given.policies, lambda p: p.code, lambda p: p.effective_on),
        procedures=grouped(given.procedures, lambda p: p.code, lambda p: p.revision),
        people={p.code: p for p in given.people},
        repeatability=spread.pooled,
        absences=given.planning.absences,
    )
    performed: dict[str, list[date]] = {}
    switches = grouped(given.switches, lambda s: s.tag, lambda s: s.revision)
    before = Before(
        Context(facts, switches, performed),
        spread,
        performed,
        taken={b.number for b in given.history if b.number is not None},
    )
    for bench in in_order(given.history):
        yield judge_next(before, bench, today=today, at=work.at, recorded_by=work.actor)


def grouped(
    items: Iterable[Item], key: Callable[[Item], str], order: Callable[[Item], Any]
) -> dict[str, tuple[Item, ...]]:
    """The items by their key, each group in order."""
    found: dict[str, list[Item]] = {}
    for item in sorted(items, key=order):
        found.setdefault(key(item), []).append(item)
    return {name: tuple(group) for name, group in found.items()}
