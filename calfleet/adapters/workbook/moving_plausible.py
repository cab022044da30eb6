"""Remarks on values that can be read and are hardly meant so: they are taken as they stand.

The shares are common practice, no source: a slipped decimal sign or a wrong unit passes them by
far, an odd instrument rarely.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from decimal import Decimal
from fractions import Fraction

from calfleet import records as rec
from calfleet.adapters.workbook.grids import Shown
from calfleet.adapters.workbook.moving_rows import MovedRow
from calfleet.adapters.workbook.tables import shown
from calfleet.metrology.rounding import exact_text
from calfleet.metrology.switch import ToleranceBasis

_FINEST = 20
"""A gauge shows at least so many steps over its range."""
_CLOSEST = 10
"""The permissible error of a gauge is at most one part in so many of its range."""
_CHECK = "Check the decimal sign and the unit."
_SIDES = {
    "Tolerance": ("Tolerance plus", "Tolerance minus", "Upper limit", "Lower limit"),
    "As-left tolerance": ("As-left plus", "As-left minus"),
}
_FULL_SCALE = re.compile(r"\bf\.?\s?s\b|full[- ]?scale", re.IGNORECASE)


def check_switch(points: Sequence[MovedRow], switch: rec.Switch) -> None:
    """Doubts about the tolerances of a switch; ``points``: the rows of its set points."""
    span = Fraction(switch.range_high) - Fraction(switch.range_low)
    for point, found in zip(points, switch.set_points, strict=False):
        for name, width in (
            ("Tolerance", max(found.tolerance_minus or 0, found.tolerance_plus or 0)),
            ("As-left tolerance", max(found.as_left_minus or 0, found.as_left_plus or 0)),
        ):
            wide = _width(Fraction(width), found, switch, span)
            if wide > span:
                told = f"{_short(wide)} {switch.unit}"
                _doubt(
                    point, name,
                    f"A tolerance of {told} is wider than the whole range {switch.range_low} to "
                    f"{switch.range_high} {switch.unit} of {switch.tag}.", _CHECK,
                )  # fmt: skip
        if found.tolerance_basis == ToleranceBasis.SPAN and switch.range_low != 0:
            for name in ("Tolerance", "As-left tolerance"):
                _full_scale(point, name, switch.range_low, switch.range_high, switch.unit)


def check_gauge(row: MovedRow, gauge: rec.Gauge) -> None:
    """Doubts about resolution and permissible error of a gauge."""
    span = Fraction(gauge.range_high) - Fraction(gauge.range_low)
    of = f"the range {gauge.range_low} to {gauge.range_high} {gauge.unit} of {gauge.code}"
    if Fraction(gauge.resolution) * _FINEST > span:
        _doubt(
            row, "Resolution",
            f"The resolution {gauge.resolution} {gauge.unit} is more than 1/{_FINEST} of {of}.",
            _CHECK,
        )  # fmt: skip
    error = Fraction(gauge.accuracy)
    if gauge.accuracy_basis != "absolute":
        whole = span
        if gauge.accuracy_basis == "% of reading":
            whole = max(abs(Fraction(gauge.range_low)), abs(Fraction(gauge.range_high)))
        error = error * whole / 100
    if error * _CLOSEST > span:
        _doubt(
            row, "Accuracy",
            f"The permissible error {_short(error)} {gauge.unit} is more than 1/{_CLOSEST} of "
            f"{of}.", _CHECK,
        )  # fmt: skip
    if gauge.accuracy_basis == "% of span" and gauge.range_low != 0:
        _full_scale(row, "Accuracy", gauge.range_low, gauge.range_high, gauge.unit)


def _width(figure: Fraction, point: rec.SetPoint, switch: rec.Switch, span: Fraction) -> Fraction:
    """A side of a tolerance in the unit of the switch."""
    whole = {
        ToleranceBasis.SPAN: span,
        ToleranceBasis.UPPER: abs(Fraction(switch.range_high)),
        ToleranceBasis.SET_POINT: abs(Fraction(point.value)),
    }
    basis = ToleranceBasis(point.tolerance_basis)
    return figure if basis is ToleranceBasis.ABSOLUTE else figure * whole[basis] / 100


def _short(value: Fraction) -> str:
    text = exact_text(value)
    return text if "/" not in text and len(text) <= 14 else f"{float(value):.6g}"


def _full_scale(row: MovedRow, name: str, low: Decimal, high: Decimal, unit: str) -> None:
    """A remark where a cell says FS and the range does not begin at zero: FS has two meanings."""
    column = row.column(name)
    text = row.line.cell(column) if column is not None else None
    if isinstance(text, Shown):
        text = text.measured
    if isinstance(text, str) and _FULL_SCALE.search(text):
        _doubt(
            row, name,
            f"{shown(text)} is taken as per cent of the span {high - low} {unit}; of the upper "
            f"range value {high} {unit} it would be another tolerance, for the range begins at "
            f"{low} {unit}.",
            "Write '% of span' or '% of upper range value', as the data sheet means it.",
        )  # fmt: skip


def _doubt(row: MovedRow, name: str, message: str, hint: str) -> None:
    """A remark at the cell; none where the files do not say it: the site holds it already."""
    column = row.column(name, *_SIDES.get(name, ()))
    if column is not None:
        row.line.sheet.notes.doubt(row.line.at(column), message, hint)
