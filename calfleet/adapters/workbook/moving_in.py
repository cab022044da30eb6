"""The shop's own files read into records by a mapping; nothing is written, no database asked.

The mapping says what each cell is (``moving_map``), the cells are understood one by one
(``moving_cells``), put together row by row (``moving_rows``), and checked by the same rules as
the input files of a site (``siterows``).
"""

from __future__ import annotations

import gc
import re
from collections.abc import Callable, Collection, Sequence
from dataclasses import dataclass
from decimal import Decimal
from typing import TypeVar

from calfleet import records as rec
from calfleet.adapters.workbook.grids import Book
from calfleet.adapters.workbook.loose import Misread
from calfleet.adapters.workbook.moving_cells import Value, in_unit
from calfleet.adapters.workbook.moving_gauges import read_gauges
from calfleet.adapters.workbook.moving_history import History
from calfleet.adapters.workbook.moving_map import FIELDS, Mapping, TableKind
from calfleet.adapters.workbook.moving_names import MovingRows
from calfleet.adapters.workbook.moving_registers import Switches, keep_one
from calfleet.adapters.workbook.moving_rows import (
    Line,
    MovedRow,
    Notes,
    SheetRows,
    marked_together,
    tables_of,
    without_idle_reason,
)
from calfleet.adapters.workbook.sources import Table
from calfleet.adapters.workbook.tables import CODE, squeezed
from calfleet.errors import Problem

_Record = TypeVar("_Record")


@dataclass(frozen=True)
class Incoming:
    """What the files say, as records of a site.

    ``given``: only what the files say (``site`` and ``planning`` are those of ``known``); a row
    with a problem is not among them. ``places``: (kind, key) as the audit trail names facts
    ("switch", "TAG rev N") to the place of the row. ``problems``: every problem, one for each
    cell, in the order of the files; ``summarised`` makes them few. ``remarks``: values that are
    hardly meant so, then what was understood rather than stated. ``rows_read``: rows of data by
    'file, sheet'; ``rows_not_read``: those of them that gave no record, by kind of record and
    'file, sheet'.

    A switch or gauge whose row has no revision gets the next after the known highest (1 for a
    new one); its day of effect is that of its column or constant, else that of the known latest
    revision. Whoever compares finds it unchanged when all but revision, day of effect and reason
    is equal to that latest revision.
    """

    given: rec.SiteInput
    places: dict[tuple[str, str], str]
    problems: tuple[Problem, ...]
    remarks: tuple[Problem, ...]
    rows_read: dict[str, int]
    rows_not_read: dict[tuple[str, str], int]


def read_incoming(
    books: Sequence[Book],
    mapping: Mapping,
    known: rec.SiteInput,
    progress: Callable[[str, int, int], None],
    numbers: Collection[str] = (),
) -> Incoming:
    """Everything the files say, read by the mapping and checked with what the site holds.

    ``known``: what the site holds, without history; ``numbers``: those of its calibrations, which
    corrections name. ``progress`` is called with the place worked on, rows done and rows in all.
    Nothing is raised for bad data.
    """
    collecting = gc.isenabled()
    gc.disable()  # no circles are made, and looking for them in all rows held costs a third
    try:
        return _Reader(books, mapping, known, progress, numbers).read()
    finally:
        if collecting:
            gc.enable()


_RECORD_OF = {
    TableKind.SWITCHES: "switch", TableKind.SET_POINTS: "switch", TableKind.GAUGES: "gauge",
    TableKind.CERTIFICATES: "certificate", TableKind.POINTS: "certificate",
    TableKind.STANDARDS: "certificate", TableKind.CALIBRATIONS: "calibration",
    TableKind.READINGS: "calibration", TableKind.PEOPLE: "person",
    TableKind.QUALIFICATIONS: "qualification", TableKind.PROCEDURES: "procedure revision",
    TableKind.AREAS: "area", TableKind.LABORATORIES: "laboratory",
    TableKind.POLICIES: "interval policy",
}  # fmt: skip
"""The kind of record that the rows of a sheet give, as the audit trail names it."""


class _Reader:
    def __init__(
        self,
        books: Sequence[Book],
        mapping: Mapping,
        known: rec.SiteInput,
        progress: Callable[[str, int, int], None],
        numbers: Collection[str],
    ) -> None:
        self.notes = Notes()
        self.numbers = numbers
        self.known = known
        self.mapping = mapping
        self.progress = progress
        self.moving = MovingRows(self.notes, known)
        self.places: dict[tuple[str, str], str] = {}
        self.sheets: list[SheetRows] = []
        self.order: dict[str, int] = {}
        for book in books:
            self._open(book)
        self._unmatched(books)

    def _open(self, book: Book) -> None:
        self.order[book.name] = len(self.order)
        self.notes.remarks.extend(book.remarks)
        for grid in book.grids:
            table = self.mapping.for_sheet(book.name, grid.name)
            where = f"{book.name}, {grid.name}"
            if table is None:
                if grid.rows:
                    self.notes.problem(
                        where, "The mapping does not name this sheet.",
                        "Propose the mapping anew, name the sheet in it as ignored, or let the "
                        'file and sheet of a table fit more names, as in file = "history*.csv", '
                        'sheet = "*".',
                    )  # fmt: skip
                continue
            if table.kind is TableKind.IGNORED:
                if grid.rows:
                    hidden = " hidden" if grid.hidden else ""
                    self.notes.remark(where, f"The{hidden} sheet is ignored, as the mapping says.")
                continue
            if grid.hidden:
                self.notes.remark(where, "The sheet is hidden; it was read.")
            sheet = SheetRows(book, grid, table, self.notes)
            if sheet.complete:
                self.sheets.append(sheet)
            else:
                self._incomplete(table.kind)

    def _incomplete(self, kind: TableKind) -> None:
        """Names that a sheet would have given are not called unknown: one problem is enough."""
        for names, kinds in (
            (self.moving.tags, (TableKind.SWITCHES,)),
            (self.moving.gauge_names, (TableKind.GAUGES,)),
            (self.moving.certificate_names, (TableKind.CERTIFICATES,)),
            (self.moving.people, (TableKind.PEOPLE,)),
            (self.moving.procedures, (TableKind.PROCEDURES,)),
            (self.moving.areas, (TableKind.AREAS,)),
            (self.moving.laboratories, (TableKind.LABORATORIES,)),
            (self.moving.policies, (TableKind.POLICIES,)),
        ):
            if kind in kinds:
                names.complete = False

    def _unmatched(self, books: Sequence[Book]) -> None:
        """Tables without a file: a remark, or a problem where no table has one."""
        from fnmatch import fnmatchcase

        sheets = [(book.name, grid.name) for book in books for grid in book.grids]
        tables = [t for t in self.mapping.tables if t.kind is not TableKind.IGNORED]
        without = [
            table
            for table in tables
            if (table.file, table.sheet) not in sheets
            and not any(
                fnmatchcase(file, table.file) and fnmatchcase(sheet, table.sheet)
                for file, sheet in sheets
            )
        ]
        note = self.notes.remark if len(without) < len(tables) else self.notes.problem
        for table in without:
            note(
                table.name, "The mapping names this sheet, and no file has it.",
                "If it is to be read as well, name its file, too.",
            )  # fmt: skip

    def read(self) -> Incoming:
        areas = self._areas()
        policies = self._policies()
        laboratories = self._laboratories()
        people = self._people()
        procedures = self._procedures()
        switches = []
        if tables_of(TableKind.SWITCHES, self.sheets) or tables_of(
            TableKind.SET_POINTS, self.sheets
        ):
            complete = self.moving.tags.complete
            for row, switch in Switches(self.moving, self.sheets).read():
                if not row.bad:
                    switches.append(switch)
                    self._place(row, "switch", f"{switch.tag} rev {switch.revision}", "Tag")
            self.moving.tags.complete = complete
        gauges = []
        complete = self.moving.gauge_names.complete
        for row, gauge in read_gauges(self.moving, self.sheets):
            if not row.bad:
                gauges.append(gauge)
                self._place(row, "gauge", f"{gauge.code} rev {gauge.revision}", "Gauge")
        self.moving.gauge_names.complete = complete
        certificates = self._certificates()
        history = []
        for row, record in History(self.moving, self.sheets, self.progress, self.numbers).read():
            if not row.bad:
                history.append(record)
                self._place(row, "calibration", record.number or "", "tag")
        given = rec.SiteInput(
            self.known.site, areas, people, laboratories, policies, procedures, tuple(switches),
            tuple(gauges), certificates, tuple(history), self.known.planning,
        )  # fmt: skip
        return Incoming(
            given,
            self.places,
            tuple(sorted(self.notes.problems, key=self._by_place)),
            (*self.notes.doubts, *self.notes.remarks),
            {sheet.table.name: sheet.count for sheet in self.sheets},
            {
                (_RECORD_OF[sheet.table.kind], sheet.table.name): len(sheet.not_read)
                for sheet in self.sheets
                if sheet.not_read
            },
        )

    def _place(self, row: MovedRow, kind: str, key: str, name: str) -> None:
        self.places[kind, key] = row.line.where(name)

    def _by_place(self, problem: Problem) -> tuple[int, str, int, str]:
        """The order of the files, then of the sheets by name, then of the rows."""
        file, _, rest = problem.where.partition(", ")
        sheet, _, cell = rest.rpartition("!")
        found = re.search(r"(\d+)", cell)
        return (
            self.order.get(file, len(self.order)), sheet, int(found[1]) if found else 0,
            cell.zfill(12),
        )  # fmt: skip

    # one kind after the other ---------------------------------------------------------------

    def _values(self, line: Line) -> dict[str, object]:
        """All fields of a row as they are, units as their codes."""
        values: dict[str, object] = {}
        for name in FIELDS[line.sheet.table.kind]:
            value = line.get(name)
            if isinstance(value, Value):
                value = value.unit or value.number
            if value is not None:
                values[squeezed(name)] = value
        return values

    def _areas(self) -> tuple[rec.Area, ...]:
        out = []
        for area in self.mapping.areas:
            self.moving.learn(self.moving.areas, area.code, area.name)
            out.append(area)
            self.places["area", area.code] = "the mapping, [[areas]]"
        rows: dict[object, MovedRow] = {}
        for sheet in tables_of(TableKind.AREAS, self.sheets):
            for line in sheet.lines():
                row = MovedRow(self._values(line), line)
                keep_one(rows, row.raw("code"), row, str(row.raw("code")), "code")
        seen: set[str] = {area.code for area in out}
        for row in rows.values():
            code, name = row.text("code", CODE), row.text("name")
            if code in seen:
                row.problem("code", f"The area {code!r} is there twice.")
            seen.add(code)
            self.moving.learn(self.moving.areas, code, name)
            if not row.bad:
                out.append(rec.Area(code, name))
                self._place(row, "area", code, "code")
        return tuple(out)

    def _policies(self) -> tuple[rec.IntervalPolicy, ...]:
        found: list[tuple[MovedRow, rec.IntervalPolicy]] = []
        for sheet in tables_of(TableKind.POLICIES, self.sheets):
            for line in sheet.lines():
                row = MovedRow(self._values(line), line)
                policy = self.moving.policy_from(row)
                self.moving.learn(self.moving.policies, policy.code)
                found.append((row, policy))
        out = []
        for row, policy in none_of_two(found, lambda each: (each.code, each.effective_on)):
            out.append(policy)
            key = f"{policy.code} from {policy.effective_on}"
            self._place(row, "interval policy", key, "code")
        return tuple(out)

    def _laboratories(self) -> tuple[rec.Laboratory, ...]:
        """Each laboratory; one row for each of its accreditations."""
        rows: dict[str, list[MovedRow]] = {}
        for sheet in tables_of(TableKind.LABORATORIES, self.sheets):
            for line in sheet.lines():
                row = MovedRow(self._values(line), line)
                rows.setdefault(row.text("code", CODE), []).append(row)
        out = []
        for code, of_code in rows.items():
            first = of_code[0]
            name, kind = first.text("name"), first.choice("kind", rec.LaboratoryKind)
            self.moving.learn(self.moving.laboratories, code, name)
            accreditations: list[rec.Accreditation] = []
            for row in of_code:
                if row.given("name") and row.text("name") != name:
                    row.problem("name", f"{code} is called {name!r} at {first.where('name')}.")
                if not row.given("accreditation"):
                    continue
                start, end = row.day("valid_from"), row.day("valid_until")
                row.before("valid_from", "valid_until", start, end)
                each = rec.Accreditation(
                    row.text("accreditation", CODE), start, end, row.prose("scope")
                )
                if any((a.number, a.valid_from) == (each.number, start) for a in accreditations):
                    row.problem("accreditation", "An accreditation is there twice.")
                accreditations.append(each)
            if not marked_together(of_code):
                out.append(rec.Laboratory(code, name, kind, tuple(accreditations)))
                self._place(first, "laboratory", code, "code")
                own = [row for row in of_code if row.given("accreditation")]
                for row, each in zip(own, accreditations, strict=True):
                    key = f"{code} {each.number} from {each.valid_from}"
                    self._place(row, "accreditation", key, "accreditation")
        return tuple(out)

    def _people(self) -> tuple[rec.Person, ...]:
        moving = self.moving
        rows, held = [], []
        for sheet in tables_of(TableKind.PEOPLE, self.sheets):
            for line in sheet.lines():
                row = MovedRow(self._values(line), line)
                code, name = row.raw("person"), row.raw("name")
                if isinstance(code, str):
                    moving.learn(moving.people, code, name if isinstance(name, str) else "")
                rows.append(row)
        for sheet in tables_of(TableKind.QUALIFICATIONS, self.sheets):
            for line in sheet.lines():
                values = self._values(line)
                for name in ("person", "granted_by"):
                    values[squeezed(name)] = moving.refer(line, name)
                held.append(MovedRow(values, line))
        # whom the site knows need not be listed with the name again
        known = {person.code: person.name for person in self.known.people}
        listed = {row.raw("person") for row in rows}
        for row in held:
            code = row.raw("person")
            if isinstance(code, str) and code in known and code not in listed:
                listed.add(code)
                rows.append(MovedRow({"person": code, "name": known[code]}, row.line))
        complete = moving.people.complete
        found = moving.people_from(Table(tuple(rows), complete), Table(tuple(held), complete=True))
        of_person: dict[str, list[MovedRow]] = {}
        for row in (*rows, *held):
            of_person.setdefault(str(row.raw("person")), []).append(row)
        bad = {code for code, own in of_person.items() if marked_together(own)}
        own = {person.code for person in found}
        for row in held:
            code = row.raw("person")
            if not row.bad and isinstance(code, str) and code not in own:
                row.problem(
                    "person", f"{code} is not among the people of the site or of these files.",
                    "List the person with the name, too: that tells who is meant.",
                )  # fmt: skip
        out = []
        for person in found:
            if person.code and person.code not in bad:
                out.append(person)
                first = next(row for row in rows if row.raw("person") == person.code)
                self._place(first, "person", person.code, "person")
                self._place_grants(person, rows, held)
        return tuple(out)

    def _place_grants(
        self, person: rec.Person, roles: Sequence[MovedRow], held: Sequence[MovedRow]
    ) -> None:
        """Where each role and qualification stands: of a known person they are moved in singly."""
        own = [row for row in roles if row.raw("person") == person.code and row.given("role")]
        for row, role in zip(own, person.roles, strict=False):
            key = f"{person.code} {role.role} from {role.effective_on}"
            self._place(row, "person role", key, "role")
        own = [row for row in held if row.raw("person") == person.code]
        for row, each in zip(own, person.qualifications, strict=False):
            key = f"{person.code} {each.quantity} from {each.granted_on}"
            self._place(row, "qualification", key, "quantity")

    def _procedures(self) -> tuple[rec.ProcedureRevision, ...]:
        moving = self.moving
        found: list[tuple[MovedRow, rec.ProcedureRevision]] = []
        for sheet in tables_of(TableKind.PROCEDURES, self.sheets):
            for line in sheet.lines():
                values = self._values(line)
                values["approved by"] = moving.refer(line, "approved_by")
                steps = values.get("steps")
                if isinstance(steps, str):
                    values["steps"] = [each.strip() for each in steps.split("\n") if each.strip()]
                elif "steps" not in values:
                    values["steps"] = []
                row = MovedRow(values, line)
                revision = moving.procedure_from(row, row, row, row)
                moving.learn(moving.procedures, revision.code)
                found.append((row, revision))
        where = {revision.name: row.where("effective_on") for row, revision in found}
        moving.check_procedure_order(lambda each: where.get(each.name, each.name))
        out = []
        for row, revision in none_of_two(found, lambda each: each.name):
            out.append(revision)
            self._place(row, "procedure revision", revision.name, "code")
        return tuple(out)

    def _certificates(self) -> tuple[rec.Certificate, ...]:
        moving = self.moving
        rows: dict[object, MovedRow] = {}
        units: dict[str, str] = {}
        for sheet in tables_of(TableKind.CERTIFICATES, self.sheets):
            for line in sheet.lines():
                values = self._values(line)
                values["gauge"] = moving.refer(line, "gauge")
                values["laboratory"] = moving.refer(line, "laboratory")
                without_idle_reason(values, line)
                row = MovedRow(values, line)
                number, unit = row.raw("certificate"), row.raw("unit")
                if isinstance(number, str) and isinstance(unit, str):
                    units.setdefault(number, unit)
                keep_one(rows, number or id(row), row, str(number), "certificate")
        own = {str(row.raw("certificate")) for row in rows.values()}
        points = [
            self._point(line, units)
            for sheet in tables_of(TableKind.POINTS, self.sheets)
            for line in sheet.lines()
        ]
        standards = []
        for sheet in tables_of(TableKind.STANDARDS, self.sheets):
            for line in sheet.lines():
                values = self._values(line)
                values["gauge"] = moving.refer(line, "gauge")
                standards.append(MovedRow(values, line))
        if not rows and not points and not standards:
            return ()
        for row in (*points, *standards):
            number = row.raw("certificate")
            if isinstance(number, str) and number not in own and number in moving.certificates:
                row.problem(
                    "certificate", f"The certificate {number} itself is not in these files.",
                    "Give its row, too: a certificate is compared as a whole.",
                )  # fmt: skip
        complete = moving.certificate_names.complete
        found = moving.certificates_from(
            Table(tuple(rows.values()), complete), Table(tuple(points), complete=True),
            Table(tuple(standards), complete=True),
        )  # fmt: skip
        of_number: dict[str, list[MovedRow]] = {}
        for row in (*rows.values(), *points, *standards):
            of_number.setdefault(str(row.raw("certificate")), []).append(row)
        bad = {number for number, own_rows in of_number.items() if marked_together(own_rows)}
        out = []
        for each, certificate in found:
            if isinstance(each, MovedRow) and not each.bad and certificate.number not in bad:
                out.append(certificate)
                self._place(each, "certificate", certificate.number, "certificate")
        return tuple(out)

    def _point(self, line: Line, units: dict[str, str]) -> MovedRow:
        values: dict[str, object] = {}
        number = line.get("certificate")
        unit = units.get(number, "") if isinstance(number, str) else ""

        def inside(name: str, *, difference: bool) -> Decimal | None:
            value = line.get(name)
            if not isinstance(value, Value):
                return None
            try:
                return in_unit(value, unit, difference=difference)
            except Misread as error:
                line.problem(name, error.message, error.hint)
                return None

        for name in ("certificate", "phase", "direction", "coverage_factor"):
            values[squeezed(name)] = line.get(name)
        reference = inside("reference", difference=False)
        indication = inside("indication", difference=False)
        error = inside("error", difference=True)
        if indication is None and reference is not None and error is not None:
            indication = reference + error
        elif None not in (indication, reference, error) and indication != reference + error:  # type: ignore[operator]
            line.problem(
                "error", f"Indication {indication} less reference {reference} is not {error}.",
                "Correct the row, or do not map the error.",
            )  # fmt: skip
        values |= {
            "reference": reference, "indication": indication,
            "expanded uncertainty": inside("expanded_uncertainty", difference=True),
        }  # fmt: skip
        return MovedRow(values, line)


def none_of_two(
    found: Sequence[tuple[MovedRow, _Record]], key: Callable[[_Record], object]
) -> list[tuple[MovedRow, _Record]]:
    """Those without a problem; of several with one key none, where one has a problem."""
    groups: dict[object, list[MovedRow]] = {}
    for row, record in found:
        groups.setdefault(key(record), []).append(row)
    for rows in groups.values():
        marked_together(rows)
    return [(row, record) for row, record in found if not row.bad]


# --- many problems as few -----------------------------------------------------------------

_SAID = re.compile(r"'[^']*'|\"[^\"]*\"|[-+]?\d[\d.,:-]*|\b[A-Z]+-[\w-]+")
_CELL = re.compile(r"!(?P<column>[A-Z]+)(?P<row>\d+)$|, line (?P<line>\d+), column (?P<letter>\w+)")


def summarised(problems: Sequence[Problem], most: int = 3) -> tuple[Problem, ...]:
    """The problems with those of one kind in one column as one, which counts and names cells.

    Up to ``most`` of a kind stay as they are. The place is that of the first cell. A cell counts
    once, and where it holds something else than the first, that is told.
    """
    groups: dict[tuple[str, str, str], list[Problem]] = {}
    for problem in dict.fromkeys(problems):
        found = _CELL.search(problem.where)
        where = problem.where
        if found is not None:
            where = f"{problem.where[: found.start()]} {found['column'] or found['letter']}"
        # what is said of a whole sheet names a field each time: not the same in other cells
        said = _SAID.sub("#", problem.message) if found is not None else problem.message
        step = _SAID.sub("#", problem.hint) if found is not None else problem.hint
        groups.setdefault((where, said, step), []).append(problem)
    out: list[Problem] = []
    for group in groups.values():
        places: dict[str, Problem] = {}
        for each in group:
            places.setdefault(each.where, each)
        cells = list(places.values())
        if len(cells) <= most:
            out.extend(group)
            continue
        first = cells[0]
        same = all(each.message == first.message for each in cells)
        named = ", ".join(_short_place(each.where) + _differs(first, each) for each in cells[1:4])
        more = len(cells) - 4
        further = f"{named} and {more:,} more" if more > 0 else named
        what = "The same" if same else "The like"
        message = f"{first.message} {what} in {len(cells) - 1:,} further cells: {further}."
        out.append(Problem(first.where, message, first.hint))
    return tuple(out)


def _differs(first: Problem, other: Problem) -> str:
    """What the message of ``other`` names where that of ``first`` names something else."""
    for here, there in zip(
        _SAID.findall(first.message), _SAID.findall(other.message), strict=False
    ):
        if here != there:
            return f" ({there})"
    return ""


def _short_place(where: str) -> str:
    found = _CELL.search(where)
    if found is None:
        return where
    return f"{found['column']}{found['row']}" if found["column"] else f"line {found['line']}"
