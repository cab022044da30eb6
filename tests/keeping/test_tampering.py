"""An export that is not as it was written is refused, with the file, and all of it at once."""

from __future__ import annotations

import csv
import io
import re
import shutil
from collections.abc import Callable
from hashlib import sha256
from pathlib import Path

import pytest

from calfleet.errors import CopyDamaged, SchemaMismatch, UsageError
from calfleet.site import site_from_copy
from calfleet.store.types import canonical_json


def refused(root: Path, tmp_path: Path, **how: object) -> list[str]:
    """The problems for which a copy is refused; nothing is left of the attempt."""
    before = sorted(tmp_path.iterdir())
    with pytest.raises(CopyDamaged) as told:
        site_from_copy(root, tmp_path / "new", **how)  # type: ignore[arg-type]
    assert told.value.exit_code == 1
    assert sorted(tmp_path.iterdir()) == before
    return [str(problem) for problem in told.value.problems]


def swapped(lines: list[bytes]) -> list[bytes]:
    return [lines[0], lines[2], lines[1], *lines[3:]]


TAMPERINGS: dict[str, tuple[Callable[..., None], str]] = {
    "edited cell": (lambda c: c.edit("switch", "PDSL-4104", "PDSL-4105"), "tables/switch.csv"),
    "reordered rows": (lambda c: c.lines("area", swapped), "tables/area.csv"),
    "extra row": (lambda c: c.lines("area", lambda x: [*x, x[-1]]), "tables/area.csv"),
    "row taken out": (lambda c: c.lines("area", lambda x: x[:-1]), "tables/area.csv"),
    "missing file": (lambda c: c.table("gauge").unlink(), "tables/gauge.csv"),
    "further file": (lambda c: c.table("spare").write_text("id\r\n"), "tables/spare.csv"),
    "settings": (lambda c: (c.root / "calfleet.toml").write_text(""), "calfleet.toml"),
    "description": (lambda c: (c.root / "datapackage.json").write_text("{}"), "datapackage.json"),
}


@pytest.mark.parametrize("name", TAMPERINGS)
def test_the_file_tampered_with_is_named(name: str, copy, tmp_path: Path) -> None:  # type: ignore[no-untyped-def]
    tamper, path = TAMPERINGS[name]
    tamper(copy)
    (problem,) = refused(copy.root, tmp_path)
    assert problem.startswith(f"{path}: "), problem


def test_all_of_it_is_named_at_once(copy, tmp_path: Path) -> None:  # type: ignore[no-untyped-def]
    for tamper, _ in TAMPERINGS.values():
        tamper(copy)
    found = refused(copy.root, tmp_path)
    assert {f.partition(":")[0] for f in found} == {path for _, path in TAMPERINGS.values()}


@pytest.mark.parametrize(
    ("key", "value"),
    [
        ("made_at", "2020-01-01T00:00:00.000000Z"),
        ("audit_trail", {"entries": 1, "head": "0" * 64}),
        ("schema_revision", "0001"),
        ("files", []),
    ],
)
def test_an_edited_manifest(key: str, value: object, copy, tmp_path: Path) -> None:  # type: ignore[no-untyped-def]
    copy.write_manifest(copy.manifest() | {key: value})
    (problem,) = refused(copy.root, tmp_path)
    assert problem == "manifest.json: The manifest is damaged: it is not as it was written."


@pytest.mark.parametrize(
    "data", [b"", b"{", b"[]", b"null", b'{"form": "calfleet copy"}', b"\xff\xfe", b"[" * 100_000]
)
def test_a_manifest_that_is_none(data: bytes, copy, tmp_path: Path) -> None:  # type: ignore[no-untyped-def]
    (copy.root / "manifest.json").write_bytes(data)
    (problem,) = refused(copy.root, tmp_path)
    assert problem.startswith("manifest.json: The manifest is damaged")


def test_no_manifest_no_copy(copy, tmp_path: Path) -> None:  # type: ignore[no-untyped-def]
    (copy.root / "manifest.json").unlink()
    with pytest.raises(UsageError, match=r"holds no manifest\.json"):
        site_from_copy(copy.root, tmp_path / "new")
    for missing in (tmp_path / "nothing", tmp_path / "nothing.zip"):
        with pytest.raises(UsageError, match="There is no"):
            site_from_copy(missing, tmp_path / "new")


def test_a_copy_of_a_newer_program(copy, tmp_path: Path) -> None:  # type: ignore[no-untyped-def]
    copy.reseal(schema_revision="9999")
    with pytest.raises(SchemaMismatch, match="revision 9999") as told:
        site_from_copy(copy.root, tmp_path / "new")
    assert "Install the calfleet that wrote it" in told.value.next_step
    copy.reseal(form_version=2)
    with pytest.raises(SchemaMismatch, match="form 2"):
        site_from_copy(copy.root, tmp_path / "new")


@pytest.mark.parametrize(
    "path", ["../out.csv", "/etc/out.csv", "tables/../../out", "a\\b", "", "a/./b"]
)
def test_a_name_that_leads_out(path: str, copy, tmp_path: Path) -> None:  # type: ignore[no-untyped-def]
    form = copy.manifest()
    form["files"].append({"path": path, "bytes": 1, "sha256": "0" * 64})
    form.pop("digest")
    form["digest"] = sha256(canonical_json(form).encode()).hexdigest()
    copy.write_manifest(form)
    (problem,) = refused(copy.root, tmp_path)
    assert "would lie elsewhere" in problem


def test_a_link_is_not_followed(copy, tmp_path: Path) -> None:  # type: ignore[no-untyped-def]
    target = copy.table("area")
    moved = Path(shutil.move(target, tmp_path / "area.csv"))
    target.symlink_to(moved)
    assert refused(copy.root, tmp_path) == ["tables/area.csv: The file is missing."]


# --- a forger who makes the manifest fit again ------------------------------------------------


def test_a_changed_record_is_not_as_the_audit_trail_says(copy, tmp_path: Path) -> None:  # type: ignore[no-untyped-def]
    copy.edit("switch_revision", ",ash and air,", ",ash and water,")
    copy.reseal()
    found = refused(copy.root, tmp_path)
    assert found
    assert all(f.startswith("switch ") and "not as it was entered" in f for f in found), found
    made, what = site_from_copy(copy.root, tmp_path / "kept", keep_differences=True)
    assert [str(d) for d in what.differences] == found
    assert made.database_file() is not None


def test_values_of_the_wrong_kind_are_all_named_with_file_and_line(copy, tmp_path: Path) -> None:  # type: ignore[no-untyped-def]
    def cell(table: str, line: int, column: str, value: str) -> None:
        text = copy.table(table).read_bytes().decode()
        rows = list(csv.reader(io.StringIO(text, newline="")))
        rows[line - 1][rows[0].index(column)] = value
        out = io.StringIO(newline="")
        csv.writer(out, lineterminator="\r\n").writerows(rows)
        copy.table(table).write_bytes(out.getvalue().encode())

    cell("calibration", 2, "performed_on", "2026-02-30")
    cell("calibration", 3, "temperature_c", "20,5")
    cell("calibration", 4, "adjusted", "perhaps")
    cell("calibration", 5, "switch_id", "")
    cell("calibration", 6, "recorded_at", "2026-11-25 08:30")
    cell("calibration", 8, "origin", "hearsay")
    cell("calibration_result", 2, "required", "1e3")
    cell("calibration_result", 3, "coverage_probability", "0.950")
    cell("calibration_result", 4, "runs", "3.0")
    cell("calibration_result", 5, "budget", "{ }")
    cell("calibration_finding", 2, "calibration_id", "4711")
    cell("area", 2, "id", "99")
    copy.reseal()
    found = refused(copy.root, tmp_path)

    def one(pattern: str) -> None:
        assert sum(re.search(pattern, f) is not None for f in found) == 1, (pattern, found)

    one(r"^tables/calibration\.csv line 2: performed_on: '2026-02-30' is not a date")
    one(r"^tables/calibration\.csv line 3: temperature_c: '20,5' is not a plain decimal number")
    one(r"^tables/calibration\.csv line 4: adjusted: 'perhaps' is neither true nor false")
    one(r"^tables/calibration\.csv line 5: switch_id: '' is not a whole number")
    one(r"^tables/calibration\.csv line 6: recorded_at: .* is not a UTC time")
    one(r"^tables/calibration\.csv line 8: The database refuses it: .*origin_known")
    one(r"^tables/calibration_result\.csv line 2: required: '1e3' is not a plain decimal")
    one(r"^tables/calibration_result\.csv line 3: .* shortest form \(0\.95\)")
    one(r"^tables/calibration_result\.csv line 4: runs: '3\.0' is not a whole number")
    one(r"^tables/calibration_result\.csv line 5: budget: '\{ \}' is not canonical JSON")
    one(r"^tables/calibration_finding\.csv: Row \d+ points at a row of calibration that is not")
    one(r"^tables/area\.csv line 3: It is out of order")


def test_rows_out_of_order_or_twice(copy, tmp_path: Path) -> None:  # type: ignore[no-untyped-def]
    copy.lines("area", swapped)
    copy.lines("laboratory", lambda x: [*x, x[-1]])
    copy.reseal()
    found = refused(copy.root, tmp_path)
    assert any(f.startswith("tables/area.csv line 3: It is out of order") for f in found)
    assert any(f.startswith("tables/laboratory.csv line ") and "there twice" in f for f in found)
    assert any("already has this key" in f for f in found)


def test_a_record_added_or_taken_away_is_unknown_to_the_trail(copy, tmp_path: Path) -> None:  # type: ignore[no-untyped-def]
    row = copy.table("holiday").read_bytes().splitlines(keepends=True)[-1].decode()
    number = int(row.split(",")[0])
    forged = row.replace(f"{number},", f"{number + 1},", 1)
    forged = re.sub(r"\d{4}-\d\d-\d\d,", "2031-01-01,", forged, count=1)
    copy.lines("holiday", lambda x: [x[0], *x[2:], forged.encode()])
    copy.reseal()
    found = refused(copy.root, tmp_path)
    assert any("The audit trail does not know it" in f for f in found)
    assert any("It was entered, but is no longer there" in f for f in found)


def test_an_audit_trail_cut_short_or_reworded(copy, tmp_path: Path) -> None:  # type: ignore[no-untyped-def]
    copy.edit("audit_entry", "build site", "build a site")
    copy.reseal()
    found = refused(copy.root, tmp_path)
    assert found[0] == (
        "tables/audit_entry.csv: The words of audit entry 1 are not those it was sealed with."
    )


def test_a_head_kept_elsewhere_is_looked_for(copy, exported: Path, tmp_path: Path) -> None:  # type: ignore[no-untyped-def]
    head = copy.manifest()["audit_trail"]["head"]
    site_from_copy(exported, tmp_path / "one", kept_head=head)
    (problem,) = refused(copy.root, tmp_path, kept_head="f" * 64)
    assert "kept elsewhere, is not in this trail" in problem


def test_a_table_file_that_is_not_csv(copy, tmp_path: Path) -> None:  # type: ignore[no-untyped-def]
    copy.table("area").write_bytes(b"\xff\xfe\x00")
    copy.edit("gauge", "id,", "key,")
    copy.lines("person", lambda x: [x[0], b'1,"open\r\n'])
    copy.lines("holiday", lambda x: [x[0], b"1,2\r\n"])
    copy.reseal()
    found = refused(copy.root, tmp_path)
    assert any(f.startswith("tables/area.csv: It cannot be read as CSV in UTF-8") for f in found)
    assert any(f.startswith("tables/gauge.csv line 1: The heading is not id") for f in found)
    assert any(f.startswith("tables/person.csv: It cannot be read as CSV") for f in found)
    assert any(f.startswith("tables/holiday.csv line 2: It has 2 cells, not 6") for f in found)


def test_many_problems_are_counted(copy, tmp_path: Path) -> None:  # type: ignore[no-untyped-def]
    copy.lines("calibration_cycle", lambda x: [x[0], *(b"x" + line for line in x[1:])])
    copy.reseal()
    found = refused(copy.root, tmp_path)
    named = [f for f in found if f.startswith("tables/calibration_cycle.csv line")]
    assert len(named) == 200
    assert any(re.search(r"calibration_cycle\.csv: And \d+ problems more", f) for f in found)
