"""The wheel carries all it needs and nothing else, and works away from the checkout."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
import sysconfig
import venv
import zipfile
from pathlib import Path

import pytest

from calfleet import __version__

ROOT = Path(__file__).resolve().parent.parent


def run(*command: str | Path, folder: Path) -> str:
    """What a command printed, run in ``folder`` away from this checkout; it must succeed."""
    given = {k: v for k, v in os.environ.items() if not k.startswith(("PYTHON", "CALFLEET"))}
    done = subprocess.run(
        [str(part) for part in command],
        cwd=folder,
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
        env=given,
        check=False,
    )
    assert done.returncode == 0, done.stdout
    return done.stdout


@pytest.fixture(scope="module")
def wheel(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The wheel, built from a copy of the sources with this environment's build tool."""
    folder = tmp_path_factory.mktemp("build")
    source = folder / "source"
    source.mkdir()
    for name in ("calfleet", "migrations", "sample_site"):
        shutil.copytree(ROOT / name, source / name)
    for name in ("pyproject.toml", "README.md", ".gitignore"):
        shutil.copy(ROOT / name, source / name)
    # what a checkout in use is full of, and no wheel may carry
    for name in ("calfleet", "migrations/versions", "sample_site"):
        cache = source / name / "__pycache__"
        cache.mkdir(exist_ok=True)
        (cache / "planted.cpython-311.pyc").write_bytes(b"planted")
    out = folder / "out"
    build = [sys.executable, "-m", "build", "--wheel", "--no-isolation", "--outdir", out]
    run(*build, source, folder=folder)
    (made,) = out.glob("*.whl")
    return made


@pytest.fixture(scope="module")
def contents(wheel: Path) -> set[str]:
    with zipfile.ZipFile(wheel) as archive:
        return set(archive.namelist())


def test_its_name_carries_the_version(wheel: Path) -> None:
    assert wheel.name == f"calfleet-{__version__}-py3-none-any.whl"


def test_it_carries_every_module(contents: set[str]) -> None:
    modules = {str(path.relative_to(ROOT)) for path in (ROOT / "calfleet").rglob("*.py")}
    assert modules <= contents


def test_it_carries_the_migrations_and_the_sample_site(contents: set[str]) -> None:
    for folder, inside in (("migrations", "_migrations"), ("sample_site", "_sample_site")):
        files = {
            f"calfleet/{inside}/{path.relative_to(ROOT / folder)}"
            for path in (ROOT / folder).rglob("*")
            if path.is_file() and "__pycache__" not in path.parts
        }
        assert files <= contents
    assert "calfleet/_migrations/env.py" in contents
    assert "calfleet/_migrations/versions/0001_every_table.py" in contents
    assert "calfleet/_sample_site/site.toml" in contents


def test_it_carries_no_tests_caches_or_databases(contents: set[str]) -> None:
    assert {name.split("/")[0] for name in contents} == {
        "calfleet",
        f"calfleet-{__version__}.dist-info",
    }
    unwanted = ("__pycache__", ".pyc", "/tests/", "/test_", ".sqlite", ".egg-info")
    assert [name for name in sorted(contents) if any(part in name for part in unwanted)] == []


@pytest.fixture(scope="module")
def installed(wheel: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A new environment's folder of programs, holding the wheel.

    The libraries calfleet needs are this environment's, reached by a path file read after the
    new environment's own packages, so that nothing is downloaded and the wheel comes first.
    """
    folder = tmp_path_factory.mktemp("installed")
    venv.create(folder, with_pip=False, symlinks=True)
    programs = folder / "bin"
    own = Path(run(programs / "python", "-c", PURELIB, folder=folder).strip())
    # a plain path line: path files in the folder it names, such as that of a checkout installed
    # as editable, are not read
    (own / "libraries.pth").write_text(sysconfig.get_path("purelib") + "\n", encoding="utf-8")
    pip = [sys.executable, "-m", "pip", "--python", programs / "python", "install", "--quiet"]
    run(*pip, "--no-deps", "--no-index", "--ignore-installed", wheel, folder=folder)
    return programs


PURELIB = "import sysconfig; print(sysconfig.get_path('purelib'))"

LOOK = """
import calfleet
from calfleet.site import sample_folder
from calfleet.store.schema import HEAD, migrations_folder, upgrade
print(calfleet.__file__)
print(migrations_folder())
print(sample_folder())
print(HEAD, upgrade("sqlite:///new.sqlite"))
"""


def test_its_own_copies_are_used_from_any_folder(installed: Path, tmp_path: Path) -> None:
    package, migrations, sample, revisions = run(
        installed / "python", "-c", LOOK, folder=tmp_path
    ).splitlines()
    home = installed.parent.resolve()
    for path in (package, migrations, sample):
        assert Path(path).resolve().is_relative_to(home), path
        assert not Path(path).resolve().is_relative_to(ROOT), path
    assert Path(migrations).name == "_migrations"
    assert Path(sample).name == "_sample_site"
    head, upgraded = revisions.split()
    assert upgraded == head
    assert (tmp_path / "new.sqlite").stat().st_size > 0


def test_its_command_runs(installed: Path, tmp_path: Path) -> None:
    shown = run(installed / "calfleet", "--help", folder=tmp_path)
    assert "Usage: calfleet" in shown
    assert list(tmp_path.iterdir()) == []
