"""Text in pictures is well-formed XML whatever a record holds (XML 1.0, production 2, Char)."""

from __future__ import annotations

import xml.etree.ElementTree as ET

from hypothesis import given
from hypothesis import strategies as st

from calfleet.adapters.documents.lettering import svg_text


@given(st.text())
def test_any_text_can_be_read_back(text: str) -> None:
    element = ET.fromstring(svg_text(text, 1, 2, 10, bold=True, anchor="end"))
    shown = "".join(c if c.isprintable() else " " for c in text)
    assert (element.text or "") == shown
    assert element.attrib["text-anchor"] == "end"


def test_the_start_is_not_said() -> None:
    assert "text-anchor" not in svg_text("a", 0, 0, 10)
