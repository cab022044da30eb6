"""``bench-sheets`` and ``take-back``: handed out, filled in, saved by LibreOffice, taken back."""

from __future__ import annotations

import datetime as dt
import hashlib
import json
import shutil
import subprocess
import zipfile
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import openpyxl
import pytest

from calfleet.adapters.workbook.sheet_form import Form, at
from calfleet.adapters.workbook.sheet_layout import lay_out

SOFFICE = shutil.which("soffice")
needs_office = pytest.mark.skipif(
    SOFFICE is None, reason="LibreOffice is missing: sh .setup/office installs it"
)
TAG, ELSE = "PSL-1108", "PSL-2101"
DAY = dt.datetime(2026, 11, 25)  # noqa: DTZ001 - a day, as a spreadsheet holds it
CHECKS = range(6)


class Round:
    """A workbook handed out by a shop, to be filled in by the names of its fields."""

    def __init__(self, shop: Any, path: Path) -> None:
        self.shop = shop
        self.path = path
        self.book = openpyxl.load_workbook(path)
        self.forms: dict[str, Form] = {}
        for page in self.book.worksheets:
            if page["O2"].value:
                ((content,),) = shop.ask(
                    "SELECT content FROM bench_sheet WHERE number = ?", page["O2"].value
                )
                self.forms[page.title] = lay_out(
                    json.loads(content), number=page["O2"].value, digest=page["O3"].value,
                    title=page.title,
                )  # fmt: skip

    def place(self, title: str, key: str) -> str:
        return self.forms[title].place(key)

    def fill(self, title: str, **entries: object) -> Round:
        for key, value in entries.items():
            name = key.replace("__", ":").replace("_found", "as-found").replace("_left", "as-left")
            self.book[title][self.place(title, name)] = value
        return self

    def good(self, title: str = TAG) -> Round:
        """Everything that a sound job enters, for PSL-1108: 2.50 bar falling, read in kPa."""
        self.fill(
            title, ready="yes", agrees__0="yes", performed_on=DAY,
            performed_by="P02 Tamsin Copperreed", exercised_first="no", temperature=20.4,
            humidity=41, adjusted="no", permit="PTW 17", work_order="0042", bypass="removed",
            contact_ok__0="yes", contact_ohm__0=0.12, seal="S1", remarks="Strainer cleaned",
            returned_by="P02 Tamsin Copperreed", verified_by="P03",
        )  # fmt: skip
        for n in CHECKS:
            self.fill(title, **{f"check_done__{n}": "yes", f"check_by__{n}": "P02",
                                f"check_time__{n}": dt.time(14, n)})  # fmt: skip
        return self.runs(title, (250.8, 276.8), (252.5, 276.7), (252.3, 276.4))

    def runs(self, title: str, *readings: tuple[object, object]) -> Round:
        for run, (trip, reset) in enumerate(readings, 1):
            page = self.book[title]
            page[self.place(title, f"trip:0:as-found:{run}")] = trip
            page[self.place(title, f"reset:0:as-found:{run}")] = reset
        return self

    def save(self, name: str = "filled.xlsx") -> Path:
        path = self.path.with_name(name)
        self.book.save(path)
        return path


@pytest.fixture(scope="module")
def one_sheet(demo: Any, tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path]:
    """The database of the demo's site with one sheet handed out, and the workbook: to be copied."""
    folder = tmp_path_factory.mktemp("handed")
    shop = replace(demo, root=Path(shutil.copytree(demo.root, folder / "site")))
    done = shop.run("bench-sheets", str(folder / "round.xlsx"), TAG, "--as", "P01")
    assert done.code == 0, done.err
    return shop.database, folder / "round.xlsx"


@pytest.fixture
def handed(
    shop: Any, demo: Any, one_sheet: tuple[Path, Path], tmp_path: Path
) -> Callable[..., Round]:
    """Hands sheets out and opens the workbook; what most tests ask for is handed out once."""

    def hand_out(*tags: str, options: tuple[str, ...] = ()) -> Round:
        path = tmp_path / "round.xlsx"
        if not tags and not options:
            assert shop.state() == demo.state(), "nothing may have happened before"
            shutil.copy(one_sheet[0], shop.database)
            return Round(shop, Path(shutil.copy(one_sheet[1], path)))
        done = shop.run("bench-sheets", str(path), *(tags or (TAG,)), *options, "--as", "P01")
        assert done.code == 0, done.err
        return Round(shop, path)

    return hand_out


def numbers(shop: Any) -> list[str]:
    return [n for (n,) in shop.ask("SELECT number FROM bench_sheet ORDER BY id")]


# --- out --------------------------------------------------------------------------------


def test_a_round_is_recorded_and_written(shop: Any, handed: Callable[..., Round]) -> None:
    round_ = handed(TAG, ELSE)
    assert numbers(shop) == ["B2026-0001", "B2026-0002"]
    assert round_.book.sheetnames == ["Round", TAG, ELSE]
    assert shop.ask("SELECT action FROM audit_entry ORDER BY position DESC LIMIT 1") == [
        ("hand out bench sheets",)
    ]
    page = round_.book[TAG]
    said = [str(c.value) for row in page.iter_rows(max_col=12) for c in row if c.value is not None]
    told = "\n".join(said)
    for part in ("Biomass boiler 1 grate cooling water low", "Isolate and prove zero energy",
                 "do not replace the site's procedures", "PS-GEN rev 2", "SHOP-26-005",
                 "Bypass removed and its removal confirmed"):  # fmt: skip
        assert part in told
    for title in round_.book.sheetnames:
        assert round_.book[title].protection.sheet
    assert round_.book[TAG]["A1"].protection.locked
    for field in round_.forms[TAG].fields.values():
        cell = page.cell(field.row, field.column)
        assert not cell.protection.locked, field.key
        assert cell.fill.start_color.rgb.endswith("FFF6CC"), field.key
    assert "bench_sheet_B2026_0001" in round_.book.defined_names
    everything = "verify"
    assert "Everything is as it was entered" in shop.run(everything).out


def test_a_month_leaves_out_what_has_no_gauge_and_says_why(shop: Any, tmp_path: Path) -> None:
    out = tmp_path / "month.xlsx"
    done = shop.run("bench-sheets", str(out), "--month", "2026-11", "--as", "P01")
    assert done.code == 0
    assert "VSL-7205" in done.out.split("Left out:")[1]
    assert "away 2026-11-16" in " ".join(done.out.split())
    book = openpyxl.load_workbook(out)
    assert "VSL-7205" not in book.sheetnames
    assert any(c.value == "VSL-7205" for row in book["Round"].iter_rows() for c in row)
    assert "TSH-4306" in book.sheetnames


@pytest.mark.parametrize(
    ("words", "code", "said"),
    [
        ((TAG,), 2, "Who enters this is not told"),
        (("--as", "P01"), 2, "Name the switches, or give --month"),
        ((TAG, "--month", "2026-11", "--as", "P01"), 2, "Name the switches, or give --month"),
        (("--month", "2026-13", "--as", "P01"), 2, "'2026-13' is not a month"),
        (("VSL-7205", "--as", "P01"), 3, "No reference gauge will do for VSL-7205"),
        ((TAG, "--gauge", "RG-303", "--as", "P01"), 3, "reads vacuum pressure"),
        ((TAG, "--static", "3", "--as", "P01"), 3, "has no place here"),
        ((TAG, ELSE, "--static", "3", "--as", "P01"), 2, "One static reading for 2 switches"),
        ((TAG, "--for-on", "2026-11-24", "--as", "P01"), 2, "before today"),
        (("PSL-9999", "--as", "P01"), 2, "No switch named 'PSL-9999'"),
        (("--plan-week", "2026-11-30", "--as", "P01"), 3, "No plan has been made yet"),
        ((TAG, "--static-gauge", "RG-301", "--as", "P01"), 3, "needs no static reading"),
    ],
)
def test_what_cannot_be_handed_out_leaves_nothing(
    shop: Any, tmp_path: Path, words: tuple[str, ...], code: int, said: str
) -> None:
    before = shop.state()
    done = shop.run("bench-sheets", str(tmp_path / "out.xlsx"), *words)
    assert done.code == code, done.err
    assert said in " ".join(done.err.split())
    assert shop.state() == before
    assert not (tmp_path / "out.xlsx").exists()


def test_a_file_is_never_overwritten(shop: Any, tmp_path: Path) -> None:
    out = tmp_path / "out.xlsx"
    out.write_text("mine", encoding="utf-8")
    done = shop.run("bench-sheets", str(out), TAG, "--as", "P01")
    assert (done.code, out.read_text(encoding="utf-8")) == (3, "mine")
    assert numbers(shop) == []


def test_the_page_to_print_is_written_too(shop: Any, tmp_path: Path) -> None:
    page = tmp_path / "out.pdf"
    done = shop.run(
        "bench-sheets", str(tmp_path / "out.xlsx"), TAG, "--pdf", str(page), "--as", "P01"
    )
    assert done.code == 0, done.err
    assert page.read_bytes().startswith(b"%PDF-")


# --- back -------------------------------------------------------------------------------


def test_a_filled_sheet_becomes_a_calibration(shop: Any, handed: Callable[..., Round]) -> None:
    round_ = handed(TAG, ELSE).good()
    # typed as text the digits stay; a decimal comma counts where it can be nothing else
    round_.runs(TAG, (250.8, "276.80"), ("252,5", 276.7), ("252.30", 276.4))
    path = round_.save()
    before = shop.state()
    done = shop.run("take-back", str(path), "--check", "--as", "P03")
    assert done.code == 0, done.err
    assert "Checked only; nothing was written." in done.out
    assert shop.state() == before
    done = shop.run("take-back", str(path), "--as", "P03")
    assert done.code == 0, done.err
    assert f"Not begun, passed over: B2026-0002 {ELSE}." in done.out
    assert "Trace it: calfleet trace C2026-0146" in done.out
    assert shop.ask(
        "SELECT b.number, c.number, r.digest, r.recorded_by FROM bench_sheet_return r "
        "JOIN bench_sheet b ON b.id = r.bench_sheet_id "
        "JOIN calibration c ON c.id = r.calibration_id"
    ) == [("B2026-0001", "C2026-0146", hashlib.sha256(path.read_bytes()).hexdigest(), "P03")]
    told = shop.run("result", "C2026-0146", "-f", "json").json()
    bench = told["bench"]
    assert [(c["trip"], c["reset"]) for c in bench["cycles"]] == [
        ("250.8", "276.80"), ("252.5", "276.7"), ("252.30", "276.4"),
    ]  # fmt: skip
    assert (bench["performed_by"], bench["verified_by"]) == ("P02", "P03")
    assert (bench["temperature_c"], bench["humidity"]) == ("20.4", "0.41")
    assert bench["work_order"] == "0042"
    assert bench["contact_check"] == "L: changes over cleanly, closed 0.12 Ω"
    assert bench["remarks"].startswith("Strainer cleaned. Return to service: Valves lined up")
    assert "Alarm clear, confirmed by the control room: yes, P02, 14:05" in bench["remarks"]
    assert bench["remarks"].endswith("From bench sheet B2026-0001.")
    assert [g["certificate"] for g in bench["gauges"]] == ["SHOP-26-005"]
    assert told["results"][0]["verdict"] == "pass"
    again = shop.run("take-back", str(path), "--as", "P03")
    assert again.code == 1
    assert f"{TAG}!O2: B2026-0001 came back already, as C2026-0146." in again.err
    assert "Everything is as it was entered" in shop.run("verify").out


def test_a_number_without_digits_of_its_own_gets_those_of_its_format(
    shop: Any, handed: Callable[..., Round]
) -> None:
    """RG-202 shows tenths: 252 typed into a cell that shows 252.0 is 252.0."""
    path = handed().good().runs(TAG, (250.8, 277), (252, 276.7), (252.3, 276.4)).save()
    assert shop.run("take-back", str(path), "--as", "P02").code == 0
    cycles = shop.run("result", TAG, "-f", "json").json()["bench"]["cycles"]
    assert [(c["trip"], c["reset"]) for c in cycles][:2] == [("250.8", "277.0"), ("252.0", "276.7")]


def test_every_problem_is_told_at_once_with_its_cell(
    shop: Any, handed: Callable[..., Round]
) -> None:
    round_ = handed(TAG, "PDSH-4302", options=()).good()
    wrong: dict[str, tuple[object, str]] = {
        "ready": (None, "nothing was entered"),
        "performed_on": (dt.datetime(2026, 11, 20), "before the sheet was handed out"),  # noqa: DTZ001
        "performed_by": ("P05", "is not on the list"),
        "temperature": ("=A1+20", "a formula where an entry is expected"),
        "humidity": (140, "is outside 0 to 100"),
        "exercised_first": ("perhaps", "is not on the list"),
        "adjusted": ("yes", ""),
        "adjustment_note": (None, "What was adjusted is not told"),
        "exercise_cycles": (2.5, "is not a whole number"),
        "trip:0:as-found:1": (DAY, "holds the date or time"),
        "trip:0:as-found:2": ("1,250", "may be 1.250 or 1250"),
        "reset:0:as-found:2": (True, "is not a number"),
        "trip:0:as-found:3": (99999, "is outside 0 to 2500"),
        "reset:0:as-found:3": ("about 276", "is not one plain number"),
        "contact_ohm:0": ("1.2.3", "is not one plain number"),
        "check_done:2": (None, "has a name or a time"),
        "check_time:3": ("noon", "is not a time of day"),
        "head_height": (1.0, ""),
        "head_density": (None, "A height needs its fluid"),
    }
    for key, (value, _) in wrong.items():
        round_.book[TAG][round_.place(TAG, key)] = value
    before = shop.state()
    done = shop.run("take-back", str(round_.save()), "--as", "P02")
    assert done.code == 1
    for key, (_, said) in wrong.items():
        if said:
            lines = [
                line for line in done.err.splitlines()
                if f"{TAG}!{round_.place(TAG, key)}:" in line
            ]  # fmt: skip
            assert any(said in line for line in lines), (key, said, done.err)
    assert shop.state() == before


@pytest.mark.parametrize(
    ("runs", "key", "said"),
    [
        (((250.8, 276.8), (None, None), (252.3, 276.4)), "trip:0:as-found:2", "a later run was"),
        (((250.8, None),), "reset:0:as-found:1", "no reset was read"),
        (((None, 276.8),), "trip:0:as-found:1", "no trip was read"),
        ((), "trip:0:as-found:1", "No run was entered"),
        (((280.1, 276.8), (252.0, 276.7), (240.1, 230.0)), "trip:0:as-found:1", "lies below"),
        (((280.1, 276.8), (252.0, 276.7), (240.1, 230.0)), "trip:0:as-found:3", "lies below"),
    ],
)
def test_runs_that_cannot_be_are_told_at_their_cells(
    shop: Any, handed: Callable[..., Round], runs: Any, key: str, said: str
) -> None:
    round_ = handed().good().runs(TAG, *[(None, None)] * 3).runs(TAG, *runs)
    done = shop.run("take-back", str(round_.save()), "--as", "P02")
    assert done.code == 1
    place = f"{TAG}!{round_.place(TAG, key)}:"
    assert any(place in line and said in line for line in done.err.splitlines()), done.err


def test_who_verified_must_be_another_person(shop: Any, handed: Callable[..., Round]) -> None:
    round_ = handed().good().fill(TAG, verified_by="P02 Tamsin Copperreed")
    done = shop.run("take-back", str(round_.save()), "--as", "P02")
    assert done.code == 1
    assert f"{TAG}!{round_.place(TAG, 'verified_by')}: P02 verified their own" in done.err


def altered(form: Form, style: str) -> str:
    from calfleet.adapters.workbook.sheet_form import at

    cell = next(c for c in form.cells if c.style == style)
    return at(cell.row, cell.column)


@pytest.mark.parametrize(
    ("what", "value", "said"),
    [
        ("target", 251.0, "The formula of a target was altered"),
        ("target", "=251", "The formula of a target was altered"),
        ("state", "PASS", "The formula of a live cell was altered"),
        ("title", "PSL-1208", "This cell was altered: 'PSL-1108' was handed out"),
        ("caution", None, "now nothing"),
        ("series", "L 2.40 bar", "This cell was altered"),
        ("O1", "calfleet bench sheet 0", "has the form 0; this program takes back the form 1"),
        ("O2", "B2026-0777", "No sheet 'B2026-0777' was handed out"),
        ("O3", "0" * 64, "are not those that were handed out"),
        ("O4", "f" * 64, "was handed out by another database"),
        ("O5", "PSL-1208", "was handed out for PSL-1108, not for PSL-1208"),
    ],
)
def test_what_was_altered_is_refused(
    shop: Any, handed: Callable[..., Round], what: str, value: object, said: str
) -> None:
    round_ = handed().good()
    place = what if what.startswith("O") else altered(round_.forms[TAG], what)
    page = round_.book[TAG]
    page[place] = value
    before = shop.state()
    done = shop.run("take-back", str(round_.save()), "--as", "P02")
    assert done.code == 1
    assert any(f"{TAG}!{place}:" in x and said in x for x in done.err.splitlines()), done.err
    assert shop.state() == before


def test_all_sheets_or_none(shop: Any, handed: Callable[..., Round]) -> None:
    """One sheet that cannot come back keeps the others out; it can be left at home by name."""
    round_ = handed(TAG, ELSE).good()
    round_.good(ELSE).runs(ELSE, (4.401, 4.842), (4.394, 4.835), (4.397, None))
    path = str(round_.save())
    done = shop.run("take-back", path, "--as", "P02")
    assert done.code == 1
    assert "1 problem" in done.err
    assert shop.ask("SELECT count(*) FROM bench_sheet_return") == [(0,)]
    assert shop.run("take-back", path, "--only", "B2026-0009", "--as", "P02").code == 2
    assert shop.run("take-back", path, "--only", "B2026-0001", "--as", "P02").code == 0
    assert shop.ask("SELECT count(*) FROM bench_sheet_return") == [(1,)]


def test_a_job_recorded_otherwise_meanwhile_is_not_recorded_twice(
    shop: Any, handed: Callable[..., Round], readings: Callable[..., Path]
) -> None:
    path = handed().good().save()
    assert shop.run("record", "--from", str(readings())).code == 0
    done = shop.run("take-back", str(path), "--as", "P02")
    assert done.code == 1
    assert "The job of B2026-0001 was recorded already, as C2026-0146" in done.err


def test_a_sheet_twice_in_two_files_is_one_too_many(
    shop: Any, handed: Callable[..., Round]
) -> None:
    round_ = handed().good()
    one, two = round_.save("one.xlsx"), round_.save("two.xlsx")
    done = shop.run("take-back", str(one), str(two), "--as", "P02")
    assert done.code == 1
    assert f"two.xlsx, {TAG}!O2: B2026-0001 is there twice" in done.err


def test_nothing_filled_in_is_said(shop: Any, handed: Callable[..., Round]) -> None:
    done = shop.run("take-back", str(handed().save()), "--as", "P02")
    assert done.code == 3
    assert "No sheet was filled in" in done.err


def test_files_that_are_no_bench_sheets_are_refused(shop: Any, tmp_path: Path) -> None:
    broken = tmp_path / "broken.xlsx"
    broken.write_bytes(b"PK\x03\x04 no workbook")
    bomb = tmp_path / "bomb.xlsx"
    with zipfile.ZipFile(bomb, "w", zipfile.ZIP_DEFLATED) as package:
        package.writestr("xl/worksheets/sheet1.xml", b"0" * (65 << 20))
    tricks = tmp_path / "tricks.xlsx"
    with zipfile.ZipFile(tricks, "w") as package:
        package.writestr("[Content_Types].xml", '<!DOCTYPE x [<!ENTITY a "b">]><x>&a;</x>')
    plain = tmp_path / "plain.xlsx"
    openpyxl.Workbook().save(plain)
    files = (broken, bomb, tricks, plain, tmp_path / "missing.xlsx")
    done = shop.run("take-back", *(str(f) for f in files), "--as", "P02")
    assert done.code == 1
    for said in (
        "broken.xlsx: The file is not a readable .xlsx workbook",
        "bomb.xlsx: The file is too large to be read",
        "tricks.xlsx: The file",
        "plain.xlsx: The workbook holds no bench sheet",
        "missing.xlsx: The file cannot be read",
    ):
        assert said in done.err
    assert "Traceback" not in done.err


# --- through LibreOffice ----------------------------------------------------------------


def convert(source: Path, kind: str, folder: Path) -> Path:
    """``source`` opened, worked out and saved by LibreOffice as ``kind``."""
    subprocess.run(
        [str(SOFFICE), "--headless", "--norestore",
         f"-env:UserInstallation=file://{folder.parent}/profile",
         "--convert-to", kind, "--outdir", str(folder), str(source)],
        check=True, capture_output=True, timeout=180,
    )  # fmt: skip
    return folder / f"{source.stem}.{kind}"


@needs_office
def test_a_sheet_saved_by_libreoffice_comes_back(
    shop: Any, handed: Callable[..., Round], tmp_path: Path
) -> None:
    """Filled in, saved as .xlsx; and by way of .ods: what was handed out is still known again."""
    round_ = handed(TAG, "PDSH-4302").good()
    round_.runs(TAG, (250.8, "276.80"), (252.5, 276.7), (252.3, 276.4))
    path = round_.save()
    straight = convert(path, "xlsx", tmp_path / "straight")
    document = convert(path, "ods", tmp_path / "ods")
    round_trip = convert(document, "xlsx", tmp_path / "back")
    done = shop.run("take-back", str(document), "--check", "--as", "P02", "-f", "json")
    assert done.code == 0, done.err
    (line,) = done.json()
    assert (line["verdict"], line["found"]) == ("pass", pytest.approx(2.517, abs=0.001))
    for saved in (straight, round_trip):
        book = openpyxl.load_workbook(saved, data_only=True)
        assert all(page.protection.sheet for page in book.worksheets)
        assert "bench_sheet_B2026_0001" in book.defined_names
        page = book[TAG]
        assert len(page.data_validations.dataValidation) >= 8
        assert page[round_.place(TAG, "trip:0:as-found:1")].number_format == "0.0"
        row = round_.forms[TAG].fields["trip:0:as-found:2"].row
        assert page.cell(row, 11).value == "in"  # worked out by LibreOffice
        assert page.cell(row, 9).value == "early"
        done = shop.run("take-back", str(saved), "--check", "--as", "P02", "-f", "json")
        assert done.code == 0, done.err
        (line,) = done.json()
        assert line["verdict"] == "pass"
        assert line["found"] == pytest.approx(2.517, abs=0.001)
    done = shop.run("take-back", str(document), "--as", "P02")
    assert done.code == 0, done.err
    cycles = shop.run("result", TAG, "-f", "json").json()["bench"]["cycles"]
    assert [(c["trip"], c["reset"]) for c in cycles] == [
        ("250.8", "276.80"), ("252.5", "276.7"), ("252.3", "276.4"),
    ]  # fmt: skip


def test_entries_are_taken_as_their_formats_show_them(
    shop: Any, handed: Callable[..., Round], tmp_path: Path
) -> None:
    """'41%' is stored as 0.41 in the format 0%; 42 in "WO-"0000 is what a person sees."""
    round_ = handed().good().fill(TAG, humidity=0.41, work_order=42)
    page = round_.book[TAG]
    page[round_.place(TAG, "humidity")].number_format = "0%"
    page[round_.place(TAG, "work_order")].number_format = '"WO-"0000'
    path = round_.save()
    files = [path] if SOFFICE is None else [path, convert(path, "ods", tmp_path / "ods")]
    before = shop.database.read_bytes()
    for file in files:
        shop.database.write_bytes(before)
        done = shop.run("take-back", str(file), "--as", "P02")
        assert done.code == 0, (file, done.err)
        bench = shop.run("result", TAG, "-f", "json").json()["bench"]
        assert (float(bench["humidity"]), bench["work_order"]) == (0.41, "WO-0042"), file


def test_an_entry_that_shows_another_number_is_refused(
    shop: Any, handed: Callable[..., Round], tmp_path: Path
) -> None:
    round_ = handed().good().fill(TAG, temperature=0.204)
    page = round_.book[TAG]
    codes = {
        "temperature": "0.0%", "trip:0:as-found:1": '0.0" mbar"', "reset:0:as-found:1": "0.0,",
        "trip:0:as-found:2": '"-"0.0',
    }  # fmt: skip
    for key, code in codes.items():
        page[round_.place(TAG, key)].number_format = code
    path = round_.save()
    for file in [path] if SOFFICE is None else [path, convert(path, "ods", tmp_path / "ods")]:
        done = shop.run("take-back", str(file), "--check", "--as", "P02")
        assert done.code == 1
        for key in codes:
            assert f"!{round_.place(TAG, key)}: " in done.err, (file, key, done.err)
        assert done.err.count("not one plain number") == len(codes), done.err


@needs_office
def test_an_open_document_is_compared_as_strictly(
    shop: Any, handed: Callable[..., Round], tmp_path: Path
) -> None:
    """In an .ods a changed formula or text, and a formula as an entry, are seen too."""
    round_ = handed().good()
    document = convert(round_.save(), "ods", tmp_path / "ods")
    form = round_.forms[TAG]
    with zipfile.ZipFile(document) as archive:
        parts = {name: archive.read(name) for name in archive.namelist()}
    content = parts["content.xml"].decode()
    mean = next(c for c in form.cells if c.formula and "AVERAGE" in str(c.value))
    for old, new, said in (
        ("Strainer", "Screen", ""),
        ("AVERAGE(", "MAX(", f"{at(mean.row, mean.column)}: The formula"),
        ('office:value="250.8"', 'office:value="250.8" table:formula="of:=[.E42]"',
         f"{form.place('trip:0:as-found:1')}: L as-found run 1 trip: a formula"),
        ("PS-GEN rev 2", "PS-GEN rev 1", "This cell was altered: "),
    ):  # fmt: skip
        assert old in content
        changed = document.with_name("changed.ods")
        with zipfile.ZipFile(changed, "w") as archive:
            for name, data in (parts | {"content.xml": content.replace(old, new).encode()}).items():
                archive.writestr(name, data)
        done = shop.run("take-back", str(changed), "--check", "--as", "P02")
        assert done.code == (1 if said else 0), (old, done.err)
        assert said in done.err
