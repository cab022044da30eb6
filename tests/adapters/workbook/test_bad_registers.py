"""Registers and bench sheets that are opened by a library: screened before, every cell judged."""

from __future__ import annotations

import re
import warnings
from collections.abc import Iterator
from datetime import date, datetime
from pathlib import Path
from typing import Any

import openpyxl
import pytest
from bad_bombs import HEAVY
from bad_files import DATE_STYLE, STYLES, Raw, pack, sheet_xml, xlsx, xlsx_parts
from bad_workbooks import Bad, lying_packages, parts, xml_tricks

from calfleet.adapters.workbook.grids import CONTROL
from calfleet.adapters.workbook.packages import Unreadable, screen
from calfleet.adapters.workbook.sheet_return import open_sheets
from calfleet.adapters.workbook.sitefiles import read_site
from calfleet.adapters.workbook.siterows import GAUGES, SET_POINTS, SWITCHES
from calfleet.adapters.workbook.sources import Columns, Workbook, letter
from calfleet.errors import DataProblems, Problem

SAMPLE = Path(__file__).resolve().parents[3] / "sample_site"
LIMITS = {"elements": 300_000, "places": 300_000}


# --- what the library is kept from ------------------------------------------------------------


def register(path: Path) -> list[Problem]:
    problems: list[Problem] = []
    Workbook(path, problems).table("Switches", Columns(["Tag"]))
    return problems


def bench(path: Path) -> list[Problem]:
    problems: list[Problem] = []
    assert open_sheets(path, problems) is None
    assert problems
    return problems


@pytest.mark.parametrize("read", [register, bench])
@pytest.mark.parametrize("family", [lying_packages, parts, xml_tricks], ids=lambda f: f.__name__)
def test_no_bad_file_gets_past_the_readers_by_a_library(
    read: Any, family: Any, tmp_path: Path
) -> None:
    bad: Bad
    for bad in family():
        path = tmp_path / bad.name
        path.write_bytes(bad.content)
        for problem in read(path):
            assert problem.where.startswith(bad.name)
            assert problem.message.endswith(".")
            assert problem.message.isprintable()
            assert len(problem.message) < 600
        assert path.read_bytes() == bad.content
        path.unlink()


def sheet(label: str, **how: Any) -> tuple[str, bytes]:
    return label, xlsx(replace={"xl/worksheets/sheet1.xml": sheet_xml([["Tag"]], **how)})


def traps() -> Iterator[tuple[str, bytes]]:
    """Small files that make the library work for hours, or until memory ends."""
    yield sheet("merged", after='<mergeCells><mergeCell ref="A1:XFD1048576"/></mergeCells>')
    yield sheet("links", after='<hyperlinks><hyperlink ref="A1:XFD1048576"/></hyperlinks>')
    areas = "".join(f'<mergeCell ref="A{n}:B{n}"/>' for n in range(1, 6000))
    yield sheet("many-areas", after=f"<mergeCells>{areas}</mergeCells>")
    for number in ("99999999", "9" * 30, " 99999999 ", "9_999_999_9"):
        yield sheet(f"row-{len(number)}", inside=f'<row r="{number}"><c><v>1</v></c></row>')
    rows = "".join(f'<row r="{n}"><c r="XFD{n}"><v>1</v></c></row>' for n in range(2, 300))
    yield sheet("wide", inside=rows)
    cells = "<row>" + "<c><v>1</v></c>" * 1000 + "</row>"
    yield sheet("cells", inside=cells * 301)
    yield sheet("elements", after="<x/>" * 301_000)
    style = STYLES.replace(b"0.000", b"[" * 100_000, 1)
    yield "format", xlsx(replace={"xl/styles.xml": style})


@pytest.mark.parametrize(
    ("label", "content"), list(traps()), ids=lambda x: x if len(x) < 20 else ""
)
def test_traps_are_seen_before_a_library_opens_the_file(
    label: str, content: bytes, tmp_path: Path
) -> None:
    path = tmp_path / f"{label}.xlsx"
    path.write_bytes(content)
    with pytest.raises(Unreadable) as caught:
        screen(path, **LIMITS)
    assert caught.value.message.endswith(".")
    assert caught.value.hint
    if label not in ("cells", "elements", "wide"):  # above the limits of this test, below the real
        said = re.sub(r"[\d,]+", "#", caught.value.message)
        for problems in (register(path), bench(path)):
            assert said in {re.sub(r"[\d,]+", "#", problem.message) for problem in problems}


@pytest.mark.parametrize("name", ["bomb-4-gib.xlsx", "bomb-overlap.xlsx", "attribute.xlsx",
                                  "directory-huge.xlsx", "one-sheet-200-times.xlsx"])  # fmt: skip
def test_bombs_do_not_reach_a_library(name: str, tmp_path: Path) -> None:
    path = tmp_path / name
    path.write_bytes(HEAVY[name][1]())
    for problems in (register(path), bench(path)):
        assert problems
        assert all(problem.message.endswith(".") for problem in problems)


def test_sound_workbooks_pass() -> None:
    screen(SAMPLE / "switches.xlsx", **LIMITS)
    screen(SAMPLE / "gauges.xlsx", **LIMITS)


# --- wrong types in every column --------------------------------------------------------------

Plain = list[list[object]]
FILES: dict[str, tuple[str, ...]] = {
    "switches.xlsx": ("Switches", "Set points"), "gauges.xlsx": ("Gauges",)
}  # fmt: skip
COLUMNS = {"Switches": SWITCHES, "Set points": SET_POINTS, "Gauges": GAUGES}
WRONG: tuple[tuple[str, object], ...] = (
    ("error", Raw('<c r="{at}" t="e"><v>#REF!</v></c>')),
    ("formula", Raw('<c r="{at}"><f>A1</f></c>')),
    ("words", "wrong \u00a0 words"),
    ("truth", True),
    ("huge", Raw('<c r="{at}"><v>-1e300</v></c>')),
    ("day", Raw(f'<c r="{{at}}" s="{DATE_STYLE}"><v>45000</v></c>')),
    ("day-beyond", Raw(f'<c r="{{at}}" s="{DATE_STYLE}"><v>99999999</v></c>')),
    ("inject", "=cmd|' /C calc'!A0"),
    ("list", "1; 2, 3 | 4"),
    ("long", "x" * 10_000),
    ("invisible", "\u200b\u2060\u202e"),
    ("unit", "2.5 bananas"),
)
"""A wrong value for each row of the register, the first always a problem at its very cell."""


@pytest.fixture(scope="module")
def plain() -> dict[str, dict[str, Plain]]:
    """The first rows of the sample registers, as values that the tests' own writer writes."""
    found: dict[str, dict[str, Plain]] = {}
    for file, titles in FILES.items():
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            book = openpyxl.load_workbook(SAMPLE / file)
        found[file] = {
            title: [
                [_own(cell.value) for cell in row]
                for row in book[title].iter_rows(max_row=len(WRONG) + 1)
            ]
            for title in titles
        }
    return found


def _own(value: object) -> object:
    if isinstance(value, datetime | date):
        day = value.date() if isinstance(value, datetime) else value
        return Raw(f'<c r="{{at}}" s="{DATE_STYLE}"><v>{(day - date(1899, 12, 30)).days}</v></c>')
    return value


def problems_of(folder: Path, file: str, sheets: dict[str, Plain]) -> list[Problem]:
    """The problems of one register; those of the files that are not there are left out."""
    (folder / file).write_bytes(pack(xlsx_parts(list(sheets.items()))))
    with pytest.raises(DataProblems) as caught:
        read_site(folder)
    for problem in caught.value.problems:
        assert problem.message.endswith((".", "?")), problem
        assert CONTROL.search(problem.where + problem.message + problem.hint) is None, problem
        assert len(str(problem)) < 700, problem
    return [each for each in caught.value.problems if each.where.startswith(file)]


def columns_of() -> Iterator[tuple[str, str, str]]:
    for file, titles in FILES.items():
        for title in titles:
            for name in COLUMNS[title].all:
                yield file, title, name


@pytest.mark.parametrize(("file", "title", "name"), list(columns_of()), ids=str)
def test_a_wrong_value_is_named_by_its_cell(
    file: str, title: str, name: str, plain: dict[str, dict[str, Plain]], tmp_path: Path
) -> None:
    rows = [list(row) for row in plain[file][title]]
    if name not in rows[0]:
        pytest.skip("the sample has no such column")
    column = rows[0].index(name)
    usual = [isinstance(row[column], int | float) for row in rows[1:]]
    for row, (_, value) in zip(rows[1:], WRONG, strict=False):
        row[column] = value
    problems = problems_of(tmp_path, file, plain[file] | {title: rows})
    named = {problem.where for problem in problems}
    cells = [f"{file}, {title}!{letter(column)}{n}" for n in range(2, len(rows) + 1)]
    assert named >= set(cells[:2]), "an error and a formula without a result"
    # where a number is wanted: neither words, nor true, nor a day, nor what looks like a formula
    wanted = {"words", "truth", "day", "day-beyond", "inject", "list", "long", "unit"}
    for cell, number, (label, _) in zip(cells, usual, WRONG, strict=False):
        assert not number or label not in wanted or cell in named, label
    if name in ("Effective on",):
        assert cells[2] in named


@pytest.mark.parametrize(("label", "value"), WRONG, ids=[label for label, _ in WRONG])
def test_the_same_wrong_value_in_every_cell(
    label: str, value: object, plain: dict[str, dict[str, Plain]], tmp_path: Path
) -> None:
    for file, sheets in plain.items():
        filled: dict[str, Plain] = {
            title: [rows[0], *([value] * len(rows[0]) for _ in rows[1:])]
            for title, rows in sheets.items()
        }
        problems = problems_of(tmp_path, file, filled)
        assert problems, label
        assert len({problem.where for problem in problems}) > 3


def test_headers_that_are_none_are_refused_in_one_word_each(
    plain: dict[str, dict[str, Plain]], tmp_path: Path
) -> None:
    for header in (
        ["x" * 10_000] * 20, [None] * 20, [True] * 20, ["Tag"] * 20, ["T\u0301" * 5000] * 20,
        [f"Column {n}" for n in range(2000)],
    ):  # fmt: skip
        sheets = plain["switches.xlsx"] | {"Switches": [list(header), ["PSL-1101"] * 20]}
        assert problems_of(tmp_path, "switches.xlsx", sheets)
