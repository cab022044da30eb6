"""Decision rules, ratios and risks against published numbers and independent quadrature."""

from __future__ import annotations

import math
import time
from fractions import Fraction
from itertools import pairwise

import mpmath
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import integrate

from calfleet.errors import BadQuantity, RiskInfeasible
from calfleet.metrology.conformity import (
    DecisionRule,
    Reliability,
    Rule,
    Verdict,
    acceptance,
    acceptance_limits,
    conformance_limits,
    decide,
    global_risk,
    managed_guard_factor,
    sigma_from_reliability,
    specific_risk,
    tar,
    tur,
    tur_words,
    worst,
)
from calfleet.metrology.units import UNITS, Dimension, convert

SIMPLE = DecisionRule(Rule.SIMPLE)


def verdict(value, lower, upper, rule, U=1.0, u=0.5, **more):
    return decide(value, lower, upper, U=U, u=u, rule=rule, **more).verdict


# --- ratios -----------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("lower", "upper", "U", "expected"),
    [
        (-1, 1, 0.25, 4.0),  # ILAC-G8:09/2019 1.13: TUR = TL/U; JCGM 106 3.3.17: C_m = 4 here too
        (18, 22, 0.5, 4.0),  # TM 10-4320-342-24 para 2-33 limits, U chosen
        (Fraction("59.5"), 62, 0.25, 5.0),  # asymmetric: the full width counts (ANSI/NCSL Z540.3)
    ],
)
def test_tur(lower, upper, U, expected):
    assert tur(lower, upper, U) == pytest.approx(expected, rel=1e-15)


def test_one_sided_tolerance_has_no_ratio_and_says_why():
    assert tur(None, 22, 0.5) is None
    assert tar(18, None, 0.5) is None
    assert "one-sided" in tur_words(None, 22, 0.5)


def test_ratio_in_words_is_cut_and_not_rounded_up():
    assert tur_words(-1, 1, 1 / 3.96) == "3.9:1"
    assert tur_words(-1, 1, 0.25) == "4.0:1"
    assert tur_words(-1, 1, 1 / 12.7) == "12:1"


def test_tar_of_a_tenth_per_cent_tester():
    # TM 10-4610-215-24, low-pressure switch test step h(1): 0.1 % tester, +/-1 % tolerance: 10:1
    assert tar(Fraction("9.9"), Fraction("10.1"), Fraction("0.01")) == 10.0


@pytest.mark.parametrize("U", [0, -1, math.inf, math.nan])
def test_ratio_needs_an_uncertainty(U):
    with pytest.raises(BadQuantity):
        tur(-1, 1, U)


@pytest.mark.parametrize(("lower", "upper"), [(None, None), (1, 1), (2, 1)])
def test_ratio_needs_limits_in_order(lower, upper):
    with pytest.raises(BadQuantity):
        tur(lower, upper, 0.1)


# --- decisions on exact decimals --------------------------------------------------------


@pytest.mark.parametrize(
    ("reading", "expected"),
    [
        ("18.0", Verdict.PASS),
        ("22.0", Verdict.PASS),
        ("17.9", Verdict.FAIL),
        ("22.1", Verdict.FAIL),
    ],
)
def test_published_switch_limits(reading, expected):
    # TM 10-4320-342-24 para 2-33: 20 psi, adjust if above 22 or below 18; limits inclusive
    assert verdict(Fraction(reading), 18, 22, SIMPLE) is expected


def test_guarded_limit_is_inclusive_on_the_decimal():
    rule = DecisionRule(Rule.GUARDED)
    assert verdict(Fraction("21.9"), 18, 22, rule, U=0.1, u=0.05) is Verdict.PASS
    assert verdict(Fraction("21.900001"), 18, 22, rule, U=0.1, u=0.05) is Verdict.FAIL
    assert acceptance_limits(18, 22, 0.1) == (Fraction("18.1"), Fraction("21.9"))


def test_non_binary_states_and_their_edges():
    # ILAC-G8:09/2019 p. 9-10: pass y <= TL - w; conditional pass to TL; conditional fail to TL + w
    rule = DecisionRule(Rule.NON_BINARY)
    expected = {
        "9": Verdict.PASS,
        "9.001": Verdict.CONDITIONAL_PASS,
        "10": Verdict.CONDITIONAL_PASS,
        "10.001": Verdict.CONDITIONAL_FAIL,
        "11": Verdict.CONDITIONAL_FAIL,
        "11.001": Verdict.FAIL,
    }
    assert {y: verdict(Fraction(y), -10, 10, rule) for y in expected} == expected
    mirrored = {y: verdict(-Fraction(y), -10, 10, rule) for y in expected}
    assert mirrored == expected


def test_required_ratio_not_reached_carries_no_pass():
    rule = DecisionRule(Rule.SIMPLE, required_tur=4)
    reached = decide(20, 18, 22, U=0.5, u=0.25, rule=rule)
    assert (reached.verdict, reached.tur) == (Verdict.PASS, 4.0)
    short = decide(20, 18, 22, U=0.51, u=0.255, rule=rule)
    assert short.verdict is Verdict.CONDITIONAL_PASS
    assert "3.9:1" in short.reason
    assert "4:1" in short.reason
    assert decide(23, 18, 22, U=0.51, u=0.255, rule=rule).verdict is Verdict.FAIL


def test_one_sided_with_required_ratio_is_guarded_and_says_so():
    rule = DecisionRule(Rule.SIMPLE, required_tur=4)
    decision = decide(Fraction("21.8"), None, 22, U=0.5, u=0.25, rule=rule)
    assert decision.verdict is Verdict.FAIL
    assert decision.applied is Rule.GUARDED
    assert decision.acceptance_upper == Fraction("21.5")
    assert "one-sided" in decision.statement


def test_guard_bands_that_meet_leave_nothing_to_accept():
    decision = decide(0, -1, 1, U=1.5, u=0.75, rule=DecisionRule(Rule.GUARDED))
    assert decision.verdict is Verdict.FAIL
    assert decision.acceptance_empty
    assert "no acceptance zone" in decision.reason


def test_reason_names_the_limit_that_decided():
    above = decide(Fraction("61.5"), Fraction("58.65"), Fraction("61.35"), U=0.1, u=0.05,
                   rule=SIMPLE, name="Run 2", unit="psi")  # fmt: skip
    assert above.reason == (
        "Run 2, 61.5 psi, is 0.15 psi above the upper tolerance limit 61.35 psi."
    )
    guarded = decide(Fraction("61.3"), Fraction("58.65"), Fraction("61.35"), U=0.1, u=0.05,
                     rule=DecisionRule(Rule.GUARDED), unit="psi")  # fmt: skip
    assert "0.05 psi above the upper acceptance limit 61.25 psi" in guarded.reason
    low = decide(1, 2, None, U=0.1, u=0.05, rule=SIMPLE)
    assert "1 below the lower tolerance limit 2" in low.reason
    assert all(one.reason.count(".") >= 1 and one.reason.endswith(".") for one in (above, low))


def test_uncritical_rule_widens():
    # ILAC-G8 lists w = -U: an item rejected above TL + U (from memory)
    rule = DecisionRule(Rule.GUARDED, guard_factor=-1)
    assert verdict(11, -10, 10, rule) is Verdict.PASS
    assert verdict(Fraction("11.01"), -10, 10, rule) is Verdict.FAIL


def test_worst():
    assert worst([]) is Verdict.PASS
    assert worst(list(Verdict)) is Verdict.FAIL


@pytest.mark.parametrize(
    "numbers",
    [
        {"rule": Rule.GUARDED, "guard_factor": math.nan},
        {"rule": Rule.SIMPLE, "required_tur": 0},
        {"rule": Rule.CONFORMANCE_PROBABILITY},
        {"rule": Rule.CONFORMANCE_PROBABILITY, "conformance_probability": 95},
    ],
)
def test_rules_refuse_impossible_numbers(numbers):
    with pytest.raises(BadQuantity):
        DecisionRule(**numbers)


# --- specific risk ----------------------------------------------------------------------


@pytest.mark.parametrize(
    ("lower", "upper", "y", "u", "p_c", "digits"),
    [
        (None, "-5.40", "-5.47", 0.05, 0.919243, 6),  # JCGM 106:2012 7.3 Zener, from memory
        ("490", None, "509.7", 8.6, 0.989010, 6),  # JCGM 106:2012 burst pressure, from memory
        ("12.5", "16.3", "13.6", 1.8, 0.662630, 6),  # JCGM 106:2012 7.4 viscosity, from memory
    ],
)
def test_conformance_probability_examples(lower, upper, y, u, p_c, digits):
    low = None if lower is None else Fraction(lower)
    high = None if upper is None else Fraction(upper)
    assert round(1 - specific_risk(Fraction(y), u, low, high), digits) == p_c


@pytest.mark.parametrize(("y", "expected"), [("0.8", 0.0547993), ("0.95", 0.3445783), ("1", 0.5)])
def test_two_sided_caution(y, expected):
    # T = +/-1, u = 0.125; independently recomputed values
    assert specific_risk(Fraction(y), 0.125, -1, 1) == pytest.approx(expected, abs=5e-8)


@pytest.mark.parametrize(("dof", "expected"), [(math.inf, 0.158655), (9, 0.171718), (4, 0.186950)])
def test_few_readings_take_t(dof, expected):
    # independently recomputed values
    assert specific_risk(Fraction("0.9"), 0.1, None, 1, dof) == pytest.approx(expected, abs=5e-7)


@pytest.mark.parametrize(
    ("r", "published_bound", "exact_value"),
    [
        (3.0, 1e-6, 9.865877e-10),  # 6 sigma: < 1 ppm
        (1.5, 0.0016, 0.001349898),  # 3 sigma: < 0.16 %
        (1.0, 0.025, 0.022750132),  # ILAC-G8:2009 rule: < 2.5 %
        (0.83, 0.05, 0.048457226),  # ISO 14253-1: < 5 %
        (0.0, 0.5 + 1e-15, 0.5),  # simple acceptance: < 50 %
    ],
)
def test_guard_bands_of_ilac_g8_are_upper_bounds(r, published_bound, exact_value):
    # ILAC-G8:09/2019 table of guard bands, as bounds; exact values independently recomputed
    u = 0.05
    rule = DecisionRule(Rule.GUARDED, guard_factor=r)
    limit = acceptance(None, 10, U=2 * u, u=u, rule=rule).upper
    risk = decide(limit, None, 10, U=2 * u, u=u, rule=rule)
    assert risk.verdict is Verdict.PASS
    assert risk.specific_risk <= published_bound
    assert risk.specific_risk == pytest.approx(exact_value, rel=1e-6)


@pytest.mark.parametrize(
    ("p", "z"),
    [(0.80, 0.84162), (0.90, 1.28155), (0.95, 1.64485), (0.99, 2.32635), (0.999, 3.09023)],
)
def test_one_sided_conformance_limits(p, z):
    # JCGM 106:2012 Table 1 (0.84 1.28 1.64 2.33 3.09), from memory; digits recomputed
    _, upper = conformance_limits(None, 10, 0.5, p)
    assert (10 - upper) / 0.5 == pytest.approx(z, abs=5e-6)
    lower, _ = conformance_limits(-10, None, 0.5, p)
    assert (lower + 10) / 0.5 == pytest.approx(z, abs=5e-6)


@pytest.mark.parametrize("dof", [math.inf, 5])
@pytest.mark.parametrize("u", [0.01, 0.2, 0.45])
def test_two_sided_conformance_limits_reach_p_exactly(u, dof):
    low, high = conformance_limits(-1, 1, u, 0.9, dof) or (math.nan, math.nan)
    if math.isnan(low):
        assert specific_risk(0, u, -1, 1, dof) > 0.1
        return
    assert low == pytest.approx(-high)
    assert 1 - specific_risk(high, u, -1, 1, dof) == pytest.approx(0.9, abs=1e-12)


def test_conformance_rule_passes_at_p_and_names_the_probability():
    rule = DecisionRule(Rule.CONFORMANCE_PROBABILITY, conformance_probability=0.95)
    assert verdict(Fraction("9.1"), -10, 10, rule) is Verdict.PASS
    failing = decide(Fraction("9.3"), -10, 10, U=1, u=0.5, rule=rule)
    assert failing.verdict is Verdict.FAIL
    assert "probability of conformity 0.9192" in failing.reason
    hopeless = decide(0, -1, 1, U=4, u=2, rule=rule)
    assert hopeless.verdict is Verdict.FAIL
    assert "no value inside" in hopeless.statement


# --- managed guard band -----------------------------------------------------------------

# M. Dobbert's managed guard band (method 6), worst-case PFA over the in-tolerance probability;
# independently recomputed: TUR, M, A/L, worst PFA in % with k = 2
MANAGED = [
    (1, 0.457252, 0.542748, 1.918),
    (1.25, 0.405682, 0.675454, 1.916),
    (1.5, 0.360177, 0.759882, 1.913),
    (2, 0.281645, 0.859177, 1.917),
    (2.5, 0.214536, 0.914186, 1.926),
    (3, 0.155318, 0.948227, 1.937),
    (3.5, 0.101948, 0.970872, 1.948),
    (4, 0.053121, 0.986720, 1.958),
    (4.5, 0.007948, 0.998234, 1.967),
]


@pytest.mark.parametrize(("ratio", "M", "share", "worst_pfa"), MANAGED)
def test_managed_guard_band(ratio, M, share, worst_pfa):
    assert managed_guard_factor(ratio) == pytest.approx(M, abs=5e-7)
    U = 1 / ratio
    zone = acceptance(-1, 1, U=U, u=U / 2, rule=DecisionRule(Rule.MANAGED_RISK))
    assert float(zone.upper) == pytest.approx(share, abs=5e-7)
    assert zone.lower == -zone.upper
    reliability = np.linspace(0.02, 0.999, 4000)
    sigma = sigma_from_reliability(reliability, -1, 1, kind=Reliability.TRUE)
    pfa = global_risk(
        -1, 1, sigma_x=sigma, u=U / 2, accept_lower=zone.lower, accept_upper=zone.upper
    ).pfa
    assert 100 * pfa.max() == pytest.approx(worst_pfa, abs=0.0006)
    assert pfa.max() < 0.02


def test_no_managed_guard_band_above_about_4_6():
    # M(5) = -0.034211 without the clamp
    assert managed_guard_factor(5) == 0
    assert managed_guard_factor(4.55) > 0
    zone = acceptance(-1, 1, U=0.2, u=0.1, rule=DecisionRule(Rule.MANAGED_RISK))
    assert (zone.lower, zone.upper) == (-1, 1)


def test_managed_risk_on_one_side_keeps_two_per_cent():
    rule = DecisionRule(Rule.MANAGED_RISK)
    zone = acceptance(None, 1, U=0.5, u=0.25, rule=rule)
    assert specific_risk(zone.upper, 0.25, None, 1) == pytest.approx(0.02, rel=1e-12)
    assert "one-sided" in zone.statement
    sigma = np.geomspace(0.05, 20, 200)
    pfa = global_risk(None, 1, sigma_x=sigma, u=0.25, accept_upper=zone.upper).pfa
    assert pfa.max() < 0.02


# --- global risk ------------------------------------------------------------------------

# TUR, true in-tolerance probability, PFA %, PFR %, P(accept), PFA/P(accept) %; k = 2, A = T.
# Independently recomputed by a one-dimensional integral and the bivariate normal distribution.
GRID = [
    (1, 0.85, 4.447329, 13.713528, 0.757338, 5.872318),
    (1, 0.95, 1.801156, 12.957158, 0.838440, 2.148222),
    (1.5, 0.90, 2.680201, 7.602247, 0.850780, 3.150289),
    (2, 0.85, 2.952249, 5.510336, 0.824419, 3.581005),
    (2, 0.90, 2.263850, 5.083430, 0.871804, 2.596741),
    (2, 0.95, 1.337341, 4.177530, 0.921598, 1.451111),
    (3, 0.95, 1.048513, 2.293601, 0.937549, 1.118355),
    (4, 0.85, 1.727749, 2.382553, 0.843452, 2.048426),
    (4, 0.90, 1.374097, 2.088775, 0.892853, 1.538995),
    (4, 0.95, 0.858266, 1.553651, 0.943046, 0.910100),
    (5, 0.85, 1.427568, 1.847798, 0.845798, 1.687837),
    (10, 0.80, 0.851937, 0.944155, 0.799078, 1.066151),
]


@pytest.mark.parametrize(("ratio", "true", "pfa", "pfr", "accepted", "conditional"), GRID)
def test_risk_grid(ratio, true, pfa, pfr, accepted, conditional):
    sigma = sigma_from_reliability(true, -1, 1, kind=Reliability.TRUE)
    risk = global_risk(-1, 1, sigma_x=sigma, u=1 / ratio / 2)
    assert 100 * risk.pfa == pytest.approx(pfa, abs=6e-7)
    assert 100 * risk.pfr == pytest.approx(pfr, abs=6e-7)
    assert risk.accepted == pytest.approx(accepted, abs=6e-7)
    assert 100 * risk.conditional_pfa == pytest.approx(conditional, abs=6e-7)
    assert risk.in_tolerance == pytest.approx(true, abs=1e-12)


@pytest.mark.parametrize(
    ("kind", "k", "pfa", "pfr"),
    [
        (Reliability.TRUE, 2, 0.858266, 1.553651),
        (Reliability.TRUE, 1.96, 0.870999, 1.595355),
        (Reliability.OBSERVED, 2, 0.770484, 1.448435),
        (Reliability.OBSERVED, 1.96, 0.777964, 1.483414),
    ],
)
def test_conventions_of_four_to_one(kind, k, pfa, pfr):
    # independently recomputed, TUR 4, in-tolerance probability 95 %
    u = 0.25 / k
    sigma = sigma_from_reliability(0.95, -1, 1, kind=kind, u=u)
    risk = global_risk(-1, 1, sigma_x=sigma, u=u)
    assert (100 * risk.pfa, 100 * risk.pfr) == (
        pytest.approx(pfa, abs=6e-7),
        pytest.approx(pfr, abs=6e-7),
    )


def test_published_anchor_of_four_to_one():
    # 0.8 % / 1.5 % with limits at 2 sigma (Deaver), from memory; digits recomputed
    risk = global_risk(-1, 1, sigma_x=0.5, u=0.125)
    assert round(100 * risk.pfa, 1) == 0.8
    assert round(100 * risk.pfr, 1) == 1.5
    assert 100 * risk.pfa == pytest.approx(0.800608, abs=6e-7)
    assert 100 * risk.pfr == pytest.approx(1.485088, abs=6e-7)


def test_consumer_and_producer_risk_of_a_simply_accepted_family():
    # JCGM 106:2012 9.5.3: R_C 0.0189422, R_P 0.0372078, independently recomputed; the inputs
    # (resistors, limits +/-0.2, sigma 0.12, u 0.04) are from memory and reproduce both
    risk = global_risk(Fraction("-0.2"), Fraction("0.2"), sigma_x=0.12, u=0.04)
    assert risk.pfa == pytest.approx(0.0189422, abs=5e-8)
    assert risk.pfr == pytest.approx(0.0372078, abs=5e-8)


def test_one_sided_risk_is_half_of_the_symmetric_pair():
    # x ~ N(0, 0.5), u = 0.125, upper limit 1 = A; independently recomputed
    risk = global_risk(None, 1, sigma_x=0.5, u=0.125)
    assert 100 * risk.pfa == pytest.approx(0.400304, abs=6e-7)
    assert 100 * risk.pfr == pytest.approx(0.742544, abs=6e-7)


def _rss(ratio):
    return math.sqrt(1 - 1 / ratio**2)


@pytest.mark.parametrize(
    ("ratio", "true", "share", "pfa", "pfr"),
    [
        (2, 0.90, 1 - 1 / 2, 0.057678, 34.745630),
        (2, 0.90, _rss(2), 1.131034, 9.899962),
        (2, 0.90, None, 1.085906, 10.206225),
        (4, 0.95, 1 - 1 / 4, 0.020770, 10.357193),
        (4, 0.95, _rss(4), 0.626814, 2.156569),
        (4, 0.95, None, 0.756288, 1.789159),
        (1.5, 0.85, 1 - 1 / 1.5, 0.091527, 51.620858),
        (1.5, 0.85, _rss(1.5), 1.253475, 19.589875),
        (1.5, 0.85, None, 1.345151, 18.748036),
    ],
)
def test_guard_banded_risks(ratio, true, share, pfa, pfr):
    # w = U, root-sum-square, managed; independently recomputed, k = 2
    if share is None:
        share = 1 - managed_guard_factor(ratio) / ratio
    sigma = sigma_from_reliability(true, -1, 1, kind=Reliability.TRUE)
    risk = global_risk(
        -1, 1, sigma_x=sigma, u=1 / ratio / 2, accept_lower=-share, accept_upper=share
    )
    assert 100 * risk.pfa == pytest.approx(pfa, abs=6e-7)
    assert 100 * risk.pfr == pytest.approx(pfr, abs=6e-7)


def _random_cases(count, seed):
    rng = np.random.default_rng(seed)
    upper = rng.uniform(0.5, 2, count)
    lower = np.where(rng.random(count) < 0.25, -np.inf, -rng.uniform(0.5, 2, count))
    return {
        "lower": lower,
        "upper": upper,
        "sigma_x": rng.uniform(0.1, 2, count),
        "u": 10 ** rng.uniform(-3, 0.5, count),
        "mean": rng.uniform(-0.4, 0.4, count),
        "accept_lower": lower + rng.uniform(-0.2, 0.3, count),
        "accept_upper": upper - rng.uniform(-0.2, 0.3, count),
    }


def _phi(z):
    return 0.5 * math.erfc(-z / math.sqrt(2))


def _quadrature(lower, upper, sigma_x, u, mean, accept_lower, accept_upper):
    def density(x):
        return math.exp(-0.5 * ((x - mean) / sigma_x) ** 2) / sigma_x / math.sqrt(2 * math.pi)

    def accepts(x):
        return _phi((accept_upper - x) / u) - _phi((accept_lower - x) / u)

    def over(function, a, b):
        a, b = max(a, mean - 40 * sigma_x), min(b, mean + 40 * sigma_x)
        if a >= b:
            return 0.0
        breaks = {a, b, mean}
        for edge in (accept_lower, accept_upper, lower, upper):
            breaks |= {edge + step * u for step in (-9, -3, 0, 3, 9) if math.isfinite(edge)}
        breaks |= {mean + step * sigma_x for step in (-8, -3, 3, 8)}
        inner = sorted(point for point in breaks if a <= point <= b)
        return math.fsum(
            integrate.quad(function, left, right, epsabs=1e-14, epsrel=1e-12)[0]
            for left, right in pairwise(inner)
        )

    pfa = over(lambda x: density(x) * accepts(x), -math.inf, lower) + over(
        lambda x: density(x) * accepts(x), upper, math.inf
    )
    pfr = over(lambda x: density(x) * (1 - accepts(x)), lower, upper)
    return pfa, pfr


def test_risk_agrees_with_adaptive_quadrature():
    cases = _random_cases(150, 20261125)
    risk = global_risk(**cases)
    for index in range(150):
        pfa, pfr = _quadrature(**{name: float(values[index]) for name, values in cases.items()})
        assert risk.pfa[index] == pytest.approx(pfa, abs=1e-10)
        assert risk.pfr[index] == pytest.approx(pfr, abs=1e-10)


@pytest.mark.parametrize(
    ("sigma", "u", "guard"), [(0.5, 0.125, 0.0), (0.3, 0.4, 0.1), (0.45, 1e-4, 0.0)]
)
def test_risk_agrees_with_mpmath(sigma, u, guard):
    with mpmath.workdps(30):
        s, v, a = mpmath.mpf(sigma), mpmath.mpf(u), 1 - mpmath.mpf(guard)

        def bad(x):
            inside = mpmath.ncdf((a - x) / v) - mpmath.ncdf((-a - x) / v)
            return mpmath.npdf(x, 0, s) * inside

        edges = [1, 1 + 3 * v, 1 + 10 * v, 1 + 30 * v, 1 + 30 * v + 12 * s]
        expected = float(2 * mpmath.quad(bad, edges))
    risk = global_risk(-1, 1, sigma_x=sigma, u=u, accept_lower=-1 + guard, accept_upper=1 - guard)
    assert risk.pfa == pytest.approx(expected, abs=1e-14, rel=1e-9)


def test_ten_thousand_risks_take_well_under_a_second():
    cases = _random_cases(10_000, 7)
    global_risk(**{name: values[:2] for name, values in cases.items()})  # imports
    start = time.perf_counter()
    sigma = sigma_from_reliability(np.linspace(0.5, 0.99, 10_000), -1, 1.2, kind=Reliability.TRUE)
    risk = global_risk(**{**cases, "sigma_x": sigma})
    assert time.perf_counter() - start < 0.7
    assert np.all(np.isfinite(risk.pfa))
    assert np.all(np.isfinite(risk.pfr))


def test_probabilities_add_up():
    risk = global_risk(**_random_cases(2000, 3))
    accepted_good = risk.accepted - risk.pfa
    assert np.allclose(accepted_good + risk.pfr, risk.in_tolerance, atol=1e-12)
    assert np.all((risk.pfa >= 0) & (risk.pfr >= 0))


def test_crossed_acceptance_limits_accept_nothing():
    risk = global_risk(-1, 1, sigma_x=0.5, u=0.1, accept_lower=0.5, accept_upper=-0.5)
    assert (risk.pfa, risk.accepted, risk.conditional_pfa) == (0, 0, 0)
    assert risk.pfr == risk.in_tolerance


def test_limit_on_the_mean_is_no_singularity():
    # the quarter-plane: 1/4 - asin(rho)/(2 pi), W. F. Sheppard 1899, from memory
    rho = 0.5 / math.hypot(0.5, 0.25)
    risk = global_risk(None, 0, sigma_x=0.5, u=0.25)
    assert risk.pfa == pytest.approx(0.25 - math.asin(rho) / (2 * math.pi), abs=1e-15)


@pytest.mark.parametrize("bad", [{"sigma_x": 0, "u": 1}, {"sigma_x": 1, "u": math.nan}])
def test_risk_refuses_impossible_spreads(bad):
    with pytest.raises(BadQuantity):
        global_risk(-1, 1, **bad)


# --- the family's spread ----------------------------------------------------------------


@pytest.mark.parametrize(
    ("lower", "upper", "mean"),
    [(-1, 1, 0), (-1, 3, 0), (None, 1, 0), (-2, None, 0.3), (-1, 1, 0.4)],
)
@pytest.mark.parametrize("reliability", [0.55, 0.85, 0.99])
def test_sigma_reproduces_the_reliability(lower, upper, mean, reliability):
    sigma = sigma_from_reliability(reliability, lower, upper, kind=Reliability.TRUE, mean=mean)
    a = -math.inf if lower is None else (lower - mean) / sigma
    b = math.inf if upper is None else (upper - mean) / sigma
    assert _phi(b) - _phi(a) == pytest.approx(reliability, abs=1e-12)


def test_observed_scatter_below_the_measurement_is_infeasible():
    # observed 0.99 at TUR 1 (k = 2) has no solution; 0.95 is only just feasible with PFA 0.0000 %
    with pytest.raises(RiskInfeasible) as caught:
        sigma_from_reliability(0.99, -1, 1, kind=Reliability.OBSERVED, u=0.5)
    assert "measurement uncertainty" in str(caught.value)
    assert caught.value.next_step
    sigma = sigma_from_reliability(0.95, -1, 1, kind=Reliability.OBSERVED, u=0.5)
    assert 100 * global_risk(-1, 1, sigma_x=sigma, u=0.5).pfa == pytest.approx(0, abs=5e-5)


@pytest.mark.parametrize(
    ("reliability", "lower", "upper", "mean"),
    [
        (1.0, -1, 1, 0),
        (0.0, -1, 1, 0),
        (0.4, None, 1, 0),
        (0.9, -1, 1, 1.5),
    ],
)
def test_other_infeasible_families(reliability, lower, upper, mean):
    with pytest.raises(RiskInfeasible):
        sigma_from_reliability(reliability, lower, upper, kind=Reliability.TRUE, mean=mean)


def test_infeasible_case_among_many_is_named():
    with pytest.raises(RiskInfeasible, match=r"1 of 3 cases \(the first is number 2\)"):
        sigma_from_reliability([0.9, 1.0, 0.8], -1, 1, kind=Reliability.TRUE)


def test_probability_in_per_cent_is_refused():
    with pytest.raises(BadQuantity):
        sigma_from_reliability(95, -1, 1, kind=Reliability.TRUE)
    with pytest.raises(BadQuantity):
        sigma_from_reliability(0.95, -1, 1, kind=Reliability.OBSERVED)


# --- properties -------------------------------------------------------------------------

decimals = st.decimals(-1000, 1000, places=3).map(Fraction)
widths = st.decimals("0.001", 500, places=3).map(Fraction)
pressure_units = st.sampled_from(
    sorted(code for code, unit in UNITS.items() if unit.dimension is Dimension.PRESSURE)
)
all_rules = st.sampled_from(
    [
        DecisionRule(Rule.SIMPLE),
        DecisionRule(Rule.SIMPLE, required_tur=4),
        DecisionRule(Rule.GUARDED),
        DecisionRule(Rule.GUARDED, guard_factor=0.83),
        DecisionRule(Rule.NON_BINARY),
    ]
)


@given(decimals, decimals, widths, widths, pressure_units, all_rules)
def test_verdict_does_not_depend_on_the_unit(value, centre, half, U, unit, rule):
    # an exact U, so that a value exactly on a guarded limit stays on it
    lower, upper = centre - half, centre + half
    here = decide(value, lower, upper, U=U, u=float(U) / 2, rule=rule)
    y, low, high, wide = (convert(x, "kPa", unit) for x in (value, lower, upper, U))
    there = decide(y, low, high, U=wide, u=float(wide) / 2, rule=rule)
    assert there.verdict is here.verdict
    assert there.specific_risk == pytest.approx(here.specific_risk, rel=1e-6, abs=1e-9)


@given(decimals, widths, pressure_units, st.booleans())
def test_limits_are_inclusive_in_any_unit(centre, half, unit, on_upper):
    lower, upper = centre - half, centre + half
    edge = upper if on_upper else lower
    tiny = Fraction(1, 10**30) * (1 if on_upper else -1)
    y, low, high = (convert(x, "psi", unit) for x in (edge, lower, upper))
    assert verdict(y, low, high, SIMPLE) is Verdict.PASS
    assert verdict(y + tiny, low, high, SIMPLE) is Verdict.FAIL


@given(decimals, decimals, widths, st.floats(0.01, 100), st.floats(0, 3), st.floats(0, 3))
def test_tightening_a_guard_band_never_turns_fail_into_pass(value, centre, half, U, r, more):
    loose = decide(value, centre - half, centre + half, U=U, u=U / 2,
                   rule=DecisionRule(Rule.GUARDED, guard_factor=r))  # fmt: skip
    tight = decide(value, centre - half, centre + half, U=U, u=U / 2,
                   rule=DecisionRule(Rule.GUARDED, guard_factor=r + more))  # fmt: skip
    assert tight.verdict.rank >= loose.verdict.rank


@settings(max_examples=60)
@given(decimals, decimals, widths, st.floats(0.01, 100), st.floats(0.5, 0.99), st.floats(0, 0.009))
def test_asking_for_more_conformance_never_turns_fail_into_pass(value, centre, half, u, p, more):
    rules = [
        DecisionRule(Rule.CONFORMANCE_PROBABILITY, conformance_probability=q) for q in (p, p + more)
    ]
    low, high = centre - half, centre + half
    asked, more_asked = (decide(value, low, high, U=2 * u, u=u, rule=one) for one in rules)
    assert more_asked.verdict.rank >= asked.verdict.rank


@given(decimals, decimals, widths, st.floats(0.01, 100), all_rules)
def test_verdict_is_symmetric_about_the_middle(value, centre, half, U, rule):
    lower, upper = centre - half, centre + half
    one = decide(value, lower, upper, U=U, u=U / 2, rule=rule)
    other = decide(2 * centre - value, lower, upper, U=U, u=U / 2, rule=rule)
    assert one.verdict is other.verdict
