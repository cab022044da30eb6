"""Terms of a laboratory set from a day on: how long it keeps a gauge, and what that moves."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import date

from calfleet.errors import BadQuantity, RecordRefused
from calfleet.records import GaugeStatus, LaboratoryTerms
from calfleet.services.nearest import pick
from calfleet.services.schedule_gauges import GaugeLine, schedule_gauges
from calfleet.store import planning_facts
from calfleet.store.queries.planning import planning_input
from calfleet.store.queries.shop import laboratories
from calfleet.store.work import Work

AHEAD_WEEKS = 52


@dataclass(frozen=True, slots=True)
class MovedSending:
    """The last day to send a gauge, before and after; ``None``: not known."""

    gauge: str
    before: date | None
    after: date | None


@dataclass(frozen=True, slots=True)
class SetTerms:
    """The terms as entered, the days away before (``None``: not known), the sendings they move."""

    terms: LaboratoryTerms
    before: int | None
    moved: tuple[MovedSending, ...]


def set_terms(work: Work, given: LaboratoryTerms, *, today: date) -> SetTerms:
    """The terms as added, with the gauges to be sent on another day; the caller commits.

    Raises: UnknownName; BadQuantity for negative days; RecordRefused for a second version from
    that day.
    """
    session = work.session
    made = replace(
        given,
        laboratory=pick(
            "laboratory",
            given.laboratory,
            laboratories(session),
            next_step="'calfleet laboratories' lists them.",
        ).code,
    )
    days = (made.transit_days, made.turnaround_days, made.review_days)
    if min(days) < 0:
        raise BadQuantity(
            f"{made.laboratory} with {days[0]} days on the way, {days[1]} there and {days[2]} for "
            "the review.",
            rule="Each takes zero days or more.",
            next_step="Correct the days.",
        )
    before = None
    for known in planning_input(session).terms:
        if known.laboratory != made.laboratory:
            continue
        if known.effective_on == made.effective_on:
            raise RecordRefused(
                f"Terms of {made.laboratory} take effect on {made.effective_on} already.",
                rule="One version of a laboratory's terms takes effect on a day; versions are "
                "only added.",
                next_step="Let the new one take effect on another day.",
            )
        if known.effective_on < made.effective_on:
            before = known.transit_days + known.turnaround_days + known.review_days
    then = max(today, made.effective_on)
    old = _sendings(schedule_gauges(session, as_of=then, weeks=AHEAD_WEEKS).lines)
    planning_facts.add_terms(work, made)
    new = _sendings(schedule_gauges(session, as_of=then, weeks=AHEAD_WEEKS).lines)
    moved = tuple(
        MovedSending(gauge, old[gauge], day)
        for gauge, day in sorted(new.items())
        if gauge in old and old[gauge] != day
    )
    return SetTerms(made, before, moved)


def _sendings(lines: tuple[GaugeLine, ...]) -> dict[str, date | None]:
    """Gauge to the last day to send it for its next calibration that is not under way or set."""
    found: dict[str, date | None] = {}
    under_way: set[str] = set()
    for line in lines:
        code = line.gauge.code
        away_now = line.gauge.status is GaugeStatus.AT_LABORATORY and code not in under_way
        under_way.add(code)
        if not away_now and not (line.trip is not None and line.trip.recorded):
            found.setdefault(code, line.send_by)
    return found
