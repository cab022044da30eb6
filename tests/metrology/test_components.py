"""One influence: divisors, degrees of freedom, refusals."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from calfleet.errors import BadQuantity, UncertaintyRefused
from calfleet.metrology.components import (
    Component,
    Distribution,
    arcsine,
    dof_from_reliability,
    normal,
    rectangular,
    resolution,
    trapezoidal,
    triangular,
    type_a,
)


# JCGM 100:2008. Mark: from memory, the arithmetic reproduces the printed figures.
@pytest.mark.parametrize(
    ("component", "u", "digits"),
    [
        (rectangular("4.4.5", 4), 2.3, 1),
        (triangular("4.4.6", 4), 1.6, 1),
        (arcsine("H.1.3.4, cyclic temperature", 0.5), 0.35, 2),
        (rectangular("H.1.3.3, expansion coefficient", 2e-6), 1.2e-6, 7),
        (rectangular("H.1.3.5, difference of temperature", 0.05), 0.029, 3),
        (normal("H.1.3.1, certificate U 0.075 um, k 3", 75, 3), 25.0, 1),
        (normal("H.1.3.2, 0.02 um at three sigma", 20, 3), 6.7, 1),
        (normal("H.1.3.2, 0.01 um at 95 %, nu 5", 10, 2.5706), 3.9, 1),
        (type_a("H.1.3.2, pooled s 13 nm, 5 observations", 13, 5, 24), 5.8, 1),
        (resolution("F.2.2.1, u = 0.29 step", 1), 0.29, 2),
    ],
)
def test_published_divisors(component: Component, u: float, digits: int) -> None:
    assert round(component.u, digits) == u


def test_what_a_component_keeps_of_its_making() -> None:
    component = rectangular("drift", 0.3, sensitivity=-2, note="maker")
    assert component.distribution is Distribution.RECTANGULAR
    assert component.half_width == 0.3
    assert component.u == component.half_width / component.divisor
    assert component.contribution == 2 * component.u
    assert component.scaled(10).contribution == pytest.approx(20 * component.u)
    assert component.scaled(10).u == component.u
    assert math.isinf(component.dof)


def test_trapezoid_between_triangle_and_rectangle() -> None:
    # JCGM 100:2008 4.3.9: beta 1 rectangular, beta 0 triangular
    assert trapezoidal("x", 3, 1).u == pytest.approx(rectangular("x", 3).u)
    assert trapezoidal("x", 3, 0).u == pytest.approx(triangular("x", 3).u)
    with pytest.raises(BadQuantity):
        trapezoidal("x", 3, 1.1)


def test_a_dial_read_to_a_fraction_of_its_interval() -> None:
    assert resolution("dial", 1, readable_fraction=0.2).half_width == pytest.approx(0.1)
    for fraction in (0, 1.5, -1):
        with pytest.raises(BadQuantity):
            resolution("dial", 1, readable_fraction=fraction)


def test_type_a_of_one_reading_is_refused_unless_s_is_pooled() -> None:
    with pytest.raises(UncertaintyRefused):
        type_a("trip", None, 1)
    with pytest.raises(UncertaintyRefused):
        type_a("trip", 0.2, 1)
    with pytest.raises(UncertaintyRefused):
        type_a("trip", 0.2, 3, dof=0)
    assert type_a("trip", 0.2, 1, dof=14).u == 0.2
    own = type_a("trip", 0.2, 4)
    assert (own.u, own.dof, own.distribution) == (0.1, 3, Distribution.T)


# JCGM 100:2008 G.4.2, H.1.6. Mark: seen; recomputed.
@pytest.mark.parametrize(("relative", "dof"), [(0.25, 8), (0.10, 50), (0.50, 2), (0, math.inf)])
def test_dof_from_reliability(relative: float, dof: float) -> None:
    assert dof_from_reliability(relative) == dof


def test_figures_outside_their_domain_are_refused() -> None:
    for make in (
        lambda: rectangular("x", -1),
        lambda: rectangular("x", math.nan),
        lambda: triangular("x", math.inf),
        lambda: normal("x", 1, 0),
        lambda: normal("x", 1, -2),
        lambda: normal("x", -1, 2),
        lambda: normal("x", 1, math.nan),
        lambda: Component("x", Distribution.NORMAL, -1.0),
        lambda: Component("x", Distribution.NORMAL, 1.0, sensitivity=math.inf),
        lambda: Component("x", Distribution.NORMAL, 1.0, dof=0),
        lambda: Component("x", Distribution.NORMAL, 1.0, dof=math.nan),
        lambda: type_a("x", 1.0, 0),
        lambda: dof_from_reliability(-0.1),
        lambda: dof_from_reliability(math.nan),
    ):
        with pytest.raises(BadQuantity):
            make()


@given(st.floats(1e-9, 1e9), st.floats(-1e3, 1e3))
def test_the_narrower_the_shape_the_smaller_u(half_width: float, sensitivity: float) -> None:
    shapes = [triangular, rectangular, arcsine]
    sizes = [make("x", half_width, sensitivity=sensitivity).contribution for make in shapes]
    assert sizes == sorted(sizes)
    assert all(size <= abs(sensitivity) * half_width for size in sizes)
