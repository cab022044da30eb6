"""The input files of a site, and a readings file from the bench, read into records.

A site folder holds site.toml, people.csv, qualifications.csv, procedures/*.toml, switches.xlsx
(sheets 'Switches' and 'Set points'), gauges.xlsx (sheet 'Gauges'), certificates.csv with
certificate_points.csv and certificate_standards.csv, and the history: calibrations.csv with
cycles.csv. planning.toml (see ``planningfile``) may be absent. Everything is read to the end;
all problems are raised together.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import date
from decimal import Decimal
from fractions import Fraction
from itertools import pairwise
from pathlib import Path
from typing import Any, TypeVar

from calfleet import records as rec
from calfleet.adapters.workbook.planningfile import FILE as PLANNING
from calfleet.adapters.workbook.planningfile import PlanningFile
from calfleet.adapters.workbook.sources import (
    Columns,
    TomlTable,
    Workbook,
    csv_lines,
    read_csv,
    read_text,
    read_toml,
)
from calfleet.adapters.workbook.tables import CODE, LINE, WORD, Names, Row, nearest, squeezed
from calfleet.errors import DataProblems, Problem
from calfleet.metrology.conformity import Rule
from calfleet.metrology.direction import Direction
from calfleet.metrology.switch import ToleranceBasis
from calfleet.metrology.units import Dimension, PressureMode, convert

Item = TypeVar("Item")
_ZERO = Decimal(0)
_ONE = Decimal(1)
THERMOMETER = "thermometer"
TOLERANCE_BASES = tuple(str(basis) for basis in ToleranceBasis)
ACCURACY_BASES = ("absolute", "% of span", "% of reading")
DEAD_BAND_KINDS = ("fixed", "adjustable")

# --- what each file holds -----------------------------------------------------------------

PEOPLE = Columns(["person", "name", "role", "effective_on"], ["held"])
QUALIFICATIONS = Columns(["person", "quantity", "granted_on", "expires_on", "granted_by"])
SWITCHES = Columns(
    [
        "Tag", "Effective on", "Serial number", "Area", "Service", "Family", "Quantity", "Unit",
        "Range low", "Range high", "Line unit", "Proof pressure", "Static pressure", "Medium",
        "Criticality", "Outage-bound", "Status", "Interval policy", "Procedure", "Bench minutes",
    ],
    ["Revision", "Reason", "Hazards"],
)  # fmt: skip
SET_POINTS = Columns(
    [
        "Tag", "Label", "Set point", "Direction", "Tolerance minus", "Tolerance plus",
        "Tolerance basis", "As-left minus", "As-left plus", "Dead band", "Dead band min",
        "Dead band max", "Contact form", "Action", "Energised state",
    ],
    ["Revision", "Repeatability limit"],
)  # fmt: skip
GAUGES = Columns(
    [
        "Gauge", "Effective on", "Serial number", "Description", "Status", "Mode", "Unit",
        "Range low", "Range high", "Resolution", "Accuracy", "Accuracy basis", "Drift per year",
        "Temperature coefficient", "Reference temperature", "Use corrections", "Tier",
        "Interval policy",
    ],
    ["Revision", "Reason", "Oxygen clean", "Same-gauge correlation", "Static limit",
     "Readable fraction"],
)  # fmt: skip
CERTIFICATES = Columns(
    [
        "certificate", "gauge", "laboratory", "calibrated_on", "issued_on", "unit",
        "temperature_c", "humidity", "adjusted",
    ],
    ["withdrawn_on", "withdrawal_reason", "replaces", "replacement_reason", "remarks"],
)  # fmt: skip
POINTS = Columns(
    [
        "certificate", "phase", "direction", "reference", "indication", "expanded_uncertainty",
        "coverage_factor",
    ]
)  # fmt: skip
STANDARDS = Columns(["certificate", "description"], ["gauge", "standard_certificate"])
CALIBRATIONS = Columns(
    [
        "calibration", "tag", "performed_on", "performed_by", "procedure", "procedure_revision",
        "operating_gauge", "operating_certificate", "temperature_c", "humidity", "adjusted",
    ],
    [
        "static_gauge", "static_certificate", "adjustment_note", "barometric", "barometric_unit",
        "head_height_m", "head_height_half_width_m", "head_density_kg_m3",
        "exercised_before_as_found", "exercise_cycles", "contact_check", "seal", "permit",
        "bypass", "returned_by", "verified_by", "work_order", "replaces", "replacement_reason",
        "remarks",
    ],
)  # fmt: skip
CYCLES = Columns(
    ["calibration", "phase", "set_point", "run", "trip", "reset"], ["outcome", "static"]
)


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


@dataclass
class _Job:
    """A line of calibrations.csv while its cycles are gathered."""

    row: Row
    switch: rec.Switch | None = None
    gauge: rec.Gauge | None = None
    static_gauge: rec.Gauge | None = None
    has_static: bool = False
    cycles: list[rec.Cycle] = field(default_factory=list)
    seen: set[tuple[str, str, int]] = field(default_factory=set)
    build: Callable[[tuple[rec.Cycle, ...]], rec.BenchRecord] | None = None


class _SiteReader:
    """Reads the files in an order in which every name is known before it is used."""

    def __init__(self, folder: Path, progress: Callable[[str], None]) -> None:
        self.folder = folder
        self.progress = progress
        self.problems: list[Problem] = []
        self.areas = Names("area")
        self.policies = Names("interval policy")
        self.laboratories = Names("laboratory")
        self.people = Names("person")
        self.procedures = Names("procedure")
        self.tags = Names("switch")
        self.gauge_names = Names("gauge")
        self.certificate_names = Names("certificate")
        self.procedure_revisions: dict[str, dict[int, rec.ProcedureRevision]] = defaultdict(dict)
        self.switches: dict[str, list[rec.Switch]] = defaultdict(list)
        self.gauges: dict[str, list[rec.Gauge]] = defaultdict(list)
        self.certificates: dict[str, rec.Certificate] = {}

    def read(self) -> rec.SiteInput:
        if not self.folder.is_dir():
            raise DataProblems(
                [Problem(str(self.folder), "There is no such folder.", "Name the site's folder.")]
            )
        site, areas, policies, laboratories = self.read_site_toml()
        people = self.read_people()
        procedures = self.read_procedures()
        switches = self.read_switches()
        gauges = self.read_gauges()
        certificates = self.read_certificates()
        history = self.read_history()
        planning = PlanningFile(
            self.problems, areas=self.areas, people=self.people, gauges=self.gauge_names,
            laboratories=self.laboratories, tags=self.tags,
        ).read(self.path(PLANNING))  # fmt: skip
        if self.problems:
            raise DataProblems(self.problems)
        return rec.SiteInput(
            site, areas, people, laboratories, policies, procedures, switches, gauges,
            certificates, history, planning,
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
        if not areas:
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
        policies = []
        seen = set()
        keys = (
            "code", "effective_on", "basis", "every", "unit", "end_of_month", "grace_fraction",
            "grace_days", "note",
        )  # fmt: skip
        for part in top.parts("policies", keys):
            row = part.row
            code, effective_on = row.text("code", CODE), row.day("effective_on")
            self.policies.add(code)
            if (code, effective_on) in seen:
                row.problem("code", f"The policy {code!r} of {effective_on} is there twice.")
            seen.add((code, effective_on))
            share = row.fraction("grace_fraction") if row.given("grace_fraction") else _ZERO
            grace_days = row.integer("grace_days", 0, default=0)
            if share and grace_days:
                row.problem("grace_days", "Grace is a share of the interval or days, not both.")
            policies.append(
                rec.IntervalPolicy(
                    code=code,
                    effective_on=effective_on,
                    basis=row.choice("basis", rec.IntervalBasis),
                    every=row.integer("every", 1),
                    unit=row.choice("unit", rec.IntervalUnit),
                    end_of_month=row.flag("end_of_month", default=False),
                    grace_fraction=share,
                    grace_days=grace_days,
                    note=row.prose("note", LINE),
                )
            )
        return tuple(policies)

    # people ------------------------------------------------------------------------------

    def read_people(self) -> tuple[rec.Person, ...]:
        table = read_csv(self.path("people.csv"), PEOPLE, self.problems)
        self.people.complete = table.complete
        names: dict[str, str] = {}
        roles: dict[str, list[rec.RoleGrant]] = defaultdict(list)
        for row in table.rows:
            code, name = row.text("person", CODE), row.text("name")
            self.people.add(code)
            if names.setdefault(code, name) != name and name:
                row.problem("name", f"{code} is called {names[code]!r} in an earlier line.")
            if not row.given("role"):
                continue
            grant = rec.RoleGrant(
                row.choice("role", rec.Role), row.day("effective_on"), row.flag("held", True)
            )
            if any(
                (g.role, g.effective_on) == (grant.role, grant.effective_on) for g in roles[code]
            ):
                row.problem("role", f"{code} has this role twice from the same day.")
            roles[code].append(grant)
        table = read_csv(self.path("qualifications.csv"), QUALIFICATIONS, self.problems)
        held: dict[str, list[rec.Qualification]] = defaultdict(list)
        for row in table.rows:
            code = row.reference("person", self.people)
            start, end = row.day("granted_on"), row.day("expires_on")
            row.before("granted_on", "expires_on", start, end)
            each = rec.Qualification(
                row.choice("quantity", rec.Quantity), start, end,
                row.reference("granted_by", self.people),
            )  # fmt: skip
            if any((q.quantity, q.granted_on) == (each.quantity, start) for q in held[code]):
                row.problem("granted_on", f"{code} has this qualification twice from {start}.")
            held[code].append(each)
        return tuple(
            rec.Person(code, name, tuple(roles[code]), tuple(held[code]))
            for code, name in names.items()
        )

    # procedures --------------------------------------------------------------------------

    def read_procedures(self) -> tuple[rec.ProcedureRevision, ...]:
        folder = self.path("procedures")
        files = sorted(folder.glob("*.toml"))
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
        for code, revisions in self.procedure_revisions.items():
            ordered = [revisions[number] for number in sorted(revisions)]
            for earlier, later in pairwise(ordered):
                if later.effective_on <= earlier.effective_on:
                    self.problems.append(
                        Problem(
                            f"procedures/{code}-r{later.revision}.toml, effective_on",
                            f"Revision {later.revision} takes effect on {later.effective_on}, "
                            f"revision {earlier.revision} on {earlier.effective_on}.",
                            "A later revision takes effect later.",
                        )
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
        code, revision = row.text("code", CODE), row.integer("revision", 1)
        if code and not row.bad and stem != f"{code}-r{revision}":
            row.problem("code", f"{code} revision {revision} stands in a file of another name.",
                        f"Call it {code}-r{revision}.toml.")  # fmt: skip
        if revision in self.procedure_revisions[code]:
            row.problem("revision", f"{code} revision {revision} is there twice.")
        approved, effective = row.day("approved_on"), row.day("effective_on")
        row.before("approved_on", "effective_on", approved, effective)
        quantities = row.choices("quantities", rec.Quantity)
        if not quantities and not row.given("quantities"):
            row.problem("quantities", "The procedure is for no quantity.")
        low, high = room.number("temperature_min_c"), room.number("temperature_max_c")
        if high <= low and not room.bad:
            room.problem("temperature_max_c", f"The range {low} to {high} is empty.")
        rule = judge.word("rule", [str(each) for each in Rule])
        coverage = judge.fraction("coverage_probability")
        if coverage in (0, 1):
            judge.problem("coverage_probability", "A probability between 0 and 1 is needed.")
        conformance = None
        if judge.given("conformance_probability"):
            conformance = judge.fraction("conformance_probability")
        elif rule == Rule.CONFORMANCE_PROBABILITY:
            judge.problem("conformance_probability", f"The rule {rule!r} needs this probability.")
        steps = row.raw("steps")
        if not isinstance(steps, list) or not all(isinstance(step, str) for step in steps):
            row.problem("steps", "A list of sentences is expected.")
            steps = []
        found = rec.ProcedureRevision(
            code=code,
            title=row.text("title"),
            revision=revision,
            approved_on=approved,
            approved_by=row.reference("approved_by", self.people),
            effective_on=effective,
            quantities=quantities,
            exercise_cycles=runs.integer("exercise_cycles", 0),
            as_found_runs=runs.integer("as_found", 1),
            as_left_runs=runs.integer("as_left", 1),
            ramp_limit_fraction_per_s=runs.fraction("ramp_limit_fraction_per_s"),
            temperature_min_c=low,
            temperature_max_c=high,
            humidity_max=room.fraction("humidity_max"),
            required_tur=judge.number("required_tur", _ZERO),
            decision_rule=rule,
            guard_factor=judge.number("guard_factor", _ZERO),
            coverage_probability=coverage,
            conformance_probability=conformance,
            reading_lag_s=runs.number_or_none("reading_lag_s", _ZERO) or _ZERO,
            static_hold_fraction=runs.fraction("static_hold_fraction")
            if runs.given("static_hold_fraction")
            else _ZERO,
            hazards=row.choices("hazards", rec.Hazard),
            steps=tuple(steps),
        )
        self.procedures.add(code)
        self.procedure_revisions[code][revision] = found
        return found

    # switches ----------------------------------------------------------------------------

    def read_switches(self) -> tuple[rec.Switch, ...]:
        book = Workbook(self.path("switches.xlsx"), self.problems)
        table = book.table("Switches", SWITCHES)
        self.tags.complete = table.complete
        drafts: dict[tuple[str, int], tuple[Row, rec.Switch]] = {}
        for row in table.rows:
            switch = self._read_switch(row)
            key = (switch.tag, switch.revision)
            if switch.tag and key in drafts:
                row.problem(
                    "Tag", f"{switch.tag} revision {switch.revision} is there twice.",
                    f"First: {drafts[key][0].where('Tag')}.",
                )  # fmt: skip
                continue
            earlier = [s for (tag, _), (_, s) in drafts.items() if tag == switch.tag]
            self._revision_order(row, switch.tag, switch.revision, switch.effective_on,
                                 [(s.revision, s.effective_on) for s in earlier])  # fmt: skip
            drafts[key] = (row, switch)
            self.tags.add(switch.tag)
        points = self._read_set_points(book, drafts, table.complete)
        out = []
        for key, (row, switch) in drafts.items():
            if not points[key] and not row.bad and points:
                row.problem("Tag", f"{switch.tag} revision {switch.revision} has no set point.",
                            "Add a row to the sheet 'Set points'.")  # fmt: skip
            whole = _with_points(switch, points[key])
            self.switches[switch.tag].append(whole)
            out.append(whole)
        return tuple(out)

    def _revision_order(
        self,
        row: Row,
        name: str,
        revision: int,
        effective_on: date,
        earlier: Sequence[tuple[int, date]],
    ) -> None:
        if not earlier or row.bad:
            return
        last, last_on = max(earlier)
        if revision <= last:
            row.problem("Revision", f"{name} revision {revision} stands after revision {last}.",
                        "List revisions in order.")  # fmt: skip
        elif effective_on <= last_on:
            row.problem("Effective on",
                        f"{name} revision {revision} takes effect on {effective_on}, "
                        f"revision {last} on {last_on}.",
                        "The dates are in the wrong order.")  # fmt: skip

    def _read_switch(self, row: Row) -> rec.Switch:
        quantity = row.choice("Quantity", rec.Quantity)
        heat = quantity is rec.Quantity.TEMPERATURE
        unit = row.unit("Unit", Dimension.TEMPERATURE if heat else Dimension.PRESSURE)
        low, high = row.number("Range low"), row.number("Range high")
        if not row.bad and high <= low:
            row.problem("Range high", f"The range {low} to {high} is empty.")
        line_unit: str | None = None
        proof: Decimal | None = None
        static = row.number_or("Static pressure", _ZERO, _ZERO)
        if heat:
            if row.given("Line unit") or row.given("Proof pressure"):
                row.problem("Line unit", "A temperature switch has no line pressure.",
                            "Leave line unit and proof pressure blank.")  # fmt: skip
        else:
            line_unit = row.unit("Line unit", Dimension.PRESSURE)
            proof = row.number("Proof pressure", _ZERO)
        if static and quantity is not rec.Quantity.DIFFERENTIAL:
            row.problem("Static pressure", f"A switch for {quantity} has no static pressure.",
                        "Enter 0.")  # fmt: skip
        elif proof is not None and line_unit and unit and not row.bad:
            top = Fraction(static) + convert(Fraction(high), unit, line_unit)
            if quantity is not rec.Quantity.VACUUM and top > Fraction(proof):
                row.problem(
                    "Proof pressure",
                    f"Static pressure plus full range is {float(top):.6g} {line_unit}, above the "
                    f"proof pressure {proof} {line_unit}.",
                    "Check the units and the range.",
                )
        procedure = row.reference("Procedure", self.procedures)
        scope = self.procedure_revisions.get(procedure)
        if scope and not row.bad and not any(quantity in p.quantities for p in scope.values()):
            row.problem("Procedure", f"{procedure} is not for {quantity}.")
        return rec.Switch(
            tag=row.text("Tag", CODE),
            revision=row.integer("Revision", 1, default=1),
            effective_on=row.day("Effective on"),
            reason=row.prose("Reason", LINE),
            serial=row.text("Serial number", CODE),
            area=row.reference("Area", self.areas),
            service=row.text("Service"),
            family=row.text("Family", CODE),
            quantity=quantity,
            unit=unit,
            range_low=low,
            range_high=high,
            line_unit=line_unit,
            proof_pressure=proof,
            static_nominal=static,
            medium=row.prose("Medium", LINE),
            criticality=row.choice("Criticality", rec.Criticality),
            outage_bound=row.flag("Outage-bound"),
            status=row.choice("Status", rec.SwitchStatus),
            policy=row.reference("Interval policy", self.policies),
            procedure=procedure,
            bench_minutes=row.integer("Bench minutes", 1),
            hazards=row.choices("Hazards", rec.Hazard),
            set_points=(),
        )

    def _read_set_points(
        self,
        book: Workbook,
        drafts: Mapping[tuple[str, int], tuple[Row, rec.Switch]],
        complete: bool,
    ) -> dict[tuple[str, int], list[rec.SetPoint]]:
        points: dict[tuple[str, int], list[rec.SetPoint]] = defaultdict(list)
        table = book.table("Set points", SET_POINTS)
        for row in table.rows:
            tag = row.reference("Tag", self.tags)
            revision = row.integer("Revision", 1, default=1)
            draft = drafts.get((tag, revision))
            if draft is None and complete and not row.bad:
                row.problem("Revision", f"{tag} has no revision {revision}.")
            switch = draft[1] if draft and not draft[0].bad else None
            point = self._read_set_point(row, switch)
            if any(point.label == other.label for other in points[tag, revision]):
                row.problem("Label", f"{tag} has the set point {point.label!r} twice.")
            points[tag, revision].append(point)
        return points

    def _read_set_point(self, row: Row, switch: rec.Switch | None) -> rec.SetPoint:
        value = row.number("Set point")
        if (
            switch is not None
            and not row.bad
            and not (switch.range_low <= value <= switch.range_high)
        ):
            row.problem(
                "Set point",
                f"{value} lies outside the range {switch.range_low} to {switch.range_high} "
                f"{switch.unit} of {switch.tag}.",
            )
        minus = row.number_or_none("Tolerance minus", _ZERO)
        plus = row.number_or_none("Tolerance plus", _ZERO)
        if minus is None and plus is None and not row.bad:
            row.problem("Tolerance minus", "There is no tolerance.", "Fill in one side or both.")
        left_minus = row.number_or_none("As-left minus", _ZERO)
        left_plus = row.number_or_none("As-left plus", _ZERO)
        for side, outer, inner in (
            ("As-left minus", minus, left_minus),
            ("As-left plus", plus, left_plus),
        ):
            if outer is not None and inner is not None and inner > outer:
                row.problem(side, f"The as-left band {inner} is wider than the tolerance {outer}.")
        low = row.number_or_none("Dead band min", _ZERO)
        high = row.number_or_none("Dead band max", _ZERO)
        if low is not None and high is not None and high < low:
            row.problem("Dead band max", f"The dead band limits {low} to {high} are reversed.")
        repeatability = row.number_or_none("Repeatability limit", _ZERO)
        if repeatability == 0:
            row.problem("Repeatability limit", "A limit of 0 can never be met.")
        return rec.SetPoint(
            label=row.text("Label", CODE),
            value=value,
            direction=row.choice("Direction", Direction),
            tolerance_minus=minus,
            tolerance_plus=plus,
            tolerance_basis=row.word("Tolerance basis", TOLERANCE_BASES),
            as_left_minus=left_minus,
            as_left_plus=left_plus,
            dead_band_kind=row.word("Dead band", DEAD_BAND_KINDS),
            dead_band_min=low,
            dead_band_max=high,
            repeatability_limit=repeatability,
            contact_form=row.text("Contact form", WORD),
            action=row.text("Action", WORD),
            energised_state=row.text("Energised state", WORD),
        )

    # gauges ------------------------------------------------------------------------------

    def read_gauges(self) -> tuple[rec.Gauge, ...]:
        book = Workbook(self.path("gauges.xlsx"), self.problems)
        table = book.table("Gauges", GAUGES)
        self.gauge_names.complete = table.complete
        out = []
        for row in table.rows:
            gauge = self._read_gauge(row)
            earlier = self.gauges[gauge.code]
            if gauge.code and any(g.revision == gauge.revision for g in earlier):
                row.problem("Gauge", f"{gauge.code} revision {gauge.revision} is there twice.")
            self._revision_order(row, gauge.code, gauge.revision, gauge.effective_on,
                                 [(g.revision, g.effective_on) for g in earlier])  # fmt: skip
            self.gauge_names.add(gauge.code)
            earlier.append(gauge)
            out.append(gauge)
        return tuple(out)

    def _read_gauge(self, row: Row) -> rec.Gauge:
        kind = row.word("Mode", [*(str(mode) for mode in PressureMode), THERMOMETER])
        mode = None if kind == THERMOMETER else PressureMode(kind)
        unit = row.unit("Unit", Dimension.TEMPERATURE if mode is None else Dimension.PRESSURE)
        low, high = row.number("Range low"), row.number("Range high")
        resolution = row.number("Resolution")
        if not row.bad and high <= low:
            row.problem("Range high", f"The range {low} to {high} is empty.")
        elif not row.bad and not 0 < resolution < high - low:
            row.problem("Resolution", f"{resolution} is not above 0 and below the range.")
        static_limit = row.number_or_none("Static limit", _ZERO)
        if static_limit is not None and mode is not PressureMode.DIFFERENTIAL:
            row.problem("Static limit", "Only a differential gauge has a limit for line pressure.",
                        "Leave the cell blank.")  # fmt: skip
        accuracy = row.number("Accuracy")
        if accuracy <= 0 and not row.bad:
            row.problem("Accuracy", "The permissible error must be above 0.")
        return rec.Gauge(
            code=row.text("Gauge", CODE),
            revision=row.integer("Revision", 1, default=1),
            effective_on=row.day("Effective on"),
            reason=row.prose("Reason", LINE),
            serial=row.text("Serial number", CODE),
            description=row.text("Description"),
            status=row.choice("Status", rec.GaugeStatus),
            mode=mode,
            unit=unit,
            range_low=low,
            range_high=high,
            resolution=resolution,
            accuracy=accuracy,
            accuracy_basis=row.word("Accuracy basis", ACCURACY_BASES),
            drift_per_year=row.number("Drift per year", _ZERO),
            temperature_coefficient=row.number("Temperature coefficient", _ZERO),
            reference_temperature_c=row.number("Reference temperature"),
            use_corrections=row.flag("Use corrections"),
            tier=row.integer("Tier", 1),
            policy=row.reference("Interval policy", self.policies),
            oxygen_clean=row.flag("Oxygen clean", default=False),
            same_gauge_correlation=row.number_or_none("Same-gauge correlation", -_ONE, _ONE)
            or _ZERO,
            static_limit=static_limit,
            readable_fraction=row.number_or_none("Readable fraction", _ZERO, _ONE) or _ONE,
        )

    # certificates ------------------------------------------------------------------------

    def read_certificates(self) -> tuple[rec.Certificate, ...]:
        table = read_csv(self.path("certificates.csv"), CERTIFICATES, self.problems)
        self.certificate_names.complete = table.complete
        drafts: dict[str, tuple[Row, rec.Certificate]] = {}
        for row in table.rows:
            draft = self._read_certificate(row)
            if not self.certificate_names.add(draft.number) and draft.number:
                row.problem("certificate", f"The certificate {draft.number} is there twice.")
                continue
            drafts[draft.number] = (row, draft)
        for row, draft in drafts.values():
            self._check_replacement(row, draft, drafts)
        points_table, points = self._read_points(drafts)
        standards = self._read_standards(drafts)
        for number, (row, draft) in drafts.items():
            if points_table and not points[number] and not row.bad:
                row.problem("certificate", f"{number} has no points.",
                            "Add its lines to certificate_points.csv.")  # fmt: skip
            self.certificates[number] = _certificate(draft, points[number], standards[number])
        return tuple(self.certificates.values())

    def _read_certificate(self, row: Row) -> rec.Certificate:
        gauge = row.reference("gauge", self.gauge_names)
        calibrated, issued = row.day("calibrated_on"), row.day("issued_on")
        row.before("calibrated_on", "issued_on", calibrated, issued)
        known = self.gauges.get(gauge)
        dimension = None
        if known:
            dimension = Dimension.TEMPERATURE if known[0].mode is None else Dimension.PRESSURE
        withdrawal = None
        if row.given("withdrawn_on") or row.given("withdrawal_reason"):
            withdrawn = row.day("withdrawn_on")
            row.before("issued_on", "withdrawn_on", issued, withdrawn)
            withdrawal = rec.CertificateWithdrawal(withdrawn, row.text("withdrawal_reason"))
        return rec.Certificate(
            number=row.text("certificate", CODE),
            gauge=gauge,
            laboratory=row.reference("laboratory", self.laboratories),
            calibrated_on=calibrated,
            issued_on=issued,
            unit=row.unit("unit", dimension),
            temperature_c=row.number("temperature_c"),
            humidity=row.fraction("humidity"),
            adjusted=row.flag("adjusted"),
            points=(),
            withdrawal=withdrawal,
            replaces=row.text_or("replaces", None, CODE),
            replacement_reason=row.text_or("replacement_reason", None),
            remarks=row.prose("remarks"),
        )

    def _check_replacement(
        self, row: Row, draft: rec.Certificate, drafts: Mapping[str, tuple[Row, rec.Certificate]]
    ) -> None:
        if (draft.replaces is None) != (draft.replacement_reason is None):
            row.problem("replacement_reason", "A replacement needs number and reason.")
        if draft.replaces is None:
            return
        other = drafts.get(draft.replaces)
        if other is None:
            if not self.certificate_names.knows(draft.replaces):
                row.unknown("replaces", "certificate", draft.replaces, drafts)
        elif draft.replaces == draft.number:
            row.problem("replaces", "A certificate cannot replace itself.")
        elif other[1].gauge != draft.gauge:
            row.problem("replaces", f"{draft.replaces} is a certificate of {other[1].gauge}.")

    def _read_points(
        self, drafts: Mapping[str, tuple[Row, rec.Certificate]]
    ) -> tuple[bool, dict[str, list[rec.CertificatePoint]]]:
        table = read_csv(self.path("certificate_points.csv"), POINTS, self.problems)
        points: dict[str, list[rec.CertificatePoint]] = defaultdict(list)
        for row in table.rows:
            number = row.reference("certificate", self.certificate_names)
            uncertainty = row.number("expanded_uncertainty", _ZERO)
            if uncertainty == 0 and not row.bad:
                row.problem("expanded_uncertainty", "An uncertainty must be above 0.")
            points[number].append(
                rec.CertificatePoint(
                    phase=row.choice("phase", rec.Phase),
                    direction=row.choice("direction", Direction),
                    reference=row.number("reference"),
                    indication=row.number("indication"),
                    expanded_uncertainty=uncertainty,
                    coverage_factor=row.number("coverage_factor", _ONE),
                )
            )
        return table.complete, points

    def _read_standards(
        self, drafts: Mapping[str, tuple[Row, rec.Certificate]]
    ) -> dict[str, list[rec.StandardUsed]]:
        table = read_csv(self.path("certificate_standards.csv"), STANDARDS, self.problems)
        standards: dict[str, list[rec.StandardUsed]] = defaultdict(list)
        for row in table.rows:
            number = row.reference("certificate", self.certificate_names)
            gauge = row.reference_or_none("gauge", self.gauge_names)
            used = row.reference_or_none("standard_certificate", self.certificate_names)
            if (gauge is None) != (used is None):
                row.problem(
                    "standard_certificate",
                    "A gauge used as standard is named together with its certificate.",
                )
            elif used in drafts and number in drafts and not row.bad:
                standard, own = drafts[str(used)][1], drafts[number][1]
                if used == number:
                    row.problem("standard_certificate", f"{number} rests on itself.")
                elif standard.gauge != gauge:
                    row.problem(
                        "standard_certificate", f"{used} is a certificate of {standard.gauge}."
                    )
                elif standard.calibrated_on > own.calibrated_on:
                    row.problem(
                        "standard_certificate",
                        f"{used} is of {standard.calibrated_on}, after {number} "
                        f"({own.calibrated_on}).",
                        "The dates are in the wrong order.",
                    )
            standards[number].append(rec.StandardUsed(row.text("description"), gauge, used))
        return standards

    # history -----------------------------------------------------------------------------

    def read_history(self) -> tuple[rec.BenchRecord, ...]:
        table = read_csv(self.path("calibrations.csv"), CALIBRATIONS, self.problems)
        keys = Names("calibration", complete=table.complete)
        jobs: dict[str, _Job] = {}
        for row in table.rows:
            key = row.text("calibration", CODE)
            if not keys.add(key) and key:
                row.problem("calibration", f"The calibration {key} is there twice.")
                continue
            jobs[key] = self._read_job(row, key)
        for job in jobs.values():
            replaced = job.row.text_or("replaces", None, CODE)
            if replaced is not None and not keys.knows(replaced):
                job.row.unknown("replaces", "calibration", replaced, keys.names)
        lines = read_csv(self.path("cycles.csv"), CYCLES, self.problems)
        for row in lines.rows:
            key = row.reference("calibration", keys)
            found = jobs.get(key)
            cycle = _read_cycle(row)
            if found is None:
                continue
            self._check_cycle(row, found, cycle)
            found.cycles.append(cycle)
        out = []
        for key, job in jobs.items():
            if not job.cycles and lines.complete:
                job.row.problem("calibration", f"{key} has no readings.",
                                "Add its lines to cycles.csv.")  # fmt: skip
            if job.build is not None:
                out.append(job.build(tuple(job.cycles)))
        return tuple(out)

    def _read_job(self, row: Row, key: str) -> _Job:
        job = _Job(row)
        tag = row.reference("tag", self.tags)
        day = row.day("performed_on")
        known = self.switches.get(tag, [])
        job.switch = _in_force(known, day)
        if known and job.switch is None and day != date.min:
            row.problem(
                "performed_on",
                f"{day} lies before {known[0].effective_on}, when {tag} got its data sheet.",
                "The dates are in the wrong order.",
            )
        procedure = row.reference("procedure", self.procedures)
        revision = row.integer("procedure_revision", 1)
        revisions = self.procedure_revisions.get(procedure)
        if revisions:
            used = revisions.get(revision)
            if used is None:
                listed = ", ".join(str(number) for number in sorted(revisions))
                row.problem("procedure_revision", f"{procedure} has no revision {revision}.",
                            f"Known: {listed}.")  # fmt: skip
            else:
                row.before(f"{used.name} takes effect", "performed_on", used.effective_on, day)
        job.gauge = self._gauge(row, "operating", day)
        gauges = [
            rec.GaugeUsed(
                rec.GaugeRole.OPERATING, row.text("operating_gauge", CODE),
                row.text("operating_certificate", CODE),
            )
        ]  # fmt: skip
        if row.given("static_gauge") or row.given("static_certificate"):
            job.static_gauge = self._gauge(row, "static", day)
            job.has_static = True
            gauges.append(
                rec.GaugeUsed(
                    rec.GaugeRole.STATIC, row.text("static_gauge", CODE),
                    row.text("static_certificate", CODE),
                )
            )  # fmt: skip
        bench = _common(row, self.people)
        performer = row.reference("performed_by", self.people)
        if bench.verified_by is not None and bench.verified_by == performer:
            row.problem("verified_by", f"{performer} did the work and cannot be the second person.")
        job.build = lambda cycles: rec.BenchRecord(
            tag=tag, performed_on=day, performed_by=performer, procedure=procedure,
            procedure_revision=revision, gauges=tuple(gauges), cycles=cycles,
            number=key, **bench.fields(),
        )  # fmt: skip
        return job

    def _gauge(self, row: Row, role: str, day: date) -> rec.Gauge | None:
        code = row.reference(f"{role}_gauge", self.gauge_names)
        number = row.reference(f"{role}_certificate", self.certificate_names)
        certificate = self.certificates.get(number)
        if certificate is not None and code:
            if certificate.gauge != code:
                row.problem(f"{role}_certificate",
                            f"{number} is a certificate of {certificate.gauge}.")  # fmt: skip
            elif day != date.min and day < certificate.calibrated_on:
                row.problem(
                    f"{role}_certificate",
                    f"{number} is of {certificate.calibrated_on}, after the day of use {day}.",
                    "The dates are in the wrong order.",
                )
        return _in_force(self.gauges.get(code, []), day)

    def _check_cycle(self, row: Row, job: _Job, cycle: rec.Cycle) -> None:
        key = (cycle.phase.value, cycle.set_point, cycle.run)
        if key in job.seen:
            row.problem("run", _twice(cycle))
        job.seen.add(key)
        if (cycle.static is not None) != job.has_static and not row.bad:
            if job.has_static:
                row.problem("static", "The static reading is missing.",
                            "The calibration names a static gauge.")  # fmt: skip
            else:
                row.problem("static", "The calibration names no gauge for a static reading.")
        for column, reading, gauge in (
            ("trip", cycle.trip, job.gauge),
            ("reset", cycle.reset, job.gauge),
            ("static", cycle.static, job.static_gauge),
        ):
            if (
                reading is not None
                and gauge is not None
                and not (gauge.range_low <= reading <= gauge.range_high)
            ):
                row.problem(
                    column,
                    f"{reading} lies outside the range {gauge.range_low} to {gauge.range_high} "
                    f"{gauge.unit} of {gauge.code}.",
                )
        if job.switch is None:
            return
        point = next((p for p in job.switch.set_points if p.label == cycle.set_point), None)
        if point is None:
            if cycle.set_point:
                row.unknown("set_point", f"set point of {job.switch.tag}", cycle.set_point,
                            [p.label for p in job.switch.set_points])  # fmt: skip
        elif cycle.trip is not None and cycle.reset is not None:
            rising = point.direction is Direction.RISING
            if cycle.reset != cycle.trip and (cycle.reset > cycle.trip) == rising:
                row.problem(
                    "reset",
                    f"The reset {cycle.reset} lies on the wrong side of the trip {cycle.trip}.",
                    f"A switch that trips {point.direction} resets "
                    f"{'below' if rising else 'above'} its trip.",
                )


def _twice(cycle: rec.Cycle) -> str:
    return f"Run {cycle.run} ({cycle.phase}, {cycle.set_point}) is there twice."


def _in_force(revisions: Sequence[Item], day: date) -> Item | None:
    """The last of the revisions (of a switch or gauge) that is in effect on ``day``."""
    current = [each for each in revisions if each.effective_on <= day]  # type: ignore[attr-defined]
    return current[-1] if current else None


def _with_points(switch: rec.Switch, points: Iterable[rec.SetPoint]) -> rec.Switch:
    return replace(switch, set_points=tuple(points))


def _certificate(
    draft: rec.Certificate,
    points: Iterable[rec.CertificatePoint],
    standards: Iterable[rec.StandardUsed],
) -> rec.Certificate:
    return replace(draft, points=tuple(points), standards=tuple(standards))


# --- parts that history and a readings file share -----------------------------------------


@dataclass
class _Common:
    """The fields of a calibration that need no other record but people."""

    temperature_c: Decimal
    humidity: Decimal
    adjusted: bool
    adjustment_note: str
    barometric: Decimal | None
    barometric_unit: str | None
    head_height_m: Decimal | None
    head_height_half_width_m: Decimal | None
    head_density_kg_m3: Decimal | None
    exercised_before_as_found: bool
    exercise_cycles: int
    contact_check: str
    seal: str
    permit: str
    bypass: str
    returned_by: str | None
    verified_by: str | None
    work_order: str
    remarks: str
    replaces: str | None
    replacement_reason: str | None

    def fields(self) -> dict[str, Any]:
        return dict(vars(self))


def _common(row: Row, people: Names) -> _Common:
    barometric = row.number_or_none("barometric", _ZERO)
    unit = row.unit("barometric_unit", Dimension.PRESSURE) if row.given("barometric_unit") else None
    if (barometric is None) != (unit is None) and not row.bad:
        row.problem("barometric_unit", "A barometric pressure needs number and unit.")
    height = row.number_or_none("head_height_m")
    density = row.number_or_none("head_density_kg_m3", _ZERO)
    if (height is None) != (density is None) and not row.bad:
        row.problem("head_height_m", "A height difference needs the density of the line fluid.")
    replaces = row.text_or("replaces", None, CODE)
    reason = row.text_or("replacement_reason", None)
    if (replaces is None) != (reason is None):
        row.problem("replacement_reason", "A correction needs number and reason.")
    return _Common(
        temperature_c=row.number("temperature_c"),
        humidity=row.fraction("humidity"),
        adjusted=row.flag("adjusted"),
        adjustment_note=row.prose("adjustment_note"),
        barometric=barometric,
        barometric_unit=unit,
        head_height_m=height,
        head_height_half_width_m=row.number_or_none("head_height_half_width_m", _ZERO),
        head_density_kg_m3=density,
        exercised_before_as_found=row.flag("exercised_before_as_found", default=False),
        exercise_cycles=row.integer("exercise_cycles", 0, default=0),
        contact_check=row.prose("contact_check"),
        seal=row.prose("seal", CODE),
        permit=row.prose("permit", CODE),
        bypass=row.prose("bypass"),
        returned_by=row.reference_or_none("returned_by", people),
        verified_by=row.reference_or_none("verified_by", people),
        work_order=row.prose("work_order", CODE),
        remarks=row.prose("remarks"),
        replaces=replaces,
        replacement_reason=reason,
    )


def _read_cycle(row: Row) -> rec.Cycle:
    """One cycle; which readings an outcome needs is checked."""
    trip = row.number_or_none("trip")
    reset = row.number_or_none("reset")
    outcome = rec.CycleOutcome.TRIPPED
    if row.given("outcome"):
        outcome = row.choice("outcome", rec.CycleOutcome)
    if not row.bad:
        if outcome is rec.CycleOutcome.NO_TRIP:
            for name, reading in (("trip", trip), ("reset", reset)):
                if reading is not None:
                    row.problem(name, f"The outcome is 'no trip', yet there is a {name} reading.",
                                "Leave trip and reset blank.")  # fmt: skip
        elif trip is None:
            row.problem("trip", "The trip reading is missing.",
                        "If the switch did not trip, the outcome is 'no trip'.")  # fmt: skip
        elif outcome is rec.CycleOutcome.NO_RESET and reset is not None:
            row.problem("reset", "The outcome is 'no reset', yet there is a reset reading.",
                        "Leave reset blank.")  # fmt: skip
    return rec.Cycle(
        set_point=row.text("set_point", CODE),
        phase=row.choice("phase", rec.Phase),
        run=row.integer("run", 1),
        trip=trip,
        reset=reset,
        static=row.number_or_none("static"),
        outcome=outcome,
    )


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
    if path.suffix.lower() == ".toml":
        parts = _bench_toml(path, problems)
    elif path.suffix.lower() == ".csv":
        parts = _bench_csv(path, problems)
    else:
        raise DataProblems(
            [Problem(path.name, "A readings file ends in .toml or .csv.", "Rename the file.")]
        )
    record = _bench_record(path.name, parts, problems) if parts is not None else None
    if problems or record is None:
        raise DataProblems(problems)
    return record


@dataclass
class _BenchParts:
    """The rows of a readings file, whichever its kind."""

    parts: dict[str, Row]
    cycles: list[Row]


def _bench_toml(path: Path, problems: list[Problem]) -> _BenchParts | None:
    data = read_toml(path, problems)
    if data is None:
        return None
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


def _bench_record(name: str, found: _BenchParts, problems: list[Problem]) -> rec.BenchRecord:
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
    common = _common(whole, anyone)
    if common.verified_by is not None and common.verified_by == person:
        whole.problem("verified_by", f"{person} did the work and cannot be the second person.")
    cycles = []
    seen: set[tuple[str, str, int]] = set()
    for row in found.cycles:
        cycle = _read_cycle(row)
        key = (cycle.phase.value, cycle.set_point, cycle.run)
        if key in seen and not row.bad:
            row.problem("run", _twice(cycle))
        seen.add(key)
        if cycle.static is not None and not has_static:
            row.problem("static", "There is a static reading, yet no static gauge is named.")
        elif cycle.static is None and has_static and not row.bad:
            row.problem("static", "The static reading is missing.")
        cycles.append(cycle)
    if not found.cycles:
        problems.append(Problem(f"{name}, cycles", "There are no readings.", "Add the cycles."))
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
