"""--workbook: the same rows as CSV has, as a workbook of real numbers and dates."""

from __future__ import annotations

import csv
import io
import re
import shutil
from collections.abc import Iterator
from datetime import datetime
from decimal import Decimal
from pathlib import Path
from typing import Any

import openpyxl
import pytest
from typer.main import get_command

from calfleet.adapters.cli.commands import app
from calfleet.adapters.cli.render import Column, csv_text
from calfleet.adapters.cli.workbooks import places_of, sheet
from tests.cli.conftest import READINGS, Shop

LISTINGS = [
    ("due", "--month", "2027-01"), ("forecast",), ("gauges",), ("gauges", "--for", "PDSL-4104"),
    ("history", "PDSL-4104"), ("switches",), ("certificates",), ("weak-chains",), ("rests-on",),
    ("trail",), ("trail", "2"), ("found-bad", "RG-202"), ("people",), ("laboratories",), ("areas",),
    ("procedures",), ("outages",), ("due-rules",), ("policies",), ("further-intervals",),
    ("usage-limits",), ("gauge-schedule",), ("gauge-schedule", "--conflicts"),
    ("gauge-schedule", "--if-lapses", "RG-202", "--lapses-on", "2026-12-01"), ("cross-checks",),
    ("attachments",), ("doubt", "list"), ("review", "list"), ("draft", "list"), ("plan", "show"),
    ("plan", "show", "--unplanned"), ("what-if", "PDSL-4104", "--with-u", "0.2"),
    ("shop", "calendar"), ("shop", "hours"), ("shop", "terms"), ("shop", "groups"),
    ("particulars", "list"), ("gauge-upkeep", "list"), ("receipt", "list"), ("move-ins",),
]  # fmt: skip

NO_WORKBOOK = {
    ("bench-sheets",): "its listing says what went into the workbook that it makes",
    ("take-back",): "a change: it says what became of the filled sheets",
    ("move-in",): "a change: move-ins lists what was moved in",
    ("plan", "make"): "a change: plan show lists the plan",
    ("plan", "fix"): "a change: plan show lists the plan",
    ("plan", "release"): "a change: plan show lists the plan",
    ("doubt", "show"): "one event, as a report; found-bad gives its parts as sheets",
    ("draft", "show"): "one draft: it is completed as a readings file",
    ("procedure",): "one procedure, with its cautions and steps",
    ("result",): "one result",
    ("trace",): "a tree; weak-chains lists what is wrong with all of them",
    ("targets",): "never without its cautions and steps: bench-sheets has them on the sheet",
    ("verify",): "a check: it lists differences, of which there should be none",
}
"""Commands with --format that have no --workbook, and why."""


@pytest.fixture(scope="module")
def busy(demo_site: Path, tmp_path_factory: pytest.TempPathFactory) -> Shop:
    """The demo's site with something in every listing, to be read only."""
    place = tmp_path_factory.mktemp("busy")
    shop = Shop(Path(shutil.copytree(demo_site, place / "site")))
    (place / "half.toml").write_text(READINGS.split("[[cycles]]")[0], encoding="utf-8")
    (place / "note.txt").write_text("seen", encoding="utf-8")
    for words in (
        ("attach", str(place / "note.txt"), "--to", "certificate", "SHOP-26-005", "--note", "=1+1"),
        ("cross-check", "RG-301", "--against", "RG-201", "--point", "10.00=10.01"),
        ("doubt", "report", "RG-301", "--note", "far off"),
        ("record", "--from", str(place / "half.toml"), "--draft", "--note", "called away"),
        ("due-rule", "--whole-site", "--shelf-days", "400", "--reason", "store", "--as", "P01"),
        ("further-interval", "PSL-1108", "impulse line", "--policy", "S12", "--as", "P01"),
        ("plan", "make", "--weeks", "2", "--as", "P01"),
        ("particulars", "gauge", "RG-202", "--maker", "Nobody & Sons", "--as", "P01"),
        ("gauge-upkeep", "note", "RG-202", "repair", "--note", "new seal"),
        ("receipt", "note", "PSL-1108", "--condition", "dry"),
    ):
        done = shop.run(*words, *(() if "--as" in words else ("--as", "P02")))
        assert done.code == 0, done.err
    return shop


def asked(demo: Any, path: Path, *words: str) -> Any:
    done = demo.run(*words, "--workbook", str(path), "--format", "csv")
    assert done.code == 0, done.err
    assert f"Written: {path}" in done.err
    return done


@pytest.mark.parametrize("words", LISTINGS, ids=" ".join)
def test_every_listing_gives_the_rows_of_its_csv(
    words: tuple[str, ...], busy: Shop, tmp_path: Path
) -> None:
    path = tmp_path / "w.xlsx"
    done = asked(busy, path, *words)
    rows = list(csv.reader(io.StringIO(done.out)))
    book = openpyxl.load_workbook(path)
    page = book["Results"] if words[0] == "found-bad" else book.worksheets[0]
    assert book.sheetnames[-1] == "About"
    assert page.max_row == len(rows)
    assert page.max_column == len(rows[0])
    assert page.auto_filter.ref.startswith("A1:")
    for line, row in zip(rows[1:], page.iter_rows(min_row=2), strict=True):
        for text, cell in zip(line, row, strict=True):
            value = cell.value
            if isinstance(value, datetime):
                assert text.startswith(str(value.date()))
            elif isinstance(value, bool):
                assert text == ("yes" if value else "no")
            elif isinstance(value, int | float):
                assert float(text) == pytest.approx(value, rel=1e-15)
            else:
                assert (value or "") == text.removeprefix("'").replace("\r", "")
                if words[:2] != ("trail", "2"):  # facts of every kind, as text
                    assert re.fullmatch(r"\d{4}-\d\d-\d\d", text) is None  # a day is no text
            assert cell.data_type != "f"
    about = [row[1].value for row in book["About"].iter_rows()]
    assert any("Fenhollow" in str(value) for value in about)
    plain = busy.run(*words, "--format", "csv")
    assert plain.out == done.out  # what is printed does not change by it


def test_every_listing_has_a_workbook_and_is_tried_here() -> None:
    """A new command that lists takes --workbook and stands above, or is told why it does not."""
    lists = {words for words, options in commands(get_command(app)) if "--format" in options}
    books = {words for words, options in commands(get_command(app)) if "--workbook" in options}
    assert lists - books == set(NO_WORKBOOK)
    assert books <= lists
    tried = {words[:n] for words in LISTINGS for n in (1, 2)}
    assert books <= tried


def commands(
    command: Any, path: tuple[str, ...] = ()
) -> Iterator[tuple[tuple[str, ...], set[str]]]:
    """The words of every command with the options that it takes."""
    for name, child in getattr(command, "commands", {}).items():
        options = {word for given in child.params for word in given.opts}
        yield (*path, name), options
        yield from commands(child, (*path, name))


def test_only_what_nothing_was_moved_into_is_empty(busy: Shop) -> None:
    """The rows compared above are there to be compared."""
    empty = [
        words
        for words in LISTINGS
        if len(list(csv.reader(io.StringIO(busy.run(*words, "--format", "csv").out)))) < 2
    ]
    assert empty == [("move-ins",)]


def test_headings_have_units_and_figures_the_digits_that_count(demo: Any, tmp_path: Path) -> None:
    asked(demo, tmp_path / "h.xlsx", "history", "PDSL-4104")
    page = openpyxl.load_workbook(tmp_path / "h.xlsx").worksheets[0]
    columns = {cell.value: cell.column for cell in page[1]}
    newest = {name: page.cell(2, column) for name, column in columns.items()}
    # as the printed result of this calibration in the README: -3.28 kPa, U = 0.79 kPa
    assert newest["Error (kPa)"].number_format == "0.00"
    assert newest["Error (kPa)"].value == pytest.approx(-3.28, abs=0.005)
    assert newest["Expanded uncertainty (kPa)"].number_format == "0.00"
    assert newest["Required (kPa)"].number_format == "0.0"  # typed as 70.0
    assert newest["Done"].number_format == "yyyy-mm-dd"
    asked(demo, tmp_path / "d.xlsx", "due")
    page = openpyxl.load_workbook(tmp_path / "d.xlsx").worksheets[0]
    headings = [cell.value for cell in page[1]]
    assert "Bench time (h)" in headings
    assert "Left (d)" in headings
    asked(demo, tmp_path / "f.xlsx", "forecast")
    page = openpyxl.load_workbook(tmp_path / "f.xlsx").worksheets[0]
    load = next(cell.column for cell in page[1] if cell.value == "Load")
    assert page.cell(2, load).number_format == "0%"
    assert isinstance(page.cell(2, load).value, float)


def test_the_reverse_trace_has_its_parts_on_sheets_of_their_own(demo: Any, tmp_path: Path) -> None:
    asked(demo, tmp_path / "b.xlsx", "found-bad", "RG-202")
    book = openpyxl.load_workbook(tmp_path / "b.xlsx")
    assert book.sheetnames == ["Event", "Errors found", "Results", "Gauges", "Jobs", "About"]
    told = demo.run("found-bad", "RG-202", "--format", "json").json()
    event = {row[0].value: row[1].value for row in book["Event"].iter_rows(min_row=2)}
    assert event["Gauge"] == "RG-202"
    assert event["Outcome"] == told["statement"]
    assert event["Found on"].date().isoformat() == told["event"]["found_on"]
    for name, key in (("Results", "results"), ("Gauges", "gauges"), ("Jobs", "jobs")):
        assert book[name].max_row - 1 == len(told[key])
    assert book["Errors found"].max_row - 1 == len(told["event"]["points"])
    done = demo.run("found-bad", "RG-202", "--lost", "--workbook", str(tmp_path / "l.xlsx"))
    assert done.code == 0
    assert "Errors found" not in openpyxl.load_workbook(tmp_path / "l.xlsx").sheetnames


@pytest.mark.parametrize("words", LISTINGS, ids=" ".join)
def test_a_workbook_is_new_and_one(words: tuple[str, ...], busy: Shop, tmp_path: Path) -> None:
    path = tmp_path / "w.xlsx"
    path.write_text("mine")
    done = busy.run(*words, "--workbook", str(path))
    assert (done.code, done.out) == (3, "")
    assert "exists already" in done.err
    assert path.read_text() == "mine"
    done = busy.run(*words, "--workbook", str(tmp_path / "w.ods"))
    assert (done.code, done.out) == (2, "")
    assert "does not end in .xlsx" in " ".join(done.err.split())


def test_a_ratio_that_was_cut_is_not_shown_rounded_up() -> None:
    columns: list[Column[float]] = [Column("TUR", "tur", lambda x: x, lambda _: "3.9:1")]
    made = sheet([3.96], columns, title="t")
    assert made.rows[0][0].decimals == 3
    columns = [Column("Bar", "bar", lambda x: x, lambda _: "95 % ███")]
    assert sheet([0.95], columns, title="t").rows[0][0].percent
    columns = [Column("Odd", "odd", lambda x: x, lambda _: "12 things")]
    assert sheet([0.95], columns, title="t").rows[0][0] == 0.95
    third: list[Column[Decimal]] = [Column("Rate", "rate", lambda x: x, lambda v: f"{v:.2f}")]
    (rate,) = sheet([Decimal(1) / 3], third, title="t").rows[0]  # 28 digits would be text
    assert (rate.value, rate.decimals) == (pytest.approx(1 / 3, rel=1e-15), 2)
    assert (places_of(0.79), places_of(12.0), places_of(None)) == (2, 0, None)


def test_csv_that_a_spreadsheet_opens_runs_nothing_and_keeps_numbers() -> None:
    """Text gets an apostrophe; what is one number does not, negative or with an exponent."""
    values = ["=1+1", "+x", "-x", "@a", "\t=1", "\r=1", "-5", "-0.50", "+1e-3", -5, -0.5, "a=b", ""]
    columns: list[Column[Any]] = [Column("", "v", lambda x: x)]
    lines = list(csv.reader(io.StringIO(csv_text(values, columns), newline="")))
    assert [line[0] if line else "" for line in lines[1:]] == [
        "'=1+1", "'+x", "'-x", "'@a", "'\t=1", "'\n=1", "-5", "-0.50", "+1e-3", "-5", "-0.5", "a=b",
        "",
    ]  # fmt: skip
