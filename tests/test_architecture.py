"""The rules of the shape, run with every test run and shown to bite: imports, style, types."""

from __future__ import annotations

import ast
import json
import os
import re
import shutil
import subprocess
import sys
import tomllib
from dataclasses import dataclass
from pathlib import Path

import pytest

from calfleet.store.schema import migrations_folder

ROOT = Path(__file__).resolve().parent.parent
PACKAGE = ROOT / "calfleet"
BIN = Path(sys.executable).parent

SLOW = ("alembic", "mako", "numpy", "scipy", "pandas", "openpyxl", "rich")
"""What the due list must not load: each costs more time than the list itself."""

STATIC_CHECKS = {
    "ruff check": ["ruff", "check", "--no-cache", "."],
    "ruff format": ["ruff", "format", "--check", "--no-cache", "."],
    "mypy strict": ["mypy"],
    "import contracts": ["lint-imports", "--no-cache", "--no-logo"],
}


def run(
    command: list[str], *, folder: Path = ROOT, given: str | None = None
) -> subprocess.CompletedProcess[str]:
    """The finished process of one of this environment's tools, its two streams in one."""
    return subprocess.run(
        [str(BIN / command[0]), *command[1:]],
        cwd=folder,
        input=given,
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
        env=os.environ | {"COLUMNS": "160", "NO_COLOR": "1"},
        check=False,
    )


@pytest.mark.parametrize("name", STATIC_CHECKS)
def test_the_code_passes(name: str) -> None:
    """Style, form, types and import contracts: part of the test run, so that none is forgotten."""
    done = run(STATIC_CHECKS[name])
    assert done.returncode == 0, done.stdout


# Import contracts: each is broken on purpose in a copy of the tree.

BREACHES = [
    ("layers", "scheduling/calendar.py", "import calfleet.services.list_due"),
    ("layers", "scheduling/calendar.py", "import calfleet.traceability.chain"),
    ("layers", "traceability/chain.py", "import calfleet.store.work"),
    ("layers", "metrology/units.py", "import calfleet.records"),
    ("layers", "services/trace.py", "import calfleet.site"),
    ("layers", "services/trace.py", "import calfleet.adapters.cli.render"),
    ("layers", "site.py", "import calfleet.adapters.workbook.tables"),
    ("layers", "keeping/copies.py", "import calfleet.site"),
    ("layers", "services/trace.py", "import calfleet.keeping.manifest"),
    ("layers", "leftovers.py", "X = 1"),
    ("adapters", "adapters/workbook/tables.py", "import calfleet.adapters.cli.render"),
    ("files", "adapters/workbook/tables.py", "import calfleet.site"),
    ("files", "adapters/workbook/tables.py", "import calfleet.services.record"),
    ("commands", "adapters/cli/due.py", "import calfleet.store.work"),
    ("pure", "metrology/units.py", "import pathlib"),
    ("pure", "records.py", "from sqlite3 import connect"),
    ("pure", "scheduling/due.py", "import subprocess"),
    ("pure", "scheduling/due.py", "import time"),
    ("pure", "traceability/chain.py", "from sqlalchemy import select"),
    ("pure", "errors.py", "import typer"),
    ("numbers", "metrology/switch.py", "from datetime import date"),
    ("services", "services/record.py", "import os.path"),
    ("services", "services/record.py", "def later():\n    import openpyxl"),
    ("sql", "adapters/workbook/tables.py", "import sqlalchemy"),
    ("migrations", "services/record.py", "from alembic import command"),
    ("terminal", "adapters/workbook/tables.py", "import typer"),
    ("spreadsheets", "site.py", "import openpyxl"),
    ("processes", "services/record.py", "from concurrent.futures import ProcessPoolExecutor"),
    ("processes", "site.py", "import multiprocessing"),
    ("layers", "services/trace.py", "import calfleet.workers"),
    ("cycles", "services/nearest.py", "import calfleet.services.record"),
]


def contracts() -> list[str]:
    settings = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))
    return [c["id"] for c in settings["tool"]["importlinter"]["contracts"]]


def test_every_contract_is_broken_on_purpose_below() -> None:
    assert {breach[0] for breach in BREACHES} == set(contracts())


LINT = ["lint-imports", "--no-cache", "--no-logo"]


@dataclass(frozen=True)
class Tree:
    """A copy of the package and its settings, and what is said of the contracts in it."""

    folder: Path
    said: str

    def keeps(self, contract: str) -> bool:
        return re.search(rf"^{contract}: .* KEPT", self.said, re.MULTILINE) is not None


@pytest.fixture(scope="module")
def tree(tmp_path_factory: pytest.TempPathFactory) -> Tree:
    """The tree as it is, looked at once for all breaches."""
    folder = tmp_path_factory.mktemp("tree")
    shutil.copytree(PACKAGE, folder / "calfleet", ignore=shutil.ignore_patterns("__pycache__"))
    shutil.copy(ROOT / "pyproject.toml", folder)
    return Tree(folder, run(LINT, folder=folder).stdout)


@pytest.mark.parametrize(("contract", "module", "line"), BREACHES)
def test_an_illegal_import_is_found(
    contract: str, module: str, line: str, tree: Tree, tmp_path: Path
) -> None:
    assert tree.keeps(contract), tree.said
    copied = shutil.copytree(tree.folder, tmp_path / "copied")
    target = copied / "calfleet" / module
    with target.open("a", encoding="utf-8") as file:
        file.write(f"\n{line}\n")
    after = run([*LINT, "--contract", contract], folder=copied)
    assert after.returncode == 1, after.stdout
    assert f"{contract}:" in after.stdout
    assert "BROKEN" in after.stdout


# SQLAlchemy outside the store: the type of a session that is handed on, and nothing that runs.


def sqlalchemy_breaches(source: str) -> list[str]:
    """Each import of SQLAlchemy that is more than ``Session`` under ``TYPE_CHECKING``."""
    tree = ast.parse(source)
    for_types = {
        inner
        for outer in ast.walk(tree)
        if isinstance(outer, ast.If)
        and isinstance(outer.test, ast.Name)
        and outer.test.id == "TYPE_CHECKING"
        for child in outer.body
        for inner in ast.walk(child)
    }
    found = []
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            names = [alias.name for alias in node.names]
        elif isinstance(node, ast.ImportFrom):
            names = [f"{node.module}.{alias.name}" for alias in node.names]
        else:
            continue
        for name in names:
            allowed = name == "sqlalchemy.orm.Session" and node in for_types
            if name.split(".")[0] == "sqlalchemy" and not allowed:
                found.append(f"line {node.lineno}: {name}")
    return found


def test_services_and_commands_know_a_session_by_its_type_alone() -> None:
    breaches = [
        f"{path.relative_to(ROOT)} {breach}"
        for part in ("services", "adapters")
        for path in sorted((PACKAGE / part).rglob("*.py"))
        for breach in sqlalchemy_breaches(path.read_text(encoding="utf-8"))
    ]
    assert breaches == []


@pytest.mark.parametrize(
    ("source", "count"),
    [
        ("from sqlalchemy import select", 1),
        ("from sqlalchemy.orm import Session", 1),
        ("def f():\n    import sqlalchemy.orm", 1),
        ("if TYPE_CHECKING:\n    from sqlalchemy import select", 1),
        ("if TYPE_CHECKING:\n    pass\nelse:\n    from sqlalchemy.orm import Session", 1),
        ("if TYPE_CHECKING:\n    from sqlalchemy.orm import Session", 0),
    ],
)
def test_more_than_the_type_of_a_session_is_found(source: str, count: int) -> None:
    assert len(sqlalchemy_breaches(source)) == count


# Migrations are frozen: code of the package would change under them.


def foreign_imports(source: str) -> set[str]:
    """Top-level packages imported that are neither the standard library nor the two allowed."""
    names: set[str] = set()
    for node in ast.walk(ast.parse(source)):
        if isinstance(node, ast.Import):
            names |= {alias.name.split(".")[0] for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            names.add((node.module or "").split(".")[0])
    return names - set(sys.stdlib_module_names) - {"alembic", "sqlalchemy"}


def test_a_migration_imports_only_alembic_and_sqlalchemy() -> None:
    revisions = sorted((migrations_folder() / "versions").glob("*.py"))
    assert revisions
    for path in revisions:
        assert foreign_imports(path.read_text(encoding="utf-8")) == set(), path.name
    assert foreign_imports("def upgrade():\n    from calfleet.store import base") == {"calfleet"}


# The clock and slow imports: ruff holds these rules; here they are shown to bite.


@pytest.mark.parametrize(
    ("file", "source", "code"),
    [
        ("services/x.py", "from datetime import date\n\nprint(date.today())\n", "TID251"),
        ("services/x.py", "import datetime\n\nX = datetime.datetime.now()\n", "TID251"),
        ("store/x.py", "import time\n\nX = time.time()\n", "TID251"),
        ("metrology/x.py", "import numpy as np\n\nX = np.pi\n", "TID253"),
        ("store/x.py", "from alembic import command\n\nX = command\n", "TID253"),
        ("services/x.py", "from . import record\n\nX = record\n", "TID252"),
        ("services/x.py", "print(1)\n", "T201"),
    ],
)
def test_ruff_refuses(file: str, source: str, code: str) -> None:
    command = ["ruff", "check", "--no-cache", "--output-format", "json"]
    found = run([*command, "--stdin-filename", f"calfleet/{file}", "-"], given=source)
    assert code in {finding["code"] for finding in json.loads(found.stdout)}


def test_the_site_alone_may_read_the_clock() -> None:
    source = "from datetime import date\n\nTODAY = date.today()\n"
    command = ["ruff", "check", "--no-cache", "--stdin-filename"]
    assert run([*command, "calfleet/site.py", "-"], given=source).returncode == 0
    assert run([*command, "calfleet/records.py", "-"], given=source).returncode == 1


LOADED = """
import json, sys
from calfleet.adapters.cli import main
try:
    main()
except SystemExit as end:
    code = end.code
print(json.dumps([code or 0, sorted({name.split(".")[0] for name in sys.modules})]))
"""


def loaded_by(*command: str) -> tuple[int, set[str]]:
    """How many lines a command printed, and the top-level packages it had loaded at its end."""
    done = subprocess.run(
        [sys.executable, "-c", LOADED, *command], capture_output=True, text=True, check=True
    )
    *lines, last = done.stdout.splitlines()
    code, loaded = json.loads(last)
    assert code == 0, done.stdout + done.stderr
    return len(lines), set(loaded)


@pytest.mark.parametrize("output", ["table", "csv", "json"])
def test_the_due_list_loads_nothing_slow(demo_site: Path, output: str) -> None:
    """On a site with history: a slow import on the way shows only where there is work to do."""
    lines, loaded = loaded_by("due", "--site", str(demo_site), "--within", "60", "-f", output)
    assert lines > 10
    assert [name for name in SLOW if name in loaded] == []


def test_a_slow_import_would_be_seen(demo_site: Path, tmp_path: Path) -> None:
    """``upgrade`` needs Alembic: the way of looking above does find it."""
    site = shutil.copytree(demo_site, tmp_path / "site")
    assert "alembic" in loaded_by("upgrade", "--site", str(site))[1]
