"""Commands run as a user runs them: in this process, as a process of their own, at a terminal."""

from __future__ import annotations

import hashlib
import json
import os
import re
import shutil
import sqlite3
import subprocess
import sys
from collections.abc import Callable
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest
from typer.testing import CliRunner

from calfleet.adapters.cli.commands import app

PLAIN = {"COLUMNS": "160", "NO_COLOR": "1", "CALFLEET_SITE": None, "CALFLEET_PERSON": None}


@dataclass(frozen=True)
class Outcome:
    """What a command left: its exit code and its two streams."""

    code: int
    out: str
    err: str

    def json(self) -> Any:
        return json.loads(self.out)


@dataclass(frozen=True)
class Shop:
    """A site to work on, with its database to look into."""

    root: Path

    @property
    def database(self) -> Path:
        return self.root / "site.sqlite"

    def run(
        self,
        *words: str,
        typed: str | None = None,
        columns: int = 160,
        environment: dict[str, str | None] | None = None,
        here: bool = True,
    ) -> Outcome:
        """Run a command in this process; an exception that no message stands for fails the test.

        ``here`` names the site by its environment variable, as a shell that is set up would.
        """
        given: dict[str, str | None] = PLAIN | {"COLUMNS": str(columns)}
        if here:
            given["CALFLEET_SITE"] = str(self.root)
        done = CliRunner().invoke(
            app, list(words), input=typed, env=given | (environment or {}), prog_name="calfleet"
        )
        if done.exception is not None and not isinstance(done.exception, SystemExit):
            raise done.exception
        return Outcome(done.exit_code, done.stdout, done.stderr)

    def ok(self, *words: str, **how: Any) -> str:
        """What a command printed; it must have succeeded and kept silent on the error stream."""
        done = self.run(*words, **how)
        assert (done.code, done.err) == (0, ""), done.err
        return done.out

    def ask(self, sql: str, *parameters: object) -> list[tuple[Any, ...]]:
        """Rows from the database, opened anew beside the program."""
        with closing(sqlite3.connect(f"{self.database.as_uri()}?mode=ro", uri=True)) as reader:
            return reader.execute(sql, parameters).fetchall()

    def state(self) -> dict[str, str]:
        """Every file of the site with the digest of its bytes."""
        return {
            str(path.relative_to(self.root)): hashlib.sha256(path.read_bytes()).hexdigest()
            for path in sorted(self.root.rglob("*"))
            if path.is_file()
        }


@pytest.fixture(scope="session")
def demo(demo_site: Path) -> Shop:
    """The demo's site, to be read only."""
    return Shop(demo_site)


@pytest.fixture
def shop(demo_site: Path, tmp_path: Path) -> Shop:
    """A copy of the demo's site, to be written to."""
    return Shop(Path(shutil.copytree(demo_site, tmp_path / "site")))


@pytest.fixture(scope="session")
def environment() -> dict[str, str]:
    """The environment of a process of its own, free of what this machine has set."""
    kept = {k: v for k, v in os.environ.items() if not k.startswith(("CALFLEET", "COLUMNS"))}
    return kept | {"COLUMNS": "160", "NO_COLOR": "1", "LC_ALL": "C.UTF-8"}


Process = Callable[..., subprocess.CompletedProcess[str]]


@pytest.fixture(scope="session")
def process(environment: dict[str, str]) -> Process:
    """Runs ``python -m calfleet`` with the words given; keywords go to ``subprocess.run``."""

    def run(*words: str | Path, **how: Any) -> subprocess.CompletedProcess[str]:
        how["env"] = environment | how.pop("env", {})
        return subprocess.run(
            [sys.executable, "-m", "calfleet", *map(str, words)],
            capture_output=True,
            text=True,
            encoding="utf-8",
            stdin=subprocess.DEVNULL,
            timeout=120,
            check=False,
            **how,
        )

    return run


READINGS = """\
tag = "PSL-1108"
date = 2026-11-25
person = "P02"
work_order = "J1"
returned_by = "P02"
verified_by = "P03"

[procedure]
code = "PS-GEN"
revision = 2

[gauges]
operating = "RG-202"

[conditions]
temperature_c = 20.4
humidity = 0.41

[adjustment]
adjusted = false

[[cycles]]
phase = "as-found"
set_point = "L"
run = 1
trip = 250.8
reset = 276.8

[[cycles]]
phase = "as-found"
set_point = "L"
run = 2
trip = 252.5
reset = 276.7

[[cycles]]
phase = "as-found"
set_point = "L"
run = 3
trip = 252.3
reset = 276.4
"""
"""A sound readings file: PSL-1108 trips at 2.50 bar falling, RG-202 shows kPa."""


@pytest.fixture
def readings(tmp_path: Path) -> Callable[..., Path]:
    """Writes a readings file: the sound one with each pattern replaced once; it must be there."""

    def write(*changes: tuple[str, str], name: str = "readings.toml") -> Path:
        text = READINGS
        for pattern, replacement in changes:
            text, count = re.subn(pattern, replacement, text, count=1, flags=re.MULTILINE)
            assert count == 1, pattern
        path = tmp_path / name
        path.write_text(text, encoding="utf-8")
        return path

    return write
