"""The one history of migrations builds the same schema on both databases, guards included."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from alembic.autogenerate import compare_metadata
from alembic.config import Config
from alembic.migration import MigrationContext
from alembic.script import ScriptDirectory
from sqlalchemy import Connection, inspect, text
from sqlalchemy.exc import DBAPIError

from calfleet.errors import SchemaMismatch
from calfleet.store import guards
from calfleet.store.base import Base
from calfleet.store.engine import open_engine
from calfleet.store.revision import HEAD
from calfleet.store.schema import migrations_folder, require_current, revision_of, upgrade

KINDS = ["sqlite", pytest.param("postgresql", marks=pytest.mark.postgres)]
SNAPSHOTS = Path(__file__).parent / "snapshots"


def history() -> list[str]:
    config = Config()
    config.set_main_option("script_location", str(migrations_folder()))
    return [s.revision for s in ScriptDirectory.from_config(config).walk_revisions()][::-1]


def snapshot(connection: Connection) -> dict[str, object]:
    """The schema as the database tells it.

    ``tables`` reads the same on both kinds; ``details`` holds what each kind writes its own way:
    types, the text of the CHECK constraints and of the guards.
    """
    reader = inspect(connection)
    tables = {}
    for name in sorted(reader.get_table_names()):
        tables[name] = {
            "columns": [
                f"{c['name']} {'NULL' if c['nullable'] else 'NOT NULL'}"
                for c in reader.get_columns(name)
            ],
            "primary key": reader.get_pk_constraint(name)["constrained_columns"],
            "unique": sorted(
                f"{u['name']}: {', '.join(u['column_names'])}"
                for u in reader.get_unique_constraints(name)
            ),
            "foreign keys": sorted(
                f"{f['name']}: {', '.join(f['constrained_columns'])} -> "
                f"{f['referred_table']}({', '.join(f['referred_columns'])})"
                for f in reader.get_foreign_keys(name)
            ),
            "checks": sorted(str(c["name"]) for c in reader.get_check_constraints(name)),
            "indexes": sorted(
                str(i["name"])
                for i in reader.get_indexes(name)
                if not i.get("duplicates_constraint")
            ),
        }
    details = {
        name: {
            "types": {str(c["name"]): str(c["type"]) for c in reader.get_columns(name)},
            "checks": {
                str(c["name"]): " ".join(str(c["sqltext"]).split())
                for c in sorted(reader.get_check_constraints(name), key=lambda c: str(c["name"]))
            },
            "indexes": {
                str(i["name"]): list(i["column_names"])
                for i in sorted(reader.get_indexes(name), key=lambda i: str(i["name"]))
                if not i.get("duplicates_constraint")
            },
        }
        for name in tables
    }
    standing = {name: " ".join(sql.split()) for name, sql in guards.present(connection).items()}
    return {"tables": tables, "details": details, "guards": dict(sorted(standing.items()))}


@pytest.mark.parametrize("revision", history())
@pytest.mark.parametrize("kind", KINDS)
def test_each_revision_has_its_recorded_schema(
    kind: str, revision: str, tmp_path: Path, request: pytest.FixtureRequest
) -> None:
    """Compared with a snapshot kept in the tests, so that history cannot be edited unseen."""
    url = _fresh(kind, tmp_path, request)
    assert upgrade(url, to=revision) == revision
    engine = open_engine(url)
    with engine.connect() as connection:
        found = snapshot(connection)
    engine.dispose()
    kept = json.loads((SNAPSHOTS / f"{revision}-{kind}.json").read_text(encoding="utf-8"))
    assert found == kept


def _fresh(kind: str, tmp_path: Path, request: pytest.FixtureRequest) -> str:
    if kind == "sqlite":
        return f"sqlite:///{tmp_path / 'fresh.sqlite'}"
    return str(request.getfixturevalue("empty_postgres_url"))


def test_the_models_and_the_migrations_agree(database_url: str) -> None:
    engine = open_engine(database_url)
    with engine.connect() as connection:
        context = MigrationContext.configure(
            connection,
            opts={
                "compare_type": True,
                "autogenerate_plugins": [
                    "alembic.autogenerate.*",
                    "alembic.ext.checkconstraint_byname",
                ],
            },
        )
        assert compare_metadata(context, Base.metadata) == []
    engine.dispose()


@pytest.mark.parametrize("kind", KINDS)
def test_tables_made_from_the_models_are_those_of_the_migrations(
    kind: str, tmp_path: Path, request: pytest.FixtureRequest
) -> None:
    """To the last word of every CHECK and every type, which a comparison by name does not see."""
    found = []
    for way in ("migrations", "models"):
        if kind == "sqlite":
            url = f"sqlite:///{tmp_path / way}.sqlite"
        else:
            name = "postgres_url" if way == "migrations" else "empty_postgres_url"
            url = str(request.getfixturevalue(name))
        if way == "migrations":
            upgrade(url)
        engine = open_engine(url)
        with engine.begin() as connection:
            if way == "models":
                Base.metadata.create_all(connection)
            made = snapshot(connection)
        engine.dispose()
        for part in ("tables", "details"):
            held = made[part]
            assert isinstance(held, dict)
            held.pop("alembic_version", None)
        found.append(made)
    assert found[0]["tables"] == found[1]["tables"]
    assert found[0]["details"] == found[1]["details"]


@pytest.mark.parametrize("revision", history())
def test_each_revision_stands_on_the_one_before(revision: str, tmp_path: Path) -> None:
    """Upgraded step by step, keeping what was there; the guards of old tables still refuse."""
    url = f"sqlite:///{tmp_path / 'steps.sqlite'}"
    steps = history()
    upgrade(url, to=revision)
    engine = open_engine(url)
    with engine.begin() as connection:
        connection.execute(
            text(
                "INSERT INTO site (code, name, recorded_at, recorded_by) "
                "VALUES ('W', 'Works', '2026-01-01T00:00:00.000000Z', 'P1')"
            )
        )
    engine.dispose()
    for step in steps[steps.index(revision) :]:
        assert upgrade(url, to=step) == step
    engine = open_engine(url)
    with engine.connect() as connection:
        assert connection.execute(text("SELECT code FROM site")).scalars().all() == ["W"]
        assert guards.missing(connection) == []
        assert connection.execute(text("PRAGMA foreign_key_check")).all() == []
    with pytest.raises(DBAPIError, match="append-only"), engine.begin() as connection:
        connection.execute(text("UPDATE site SET code = 'X'"))
    engine.dispose()


def test_every_snapshot_is_of_a_revision() -> None:
    kinds = ("sqlite", "postgresql")
    wanted = {f"{revision}-{kind}.json" for revision in history() for kind in kinds}
    assert {path.name for path in SNAPSHOTS.iterdir()} == wanted


def test_both_databases_have_the_same_tables_and_constraints(
    sqlite_url: str, postgres_url: str
) -> None:
    found = []
    for url in (sqlite_url, postgres_url):
        engine = open_engine(url)
        with engine.connect() as connection:
            found.append(snapshot(connection)["tables"])
        engine.dispose()
    assert found[0] == found[1]


def test_the_gate_knows_the_head() -> None:
    assert history()[-1] == HEAD


def test_migrations_import_nothing_of_calfleet() -> None:
    for path in (migrations_folder() / "versions").glob("*.py"):
        assert "calfleet." not in path.read_text(encoding="utf-8").replace("calfleet_", "")


def test_another_revision_is_refused_with_the_command_to_run(sqlite_url: str) -> None:
    engine = open_engine(sqlite_url)
    require_current(engine, sqlite_url)
    with engine.begin() as connection:
        connection.execute(text("UPDATE alembic_version SET version_num = '0000'"))
    with pytest.raises(SchemaMismatch, match="revision 0000") as older:
        require_current(engine, sqlite_url)
    assert "calfleet upgrade" in older.value.next_step
    with engine.begin() as connection:
        connection.execute(text("UPDATE alembic_version SET version_num = '9999'"))
    with pytest.raises(SchemaMismatch, match="revision 9999") as newer:
        require_current(engine, sqlite_url)
    assert "newer" in newer.value.next_step
    engine.dispose()


def test_a_database_that_is_not_ours_has_no_revision(tmp_path: Path) -> None:
    url = f"sqlite:///{tmp_path / 'other.sqlite'}"
    engine = open_engine(url)
    assert revision_of(engine) is None
    with pytest.raises(SchemaMismatch, match="no calfleet tables"):
        require_current(engine, url)
    engine.dispose()
