"""The outcome of a comparison: what would become of each record that files bring."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field, replace
from datetime import date
from enum import StrEnum
from typing import Any

from calfleet import records as rec
from calfleet.errors import Problem
from calfleet.services.compare_grants import plus_accreditation, plus_qualification, plus_role
from calfleet.services.differences import FieldChange
from calfleet.services.who_grants import needs_approver


class State(StrEnum):
    """What becomes of a record that files bring."""

    ADDED = "added"
    CHANGED = "changed"
    UNCHANGED = "unchanged"
    REFUSED = "refused"


@dataclass(frozen=True, slots=True)
class Item:
    """One record that files bring: kind and key as the audit trail names it, and its place.

    ``changes``: to the revision that stood before. ``rule`` and ``next_step`` of a refused one.
    ``record`` is what would be added: the next revision, with the day from which it holds.
    """

    kind: str
    key: str
    place: str
    state: State
    record: Any = field(hash=False)
    changes: tuple[FieldChange, ...] = ()
    message: str = ""
    next_step: str = ""

    @property
    def problem(self) -> Problem:
        """Why it is refused, at its place."""
        return Problem(self.place, self.message, self.next_step)

    @property
    def writes(self) -> bool:
        return self.state in (State.ADDED, State.CHANGED)


KINDS = (
    "area",
    "person",
    "person role",
    "qualification",
    "laboratory",
    "accreditation",
    "interval policy",
    "procedure revision",
    "switch",
    "gauge",
    "certificate",
    "calibration",
)
"""In the order in which they are added: each finds what it refers to."""


@dataclass(frozen=True)
class Comparison:
    """All that files bring, set against ``known``; ``items`` in the order of ``KINDS``."""

    known: rec.SiteInput
    items: tuple[Item, ...]
    today: date

    def of(self, kind: str, *states: State) -> list[Item]:
        """The items of that kind in any of the states; of all states where none is named."""
        return [i for i in self.items if i.kind == kind and (not states or i.state in states)]

    def counts(self) -> dict[str, dict[str, int]]:
        """How many of each kind are added, changed, unchanged, refused; kinds without any left out.

        A count of zero is told too.
        """
        found: dict[str, dict[str, int]] = {}
        for item in self.items:
            held = found.setdefault(item.kind, dict.fromkeys(map(str, State), 0))
            held[str(item.state)] += 1
        return {kind: found[kind] for kind in KINDS if kind in found}

    @property
    def grants(self) -> list[Item]:
        """What would give somebody a role or a qualification."""
        return [i for i in self.items if i.writes and needs_approver(i.kind, i.record)]

    @property
    def refused(self) -> list[Item]:
        return [i for i in self.items if i.state is State.REFUSED]

    @property
    def writes(self) -> bool:
        """Whether anything would be written."""
        return any(i.writes for i in self.items)


def merged(known: rec.SiteInput, items: Iterable[Item]) -> rec.SiteInput:
    """What the site holds once the items that write are in it; without history."""
    new: dict[str, list[Any]] = {}
    for item in items:
        if item.writes and item.kind != "calibration":
            new.setdefault(item.kind, []).append(item.record)
    people = {p.code: p for p in (*known.people, *new.get("person", ()))}
    laboratories = {p.code: p for p in (*known.laboratories, *new.get("laboratory", ()))}
    for role in new.get("person role", ()):
        people = plus_role(people, role)
    for one in new.get("qualification", ()):
        people = plus_qualification(people, one)
    for one in new.get("accreditation", ()):
        laboratories = plus_accreditation(laboratories, one)
    return replace(
        known,
        areas=(*known.areas, *new.get("area", ())),
        people=tuple(people.values()),
        laboratories=tuple(laboratories.values()),
        policies=(*known.policies, *new.get("interval policy", ())),
        procedures=(*known.procedures, *new.get("procedure revision", ())),
        switches=(*known.switches, *new.get("switch", ())),
        gauges=(*known.gauges, *new.get("gauge", ())),
        certificates=(*known.certificates, *new.get("certificate", ())),
    )
