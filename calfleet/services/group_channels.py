"""Redundant channels grouped: kept weeks apart in a plan, and out of the same hands."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

from calfleet.errors import BadQuantity, RecordRefused
from calfleet.records import RedundantGroup
from calfleet.services.nearest import pick
from calfleet.services.touched_jobs import Touched, channels_too_near
from calfleet.store import planning_facts
from calfleet.store.queries import switches as switch_queries
from calfleet.store.queries.planning import everything_entered, planning_input
from calfleet.store.work import Work


@dataclass(frozen=True, slots=True)
class SetGroup:
    """The group as entered, and the planned jobs of its channels that are too near each other."""

    group: RedundantGroup
    touched: Touched


def group_channels(
    work: Work, code: str, tags: Sequence[str], *, weeks_apart: int, today: date
) -> SetGroup:
    """The redundant group as added; the caller commits.

    Raises: UnknownName; BadQuantity below one week; RecordRefused for fewer than two switches, a
    switch that is in another group, or a code that is or was taken.
    """
    session = work.session
    known = {s.tag: s.tag for s in switch_queries.in_force(session, today)}
    named = tuple(dict.fromkeys(pick("switch", tag, known) for tag in tags))
    code = code.strip()
    if not code:
        raise RecordRefused(
            "The redundant group has no code.",
            rule="A group is called by its code.",
            next_step="Give one, for example the tag without its channel letter.",
        )
    if len(named) < 2:
        raise RecordRefused(
            f"{code} would have one switch only: {', '.join(named) or 'none'}.",
            rule="A redundant group has at least two switches.",
            next_step="Name all its channels.",
        )
    if weeks_apart < 1:
        raise BadQuantity(
            f"{code} with {weeks_apart} weeks between its channels.",
            rule="Redundant channels are at least one week apart.",
            next_step="Correct the weeks.",
        )
    taken = {g.code.casefold() for g in everything_entered(session).redundant_groups}
    if code.casefold() in taken:
        raise RecordRefused(
            f"There is, or was, a redundant group {code}.",
            rule="A group's code is used once; what was cancelled stays on record.",
            next_step="'calfleet shop groups --all' lists them. Give the new one another code.",
        )
    for group in planning_input(session).redundant_groups:
        if both := [tag for tag in named if tag in group.tags]:
            raise RecordRefused(
                f"{', '.join(both)}: in redundant group {group.code} already.",
                rule="A switch is in one redundant group.",
                next_step=f"Cancel the other one first: 'calfleet shop cancel group {group.code}'.",
            )
    made = RedundantGroup(code, named, weeks_apart)
    planning_facts.add_redundant_group(work, made)
    return SetGroup(made, channels_too_near(session, made, today=today))
