"""A gauge found bad: every result that rests on it, judged again, worst first, and what to do.

``impact`` takes the facts of the site and the event and answers with an :class:`Impact`: the
results since the gauge was last known good, through every tier it was used to calibrate
(``affected``), each judged again with the error found (``rows``, ``shifts``, ``many``) in the
worst case and with the error grown linearly with time, sorted by consequence and criticality.

*Order.* Flipped to out of tolerance, then no longer sure, then falsely rejected, then kept; within
each the worst criticality first, then the smallest margin left. A row counts with the worse of
its two courses.

*What to do.* ``recall``: calibrate the switch again, where the result is the last word on a switch
in use and it flipped out, or is no longer sure on a safety or environment item. ``assess``: the
result is history (a later calibration, or the as-found state before an adjustment), or the
doubt is on a lesser item, or the switch was rejected without cause. ``none``: kept. Days until a
recall: see ``URGENCY``; these are this project's choice.

Sources: ISO/IEC 17025:2017 7.10.1; which consequence calls for which action is common practice,
no source.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from datetime import date, timedelta

from calfleet.records import Action, CalibrationColumns, Criticality, Gauge
from calfleet.traceability.affected import (
    Affected,
    AffectedCertificate,
    ShiftBook,
    find_affected,
    require_usable,
)
from calfleet.traceability.columns import columns_of
from calfleet.traceability.event import (
    Beyond,
    CrossCheck,
    FoundBad,
    FoundPoint,
    Kind,
    LastGood,
    last_known_good,
    points_found,
    points_stated,
)
from calfleet.traceability.facts import ChainFacts, in_force
from calfleet.traceability.outcome import Impact, Job, RestingGauge, Row, changed
from calfleet.traceability.rejudge import (
    Consequence,
    Inputs,
    InputsOf,
    State,
    recorded_scatter,
)
from calfleet.traceability.rows import RecordsOf, Rows
from calfleet.traceability.shifts import Course, Shifts
from calfleet.traceability.words import counted, listed

__all__ = [
    "impact",
    "Impact",
    "Row",
    "Job",
    "Action",
    "Consequence",
    "Course",
    "State",
    "RestingGauge",
    "FoundBad",
    "FoundPoint",
    "Kind",
    "Beyond",
    "LastGood",
    "CrossCheck",
    "last_known_good",
    "points_found",
    "points_stated",
    "Inputs",
    "InputsOf",
    "recorded_scatter",
    "URGENCY",
    "EXACT_UP_TO",
]

EXACT_UP_TO = 100
"""Up to so many results every one is judged from its raw readings; above, those near a limit."""

URGENCY: Mapping[Criticality, int] = {
    Criticality.SAFETY: 1,
    Criticality.ENVIRONMENT: 3,
    Criticality.PRODUCTION: 14,
    Criticality.GENERAL: 30,
}
"""Days until a recalled switch is to be calibrated again (this project's choice)."""


def impact(
    facts: ChainFacts,
    event: FoundBad,
    *,
    columns: CalibrationColumns | None = None,
    records: RecordsOf | None = None,
    inputs: InputsOf | None = None,
    areas: Mapping[str, str] | None = None,
    asked_on: date | None = None,
    exact_up_to: int = EXACT_UP_TO,
    urgency: Mapping[Criticality, int] = URGENCY,
) -> Impact:
    """Every result that rests on the gauge of ``event``, judged again, and what follows.

    ``columns``: the calibrations to look among, those of ``facts`` where they are not given;
    ``records`` gives whole those that are to be judged from their readings.
    ``inputs`` gives what the evaluation takes; without it results are judged from their recorded
    figures alone. ``areas``: code to name. ``asked_on``: the day from which dates of jobs are
    counted (by default the day of the finding).

    Raises: UnknownName for a gauge or certificate not recorded; BadQuantity, RecordRefused for
    points that do not fit the gauge.
    """
    if columns is None:
        columns = columns_of(facts.calibrations.values())
    affected = find_affected(facts, event, columns)
    require_usable(event, facts)
    book = ShiftBook(facts, event, affected)
    rows = Rows(
        facts, event, columns, affected, book, areas=areas or {}, inputs=inputs,
        records=records or (lambda numbers: {n: facts.calibrations[n] for n in numbers}),
        exact_up_to=exact_up_to,
    )  # fmt: skip
    gauges = tuple(_resting(facts, affected, book, rows.on))
    start = max(asked_on or event.found_on, event.found_on)
    jobs = [
        *_switch_jobs(changed(rows, rows.counts), start, urgency),
        *_gauge_jobs(facts, event, gauges, start),
    ]
    return Impact(
        event=event,
        gauge=in_force(facts.gauges[event.gauge], event.found_on) or facts.gauges[event.gauge][0],
        method=_method(event, rows),
        rows=rows,
        gauges=gauges,
        jobs=tuple(jobs),
        replaced=affected.replaced,
        notes=tuple(_notes(event, affected, rows)),
        counts=rows.counts,
    )


# --- gauges, jobs, words ----------------------------------------------------------------------


def _resting(
    facts: ChainFacts, affected: Affected, book: ShiftBook, results: Mapping[str, int]
) -> Iterator[RestingGauge]:
    newest = _newest_certificates(facts)
    for number, one in affected.certificates.items():
        gauge = book.gauge(one.gauge, one.calibrated_on)
        shifts = _shifts_of(book, one, gauge)
        largest = shifts.largest if shifts is not None and not shifts.partly_unknown else None
        yield RestingGauge(
            gauge=one.gauge,
            certificate=number,
            calibrated_on=one.calibrated_on,
            tier=one.tier,
            path=affected.path(number),
            unit=gauge.unit if gauge is not None else facts.certificates[number].unit,
            largest_shift=None if largest is None else float(largest),
            why_unknown=book.reasons.get(number, "") or "its gauge is not recorded",
            results=results.get(number, 0),
            in_force=newest.get(one.gauge) == number,
        )


def _shifts_of(book: ShiftBook, one: AffectedCertificate, gauge: Gauge | None) -> Shifts | None:
    return book.carried(one.number, gauge.unit) if gauge is not None else None


def _newest_certificates(facts: ChainFacts) -> dict[str, str]:
    """Each gauge's newest certificate that is neither withdrawn nor replaced."""
    replaced = {c.replaces for c in facts.certificates.values() if c.replaces is not None}
    held: dict[str, tuple[date, date, str]] = {}
    for c in facts.certificates.values():
        if c.number in replaced or c.withdrawal is not None:
            continue
        key = (c.calibrated_on, c.issued_on, c.number)
        if c.gauge not in held or key > held[c.gauge]:
            held[c.gauge] = key
    return {gauge: key[2] for gauge, key in held.items()}


def _switch_jobs(rows: Iterable[Row], start: date, urgency: Mapping[Criticality, int]) -> list[Job]:
    """One job per switch with a result to be recalled, the most urgent first."""
    of_tag: dict[str, list[Row]] = {}
    for row in rows:
        if row.action is Action.RECALL:
            of_tag.setdefault(row.tag, []).append(row)
    jobs = [
        Job(
            what=f"calibrate {tag} by {start + timedelta(days=urgency[own[0].criticality])}",
            by=start + timedelta(days=urgency[own[0].criticality]),
            reason=f"{own[0].set_point} {own[0].phase}, {own[0].consequence}: {own[0].reason}",
            tag=tag,
            criticality=own[0].criticality,
            calibrations=tuple(dict.fromkeys(row.calibration for row in own)),
        )
        for tag, own in of_tag.items()
    ]
    return sorted(jobs, key=lambda job: job.by)


def _gauge_jobs(
    facts: ChainFacts, event: FoundBad, gauges: Iterable[RestingGauge], start: date
) -> list[Job]:
    jobs = []
    if event.kind is not Kind.WITHDRAWN and not any(
        c.gauge == event.gauge and c.calibrated_on >= event.found_on
        for c in facts.certificates.values()
    ):
        what = (
            f"withdraw {event.gauge} from the register of usable gauges"
            if event.kind is Kind.LOST
            else f"label {event.gauge} rejected; calibrate it before it is used again"
        )
        reason = f"{event.gauge} was found bad on {event.found_on} ({event.kind})."
        jobs.append(Job(what, start, reason, gauge=event.gauge))
    for one in gauges:
        if one.in_force:
            jobs.append(
                Job(
                    f"calibrate {one.gauge} with another standard before it is used again",
                    start,
                    one.reason,
                    gauge=one.gauge,
                )
            )
    return jobs


def _method(event: FoundBad, rows: Rows) -> tuple[str, ...]:
    gauge = event.gauge
    if event.kind is Kind.WITHDRAWN:
        said = [
            f"Every result that stands on certificate {event.certificate} of {gauge} was taken, "
            "through every tier of gauges calibrated on its strength."
        ]
    else:
        later = ", or later on a certificate from before it," if event.used_until else ""
        said = [
            f"Every result from {event.last_good.on} ({event.last_good.how}) to "
            f"{event.found_on}{later} was taken that rests on {gauge}, through every tier of "
            "gauges calibrated with it."
        ]
    if not event.known:
        said.append(f"The error of {gauge} is not known, so no result on it is sure.")
    elif event.constant:
        said.append(
            "Each recorded value was corrected by the difference between the error now known and "
            "the error the certificate stated; it was there from the first day."
        )
    else:
        said.append(
            f"Each recorded value was corrected by the difference between the error found on "
            f"{event.found_on} and the error stated before, at the reading: in the worst case the "
            "whole of it on every day; linear with time the part of it that had passed of the "
            f"{counted((event.found_on - event.last_good.on).days, 'day')}."
        )
        said.append("A result counts with the worse of the two.")
    if event.known:
        exact = rows.exact
        if exact:
            which = "All" if exact == len(rows) else str(exact)
            said.append(
                f"{which} of {counted(len(rows), 'result')} evaluated again from the raw readings "
                "by the procedure, limits and uncertainties of their day."
            )
        if exact < len(rows):
            said.append(
                f"{len(rows) - exact} judged by their recorded figures, limits and uncertainties."
            )
    said.append(
        "No longer sure: still inside, but no longer accepted as before, or within the expanded "
        "uncertainty of a limit and nearer to it than recorded."
    )
    return tuple(said)


def _notes(event: FoundBad, affected: Affected, rows: Rows) -> Iterator[str]:
    if affected.replaced:
        shown = list(affected.replaced[:10])
        more = f" and {len(affected.replaced) - 10} more" if len(affected.replaced) > 10 else ""
        yield (
            f"{counted(len(affected.replaced), 'calibration')} on the gauge replaced by a later "
            f"record, which stands instead: {listed(shown)}{more}."
        )
    other = rows.unconfirmed()
    if other:
        names = listed([f"{r.calibration} {r.set_point} {r.phase}" for r in other[:5]])
        yield (
            f"{counted(len(other), 'recorded verdict')} not confirmed by the readings even "
            f"without any shift: {names}. Verify the records."
        )
    if event.known and event.beyond is Beyond.END_ERROR:
        yield "Outside the points found the error of the end point was taken."
    if event.note:
        yield event.note
