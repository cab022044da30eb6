"""Reviewing a signed calibration: another person reads it, accepts it or returns it.

A review changes nothing of the result. A returned calibration stands, with the reason, until a
new record corrects it; that one is then reviewed. Where it turns out that nothing need be
corrected, a reviewer may accept it unchanged, with the reason why no correction is needed. A later
review of the same calibration is a further reading, and the last reading counts. History that was
moved in is not reviewed: nobody here signed it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from typing import TYPE_CHECKING

from calfleet.errors import PersonRefused, RecordRefused
from calfleet.records import Calibration, Origin, Person, Review, ReviewOutcome, Role
from calfleet.services.find_calibration import find_calibration
from calfleet.services.nearest import pick
from calfleet.store import paper_facts
from calfleet.store.queries import calibrations as calibration_queries
from calfleet.store.queries import papers
from calfleet.store.queries import shop as shop_queries
from calfleet.store.queries.papers import HeldReview
from calfleet.store.work import Work

if TYPE_CHECKING:
    from sqlalchemy.orm import Session


@dataclass(frozen=True, slots=True)
class Awaited:
    """A calibration that waits for a review or, returned, for its correction."""

    calibration: Calibration
    readings: tuple[HeldReview, ...]

    @property
    def state(self) -> str:
        """``to review`` or ``returned``."""
        return "returned" if self.readings else "to review"

    @property
    def reason(self) -> str:
        return self.readings[-1].review.reason if self.readings else ""


def awaited(session: Session) -> list[Awaited]:
    """What waits, returned ones first, then oldest performance first.

    Calibrations signed here that no record corrected and whose last reading did not accept them.
    """
    held = papers.reviews(session)
    found = []
    for calibration in _signed_here(session):
        readings = tuple(held.get(calibration.number, ()))
        if readings and readings[-1].review.outcome is ReviewOutcome.ACCEPTED:
            continue
        found.append(Awaited(calibration, readings))
    return sorted(found, key=lambda a: a.state != "returned")


def moved_in(session: Session) -> int:
    """How many calibrations were moved in as history, which nobody reviews."""
    return calibration_queries.count_of(session, Origin.HISTORY)


def review(
    work: Work,
    name: str,
    outcome: ReviewOutcome,
    *,
    reviewer: str,
    on: date,
    reason: str = "",
    uncorrected: bool = False,
) -> Review:
    """The review as added; the caller commits.

    name: a calibration's number, or a tag for its newest. on: the day, on which the reviewer
    must hold the role. uncorrected: a calibration that was returned is accepted all the same, and
    ``reason`` says why no correction is needed.

    Raises: UnknownName; RecordRefused for history, a corrected calibration, a return without
    a reason, or a returned one accepted as it is; PersonRefused for the performer, who entered it,
    and anybody without the role.
    """
    found = find_calibration(work.session, name)
    person = pick("person", reviewer, shop_queries.people(work.session))
    check_review(
        found, person, outcome, on=on, reason=reason,
        people=tuple(shop_queries.people(work.session).values()),
    )  # fmt: skip
    earlier = papers.reviews(work.session).get(found.number, ())
    _check_after_return(found, earlier, outcome, reason, uncorrected=uncorrected)
    made = Review(
        calibration=found.number,
        reading=1 + max((r.review.reading for r in earlier), default=0),
        outcome=outcome,
        reviewed_by=person.code,
        reviewed_on=on,
        reason=reason.strip(),
    )
    paper_facts.add_review(work, made)
    return made


def _check_after_return(
    found: Calibration,
    earlier: Sequence[HeldReview],
    outcome: ReviewOutcome,
    reason: str,
    *,
    uncorrected: bool,
) -> None:
    """Nothing when ``outcome`` may follow what earlier readings found.

    Raises: RecordRefused.
    """
    last = earlier[-1].review if earlier else None
    returned = last is not None and last.outcome is ReviewOutcome.RETURNED
    if outcome is not ReviewOutcome.ACCEPTED:
        return
    if returned and last is not None and not (uncorrected and reason.strip()):
        raise RecordRefused(
            f"{found.number} was returned by {last.reviewed_by} on {last.reviewed_on}: "
            f"{last.reason}",
            rule="What was returned is accepted after a new record has corrected it, or with a "
            "stated reason why no correction is needed.",
            next_step=f"Have it corrected: 'replaces' and 'replacement_reason' in a readings file; "
            f"then review the new record. If nothing need be corrected: 'calfleet review accept "
            f"{found.number} --uncorrected --note WHY'.",
        )
    if uncorrected and not returned:
        raise RecordRefused(
            f"{found.number} was not returned.",
            rule="Only a returned calibration is accepted without its correction.",
            next_step="Leave --uncorrected out.",
        )


def check_review(
    found: Calibration,
    person: Person,
    outcome: ReviewOutcome,
    *,
    on: date,
    reason: str,
    people: Sequence[Person] = (),
) -> None:
    """Nothing when ``person`` may review ``found`` so on that day.

    Raises: RecordRefused, PersonRefused.
    """
    if found.origin is Origin.HISTORY:
        raise RecordRefused(
            f"{found.number} was moved in as history.",
            rule="History is kept as it came, with findings; nobody here signed it, so nobody "
            "reviews it.",
            next_step=f"'calfleet result {found.number}' shows its findings.",
        )
    if found.replaced_by is not None:
        raise RecordRefused(
            f"{found.number} was corrected by {found.replaced_by}.",
            rule="The newest record is the one to review.",
            next_step=f"Review {found.replaced_by}.",
        )
    for code, what in (
        (found.bench.performed_by, "performed"),
        (found.recorded_by, "entered"),
    ):
        if person.code == code:
            able = [
                p.code
                for p in people
                if p.holds(Role.REVIEWER, on)
                and p.code not in (found.bench.performed_by, found.recorded_by)
            ]
            raise PersonRefused(
                f"{person.code} ({person.name}) {what} {found.number}.",
                rule="A calibration is reviewed by another person.",
                next_step=f"May review it: {', '.join(able) or 'nobody'}.",
            )
    if not person.holds(Role.REVIEWER, on):
        able = [p.code for p in people if p.holds(Role.REVIEWER, on)]
        raise PersonRefused(
            f"{person.code} ({person.name}) is not a reviewer on {on}.",
            rule="Whoever reviews holds the role that day.",
            next_step=f"On that day: {', '.join(able) or 'nobody'}.",
        )
    if outcome is ReviewOutcome.RETURNED and not reason.strip():
        raise RecordRefused(
            f"The return of {found.number} gives no reason.",
            rule="Who has to correct a record must know why.",
            next_step="Give the reason.",
        )


def _signed_here(session: Session) -> list[Calibration]:
    return calibration_queries.of_origin(session, Origin.BENCH, standing=True)
