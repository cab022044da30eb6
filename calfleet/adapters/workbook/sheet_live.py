"""The live formulas of a bench sheet: what the program will find, while the readings are typed.

They are a help at the bench and are never read back. They follow the program: the certificate's
errors, units, static pressure, head, air; limits inclusive; early and late by the direction.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from calfleet.adapters.workbook.sheet_form import (
    WORK,
    Cell,
    Curve,
    Form,
    Hidden,
    Tint,
    at,
    noise_places,
    outside,
    places_of,
)

Live3 = dict[int, tuple[str, str, int]]
"""By column: formula without ``=``, number format, columns across."""
STATIC, LOW, TRIP_ERROR, RESET_ERROR, RESET_SEEN, CODE, SIDE = range(WORK, WORK + 7)
"""Hidden columns of a run: static used, low side, two errors, reset at the switch, its state."""
OPPOSITE = {"rising": "falling", "falling": "rising"}
IN, GUARD, FAIL, CHECK = 1, 2, 3, 4
GRAVITY = "9.80665"


@dataclass(frozen=True, slots=True)
class Series:
    """The runs of one set point in one phase: their rows and how many the procedure asks for."""

    point: int
    phase: str
    first: int
    last: int
    wanted: int


class Live:
    """Formulas of one sheet; figures go to the hidden columns as they are needed."""

    def __init__(self, content: Mapping[str, Any], form: Form, hidden: Hidden) -> None:
        self.content = content
        self.form = form
        self.hidden = hidden
        self.figures = content["figures"]
        self.verdicts: list[str] = []
        self.phases: list[str] = []
        self.curves: dict[tuple[str, str], tuple[Curve, str, str] | None] = {}
        self.air = self.low_air = self.head = self.static = "0"
        self._limits: dict[tuple[int, str], str] = {}
        self._valid: list[str] = []
        points = content["points"]
        ends = [float(x) for p in points for x in p["ends"]] + [float(p["value"]) for p in points]
        self.places = noise_places(max(ends) - min(ends) or 1)
        step = float(self.figures["step"]) * abs(self.figures["factor"])
        self.shown = max(0, math.ceil(-math.log10(step)) + 1)
        self.format = f"0.{'0' * self.shown}" if self.shown else "0"

    def _work(self, row: int, column: int, text: str) -> str:
        """A hidden live cell; its name."""
        self.form.cells.append(Cell(row, column, f"={text}", "hidden", 1, True))
        return at(row, column)

    # --- conditions ---

    def valid_until(self, cell: str) -> None:
        self._valid.append(cell)

    def performed_on(self, day: str) -> None:
        for cell in self._valid:
            test = f"AND(ISNUMBER({day}),{day}>{cell})"
            self.form.tints.append(Tint(cell, test, "bad"))

    def conditions(self, t: str, h: str, air: str, static: str, height: str, density: str) -> None:
        """The figures that hang on what is entered under 'Conditions', and the fixed ones."""
        f, put = self.figures, self.hidden.figure
        self.factor = put("factor", f["factor"])
        self.offset = put("offset", f["offset"])
        self.step = put("smallest step", float(f["step"]))
        self.step_places = places_of(f["step"])
        if air:
            unit = put("barometer unit", f["barometer"])
            used = put("air used", f"=IF(ISNUMBER({air}),{air},1013.25)", formula=True)
            self.air = put("air", f"={f['air']}*{unit}*{used}", formula=True)
        if static:
            s = f["static"]
            self.low_factor = put("static factor", s["factor"])
            self.low_offset = put("static offset", s["offset"])
            to_gauge = put("static in the gauge's unit", s["to_gauge"])
            planned = put("static planned", self.content["static"]["value"])
            chosen = f"IF(ISNUMBER({static}),{static},{planned})"
            self.static = put("static used", f"={chosen}*{to_gauge}", formula=True)
            self.static_cell = static
            if air:
                self.low_air = put("static air", f"={s['air']}*{unit}*{used}", formula=True)
        if height:
            self.head = self._head(t, h, air, height, density)
        self._load_curves()

    def _head(self, t: str, h: str, air: str, height: str, density: str) -> str:
        """What the switch sees more than the gauge; air of the room by CIPM-2007."""

        def put(name: str, text: str) -> str:
            return self.hidden.figure(name, f"={text}", formula=True)

        c = put("room", f"IF(ISNUMBER({t}),{t},20)")
        x = put("humidity", f"IF(ISNUMBER({h}),{h}/100,0.5)")
        p = put("air, Pa", f"IF(ISNUMBER({air}),{air}*100,101325)" if air else "101325")
        T = put("kelvin", f"{c}+273.15")
        saturation = put(
            "saturation", f"EXP(0.000012378847*{T}*{T}-0.019121316*{T}+33.93711047-6343.1645/{T})"
        )
        share = put(
            "vapour",
            f"{x}*(1.00062+0.0000000314*{p}+0.00000056*{c}*{c})*{saturation}/{p}",
        )
        first = (
            f"0.00000158123-0.000000029331*{c}+0.00000000011043*{c}*{c}"
            f"+(0.000005707-0.00000002051*{c})*{share}"
            f"+(0.00019898-0.000002376*{c})*{share}*{share}"
        )
        second = f"0.0000000000183-0.00000000765*{share}*{share}"
        Z = put("Z", f"1-{p}/{T}*({first})+({p}/{T})*({p}/{T})*({second})")
        rho = put("air, kg/m3", f"ROUND(0.00348374*{p}/({Z}*{T})*(1-0.378*{share}),6)")
        pascal = self.hidden.figure("pascal", self.figures["pascal"])
        both = f"AND(ISNUMBER({height}),ISNUMBER({density}))"
        return put("head", f"IF({both},({density}-{rho})*{GRAVITY}*{height}*{pascal},0)")

    def _load_curves(self) -> None:
        """The certificate's points: for trips and resets of either direction, and the static."""
        column = 0
        names = ("trip", "reset")
        for direction in OPPOSITE:
            found = self.figures["curves"][direction]
            key = ("operating", direction)
            if found is None:
                self.curves[key] = None
                continue
            curve = self.hidden.curve(names[column], found["points"])
            reach = [
                self.hidden.figure(f"{direction} reach {end}", value)
                for end, value in zip(("low", "high"), found["reach"], strict=True)
            ]
            self.curves[key] = (curve, reach[0], reach[1])
            column += 1
        static = self.figures["static"]
        self.curves["static", ""] = None
        if static is not None:
            rising = OPPOSITE["rising"] if static["flips"] else "rising"
            found = static["curves"][rising] or static["curves"][OPPOSITE[rising]]
            if found is not None:
                curve = self.hidden.curve("static", found["points"])
                self.curves["static", ""] = (curve, "", "")

    def _on_gauge(self, direction: str) -> str:
        """Which way the reading moves when the pressure moves that way."""
        return OPPOSITE[direction] if self.figures["flips"] else direction

    # --- targets ---

    def targets(self, n: int, row: int) -> dict[int, str]:
        """What stands in the columns of a target row: formulas, or the word 'open'."""
        point = self.content["points"][n]
        limits, flips = point["limits"], self.figures["flips"]

        def pair(ends: list[float | None]) -> list[float | None]:
            return ends[::-1] if flips else ends

        found, left = limits["as-found"], limits["as-left"]
        bottom, top = sorted(point["ends"], reverse=flips)
        columns: dict[int, tuple[float | None, str]] = {4: (float(point["value"]), "near")}
        for start, ends in (
            (5, [found["lower"], found["upper"]]),
            (7, [left["lower"], left["upper"]]),
            (9, point["resets"]),
        ):
            low, high = pair(list(ends))
            columns[start], columns[start + 1] = (low, "up"), (high, "down")
        columns[11], columns[12] = (bottom, "up"), (top, "down")
        rising = (point["direction"] == "rising") is not flips
        columns[3] = columns[11] if rising else columns[12]
        texts = {
            column: "open" if value is None else self._reading(n, row, column, value, how)
            for column, (value, how) in columns.items()
        }
        texts[2] = "–"
        if self.content["static"]:
            texts[2] = "=" + self._rounded(self._steps(row, 2, self.static), "near")
        return dict(sorted(texts.items()))

    def _reading(self, n: int, row: int, column: int, value: float, how: str) -> str:
        """The formula of the gauge's reading where the switch sees ``value``."""
        name = self.hidden.figure(f"point {n} column {column}", value)
        seen = f"{name}-{self.head}-{self.offset}-{self.air}"
        return "=" + self._rounded(
            self._steps(row, column, f"{self.static}+({seen})/{self.factor}"), how
        )

    def _steps(self, row: int, column: int, reading: str) -> str:
        """A hidden cell: the reading in steps of the gauge, less the machine's noise."""
        return self._work(row, WORK + column, f"ROUND(({reading})/{self.step},6)")

    def _rounded(self, steps: str, how: str) -> str:
        if how == "up":
            whole = f"-INT(-{steps})"
        elif how == "down":
            whole = f"INT({steps})"
        else:  # half to even, as the program rounds
            tie = f"ABS({steps}-INT({steps})-0.5)<0.000001"
            whole = f"IF({tie},2*ROUND({steps}/2,0),ROUND({steps},0))"
        return f"ROUND(({whole})*{self.step},{self.step_places})"

    # --- readings ---

    def run(
        self, n: int, phase: str, row: int, outcome: str, trip: str, reset: str, held: str,
        *, first: bool,
    ) -> Live3:  # fmt: skip
        """The live cells of one run, by column."""
        point = self.content["points"][n]
        direction = point["direction"]
        low = "0"
        if held:
            before = self.static_cell if first else at(row - 1, STATIC)
            used = self._work(
                row, STATIC, f'IF(ISNUMBER({held}),{held},IF(ISNUMBER({before}),{before},""))'
            )
            error = self._error(("static", ""), used)
            seen = f"{self.low_factor}*({used}-({error}))+{self.low_offset}+{self.low_air}"
            low = self._work(row, LOW, f"IF(ISNUMBER({used}),{seen},0)")
        way, back = self._on_gauge(direction), self._on_gauge(OPPOSITE[direction])
        trip_error = self._work(
            row, TRIP_ERROR, f"IF(ISNUMBER({trip}),{self._error(('operating', way), trip)},0)"
        )
        reset_error = self._work(
            row, RESET_ERROR, f"IF(ISNUMBER({reset}),{self._error(('operating', back), reset)},0)"
        )
        counts = f'AND(ISNUMBER({trip}),{outcome}<>"no trip",{outcome}<>"chatter")'
        found = at(row, 7)
        seen_trip = f'IF({counts},{self._seen(trip, trip_error, low)},"")'
        both = f'AND(ISNUMBER({found}),ISNUMBER({reset}),{outcome}<>"no reset")'
        reset_seen = self._work(
            row, RESET_SEEN, f'IF({both},{self._seen(reset, reset_error, low)},"")'
        )
        value = self._value(n)
        band = f"{found}-{reset_seen}" if direction == "rising" else f"{reset_seen}-{found}"
        error_cell = at(row, 8)
        side = self._side(error_cell, direction)
        code = self._code(n, phase, row, outcome, trip, reset, held, way, back)
        words = (
            f'IF({code}={FAIL},IF(ISNUMBER({found}),IF({outcome}="no reset","FAIL no reset",'
            f'"OUT "&{at(row, 9)}),"FAIL "&{outcome}),'
            f"IF({code}={CHECK},{self._what_to_check(row, trip, reset, held, way, back)},"
            f'IF({code}={GUARD},"guard band",IF({code}={IN},"in",""))))'
        )
        return {
            7: (seen_trip, self.format, 1),
            8: (f'IF(ISNUMBER({found}),{found}-{value},"")', f"+{self.format};-{self.format};0", 1),
            9: (side, "General", 1),
            10: (f'IF(ISNUMBER({reset_seen}),{band},"")', self.format, 1),
            11: (words, "General", 2),
        }

    def _error(self, key: tuple[str, str], cell: str) -> str:
        held = self.curves.get(key)
        return "0" if held is None else held[0].error(cell)

    def _seen(self, reading: str, error: str, low: str) -> str:
        return f"{self.factor}*({reading}-{error})+{self.offset}+{self.air}-{low}+{self.head}"

    def _value(self, n: int) -> str:
        return self._limit(n, "value", float(self.content["points"][n]["value"])) or "0"

    def _limit(self, n: int, name: str, value: float | None) -> str | None:
        """The address of a limit, put down once."""
        if value is None:
            return None
        key = (n, name)
        if key not in self._limits:
            self._limits[key] = self.hidden.figure(f"point {n} {name}", value)
        return self._limits[key]

    def _side(self, error: str, direction: str) -> str:
        late = ">" if direction == "rising" else "<"
        rounded = f"ROUND({error},{self.places})"
        return (
            f'IF(ISNUMBER({error}),IF({rounded}=0,"on it",IF({rounded}{late}0,"late","early")),"")'
        )

    def _beyond(self, cell: str, way: str) -> str:
        held = self.curves.get(("operating", way))
        if held is None:
            return f"ISNUMBER({cell})"
        return f"AND(ISNUMBER({cell}),OR({cell}<{held[1]},{cell}>{held[2]}))"

    def _code(
        self, n: int, phase: str, row: int, outcome: str, trip: str, reset: str, held: str,
        way: str, back: str,
    ) -> str:  # fmt: skip
        """A hidden cell: 0 nothing yet, 1 inside, 2 guard band, 3 failed, 4 to be looked at."""
        limits = self.content["points"][n]["limits"][phase]
        found = at(row, 7)
        lower, upper = (self._limit(n, f"{phase} {w}", limits[w]) for w in ("lower", "upper"))
        accept = [
            self._limit(n, f"{phase} {w}", limits[w]) for w in ("accept_lower", "accept_upper")
        ]
        out = outside(found, lower, upper, self.places)
        near = outside(found, accept[0], accept[1], self.places)
        failed = f'OR({outcome}="no trip",{outcome}="no reset",{outcome}="chatter")'
        check = [self._beyond(trip, way), self._beyond(reset, back), self._swapped(row)]
        check += [f"AND(LEN({cell})>0,NOT(ISNUMBER({cell})))" for cell in (trip, reset)]
        check.append(f'AND({outcome}="no trip",LEN({trip})>0)')
        check.append(f'AND({outcome}="no reset",LEN({reset})>0)')
        check.append(f'AND(LEN({reset})>0,LEN({trip})=0,{outcome}<>"no trip",{outcome}<>"chatter")')
        if held:
            check.append(f"AND(ISNUMBER({trip}),NOT(ISNUMBER({at(row, STATIC)})))")
        return self._work(
            row,
            CODE,
            f"IF(OR({','.join(check)}),{CHECK},IF({failed},{FAIL},IF(NOT(ISNUMBER({found})),0,"
            f"IF({out},{FAIL},IF({near},{GUARD},{IN})))))",
        )

    def _swapped(self, row: int) -> str:
        band = at(row, 10)
        # AND works out all its parts, IF only the one it takes
        return f"IF(ISNUMBER({band}),ROUND({band},{self.places})<0,FALSE())"

    def _what_to_check(
        self, row: int, trip: str, reset: str, held: str, way: str, back: str
    ) -> str:
        beyond = f"OR({self._beyond(trip, way)},{self._beyond(reset, back)})"
        words = (
            f'IF({beyond},"CHECK beyond certificate",IF({self._swapped(row)},'
            '"CHECK trip and reset","CHECK entry"))'
        )
        if held:
            words = f'IF(NOT(ISNUMBER({at(row, STATIC)})),"CHECK static first",{words})'
        return words

    # --- sums ---

    def mean(self, series: Series, row: int) -> Live3:
        """The live cells of the row of means, with the state of the whole series."""
        n, direction = series.point, self.content["points"][series.point]["direction"]
        trips = f"G{series.first}:G{series.last}"
        bands = f"J{series.first}:J{series.last}"
        codes = f"{at(series.first, CODE)}:{at(series.last, CODE)}"
        low, high = (
            self._limit(n, f"dead band {end}", None if x is None else float(x))
            for end, x in zip(
                ("least", "most"), self.content["points"][n]["dead_band"], strict=True
            )
        )
        band = outside(at(row, 10), low, high, self.places)
        band_bad = f"IF(ISNUMBER({at(row, 10)}),{band},FALSE())"
        spread_bad = f'LEFT({at(row + 1, 11)}&" ",5)="ABOVE"'
        state = (
            f'IF(COUNTIF({codes},">0")=0,"",IF(COUNTIF({codes},{CHECK})>0,"CHECK entries",'
            f'IF(COUNTIF({codes},{FAIL})>0,"FAIL",IF({band_bad},"FAIL dead band",'
            f'IF({spread_bad},"FAIL repeatability",IF(COUNTIF({codes},{GUARD})>0,'
            f'"guard band: judged on return",IF(COUNTIF({codes},{IN})<{series.wanted},'
            f'COUNTIF({codes},{IN})&" of {series.wanted} runs","PASS")))))))'
        )
        self.verdicts.append(at(row, 11))
        self.phases.append(series.phase)
        mean, error = at(row, 7), at(row, 8)
        return {
            7: (f'IF(COUNT({trips})>0,AVERAGE({trips}),"")', self.format, 1),
            8: (
                f'IF(ISNUMBER({mean}),{mean}-{self._value(n)},"")',
                f"+{self.format};-{self.format};0",
                1,
            ),
            9: (self._side(error, direction), "General", 1),
            10: (f'IF(COUNT({bands})>0,AVERAGE({bands}),"")', self.format, 1),
            11: (state, "General", 2),
        }

    def spread(self, series: Series, row: int) -> Live3:
        """The live cells of the row of the repeatability."""
        n = series.point
        trips = f"G{series.first}:G{series.last}"
        stated = self.content["points"][n]["repeatability"]
        limit = self._limit(n, "repeatability", None if stated is None else float(stated))
        found = at(row, 7)
        state = '""'
        if limit is not None:
            state = (
                f"IF(ISNUMBER({found}),IF({outside(found, None, limit, self.places)},"
                '"ABOVE limit","inside limit"),"")'
            )
        return {
            7: (f'IF(COUNT({trips})>1,MAX({trips})-MIN({trips}),"")', self.format, 1),
            11: (state, "General", 2),
        }
