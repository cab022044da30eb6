"""Tables as a workbook that sorts, filters, prints and can be read by programs.

Each sheet holds one table and nothing else: headings in the first row with their units, one row for
each thing, real numbers and real dates. What is to be said about it stands on the last sheet and in
the margins of the print.

Text that begins with ``=``, ``+``, ``-``, ``@``, a tab or a line end is text: no cell of these
workbooks is ever a formula.
"""

from __future__ import annotations

import io
import math
import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, date, datetime
from decimal import Decimal
from enum import Enum
from pathlib import Path
from typing import Any

from calfleet.errors import RecordRefused

MOST_CHARACTERS = 32_767
"""Characters a cell can hold."""
MOST_ROWS = 1_048_576
YES_NO = '"TRUE";"TRUE";"FALSE"'
"""Without it some programs show a truth value as 1 or 0 where numbers stand beside it."""
FIRST_DAY = date(1900, 3, 1)
"""Before it, spreadsheet programs do not agree about what day a number is."""
WIDEST, NARROWEST = 45.0, 6.0
PROSE, PROSE_WIDEST = 150, 75.0
"""Characters from which a text is prose, and how wide a column with prose may be."""
LINE = 15.0
"""Height of a line of text, in points."""
PAGE = 210.0
"""Characters that go side by side on a landscape page and can still be read."""
FONT = "Calibri"
ABOUT = "About"
_RUNS = ("=", "+", "-", "@", "\t", "\r", "\n")
_UNPRINTABLE = re.compile("[\x00-\x08\x0b\x0c\x0e-\x1f\ud800-\udfff\ufffe\uffff]")


@dataclass(frozen=True, slots=True)
class Figure:
    """A number with the decimals that count; ``percent``: a fraction to be shown in per cent."""

    value: float
    decimals: int
    percent: bool = False


@dataclass(frozen=True, slots=True)
class SheetColumn:
    """A column's heading and unit; ``width`` in characters and ``format``, where not to be found
    from its values."""

    name: str
    unit: str = ""
    width: float | None = None
    format: str = ""

    @property
    def heading(self) -> str:
        return f"{self.name} ({self.unit})" if self.unit else self.name


@dataclass(frozen=True, slots=True)
class Sheet:
    """A table: short title (the tab), columns, rows of values, and what it is as one line."""

    title: str
    columns: Sequence[SheetColumn]
    rows: Sequence[Sequence[Any]]
    heading: str = ""
    notes: Sequence[str] = ()
    frozen: int = 1
    """Columns that stay in sight when scrolling sideways."""


@dataclass(frozen=True, slots=True)
class Origin:
    """Where a workbook comes from: the site, the day it speaks of, and when it was made."""

    site: str
    as_of: date | None = None
    made_at: datetime | None = None
    made_by: str = "calfleet"
    facts: Mapping[str, str] = field(default_factory=dict)


def write_workbook(path: Path, sheets: Sequence[Sheet], origin: Origin) -> None:
    """Write ``sheets`` and a last one about them to the new file ``path``.

    Raises: RecordRefused when ``path`` exists, or a table has more rows than a sheet can hold.
    """
    data = workbook_bytes(sheets, origin)
    try:
        with path.open("xb") as file:
            file.write(data)
    except FileExistsError as error:
        raise RecordRefused(
            f"{path} exists already.",
            rule="A file is never overwritten.",
            next_step="Name another file.",
        ) from error


def workbook_bytes(sheets: Sequence[Sheet], origin: Origin) -> bytes:
    """The workbook as bytes.

    A value may be ``None`` or empty text (an empty cell), bool, int, float, ``Decimal`` (with the
    decimals it was typed with), ``Figure``, date, aware time (written in UTC), an enum's word, or
    text. A number that is not finite is written in words.

    Raises: RecordRefused for a table with more rows than a sheet can hold.
    """
    from openpyxl import Workbook

    for sheet in sheets:
        if len(sheet.rows) + 1 > MOST_ROWS:
            raise RecordRefused(
                f"{sheet.title} has {len(sheet.rows):,} rows.",
                rule=f"A sheet of a workbook holds {MOST_ROWS:,}.",
                next_step="Ask for less, or use --format csv.",
            )
    book = Workbook(write_only=True)
    titles = _titles([sheet.title for sheet in sheets])
    cut = 0
    for sheet, title in zip(sheets, titles, strict=True):
        cut += _write(book, sheet, title, origin)
    _about(book, sheets, titles, origin, cut)
    book.properties.creator = _printable(origin.made_by)
    book.properties.title = _printable(sheets[0].heading or sheets[0].title if sheets else "")
    if origin.made_at is not None:
        moment = origin.made_at.astimezone(UTC).replace(tzinfo=None)
        book.properties.created = book.properties.modified = moment
    out = io.BytesIO()
    book.save(out)
    return out.getvalue()


def _titles(wanted: Sequence[str]) -> list[str]:
    """Names of tabs: at most 31 characters, without signs that are not allowed, each its own."""
    taken = {ABOUT.casefold(), "history"}  # the second is a word that some programs keep
    found = []
    for name in wanted:
        plain = re.sub(r"[\[\]:*?/\\]", "-", _printable(name)).strip("' ") or "Sheet"
        title, number = plain[:31], 1
        while title.casefold() in taken:
            number += 1
            title = f"{plain[: 30 - len(str(number))]} {number}"
        taken.add(title.casefold())
        found.append(title)
    return found


def _write(book: Any, sheet: Sheet, title: str, origin: Origin) -> int:
    """The number of texts that were cut, after the sheet was written."""
    from openpyxl.utils import get_column_letter

    columns = sheet.columns
    page = book.create_sheet(title)
    shown = [[_shown(value) for value in row] for row in sheet.rows]
    widths = [_width(column, [row[n] for row in shown]) for n, column in enumerate(columns)]
    for n, width in enumerate(widths, 1):
        page.column_dimensions[get_column_letter(n)].width = width
    last = get_column_letter(max(1, len(columns)))
    page.freeze_panes = f"{get_column_letter(min(sheet.frozen, len(columns) - 1) + 1)}2"
    page.auto_filter.ref = f"A1:{last}{len(sheet.rows) + 1}"
    _print_setup(page, sheet.heading or title, origin, pages=math.ceil(sum(widths) / PAGE))
    page.print_title_rows = "1:1"
    if sheet.frozen and sum(widths) > PAGE:
        page.print_title_cols = f"A:{get_column_letter(min(sheet.frozen, len(columns)))}"
    styles = _Styles(page)
    bold = [width - 2 for width in widths]  # bold letters are wider
    page.row_dimensions[1].height = _height([column.heading for column in columns], bold)
    page.append(
        [
            styles.heading(column.heading, number=_numbers([row[n] for row in sheet.rows]))
            for n, column in enumerate(columns)
        ]
    )
    for number, row in enumerate(sheet.rows, 2):
        texts = [value if isinstance(value, str) else "" for value in row]
        height = _height(texts, widths)
        if height > LINE:
            page.row_dimensions[number].height = height
        page.append(
            [
                styles.cell(value, column.format, width)
                for value, column, width in zip(row, columns, widths, strict=True)
            ]
        )
    return styles.cut


def _numbers(values: Sequence[Any]) -> bool:
    """Whether the cells of a column are numbers, where they hold anything."""
    filled = [value for value in values if value is not None and value != ""]
    return bool(filled) and all(
        isinstance(value, int | float | Decimal | Figure) and not isinstance(value, bool)
        for value in filled
    )


def _width(column: SheetColumn, shown: Sequence[str]) -> float:
    if column.width is not None:
        return column.width
    words = [len(word) + 3 for word in column.heading.split()]  # with room for the filter's mark
    longest = max((len(text) for text in shown), default=0) + 3.0
    widest = PROSE_WIDEST if longest > PROSE else WIDEST
    return min(widest, max(NARROWEST, longest, *words))


def _height(texts: Sequence[str], widths: Sequence[float]) -> float:
    """Height of a row in points: programs do not all work it out for folded text."""
    lines = max(
        (
            sum(_lines(line, width - 1) for line in text.splitlines() or [""])
            for text, width in zip(texts, widths, strict=True)
        ),
        default=1,
    )
    return LINE * min(27, max(1, lines))  # a row is at most 409 points high


def _lines(text: str, width: float) -> int:
    """Lines that a text takes when it is folded between words."""
    lines, used = 1, 0
    for word in text.split(" "):
        if used and used + 1 + len(word) > width:
            lines, used = lines + 1, 0
        used += len(word) + (1 if used else 0)
        while used > width > 0:
            lines, used = lines + 1, used - int(width) if width >= 1 else 0
    return lines


def _shown(value: Any) -> str:
    """About what a cell will show, to find a column's width."""
    if value is None:
        return ""
    if isinstance(value, Figure):
        return (
            f"{value.value * 100:.0f} %" if value.percent else f"{value.value:.{value.decimals}f}"
        )
    if isinstance(value, float):
        return f"{value:.6g}"
    if isinstance(value, datetime):
        return "2026-11-25 08:30"
    if isinstance(value, Enum):
        return str(value.value)
    return max(str(value).splitlines() or [""], key=len)


class _Styles:
    """Makes the cells of one sheet."""

    def __init__(self, page: Any) -> None:
        from openpyxl.cell import WriteOnlyCell
        from openpyxl.styles import Alignment, Border, Font, PatternFill, Side

        self._page = page
        self._make = WriteOnlyCell
        self._bold = Font(name=FONT, size=11, bold=True)
        self._fill = PatternFill("solid", fgColor="E7EBF0")
        self._line = Border(bottom=Side(style="thin", color="8A94A0"))
        self._top = Alignment(vertical="top", horizontal="left")
        self._middle = Alignment(vertical="top", horizontal="center")
        self._right = Alignment(vertical="top", horizontal="right", indent=1)
        self._folded = Alignment(vertical="top", horizontal="left", wrap_text=True)
        self._folded_right = Alignment(vertical="top", horizontal="right", wrap_text=True, indent=1)
        self.cut = 0

    def heading(self, text: str, *, number: bool = False) -> Any:
        """A heading; over numbers it stands right, as they do."""
        cell = self.text(text)
        cell.font, cell.fill, cell.border = self._bold, self._fill, self._line
        cell.alignment = self._folded_right if number else self._folded
        return cell

    def text(self, text: str) -> Any:
        """A cell of text: never a formula, and kept as text when it is edited."""
        plain = _printable(text)
        if len(plain) > MOST_CHARACTERS:
            self.cut += 1
            plain = plain[: MOST_CHARACTERS - 1] + "…"
        cell = self._make(self._page, plain)
        cell.data_type = "s"
        if plain.startswith(_RUNS):
            cell.quotePrefix = True
        return cell

    def cell(self, value: Any, form: str = "", width: float = WIDEST) -> Any:
        found = _plain(value)
        if found is None:
            return None
        plain, number_format = found
        if isinstance(plain, str):
            cell = self.text(plain)
            folded = len(plain) + 1 > width or "\n" in plain
            cell.alignment = self._folded if folded else self._top
            return cell
        cell = self._make(self._page, plain)
        if form or number_format:
            cell.number_format = form or number_format
        if isinstance(plain, bool):
            cell.alignment = self._middle
        else:
            cell.alignment = self._top if isinstance(plain, date) else self._right
        return cell


def _plain(value: Any) -> tuple[Any, str] | None:
    """A value as a cell holds it, and its number format."""
    if value is None:
        return None
    if isinstance(value, Enum):
        value = value.value
    if value == "":
        return None
    if isinstance(value, Figure):
        if not math.isfinite(value.value):
            return str(value.value), ""
        if value.percent:
            return value.value, _decimals(value.decimals) + "%"
        return value.value, _decimals(value.decimals)
    if isinstance(value, bool):
        return value, YES_NO
    if isinstance(value, Decimal):
        if not value.is_finite():
            return str(value), ""
        exponent = value.as_tuple().exponent
        places = max(0, -exponent) if isinstance(exponent, int) else 0
        # more digits than a spreadsheet's number can hold are kept as text
        if len(value.as_tuple().digits) > 15:
            return format(value, "f"), ""
        return value, _decimals(places)
    if isinstance(value, int):
        return (value, "0") if abs(value) < 10**15 else (str(value), "")
    if isinstance(value, float):
        return (value, "") if math.isfinite(value) else (str(value), "")
    if isinstance(value, datetime):
        moment = value if value.tzinfo is None else value.astimezone(UTC).replace(tzinfo=None)
        if moment.date() < FIRST_DAY:
            return value.isoformat(), ""
        return moment, "yyyy-mm-dd hh:mm"
    if isinstance(value, date):
        return (value, "yyyy-mm-dd") if value >= FIRST_DAY else (value.isoformat(), "")
    return str(value), ""


def _decimals(places: int) -> str:
    return "0." + "0" * min(places, 15) if places > 0 else "0"


def _printable(text: str) -> str:
    """The text with a sign for each character that no workbook can hold."""
    return _UNPRINTABLE.sub(
        lambda found: chr(0x2400 + ord(found[0])) if ord(found[0]) < 0x20 else "\ufffd", text
    )


def _print_setup(page: Any, heading: str, origin: Origin, pages: int = 1) -> None:
    """Landscape, as many pages wide as it takes to be readable, numbered, with what it is above."""
    from openpyxl.worksheet.properties import PageSetupProperties

    page.page_setup.orientation = "landscape"
    page.page_setup.paperSize = 9  # A4
    page.page_setup.fitToWidth = pages
    page.page_setup.fitToHeight = 0
    page.sheet_properties.pageSetUpPr = PageSetupProperties(fitToPage=True)
    page.page_margins.left = page.page_margins.right = 0.4
    page.page_margins.top, page.page_margins.bottom = 0.75, 0.6
    page.page_margins.header = page.page_margins.footer = 0.3
    page.print_options.horizontalCentered = False
    head, foot = page.HeaderFooter.oddHeader, page.HeaderFooter.oddFooter
    head.left.text = _margin(heading)
    head.left.font = f"{FONT},Bold"
    as_of = f", as of {origin.as_of}" if origin.as_of else ""
    head.right.text = _margin(f"{origin.site}{as_of}")
    foot.left.text = "&A"
    foot.right.text = "Page &P of &N"


def _margin(text: str) -> str:
    """Text for the margin of a print, where & would begin a code."""
    return _printable(text).replace("\n", " ").replace("&", "&&")[:120]


def _about(
    book: Any, sheets: Sequence[Sheet], titles: Sequence[str], origin: Origin, cut: int
) -> None:
    page = book.create_sheet(ABOUT)
    page.column_dimensions["A"].width = 22
    page.column_dimensions["B"].width = 90
    _print_setup(page, ABOUT, origin)
    styles = _Styles(page)
    for number, (name, value) in enumerate(_said(sheets, titles, origin, cut), 1):
        if isinstance(value, str):
            page.row_dimensions[number].height = _height([value], [90])
        left = styles.text(name)
        left.font = styles._bold
        left.alignment = styles._top
        page.append([left, styles.cell(value, width=0)])


def _said(
    sheets: Sequence[Sheet], titles: Sequence[str], origin: Origin, cut: int
) -> Iterator[tuple[str, Any]]:
    yield "Site", origin.site
    if origin.as_of is not None:
        yield "As of", origin.as_of
    if origin.made_at is not None:
        yield "Made at (UTC)", origin.made_at
    yield "Made by", origin.made_by
    yield from origin.facts.items()
    for sheet, title in zip(sheets, titles, strict=True):
        yield title, f"{sheet.heading or title}: {len(sheet.rows):,} rows."
        for note in sheet.notes:
            yield "", note
    if cut:
        yield (
            "Cut",
            (
                f"{cut} texts were longer than a cell can hold ({MOST_CHARACTERS:,} characters) "
                "and end in …; --format json gives them whole."
            ),
        )
    yield "Times", "In coordinated universal time (UTC). Dates are days at the site."
    yield "Cells", "Values only: there is no formula in this workbook."
