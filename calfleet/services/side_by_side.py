"""Much history judged by several processes at once, with the same outcome as one after the other.

A judgement stands on those before it in two ways: the days of the same switch, and the pooled
repeatability of its family. Switches that share neither are judged apart; a correction never ties
two switches, for it is refused. What comes back is in the order of what was asked, and the same to
the last bit.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import date, datetime
from typing import Protocol, TypeVar

from calfleet.errors import BadQuantity, CalfleetError, RecordRefused, Refused, UnknownName
from calfleet.records import BenchRecord, Calibration
from calfleet.services.history import Before, judge_next, no_collecting
from calfleet.store.work import digest_of

FEW = 2000
"""Below so many calibrations it takes longer to start processes than to judge alone."""
PORTION = 100
"""How many calibrations a process is handed at a time."""
AHEAD = 4
"""How many portions a process is handed before the first is asked for."""

State = TypeVar("State")
Given = TypeVar("Given")
Told = TypeVar("Told")
ToldLater = TypeVar("ToldLater", covariant=True)


class Answer(Protocol[ToldLater]):
    """What comes when it is asked for."""

    def result(self) -> ToldLater: ...


class Worker(Protocol):
    """A process that keeps a state, and does what it is asked in that order."""

    def ask(self, do: Callable[[State, Given], Told], given: Given) -> Answer[Told]: ...


class Workers(Protocol):
    """Processes to be had: ``count`` of them serve at once."""

    @property
    def count(self) -> int: ...

    def start(self, state: object) -> Worker: ...


@dataclass(frozen=True, slots=True)
class Refusal:
    """Why a calibration cannot be judged at all."""

    message: str
    rule: str
    next_step: str

    @classmethod
    def of(cls, error: CalfleetError) -> Refusal:
        return cls(error.message, error.rule, error.next_step)


Judged = Calibration | Refusal
Digested = tuple[Judged, str | None]
"""What became of a record, with the digest of the calibration where a worker made it."""


@dataclass
class Judging:
    """What history is judged with as it goes on.

    ``tags``: the switch of each calibration that there is, by number; ``before`` as in
    :class:`Before`; ``others``: as ``tags``, of what is judged now and corrected by a record of
    another switch.
    """

    before: Before
    tags: dict[str, str]
    today: date
    at: datetime
    recorded_by: str
    others: Mapping[str, str] = field(default_factory=dict)

    def next(self, bench: BenchRecord) -> Judged:
        """The calibration judged, from now on one of those before; or why it cannot be."""
        try:
            _check_correction(bench, self.tags, self.others)
            made = judge_next(
                self.before, bench, today=self.today, at=self.at, recorded_by=self.recorded_by
            )
        except (Refused, UnknownName, BadQuantity) as error:
            return Refusal.of(error)
        self.tags[made.number] = made.bench.tag
        return made


def judge_all(
    judging: Judging, history: Iterable[BenchRecord], workers: Workers | None = None
) -> Iterator[tuple[BenchRecord, Judged, str | None]]:
    """Each record of ``history``, which has numbers and is in order, with what became of it, and
    the digest of the calibration where it is at hand.

    Without ``workers``, and for little history, all of it is judged in this process.
    """
    given = list(history)
    judging = replace(judging, others=_others(given))
    shares = _shares(judging, given, workers.count) if workers is not None else []
    if workers is None or not shares:
        for bench in given:
            yield bench, judging.next(bench), None
        return
    asked = [_Asked(workers.start(judging), [given[n] for n in share]) for share in shares]
    whose = {n: one for one, share in zip(asked, shares, strict=True) for n in share}
    for n, bench in enumerate(given):
        yield bench, *whose[n].next()


def _judge_portion(judging: Judging, portion: Sequence[BenchRecord]) -> list[Digested]:
    with no_collecting():
        made = [judging.next(bench) for bench in portion]
        return [(one, None if isinstance(one, Refusal) else digest_of(one)) for one in made]


class _Asked:
    """What one worker is to judge: handed over in portions, a few ahead of what is asked for."""

    def __init__(self, worker: Worker, benches: Sequence[BenchRecord]) -> None:
        self._worker = worker
        self._portions = iter(
            [benches[at : at + PORTION] for at in range(0, len(benches), PORTION)]
        )
        self._answers: deque[Answer[list[Digested]]] = deque()
        self._ready: Iterator[Digested] = iter(())
        self._hand_over()

    def _hand_over(self) -> None:
        while len(self._answers) < AHEAD:
            portion = next(self._portions, None)
            if portion is None:
                return
            self._answers.append(self._worker.ask(_judge_portion, portion))

    def next(self) -> Digested:
        made = next(self._ready, None)
        if made is None:
            self._ready = iter(self._answers.popleft().result())
            self._hand_over()
            made = next(self._ready)
        return made


# --- what can be judged apart -------------------------------------------------------------


def _shares(judging: Judging, given: Sequence[BenchRecord], count: int) -> list[list[int]]:
    """The places in ``given`` that each of at most ``count`` processes takes, in order.

    None where there is too little, or where one record may stand on any other.
    """
    switches = judging.before.context.switches
    if len(given) < FEW or any(not b.number or b.tag not in switches for b in given):
        return []
    groups = _Groups()
    for tag in {b.tag for b in given}:
        for revision in switches[tag]:
            groups.join(("tag", tag), ("family", revision.family))
    places: dict[object, list[int]] = {}
    for n, bench in enumerate(given):
        places.setdefault(groups.first(("tag", bench.tag)), []).append(n)
    shares: list[list[int]] = [[] for _ in range(count)]
    for group in sorted(places.values(), key=len, reverse=True):
        min(shares, key=len).extend(group)
    return [sorted(share) for share in shares if share]


class _Groups:
    """Things that belong together, by what was said of pairs of them."""

    def __init__(self) -> None:
        self._towards: dict[tuple[str, str], tuple[str, str]] = {}

    def first(self, thing: tuple[str, str]) -> tuple[str, str]:
        """The same thing for all that belong together."""
        while (further := self._towards.get(thing, thing)) != thing:
            thing = further
        return thing

    def join(self, one: tuple[str, str], other: tuple[str, str]) -> None:
        self._towards[self.first(one)] = self.first(other)


def _others(given: Sequence[BenchRecord]) -> dict[str, str]:
    """The switch of each record of ``given`` that one of another switch corrects, by number."""
    tags = {b.number: b.tag for b in given if b.number}
    return {
        b.replaces: tags[b.replaces]
        for b in given
        if b.replaces is not None and tags.get(b.replaces, b.tag) != b.tag
    }


def _check_correction(
    bench: BenchRecord, tags: Mapping[str, str], others: Mapping[str, str]
) -> None:
    """Raises: UnknownName, RecordRefused for a correction of nothing, or of another switch.

    Whether that of another switch could be judged makes no difference: another process may know.
    """
    if bench.replaces is None:
        return
    tag = tags.get(bench.replaces)
    if tag is None and others.get(bench.replaces) != bench.tag:
        tag = others.get(bench.replaces)
    if tag is None:
        raise UnknownName(
            "calibration",
            bench.replaces,
            next_step="Move the record in that this one corrects, or correct the number.",
        )
    if tag != bench.tag:
        raise RecordRefused(
            f"{bench.replaces} is a calibration of {tag}, not of {bench.tag}.",
            rule="A correction replaces a record of the same switch.",
            next_step="Check the number and the tag.",
        )
    if not (bench.replacement_reason or "").strip():
        raise RecordRefused(
            f"The correction of {bench.replaces} gives no reason.",
            rule="A correction names the record it replaces and why.",
            next_step="Enter the reason.",
        )
