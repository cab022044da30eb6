"""Decision rules, ratios and risks: what may be said about a value with this uncertainty.

Limits and values are exact (``fractions.Fraction``) and every limit is inclusive: a value on the
limit is inside. Uncertainties are floats; where one draws a limit in, its shortest decimal text is
taken as exact, so that a limit 22 drawn in by 0.1 is 21.9 and the reading 21.9 is inside.
An uncertainty given as a ``Fraction`` is used as it is.

The scalar part needs the standard library only; global risks are vectorised with numpy and
scipy.special, imported when called.

Sources: ILAC-G8:09/2019 (decision rules); JCGM 106:2012 (conformance probability, global risk);
ANSI/NCSL Z540.3 (TUR, 2 % false accept); M. Dobbert, managed risk guard band; ISO/IEC 17025:2017
7.8.6 (rule and risk belong to the statement).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import StrEnum
from fractions import Fraction
from statistics import NormalDist
from typing import TYPE_CHECKING, Any

from calfleet.errors import BadQuantity, RiskInfeasible
from calfleet.metrology.rounding import cut_ratio
from calfleet.metrology.student import t_quantile, two_sided
from calfleet.metrology.units import Number, at_most, double_less, exact, less

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import ArrayLike, NDArray

    FloatArray = NDArray[np.float64]

_NORMAL = NormalDist()
_SQRT2 = math.sqrt(2.0)

MANAGED_FALSE_ACCEPT = 0.02
"""The false-accept probability that the managed guard band keeps to (ANSI/NCSL Z540.3 5.3 b)."""


class Verdict(StrEnum):
    """What is said about an item, best first."""

    PASS = "pass"
    CONDITIONAL_PASS = "conditional pass"
    CONDITIONAL_FAIL = "conditional fail"
    FAIL = "fail"

    @property
    def rank(self) -> int:
        """0 for pass up to 3 for fail."""
        return list(Verdict).index(self)

    @property
    def accepted(self) -> bool:
        """True for pass and conditional pass: the value itself is inside the tolerance."""
        return self in (Verdict.PASS, Verdict.CONDITIONAL_PASS)


def worst(verdicts: list[Verdict] | tuple[Verdict, ...]) -> Verdict:
    """The worst of the verdicts; of none: pass.

    >>> worst([Verdict.PASS, Verdict.CONDITIONAL_PASS])
    <Verdict.CONDITIONAL_PASS: 'conditional pass'>
    """
    return max(verdicts, key=lambda verdict: verdict.rank, default=Verdict.PASS)


class Rule(StrEnum):
    """How the measurement uncertainty enters the decision (ILAC-G8:09/2019 clause 4)."""

    SIMPLE = "simple acceptance"
    GUARDED = "guarded acceptance"
    NON_BINARY = "non-binary"
    MANAGED_RISK = "managed risk"
    CONFORMANCE_PROBABILITY = "conformance probability"


@dataclass(frozen=True, slots=True)
class DecisionRule:
    """A rule with its numbers.

    rule: which. guard_factor: r in w = r U (guarded and non-binary; 1 is w = U, 0.83 is
    ISO 14253-1, a negative one widens the limits as the "uncritical" rule does).
    required_tur: the ratio that simple acceptance asks for, None for no requirement.
    conformance_probability: least probability of conformity, a fraction inside (0, 1).

    Raises BadQuantity for numbers outside these domains.
    """

    rule: Rule
    guard_factor: float = 1.0
    required_tur: float | None = None
    conformance_probability: float | None = None

    def __post_init__(self) -> None:
        if not math.isfinite(self.guard_factor):
            raise BadQuantity(
                f"The guard factor {self.guard_factor} is not a finite number.",
                rule="The guard band is w = r U with a finite r.",
                next_step="Give the factor of the procedure, 1 for w = U.",
            )
        if self.required_tur is not None and not 0 < self.required_tur < math.inf:
            raise BadQuantity(
                f"The required ratio {self.required_tur} is not above zero.",
                rule="A required uncertainty ratio is a number above zero, 4 for 4:1.",
                next_step="Correct the procedure, or leave the ratio out.",
            )
        p = self.conformance_probability
        if p is not None and not 0 < p < 1:
            raise BadQuantity(
                f"The conformance probability {p} is not between 0 and 1.",
                rule="Probabilities are fractions: 0.95 for 95 %.",
                next_step="Correct the procedure.",
            )
        if self.rule is Rule.CONFORMANCE_PROBABILITY and p is None:
            raise BadQuantity(
                "The rule 'conformance probability' without its probability.",
                rule="The rule passes an item whose probability of conformity is at least p.",
                next_step="State p in the procedure, for example 0.95.",
            )


# --- ratios -----------------------------------------------------------------------------


def _check_limits(lower: Fraction | None, upper: Fraction | None) -> None:
    if lower is None and upper is None:
        raise BadQuantity(
            "A tolerance with neither a lower nor an upper limit.",
            rule="A tolerance has at least one limit.",
            next_step="State the limit that matters.",
        )
    if lower is not None and upper is not None and at_most(upper, lower):
        raise BadQuantity(
            f"The lower limit {_text(lower)} is not below the upper limit {_text(upper)}.",
            rule="A two-sided tolerance has a width above zero.",
            next_step="Check the tolerance and its basis.",
        )


def _check_uncertainty(value: Number, name: str) -> None:
    if not (math.isfinite(value) and value > 0):
        raise BadQuantity(
            f"The {name} {value} is not a number above zero.",
            rule="An uncertainty is finite and above zero.",
            next_step="Check the budget: at least the resolution contributes.",
        )


def tur(lower: Number | None, upper: Number | None, U: Number) -> float | None:
    """The test uncertainty ratio (T_U - T_L) / (2 U95); None where one limit is open.

    lower, upper: tolerance limits, U: expanded uncertainty at 95 %, all in one unit.
    An asymmetric tolerance counts with its full width. A one-sided tolerance has no width and so
    no ratio by this definition (see :func:`tur_words`).

    >>> tur(18, 22, 0.5)
    4.0
    >>> tur(None, 22, 0.5) is None
    True

    Raises BadQuantity: no limit at all, limits in the wrong order, U not above zero.
    Source: ANSI/NCSL Z540.3; ILAC-G8:09/2019 1.13 (TUR = TL/U for symmetric limits).
    """
    low = None if lower is None else exact(lower)
    high = None if upper is None else exact(upper)
    _check_limits(low, high)
    _check_uncertainty(U, "expanded uncertainty")
    if low is None or high is None:
        return None
    return double_less(high, low) / (2.0 * float(U))


def tur_words(lower: Number | None, upper: Number | None, U: Number) -> str:
    """The ratio in words: ``"4.0:1"``, or why there is none.

    >>> tur_words(18, 22, 0.5)
    '4.0:1'
    """
    return ratio_words(tur(lower, upper, U))


def ratio_words(ratio: float | None) -> str:
    """What :func:`tur_words` says, of a ratio that is known already."""
    if ratio is None:
        return (
            "not defined: the tolerance is one-sided and has no width to set against the "
            "uncertainty; it is judged by guard band or conformance probability"
        )
    return f"{_two_digits(ratio)}:1"


def _two_digits(ratio: float) -> str:
    """Two significant digits, cut and never rounded up: 3.96 must not read as 4.0."""
    if ratio >= 10:
        return cut_ratio(ratio, 0)
    return cut_ratio(ratio, 1)


def tar(lower: Number | None, upper: Number | None, permissible_error: Number) -> float | None:
    """The test accuracy ratio: half the tolerance width over the gauge's permissible error.

    permissible_error: half-width of the gauge's accuracy specification at the reading, in the unit
    of the limits. None where one limit is open.

    >>> tar(Fraction("0.99"), Fraction("1.01"), Fraction("0.001"))  # TM 10-4610-215-24 step h(1)
    10.0

    Raises BadQuantity as :func:`tur`.
    Source: the older 4:1 rule between accuracy specifications.
    """
    low = None if lower is None else exact(lower)
    high = None if upper is None else exact(upper)
    _check_limits(low, high)
    _check_uncertainty(permissible_error, "permissible error")
    if low is None or high is None:
        return None
    n, d = less(high, low).as_integer_ratio()
    m, e = exact(permissible_error).as_integer_ratio()
    return (n * e) / (2 * d * m)


# --- guard bands ------------------------------------------------------------------------


def managed_guard_factor(ratio: float) -> float:
    """M in w = M U95, the guard band that keeps false accepts near 2 % whatever the prior.

    ratio: TUR above zero. M = 1.04 - exp(0.38 ln TUR - 0.54), never below 0: from a TUR of about
    4.6 no guard band is needed.

    >>> round(managed_guard_factor(2.0), 6)
    0.281645
    >>> managed_guard_factor(5.0)
    0.0

    Raises BadQuantity for a ratio that is not above zero.
    Source: M. Dobbert, "A guard-band strategy for managing false-accept risk" (method 6 of
    ANSI/NCSL Z540.3 practice).
    """
    if not 0 < ratio < math.inf:
        raise BadQuantity(
            f"The uncertainty ratio {ratio} is not above zero.",
            rule="The managed guard band is a function of the ratio tolerance to uncertainty.",
            next_step="Check the tolerance and the expanded uncertainty.",
        )
    return max(0.0, 1.04 - math.exp(0.38 * math.log(ratio) - 0.54))


def acceptance_limits(
    lower: Number | None, upper: Number | None, guard_band: Number
) -> tuple[Fraction | None, Fraction | None]:
    """The tolerance limits drawn in by the guard band w on each side that has a limit.

    A negative w widens. Limits that cross (w above half the width) are returned crossed: nothing
    can be accepted.

    >>> acceptance_limits(18, 22, 0.1)
    (Fraction(181, 10), Fraction(219, 10))

    Raises BadQuantity: no limit at all, limits in the wrong order.
    Source: ILAC-G8:09/2019 4.2 (AL = TL - w); JCGM 106:2012 8.3.2.
    """
    low = None if lower is None else exact(lower)
    high = None if upper is None else exact(upper)
    _check_limits(low, high)
    w = exact(guard_band)
    return (None if low is None else low + w, None if high is None else high - w)


# --- specific risk ----------------------------------------------------------------------


def _below(z: float, dof: float) -> float:
    """P(Z <= z) for the normal distribution, or Student's t with finite degrees of freedom."""
    if math.isinf(dof):
        return 0.5 * math.erfc(-z / _SQRT2)
    if z == 0:
        return 0.5
    inside, outside = two_sided(abs(z), dof)
    return 0.5 * outside if z < 0 else 0.5 + 0.5 * inside


def _quantile(p: float, dof: float) -> float:
    if math.isinf(dof):
        return _NORMAL.inv_cdf(p)
    if p == 0.5:
        return 0.0
    t = t_quantile(dof, abs(2 * p - 1))
    return t if p > 0.5 else -t


def specific_risk(
    y: Number, u: float, lower: Number | None, upper: Number | None, dof: float = math.inf
) -> float:
    """The probability that the true value is outside the tolerance, given the measured value.

    y: measured value, u: its standard uncertainty, lower/upper: tolerance limits (None: open), all
    in one unit. dof: effective degrees of freedom of u, infinite for the normal distribution,
    otherwise Student's t. One minus the result is the conformance probability. Both tails are
    summed, so that 1 ppm and less keeps its digits.

    >>> round(specific_risk(0.9, 0.1, None, 1), 6), round(specific_risk(0.9, 0.1, None, 1, 4), 6)
    (0.158655, 0.18695)

    Raises BadQuantity: u not above zero, dof below 1, limits missing or in the wrong order.
    Source: JCGM 106:2012 7.2 to 7.4 (equation 3 ff.); ILAC-G8:09/2019 annex.
    """
    low = None if lower is None else exact(lower)
    high = None if upper is None else exact(upper)
    _check_limits(low, high)
    _check_uncertainty(u, "standard uncertainty")
    if not dof > 0:
        raise BadQuantity(
            f"{dof} degrees of freedom.",
            rule="Degrees of freedom are above zero.",
            next_step="With one reading use a pooled standard deviation.",
        )
    value = exact(y)
    risk = 0.0
    if low is not None:
        risk += _below(double_less(low, value) / u, dof)
    if high is not None:
        risk += _below(double_less(value, high) / u, dof)
    return min(risk, 1.0)


def conformance_limits(
    lower: Number | None, upper: Number | None, u: float, p: float, dof: float = math.inf
) -> tuple[float, float] | tuple[None, float] | tuple[float, None] | None:
    """Where the conformance probability is just p: the ends of the acceptance interval.

    None where even the middle of a two-sided tolerance does not reach p.

    >>> conformance_limits(None, Fraction("-5.40"), 0.05, 0.95)[1]  # z = 1.64485
    -5.48224...

    Raises BadQuantity as :func:`specific_risk`.
    Source: JCGM 106:2012 8.3.3 and Table 1.
    """
    low = None if lower is None else float(exact(lower))
    high = None if upper is None else float(exact(upper))
    specific_risk(low if low is not None else exact(upper or 0), u, lower, upper, dof)
    z = _quantile(p, dof)
    if low is None:
        assert high is not None
        return None, high - z * u
    if high is None:
        return low + z * u, None
    half = (high - low) / 2

    def conformance(distance: float) -> float:
        return 1.0 - _below((-half - distance) / u, dof) - _below((distance - half) / u, dof)

    if conformance(0.0) < p:
        return None
    inner, outer = 0.0, half + 40.0 * u
    while conformance(outer) >= p:  # p below one half with heavy tails
        outer *= 2
    for _ in range(200):
        middle = (inner + outer) / 2
        if middle in (inner, outer):
            break
        if conformance(middle) >= p:
            inner = middle
        else:
            outer = middle
    centre = (low + high) / 2
    return centre - inner, centre + inner


# --- the decision -----------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Decision:
    """One value judged: verdict, the rule as asked and as applied, its limits and its risk.

    value, lower, upper, acceptance_lower, acceptance_upper, guard_band: exact, in one unit.
    specific_risk: probability that the true value is outside the tolerance. tur: None where not
    defined. reason: one sentence that names the limit that decided. statement: the rule in words
    with its numbers. Acceptance limits that cross mean that nothing can be accepted.
    """

    verdict: Verdict
    value: Fraction
    lower: Fraction | None
    upper: Fraction | None
    acceptance_lower: Fraction | None
    acceptance_upper: Fraction | None
    rule: Rule
    applied: Rule
    guard_band: Fraction
    tur: float | None
    required_tur: float | None
    specific_risk: float
    reason: str
    statement: str

    @property
    def acceptance_empty(self) -> bool:
        """True where the guard bands leave nothing to accept."""
        low, high = self.acceptance_lower, self.acceptance_upper
        return low is not None and high is not None and low > high


@dataclass(frozen=True, slots=True)
class Acceptance:
    """The acceptance limits a rule gives for a tolerance and an uncertainty, before any value.

    ratio_short: True where simple acceptance asks for a ratio that is not reached.
    """

    lower: Fraction | None
    upper: Fraction | None
    guard_band: Fraction
    applied: Rule
    tur: float | None
    ratio_short: bool
    statement: str


def acceptance(
    lower: Number | None,
    upper: Number | None,
    *,
    U: Number,
    u: float,
    rule: DecisionRule,
    dof: float = math.inf,
    U95: Number | None = None,
) -> Acceptance:
    """The acceptance limits of a rule, with the rule in words; needs no measured value.

    U: expanded uncertainty of the guard band, u: standard uncertainty, dof: its degrees of
    freedom, U95: the one for the ratio where U is not stated at 95 %.

    Two honest substitutions, both named in ``statement``: a one-sided tolerance has no TUR, so
    simple acceptance with a required ratio becomes guarded acceptance with w = r U, and managed
    risk becomes w = z u with a specific risk of at most 2 % at the limit (which keeps the global
    false-accept probability below 2 % too).

    Raises BadQuantity: limits or uncertainty outside their domain.
    """
    low = None if lower is None else exact(lower)
    high = None if upper is None else exact(upper)
    ratio = tur(low, high, U if U95 is None else U95)
    _check_uncertainty(u, "standard uncertainty")
    factor = exact(rule.guard_factor)
    if rule.rule is Rule.SIMPLE:
        if rule.required_tur is None or (ratio is not None and ratio >= rule.required_tur):
            asked = "" if rule.required_tur is None else f", ratio at least {rule.required_tur:g}:1"
            return Acceptance(
                low, high, Fraction(0), Rule.SIMPLE, ratio, False,
                f"simple acceptance at the tolerance limits{asked}",
            )  # fmt: skip
        if ratio is not None:
            return Acceptance(
                low, high, Fraction(0), Rule.SIMPLE, ratio, True,
                f"simple acceptance asks for a ratio of {rule.required_tur:g}:1, "
                f"here it is {_two_digits(ratio)}:1",
            )  # fmt: skip
        w = factor * exact(U)
        inner = acceptance_limits(low, high, w)
        return Acceptance(
            *inner, w, Rule.GUARDED, None, False,
            f"guarded acceptance, w = {rule.guard_factor:g} U, because a one-sided tolerance has "
            f"no ratio to compare with {rule.required_tur:g}:1",
        )  # fmt: skip
    if rule.rule in (Rule.GUARDED, Rule.NON_BINARY):
        w = factor * exact(U)
        inner = acceptance_limits(low, high, w)
        return Acceptance(
            *inner, w, rule.rule, ratio, False, f"{rule.rule}, w = {rule.guard_factor:g} U"
        )
    if rule.rule is Rule.MANAGED_RISK:
        if ratio is not None:
            M = managed_guard_factor(ratio)
            w = exact(M) * exact(U if U95 is None else U95)
            words = (
                f"managed risk 2 % on average, w = {M:.4f} U95"
                if M > 0
                else "managed risk 2 % on average, no guard band needed at this ratio"
            )
        else:
            z = _quantile(1.0 - MANAGED_FALSE_ACCEPT, dof)
            w = exact(z * u)
            words = (
                f"managed risk 2 %, w = {z:.4f} u (specific risk at the limit), because a "
                "one-sided tolerance has no ratio"
            )
        inner = acceptance_limits(low, high, w)
        return Acceptance(*inner, w, Rule.MANAGED_RISK, ratio, False, words)
    p = rule.conformance_probability
    if p is None:  # DecisionRule refuses this; kept for a rule built around its check
        raise BadQuantity(
            "The rule 'conformance probability' without its probability.",
            rule="The rule passes an item whose probability of conformity is at least p.",
            next_step="State p in the procedure, for example 0.95.",
        )
    words = f"probability of conformity at least {100 * p:g} %"
    ends = conformance_limits(low, high, u, p, dof)
    if ends is None:
        assert low is not None
        assert high is not None
        w = high - low  # crossed on purpose: no value reaches p
        return Acceptance(
            low + w, high - w, w, Rule.CONFORMANCE_PROBABILITY, ratio, False,
            words + ", which no value inside this tolerance reaches with this uncertainty",
        )  # fmt: skip
    accept_low = None if ends[0] is None else exact(ends[0])
    accept_high = None if ends[1] is None else exact(ends[1])
    if accept_high is not None and high is not None:
        w = high - accept_high
    else:
        assert accept_low is not None
        assert low is not None
        w = accept_low - low
    return Acceptance(accept_low, accept_high, w, Rule.CONFORMANCE_PROBABILITY, ratio, False, words)


def decide(
    value: Number,
    lower: Number | None,
    upper: Number | None,
    *,
    U: Number,
    u: float,
    rule: DecisionRule,
    dof: float = math.inf,
    U95: Number | None = None,
    name: str = "The value",
    unit: str = "",
    zone: Acceptance | None = None,
) -> Decision:
    """The verdict on one measured value, with the limits, the risk and the reason in a sentence.

    value, lower, upper: exact, None for an open side. U: expanded uncertainty (``Fraction``, or a
    float whose shortest decimal text counts), u: standard uncertainty, dof: its effective degrees
    of freedom, U95: the expanded uncertainty for the ratio where U is stated at another
    probability. ``name`` and ``unit`` go into the reason. ``zone``: what :func:`acceptance` says
    of the same limits, uncertainty and rule, where it is at hand.

    Limits are inclusive. Simple acceptance whose required ratio is not reached says "conditional
    pass" inside the tolerance: the value is inside, but the rule does not carry a pass.

    >>> rule = DecisionRule(Rule.SIMPLE)
    >>> str(decide(22, 18, 22, U=0.5, u=0.25, rule=rule).verdict)  # TM 10-4320-342-24 para 2-33
    'pass'
    >>> str(decide(Fraction("22.1"), 18, 22, U=0.5, u=0.25, rule=rule).verdict)
    'fail'

    Raises BadQuantity: limits or uncertainty outside their domain.
    Source: ILAC-G8:09/2019 4.2; JCGM 106:2012 clause 8.
    """
    y = exact(value)
    low = None if lower is None else exact(lower)
    high = None if upper is None else exact(upper)
    zone = zone or acceptance(low, high, U=U, u=u, rule=rule, dof=dof, U95=U95)
    risk = specific_risk(y, u, low, high, dof)
    inside = (low is None or at_most(low, y)) and (high is None or at_most(y, high))
    if zone.applied is Rule.CONFORMANCE_PROBABILITY:
        p = rule.conformance_probability or 0.0
        accepted = 1.0 - risk >= p
    else:
        accepted = (zone.lower is None or at_most(zone.lower, y)) and (
            zone.upper is None or at_most(y, zone.upper)
        )
    if zone.ratio_short:
        verdict = Verdict.CONDITIONAL_PASS if inside else Verdict.FAIL
    elif accepted:
        verdict = Verdict.PASS
    elif zone.applied is Rule.NON_BINARY:
        w = abs(zone.guard_band)
        near = (low is None or y >= low - w) and (high is None or y <= high + w)
        if inside:
            verdict = Verdict.CONDITIONAL_PASS
        else:
            verdict = Verdict.CONDITIONAL_FAIL if near else Verdict.FAIL
    else:
        verdict = Verdict.FAIL
    return Decision(
        verdict=verdict,
        value=y,
        lower=low,
        upper=high,
        acceptance_lower=zone.lower,
        acceptance_upper=zone.upper,
        rule=rule.rule,
        applied=zone.applied,
        guard_band=zone.guard_band,
        tur=zone.tur,
        required_tur=rule.required_tur,
        specific_risk=risk,
        reason=_reason(y, low, high, zone, verdict, risk, inside, rule, name, unit),
        statement=zone.statement,
    )


def _text(value: Fraction) -> str:
    return f"{float(value):.7g}"


def _between(lower: Fraction | None, upper: Fraction | None, unit: str) -> str:
    tail = f" {unit}" if unit else ""
    if lower is None:
        return f"at most {_text(upper or Fraction(0))}{tail}"
    if upper is None:
        return f"at least {_text(lower)}{tail}"
    return f"{_text(lower)} to {_text(upper)}{tail}"


def _reason(
    y: Fraction,
    low: Fraction | None,
    high: Fraction | None,
    zone: Acceptance,
    verdict: Verdict,
    risk: float,
    inside: bool,
    rule: DecisionRule,
    name: str,
    unit: str,
) -> str:
    tail = f" {unit}" if unit else ""
    here = f"{name}, {_text(y)}{tail},"
    if not inside:
        if high is not None and y > high:
            out = f"is {_text(y - high)}{tail} above the upper tolerance limit {_text(high)}{tail}"
        else:
            bound = low if low is not None else Fraction(0)
            below = f"{_text(bound - y)}{tail}"
            out = f"is {below} below the lower tolerance limit {_text(bound)}{tail}"
        if verdict is Verdict.CONDITIONAL_FAIL:
            band = f"{_text(abs(zone.guard_band))}{tail}"
            return f"{here} {out}, but by no more than the guard band {band}."
        if verdict.accepted:
            return f"{here} {out}, but inside the acceptance limits of the rule."
        return f"{here} {out}."
    if zone.ratio_short:
        return f"{here} is inside the tolerance, but {zone.statement}."
    if verdict is Verdict.PASS:
        return f"{here} is inside the acceptance limits {_between(zone.lower, zone.upper, unit)}."
    if zone.applied is Rule.CONFORMANCE_PROBABILITY:
        return (
            f"{here} is inside the tolerance, but its probability of conformity {1 - risk:.4f} is "
            f"below the required {rule.conformance_probability:g}."
        )
    if zone.lower is not None and zone.upper is not None and zone.lower > zone.upper:
        return (
            f"{here} is inside the tolerance, but the guard band {_text(zone.guard_band)}{tail} "
            "leaves no acceptance zone: the uncertainty is too large for this tolerance."
        )
    if zone.upper is not None and y > zone.upper:
        side, bound = "above the upper", zone.upper
    else:
        side, bound = "below the lower", zone.lower if zone.lower is not None else Fraction(0)
    return (
        f"{here} is inside the tolerance but {_text(abs(y - bound))}{tail} {side} acceptance limit "
        f"{_text(bound)}{tail}."
    )


# --- global risk ------------------------------------------------------------------------


class Reliability(StrEnum):
    """What an in-tolerance probability counts.

    true: the share of items whose true value is inside. observed: the share of items *measured*
    inside, which the measurement's own scatter has lowered; an as-found history gives this one.
    """

    TRUE = "true"
    OBSERVED = "observed"


def _as_array(value: ArrayLike | Fraction | None, default: float) -> FloatArray:
    import numpy as np

    if value is None:
        return np.asarray(default, dtype=np.float64)
    if isinstance(value, Fraction):
        return np.asarray(float(value), dtype=np.float64)
    return np.asarray(value, dtype=np.float64)


def _infeasible(bad: FloatArray | Any, message: str, rule: str, next_step: str) -> None:
    import numpy as np

    wrong = np.atleast_1d(np.asarray(bad, dtype=bool))
    count = int(wrong.sum())
    if not count:
        return
    if wrong.size > 1:
        first = int(np.flatnonzero(wrong.ravel())[0])
        message = f"{count} of {wrong.size} cases (the first is number {first + 1}): {message}"
    raise RiskInfeasible(message, rule=rule, next_step=next_step)


def sigma_from_reliability(
    reliability: ArrayLike,
    lower: ArrayLike | Fraction | None,
    upper: ArrayLike | Fraction | None,
    *,
    kind: Reliability,
    u: ArrayLike | None = None,
    mean: ArrayLike = 0.0,
) -> Any:
    """The standard deviation of the family's true errors that gives this in-tolerance probability.

    reliability: fraction(s) inside (0, 1). lower, upper: the limits by which they were judged,
    counted like ``mean``, the family's mean error (0: on the set point); None for an open side.
    kind: whether the probability is the true or the observed one; observed needs u, the standard
    uncertainty of those measurements, and sigma_x^2 = sigma_observed^2 - u^2. Numbers or arrays
    that broadcast; numbers give a float.

    >>> import math
    >>> round(sigma_from_reliability(math.erf(2 / math.sqrt(2)), -1, 1, kind=Reliability.TRUE), 9)
    0.5

    Raises RiskInfeasible where no such family exists (a probability of 0 or 1, a mean outside the
    limits, a one-sided probability of one half or less, or an observed scatter that the
    measurement uncertainty alone exceeds); never nan. BadQuantity for impossible arguments.
    Source: JCGM 106:2012 9.5; ANSI/NCSL Z540.3 practice (end-of-period reliability).
    """
    import numpy as np
    from scipy.special import ndtr, ndtri

    if lower is None and upper is None:
        _check_limits(None, None)
    R = _as_array(reliability, math.nan)
    m = _as_array(mean, 0.0)
    a = _as_array(lower, -math.inf) - m
    b = _as_array(upper, math.inf) - m
    if np.any(np.isnan(R)) or np.any((R < 0) | (R > 1)):
        raise BadQuantity(
            "An in-tolerance probability outside 0 to 1.",
            rule="Probabilities are fractions: 0.95 for 95 %.",
            next_step="Give the share of items found in tolerance.",
        )
    if np.any(np.isnan(a) | np.isnan(b)) or np.any(a >= b):
        raise BadQuantity(
            "A lower limit that is not below the upper limit.",
            rule="A two-sided tolerance has a width above zero.",
            next_step="Check the tolerance limits.",
        )
    R, a, b = np.broadcast_arrays(R, a, b)
    _infeasible(
        (R <= 0) | (R >= 1),
        "An in-tolerance probability of exactly 0 or 1 belongs to no normal family.",
        "A normal family always has some items outside and some inside.",
        "From x of n in tolerance use (x + 1/2)/(n + 1) or a lower confidence limit.",
    )
    _infeasible(
        (a >= 0) | (b <= 0),
        "The family's mean error is not inside the tolerance.",
        "The spread is found from limits on both sides of the mean, or one beyond it.",
        "Remove the bias first (adjust), or give the limits relative to the set point.",
    )
    one_sided = np.isinf(a) | np.isinf(b)
    _infeasible(
        one_sided & (R <= 0.5),
        "A one-sided tolerance beyond the mean holds more than half of any normal family.",
        "With one limit the in-tolerance probability is above 0.5.",
        "Check the probability, or the side of the limit.",
    )
    nearest = np.minimum(-a, b)
    symmetric = -a == b
    sigma = nearest / ndtri((1.0 + R) / 2.0)
    if np.any(one_sided):
        with np.errstate(divide="ignore", invalid="ignore"):
            sigma = np.where(one_sided, nearest / ndtri(R), sigma)
    rest = ~(symmetric | one_sided)
    if np.any(rest):
        # P falls as sigma grows: bisection on the logarithm between the symmetric solutions of
        # the nearer and the farther limit, which bracket the true one.
        low = np.where(rest, nearest / ndtri((1.0 + R) / 2.0), 1.0)
        high = np.where(rest, np.maximum(-a, b) / ndtri((1.0 + R) / 2.0), 1.0)
        safe_a, safe_b = np.where(rest, a, -1.0), np.where(rest, b, 1.0)
        for _ in range(80):
            middle = np.sqrt(low * high)
            inside = ndtr(safe_b / middle) - ndtr(safe_a / middle) >= R
            low = np.where(inside, middle, low)
            high = np.where(inside, high, middle)
        sigma = np.where(rest, np.sqrt(low * high), sigma)
    if kind is Reliability.OBSERVED:
        if u is None:
            raise BadQuantity(
                "An observed in-tolerance probability without the measurement uncertainty.",
                rule="The true scatter is the observed one less the measurement's own.",
                next_step="Give the standard uncertainty of the measurements in the history.",
            )
        s = _as_array(u, 0.0)
        _check_arrays(s, "standard uncertainty")
        sigma, s = np.broadcast_arrays(sigma, s)
        _infeasible(
            sigma <= s,
            "The observed in-tolerance probability is higher than the measurement uncertainty "
            "alone would allow: the observed scatter is smaller than u.",
            "sigma_x^2 = sigma_observed^2 - u^2 must be above zero.",
            "The uncertainty is overstated or the history is too short; state the probability as "
            "the true one, or use a longer history.",
        )
        # (o - s)(o + s) keeps its digits where the two are nearly equal
        sigma = np.sqrt((sigma - s) * (sigma + s))
    return float(sigma) if np.ndim(sigma) == 0 else sigma


def _check_arrays(values: FloatArray, name: str) -> None:
    import numpy as np

    if not np.all(np.isfinite(values) & (values > 0)):
        raise BadQuantity(
            f"A {name} that is not a number above zero.",
            rule="Uncertainties and standard deviations are finite and above zero.",
            next_step=f"Check the {name} of every case.",
        )


def _bivariate(h: FloatArray, k: FloatArray, rho: FloatArray, root: FloatArray) -> FloatArray:
    """P(X <= h, Y <= k) of the standard bivariate normal, root = sqrt(1 - rho^2) > 0.

    By Owen's T function (D. B. Owen, Ann. Math. Statist. 27 (1956) 1075, equation 2.1).
    Beyond 38 standard deviations a double is 0 or 1; zeros are moved off the singular point.
    """
    import numpy as np
    from scipy.special import ndtr, owens_t

    h = np.clip(h, -38.0, 38.0)
    k = np.clip(k, -38.0, 38.0)
    h = np.where(np.abs(h) < 1e-150, 1e-150, h)
    k = np.where(np.abs(k) < 1e-150, 1e-150, k)
    with np.errstate(over="ignore", invalid="ignore"):
        opposite = np.where((h > 0) == (k > 0), 0.0, 0.5)
        value = (
            0.5 * (ndtr(h) + ndtr(k))
            - owens_t(h, (k / h - rho) / root)
            - owens_t(k, (h / k - rho) / root)
            - opposite
        )
    clipped: FloatArray = np.clip(value, 0.0, 1.0)
    return clipped


@dataclass(frozen=True, slots=True)
class GlobalRisk:
    """What a rule does to a whole family; floats, or arrays of one shape. Unconditional fractions.

    pfa: accepted and out of tolerance. pfr: rejected and in tolerance. accepted: P(accept).
    in_tolerance: share of true values inside. conditional_pfa: pfa / accepted, the share of bad
    ones among the accepted (0 where nothing is accepted).
    """

    pfa: Any
    pfr: Any
    accepted: Any
    in_tolerance: Any
    conditional_pfa: Any


def global_risk(
    lower: ArrayLike | Fraction | None,
    upper: ArrayLike | Fraction | None,
    *,
    sigma_x: ArrayLike,
    u: ArrayLike,
    accept_lower: ArrayLike | Fraction | None = None,
    accept_upper: ArrayLike | Fraction | None = None,
    mean: ArrayLike = 0.0,
) -> GlobalRisk:
    """The probabilities of false accept and false reject for a normal family.

    True errors x ~ N(mean, sigma_x), measured y ~ N(x, u). lower, upper: tolerance limits, None
    for an open side; accept_lower, accept_upper: acceptance limits, None: the tolerance limit
    itself. All in one unit, counted like ``mean`` (0: on the set point). Numbers or arrays that
    broadcast (10,000 cases take some tens of milliseconds); numbers give floats. Acceptance limits
    that cross accept nothing.

    >>> import math
    >>> sigma = sigma_from_reliability(0.95, -1, 1, kind=Reliability.TRUE)
    >>> risk = global_risk(-1, 1, sigma_x=sigma, u=0.125)  # TUR 4:1 at k = 2
    >>> round(100 * risk.pfa, 6), round(100 * risk.pfr, 6)
    (0.858266, 1.553651)

    Raises BadQuantity: sigma_x or u not above zero, no limit at all, limits in the wrong order.
    Source: JCGM 106:2012 9.5 (global risk); the integrals are bivariate normal probabilities.
    """
    import numpy as np
    from scipy.special import ndtr

    if lower is None and upper is None:
        _check_limits(None, None)
    sigma, s, m = _as_array(sigma_x, math.nan), _as_array(u, math.nan), _as_array(mean, 0.0)
    _check_arrays(sigma, "standard deviation of the family")
    _check_arrays(s, "standard uncertainty")
    a, b = _as_array(lower, -math.inf), _as_array(upper, math.inf)
    if np.any(np.isnan(a) | np.isnan(b)) or np.any(a >= b):
        raise BadQuantity(
            "A lower limit that is not below the upper limit.",
            rule="A two-sided tolerance has a width above zero.",
            next_step="Check the tolerance limits.",
        )
    c = a if accept_lower is None else _as_array(accept_lower, -math.inf)
    d = b if accept_upper is None else _as_array(accept_upper, math.inf)
    if np.any(np.isnan(c) | np.isnan(d)):
        raise BadQuantity(
            "An acceptance limit that is not a number.",
            rule="Acceptance limits are numbers, or left out.",
            next_step="Leave a limit out where the tolerance limit itself is meant.",
        )
    sigma, s, a, b, c, d = np.broadcast_arrays(sigma, s, a - m, b - m, c - m, d - m)
    total = np.hypot(sigma, s)
    rho, root = sigma / total, s / total
    a, b, c, d = a / sigma, b / sigma, c / total, d / total
    empty = c > d
    # Each outside region is taken as a lower-left corner (by the symmetry of the normal
    # distribution), so that small probabilities are not differences of numbers near one.
    low_out = _bivariate(a, d, rho, root) - _bivariate(a, c, rho, root)
    high_out = _bivariate(-b, -c, rho, root) - _bivariate(-b, -d, rho, root)
    pfa = np.where(empty, 0.0, np.clip(low_out + high_out, 0.0, 1.0))
    low_rejected = _bivariate(b, c, rho, root) - _bivariate(a, c, rho, root)
    high_rejected = _bivariate(-a, -d, rho, root) - _bivariate(-b, -d, rho, root)
    in_tolerance = 1.0 - ndtr(a) - ndtr(-b)
    pfr = np.where(empty, in_tolerance, np.clip(low_rejected + high_rejected, 0.0, 1.0))
    accepted = np.where(empty, 0.0, np.clip(1.0 - ndtr(c) - ndtr(-d), 0.0, 1.0))
    conditional = np.divide(pfa, accepted, out=np.zeros_like(accepted), where=accepted > 0)
    values = (pfa, pfr, accepted, in_tolerance, conditional)
    if pfa.ndim == 0:
        return GlobalRisk(*(float(value) for value in values))
    return GlobalRisk(*values)
