"""The gauges' time line: well-formed, one row for each, and nothing outside the days asked for."""

from __future__ import annotations

from datetime import date
from xml.etree import ElementTree

from calfleet.adapters.documents.gauge_picture import GaugeRow, Tick, svg
from calfleet.scheduling.calendar import Window

FIRST, LAST = date(2027, 1, 1), date(2027, 12, 31)
SVG = "{http://www.w3.org/2000/svg}"


def row(**how: object) -> GaugeRow:
    values: dict[str, object] = {
        "code": "G-1",
        "description": "Gauge <25 bar> & more",
        "valid": (Window(date(2026, 1, 1), date(2027, 6, 30)),),
        "away": (Window(date(2027, 7, 5), date(2027, 7, 20)),),
        "lapsed": (Window(date(2027, 6, 30), date(2027, 7, 21)),),
        "jobs": (
            Tick(date(2027, 3, 1), "PS-1"),
            Tick(date(2027, 3, 2), "PS-2"),
            Tick(date(2027, 7, 6), "PS-3", lacks=True),
            Tick(date(2029, 1, 1), "PS-4"),
        ),
    }
    return GaugeRow(**{**values, **how})  # type: ignore[arg-type]


def titles(drawn: ElementTree.Element) -> list[str]:
    return [e.text or "" for e in drawn.iter(f"{SVG}title")]


def test_bars_and_marks_tell_their_days() -> None:
    drawn = ElementTree.fromstring(svg([row()], FIRST, LAST))
    told = titles(drawn)
    assert "valid 2026-01-01 to 2027-06-30" in told
    assert "away 2027-07-05 to 2027-07-20" in told
    assert "out of date 2027-07-01 to 2027-07-20" in told
    # two jobs a day apart share a mark; the one without its gauge has its own; one is outside
    assert "PS-1 2027-03-01, PS-2 2027-03-02" in told
    assert "PS-3 2027-07-06" in told
    assert not any("PS-4" in text for text in told)
    shown = [e.text for e in drawn.iter(f"{SVG}text")]
    assert {"G-1", "Gauge <25 bar> & more", "2"} <= set(shown)


def test_nothing_is_drawn_outside_the_picture() -> None:
    drawn = ElementTree.fromstring(svg([row(), row(code="G-2")], FIRST, LAST))
    width, height = (float(drawn.attrib[a]) for a in ("width", "height"))
    for shape in drawn.iter(f"{SVG}rect"):
        if "x" in shape.attrib:
            x, w = float(shape.attrib["x"]), float(shape.attrib["width"])
            assert 0 <= x <= x + w <= width + 0.5
            assert 0 <= float(shape.attrib["y"]) <= height


def test_no_gauges_say_so() -> None:
    drawn = ElementTree.fromstring(svg([], FIRST, LAST))
    assert "No gauge has a certificate." in [e.text for e in drawn.iter(f"{SVG}text")]
