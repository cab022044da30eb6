"""A bench sheet laid out from its content: identity, cautions, gauges, targets, readings ..."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any

from calfleet.adapters.workbook.sheet_form import (
    MARK_TITLE,
    MARKS,
    NO,
    NOT_NEEDED,
    OUTCOMES,
    PHASES,
    PRINTED,
    WORK,
    YES,
    Cell,
    Field,
    Form,
    Hidden,
    Tint,
    as_date,
    at,
    clean,
    fixed,
    letter,
    person_words,
    places_of,
)
from calfleet.adapters.workbook.sheet_live import Live, Series

ARROW = {"rising": "↑", "falling": "↓"}
LINE = 14.5
"""Height of one line of text, in points."""


def lay_out(content: Mapping[str, Any], *, number: str, digest: str, title: str) -> Form:
    """The form of the sheet ``number`` with that content; ``digest`` is that of the content."""
    return _Layout(content, number, digest, title).form


class _Layout:
    """The form in the making; ``row`` is the next free row."""

    def __init__(self, content: Mapping[str, Any], number: str, digest: str, title: str) -> None:
        self.content = content
        self.form = Form(title)
        self.hidden = Hidden(self.form)
        self.row = 1
        self.live = Live(content, self.form, self.hidden)
        marks = (content["form"], number, digest, content["site"]["identity"])
        for n, (name, value) in enumerate(
            zip(MARKS, (f"{MARK_TITLE} {marks[0]}", *marks[1:], content["switch"]["tag"]),
                strict=True), 1,
        ):  # fmt: skip
            self.put(n, 14, name, "hidden")
            self.put(n, 15, value, "hidden")
        self.people = self.hidden.words([person_words(p) for p in content["people"]])
        self.able = self.hidden.words([person_words(p) for p in content["people"] if p["able"]])
        self.yes_no = self.hidden.words((YES, NO))
        self.only_yes = self.hidden.words((YES,))
        self.outcomes = self.hidden.words(OUTCOMES)
        self.done = self.hidden.words((YES, NOT_NEEDED))
        self._head(number)
        self._switch()
        self._cautions()
        self._steps()
        self._gauges()
        self._conditions()
        self._targets()
        self._readings(PHASES[0])
        self._adjustment()
        self._readings(PHASES[1])
        self._contacts()
        self._return()
        self._signatures()
        self._state()
        self.form.rows = self.row - 1

    # --- small tools ---

    def put(
        self, row: int, column: int, value: object, style: str, across: int = 1, fmt: str = ""
    ) -> None:
        if isinstance(value, str):
            value = clean(value)
        self.form.cells.append(Cell(row, column, value, style, across, number_format=fmt))

    def formula(
        self, row: int, column: int, text: str, style: str, across: int = 1, fmt: str = ""
    ) -> None:
        self.form.cells.append(Cell(row, column, f"={text}", style, across, True, fmt))

    def field(self, key: str, column: int, across: int, kind: str, label: str, **how: Any) -> str:
        """A cell to fill in, in the current row; its name."""
        self.form.fields[key] = Field(key, self.row, column, across, kind, label, **how)
        return fixed(self.row, column)

    def band(self, text: str, *, note: str = "") -> None:
        """A heading across the page."""
        self.put(self.row, 1, text, "band", 5 if note else PRINTED)
        if note:
            self.put(self.row, 6, note, "band note", PRINTED - 5)
        self.form.heights[self.row] = 17
        self.row += 1

    def text(self, column: int, value: str, style: str, across: int, width: int) -> None:
        """Text that wraps within ``width`` characters; the row gets as high as it needs."""
        value = clean(value)
        self.put(self.row, column, value, style, across)
        lines = sum(max(1, math.ceil(len(part) / width)) for part in value.split("\n"))
        self.form.heights[self.row] = max(self.form.heights.get(self.row, LINE), lines * LINE)

    def pair(self, column: int, label: str, value: object, fmt: str = "") -> None:
        self.put(self.row, column, label, "label")
        self.put(self.row, column + 1, value, "value", 3, fmt)

    # --- the parts, from top to bottom ---

    def _head(self, number: str) -> None:
        switch = self.content["switch"]
        self.put(1, 1, switch["tag"], "title", 7)
        self.put(1, 8, f"Bench sheet {number}", "number", 5)
        self.put(2, 1, switch["service"], "subtitle", 7)
        handed = self.content["handed_out"]
        self.put(2, 8, f"handed out {handed['on']} by {handed['name']}", "small right", 5)
        self.form.heights |= {1: 26, 2: 16}
        self.row = 3

    def _switch(self) -> None:
        s = self.content["switch"]
        due = self.content["due"]
        self.band("Switch")
        area = f"{s['area']} {s['area_name']}"
        rows = (
            (("Serial", s["serial"]), ("Family", s["family"]), ("Area", area)),
            (
                ("Range", f"{s['range'][0]} to {s['range'][1]} {s['symbol']}"),
                ("Responds to", s["quantity"]),
                ("Criticality", s["criticality"]),
            ),
            (("Medium", s["medium"]), ("Static", s["static"] or "none"), ("Proof", s["proof"])),
            (
                ("Hazards", ", ".join(s["hazards"]) or "none noted"),
                ("Data sheet", f"revision {s['revision']}"),
                ("Due", as_date(due["on"]) if due["on"] else "no date"),
            ),
        )
        for row in rows:
            for n, (label, value) in enumerate(row):
                self.pair(1 + 4 * n, label, value, "yyyy-mm-dd" if label == "Due" else "")
            folded = any(len(str(value)) > 32 or (len(label.split()) > 1 and len(label) > 10)
                         for label, value in row)  # fmt: skip
            self.form.heights[self.row] = LINE * (1 + folded)
            self.row += 1

    def _cautions(self) -> None:
        self.band("Cautions", note="Isolate, vent and prove zero before a fitting is undone.")
        for heading, text in self.content["cautions"]:
            self.put(self.row, 1, f"▲ {heading}", "caution head", 3)
            self.text(4, text, "caution", 9, 112)
            if len(heading) > 28:
                self.form.heights[self.row] = max(self.form.heights[self.row], 2 * LINE)
            self.row += 1
        self.text(1, self.content["deference"], "note", PRINTED, 135)
        self.row += 1
        for column, key, label in (
            (1, "permit", "Permit"), (5, "work_order", "Work order"), (9, "bypass", "Bypass"),
        ):  # fmt: skip
            self.put(self.row, column, label, "label")
            hint = "Owner, start and end; or 'none'." if key == "bypass" else ""
            self.field(key, column + 1, 3, "text", label, hint=hint)
        self.row += 1
        self.put(
            self.row, 1, "Permit in hand, cautions read, every energy proved zero, bypass logged",
            "label", 9,
        )  # fmt: skip
        self.field("ready", 10, 3, "choice", "Ready to start", choices=self.only_yes)
        self.row += 1

    def _steps(self) -> None:
        p = self.content["procedure"]
        self.band(f"Procedure {p['code']} rev {p['revision']}", note=p["title"])
        for n, step in enumerate(p["steps"], 1):
            self.put(self.row, 1, n, "step number")
            self.text(2, step, "step", PRINTED - 1, 138)
            self.row += 1

    def _gauges(self) -> None:
        self.band("Reference gauges", note="Compare code, certificate and last valid day.")
        for column, across, text in (
            (1, 1, "Reads"), (2, 1, "Gauge"), (3, 3, "What it is, serial"), (6, 2, "Certificate"),
            (8, 1, "Valid until"), (9, 2, "Range"), (11, 1, "Smallest step"), (12, 1, "Agrees"),
        ):  # fmt: skip
            self.put(self.row, column, text, "head", across)
        self.form.heights[self.row] = 2 * LINE
        self.row += 1
        for n, g in enumerate(self.content["gauges"]):
            self.put(self.row, 1, g["role"], "center")
            self.put(self.row, 2, g["code"], "strong")
            self.put(self.row, 3, f"{g['description']}, {g['serial']}", "cell", 3)
            self.put(self.row, 6, g["certificate"], "center", 2)
            self.put(self.row, 8, as_date(g["valid_until"]), "center", fmt="yyyy-mm-dd")
            self.put(self.row, 9, f"{g['range'][0]} to {g['range'][1]} {g['symbol']}", "center", 2)
            self.put(self.row, 11, g["resolution"], "center")
            self.field(f"agrees:{n}", 12, 1, "choice", f"{g['code']} agrees with the sheet",
                       choices=self.only_yes)  # fmt: skip
            self.form.heights[self.row] = 2 * LINE
            self.live.valid_until(at(self.row, 8))
            self.row += 1

    def _conditions(self) -> None:
        c = self.content
        p = c["procedure"]
        low, high = p["temperature"]
        self.band("Conditions", note="Fill in the yellow cells. Numbers as the gauge shows them.")
        used = 0

        def ask(key: str, kind: str, label: str, **how: Any) -> str:
            nonlocal used
            column = 1 + 4 * (used % 3)
            if used and used % 3 == 0:
                self.row += 1
            used += 1
            self.put(self.row, column, label, "label", 2)
            self.form.heights[self.row] = 2 * LINE
            return self.field(key, column + 2, 2, kind, label, **how)

        day = ask("performed_on", "date", "Done on", number_format="yyyy-mm-dd")
        self.live.performed_on(day)
        ask("performed_by", "choice", "Performed by", choices=self.able)
        ask("exercised_first", "choice", "Moved before the first reading?", choices=self.yes_no)
        t = ask("temperature", "number", f"Room, °C ({low} to {high})", low=-50, high=80)
        h = ask("humidity", "number", f"Humidity, % (at most {p['humidity_max']})", low=0, high=100)
        air = ""
        if c["barometer"]:
            air = ask("barometer", "number", f"Pressure of the air, {c['barometer']}",
                      low=500, high=1200)  # fmt: skip
        static = ""
        if c["static"]:
            s = c["static"]
            gauge = self.gauge(s["gauge"])
            static = ask(
                "static", "number", f"Static as read on {s['gauge']}, {s['symbol']}",
                **self.reading_of(gauge),
            )  # fmt: skip
        height = density = ""
        if c["head"]:
            height = ask("head_height", "number", "Gauge above switch, m (below: minus)",
                         low=-100, high=100)  # fmt: skip
            ask("head_half_width", "number", "known to ±, m", low=0, high=10)
            density = ask("head_density", "number", "Fluid between them, kg/m³", low=0, high=20000)
        self.row += 1
        if c["head"]:
            self.text(
                1, "Gauge and switch at one height: leave height and fluid empty. Water at 20 °C "
                "has 998.2 kg/m³; between gas lines of a few bar the head is usually negligible.",
                "note", PRINTED, 135,
            )  # fmt: skip
            self.row += 1
        self.live.conditions(t, h, air, static, height, density)

    def gauge(self, code: str) -> Mapping[str, Any]:
        found: Mapping[str, Any] = next(g for g in self.content["gauges"] if g["code"] == code)
        return found

    @staticmethod
    def reading_of(gauge: Mapping[str, Any]) -> dict[str, Any]:
        """How a reading of a gauge is typed: its digits and its range."""
        places = places_of(gauge["resolution"])
        return {
            "number_format": f"0.{'0' * places}" if places else "0",
            "low": float(gauge["range"][0]),
            "high": float(gauge["range"][1]),
        }

    def _targets(self) -> None:
        g = self.content["gauges"][0]
        self.band(
            f"Read on {g['code']}, in {g['symbol']}",
            note="Limits are rounded inwards to what the gauge shows; a limit itself is inside."
        )  # fmt: skip
        live = [w for w, there in (("static pressure", self.content["static"]),
                                   ("pressure of the air", self.content["barometer"]),
                                   ("height", self.content["head"])) if there]  # fmt: skip
        heads = (
            (1, 1, "Set point"), (2, 1, "Static"), (3, 1, "Start at"), (4, 1, "TARGET"),
            (5, 2, "Tolerance"), (7, 2, "As-left band"), (9, 2, "Reset"), (11, 2, "Exercise"),
        )  # fmt: skip
        for column, across, text in heads:
            self.put(self.row, column, text, "head", across)
        self.row += 1
        places = places_of(g["resolution"])
        fmt = f"0.{'0' * places}" if places else "0"
        for n, point in enumerate(self.content["points"]):
            self.put(self.row, 1, f"{point['label']} {ARROW[point['direction']]}", "strong")
            for column, text in self.live.targets(n, self.row).items():
                style = "target" if column == 4 else "figure"
                if text.startswith("="):
                    self.formula(self.row, column, text[1:], style, fmt=fmt)
                else:
                    self.put(self.row, column, text, style)
            self.form.heights[self.row] = 18
            self.row += 1
        if live:
            self.text(1, f"The targets follow the {' and the '.join(live)} entered above.", "note",
                      PRINTED, 135)  # fmt: skip
            self.row += 1

    def _readings(self, phase: str) -> None:
        p = self.content["procedure"]
        runs = p["as_found_runs"] if phase == PHASES[0] else p["as_left_runs"]
        if phase == PHASES[0]:
            self.form.breaks.append(self.row - 1)
            self.band("As found", note="Do not exercise first: the first trip is what the plant "
                      "would have had.")  # fmt: skip
        else:
            self.band("As left", note="After an adjustment: every set point again, one screw moves "
                      "the others.")  # fmt: skip
        for n in range(len(self.content["points"])):
            self._series(n, phase, runs)

    def _series(self, n: int, phase: str, runs: int) -> None:
        c = self.content
        point, switch = c["points"][n], c["switch"]
        unit = switch["symbol"]
        gauge = c["gauges"][0]
        said = point["required"]["tolerance" if phase == PHASES[0] else "as_left"]
        what = "tolerance" if phase == PHASES[0] else "as-left band"
        low, high = point["dead_band"]
        band = ""
        if low is not None or high is not None:
            band = f"; dead band {low or '0'} to {high or 'open'}"
        repeat = f"; repeatability {point['repeatability']}" if point["repeatability"] else ""
        self.text(
            1, f"{point['label']}  {point['value']} {unit} {point['direction']}, {point['action']}"
            f" · {what} {said}{band}{repeat} {unit}", "series", PRINTED, 125,
        )  # fmt: skip
        self.row += 1
        static = c["static"]
        heads = (
            (1, 1, "Run"), (2, 2 if static else 3, "Outcome"),
            *([(4, 1, f"Static, {static['symbol']}")] if static else []),
            (5, 1, f"Trip, {gauge['symbol']}"), (6, 1, f"Reset, {gauge['symbol']}"),
            (7, 1, f"Trip at switch, {unit}"), (8, 1, f"Error, {unit}"), (9, 1, "Early, late"),
            (10, 1, f"Dead band, {unit}"), (11, 2, "State"),
        )  # fmt: skip
        for column, across, text in heads:
            self.put(self.row, column, text, "head", across)
        self.form.heights[self.row] = 2 * LINE + 2
        self.row += 1
        first = self.row
        how = self.reading_of(gauge)
        for run in range(1, runs + 1):
            name = f"{point['label']} {phase} run {run}"
            self.put(self.row, 1, run, "center")
            outcome = self.field(
                f"outcome:{n}:{phase}:{run}", 2, 2 if static else 3, "choice", f"{name} outcome",
                choices=self.outcomes, hint="Leave empty where it tripped and reset.",
            )  # fmt: skip
            held = ""
            if static:
                held = self.field(
                    f"static:{n}:{phase}:{run}", 4, 1, "number", f"{name} static",
                    hint="Empty: as before.", **self.reading_of(self.gauge(static["gauge"])),
                )  # fmt: skip
            trip = self.field(f"trip:{n}:{phase}:{run}", 5, 1, "number", f"{name} trip", **how)
            reset = self.field(f"reset:{n}:{phase}:{run}", 6, 1, "number", f"{name} reset", **how)
            live = self.live.run(
                n, phase, self.row, outcome, trip, reset, held, first=self.row == first
            )
            for column, (text, fmt, across) in live.items():
                style = "state" if column == 11 else "live"
                self.formula(self.row, column, text, style, across, fmt)
            self.form.heights[self.row] = 19
            self.row += 1
        series = Series(n, phase, first, self.row - 1, runs)
        self.put(self.row, 1, "Mean of the runs", "sum label", 6)
        for column, (text, fmt, across) in self.live.mean(series, self.row).items():
            self.formula(self.row, column, text, "state" if column == 11 else "sum", across, fmt)
        self.row += 1
        self.put(self.row, 1, "Largest less smallest trip", "sum label", 6)
        for column, (text, fmt, across) in self.live.spread(series, self.row).items():
            self.formula(self.row, column, text, "state" if column == 11 else "sum", across, fmt)
        for column in (8, 9, 10):
            self.put(self.row, column, "", "sum")
        self.tint_states(first, self.row)
        self.row += 1

    def tint_states(self, first: int, last: int) -> None:
        """Colours of the states, beside their words."""
        area = f"K{first}:L{last}"
        for word, tone in (
            ("in", "good"), ("PASS", "good"), ("inside", "good"), ("guard", "near"), ("OUT", "bad"),
            ("FAIL", "bad"), ("ABOVE", "bad"), ("CHECK", "odd"),
        ):  # fmt: skip
            # the whole word, so that "in" does not colour "inside"
            test = f'LEFT($K{first}&" ",{len(word) + 1})="{word} "'
            self.form.tints.append(Tint(area, test, tone))

    def _adjustment(self) -> None:
        least = self.content["procedure"]["exercise_cycles"]
        self.band("Adjustment", note="Adjust to the reference gauge, not to the switch's scale.")
        self.put(self.row, 1, "Adjusted?", "label", 2)
        self.field("adjusted", 3, 2, "choice", "Adjusted", choices=self.yes_no)
        self.put(self.row, 5, f"Then exercised, times (at least {least})", "label", 3)
        self.field("exercise_cycles", 8, 1, "number", "Exercised", number_format="0", low=0,
                   high=1000)  # fmt: skip
        self.put(self.row, 9, "Seal number", "label", 2)
        self.field("seal", 11, 2, "text", "Seal number")
        self.form.heights[self.row] = 2 * LINE
        self.row += 1
        self.put(self.row, 1, "What was adjusted", "label", 2)
        self.field("adjustment_note", 3, 10, "text", "What was adjusted")
        self.row += 1

    def _contacts(self) -> None:
        self.band("Contact checks", note="Prove both circuits dead first; measure dead contacts "
                  "only.")  # fmt: skip
        heads = (
            (1, 1, "Set point"), (2, 4, "Contact"), (6, 2, "Changes over cleanly"),
            (8, 1, "Closed, Ω"), (9, 1, "Insulation, MΩ"), (10, 3, "Note"),
        )  # fmt: skip
        for column, across, text in heads:
            self.put(self.row, column, text, "head", across)
        self.form.heights[self.row] = 2 * LINE
        self.row += 1
        for n, point in enumerate(self.content["points"]):
            self.put(self.row, 1, point["label"], "strong")
            self.put(self.row, 2, f"{point['contact']}; {point['energised']}", "cell", 4)
            name = f"Contact {point['label']}"
            self.field(f"contact_ok:{n}", 6, 2, "choice", f"{name} changes over",
                       choices=self.yes_no)  # fmt: skip
            self.field(f"contact_ohm:{n}", 8, 1, "number", f"{name} closed, Ω", low=0, high=1e6)
            self.field(f"insulation:{n}", 9, 1, "number", f"{name} insulation, MΩ", low=0, high=1e9)
            self.field(f"contact_note:{n}", 10, 3, "text", f"{name} note")
            self.row += 1
        if "oxygen" in self.content["switch"]["hazards"]:
            self.put(self.row, 1, "Kept oxygen-clean: hoses, gauge, gas, part", "label", 9)
            self.field("clean_kept", 10, 3, "choice", "Kept oxygen-clean", choices=self.yes_no)
            self.row += 1

    def _return(self) -> None:
        self.band("Return to service", note="In this order; each with who and when.")
        heads = (
            (1, 6, "Check"), (7, 2, "Done"), (9, 3, "By"), (12, 1, "Time"),
        )  # fmt: skip
        for column, across, text in heads:
            self.put(self.row, column, text, "head", across)
        self.row += 1
        for n, check in enumerate(self.content["checks"]):
            self.put(self.row, 1, f"{n + 1}.  {check}", "cell", 6)
            self.field(f"check_done:{n}", 7, 2, "choice", f"Check {n + 1} done", choices=self.done)
            self.field(f"check_by:{n}", 9, 3, "choice", f"Check {n + 1} by", choices=self.people)
            self.field(f"check_time:{n}", 12, 1, "time", f"Check {n + 1} time",
                       number_format="hh:mm")  # fmt: skip
            self.row += 1
        self.put(self.row, 1, "Returned to service by", "label", 2)
        self.field("returned_by", 3, 4, "choice", "Returned to service by", choices=self.people)
        self.put(self.row, 7, "Verified by a second person", "label", 2)
        self.field("verified_by", 9, 4, "choice", "Verified by", choices=self.people)
        self.form.heights[self.row] = 2 * LINE
        self.row += 1
        self.put(self.row, 1, "Remarks", "label", 2)
        self.field("remarks", 3, 10, "text", "Remarks", down=2)
        self.form.heights[self.row] = 1.5 * LINE
        self.put(self.row + 1, 1, "", "label", 2)
        self.form.heights[self.row + 1] = 1.5 * LINE
        self.row += 2

    def _signatures(self) -> None:
        self.form.heights[self.row] = 30
        self.put(self.row, 1, "Performed, signature", "sign", 3)
        self.put(self.row, 4, "", "line", 3)
        self.put(self.row, 7, "Verified, signature", "sign", 3)
        self.put(self.row, 10, "", "line", 3)
        self.row += 1

    def _state(self) -> None:
        """One hidden cell for the list of the round: how far this sheet has come."""
        asked = ",".join(at(f.row, f.column) for f in self._counted())
        cells = [s for s in self.live.verdicts if s]
        found = [s for s, phase in zip(cells, self.live.phases, strict=True) if phase == PHASES[0]]
        done = "+".join(f'(LEFT({s}&" ",4)="PASS")' for s in found)
        bad = "+".join(f'(LEFT({s}&" ",4)="FAIL")' for s in found)
        word = (
            f'IF(COUNTA({asked})=0,"not begun",IF({bad}>0,"as found: outside",'
            f'IF({done}={len(found)},"as found: inside","in work")))'
        )
        self.form.state = self.hidden.figure("state", f"={word}", formula=True)

    def _counted(self) -> Sequence[Field]:
        """The fields that tell whether a sheet was begun: its day, its person, the first trips."""
        wanted = ["performed_on", "performed_by"]
        wanted += [k for k in self.form.fields if k.startswith("trip:") and k.endswith(":1")]
        return [self.form.fields[k] for k in wanted][:25]


def column_widths() -> dict[str, float]:
    """Widths of the printed columns, in characters."""
    wide = (9.5, *[8.8] * (PRINTED - 1))
    return {letter(n): width for n, width in enumerate(wide, 1)}


LAST_HIDDEN = letter(WORK + PRINTED)
"""The last of the hidden columns."""
