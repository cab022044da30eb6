"""What a proposed mapping does not give yet, and every row of the sheet needs."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Iterator

from calfleet.adapters.workbook.loose import Misread
from calfleet.adapters.workbook.moving_cells import unit_and_mode
from calfleet.adapters.workbook.moving_headers import unit_in
from calfleet.adapters.workbook.moving_map import ColumnUse, TableKind, TableUse

Values = Callable[[ColumnUse, int], Iterable[object]]
"""The first values of a column, so many at most."""

POINT_NEEDS = (
    "Label", "Set point", "Direction", "Tolerance minus", "Tolerance basis", "Dead band",
    "Contact form", "Action", "Energised state",
)  # fmt: skip
"""What every set point needs."""

_NEEDED: dict[TableKind, tuple[str, ...]] = {
    TableKind.SWITCHES: (
        "Tag", "Effective on", "Serial number", "Area", "Service", "Family", "Quantity", "Unit",
        "Range low", "Range high", "Line unit", "Proof pressure", "Criticality", "Outage-bound",
        "Status", "Interval policy", "Procedure", "Bench minutes",
    ),
    TableKind.SET_POINTS: ("Tag", *POINT_NEEDS),
    TableKind.GAUGES: (
        "Gauge", "Effective on", "Serial number", "Description", "Status", "Mode", "Unit",
        "Range low", "Range high", "Resolution", "Accuracy", "Accuracy basis", "Drift per year",
        "Temperature coefficient", "Reference temperature", "Use corrections", "Tier",
        "Interval policy",
    ),
    TableKind.CERTIFICATES: (
        "certificate", "gauge", "laboratory", "calibrated_on", "issued_on", "unit",
        "temperature_c", "humidity", "adjusted",
    ),
    TableKind.POINTS: (
        "certificate", "phase", "direction", "reference", "indication", "expanded_uncertainty",
        "coverage_factor",
    ),
    TableKind.STANDARDS: ("certificate", "description"),
    TableKind.CALIBRATIONS: (
        "tag", "performed_on", "performed_by", "procedure", "procedure_revision",
        "operating_gauge", "temperature_c", "humidity", "adjusted",
    ),
    TableKind.PEOPLE: ("person", "name", "role", "effective_on"),
    TableKind.QUALIFICATIONS: ("person", "quantity", "granted_on", "expires_on", "granted_by"),
    TableKind.PROCEDURES: (
        "code", "title", "revision", "approved_on", "approved_by", "effective_on", "quantities",
        "exercise_cycles", "as_found", "as_left", "ramp_limit_fraction_per_s",
        "temperature_min_c", "temperature_max_c", "humidity_max", "required_tur", "rule",
        "guard_factor", "coverage_probability",
    ),
    TableKind.AREAS: ("code", "name"),
    TableKind.LABORATORIES: ("code", "name", "kind"),
    TableKind.POLICIES: ("code", "effective_on", "basis", "every", "unit"),
}  # fmt: skip
_INSTEAD = {
    "Range low": ("Range",), "Range high": ("Range",),
    "Tolerance minus": ("Tolerance", "Tolerance plus", "Lower limit", "Upper limit"),
    "indication": ("error",),
}  # fmt: skip


def missing(table: TableUse, values: Values, *, all_known: bool) -> Iterator[str]:
    """The fields that rows of the table need, and that neither a column nor a header gives.

    ``all_known``: the site holds every switch (or gauge) of the sheet, and says the rest.
    """
    given = {use.field for use in table.columns}
    needed = list(_NEEDED.get(table.kind, ()))
    if table.kind is TableKind.READINGS:
        needed = list(_NEEDED[TableKind.CALIBRATIONS])
    if all_known:
        return
    if table.kind is TableKind.SWITCHES and "Set point" in given:
        needed += _NEEDED[TableKind.SET_POINTS]
    grouped = any(use.set_point for use in table.columns)
    for name in dict.fromkeys(needed):
        others = (name, *_INSTEAD.get(name, ()))
        if given & set(others) or (name == "Label" and grouped):
            continue
        if name in ("Unit", "Line unit", "Mode") and _told(table, values, name):
            continue
        if name.endswith("basis") and _basis_told(table, values, name):
            continue
        yield name


def _told(table: TableUse, values: Values, name: str) -> bool:
    """Whether the unit stands in a header or in the cells."""
    fields = ("Proof pressure", "Static pressure") if name == "Line unit" else (
        "Range", "Range high", "Range low", "Set point", "Unit"
    )  # fmt: skip
    for use in table.columns:
        if use.field not in fields:
            continue
        texts = [use.unit] if use.unit else []
        texts += [unit_in(v) for v in values(use, 20) if isinstance(v, str)]
        for text in texts:
            try:
                mode = unit_and_mode(text)[1] if text else None
            except Misread:
                continue
            if text and (name != "Mode" or mode is not None):
                return True
    return False


def _basis_told(table: TableUse, values: Values, name: str) -> bool:
    wanted = "Accuracy" if name.startswith("Accuracy") else "Tolerance"
    for use in table.columns:
        if not use.field.startswith(wanted):
            if use.field in ("Lower limit", "Upper limit") and wanted == "Tolerance":
                return True
            continue
        if use.unit and use.unit != "%":
            return True
        held = list(values(use, 50))
        if held and all(
            isinstance(v, str) and re.search(r"(?:%\s*\S)|(?:\d\s*[A-Za-z])", v) for v in held
        ):
            return True
    return False
