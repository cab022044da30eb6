"""The top level of the project stays short: what a newcomer sees first."""

from __future__ import annotations

import subprocess
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parent.parent

TOP_LEVEL = {
    "README.md",
    "DEVELOPERS.md",
    "pyproject.toml",
    "calfleet",
    "migrations",
    "tests",
    "sample_site",
    "docs",
}
"""All that may lie there, apart from names that begin with a dot."""


def kept_files() -> list[Path]:
    """Paths, relative to the root, that are under version control."""
    command = ["git", "ls-files", "-z"]
    if not (ROOT / ".git").exists():
        pytest.skip("not a git checkout: what is kept cannot be told from what is not")
    done = subprocess.run(command, cwd=ROOT, capture_output=True, text=True, check=True)
    return [Path(name) for name in done.stdout.split("\0") if name]


def test_nothing_else_lies_on_the_top_level() -> None:
    names = {path.parts[0] for path in kept_files()}
    assert {name for name in names if not name.startswith(".")} == TOP_LEVEL


def test_nothing_that_is_made_by_running_is_kept() -> None:
    made = {".sqlite", ".pyc", ".whl", ".gz", ".log", ".orig", ".rej", ".swp", ".tmp"}
    assert [str(path) for path in kept_files() if path.suffix in made] == []
