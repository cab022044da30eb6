"""Rules about due dates: ``due-rule``, ``policy``, and their listings."""

from __future__ import annotations

from collections.abc import Sequence
from decimal import Decimal
from enum import StrEnum
from typing import TYPE_CHECKING, Annotated

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
from calfleet.adapters.cli.render import Column, Format, paragraph
from calfleet.adapters.cli.workbooks import Book, WorkbookOption, listing_and_book, site_and_day
from calfleet.errors import UsageError

if TYPE_CHECKING:
    from calfleet.records import DueRule
    from calfleet.services.set_rules import MovedDate

SHOWN = 20
"""So many moved dates are listed after a change."""


class Basis(StrEnum):
    """From where the next date is counted."""

    LAST_DONE = "last-done"
    FIXED_GRID = "fixed-grid"


class Unit(StrEnum):
    MONTH = "month"
    DAY = "day"


def decimal(text: str) -> Decimal:
    """A number as typed, with its digits. Raises: BadNumber."""
    from calfleet.metrology.readings import parse_number

    parse_number(text)
    return Decimal(text.strip().replace("−", "-"))


def show_moved(moved: Sequence[MovedDate], *, among: str) -> None:
    """Print the due dates that a change moves, with the new reason of each."""
    if not moved:
        print(f"No due date of {among} moves.")
        return
    print(f"Due dates that move: {len(moved)} of {among}.")
    for one in moved[:SHOWN]:
        print(paragraph(f"{one.tag}: {one.before or 'none'} -> {one.after or 'none'}. {one.why}"))
    if len(moved) > SHOWN:
        print(f"... and {len(moved) - SHOWN} more; 'calfleet due --why' tells each.")


@app.command("due-rule", rich_help_panel=PLANNER)
def due_rule(
    reason: Annotated[str, typer.Option(metavar="TEXT", help="Why the rule is made.")],
    tag: Annotated[str | None, typer.Option(metavar="TAG", help="For this switch.")] = None,
    family: Annotated[
        str | None, typer.Option(metavar="NAME", help="For this family of switches.")
    ] = None,
    whole_site: Annotated[bool, typer.Option("--whole-site", help="For the whole site.")] = False,
    start: Annotated[
        str | None, typer.Option("--from", metavar="DATE", help="When it takes effect (today).")
    ] = None,
    policy: Annotated[
        str | None,
        typer.Option(metavar="CODE", help="Interval policy, instead of the data sheet's."),
    ] = None,
    before_use: Annotated[
        bool, typer.Option("--before-use", help="Calibrated before each use: no due date.")
    ] = False,
    by_date: Annotated[
        bool, typer.Option("--by-date", help="Due by date, though a wider rule says before use.")
    ] = False,
    first_due: Annotated[
        str | None, typer.Option(metavar="DATE", help="First date of a fixed grid.")
    ] = None,
    shelf_days: Annotated[
        int | None,
        typer.Option(metavar="DAYS", help="So long after calibration it may be issued from store."),
    ] = None,
    hard_stop: Annotated[
        str | None,
        typer.Option(metavar="DATE", help="Last day for the coming work on outage-bound switches."),
    ] = None,
    deferrals: Annotated[
        int | None,
        typer.Option(metavar="NUMBER", help="Deferrals allowed between two calibrations."),
    ] = None,
    end: Annotated[
        bool, typer.Option("--end", help="End the rule before it: the wider scope counts again.")
    ] = False,
    person: PersonOption = None,
    site: SiteOption = None,
) -> None:
    """Set how due dates are counted for one switch, one family, or the whole site.

    A rule for a switch goes before one for its family, that before one for the site, field by
    field; what none of them says is left to the data sheet and its policy. A later rule for the
    same switch, family or site replaces the earlier one as a whole. Which due dates move is shown.
    """
    from calfleet.records import DueRule, RuleScope
    from calfleet.services.set_rules import set_due_rule
    from calfleet.site import find_site

    given = [tag is not None, family is not None, whole_site]
    if sum(given) != 1:
        raise UsageError(
            "The rule names none or several of --tag, --family and --whole-site.",
            rule="A rule is for one switch, one family, or the whole site.",
            next_step="Give one of them.",
        )
    if before_use and by_date:
        raise UsageError(
            "Both --before-use and --by-date were given.",
            rule="A switch is calibrated before each use, or by its due date.",
            next_step="Give one of them.",
        )
    folder = find_site(site)
    today = folder.today()
    scope = (RuleScope.SWITCH, RuleScope.FAMILY, RuleScope.SITE)[given.index(True)]
    rule = DueRule(
        scope=scope,
        subject=tag or family or "",
        effective_on=day(start, today),
        reason=reason,
        policy=policy or "",
        before_use=True if before_use else False if by_date else None,
        grid_anchor=None if first_due is None else day(first_due, today),
        shelf_limit_days=shelf_days,
        hard_stop=None if hard_stop is None else day(hard_stop, today),
        deferrals_allowed=deferrals,
    )
    _refuse_end_with_more(rule, end=end)
    actor = planner(folder, person, today, to="set due rules")
    subject = rule.subject or "site"
    with folder.work(actor=actor, action="due rule", subject=subject, reason=reason) as work:
        made = set_due_rule(work, rule, today=today)
        work.commit()
    _show_rule(made.rule)
    show_moved(made.moved, among=f"{made.switches} switches")


def _refuse_end_with_more(rule: DueRule, *, end: bool) -> None:
    from calfleet.scheduling.rules import leaves_all_open

    if end and not leaves_all_open(rule):
        raise UsageError(
            "--end was given together with something to set.",
            rule="A rule that ends another one sets nothing.",
            next_step="Leave out --end, or what it sets: a new rule replaces the old one anyhow.",
        )
    if not end and leaves_all_open(rule):
        raise UsageError(
            "The rule says nothing.",
            rule="A rule sets something, or ends the one before it.",
            next_step="Say what it sets, or give --end.",
        )


def _show_rule(rule: DueRule) -> None:
    from calfleet.scheduling.rules import rule_text, says

    print(paragraph(f"Rule for {rule_text(rule)}: {says(rule)}."))


@app.command("due-rules", rich_help_panel=PLANNER)
def due_rules(
    as_of: AsOfOption = None,
    workbook: WorkbookOption = None,
    output: FormatOption = Format.TABLE,
    site: SiteOption = None,
) -> None:
    """List the rules about due dates, widest first, and which are in force."""
    from calfleet.services.set_rules import list_rules

    folder, on = site_and_day(site, as_of, workbook)
    with folder.reading() as session:
        rows = list_rules(session, on)
    listing_and_book(
        rows,
        [
            Column("For", "scope", lambda x: x.rule.scope),
            Column("Named", "subject", lambda x: x.rule.subject),
            Column("From", "effective_on", lambda x: x.rule.effective_on),
            Column("In force", "in_force", lambda x: x.in_force),
            Column("Says", "says", lambda x: x.says, fold=True),
            Column("Switches", "switches", lambda x: x.switches, right=True),
            Column("Why", "reason", lambda x: x.rule.reason, fold=True),
            Column("", "policy", lambda x: x.rule.policy or None),
            Column("", "before_use", lambda x: x.rule.before_use),
            Column("", "first_due_on", lambda x: x.rule.grid_anchor),
            Column(
                "",
                "shelf_limit_days",
                lambda x: x.rule.shelf_limit_days,
                name="Shelf limit",
                unit="d",
            ),
            Column("", "hard_stop_on", lambda x: x.rule.hard_stop),
            Column("", "deferrals_allowed", lambda x: x.rule.deferrals_allowed),
        ],
        output,
        Book(workbook, folder, "Due rules", on),
        title=f"Due rules on {on}",
        empty="No due rule is set: every switch follows the policy on its data sheet.",
    )


@app.command(rich_help_panel=PLANNER)
def policy(
    code: Annotated[str, typer.Argument(metavar="CODE", help="The policy's code, new or known.")],
    every: Annotated[int, typer.Option(metavar="NUMBER", help="The interval.")],
    unit: Annotated[Unit, typer.Option(help="What the interval counts.")] = Unit.MONTH,
    basis: Annotated[
        Basis, typer.Option(help="From the last calibration, or fixed dates.")
    ] = Basis.LAST_DONE,
    end_of_month: Annotated[
        bool, typer.Option("--end-of-month", help="Due on the last day of the month.")
    ] = False,
    grace: Annotated[
        str, typer.Option(metavar="SHARE", help="Grace as a share of the interval, such as 0.25.")
    ] = "0",
    grace_days: Annotated[int, typer.Option(metavar="DAYS", help="Grace in days instead.")] = 0,
    start: Annotated[
        str | None, typer.Option("--from", metavar="DATE", help="When it takes effect (today).")
    ] = None,
    note: Annotated[str, typer.Option(metavar="TEXT", help="What it is for.")] = "",
    person: PersonOption = None,
    site: SiteOption = None,
) -> None:
    """Set an interval policy, or its next version: interval, basis, end of month, grace.

    Which due dates move by it is shown. Grace is for work that could not be done in time; it is
    shown as used and never lengthens the interval.
    """
    from calfleet.records import IntervalBasis, IntervalPolicy, IntervalUnit
    from calfleet.services.set_rules import set_policy
    from calfleet.site import find_site

    folder = find_site(site)
    today = folder.today()
    given = IntervalPolicy(
        code=code,
        effective_on=day(start, today),
        basis=IntervalBasis[basis.name],
        every=every,
        unit=IntervalUnit[unit.name],
        end_of_month=end_of_month,
        grace_fraction=decimal(grace),
        grace_days=grace_days,
        note=note,
    )
    actor = planner(folder, person, today, to="set interval policies")
    with folder.work(actor=actor, action="interval policy", subject=code, reason=note) as work:
        made = set_policy(work, given, today=today)
        work.commit()
    from calfleet.scheduling.due import interval_text

    print(
        f"Policy {code} from {given.effective_on}: {interval_text(made.policy)} from {basis.value}."
    )
    show_moved(made.moved, among=f"{made.followed_by} switches")


@app.command(rich_help_panel=PLANNER)
def policies(
    as_of: AsOfOption = None,
    workbook: WorkbookOption = None,
    output: FormatOption = Format.TABLE,
    site: SiteOption = None,
) -> None:
    """List the interval policies with every version, and how many switches follow each."""
    from calfleet.scheduling.due import interval_text
    from calfleet.services.set_rules import PolicyLine, list_policies

    def grace(line: PolicyLine) -> str:
        p = line.policy
        return f"{p.grace_days} d" if p.grace_days else f"{100 * float(p.grace_fraction):g} %"

    folder, on = site_and_day(site, as_of, workbook)
    with folder.reading() as session:
        rows = list_policies(session, on)
    listing_and_book(
        rows,
        [
            Column("Policy", "policy", lambda x: x.policy.code),
            Column("From", "effective_on", lambda x: x.policy.effective_on),
            Column("In force", "in_force", lambda x: x.in_force),
            Column("Every", "every", lambda x: x.policy, interval_text, table_only=True),
            Column("Counted from", "basis", lambda x: x.policy.basis),
            Column("End of month", "end_of_month", lambda x: x.policy.end_of_month),
            Column("Grace", "grace", lambda x: x, grace, right=True, table_only=True),
            Column("Switches", "switches", lambda x: x.switches, right=True),
            Column("Note", "note", lambda x: x.policy.note, fold=True),
            Column("", "interval", lambda x: x.policy.every),
            Column("", "unit", lambda x: x.policy.unit),
            Column(
                "",
                "grace_fraction",
                lambda x: x.policy.grace_fraction,
                name="Grace, share of the interval",
            ),
            Column("", "grace_days", lambda x: x.policy.grace_days, name="Grace", unit="d"),
        ],
        output,
        Book(workbook, folder, "Interval policies", on),
        title=f"Interval policies on {on}",
    )
