"""A file of the shop read as it is: every sheet as rows of plain cells, every oddity noted.

``read_book`` is the one way in. It looks at the first bytes, not at the name, and takes .xlsx,
.xls, .ods and CSV. Nothing is raised for bad data: what cannot be read is a problem, and the
sheets that can be read are given. Sizes are checked before anything is unpacked, so that no file
can take more memory than ``LIMITS`` allow.

What is decided here:

- a cell that holds a formula is given as its stored result, and listed in ``Grid.formulas``; one
  without a stored result is a ``Broken`` cell;
- a merged area is given by its first cell; ``Grid.merged`` lists the areas;
- hidden rows, columns and sheets are given and listed, so that the reader above decides;
- the digits shown count (a cell formatted 0.50 is ``Decimal("0.50")``), where the file tells them.
"""

from __future__ import annotations

from pathlib import Path

from calfleet.adapters.workbook import grid_csv, grid_ods, grid_xls, grid_xlsx
from calfleet.adapters.workbook.grid_cells import CONTROL as CONTROL
from calfleet.adapters.workbook.grid_cells import FORMAT_LENGTH as FORMAT_LENGTH
from calfleet.adapters.workbook.grid_cells import LIMITS as LIMITS
from calfleet.adapters.workbook.grid_cells import Area as Area
from calfleet.adapters.workbook.grid_cells import Book as Book
from calfleet.adapters.workbook.grid_cells import Broken as Broken
from calfleet.adapters.workbook.grid_cells import Grid as Grid
from calfleet.adapters.workbook.grid_cells import Limits as Limits
from calfleet.adapters.workbook.grid_cells import Shown as Shown
from calfleet.adapters.workbook.grid_cells import Unreadable as Unreadable
from calfleet.adapters.workbook.grid_cells import plain_text as plain_text
from calfleet.adapters.workbook.grid_cells import serial_day as serial_day
from calfleet.adapters.workbook.grid_cells import sheet_name as sheet_name
from calfleet.adapters.workbook.grid_cells import shows_date as shows_date
from calfleet.adapters.workbook.grid_cells import too_large as too_large
from calfleet.adapters.workbook.packages import open_package
from calfleet.errors import Problem


def read_book(path: Path, problems: list[Problem]) -> Book | None:
    """The sheets of a file; ``None`` with a problem noted when it cannot be read.

    ``problems`` gets every problem found, with its place. Memory and time are bounded by
    ``LIMITS``; nothing is written, no other file is opened, nothing in the file is executed.
    """
    name = path.name
    try:
        if path.is_dir():
            raise Unreadable("It is a folder.", "Name the file.")
        if path.exists() and not path.is_file():
            raise Unreadable("It is no file with an end.", "Name a workbook or CSV.")
        if path.stat().st_size > LIMITS.file_bytes:
            raise too_large(f"{path.stat().st_size / 2**20:.0f} MiB")
        with path.open("rb") as stream:
            start = stream.read(8)
        if not start:
            raise Unreadable("The file is empty.", "Name a workbook or CSV that holds rows.")
        if start.startswith((b"PK\x03\x04", b"PK\x05\x06", b"PK\x07\x08")):
            package = open_package(path)
            with package:
                names = set(package.namelist())
                read = grid_ods.read if "content.xml" in names else grid_xlsx.read
                return _told_apart(read(path, package, problems))
        if start.startswith(b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1"):
            return _told_apart(grid_xls.read(path, problems))
        return grid_csv.read(path, problems)
    except Unreadable as error:
        problems.append(Problem(name, error.message, error.hint))
    except FileNotFoundError:
        problems.append(Problem(name, "There is no such file.", "Check the name."))
    except (OSError, ValueError) as error:  # the second: a name that no file can have
        problems.append(
            Problem(
                name,
                f"The file cannot be read: {getattr(error, 'strerror', None) or error}.",
                "Check where it lies and who may read it.",
            )
        )
    return None


def _told_apart(book: Book) -> Book:
    """The book, with a remark for each name that several of its sheets have."""
    numbers: dict[str, list[int]] = {}
    for number, grid in enumerate(book.grids, 1):
        numbers.setdefault(grid.name.casefold(), []).append(number)
    for same in numbers.values():
        if len(same) > 1:
            which = ", ".join(map(str, same[:-1])) + f" and {same[-1]}"
            book.remarks.append(
                Problem(
                    f"{book.name}, {book.grids[same[0] - 1].name}",
                    f"The sheets number {which} have the same name (capitals do not count), so a "
                    "place named in a message may be in any of them.",
                    "Give each sheet a name of its own.",
                )
            )
    return book
