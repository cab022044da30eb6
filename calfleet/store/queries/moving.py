"""Questions about what was moved in from workbooks of the shop."""

from __future__ import annotations

import json
from dataclasses import dataclass
from datetime import datetime
from typing import TYPE_CHECKING

from calfleet.records import MoveIn
from calfleet.store.queries.reader import ask, question

if TYPE_CHECKING:
    from calfleet.store.queries.reader import Reader


@dataclass(frozen=True, slots=True)
class HeldMoveIn:
    """A moving in, with when and by whom it was entered."""

    move: MoveIn
    recorded_at: datetime
    recorded_by: str


@dataclass(frozen=True, slots=True)
class Stood:
    """Where a record stood before it was moved in."""

    number: str
    place: str


_MOVES = question(
    "SELECT id, number, mapping, outcome, recorded_at, recorded_by FROM move_in ORDER BY id",
    mapping=json.loads,
    outcome=json.loads,
    recorded_at=datetime.fromisoformat,
)
_FILES = question("SELECT move_in_id, name, digest FROM move_in_file ORDER BY id")
_MOVED = question("SELECT move_in_id, kind, key, place FROM moved_record ORDER BY id")
_STOOD = question(
    """
    SELECT m.number, r.place FROM moved_record r JOIN move_in m ON m.id = r.move_in_id
    WHERE r.kind = :kind AND r.key = :key ORDER BY r.id
    """
)


def move_ins(reader: Reader, *, with_records: bool = True) -> list[HeldMoveIn]:
    """Every moving in, in the order entered; without records ``moved`` is empty."""
    files: dict[int, list[tuple[str, str]]] = {}
    for key, name, digest in ask(reader, _FILES):
        files.setdefault(key, []).append((name, digest))
    moved: dict[int, list[tuple[str, str, str]]] = {}
    for owner, kind, key, place in ask(reader, _MOVED) if with_records else ():
        moved.setdefault(owner, []).append((kind, key, place))
    return [
        HeldMoveIn(
            MoveIn(number, tuple(files.get(key, ())), mapping, outcome, tuple(moved.get(key, ()))),
            at,
            by,
        )
        for key, number, mapping, outcome, at, by in ask(reader, _MOVES)
    ]


def stood(reader: Reader, kind: str, key: str) -> list[Stood]:
    """Where the record stood, kind and key as the audit trail names it; usually none or one."""
    return [Stood(*row) for row in ask(reader, _STOOD, kind=kind, key=key)]
