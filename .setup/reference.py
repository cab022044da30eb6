"""Write docs/commands.md: the help of every command, word for word as the program prints it.

Run it after a command, an option or a help text was changed; a test compares the page with the
program:

    .venv-test/bin/python .setup/reference.py
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

PAGE = Path(__file__).resolve().parent.parent / "docs" / "commands.md"

HEAD = """\
# Commands

<!-- Written by .setup/reference.py from the program's own help; do not edit. -->
"""


def commands(command: Any, path: tuple[str, ...] = ()) -> Iterator[tuple[str, ...]]:
    """The words that call each command, the program's own first: () then ("due",) ..."""
    yield path
    for name, child in getattr(command, "commands", {}).items():
        if not child.hidden:
            yield from commands(child, (*path, name))


def page() -> str:
    """The text of docs/commands.md for the program as it is installed here."""
    from typer.main import get_command
    from typer.testing import CliRunner

    from calfleet.adapters.cli.commands import app

    runner = CliRunner(env={"COLUMNS": "88", "NO_COLOR": "1"})
    parts = [HEAD]
    for words in commands(get_command(app)):
        shown = runner.invoke(app, [*words, "--help"], prog_name="calfleet")
        if shown.exit_code:
            raise SystemExit(f"calfleet {' '.join(words)} --help failed:\n{shown.output}")
        text = "\n".join(line.rstrip() for line in shown.output.strip("\n").splitlines())
        title = " ".join(("calfleet", *words))
        parts.append(f"## {title}\n\n```text\n{text}\n```\n")
    return "\n".join(parts)


if __name__ == "__main__":
    PAGE.write_text(page(), encoding="utf-8")
    print(f"Wrote {PAGE}")
