"""``calfleet plan``: a levelled plan made, shown, fixed in places, and accepted."""

from __future__ import annotations

import sys
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from calfleet.adapters.cli.app import (
    PLANNER,
    FormatOption,
    Group,
    PersonOption,
    SiteOption,
    app,
    planner,
    refuse_existing,
    write_new,
)
from calfleet.adapters.cli.render import Column, Format, listing, paragraph
from calfleet.adapters.cli.workbooks import Book, WorkbookOption, listing_and_book, site_and_day
from calfleet.errors import UsageError

if TYPE_CHECKING:
    from calfleet.records import Plan, PlanAssignment
    from calfleet.services.make_plan import MadePlan, Release, WeekLoad, Wish
    from calfleet.site import SiteFolder

plan_app = typer.Typer(
    cls=Group, no_args_is_help=True, rich_markup_mode=None, help="The levelled plan of the weeks."
)
app.add_typer(plan_app, name="plan", rich_help_panel=PLANNER)

ReasonOption = Annotated[
    str, typer.Option("--reason", metavar="TEXT", help="Why; kept with the plan.")
]
WeeksOption = Annotated[
    int, typer.Option(metavar="NUMBER", min=1, max=156, help="How many weeks to plan.")
]


@plan_app.command("make")
def make(
    weeks: WeeksOption = 26,
    check: Annotated[bool, typer.Option("--check", help="Show it, keep nothing.")] = False,
    person: PersonOption = None,
    output: FormatOption = Format.TABLE,
    site: SiteOption = None,
) -> None:
    """Make a plan: every job in a week, with a person and a gauge; kept as a record.

    No job later than its policy allows; pulled forward by at most a quarter of its interval;
    redundant channels apart and not both in the same hands with the same gauge. Departs from the
    last plan as little as it can. Kept by a planner; anybody may look with --check.
    """
    from calfleet.site import find_site

    folder = find_site(site)
    if check:
        from calfleet.services.make_plan import make_plan

        _tell_start(weeks)
        with folder.reading() as session:
            made = make_plan(session, today=folder.today(), weeks=weeks)
        _show_made(made, output, kept=False)
    else:
        _make(folder, weeks, person, output, action="make plan")


@plan_app.command("fix")
def fix(
    tag: Annotated[str, typer.Argument(metavar="TAG", help="The switch's tag.")],
    week: Annotated[str, typer.Option(metavar="YYYY-Www", help="The week it is to be done in.")],
    with_person: Annotated[
        str | None, typer.Option("--person", metavar="PERSON", help="By whom; else as it fits.")
    ] = None,
    gauge: Annotated[
        str | None, typer.Option(metavar="CODE", help="With which gauge; else as it fits.")
    ] = None,
    reason: ReasonOption = "",
    person: PersonOption = None,
    output: FormatOption = Format.TABLE,
    site: SiteOption = None,
) -> None:
    """Fix one job of the last plan in a week, and make the plan again around it.

    It stays there in later plans until it is done or released.
    """
    from calfleet.services.make_plan import Wish, find_plan
    from calfleet.site import find_site

    folder = find_site(site)
    _require_reason(reason, "fixed")
    with folder.reading() as session:
        last = find_plan(session, None)
    wish = Wish(tag, week, with_person, gauge, reason.strip())
    _make(folder, last.weeks, person, output, action="fix in plan", wishes=[wish])


@plan_app.command("release")
def release(
    tag: Annotated[str, typer.Argument(metavar="TAG", help="The switch's tag.")],
    reason: ReasonOption = "",
    person: PersonOption = None,
    output: FormatOption = Format.TABLE,
    site: SiteOption = None,
) -> None:
    """Release a job that was fixed, and make the plan again: it goes where it fits.

    The new plan keeps what was released and why; the plans before it stay as they were.
    """
    from calfleet.services.make_plan import Release, find_plan
    from calfleet.site import find_site

    folder = find_site(site)
    _require_reason(reason, "released")
    with folder.reading() as session:
        last = find_plan(session, None)
    freed = Release(tag, reason.strip())
    _make(folder, last.weeks, person, output, action="release in plan", releases=[freed])


def _require_reason(reason: str, done: str) -> None:
    if not reason.strip():
        raise UsageError(
            "No reason is given.",
            rule=f"A job is {done} for a reason, which is kept with the plan.",
            next_step="Give it with --reason TEXT.",
        )


@plan_app.command("show")
def show(
    number: Annotated[
        str | None, typer.Argument(metavar="NUMBER", help="The plan's number; else the last.")
    ] = None,
    week: Annotated[
        str | None, typer.Option(metavar="YYYY-Www", help="Only the jobs of this week.")
    ] = None,
    unplanned: Annotated[
        bool, typer.Option("--unplanned", help="The jobs without a place, and what each lacks.")
    ] = False,
    calendar: Annotated[
        Path | None,
        typer.Option(metavar="FILE", help="Write it as a calendar file (.ics), too."),
    ] = None,
    workbook: WorkbookOption = None,
    output: FormatOption = Format.TABLE,
    site: SiteOption = None,
) -> None:
    """Show a plan, week by week.

    The day is a proposal: what is due first comes first, as the person's hours allow. A job
    without a place is told with what it lacks, and with the soonest place that is left free.
    """
    from calfleet.scheduling.calendar import week_bounds
    from calfleet.services.make_plan import find_plan

    if unplanned and week is not None:
        raise UsageError(
            "Both --unplanned and --week were given.",
            rule="A job without a place is in no week.",
            next_step="Give one of them.",
        )
    refuse_existing(calendar)
    folder, _ = site_and_day(site, None, workbook)
    with folder.reading() as session:
        found = find_plan(session, number)
    book = Book(workbook, folder, f"Plan {found.number}", found.as_of)
    rows = found.assignments
    if week is not None:
        first, _ = week_bounds(week)
        rows = tuple(a for a in rows if a.week_on == first)
    if unplanned:
        _show_unplanned(found, output, book)
    else:
        _show(found, rows, output, book)
    if calendar is not None:
        _write_calendar(folder, found, rows, calendar)


def _write_calendar(
    folder: SiteFolder, found: Plan, rows: tuple[PlanAssignment, ...], calendar: Path
) -> None:
    """The jobs as an iCalendar file; jobs that the plan before held and this one does not, struck.

    The edition counts the plans made, so that a newer plan's file changes an older one's events;
    what is accepted is newer than the same plan before.
    """
    from calfleet.adapters.documents.calendar_file import calendar_file, kept_plan_entries
    from calfleet.services.make_plan import plan_calendar

    with folder.reading() as session:
        told = plan_calendar(session, found)
    entries = kept_plan_entries(
        found, rows, told.switches, before=told.before if rows == found.assignments else ()
    )
    text = calendar_file(
        entries,
        site=told.site,
        stamp=folder.now(),
        name=f"Calibration plan {found.number}",
        sequence=2 * told.edition + (found.accepted_on is not None),
    )
    write_new(calendar, text, newline="")


@plan_app.command("accept")
def accept(
    number: Annotated[
        str | None, typer.Argument(metavar="NUMBER", help="The plan's number; else the last.")
    ] = None,
    reason: Annotated[
        str, typer.Option("--reason", metavar="TEXT", help="What is to be kept with it.")
    ] = "",
    person: PersonOption = None,
    site: SiteOption = None,
) -> None:
    """Accept a plan, as a planner: from then on it is the one the shop works to."""
    from calfleet.records import Role
    from calfleet.services.make_plan import accept as service
    from calfleet.services.make_plan import find_plan, unplanned_count
    from calfleet.services.who import holder
    from calfleet.site import find_site

    folder = find_site(site)
    with folder.reading() as session:
        actor = holder(session, person, Role.PLANNER, folder.today(), to="accept plans")
        wanted = find_plan(session, number)
    why = reason.strip() or (
        f"The plan the shop works to from {wanted.first_week_on}: {len(wanted.assignments)} jobs, "
        f"{unplanned_count(wanted)} without a place."
    )
    with folder.work(actor=actor, action="accept plan", subject=wanted.number, reason=why) as work:
        made = service(work, wanted.number, actor, folder.today())
        work.commit()
    print(f"{made.number} accepted on {made.accepted_on} by {made.accepted_by}.")


def _tell_start(weeks: int) -> None:
    words = f"{weeks} week{'' if weeks == 1 else 's'}"
    print(f"Planning {words} ...", file=sys.stderr, flush=True)


def _make(
    folder: SiteFolder,
    weeks: int,
    person: str | None,
    output: Format,
    *,
    action: str,
    wishes: tuple[Wish, ...] | list[Wish] = (),
    releases: tuple[Release, ...] | list[Release] = (),
) -> None:
    """Make the plan anew and keep it; the trail tells what was done, in which plan, and why."""
    from calfleet.services.make_plan import keep_plan, make_plan

    actor = planner(folder, person, folder.today(), to="make plans")
    _tell_start(weeks)
    with folder.work(actor=actor, action=action, subject="") as work:
        made = make_plan(
            work.session, today=folder.today(), weeks=weeks, wishes=wishes, releases=releases
        )
        keep_plan(work, made)
        work.subject, work.reason = _subject_and_reason(made.record)
        work.commit()
    _show_made(made, output, kept=True)


def _subject_and_reason(made: Plan) -> tuple[str, str]:
    """What the audit trail says of a plan: the decision it was made for, or the plan itself."""
    told = made.settings.get("decided")
    if isinstance(told, list) and told:
        one = told[0]
        return f"{one['tag']} {one['week']}, {made.number}", str(one["reason"])
    based = "the first plan" if made.based_on is None else f"after {made.based_on}"
    weeks = f"{made.weeks} week{'' if made.weeks == 1 else 's'}"
    return made.number, f"Levelled anew over {weeks} from {made.first_week_on}, {based}."


def _show_made(made: MadePlan, output: Format, *, kept: bool) -> None:
    if output is not Format.TABLE:
        _show(made.record, made.record.assignments, output)
        return
    _show_load(made)
    _show_outcome(made.record)
    number = made.record.number
    print(
        paragraph(
            f"Kept as {number}. 'calfleet plan show' lists the jobs, 'calfleet plan accept --as "
            "PERSON' accepts it."
            if kept
            else "Checked only; nothing was kept."
        )
    )


BAR = 20


def _show_load(made: MadePlan) -> None:
    rows = [line for line in made.levelled.loads if line.capacity_minutes or line.jobs]
    listing(
        rows,
        [
            Column("Week", "week", lambda x: str(x.week)),
            Column("From", "from", lambda x: x.week.first),
            Column("Jobs", "jobs", lambda x: x.jobs, right=True),
            Column("Hours", "hours", lambda x: x.minutes / 60, lambda h: f"{h:.1f}", right=True),
            Column("Shop has", "capacity", lambda x: x.capacity_minutes / 60,
                   lambda h: f"{h:.1f}", right=True),
            Column("Load", "load", lambda x: x, _bar),
            Column("By person", "people",
                   lambda x: ", ".join(f"{p} {m / 60:.1f}" for p, m in x.by_worker if m),
                   fold=True),
            Column("Gauges", "gauges",
                   lambda x: ", ".join(g for g, m in x.by_gauge if m), fold=True),
        ],
        Format.TABLE,
        title=f"Plan {made.record.number}: hours by week",
    )  # fmt: skip


def _bar(line: WeekLoad) -> str:
    if not line.capacity_minutes:
        return ""
    share = line.minutes / line.capacity_minutes
    filled = min(BAR, round(share * BAR))
    return "█" * filled + "·" * (BAR - filled) + f" {100 * share:3.0f} %"


def _show_outcome(found: Plan) -> None:
    o = found.outcome
    print()
    print(
        paragraph(
            f"{len(found.assignments)} jobs planned. Fullest person-week "
            f"{100 * _figure(o, 'peak_share'):.0f} % of its hours; {_figure(o, 'late_days'):.0f} "
            f"days of grace or lateness used; {_figure(o, 'lost_minutes') / 60:.1f} bench hours "
            "given away by working early"
            + (
                f"; {_figure(o, 'moved'):.0f} jobs moved against {found.based_on}."
                if found.based_on
                else "."
            )
        )
    )
    print(
        paragraph(
            f"At most {100 * _figure(o, 'gap'):.1f} % of its cost could still be saved "
            f"(cost {_figure(o, 'objective'):.0f}, proven bound {_figure(o, 'bound'):.0f}, "
            f"{o.get('method')})."
        )
    )
    for one in _listed(found.settings, "decided"):
        print(paragraph(_decision_text(one)))
    unplanned = _listed(o, "unplanned")
    if unplanned:
        print(f"\nWithout a place: {len(unplanned)}")
        for one in unplanned:
            print(paragraph(_unplanned_text(one), indent="  ! "))


def _listed(told: dict[str, object], name: str) -> list[dict[str, Any]]:
    rows = told.get(name)
    return rows if isinstance(rows, list) else []


def _decision_text(one: dict[str, Any]) -> str:
    hands = " with ".join(one[k] for k in ("person", "gauge") if one.get(k))
    hands = f" ({hands})" if hands else ""
    where = "in" if one["what"] == "fixed" else "from"
    return (
        f"{one['tag']}, due {one['due_on']}, {one['what']} {where} {one['week']}{hands}: "
        f"{one['reason']}"
    )


def _unplanned_text(one: dict[str, Any]) -> str:
    """A job without a place in a sentence or two; plans of older programs tell less of it."""
    lacks = f" (lacks: {one['lacks']})" if one.get("lacks") else ""
    text = f"{one['tag']}, due {one['due_on']}{lacks}: {one['reason']}"
    soonest = one.get("soonest")
    if soonest:
        text += f" Soonest free place, after its latest day: {_place_text(soonest)}."
    return text


def _place_text(soonest: dict[str, Any]) -> str:
    from calfleet.scheduling.calendar import iso_week

    with_gauge = f" with {soonest['gauge']}" if soonest.get("gauge") else ""
    week = iso_week(date.fromisoformat(soonest["week_on"]))
    return f"the week of {soonest['week_on']} ({week}), {soonest['person']}{with_gauge}"


def _show_unplanned(found: Plan, output: Format, book: Book) -> None:
    def place(one: dict[str, Any], what: str) -> str | None:
        return (one.get("soonest") or {}).get(what)

    listing_and_book(
        _listed(found.outcome, "unplanned"),
        [
            Column("Tag", "tag", lambda x: x["tag"]),
            Column("Due", "due_on", lambda x: _date(x["due_on"])),
            Column("Lacks", "lacks", lambda x: x.get("lacks")),
            Column("Why", "reason", lambda x: x["reason"], fold=True),
            Column("Soonest week of", "soonest_week_on", lambda x: _date(place(x, "week_on"))),
            Column("Person", "soonest_person", lambda x: place(x, "person")),
            Column("Gauge", "soonest_gauge", lambda x: place(x, "gauge")),
            Column("", "proven", lambda x: x.get("proven")),
        ],
        output,
        book,
        title=f"Plan {found.number}: jobs without a place",
        empty="Every job has a place.",
        footer=[
            "",
            paragraph(
                "Soonest: the first place after the job's latest day that the plan leaves free; "
                "being late needs whoever approves it. A job that is past its latest day already "
                "can be fixed in any week ('calfleet plan fix'); any other is deferred first."
            ),
        ],
    )


def _more(found: Plan) -> dict[tuple[str, str], dict[str, str]]:
    """What the plan says of each job beside its week, by tag and due date."""
    told = found.outcome.get("days")
    rows = told if isinstance(told, list) else []
    return {(one["tag"], one["due_on"]): one for one in rows}


def _date(text: str | None) -> date | None:
    return None if text is None else date.fromisoformat(text)


def _weekday(day: date) -> str:
    return f"{day:%a} {day}"


def _figure(outcome: dict[str, object], name: str) -> float:
    value = outcome.get(name, 0)
    return float(value) if isinstance(value, int | float) else 0.0


def _show(
    found: Plan, rows: tuple[PlanAssignment, ...], output: Format, book: Book | None = None
) -> None:
    state = (
        f"accepted {found.accepted_on} by {found.accepted_by}"
        if found.accepted_on
        else "not accepted yet"
    )
    more = _more(found)

    def told(a: PlanAssignment, what: str) -> str | None:
        return more.get((a.tag, a.due_on.isoformat()), {}).get(what)

    def in_order(a: PlanAssignment) -> tuple[object, ...]:
        return (a.week_on, told(a, "day") or a.week_on.isoformat(), a.due_on, a.tag)

    fixed_why = "Why fixed" if any(a.note for a in rows) else ""
    jobs = sorted(rows, key=in_order)
    columns: list[Column[PlanAssignment]] = [
        Column("Week of", "week_on", lambda x: x.week_on),
        Column("Day", "day", lambda x: _date(told(x, "day")), _weekday),
        Column("Tag", "tag", lambda x: x.tag),
        Column("Work", "work", lambda x: told(x, "work") or "calibration", fold=True),
        Column("Due", "due_on", lambda x: x.due_on),
        Column("Person", "person", lambda x: x.person),
        Column("Gauge", "gauge", lambda x: x.gauge),
        Column("Static", "static_gauge", lambda x: told(x, "static_gauge")),
        Column("Fixed", "fixed", lambda x: x.fixed, lambda f: "fixed" if f else ""),
        Column(fixed_why, "note", lambda x: x.note or None, fold=True, name="Why fixed"),
    ]
    title = f"Plan {found.number} as of {found.as_of}, {found.weeks} weeks, {state}"
    if book is None:
        listing(jobs, columns, output, title=title)
    else:
        listing_and_book(jobs, columns, output, book, title=title)
    if output is Format.TABLE:
        _show_outcome(found)
