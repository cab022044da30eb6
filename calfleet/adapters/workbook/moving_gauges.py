"""Rows of gauges put together: what a sheet says, else what the site holds of the gauge."""

from __future__ import annotations

from collections.abc import Sequence
from decimal import Decimal

from calfleet import records as rec
from calfleet.adapters.workbook.moving_cells import Ends, Tolerance, Value
from calfleet.adapters.workbook.moving_map import TableKind
from calfleet.adapters.workbook.moving_names import MovingRows
from calfleet.adapters.workbook.moving_plausible import check_gauge
from calfleet.adapters.workbook.moving_registers import a_value, converted, in_order, keep_one
from calfleet.adapters.workbook.moving_rows import Line, MovedRow, SheetRows, tables_of
from calfleet.adapters.workbook.siterows import THERMOMETER
from calfleet.adapters.workbook.sources import Table
from calfleet.adapters.workbook.tables import squeezed


def _gauge_as_held(gauge: rec.Gauge) -> dict[str, object]:
    return {
        "effective on": gauge.effective_on, "serial number": gauge.serial,
        "description": gauge.description, "status": str(gauge.status),
        "mode": THERMOMETER if gauge.mode is None else str(gauge.mode),
        "use corrections": gauge.use_corrections, "tier": gauge.tier,
        "interval policy": gauge.policy, "oxygen clean": gauge.oxygen_clean,
        "reference temperature": gauge.reference_temperature_c,
        "same gauge correlation": gauge.same_gauge_correlation,
        "readable fraction": gauge.readable_fraction,
    }  # fmt: skip


def _gauge_values(moving: MovingRows, line: Line, code: str, revision: int) -> dict[str, object]:
    latest = moving.latest_gauge.get(code)
    values: dict[str, object] = {"gauge": code, "revision": revision}
    held = _gauge_as_held(latest) if latest is not None else {}
    for name in (
        "Effective on", "Reason", "Serial number", "Description", "Status", "Mode",
        "Reference temperature", "Use corrections", "Tier", "Oxygen clean",
        "Same-gauge correlation", "Readable fraction",
    ):  # fmt: skip
        values[squeezed(name)] = line.get(name)
    values["interval policy"] = moving.refer(line, "Interval policy")
    for name, value in held.items():
        if values.get(name) is None and name not in line.failed:
            values[name] = value
    unit, span = line.get("Unit"), line.get("Range")
    low, high = a_value(line, "Range low"), a_value(line, "Range high")
    ends = span if isinstance(span, Ends) else None
    told = [each for each in (unit, ends, high, low) if isinstance(each, Value | Ends)]
    target = next((each.unit for each in told if each.unit), "")
    if not target and latest is not None:
        target = latest.unit
    mode = next((each.mode for each in told if each.mode), None)
    if mode is not None:
        if values["mode"] is None:
            values["mode"] = str(mode)
        elif str(values["mode"]).casefold() != str(mode):
            line.problem("Mode", f"The unit is one of {mode} pressure, the mode {values['mode']}.",
                         "Correct one of them.")  # fmt: skip
    values["unit"] = target or None
    if ends is not None:
        low = Value(ends.low, ends.unit) if ends.low is not None else low
        high = Value(ends.high, ends.unit)
    values["range low"] = converted(line, "Range low", low, target)
    values["range high"] = converted(line, "Range high", high, target)
    for name in ("Resolution", "Drift per year", "Temperature coefficient"):
        values[squeezed(name)] = converted(line, name, a_value(line, name), target, difference=True)
    values["static limit"] = converted(line, "Static limit", a_value(line, "Static limit"), target)
    basis = line.get("Accuracy basis")
    values["accuracy basis"] = basis
    band = line.get("Accuracy")
    if isinstance(band, Tolerance):
        if band.minus != band.plus or band.plus is None:
            line.problem("Accuracy", "The error is not the same on both sides.",
                         "Enter the greater one.")  # fmt: skip
        else:
            each = Value(band.plus, band.unit if band.basis == "absolute" else "")
            values["accuracy"] = converted(line, "Accuracy", each, target, difference=True)
        found = band.basis
        if found == "% of upper range value" and values["range low"] == 0:
            found = "% of span"  # the same thing for a range that begins at zero
        if found and isinstance(basis, str) and basis.casefold() != found:
            line.problem("Accuracy", f"Two bases: {found} and {basis}.", "Correct one of them.")
        values["accuracy basis"] = found or basis
    if latest is not None and target == latest.unit:
        for name, value in (
            ("range low", latest.range_low), ("range high", latest.range_high),
            ("resolution", latest.resolution), ("drift per year", latest.drift_per_year),
            ("temperature coefficient", latest.temperature_coefficient),
            ("static limit", latest.static_limit),
        ):  # fmt: skip
            if values[name] is None and not line.failed & {name, "range"}:
                values[name] = value
        if band is None and "accuracy" not in line.failed:
            values |= {"accuracy": latest.accuracy, "accuracy basis": latest.accuracy_basis}
    return values


def read_gauges(
    moving: MovingRows, sheets: Sequence[SheetRows]
) -> list[tuple[MovedRow, rec.Gauge]]:
    """Each gauge that the files give, with its row."""
    rows: dict[object, MovedRow] = {}
    for sheet in tables_of(TableKind.GAUGES, sheets):
        for line in sheet.lines(moving.gauge_names.names):
            text = line.get("Gauge")
            code = moving.meant(
                line, "Gauge", moving.gauge_names, text if isinstance(text, str) else None
            ) or ""  # fmt: skip
            number = line.get("Revision")
            latest = moving.latest_gauge.get(code)
            revision = (
                int(number) if isinstance(number, int | Decimal)
                else (latest.revision if latest else 0) + 1
            )  # fmt: skip
            row = MovedRow(_gauge_values(moving, line, code, revision), line)
            row.bad = line.bad
            serial = row.raw("serial number")
            if code:
                moving.learn(moving.gauge_names, code, serial if isinstance(serial, str) else "")
            keep_one(rows, (code, revision) if code else id(row), row, code, "Gauge")
    table = Table(tuple(in_order(rows.values(), "Gauge")), complete=all(s.complete for s in sheets))
    out = []
    for found, gauge in moving.gauges_from(table):
        if isinstance(found, MovedRow):
            if not found.bad:
                check_gauge(found, gauge)
            out.append((found, gauge))
    return out
