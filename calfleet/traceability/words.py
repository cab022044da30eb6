"""Numbers, units and counts as they stand in the sentences of a chain."""

from __future__ import annotations

import math
from collections.abc import Sequence
from decimal import Decimal
from fractions import Fraction

from calfleet.errors import CalfleetError
from calfleet.metrology.rounding import significant
from calfleet.metrology.units import find_unit


def counted(number: int, noun: str) -> str:
    """The number with its noun: ``1 day``, ``2 days``."""
    return f"{number} {noun}" if number == 1 else f"{number} {noun}s"


def symbol(unit: str) -> str:
    """The printed symbol of a unit code; a code that is none stands as it is."""
    try:
        return find_unit(unit).symbol
    except CalfleetError:
        return unit


def with_unit(value: Decimal, unit: str) -> str:
    """A number as typed, and its unit.

    >>> with_unit(Decimal("100.00"), "kPa")
    '100.00 kPa'
    """
    return f"{value:f} {symbol(unit)}"


def span_text(low: Decimal | Fraction, high: Decimal | Fraction, unit: str) -> str:
    """From one number to another, and their unit."""
    return f"{plain_number(low)} to {plain_number(high)} {symbol(unit)}"


def plain_number(value: Decimal | Fraction) -> str:
    """A decimal as typed; a fraction with at most six significant digits."""
    if isinstance(value, Decimal):
        return f"{value:f}"
    return significant(value, 6).rstrip("0").rstrip(".") if value.denominator != 1 else str(value)


def ratio_text(value: float) -> str:
    """A ratio to one: one decimal from 1, none from 10, two digits below 1.

    ``value``: at least 0, finite. Cut and never rounded up: 3.96 must not read as 4.0.

    >>> ratio_text(3.96), ratio_text(12.7), ratio_text(0.119)
    ('3.9:1', '12:1', '0.11:1')
    """
    places = 0 if value >= 10 else 1
    if 0 < value < 1:
        places = 1 - math.floor(math.log10(value))
    cut = math.floor(value * 10**places + 1e-9) / 10**places
    return f"{cut:.{places}f}:1"


def not_recorded(title: str) -> str:
    """The title of something that is named but not recorded."""
    return f"{title} (not recorded)"


def listed(names: Sequence[str]) -> str:
    """Names (at least one) as a list in a sentence."""
    return names[0] if len(names) == 1 else f"{', '.join(names[:-1])} and {names[-1]}"


def without_zeros(value: Decimal) -> str:
    """The number without trailing zeros: ``2`` for 2.00."""
    return f"{value.normalize():f}"
