"""Bench sheets and their returns are read back as they were entered."""

from __future__ import annotations

from datetime import date
from typing import Any

import pytest
from sqlalchemy import Engine
from sqlalchemy.orm import Session

from calfleet import records as rec
from calfleet.errors import RecordRefused, UnknownName
from calfleet.store import sheet_facts
from calfleet.store.queries import sheets
from calfleet.store.queries.audit import all_facts, entries
from calfleet.store.work import Work


def test_sheets_are_read_back(filled: Engine, entered: Any) -> None:
    with Session(filled) as session:
        held = sheets.bench_sheets(session)
        assert [h.sheet for h in held] == list(entered["add_bench_sheet"])
        assert [h.calibration for h in held] == ["C2", None]
        assert {h.recorded_by for h in held} == {"clerk"}
        assert [r.returned for r in sheets.bench_sheet_returns(session)] == list(
            entered["add_return"]
        )
        one = sheets.bench_sheet(session, "B2026-0001")
        assert one == held[0]
        assert sheets.bench_sheet(session, "B2026-0009") is None
        assert sheets.sheets_in_year(session, 2026) == 2
        assert sheets.sheets_in_year(session, 2025) == 0
        assert sheets.sheet_exists(session, "B2026-0002")
        assert not sheets.sheet_exists(session, "B2026-0003")


def test_the_identity_is_that_of_the_first_entry(filled: Engine) -> None:
    with Session(filled) as session:
        assert sheets.site_identity(session) == entries(session)[0].digest


def test_the_audit_trail_speaks_of_them(filled: Engine) -> None:
    with Session(filled) as session:
        found = {(kind, key): digest for kind, key, digest in all_facts(session)}
        told = {(k, key): digest for e in entries(session) for k, key, digest in e.facts()}
    for kind, key in (
        ("bench sheet", "B2026-0001"), ("bench sheet", "B2026-0002"),
        ("bench sheet return", "B2026-0001"),
    ):  # fmt: skip
        assert found[kind, key] == told[kind, key]


@pytest.mark.parametrize(
    ("changes", "what"),
    [
        ({"tag": "XX-1"}, "switch"),
        ({"switch_revision": 9}, "switch revision"),
        ({"procedure": "XX"}, "procedure"),
        ({"procedure_revision": 9}, "procedure revision"),
    ],
)
def test_a_sheet_for_nothing_is_refused(filled: Engine, changes: dict[str, Any], what: str) -> None:
    values: dict[str, Any] = {
        "number": "B2026-0003", "tag": "PDS-1", "switch_revision": 2, "procedure": "DP",
        "procedure_revision": 1, "for_on": date(2026, 2, 5), "content": {},
    }  # fmt: skip
    with (
        Work(filled, actor="clerk", at=_when(filled), action="x", subject="x") as work,
        pytest.raises(UnknownName) as caught,
    ):
        sheet_facts.add_bench_sheet(work, rec.BenchSheet(**(values | changes)))
    assert caught.value.kind == what


def test_a_sheet_comes_back_once(filled: Engine) -> None:
    def again() -> None:
        with Work(filled, actor="clerk", at=_when(filled), action="x", subject="x") as work:
            sheet_facts.add_return(work, rec.BenchSheetReturn("B2026-0001", "H1", "cd" * 32))
            work.commit()

    with pytest.raises(RecordRefused):
        again()


def _when(filled: Engine) -> Any:
    with Session(filled) as session:
        return entries(session)[0].at


@pytest.fixture
def entered(request: pytest.FixtureRequest) -> dict[str, list[object]]:
    """What the shop entered, by the function that added it."""
    import sys

    module = next(
        m for m in list(sys.modules.values())
        if getattr(m, "__file__", None) == str(request.path.with_name("conftest.py"))
    )  # fmt: skip
    found: dict[str, list[object]] = {}
    for name, record in module.SHEETS:
        found.setdefault(name, []).append(record)
    return found
