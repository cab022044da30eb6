"""The sheets that are added to a marked copy: what to mend, and about the copy."""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from copy import copy
from dataclasses import dataclass, field
from datetime import date
from decimal import Decimal
from typing import Any, Final

from calfleet.adapters.workbook.grid_cells import LIMITS, Book, Broken, Grid
from calfleet.adapters.workbook.marked_places import Spot
from calfleet.adapters.workbook.sources import letter

TO_MEND = "What to mend"
ABOUT = "About this copy"
MOST_LISTED: Final = 20_000
"""Problems that are listed for one file; more are counted."""
SOFT, INK, EDGE = "FFDDB8", "2B2118", "B4641E"
"""The filling of a marked cell, the text in it, and what stands out on our own sheets."""
FACE = "Calibri"
RUNS = ("=", "+", "-", "@", "\t", "\r", "\n")
"""What a program may take for the beginning of a formula when the text is typed anew."""
FIRST_DAY = date(1900, 3, 1)
"""Before it, spreadsheet programs do not agree about what day a number is."""
_UNPRINTABLE = re.compile("[\x00-\x08\x0b\x0c\x0e-\x1f\ud800-\udfff\ufffe\uffff]")
_COLUMNS = (
    ("No.", 6.0), ("Sheet", 20.0), ("Cell", 14.0), ("The row begins with", 20.0),
    ("What stands there", 24.0), ("What is wrong", 52.0), ("What to do", 46.0), ("Done", 8.0),
)  # fmt: skip
_LINE = 15.0
_SHORT = 120
"""Characters of a cell that are repeated in the list."""


@dataclass
class Copied:
    """What the two sheets tell about the copy besides the problems."""

    book: Book
    spots: Sequence[Spot]
    titles: dict[int, str]
    """The tab of each sheet of the book, by its number; one that could not be copied is absent."""
    to_mend: str = TO_MEND
    about: str = ABOUT
    commented: int = 0
    """Cells that got a comment; ``marked`` are filled."""
    marked: int = 0
    notes: list[str] = field(default_factory=list)


def printable(text: str) -> str:
    """The text with a sign for each character that no workbook can hold."""
    return _UNPRINTABLE.sub(
        lambda found: chr(0x2400 + ord(found[0])) if ord(found[0]) < 0x20 else "\ufffd", text
    )


def as_cell(value: object) -> tuple[object, str]:
    """A value of a grid as a cell can hold it, and its number format ('' for text).

    >>> as_cell(Decimal("2.50")), as_cell("=1+1"), as_cell(None)
    ((Decimal('2.50'), '0.00'), ('=1+1', ''), (None, ''))
    """
    if value is None or value == "":
        return None, ""
    if isinstance(value, Broken):
        return f"({printable(value.message)})", ""
    if isinstance(value, bool):
        return value, "General"
    if isinstance(value, int):
        return value, "0"
    if isinstance(value, Decimal):
        exponent = value.as_tuple().exponent
        if not isinstance(exponent, int) or len(value.as_tuple().digits) > 15:
            return format(value, "f"), ""  # more digits than a number of a spreadsheet holds
        return value, "0." + "0" * -exponent if exponent < 0 else "0"
    if isinstance(value, date):
        return (value, "yyyy-mm-dd") if value >= FIRST_DAY else (value.isoformat(), "")
    text = str(value).replace("\r\n", "\n").replace("\r", "\n")  # as XML would read it anyway
    return printable(text)[: LIMITS.text], ""


def link_to(title: str, cell: str) -> Any:
    """A link to a cell of the same workbook."""
    from openpyxl.worksheet.hyperlink import Hyperlink

    quoted = title.replace("'", "''")
    return Hyperlink(ref="A1", location=f"'{quoted}'!{cell}", display=cell)


class Pen:
    """Makes the cells of one of our own sheets: text is text, whatever it begins with."""

    def __init__(self, page: Any) -> None:
        from openpyxl.styles import Alignment, Border, Font, PatternFill, Side

        self.page = page
        self.row = 0
        edge = Side(style="thin", color="D9CBBB")
        self.rule = Border(bottom=edge)
        self.plain = Font(name=FACE, size=11, color=INK)
        self.bold = Font(name=FACE, size=11, bold=True, color=INK)
        self.large = Font(name=FACE, size=16, bold=True, color=EDGE)
        self.quiet = Font(name=FACE, size=10, color="6B5D50")
        self.linked = Font(name=FACE, size=11, color="1F4E9E", underline="single")
        self.head = PatternFill("solid", fgColor="F3E7DA")
        self.soft = PatternFill("solid", fgColor=SOFT)
        self.top = Alignment(vertical="top", horizontal="left", wrap_text=True)
        self.flat = Alignment(vertical="center", horizontal="left")
        self.styles: dict[tuple[object, ...], Any] = {}

    def cell(
        self,
        value: object,
        font: Any = None,
        fill: Any = None,
        link: Any = None,
        *,
        ruled: bool = False,
    ) -> Any:
        from openpyxl.cell import WriteOnlyCell

        plain, number_format = as_cell(value)
        cell = WriteOnlyCell(self.page, plain)
        text = isinstance(plain, str)
        if text:
            cell.data_type = "s"
        quoted = text and str(plain).startswith(RUNS)
        if link is not None:
            cell.hyperlink = link
            font = self.linked
        # a style is looked up once: to find it for each of many thousand cells takes long
        key = (number_format, quoted, id(font), id(fill), ruled)
        style = self.styles.get(key)
        if style is None:
            cell.font = font or self.plain
            cell.alignment = self.top
            if fill is not None:
                cell.fill = fill
            if ruled:
                cell.border = self.rule
            if number_format:
                cell.number_format = number_format
            cell.quotePrefix = quoted
            self.styles[key] = cell._style
        else:
            cell._style = copy(style)
        return cell

    def title(self, text: str) -> None:
        cell = self.cell(text, self.large)
        cell.alignment = self.flat
        self.line([cell], 27)

    def line(self, cells: Sequence[Any], height: float = 0.0) -> None:
        self.row += 1
        if height:
            self.page.row_dimensions[self.row].height = height
        self.page.append(list(cells))
        for cell in cells:
            if cell is not None and cell.hyperlink is not None:
                cell.hyperlink.ref = cell.coordinate


def _lines(text: str, width: float) -> int:
    """Lines that a text takes when it is folded in a column of ``width`` characters."""
    return sum(max(1, math.ceil(len(line) / width)) for line in text.splitlines() or [""])


def _height(texts: Sequence[str], widths: Sequence[float]) -> float:
    most = max(_lines(text, width - 1) for text, width in zip(texts, widths, strict=True))
    return _LINE * min(27, most)  # a row is at most 409 points high


def counted(number: int, one: str, many: str = "") -> str:
    """``counted(1, "cell")`` is '1 cell', ``counted(2_000, "cell")`` is '2,000 cells'."""
    return f"{number:,} {one if number == 1 else many or one + 's'}"


def tally(told: Copied) -> list[tuple[int | None, int, int]]:
    """(sheet, problems, cells) of each sheet with problems; ``None`` is the file as a whole."""
    problems: dict[int | None, int] = {}
    cells: dict[int | None, set[tuple[int, int]]] = {}
    for spot in told.spots:
        problems[spot.sheet] = problems.get(spot.sheet, 0) + 1
        if spot.at is not None:
            cells.setdefault(spot.sheet, set()).add(spot.at)
    order = sorted(problems, key=lambda sheet: -1 if sheet is None else sheet)
    return [(sheet, problems[sheet], len(cells.get(sheet, ()))) for sheet in order]


def draw_list(page: Any, told: Copied) -> None:
    """The leading sheet: one row for each problem, with a link to its cell."""
    from openpyxl.utils import get_column_letter

    book, listed = told.book, told.spots[:MOST_LISTED]
    widths = [width for _, width in _COLUMNS]
    for n, width in enumerate(widths, 1):
        page.column_dimensions[get_column_letter(n)].width = width
    last = get_column_letter(len(_COLUMNS))
    page.freeze_panes = "A5"
    page.auto_filter.ref = f"A4:{last}{4 + max(1, len(listed))}"
    page.sheet_properties.tabColor = EDGE
    page.sheet_view.showGridLines = False
    page.merged_cells.add(f"A2:{last}2")
    page.merged_cells.add(f"A3:{last}3")
    print_setup(page, f"{TO_MEND}: {book.name}", "4:4")
    pen = Pen(page)
    pen.title(f"What to mend in {book.name}")
    page_width = sum(widths)
    for text, font in ((_summary(told), pen.bold), (_advice(told), pen.quiet)):
        pen.line([pen.cell(text, font)], _LINE * _lines(text, page_width * 1.05) + 3)
    pen.line([pen.cell(name, pen.bold, pen.head) for name, _ in _COLUMNS], 18)
    for number, spot in enumerate(listed, 1):
        _list_row(pen, told, number, spot, widths)


def _summary(told: Copied) -> str:
    by_sheet = [
        f"{'the file as a whole' if sheet is None else told.book.grids[sheet].name}: {problems:,}"
        for sheet, problems, _ in tally(told)
    ]
    if len(by_sheet) > 8:
        by_sheet[7:] = [f"and {len(by_sheet) - 7} sheets more (see {told.about})"]
    text = f"{counted(len(told.spots), 'problem')}, {counted(told.marked, 'cell')} marked. "
    if len(told.spots) > MOST_LISTED:
        text += f"The first {MOST_LISTED:,} are listed and marked. "
    return text + "By sheet: " + "; ".join(by_sheet) + "."


def _advice(told: Copied) -> str:
    parts = [
        "Mend your own file, not this copy, and run the check again. Each marked cell has this "
        "filling and a comment; a link below leads to it."
    ]
    parts += told.notes
    return " ".join(parts)


def _list_row(pen: Pen, told: Copied, number: int, spot: Spot, widths: Sequence[float]) -> None:
    book = told.book
    grid = book.grids[spot.sheet] if spot.sheet is not None else None
    sheet = grid.name if grid is not None else "(the file)"
    begins: object = None
    stands: object = None
    if grid is not None and spot.at is not None:
        if spot.column is not None:
            stands = grid.cell(*spot.at)
        if spot.row is not None:
            first = next((each for each in grid.rows.get(spot.row, ()) if each is not None), None)
            begins = None if isinstance(first, Broken) else first
    cells = [number, sheet, _place(spot, grid), _short(begins), _short(stands),
             spot.problem.message, spot.problem.hint]  # fmt: skip
    texts = ["" if each is None else str(each) for each in cells] + [""]
    shows = spot.at is not None and stands is not None
    row = [
        pen.cell(each, fill=pen.soft if n == 4 and shows else None, ruled=True)
        for n, each in enumerate((*cells, None))
    ]
    target = told.titles.get(spot.sheet if spot.sheet is not None else min(told.titles, default=0))
    if target is not None:
        at = f"{letter(spot.at[1])}{spot.at[0] + 1}" if spot.at is not None else "A1"
        row[2] = pen.cell(texts[2], link=link_to(target, at), ruled=True)
    pen.line(row, _height(texts, widths))


def _place(spot: Spot, grid: Grid | None) -> str:
    """The place within its sheet as the list shows it, with a word where it is out of sight."""
    if grid is None:
        return "whole file"
    if spot.at is None:
        text = "whole sheet"
    elif spot.column is None:
        text = f"row {spot.at[0] + 1}"
    elif spot.row is None:
        text = f"column {letter(spot.column)}"
    else:
        text = f"{letter(spot.column)}{spot.row + 1}"
    hidden = grid.hidden or spot.row in grid.hidden_rows or spot.column in grid.hidden_columns
    return f"{text}, hidden" if hidden else text


def _short(value: object) -> object:
    if isinstance(value, Broken):
        return None  # what is wrong says so
    if isinstance(value, str) and len(value) > _SHORT:
        return value[: _SHORT - 1] + "…"
    return value


def draw_about(page: Any, told: Copied) -> None:
    """The last sheet: problems by sheet, and what the copy is and is not."""
    page.column_dimensions["A"].width = 40
    page.column_dimensions["B"].width = 14
    page.column_dimensions["C"].width = 60
    page.sheet_view.showGridLines = False
    print_setup(page, f"{ABOUT}: {told.book.name}", "")
    pen = Pen(page)
    pen.title(f"About this copy of {told.book.name}")
    pen.line([pen.cell("Sheet", pen.bold, pen.head), pen.cell("Problems", pen.bold, pen.head),
              pen.cell("Cells to look at", pen.bold, pen.head)])  # fmt: skip
    for sheet, problems, cells in tally(told):
        name = "(the file as a whole)" if sheet is None else told.book.grids[sheet].name
        title = told.titles.get(sheet) if sheet is not None else None
        link = link_to(title, "A1") if title is not None else None
        pen.line([pen.cell(name, link=link), pen.cell(problems), pen.cell(cells)])
    pen.line([])
    said = [
        "Made to be looked at: mend your own file, and run the check again.",
        f"{counted(told.marked, 'cell')} marked, {told.commented:,} of them with a comment. "
        "Where a problem concerns a whole row, the first filled cell of the row is marked; where "
        "the cell lies in a merged area, the first cell of the area.",
        *told.notes,
    ]
    if len(told.spots) > MOST_LISTED:
        said.append(
            f"{counted(len(told.spots), 'problem')} were found; the first {MOST_LISTED:,} are "
            "listed and marked. Many of them have one cause as a rule: mend that and check again."
        )
    for text in said:
        page.merged_cells.add(f"A{pen.row + 1}:C{pen.row + 1}")
        pen.line([pen.cell(text)], _LINE * _lines(text, 114) + 3)


def print_setup(page: Any, heading: str, repeated: str) -> None:
    """Landscape A4, one page wide, numbered; ``repeated`` rows stand on each page."""
    from openpyxl.worksheet.properties import PageSetupProperties

    page.page_setup.orientation = "landscape"
    page.page_setup.paperSize = 9  # A4
    page.page_setup.fitToWidth, page.page_setup.fitToHeight = 1, 0
    page.sheet_properties.pageSetUpPr = PageSetupProperties(fitToPage=True)
    page.page_margins.left = page.page_margins.right = 0.4
    page.page_margins.top = page.page_margins.bottom = 0.6
    page.page_margins.header = page.page_margins.footer = 0.3
    if repeated:
        page.print_title_rows = repeated
    foot = page.HeaderFooter.oddFooter
    foot.left.text = printable(heading).replace("\n", " ").replace("&", "&&")[:120]
    foot.right.text = "Page &P of &N"
