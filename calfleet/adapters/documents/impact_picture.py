"""A gauge found bad drawn as a stand-alone SVG timeline.

One lane per gauge, the one found bad on top, then those calibrated with it, tier by tier. In a
lane each consequence has a row of its own; results too close to be told apart share one mark that
carries their number. Plain SVG 1.1 with attributes only. What a mark means is told by shape, by
colour and by its row.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import date, timedelta

from calfleet.adapters.documents.chain_picture import text_width, wrap
from calfleet.adapters.documents.lettering import safe, svg_text
from calfleet.traceability.impact import Consequence, Impact, Row

_FONT = "DejaVu Sans, Verdana, Helvetica, Arial, sans-serif"
_INK, _GREY, _FRAME, _PALE = "#1b1f24", "#57606a", "#8c959f", "#f6f8fa"
_WIDTH, _MARGIN, _LABEL = 1180.0, 28.0, 190.0
_ROW, _BAR, _GAP, _STEP = 20.0, 16.0, 14.0, 20.0
_MOST_LANES = 40

_COLOUR = {
    Consequence.FLIPPED_OUT: "#a4002e",
    Consequence.NOT_SURE: "#b35900",
    Consequence.FLIPPED_IN: "#6a3d9a",
    Consequence.KEPT: "#0072b2",
}
_GOOD, _DOUBT, _BAD = "#cfe6f5", "#fbe3c6", "#f3c9d3"


@dataclass(frozen=True, slots=True)
class _Lane:
    """A gauge with its results; ``starts``: days of the certificates that took the error over."""

    gauge: str
    tier: int
    starts: tuple[date, ...]
    parents: tuple[str, ...]
    rows: tuple[Row, ...]


@dataclass(frozen=True, slots=True)
class _Scale:
    first: date
    last: date
    left: float
    right: float

    def x(self, day: date) -> float:
        whole = max(1, (self.last - self.first).days)
        return self.left + (self.right - self.left) * (day - self.first).days / whole


def svg(impact: Impact) -> str:
    """The impact as a stand-alone SVG document: lanes of gauges over time, results by consequence.

    At most 40 lanes are drawn, those with results first; the others are counted below.
    """
    lanes, left_out = _lanes(impact)
    scale = _scale(impact, lanes)
    shown = [c for c in Consequence if impact.count(c)]
    body: list[str] = []
    head, y = _head(impact)
    legend, y = _legend(shown, y)
    body += head + legend
    top = y + 38
    height = _BAR + 6 + _ROW * max(1, len(shown)) + _GAP
    bottom = top + height * len(lanes)
    body += _grid(scale, top - 6, bottom)
    tops = {lane.gauge: top + height * i for i, lane in enumerate(lanes)}
    for lane in lanes:
        body += _lane(impact, lane, scale, tops[lane.gauge], height, shown)
    body += _ways(lanes, scale, tops)
    body += _event_line(impact, scale, top - 6, bottom)
    y = bottom + 34
    if left_out:
        body.append(svg_text(f"{left_out} more gauges without a lane.", _MARGIN, y, 11, _GREY))
        y += 18
    size = f'width="{_WIDTH:.0f}" height="{y:.0f}" viewBox="0 0 {_WIDTH:.0f} {y:.0f}"'
    return "\n".join(
        [
            '<?xml version="1.0" encoding="UTF-8"?>',
            f'<svg xmlns="http://www.w3.org/2000/svg" {size} role="img" font-family="{_FONT}">',
            f"<title>{safe(f'What rests on {impact.event.gauge}')}</title>",
            f"<desc>{safe(impact.statement)}</desc>",
            f'<rect x="0" y="0" width="{_WIDTH:.0f}" height="{y:.0f}" fill="#ffffff"/>',
            *body,
            "</svg>",
            "",
        ]
    )


def _lanes(impact: Impact) -> tuple[list[_Lane], int]:
    of_gauge: dict[str, list[Row]] = {impact.event.gauge: []}
    for row in impact.rows:
        of_gauge.setdefault(row.gauge, []).append(row)
    owner = {one.certificate: one.gauge for one in impact.gauges}
    starts: dict[str, list[date]] = {}
    parents: dict[str, dict[str, None]] = {}
    tiers: dict[str, int] = {impact.event.gauge: 1}
    for one in impact.gauges:
        of_gauge.setdefault(one.gauge, [])
        starts.setdefault(one.gauge, []).append(one.calibrated_on)
        above = owner[one.path[-2]] if len(one.path) > 1 else impact.event.gauge
        parents.setdefault(one.gauge, {})[above] = None
        tiers[one.gauge] = min(tiers.get(one.gauge, one.tier + 1), one.tier + 1)
    lanes = [
        _Lane(
            gauge,
            tiers.get(gauge, 1),
            tuple(sorted(starts.get(gauge, ()))),
            tuple(parents.get(gauge, ())),
            tuple(rows),
        )
        for gauge, rows in of_gauge.items()
    ]
    lanes.sort(key=lambda lane: (lane.gauge != impact.event.gauge, lane.tier, lane.gauge))
    if len(lanes) <= _MOST_LANES:
        return lanes, 0
    best = sorted(lanes[1:], key=lambda lane: (lane.tier, -len(lane.rows)))[: _MOST_LANES - 1]
    kept = [lane for lane in lanes if lane is lanes[0] or lane in best]
    return kept, len(lanes) - len(kept)


def _scale(impact: Impact, lanes: Sequence[_Lane]) -> _Scale:
    event = impact.event
    days = [event.last_good.on, event.found_on, *(row.performed_on for row in impact.rows)]
    days += [day for lane in lanes for day in lane.starts]
    first, last = min(days), max(days)
    room = timedelta(days=max(10, (last - first).days // 20))
    return _Scale(first - room, last + room, _MARGIN + _LABEL, _WIDTH - _MARGIN)


def _head(impact: Impact) -> tuple[list[str], float]:
    event = impact.event
    kind = f"{event.kind} ({event.certificate})" if event.certificate else str(event.kind)
    title = f"{event.gauge} found bad on {event.found_on}: {kind}"
    y = _MARGIN + 12
    parts = [svg_text(title, _MARGIN, y, 17, _INK, bold=True)]
    for line in wrap(impact.statement, _WIDTH - 2 * _MARGIN, 12.5):
        y += 20
        parts.append(svg_text(line, _MARGIN, y, 12.5, _INK))
    return parts, y + 14


def _legend(shown: Sequence[Consequence], y: float) -> tuple[list[str], float]:
    parts: list[str] = []
    x = _MARGIN
    y += 12
    for colour, words in (
        (_GOOD, "known good"), (_DOUBT, "in doubt"), (_BAD, "known bad"),
    ):  # fmt: skip
        parts.append(_rect(x, y - 8, 26, 10, colour, "sample"))
        parts.append(svg_text(words, x + 32, y + 1, 10.5, _INK))
        x += 50 + text_width(words, 10.5)
    x += 16
    for consequence in shown:
        parts.append(_mark(consequence, x + 7, y - 3, "sample"))
        parts.append(svg_text(str(consequence), x + 19, y + 1, 10.5, _INK))
        x += 40 + text_width(str(consequence), 10.5)
    return parts, y + 8


def _grid(scale: _Scale, top: float, bottom: float) -> Iterator[str]:
    """Month lines, so far apart that their dates can be read."""
    months = (scale.last.year - scale.first.year) * 12 + scale.last.month - scale.first.month
    step = next(s for s in (1, 2, 3, 6, 12, 24, 60, 120, 1200) if months / s <= 14)
    index = scale.first.year * 12 + scale.first.month
    while True:
        if index % step == 0:
            day = date(index // 12, index % 12 + 1, 1)
            if day > scale.last:
                return
            x = scale.x(day)
            yield (
                f'<line x1="{x:.1f}" y1="{top:.1f}" x2="{x:.1f}" y2="{bottom:.1f}" '
                f'stroke="#d8dee4" stroke-width="1"/>'
            )
            yield svg_text(f"{day:%Y-%m}", x, bottom + 14, 10, _GREY, anchor="middle")
        index += 1


def _lane(
    impact: Impact,
    lane: _Lane,
    scale: _Scale,
    top: float,
    height: float,
    shown: Sequence[Consequence],
) -> Iterator[str]:
    event = impact.event
    own = lane.gauge == event.gauge
    yield (
        f'<rect x="{_MARGIN:.1f}" y="{top - 4:.1f}" width="{_WIDTH - 2 * _MARGIN:.1f}" '
        f'height="{height - 8:.1f}" fill="{_PALE}" fill-opacity="0.55" stroke="none" '
        f'data-role="lane"/>'
    )
    yield svg_text(lane.gauge, _MARGIN + 8, top + 13, 13, _INK, bold=True)
    what = "found bad" if own else f"tier {lane.tier}, calibrated with {', '.join(lane.parents)}"
    y = top + 28
    for line in wrap(what, _LABEL - 24, 10)[:2]:
        yield svg_text(line, _MARGIN + 8, y, 10, _GREY)
        y += 13
    if lane.rows:
        number = len(lane.rows)
        words = f"{number} result{'s' if number != 1 else ''}"
        yield svg_text(words, _MARGIN + 8, y, 10, _GREY)
    spans: tuple[tuple[date, date, str], ...]
    if own and not event.constant:
        spans = (
            (scale.first, event.last_good.on, _GOOD),
            (event.last_good.on, event.found_on, _DOUBT),
            (event.found_on, scale.last, _BAD),
        )
    else:
        start = event.last_good.on if own else min(lane.starts)
        spans = ((scale.first, start, _GOOD), (start, scale.last, _DOUBT))
    for begin, end, colour in spans:
        x = scale.x(begin)
        yield _rect(x, top, scale.x(end) - x, _BAR, colour, "period")
    for i, consequence in enumerate(shown):
        middle = top + _BAR + 6 + _ROW * (i + 0.5)
        yield from _marks(lane.rows, consequence, scale, middle)


def _marks(rows: Sequence[Row], consequence: Consequence, scale: _Scale, y: float) -> Iterator[str]:
    """The results of one consequence, those nearer than a mark's width in one mark."""
    counts: Counter[int] = Counter()
    tags: dict[int, str] = {}
    for row in rows:
        if row.consequence is consequence:
            place = int((scale.x(row.performed_on) - scale.left) // _STEP)
            counts[place] += 1
            tags[place] = f"{row.calibration} {row.tag}"
    for place, number in sorted(counts.items()):
        x = scale.left + (place + 0.5) * _STEP
        title = tags[place] if number == 1 else f"{number} results"
        yield _mark(consequence, x, y, "result", number=number, title=title)


def _mark(
    consequence: Consequence, x: float, y: float, role: str, *, number: int = 1, title: str = ""
) -> str:
    colour = _COLOUR[consequence]
    r = 8.5 if number > 1 else 6.0
    style = f'fill="{colour}" data-role="{role}"'
    tip = f"<title>{safe(title)}</title>" if title else ""
    if consequence is Consequence.FLIPPED_OUT:
        points = f"{x:.1f},{y - r:.1f} {x + r:.1f},{y:.1f} {x:.1f},{y + r:.1f} {x - r:.1f},{y:.1f}"
        shape = f'<polygon points="{points}" {style}>{tip}</polygon>'
    elif consequence is Consequence.NOT_SURE:
        side = r * 0.85
        shape = (
            f'<rect x="{x - side:.1f}" y="{y - side:.1f}" width="{2 * side:.1f}" '
            f'height="{2 * side:.1f}" {style}>{tip}</rect>'
        )
    elif consequence is Consequence.FLIPPED_IN:
        points = f"{x:.1f},{y - r:.1f} {x + r:.1f},{y + r * 0.8:.1f} {x - r:.1f},{y + r * 0.8:.1f}"
        shape = f'<polygon points="{points}" {style}>{tip}</polygon>'
    else:
        shape = f'<circle cx="{x:.1f}" cy="{y:.1f}" r="{r - 1:.1f}" {style}>{tip}</circle>'
    if number == 1:
        return shape
    words = str(number) if number < 1000 else f"{number // 1000}k"
    size = 9.0 if len(words) < 3 else 7.0
    return shape + svg_text(words, x, y + size * 0.36, size, "#ffffff", bold=True, anchor="middle")


def _ways(lanes: Sequence[_Lane], scale: _Scale, tops: dict[str, float]) -> Iterator[str]:
    """From the bar of the standard down to that of the gauge calibrated with it, on its day."""
    for lane in lanes:
        for parent in lane.parents:
            if parent not in tops or lane.gauge == parent:
                continue
            for day in lane.starts:
                x, y1, y2 = scale.x(day), tops[parent] + _BAR / 2, tops[lane.gauge] + _BAR / 2
                yield (
                    f'<line x1="{x:.1f}" y1="{y1:.1f}" x2="{x:.1f}" y2="{y2:.1f}" '
                    f'stroke="{_FRAME}" stroke-width="1.2" stroke-dasharray="4 3"/>'
                )
                yield (
                    f'<circle cx="{x:.1f}" cy="{y2:.1f}" r="4" fill="#ffffff" '
                    f'stroke="{_FRAME}" stroke-width="1.5" data-role="calibration"/>'
                )


def _event_line(impact: Impact, scale: _Scale, top: float, bottom: float) -> Iterator[str]:
    event = impact.event
    found = "certificate withdrawn" if event.constant else "found bad"
    good_words, found_words = f"last known good {event.last_good.on}", f"{found} {event.found_on}"
    apart = scale.x(event.found_on) - scale.x(event.last_good.on)
    narrow = apart < text_width(good_words, 10.5, bold=True) + text_width(
        found_words, 10.5, bold=True
    )
    for day, words, colour, anchor, up in (
        (event.last_good.on, good_words, "#0072b2", "start", 17.0 if narrow else 4.0),
        (event.found_on, found_words, "#a4002e", "end", 4.0),
    ):
        x = scale.x(day)
        yield (
            f'<line x1="{x:.1f}" y1="{top - up + 2:.1f}" x2="{x:.1f}" y2="{bottom:.1f}" '
            f'stroke="{colour}" stroke-width="1.6"/>'
        )
        yield svg_text(words, x, top - up, 10.5, colour, bold=True, anchor=anchor)


def _rect(x: float, y: float, width: float, height: float, colour: str, role: str) -> str:
    return (
        f'<rect x="{x:.1f}" y="{y:.1f}" width="{max(width, 0):.1f}" height="{height:.1f}" '
        f'fill="{colour}" stroke="{_FRAME}" stroke-width="0.6" data-role="{role}"/>'
    )
