"""Sheets of an .ods workbook in one pass through its content.

Repeated rows and cells are counted, not copied: a sheet that says "a million blank rows" costs
nothing, and one that repeats a filled cell a million times is refused by the count of its cells.
The digits are those of the text that the cell shows, where that text is the same number.

Source: OASIS OpenDocument 1.3 Part 3, 9.1 (tables) and 19.385 (office:value), from memory.
"""

from __future__ import annotations

import re
from datetime import date
from decimal import Decimal
from fractions import Fraction
from pathlib import Path

from calfleet.adapters.workbook.grid_cells import (
    LIMITS,
    Book,
    Broken,
    Grid,
    Shown,
    Unreadable,
    other_number,
    sheet_name,
    too_large,
)
from calfleet.adapters.workbook.packages import Package, parse
from calfleet.errors import Problem

_MINUS = "-\u2212\u2013"
_BLANKS = " \u00a0\u202f'\u2019"
_SHOWN = re.compile(
    rf"(?P<before>\D*?)(?P<sign>[{_MINUS}(]?)\s*(?P<digits>[.,]?\d(?:[\d.,{_BLANKS}]*\d)?)[.,]?"
    r"(?P<power>[eE][-+]?\d+)?(?P<behind>.*)",
    re.DOTALL,
)
"""A number as a cell shows it, with what stands around it."""
_GROUPS = re.compile(rf"\d+|\d{{1,3}}(?:[.,]\d{{2,3}})*[.,]\d{{3}}|\d[\d{_BLANKS}]*")
_FRACTION = re.compile(r"[-+]?(?:(?P<whole>\d+) +)?(?P<over>\d+)/(?P<under>[1-9]\d*)")
_HAS_WORD = re.compile(r"[^\W_]")
"""A sign alone is no text for a number: zeros are shown as a dash, narrow columns as ###."""
_ROW_HIDDEN = ("collapse", "filter")


def read(path: Path, package: Package, problems: list[Problem]) -> Book:
    """Every sheet of the workbook. Raises Unreadable for a file that is none."""
    refuse_encrypted(package)
    book = Book(path, "ods")
    content = Content(book, problems)
    parse(package, "content.xml", content.start, content.end, content.text)
    if not book.grids:
        raise Unreadable("The file holds no sheet.", "Name a spreadsheet.")
    return book


def refuse_encrypted(package: Package) -> None:
    """Raises: Unreadable where the manifest says that parts are encrypted."""
    if "META-INF/manifest.xml" not in package.namelist():
        return

    def start(name: str, _: dict[str, str]) -> None:
        if name == "encryption-data":
            raise Unreadable("The file is protected by a password.", "Save it without a password.")

    parse(package, "META-INF/manifest.xml", start)


class Content:
    """content.xml while it is read."""

    def __init__(self, book: Book, problems: list[Problem]) -> None:
        self.book = book
        self.problems = problems
        self.hidden_styles: set[str] = set()
        self.style = ""
        self.grid: Grid | None = None
        self.depth = 0  # of tables: one inside a cell is none of ours
        self.row = 0
        self.row_repeat = 1
        self.row_hidden = False
        self.cells: list[object] = []
        self.formulas: list[int] = []
        self.column = 0
        self.header_column = 0
        self.attributes: dict[str, str] = {}
        self.repeat = 1
        self.said: list[str] = []
        self.length = 0
        self.filled_rows = 0
        self.in_text = 0
        self.in_note = 0
        self.count = 0
        self.too_wide = False

    def start(self, name: str, given: dict[str, str]) -> None:
        if name == "annotation":
            self.in_note += 1
        if self.in_note:
            return
        if name in ("p", "h"):
            self.in_text += 1
            self.write("\n" if self.said else "")
        elif self.in_text and name == "s":
            self.write(" " * min(_whole(attribute(given, "c"), 1), 100))
        elif self.in_text and name in ("tab", "line-break"):
            self.write(" ")
        elif name in ("table-cell", "covered-table-cell"):
            self.attributes = given
            self.repeat = _whole(attribute(given, "number-columns-repeated"), 1)
            self.said, self.length = [], 0
        elif name == "table-row":
            self.cells, self.formulas, self.column = [], [], 0
            self.row_repeat = _whole(attribute(given, "number-rows-repeated"), 1)
            self.row_hidden = attribute(given, "visibility") in _ROW_HIDDEN
        elif name == "table-column" and self.grid is not None:
            count = _whole(attribute(given, "number-columns-repeated"), 1)
            if attribute(given, "visibility") in _ROW_HIDDEN:
                end = min(self.header_column + count, LIMITS.columns)
                self.grid.hidden_columns.update(range(self.header_column, end))
            self.header_column += count
        elif name == "table":
            self.start_table(given)
        elif name == "style":
            self.style = attribute(given, "name")
        elif name == "table-properties" and attribute(given, "display") == "false":
            self.hidden_styles.add(self.style)

    def start_table(self, given: dict[str, str]) -> None:
        self.depth += 1
        if self.depth > 1:
            raise Unreadable("A table stands inside a cell.", "Save the sheet again as .xlsx.")
        if len(self.book.grids) >= LIMITS.sheets:
            raise too_large(f"more than {LIMITS.sheets} sheets")
        self.grid = Grid(
            sheet_name(attribute(given, "name")),
            hidden=attribute(given, "style-name") in self.hidden_styles,
        )
        self.row = self.header_column = 0
        self.too_wide = False
        self.book.grids.append(self.grid)

    def text(self, data: str) -> None:
        if self.in_text and not self.in_note:
            self.write(data)

    def write(self, data: str) -> None:
        """Adds to the text of the cell, up to what a cell may hold."""
        if self.length <= LIMITS.text:
            self.said.append(data)
            self.length += len(data) or 1

    def end(self, name: str) -> None:
        if name == "annotation":
            self.in_note -= 1
        if self.in_note:
            return
        if name in ("p", "h"):
            self.in_text -= 1
        elif name in ("table-cell", "covered-table-cell"):
            self.end_cell(covered=name == "covered-table-cell")
        elif name == "table-row":
            self.end_row()
        elif name == "table":
            self.depth -= 1
            self.grid = None

    def end_cell(self, *, covered: bool) -> None:
        grid = self.grid
        if grid is None:
            return
        given = self.attributes
        value = None if covered else self.value(given)
        down = _whole(attribute(given, "number-rows-spanned"), 1)
        right = _whole(attribute(given, "number-columns-spanned"), 1)
        if (down > 1 or right > 1) and len(grid.merged) < 20_000:
            grid.merged.append(
                (self.row, self.column, self.row + down - 1, self.column + right - 1)
            )
        if value is None:
            self.column += self.repeat
            return
        for _ in range(self.repeat):
            self.count += 1
            if self.count > LIMITS.cells:
                raise too_large(f"more than {LIMITS.cells:,} cells")
            if self.column >= LIMITS.columns:
                if not self.too_wide:
                    self.too_wide = True
                    self.problems.append(
                        Problem(
                            f"{self.book.name}, {grid.name}",
                            f"There are cells right of column {LIMITS.columns}; they were not "
                            "read.",
                            "Delete the columns that hold no data.",
                        )
                    )
                return
            self.cells.extend([None] * (self.column - len(self.cells)))
            self.cells.append(value)
            if attribute(given, "formula"):
                self.formulas.append(self.column)
            self.column += 1

    def end_row(self) -> None:
        grid = self.grid
        if grid is None:
            return
        last = self.row + self.row_repeat
        if last > LIMITS.rows:
            last = LIMITS.rows
            if self.cells:
                raise too_large(f"more than {LIMITS.rows:,} rows")
        if self.cells:
            self.count += len(self.cells) * (last - self.row - 1)
            if self.count > LIMITS.cells:
                raise too_large(f"more than {LIMITS.cells:,} cells")
            self.filled_rows += last - self.row
            if self.filled_rows > LIMITS.filled_rows:
                raise too_large(f"more than {LIMITS.filled_rows:,} rows")
            for row in range(self.row, last):
                grid.rows[row] = list(self.cells)
                grid.formulas.update((row, column) for column in self.formulas)
                if self.row_hidden:
                    grid.hidden_rows.add(row)
        self.row = last

    def value(self, given: dict[str, str]) -> object:
        kind = attribute(given, "value-type")
        shown = "".join(self.said)[: LIMITS.text]
        if not kind:
            if attribute(given, "formula") and not shown:
                return Broken("The formula has no stored result.", "Enter the value itself.")
            return shown or None
        if kind in ("float", "currency", "percentage"):
            return _number(attribute(given, "value"), shown, percent=kind == "percentage")
        if kind == "date":
            try:
                return date.fromisoformat(attribute(given, "date-value")[:10])
            except ValueError:
                return Broken(f"The cell holds a date {shown[:30]!r} that is none.")
        if kind == "boolean":
            return attribute(given, "boolean-value") == "true"
        if kind == "string":
            if shown.startswith("Err:") or shown in ("#REF!", "#VALUE!", "#DIV/0!", "#N/A"):
                return Broken(f"The cell holds the error {shown}.", "Enter the value itself.")
            own = attribute(given, "string-value")
            # what is shown may have more than what is held: by a format that puts text around it
            return (shown if own in shown else own)[: LIMITS.text] or None
        return shown or None


def _number(text: str, shown: str, *, percent: bool) -> object:
    try:
        number = Decimal(text)
    except ArithmeticError:
        return Broken(f"The cell holds {text[:30]!r} where a number stands.")
    if not number.is_finite() or abs(number.adjusted()) > 30:
        return Broken(f"The cell holds {text[:30]}, which is no number of a plant.")
    # a double written with 17 digits is the number with 15
    plain = Decimal(format(Decimal(format(float(number), ".15g")), "f"))
    said = shown.strip()
    if percent:
        return _percentage(plain, said)
    if not _HAS_WORD.search(said):
        return plain
    seen = _seen(said, plain)
    if seen is None:
        return Shown(said, plain, plain, None, _other(plain, said))
    value, before, behind = seen
    bare = said.replace(" ", "")
    if before or behind:
        measured = f"{before}{value} {behind}".strip()
        whole = not before and re.fullmatch(r"[\d ]+", said.removesuffix(behind)) is not None
        return Shown(said if whole or before else measured, plain, measured)
    if bare.isdecimal() and bare != format(plain, "f") and Decimal(bare) == plain:
        return Shown(bare, plain, plain)  # leading zeros
    return Shown(said, plain, plain) if _FRACTION.fullmatch(said) else value


def _percentage(plain: Decimal, said: str) -> Shown:
    hundred = Decimal(format((plain * 100).normalize(), "f"))
    seen = _seen(said, hundred) if said else (hundred, "", "%")
    if seen is None or "%" not in seen[1] + seen[2]:
        differs = _other(plain, said)
        return Shown(said, None, said, differs, differs)
    value, before, behind = seen
    if "%" in before:
        before, behind = before.replace("%", "").rstrip(), f"%{behind}"
    text = f"{before}{value} {behind}"
    return Shown(text, None, text)


def _other(plain: Decimal, said: str) -> Broken:
    return other_number(f"{plain:f}", f"it shows {said[:40]!r}, which is another number")


def _seen(said: str, plain: Decimal) -> tuple[Decimal, str, str] | None:
    """The number with the digits that a text shows, and what stands before and behind it.

    ``None``: the text shows another number, or none. Shown may be less than is held: rounded.

    >>> _seen("2.000", Decimal(2)), _seen("2,000 Pa", Decimal(2000))
    ((Decimal('2.000'), '', ''), (Decimal('2000'), '', 'Pa'))
    >>> _seen("(5.0) bar", Decimal(-5)), _seen("1.5 MPa", Decimal(1500000))
    ((Decimal('-5.0'), '', 'bar'), None)
    """
    fraction = _FRACTION.fullmatch(said)
    if fraction is not None:
        part = Fraction(int(fraction["over"]), int(fraction["under"]))
        off = abs(abs(Fraction(plain)) - int(fraction["whole"] or 0) - part)
        same = off <= Fraction(1, 2 * int(fraction["under"])) and (said[0] == "-") == (plain < 0)
        return (plain, "", "") if same else None
    found = _SHOWN.fullmatch(said)
    if found is None:
        return None
    before, behind = found["before"].strip(), found["behind"].strip()
    negative = found["sign"] != ""
    if "(" in before and behind.startswith(")"):  # "($5.00)"
        before, negative = before.replace("(", "", 1).strip(), True
    if (found["sign"] == "(" or negative) and behind.startswith(")"):
        behind = behind[1:].lstrip()
    elif found["sign"] == "(":
        return None
    elif before and before[0] in _MINUS:
        before, negative = before[1:].lstrip(), True
    elif behind and behind[0] in _MINUS:
        behind, negative = behind[1:].lstrip(), True
    if re.match(rf"[{_MINUS}).,\d]", behind):
        return None
    power = int(found["power"][1:]) if found["power"] and len(found["power"]) < 5 else 0
    places = _places_shown(found["digits"], abs(plain), power)
    if places is None or (negative != (plain < 0) and plain):
        return None
    present = -int(plain.as_tuple().exponent)
    fits = plain.adjusted() + places <= 25  # beyond: no number of a plant
    if not power and places > present and places <= 15 and fits:
        plain = plain.quantize(Decimal(1).scaleb(-places))
    return plain, before, behind


def _places_shown(digits: str, size: Decimal, power: int) -> int | None:
    """How many decimals ``digits`` show of a number of this size; ``None``: they are another.

    Which sign is the decimal one is told by the number itself; three digits behind a sign are
    thousands only where that is the number.
    """
    for mark in ".,":
        whole, sign, part = digits.rpartition(mark)
        if not sign or not part.isdecimal() or not _GROUPS.fullmatch(whole or "0"):
            continue
        if mark not in whole and _near(f"{_joined(whole)}.{part}", size, power):
            return len(part)
    return 0 if _GROUPS.fullmatch(digits) and _near(_joined(digits), size, power) else None


def _joined(digits: str) -> str:
    return re.sub(r"\D", "", digits)


def _near(text: str, size: Decimal, power: int) -> bool:
    """Whether a number of this size is shown so, rounded to the digits of ``text``."""
    shown = Decimal(text).scaleb(power)
    step = Decimal(1).scaleb(int(shown.as_tuple().exponent))
    return abs(shown - size) * 2 <= step


def attribute(given: dict[str, str], name: str) -> str:
    """An attribute by its name, whatever its prefix."""
    for prefix in ("table:", "office:", "style:", "text:"):
        found = given.get(prefix + name)
        if found is not None:
            return found
    return given.get(name, "")


def _whole(text: str, default: int) -> int:
    return int(text) if text.isdecimal() and len(text) < 9 else default
