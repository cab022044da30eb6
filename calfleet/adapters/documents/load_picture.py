"""The work of the coming weeks or months as a stand-alone SVG picture: bars against capacity.

Each bar is one period, stacked by group; a stepped line is the capacity, with what lies above it
marked. Closed days are shaded, absences of gauges run as strips below on the same time axis.
Groups differ by colour (apart for the common forms of colour blindness) and by pattern, so that a
grey print can be read. Plain SVG 1.1 with attributes only: no style sheet, script or embedded
HTML, so that simple viewers show it too.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from datetime import date
from fractions import Fraction
from math import ceil, floor, log10

from calfleet.adapters.documents.chain_picture import text_width, wrap
from calfleet.adapters.documents.lettering import safe, svg_text
from calfleet.metrology.rounding import decimal_text
from calfleet.scheduling.calendar import Window
from calfleet.scheduling.forecast import CapacityLine, LoadLine
from calfleet.scheduling.plan_model import Assignment, Plan, PlanJob

_FONT = "DejaVu Sans, Verdana, Helvetica, Arial, sans-serif"
_INK, _GREY, _FAINT, _GRID = "#1b1f24", "#57606a", "#8c959f", "#e3e7ec"
_OVER = "#a4002e"
_CLOSED = "#d8dde3"
_PLOT = 300.0
_STRIP = 22.0
_MARGIN = 28.0
_MOST_GROUPS = 8
_MONTHS = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")

# Fill, and the colour and drawing of a pattern on it: dark and light alternate, so that two
# neighbours in a stack never look alike, in colour or in grey.
_FILLS = (
    ("#0072b2", "", ""),
    ("#f2c14e", "#5c4300", "M-2,2 l4,-4 M0,8 l8,-8 M6,10 l4,-4"),
    ("#00795a", "#ffffff", "M2,2 h2 v2 h-2 z M6,6 h2 v2 h-2 z"),
    ("#f3d3e4", "#7a2e5b", "M0,4 h8"),
    ("#8a4100", "#ffffff", "M-2,6 l4,4 M0,0 l8,8 M6,-2 l4,4"),
    ("#b9e0f7", "#0b4f77", "M4,0 v8"),
    ("#4a4a6a", "#ffffff", "M0,4 h8 M4,0 v8"),
    ("#eeeeee", "#444444", "M0,0 l8,8 M0,8 l8,-8"),
)


@dataclass(frozen=True, slots=True)
class Strip:
    """A row below the bars: its name and the windows drawn in it."""

    name: str
    windows: tuple[Window, ...]


def plan_lines(
    plan: Plan, jobs: Iterable[PlanJob], group: Callable[[PlanJob, Assignment], str]
) -> tuple[tuple[LoadLine, ...], tuple[CapacityLine, ...]]:
    """The load of a plan per week and group, and against the capacity, as a forecast gives them.

    ``group`` names the group of a job and its place: ``lambda job, place: job.area``.
    """
    by_key = {job.key: job for job in jobs}
    counted: dict[tuple[str, str], list[int]] = {}
    for place in plan.assignments:
        job = by_key[place.key]
        cell = counted.setdefault((str(place.week), group(job, place)), [0, 0])
        cell[0] += 1
        cell[1] += job.minutes
    groups = sorted({name for _, name in counted})
    lines = []
    capacity = []
    for week in plan.loads:
        label = str(week.week)
        first, last = max(week.week.first, plan.first), week.week.last
        for name in groups:
            count, minutes = counted.get((label, name), (0, 0))
            lines.append(LoadLine(label, first, last, name, count, minutes))
        capacity.append(
            CapacityLine(
                period=label,
                first=first,
                last=last,
                jobs=week.jobs,
                bench_minutes=week.minutes,
                working_days=0,
                capacity_minutes=week.capacity_minutes,
            )
        )
    return tuple(lines), tuple(capacity)


def svg(
    lines: Sequence[LoadLine],
    *,
    capacity: Sequence[CapacityLine] = (),
    closed: Sequence[Window] = (),
    absences: Sequence[Strip] = (),
    title: str = "Bench work",
    group_name: str = "group",
) -> str:
    """The picture as an SVG document; lengths are in CSS pixels, loads in hours.

    ``lines`` and ``capacity`` in order of period, as ``forecast.load``, ``against_capacity`` or
    ``plan_lines`` give them. ``closed``: days on which the shop does not work. More than eight
    groups: the smallest are shown together. No lines: a picture that says so.
    """
    return _Picture(lines, capacity, closed, absences, title, group_name).document()


@dataclass(frozen=True, slots=True)
class _Column:
    period: str
    first: date
    last: date
    x: float
    width: float
    capacity: float | None
    hours: tuple[float, ...]
    jobs: int

    @property
    def total(self) -> float:
        return sum(self.hours)

    @property
    def over(self) -> float:
        return max(0.0, self.total - self.capacity) if self.capacity is not None else 0.0


class _Picture:
    """The picture being laid out: columns first, then everything that hangs on them."""

    def __init__(
        self,
        lines: Sequence[LoadLine],
        capacity: Sequence[CapacityLine],
        closed: Sequence[Window],
        absences: Sequence[Strip],
        title: str,
        group_name: str,
    ) -> None:
        self.title = title
        self.group_name = group_name
        self.groups, self.columns_of = _groups(lines)
        periods = {c.period: (c.first, c.last) for c in capacity}
        periods |= {line.period: (line.first, line.last) for line in lines}
        ordered = sorted(periods, key=lambda p: periods[p])
        strips = [Strip("closed", tuple(closed))] if closed else []
        self.strips = [*strips, *absences]
        names = [s.name for s in self.strips]
        self.left = _MARGIN + max([46.0, *(text_width(n, 11) + 12 for n in names)])
        self.left = min(self.left, 240.0)
        many = len(ordered)
        self.step = min(64.0, max(19.0, 960.0 / many)) if many else 64.0
        self.columns = self._columns(ordered, periods, capacity, lines)
        self.right = self.left + self.step * max(many, 1)
        self.width = max(self.right + 84.0 + _MARGIN, 760.0)
        tallest = max(
            [1.0, *(c.total for c in self.columns), *(c.capacity or 0.0 for c in self.columns)]
        )
        self.tick = _tick(tallest)
        self.top_value = self.tick * ceil(tallest * 1.06 / self.tick)
        self.parts: list[str] = []
        self.top = 0.0

    def _columns(
        self,
        ordered: Sequence[str],
        periods: dict[str, tuple[date, date]],
        capacity: Sequence[CapacityLine],
        lines: Sequence[LoadLine],
    ) -> list[_Column]:
        room = {c.period: c.capacity_minutes / 60 for c in capacity}
        jobs: dict[str, int] = {}
        for line in lines:
            jobs[line.period] = jobs.get(line.period, 0) + line.jobs
        return [
            _Column(
                period=period,
                first=periods[period][0],
                last=periods[period][1],
                x=self.left + n * self.step,
                width=self.step,
                capacity=room.get(period),
                hours=tuple(self.columns_of[g].get(period, 0.0) for g in self.groups),
                jobs=jobs.get(period, 0),
            )
            for n, period in enumerate(ordered)
        ]

    # --- the whole --------------------------------------------------------------------

    def document(self) -> str:
        y = self._head(_MARGIN)
        self.top = y + 36
        bottom = self.top + _PLOT
        self._shades(bottom)
        self._grid(bottom)
        self._bars(bottom)
        self._capacity_line(bottom)
        self._totals(bottom)
        y = self._axis(bottom)
        y = self._rows(y + 12) + _MARGIN
        size = f'width="{self.width:.0f}" height="{y:.0f}"'
        return "\n".join(
            [
                '<?xml version="1.0" encoding="UTF-8"?>',
                f'<svg xmlns="http://www.w3.org/2000/svg" {size} '
                f'viewBox="0 0 {self.width:.0f} {y:.0f}" role="img" font-family="{_FONT}">',
                f"<title>{safe(self.title)}</title>",
                f"<desc>{safe(self.summary())}</desc>",
                *_patterns(len(self.groups), bool(self.strips)),
                f'<rect x="0" y="0" width="{self.width:.0f}" height="{y:.0f}" fill="#ffffff"/>',
                *self.parts,
                "</svg>",
                "",
            ]
        )

    def summary(self) -> str:
        """What the picture shows, in a sentence or two."""
        if not self.columns:
            return "No work in these periods."
        kind = "week" if "-W" in self.columns[0].period else "month"
        jobs = sum(c.jobs for c in self.columns)
        hours = sum(c.total for c in self.columns)
        first, last = self.columns[0].period, self.columns[-1].period
        text = f"{_jobs(jobs)}, {_hours(hours)} from {first} to {last}."
        shares = [(c.total / c.capacity, c.period) for c in self.columns if c.capacity]
        if shares:
            share, period = max(shares, key=lambda pair: pair[0])
            text += f" Fullest {kind}: {period} with {100 * share:.0f} % of its capacity."
        over = [c for c in self.columns if c.over > 1 / 120]
        if over:
            word = kind if len(over) == 1 else f"{kind}s"
            text += f" {len(over)} {word} above capacity, by {_hours(sum(c.over for c in over))}."
        return text

    def _say(self, text: str, x: float, y: float, size: float = 11.0, **how: object) -> None:
        self.parts.append(svg_text(text, x, y, size, **how))  # type: ignore[arg-type]

    def _draw(self, shape: str) -> None:
        self.parts.append(shape)

    # --- head and legend --------------------------------------------------------------

    def _head(self, y: float) -> float:
        room = self.width - 2 * _MARGIN
        for line in wrap(self.title, room, 18, bold=True):
            y += 22
            self._say(line, _MARGIN, y - 4, 18, bold=True)
        for line in wrap(self.summary(), room, 12):
            y += 17
            self._say(line, _MARGIN, y, 12, colour=_GREY)
        y += 14
        return self._legend(y) if self.columns else y

    def _legend(self, y: float) -> float:
        entries: list[tuple[str, str]] = [
            (f'fill="url(#g{n})" stroke="{_INK}" stroke-width="0.6"', name)
            for n, name in enumerate(self.groups)
        ]
        if any(c.capacity is not None for c in self.columns):
            entries.append(("capacity", "capacity"))
        if any(c.over > 1 / 120 for c in self.columns):
            entries.append(("over", "above capacity"))
        if any(s.name == "closed" for s in self.strips):
            entries.append(('fill="url(#closed)"', "closed"))
        x = _MARGIN
        y += 8
        if self.groups:
            self._say(f"by {self.group_name}:", x, y + 11, 11, colour=_GREY)
            x += text_width(f"by {self.group_name}:", 11) + 12
        for look, name in entries:
            shown = _fit(name, 220, 11)
            width = 22 + 6 + text_width(shown, 11) + 18
            if x + width > self.width - _MARGIN and x > _MARGIN:
                x, y = _MARGIN, y + 20
            if look == "capacity":
                self._draw(
                    f'<path d="M{x:.1f},{y + 11:.1f} h11 v-6 h11" fill="none" stroke="{_INK}" '
                    'stroke-width="2.2"/>'
                )
            elif look == "over":
                self._draw(_triangle(x + 11, y + 2))
            else:
                self._draw(f'<rect x="{x:.1f}" y="{y + 1:.1f}" width="22" height="12" {look}/>')
            self._say(shown, x + 28, y + 11, 11)
            x += width
        return y + 16

    # --- the plot ---------------------------------------------------------------------

    def _y(self, hours: float) -> float:
        return self.top + _PLOT * (1 - hours / self.top_value)

    def _x(self, day: date, *, end: bool = False) -> float | None:
        """Where a day begins (or ends) on the axis; ``None``: outside."""
        for column in self.columns:
            if column.first <= day <= column.last:
                days = (column.last - column.first).days + 1
                into = (day - column.first).days + (1 if end else 0)
                return column.x + column.width * into / days
        return None

    def _span(self, window: Window) -> tuple[float, float] | None:
        if not self.columns:
            return None
        first = max(window.first, self.columns[0].first)
        last = min(window.last, self.columns[-1].last)
        if last < first:
            return None
        a, b = self._x(first), self._x(last, end=True)
        return (a, b) if a is not None and b is not None else None

    def _shades(self, bottom: float) -> None:
        for strip in self.strips:
            if strip.name != "closed":
                continue
            for window in strip.windows:
                span = self._span(window)
                if span is not None:
                    self._draw(
                        f'<rect x="{span[0]:.1f}" y="{self.top:.1f}" '
                        f'width="{span[1] - span[0]:.1f}" height="{bottom - self.top:.1f}" '
                        'fill="url(#closed)"/>'
                    )

    def _grid(self, bottom: float) -> None:
        if not self.columns:
            self._say("Nothing to show.", self.left, self.top + 40, 13, colour=_GREY)
        kind = "week" if self.columns and "-W" in self.columns[0].period else "month"
        self._say(f"bench hours per {kind}", _MARGIN, self.top - 12, 11, colour=_GREY)
        for n in range(round(self.top_value / self.tick) + 1):
            value = n * self.tick
            y = self._y(value)
            colour = _FAINT if n == 0 else _GRID
            self._draw(
                f'<line x1="{self.left:.1f}" y1="{y:.1f}" x2="{self.right:.1f}" y2="{y:.1f}" '
                f'stroke="{colour}" stroke-width="1"/>'
            )
            label = f"{value:g} h"
            self._say(label, self.left - 8, y + 4, 11, colour=_GREY, anchor="end")

    def _bars(self, bottom: float) -> None:
        for column in self.columns:
            gap = min(6.0, 0.14 * column.width)
            floor_hours = 0.0
            names = []
            shapes = []
            for n, hours in enumerate(column.hours):
                if hours <= 0:
                    continue
                top = self._y(floor_hours + hours)
                height = self._y(floor_hours) - top
                floor_hours += hours
                names.append(f"{self.groups[n]} {_hours(hours)}")
                shapes.append(
                    f'<rect x="{column.x + gap:.1f}" y="{top:.1f}" '
                    f'width="{column.width - 2 * gap:.1f}" height="{height:.1f}" '
                    f'fill="url(#g{n})" stroke="#ffffff" stroke-width="0.8"/>'
                )
            if shapes:
                text = f"{column.period}: {_jobs(column.jobs)}, {_hours(column.total)}"
                text += f" ({', '.join(names)})"
                if column.capacity is not None:
                    text += f" of {_hours(column.capacity)}"
                self._draw(f"<g><title>{safe(text)}</title>")
                self.parts += shapes
                self._draw(
                    f'<rect x="{column.x + gap:.1f}" y="{self._y(column.total):.1f}" '
                    f'width="{column.width - 2 * gap:.1f}" '
                    f'height="{bottom - self._y(column.total):.1f}" fill="none" '
                    f'stroke="{_INK}" stroke-width="0.7"/>'
                )
                self._draw("</g>")

    def _capacity_line(self, bottom: float) -> None:
        path = ""
        end: tuple[float, float] | None = None
        for column in self.columns:
            if column.capacity is None:
                end = None
                continue
            y = self._y(column.capacity)
            path += f"V{y:.1f}" if end is not None else f"M{column.x:.1f},{y:.1f}"
            path += f"H{column.x + column.width:.1f}"
            end = (column.x + column.width, y)
        if not path:
            return
        for colour, width in (("#ffffff", 4.6), (_INK, 2.2)):
            self._draw(
                f'<path d="{path}" fill="none" stroke="{colour}" stroke-width="{width}" '
                'stroke-linejoin="round"/>'
            )
        if end is not None:
            self._say("capacity", end[0] + 8, min(end[1] + 4, bottom - 2), 11, bold=True)

    def _totals(self, bottom: float) -> None:
        """The hours above each bar and, above the capacity, by how much it is missed."""
        labels = [_tenths(c.total).removesuffix(".0") for c in self.columns]
        legible = all(
            text_width(label, 10) <= c.width + 1
            for label, c in zip(labels, self.columns, strict=True)
        )
        for label, column in zip(labels, self.columns, strict=True):
            if column.total <= 0:
                continue
            y = self._y(column.total) - 5
            middle = column.x + column.width / 2
            # keep clear of the capacity line
            if column.capacity is not None:
                line = self._y(column.capacity)
                if line - 3 < y + 3 and y - 10 < line + 3:
                    y = line - 6
            if column.over > 1 / 120:
                self._draw(_triangle(middle, y - 8 if not legible else y - 20))
            if legible:
                colour = _OVER if column.over > 1 / 120 else _INK
                wide = text_width(label, 10) + 2
                self._draw(
                    f'<rect x="{middle - wide / 2:.1f}" y="{y - 9:.1f}" width="{wide:.1f}" '
                    'height="11" fill="#ffffff" fill-opacity="0.85"/>'
                )
                self._say(label, middle, y, 10, anchor="middle", colour=colour)

    # --- axis and strips --------------------------------------------------------------

    def _axis(self, bottom: float) -> float:
        if not self.columns:
            return bottom
        weekly = "-W" in self.columns[0].period
        labels = [c.period[-2:] if weekly else _MONTHS[c.first.month - 1] for c in self.columns]
        every = 1
        while any(text_width(label, 10) + 4 > self.step * every for label in labels):
            every += 1
        for n, (column, label) in enumerate(zip(self.columns, labels, strict=True)):
            middle = column.x + column.width / 2
            if n % every == 0:
                self._say(label, middle, bottom + 15, 10, anchor="middle", colour=_GREY)
        name = "ISO week" if weekly else "month"
        self._say(name, self.right + 8, bottom + 15, 10, colour=_GREY)
        y = bottom + 22
        for text, a, b in self._bands(weekly):
            self._draw(
                f'<line x1="{a:.1f}" y1="{bottom:.1f}" x2="{a:.1f}" y2="{y + 16:.1f}" '
                f'stroke="{_FAINT}" stroke-width="1"/>'
            )
            if text_width(text, 11) + 8 <= b - a:
                self._say(text, a + 5, y + 12, 11)
        return y + 18

    def _bands(self, weekly: bool) -> list[tuple[str, float, float]]:
        """Months above weeks, or years above months: name, and where they begin and end."""
        bands: list[tuple[str, float, float]] = []
        key = None
        for column in self.columns:
            # a week belongs to the month of its Thursday, as its ISO year does
            day = column.first if not weekly else _thursday(column)
            now = (day.year, day.month) if weekly else (day.year, 0)
            if now != key:
                name = f"{day.year}"
                if weekly:
                    year = f" {day.year}" if key is None or key[0] != day.year else ""
                    name = _MONTHS[day.month - 1] + year
                bands.append((name, column.x, column.x + column.width))
                key = now
            else:
                name, a, _ = bands[-1]
                bands[-1] = (name, a, column.x + column.width)
        return bands

    def _rows(self, y: float) -> float:
        if not self.columns or not self.strips:
            return y
        if any(s.name != "closed" for s in self.strips):
            self._say("outages, absences, closed days", _MARGIN, y + 8, 11, colour=_GREY)
        else:
            self._say("closed days", _MARGIN, y + 8, 11, colour=_GREY)
        y += 16
        for strip in self.strips:
            self._draw(
                f'<line x1="{self.left:.1f}" y1="{y + _STRIP / 2:.1f}" x2="{self.right:.1f}" '
                f'y2="{y + _STRIP / 2:.1f}" stroke="{_GRID}" stroke-width="1"/>'
            )
            shown = _fit(strip.name, self.left - _MARGIN - 10, 11)
            self._say(shown, self.left - 8, y + _STRIP / 2 + 4, 11, anchor="end")
            taken = self.left
            spans = sorted((span, w) for w in strip.windows if (span := self._span(w)) is not None)
            for n, ((a, b), window) in enumerate(spans):
                self._window(a, b, y, window, closed=strip.name == "closed")
                ahead = spans[n + 1][0][0] if n + 1 < len(spans) else self.width - _MARGIN
                taken = self._window_name(a, b, taken, ahead, y, window)
            y += _STRIP
        return y

    def _window(self, a: float, b: float, y: float, window: Window, *, closed: bool) -> None:
        text = f"{window.name or 'away'}: {window.first} to {window.last}"
        fill = "url(#closed)" if closed else "url(#away)"
        self._draw(
            f'<rect x="{a:.1f}" y="{y + 4:.1f}" width="{max(b - a, 2):.1f}" '
            f'height="{_STRIP - 8:.1f}" rx="2" fill="{fill}" stroke="{_GREY}" stroke-width="1">'
            f"<title>{safe(text)}</title></rect>"
        )

    def _window_name(
        self, a: float, b: float, behind: float, ahead: float, y: float, window: Window
    ) -> float:
        """How far the row is taken after the window's name was written where there is room.

        On its right up to the next window, else on its left down to the one before.
        """
        days = _day(window.first)
        if window.last > window.first:
            days += f" – {_day(window.last)}"
        texts = (f"{window.name}, {days}", window.name, days) if window.name else (days,)
        for text in texts:
            width = text_width(text, 10)
            if b + 6 + width + 6 <= ahead:
                self._say(text, b + 6, y + _STRIP / 2 + 3.5, 10, colour=_GREY)
                return b + 6 + width
            if behind + 6 <= a - 6 - width:
                self._say(text, a - 6, y + _STRIP / 2 + 3.5, 10, colour=_GREY, anchor="end")
                return b
        return b


# --- small parts --------------------------------------------------------------------------


def _groups(lines: Sequence[LoadLine]) -> tuple[tuple[str, ...], dict[str, dict[str, float]]]:
    """The groups shown, largest first, and the hours of each by period."""
    hours: dict[str, dict[str, float]] = {}
    for line in lines:
        row = hours.setdefault(line.group, {})
        row[line.period] = row.get(line.period, 0.0) + line.bench_minutes / 60
    ordered = sorted(hours, key=lambda g: (-sum(hours[g].values()), g))
    if len(ordered) > _MOST_GROUPS:
        small = ordered[_MOST_GROUPS - 1 :]
        ordered = ordered[: _MOST_GROUPS - 1]
        name = f"{len(small)} others"
        together: dict[str, float] = {}
        for g in small:
            for period, n in hours.pop(g).items():
                together[period] = together.get(period, 0.0) + n
        hours[name] = together
        ordered.append(name)
    return tuple(ordered), hours


def _patterns(groups: int, strips: bool) -> list[str]:
    parts = ["<defs>"]
    looks = [(f"g{n}", *_FILLS[n]) for n in range(groups)]
    if strips:
        looks.append(("closed", "#eef0f3", "#b4bcc6", "M-2,2 l4,-4 M0,8 l8,-8 M6,10 l4,-4"))
        looks.append(("away", "#ffffff", "#57606a", "M-2,6 l4,4 M0,0 l8,8 M6,-2 l4,4"))
    for name, fill, ink, path in looks:
        parts.append(
            f'<pattern id="{name}" width="8" height="8" patternUnits="userSpaceOnUse">'
            f'<rect width="8" height="8" fill="{fill}"/>'
            + (f'<path d="{path}" stroke="{ink}" stroke-width="1.1" fill="none"/>' if path else "")
            + "</pattern>"
        )
    return [*parts, "</defs>"]


def _triangle(x: float, y: float) -> str:
    return (
        f'<path d="M{x:.1f},{y:.1f} l5,9 h-10 z" fill="{_OVER}" stroke="#ffffff" '
        'stroke-width="0.8"/>'
    )


def _tick(tallest: float) -> float:
    """A round distance between grid lines that gives four to eight of them."""
    rough = tallest / 6
    base = 10.0 ** floor(log10(rough))
    return next(base * m for m in (1, 2, 2.5, 5, 10) if base * m >= rough * 0.999)


def _thursday(column: _Column) -> date:
    return date.fromisocalendar(*column.last.isocalendar()[:2], 4)


def _day(day: date) -> str:
    return f"{day.day} {_MONTHS[day.month - 1]}"


def _jobs(count: int) -> str:
    return f"{count} job{'' if count == 1 else 's'}"


def _hours(hours: float) -> str:
    return f"{_tenths(hours)} h"


def _tenths(hours: float) -> str:
    """Hours of whole minutes to a tenth, as the tables tell them."""
    return decimal_text(Fraction(round(hours * 60), 60), 1)


def _fit(text: str, width: float, size: float) -> str:
    """The text, cut with an ellipsis where it is wider than ``width``."""
    if text_width(text, size) <= width:
        return text
    while text and text_width(text + "…", size) > width:
        text = text[:-1]
    return text.rstrip() + "…"
