"""An event with all that was told, decided and closed about it, and what it touches: the dossier.

Sources: ISO/IEC 17025:2017 7.10.1 to 7.10.3.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from datetime import date

from calfleet.records import (
    Action,
    Criticality,
    Disposition,
    EventClosure,
    EventNotice,
    GaugeEvent,
)
from calfleet.traceability.impact import Consequence, Impact, Row
from calfleet.traceability.period import Compared
from calfleet.traceability.words import counted, listed

SHOWN = 12
"""So many names stand in a sentence; the others are counted."""


@dataclass(frozen=True, slots=True)
class HeldEvent:
    """An event with all that was told, decided and closed about it, in the order entered."""

    event: GaugeEvent
    decisions: tuple[Disposition, ...] = ()
    notices: tuple[EventNotice, ...] = ()
    closure: EventClosure | None = None

    @property
    def number(self) -> str:
        return self.event.number

    @property
    def standing(self) -> dict[str, Disposition]:
        """The decision that stands, by calibration number: the last one made."""
        return {d.calibration: d for d in sorted(self.decisions, key=lambda d: d.decision)}


@dataclass(frozen=True, slots=True)
class Touched:
    """A calibration that an event touches, all its results together.

    ``consequence``: the gravest of its results; ``proposed``: the most that any of them calls for.
    """

    calibration: str
    tag: str
    performed_on: date
    criticality: Criticality
    consequence: Consequence
    proposed: Action
    rows: tuple[Row, ...]


@dataclass(frozen=True)
class Dossier:
    """An event with everything about it, judged as of ``asked_on``.

    ``touched``: the calibrations by number, most urgent first. ``open_points``: what keeps the
    event from being closed, in words, empty when nothing does; ``remarks``: what else a reader
    must know. ``checks``: the cross checks of the gauge. ``head``: position and digest of the last
    entry of the audit trail. ``names``: the name of every person, by code.
    """

    held: HeldEvent
    impact: Impact
    touched: Mapping[str, Touched]
    checks: tuple[Compared, ...]
    open_points: tuple[str, ...]
    remarks: tuple[str, ...]
    head: tuple[int, str]
    asked_on: date
    site: str
    names: Mapping[str, str]

    @property
    def undecided(self) -> tuple[str, ...]:
        """The touched calibrations about which nothing was decided, most urgent first."""
        return undecided(self.held, self.touched)

    def who(self, code: str) -> str:
        """A person by name and code; the code alone where nobody has it."""
        name = self.names.get(code)
        return f"{name} ({code})" if name else code

    @property
    def state(self) -> str:
        """Whether the event is open or closed, since when and by whom."""
        closure = self.held.closure
        if closure is None:
            return "open"
        return f"closed on {closure.closed_on} by {self.who(closure.closed_by)}"


def undecided(held: HeldEvent, touched: Mapping[str, object]) -> tuple[str, ...]:
    """The names among ``touched`` without a decision, in their order."""
    decided = held.standing
    return tuple(number for number in touched if number not in decided)


GRAVITY = (Action.RECALL, Action.ASSESS, Action.NONE)
"""What may be decided, most work first."""


def touched_calibrations(found: Impact) -> dict[str, Touched]:
    """The calibrations of an impact by number, in the order of their most urgent result."""
    rows: dict[str, list[Row]] = {}
    for row in found.rows:
        rows.setdefault(row.calibration, []).append(row)
    return {
        number: Touched(
            calibration=number,
            tag=own[0].tag,
            performed_on=own[0].performed_on,
            criticality=own[0].criticality,
            consequence=min((row.consequence for row in own), key=lambda c: c.rank),
            proposed=min((row.action for row in own), key=GRAVITY.index),
            rows=tuple(own),
        )
        for number, own in rows.items()
    }


def covered(held: HeldEvent, rows: Iterable[Row]) -> Iterator[tuple[Row, Disposition | None]]:
    """Each result with the decision that covers it, ``None`` where there is none.

    A decision is made about a calibration and covers all of its results, set point by set point
    and phase by phase, that the event touches.
    """
    standing = held.standing
    for row in rows:
        yield row, standing.get(row.calibration)


def open_points(
    held: HeldEvent, touched: Mapping[str, Touched], told: tuple[str, ...]
) -> Iterator[str]:
    """What keeps the event from being closed: results without a decision, nobody told.

    ``told``: who must be told; where that is nobody, nobody need be.
    """
    rows = [row for one in touched.values() for row in one.rows]
    bare = [row.calibration for row, decision in covered(held, rows) if decision is None]
    if bare:
        waiting = tuple(dict.fromkeys(bare))
        yield (
            f"{counted(len(bare), 'result')} of {counted(len(waiting), 'calibration')} without a "
            f"decision: {some(waiting)}"
        )
    if told and not held.notices:
        yield f"nobody was told; to be told: {'; '.join(told)}"


def some(names: tuple[str, ...]) -> str:
    """The names (at least one) in a sentence, the first ``SHOWN`` of them."""
    more = len(names) - SHOWN
    return f"{', '.join(names[:SHOWN])} and {more} more" if more > 0 else listed(names)
