"""``.setup/venv`` makes an environment on a bare machine, and says what it needs when it cannot.

The machines are folders of programs that are the whole PATH: the real tools the script calls, and
stand-ins for Python and apt-get that note how they were called.
"""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

SCRIPT = Path(__file__).resolve().parent.parent / ".setup" / "venv"
TOOLS = ("sh", "id", "ls", "mktemp", "rm", "tail", "env", "cat", "mkdir", "touch", "chmod")

PYTHON = """#!/bin/sh
# A Python that has no ensurepip until the marker is there, and makes small environments.
case "$*" in
    *'import venv, ensurepip'*) [ -e '{marker}' ]; exit ;;
    *version_info*'(3, 11)'*) exit {old} ;;
    *version_info*) echo 3.11; exit ;;
    '-m venv --clear '*)
        [ -e '{marker}' ] || exit 1
        mkdir -p "$4/bin"; touch "$4/pyvenv.cfg"
        printf '#!/bin/sh\\nexit 0\\n' >"$4/bin/python"; chmod +x "$4/bin/python"
        exit ;;
esac
exit 9
"""

APT = """#!/bin/sh
echo "$DEBIAN_FRONTEND $*" >>'{log}'
case "$*" in
    update*) touch '{lists}'; exit ;;
esac
[ -e '{lists}' ] || {{ echo 'E: Unable to locate package' >&2; exit 100; }}
[ {works} = yes ] && touch '{marker}'
"""


class Machine:
    """A machine with a folder of programs, run by an administrator unless told otherwise."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.programs = folder / "programs"
        self.programs.mkdir()
        self.home = folder / "home"
        self.home.mkdir()
        self.marker, self.lists, self.log = (folder / n for n in ("marker", "lists", "log"))
        for tool in TOOLS:
            (self.programs / tool).symlink_to(str(shutil.which(tool)))
        self.add("id", "#!/bin/sh\necho 0\n")

    def add(self, name: str, text: str) -> None:
        path = self.programs / name
        path.unlink(missing_ok=True)
        path.write_text(text, encoding="utf-8")
        path.chmod(0o755)

    def python(self, name: str = "python3", *, old: bool = False, venv: bool = False) -> None:
        self.add(name, PYTHON.format(marker=self.marker, old=int(old)))
        if venv:
            self.marker.touch()

    def apt(self, *, works: bool = True) -> None:
        text = APT.format(
            log=self.log, lists=self.lists, marker=self.marker, works="yes" if works else "no"
        )
        self.add("apt-get", text)

    def run(self, *arguments: str) -> tuple[int, str]:
        done = subprocess.run(
            ["sh", str(SCRIPT), *arguments],
            cwd=self.home,
            env={"PATH": str(self.programs), "LC_ALL": "C", "TMPDIR": str(self.folder)},
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            text=True,
            check=False,
        )
        return done.returncode, done.stdout

    def calls(self) -> list[str]:
        return self.log.read_text(encoding="utf-8").splitlines() if self.log.exists() else []


@pytest.fixture
def machine(tmp_path: Path) -> Machine:
    return Machine(tmp_path)


def test_a_working_python_needs_no_word(machine: Machine) -> None:
    machine.python(venv=True)
    machine.apt()
    assert machine.run(".venv") == (0, "")
    assert (machine.home / ".venv" / "pyvenv.cfg").is_file()
    assert machine.calls() == []


def test_the_missing_system_package_is_installed_with_a_word(machine: Machine) -> None:
    """As on a fresh Debian or Ubuntu: no package lists yet, and nobody to answer questions."""
    machine.python()
    machine.apt()
    code, shown = machine.run(".venv")
    assert code == 0, shown
    assert "Installing the system package python3.11-venv with apt-get" in shown
    install = "noninteractive install -q -y --no-install-recommends python3.11-venv"
    assert machine.calls() == [install, " update -q", install]
    assert (machine.home / ".venv" / "bin" / "python").exists()


def test_a_python_that_needs_nothing_is_preferred(machine: Machine) -> None:
    machine.add("python3", "#!/bin/sh\nexit 1\n")
    machine.python("python3.13", venv=True)
    assert machine.run(".venv") == (0, "")


def test_sudo_is_used_only_by_others_than_root(machine: Machine) -> None:
    machine.python()
    machine.apt()
    machine.lists.touch()
    machine.add("id", "#!/bin/sh\necho 1000\n")
    code, shown = machine.run(".venv")
    assert code == 1
    assert "let an administrator run 'apt-get install python3.11-venv'" in shown
    assert machine.calls() == []
    machine.add("sudo", f'#!/bin/sh\necho sudo >>"{machine.log}"\nexec "$@"\n')
    code, shown = machine.run(".venv")
    assert code == 0, shown
    assert machine.calls()[0] == "sudo"


def test_without_apt_the_next_step_is_named(machine: Machine) -> None:
    machine.python()
    code, shown = machine.run(".venv")
    assert code == 1
    assert "Next: install python3.11-venv" in shown
    assert not (machine.home / ".venv").exists()


def test_a_package_that_cannot_be_installed_is_named(machine: Machine) -> None:
    machine.python()
    machine.apt(works=False)
    code, shown = machine.run(".venv")
    assert code == 1
    assert "apt-get could not install python3.11-venv" in shown


@pytest.mark.parametrize("old", [True, False])
def test_no_python_or_only_an_old_one(machine: Machine, old: bool) -> None:
    if old:
        machine.python(old=True, venv=True)
    code, shown = machine.run(".venv")
    assert code == 1
    assert "No Python 3.11 or newer was found" in shown


@pytest.mark.parametrize("arguments", [(), ("",), ("a", "b"), ("--help",)])
def test_exactly_one_folder_is_expected(machine: Machine, arguments: tuple[str, ...]) -> None:
    machine.python(venv=True)
    code, shown = machine.run(*arguments)
    assert code == 1
    assert "sh .setup/venv .venv" in shown
    assert list(machine.home.iterdir()) == []


def test_what_is_no_environment_is_left_alone(machine: Machine) -> None:
    machine.python(venv=True)
    (machine.home / "notes").mkdir()
    (machine.home / "notes" / "mine.txt").write_text("mine", encoding="utf-8")
    code, shown = machine.run("notes")
    assert code == 1
    assert "notes exists and is not a virtual environment" in shown
    assert [p.name for p in (machine.home / "notes").iterdir()] == ["mine.txt"]


def test_a_working_environment_is_kept_and_a_broken_one_mended(machine: Machine) -> None:
    machine.python(venv=True)
    machine.run(".venv")
    python = machine.home / ".venv" / "bin" / "python"
    python.write_text("#!/bin/sh\n# kept\nexit 0\n", encoding="utf-8")
    assert machine.run(".venv") == (0, "")
    assert "kept" in python.read_text(encoding="utf-8")
    python.write_text("#!/bin/sh\n# kept\nexit 1\n", encoding="utf-8")
    assert machine.run(".venv") == (0, "")
    assert "kept" not in python.read_text(encoding="utf-8")


def test_a_real_environment_is_made(tmp_path: Path) -> None:
    """With the Python below the one that runs this test, in a folder whose name has a space."""
    target = tmp_path / "an environment"
    given = os.environ | {"PYTHON": str(Path(sys.base_prefix) / "bin" / "python3")}
    for _ in range(2):
        done = subprocess.run(
            ["sh", str(SCRIPT), str(target)],
            env=given,
            cwd=tmp_path,
            check=True,
            text=True,
            capture_output=True,
        )
        assert done.stdout + done.stderr == ""
    pip = [str(target / "bin" / "python"), "-m", "pip", "--version"]
    assert str(target) in subprocess.run(pip, check=True, text=True, capture_output=True).stdout
