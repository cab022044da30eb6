"""When each gauge will be usable, as far as is known on a day: what all of planning rests on.

What is assumed: a gauge is sent so that it is back on its due date, or goes in the absence on
record near it; its next interval is counted from its calibration. Where its laboratory has no times
on record, nothing is assumed: it is not counted on after its due date.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, replace
from datetime import date

from calfleet.errors import BadDate, BadQuantity
from calfleet.records import Gauge, GaugeStatus, LaboratoryTerms
from calfleet.scheduling.calendar import Window, add_days
from calfleet.scheduling.gauge_plan import Fleet, GaugeCare
from calfleet.scheduling.plan_model import NO_GAUGE, GaugeAvailability
from calfleet.services.bench_facts import BenchFacts, in_force


@dataclass(frozen=True)
class GaugeOutlook:
    """What is known on ``as_of`` of each gauge's coming days, through ``until``.

    ``gone``: why a gauge is not in the fleet at all: withdrawn or lost. One that is in neither has
    no certificate.
    """

    as_of: date
    until: date
    fleet: Fleet
    gone: Mapping[str, str]

    def usable(self, code: str, day: date) -> bool:
        """Whether the gauge will be in service, there and valid on ``day``."""
        return self.why_not(code, day) is None

    def why_not(self, code: str, day: date) -> str | None:
        """Why the gauge will not be usable on ``day``; ``None``: it will.

        This one answer is what ``due``, ``plan``, ``forecast`` and ``gauge-schedule`` tell. Days
        after ``until`` are judged as the last day looked at.
        """
        if code not in self.fleet.free:
            return self.gone.get(code, f"no certificate on {self.as_of}")
        return self.fleet.why_not(code, day)

    def back_on(self, code: str, day: date) -> date | None:
        """The return still to come on which its use on ``day`` rests; ``None``: on none."""
        return self.fleet.back_on(code, day)

    def availability(self) -> list[GaugeAvailability]:
        """The same as windows, for the levelling; with the gauge that is always there."""
        return [
            *self.fleet.free.values(),
            GaugeAvailability(NO_GAUGE, (Window(date.min, date.max),)),
        ]


def gauge_outlook(
    facts: BenchFacts,
    terms: Iterable[LaboratoryTerms],
    as_of: date,
    until: date,
    *,
    cares: Iterable[GaugeCare] | None = None,
) -> GaugeOutlook:
    """The outlook of every gauge from ``as_of`` through ``until``.

    ``terms``: laboratory terms by day of effect. A trip may begin inside and end after ``until``.

    Raises: BadQuantity for a gauge that is away as long as it is valid.
    """
    held = list(gauge_cares(facts, terms, as_of) if cares is None else cares)
    far = add_days(until, max((c.absence_days for c in held), default=0) + 1)
    gone = {}
    for code, revisions in facts.gauges.items():
        gauge = in_force(revisions, as_of)
        if gauge is not None and gauge.status in (GaugeStatus.WITHDRAWN, GaugeStatus.LOST):
            gone[code] = f"{gauge.status} since {gauge.effective_on}"
    return GaugeOutlook(as_of, until, Fleet(held, as_of, far), gone)


def with_outlook(
    facts: BenchFacts, terms: Iterable[LaboratoryTerms], as_of: date, until: date
) -> BenchFacts:
    """``facts`` with the outlook in them.

    Without it where the times on record contradict themselves, which planning refuses by name,
    and where a gauge would come back after the end of the calendar.
    """
    try:
        return replace(facts, outlook=gauge_outlook(facts, terms, as_of, until))
    except (BadDate, BadQuantity):
        return facts


def _ending(revisions: Iterable[Gauge], as_of: date) -> tuple[date, str] | None:
    """From which day after ``as_of`` on a gauge is out of service for good, by its data sheets."""
    found = None
    for sheet in sorted(revisions, key=lambda g: (g.effective_on, g.revision)):
        over = sheet.status in (GaugeStatus.WITHDRAWN, GaugeStatus.LOST)
        if sheet.effective_on > as_of and over:
            found = found or (sheet.effective_on, str(sheet.status))
        else:
            found = None
    return found


def gauge_cares(
    facts: BenchFacts, terms: Iterable[LaboratoryTerms], today: date
) -> Iterator[GaugeCare]:
    """Every gauge that has a certificate and is not gone for good, by code."""
    held = tuple(terms)
    for code, revisions in sorted(facts.gauges.items()):
        gauge = in_force(revisions, today)
        if gauge is None or gauge.status in (GaugeStatus.WITHDRAWN, GaugeStatus.LOST):
            continue
        certificate = facts.certificate_on(code, today)
        if certificate is None:
            continue
        times = laboratory_days(held, certificate.laboratory, today)
        transit, laboratory, review = times or (0, 0, 0)
        yield GaugeCare(
            code=code,
            due_on=facts.valid_until(certificate),
            policy=facts.policy(gauge.policy, today),
            transit_days=transit,
            laboratory_days=laboratory,
            review_days=review,
            valid_from=certificate.issued_on,
            away=tuple(
                Window(a.first_on, a.last_on, a.reason) for a in facts.absences if a.gauge == code
            ),
            sent_on=_sent_on(revisions, gauge),
            ends=_ending(revisions, today),
            without_terms=certificate.laboratory if times is None else "",
        )


def _sent_on(revisions: Iterable[Gauge], now: Gauge) -> date | None:
    """Since when a gauge that is at the laboratory is there, by its data sheets."""
    if now.status is not GaugeStatus.AT_LABORATORY:
        return None
    since = now.effective_on
    for sheet in sorted(revisions, key=lambda g: (g.effective_on, g.revision), reverse=True):
        if sheet.effective_on > now.effective_on:
            continue
        if sheet.status is not GaugeStatus.AT_LABORATORY:
            break
        since = sheet.effective_on
    return since


def laboratory_days(
    terms: Iterable[LaboratoryTerms], laboratory: str, today: date
) -> tuple[int, int, int] | None:
    """Days on the way, at that laboratory, and for the review; ``None``: no terms on record."""
    found = None
    for one in terms:
        if one.laboratory == laboratory and one.effective_on <= today:
            found = (one.transit_days, one.turnaround_days, one.review_days)
    return found
