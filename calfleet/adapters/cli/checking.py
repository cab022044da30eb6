"""``calfleet verify``: nothing changed behind the site's back, every figure derivable."""

from __future__ import annotations

import re
import sys
from typing import Annotated

import typer

from calfleet.adapters.cli.app import AUDITOR, FormatOption, SiteOption, app
from calfleet.adapters.cli.render import Column, Format, listing
from calfleet.errors import UsageError


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

    kept_head = None if head is None else _head(head)
    folder = find_site(site)
    with folder.reading() as session:
        found = service(
            session,
            kept_head=kept_head,
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
        count = len(found.differences)
        said = "1 difference" if count == 1 else f"{count} differences"
        print(f"✗ {said}. Keep this database as it is.", file=sys.stderr)
        raise typer.Exit(1)


def _head(text: str) -> str:
    """The digest in what was written down: as printed, with or without 'entry N,' before it.

    Raises: UsageError for what is no digest; a slip of the pen is no rewritten history.
    """
    digest = re.sub(r"^\s*(head of the audit trail:)?\s*(entry\s+\d+\s*,)?", "", text.casefold())
    digest = digest.strip()
    if re.fullmatch("[0-9a-f]{64}", digest) is None:
        raise UsageError(
            f"'{text}' is not the head of an audit trail.",
            rule="A head is a SHA-256 digest: 64 characters, 0 to 9 and a to f.",
            next_step="Give all of it, as it was printed.",
        )
    return digest
