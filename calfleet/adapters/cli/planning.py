"""Looking ahead: ``forecast`` and ``defer``."""

from __future__ import annotations

from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from calfleet.adapters.cli.app import (
    PLANNER,
    AsOfOption,
    FormatOption,
    PersonOption,
    SiteOption,
    app,
    day,
    refuse_existing,
    write_new,
)
from calfleet.adapters.cli.render import Column, Format, listing, paragraph
from calfleet.adapters.cli.workbooks import WorkbookOption, site_and_day, write_listing

if TYPE_CHECKING:
    from collections.abc import Callable

    from calfleet.scheduling.forecast import CapacityLine
    from calfleet.services.forecast_load import Forecast


class Split(StrEnum):
    """By what the load is split."""

    AREA = "area"
    QUANTITY = "quantity"
    CRITICALITY = "criticality"
    GAUGE = "gauge"


class Step(StrEnum):
    WEEK = "week"
    MONTH = "month"


@app.command(rich_help_panel=PLANNER)
def forecast(
    months: Annotated[
        int, typer.Option(metavar="NUMBER", min=1, max=120, help="How far to look ahead.")
    ] = 12,
    by: Annotated[Split, typer.Option(help="What to split the load by.")] = Split.AREA,
    step: Annotated[Step, typer.Option("--per", help="Sum up by week or by month.")] = Step.MONTH,
    as_of: AsOfOption = None,
    picture: Annotated[
        Path | None, typer.Option(metavar="FILE", help="Draw it as SVG into this new file, too.")
    ] = None,
    calendar: Annotated[
        Path | None,
        typer.Option(metavar="FILE", help="Write the jobs as a calendar file (.ics), too."),
    ] = None,
    workbook: WorkbookOption = None,
    output: FormatOption = Format.TABLE,
    site: SiteOption = None,
) -> None:
    """Forecast jobs and bench hours, with what recurs, against the hours of the shop.

    Every job is taken as done on its due date, and what is overdue as done at once: the load if
    nothing is moved. Hours are those of the technicians with bench hours, less what holidays,
    closures of the shop and their own leave take away.
    """
    from calfleet.scheduling.forecast import Period
    from calfleet.services.forecast_load import GroupBy, forecast_load

    refuse_existing(picture)
    refuse_existing(calendar)
    folder, today = site_and_day(site, as_of, workbook)
    with folder.asking() as reader:
        found = forecast_load(
            reader,
            as_of=today,
            months=months,
            period=Period(step.value),
            group_by=GroupBy(by.value),
        )
    rows = _rows(found)
    listing(
        rows,
        _columns(found, output),
        output,
        title=f"Bench hours by {by.value}, {found.span.first} to {found.span.last}",
        footer=_footer(found),
        empty="No job falls into these months.",
    )
    write_listing(
        workbook,
        folder,
        rows,
        _columns(found, Format.JSON),
        title="Forecast",
        heading=f"Bench hours by {by.value}, {found.span.first} to {found.span.last}",
        as_of=today,
        notes=_footer(found),
    )
    if picture is not None:
        from calfleet.adapters.documents import load_picture

        drawn = load_picture.svg(
            found.lines,
            capacity=found.capacity,
            closed=found.closed,
            absences=[
                *([load_picture.Strip("outages", found.shutdowns)] if found.shutdowns else []),
                *(load_picture.Strip(name, windows) for name, windows in found.absences),
                *(load_picture.Strip(f"{who} on leave", windows) for who, windows in found.leaves),
            ],
            title=f"Bench hours by {by.value}, {found.span.first} to {found.span.last}",
            group_name=by.value,
        )
        write_new(picture, drawn)
    if calendar is not None:
        from calfleet.adapters.documents.calendar_file import calendar_file, forecast_entries

        text = calendar_file(
            forecast_entries(found.jobs),
            site=found.site,
            stamp=folder.now(),
            name="Calibration forecast",
        )
        write_new(calendar, text, newline="")


def _rows(found: Forecast) -> list[dict[str, Any]]:
    """One row a period: hours by group, jobs, total, capacity."""
    rows: dict[str, dict[str, Any]] = {}
    for line in found.lines:
        row = rows.setdefault(
            line.period,
            {"period": line.period, "first_on": line.first, "jobs": 0, "hours": 0.0, "groups": {}},
        )
        row["groups"][line.group] = line.bench_minutes / 60
        row["jobs"] += line.jobs
        row["hours"] += line.bench_minutes / 60
    for held in found.capacity:
        if held.period in rows:
            rows[held.period]["capacity"] = held.capacity_minutes / 60
            rows[held.period]["share"] = held.share
            rows[held.period]["lost"] = held
    return list(rows.values())


BAR = 20


def _columns(found: Forecast, output: Format) -> list[Column[dict[str, Any]]]:
    def hours(value: float) -> str:
        return f"{value:.1f}" if value else "·"

    def group(name: str) -> Column[dict[str, Any]]:
        key = f"hours_{name.replace(' ', '_')}"
        return Column(
            name,
            key,
            lambda r: r["groups"].get(name, 0.0),
            hours,
            right=True,
            unit="h",
            digits=lambda _: 1,
        )

    shown: list[Column[dict[str, Any]]] = [
        Column(str(found.period).capitalize(), "period", lambda r: r["period"]),
        Column("Jobs", "jobs", lambda r: r["jobs"], right=True),
        *(group(name) for name in found.groups),
        Column("Hours", "hours", lambda r: r["hours"], hours, right=True, name="All", unit="h"),
    ]
    if found.capacity:
        shown += [
            Column(
                "Shop has",
                "capacity_hours",
                lambda r: r.get("capacity"),
                hours,
                right=True,
                unit="h",
            ),
            *_lost(found),
            Column(
                "Load",
                "load_share",
                lambda r: r.get("share"),
                lambda s: f"{100 * s:4.0f} % {_bar(s)}",
            ),
        ]
    if output is not Format.TABLE:
        shown.insert(1, Column("", "first_on", lambda r: r["first_on"]))
    return shown


def _lost(found: Forecast) -> list[Column[dict[str, Any]]]:
    """What holidays, closures and leave take of the shop's hours; in the table only if they do."""
    kinds: list[tuple[str, Callable[[CapacityLine], float]]] = [
        ("holidays", lambda line: line.holiday_minutes / 60),
        ("closures", lambda line: line.closure_minutes / 60),
        ("leave", lambda line: line.leave_minutes / 60),
    ]

    def told(line: CapacityLine) -> str:
        return ", ".join(f"{value(line):.1f} {name}" for name, value in kinds if value(line))

    def figure(name: str, value: Callable[[CapacityLine], float]) -> Column[dict[str, Any]]:
        return Column(
            "",
            f"lost_to_{name}_hours",
            lambda r: None if "lost" not in r else value(r["lost"]),
            name=f"Lost to {name}",
            unit="h",
            digits=lambda _: 1,
        )

    columns = [figure(name, value) for name, value in kinds]
    if any(line.lost_minutes for line in found.capacity):
        columns.append(Column("Lost", "", lambda r: r.get("lost"), told, table_only=True))
    return columns


def _bar(share: float) -> str:
    """A bar up to twice the capacity, with a mark where the capacity ends."""
    filled = min(BAR * 2, round(share * BAR))
    if filled <= BAR:
        return "█" * filled + "·" * (BAR - filled) + "│"
    return "█" * BAR + "│" + "▓" * (filled - BAR)


def _footer(found: Forecast) -> list[str]:
    hours = sum(line.bench_minutes for line in found.lines) / 60
    recurring = sum(job.recurs for job in found.jobs)
    lines = [
        "",
        f"{len(found.jobs)} jobs, {hours:.1f} bench hours; {recurring} jobs come round again "
        "inside these months.",
    ]
    if not found.capacity:
        lines.append(
            "No technician has bench hours on record: nothing to compare with. "
            "'calfleet shop set-hours' enters them."
        )
    if found.no_time:
        lines.append(
            f"The shop has no bench time from {found.span.first} to {found.span.last}: "
            f"{found.no_time}. 'calfleet shop calendar' and 'calfleet shop hours' list what is "
            "entered."
        )
    elif any(line.lost_minutes for line in found.capacity):
        lines.append(
            "Lost of the shop's hours: "
            + ", ".join(
                f"{minutes / 60:.1f} h to {name}"
                for name, minutes in (
                    ("holidays", sum(x.holiday_minutes for x in found.capacity)),
                    ("closures", sum(x.closure_minutes for x in found.capacity)),
                    ("leave", sum(x.leave_minutes for x in found.capacity)),
                )
                if minutes
            )
            + "."
        )
    for line in found.capacity:
        if line.bench_minutes > line.capacity_minutes:
            lines.append(
                f"{line.period}: {(line.bench_minutes - line.capacity_minutes) / 60:.1f} h more "
                "than the shop has."
            )
    for window in found.closed:
        if window.days > 1:
            lines.append(f"{window.name}: shop closed {window.first} to {window.last}.")
    for person, windows in found.leaves:
        days = ", ".join(f"{w.first} to {w.last}" for w in windows)
        lines.append(f"{person} on leave: {days}.")
    for window in found.shutdowns:
        lines.append(f"{window.name}: {window.first} to {window.last}.")
    return lines


@app.command(rich_help_panel=PLANNER)
def defer(
    tag: Annotated[str, typer.Argument(metavar="TAG", help="The switch's tag.")],
    until: Annotated[str, typer.Option(metavar="DATE", help="The new last day.")],
    reason: Annotated[str, typer.Option(metavar="TEXT", help="Why the date cannot be kept.")],
    risk: Annotated[
        str,
        typer.Option(metavar="TEXT", help="What the delay risks, and what is watched instead."),
    ],
    requested_by: Annotated[str, typer.Option(metavar="PERSON", help="Who asks.")],
    approved_by: Annotated[
        str, typer.Option(metavar="PERSON", help="Who approves: another person, an approver.")
    ],
    requested_on: Annotated[
        str | None, typer.Option(metavar="DATE", help="When it was asked for (today).")
    ] = None,
    approved_on: Annotated[
        str | None, typer.Option(metavar="DATE", help="When it was approved (today).")
    ] = None,
    person: PersonOption = None,
    site: SiteOption = None,
) -> None:
    """Put a due date off, as a record: reason, risk, requester, a different approver.

    The due date itself is kept and shown with the deferral. A deferral is approved before the
    date it puts off, once between two calibrations.
    """
    from calfleet.services.defer import defer as service
    from calfleet.services.look_up import person_code
    from calfleet.site import find_site

    folder = find_site(site)
    today = folder.today()
    with folder.reading() as session:
        actor = person_code(session, person or requested_by)
    with folder.work(actor=actor, action="defer", subject=tag, reason=reason) as work:
        made, standing = service(
            work,
            tag,
            until=day(until, today),
            reason=reason,
            risk=risk,
            requested_by=requested_by,
            requested_on=day(requested_on, today),
            approved_by=approved_by,
            approved_on=day(approved_on, today),
            today=today,
        )
        work.commit()
    print(f"Deferred {made.tag}: due {made.due_on}, now until {made.until}.")
    print(paragraph(standing.why))
