"""What else is due on a switch: other work with an interval of its own, and use that is counted."""

from __future__ import annotations

from decimal import Decimal
from typing import Annotated

import typer

from calfleet.adapters.cli.app import (
    BENCH,
    PLANNER,
    AsOfOption,
    FormatOption,
    PersonOption,
    SiteOption,
    app,
    day,
    named,
    planner,
)
from calfleet.adapters.cli.render import Column, Format, paragraph
from calfleet.adapters.cli.rules import decimal
from calfleet.adapters.cli.workbooks import Book, WorkbookOption, listing_and_book, site_and_day
from calfleet.errors import UsageError

TagArgument = Annotated[str, typer.Argument(metavar="TAG", help="The switch's tag.")]


@app.command("further-interval", rich_help_panel=PLANNER)
def further_interval(
    tag: TagArgument,
    name: Annotated[str, typer.Argument(metavar="WORK", help="The work, in a few words.")],
    policy: Annotated[
        str | None, typer.Option(metavar="CODE", help="The interval policy it follows.")
    ] = None,
    start: Annotated[
        str | None, typer.Option("--from", metavar="DATE", help="When it begins or ends (today).")
    ] = None,
    end: Annotated[bool, typer.Option("--end", help="End it.")] = False,
    person: PersonOption = None,
    site: SiteOption = None,
) -> None:
    """Give other work on a switch an interval of its own, beside the calibration.

    Its dates are counted from when that work was done ('calfleet other-work'), by any interval
    policy of the site. Work that was never done is due from the day it is first wanted.
    """
    from calfleet.records import FurtherInterval
    from calfleet.services.other_work import set_further_interval
    from calfleet.site import find_site

    if (policy is None) != end:
        raise UsageError(
            "A policy is missing." if policy is None else "--end was given with a policy.",
            rule="An interval begins with a policy, or ends.",
            next_step="Give --policy CODE, or --end.",
        )
    folder = find_site(site)
    today = folder.today()
    given = FurtherInterval(tag, name, policy or "", day(start, today), held=not end)
    actor = planner(folder, person, today, to="set further intervals")
    with folder.work(actor=actor, action="further interval", subject=tag) as work:
        made, standing = set_further_interval(work, given, today=today)
        work.commit()
    what = f"policy {made.policy} from" if made.held else "no interval of its own from"
    print(f"{made.name} on {made.tag}: {what} {made.effective_on}.")
    print(paragraph(standing.why))


@app.command("further-intervals", rich_help_panel=PLANNER)
def further_intervals(
    as_of: AsOfOption = None,
    workbook: WorkbookOption = None,
    output: FormatOption = Format.TABLE,
    site: SiteOption = None,
) -> None:
    """List other work that has an interval of its own, by due date."""
    from calfleet.services.other_work import list_further_intervals

    folder, on = site_and_day(site, as_of, workbook)
    with folder.reading() as session:
        rows = list_further_intervals(session, on)
    listing_and_book(
        rows,
        [
            Column("Tag", "tag", lambda x: x.tag),
            Column("Area", "area", lambda x: x.area),
            Column("Work", "work", lambda x: x.name, fold=True),
            Column("Policy", "policy", lambda x: x.policy),
            Column("Since", "since", lambda x: x.since),
            Column("Last done", "last_on", lambda x: x.last_on),
            Column("By", "last_by", lambda x: x.last_by),
            Column("Due", "due_on", lambda x: x.due_on),
            Column("Days left", "days_left", lambda x: x.days_left, right=True, unit="d"),
            Column("Status", "status", lambda x: x.status),
            Column("", "latest_on", lambda x: x.latest_on),
            Column("", "why", lambda x: x.why),
        ],
        output,
        Book(workbook, folder, "Other work", on),
        title=f"Other work on switches on {on}",
        empty="No other work has an interval of its own.",
    )


@app.command("other-work", rich_help_panel=BENCH)
def other_work(
    tag: TagArgument,
    name: Annotated[str, typer.Argument(metavar="WORK", help="The work, as it is listed.")],
    done_on: Annotated[
        str | None, typer.Option("--on", metavar="DATE", help="When it was done (today).")
    ] = None,
    done_by: Annotated[
        str | None, typer.Option("--by", metavar="PERSON", help="Who did it (who enters it).")
    ] = None,
    note: Annotated[str, typer.Option(metavar="TEXT", help="What was found.")] = "",
    person: PersonOption = None,
    site: SiteOption = None,
) -> None:
    """Record other work done on a switch that has an interval of its own.

    'calfleet further-intervals' lists what is wanted on which switch. A calibration is entered
    with 'calfleet record'.
    """
    from calfleet.records import OtherWork
    from calfleet.services.look_up import person_code
    from calfleet.services.other_work import record_other_work
    from calfleet.site import find_site

    person = named(person)
    folder = find_site(site)
    today = folder.today()
    with folder.reading() as session:
        actor = person_code(session, person)
    given = OtherWork(tag, name, day(done_on, today), done_by or actor, note)
    with folder.work(actor=actor, action="other work", subject=tag) as work:
        made, standing = record_other_work(work, given, today=today)
        work.commit()
    print(f"{made.name} on {made.tag} done on {made.done_on} by {made.done_by}.")
    print(paragraph(standing.why))


@app.command("usage-limit", rich_help_panel=PLANNER)
def usage_limit(
    tag: TagArgument,
    name: Annotated[str, typer.Argument(metavar="COUNTED", help="What is counted: cycles, hours.")],
    limit: Annotated[str, typer.Argument(metavar="NUMBER", help="How much between calibrations.")],
    start: Annotated[
        str | None, typer.Option("--from", metavar="DATE", help="When it takes effect (today).")
    ] = None,
    person: PersonOption = None,
    site: SiteOption = None,
) -> None:
    """Limit the use of a switch between calibrations: due when reached, if that comes first."""
    from calfleet.records import UsageRule
    from calfleet.services.count_use import set_usage_limit
    from calfleet.site import find_site

    folder = find_site(site)
    today = folder.today()
    given = UsageRule(tag, name, decimal(limit), day(start, today))
    actor = planner(folder, person, today, to="set limits on use")
    with folder.work(actor=actor, action="usage limit", subject=tag) as work:
        made, standing = set_usage_limit(work, given, today=today)
        work.commit()
    print(f"{made.tag}: calibrated every {made.limit} {made.name} at least.")
    print(paragraph(standing.why))


@app.command(rich_help_panel=BENCH)
def usage(
    tag: TagArgument,
    name: Annotated[str, typer.Argument(metavar="COUNTED", help="The counter: cycles, hours.")],
    value: Annotated[
        str, typer.Argument(metavar="NUMBER", help="What it shows, counted from first use.")
    ],
    read_on: Annotated[
        str | None, typer.Option("--on", metavar="DATE", help="When it was read (today).")
    ] = None,
    person: PersonOption = None,
    site: SiteOption = None,
) -> None:
    """Record what a counter shows. The due date follows: it is forecast from the rate of use."""
    from calfleet.records import UsageReading
    from calfleet.services.count_use import read_counter
    from calfleet.services.look_up import person_code
    from calfleet.site import find_site

    person = named(person, "who read the counter")
    folder = find_site(site)
    today = folder.today()
    given = UsageReading(tag, name, decimal(value), day(read_on, today))
    with folder.reading() as session:
        actor = person_code(session, person)
    with folder.work(actor=actor, action="counter reading", subject=tag) as work:
        made, standing = read_counter(work, given, today=today)
        work.commit()
    print(f"{made.tag}: {made.value} {made.name} read on {made.read_on}.")
    print(paragraph(standing.why))


@app.command("usage-limits", rich_help_panel=PLANNER)
def usage_limits(
    as_of: AsOfOption = None,
    workbook: WorkbookOption = None,
    output: FormatOption = Format.TABLE,
    site: SiteOption = None,
) -> None:
    """List limits on use: what was used since the calibration, the rate, when one is reached."""
    from calfleet.services.count_use import list_usage

    def number(value: Decimal) -> str:
        return f"{value:.0f}" if abs(value) >= 100 else f"{float(value):.3g}"

    folder, on = site_and_day(site, as_of, workbook)
    with folder.reading() as session:
        rows = list_usage(session, on)
    listing_and_book(
        rows,
        [
            Column("Tag", "tag", lambda x: x.tag),
            Column("Counted", "counted", lambda x: x.name),
            Column("Limit", "limit", lambda x: x.limit, right=True),
            Column("Counter", "counter", lambda x: x.last_value, right=True),
            Column("Read on", "read_on", lambda x: x.read_on),
            Column(
                "Used since",
                "used",
                lambda x: x.used,
                number,
                right=True,
                name="Used since calibration",
            ),
            Column(
                "A day", "per_day", lambda x: x.rate_per_day, number, right=True, name="Used a day"
            ),
            Column(
                "Used",
                "used_share",
                lambda x: x.share,
                lambda s: f"{100 * s:.0f} %",
                True,
                name="Used of the limit",
            ),
            Column("Reached", "expected_on", lambda x: x.expected_on),
            Column("", "since", lambda x: x.since),
        ],
        output,
        Book(workbook, folder, "Limits on use", on),
        title=f"Limits on use on {on}",
        empty="No use is limited.",
    )
