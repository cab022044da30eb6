"""Finding a recorded calibration by its number, or the newest one of a tag."""

from __future__ import annotations

from typing import TYPE_CHECKING

from calfleet.errors import UnknownName
from calfleet.records import Calibration
from calfleet.services.nearest import nearest_names
from calfleet.store.queries import calibrations as queries
from calfleet.store.queries import switches as switch_queries

if TYPE_CHECKING:
    from sqlalchemy.orm import Session


def find_calibration(session: Session, name: str) -> Calibration:
    """The calibration named by its number, or the newest one of a switch named by its tag.

    Raises: UnknownName with the nearest numbers and tags.
    """
    wanted = name.strip()
    found = queries.calibration(session, wanted) or queries.calibration(session, wanted.upper())
    if found is not None:
        return found
    of_tag = queries.calibrations_of(session, wanted) or queries.calibrations_of(
        session, wanted.upper()
    )
    standing = [c for c in of_tag if c.replaced_by is None]
    if standing:
        return standing[0]
    tags = switch_queries.tags(session)
    if wanted.upper() in tags:
        raise UnknownName(
            "calibration", name, next_step=f"Nothing is recorded for {wanted.upper()} yet."
        )
    raise UnknownName(
        "calibration or tag",
        name,
        nearest_names(wanted, [*queries.numbers(session), *tags]),
        next_step="'calfleet history TAG' lists a switch's calibrations.",
    )
