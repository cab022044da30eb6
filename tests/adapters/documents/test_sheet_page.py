"""Bench sheets to print: two pages each, with the targets, and a code that a scanner reads."""

from __future__ import annotations

import shutil
import subprocess
from datetime import date
from pathlib import Path
from typing import Any

import pytest

from calfleet import records as rec
from calfleet.adapters.documents.sheet_page import sheet_pages

DAY = date(2026, 3, 2)
needs_poppler = pytest.mark.skipif(
    shutil.which("pdftotext") is None, reason="poppler is missing: sh .setup/office installs it"
)


def content(**changes: Any) -> dict[str, Any]:
    """What a sheet says, with every part that can be there."""
    point = {
        "label": "H", "value": "60.0", "direction": "rising", "action": "trip #1 $x",
        "contact": "change-over", "energised": "opens on trip", "dead_band": [None, "9.0"],
        "dead_band_kind": "fixed", "repeatability": "0.30",
        "required": {"tolerance": "58.2 to 61.35", "as_left": "open to 60.5"},
        "ends": [0.0, 100.0], "resets": [51.0, None], "limits": {},
        "targets": {
            "static": "800.0", "start": "800.0", "set_point": "860.0", "lower": "858.2",
            "upper": "861.3", "as_left_lower": None, "as_left_upper": "860.5", "reset_low": "851.0",
            "reset_high": None, "exercise_bottom": "800.0", "exercise_top": "900.0",
        },
    }  # fmt: skip
    gauge = {
        "role": "operating", "code": "G-1", "description": "Digital gauge", "serial": "SN 7",
        "certificate": "IN-1", "calibrated_on": "2025-06-02", "valid_until": "2026-06-02",
        "unit": "kPa", "symbol": "kPa", "range": ["0", "1600"], "resolution": "0.1",
        "reads": "gauge", "corrected": True,
    }  # fmt: skip
    made: dict[str, Any] = {
        "form": "1",
        "site": {"code": "LW", "name": "Little Works", "identity": "0" * 64},
        "handed_out": {"on": "2026-03-02", "by": "P1", "name": "Isolde Rushbrook"},
        "for_on": "2026-03-03",
        "due": {"on": "2026-03-31", "why": "Due."},
        "switch": {
            "tag": "PDS-<1>", "revision": 2, "serial": "S-1", "service": "strainer, ΔP",
            "area": "N", "area_name": "North", "family": "DX", "quantity": "differential pressure",
            "unit": "kPa", "symbol": "kPa", "range": ["10", "100.0"], "static": "8.00 bar",
            "proof": "40.0 bar", "medium": "water", "hazards": ["trip", "oxygen"],
            "criticality": "safety", "minutes": 45,
        },
        "procedure": {
            "code": "DP", "revision": 1, "title": "Differential pressure",
            "steps": ["Isolate.", "Read."], "as_found_runs": 3, "as_left_runs": 2,
            "exercise_cycles": 3, "temperature": ["15", "28"], "humidity_max": "75",
        },
        "cautions": [["Isolate", "Prove zero."], ["Oxygen-clean", "No oil."]],
        "deference": "The site's rules govern.",
        "gauges": [gauge, {**gauge, "role": "static", "code": "G-2"}],
        "static": {"gauge": "G-2", "unit": "kPa", "symbol": "kPa", "nominal": "800.0",
                   "value": 800.0, "given": None},
        "barometer": "hPa",
        "head": True,
        "figures": {},
        "points": [point, {**point, "label": "HH"}],
        "people": [],
        "checks": ["Valves lined up", "Joints tested"],
    }  # fmt: skip
    return made | changes


def sheet(number: str, **changes: Any) -> rec.BenchSheet:
    return rec.BenchSheet(number, "PDS-<1>", 2, "DP", 1, DAY, content(**changes))


def text_of(pdf: bytes, folder: Path) -> list[str]:
    """The text of each page."""
    path = folder / "sheet.pdf"
    path.write_bytes(pdf)
    done = subprocess.run(
        ["pdftotext", "-layout", str(path), "-"], capture_output=True, text=True, check=True
    )
    return done.stdout.rstrip("\f").split("\f")


def test_same_sheets_same_bytes() -> None:
    assert sheet_pages([sheet("B2026-0001")], on=DAY) == sheet_pages([sheet("B2026-0001")], on=DAY)


@needs_poppler
def test_each_sheet_has_two_pages_with_all_there_is_to_know(tmp_path: Path) -> None:
    bare = sheet("B2026-0002", static=None, barometer=None, head=False)
    pages = text_of(sheet_pages([sheet("B2026-0001"), bare], on=DAY), tmp_path)
    assert len(pages) == 4
    first, second = pages[0], pages[1]
    for part in ("PDS-<1>", "strainer, ΔP", "B2026-0001", "Oxygen-clean", "DP rev 1", "IN-1",
                 "2026-06-02", "860.0", "858.2 to 861.3", "open to 860.5", "851.0 to open",
                 "800.0 to 900.0", "static pressure of 800.0 kPa on G-2", "air at 1013.25 hPa",
                 "The site's rules govern."):  # fmt: skip
        assert part in first, part
    for part in ("As found", "As left", "trip #1 $x", "Contact checks", "Return to service",
                 "Joints tested", "Verified by a second person", "Static on G-2, kPa",
                 "Pressure of the air, hPa", "Gauge above switch, m"):  # fmt: skip
        assert part in second, part
    assert "static pressure of" not in pages[2]
    assert "Pressure of the air" not in pages[3]
    assert all(page.rstrip().endswith(f"page {1 + n % 2}") for n, page in enumerate(pages))


@needs_poppler
def test_a_scanner_reads_the_number(tmp_path: Path) -> None:
    zxingcpp = pytest.importorskip("zxingcpp", reason="zxing-cpp is missing: it comes with [test]")
    import numpy

    path = tmp_path / "sheet.pdf"
    path.write_bytes(sheet_pages([sheet("B2026-0042")], on=DAY))
    subprocess.run(
        ["pdftoppm", "-gray", "-r", "150", "-f", "1", "-l", "1", "-singlefile", str(path),
         str(tmp_path / "page")],
        check=True, capture_output=True,
    )  # fmt: skip
    head, size, _, pixels = (tmp_path / "page.pgm").read_bytes().split(b"\n", 3)
    assert head == b"P5"
    wide, high = (int(n) for n in size.split())
    picture = numpy.frombuffer(pixels, dtype=numpy.uint8).reshape(high, wide)
    assert [found.text for found in zxingcpp.read_barcodes(picture)] == ["B2026-0042"]
