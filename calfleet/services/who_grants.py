"""Who may move in what is granted to people: the same who may enter it by a command."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date
from typing import TYPE_CHECKING

from calfleet.errors import PersonRefused
from calfleet.records import LaterQualification, LaterRole, Person, Role
from calfleet.services.change_role import role_that_gives
from calfleet.services.nearest import pick
from calfleet.services.who import holder
from calfleet.store.queries import shop

if TYPE_CHECKING:
    from sqlalchemy.orm import Session

_BY_COMMAND = (
    "Move the rest in with --leave-out-refused; then let an approver move the same files in. Or "
    "enter it: 'calfleet person --help'."
)


def who_moves_in(session: Session, code: str | None, on: date) -> str:
    """The code of who moves records in: a planner, or an approver (for what approvers give).

    Raises: UsageError, UnknownName, PersonRefused.
    """
    try:
        return holder(session, code, Role.PLANNER, on, to="move records in")
    except PersonRefused:
        people = shop.people(session)
        person = pick("person", code or "", people)
        if person.holds(Role.APPROVER, on):
            return person.code
        raise


def needs_approver(kind: str, record: object) -> bool:
    """Whether the record gives somebody a role or a qualification."""
    if kind == "person" and isinstance(record, Person):
        return bool(record.roles or record.qualifications)
    return kind in ("person role", "qualification")


def refuse_granting(
    people: Mapping[str, Person], actor: str, kind: str, record: object, today: date
) -> None:
    """Nothing where ``actor`` may give this on ``today``; ``people`` are those of the site.

    Raises: PersonRefused.
    """
    if not needs_approver(kind, record):
        return
    if isinstance(record, LaterRole | LaterQualification) and record.person == actor:
        raise PersonRefused(
            f"{kind.capitalize()} {record.key} is that of {actor}, who moves it in.",
            rule="Nobody gives a role or a qualification to oneself.",
            next_step="Let another approver move it in, or enter it: 'calfleet person --help'.",
        )
    wanted = {Role.APPROVER}
    if isinstance(record, LaterRole):
        wanted = {role_that_gives(people.values(), record.role, today)}
    elif isinstance(record, Person):
        wanted = {role_that_gives(people.values(), grant.role, today) for grant in record.roles}
        wanted |= {Role.APPROVER} if record.qualifications else set()
    held = people.get(actor)
    for role in sorted(wanted):
        if held is None or not held.holds(role, today):
            able = [p.code for p in people.values() if p.holds(role, today)]
            raise PersonRefused(
                f"{actor} may not give a role or a qualification.",
                rule=f"The role {role} is needed on {today}: {', '.join(able) or 'nobody'}.",
                next_step=_BY_COMMAND,
            )


def refuse_granter(people: Mapping[str, Person], code: str, on: date) -> None:
    """Nothing where the person who is said to have granted a qualification was approver then.

    Raises: PersonRefused.
    """
    person = people.get(code)
    if person is not None and not person.holds(Role.APPROVER, on):
        able = [p.code for p in people.values() if p.holds(Role.APPROVER, on)]
        raise PersonRefused(
            f"{person.code} ({person.name}) may not grant qualifications.",
            rule=f"The role approver is needed on {on}: {', '.join(able) or 'nobody'}.",
            next_step="Name who granted it, or leave the row out.",
        )
