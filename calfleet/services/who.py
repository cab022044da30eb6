"""Who may do what: a person by code, holding a role on a day."""

from __future__ import annotations

from datetime import date
from typing import TYPE_CHECKING

from calfleet.errors import PersonRefused, UsageError
from calfleet.records import Role
from calfleet.services.nearest import pick
from calfleet.store.queries import shop

if TYPE_CHECKING:
    from sqlalchemy.orm import Session


def holder(session: Session, code: str | None, role: Role, on: date, *, to: str) -> str:
    """The code, as recorded, of the person who is to do this and holds ``role`` on ``on``.

    ``to``: what is done, for the refusals, such as "set due rules".

    Raises: UsageError when nobody is named; UnknownName; PersonRefused without the role.
    """
    if code is None:
        raise UsageError(
            f"Nobody is named to {to}.",
            rule="Who enters something is recorded with it.",
            next_step=f"Name the {role} with --as, or set CALFLEET_PERSON.",
        )
    people = shop.people(session)
    person = pick("person", code, people)
    if not person.holds(role, on):
        able = [p.code for p in people.values() if p.holds(role, on)]
        raise PersonRefused(
            f"{person.code} ({person.name}) may not {to}.",
            rule=f"The role {role} is needed on {on}.",
            next_step=f"On that day: {', '.join(able) or 'nobody'}.",
        )
    return person.code
