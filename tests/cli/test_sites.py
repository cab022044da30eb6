"""Making, finding and keeping a site: demo, build, upgrade."""

from __future__ import annotations

import csv
import shutil
import signal
import sqlite3
import subprocess
import sys
import zipfile
from collections.abc import Callable
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest

from calfleet.store.revision import HEAD
from calfleet.store.schema import upgrade

SAMPLE = Path(__file__).resolve().parents[2] / "sample_site"


@pytest.fixture
def inputs(tmp_path: Path) -> Path:
    """The sample site's input files with the first three calibrations only."""
    folder = Path(shutil.copytree(SAMPLE, tmp_path / "inputs"))
    kept = set()
    for name, column in (("calibrations.csv", 0), ("cycles.csv", 0)):
        with (folder / name).open(encoding="utf-8", newline="") as file:
            rows = list(csv.reader(file))
        if not kept:
            kept = {row[0] for row in rows[1:4]}
        rows = [rows[0], *(row for row in rows[1:] if row[column] in kept)]
        with (folder / name).open("w", encoding="utf-8", newline="") as file:
            csv.writer(file).writerows(rows)
    return folder


def flat(text: str) -> str:
    """A message as one line: the terminal may have wrapped it anywhere."""
    return " ".join(text.split())


def edit(path: Path, old: str, new: str) -> None:
    text = path.read_text(encoding="utf-8")
    assert old in text
    path.write_text(text.replace(old, new, 1), encoding="utf-8")


# --- finding it -------------------------------------------------------------------------


def test_a_site_is_found_from_a_folder_below_it(shop: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    expected = shop.ok("people")
    below = shop.root / "attachments" / "2026" / "photos"
    below.mkdir(parents=True)
    for folder in (shop.root, below):
        monkeypatch.chdir(folder)
        assert shop.ok("people", here=False) == expected


def test_the_option_counts_more_than_the_variable_and_that_more_than_the_folder(
    shop: Any, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    other = tmp_path / "other"
    other.mkdir()
    (other / "calfleet.toml").write_text('[database]\nurl = "sqlite:///x.sqlite"\n')
    expected = shop.ok("people")
    monkeypatch.chdir(other)
    assert "x.sqlite does not exist" in flat(shop.run("people", here=False).err)
    assert shop.ok("people") == expected  # CALFLEET_SITE
    wrong: dict[str, str | None] = {"CALFLEET_SITE": str(other)}
    assert "x.sqlite does not exist" in flat(shop.run("people", environment=wrong).err)
    assert shop.ok("people", "--site", str(shop.root), environment=wrong) == expected
    monkeypatch.chdir(tmp_path)
    assert shop.ok("people", "--site", "site", here=False) == expected  # a relative folder


# --- demo -------------------------------------------------------------------------------


def test_the_demo_walks_the_main_job(demo_site: Path) -> None:
    text = (demo_site.parent / "demo-site.txt").read_text(encoding="utf-8")
    places = [
        text.index("1. The planner"),
        text.index("32 due: 6 overdue"),
        text.index("2. The technician"),
        text.index("Calibration C2026-0145 of PDSL-4104"),
        text.index("3. The auditor"),
        text.index("Unbroken: every link"),
        text.index("Three commands to try there"),
    ]
    assert places == sorted(places)


def test_the_three_commands_the_demo_names_work(demo: Any, tmp_path: Path) -> None:
    text = (demo.root.parent / "demo-site.txt").read_text(encoding="utf-8")
    named = [line.split()[1:] for line in text.splitlines() if line.startswith("  calfleet ")]
    assert len(named) == 3
    for words in named:
        words = [str(tmp_path / w) if w.endswith(".svg") else w for w in words]
        assert demo.run(*words).code == 0
    assert (tmp_path / "trace.svg").is_file()


@pytest.mark.parametrize("command", ["demo", "build"])
def test_nothing_is_built_over_something(
    shop: Any, inputs: Path, tmp_path: Path, command: str
) -> None:
    source = ["--from", str(inputs)] if command == "build" else []
    before = shop.state()
    done = shop.run(command, str(shop.root), *source)
    assert done.code == 3
    assert "holds a calfleet site already" in flat(done.err)
    assert shop.state() == before

    full = tmp_path / "full"
    full.mkdir()
    (full / "letter.txt").write_text("dear")
    done = shop.run(command, str(full), *source)
    assert done.code == 3
    assert "not an empty folder" in flat(done.err)
    assert [p.name for p in full.iterdir()] == ["letter.txt"]

    done = shop.run(command, str(full / "letter.txt"), *source)
    assert done.code == 3
    assert (full / "letter.txt").read_text() == "dear"


def test_a_demo_interrupted_leaves_nothing_behind(
    tmp_path: Path, environment: dict[str, str]
) -> None:
    folder = tmp_path / "demo"
    child = subprocess.Popen(
        [sys.executable, "-m", "calfleet", "demo", str(folder)],
        env=environment | {"PYTHONUNBUFFERED": "1"},
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )
    assert child.stderr is not None
    said = ""
    for line in child.stderr:
        said += line
        if line.startswith("Building"):
            assert folder.exists()
            child.send_signal(signal.SIGINT)
            break
    out, err = child.communicate(timeout=60)
    assert child.returncode == 130, err
    assert out == ""
    assert "Interrupted; nothing was written." in err
    assert "Traceback" not in said + err
    assert not folder.exists()


# --- build ------------------------------------------------------------------------------


def test_a_site_is_built_from_input_files(shop: Any, inputs: Path, tmp_path: Path) -> None:
    folder = tmp_path / "new"
    done = shop.run("build", str(folder), "--from", str(inputs), "--as", "P07", here=False)
    assert done.code == 0, done.err
    assert "3 calibrations" in done.out
    assert f"Next: cd {folder} && calfleet due" in done.out
    new = type(shop)(folder)
    assert new.ask("SELECT version_num FROM alembic_version") == [(HEAD,)]
    assert new.ask("SELECT count(*) FROM calibration") == [(3,)]
    assert new.ask("SELECT count(*) FROM switch") == shop.ask("SELECT count(*) FROM switch")
    assert new.ask("SELECT actor, action FROM audit_entry") == [("P07", "build site")]
    assert "fixed" not in (folder / "calfleet.toml").read_text()  # it lives by the real day
    assert new.run("history", "PSLL-6102C", "-f", "json").json()[0]["calibration"] == "H00001"
    shown = new.ok("people", "--as-of", "2026-11-25")
    assert shown == shop.ok("people")


def test_an_empty_folder_may_become_a_site(shop: Any, inputs: Path, tmp_path: Path) -> None:
    folder = tmp_path / "new"
    folder.mkdir()
    assert shop.run("build", str(folder), "--from", str(inputs)).code == 0
    assert (folder / "site.sqlite").is_file()


def test_every_problem_in_the_input_is_named_at_once(
    shop: Any, inputs: Path, tmp_path: Path
) -> None:
    edit(inputs / "people.csv", "P01,Maren Quillstone,planner", "P01,Maren Quillstone,plumber")
    edit(inputs / "certificates.csv", "2021-10-12", "12.10.2021")
    edit(inputs / "certificates.csv", "2022-02-16,kPa", "2022-02-16,inH2O")
    edit(inputs / "certificates.csv", "2021-11-24,kPa", "2021-11-24,furlong")
    edit(inputs / "certificate_points.csv", ",0.00,0.0,0.10,2", ",0.00,zero,0.10,2")
    edit(inputs / "qualifications.csv", "P02,vacuum", "P0X,vacuum")
    edit(inputs / "calibrations.csv", "PSLL-6102C", "PSLL-6102Z")
    folder = tmp_path / "new"
    done = shop.run("build", str(folder), "--from", str(inputs), here=False)
    assert done.code == 1
    assert done.out == ""
    assert "Traceback" not in done.err
    assert "nothing was written" in done.err
    for place, what in (
        ("people.csv, line 2", "plumber"),
        ("certificates.csv, line 2", "12.10.2021"),
        ("certificates.csv, line 3", "furlong"),
        ("certificates.csv, line 4", "inH2O"),
        ("certificate_points.csv, line 2", "zero"),
        ("qualifications.csv, line 4", "P0X"),
        ("calibrations.csv, line 2", "PSLL-6102Z"),
    ):
        found = [x for x in done.err.splitlines() if x.strip().startswith(place) and what in x]
        assert found, (place, what, done.err)
    ambiguous = [x for x in done.err.splitlines() if "inH2O" in x]
    assert any("inH2O_20C" in x for x in ambiguous)  # the choices are offered
    assert not folder.exists()


def test_a_folder_without_input_is_no_source(shop: Any, tmp_path: Path) -> None:
    done = shop.run("build", str(tmp_path / "new"), "--from", str(tmp_path / "nowhere"))
    assert done.code == 2
    assert "There is no folder" in flat(done.err)
    (tmp_path / "empty").mkdir()
    done = shop.run("build", str(tmp_path / "new"), "--from", str(tmp_path / "empty"))
    assert done.code == 1
    assert "site.toml" in done.err
    assert not (tmp_path / "new").exists()


def test_a_build_that_fails_half_way_leaves_nothing_behind(
    shop: Any, inputs: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from calfleet.errors import RecordRefused
    from calfleet.store import calibration_facts

    def refuse(*_: object) -> None:
        raise RecordRefused("No.", rule="A test.", next_step="None.")

    monkeypatch.setattr(calibration_facts, "add_calibrations", refuse)
    folder = tmp_path / "new"
    assert shop.run("build", str(folder), "--from", str(inputs)).code == 3
    assert not folder.exists()
    folder.mkdir()
    assert shop.run("build", str(folder), "--from", str(inputs)).code == 3
    assert list(folder.iterdir()) == []


def test_an_address_that_is_no_database(shop: Any, inputs: Path, tmp_path: Path) -> None:
    for url in ("mysql://host/name", "nonsense", "sqlite:///"):
        done = shop.run("build", str(tmp_path / "new"), "--from", str(inputs), "--database", url)
        assert done.code == 2, url
        assert "database.url" in flat(done.err)
        assert not (tmp_path / "new").exists(), url


# --- upgrade ----------------------------------------------------------------------------


def test_a_database_that_is_current_is_left_alone(shop: Any) -> None:
    before = shop.state()
    assert f"has revision {HEAD} already; nothing was changed" in shop.ok("upgrade")
    assert shop.state() == before


def test_an_older_database_is_upgraded_after_a_backup(shop: Any, tmp_path: Path) -> None:
    shop.database.unlink()
    upgrade(f"sqlite:///{shop.database}", to="0001")
    old = shop.ask("SELECT sql FROM sqlite_master ORDER BY name")
    refused = shop.run("switches")
    assert refused.code == 3
    assert "Run 'calfleet upgrade'" in " ".join(refused.err.split())

    done = shop.run("upgrade")
    assert done.code == 0
    said = done.out
    assert f"Upgraded from revision 0001 to {HEAD}." in said
    assert shop.ask("SELECT version_num FROM alembic_version") == [(HEAD,)]
    (saved,) = (shop.root / "backups").glob("before-upgrade-*.zip")
    assert str(saved) in said
    with zipfile.ZipFile(saved) as archive:
        packed = archive.extract("site.sqlite", tmp_path / "packed")
    with closing(sqlite3.connect(packed)) as reader:
        assert reader.execute("SELECT version_num FROM alembic_version").fetchall() == [("0001",)]
        assert reader.execute("SELECT sql FROM sqlite_master ORDER BY name").fetchall() == old
    assert shop.ok("switches").endswith("0 switches.\n")


def test_a_read_only_database_is_not_upgraded(shop: Any) -> None:
    shop.database.unlink()
    upgrade(f"sqlite:///{shop.database}", to="0001")
    shop.database.chmod(0o444)
    before = shop.state()
    done = shop.run("upgrade")
    assert done.code == 3
    assert "read-only" in flat(done.err)
    assert shop.state() == before


def test_a_database_of_a_newer_program_is_not_touched(shop: Any) -> None:
    with closing(sqlite3.connect(shop.database)) as writer, writer:
        writer.execute("UPDATE alembic_version SET version_num = '9999'")
    before = shop.database.read_bytes()
    done = shop.run("upgrade")
    assert done.code == 3
    assert "9999" in done.err
    assert "Traceback" not in done.err
    assert shop.database.read_bytes() == before


# --- the program itself -----------------------------------------------------------------


def test_it_runs_as_a_module(demo: Any, process: Callable[..., Any]) -> None:
    done = process("due", cwd=demo.root)
    assert (done.returncode, done.stderr) == (0, "")
    assert done.stdout == demo.ok("due")
