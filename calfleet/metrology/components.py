"""One influence on a result: its distribution, standard uncertainty, sensitivity, dof.

Divisors turn a half-width into a standard uncertainty (JCGM 100:2008 4.3, 4.4): rectangular
sqrt(3), triangular sqrt(6), arcsine (U-shaped) sqrt(2), trapezoidal sqrt(6 / (1 + beta2)), normal
the stated coverage factor k.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from enum import StrEnum

from calfleet.errors import BadQuantity, UncertaintyRefused


class Distribution(StrEnum):
    """The shape assumed for an influence."""

    NORMAL = "normal"
    T = "t"
    RECTANGULAR = "rectangular"
    TRIANGULAR = "triangular"
    ARCSINE = "arcsine"
    TRAPEZOIDAL = "trapezoidal"


def _require(ok: bool, message: str, rule: str, next_step: str) -> None:
    if not ok:
        raise BadQuantity(message, rule=rule, next_step=next_step)


@dataclass(frozen=True, slots=True)
class Component:
    """One line of an uncertainty budget.

    ``u`` standard uncertainty of the influence in its own unit, at least zero; ``sensitivity``
    the partial derivative of the result by the influence, with its sign; ``dof`` above zero, inf
    where u is taken as known exactly; ``half_width`` and ``divisor`` say where u came from
    (u = half_width / divisor), ``half_width`` None where it was given directly.

    Raises BadQuantity outside these domains.
    """

    name: str
    distribution: Distribution
    u: float
    sensitivity: float = 1.0
    dof: float = math.inf
    half_width: float | None = None
    divisor: float = 1.0
    note: str = ""

    def __post_init__(self) -> None:
        if 0 <= self.u < math.inf and math.isfinite(self.sensitivity) and self.dof > 0:
            return  # the words below are made only where they are needed
        _require(
            math.isfinite(self.u) and self.u >= 0,
            f"The standard uncertainty of {self.name!r} is {self.u}.",
            "A standard uncertainty is a finite number of at least zero.",
            f"Check what was entered for {self.name!r}.",
        )
        _require(
            math.isfinite(self.sensitivity),
            f"The sensitivity of {self.name!r} is {self.sensitivity}.",
            "A sensitivity is a finite number.",
            f"Check what was entered for {self.name!r}.",
        )
        _require(
            self.dof > 0,
            f"{self.name!r} has {self.dof} degrees of freedom.",
            "Degrees of freedom are above zero.",
            "Repeat the measurement, or use a pooled standard deviation.",
        )

    @property
    def contribution(self) -> float:
        """The uncertainty this influence gives to the result: abs(sensitivity) * u."""
        return abs(self.sensitivity) * self.u

    def scaled(self, factor: float) -> Component:
        """The same component with its sensitivity multiplied by ``factor`` (a change of unit)."""
        return replace(self, sensitivity=self.sensitivity * factor)


def _bounded(
    name: str,
    distribution: Distribution,
    half_width: float,
    divisor: float,
    sensitivity: float,
    dof: float,
    note: str,
) -> Component:
    a = float(half_width)
    if not 0 <= a < math.inf:
        raise BadQuantity(
            f"The half-width of {name!r} is {half_width}.",
            rule="A half-width is a finite number of at least zero.",
            next_step=f"Check what was entered for {name!r}.",
        )
    return Component(name, distribution, a / divisor, sensitivity, dof, a, divisor, note)


def normal(
    name: str,
    U: float,
    k: float = 2.0,
    *,
    sensitivity: float = 1.0,
    dof: float = math.inf,
    note: str = "",
) -> Component:
    """A component from a certificate: u = U / k.

    U expanded uncertainty, at least zero; k its coverage factor, above zero. dof from
    :func:`calfleet.metrology.budget.dof_from_coverage_factor` where k was taken from t.

    >>> normal("gauge calibration", 0.10, 2).u
    0.05

    Raises BadQuantity outside the domains. Source: JCGM 100:2008 4.3.3.
    """
    _require(
        math.isfinite(k) and k > 0,
        f"The coverage factor of {name!r} is {k}.",
        "A coverage factor is a finite number above zero.",
        "Take k from the certificate.",
    )
    return _bounded(name, Distribution.NORMAL, U, float(k), sensitivity, dof, note)


def rectangular(
    name: str,
    half_width: float,
    *,
    sensitivity: float = 1.0,
    dof: float = math.inf,
    note: str = "",
) -> Component:
    """A component known only to lie within +/- half_width: u = a / sqrt(3).

    >>> round(rectangular("limits", 4).u, 4)
    2.3094

    Raises BadQuantity for a negative or non-finite half-width. Source: JCGM 100:2008 4.4.5.
    """
    return _bounded(
        name, Distribution.RECTANGULAR, half_width, math.sqrt(3), sensitivity, dof, note
    )


def triangular(
    name: str,
    half_width: float,
    *,
    sensitivity: float = 1.0,
    dof: float = math.inf,
    note: str = "",
) -> Component:
    """A component within +/- half_width, likeliest in the middle: u = a / sqrt(6).

    >>> round(triangular("limits", 4).u, 4)
    1.633

    Raises BadQuantity for a negative or non-finite half-width. Source: JCGM 100:2008 4.4.6.
    """
    return _bounded(name, Distribution.TRIANGULAR, half_width, math.sqrt(6), sensitivity, dof, note)


def arcsine(
    name: str,
    half_width: float,
    *,
    sensitivity: float = 1.0,
    dof: float = math.inf,
    note: str = "",
) -> Component:
    """A component that swings between +/- half_width (a cycling temperature): u = a / sqrt(2).

    >>> round(arcsine("cycling temperature", 0.5).u, 2)
    0.35

    Raises BadQuantity for a negative or non-finite half-width. Source: JCGM 100:2008 H.1.3.4.
    """
    return _bounded(name, Distribution.ARCSINE, half_width, math.sqrt(2), sensitivity, dof, note)


def trapezoidal(
    name: str,
    half_width: float,
    beta: float,
    *,
    sensitivity: float = 1.0,
    dof: float = math.inf,
    note: str = "",
) -> Component:
    """A component within +/- half_width, flat over the inner part beta: u = a sqrt((1+beta2)/6).

    beta from 0 (triangular) to 1 (rectangular).

    >>> trapezoidal("x", 1, 0).u == triangular("x", 1).u
    True

    Raises BadQuantity outside the domains. Source: JCGM 100:2008 4.3.9.
    """
    _require(
        0 <= beta <= 1,
        f"The flat share of {name!r} is {beta}.",
        "The flat share of a trapezoid lies between 0 and 1.",
        f"Check what was entered for {name!r}.",
    )
    divisor = math.sqrt(6 / (1 + beta * beta))
    return _bounded(name, Distribution.TRAPEZOIDAL, half_width, divisor, sensitivity, dof, note)


def resolution(
    name: str,
    step: float,
    *,
    readable_fraction: float = 1.0,
    sensitivity: float = 1.0,
    note: str = "",
) -> Component:
    """The component of a display step, or of a dial read to a fraction of its interval.

    step d, at least zero; half-width d * readable_fraction / 2, so u = d / (2 sqrt(3)).

    >>> round(resolution("display", 0.1).u, 5)
    0.02887

    Raises BadQuantity: negative or non-finite step, fraction outside 0..1 (0 excluded).
    Source: JCGM 100:2008 F.2.2.1.
    """
    if not 0 < readable_fraction <= 1:
        raise BadQuantity(
            f"The readable fraction of {name!r} is {readable_fraction}.",
            rule="The readable fraction of a scale interval lies above 0 and at most at 1.",
            next_step="Enter 1 for a digital display, 0.5 for a dial read to half an interval.",
        )
    return rectangular(name, step * readable_fraction / 2, sensitivity=sensitivity, note=note)


def type_a(
    name: str,
    s: float | None,
    n: int,
    dof: float | None = None,
    *,
    sensitivity: float = 1.0,
    note: str = "",
) -> Component:
    """The component of the mean of n readings with standard deviation s: u = s / sqrt(n).

    dof None means s comes from these same n readings (n - 1); a pooled s brings its own dof, and
    then n = 1 is allowed.

    >>> component = type_a("repeatability", 13, 5, dof=24)
    >>> round(component.u, 1), component.dof
    (5.8, 24)

    Raises UncertaintyRefused for s None, or n = 1 without a dof of its own: one reading has no
    scatter. BadQuantity for n < 1, negative or non-finite s.
    Source: JCGM 100:2008 4.2.3, 4.2.4; the figure is H.1.3.2.
    """
    _require(
        n >= 1,
        f"{name!r} rests on {n} readings.",
        "A mean needs at least one reading.",
        "Enter the readings.",
    )
    if s is None or (dof is None and n == 1) or dof == 0:
        raise UncertaintyRefused(
            f"{name!r}: a single reading has no standard deviation.",
            rule="A Type A evaluation needs two readings or a pooled standard deviation.",
            next_step="Repeat the run, or use the pooled repeatability of the model.",
        )
    degrees = n - 1 if dof is None else dof
    root = math.sqrt(n)
    return Component(name, Distribution.T, s / root, sensitivity, degrees, s, root, note)


def dof_from_reliability(relative: float) -> float:
    """Degrees of freedom of an uncertainty that is itself known to +/- ``relative`` (a fraction).

    0 (known exactly) gives inf.

    >>> dof_from_reliability(0.25), dof_from_reliability(0.10)
    (8.0, 50.0)

    Raises BadQuantity for a negative or non-finite figure.
    Source: JCGM 100:2008 G.4.2, eq. (G.3): nu = (du/u)^-2 / 2; H.1.6 for the figures.
    """
    _require(
        math.isfinite(relative) and relative >= 0,
        f"A relative uncertainty of an uncertainty of {relative} is impossible.",
        "It is a fraction of at least zero, 0.25 for 25 %.",
        "Enter it as a fraction.",
    )
    # Rounded to 12 digits so that 10 % gives 50 and not 49.999...
    return math.inf if relative == 0 else float(f"{0.5 / relative**2:.12g}")
