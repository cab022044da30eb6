"""The laboratories with their accreditations, and the areas with their switches, on a day."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date, timedelta
from typing import TYPE_CHECKING

from calfleet.records import Accreditation, Area, Laboratory, LaboratoryKind, SwitchStatus
from calfleet.services.list_shop import gauges_by_laboratory
from calfleet.services.look_up import SOON_DAYS
from calfleet.store.queries import shop
from calfleet.store.queries import switches as switch_queries

if TYPE_CHECKING:
    from sqlalchemy.orm import Session


@dataclass(frozen=True, slots=True)
class LaboratoryLine:
    """A laboratory with one accreditation in force on the day, or with none.

    ``days_left``: days until its last day. ``standing`` in words. ``gauges``: those whose
    certificate on the day is from it.
    """

    laboratory: Laboratory
    accreditation: Accreditation | None
    days_left: int | None
    standing: str
    gauges: tuple[str, ...]


def list_laboratories(session: Session, on: date) -> list[LaboratoryLine]:
    """Every laboratory by code, with a line for each accreditation in force, soonest end first."""
    going = gauges_by_laboratory(session, on)
    found = []
    for code, laboratory in sorted(shop.laboratories(session).items()):
        gauges = going.get(code, ())
        held = _in_force(laboratory, on)
        found += [
            LaboratoryLine(laboratory, a, (a.valid_until - on).days, "in force", gauges)
            for a in held
        ]
        if not held:
            standing = _without(laboratory, on)
            found.append(LaboratoryLine(laboratory, None, None, standing, gauges))
    return found


def _in_force(laboratory: Laboratory, on: date) -> list[Accreditation]:
    held = [a for a in laboratory.accreditations if a.valid_from <= on <= a.valid_until]
    return sorted(held, key=lambda a: (a.valid_until, a.number))


def _without(laboratory: Laboratory, on: date) -> str:
    if laboratory.kind is LaboratoryKind.NATIONAL:
        return "needs none"
    if laboratory.kind is LaboratoryKind.IN_HOUSE and not laboratory.accreditations:
        return "none: its certificates name their standards"
    ended = [a.valid_until for a in laboratory.accreditations if a.valid_until < on]
    coming = [a.valid_from for a in laboratory.accreditations if a.valid_from > on]
    said = [f"ended on {max(ended)}"] if ended else []
    said += [f"begins on {min(coming)}"] if coming else []
    return ", ".join(said) or "none on record"


def accreditations_ending(
    laboratories: Iterable[Laboratory], on: date
) -> list[tuple[str, Accreditation]]:
    """(laboratory, accreditation) of those in force that end within ``SOON_DAYS``, by last day.

    One that a renewal follows without a gap is left out: another of the same number or scope that
    is in force on the day after. One for something else does not make up for it.
    """
    found = []
    for laboratory in laboratories:
        for one in _in_force(laboratory, on):
            if one.valid_until > on + timedelta(days=SOON_DAYS):
                continue
            after = _in_force(laboratory, one.valid_until + timedelta(days=1))
            if not any(a.number == one.number or a.scope == one.scope for a in after):
                found.append((laboratory.code, one))
    return sorted(found, key=lambda x: (x[1].valid_until, x[0], x[1].number))


@dataclass(frozen=True, slots=True)
class AreaLine:
    """An area; how many switches their data sheets place there on the day, scrapped ones left
    out, and how many of these are in service."""

    area: Area
    switches: int
    in_service: int


def list_areas(session: Session, on: date) -> list[AreaLine]:
    """Every area, by code, with its switches."""
    placed = [
        s for s in switch_queries.in_force(session, on) if s.status is not SwitchStatus.SCRAPPED
    ]
    every = Counter(s.area for s in placed)
    serving = Counter(s.area for s in placed if s.status is SwitchStatus.IN_SERVICE)
    return [AreaLine(a, every[a.code], serving[a.code]) for a in shop.areas(session)]
