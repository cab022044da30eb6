"""The help of every command: complete, and readable at any width."""

from __future__ import annotations

import re
from collections.abc import Iterator
from typing import Any

import pytest
from typer.main import get_command

from calfleet.adapters.cli.app import SECTIONS
from calfleet.adapters.cli.commands import app


def paths(command: Any, path: tuple[str, ...] = ()) -> Iterator[tuple[str, ...]]:
    """The words of every command, of those inside a group too."""
    for name, child in getattr(command, "commands", {}).items():
        yield (*path, name)
        yield from paths(child, (*path, name))


COMMANDS = sorted(paths(get_command(app)))


def test_every_command_is_listed_with_its_whole_purpose(demo: Any) -> None:
    text = demo.ok("--help")
    assert "..." not in text.split("Options:")[1]
    places = [text.index(f"\n{section}:\n") for section in SECTIONS]
    assert places == sorted(places)
    for words in COMMANDS:
        shown = text if len(words) == 1 else demo.ok(*words[:-1], "--help")
        assert any(line.startswith(f"  {words[-1]} ") for line in shown.splitlines()), words
    assert "\nCommands:" not in text  # each command says whom it is for


def test_the_exit_codes_are_documented(demo: Any) -> None:
    text = " ".join(demo.ok("--help").split())
    for part in ("0 done", "1 problems", "2 the command", "3 refused", "130 interrupted"):
        assert part in text


def test_without_a_command_the_help_is_shown(demo: Any) -> None:
    done = demo.run()
    assert done.code == 2
    assert (done.out + done.err).strip() == demo.ok("--help").strip()


@pytest.mark.parametrize("words", COMMANDS, ids=" ".join)
def test_the_help_of_a_command(demo: Any, words: tuple[str, ...]) -> None:
    text = demo.ok(*words, "--help")
    lines = text.splitlines()
    assert lines[0].startswith(f"Usage: calfleet {' '.join(words)}")
    assert max(map(len, lines)) <= 80
    assert re.search(r"[\[{][a-z]", lines[0]) is None  # what is to be replaced is in capitals
    options = text.split("Options:\n")[1].splitlines()
    for n, line in enumerate(options):
        if line.startswith("  -"):
            following = options[n + 1] if n + 1 < len(options) else ""
            described = len(line.split("  ")) > 2 or following.startswith(" " * 10)
            assert described, line
