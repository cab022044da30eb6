"""Drafts: a bench record put down before it is complete, and signed when it is.

A switch has at most one open draft; a later one takes its place, and both stay to be read. A
draft is no calibration: it moves no due date and is judged by nothing. Signing it records the
calibration, judged then like any other.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, fields
from datetime import date, datetime
from decimal import Decimal, InvalidOperation
from typing import TYPE_CHECKING, Any

from calfleet.errors import PersonRefused, RecordRefused, UnknownName
from calfleet.records import (
    BenchRecord,
    Calibration,
    Cycle,
    CycleOutcome,
    Draft,
    DraftSigned,
    GaugeRole,
    GaugeUsed,
    Phase,
    to_plain,
)
from calfleet.services.nearest import nearest_names, pick
from calfleet.services.record import judge, record
from calfleet.store import paper_facts
from calfleet.store.queries import papers
from calfleet.store.queries import shop as shop_queries
from calfleet.store.queries import switches as switch_queries
from calfleet.store.queries.papers import HeldDraft
from calfleet.store.work import Work

if TYPE_CHECKING:
    from sqlalchemy.orm import Session

NEEDED = {
    "tag": "the tag",
    "performed_on": "the date",
    "performed_by": "who performed it",
    "procedure": "the procedure",
    "procedure_revision": "the procedure's revision",
    "gauges": "the gauges",
    "cycles": "the readings",
    "temperature_c": "the room temperature",
    "humidity": "the humidity",
    "adjusted": "whether it was adjusted",
}
"""What a bench record cannot do without, by field, in words."""
_NUMBERS = {f.name for f in fields(BenchRecord) if str(f.type).startswith("Decimal")}
_KNOWN = {f.name for f in fields(BenchRecord)}


@dataclass(frozen=True, slots=True)
class DraftLine:
    """One line of the list of drafts: the draft, what is there, and what is still missing."""

    held: HeldDraft
    runs: int
    missing: tuple[str, ...]

    @property
    def state(self) -> str:
        """``open``, ``signed`` or ``replaced``."""
        if self.held.calibration is not None:
            return "signed"
        return "open" if self.held.replaced_by is None else "replaced"


def put_down(work: Work, content: Mapping[str, object], *, note: str = "") -> Draft:
    """The draft as added, in place of the switch's open one if there is one; the caller commits.

    content: the plain form of a bench record, with what is not known yet left out.

    Raises: UnknownName for a tag or a person that is not there, RecordRefused without a tag.
    """
    tag = content.get("tag")
    if not isinstance(tag, str) or not tag.strip():
        raise RecordRefused(
            "The draft names no switch.",
            rule="A draft belongs to one switch.",
            next_step="Enter the tag.",
        )
    switch = pick("switch", tag, {t: t for t in switch_queries.tags(work.session)})
    given = {**content, "tag": switch}
    performer = content.get("performed_by")
    if isinstance(performer, str):
        given["performed_by"] = pick("person", performer, shop_queries.people(work.session)).code
    every = papers.drafts(work.session)
    standing = next((d for d in every if d.draft.tag == switch and d.open), None)
    made = Draft(
        number=_next_number([d.draft.number for d in every], work.at.year),
        tag=switch,
        content=given,
        replaces=None if standing is None else standing.draft.number,
        note=note.strip(),
    )
    paper_facts.add_draft(work, made)
    return made


def list_drafts(session: Session, *, every: bool = False) -> list[DraftLine]:
    """The open drafts, or (``every``) signed and replaced ones too, oldest first."""
    return [_line(held) for held in papers.drafts(session) if every or held.open]


def find_draft(session: Session, name: str) -> DraftLine:
    """The draft of that number, or the newest of that tag (an open one before a closed one).

    Raises: UnknownName with the nearest numbers.
    """
    every = papers.drafts(session)
    wanted = name.strip().casefold()
    for held in every:
        if held.draft.number.casefold() == wanted:
            return _line(held)
    of_tag = [held for held in every if held.draft.tag.casefold() == wanted]
    if of_tag:
        return _line(max(of_tag, key=lambda held: held.open))
    raise UnknownName(
        "draft",
        name,
        nearest_names(name, [held.draft.number for held in every]),
        next_step="'calfleet draft list' lists them.",
    )


def judge_draft(
    session: Session, line: DraftLine, *, today: date, at: datetime, signer: str
) -> Calibration:
    """The calibration that the draft would become if ``signer`` signed it; nothing is written.

    Raises: RecordRefused for a draft that is closed or incomplete, PersonRefused for somebody
    else than its performer, and everything that recording a calibration raises.
    """
    held = line.held
    number = held.draft.number
    if held.calibration is not None:
        raise RecordRefused(
            f"{number} is signed already: it became {held.calibration}.",
            rule="A draft is signed once.",
            next_step=f"'calfleet result {held.calibration}' shows it; a correction is a new "
            "record that replaces it.",
        )
    if held.replaced_by is not None:
        raise RecordRefused(
            f"{number} was replaced by {held.replaced_by}.",
            rule="The newest draft of a switch is the one to sign.",
            next_step=f"Sign {held.replaced_by}.",
        )
    bench = bench_of(held.draft)
    if bench.performed_by.casefold() != signer.casefold():
        raise PersonRefused(
            f"{signer} cannot sign {number}: {bench.performed_by} performed it.",
            rule="A result is signed by the person who took the readings.",
            next_step=f"Have {bench.performed_by} sign it.",
        )
    return judge(session, bench, today=today, at=at, recorded_by=signer)


def sign(work: Work, line: DraftLine, *, today: date) -> Calibration:
    """The calibration recorded from the draft, under the name of who signs; the caller commits.

    Raises: as ``judge_draft``.
    """
    made = record(work, judge_draft(work.session, line, today=today, at=work.at, signer=work.actor))
    paper_facts.add_signature(work, DraftSigned(line.held.draft.number, made.number))
    return made


def bench_of(draft: Draft) -> BenchRecord:
    """The bench record that the draft holds.

    Raises: RecordRefused naming all that is missing, or what cannot be read.
    """
    lacking = missing(draft.content)
    if lacking:
        raise RecordRefused(
            f"{draft.number} of {draft.tag} is not complete: {', '.join(lacking)} "
            f"{'is' if len(lacking) == 1 else 'are'} missing.",
            rule="A calibration is signed as a whole.",
            next_step=f"'calfleet draft show {draft.number} --out FILE' writes it as a readings "
            "file; complete it and put it down again, or record it.",
        )
    try:
        return _bench(draft.content)
    except (ValueError, TypeError, KeyError, InvalidOperation, AttributeError) as error:
        raise RecordRefused(
            f"{draft.number} of {draft.tag} cannot be read: {error}.",
            rule="A draft holds the fields of a bench record.",
            next_step="Put it down again from the readings file.",
        ) from error


def missing(content: Mapping[str, object]) -> tuple[str, ...]:
    """In words, what the content lacks to be a bench record; empty when nothing."""
    return tuple(words for name, words in NEEDED.items() if content.get(name) in (None, "", []))


def content_of(bench: BenchRecord, *, without: Sequence[str] = ()) -> dict[str, object]:
    """The plain form of a bench record as a draft holds it, without the fields named."""
    plain = to_plain(bench)
    return {
        key: value
        for key, value in (plain.items() if isinstance(plain, dict) else ())
        if key not in without
    }


def _bench(content: Mapping[str, Any]) -> BenchRecord:
    values = {key: value for key, value in content.items() if key in _KNOWN}
    for name in _NUMBERS & values.keys():
        if values[name] is not None:
            values[name] = Decimal(values[name])
    values["performed_on"] = date.fromisoformat(values["performed_on"])
    values["gauges"] = tuple(
        GaugeUsed(GaugeRole(g["role"]), g["gauge"], g.get("certificate") or "")
        for g in values["gauges"]
    )
    values["cycles"] = tuple(
        Cycle(
            set_point=c["set_point"],
            phase=Phase(c["phase"]),
            run=int(c["run"]),
            trip=_number(c["trip"]),
            reset=_number(c["reset"]),
            static=_number(c.get("static")),
            outcome=CycleOutcome(c.get("outcome") or CycleOutcome.TRIPPED),
        )
        for c in values["cycles"]
    )
    return BenchRecord(**values)


def _number(value: str | None) -> Decimal | None:
    return None if value is None else Decimal(value)


def _line(held: HeldDraft) -> DraftLine:
    cycles = held.draft.content.get("cycles")
    runs = len(cycles) if isinstance(cycles, list) else 0
    return DraftLine(held, runs, missing(held.draft.content))


def _next_number(taken: Sequence[str], year: int) -> str:
    place = sum(number.startswith(f"D{year}-") for number in taken)
    while (number := f"D{year}-{place + 1:04d}") in taken:
        place += 1
    return number
