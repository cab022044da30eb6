"""Tidy workbooks: read back by another library, by LibreOffice, and with what a cell could hide."""

from __future__ import annotations

import csv
import io
import shutil
import subprocess
import zipfile
from datetime import UTC, date, datetime, timedelta, timezone
from decimal import Decimal
from pathlib import Path
from typing import Any

import openpyxl
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from calfleet.adapters.documents.tidy_workbook import (
    MOST_CHARACTERS,
    YES_NO,
    Figure,
    Origin,
    Sheet,
    SheetColumn,
    workbook_bytes,
    write_workbook,
)
from calfleet.errors import RecordRefused
from calfleet.records import Criticality

ORIGIN = Origin(
    "Works & Sons (W)", date(2026, 11, 25), datetime(2026, 11, 25, 8, 30, tzinfo=UTC), "calfleet 1"
)
RUNS = ["=1+1", "+1", "-1", "@SUM(A1)", "\t=1", "\r=1", "=cmd|' /C calc'!A0", "-", "=", "'=1"]


def one(values: list[Any], **how: Any) -> Sheet:
    return Sheet("T", [SheetColumn("Value", **how)], [[value] for value in values])


def opened(data: bytes) -> Any:
    return openpyxl.load_workbook(io.BytesIO(data))


def cells(*values: Any, **how: Any) -> list[Any]:
    page = opened(workbook_bytes([one(list(values), **how)], ORIGIN)).worksheets[0]
    return [row[0] for row in page.iter_rows(min_row=2)]


@pytest.mark.parametrize(
    ("value", "kept", "form"),
    [
        (Decimal("100.00"), 100, "0.00"),
        (Decimal("-3"), -3, "0"),
        (Decimal("1E+2"), 100, "0"),
        (Decimal("0.0000000000000001"), 1e-16, "0.000000000000000"),
        (Decimal("1.2345678901234567"), "1.2345678901234567", "General"),  # digits a double lacks
        (Decimal("NaN"), "NaN", "General"),
        (7, 7, "0"),
        (10**15, "1000000000000000", "General"),
        (Figure(6.3449, 1), 6.3449, "0.0"),
        (Figure(0.95, 0, percent=True), 0.95, "0%"),
        (Figure(float("nan"), 1), "nan", "General"),
        (0.1, 0.1, "General"),
        (float("inf"), "inf", "General"),
        (True, True, YES_NO),
        (False, False, YES_NO),
        (date(2026, 2, 28), datetime(2026, 2, 28), "yyyy-mm-dd"),  # noqa: DTZ001 - as it is read
        (date(1899, 12, 31), "1899-12-31", "General"),
        (
            datetime(2026, 1, 1, 1, 30, tzinfo=timezone(timedelta(hours=2))),
            datetime(2025, 12, 31, 23, 30),  # noqa: DTZ001 - UTC, as it is read
            "yyyy-mm-dd hh:mm",
        ),
        (Criticality.SAFETY, "safety", "General"),
        ("plain", "plain", "General"),
        (None, None, "General"),
        ("", None, "General"),
    ],
)
def test_a_value_is_of_its_kind(value: Any, kept: Any, form: str) -> None:
    cell = cells(value, "last")[0]
    assert cell.value == kept
    assert type(cell.value) is type(kept) or isinstance(kept, int | float)
    assert cell.number_format == form


@pytest.mark.parametrize("text", RUNS)
def test_what_a_program_would_run_is_text(text: str) -> None:
    (cell,) = cells(text)
    assert cell.data_type == "s"
    assert cell.value.replace("\r", "\n") == text.replace("\r", "\n")  # XML has one line end
    assert cell.quotePrefix is (text[0] in "=+-@\t\r")


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.lists(st.text(max_size=20) | st.sampled_from(RUNS), min_size=1, max_size=20))
def test_no_text_ever_becomes_a_formula(texts: list[str]) -> None:
    data = workbook_bytes([Sheet(texts[0], [SheetColumn(texts[0])], [[t] for t in texts])], ORIGIN)
    with zipfile.ZipFile(io.BytesIO(data)) as archive:
        for name in archive.namelist():
            if name.startswith("xl/worksheets/"):
                assert b"<f>" not in archive.read(name)
                assert b"<f " not in archive.read(name)
    page = opened(data).worksheets[0]
    assert all(cell.data_type != "f" for row in page.iter_rows() for cell in row)


def test_characters_no_workbook_holds_are_shown_by_a_sign() -> None:
    bell, lone = cells("a\x07b", "c\ud800d")
    assert bell.value == "a\u2407b"
    assert lone.value == "c\ufffdd"


def test_a_text_too_long_is_cut_and_told() -> None:
    data = workbook_bytes([one(["x" * 40_000, "short"])], ORIGIN)
    book = opened(data)
    cut = book.worksheets[0]["A2"].value
    assert len(cut) == MOST_CHARACTERS
    assert cut.endswith("…")
    about = {row[0].value: row[1].value for row in book["About"].iter_rows()}
    assert about["Cut"].startswith("1 texts were longer")


def test_the_sheet_is_set_up_to_sort_filter_and_print() -> None:
    columns = [SheetColumn("Tag"), SheetColumn("Error", "kPa"), SheetColumn("Why")]
    rows = [["A-1", Decimal("0.5"), "because"], ["A-2", None, "x" * 400]]
    sheet = Sheet("List", columns, rows, heading="What & why", notes=["A note."])
    book = opened(workbook_bytes([sheet], ORIGIN))
    assert book.sheetnames == ["List", "About"]
    page = book["List"]
    assert [cell.value for cell in page[1]] == ["Tag", "Error (kPa)", "Why"]
    assert page.freeze_panes == "B2"
    assert page.auto_filter.ref == "A1:C3"
    assert page.print_title_rows == "$1:$1"
    assert page.page_setup.orientation == "landscape"
    assert (page.page_setup.fitToWidth, page.page_setup.fitToHeight) == (1, 0)
    assert page.sheet_properties.pageSetUpPr.fitToPage
    assert page.HeaderFooter.oddHeader.left.text == "What && why"
    assert page.HeaderFooter.oddHeader.right.text == "Works && Sons (W), as of 2026-11-25"
    assert page.HeaderFooter.oddFooter.right.text == "Page &P of &N"
    assert page.row_dimensions[3].height > page.row_dimensions[1].height  # folded text is seen
    about = [[c.value for c in row] for row in book["About"].iter_rows()]
    assert ["Site", "Works & Sons (W)"] in about
    assert ["List", "What & why: 2 rows."] in about
    assert any(row[1] == "A note." for row in about)
    assert book.properties.created == datetime(2026, 11, 25, 8, 30)  # noqa: DTZ001 - as it is read


def test_a_wide_table_goes_over_several_pages_with_its_first_columns() -> None:
    columns = [SheetColumn(f"Column {n}", width=40) for n in range(20)]
    book = opened(workbook_bytes([Sheet("Wide", columns, [], frozen=2)], ORIGIN))
    page = book["Wide"]
    assert page.page_setup.fitToWidth == 4  # 800 characters at 210 for a page
    assert page.print_title_cols == "$A:$B"
    assert page.freeze_panes == "C2"


def test_names_of_tabs_are_allowed_and_their_own() -> None:
    wanted = ["a/b", "A:B", "x" * 50, "x" * 50, "History", "About", "", "'q'"]
    book = opened(workbook_bytes([Sheet(w, [SheetColumn("C")], []) for w in wanted], ORIGIN))
    assert book.sheetnames == [
        "a-b", "A-B 2", "x" * 31, "x" * 29 + " 2", "History 2", "About 2", "Sheet", "q", "About",
    ]  # fmt: skip


def test_a_file_is_never_overwritten(tmp_path: Path) -> None:
    path = tmp_path / "w.xlsx"
    write_workbook(path, [one([1])], ORIGIN)
    before = path.read_bytes()
    with pytest.raises(RecordRefused, match="exists already"):
        write_workbook(path, [one([2])], ORIGIN)
    assert path.read_bytes() == before


def test_more_rows_than_a_sheet_holds(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("calfleet.adapters.documents.tidy_workbook.MOST_ROWS", 3)
    workbook_bytes([one([1, 2])], ORIGIN)
    with pytest.raises(RecordRefused, match="3 rows"):
        workbook_bytes([one([1, 2, 3])], ORIGIN)


@pytest.mark.skipif(shutil.which("soffice") is None, reason="NEEDS LibreOffice to open it")
def test_another_program_opens_it_and_sees_the_same(tmp_path: Path) -> None:
    """LibreOffice writes it as CSV: the text that starts with = is there, and nothing was run."""
    values: list[Any] = [
        "=1+1", "+1", "-x", "@SUM(A1)", Decimal("100.00"), date(2026, 2, 28), -0.5, True,
    ]  # fmt: skip
    write_workbook(tmp_path / "w.xlsx", [one(values)], ORIGIN)
    subprocess.run(
        ["soffice", "--headless", f"-env:UserInstallation={(tmp_path / 'lo').as_uri()}",
         "--convert-to", "csv:Text - txt - csv (StarCalc):44,34,76,1,,0,false,true",
         "--outdir", str(tmp_path), str(tmp_path / "w.xlsx")],
        check=True, capture_output=True, timeout=120,
    )  # fmt: skip
    with (tmp_path / "w.csv").open(encoding="utf-8", newline="") as file:
        shown = [row[0] for row in csv.reader(file)]
    assert shown == [
        "Value", "=1+1", "+1", "-x", "@SUM(A1)", "100.00", "2026-02-28", "-0.5", "TRUE",
    ]  # fmt: skip
