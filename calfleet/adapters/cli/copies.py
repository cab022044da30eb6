"""Whole copies of a site: ``export``, ``backup``, ``restore``; and ``build --from-export``."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from calfleet.adapters.cli.app import SITE, SiteOption, app
from calfleet.adapters.cli.render import paragraph

if TYPE_CHECKING:
    from calfleet.keeping.manifest import Manifest
    from calfleet.keeping.restore import Restored

HeadOption = Annotated[
    str | None,
    typer.Option(
        "--head", metavar="DIGEST", help="A head of the audit trail kept elsewhere: must be in it."
    ),
]
KeepDifferencesOption = Annotated[
    bool,
    typer.Option(
        "--keep-differences",
        help="Take records over that are not as the audit trail says, and list them.",
    ),
]


def progress(text: str) -> None:
    """Progress, on the error stream so that output stays clean."""
    print(f"{text} ...", file=sys.stderr, flush=True)


@app.command(rich_help_panel=SITE)
def export(
    folder: Annotated[
        Path, typer.Argument(metavar="DIR", help="A folder that does not exist yet.")
    ],
    site: SiteOption = None,
) -> None:
    """Write every record as plain files: CSV tables, their description, attachments, digests.

    For other programs, for keeping, and to move to another database with 'calfleet build DIR
    --from-export'. Work may go on meanwhile: all of it is of one moment. The cells are the data as
    it is: import the columns as text into a spreadsheet program.
    """
    from calfleet.site import find_site

    made = find_site(site).export(folder, progress)
    print(f"Exported {_what(made)} to {folder}.")
    _tell(made)


@app.command(rich_help_panel=SITE)
def backup(
    file: Annotated[
        Path | None,
        typer.Argument(metavar="[FILE]", help="A file that does not exist yet (in backups/)."),
    ] = None,
    site: SiteOption = None,
) -> None:
    """Copy the site into one zip file: database, attachments and settings, with their digests.

    Work may go on meanwhile: all of it is of one moment. Keep the file on another machine, and
    the head of the audit trail apart from it. The password of a database server is left out.
    """
    from calfleet.site import find_site

    written, made = find_site(site).backup(file, progress=progress)
    print(f"Backup of {_what(made)}: {written} ({written.stat().st_size / 1e6:.1f} MB).")
    _tell(made)


@app.command(rich_help_panel=SITE)
def restore(
    file: Annotated[Path, typer.Argument(metavar="FILE", help="A backup, or an export's folder.")],
    folder: Annotated[
        Path, typer.Argument(metavar="DIR", help="A folder that does not exist yet.")
    ],
    database: Annotated[
        str | None,
        typer.Option(metavar="URL", help="An empty database, e.g. postgresql+psycopg://..."),
    ] = None,
    head: HeadOption = None,
    keep_differences: KeepDifferencesOption = False,
) -> None:
    """Make a site in DIR from a backup, checked before it is put in place.

    Every file against its digest, the database itself, its guards, and the end of the audit trail.
    A site is never overwritten.
    """
    made = site_from(file, folder, database, head, keep_differences)
    print(f"Restored {_what(made.manifest)} to {folder}.")
    finish(made, folder)


def site_from(
    copy: Path, folder: Path, database: str | None, head: str | None, keep_differences: bool
) -> Restored:
    """What was made in ``folder`` from a copy.

    Raises: as ``site_from_copy``.
    """
    from calfleet.site import site_from_copy

    return site_from_copy(
        copy,
        folder,
        url=database,
        kept_head=head,
        keep_differences=keep_differences,
        progress=progress,
    )[1]


def finish(made: Restored, folder: Path) -> None:
    """Print what is to be known of a site made from a copy, and what to do next."""
    _tell(made.manifest)
    if made.differences:
        print(f"{len(made.differences)} differences from the audit trail were kept:")
        for one in made.differences:
            print(f"  {one}")
    step = "calfleet due" if made.current else "calfleet upgrade"
    print(f"Next: cd {folder} && {step}")


def _what(made: Manifest) -> str:
    rows = sum(made.tables.values())
    return f"{made.site_name or 'an empty site'}: {rows:,} rows in {len(made.tables)} tables"


def _tell(made: Manifest) -> None:
    print(f"As of {made.made_at}, revision {made.revision}.")
    print(f"Head of the audit trail: entry {made.entries}, {made.head}")
    if made.attachments_missing:
        print(
            paragraph(
                f"{len(made.attachments_missing)} attached files are recorded but were not in the "
                "attachments folder; they are not in this copy: "
                + ", ".join(digest[:12] for digest in made.attachments_missing[:10])
            ),
            file=sys.stderr,
        )
