"""The listings of ``calfleet shop``: calendar, hours, terms, groups."""

from __future__ import annotations

from enum import StrEnum
from typing import Annotated

import typer

from calfleet.adapters.cli.app import AsOfOption, FormatOption, SiteOption
from calfleet.adapters.cli.render import Column, Format
from calfleet.adapters.cli.shop import shop_app
from calfleet.adapters.cli.workbooks import Book, WorkbookOption, listing_and_book, site_and_day


class Off(StrEnum):
    """What takes days away."""

    HOLIDAY = "holiday"
    CLOSURE = "closure"
    LEAVE = "leave"
    ABSENCE = "absence"


@shop_app.command("calendar")
def calendar(
    kind: Annotated[
        list[Off] | None, typer.Option("--kind", help="Only these; may be repeated.")
    ] = None,
    everything: Annotated[
        bool, typer.Option("--all", help="With those over, and those cancelled and why.")
    ] = False,
    as_of: AsOfOption = None,
    workbook: WorkbookOption = None,
    output: FormatOption = Format.TABLE,
    site: SiteOption = None,
) -> None:
    """List holidays, closures, leave and absences of gauges that are not over yet."""
    from calfleet.services.list_shop import list_calendar

    folder, on = site_and_day(site, as_of, workbook)
    with folder.reading() as session:
        rows = list_calendar(session, since=None if everything else on, with_cancelled=everything)
    wanted = {str(k) for k in kind or ()}
    rows = [x for x in rows if not wanted or str(x.kind).split()[-1] in wanted]
    listing_and_book(
        rows,
        [
            Column("What", "kind", lambda x: x.kind),
            Column("Who or which", "", lambda x: x.subject or "whole shop", table_only=True),
            Column("", "subject", lambda x: x.subject or None, name="Who or which"),
            Column("First day", "first_on", lambda x: x.first_on),
            Column("Last day", "last_on", lambda x: x.last_on),
            Column("Days", "days", lambda x: x.days, right=True),
            Column("Working days", "working_days", lambda x: x.working_days, right=True),
            Column("Name or reason", "text", lambda x: x.text or None, fold=True),
            Column(
                "Cancelled because" if everything else "",
                "cancelled_because",
                lambda x: x.cancelled,
                fold=True,
            ),
        ],
        output,
        Book(workbook, folder, "Shop calendar", on),
        title="The shop's calendar" + ("" if everything else f" from {on}"),
        empty="Nothing takes a day away.",
    )


@shop_app.command("hours")
def hours(
    as_of: AsOfOption = None,
    workbook: WorkbookOption = None,
    output: FormatOption = Format.TABLE,
    site: SiteOption = None,
) -> None:
    """List everybody's bench hours a week, every version, and technicians who have none."""
    from calfleet.services.list_shop import list_hours

    folder, on = site_and_day(site, as_of, workbook)
    with folder.reading() as session:
        rows = list_hours(session, on)
    total = sum(x.minutes_per_week or 0 for x in rows if x.counts == "in force") / 60
    listing_and_book(
        rows,
        [
            Column("Person", "person", lambda x: x.person),
            Column("Name", "name", lambda x: x.name, fold=True),
            Column("From", "effective_on", lambda x: x.effective_on),
            Column(
                "Hours a week",
                "hours_per_week",
                lambda x: None if x.minutes_per_week is None else x.minutes_per_week / 60,
                lambda h: f"{h:g}",
                right=True,
                unit="h",
                digits=lambda _: 1,
            ),
            Column("Counts", "counts", lambda x: x.counts, fold=True),
        ],
        output,
        Book(workbook, folder, "Bench hours", on),
        title=f"Bench hours on {on}",
        footer=["", f"In force: {total:g} h a week, before holidays, closures and leave."],
        empty="Nobody has bench hours.",
    )


@shop_app.command("terms")
def terms(
    as_of: AsOfOption = None,
    workbook: WorkbookOption = None,
    output: FormatOption = Format.TABLE,
    site: SiteOption = None,
) -> None:
    """List how long each laboratory keeps a gauge, and laboratories whose terms are missing."""
    from calfleet.services.list_shop import list_terms

    folder, on = site_and_day(site, as_of, workbook)
    with folder.reading() as session:
        rows = list_terms(session, on)
    missing = [x.laboratory for x in rows if x.terms is None and x.gauges]
    listing_and_book(
        rows,
        [
            Column("Laboratory", "laboratory", lambda x: x.laboratory),
            Column("Name", "name", lambda x: x.name, fold=True),
            Column("From", "effective_on", lambda x: x.terms and x.terms.effective_on),
            Column("On the way", "transit_days", lambda x: x.terms and x.terms.transit_days,
                   lambda n: f"{n} d", right=True),
            Column("There", "laboratory_days", lambda x: x.terms and x.terms.turnaround_days,
                   lambda n: f"{n} d", right=True),
            Column("Review", "review_days", lambda x: x.terms and x.terms.review_days,
                   lambda n: f"{n} d", right=True),
            Column("Away", "days_away", lambda x: x.days_away, lambda n: f"{n} d", right=True),
            Column("Standing", "standing", lambda x: x.standing, fold=True),
            Column("Gauges", "gauges", lambda x: ", ".join(x.gauges) or None, fold=True),
        ],
        output,
        Book(workbook, folder, "Laboratory terms", on),
        title=f"Laboratory terms on {on}",
        footer=[
            "",
            f"Terms of {', '.join(missing)} are not entered: when these gauges would be back from "
            "their calibration is not known. 'calfleet shop set-terms' enters them.",
        ]
        if missing
        else (),
        empty="No laboratory has terms.",
    )  # fmt: skip


@shop_app.command("groups")
def groups(
    everything: Annotated[
        bool, typer.Option("--all", help="With what was cancelled, and why.")
    ] = False,
    workbook: WorkbookOption = None,
    output: FormatOption = Format.TABLE,
    site: SiteOption = None,
) -> None:
    """List the redundant groups: their switches and how far apart these are kept."""
    from calfleet.services.list_shop import list_groups

    folder, today = site_and_day(site, None, workbook)
    with folder.reading() as session:
        rows = list_groups(session, with_cancelled=everything)
    listing_and_book(
        rows,
        [
            Column("Group", "group", lambda x: x.code),
            Column("Switches", "tags", lambda x: ", ".join(x.tags), fold=True),
            Column("Weeks apart", "weeks_apart", lambda x: x.weeks_apart, right=True),
            Column(
                "Cancelled because" if everything else "",
                "cancelled_because",
                lambda x: x.cancelled,
                fold=True,
            ),
        ],
        output,
        Book(workbook, folder, "Redundant groups", today),
        title="Redundant groups",
        empty="No redundant group is on record.",
    )
