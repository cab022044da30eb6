"""The state of a calibration as a view: draft, signed, reviewed or returned, replaced.

Nothing of it is stored: each state is told by the fact that brought it about, with who and when.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum
from typing import TYPE_CHECKING

from calfleet.records import Calibration, Origin, ReviewOutcome
from calfleet.store.queries import calibrations as calibration_queries
from calfleet.store.queries import papers
from calfleet.store.queries.papers import HeldDraft, HeldReview

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping

    from sqlalchemy.orm import Session

    from calfleet.traceability.chain import Chain


class State(StrEnum):
    """How far a calibration has come; ``moved in``: history that nobody here signed."""

    MOVED_IN = "moved in"
    DRAFT = "draft"
    SIGNED = "signed"
    REVIEWED = "reviewed"
    RETURNED = "returned"
    REPLACED = "replaced"


@dataclass(frozen=True, slots=True)
class Mark:
    """A state that was reached: when it was entered, by whom, and what goes with it."""

    state: State
    at: datetime
    by: str
    record: str = ""
    """The record that tells it: the draft's number, or that of the correcting calibration."""
    reason: str = ""

    def words(self) -> str:
        """The mark as one phrase."""
        text = f"{self.state} {self.at:%Y-%m-%d %H:%M} UTC by {self.by}"
        if self.record:
            text += f" ({self.record})"
        return f"{text}: {self.reason}" if self.reason else text


@dataclass(frozen=True, slots=True)
class Course:
    """Every state a calibration went through, in order; the last one is where it stands."""

    number: str
    marks: tuple[Mark, ...]

    @property
    def state(self) -> State:
        return self.marks[-1].state

    @property
    def signed(self) -> Mark:
        """Who entered the calibration: its signature, or how it was moved in."""
        return next(m for m in self.marks if m.state in (State.SIGNED, State.MOVED_IN))

    @property
    def review(self) -> Mark | None:
        """The reading that counts, or ``None``."""
        read = [m for m in self.marks if m.state in (State.REVIEWED, State.RETURNED)]
        return read[-1] if read else None


def course(session: Session, calibration: Calibration) -> Course:
    """The course of one calibration."""
    return courses(session, [calibration])[calibration.number]


def courses(session: Session, calibrations: Iterable[Calibration]) -> dict[str, Course]:
    """The course of each calibration, by number."""
    asked = list(calibrations)
    drafts = papers.drafts(session)
    read = papers.reviews(session)
    correcting = {}
    for one in asked:
        if one.replaced_by is not None:
            correcting[one.number] = calibration_queries.calibration(session, one.replaced_by)
    return {
        one.number: Course(
            one.number,
            tuple(_marks(one, drafts, read, correcting.get(one.number))),
        )
        for one in asked
    }


def states_in(session: Session, chain: Chain) -> dict[str, Course]:
    """The course of each calibration that the chain shows, both records of a correction too."""
    numbers = [
        n.key.removeprefix("calibration ") for n in chain.nodes if n.key.startswith("calibration ")
    ]
    held = [calibration_queries.calibration(session, number) for number in numbers]
    return courses(session, [one for one in held if one is not None])


def _marks(
    one: Calibration,
    drafts: list[HeldDraft],
    read: Mapping[str, list[HeldReview]],
    correction: Calibration | None,
) -> list[Mark]:
    marks = [
        Mark(State.DRAFT, d.recorded_at, d.recorded_by, d.draft.number, d.draft.note)
        for d in _drafts_of(one.number, drafts)
    ]
    entered = State.SIGNED if one.origin is Origin.BENCH else State.MOVED_IN
    marks.append(Mark(entered, one.recorded_at, one.recorded_by))
    for r in read.get(one.number, ()):
        accepted = r.review.outcome is ReviewOutcome.ACCEPTED
        marks.append(
            Mark(
                State.REVIEWED if accepted else State.RETURNED,
                r.recorded_at,
                r.review.reviewed_by,
                reason=r.review.reason,
            )
        )
    if correction is not None:
        marks.append(
            Mark(
                State.REPLACED,
                correction.recorded_at,
                correction.recorded_by,
                correction.number,
                correction.bench.replacement_reason or "",
            )
        )
    return marks


def _drafts_of(number: str, drafts: list[HeldDraft]) -> list[HeldDraft]:
    """The draft that became the calibration and those it took the place of, oldest first."""
    by_number = {d.draft.number: d for d in drafts}
    found: list[HeldDraft] = []
    held = next((d for d in drafts if d.calibration == number), None)
    while held is not None:
        found.insert(0, held)
        held = by_number.get(held.draft.replaces or "")
    return found
