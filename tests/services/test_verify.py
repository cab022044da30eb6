"""Tampering is found out: twenty-odd ways, through a raw connection with the guards lifted.

The attacker of these tests knows the schema, drops the guards, does the deed, and puts the very
same guards back.
"""

from __future__ import annotations

import shutil
import sqlite3
from collections.abc import Callable
from contextlib import closing
from dataclasses import replace
from datetime import UTC, date, datetime
from pathlib import Path

import pytest
from sqlalchemy import text
from sqlalchemy.orm import Session

from calfleet.adapters.workbook.sitefiles import read_site
from calfleet.services.build_site import build_site
from calfleet.services.verify import Verification, verify
from calfleet.store import guards
from calfleet.store.engine import open_engine
from calfleet.store.work import Work

AT = datetime(2026, 11, 25, 9, 0, tzinfo=UTC)
SAMPLE = Path(__file__).resolve().parents[2] / "sample_site"
TAGS = {"PSL-1108", "PDSL-4104", "TSH-1110", "PSHH-1101A", "PSHH-1101B", "PSL-6111", "TSL-7206"}


@pytest.fixture(scope="module")
def whole(tmp_path_factory: pytest.TempPathFactory, migrated_sqlite: Path) -> Path:
    """A small site with some history, its units of work in two audit entries."""
    path = tmp_path_factory.mktemp("whole") / "site.sqlite"
    shutil.copy(migrated_sqlite, path)
    site = read_site(SAMPLE)
    given = replace(
        site,
        switches=tuple(s for s in site.switches if s.tag in TAGS),
        history=tuple(h for h in site.history if h.tag in TAGS),
        planning=replace(
            site.planning,
            redundant_groups=tuple(
                g for g in site.planning.redundant_groups if set(g.tags) <= TAGS
            ),
        ),
    )
    assert len(given.history) > 15
    engine = open_engine(f"sqlite:///{path}")
    with Work(engine, actor="T", at=AT, action="build", subject="x") as work:
        build_site(work, given, today=date(2026, 11, 25))
        work.commit()
    with Work(engine, actor="P01", at=AT, action="nothing", subject="x") as work:
        work.commit()
    engine.dispose()
    return path


def check(path: Path, *, head: str | None = None) -> Verification:
    engine = open_engine(f"sqlite:///{path}")
    with Session(engine) as session:
        found = verify(session, kept_head=head)
    engine.dispose()
    return found


def tampered(
    whole: Path, tmp_path: Path, deed: str | Callable[[sqlite3.Connection], object]
) -> Path:
    """A copy in which ``deed`` was done with the guards lifted, and the guards put back."""
    path = tmp_path / "tampered.sqlite"
    shutil.copy(whole, path)
    with closing(sqlite3.connect(path)) as raw:
        for name in guards.expected("sqlite"):
            raw.execute(f"DROP TRIGGER {name}")
        if callable(deed):
            deed(raw)
        else:
            done = raw.executescript(deed) if deed.count(";") > 1 else raw.execute(deed)
            assert done.rowcount != 0, "the deed must do something"
        for sql in guards.expected("sqlite").values():
            raw.execute(sql)
        raw.commit()
    return path


def test_an_untouched_site_has_no_difference(whole: Path) -> None:
    found = check(whole)
    assert found.differences == ()
    assert found.entries == 2
    assert found.facts > 100
    assert found.figures > 500
    assert check(whole, head=found.head).differences == ()


def swap_order(raw: sqlite3.Connection) -> None:
    raw.execute("UPDATE audit_entry SET position = 9 WHERE position = 1")
    raw.execute("UPDATE audit_entry SET position = 1 WHERE position = 2")
    raw.execute("UPDATE audit_entry SET position = 2 WHERE position = 9")


def extra_calibration(raw: sqlite3.Connection) -> None:
    columns = [row[1] for row in raw.execute("PRAGMA table_info(calibration)")]
    named = ", ".join(c for c in columns if c not in ("id", "number"))
    raw.execute(
        f"INSERT INTO calibration (number, {named}) SELECT 'X1', {named} FROM calibration LIMIT 1"
    )


ONE = "(SELECT MIN(id) FROM calibration_cycle WHERE trip IS NOT NULL)"
DEEDS: dict[str, tuple[str | Callable[[sqlite3.Connection], object], set[str]]] = {
    "edited reading": (
        "UPDATE calibration_cycle SET trip = trip + 1, trip_value = trip_value + 1 "
        f"WHERE id = {ONE}",
        {"facts", "figures"},
    ),
    "edited number beside the text": (
        f"UPDATE calibration_cycle SET trip_value = trip_value + 0.001 WHERE id = {ONE}",
        {"numbers"},
    ),
    "edited result": ("UPDATE calibration_result SET error = error / 2 WHERE id = 1",
                      {"facts", "figures"}),
    "edited verdict": (
        "UPDATE calibration_result SET verdict = 'pass' WHERE id = "
        "(SELECT MIN(id) FROM calibration_result WHERE verdict <> 'pass')",
        {"facts", "figures"},
    ),
    "edited uncertainty": (
        "UPDATE calibration_result SET expanded_uncertainty = expanded_uncertainty * 0.9 "
        "WHERE id = 2",
        {"facts", "figures"},
    ),
    "edited budget": (
        "UPDATE calibration_result SET budget = replace(budget, 'drift', 'draft') WHERE id = "
        "(SELECT MIN(id) FROM calibration_result WHERE budget LIKE '%drift%')",
        {"facts", "figures"},
    ),
    "deleted cycle": (f"DELETE FROM calibration_cycle WHERE id = {ONE}", {"facts", "figures"}),
    "deleted result": ("DELETE FROM calibration_result WHERE id = 3", {"facts", "figures"}),
    "deleted finding or gauge use": (
        "DELETE FROM calibration_gauge WHERE id = 1",
        {"facts"},
    ),
    "added calibration": (extra_calibration, {"facts"}),
    "changed day": (
        "UPDATE calibration SET performed_on = '2026-01-01' WHERE id = 1", {"facts"}
    ),
    "changed performer": (
        "UPDATE calibration SET performed_by_id = performed_by_id + 1 WHERE id = 1", {"facts"}
    ),
    "changed time of entry": (
        "UPDATE calibration SET recorded_at = '2020-01-01T00:00:00.000000Z' WHERE id = 1",
        {"facts"},
    ),
    "replaced certificate": (
        "UPDATE calibration_gauge SET certificate_id = (SELECT c.id FROM certificate c WHERE "
        "c.gauge_id = calibration_gauge.gauge_id AND c.id <> calibration_gauge.certificate_id "
        "LIMIT 1) WHERE id = 1",
        {"facts"},
    ),
    "edited certificate point": (
        "UPDATE certificate_point SET indication = '0.5', indication_value = 0.5 WHERE id = 1",
        {"facts"},
    ),
    "edited certificate uncertainty": (
        "UPDATE certificate_point SET expanded_uncertainty = '0.001', "
        "expanded_uncertainty_value = 0.001",
        {"facts", "figures"},
    ),
    "edited tolerance": (
        "UPDATE set_point SET tolerance_plus = '9', tolerance_minus = '9'", {"facts", "figures"}
    ),
    "edited procedure": (
        "UPDATE procedure_revision SET required_tur = '1'", {"facts"}
    ),
    "extended qualification": (
        "UPDATE qualification SET expires_on = '2099-01-01'", {"facts"}
    ),
    "extended accreditation": (
        "UPDATE accreditation SET valid_until = '2099-01-01'", {"facts"}
    ),
    "removed withdrawal": ("DELETE FROM certificate_withdrawal", {"facts"}),
    "edited deferral": ("UPDATE deferral SET until = '2027-12-31'", {"facts"}),
    "edited interval policy": ("UPDATE interval_policy SET every = 60", {"facts"}),
    "edited audit entry": ("UPDATE audit_entry SET actor = 'P08' WHERE position = 1",
                           {"audit trail"}),
    "deleted audit entry": ("DELETE FROM audit_entry WHERE position = 1",
                            {"audit trail", "facts"}),
    "changed order": (swap_order, {"audit trail"}),
    "broken reference": ("UPDATE calibration SET procedure_revision_id = 9999 WHERE id = 1",
                         {"references"}),
    "unreadable number": (
        f"UPDATE calibration_cycle SET trip = 'abc' WHERE id = {ONE}", {"facts", "figures"}
    ),
}  # fmt: skip


@pytest.mark.parametrize("name", DEEDS)
def test_every_deed_is_reported(whole: Path, tmp_path: Path, name: str) -> None:
    deed, expected = DEEDS[name]
    found = check(tampered(whole, tmp_path, deed))
    assert expected <= {d.check for d in found.differences}, found.differences


def test_a_guard_that_is_gone_is_reported(whole: Path, tmp_path: Path) -> None:
    path = tmp_path / "site.sqlite"
    shutil.copy(whole, path)
    with closing(sqlite3.connect(path)) as raw:
        raw.execute("DROP TRIGGER guard_calibration_delete")
        raw.commit()
    (difference,) = check(path).differences
    assert (difference.check, difference.where) == ("guards", "guard_calibration_delete")


def test_a_trail_written_anew_is_found_by_the_head_kept_elsewhere(
    whole: Path, tmp_path: Path
) -> None:
    """Somebody who rewrites everything, digests included, still cannot give back the old head."""
    head = check(whole).head

    def rewrite(raw: sqlite3.Connection) -> None:
        raw.execute("DELETE FROM audit_entry WHERE position = 2")

    path = tampered(whole, tmp_path, rewrite)
    assert check(path).differences == (), "a cut-off end cannot be seen from inside"
    (difference,) = check(path, head=head).differences
    assert "rewritten" in difference.text


def test_postgresql_verifies_and_reports_too(postgres_url: str) -> None:
    site = read_site(SAMPLE)
    given = replace(
        site,
        switches=tuple(s for s in site.switches if s.tag in TAGS),
        history=tuple(h for h in site.history if h.tag in TAGS)[:6],
        planning=replace(site.planning, redundant_groups=()),
    )
    engine = open_engine(postgres_url)
    with Work(engine, actor="T", at=AT, action="build", subject="x") as work:
        build_site(work, given, today=date(2026, 11, 25))
        work.commit()
    with Session(engine) as session:
        assert verify(session).differences == ()
    with engine.begin() as raw:
        raw.execute(text("ALTER TABLE calibration_result DISABLE TRIGGER ALL"))
        raw.execute(text("UPDATE calibration_result SET error = error + 1 WHERE id = 1"))
    with Session(engine) as session:
        checks = {d.check for d in verify(session).differences}
    assert checks == {"guards", "facts", "figures"}
    engine.dispose()
