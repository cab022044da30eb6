"""``calfleet outage`` and ``calfleet outages``: planned stops, entered, moved and listed."""

from __future__ import annotations

from typing import Annotated

import typer

from calfleet.adapters.cli.app import (
    PLANNER,
    AsOfOption,
    FormatOption,
    PersonOption,
    SiteOption,
    app,
    day,
    planner,
)
from calfleet.adapters.cli.render import Column, Format
from calfleet.adapters.cli.workbooks import Book, WorkbookOption, listing_and_book, site_and_day
from calfleet.errors import UsageError


@app.command(rich_help_panel=PLANNER)
def outage(
    code: Annotated[str, typer.Argument(metavar="CODE", help="The outage's code, new or known.")],
    first: Annotated[
        str | None, typer.Option("--first", metavar="DATE", help="Its first day.")
    ] = None,
    last: Annotated[
        str | None, typer.Option("--last", metavar="DATE", help="Its last day.")
    ] = None,
    name: Annotated[str | None, typer.Option(metavar="TEXT", help="Its name.")] = None,
    area: Annotated[
        list[str] | None,
        typer.Option(metavar="CODE", help="Only this area stops; may be repeated."),
    ] = None,
    whole_site: Annotated[bool, typer.Option("--whole-site", help="All areas stop.")] = False,
    reason: Annotated[str, typer.Option(metavar="TEXT", help="Why it moves.")] = "",
    person: PersonOption = None,
    site: SiteOption = None,
) -> None:
    """Enter an outage, or move it by a new revision; what is not given stays as it was.

    Refused when it would leave switches that are calibrated in an outage without one by their
    hard stop. They are listed, and nothing changes.
    """
    from calfleet.adapters.cli.rules import show_moved
    from calfleet.services.move_outage import set_outage
    from calfleet.site import find_site

    if area and whole_site:
        raise UsageError(
            "Both --area and --whole-site were given.",
            rule="An outage stops some areas or the whole site.",
            next_step="Give one of them.",
        )
    folder = find_site(site)
    today = folder.today()
    actor = planner(folder, person, today, to="move outages")
    with folder.work(actor=actor, action="outage", subject=code, reason=reason) as work:
        made = set_outage(
            work,
            code,
            first_on=None if first is None else day(first, today),
            last_on=None if last is None else day(last, today),
            name=name,
            areas=area or (() if whole_site else None),
            reason=reason,
            today=today,
        )
        work.commit()
    o, old = made.outage, made.before
    was = "" if old is None else f" (was {old.first_on} to {old.last_on})"
    print(f"{o.code} rev {o.revision}, {o.name}: {o.first_on} to {o.last_on}{was}.")
    show_moved(made.moved, among="the outage-bound switches")


@app.command(rich_help_panel=PLANNER)
def outages(
    as_of: AsOfOption = None,
    workbook: WorkbookOption = None,
    output: FormatOption = Format.TABLE,
    site: SiteOption = None,
) -> None:
    """List the outages as last revised, with how many switches wait for each."""
    from calfleet.services.move_outage import list_outages

    folder, on = site_and_day(site, as_of, workbook)
    with folder.reading() as session:
        rows = list_outages(session, on)
    listing_and_book(
        rows,
        [
            Column("Outage", "code", lambda x: x.outage.code),
            Column("Rev", "revision", lambda x: x.outage.revision, right=True),
            Column("Name", "name", lambda x: x.outage.name, fold=True),
            Column("First day", "first_on", lambda x: x.outage.first_on),
            Column("Last day", "last_on", lambda x: x.outage.last_on),
            Column("Areas", "areas", lambda x: ", ".join(x.outage.areas) or "whole site"),
            Column("Waiting", "waiting", lambda x: x.waiting, right=True),
            Column("Why moved", "reason", lambda x: x.outage.reason, fold=True),
        ],
        output,
        Book(workbook, folder, "Outages", on),
        title=f"Outages as known on {on}",
        empty="No outage is on record.",
    )
