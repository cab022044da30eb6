"""Chains as text, data, DOT and SVG; the layout against networkx and its own promises."""

from __future__ import annotations

import json
import re
import xml.etree.ElementTree as ET
from datetime import date
from itertools import combinations, pairwise

import networkx as nx
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from calfleet.adapters.documents.chain_picture import text_width, wrap
from calfleet.adapters.documents.chain_views import dot, svg, to_plain, tree_text
from calfleet.adapters.documents.layers import Layout, Place, Size, layered
from calfleet.traceability.chain import Chain, Fact, Link, LinkState, Node, NodeKind, Reason

DAY = date(2026, 6, 15)
SVG = "{http://www.w3.org/2000/svg}"


def node(key: str, title: str = "", *facts: tuple[str, str], known: bool = True) -> Node:
    return Node(key, NodeKind.GAUGE, title or f"Gauge {key}", tuple(Fact(*f) for f in facts), known)


def link(source: str, target: str, *reasons: Reason, rests_on: bool = True) -> Link:
    return Link(source, target, "rests on", DAY, reasons, (Fact("ratio", "4.0:1"),), rests_on)


WEAK = Reason("x.weak", LinkState.WEAK, "The qualification ended on 2026-03-31.")
BROKEN = Reason("x.broken", LinkState.BROKEN, "Valid until 2026-05-31; used 15 days later.")

DIAMOND = Chain(
    "result C-1",
    "top",
    (
        node("top", "C-1 of PSH-1 <&> \"quoted\""),
        node("left", "Left gauge", ("range", "0 to 20.00 inH₂O (20 °C)")),
        node("right", "Right gauge", ("U", "0.1 kPa → 0.2 kPa ± 1")),
        node("shared", "Shared standard", ("serial number", "S" * 60)),
        node("lost", "Lost certificate (not recorded)", known=False),
        node("newer", "Corrected certificate"),
    ),
    (
        link("top", "left"),
        link("top", "right", WEAK),
        link("left", "shared", WEAK, BROKEN),
        link("right", "shared"),
        link("right", "lost", BROKEN),
        link("left", "newer", WEAK, rests_on=False),
    ),
)  # fmt: skip

CIRCLE = Chain(
    "certificate K0",
    "a",
    (node("a"), node("b"), node("c")),
    (link("a", "b"), link("b", "c"), link("c", "a", BROKEN), link("a", "b", WEAK)),
)


def long_chain(count: int) -> Chain:
    nodes = tuple(
        node(f"n{i}", f"Gauge number {i}", ("range", "0 to 10 kPa")) for i in range(count)
    )
    return Chain(
        "certificate n0",
        "n0",
        nodes,
        tuple(link(a.key, b.key) for a, b in pairwise(nodes)),
    )


# --- text --------------------------------------------------------------------------------------


def test_tree_in_full() -> None:
    expected = """\
C-1 of PSH-1 <&> "quoted"
├─ [ok] 2026-06-15 rests on: Left gauge
│  │     ratio 4.0:1; range 0 to 20.00 inH₂O (20 °C)
│  ├─ [BROKEN 1,4] 2026-06-15 rests on: Shared standard [a]
│  │        ratio 4.0:1; serial number SSSSSSSSSSSSSSSSSSSSS
│  │        SSSSSSSSSSSSSSSSSSSSSSSSSSSSSSSSSSSSSSS
│  └─ [weak 5] 2026-06-15 rests on: Corrected certificate
│           ratio 4.0:1
└─ [weak 3] 2026-06-15 rests on: Right gauge
   │     ratio 4.0:1; U 0.1 kPa → 0.2 kPa ± 1
   ├─ [ok] 2026-06-15 rests on: Shared standard: see [a]
   │        ratio 4.0:1
   └─ [BROKEN 2] 2026-06-15 rests on: Lost certificate (not
           recorded)
            ratio 4.0:1

Broken: result C-1 has 2 broken links and 2 weak links.
  1. broken, 2026-06-15, Left gauge → Shared standard:
     Valid until 2026-05-31; used 15 days later.
  2. broken, 2026-06-15, Right gauge → Lost certificate (not
     recorded):
     Valid until 2026-05-31; used 15 days later.
  3. weak, 2026-06-15, C-1 of PSH-1 <&> "quoted" → Right
     gauge:
     The qualification ended on 2026-03-31.
  4. weak, 2026-06-15, Left gauge → Shared standard:
     The qualification ended on 2026-03-31.
  5. weak, 2026-06-15, Left gauge → Corrected certificate:
     The qualification ended on 2026-03-31.
"""
    assert tree_text(DIAMOND, width=60) == expected


@pytest.mark.parametrize("chain", [DIAMOND, CIRCLE], ids=["diamond", "circle"])
@pytest.mark.parametrize("width", [40, 60, 100])
def test_tree_keeps_to_the_width_and_shows_each_node_once(chain: Chain, width: int) -> None:
    text = tree_text(chain, width=width)
    assert max(map(len, text.splitlines())) <= width
    joined = " ".join(re.sub(r"[│├└─]", " ", text).split())
    for one in chain.nodes:
        assert one.title in joined
    for _, reason in chain.problems:
        assert reason.text in joined
    see = sum(k.target == n.key for n in chain.nodes for k in chain.links) - len(chain.nodes) + 1
    assert joined.count(": see [") == see


def test_tree_in_ascii() -> None:
    text = tree_text(DIAMOND, ascii=True)
    assert text.isascii()
    assert "|-" in text
    assert "?" not in text
    assert "0 to 20.00 inH2O (20 degC)" in text
    assert "0.1 kPa -> 0.2 kPa +/- 1" in text


def test_a_deep_tree_goes_on_at_the_margin() -> None:
    text = tree_text(long_chain(60), width=80)
    assert max(map(len, text.splitlines())) <= 80
    joined = " ".join(re.sub(r"[│├└─]", " ", text).split())
    for i in range(60):
        # once at its place, and once more where its branch is taken up again
        assert len(re.findall(rf"Gauge number {i}\b", joined)) in (1, 2)
    assert joined.count("continued below") == joined.count("continued:") >= 2


def test_a_very_deep_tree_needs_no_stack() -> None:
    assert tree_text(long_chain(3000)).count("] 2026-06-15") == 2999


def test_plain_data_is_json_and_complete() -> None:
    plain = json.loads(json.dumps(to_plain(DIAMOND)))
    assert plain["verdict"] == "broken"
    assert plain["statement"] == DIAMOND.statement
    assert [n["key"] for n in plain["nodes"]] == [n.key for n in DIAMOND.nodes]
    assert [(k["from"], k["to"], k["state"]) for k in plain["links"]] == [
        (k.source, k.target, k.state.value) for k in DIAMOND.links
    ]
    assert plain["problems"][0] == {
        "state": "broken",
        "code": "x.broken",
        "where": "Left gauge → Shared standard",
        "from": "left",
        "to": "shared",
        "day": "2026-06-15",
        "text": BROKEN.text,
    }
    assert [p["state"] for p in plain["problems"]] == ["broken"] * 2 + ["weak"] * 3
    assert plain["nodes"][4]["recorded"] is False
    assert plain["links"][5]["rests_on"] is False


# --- DOT ---------------------------------------------------------------------------------------


def read_dot(text: str) -> tuple[set[str], list[tuple[str, str]]]:
    """Node and edge names of our DOT text: every line is a statement, strings quoted."""
    string = r'"((?:[^"\\]|\\.)*)"'
    nodes, edges = set(), []
    for line in text.splitlines()[1:-1]:
        if edge := re.match(rf"  {string} -> {string} \[.*\];$", line):
            edges.append((edge[1], edge[2]))
        elif one := re.match(rf"  {string} \[.*\];$", line):
            nodes.add(one[1])
    return nodes, edges


@pytest.mark.parametrize("chain", [DIAMOND, CIRCLE], ids=["diamond", "circle"])
def test_dot_names_every_node_and_link(chain: Chain) -> None:
    text = dot(chain)
    assert text.startswith("digraph chain {\n")
    assert text.endswith("}\n")
    nodes, edges = read_dot(text)
    assert nodes == {n.key for n in chain.nodes}
    assert edges == [(k.source, k.target) for k in chain.links]


def test_dot_escapes_quotes_and_backslashes() -> None:
    chain = Chain("x", 'k"\\', (Node('k"\\', NodeKind.GAUGE, 'a "b" \\ c'),), ())
    assert r'"k\"\\" [label="REFERENCE GAUGE\la \"b\" \\ c\l"];' in dot(chain)


# --- layout ------------------------------------------------------------------------------------


SLACK = 1e-6  # boxes may touch; a route starts and ends on the edge of a box


def overlap(a: Place, b: Place) -> bool:
    return (
        min(a.x + a.width, b.x + b.width) - max(a.x, b.x) > SLACK
        and min(a.y + a.height, b.y + b.height) - max(a.y, b.y) > SLACK
    )


def inside(point: tuple[float, float], box: Place) -> bool:
    x, y = point
    return (
        box.x + SLACK < x < box.x + box.width - SLACK
        and box.y + SLACK < y < box.y + box.height - SLACK
    )


def along(route: tuple[tuple[float, float], ...]) -> list[tuple[float, float]]:
    """Points along a route as it is drawn: upright curves between its corners."""
    found = []
    for (x1, y1), (x2, y2) in pairwise(route):
        middle = (y1 + y2) / 2
        for step in range(33):
            t = step / 32
            a, b, c, d = (1 - t) ** 3, 3 * t * (1 - t) ** 2, 3 * t * t * (1 - t), t**3
            found.append(((a + b) * x1 + (c + d) * x2, a * y1 + (b + c) * middle + d * y2))
    return found


PAIRS = st.lists(st.tuples(st.integers(0, 13), st.integers(0, 13)), max_size=30)
SIZES = st.lists(st.tuples(st.floats(20, 300), st.floats(20, 200)), min_size=14, max_size=14)


@given(pairs=PAIRS, sizes=SIZES)
@settings(max_examples=80, deadline=None)
def test_no_boxes_overlap_and_no_arrow_runs_behind_a_box(
    pairs: list[tuple[int, int]], sizes: list[tuple[float, float]]
) -> None:
    edges = [(str(a), str(b)) for a, b in pairs if a != b]
    layout = layered({str(i): Size(w, h) for i, (w, h) in enumerate(sizes)}, edges)
    places = layout.places
    assert not any(overlap(a, b) for a, b in combinations(places.values(), 2))
    for place in places.values():
        assert place.x >= -1e-9
        assert place.x + place.width <= layout.width + 1e-9
        assert place.y + place.height <= layout.height + 1e-9
    for (source, target), route, up in zip(edges, layout.routes, layout.upward, strict=True):
        start, end = (places[target], places[source]) if up else (places[source], places[target])
        first, last = (route[-1], route[0]) if up else (route[0], route[-1])
        assert first[1] == pytest.approx(start.y + start.height)
        assert start.x < first[0] < start.x + start.width
        assert last[1] == pytest.approx(end.y)
        assert end.x < last[0] < end.x + end.width
        for point in along(route):
            assert not any(inside(point, box) for box in places.values())


@given(pairs=PAIRS)
@settings(max_examples=80, deadline=None)
def test_layers_are_longest_paths_and_circles_are_turned(pairs: list[tuple[int, int]]) -> None:
    edges = [(str(a), str(b)) for a, b in pairs if a != b]
    keys = [str(i) for i in range(14)]
    layout = layered({key: Size(50, 30) for key in keys}, edges, gap_y=20)
    graph: nx.DiGraph[str] = nx.DiGraph()
    graph.add_nodes_from(keys)
    graph.add_edges_from(edges)
    assert any(layout.upward) != nx.is_directed_acyclic_graph(graph)
    down: nx.DiGraph[str] = nx.DiGraph()
    down.add_nodes_from(keys)
    for (a, b), up in zip(edges, layout.upward, strict=True):
        down.add_edge(*((b, a) if up else (a, b)))
    assert nx.is_directed_acyclic_graph(down)
    for number, generation in enumerate(nx.topological_generations(down)):
        # generations of a graph are the longest distances from its sources
        assert {layout.places[key].y for key in generation} == {number * 50.0}


def test_two_crossed_pairs_are_uncrossed() -> None:
    sizes = {key: Size(40, 20) for key in "abxy"}
    layout = layered(sizes, [("a", "y"), ("b", "x")])
    at = {key: place.middle for key, place in layout.places.items()}
    assert (at["a"] < at["b"]) == (at["y"] < at["x"])


def test_a_box_stands_in_the_middle_below_its_own() -> None:
    layout = layered({key: Size(40, 20) for key in "abc"}, [("a", "c"), ("b", "c")])
    at = {key: place.middle for key, place in layout.places.items()}
    assert at["c"] == pytest.approx((at["a"] + at["b"]) / 2)


def test_nothing_gives_an_empty_layout() -> None:
    assert layered({}, []) == Layout({}, (), (), 0.0, 0.0)


def test_an_edge_to_nowhere_is_refused() -> None:
    with pytest.raises(KeyError):
        layered({"a": Size(1, 1)}, [("a", "b")])


# --- SVG ---------------------------------------------------------------------------------------


def rectangles(tree: ET.Element, role: str) -> list[Place]:
    return [
        Place(*(float(r.attrib[name]) for name in ("x", "y", "width", "height")))
        for r in tree.iter(f"{SVG}rect")
        if r.get("data-role") == role
    ]


def generated(pairs: list[tuple[int, int]], titles: list[str]) -> Chain:
    nodes = tuple(
        node(f"n{i}", title, ("note", title), ("U", "0.1 kPa"), known=i % 5 != 4)
        for i, title in enumerate(titles)
    )
    reasons = ((), (WEAK,), (WEAK, BROKEN), (BROKEN,))
    links = tuple(
        link(f"n{a}", f"n{b}", *reasons[(a + b) % 4]) for a, b in sorted(set(pairs)) if a != b
    )
    return Chain("result C-1", "n0", nodes, links)


TITLES = st.lists(
    st.text(st.characters(codec="utf-8", exclude_categories=("Cs", "Cn")), min_size=1, max_size=60),
    min_size=14,
    max_size=14,
)


@given(pairs=PAIRS, titles=TITLES)
@settings(max_examples=40, deadline=None)
def test_svg_of_any_chain_is_xml_without_overlaps(
    pairs: list[tuple[int, int]], titles: list[str]
) -> None:
    chain = generated(pairs, titles)
    check_svg(chain)


@pytest.mark.parametrize("chain", [DIAMOND, CIRCLE], ids=["diamond", "circle"])
def test_svg_of_hand_built_chains(chain: Chain) -> None:
    check_svg(chain)


def check_svg(chain: Chain) -> None:
    tree = ET.fromstring(svg(chain))
    width, height = float(tree.attrib["width"]), float(tree.attrib["height"])
    page = Place(0, 0, width, height)
    boxes = rectangles(tree, "box")
    assert len(boxes) == len(chain.nodes)
    (banner,) = rectangles(tree, "banner")
    assert not any(overlap(a, b) for a, b in combinations([banner, *boxes], 2))
    badges = rectangles(tree, "badge")
    assert len(badges) == sum(bool(k.reasons) for k in chain.links)
    assert not any(overlap(badge, box) for badge in badges for box in boxes)
    for box in [banner, *boxes]:
        assert inside((box.x, box.y), page)
        assert inside((box.x + box.width, box.y + box.height), page)
    for group in tree.iter(f"{SVG}g"):
        (box,) = rectangles(group, "box")
        for text in group.iter(f"{SVG}text"):
            check_text(text, box)
    for text in tree.iter(f"{SVG}text"):
        check_text(text, page)
    paths = [p for p in tree.iter(f"{SVG}path") if p.get("data-state")]
    assert sorted(p.attrib["data-state"] for p in paths) == sorted(
        k.state.value for k in chain.links
    )


def check_text(text: ET.Element, box: Place) -> None:
    size = float(text.attrib["font-size"])
    bold = text.get("font-weight") == "bold"
    width = text_width(text.text or "", size, bold=bold)
    x = float(text.attrib["x"]) - {"middle": width / 2, "end": width}.get(
        text.get("text-anchor", ""), 0.0
    )
    assert x >= box.x
    assert x + width <= box.x + box.width + 0.05
    assert float(text.attrib["y"]) - size >= box.y - 0.05
    assert float(text.attrib["y"]) + 0.25 * size <= box.y + box.height


def test_svg_tells_states_apart_without_colour() -> None:
    tree = ET.fromstring(svg(DIAMOND))
    styles = {
        path.attrib["data-state"]: (path.get("stroke"), path.get("stroke-dasharray", "solid"))
        for path in tree.iter(f"{SVG}path")
        if path.get("data-state")
    }
    assert set(styles) == {"sound", "weak", "broken"}
    assert len({colour for colour, _ in styles.values()}) == 3
    assert len({dash for _, dash in styles.values()}) == 3
    words = " ".join(t.text or "" for t in tree.iter(f"{SVG}text"))
    assert "rests on: broken (1, 4)" in words
    for _, reason in DIAMOND.problems:
        assert reason.text in words
    assert DIAMOND.statement in words
    assert 'C-1 of PSH-1 <&> "quoted"' in words


def test_svg_stands_alone() -> None:
    text = svg(DIAMOND)
    for word in ("<style", "<script", "<foreignObject", "<marker", "href", "url("):
        assert word not in text
    assert re.findall(r"https?://[^\"]+", text) == ["http://www.w3.org/2000/svg"]


def test_control_characters_do_not_reach_the_xml() -> None:
    chain = Chain("x\x07", "a", (node("a\x00", "bell\x07 and \x1b[31m"),), ())
    text = "".join(t.text or "" for t in ET.fromstring(svg(chain)).iter(f"{SVG}text"))
    assert "bell" in text


@given(st.text(max_size=80), st.floats(30, 300))
def test_wrapped_lines_fit_and_lose_nothing(text: str, width: float) -> None:
    lines = wrap(text, width, 10)
    assert all(text_width(line, 10) <= width for line in lines)
    assert "".join("".join(lines).split()) == "".join(text.split())
