"""A chain drawn as a stand-alone SVG picture, by our own layout.

Plain SVG 1.1 shapes and text with attributes only: no style sheet, script, marker or embedded
HTML, so that simple viewers show it too. State is told by colour, by line style and by words.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import pairwise
from xml.sax.saxutils import quoteattr

from calfleet.adapters.documents.layers import Layout, Place, Size, layered
from calfleet.adapters.documents.lettering import printable, safe, svg_text
from calfleet.traceability.chain import Chain, ChainVerdict, Fact, Link, LinkState, Node, NodeKind

_FONT = "DejaVu Sans, Verdana, Helvetica, Arial, sans-serif"
_BOX = 268.0
_PAD = 11.0
_MARGIN = 28.0
_INK, _GREY, _FRAME, _PALE = "#1b1f24", "#57606a", "#6e7781", "#f6f8fa"

# Colours that stay apart for the common forms of colour blindness, and a line style each.
_COLOUR = {LinkState.SOUND: "#0072b2", LinkState.WEAK: "#b35900", LinkState.BROKEN: "#a4002e"}
_DASH = {LinkState.SOUND: "", LinkState.WEAK: "9 4", LinkState.BROKEN: "2 4"}
_THICK = {LinkState.SOUND: 1.8, LinkState.WEAK: 2.4, LinkState.BROKEN: 3.4}
_TINT = {
    ChainVerdict.UNBROKEN: ("#e6f2fa", "#0072b2"),
    ChainVerdict.WEAK: ("#fdf1e3", "#b35900"),
    ChainVerdict.BROKEN: ("#fbe9ee", "#a4002e"),
}
_HEAD = {
    NodeKind.CALIBRATION: "#e4e8ee",
    NodeKind.RESULT: "#e4e8ee",
    NodeKind.READINGS: "#e4e8ee",
    NodeKind.GAUGE: "#dcecdf",
    NodeKind.CERTIFICATE: "#f3ecd2",
    NodeKind.LABORATORY: "#e3def0",
    NodeKind.STANDARD: "#dcecdf",
}

# Advance widths of a wide sans-serif face (measured from DejaVu Sans), in em, by character.
_WIDTHS = {
    char: width
    for width, chars in (
        (0.28, "'ijl"), (0.30, "IJ"), (0.32, " ,."), (0.34, "/:;\\|"), (0.36, "f"), (0.37, "-"),
        (0.40, "()[]t"), (0.41, "!₂²"), (0.42, "r"), (0.46, '"'), (0.50, "*_`°–"),
        (0.53, "sz“”"), (0.54, "?"), (0.55, "c"), (0.56, "L"), (0.58, "Fk"), (0.60, "vxy"),
        (0.61, "P"), (0.62, "TYaeoöäé"), (0.64, "$0123456789ESbdghnpquüßµ{}"), (0.66, "K"),
        (0.69, "ABVXZ"), (0.70, "CR"), (0.74, "U"), (0.75, "N"), (0.76, "H"), (0.78, "&DG"),
        (0.79, "OQ"), (0.82, "w"), (0.84, "#+<=>^~±→×−"), (0.87, "M"), (0.96, "%"), (0.98, "m"),
        (0.99, "W"),
    )
    for char in chars
}  # fmt: skip


def text_width(text: str, size: float, *, bold: bool = False) -> float:
    """The width of a line of text, rather too large than too small; rare characters: 1 em."""
    width = sum(_WIDTHS.get(char, 1.0) for char in text)
    return size * (width * 1.15 + 0.04 * len(text) if bold else width)


def wrap(text: str, width: float, size: float, *, bold: bool = False) -> list[str]:
    """The text in lines no wider than ``width``; a word wider than that is cut."""
    lines: list[str] = []
    line = ""
    for word in text.split():
        longer = f"{line} {word}" if line else word
        if text_width(longer, size, bold=bold) <= width:
            line = longer
            continue
        if line:
            lines.append(line)
        while text_width(word, size, bold=bold) > width:
            cut = len(word) - 1
            while cut > 1 and text_width(word[:cut], size, bold=bold) > width:
                cut -= 1
            if cut < 1:
                break
            lines.append(word[:cut])
            word = word[cut:]
        line = word
    return [*lines, line] if line else lines


@dataclass(frozen=True, slots=True)
class _Line:
    """A line of text: its baseline below the box's upper edge, and how it is set."""

    text: str
    y: float
    size: float
    colour: str
    bold: bool = False


@dataclass(frozen=True, slots=True)
class _Card:
    """What stands in a box: lines, the height of the coloured head, a rule above the links."""

    lines: tuple[_Line, ...]
    head: float
    rule: float | None
    height: float


def svg(chain: Chain) -> str:
    """The chain as a stand-alone SVG document: boxes, judged links, legend, verdict, reasons.

    Lengths are in CSS pixels. Each weak or broken link carries the numbers of its reasons, which
    stand in full below the picture.
    """
    numbered = list(enumerate(chain.problems, 1))
    tags: dict[int, list[int]] = {}
    for number, (link, _) in numbered:
        tags.setdefault(id(link), []).append(number)
    cards = {node.key: _card(chain, node, tags) for node in chain.nodes}
    layout = layered(
        {key: Size(_BOX, card.height) for key, card in cards.items()},
        [(link.source, link.target) for link in chain.links],
    )
    width = max(layout.width, 3 * _BOX) + 2 * _MARGIN
    shift = (width - layout.width) / 2
    banner, y = _banner(chain, width)
    legend, y = _legend(y + 14, width)
    top = y + 30
    body = list(_links(chain, layout, shift, top))
    body += _boxes(chain, cards, layout, shift, top)
    body += _badges(chain, layout, tags, shift, top)
    panel, height = _panel(chain, numbered, top + layout.height + 34, width)
    size = f'width="{width:.0f}" height="{height:.0f}" viewBox="0 0 {width:.0f} {height:.0f}"'
    parts = [
        '<?xml version="1.0" encoding="UTF-8"?>',
        f'<svg xmlns="http://www.w3.org/2000/svg" {size} role="img" font-family="{_FONT}">',
        f"<title>{safe(f'Traceability of {chain.subject}')}</title>",
        f"<desc>{safe(chain.statement)}</desc>",
        f'<rect x="0" y="0" width="{width:.0f}" height="{height:.0f}" fill="#ffffff"/>',
        *banner,
        *legend,
        *body,
        *panel,
        "</svg>",
    ]
    return "\n".join(parts) + "\n"


# --- boxes --------------------------------------------------------------------------------------


def _card(chain: Chain, node: Node, tags: dict[int, list[int]]) -> _Card:
    inner = _BOX - 2 * _PAD
    lines: list[_Line] = []
    y = 8.0

    def add(text: str, size: float, colour: str, *, bold: bool = False) -> None:
        nonlocal y
        for piece in wrap(text, inner, size, bold=bold):
            y += size * 1.32
            lines.append(_Line(piece, y - size * 0.32, size, colour, bold))

    add(node.kind.upper(), 8.5, _GREY, bold=True)
    add(node.title, 12.5, _INK, bold=True)
    y += 5
    head = y
    y += 4
    for fact in node.facts:
        add(_fact(fact), 10, _INK)
    rule = None
    for link in _told_in(chain, node):
        if rule is None and node.facts:
            y += 5
            rule = y
            y += 4
        numbers = ", ".join(str(n) for n in tags.get(id(link), ()))
        state = f"{link.state}{f' ({numbers})' if numbers else ''}"
        colour = _COLOUR[link.state]
        add(f"{link.day} {link.relation}: {state}", 10, colour, bold=True)
        for fact in link.facts:
            add(_fact(fact), 10, _GREY)
    return _Card(tuple(lines), head, rule, y + 9)


def _fact(fact: Fact) -> str:
    return f"{fact.label}: {fact.value}"


def _told_in(chain: Chain, node: Node) -> list[Link]:
    """The links whose judgement stands in this box: those that end here, each kind once.

    Results tell for themselves how they were worked out: their readings are shared.
    """

    def own(link: Link) -> bool:
        from_result = chain.node(link.source).kind is NodeKind.RESULT
        return link.source == node.key if from_result else link.target == node.key

    found: dict[tuple[object, ...], Link] = {}
    for link in chain.links:
        if own(link) and (link.facts or link.reasons or link.relation != "states"):
            found.setdefault((link.relation, link.day, link.facts, link.reasons), link)
    return list(found.values())


def _boxes(
    chain: Chain, cards: dict[str, _Card], layout: Layout, shift: float, top: float
) -> Iterable[str]:
    for node in chain.nodes:
        place, card = layout.places[node.key], cards[node.key]
        x, y = place.x + shift, place.y + top
        frame = f'stroke="{_FRAME}" stroke-width="1.2"'
        if not node.known:
            frame = (
                f'stroke="{_COLOUR[LinkState.BROKEN]}" stroke-width="1.8" stroke-dasharray="5 4"'
            )
        yield f"<g data-key={quoteattr(printable(node.key))}>"
        yield _rect(Place(x, y, place.width, place.height), 6, f'fill="#ffffff" {frame}', "box")
        head = Place(x + 1, y + 1, place.width - 2, card.head)
        yield _rect(head, 5, f'fill="{_HEAD.get(node.kind, "#eceff2")}"', "head")
        if card.rule is not None:
            yield (
                f'<line x1="{x + _PAD:.1f}" y1="{y + card.rule:.1f}" '
                f'x2="{x + place.width - _PAD:.1f}" y2="{y + card.rule:.1f}" '
                'stroke="#c9d1d9" stroke-width="1"/>'
            )
        for line in card.lines:
            yield svg_text(line.text, x + _PAD, y + line.y, line.size, line.colour, bold=line.bold)
        yield "</g>"


# --- links --------------------------------------------------------------------------------------


def _links(chain: Chain, layout: Layout, shift: float, top: float) -> Iterable[str]:
    drawn = zip(chain.links, layout.routes, layout.upward, strict=True)
    for link, route, upward in sorted(drawn, key=lambda one: one[0].state.rank):
        points = [(x + shift, y + top) for x, y in route]
        x, y = points[-1]
        tip = -9.0 if upward else 9.0
        points[-1] = (x, y - tip * 0.8)
        colour = _COLOUR[link.state]
        dash = f' stroke-dasharray="{_DASH[link.state]}"' if _DASH[link.state] else ""
        thick = _THICK[link.state] if link.rests_on else 1.2
        yield (
            f'<path d="{_path(points)}" fill="none" stroke="{colour}" '
            f'stroke-width="{thick}"{dash} data-state="{link.state}"/>'
        )
        yield (
            f'<path d="M {x - 5:.1f} {y - tip:.1f} L {x + 5:.1f} {y - tip:.1f} '
            f'L {x:.1f} {y:.1f} Z" fill="{colour if link.rests_on else "#ffffff"}" '
            f'stroke="{colour}" stroke-width="1"/>'
        )


def _path(points: Sequence[tuple[float, float]]) -> str:
    """Straight down where a stretch is vertical, a curve that leaves and arrives upright else."""
    words = [f"M {points[0][0]:.1f} {points[0][1]:.1f}"]
    for (x1, y1), (x2, y2) in pairwise(points):
        if abs(x1 - x2) < 0.05:
            words.append(f"L {x2:.1f} {y2:.1f}")
        else:
            middle = (y1 + y2) / 2
            words.append(f"C {x1:.1f} {middle:.1f} {x2:.1f} {middle:.1f} {x2:.1f} {y2:.1f}")
    return " ".join(words)


def _badges(
    chain: Chain, layout: Layout, tags: dict[int, list[int]], shift: float, top: float
) -> Iterable[str]:
    for link, route, upward in zip(chain.links, layout.routes, layout.upward, strict=True):
        numbers = tags.get(id(link))
        if not numbers:
            continue
        text = ", ".join(str(n) for n in numbers)
        width = max(18.0, text_width(text, 10, bold=True) + 10)
        x, end = route[-1]
        y = end + 22 if upward else end - 22
        place = Place(x + shift - width / 2, y + top - 9, width, 18)
        yield _rect(place, 9, f'fill="{_COLOUR[link.state]}" stroke="#ffffff"', "badge")
        yield svg_text(text, x + shift, y + top + 3.6, 10, "#ffffff", bold=True, anchor="middle")


# --- banner, legend, reasons --------------------------------------------------------------------


def _banner(chain: Chain, width: float) -> tuple[list[str], float]:
    fill, colour = _TINT[chain.verdict]
    inner = width - 2 * _MARGIN
    title = wrap(f"Traceability of {chain.subject}: {chain.verdict}", inner - 32, 17, bold=True)
    words = wrap(chain.statement, inner - 32, 12)
    height = 20 + 22 * len(title) + 16 * len(words)
    place = Place(_MARGIN, 20, inner, height)
    parts = [_rect(place, 6, f'fill="{fill}" stroke="{colour}" stroke-width="2"', "banner")]
    y = 20.0 + 8
    for line in title:
        y += 22
        parts.append(svg_text(line, _MARGIN + 16, y, 17, colour, bold=True))
    for line in words:
        y += 16
        parts.append(svg_text(line, _MARGIN + 16, y + 2, 12, _INK))
    return parts, 20 + height


def _legend(y: float, width: float) -> tuple[list[str], float]:
    """Samples of what lines and frames mean, in as many rows as the width asks for."""
    parts: list[str] = []
    x, row = _MARGIN, y + 10
    samples: list[tuple[str, str]] = [
        (
            f'stroke="{_COLOUR[state]}" stroke-width="{_THICK[state]}"'
            + (f' stroke-dasharray="{_DASH[state]}"' if _DASH[state] else ""),
            text,
        )
        for state, text in (
            (LinkState.SOUND, "sound on the day of use"),
            (LinkState.WEAK, "weak"),
            (LinkState.BROKEN, "broken"),
        )
    ]
    samples.append((f'stroke="{_GREY}" stroke-width="1.2"', "thin, open arrow: a correction"))
    for style, text in samples:
        need = 46 + text_width(text, 10) + 26
        if x > _MARGIN and x + need > width - _MARGIN:
            x, row = _MARGIN, row + 18
        parts.append(
            f'<line x1="{x:.1f}" y1="{row:.1f}" x2="{x + 38:.1f}" y2="{row:.1f}" {style}/>'
        )
        parts.append(svg_text(text, x + 46, row + 3.5, 10, _INK))
        x += need
    text = "not recorded"
    need = 46 + text_width(text, 10)
    if x + need > width - _MARGIN:
        x, row = _MARGIN, row + 18
    frame = f'fill="none" stroke="{_COLOUR[LinkState.BROKEN]}" stroke-width="1.8" '
    parts.append(_rect(Place(x, row - 7, 38, 14), 3, frame + 'stroke-dasharray="5 4"', "sample"))
    parts.append(svg_text(text, x + 46, row + 3.5, 10, _INK))
    return parts, row + 8


def _panel(
    chain: Chain, numbered: Sequence[tuple[int, tuple[Link, object]]], y: float, width: float
) -> tuple[list[str], float]:
    """The reasons in full, numbered as on the links."""
    parts: list[str] = []
    inner = width - 2 * _MARGIN - 34
    for number, (link, reason) in numbered:
        state = getattr(reason, "state", link.state)
        parts.append(svg_text(f"{number}", _MARGIN + 22, y + 12, 11, _COLOUR[state], bold=True,
                           anchor="end"))  # fmt: skip
        head = f"{state}, judged on {link.day}: {chain.place(link)}"
        for line in wrap(head, inner, 11, bold=True):
            y += 15
            parts.append(svg_text(line, _MARGIN + 34, y - 3, 11, _COLOUR[state], bold=True))
        for line in wrap(str(reason), inner, 11):
            y += 15
            parts.append(svg_text(line, _MARGIN + 34, y - 3, 11, _INK))
        y += 8
    return parts, y + 16


# --- shapes -------------------------------------------------------------------------------------


def _rect(place: Place, radius: float, style: str, role: str) -> str:
    return (
        f'<rect x="{place.x:.1f}" y="{place.y:.1f}" width="{place.width:.1f}" '
        f'height="{place.height:.1f}" rx="{radius}" {style} data-role="{role}"/>'
    )
