"""docs/technician.md: the guided session it shows, typed again in a terminal, runs as shown."""

from __future__ import annotations

import codecs
import os
import pty
import runpy
import select
import shutil
import subprocess
import sys
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
PAGE = ROOT / "docs" / "technician.md"
docs = runpy.run_path(str(ROOT / "tests" / "test_docs.py"))


def session() -> list[str]:
    """The lines of the block fenced ``text session``."""
    text = PAGE.read_text(encoding="utf-8")
    return text.split("```text session\n", 1)[1].split("\n```", 1)[0].splitlines()


def typed_again(shown: list[str], site: Path) -> list[str]:
    """What a terminal 100 wide shows when each prompt gets the answer that the page gives it."""
    environment = docs["environment"](Path(sys.executable).parent) | {"TERM": "dumb"}
    terminal, inside = pty.openpty()
    process = subprocess.Popen(
        ["calfleet", "record", "PSL-2101"], cwd=site, env=environment, start_new_session=True,
        stdin=inside, stdout=inside, stderr=inside,
    )  # fmt: skip
    os.close(inside)
    decoder = codecs.getincrementaldecoder("utf-8")()
    said, at = "", 0
    while select.select([terminal], [], [], 60)[0]:
        try:
            read = os.read(terminal, 65536)
        except OSError:  # Linux says so when the program has ended
            read = b""
        if not read:
            break
        said += decoder.decode(read)
        prompt = said.rsplit("\n", 1)[-1]
        for number in range(at, len(shown)):
            # a page keeps no blank at the end of a line: an empty answer leaves the bare prompt
            line = shown[number]
            if prompt.endswith(" ") and (line.startswith(prompt) or line == prompt.rstrip()):
                os.write(terminal, (line[len(prompt) :] + "\n").encode())
                at = number + 1
                break
    os.close(terminal)
    assert process.wait(60) == 0, said
    return [line.rstrip() for line in said.replace("\r\n", "\n").splitlines()]


def test_the_guided_session_runs_as_shown(demo_site: Path, tmp_path: Path) -> None:
    site = shutil.copytree(demo_site, tmp_path / "demo-site")
    shown = session()
    assert len(shown) > 40
    printed = typed_again(shown, site)
    line = docs["missing"](shown, printed)
    assert line is None, f"not printed there: {line!r}\n" + "\n".join(printed)
