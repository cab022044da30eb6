"""Which gauge will do, which is the first choice, and why another will not."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta
from decimal import Decimal
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy.orm import Session

from calfleet import records as rec
from calfleet.metrology.units import PressureMode
from calfleet.records import Hazard, Phase
from calfleet.services.bench_facts import gather_for_planning
from calfleet.services.fit_gauges import UNSUITED, GaugeOption, fit_gauges, judge_gauge, ready_gauge
from calfleet.services.record import context_for, judge_record
from calfleet.services.what_if import what_if
from calfleet.site import read_settings
from calfleet.store.queries import switches as switch_queries

D = Decimal
TODAY = date(2026, 3, 2)


def options(little: Any, tag: str, on: date = TODAY, **facts: Any) -> dict[str, GaugeOption]:
    found = fit_gauges(little.switch(tag), little.facts(**facts), on)
    return {o.gauge.code: o for o in found}


def reasons(little: Any, tag: str, gauge: str, on: date = TODAY, **facts: Any) -> tuple[str, ...]:
    found = options(little, tag, on, **facts)[gauge]
    assert found.usable is (found.reasons == ())
    return found.reasons


def changed(little: Any, code: str, **changes: Any) -> tuple[rec.Gauge, ...]:
    """The gauges of the works with every revision of one of them changed."""
    return tuple(replace(g, **changes) if g.code == code else g for g in little.given.gauges)


def test_usable_ones_first_then_the_lower_tier_then_the_larger_ratio(little: Any) -> None:
    found = fit_gauges(little.switch("PS-1"), little.facts(), TODAY)
    assert [o.gauge.code for o in found if o.usable] == ["G-BENCH", "G-REF"]
    assert [o.usable for o in found] == sorted((o.usable for o in found), reverse=True)
    best = found[0]
    assert (best.certificate, best.valid_until) == ("BENCH-25", date(2026, 6, 2))
    # the better standard has the larger ratio and is kept for calibrating gauges all the same
    assert best.tur is not None
    assert found[1].tur is not None
    assert found[1].tur > best.tur
    never = [any(r.startswith(UNSUITED) for r in o.reasons) for o in found if not o.usable]
    refused = [
        (n, len(o.reasons)) for n, o in zip(never, [o for o in found if not o.usable], strict=True)
    ]
    assert refused == sorted(refused)


def test_a_gauge_that_is_away_is_nearer_than_one_that_never_fits(little: Any) -> None:
    """It fails for two reasons that pass with time, others for one that does not."""
    late = date(2026, 6, 3)  # the day after its certificate ran out
    away = rec.GaugeAbsence("G-BENCH", late, late, "recalibration")
    found = fit_gauges(little.switch("PS-1"), replace(little.facts(), absences=(away,)), late)
    never = [any(r.startswith(UNSUITED) for r in o.reasons) for o in found]
    assert never == sorted(never)
    assert not never[0]
    held = {o.gauge.code: o.reasons for o in found}
    assert len(held["G-BENCH"]) == 2
    assert min(len(o.reasons) for o, n in zip(found, never, strict=True) if n) == 1


def test_within_a_tier_the_larger_ratio_then_the_code(little: Any) -> None:
    twin = replace(little.gauge("G-BENCH"), code="G-TWIN")
    first = replace(little.gauge("G-BENCH"), code="G-ALSO")
    papers = [
        replace(little.certificate("BENCH-25"), number=f"N-{g.code}", gauge=g.code)
        for g in (twin, first)
    ]
    sharper = tuple(
        replace(p, expanded_uncertainty=D("0.4")) for p in little.certificate("BENCH-25").points
    )
    facts = little.facts(
        gauges=(*little.given.gauges, twin, first),
        certificates=(*little.given.certificates, *papers),
    )
    found = [o.gauge.code for o in fit_gauges(little.switch("PS-1"), facts, TODAY) if o.usable]
    assert found == ["G-ALSO", "G-BENCH", "G-TWIN", "G-REF"]
    facts = little.facts(
        gauges=(*little.given.gauges, twin, first),
        certificates=(
            *little.given.certificates, replace(papers[0], points=sharper), papers[1],
        ),
    )  # fmt: skip
    found = [o.gauge.code for o in fit_gauges(little.switch("PS-1"), facts, TODAY) if o.usable]
    assert found == ["G-TWIN", "G-ALSO", "G-BENCH", "G-REF"]


def test_valid_through_the_last_day_of_the_certificate(little: Any) -> None:
    assert reasons(little, "PS-1", "G-BENCH", date(2026, 6, 2)) == ()
    assert reasons(little, "PS-1", "G-BENCH", date(2026, 6, 3)) == (
        "overdue since 2026-06-02 (certificate BENCH-25)",
    )


def test_a_newer_certificate_counts_from_its_day_of_issue(little: Any) -> None:
    newer = replace(
        little.certificate("BENCH-25"), number="BENCH-26", calibrated_on=date(2026, 5, 30),
        issued_on=date(2026, 6, 10),
    )  # fmt: skip
    papers = (*little.given.certificates, newer)
    for day, wanted in ((9, "BENCH-25"), (10, "BENCH-26")):
        found = options(little, "PS-1", date(2026, 6, day), certificates=papers)["G-BENCH"]
        assert found.certificate == wanted
        assert found.usable is (day == 10)
    assert found.valid_until == date(2027, 5, 30)


def test_at_the_laboratory_from_its_day(little: Any) -> None:
    assert reasons(little, "PS-1", "G-AWAY", date(2026, 2, 9)) == ()
    assert reasons(little, "PS-1", "G-AWAY", date(2026, 2, 10)) == (
        "at laboratory since 2026-02-10",
    )


@pytest.mark.parametrize("status", ["withdrawn", "lost"])
def test_withdrawn_or_lost(status: str, little: Any) -> None:
    gauges = changed(little, "G-BENCH", status=rec.GaugeStatus(status))
    assert reasons(little, "PS-1", "G-BENCH", gauges=gauges) == (f"{status} since 2023-06-01",)


def test_an_absence_that_is_planned(little: Any) -> None:
    facts = replace(
        little.facts(),
        absences=(rec.GaugeAbsence("G-BENCH", date(2026, 3, 9), date(2026, 3, 20), "laboratory"),),
    )
    switch = little.switch("PS-1")
    for day, away in ((8, False), (9, True), (20, True), (21, False)):
        found = {o.gauge.code: o for o in fit_gauges(switch, facts, date(2026, 3, day))}
        assert found["G-BENCH"].usable is not away
        assert found["G-AWAY"].reasons == ("at laboratory since 2026-02-10",)
    assert ready_gauge(switch, facts, date(2026, 3, 9)).view().gauge == "G-REF"


def test_a_withdrawn_certificate_leaves_the_one_before(little: Any) -> None:
    """OXY-25 withdrawn on 2026-02-01; OXY-24 had ended on 2025-12-01; OXY-25-R1 on 2026-02-05."""
    for day, certificate, usable in (
        (date(2025, 11, 30), "OXY-24", True),
        (date(2026, 1, 31), "OXY-25", True),
        (date(2026, 2, 1), "OXY-24", False),
        (date(2026, 2, 4), "OXY-24", False),
        (date(2026, 2, 5), "OXY-25-R1", True),
    ):
        found = options(little, "PSO-3", day)["G-OXY"]
        assert (found.certificate, found.usable) == (certificate, usable)


def test_without_any_certificate(little: Any) -> None:
    papers = tuple(c for c in little.given.certificates if c.gauge != "G-BENCH")
    found = options(little, "PS-1", certificates=papers)["G-BENCH"]
    assert found.reasons == ("no certificate on 2026-03-02",)
    assert (found.certificate, found.valid_until, found.tur) == (None, None, None)


def test_a_corrected_certificate_counts_until_its_correction_is_issued(little: Any) -> None:
    corrected = replace(
        little.certificate("BENCH-25"), number="BENCH-25-R1", issued_on=date(2025, 9, 1),
        replaces="BENCH-25", replacement_reason="address",
    )  # fmt: skip
    facts = little.facts(certificates=(*little.given.certificates, corrected))
    for day, wanted in (
        (date(2025, 6, 1), "BENCH-24"),
        (date(2025, 6, 2), "BENCH-25"),
        (date(2025, 8, 31), "BENCH-25"),
        (date(2025, 9, 1), "BENCH-25-R1"),
    ):
        found = facts.certificate_on("G-BENCH", day)
        assert found is not None
        assert found.number == wanted
    assert facts.certificates_from("G-BENCH", date(2025, 8, 31)) == {"BENCH-25", "BENCH-25-R1"}
    assert facts.certificates_from("G-BENCH", TODAY) == {"BENCH-25-R1"}
    assert little.facts().certificates_from("G-OXY", date(2026, 1, 1)) == {
        "OXY-25", "OXY-24", "OXY-25-R1",
    }  # fmt: skip


# --- range ------------------------------------------------------------------------------


def test_static_plus_full_range_fits_inside_the_gauge(little: Any) -> None:
    """Common practice, no source: the exercise goes through the whole range, not only the trip."""
    switch = little.switch("PDS-2")  # range to 100 kPa
    for static, fits in (("1500", True), ("1500.1", False)):
        found = fit_gauges(switch, little.facts(), TODAY, static=D(static))
        bench = next(o for o in found if o.gauge.code == "G-BENCH")
        assert bench.usable is fits, bench.reasons
    assert bench.reasons == (
        "range 0 to 1600 kPa does not hold the switch's full range with its static pressure, "
        "1500.1 to 1600.1 kPa",
    )
    assert bench.tur is None


def test_the_range_is_compared_in_the_gauges_unit(little: Any) -> None:
    """16 bar are 1600 kPa; the line pressure in bar as well."""
    gauges = changed(
        little, "G-BENCH", unit="bar", range_high=D("16"), resolution=D("0.001"),
        drift_per_year=D("0.002"), temperature_coefficient=D("0.0002"),
    )  # fmt: skip
    switch = replace(
        little.switch("PDS-2"), line_unit="bar", static_nominal=D("15.0"), proof_pressure=None
    )
    facts = little.facts(gauges=gauges)
    found = judge_gauge("G-BENCH", switch, facts, TODAY, None)
    assert found.usable, found.reasons
    assert not judge_gauge("G-BENCH", switch, facts, TODAY, D("15.001")).usable


def test_without_static_the_range_alone_must_fit(little: Any) -> None:
    gauges = changed(little, "G-BENCH", range_high=D("599"))
    (reason,) = reasons(little, "PS-1", "G-BENCH", gauges=gauges)
    assert reason == ("range 0 to 599 kPa does not hold the switch's full range, 0 to 600 kPa")
    gauges = changed(little, "G-BENCH", range_low=D("101"))
    assert "does not hold" in reasons(little, "PS-1", "G-BENCH", gauges=gauges)[0]


def test_a_differential_gauge_needs_to_stand_the_static_pressure(little: Any) -> None:
    assert reasons(little, "PDS-2", "G-DIFF") == ()
    assert reasons(little, "PDS-8", "G-DIFF") == ("stands static 1000 kPa, the job needs 1800 kPa",)
    gauges = changed(little, "G-DIFF", static_limit=None)
    assert reasons(little, "PDS-2", "G-DIFF", gauges=gauges) == (
        "no static rating recorded for this differential gauge",
    )
    gauges = changed(little, "G-DIFF", static_limit=D("800"))
    assert reasons(little, "PDS-2", "G-DIFF", gauges=gauges) == ()  # the limit itself is allowed


def test_each_quantity_has_its_gauges(little: Any) -> None:
    assert reasons(little, "PS-1", "G-DIFF")[0] == "reads differential pressure"
    thermometer = changed(little, "G-BENCH", mode=None, unit="degC")
    assert "reads temperature" in reasons(little, "PS-1", "G-BENCH", gauges=thermometer)
    odd = changed(little, "G-BENCH", unit="degC")
    assert "its unit degC is of another kind" in reasons(little, "PS-1", "G-BENCH", gauges=odd)
    vacuum = changed(little, "G-BENCH", mode=PressureMode.VACUUM)
    assert "reads vacuum pressure" in reasons(little, "PS-1", "G-BENCH", gauges=vacuum)


# --- cleanliness ------------------------------------------------------------------------


def test_oxygen_service_needs_a_clean_gauge_which_serves_nothing_else(little: Any) -> None:
    """Common practice, no source."""
    assert reasons(little, "PSO-3", "G-OXY") == ()
    assert "not oxygen-clean" in reasons(little, "PSO-3", "G-REF")
    assert reasons(little, "PS-1", "G-OXY") == ("kept oxygen-clean for oxygen service only",)
    usual = replace(little.switch("PSO-3"), hazards=(Hazard.HOT,))
    assert judge_gauge("G-REF", usual, little.facts(), TODAY, None).usable


# --- good enough ------------------------------------------------------------------------


def test_a_ratio_below_the_procedures_is_refused(little: Any) -> None:
    (reason,) = reasons(little, "PS-1", "G-POOR")
    assert reason.startswith("not good enough: TUR 1.")
    assert reason.endswith("PR-P rev 2 requires 4:1")
    found = options(little, "PS-1")["G-POOR"]
    assert found.expected_too_poor == found.reasons
    assert found.tur is not None
    assert found.expanded_uncertainty is not None
    assert found.tur == pytest.approx(20 / (2 * found.expanded_uncertainty), rel=1e-12)


def test_the_ratio_asked_for_is_enough(little: Any) -> None:
    found = options(little, "PS-1")["G-BENCH"].tur
    assert found is not None
    for required, usable in (
        (Decimal(found).quantize(D("0.001"), rounding="ROUND_FLOOR"), True),
        (Decimal(found).quantize(D("0.001"), rounding="ROUND_CEILING"), False),
    ):
        procedures = tuple(replace(p, required_tur=required) for p in little.given.procedures)
        assert options(little, "PS-1", procedures=procedures)["G-BENCH"].usable is usable


def test_the_set_point_where_the_gauge_does_worst_counts(little: Any) -> None:
    switch = little.switch("PS-1")
    tight = replace(
        switch.set_points[0], label="HH", tolerance_minus=D("2"), tolerance_plus=D("2"),
        as_left_minus=None, as_left_plus=None,
    )  # fmt: skip
    both = replace(switch, set_points=(*switch.set_points, tight))
    found = judge_gauge("G-BENCH", both, little.facts(), TODAY, None)
    one = judge_gauge("G-BENCH", replace(both, set_points=(tight,)), little.facts(), TODAY, None)
    assert not found.usable
    assert found.tur == one.tur


def test_an_open_tolerance_has_no_ratio_but_a_guard_band(little: Any) -> None:
    switch = little.switch("PS-1")
    open_below = replace(
        switch.set_points[0], tolerance_minus=None, as_left_minus=None, tolerance_plus=D("2"),
        as_left_plus=None,
    )  # fmt: skip
    one_sided = replace(switch, set_points=(open_below,))
    guarded = tuple(replace(p, decision_rule="guarded acceptance") for p in little.given.procedures)
    facts = little.facts(procedures=guarded)
    good = judge_gauge("G-BENCH", one_sided, facts, TODAY, None)
    assert (good.usable, good.tur) == (True, None)
    assert good.expanded_uncertainty is not None
    poor = judge_gauge("G-POOR", one_sided, facts, TODAY, None)
    assert poor.reasons == ("too uncertain: the guard band leaves the set point outside",)


def test_a_certificate_that_does_not_reach_the_set_point(little: Any) -> None:
    short = [p for p in little.certificate("BENCH-25").points if p.reference <= 0]
    papers = tuple(
        replace(c, points=tuple(short)) if c.number == "BENCH-25" else c
        for c in little.given.certificates
    )
    (reason,) = reasons(little, "PS-1", "G-BENCH", certificates=papers)
    assert "certificate" in reason


# --- readiness --------------------------------------------------------------------------


@pytest.mark.parametrize("tag", ["PS-1", "PDS-2", "PSO-3", "VS-4", "PDS-8"])
@pytest.mark.parametrize("days", [-100, 0, 50, 93, 200, 400])
def test_the_first_choice_is_the_first_of_all_that_would_do(
    tag: str, days: int, little: Any
) -> None:
    """The quick answer of the due list is that of judging every gauge."""
    on = TODAY + timedelta(days=days)
    facts, switch = little.facts(), little.switch(tag)
    usable = [o for o in fit_gauges(switch, facts, on) if o.usable]
    ready = ready_gauge(switch, facts, on).view()
    assert ready.ready is bool(usable)
    assert ready.gauge == (usable[0].gauge.code if usable else None)
    if usable:
        assert ready.tur == usable[0].tur
        assert (ready.reason, ready.short) == ("", "")
    else:
        assert ready.reason
        assert ready.reason.startswith(ready.short)


def test_those_that_came_close_are_named_nearest_first(little: Any) -> None:
    on = date(2027, 3, 1)  # every certificate has run out
    ready = ready_gauge(little.switch("PS-1"), little.facts(), on)
    assert ready.option is None
    counts = [len(o.reasons) for o in ready.close]
    assert counts == sorted(counts)
    assert len(counts) == 3
    said = ready.view()
    assert said.short.startswith(f"{ready.close[0].gauge.code} overdue since")
    assert said.reason.count(";") == 2


def test_a_procedure_that_contradicts_itself_is_told_not_raised(little: Any) -> None:
    """One bad data sheet does not take the whole due list away."""
    broken = replace(
        little.switch("PS-1"),
        set_points=(replace(little.switch("PS-1").set_points[0], dead_band_min=D("50")),),
    )
    ready = ready_gauge(broken, little.facts(), TODAY).view()
    assert not ready.ready
    assert ready.reason


# --- planned and recorded ---------------------------------------------------------------


def planned_and_recorded(
    session: Session, little: Any, spread: tuple[float, int], *trips: str
) -> tuple[GaugeOption, rec.Result]:
    """G-BENCH planned for PS-1 today, then the trips recorded on it, with one pooled spread.

    Recorded at 25 degC: a plan assumes that the gauge stands 5 K from its reference temperature.
    """
    context = context_for(session, "PS-1")
    context.facts = replace(context.facts, repeatability={"PX": spread})
    switch = little.switch("PS-1")
    planned = judge_gauge("G-BENCH", switch, context.facts, TODAY, None)
    cycles = little.cycles("H", Phase.AS_FOUND, *((trip, "380.9") for trip in trips))
    bench = little.bench(cycles=cycles, temperature_c=D(25))
    made = judge_record(context, bench, today=little.today, at=little.now, strict=True)
    (result,) = made.results
    return planned, result


@pytest.mark.parametrize("dof", [10, 14, 46, 400])
def test_planned_ratio_is_that_of_readings_with_the_pooled_spread(
    session: Session, little: Any, dof: int
) -> None:
    """Trips about the set point with s = 1.5 kPa, which is 0.003 of the span of 500 kPa."""
    planned, result = planned_and_recorded(session, little, (0.003, dof), "398.5", "400", "401.5")
    assert result.trip_sd == pytest.approx(1.5, rel=1e-12)
    assert result.effective_dof is not None  # finite: the pooled ones count
    assert planned.tur == pytest.approx(result.tur, rel=1e-9)
    assert planned.expanded_uncertainty == pytest.approx(result.expanded_uncertainty, rel=1e-9)


def test_without_a_pooled_spread_the_plan_takes_the_repeatability_limit(
    session: Session, little: Any
) -> None:
    """Fewer than ten degrees of freedom are not pooled: readings then count by their own spread."""
    planned, result = planned_and_recorded(session, little, (0.003, 9), "398.5", "400", "401.5")
    assert result.effective_dof == pytest.approx(2 * (1 + (0.4**2 + 0.05**2) / 0.75) ** 2, rel=0.05)
    assert planned.tur is not None
    assert result.tur is not None
    assert planned.tur > result.tur


def test_what_if_and_the_fitting_gauges_expect_the_same(demo_site: Path) -> None:
    """Every gauge of the demo that reaches a ratio, for every switch with one set point."""
    on = date(2026, 11, 25)
    compared = 0
    with read_settings(demo_site).reading() as session:
        facts = gather_for_planning(session)
        for switch in switch_queries.in_force(session, on)[::7]:
            if len(switch.set_points) > 1:
                continue
            found = {p.name: p for p in what_if(session, switch.tag, on=on).prospects}
            for option in fit_gauges(switch, facts, on):
                if option.expanded_uncertainty is None or option.gauge.code not in found:
                    continue
                prospect = found[option.gauge.code]
                assert prospect.tur == pytest.approx(option.tur, rel=1e-9)
                wanted = pytest.approx(option.expanded_uncertainty, rel=1e-9)
                assert prospect.expanded_uncertainty == wanted
                compared += 1
    assert compared > 30
