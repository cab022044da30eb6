"""``calfleet doubt``: a gauge found bad from its report to its closing."""

from __future__ import annotations

import json
from contextlib import contextmanager
from datetime import date
from decimal import Decimal
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from calfleet.adapters.cli.app import (
    AUDITOR,
    FormatOption,
    Group,
    PersonOption,
    SiteOption,
    app,
    day,
    named,
    refuse_existing,
    write_new,
)
from calfleet.adapters.cli.doubts import ReportFormat
from calfleet.adapters.cli.render import (
    Column,
    Format,
    csv_text,
    paragraph,
    terminal_width,
)
from calfleet.adapters.cli.workbooks import Book, WorkbookOption, listing_and_book, site_and_day
from calfleet.errors import UsageError

if TYPE_CHECKING:
    from collections.abc import Iterator

    from calfleet.records import ErrorPoint, FoundBadKind
    from calfleet.services.show_event import EventLine
    from calfleet.site import SiteFolder

doubt_app = typer.Typer(
    cls=Group,
    no_args_is_help=True,
    rich_markup_mode=None,
    help="Gauges found bad: reported, decided about, told, closed.",
)
app.add_typer(doubt_app, name="doubt", rich_help_panel=AUDITOR)

EventArgument = Annotated[
    str, typer.Argument(metavar="EVENT", help="The event's number, such as E2026-001.")
]


class Decision(StrEnum):
    """What can be decided about a result."""

    RECALL = "recall"
    ASSESS = "assess"
    NONE = "none"


class Outcome(StrEnum):
    """The outcomes by which results can be named together."""

    KEPT = "kept"
    NOT_SURE = "no longer sure"
    FALSELY_REJECTED = "falsely rejected"
    FLIPPED_OUT = "flipped to out of tolerance"


@doubt_app.command("report")
def report(
    gauge: Annotated[str, typer.Argument(metavar="GAUGE", help="The gauge found bad.")],
    certificate: Annotated[
        str | None,
        typer.Option(
            metavar="NUMBER",
            help="Whose as-found lines show the errors (else the newest), or which was withdrawn.",
        ),
    ] = None,
    error: Annotated[
        list[str] | None,
        typer.Option(
            metavar="INDICATION=ERROR",
            help="An error found where no certificate states it, or that the withdrawn one should "
            "have stated: indication minus reference; ' rising' or ' falling' after it. Repeat.",
        ),
    ] = None,
    unit: Annotated[
        str, typer.Option(metavar="UNIT", help="The unit of the errors; else the gauge's.")
    ] = "",
    lost: Annotated[bool, typer.Option("--lost", help="It is lost.")] = False,
    damaged: Annotated[bool, typer.Option("--damaged", help="It is damaged.")] = False,
    withdrawn: Annotated[
        bool, typer.Option("--withdrawn", help="The certificate was withdrawn.")
    ] = False,
    found_on: Annotated[
        str | None, typer.Option(metavar="DATE", help="When it was found (today).")
    ] = None,
    note: Annotated[str, typer.Option(metavar="TEXT", help="What happened, in words.")] = "",
    person: PersonOption = None,
    site: SiteOption = None,
) -> None:
    """Report a gauge found bad: with errors, lost, damaged, or on a withdrawn certificate.

    From then on the gauge is not to be used until it is calibrated again, and every result that
    rests on it waits for a decision.
    """
    from calfleet.services.report_event import NewEvent, report_event
    from calfleet.site import find_site
    from calfleet.traceability.words import counted

    kind = _kind(lost=lost, damaged=damaged, withdrawn=withdrawn)
    points = tuple(_error_point(text) for text in error or ())
    folder = find_site(site)
    today = folder.today()
    when = None if found_on is None else day(found_on, today)
    new = NewEvent(gauge, kind, certificate, when, points, unit, note)
    with entered(folder, person, "report gauge found bad", gauge, note) as (work, who):
        made = report_event(work, new, person=who, today=today)
        work.commit()
    event, found = made.event, made.found
    good = found.last_good
    print(paragraph(f"{event.number}: {event.gauge}, {event.kind}, found on {event.found_on}."))
    if made.withdrawn:
        print(paragraph(f"Certificate {event.certificate} is withdrawn from {event.found_on} on."))
    print(
        paragraph(
            f"Counted from {good.on} ({good.how}): "
            f"{counted(len(made.affected.calibrations), 'calibration')} and "
            f"{counted(len(made.affected.certificates), 'certificate')} of other gauges rest on it."
        )
    )
    for text in found.left_out:
        print(paragraph(f"! {text}"))
    if not found.constant and event.certificate is None:
        print(paragraph(f"{event.gauge} is not to be used until it is calibrated again."))
    print(
        paragraph(
            f"'calfleet doubt show {event.number}' judges them again; 'calfleet doubt decide' and "
            "'calfleet doubt tell' put on record what follows."
        )
    )


def _kind(*, lost: bool, damaged: bool, withdrawn: bool) -> FoundBadKind:
    from calfleet.records import FoundBadKind

    if lost + damaged + withdrawn > 1:
        raise UsageError(
            "More than one of --lost, --damaged and --withdrawn.",
            rule="An event is of one kind.",
            next_step="Give one of them, and report the other as an event of its own.",
        )
    if lost:
        return FoundBadKind.LOST
    if damaged:
        return FoundBadKind.DAMAGED
    return FoundBadKind.WITHDRAWN if withdrawn else FoundBadKind.AS_FOUND


def decimal(text: str) -> Decimal:
    """A number as typed, its digits kept.

    Raises: BadNumber.
    """
    from calfleet.metrology.readings import parse_number

    parse_number(text)
    return Decimal(text.strip().replace("−", "-"))


def pair(text: str, option: str, shown: str) -> tuple[str, str]:
    """The two sides of what was typed as ``LEFT=RIGHT``.

    Raises: UsageError.
    """
    left, equals, right = text.partition("=")
    if not equals or not left.strip() or not right.strip():
        raise UsageError(
            f"{option} {text!r} is not two numbers.",
            rule=f"It is typed {shown}.",
            next_step="Type both numbers with an equals sign between them.",
        )
    return left, right


def _error_point(text: str) -> ErrorPoint:
    from calfleet.metrology.direction import Direction
    from calfleet.records import ErrorPoint

    indication, rest = pair(text, "--error", "INDICATION=ERROR, such as 10.00=+0.05")
    number, _, way = rest.strip().partition(" ")
    ways = {str(d): d for d in Direction}
    if way and way.strip() not in ways:
        raise UsageError(
            f"{way!r} is no way of approach.",
            rule="An indication is approached rising or falling.",
            next_step="Write 'rising' or 'falling' after the error, or nothing.",
        )
    return ErrorPoint(decimal(indication), decimal(number.removeprefix("+")), ways.get(way.strip()))


@contextmanager
def entered(
    folder: SiteFolder, person: str | None, action: str, subject: str, reason: str
) -> Iterator[tuple[Any, str]]:
    """A unit of work by a person who is known, and the person's code."""
    from calfleet.services.look_up import person_code

    person = named(person)
    with folder.reading() as session:
        who = person_code(session, person)
    with folder.work(actor=who, action=action, subject=subject, reason=reason) as work:
        yield work, who


@doubt_app.command("list")
def list_events(
    open_only: Annotated[
        bool, typer.Option("--open", help="Only events that are not closed.")
    ] = False,
    workbook: WorkbookOption = None,
    output: FormatOption = Format.TABLE,
    site: SiteOption = None,
) -> None:
    """List the events, with what each touches and what is still to be decided."""
    from calfleet.services.show_event import event_lines

    folder, today = site_and_day(site, None, workbook)
    with folder.reading() as session:
        rows = [x for x in event_lines(session) if not open_only or x.held.closure is None]
    columns: list[Column[EventLine]] = [
        Column("Event", "event", lambda x: x.held.number),
        Column("Gauge", "gauge", lambda x: x.held.event.gauge),
        Column("What", "kind", lambda x: x.held.event.kind, fold=True),
        Column("Certificate", "certificate", lambda x: x.held.event.certificate),
        Column("Found on", "found_on", lambda x: x.held.event.found_on),
        Column("Since", "since", lambda x: x.since),
        Column("By", "reported_by", lambda x: x.held.event.reported_by),
        Column("Touched", "touched", lambda x: x.touched, right=True),
        Column("Undecided", "undecided", lambda x: x.undecided, right=True),
        Column("Told", "told", lambda x: len(x.held.notices), right=True),
        Column("State", "state", lambda x: x.state, fold=True),
    ]
    listing_and_book(
        rows,
        columns,
        output,
        Book(workbook, folder, "Gauges found bad", today),
        title="Gauges found bad, in the order reported (calibrations touched and undecided)",
        footer=["", "'calfleet doubt show EVENT' judges every result again."],
        empty="No gauge was reported.",
    )


@doubt_app.command("show")
def show(
    event: EventArgument,
    all_kept: Annotated[
        bool, typer.Option("--all", help="List the results that stand, too.")
    ] = False,
    output: Annotated[
        ReportFormat,
        typer.Option(
            "--format",
            "-f",
            metavar="FORMAT",
            help="text, csv (each result with its decision), json, svg, or prov (W3C PROV, JSON).",
        ),
    ] = ReportFormat.TEXT,
    out: Annotated[
        Path | None, typer.Option(metavar="FILE", help="Write to this new file.")
    ] = None,
    site: SiteOption = None,
) -> None:
    """Show an event: every result judged again, decisions, who was told, what is open."""
    from calfleet.adapters.cli.impact_tables import decided_columns
    from calfleet.adapters.documents import event_views
    from calfleet.services.show_event import dossier
    from calfleet.site import find_site
    from calfleet.traceability.dossier import covered

    refuse_existing(out)
    folder = find_site(site)
    with folder.reading() as session:
        found = dossier(session, event, today=folder.today())
    if output is ReportFormat.TEXT:
        wide = min(110, terminal_width())
        text = event_views.report_text(found, wide, most_kept=None if all_kept else 0)
    elif output is ReportFormat.JSON:
        text = json.dumps(event_views.to_plain(found), indent=2, ensure_ascii=False)
    elif output is ReportFormat.CSV:
        rows = list(covered(found.held, found.impact.rows))
        text = csv_text(rows, decided_columns()).removesuffix("\n")
    elif output is ReportFormat.PROV:
        from calfleet.adapters.documents.prov_export import dossier_to_prov, prov_text

        text = prov_text(dossier_to_prov(found)).rstrip("\n")
    else:
        text = event_views.svg(found)
    if out is None:
        print(text)
    else:
        write_new(out, text + "\n")


@doubt_app.command("decide")
def decide(
    event: EventArgument,
    action: Annotated[
        Decision,
        typer.Argument(
            metavar="ACTION", help="recall (due at once), assess (looked into), or none."
        ),
    ],
    calibration: Annotated[
        list[str] | None,
        typer.Argument(metavar="[CALIBRATION]...", help="The calibrations decided about."),
    ] = None,
    outcome: Annotated[
        list[Outcome] | None,
        typer.Option(
            "--all", metavar="OUTCOME", help="All of this outcome not decided about yet. Repeat."
        ),
    ] = None,
    reason: Annotated[str, typer.Option(metavar="TEXT", help="Why.")] = "",
    person: PersonOption = None,
    site: SiteOption = None,
) -> None:
    """Decide about results that an event touches, as a reviewer or approver.

    Outcomes: kept, 'no longer sure', 'falsely rejected', 'flipped to out of tolerance'. A later
    decision about the same calibration stands.
    """
    from calfleet.records import Action
    from calfleet.services.decide_event import decide as service
    from calfleet.services.decide_event import milder
    from calfleet.site import find_site
    from calfleet.traceability.impact import Consequence
    from calfleet.traceability.words import counted

    folder = find_site(site)
    with entered(folder, person, "decide about results in doubt", event, reason) as (work, who):
        made = service(
            work,
            event,
            Action(action.value),
            calibrations=calibration or (),
            outcomes=[Consequence(o.value) for o in outcome or ()],
            reason=reason,
            person=who,
            today=folder.today(),
        )
        work.commit()
    for one, about in made.made:
        again = f" (decision {one.decision})" if one.decision > 1 else ""
        print(
            paragraph(
                f"{one.calibration} {about.tag}, {about.criticality}, {about.consequence}: "
                f"{one.action}{again}."
                + (f" Proposed was: {about.proposed}." if milder(one.action, about) else "")
            )
        )
    due = [about.tag for one, about in made.made if one.action is Action.RECALL]
    due = [tag for tag in dict.fromkeys(due) if tag not in made.done_since]
    if due:
        print(paragraph(f"Due at once until calibrated: {', '.join(due)}."))
    if made.done_since:
        tags = ", ".join(made.done_since)
        print(
            paragraph(
                f"! {tags}: calibrated since the gauge was found bad, so the recall makes nothing "
                "due."
            )
        )
    left = counted(made.left, "calibration")
    print(f"{left} without a decision." if made.left else "Every calibration is decided upon.")


@doubt_app.command("tell")
def tell(
    event: EventArgument,
    told: Annotated[
        list[str] | None, typer.Argument(metavar="[WHO]...", help="Who was told.")
    ] = None,
    everybody: Annotated[
        bool, typer.Option("--everybody", help="All who must be told and were not yet.")
    ] = False,
    on: Annotated[str | None, typer.Option(metavar="DATE", help="When (today).")] = None,
    note: Annotated[str, typer.Option(metavar="TEXT", help="How, or what was said.")] = "",
    person: PersonOption = None,
    site: SiteOption = None,
) -> None:
    """Put on record who was told of an event, when and by whom."""
    from calfleet.services.tell_event import tell as service
    from calfleet.site import find_site

    folder = find_site(site)
    today = folder.today()
    told_on: date | None = None if on is None else day(on, today)
    with entered(folder, person, "tell of gauge found bad", event, note) as (work, who):
        made = service(
            work,
            event,
            told=told or (),
            everybody=everybody,
            told_on=told_on,
            note=note,
            person=who,
            today=today,
        )
        work.commit()
    for one in made:
        print(paragraph(f"{one.told_on} {one.told}, told by {one.told_by}."))


@doubt_app.command("close")
def close(
    event: EventArgument,
    statement: Annotated[str, typer.Option(metavar="TEXT", help="What came of it.")] = "",
    person: PersonOption = None,
    site: SiteOption = None,
) -> None:
    """Close an event, as a reviewer or approver: everything decided, everybody told."""
    from calfleet.services.close_event import close as service
    from calfleet.site import find_site

    folder = find_site(site)
    with entered(folder, person, "close event", event, statement) as (work, who):
        made = service(work, event, statement=statement, person=who, today=folder.today())
        work.commit()
    print(paragraph(f"{made.event} closed on {made.closed_on} by {made.closed_by}."))
