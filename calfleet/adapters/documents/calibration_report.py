"""A calibration report of one calibration, to be printed: what it says, and the PDF of it.

The contents follow ISO/IEC 17025:2017 7.8.2.1, 7.8.4 and 7.8.6; which item stands where is told
in docs/auditor.md. No due date is printed: a report does not recommend an interval (7.8.4.3).
"""

from __future__ import annotations

from importlib.resources import files as package_files

from calfleet.adapters.documents import typeset
from calfleet.metrology.rounding import cut_ratio, percent, significant, with_uncertainty
from calfleet.records import (
    Cycle,
    GaugeRole,
    LaboratoryKind,
    Origin,
    Phase,
    ReportFacts,
    ReportGauge,
    ReportState,
    Result,
)

TITLE = "Calibration report"
TEMPLATE = "calibration_report.typ"
STANDARD = "a-2b"
"""The archive profile; a character that no font of the program holds is refused under it."""
DASH = "–"
REVIEWED, RETURNED, SIGNED, MOVED_IN = "reviewed", "returned", "signed", "moved in"

Pairs = list[list[str]]


def report_pdf(facts: ReportFacts) -> bytes:
    """The report as a PDF; the same facts give the same bytes.

    Raises: UsageError where the optional part is not installed, BadQuantity where a text holds a
    character that no font of the program has.
    """
    source = package_files(__package__).joinpath(TEMPLATE).read_text(encoding="utf-8")
    return typeset.compile(
        source,
        report_data(facts),
        on=facts.issued_on,
        files={"qr.svg": typeset.qr_svg(stamp(facts))},
        standard=STANDARD,
    )


def stamp(facts: ReportFacts) -> str:
    """What the report's QR code says: number, digest of the record, head of the audit trail."""
    return (
        f"{facts.calibration.number}\nrecord {facts.record_digest}\n"
        f"audit {facts.head_position} {facts.head_digest}"
    )


def report_data(facts: ReportFacts) -> dict[str, object]:
    """Everything the report prints, as text in plain data; figures are rounded with U already."""
    calibration = facts.calibration
    bench = calibration.bench
    return {
        "title": TITLE,
        "number": calibration.number,
        "issue": _issue(facts),
        "laboratory": _laboratory(facts),
        "status": status(facts),
        "item": _item(facts),
        "work": _work(facts),
        "results": [_result_row(r) for r in calibration.results],
        "unit": facts.switch.unit,
        "decisions": [_decision(r) for r in calibration.results],
        "uncertainty": _uncertainty(calibration.results),
        "readings": _readings(facts),
        "standards": _standards(facts.gauges),
        "traceability": facts.chain_statement,
        "findings": [f.text for f in calibration.findings],
        "adjustment": (
            f"Adjusted: {bench.adjustment_note}".rstrip(": .") + "."
            if bench.adjusted
            else "Not adjusted: as-left is as found."
        ),
        "remarks": bench.remarks,
        "signatures": _signatures(facts),
        "course": [_course_line(facts, s) for s in facts.states],
        "statements": STATEMENTS,
        "evaluation": f"Evaluated by version {calibration.evaluation_version} of the computation.",
        "record_digest": facts.record_digest,
        "head": f"entry {facts.head_position}, {facts.head_digest}",
    }


def _issue(facts: ReportFacts) -> str:
    at = f"{facts.issued_on} at audit entry {facts.head_position}"
    if facts.issue is None:
        return f"{facts.calibration.number}, printed {at}, NOT AN ISSUED REPORT"
    return f"{facts.calibration.number}, issue {facts.issue.number}, issued {at}"


def _laboratory(facts: ReportFacts) -> list[str]:
    told = facts.shop
    name = told.shop_name if told and told.shop_name else facts.site.name
    site = f"Site {facts.site.code}, instrument shop"
    if name != facts.site.name:
        site = f"{facts.site.name}, site {facts.site.code}"
    address = told.shop_address.splitlines() if told else []
    return [name, *address, site]


STATEMENTS = [
    "The results relate only to the item named above, in its condition on the day of calibration.",
    "This report is reproduced only in full.",
]


def status(facts: ReportFacts) -> dict[str, object]:
    """The state told in the frame at the top: a heading, what goes with it, whether it warns."""
    calibration = facts.calibration
    lines: list[str] = []
    bench = calibration.bench
    last = _last(facts, REVIEWED, RETURNED)
    if calibration.replaced_by is not None:
        replaced = facts.states[-1]
        heading, warns = f"REPLACED by {calibration.replaced_by}: do not use this report", True
        lines.append(f"Replaced on {replaced.at:%Y-%m-%d}: {replaced.reason}".rstrip(": "))
    elif calibration.origin is Origin.HISTORY:
        heading, warns = "HISTORY, moved in: NOT REVIEWED", True
        lines.append("Entered from earlier records when the site was built; nobody signed it here.")
    elif last is None:
        heading, warns = "NOT REVIEWED", True
        lines.append("Signed by who performed or entered it; no other person has read it yet.")
    elif last.state == RETURNED:
        heading, warns = "RETURNED BY THE REVIEWER: to be corrected", True
        lines.append(f"Reason: {last.reason}")
    else:
        heading, warns = "Reviewed", False
        lines.append(f"By {_name(facts, last.by)} on {last.at:%Y-%m-%d}.")
        returned = _last(facts, RETURNED)
        if returned is not None:
            lines.append(f"Returned before by {_name(facts, returned.by)}: {returned.reason}")
            lines.append(f"Accepted without a correction: {last.reason}")
    if bench.replaces is not None:
        lines.append(
            f"Corrected record: this report takes the place of that of {bench.replaces}. "
            f"Reason: {bench.replacement_reason}."
        )
    if facts.issue is not None and facts.issue.replaces:
        lines.append(
            f"This report takes the place of {facts.issue.replaces}. "
            f"Reason: {facts.issue.reason}".rstrip(".")
            + "."
        )
    if facts.chain_verdict != "unbroken":
        lines.append(f"Chain to the standards: {facts.chain_verdict}.")
    if facts.doubts:
        heading, warns = f"{heading}; IN DOUBT", True
    lines += [f"{doubt[0].upper()}{doubt[1:]}.".replace("..", ".") for doubt in facts.doubts]
    return {"heading": heading, "lines": lines, "warns": warns}


def _last(facts: ReportFacts, *states: str) -> ReportState | None:
    found = [s for s in facts.states if s.state in states]
    return found[-1] if found else None


def _name(facts: ReportFacts, code: str) -> str:
    name = facts.people.get(code)
    return f"{name} ({code})" if name else code


def _item(facts: ReportFacts) -> Pairs:
    s = facts.switch
    where = f"{s.area}, {facts.area.name}" if facts.area else s.area
    line = f", line pressure {s.static_nominal} {s.line_unit}" if s.static_nominal else ""
    told, came = facts.particulars, facts.receipt
    customer = f"own plant: area {where}"
    if facts.shop and facts.shop.customer_name:
        address = ", ".join(facts.shop.customer_address.splitlines())
        customer = ", ".join(part for part in (facts.shop.customer_name, address) if part)
        customer += f"; area {where}"
    received = ""
    if came is not None:
        received = f"{came.received_on}, by {_name(facts, came.received_by)}"
        received += f": {came.condition}" if came.condition else ""
    return _given(
        [
            ("Tag", s.tag),
            ("Item", f"{s.quantity} switch, {s.family}"),
            ("Maker, model", ", ".join(p for p in (told.maker, told.model) if p) if told else ""),
            ("Serial number", s.serial or "not recorded"),
            ("Stands at", told.stands_at if told else ""),
            ("Received", received),
            ("Adjustable range", f"{s.range_low} to {s.range_high} {s.unit}{line}"),
            ("Data sheet", f"revision {s.revision}, in force from {s.effective_on}"),
            ("Service", s.service),
            ("Customer", customer),
            ("Medium", s.medium),
            ("Criticality", str(s.criticality)),
        ]
    )


def _work(facts: ReportFacts) -> Pairs:
    bench = facts.calibration.bench
    p = facts.procedure
    barometric = (
        f", {bench.barometric} {bench.barometric_unit}" if bench.barometric is not None else ""
    )
    head = (
        f"gauge {bench.head_height_m} m above the switch, fluid of {bench.head_density_kg_m3} kg/m³"
        if bench.head_height_m is not None
        else ""
    )
    exercised = "before the as-found readings" if bench.exercised_before_as_found else ""
    if bench.exercise_cycles:
        times = f"{bench.exercise_cycles} times before the as-left readings"
        exercised = ", ".join(part for part in (exercised, times) if part)
    return _given(
        [
            ("Performed on", bench.performed_on.isoformat()),
            ("Performed by", _name(facts, bench.performed_by)),
            ("Where", _laboratory(facts)[0]),
            ("Method", f"{p.name}, {p.title}"),
            (
                "Room",
                f"{bench.temperature_c} °C, {percent(bench.humidity)} % relative humidity"
                f"{barometric}",
            ),
            ("Height", head),
            ("Exercised", exercised or "not before the as-found readings"),
            ("Contact check", bench.contact_check),
            ("Seal", bench.seal),
            ("Work order", bench.work_order),
            ("Permit", bench.permit),
            ("Returned to service", _returned(facts)),
            ("Report issued on", _issued(facts)),
        ]
    )


def _issued(facts: ReportFacts) -> str:
    if facts.issue is None:
        return f"not issued; printed on {facts.issued_on}"
    by = _name(facts, facts.issue.by)
    return f"{facts.issued_on} by {by}, issue {facts.issue.number}"


def _returned(facts: ReportFacts) -> str:
    bench = facts.calibration.bench
    said = [f"by {_name(facts, bench.returned_by)}"] if bench.returned_by else []
    if bench.verified_by:
        said.append(f"verified by {_name(facts, bench.verified_by)}")
    return ", ".join(said)


def _given(pairs: list[tuple[str, str]]) -> Pairs:
    return [[label, value] for label, value in pairs if value]


# --- figures ----------------------------------------------------------------------------


def _result_row(r: Result) -> dict[str, str]:
    U = r.expanded_uncertainty
    side = "" if r.late is None or r.error is None else (" late" if r.late else " early")
    error = _at_place(r.error, U)
    if r.error is not None and not error.startswith("-"):
        error = f"+{error}"
    return {
        "set_point": r.set_point,
        "phase": str(r.phase),
        "required": format(r.required, "f"),
        "found": _at_place(r.found, U),
        "error": error + side,
        "U": DASH if U is None else significant(U, 2) if U else "0",
        "k": DASH if r.coverage_factor is None else f"{r.coverage_factor:.2f}",
        "limits": _limits(r.lower_limit, r.upper_limit),
        "dead_band": _at_place(r.dead_band, U),
        "repeatability": _at_place(r.repeatability, U),
        "verdict": r.verdict,
    }


def _at_place(value: float | None, U: float | None) -> str:
    """A value to the place of its uncertainty; without one to five digits."""
    if value is None:
        return DASH
    return with_uncertainty(value, U)[0] if U else significant(value, 5)


def _limits(low: float | None, high: float | None) -> str:
    if low is None and high is None:
        return DASH
    ends = ["open" if end is None else f"{end:.6g}" for end in (low, high)]
    return f"{ends[0]} to {ends[1]}"


def _decision(r: Result) -> str:
    what = "as-left band" if r.phase is Phase.AS_LEFT else "tolerance"
    text = (
        f"{r.set_point} {r.phase}: {r.verdict.upper()} against the {what} of the data sheet. "
        f"Decision rule: {r.rule_statement}, coverage probability {r.coverage_probability:g}. "
    )
    if (r.lower_acceptance, r.upper_acceptance) != (r.lower_limit, r.upper_limit):
        text += f"Accepted {_limits(r.lower_acceptance, r.upper_acceptance)} {r.unit}. "
    text += r.reason
    if r.tur is not None:
        text += f" Test uncertainty ratio {cut_ratio(r.tur)}:1."
    if r.probability_outside is not None:
        p = "below 0.0001" if r.probability_outside < 1e-4 else f"{r.probability_outside:.2g}"
        text += f" Probability of being outside the {what}: {p}."
    return text


def _uncertainty(results: tuple[Result, ...]) -> str:
    covered = sorted({r.coverage_probability for r in results if r.expanded_uncertainty})
    if not covered:
        return "No uncertainty can be stated: the switch did not act."
    said = " and ".join(f"{p:g}" for p in covered)
    return (
        f"U is the expanded uncertainty in the unit of the result: the standard uncertainty times "
        f"the coverage factor k, for a coverage probability of {said} (JCGM 100). It holds for the "
        "set point found and its error, under the conditions of the day."
    )


def _readings(facts: ReportFacts) -> dict[str, object]:
    bench = facts.calibration.bench
    units = {g.role: g.gauge.unit for g in facts.gauges}
    static = any(c.static is not None for c in bench.cycles)
    return {
        "unit": units.get(GaugeRole.OPERATING, ""),
        "static_unit": units.get(GaugeRole.STATIC, units.get(GaugeRole.OPERATING, "")),
        "static": static,
        "rows": [_reading_row(c) for c in bench.cycles],
    }


def _reading_row(c: Cycle) -> list[str]:
    def said(value: object) -> str:
        return DASH if value is None else format(value, "f")

    return [
        c.set_point, str(c.phase), str(c.run), said(c.static), said(c.trip), said(c.reset),
        str(c.outcome),
    ]  # fmt: skip


def _standards(gauges: tuple[ReportGauge, ...]) -> list[dict[str, str]]:
    """Each standard once: a gauge may have read both pressures on one certificate."""
    found: dict[tuple[str, str], dict[str, str]] = {}
    for g in gauges:
        key = g.gauge.code, g.certificate.number
        if key in found:
            found[key]["role"] += f" and {g.role}"
        else:
            found[key] = _standard(g)
    return list(found.values())


def _standard(g: ReportGauge) -> dict[str, str]:
    made_by = f"{g.laboratory.name} ({g.laboratory.code}), {g.laboratory.kind} laboratory"
    if g.accreditation is not None:
        made_by += f", accreditation {g.accreditation.number}"
    elif g.laboratory.kind is LaboratoryKind.ACCREDITED:
        made_by += ", no accreditation in force that day"
    return {
        "role": str(g.role),
        "gauge": f"{g.gauge.code}, {g.gauge.description}{_made(g)}",
        "serial": g.gauge.serial or "not recorded",
        "range": f"{g.gauge.range_low} to {g.gauge.range_high} {g.gauge.unit}, resolution "
        f"{g.gauge.resolution} {g.gauge.unit}",
        "certificate": g.certificate.number,
        "made_by": made_by,
        "dates": f"calibrated {g.certificate.calibrated_on}, valid until {g.valid_until}",
    }


def _made(g: ReportGauge) -> str:
    """Maker, model and software version of a gauge, as far as they are told."""
    told = g.particulars
    if told is None:
        return ""
    made = ", ".join(part for part in (told.maker, told.model) if part)
    software = f"software {told.software_version}" if told.software_version else ""
    said = "; ".join(part for part in (made, software) if part)
    return f" ({said})" if said else ""


# --- who --------------------------------------------------------------------------------


def _signatures(facts: ReportFacts) -> Pairs:
    entered = _last(facts, SIGNED, MOVED_IN)
    reviewed = _last(facts, REVIEWED, RETURNED)
    pairs = []
    if entered is not None:
        word = "Signed" if entered.state == SIGNED else "Moved in"
        pairs.append([f"{word} by", f"{_name(facts, entered.by)}, {entered.at:%Y-%m-%d %H:%M} UTC"])
    if reviewed is None:
        pairs.append(["Review", "NOT REVIEWED"])
    else:
        word = "Reviewed" if reviewed.state == REVIEWED else "Returned"
        why = f": {reviewed.reason}" if reviewed.reason else ""
        pairs.append(
            [f"{word} by", f"{_name(facts, reviewed.by)}, {reviewed.at:%Y-%m-%d %H:%M} UTC{why}"]
        )
    return pairs


def _course_line(facts: ReportFacts, s: ReportState) -> str:
    text = f"{s.state} {s.at:%Y-%m-%d %H:%M} UTC by {_name(facts, s.by)}"
    if s.record:
        text += f" ({s.record})"
    return f"{text}: {s.reason}" if s.reason else text
