"""Traceability in a database, both ways, against plain SQL on the same database.

*Backward*: a gauge found bad, results on it through four tiers. The hand-written SQL finds the
results by one recursive query, and, a second time, fetches of each what re-judging needs at least:
its readings and its limits. Ours finds them, judges every one again, and makes every row of the
report. *Forward*: one result traced to its standards; the SQL walks the certificates behind it.

With 5,000 results unless ``CALFLEET_BENCHMARK_RESULTS`` says how many: docs/performance.md has the
figures for 100,000. Nothing here fails for being a little slow: the bounds on the ratios only
catch what grew out of all proportion.
"""

from __future__ import annotations

import os
import random
import shutil
import sqlite3
import sys
import time
from collections.abc import Callable
from contextlib import closing
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from decimal import Decimal
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import insert
from sqlalchemy.orm import Session

from calfleet import records as rec
from calfleet.metrology.direction import Direction
from calfleet.metrology.units import PressureMode
from calfleet.records import Phase
from calfleet.services.event_facts import event_facts, touched_by
from calfleet.services.show_event import judged
from calfleet.services.trace import trace
from calfleet.store import doubt_facts, facts
from calfleet.store.engine import open_engine
from calfleet.store.models import (
    CalibrationCycleRow,
    CalibrationGaugeRow,
    CalibrationResultRow,
    CalibrationRow,
)
from calfleet.store.work import Work
from calfleet.traceability.impact import Consequence
from calfleet.traceability.links import NodeKind

RESULTS, SWITCHES = int(os.environ.get("CALFLEET_BENCHMARK_RESULTS", "5000")), 2_000
TIERS = (1, 4, 16, 64)
START, FOUND = date(2025, 1, 1), date(2026, 1, 1)
PART = 0.012  # the gauge reads 1.2 % of the pressure too high
LOW, HIGH = 9.5, 10.5
MOST_TIMES = 100  # Python against bare rows; with few results it is the start that counts
TRACED = 20
D = Decimal
AT = datetime(2026, 1, 2, tzinfo=UTC)

FIND = """
    WITH RECURSIVE resting(id) AS (
        SELECT s.certificate_id
        FROM certificate_standard s
        JOIN certificate k ON k.id = s.certificate_id
        JOIN gauge g ON g.id = s.gauge_id
        WHERE g.code = :gauge AND k.calibrated_on BETWEEN :since AND :found
        UNION
        SELECT s.certificate_id
        FROM certificate_standard s JOIN resting r ON r.id = s.standard_certificate_id
    )
    SELECT {columns}
    FROM calibration c
    JOIN calibration_gauge u ON u.calibration_id = c.id
    JOIN gauge g ON g.id = u.gauge_id
    JOIN calibration_result r ON r.calibration_id = c.id
    {more}
    WHERE NOT EXISTS (SELECT 1 FROM calibration n WHERE n.replaces_id = c.id)
      AND (u.certificate_id IN (SELECT id FROM resting)
           OR (g.code = :gauge AND c.performed_on BETWEEN :since AND :found))
"""
FOUND_BY_HAND = FIND.format(columns="c.number, r.set_point_id, r.phase", more="")
READ_BY_HAND = FIND.format(
    columns="c.number, r.lower_limit, r.upper_limit, y.trip_value, y.reset_value",
    more="JOIN calibration_cycle y ON y.calibration_id = c.id AND y.set_point_id = r.set_point_id "
    "AND y.phase = r.phase",
)


def gauge(code: str, tier: int) -> rec.Gauge:
    return rec.Gauge(
        code=code, revision=1, effective_on=date(2020, 1, 1), reason="", serial=code,
        description="gauge", status=rec.GaugeStatus.IN_SERVICE, mode=PressureMode.GAUGE,
        unit="bar", range_low=D(0), range_high=D(20), resolution=D("0.001"), accuracy=D("0.1"),
        accuracy_basis="% of span", drift_per_year=D(0), temperature_coefficient=D(0),
        reference_temperature_c=D(20), use_corrections=True, tier=tier, policy="R12",
    )  # fmt: skip


POINTS = tuple(
    rec.CertificatePoint(Phase.AS_FOUND, direction, D(k), D(k), D("0.01"), D(2))
    for direction in Direction
    for k in range(0, 21, 2)
)
SHIFTED = tuple(replace(p, reference=p.indication * (1 - D(str(PART)))) for p in POINTS)


def certificate(
    code: str, day: date, standards: tuple[rec.StandardUsed, ...] = ()
) -> rec.Certificate:
    return rec.Certificate(
        f"K-{code}",
        code,
        "HOUSE" if standards else "LAB",
        day,
        day,
        "bar",
        D(20),
        D("0.5"),
        False,
        POINTS,
        standards,
    )


def registers(work: Work) -> list[str]:
    """Everything but the results, entered the usual way; the codes of the gauges in use."""
    facts.add_site(work, rec.Site("W", "Works"))
    facts.add_area(work, rec.Area("A1", "Area"))
    facts.add_person(work, rec.Person("P1", "Wren Ashlock"))
    facts.add_laboratory(work, rec.Laboratory("LAB", "Measures", rec.LaboratoryKind.NATIONAL))
    facts.add_laboratory(work, rec.Laboratory("HOUSE", "House", rec.LaboratoryKind.IN_HOUSE))
    for code in ("R12", "P"):
        facts.add_policy(
            work,
            rec.IntervalPolicy(
                code, START, rec.IntervalBasis.LAST_DONE, 12, rec.IntervalUnit.MONTH
            ),
        )
    facts.add_procedure_revision(
        work,
        rec.ProcedureRevision(
            "PR", "Pressure", 1, date(2019, 1, 1), "P1", date(2020, 1, 1),
            (rec.Quantity.PRESSURE,), 0, 3, 3, D(0), D(10), D(30), D("0.8"), D(4),
            "simple acceptance", D(1), D("0.95"),
        ),
    )  # fmt: skip
    point = rec.SetPoint(
        "H", D(10), Direction.RISING, D("0.5"), D("0.5"), "absolute", None, None, "fixed",
        D("0.1"), D(3), D("0.5"), "NO", "trip", "open",
    )  # fmt: skip
    weights = list(rec.Criticality)
    for i in range(SWITCHES):
        facts.add_switch(
            work,
            rec.Switch(
                f"S{i}", 1, date(2020, 1, 1), "", "", "A1", "", "F", rec.Quantity.PRESSURE, "bar",
                D(0), D(20), "bar", D(30), D(0), "air", weights[i % 4], False,
                rec.SwitchStatus.IN_SERVICE, "P", "PR", 30, (), (point,),
            ),
        )  # fmt: skip
    codes: list[str] = []
    above: list[str] = []
    for tier, number in enumerate(TIERS):
        row = [f"G{tier}-{i}" for i in range(number)]
        for i, code in enumerate(row):
            facts.add_gauge(work, gauge(code, tier + 1))
            standard = above[i % len(above)] if above else None
            rests = (rec.StandardUsed("", standard, f"K-{standard}"),) if standard else ()
            facts.add_certificate(work, certificate(code, START + timedelta(30 * tier), rests))
        codes += row
        above = row
    found = replace(certificate("G0-0", FOUND), number="K-FOUND", points=SHIFTED)
    facts.add_certificate(work, found)
    doubt_facts.add_event(
        work,
        rec.GaugeEvent("E2026-001", "G0-0", rec.FoundBadKind.AS_FOUND, FOUND, "P1", "K-FOUND"),
    )
    return codes


def results(work: Work, codes: list[str]) -> None:
    """The results, row by row in bulk: entering them one by one would take minutes."""
    chance = random.Random(5)
    ids = work.ids
    sheets = [ids["switch revision", f"S{i}", 1] for i in range(SWITCHES)]
    points = [ids["set point", f"S{i}", 1, "H"] for i in range(SWITCHES)]
    switches = [facts.known(work, facts.SwitchRow, "switch", f"S{i}", "tag")
                for i in range(SWITCHES)]  # fmt: skip
    procedure = ids["procedure revision", "PR", 1]
    person = facts.known(work, facts.PersonRow, "person", "P1")
    used = [
        {
            "gauge_id": facts.known(work, facts.GaugeRow, "gauge", code),
            "gauge_revision_id": ids["gauge revision", code, 1],
            "certificate_id": ids[facts.CertificateRow, f"K-{code}"],
        }
        for code in codes
    ]
    rows: dict[Any, list[dict[str, Any]]] = {
        CalibrationRow: [], CalibrationGaugeRow: [], CalibrationCycleRow: [],
        CalibrationResultRow: [],
    }  # fmt: skip
    bare = dict.fromkeys(
        ("barometric", "barometric_unit", "head_height_m", "head_height_half_width_m",
         "head_density_kg_m3", "returned_by_id", "verified_by_id", "replaces_id",
         "replacement_reason")
    )  # fmt: skip
    empty = dict.fromkeys(
        ("adjustment_note", "contact_check", "seal", "permit", "bypass", "work_order", "remarks"),
        "",
    )
    for i in range(RESULTS):
        at = i % SWITCHES
        near = chance.gauss(10, 0.25)
        read = [round(near + chance.gauss(0, 0.02), 3) for _ in range(3)]
        mean = sum(read) / 3
        verdict = "pass" if min(read) >= LOW and max(read) <= HIGH else "fail"
        rows[CalibrationRow].append(
            bare | empty | {
                "id": i + 1, "site_id": 1, "number": f"C{i}", "switch_id": switches[at],
                "switch_revision_id": sheets[at], "procedure_revision_id": procedure,
                "performed_on": START + timedelta(120 + i % 200), "performed_by_id": person,
                "temperature_c": D(20), "humidity": D("0.5"),
                "exercised_before_as_found": False, "exercise_cycles": 0, "adjusted": False,
                "origin": "bench", "evaluation_version": "1", "recorded_at": AT,
                "recorded_by": "P1",
            }
        )  # fmt: skip
        rows[CalibrationGaugeRow].append(
            {"calibration_id": i + 1, "role": "operating"} | used[i % len(used)]
        )
        for run, trip in enumerate(read, start=1):
            reset = round(trip - 0.5, 3)
            rows[CalibrationCycleRow].append(
                {
                    "calibration_id": i + 1, "switch_revision_id": sheets[at],
                    "set_point_id": points[at], "direction": "rising", "phase": "as-found",
                    "run": run, "static": None, "static_value": None, "trip": D(str(trip)),
                    "trip_value": trip, "reset": D(str(reset)), "reset_value": reset,
                    "outcome": "tripped",
                }
            )  # fmt: skip
        rows[CalibrationResultRow].append(
            {
                "calibration_id": i + 1, "switch_revision_id": sheets[at],
                "set_point_id": points[at], "phase": "as-found", "unit": "bar",
                "required": D(10), "found": mean, "first_trip": read[0], "error": mean - 10,
                "late": None, "dead_band": 0.5, "repeatability": max(read) - min(read),
                "runs": 3, "trip_sd": 0.02, "standard_uncertainty": 0.015,
                "coverage_factor": 2.0, "expanded_uncertainty": 0.03, "effective_dof": None,
                "coverage_probability": 0.95, "tur": 16.0, "lower_limit": LOW,
                "upper_limit": HIGH, "lower_acceptance": LOW, "upper_acceptance": HIGH,
                "decision_rule": "simple acceptance", "rule_statement": "", "verdict": verdict,
                "category": "", "reason": "", "probability_outside": 0.0, "budget": {},
            }
        )  # fmt: skip
    for row, given in rows.items():
        work.session.execute(insert(row), given)


BEHIND_BY_HAND = """
    WITH RECURSIVE behind(id) AS (
        SELECT u.certificate_id
        FROM calibration_gauge u JOIN calibration c ON c.id = u.calibration_id
        WHERE c.number = :number
        UNION
        SELECT s.standard_certificate_id
        FROM certificate_standard s JOIN behind b ON b.id = s.certificate_id
        WHERE s.standard_certificate_id IS NOT NULL
    )
    SELECT k.number, k.calibrated_on, g.code, l.code, l.kind
    FROM behind b
    JOIN certificate k ON k.id = b.id
    JOIN gauge g ON g.id = k.gauge_id
    JOIN laboratory l ON l.id = k.laboratory_id
"""


@pytest.fixture(scope="module")
def stored(migrated_sqlite: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("impact") / "large.sqlite"
    shutil.copy(migrated_sqlite, path)
    engine = open_engine(f"sqlite:///{path}")
    with Work(engine, actor="P1", at=AT, action="build", subject="works") as work:
        results(work, registers(work))
        work.commit()
    engine.dispose()
    return path


def timed(question: Callable[[], Any]) -> tuple[float, Any]:
    """Processor seconds, so that what else the machine does weighs little, and the answer."""
    start = time.process_time()
    found = question()
    return time.process_time() - start, found


def test_results_of_a_database_judged_again(
    stored: Path, benchmark: Any, capsys: pytest.CaptureFixture[str]
) -> None:
    """Checked: the same results are found, and as many flip out as the readings fetched say."""
    given = {"gauge": "G0-0", "since": START.isoformat(), "found": FOUND.isoformat()}
    with closing(sqlite3.connect(stored)) as driver:
        driver.execute(FOUND_BY_HAND, given).fetchall()  # fills the caches of both
        hand_finding, by_hand = timed(lambda: driver.execute(FOUND_BY_HAND, given).fetchall())
        hand_reading, readings = timed(lambda: driver.execute(READ_BY_HAND, given).fetchall())
    engine = open_engine(f"sqlite:///{stored}")
    with Session(engine) as session:
        finding, touched = timed(lambda: touched_by(session, event_facts(session))["E2026-001"])
    with Session(engine) as session:

        def whole() -> Any:
            return judged(session, event_facts(session), "E2026-001", FOUND)

        start = time.process_time()
        found = benchmark.pedantic(whole, rounds=1, iterations=1)
        judging = time.process_time() - start
        making, rows = timed(lambda: list(found.rows))
    engine.dispose()

    assert set(touched.calibrations) == {n for n, *_ in by_hand}
    assert len(by_hand) == len(rows) == RESULTS
    assert {row.tier for row in rows} == {1, 2, 3, 4}
    runs: dict[str, list[tuple[float, float, float]]] = {}
    for number, low, high, trip, _ in readings:
        runs.setdefault(number, []).append((low, high, trip))
    wanted = sum(
        all(low <= trip <= high for low, high, trip in own)
        and not all(low <= trip - PART * trip <= high for low, high, trip in own)
        for own in runs.values()
    )
    assert sum(row.under_worst is Consequence.FLIPPED_OUT for row in rows) == wanted > 0

    finding_ratio, judging_ratio = finding / hand_finding, judging / hand_reading
    benchmark.extra_info |= {
        "results": RESULTS, "finding_s": finding, "hand_finding_s": hand_finding,
        "finding_ratio": finding_ratio, "judging_s": judging, "hand_reading_s": hand_reading,
        "judging_ratio": judging_ratio, "making_rows_s": making,
    }  # fmt: skip
    assert finding_ratio < MOST_TIMES
    assert judging_ratio < MOST_TIMES
    with capsys.disabled():
        sys.stdout.write(
            f"\n  {RESULTS:,} stored results through {len(TIERS)} tiers, processor time: found in "
            f"{finding:.2f} s ({finding_ratio:.1f} times hand-written SQL, {hand_finding:.3f} s); "
            f"found and judged again in {judging:.2f} s ({judging_ratio:.1f} times reading them by "
            f"hand-written SQL, {hand_reading:.3f} s); every row made in {making:.2f} s\n"
        )


def test_one_result_of_a_database_traced(
    stored: Path, benchmark: Any, capsys: pytest.CaptureFixture[str]
) -> None:
    """Checked: the certificates behind it are those that the recursive query finds."""
    numbers = [f"C{RESULTS * n // TRACED}" for n in range(TRACED)]
    with closing(sqlite3.connect(stored)) as driver:
        driver.execute(BEHIND_BY_HAND, {"number": numbers[0]}).fetchall()
        walking, by_hand = timed(
            lambda: [
                {row[0] for row in driver.execute(BEHIND_BY_HAND, {"number": number})}
                for number in numbers
            ]
        )
    engine = open_engine(f"sqlite:///{stored}")
    with Session(engine) as session:
        trace(session, numbers[0])
        start = time.process_time()
        chains = benchmark.pedantic(
            lambda: [trace(session, number) for number in numbers], rounds=1, iterations=1
        )
        tracing = time.process_time() - start
    engine.dispose()
    for chain, behind in zip(chains, by_hand, strict=True):
        keys = {node.key for node in chain.nodes if node.kind is NodeKind.CERTIFICATE}
        assert keys == {f"certificate {number}" for number in behind}
    assert max(len(behind) for behind in by_hand) == len(TIERS)
    ratio = tracing / walking
    benchmark.extra_info |= {
        "results": RESULTS, "tracing_s": tracing / TRACED, "hand_s": walking / TRACED,
        "ratio": ratio,
    }  # fmt: skip
    with capsys.disabled():
        sys.stdout.write(
            f"\n  one of {RESULTS:,} stored results traced to its standards, processor time: "
            f"{1000 * tracing / TRACED:.0f} ms ({ratio:.0f} times walking the certificates by "
            f"hand-written SQL, {1000 * walking / TRACED:.2f} ms)\n"
        )
