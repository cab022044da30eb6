"""Making and keeping a site: ``demo``, ``build``, ``upgrade``."""

from __future__ import annotations

import sys
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from calfleet.adapters.cli.app import SITE, PersonOption, SiteOption, app
from calfleet.adapters.cli.copies import (
    HeadOption,
    KeepDifferencesOption,
    finish,
    progress,
    site_from,
)

if TYPE_CHECKING:
    from calfleet.records import SiteInput
    from calfleet.site import SiteFolder

DEMO_DAY = date(2026, 11, 25)
DEMO_MONTH = "2026-12"
DEMO_LINES = 12


def note(text: str) -> None:
    """Progress, on the error stream so that output stays clean."""
    print(text, file=sys.stderr, flush=True)


def _build(folder: SiteFolder, given: SiteInput, actor: str, subject: str) -> None:
    from calfleet.services.build_site import build_site

    with folder.work(actor=actor, action="build site", subject=subject) as work:
        with typer.progressbar(
            length=len(given.history), label="Calibrations", file=sys.stderr
        ) as bar:
            build_site(work, given, today=folder.today(), step=lambda: bar.update(1), keep=False)
        work.commit()


@contextmanager
def _whole_or_nothing(folder: Path) -> Iterator[None]:
    """Inside, an error or an interrupt takes away again what was made in a new or empty folder."""
    import shutil

    existed = folder.exists()
    ours = not existed or (folder.is_dir() and not any(folder.iterdir()))
    try:
        yield
    except BaseException:
        if ours and folder.exists():
            for path in folder.iterdir():
                shutil.rmtree(path) if path.is_dir() else path.unlink()
            if not existed:
                folder.rmdir()
        raise


@app.command(rich_help_panel=SITE)
def demo(
    folder: Annotated[
        Path, typer.Argument(metavar="DIR", help="A folder that does not exist yet.")
    ],
) -> None:
    """Build a fictional site in DIR and walk the main job: due, record, trace."""
    from calfleet.adapters.cli.bench import show_calibration
    from calfleet.adapters.cli.due import columns, totals
    from calfleet.adapters.cli.render import Format, listing, paragraph
    from calfleet.adapters.documents.chain_views import tree_text
    from calfleet.adapters.workbook.sitefiles import read_bench_file, read_site
    from calfleet.scheduling.calendar import month_bounds
    from calfleet.services.cautions import DEFERENCE
    from calfleet.services.list_due import list_due
    from calfleet.services.record import judge, record
    from calfleet.services.trace import trace
    from calfleet.site import new_site, sample_folder

    source = sample_folder()
    note(f"Reading the sample site (a fictional works) from {source.name} ...")
    given = read_site(source)
    with _whole_or_nothing(folder):
        site = new_site(folder, fixed_day=DEMO_DAY)
        note(
            f"Building: {len(given.switches)} data sheets, {len(given.gauges)} gauge entries, "
            f"{len(given.certificates)} certificates, {len(given.history)} calibrations, "
            "each judged again from its readings ..."
        )
        _build(site, given, "demo", given.site.name)

    print(f"\n{given.site.name}\nToday is {DEMO_DAY}, as in every command on this demo site.\n")
    print("1. The planner: what is due in December 2026?   calfleet due --month 2026-12\n")
    with site.reading() as session:
        found = list_due(session, as_of=DEMO_DAY, until=month_bounds(DEMO_MONTH)[1])
    listing(found.lines[:DEMO_LINES], columns(), Format.TABLE)
    if len(found.lines) > DEMO_LINES:
        print(f"... and {len(found.lines) - DEMO_LINES} more")
    print("\n".join(totals(found)))

    print("\n2. The technician: record a calibration from its readings file\n")
    bench = read_bench_file(source / "new_calibration.toml")
    with site.work(
        actor=bench.performed_by, action="record calibration", subject=bench.tag
    ) as work:
        made = record(work, judge(work.session, bench, today=site.today(), at=site.now()))
        work.commit()
    with site.reading() as session:
        show_calibration(session, made, with_cautions=True)

    print("\n3. The auditor: which standards stand behind it?\n")
    with site.reading() as session:
        print(tree_text(trace(session, made.number)))
    print(paragraph(DEFERENCE, indent="\nCautions: "))
    print(
        f"\nThe site is in {folder}. Three commands to try there (cd {folder}):\n"
        f"  calfleet due --month {DEMO_MONTH} --criticality safety --why\n"
        f"  calfleet gauges --for {made.bench.tag}\n"
        f"  calfleet trace {made.number} --format svg --out trace.svg"
    )


@app.command(rich_help_panel=SITE)
def build(
    folder: Annotated[
        Path, typer.Argument(metavar="DIR", help="A folder that does not exist yet.")
    ],
    source: Annotated[
        Path | None,
        typer.Option("--from", metavar="INPUT", help="Folder with the site's input files."),
    ] = None,
    from_export: Annotated[
        Path | None,
        typer.Option(metavar="EXPORT", help="Folder written by 'calfleet export', instead."),
    ] = None,
    database: Annotated[
        str | None,
        typer.Option(metavar="URL", help="Another database, e.g. postgresql+psycopg://..."),
    ] = None,
    head: HeadOption = None,
    keep_differences: KeepDifferencesOption = False,
    person: PersonOption = None,
) -> None:
    """Build a new site in DIR from input files; every problem in them is reported at once.

    A shop that has its registers in workbooks of its own needs site.toml and people.csv alone:
    'calfleet move-in' takes the rest.

    Or from a full export, with every record and the audit trail as they were: each file, value
    and reference is checked, and each record against the audit trail.
    """
    from calfleet.adapters.cli.render import paragraph
    from calfleet.adapters.workbook.sitefiles import read_site
    from calfleet.errors import UsageError
    from calfleet.services.look_up import nobody_qualified
    from calfleet.site import new_site

    if from_export is not None and source is None:
        made = site_from(from_export, folder, database, head, keep_differences)
        print(f"Built {made.manifest.site_name or 'an empty site'} in {folder}.")
        finish(made, folder)
        return
    if source is None or from_export is not None or head is not None or keep_differences:
        raise UsageError(
            "A site is built from input files, or from an export.",
            rule="--head and --keep-differences go with --from-export.",
            next_step="Give either --from INPUT or --from-export EXPORT.",
        )
    if not source.is_dir():
        raise UsageError(
            f"There is no folder {source}.",
            rule="A site is built from a folder of input files.",
            next_step="Check the name; the sample site's files show what such a folder holds.",
        )

    if (source / "manifest.json").is_file() and not (source / "site.toml").is_file():
        raise UsageError(
            f"{source} holds an export, not input files.",
            rule="--from takes input files, --from-export what 'calfleet export' has written.",
            next_step=f"calfleet build {folder} --from-export {source}",
        )

    note(f"Reading {source} ...")
    given = read_site(source)
    with _whole_or_nothing(folder):
        site = new_site(folder, url=database)
        _build(site, given, person or "calfleet build", given.site.name)
    if nobody_qualified(given.people, site.today()):
        note(
            paragraph(
                "! No technician is qualified for anything today: no calibration can be recorded. "
                "'calfleet person give-role' and 'calfleet person qualify' enter it."
            )
        )
    if not given.switches and not given.gauges:
        print(
            f"Built {given.site.name} in {folder}, without switches, gauges or history.\n"
            f"Next: cd {folder} && calfleet move-in FILES --propose mapping.toml"
        )
        return
    print(
        f"Built {given.site.name} in {folder}: {len(given.switches)} data sheets, "
        f"{len(given.certificates)} certificates, {len(given.history)} calibrations.\n"
        f"Next: cd {folder} && calfleet due"
    )


@app.command(rich_help_panel=SITE)
def upgrade(site: SiteOption = None) -> None:
    """Bring the site's database to this program's revision, after a backup."""
    from calfleet.site import find_site

    before, after, saved = find_site(site).upgrade(progress)
    if before == after:
        print(f"The database has revision {after} already; nothing was changed.")
    else:
        print(f"Upgraded from revision {before or 'none'} to {after}.")
    if saved is not None:
        print(f"The site as it was before: {saved} ('calfleet restore' makes a site of it)")
