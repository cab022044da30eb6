"""``calfleet review``: what waits to be read by another person, accepting and returning it."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated

import typer

from calfleet.adapters.cli.app import (
    AUDITOR,
    FormatOption,
    Group,
    PersonOption,
    SiteOption,
    app,
    named,
)
from calfleet.adapters.cli.render import Column, Format
from calfleet.adapters.cli.workbooks import Book, WorkbookOption, listing_and_book, site_and_day

if TYPE_CHECKING:
    from pathlib import Path

    from calfleet.records import ReviewOutcome

review_app = typer.Typer(
    cls=Group,
    no_args_is_help=True,
    rich_markup_mode=None,
    help="Signed calibrations read by another person.",
)
app.add_typer(review_app, name="review", rich_help_panel=AUDITOR)

NameArgument = Annotated[
    str, typer.Argument(metavar="RESULT", help="A calibration's number, or a tag (newest).")
]


@review_app.command("list")
def list_(
    workbook: WorkbookOption = None,
    output: FormatOption = Format.TABLE,
    site: SiteOption = None,
) -> None:
    """List what waits: returned calibrations not corrected yet, then those to be reviewed."""
    from calfleet.services.review import awaited, moved_in

    folder, today = site_and_day(site, None, workbook)
    with folder.reading() as session:
        rows = awaited(session)
        history = moved_in(session)
    listing_and_book(
        rows,
        [
            Column("Calibration", "calibration", lambda x: x.calibration.number),
            Column("Tag", "tag", lambda x: x.calibration.bench.tag),
            Column("Done", "performed_on", lambda x: x.calibration.bench.performed_on),
            Column("By", "performed_by", lambda x: x.calibration.bench.performed_by),
            Column("Entered by", "recorded_by", lambda x: x.calibration.recorded_by),
            Column(
                "Verdicts",
                "verdicts",
                lambda x: ", ".join(dict.fromkeys(r.verdict for r in x.calibration.results)),
                fold=True,
            ),
            Column(
                "Findings",
                "findings",
                lambda x: ", ".join(dict.fromkeys(f.code for f in x.calibration.findings)) or None,
                fold=True,
            ),
            Column("State", "state", lambda x: x.state),
            Column(
                "Returned by",
                "returned_by",
                lambda x: x.readings[-1].review.reviewed_by if x.readings else None,
            ),
            Column("Why", "reason", lambda x: x.reason or None, fold=True),
        ],
        output,
        Book(workbook, folder, "To be reviewed", today),
        title="Calibrations that wait for a review or, returned, for their correction",
        footer=[
            "",
            f"{history} calibrations were moved in as history: nobody here signed them, and they "
            "are not reviewed.",
        ],
        empty="Nothing waits.",
    )


@review_app.command("accept")
def accept(
    name: NameArgument,
    note: Annotated[str, typer.Option(metavar="TEXT", help="What is worth noting.")] = "",
    uncorrected: Annotated[
        bool,
        typer.Option(
            "--uncorrected",
            help="It was returned, and nothing need be corrected: --note says why.",
        ),
    ] = False,
    person: PersonOption = None,
    site: SiteOption = None,
) -> None:
    """Accept a calibration after reading it: by a reviewer who neither performed nor entered it.

    One that was returned is corrected by a new record first, and that is the one to accept.
    """
    from calfleet.records import ReviewOutcome

    _review(name, ReviewOutcome.ACCEPTED, note, person, site, uncorrected=uncorrected)


@review_app.command("return")
def return_(
    name: NameArgument,
    reason: Annotated[str, typer.Option(metavar="TEXT", help="What has to be put right.")],
    person: PersonOption = None,
    site: SiteOption = None,
) -> None:
    """Return a calibration with the reason; it stands until a new record corrects it."""
    from calfleet.records import ReviewOutcome

    _review(name, ReviewOutcome.RETURNED, reason, person, site)


def _review(
    name: str,
    outcome: ReviewOutcome,
    reason: str,
    person: str | None,
    site: Path | None,
    *,
    uncorrected: bool = False,
) -> None:
    from calfleet.records import ReviewOutcome
    from calfleet.services.find_calibration import find_calibration
    from calfleet.services.look_up import person_code
    from calfleet.services.review import review
    from calfleet.site import find_site

    folder = find_site(site)
    person = named(person, "who reviews", "A review is done under one's own name.")
    with folder.reading() as session:
        actor = person_code(session, person)
        found = find_calibration(session, name)
    accepted = outcome is ReviewOutcome.ACCEPTED
    with folder.work(
        actor=actor,
        action="accept returned calibration"
        if uncorrected
        else ("accept calibration" if accepted else "return calibration"),
        subject=f"{found.bench.tag} {found.number}",
        reason=reason,
    ) as work:
        made = review(
            work,
            found.number,
            outcome,
            reviewer=actor,
            on=folder.today(),
            reason=reason,
            uncorrected=uncorrected,
        )
        work.commit()
    said = "accepted" if accepted else "returned"
    print(f"{made.calibration} of {found.bench.tag} {said} by {actor} (reading {made.reading}).")
    if not accepted:
        print(
            "It is listed as returned until a new record replaces it. In the readings file:\n"
            f'  replaces = "{made.calibration}"\n'
            '  replacement_reason = "what was put right"'
        )
