"""Outages entered and moved; never past the last day of what is done in them."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass, replace
from datetime import date
from typing import TYPE_CHECKING

from calfleet.errors import RecordRefused, UnknownName
from calfleet.records import Outage, SwitchStatus
from calfleet.scheduling.calendar import Window
from calfleet.scheduling.due import Standing
from calfleet.services.bench_facts import gather_for_planning
from calfleet.services.list_due import gather_dates
from calfleet.services.nearest import nearest_names
from calfleet.services.set_rules import MovedDate, moved_dates
from calfleet.store import planning_facts
from calfleet.store.queries import planning as queries
from calfleet.store.queries import shop
from calfleet.store.queries import switches as switch_queries
from calfleet.store.work import Work

if TYPE_CHECKING:
    from sqlalchemy.orm import Session


@dataclass(frozen=True, slots=True)
class SetOutage:
    """The outage as entered, what it was before (``None``: new), and the dates that it moves."""

    outage: Outage
    before: Outage | None
    moved: tuple[MovedDate, ...]


def set_outage(
    work: Work,
    code: str,
    *,
    first_on: date | None,
    last_on: date | None,
    name: str | None = None,
    areas: Collection[str] | None = None,
    reason: str = "",
    today: date,
) -> SetOutage:
    """The outage as added: a new one, or a new revision of the one of that code.

    What is ``None`` stays as it is in the last revision.

    Raises: UnknownName for an area; RecordRefused for a new outage without dates or name, a moved
    one without a reason, dates in the wrong order, an outage that is over, or one that would leave
    outage-bound switches without an outage by their hard stop: all of them are listed.
    """
    session = work.session
    before = next(
        (o for o in queries.outages(session) if o.code.casefold() == code.strip().casefold()), None
    )
    made = _made(before, code, first_on, last_on, name, areas, reason)
    known = [area.code for area in shop.areas(session)]
    for area in made.areas:
        if area not in known:
            raise UnknownName("area", area, nearest_names(area, known) or known)
    if before is not None and before.last_on < today:
        raise RecordRefused(
            f"The outage {before.code} was over on {before.last_on}.",
            rule="What is over is not moved.",
            next_step="Enter the coming outage under a code of its own.",
        )
    Window(made.first_on, made.last_on, made.name)
    dates = gather_dates(session, today, gather_for_planning(session))
    others = tuple(o for o in dates.moved.outages if o.code != made.code)
    after = replace(dates, moved=replace(dates.moved, outages=(*others, made)))
    bound = [
        s
        for s in switch_queries.in_force(session, today)
        if s.outage_bound and s.status is SwitchStatus.IN_SERVICE
    ]
    if before is not None:
        lost = [
            (s.tag, old, new)
            for s in bound
            if _served(old := dates.standing(s), before)
            and _unserved(new := after.standing(s), made)
        ]
        if lost:
            raise RecordRefused(
                f"{made.code} from {made.first_on} to {made.last_on} would leave "
                f"{len(lost)} outage-bound switch{'' if len(lost) == 1 else 'es'} without an "
                "outage by the hard stop: "
                + "; ".join(f"{tag} (hard stop {_stop(old)})" for tag, old, _ in lost)
                + ".",
                rule="Outage-bound work is done by its hard stop.",
                next_step="Keep an outage by then for these, or have them deferred first "
                "('calfleet defer').",
            )
    planning_facts.add_outage(work, made)
    return SetOutage(made, before, moved_dates(bound, dates, after))


def _made(
    before: Outage | None,
    code: str,
    first_on: date | None,
    last_on: date | None,
    name: str | None,
    areas: Collection[str] | None,
    reason: str,
) -> Outage:
    if before is None:
        if first_on is None or last_on is None or not (name or "").strip():
            raise RecordRefused(
                f"There is no outage {code} yet, and its name, first or last day is missing.",
                rule="A new outage has a name, a first and a last day.",
                next_step="Give all of them, or check the code: 'calfleet outages' lists them.",
            )
        return Outage(
            code.strip(), 1, (name or "").strip(), first_on, last_on, reason.strip(),
            tuple(areas or ()),
        )  # fmt: skip
    made = replace(
        before,
        revision=before.revision + 1,
        first_on=first_on or before.first_on,
        last_on=last_on or before.last_on,
        name=(name or before.name).strip(),
        areas=before.areas if areas is None else tuple(areas),
        reason=reason.strip(),
    )
    if replace(made, revision=before.revision, reason=before.reason) == before:
        raise RecordRefused(
            f"Nothing about {before.code} would change.",
            rule="A new revision changes something.",
            next_step="Say what changes.",
        )
    if not made.reason:
        raise RecordRefused(
            f"{before.code} would change without a reason.",
            rule="An outage that moves says why: due dates move with it.",
            next_step="Give the reason.",
        )
    return made


def _served(standing: Standing, outage: Outage) -> bool:
    """Whether the work waits for this outage."""
    found = standing.outage
    return found is not None and (found.first, found.last, found.name) == (
        outage.first_on, outage.last_on, outage.name,
    )  # fmt: skip


def _unserved(standing: Standing, moved: Outage) -> bool:
    """Whether no outage by its hard stop (or the end of its deferral) is left."""
    if standing.outage is not None:
        return False
    put_off = standing.original_due_on is not None and standing.due_on is not None
    return not (put_off and standing.due_on is not None and moved.first_on <= standing.due_on)


def _stop(standing: Standing) -> date | None:
    return standing.latest_on


@dataclass(frozen=True, slots=True)
class OutageLine:
    """An outage as last revised, with how many outage-bound switches wait for it."""

    outage: Outage
    waiting: int


def list_outages(session: Session, on: date) -> list[OutageLine]:
    """Every outage as last revised, by its first day, then code."""
    dates = gather_dates(session, on, gather_for_planning(session))
    bound = [
        dates.by_calendar(s)
        for s in switch_queries.in_force(session, on)
        if s.outage_bound and s.status is SwitchStatus.IN_SERVICE
    ]
    return [OutageLine(o, sum(_served(s, o) for s in bound)) for o in queries.outages(session)]
