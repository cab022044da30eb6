"""Certificates and other papers as files: attached to a record, listed, got out again."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Annotated

import typer

from calfleet.adapters.cli.app import (
    AUDITOR,
    FormatOption,
    PersonOption,
    SiteOption,
    app,
    named,
    refuse_existing,
)
from calfleet.adapters.cli.render import Column, Format
from calfleet.adapters.cli.workbooks import Book, WorkbookOption, listing_and_book, site_and_day
from calfleet.errors import UsageError

RECORD = "What it belongs to: certificate, calibration, event or cross-check, and its number."


@app.command(rich_help_panel=AUDITOR)
def attach(
    file: Annotated[Path, typer.Argument(metavar="FILE", help="The file to keep.")],
    to: Annotated[tuple[str, str], typer.Option("--to", metavar="KIND NUMBER", help=RECORD)],
    note: Annotated[str, typer.Option(metavar="TEXT", help="What it is.")] = "",
    person: PersonOption = None,
    site: SiteOption = None,
) -> None:
    """Keep a file with a record: PDF, XML, PNG, JPEG, TIFF, text or CSV, judged by its content."""
    from calfleet.services.attach import attach as service
    from calfleet.services.attach import bound_key, examine, parse_bound, too_large
    from calfleet.services.look_up import person_code
    from calfleet.site import find_site

    folder = find_site(site)
    folder.require_writable()
    person = named(person, "who attaches this")
    kind = parse_bound(to[0])
    if not file.is_file():
        raise UsageError(
            f"There is no file {file}.",
            rule="What is attached is one plain file.",
            next_step="Check the name and the folder.",
        )
    limit = folder.attachment_limit
    with file.open("rb") as opened:
        data = opened.read(limit + 1)
    if len(data) > limit:
        raise too_large(file.name, limit)
    examined = examine(data, file.name, limit=limit)
    with folder.reading() as session:
        actor = person_code(session, person)
        key = bound_key(session, kind, to[1])
    # the file first: a record never speaks of a file that is not there
    folder.keep_file(data, examined.digest)
    with folder.work(
        actor=actor, action="attach file", subject=f"{kind} {key}", reason=note
    ) as work:
        made = service(work, examined, to=kind, key=key, note=note)
        work.commit()
    if examined.renamed:
        print(examined.renamed)
    print(f"Attached to {made.to} {made.key}: {made.name}, {made.media_type}, {made.size} bytes.")
    print(f"SHA-256 {made.digest}")


@app.command(rich_help_panel=AUDITOR)
def attachments(
    to: Annotated[
        tuple[str, str] | None,
        typer.Option("--to", metavar="KIND NUMBER", help="Only those of one record."),
    ] = None,
    workbook: WorkbookOption = None,
    output: FormatOption = Format.TABLE,
    site: SiteOption = None,
) -> None:
    """List the attached files, oldest first: what each belongs to, its kind, size and digest."""
    from calfleet.services.attach import list_attachments, parse_bound, safe_name

    kind = None if to is None else parse_bound(to[0])
    folder, today = site_and_day(site, None, workbook)
    with folder.reading() as session:
        rows = list_attachments(session, to=kind, key=None if to is None else to[1])
    listing_and_book(
        rows,
        [
            Column("Belongs to", "to", lambda x: x.attachment.to),
            Column("Number", "number", lambda x: x.attachment.key),
            Column(
                "File", "name", lambda x: safe_name(x.attachment.name, x.attachment.media_type),
                fold=True,
            ),
            Column("Kind", "media_type", lambda x: x.attachment.media_type),
            Column("Bytes", "size_bytes", lambda x: x.attachment.size, right=True),
            Column("Attached", "", lambda x: f"{x.recorded_at:%Y-%m-%d}", table_only=True),
            Column("", "attached_at", lambda x: x.recorded_at),
            Column("By", "attached_by", lambda x: x.recorded_by),
            Column("Digest", "", lambda x: x.attachment.digest[:16], table_only=True),
            Column("", "sha256", lambda x: x.attachment.digest),
            Column("Note", "note", lambda x: x.attachment.note or None, fold=True),
        ],
        output,
        Book(workbook, folder, "Attached files", today),
        title="Attached files, oldest first",
        footer=[
            "",
            "'calfleet attachment DIGEST --out FILE' gets one out; 'calfleet verify' checks them.",
        ],
        empty="No file is attached.",
    )  # fmt: skip


@app.command(rich_help_panel=AUDITOR)
def attachment(
    digest: Annotated[
        str, typer.Argument(metavar="DIGEST", help="Its SHA-256 digest, or how it begins.")
    ],
    out: Annotated[
        Path, typer.Option(metavar="FILE", help="The new file to write, or a folder for it.")
    ],
    site: SiteOption = None,
) -> None:
    """Get an attached file out again, its digest checked."""
    from calfleet.services.attach import find_attachment, safe_name
    from calfleet.site import find_site

    folder = find_site(site)
    with folder.reading() as session:
        found = find_attachment(session, digest).attachment
    target = out / safe_name(found.name, found.media_type) if out.is_dir() else out
    refuse_existing(target)
    data = folder.kept_file(found.digest)
    with target.open("xb") as file:
        file.write(data)
    print(f"Written: {target}", file=sys.stderr)
