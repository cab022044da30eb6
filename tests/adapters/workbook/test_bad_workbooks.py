"""Bad workbooks: a clear message for each, no exception, bounded memory and time, no change."""

from __future__ import annotations

import hashlib
import json
import os
import re
import subprocess
import sys
from collections.abc import Iterable
from contextlib import suppress
from pathlib import Path
from typing import Any

import bad_files
import pytest
from bad_bombs import HEAVY
from bad_workbooks import LIGHT, Bad, Expect
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from calfleet.adapters.workbook.grids import LIMITS, Broken, read_book, sheet_name
from calfleet.adapters.workbook.loose import (
    Misread,
    band,
    column_dates,
    column_decimals,
    date_orders,
    day_of,
    measured,
    span,
)
from calfleet.errors import Problem

READER = Path(__file__).with_name("read_bad.py")
MEMORY_MIB = 1536
"""Address space of the reading program; what it really uses is held to USED_MIB."""
USED_MIB = 700
LIGHT_SECONDS = 2.0
HEAVY_SECONDS = 20.0
"""Processor time, a slow machine allowed for."""
PLAIN_ENGLISH = re.compile(r"[-A-Z0-9'].*[.!]", re.DOTALL)
INTERNAL = re.compile(r"Error\b|Exception|Traceback|<class|object at 0x|expat|zlib|xlrd")


def outcomes(paths: Iterable[Path], share: int = 1) -> dict[str, dict[str, Any]]:
    """What became of each file, by name, read one after another by a program of its own.

    ``share`` divides the limits on counts, so that a test need not count to millions.
    """
    names = list(paths)
    done = subprocess.run(
        [sys.executable, str(READER), str(MEMORY_MIB), str(share)],
        input="".join(f"{path}\n" for path in names),
        capture_output=True,
        text=True,
        encoding="utf-8",
        timeout=300,
        check=False,
        env=os.environ | {"PYTHONIOENCODING": "utf-8:surrogateescape", "RUST_BACKTRACE": "0"},
    )
    found = [json.loads(line) for line in done.stdout.splitlines()]
    assert done.returncode == 0, (
        f"the program ended at {names[len(found)].name}: {done.returncode}\n{done.stderr[-800:]}"
    )
    return {one["name"]: one for one in found}


def state(folder: Path) -> dict[str, str]:
    return {
        str(path): hashlib.sha256(path.read_bytes()).hexdigest()
        for path in sorted(folder.rglob("*"))
        if path.is_file()
    }


def judge(name: str, found: dict[str, Any], expect: Expect, says: str = "") -> list[str]:
    """What is wrong with the outcome of a bad file, in words; nothing where all is well."""
    if "raised" in found:
        return [f"{name}: {found['raised']}"]
    refused = found["book"] is None
    said = [*found["problems"], *found["broken"]]
    got = Expect.REFUSED if refused else Expect.NOTED if said else Expect.READ
    wrong = []
    if expect not in (Expect.EITHER, got):
        wrong.append(f"{name}: {got.value}, not {expect.value}: {said[:2]}")
    if refused and not said:
        wrong.append(f"{name}: refused without a word")
    if not refused and not found["book"]:
        wrong.append(f"{name}: read, but without any sheet")
    for where, message, hint in (*said, *found["remarks"]):
        if not where.startswith(name):
            wrong.append(f"{name}: a problem elsewhere, {where!r}")
        if not PLAIN_ENGLISH.fullmatch(message) or INTERNAL.search(message):
            wrong.append(f"{name}: no sentence, {message!r}")
        if hint and not PLAIN_ENGLISH.fullmatch(hint):
            wrong.append(f"{name}: no sentence, {hint!r}")
        if not (where + message + hint).isprintable() or len(where) + len(message) > 700:
            wrong.append(f"{name}: not to be shown, {where!r} {message[:200]!r}")
    if refused and not all(hint for _, _, hint in found["problems"]):
        wrong.append(f"{name}: no next step, {said}")
    if len(said) > 60:
        wrong.append(f"{name}: {len(said)} problems bury the first")
    if says and not any(re.search(says, message) for _, message, _ in said):
        wrong.append(f"{name}: does not say {says!r}: {said[:2]}")
    return wrong


# --- the families ---------------------------------------------------------------------------


def test_there_are_hundreds_of_different_bad_files() -> None:
    made: list[Bad] = [bad for family in LIGHT for bad in family()]
    names = [bad.name for bad in made] + list(HEAVY)
    assert len(names) == len(set(names))
    digests = {hashlib.sha256(bad.content).digest() for bad in made}
    assert len(digests) == len(made)
    assert len(digests) + len(HEAVY) >= 800
    assert all(len(list(family())) >= 20 for family in LIGHT)


@pytest.mark.parametrize("family", LIGHT, ids=lambda family: family.__name__)
def test_bad_files(family: Any, tmp_path: Path) -> None:
    bad: list[Bad] = list(family())
    for one in bad:
        (tmp_path / one.name).write_bytes(one.content)
    before = state(tmp_path)
    found = outcomes(tmp_path / one.name for one in bad)
    wrong = [line for one in bad for line in judge(one.name, found[one.name], one.expect, one.says)]
    assert not wrong, "\n".join(wrong)
    slow = {name: one["seconds"] for name, one in found.items() if one["seconds"] > LIGHT_SECONDS}
    assert not slow
    assert max(one["peak_mib"] for one in found.values()) < 200
    assert state(tmp_path) == before


COUNTED = {"elements.xlsx", "cells.xlsx", "strings.xlsx", "rows.ods",
           "one-sheet-200-times.xlsx"}  # fmt: skip
"""Those that are stopped by a limit on counts: read with a tenth of it, for the time it takes."""


@pytest.mark.parametrize("name", HEAVY)
def test_files_that_try_to_take_memory_or_time(name: str, tmp_path: Path) -> None:
    _, make, expect = HEAVY[name]
    path = tmp_path / name
    path.write_bytes(make())
    found = outcomes([path], share=10 if name in COUNTED else 1)[name]
    path.unlink()
    wrong = judge(name, found, expect)
    assert not wrong, "\n".join(wrong)
    assert found["peak_mib"] < USED_MIB
    assert found["seconds"] < HEAVY_SECONDS


# --- what is no ordinary file ---------------------------------------------------------------


def refused(path: Path) -> str:
    """The one problem of a path that cannot be read."""
    problems: list[Problem] = []
    assert read_book(path, problems) is None
    (problem,) = problems
    assert problem.where == path.name
    assert problem.message.endswith(".")
    assert problem.hint
    return problem.message


def test_paths_that_are_no_files(tmp_path: Path) -> None:
    (tmp_path / "folder.xlsx").mkdir()
    assert refused(tmp_path / "folder.xlsx") == "It is a folder."
    assert refused(tmp_path / "missing.xlsx") == "There is no such file."
    assert "cannot be read" in refused(tmp_path / ("x" * 5000 + ".xlsx"))
    loop = tmp_path / "loop.xlsx"
    loop.symlink_to(loop)
    assert "cannot be read" in refused(loop)
    nowhere = tmp_path / "nowhere.xlsx"
    nowhere.symlink_to(tmp_path / "gone.xlsx")
    assert refused(nowhere) == "There is no such file."
    assert "cannot be read" in refused(Path("nul\0.xlsx"))
    (tmp_path / "file.csv").write_text("Tag\n", encoding="utf-8")
    assert "cannot be read" in refused(tmp_path / "file.csv" / "inside.xlsx")


def test_what_has_no_end_is_not_read(tmp_path: Path) -> None:
    pipe = tmp_path / "pipe.xlsx"
    os.mkfifo(pipe)
    assert refused(pipe) == "It is no file with an end."
    if Path("/dev/zero").exists():
        assert refused(Path("/dev/zero")) == "It is no file with an end."


@pytest.mark.skipif(
    not hasattr(os, "geteuid") or os.geteuid() == 0, reason="this user may read every file"
)
def test_a_file_without_permission(tmp_path: Path) -> None:
    path = tmp_path / "secret.xlsx"
    path.write_bytes(bad_files.xlsx())
    path.chmod(0)
    assert "cannot be read" in refused(path)


def test_a_sparse_file_that_is_too_long_is_not_opened(tmp_path: Path) -> None:
    path = tmp_path / "long.xlsx"
    with path.open("wb") as stream:
        stream.truncate(LIMITS.file_bytes + 1)
    assert "too large" in refused(path)


def test_names_that_turn_round_or_break_lines_do_not_reach_a_message() -> None:
    for name in ("a\nb", "a\x1b[31m", "\u202egpj.exe", "x" * 5000, "\x85", "\u2066a"):
        shown = sheet_name(name)
        assert shown.isprintable()
        assert len(shown) <= 200


# --- hypothesis -----------------------------------------------------------------------------

QUICK = settings(
    max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)


def survives(path: Path, content: bytes) -> None:
    path.write_bytes(content)
    problems: list[Problem] = []
    book = read_book(path, problems)
    assert path.read_bytes() == content
    assert book is not None or problems
    for problem in problems:
        assert problem.where.startswith(path.name)
        assert problem.message.endswith(".")
    for grid in book.grids if book else ():
        for row, cells in grid.rows.items():
            assert 0 <= row < LIMITS.rows
            assert len(cells) <= LIMITS.columns
            for value in cells:
                assert not isinstance(value, float), "a number has its digits"
                assert not isinstance(value, str) or len(value) <= LIMITS.text
                assert not isinstance(value, Broken) or value.message


WHOLE = {"xlsx": bad_files.xlsx(store=True), "ods": bad_files.ods(store=True),
         "xls": bad_files.xls()}  # fmt: skip


@QUICK
@given(data=st.data(), kind=st.sampled_from(sorted(WHOLE)))
def test_any_bytes_put_anywhere(tmp_path: Path, data: st.DataObject, kind: str) -> None:
    whole = bytearray(WHOLE[kind])
    for _ in range(data.draw(st.integers(1, 4))):
        at = data.draw(st.integers(0, len(whole) - 1))
        piece = data.draw(st.binary(min_size=1, max_size=8))
        length = data.draw(st.sampled_from((0, len(piece), 2 * len(piece))))
        whole[at : at + length] = piece
    survives(tmp_path / f"any.{kind}", bytes(whole))


@QUICK
@given(content=st.binary(max_size=400), start=st.sampled_from((b"", b"PK\x03\x04", b"sep=;\n",
       b"\xff\xfe", b"\xef\xbb\xbf", b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1")))  # fmt: skip
def test_any_bytes_at_all(tmp_path: Path, content: bytes, start: bytes) -> None:
    survives(tmp_path / "any.csv", start + content)


@QUICK
@given(text=st.text(max_size=200))
def test_any_text_is_read_as_csv(tmp_path: Path, text: str) -> None:
    for encoding in ("utf-8", "utf-8-sig", "utf-16"):
        survives(tmp_path / "any.csv", text.encode(encoding, "surrogatepass"))


VALUES = st.one_of(
    st.sampled_from(("NaN", "INF", "1e999", "-1", "60", "2958466", "#REF!", "", "0x1", "1,5")),
    st.floats().map(repr),
    st.integers(-(10**40), 10**40).map(str),
    st.from_regex(r"[-+]?\d{0,40}\.?\d{0,40}([eE][-+]?\d{1,9})?", fullmatch=True),
)


@QUICK
@given(
    value=VALUES,
    kind=st.sampled_from(("n", "s", "b", "e", "str", "d", "inlineStr", "x")),
    style=st.sampled_from(("0", "1", "2", "3", "4", "-1", "x")),
    formula=st.booleans(),
)
def test_any_value_of_any_type_in_a_cell(
    tmp_path: Path, value: str, kind: str, style: str, formula: bool
) -> None:
    cell = f'<c r="{{at}}" t="{kind}" s="{style}">{"<f>A1</f>" * formula}<v>{value}</v></c>'
    survives(tmp_path / "any.xlsx", bad_files.xlsx([["Tag"], [bad_files.Raw(cell)]]))


@QUICK
@given(
    value=VALUES,
    shown=VALUES | st.text("0123456789., %-", max_size=60),
    kind=st.sampled_from(("float", "percentage", "currency", "date", "time", "boolean", "string")),
)
def test_any_value_of_any_type_in_an_open_document(
    tmp_path: Path, value: str, shown: str, kind: str
) -> None:
    cell = (
        f'<table:table-cell office:value-type="{kind}" office:value="{value}" '
        f'office:date-value="{value}"><text:p>{shown}</text:p></table:table-cell>'
    )
    survives(tmp_path / "any.ods", bad_files.ods([["Tag"], [bad_files.Raw(cell)]]))


ODDS = st.text(
    st.sampled_from("0123456789.,'-+/~;:…%()[] \n\tabeTofsplu±∓°\u00a0\u200b\u2212\u0301年"),
    max_size=60,
)


@settings(max_examples=300, deadline=None)
@given(text=ODDS | st.text(max_size=40))
def test_any_text_taken_for_a_number_a_range_a_tolerance_or_a_day(text: str) -> None:
    for read in (measured, span, band, day_of):
        with suppress(Misread):
            read(text)
    date_orders(text)
    column_dates([text, "03/04/2025"])
    column_decimals([text, "1,5"])


@pytest.mark.parametrize("read", [measured, span, band, day_of])
@pytest.mark.parametrize("piece", ["1 ", "1.", "+-", "1-", "0-10 ", "1 a ", "% of ", "1/", "\n1 "])
def test_a_long_text_is_refused_at_once(read: Any, piece: str) -> None:
    half = piece * (LIMITS.text // len(piece) // 2)
    for text in (half + "-" + half + "\nx", half, half + "bar"):
        with pytest.raises(Misread) as caught:
            read(text)
        assert len(caught.value.message) < 200
    assert date_orders(half) == {}
    assert column_decimals([half]) is None


def test_the_sound_files_of_these_tests_are_sound(tmp_path: Path) -> None:
    """Else the bad ones would be refused for another reason than their own."""
    for kind, content in (
        ("xlsx", bad_files.xlsx()), ("ods", bad_files.ods()), ("xls", bad_files.xls())
    ):  # fmt: skip
        path = tmp_path / f"sound.{kind}"
        path.write_bytes(content)
        problems: list[Problem] = []
        book = read_book(path, problems)
        assert book is not None
        assert not problems
        assert book.grids[0].cell(1, 0) == "PSL-1101"


def test_sheets_of_the_same_name_are_told(tmp_path: Path) -> None:
    """Capitals do not tell names apart (as spreadsheet programs have it, from memory)."""
    sound = [["Tag", "Set point"], ["PSL-1101", 2.5]]
    for names, told in (
        (("Switches", "Gauges", "SWITCHES"), ["The sheets number 1 and 3 have the same name"]),
        (("Switches", "Switches", "Switches"), ["The sheets number 1, 2 and 3 have the same name"]),
        (("Switches", "Switches 2"), []),
    ):
        path = tmp_path / "shop.xlsx"
        path.write_bytes(bad_files.pack(bad_files.xlsx_parts([(name, sound) for name in names])))
        problems: list[Problem] = []
        book = read_book(path, problems)
        assert book is not None
        assert [grid.name for grid in book.grids] == list(names)
        assert [each.message.partition(" (")[0] for each in book.remarks] == told
        assert not problems
