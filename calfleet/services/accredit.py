"""A laboratory's accreditation noted, or its renewal."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import date

from calfleet.errors import RecordRefused, UnknownName, UsageError
from calfleet.records import Laboratory, LaterAccreditation
from calfleet.services.nearest import pick
from calfleet.store import people_facts
from calfleet.store.queries import shop
from calfleet.store.work import Work


@dataclass(frozen=True, slots=True)
class Accredited:
    """The accreditation as added, and the last day covered before (``None``: none was)."""

    accreditation: LaterAccreditation
    name: str
    before: date | None


def accredit(work: Work, given: LaterAccreditation) -> Accredited:
    """The accreditation as added; the caller commits.

    Raises: UnknownName; UsageError without a number; RecordRefused for days in the wrong order or
    one that is there.
    """
    laboratories = shop.laboratories(work.session)
    held = pick(
        "laboratory",
        given.laboratory,
        laboratories,
        next_step="'calfleet laboratories' lists them.",
    )
    made = replace(
        given,
        laboratory=held.code,
        number=" ".join(given.number.split()),
        scope=" ".join(given.scope.split()),
    )
    refuse_accreditation(laboratories, made)
    people_facts.add_accreditation(work, made)
    ends = [a.valid_until for a in held.accreditations]
    return Accredited(made, held.name, max(ends, default=None))


def refuse_accreditation(laboratories: Mapping[str, Laboratory], made: LaterAccreditation) -> None:
    """Nothing where the accreditation makes sense for a laboratory that is there.

    Raises: UnknownName, UsageError, RecordRefused.
    """
    held = laboratories.get(made.laboratory)
    if held is None:
        raise UnknownName("laboratory", made.laboratory)
    if not made.number:
        raise UsageError(
            f"The accreditation of {made.laboratory} has no number.",
            rule="It is known by the number that its body gave it.",
            next_step="Give the number.",
        )
    if made.valid_until < made.valid_from:
        raise RecordRefused(
            f"Accreditation {made.number} would end on {made.valid_until}, before it begins on "
            f"{made.valid_from}.",
            rule="An accreditation ends on its first day or later.",
            next_step="Check the days.",
        )
    for one in held.accreditations:
        if (one.number, one.valid_from) == (made.number, made.valid_from):
            raise RecordRefused(
                f"Accreditation {one.number} of {made.laboratory} from {one.valid_from} through "
                f"{one.valid_until} is on record already.",
                rule="An accreditation begins once; a renewal begins on a day of its own.",
                next_step="Give the first day of the renewal.",
            )
