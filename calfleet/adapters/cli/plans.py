"""``calfleet plan``: a levelled plan made, shown, fixed in places, and accepted."""

from __future__ import annotations

import sys
from typing import TYPE_CHECKING, Annotated

import typer

from calfleet.adapters.cli.app import PLANNER, FormatOption, Group, PersonOption, SiteOption, app
from calfleet.adapters.cli.render import Column, Format, listing, paragraph
from calfleet.errors import UsageError

if TYPE_CHECKING:
    from calfleet.records import Plan, PlanAssignment
    from calfleet.services.make_plan import MadePlan, WeekLoad, Wish
    from calfleet.site import SiteFolder

plan_app = typer.Typer(
    cls=Group, no_args_is_help=True, rich_markup_mode=None, help="The levelled plan of the weeks."
)
app.add_typer(plan_app, name="plan", rich_help_panel=PLANNER)

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
    last plan as little as it can.
    """
    from calfleet.site import find_site

    _make(find_site(site), weeks, [], person, output, check=check)


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
    person: PersonOption = None,
    output: FormatOption = Format.TABLE,
    site: SiteOption = None,
) -> None:
    """Fix one job of the last plan in a week, and make the plan again around it."""
    from calfleet.services.make_plan import Wish, find_plan
    from calfleet.site import find_site

    folder = find_site(site)
    with folder.reading() as session:
        last = find_plan(session, None)
    _make(folder, last.weeks, [Wish(tag, week, with_person, gauge)], person, output)


@plan_app.command("show")
def show(
    number: Annotated[
        str | None, typer.Argument(metavar="NUMBER", help="The plan's number; else the last.")
    ] = None,
    week: Annotated[
        str | None, typer.Option(metavar="YYYY-Www", help="Only the jobs of this week.")
    ] = None,
    output: FormatOption = Format.TABLE,
    site: SiteOption = None,
) -> None:
    """Show a plan, week by week.

    The day is a proposal: what is due first comes first, as the person's hours allow.
    """
    from calfleet.scheduling.calendar import week_bounds
    from calfleet.services.make_plan import find_plan
    from calfleet.site import find_site

    with find_site(site).reading() as session:
        found = find_plan(session, number)
    rows = found.assignments
    if week is not None:
        first, _ = week_bounds(week)
        rows = tuple(a for a in rows if a.week_on == first)
    _show(found, rows, output)


@plan_app.command("accept")
def accept(
    number: Annotated[
        str | None, typer.Argument(metavar="NUMBER", help="The plan's number; else the last.")
    ] = None,
    person: PersonOption = None,
    site: SiteOption = None,
) -> None:
    """Accept a plan, as a planner: from then on it is the one the shop works to."""
    from calfleet.services.make_plan import accept as service
    from calfleet.site import find_site

    if person is None:
        raise UsageError(
            "Nobody is named.",
            rule="A plan is accepted by somebody.",
            next_step="Name the planner with --as.",
        )
    folder = find_site(site)
    with folder.work(actor=person, action="accept plan", subject=number or "last plan") as work:
        made = service(work, number, person, folder.today())
        work.commit()
    print(f"{made.number} accepted on {made.accepted_on} by {made.accepted_by}.")


def _make(
    folder: SiteFolder,
    weeks: int,
    wishes: list[Wish],
    person: str | None,
    output: Format,
    *,
    check: bool = False,
) -> None:
    from calfleet.services.look_up import person_code
    from calfleet.services.make_plan import keep_plan, make_plan

    print(f"Planning {weeks} weeks ...", file=sys.stderr, flush=True)
    if check:
        with folder.reading() as session:
            made = make_plan(session, today=folder.today(), weeks=weeks, wishes=wishes)
    else:
        actor = "planner"
        if person is not None:
            with folder.reading() as session:
                actor = person_code(session, person)
        with folder.work(actor=actor, action="make plan", subject=f"{weeks} weeks") as work:
            made = make_plan(work.session, today=folder.today(), weeks=weeks, wishes=wishes)
            keep_plan(work, made)
            work.commit()
    if output is Format.TABLE:
        _show_load(made)
        _show_outcome(made.record)
        kept = "Checked only; nothing was kept." if check else (
            f"Kept as {made.record.number}. 'calfleet plan show' lists the jobs, "
            "'calfleet plan accept --as PERSON' accepts it."
        )  # fmt: skip
        print(paragraph(kept))
    else:
        _show(made.record, made.record.assignments, output)


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
    unplanned = o.get("unplanned")
    if isinstance(unplanned, list) and unplanned:
        print(f"\nWithout a place: {len(unplanned)}")
        for one in unplanned:
            print(paragraph(f"{one['tag']}, due {one['due_on']}: {one['reason']}", indent="  ! "))


def _more(found: Plan) -> dict[tuple[str, str], dict[str, str]]:
    """What the plan says of each job beside its week, by tag and due date."""
    told = found.outcome.get("days")
    rows = told if isinstance(told, list) else []
    return {(one["tag"], one["due_on"]): one for one in rows}


def _weekday(day: str) -> str:
    from datetime import date

    return f"{date.fromisoformat(day):%a} {day}"


def _figure(outcome: dict[str, object], name: str) -> float:
    value = outcome.get(name, 0)
    return float(value) if isinstance(value, int | float) else 0.0


def _show(found: Plan, rows: tuple[PlanAssignment, ...], output: Format) -> None:
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

    listing(
        sorted(rows, key=in_order),
        [
            Column("Week of", "week_on", lambda x: x.week_on),
            Column("Day", "day", lambda x: told(x, "day"), _weekday),
            Column("Tag", "tag", lambda x: x.tag),
            Column("Work", "work", lambda x: told(x, "work") or "calibration", fold=True),
            Column("Due", "due_on", lambda x: x.due_on),
            Column("Person", "person", lambda x: x.person),
            Column("Gauge", "gauge", lambda x: x.gauge),
            Column("Static", "static_gauge", lambda x: told(x, "static_gauge")),
            Column("Fixed", "fixed", lambda x: x.fixed, lambda f: "fixed" if f else ""),
        ],
        output,
        title=f"Plan {found.number} as of {found.as_of}, {found.weeks} weeks, {state}",
    )
    if output is Format.TABLE:
        _show_outcome(found)
