"""Judging and recording: each rule of the bench refuses with a next step, and writes nothing."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import replace
from datetime import date, timedelta
from decimal import Decimal
from typing import Any

import pytest
from sqlalchemy import Engine, text
from sqlalchemy.orm import Session

from calfleet import records as rec
from calfleet.errors import (
    BadQuantity,
    CalfleetError,
    DateRefused,
    ExtrapolationRefused,
    GaugeRefused,
    PersonRefused,
    ProcedureRefused,
    ReadingRefused,
    RecordRefused,
    UnknownName,
)
from calfleet.records import Cycle, CycleOutcome, GaugeRole, GaugeUsed, Phase
from calfleet.services.find_calibration import find_calibration
from calfleet.services.record import context_for, judge, judge_record, record
from calfleet.services.report_event import NewEvent, report_event
from calfleet.services.trace import trace
from calfleet.services.verify import verify
from calfleet.store.engine import open_engine
from calfleet.store.queries import calibrations as queries
from calfleet.store.queries import due as due_queries
from calfleet.store.work import Work, digest_of
from calfleet.traceability.chain import ChainVerdict

D = Decimal
FOUND, LEFT = Phase.AS_FOUND, Phase.AS_LEFT
Judged = Callable[[rec.BenchRecord], rec.Calibration]


def operating(gauge: str, certificate: str = "") -> tuple[GaugeUsed, ...]:
    return (GaugeUsed(GaugeRole.OPERATING, gauge, certificate),)


def with_static(gauge: str) -> tuple[GaugeUsed, ...]:
    return (*operating("G-BENCH"), GaugeUsed(GaugeRole.STATIC, gauge, ""))


def one(trip: str, reset: str, **more: Any) -> tuple[Cycle, ...]:
    return (Cycle("H", FOUND, 1, D(trip), D(reset), **more),)


# --- the good case ----------------------------------------------------------------------


def test_a_good_calibration(judged: Judged, little: Any) -> None:
    """Figures by hand: readings 401.9, 402.0, 402.1 kPa less the gauge's error of 1.0 kPa."""
    made = judged(little.bench())
    assert made.number == "C2026-0001"
    assert made.findings == ()
    assert made.origin is rec.Origin.BENCH
    assert (made.switch_revision, made.recorded_by) == (1, "T1")
    assert made.bench.gauges == operating("G-BENCH", "BENCH-25")  # the one in force was found
    (result,) = made.results
    assert result.found == pytest.approx(401.0, rel=1e-12)
    assert result.first_trip == pytest.approx(400.9, rel=1e-12)
    assert result.error == pytest.approx(1.0, rel=1e-12)
    assert result.late is True  # a rising trip above its set point
    assert result.dead_band == pytest.approx(21.0, rel=1e-12)
    assert result.repeatability == pytest.approx(0.2, rel=1e-12)
    assert result.runs == 3
    assert result.trip_sd == pytest.approx(0.1, rel=1e-9)
    assert (result.lower_limit, result.upper_limit) == (390.0, 410.0)
    assert result.verdict == "pass"
    assert result.category == "inside as-left band"
    # independently: u^2 = 0.4^2 + (0.2 * 273 / 365.25)^2 / 3 + 0.05^2 / 3 + 0.02^2 / 3 + 0.1^2 / 3
    u = (0.16 + (0.2 * 273 / 365.25) ** 2 / 3 + 0.0025 / 3 + 0.0004 / 3 + 0.01 / 3) ** 0.5
    assert result.standard_uncertainty == pytest.approx(u, rel=1e-9)
    assert result.expanded_uncertainty == pytest.approx(1.96 * u, rel=1e-3)
    # ANSI/NCSL Z540.3: (T_U - T_L) / (2 U95)
    assert result.expanded_uncertainty is not None
    assert result.tur == pytest.approx(20 / (2 * result.expanded_uncertainty), rel=1e-12)


def test_a_differential_switch_on_one_gauge_is_trip_less_static(
    judged: Judged, little: Any
) -> None:
    """862.0 - 801.0, 862.1 - 801.0, 862.0 - 801.0: both readings share the gauge's error."""
    (result,) = judged(little.difference()).results
    assert result.found == pytest.approx(61 + 0.1 / 3, rel=1e-12)
    assert result.dead_band == pytest.approx((8 + 8.1 + 7.9) / 3, rel=1e-12)
    # two readings of one gauge, taken as independent: the calibration enters twice
    names = [c["name"] for c in result.budget["components"]]  # type: ignore[attr-defined]
    assert names.count("operating gauge: calibration") == 1
    assert names.count("static gauge: calibration") == 1


def test_a_static_gauge_of_its_own_corrects_its_own_reading(judged: Judged, little: Any) -> None:
    """G-BENCH reads 1.0 kPa high and G-REF is true: 862.0 - 1.0 - 801.0 and so on."""
    bench = little.difference(gauges=with_static("G-REF"))
    made = judged(bench)
    assert made.results[0].found == pytest.approx(60 + 0.1 / 3, rel=1e-12)
    assert made.bench.gauges[1] == GaugeUsed(GaugeRole.STATIC, "G-REF", "REF-25")
    same = judged(little.difference(gauges=with_static("G-BENCH")))
    assert same.results[0].found == pytest.approx(61 + 0.1 / 3, rel=1e-12)


def test_a_differential_gauge_reads_the_difference_itself(judged: Judged, little: Any) -> None:
    cycles = little.cycles("H", FOUND, ("61.00", "53.00"), ("61.10", "53.00"), ("61.00", "53.1"))
    made = judged(little.difference(gauges=operating("G-DIFF"), cycles=cycles))
    assert made.results[0].found == pytest.approx(61 + 0.1 / 3, rel=1e-12)
    assert made.findings == ()


@pytest.mark.parametrize("field", ["tag", "procedure", "gauges"])
def test_letter_case_does_not_matter_and_names_stand_as_recorded(
    field: str, own_works: Engine, little: Any
) -> None:
    typed: dict[str, Any] = {
        "tag": "ps-1", "procedure": "pr-p", "gauges": operating("g-bench"),
    }  # fmt: skip
    made = little.record(own_works, little.bench(**{field: typed[field]}))
    with Session(own_works) as session:
        stored = queries.calibration(session, made.number)
    assert stored == made
    assert (made.bench.tag, made.bench.procedure) == ("PS-1", "PR-P")
    assert made.bench.gauges[0].gauge == "G-BENCH"


def test_what_is_recorded_is_read_back_equal_and_its_digest_stands(
    own_works: Engine, little: Any
) -> None:
    with Session(own_works) as session:
        last = find_calibration(session, "PS-1").number
    cycles = (
        *little.bench().cycles,
        *little.cycles("H", LEFT, ("401.2", "380.2"), ("401.1", "380.2"), ("401.1", "380.0")),
    )
    bench = little.bench(
        cycles=cycles, adjusted=True, adjustment_note="quarter turn", exercise_cycles=3,
        barometric=D("101.3"), barometric_unit="kPa", head_height_m=D("0.50"),
        head_height_half_width_m=D("0.01"), head_density_kg_m3=D("998"), seal="S1", permit="W1",
    )  # fmt: skip
    made = little.record(own_works, bench)
    with Session(own_works) as session:
        stored = queries.calibration(session, made.number)
        assert stored == made
        assert find_calibration(session, "PS-1") == made
        assert find_calibration(session, "ps-1").number != last
        entry = session.execute(
            text("SELECT content FROM audit_entry ORDER BY position DESC LIMIT 1")
        ).scalar_one()
    (fact,) = json.loads(entry)["facts"]
    assert fact == {"kind": "calibration", "key": made.number, "digest": digest_of(stored)}


# --- refusals ---------------------------------------------------------------------------

REFUSALS: dict[str, tuple[dict[str, Any], type[CalfleetError], tuple[str, ...]]] = {
    "unknown tag": ({"tag": "PS-11"}, UnknownName, ("PS-11", "Nearest", "PS-1")),
    "not on this day": ({"performed_on": date(2023, 12, 1)}, DateRefused, ("no data sheet",)),
    "future": ({"performed_on": date(2026, 3, 3)}, DateRefused, ("2026-03-03", "after today")),
    "before the previous": (
        {"performed_on": date(2025, 7, 7)},
        DateRefused,
        ("2025-07-08", "order of their days", "replaces"),
    ),
    "scrapped": ({"tag": "PS-7"}, RecordRefused, ("scrapped since 2026-01-10",)),
    "unknown person": ({"performed_by": "T9"}, UnknownName, ("T9", "Nearest", "calfleet people")),
    "no technician": ({"performed_by": "P1"}, PersonRefused, ("P1", "not a technician")),
    "technician no more": ({"performed_by": "T3"}, PersonRefused, ("T3", "not a technician")),
    "qualification expired": (
        {"performed_by": "T2"},
        PersonRefused,
        ("T2", "expired on 2025-12-31", "Qualified on that day: T1"),
    ),
    "unknown second person": ({"verified_by": "A9"}, UnknownName, ("A9", "A1")),
    "unknown person who returned it": ({"returned_by": "A9"}, UnknownName, ("A9",)),
    "verified by the performer": (
        {"verified_by": "T1"},
        PersonRefused,
        ("T1", "second person"),
    ),
    "verified by who returned it": (
        {"verified_by": "A1", "returned_by": "A1"},
        PersonRefused,
        ("A1", "second person"),
    ),
    "unknown procedure": ({"procedure": "PR-X"}, UnknownName, ("PR-X", "PR-P")),
    "no such revision": (
        {"procedure_revision": 7},
        ProcedureRefused,
        ("no revision 7", "1, 2, 3"),
    ),
    "superseded": (
        {"procedure_revision": 1},
        ProcedureRefused,
        ("PR-P rev 1", "superseded on 2026-01-01", "PR-P rev 2"),
    ),
    "not yet in force": (
        {"procedure_revision": 3},
        ProcedureRefused,
        ("PR-P rev 3", "2027-01-01", "PR-P rev 2"),
    ),
    "procedure of another quantity": (
        {"procedure": "PR-D", "procedure_revision": 1},
        ProcedureRefused,
        ("not for pressure", "differential pressure"),
    ),
    "no gauge": (
        {"gauges": ()},
        GaugeRefused,
        ("No operating gauge", "calfleet gauges --for PS-1"),
    ),
    "unknown gauge": ({"gauges": operating("G-BENHC")}, UnknownName, ("G-BENHC", "G-BENCH")),
    "overdue": (
        {"gauges": operating("G-OLD")},
        GaugeRefused,
        ("overdue since 2026-01-20", "OLD-25", "Would do on that day: G-BENCH, G-REF"),
    ),
    "at the laboratory": (
        {"gauges": operating("G-AWAY")},
        GaugeRefused,
        ("at laboratory since 2026-02-10", "Would do"),
    ),
    "too poor": (
        {"gauges": operating("G-POOR")},
        GaugeRefused,
        ("not good enough: TUR 1.", "PR-P rev 2 requires 4:1", "G-BENCH"),
    ),
    "kept for oxygen": (
        {"gauges": operating("G-OXY")},
        GaugeRefused,
        ("kept oxygen-clean for oxygen service only", "G-BENCH"),
    ),
    "another kind of gauge": (
        {"gauges": operating("G-DIFF")},
        GaugeRefused,
        ("reads differential pressure", "G-BENCH"),
    ),
    "certificate of another gauge": (
        {"gauges": operating("G-BENCH", "REF-25")},
        GaugeRefused,
        ("G-BENCH has no certificate REF-25", "calfleet certificates G-BENCH"),
    ),
    "certificate that is not there": (
        {"gauges": operating("G-BENCH", "NONE")},
        GaugeRefused,
        ("no certificate NONE",),
    ),
    "certificate of the year before": (
        {"gauges": operating("G-BENCH", "BENCH-24")},
        GaugeRefused,
        ("BENCH-24", "BENCH-25 was", "Name BENCH-25"),
    ),
    "humidity as per cent": ({"humidity": D("45")}, BadQuantity, ("45", "fraction")),
    "no readings": ({"cycles": ()}, ReadingRefused, ("no readings",)),
    "unknown set point": (
        {"cycles": (Cycle("HH", FOUND, 1, D("402"), D("381")),)},
        UnknownName,
        ("set point of PS-1", "HH", "Nearest: H"),
    ),
    "reset on the wrong side": (
        {"cycles": one("402.0", "403.0")},
        ReadingRefused,
        ("PS-1 H, as-found", "reset"),
    ),
    "reading outside the gauge": (
        {"cycles": one("1601", "381")},
        ReadingRefused,
        ("1601", "outside the gauge's range", "1600"),
    ),
    "as-left missing after an adjustment": (
        {"adjusted": True},
        RecordRefused,
        ("PS-1 H was adjusted", "as-left"),
    ),
    "a run number twice": (
        {"cycles": (*one("402.0", "381.0"), *one("402.1", "381.1"))},
        BadQuantity,
        ("twice",),
    ),
    "correction of nothing": (
        {"replaces": "H999", "replacement_reason": "typing"},
        UnknownName,
        ("H999", "calfleet history PS-1"),
    ),
    "correction without a reason": (
        {"replaces": "H002", "replacement_reason": "  "},
        RecordRefused,
        ("H002 gives no reason",),
    ),
    "correction of another switch": (
        {"replaces": "H003", "replacement_reason": "typing"},
        RecordRefused,
        ("H003 is a calibration of PDS-2, not of PS-1",),
    ),
}


@pytest.mark.parametrize("name", REFUSALS)
def test_a_broken_rule_is_refused(name: str, judged: Judged, little: Any) -> None:
    """The message, the rule and the next step together name what must be named."""
    changes, kind, words = REFUSALS[name]
    with pytest.raises(kind) as told:
        judged(little.bench(**changes))
    assert type(told.value) is kind
    assert told.value.message
    assert told.value.rule
    assert told.value.next_step
    said = f"{told.value.message} {told.value.rule} {told.value.next_step}"
    for word in words:
        assert word in said


DIFFERENCE: dict[str, tuple[dict[str, Any], type[CalfleetError], tuple[str, ...]]] = {
    "no static reading": (
        {"cycles": one("862", "854")},
        ReadingRefused,
        ("static pressure of 800 kPa", "no static reading"),
    ),
    "the range does not hold static plus full range": (
        {"tag": "PDS-8"},
        GaugeRefused,
        ("G-BENCH", "0 to 1600 kPa", "with its static pressure", "1800 to 1900", "do on that day"),
    ),
    "a differential gauge that does not stand the static pressure": (
        {"tag": "PDS-8", "gauges": operating("G-DIFF")},
        GaugeRefused,
        ("stands static 1000 kPa", "needs 1800 kPa", "Would do on that day: G-REF"),
    ),
    "a static gauge of the wrong kind": (
        {"gauges": with_static("G-DIFF")},
        GaugeRefused,
        ("G-DIFF", "read on a gauge-pressure gauge"),
    ),
    "a static gauge that is overdue": (
        {"gauges": with_static("G-OLD")},
        GaugeRefused,
        ("G-OLD", "overdue since 2026-01-20"),
    ),
    "a static gauge that is away": (
        {"gauges": with_static("G-AWAY")},
        GaugeRefused,
        ("at laboratory",),
    ),
    "procedure not of the data sheet": (
        {"procedure": "PR-P", "procedure_revision": 2},
        ProcedureRefused,
        ("differential pressure",),
    ),
}


@pytest.mark.parametrize("name", DIFFERENCE)
def test_a_broken_rule_of_differential_pressure_is_refused(
    name: str, judged: Judged, little: Any
) -> None:
    changes, kind, words = DIFFERENCE[name]
    with pytest.raises(kind) as told:
        judged(little.difference(**changes))
    said = f"{told.value.message} {told.value.rule} {told.value.next_step}"
    for word in words:
        assert word in said


def test_a_withdrawn_certificate_stands_for_nothing(judged: Judged, little: Any) -> None:
    """OXY-25 was withdrawn on 2026-02-01 and came again as OXY-25-R1 on 2026-02-05."""
    cycles = little.cycles("L", FOUND, ("1496", "1530"), ("1496", "1531"), ("1497", "1530"))
    bench = little.bench(tag="PSO-3", cycles=cycles, gauges=operating("G-OXY"))
    bench = replace(bench, procedure_revision=2)
    for day, wanted in (
        (date(2026, 1, 31), "OXY-25"),
        (date(2026, 2, 5), "OXY-25-R1"),
        (date(2026, 3, 2), "OXY-25-R1"),
    ):
        made = judged(replace(bench, performed_on=day))
        assert made.bench.gauges == operating("G-OXY", wanted)
    with pytest.raises(GaugeRefused, match="overdue since 2025-12-01"):
        judged(replace(bench, performed_on=date(2026, 2, 4)))  # OXY-24 is what was left then
    with pytest.raises(GaugeRefused, match="OXY-25 of G-OXY was not the one in force"):
        judged(replace(bench, gauges=operating("G-OXY", "OXY-25")))
    clean = "G-BENCH cannot be used for PSO-3"
    with pytest.raises(GaugeRefused, match=clean) as told:
        judged(replace(bench, gauges=operating("G-BENCH")))
    assert "not oxygen-clean" in told.value.message
    assert told.value.next_step == "Would do on that day: G-OXY."


def test_a_certificate_is_not_used_beyond_its_points(own_works: Engine, little: Any) -> None:
    short = [p for p in little.certificate("BENCH-25").points if p.reference <= 800]
    certificate = replace(
        little.certificate("BENCH-25"), number="BENCH-26", calibrated_on=date(2026, 2, 20),
        issued_on=date(2026, 2, 20), points=tuple(short),
    )  # fmt: skip
    from calfleet.store.facts import add_certificate

    with Work(own_works, actor="x", at=little.now, action="a", subject="s") as work:
        add_certificate(work, certificate)
        work.commit()
    bench = little.bench()
    little_enough = little.record(own_works, bench)
    assert little_enough.bench.gauges[0].certificate == "BENCH-26"
    far = replace(bench, cycles=one("805.0", "790.0"))
    with Session(own_works) as session, pytest.raises(ExtrapolationRefused) as told:
        judge(session, far, today=little.today, at=little.now)
    assert told.value.message.startswith("PS-1 H, as-found: ")
    assert "to 801 kPa; the reading is 805" in told.value.message


@pytest.mark.parametrize("name", ["overdue", "superseded", "reset on the wrong side"])
def test_nothing_is_written_when_a_record_is_refused(
    name: str, own_works: Engine, little: Any
) -> None:
    from sqlalchemy import inspect

    def counted() -> dict[str, int]:
        with own_works.connect() as connection:
            return {
                table: connection.execute(text(f"SELECT count(*) FROM {table}")).scalar_one()
                for table in inspect(connection).get_table_names()
            }

    before = counted()
    with pytest.raises(CalfleetError):
        little.record(own_works, little.bench(**REFUSALS[name][0]))
    assert counted() == before


def test_a_number_taken_meanwhile_is_refused(own_works: Engine, little: Any) -> None:
    with Session(own_works) as session:
        made = judge(session, little.bench(), today=little.today, at=little.now)
        again = judge(session, little.bench(), today=little.today, at=little.now)
    for calibration in (made, again):
        with Work(own_works, actor="T1", at=little.now, action="r", subject="s") as work:
            if calibration is made:
                record(work, calibration)
                work.commit()
            else:
                with pytest.raises(RecordRefused, match="key"):
                    record_flushed(work, calibration)
    with Session(own_works) as session:
        assert (
            judge(session, read_again(little.bench()), today=little.today, at=little.now).number
            == "C2026-0002"
        )


def read_again(bench: rec.BenchRecord) -> rec.BenchRecord:
    """The same job with one reading that differs in its last digit."""
    first, *others = bench.cycles
    step = D(1).scaleb(first.trip.as_tuple().exponent)  # type: ignore[union-attr, arg-type]
    return replace(bench, cycles=(replace(first, trip=first.trip + step), *others))  # type: ignore[operator]


def test_the_same_readings_are_recorded_once(own_works: Engine, little: Any) -> None:
    made = little.record(own_works, little.bench())
    with Session(own_works) as session:
        with pytest.raises(RecordRefused, match=f"recorded already, as {made.number}"):
            judge(session, little.bench(), today=little.today, at=little.now)
        judge(session, read_again(little.bench()), today=little.today, at=little.now)


def record_flushed(work: Work, calibration: rec.Calibration) -> None:
    """Recorded, with the refusal of the database translated as leaving the unit does."""
    from calfleet.store.engine import refusals

    with refusals("sqlite:///own.sqlite"):
        record(work, calibration)


def test_numbers_go_on_after_those_of_the_year(own_works: Engine, little: Any) -> None:
    bench = little.bench()
    numbers = [little.record(own_works, b).number for b in (bench, read_again(bench))]
    assert numbers == ["C2026-0001", "C2026-0002"]
    with Session(own_works) as session:  # two of 2025 came with numbers of their own
        made = judge(
            session, little.difference(performed_on=date(2025, 12, 30)),
            today=little.today, at=little.now,
        )  # fmt: skip
    assert made.number == "C2025-0005"


def test_two_on_one_day_are_in_order(judged: Judged, little: Any) -> None:
    made = judged(little.bench(performed_on=date(2025, 7, 8), procedure_revision=1))
    assert made.bench.performed_on == date(2025, 7, 8)


# --- findings ---------------------------------------------------------------------------

FINDINGS: dict[str, tuple[dict[str, Any], str, str]] = {
    "too warm": ({"temperature_c": D("28.1")}, "environment", "28.1 °C is outside"),
    "too humid": ({"humidity": D("0.751")}, "environment", "above the limit of PR-P rev 2, 75 %"),
    "exercised first": ({"exercised_before_as_found": True}, "exercised first", "first trip"),
    "one run": ({"cycles": one("402.0", "381.0")}, "runs", "1 runs; the procedure asks for 3"),
    "no second person": ({"verified_by": None}, "second person", "safety item"),
    "static where there is none": (
        {"cycles": one("402.0", "381.0", static=D("5.0"))},
        "static pressure",
        "none on its data sheet",
    ),
    "trip beyond the range": ({"cycles": one("602.0", "590.0")}, "trip outside range", "601"),
}


@pytest.mark.parametrize("name", FINDINGS)
def test_what_a_reader_must_know_is_a_finding(name: str, judged: Judged, little: Any) -> None:
    changes, code, words = FINDINGS[name]
    found = judged(little.bench(**changes)).findings
    assert [f for f in found if f.code == code and words in f.text], found


def test_as_found_missing_and_too_little_exercise_are_findings(judged: Judged, little: Any) -> None:
    cycles = little.cycles("H", LEFT, ("401.9", "380.9"), ("402.0", "381.0"), ("402.1", "381.1"))
    found = judged(little.bench(cycles=cycles, adjusted=True, exercise_cycles=1)).findings
    assert [(f.code, f.text) for f in found] == [
        ("no as-found data", "H has no as-found readings."),
        ("exercise", "Exercised 1 times; PR-P rev 2 asks for 2."),
    ]


def test_at_the_limits_of_the_room_nothing_is_said(judged: Judged, little: Any) -> None:
    made = judged(little.bench(temperature_c=D("28"), humidity=D("0.75")))
    assert made.findings == ()


# --- verdicts ---------------------------------------------------------------------------


def runs(little: Any, phase: Phase, *trips: str) -> tuple[Cycle, ...]:
    return tuple(Cycle("H", phase, n, D(trip), D(trip) - 20) for n, trip in enumerate(trips, 1))


@pytest.mark.parametrize(
    ("trips", "verdict", "category"),
    [
        # read 1.0 kPa high: 410.0 is the tolerance limit itself, which is inside
        (("411.0", "410.5", "410.5"), "pass", "inside tolerance"),
        (("411.1", "410.0", "410.0"), "fail", "out of tolerance"),  # the first trip alone
        (("410.0", "410.0", "411.1"), "fail", "out of tolerance"),  # one later run alone
        (("391.0", "391.0", "391.0"), "pass", "inside tolerance"),
        (("390.9", "391.5", "391.5"), "fail", "out of tolerance"),
        (("405.9", "405.9", "406.0"), "pass", "inside as-left band"),
        (("406.1", "405.9", "405.9"), "pass", "inside tolerance"),
    ],
)
def test_as_found_the_first_trip_and_every_run_are_judged(
    trips: tuple[str, ...], verdict: str, category: str, judged: Judged, little: Any
) -> None:
    """Common practice, no source; the mean alone would have passed each failing series."""
    (result,) = judged(little.bench(cycles=runs(little, FOUND, *trips))).results
    assert (result.verdict, result.category) == (verdict, category)
    assert result.found is not None
    assert 390 <= result.found <= 410


@pytest.mark.parametrize(
    ("trips", "verdict"),
    [
        (("406.0", "405.0", "405.0"), "pass"),  # 405.0 is the edge of the as-left band
        (("406.1", "401.0", "401.0"), "fail"),
    ],
)
def test_as_left_every_run_is_judged_against_the_as_left_band(
    trips: tuple[str, ...], verdict: str, judged: Judged, little: Any
) -> None:
    cycles = (*little.bench().cycles, *runs(little, LEFT, *trips))
    bench = little.bench(cycles=cycles, adjusted=True, exercise_cycles=2)
    before, after = judged(bench).results
    assert before.verdict == "pass"
    assert after.verdict == verdict
    assert (after.lower_limit, after.upper_limit) == (395.0, 405.0)


@pytest.mark.parametrize(
    ("outcome", "trip", "reset"),
    [
        (CycleOutcome.NO_TRIP, None, None),
        (CycleOutcome.NO_RESET, D("402"), None),
        (CycleOutcome.CHATTER, D("402"), D("381")),
    ],
)
def test_a_function_that_failed_fails_whatever_was_read(
    outcome: CycleOutcome, trip: Decimal | None, reset: Decimal | None, judged: Judged, little: Any
) -> None:
    cycles = (Cycle("H", FOUND, 1, trip, reset, None, outcome),)
    (result,) = judged(little.bench(cycles=cycles)).results
    assert (result.verdict, result.category) == ("fail", outcome.value)
    assert outcome.value in result.reason.lower()
    if trip is None:
        assert (result.found, result.error, result.late) == (None, None, None)
        assert result.expanded_uncertainty is not None  # the planned one


def test_a_dead_band_outside_its_limits_fails(judged: Judged, little: Any) -> None:
    (result,) = judged(little.bench(cycles=one("402.0", "361.9"))).results
    assert result.verdict == "fail"
    assert "Dead band" in result.reason


# --- corrections ------------------------------------------------------------------------


def test_a_correction_stands_in_front_and_both_are_in_the_trace(
    own_works: Engine, little: Any
) -> None:
    bench = little.bench(
        performed_on=date(2025, 7, 8), procedure_revision=1, replaces="H002",
        replacement_reason="readings of another job",
    )  # fmt: skip
    made = little.record(own_works, bench)
    with Session(own_works) as session:
        old = find_calibration(session, "H002")
        assert old.replaced_by == made.number
        assert find_calibration(session, "PS-1").number == made.number
        days = due_queries.performed_days(session)["PS-1"]
        assert days == [date(2024, 7, 10), date(2025, 7, 8)]  # the corrected one counts no more
        assert due_queries.last_results(session, little.today)["PS-1"].number == made.number
        of_old, of_new = trace(session, "H002"), trace(session, made.number)
        for chain in (of_old, of_new):
            keys = {node.key for node in chain.nodes}
            assert {"calibration H002", f"calibration {made.number}"} <= keys
        assert of_new.verdict is ChainVerdict.UNBROKEN
        assert of_old.verdict is ChainVerdict.WEAK
        assert any("readings of another job" in reason.text for _, reason in of_old.problems)
        with pytest.raises(RecordRefused, match=f"corrected by {made.number} already") as told:
            judge(session, bench, today=little.today, at=little.now)
    assert told.value.next_step == f"Name {made.number}."


def test_an_earlier_record_can_be_corrected(own_works: Engine, little: Any) -> None:
    """H001 has a successor, H002; correcting H001 keeps the order of days."""
    bench = little.bench(
        performed_on=date(2024, 7, 11), procedure_revision=1, replaces="H001",
        replacement_reason="day",
    )  # fmt: skip
    made = little.record(own_works, bench)
    assert made.bench.gauges[0].certificate == "BENCH-24"
    with Session(own_works) as session:
        days = due_queries.performed_days(session)["PS-1"]
        assert days == [date(2024, 7, 11), date(2025, 7, 8)]
        # moved past the next one it is refused, on either side
        late = replace(bench, replaces=made.number, performed_on=date(2025, 7, 9))
        with pytest.raises(DateRefused, match="past the one of 2025-07-08"):
            judge(session, late, today=little.today, at=little.now)
        early = replace(bench, replaces="H002", performed_on=date(2024, 7, 10))
        with pytest.raises(DateRefused, match="past the one of 2024-07-11"):
            judge(session, early, today=little.today, at=little.now)


def test_a_correction_to_an_earlier_day_still_stands_in_front(
    own_works: Engine, little: Any
) -> None:
    bench = little.bench(
        performed_on=date(2025, 7, 1), procedure_revision=1, replaces="H002",
        replacement_reason="day",
    )  # fmt: skip
    made = little.record(own_works, bench)
    with Session(own_works) as session:
        assert find_calibration(session, "PS-1").number == made.number


def test_the_record_corrected_is_no_part_of_what_the_correction_is_judged_by(
    own_works: Engine, little: Any
) -> None:
    """Its scatter is left out of the pooled repeatability, its day out of the order of days."""
    wild = (
        *little.bench().cycles,
        *little.cycles("H", LEFT, ("400.0", "380"), ("404.0", "384"), ("401.0", "381")),
    )
    first = little.record(own_works, little.bench(cycles=wild, adjusted=True, exercise_cycles=2))
    with Session(own_works) as session:
        assert context_for(session, "PS-1").facts.repeatability["PX"][1] == 2
        context = context_for(session, "PS-1", replaces=first.number)
        assert "PX" not in context.facts.repeatability
        assert context.corrects == little.today
        assert little.today not in context.performed["PS-1"]


# --- history ----------------------------------------------------------------------------


def lenient(session: Session, little: Any, bench: rec.BenchRecord, **more: Any) -> rec.Calibration:
    context = context_for(session, bench.tag)
    return judge_record(context, bench, today=little.today, at=little.now, strict=False, **more)


KEPT = {
    "before the previous": "date",
    "scrapped": "rule",
    "no technician": "person",
    "qualification expired": "person",
    "superseded": "procedure",
    "not yet in force": "procedure",
    "procedure of another quantity": "procedure",
    "overdue": "gauge",
    "at the laboratory": "gauge",
    "kept for oxygen": "gauge",
    "certificate of the year before": "gauge",
    "as-left missing after an adjustment": "rule",
}


@pytest.mark.parametrize("name", KEPT)
def test_history_keeps_what_the_bench_refuses_as_a_finding(
    name: str, session: Session, little: Any
) -> None:
    changes, _, words = REFUSALS[name]
    bench = little.bench(**changes)
    if name == "before the previous":
        bench = replace(bench, procedure_revision=1)
    made = lenient(session, little, bench)
    assert made.origin is rec.Origin.HISTORY
    texts = [f.text for f in made.findings if f.code == KEPT[name]]
    assert any(words[0] in told for told in texts), made.findings
    assert made.results


def test_history_is_not_judged_by_an_expected_ratio(session: Session, little: Any) -> None:
    """Its own readings tell the ratio; what the planning would have said adds nothing."""
    made = lenient(session, little, little.bench(gauges=operating("G-POOR")))
    assert [f.code for f in made.findings] == ["ratio"]
    assert made.results[0].tur is not None
    assert made.results[0].tur < 4


@pytest.mark.parametrize(
    "name",
    ["unknown tag", "future", "unknown person", "unknown gauge", "no gauge", "unknown procedure",
     "no such revision", "certificate of another gauge", "no readings", "unknown set point",
     "reset on the wrong side", "reading outside the gauge"],
)  # fmt: skip
def test_history_that_cannot_be_judged_at_all_is_refused(
    name: str, session: Session, little: Any
) -> None:
    changes, kind, _ = REFUSALS[name]
    with pytest.raises(kind):
        lenient(session, little, little.bench(**changes))


def test_a_number_of_its_own_is_kept_once(session: Session, little: Any) -> None:
    made = lenient(session, little, little.bench(number="X-7"))
    assert made.number == "X-7"
    assert made.bench.number is None


def test_a_qualification_counts_through_its_last_day(judged: Judged, little: Any) -> None:
    last = date(2025, 12, 31)
    bench = little.bench(performed_by="T2", procedure_revision=1)
    assert judged(replace(bench, performed_on=last)).bench.performed_by == "T2"
    with pytest.raises(PersonRefused):
        judged(replace(bench, performed_on=last + timedelta(days=1), procedure_revision=2))


def test_a_gauge_found_bad_is_refused_in_either_role_but_a_correction_may_say_it_was_read(
    database_url: str, little: Any
) -> None:
    works = open_engine(database_url)
    little.build(works)
    made = little.record(works, little.difference())
    with Work(works, actor="T1", at=little.now, action="report", subject="G-BENCH") as work:
        new = NewEvent("G-BENCH", rec.FoundBadKind.LOST, found_on=little.today)
        report_event(work, new, person="T1", today=little.today)
        work.commit()
    again = replace(made.bench, seal="S7")
    fixed = replace(again, replaces=made.number, replacement_reason="Seal number entered")
    mixed = (*operating("G-REF"), GaugeUsed(GaugeRole.STATIC, "G-BENCH", ""))
    with Session(works) as session:
        for bench in (
            replace(again, cycles=again.cycles[:2]),
            replace(again, gauges=mixed, cycles=again.cycles[:2]),
            replace(fixed, gauges=mixed),
        ):
            with pytest.raises(GaugeRefused, match=r"G-BENCH cannot be used .*found bad"):
                judge(session, bench, today=little.today, at=little.now)
    corrected = little.record(works, fixed)
    (finding,) = corrected.findings
    assert "found bad" in finding.text
    assert [r.verdict for r in corrected.results] == [r.verdict for r in made.results]
    with Session(works) as session:
        assert verify(session).differences == ()
    works.dispose()
