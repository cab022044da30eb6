"""The description of an export, judged by an independent reader of Data Packages."""

from __future__ import annotations

import json
from decimal import Decimal
from pathlib import Path
from typing import Any

import pytest

from calfleet.keeping.package import data_package
from calfleet.site import SiteFolder
from calfleet.store.transfer import reading

frictionless: Any = pytest.importorskip(
    "frictionless", reason="NEEDS the frictionless library to judge the package"
)


def problems(root: Path) -> list[tuple[str, str]]:
    """(table, what) of everything the reader finds wrong, references included."""
    import csv

    before = csv.field_size_limit()
    try:
        package = frictionless.Package(str(root / "datapackage.json"))
        report = package.validate()
    finally:
        csv.field_size_limit(before)
    return [
        (task.name, f"{error.type}: {error.note}") for task in report.tasks for error in task.errors
    ] + [("package", error.note) for error in report.errors]


@pytest.fixture
def package(copy: Any) -> dict[str, Any]:
    found: dict[str, Any] = json.loads((copy.root / "datapackage.json").read_text("utf-8"))
    return found


def test_the_export_is_a_valid_data_package(exported: Path) -> None:
    assert problems(exported) == []


def test_the_judge_does_judge(copy: Any) -> None:
    """A broken reference, a repeated key, a word that is none, a date and a digest are seen."""
    copy.edit("switch", "PDSL-4104", "PDSL-4105")
    found = problems(copy.root)
    assert any(table == "switch" and "hash" in what for table, what in found), found
    descriptor = copy.root / "datapackage.json"
    described = json.loads(descriptor.read_text("utf-8"))
    for resource in described["resources"]:
        resource.pop("hash")
        resource.pop("bytes")
    descriptor.write_text(json.dumps(described), encoding="utf-8")
    copy.lines("area", lambda x: [*x, x[-1]])
    copy.edit("calibration", ",bench,", ",hearsay,")
    copy.lines("holiday", lambda x: [x[0], x[1].replace(b"-", b"/"), *x[2:]])
    copy.lines("calibration_finding", lambda x: [x[0], b"1,4711,code,text\r\n"])
    found = problems(copy.root)
    for table, word in (
        ("area", "primary-key"),
        ("calibration", "constraint"),
        ("holiday", "type-error"),
        ("calibration_finding", "foreign-key"),
    ):
        assert any(name == table and word in what for name, what in found), (table, found)


def test_its_reader_gets_the_digits_that_were_typed(exported: Path) -> None:
    package = frictionless.Package(str(exported / "datapackage.json"))
    rows = package.get_resource("set_point").read_rows()
    values = [row["value"] for row in rows]
    assert all(isinstance(value, Decimal) for value in values)
    assert any(str(value).endswith("0") and "." in str(value) for value in values)
    audit = package.get_resource("audit_entry").read_rows()
    assert isinstance(audit[0]["content"], dict)
    assert audit[0]["at"].year == 2026
    assert audit[0]["reason"] == ""  # empty text, not a missing value


def test_every_constraint_of_the_database_is_told(demo: SiteFolder, package: Any) -> None:
    schemas = {r["name"]: r["schema"] for r in package["resources"]}
    with reading(demo.url) as database:
        for table in database.tables:
            schema = schemas[table.name]
            fields = {f["name"]: f for f in schema["fields"]}
            assert [f["name"] for f in schema["fields"]] == [c.name for c in table.columns]
            assert schema["primaryKey"] == list(table.key)
            assert len(schema.get("references", [])) == len(table.references)
            assert len(schema.get("checks", [])) == len(table.checks)
            for column in table.columns:
                required = fields[column.name].get("constraints", {}).get("required", False)
                assert required is not column.nullable
    phase = {f["name"]: f for f in schemas["calibration_cycle"]["fields"]}["phase"]
    assert phase["constraints"]["enum"] == ["as-found", "as-left"]
    assert ["site_id", "number"] in schemas["calibration"]["uniqueKeys"]
    assert {
        "fields": ["switch_revision_id", "switch_id"],
        "reference": {"resource": "switch_revision", "fields": ["id", "switch_id"]},
    } in schemas["calibration"]["foreignKeys"]


def test_the_name_is_one_that_a_package_may_have() -> None:
    for code, name in (("KW 1/ä", "calfleet-kw-1--"), ("", "calfleet-site")):
        made = data_package([], {}, [], site=(code, "Works"), made_at="", revision="1")
        assert made["name"] == name
