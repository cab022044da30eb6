"""Switches with their set points from lines of a shop's registers.

A register row that says nothing of a field takes it from the site's latest revision of the same
switch, where there is one; what neither the row nor the mapping nor the site says is a
problem. Ranges, set points, tolerances and dead bands are brought to the unit of the switch.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from decimal import Decimal

from calfleet import records as rec
from calfleet.adapters.workbook.loose import Misread
from calfleet.adapters.workbook.moving_cells import Endless, Ends, Tolerance, Value, in_unit
from calfleet.adapters.workbook.moving_map import (
    SET_POINT_FIELDS,
    Duplicates,
    TableKind,
)
from calfleet.adapters.workbook.moving_names import MovingRows
from calfleet.adapters.workbook.moving_plausible import check_switch
from calfleet.adapters.workbook.moving_rows import (
    Line,
    MovedRow,
    Placed,
    SheetRows,
    marked_together,
    tables_of,
)
from calfleet.adapters.workbook.sources import Table
from calfleet.adapters.workbook.tables import Row, squeezed
from calfleet.metrology.units import PressureMode

_REFERENCES = ("Area", "Interval policy", "Procedure")
_REGISTER = (
    "Effective on", "Reason", "Serial number", "Service", "Family", "Quantity", "Medium",
    "Criticality", "Outage-bound", "Status", "Bench minutes", "Hazards",
)  # fmt: skip
_MODES = {
    PressureMode.ABSOLUTE: ("absolute pressure",),
    PressureMode.GAUGE: ("pressure", "vacuum", "differential pressure"),
    PressureMode.DIFFERENTIAL: ("differential pressure",),
    PressureMode.VACUUM: ("vacuum",),
}


@dataclass
class _Draft:
    """A switch while its rows are gathered."""

    line: Line
    values: dict[str, object]
    points: list[tuple[Line, dict[str, object], dict[str, Placed]]] = field(default_factory=list)
    bad: bool = False


def converted(
    line: Line, name: str, value: Value | None, unit: str, *, difference: bool = False
) -> Decimal | None:
    """The number in ``unit``; ``None`` with a problem at the cell where that is not exact."""
    if value is None:
        return None
    try:
        return in_unit(value, unit, difference=difference)
    except Misread as error:
        line.problem(name, error.message, _step(error, value))
        return None


def _step(error: Misread, value: Value) -> str:
    """What to do about a value that cannot be brought to the unit of its row."""
    if isinstance(error, Endless):
        return f"{error.hint} Or give the whole row in {value.unit}, beginning with the range."
    return error.hint


def a_value(line: Line, name: str) -> Value | None:
    found = line.get(name)
    if found is None or isinstance(found, Value):
        return found
    line.problem(name, "A number is expected here.", "Enter the number.")
    return None


def check_mode(line: Line, name: Placed | str, mode: PressureMode | None, quantity: object) -> None:
    """Notes a problem where a unit such as 'bara' does not go with what the switch responds to."""
    if mode is None or not isinstance(quantity, str):
        return
    if quantity.casefold() not in _MODES[mode] and quantity.casefold() in {
        each for all_of in _MODES.values() for each in all_of
    }:
        line.problem(
            name,
            f"The unit is one of {mode} pressure, the switch is for {quantity}.",
            "Correct the unit or the quantity.",
        )


class Switches:
    """Gathers the rows of all sheets with switches and set points."""

    def __init__(self, moving: MovingRows, sheets: Sequence[SheetRows]) -> None:
        self.moving = moving
        self.sheets = sheets
        self.drafts: dict[tuple[str, int], _Draft] = {}

    def read(self) -> list[tuple[MovedRow, rec.Switch]]:
        """Each switch that the files give, with its row."""
        for sheet in tables_of(TableKind.SWITCHES, self.sheets):
            for line in sheet.lines(self.moving.tags.names):
                self._switch_line(line)
        for sheet in tables_of(TableKind.SET_POINTS, self.sheets):
            for line in sheet.lines(self.moving.tags.names):
                self._point_line(line)
        rows, points = [], []
        for (tag, revision), draft in self.drafts.items():
            row = MovedRow(draft.values, draft.line)
            rows.append(row)
            if not tag:
                continue  # its cells were read; that the tag is missing is said by its row
            if not draft.points:
                self._points_of_site(draft, tag)
            for line, values, group in draft.points:
                point = {"tag": tag, "revision": revision, **values}
                points.append(MovedRow(point, line, _place_in(line, group), group=group))
        ordered = in_order(rows, "Tag")
        table = Table(tuple(ordered), complete=all(s.complete for s in self.sheets))
        found = self.moving.switches_from(table, Table(tuple(points), complete=True))
        of_switch: dict[tuple[str, int], list[MovedRow]] = {}
        for each in points:
            of_switch.setdefault((str(each.raw("tag")), _revision(each)), []).append(each)
        out = []
        for moved, switch in found:
            if isinstance(moved, MovedRow):
                own = of_switch.get((switch.tag, switch.revision), [])
                moved.bad = moved.bad or moved.line.bad
                if not marked_together([moved, *own]):
                    check_switch(own, switch)
                out.append((moved, switch))
        return out

    # rows --------------------------------------------------------------------------------

    def _key(self, line: Line) -> tuple[str, int]:
        tag = self.moving.refer(line, "Tag") or ""
        number = line.get("Revision")
        if number is not None:
            whole = int(number) if isinstance(number, int | Decimal) else 1
            return tag, whole
        latest = self.moving.latest_switch.get(tag)
        return tag, (latest.revision if latest else 0) + 1

    def _switch_line(self, line: Line) -> None:
        key = self._key(line)
        tag = key[0]
        earlier = self.drafts.get(key) if tag else None
        if earlier is not None and self._same_switch(earlier, line):
            earlier.points.extend(self._points(line, str(earlier.values.get("unit") or ""),
                                               earlier.values.get("quantity")))  # fmt: skip
            return
        values = self._values(line, *key)
        draft = _Draft(line, values)
        draft.points.extend(
            self._points(line, str(values.get("unit") or ""), values.get("quantity"))
        )
        if earlier is None:
            self.drafts[key if tag else ("", -line.row - len(self.drafts))] = draft
            if tag:
                self.moving.learn(self.moving.tags, tag)
            return
        policy = line.sheet.table.duplicates
        first = earlier.line.where("Tag")
        if policy is Duplicates.PROBLEM:
            twice(line, "Tag", tag, key[1], earlier.line)
        elif policy is Duplicates.FIRST:
            line.sheet.notes.remark(line.where("Tag"), f"{tag} stands at {first}; that one counts.")
        else:
            line.sheet.notes.remark(
                first, f"{tag} stands again at {line.where('Tag')}; that counts."
            )
            self.drafts[key] = draft

    def _same_switch(self, draft: _Draft, line: Line) -> bool:
        """Whether a row with a tag that was there is a further set point of the same switch."""
        sheet = line.sheet
        if draft.line.sheet is not sheet or not (
            sheet.gives("Set point") or any(g[0] for g in sheet.groups)
        ):
            return False
        if line.get("Label") is not None and any(
            values.get("label") == line.get("Label") for _, values, _ in draft.points
        ):
            return False
        own = {squeezed(each) for each in SET_POINT_FIELDS}
        for placed in sheet.columns:
            if squeezed(placed.use.field) in own or placed.use.set_point:
                continue
            here, there = line.read(placed), draft.line.read(placed)
            if here is not None and here != there:
                return False
        return True

    def _values(self, line: Line, tag: str, revision: int) -> dict[str, object]:
        """The canonical values of a switch's row."""
        latest = self.moving.latest_switch.get(tag)
        values: dict[str, object] = {"tag": tag, "revision": revision}
        for name in _REGISTER:
            values[squeezed(name)] = line.get(name)
        for name in _REFERENCES:
            values[squeezed(name)] = self.moving.refer(line, name)
        if latest is not None:
            for name, value in _as_held(latest).items():
                if values.get(name) is None and name not in line.failed:
                    values[name] = value
        self._range(line, values, latest)
        self._line_pressure(line, values, latest)
        return values

    def _range(self, line: Line, values: dict[str, object], latest: rec.Switch | None) -> None:
        unit = line.get("Unit")
        span = line.get("Range")
        low, high = a_value(line, "Range low"), a_value(line, "Range high")
        first = next(
            (v for g in self._groups(line) if isinstance(v := _in(line, g, "Set point"), Value)),
            None,
        )
        ends = span if isinstance(span, Ends) else None
        told: list[tuple[str, Value | Ends]] = []
        for name, each in (("Unit", unit), ("Range", ends), ("Range high", high),
                           ("Range low", low), ("Set point", first)):  # fmt: skip
            if isinstance(each, Value | Ends):
                told.append((name, each))
        source, code = next(((n, each.unit) for n, each in told if each.unit), ("", ""))
        if not code and latest is not None:
            code = latest.unit
        if ends is not None and not ends.unit and code and source in ("Set point", ""):
            of = "of the set point" if source else "of the switch in the site"
            line.sheet.notes.remark(
                line.where("Range"), f"The range names no unit; {code} {of} is taken."
            )
        for name, each in told:
            if name != "Set point":  # looked at with the others of the row
                check_mode(line, name, each.mode, values.get("quantity"))
        values["unit"] = code or None
        if ends is not None:
            if ends.low is not None:
                low = Value(ends.low, ends.unit)
            high = Value(ends.high, ends.unit)
        name = "Range" if ends is not None else "Range low"
        values["range low"] = converted(line, name, low, code)
        values["range high"] = converted(
            line, "Range" if ends is not None else "Range high", high, code
        )
        if latest is not None and low is None and high is None and "range" not in line.failed:
            values["range low"] = converted(
                line, "Unit", Value(latest.range_low, latest.unit), code
            )
            values["range high"] = converted(
                line, "Unit", Value(latest.range_high, latest.unit), code
            )

    @staticmethod
    def _line_pressure(line: Line, values: dict[str, object], latest: rec.Switch | None) -> None:
        unit, proof = line.get("Line unit"), a_value(line, "Proof pressure")
        static = a_value(line, "Static pressure")
        code = next((v.unit for v in (unit, proof, static) if isinstance(v, Value) and v.unit), "")
        if not code and latest is not None:
            code = latest.line_unit or ""
        values["line unit"] = code or None
        values["proof pressure"] = converted(line, "Proof pressure", proof, code)
        values["static pressure"] = converted(line, "Static pressure", static, code)
        if latest is not None and latest.line_unit:
            if proof is None and latest.proof_pressure is not None:
                held = Value(latest.proof_pressure, latest.line_unit)
                values["proof pressure"] = converted(line, "Line unit", held, code)
            if static is None:
                held = Value(latest.static_nominal, latest.line_unit)
                values["static pressure"] = converted(line, "Line unit", held, code)

    # set points --------------------------------------------------------------------------

    @staticmethod
    def _groups(line: Line) -> list[tuple[str, dict[str, Placed]]]:
        sheet = line.sheet
        groups = [(label, group) for (label, _, _), group in sheet.groups.items() if label]
        return groups or [("", {})]

    def _points(
        self, line: Line, unit: str, quantity: object
    ) -> Iterable[tuple[Line, dict[str, object], dict[str, Placed]]]:
        """The set points that stand in a row."""
        for label, group in self._groups(line):
            own = [placed for placed in group.values() if placed.use.field == "Set point"]
            given = [p for p in (own or group.values()) if line.read(p) is not None]
            if label and not given:
                continue
            named = any(line.get(name) is not None for name in ("Set point", "Label"))
            wrong = line.failed & {"set point", "label"}
            if not (label or named or wrong) and line.sheet.table.kind is TableKind.SWITCHES:
                continue
            yield line, point_values(line, label, group, unit, quantity), group

    def _point_line(self, line: Line) -> None:
        tag, revision = self._key(line)
        draft = self.drafts.get((tag, revision))
        latest = self.moving.latest_switch.get(tag)
        if draft is None and tag and line.get("Revision") is None and latest is not None:
            # only the set points of a switch that the site knows: the rest stays as it is
            draft = _Draft(line, {"tag": tag, "revision": revision, **_whole(latest)})
            day = latest.effective_on if "effective on" not in draft.values else None
            draft.values.setdefault("effective on", day)
            self.drafts[tag, revision] = draft
        unit = str(draft.values.get("unit") or "") if draft is not None else ""
        quantity = draft.values.get("quantity") if draft is not None else None
        found = list(self._points(line, unit, quantity))
        if draft is not None:
            draft.points.extend(found)
            return
        if not tag:
            if "tag" not in line.failed:
                line.problem("Tag", "The tag is missing.", "Fill in the cell.")
            return
        if self.moving.tags.knows(tag):
            line.problem("Revision", f"{tag} has no revision {revision} in these files.",
                         "List the switch, too, or leave the revision out.")  # fmt: skip
        else:
            # the row says nothing that a switch could be made of
            row = MovedRow({"tag": tag}, line)
            row.unknown("Tag", "switch", tag, self.moving.tags.names)
            line.bad = True

    def _points_of_site(self, draft: _Draft, tag: str) -> None:
        latest = self.moving.latest_switch.get(tag)
        unit = draft.values.get("unit")
        if latest is None or draft.line.bad:
            return
        if unit != latest.unit:
            draft.line.problem(
                "Unit", f"The site has the set points of {tag} in {latest.unit}, not in {unit}.",
                "Give the set points, too.",
            )  # fmt: skip
            return
        for point in latest.set_points:
            draft.points.append((draft.line, _point_as_held(point), {}))


def in_order(rows: Iterable[MovedRow], name: str) -> list[MovedRow]:
    """The rows as they stand, those of one name together and by revision."""
    first: dict[object, int] = {}
    kept = list(rows)
    for row in kept:
        first.setdefault(row.raw(name), len(first))
    return sorted(kept, key=lambda row: (first[row.raw(name)], _revision(row)))


def _revision(row: Row) -> int:
    number = row.raw("revision")
    return number if isinstance(number, int) else 1


def _place_in(line: Line, group: Mapping[str, Placed]) -> Callable[[str], str]:
    by_name = {squeezed(name): placed for name, placed in group.items()}
    if not by_name:
        return line.where
    set_point = by_name.get("set point")

    def place(name: str) -> str:
        found = by_name.get(squeezed(name))
        if found is None and squeezed(name) in ("set point", "label", "direction"):
            found = set_point
        return line.at(found) if found is not None else line.where(name)

    return place


def _in(line: Line, group: tuple[str, Mapping[str, Placed]], name: str) -> object:
    """What a row says of a field: for the set point of the group, else for all."""
    placed = group[1].get(name)
    if placed is not None:
        found = line.read(placed)
        if found is not None:
            return found
    return line.get(name)


def point_values(
    line: Line, label: str, group: Mapping[str, Placed], unit: str, quantity: object
) -> dict[str, object]:
    """The canonical values of a set point, in the switch's unit."""

    def get(name: str) -> object:
        return _in(line, (label, group), name)

    def problem(name: str, message: str, hint: str) -> None:
        line.problem(group.get(name) or name, message, hint)

    def number(name: str, value: object, *, difference: bool = True) -> Decimal | None:
        if not isinstance(value, Value):
            return None
        try:
            return in_unit(value, unit, difference=difference)
        except Misread as error:
            problem(name, error.message, _step(error, value))
            return None

    values: dict[str, object] = {"label": label or get("Label")}
    for name in ("Direction", "Dead band", "Contact form", "Action", "Energised state"):
        values[squeezed(name)] = get(name)
    point = get("Set point")
    if isinstance(point, Value):
        check_mode(line, group.get("Set point") or "Set point", point.mode, quantity)
    value = values["set point"] = number("Set point", point, difference=False)

    basis = get("Tolerance basis")
    stated = basis.casefold() if isinstance(basis, str) else ""
    found: dict[str, str] = {}

    def side(name: str, each: object) -> Decimal | None:
        """One side in the terms of its basis."""
        if not isinstance(each, Value):
            return None
        if each.unit.startswith("%"):
            found[name] = each.unit if each.unit != "%" else ""
            return each.number
        if each.unit:
            found[name] = "absolute"
            return number(name, each)
        return each.number

    def both(name: str) -> tuple[Decimal | None, Decimal | None]:
        band = get(name)
        if not isinstance(band, Tolerance):
            return None, None
        if band.basis:
            found[name] = band.basis
        elif band.unit == "%" and stated == "absolute":
            problem(name, "A tolerance in per cent is no absolute one.", "Correct the basis.")
        if band.basis != "absolute" or not band.unit:
            return band.minus, band.plus
        ends = [
            None if each is None else number(name, Value(each, band.unit))
            for each in (band.minus, band.plus)
        ]
        return ends[0], ends[1]

    minus, plus = both("Tolerance")
    minus = side("Tolerance minus", get("Tolerance minus")) if minus is None else minus
    plus = side("Tolerance plus", get("Tolerance plus")) if plus is None else plus
    low = number("Lower limit", get("Lower limit"), difference=False)
    high = number("Upper limit", get("Upper limit"), difference=False)
    if value is not None and (low is not None or high is not None):
        found["Lower limit" if low is not None else "Upper limit"] = "absolute"
        for name, limit, wrong in (
            ("Lower limit", low, low is not None and low > value),
            ("Upper limit", high, high is not None and high < value),
        ):
            if wrong:
                problem(name, f"The limit {limit} lies on the wrong side of {value}.",
                        "Check the columns.")  # fmt: skip
        minus = value - low if minus is None and low is not None and low <= value else minus
        plus = high - value if plus is None and high is not None and high >= value else plus
    left_minus, left_plus = both("As-left tolerance")
    if left_minus is None:
        left_minus = side("As-left minus", get("As-left minus"))
    if left_plus is None:
        left_plus = side("As-left plus", get("As-left plus"))
    bases = {each for each in (stated, *found.values()) if each}
    if len(bases) > 1:
        name = next((n for n, each in found.items() if each != stated), "Tolerance basis")
        hint = "Bring tolerance and as-left band to one basis."
        if stated and all(each != stated for each in found.values() if each):
            hint = (
                "Where a cell tells its own basis, map no 'Tolerance basis': "
                f'unit = "{stated}" for the column of tolerances holds for cells that tell none.'
            )
        problem(name, f"Two bases for one tolerance: {' and '.join(sorted(bases))}.", hint)
    values |= {
        "tolerance minus": minus, "tolerance plus": plus, "as left minus": left_minus,
        "as left plus": left_plus, "tolerance basis": next(iter(bases)) if bases else None,
    }  # fmt: skip
    band = get("Dead band range")
    least, most = get("Dead band min"), get("Dead band max")
    if isinstance(band, Ends):
        least = Value(band.low, band.unit) if band.low is not None and least is None else least
        most = Value(band.high, band.unit) if most is None else most
    values["dead band min"] = number("Dead band min", least)
    values["dead band max"] = number("Dead band max", most)
    values["repeatability limit"] = number("Repeatability limit", get("Repeatability limit"))
    return values


# --- what the site holds, as values of a row ----------------------------------------------


def _as_held(switch: rec.Switch) -> dict[str, object]:
    return {
        "effective on": switch.effective_on, "serial number": switch.serial, "area": switch.area,
        "service": switch.service, "family": switch.family, "quantity": str(switch.quantity),
        "medium": switch.medium, "criticality": str(switch.criticality),
        "outage bound": switch.outage_bound, "status": str(switch.status),
        "interval policy": switch.policy, "procedure": switch.procedure,
        "bench minutes": switch.bench_minutes, "hazards": [str(each) for each in switch.hazards],
    }  # fmt: skip


def _whole(switch: rec.Switch) -> dict[str, object]:
    return {
        **_as_held(switch), "unit": switch.unit, "range low": switch.range_low,
        "range high": switch.range_high, "line unit": switch.line_unit,
        "proof pressure": switch.proof_pressure, "static pressure": switch.static_nominal,
    }  # fmt: skip


def _point_as_held(point: rec.SetPoint) -> dict[str, object]:
    return {
        "label": point.label, "set point": point.value, "direction": str(point.direction),
        "tolerance minus": point.tolerance_minus, "tolerance plus": point.tolerance_plus,
        "tolerance basis": point.tolerance_basis, "as left minus": point.as_left_minus,
        "as left plus": point.as_left_plus, "dead band": point.dead_band_kind,
        "dead band min": point.dead_band_min, "dead band max": point.dead_band_max,
        "repeatability limit": point.repeatability_limit, "contact form": point.contact_form,
        "action": point.action, "energised state": point.energised_state,
    }  # fmt: skip


# --- rows that are there twice --------------------------------------------------------------


def twice(line: Line, field_name: str, name: str, revision: object, first: Line) -> None:
    """Notes that a name stands in a row that was there already, and marks both rows.

    A row that says the very same as the first leaves that one as it is.
    """
    number = f" revision {revision}" if line.sheet.gives("Revision") else ""
    hint = (
        'Delete one of the rows, or say in the mapping which counts: duplicates = "first" or '
        '"last".'
    )
    where = line.where(field_name)
    line.problem(
        field_name, f"{name}{number} is there twice, first at {first.where(field_name)}.", hint
    )
    if line.sheet is first.sheet and all(
        line.cell(placed) == first.cell(placed) for placed in line.sheet.columns
    ):
        return
    message = f"{name}{number} stands again, with other values, at {where}; none of them counts."
    if squeezed(field_name) not in first.failed:
        first.problem(field_name, message, hint)


def keep_one(
    rows: dict[object, MovedRow], key: object, row: MovedRow, name: str, field_name: str
) -> None:
    """Puts a row among ``rows``; one whose key is there already as the mapping says."""
    earlier = rows.get(key)
    policy = row.line.sheet.table.duplicates
    if earlier is None:
        rows[key] = row
    elif policy is Duplicates.PROBLEM:
        revision = row.raw("revision") if row.line.sheet.gives("Revision") else None
        twice(row.line, field_name, name, revision, earlier.line)
        earlier.bad = earlier.bad or earlier.line.bad
    elif policy is Duplicates.FIRST:
        row.line.sheet.notes.remark(
            row.line.where(field_name),
            f"{name} stands at {earlier.line.where(field_name)}; that one counts.",
        )
    else:
        row.line.sheet.notes.remark(
            earlier.line.where(field_name),
            f"{name} stands again at {row.line.where(field_name)}; that one counts.",
        )
        rows[key] = row
