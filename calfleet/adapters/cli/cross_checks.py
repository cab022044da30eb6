"""``calfleet cross-check`` and ``calfleet cross-checks``: two gauges compared."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated

import typer

from calfleet.adapters.cli.app import (
    AUDITOR,
    BENCH,
    FormatOption,
    PersonOption,
    SiteOption,
    app,
    day,
)
from calfleet.adapters.cli.events import decimal, entered, pair
from calfleet.adapters.cli.render import Column, Format, listing, paragraph
from calfleet.adapters.cli.workbooks import Book, WorkbookOption, listing_and_book, site_and_day

if TYPE_CHECKING:
    from datetime import date

    from calfleet.records import CrossCheck
    from calfleet.services.cross_check import Doubted
    from calfleet.traceability.period import Compared


@app.command("cross-check", rich_help_panel=BENCH)
def cross_check(
    gauge: Annotated[str, typer.Argument(metavar="GAUGE", help="The gauge that is checked.")],
    against: Annotated[str, typer.Option(metavar="GAUGE", help="The gauge it is compared with.")],
    point: Annotated[
        list[str],
        typer.Option(
            metavar="THIS=OTHER", help="What both showed at one pressure. Repeat for each point."
        ),
    ],
    unit: Annotated[
        str, typer.Option(metavar="UNIT", help="The unit of all figures; else the gauge's.")
    ] = "",
    uncertainty: Annotated[
        str | None,
        typer.Option(
            "--U", metavar="U", help="U of the gauge at every point; else from its budget."
        ),
    ] = None,
    against_uncertainty: Annotated[
        str | None,
        typer.Option("--against-U", metavar="U", help="U of the other; else from its budget."),
    ] = None,
    done_on: Annotated[
        str | None, typer.Option("--on", metavar="DATE", help="When it was done (today).")
    ] = None,
    note: Annotated[str, typer.Option(metavar="TEXT", help="Why it was done, in words.")] = "",
    person: PersonOption = None,
    site: SiteOption = None,
) -> None:
    """Put a comparison of two gauges on record, and tell whether they agree.

    Both are taken as at the bench, corrected by the certificates in force. They agree where they
    differ by no more than the root of U1 squared plus U2 squared (E_n at most 1).
    """
    from calfleet.services.cross_check import NewCheck, NewPoint, clears, doubted
    from calfleet.services.cross_check import cross_check as service
    from calfleet.site import find_site

    own = None if uncertainty is None else decimal(uncertainty)
    other = None if against_uncertainty is None else decimal(against_uncertainty)
    points = []
    for text in point:
        left, right = pair(text, "--point", "THIS=OTHER, such as 10.00=10.03")
        points.append(NewPoint(decimal(left), decimal(right), own, other))
    folder = find_site(site)
    today = folder.today()
    when = None if done_on is None else day(done_on, today)
    new = NewCheck(gauge, against, points, unit, when, note)
    with entered(folder, person, "cross check", f"{gauge} against {against}", note) as (work, who):
        made, outcome = service(work, new, person=who, today=today)
        poor = clears(work.session, outcome)
        in_doubt = doubted(work.session, outcome)
        work.commit()
    _show(made, outcome, poor, today)
    for one in in_doubt:
        print(paragraph(_doubted_text(one)))


def _doubted_text(one: Doubted) -> str:
    """What the check is worth for a gauge that was reported already."""
    return (
        f"! {one.gauge} is in doubt already ({', '.join(one.events)}): this check does not shorten "
        f"that doubt, nor does it count for {one.other}. Who decides about the results may weigh "
        f"it, and says so in the reason: 'calfleet doubt show {one.events[0]}'."
    )


def _show(made: CrossCheck, outcome: Compared, poor: dict[str, str], today: date) -> None:
    from calfleet.adapters.documents.event_views import point_figures
    from calfleet.traceability.words import symbol

    verb = "agree" if outcome.agrees else "do not agree"
    print(
        paragraph(
            f"{made.number} of {made.done_on}: {made.gauge} ({made.certificate}) and "
            f"{made.against} ({made.against_certificate}) {verb}."
        )
    )
    listing(
        [(p, *point_figures(p)) for p in outcome.points],
        [
            Column(f"{made.gauge} says", "value", lambda x: x[1], right=True),
            Column("± U", "expanded_uncertainty", lambda x: x[2], right=True),
            Column(f"{made.against} says", "against_value", lambda x: x[3], right=True),
            Column("± U", "against_expanded_uncertainty", lambda x: x[4], right=True),
            Column("Unit", "unit", lambda x: symbol(x[0].unit)),
            Column("E_n", "en", lambda x: f"{x[0].en:.2f}", right=True),
            Column("Agree", "agrees", lambda x: x[0].agrees),
        ],
        Format.TABLE,
    )
    if outcome.agrees:
        print(
            paragraph(
                "Should one of them be found bad later, only results after this day are in doubt, "
                "as long as the other is not in doubt itself and this check could have seen the "
                "errors found."
            )
        )
        for code, why in poor.items():
            if why:
                print(paragraph(f"! Should {code} be lost or damaged, it does not count: {why}."))
        if made.done_on < today:
            print(
                paragraph(
                    f"! Entered on {today} for {made.done_on}: it does not count for a gauge that "
                    "was found bad before it was entered."
                )
            )
        return
    print(
        paragraph(
            "! One of the two is off, and this does not tell which. Use neither until you know: "
            "compare each with a third gauge, have the one that differs calibrated, and report it "
            "with 'calfleet doubt report'.",
        )
    )


@app.command("cross-checks", rich_help_panel=AUDITOR)
def cross_checks(
    gauge: Annotated[
        str | None, typer.Argument(metavar="[GAUGE]", help="Only those with this gauge.")
    ] = None,
    workbook: WorkbookOption = None,
    output: FormatOption = Format.TABLE,
    site: SiteOption = None,
) -> None:
    """List the comparisons of gauges, oldest first, and whether they agreed."""
    from calfleet.services.cross_check import cross_checks as service

    folder, today = site_and_day(site, None, workbook)
    with folder.reading() as session:
        rows = service(session, gauge)
    listing_and_book(
        rows,
        [
            Column("Cross check", "number", lambda x: x[0].number),
            Column("Done", "done_on", lambda x: x[0].done_on),
            Column("Gauge", "gauge", lambda x: x[0].gauge),
            Column("Certificate", "certificate", lambda x: x[0].certificate),
            Column("Against", "against", lambda x: x[0].against),
            Column("Its certificate", "against_certificate", lambda x: x[0].against_certificate),
            Column("Points", "points", lambda x: len(x[0].points), right=True),
            Column("Largest E_n", "largest_en", lambda x: x[1].largest_en, lambda v: f"{v:.2f}",
                   right=True),
            Column("Agreed", "agreed", lambda x: x[1].agrees),
            Column("By", "done_by", lambda x: x[0].done_by),
            Column("Note", "note", lambda x: x[0].note, fold=True),
        ],
        output,
        Book(workbook, folder, "Cross checks", today),
        title="Gauges compared with each other, oldest first",
        empty="No cross check is on record.",
    )  # fmt: skip
