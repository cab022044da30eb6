"""``--workbook FILE``: what a command lists, as a workbook beside what it prints."""

from __future__ import annotations

import re
import sys
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from datetime import date
from decimal import Decimal
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, TypeVar

import typer

from calfleet.adapters.cli.app import day, refuse_existing
from calfleet.adapters.cli.render import Column, Format, listing
from calfleet.errors import UsageError

if TYPE_CHECKING:
    from calfleet.adapters.documents.tidy_workbook import Sheet
    from calfleet.site import SiteFolder

Row = TypeVar("Row")

DIGITS = 15
"""So many digits of a number can be kept in a workbook."""

WorkbookOption = Annotated[
    Path | None,
    typer.Option("--workbook", metavar="FILE", help="Write it as a new workbook (.xlsx), too."),
]


def check_workbook(path: Path | None) -> None:
    """Nothing when ``path`` may be written as a new workbook.

    Raises: RecordRefused when it exists, UsageError when it does not end in .xlsx.
    """
    refuse_existing(path)
    if path is not None and path.suffix.casefold() != ".xlsx":
        raise UsageError(
            f"{path} does not end in .xlsx.",
            rule="A workbook is written in the Office Open XML form.",
            next_step="Name a file that ends in .xlsx.",
        )


def site_and_day(
    site: Path | None, as_of: str | None, workbook: Path | None
) -> tuple[SiteFolder, date]:
    """The site and the day that a listing speaks of: what it begins with.

    Raises: as ``check_workbook``, and first, so that nothing is read in vain; BadDate; whatever
    finding the site raises.
    """
    from calfleet.site import find_site

    check_workbook(workbook)
    folder = find_site(site)
    return folder, day(as_of, folder.today())


def sheet(
    rows: Sequence[Row],
    columns: Sequence[Column[Row]],
    *,
    title: str,
    heading: str = "",
    notes: Iterable[str] = (),
    frozen: int = 1,
) -> Sheet:
    """The table that CSV and JSON carry as a sheet: numbers with the digits that the printed table
    shows, units in the headings."""
    from calfleet.adapters.documents.tidy_workbook import Sheet, SheetColumn

    wanted = [column for column in columns if not column.table_only]
    return Sheet(
        title,
        [SheetColumn(_name(column), column.unit) for column in wanted],
        [[_value(column, row) for column in wanted] for row in rows],
        heading=heading or title,
        notes=[line.strip() for line in notes if line.strip()],
        frozen=frozen,
    )


def write_sheets(
    path: Path, folder: SiteFolder, sheets: Sequence[Sheet], as_of: date | None
) -> None:
    """Write the sheets as a new workbook, and say so on the error stream.

    Raises: RecordRefused when ``path`` exists.
    """
    import calfleet
    from calfleet.adapters.documents.tidy_workbook import Origin, write_workbook
    from calfleet.services.look_up import site_name

    with folder.reading() as session:
        name = site_name(session)
    write_workbook(
        path,
        sheets,
        Origin(name, as_of, folder.now(), f"calfleet {calfleet.__version__}"),
    )
    print(f"Written: {path}", file=sys.stderr)


def write_listing(
    path: Path | None,
    folder: SiteFolder,
    rows: Sequence[Row],
    columns: Sequence[Column[Row]],
    *,
    title: str,
    heading: str = "",
    as_of: date | None = None,
    notes: Iterable[str] = (),
    frozen: int = 1,
) -> None:
    """Write one listing as a new workbook; nothing when no ``path`` was given.

    Raises: RecordRefused when ``path`` exists.
    """
    if path is not None:
        made = sheet(rows, columns, title=title, heading=heading, notes=notes, frozen=frozen)
        write_sheets(path, folder, [made], as_of)


@dataclass(frozen=True, slots=True)
class Book:
    """A workbook that was asked for (or not): the tab's title, the day it speaks of."""

    path: Path | None
    folder: SiteFolder
    title: str
    as_of: date | None = None


def listing_and_book(
    rows: Sequence[Row],
    columns: Sequence[Column[Row]],
    output: Format,
    book: Book,
    *,
    title: str = "",
    footer: Iterable[str] = (),
    empty: str = "Nothing to list.",
) -> None:
    """Print ``rows`` as ``listing`` does, and write the same as a workbook when one was asked for.

    Raises: RecordRefused when the workbook exists.
    """
    below = list(footer)
    listing(rows, columns, output, title=title, footer=below, empty=empty)
    write_listing(
        book.path,
        book.folder,
        rows,
        columns,
        title=book.title,
        heading=title,
        as_of=book.as_of,
        notes=below,
    )


def _name(column: Column[Any]) -> str:
    if column.name:
        return column.name
    if column.heading:
        return column.heading
    return column.key.replace("_", " ").capitalize()


def _value(column: Column[Row], row: Row) -> Any:
    """The value for a cell: of a float, also how many decimals of it count."""
    from calfleet.adapters.documents.tidy_workbook import Figure

    value = column.value(row)
    if isinstance(value, Decimal) and column.text and len(value.as_tuple().digits) > DIGITS:
        value = float(value)  # worked out, not typed: a cell could hold it as text only
    if not isinstance(value, float):
        return value
    if column.digits is not None:
        places = column.digits(row)
        return value if places is None else Figure(value, places)
    return value if column.text is None else _figure(value, column.text)


def _figure(value: float, text: Callable[[Any], str]) -> Any:
    """The value with the decimals that its text in the table has."""
    from calfleet.adapters.documents.tidy_workbook import Figure

    shown = re.match(r"\s*([-+]?\d+(?:\.(\d+))?)\s*(%?)", text(value))
    if shown is None:
        return value
    places = len(shown[2] or "")
    if shown[3]:
        return Figure(value, places, percent=True)
    told = float(shown[1])
    if abs(told - value) > 10.0**-places:
        return value  # the text is in another measure
    if f"{value:.{places}f}" != f"{told:.{places}f}":
        places += 2  # cut and not rounded: a ratio of 3.96 must not look like 4.0
    return Figure(value, places)


def places_of(uncertainty: float | None) -> int | None:
    """Decimals of a figure with this expanded uncertainty: two digits of the uncertainty count."""
    from calfleet.metrology.rounding import significant

    if not uncertainty:
        return None
    return len(significant(uncertainty, 2).partition(".")[2])


__all__ = [
    "Book",
    "WorkbookOption",
    "check_workbook",
    "listing_and_book",
    "places_of",
    "sheet",
    "site_and_day",
    "write_listing",
    "write_sheets",
]
