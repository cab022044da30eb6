"""Adding what was moved in from workbooks of the shop."""

from __future__ import annotations

from calfleet.records import MoveIn
from calfleet.store.facts import insert, site_id
from calfleet.store.models import MovedRecordRow, MoveInFileRow, MoveInRow
from calfleet.store.queries.papers import with_marks
from calfleet.store.work import Work


def add_move_in(work: Work, moved: MoveIn) -> None:
    """Note which files were taken in, how they were read, and where each record stood."""
    row = MoveInRow(
        site_id=site_id(work),
        number=moved.number,
        mapping=moved.mapping,
        outcome=moved.outcome,
        files=[MoveInFileRow(name=name, digest=digest) for name, digest in moved.files],
        **work.marks(),
    )
    insert(work, row, "move in", moved.number, with_marks(moved, work.at, work.actor))
    if moved.moved:
        work.session.bulk_insert_mappings(
            MovedRecordRow.__mapper__,
            [
                {"move_in_id": row.id, "kind": kind, "key": key, "place": place}
                for kind, key, place in moved.moved
            ],
        )
