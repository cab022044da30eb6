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
    scaled = square * Fraction(2) ** shift
    return math.ldexp(math.isqrt(scaled.numerator // scaled.denominator), -shift // 2)


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
    mean = sum(numbers, Fraction(0)) / n
    spread = max(numbers) - min(numbers)
    if n == 1:
        return Sample(1, mean, None, 0, spread)
    variance = sum(((number - mean) ** 2 for number in numbers), Fraction(0)) / (n - 1)
    return Sample(n, mean, _root(variance), n - 1, spread)


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
