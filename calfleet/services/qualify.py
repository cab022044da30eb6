"""A qualification granted to a person, or renewed, by an approver."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import date

from calfleet.errors import PersonRefused, RecordRefused, UnknownName, UsageError
from calfleet.records import LaterQualification, Person, Quantity, Role
from calfleet.services.nearest import pick
from calfleet.services.who import holder
from calfleet.store import people_facts
from calfleet.store.queries import shop
from calfleet.store.work import Work


@dataclass(frozen=True, slots=True)
class Qualified:
    """The qualification as added, the end of the one before (``None``: none), what to know."""

    qualification: LaterQualification
    name: str
    before: date | None
    remark: str


def qualify(work: Work, given: LaterQualification, *, actor: str) -> Qualified:
    """The qualification as granted and entered by ``actor``; the caller commits.

    Raises: UnknownName; PersonRefused where somebody would grant or enter the own one, or who
    grants is no approver on that day; RecordRefused for days in the wrong order or one that
    brings nothing.
    """
    people = shop.people(work.session)
    person = pick("person", given.person, people)
    if person.code == actor:
        raise PersonRefused(
            f"{actor} may not enter {actor}'s own qualification.",
            rule="Nobody grants a qualification to oneself.",
            next_step="Let another approver enter it.",
        )
    by = holder(
        work.session, given.granted_by, Role.APPROVER, given.granted_on, to="grant qualifications"
    )
    made = replace(given, person=person.code, granted_by=by)
    refuse_qualification(people, made)
    held = [q.expires_on for q in person.qualifications if q.quantity is made.quantity]
    people_facts.add_qualification(work, made)
    remark = ""
    if not person.holds(Role.TECHNICIAN, made.granted_on):
        remark = (
            f"{person.code} is not technician on {made.granted_on}: 'calfleet person give-role "
            f"{person.code} technician' makes the qualification count at the bench."
        )
    return Qualified(made, person.name, max(held, default=None), remark)


def refuse_qualification(people: Mapping[str, Person], made: LaterQualification) -> None:
    """Nothing where the qualification makes sense for a person who is there.

    Raises: UnknownName, PersonRefused, RecordRefused.
    """
    person = people.get(made.person)
    if person is None:
        raise UnknownName("person", made.person)
    if made.granted_by not in people:
        raise UnknownName("person", made.granted_by)
    if made.granted_by == made.person:
        raise PersonRefused(
            f"{made.person} may not grant {made.person}'s own qualification.",
            rule="Nobody grants a qualification to oneself.",
            next_step="Name another approver.",
        )
    if made.expires_on < made.granted_on:
        raise RecordRefused(
            f"The qualification would end on {made.expires_on}, before it begins on "
            f"{made.granted_on}.",
            rule="A qualification ends on its first day or later.",
            next_step="Check the days.",
        )
    for held in person.qualifications:
        if held.quantity is not made.quantity:
            continue
        if held.granted_on == made.granted_on or (
            held.granted_on < made.granted_on and held.expires_on >= made.expires_on
        ):
            raise RecordRefused(
                f"{made.person} has a qualification for {made.quantity} from {held.granted_on} "
                f"through {held.expires_on} already.",
                rule="A further one begins on a day of its own and brings days that none had; "
                "none is shortened.",
                next_step="Check the days. To take work from somebody, take back the role "
                "technician: 'calfleet person take-role'.",
            )


def quantity_named(text: str) -> Quantity:
    """The quantity of that name. Raises: UsageError."""
    try:
        return Quantity(" ".join(text.split()).casefold())
    except ValueError as error:
        raise UsageError(
            f"{text!r} is no quantity that switches are set in.",
            rule=f"Quantities: {', '.join(Quantity)}.",
            next_step="Name one of them.",
        ) from error
