"""Noting what was done to a gauge, or befell it: maintenance, repair, modification, damage.

Source: ISO/IEC 17025:2017 6.4.13 g and h.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import date
from typing import TYPE_CHECKING

from calfleet.errors import DateRefused, RecordRefused, UsageError
from calfleet.records import GaugeUpkeep, Role, UpkeepKind
from calfleet.services.bench_facts import gather
from calfleet.services.event_facts import require_role
from calfleet.services.nearest import pick
from calfleet.store import particular_facts
from calfleet.store.queries import gauges as gauge_queries
from calfleet.store.queries import particulars
from calfleet.store.work import Work

if TYPE_CHECKING:
    from sqlalchemy.orm import Session

MAY_NOTE = (Role.TECHNICIAN, Role.PLANNER)


@dataclass(frozen=True, slots=True)
class Noted:
    """The upkeep as added. ``after``: what has to follow from it, in words, empty for nothing."""

    upkeep: GaugeUpkeep
    after: str


def note_upkeep(work: Work, given: GaugeUpkeep, *, today: date) -> Noted:
    """The upkeep as added, and what has to follow; the caller commits.

    Raises: UnknownName for gauge or person; DateRefused for a day to come; PersonRefused for
    somebody who is neither technician nor planner; UsageError without words; RecordRefused where
    the same kind is on record for that day.
    """
    facts = gather(work.session)
    gauge = pick("gauge", given.gauge, facts.gauges)[0].code
    person = pick("person", given.done_by, facts.people)
    if given.done_on > today:
        raise DateRefused(
            f"{given.kind} of {gauge} is dated {given.done_on}, which is to come.",
            rule="What is noted as done was done by today.",
            next_step="Correct the date.",
        )
    require_role(person, MAY_NOTE, given.done_on, "note upkeep of a gauge", facts.people.values())
    if not given.note.strip():
        raise UsageError(
            f"The {given.kind} of {gauge} is noted without a word.",
            rule="What was done, or what happened, is told.",
            next_step="Give it with --note.",
        )
    made = replace(given, gauge=gauge, done_by=person.code, note=given.note.strip())
    if any(
        (u.gauge, u.kind, u.done_on) == (made.gauge, made.kind, made.done_on)
        for u in particulars.gauge_upkeep(work.session)
    ):
        raise RecordRefused(
            f"{made.kind} of {gauge} is noted for {made.done_on} already.",
            rule="Of one kind, one note a day; what is on record is not changed.",
            next_step="Tell the rest in a later note that names this day, or in a report on the "
            "gauge ('calfleet doubt report').",
        )
    particular_facts.add_gauge_upkeep(work, made)
    return Noted(made, _after(made, facts.certificate_on(gauge, today)))


def _after(made: GaugeUpkeep, certificate: object) -> str:
    """What a damage, a repair or a modification calls for; maintenance for nothing."""
    if made.kind is UpkeepKind.MAINTENANCE:
        return ""
    calibrated = getattr(certificate, "calibrated_on", None)
    renewed = calibrated is not None and calibrated >= made.done_on
    if made.kind is UpkeepKind.DAMAGE:
        text = (
            f"If {made.gauge} may have been off before or since, report it: 'calfleet doubt report "
            f"{made.gauge} --damaged --found-on {made.done_on}'. Until then nothing that rests on "
            "it is looked into, and the bench may use it."
        )
        return text if renewed else f"{text} It needs a calibration before it is used again."
    if renewed:
        return ""
    return (
        f"The certificate of {made.gauge} is from before this {made.kind} and no longer speaks for "
        "it: have it calibrated before it is used again, as found too if it was still possible. If "
        f"it was off before, report it: 'calfleet doubt report {made.gauge}'."
    )


def list_upkeep(session: Session, gauge: str | None = None) -> list[GaugeUpkeep]:
    """All upkeep (of one gauge), newest first, then by gauge and kind.

    Raises: UnknownName.
    """
    rows = list(particulars.gauge_upkeep(session))
    if gauge is not None:
        code = pick("gauge", gauge, {c: c for c in gauge_queries.gauges(session)})
        rows = [u for u in rows if u.gauge == code]
    return sorted(rows, key=lambda u: (-u.done_on.toordinal(), u.gauge, u.kind))
