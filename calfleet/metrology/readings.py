"""Typed readings to exact numbers, and repeat readings to mean, s and degrees of freedom.

Sums are exact rational arithmetic: readings that agree in their first nine digits lose nothing
(the trap of the one-pass sum of squares).
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from fractions import Fraction

from calfleet.errors import BadNumber, BadQuantity, UncertaintyRefused
from calfleet.metrology.units import Number, exact

_LONGEST = 40  # digits; far beyond any instrument, and keeps arithmetic on hostile input short
_POINT = re.compile(r"[+\-−]?(?:[0-9]+(?:\.[0-9]+)?|\.[0-9]+)")
_COMMA = re.compile(r"[+\-−]?(?:[0-9]+(?:,[0-9]+)?|,[0-9]+)")


def parse_number(text: str, *, decimal_comma: bool = False) -> Fraction:
    """The number a text means, exact: one plain decimal, digits with at most one decimal point.

    Blanks around it are ignored. Exponents, thousands separators, units and ``nan`` are refused.
    With ``decimal_comma`` the decimal sign is the comma, and a point is refused (there it
    would be a thousands separator).

    >>> parse_number(" 12.50 ")
    Fraction(25, 2)
    >>> parse_number("12,5", decimal_comma=True)
    Fraction(25, 2)

    Raises BadNumber, saying what would be right.
    """
    plain = text.strip()
    pattern = _COMMA if decimal_comma else _POINT
    if len(plain) <= _LONGEST and pattern.fullmatch(plain):
        return Fraction(plain.replace(",", ".").replace("−", "-"))
    sign = "comma" if decimal_comma else "point"
    shown = plain if len(plain) <= _LONGEST else plain[:_LONGEST] + "..."
    other = _POINT if decimal_comma else _COMMA
    if not plain:
        message, step = "A number is missing.", "Enter the number."
    elif len(plain) <= _LONGEST and other.fullmatch(plain):
        message = f"{shown!r} has a decimal {'point' if decimal_comma else 'comma'}."
        step = (
            f"Write {plain.replace('.', ',')!r}."
            if decimal_comma
            else f"Write {plain.replace(',', '.')!r} with a point if that is meant (a comma is no "
            "thousands separator either)."
        )
    else:
        message = f"{shown!r} is not one plain decimal number."
        step = f"Write digits with at most one decimal {sign}, without unit or separators."
    raise BadNumber(
        message, rule=f"A reading is one plain number with a decimal {sign}.", next_step=step
    )


@dataclass(frozen=True, slots=True)
class Sample:
    """Repeat readings of one quantity.

    ``mean`` exact; ``s`` the experimental standard deviation with divisor n - 1, ``None`` for a
    single reading (one reading says nothing about scatter); ``dof`` = n - 1; ``spread`` the
    largest minus the smallest.
    """

    n: int
    mean: Fraction
    s: float | None
    dof: int
    spread: Fraction

    @property
    def s_mean(self) -> float | None:
        """The standard deviation of the mean, s/sqrt(n); None for a single reading (4.2.3)."""
        return None if self.s is None else self.s / math.sqrt(self.n)


def _root(square: Fraction) -> float:
    """The square root of an exact number, to the last digit, without overflow on the way."""
    if square == 0:
        return 0.0
    # Scaled to an integer of about 128 bits before the root, so the float result is correct.
    shift = 128 - square.numerator.bit_length() + square.denominator.bit_length()
    shift += shift % 2
    up, down = square.numerator, square.denominator
    if shift > 0:
        up <<= shift
    else:
        down <<= -shift
    return math.ldexp(math.isqrt(up // down), -shift // 2)


def summarize(values: Iterable[Number]) -> Sample:
    """Mean, standard deviation (n - 1) and degrees of freedom of repeat readings.

    values: readings in one unit; floats count as their shortest decimal text. n = 1 gives s None.

    >>> sample = summarize([10000001, 10000003, 10000002])
    >>> sample.mean, sample.s, sample.dof
    (Fraction(10000002, 1), 1.0, 2)

    Raises BadQuantity for no readings, nan, infinities.
    Source: JCGM 100:2008 4.2.1 to 4.2.3; the figures are NIST StRD NumAcc1.
    """
    numbers = [exact(value) for value in values]
    n = len(numbers)
    if n == 0:
        raise BadQuantity(
            "No readings to summarize.",
            rule="A mean needs at least one reading.",
            next_step="Enter the readings.",
        )
    if n == 1:
        return Sample(1, numbers[0], None, 0, Fraction(0))
    # over one denominator whole numbers do all of it: n sum(x2) - sum(x)2 is exact there
    denominator = math.lcm(*(number.denominator for number in numbers))
    whole = [number.numerator * (denominator // number.denominator) for number in numbers]
    total = sum(whole)
    squares = n * sum(one * one for one in whole) - total * total
    return Sample(
        n,
        Fraction(total, n * denominator),
        _root(Fraction(squares, n * (n - 1) * denominator * denominator)),
        n - 1,
        Fraction(max(whole) - min(whole), denominator),
    )


def exact_mean(values: Sequence[Fraction]) -> Fraction:
    """The mean of exact numbers, one or more, exact."""
    denominator = math.lcm(*(value.denominator for value in values))
    total = sum(value.numerator * (denominator // value.denominator) for value in values)
    return Fraction(total, len(values) * denominator)


def pooled(parts: Sequence[tuple[float | None, float]]) -> tuple[float, float]:
    """The pooled standard deviation of several series, and its degrees of freedom.

    parts: (s, dof) of each series; one without degrees of freedom (a single reading, s None)
    adds nothing.

    >>> s, dof = pooled([(0.2, 2), (0.4, 2), (None, 0)])
    >>> round(s, 6), dof
    (0.316228, 4.0)

    Raises UncertaintyRefused when no series has degrees of freedom; BadQuantity for a negative
    or non-finite s or dof.
    Source: JCGM 100:2008 H.3.6 note and 4.2.4: s_p2 = sum(nu_i s_i2) / sum(nu_i).
    """
    squares: list[float] = []
    dofs: list[float] = []
    for s, dof in parts:
        usable = math.isfinite(dof) and dof >= 0 and (s is None or (math.isfinite(s) and s >= 0))
        if not usable or (s is None and dof > 0):
            raise BadQuantity(
                f"A series with s = {s} and {dof} degrees of freedom cannot be pooled.",
                rule="s is a finite number of at least zero, with its degrees of freedom.",
                next_step="Check the series.",
            )
        if s is not None and dof > 0:
            squares.append(dof * s * s)
            dofs.append(float(dof))
    total = math.fsum(dofs)
    if total == 0:
        raise UncertaintyRefused(
            "No series has two readings or more.",
            rule="A standard deviation needs at least one degree of freedom.",
            next_step="Repeat the measurement, or use a stated repeatability.",
        )
    return math.sqrt(math.fsum(squares) / total), total


class RunningPool:
    """:func:`pooled` of series that come and go, at the same cost however many there are.

    The sums are kept exact, as non-overlapping partial sums (J. R. Shewchuk, Discrete &
    Computational Geometry 18 (1997) 305-363, from memory, which ``math.fsum`` uses too), so that
    taking a series out again leaves nothing behind and each figure is the very one that
    :func:`pooled` gives.

    >>> pool = RunningPool()
    >>> pool.add(0.2, 2)
    >>> pool.add(0.4, 2)
    >>> pool.pooled() == pooled([(0.2, 2), (0.4, 2)])
    True
    """

    def __init__(self) -> None:
        self._squares: list[float] = []
        self._dofs: list[float] = []

    def add(self, s: float, dof: float) -> None:
        """Take a series in; s and dof finite, at least zero.

        Raises BadQuantity outside these domains.
        """
        if not (0 <= s < math.inf and 0 <= dof < math.inf):
            raise BadQuantity(
                f"A series with s = {s} and {dof} degrees of freedom cannot be pooled.",
                rule="s is a finite number of at least zero, with its degrees of freedom.",
                next_step="Check the series.",
            )
        if dof > 0:
            _grow(self._squares, dof * s * s)
            _grow(self._dofs, float(dof))

    def remove(self, s: float, dof: float) -> None:
        """Take out again a series that was added."""
        if dof > 0:
            _grow(self._squares, -(dof * s * s))
            _grow(self._dofs, -float(dof))

    def pooled(self) -> tuple[float, float] | None:
        """The pooled standard deviation and its degrees of freedom; None without any."""
        total = math.fsum(self._dofs)
        if total == 0:
            return None
        return math.sqrt(math.fsum(self._squares) / total), total


def _grow(partials: list[float], x: float) -> None:
    """Add x to an exact sum held as non-overlapping partial sums, smallest first."""
    kept = 0
    for y in partials:
        if abs(x) < abs(y):
            x, y = y, x
        high = x + y
        low = y - (high - x)
        if low:
            partials[kept] = low
            kept += 1
        x = high
    partials[kept:] = [x]
