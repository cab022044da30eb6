"""Records written in a random layout of shops are proposed, read, and are the same again."""

from __future__ import annotations

import tempfile
from collections.abc import Callable
from dataclasses import replace
from datetime import date
from decimal import Decimal
from pathlib import Path
from typing import Any

from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from moving_books import opened, read, said, site, whole_site, xlsx

from calfleet import records as rec
from calfleet.adapters.workbook.loose import DateOrder, Decimals
from calfleet.adapters.workbook.moving_map import FIELDS, Mapping, Sort
from calfleet.adapters.workbook.moving_propose import propose
from calfleet.adapters.workbook.moving_toml import from_toml, to_toml
from calfleet.errors import Problem

# words of the trade for each column (common practice, no source)
SWITCH_WORDS = {
    "tag": ["Tag", "Tag No.", "TAG NUMBER ", "Instr. No", "Switch No."],
    "revision": ["Revision", "Rev.", "Data sheet rev"],
    "effective_on": ["Effective on", "Effective date", "Valid from"],
    "reason": ["Reason", "Reason for change"],
    "serial": ["Serial number", "Ser. No.", "S/N", "Serial no"],
    "area": ["Area", "Location", "Loc.", "Plant area"],
    "service": ["Service", "Service description", "Description"],
    "family": ["Family", "Type", "Switch type"],
    "quantity": ["Quantity", "Measured variable", "Variable"],
    "medium": ["Medium", "Fluid", "Process fluid"],
    "criticality": ["Criticality", "Crit."],
    "outage_bound": ["Outage-bound", "Shutdown only", "Outage required"],
    "status": ["Status", "In use?"],
    "policy": ["Interval policy", "Cal. interval", "Frequency"],
    "procedure": ["Procedure", "Proc.", "Cal procedure"],
    "bench_minutes": ["Bench minutes", "Duration"],
    "hazards": ["Hazards"],
    "label": ["Label", "Set point label"],
    "direction": ["Direction", "Acting", "Trip direction"],
    "dead_band_kind": ["Dead band type"],
    "contact_form": ["Contact form", "Contact"],
    "action": ["Action", "Trip action"],
    "energised_state": ["Energised state", "Fail safe"],
}
VALUE_WORDS = {
    "range": ["Range", "Adjustable range", "Scale", "Setting range"],
    "proof": ["Proof pressure", "Max. working pressure"],
    "static": ["Static pressure", "Line pressure"],
    "set point": ["Set point", "S/P", "SP", "Set pt.", "Setpoint"],
    "tolerance": ["Tolerance", "Tol.", "Set point tolerance"],
    "as-left": ["As-left tolerance", "A/L tol."],
    "dead band": ["Dead band", "DB", "Deadband"],
    "repeatability": ["Repeatability"],
}
WAYS = {"rising": ["rising", "Increasing", "INC", "↑", "up"],
        "falling": ["falling", "decreasing", "Dec.", "↓", "down"]}  # fmt: skip
YES = {True: ["yes", "Y", "x", "Yes "], False: ["no", "N", "No"]}


class Style:
    """How one sheet is written."""

    def __init__(self, draw: st.DrawFn) -> None:
        self.draw = draw
        self.decimals = draw(st.sampled_from([Decimals.POINT, Decimals.COMMA]))
        self.order = draw(st.sampled_from([DateOrder.DMY, DateOrder.MDY, DateOrder.YMD, None]))
        self.to = draw(st.sampled_from(["-", " to ", " ... ", "..", " – "]))
        self.plus_minus = draw(st.sampled_from(["+/- ", "±", "± ", "+/-"]))
        self.blank = draw(st.sampled_from(["", " "]))

    def number(self, value: Decimal) -> str:
        text = format(value, "f")
        return text.replace(".", ",") if self.decimals is Decimals.COMMA else text

    def value(self, value: Decimal | None, unit: str | None) -> object:
        if value is None:
            return None
        return f"{self.number(value)}{self.blank}{unit}" if unit else self.number(value)

    def day(self, value: date) -> object:
        if self.order is None:
            return value
        if self.order is DateOrder.DMY:
            return value.strftime("%d/%m/%Y")
        if self.order is DateOrder.MDY:
            return value.strftime("%m/%d/%Y")
        return value.strftime("%Y-%m-%d")

    def pick(self, words: list[str]) -> str:
        return self.draw(st.sampled_from(words))

    def band(self, minus: Decimal | None, plus: Decimal | None, unit: str) -> object:
        if minus is None and plus is None:
            return None
        end = f" {unit}" if unit else ""
        if minus == plus and plus is not None:
            return f"{self.plus_minus}{self.number(plus)}{end}"
        if minus is None:
            return f"+{self.number(plus or Decimal(0))}{end}"
        if plus is None:
            return f"-{self.number(minus)}{end}"
        return f"+{self.number(plus)}/-{self.number(minus)}{end}"


def messy(draw: st.DrawFn, header: list[str], rows: list[list[object]], name: str) -> list[Any]:
    """Columns in any order, titles above, blank lines and totals between and below."""
    order = draw(st.permutations(range(len(header))))
    head = [header[i] for i in order]
    body: list[list[object]] = []
    for row in rows:
        if draw(st.integers(0, 4)) == 0:
            body.append([])
        body.append([row[i] for i in order])
    out: list[Any] = [[f"{name} of the works"]] if draw(st.booleans()) else []
    if draw(st.booleans()):
        out.append([])
    out.append(head)
    out += body
    if draw(st.booleans()):
        out += [[], [f"Total: {len(rows)}"]]
    return out


def as_a_person_would(mapping: Mapping, style: Style) -> Mapping:
    """What nothing in the cells decides is filled in: order of dates, decimal sign."""
    tables = []
    for table in mapping.tables:
        columns = []
        for use in table.columns:
            sort = FIELDS[table.kind].get(use.field)
            if sort is Sort.DAY and use.date_order is None:
                use = replace(use, date_order=style.order)
            elif use.field and use.decimals is None:
                use = replace(use, decimals=style.decimals)
            columns.append(use)
        tables.append(replace(table, columns=tuple(columns)))
    return replace(mapping, tables=tuple(tables))


@st.composite
def switch_sheets(draw: st.DrawFn) -> tuple[list[rec.Switch], list[Any], Style]:
    style = Style(draw)
    whole = [s for s in whole_site().switches if len(s.set_points) == 1 and s.line_unit]
    chosen = draw(
        st.lists(st.sampled_from(whole), min_size=2, max_size=6, unique_by=lambda s: s.tag)
    )
    one_unit = len({s.unit for s in chosen}) == 1
    header: list[str] = []
    columns: list[Callable[[rec.Switch], object]] = []

    def add(words: list[str], cell: Callable[[rec.Switch], object], suffix: str = "") -> None:
        header.append(style.pick(words) + suffix)
        columns.append(cell)

    plain: dict[str, Callable[[rec.Switch], object]] = {
        "effective_on": lambda s: style.day(s.effective_on),
        "quantity": lambda s: str(s.quantity),
        "criticality": lambda s: str(s.criticality).title(),
        "outage_bound": lambda s: style.pick(YES[s.outage_bound]),
        "status": lambda s: str(s.status),
        "hazards": lambda s: ", ".join(str(h) for h in s.hazards) or None,
        "label": lambda s: s.set_points[0].label,
        "direction": lambda s: style.pick(WAYS[str(s.set_points[0].direction)]),
        "dead_band_kind": lambda s: s.set_points[0].dead_band_kind,
        "contact_form": lambda s: s.set_points[0].contact_form,
        "action": lambda s: s.set_points[0].action,
        "energised_state": lambda s: s.set_points[0].energised_state,
    }
    for name, words in SWITCH_WORDS.items():
        add(words, plain.get(name, lambda s, name=name: getattr(s, name)))
    where = draw(st.sampled_from(["cell", "header", "column"])) if one_unit else draw(
        st.sampled_from(["cell", "column"])
    )  # fmt: skip
    unit = chosen[0].unit
    suffix = f" ({unit})" if where == "header" else ""
    behind = (lambda s: s.unit) if where == "cell" else (lambda s: "")
    if where == "column":
        add(["Unit", "Units", "UOM"], lambda s: s.unit)
    add(
        VALUE_WORDS["range"],
        lambda s: f"{style.number(s.range_low)}{style.to}{style.number(s.range_high)} {behind(s)}",
        suffix,
    )
    add(VALUE_WORDS["set point"], lambda s: style.value(s.set_points[0].value, behind(s)), suffix)
    add(
        VALUE_WORDS["dead band"] if all(s.set_points[0].dead_band_min is not None for s in chosen)
        else ["Dead band"],
        lambda s: _dead_band(style, s.set_points[0], behind(s)), suffix,
    )  # fmt: skip
    add(VALUE_WORDS["repeatability"],
        lambda s: style.value(s.set_points[0].repeatability_limit, behind(s)), suffix)  # fmt: skip
    add(VALUE_WORDS["proof"], lambda s: style.value(s.proof_pressure, s.line_unit))
    add(VALUE_WORDS["static"], lambda s: style.value(s.static_nominal, s.line_unit))

    def basis(s: rec.Switch) -> str:
        found = s.set_points[0].tolerance_basis
        return s.unit if found == "absolute" else found

    add(VALUE_WORDS["tolerance"], lambda s: style.band(
        s.set_points[0].tolerance_minus, s.set_points[0].tolerance_plus, basis(s)))  # fmt: skip
    add(VALUE_WORDS["as-left"], lambda s: style.band(
        s.set_points[0].as_left_minus, s.set_points[0].as_left_plus, basis(s)))  # fmt: skip
    rows = [[cell(s) for cell in columns] for s in chosen]
    return chosen, messy(draw, header, rows, "Pressure switches"), style


def _dead_band(style: Style, point: rec.SetPoint, unit: str) -> object:
    if point.dead_band_max is None:
        return None
    if point.dead_band_min is None:
        return style.value(point.dead_band_max, unit)
    low, high = style.number(point.dead_band_min), style.number(point.dead_band_max)
    return f"{low}{style.to}{high} {unit}"


@settings(max_examples=15, deadline=None, suppress_health_check=list(HealthCheck))
@given(switch_sheets())
def test_switches_in_any_layout(drawn: tuple[list[rec.Switch], list[Any], Style]) -> None:
    chosen, rows, style = drawn
    known = site()
    with tempfile.TemporaryDirectory() as folder:
        book = opened(xlsx(Path(folder) / "register.xlsx", {"Switches": rows}))
    mapping = as_a_person_would(propose([book], known), style)
    problems: list[Problem] = []
    assert from_toml(to_toml(mapping), problems) == mapping, said(problems)
    incoming = read([book], known, mapping)
    assert incoming.problems == (), said(incoming.problems) + to_toml(mapping)
    for got, given_one in zip(incoming.given.switches, chosen, strict=True):
        assert rec.to_plain(got) == rec.to_plain(given_one)


HISTORY_WORDS = {
    "number": ["Cal No", "Record No.", "Report no"],
    "tag": ["Tag", "Instr. No", "Tag No."],
    "performed_on": ["Date", "Cal date", "Date tested"],
    "performed_by": ["Technician", "Tech.", "Performed by", "Done by"],
    "procedure": ["Procedure", "Proc."],
    "procedure_revision": ["Proc. rev", "Procedure revision"],
    "gauge": ["Reference gauge", "Ref.", "Gauge used", "Test gauge"],
    "temperature": ["Temp", "Ambient temp."],
    "humidity": ["RH", "Humidity"],
    "adjusted": ["Adjusted", "Adj."],
    "adjustment_note": ["Adjustment note"],
    "seal": ["Seal", "Seal no."],
    "permit": ["Permit", "Permit No."],
    "bypass": ["Bypass"],
    "contact_check": ["Contact check"],
    "exercise_cycles": ["Exercise cycles"],
    "returned_by": ["Returned by"],
    "verified_by": ["Verified by", "Checked by"],
    "work_order": ["W/O", "Work order", "WO"],
    "remarks": ["Remarks", "Comments", "Notes"],
}


@st.composite
def histories(draw: st.DrawFn) -> tuple[list[rec.BenchRecord], list[Any], Style]:
    style = Style(draw)
    whole = whole_site()
    usable = [
        h
        for h in whole.history
        if len(h.gauges) == 1
        and len({c.set_point for c in h.cycles}) == 1
        and all(c.outcome is rec.CycleOutcome.TRIPPED for c in h.cycles)
        and (h.replaces, h.barometric, h.head_height_m) == (None, None, None)
        and not h.exercised_before_as_found
    ]
    chosen = draw(st.lists(st.sampled_from(usable), min_size=2, max_size=6, unique=True))
    units = {g.code: g.unit for g in whole.gauges}
    spots = sorted({(str(c.phase), c.run) for h in chosen for c in h.cycles})
    header: list[str] = []
    columns: list[Callable[[rec.BenchRecord], object]] = []
    plain: dict[str, Callable[[rec.BenchRecord], object]] = {
        "performed_on": lambda h: style.day(h.performed_on),
        "gauge": lambda h: h.gauges[0].gauge,
        "temperature": lambda h: f"{style.number(h.temperature_c)} °C",
        "humidity": lambda h: f"{style.number(h.humidity * 100)} %",
        "adjusted": lambda h: style.pick(YES[h.adjusted]),
    }
    for name, words in HISTORY_WORDS.items():
        header.append(style.pick(words))
        columns.append(plain.get(name, lambda h, name=name: getattr(h, name) or None))
    # the certificate is named: several may have been in force for a gauge in its history
    header.append(style.pick(["Cert. No.", "Gauge cert no"]))
    columns.append(lambda h: h.gauges[0].certificate)
    for phase, run in spots:
        short = style.pick(
            {"as-found": ["As found", "A/F", "AF"], "as-left": ["As left", "A/L", "AL"]}[phase]
        )
        for what in ("trip", "reset"):
            header.append(f"{short} {style.pick([what, what.title()])} {run}")
            columns.append(
                lambda h, spot=(phase, run), what=what: style.value(
                    next(
                        (getattr(c, what) for c in h.cycles if (str(c.phase), c.run) == spot), None
                    ),
                    units[h.gauges[0].gauge],
                )
            )
    rows = [[cell(h) for cell in columns] for h in chosen]
    return chosen, messy(draw, header, rows, "Calibration history"), style


@settings(max_examples=15, deadline=None, suppress_health_check=list(HealthCheck))
@given(histories())
def test_history_in_any_layout(drawn: tuple[list[rec.BenchRecord], list[Any], Style]) -> None:
    chosen, rows, style = drawn
    known = site(switches=True)
    with tempfile.TemporaryDirectory() as folder:
        book = opened(xlsx(Path(folder) / "history.xlsx", {"History": rows}))
    mapping = as_a_person_would(propose([book], known), style)
    incoming = read([book], known, mapping)
    assert incoming.problems == (), said(incoming.problems) + to_toml(mapping)
    found = {record.number: record for record in incoming.given.history}
    for record in chosen:
        got = found[record.number or ""]
        order = {(c.phase, c.run): c for c in record.cycles}
        # the order of columns was turned; humidity in per cent is the same share
        assert {(c.phase, c.run): c for c in got.cycles} == order
        assert replace(got, cycles=record.cycles) == record
