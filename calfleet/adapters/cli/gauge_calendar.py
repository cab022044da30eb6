"""``calfleet gauge-schedule``: when gauges are away, which jobs then lack one, what can be done."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from calfleet.adapters.cli.app import (
    PLANNER,
    AsOfOption,
    FormatOption,
    SiteOption,
    app,
    day,
    refuse_existing,
    write_new,
)
from calfleet.adapters.cli.render import Column, Format, listing, paragraph
from calfleet.adapters.cli.workbooks import (
    Book,
    WorkbookOption,
    listing_and_book,
    site_and_day,
    write_listing,
)
from calfleet.errors import UsageError

if TYPE_CHECKING:
    from calfleet.adapters.documents.gauge_picture import GaugeRow
    from calfleet.scheduling.gauge_plan import LapseImpact, Use
    from calfleet.services.schedule_gauges import GaugeSchedule


@app.command("gauge-schedule", rich_help_panel=PLANNER)
def gauge_schedule(
    weeks: Annotated[
        int, typer.Option(metavar="NUMBER", min=1, max=156, help="How far to look ahead.")
    ] = 52,
    in_conflict: Annotated[
        bool, typer.Option("--conflicts", help="The jobs that lack a gauge or a person.")
    ] = False,
    if_lapses: Annotated[
        str | None,
        typer.Option(metavar="GAUGE", help="The jobs that this gauge's lapse would block."),
    ] = None,
    lapses_on: Annotated[
        str | None,
        typer.Option(metavar="DATE", help="From when on it is not there (after its last day)."),
    ] = None,
    back_on: Annotated[
        str | None, typer.Option(metavar="DATE", help="When it would be back (not at all).")
    ] = None,
    picture: Annotated[
        Path | None, typer.Option(metavar="FILE", help="Draw it as SVG into this new file, too.")
    ] = None,
    as_of: AsOfOption = None,
    workbook: WorkbookOption = None,
    output: FormatOption = Format.TABLE,
    site: SiteOption = None,
) -> None:
    """Show when each gauge is sent and back, its spares, and the jobs it is wanted for.

    A gauge is sent so that it is back, with transit, laboratory and review, on its last day, or in
    the absence on record; its next interval counts from its calibration. Jobs are those of the
    last accepted plan, and by due date what that plan does not hold.
    """
    from calfleet.services.schedule_gauges import if_lapses as service
    from calfleet.services.schedule_gauges import schedule_gauges

    if in_conflict and if_lapses is not None:
        raise UsageError(
            "Both --conflicts and --if-lapses were given.",
            rule="One question is answered at a time.",
            next_step="Give one of them.",
        )
    if if_lapses is None and (lapses_on is not None or back_on is not None):
        raise UsageError(
            "--lapses-on or --back-on was given without --if-lapses.",
            rule="These days belong to the gauge that lapses.",
            next_step="Name the gauge with --if-lapses.",
        )
    refuse_existing(picture)
    folder, today = site_and_day(site, as_of, workbook)
    with folder.reading() as session:
        found = schedule_gauges(session, as_of=today, weeks=weeks)
    if if_lapses is not None:
        impact = service(
            found,
            if_lapses,
            lapses_on=None if lapses_on is None else day(lapses_on, today),
            back_on=None if back_on is None else day(back_on, today),
        )
        _show_impact(
            impact, found, output, Book(workbook, folder, f"If {impact.gauge} lapses", today)
        )
    elif in_conflict:
        _show_conflicts(found, output, Book(workbook, folder, "Conflicts", today))
    else:
        _show_gauges(found, output, Book(workbook, folder, "Gauge schedule", today))
    if picture is not None:
        from calfleet.adapters.documents import gauge_picture

        blocked = {c.key for c in found.gauge_conflicts}
        without = [
            gauge_picture.Tick(u.day, u.job.tag, lacks=True)
            for u in found.uses
            if u.job.key in blocked and found.gauge_for(u) is None
        ]
        drawn = gauge_picture.svg(_rows(found, blocked), found.as_of, found.until, without=without)
        write_new(picture, drawn)


def _basis(found: GaugeSchedule) -> str:
    if found.plan is None:
        return "No plan is accepted yet: jobs are taken on their due dates."
    others = sum(source != found.plan for source in found.source.values())
    rest = f"; {others} jobs that it does not hold on their due dates" if others else ""
    return f"Jobs as in plan {found.plan}{rest}."


# --- the gauges ---------------------------------------------------------------------------


def _show_gauges(found: GaugeSchedule, output: Format, book: Book) -> None:
    listing_and_book(
        found.lines,
        [
            Column("Gauge", "gauge", lambda x: x.gauge.code),
            Column("What it is", "description", lambda x: x.gauge.description, fold=True),
            Column("Laboratory", "laboratory", lambda x: x.certificate.laboratory),
            Column("Due", "due_on", lambda x: x.due_on),
            Column("Send by", "send_by", lambda x: x.send_by),
            Column("Away from", "away_first_on", lambda x: x.away and x.away.first),
            Column("to", "away_last_on", lambda x: x.away and x.away.last, name="Away until"),
            Column("Usable from", "back_on", lambda x: x.back_on),
            Column("Out of date", "days_out_of_date", lambda x: x.days_out_of_date,
                   lambda n: f"{n} d" if n else "", right=True, unit="d"),
            Column("Jobs", "jobs", lambda x: x.jobs, right=True),
            Column("While away", "jobs_while_away", lambda x: x.while_away, right=True),
            Column("None else", "jobs_without_gauge", lambda x: len(x.without),
                   lambda n: str(n or ""), right=True),
            Column("Spares", "spares", lambda x: ", ".join(s.text for s in x.spares[:3]),
                   fold=True),
            Column("Standing", "standing", lambda x: x.standing, fold=True),
            Column("", "certificate", lambda x: x.certificate.number),
            Column("", "transit_days", lambda x: x.transit_days, name="On the way", unit="d"),
            Column("", "laboratory_days", lambda x: x.laboratory_days, name="There", unit="d"),
            Column("", "review_days", lambda x: x.review_days, name="Review", unit="d"),
            Column("", "next_due_on", lambda x: x.trip and x.trip.next_due_on, name="Next due"),
            Column("", "jobs_blocked", lambda x: "; ".join(x.without)),
        ],
        output,
        book,
        title=f"Reference gauges from {found.as_of} to {found.until}",
        empty="No gauge has a certificate.",
        footer=_gauge_footer(found),
    )  # fmt: skip


def _gauge_footer(found: GaugeSchedule) -> list[str]:
    lapsing = sorted({x.gauge.code for x in found.lines if x.days_out_of_date})
    lines = [
        "",
        paragraph(
            "Jobs: those it is wanted for. Spares: other gauges, with how many of all the jobs it "
            "could do they can do too. Send by: the last working day that will do. While away: "
            "jobs it could do in its absence or before it is back; None else: those of them that "
            "no other gauge can do."
        ),
        paragraph(_basis(found)),
    ]
    if lapsing:
        lines.append(paragraph(f"Out of date before they are back: {', '.join(lapsing)}."))
    for laboratory in sorted({x.without_terms for x in found.lines} - {""}):
        gauges = sorted({x.gauge.code for x in found.lines if x.without_terms == laboratory})
        lines.append(
            paragraph(
                f"Terms of {laboratory} are not entered: when {', '.join(gauges)} would be back "
                "from the next calibration is not known, so nothing is planned with them after "
                f"their due dates. 'calfleet shop set-terms {laboratory}' enters the terms."
            )
        )
    count = len(found.gauge_conflicts) + len(found.person_conflicts)
    if count:
        lines.append(f"{count} conflicts: 'calfleet gauge-schedule --conflicts' lists them.")
    return lines


# --- conflicts ----------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class ConflictRow:
    """One conflict, or in machine formats one way out of it."""

    kind: str
    tag: str
    day: date
    planned: str
    reason: str
    choices: tuple[str, ...]
    choice: str = ""
    what: str = ""
    on: date | None = None
    also_blocks: str = ""
    source: str = ""
    advice: str = ""


def _show_conflicts(found: GaugeSchedule, output: Format, book: Book) -> None:
    every = _conflict_rows(found, every_choice=True)
    rows = _conflict_rows(found, every_choice=False) if output is Format.TABLE else every
    columns: list[Column[ConflictRow]] = [
        Column("Lacks", "lacks", lambda x: x.kind),
        Column("Tag", "tag", lambda x: x.tag),
        Column("Day", "day", lambda x: x.day),
        Column("From", "day_from", lambda x: x.source, fold=True, name="Day from"),
        Column("Planned with", "planned_with", lambda x: x.planned),
        Column("Why", "why", lambda x: x.reason, fold=True),
        Column("", "choice", lambda x: x.choice or None),
        Column("", "choice_text", lambda x: x.choices[0] if x.choices else None),
        Column("", "choice_with", lambda x: x.what or None),
        Column("", "choice_on", lambda x: x.on),
        Column("", "also_blocks", lambda x: x.also_blocks or None),
        Column("", "advice", lambda x: x.advice or None),
    ]
    title = f"Jobs without a gauge or a person, {found.as_of} to {found.until}"
    footer = ["", *_how(rows), paragraph(_basis(found))]
    listing(
        rows,
        columns,
        output,
        title=title,
        empty="Every job has a gauge that is valid, in range and good enough on its day, and "
        "somebody qualified.",
        note=_choices_note,
        footer=footer,
    )
    write_listing(
        book.path, book.folder, every, columns, title=book.title, heading=title,
        as_of=book.as_of, notes=footer, frozen=3,
    )  # fmt: skip


def _how(rows: Sequence[ConflictRow]) -> list[str]:
    """How a choice is entered."""
    if not any(row.choices for row in rows):
        return []
    return [
        paragraph(
            "A job's week, person or gauge is fixed with 'calfleet plan fix TAG --week YYYY-Www'; "
            "when a gauge is to be away is entered with 'calfleet shop add-absence'."
        )
    ]


def _choices_note(row: ConflictRow) -> str:
    if not row.choices:
        return row.advice
    return " ".join(f"({n}) {text}" for n, text in enumerate(row.choices, start=1))


def _conflict_rows(found: GaugeSchedule, *, every_choice: bool) -> list[ConflictRow]:
    by_key = {u.job.key: u for u in found.uses}
    rows: list[ConflictRow] = []
    for gauge in found.gauge_conflicts:
        use = by_key[gauge.key]
        why = "; ".join(f"{code} {reason}" for code, reason in gauge.missing)
        one = ConflictRow(
            "gauge",
            gauge.tag,
            gauge.day,
            use.gauge or "",
            why or "no gauge is in range and good enough",
            tuple(c.text for c in gauge.choices),
            source=found.source[gauge.key],
            advice=found.advice.get(gauge.key, ""),
        )
        told = [(str(c.kind), c.text, c.gauge, c.day, "; ".join(c.also_blocks))
                for c in gauge.choices]  # fmt: skip
        rows += _each(one, told) if every_choice else [one]
    for person in found.person_conflicts:
        use = by_key[person.key]
        one = ConflictRow(
            "person",
            person.tag,
            person.day,
            use.person or "",
            person.reason,
            tuple(c.text for c in person.choices),
            source=found.source[person.key],
            advice=found.advice.get(person.key, ""),
        )
        told = [(str(c.kind), c.text, c.person, c.day, "") for c in person.choices]
        rows += _each(one, told) if every_choice else [one]
    return sorted(rows, key=lambda r: (r.day, r.tag, r.kind))


def _each(row: ConflictRow, told: list[tuple[str, str, str, date, str]]) -> list[ConflictRow]:
    """A row for each choice, or the one row without any."""
    if not told:
        return [row]
    return [
        replace(row, choice=kind, choices=(text,), what=what, on=on, also_blocks=also)
        for kind, text, what, on, also in told
    ]


# --- a lapse ------------------------------------------------------------------------------


def _show_impact(impact: LapseImpact, found: GaugeSchedule, output: Format, book: Book) -> None:
    rows: list[tuple[Use, str]] = [(u, "") for u in impact.blocked]
    rows += list(impact.can_move)
    rows.sort(key=lambda r: (r[0].day, r[0].job.key))
    listing_and_book(
        rows,
        [
            Column("Day", "day", lambda x: x[0].day),
            Column("Tag", "tag", lambda x: x[0].job.tag),
            Column("Area", "area", lambda x: x[0].job.area),
            Column("Criticality", "criticality", lambda x: x[0].job.criticality),
            Column("Due", "due_on", lambda x: x[0].job.due_on),
            Column("Latest", "latest_on", lambda x: x[0].job.latest_on),
            Column(
                "Minutes",
                "bench_minutes",
                lambda x: x[0].job.minutes,
                right=True,
                name="Bench time",
                unit="min",
            ),
            Column("Blocked", "blocked", lambda x: not x[1]),
            Column("Else with", "other_gauge", lambda x: x[1] or None),
        ],
        output,
        book,
        title=f"If {impact.gauge} lapses on {impact.lapses_on}",
        empty="No job would lack a gauge or need another one.",
        footer=["", paragraph(impact.text), paragraph(_basis(found))],
    )


def _rows(found: GaugeSchedule, blocked: set[str]) -> list[GaugeRow]:
    """The gauges as the picture takes them."""
    from calfleet.adapters.documents.gauge_picture import GaugeRow, Tick
    from calfleet.scheduling.calendar import Window

    rows = []
    for care in found.cares:
        free = found.fleet.free[care.code]
        lines = [x for x in found.lines if x.gauge.code == care.code]
        ticks = [
            Tick(use.day, use.job.tag, use.job.key in blocked)
            for use in found.uses
            if found.gauge_for(use) == care.code
        ]
        lapses = [
            Window(x.trip.due_on, x.trip.back_on, "out of date")
            for x in lines
            if x.trip is not None and x.trip.days_lapsed
        ]
        rows.append(
            GaugeRow(
                care.code,
                lines[0].gauge.description if lines else "",
                free.valid,
                free.away,
                tuple(lapses),
                tuple(ticks),
            )
        )
    return rows
