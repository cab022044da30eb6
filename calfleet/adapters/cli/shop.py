"""``calfleet shop``: the shop's calendar, hours, laboratory terms and redundant groups, entered."""

from __future__ import annotations

from decimal import Decimal
from enum import StrEnum
from typing import TYPE_CHECKING, Annotated

import typer

from calfleet.adapters.cli.app import (
    PLANNER,
    Group,
    PersonOption,
    SiteOption,
    app,
    day,
    planner,
)
from calfleet.adapters.cli.render import paragraph
from calfleet.adapters.cli.rules import decimal
from calfleet.errors import UsageError

if TYPE_CHECKING:
    from datetime import date

    from calfleet.records import Withdrawable
    from calfleet.services.touched_jobs import Touched

shop_app = typer.Typer(
    cls=Group,
    no_args_is_help=True,
    rich_markup_mode=None,
    help="What planning stands on: holidays, closures, leave, hours, gauges away, laboratory "
    "terms, redundant groups.",
)
app.add_typer(shop_app, name="shop", rich_help_panel=PLANNER)

FirstArgument = Annotated[str, typer.Argument(metavar="FIRST", help="The first day.")]
LastArgument = Annotated[
    str | None, typer.Argument(metavar="LAST", help="The last day; left out: one day only.")
]
SinceOption = Annotated[
    str | None, typer.Option("--from", metavar="DATE", help="When they take effect (today).")
]


class Kind(StrEnum):
    """What can be cancelled."""

    HOLIDAY = "holiday"
    CLOSURE = "closure"
    LEAVE = "leave"
    ABSENCE = "absence"
    GROUP = "group"


def days_text(first: date, last: date) -> str:
    """``on`` one day, or ``from`` the first ``to`` the last."""
    return f"on {first}" if first == last else f"from {first} to {last}"


def _tell(said: str, touched: Touched, *more: str) -> None:
    print(paragraph(said))
    for text in (*more, touched.text):
        if text:
            print(paragraph(text))


@shop_app.command("add-holiday")
def add_holiday(
    on: Annotated[str, typer.Argument(metavar="DATE", help="The day.")],
    named: Annotated[str | None, typer.Argument(metavar="NAME", help="The same as --name.")] = None,
    name: Annotated[str, typer.Option("--name", metavar="TEXT", help="What it is called.")] = "",
    person: PersonOption = None,
    site: SiteOption = None,
) -> None:
    """Enter a holiday: nobody works in the shop on that day. Planned jobs on it are told."""
    from calfleet.services.enter_days_off import enter_holiday
    from calfleet.site import find_site

    if named is not None and name:
        raise UsageError(
            f"The name was given twice: {named!r} and {name!r}.",
            rule="A holiday has one name.",
            next_step="Give it with --name.",
        )
    folder = find_site(site)
    today = folder.today()
    off = day(on, today)
    actor = planner(folder, person, today, to="enter holidays")
    with folder.work(actor=actor, action="holiday", subject=str(off)) as work:
        made = enter_holiday(work, off, named or name, today=today)
        work.commit()
    _tell(f"Holiday on {off}: {made.holiday.name}.", made.touched)


@shop_app.command("add-closure")
def add_closure(
    first: FirstArgument,
    last: LastArgument = None,
    name: Annotated[
        str, typer.Option("--name", metavar="TEXT", help="Why the shop is closed.")
    ] = "",
    person: PersonOption = None,
    site: SiteOption = None,
) -> None:
    """Close the shop for some days: nobody works. Planned jobs in them are told.

    An outage of the plant is not a closure: that is when outage-bound work is done.
    """
    from calfleet.records import ShopClosure
    from calfleet.services.enter_days_off import enter_closure
    from calfleet.site import find_site

    folder = find_site(site)
    today = folder.today()
    begins = day(first, today)
    given = ShopClosure(begins, day(last, begins), name)
    actor = planner(folder, person, today, to="close the shop")
    with folder.work(actor=actor, action="closure", subject=str(begins)) as work:
        made = enter_closure(work, given, today=today)
        work.commit()
    c = made.closure
    _tell(f"Shop closed {days_text(c.first_on, c.last_on)}: {c.name.rstrip('.')}.", made.touched)


@shop_app.command("add-leave")
def add_leave(
    who: Annotated[str, typer.Argument(metavar="PERSON", help="Whose leave: a person's code.")],
    first: FirstArgument,
    last: LastArgument = None,
    reason: Annotated[
        str, typer.Option(metavar="TEXT", help="A word about it, where it is needed.")
    ] = "",
    person: PersonOption = None,
    site: SiteOption = None,
) -> None:
    """Enter a person's leave: not at the bench on these days. Jobs planned in its weeks are told.

    Why somebody is away is nobody else's business: the reason may be left out.
    """
    from calfleet.records import PersonLeave
    from calfleet.services.enter_days_off import enter_leave
    from calfleet.site import find_site

    folder = find_site(site)
    today = folder.today()
    begins = day(first, today)
    given = PersonLeave(who, begins, day(last, begins), reason)
    actor = planner(folder, person, today, to="enter leave")
    with folder.work(actor=actor, action="leave", subject=who) as work:
        made = enter_leave(work, given, today=today)
        work.commit()
    x = made.leave
    said = f"{x.person} on leave {days_text(x.first_on, x.last_on)}."
    _tell(said, made.touched, made.without_effect)


@shop_app.command("add-absence")
def add_absence(
    gauge: Annotated[str, typer.Argument(metavar="GAUGE", help="The gauge's code.")],
    first: FirstArgument,
    last: LastArgument = None,
    reason: Annotated[
        str, typer.Option(metavar="TEXT", help="Where it is: at a laboratory, lent, in repair.")
    ] = "",
    person: PersonOption = None,
    site: SiteOption = None,
) -> None:
    """Enter days on which a reference gauge is away. Jobs that would use it then are told.

    Near its due date the absence is taken for its own calibration.
    """
    from calfleet.records import GaugeAbsence
    from calfleet.services.enter_absence import enter_absence
    from calfleet.site import find_site

    folder = find_site(site)
    today = folder.today()
    begins = day(first, today)
    given = GaugeAbsence(gauge, begins, day(last, begins), reason)
    actor = planner(folder, person, today, to="enter absences of gauges")
    with folder.work(actor=actor, action="gauge absence", subject=gauge) as work:
        made = enter_absence(work, given, today=today)
        work.commit()
    a = made.absence
    said = f"{a.gauge} away {days_text(a.first_on, a.last_on)}: {a.reason.rstrip('.')}."
    _tell(said, made.touched)


@shop_app.command("set-hours")
def set_hours(
    who: Annotated[str, typer.Argument(metavar="PERSON", help="Whose hours: a person's code.")],
    hours: Annotated[
        str, typer.Argument(metavar="HOURS", help="Bench hours a week; 0: none any more.")
    ],
    since: SinceOption = None,
    person: PersonOption = None,
    site: SiteOption = None,
) -> None:
    """Set a person's bench hours a week from a day on; they replace those before.

    Of somebody who works in two places, give the hours for this bench only. The week's hours are
    spread over its five weekdays. Only technicians bring bench time.
    """
    from calfleet.services.set_hours import set_hours as service
    from calfleet.site import find_site

    folder = find_site(site)
    today = folder.today()
    start = day(since, today)
    given: Decimal = decimal(hours)
    actor = planner(folder, person, today, to="set hours")
    with folder.work(actor=actor, action="working hours", subject=who) as work:
        made = service(work, who, given, effective_on=start, today=today)
        work.commit()
    h = made.hours
    was = "none" if made.before is None else f"{made.before / 60:g} h"
    said = f"{h.person}: {h.minutes_per_week / 60:g} bench hours a week from {h.effective_on}"
    _tell(f"{said} ({was} before).", made.touched, made.without_effect)


@shop_app.command("set-terms")
def set_terms(
    laboratory: Annotated[str, typer.Argument(metavar="LABORATORY", help="Its code.")],
    transit: Annotated[int, typer.Option(metavar="DAYS", help="On the way, both ways together.")],
    there: Annotated[int, typer.Option(metavar="DAYS", help="At the laboratory.")],
    review: Annotated[
        int, typer.Option(metavar="DAYS", help="Until the certificate is reviewed in the shop.")
    ],
    since: SinceOption = None,
    person: PersonOption = None,
    site: SiteOption = None,
) -> None:
    """Set how many days a laboratory keeps a gauge; the gauges to be sent on another day are told.

    Calendar days. 'gauge-schedule' counts back from the due date with them.
    """
    from calfleet.records import LaboratoryTerms
    from calfleet.services.set_terms import set_terms as service
    from calfleet.site import find_site

    folder = find_site(site)
    today = folder.today()
    given = LaboratoryTerms(laboratory, day(since, today), transit, there, review)
    actor = planner(folder, person, today, to="set laboratory terms")
    with folder.work(actor=actor, action="laboratory terms", subject=laboratory) as work:
        made = service(work, given, today=today)
        work.commit()
    t = made.terms
    away = t.transit_days + t.turnaround_days + t.review_days
    was = "not entered" if made.before is None else f"{made.before} days"
    print(
        paragraph(
            f"{t.laboratory} keeps a gauge {away} days from {t.effective_on}: {t.transit_days} on "
            f"the way, {t.turnaround_days} there, {t.review_days} for the review ({was} before)."
        )
    )
    if made.moved:
        told = "; ".join(
            f"{m.gauge} by {m.after} instead of {m.before or 'a day not known'}" for m in made.moved
        )
        print(
            paragraph(
                f"To be sent on another day: {told}. 'calfleet gauge-schedule' shows what that "
                "does to the jobs."
            )
        )
    else:
        print("No gauge is to be sent on another day within a year.")


@shop_app.command("add-group")
def add_group(
    code: Annotated[str, typer.Argument(metavar="CODE", help="A code for the group.")],
    tags: Annotated[list[str], typer.Argument(metavar="TAG...", help="Its switches, two or more.")],
    apart: Annotated[
        int, typer.Option("--weeks-apart", metavar="WEEKS", help="So far apart in a plan.")
    ] = 1,
    person: PersonOption = None,
    site: SiteOption = None,
) -> None:
    """Group redundant channels: weeks apart in a plan, not the same person with the same gauge."""
    from calfleet.services.group_channels import group_channels
    from calfleet.site import find_site

    folder = find_site(site)
    today = folder.today()
    actor = planner(folder, person, today, to="group redundant channels")
    with folder.work(actor=actor, action="redundant group", subject=code) as work:
        made = group_channels(work, code, tags, weeks_apart=apart, today=today)
        work.commit()
    g = made.group
    weeks = "a week" if g.weeks_apart == 1 else f"{g.weeks_apart} weeks"
    _tell(f"{g.code}: {', '.join(g.tags)}, at least {weeks} apart.", made.touched)


@shop_app.command("cancel")
def cancel(
    kind: Annotated[
        Kind,
        typer.Argument(
            metavar="WHAT", help="What is cancelled: holiday, closure, leave, absence or group."
        ),
    ],
    subject: Annotated[
        str | None,
        typer.Argument(metavar="CODE", help="Whose leave, which gauge's absence, which group."),
    ] = None,
    reason: Annotated[str, typer.Option(metavar="TEXT", help="Why it no longer counts.")] = "",
    first: Annotated[
        str | None, typer.Option("--from", metavar="DATE", help="Its first day.")
    ] = None,
    last: Annotated[
        str | None,
        typer.Option("--to", metavar="DATE", help="Its last day, where two begin on one day."),
    ] = None,
    person: PersonOption = None,
    site: SiteOption = None,
) -> None:
    """Cancel a holiday, closure, leave, absence or group: it stays on record and no longer counts.

    Hours and laboratory terms are not cancelled: set them anew from a day on.
    """
    from calfleet.services.cancel_entry import cancel_entry
    from calfleet.site import find_site

    folder = find_site(site)
    today = folder.today()
    what = _withdrawable(kind)
    actor = planner(folder, person, today, to="cancel what was entered")
    with folder.work(
        actor=actor, action=f"cancel {what}", subject=subject or first or "", reason=reason
    ) as work:
        made = cancel_entry(
            work,
            what,
            subject,
            first_on=None if first is None else day(first, today),
            last_on=None if last is None else day(last, today),
            reason=reason,
        )
        work.commit()
    named = f"{what} {made.subject}".strip()
    when = "" if made.first_on is None or made.last_on is None else " " + days_text(
        made.first_on, made.last_on
    )  # fmt: skip
    print(
        paragraph(
            f"Cancelled: {named}{when}. Forecast and schedule no longer count it; a plan made "
            "before keeps its weeks until 'calfleet plan make'."
        )
    )


def _withdrawable(kind: Kind) -> Withdrawable:
    from calfleet.records import Withdrawable

    return {
        Kind.HOLIDAY: Withdrawable.HOLIDAY,
        Kind.CLOSURE: Withdrawable.CLOSURE,
        Kind.LEAVE: Withdrawable.LEAVE,
        Kind.ABSENCE: Withdrawable.ABSENCE,
        Kind.GROUP: Withdrawable.GROUP,
    }[kind]
