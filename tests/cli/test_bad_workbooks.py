"""Bad workbooks given to the program: exit code 1, one message for each problem, no change."""

from __future__ import annotations

import io
import json
import os
import shutil
import sqlite3
from collections.abc import Mapping
from contextlib import closing
from dataclasses import replace
from datetime import date
from pathlib import Path
from typing import Any

import openpyxl
import pytest
from bad_bombs import HEAVY
from bad_files import SOUND, sheet_xml, xlsx
from bad_workbooks import INJECTIONS, LIGHT, Bad
from hypothesis import example, given, settings
from hypothesis import strategies as st

from calfleet.adapters.workbook.sheet_book import ToPrint, workbook_bytes
from calfleet.records import BenchSheet

SAMPLE = Path(__file__).resolve().parents[2] / "sample_site"
PROBLEMS = 1
EVERY = 17
"""One of so many bad files goes through the program; all go through the readers elsewhere."""


def sample() -> list[Bad]:
    return [bad for family in LIGHT for bad in list(family())[::EVERY]]


def complaint(done: Any, *names: str) -> None:
    """A refusal in words: exit code 1, nothing on the first stream, each file with its problem."""
    assert done.code == PROBLEMS, done.err
    assert done.out == ""
    assert done.err.startswith("✗ ")
    assert "Traceback" not in done.err
    assert "Error:" not in done.err
    assert "\n  Next: " in done.err
    assert all(line.isprintable() for line in done.err.splitlines())
    lines = [line.strip() for line in done.err.splitlines()]
    for name in names:
        said = [line for line in lines if line.startswith((f"{name}:", f"{name},"))]
        assert said, f"nothing is said about {name}"
        assert all(len(line) < 900 for line in said)


def test_sheets_that_come_back_as_something_else(shop: Any, tmp_path: Path) -> None:
    before = shop.state()
    paths = []
    for bad in sample():
        paths.append(tmp_path / bad.name)
        paths[-1].write_bytes(bad.content)
    assert len(paths) > 30
    kept = {path: path.read_bytes() for path in paths}
    done = shop.run("take-back", *map(str, paths), "--as", "P02", columns=4000)
    complaint(done, *(path.name for path in paths))
    for path in paths[::12]:
        complaint(shop.run("take-back", str(path), "--as", "P02", columns=4000), path.name)
    assert shop.state() == before
    assert {path: path.read_bytes() for path in tmp_path.iterdir() if path.is_file()} == kept


def test_bombs_given_to_the_program(shop: Any, tmp_path: Path) -> None:
    before = shop.state()
    paths = []
    for name in ("bomb-4-gib.xlsx", "bomb-overlap.xlsx", "attribute.xlsx", "corners.xls"):
        paths.append(tmp_path / name)
        paths[-1].write_bytes(HEAVY[name][1]())
    done = shop.run("take-back", *map(str, paths), "--as", "P02", columns=4000)
    complaint(done, *(path.name for path in paths))
    assert shop.state() == before


def test_a_site_is_not_built_from_bad_workbooks(demo: Any, tmp_path: Path) -> None:
    files = tmp_path / "files"
    shutil.copytree(SAMPLE, files, ignore=shutil.ignore_patterns("*.csv", "procedures", "*.toml"))
    merged = sheet_xml(SOUND, after='<mergeCells><mergeCell ref="A1:XFD1048576"/></mergeCells>')
    for n, content in enumerate((
        b"", b"PK\x03\x04", xlsx([[text] * 5 for text in INJECTIONS]),
        xlsx(replace={"xl/worksheets/sheet1.xml": merged}), HEAVY["bomb-4-gib.xlsx"][1](),
    )):  # fmt: skip
        (files / "switches.xlsx").write_bytes(content)
        site = tmp_path / f"site-{n}"
        done = demo.run(
            "build", str(site), "--from", str(files), "--as", "P01", here=False, columns=4000
        )
        done = replace(done, err=done.err.partition("\n")[2])  # what is read, told before
        complaint(done, "switches.xlsx")
        assert not site.exists()


def test_in_a_process_of_its_own(process: Any, demo: Any, tmp_path: Path) -> None:
    """A name that is no text, and signs for the terminal in it, break nothing either."""
    before = demo.state()
    paths = []
    for name in (b"bad.xlsx", b"b\xff\xfe.xlsx", b"b\x1b[31m\x07.xlsx", "b\u202e.xlsx".encode()):
        paths.append(Path(os.fsdecode(os.fsencode(tmp_path) + b"/" + name)))
        paths[-1].write_bytes(b"PK\x03\x04 no workbook")
    done = process("take-back", *paths, "--as", "P02", "--site", demo.root)
    assert done.returncode == PROBLEMS, done.stderr
    assert done.stdout == ""
    assert done.stderr.startswith("✗ 4 problems")
    assert "Traceback" not in done.stderr
    assert "\x1b" not in done.stderr
    assert "\u202e" not in done.stderr
    assert demo.state() == before


# --- the other way: bench sheets ------------------------------------------------------------


@pytest.fixture(scope="module")
def handed_out(
    demo_site: Path, process: Any, tmp_path_factory: pytest.TempPathFactory
) -> BenchSheet:
    """A bench sheet of the demo's site, as it was recorded when it was handed out."""
    folder = tmp_path_factory.mktemp("bench")
    site = Path(shutil.copytree(demo_site, folder / "site"))
    done = process("bench-sheets", folder / "out.xlsx", "PSL-1108", "--as", "P02", "--site", site)
    assert done.returncode == 0, done.stderr
    with closing(sqlite3.connect(site / "site.sqlite")) as reader:
        ((number, content),) = reader.execute("SELECT number, content FROM bench_sheet").fetchall()
    return BenchSheet(number, "PSL-1108", 1, "PS-GEN", 2, date(2026, 11, 25), json.loads(content))


UNPRINTABLE = st.text(st.characters(categories=("Cc", "Cs", "Cn")), min_size=1, max_size=8)
TYPED = frozenset({"name", "service", "serial", "description", "medium", "title", "area", "why",
                   "cautions", "steps", "checks", "deference", "family"})  # fmt: skip
"""Words of a sheet that a person has typed somewhere."""


def replaced(value: Any, text: str, key: str = "") -> Any:
    """``value`` with ``text`` for every word of it that a person has typed."""
    if isinstance(value, Mapping):
        return {k: replaced(v, text, k) for k, v in value.items()}
    if isinstance(value, list):
        return [replaced(v, text, key) for v in value]
    return text if isinstance(value, str) and key in TYPED else value


def opened(sheet: BenchSheet, left_out: tuple[str, str]) -> Any:
    return openpyxl.load_workbook(
        io.BytesIO(workbook_bytes([ToPrint(sheet, "0" * 64)], [left_out]))
    )


def formulas(book: Any) -> dict[tuple[int, str], str]:
    return {
        (n, cell.coordinate): str(cell.value)
        for n, page in enumerate(book.worksheets)
        for row in page.iter_rows()
        for cell in row
        if cell.data_type == "f"
    }


def test_any_text_in_a_bench_sheet_comes_back_as_text(handed_out: BenchSheet) -> None:
    usual = formulas(opened(handed_out, ("PSL-1108", "No gauge.")))
    assert usual
    tried = 0

    @settings(max_examples=8)
    @given(text=st.text(max_size=40) | st.sampled_from(INJECTIONS) | UNPRINTABLE)
    @example(text="=1+1")
    @example(text="\x00\ud800\uffff")
    def write(text: str) -> None:
        nonlocal tried
        tried += 1
        content = replaced(handed_out.content, text)
        assert content != handed_out.content
        book = opened(replace(handed_out, content=content), (text, text))
        assert set(formulas(book)) == set(usual)
        for page in book.worksheets:
            assert page.title.isprintable()

    write()
    assert tried > 2
