"""docs/metrology.md: its worked example is run, line by line, and gives what the page shows."""

from __future__ import annotations

import doctest
import re
from pathlib import Path

PAGE = Path(__file__).resolve().parent.parent / "docs" / "metrology.md"


def example(text: str) -> doctest.DocTest:
    """The Python blocks of a page as one test, at the lines where they stand."""
    lines, inside = [], False
    for line in text.splitlines():
        fence = re.match(r"```(\w*)", line)
        if fence:
            inside = fence[1] == "python"
        lines.append(line if inside and not fence else "")
    parser = doctest.DocTestParser()
    return parser.get_doctest("\n".join(lines) + "\n", {}, PAGE.name, str(PAGE), 0)


def failures(text: str) -> list[str]:
    """What the example of a page does otherwise than shown; empty when all is as shown."""
    said: list[str] = []
    runner = doctest.DocTestRunner(verbose=False, optionflags=doctest.ELLIPSIS)
    runner.run(example(text), out=said.append)
    return said


def test_the_worked_example_gives_what_the_page_shows() -> None:
    text = PAGE.read_text(encoding="utf-8")
    assert len(example(text).examples) > 20
    assert failures(text) == []


def test_a_wrong_figure_on_the_page_is_found() -> None:
    text = PAGE.read_text(encoding="utf-8")
    changed = text.replace("k = 2.021", "k = 2.000")
    assert changed != text
    assert "k = 2.021" in "".join(failures(changed))
