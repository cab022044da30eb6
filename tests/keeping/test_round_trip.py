"""Nothing is lost: every fact, the audit trail, every figure and every trace, from one database to
another and back."""

from __future__ import annotations

import hashlib
import json
import os
import shutil
from pathlib import Path

import pytest
from sqlalchemy import text

from calfleet.errors import RecordRefused, StoreRefused, UsageError
from calfleet.services.bench_facts import gather
from calfleet.services.verify import verify
from calfleet.site import SiteFolder, read_settings, site_from_copy
from calfleet.store import guards
from calfleet.store.queries import audit, shop
from calfleet.store.queries.calibrations import all_calibrations
from calfleet.store.queries.switches import revisions
from calfleet.store.transfer import reading
from calfleet.traceability.chain import ChainFacts, trace_result


def told(site: SiteFolder) -> dict[str, object]:
    """Everything that a site tells: facts, audit trail, and the trace of every result."""
    with site.reading() as session:
        bench = gather(session)
        calibrations = {c.number: c for c in all_calibrations(session)}
        assert len(calibrations) > 100
        chain = ChainFacts(
            calibrations=calibrations,
            switches={(s.tag, s.revision): s for s in revisions(session)},
            procedures=bench.procedures,
            people=bench.people,
            gauges=bench.gauges,
            certificates=bench.certificates,
            laboratories=shop.laboratories(session),
            valid_until={c.number: bench.valid_until(c) for c in bench.certificates.values()},
        )
        return {
            "facts": sorted(audit.all_facts(session)),
            "entries": audit.entries(session),
            "traces": {number: trace_result(chain, number) for number in calibrations},
        }


def verified(site: SiteFolder) -> tuple[int, int, int, str]:
    with site.reading() as session:
        found = verify(session)
    assert found.differences == ()
    return found.entries, found.facts, found.figures, found.head


@pytest.fixture(scope="module")
def demo_told(demo: SiteFolder) -> dict[str, object]:
    return told(demo)


@pytest.fixture(scope="module")
def demo_verified(demo: SiteFolder) -> tuple[int, int, int, str]:
    return verified(demo)


def files(folder: Path) -> dict[str, str]:
    """Digest of each file that the manifest names; the moment it was made is left out."""
    form = json.loads((folder / "manifest.json").read_text("utf-8"))
    return {f["path"]: f["sha256"] for f in form["files"] if f["path"].startswith("tables/")}


def test_from_sqlite_to_sqlite(
    demo: SiteFolder, demo_told: object, demo_verified: object, exported: Path, tmp_path: Path
) -> None:
    made, found = site_from_copy(exported, tmp_path / "new")
    assert found.differences == ()
    assert found.current
    assert told(made) == demo_told
    assert verified(made) == demo_verified
    assert made.today() == demo.today()  # the settings came along
    made.export(tmp_path / "again")
    assert files(tmp_path / "again") == files(exported)


@pytest.mark.postgres
def test_from_sqlite_to_postgresql_and_back(
    demo_told: object,
    demo_verified: object,
    exported: Path,
    empty_postgres_url: str,
    tmp_path: Path,
) -> None:
    server, _ = site_from_copy(exported, tmp_path / "server", url=empty_postgres_url)
    assert not (tmp_path / "server" / "site.sqlite").exists()
    assert told(server) == demo_told
    assert verified(server) == demo_verified
    server.export(tmp_path / "again")
    assert files(tmp_path / "again") == files(exported)

    packed, _ = server.backup(tmp_path / "server.zip")
    for copy, name in ((tmp_path / "again", "back"), (packed, "unpacked")):
        back, _ = site_from_copy(copy, tmp_path / name)
        assert back.database_file() is not None
        assert told(back) == demo_told
        back.export(tmp_path / f"{name}-again")
        assert files(tmp_path / f"{name}-again") == files(exported)


@pytest.mark.postgres
def test_a_backup_of_a_file_goes_to_a_server_too(
    demo: SiteFolder, demo_verified: object, empty_postgres_url: str, tmp_path: Path
) -> None:
    packed, _ = demo.backup(tmp_path / "b.zip")
    server, _ = site_from_copy(packed, tmp_path / "server", url=empty_postgres_url)
    assert verified(server) == demo_verified


@pytest.mark.parametrize("kind", ["sqlite", pytest.param("pg", marks=pytest.mark.postgres)])
def test_work_goes_on_in_what_was_made(
    kind: str, exported: Path, tmp_path: Path, request: pytest.FixtureRequest
) -> None:
    """Guards stand, and new rows get keys after the largest (the counters of PostgreSQL)."""
    from calfleet.records import Area
    from calfleet.store import facts

    url = None if kind == "sqlite" else str(request.getfixturevalue("empty_postgres_url"))
    made, _ = site_from_copy(exported, tmp_path / "new", url=url)
    engine = made.engine()
    with engine.connect() as connection:
        assert guards.missing(connection) == []
        before = connection.execute(text("SELECT max(id) FROM area")).scalar_one()
    with made.work(actor="P1", action="add area", subject="NEW") as work:
        facts.add_area(work, Area("NEW", "New area"))
        work.commit()
    with engine.connect() as connection:
        after = connection.execute(text("SELECT id FROM area WHERE code = 'NEW'")).scalar_one()
    engine.dispose()
    assert after == before + 1


def test_every_table_has_its_file_and_the_manifest_its_digest(
    demo: SiteFolder, exported: Path
) -> None:
    form = json.loads((exported / "manifest.json").read_text("utf-8"))
    with reading(demo.url) as database:
        assert set(form["tables"]) == {table.name for table in database.tables}
        assert form["tables"] == {t.name: database.count(t) for t in database.tables}
        assert form["audit_trail"] == {
            "entries": database.audit_end()[0],
            "head": database.audit_end()[1],
        }
        assert form["schema_revision"] == database.revision
    for note in form["files"]:
        data = (exported / note["path"]).read_bytes()
        assert (len(data), hashlib.sha256(data).hexdigest()) == (note["bytes"], note["sha256"])
    there = {p.relative_to(exported).as_posix() for p in exported.rglob("*") if p.is_file()}
    assert there == {note["path"] for note in form["files"]} | {"manifest.json"}


def test_attachments_and_settings_come_along(site: SiteFolder, tmp_path: Path) -> None:
    (site.attachments / "ab").mkdir(parents=True, exist_ok=True)
    (site.attachments / "ab" / "photo.bin").write_bytes(b"\0\1" * 5000)
    settings = site.root / "calfleet.toml"
    settings.write_text(
        settings.read_text().replace('"attachments"', '"elsewhere/files"')
        + "\n[more]\nof_it = 3 # kept\n"
    )
    (site.root / "elsewhere").mkdir()
    site.attachments.rename(site.root / "elsewhere" / "files")
    site = read_settings(site.root)
    site.export(tmp_path / "x")
    packed, _ = site.backup(tmp_path / "b.zip")
    for copy in (tmp_path / "x", packed):
        made, _ = site_from_copy(copy, tmp_path / f"from-{copy.name}")
        assert made.attachments == made.root / "attachments"
        assert (made.attachments / "ab" / "photo.bin").read_bytes() == b"\0\1" * 5000
        assert "of_it = 3 # kept" in (made.root / "calfleet.toml").read_text()
        assert made.today() == site.today()


def test_nothing_is_ever_overwritten(exported: Path, site: SiteFolder, tmp_path: Path) -> None:
    used = tmp_path / "used"
    used.mkdir()
    (used / "mine.txt").write_text("mine")
    for target in (used, site.root):
        before = sorted(target.rglob("*"))
        with pytest.raises(RecordRefused, match="not an empty folder"):
            site_from_copy(exported, target)
        with pytest.raises(RecordRefused, match="not an empty folder"):
            site.export(target)
        assert sorted(target.rglob("*")) == before
    with pytest.raises(RecordRefused, match="exists already"):
        site.backup(used / "mine.txt")
    assert (used / "mine.txt").read_text() == "mine"
    (tmp_path / "empty").mkdir()
    site_from_copy(exported, tmp_path / "empty")


@pytest.mark.postgres
def test_a_server_that_holds_something_is_left_alone(
    exported: Path, empty_postgres_url: str, tmp_path: Path
) -> None:
    site_from_copy(exported, tmp_path / "first", url=empty_postgres_url)
    with pytest.raises(RecordRefused, match="holds rows already"):
        site_from_copy(exported, tmp_path / "second", url=empty_postgres_url)
    assert not (tmp_path / "second").exists()


def test_a_file_is_no_database_server(exported: Path, tmp_path: Path) -> None:
    with pytest.raises(UsageError, match="not an address of a database server"):
        site_from_copy(exported, tmp_path / "new", url="sqlite:///x.sqlite")
    assert not (tmp_path / "new").exists()


@pytest.mark.parametrize("name", ["50% of it", "a%41b", "what?", "Ä ö #1", "it's", "new\nline"])
def test_any_folder_will_do(name: str, demo_site: Path, tmp_path: Path) -> None:
    site = read_settings(Path(shutil.copytree(demo_site, tmp_path / name / "site")))
    (site.attachments / name).write_bytes(b"1")
    site.export(tmp_path / name / "export")
    packed, _ = site.backup(tmp_path / name / "b.zip")
    for copy, target in ((tmp_path / name / "export", "one"), (packed, "two")):
        made, _ = site_from_copy(copy, tmp_path / name / target)
        assert (made.attachments / name).read_bytes() == b"1"
        with made.reading() as session:
            assert shop.site(session) is not None


def test_a_name_no_copy_can_hold(site: SiteFolder, tmp_path: Path) -> None:
    for name in (b"a\xffb", b"a\\b"):
        path = os.fsencode(site.attachments) + b"/" + name
        with open(path, "wb") as file:
            file.write(b"1")
        with pytest.raises(StoreRefused, match="cannot hold") as told:
            site.backup(tmp_path / "b.zip")
        assert "Rename it" in told.value.next_step
        os.unlink(path)
    assert not list(tmp_path.glob("*.zip"))
