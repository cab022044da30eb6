"""``move-in`` and ``move-ins`` through the program: the demo's input files as a shop's files."""

from __future__ import annotations

import csv
import io
import shutil
from pathlib import Path
from typing import Any

import pytest

from calfleet.site import sample_folder
from tests.cli.conftest import Shop
from tests.cli.test_bad_workbooks import sample

AT_START = ("site.toml", "people.csv", "qualifications.csv")
CERTIFICATES = ("certificates.csv", "certificate_points.csv", "certificate_standards.csv")


@pytest.fixture(scope="module")
def bare_site(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A new site from its people and procedures alone, on the demo's day."""
    root = tmp_path_factory.mktemp("bare")
    given = root / "input"
    given.mkdir()
    for name in AT_START:
        shutil.copy(sample_folder() / name, given / name)
    shutil.copytree(sample_folder() / "procedures", given / "procedures")
    site = root / "site"
    done = Shop(site).run("build", str(site), "--from", str(given), here=False)
    assert done.code == 0, done.err
    assert "without switches, gauges or history" in done.out
    assert "calfleet move-in" in done.out
    settings = site / "calfleet.toml"
    settings.write_text(settings.read_text() + "\n[clock]\nfixed = 2026-11-25\n")
    return site


@pytest.fixture
def bare(bare_site: Path, tmp_path: Path) -> Shop:
    shutil.copytree(bare_site, tmp_path / "site")
    return Shop(tmp_path / "site")


@pytest.fixture
def files(tmp_path: Path) -> list[str]:
    """Gauges, certificates, the first switches, and forty calibrations of theirs."""
    source = sample_folder()
    made = [
        shutil.copy(source / name, tmp_path / name) for name in ("gauges.xlsx", "switches.xlsx")
    ]
    made += [shutil.copy(source / name, tmp_path / name) for name in CERTIFICATES]
    with (source / "calibrations.csv").open() as stream:
        lines = stream.readlines()[:41]
    (tmp_path / "calibrations.csv").write_text("".join(lines))
    kept = {line.split(",")[0] for line in lines}
    with (source / "cycles.csv").open() as stream:
        rows = [line for line in stream if line.split(",")[0] in kept]
    (tmp_path / "cycles.csv").write_text("".join(rows))
    return [*map(str, made), str(tmp_path / "calibrations.csv"), str(tmp_path / "cycles.csv")]


@pytest.fixture
def mapping(bare: Shop, files: list[str], tmp_path: Path) -> str:
    """The proposal, with the unit of the readings added by hand."""
    target = tmp_path / "mapping.toml"
    done = bare.run("move-in", *files, "--propose", str(target))
    assert done.code == 0, done.err
    text = target.read_text()
    for name in ("trip", "reset", "static"):
        text = text.replace(f'field = "{name}"', f'field = "{name}", unit = "of the gauge"')
    target.write_text(text)
    return str(target)


def run(shop: Shop, files: list[str], mapping: str, *more: str) -> Any:
    return shop.run(
        "move-in", *files, "--mapping", mapping, "--run", "--as", "P01", "--reason", "start", *more
    )


def test_a_dry_run_tells_everything_and_writes_nothing(
    bare: Shop, files: list[str], mapping: str
) -> None:
    before = bare.state()
    done = bare.run("move-in", *files, "--mapping", mapping)
    assert done.code == 0, done.err
    assert "Dry run: nothing was written." in done.out
    assert "40 calibrations judged from their readings" in done.out
    assert bare.state() == before
    found = bare.run("move-in", *files, "--mapping", mapping, "-f", "json").json()
    assert found["records"]["calibration"] == {
        "added": 40, "changed": 0, "unchanged": 0, "refused": 0,
    }  # fmt: skip
    assert found["problems"] == []
    assert found["written"] is None
    assert bare.state() == before


def test_moved_in_listed_and_shown_and_twice_nothing(
    bare: Shop, files: list[str], mapping: str
) -> None:
    done = run(bare, files, mapping)
    assert done.code == 0, done.err
    assert "Moved in as M2026-001" in done.out
    listed = bare.run("move-ins", "-f", "json").json()
    assert [(m["number"], m["recorded_by"], m["left_out"]) for m in listed] == [
        ("M2026-001", "P01", 0)
    ]
    assert "cycles.csv" in listed[0]["files"]
    shown = bare.run("result", "H00007")
    assert "Came from   calibrations.csv, line 8, column A, by M2026-001" in shown.out.replace(
        "column B", "column A"
    )
    assert bare.run("verify").code == 0
    before = bare.state()
    again = run(bare, files, mapping)
    assert again.code == 0
    assert "nothing to add" in again.out
    assert bare.state() == before


def test_problems_stop_a_run_and_are_marked(
    bare: Shop, files: list[str], mapping: str, tmp_path: Path
) -> None:
    history = Path(files[-2])
    text = history.read_text().splitlines()
    cells = text[3].split(",")
    cells[2] = "no day"
    text[3] = ",".join(cells)
    history.write_text("\n".join(text) + "\n")
    before = bare.state()
    done = run(bare, files, mapping, "--marked", str(tmp_path / "marked"))
    assert done.code == 1
    assert "calibrations.csv, line 4, column C" in done.out
    assert "Nothing was written" in done.out
    assert bare.state() == before
    assert list((tmp_path / "marked").iterdir())
    lines = csv.DictReader(
        io.StringIO(bare.run("move-in", *files, "--mapping", mapping, "-f", "csv").out)
    )
    places = [line["place"] for line in lines if line["what"] == "problem"]
    assert "calibrations.csv, line 4, column C" in places
    left = run(bare, files, mapping, "--leave-out-refused")
    assert left.code == 0, left.err
    assert "left out" in left.out
    assert bare.run("result", cells[0]).code == 2


def test_what_is_in_the_site_is_not_overwritten(bare: Shop, files: list[str], mapping: str) -> None:
    assert run(bare, files, mapping).code == 0
    certificates = Path(files[2])
    certificates.write_text(certificates.read_text().replace("20.3,0.50,no", "20.4,0.50,no", 1))
    before = bare.state()
    done = run(bare, files, mapping)
    assert done.code == 1
    assert "never changed" in done.out.replace("\n", " ").replace("  ", "")
    assert "certificates.csv, line 2" in done.out
    assert bare.state() == before


@pytest.mark.parametrize(
    ("more", "code", "word"),
    [
        (["--run"], 2, "--propose"),
        (["--mapping", "m.toml", "--run"], 2, "reason"),
        (["--leave-out-refused"], 2, "dry run"),
        (["--propose", "x.toml", "--run"], 2, "proposed first"),
        (["--mapping", "nowhere.toml"], 2, "nowhere.toml"),
    ],
)
def test_options_that_do_not_go_together(
    bare: Shop, files: list[str], more: list[str], code: int, word: str
) -> None:
    done = bare.run("move-in", files[0], *more)
    assert done.code == code
    assert word in done.err


def test_only_a_planner_moves_in(bare: Shop, files: list[str], mapping: str) -> None:
    before = bare.state()
    done = bare.run(
        "move-in", *files, "--mapping", mapping, "--run", "--as", "P02", "--reason", "x"
    )
    assert done.code == 3
    assert "planner" in done.err
    assert bare.state() == before


def test_two_files_of_one_name(bare: Shop, files: list[str], tmp_path: Path) -> None:
    (tmp_path / "other").mkdir()
    twin = shutil.copy(files[0], tmp_path / "other" / "gauges.xlsx")
    done = bare.run("move-in", files[0], str(twin))
    assert done.code == 2
    assert "gauges.xlsx" in done.err


def test_bad_files(bare: Shop, tmp_path: Path) -> None:
    """A good part of all bad files: a message each, no traceback, nothing written."""
    before = bare.state()
    folder = tmp_path / "bad"
    folder.mkdir()
    unreadable = 0
    for bad in sample():
        path = folder / bad.name
        path.write_bytes(bad.content)
        done = bare.run("move-in", str(path), columns=4000)
        assert done.code in (0, 1), (bad.name, done.err)
        assert "Traceback" not in done.err + done.out
        if done.code == 1 and not done.out:
            unreadable += 1
            assert done.err.count("\n  ") >= 2
            assert f"{bad.name}" in done.err
    assert unreadable > 12
    assert bare.state() == before


def test_people_take_up_what_further_rows_grant(bare: Shop, tmp_path: Path) -> None:
    people, held = tmp_path / "people.csv", tmp_path / "qualifications.csv"
    people.write_text(
        "person,name,role,effective_on,held\n"
        "P05,Edda Thistlewick,technician,2026-12-01,yes\n"
        "P05,Edda Thistlewick,reviewer,2026-01-01,yes\n"
        "P02,Tamsin Someoneelse,,,\n"
        "P07,Liv Marrowbeck,,,\n"
    )
    held.write_text(
        "person,quantity,granted_on,expires_on,granted_by\n"
        "P05,vacuum,2026-12-01,2029-12-31,P07\n"
        "P05,pressure,2022-01-24,2025-12-31,P07\n"
        "P05,temperature,2022-01-24,2026-12-31,P07\n"
    )
    files, target = [str(people), str(held)], tmp_path / "grants.toml"
    done = bare.run("move-in", *files, "--propose", str(target))
    assert done.code == 0, done.err
    done = run(bare, files, str(target))
    told = " ".join((done.out + done.err).split())
    assert done.code == 1
    assert "Person P02 is in the site with other content" in told
    assert "P05 has a qualification for temperature from 2022-01-24 through 2025-12-31" in told
    done = run(bare, files, str(target), "--leave-out-refused")
    assert done.code == 0, done.err
    rows = {r["code"]: r for r in bare.run("people", "--as-of", "2026-12-02", "-f", "json").json()}
    assert rows["P05"]["roles"] == "technician, reviewer"
    assert rows["P05"]["qualifications"] == "vacuum (2029-12-31)"
    assert bare.ask("SELECT kind, key, place FROM moved_record ORDER BY id") == [
        ("person role", "P05 technician from 2026-12-01", "people.csv, line 2, column C"),
        ("qualification", "P05 vacuum from 2026-12-01", "qualifications.csv, line 2, column B"),
    ]
    assert "Everything is as it was entered" in bare.run("verify").out
