"""Rows of a site's files read into records, wherever the rows come from.

``SiteRows`` knows the names read so far and what the site holds already; each of its methods
takes tables (rows with named cells) and gives the records, checked against each other. The input
files of a new site (``sitefiles``) and a shop's own workbooks (``moving_in``) are both read by it.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import date
from decimal import Decimal
from fractions import Fraction
from itertools import pairwise
from typing import Any, TypeVar

from calfleet import records as rec
from calfleet.adapters.workbook.sources import Columns, Table
from calfleet.adapters.workbook.tables import CODE, LINE, WORD, Names, Row
from calfleet.errors import Problem, RecordRefused
from calfleet.metrology.conformity import Rule
from calfleet.metrology.direction import Direction
from calfleet.metrology.switch import ToleranceBasis
from calfleet.metrology.units import Dimension, PressureMode, convert
from calfleet.scheduling.due import check_policy

Item = TypeVar("Item")
_ZERO = Decimal(0)
_ONE = Decimal(1)
_COMPARED = 2000
"""Among more names than these the nearest is not looked for: it would be for row after row."""
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


class SiteRows:
    """Reads rows in an order in which every name is known before it is used."""

    def __init__(self, problems: list[Problem]) -> None:
        self.problems = problems
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
        self._procedures_read: set[tuple[str, int]] = set()
        self._policies_read: set[tuple[str, date]] = set()

    def policy_from(self, row: Row) -> rec.IntervalPolicy:
        """One interval policy from one day on; ``row.bad`` where it cannot be."""
        code, effective_on = row.text("code", CODE), row.day("effective_on")
        self.policies.add(code)
        if (code, effective_on) in self._policies_read:
            row.problem("code", f"The policy {code!r} of {effective_on} is there twice.")
        self._policies_read.add((code, effective_on))
        share = row.fraction("grace_fraction") if row.given("grace_fraction") else _ZERO
        grace_days = row.integer("grace_days", 0, default=0)
        if share and grace_days:
            row.problem("grace_days", "Grace is a share of the interval or days, not both.")
        policy = rec.IntervalPolicy(
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
        if not row.bad:
            try:
                check_policy(policy)
            except RecordRefused as refusal:
                row.problem("code", refusal.message, refusal.next_step)
        return policy

    def people_from(self, table: Table, qualifications: Table) -> tuple[rec.Person, ...]:
        """Each person with roles and qualifications, in the order of their first rows."""
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
        held: dict[str, list[rec.Qualification]] = defaultdict(list)
        for row in qualifications.rows:
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

    def procedure_from(self, row: Row, runs: Row, room: Row, judge: Row) -> rec.ProcedureRevision:
        """One revision; the four rows are the tables of its file, or one and the same row."""
        code, revision = row.text("code", CODE), row.integer("revision", 1)
        if (code, revision) in self._procedures_read:
            row.problem("revision", f"{code} revision {revision} is there twice.")
        self._procedures_read.add((code, revision))
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

    def check_procedure_order(self, place: Callable[[rec.ProcedureRevision], str]) -> None:
        """Notes a problem for every revision that does not take effect after the one before."""
        for code, revisions in self.procedure_revisions.items():
            ordered = [revisions[number] for number in sorted(revisions)]
            for earlier, later in pairwise(ordered):
                if later.effective_on <= earlier.effective_on:
                    self.problems.append(
                        Problem(
                            place(later),
                            f"Revision {later.revision} of {code} takes effect on "
                            f"{later.effective_on}, revision {earlier.revision} on "
                            f"{earlier.effective_on}.",
                            "A later revision takes effect later.",
                        )
                    )

    # switches ----------------------------------------------------------------------------

    def switches_from(self, table: Table, points: Table) -> list[tuple[Row, rec.Switch]]:
        """Each revision of a data sheet with its set points, and its row."""
        self.tags.complete = table.complete
        drafts: dict[tuple[str, int], tuple[Row, rec.Switch]] = {}
        listed: dict[str, list[tuple[int, date]]] = defaultdict(list)
        for row in table.rows:
            switch = self._read_switch(row)
            key = (switch.tag, switch.revision)
            if switch.tag and key in drafts:
                row.problem(
                    "Tag", f"{switch.tag} revision {switch.revision} is there twice.",
                    f"First: {drafts[key][0].where('Tag')}.",
                )  # fmt: skip
                continue
            self._revision_order(
                row, switch.tag, switch.revision, switch.effective_on, listed[switch.tag]
            )
            listed[switch.tag].append((switch.revision, switch.effective_on))
            drafts[key] = (row, switch)
            self.tags.add(switch.tag)
        own = self._set_points_from(points, drafts, table.complete)
        out = []
        for key, (row, switch) in drafts.items():
            if not own[key] and not row.bad and own:
                row.problem("Tag", f"{switch.tag} revision {switch.revision} has no set point.",
                            self.set_point_step(row))  # fmt: skip
            whole = replace(switch, set_points=tuple(own[key]))
            self.switches[switch.tag].append(whole)
            out.append((row, whole))
        return out

    def set_point_step(self, row: Row) -> str:
        """What to do about a switch without set points."""
        return "Add a row to the sheet 'Set points'."

    def points_step(self, row: Row) -> str:
        """What to do about a certificate without points."""
        return "Add its lines to certificate_points.csv."

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
            others = [
                code
                for code, held in self.procedure_revisions.items()
                if any(quantity in p.quantities for p in held.values())
            ]
            row.problem(
                "Procedure",
                f"{procedure} is not for {quantity}.",
                f"Name one that is ({', '.join(others) or 'there is none yet'}), or correct the "
                "quantity.",
            )
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

    def _set_points_from(
        self,
        table: Table,
        drafts: Mapping[tuple[str, int], tuple[Row, rec.Switch]],
        complete: bool,
    ) -> dict[tuple[str, int], list[rec.SetPoint]]:
        points: dict[tuple[str, int], list[rec.SetPoint]] = defaultdict(list)
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
                "Check the decimal sign and the unit, of the range too.",
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

    def gauges_from(self, table: Table) -> list[tuple[Row, rec.Gauge]]:
        """Each revision of a gauge, and its row."""
        self.gauge_names.complete = table.complete
        listed: dict[str, list[tuple[int, date]]] = defaultdict(list)
        out = []
        for row in table.rows:
            gauge = self._read_gauge(row)
            earlier = listed[gauge.code]
            if gauge.code and any(number == gauge.revision for number, _ in earlier):
                row.problem("Gauge", f"{gauge.code} revision {gauge.revision} is there twice.")
            self._revision_order(row, gauge.code, gauge.revision, gauge.effective_on, earlier)
            self.gauge_names.add(gauge.code)
            earlier.append((gauge.revision, gauge.effective_on))
            self.gauges[gauge.code].append(gauge)
            out.append((row, gauge))
        return out

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

    def certificates_from(
        self, table: Table, points: Table, standards: Table
    ) -> list[tuple[Row, rec.Certificate]]:
        """Each certificate with its points and standards, and its row."""
        self.certificate_names.complete = table.complete
        drafts: dict[str, tuple[Row, rec.Certificate]] = {}
        for row in table.rows:
            draft = self._read_certificate(row)
            self.certificate_names.add(draft.number)
            if draft.number in drafts and draft.number:
                row.problem("certificate", f"The certificate {draft.number} is there twice.")
                continue
            drafts[draft.number] = (row, draft)
        for row, draft in drafts.values():
            self._check_replacement(row, draft, drafts)
        own = self._points_from(points)
        used = self._standards_from(standards, drafts)
        out = []
        for number, (row, draft) in drafts.items():
            if points.complete and not own[number] and not row.bad:
                row.problem("certificate", f"{number} has no points.",
                            self.points_step(row))  # fmt: skip
            whole = replace(draft, points=tuple(own[number]), standards=tuple(used[number]))
            self.certificates[number] = whole
            out.append((row, whole))
        return out

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
        check_correction(row, "certificate", draft.replaces, draft.replacement_reason)
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

    def _points_from(self, table: Table) -> dict[str, list[rec.CertificatePoint]]:
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
        return points

    def _standards_from(
        self, table: Table, drafts: Mapping[str, tuple[Row, rec.Certificate]]
    ) -> dict[str, list[rec.StandardUsed]]:
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

    def history_from(
        self, table: Table, lines: Table, others: Collection[str] = ()
    ) -> list[tuple[Row, rec.BenchRecord]]:
        """Each calibration with its cycles and its row, in the order of the rows of ``table``.

        ``others``: numbers of calibrations that a correction may name besides those of the table.
        A row counts as bad, too, where one of its cycles is.
        """
        keys = Names("calibration", complete=table.complete)
        jobs: dict[str, _Job] = {}
        for row in table.rows:
            key = row.text("calibration", CODE)
            if not keys.add(key) and key:
                row.problem("calibration", f"The calibration {key} is there twice.")
                continue
            jobs[key] = self._read_job(row, key)
        for key, job in jobs.items():
            replaced = job.row.text_or("replaces", None, CODE)
            if replaced is not None and replaced not in others and not keys.knows(replaced):
                near = {*others, *keys.names} if len(others) + len(jobs) <= _COMPARED else set()
                job.row.unknown("replaces", "calibration", replaced, near - {key})
        for row in lines.rows:
            key = row.reference("calibration", keys)
            found = jobs.get(key)
            cycle = cycle_from(row)
            if found is None:
                continue
            self._check_cycle(row, found, cycle)
            found.row.bad = found.row.bad or row.bad
            found.cycles.append(cycle)
        out = []
        for key, job in jobs.items():
            if not job.cycles and lines.complete:
                job.row.problem("calibration", f"{key} has no readings.",
                                "Add its lines to cycles.csv.")  # fmt: skip
            if job.build is not None:
                out.append((job.row, job.build(tuple(job.cycles))))
        return out

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
        bench = common_from(row, self.people)
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
            row.problem("run", twice(cycle))
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
                    "Check the decimal sign and the unit, and that this gauge was read.",
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


def twice(cycle: rec.Cycle) -> str:
    return f"Run {cycle.run} ({cycle.phase}, {cycle.set_point}) is there twice."


def _in_force(revisions: Sequence[Item], day: date) -> Item | None:
    """The last of the revisions (of a switch or gauge) that is in effect on ``day``."""
    current = [each for each in revisions if each.effective_on <= day]  # type: ignore[attr-defined]
    return current[-1] if current else None


# --- parts that history and a readings file share -----------------------------------------


@dataclass
class Common:
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


def check_correction(row: Row, kind: str, replaces: str | None, reason: str | None) -> None:
    """Notes a problem where a row says only what it corrects, or only why."""
    if (replaces is None) == (reason is None):
        return
    given, blank = ("replaces", "replacement_reason") if reason is None else (
        "replacement_reason", "replaces",
    )  # fmt: skip
    row.problem(
        given,
        f"A {kind} that corrects another needs its number (replaces) and why "
        f"(replacement_reason); {blank!r} is not given.",
        f"Fill it in, or leave both blank. In a shop's own file a column has to be mapped to "
        f"{blank!r}.",
    )


def common_from(row: Row, people: Names) -> Common:
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
    check_correction(row, "calibration", replaces, reason)
    return Common(
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


def cycle_from(row: Row) -> rec.Cycle:
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
