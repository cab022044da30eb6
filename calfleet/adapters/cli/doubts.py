"""For the auditor: a gauge found bad, which gauge would hurt most, which chains are weak."""

from __future__ import annotations

import json
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from calfleet.adapters.cli.app import (
    AUDITOR,
    AsOfOption,
    FormatOption,
    SiteOption,
    app,
    day,
    refuse_existing,
    write_new,
)
from calfleet.adapters.cli.impact_tables import result_columns, sheets
from calfleet.adapters.cli.render import Column, Format, csv_text, listing, terminal_width
from calfleet.adapters.cli.workbooks import (
    Book,
    WorkbookOption,
    listing_and_book,
    site_and_day,
    write_listing,
    write_sheets,
)
from calfleet.errors import UsageError

if TYPE_CHECKING:
    from calfleet.traceability.exposure import Exposure
    from calfleet.traceability.weak_chains import WeakChain


MOST_CHAINS = 200
"""So many weak chains are printed as a table; CSV, JSON and the workbook have all."""


class ReportFormat(StrEnum):
    """How a report is given: text or JSON to read, CSV of the results, SVG to look at, W3C PROV."""

    TEXT = "text"
    CSV = "csv"
    JSON = "json"
    SVG = "svg"
    PROV = "prov"


@app.command("found-bad", rich_help_panel=AUDITOR)
def found_bad(
    gauge: Annotated[str, typer.Argument(metavar="GAUGE", help="The gauge in doubt.")],
    certificate: Annotated[
        str | None,
        typer.Option(
            metavar="NUMBER", help="The certificate whose as-found lines show it; else the newest."
        ),
    ] = None,
    lost: Annotated[bool, typer.Option("--lost", help="It is lost: its error is unknown.")] = False,
    damaged: Annotated[
        bool, typer.Option("--damaged", help="It is damaged: its error is unknown.")
    ] = False,
    found_on: Annotated[
        str | None, typer.Option(metavar="DATE", help="When it was found lost or damaged (today).")
    ] = None,
    all_kept: Annotated[
        bool, typer.Option("--all", help="List the results that stand, too.")
    ] = False,
    output: Annotated[
        ReportFormat,
        typer.Option(
            "--format",
            "-f",
            metavar="FORMAT",
            help="text, csv (the results), json, svg, or prov (W3C PROV, JSON).",
        ),
    ] = ReportFormat.TEXT,
    out: Annotated[
        Path | None, typer.Option(metavar="FILE", help="Write to this new file.")
    ] = None,
    workbook: WorkbookOption = None,
    site: SiteOption = None,
) -> None:
    """What a gauge found bad has touched: every result judged again, worst first, what to do.

    Goes back to when the gauge was last known good, through every gauge that was calibrated with
    it, with the error found taken as there all the time and as grown with time. Writes nothing.
    """
    from calfleet.adapters.documents import impact_picture, impact_views
    from calfleet.services.doubt import Doubt, in_doubt
    from calfleet.traceability.event import Kind

    if lost and damaged:
        raise UsageError("Both --lost and --damaged.", next_step="Give one of them.")
    refuse_existing(out)
    folder, today = site_and_day(site, None, workbook)
    kind = Kind.LOST if lost else Kind.DAMAGED if damaged else Kind.AS_FOUND
    if found_on is not None and kind is Kind.AS_FOUND:
        raise UsageError(
            "--found-on goes with --lost or --damaged.",
            rule="With as-found errors the day is that of the certificate.",
            next_step="Leave it out.",
        )
    with folder.reading() as session:
        found = in_doubt(
            session, Doubt(gauge, certificate, kind, day(found_on, today)), today=today
        )
    if workbook is not None:
        write_sheets(workbook, folder, sheets(found), today)
    if output is ReportFormat.CSV:
        text = csv_text(found.rows, result_columns()).removesuffix("\n")
    elif output is ReportFormat.TEXT:
        text = impact_views.report_text(
            found, min(110, terminal_width()), most_kept=None if all_kept else 0
        )
    elif output is ReportFormat.JSON:
        text = json.dumps(impact_views.to_plain(found), indent=2, ensure_ascii=False)
    elif output is ReportFormat.PROV:
        from calfleet.adapters.documents.prov_export import impact_to_prov, prov_text

        text = prov_text(impact_to_prov(found)).rstrip("\n")
    else:
        text = impact_picture.svg(found)
    if out is None:
        print(text)
    else:
        write_new(out, text + "\n")


@app.command("rests-on", rich_help_panel=AUDITOR)
def rests_on(
    as_of: AsOfOption = None,
    workbook: WorkbookOption = None,
    output: FormatOption = Format.TABLE,
    site: SiteOption = None,
) -> None:
    """Which gauge, if it failed today, would hurt most: the results that rest on each."""
    from calfleet.records import Criticality
    from calfleet.services.doubt import exposed

    folder, on = site_and_day(site, as_of, workbook)
    with folder.reading() as session:
        rows = exposed(session, on=on)

    def of(criticality: Criticality) -> Column[Exposure]:
        return Column(
            str(criticality).capitalize(),
            str(criticality),
            lambda x: x.results(criticality),
            right=True,
        )

    listing_and_book(
        rows,
        [
            Column("Gauge", "gauge", lambda x: x.gauge),
            Column("Certificate", "certificate", lambda x: x.certificate or None),
            Column("Since", "since", lambda x: x.since),
            *(of(c) for c in Criticality),
            Column("All", "all", lambda x: x.results(), right=True),
            Column("Directly", "direct", lambda x: sum(x.direct.values()), right=True),
            Column("Through", "through", lambda x: ", ".join(x.gauges) or None, fold=True),
        ],
        output,
        Book(workbook, folder, "Rests on", on),
        title=f"Current results that rest on each gauge on {on}, most hurtful first",
    )


@app.command("weak-chains", rich_help_panel=AUDITOR)
def weak_chains(
    workbook: WorkbookOption = None,
    output: FormatOption = Format.TABLE,
    site: SiteOption = None,
) -> None:
    """Every result of the site whose chain to the standards is broken or weak, and why."""
    from calfleet.services.doubt import weak
    from calfleet.services.event_facts import held_events
    from calfleet.traceability.links import ChainVerdict

    folder, today = site_and_day(site, None, workbook)
    with folder.reading() as session:
        rows = list(weak(session))
        open_events = [h.number for h in held_events(session).values() if h.closure is None]
    columns: list[Column[WeakChain]] = [
        Column("Calibration", "calibration", lambda x: x.calibration),
        Column("Tag", "tag", lambda x: x.tag),
        Column("Done", "performed_on", lambda x: x.performed_on),
        Column("Chain", "verdict", lambda x: x.verdict, fold=True),
        Column("Why", "why", lambda x: x.statement, fold=True),
    ]
    title, shown = "Results with a broken or weak chain, oldest first", rows
    broken = sum(row.verdict is ChainVerdict.BROKEN for row in rows)
    more = ""
    if output is Format.TABLE and len(rows) > MOST_CHAINS:
        title = (
            f"The {MOST_CHAINS} gravest of the broken and weak chains: broken first, newest first"
        )
        newest = sorted(rows, key=lambda row: row.performed_on, reverse=True)
        shown = sorted(newest, key=lambda row: row.verdict is not ChainVerdict.BROKEN)[:MOST_CHAINS]
        more = f", {broken} of them with a broken chain; --format csv or json lists all"
    count = "1 result" if len(rows) == 1 else f"{len(rows)} results"
    below = ["", f"{count}{more}. 'calfleet trace NUMBER' shows the whole chain."]
    if open_events:
        below.append(
            f"Beside these, what rests on gauges found bad: {', '.join(open_events)}, not closed. "
            "'calfleet doubt show EVENT' lists it."
        )
    listing(shown, columns, output, title=title, footer=below, empty="Every chain is unbroken.")
    write_listing(
        workbook, folder, rows, columns, title="Weak chains",
        heading="Results with a broken or weak chain, oldest first", as_of=today,
        notes=below,
    )  # fmt: skip
