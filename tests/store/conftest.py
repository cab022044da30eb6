"""A small shop written by hand, with every kind of record and every optional field set once."""

from __future__ import annotations

import shutil
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime
from decimal import Decimal
from pathlib import Path

import pytest
from sqlalchemy import Connection, Engine, text

from calfleet import records as rec
from calfleet.metrology.direction import Direction
from calfleet.metrology.units import PressureMode
from calfleet.records import (
    CycleOutcome,
    GaugeRole,
    Hazard,
    Phase,
    Quantity,
    Role,
)
from calfleet.store import (
    calibration_facts,
    doubt_facts,
    moving_facts,
    paper_facts,
    particular_facts,
    sheet_facts,
)
from calfleet.store.base import Base
from calfleet.store.engine import open_engine
from calfleet.store.registers import add_registers
from calfleet.store.types import utc_text
from calfleet.store.work import Work

D = Decimal
ENTERED = datetime(2026, 2, 3, 4, 5, 6, 789, tzinfo=UTC)
ENTERED_BY = "clerk"


@dataclass(frozen=True)
class Shop:
    """Records of every kind; each pair has one with all optional fields set and one with none."""

    site: rec.Site
    areas: tuple[rec.Area, ...]
    people: tuple[rec.Person, ...]
    laboratories: tuple[rec.Laboratory, ...]
    policies: tuple[rec.IntervalPolicy, ...]
    procedures: tuple[rec.ProcedureRevision, ...]
    switches: tuple[rec.Switch, ...]
    gauges: tuple[rec.Gauge, ...]
    certificates: tuple[rec.Certificate, ...]
    calibrations: tuple[rec.Calibration, ...]

    def add_registers(self, work: Work) -> None:
        add_registers(work, self)

    def add_all(self, work: Work) -> None:
        self.add_registers(work)
        for calibration in self.calibrations:
            calibration_facts.add_calibration(work, calibration)


def _set_points() -> tuple[rec.SetPoint, ...]:
    full = rec.SetPoint(
        label="H",
        value=D("60.0"),
        direction=Direction.RISING,
        tolerance_minus=D("2.00"),
        tolerance_plus=D("1.50"),
        tolerance_basis="% of span",
        as_left_minus=D("0.5"),
        as_left_plus=D("0.50"),
        dead_band_kind="adjustable",
        dead_band_min=D("0"),
        dead_band_max=D("9.0"),
        repeatability_limit=D("0.30"),
        contact_form="change-over",
        action="trip",
        energised_state="opens on trip",
    )
    bare = rec.SetPoint(
        label="L",
        value=D("20"),
        direction=Direction.FALLING,
        tolerance_minus=None,
        tolerance_plus=D("1"),
        tolerance_basis="absolute",
        as_left_minus=None,
        as_left_plus=None,
        dead_band_kind="fixed",
        dead_band_min=None,
        dead_band_max=None,
        repeatability_limit=None,
        contact_form="open",
        action="alarm",
        energised_state="closed",
    )
    return full, bare


def _switches() -> tuple[rec.Switch, ...]:
    points = _set_points()
    first = rec.Switch(
        tag="PDS-1",
        revision=1,
        effective_on=date(2024, 1, 2),
        reason="taken over",
        serial="S-1",
        area="A2",
        service="strainer of pump 1, ΔP",
        family="DX",
        quantity=Quantity.DIFFERENTIAL,
        unit="kPa",
        range_low=D("10"),
        range_high=D("100.0"),
        line_unit="bar",
        proof_pressure=D("40.0"),
        static_nominal=D("8.00"),
        medium="water",
        criticality=rec.Criticality.SAFETY,
        outage_bound=True,
        status=rec.SwitchStatus.IN_SERVICE,
        policy="Y",
        procedure="DP",
        bench_minutes=45,
        hazards=(Hazard.TRIP, Hazard.ONE_SIDED),
        set_points=points,
    )
    second = replace(
        first,
        revision=2,
        effective_on=date(2025, 7, 1),
        reason="set point changed",
        area="A1",
        criticality=rec.Criticality.PRODUCTION,
        outage_bound=False,
        status=rec.SwitchStatus.OUT_OF_SERVICE,
        bench_minutes=30,
        hazards=(),
        set_points=points[:1],
    )
    bare = rec.Switch(
        tag="TS-2",
        revision=1,
        effective_on=date(2024, 1, 2),
        reason="",
        serial="",
        area="A1",
        service="",
        family="TX",
        quantity=Quantity.TEMPERATURE,
        unit="degC",
        range_low=D("-20"),
        range_high=D("120"),
        line_unit=None,
        proof_pressure=None,
        static_nominal=D("0"),
        medium="",
        criticality=rec.Criticality.GENERAL,
        outage_bound=False,
        status=rec.SwitchStatus.IN_STORE,
        policy="Y",
        procedure="TP",
        bench_minutes=20,
        hazards=(),
        set_points=points[1:],
    )
    return first, second, bare


def _procedures() -> tuple[rec.ProcedureRevision, ...]:
    full = rec.ProcedureRevision(
        code="DP",
        title="Differential pressure",
        revision=1,
        approved_on=date(2023, 12, 1),
        approved_by="P3",
        effective_on=date(2024, 1, 1),
        quantities=(Quantity.DIFFERENTIAL, Quantity.PRESSURE),
        exercise_cycles=3,
        as_found_runs=3,
        as_left_runs=2,
        ramp_limit_fraction_per_s=D("0.010"),
        temperature_min_c=D("15.0"),
        temperature_max_c=D("28"),
        humidity_max=D("0.75"),
        required_tur=D("4.0"),
        decision_rule="conformance probability",
        guard_factor=D("1.00"),
        coverage_probability=D("0.950"),
        conformance_probability=D("0.975"),
        reading_lag_s=D("0.50"),
        static_hold_fraction=D("0.0010"),
        hazards=(Hazard.STORED_PRESSURE, Hazard.TRIP),
        steps=("Isolate.", "Read.", "Return to service."),
    )
    bare = rec.ProcedureRevision(
        code="TP",
        title="Temperature",
        revision=2,
        approved_on=date(2024, 1, 1),
        approved_by="P3",
        effective_on=date(2024, 1, 1),
        quantities=(Quantity.TEMPERATURE,),
        exercise_cycles=0,
        as_found_runs=1,
        as_left_runs=1,
        ramp_limit_fraction_per_s=D("0"),
        temperature_min_c=D("0"),
        temperature_max_c=D("40"),
        humidity_max=D("1"),
        required_tur=D("3"),
        decision_rule="simple acceptance",
        guard_factor=D("1"),
        coverage_probability=D("0.9545"),
    )
    return full, bare


def _gauges() -> tuple[rec.Gauge, ...]:
    full = rec.Gauge(
        code="G-1",
        revision=1,
        effective_on=date(2023, 5, 1),
        reason="bought",
        serial="SN 7",
        description="Differential gauge",
        status=rec.GaugeStatus.IN_SERVICE,
        mode=PressureMode.DIFFERENTIAL,
        unit="kPa",
        range_low=D("0.00"),
        range_high=D("200.00"),
        resolution=D("0.01"),
        accuracy=D("0.050"),
        accuracy_basis="% of span",
        drift_per_year=D("0.040"),
        temperature_coefficient=D("0.003"),
        reference_temperature_c=D("20.0"),
        use_corrections=True,
        tier=2,
        policy="R",
        oxygen_clean=True,
        same_gauge_correlation=D("0.50"),
        static_limit=D("4000.0"),
        readable_fraction=D("0.20"),
    )
    moved = rec.Gauge(
        code="G-1",
        revision=2,
        effective_on=date(2026, 1, 20),
        reason="sent away",
        serial="SN 7",
        description="Differential gauge",
        status=rec.GaugeStatus.AT_LABORATORY,
        mode=PressureMode.DIFFERENTIAL,
        unit="kPa",
        range_low=D("0.00"),
        range_high=D("200.00"),
        resolution=D("0.01"),
        accuracy=D("0.050"),
        accuracy_basis="% of span",
        drift_per_year=D("0.040"),
        temperature_coefficient=D("0.003"),
        reference_temperature_c=D("20.0"),
        use_corrections=True,
        tier=2,
        policy="R",
    )
    thermometer = rec.Gauge(
        code="G-2",
        revision=1,
        effective_on=date(2023, 5, 1),
        reason="",
        serial="",
        description="Thermometer",
        status=rec.GaugeStatus.IN_SERVICE,
        mode=None,
        unit="degC",
        range_low=D("-20"),
        range_high=D("400"),
        resolution=D("0.1"),
        accuracy=D("0"),
        accuracy_basis="absolute",
        drift_per_year=D("0"),
        temperature_coefficient=D("0"),
        reference_temperature_c=D("20"),
        use_corrections=False,
        tier=1,
        policy="R",
    )
    return full, moved, thermometer


def _certificates() -> tuple[rec.Certificate, ...]:
    points = (
        rec.CertificatePoint(
            Phase.AS_FOUND, Direction.RISING, D("0.00"), D("0.010"), D("0.030"), D("2.00")
        ),
        rec.CertificatePoint(
            Phase.AS_LEFT, Direction.FALLING, D("200.00"), D("199.98"), D("0.030"), D("2")
        ),
    )
    outside = rec.Certificate(
        number="OUT-1",
        gauge="G-2",
        laboratory="NAT",
        calibrated_on=date(2024, 6, 1),
        issued_on=date(2024, 6, 1),
        unit="degC",
        temperature_c=D("20"),
        humidity=D("0.5"),
        adjusted=False,
        points=points[:1],
    )
    first = rec.Certificate(
        number="IN-1",
        gauge="G-1",
        laboratory="SHOP",
        calibrated_on=date(2025, 1, 10),
        issued_on=date(2025, 1, 12),
        unit="kPa",
        temperature_c=D("20.30"),
        humidity=D("0.450"),
        adjusted=True,
        points=points,
        standards=(
            rec.StandardUsed("thermometer of the shop", "G-2", "OUT-1"),
            rec.StandardUsed("mass set M3"),
        ),
        withdrawal=rec.CertificateWithdrawal(date(2025, 2, 1), "wrong serial number"),
        remarks="see note",
    )
    corrected = rec.Certificate(
        number="IN-1-R1",
        gauge="G-1",
        laboratory="SHOP",
        calibrated_on=date(2025, 1, 10),
        issued_on=date(2025, 2, 2),
        unit="kPa",
        temperature_c=D("20.30"),
        humidity=D("0.450"),
        adjusted=True,
        points=points,
        replaces="IN-1",
        replacement_reason="serial number",
    )
    return outside, first, corrected


def _result(point: str, phase: Phase, **changes: object) -> rec.Result:
    values: dict[str, object] = {
        "set_point": point,
        "phase": phase,
        "unit": "kPa",
        "required": D("60.0"),
        "found": 0.1 + 0.2,
        "first_trip": 60.300000000000004,
        "error": -1e-17,
        "late": False,
        "dead_band": 4.25,
        "repeatability": 0.0,
        "runs": 3,
        "trip_sd": 0.057735026918962,
        "standard_uncertainty": 1 / 3,
        "coverage_factor": 2.262157162798205,
        "expanded_uncertainty": 0.75,
        "effective_dof": 9.6,
        "coverage_probability": 0.95,
        "tur": 2.4,
        "lower_limit": 58.2,
        "upper_limit": 61.35,
        "lower_acceptance": 58.9,
        "upper_acceptance": 60.6,
        "decision_rule": "conformance probability",
        "rule_statement": "Conforms with 97.5 % probability.",
        "verdict": "pass",
        "category": "inside tolerance",
        "reason": "Inside the acceptance limits.",
        "probability_outside": 2.5e-300,
        "budget": {"u_c": 1 / 3, "components": [{"name": "drift", "dof": "inf"}], "U": None},
    }
    return rec.Result(**(values | changes))  # type: ignore[arg-type]


def _calibrations() -> tuple[rec.Calibration, ...]:
    bare = rec.Calibration(
        number="H1",
        bench=rec.BenchRecord(
            tag="PDS-1",
            performed_on=date(2025, 3, 10),
            performed_by="P1",
            procedure="DP",
            procedure_revision=1,
            gauges=(rec.GaugeUsed(GaugeRole.OPERATING, "G-1", "IN-1"),),
            cycles=(
                rec.Cycle("H", Phase.AS_FOUND, 1, None, None, None, CycleOutcome.NO_TRIP),
                rec.Cycle("H", Phase.AS_LEFT, 1, D("60.10"), D("55.9")),
                rec.Cycle("H", Phase.AS_LEFT, 2, D("60.2"), None, None, CycleOutcome.NO_RESET),
                rec.Cycle("L", Phase.AS_FOUND, 1, D("20.00"), D("20.00")),
            ),
            temperature_c=D("21"),
            humidity=D("0.4"),
            adjusted=False,
        ),
        switch_revision=1,
        results=(
            _result(
                "H", Phase.AS_FOUND, found=None, first_trip=None, error=None, late=None,
                dead_band=None, repeatability=None, runs=0, trip_sd=None,
                standard_uncertainty=None, coverage_factor=None, expanded_uncertainty=None,
                effective_dof=None, tur=None, lower_limit=None, upper_limit=None,
                lower_acceptance=None, upper_acceptance=None, probability_outside=None,
                verdict="fail", category="no trip", budget={},
            ),
            _result("H", Phase.AS_LEFT, late=True),
        ),
        findings=(),
        origin=rec.Origin.HISTORY,
        evaluation_version="1",
        recorded_at=ENTERED,
        recorded_by=ENTERED_BY,
        replaced_by="C2",
    )  # fmt: skip
    full = rec.Calibration(
        number="C2",
        bench=rec.BenchRecord(
            tag="PDS-1",
            performed_on=date(2025, 3, 10),
            performed_by="P1",
            procedure="DP",
            procedure_revision=1,
            gauges=(
                rec.GaugeUsed(GaugeRole.OPERATING, "G-1", "IN-1-R1"),
                rec.GaugeUsed(GaugeRole.STATIC, "G-2", "OUT-1"),
            ),
            cycles=(
                rec.Cycle("H", Phase.AS_FOUND, 1, D("60.10"), D("55.90"), D("8.010")),
                rec.Cycle(
                    "H", Phase.AS_FOUND, 2, D("60.2"), D("55.9"), D("8.02"), CycleOutcome.CHATTER
                ),
            ),
            temperature_c=D("21.50"),
            humidity=D("0.40"),
            adjusted=True,
            adjustment_note="a quarter turn",
            barometric=D("101.30"),
            barometric_unit="kPa",
            exercised_before_as_found=True,
            exercise_cycles=3,
            contact_check="0.3 ohm",
            seal="S1",
            permit="W1",
            bypass="B1 until noon",
            returned_by="P1",
            verified_by="P2",
            work_order="J1",
            remarks="cleaned\nand dried, 20 °C",
            replaces="H1",
            replacement_reason="readings of another switch",
            head_height_m=D("-0.50"),
            head_height_half_width_m=D("0.010"),
            head_density_kg_m3=D("998.2"),
        ),
        switch_revision=1,
        results=(_result("H", Phase.AS_FOUND),),
        findings=(rec.Finding("runs", "Two runs only."), rec.Finding("ratio", "Low.")),
        origin=rec.Origin.BENCH,
        evaluation_version="1",
        recorded_at=ENTERED,
        recorded_by=ENTERED_BY,
    )
    return bare, full


@pytest.fixture(scope="session")
def shop() -> Shop:
    since, until = date(2024, 1, 1), date(2026, 12, 31)
    return Shop(
        site=rec.Site("W", "Works (fictional)"),
        areas=(rec.Area("A1", "Boilers"), rec.Area("A2", "Pumps")),
        people=(
            rec.Person(
                "P1",
                "Wren Ashlock",
                (
                    rec.RoleGrant(Role.TECHNICIAN, since),
                    rec.RoleGrant(Role.TECHNICIAN, date(2026, 1, 1), held=False),
                ),
                (rec.Qualification(Quantity.DIFFERENTIAL, since, until, "P3"),),
            ),
            rec.Person("P2", "Moss Tarnley", (rec.RoleGrant(Role.REVIEWER, since),)),
            rec.Person("P3", "Fern Oakwater"),
        ),
        laboratories=(
            rec.Laboratory(
                "NAT",
                "National Measurement House",
                rec.LaboratoryKind.NATIONAL,
                (
                    rec.Accreditation("N-1", since, until, "temperature"),
                    rec.Accreditation("N-1", date(2027, 1, 1), date(2028, 1, 1)),
                ),
            ),
            rec.Laboratory("SHOP", "Instrument shop", rec.LaboratoryKind.IN_HOUSE),
        ),
        policies=(
            rec.IntervalPolicy(
                "R", since, rec.IntervalBasis.LAST_DONE, 365, rec.IntervalUnit.DAY, grace_days=14
            ),
            rec.IntervalPolicy(
                "Y", since, rec.IntervalBasis.FIXED_GRID, 12, rec.IntervalUnit.MONTH,
                end_of_month=True, grace_fraction=D("0.250"), note="yearly",
            ),
            rec.IntervalPolicy(
                "Y", date(2025, 1, 1), rec.IntervalBasis.LAST_DONE, 6, rec.IntervalUnit.MONTH
            ),
        ),
        procedures=_procedures(),
        switches=_switches(),
        gauges=_gauges(),
        certificates=_certificates(),
        calibrations=_calibrations(),
    )  # fmt: skip


PLANNING: list[tuple[str, dict[str, object]]] = [
    ("deferral", {
        "switch_id": ("switch", "TS-2"), "due_on": date(2026, 6, 1), "until": date(2026, 7, 1),
        "reason": "outage moved", "risk": "low", "requested_by_id": ("person", "P1"),
        "requested_on": date(2026, 5, 1), "approved_by_id": ("person", "P2"),
        "approved_on": date(2026, 5, 2),
    }),
    ("outage", {
        "site_id": 1, "code": "S26", "revision": 1, "name": "Summer", "reason": "",
        "first_on": date(2026, 7, 1), "last_on": date(2026, 7, 14),
    }),
    ("outage_area", {"outage_id": 1, "area_id": ("area", "A1")}),
    ("holiday", {"site_id": 1, "day": date(2026, 12, 25), "name": "Midwinter"}),
    ("working_hours", {
        "person_id": ("person", "P1"), "effective_on": date(2026, 1, 1), "minutes_per_week": 1200,
    }),
    ("gauge_absence", {
        "gauge_id": ("gauge", "G-1"), "first_on": date(2026, 1, 20), "last_on": date(2026, 2, 20),
        "reason": "laboratory",
    }),
    ("laboratory_terms", {
        "laboratory_id": ("laboratory", "NAT"), "effective_on": date(2026, 1, 1), "transit_days": 3,
        "turnaround_days": 20, "review_days": 2,
    }),
    ("usage_rule", {
        "switch_id": ("switch", "TS-2"), "name": "cycles", "limit": "1000", "limit_value": 1000.0,
        "effective_on": date(2026, 1, 1),
    }),
    ("usage_reading", {
        "switch_id": ("switch", "TS-2"), "name": "cycles", "value": "10", "value_value": 10.0,
        "read_on": date(2026, 1, 1),
    }),
    ("redundant_group", {"site_id": 1, "code": "V1", "weeks_apart": 2}),
    ("redundant_channel", {"redundant_group_id": 1, "switch_id": ("switch", "TS-2")}),
    ("plan", {
        "site_id": 1, "number": "PL1", "as_of": date(2026, 1, 1), "weeks": 4,
        "first_week_on": date(2026, 1, 5), "based_on_id": None, "settings": "{}", "outcome": "{}",
    }),
    ("plan", {
        "site_id": 1, "number": "PL2", "as_of": date(2026, 2, 1), "weeks": 4,
        "first_week_on": date(2026, 2, 2), "based_on_id": 1, "settings": "{}", "outcome": "{}",
    }),
    ("plan_assignment", {
        "plan_id": 1, "switch_id": ("switch", "TS-2"), "due_on": date(2026, 1, 9),
        "week_on": date(2026, 1, 5), "person_id": ("person", "P1"), "gauge_id": ("gauge", "G-2"),
        "fixed": False, "note": "",
    }),
    ("plan_acceptance", {
        "plan_id": 1, "accepted_on": date(2026, 1, 2), "accepted_by_id": ("person", "P2"),
    }),
    ("due_rule", {
        "site_id": 1, "scope": "switch", "subject": "TS-2", "switch_id": ("switch", "TS-2"),
        "effective_on": date(2026, 1, 1), "reason": "seasonal", "policy": "Y", "before_use": False,
        "grid_anchor": date(2026, 6, 30), "shelf_limit_days": 180, "hard_stop": date(2026, 9, 30),
        "deferrals_allowed": 2,
    }),
    ("due_rule", {
        "site_id": 1, "scope": "site", "subject": "", "switch_id": None,
        "effective_on": date(2026, 1, 1), "reason": "custom of the site", "policy": "",
        "before_use": None, "grid_anchor": None, "shelf_limit_days": None, "hard_stop": None,
        "deferrals_allowed": 0,
    }),
    ("due_rule", {
        "site_id": 1, "scope": "family", "subject": "TX", "switch_id": None,
        "effective_on": date(2026, 1, 1), "reason": "kept ready", "policy": "",
        "before_use": True, "grid_anchor": None, "shelf_limit_days": None, "hard_stop": None,
        "deferrals_allowed": None,
    }),
    ("further_interval", {
        "switch_id": ("switch", "TS-2"), "name": "diaphragm", "policy": "Y",
        "effective_on": date(2026, 1, 1), "held": True,
    }),
    ("other_work", {
        "switch_id": ("switch", "TS-2"), "name": "diaphragm", "done_on": date(2026, 1, 5),
        "done_by_id": ("person", "P1"), "note": "",
    }),
    ("holiday", {"site_id": 1, "day": date(2026, 12, 26), "name": "Midwinter, second day"}),
    ("person_leave", {
        "person_id": ("person", "P1"), "first_on": date(2026, 7, 1), "last_on": date(2026, 7, 9),
        "reason": "",
    }),
    ("shop_closure", {
        "site_id": 1, "first_on": date(2026, 8, 1), "last_on": date(2026, 8, 9), "name": "Summer",
    }),
    *(
        ("planning_withdrawal", {"reason": "entered by mistake", column: 1})
        for column in (
            "holiday_id", "person_leave_id", "shop_closure_id", "gauge_absence_id",
            "redundant_group_id",
        )
    ),
]  # fmt: skip
"""Rows of each planning table; ``("switch", "TS-2")`` stands for the key of that switch."""


DOUBTS: tuple[tuple[str, object], ...] = (
    ("add_event", rec.GaugeEvent(
        "E2026-001", "G-1", rec.FoundBadKind.AS_FOUND, date(2026, 1, 15), "P1", "IN-1-R1", "kPa",
        (
            rec.ErrorPoint(D("0.00"), D("-0.10"), Direction.RISING),
            rec.ErrorPoint(D("200.0"), D("0.250")),
        ),
        "dropped on the floor, Δ seen",
    )),
    ("add_event", rec.GaugeEvent(
        "E2026-002", "G-2", rec.FoundBadKind.LOST, date(2026, 1, 16), "P2"
    )),
    ("add_notice", rec.EventNotice(
        "E2026-001", "the owner of area A1", date(2026, 1, 16), "P1", "by telephone"
    )),
    ("add_notice", rec.EventNotice("E2026-001", "the shift", date(2026, 1, 16), "P2")),
    ("add_disposition", rec.Disposition(
        "E2026-001", "C2", 1, rec.Action.ASSESS, "margin to be looked at", "P2", date(2026, 1, 17)
    )),
    ("add_disposition", rec.Disposition(
        "E2026-001", "C2", 2, rec.Action.RECALL, "margin used up", "P2", date(2026, 1, 18)
    )),
    ("add_closure", rec.EventClosure("E2026-001", "P2", date(2026, 1, 20), "all dealt with")),
    ("add_cross_check", rec.CrossCheck(
        "X2026-001", "G-1", "IN-1-R1", "G-2", "OUT-1", date(2025, 8, 1), "P1", "kPa",
        (
            rec.CrossCheckPoint(D("100.00"), D("100.10"), D("0.150"), D("0")),
            rec.CrossCheckPoint(D("0"), D("0.00"), D("0.15"), D("0.200")),
        ),
        "after the fall",
    )),
)  # fmt: skip
"""Gauges in doubt, by the function that adds each."""


@pytest.fixture(scope="session")
def doubts_entered() -> tuple[tuple[str, object], ...]:
    return DOUBTS


SHEETS: tuple[tuple[str, object], ...] = (
    ("add_bench_sheet", rec.BenchSheet(
        "B2026-0001", "PDS-1", 2, "DP", 1, date(2026, 2, 5),
        {"tag": "PDS-1", "steps": ["Isolate, Δ first."], "targets": {"H": "60.00", "low": None}},
    )),
    ("add_bench_sheet", rec.BenchSheet(
        "B2026-0002", "TS-2", 1, "TP", 2, date(2026, 2, 5), {"tag": "TS-2"}
    )),
    ("add_return", rec.BenchSheetReturn("B2026-0001", "C2", "ab" * 32)),
)  # fmt: skip
"""Bench sheets, by the function that adds each."""


PAPERS: tuple[tuple[str, object], ...] = (
    ("add_draft", rec.Draft("D2026-0001", "PDS-1", {"tag": "PDS-1", "humidity": "0.40"})),
    ("add_draft", rec.Draft(
        "D2026-0002", "PDS-1",
        {"tag": "PDS-1", "cycles": [{"run": 1, "trip": "60.10"}], "replaces": None},
        "D2026-0001", "readings complete, Δ",
    )),
    ("add_draft", rec.Draft("D2026-0003", "TS-2", {"tag": "TS-2"})),
    ("add_signature", rec.DraftSigned("D2026-0002", "C2")),
    ("add_review", rec.Review(
        "C2", 1, rec.ReviewOutcome.RETURNED, "P2", date(2026, 2, 3), "seal number missing"
    )),
    ("add_review", rec.Review("C2", 2, rec.ReviewOutcome.ACCEPTED, "P2", date(2026, 2, 4))),
    *(
        ("add_attachment", rec.Attachment(
            to, key, digest * 32, 2**33, "application/pdf", "certificate ü.pdf", note
        ))
        for to, key, digest, note in (
            (rec.AttachedTo.CERTIFICATE, "IN-1", "a1", "as received"),
            (rec.AttachedTo.CALIBRATION, "C2", "a1", ""),
            (rec.AttachedTo.EVENT, "E2026-001", "b2", ""),
            (rec.AttachedTo.CROSS_CHECK, "X2026-001", "c3", ""),
        )
    ),
    ("add_issued_report", rec.IssuedReport("C2", 1, "d4" * 32, 2**33, 12, "e5" * 32)),
)  # fmt: skip
"""Drafts, reviews and attached files, by the function that adds each."""


PARTICULARS: tuple[tuple[str, object], ...] = (
    ("add_gauge_particulars", rec.GaugeParticulars(
        "G-1", date(2026, 1, 1), "Maker of gauges", "M1", "2.10", "shelf 3, Ø", "yearly", "bought"
    )),
    ("add_gauge_particulars", rec.GaugeParticulars("G-1", date(2026, 2, 1), reason="unknown")),
    ("add_switch_particulars", rec.SwitchParticulars(
        "PDS-1", date(2026, 1, 1), "Maker of switches", "M2", "level 2", "plate read"
    )),
    ("add_site_particulars", rec.SiteParticulars(
        date(2026, 1, 1), "Shop", "Works road\nTown", "Works", "Works road", "start"
    )),
    ("add_gauge_upkeep", rec.GaugeUpkeep(
        "G-1", rec.UpkeepKind.REPAIR, date(2026, 1, 5), "P1", "new seal"
    )),
    ("add_switch_receipt", rec.SwitchReceipt("PDS-1", date(2026, 1, 5), "P1", "dented cover")),
)  # fmt: skip
"""Particulars, upkeep and receipts, by the function that adds each."""


MOVES: tuple[rec.MoveIn, ...] = (
    rec.MoveIn("M2026-001", (), {}, {}),
    rec.MoveIn(
        "M2026-002", (("register.xlsx", "ab" * 32), ("history ü.csv", "cd" * 32)),
        {"sheets": {"Gauges": {"Range": "range"}}}, {"added": {"gauge": 1}},
        (("gauge", "G-1 rev 1", "register.xlsx, Gauges!4:4"),),
    ),
)  # fmt: skip
"""What was moved in from workbooks."""


def _key(connection: Connection, value: object) -> object:
    if not isinstance(value, tuple):
        return value
    table, name = value
    column = "tag" if table == "switch" else "code"
    found = connection.execute(text(f"SELECT id FROM {table} WHERE {column} = '{name}'"))
    return found.scalar_one()


def enter(engine: Engine, shop: Shop) -> None:
    """The whole shop entered under one audit entry, and a row of each planning table."""
    with Work(
        engine, actor=ENTERED_BY, at=ENTERED, action="take over", subject="shop", reason="start"
    ) as work:
        shop.add_all(work)
        for add, record in DOUBTS:
            getattr(doubt_facts, add)(work, record)
        for add, record in PAPERS:
            getattr(paper_facts, add)(work, record)
        for add, record in SHEETS:
            getattr(sheet_facts, add)(work, record)
        for add, record in PARTICULARS:
            getattr(particular_facts, add)(work, record)
        for move in MOVES:
            moving_facts.add_move_in(work, move)
        work.commit()
    with engine.begin() as connection:
        for table, values in PLANNING:
            row = {name: _key(connection, value) for name, value in values.items()}
            if "recorded_at" in Base.metadata.tables[table].columns:
                row |= {"recorded_at": utc_text(ENTERED), "recorded_by": ENTERED_BY}
            names = ", ".join(f'"{name}"' for name in row)
            marks = ", ".join(f":{name}" for name in row)
            connection.execute(text(f"INSERT INTO {table} ({names}) VALUES ({marks})"), row)


@pytest.fixture(scope="session")
def filled_sqlite(
    shop: Shop, migrated_sqlite: Path, tmp_path_factory: pytest.TempPathFactory
) -> Iterator[Engine]:
    path = tmp_path_factory.mktemp("filled") / "filled.sqlite"
    shutil.copy(migrated_sqlite, path)
    engine = open_engine(f"sqlite:///{path}")
    enter(engine, shop)
    yield engine
    engine.dispose()


@pytest.fixture(scope="session")
def filled_postgres(shop: Shop, copy_of_postgres: Callable[[], str]) -> Iterator[Engine]:
    engine = open_engine(copy_of_postgres())
    enter(engine, shop)
    yield engine
    engine.dispose()


@pytest.fixture(params=["sqlite", pytest.param("postgresql", marks=pytest.mark.postgres)])
def filled(request: pytest.FixtureRequest) -> Engine:
    """The shop entered into a database shared by all tests: what a test adds it rolls back."""
    name = "filled_sqlite" if request.param == "sqlite" else "filled_postgres"
    engine = request.getfixturevalue(name)
    assert isinstance(engine, Engine)
    return engine
