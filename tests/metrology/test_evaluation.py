"""One series of runs judged: budgets recomputed by hand, verdicts, reasons, speed."""

from __future__ import annotations

import json
import math
import subprocess
import sys
import time
from dataclasses import replace
from fractions import Fraction

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from calfleet.errors import (
    BadQuantity,
    ExtrapolationRefused,
    ReadingRefused,
    RiskInfeasible,
)
from calfleet.metrology.budget import Budget, combine
from calfleet.metrology.certificate import CertificateCurve, CertificatePoint
from calfleet.metrology.conformity import DecisionRule, Reliability, Rule, Verdict, tur
from calfleet.metrology.direction import Direction
from calfleet.metrology.evaluation import (
    AccuracyBasis,
    GaugeSpec,
    GaugeUse,
    Judged,
    Method,
    evaluate,
    outlook,
    planned_figures,
    planned_uncertainty,
)
from calfleet.metrology.pressure import Head
from calfleet.metrology.switch import (
    Cycle,
    Outcome,
    SetPointSpec,
    Tolerance,
    ToleranceBasis,
)
from calfleet.metrology.units import PressureMode, convert, convert_difference

F = Fraction
RISING, FALLING = Direction.RISING, Direction.FALLING
INF = math.inf


def curve(unit="psi", top=200, error="0", U=0.02, k=2.0, step=50, directed=False):
    directions = list(Direction) if directed else [None]
    return CertificateCurve(
        [
            CertificatePoint(F(x), F(x) + F(error), U, k, direction)
            for x in range(0, top + 1, step)
            for direction in directions
        ],
        unit,
    )


def gauge(unit="psi", top=200, resolution="0.01", curve_=None, years=0.0, t=None, **more):
    own = GaugeSpec(unit, 0, top, F(resolution), **more)
    return GaugeUse(own, curve_ or curve(unit, top), years, t)


def spec(x=60, direction=RISING, unit="psi", low=10, high=100, tolerance=None, **more):
    tolerance = tolerance or Tolerance(F("1.5"), F("1.5"), ToleranceBasis.SPAN)
    return SetPointSpec(x, direction, unit, low, high, tolerance, **more)


def series(*pairs, static=None):
    return [
        Cycle(run, F(trip), None if reset is None else F(reset), static)
        for run, (trip, reset) in enumerate(pairs, start=1)
    ]


W1 = series(("60.4", "51.2"), ("60.6", "51.0"), ("60.5", "51.1"))


def shares_by_name(budget: Budget):
    return {
        part.name: contribution
        for part, contribution in zip(budget.components, budget.contributions, strict=True)
    }


# --- readings to set point --------------------------------------------------------------


def test_case_w1_whole():
    # own worked example W1, recomputed: error +0.5 psi, repeatability 0.2, dead band 9.4
    result = evaluate(spec(), W1, gauge())
    assert (result.lower, result.upper) == (F("58.65"), F("61.35"))
    assert result.found.error == F("0.5")
    assert result.found.repeatability == F("0.2")
    assert result.found.dead_band == F("9.4")
    assert result.found.late is True
    assert result.verdict is Verdict.PASS
    # by hand: certificate 0.02/2, display 0.01/(2 sqrt 3), s/sqrt(3) with s = 0.1 and 2 dof
    u = math.sqrt(0.01**2 + (0.01 / 2 / math.sqrt(3)) ** 2 + (0.1 / math.sqrt(3)) ** 2)
    assert result.budget.u_c == pytest.approx(u, rel=1e-12)
    assert result.budget.nu_eff == pytest.approx(u**4 / ((0.1 / math.sqrt(3)) ** 4 / 2), rel=1e-9)
    assert result.k == pytest.approx(stats.t.ppf(0.975, 2), rel=1e-9)
    assert result.tur == pytest.approx(1.35 / result.U, rel=1e-12)


def test_case_w2_falling():
    # own worked example W2: error -0.6, late, dead band 3.6
    result = evaluate(
        spec(20, FALLING, low=0, tolerance=Tolerance(1, 1)), series(("19.4", "23.0")), gauge(),
        pooled=(0.1, INF),
    )  # fmt: skip
    assert (result.found.error, result.found.late) == (F("-0.6"), True)
    assert result.found.dead_band == F("3.6")
    assert result.judgements[0].late is True


def test_corrections_are_subtracted_or_specification_used():
    # ISO/IEC 17025 6.4.11: corrected = reading - (indication - reference)
    applied = evaluate(spec(), W1, gauge(curve_=curve(error="0.3")))
    assert applied.found.mean_trip == F("60.2")
    assert "operating gauge: accuracy" not in shares_by_name(applied.budget)
    used_as_is = evaluate(
        spec(), W1, gauge(curve_=curve(error="0.3"), accuracy=F("0.25"), use_corrections=False)
    )
    assert used_as_is.found.mean_trip == F("60.5")
    # 0.25 % of 200 psi = 0.5 psi, rectangular
    contribution = shares_by_name(used_as_is.budget)["operating gauge: accuracy"]
    assert contribution == pytest.approx(0.5 / math.sqrt(3))
    assert used_as_is.tar == pytest.approx(1.35 / 0.5)


def test_error_beyond_the_permissible_one_stops():
    # MSL Technical Guide 13 guarded class: an instrument outside its class needs corrections
    result = evaluate(
        spec(), W1, gauge(curve_=curve(error="0.6"), accuracy=F("0.25"), use_corrections=False)
    )
    assert "gauge error above permissible" in [remark.code for remark in result.remarks]


def test_rising_and_falling_branches_correct_trip_and_reset_apart():
    points = [
        CertificatePoint(F(x), F(x) + shift, 0.02, 2.0, direction)
        for x in (0, 100, 200)
        for direction, shift in ((RISING, F("0.1")), (FALLING, F("0.3")))
    ]
    use = gauge(curve_=CertificateCurve(points, "psi"))
    result = evaluate(spec(), series(("60.4", "51.2")), use, pooled=(0.1, INF))
    assert result.runs[0].trip == F("60.3")
    assert result.runs[0].reset == F("50.9")


def test_one_gauge_with_locked_low_side():
    # common practice, no source: x = [p - e(p)] - [s - e(s)]
    own = spec(60, unit="kPa", low=0, high=100, tolerance=Tolerance(2, 2))
    points = [CertificatePoint(F(x), F(x) * F("1.001"), 0.2) for x in range(0, 1001, 100)]
    use = gauge("kPa", 1000, "0.1", CertificateCurve(points, "kPa"))
    result = evaluate(own, series(("560.56", "550.55"), static=F("500.5")), use, pooled=(0.1, INF))
    assert result.runs[0].static == 500
    assert result.found.mean_trip == 60
    assert result.found.dead_band == 10
    parts = shares_by_name(result.budget)
    assert parts["operating gauge: calibration"] == parts["static gauge: calibration"] == 0.1
    assert parts["static gauge: resolution"] == pytest.approx(0.1 / 2 / math.sqrt(3))


@pytest.mark.parametrize("r", [0.0, 0.5, 0.9])
def test_same_gauge_correlation(r):
    # JCGM 100:2008 5.2.2: u2(x) = u2(p) + u2(s) - 2 r u(p) u(s)
    own = spec(60, unit="kPa", low=0, high=100, tolerance=Tolerance(2, 2))
    use = gauge("kPa", 1000, "0.0001", curve("kPa", 1000, U=0.2), same_gauge_correlation=r)
    budget = planned_uncertainty(own, 500, use, None, Method(), None)
    other = 2 * (0.0001 / 2 / math.sqrt(3)) ** 2
    assert budget.u_c**2 == pytest.approx(0.01 + 0.01 - 2 * r * 0.01 + other, rel=1e-12)
    same_gauge_named_twice = planned_uncertainty(own, 500, use, use, Method(), None)
    assert same_gauge_named_twice.u_c == budget.u_c


def test_two_gauges_are_not_correlated_and_each_has_its_unit():
    own = spec(60, unit="kPa", low=0, high=100, tolerance=Tolerance(2, 2))
    use = gauge("kPa", 1000, "0.1", curve("kPa", 1000, U=0.2), same_gauge_correlation=0.9)
    low_side = gauge("bar", 10, "0.001", curve("bar", 10, U=0.004, error="0.01", step=5))
    result = evaluate(
        own, series(("560", "550"), static=F("5.01")), use, low_side, pooled=(0.1, INF)
    )
    assert result.found.mean_trip == 60
    parts = shares_by_name(result.budget)
    assert parts["static gauge: calibration"] == pytest.approx(0.2)  # 0.002 bar
    assert result.budget.correlations == ()


def test_differential_gauge_reads_the_difference_itself():
    own = spec(60, unit="kPa", low=0, high=100, tolerance=Tolerance(2, 2),
               mode=PressureMode.DIFFERENTIAL)  # fmt: skip
    use = gauge("kPa", 100, "0.01", curve("kPa", 100), mode=PressureMode.DIFFERENTIAL)
    result = evaluate(own, series(("60.1", "50"), static=F(500)), use, pooled=(0.1, INF))
    assert result.found.mean_trip == F("60.1")
    assert not any("static" in name for name in shares_by_name(result.budget))


def test_run_without_static_reading_keeps_the_one_before():
    own = spec(60, unit="kPa", low=0, high=100, tolerance=Tolerance(2, 2))
    use = gauge("kPa", 1000, "0.1", curve("kPa", 1000))
    runs = [Cycle(1, F(560), F(550), F(500)), Cycle(2, F(561), F(551))]
    assert [run.trip for run in evaluate(own, runs, use).runs] == [60, 61]
    with pytest.raises(ReadingRefused):
        evaluate(own, [Cycle(1, F(560)), Cycle(2, F(561), None, F(500))], use)


def test_head_is_added_and_its_half_widths_enter():
    head = Head(F("0.25"), F("998.2"), height_half_width_m=0.01, density_half_width=2.0)
    own = spec(60, unit="kPa", low=0, high=100, tolerance=Tolerance(2, 2))
    use = gauge("kPa", 200, "0.01", curve("kPa", 200))
    result = evaluate(own, series(("60", "50")), use, None, Method(head=head), pooled=(0.1, INF))
    # 0.25 m of water at 998.2 kg/m3 = 2.447 kPa; recomputed
    assert float(result.found.mean_trip) == pytest.approx(62.447, abs=5e-4)
    parts = shares_by_name(result.budget)
    g = 9.80665e-3
    assert parts["head: height"] == pytest.approx(998.2 * g * 0.01 / math.sqrt(3))
    assert parts["head: density"] == pytest.approx(0.25 * g * 2.0 / math.sqrt(3))


def test_more_liquid_is_less_vacuum():
    """0.25 m of water at 998.2 kg/m3 = 2.447 kPa, recomputed; p_vacuum = -p_gauge by definition."""
    head = Head(F("0.25"), F("998.2"), height_half_width_m=0.01)
    own = spec(60, unit="kPa", low=0, high=100, tolerance=Tolerance(2, 2))
    own = replace(own, mode=PressureMode.VACUUM)
    use = gauge("kPa", 200, "0.01", curve("kPa", 200))
    use = replace(use, spec=replace(use.spec, mode=PressureMode.VACUUM))
    result = evaluate(own, series(("60", "50")), use, None, Method(head=head), pooled=(0.1, INF))
    assert float(result.found.mean_trip) == pytest.approx(60 - 2.447, abs=5e-4)
    assert float(result.found.mean_reset) == pytest.approx(50 - 2.447, abs=5e-4)


def test_every_influence_of_the_table_is_in_the_budget():
    own = spec(60, unit="kPa", low=0, high=100, tolerance=Tolerance(2, 2))
    use = gauge(
        "kPa", 1000, "0.1", curve("kPa", 1000, U=0.2, k=2.28), 0.5, 26.0,
        accuracy=F("0.1"), use_corrections=False, drift_per_year=F("0.3"),
        temperature_coefficient=F("0.02"), readable_fraction=F(1, 2),
    )  # fmt: skip
    method = Method(
        head=Head(1, 1000, height_half_width_m=0.01, density_half_width=5),
        ramp_rate=0.05, gauge_lag_s=0.2, switch_delay_s=0.1, static_hold=0.4,
    )  # fmt: skip
    result = evaluate(
        own, series(("550", "540"), ("550.2", "540"), ("550.1", "540"), static=F(500)), use,
        None, method,
    )  # fmt: skip
    parts = {part.name: part for part in result.budget.components}
    by_hand = {
        "calibration": 0.2 / 2.28,
        "accuracy": 1.0 / math.sqrt(3),  # 0.1 % of 1000 kPa
        "drift": 0.15 / math.sqrt(3),
        "resolution": 0.1 / 2 / 2 / math.sqrt(3),
        "temperature": 0.12 / math.sqrt(3),
    }
    for who in ("operating gauge", "static gauge"):
        for name, u in by_hand.items():
            assert parts[f"{who}: {name}"].u == pytest.approx(u, rel=1e-12), name
    assert parts["ramp"].u == pytest.approx(0.05 * 0.3 / math.sqrt(3))
    assert parts["static hold"].u == pytest.approx(0.4 / math.sqrt(3))
    assert parts["repeatability"].u == pytest.approx(0.1 / math.sqrt(3))
    assert parts["repeatability"].dof == 2
    # k = 2.28 at 95.45 % is t with 10 degrees of freedom (JCGM 100:2008 Table G.2)
    assert parts["operating gauge: calibration"].dof == pytest.approx(10, abs=0.2)
    total = math.fsum(part.contribution**2 for part in result.budget.components)
    assert result.budget.u_c == pytest.approx(math.sqrt(total), rel=1e-12)
    assert math.fsum(result.budget.shares) == pytest.approx(1)


def test_temperature_not_recorded_is_assumed_and_said():
    use = gauge(temperature_coefficient=F("0.02"))
    parts = {part.name: part for part in evaluate(spec(), W1, use).budget.components}
    assert parts["operating gauge: temperature"].u == pytest.approx(0.02 * 5 / math.sqrt(3))
    assert "not recorded" in parts["operating gauge: temperature"].note
    at_reference = replace(use, temperature_c=20.0)
    assert "operating gauge: temperature" not in shares_by_name(
        evaluate(spec(), W1, at_reference).budget
    )


# --- repeatability ----------------------------------------------------------------------


def test_pooled_repeatability_replaces_three_runs():
    result = evaluate(spec(), W1, gauge(), pooled=(0.12, 60))
    part = result.budget.components[-1]
    assert (part.u, part.dof) == (pytest.approx(0.12 / math.sqrt(3)), 60)


def test_series_that_scatters_significantly_more_keeps_its_own_s():
    wild = series(("60.0", "51"), ("60.6", "51"), ("61.2", "51"))
    result = evaluate(spec(), wild, gauge(), pooled=(0.12, 60))
    part = result.budget.components[-1]
    # F = (0.6/0.12)^2 = 25 with 2 and 60 degrees of freedom is far beyond 3.15 (5 %)
    assert stats.f.sf(25, 2, 60) < 0.05
    assert (part.u, part.dof) == (pytest.approx(0.6 / math.sqrt(3)), 2)
    assert "significantly" in part.note
    barely = series(("60.4", "51"), ("60.6", "51"), ("60.8", "51"))
    assert stats.f.sf((0.2 / 0.12) ** 2, 2, 60) > 0.05
    assert evaluate(spec(), barely, gauge(), pooled=(0.12, 60)).budget.components[-1].dof == 60


def test_one_run_takes_the_limit_or_says_that_nothing_is_known():
    single = series(("60.4", "51.2"))
    limited = evaluate(spec(repeatability_limit=F("0.6")), single, gauge())
    assert limited.budget.components[-1].u == pytest.approx(0.3 / math.sqrt(3))
    unknown = evaluate(spec(), single, gauge())
    assert "repeatability not included" in [remark.code for remark in unknown.remarks]


def test_one_dominating_rectangular_component_takes_k_1_65():
    # EA-4/02 S9: k = 1.65 at 95 % where one rectangular component dominates
    result = evaluate(
        spec(), series(("60.4", "51.2")), gauge(accuracy=1, use_corrections=False),
        pooled=(0.05, INF),
    )  # fmt: skip
    assert result.k == pytest.approx(1.64545, abs=5e-6)
    assert result.budget.coverage_basis == "rectangular dominates"


# --- modes ------------------------------------------------------------------------------


def test_absolute_switch_needs_the_barometric_pressure():
    own = spec(150, unit="kPa", low=0, high=300, tolerance=Tolerance(5, 5),
               mode=PressureMode.ABSOLUTE)  # fmt: skip
    use = gauge("kPa", 200, "0.1", curve("kPa", 200), mode=PressureMode.GAUGE)
    runs = series(("48.675", "40"))
    with pytest.raises(BadQuantity):
        evaluate(own, runs, use, pooled=(0.1, INF))
    method = Method(barometric_half_width=0.05)
    result = evaluate(own, runs, use, None, method, pooled=(0.1, INF), barometric=F("101.325"))
    assert result.found.mean_trip == 150
    assert shares_by_name(result.budget)["barometric pressure"] == pytest.approx(
        0.05 / math.sqrt(3)
    )


def test_vacuum_switch_on_a_gauge_that_counts_upwards():
    # 60 kPa of vacuum is -60 kPa gauge; a rising vacuum is a falling gauge pressure
    own = spec(60, unit="kPa", low=0, high=90, tolerance=Tolerance(2, 2), mode=PressureMode.VACUUM)
    points = [
        CertificatePoint(F(x), F(x) + shift, 0.02, 2.0, direction)
        for x in (-100, -50, 0)
        for direction, shift in ((RISING, F("0.5")), (FALLING, F("-0.1")))
    ]
    low = GaugeSpec("kPa", -100, 0, F("0.1"), mode=PressureMode.GAUGE)
    use = GaugeUse(low, CertificateCurve(points, "kPa"))
    result = evaluate(own, series(("-60.1", "-50.5")), use, pooled=(0.1, INF))
    assert result.runs[0].trip == 60  # falling branch: -60.1 - (-0.1) = -60.0
    assert result.runs[0].reset == 51  # rising branch: -50.5 - 0.5 = -51.0
    assert result.found.dead_band == 9


def test_differential_switch_is_refused_on_an_absolute_gauge_alone():
    own = spec(60, unit="kPa", low=0, high=100, tolerance=Tolerance(2, 2),
               mode=PressureMode.DIFFERENTIAL)  # fmt: skip
    use = gauge("kPa", 1000, "0.1", curve("kPa", 1000), mode=PressureMode.ABSOLUTE)
    with pytest.raises(BadQuantity):
        evaluate(own, series(("160", "150")), use, pooled=(0.1, INF))
    both = evaluate(own, series(("560", "550"), static=F(500)), use, pooled=(0.1, INF))
    assert both.found.mean_trip == 60  # the difference of two absolute pressures needs no air


def test_temperature_switch_converts_points_and_differences():
    own = SetPointSpec(80, RISING, "degC", 20, 120, Tolerance(2, 2))
    points = [CertificatePoint(F(x), F(x) + 1, 0.18) for x in (100, 150, 200)]
    use = GaugeUse(GaugeSpec("degF", 50, 250, F("0.1")), CertificateCurve(points, "degF"))
    result = evaluate(own, series(("177.8", "168")), use, pooled=(0.1, INF))
    assert result.found.mean_trip == convert(F("176.8"), "degF", "degC")
    assert float(result.found.mean_trip) == pytest.approx(80.4444, abs=1e-4)
    parts = shares_by_name(result.budget)
    assert parts["operating gauge: calibration"] == pytest.approx(0.09 / 1.8)


# --- verdicts ---------------------------------------------------------------------------


def test_as_found_judges_first_trip_and_every_run_as_left_every_run_and_mean():
    # common practice, no source: a setting of the procedure
    found = evaluate(spec(), W1, gauge(), phase="as-found")
    assert [one.what for one in found.judgements] == ["first trip", "run 2", "run 3"]
    left = evaluate(spec(), W1, gauge(), phase="as-left")
    assert [one.what for one in left.judgements] == ["run 1", "run 2", "run 3", "mean of 3 runs"]
    only_mean = evaluate(spec(), W1, gauge(), None, Method(judged_as_left=(Judged.MEAN,)),
                         phase="as-left")  # fmt: skip
    assert [one.what for one in only_mean.judgements] == ["mean of 3 runs"]


def test_three_runs_are_planned():
    # common practice, no source: repeat three times
    assert Method().runs == 3
    planned = planned_uncertainty(spec(), None, gauge(), None, Method(), (0.3, INF))
    assert planned.components[-1].u == pytest.approx(0.3 / math.sqrt(3))


def test_first_trip_out_fails_although_the_mean_is_in():
    runs = series(("61.4", "51"), ("60.0", "51"), ("60.1", "51"))
    result = evaluate(spec(), runs, gauge())
    assert result.verdict is Verdict.FAIL
    assert result.reason == (
        "First trip, 61.4 psi, is 0.05 psi above the upper tolerance limit 61.35 psi "
        "(late, the non-conservative side)."
    )
    assert result.found.first_trip == F("61.4")
    assert float(result.found.mean_trip) == 60.5


@pytest.mark.parametrize(
    ("trip", "verdict"),
    [("18", Verdict.PASS), ("22", Verdict.PASS), ("17.9", Verdict.FAIL), ("22.1", Verdict.FAIL)],
)
def test_published_switch_limits(trip, verdict):
    # TM 10-4320-342-24 para 2-33: 20 psi, adjust above 22 or below 18
    own = SetPointSpec(20, RISING, "psi", 0, 60, Tolerance(2, 2))
    result = evaluate(own, series((trip, None)), gauge(), pooled=(0.1, INF))
    assert result.verdict is verdict


def test_as_left_has_its_own_tolerance():
    own = spec(as_left_tolerance=Tolerance(F("0.4"), F("0.4")))
    found = evaluate(own, W1, gauge())
    assert (found.verdict, found.within_as_left) == (Verdict.PASS, False)
    left = evaluate(own, W1, gauge(), phase="as-left")
    assert (left.verdict, left.within_as_left) == (Verdict.FAIL, None)
    assert (left.lower, left.upper) == (F("59.6"), F("60.4"))
    wide = evaluate(spec(as_left_tolerance=Tolerance(1, 1)), W1, gauge())
    assert wide.within_as_left is True


def test_repeatability_and_dead_band_are_judged_inclusively():
    on_the_limit = spec(repeatability_limit=F("0.2"), dead_band_min=9, dead_band_max=F("9.4"))
    assert evaluate(on_the_limit, W1, gauge()).verdict is Verdict.PASS
    scattered = evaluate(spec(repeatability_limit=F("0.19")), W1, gauge())
    assert scattered.verdict is Verdict.FAIL
    assert scattered.reason == "Repeatability, 0.2 psi, is above its limit 0.19 psi."
    wide = evaluate(spec(dead_band_max=F("9.3")), W1, gauge())
    assert wide.reason == "Dead band, 9.4 psi, is above its limit 9.3 psi."
    narrow = evaluate(spec(dead_band_min=F("9.5")), W1, gauge())
    assert narrow.reason == "Dead band, 9.4 psi, is below its limit 9.5 psi."
    assert not narrow.limit_checks[0].inside


def test_limits_that_could_not_be_judged_are_remarked_on():
    own = spec(repeatability_limit=1, dead_band_max=12)
    result = evaluate(own, series(("60.4", None)), gauge())
    codes = [remark.code for remark in result.remarks]
    assert "repeatability not judged" in codes
    assert "dead band not judged" in codes


def test_a_run_that_failed_to_act_fails_the_series():
    runs = [*W1[:2], Cycle(3, None, outcome=Outcome.NO_TRIP)]
    result = evaluate(spec(), runs, gauge())
    assert result.verdict is Verdict.FAIL
    assert result.reason == "Run 3: no trip."
    assert result.within_as_left is False
    assert result.found.mean_trip == F("60.5")


def test_nothing_tripped_still_has_its_planned_budget():
    result = evaluate(spec(), [Cycle(1, None, outcome=Outcome.NO_TRIP)], gauge(), pooled=(0.1, INF))
    assert result.verdict is Verdict.FAIL
    assert result.specific_risk is None
    planned = planned_uncertainty(spec(), None, gauge(), None, Method(), (0.1, INF))
    assert math.isclose(result.U, planned.U, rel_tol=1e-12)


def test_guarded_rule_draws_the_limits_in_by_u():
    method = Method(DecisionRule(Rule.GUARDED))
    result = evaluate(spec(), W1, gauge(), None, method, pooled=(0.3, INF))
    assert float(result.acceptance_upper) == pytest.approx(61.35 - result.U, rel=1e-12)
    assert float(result.acceptance_lower) == pytest.approx(58.65 + result.U, rel=1e-12)
    near = series(("61.2", "51"), ("61.2", "51"), ("61.2", "51"))
    failing = evaluate(spec(), near, gauge(), None, method, pooled=(0.3, INF))
    assert failing.verdict is Verdict.FAIL
    assert "acceptance limit" in failing.reason


def test_non_binary_verdict_is_the_worst_of_the_runs():
    method = Method(DecisionRule(Rule.NON_BINARY))
    runs = series(("60", "51"), ("61.2", "51"), ("60", "51"))
    result = evaluate(spec(), runs, gauge(), None, method, pooled=(0.3, INF))
    assert result.verdict is Verdict.CONDITIONAL_PASS
    assert result.reason.startswith("Run 2")


def test_one_sided_tolerance_has_no_ratio_and_says_so():
    own = spec(tolerance=Tolerance(None, 2))
    result = evaluate(own, W1, gauge())
    assert result.tur is None
    assert "one-sided" in result.tur_text
    assert result.lower is None
    assert result.tar is None


def test_ratio_is_stated_with_the_95_per_cent_uncertainty():
    wide = evaluate(spec(), W1, gauge(), None, Method(coverage_probability=0.99), pooled=(0.1, INF))
    normal = evaluate(spec(), W1, gauge(), pooled=(0.1, INF))
    assert wide.U > normal.U
    assert wide.tur == pytest.approx(normal.tur, rel=1e-12)
    narrow = evaluate(
        spec(), W1, gauge(), None, Method(coverage_probability=0.9), pooled=(0.1, INF)
    )
    assert narrow.tur == pytest.approx(normal.tur, rel=1e-12)
    k2 = evaluate(spec(), W1, gauge(), None, Method(coverage_probability=0.9545), pooled=(0.1, INF))
    assert k2.k == pytest.approx(2, abs=1e-5)
    assert k2.tur == pytest.approx(1.35 / k2.U)


def test_specific_risk_takes_t_with_few_degrees_of_freedom():
    result = evaluate(spec(), W1, gauge())
    dof = math.floor(result.budget.nu_eff + 0.005)
    u = result.budget.u_c
    worst = max(
        stats.t.cdf((58.65 - y) / u, dof) + stats.t.sf((61.35 - y) / u, dof)
        for y in (60.4, 60.6, 60.5)
    )
    assert result.specific_risk == pytest.approx(worst, rel=1e-9)


# --- refusals ---------------------------------------------------------------------------


def test_readings_and_gauges_that_do_not_go_together():
    with pytest.raises(ReadingRefused):
        evaluate(spec(), series(("260.4", "51.2")), gauge())
    with pytest.raises(ExtrapolationRefused):
        evaluate(spec(), W1, gauge(curve_=curve(top=50)))
    with pytest.raises(ReadingRefused):
        evaluate(spec(), series(("60.4", "61.2")), gauge())
    with pytest.raises(BadQuantity):
        evaluate(spec(), [], gauge())
    with pytest.raises(ReadingRefused):
        planned_uncertainty(spec(), 150, gauge(), None, Method())


@pytest.mark.parametrize(
    "wrong",
    [
        {"resolution": "0"},
        {"accuracy": -1},
        {"readable_fraction": 2},
        {"same_gauge_correlation": 1.5},
        {"use_corrections": False},
        {"years": -1},
    ],
)
def test_impossible_gauges(wrong):
    with pytest.raises(BadQuantity):
        gauge(**wrong)


@pytest.mark.parametrize(
    "wrong",
    [
        {"coverage_probability": 95},
        {"ramp_rate": -1},
        {"static_hold": math.nan},
        {"runs": 0},
        {"judged_as_left": ()},
    ],
)
def test_impossible_methods(wrong):
    with pytest.raises(BadQuantity):
        Method(**wrong)


def test_permissible_error_on_three_bases():
    assert GaugeSpec("kPa", 0, 4000, 1, accuracy=1).permissible_error(10) == 40
    of_reading = GaugeSpec("kPa", 0, 4000, 1, accuracy=1, accuracy_basis=AccuracyBasis.READING)
    assert of_reading.permissible_error(-300) == 3
    absolute = GaugeSpec("kPa", 0, 4000, 1, accuracy=2, accuracy_basis=AccuracyBasis.ABSOLUTE)
    assert absolute.permissible_error(10) == 2


def test_certificate_in_another_unit_is_converted():
    use = GaugeUse(GaugeSpec("kPa", 0, 1000, F("0.1")), curve("bar", 10, error="0.01", step=5))
    assert use.corrected(101, RISING) == 100


# --- plain form, planning, speed --------------------------------------------------------


def test_plain_form_is_json_and_keeps_exact_numbers():
    result = evaluate(spec(), W1, gauge())
    plain = json.loads(json.dumps(result.to_plain()))
    assert plain["found"]["mean_trip"] == "60.5"
    assert plain["verdict"] == "pass"
    assert plain["judgements"][0]["decision"]["upper"] == "61.35"
    assert Budget.from_plain(plain["budget"]) == result.budget


def test_outlook_shows_what_a_gauge_would_make_possible():
    method = Method(DecisionRule(Rule.MANAGED_RISK), coverage_probability=0.9545)
    good = outlook(spec(), None, gauge(), None, method, (0.1, INF), reliability=0.95)
    poor = outlook(
        spec(), None, gauge(curve_=curve(U=1.2)), None, method, (0.1, INF), reliability=0.95
    )
    assert good.tur > poor.tur
    assert good.risk is not None
    assert poor.risk is not None
    assert 0 < good.risk.pfa < poor.risk.pfa < 0.02
    assert poor.risk.pfr > good.risk.pfr
    assert outlook(spec(), None, gauge(), None, method, (0.1, INF)).risk is None
    assert "true in-tolerance probability 0.95" in good.risk_basis
    with pytest.raises(RiskInfeasible):
        outlook(
            spec(), None, gauge(curve_=curve(U=1.2)), None, method, (0.1, INF),
            reliability=0.999, kind=Reliability.OBSERVED,
        )  # fmt: skip


def test_planned_budget_is_what_the_calibration_then_has():
    use = gauge(drift_per_year=F("0.05"), years=0.7, accuracy=F("0.1"))
    planned = planned_uncertainty(spec(), None, use, None, Method(), (0.1, INF))
    on_point = series(("60", "51"), ("60", "51"), ("60", "51"))
    done = evaluate(spec(), on_point, use, pooled=(0.1, INF))
    assert math.isclose(done.U, planned.U, rel_tol=1e-12)


small = st.decimals("0", "0.5", places=3).map(F)


@settings(max_examples=150)
@given(
    st.sampled_from(["psi", "kPa", "mbar", "inH2O_60F"]),
    st.sampled_from(["psi", "kPa", "bar"]),
    st.decimals(5, 95, places=1).map(F),
    st.one_of(st.none(), st.decimals(0, 90, places=1).map(F)),
    st.booleans(),
    small, small, small,
    st.sampled_from(["0.001", "0.1", "0.5", "2"]),
    st.one_of(st.none(), st.floats(0, 0.5)),
    st.booleans(), st.booleans(),
    st.sampled_from([INF, 2, 10, 46, 1e5]),
    st.sampled_from([2.0, 2.28, 2.5]),
    st.sampled_from([0.90, 0.95, 0.9545, 0.99]),
)  # fmt: skip
def test_fast_ranking_gives_the_same_uncertainty(
    unit, gauge_unit, share, static_share, directed, drift, accuracy, temperature, resolution,
    pooled_s, corrections, with_head, dof, k, probability,
):  # fmt: skip
    top = F(100)
    own = SetPointSpec(
        convert(share, gauge_unit, unit), RISING, unit, convert(0, gauge_unit, unit),
        convert(top, gauge_unit, unit), Tolerance(2, 2, ToleranceBasis.SPAN),
        repeatability_limit=None if pooled_s is None else 1,
    )  # fmt: skip
    points = [
        CertificatePoint(F(x), F(x) + F(x, 1000), 0.02 + x / 5000, k if x > 50 else 2.0, direction)
        for x in range(0, 201, 25)
        for direction in (list(Direction) if directed else [None])
    ]
    use = gauge(
        gauge_unit, 200, resolution, CertificateCurve(points, gauge_unit), 0.6, 24.5,
        drift_per_year=drift, accuracy=accuracy + F("0.01"), temperature_coefficient=temperature,
        use_corrections=corrections,
    )  # fmt: skip
    head = Head(F("0.1"), 1000, height_half_width_m=0.005) if with_head else None
    per_switch_unit = float(convert_difference(1, gauge_unit, unit))
    method = Method(head=head, ramp_rate=0.01 * per_switch_unit, gauge_lag_s=0.5,
                    static_hold=0.05 * per_switch_unit,
                    coverage_probability=probability)  # fmt: skip
    pooled = None if pooled_s is None else (pooled_s * per_switch_unit, dof)
    arguments = (own, static_share, use, None, method, pooled)
    try:
        full = planned_uncertainty(*arguments)
    except (ReadingRefused, ExtrapolationRefused) as refusal:
        with pytest.raises(type(refusal)):
            planned_figures(*arguments)
        return
    fast = planned_figures(*arguments)
    at_95 = probability in (0.95, 0.9545)
    U95 = full.U if at_95 else combine(full.components, coverage_probability=0.95).U
    assert fast == pytest.approx((full.U, full.u_c, full.nu_eff, U95), rel=1e-9)


@pytest.mark.parametrize(
    "more",
    [
        {"curve_": CertificateCurve([*curve().points, *curve(error="0.01").points], "psi")},
        {"same_gauge_correlation": 0.5},
    ],
)
def test_fast_ranking_hands_over_what_it_does_not_cover(more):
    use = gauge(**more)
    full = planned_uncertainty(spec(), 20, use, None, Method(), (0.1, 20))
    found = planned_figures(spec(), 20, use, None, Method(), (0.1, 20))
    assert found == (full.U, full.u_c, full.nu_eff, full.U)


@pytest.mark.parametrize("probability", [0.95, 0.9545, 0.99])
@pytest.mark.parametrize("k", [2.0, 2.28])
@pytest.mark.parametrize(("s", "dof"), [("0.02", 12), ("0.1", 10), ("0.1", 46), ("0.3", 62)])
def test_planned_ratio_is_that_of_readings_with_the_pooled_spread(s, dof, k, probability):
    """Three trips about the set point whose own s is exactly the pooled one."""
    use = gauge(curve_=curve(k=k), drift_per_year=F("0.05"), years=0.5, t=23.0)
    method = Method(coverage_probability=probability, ramp_rate=0.05, gauge_lag_s=0.5, runs=3)
    pooled = (float(s), dof)
    planned = planned_figures(spec(), None, use, None, method, pooled)
    trips = (60 - F(s), F(60), 60 + F(s))
    done = evaluate(
        spec(), series(*((trip, trip - 9) for trip in trips)), use, method=method, pooled=pooled
    )
    assert done.found.sample.s == pytest.approx(float(s), rel=1e-12)
    assert pytest.approx(planned.U, rel=1e-12) == done.U
    assert done.budget.nu_eff == pytest.approx(planned.nu_eff, rel=1e-12)
    lower, upper = spec().limits()
    assert tur(lower, upper, planned.U95) == pytest.approx(done.tur, rel=1e-12)
    assert outlook(spec(), None, use, None, method, pooled).tur == pytest.approx(
        done.tur, rel=1e-12
    )
    # fewer degrees of freedom cost something: taken as infinite the ratio would be too good
    assert planned_figures(spec(), None, use, None, method, (float(s), INF)).U95 < planned.U95


def test_planned_ratio_is_not_reached_by_readings_that_scatter_significantly_more():
    use = gauge(t=20.0)
    planned = planned_figures(spec(), None, use, None, Method(), (0.02, 46))
    wild = series(("59.9", "51"), ("60", "51"), ("60.1", "51"))
    done = evaluate(spec(), wild, use, pooled=(0.02, 46))
    assert done.budget.components[-1].note.startswith("own s: significantly above the pooled s")
    assert done.U > planned.U
    calm = series(("60", "51"), ("60", "51"), ("60", "51"))  # less scatter earns nothing
    assert pytest.approx(planned.U, rel=1e-12) == evaluate(spec(), calm, use, pooled=(0.02, 46)).U


def test_ranking_160_switches_by_14_gauges_is_quick():
    switches = [spec(F(20 + i, 2)) for i in range(160)]
    gauges = [gauge(drift_per_year=F("0.05"), years=0.5, t=23.0) for _ in range(14)]
    method = Method()
    start = time.perf_counter()
    best = [
        min(planned_figures(one, None, use, None, method, (0.1, 46)) for use in gauges)
        for one in switches
    ]
    elapsed = time.perf_counter() - start
    assert len(best) == 160
    assert all(figures.U > 0 for figures in best)
    assert elapsed / (160 * 14) < 100e-6


def test_planning_needs_neither_numpy_nor_scipy():
    program = """
import math, sys
from fractions import Fraction as F
from calfleet.metrology.certificate import CertificateCurve, CertificatePoint
from calfleet.metrology.direction import Direction
from calfleet.metrology.evaluation import (
    GaugeSpec, GaugeUse, Method, planned_figures, planned_uncertainty)
from calfleet.metrology.switch import SetPointSpec, Tolerance
curve = CertificateCurve([CertificatePoint(F(x), F(x), 0.02) for x in (0, 100)], "kPa")
use = GaugeUse(GaugeSpec("kPa", 0, 100, F("0.1")), curve)
spec = SetPointSpec(60, Direction.RISING, "kPa", 0, 90, Tolerance(2, 2))
for compute in (planned_uncertainty, planned_figures):
    for dof in (math.inf, 12):
        compute(spec, None, use, None, Method(), (0.1, dof))
print([name for name in ("numpy", "scipy") if name in sys.modules])
"""
    done = subprocess.run(
        [sys.executable, "-c", program], capture_output=True, text=True, check=True, timeout=60
    )
    assert done.stdout.strip() == "[]"


# --- properties -------------------------------------------------------------------------

trips = st.lists(st.decimals(50, 70, places=2).map(F), min_size=2, max_size=4)


@settings(max_examples=60)
@given(trips, st.sampled_from(["kPa", "bar", "inH2O_4C", "kgf/cm2"]))
def test_verdict_does_not_depend_on_the_gauges_unit(values, unit):
    own = spec(repeatability_limit=5, dead_band_min=1, dead_band_max=12)
    runs = [Cycle(run, trip, trip - 9) for run, trip in enumerate(values, 1)]
    here = evaluate(own, runs, gauge(), pooled=(0.1, INF))
    factor = convert_difference(1, "psi", unit)
    use = GaugeUse(GaugeSpec(unit, 0, 200 * factor, F("0.01") * factor), curve().in_unit(unit))
    read = [Cycle(one.run, convert(one.trip, "psi", unit), convert(one.reset, "psi", unit))
            for one in runs]  # fmt: skip
    there = evaluate(own, read, use, pooled=(0.1, INF))
    assert there.verdict is here.verdict
    assert there.found == here.found
    assert math.isclose(there.U, here.U, rel_tol=1e-9)


@settings(max_examples=60)
@given(trips)
def test_swapping_rising_and_falling_swaps_late_and_early(values):
    own = spec(60, low=0, tolerance=Tolerance(F("1.5"), F("1.5")))
    up = evaluate(own, [Cycle(i, x, x - 9) for i, x in enumerate(values, 1)], gauge(),
                  pooled=(0.1, INF))  # fmt: skip
    down = evaluate(replace(own, direction=FALLING),
                    [Cycle(i, x, x + 9) for i, x in enumerate(values, 1)], gauge(),
                    pooled=(0.1, INF))  # fmt: skip
    assert down.verdict is up.verdict
    for one, other in zip(up.judgements, down.judgements, strict=True):
        assert one.decision == other.decision
        assert (one.late is None) is (other.late is None)
        assert one.late is None or one.late is not other.late
