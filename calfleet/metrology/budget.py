"""Influences combined: u_c, effective degrees of freedom, k, U, and the share of each influence.

    u_c2  = sum_i sum_j r_ij (c_i u_i)(c_j u_j)            JCGM 100:2008 eq. (13), (16)
    nu    = u_c4 / sum_i (c_i u_i)4 / nu_i                  G.4.1 eq. (G.2b)
    k     = t_p(nu), U = k u_c                              G.3.4

What is decided here, beyond the formulas:

*Truncation.* nu_eff is taken to one decimal and cut to the next lower whole number before t is
looked up, as the worked examples do (16.7 -> 16 in H.1, 19.0 -> 19 in G.4.1). ``Budget.nu_eff``
keeps the uncut figure.

*Correlated components.* G.2b holds for independent components only. Components joined by a
non-zero correlation form a group, which enters G.2b as one term with the group's own variance:

- all members without finite dof: the group has none either;
- all members with the same dof: they count as observed together, and the group has that dof
  (exact for jointly observed readings as in H.2; R. Willink, Metrologia 44 (2007) 340-349);
- otherwise, with shares w_i of the group variance: 1/nu = (sum abs(w_i)/sqrt(nu_i))2, the bound
  that holds however the estimates of the u_i depend on each other (own derivation: first-order
  propagation of var(u_i)/u_i2 = 1/(2 nu_i), with Cauchy-Schwarz). It never overstates the dof.

*One rectangular component dominates.* Then the result is rectangular and not normal, k = 2 is too
large, and k = p sqrt(3) (1.65 at 95 %): EA-4/02 S9. Criterion: the root sum of squares of all
other contributions is at most 0.3 of the rectangular one (the ratio of EA-4/02 S9, from memory).
*Two of them dominate.* Then the result is trapezoidal: EA-4/02 S10, same criterion against
the root sum of squares of the two. Both rules want independent components of known width
(infinite dof); any other budget is treated as normal or t. Both are approximations: at the edge
of the criterion the stated 95 % is really about 92 % (one) or 94 % (two), by convolution.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

from calfleet.errors import BadQuantity, UncertaintyRefused
from calfleet.metrology.components import Component, Distribution
from calfleet.metrology.student import t_quantile

DOMINANCE_RATIO = 0.3
NORMAL_BASIS = "normal"
T_BASIS = "t"
RECTANGULAR_BASIS = "rectangular dominates"
TRAPEZOIDAL_BASIS = "two rectangular dominate"

Correlations = Mapping[tuple[str, str], float]


def _check_probability(p: float) -> None:
    if not 0 < p < 1:
        raise BadQuantity(
            f"A coverage probability of {p} is impossible.",
            rule="A coverage probability is a fraction above 0 and below 1.",
            next_step="Write 0.95 for 95 %.",
        )


def t_factor(nu: float, coverage_probability: float) -> float:
    """The two-sided t factor: P(abs(t) <= factor) = coverage_probability at nu degrees of freedom.

    nu above zero, whole or not; inf gives the normal factor.

    >>> round(t_factor(19, 0.95), 2), round(t_factor(math.inf, 0.95), 3)
    (2.09, 1.96)

    Raises BadQuantity outside the domains. Source: JCGM 100:2008 G.3.2, Table G.2.
    """
    _check_probability(coverage_probability)
    if not nu > 0:
        raise BadQuantity(
            f"{nu} degrees of freedom are impossible.",
            rule="Degrees of freedom are above zero.",
            next_step="Repeat the measurement, or use a pooled standard deviation.",
        )
    return t_quantile(nu, coverage_probability)


def whole_dof(nu: float) -> float:
    """Effective degrees of freedom cut to a whole number; inf stays.

    What lacks less than 0.005 of the next whole number counts as it: the published example's
    18.999 is 19, and a last bit of arithmetic decides nothing.

    >>> whole_dof(16.7519), whole_dof(18.999), whole_dof(2.96)
    (16.0, 19.0, 2.0)

    Raises UncertaintyRefused when less than one is left.
    Source: JCGM 100:2008 G.4.1 (truncate to the next lower integer); H.1.6 and G.4.1 examples.
    """
    if math.isinf(nu):
        return nu
    whole = math.floor(nu + 0.005)
    if whole < 1:
        raise UncertaintyRefused(
            f"{nu:.2f} effective degrees of freedom.",
            rule="A coverage interval from t needs at least one degree of freedom.",
            next_step="Repeat the measurement, or use a pooled standard deviation.",
        )
    return float(whole)


def coverage_factor(nu: float, coverage_probability: float = 0.95) -> float:
    """The coverage factor k = t_p(nu), nu cut to a whole number first (:func:`whole_dof`).

    >>> round(coverage_factor(16.7519, 0.99), 2)
    2.92

    Raises as :func:`t_factor` and :func:`whole_dof`.
    Source: JCGM 100:2008 G.3.4, G.4.1; the figure is H.1.6.
    """
    _check_probability(coverage_probability)
    return t_factor(whole_dof(nu) if nu > 0 else nu, coverage_probability)


@lru_cache(maxsize=1024)
def dof_from_coverage_factor(k: float, coverage_probability: float = 0.9545) -> float:
    """Degrees of freedom that a certificate's k implies when it was taken from t.

    k above zero. k at or below the normal factor (2.00 at 95.45 %) gives inf: nothing in it
    speaks of few degrees of freedom. A certificate that says "k = 2, about 95 %" means 95.45 %.

    >>> round(dof_from_coverage_factor(2.28, 0.9545)), dof_from_coverage_factor(2)
    (10, inf)

    Raises BadQuantity: k not above zero, probability outside 0..1; UncertaintyRefused when k is
    larger than t at one degree of freedom.
    Source: JCGM 100:2008 G.3.4 and EA-4/02 Annex E: k = t_p(nu), solved for nu.
    """
    if not (math.isfinite(k) and k > 0):
        raise BadQuantity(
            f"A coverage factor of {k} is impossible.",
            rule="A coverage factor is a finite number above zero.",
            next_step="Take k from the certificate.",
        )
    # 1e-5: 95.45 % is itself a rounded figure for k = 2 (95.449974 %).
    if k <= t_factor(math.inf, coverage_probability) + 1e-5:
        return math.inf
    largest = t_factor(1, coverage_probability)
    if k > largest:
        raise UncertaintyRefused(
            f"k = {k:g} belongs to less than one degree of freedom.",
            rule=f"At one degree of freedom k is {largest:.2f}.",
            next_step="Check k and its coverage probability on the certificate.",
        )
    low, high = 1.0, 2.0
    while t_factor(high, coverage_probability) > k:
        low, high = high, 2 * high
    for _ in range(60):
        middle = (low + high) / 2
        if t_factor(middle, coverage_probability) > k:
            low = middle
        else:
            high = middle
    return (low + high) / 2


def welch_satterthwaite(terms: Iterable[tuple[float, float]], u_c: float | None = None) -> float:
    """Effective degrees of freedom of independent contributions; inf when all are infinite.

    terms: (contribution abs(c_i) u_i, nu_i). u_c: the combined uncertainty, by default the root
    sum of squares of the contributions. Contributions of zero add nothing.

    >>> round(welch_satterthwaite([(0.25, 9), (0.57, 4), (0.82, 14)]), 1)
    19.0

    Raises BadQuantity for a dof not above zero, and when u_c is zero.
    Source: JCGM 100:2008 G.4.1 eq. (G.2b) and its example.
    """
    pairs = [(contribution, nu) for contribution, nu in terms if contribution != 0]
    total = math.sqrt(math.fsum(c * c for c, _ in pairs)) if u_c is None else u_c
    if any(not nu > 0 for _, nu in pairs) or not total > 0:
        raise BadQuantity(
            "Effective degrees of freedom of nothing, or of a component without any.",
            rule="Each contribution has degrees of freedom above zero.",
            next_step="Check the budget.",
        )
    # Ratios first: fourth powers of small uncertainties would underflow.
    lost = math.fsum((c / total) ** 4 / nu for c, nu in pairs)
    return math.inf if lost == 0 else 1 / lost


def trapezoidal_factor(half_width_1: float, half_width_2: float, p: float) -> float:
    """The coverage factor of the sum of two independent rectangular quantities.

    Half-widths above or equal zero, not both zero, in one unit; p the coverage probability.
    One of them zero gives the rectangular factor p sqrt(3).

    >>> round(trapezoidal_factor(25, 50, 0.95), 2), round(trapezoidal_factor(0, 1, 0.95), 2)
    (1.83, 1.65)

    Raises BadQuantity outside the domains.
    Source: EA-4/02 S10 (eq. S10.10 to S10.13), from memory; both branches recomputed from the
    area of a trapezoid.
    """
    _check_probability(p)
    total = half_width_1 + half_width_2
    if min(half_width_1, half_width_2) < 0 or not 0 < total < math.inf:
        raise BadQuantity(
            f"Half-widths {half_width_1} and {half_width_2} give no trapezoid.",
            rule="Half-widths are finite, at least zero, and not both zero.",
            next_step="Check the budget.",
        )
    beta = abs(half_width_1 - half_width_2) / total
    u = math.sqrt((1 + beta * beta) / 6)
    if beta * (2 - p) > p:  # the interval ends on the flat top
        return p * (1 + beta) / 2 / u
    return (1 - math.sqrt((1 - p) * (1 - beta * beta))) / u


@dataclass(frozen=True, slots=True)
class Budget:
    """A combined uncertainty and all it was made of.

    ``u_c`` and ``U`` = ``k`` * ``u_c`` in the unit of the result; ``nu_eff`` effective degrees of
    freedom before truncation, inf where none is lost; ``coverage_basis`` why k is what it is:
    'normal', 't', 'rectangular dominates' or 'two rectangular dominate', with the names in
    ``dominant``. ``shares``, in the order of the components, are fractions of u_c2 and sum to 1;
    with correlation a share can be negative (that influence cancels part of another).
    """

    components: tuple[Component, ...]
    correlations: tuple[tuple[str, str, float], ...]
    u_c: float
    nu_eff: float
    k: float
    U: float
    coverage_probability: float
    coverage_basis: str
    shares: tuple[float, ...]
    dominant: tuple[str, ...] = ()

    @property
    def contributions(self) -> tuple[float, ...]:
        """abs(sensitivity) * u of each component, in the order of the components."""
        return tuple(component.contribution for component in self.components)

    def to_plain(self) -> dict[str, Any]:
        """The budget as plain values for storage; infinite degrees of freedom as ``"inf"``."""
        return {
            "components": [
                {
                    "name": c.name,
                    "distribution": str(c.distribution),
                    "u": c.u,
                    "sensitivity": c.sensitivity,
                    "dof": _plain(c.dof),
                    "half_width": c.half_width,
                    "divisor": c.divisor,
                    "note": c.note,
                }
                for c in self.components
            ],
            "correlations": [list(entry) for entry in self.correlations],
            "u_c": self.u_c,
            "nu_eff": _plain(self.nu_eff),
            "k": self.k,
            "U": self.U,
            "coverage_probability": self.coverage_probability,
            "coverage_basis": self.coverage_basis,
            "shares": list(self.shares),
            "dominant": list(self.dominant),
        }

    @classmethod
    def from_plain(cls, plain: Mapping[str, Any]) -> Budget:
        """The budget stored by :meth:`to_plain`, figure for figure; nothing is recomputed."""
        return cls(
            components=tuple(
                Component(
                    name=c["name"],
                    distribution=Distribution(c["distribution"]),
                    u=c["u"],
                    sensitivity=c["sensitivity"],
                    dof=float(c["dof"]),
                    half_width=c["half_width"],
                    divisor=c["divisor"],
                    note=c["note"],
                )
                for c in plain["components"]
            ),
            correlations=tuple((a, b, r) for a, b, r in plain["correlations"]),
            u_c=plain["u_c"],
            nu_eff=float(plain["nu_eff"]),
            k=plain["k"],
            U=plain["U"],
            coverage_probability=plain["coverage_probability"],
            coverage_basis=plain["coverage_basis"],
            shares=tuple(plain["shares"]),
            dominant=tuple(plain["dominant"]),
        )


def _plain(dof: float) -> float | str:
    return "inf" if math.isinf(dof) else dof


def combine(
    components: Sequence[Component],
    *,
    coverage_probability: float = 0.95,
    correlations: Correlations | None = None,
) -> Budget:
    """The budget of a result that depends on these components.

    correlations: {(name, name): r} with r from -1 to 1; pairs not named are uncorrelated. Nothing
    but the standard library is needed.

    >>> end_gauge = combine(
    ...     [
    ...         Component("standard", Distribution.NORMAL, 25, dof=18),
    ...         Component("comparison", Distribution.NORMAL, 9.7, dof=25.6),
    ...         Component("expansion", Distribution.RECTANGULAR, 2.9, dof=50),
    ...         Component("temperature", Distribution.RECTANGULAR, 16.6, dof=2),
    ...     ],
    ...     coverage_probability=0.99,
    ... )
    >>> round(end_gauge.u_c), round(end_gauge.k, 2), end_gauge.coverage_basis
    (32, 2.92, 't')

    Raises UncertaintyRefused: no component, or none that contributes (a result without
    uncertainty cannot be stated); less than one effective degree of freedom. BadQuantity: a
    correlation of a component that is not there or is there twice, outside -1..1, given twice
    with different values, or a set of correlations that no quantities can have.
    Source: JCGM 100:2008 5.1, 5.2, G.3.4, G.4.1; the figures are H.1.
    """
    _check_probability(coverage_probability)
    parts = tuple(components)
    pairs = _index_pairs(parts, correlations or {})
    signed = [part.sensitivity * part.u for part in parts]
    # Relative to the largest, so that squares neither overflow nor vanish.
    scale = max((abs(a) for a in signed), default=0.0)
    if scale == 0:
        raise UncertaintyRefused(
            "No influence contributes to the uncertainty.",
            rule="A result is stated with the uncertainty of its influences.",
            next_step="Enter at least the gauge's calibration or accuracy and its resolution.",
        )
    a = [value / scale for value in signed]
    partner = list(a)  # sum_j r_ij a_j
    for (i, j), r in pairs.items():
        partner[i] += r * a[j]
        partner[j] += r * a[i]
    products = [own * other for own, other in zip(a, partner, strict=True)]
    variance = math.fsum(products)
    if variance <= 1e-12:
        raise UncertaintyRefused(
            "The influences cancel each other completely.",
            rule="A result is stated with the uncertainty of its influences.",
            next_step="Check the correlations; a correlation of exactly 1 is rarely justified.",
        )
    u_c = scale * math.sqrt(variance)
    shares = tuple(product / variance for product in products)
    nu_eff = _effective_dof(parts, shares, pairs)
    basis, dominant, k = _dominance(parts, a, math.sqrt(variance), pairs, coverage_probability)
    if not basis:
        basis = NORMAL_BASIS if math.isinf(nu_eff) else T_BASIS
        k = coverage_factor(nu_eff, coverage_probability)
    return Budget(
        components=parts,
        correlations=tuple((parts[i].name, parts[j].name, r) for (i, j), r in pairs.items()),
        u_c=u_c,
        nu_eff=nu_eff,
        k=k,
        U=k * u_c,
        coverage_probability=coverage_probability,
        coverage_basis=basis,
        shares=shares,
        dominant=dominant,
    )


def _bad_correlation(message: str, next_step: str) -> BadQuantity:
    return BadQuantity(
        message,
        rule="A correlation joins two different components by name, once, with r from -1 to 1.",
        next_step=next_step,
    )


def _index_pairs(
    parts: tuple[Component, ...], correlations: Correlations
) -> dict[tuple[int, int], float]:
    names: dict[str, list[int]] = {}
    for index, part in enumerate(parts):
        names.setdefault(part.name, []).append(index)
    pairs: dict[tuple[int, int], float] = {}
    for (first, second), r in correlations.items():
        for name in (first, second):
            if len(names.get(name, [])) != 1:
                count = len(names.get(name, []))
                raise _bad_correlation(
                    f"A correlation names {name!r}, of which the budget has {count}.",
                    f"Components here: {', '.join(names)}.",
                )
        i, j = sorted((names[first][0], names[second][0]))
        if i == j:
            raise _bad_correlation(
                f"A correlation of {first!r} with itself.", "Leave it out: it is always 1."
            )
        if not -1 <= r <= 1:
            raise _bad_correlation(
                f"The correlation of {first!r} and {second!r} is {r}.", "Check the coefficient."
            )
        if pairs.get((i, j), r) != r:
            raise _bad_correlation(
                f"The correlation of {first!r} and {second!r} is given twice, differently.",
                "Give each pair once.",
            )
        pairs[i, j] = float(r)
    pairs = {pair: r for pair, r in pairs.items() if r != 0}
    _check_possible(pairs, parts)
    return pairs


def _groups(pairs: Iterable[tuple[int, int]]) -> list[list[int]]:
    """Sets of components joined by correlations, each sorted."""
    group_of: dict[int, set[int]] = {}
    for i, j in pairs:
        merged = group_of.get(i, {i}) | group_of.get(j, {j})
        for member in merged:
            group_of[member] = merged
    unique = {id(group): sorted(group) for group in group_of.values()}
    return sorted(unique.values())


def _check_possible(pairs: dict[tuple[int, int], float], parts: tuple[Component, ...]) -> None:
    """Refuse correlations that no set of quantities can have (Cholesky with zero pivots)."""
    for group in _groups(pairs):
        size = len(group)
        if size == 2:
            continue
        position = {index: row for row, index in enumerate(group)}
        matrix = [[1.0 if row == column else 0.0 for column in range(size)] for row in range(size)]
        for (i, j), r in pairs.items():
            if i in position:
                matrix[position[i]][position[j]] = matrix[position[j]][position[i]] = r
        for step in range(size):
            pivot = matrix[step][step]
            column = [matrix[row][step] for row in range(step + 1, size)]
            zero_pivot = pivot < 1e-9
            if pivot < -1e-9 or (zero_pivot and any(abs(entry) > 1e-5 for entry in column)):
                names = ", ".join(repr(parts[index].name) for index in group)
                raise BadQuantity(
                    f"The correlations of {names} contradict each other.",
                    rule="A correlation matrix has no negative eigenvalue.",
                    next_step="Check the coefficients: what goes with A and B ties A to B.",
                )
            if zero_pivot:
                continue
            for row in range(step + 1, size):
                factor = matrix[row][step] / pivot
                for other in range(step + 1, size):
                    matrix[row][other] -= factor * matrix[step][other]


def _effective_dof(
    parts: tuple[Component, ...],
    shares: tuple[float, ...],
    pairs: dict[tuple[int, int], float],
) -> float:
    lost: list[float] = []  # sum of (group variance / u_c2)2 / nu
    grouped: set[int] = set()
    for group in _groups(pairs):
        grouped.update(group)
        dofs = {parts[i].dof for i in group if parts[i].u and parts[i].sensitivity}
        if len(dofs) == 1:
            lost.append(math.fsum(shares[i] for i in group) ** 2 / dofs.pop())
        else:
            lost.append(math.fsum(abs(shares[i]) / math.sqrt(parts[i].dof) for i in group) ** 2)
    lost.extend(shares[i] ** 2 / part.dof for i, part in enumerate(parts) if i not in grouped)
    total = math.fsum(lost)
    return math.inf if total == 0 else 1 / total


def _dominance(
    parts: tuple[Component, ...],
    a: list[float],
    u_c: float,
    pairs: dict[tuple[int, int], float],
    p: float,
) -> tuple[str, tuple[str, ...], float]:
    """(basis, names, k) when one or two rectangular components dominate, else ('', (), 0)."""
    joined = {index for pair in pairs for index in pair}
    order = sorted(range(len(parts)), key=lambda i: -abs(a[i]))
    eligible = [
        part.distribution is Distribution.RECTANGULAR
        and math.isinf(part.dof)
        and index not in joined
        for index, part in enumerate(parts)
    ]
    for count, basis in ((1, RECTANGULAR_BASIS), (2, TRAPEZOIDAL_BASIS)):
        leaders = order[:count]
        if len(leaders) < count or not all(eligible[i] for i in leaders):
            break
        leading = math.fsum(a[i] ** 2 for i in leaders)
        rest = max(0.0, u_c**2 - leading)
        if math.sqrt(rest) <= DOMINANCE_RATIO * math.sqrt(leading):
            widths = [abs(a[i]) for i in leaders]
            k = trapezoidal_factor(widths[0], widths[1] if count == 2 else 0.0, p)
            return basis, tuple(parts[i].name for i in leaders), k
    return "", (), 0.0
