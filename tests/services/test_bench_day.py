"""The technician's day: the plan of a job, its targets, comments, cautions, and what follows."""

from __future__ import annotations

from dataclasses import replace
from datetime import date
from decimal import Decimal
from fractions import Fraction
from typing import Any

import pytest
from sqlalchemy import Engine
from sqlalchemy.orm import Session

from calfleet import records as rec
from calfleet.errors import GaugeRefused, ReadingRefused, RecordRefused, UnknownName
from calfleet.records import Hazard, Phase
from calfleet.services.after import cautions_after, next_due
from calfleet.services.cautions import cautions_for, cautions_of
from calfleet.services.find_calibration import find_calibration
from calfleet.services.list_due import list_due
from calfleet.services.list_gauges import fitting_gauges, list_certificates, list_gauges
from calfleet.services.nearest import nearest_names, pick
from calfleet.services.plan_bench import comment_on_cycle, plan_bench, reads_static, targets_for
from calfleet.services.trace import trace
from calfleet.traceability.chain import ChainVerdict

D = Decimal
TODAY = date(2026, 3, 2)


# --- the plan ---------------------------------------------------------------------------


def test_a_job_prepared(session: Session) -> None:
    plan = plan_bench(session, "pds-2", on=TODAY)
    assert (plan.switch.tag, plan.procedure.name) == ("PDS-2", "PR-D rev 1")
    assert [o.gauge.code for o in plan.usable] == ["G-BENCH", "G-DIFF", "G-REF"]
    assert plan.option("g-bench").gauge.code == "G-BENCH"
    assert plan.standing.due_on == date(2026, 2, 20)
    headings = [c.heading for c in plan.cautions]
    assert "One-sided overpressure" in headings  # of every differential switch
    assert headings[-1] == "Return to service with a second person"


def test_the_plan_and_the_due_list_tell_the_same_day(session: Session) -> None:
    """PS-5 was never calibrated and its data sheet was revised since it came into use."""
    listed = {x.tag: x for x in list_due(session, as_of=TODAY, until=date(2027, 12, 31)).lines}
    for tag in ("PS-1", "PDS-2", "PSO-3", "PS-5", "VS-4"):
        standing = plan_bench(session, tag, on=TODAY).standing
        assert (standing.due_on, str(standing.status), standing.why) == (
            listed[tag].due_on, listed[tag].status, listed[tag].why,
        )  # fmt: skip


def test_a_gauge_that_will_not_do_is_refused_with_those_that_would(session: Session) -> None:
    plan = plan_bench(session, "PS-1", on=TODAY)
    with pytest.raises(GaugeRefused, match="overdue since 2026-01-20") as told:
        plan.option("G-OLD")
    assert told.value.next_step == "Would do: G-BENCH, G-REF."
    with pytest.raises(UnknownName) as unknown:
        plan.option("G-BENHC")
    assert unknown.value.matches[0] == "G-BENCH"


@pytest.mark.parametrize(
    ("tag", "on", "words"),
    [
        ("PS-7", TODAY, "scrapped"),
        ("PS-5", date(2025, 7, 31), "no data sheet in force"),
    ],
)
def test_what_is_not_there_is_not_prepared(
    tag: str, on: date, words: str, session: Session
) -> None:
    with pytest.raises(RecordRefused, match=words):
        plan_bench(session, tag, on=on)


def test_an_unknown_tag_has_its_nearest(session: Session) -> None:
    with pytest.raises(UnknownName) as told:
        plan_bench(session, "PDS2", on=TODAY)
    assert told.value.matches[0] == "PDS-2"


def test_the_gauge_target_is_static_plus_set_point(session: Session) -> None:
    """Common practice, no source: with the low side locked the gauge reads static + difference;
    by hand 800 + 60 = 860 kPa at the nominal static pressure, 803.5 + 60 at the one read.
    """
    plan = plan_bench(session, "PDS-2", on=TODAY)
    bench = plan.option("G-BENCH").gauge
    (line,) = targets_for(plan.switch, bench)
    assert line.needs_static
    assert line.targets.set_point == 860
    (line,) = targets_for(plan.switch, bench, D("803.5"))
    assert line.targets.set_point == Fraction("863.5")
    difference = plan.option("G-DIFF").gauge
    with pytest.raises(ReadingRefused, match="reads the difference itself"):
        targets_for(plan.switch, difference, D("803.5"))
    (line,) = targets_for(plan.switch, difference)
    assert not line.needs_static
    assert line.targets.set_point == 60
    assert not reads_static(plan.switch, difference)
    single = plan_bench(session, "PS-1", on=TODAY)
    (line,) = targets_for(single.switch, single.option("G-BENCH").gauge)
    assert line.targets.set_point == 400
    assert not line.needs_static


@pytest.mark.parametrize(
    ("trip", "reset", "words", "again"),
    [
        ("402.0", "381.0", (), None),
        ("1601", None, ("trip 1601 kPa is outside the range of G-BENCH",), True),
        ("402.0", "-1", ("reset -1 kPa is outside the range of G-BENCH",), True),
        ("402.0", "403.0", ("reset", "below its trip"), True),
        ("612.0", "590.0", ("outside the adjustable range, 100 to 600 kPa",), True),
        # read 1.0 kPa high: 411.0 is the limit of 410 itself
        ("411.0", "391.0", (), None),
        ("411.1", "391.0", ("Outside the tolerance: trip 410.1 kPa", "+10.1 kPa (late)"), False),
        ("390.9", "370.0", ("Outside the tolerance: trip 389.9 kPa", "-10.1 kPa (early)"), False),
        ("402.0", "361.9", ("Dead band 40.1 kPa is outside its limits",), False),
        ("402.0", "397.1", ("Dead band 4.9 kPa is outside its limits",), False),
    ],
)
def test_an_implausible_reading_is_said_at_once(
    trip: str, reset: str | None, words: tuple[str, ...], again: bool | None, session: Session
) -> None:
    plan = plan_bench(session, "PS-1", on=TODAY)
    comments = comment_on_cycle(
        plan, plan.option("G-BENCH"), plan.switch.set_points[0],
        trip=D(trip), reset=None if reset is None else D(reset), static=None, as_left=False,
    )  # fmt: skip
    if not words:
        assert comments == []
        return
    said = " ".join(c.text for c in comments)
    for word in words:
        assert word in said
    assert any(c.again for c in comments) is again


def test_as_left_the_narrower_band_is_meant(session: Session) -> None:
    plan = plan_bench(session, "PS-1", on=TODAY)
    for trip, words in (("406.0", 0), ("406.1", 1)):
        comments = comment_on_cycle(
            plan, plan.option("G-BENCH"), plan.switch.set_points[0],
            trip=D(trip), reset=D(trip) - 20, static=None, as_left=True,
        )  # fmt: skip
        assert len(comments) == words
    assert "Outside the as-left band" in comments[0].text


def test_a_run_that_did_not_trip_calls_for_no_comment(session: Session) -> None:
    plan = plan_bench(session, "PS-1", on=TODAY)
    assert (
        comment_on_cycle(
            plan, plan.option("G-BENCH"), plan.switch.set_points[0],
            trip=None, reset=None, static=None, as_left=False,
        )
        == []
    )  # fmt: skip


# --- cautions ---------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("hazard", "heading"),
    [
        (Hazard.TRIP, "Bypass of a trip"),
        (Hazard.STORED_PRESSURE, "Stored pressure"),
        (Hazard.ONE_SIDED, "One-sided overpressure"),
        (Hazard.OXYGEN, "Oxygen-clean"),
        (Hazard.TOXIC, "Harmful medium"),
        (Hazard.FLAMMABLE, "Flammable medium"),
        (Hazard.HOT, "Hot surfaces and steam"),
        (Hazard.FOREIGN_VOLTAGE, "Foreign voltages"),
    ],
)
def test_each_hazard_has_its_caution(hazard: Hazard, heading: str, little: Any) -> None:
    switch = replace(little.switch("PS-1"), hazards=(hazard,))
    headings = [c.heading for c in cautions_for(switch)]
    assert headings[0] == "Isolate and prove zero energy"
    assert heading in headings
    assert heading in [c.heading for c in cautions_of((hazard,))]
    assert heading not in [c.heading for c in cautions_of(())]


def test_what_the_set_point_does_brings_its_caution(little: Any) -> None:
    switch = replace(little.switch("PS-1"), hazards=())
    assert "Bypass of a trip" not in [c.heading for c in cautions_for(switch)]
    point = replace(switch.set_points[0], action="burner trip")
    tripping = replace(switch, set_points=(point,))
    assert "Bypass of a trip" in [c.heading for c in cautions_for(tripping)]


# --- gauges and certificates as asked for -----------------------------------------------


def test_gauges_with_their_standing(session: Session) -> None:
    lines = {x.gauge.code: x for x in list_gauges(session, TODAY)}
    assert list(lines) == sorted(lines)
    assert lines["G-BENCH"].standing == "ready"
    assert (lines["G-BENCH"].certificate, lines["G-BENCH"].laboratory) == ("BENCH-25", "ACC")
    assert (lines["G-BENCH"].valid_until, lines["G-BENCH"].days_left) == (date(2026, 6, 2), 92)
    assert lines["G-OLD"].standing == "certificate past its last day by 41 d"
    assert lines["G-OLD"].days_left == -41
    assert lines["G-AWAY"].standing == "at laboratory: recalibration"
    assert lines["G-OXY"].certificate == "OXY-25-R1"
    assert list_gauges(session, date(2023, 5, 31)) == []
    early = {x.gauge.code: x.standing for x in list_gauges(session, date(2023, 6, 1))}
    assert early["G-BENCH"] == "no certificate"


def test_certificates_newest_first(session: Session) -> None:
    of_bench = list_certificates(session, "g-bench")
    assert [x.certificate.number for x in of_bench] == ["BENCH-25", "BENCH-24"]
    assert of_bench[0].valid_until == date(2026, 6, 2)
    assert of_bench[0].largest_error == "+1.0 kPa at 0 (as-found)"
    # permissible: 0.1 % of a span of 1600 kPa
    assert of_bench[0].within_accuracy == "yes"
    oxygen = {x.certificate.number: x.remarks for x in list_certificates(session, "G-OXY")}
    assert oxygen["OXY-25"] == (
        "withdrawn 2026-02-01: wrong reference used; corrected by OXY-25-R1"
    )
    assert oxygen["OXY-25-R1"] == ""
    assert len(list_certificates(session)) == 10
    with pytest.raises(UnknownName):
        list_certificates(session, "G-BENHC")


def test_an_error_beyond_the_accuracy_is_counted(session: Session, little: Any) -> None:
    from calfleet.services.measurands import gauge_spec

    bench = little.gauge("G-BENCH")
    assert gauge_spec(bench).permissible_error(D("800")) == Fraction("1.6")
    of_reading = replace(bench, accuracy_basis="% of reading")
    assert gauge_spec(of_reading).permissible_error(D("-800")) == Fraction("0.8")
    absolute = replace(bench, accuracy_basis="absolute")
    assert gauge_spec(absolute).permissible_error(D("800")) == Fraction("0.1")


def test_gauges_for_a_switch(session: Session) -> None:
    choice = fitting_gauges(session, "PDS-2", on=TODAY)
    assert choice.options[0].gauge.code == "G-BENCH"
    assert "at static 800 kPa" in choice.heading
    assert "PR-D rev 1 requires TUR 4:1" in choice.basis
    high = fitting_gauges(session, "PDS-2", on=TODAY, static=D("1501"))
    assert [o.gauge.code for o in high.options if o.usable] == ["G-REF"]
    with pytest.raises(UnknownName):
        fitting_gauges(session, "PS-5", on=date(2025, 7, 31))  # not there yet


# --- afterwards -------------------------------------------------------------------------


def test_the_next_due_date_counts_from_the_day_done(own_works: Engine, little: Any) -> None:
    made = little.record(own_works, little.difference())
    with Session(own_works) as session:
        standing = next_due(session, made)
        assert standing.due_on == date(2027, 3, 2)
        assert standing.last_on == TODAY
        headings = [c.heading for c in cautions_after(session, made)]
    assert headings == ["Bypass of a trip", "Return to service with a second person"]


def test_an_old_calibration_tells_the_date_that_followed_from_it(session: Session) -> None:
    old = find_calibration(session, "H001")
    assert next_due(session, old).due_on == date(2025, 7, 10)


def test_finding_a_calibration(session: Session) -> None:
    assert find_calibration(session, "H003").bench.tag == "PDS-2"
    assert find_calibration(session, " h003 ").number == "H003"
    assert find_calibration(session, "ps-1").number == "H002"
    with pytest.raises(UnknownName, match="calibration") as none_yet:
        find_calibration(session, "PS-5")
    assert "Nothing is recorded for PS-5 yet" in none_yet.value.next_step
    with pytest.raises(UnknownName) as unknown:
        find_calibration(session, "H00X")
    assert unknown.value.matches
    assert "calfleet history" in unknown.value.next_step


def test_a_result_is_traced_to_its_laboratory(session: Session) -> None:
    chain = trace(session, "H002")
    assert chain.verdict is ChainVerdict.UNBROKEN, chain.problems
    assert chain.ends == ("laboratory ACC",)
    of_certificate = trace(session, "BENCH-25")
    assert of_certificate.verdict is ChainVerdict.UNBROKEN
    assert trace(session, "PS-1").subject == "result H002"
    with pytest.raises(UnknownName):
        trace(session, "XX-1")


def test_a_result_on_a_withdrawn_certificate_is_broken_or_weak(
    own_works: Engine, little: Any
) -> None:
    """OXY-25 was in force in January and was withdrawn on 2026-02-01."""
    cycles = little.cycles(
        "L", Phase.AS_FOUND, ("1496", "1530"), ("1496", "1531"), ("1497", "1530")
    )
    made = little.record(
        own_works,
        little.bench(
            tag="PSO-3", performed_on=date(2026, 1, 20), cycles=cycles,
            gauges=(rec.GaugeUsed(rec.GaugeRole.OPERATING, "G-OXY", ""),),
        ),
    )  # fmt: skip
    with Session(own_works) as session:
        chain = trace(session, made.number)
    assert chain.verdict is not ChainVerdict.UNBROKEN
    assert any("OXY-25" in reason.text for _, reason in chain.problems)


# --- names ------------------------------------------------------------------------------


def test_nearest_names_best_first_and_parts_of_names() -> None:
    known = ["PSH-1101", "PSH-1102", "PDSH-1101", "TSH-9000"]
    assert nearest_names("PSH-1101", known)[0] == "PSH-1101"
    assert nearest_names("psh1102", known)[0] == "PSH-1102"
    assert "TSH-9000" in nearest_names("9000", known)
    assert nearest_names("", known) == []
    assert nearest_names("zzzzzz", known) == []
    assert len(nearest_names("PSH-110", known, count=2)) == 2


def test_letter_case_matters_only_where_it_decides() -> None:
    assert pick("thing", "AB", {"AB": 1, "ab": 2}) == 1
    assert pick("thing", " ab ", {"AB": 1}) == 1
    with pytest.raises(UnknownName):
        pick("thing", "Ab", {"AB": 1, "aB": 2})
