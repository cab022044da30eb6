"""A role given to a person, or taken back, from a day on."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace
from datetime import date
from typing import TYPE_CHECKING

from calfleet.errors import PersonRefused, RecordRefused, UnknownName
from calfleet.records import LaterRole, Person, Role
from calfleet.services.nearest import pick
from calfleet.services.who import holder
from calfleet.store import people_facts
from calfleet.store.queries import shop
from calfleet.store.work import Work

if TYPE_CHECKING:
    from sqlalchemy.orm import Session

KEPT = (Role.APPROVER, Role.PLANNER)
"""Somebody must hold these: without them nobody could enter anything that changes the shop."""


@dataclass(frozen=True, slots=True)
class ChangedRole:
    """The change as added, the person's name, and what is worth knowing with it (may be empty)."""

    role: LaterRole
    name: str
    remark: str


def who_gives(session: Session, code: str | None, role: Role, on: date) -> str:
    """The code of the person who may give or take back ``role``: an approver.

    Where nobody is approver on that day, a planner may give that role, and no other.

    Raises: UsageError, UnknownName, PersonRefused.
    """
    people = shop.people(session)
    wanted = role_that_gives(people.values(), role, on)
    try:
        return holder(session, code, wanted, on, to="give or take back roles")
    except PersonRefused as error:
        if _anybody(people.values(), Role.APPROVER, on):
            raise
        raise PersonRefused(
            error.message,
            rule=error.rule,
            next_step="Nobody is approver. A planner makes somebody else one first: "
            "calfleet person give-role PERSON approver --as PLANNER.",
        ) from error


def role_that_gives(people: Iterable[Person], role: Role, on: date) -> Role:
    """The role that is needed to give or take back ``role``: approver.

    Where nobody is approver on that day, planner is enough to make one.
    """
    first = role is Role.APPROVER and not _anybody(people, Role.APPROVER, on)
    return Role.PLANNER if first else Role.APPROVER


def change_role(work: Work, given: LaterRole, *, actor: str, today: date) -> ChangedRole:
    """The role as given or taken back by ``actor``; the caller commits.

    Raises: UnknownName; PersonRefused for one's own role; RecordRefused where nothing changes, on
    a day that has a change of that role, or for the last approver or planner.
    """
    people = shop.people(work.session)
    person = pick("person", given.person, people)
    made = replace(given, person=person.code)
    if person.code == actor:
        raise PersonRefused(
            f"{actor} may not change {actor}'s own roles.",
            rule="Nobody gives a role to oneself, or takes it back.",
            next_step=f"Let another approver do it.{_others(people.values(), actor, today)}",
        )
    refuse_role(people, made)
    people_facts.add_role(work, made)
    return ChangedRole(made, person.name, _remark(person, made, today))


def refuse_role(people: dict[str, Person], made: LaterRole) -> None:
    """Nothing where the change makes sense for a person who is there.

    Raises: RecordRefused; UnknownName for a person who is not there.
    """
    person = people.get(made.person)
    if person is None:
        raise UnknownName("person", made.person)
    refuse_change(person, made)
    if not made.held and made.role in KEPT:
        _refuse_last(people, made)


def refuse_change(person: Person, made: LaterRole) -> None:
    """Nothing where the role changes for that person on that day. Raises: RecordRefused."""
    day = made.effective_on
    same = next((g for g in person.roles if (g.role, g.effective_on) == (made.role, day)), None)
    if same is not None:
        raise RecordRefused(
            f"{person.code} {'takes up' if same.held else 'gives up'} the role {made.role} on "
            f"{day} already.",
            rule="A role changes once on a day; changes are only added.",
            next_step="Give another day.",
        )
    if person.holds(made.role, day) is made.held:
        raise RecordRefused(
            f"{person.code} {'holds' if made.held else 'does not hold'} the role {made.role} on "
            f"{day}.",
            rule="Each entry changes something.",
            next_step="Check role and day: 'calfleet people --as-of DATE' lists the roles.",
        )


def _refuse_last(people: dict[str, Person], made: LaterRole) -> None:
    """A role that somebody must hold stays held from that day on, known changes to come included.

    Raises: RecordRefused.
    """
    role = made.role
    after = dict(people)
    held = people[made.person]
    after[made.person] = replace(held, roles=(*held.roles, made.grant))
    changes = {g.effective_on for p in people.values() for g in p.roles if g.role is role}
    for day in sorted({made.effective_on, *(d for d in changes if d > made.effective_on)}):
        if not _anybody(people.values(), role, day) or _anybody(after.values(), role, day):
            continue
        raise RecordRefused(
            f"Without {made.person} nobody would be {role} on {day}.",
            rule=f"A site always has {'an' if role is Role.APPROVER else 'a'} {role}.",
            next_step=f"Give the role to somebody else first: calfleet person give-role PERSON "
            f"{role} --from {made.effective_on}.",
        )


def _anybody(people: Iterable[Person], role: Role, day: date) -> bool:
    return any(p.holds(role, day) for p in people)


def _others(people: Iterable[Person], actor: str, on: date) -> str:
    codes = [p.code for p in people if p.code != actor and p.holds(Role.APPROVER, on)]
    if codes:
        return f" On that day: {', '.join(codes)}."
    return " There is no other: give somebody else the role approver first."


def _remark(person: Person, made: LaterRole, today: date) -> str:
    if made.role is not Role.TECHNICIAN:
        return ""
    if not made.held:
        return (
            "Qualifications stay on record. A plan made before keeps its weeks until "
            "'calfleet plan make'."
        )
    if any(q.expires_on >= max(made.effective_on, today) for q in person.qualifications):
        return "'calfleet shop set-hours' says how many bench hours a week this brings."
    return (
        f"{person.code} is not qualified for anything yet: 'calfleet person qualify' enters it, "
        "'calfleet shop set-hours' the bench hours."
    )
