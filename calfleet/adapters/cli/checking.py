"""``calfleet verify``: nothing changed behind the site's back, every figure derivable."""

from __future__ import annotations

import sys
from typing import Annotated

import typer

from calfleet.adapters.cli.app import AUDITOR, FormatOption, SiteOption, app
from calfleet.adapters.cli.render import Column, Format, listing


@app.command(rich_help_panel=AUDITOR)
def verify(
    head: Annotated[
        str | None,
        typer.Option(
            metavar="DIGEST", help="A head printed earlier and kept elsewhere: still in the trail?"
        ),
    ] = None,
    output: FormatOption = Format.TABLE,
    site: SiteOption = None,
) -> None:
    """Check that the records are whole: guards, audit trail, facts, files, every figure again.

    Prints the head of the audit trail: keep it elsewhere, and a rewritten database is found out.
    """
    from calfleet.services.verify import verify as service
    from calfleet.site import find_site

    folder = find_site(site)
    with folder.reading() as session:
        found = service(
            session,
            kept_head=head,
            files=folder.kept_files(),
            progress=lambda text: print(f"{text} ...", file=sys.stderr, flush=True),
        )
    listing(
        found.differences,
        [
            Column("Check", "check", lambda x: x.check),
            Column("Where", "where", lambda x: x.where, fold=True),
            Column("What", "what", lambda x: x.text, fold=True),
        ],
        output,
        title=f"{found.entries} audit entries, {found.facts} facts, {found.figures} figures and "
        f"{found.files} attached files checked.",
        empty="Everything is as it was entered, and every figure follows from its readings.",
        footer=[
            *(f"Beside: {r.where}. {r.text}" for r in found.remarks),
            "",
            f"Head of the audit trail: entry {found.head_position}, {found.head}",
        ],
    )
    if found.differences:
        print(
            f"✗ {len(found.differences)} differences. Keep this database as it is.", file=sys.stderr
        )
        raise typer.Exit(1)
