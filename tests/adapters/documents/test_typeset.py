"""Pages set in type: data never becomes markup, and the same input gives the same bytes."""

from __future__ import annotations

from datetime import date

import pytest

from calfleet.adapters.documents import typeset
from calfleet.errors import BadQuantity, UsageError

DAY = date(2026, 11, 25)
PAGE = '#set text(font: "Source Sans Pro")\n#json("data.json").tag'


def test_the_same_input_gives_the_same_bytes() -> None:
    first, second = (typeset.compile(PAGE, {"tag": "PS-1"}, on=DAY) for _ in range(2))
    assert first == second
    assert first != typeset.compile(PAGE, {"tag": "PS-2"}, on=DAY)
    assert first != typeset.compile(PAGE, {"tag": "PS-1"}, on=date(2026, 11, 26))


def test_data_are_never_markup() -> None:
    """Signs that mean something to a template stand for themselves, or it would not compile."""
    for tag in ("#panic()", "$x", "@nobody", "<label", "\\", "[", "*bold", '"', "#{"):
        assert typeset.compile(PAGE, {"tag": tag}, on=DAY).startswith(b"%PDF-")


def test_fonts_are_those_of_the_package_alone() -> None:
    page = b"".join(typeset.compile(PAGE, {"tag": "PS-1"}, on=DAY).split())
    assert b"SourceSansPro" in page


def test_a_template_with_a_mistake_says_so() -> None:
    with pytest.raises(BadQuantity, match="The page cannot be set"):
        typeset.compile("#unknown", {}, on=DAY)


def test_a_file_may_not_take_the_place_of_the_data() -> None:
    with pytest.raises(BadQuantity, match=r"data\.json"):
        typeset.compile(PAGE, {"tag": ""}, on=DAY, files={"data.json": b"{}"})


def test_archives_are_refused_a_sign_without_a_letter() -> None:
    """Under PDF/A a character that no font holds is an error, not an empty box."""
    assert typeset.compile(PAGE, {"tag": "PS-1"}, on=DAY, standard="a-3b").startswith(b"%PDF-")
    with pytest.raises(BadQuantity):
        typeset.compile(PAGE, {"tag": "\U0001f9ff"}, on=DAY, standard="a-3b")


def test_without_the_part_the_next_step_is_told(monkeypatch: pytest.MonkeyPatch) -> None:
    def missing(name: str) -> None:
        raise ImportError(name)

    monkeypatch.setattr(typeset, "import_module", missing)
    for call in (typeset.require, lambda: typeset.qr_svg("x"),
                 lambda: typeset.compile(PAGE, {}, on=DAY)):  # fmt: skip
        with pytest.raises(UsageError) as caught:
            call()
        assert "pip install 'calfleet[pdf]'" in caught.value.next_step
