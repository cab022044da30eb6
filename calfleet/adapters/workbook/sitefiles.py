"""The input files of a site, and a readings file from the bench, read into records.

A site folder holds site.toml, people.csv, qualifications.csv, procedures/*.toml, switches.xlsx
(sheets 'Switches' and 'Set points'), gauges.xlsx (sheet 'Gauges'), certificates.csv with
certificate_points.csv and certificate_standards.csv, and the history: calibrations.csv with
cycles.csv. planning.toml (see ``planningfile``) and particulars.toml (see ``particularsfile``) may
be absent. So may all of the registers and
the history at once, for a shop that moves them in from its own workbooks: then site.toml and
people.csv are enough. Everything is read to the end; all problems are raised together.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from decimal import Decimal
from pathlib import Path

from calfleet import records as rec
from calfleet.adapters.workbook.particularsfile import FILE as PARTICULARS
from calfleet.adapters.workbook.particularsfile import read_particulars
from calfleet.adapters.workbook.planningfile import FILE as PLANNING
from calfleet.adapters.workbook.planningfile import PlanningFile
from calfleet.adapters.workbook.siterows import (
    CALIBRATIONS,
    CERTIFICATES,
    CYCLES,
    GAUGES,
    PEOPLE,
    POINTS,
    QUALIFICATIONS,
    SET_POINTS,
    STANDARDS,
    SWITCHES,
    SiteRows,
    common_from,
    cycle_from,
    twice,
)
from calfleet.adapters.workbook.sources import (
    Table,
    TomlTable,
    Workbook,
    csv_lines,
    read_csv,
    read_text,
    read_toml,
)
from calfleet.adapters.workbook.tables import (
    CODE,
    MissingValue,
    Names,
    Row,
    nearest,
    squeezed,
)
from calfleet.errors import DataProblems, Problem

_ZERO = Decimal(0)
REGISTERS = (
    "switches.xlsx", "gauges.xlsx", "certificates.csv", "certificate_points.csv",
    "certificate_standards.csv", "calibrations.csv", "cycles.csv",
)  # fmt: skip
"""All of them, or none: one that is missing beside the others was forgotten."""


def read_site(folder: Path, progress: Callable[[str], None] | None = None) -> rec.SiteInput:
    """Everything the input files in ``folder`` say, checked against itself.

    ``progress`` is called with the name of each file before it is read. Records come in the
    order of their files; set points, points, cycles and so on in the order of their rows. Units
    are brought to their codes, numbers keep the digits typed (workbooks: the digits shown).

    Raises DataProblems with every problem found: files, sheets or columns missing, wrong types,
    units unknown or ambiguous, references to nothing, names twice, dates in the wrong order,
    impossible ranges, a reset on the wrong side of its trip, readings outside the gauge.
    """
    return _SiteReader(folder, progress or (lambda name: None)).read()


class _SiteReader(SiteRows):
    """Reads the files in an order in which every name is known before it is used."""

    def __init__(self, folder: Path, progress: Callable[[str], None]) -> None:
        super().__init__([])
        self.folder = folder
        self.progress = progress
        self.bare = not any((folder / name).exists() for name in REGISTERS)
        """Whether there is no register at all: they are moved in later."""

    def read(self) -> rec.SiteInput:
        if not self.folder.is_dir():
            raise DataProblems(
                [Problem(str(self.folder), "There is no such folder.", "Name the site's folder.")]
            )
        site, areas, policies, laboratories = self.read_site_toml()
        people = self.read_people()
        procedures = self.read_procedures()
        switches = () if self.bare else self.read_switches()
        gauges = () if self.bare else self.read_gauges()
        certificates = () if self.bare else self.read_certificates()
        history = () if self.bare else self.read_history()
        planning = PlanningFile(
            self.problems, areas=self.areas, people=self.people, gauges=self.gauge_names,
            laboratories=self.laboratories, tags=self.tags, policies=policies, switches=switches,
        ).read(self.path(PLANNING))  # fmt: skip
        particulars = read_particulars(
            self.path(PARTICULARS), self.problems, gauges=self.gauge_names, tags=self.tags
        )
        if self.problems:
            raise DataProblems(self.problems)
        return rec.SiteInput(
            site, areas, people, laboratories, policies, procedures, switches, gauges,
            certificates, history, planning, particulars,
        )  # fmt: skip

    def path(self, name: str) -> Path:
        self.progress(name)
        return self.folder / name

    # site.toml ---------------------------------------------------------------------------

    def read_site_toml(
        self,
    ) -> tuple[
        rec.Site,
        tuple[rec.Area, ...],
        tuple[rec.IntervalPolicy, ...],
        tuple[rec.Laboratory, ...],
    ]:
        data = read_toml(self.path("site.toml"), self.problems)
        if data is None:
            for names in (self.areas, self.policies, self.laboratories):
                names.complete = False
            return rec.Site("", ""), (), (), ()
        top = TomlTable(
            data, "site.toml", self.problems, (), ("site", "areas", "policies", "laboratories")
        )
        about = top.part("site", ("code", "name")).row
        site = rec.Site(about.text("code", CODE), about.text("name"))
        areas = []
        for part in top.parts("areas", ("code", "name")):
            code, name = part.row.text("code", CODE), part.row.text("name")
            if not self.areas.add(code):
                part.row.problem("code", f"The area {code!r} is there twice.")
            areas.append(rec.Area(code, name))
        if not areas and not self.bare:
            self.problems.append(Problem("site.toml, [[areas]]", "There is no area.", ""))
        policies = self._read_policies(top)
        laboratories = []
        for part in top.parts("laboratories", ("code", "name", "kind"), ("accreditations",)):
            row = part.row
            code = row.text("code", CODE)
            if not self.laboratories.add(code):
                row.problem("code", f"The laboratory {code!r} is there twice.")
            accreditations = []
            keys = ("number", "valid_from", "valid_until", "scope")
            for each in part.parts("accreditations", keys):
                line = each.row
                start, end = line.day("valid_from"), line.day("valid_until")
                line.before("valid_from", "valid_until", start, end)
                accreditations.append(
                    rec.Accreditation(line.text("number", CODE), start, end, line.prose("scope"))
                )
            if len({(a.number, a.valid_from) for a in accreditations}) < len(accreditations):
                row.problem("accreditations", "An accreditation is there twice.")
            kind = row.choice("kind", rec.LaboratoryKind)
            laboratories.append(rec.Laboratory(code, row.text("name"), kind, tuple(accreditations)))
        return site, tuple(areas), policies, tuple(laboratories)

    def _read_policies(self, top: TomlTable) -> tuple[rec.IntervalPolicy, ...]:
        keys = (
            "code", "effective_on", "basis", "every", "unit", "end_of_month", "grace_fraction",
            "grace_days", "note",
        )  # fmt: skip
        return tuple(self.policy_from(part.row) for part in top.parts("policies", keys))

    # people ------------------------------------------------------------------------------

    def read_people(self) -> tuple[rec.Person, ...]:
        people = read_csv(self.path("people.csv"), PEOPLE, self.problems)
        held = self.path("qualifications.csv")
        if self.bare and not held.exists():
            return self.people_from(people, Table((), complete=True))
        return self.people_from(people, read_csv(held, QUALIFICATIONS, self.problems))

    # procedures --------------------------------------------------------------------------

    def read_procedures(self) -> tuple[rec.ProcedureRevision, ...]:
        folder = self.path("procedures")
        files = sorted(folder.glob("*.toml"))
        if not files and self.bare:
            return ()
        if not files:
            self.problems.append(
                Problem("procedures", "There is no file procedures/CODE-rN.toml.", "")
            )
            self.procedures.complete = False
            return ()
        out = []
        for path in files:
            name = f"procedures/{path.name}"
            before = len(self.problems)
            data = read_toml(path, self.problems, name)
            if data is None:
                self.procedures.complete = False
                continue
            found = self._read_procedure(data, name, path.stem)
            if len(self.problems) == before:
                out.append(found)
        self.check_procedure_order(
            lambda p: f"procedures/{p.code}-r{p.revision}.toml, effective_on"
        )
        return tuple(out)

    def _read_procedure(
        self, data: Mapping[str, object], name: str, stem: str
    ) -> rec.ProcedureRevision:
        top = TomlTable(
            data, name, self.problems,
            ("code", "title", "revision", "approved_on", "approved_by", "effective_on",
             "quantities", "hazards", "steps"),
            ("runs", "environment", "decision"),
        )  # fmt: skip
        row = top.row
        runs = top.part(
            "runs",
            (
                "exercise_cycles",
                "as_found",
                "as_left",
                "ramp_limit_fraction_per_s",
                "reading_lag_s",
                "static_hold_fraction",
            ),
        ).row
        room = top.part(
            "environment", ("temperature_min_c", "temperature_max_c", "humidity_max")
        ).row
        judge = top.part(
            "decision",
            ("required_tur", "rule", "guard_factor", "coverage_probability",
             "conformance_probability"),
        ).row  # fmt: skip
        found = self.procedure_from(row, runs, room, judge)
        if found.code and not row.bad and stem != f"{found.code}-r{found.revision}":
            row.problem(
                "code",
                f"{found.code} revision {found.revision} stands in a file of another name.",
                f"Call it {found.code}-r{found.revision}.toml.",
            )
        return found

    # registers, certificates, history ----------------------------------------------------

    def read_switches(self) -> tuple[rec.Switch, ...]:
        book = Workbook(self.path("switches.xlsx"), self.problems)
        found = self.switches_from(
            book.table("Switches", SWITCHES), book.table("Set points", SET_POINTS)
        )
        return tuple(switch for _, switch in found)

    def read_gauges(self) -> tuple[rec.Gauge, ...]:
        book = Workbook(self.path("gauges.xlsx"), self.problems)
        return tuple(gauge for _, gauge in self.gauges_from(book.table("Gauges", GAUGES)))

    def read_certificates(self) -> tuple[rec.Certificate, ...]:
        found = self.certificates_from(
            read_csv(self.path("certificates.csv"), CERTIFICATES, self.problems),
            read_csv(self.path("certificate_points.csv"), POINTS, self.problems),
            read_csv(self.path("certificate_standards.csv"), STANDARDS, self.problems),
        )
        return tuple(certificate for _, certificate in found)

    def read_history(self) -> tuple[rec.BenchRecord, ...]:
        found = self.history_from(
            read_csv(self.path("calibrations.csv"), CALIBRATIONS, self.problems),
            read_csv(self.path("cycles.csv"), CYCLES, self.problems),
        )
        return tuple(record for _, record in found)


# --- the readings file --------------------------------------------------------------------

_HEAD_KEYS = (
    "tag", "date", "person", "work_order", "permit", "bypass", "returned_by", "verified_by",
    "remarks", "replaces", "replacement_reason",
)  # fmt: skip
_PARTS: dict[str, tuple[str, ...]] = {
    "procedure": ("code", "revision"),
    "gauges": ("operating", "static", "operating_certificate", "static_certificate"),
    "conditions": (
        "temperature_c", "humidity", "barometric", "barometric_unit", "head_height_m",
        "head_height_half_width_m", "head_density_kg_m3",
    ),
    "adjustment": (
        "adjusted", "note", "exercised_before_as_found", "exercise_cycles", "contact_check",
        "seal",
    ),
}  # fmt: skip
_CYCLE_KEYS = ("phase", "set_point", "run", "static", "trip", "reset", "outcome")
_CSV_NAMES: dict[str, tuple[str, str]] = {
    **{squeezed(key): ("", key) for key in _HEAD_KEYS},
    "procedure": ("procedure", "code"),
    "procedure revision": ("procedure", "revision"),
    "operating gauge": ("gauges", "operating"),
    "static gauge": ("gauges", "static"),
    "operating certificate": ("gauges", "operating_certificate"),
    "static certificate": ("gauges", "static_certificate"),
    **{squeezed(key): ("conditions", key) for key in _PARTS["conditions"]},
    **{squeezed(key): ("adjustment", key) for key in _PARTS["adjustment"]},
    "adjustment note": ("adjustment", "note"),
}
del _CSV_NAMES["note"]


def read_bench_file(path: Path) -> rec.BenchRecord:
    """One calibration as read at the bench, from a readings file in TOML or CSV.

    The file stands alone: names are not looked up, readings not judged; that is done when the
    calibration is recorded. Readings stand as the gauge showed them, in the gauge's unit, with
    their trailing zeros. TOML (``name.toml``):

    .. code-block:: toml

        tag = "PDSL-4104"
        date = 2026-11-25
        person = "P02"                  # who took the readings
        work_order = "J589425"          # from here down to remarks: may be left out
        permit = "W261125-19"
        bypass = "bypass by shift lead until 2026-11-25 16:00"
        returned_by = "P02"             # who put it back into service
        verified_by = "P03"             # the second person
        remarks = ""

        [procedure]
        code = "DP-STAT"
        revision = 2

        [gauges]
        operating = "RG-202"            # reads trip and reset
        static = "RG-202"               # reads the locked line pressure; left out: none is read

        [conditions]
        temperature_c = 20.1
        humidity = 0.33                 # or "33 %"
        barometric = 1008.2             # these two may be left out
        barometric_unit = "hPa"
        head_height_m = 0.25            # gauge above switch (below: negative); may be left out
        head_height_half_width_m = 0.01
        head_density_kg_m3 = 998.2      # of the line fluid

        [adjustment]
        adjusted = true
        note = "Main screw turned."     # the rest may be left out
        exercised_before_as_found = false
        exercise_cycles = 3
        contact_check = "closed 0.2 ohm, open clear"
        seal = "S12345"

        [[cycles]]                      # one table for every trip and reset
        phase = "as-found"              # or "as-left"
        set_point = "L"                 # the label on the data sheet
        run = 1
        static = 1583.6                 # only with a static gauge
        trip = 1654.80
        reset = 1661.00
        outcome = "tripped"             # or "no trip", "no reset", "chatter"; may be left out

    ``[gauges]`` may name ``operating_certificate`` and ``static_certificate``; left out, the
    certificate in force on the day is taken. ``replaces`` and ``replacement_reason`` (both)
    correct a calibration recorded earlier.

    CSV (``name.csv``): lines ``name,value``, then a line ``cycles``, a header and the readings:

    .. code-block:: text

        tag,PDSL-4104
        date,2026-11-25
        person,P02
        procedure,DP-STAT
        procedure revision,2
        operating gauge,RG-202
        static gauge,RG-202
        temperature_c,20.1
        humidity,0.33
        adjusted,no
        cycles
        phase,set_point,run,static,trip,reset,outcome
        as-found,L,1,1583.6,1654.8,1661.0,tripped

    Its other names are those of the TOML file (``adjustment note`` for the note).

    Raises DataProblems with every problem found, by key or by line and column.
    """
    problems: list[Problem] = []
    record = _read_bench(path, problems)
    if problems or record is None:
        raise DataProblems(problems)
    return record


_FIELD_OF = {
    "date": "performed_on",
    "person": "performed_by",
    "code": "procedure",
    "revision": "procedure_revision",
    "operating": "gauges",
    "temperature_c": "temperature_c",
    "humidity": "humidity",
    "adjusted": "adjusted",
    "cycles": "cycles",
}
"""What a readings file may leave out in a draft, and the record's field that it fills."""


def read_bench_draft(path: Path) -> dict[str, object]:
    """The plain form of a readings file that need not be complete: what it leaves out is left out.

    The tag must be there, and what is there must be right: a run is given whole, but for the static
    reading and its gauge.

    Raises DataProblems with every problem found, by key or by line and column.
    """
    problems: list[Problem] = []
    record = _read_bench(path, problems, draft=True)
    left_out = [p.name for p in problems if isinstance(p, MissingValue) and p.name in _FIELD_OF]
    wrong = [p for p in problems if not (isinstance(p, MissingValue) and p.name in _FIELD_OF)]
    if wrong or record is None:
        raise DataProblems(wrong)
    plain = rec.to_plain(record)
    without = {_FIELD_OF[name] for name in left_out}
    return {
        key: value
        for key, value in (plain.items() if isinstance(plain, dict) else ())
        if key not in without
    }


def _read_bench(
    path: Path, problems: list[Problem], *, draft: bool = False
) -> rec.BenchRecord | None:
    if path.suffix.lower() == ".toml":
        parts = _bench_toml(path, problems, draft=draft)
    elif path.suffix.lower() == ".csv":
        parts = _bench_csv(path, problems)
    else:
        raise DataProblems(
            [Problem(path.name, "A readings file ends in .toml or .csv.", "Rename the file.")]
        )
    return _bench_record(path.name, parts, problems, draft=draft) if parts is not None else None


@dataclass
class _BenchParts:
    """The rows of a readings file, whichever its kind."""

    parts: dict[str, Row]
    cycles: list[Row]


def _bench_toml(path: Path, problems: list[Problem], *, draft: bool) -> _BenchParts | None:
    data = read_toml(path, problems)
    if data is None:
        return None
    if draft:  # an absent table is one in which nothing is given yet
        data = {**{key: {} for key in _PARTS}, **data}
    top = TomlTable(data, path.name, problems, _HEAD_KEYS, (*_PARTS, "cycles"))
    rows = {"": top.row}
    for key, names in _PARTS.items():
        # of an absent [conditions] or [adjustment] the keys it must have are named, one by one
        rows[key] = top.part(key, names, required=key in ("procedure", "gauges")).row
    return _BenchParts(rows, [each.row for each in top.parts("cycles", _CYCLE_KEYS)])


def _bench_csv(path: Path, problems: list[Problem]) -> _BenchParts | None:
    name = path.name
    text = read_text(path, name, problems)
    if text is None:
        return None
    lines, complete = csv_lines(text, name, problems)
    if not complete:
        return None
    values: dict[str, dict[str, object]] = {part: {} for part in ("", *_PARTS)}
    at: dict[tuple[str, str], int] = {}
    cycles: list[Row] = []
    header: list[str] | None = None
    in_cycles = False
    for number, cells in lines:
        first = squeezed(cells[0])
        if in_cycles and header is None:
            header = [squeezed(cell) for cell in cells]
            known = [squeezed(key) for key in _CYCLE_KEYS]
            for cell in header:
                if cell and cell not in known:
                    problems.append(Problem(f"{name}, line {number}", f"No such column: {cell!r}.",
                                            nearest(cell, _CYCLE_KEYS)))  # fmt: skip
            for key in ("phase", "set_point", "run", "trip", "reset"):
                if squeezed(key) not in header:
                    problems.append(
                        Problem(f"{name}, line {number}", f"The column {key!r} is missing.")
                    )
        elif in_cycles and header is not None:
            cycles.append(_csv_row(name, number, header, cells, problems))
        elif first == "cycles":
            in_cycles = True
        elif first not in _CSV_NAMES:
            problems.append(Problem(f"{name}, line {number}", f"No such name: {cells[0]!r}.",
                                    nearest(first, _CSV_NAMES)))  # fmt: skip
        else:
            part, key = _CSV_NAMES[first]
            if (part, key) in at:
                problems.append(Problem(f"{name}, line {number}", f"{cells[0]!r} is there twice.",
                                        f"First: line {at[part, key]}."))  # fmt: skip
            elif len(cells) > 2 and any(cell.strip() for cell in cells[2:]):
                problems.append(
                    Problem(f"{name}, line {number}", "There is more than one value.",
                            "Text with a comma in it must stand between quotation marks.")
                )  # fmt: skip
            at[part, key] = number
            values[part][squeezed(key)] = cells[1] if len(cells) > 1 else ""
    rows = {
        part: Row(found, _csv_place(name, part, at), problems) for part, found in values.items()
    }
    return _BenchParts(rows, cycles)


def _csv_place(name: str, part: str, at: Mapping[tuple[str, str], int]) -> Callable[[str], str]:
    shown_as = {where: shown for shown, where in _CSV_NAMES.items()}

    def place(key: str) -> str:
        line = at.get((part, key))
        return f"{name}, line {line}" if line else f"{name}, {shown_as.get((part, key), key)}"

    return place


def _csv_row(
    name: str, number: int, header: Sequence[str], cells: Sequence[str], problems: list[Problem]
) -> Row:
    row = Row(
        dict(zip(header, cells, strict=False)),
        lambda column: f"{name}, line {number}, column {column}",
        problems,
    )
    if len(cells) > len(header) and any(cell.strip() for cell in cells[len(header) :]):
        row.problem(header[-1], f"The line has {len(cells)} cells, the header {len(header)}.")
    return row


def _flat(parts: Mapping[str, Row]) -> Iterator[tuple[str, Row, str]]:
    """The names ``_common`` asks for, with the row and key that hold them."""
    for key in _HEAD_KEYS:
        yield key, parts[""], key
    for part in ("conditions", "adjustment"):
        for key in _PARTS[part]:
            yield ("adjustment_note" if key == "note" else key), parts[part], key


def _bench_record(
    name: str, found: _BenchParts, problems: list[Problem], *, draft: bool = False
) -> rec.BenchRecord:
    parts = found.parts
    head, procedure, gauges = parts[""], parts["procedure"], parts["gauges"]
    anyone = Names("person", complete=False)
    flat = {key: (row, own) for key, row, own in _flat(parts)}
    whole = Row(
        {squeezed(key): row.raw(own) for key, (row, own) in flat.items()},
        lambda key: flat[key][0].where(flat[key][1]) if key in flat else f"{name}, {key}",
        problems,
    )
    used = [
        rec.GaugeUsed(
            rec.GaugeRole.OPERATING, gauges.text("operating", CODE),
            gauges.prose("operating_certificate", CODE),
        )
    ]  # fmt: skip
    has_static = gauges.given("static")
    if has_static:
        used.append(
            rec.GaugeUsed(
                rec.GaugeRole.STATIC, gauges.text("static", CODE),
                gauges.prose("static_certificate", CODE),
            )
        )  # fmt: skip
    person = head.text("person", CODE)
    common = common_from(whole, anyone)
    if common.verified_by is not None and common.verified_by == person:
        whole.problem("verified_by", f"{person} did the work and cannot be the second person.")
    cycles = []
    seen: set[tuple[str, str, int]] = set()
    for row in found.cycles:
        cycle = cycle_from(row)
        key = (cycle.phase.value, cycle.set_point, cycle.run)
        if key in seen and not row.bad:
            row.problem("run", twice(cycle))
        seen.add(key)
        if draft:
            pass
        elif cycle.static is not None and not has_static:
            row.problem("static", "There is a static reading, yet no static gauge is named.")
        elif cycle.static is None and has_static and not row.bad:
            row.problem("static", "The static reading is missing.")
        cycles.append(cycle)
    if not found.cycles:
        problems.append(
            MissingValue(f"{name}, cycles", "There are no readings.", "Add the cycles.", "cycles")
        )
    return rec.BenchRecord(
        tag=head.text("tag", CODE),
        performed_on=head.day("date"),
        performed_by=person,
        procedure=procedure.text("code", CODE),
        procedure_revision=procedure.integer("revision", 1),
        gauges=tuple(used),
        cycles=tuple(cycles),
        **common.fields(),
    )
