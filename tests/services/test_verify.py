"""Tampering is found out: some fifty ways, through a raw connection with the guards lifted.

The attacker of these tests knows the schema, drops the guards, does the deed, and puts the very
same guards back.
"""

from __future__ import annotations

import hashlib
import random
import shutil
import sqlite3
from collections.abc import Callable
from contextlib import closing
from dataclasses import replace
from datetime import UTC, date, datetime
from decimal import Decimal
from pathlib import Path

import pytest
from sqlalchemy import Engine, text
from sqlalchemy.orm import Session

from calfleet.adapters.workbook.sitefiles import read_site
from calfleet.records import (
    AttachedTo,
    BenchRecord,
    Cycle,
    GaugeRole,
    GaugeUsed,
    KeptFile,
    Phase,
    ReviewOutcome,
)
from calfleet.services import drafts
from calfleet.services.attach import attach, examine, kept_place
from calfleet.services.build_site import build_site
from calfleet.services.review import review
from calfleet.services.verify import Verification, verify
from calfleet.store import guards
from calfleet.store.engine import open_engine
from calfleet.store.work import Work

AT = datetime(2026, 11, 25, 9, 0, tzinfo=UTC)
SAMPLE = Path(__file__).resolve().parents[2] / "sample_site"
TAGS = {"PSL-1108", "PDSL-4104", "TSH-1110", "PSHH-1101A", "PSHH-1101B", "PSL-6111", "TSL-7206"}


@pytest.fixture(scope="module")
def whole(tmp_path_factory: pytest.TempPathFactory, migrated_sqlite: Path) -> Path:
    """A small site: some history, a draft replaced and signed, reviews, attached files.

    Each unit of work has its audit entry; the last one adds nothing.
    """
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
    add_papers(engine)
    with Work(engine, actor="P01", at=AT, action="nothing", subject="x") as work:
        work.commit()
    engine.dispose()
    return path


PAPERS = {f"%PDF-1.7 {n}\n%%EOF\n".encode(): f"c{n}.pdf" for n in (1, 2)}
ENTRIES = 10


def add_papers(engine: Engine) -> None:
    """A bench record drafted twice and signed, returned and accepted, and two attached files."""
    bench = BenchRecord(
        tag="PSL-1108",
        performed_on=AT.date(),
        performed_by="P02",
        procedure="PS-GEN",
        procedure_revision=2,
        gauges=(GaugeUsed(GaugeRole.OPERATING, "RG-202", ""),),
        cycles=tuple(
            Cycle("L", Phase.AS_FOUND, run, Decimal(trip), Decimal(reset))
            for run, (trip, reset) in enumerate(
                [("250.8", "276.8"), ("252.5", "276.7"), ("252.3", "276.4")], 1
            )
        ),
        temperature_c=Decimal("20.4"),
        humidity=Decimal("0.33"),
        adjusted=False,
    )
    content = drafts.content_of(bench)
    number = ""
    with Work(engine, actor="P02", at=AT, action="draft", subject="x") as work:
        drafts.put_down(work, {k: v for k, v in content.items() if k != "cycles"})
        work.commit()
    with Work(engine, actor="P02", at=AT, action="draft", subject="x") as work:
        drafts.put_down(work, content, note="complete")
        work.commit()
    with Work(engine, actor="P02", at=AT, action="sign", subject="x") as work:
        line = drafts.find_draft(work.session, bench.tag)
        number = drafts.sign(work, line, today=AT.date()).number
        work.commit()
    for outcome, by in ((ReviewOutcome.RETURNED, "P06"), (ReviewOutcome.ACCEPTED, "P07")):
        with Work(engine, actor=by, at=AT, action="review", subject="x") as work:
            review(
                work, number, outcome, reviewer=by, on=AT.date(), reason="seal?",
                uncorrected=outcome is ReviewOutcome.ACCEPTED,
            )  # fmt: skip
            work.commit()
    for data, name in PAPERS.items():
        with Work(engine, actor="P01", at=AT, action="attach", subject="x") as work:
            examined = examine(data, name, limit=1000)
            attach(work, examined, to=AttachedTo.CALIBRATION, key=number)
            work.commit()
    with Work(engine, actor="P01", at=AT, action="attach", subject="x") as work:
        examined = examine(next(iter(PAPERS)), "c1.pdf", limit=1000)
        attach(work, examined, to=AttachedTo.CERTIFICATE, key="SHOP-26-005")
        work.commit()


def kept(*changes: tuple[bytes, bytes | None]) -> list[KeptFile]:
    """The folder of attachments, some files with other content or (``None``) gone."""
    found = []
    for data in PAPERS:
        now = dict(changes).get(data, data)
        if now is not None:
            place = kept_place(hashlib.sha256(data).hexdigest())
            found.append(KeptFile(place, len(now), hashlib.sha256(now).hexdigest()))
    return found


def check(
    path: Path,
    *,
    head: str | None = None,
    files: list[KeptFile] | None = None,
    figures: bool = True,
) -> Verification:
    engine = open_engine(f"sqlite:///{path}")
    with Session(engine) as session:
        found = verify(
            session,
            kept_head=head,
            files=kept() if files is None else files,
            with_figures=figures,
        )
    engine.dispose()
    return found


def tampered(
    whole: Path, tmp_path: Path, deed: str | Callable[[sqlite3.Connection], object]
) -> Path:
    """A copy in which ``deed`` was done with the guards lifted, and the guards put back."""
    path = tmp_path / "tampered.sqlite"
    shutil.copy(whole, path)
    with closing(sqlite3.connect(path)) as raw:
        # each of some hundreds of guards is a transaction, and none need survive a crash
        raw.execute("PRAGMA synchronous = OFF")
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
    assert found.remarks == ()
    assert found.entries == ENTRIES
    assert found.files == 2
    assert found.facts > 100
    assert found.figures > 500
    assert check(whole, head=found.head).differences == ()


def swap_order(raw: sqlite3.Connection) -> None:
    raw.execute("UPDATE audit_entry SET position = 99 WHERE position = 1")
    raw.execute("UPDATE audit_entry SET position = 1 WHERE position = 2")
    raw.execute("UPDATE audit_entry SET position = 2 WHERE position = 99")


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
    "draft edited": (
        "UPDATE draft SET content = replace(content, '0.33', '0.34') WHERE number = 'D2026-0002'",
        {"facts"},
    ),
    "draft under another's name": (
        "UPDATE draft SET recorded_by = 'P03' WHERE number = 'D2026-0001'", {"facts", "marks"}
    ),
    "draft backdated": (
        "UPDATE draft SET recorded_at = '2020-01-01T00:00:00.000000Z'", {"facts", "marks"}
    ),
    "draft deleted": (
        "UPDATE draft SET replaces_id = NULL; DELETE FROM draft WHERE number = 'D2026-0001';",
        {"facts"},
    ),
    "draft no longer signed": ("DELETE FROM draft_signed", {"facts"}),
    "draft signed as another calibration": (
        "UPDATE draft_signed SET calibration_id = calibration_id - 1", {"facts"}
    ),
    "review deleted": ("DELETE FROM review WHERE reading = 1", {"facts"}),
    "return made an acceptance": (
        "UPDATE review SET outcome = 'accepted' WHERE reading = 1", {"facts"}
    ),
    "reason of a return edited": (
        "UPDATE review SET reason = 'nothing' WHERE reading = 1", {"facts"}
    ),
    "reviewer changed": (
        "UPDATE review SET reviewed_by_id = (SELECT id FROM person WHERE code = 'P05')", {"facts"}
    ),
    "review backdated": ("UPDATE review SET reviewed_on = '2026-11-01'", {"facts"}),
    "review invented": (
        "INSERT INTO review (calibration_id, reading, outcome, reviewed_by_id, reviewed_on, reason,"
        " recorded_at, recorded_by) SELECT calibration_id, 3, outcome, reviewed_by_id, reviewed_on,"
        " reason, recorded_at, recorded_by FROM review WHERE reading = 2",
        {"facts"},
    ),
    "order of readings changed": (
        "UPDATE review SET reading = 9 WHERE reading = 1; "
        "UPDATE review SET reading = 1 WHERE reading = 2; "
        "UPDATE review SET reading = 2 WHERE reading = 9;",
        {"facts"},
    ),
    "attachment taken from its record": ("DELETE FROM attachment WHERE id = 1", {"facts"}),
    "attachment bound to another record": (
        "UPDATE attachment SET calibration_id = calibration_id - 1 WHERE id = 1", {"facts"}
    ),
    "attachment swapped for another": (
        "UPDATE attachment SET digest = replace(digest, substr(digest, 1, 4), '0000') "
        "WHERE id = 2",
        {"facts", "attachments"},
    ),
    "attachment renamed": ("UPDATE attachment SET name = 'other.pdf' WHERE id = 1", {"facts"}),
    "attachment's size edited": (
        "UPDATE attachment SET size = size + 1 WHERE id = 1", {"facts", "attachments"}
    ),
    "attachment backdated": (
        "UPDATE attachment SET recorded_at = '2020-01-01T00:00:00.000000Z'", {"facts", "marks"}
    ),
    "switch entered by another": ("UPDATE switch_revision SET recorded_by = 'P08' WHERE id = 1",
                                  {"marks"}),
    "unreadable time": ("UPDATE attachment SET recorded_at = 'noon'", {"facts", "attachments"}),
    "reason in the audit trail edited": (
        "UPDATE audit_entry SET reason = 'because' WHERE position = 5", {"audit trail"}
    ),
    "time in the audit trail edited": (
        "UPDATE audit_entry SET at = '2026-11-24T09:00:00.000000Z' WHERE position = 3",
        {"audit trail"},
    ),
    "fact taken out of the audit trail": (
        "UPDATE audit_entry SET content = '{\"facts\":[]}' WHERE position = 5",
        {"audit trail", "facts"},
    ),
    "entry in the middle deleted": (
        "DELETE FROM audit_entry WHERE position = 5", {"audit trail", "facts"}
    ),
    "broken reference": ("UPDATE calibration SET procedure_revision_id = 9999 WHERE id = 1",
                         {"references"}),
    "unreadable number": (
        f"UPDATE calibration_cycle SET trip = 'abc' WHERE id = {ONE}", {"facts", "figures"}
    ),
}  # fmt: skip


@pytest.mark.parametrize("name", DEEDS)
def test_every_deed_is_reported(whole: Path, tmp_path: Path, name: str) -> None:
    deed, expected = DEEDS[name]
    found = check(tampered(whole, tmp_path, deed), figures="figures" in expected)
    assert expected <= {d.check for d in found.differences}, found.differences


def test_a_guard_that_is_gone_is_reported(whole: Path, tmp_path: Path) -> None:
    path = tmp_path / "site.sqlite"
    shutil.copy(whole, path)
    with closing(sqlite3.connect(path)) as raw:
        raw.execute("DROP TRIGGER guard_calibration_delete")
        raw.commit()
    (difference,) = check(path).differences
    assert (difference.check, difference.where) == ("guards", "guard_calibration_delete")


def test_a_trigger_that_is_none_of_ours_is_reported(whole: Path, tmp_path: Path) -> None:
    path = tmp_path / "site.sqlite"
    shutil.copy(whole, path)
    with closing(sqlite3.connect(path)) as raw:
        raw.execute("CREATE TRIGGER other BEFORE INSERT ON review BEGIN SELECT RAISE(IGNORE); END")
        raw.commit()
    (difference,) = check(path).differences
    assert (difference.check, difference.where) == ("guards", "other")
    assert "review" in difference.text


@pytest.mark.parametrize(
    "change",
    ["content = content || 'x'", "content = '[]'", "at = 'x'", "at = '2026-11-25T10:00:00'"],
)
def test_an_entry_that_cannot_be_read_is_a_difference_and_no_crash(
    whole: Path, tmp_path: Path, change: str
) -> None:
    def deed(raw: sqlite3.Connection) -> None:
        raw.execute(f"UPDATE audit_entry SET {change} WHERE position = 2")

    found = check(tampered(whole, tmp_path, deed), figures=False).differences
    assert ("audit trail", "audit entry 2") in {(d.check, d.where) for d in found}


def test_a_trail_written_anew_is_found_by_the_head_kept_elsewhere(
    whole: Path, tmp_path: Path
) -> None:
    """Somebody who rewrites everything, digests included, still cannot give back the old head."""
    head = check(whole).head

    def rewrite(raw: sqlite3.Connection) -> None:
        raw.execute(f"DELETE FROM audit_entry WHERE position = {ENTRIES}")

    path = tampered(whole, tmp_path, rewrite)
    assert check(path).differences == (), "a cut-off end cannot be seen from inside"
    (difference,) = check(path, head=head).differences
    assert "rewritten" in difference.text


FIRST, SECOND = PAPERS


@pytest.mark.parametrize(
    ("files", "says"),
    [
        (lambda: kept((FIRST, None)), "missing"),
        (lambda: kept((FIRST, SECOND)), "changed or swapped"),
        (lambda: kept((FIRST, SECOND), (SECOND, FIRST)), "changed or swapped"),
        (lambda: kept((SECOND, SECOND[:-1])), "changed or swapped"),
        (lambda: [*kept(), KeptFile("ab/list.txt", 3, "f" * 64)], "not put there by us"),
    ],
)
def test_a_file_swapped_changed_or_gone_is_reported(
    whole: Path, files: Callable[[], list[KeptFile]], says: str
) -> None:
    found = check(whole, files=files(), figures=False)
    assert {d.check for d in found.differences} == {"attachments"}
    assert says in found.differences[0].text


def test_a_file_left_by_an_attaching_broken_off_is_told_and_no_difference(whole: Path) -> None:
    left = KeptFile(kept_place("e" * 64), 3, "e" * 64)
    found = check(whole, files=[*kept(), left], figures=False)
    assert found.differences == ()
    assert [(r.check, r.where) for r in found.remarks] == [("attachments", left.place)]


SKIPPED = {"alembic_version", "sqlite_sequence"}


def anything(raw: sqlite3.Connection, chance: random.Random) -> str:
    """One value of one row of one table changed, whichever they are; what was changed."""
    tables = [
        name
        for (name,) in raw.execute("SELECT name FROM sqlite_master WHERE type = 'table'")
        if name not in SKIPPED and raw.execute(f"SELECT count(*) FROM {name}").fetchone()[0]
    ]
    table = chance.choice(sorted(tables))
    kinds = {row[1]: row[2] for row in raw.execute(f"PRAGMA table_info({table})")}
    column = chance.choice([name for name in kinds if name != "id"])
    rows = raw.execute(
        f'SELECT id, "{column}" FROM {table} WHERE "{column}" IS NOT NULL'
    ).fetchall()
    if not rows:
        return anything(raw, chance)
    key, value = chance.choice(rows)
    if kinds[column] == "BOOLEAN":
        changed = 1 - value
    else:
        changed = value + 1 if isinstance(value, int | float) else f"{value}9"
    raw.execute("PRAGMA ignore_check_constraints = ON")
    raw.execute(f'UPDATE {table} SET "{column}" = ? WHERE id = ?', (changed, key))
    return f"{table}.{column} of row {key}: {value!r} made {changed!r}"


@pytest.mark.parametrize("seed", range(12))
def test_whatever_is_changed_is_reported(whole: Path, tmp_path: Path, seed: int) -> None:
    done: list[str] = []

    def deed(raw: sqlite3.Connection) -> None:
        for attempt in range(100):  # a change that a key of the table forbids is no tampering
            try:
                done.append(anything(raw, random.Random(f"{seed} {attempt}")))
            except sqlite3.IntegrityError:
                continue
            return

    found = check(tampered(whole, tmp_path, deed))
    assert found.differences, done


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
    add_papers(engine)
    with Session(engine) as session:
        assert verify(session, files=kept()).differences == ()
    with engine.begin() as raw:
        raw.execute(text("ALTER TABLE calibration_result DISABLE TRIGGER ALL"))
        raw.execute(text("UPDATE calibration_result SET error = error + 1 WHERE id = 1"))
    with Session(engine) as session:
        checks = {d.check for d in verify(session).differences}
    assert checks == {"guards", "facts", "figures"}
    with engine.begin() as raw:
        raw.execute(
            text(
                "CREATE OR REPLACE FUNCTION calfleet_refuse_change() RETURNS trigger LANGUAGE "
                "plpgsql AS $$ BEGIN RETURN NEW; END $$"
            )
        )
    with Session(engine) as session:
        named = {d.where for d in verify(session, with_figures=False).differences}
    assert guards.POSTGRES_FUNCTION in named
    with engine.begin() as raw:
        raw.execute(text("UPDATE calibration_result SET error = error - 1 WHERE id = 1"))
        for table in ("draft", "review", "attachment"):
            raw.execute(text(f"ALTER TABLE {table} DISABLE TRIGGER ALL"))
        raw.execute(text("UPDATE draft SET content = replace(content, '0.33', '0.34')"))
        raw.execute(text("UPDATE attachment SET recorded_by = 'P08' WHERE id = 1"))
        raw.execute(text("DELETE FROM review WHERE reading = 2"))
    with Session(engine) as session:
        found = verify(session, files=kept((FIRST, None))).differences
    assert {d.check for d in found} == {"guards", "marks", "facts", "attachments"}
    said = {d.where.split()[0] for d in found if d.check == "facts"}
    assert said >= {"draft", "review", "attachment"}
    engine.dispose()
