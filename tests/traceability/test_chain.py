"""Chains judged link by link, every reason provoked by hand, and random graphs against networkx."""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from decimal import Decimal
from fractions import Fraction
from pathlib import Path

import networkx as nx
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import calfleet.traceability as package
from calfleet.errors import UnknownName
from calfleet.metrology.direction import Direction
from calfleet.metrology.evaluation import GaugeSpec, GaugeUse, evaluate
from calfleet.metrology.switch import Cycle as SeenCycle
from calfleet.metrology.switch import SetPointSpec, Tolerance
from calfleet.metrology.units import PressureMode
from calfleet.records import (
    Accreditation,
    BenchRecord,
    Calibration,
    Certificate,
    CertificatePoint,
    CertificateWithdrawal,
    Criticality,
    Cycle,
    CycleOutcome,
    Gauge,
    GaugeRole,
    GaugeStatus,
    GaugeUsed,
    Laboratory,
    LaboratoryKind,
    Origin,
    Person,
    Phase,
    ProcedureRevision,
    Qualification,
    Quantity,
    Result,
    Role,
    RoleGrant,
    SetPoint,
    StandardUsed,
    Switch,
    SwitchStatus,
)
from calfleet.traceability.chain import (
    Chain,
    ChainFacts,
    ChainVerdict,
    LinkState,
    NodeKind,
    trace_certificate,
    trace_result,
    trace_results,
)
from calfleet.traceability.curves import certificate_curve

# --- a small works: one switch, one bench gauge, one in-house and one national certificate -----

DAY = date(2026, 6, 15)
DIRECTIONS = (Direction.RISING, Direction.FALLING)


def points(
    top: str, u: str, *, unit_steps: int = 4, directions: tuple[Direction, ...] = DIRECTIONS
) -> tuple[CertificatePoint, ...]:
    """Points from 0 to ``top`` without error, all with U = ``u`` (k = 2)."""
    return tuple(
        CertificatePoint(
            phase,
            direction,
            Decimal(top) * step / unit_steps,
            Decimal(top) * step / unit_steps,
            Decimal(u),
            Decimal(2),
        )
        for phase in Phase
        for direction in directions
        for step in range(unit_steps + 1)
    )


def gauge(code: str, top: str, *, tier: int = 2, unit: str = "kPa") -> Gauge:
    return Gauge(
        code=code, revision=1, effective_on=date(2020, 1, 1), reason="taken over",
        serial=f"SN-{code}", description="gauge", status=GaugeStatus.IN_SERVICE,
        mode=PressureMode.GAUGE, unit=unit, range_low=Decimal(0), range_high=Decimal(top),
        resolution=Decimal("0.1"), accuracy=Decimal("0.1"), accuracy_basis="% of span",
        drift_per_year=Decimal(0), temperature_coefficient=Decimal(0),
        reference_temperature_c=Decimal(20), use_corrections=True, tier=tier, policy="R12",
    )  # fmt: skip


def certificate(
    number: str,
    of: str,
    laboratory: str,
    on: date,
    top: str,
    u: str,
    standards: tuple[StandardUsed, ...] = (),
) -> Certificate:
    return Certificate(
        number=number, gauge=of, laboratory=laboratory, calibrated_on=on, issued_on=on, unit="kPa",
        temperature_c=Decimal(20), humidity=Decimal("0.4"), adjusted=False,
        points=points(top, u), standards=standards,
    )  # fmt: skip


SWITCH = Switch(
    tag="PSH-1", revision=1, effective_on=date(2022, 1, 1), reason="taken over", serial="S1",
    area="A", service="Feed pump discharge high", family="bellows", quantity=Quantity.PRESSURE,
    unit="kPa", range_low=Decimal(0), range_high=Decimal(300), line_unit="kPa",
    proof_pressure=Decimal(600), static_nominal=Decimal(0), medium="water",
    criticality=Criticality.SAFETY, outage_bound=False, status=SwitchStatus.IN_SERVICE,
    policy="S12", procedure="PS", bench_minutes=60, hazards=(),
    set_points=(
        SetPoint(
            label="H", value=Decimal(200), direction=Direction.RISING,
            tolerance_minus=Decimal(4), tolerance_plus=Decimal(4), tolerance_basis="absolute",
            as_left_minus=None, as_left_plus=None, dead_band_kind="fixed", dead_band_min=None,
            dead_band_max=None, repeatability_limit=None, contact_form="SPDT", action="alarm",
            energised_state="closed",
        ),
    ),
)  # fmt: skip

PROCEDURE = ProcedureRevision(
    code="PS", title="Pressure switches", revision=2, approved_on=date(2023, 1, 10),
    approved_by="P9", effective_on=date(2023, 2, 1), quantities=(Quantity.PRESSURE,),
    exercise_cycles=3, as_found_runs=2, as_left_runs=2,
    ramp_limit_fraction_per_s=Decimal("0.01"), temperature_min_c=Decimal(15),
    temperature_max_c=Decimal(30), humidity_max=Decimal("0.8"), required_tur=Decimal(4),
    decision_rule="simple acceptance", guard_factor=Decimal(1),
    coverage_probability=Decimal("0.95"),
)  # fmt: skip

PERSON = Person(
    "P1",
    "Tamsin Reed",
    (RoleGrant(Role.TECHNICIAN, date(2022, 1, 1)),),
    (Qualification(Quantity.PRESSURE, date(2025, 1, 1), date(2026, 12, 31), "P9"),),
)

RESULT = Result(
    set_point="H", phase=Phase.AS_FOUND, unit="kPa", required=Decimal(200), found=201.0,
    first_trip=201.2, error=1.0, late=True, dead_band=8.0, repeatability=0.2, runs=2,
    trip_sd=0.1, standard_uncertainty=0.45, coverage_factor=2.0, expanded_uncertainty=0.9,
    effective_dof=80.0, coverage_probability=0.95, tur=4.4, lower_limit=196.0, upper_limit=204.0,
    lower_acceptance=196.0, upper_acceptance=204.0, decision_rule="simple acceptance",
    rule_statement="", verdict="pass", category="in tolerance", reason="", probability_outside=None,
)  # fmt: skip

CYCLES = (
    Cycle("H", Phase.AS_FOUND, 1, Decimal("201.2"), Decimal("193.0")),
    Cycle("H", Phase.AS_FOUND, 2, Decimal("201.0"), Decimal("193.1")),
)

CALIBRATION = Calibration(
    number="C-1",
    bench=BenchRecord(
        tag="PSH-1", performed_on=DAY, performed_by="P1", procedure="PS", procedure_revision=2,
        gauges=(GaugeUsed(GaugeRole.OPERATING, "RG-2", "IH-26"),), cycles=CYCLES,
        temperature_c=Decimal(21), humidity=Decimal("0.4"), adjusted=False,
    ),
    switch_revision=1,
    results=(RESULT,),
    findings=(),
    origin=Origin.BENCH,
    evaluation_version="1",
    recorded_at=datetime(2026, 6, 15, 14, tzinfo=UTC),
    recorded_by="P1",
)  # fmt: skip

IN_HOUSE = certificate(
    "IH-26", "RG-2", "SHOP", date(2026, 2, 1), "400", "0.4",
    (StandardUsed("Standard", "RG-1", "NL-25"),),
)  # fmt: skip
NATIONAL = certificate("NL-25", "RG-1", "NAT", date(2025, 9, 1), "1000", "0.1")

LABORATORIES = {
    "SHOP": Laboratory("SHOP", "Instrument shop", LaboratoryKind.IN_HOUSE),
    "NAT": Laboratory("NAT", "National house", LaboratoryKind.NATIONAL),
    "ACC": Laboratory(
        "ACC",
        "Accredited laboratory",
        LaboratoryKind.ACCREDITED,
        (Accreditation("A-7", date(2024, 1, 1), date(2025, 12, 31), "0 to 2 MPa"),),
    ),
}

FACTS = ChainFacts(
    calibrations={"C-1": CALIBRATION},
    switches={("PSH-1", 1): SWITCH},
    procedures={"PS": (PROCEDURE,)},
    people={"P1": PERSON},
    gauges={"RG-2": (gauge("RG-2", "400"),), "RG-1": (gauge("RG-1", "1000", tier=1),)},
    certificates={"IH-26": IN_HOUSE, "NL-25": NATIONAL},
    laboratories=LABORATORIES,
    valid_until={"IH-26": date(2027, 2, 1), "NL-25": date(2027, 9, 1)},
)


def with_calibration(facts: ChainFacts, **bench: object) -> ChainFacts:
    """The facts with C-1 changed: fields of the bench record, or of the calibration itself."""
    calibration = facts.calibrations["C-1"]
    own = {k: bench.pop(k) for k in ("results", "replaced_by", "switch_revision") if k in bench}
    calibration = replace(calibration, bench=replace(calibration.bench, **bench), **own)  # type: ignore[arg-type]
    return replace(facts, calibrations={**facts.calibrations, "C-1": calibration})


def with_result(facts: ChainFacts, **changes: object) -> ChainFacts:
    return with_calibration(facts, results=(replace(RESULT, **changes),))  # type: ignore[arg-type]


def with_gauge(facts: ChainFacts, code: str, **changes: object) -> ChainFacts:
    changed = replace(facts.gauges[code][0], **changes)  # type: ignore[arg-type]
    return replace(facts, gauges={**facts.gauges, code: (changed,)})


def with_revision(facts: ChainFacts, code: str, on: date, **changes: object) -> ChainFacts:
    """The facts with one more revision of a gauge, effective ``on``."""
    new = replace(facts.gauges[code][0], revision=2, effective_on=on, reason="changed", **changes)  # type: ignore[arg-type]
    return replace(facts, gauges={**facts.gauges, code: (*facts.gauges[code], new)})


def with_certificate(facts: ChainFacts, number: str, **changes: object) -> ChainFacts:
    changed = replace(facts.certificates[number], **changes)  # type: ignore[arg-type]
    return replace(facts, certificates={**facts.certificates, number: changed})


def with_more(facts: ChainFacts, *more: Certificate) -> ChainFacts:
    """The facts with further certificates, valid for ever."""
    return replace(
        facts,
        certificates={**facts.certificates, **{c.number: c for c in more}},
        valid_until={**{c.number: date(9999, 1, 1) for c in more}, **facts.valid_until},
    )


def reasons(chain: Chain) -> dict[str, list[str]]:
    """Sentences by code."""
    found: dict[str, list[str]] = {}
    for _, reason in chain.problems:
        found.setdefault(reason.code, []).append(reason.text)
    return found


# --- the sound chain ---------------------------------------------------------------------------


def test_sound_chain_in_its_order() -> None:
    chain = trace_result(FACTS, "C-1")
    assert reasons(chain) == {}
    assert chain.verdict is ChainVerdict.UNBROKEN
    assert [(n.kind, n.title) for n in chain.nodes] == [
        (NodeKind.CALIBRATION, "C-1 of PSH-1"),
        (NodeKind.RESULT, "H as-found: pass"),
        (NodeKind.READINGS, "2 runs, trip/reset as read"),
        (NodeKind.DATA_SHEET, "PSH-1 rev 1"),
        (NodeKind.TECHNICIAN, "Tamsin Reed (P1)"),
        (NodeKind.PROCEDURE, "PS rev 2"),
        (NodeKind.GAUGE, "RG-2 gauge"),
        (NodeKind.CERTIFICATE, "IH-26"),
        (NodeKind.LABORATORY, "Instrument shop (SHOP)"),
        (NodeKind.GAUGE, "RG-1 gauge"),
        (NodeKind.CERTIFICATE, "NL-25"),
        (NodeKind.LABORATORY, "National house (NAT)"),
    ]
    assert chain.statement == (
        "Unbroken: every link of result C-1 is sound on its day of use, up to National house (NAT)."
    )
    assert chain.ends == ("laboratory NAT",)


def test_each_link_is_judged_on_the_day_of_use() -> None:
    chain = trace_result(FACTS, "C-1")
    days = {(link.relation, link.target): link.day for link in chain.links}
    assert days["stands on", "certificate IH-26"] == DAY
    assert days["standard used", "gauge RG-1 on NL-25"] == date(2026, 2, 1)
    assert days["stands on", "certificate NL-25"] == date(2026, 2, 1)
    assert days["calibrated by", "laboratory NAT"] == date(2025, 9, 1)


def test_ratios_and_uncertainties_are_shown() -> None:
    chain = trace_result(FACTS, "C-1")
    shown = {f"{link.relation}, {f.label}": f.value for link in chain.links for f in link.facts}
    assert shown["worked out from, ratio (TUR)"] == "4.4:1, required 4:1"
    # u of the result 0.45 kPa to u of the certificate 0.4/2 = 0.2 kPa: 2.25, cut
    assert shown["worked out from, result u to certificate u"] == "2.2:1"
    # certified 0.4 kPa to the standard's 0.1 kPa
    assert shown["standard used, certified U to standard's U, least"] == "4.0:1 at 0 kPa"
    assert shown["standard used, points carried"] == "20 of 20, 0 to 400 kPa"
    assert shown["operating pressure read on, readings"] == "193.0 to 201.2 kPa"


def test_certificate_traced_by_itself() -> None:
    chain = trace_certificate(FACTS, "IH-26")
    assert chain.root == "certificate IH-26"
    assert chain.verdict is ChainVerdict.UNBROKEN
    assert [n.kind for n in chain.nodes] == [
        NodeKind.CERTIFICATE,
        NodeKind.GAUGE,
        NodeKind.LABORATORY,
        NodeKind.GAUGE,
        NodeKind.CERTIFICATE,
        NodeKind.LABORATORY,
    ]


def test_units_are_converted() -> None:
    """The bench gauge in psi on a certificate in kPa, its standard in bar: the same chain."""
    cycles = tuple(
        replace(c, trip=Decimal("29.2"), reset=Decimal("28.0")) for c in CYCLES
    )  # 29.2 psi = 201.3 kPa
    facts = with_gauge(FACTS, "RG-2", unit="psi", range_high=Decimal(58))
    facts = with_gauge(facts, "RG-1", unit="bar", range_high=Decimal(10))
    assert reasons(trace_result(with_calibration(facts, cycles=cycles), "C-1")) == {}
    high = tuple(replace(c, trip=Decimal("58.1")) for c in CYCLES)
    found = reasons(trace_result(with_calibration(facts, cycles=high), "C-1"))
    # 58.1 psi is 400.6 kPa, beyond the certificate's 400 kPa as well as the gauge's 58 psi
    assert set(found) == {"gauge.range", "certificate.points"}


# --- every reason ------------------------------------------------------------------------------

NEWER = certificate(
    "IH-27", "RG-2", "SHOP", date(2026, 5, 1), "400", "0.4",
    (StandardUsed("Standard", "RG-1", "NL-25"),),
)  # fmt: skip
CORRECTION = replace(
    IN_HOUSE,
    number="IH-26-R",
    issued_on=date(2026, 5, 20),
    replaces="IH-26",
    replacement_reason="page 2 was missing",
)
STANDARDS = IN_HOUSE.standards

Change = Callable[[ChainFacts], ChainFacts]

BROKEN: dict[str, tuple[Change, tuple[str, ...]]] = {
    "result.none": (lambda f: with_calibration(f, results=()), ("C-1",)),
    "result.no-readings": (
        lambda f: with_result(f, phase=Phase.AS_LEFT),
        ("No raw readings", "H as-left"),
    ),
    "result.no-trip-reading": (
        lambda f: with_calibration(
            f, cycles=tuple(replace(c, trip=None, outcome=CycleOutcome.NO_TRIP) for c in CYCLES)
        ),
        ("H as-found", "2 recorded runs"),
    ),
    "result.no-uncertainty": (
        lambda f: with_result(f, standard_uncertainty=None, expanded_uncertainty=None),
        ("H as-found", "without an uncertainty"),
    ),
    "result.impossible-uncertainty": (
        lambda f: with_result(f, standard_uncertainty=0.19, expanded_uncertainty=0.38),
        ("0.190 kPa", "0.200 kPa", "IH-26"),
    ),
    "switch.unknown": (
        lambda f: with_calibration(f, switch_revision=7),
        ("Revision 7", "PSH-1"),
    ),
    "person.unknown": (lambda f: with_calibration(f, performed_by="P5"), ("P5", "register")),
    "procedure.unknown": (
        lambda f: with_calibration(f, procedure_revision=3),
        ("PS rev 3",),
    ),
    "gauge.none": (lambda f: with_calibration(f, gauges=()), ("C-1", "no gauge")),
    "gauge.unknown": (
        lambda f: replace(f, gauges={"RG-1": f.gauges["RG-1"]}),
        ("RG-2", "register"),
    ),
    "gauge.not-yet": (
        lambda f: with_gauge(f, "RG-2", effective_on=date(2026, 7, 1)),
        ("2026-07-01", "2026-06-15"),
    ),
    "gauge.status": (
        lambda f: with_revision(f, "RG-2", date(2026, 6, 1), status=GaugeStatus.WITHDRAWN),
        ("RG-2 was withdrawn on 2026-06-15", "revision 2 of 2026-06-01"),
    ),
    "gauge.other-quantity": (
        lambda f: with_gauge(f, "RG-2", mode=PressureMode.VACUUM),
        ("vacuum", "pressure", "PSH-1"),
    ),
    "gauge.range": (
        lambda f: with_gauge(f, "RG-2", range_high=Decimal(201)),
        ("H as-found run 1 trip, 201.2 kPa", "0 to 201 kPa"),
    ),
    "gauge.no-certificate": (
        lambda f: with_calibration(f, gauges=(GaugeUsed(GaugeRole.OPERATING, "RG-2", ""),)),
        ("No certificate", "RG-2", "2026-06-15"),
    ),
    "gauge.other-serial": (
        lambda f: with_revision(f, "RG-2", date(2026, 4, 1), serial="SN-NEW"),
        ("SN-RG-2", "SN-NEW", "2026-04-01"),
    ),
    "gauge.none-static": (
        lambda f: with_calibration(
            f, cycles=tuple(replace(c, static=Decimal("10.0")) for c in CYCLES)
        ),
        ("2 static pressure readings", "no recorded gauge"),
    ),
    "certificate.unknown": (
        lambda f: replace(f, certificates={"NL-25": NATIONAL}),
        ("IH-26", "not recorded"),
    ),
    "certificate.other-gauge": (
        lambda f: with_calibration(f, gauges=(GaugeUsed(GaugeRole.OPERATING, "RG-2", "NL-25"),)),
        ("NL-25 belongs to RG-1, not to RG-2",),
    ),
    "certificate.no-points": (
        lambda f: with_certificate(f, "IH-26", points=()),
        ("IH-26", "without points"),
    ),
    "certificate.points": (
        lambda f: with_certificate(f, "IH-26", points=points("200", "0.4")),
        ("2 of 4 values", "0 to 200 kPa", "201.2 kPa"),
    ),
    "certificate.unit": (
        lambda f: with_certificate(f, "IH-26", unit="degC"),
        ("IH-26", "pressure", "temperature"),
    ),
    "certificate.after-use": (
        lambda f: with_certificate(
            f, "IH-26", calibrated_on=date(2026, 6, 16), issued_on=date(2026, 6, 16)
        ),
        ("2026-06-16", "2026-06-15"),
    ),
    "certificate.expired": (
        lambda f: replace(f, valid_until={**f.valid_until, "IH-26": date(2026, 6, 14)}),
        ("valid until 2026-06-14", "1 day later"),
    ),
    "certificate.withdrawn": (
        lambda f: with_certificate(
            f, "IH-26", withdrawal=CertificateWithdrawal(DAY, "wrong gauge entered")
        ),
        ("withdrawn on 2026-06-15", "wrong gauge entered"),
    ),
    "certificate.adjusted-since": (
        lambda f: with_more(f, replace(NEWER, adjusted=True)),
        ("adjusted on 2026-05-01", "IH-27", "IH-26"),
    ),
    "laboratory.unknown": (
        lambda f: replace(f, laboratories={"SHOP": LABORATORIES["SHOP"]}),
        ("NAT", "NL-25"),
    ),
    "laboratory.not-accredited": (
        lambda f: with_certificate(
            f, "NL-25", laboratory="ACC", calibrated_on=date(2026, 1, 5), issued_on=date(2026, 1, 5)
        ),
        ("2026-01-05", "A-7 had ended on 2025-12-31"),
    ),
    "standard.none": (lambda f: with_certificate(f, "IH-26", standards=()), ("IH-26",)),
    "standard.words": (
        lambda f: with_certificate(f, "IH-26", standards=(StandardUsed("dead-weight tester"),)),
        ("dead-weight tester", "in words only"),
    ),
    "standard.itself": (
        lambda f: with_more(
            with_certificate(f, "IH-26", standards=(StandardUsed("self", "RG-2", "IH-25"),)),
            certificate("IH-25", "RG-2", "NAT", date(2025, 3, 1), "400", "0.1"),
        ),
        ("RG-2 as standard for RG-2",),
    ),
    "standard.range": (
        lambda f: with_gauge(f, "RG-1", range_high=Decimal(350)),
        ("4 of 20 values", "RG-1, 0 to 350 kPa", "400 kPa"),
    ),
    "standard.points": (
        lambda f: with_certificate(f, "NL-25", points=points("350", "0.1")),
        ("4 of 20 values", "NL-25, 0 to 350 kPa", "400 kPa"),
    ),
    "standard.unit": (
        lambda f: with_certificate(
            with_gauge(f, "RG-1", unit="degC", mode=None), "NL-25", unit="degC"
        ),
        ("RG-1", "temperature", "pressure"),
    ),
    "standard.uncertainty": (
        lambda f: with_certificate(f, "NL-25", points=points("1000", "0.4")),
        ("U = 0.4 kPa (k = 2)", "RG-1", "1.0:1", "20 of 20 points"),
    ),
    "chain.circle": (
        lambda f: with_certificate(
            f,
            "NL-25",
            laboratory="SHOP",
            standards=(StandardUsed("the other way", "RG-2", "IH-26"),),
        ),
        ("RG-2 gauge → IH-26 → RG-1 gauge → NL-25 → RG-2 gauge",),
    ),
}

WEAK: dict[str, tuple[Change, tuple[str, ...]]] = {
    "result.low-ratio": (
        lambda f: with_result(f, tur=3.999),
        ("is 3.9:1", "PS rev 2 requires 4:1"),
    ),
    "calibration.replaced": (
        lambda f: replace(
            with_calibration(f, replaced_by="C-2"),
            calibrations={
                "C-1": replace(CALIBRATION, replaced_by="C-2"),
                "C-2": replace(
                    CALIBRATION,
                    number="C-2",
                    bench=replace(
                        CALIBRATION.bench, replaces="C-1", replacement_reason="digits swapped"
                    ),
                    recorded_at=datetime(2026, 6, 20, tzinfo=UTC),
                ),
            },
        ),
        ("C-1 was replaced by C-2 on 2026-06-20", "digits swapped"),
    ),
    "switch.not-yet": (
        lambda f: replace(
            f, switches={("PSH-1", 1): replace(SWITCH, effective_on=date(2026, 7, 1))}
        ),
        ("2026-07-01", "2026-06-15"),
    ),
    "switch.superseded": (
        lambda f: replace(
            f,
            switches={
                ("PSH-1", 1): SWITCH,
                ("PSH-1", 2): replace(SWITCH, revision=2, effective_on=date(2026, 6, 1)),
            },
        ),
        ("revision 2 on 2026-06-01",),
    ),
    "person.no-role": (
        lambda f: replace(f, people={"P1": replace(PERSON, roles=())}),
        ("Tamsin Reed", "2026-06-15"),
    ),
    "person.not-qualified": (
        lambda f: replace(
            f,
            people={
                "P1": replace(
                    PERSON,
                    qualifications=(
                        Qualification(Quantity.PRESSURE, date(2024, 1, 1), date(2026, 6, 14), "P9"),
                    ),
                )
            },
        ),
        ("pressure", "2026-06-15", "ended on 2026-06-14"),
    ),
    "procedure.not-yet": (
        lambda f: replace(
            f, procedures={"PS": (replace(PROCEDURE, effective_on=date(2026, 7, 1)),)}
        ),
        ("PS rev 2", "2026-07-01"),
    ),
    "procedure.not-approved": (
        lambda f: replace(
            f, procedures={"PS": (replace(PROCEDURE, approved_on=date(2026, 6, 20)),)}
        ),
        ("PS rev 2", "2026-06-20"),
    ),
    "procedure.superseded": (
        lambda f: replace(
            f,
            procedures={
                "PS": (PROCEDURE, replace(PROCEDURE, revision=3, effective_on=date(2026, 6, 15)))
            },
        ),
        ("PS rev 2", "revision 3 on 2026-06-15"),
    ),
    "procedure.other-quantity": (
        lambda f: replace(
            f, procedures={"PS": (replace(PROCEDURE, quantities=(Quantity.VACUUM,)),)}
        ),
        ("vacuum", "PSH-1 responds to pressure"),
    ),
    "gauge.changed": (
        lambda f: with_revision(f, "RG-2", date(2026, 4, 1), range_high=Decimal(500)),
        ("range of RG-2 changed on 2026-04-01", "2026-02-01"),
    ),
    "gauge.none-static": (
        lambda f: with_gauge(
            replace(
                with_calibration(f, cycles=tuple(replace(c, static=Decimal(10)) for c in CYCLES)),
                switches={("PSH-1", 1): replace(SWITCH, quantity=Quantity.DIFFERENTIAL)},
                procedures={"PS": (replace(PROCEDURE, quantities=(Quantity.DIFFERENTIAL,)),)},
                people={
                    "P1": replace(
                        PERSON,
                        qualifications=(
                            replace(PERSON.qualifications[0], quantity=Quantity.DIFFERENTIAL),
                        ),
                    )
                },
            ),
            "RG-2",
            mode=PressureMode.DIFFERENTIAL,
        ),
        ("2 static pressure readings", "read on RG-2"),
    ),
    "certificate.direction": (
        lambda f: with_certificate(
            f, "IH-26", points=points("400", "0.4", directions=(Direction.FALLING,))
        ),
        ("no rising points", "2 trips were read rising"),
    ),
    "certificate.no-limit": (
        lambda f: replace(f, valid_until={"NL-25": date(2027, 9, 1)}),
        ("IH-26",),
    ),
    "certificate.not-issued": (
        lambda f: with_certificate(f, "IH-26", issued_on=date(2026, 6, 16)),
        ("issued on 2026-06-16",),
    ),
    "certificate.withdrawn-later": (
        lambda f: with_certificate(
            f, "IH-26", withdrawal=CertificateWithdrawal(date(2026, 6, 16), "typing error")
        ),
        ("withdrawn on 2026-06-16", "typing error"),
    ),
    "certificate.newer": (
        lambda f: with_more(f, NEWER),
        ("IH-27 of 2026-05-01", "IH-26"),
    ),
    "certificate.replaced": (
        lambda f: with_more(f, CORRECTION),
        ("IH-26 had been replaced by IH-26-R on 2026-05-20",),
    ),
    "certificate.corrected": (
        lambda f: with_more(f, replace(CORRECTION, issued_on=date(2026, 8, 1))),
        ("replaced by IH-26-R on 2026-08-01", "page 2 was missing"),
    ),
    "standard.words": (
        lambda f: with_certificate(
            f, "IH-26", standards=(*STANDARDS, StandardUsed("room thermometer"))
        ),
        ("room thermometer",),
    ),
    "standard.mode": (
        lambda f: with_gauge(f, "RG-1", mode=PressureMode.ABSOLUTE),
        ("RG-2 reads gauge pressure", "RG-1 absolute pressure"),
    ),
}

# Reasons that the change above brings along by its nature.
COMPANIONS = {
    "result.no-trip-reading": set(),
    "gauge.unknown": set(),
    "gauge.not-yet": set(),
    "standard.itself": {"certificate.newer"},
    "certificate.replaced": {"certificate.corrected"},
    "certificate.after-use": set(),
    "switch.unknown": set(),
    "certificate.unit": {"standard.unit"},
    "chain.circle": {
        "standard.uncertainty",
        "standard.range",
        "standard.points",
        "certificate.after-use",
    },
    "certificate.other-gauge": set(),
}


@pytest.mark.parametrize("code", BROKEN)
def test_every_reason_that_breaks(code: str) -> None:
    change, fragments = BROKEN[code]
    _check(trace_result(change(FACTS), "C-1"), code, fragments, LinkState.BROKEN)


@pytest.mark.parametrize("code", WEAK)
def test_every_reason_that_weakens(code: str) -> None:
    change, fragments = WEAK[code]
    _check(trace_result(change(FACTS), "C-1"), code, fragments, LinkState.WEAK)


def _check(chain: Chain, code: str, fragments: tuple[str, ...], state: LinkState) -> None:
    found = reasons(chain)
    assert set(found) - COMPANIONS.get(code, set()) == {code}
    text = " ".join(found[code])
    for fragment in fragments:
        assert fragment in text
    for link, reason in chain.problems:
        assert reason.text.endswith(".")
        assert reason.text[0].isupper() or reason.text[0].isdigit()
        assert chain.node(link.source)
        assert chain.node(link.target)
    worst = {reason.state for _, reason in chain.problems}
    assert state in worst
    if state is LinkState.BROKEN:
        assert chain.verdict is ChainVerdict.BROKEN
        assert chain.statement.startswith("Broken: result C-1 has ")
    else:
        assert worst == {LinkState.WEAK}
        assert chain.verdict is ChainVerdict.WEAK
        assert chain.statement.startswith("Unbroken with weak links: result C-1 has ")


def test_no_reason_is_left_out_above() -> None:
    folder = Path(package.__file__).parent
    pattern = re.compile(r"\"([a-z]+\.[a-z]+(?:-[a-z]+)*)\"")
    written = {m for path in folder.glob("*.py") for m in pattern.findall(path.read_text("utf-8"))}
    assert written == set(BROKEN) | set(WEAK)


def test_every_reason_is_given_not_only_the_first() -> None:
    facts = replace(FACTS, valid_until={**FACTS.valid_until, "IH-26": date(2026, 3, 1)})
    facts = with_certificate(
        facts, "IH-26", withdrawal=CertificateWithdrawal(date(2026, 4, 1), "moved")
    )
    facts = with_result(facts, tur=2.0)
    facts = replace(facts, people={})
    chain = trace_result(facts, "C-1")
    assert set(reasons(chain)) == {
        "certificate.expired",
        "certificate.withdrawn",
        "result.low-ratio",
        "person.unknown",
    }
    states = [reason.state for _, reason in chain.problems]
    assert states == sorted(states, key=lambda s: -s.rank)
    assert chain.statement == "Broken: result C-1 has 2 broken links and 1 weak link."


# --- limits ------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("day", "codes"),
    [
        (date(2026, 1, 31), {"certificate.after-use"}),
        (date(2026, 2, 1), set()),
        (date(2027, 2, 1), {"person.not-qualified"}),
        (date(2027, 2, 2), {"certificate.expired", "person.not-qualified"}),
    ],
)
def test_validity_includes_both_ends(day: date, codes: set[str]) -> None:
    found = set(reasons(trace_result(with_calibration(FACTS, performed_on=day), "C-1")))
    assert found == codes


@pytest.mark.parametrize(
    ("on", "sound"),
    [
        (date(2023, 12, 31), False),
        (date(2024, 1, 1), True),
        (date(2025, 12, 31), True),
        (date(2026, 1, 1), False),
    ],
)
def test_accreditation_includes_both_ends_and_ends_the_chain(on: date, sound: bool) -> None:
    facts = with_certificate(FACTS, "NL-25", laboratory="ACC", calibrated_on=on, issued_on=on)
    chain = trace_result(facts, "C-1")
    assert (chain.verdict is ChainVerdict.UNBROKEN) is sound
    assert chain.ends == (("laboratory ACC",) if sound else ())


def test_readings_at_the_ends_of_range_and_points_are_inside() -> None:
    cycles = (Cycle("H", Phase.AS_FOUND, 1, Decimal(400), Decimal(0)),)
    assert reasons(trace_result(with_calibration(FACTS, cycles=cycles), "C-1")) == {}


def test_ratio_exactly_as_required_is_enough() -> None:
    assert reasons(trace_result(with_result(FACTS, tur=4.0), "C-1")) == {}
    assert reasons(trace_result(with_result(FACTS, tur=None), "C-1")) == {}  # one-sided


def test_a_switch_that_did_not_trip_needs_no_uncertainty() -> None:
    cycles = tuple(replace(c, trip=None, reset=None, outcome=CycleOutcome.NO_TRIP) for c in CYCLES)
    facts = with_calibration(FACTS, cycles=cycles)
    facts = with_calibration(
        facts,
        results=(
            replace(
                RESULT,
                found=None,
                standard_uncertainty=None,
                expanded_uncertainty=None,
                tur=None,
                verdict="fail",
            ),
        ),
    )
    assert trace_result(facts, "C-1").verdict is ChainVerdict.UNBROKEN


def test_static_readings_on_the_same_gauge() -> None:
    """Trip less static on one gauge: part of its uncertainty may cancel, so none is impossible."""
    bench_gauges = (
        GaugeUsed(GaugeRole.OPERATING, "RG-2", "IH-26"),
        GaugeUsed(GaugeRole.STATIC, "RG-2", "IH-26"),
    )
    cycles = tuple(replace(c, static=Decimal(450)) for c in CYCLES)
    facts = with_result(FACTS, standard_uncertainty=0.1, expanded_uncertainty=0.2)
    facts = with_calibration(facts, gauges=bench_gauges, cycles=cycles)
    chain = trace_result(facts, "C-1")
    found = reasons(chain)
    assert set(found) == {"gauge.range", "certificate.points"}
    assert "2 of 2 values" in found["gauge.range"][0]
    assert "450 kPa" in found["gauge.range"][0]
    relations = [k.relation for k in chain.links if k.target == "gauge RG-2 on IH-26"]
    assert relations == ["operating pressure read on", "static pressure read on"]


def test_adjusted_gauge_is_used_by_its_points_as_left() -> None:
    mixed = tuple(
        replace(p, expanded_uncertainty=Decimal("0.4" if p.phase is Phase.AS_LEFT else "9"))
        for p in IN_HOUSE.points
    )
    chain = trace_result(with_certificate(FACTS, "IH-26", points=mixed), "C-1")
    shown = [f.value for k in chain.links for f in k.facts if f.label == "certified U, largest"]
    assert shown[0].startswith("0.40 kPa")


def test_a_gauge_sent_away_later_was_in_service_on_the_day() -> None:
    facts = with_revision(FACTS, "RG-2", DAY + timedelta(days=1), status=GaugeStatus.LOST)
    assert trace_result(facts, "C-1").verdict is ChainVerdict.UNBROKEN


def test_adjusted_on_the_day_itself_is_not_held_against_the_reading() -> None:
    later = replace(NEWER, calibrated_on=DAY, issued_on=DAY + timedelta(days=3), adjusted=True)
    assert reasons(trace_result(with_more(FACTS, later), "C-1")) == {}


def test_two_standards_share_the_points() -> None:
    low = certificate("NL-L", "RG-L", "NAT", date(2025, 9, 1), "200", "0.05")
    high = replace(
        NATIONAL,
        points=tuple(p for p in NATIONAL.points if p.reference >= 250),
    )
    facts = with_more(FACTS, low, high)
    facts = replace(facts, gauges={**facts.gauges, "RG-L": (gauge("RG-L", "200", tier=1),)})
    both = (*STANDARDS, StandardUsed("Low standard", "RG-L", "NL-L"))
    chain = trace_result(with_certificate(facts, "IH-26", standards=both), "C-1")
    assert reasons(chain) == {}
    shown = [f.value for k in chain.links for f in k.facts if f.label == "points carried"]
    assert shown == ["8 of 20, 300 to 400 kPa", "12 of 20, 0 to 200 kPa"]
    alone = trace_result(with_certificate(facts, "IH-26", standards=both[1:]), "C-1")
    assert set(reasons(alone)) == {"standard.range", "standard.points"}


def test_a_thermometer_beside_the_pressure_standard_is_auxiliary() -> None:
    thermometer = replace(
        certificate("NL-T", "RG-T", "NAT", date(2025, 9, 1), "100", "0.05"), unit="degC"
    )
    facts = with_more(FACTS, thermometer)
    own = replace(gauge("RG-T", "100", tier=1, unit="degC"), mode=None)
    facts = replace(facts, gauges={**facts.gauges, "RG-T": (own,)})
    both = (*STANDARDS, StandardUsed("Thermometer", "RG-T", "NL-T"))
    chain = trace_result(with_certificate(facts, "IH-26", standards=both), "C-1")
    assert reasons(chain) == {}
    facts = replace(facts, valid_until={**facts.valid_until, "NL-T": date(2026, 1, 1)})
    chain = trace_result(with_certificate(facts, "IH-26", standards=both), "C-1")
    assert set(reasons(chain)) == {"certificate.expired"}  # auxiliary, but judged all the same


def test_both_sides_of_a_correction_are_shown() -> None:
    facts = with_more(FACTS, CORRECTION)
    used = with_calibration(facts, gauges=(GaugeUsed(GaugeRole.OPERATING, "RG-2", "IH-26-R"),))
    chain = trace_result(used, "C-1")
    assert chain.verdict is ChainVerdict.UNBROKEN
    shown = [k for k in chain.links if not k.rests_on]
    assert [(k.source, k.relation, k.target) for k in shown] == [
        ("certificate IH-26-R", "replaces", "certificate IH-26")
    ]
    old = trace_result(facts, "C-1")
    assert [(k.source, k.relation, k.target) for k in old.links if not k.rests_on] == [
        ("certificate IH-26", "replaced by", "certificate IH-26-R")
    ]


def test_the_correcting_calibration_shows_the_one_it_replaces() -> None:
    facts = WEAK["calibration.replaced"][0](FACTS)
    chain = trace_result(facts, "C-2")
    assert chain.verdict is ChainVerdict.UNBROKEN
    assert [k.target for k in chain.links if not k.rests_on] == ["calibration C-1"]


def test_withdrawn_certificate_traced_by_itself_is_broken() -> None:
    facts = BROKEN["certificate.withdrawn"][0](FACTS)
    assert set(reasons(trace_certificate(facts, "IH-26"))) == {"certificate.withdrawn"}
    pointless = BROKEN["certificate.no-points"][0](FACTS)
    assert set(reasons(trace_certificate(pointless, "IH-26"))) == {"certificate.no-points"}
    homeless = BROKEN["gauge.unknown"][0](FACTS)
    assert set(reasons(trace_certificate(homeless, "IH-26"))) == {"gauge.unknown"}


def test_unknown_numbers_name_the_nearest() -> None:
    with pytest.raises(UnknownName) as caught:
        trace_result(FACTS, "C1")
    assert caught.value.matches == ("C-1",)
    with pytest.raises(UnknownName) as caught:
        trace_certificate(FACTS, "IH-36")
    assert caught.value.matches[0] == "IH-26"


def test_many_results_at_once_are_as_one_by_one() -> None:
    facts = replace(
        FACTS,
        calibrations={n: replace(CALIBRATION, number=n) for n in ("C-1", "C-2", "C-3")},
    )
    together = list(trace_results(facts))
    assert together == [trace_result(facts, n) for n in facts.calibrations]
    assert list(trace_results(facts, ["C-2"])) == [together[1]]


# --- one rule between the points of a certificate -----------------------------------------------


def with_small_u_at_200(facts: ChainFacts) -> ChainFacts:
    """U of the bench gauge 0.2 at 200 kPa, 0.4 at the points beside it."""
    certified = facts.certificates["IH-26"].points
    changed = tuple(
        replace(p, expanded_uncertainty=Decimal("0.2")) if p.reference == 200 else p
        for p in certified
    )
    return with_certificate(facts, "IH-26", points=changed)


def tripped_at(*trips: str) -> tuple[Cycle, ...]:
    return tuple(
        Cycle("H", Phase.AS_FOUND, run, Decimal(trip), Decimal("193.0"))
        for run, trip in enumerate(trips, 1)
    )


@pytest.mark.parametrize("trips", [("201.2", "201.0"), ("130", "131"), ("200.0", "200.0")])
def test_between_points_a_chain_asks_the_certificate_as_the_budget_does(
    trips: tuple[str, ...],
) -> None:
    """The chain allows exactly the standard uncertainty that the budget takes for the gauge."""
    facts = with_calibration(with_small_u_at_200(FACTS), cycles=tripped_at(*trips))
    budget = evaluate(
        SetPointSpec(Fraction(200), Direction.RISING, "kPa", 0, 300, Tolerance(4, 4)),
        [SeenCycle(run, Fraction(trip), Fraction(100)) for run, trip in enumerate(trips, 1)],
        GaugeUse(
            GaugeSpec("kPa", 0, 400, Fraction("0.1"), mode=PressureMode.GAUGE),
            certificate_curve(facts.certificates["IH-26"]),
        ),
    ).budget
    taken = next(c.u for c in budget.components if c.name == "operating gauge: calibration")
    assert taken == (0.1 if trips[0] == "200.0" else 0.2)
    for part, sound in ((1.0, True), (0.999, False)):
        stated = with_result(facts, standard_uncertainty=part * taken)
        found = trace_result(with_calibration(stated, cycles=tripped_at(*trips)), "C-1")
        assert ("result.impossible-uncertainty" not in reasons(found)) is sound


def test_the_mean_may_stand_at_a_point_better_than_its_neighbours() -> None:
    stated = with_result(with_small_u_at_200(FACTS), standard_uncertainty=0.15)
    on_both_sides = with_calibration(stated, cycles=tripped_at("199.9", "200.1"))
    assert reasons(trace_result(on_both_sides, "C-1")) == {}
    on_one_side = with_calibration(stated, cycles=tripped_at("200.1", "200.2"))
    assert list(reasons(trace_result(on_one_side, "C-1"))) == ["result.impossible-uncertainty"]


def test_between_points_of_a_standard_the_larger_neighbour_counts() -> None:
    """The standard has U = 0.1 up to 500 kPa and 1.0 at 750 kPa: at 600 kPa it has 1.0."""
    national = tuple(
        replace(p, expanded_uncertainty=Decimal(1)) if p.reference == 750 else p
        for p in NATIONAL.points
    )
    facts = with_certificate(FACTS, "NL-25", points=national)
    assert reasons(trace_result(facts, "C-1")) == {}
    at_600 = tuple(
        replace(p, reference=Decimal(step), indication=Decimal(step))
        for p, step in zip(IN_HOUSE.points, (0, 150, 300, 450, 600) * 4, strict=True)
    )
    wide = with_certificate(with_gauge(facts, "RG-2", range_high=Decimal(600)), "IH-26",
                            points=at_600)  # fmt: skip
    found = reasons(trace_result(wide, "C-1"))
    assert list(found) == ["standard.uncertainty"]
    assert "itself known only to 1.0 kPa there (ratio 0.40:1)" in found["standard.uncertainty"][0]
    assert "such claims at 4 of 20 points" in found["standard.uncertainty"][0]


# --- random graphs against networkx -------------------------------------------------------------


def graph_facts(graph: nx.DiGraph[int], lapsed: frozenset[int] = frozenset()) -> ChainFacts:
    """One gauge and certificate per node, edges as standards used; leaves are accredited.

    All on one day; the uncertainty falls from low to high numbers. ``lapsed`` leaves belong to a
    laboratory without accreditation.
    """
    day = date(2026, 1, 10)
    count = graph.number_of_nodes()
    certificates = {}
    for node in graph:
        parents = sorted(graph.successors(node))
        leaf = "OUT" if node in lapsed else "ACC"
        certificates[f"K{node}"] = replace(
            certificate(
                f"K{node}", f"G{node}", "SHOP" if parents else leaf, day, "100",
                str(Decimal(count - node) / 10),
                tuple(StandardUsed("standard", f"G{p}", f"K{p}") for p in parents),
            ),
            points=points("100", str(Decimal(count - node) / 10), unit_steps=1)[:2],
        )  # fmt: skip
    return ChainFacts(
        calibrations={}, switches={}, procedures={}, people={},
        gauges={f"G{node}": (gauge(f"G{node}", "100"),) for node in graph},
        certificates=certificates,
        laboratories={
            "SHOP": LABORATORIES["SHOP"],
            "ACC": replace(
                LABORATORIES["ACC"],
                accreditations=(Accreditation("A", date(2020, 1, 1), date(2030, 1, 1)),),
            ),
            "OUT": Laboratory("OUT", "Lapsed laboratory", LaboratoryKind.ACCREDITED),
        },
        valid_until={number: date(2027, 1, 10) for number in certificates},
    )  # fmt: skip


def edges_of(draw_pairs: set[tuple[int, int]], count: int) -> nx.DiGraph[int]:
    graph: nx.DiGraph[int] = nx.DiGraph()
    graph.add_nodes_from(range(count))
    graph.add_edges_from((a % count, b % count) for a, b in draw_pairs)
    return graph


PAIRS = st.sets(st.tuples(st.integers(0, 11), st.integers(0, 11)), max_size=30)


@given(pairs=PAIRS, count=st.integers(1, 12), lapsed=st.frozensets(st.integers(0, 11)))
@settings(max_examples=60, deadline=None)
def test_reach_and_verdict_on_random_graphs_without_circles(
    pairs: set[tuple[int, int]], count: int, lapsed: frozenset[int]
) -> None:
    graph = edges_of({(min(p), max(p)) for p in pairs if p[0] % count != p[1] % count}, count)
    graph.remove_edges_from([(a, b) for a, b in graph.edges if a >= b])
    chain = trace_certificate(graph_facts(graph, lapsed), "K0")
    reached = {0} | nx.descendants(graph, 0)
    found = [n.title for n in chain.nodes if n.kind is NodeKind.CERTIFICATE]
    assert sorted(found) == sorted(f"K{n}" for n in reached)  # shared ones once
    assert len({n.key for n in chain.nodes}) == len(chain.nodes)
    used = {(k.source, k.target) for k in chain.links if k.relation == "standard used"}
    assert used == {
        (f"certificate K{a}", f"gauge G{b} on K{b}") for a, b in graph.edges if a in reached
    }
    leaves = {n for n in reached if not graph.out_degree(n)}
    assert (chain.verdict is ChainVerdict.BROKEN) == bool(leaves & lapsed)
    assert chain.verdict is not ChainVerdict.WEAK
    assert "chain.circle" not in reasons(chain)


@given(pairs=PAIRS, count=st.integers(1, 12))
@settings(max_examples=60, deadline=None)
def test_circles_are_found_and_all_of_them_are_cut(pairs: set[tuple[int, int]], count: int) -> None:
    graph = edges_of(pairs, count)
    graph.remove_edges_from(list(nx.selfloop_edges(graph)))
    chain = trace_certificate(graph_facts(graph), "K0")
    part = graph.subgraph({0} | nx.descendants(graph, 0))
    circles = reasons(chain).get("chain.circle", [])
    assert bool(circles) != nx.is_directed_acyclic_graph(part)
    cut: nx.DiGraph[str] = nx.DiGraph()
    cut.add_edges_from(
        (k.source, k.target)
        for k in chain.links
        if not any(r.code == "chain.circle" for r in k.reasons)
    )
    assert nx.is_directed_acyclic_graph(cut)


def test_a_chain_of_a_thousand_tiers() -> None:
    graph: nx.DiGraph[int] = nx.path_graph(1200, create_using=nx.DiGraph)
    chain = trace_certificate(graph_facts(graph), "K0")
    assert chain.verdict is ChainVerdict.UNBROKEN
    assert sum(n.kind is NodeKind.CERTIFICATE for n in chain.nodes) == 1200
