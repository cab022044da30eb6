"""Frozen records passed between the layers; no behaviour beyond small derived properties.

Conventions
- A number that somebody typed or a document states is a ``Decimal``: its digits are information.
- A number that was computed is a ``float``. Probabilities and humidities are fractions.
- References between records are natural keys (tag, gauge code, certificate number ...), so a
  record can be read, exported and compared without a database.
- ``recorded_at`` is when a fact was entered (aware, UTC); the other dates are when it happened.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, fields, is_dataclass
from datetime import UTC, date, datetime
from decimal import Decimal
from enum import StrEnum
from fractions import Fraction
from typing import Any

from calfleet.metrology.direction import Direction
from calfleet.metrology.units import PressureMode


class Quantity(StrEnum):
    """What a switch responds to."""

    PRESSURE = "pressure"
    DIFFERENTIAL = "differential pressure"
    VACUUM = "vacuum"
    ABSOLUTE = "absolute pressure"
    TEMPERATURE = "temperature"

    @property
    def gauge_modes(self) -> tuple[PressureMode | None, ...]:
        """Pressure modes of reference gauges that can serve; ``None`` stands for a thermometer."""
        return {
            Quantity.PRESSURE: (PressureMode.GAUGE,),
            Quantity.DIFFERENTIAL: (PressureMode.DIFFERENTIAL, PressureMode.GAUGE),
            Quantity.VACUUM: (PressureMode.VACUUM, PressureMode.GAUGE),
            Quantity.ABSOLUTE: (PressureMode.ABSOLUTE, PressureMode.GAUGE),
            Quantity.TEMPERATURE: (None,),
        }[self]


class Criticality(StrEnum):
    """What a wrong trip would cost, worst first."""

    SAFETY = "safety"
    ENVIRONMENT = "environment"
    PRODUCTION = "production"
    GENERAL = "general"

    @property
    def rank(self) -> int:
        return list(Criticality).index(self)


class SwitchStatus(StrEnum):
    IN_SERVICE = "in service"
    IN_STORE = "in store"
    OUT_OF_SERVICE = "out of service"
    SCRAPPED = "scrapped"


class GaugeStatus(StrEnum):
    IN_SERVICE = "in service"
    AT_LABORATORY = "at laboratory"
    WITHDRAWN = "withdrawn"
    LOST = "lost"


class LaboratoryKind(StrEnum):
    NATIONAL = "national"
    ACCREDITED = "accredited"
    IN_HOUSE = "in-house"


class Role(StrEnum):
    PLANNER = "planner"
    TECHNICIAN = "technician"
    REVIEWER = "reviewer"
    APPROVER = "approver"
    AUDITOR = "auditor"


class Phase(StrEnum):
    AS_FOUND = "as-found"
    AS_LEFT = "as-left"


class GaugeRole(StrEnum):
    """What a reference gauge measured during a calibration."""

    OPERATING = "operating"
    STATIC = "static"


class CycleOutcome(StrEnum):
    TRIPPED = "tripped"
    NO_TRIP = "no trip"
    NO_RESET = "no reset"
    CHATTER = "chatter"


class Origin(StrEnum):
    """How a calibration reached the database: judged at entry, or history moved in."""

    BENCH = "bench"
    HISTORY = "history"


class Hazard(StrEnum):
    """A property of the service that calls for its own caution."""

    TRIP = "trip"
    STORED_PRESSURE = "stored pressure"
    ONE_SIDED = "one-sided overpressure"
    OXYGEN = "oxygen"
    TOXIC = "toxic"
    FLAMMABLE = "flammable"
    HOT = "hot"
    FOREIGN_VOLTAGE = "foreign voltage"


def to_plain(value: object) -> object:
    """``value`` as JSON data: records become dicts, decimals text, dates and times ISO text.

    A ``Fraction`` becomes ``"n/d"``; a ``float`` stays (infinities become ``"inf"``/``"-inf"``).

    >>> to_plain(Area("B1", "Boiler house"))
    {'code': 'B1', 'name': 'Boiler house'}
    >>> to_plain(Decimal("100.00"))
    '100.00'
    """
    if value is None or isinstance(value, bool | int):
        return value
    if isinstance(value, str):
        return str(value)
    if isinstance(value, float):
        return value if math.isfinite(value) else str(value)
    if isinstance(value, Decimal):
        return format(value, "f")
    if isinstance(value, datetime):
        return value.astimezone(UTC).strftime("%Y-%m-%dT%H:%M:%S.%fZ")
    if isinstance(value, date):
        return value.isoformat()
    if isinstance(value, Fraction):
        return str(value)
    if isinstance(value, Mapping):
        return {str(key): to_plain(item) for key, item in value.items()}
    if isinstance(value, tuple | list):
        return [to_plain(item) for item in value]
    if is_dataclass(value):
        return {f.name: to_plain(getattr(value, f.name)) for f in fields(value)}
    raise TypeError(f"{type(value).__name__} has no plain form")


# --- the shop ---------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Site:
    code: str
    name: str


@dataclass(frozen=True, slots=True)
class Area:
    code: str
    name: str


@dataclass(frozen=True, slots=True)
class RoleGrant:
    """``role`` held (or, with ``held`` false, given up) from ``effective_on``."""

    role: Role
    effective_on: date
    held: bool = True


@dataclass(frozen=True, slots=True)
class Qualification:
    """May calibrate switches of ``quantity``, from ``granted_on`` through ``expires_on``."""

    quantity: Quantity
    granted_on: date
    expires_on: date
    granted_by: str


@dataclass(frozen=True, slots=True)
class Person:
    code: str
    name: str
    roles: tuple[RoleGrant, ...] = ()
    qualifications: tuple[Qualification, ...] = ()

    def holds(self, role: Role, on: date) -> bool:
        grants = [g for g in self.roles if g.role is role and g.effective_on <= on]
        return bool(grants) and max(grants, key=lambda g: g.effective_on).held

    def qualification(self, quantity: Quantity, on: date) -> Qualification | None:
        """The qualification in force on that day, or ``None``."""
        current = [
            q
            for q in self.qualifications
            if q.quantity is quantity and q.granted_on <= on <= q.expires_on
        ]
        return max(current, key=lambda q: q.expires_on, default=None)


@dataclass(frozen=True, slots=True)
class Accreditation:
    number: str
    valid_from: date
    valid_until: date
    scope: str = ""


@dataclass(frozen=True, slots=True)
class Laboratory:
    code: str
    name: str
    kind: LaboratoryKind
    accreditations: tuple[Accreditation, ...] = ()

    def accreditation(self, on: date) -> Accreditation | None:
        current = [a for a in self.accreditations if a.valid_from <= on <= a.valid_until]
        return max(current, key=lambda a: a.valid_until, default=None)


@dataclass(frozen=True, slots=True)
class LaterRole:
    """A role taken up (or, with ``held`` false, given up) by a person who was there already."""

    person: str
    role: Role
    effective_on: date
    held: bool = True

    @property
    def grant(self) -> RoleGrant:
        return RoleGrant(self.role, self.effective_on, self.held)

    @property
    def key(self) -> str:
        """What it is called in the audit trail."""
        return f"{self.person} {self.role} from {self.effective_on}"


@dataclass(frozen=True, slots=True)
class LaterQualification:
    """A qualification granted to a person who was there already."""

    person: str
    quantity: Quantity
    granted_on: date
    expires_on: date
    granted_by: str

    @property
    def grant(self) -> Qualification:
        return Qualification(self.quantity, self.granted_on, self.expires_on, self.granted_by)

    @property
    def key(self) -> str:
        """What it is called in the audit trail."""
        return f"{self.person} {self.quantity} from {self.granted_on}"


@dataclass(frozen=True, slots=True)
class LaterAccreditation:
    """An accreditation of a laboratory that was there already."""

    laboratory: str
    number: str
    valid_from: date
    valid_until: date
    scope: str = ""

    @property
    def grant(self) -> Accreditation:
        return Accreditation(self.number, self.valid_from, self.valid_until, self.scope)

    @property
    def key(self) -> str:
        """What it is called in the audit trail."""
        return f"{self.laboratory} {self.number} from {self.valid_from}"


# --- rules ------------------------------------------------------------------------------


class IntervalBasis(StrEnum):
    """From where the next due date is counted."""

    LAST_DONE = "last done"
    FIXED_GRID = "fixed grid"


class IntervalUnit(StrEnum):
    MONTH = "month"
    DAY = "day"


@dataclass(frozen=True, slots=True)
class IntervalPolicy:
    """How often, counted from what, and with how much grace.

    ``grace_fraction`` of the interval and ``grace_days`` are alternatives; both zero: none.
    ``end_of_month``: due on the last day of the due month.
    """

    code: str
    effective_on: date
    basis: IntervalBasis
    every: int
    unit: IntervalUnit
    end_of_month: bool = False
    grace_fraction: Decimal = Decimal(0)
    grace_days: int = 0
    note: str = ""


@dataclass(frozen=True, slots=True)
class ProcedureRevision:
    """One approved revision of a procedure; ``code`` and ``revision`` identify it.

    ``ramp_limit_fraction_per_s`` of the range times ``reading_lag_s`` is how far a reading may be
    behind; ``static_hold_fraction`` of the range how far the locked low side may creep in a run.
    """

    code: str
    title: str
    revision: int
    approved_on: date
    approved_by: str
    effective_on: date
    quantities: tuple[Quantity, ...]
    exercise_cycles: int
    as_found_runs: int
    as_left_runs: int
    ramp_limit_fraction_per_s: Decimal
    temperature_min_c: Decimal
    temperature_max_c: Decimal
    humidity_max: Decimal
    required_tur: Decimal
    decision_rule: str
    guard_factor: Decimal
    coverage_probability: Decimal
    conformance_probability: Decimal | None = None
    reading_lag_s: Decimal = Decimal(0)
    static_hold_fraction: Decimal = Decimal(0)
    hazards: tuple[Hazard, ...] = ()
    steps: tuple[str, ...] = ()

    @property
    def name(self) -> str:
        return f"{self.code} rev {self.revision}"


# --- switches ---------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class SetPoint:
    """One set point of a switch, in the switch's unit.

    ``tolerance_minus``/``tolerance_plus`` are magnitudes below and above the set point in the
    terms of ``tolerance_basis`` (``None``: that side is open); the as-left pair likewise.
    Dead band and repeatability limits are in the switch's unit.
    """

    label: str
    value: Decimal
    direction: Direction
    tolerance_minus: Decimal | None
    tolerance_plus: Decimal | None
    tolerance_basis: str
    as_left_minus: Decimal | None
    as_left_plus: Decimal | None
    dead_band_kind: str
    dead_band_min: Decimal | None
    dead_band_max: Decimal | None
    repeatability_limit: Decimal | None
    contact_form: str
    action: str
    energised_state: str


@dataclass(frozen=True, slots=True)
class Switch:
    """One revision of a switch's data sheet; ``tag`` is unique in the site.

    ``range_low``..``range_high`` is the adjustable range in ``unit``; ``static_nominal`` and
    ``proof_pressure`` are in ``line_unit`` (``None`` for temperature switches).
    """

    tag: str
    revision: int
    effective_on: date
    reason: str
    serial: str
    area: str
    service: str
    family: str
    quantity: Quantity
    unit: str
    range_low: Decimal
    range_high: Decimal
    line_unit: str | None
    proof_pressure: Decimal | None
    static_nominal: Decimal
    medium: str
    criticality: Criticality
    outage_bound: bool
    status: SwitchStatus
    policy: str
    procedure: str
    bench_minutes: int
    hazards: tuple[Hazard, ...]
    set_points: tuple[SetPoint, ...]


# --- standards --------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Gauge:
    """One revision of a reference gauge (or reference thermometer: ``mode`` is ``None``).

    Accuracy is a permissible error: ``accuracy`` in the terms of ``accuracy_basis``
    (``% of span``, ``% of reading``, ``absolute``). ``drift_per_year`` and
    ``temperature_coefficient`` (per kelvin) are in ``unit``. Tier 1 stands nearest the SI.
    ``static_limit`` (in ``unit``): the line pressure that a differential gauge stands.
    ``readable_fraction`` of the resolution can be read (1 for a display, less on a dial).
    """

    code: str
    revision: int
    effective_on: date
    reason: str
    serial: str
    description: str
    status: GaugeStatus
    mode: PressureMode | None
    unit: str
    range_low: Decimal
    range_high: Decimal
    resolution: Decimal
    accuracy: Decimal
    accuracy_basis: str
    drift_per_year: Decimal
    temperature_coefficient: Decimal
    reference_temperature_c: Decimal
    use_corrections: bool
    tier: int
    policy: str
    oxygen_clean: bool = False
    same_gauge_correlation: Decimal = Decimal(0)
    static_limit: Decimal | None = None
    readable_fraction: Decimal = Decimal(1)


@dataclass(frozen=True, slots=True)
class CertificatePoint:
    """One line of a certificate's table, in the certificate's unit."""

    phase: Phase
    direction: Direction
    reference: Decimal
    indication: Decimal
    expanded_uncertainty: Decimal
    coverage_factor: Decimal

    @property
    def error(self) -> Decimal:
        return self.indication - self.reference


@dataclass(frozen=True, slots=True)
class StandardUsed:
    """A standard named on a certificate: one of ours (gauge and its certificate), or in words."""

    description: str
    gauge: str | None = None
    certificate: str | None = None


@dataclass(frozen=True, slots=True)
class CertificateWithdrawal:
    withdrawn_on: date
    reason: str


@dataclass(frozen=True, slots=True)
class Certificate:
    """A calibration certificate of a gauge; ``number`` is unique in the site."""

    number: str
    gauge: str
    laboratory: str
    calibrated_on: date
    issued_on: date
    unit: str
    temperature_c: Decimal
    humidity: Decimal
    adjusted: bool
    points: tuple[CertificatePoint, ...]
    standards: tuple[StandardUsed, ...] = ()
    withdrawal: CertificateWithdrawal | None = None
    replaces: str | None = None
    replacement_reason: str | None = None
    remarks: str = ""

    def points_in(self, phase: Phase) -> tuple[CertificatePoint, ...]:
        return tuple(p for p in self.points if p.phase is phase)


# --- calibrations -----------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Cycle:
    """One trip and reset as read, in the operating gauge's unit (static in the static gauge's)."""

    set_point: str
    phase: Phase
    run: int
    trip: Decimal | None
    reset: Decimal | None
    static: Decimal | None = None
    outcome: CycleOutcome = CycleOutcome.TRIPPED


@dataclass(frozen=True, slots=True)
class GaugeUsed:
    """A gauge in its role, with the certificate it stood on that day."""

    role: GaugeRole
    gauge: str
    certificate: str


@dataclass(frozen=True, slots=True)
class BenchRecord:
    """What a technician reports of one calibration, before it is judged.

    ``certificate`` of each gauge may be empty at the bench: the one in force is taken.
    ``number`` is set only for history that has one already. ``head_height_m`` is how far the
    gauge stood above the switch (negative: below), with a line fluid of ``head_density_kg_m3``.
    """

    tag: str
    performed_on: date
    performed_by: str
    procedure: str
    procedure_revision: int
    gauges: tuple[GaugeUsed, ...]
    cycles: tuple[Cycle, ...]
    temperature_c: Decimal
    humidity: Decimal
    adjusted: bool
    adjustment_note: str = ""
    barometric: Decimal | None = None
    barometric_unit: str | None = None
    exercised_before_as_found: bool = False
    exercise_cycles: int = 0
    contact_check: str = ""
    seal: str = ""
    permit: str = ""
    bypass: str = ""
    returned_by: str | None = None
    verified_by: str | None = None
    work_order: str = ""
    remarks: str = ""
    replaces: str | None = None
    replacement_reason: str | None = None
    number: str | None = None
    head_height_m: Decimal | None = None
    head_height_half_width_m: Decimal | None = None
    head_density_kg_m3: Decimal | None = None


@dataclass(frozen=True, slots=True)
class Result:
    """The judged outcome of one set point in one phase, in the switch's unit.

    ``found``, ``error`` ... are ``None`` where the switch did not trip. The limits are tolerance
    limits, the acceptance ``budget`` is the stored budget as
    plain JSON data. ``category`` tells how the as-found state counts in history.
    """

    set_point: str
    phase: Phase
    unit: str
    required: Decimal
    found: float | None
    first_trip: float | None
    error: float | None
    late: bool | None
    dead_band: float | None
    repeatability: float | None
    runs: int
    trip_sd: float | None
    standard_uncertainty: float | None
    coverage_factor: float | None
    expanded_uncertainty: float | None
    effective_dof: float | None
    coverage_probability: float
    tur: float | None
    lower_limit: float | None
    upper_limit: float | None
    lower_acceptance: float | None
    upper_acceptance: float | None
    decision_rule: str
    rule_statement: str
    verdict: str
    category: str
    reason: str
    probability_outside: float | None
    budget: dict[str, object] = field(default_factory=dict, hash=False)


@dataclass(frozen=True, slots=True)
class Finding:
    """Something about a calibration that a reader must know; ``code`` is stable."""

    code: str
    text: str


@dataclass(frozen=True, slots=True)
class Calibration:
    """A recorded calibration: what was reported, how it was judged, who entered it and when."""

    number: str
    bench: BenchRecord
    switch_revision: int
    results: tuple[Result, ...]
    findings: tuple[Finding, ...]
    origin: Origin
    evaluation_version: str
    recorded_at: datetime
    recorded_by: str
    replaced_by: str | None = None

    @property
    def passed_as_found(self) -> bool:
        return all(r.verdict.startswith("pass") for r in self.results if r.phase is Phase.AS_FOUND)


@dataclass(frozen=True, slots=True)
class CalibrationColumns:
    """Many calibrations at once, as columns: what is needed to find them and to judge them again.

    A record for each of a hundred thousand takes longer than judging them. Every calibration,
    data sheet, procedure revision, set point, gauge and certificate has a key, which joins the
    columns and means nothing else. ``recorded_at``: text whose order is that of time.
    ``uses``: (calibration, role, gauge, certificate), in the order entered.
    ``cycles``: (calibration, set point, phase, run, trip, reset, static, outcome), as doubles.
    ``results``: (calibration, set point, phase, unit, found, expanded uncertainty, ratio, lower
    and upper limit, lower and upper acceptance limit, rule, verdict).
    ``sheets``: tag and revision; ``points``: the label.
    """

    keys: Sequence[object]
    numbers: Sequence[str]
    sheet: Sequence[object]
    procedure: Sequence[object]
    performed_on: Sequence[date]
    recorded_at: Sequence[str]
    replaced: Sequence[bool]
    uses: Sequence[tuple[Any, ...]]
    cycles: Sequence[tuple[Any, ...]]
    results: Sequence[tuple[Any, ...]]
    sheets: Mapping[object, tuple[str, int]]
    procedures: Mapping[object, tuple[str, int]]
    points: Mapping[object, str]
    gauges: Mapping[object, str]
    certificates: Mapping[object, str]


# --- planning ---------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class DeferralRecord:
    """A due date of a switch put off: which, until when, why, at what risk, by whom."""

    tag: str
    due_on: date
    until: date
    reason: str
    risk: str
    requested_by: str
    requested_on: date
    approved_by: str
    approved_on: date


@dataclass(frozen=True, slots=True)
class Outage:
    """A planned stop of the plant (or of some areas); a later revision moves it."""

    code: str
    revision: int
    name: str
    first_on: date
    last_on: date
    reason: str = ""
    areas: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Holiday:
    day: date
    name: str


@dataclass(frozen=True, slots=True)
class WorkingHours:
    """Minutes a week that a person has for the bench, from ``effective_on``."""

    person: str
    effective_on: date
    minutes_per_week: int


@dataclass(frozen=True, slots=True)
class GaugeAbsence:
    gauge: str
    first_on: date
    last_on: date
    reason: str


@dataclass(frozen=True, slots=True)
class LaboratoryTerms:
    """How long a laboratory keeps a gauge: on the way, there, and until its data are reviewed."""

    laboratory: str
    effective_on: date
    transit_days: int
    turnaround_days: int
    review_days: int


@dataclass(frozen=True, slots=True)
class UsageRule:
    """A limit on use between calibrations, in ``name`` (cycles, hours ...)."""

    tag: str
    name: str
    limit: Decimal
    effective_on: date


@dataclass(frozen=True, slots=True)
class UsageReading:
    """What a counter showed: ``value`` since the switch was first used."""

    tag: str
    name: str
    value: Decimal
    read_on: date


@dataclass(frozen=True, slots=True)
class RedundantGroup:
    """Channels of one function: kept ``weeks_apart`` in time, not on one gauge by one person."""

    code: str
    tags: tuple[str, ...]
    weeks_apart: int


@dataclass(frozen=True, slots=True)
class PlanAssignment:
    """One job of a plan: in the week of ``week_on`` (a Monday), by whom and with which gauge."""

    tag: str
    due_on: date
    week_on: date
    person: str | None
    gauge: str | None
    fixed: bool = False
    note: str = ""


@dataclass(frozen=True, slots=True)
class Plan:
    """A levelled plan as it was made; ``outcome`` tells its objective, bound and what is left."""

    number: str
    as_of: date
    first_week_on: date
    weeks: int
    based_on: str | None
    settings: dict[str, object] = field(hash=False)
    outcome: dict[str, object] = field(hash=False)
    assignments: tuple[PlanAssignment, ...]
    accepted_on: date | None = None
    accepted_by: str | None = None


@dataclass(frozen=True, slots=True)
class PlanningInput:
    """What planning needs to know about the shop and the plant, as read from input files."""

    outages: tuple[Outage, ...] = ()
    holidays: tuple[Holiday, ...] = ()
    hours: tuple[WorkingHours, ...] = ()
    absences: tuple[GaugeAbsence, ...] = ()
    terms: tuple[LaboratoryTerms, ...] = ()
    usage_rules: tuple[UsageRule, ...] = ()
    usage_readings: tuple[UsageReading, ...] = ()
    redundant_groups: tuple[RedundantGroup, ...] = ()
    deferrals: tuple[DeferralRecord, ...] = ()
    due_rules: tuple[DueRule, ...] = ()
    further_intervals: tuple[FurtherInterval, ...] = ()
    other_work: tuple[OtherWork, ...] = ()
    leaves: tuple[PersonLeave, ...] = ()
    closures: tuple[ShopClosure, ...] = ()


# --- rules of an item's dates -----------------------------------------------------------


class RuleScope(StrEnum):
    """What a due rule is made for; the narrower scope wins, then the later day of effect."""

    SITE = "site"
    FAMILY = "family"
    SWITCH = "switch"

    @property
    def rank(self) -> int:
        """0 for the widest scope."""
        return list(RuleScope).index(self)


@dataclass(frozen=True, slots=True)
class DueRule:
    """How the dates of one switch, one family or the whole site are counted, from a day on.

    ``subject`` is the tag or the family, empty for the site. ``policy`` (a code) stands in for the
    data sheet's; empty: that one stands. ``before_use``: calibrated before each use, no due date.
    ``grid_anchor``: the first date of a fixed grid. ``shelf_limit_days``: so long after its
    calibration it may be issued from store without another one. ``hard_stop``: the last day of
    an outage-bound item. ``deferrals_allowed``: how often its date may be put off between two
    calibrations. What is ``None`` (or empty) is left to the wider scope.
    """

    scope: RuleScope
    subject: str
    effective_on: date
    reason: str
    policy: str = ""
    before_use: bool | None = None
    grid_anchor: date | None = None
    shelf_limit_days: int | None = None
    hard_stop: date | None = None
    deferrals_allowed: int | None = None


@dataclass(frozen=True, slots=True)
class FurtherInterval:
    """Other work on a switch (``name``) with an interval of its own; ``held`` false: ended."""

    tag: str
    name: str
    policy: str
    effective_on: date
    held: bool = True


@dataclass(frozen=True, slots=True)
class OtherWork:
    """Other work that was done on a switch: what its further interval is counted from."""

    tag: str
    name: str
    done_on: date
    done_by: str
    note: str = ""


# --- gauges in doubt --------------------------------------------------------------------


class FoundBadKind(StrEnum):
    """How a gauge, or its certificate, turned out to be bad."""

    AS_FOUND = "as-found errors"
    LOST = "lost"
    DAMAGED = "damaged"
    WITHDRAWN = "certificate withdrawn"


@dataclass(frozen=True, slots=True)
class ErrorPoint:
    """``error`` (indication minus reference) at ``indication``; ``direction`` of approach."""

    indication: Decimal
    error: Decimal
    direction: Direction | None = None


@dataclass(frozen=True, slots=True)
class GaugeEvent:
    """A gauge found bad, as reported.

    ``certificate``: whose as-found lines show the errors, or which one was withdrawn; ``points``
    in ``unit`` where no certificate states the errors.
    """

    number: str
    gauge: str
    kind: FoundBadKind
    found_on: date
    reported_by: str
    certificate: str | None = None
    unit: str = ""
    points: tuple[ErrorPoint, ...] = ()
    note: str = ""


@dataclass(frozen=True, slots=True)
class EventNotice:
    """Who was told of an event, when, by whom."""

    event: str
    told: str
    told_on: date
    told_by: str
    note: str = ""


class Action(StrEnum):
    """What was decided about a result that an event touched."""

    RECALL = "recall"
    ASSESS = "assess"
    NONE = "none"


@dataclass(frozen=True, slots=True)
class Disposition:
    """What was decided about one calibration touched by an event; a later ``decision`` stands."""

    event: str
    calibration: str
    decision: int
    action: Action
    reason: str
    decided_by: str
    decided_on: date


@dataclass(frozen=True, slots=True)
class EventClosure:
    event: str
    closed_by: str
    closed_on: date
    statement: str


@dataclass(frozen=True, slots=True)
class CrossCheckPoint:
    """What gauge and other gauge showed at one pressure, with the expanded uncertainty of each."""

    indication: Decimal
    reference: Decimal
    gauge_uncertainty: Decimal
    reference_uncertainty: Decimal


@dataclass(frozen=True, slots=True)
class CrossCheck:
    """Two gauges compared between their calibrations, in ``unit``.

    ``gauge`` with ``certificate`` is the one checked; ``against`` with ``against_certificate`` the
    other.
    """

    number: str
    gauge: str
    certificate: str
    against: str
    against_certificate: str
    done_on: date
    done_by: str
    unit: str
    points: tuple[CrossCheckPoint, ...]
    note: str = ""


# --- drafts, reviews, attachments -------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Draft:
    """A bench record put down and not signed yet; ``content`` is its plain form.

    ``replaces``: the draft that this one takes the place of.
    """

    number: str
    tag: str
    content: dict[str, object] = field(hash=False)
    replaces: str | None = None
    note: str = ""


@dataclass(frozen=True, slots=True)
class DraftSigned:
    """The calibration that a draft became."""

    draft: str
    calibration: str


class ReviewOutcome(StrEnum):
    ACCEPTED = "accepted"
    RETURNED = "returned"


@dataclass(frozen=True, slots=True)
class Review:
    """What another person found when reading a signed calibration; a later ``reading`` stands."""

    calibration: str
    reading: int
    outcome: ReviewOutcome
    reviewed_by: str
    reviewed_on: date
    reason: str = ""


class AttachedTo(StrEnum):
    """What kind of record a file belongs to."""

    CERTIFICATE = "certificate"
    CALIBRATION = "calibration"
    EVENT = "event"
    CROSS_CHECK = "cross check"


@dataclass(frozen=True, slots=True)
class Attachment:
    """A file kept by its SHA-256 ``digest`` (hex) and bound to the record ``to`` ``key``."""

    to: AttachedTo
    key: str
    digest: str
    size: int
    media_type: str
    name: str
    note: str = ""


@dataclass(frozen=True, slots=True)
class KeptFile:
    """What lies at ``place`` in the folder of attachments; ``digest`` of its bytes (SHA-256, hex).

    ``digest`` is ``None`` where it is not a plain file or cannot be read. ``part``: begun and
    never finished.
    """

    place: str
    size: int
    digest: str | None
    part: bool = False


# --- bench sheets -----------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class BenchSheet:
    """A sheet handed out for one job; ``content`` is all that was printed on it, as plain data."""

    number: str
    tag: str
    switch_revision: int
    procedure: str
    procedure_revision: int
    for_on: date
    content: dict[str, object] = field(hash=False)


@dataclass(frozen=True, slots=True)
class BenchSheetReturn:
    """The calibration that a filled sheet became; ``digest`` is that of the file (SHA-256, hex)."""

    sheet: str
    calibration: str
    digest: str


@dataclass(frozen=True, slots=True)
class SheetMarks:
    """By what a bench sheet in a file is known again; ``title`` is the name of its tab."""

    file: str
    title: str
    form: str
    number: str
    digest: str
    database: str
    tag: str


@dataclass(frozen=True, slots=True)
class FilledSheet:
    """A bench sheet as it came back, read and not yet judged.

    ``digest`` is that of the file (SHA-256, hex); ``cells`` tells where each entry stands.
    """

    marks: SheetMarks
    digest: str
    bench: BenchRecord
    cells: Mapping[str, str] = field(default_factory=dict, hash=False)


# --- views ------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class GaugeReadiness:
    """Whether a gauge will be at hand for a job on its day; else why not.

    ``reason`` names every gauge that came close, ``short`` the nearest one only. ``back_on``: the
    return from its own calibration, still to come, on which it rests that the gauge is there.
    """

    ready: bool
    gauge: str | None
    tur: float | None
    reason: str
    short: str
    back_on: date | None = None


@dataclass(frozen=True, slots=True)
class DueLine:
    """One line of the due list: what, why on that day, and whether it can be done then.

    ``work``: what is due, the calibration and further work by name.
    """

    tag: str
    service: str
    area: str
    quantity: Quantity
    criticality: Criticality
    set_points: str
    last_number: str | None
    last_on: date | None
    last_verdict: str
    due_on: date | None
    latest_on: date | None
    days_left: int | None
    status: str
    why: str
    bench_minutes: int
    outage_bound: bool
    readiness: GaugeReadiness
    work: str = "calibration"


@dataclass(frozen=True, slots=True)
class ReportGauge:
    """A gauge used, its data sheet and certificate of that day, and who issued the certificate."""

    role: GaugeRole
    gauge: Gauge
    certificate: Certificate
    laboratory: Laboratory
    accreditation: Accreditation | None
    valid_until: date
    particulars: GaugeParticulars | None = None


@dataclass(frozen=True, slots=True)
class ReportIssue:
    """Which issue of a calibration's report this is, by whom, and the one it takes the place of.

    ``replaces``: the issue before it, in words, empty for the first; ``reason``: why.
    """

    number: int
    by: str
    replaces: str = ""
    reason: str = ""


@dataclass(frozen=True, slots=True)
class ReportState:
    """A state a calibration reached: when, by whom (code), and what goes with it."""

    state: str
    at: datetime
    by: str
    record: str = ""
    reason: str = ""


@dataclass(frozen=True, slots=True)
class ReportFacts:
    """All that a calibration report says of one calibration, as it stood when it was issued.

    ``issue``: ``None`` for a print that is not issued, made on ``issued_on``. ``shop``,
    ``particulars`` and ``receipt``: what is told of the shop, the switch and its coming to the
    bench, as it was on the day of the calibration (the shop: of issue). ``people``: name by code.
    ``record_digest``: SHA-256 of the calibration as entered. ``head_position`` and
    ``head_digest``: the last entry of the audit trail at that moment. ``doubts``: gauges found bad
    that the calibration rests on, in words, unless it was decided that nothing need be done.
    """

    site: Site
    area: Area | None
    switch: Switch
    calibration: Calibration
    procedure: ProcedureRevision
    gauges: tuple[ReportGauge, ...]
    people: Mapping[str, str]
    states: tuple[ReportState, ...]
    chain_verdict: str
    chain_statement: str
    record_digest: str
    head_position: int
    head_digest: str
    issued_on: date
    issue: ReportIssue | None = None
    shop: SiteParticulars | None = None
    particulars: SwitchParticulars | None = None
    receipt: SwitchReceipt | None = None
    doubts: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class ParticularsInput:
    """What is told of the shop, of gauges and of switches, as read from an input file."""

    shop: tuple[SiteParticulars, ...] = ()
    gauges: tuple[GaugeParticulars, ...] = ()
    switches: tuple[SwitchParticulars, ...] = ()


@dataclass(frozen=True, slots=True)
class SiteInput:
    """Everything a site is built from, as read from input files."""

    site: Site
    areas: tuple[Area, ...]
    people: tuple[Person, ...]
    laboratories: tuple[Laboratory, ...]
    policies: tuple[IntervalPolicy, ...]
    procedures: tuple[ProcedureRevision, ...]
    switches: tuple[Switch, ...]
    gauges: tuple[Gauge, ...]
    certificates: tuple[Certificate, ...]
    history: tuple[BenchRecord, ...]
    planning: PlanningInput = PlanningInput()
    particulars: ParticularsInput = ParticularsInput()


# --- particulars, upkeep, receipts -------------------------------------------------------


class UpkeepKind(StrEnum):
    """What was done to a gauge, or befell it: ISO/IEC 17025:2017, 6.4.13 g and h."""

    MAINTENANCE = "maintenance"
    REPAIR = "repair"
    MODIFICATION = "modification"
    DAMAGE = "damage"


@dataclass(frozen=True, slots=True)
class GaugeParticulars:
    """Maker, model, software version, where a gauge is kept, and its plan of maintenance."""

    gauge: str
    effective_on: date
    maker: str = ""
    model: str = ""
    software_version: str = ""
    kept_at: str = ""
    maintenance: str = ""
    reason: str = ""


@dataclass(frozen=True, slots=True)
class SwitchParticulars:
    """Maker and model of a switch, and where in the plant it stands."""

    tag: str
    effective_on: date
    maker: str = ""
    model: str = ""
    stands_at: str = ""
    reason: str = ""


@dataclass(frozen=True, slots=True)
class SiteParticulars:
    """Name and address of the shop and of whom it works for, as reports print them."""

    effective_on: date
    shop_name: str = ""
    shop_address: str = ""
    customer_name: str = ""
    customer_address: str = ""
    reason: str = ""


@dataclass(frozen=True, slots=True)
class GaugeUpkeep:
    """Maintenance, repair, damage or a modification of a gauge."""

    gauge: str
    kind: UpkeepKind
    done_on: date
    done_by: str
    note: str


@dataclass(frozen=True, slots=True)
class SwitchReceipt:
    """A switch came to the bench, and in what condition."""

    tag: str
    received_on: date
    received_by: str
    condition: str = ""


@dataclass(frozen=True, slots=True)
class IssuedReport:
    """A calibration report as it left the shop; ``issue`` counts from 1 for each calibration."""

    calibration: str
    issue: int
    digest: str
    size: int
    audit_entries: int
    audit_head: str


# --- people and the shop, away -----------------------------------------------------------


@dataclass(frozen=True, slots=True)
class PersonLeave:
    """Days on which a person is not at the bench, ends included."""

    person: str
    first_on: date
    last_on: date
    reason: str = ""


@dataclass(frozen=True, slots=True)
class ShopClosure:
    """Days on which the whole shop is shut, ends included."""

    first_on: date
    last_on: date
    name: str


class Withdrawable(StrEnum):
    """What planning stands on and can be taken back."""

    HOLIDAY = "holiday"
    LEAVE = "leave"
    CLOSURE = "closure"
    ABSENCE = "gauge absence"
    GROUP = "redundant group"


@dataclass(frozen=True, slots=True)
class PlanningWithdrawal:
    """A holiday, leave, closure, gauge absence or redundant group no longer counts, and why.

    ``subject``: the person, the gauge or the group; of a holiday and a closure empty. The days
    are those of the thing withdrawn, ``None`` for a group.
    """

    kind: Withdrawable
    subject: str
    first_on: date | None
    last_on: date | None
    reason: str


# --- moving in ---------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class MoveIn:
    """Files taken in at one time: names with digests, how they were read, what came of it.

    ``moved``: kind and key of each record added, as the audit trail names it, with its place.
    """

    number: str
    files: tuple[tuple[str, str], ...]
    mapping: dict[str, object] = field(hash=False)
    outcome: dict[str, object] = field(hash=False)
    moved: tuple[tuple[str, str, str], ...] = ()
