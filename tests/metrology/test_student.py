"""Student's t by the standard library, against tables, scipy and mpmath."""

from __future__ import annotations

import math
import subprocess
import sys
from statistics import NormalDist

import mpmath
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.special import stdtr, stdtrit

from calfleet.errors import BadQuantity
from calfleet.metrology.student import t_quantile, two_sided

TABLE_G2 = {  # JCGM 100:2008 Table G.2: nu -> t at 95 %, 95.45 %, 99 %
    1: (12.71, 13.97, 63.66),
    2: (4.30, 4.53, 9.92),
    3: (3.18, 3.31, 5.84),
    10: (2.23, 2.28, 3.17),
    20: (2.09, 2.13, 2.85),
    50: (2.01, 2.05, 2.68),
    100: (1.984, 2.025, 2.626),
}


@pytest.mark.parametrize("nu", TABLE_G2)
def test_the_published_table(nu: int) -> None:
    for p, printed in zip((0.95, 0.9545, 0.99), TABLE_G2[nu], strict=True):
        digits = 3 if nu == 100 else 2
        assert t_quantile(nu, p) == pytest.approx(printed, abs=0.51 * 10**-digits)


def test_closed_forms_of_one_and_two_degrees_of_freedom() -> None:
    for p in (1e-6, 0.1, 0.5, 0.68, 0.95, 0.9973, 0.999999):
        # the distribution function of nu = 1 is 1/2 + atan(t)/pi, of nu = 2 an algebraic one
        assert t_quantile(1, p) == pytest.approx(math.tan(math.pi * p / 2), rel=1e-11)
        assert t_quantile(2, p) == pytest.approx(p * math.sqrt(2 / ((1 - p) * (1 + p))), rel=1e-11)


NU = [*range(1, 60), 75, 99, 150, 366, 500, 999, 1000, 1001, 2500, 10_000, 123_456, 10**7, 10**12]


@pytest.mark.parametrize("p", [0.5, 0.6827, 0.90, 0.95, 0.9545, 0.99, 0.9973, 0.9999])
def test_whole_degrees_of_freedom_as_scipy_has_them(p: float) -> None:
    theirs = [float(stdtrit(nu, (1 + p) / 2)) for nu in NU]
    assert [t_quantile(nu, p) for nu in NU] == pytest.approx(theirs, rel=1e-11)


def outside(t: float, nu: float) -> mpmath.mpf:
    """P(abs(T) > t) with 40 digits, from mpmath's own incomplete beta function."""
    with mpmath.workdps(40):
        t_, nu_ = mpmath.mpf(t), mpmath.mpf(nu)
        x = nu_ / (nu_ + t_ * t_)
        return mpmath.betainc(nu_ / 2, mpmath.mpf(1) / 2, 0, x, regularized=True)


@pytest.mark.parametrize("nu", [0.7, 1, 1.5, 3, 7.25, 24.9, 25, 49, 51, 100, 333.3, 999, 1000, 5e4])
@pytest.mark.parametrize("p", [0.2, 0.95, 0.9545, 0.99, 0.9999999])
def test_the_probability_at_the_quantile_by_mpmath(nu: float, p: float) -> None:
    t = t_quantile(nu, p)
    with mpmath.workdps(40):
        wanted = 1 - mpmath.mpf(p)
        missed = outside(t, nu) - wanted
        density = mpmath.exp(
            mpmath.loggamma((nu + 1) / mpmath.mpf(2))
            - mpmath.loggamma(mpmath.mpf(nu) / 2)
            - (mpmath.mpf(nu) + 1) / 2 * mpmath.log1p(mpmath.mpf(t) ** 2 / nu)
        ) / mpmath.sqrt(nu * mpmath.pi)
        relative = missed / (2 * density * t)  # how far t is from the exact quantile
        # 1 - p as a double: what p itself leaves open
        open_by_p = mpmath.mpf(2.0**-53) / (2 * density * t)
    assert abs(float(relative)) < 1e-12 + float(open_by_p)
    assert two_sided(t, nu)[1] == pytest.approx(float(outside(t, nu)), rel=1e-12)


@settings(max_examples=200)
@given(st.floats(0.5, 5000), st.floats(0.01, 0.9999))
def test_probability_and_quantile_undo_each_other(nu: float, p: float) -> None:
    inside, beyond = two_sided(t_quantile(nu, p), nu)
    assert inside == pytest.approx(p, rel=1e-12)
    assert inside + beyond == pytest.approx(1, rel=1e-14)


@settings(max_examples=100)
@given(st.floats(0.5, 1e6), st.floats(0.01, 30))
def test_probability_as_scipy_has_it(nu: float, t: float) -> None:
    assert two_sided(t, nu)[1] == pytest.approx(2 * float(stdtr(nu, -t)), rel=1e-10, abs=1e-300)


@given(st.floats(0.02, 0.9999), st.integers(1, 3000))
@settings(max_examples=100)
def test_more_degrees_of_freedom_give_a_smaller_t(p: float, nu: int) -> None:
    normal = NormalDist().inv_cdf((1 + p) / 2)
    assert t_quantile(nu, p) > t_quantile(nu + 1, p) > normal
    assert t_quantile(math.inf, p) == normal


def test_where_the_expansion_takes_over_nothing_jumps() -> None:
    """Either side of 1000 degrees of freedom, with the step that one part in 1e6 of nu explains."""
    for p in (0.95, 0.99, 0.999999):
        below, above = t_quantile(999.999, p), t_quantile(1000.001, p)
        assert below > above
        assert below - above < 2e-8 * above


@pytest.mark.parametrize(("nu", "p"), [(0, 0.95), (-1, 0.95), (math.nan, 0.95), (5, 0), (5, 1)])
def test_outside_the_domain(nu: float, p: float) -> None:
    with pytest.raises(BadQuantity):
        t_quantile(nu, p)
    with pytest.raises(BadQuantity):
        two_sided(0.0, 5)


def test_loads_neither_numpy_nor_scipy() -> None:
    program = """
import sys
from calfleet.metrology.budget import coverage_factor
coverage_factor(12.3)
print([name for name in ("numpy", "scipy") if name in sys.modules])
"""
    done = subprocess.run(
        [sys.executable, "-c", program], capture_output=True, text=True, check=True, timeout=60
    )
    assert done.stdout.strip() == "[]"
