"""Adding what people and laboratories are granted after they were entered: facts of their own.

The fact of a person (of a laboratory) holds the grants entered together with it. Which these are is
told by the marks of entry: a unit of work has one time, to the microsecond, and one actor, and
units of work follow one another, so rows with the marks of the person's own row came with it and
all others came later. A grant that would carry the same marks is refused; it could not be told
apart.
"""

from __future__ import annotations

from typing import Any

from calfleet.errors import RecordRefused
from calfleet.records import LaterAccreditation, LaterQualification, LaterRole
from calfleet.store.facts import insert, known
from calfleet.store.models import (
    AccreditationRow,
    LaboratoryRow,
    PersonRoleRow,
    PersonRow,
    QualificationRow,
)
from calfleet.store.work import Work


def add_role(work: Work, given: LaterRole) -> None:
    """Raises: UnknownName; RecordRefused for a person entered in this very unit of work."""
    row = PersonRoleRow(
        person_id=_there(work, PersonRow, "person", given.person),
        role=given.role,
        effective_on=given.effective_on,
        held=given.held,
        **work.marks(),
    )
    insert(work, row, "person role", given.key, given)


def add_qualification(work: Work, given: LaterQualification) -> None:
    """Raises: UnknownName; RecordRefused for a person entered in this very unit of work."""
    row = QualificationRow(
        person_id=_there(work, PersonRow, "person", given.person),
        quantity=given.quantity,
        granted_on=given.granted_on,
        expires_on=given.expires_on,
        granted_by=given.granted_by,
        **work.marks(),
    )
    insert(work, row, "qualification", given.key, given)


def add_accreditation(work: Work, given: LaterAccreditation) -> None:
    """Raises: UnknownName; RecordRefused for a laboratory entered in this very unit of work."""
    row = AccreditationRow(
        laboratory_id=_there(work, LaboratoryRow, "laboratory", given.laboratory),
        number=given.number,
        valid_from=given.valid_from,
        valid_until=given.valid_until,
        scope=given.scope,
        **work.marks(),
    )
    insert(work, row, "accreditation", given.key, given)


def _there(work: Work, row: type[Any], kind: str, code: str) -> int:
    """The key of a person or laboratory that an earlier unit of work entered."""
    key = known(work, row, kind, code)
    held = work.session.get_one(row, key)
    if (held.recorded_at, held.recorded_by) == (work.at, work.actor):
        raise RecordRefused(
            f"{code} was entered in the same step.",
            rule=f"What is entered together with a {kind} is part of its record; what comes later "
            "is a record of its own.",
            next_step="Enter it again in a moment.",
        )
    return key
