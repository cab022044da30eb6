"""The workbook as written: names that look like formulas stay text, what is entered is unlocked."""

from __future__ import annotations

import io
from dataclasses import dataclass
from datetime import date
from typing import Any

import openpyxl
import pytest

from calfleet import records as rec
from calfleet.adapters.workbook.sheet_book import ToPrint, workbook_bytes

NASTY = '=HYPERLINK("x")'


def content(tag: str, **changes: Any) -> dict[str, Any]:
    """The content of a sheet with words that would do harm as formulas."""
    line = [[0.0, 0.1], [1600.0, 0.4]]
    curve = {"reach": [0.0, 1600.4], "points": line}
    limits = {"lower": 390.0, "upper": 410.0, "accept_lower": 391.0, "accept_upper": 409.0,
              "rule": ""}  # fmt: skip
    made: dict[str, Any] = {
        "form": "1",
        "site": {"code": "LW", "name": "@Works & Co", "identity": "0" * 64},
        "handed_out": {"on": "2026-03-02", "by": "P1", "name": "+Isolde"},
        "for_on": "2026-03-02",
        "due": {"on": None, "why": ""},
        "switch": {
            "tag": tag, "revision": 1, "serial": "-1", "service": NASTY, "area": "N",
            "area_name": "", "family": "=1+1", "quantity": "pressure", "unit": "kPa",
            "symbol": "kPa", "range": ["100", "600"], "static": "", "proof": "", "medium": "@x",
            "hazards": [], "criticality": "safety", "minutes": 40,
        },
        "procedure": {
            "code": "P", "revision": 1, "title": "=T", "steps": ["=S", "\x07bell"],
            "as_found_runs": 3, "as_left_runs": 2, "exercise_cycles": 3,
            "temperature": ["15", "28"],
            "humidity_max": "75",
        },
        "cautions": [["=C", "+D"]],
        "deference": "=E",
        "gauges": [{
            "role": "operating", "code": "=G", "description": "-H", "serial": "1",
            "certificate": "=K", "calibrated_on": "2025-06-02", "valid_until": "2026-06-02",
            "unit": "kPa", "symbol": "kPa", "range": ["0", "1600"], "resolution": "0.1",
            "reads": "gauge", "corrected": True, "tur": "",
        }],
        "static": None,
        "barometer": None,
        "head": False,
        "figures": {
            "factor": 1.0, "offset": 0.0, "air": 0, "flips": False, "step": "0.1",
            "curves": {"rising": curve, "falling": curve}, "static": None, "pascal": 0.001,
            "barometer": 0.1,
        },
        "points": [{
            "label": "=H", "value": "400", "direction": "rising", "action": "=A", "contact": "=B",
            "energised": "x", "dead_band": ["5", "40"], "dead_band_kind": "fixed",
            "repeatability": "3.0", "required": {"tolerance": "390 to 410", "as_left": "="},
            "ends": [0.0, 600.0], "resets": [360.0, 395.0],
            "limits": {"as-found": limits, "as-left": limits}, "targets": {},
        }],
        "people": [{"code": "=P", "name": "x", "able": True}],
        "checks": ["=Z"],
    }  # fmt: skip
    return made | changes


def written(*tags: str) -> Any:
    sheets = [
        ToPrint(rec.BenchSheet(f"B2026-{n:04d}", tag, 1, "P", 1, date(2026, 3, 2), content(tag)),
                "d" * 64)
        for n, tag in enumerate(tags, 1)
    ]  # fmt: skip
    made = workbook_bytes(sheets, [("=X", "+Y")])
    return openpyxl.load_workbook(io.BytesIO(made))


@dataclass(frozen=True)
class Opened:
    book: Any


@pytest.fixture(scope="module")
def opened() -> Opened:
    return Opened(written("=PS-1", "PS/2", "ps/2"))


def test_what_begins_like_a_formula_is_text(opened: Opened) -> None:
    """Names and notes come from people; only the live cells are formulas."""
    seen = 0
    for page in opened.book.worksheets:
        for row in page.iter_rows():
            for cell in row:
                value = cell.value
                if isinstance(value, str) and value[0] in "=+-@":
                    live = value.startswith(("=IF(", "=ROUND(", "=1*", "=EXP", "='"))
                    assert cell.data_type == ("f" if live else "s"), (cell.coordinate, value)
                    seen += not live
    assert seen > 20


def test_each_sheet_has_a_tab_of_its_own(opened: Opened) -> None:
    assert opened.book.sheetnames == ["Round", "=PS-1", "PS-2", "ps-2 (2)"]


def test_control_characters_are_left_out(opened: Opened) -> None:
    said = [c.value for row in opened.book["PS-2"].iter_rows() for c in row]
    assert "bell" in said


def test_only_cells_to_fill_in_are_unlocked(opened: Opened) -> None:
    page = opened.book["PS-2"]
    assert page.protection.sheet
    assert not page.protection.password
    for row in page.iter_rows(max_col=12):
        for cell in row:
            if type(cell).__name__ == "MergedCell":  # the reader forgets the fill of these
                continue
            yellow = cell.fill.fill_type == "solid" and cell.fill.start_color.rgb == "00FFF6CC"
            assert cell.protection.locked is not yellow, cell.coordinate


def test_figures_for_the_formulas_are_hidden_and_the_page_is_a4(opened: Opened) -> None:
    page = opened.book["PS-2"]
    assert page.column_dimensions["N"].hidden
    assert str(page.page_setup.paperSize) == page.PAPERSIZE_A4
    assert page.page_setup.fitToWidth == 1
    assert page.print_area.endswith(f"$L${page.print_area.rsplit('$', 1)[1]}")
    assert page.print_title_rows in ("1:2", "$1:$2")


def test_a_drop_down_offers_what_can_be_chosen(opened: Opened) -> None:
    page = opened.book["PS-2"]
    lists = [v for v in page.data_validations.dataValidation if v.type == "list"]
    offered = set()
    for one in lists:
        for row in page[one.formula1.replace("$", "")]:
            cells = row if isinstance(row, tuple) else (row,)
            offered |= {c.value for c in cells}
    assert {"yes", "no", "not needed", "tripped", "no trip", "no reset", "chatter"} <= offered
    assert "=P x" in offered
