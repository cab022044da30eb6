"""What cells show by their number formats, in every kind of workbook that has them."""

from __future__ import annotations

import shutil
import subprocess
from datetime import date, datetime
from decimal import Decimal
from pathlib import Path
from typing import Any

import openpyxl
import pytest
from moving_books import REGISTER_CONSTANTS, opened, read, said, site, xlsx

from calfleet.adapters.workbook.grid_formats import around_text, by_format, code_shown
from calfleet.adapters.workbook.grids import Book, Broken, Shown
from calfleet.adapters.workbook.loose import Misread
from calfleet.adapters.workbook.moving_cells import Tolerance, Value, understood
from calfleet.adapters.workbook.moving_map import ColumnUse, Sort
from calfleet.adapters.workbook.sheet_ods import _Content

SOFFICE = shutil.which("soffice")
NEEDS_OFFICE = pytest.mark.skipif(SOFFICE is None, reason="NEEDS LibreOffice")
KINDS = ["xlsx", *(pytest.param(kind, marks=NEEDS_OFFICE) for kind in ("ods", "xls"))]
HEADER = ["Tag No.", "Service", "Range", "S/P", "Tol.", "Acting", "Ser. No.", "Area"]
FORMATS = [
    '"PSH-"000', "00000", r'000\-000"/B"', 'General" x"', '"G"0', '000" A"', '"PSL-"General',
    '"PSH-"0.0', "#,##0", "0.00", '_-* #,##0_-;-* #,##0_-;_-* "-"_-;_-@_-', '[>100]"A"0;"B"0',
    '"T-"###', '"N"# ##0', '[Red]"P-"00', "[$€-407] 0", "0.00E+00", "# ?/?", '"X-"0;"Y-"0',
    '"X-"0;"Y-"0;"nil"', "000 000", "0",
]  # fmt: skip
NUMBERS = [101, 7, 101202, 0, -5, 101.4]


def converted(path: Path, kind: str) -> Path:
    if kind == "xlsx":
        return path
    subprocess.run(
        [
            str(SOFFICE), "--headless", f"-env:UserInstallation={(path.parent / 'lo').as_uri()}",
            "--convert-to", kind, "--outdir", str(path.parent), str(path),
        ],
        check=True, capture_output=True, timeout=180,
    )  # fmt: skip
    return path.with_suffix(f".{kind}")


def formatted(cells: dict[str, str]) -> Any:
    def finish(book: Any) -> None:
        for cell, code in cells.items():
            book["PS"][cell].number_format = code

    return finish


@NEEDS_OFFICE
def test_codes_are_worked_out_as_an_office_program_shows_them(tmp_path: Path) -> None:
    """An .ods file stores the text that each cell shows: LibreOffice made it from the format."""
    book = openpyxl.Workbook()
    page = book.worksheets[0]
    for row, code in enumerate(FORMATS, 1):
        for column, number in enumerate(NUMBERS, 1):
            page.cell(row, column, number).number_format = code
    book.save(tmp_path / "formats.xlsx")
    path = tmp_path / "formats.xlsx"
    stored = opened(converted(path, "ods")).grids[0]
    old = opened(converted(path, "xls")).grids[0]
    ours = opened(path).grids[0]
    compared = 0
    for row, code in enumerate(FORMATS):
        for column, number in enumerate(NUMBERS):
            found, other = ours.cell(row, column), stored.cell(row, column)
            where = (code, number, found, other)
            assert found == old.cell(row, column), where
            if isinstance(found, Shown) and found.unclear is None:
                assert str(found) == str(other), where
                assert isinstance(other, Shown), where
                assert found.number == other.number == Decimal(str(number)), where
                compared += 1
            elif isinstance(found, Shown):
                assert number < 0 or number != int(number) or code in FORMATS[7:12], where
    assert compared >= 50


@pytest.mark.parametrize(
    ("code", "number", "shown"),
    [
        ("General", "101", None), ("0", "101", None), ("0.00", "101", None), ("@", "101", None),
        ("00000", "101202", None), ('"P"0;"N"0;"none"', "0", "none"),
        ('# "of" ##', "1234", "12 of 34"), (r"\P\S0", "4", "PS4"), ('0"-"00', "5", "0-05"),
    ],
)  # fmt: skip
def test_code_shown(code: str, number: str, shown: str | None) -> None:
    assert code_shown(Decimal(number), code) == shown


@pytest.mark.parametrize(
    ("code", "number"),
    [
        ('"PSH-"000', "1.5"), ('"PSH-"000', "-1"), ('"PSH-"0.0', "1"), ('"PSH-"@', "1"),
        ('[<100]"A"0;"B"0', "1"), ("[h]:mm", "1"), ("h:mm", "1"), (";;;", "1"),
        ('"A"0,', "1000"),
    ],
)  # fmt: skip
def test_what_cannot_be_worked_out_says_so(code: str, number: str) -> None:
    found = code_shown(Decimal(number), code)
    assert isinstance(found, Broken)
    assert repr(code) in found.message
    assert found.hint == "Enter the text itself in the cell."


def test_text_around_text() -> None:
    assert around_text('"PSH-"@"/1"') == ("PSH-", "/1")
    assert around_text("@") is around_text("General") is around_text("0.00") is None


@pytest.mark.parametrize("kind", KINDS)
def test_a_format_that_puts_text_around_a_text(tmp_path: Path, kind: str) -> None:
    path = xlsx(tmp_path / "t.xlsx", {"PS": [["101A", "102A"]]}, formatted({"A1": '"PSH-"@'}))
    grid = opened(converted(path, kind)).grids[0]
    assert grid.rows[0] == ["PSH-101A", "102A"]


@pytest.mark.parametrize("kind", KINDS)
def test_a_register_whose_tags_are_made_by_formats(tmp_path: Path, kind: str) -> None:
    """A tolerance of 2 % is a number 0.02, a tag PSH-101 is a number 101, in every workbook."""
    rows = [
        HEADER,
        [101, "Feed high", "0-10 bar", 6.5, 0.02, "rising", 4711, "BIO"],
        [7, "Feed higher", "0-10 bar", 7.5, 0.05, "rising", "S2", "BIO"],
    ]
    cells = {
        "A2": '"PSH-"000', "A3": '"PSH-"000', "D2": '0.0" bar"', "D3": '0.0" bar"', "E2": "0%",
        "E3": "0.0%", "G2": "0000000",
    }  # fmt: skip
    path = converted(xlsx(tmp_path / "register.xlsx", {"PS": rows}, formatted(cells)), kind)
    constants = REGISTER_CONSTANTS | {"Tolerance basis": "% of span"}
    incoming = read([opened(path)], site(), **constants)
    assert incoming.problems == (), said(incoming.problems)
    by_tag = {s.tag: s for s in incoming.given.switches}
    first = by_tag["PSH-101"]
    assert (first.serial, first.set_points[0].value) == ("0004711", Decimal("6.5"))
    assert [s.set_points[0].tolerance_plus for s in (first, by_tag["PSH-007"])] == [2, 5]


@pytest.mark.parametrize("kind", [KINDS[0], KINDS[2]])  # .ods stores the text that is shown
def test_a_tag_that_cannot_be_worked_out_is_a_problem_at_its_cell(
    tmp_path: Path, kind: str
) -> None:
    rows = [
        HEADER,
        ["PSH-9001", "Feed high", "0-10 bar", "6.5 bar", "0.2 bar", "rising", "S1", "BIO"],
        [102, "Feed low", "0-10 bar", "6.5 bar", "0.2 bar", "rising", "S2", "BIO"],
    ]
    code = '[>100]"PSH-"000;"PSL-"000'
    path = converted(xlsx(tmp_path / "r.xlsx", {"PS": rows}, formatted({"A3": code})), kind)
    incoming = read([opened(path)], site(), **REGISTER_CONSTANTS)
    assert [s.tag for s in incoming.given.switches] == ["PSH-9001"]
    assert incoming.problems[0].where == f"{path.name}, PS!A3", said(incoming.problems)
    assert "cannot be worked out" in incoming.problems[0].message


@NEEDS_OFFICE
def test_an_old_workbook_tells_digits_days_and_what_is_hidden(tmp_path: Path) -> None:
    def finish(book: Any) -> None:
        page = book["PS"]
        page.row_dimensions[2].hidden = True
        page.column_dimensions["C"].hidden = True
        page.merge_cells("A4:B4")
        book.create_sheet("Old").sheet_state = "hidden"

    rows = [["Tag", "Value", "Day"], ["A", 2.5, date(2025, 3, 14)], ["B", 0.25, None], ["C"]]
    rows[2][1] = Decimal("0.250")
    path = converted(xlsx(tmp_path / "old.xlsx", {"PS": rows}, finish), "xls")
    book = opened(path)
    grid = book.grids[0]
    assert (grid.cell(1, 2), str(grid.cell(2, 1))) == (date(2025, 3, 14), "0.250")
    assert (grid.hidden_rows, grid.hidden_columns) == ({1}, {2})
    assert grid.merged == [(3, 0, 3, 1)]
    assert [each.hidden for each in book.grids] == [False, True]


HELD_AND_SHOWN = [
    (1500000, '0.0,," MPa"'), (1500, "#,##0.0,"), (5, '"-"0.0" bar"'), (5, r"\-0.0"),
    (25, r'0\.0" bar"'), (-5, '0.0" bar";0.0" mbar"'), (250, '[>=1000]0.0," bar";0" mbar"'),
    (5, "(0.0)"), (-5, "0.0;0.0"),
]  # fmt: skip


@pytest.mark.parametrize("kind", KINDS)
def test_another_number_shown_than_held_is_a_problem_at_its_cell(tmp_path: Path, kind: str) -> None:
    rows = [HEADER] + [
        [f"PSH-90{n:02}", "Feed high", "0-10 bar", number, "0.2 bar", "rising", f"S{n}", "BIO"]
        for n, (number, _) in enumerate(HELD_AND_SHOWN)
    ]
    cells = {f"D{n}": code for n, (_, code) in enumerate(HELD_AND_SHOWN, 2)}
    path = converted(xlsx(tmp_path / "r.xlsx", {"PS": rows}, formatted(cells)), kind)
    incoming = read([opened(path)], site(), **REGISTER_CONSTANTS)
    told = {p.where.rpartition("!")[2]: p for p in incoming.problems if "but it" in p.message}
    wanted = dict(cells)
    if kind == "ods":  # '250 mbar' is the text there: nothing is left to guess
        del wanted["D8"]
    assert set(told) == set(wanted), said(incoming.problems)
    assert all(p.hint.startswith("Enter the number that is meant") for p in told.values())


@pytest.mark.parametrize(
    ("code", "number", "measured"),
    [
        ("0.00", 5, "5.00"), ("#,##0.0", 1234, "1234.0"), ('0.0" bar"', 5, "5.0 bar"),
        ('0.000" kPa"', 251, "251.000 kPa"), ("0.0%", 0.02, "2.0 %"), ("[Red]0.0", 5, "5.0"),
        ("0.0;[Red]0.0", -5, "-5.0"), ("0.0_);(0.0)", -5, "-5.0"), ("+0.0;-0.0", -5, "-5.0"),
        ('0.0" bar";[Red]-0.0" bar"', -5, "-5.0 bar"), ("#", 0, "0"),
        ('_(* #,##0_);_(* (#,##0);_(* "-"??_);_(@_)', 0, "0"), ('0.0" %"', 0.5, "0.5 %"),
        ('0.0%" of reading"', 0.005, "0.5 % of reading"), ("#,##0.00", 0, "0.00"),
    ],
)  # fmt: skip
def test_an_ordinary_format_stays_readable(code: str, number: float, measured: str) -> None:
    found = by_format(Decimal(str(number)), code, epoch_1904=False)
    if isinstance(found, Shown):
        assert found.differs is None
        found = found.measured
    assert str(found) == measured


def test_a_zero_that_its_format_hides_is_a_zero() -> None:
    use = ColumnUse("A", "Set point", field="Set point", unit="bar")
    for code in ("#", '0;-0;"-"??', "0;-0;"):
        found = by_format(Decimal(0), code, epoch_1904=False)
        value = understood(found, Sort.VALUE, use, epoch_1904=False)
        assert value == Value(Decimal(0), "bar"), code


def test_words_of_a_format_count_in_every_field_of_numbers() -> None:
    use = ColumnUse("A", "Head", field="head_height_m")
    found = by_format(Decimal(250), '0" mm"', epoch_1904=False)
    assert understood(found, Sort.NUMBER, use, epoch_1904=False) == Decimal("0.25")


def test_per_cent_of_something_else_than_the_mapping_says_is_a_problem() -> None:
    use = ColumnUse("A", "Tol.", field="Tolerance", unit="% of span")
    found = by_format(Decimal("0.005"), '0.0%" of reading"', epoch_1904=False)
    with pytest.raises(Misread, match=r"'0\.5 % of reading', and the mapping says '% of span'"):
        understood(found, Sort.BAND, use, epoch_1904=False)
    found = by_format(Decimal("0.005"), '0.0%" of span"', epoch_1904=False)
    value = understood(found, Sort.BAND, use, epoch_1904=False)
    assert value == Tolerance(Decimal("0.5"), Decimal("0.5"), "% of span")


@NEEDS_OFFICE
def test_an_open_document_keeps_three_decimals_and_tells_thousands(tmp_path: Path) -> None:
    rows = [[251, 2, 2000, 1500.5, 0, 251]]
    codes = ["0.000", "0.000", "#,##0", "#,##0.000", "0.000", '0.000" kPa"']
    cells = {f"{'ABCDEF'[n]}1": code for n, code in enumerate(codes)}
    path = converted(xlsx(tmp_path / "t.xlsx", {"PS": rows}, formatted(cells)), "ods")
    wanted = ["251.000", "2.000", "2000", "1500.500", "0.000", "251.000 kPa"]
    assert [str(each) for each in opened(path).grids[0].rows[0]] == wanted


def test_built_in_times_of_day_are_no_measured_numbers(tmp_path: Path) -> None:
    path = xlsx(tmp_path / "t.xlsx", {"PS": [[0.5, 0.5]]}, formatted({"A1": "h:mm", "B1": "mm:ss"}))
    for found in opened(path).grids[0].rows[0]:
        assert isinstance(found, Shown)
        assert found.differs is not None


def test_a_date_of_a_bench_sheet_keeps_its_time_of_day() -> None:
    """An .ods tells the time of day with the date; one that is dropped could not be refused."""
    content = _Content(Book(Path("t.ods"), "ods"), [])
    for value, wanted in (
        ("2026-11-25T14:30:00", datetime(2026, 11, 25, 14, 30)),  # noqa: DTZ001
        ("2026-11-25", date(2026, 11, 25)),
    ):
        given = {"office:value-type": "date", "office:date-value": value}
        assert content.value(given) == wanted
