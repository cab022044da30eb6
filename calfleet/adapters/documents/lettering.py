"""Text in SVG pictures: escaped, free of characters that XML or a viewer may refuse."""

from __future__ import annotations

from xml.sax.saxutils import escape

INK = "#1b1f24"


def printable(text: str) -> str:
    """The text with a blank for every character that XML or a viewer may refuse."""
    return "".join(c if c.isprintable() else " " for c in text)


def safe(text: str) -> str:
    """The text as it may stand between two tags."""
    return escape(printable(text))


def svg_text(
    text: str,
    x: float,
    y: float,
    size: float,
    colour: str = INK,
    *,
    bold: bool = False,
    anchor: str = "start",
) -> str:
    """One line of text as an SVG element; ``anchor`` is start, middle or end."""
    weight = ' font-weight="bold"' if bold else ""
    side = f' text-anchor="{anchor}"' if anchor != "start" else ""
    return (
        f'<text x="{x:.1f}" y="{y:.1f}" font-size="{size:g}" fill="{colour}"{weight}{side}>'
        f"{safe(text)}</text>"
    )
