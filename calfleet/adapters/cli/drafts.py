"""``calfleet draft``: bench records put down before they are complete, shown and signed."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from calfleet.adapters.cli.app import (
    BENCH,
    FormatOption,
    Group,
    PersonOption,
    SiteOption,
    app,
    named,
    refuse_existing,
    write_new,
)
from calfleet.adapters.cli.render import Column, Format, as_json, facts, listing
from calfleet.adapters.cli.workbooks import WorkbookOption, site_and_day, write_listing
from calfleet.errors import UsageError

if TYPE_CHECKING:
    from calfleet.services.drafts import DraftLine

draft_app = typer.Typer(
    cls=Group,
    no_args_is_help=True,
    rich_markup_mode=None,
    help="Bench records put down before they are complete.",
)
app.add_typer(draft_app, name="draft", rich_help_panel=BENCH)

DraftArgument = Annotated[
    str, typer.Argument(metavar="DRAFT", help="A draft's number, or a tag (its open draft).")
]


@draft_app.command("list")
def list_(
    every: Annotated[bool, typer.Option("--all", help="Signed and replaced drafts too.")] = False,
    workbook: WorkbookOption = None,
    output: FormatOption = Format.TABLE,
    site: SiteOption = None,
) -> None:
    """List the drafts that wait to be completed or signed, oldest first."""
    from calfleet.services.drafts import list_drafts

    folder, today = site_and_day(site, None, workbook)
    with folder.reading() as session:
        rows = list_drafts(session, every=every)
    columns: list[Column[DraftLine]] = [
        Column("Draft", "draft", lambda x: x.held.draft.number),
        Column("Tag", "tag", lambda x: x.held.draft.tag),
        Column(
            "Done", "performed_on", lambda x: _day_or_text(x.held.draft.content.get("performed_on"))
        ),
        Column("By", "performed_by", lambda x: x.held.draft.content.get("performed_by")),
        Column("Put down", "", lambda x: f"{x.held.recorded_at:%Y-%m-%d %H:%M}", table_only=True),
        Column("", "put_down_at", lambda x: x.held.recorded_at, name="Put down (UTC)"),
        Column("By", "put_down_by", lambda x: x.held.recorded_by, name="Put down by"),
        Column("Runs", "runs", lambda x: x.runs, right=True),
        Column("Missing", "missing", lambda x: ", ".join(x.missing) or None, fold=True),
        Column("State", "state", lambda x: x.state),
        Column("Became", "became", lambda x: x.held.calibration or x.held.replaced_by),
        Column("Note", "note", lambda x: x.held.draft.note or None, fold=True),
    ]
    shown = columns
    if output is Format.TABLE and not every:
        shown = [c for c in columns if c.key not in ("state", "became")]
    title = "Drafts, oldest first" if every else "Open drafts, oldest first"
    footer = ["", "A draft is no calibration: nothing of it counts before it is signed."]
    listing(rows, shown, output, title=title, footer=footer, empty="No draft waits.")
    write_listing(
        workbook, folder, rows, columns, title="Drafts", heading=title, as_of=today, notes=footer
    )


def _day_or_text(typed: object) -> object:
    """A day as such; what was put down and is none, as it is."""
    from datetime import date

    try:
        return date.fromisoformat(str(typed))
    except ValueError:
        return typed


@draft_app.command("show")
def show(
    draft: DraftArgument,
    out: Annotated[
        Path | None,
        typer.Option(metavar="FILE", help="Write it as a readings file (TOML) to complete."),
    ] = None,
    output: FormatOption = Format.TABLE,
    site: SiteOption = None,
) -> None:
    """Show a draft: what is there, what is missing, and (complete) how it would be judged."""
    from calfleet.adapters.cli.bench import show_calibration
    from calfleet.adapters.workbook.readings_file import readings_toml
    from calfleet.services.drafts import find_draft, judge_draft
    from calfleet.site import find_site

    refuse_existing(out)
    folder = find_site(site)
    with folder.reading() as session:
        line = find_draft(session, draft)
        held = line.held
        if out is not None:
            if out.suffix.casefold() != ".toml":
                raise UsageError(
                    f"{out} does not end in .toml.",
                    rule="A readings file is written as TOML.",
                    next_step="Name a file that ends in .toml.",
                )
            write_new(out, readings_toml(held.draft.content))
            return
        if output is not Format.TABLE:
            _show_plain(line, output)
            return
        _show_head(line)
        print()
        if line.state == "open" and not line.missing:
            from dataclasses import replace

            judged = judge_draft(
                session, line, today=folder.today(), at=folder.now(),
                signer=str(held.draft.content["performed_by"]),
            )  # fmt: skip
            show_calibration(session, replace(judged, number=""))
            print(f"\nNot signed. Sign it: calfleet draft sign {held.draft.number}")
        else:
            print(readings_toml(held.draft.content), end="")


def _show_head(line: DraftLine) -> None:
    held = line.held
    print(f"Draft {held.draft.number} of {held.draft.tag}")
    for text in facts(
        [
            ("State", _state(line)),
            ("Put down", f"{held.recorded_at:%Y-%m-%d %H:%M} UTC by {held.recorded_by}"),
            ("In place of", held.draft.replaces or ""),
            ("Missing", ", ".join(line.missing)),
            ("Note", held.draft.note),
        ]
    ):
        print(f"  {text}")


def _state(line: DraftLine) -> str:
    if line.held.calibration:
        return f"signed: it became {line.held.calibration}"
    return f"replaced by {line.held.replaced_by}" if line.held.replaced_by else "open"


def _show_plain(line: DraftLine, output: Format) -> None:
    from calfleet.records import to_plain

    if output is Format.JSON:
        as_json(
            {
                "draft": to_plain(line.held.draft),
                "put_down_at": to_plain(line.held.recorded_at),
                "put_down_by": line.held.recorded_by,
                "state": line.state,
                "became": line.held.calibration or line.held.replaced_by,
                "missing": list(line.missing),
            }
        )
        return
    cycles = line.held.draft.content.get("cycles")
    rows = cycles if isinstance(cycles, list) else []
    listing(
        rows,
        [
            Column("", "draft", lambda _: line.held.draft.number),
            *(
                Column("", name, lambda x, name=name: x.get(name))  # type: ignore[misc]
                for name in ("set_point", "phase", "run", "static", "trip", "reset", "outcome")
            ),
        ],
        output,
    )


@draft_app.command("sign")
def sign(
    draft: DraftArgument,
    person: PersonOption = None,
    check: Annotated[bool, typer.Option("--check", help="Judge and show, record nothing.")] = False,
    site: SiteOption = None,
) -> None:
    """Sign a draft: judged now, it is recorded as a calibration under the performer's name."""
    from dataclasses import replace

    from calfleet.adapters.cli.bench import show_calibration, why_recorded
    from calfleet.services.drafts import find_draft, judge_draft
    from calfleet.services.drafts import sign as service
    from calfleet.services.look_up import person_code
    from calfleet.site import find_site

    folder = find_site(site)
    person = named(person, "who signs", "Signing is done under one's own name.")
    with folder.reading() as session:
        actor = person_code(session, person)
        line = find_draft(session, draft)
        judged = judge_draft(session, line, today=folder.today(), at=folder.now(), signer=actor)
        if check:
            show_calibration(session, replace(judged, number=""))
            print("\nChecked only; nothing was written.")
            return
    with folder.work(
        actor=actor,
        action="sign draft",
        subject=f"{line.held.draft.tag} {line.held.draft.number}",
        reason=why_recorded(judged.bench) or line.held.draft.note,
    ) as work:
        # found and judged again inside the unit of work: another may have signed it meanwhile
        made = service(work, find_draft(work.session, line.held.draft.number), today=folder.today())
        work.commit()
    with folder.reading() as session:
        show_calibration(session, made, with_cautions=True)
    print(f"Signed as {made.number}. It waits for review: calfleet review list")
