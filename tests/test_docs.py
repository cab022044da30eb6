"""What the documents say is so: their commands run, the output they show is the real one.

In a block fenced ``console`` a line starting with ``$ calfleet`` is run, and the lines under it,
up to the next ``$``, must be printed by it. In a block fenced ``sh`` each line starting with
``calfleet`` is run. The commands of one document run in order in one copy of the demo's site.

- ``...`` alone on a line of output stands for any lines, inside a line for any text.
- ``$ echo $?`` with a number under it says that the command above it ends with that exit code;
  every other command must end with 0.
- Commands of the README are processes, as its reader will start them. Those of the other documents
  run in this process where no shell is needed, which spares the start of a program for each.
- A block fenced ``toml file=NAME`` or ``csv file=NAME`` is first written to that file, so that
  commands further down can read it.
"""

from __future__ import annotations

import contextlib
import os
import re
import runpy
import shlex
import shutil
import subprocess
import sys
import zipfile
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from itertools import pairwise
from pathlib import Path

import pytest
from typer.testing import CliRunner

from calfleet.adapters.cli.commands import app

ROOT = Path(__file__).resolve().parent.parent
DOCUMENTS = sorted([ROOT / "README.md", *(ROOT / "docs").rglob("*.md")])
INSTALL = "sh .setup/venv "
"""How the README's two commands begin."""


@dataclass
class Block:
    """A fenced block of a document: its language, its other words, its lines."""

    line: int
    language: str
    file: str
    lines: list[str] = field(default_factory=list)


@dataclass
class Command:
    """A command of a document, the output shown under it, and the exit code it must end with."""

    line: int
    text: str
    shown: list[str] = field(default_factory=list)
    code: int = 0


def blocks(text: str) -> Iterator[Block]:
    """The fenced blocks in order. Raises: ValueError for one that is never closed."""
    block: Block | None = None
    for number, line in enumerate(text.splitlines(), 1):
        fence = re.match(r"```(\w*)(.*)$", line)
        if block is None and fence:
            name = re.search(r"\bfile=(\S+)", fence[2])
            block = Block(number, fence[1], name[1] if name else "")
        elif block is not None and line.rstrip() == "```":
            yield block
            block = None
        elif block is not None:
            block.lines.append(line)
    if block is not None:
        raise ValueError(f"the block opened on line {block.line} is never closed")


def commands(block: Block) -> list[Command]:
    """The commands of a block with what it shows of their output; others than ours included."""
    found: list[Command] = []
    mark = {"console": "$ ", "sh": ""}.get(block.language)
    if mark is None:
        return found
    joined = False
    for number, line in enumerate(block.lines, block.line + 1):
        if joined:
            found[-1].text += "\n" + line
        elif line.startswith(mark) and line.strip():
            found.append(Command(number, line.removeprefix(mark)))
        elif found:
            found[-1].shown.append(line.rstrip())
        joined = bool(found) and not found[-1].shown and line.endswith("\\")
    for command, after in pairwise(found):
        if after.text.strip() == "echo $?":
            command.code = int(after.shown[0])
    for command in found:
        while command.shown and not command.shown[-1]:
            command.shown.pop()
    return found


def missing(shown: list[str], printed: list[str]) -> str | None:
    """The first shown line that is not printed where it should be, or None when all are there.

    Lines between two ``...`` must be printed one after the other, in that order.
    """
    chunks: list[list[str]] = [[]]
    for line in shown:
        if line.strip() == "...":
            chunks.append([])
        else:
            chunks[-1].append(line)
    start = 0
    for chunk in filter(None, chunks):
        patterns = [
            re.compile(".*".join(re.escape(part) for part in line.split("..."))) for line in chunk
        ]
        best = 0
        for at in range(start, len(printed)):
            fits = 0
            while (
                fits < len(patterns)
                and at + fits < len(printed)
                and patterns[fits].fullmatch(printed[at + fits])
            ):
                fits += 1
            best = max(best, fits)
            if fits == len(patterns):
                start = at + fits
                break
        else:
            return chunk[best]
    return None


def environment(programs: Path) -> dict[str, str]:
    """The environment of a user: a plain terminal 100 wide, our programs first on the path."""
    kept = {
        name: value
        for name, value in os.environ.items()
        if not name.startswith(("CALFLEET", "PYTHON", "VIRTUAL_ENV", "PYTEST", "COV"))
    }
    path = f"{programs}{os.pathsep}{kept['PATH']}"
    return kept | {"PATH": path, "COLUMNS": "100", "NO_COLOR": "1", "LC_ALL": "C.UTF-8"}


def run(text: str, *, folder: Path, programs: Path) -> tuple[int, list[str]]:
    """Exit code and printed lines (both streams) of a shell command."""
    done = subprocess.run(
        ["sh", "-c", text],
        cwd=folder,
        env=environment(programs),
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        encoding="utf-8",
        check=False,
    )
    return done.returncode, [line.rstrip() for line in done.stdout.splitlines()]


SHELL = re.compile(r"[|&;<>()$`*?~]")
"""What a shell would make something of."""


def run_here(text: str, *, folder: Path, programs: Path) -> tuple[int, list[str]]:
    """The same of one of our commands, in this process if no shell is needed."""
    if SHELL.search(text):
        return run(text, folder=folder, programs=programs)
    program, *words = shlex.split(text.replace("\\\n", ""), comments=True)
    assert program == "calfleet"
    unset = {name: None for name in os.environ if name.startswith("CALFLEET")}
    with contextlib.chdir(folder):
        done = CliRunner().invoke(
            app, words, env=unset | environment(programs), prog_name="calfleet"
        )
    if done.exception is not None and not isinstance(done.exception, SystemExit):
        raise done.exception
    return done.exit_code, [line.rstrip() for line in done.output.splitlines()]


def faults(
    document: Path,
    folder: Path,
    programs: Path,
    how: Callable[..., tuple[int, list[str]]] = run,
) -> tuple[int, list[str]]:
    """How many commands of a document were run in ``folder``, and what was wrong with them."""
    count, wrong = 0, []
    for block in blocks(document.read_text(encoding="utf-8")):
        if block.file:
            target = folder / block.file
            target.parent.mkdir(parents=True, exist_ok=True)
            target.write_text("\n".join(block.lines) + "\n", encoding="utf-8")
        for command in commands(block):
            if not command.text.startswith("calfleet "):
                continue
            count += 1
            where = f"{document.name}:{command.line}: {command.text}"
            code, printed = how(command.text, folder=folder, programs=programs)
            everything = "\n".join(["", *printed])
            if code != command.code:
                wrong.append(f"{where}\nended with {code}, not {command.code}{everything}")
            elif (line := missing(command.shown, printed)) is not None:
                wrong.append(f"{where}\ndid not print {line!r} there; it printed{everything}")
    return count, wrong


@pytest.mark.parametrize("document", DOCUMENTS, ids=lambda path: str(path.relative_to(ROOT)))
def test_its_commands_run_and_print_what_it_shows(
    document: Path, demo_site: Path, tmp_path: Path
) -> None:
    site = shutil.copytree(demo_site, tmp_path / "demo-site")
    how = run if document == ROOT / "README.md" else run_here
    _, wrong = faults(document, site, Path(sys.executable).parent, how)
    assert not wrong, "\n\n".join(wrong)


def test_there_are_commands_to_run() -> None:
    """The README gives a tour, and so does a how-to for each of the three users."""
    found = [
        document
        for document in DOCUMENTS
        if sum(
            command.text.startswith("calfleet ")
            for block in blocks(document.read_text(encoding="utf-8"))
            for command in commands(block)
        )
        >= 3
    ]
    assert ROOT / "README.md" in found
    assert len(found) >= 4


PAGE = """\
```toml file=given.toml
x = 1
```

```console
$ calfleet first \\
    --long
one
...
three ... end
$ calfleet second
$ echo $?
3
```

```sh
calfleet third
```

```text
calfleet fourth
```
"""


def test_commands_are_found_with_their_output() -> None:
    first, console, *rest = blocks(PAGE)
    assert (first.file, first.lines) == ("given.toml", ["x = 1"])
    one, two, _echo = commands(console)
    assert one.text == "calfleet first \\\n    --long"
    assert one.shown == ["one", "...", "three ... end"]
    assert (two.text, two.shown, two.code) == ("calfleet second", [], 3)
    assert [c.text for block in rest for c in commands(block)] == ["calfleet third"]
    with pytest.raises(ValueError, match="line 1 is never closed"):
        list(blocks("```sh\ncalfleet"))


@pytest.mark.parametrize(
    ("shown", "fault"),
    [
        (["one", "two"], None),
        (["...", "two"], None),
        (["o...e", "...", "three"], None),
        (["one", "three"], "three"),
        (["two", "...", "one"], "one"),
        (["four"], "four"),
        (["tw"], "tw"),
    ],
)
def test_output_that_is_not_printed_is_found(shown: list[str], fault: str | None) -> None:
    assert missing(shown, ["zero", "one", "two", "three"]) == fault


@pytest.mark.parametrize("how", [run, run_here])
def test_a_wrong_document_is_found(
    demo_site: Path, tmp_path: Path, how: Callable[..., tuple[int, list[str]]]
) -> None:
    page = tmp_path / "page.md"
    page.write_text(
        "```console\n$ calfleet due --as-of never\n$ calfleet due\nno such line\n```\n",
        encoding="utf-8",
    )
    count, (code, output) = faults(page, demo_site, Path(sys.executable).parent, how)
    assert count == 2
    assert "ended with 2, not 0" in code
    assert "did not print 'no such line'" in output


def test_the_command_reference_is_what_the_program_says() -> None:
    """Write it again with: python .setup/reference.py"""
    script = runpy.run_path(str(ROOT / ".setup" / "reference.py"))
    assert script["PAGE"].read_text(encoding="utf-8") == script["page"]()


# The README's two commands.


def install_commands() -> list[str]:
    text = (ROOT / "README.md").read_text(encoding="utf-8")
    found = [c.text for block in blocks(text) for c in commands(block)]
    return [command for command in found if command.startswith(INSTALL)]


def test_the_readme_gives_two_commands_and_ci_runs_the_second() -> None:
    script = (ROOT / ".ci" / "run").read_text(encoding="utf-8")
    in_ci = [line for line in script.splitlines() if line.startswith(INSTALL)]
    found = install_commands()
    assert len(found) == 2
    assert "calfleet demo " in found[0]
    assert found[1:] == in_ci


def test_the_first_command_installs_and_walks_the_main_job(tmp_path: Path) -> None:
    """In a fresh copy of the project, as a reader would: downloads what it installs."""
    clone = tmp_path / "clone"
    for path in project_files():
        target = clone / path.relative_to(ROOT)
        target.parent.mkdir(parents=True, exist_ok=True)
        shutil.copy(path, target)
    command = install_commands()[0]
    code, printed = run(command, folder=clone, programs=Path("/usr/bin"))
    assert code == 0, "\n".join(printed)
    site = clone / shlex.split(command)[-1]
    assert (site / "calfleet.toml").is_file()
    assert (site / "site.sqlite").stat().st_size > 0
    nexts = [line.strip() for line in printed[-4:] if line.startswith("  calfleet ")]
    assert len(nexts) == 3
    for text in nexts:
        code, answer = run(text, folder=site, programs=clone / ".venv" / "bin")
        assert code == 0, "\n".join([text, *answer])


# Words and addresses that belong in no file of this project. They are put together here, so that
# this file may be searched as well.

BANNED = {
    "what the project was made from": [
        r"\btran" + r"scripts?\b",
        r"seed" + r"[ -]document",
        r"recording" + r" 0\d",
        r"\.\./" + r"shared",
        # a report has issues with numbers; those of a list of work have a sign before it
        r"\bissue" + r"s? (#|no\.? ?)\d",
    ],
    "a path of one machine": [
        r"(?<![\w.])/" + r"(work|root|home|Users)/\w",
        r"[A-Z]:\\" + r"Users\\",
    ],
    "the address of a package registry": [
        r"py" + r"pi\.(org|python)",
        r"python" + r"hosted\.org",
        r"(extra-)?index" + r"-url",
        r"npm" + r"js\.",
        r"(deb|archive|security)\." + r"(debian|ubuntu)\.",
        r"trusted" + r"-host",
    ],
}


def project_files() -> list[Path]:
    """Every file of the project, committed or new; not what a user left beside it."""
    command = ["git", "ls-files", "--cached", "--others", "--exclude-standard", "-z"]
    if not (ROOT / ".git").exists():
        pytest.skip("not a git checkout: what belongs to the project cannot be told")
    done = subprocess.run(command, cwd=ROOT, capture_output=True, text=True, check=True)
    top = r"\.|(calfleet|migrations|sample_site|tests|docs)/|README|DEVELOPERS|pyproject"
    names = [name for name in done.stdout.split("\0") if re.match(top, name)]
    return [ROOT / name for name in names if (ROOT / name).is_file()]


def texts(path: Path) -> Iterator[str]:
    """The text of a file, or of each part of a spreadsheet."""
    if zipfile.is_zipfile(path):
        with zipfile.ZipFile(path) as archive:
            for name in archive.namelist():
                yield archive.read(name).decode("utf-8", errors="replace")
    else:
        yield path.read_text(encoding="utf-8", errors="replace")


def banned(pattern: str, name: str, text: str) -> list[str]:
    """Where a pattern stands in a file's name or text."""
    search = re.compile(pattern, re.IGNORECASE)
    found = [f"{name}: its name"] if search.search(name) else []
    for number, line in enumerate(text.splitlines(), 1):
        if search.search(line):
            found.append(f"{name}:{number}: {line.strip()[:120]}")
    return found


@pytest.mark.parametrize("why", BANNED)
def test_no_file_names(why: str) -> None:
    found = [
        place
        for path in project_files()
        for text in texts(path)
        for pattern in BANNED[why]
        for place in banned(pattern, str(path.relative_to(ROOT)), text)
    ]
    assert found == []


def test_what_is_banned_is_found() -> None:
    samples = {
        "what the project was made from": ["Tran" + "script", "../" + "shared/x", "issue" + " #12"],
        "a path of one machine": ["in /" + "work/main", "'/" + "root/x'"],
        "the address of a package registry": ["py" + "pi.org", "--index" + "-url x"],
    }
    assert set(samples) == set(BANNED)
    for why, words in samples.items():
        for word in words:
            assert any(banned(pattern, "a.md", word) for pattern in BANNED[why]), word
    assert not any(banned(p, "a.md", "issued 2026-11-25") for all_ in BANNED.values() for p in all_)
