"""Bench sheets written as a workbook: a cover for the round, then one sheet for each switch."""

from __future__ import annotations

import io
from collections.abc import Mapping, Sequence
from copy import copy
from dataclasses import dataclass
from typing import Any

from calfleet.adapters.workbook.sheet_form import (
    PRINTED,
    Cell,
    Field,
    Form,
    as_date,
    at,
    clean,
    letter,
    sheet_title,
)
from calfleet.adapters.workbook.sheet_layout import LAST_HIDDEN, column_widths, lay_out
from calfleet.records import BenchSheet

COVER = "Round"
HOW_TO = (
    "Fill in the yellow cells only; everything else is locked against slips (there is no "
    "password) and is checked when the sheet comes back.",
    "Type readings as the gauge shows them, in the gauge's own unit, with all their digits.",
    "Where the contact did not act choose 'no trip' or 'no reset', where it bounced 'chatter', and "
    "leave the reading empty. Leave the outcome empty where it tripped and reset.",
    "The states beside the readings are a help at the bench. 'Guard band' is inside the tolerance, "
    "but so near its limit that the uncertainty decides.",
    "The verdict is given when the sheet comes back: 'calfleet take-back FILE' judges the readings "
    "anew. A sheet that was not begun is passed over.",
    "A sheet holds for one job, one data sheet, one procedure revision and the gauge named on it. "
    "If one of them changes, have a new sheet handed out.",
)


@dataclass(frozen=True, slots=True)
class ToPrint:
    """A sheet handed out, with the digest of its content."""

    sheet: BenchSheet
    digest: str


def workbook_bytes(sheets: Sequence[ToPrint], left_out: Sequence[tuple[str, str]] = ()) -> bytes:
    """The workbook of a round as .xlsx; ``left_out``: (tag, reason) of jobs without a sheet."""
    from openpyxl import Workbook

    book = Workbook()
    cover = book.active
    cover.title = COVER
    taken = {COVER.casefold()}
    forms = []
    for one in sheets:
        content: Mapping[str, Any] = one.sheet.content
        title = sheet_title(one.sheet.tag, taken)
        form = lay_out(content, number=one.sheet.number, digest=one.digest, title=title)
        forms.append(form)
        _Drawing(book.create_sheet(title), form).draw(one.sheet)
        _name(book, one.sheet.number, title)
    _cover(cover, sheets, forms, left_out)
    book.properties.creator = "calfleet"
    book.properties.title = "Bench sheets"
    out = io.BytesIO()
    book.save(out)
    return out.getvalue()


def _name(book: Any, number: str, title: str) -> None:
    """A name for the marks of a sheet: who reads the file by other means finds them."""
    from openpyxl.workbook.defined_name import DefinedName

    name = "bench_sheet_" + number.replace("-", "_")
    book.defined_names[name] = DefinedName(name, attr_text=f"'{title}'!$N$1:$O$5")


# --- how it looks -----------------------------------------------------------------------

INK, SOFT, BAND, PAPER = "1F2937", "6B7280", "1E3A5F", "FFFFFF"
YELLOW, GREY, PALE, RULE = "FFF6CC", "F3F4F6", "E8EEF5", "C3CAD4"
TONES = {
    "good": ("D7F0DD", "14532D"),
    "near": ("FDE9C4", "7A4A00"),
    "bad": ("F9D2D0", "8B1A1A"),
    "odd": ("E6DAF5", "4A2580"),
}
FACE = "Arial"


class _Styles:
    """The looks by name, made once a sheet."""

    def __init__(self) -> None:
        from openpyxl.styles import Alignment, Border, Font, PatternFill, Protection, Side

        thin = Side(style="thin", color=RULE)
        box = Border(left=thin, right=thin, top=thin, bottom=thin)
        under = Border(bottom=thin)
        self.locked, self.open = Protection(locked=True), Protection(locked=False)

        def font(size: float = 9, *, bold: bool = False, italic: bool = False, color: str = INK):  # type: ignore[no-untyped-def]
            return Font(name=FACE, size=size, bold=bold, italic=italic, color=color)

        def fill(color: str):  # type: ignore[no-untyped-def]
            return PatternFill("solid", start_color=color, end_color=color)

        def align(across: str = "left", *, wrap: bool = True, up: str = "center", indent: int = 0):  # type: ignore[no-untyped-def]
            return Alignment(horizontal=across, vertical=up, wrap_text=wrap, indent=indent)

        none = Border()
        # font, fill, border, alignment
        self.looks: dict[str, tuple[Any, Any, Any, Any]] = {
            "title": (font(18, bold=True, color=BAND), None, none, align(wrap=False)),
            "number": (font(13, bold=True, color=BAND), None, none, align("right", wrap=False)),
            "subtitle": (font(11, color=INK), None, none, align(wrap=False)),
            "small right": (font(8, color=SOFT), None, none, align("right", wrap=False)),
            "band": (
                font(10, bold=True, color=PAPER), fill(BAND), none, align(wrap=False, indent=1),
            ),
            "band note": (
                font(8, color="DCE6F2"), fill(BAND), none, align("right", wrap=False, indent=1),
            ),
            "label": (font(8, color=SOFT), fill(GREY), box, align(indent=1)),
            "value": (font(9.5), None, box, align(indent=1)),
            "cell": (font(9), None, box, align(indent=1)),
            "center": (font(9), None, box, align("center")),
            "strong": (font(10, bold=True), None, box, align("center")),
            "head": (font(8, bold=True, color=BAND), fill(PALE), box, align("center")),
            "caution head": (
                font(9, bold=True, color="8B1A1A"), fill("FDF1F0"), under, align(indent=1),
            ),
            "caution": (font(9), fill("FDF1F0"), under, align()),
            "note": (font(8, italic=True, color=SOFT), None, none, align()),
            "step number": (font(9, bold=True, color=BAND), None, under, align("center", up="top")),
            "step": (font(9), None, under, align(up="top")),
            "series": (font(9, bold=True), fill(GREY), box, align(indent=1)),
            "target": (font(12, bold=True, color=BAND), fill(PALE), box, align("center")),
            "figure": (font(10), None, box, align("center")),
            "live": (font(9, color=INK), fill(GREY), box, align("center")),
            "sum label": (font(8, color=SOFT), fill(GREY), box, align("right", indent=1)),
            "sum": (font(9, bold=True), fill(GREY), box, align("center")),
            "state": (font(9, bold=True), fill(GREY), box, align("center")),
            "sign": (font(8, color=SOFT), None, none, align(up="bottom", indent=1)),
            "line": (font(9), None, Border(bottom=Side(style="medium", color=INK)), align()),
            "hidden": (font(8, color=SOFT), None, none, align(wrap=False)),
            "input": (font(10), fill(YELLOW), box, align("center")),
            "input text": (font(9), fill(YELLOW), box, align(indent=1)),
            "plain": (font(9), None, none, align(up="top")),
        }  # fmt: skip


class _Drawing:
    """One form drawn onto one sheet."""

    def __init__(self, sheet: Any, form: Form) -> None:
        self.sheet = sheet
        self.form = form
        self.styles = _Styles()
        self.made: dict[str, Any] = {}
        self.spans: list[str] = []

    def draw(self, handed: BenchSheet) -> None:
        for cell in self.form.cells:
            self._cell(cell)
        for one in self.form.fields.values():
            self._field(one)
        self.merge()
        self._checks()
        self._tints()
        for column, width in column_widths().items():
            self.sheet.column_dimensions[column].width = width
        self.sheet.column_dimensions["M"].width = 2
        for row, height in self.form.heights.items():
            self.sheet.row_dimensions[row].height = height
        _hide(self.sheet, "N", LAST_HIDDEN)
        _page(self.sheet, f"A1:L{self.form.rows}", self.form.breaks)
        content: Mapping[str, Any] = handed.content
        left = f"{content['site']['name']} · {handed.tag} · {handed.number}"
        # & begins a code in a page's foot
        self.sheet.oddFooter.left.text = clean(left).replace("&", "&&")
        self.sheet.oddFooter.right.text = "Page &P of &N"
        self.sheet.print_title_rows = "1:2"
        self.sheet.freeze_panes = "A3"
        self.sheet.sheet_view.showGridLines = False
        _protect(self.sheet)

    def _look(self, row: int, column: int, across: int, name: str, *, down: int = 1) -> Any:
        """The first cell of a span, all of whose cells got the look."""
        first = self.sheet.cell(row, column)
        look = self.made.get(name)
        if look is None:
            font, fill, border, alignment = self.styles.looks[name]
            first.font, first.border, first.alignment = font, border, alignment
            if fill is not None:
                first.fill = fill
            look = self.made[name] = copy(first._style)
        for r in range(row, row + down):
            for c in range(column, column + across):
                # a look is worked out once a sheet and then copied: thousands of cells share few
                self.sheet.cell(r, c)._style = copy(look)
        if across > 1 or down > 1:
            self.spans.append(f"{at(row, column)}:{at(row + down - 1, column + across - 1)}")
        return first

    def _cell(self, given: Cell) -> None:
        cell = self._look(given.row, given.column, given.across, given.style)
        cell.value = given.value
        if isinstance(given.value, str):
            # a tag or a name that begins with = + - @ is text, never a formula
            cell.data_type = "f" if given.formula else "s"
            if given.value == "":
                cell.value = None
        if given.number_format:
            cell.number_format = given.number_format

    def _field(self, one: Field) -> None:
        name = "input text" if one.kind == "text" else "input"
        cell = self._look(one.row, one.column, one.across, name, down=one.down)
        # typed text stays text: a work order 0042 keeps its zeros
        cell.number_format = "@" if one.kind == "text" else one.number_format
        for r in range(one.row, one.row + one.down):
            for c in range(one.column, one.column + one.across):
                self._open(self.sheet.cell(r, c), name)

    def _open(self, cell: Any, name: str) -> None:
        """Unlocks a cell; again worked out once for each look and number format."""
        key = f"open {name} {cell.number_format}"
        if key not in self.made:
            cell.protection = self.styles.open
            self.made[key] = copy(cell._style)
        cell._style = copy(self.made[key])

    def merge(self) -> None:
        """The spans merged at once: their cells have their looks already."""
        from openpyxl.worksheet.cell_range import CellRange

        self.sheet.merged_cells.ranges = {CellRange(span) for span in self.spans}

    def _checks(self) -> None:
        """What a cell takes: the same limits serve many cells, so they are put down once."""
        from openpyxl.worksheet.datavalidation import DataValidation

        made: dict[tuple[object, ...], Any] = {}
        for one in self.form.fields.values():
            key = (one.kind, one.low, one.high, one.choices, one.hint)
            check = made.get(key)
            if check is None:
                check = made[key] = self._check(DataValidation, one)
                if check is None:
                    del made[key]
                    continue
                self.sheet.add_data_validation(check)
            check.add(at(one.row, one.column))

    @staticmethod
    def _check(validation: Any, one: Field) -> Any:
        if one.kind == "choice":
            check = validation(type="list", formula1=one.choices, allow_blank=True)
            said = "Choose from the list."
        elif one.kind == "number":
            check = validation(
                type="decimal", operator="between", formula1=f"{one.low:g}",
                formula2=f"{one.high:g}", allow_blank=True,
            )  # fmt: skip
            said = f"A number from {one.low:g} to {one.high:g}."
        elif one.kind == "date":
            check = validation(
                type="date", operator="between", formula1="36526", formula2="73050",
                allow_blank=True,
            )  # fmt: skip
            said = "A date, for example 2026-11-30."
        elif one.kind == "time":
            check = validation(
                type="time", operator="between", formula1="0", formula2="0.999999",
                allow_blank=True,
            )  # fmt: skip
            said = "A time of day, for example 14:05."
        else:
            return None
        check.showErrorMessage = True
        check.errorTitle, check.error = "Not possible here", said
        if one.hint:
            check.showInputMessage = True
            check.promptTitle, check.prompt = "How to fill in", one.hint
        return check

    def _tints(self) -> None:
        from openpyxl.formatting.rule import FormulaRule
        from openpyxl.styles import Font, PatternFill

        for tint in self.form.tints:
            back, ink = TONES[tint.tone]
            self.sheet.conditional_formatting.add(
                tint.area,
                FormulaRule(
                    formula=[tint.formula],
                    fill=PatternFill("solid", start_color=back, end_color=back),
                    font=Font(color=ink, bold=True),
                ),
            )


def _hide(sheet: Any, first: str, last: str) -> None:
    from openpyxl.utils import column_index_from_string

    for n in range(column_index_from_string(first), column_index_from_string(last) + 1):
        sheet.column_dimensions[letter(n)].hidden = True


def _page(sheet: Any, area: str, breaks: Sequence[int]) -> None:
    """A4 upright, as wide as the page; a page begins where the readings begin."""
    from openpyxl.worksheet.pagebreak import Break

    sheet.print_area = area
    sheet.page_setup.paperSize = sheet.PAPERSIZE_A4
    sheet.page_setup.orientation = "portrait"
    sheet.page_setup.fitToWidth, sheet.page_setup.fitToHeight = 1, 0
    sheet.sheet_properties.pageSetUpPr.fitToPage = True
    margins = sheet.page_margins
    margins.left = margins.right = 0.4
    margins.top, margins.bottom = 0.45, 0.55
    margins.header = margins.footer = 0.25
    sheet.print_options.horizontalCentered = True
    for row in breaks:
        sheet.row_breaks.append(Break(id=row))


def _protect(sheet: Any) -> None:
    """Locked against slips, without a password: the content is checked when it comes back."""
    guard = sheet.protection
    guard.sheet = True
    guard.formatColumns = guard.formatRows = False  # a column may be made wider
    guard.selectLockedCells = False


# --- the cover --------------------------------------------------------------------------


def _cover(
    sheet: Any,
    sheets: Sequence[ToPrint],
    forms: Sequence[Form],
    left_out: Sequence[tuple[str, str]],
) -> None:
    drawing = _Cover(sheet)
    drawing.draw(sheets, forms, left_out)


class _Cover:
    """The first page: what the round holds, its gauges, its cautions, and how to fill it in."""

    def __init__(self, sheet: Any) -> None:
        self.sheet = sheet
        self.pen = _Drawing(sheet, Form(COVER))
        self.row = 1

    def put(self, column: int, value: object, style: str, across: int = 1, fmt: str = "") -> None:
        if isinstance(value, str):
            value = clean(value)
        self.pen._cell(Cell(self.row, column, value, style, across, number_format=fmt))

    def heads(self, *heads: tuple[int, int, str]) -> None:
        for column, across, text in heads:
            self.put(column, text, "head", across)
        self.row += 1

    def band(self, text: str) -> None:
        self.put(1, text, "band", PRINTED)
        self.sheet.row_dimensions[self.row].height = 17
        self.row += 1

    def wrapped(
        self, text: str, style: str = "plain", *, column: int = 1, width: int = 130
    ) -> None:
        self.put(column, text, style, PRINTED + 1 - column)
        self.sheet.row_dimensions[self.row].height = 14.5 * -(-len(text) // width)
        self.row += 1

    def draw(
        self,
        sheets: Sequence[ToPrint],
        forms: Sequence[Form],
        left_out: Sequence[tuple[str, str]],
    ) -> None:
        contents: list[Mapping[str, Any]] = [one.sheet.content for one in sheets]
        first = contents[0]
        minutes = sum(c["switch"]["minutes"] for c in contents)
        self.put(1, "Bench round", "title", 7)
        self.put(8, f"{len(sheets)} jobs, {minutes / 60:.1f} h", "number", 5)
        self.sheet.row_dimensions[1].height = 26
        self.row += 1
        handed = first["handed_out"]
        self.put(
            1, f"{first['site']['name']} · for {first['for_on']} · handed out {handed['on']} by "
            f"{handed['name']}", "subtitle", PRINTED,
        )  # fmt: skip
        self.row += 2
        self._jobs(sheets, forms)
        if left_out:
            self.band("Left out of this round")
            for tag, reason in left_out:
                self.put(1, tag, "strong", 2)
                self.put(3, reason, "cell", PRINTED - 2)
                self.sheet.row_dimensions[self.row].height = 14.5 * -(-len(reason) // 105)
                self.row += 1
            self.row += 1
        self._gauges(contents)
        self._cautions(contents)
        self.band("How to fill in the sheets")
        for n, text in enumerate(HOW_TO, 1):
            self.put(1, n, "step number")
            self.wrapped(text, "step", column=2, width=138)
        for column, width in column_widths().items():
            self.sheet.column_dimensions[column].width = width
        self.pen.merge()
        _page(self.sheet, f"A1:L{self.row - 1}", ())
        self.sheet.oddFooter.right.text = "Page &P of &N"
        self.sheet.sheet_view.showGridLines = False
        _protect(self.sheet)

    def _jobs(self, sheets: Sequence[ToPrint], forms: Sequence[Form]) -> None:
        from openpyxl.styles import Font

        self.band("Jobs")
        self.heads(
            (1, 2, "Switch"), (3, 3, "Service"), (6, 1, "Criticality"), (7, 1, "Due"),
            (8, 1, "Gauge"), (9, 1, "Minutes"), (10, 1, "Sheet"), (11, 2, "State"),
        )  # fmt: skip
        first = self.row
        for one, form in zip(sheets, forms, strict=True):
            content: Mapping[str, Any] = one.sheet.content
            s = content["switch"]
            self.put(1, s["tag"], "strong", 2)
            cell = self.sheet.cell(self.row, 1)
            cell.hyperlink = f"#'{form.title}'!A1"
            cell.font = Font(name=FACE, size=10, bold=True, underline="single", color=BAND)
            self.put(3, s["service"], "cell", 3)
            self.put(6, s["criticality"], "center")
            due = content["due"]["on"]
            self.put(7, as_date(due) if due else "no date", "center", fmt="yyyy-mm-dd")
            self.put(8, content["gauges"][0]["code"], "center")
            self.put(9, s["minutes"], "center")
            self.put(10, one.sheet.number, "center")
            state = f"='{form.title}'!{form.state}"
            self.pen._cell(Cell(self.row, 11, state, "state", 2, formula=True))
            self.sheet.row_dimensions[self.row].height = 15 * max(1, -(-len(s["service"]) // 36))
            self.row += 1
        for word, tone in (("as found: inside", "good"), ("as found: outside", "bad")):
            self._tint(f"K{first}:L{self.row - 1}", f'$K{first}="{word}"', tone)
        self.row += 1

    def _tint(self, area: str, formula: str, tone: str) -> None:
        from openpyxl.formatting.rule import FormulaRule
        from openpyxl.styles import Font, PatternFill

        back, ink = TONES[tone]
        fill = PatternFill("solid", start_color=back, end_color=back)
        rule = FormulaRule(formula=[formula], fill=fill, font=Font(color=ink, bold=True))
        self.sheet.conditional_formatting.add(area, rule)

    def _gauges(self, contents: Sequence[Mapping[str, Any]]) -> None:
        self.band("Reference gauges to take along")
        self.heads(
            (1, 2, "Gauge"), (3, 4, "What it is, serial"), (7, 2, "Certificate"),
            (9, 1, "Valid until"), (10, 2, "Range"), (12, 1, "Jobs"),
        )  # fmt: skip
        used: dict[tuple[str, str], list[Mapping[str, Any]]] = {}
        for content in contents:
            for g in content["gauges"]:
                used.setdefault((g["code"], g["certificate"]), []).append(g)
        for (code, certificate), held in sorted(used.items()):
            g = held[0]
            self.put(1, code, "strong", 2)
            self.put(3, f"{g['description']}, {g['serial']}", "cell", 4)
            self.put(7, certificate, "center", 2)
            self.put(9, as_date(g["valid_until"]), "center", fmt="yyyy-mm-dd")
            self.put(10, f"{g['range'][0]} to {g['range'][1]} {g['symbol']}", "center", 2)
            self.put(12, len(held), "center")
            self.row += 1
        self.row += 1

    def _cautions(self, contents: Sequence[Mapping[str, Any]]) -> None:
        self.band("Cautions of this round")
        seen: dict[tuple[str, str], list[str]] = {}
        for content in contents:
            for heading, text in content["cautions"]:
                seen.setdefault((heading, text), []).append(content["switch"]["tag"])
        for (heading, text), tags in seen.items():
            where = "" if len(tags) == len(contents) else f" ({', '.join(tags)})"
            self.put(1, f"▲ {heading}", "caution head", 3)
            said = f"{text}{where}"
            self.put(4, said, "caution", PRINTED - 3)
            lines = max(-(-len(said) // 112), 1 + (len(heading) > 28))
            self.sheet.row_dimensions[self.row].height = 14.5 * lines
            self.row += 1
        self.wrapped(contents[0]["deference"], "note")
        self.row += 1
