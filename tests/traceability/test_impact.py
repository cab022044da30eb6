"""A gauge found bad: shifts computed by hand, random graphs against networkx, properties."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from decimal import Decimal
from fractions import Fraction
from itertools import product

import networkx as nx
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from calfleet.errors import BadQuantity, CalfleetError, DateRefused, RecordRefused, UnknownName
from calfleet.metrology.conformity import Verdict
from calfleet.metrology.direction import Direction
from calfleet.metrology.evaluation import Phase as EvaluatedPhase
from calfleet.metrology.evaluation import evaluate
from calfleet.metrology.switch import Cycle as SeenCycle
from calfleet.metrology.switch import Outcome
from calfleet.metrology.units import PressureMode
from calfleet.records import (
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
    Origin,
    Phase,
    ProcedureRevision,
    Quantity,
    Result,
    SetPoint,
    StandardUsed,
    Switch,
    SwitchStatus,
)
from calfleet.services.measurands import gauge_use, method, set_point_spec
from calfleet.services.record import result_of
from calfleet.traceability.affected import find_affected
from calfleet.traceability.chain import ChainFacts, trace_certificate, trace_results
from calfleet.traceability.event import points_found
from calfleet.traceability.facts import in_force
from calfleet.traceability.impact import (
    Action,
    Beyond,
    Consequence,
    CrossCheck,
    FoundBad,
    FoundPoint,
    Impact,
    Inputs,
    InputsOf,
    Kind,
    LastGood,
    Row,
    impact,
    last_known_good,
    recorded_scatter,
)

D = Decimal
GOOD, HALFWAY, FOUND = date(2026, 1, 1), date(2026, 2, 20), date(2026, 4, 11)
"""The period has 100 days; the second day is its half."""

DIRECTIONS = (Direction.RISING, Direction.FALLING)
KEY = tuple[str, str, Phase]


# --- a small works ------------------------------------------------------------------------------


def gauge(
    code: str,
    *,
    unit: str = "bar",
    low: str = "0",
    high: str = "10",
    mode: PressureMode | None = PressureMode.GAUGE,
    corrections: bool = True,
    accuracy: str = "0.5",
    basis: str = "% of span",
) -> Gauge:
    return Gauge(
        code=code, revision=1, effective_on=date(2020, 1, 1), reason="taken over",
        serial=f"SN-{code}", description="gauge", status=GaugeStatus.IN_SERVICE, mode=mode,
        unit=unit, range_low=D(low), range_high=D(high), resolution=D("0.001"),
        accuracy=D(accuracy), accuracy_basis=basis, drift_per_year=D(0),
        temperature_coefficient=D(0), reference_temperature_c=D(20),
        use_corrections=corrections, tier=2, policy="R12",
    )  # fmt: skip


def certificate(
    number: str,
    of: str,
    places: Sequence[str] = ("0", "5", "10"),
    *,
    on: date = GOOD,
    unit: str = "bar",
    errors: Sequence[str] | None = None,
    standards: tuple[StandardUsed, ...] = (),
    directions: Sequence[Direction] = DIRECTIONS,
    U: str = "0.01",
) -> Certificate:
    return Certificate(
        number=number, gauge=of, laboratory="LAB", calibrated_on=on, issued_on=on, unit=unit,
        temperature_c=D(20), humidity=D("0.5"), adjusted=False,
        points=tuple(
            CertificatePoint(Phase.AS_FOUND, d, D(p), D(p) + D(e), D(U), D(2))
            for d in directions
            for p, e in zip(places, errors or ["0"] * len(places), strict=True)
        ),
        standards=standards,
    )  # fmt: skip


def procedure(rule: str = "simple acceptance", tur: str = "2") -> ProcedureRevision:
    return ProcedureRevision(
        code="PR", title="Pressure switches", revision=1, approved_on=date(2020, 1, 1),
        approved_by="P9", effective_on=date(2020, 1, 1), quantities=tuple(Quantity),
        exercise_cycles=3, as_found_runs=3, as_left_runs=3,
        ramp_limit_fraction_per_s=D(0), temperature_min_c=D(15), temperature_max_c=D(25),
        humidity_max=D("0.8"), required_tur=D(tur), decision_rule=rule, guard_factor=D(1),
        coverage_probability=D("0.95"),
        conformance_probability=D("0.95") if rule == "conformance probability" else None,
    )  # fmt: skip


def switch(
    tag: str,
    value: str = "5.00",
    *,
    direction: Direction = Direction.RISING,
    tolerance: tuple[str | None, str | None] = ("0.10", "0.10"),
    quantity: Quantity = Quantity.PRESSURE,
    unit: str = "bar",
    span: tuple[str, str] = ("0", "10"),
    static: str = "0",
    criticality: Criticality = Criticality.SAFETY,
    status: SwitchStatus = SwitchStatus.IN_SERVICE,
    dead_band: tuple[str | None, str | None] = (None, None),
) -> Switch:
    def maybe(text: str | None) -> Decimal | None:
        return None if text is None else D(text)

    point = SetPoint(
        label="H", value=D(value), direction=direction, tolerance_minus=maybe(tolerance[0]),
        tolerance_plus=maybe(tolerance[1]), tolerance_basis="absolute", as_left_minus=None,
        as_left_plus=None, dead_band_kind="fixed", dead_band_min=maybe(dead_band[0]),
        dead_band_max=maybe(dead_band[1]), repeatability_limit=None, contact_form="NO",
        action="trip", energised_state="open",
    )  # fmt: skip
    return Switch(
        tag=tag, revision=1, effective_on=date(2020, 1, 1), reason="", serial="1", area="A1",
        service="test service", family="F", quantity=quantity, unit=unit, range_low=D(span[0]),
        range_high=D(span[1]), line_unit=unit, proof_pressure=None, static_nominal=D(static),
        medium="air", criticality=criticality, outage_bound=False, status=status, policy="P12",
        procedure="PR", bench_minutes=30, hazards=(), set_points=(point,),
    )  # fmt: skip


def bench(
    tag: str,
    on: date,
    used: Sequence[GaugeUsed],
    trips: Sequence[str],
    *,
    below: str = "0.20",
    static: str | None = None,
    phase: Phase = Phase.AS_FOUND,
) -> BenchRecord:
    return BenchRecord(
        tag=tag, performed_on=on, performed_by="P1", procedure="PR", procedure_revision=1,
        gauges=tuple(used),
        cycles=tuple(
            Cycle("H", phase, run, D(trip), D(trip) - D(below), None if static is None else
                  D(static))
            for run, trip in enumerate(trips, start=1)
        ),
        temperature_c=D(20), humidity=D("0.5"), adjusted=False,
    )  # fmt: skip


def on(code: str, number: str, role: GaugeRole = GaugeRole.OPERATING) -> GaugeUsed:
    return GaugeUsed(role, code, number)


def optional(value: Decimal | None) -> Fraction | None:
    return None if value is None else Fraction(value)


def inputs_of(facts: ChainFacts) -> InputsOf:
    """What the evaluation takes, built by the same functions as when a calibration is recorded."""

    def give(calibration: Calibration, result: Result) -> Inputs:
        return evaluation_inputs(facts, calibration.bench, result.phase, recorded_scatter(result))

    return give


def evaluation_inputs(
    facts: ChainFacts, record: BenchRecord, phase: Phase, pooled: tuple[float, float] | None
) -> Inputs:
    sheet = facts.switches[record.tag, 1]
    uses = {}
    for used in record.gauges:
        revision = in_force(facts.gauges[used.gauge], record.performed_on)
        assert revision is not None
        uses[used.role] = gauge_use(
            revision,
            facts.certificates[used.certificate],
            record.performed_on,
            float(record.temperature_c),
        )
    cycles = tuple(
        SeenCycle(c.run, optional(c.trip), optional(c.reset), optional(c.static),
                  Outcome(c.outcome))
        for c in record.cycles
        if c.phase is phase
    )  # fmt: skip
    return Inputs(
        set_point_spec(sheet, sheet.set_points[0]),
        cycles,
        uses[GaugeRole.OPERATING],
        uses.get(GaugeRole.STATIC),
        method(facts.procedures["PR"][0], sheet, record),
        EvaluatedPhase(phase.value),
        pooled,
    )


def works(
    gauges: Sequence[Gauge],
    certificates: Sequence[Certificate],
    switches: Sequence[Switch],
    records: Sequence[BenchRecord],
    rules: ProcedureRevision | None = None,
    *,
    pooled: tuple[float, float] | None = (0.004, 30.0),
) -> ChainFacts:
    """A site whose calibrations are judged as they would be at the bench."""
    given = rules or procedure()
    facts = ChainFacts(
        calibrations={},
        switches={(s.tag, s.revision): s for s in switches},
        procedures={"PR": (given,)},
        people={},
        gauges={g.code: (g,) for g in gauges},
        certificates={c.number: c for c in certificates},
        laboratories={},
        valid_until={},
    )
    calibrations = {}
    for i, record in enumerate(records, start=1):
        sheet = facts.switches[record.tag, 1]
        results = []
        for phase in dict.fromkeys(c.phase for c in record.cycles):
            take = evaluation_inputs(facts, record, phase, pooled)
            found = evaluate(
                take.spec, take.cycles, take.operating, take.static, take.method,
                phase=take.phase, pooled=take.pooled,
            )  # fmt: skip
            results.append(result_of(found, sheet.set_points[0], phase, sheet, given))
        number = record.number or f"C{i:03d}"
        calibrations[number] = Calibration(
            number, record, 1, tuple(results), (), Origin.BENCH, "1",
            datetime(2026, 6, 1, tzinfo=UTC), "P1",
        )  # fmt: skip
    return replace(facts, calibrations=calibrations)


def found_bad(
    code: str = "RG-1",
    errors: Sequence[tuple[str, str]] = (("0", "0"), ("5.05", "0.05"), ("10.10", "0.10")),
    *,
    unit: str = "bar",
    kind: Kind = Kind.AS_FOUND,
    number: str = "K1",
    beyond: Beyond = Beyond.UNKNOWN,
) -> FoundBad:
    """RG-1 found too high by 1 % of the pressure (indication 5.05 at 5.00)."""
    points = tuple(FoundPoint(D(i), D(e)) for i, e in errors)
    return FoundBad(
        code, FOUND, kind, LastGood(GOOD, number, f"calibration of {GOOD}"),
        points if kind is Kind.AS_FOUND else (), unit, beyond=beyond,
    )  # fmt: skip


def both_ways(facts: ChainFacts, event: FoundBad) -> tuple[Impact, Impact]:
    """The impact from raw readings, and from recorded figures at once."""
    return (
        impact(facts, event, inputs=inputs_of(facts), exact_up_to=10**6),
        impact(facts, event),
    )


def only(found: Impact) -> Row:
    assert len(found.rows) == 1
    return found.rows[0]


# --- by hand --------------------------------------------------------------------------------------


def one_switch(sheet: Switch, record: BenchRecord, **more: object) -> ChainFacts:
    return works([gauge("RG-1")], [certificate("K1", "RG-1")], [sheet], [record], **more)  # type: ignore[arg-type]


def test_worst_case_and_linear_by_hand() -> None:
    """Read 4.93 with 1 % too much: 4.93 x 0.05 / 5.05 = 0.048812 off; half of it on the half way.

    Tolerance 4.90 to 5.10: worst case 4.881188, outside by 0.018812; linear with time 4.905594,
    inside by 0.005594. Recomputed by hand.
    """
    facts = one_switch(switch("S1"), bench("S1", HALFWAY, [on("RG-1", "K1")], ["4.93"] * 3))
    for found in both_ways(facts, found_bad()):
        row = only(found)
        assert row.before.verdict is Verdict.PASS
        assert row.fraction == 0.5
        assert row.shift_worst == pytest.approx(4.93 * 0.05 / 5.05, rel=1e-12)
        assert row.shift_linear == pytest.approx(4.93 * 0.05 / 5.05 / 2, rel=1e-12)
        assert row.worst is not None
        assert row.linear is not None
        assert row.worst.found == pytest.approx(4.881188, abs=5e-7)
        assert row.worst.margin == pytest.approx(-0.018812, abs=5e-7)
        assert row.linear.margin == pytest.approx(0.005594, abs=5e-7)
        assert row.under_worst is Consequence.FLIPPED_OUT
        assert row.under_linear is Consequence.NOT_SURE  # U is about 0.014 bar
        assert row.consequence is Consequence.FLIPPED_OUT
        assert row.action is Action.RECALL
        assert row.told == ("the owner of area A1", "whoever answers for functional safety")
        assert "less 0.049 bar (worst case) it is 4.881 bar, 0.019 bar below the lower" in (
            row.reason
        )
        (job, *_) = found.jobs
        assert (job.tag, job.by) == ("S1", FOUND + timedelta(days=1))


def test_static_on_one_gauge_takes_the_difference_of_two_shifts() -> None:
    """Trip read 7.07 at static 5.05: 2.02; shifts 0.07 and 0.05, so the difference was 2.00."""
    sheet = switch(
        "S1", "2.00", quantity=Quantity.DIFFERENTIAL, static="5.05", tolerance=("0.10", "0.10")
    )
    record = bench("S1", HALFWAY, [on("RG-1", "K1")], ["7.07"] * 3, static="5.05")
    for found in both_ways(one_switch(sheet, record), found_bad()):
        row = only(found)
        assert row.before.found == pytest.approx(2.02)
        assert row.shift_worst == pytest.approx(0.02)
        assert row.worst is not None
        assert row.worst.found == pytest.approx(2.00)


def test_two_gauges_only_the_bad_one_shifts() -> None:
    """Static read on a sound gauge: the whole 0.07 of the operating gauge counts."""
    sheet = switch("S1", "2.00", quantity=Quantity.DIFFERENTIAL, static="5.05")
    used = [on("RG-1", "K1"), on("RG-2", "K2", GaugeRole.STATIC)]
    facts = works(
        [gauge("RG-1"), gauge("RG-2")], [certificate("K1", "RG-1"), certificate("K2", "RG-2")],
        [sheet], [bench("S1", HALFWAY, used, ["7.07"] * 3, static="5.05")],
    )  # fmt: skip
    for found in both_ways(facts, found_bad()):
        assert only(found).shift_worst == pytest.approx(0.07)
    for found in both_ways(facts, found_bad("RG-2", number="K2")):
        row = only(found)  # the static gauge read 0.05 too much: the difference was larger
        assert row.shift_worst == pytest.approx(-0.05)
        assert (row.gauge, row.certificate) == ("RG-2", "K2")


def test_units_are_converted() -> None:
    """A switch in kPa on a gauge in bar: 0.05 bar at 5.05 bar are 5 kPa."""
    sheet = switch("S1", "500", unit="kPa", span=("0", "1000"), tolerance=("10", "10"))
    facts = one_switch(sheet, bench("S1", HALFWAY, [on("RG-1", "K1")], ["5.05"] * 3))
    for found in both_ways(facts, found_bad()):
        assert only(found).shift_worst == pytest.approx(5.0)


def test_vacuum_switch_on_a_gauge_pressure_gauge_turns_the_sign() -> None:
    """Read -0.30 bar with 0.01 bar too much: truly -0.31, a vacuum of 0.31 instead of 0.30."""
    sheet = switch("S1", "0.30", quantity=Quantity.VACUUM, span=("0", "1"))
    record = bench("S1", HALFWAY, [on("RG-1", "K1")], ["-0.30"] * 3, below="-0.05")
    facts = works(
        [gauge("RG-1", low="-1")], [certificate("K1", "RG-1", ("-1", "0", "10"))],
        [sheet], [record],
    )  # fmt: skip
    event = found_bad(errors=[("-1", "0.01"), ("0", "0.01"), ("10", "0.01")])
    for found in both_ways(facts, event):
        row = only(found)
        assert row.before.found == pytest.approx(0.30)
        assert row.shift_worst == pytest.approx(-0.01)
        assert row.worst is not None
        assert row.worst.found == pytest.approx(0.31)


@pytest.mark.parametrize(("unit", "places", "factor"), [
    ("bar", ("0", "5.05", "10"), 1), ("kPa", ("0", "505", "1000"), 100)
])  # fmt: skip
def test_a_gauge_calibrated_with_it_is_off_by_the_same_pressure(
    unit: str, places: Sequence[str], factor: int
) -> None:
    """RG-2 calibrated half way with RG-1: off by 0.05 bar at 5.05 bar, linear by 0.025 for ever."""
    high = str(10 * factor)
    sheet = switch("S1", "5.05", criticality=Criticality.PRODUCTION)
    k2 = certificate(
        "K2", "RG-2", places, on=HALFWAY, unit=unit, U=str(0.01 * factor),
        standards=(StandardUsed("RG-1", "RG-1", "K1"),),
    )  # fmt: skip
    late = FOUND + timedelta(days=300)  # after the finding: the certificate is wrong all the same
    facts = works(
        [gauge("RG-1"), gauge("RG-2", unit=unit, high=high)], [certificate("K1", "RG-1"), k2],
        [sheet], [bench("S1", late, [on("RG-2", "K2")], [places[1]] * 3,
                        below=str(0.2 * factor))],
    )  # fmt: skip
    for found in both_ways(facts, found_bad()):
        row = only(found)
        assert (row.tier, row.path) == (2, ("K2",))
        assert row.shift_worst == pytest.approx(0.05)
        assert row.shift_linear == pytest.approx(0.025)
        (resting,) = found.gauges
        assert (resting.gauge, resting.tier, resting.results) == ("RG-2", 1, 1)
        assert resting.largest_shift == pytest.approx(0.10 / 10.10 * 10 * factor, rel=1e-6)
        assert "calibrate RG-2 with another standard" in [j.what for j in found.jobs][-1]


def test_an_uncorrected_gauge_shifts_like_a_corrected_one() -> None:
    """It keeps its permissible error in the budget; the values move by e1 - e0 all the same."""
    for basis, accuracy in (("% of span", "0.5"), ("absolute", "0.05"), ("% of reading", "1")):
        facts = works(
            [gauge("RG-1", corrections=False, accuracy=accuracy, basis=basis)],
            [certificate("K1", "RG-1", errors=["0", "0.01", "0.02"])],
            [switch("S1", tolerance=("0.5", "0.5"))],
            [bench("S1", HALFWAY, [on("RG-1", "K1")], ["5.00"] * 3)],
        )
        exact, quick = both_ways(facts, found_bad())
        for found in (exact, quick):
            row = only(found)
            assert row.before.found == pytest.approx(5.00)  # not corrected
            assert row.shift_worst == pytest.approx(5.00 * 0.05 / 5.05 - 5.00 * 0.01 / 5.01)
        state = only(exact).worst
        assert state is not None
        wide = 0.01 if basis == "% of reading" else 1e-9
        assert pytest.approx(only(exact).before.U, rel=wide) == state.U


def test_falsely_rejected_and_kept_fail() -> None:
    """Read 5.13, rejected above 5.10; it was 5.079. Read 5.30: rejected then and now."""
    facts = works(
        [gauge("RG-1")], [certificate("K1", "RG-1")], [switch("S1"), switch("S2")],
        [bench("S1", HALFWAY, [on("RG-1", "K1")], ["5.13"] * 3),
         bench("S2", HALFWAY, [on("RG-1", "K1")], ["5.30"] * 3)],
    )  # fmt: skip
    for found in both_ways(facts, found_bad()):
        rows = {row.tag: row for row in found.rows}
        assert rows["S1"].under_worst is Consequence.FLIPPED_IN
        assert rows["S1"].action is Action.ASSESS
        assert rows["S2"].consequence is Consequence.KEPT
        assert rows["S2"].told == ()


def test_a_run_that_did_not_act_stays_a_failure() -> None:
    record = bench("S1", HALFWAY, [on("RG-1", "K1")], ["5.00"] * 3)
    first = replace(record.cycles[0], trip=None, reset=None, outcome=CycleOutcome.NO_TRIP)
    facts = one_switch(switch("S1"), replace(record, cycles=(first, *record.cycles[1:])))
    for event in (found_bad(), found_bad(kind=Kind.LOST)):
        for found in both_ways(facts, event):
            row = only(found)
            assert row.consequence is Consequence.KEPT
            assert "did not act" in row.reason


@pytest.mark.parametrize("kind", [Kind.LOST, Kind.DAMAGED])
def test_an_unknown_error_leaves_nothing_sure(kind: Kind) -> None:
    facts = one_switch(switch("S1"), bench("S1", HALFWAY, [on("RG-1", "K1")], ["5.00"] * 3))
    for found in both_ways(facts, found_bad(kind=kind)):
        row = only(found)
        assert row.consequence is Consequence.NOT_SURE
        assert row.worst is None
        assert row.action is Action.RECALL
        assert f"RG-1: {kind} on 2026-04-11, its error is not known" in row.reason
        assert "Recorded 5.000 bar (pass), inside its limits by 0.100 bar" in row.reason


def test_outside_the_points_found_the_error_is_unknown_unless_the_end_is_taken() -> None:
    """Found at 6.06 and 10.10 only; read at 5.00, below."""
    facts = one_switch(switch("S1"), bench("S1", HALFWAY, [on("RG-1", "K1")], ["5.00"] * 3))
    points = [("6.06", "0.06"), ("10.10", "0.10")]
    for found in both_ways(facts, found_bad(errors=points)):
        assert only(found).consequence is Consequence.NOT_SURE
        assert "outside the points at which RG-1 was checked" in only(found).reason
    for found in both_ways(facts, found_bad(errors=points, beyond=Beyond.END_ERROR)):
        assert only(found).shift_worst == pytest.approx(0.06)


def test_rising_and_falling_errors_are_kept_apart() -> None:
    """Found 0.02 rising and 0.06 falling: a falling set point takes the falling branch."""
    points = tuple(
        FoundPoint(D(i), D(e), d)
        for d, e in zip(DIRECTIONS, ("0.02", "0.06"), strict=True)
        for i in ("0", "10.10")
    )
    event = replace(found_bad(), points=points)
    sheets = [switch("S1"), switch("S2", direction=Direction.FALLING)]
    records = [
        bench("S1", HALFWAY, [on("RG-1", "K1")], ["5.00"] * 3),
        bench("S2", HALFWAY, [on("RG-1", "K1")], ["5.00"] * 3, below="-0.20"),
    ]
    for directions in (DIRECTIONS, (Direction.RISING,)):
        used = certificate("K1", "RG-1", directions=directions)
        if directions != DIRECTIONS:  # a certificate that does not tell the directions apart
            used = replace(
                used,
                points=tuple(replace(p, direction=None) for p in used.points),  # type: ignore[arg-type]
            )
        facts = works([gauge("RG-1")], [used], sheets, records)
        for found in both_ways(facts, event):
            shifts = {row.tag: row.shift_worst for row in found.rows}
            assert shifts == {"S1": pytest.approx(0.02), "S2": pytest.approx(0.06)}


def test_a_withdrawn_certificate_takes_all_that_stands_on_it() -> None:
    """Stated 0, should have stated 0.05 at 5.05: constant; other certificates are not touched."""
    facts = works(
        [gauge("RG-1")],
        [certificate("K1", "RG-1"), certificate("K0", "RG-1", on=date(2025, 1, 1))],
        [switch("S1"), switch("S2")],
        [bench("S1", date(2027, 5, 1), [on("RG-1", "K1")], ["5.05"] * 3),
         bench("S2", HALFWAY, [on("RG-1", "K0")], ["5.05"] * 3)],
    )  # fmt: skip
    event = replace(found_bad(), kind=Kind.WITHDRAWN, certificate="K1")
    for found in both_ways(facts, event):
        row = only(found)
        assert row.tag == "S1"
        assert row.shift_worst == row.shift_linear == pytest.approx(0.05)
    for found in both_ways(facts, replace(event, points=())):
        assert only(found).consequence is Consequence.NOT_SURE


# --- which results ------------------------------------------------------------------------------


def test_the_period_includes_both_days_but_not_what_came_with_the_finding() -> None:
    """On the last good day only the new certificate counts, on the day found only the old one."""
    days = [GOOD, GOOD, GOOD - timedelta(1), FOUND, FOUND, FOUND + timedelta(1)]
    numbers = ["K1", "K0", "K0", "K1", "K9", "K1"]
    facts = works(
        [gauge("RG-1")],
        [certificate("K0", "RG-1", on=date(2025, 1, 1)), certificate("K1", "RG-1"),
         certificate("K9", "RG-1", on=FOUND)],
        [switch(f"S{i}") for i in range(6)],
        [bench(f"S{i}", day, [on("RG-1", number)], ["5.00"] * 3)
         for i, (day, number) in enumerate(zip(days, numbers, strict=True))],
    )  # fmt: skip
    assert sorted(row.tag for row in impact(facts, found_bad()).rows) == ["S0", "S3"]


def test_a_replaced_record_is_counted_not_judged() -> None:
    facts = one_switch(switch("S1"), bench("S1", HALFWAY, [on("RG-1", "K1")], ["5.00"] * 3))
    (one,) = facts.calibrations.values()
    facts = replace(facts, calibrations={one.number: replace(one, replaced_by="C999")})
    found = impact(facts, found_bad())
    assert (found.rows, found.replaced) == ((), (one.number,))
    assert "1 calibration on the gauge replaced" in found.notes[0]
    assert found.statement == "No result rests on RG-1 in the period."


def test_history_is_assessed_not_recalled() -> None:
    """A later calibration; an adjustment after; a switch out of service: nothing to recall."""
    used, late = [on("RG-1", "K1")], [on("RG-2", "K2")]
    record = bench("S2", HALFWAY, used, ["4.91"] * 3)
    left = bench("S2", HALFWAY, used, ["5.05"] * 3, phase=Phase.AS_LEFT)
    facts = works(
        [gauge("RG-1"), gauge("RG-2")], [certificate("K1", "RG-1"), certificate("K2", "RG-2")],
        [switch("S1"), switch("S2"), switch("S3", status=SwitchStatus.OUT_OF_SERVICE)],
        [bench("S1", HALFWAY, used, ["4.91"] * 3), bench("S1", FOUND, late, ["5.00"] * 3),
         replace(record, cycles=(*record.cycles, *left.cycles)),
         bench("S3", HALFWAY, used, ["4.91"] * 3)],
    )  # fmt: skip
    found = impact(facts, found_bad(), areas={"A1": "Boiler house"})
    rows = {(row.tag, row.phase): row for row in found.rows}
    assert rows["S1", Phase.AS_FOUND].action is Action.ASSESS
    assert rows["S1", Phase.AS_FOUND].later == "C002"
    assert "until C002" in rows["S1", Phase.AS_FOUND].advice
    assert rows["S2", Phase.AS_FOUND].consequence is Consequence.FLIPPED_OUT
    assert rows["S2", Phase.AS_FOUND].action is Action.ASSESS
    assert rows["S2", Phase.AS_LEFT].describes_now
    assert rows["S3", Phase.AS_FOUND].action is Action.ASSESS
    assert not [job for job in found.jobs if job.tag]
    assert "the owner of area A1 (Boiler house)" in found.told


def test_order_worst_consequence_then_criticality_then_margin() -> None:
    """Flipped out before not sure before falsely rejected before kept; safety first within each."""
    cases = {
        "G-out": ("4.91", Criticality.GENERAL), "S-out": ("4.93", Criticality.SAFETY),
        "S-worse": ("4.92", Criticality.SAFETY), "E-unsure": ("4.955", Criticality.ENVIRONMENT),
        "P-in": ("5.13", Criticality.PRODUCTION), "S-kept": ("5.05", Criticality.SAFETY),
    }  # fmt: skip
    facts = works(
        [gauge("RG-1")], [certificate("K1", "RG-1")],
        [switch(tag, criticality=c) for tag, (_, c) in cases.items()],
        [bench(tag, HALFWAY, [on("RG-1", "K1")], [trip] * 3)
         for tag, (trip, _) in cases.items()],
    )  # fmt: skip
    for found in both_ways(facts, found_bad()):
        assert [row.tag for row in found.rows] == [
            "S-worse", "S-out", "G-out", "E-unsure", "P-in", "S-kept",
        ]  # fmt: skip
        assert [found.count(c) for c in Consequence] == [3, 1, 1, 1]
        assert found.counts[Consequence.FLIPPED_OUT, Criticality.SAFETY] == 2
        recalled = [(job.tag, (job.by - FOUND).days) for job in found.jobs if job.tag]
        assert recalled == [("S-worse", 1), ("S-out", 1), ("E-unsure", 3), ("G-out", 30)]


# --- since when -------------------------------------------------------------------------------


def check(day: date, difference: str) -> CrossCheck:
    """RG-1 with RG-2: U 0.03 and 0.04, so the limit is sqrt(0.0009 + 0.0016) = 0.05."""
    return CrossCheck("RG-1", "RG-2", day, "bar", D(5) + D(difference), D("0.03"), D(5), D("0.04"))


@pytest.mark.parametrize(("difference", "agrees", "en"), [
    ("0.05", True, 1.0), ("-0.05", True, 1.0), ("0.0501", False, 1.002), ("0.02", True, 0.4),
])  # fmt: skip
def test_cross_check_limit(difference: str, agrees: bool, en: float) -> None:
    """On the limit they agree (common practice, no source; recomputed)."""
    made = check(HALFWAY, difference)
    assert made.agrees is agrees
    assert made.en == pytest.approx(en)


def test_a_cross_check_bounds_the_period() -> None:
    """The newest agreeing one counts, but none after one that failed."""
    held = {c.number: c for c in (
        certificate("K0", "RG-1", on=date(2025, 1, 1)), certificate("K1", "RG-1"),
        replace(certificate("K2", "RG-1", on=date(2026, 3, 1)),
                withdrawal=CertificateWithdrawal(date(2026, 3, 2), "wrong gauge")),
        certificate("K9", "RG-1", on=FOUND),
    )}  # fmt: skip
    assert last_known_good(held, "RG-1", FOUND).on == GOOD
    days = [date(2026, 1, 20), date(2026, 2, 10), date(2026, 3, 10)]
    checks = [check(days[0], "0.01"), check(days[1], "0.06"), check(days[2], "0.01")]
    good = last_known_good(held, "RG-1", FOUND, checks)
    assert (good.on, good.certificate) == (days[0], "K1")
    assert "the two agreed, 0.010 bar apart, limit 0.050 bar" in good.how
    assert last_known_good(held, "RG-1", FOUND, [checks[0], checks[2]]).on == days[2]
    both = [check(days[0], "0.01"), check(days[0], "0.06")]
    assert last_known_good(held, "RG-1", FOUND, both).on == GOOD

    facts = one_switch(switch("S1"), bench("S1", HALFWAY, [on("RG-1", "K1")], ["5.00"] * 3))
    later = replace(found_bad(), last_good=last_known_good(held, "RG-1", FOUND, [checks[2]]))
    assert impact(facts, later).rows == ()


def test_linear_starts_at_the_cross_check() -> None:
    """Good on 2026-01-31, found on 2026-04-11: after 20 of 70 days two sevenths have come about."""
    facts = one_switch(switch("S1"), bench("S1", HALFWAY, [on("RG-1", "K1")], ["5.05"] * 3))
    event = replace(found_bad(), last_good=LastGood(date(2026, 1, 31), "K1", "cross check"))
    row = only(impact(facts, event))
    assert row.shift_linear == pytest.approx(0.05 * 2 / 7)


def refused(make: Callable[[], object]) -> CalfleetError:
    with pytest.raises(CalfleetError) as caught:
        make()
    assert caught.value.rule
    assert caught.value.next_step
    return caught.value


def test_refusals_name_thing_rule_and_next_step() -> None:
    facts = one_switch(switch("S1"), bench("S1", HALFWAY, [on("RG-1", "K1")], ["5.00"] * 3))
    good = LastGood(GOOD, "K1", "calibration")
    assert isinstance(refused(lambda: impact(facts, found_bad("RG-9"))), UnknownName)
    assert isinstance(refused(lambda: impact(facts, found_bad(number="K7"))), UnknownName)
    assert isinstance(refused(lambda: impact(facts, found_bad(unit="degC"))), RecordRefused)
    assert isinstance(
        refused(lambda: FoundBad("RG-1", date(2025, 1, 1), Kind.LOST, good)), DateRefused
    )
    for broken in (
        lambda: FoundBad("RG-1", FOUND, Kind.AS_FOUND, good),
        lambda: replace(found_bad(), kind=Kind.LOST),
        lambda: FoundBad("RG-1", FOUND, Kind.WITHDRAWN, good),
        lambda: last_known_good(facts.certificates, "RG-1", GOOD),
    ):
        assert isinstance(refused(broken), RecordRefused)
    zero = CrossCheck("a", "b", GOOD, "bar", D(1), D(1), D(1), D(1))
    assert isinstance(refused(lambda: replace(zero, U=D(0), other_U=D(0))), BadQuantity)
    assert isinstance(refused(lambda: replace(zero, U=D(-1))), BadQuantity)


# --- standards that cannot be followed by number ------------------------------------------------


def tier_two(k2: Certificate, second: Gauge, *more: Gauge) -> Impact:
    used = [on("RG-2", "K2")]
    facts = works(
        [gauge("RG-1"), second, *more],
        [certificate("K1", "RG-1"), certificate("K3", "RG-3"), k2],
        [switch("S1")], [bench("S1", FOUND, used, ["5.00"] * 3)],
    )  # fmt: skip
    exact, quick = both_ways(facts, found_bad())
    assert only(exact).consequence is only(quick).consequence
    assert only(exact).shift_worst == (
        None if only(quick).shift_worst is None else pytest.approx(only(quick).shift_worst)
    )
    return exact


def test_an_auxiliary_of_another_quantity_has_an_unknown_effect() -> None:
    k2 = certificate("K2", "RG-2", on=HALFWAY, standards=(StandardUsed("", "RG-1", "K1"),))
    facts = works(
        [gauge("RG-1", unit="degC", mode=None), gauge("RG-2")],
        [certificate("K1", "RG-1", unit="degC"), k2],
        [switch("S1")], [bench("S1", FOUND, [on("RG-2", "K2")], ["5.00"] * 3)],
    )  # fmt: skip
    for found in both_ways(facts, found_bad(unit="degC")):
        assert only(found).consequence is Consequence.NOT_SURE
        assert "of another quantity" in only(found).reason
        assert found.gauges[0].largest_shift is None


def test_points_beyond_the_bad_standard_are_sound_only_with_another_standard() -> None:
    """RG-1 reaches 10 bar; the 20 bar point needs somebody else."""
    places = ("0", "5", "20")
    alone = certificate(
        "K2", "RG-2", places, on=HALFWAY, standards=(StandardUsed("", "RG-1", "K1"),)
    )
    shared = replace(alone, standards=(*alone.standards, StandardUsed("", "RG-3", "K3")))
    second, third = gauge("RG-2", high="20"), gauge("RG-3", high="20")
    row = only(tier_two(alone, second, third))
    assert row.shift_worst == pytest.approx(5 * 0.05 / 5.05)  # at the point itself it is known
    found = tier_two(shared, second, third)
    assert only(found).shift_worst == pytest.approx(5 * 0.05 / 5.05)
    assert found.gauges[0].largest_shift == pytest.approx(5 * 0.05 / 5.05)
    assert tier_two(alone, second, third).gauges[0].largest_shift is None


def test_a_vacuum_gauge_calibrated_with_a_gauge_pressure_gauge_turns_the_sign() -> None:
    """RG-1 reads 0.02 too much at -0.5: truly -0.52. RG-2 states 0.5, was 0.52: off by -0.02."""
    k1 = certificate("K1", "RG-1", ("-1", "0", "10"))
    k2 = certificate(
        "K2", "RG-2", ("0", "0.5", "1"), on=HALFWAY, standards=(StandardUsed("", "RG-1", "K1"),)
    )
    facts = works(
        [gauge("RG-1", low="-1"), gauge("RG-2", high="1", mode=PressureMode.VACUUM)], [k1, k2],
        [switch("S1", "0.50", quantity=Quantity.VACUUM, span=("0", "1"))],
        [bench("S1", FOUND, [on("RG-2", "K2")], ["0.50"] * 3, below="0.05")],
    )  # fmt: skip
    event = found_bad(errors=[("-1", "0.02"), ("10", "0.02")])
    for found in both_ways(facts, event):
        row = only(found)
        assert row.shift_worst == pytest.approx(-0.02)
        assert row.worst is not None
        assert row.worst.found == pytest.approx(0.52)


def test_a_circle_of_certificates_ends_and_is_unknown() -> None:
    k2 = certificate(
        "K2", "RG-2", on=HALFWAY,
        standards=(StandardUsed("", "RG-1", "K1"), StandardUsed("", "RG-3", "K3")),
    )  # fmt: skip
    k3 = certificate("K3", "RG-3", on=HALFWAY, standards=(StandardUsed("", "RG-2", "K2"),))
    facts = works(
        [gauge("RG-1"), gauge("RG-2"), gauge("RG-3")], [certificate("K1", "RG-1"), k2, k3],
        [switch("S1")], [bench("S1", FOUND, [on("RG-3", "K3")], ["5.00"] * 3)],
    )  # fmt: skip
    for found in both_ways(facts, found_bad()):
        assert only(found).consequence is Consequence.NOT_SURE
        assert "rests on itself in a circle" in only(found).reason


# --- graphs against networkx --------------------------------------------------------------------


@st.composite
def graphs(draw: st.DrawFn) -> nx.DiGraph:
    """Certificates 0 to n - 1, each with the ones that rest on it; circles included."""
    n = draw(st.integers(2, 12))
    pairs = st.tuples(st.integers(0, n - 1), st.integers(1, n - 1))
    made = nx.DiGraph()
    made.add_nodes_from(range(n))
    made.add_edges_from(draw(st.lists(pairs, max_size=30)))
    return made


def works_of(graph: nx.DiGraph) -> ChainFacts:
    """One gauge and in-house certificate per node, an edge to each that it was the standard of.

    A bare calibration ``C3`` on each certificate ``K3``, and ``T3`` on it and on K1 together.
    """
    n = len(graph)
    certificates = [
        certificate(
            f"K{i}", f"RG-{i}", on=GOOD if i == 0 else HALFWAY,
            standards=tuple(StandardUsed("", f"RG-{p}", f"K{p}") for p in graph.predecessors(i)),
        )
        for i in range(n)
    ]  # fmt: skip
    # one bare calibration per certificate, and one on two gauges; the figures play no part
    record = bench("S1", FOUND, [], ["5.00"])
    calibrations = {}
    for i in range(n):
        for number, used in (
            (f"C{i}", [on(f"RG-{i}", f"K{i}")]),
            (f"T{i}", [on("RG-1", "K1"), on(f"RG-{i}", f"K{i}", GaugeRole.STATIC)]),
        ):
            calibrations[number] = Calibration(
                number, replace(record, gauges=tuple(used)), 1, (), (), Origin.BENCH, "1",
                datetime(2026, 6, 1, tzinfo=UTC), "P1",
            )  # fmt: skip
    facts = works([gauge(f"RG-{i}") for i in range(n)], certificates, [switch("S1")], [])
    return replace(facts, calibrations=calibrations)


@settings(max_examples=60, deadline=None)
@given(graphs())
def test_affected_are_the_descendants_each_once(graph: nx.DiGraph) -> None:
    n = len(graph)
    facts = works_of(graph)
    found = find_affected(facts, found_bad("RG-0", kind=Kind.LOST, number="K0"))

    below = nx.descendants(graph, 0) - {0}
    assert set(found.certificates) - {"K0"} == {f"K{i}" for i in below}
    lengths = nx.single_source_shortest_path_length(graph, 0)
    for i in below:
        assert found.certificates[f"K{i}"].tier == lengths[i]
        path = [int(number[1:]) for number in found.path(f"K{i}")]
        assert len(path) == lengths[i]
        assert path[-1] == i
        assert nx.is_path(graph, [0, *path])
    numbers = found.calibrations
    assert len(numbers) == len(set(numbers))
    wanted = {f"C{i}" for i in below | {0}} | {f"T{i}" for i in below | {0}}
    wanted |= {f"T{i}" for i in range(n)} if 1 in below else set()
    assert set(numbers) == wanted
    made = impact(facts, found_bad("RG-0", kind=Kind.LOST, number="K0"))
    assert {one.certificate for one in made.gauges} == set(found.certificates)


@settings(max_examples=40, deadline=None)
@given(graphs(), st.integers(0, 11))
def test_what_is_affected_is_what_traces_back_to_it(graph: nx.DiGraph, start: int) -> None:
    """Both directions on one graph, circles included: reached from below, found from above."""
    bad = start % len(graph)
    facts = works_of(graph)
    found = find_affected(facts, found_bad(f"RG-{bad}", kind=Kind.LOST, number=f"K{bad}"))
    key = f"certificate K{bad}"
    traced = {
        number
        for number, chain in zip(facts.calibrations, trace_results(facts), strict=True)
        if any(node.key == key for node in chain.nodes)
    }
    assert set(found.calibrations) == traced
    resting = {
        number
        for number in facts.certificates
        if any(node.key == key for node in trace_certificate(facts, number).nodes)
    }
    assert set(found.certificates) | {f"K{bad}"} == resting
    above = {f"K{i}" for i in nx.descendants(graph, bad) | {bad}}
    assert resting == above


def test_affected_through_a_thousand_tiers() -> None:
    graph: nx.DiGraph = nx.path_graph(1200, create_using=nx.DiGraph)
    found = find_affected(works_of(graph), found_bad("RG-0", kind=Kind.LOST, number="K0"))
    assert found.certificates["K1199"].tier == 1199
    assert found.path("K1199") == tuple(f"K{i}" for i in range(1, 1200))
    assert len(found.calibrations) == 2400


def test_a_standard_shared_by_many_ways_is_met_once() -> None:
    """Forty layers of two gauges, each calibrated with both of the layer before: 2**39 ways."""
    graph: nx.DiGraph = nx.DiGraph()
    graph.add_nodes_from(range(81))
    graph.add_edges_from([(0, 1), (0, 2)])
    for layer in range(1, 40):
        graph.add_edges_from((2 * layer - 1 + a, 2 * layer + 1 + b) for a in (0, 1) for b in (0, 1))
    facts = works_of(graph)
    found = find_affected(facts, found_bad("RG-0", kind=Kind.LOST, number="K0"))
    assert set(found.certificates) - {"K0"} == {f"K{i}" for i in range(1, 81)}
    chain = trace_certificate(facts, "K80")
    keys = [n.key for n in chain.nodes if n.key.startswith("certificate ")]
    assert len(keys) == len(set(keys)) == 1 + len(nx.ancestors(graph, 80))


# --- properties ---------------------------------------------------------------------------------

RULES = (
    ("simple acceptance", "2"), ("simple acceptance", "40"), ("guarded acceptance", "2"),
    ("non-binary", "2"), ("managed risk", "2"), ("conformance probability", "2"),
)  # fmt: skip
SEVERITY = {
    Consequence.KEPT: 0, Consequence.FLIPPED_IN: 0, Consequence.NOT_SURE: 1,
    Consequence.FLIPPED_OUT: 2,
}  # fmt: skip

trips = st.lists(st.integers(4850, 5150), min_size=1, max_size=3).map(
    lambda values: [f"{v / 1000:.3f}" for v in values]
)
tolerances = st.sampled_from([("0.10", "0.10"), ("0.05", "0.12"), (None, "0.10"), ("0.10", None)])


@settings(max_examples=60, deadline=None)
@given(
    trips,
    tolerances,
    st.sampled_from(RULES),
    st.sampled_from(DIRECTIONS),
    st.integers(0, 100),
    st.lists(st.integers(-60, 60), min_size=3, max_size=3),
)
def test_worst_is_at_least_as_severe_as_linear_and_severity_grows_with_the_error(
    read: list[str],
    tolerance: tuple[str | None, str | None],
    rule: tuple[str, str],
    direction: Direction,
    days: int,
    errors: list[int],
) -> None:
    """For a result that was accepted; and a shift of zero keeps every verdict."""
    below = "0.20" if direction is Direction.RISING else "-0.20"
    facts = works(
        [gauge("RG-1")],
        [certificate("K1", "RG-1", errors=["0.004", "-0.003", "0.002"])],
        [switch("S1", tolerance=tolerance, direction=direction)],
        [bench("S1", GOOD + timedelta(days), [on("RG-1", "K1")], read, below=below)],
        procedure(*rule),
    )
    stated = points_found(facts.certificates["K1"])

    def event(share: str) -> FoundBad:
        extra = dict(zip((D(0), D(5), D(10)), errors, strict=True))
        points = tuple(
            replace(p, error=p.error + extra[p.indication - p.error] * D(share) / 1000)
            for p in stated
        )
        return FoundBad("RG-1", FOUND, Kind.AS_FOUND, found_bad().last_good, points, "bar")

    for gives in (inputs_of(facts), None):
        still = only(impact(facts, event("0"), inputs=gives))
        assert still.consequence is Consequence.KEPT
        assert still.worst is not None
        assert still.worst.verdict is still.before.verdict
        assert still.shift_worst == pytest.approx(0, abs=1e-12)
    rows = [only(impact(facts, event(share), inputs=inputs_of(facts))) for share in ("0.5", "1")]
    for row in rows:
        assert row.exact
        if row.before.verdict.accepted:
            assert SEVERITY[row.under_worst] >= SEVERITY[row.under_linear]
    if rows[0].before.verdict.accepted:
        assert SEVERITY[rows[1].under_worst] >= SEVERITY[rows[0].under_worst]
        assert SEVERITY[rows[1].under_linear] >= SEVERITY[rows[0].under_linear]


def same(exact: Row, quick: Row) -> None:
    """Both paths say the same: consequences, verdicts, margins, uncertainties."""
    assert exact.exact
    assert (exact.under_worst, exact.under_linear) == (quick.under_worst, quick.under_linear)
    assert exact.describes_now is quick.describes_now
    pairs = [(exact.before, quick.before), (exact.worst, quick.worst)]
    for one, other in [*pairs, (exact.linear, quick.linear)]:
        assert (one is None) is (other is None)
        if one is not None and other is not None:
            assert one.verdict is other.verdict
            assert one.margin == pytest.approx(other.margin, abs=1e-9)
            assert one.found == pytest.approx(other.found, abs=1e-9)
            assert pytest.approx(other.U, rel=1e-3) == one.U
            assert bool(one.limits) is bool(other.limits)
    assert exact.shift_worst == pytest.approx(quick.shift_worst, abs=1e-9)


@settings(max_examples=40, deadline=None)
@given(st.data())
def test_at_once_and_exactly_agree(data: st.DataObject) -> None:
    """Rules, tolerances, static pressure, uncorrected gauges, dead band limits, tiers."""
    corrections = data.draw(st.booleans())
    differential = data.draw(st.booleans())
    second = data.draw(st.booleans())
    static = "2.02" if differential else None
    offset = D("2.02") if differential else D(0)
    read = [str(D(t) + offset) for t in data.draw(trips)]
    sheet = switch(
        "S1", tolerance=data.draw(tolerances), static=static or "0",
        quantity=Quantity.DIFFERENTIAL if differential else Quantity.PRESSURE,
        dead_band=data.draw(st.sampled_from([(None, None), ("0.198", "0.202"), (None, "0.2")])),
    )  # fmt: skip
    k2 = certificate(
        "K2", "RG-2", errors=["0.002", "0.003", "-0.001"], on=date(2026, 3, 1),
        standards=(StandardUsed("", "RG-1", "K1"),),
    )  # fmt: skip
    used = on("RG-2", "K2") if second else on("RG-1", "K1")
    facts = works(
        [gauge("RG-1", corrections=corrections), gauge("RG-2", corrections=corrections)],
        [certificate("K1", "RG-1", errors=["0.001", "-0.003", "0.002"]), k2], [sheet],
        [bench("S1", data.draw(st.dates(date(2026, 3, 1), FOUND)), [used], read, static=static)],
        procedure(*data.draw(st.sampled_from(RULES))),
    )  # fmt: skip
    errors = data.draw(st.lists(st.integers(-80, 80), min_size=3, max_size=3))
    points = [(i, str(D(e) / 1000)) for i, e in zip(("-0.1", "5", "10.1"), errors, strict=True)]
    exact, quick = both_ways(facts, found_bad(errors=points))
    same(only(exact), only(quick))
    mixed = impact(facts, found_bad(errors=points), inputs=inputs_of(facts), exact_up_to=0)
    assert only(mixed).consequence is only(exact).consequence


def test_what_lies_on_a_limit_is_judged_exactly() -> None:
    """5.20 less 0.10 is 5.10, on the limit and inside; in doubles 5.1000000000000005, outside."""
    facts = one_switch(switch("S1"), bench("S1", HALFWAY, [on("RG-1", "K1")], ["5.20"] * 3))
    event = found_bad(errors=[("0", "0.10"), ("10.1", "0.10")])
    found = impact(facts, event, inputs=inputs_of(facts), exact_up_to=0)
    row = only(found)
    assert row.exact
    assert row.worst is not None
    assert row.worst.margin == 0
    assert row.under_worst is Consequence.FLIPPED_IN


def test_every_combination_of_course_and_criticality_has_an_action() -> None:
    facts = one_switch(switch("S1"), bench("S1", HALFWAY, [on("RG-1", "K1")], ["5.00"] * 3))
    row = only(impact(facts, found_bad()))
    for consequence, criticality, now in product(Consequence, Criticality, (True, False)):
        one = row._replace(consequence=consequence, criticality=criticality, describes_now=now)
        assert (one.action is Action.NONE) is (consequence is Consequence.KEPT)
        assert one.action is not Action.RECALL or now
        assert bool(one.told) is (consequence is not Consequence.KEPT)
        assert one.advice
