"""The picture of the load: what it says is what the numbers are, and nothing overlaps."""

from __future__ import annotations

import re
import shutil
import subprocess
import xml.etree.ElementTree as ET
from collections.abc import Sequence
from datetime import date, timedelta
from itertools import combinations, pairwise
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from calfleet.adapters.documents.chain_picture import text_width
from calfleet.adapters.documents.load_picture import Strip, plan_lines, svg
from calfleet.records import Quantity
from calfleet.scheduling.calendar import Window, WorkingCalendar, iso_week
from calfleet.scheduling.forecast import CapacityLine, LoadLine
from calfleet.scheduling.plan import make_plan
from calfleet.scheduling.plan_model import GaugeAvailability, PlanInput, PlanJob, PlanWorker, Skill

SVG = "{http://www.w3.org/2000/svg}"
MONDAY = date(2027, 1, 4)


def week_line(n: int, group: str, minutes: int, jobs: int = 1) -> LoadLine:
    first = MONDAY + timedelta(days=7 * n)
    return LoadLine(str(iso_week(first)), first, first + timedelta(days=6), group, jobs, minutes)


def room(n: int, minutes: int) -> CapacityLine:
    first = MONDAY + timedelta(days=7 * n)
    label = str(iso_week(first))
    return CapacityLine(label, first, first + timedelta(days=6), 0, 0, 5, minutes)


def parsed(text: str) -> ET.Element:
    return ET.fromstring(text.encode())


def words(root: ET.Element) -> list[str]:
    return ["".join(t.itertext()) for t in root.iter(f"{SVG}text")]


def boxes(root: ET.Element) -> list[tuple[str, float, float, float, float]]:
    """Each text with the box that it covers, left, top, right, bottom."""
    found = []
    for t in root.iter(f"{SVG}text"):
        text = "".join(t.itertext())
        size = float(t.get("font-size", "0"))
        width = text_width(text, size, bold=t.get("font-weight") == "bold")
        x, y = float(t.get("x", "0")), float(t.get("y", "0"))
        x -= {"start": 0.0, "middle": width / 2, "end": width}[t.get("text-anchor", "start")]
        found.append((text, x, y - 0.76 * size, x + width, y + 0.24 * size))
    return found


def assert_no_texts_overlap(root: ET.Element) -> None:
    width, height = float(root.get("width", "0")), float(root.get("height", "0"))
    for (a, l1, t1, r1, b1), (b, l2, t2, r2, b2) in combinations(boxes(root), 2):
        apart = r1 <= l2 + 1.5 or r2 <= l1 + 1.5 or b1 <= t2 + 0.6 or b2 <= t1 + 0.6
        assert apart, (a, b)
    for text, left, top, right, bottom in boxes(root):
        assert left >= 0, text
        assert top >= 0, text
        assert right <= width, text
        assert bottom <= height, text


def bars(root: ET.Element) -> dict[str, list[float]]:
    """Heights of the parts of each bar, by period, from below."""
    found = {}
    for g in root.iter(f"{SVG}g"):
        title = g.find(f"{SVG}title")
        assert title is not None
        period = (title.text or "").split(":")[0]
        parts = [r for r in g.iter(f"{SVG}rect") if (r.get("fill") or "").startswith("url(#g")]
        found[period] = [float(r.get("height", "0")) for r in parts]
    return found


SIMPLE = (
    week_line(0, "pressure", 300),
    week_line(0, "vacuum", 60),
    week_line(1, "pressure", 120, 2),
    week_line(1, "vacuum", 0, 0),
)


def test_the_heights_are_in_proportion_to_the_hours() -> None:
    heights = bars(parsed(svg(SIMPLE)))
    five, one = heights["2027-W01"]
    (two,) = heights["2027-W02"]
    assert five == pytest.approx(5 * one, abs=0.3)
    assert two == pytest.approx(2 * one, abs=0.3)


def test_the_picture_says_in_words_what_it_shows() -> None:
    root = parsed(svg(SIMPLE, capacity=(room(0, 240), room(1, 300)), title="Forecast"))
    title, desc = root.find(f"{SVG}title"), root.find(f"{SVG}desc")
    assert title is not None
    assert desc is not None
    assert title.text == "Forecast"
    assert desc.text == (
        "4 jobs, 8.0 h from 2027-W01 to 2027-W02. Fullest week: 2027-W01 with 150 % of its "
        "capacity. 1 week above capacity, by 2.0 h."
    )
    said = words(root)
    assert {"pressure", "vacuum", "capacity", "above capacity", "bench hours per week"} <= {*said}
    assert {"01", "02", "Jan 2027", "ISO week"} <= {*said}
    tips = ["".join(t.itertext()) for t in root.iter(f"{SVG}title")]
    assert "2027-W01: 2 jobs, 6.0 h (pressure 5.0 h, vacuum 1.0 h) of 4.0 h" in tips


def test_the_axis_is_labelled_with_units_and_reaches_above_all() -> None:
    root = parsed(svg(SIMPLE, capacity=(room(0, 240), room(1, 3000))))
    hours = [float(w[:-2]) for w in words(root) if re.fullmatch(r"[\d.]+ h", w)]
    assert hours[0] == 0
    assert max(hours) >= 50
    steps = {round(b - a, 9) for a, b in pairwise(hours)}
    assert len(steps) == 1
    assert 4 <= len(hours) <= 9


def test_months_carry_their_year() -> None:
    lines = [
        LoadLine("2026-12", date(2026, 12, 1), date(2026, 12, 31), "a", 1, 60),
        LoadLine("2027-01", date(2027, 1, 1), date(2027, 1, 31), "a", 1, 60),
    ]
    said = words(parsed(svg(lines)))
    assert {"Dec", "Jan", "2026", "2027", "bench hours per month"} <= {*said}


def test_a_week_of_two_years_stands_under_the_month_of_its_thursday() -> None:
    # ISO 8601: 2026-W53 runs from 28 December to 3 January; its Thursday is 31 December
    first = date(2026, 12, 28)
    line = LoadLine("2026-W53", first, date(2027, 1, 3), "a", 1, 60)
    said = words(parsed(svg([line, week_line(0, "a", 30)])))
    assert {"53", "01", "Jan 2027"} <= {*said}
    assert "Dec 2026" in said


def test_closed_days_and_absences_are_drawn_where_they_are() -> None:
    closed = Window(MONDAY + timedelta(days=7), MONDAY + timedelta(days=13), "shutdown")
    away = Window(MONDAY, MONDAY + timedelta(days=6), "at laboratory")
    text = svg(SIMPLE, closed=(closed,), absences=(Strip("G1", (away,)),))
    root = parsed(text)
    shaded = [r for r in root.iter(f"{SVG}rect") if r.get("fill") == "url(#closed)"]
    gone = [r for r in root.iter(f"{SVG}rect") if r.get("fill") == "url(#away)"]
    # in the legend, behind the bars, and as a strip
    assert len(shaded) == 3
    behind = max(shaded, key=lambda r: float(r.get("height", "0")))
    (strip,) = gone
    assert float(behind.get("x", "0")) == pytest.approx(
        float(strip.get("x", "0")) + float(strip.get("width", "0"))
    )
    assert float(behind.get("width", "0")) == pytest.approx(float(strip.get("width", "0")))
    assert "at laboratory, 4 Jan – 10 Jan" in words(root)
    tips = ["".join(t.itertext()) for t in root.iter(f"{SVG}title")]
    assert "shutdown: 2027-01-11 to 2027-01-17" in tips
    assert {"G1", "closed"} <= {*words(root)}


def test_windows_outside_the_periods_are_left_out() -> None:
    away = Window(date(2030, 1, 1), date(2030, 2, 1), "later")
    root = parsed(svg(SIMPLE, absences=(Strip("G1", (away,)),)))
    assert not [r for r in root.iter(f"{SVG}rect") if r.get("fill") == "url(#away)"]


def test_many_groups_are_shown_together_without_losing_hours() -> None:
    lines = [week_line(0, f"area {n:02}", 60 * (n + 1)) for n in range(12)]
    root = parsed(svg(lines))
    assert "5 others" in words(root)
    (heights,) = bars(root).values()
    assert len(heights) == 8
    # 12 + 11 + ... + 1 hours; the largest, 12 h, is at the bottom
    assert sum(heights) / heights[0] == pytest.approx(78 / 12, rel=0.01)


def grey(colour: str) -> float:
    """Relative luminance (WCAG 2.1), as a grey print shows it."""
    channels = [int(colour[n : n + 2], 16) / 255 for n in (1, 3, 5)]
    linear = [c / 12.92 if c <= 0.03928 else ((c + 0.055) / 1.055) ** 2.4 for c in channels]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def test_neighbours_in_a_stack_differ_in_grey_and_every_group_in_pattern() -> None:
    lines = [week_line(0, f"g{n}", 60 * (9 - n)) for n in range(8)]
    root = parsed(svg(lines))
    fills, drawings = [], []
    for pattern in root.iter(f"{SVG}pattern"):
        ground = pattern.find(f"{SVG}rect")
        drawing = pattern.find(f"{SVG}path")
        assert ground is not None
        fills.append(ground.get("fill", ""))
        drawings.append(drawing.get("d", "") if drawing is not None else "plain")
    assert len(set(drawings)) == 8
    for one, two in pairwise(fills):
        light, dark = sorted((grey(one), grey(two)), reverse=True)
        assert (light + 0.05) / (dark + 0.05) >= 3  # WCAG 2.1, 1.4.11: graphical objects


def test_text_from_outside_is_escaped() -> None:
    nasty = '<script>"&\x00\n'
    away = Window(MONDAY, MONDAY, nasty)
    text = svg(
        [week_line(0, nasty, 60)],
        absences=(Strip(nasty, (away,)),),
        title=nasty,
        group_name=nasty,
    )
    root = parsed(text)
    assert "<script>" not in text
    assert not list(root.iter(f"{SVG}script"))
    assert '<script>"&  ' in words(root)


def test_nothing_to_show_is_said() -> None:
    root = parsed(svg([]))
    assert "Nothing to show." in words(root)
    assert_no_texts_overlap(root)


@st.composite
def pictures(draw: st.DrawFn) -> str:
    weeks = draw(st.integers(1, 56))
    names = draw(
        st.lists(st.sampled_from([f"area {c * n}" for c in "AWxi" for n in (1, 4, 40)]),
                 min_size=1, max_size=10, unique=True)
    )  # fmt: skip
    start = draw(st.integers(0, 60))
    minutes = st.integers(0, draw(st.sampled_from([50, 900, 60_000])))
    lines = [week_line(start + n, name, draw(minutes)) for n in range(weeks) for name in names[:3]]
    lines += [week_line(start, name, 70) for name in names[3:]]
    capacity = [room(start + n, draw(minutes)) for n in range(weeks)] if draw(st.booleans()) else []

    def windows() -> tuple[Window, ...]:
        found = []
        for _ in range(draw(st.integers(0, 4))):
            first = MONDAY + timedelta(days=draw(st.integers(0, 7 * 120)))
            last = first + timedelta(days=draw(st.integers(0, 40)))
            if not any(w.first <= last and first <= w.last for w in found):
                found.append(Window(first, last, draw(st.sampled_from(["", "lent", "x" * 30]))))
        return tuple(found)

    return svg(
        lines,
        capacity=capacity,
        closed=windows(),
        absences=[Strip(f"G{n}" * draw(st.integers(1, 30)), windows()) for n in range(3)],
        title=draw(st.sampled_from(["Load", "A title of many words " * 8])),
        group_name="area",
    )


@given(pictures())
@settings(max_examples=60)
def test_no_two_texts_overlap_and_all_are_inside(text: str) -> None:
    assert_no_texts_overlap(parsed(text))


def planned() -> tuple[PlanInput, Sequence[LoadLine], Sequence[CapacityLine]]:
    jobs = tuple(
        PlanJob(
            key=f"J{n}",
            tag=f"PSH-{n}",
            due_on=MONDAY + timedelta(days=20),
            earliest_on=MONDAY,
            latest_on=MONDAY + timedelta(days=25),
            minutes=60 + n,
            area=f"area {n % 2}",
            quantity=Quantity.PRESSURE,
            gauges=("G1",),
            interval_days=365,
        )
        for n in range(6)
    )
    asked = PlanInput(
        jobs,
        (PlanWorker("ann", (Skill(Quantity.PRESSURE),), 40),),
        (GaugeAvailability("G1", (Window(date(2026, 1, 1), date(2028, 1, 1)),)),),
        WorkingCalendar(),
        MONDAY,
        4,
    )
    made = make_plan(asked)
    assert made.unplanned == ()
    return asked, *plan_lines(made, jobs, lambda job, place: job.area)


def test_a_plan_is_shown_as_a_forecast_is() -> None:
    asked, lines, capacity = planned()
    assert sum(line.bench_minutes for line in lines) == sum(j.minutes for j in asked.jobs)
    assert sum(line.jobs for line in lines) == 6
    assert {line.group for line in lines} == {"area 0", "area 1"}
    assert [line.capacity_minutes for line in capacity] == [200] * 4
    assert [c.bench_minutes for c in capacity] == [
        sum(line.bench_minutes for line in lines if line.period == c.period) for c in capacity
    ]
    root = parsed(svg(lines, capacity=capacity, group_name="area"))
    assert {"area 0", "area 1"} <= {*words(root)}


def test_a_renderer_draws_it(tmp_path: Path) -> None:
    renderer = shutil.which("rsvg-convert")
    if renderer is None:
        pytest.skip("NEEDS rsvg-convert (Debian package librsvg2-bin) to draw the picture")
    source, target = tmp_path / "a.svg", tmp_path / "a.png"
    source.write_text(svg(SIMPLE, capacity=(room(0, 240), room(1, 300))), encoding="utf-8")
    subprocess.run([renderer, str(source), "-o", str(target)], check=True)
    assert target.read_bytes().startswith(b"\x89PNG")
