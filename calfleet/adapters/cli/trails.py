"""``calfleet trail``: the audit trail, and one entry with its facts before and after."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from calfleet.adapters.cli.app import AUDITOR, FormatOption, SiteOption, app, day
from calfleet.adapters.cli.render import Column, Format, as_json, facts, listing, paragraph
from calfleet.adapters.cli.workbooks import (
    Book,
    WorkbookOption,
    listing_and_book,
    site_and_day,
    write_listing,
)
from calfleet.errors import UsageError

if TYPE_CHECKING:
    from calfleet.services.trail import AuditEntry, Change, Head
    from calfleet.site import SiteFolder


@app.command(rich_help_panel=AUDITOR)
def trail(
    position: Annotated[
        int | None,
        typer.Argument(metavar="ENTRY", help="One entry's number: its facts before and after."),
    ] = None,
    by: Annotated[
        str | None, typer.Option(metavar="PERSON", help="Only what this person entered.")
    ] = None,
    since: Annotated[
        str | None, typer.Option(metavar="DATE", help="Only what was entered from this day on.")
    ] = None,
    about: Annotated[
        str | None,
        typer.Option(metavar="TEXT", help="Only entries whose subject or facts name this."),
    ] = None,
    workbook: WorkbookOption = None,
    output: FormatOption = Format.TABLE,
    site: SiteOption = None,
) -> None:
    """List the audit trail, newest first: who, when, what, why; or one entry, before and after.

    Prints the head of the trail: keep it elsewhere, and a rewritten database is found out.
    """
    from datetime import date

    from calfleet.services.trail import entries, head

    folder, today = site_and_day(site, None, workbook)
    if position is not None:
        if by or since or about:
            raise UsageError(
                "An entry's number and a choice of entries.",
                rule="One entry is shown whole.",
                next_step="Leave out --by, --since and --about.",
            )
        _one(folder, position, output, workbook)
        return
    with folder.reading() as session:
        rows = entries(
            session, by=by, since=None if since is None else day(since, date.min), about=about
        )
        end = head(session)
    listing_and_book(
        rows,
        [
            Column("Entry", "entry", lambda x: x.position, right=True),
            Column("When (UTC)", "", lambda x: f"{x.at:%Y-%m-%d %H:%M}", table_only=True),
            Column("", "at", lambda x: x.at, name="When (UTC)"),
            Column("Who", "by", lambda x: x.actor),
            Column("What", "action", lambda x: x.action, fold=True),
            Column("About", "subject", lambda x: x.subject, fold=True),
            Column("Why", "reason", lambda x: x.reason or None, fold=True),
            Column("Facts", "facts", lambda x: sum(1 for _ in x.facts()), right=True),
            Column("Kinds", "kinds", _kinds, fold=True),
            Column("", "digest", lambda x: x.digest),
        ],
        output,
        Book(workbook, folder, "Audit trail", today),
        title="Audit trail, newest first",
        footer=["", "'calfleet trail ENTRY' shows one with its facts before and after.",
                _head_line(end)],
        empty="No entry.",
    )  # fmt: skip


def _head_line(end: Head) -> str:
    return f"Head of the audit trail: entry {end.position}, {end.digest}"


def _kinds(entry: AuditEntry) -> str:
    counted: dict[str, int] = {}
    for kind, _, _ in entry.facts():
        counted[kind] = counted.get(kind, 0) + 1
    return ", ".join(f"{n} {kind}" if n > 1 else kind for kind, n in counted.items())


def _one(folder: SiteFolder, position: int, output: Format, workbook: Path | None) -> None:
    from calfleet.services.trail import changes, entry, head

    with folder.reading() as session:
        one = entry(session, position)
        rows = changes(session, one)
        end = head(session)
    write_listing(
        workbook,
        folder,
        rows,
        _columns(one),
        title=f"Entry {one.position}",
        heading=f"Audit entry {one.position}: {one.action}, {one.subject}",
        as_of=folder.today(),
        notes=[f"Entered {one.at:%Y-%m-%d %H:%M:%S} UTC by {one.actor}. {one.reason}",
               f"Digest {one.digest}, after {one.previous}.", _head_line(end)],
    )  # fmt: skip
    if output is Format.JSON:
        _as_json(one, rows, end)
        return
    if output is Format.TABLE:
        print(f"Audit entry {one.position}")
        for line in facts(
            [
                ("When", f"{one.at:%Y-%m-%d %H:%M:%S} UTC"),
                ("Who", one.actor),
                ("What", one.action),
                ("About", one.subject),
                ("Why", one.reason or "no reason given"),
                ("After", one.previous),
                ("Digest", one.digest),
                ("Sealed", _sealed(one)),
            ]
        ):
            print(f"  {line}")
        print()
        _print_changes(rows)
        print(f"\n{_head_line(end)}")
        return
    listing(rows, _columns(one), output)


def _sealed(one: AuditEntry) -> str:
    if one.recomputed() == one.digest:
        return "yes: its words give this digest"
    return "NO: its words are not those it was sealed with"


MOST_VALUES = 400
"""So many values are printed at most in the table; CSV and JSON hold all."""


def _print_changes(rows: list[Change]) -> None:
    last: tuple[str, str] | None = None
    for change in rows[:MOST_VALUES]:
        if (change.kind, change.key) != last:
            last = (change.kind, change.key)
            after = f", after {change.before_key}" if change.before_key else ", new"
            spoiled = "" if change.intact else "   NOT AS IT WAS ENTERED"
            print(f"{change.kind} {change.key}{after}{spoiled}")
        if change.before is not None:
            text = f"{change.before} → {'nothing' if change.after is None else change.after}"
        elif change.before_key is not None:
            text = f"nothing → {change.after}"
        else:
            text = change.after or ""
        print(paragraph(text, indent=f"  {change.field}: " if text else f"  {change.field}"))
    if len(rows) > MOST_VALUES:
        print(f"... and {len(rows) - MOST_VALUES} more values: --format csv or json.")


def _columns(one: AuditEntry) -> list[Column[Change]]:
    return [
        Column("", "entry", lambda _: one.position),
        Column("", "kind", lambda x: x.kind),
        Column("", "key", lambda x: x.key),
        Column("", "after_key", lambda x: x.before_key),
        Column("", "field", lambda x: x.field),
        Column("", "before", lambda x: x.before),
        Column("", "after", lambda x: x.after),
        Column("", "as_entered", lambda x: x.intact),
    ]


def _as_json(one: AuditEntry, rows: list[Change], end: Head) -> None:
    found: dict[tuple[str, str], dict[str, object]] = {}
    for change in rows:
        fact = found.setdefault(
            (change.kind, change.key),
            {
                "kind": change.kind,
                "key": change.key,
                "after_key": change.before_key,
                "as_entered": change.intact,
                "values": [],
            },
        )
        values = fact["values"]
        if isinstance(values, list):
            values.append({"field": change.field, "before": change.before, "after": change.after})
    as_json(
        {
            "entry": one.position,
            "at": one.at.isoformat(),
            "by": one.actor,
            "action": one.action,
            "subject": one.subject,
            "reason": one.reason,
            "previous": one.previous,
            "digest": one.digest,
            "sealed": one.recomputed() == one.digest,
            "facts": list(found.values()),
            "head": {"entry": end.position, "digest": end.digest},
        }
    )
