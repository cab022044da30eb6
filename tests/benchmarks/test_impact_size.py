"""A gauge with many results through four tiers, judged again: time, and ratio to a plain loop.

With 5,000 results unless ``CALFLEET_BENCHMARK_RESULTS`` says how many; all in memory, no database.
Nothing here fails for being slow. The plain loop only subtracts the known shift from every trip
and compares with the limits: the least that any program in Python has to do.
"""

from __future__ import annotations

import os
import random
import sys
import time
from datetime import UTC, date, datetime, timedelta
from decimal import Decimal
from typing import Any

import pytest

from calfleet.metrology.direction import Direction
from calfleet.metrology.units import PressureMode
from calfleet.records import (
    BenchRecord,
    Calibration,
    Certificate,
    CertificatePoint,
    Criticality,
    Cycle,
    Gauge,
    GaugeRole,
    GaugeStatus,
    GaugeUsed,
    Origin,
    Phase,
    Quantity,
    Result,
    SetPoint,
    StandardUsed,
    Switch,
    SwitchStatus,
)
from calfleet.traceability.chain import ChainFacts
from calfleet.traceability.exposure import exposures
from calfleet.traceability.impact import (
    Consequence,
    FoundBad,
    FoundPoint,
    Kind,
    LastGood,
    impact,
)

RESULTS = int(os.environ.get("CALFLEET_BENCHMARK_RESULTS", "5000"))
TIERS = (1, 4, 16, 64)
START, FOUND = date(2025, 1, 1), date(2026, 1, 1)
PART = 0.012  # the gauge reads 1.2 % of the pressure too high
LOW, HIGH = 9.5, 10.5
D = Decimal


def gauge(code: str, tier: int) -> Gauge:
    return Gauge(
        code=code, revision=1, effective_on=date(2020, 1, 1), reason="", serial=code,
        description="gauge", status=GaugeStatus.IN_SERVICE, mode=PressureMode.GAUGE, unit="bar",
        range_low=D(0), range_high=D(20), resolution=D("0.001"), accuracy=D("0.1"),
        accuracy_basis="% of span", drift_per_year=D(0), temperature_coefficient=D(0),
        reference_temperature_c=D(20), use_corrections=True, tier=tier, policy="R12",
    )  # fmt: skip


POINTS = tuple(
    CertificatePoint(Phase.AS_FOUND, direction, D(k), D(k), D("0.01"), D(2))
    for direction in Direction
    for k in range(0, 21, 2)
)


def certificate(code: str, day: date, standards: tuple[StandardUsed, ...]) -> Certificate:
    return Certificate(
        f"K-{code}", code, "LAB", day, day, "bar", D(20), D("0.5"), False, POINTS, standards
    )


def site() -> ChainFacts:
    """One gauge, the gauges calibrated with it in three tiers below, and results on all of them."""
    chance = random.Random(5)
    gauges: dict[str, tuple[Gauge, ...]] = {}
    certificates: dict[str, Certificate] = {}
    above: list[str] = []
    for tier, number in enumerate(TIERS):
        row = [f"G{tier}-{i}" for i in range(number)]
        for i, code in enumerate(row):
            gauges[code] = (gauge(code, tier + 1),)
            standard = above[i % len(above)] if above else None
            rests = (StandardUsed("", standard, f"K-{standard}"),) if standard else ()
            one = certificate(code, START + timedelta(30 * tier), rests)
            certificates[one.number] = one
        above = row
    point = SetPoint(
        "H", D(10), Direction.RISING, D("0.5"), D("0.5"), "absolute", None, None, "fixed",
        D("0.1"), D(3), D("0.5"), "NO", "trip", "open",
    )  # fmt: skip
    weights = list(Criticality)
    switches = {
        (f"S{i}", 1): Switch(
            f"S{i}", 1, date(2020, 1, 1), "", "", "A1", "", "F", Quantity.PRESSURE, "bar", D(0),
            D(20), "bar", D(30), D(0), "air", weights[i % 4], False, SwitchStatus.IN_SERVICE,
            "P", "PR", 30, (), (point,),
        )
        for i in range(RESULTS // 5)
    }  # fmt: skip
    uses = [(GaugeUsed(GaugeRole.OPERATING, code, f"K-{code}"),) for code in gauges]
    at = datetime(2026, 1, 1, tzinfo=UTC)
    calibrations: dict[str, Calibration] = {}
    for i in range(RESULTS):
        near = chance.gauss(10, 0.25)
        read = [round(near + chance.gauss(0, 0.02), 3) for _ in range(3)]
        cycles = tuple(
            Cycle("H", Phase.AS_FOUND, run, D(str(trip)), D(str(round(trip - 0.5, 3))))
            for run, trip in enumerate(read, start=1)
        )
        found = sum(read) / 3
        verdict = "pass" if min(read) >= LOW and max(read) <= HIGH else "fail"
        result = Result(
            "H", Phase.AS_FOUND, "bar", D(10), found, read[0], found - 10, None, 0.5,
            max(read) - min(read), 3, 0.02, 0.015, 2.0, 0.03, None, 0.95, 16.0, LOW, HIGH, LOW,
            HIGH, "simple acceptance", "", verdict, "", "", 0.0,
        )  # fmt: skip
        bench = BenchRecord(
            f"S{i % len(switches)}", START + timedelta(120 + i % 200), "P1", "PR", 1,
            uses[i % len(uses)], cycles, D(20), D("0.5"), False,
        )  # fmt: skip
        calibrations[f"C{i}"] = Calibration(
            f"C{i}", bench, 1, (result,), (), Origin.BENCH, "1", at, "P1"
        )
    return ChainFacts(calibrations, switches, {}, {}, gauges, certificates, {}, {})


def plain_loop(facts: ChainFacts) -> int:
    """How many accepted results are outside once the shift is taken off: the floor."""
    out = 0
    for calibration in facts.calibrations.values():
        read = [float(c.trip) for c in calibration.bench.cycles if c.trip is not None]
        before = [LOW <= trip <= HIGH for trip in read]
        after = [LOW <= trip - PART * trip <= HIGH for trip in read]
        out += all(before) and not all(after)
    return out


def test_many_results_through_four_tiers(
    benchmark: Any, capsys: pytest.CaptureFixture[str]
) -> None:
    """Processor time, so that what else the machine does weighs little; printed and kept.

    Checked: everything is found once, and as many flip out as in the plain loop.
    """
    facts = site()
    event = FoundBad(
        "G0-0", FOUND, Kind.AS_FOUND, LastGood(START, "K-G0-0", "calibration"),
        tuple(FoundPoint(D(k), D(k) * D(str(PART))) for k in range(0, 21, 2)), "bar",
    )  # fmt: skip
    start = time.process_time()
    wanted = plain_loop(facts)
    floor = time.process_time() - start

    start = time.process_time()
    found = benchmark.pedantic(impact, args=(facts, event), rounds=1, iterations=1)
    taken = time.process_time() - start

    start = time.process_time()
    exposed = exposures(facts, FOUND)
    exposing = time.process_time() - start

    assert len({(row.calibration, row.set_point) for row in found.rows}) == RESULTS
    assert {row.tier for row in found.rows} == {1, 2, 3, 4}
    assert sum(row.under_worst is Consequence.FLIPPED_OUT for row in found.rows) == wanted > 0
    assert len(found.gauges) == sum(TIERS) - 1
    assert exposed[0].gauge == "G0-0"
    assert exposed[0].results() == len(facts.switches)

    benchmark.extra_info.update(seconds=taken, floor=floor, ratio=taken / floor)
    with capsys.disabled():
        sys.stdout.write(
            f"\n  {RESULTS:,} results through {len(TIERS)} tiers judged again: {taken:.1f} s of "
            f"processor time, {taken / floor:.1f} times a plain loop ({floor:.2f} s); "
            f"exposures of {len(exposed)} gauges: {exposing:.2f} s\n"
        )
