"""A gauge found bad: every result that rests on it, judged again, worst first, and what to do.

``impact`` takes the facts of the site and the event and answers with an :class:`Impact`: the
results since the gauge was last known good, through every tier it was used to calibrate
(``affected``), each judged again with the error found (``shifts``, ``rejudge``, ``many``) in the
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

import math
from collections import Counter
from collections.abc import Iterable, Iterator, Mapping, Sequence
from datetime import date, timedelta
from fractions import Fraction
from itertools import islice, pairwise
from typing import NamedTuple

from calfleet.errors import CalfleetError
from calfleet.metrology.conformity import Verdict
from calfleet.metrology.units import PressureMode
from calfleet.records import (
    Action,
    Calibration,
    Criticality,
    Gauge,
    GaugeRole,
    GaugeUsed,
    Phase,
    Result,
    Switch,
    SwitchStatus,
)
from calfleet.traceability.affected import (
    Affected,
    AffectedCalibration,
    AffectedCertificate,
    ShiftBook,
    find_affected,
    require_usable,
)
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
from calfleet.traceability.many import GaugeInUse, Item, judge_many
from calfleet.traceability.outcome import Impact, Job, RestingGauge, Row
from calfleet.traceability.rejudge import (
    Consequence,
    Inputs,
    InputsOf,
    Placed,
    State,
    consequence,
    judge_exactly,
    recorded_scatter,
)
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

_BATCH = 10_000  # so many results at once: what is only needed on the way is soon let go

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
    inputs: InputsOf | None = None,
    areas: Mapping[str, str] | None = None,
    asked_on: date | None = None,
    exact_up_to: int = EXACT_UP_TO,
    urgency: Mapping[Criticality, int] = URGENCY,
) -> Impact:
    """Every result that rests on the gauge of ``event``, judged again, and what follows.

    ``inputs`` gives what the evaluation takes; without it results are judged from their recorded
    figures alone. ``areas``: code to name. ``asked_on``: the day from which dates of jobs are
    counted (by default the day of the finding).

    Raises: UnknownName for a gauge or certificate not recorded; BadQuantity, RecordRefused for
    points that do not fit the gauge.
    """
    affected = find_affected(facts, event)
    require_usable(event, facts)
    book = ShiftBook(facts, event, affected)
    rows = _Rows(facts, event, affected, book, areas or {}, inputs, exact_up_to)
    made = sorted(rows.made(), key=_urgency_key)
    results = Counter(row.certificate for row in made)
    gauges = tuple(_resting(facts, affected, book, results))
    start = max(asked_on or event.found_on, event.found_on)
    jobs = [*_switch_jobs(made, start, urgency), *_gauge_jobs(facts, event, gauges, start)]
    return Impact(
        event=event,
        gauge=in_force(facts.gauges[event.gauge], event.found_on) or facts.gauges[event.gauge][0],
        method=_method(event, made),
        rows=tuple(made),
        gauges=gauges,
        jobs=tuple(jobs),
        replaced=affected.replaced,
        notes=tuple(_notes(event, affected, made)),
        counts=Counter((row.consequence, row.criticality) for row in made),
    )


_CRITICALITY_RANK = {one: place for place, one in enumerate(Criticality)}


def _urgency_key(row: Row) -> tuple[object, ...]:
    state = row.worst or row.before
    margin = state.margin if state.margin is not None else -math.inf
    return (
        row.consequence.rank, _CRITICALITY_RANK[row.criticality], not row.describes_now, margin,
        row.performed_on, row.calibration, row.set_point, row.phase,
    )  # fmt: skip


# --- rows ---------------------------------------------------------------------------------------


class _Draft(NamedTuple):
    """A result on its way to a row; ``item`` is ``None`` where nothing can be worked out."""

    affected: AffectedCalibration
    result: Result
    switch: Switch
    item: Item | None
    why: str


class _Outcome(NamedTuple):
    before: State
    worst: State | None
    linear: State | None
    shift_worst: float | None
    shift_linear: float | None
    exact: bool
    shift_known: bool = False


class _Rows:
    def __init__(
        self,
        facts: ChainFacts,
        event: FoundBad,
        affected: Affected,
        book: ShiftBook,
        areas: Mapping[str, str],
        inputs: InputsOf | None,
        exact_up_to: int,
    ) -> None:
        self._facts, self._event, self._affected, self._book = facts, event, affected, book
        self._areas, self._inputs, self._exact_up_to = areas, inputs, exact_up_to
        self._in_use: dict[tuple[str, str, date, bool], GaugeInUse | None] = {}
        self._fractions: dict[date, Fraction] = {}
        self._required = {
            (code, revision.revision): float(revision.required_tur)
            for code, revisions in facts.procedures.items()
            for revision in revisions
        }
        self._newest: dict[str, Switch] = {}
        self._paths: dict[str, tuple[str, ...]] = {}
        for switch in facts.switches.values():
            known = self._newest.get(switch.tag)
            if known is None or (switch.effective_on, switch.revision) > (
                known.effective_on,
                known.revision,
            ):
                self._newest[switch.tag] = switch

    def made(self) -> Iterator[Row]:
        later = self._later()
        total = sum(len(one.calibration.results) for one in self._affected.calibrations)
        everything = total <= self._exact_up_to
        drafts = (d for one in self._affected.calibrations for d in self._drafts(one))
        while batch := list(islice(drafts, _BATCH)):
            for draft, outcome in zip(batch, self._judged(batch, everything), strict=True):
                yield self._row(draft, outcome, later)

    # --- preparing

    def _drafts(self, one: AffectedCalibration) -> Iterator[_Draft]:
        calibration = one.calibration
        bench = calibration.bench
        switch = self._facts.switches.get((bench.tag, calibration.switch_revision))
        resting = {id(use.used) for use in one.uses}
        day = bench.performed_on
        fraction = self._fractions.get(day)
        if fraction is None:
            fraction = self._fractions[day] = self._event.fraction(day)
        operating = self._use(_in_role(bench.gauges, GaugeRole.OPERATING), day, resting)
        own_static = _in_role(bench.gauges, GaugeRole.STATIC)
        low_side = self._use(own_static, day, resting) if own_static is not None else operating
        required = self._required.get((bench.procedure, bench.procedure_revision))
        for result in calibration.results:
            label, phase = result.set_point, result.phase
            cycles = [c for c in bench.cycles if c.phase is phase and c.set_point == label]
            why = ""
            if switch is None:
                why = f"revision {calibration.switch_revision} of {bench.tag} is not recorded"
            elif not cycles:
                why = "no readings are recorded"
            elif operating is None:
                why = "no usable certificate of the operating gauge is recorded"
            counted_static = any(c.static for c in cycles) and not (
                operating is not None and operating.mode is PressureMode.DIFFERENTIAL
            )
            if counted_static and low_side is None and not why:
                why = "no usable certificate of the static gauge is recorded"
            if why or switch is None or operating is None:
                known = switch or self._newest.get(bench.tag)
                if known is None:
                    continue
                yield _Draft(one, result, known, None, why)
                continue
            if any(later.run < cycle.run for cycle, later in pairwise(cycles)):
                cycles = sorted(cycles, key=lambda cycle: cycle.run)
            item = Item(
                calibration, result, switch, tuple(cycles), operating,
                low_side if counted_static else None, required, fraction,
            )  # fmt: skip
            yield _Draft(one, result, switch, item, "")

    def _use(self, used: GaugeUsed | None, day: date, resting: set[int]) -> GaugeInUse | None:
        if used is None:
            return None
        affected = id(used) in resting
        key = (used.gauge, used.certificate, day, affected)
        if key not in self._in_use:
            self._in_use[key] = self._looked_up(used, day, affected=affected)
        return self._in_use[key]

    def _looked_up(self, used: GaugeUsed, day: date, *, affected: bool) -> GaugeInUse | None:
        gauge = self._book.gauge(used.gauge, day)
        shifts = self._book.of(used, day, affected=affected)
        if gauge is None or shifts is None:
            return None
        return GaugeInUse(
            shifts, gauge.mode, gauge.use_corrections,
            not gauge.use_corrections and gauge.accuracy_basis == "% of reading",
        )  # fmt: skip

    # --- judging

    def _judged(self, drafts: Sequence[_Draft], everything: bool) -> list[_Outcome]:
        items = [draft.item for draft in drafts if draft.item is not None]
        many = judge_many(items)
        outcomes: list[_Outcome] = []
        place = 0
        for draft in drafts:
            if draft.item is None:
                outcomes.append(_Outcome(_recorded(draft.result), None, None, None, None, False))
                continue
            i, place = place, place + 1
            outcome = _Outcome(
                many.before[i], many.worst[i], many.linear[i],
                many.shift_worst[i], many.shift_linear[i], False, many.shift_known[i],
            )  # fmt: skip
            if self._inputs is not None and (everything or many.near[i]):
                outcome = self._exactly(draft, outcome)
            outcomes.append(outcome)
        return outcomes

    def _exactly(self, draft: _Draft, quick: _Outcome) -> _Outcome:
        item = draft.item
        if self._inputs is None or item is None:
            return quick
        static = item.static.shifts if item.static is not None else None
        placed = Placed(item.operating.shifts, static, item.fraction)
        try:
            given = self._inputs(draft.affected.calibration, draft.result)
            before = judge_exactly(given, placed, None) if given is not None else None
        except CalfleetError:
            return quick
        if given is None or before is None:
            return quick
        worst = judge_exactly(given, placed, Course.WORST)
        linear = judge_exactly(given, placed, Course.LINEAR)
        return _Outcome(
            before, worst, linear,
            _difference(before, worst, quick.shift_worst),
            _difference(before, linear, quick.shift_linear),
            True,
            quick.shift_known,
        )  # fmt: skip

    # --- making rows

    def _later(self) -> dict[str, str | None]:
        """For each affected calibration the next one of its switch, replaced ones left out."""
        tags = {one.calibration.bench.tag for one in self._affected.calibrations}
        of_tag: dict[str, list[Calibration]] = {tag: [] for tag in tags}
        for calibration in self._facts.calibrations.values():
            if calibration.replaced_by is None and calibration.bench.tag in of_tag:
                of_tag[calibration.bench.tag].append(calibration)
        later: dict[str, str | None] = {}
        for own in of_tag.values():
            own.sort(key=_when)
            numbers: list[str | None] = [calibration.number for calibration in own]
            later.update(zip((c.number for c in own), [*numbers[1:], None], strict=True))
        return later

    def _row(self, draft: _Draft, outcome: _Outcome, later: Mapping[str, str | None]) -> Row:
        calibration, result, switch = draft.affected.calibration, draft.result, draft.switch
        uses = draft.affected.uses
        use = uses[0] if len(uses) == 1 else min(uses, key=lambda u: u.tier)
        worst = consequence(outcome.before, outcome.worst)
        linear = consequence(outcome.before, outcome.linear)
        after = later.get(calibration.number)
        left = len(calibration.results) > 1 and any(
            r.phase is Phase.AS_LEFT and r.set_point == result.set_point
            for r in calibration.results
        )
        newest = self._newest.get(switch.tag, switch)
        why = ""
        if outcome.worst is None:
            why = draft.why or self._why(
                use.used.certificate, use.tier, known_there=outcome.shift_known
            )
        return Row(
            calibration=calibration.number,
            tag=switch.tag,
            service=switch.service,
            area=newest.area,
            area_name=self._areas.get(newest.area, ""),
            criticality=newest.criticality,
            in_use=newest.status is SwitchStatus.IN_SERVICE,
            performed_on=calibration.bench.performed_on,
            set_point=result.set_point,
            phase=result.phase,
            unit=result.unit,
            gauge=use.used.gauge,
            certificate=use.used.certificate,
            tier=use.tier,
            path=self._path(use.used.certificate) if use.tier > 1 else (),
            fraction=float(self._fractions[calibration.bench.performed_on]),
            lower=result.lower_limit,
            upper=result.upper_limit,
            recorded_verdict=result.verdict,
            before=outcome.before,
            worst=outcome.worst,
            linear=outcome.linear,
            shift_worst=outcome.shift_worst,
            shift_linear=outcome.shift_linear,
            under_worst=worst,
            under_linear=linear,
            consequence=worst if worst is linear or worst.rank < linear.rank else linear,
            why_unknown=why,
            later=after,
            describes_now=after is None and (result.phase is Phase.AS_LEFT or not left),
            exact=outcome.exact,
        )

    def _path(self, certificate: str) -> tuple[str, ...]:
        if certificate not in self._paths:
            self._paths[certificate] = self._affected.path(certificate)
        return self._paths[certificate]

    def _why(self, certificate: str, tier: int, *, known_there: bool) -> str:
        if tier > 1 and certificate in self._book.reasons:
            return self._book.reasons[certificate]
        event = self._event
        if event.known and known_there:
            return f"with the error of {event.gauge} its readings contradict each other"
        if event.known:
            return f"a reading lies outside the points at which {event.gauge} was checked"
        return f"{event.gauge}: {event.kind} on {event.found_on}, its error is not known"


def _in_role(gauges: Iterable[GaugeUsed], role: GaugeRole) -> GaugeUsed | None:
    for used in gauges:
        if used.role is role:
            return used
    return None


def _when(calibration: Calibration) -> tuple[object, ...]:
    return calibration.bench.performed_on, calibration.recorded_at, calibration.number


def _recorded(result: Result) -> State:
    """How a result stands by its record alone: the set point found is the only value known."""
    found, low, high = result.found, result.lower_limit, result.upper_limit
    margins = []
    if found is not None:
        margins += [found - low] if low is not None else []
        margins += [high - found] if high is not None else []
    known = next((v for v in Verdict if v == result.verdict), Verdict.FAIL)
    return State(
        verdict=known,
        margin=min(margins, default=None),
        found=found,
        low=found,
        high=found,
        U=result.expanded_uncertainty or 0.0,
        failed=found is None,
    )


def _difference(before: State, after: State | None, quick: float | None) -> float | None:
    if after is None:
        return None
    if before.found is None or after.found is None:
        return quick
    return before.found - after.found


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


def _method(event: FoundBad, rows: Sequence[Row]) -> tuple[str, ...]:
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
        exact = sum(row.exact for row in rows)
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


def _notes(event: FoundBad, affected: Affected, rows: Sequence[Row]) -> Iterator[str]:
    if affected.replaced:
        shown = list(affected.replaced[:10])
        more = f" and {len(affected.replaced) - 10} more" if len(affected.replaced) > 10 else ""
        yield (
            f"{counted(len(affected.replaced), 'calibration')} on the gauge replaced by a later "
            f"record, which stands instead: {listed(shown)}{more}."
        )
    other = [row for row in rows if row.exact and row.recorded_verdict != row.before.verdict]
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
