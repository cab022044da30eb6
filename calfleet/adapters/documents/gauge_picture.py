"""The reference gauges on a time line as a stand-alone SVG picture.

One row for each gauge: a bar while its certificate is valid, hatched while it is away, framed in
red while it is neither valid nor back, and a mark for each job that is to be done with it. Jobs
that lack their gauge are marked by shape and colour. Jobs that no gauge can do have a
row of their own. Plain SVG 1.1 with attributes only.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import date, timedelta

from calfleet.adapters.documents.chain_picture import text_width, wrap
from calfleet.adapters.documents.lettering import safe, svg_text
from calfleet.scheduling.calendar import Window

_FONT = "DejaVu Sans, Verdana, Helvetica, Arial, sans-serif"
_INK, _GREY, _FAINT, _GRID = "#1b1f24", "#57606a", "#8c959f", "#e3e7ec"
_VALID, _AWAY, _BAD = "#b9e0f7", "#57606a", "#a4002e"
_WIDTH, _MARGIN, _ROW, _BAR = 1180.0, 28.0, 34.0, 14.0
_NONE_FITS = "none in range, good enough"
_MONTHS = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")


@dataclass(frozen=True, slots=True)
class Tick:
    """A job on its day; ``lacks``: its gauge cannot be used then."""

    day: date
    tag: str
    lacks: bool = False


@dataclass(frozen=True, slots=True)
class GaugeRow:
    """A gauge: when its certificate is valid, when away, when out of date; its jobs."""

    code: str
    description: str
    valid: tuple[Window, ...]
    away: tuple[Window, ...]
    lapsed: tuple[Window, ...]
    jobs: tuple[Tick, ...]


def svg(
    rows: Sequence[GaugeRow],
    first: date,
    last: date,
    *,
    title: str = "",
    without: Sequence[Tick] = (),
) -> str:
    """The picture as an SVG document from ``first`` through ``last``, gauges in the order given.

    Jobs close together share a mark with their number. ``without``: jobs that none of the gauges
    could do on any day, in a row of their own. No rows: a picture that says so.
    """
    return _Picture(rows, first, last, title, without).document()


class _Picture:
    """The picture being laid out."""

    def __init__(
        self,
        gauges: Sequence[GaugeRow],
        first: date,
        last: date,
        title: str,
        without: Sequence[Tick],
    ) -> None:
        self.gauges, self.first, self.last = gauges, first, last
        rows = list(gauges)
        if without:
            rows.append(GaugeRow("no gauge", _NONE_FITS, (), (), (), tuple(without)))
        self.rows = rows
        self.title = title or f"Reference gauges, {first} to {last}"
        names = [text_width(r.code, 12, bold=True) for r in rows]
        self.left = _MARGIN + max([60.0, *names]) + 14
        widest = max((text_width(_cut(r.description), 10) for r in rows), default=0.0)
        self.left = max(self.left, _MARGIN + widest + 14)
        self.right = _WIDTH - _MARGIN
        self.days = (last - first).days + 1
        self.parts: list[str] = []

    def document(self) -> str:
        y = self._head(_MARGIN)
        y = self._legend(y + 10)
        top = y + 24
        bottom = top + _ROW * max(len(self.rows), 1)
        self._months(top, bottom)
        for n, row in enumerate(self.rows):
            self._row(row, top + n * _ROW)
        if not self.gauges:
            self.parts.append(
                svg_text("No gauge has a certificate.", self.left, top + 20, 12, colour=_GREY)
            )
        height = bottom + _MARGIN
        return "\n".join(
            [
                '<?xml version="1.0" encoding="UTF-8"?>',
                f'<svg xmlns="http://www.w3.org/2000/svg" width="{_WIDTH:.0f}" '
                f'height="{height:.0f}" viewBox="0 0 {_WIDTH:.0f} {height:.0f}" role="img" '
                f'font-family="{_FONT}">',
                f"<title>{safe(self.title)}</title>",
                f"<desc>{safe(self.summary())}</desc>",
                '<defs><pattern id="away" width="6" height="6" patternUnits="userSpaceOnUse">'
                '<rect width="6" height="6" fill="#ffffff"/><path d="M-1,5 l2,2 M0,0 l6,6 M5,-1 '
                f'l2,2" stroke="{_AWAY}" stroke-width="1.2"/></pattern></defs>',
                f'<rect width="{_WIDTH:.0f}" height="{height:.0f}" fill="#ffffff"/>',
                *self.parts,
                "</svg>",
                "",
            ]
        )

    def summary(self) -> str:
        """What the picture shows, in a sentence or two."""
        jobs = sum(len(r.jobs) for r in self.rows)
        lacking = sum(t.lacks for r in self.rows for t in r.jobs)
        lapsed = [r.code for r in self.rows if r.lapsed]
        gauges = _counted(len(self.gauges), "gauge")
        lack = "lacks its gauge" if lacking == 1 else "lack their gauge"
        text = f"{gauges}, {_counted(jobs, 'job')}; {lacking} of them {lack}."
        return text + (f" Out of date for a time: {', '.join(lapsed)}." if lapsed else "")

    # --- parts ------------------------------------------------------------------------

    def _x(self, day: date, *, end: bool = False) -> float:
        into = min(max((day - self.first).days + (1 if end else 0), 0), self.days)
        return self.left + (self.right - self.left) * into / self.days

    def _span(self, window: Window) -> tuple[float, float] | None:
        if window.last < self.first or window.first > self.last:
            return None
        return self._x(window.first), self._x(min(window.last, self.last), end=True)

    def _head(self, y: float) -> float:
        for line in wrap(self.title, _WIDTH - 2 * _MARGIN, 18, bold=True):
            y += 22
            self.parts.append(svg_text(line, _MARGIN, y - 4, 18, bold=True))
        for line in wrap(self.summary(), _WIDTH - 2 * _MARGIN, 12):
            y += 17
            self.parts.append(svg_text(line, _MARGIN, y, 12, colour=_GREY))
        return y

    def _legend(self, y: float) -> float:
        x = _MARGIN
        frame = f'stroke="{_FAINT}" stroke-width="0.8"'
        for look, name in (
            (f'fill="{_VALID}" {frame}', "valid"),
            (f'fill="url(#away)" {frame}', "away"),
            (f'fill="#ffffff" stroke="{_BAD}" stroke-width="2"', "out of date, not back"),
        ):
            self.parts.append(f'<rect x="{x:.1f}" y="{y:.1f}" width="26" height="12" {look}/>')
            self.parts.append(svg_text(name, x + 33, y + 10, 11))
            x += 33 + text_width(name, 11) + 22
        self.parts.append(_job(x + 6, y + 6, lacks=False))
        self.parts.append(svg_text("job (number where several)", x + 20, y + 10, 11))
        x += 20 + text_width("job (number where several)", 11) + 22
        self.parts.append(_job(x + 6, y + 6, lacks=True))
        self.parts.append(svg_text("job without its gauge", x + 20, y + 10, 11))
        return y + 14

    def _months(self, top: float, bottom: float) -> None:
        for day in _month_starts(self.first, self.last):
            x = self._x(day)
            self.parts.append(
                f'<line x1="{x:.1f}" y1="{top - 6:.1f}" x2="{x:.1f}" y2="{bottom:.1f}" '
                f'stroke="{_GRID}" stroke-width="1"/>'
            )
            year = f" {day.year}" if day.month == 1 or day == self.first else ""
            label = _MONTHS[day.month - 1] + year
            if x + text_width(label, 10) + 4 < self.right and not (
                day == self.first and day.day > 12
            ):
                self.parts.append(svg_text(label, x + 3, top - 8, 10, colour=_GREY))

    def _row(self, row: GaugeRow, y: float) -> None:
        self.parts.append(
            f'<line x1="{_MARGIN:.1f}" y1="{y + _ROW:.1f}" x2="{self.right:.1f}" '
            f'y2="{y + _ROW:.1f}" stroke="{_GRID}" stroke-width="1"/>'
        )
        self.parts.append(svg_text(row.code, _MARGIN, y + 14, 12, bold=True))
        self.parts.append(svg_text(_cut(row.description), _MARGIN, y + 27, 10, colour=_GREY))
        bar = y + (_ROW - _BAR) / 2
        look = f'fill="{_VALID}" stroke="{_FAINT}" stroke-width="0.8"'
        for window in row.valid:
            self._bar(window, bar, look, f"valid {window.first} to {window.last}")
        look = f'fill="url(#away)" stroke="{_GREY}" stroke-width="0.8"'
        for window in row.away:
            self._bar(window, bar, look, f"away {window.first} to {window.last}")
        for window in row.lapsed:
            inside = Window(window.first + timedelta(days=1), window.last - timedelta(days=1))
            look = f'fill="none" stroke="{_BAD}" stroke-width="2"'
            self._bar(inside, bar, look, f"out of date {inside.first} to {inside.last}")
        for x, ticks in self._together(row.jobs):
            self._mark(x, y + _ROW / 2, ticks)

    def _bar(self, window: Window, y: float, look: str, text: str) -> None:
        span = self._span(window)
        if span is not None:
            self.parts.append(
                f'<rect x="{span[0]:.1f}" y="{y:.1f}" width="{max(span[1] - span[0], 2):.1f}" '
                f'height="{_BAR:.0f}" {look}><title>{safe(text)}</title></rect>'
            )

    def _together(self, jobs: Sequence[Tick]) -> Iterator[tuple[float, list[Tick]]]:
        """Jobs too close to be told apart, with the place of their mark."""
        shown = sorted(
            (t for t in jobs if self.first <= t.day <= self.last), key=lambda t: (t.day, t.tag)
        )
        for lacks in (False, True):
            held: list[Tick] = []
            start = 0.0
            for tick in (t for t in shown if t.lacks is lacks):
                x = self._x(tick.day)
                if held and x - start > 13:
                    yield self._middle(held), held
                    held = []
                if not held:
                    start = x
                held.append(tick)
            if held:
                yield self._middle(held), held

    def _middle(self, ticks: Sequence[Tick]) -> float:
        return (self._x(ticks[0].day) + self._x(ticks[-1].day, end=True)) / 2

    def _mark(self, x: float, y: float, ticks: list[Tick]) -> None:
        lacks = ticks[0].lacks
        told = ", ".join(f"{t.tag} {t.day}" for t in ticks)
        self.parts.append(f"<g><title>{safe(told)}</title>{_job(x, y, lacks=lacks)}")
        if len(ticks) > 1:
            self.parts.append(
                svg_text(str(len(ticks)), x, y + 3.5, 9, colour="#ffffff", anchor="middle")
            )
        self.parts.append("</g>")


def _job(x: float, y: float, *, lacks: bool) -> str:
    """A round mark, or an upright square in red for a job without its gauge."""
    if lacks:
        return (
            f'<rect x="{x - 6:.1f}" y="{y - 7:.1f}" width="12" height="14" fill="{_BAD}" '
            'stroke="#ffffff" stroke-width="1"/>'
        )
    return (
        f'<circle cx="{x:.1f}" cy="{y:.1f}" r="6.5" fill="#0b4f77" stroke="#ffffff" '
        'stroke-width="1"/>'
    )


def _month_starts(first: date, last: date) -> Iterator[date]:
    """The first day, and every first of a month after it."""
    yield first
    day = first
    while True:
        day = date(day.year + day.month // 12, day.month % 12 + 1, 1)
        if day > last:
            return
        yield day


def _counted(count: int, what: str) -> str:
    return f"{count} {what}{'' if count == 1 else 's'}"


def _cut(text: str) -> str:
    return text if len(text) <= 28 else text[:27].rstrip() + "…"
