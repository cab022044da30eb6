"""A gauge found bad, for readers: the report an auditor asks for, plain data, a picture."""

from __future__ import annotations

import textwrap
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date

from calfleet.adapters.documents.impact_picture import svg
from calfleet.records import Criticality
from calfleet.traceability.exposure import Exposure
from calfleet.traceability.impact import Consequence, Impact, Row, State
from calfleet.traceability.words import counted, span_text, symbol

__all__ = ["Disposition", "report_text", "to_plain", "svg", "exposure_text", "exposure_plain"]

_LEAST_WIDTH = 76

MOST_RESULTS = 200
"""So many results of a consequence are listed, where not all are asked for."""


@dataclass(frozen=True, slots=True)
class Disposition:
    """What was decided about one result (calibration, set point, phase), by whom and why."""

    calibration: str
    set_point: str
    phase: str
    decision: str
    person: str
    on: date
    reason: str

    @property
    def key(self) -> tuple[str, str, str]:
        return self.calibration, self.set_point, self.phase


def report_text(
    impact: Impact,
    width: int = 100,
    *,
    dispositions: Sequence[Disposition] = (),
    most_kept: int | None = None,
) -> str:
    """The report as text: event, period, method, outcome, results by consequence, jobs, signatures.

    ``width``: columns to fill (at least 76 are used). ``dispositions``: decisions taken so far; a
    result without one, unless it is kept, has a line to sign. ``most_kept``: how many kept results
    are listed, and of each other consequence the ``MOST_RESULTS`` most urgent (``None``: all); the
    others are counted.
    """
    width = max(width, _LEAST_WIDTH)
    decided = {one.key: one for one in dispositions}
    lines = body(impact, width, decided, most_kept)
    lines += _signatures(impact, decided)
    return "\n".join(lines) + "\n"


def body(
    impact: Impact,
    width: int,
    decided: Mapping[tuple[str, str, str], Disposition],
    most_kept: int | None,
    *,
    to_sign: bool = True,
) -> list[str]:
    """The lines of the report from its head to its notes, without how it is closed.

    ``most_kept``: how many kept results are listed, and of each other consequence the
    ``MOST_RESULTS`` most urgent; ``None``: all. ``to_sign``: a result not decided about has a
    line to sign on paper.
    """
    lines = [*_event(impact, width), *_outcome(impact, width), *_gauges(impact, width)]
    number = 0
    for consequence in Consequence:
        count = impact.count(consequence)
        if not count:
            continue
        lines += ["", *heading(f"{consequence} ({count})")]
        kept = consequence is Consequence.KEPT
        most = most_kept if kept or most_kept is None else MOST_RESULTS
        shown = impact.rows_of(consequence, most)
        for row in shown:
            number += 1
            key = (row.calibration, row.set_point, row.phase)
            lines += _row(number, row, decided.get(key), width, to_sign=to_sign)
        if len(shown) < count:
            hint = "" if kept else ", less urgent: --all lists them, --format csv and json have all"
            lines.append(f"... and {count - len(shown)} more{hint}.")
    return [*lines, *_jobs(impact, width), *_told(impact, width), *_notes(impact, width)]


def heading(text: str) -> list[str]:
    """A title and the line under it."""
    title = text[0].upper() + text[1:]
    return [title, "-" * len(title)]


def wrapped(text: str, width: int, lead: str = "", under: str | None = None) -> list[str]:
    """``text`` in lines of ``width``, the first begun by ``lead``, the others by ``under``."""
    return textwrap.wrap(
        text,
        width,
        initial_indent=lead,
        subsequent_indent=lead if under is None else under,
        break_on_hyphens=False,
    )


def labelled(label: str, text: str, width: int) -> list[str]:
    """``text`` under its label; nothing where there is no text."""
    return wrapped(text, width, f"{label:<18}", " " * 18) if text else []


def _event(impact: Impact, width: int) -> Iterator[str]:
    event, gauge = impact.event, impact.gauge
    yield from heading(f"Gauge found bad: {event.gauge}")
    what = f"{event.gauge} {gauge.description}, serial number {gauge.serial}, range " + span_text(
        gauge.range_low, gauge.range_high, gauge.unit
    )
    yield from labelled("Gauge", what, width)
    kind = f"{event.kind}, {event.certificate}" if event.certificate else str(event.kind)
    yield from labelled("Event", kind, width)
    yield from labelled("Found on", str(event.found_on), width)
    yield from labelled("Reported by", event.by, width)
    good = event.last_good
    label = "Counted from" if event.constant else "Last known good"
    yield from labelled(
        label, f"{good.on} ({good.how}; certificate then {good.certificate})", width
    )
    for number, text in enumerate(event.left_out):
        yield from labelled("" if number else "! Left out", text, width)
    if event.points:
        unit = symbol(event.unit)
        words = [
            f"{p.error:+f} at {p.indication:f}{f' {p.direction}' if p.direction else ''}"
            for p in event.points
        ]
        yield from labelled("Errors found", f"{'; '.join(words)} ({unit}, indication)", width)
    yield ""
    yield from heading("Method")
    for sentence in impact.method:
        yield from wrapped(sentence, width)


def _outcome(impact: Impact, width: int) -> Iterator[str]:
    yield ""
    yield from heading("Outcome")
    yield from wrapped(impact.statement, width)
    if not impact.rows:
        return
    yield ""
    first = max(len(c) for c in Consequence)
    wide = [max(len(c), 6) for c in (*Criticality, "all")]
    head = [f"{c:>{w}}" for c, w in zip((*Criticality, "all"), wide, strict=True)]
    yield " ".join([f"{'':<{first}}", *head])
    for consequence in Consequence:
        counts = [impact.counts.get((consequence, c), 0) for c in Criticality]
        cells = [f"{n:>{w}}" for n, w in zip((*counts, sum(counts)), wide, strict=True)]
        yield " ".join([f"{consequence:<{first}}", *cells])


def _gauges(impact: Impact, width: int) -> Iterator[str]:
    if not impact.gauges:
        return
    yield ""
    yield from heading(f"Gauges calibrated with it ({len(impact.gauges)} certificates)")
    for one in impact.gauges:
        way = f", through {' → '.join(one.path[:-1])}" if len(one.path) > 1 else ""
        text = (
            f"{one.gauge}, {one.certificate} of {one.calibrated_on}, tier {one.tier}{way}, "
            f"{counted(one.results, 'result')}: {one.reason}"
        )
        yield from wrapped(text, width, "", "    ")


def _row(
    number: int, row: Row, decided: Disposition | None, width: int, *, to_sign: bool
) -> Iterator[str]:
    under = " " * 6
    head = (
        f"{row.criticality}: {row.tag} {row.set_point} {row.phase}, {row.service}; "
        f"{row.calibration} of {row.performed_on} on {row.gauge} ({row.certificate})"
    )
    yield from wrapped(head, width, f"{number:>4}. ", under)
    if row.path:
        way = " → ".join(row.path)
        yield from wrapped(f"Rests on it through {way}.", width, under)
    yield from wrapped(row.reason, width, under)
    if row.under_linear is not row.under_worst:
        yield from wrapped(
            f"Worst case: {row.under_worst}; linear with time: {row.under_linear}.", width, under
        )
    if row.consequence is Consequence.KEPT and decided is None:
        return
    if row.consequence is not Consequence.KEPT:
        yield from wrapped(f"To do: {row.advice}.", width, under)
        yield from wrapped(f"To be told: {'; '.join(row.told)}.", width, under)
    if decided is not None:
        text = f"Disposition: {decided.decision} ({decided.person}, {decided.on}): {decided.reason}"
        yield from wrapped(text, width, under)
    elif not to_sign:
        yield f"{under}Disposition: none yet."
    else:
        yield f"{under}Disposition: ______________________________________________"
        yield f"{under}Name, signature: ______________________  Date: ____________"


def _jobs(impact: Impact, width: int) -> Iterator[str]:
    if not impact.jobs:
        return
    yield ""
    yield from heading(f"Jobs to create ({len(impact.jobs)})")
    for job in impact.jobs:
        weight = f" [{job.criticality}]" if job.criticality is not None else ""
        yield from wrapped(f"{job.by}{weight} {job.what}: {job.reason}", width, "", "    ")


def _told(impact: Impact, width: int) -> Iterator[str]:
    if not impact.told:
        return
    yield ""
    yield from heading("Who must be told")
    for who in impact.told:
        rows = [row for row in impact.changed if who in row.told]
        tags = list(dict.fromkeys(row.tag for row in rows))
        shown = ", ".join(tags[:12]) + (f" and {len(tags) - 12} more" if len(tags) > 12 else "")
        yield from wrapped(f"{who}: {shown}", width, "", "    ")


def _notes(impact: Impact, width: int) -> Iterator[str]:
    if not impact.notes:
        return
    yield ""
    yield from heading("Notes")
    for note in impact.notes:
        yield from wrapped(note, width)


def _signatures(impact: Impact, decided: Mapping[tuple[str, str, str], Disposition]) -> list[str]:
    waiting = sum(
        row.consequence is not Consequence.KEPT
        and (row.calibration, row.set_point, row.phase) not in decided
        for row in impact.changed
    )
    state = (
        f"{counted(waiting, 'result')} without a disposition: the event cannot be closed."
        if waiting
        else "Every result has its disposition: the event can be closed."
    )
    return [
        "", *heading("Closing"), state, "",
        "Assessed by:  ____________________________  Date: ____________",
        "Reviewed by (another person):  ___________  Date: ____________",
        "Work on the gauge may resume, authorised by:  ________________",
        "", f"End of the report on {impact.event.gauge}, found bad on {impact.event.found_on}.",
    ]  # fmt: skip


# --- plain data ---------------------------------------------------------------------------------


def to_plain(impact: Impact) -> dict[str, object]:
    """The impact as JSON-ready data: event, method, counts, results, gauges, jobs, notes.

    Dates are ISO text, numbers in the unit named beside them, ``None`` where not known.
    """
    event = impact.event
    return {
        "event": {
            "gauge": event.gauge,
            "serial": impact.gauge.serial,
            "kind": event.kind.value,
            "found_on": event.found_on.isoformat(),
            "certificate": event.certificate,
            "last_good": {
                "on": event.last_good.on.isoformat(),
                "certificate": event.last_good.certificate,
                "how": event.last_good.how,
                "left_out": list(event.left_out),
            },
            "unit": event.unit or None,
            "points": [
                {
                    "indication": format(p.indication, "f"),
                    "error": format(p.error, "f"),
                    "direction": p.direction.value if p.direction else None,
                }
                for p in event.points
            ],
            "beyond_points": event.beyond.value,
            "by": event.by,
            "note": event.note,
        },
        "statement": impact.statement,
        "method": list(impact.method),
        "counts": [
            {"consequence": c.value, "criticality": k.value, "results": impact.counts[c, k]}
            for c in Consequence
            for k in Criticality
            if impact.counts.get((c, k))
        ],
        "results": [_plain_row(row) for row in impact.rows],
        "gauges": [
            {
                "gauge": one.gauge,
                "certificate": one.certificate,
                "calibrated_on": one.calibrated_on.isoformat(),
                "tier": one.tier,
                "path": list(one.path),
                "unit": one.unit,
                "largest_shift": one.largest_shift,
                "results": one.results,
                "in_force": one.in_force,
                "reason": one.reason,
            }
            for one in impact.gauges
        ],
        "jobs": [
            {
                "what": job.what,
                "by": job.by.isoformat(),
                "tag": job.tag,
                "gauge": job.gauge,
                "criticality": job.criticality.value if job.criticality else None,
                "calibrations": list(job.calibrations),
                "reason": job.reason,
            }
            for job in impact.jobs
        ],
        "told": list(impact.told),
        "replaced": list(impact.replaced),
        "notes": list(impact.notes),
    }


def _plain_row(row: Row) -> dict[str, object]:
    return {
        "calibration": row.calibration,
        "tag": row.tag,
        "service": row.service,
        "area": row.area,
        "criticality": row.criticality.value,
        "performed_on": row.performed_on.isoformat(),
        "set_point": row.set_point,
        "phase": row.phase.value,
        "unit": row.unit,
        "gauge": row.gauge,
        "certificate": row.certificate,
        "tier": row.tier,
        "path": list(row.path),
        "consequence": row.consequence.value,
        "worst_case": row.under_worst.value,
        "linear_with_time": row.under_linear.value,
        "lower_limit": row.lower,
        "upper_limit": row.upper,
        "recorded_verdict": row.recorded_verdict,
        "shift_worst": row.shift_worst,
        "shift_linear": row.shift_linear,
        "before": _plain_state(row.before),
        "after_worst": _plain_state(row.worst),
        "after_linear": _plain_state(row.linear),
        "reason": row.reason,
        "action": row.action.value,
        "advice": row.advice,
        "told": list(row.told),
        "later": row.later,
        "describes_now": row.describes_now,
        "exact": row.exact,
    }


def _plain_state(state: State | None) -> dict[str, object] | None:
    if state is None:
        return None
    return {
        "verdict": state.verdict.value,
        "found": state.found,
        "margin": state.margin,
        "expanded_uncertainty": state.U,
        "limits": state.limits,
        "failed": state.failed,
    }


# --- before it happens ------------------------------------------------------------------------


def exposure_text(exposures: Sequence[Exposure], width: int = 100) -> str:
    """Which gauge, if it failed today, would hurt most: a table, the worst first."""
    width = max(width, _LEAST_WIDTH)
    code = max([5, *(len(e.gauge) for e in exposures)])
    head = [f"{'gauge':<{code}}", *(f"{c:>11}" for c in Criticality), f"{'all':>7}", "  through"]
    lines = [" ".join(head)]
    for one in exposures:
        counts = [one.results(c) for c in Criticality]
        line = [f"{one.gauge:<{code}}", *(f"{n:>11}" for n in counts), f"{one.results():>7}"]
        carried = sum(one.through.values())
        line.append(f"  {carried} by {', '.join(one.gauges)}" if carried else "")
        lines += wrapped(" ".join(line).rstrip(), width, "", " " * (code + 57))
    return "\n".join(lines) + "\n"


def exposure_plain(exposures: Sequence[Exposure]) -> list[dict[str, object]]:
    """The same as JSON-ready data."""
    return [
        {
            "gauge": one.gauge,
            "certificate": one.certificate,
            "since": one.since.isoformat() if one.since else None,
            "direct": {c.value: one.direct.get(c, 0) for c in Criticality},
            "through": {c.value: one.through.get(c, 0) for c in Criticality},
            "results": one.results(),
            "gauges": list(one.gauges),
            "statement": one.statement,
        }
        for one in exposures
    ]
