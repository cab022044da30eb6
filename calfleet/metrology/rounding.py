"""A value written with its uncertainty, without the artefacts of binary floating point.

All rounding is half to even on the decimal number itself: 0.25 to one place is 0.2, 0.35 is 0.4.
"""

from __future__ import annotations

import math
from fractions import Fraction

from calfleet.errors import BadQuantity
from calfleet.metrology.units import Number, exact


def exact_text(value: Number) -> str:
    """The value as plain decimal text that reads back as exactly the same number.

    A fraction without a finite decimal form (133.32...) is written ``numerator/denominator``;
    ``fractions.Fraction`` reads both forms.

    >>> exact_text(Fraction(5, 4)), exact_text(Fraction(-3)), exact_text(Fraction(1, 3))
    ('1.25', '-3', '1/3')

    Raises BadQuantity for nan and infinities.
    """
    number = exact(value)
    denominator = number.denominator
    twos = fives = 0
    while denominator % 2 == 0:
        denominator //= 2
        twos += 1
    while denominator % 5 == 0:
        denominator //= 5
        fives += 1
    if denominator != 1:
        return f"{number.numerator}/{number.denominator}"
    return decimal_text(number, max(twos, fives))


def decimal_text(value: Number, places: int) -> str:
    """The value in plain decimals with ``places`` decimals; never an exponent, never ``-0``.

    places < 0 rounds to tens, hundreds, ... and writes no decimals.

    >>> decimal_text(2.675, 2), decimal_text(12345, -2), decimal_text(-0.004, 2)
    ('2.68', '12300', '0.00')

    Raises BadQuantity for nan and infinities.
    """
    scaled = _scaled(exact(value), places)
    if places <= 0:
        return str(scaled * 10**-places)
    digits = str(abs(scaled)).rjust(places + 1, "0")
    sign = "-" if scaled < 0 else ""
    return f"{sign}{digits[:-places]}.{digits[-places:]}"


def _scaled(number: Fraction, places: int) -> int:
    """The whole number nearest to number * 10**places, half to even."""
    up, down = number.numerator, number.denominator
    if places >= 0:
        up *= 10**places
    else:
        down *= 10**-places
    whole, rest = divmod(up, down)
    if 2 * rest > down or (2 * rest == down and whole % 2):
        whole += 1
    return whole


def _leading_place(number: Fraction) -> int:
    """The exponent e with 10**e <= abs(number) < 10**(e + 1)."""
    up, down = abs(number.numerator), number.denominator
    exponent = len(str(up)) - len(str(down))
    below = 10**exponent * down > up if exponent >= 0 else down > up * 10**-exponent
    return exponent - 1 if below else exponent


def _places_for(number: Fraction, digits: int) -> int:
    """Decimals that leave ``digits`` significant digits after rounding (0.0996 -> 0.10)."""
    if digits < 1:
        raise BadQuantity(
            f"{digits} significant digits cannot be written.",
            rule="A number shows at least one significant digit.",
            next_step="Ask for 1 digit or more.",
        )
    places = digits - 1 - _leading_place(number)
    leading = len(str(abs(_scaled(number, places)))) - 1 - places
    return digits - 1 - leading


def significant(value: Number, digits: int) -> str:
    """The value in plain decimals rounded to ``digits`` significant digits; zero is ``0``.

    >>> significant(0.0996, 2), significant(31.6639, 2), significant(6894.757, 3)
    ('0.10', '32', '6890')

    Raises BadQuantity for nan, infinities, and digits < 1.
    """
    number = exact(value)
    if number == 0:
        return "0"
    return decimal_text(number, _places_for(number, digits))


def to_resolution(value: Number, resolution: Number) -> Fraction:
    """The multiple of ``resolution`` nearest to the value (half to even), exact.

    What a display of that resolution shows, or the nearest place on a dial that can be read.

    >>> to_resolution(Fraction("12.37"), Fraction("0.05"))
    Fraction(247, 20)

    Raises BadQuantity: resolution not above zero; nan, infinities.
    """
    step = exact(resolution)
    if step <= 0:
        raise BadQuantity(
            f"A resolution of {exact_text(step)} is not above zero.",
            rule="A resolution is the smallest step that can be read, above zero.",
            next_step="Enter the smallest step of the display or scale.",
        )
    return round(exact(value) / step) * step


def with_uncertainty(value: Number, U: Number, *, digits: int = 2) -> tuple[str, str]:
    """The value and its uncertainty as text, both to the last place of the uncertainty.

    U: expanded (or standard) uncertainty in the unit of the value, above zero, rounded to
    ``digits`` significant digits. Trailing zeros are kept: they are digits of the result.

    >>> with_uncertainty(10000.178, 0.0166548)
    ('10000.178', '0.017')
    >>> with_uncertainty(-0.149377, 0.0041386)
    ('-0.1494', '0.0041')

    Raises BadQuantity: U zero, negative, nan or infinite; digits < 1.
    Source: JCGM 100:2008 7.2.6; the two figures are EA-4/02 S3 and JCGM 100 H.3.
    """
    width = exact(U)
    if width <= 0:
        raise BadQuantity(
            f"An uncertainty of {exact_text(width)} gives no place to round to.",
            rule="A reported uncertainty is above zero.",
            next_step="Check the budget, or write the value alone.",
        )
    places = _places_for(width, digits)
    return decimal_text(value, places), decimal_text(width, places)


def cut_ratio(ratio: float, places: int = 1) -> str:
    """An uncertainty ratio cut to ``places`` decimals, never rounded up.

    3.96 must not read as 4.0 where 4 is required; a ratio that is 4 but for the last bit does.

    >>> cut_ratio(3.96), cut_ratio(4 - 1e-12), cut_ratio(3.557, 2)
    ('3.9', '4.0', '3.55')

    Raises BadQuantity for a negative or non-finite ratio.
    """
    if not 0 <= ratio < math.inf:
        raise BadQuantity(
            f"An uncertainty ratio of {ratio}.",
            rule="A ratio is a finite number of at least zero.",
            next_step="Check the tolerance and the uncertainty.",
        )
    scale = 10**places
    return f"{math.floor(ratio * scale + 1e-9) / scale:.{places}f}"


def percent(fraction: Number) -> str:
    """A fraction in per cent, exactly, without needless zeros; the sign is not part of it.

    >>> percent(Fraction("0.45")), percent(Fraction("0.3350"))
    ('45', '33.5')
    """
    return exact_text(exact(fraction) * 100)
