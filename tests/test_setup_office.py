"""``.setup/office`` installs what tests open spreadsheets and pages with, and only what is missing.

The machines are folders of programs that are the whole PATH, with a stand-in for apt-get that notes
how it was called.
"""

from __future__ import annotations

import shutil
import subprocess
from pathlib import Path

import pytest

SCRIPT = Path(__file__).resolve().parent.parent / ".setup" / "office"
TOOLS = ("sh", "mktemp", "rm", "tail", "env", "cat", "touch")
PROGRAMS = {
    "soffice": "libreoffice-calc",
    "pdftoppm": "poppler-utils",
    "rsvg-convert": "librsvg2-bin",
}
APT = """#!/bin/sh
echo "$DEBIAN_FRONTEND $*" >>'{log}'
case "$*" in
    update*) touch '{lists}'; exit ;;
esac
[ -e '{lists}' ] || {{ echo 'E: Unable to locate package' >&2; exit 100; }}
exit {code}
"""


class Machine:
    """A machine with a folder of programs, run by an administrator unless told otherwise."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.programs = folder / "programs"
        self.programs.mkdir()
        self.log, self.lists = folder / "log", folder / "lists"
        for tool in TOOLS:
            (self.programs / tool).symlink_to(str(shutil.which(tool)))
        self.add("id", "#!/bin/sh\necho 0\n")

    def add(self, name: str, text: str = "#!/bin/sh\nexit 0\n") -> None:
        path = self.programs / name
        path.write_text(text, encoding="utf-8")
        path.chmod(0o755)

    def apt(self, *, code: int = 0, lists: bool = True) -> None:
        if lists:
            self.lists.touch()
        self.add("apt-get", APT.format(log=self.log, lists=self.lists, code=code))

    def run(self, *arguments: str) -> tuple[int, str]:
        done = subprocess.run(
            ["sh", str(SCRIPT), *arguments],
            cwd=self.folder,
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


def install(*packages: str) -> str:
    return f"noninteractive install -q -y --no-install-recommends {' '.join(packages)}"


def test_where_all_is_there_nothing_is_said_or_done(machine: Machine) -> None:
    machine.apt()
    for name in PROGRAMS:
        machine.add(name)
    assert machine.run() == (0, "")
    assert machine.calls() == []


@pytest.mark.parametrize("name", PROGRAMS)
def test_only_what_is_missing_is_installed(machine: Machine, name: str) -> None:
    machine.apt()
    for other in PROGRAMS:
        if other != name:
            machine.add(other)
    code, shown = machine.run()
    assert code == 0, shown
    assert shown == f"Installing the system packages {PROGRAMS[name]} with apt-get ...\n"
    assert machine.calls() == [install(PROGRAMS[name])]


def test_package_lists_that_were_never_fetched_are_fetched(machine: Machine) -> None:
    machine.apt(lists=False)
    assert machine.run()[0] == 0
    wanted = install(*PROGRAMS.values())
    assert machine.calls() == [wanted, " update -q", wanted]


def test_an_ordinary_user_is_told_what_an_administrator_must_do(machine: Machine) -> None:
    machine.apt()
    machine.add("id", "#!/bin/sh\necho 1000\n")
    code, shown = machine.run()
    assert code == 1
    assert "let an administrator run 'apt-get install libreoffice-calc" in shown
    assert machine.calls() == []


def test_with_sudo_an_ordinary_user_installs_too(machine: Machine) -> None:
    machine.apt()
    machine.add("id", "#!/bin/sh\necho 1000\n")
    machine.add("sudo", '#!/bin/sh\nexec "$@"\n')
    assert machine.run()[0] == 0
    assert machine.calls() == [install(*PROGRAMS.values())]


def test_a_machine_without_apt_is_told_so(machine: Machine) -> None:
    code, shown = machine.run()
    assert code == 1
    assert "with your system's packages" in shown


def test_what_cannot_be_installed_is_said(machine: Machine) -> None:
    machine.apt(code=100)
    code, shown = machine.run()
    assert code == 1
    assert "could not install libreoffice-calc" in shown
    assert list(machine.folder.glob("tmp.*")) == []


def test_an_argument_is_refused(machine: Machine) -> None:
    assert machine.run("--help")[0] == 1
