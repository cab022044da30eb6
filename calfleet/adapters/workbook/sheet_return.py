"""Filled bench sheets read from a workbook: every printed cell compared, every entry typed.

A sheet is laid out again from what was recorded when it was handed out, and each cell of the file
is compared with it; so an altered target, limit or name is seen, whatever the protection says. No
formula's result is read, and a formula in a cell to be filled in is refused.
"""

from __future__ import annotations

import hashlib
import re
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, datetime, time
from decimal import Decimal
from pathlib import Path
from typing import Any

from calfleet.adapters.workbook.grid_cells import Shown
from calfleet.adapters.workbook.grid_formats import by_format
from calfleet.adapters.workbook.packages import Damaged, Unreadable, open_package, screen
from calfleet.adapters.workbook.sheet_form import (
    MARK_TITLE,
    MARKS,
    NO,
    PHASES,
    YES,
    Cell,
    Field,
    Form,
    at,
    clean,
)
from calfleet.adapters.workbook.sheet_layout import lay_out
from calfleet.errors import Problem
from calfleet.records import (
    BenchRecord,
    BenchSheet,
    Cycle,
    CycleOutcome,
    FilledSheet,
    GaugeRole,
    GaugeUsed,
    Phase,
    SheetMarks,
)

FILE_LIMIT = 16 * 2**20
"""Far above what a round of hundreds of sheets has, in bytes."""
ROWS, COLUMNS = 2000, 60
"""A bench sheet reaches no further."""
TOLD = 25
"""So many altered cells of a sheet are listed; more say nothing new."""
TEXT_LIMIT = 300
REMARKS_LIMIT = 2000
_PLAIN = re.compile(r"[+-]?(\d+(\.\d*)?|\.\d+)", re.ASCII)
_COMMA = re.compile(r"([+-]?)(\d+),(\d+)", re.ASCII)
_PER_CENT = re.compile(r"([+-]?\d+(?:\.\d+)?) %", re.ASCII)
_TIME = re.compile(r"([01]?\d|2[0-3])[:.]([0-5]\d)", re.ASCII)
_BLANKS = "\u00a0\u202f\u2009"


@dataclass(frozen=True, slots=True)
class Seen:
    """A cell as read: its value, a formula as text; ``kind`` as openpyxl tells it apart.

    ``as_shown`` is what a number is shown as, where the file tells that instead of a format.
    """

    value: Any = None
    kind: str = "n"
    number_format: str = "General"
    as_shown: object = None

    @property
    def shown(self) -> object:
        """What the cell shows of its number: ``Shown``, or the number with its digits."""
        if self.as_shown is not None:
            return self.as_shown
        exact = Decimal(repr(self.value))
        if not exact.is_finite() or abs(exact.adjusted()) > 30:
            return exact
        return by_format(exact, self.number_format, epoch_1904=False)


Page = Mapping[tuple[int, int], Seen]
"""The cells of a tab that hold anything, by row and column."""
EMPTY = Seen()


@dataclass(frozen=True)
class SheetFile:
    """A workbook read once: its cells by tab, its marks, and the digest of its bytes."""

    name: str
    digest: str
    pages: Mapping[str, Page]
    marks: tuple[SheetMarks, ...]


def open_sheets(path: Path, problems: list[Problem]) -> SheetFile | None:
    """The bench sheets of a workbook by their marks; ``None`` with the problem noted."""
    name = path.name
    open_document = False
    try:
        open_document = _is_open_document(path)
        if not open_document:
            screen(path, elements=1_200_000, places=1_000_000)
    except Damaged:
        pass  # said below
    except Unreadable as error:
        problems.append(Problem(name, error.message, error.hint))
        return None
    try:
        if path.stat().st_size > FILE_LIMIT:
            problems.append(
                Problem(name, f"The file has more than {FILE_LIMIT >> 20} MiB.", "Check the file.")
            )
            return None
        content = path.read_bytes()
    except OSError as error:
        problems.append(Problem(name, f"The file cannot be read: {error.strerror or error}."))
        return None
    pages = _load_ods(path, problems) if open_document else _load(content, name, problems)
    if pages is None:
        return None
    marks = tuple(m for title, page in pages.items() if (m := _marks(name, title, page)))
    if not marks:
        problems.append(
            Problem(
                name,
                "The workbook holds no bench sheet.",
                "Take back a workbook that 'calfleet bench-sheets' wrote.",
            )
        )
        return None
    return SheetFile(name, hashlib.sha256(content).hexdigest(), pages, marks)


def _load(content: bytes, name: str, problems: list[Problem]) -> dict[str, Page] | None:
    """The cells of each tab, formulas as text."""
    import io
    import warnings
    import zlib
    from xml.etree.ElementTree import ParseError
    from zipfile import BadZipFile

    import openpyxl
    from openpyxl.utils.exceptions import InvalidFileException

    unreadable = Problem(
        name,
        "The file is not a readable .xlsx workbook.",
        "Open it and save it again as .xlsx without a password.",
    )
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # parts that openpyxl drops hold no entries
            book = openpyxl.load_workbook(io.BytesIO(content), read_only=True)
            try:
                return {sheet.title: _page(sheet) for sheet in book.worksheets}
            finally:
                book.close()
    except (
        # what openpyxl raises on a file that is no workbook, or a damaged one
        BadZipFile, InvalidFileException, ParseError, zlib.error, OSError, EOFError, LookupError,
        ValueError, TypeError, AttributeError, SyntaxError, RuntimeError,
    ):  # fmt: skip
        problems.append(unreadable)
        return None


def _is_open_document(path: Path) -> bool:
    """Whether the file is an .ods, by what it holds. Raises Unreadable."""
    if not path.is_file():
        return False
    with path.open("rb") as stream:
        if not stream.read(4).startswith(b"PK"):
            return False
    with open_package(path) as package:
        return "content.xml" in package.namelist()


def _load_ods(path: Path, problems: list[Problem]) -> dict[str, Page] | None:
    """The cells of each tab of an .ods, formulas as text."""
    from calfleet.adapters.workbook.sheet_ods import pages

    try:
        with open_package(path) as package:
            return {
                title: {
                    place: Seen(*cell)
                    for place, cell in cells.items()
                    if place[0] <= ROWS and place[1] <= COLUMNS
                }
                for title, cells in pages(path, package).items()
            }
    except Unreadable as error:
        problems.append(Problem(path.name, error.message, error.hint))
        return None


def _page(sheet: Any) -> Page:
    """The cells of a tab that hold anything, as far as a bench sheet reaches."""
    # the size written in the file may be wrong or absent; only the cells count
    sheet.reset_dimensions()
    found: dict[tuple[int, int], Seen] = {}
    for row in sheet.iter_rows(max_row=ROWS, max_col=COLUMNS):
        for cell in row:
            if cell.value is not None:
                found[cell.row, cell.column] = Seen(
                    cell.value, cell.data_type, cell.number_format or "General"
                )
    return found


def _marks(file: str, title: str, page: Page) -> SheetMarks | None:
    """What the hidden marks of a sheet say; ``None`` for a sheet that is not a bench sheet."""
    values = [page.get((n, 15), EMPTY).value for n in range(1, len(MARKS) + 1)]
    form = str(values[0] or "")
    if not form.startswith(MARK_TITLE):
        return None
    number, digest, database, tag = (clean("" if v is None else v) for v in values[1:])
    return SheetMarks(
        file, title, form.removeprefix(MARK_TITLE).strip(), number, digest, database, tag
    )


def read_sheet(
    file: SheetFile,
    marks: SheetMarks,
    sheet: BenchSheet,
    content_digest: str,
    problems: list[Problem],
) -> FilledSheet | None:
    """The sheet as filled in; ``None`` when it was not begun, or with its problems noted."""
    page = file.pages[marks.title]
    form = lay_out(sheet.content, number=sheet.number, digest=content_digest, title=marks.title)
    reading = _Reading(file.name, page, form, sheet)
    if not reading.begun():
        return None
    before = len(problems)
    reading.compare()
    bench = reading.bench()
    problems += reading.problems
    if bench is None or len(problems) > before:
        return None
    cells = {key: reading.where(key) for key in form.fields}
    return FilledSheet(marks, file.digest, bench, cells)


# --- comparing what was printed ---------------------------------------------------------

_NUMBER = re.compile(r"(?<![A-Z$\d.])\d+(?:\.\d+)?(?:E[+-]?\d+)?", re.ASCII)


def same_formula(text: str) -> str:
    """A formula without what programs change when they save it: blanks, and how a number is put.

    >>> same_formula("= IF( A1>0.50 , 1E-05, 2 )") == same_formula("=IF(A1>0.5,0.00001,2)")
    True
    """
    kept = []
    for n, part in enumerate(text.split('"')):
        if n % 2:  # between quotation marks
            kept.append(part)
            continue
        squeezed = re.sub(r"\s+", "", part).upper().replace("_XLFN.", "").replace("OF:=", "=")
        kept.append(_NUMBER.sub(lambda m: repr(float(m[0])), squeezed))
    return '"'.join(kept)


class _Reading:
    """One sheet being read: problems gather here, each with its cell."""

    def __init__(self, file: str, page: Page, form: Form, sheet: BenchSheet) -> None:
        self.file = file
        self.page = page
        self.form = form
        self.sheet = sheet
        self.content: Mapping[str, Any] = sheet.content
        self.problems: list[Problem] = []

    def where(self, key: str) -> str:
        return f"{self.file}, {self.form.title}!{self.form.place(key)}"

    def problem(self, key: str, message: str, hint: str = "") -> None:
        self.problems.append(Problem(self.where(key), message, hint))

    def cell(self, key: str) -> Seen:
        one = self.form.fields[key]
        return self.page.get((one.row, one.column), EMPTY)

    def raw(self, key: str) -> Any:
        value = self.cell(key).value
        if isinstance(value, str):
            value = value.strip().strip(_BLANKS).strip()
        return None if value == "" else value

    def begun(self) -> bool:
        return any(self.raw(key) is not None for key in self.form.fields)

    def compare(self) -> None:
        altered = [p for cell in self.form.cells if (p := self._altered(cell)) is not None]
        self.problems += altered[:TOLD]
        if len(altered) > TOLD:
            self.problems.append(
                Problem(
                    f"{self.file}, {self.form.title}",
                    f"{len(altered) - TOLD} more cells differ from the sheet handed out.",
                    "Copy the entries into the sheet as it was handed out.",
                )
            )

    def _altered(self, cell: Cell) -> Problem | None:
        """What is wrong with a locked cell, or ``None`` where it is as it was handed out."""
        value = self.page.get((cell.row, cell.column), EMPTY).value
        where = f"{self.file}, {self.form.title}!{at(cell.row, cell.column)}"
        hint = "Copy the entries into the sheet as it was handed out."
        if cell.formula:
            # array formulas and the like come as objects: none was handed out
            if isinstance(value, str) and same_formula(value) == same_formula(str(cell.value)):
                return None
            what = "a target" if cell.style in ("target", "figure") else "a live cell"
            return Problem(where, f"The formula of {what} was altered.", hint)
        if _same(value, cell.value):
            return None
        said = "nothing" if cell.value in (None, "") else repr(str(cell.value))
        now = "nothing" if value is None else repr(str(value)[:80])
        return Problem(where, f"This cell was altered: {said} was handed out, now {now}.", hint)

    # --- entries, by kind ---

    def plain(self, key: str) -> Any:
        """The value of an entry; ``None`` for an empty one or with its problem noted."""
        if key not in self.form.fields:
            return None
        cell, value = self.cell(key), self.raw(key)
        if value is None:
            return None
        name = self.form.fields[key].label
        if cell.kind == "f" or not isinstance(
            value, str | int | float | bool | date | datetime | time
        ):
            self.problem(
                key, f"{name}: a formula where an entry is expected.", "Type the value itself."
            )
            return None
        if cell.kind == "e":
            self.problem(key, f"{name}: the cell holds the error {value}.", "Type the value.")
            return None
        if isinstance(value, str) and value.startswith("="):
            self.problem(key, f"{name}: a formula typed as text.", "Type the value itself.")
            return None
        return value

    def number(self, key: str, *, required: bool = False) -> Decimal | None:
        """A number with its digits as shown; inside what the cell takes."""
        before = len(self.problems)
        value = self.plain(key)
        if value is None:
            if required and len(self.problems) == before:
                self.missing(key)
            return None
        one = self.form.fields[key]
        found = self._decimal(key, one, value)
        if found is None:
            return None
        low, high = one.low, one.high
        if (low is not None and found < Decimal(repr(low))) or (
            high is not None and found > Decimal(repr(high))
        ):
            self.problem(
                key, f"{one.label}: {format(found, 'f')} is outside {low:g} to {high:g}.",
                "Check the reading and its unit.",
            )  # fmt: skip
            return None
        return found

    def _decimal(self, key: str, one: Field, value: object) -> Decimal | None:
        if isinstance(value, bool):
            self.problem(key, f"{one.label}: {value} is not a number.", "Type the number.")
        elif isinstance(value, date | datetime | time):
            self.problem(
                key, f"{one.label}: the cell holds the date or time {value}, not a number.",
                "The spreadsheet took the number for a date: type it again, with a decimal point.",
            )  # fmt: skip
        elif isinstance(value, int | float):
            return self._number_shown(key, one)
        else:
            return self._typed_number(key, one, str(value))
        return None

    def _number_shown(self, key: str, one: Field) -> Decimal | None:
        """The number that a person sees in the cell; per cent where the entry is in per cent."""
        found = self.cell(key).shown
        if isinstance(found, Decimal):
            return found
        if isinstance(found, Shown) and found.differs is None:
            if isinstance(found.measured, Decimal):
                return found.measured
            match = _PER_CENT.fullmatch(str(found.measured))
            if match is not None and key == "humidity":
                return Decimal(match[1])
            if match is None and _PLAIN.fullmatch(str(found.measured)):
                return Decimal(str(found.measured))  # '+0.2'
        if isinstance(found, Shown):
            why = found.differs.message if found.differs else f"The cell shows {str(found)!r}."
        else:
            why = f"The cell shows its number as {found}."
        self.problem(
            key, f"{one.label}: {why[0].lower()}{why[1:-1]}, not one plain number.",
            "Clear the cell with its format, and type the plain number.",
        )  # fmt: skip
        return None

    def _typed_number(self, key: str, one: Field, text: str) -> Decimal | None:
        """A number typed as text, its digits kept; a decimal comma only where it is one surely."""
        plain = text.replace("\u2212", "-")
        if _PLAIN.fullmatch(plain):
            return Decimal(plain.removesuffix("."))
        match = _COMMA.fullmatch(plain)
        if match is None:
            self.problem(
                key, f"{one.label}: {text!r} is not one plain number.",
                "Digits, with a decimal point; what did not happen stays empty.",
            )  # fmt: skip
            return None
        found = Decimal(f"{match[1]}{match[2]}.{match[3]}")
        thousands = Decimal(f"{match[1]}{match[2]}{match[3]}")
        grouped = len(match[3]) == 3 and 1 <= len(match[2]) <= 3 and match[2] != "0"
        possible = (one.low is None or thousands >= Decimal(repr(one.low))) and (
            one.high is None or thousands <= Decimal(repr(one.high))
        )
        if grouped and possible:
            self.problem(
                key, f"{one.label}: {text!r} may be {found} or {thousands}.",
                "Type it with a decimal point.",
            )  # fmt: skip
            return None
        return found

    def missing(self, key: str) -> None:
        self.problem(key, f"{self.form.fields[key].label}: nothing was entered.", "Fill in.")

    def text(self, key: str, limit: int = TEXT_LIMIT) -> str:
        value = self.plain(key)
        if value is None:
            return ""
        if isinstance(value, bool):
            said = YES if value else NO
        elif isinstance(value, int | float):
            said = self._text_shown(key)
        elif isinstance(value, datetime):
            said = value.strftime("%Y-%m-%d %H:%M").removesuffix(" 00:00")
        elif isinstance(value, date | time):
            said = value.isoformat()
        else:
            said = clean(value)
        if len(said) > limit:
            self.problem(
                key, f"{self.form.fields[key].label}: {len(said)} characters; {limit} are allowed.",
                "Say it shorter, or file a separate note.",
            )  # fmt: skip
        return said

    def _text_shown(self, key: str) -> str:
        """What a number is shown as, such as 42 as WO-0042; '' with the problem noted."""
        found = self.cell(key).shown
        if isinstance(found, Decimal):
            return format(found, "f")
        if isinstance(found, Shown) and found.unclear is None:
            return clean(found)
        why = found.unclear.message if isinstance(found, Shown) and found.unclear else str(found)
        self.problem(key, f"{self.form.fields[key].label}: {why}", "Type it as a text.")
        return ""

    def choice(self, key: str, *, required: bool = False) -> str:
        """One of the words of the list, or '' where nothing is chosen."""
        before = len(self.problems)
        value = self.plain(key)
        if value is None:
            if required and len(self.problems) == before:
                self.missing(key)
            return ""
        one = self.form.fields[key]
        words = self.form.words[one.choices]
        said = self.text(key).casefold()
        for word in words:
            if said == word.casefold() or (_is_person(key) and said == _code(word).casefold()):
                return word
        self.problem(
            key, f"{one.label}: {self.text(key)!r} is not on the list.",
            f"Choose one of: {', '.join(words)}.",
        )  # fmt: skip
        return ""

    def flag(self, key: str, *, required: bool = True) -> bool:
        return self.choice(key, required=required) == YES

    def person(self, key: str, *, required: bool = False) -> str | None:
        word = self.choice(key, required=required)
        return self._person(word) if word else None

    def _person(self, word: str) -> str:
        from calfleet.adapters.workbook.sheet_form import person_words

        found = {person_words(p): str(p["code"]) for p in self.content["people"]}
        return found[word]

    def day(self, key: str) -> date | None:
        before = len(self.problems)
        value = self.plain(key)
        if value is None:
            if len(self.problems) == before:
                self.missing(key)
            return None
        if isinstance(value, datetime):
            if value.time() == time():
                return value.date()
        elif isinstance(value, date):
            return value
        elif isinstance(value, str) and re.fullmatch(r"\d{4}-\d\d-\d\d", value, re.ASCII):
            try:
                return date.fromisoformat(value)
            except ValueError:
                pass
        self.problem(
            key, f"{self.form.fields[key].label}: {str(value)!r} is not a date.",
            "Type it as YYYY-MM-DD.",
        )  # fmt: skip
        return None

    def clock(self, key: str) -> str:
        """A time of day as HH:MM, or '' where none was entered."""
        value = self.plain(key)
        if value is None:
            return ""
        if isinstance(value, datetime | time):
            return value.strftime("%H:%M")
        if isinstance(value, float) and 0 <= value < 1:
            minutes = round(value * 24 * 60) % (24 * 60)
            return f"{minutes // 60:02d}:{minutes % 60:02d}"
        match = _TIME.fullmatch(str(value))
        if match is None:
            self.problem(
                key, f"{self.form.fields[key].label}: {str(value)!r} is not a time of day.",
                "Type it as HH:MM.",
            )  # fmt: skip
            return ""
        return f"{int(match[1]):02d}:{match[2]}"

    # --- the record ---

    def bench(self) -> BenchRecord | None:
        """The record that the entries give; ``None`` where something is missing or wrong."""
        c = self.content
        self.flag("ready")
        for n, _ in enumerate(c["gauges"]):
            self.flag(f"agrees:{n}")
        done = self.day("performed_on")
        self._day_possible(done)
        performer = self.person("performed_by", required=True)
        exercised_first = self.flag("exercised_first")
        temperature = self.number("temperature", required=True)
        humidity = self.number("humidity", required=True)
        barometer = self.number("barometer", required=bool(c["barometer"]))
        height, half, density = self._head()
        cycles = self._cycles()
        adjusted = self.flag("adjusted")
        note = self.text("adjustment_note")
        exercised = self.number("exercise_cycles", required=adjusted)
        if exercised is not None and exercised != exercised.to_integral_value():
            self.problem("exercise_cycles", f"Exercised: {exercised} is not a whole number.")
        if adjusted and not note:
            self.problem("adjustment_note", "What was adjusted is not told.", "Fill in.")
        returned, verified, checks = self._return()
        record = BenchRecord(
            tag=self.sheet.tag,
            performed_on=done or self.sheet.for_on,
            performed_by=performer or "",
            procedure=self.sheet.procedure,
            procedure_revision=self.sheet.procedure_revision,
            gauges=self._gauges(),
            cycles=cycles,
            temperature_c=temperature or Decimal(0),
            humidity=(humidity or Decimal(0)) / 100,
            adjusted=adjusted,
            adjustment_note=note,
            barometric=barometer,
            barometric_unit=None if barometer is None else str(c["barometer"]),
            exercised_before_as_found=exercised_first,
            exercise_cycles=int(exercised or 0),
            contact_check=self._contacts(),
            seal=self.text("seal"),
            permit=self.text("permit"),
            bypass=self.text("bypass"),
            returned_by=returned,
            verified_by=verified,
            work_order=self.text("work_order"),
            remarks=self._remarks(checks),
            head_height_m=height,
            head_height_half_width_m=half,
            head_density_kg_m3=density,
        )
        return None if self.problems else record

    def _day_possible(self, done: date | None) -> None:
        handed = date.fromisoformat(self.content["handed_out"]["on"])
        if done is not None and done < handed:
            self.problem(
                "performed_on", f"Done on {done}, before the sheet was handed out on {handed}.",
                "Check the date.",
            )  # fmt: skip

    def _gauges(self) -> tuple[GaugeUsed, ...]:
        """The gauges of the sheet; one that reads both pressures stands in both roles."""
        used = [
            GaugeUsed(GaugeRole(g["role"]), g["code"], g["certificate"])
            for g in self.content["gauges"]
        ]
        if self.content["static"] and len(used) == 1:
            used.append(GaugeUsed(GaugeRole.STATIC, used[0].gauge, used[0].certificate))
        return tuple(used)

    def _head(self) -> tuple[Decimal | None, Decimal | None, Decimal | None]:
        if not self.content["head"]:
            return None, None, None
        height, half = self.number("head_height"), self.number("head_half_width")
        density = self.number("head_density")
        for key, one, other in (
            ("head_density", density, height), ("head_height", height, density),
        ):  # fmt: skip
            if one is None and other is not None:
                self.problem(
                    key, "A height needs its fluid, and a fluid its height.",
                    "Enter both, or leave both empty where gauge and switch stand at one height.",
                )  # fmt: skip
        if half is not None and height is None:
            self.problem("head_half_width", "No height is told that would be known so well.")
        return height, half, density

    def _cycles(self) -> tuple[Cycle, ...]:
        found: list[Cycle] = []
        for phase in PHASES:
            for n, point in enumerate(self.content["points"]):
                found += self._series(n, point, phase)
        if not found and not any("run" in p.message for p in self.problems):
            first = f"trip:0:{PHASES[0]}:1"
            self.problem(first, "No run was entered.", "Fill in the readings.")
        return tuple(found)

    def _series(self, n: int, point: Mapping[str, Any], phase: str) -> list[Cycle]:
        found: list[Cycle] = []
        empty: list[int] = []
        run = 1
        while f"trip:{n}:{phase}:{run}" in self.form.fields:
            keys = [f"{what}:{n}:{phase}:{run}" for what in ("outcome", "static", "trip", "reset")]
            if all(key not in self.form.fields or self.raw(key) is None for key in keys):
                empty.append(run)
            else:
                for gap in empty:
                    self.problem(
                        f"trip:{n}:{phase}:{gap}",
                        f"{point['label']} {phase} run {gap}: nothing was entered, but a later "
                        "run was.",
                        "Enter the runs in order.",
                    )
                empty = []
                cycle = self._cycle(point["label"], phase, run, keys, first=not found)
                if cycle is not None:
                    found.append(cycle)
            run += 1
        return found

    def _cycle(
        self, label: str, phase: str, run: int, keys: list[str], *, first: bool
    ) -> Cycle | None:
        before = len(self.problems)
        outcome_key, static_key, trip_key, reset_key = keys
        word = self.choice(outcome_key) or CycleOutcome.TRIPPED
        trip, reset = self.number(trip_key), self.number(reset_key)
        static = self.number(static_key) if self.content["static"] else None
        if static is None and first and self.content["static"]:
            static = self.number("static")
            if static is None and len(self.problems) == before:
                self.problem(
                    static_key, f"{label} {phase} run {run}: no static pressure was read.",
                    "Enter it here or under 'Conditions'.",
                )  # fmt: skip
        outcome = CycleOutcome(word)
        if len(self.problems) == before:
            self._outcome_fits(f"{label} {phase} run {run}", outcome, trip, reset, keys)
        if len(self.problems) > before:
            return None
        return Cycle(label, Phase(phase), run, trip, reset, static, outcome)

    def _outcome_fits(
        self,
        name: str,
        outcome: CycleOutcome,
        trip: Decimal | None,
        reset: Decimal | None,
        keys: list[str],
    ) -> None:
        _, _, trip_key, reset_key = keys
        if outcome is CycleOutcome.TRIPPED:
            if trip is None:
                self.problem(
                    trip_key, f"{name}: no trip was read.",
                    "Enter it, or choose the outcome 'no trip'.",
                )  # fmt: skip
            elif reset is None:
                self.problem(
                    reset_key, f"{name}: no reset was read.",
                    "Enter it, or choose the outcome 'no reset'.",
                )  # fmt: skip
        elif outcome is CycleOutcome.NO_TRIP:
            for key, value in ((trip_key, trip), (reset_key, reset)):
                if value is not None:
                    self.problem(key, f"{name}: a reading, and the outcome 'no trip'.",
                                 "Leave one of them out.")  # fmt: skip
        elif outcome is CycleOutcome.NO_RESET:
            if trip is None:
                self.problem(trip_key, f"{name}: no trip was read.", "Enter it.")
            if reset is not None:
                self.problem(reset_key, f"{name}: a reading, and the outcome 'no reset'.",
                             "Leave one of them out.")  # fmt: skip

    def _contacts(self) -> str:
        said = []
        for n, point in enumerate(self.content["points"]):
            parts = []
            word = self.choice(f"contact_ok:{n}")
            if word:
                parts.append("changes over cleanly" if word == YES else "does NOT change over well")
            ohm = self.number(f"contact_ohm:{n}")
            if ohm is not None:
                parts.append(f"closed {format(ohm, 'f')} Ω")
            insulation = self.number(f"insulation:{n}")
            if insulation is not None:
                parts.append(f"insulation {format(insulation, 'f')} MΩ")
            note = self.text(f"contact_note:{n}", 100)
            parts += [note] if note else []
            if parts:
                said.append(f"{point['label']}: {', '.join(parts)}")
        text = "; ".join(said)
        if len(text) > TEXT_LIMIT:
            self.problem("contact_note:0", f"The contact checks have {len(text)} characters; "
                         f"{TEXT_LIMIT} are allowed.", "Say it shorter.")  # fmt: skip
        return text

    def _return(self) -> tuple[str | None, str | None, str]:
        """Who returned it to service, who verified that, and the checks in words."""
        returned, verified = self.person("returned_by"), self.person("verified_by")
        said = []
        for n, check in enumerate(self.content["checks"]):
            word = self.choice(f"check_done:{n}")
            by, when = self.person(f"check_by:{n}"), self.clock(f"check_time:{n}")
            if word:
                said.append(", ".join(x for x in (f"{check}: {word}", by or "", when) if x))
            elif by or when:
                self.problem(f"check_done:{n}", f"Check {n + 1} has a name or a time, but not "
                             "whether it was done.", "Choose.")  # fmt: skip
            elif returned is not None:
                self.problem(
                    f"check_done:{n}", f"Returned to service by {returned}, but check {n + 1} is "
                    "open.", "Choose 'yes' or 'not needed'.",
                )  # fmt: skip
        return returned, verified, "; ".join(said)

    def _remarks(self, checks: str) -> str:
        own = self.text("remarks", REMARKS_LIMIT)
        parts = [f"{own}." if own[-1:].isalnum() else own]  # more sentences follow
        clean_kept = self.choice("clean_kept")
        if clean_kept:
            parts.append(f"Kept oxygen-clean: {clean_kept}.")
        if checks:
            parts.append(f"Return to service: {checks}.")
        parts.append(f"From bench sheet {self.sheet.number}.")
        return " ".join(part for part in parts if part)


def _is_person(key: str) -> bool:
    return key.endswith("_by") or key.startswith("check_by")


def _code(word: str) -> str:
    return word.split(" ", 1)[0]


def _same(value: object, expected: object) -> bool:
    """Whether a locked cell holds what was handed out, however a program saved it."""
    if expected in (None, ""):
        return value is None or value == ""
    if isinstance(expected, bool) or isinstance(value, bool):
        return value is expected
    if isinstance(expected, int | float):
        if not isinstance(value, int | float):
            return False
        return abs(value - expected) <= 1e-12 * max(1.0, abs(expected))
    if isinstance(expected, date):
        if isinstance(value, datetime):
            return value.date() == expected and value.time() == time()
        return value == expected
    return isinstance(value, str) and clean(value) == clean(expected)
