"""What-if: each gauge compared, risks from the site's own history. The site is the demo's."""

from __future__ import annotations

import math
from datetime import date
from fractions import Fraction
from itertools import pairwise
from pathlib import Path

import pytest
from scipy.integrate import dblquad
from scipy.stats import beta, norm

from calfleet.errors import BadQuantity, UnknownName
from calfleet.services.what_if import WhatIf, _family, what_if
from calfleet.site import read_settings
from calfleet.store.queries.reliability import FoundInTolerance, found_in_tolerance

ON = date(2026, 11, 25)


def ask(site: Path, tag: str, **more: object) -> WhatIf:
    with read_settings(site).reading() as session:
        return what_if(session, tag, on=ON, **more)  # type: ignore[arg-type]


def test_every_gauge_that_reads_the_quantity_is_there_most_certain_first(demo_site: Path) -> None:
    found = ask(demo_site, "PDSL-4104")
    known = [p.expanded_uncertainty for p in found.prospects if p.expanded_uncertainty is not None]
    assert known == sorted(known)
    names = {p.name for p in found.prospects}
    assert {"RG-202", "RG-203"} <= names
    assert not names & {"RG-104", "RG-207"}, "thermometers read no pressure"


def test_the_ratio_is_the_tolerance_over_twice_u(demo_site: Path) -> None:
    """ANSI/NCSL Z540.3: TUR = (T_U - T_L) / (2 U95)."""
    found = ask(demo_site, "PDSL-4104")
    assert found.lower is not None
    assert found.upper is not None
    for p in found.prospects:
        if p.tur is not None and p.expanded_uncertainty is not None:
            expected = (found.upper - found.lower) / (2 * p.expanded_uncertainty)
            assert p.tur == pytest.approx(expected, rel=1e-12)
            assert p.enough == (p.tur >= found.required_tur)


def test_a_better_gauge_lowers_the_false_reject_risk(demo_site: Path) -> None:
    found = ask(
        demo_site, "VSH-6107", supposed=[Fraction("0.02"), Fraction("0.01"), Fraction("0.005")]
    )
    supposed = [p for p in found.prospects if p.name.startswith("supposed")]
    risks = [p.pfr for p in supposed]
    assert len(supposed) == 3
    assert all(a is not None and b is not None and a < b for a, b in pairwise(risks))


def test_the_risks_agree_with_a_double_integral(demo_site: Path) -> None:
    """JCGM 106:2012 9.5: false accept and reject as integrals over the true value and the
    measured one; scipy's quadrature is the outside reference."""
    found = ask(demo_site, "PDSL-4104", reliability=0.9)
    assert "true" in found.risk_basis
    p = next(x for x in found.prospects if x.name == "RG-202")
    assert p.expanded_uncertainty is not None
    assert p.coverage_factor is not None
    half, u = 5.0, p.expanded_uncertainty / p.coverage_factor
    sigma = half / float(norm.ppf(0.95))  # 0.90 of a zero-mean normal inside +-half
    accept = (p.lower_acceptance or 0) - 70.0, (p.upper_acceptance or 0) - 70.0

    def density(y: float, x: float) -> float:
        return float(norm.pdf(x, 0, sigma) * norm.pdf(y, x, u))

    outside = sum(
        dblquad(density, a, b, *accept, epsabs=1e-12)[0]
        for a, b in ((-8 * sigma, -half), (half, 8 * sigma))
    )
    assert p.pfa == pytest.approx(outside, abs=1e-8)


def test_the_probability_from_history_is_the_mean_of_the_jeffreys_posterior(
    demo_site: Path,
) -> None:
    with read_settings(demo_site).reading() as session:
        history = found_in_tolerance(session, ON)["DP capsule"]
    found = ask(demo_site, "PDSL-4104")
    # scipy's beta distribution as outside reference for the posterior's mean
    mean = beta(history.inside + 0.5, history.tested - history.inside + 0.5).mean()
    assert f"{mean:.3f}" in found.risk_basis
    assert f"{history.inside} of {history.tested}" in found.risk_basis


def test_history_without_a_result_states_no_risk() -> None:
    from calfleet.metrology.direction import Direction
    from calfleet.metrology.switch import SetPointSpec, Tolerance

    spec = SetPointSpec(
        Fraction(70), Direction.RISING, "kPa", Fraction(0), Fraction(160),
        Tolerance(Fraction(5), Fraction(5)),
    )  # fmt: skip
    assert _family(spec, "new", FoundInTolerance(), None)[0] is None
    # observed with an uncertainty that alone exceeds the scatter: infeasible, said so, never nan
    sigma, basis = _family(spec, "tight", FoundInTolerance(999, 999, 0, 1.0), None)
    assert sigma is None
    assert "no risk can be stated" in basis
    stated, _ = _family(spec, "any", FoundInTolerance(), 0.95)
    assert stated is not None
    assert math.erf(5 / stated / math.sqrt(2)) == pytest.approx(0.95, rel=1e-9)


def test_a_one_sided_tolerance_has_no_ratio_but_risks(demo_site: Path) -> None:
    found = ask(demo_site, "TSH-1110")
    p = next(x for x in found.prospects if x.name == "RG-207")
    assert found.lower is None
    assert p.tur is None
    assert "one-sided" in p.tur_text
    assert p.pfa is not None
    assert 0 < p.pfa < 0.5


def test_what_cannot_be_asked_is_refused(demo_site: Path) -> None:
    with pytest.raises(UnknownName, match="set point"):
        ask(demo_site, "PDSL-4104", set_point="HH")
    with pytest.raises(UnknownName) as unknown:
        ask(demo_site, "PDSL-4140")
    assert "PDSL-4104" in unknown.value.matches
    with pytest.raises(BadQuantity, match="supposed"):
        ask(demo_site, "PDSL-4104", supposed=[Fraction(0)])
