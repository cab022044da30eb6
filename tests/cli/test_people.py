"""People, laboratories and areas entered after the site was built, through the program."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from calfleet.records import LaboratoryKind, Role
from calfleet.site import sample_folder


def flat(text: str) -> str:
    return " ".join(text.split())


def refused(shop: Any, *words: str, code: int) -> str:
    before = shop.state()
    done = shop.run(*words)
    assert (done.code, done.out) == (code, ""), done.err
    assert shop.state() == before
    return flat(done.err)


def test_a_new_technician_works_and_the_trail_tells_why(shop: Any) -> None:
    out = shop.ok("person", "add", "P09", "Ivo Reedmace", "--as", "P01")
    assert out.startswith("P09 (Ivo Reedmace) is on record, without a role.")
    shop.ok(
        "person", "give-role", "p09", "technician", "--from", "2026-12-01", "--reason", "hired",
        "--as", "P07",
    )  # fmt: skip
    out = flat(shop.ok("person", "qualify", "P09", "differential pressure", "--from", "2026-12-01",
                       "--until", "2027-01-15", "--as", "P07"))  # fmt: skip
    assert "from 2026-12-01 through 2027-01-15, granted by P07 (none before)." in out
    rows = {r["code"]: r for r in shop.run("people", "-f", "json").json()}
    assert rows["P09"]["roles"] == ""
    rows = {r["code"]: r for r in shop.run("people", "--as-of", "2026-12-01", "-f", "json").json()}
    assert rows["P09"]["roles"] == "technician"
    assert rows["P09"]["qualifications"] == "differential pressure (2027-01-15)"
    assert "within 60 days" not in shop.ok("people")
    told = flat(shop.ok("people", "--as-of", "2026-12-01"))
    assert "within 60 days: P09 differential pressure on 2027-01-15." in told
    assert shop.ask(
        "SELECT action, subject, reason, actor FROM audit_entry ORDER BY position"
    )[-3:] == [
        ("enter person", "P09", "", "P01"), ("give role", "p09", "hired", "P07"),
        ("grant qualification", "P09", "", "P07"),
    ]  # fmt: skip
    shop.ok("person", "take-role", "P09", "technician", "--from", "2026-12-31", "--as", "P07")
    shop.ok("laboratory", "accredit", "TOL", "AVC-0633", "--from", "2035-01-01", "--until",
            "2039-12-31", "--scope", "gauge pressure", "--as", "P01")  # fmt: skip
    shop.ok("laboratory", "add", "NEW", "New House", "in-house", "--as", "P01")
    out = shop.ok("laboratory", "add", "ACC", "Other House", "accredited", "--as", "P01")
    assert "! Without an accreditation" in out
    shop.ok("area", "add", "ANX", "Annex", "--as", "P01")
    rows = {r["laboratory"]: r for r in shop.run("laboratories", "-f", "json").json()}
    assert (rows["TOL"]["accreditation"], rows["TOL"]["valid_until"]) == ("AVC-0633", "2029-06-30")
    assert (rows["NEW"]["kind"], rows["NEW"]["accreditation"]) == ("in-house", None)
    assert rows["ACC"]["standing"] == "none on record"
    assert "within 60 days" not in shop.ok("laboratories")
    told = flat(shop.ok("laboratories", "--as-of", "2029-05-15"))
    assert "within 60 days: TOL AVC-0633 on 2029-06-30." in told
    (anx,) = [r for r in shop.run("areas", "-f", "json").json() if r["area"] == "ANX"]
    assert anx == {"area": "ANX", "name": "Annex", "switches": 0, "in_service": 0}
    assert "Everything is as it was entered" in shop.run("verify").out


def test_an_export_keeps_what_was_granted_later(shop: Any, tmp_path: Path) -> None:
    shop.ok("person", "give-role", "P02", "reviewer", "--as", "P07")
    shop.ok("laboratory", "accredit", "WES", "X-9", "--from", "2029-03-01", "--until",
            "2033-02-28", "--as", "P01")  # fmt: skip
    assert shop.run("export", str(tmp_path / "out")).code == 0
    done = shop.run("build", str(tmp_path / "again"), "--from-export", str(tmp_path / "out"))
    assert done.code == 0, done.err
    again = type(shop)(tmp_path / "again")
    assert again.run("people", "-f", "json").out == shop.run("people", "-f", "json").out
    assert "Everything is as it was entered" in again.run("verify").out


@pytest.mark.parametrize(
    ("words", "code", "says"),
    [
        ("person add P02 Other --as P01", 3, "The code P02 is taken: Tamsin Copperreed."),
        ("person add P10 Other --as P02", 3, "may not enter people"),
        ("person add P10 Other", 2, "Nobody is named"),
        ("person give-role P02 reviewer --as P01", 3, "The role approver is needed"),
        ("person give-role P07 technician --as P07", 3, "P07's own roles"),
        ("person give-role P02 boss --as P07", 2, "boss"),
        ("person give-role P2 reviewer --as P07", 2, "Nearest: P02"),
        ("person take-role P03 planner --as P07", 3, "does not hold the role planner"),
        ("person qualify P07 pressure --until 2029-01-01 --as P07", 3, "own qualification"),
        ("person qualify P02 speed --until 2029-01-01 --as P07", 2, "is no quantity"),
        ("person qualify P02 pressure --until 2026-01-01 --as P07", 3, "before it begins"),
        ("person qualify P02 pressure --until 2027-01-01 --as P07", 3, "already"),
        ("person qualify P02 pressure --until soon --as P07", 2, "not a date"),
        ("laboratory accredit WES AVC-0117 --from 2024-03-01 --until 2030-01-01 --as P01", 3,
         "on record already"),
        ("laboratory accredit WES X --from 2024-03-01 --until 2024-01-01 --as P01", 3,
         "before it begins"),
        ("area add bio Other --as P01", 3, "The code BIO is taken"),
    ],
)  # fmt: skip
def test_what_is_refused(shop: Any, words: str, code: int, says: str) -> None:
    assert says in refused(shop, *words.split(), code=code)


def test_the_commands_know_every_role_and_kind() -> None:
    from calfleet.adapters.cli.people import KindName, RoleName

    assert [str(r) for r in RoleName] == [str(r) for r in Role]
    assert [str(k) for k in KindName] == [str(k) for k in LaboratoryKind]


def test_build_warns_when_nobody_is_qualified(shop: Any, tmp_path: Path) -> None:
    given = tmp_path / "input"
    given.mkdir()
    for name in ("site.toml", "people.csv"):
        (given / name).write_bytes((sample_folder() / name).read_bytes())
    done = shop.run("build", str(tmp_path / "bare"), "--from", str(given), here=False)
    assert done.code == 0
    assert "! No technician is qualified for anything today" in flat(done.err)
