"""How the shop's own files are to be read: which sheet is what, which column is which field.

A ``Mapping`` is proposed by ``moving_propose.propose``, written and read by ``moving_toml``, and
followed by ``moving_in.read_incoming``. It names everything it needs to know: nothing is guessed
when the rows are read. Fields are called as in the input files of a site (``siterows``); a few
more take a cell that holds several of them ("0-10 bar" is ``Range``).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from dataclasses import field as proposal
from datetime import date
from decimal import Decimal
from enum import StrEnum
from typing import Final

from calfleet import records as rec
from calfleet.adapters.workbook.loose import DateOrder, Decimals

Constant = str | bool | int | Decimal | date


class TableKind(StrEnum):
    """What one row of a sheet is."""

    SWITCHES = "switches"  # a switch, or one set point of it; set points may stand in the row
    SET_POINTS = "set points"
    GAUGES = "gauges"
    CERTIFICATES = "certificates"
    POINTS = "certificate points"
    STANDARDS = "certificate standards"
    CALIBRATIONS = "calibrations"  # a calibration, readings in columns
    READINGS = "readings"  # one reading (or one trip and reset) of a calibration
    PEOPLE = "people"
    QUALIFICATIONS = "qualifications"
    PROCEDURES = "procedures"
    AREAS = "areas"
    LABORATORIES = "laboratories"
    POLICIES = "interval policies"
    IGNORED = "ignored"


class Certainty(StrEnum):
    """How sure a proposal is."""

    SURE = "sure"
    LIKELY = "likely"
    GUESS = "guess"


class Duplicates(StrEnum):
    """What to do with a row whose key is there already in the same table."""

    PROBLEM = "problem"
    FIRST = "first"
    LAST = "last"


@dataclass(frozen=True)
class ColumnUse:
    """What one column gives. A column may be listed more than once (label and direction).

    ``column`` is its letter, ``header`` what stands above it (rows of a header joined by a
    blank): the header is looked for, the letter decides between equal ones. ``field`` is empty
    for a column that is not used. ``unit`` holds for cells that name none (for tolerances also a
    basis, "% of span"). ``words`` translates cells, first match counts; "*" stands for any text.
    ``set_point``, ``phase`` and ``run`` tell whose reading (or set point) the column is where the
    row does not say it. ``fill_down``: a blank cell repeats the one above.
    """

    column: str
    header: str
    field: str = ""
    unit: str = ""
    date_order: DateOrder | None = None
    decimals: Decimals | None = None
    words: tuple[tuple[str, str], ...] = ()
    set_point: str = ""
    phase: str = ""
    run: int | None = None
    fill_down: bool = False
    certainty: Certainty = proposal(default=Certainty.SURE, compare=False)
    reason: str = proposal(default="", compare=False)
    sample: str = proposal(default="", compare=False)


@dataclass(frozen=True)
class TableUse:
    """How one sheet is read; rows count from 1, as spreadsheet programs show them.

    ``constants`` are values for all rows, by field, written by a person. ``missing`` names the
    fields that must be given and that no column gives (for the proposal only).
    """

    file: str
    sheet: str
    kind: TableKind
    header_rows: tuple[int, ...] = ()
    first_row: int = 1
    last_row: int | None = None
    columns: tuple[ColumnUse, ...] = ()
    constants: tuple[tuple[str, Constant], ...] = ()
    duplicates: Duplicates = Duplicates.PROBLEM
    hidden_rows: bool = True
    certainty: Certainty = proposal(default=Certainty.SURE, compare=False)
    reason: str = proposal(default="", compare=False)
    missing: tuple[str, ...] = proposal(default=(), compare=False)

    @property
    def name(self) -> str:
        return f"{self.file}, {self.sheet}"

    def unused(self) -> tuple[ColumnUse, ...]:
        """The columns that give nothing."""
        used = {each.column for each in self.columns if each.field}
        return tuple(each for each in self.columns if each.column not in used)


@dataclass(frozen=True)
class Mapping:
    """How all files of one move-in are read; ``areas`` are new ones that the rows may name."""

    tables: tuple[TableUse, ...]
    areas: tuple[rec.Area, ...] = ()

    def for_sheet(self, file: str, sheet: str) -> TableUse | None:
        """The table of a sheet; a file (or sheet) may be named with "*" for any text."""
        from fnmatch import fnmatchcase

        for each in self.tables:
            if (each.file, each.sheet) == (file, sheet):
                return each
        for each in self.tables:
            if fnmatchcase(file, each.file) and fnmatchcase(sheet, each.sheet):
                return each
        return None


def mapping_plain(mapping: Mapping) -> dict[str, object]:
    """The mapping as plain data, to be kept with what was moved in."""
    plain = rec.to_plain(mapping)
    if not isinstance(plain, dict):
        raise TypeError("a mapping is a table")
    return plain


# --- the fields of each kind of table -----------------------------------------------------


class Sort(StrEnum):
    """How the cells of a field are understood."""

    TEXT = "text"
    WORD = "word"
    FLAG = "yes or no"
    LIST = "words, separated by commas"
    NUMBER = "number"
    VALUE = "value with unit"
    SPREAD = "difference with unit"
    BAND = "tolerance"
    RANGE = "range"
    SPREADS = "range of differences"
    SHARE = "share"
    WHOLE = "whole number"
    DAY = "date"
    UNIT = "unit"


_T, _W, _F, _N, _V, _S, _D, _I = (
    Sort.TEXT, Sort.WORD, Sort.FLAG, Sort.NUMBER, Sort.VALUE, Sort.SPREAD, Sort.DAY, Sort.WHOLE,
)  # fmt: skip

SET_POINT_FIELDS: Final[dict[str, Sort]] = {
    "Label": _T, "Set point": _V, "Direction": _W, "Tolerance": Sort.BAND, "Tolerance minus": _S,
    "Tolerance plus": _S, "Tolerance basis": _W, "Lower limit": _V, "Upper limit": _V,
    "As-left tolerance": Sort.BAND, "As-left minus": _S, "As-left plus": _S, "Dead band": _W,
    "Dead band range": Sort.SPREADS, "Dead band min": _S, "Dead band max": _S,
    "Repeatability limit": _S, "Contact form": _W, "Action": _W, "Energised state": _W,
}  # fmt: skip
READING_FIELDS: Final[dict[str, Sort]] = {
    "trip": _V, "reset": _V, "static": _V, "outcome": _W,
}  # fmt: skip
_CALIBRATION: dict[str, Sort] = {
    "calibration": _T, "tag": _T, "performed_on": _D, "performed_by": _T, "procedure": _T,
    "procedure_revision": _I, "operating_gauge": _T, "operating_certificate": _T,
    "static_gauge": _T, "static_certificate": _T, "temperature_c": _N,
    "humidity": Sort.SHARE, "adjusted": _F, "adjustment_note": _T, "barometric": _N,
    "barometric_unit": Sort.UNIT, "head_height_m": _N, "head_height_half_width_m": _N,
    "head_density_kg_m3": _N, "exercised_before_as_found": _F, "exercise_cycles": _I,
    "contact_check": _T, "seal": _T, "permit": _T, "bypass": _T, "returned_by": _T,
    "verified_by": _T, "work_order": _T, "replaces": _T, "replacement_reason": _T, "remarks": _T,
    "unit": Sort.UNIT, "set_point": _T, "phase": _W, "run": _I, **READING_FIELDS,
}  # fmt: skip

FIELDS: Final[dict[TableKind, dict[str, Sort]]] = {
    TableKind.SWITCHES: {
        "Tag": _T, "Revision": _I, "Effective on": _D, "Reason": _T, "Serial number": _T,
        "Area": _T, "Service": _T, "Family": _T, "Quantity": _W, "Unit": Sort.UNIT,
        "Range": Sort.RANGE, "Range low": _V, "Range high": _V, "Line unit": Sort.UNIT,
        "Proof pressure": _V, "Static pressure": _V, "Medium": _T, "Criticality": _W,
        "Outage-bound": _F, "Status": _W, "Interval policy": _T, "Procedure": _T,
        "Bench minutes": _I, "Hazards": Sort.LIST, **SET_POINT_FIELDS,
    },
    TableKind.SET_POINTS: {"Tag": _T, "Revision": _I, "Unit": Sort.UNIT, **SET_POINT_FIELDS},
    TableKind.GAUGES: {
        "Gauge": _T, "Revision": _I, "Effective on": _D, "Reason": _T, "Serial number": _T,
        "Description": _T, "Status": _W, "Mode": _W, "Unit": Sort.UNIT, "Range": Sort.RANGE,
        "Range low": _V, "Range high": _V, "Resolution": _S, "Accuracy": Sort.BAND,
        "Accuracy basis": _W, "Drift per year": _S, "Temperature coefficient": _S,
        "Reference temperature": _N, "Use corrections": _F, "Tier": _I, "Interval policy": _T,
        "Oxygen clean": _F, "Same-gauge correlation": _N, "Static limit": _V,
        "Readable fraction": Sort.SHARE,
    },
    TableKind.CERTIFICATES: {
        "certificate": _T, "gauge": _T, "laboratory": _T, "calibrated_on": _D, "issued_on": _D,
        "unit": Sort.UNIT, "temperature_c": _N, "humidity": Sort.SHARE, "adjusted": _F,
        "withdrawn_on": _D, "withdrawal_reason": _T, "replaces": _T, "replacement_reason": _T,
        "remarks": _T,
    },
    TableKind.POINTS: {
        "certificate": _T, "phase": _W, "direction": _W, "reference": _V, "indication": _V,
        "error": _S, "expanded_uncertainty": _S, "coverage_factor": _N,
    },
    TableKind.STANDARDS: {
        "certificate": _T, "description": _T, "gauge": _T, "standard_certificate": _T,
    },
    TableKind.CALIBRATIONS: _CALIBRATION,
    TableKind.READINGS: {**_CALIBRATION, "reading": _V, "kind_of_reading": _W},
    TableKind.PEOPLE: {
        "person": _T, "name": _T, "role": _W, "effective_on": _D, "held": _F,
    },
    TableKind.QUALIFICATIONS: {
        "person": _T, "quantity": _W, "granted_on": _D, "expires_on": _D, "granted_by": _T,
    },
    TableKind.PROCEDURES: {
        "code": _T, "title": _T, "revision": _I, "approved_on": _D, "approved_by": _T,
        "effective_on": _D, "quantities": Sort.LIST, "hazards": Sort.LIST, "steps": _T,
        "exercise_cycles": _I, "as_found": _I, "as_left": _I,
        "ramp_limit_fraction_per_s": Sort.SHARE, "reading_lag_s": _N,
        "static_hold_fraction": Sort.SHARE, "temperature_min_c": _N, "temperature_max_c": _N,
        "humidity_max": Sort.SHARE, "required_tur": _N, "rule": _W, "guard_factor": _N,
        "coverage_probability": Sort.SHARE, "conformance_probability": Sort.SHARE,
    },
    TableKind.AREAS: {"code": _T, "name": _T},
    TableKind.LABORATORIES: {
        "code": _T, "name": _T, "kind": _W, "accreditation": _T, "valid_from": _D,
        "valid_until": _D, "scope": _T,
    },
    TableKind.POLICIES: {
        "code": _T, "effective_on": _D, "basis": _W, "every": _I, "unit": _W, "end_of_month": _F,
        "grace_fraction": Sort.SHARE, "grace_days": _I, "note": _T,
    },
    TableKind.IGNORED: {},
}  # fmt: skip

KEYS: Final[dict[TableKind, str]] = {
    TableKind.SWITCHES: "Tag", TableKind.SET_POINTS: "Tag", TableKind.GAUGES: "Gauge",
    TableKind.CERTIFICATES: "certificate", TableKind.POINTS: "certificate",
    TableKind.STANDARDS: "certificate", TableKind.CALIBRATIONS: "tag", TableKind.READINGS: "tag",
    TableKind.PEOPLE: "person", TableKind.QUALIFICATIONS: "person", TableKind.PROCEDURES: "code",
    TableKind.AREAS: "code", TableKind.LABORATORIES: "code", TableKind.POLICIES: "code",
}  # fmt: skip
"""The field that a row of the table must have: by it a line is known as a row of data."""


def field_names(kind: TableKind) -> Sequence[str]:
    return tuple(FIELDS[kind])
