"""``calfleet due``: what is due, most urgent first."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date, timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from calfleet.adapters.cli.app import (
    PLANNER,
    AsOfOption,
    FormatOption,
    SiteOption,
    app,
    refuse_existing,
    write_new,
)
from calfleet.adapters.cli.render import Column, Format, listing, paragraph
from calfleet.adapters.cli.workbooks import WorkbookOption, site_and_day, write_listing
from calfleet.errors import UsageError

if TYPE_CHECKING:
    from calfleet.records import DueLine
    from calfleet.services.list_due import DueList
    from calfleet.site import SiteFolder


@app.command(rich_help_panel=PLANNER)
def due(
    month: Annotated[
        str | None,
        typer.Option(metavar="YYYY-MM", help="Due by the end of that month (this month)."),
    ] = None,
    within: Annotated[
        int | None,
        typer.Option(metavar="DAYS", min=0, max=36500, help="Due within so many days, from today."),
    ] = None,
    as_of: AsOfOption = None,
    area: Annotated[
        list[str] | None, typer.Option(metavar="CODE", help="Only this area; may be repeated.")
    ] = None,
    criticality: Annotated[
        list[str] | None,
        typer.Option(
            metavar="WORD",
            help="Only safety, environment, production or general; may be repeated.",
        ),
    ] = None,
    quantity: Annotated[
        list[str] | None,
        typer.Option(
            metavar="WORD",
            help="Only pressure, differential pressure, vacuum or temperature; may be repeated.",
        ),
    ] = None,
    overdue: Annotated[bool, typer.Option("--overdue", help="Only what is overdue.")] = False,
    why: Annotated[bool, typer.Option("--why", help="Say for each why it is due then.")] = False,
    calendar: Annotated[
        Path | None,
        typer.Option(metavar="FILE", help="Write it as a calendar file (.ics), too."),
    ] = None,
    workbook: WorkbookOption = None,
    output: FormatOption = Format.TABLE,
    site: SiteOption = None,
) -> None:
    """List what is due, most urgent first, and whether a reference gauge will be at hand.

    What is overdue already is always listed. Each job is checked for a gauge that is valid, in
    range and good enough on the day the job is due (today, when it is overdue).
    """
    from calfleet.records import Criticality, Quantity
    from calfleet.scheduling.calendar import month_bounds
    from calfleet.services.list_due import Filters, list_due

    refuse_existing(calendar)
    folder, today = site_and_day(site, as_of, workbook)
    if month is not None and within is not None:
        raise UsageError(
            "Both --month and --within were given.",
            rule="The list has one end.",
            next_step="Give one of them.",
        )
    if within is not None:
        until = today + min(timedelta(days=within), date.max - today)
    else:
        until = month_bounds(today.isoformat()[:7] if month is None else month)[1]
    if area:
        _require_areas(folder, today, area)
    filters = Filters(
        areas=tuple(area or ()),
        criticalities=tuple(_word(Criticality, w, "criticality") for w in criticality or ()),
        quantities=tuple(_word(Quantity, w, "quantity") for w in quantity or ()),
        overdue_only=overdue,
    )
    with folder.asking() as reader:
        found = list_due(reader, as_of=today, until=until, filters=filters)
    listing(
        found.lines,
        columns(found.lines) if output is Format.TABLE else machine_columns(),
        output,
        title=f"Due by {found.until} as of {found.as_of}",
        footer=totals(found),
        empty="Nothing is due.",
        note=_why if why else None,
    )
    if calendar is not None:
        _write_calendar(folder, found, calendar)
    write_listing(
        workbook,
        folder,
        found.lines,
        machine_columns(),
        title="Due",
        heading=f"Due by {found.until}",
        as_of=found.as_of,
        notes=totals(found),
    )


def _write_calendar(folder: SiteFolder, found: DueList, calendar: Path) -> None:
    """The due list as an iCalendar file: one all-day event for each job."""
    from calfleet.adapters.documents.calendar_file import calendar_file, due_entries

    write_new(
        calendar,
        calendar_file(
            due_entries(found.lines), site=found.site, stamp=folder.now(), name="Calibration"
        ),
        newline="",
    )


def _require_areas(folder: SiteFolder, on: date, areas: list[str]) -> None:
    """Nothing when every one of ``areas`` is an area of the site.

    An empty list because of a misspelt area would read as: nothing to do.
    """
    from calfleet.services.look_up import switches_on

    with folder.reading() as session:
        switches_on(session, on, areas)


def _why(line: DueLine) -> str:
    ready = line.readiness
    return line.why if ready.ready else f"{line.why} No gauge then: {ready.reason}."


def _word(kind, text: str, name: str):  # type: ignore[no-untyped-def]
    words = [str(word) for word in kind]
    matches = [w for w in words if w == text.casefold()] or [
        w for w in words if w.startswith(text.casefold())
    ]
    if len(matches) == 1:
        return kind(matches[0])
    raise UsageError(
        f"{text!r} is not a {name}.",
        rule=f"A {name} is one of: {', '.join(words)}.",
        next_step="Use one of these words.",
    )


def columns(lines: Sequence[DueLine] = ()) -> list[Column[DueLine]]:
    """The columns of the table; what is due is told where it is more than the calibration."""
    from calfleet.services.list_due import CALIBRATION

    def left(line: DueLine) -> str:
        days = line.days_left or 0
        if line.status in ("due", "not due", "overdue"):
            return f"{-days} d overdue" if days < 0 else f"{days} d"
        return f"{-days} d late, {line.status}" if days < 0 else f"{days} d, {line.status}"

    def gauge(line: DueLine) -> str:
        ready = line.readiness
        if not ready.ready:
            return f"NONE: {ready.short}"
        back = f", back {ready.back_on}" if ready.back_on else ""
        return f"{ready.gauge} {ratio_text(ready.tur)}{back}"

    other = any(line.work != CALIBRATION for line in lines)
    work: Column[DueLine] = Column("What", "work", lambda x: x.work, fold=True)
    return [
        Column("Tag", "tag", lambda x: x.tag),
        Column("Service", "service", lambda x: x.service, fold=True),
        Column("Area", "area", lambda x: x.area),
        Column("Criticality", "criticality", lambda x: x.criticality),
        Column("Set point", "set_point", lambda x: x.set_points, fold=True),
        Column(
            "Last result",
            "last_result",
            lambda x: x.last_verdict if x.last_on is None else f"{x.last_on} {x.last_verdict}",
            fold=True,
        ),
        *([work] if other else []),
        Column("Due", "due_on", lambda x: x.due_on),
        Column("Left", "left", lambda x: x, left, right=True, fold=True),
        Column(
            "Bench h",
            "bench_hours",
            lambda x: x.bench_minutes / 60,
            hours,
            right=True,
            name="Bench time",
            unit="h",
        ),
        Column("Gauge then (TUR)", "gauge_then", lambda x: x, gauge, fold=True),
    ]


def hours(value: float) -> str:
    return f"{value:.1f}"


def machine_columns() -> list[Column[DueLine]]:
    """Columns for CSV and JSON: the table's, with the gauge in parts."""
    return [
        *(c for c in columns() if c.key not in ("gauge_then", "left")),
        Column("", "work", lambda x: x.work),
        Column("", "why", lambda x: x.why),
        Column("", "days_left", lambda x: x.days_left, name="Left", unit="d"),
        Column("", "status", lambda x: x.status),
        Column("", "quantity", lambda x: x.quantity),
        Column("", "outage_bound", lambda x: x.outage_bound),
        Column("", "last_calibration", lambda x: x.last_number),
        Column("", "last_done_on", lambda x: x.last_on),
        Column("", "latest_on", lambda x: x.latest_on),
        Column("", "gauge_ready", lambda x: x.readiness.ready),
        Column("", "gauge", lambda x: x.readiness.gauge),
        Column("", "gauge_tur", lambda x: x.readiness.tur, _cut, name="Gauge TUR"),
        Column("", "gauge_reason", lambda x: x.readiness.reason),
        Column("", "gauge_back_on", lambda x: x.readiness.back_on),
    ]


def _cut(tur: float) -> str:
    from calfleet.metrology.rounding import cut_ratio

    return cut_ratio(tur)


def ratio_text(tur: float | None) -> str:
    """A test uncertainty ratio as the trade writes it."""
    from calfleet.metrology.rounding import cut_ratio

    return "(not defined)" if tur is None else f"({cut_ratio(tur)}:1)"


def totals(found: DueList) -> list[str]:
    """The lines below the due list."""
    t = found.totals
    without = (
        [f"{t.before_use} without a date: to be calibrated before each use."]
        if t.before_use
        else []
    )
    if not t.count:
        return without
    by_area = ", ".join(f"{a} {m / 60:.1f} h" for a, m in t.minutes_by_area.items())
    return [
        "",
        f"{t.count} due: {t.overdue} overdue ({t.in_grace} of them within grace), "
        f"{t.bench_minutes / 60:.1f} bench hours; {t.without_gauge} without a valid and adequate "
        "reference gauge on the day.",
        paragraph(by_area, indent="By area: "),
        *without,
    ]
