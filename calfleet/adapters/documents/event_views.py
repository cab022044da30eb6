"""An event for readers: the report an auditor asks for, as text, as plain data, as a picture."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date

from calfleet.adapters.documents import impact_views
from calfleet.adapters.documents.impact_picture import svg as impact_svg
from calfleet.adapters.documents.impact_views import Disposition, heading, labelled, wrapped
from calfleet.metrology.rounding import with_uncertainty
from calfleet.records import Action
from calfleet.traceability.dossier import Dossier, covered
from calfleet.traceability.event import CrossCheck
from calfleet.traceability.period import Compared
from calfleet.traceability.words import counted, symbol

__all__ = ["report_text", "to_plain", "svg", "check_text", "point_figures"]

_LEAST_WIDTH = 76
MOST_RESULTS = 200
"""So many results are listed with their decision, where not all are asked for."""

Decided = tuple[Action, str, date, str]
"""Action, who decided, when and why: what several results can have in common."""


def report_text(dossier: Dossier, width: int = 100, *, most_kept: int | None = None) -> str:
    """The event's report as text: its state, the results by consequence with what was decided,
    gauges, jobs, cross checks, who was told, open points, and the head of the audit trail.

    ``width``: columns to fill (at least 76 are used). ``most_kept``: how many kept results are
    listed (``None``: all); the others are counted.
    """
    width = max(width, _LEAST_WIDTH)
    held = dossier.held
    lines = [*heading(f"Event {held.number}, site {dossier.site}")]
    lines += labelled("State", dossier.state, width)
    lines += labelled("Judged as of", str(dossier.asked_on), width)
    lines += labelled("Reported by", dossier.who(held.event.reported_by), width)
    lines.append("")
    decided = {one.key: one for one in _dispositions(dossier)}
    lines += impact_views.body(dossier.impact, width, decided, most_kept, to_sign=False)
    lines += _each_result(dossier, width, MOST_RESULTS if most_kept is not None else None)
    lines += _decisions(dossier, width)
    lines += _checks(dossier, width)
    lines += _told(dossier, width)
    for title, points in (("Open points", dossier.open_points), ("Remarks", dossier.remarks)):
        if points:
            lines += ["", *heading(title)]
            for point in points:
                lines += wrapped(_sentence(point), width, "- ", "  ")
    lines += _end(dossier, width)
    return "\n".join(lines) + "\n"


def _each_result(dossier: Dossier, width: int, most: int | None) -> Iterator[str]:
    """Every result touched, kept ones too, with the decision that covers it.

    ``most``: so many are listed (``None``: all). Decisions are told once, under a number.
    """
    pairs = list(covered(dossier.held, dossier.impact.rows))
    if not pairs:
        return
    yield ""
    yield from heading(f"Decision on each result ({len(pairs)})")
    told: dict[Decided, int] = {}
    for row, made in pairs[:most]:
        words = "NO DECISION YET"
        if made is not None:
            one = made.action, made.decided_by, made.decided_on, made.reason
            words = f"{made.action} [{told.setdefault(one, len(told) + 1)}]"
        yield from wrapped(
            f"{row.calibration} {row.tag} {row.set_point} {row.phase}, {row.consequence}: {words}",
            width, "", "    ",
        )  # fmt: skip
    if most is not None and len(pairs) > most:
        yield f"... and {len(pairs) - most} more: --all, or --format csv."
    for (action, by, on, reason), number in told.items():
        yield from wrapped(
            f"[{number}] {action}, {dossier.who(by)}, {on}: {reason}", width, "", "    "
        )


def _sentence(text: str) -> str:
    return text if text.endswith(".") else f"{text[0].upper()}{text[1:]}."


def _dispositions(dossier: Dossier) -> Iterator[Disposition]:
    """The standing decision on each calibration, as one on each of its results."""
    for row, made in covered(dossier.held, dossier.impact.rows):
        if made is not None:
            yield Disposition(
                row.calibration, row.set_point, row.phase, made.action,
                dossier.who(made.decided_by), made.decided_on, made.reason,
            )  # fmt: skip


def _decisions(dossier: Dossier, width: int) -> Iterator[str]:
    """How many calibrations were decided upon and how, and every decision that was changed."""
    held = dossier.held
    if not held.decisions:
        return
    yield ""
    yield from heading("Decisions")
    standing = [d for d in held.standing.values() if d.calibration in dossier.touched]
    counts: dict[str, int] = {}
    for one in standing:
        counts[one.action] = counts.get(one.action, 0) + 1
    shares = ", ".join(f"{action} {number}" for action, number in sorted(counts.items()))
    yield from wrapped(
        f"{len(standing)} of {counted(len(dossier.touched), 'calibration')} decided upon"
        f"{f': {shares}' if shares else ''}.",
        width,
    )
    for one in held.decisions:
        last = held.standing[one.calibration]
        if one.decision < last.decision:
            yield from wrapped(
                f"{one.calibration}: {one.action} ({dossier.who(one.decided_by)}, "
                f"{one.decided_on}: {one.reason}) was changed by decision {last.decision}.",
                width, "", "    ",
            )  # fmt: skip


def _checks(dossier: Dossier, width: int) -> Iterator[str]:
    if not dossier.checks:
        return
    gauge = dossier.held.event.gauge
    yield ""
    yield from heading(f"Cross checks of {gauge}")
    for one in dossier.checks:
        text = check_text(one.seen_from(gauge))
        if one.entered_at is not None and one.entered_at.date() > one.on:
            text += f" Entered on {one.entered_at:%Y-%m-%d}."
        yield from wrapped(text, width, "", "    ")


def check_text(check: Compared) -> str:
    """A cross check in one sentence, each point with what both gauges said, E_n at the end."""
    points = []
    for point in check.points:
        own, U, other, other_U = point_figures(point)
        points.append(
            f"{own} ± {U} against {other} ± {other_U} {symbol(point.unit)}, E_n {point.en:.2f}"
        )
    verb = "agreed" if check.agrees else "did not agree"
    return (
        f"{check.number} of {check.on}: {check.gauge} and {check.against} {verb}: "
        f"{'; '.join(points)}."
    )


def point_figures(point: CrossCheck) -> tuple[str, str, str, str]:
    """What the gauge said and its U, what the other said and its U, to the places of each U.

    A gauge taken as exact (U = 0) is written to the places of the other.
    """
    widths = (point.U or point.other_U, point.other_U or point.U)
    own, U = with_uncertainty(point.value, widths[0])
    other, other_U = with_uncertainty(point.other_value, widths[1])
    return own, U if point.U else "0", other, other_U if point.other_U else "0"


def _told(dossier: Dossier, width: int) -> Iterator[str]:
    if not dossier.held.notices and not dossier.impact.told:
        return
    yield ""
    yield from heading("Who was told")
    for one in dossier.held.notices:
        note = f": {one.note}" if one.note else ""
        yield from wrapped(
            f"{one.told_on} {one.told}, by {dossier.who(one.told_by)}{note}", width, "", "    "
        )
    if not dossier.held.notices:
        yield "Nobody is on record."


def _end(dossier: Dossier, width: int) -> Iterator[str]:
    closure = dossier.held.closure
    yield ""
    yield from heading("Closing")
    if closure is not None:
        yield from wrapped(
            f"Closed on {closure.closed_on} by {dossier.who(closure.closed_by)}: "
            f"{closure.statement}",
            width,
        )
    elif dossier.open_points:
        yield "Open; it cannot be closed yet."
    else:
        yield "Open; it can be closed."
    position, digest = dossier.head
    yield ""
    yield f"Head of the audit trail: entry {position}, {digest}"
    yield f"End of the report on event {dossier.held.number}."


# --- plain data ---------------------------------------------------------------------------------


def to_plain(dossier: Dossier) -> dict[str, object]:
    """The dossier as JSON-ready data: what ``found-bad`` gives, with the event's own record.

    Each result has its ``decision`` (``None`` where there is none yet).
    """
    held, event = dossier.held, dossier.held.event
    plain = impact_views.to_plain(dossier.impact)
    standing = held.standing
    results = plain["results"]
    if isinstance(results, list):
        for one in results:
            made = standing.get(one["calibration"])
            one["decision"] = (
                None
                if made is None
                else {
                    "action": made.action.value,
                    "reason": made.reason,
                    "by": made.decided_by,
                    "on": made.decided_on.isoformat(),
                    "number": made.decision,
                }
            )
    closure = held.closure
    position, digest = dossier.head
    return {
        "number": held.number,
        "site": dossier.site,
        "judged_as_of": dossier.asked_on.isoformat(),
        "state": "open" if closure is None else "closed",
        "reported_by": event.reported_by,
        **plain,
        "calibrations": [
            {
                "calibration": one.calibration,
                "tag": one.tag,
                "performed_on": one.performed_on.isoformat(),
                "criticality": one.criticality.value,
                "consequence": one.consequence.value,
                "proposed": one.proposed.value,
                "decided": standing[one.calibration].action.value
                if one.calibration in standing
                else None,
            }
            for one in dossier.touched.values()
        ],
        "decisions": [
            {
                "calibration": d.calibration,
                "number": d.decision,
                "action": d.action.value,
                "reason": d.reason,
                "by": d.decided_by,
                "on": d.decided_on.isoformat(),
            }
            for d in held.decisions
        ],
        "notices": [
            {
                "told": n.told,
                "on": n.told_on.isoformat(),
                "by": n.told_by,
                "note": n.note,
            }
            for n in held.notices
        ],
        "cross_checks": [check_plain(one) for one in dossier.checks],
        "closure": None
        if closure is None
        else {
            "by": closure.closed_by,
            "on": closure.closed_on.isoformat(),
            "statement": closure.statement,
        },
        "open_points": list(dossier.open_points),
        "remarks": list(dossier.remarks),
        "audit_head": {"entry": position, "digest": digest},
    }


def check_plain(check: Compared) -> dict[str, object]:
    """A cross check as JSON-ready data; values are corrected, in the unit named."""
    return {
        "number": check.number,
        "gauge": check.gauge,
        "certificate": check.certificate,
        "against": check.against,
        "against_certificate": check.against_certificate,
        "on": check.on.isoformat(),
        "entered_at": None if check.entered_at is None else check.entered_at.isoformat(),
        "agrees": check.agrees,
        "largest_en": check.largest_en,
        "points": [
            {
                "unit": p.unit,
                "value": float(p.value),
                "expanded_uncertainty": float(p.U),
                "against_value": float(p.other_value),
                "against_expanded_uncertainty": float(p.other_U),
                "en": p.en,
                "agrees": p.agrees,
            }
            for p in check.points
        ],
    }


def svg(dossier: Dossier) -> str:
    """The results over time, as ``found-bad`` draws them."""
    return impact_svg(dossier.impact)
