"""``move-in`` and ``move-ins`` through the program: the demo's input files as a shop's files."""

from __future__ import annotations

import csv
import io
import re
import shlex
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


def test_a_file_without_rows_is_named_with_its_proposal(bare: Shop, tmp_path: Path) -> None:
    (tmp_path / "blank.csv").write_text("\n\n")
    (tmp_path / "head.csv").write_text("Tag,Duty\n")
    files = [str(tmp_path / name) for name in ("blank.csv", "head.csv")]
    done = bare.run("move-in", *files, "--propose", str(tmp_path / "new.toml"))
    assert done.code == 0, done.err
    assert "blank.csv: The file has no rows." in done.out
    assert "head.csv, head: The sheet has one row" in done.out


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
        "added": 40, "changed": 0, "unchanged": 0, "refused": 0, "rows_not_read": 0,
    }  # fmt: skip
    assert found["problems"] == []
    assert found["written"] is None
    assert bare.state() == before


def test_a_run_is_held_to_what_the_dry_run_told(bare: Shop, files: list[str], mapping: str) -> None:
    """The command that the dry run prints adds just that, and nothing once anything differs."""
    dry = bare.run("move-in", *files, "--mapping", mapping, "--as", "P01", "--reason", "as of 1/11")
    (line,) = [each for each in dry.out.splitlines() if each.startswith("  calfleet move-in ")]
    words = shlex.split(line)[1:]
    value = words[words.index("--checked") + 1]
    found = bare.run("move-in", *files, "--mapping", mapping, "-f", "json").json()
    assert found["checked"] == value
    rows = csv.DictReader(
        io.StringIO(bare.run("move-in", *files, "--mapping", mapping, "-f", "csv").out)
    )
    assert [r["key"] for r in rows if r["what"] == "check value"] == [value]
    before = bare.state()
    cycles, how = Path(files[-1]), Path(mapping)
    kept = cycles.read_text(), how.read_text()

    cycles.write_text(kept[0] + "\n")
    done = bare.run(*words)
    assert (done.code, "told: the files are not the same." in done.err) == (3, True), done.err
    cycles.write_text(kept[0])
    how.write_text(kept[1] + '\n[[areas]]\ncode = "NEW"\nname = "New area"\n')
    done = bare.run(*words)
    assert done.code == 3
    assert "the mapping is another and the outcome is another" in " ".join(done.err.split())
    how.write_text(kept[1])
    assert bare.state() == before
    done = bare.run(*words)
    assert done.code == 0, done.err
    again = bare.run(*words)  # the site holds it now
    assert again.code == 3
    assert "what the site holds, the day, or who moves in is another" in " ".join(again.err.split())
    assert "Next: Do the dry run again" in " ".join(again.err.split())


@pytest.mark.parametrize(
    ("more", "says"),
    [(("--checked", "3f9ac2-1b07de-90aa41"), "--checked without --run"),
     (("--run", "--reason", "x", "--checked", "yes"), "'yes' is no check value")],
)  # fmt: skip
def test_a_check_value_needs_a_run_and_its_form(
    bare: Shop, files: list[str], mapping: str, more: tuple[str, ...], says: str
) -> None:
    done = bare.run("move-in", *files, "--mapping", mapping, "--as", "P01", *more)
    assert done.code == 2
    assert says in " ".join(done.err.split())


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
    told = list(lines)
    places = [line["place"] for line in told if line["what"] == "problem"]
    assert "calibrations.csv, line 4, column C" in places
    lost = {(x["kind"], x["place"]): x["key"] for x in told if x["what"] == "rows not read"}
    assert lost["calibration", "calibrations.csv, calibrations"] == "1"
    dry = bare.run("move-in", *files, "--mapping", mapping)
    assert re.search(r"calibration +39 +0 +0 +0 +[1-9]", dry.out)
    assert "gave no record, for the problems below" in " ".join(dry.out.split())
    left = run(bare, files, mapping, "--leave-out-refused")
    assert left.code == 0, left.err
    assert "left out" in left.out
    assert bare.run("result", cells[0]).code == 2


def test_the_listing_is_not_lost_where_no_copy_can_be_written(
    bare: Shop, files: list[str], mapping: str, tmp_path: Path
) -> None:
    history, taken = Path(files[-2]), tmp_path / "taken"
    text = history.read_text().splitlines()
    cells = text[3].split(",")
    text[3] = ",".join([*cells[:2], "no day", *cells[3:]])
    history.write_text("\n".join(text) + "\n")
    taken.write_text("")
    for folder, says in ((taken, "is a file"), (taken / "below", "cannot be written")):
        done = bare.run("move-in", *files, "--mapping", mapping, "--marked", str(folder))
        assert done.code == 1
        assert "is not a date" in done.out
        assert f"Not marked: {folder}: " in done.err
        assert says in done.err


def test_a_problem_that_no_copy_can_show_is_told(
    bare: Shop, files: list[str], mapping: str, tmp_path: Path
) -> None:
    how = Path(mapping)
    other = '[[areas]]\ncode = "BIO"\nname = "Not what the site calls it"\n\n'
    how.write_text(other + how.read_text())
    done = bare.run("move-in", *files, "--mapping", mapping, "--marked", str(tmp_path / "marked"))
    assert done.code == 1
    assert "Not marked: the mapping, [[areas]]: No marked copy shows it" in done.err


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
    remarks = bare.run("move-in", *files, "--mapping", str(target), "-f", "json").json()["remarks"]
    assert {r["place"] for r in remarks if "given by an approver" in r["message"]} == {
        "people.csv, line 2, column C", "qualifications.csv, line 2, column B",
    }  # fmt: skip
    done = bare.run("move-in", *files, "--mapping", str(target), "--as", "P01")
    assert done.code == 1
    told = " ".join(done.out.split())
    assert "people.csv, line 2, column C: P01 may not give a role or a qualification." in told
    assert "role approver is needed on 2026-11-25: P07." in told
    as_approver = ("--mapping", str(target), "--run", "--as", "P07", "--reason", "hired")
    done = bare.run("move-in", *files, *as_approver)
    told = " ".join((done.out + done.err).split())
    assert done.code == 1
    assert "Person P02 is in the site with other content" in told
    assert "P05 has a qualification for temperature from 2022-01-24 through 2025-12-31" in told
    done = bare.run("move-in", *files, *as_approver, "--leave-out-refused")
    assert done.code == 0, done.err
    rows = {r["code"]: r for r in bare.run("people", "--as-of", "2026-12-02", "-f", "json").json()}
    assert rows["P05"]["roles"] == "technician, reviewer"
    assert rows["P05"]["qualifications"] == "vacuum (2029-12-31)"
    assert bare.ask("SELECT kind, key, place FROM moved_record ORDER BY id") == [
        ("person role", "P05 technician from 2026-12-01", "people.csv, line 2, column C"),
        ("qualification", "P05 vacuum from 2026-12-01", "qualifications.csv, line 2, column B"),
    ]
    assert "Everything is as it was entered" in bare.run("verify").out


def granting(tmp_path: Path, bare: Shop, people: str, held: str) -> list[str]:
    """The words of a move-in of these rows, read by the proposed mapping."""
    files = [tmp_path / "people.csv", tmp_path / "qualifications.csv"]
    files[0].write_text("person,name,role,effective_on,held\n" + people)
    files[1].write_text("person,quantity,granted_on,expires_on,granted_by\n" + held)
    target = tmp_path / "grants.toml"
    done = bare.run("move-in", *map(str, files), "--propose", str(target))
    assert done.code == 0, done.err
    return ["move-in", *map(str, files), "--mapping", str(target)]


def test_a_new_person_does_not_grant_to_himself(bare: Shop, tmp_path: Path) -> None:
    """As 'person qualify' refuses it once the person is there."""
    words = granting(
        tmp_path, bare, "P20,Orla Fennimore,approver,2024-01-01,yes\n",
        "P20,pressure,2024-02-01,2027-01-31,P20\n",
    )  # fmt: skip
    refusal = "P20 may not grant P20's own qualification."
    before = bare.state()
    done = bare.run(*words, "--run", "--as", "P07", "--reason", "hired")
    assert done.code == 1
    assert refusal in " ".join(done.out.split())
    assert bare.state() == before
    bare.run("person", "add", "P20", "Orla Fennimore", "--as", "P01")
    bare.run("person", "give-role", "P20", "approver", "--from", "2024-01-01", "--as", "P07")
    done = bare.run("person", "qualify", "P20", "pressure", "--from", "2024-02-01",
                    "--until", "2027-01-31", "--by", "P20", "--as", "P07")  # fmt: skip
    assert done.code == 3
    assert refusal in " ".join(done.err.split())


def test_a_run_by_another_person_than_the_dry_run_is_not_blamed_on_the_site(
    bare: Shop, tmp_path: Path
) -> None:
    words = granting(
        tmp_path, bare, "P05,Edda Thistlewick,technician,2026-12-01,yes\n"
        "P21,Rowan Tench,,,\n", "",
    )  # fmt: skip
    value = bare.run(*words, "-f", "json").json()["checked"]
    before = bare.state()
    done = bare.run(*words, "--run", "--leave-out-refused", "--checked", value, "--as", "P01",
                    "--reason", "x")  # fmt: skip
    told = " ".join(done.err.split())
    assert done.code == 3, told
    assert "so what the site holds, the day, or who moves in is another" in told
    assert "Do the dry run again for the same person" in told
    assert bare.state() == before
    value = bare.run(*words, "--as", "P01", "-f", "json").json()["checked"]
    done = bare.run(*words, "--run", "--leave-out-refused", "--checked", value, "--as", "P01",
                    "--reason", "x")  # fmt: skip
    assert done.code == 0, done.err


def rewritten(file: Path, key: str, change: dict[str, str]) -> None:
    """The file with the rows of one calibration alone, changed."""
    with file.open(newline="") as stream:
        rows = list(csv.DictReader(stream))
    kept = [{**row, **change} for row in rows if row["calibration"] == key]
    assert kept
    with file.open("w", newline="") as stream:
        writer = csv.DictWriter(stream, rows[0])
        writer.writeheader()
        writer.writerows(kept)


def test_a_correction_names_a_record_of_an_earlier_move(
    bare: Shop, files: list[str], mapping: str, tmp_path: Path
) -> None:
    assert run(bare, files, mapping).code == 0
    heads, readings = tmp_path / "calibrations.csv", tmp_path / "cycles.csv"
    with heads.open(newline="") as stream:
        first = next(csv.DictReader(stream))
    number = first["calibration"]
    change = {"calibration": "K1", "replaces": "nobody", "replacement_reason": "misread"}
    rewritten(heads, number, change)
    rewritten(readings, number, {"calibration": "K1"})
    done = bare.run("move-in", *files, "--mapping", mapping)
    assert done.code == 1
    assert "No calibration named 'nobody'" in done.out
    assert "K1" not in done.out.split("No calibration named")[1].split("\n\n")[0]
    rewritten(heads, "K1", {"replaces": number})
    done = run(bare, files, mapping)
    assert done.code == 0, done.err
    assert "1 record added" in done.out
    assert f"corrects {number}: misread" in bare.run("result", "K1").out
    assert "CORRECTED by K1" in bare.run("result", number).out
    again = run(bare, files, mapping)
    assert again.code == 0
    assert "nothing to add" in again.out


def test_a_dry_run_says_that_the_person_named_may_not_run_it(
    bare: Shop, files: list[str], mapping: str
) -> None:
    done = bare.run("move-in", *files, "--mapping", mapping, "--as", "P02")
    assert done.code == 0
    assert "--as: P02 may not move in all of this." in " ".join(done.out.split())
    assert "--as PERSON" in done.out.splitlines()[-1]
    for person in ("P02", "P07"):  # a technician, an approver
        before = bare.state()
        done = bare.run(
            "move-in", *files, "--mapping", mapping, "--run", "--as", person, "--reason", "x"
        )
        assert done.code == 3
        assert "may not move" in done.err
        assert "P01" in done.err
        assert bare.state() == before
