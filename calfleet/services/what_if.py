"""What each gauge would make possible for a set point, and what a better one would buy."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from fractions import Fraction
from typing import TYPE_CHECKING

from calfleet.errors import BadQuantity, CalfleetError, RiskInfeasible
from calfleet.metrology.certificate import CertificateCurve, CertificatePoint
from calfleet.metrology.conformity import (
    Reliability,
    global_risk,
    sigma_from_reliability,
    tar,
)
from calfleet.metrology.evaluation import GaugeSpec, GaugeUse, Method, outlook
from calfleet.metrology.switch import SetPointSpec
from calfleet.metrology.units import convert_difference
from calfleet.records import Gauge, SetPoint, Switch
from calfleet.services.bench_facts import gather_for_planning
from calfleet.services.choose_procedure import procedure_revision
from calfleet.services.fit_gauges import CurveCache, GaugeOption, fit_gauges, planning_atmosphere
from calfleet.services.measurands import method, pooled_for, set_point_spec
from calfleet.services.nearest import pick
from calfleet.store.queries import switches as switch_queries
from calfleet.store.queries.reliability import FoundInTolerance, found_in_tolerance

if TYPE_CHECKING:
    from sqlalchemy.orm import Session


@dataclass(frozen=True, slots=True)
class Prospect:
    """One gauge, or a supposed one, and what it would reach; figures in the switch's unit.

    ``None`` where a figure cannot be formed; ``note`` then says why. ``pfa``/``pfr``: global
    probabilities of accepting a switch that is out, of rejecting one that is in. ``enough``:
    whether the ratio reaches what the procedure requires. ``obstacles``: what keeps the gauge
    from use on that day, apart from its ratio.
    """

    name: str
    description: str
    certificate: str | None
    expanded_uncertainty: float | None = None
    coverage_factor: float | None = None
    tur: float | None = None
    tur_text: str = ""
    tar: float | None = None
    lower_acceptance: float | None = None
    upper_acceptance: float | None = None
    pfa: float | None = None
    pfr: float | None = None
    enough: bool = False
    obstacles: tuple[str, ...] = ()
    note: str = ""


@dataclass(frozen=True, slots=True)
class WhatIf:
    """The prospects of one set point, most certain first, and what the risks are based on."""

    switch: Switch
    point: SetPoint
    on: date
    lower: float | None
    upper: float | None
    procedure: str
    rule: str
    required_tur: float
    risk_basis: str
    prospects: tuple[Prospect, ...]


def what_if(
    session: Session,
    tag: str,
    *,
    on: date,
    set_point: str | None = None,
    supposed: Sequence[Fraction] = (),
    reliability: float | None = None,
) -> WhatIf:
    """What every gauge that reads the quantity would reach for a set point of ``tag`` on ``on``.

    ``set_point``: its label; ``None`` takes the first. ``supposed``: expanded uncertainties
    (k = 2, switch's unit, above zero) of gauges that one might buy. ``reliability``: the family's
    in-tolerance probability as a *true* one; ``None`` takes the site's own *observed* one.

    Raises: UnknownName, ProcedureRefused, BadQuantity.
    """
    facts = gather_for_planning(session)
    switch = pick("switch", tag, {s.tag: s for s in switch_queries.in_force(session, on)})
    points = {p.label: p for p in switch.set_points}
    point = switch.set_points[0] if set_point is None else pick("set point", set_point, points)
    procedure = procedure_revision(facts.procedures, switch.procedure, None, on)
    spec = set_point_spec(switch, point)
    history = found_in_tolerance(session, on).get(switch.family, FoundInTolerance())
    sigma, basis = _family(spec, switch.family, history, reliability)
    job = _Job(
        spec,
        method(procedure, switch),
        pooled_for(switch, dict(facts.repeatability)),
        float(procedure.required_tur),
        sigma,
    )
    cache = CurveCache()
    prospects: list[Prospect] = []
    for option in fit_gauges(switch, facts, on, cache=cache):
        if any(r.startswith(("reads", "its unit")) for r in option.reasons):
            continue
        certificate = facts.certificate_on(option.gauge.code, on)
        if certificate is None:
            prospects.append(_named(option, note="no certificate on that day"))
            continue
        use = cache.use(option.gauge, certificate, on)
        prospects.append(job.prospect(option, use, _static_on(switch, option.gauge)))
    prospects += [job.supposed(U) for U in supposed]
    prospects.sort(
        key=lambda p: (p.expanded_uncertainty is None, p.expanded_uncertainty or 0.0, p.name)
    )
    lower, upper = spec.limits()
    return WhatIf(
        switch=switch,
        point=point,
        on=on,
        lower=_double(lower),
        upper=_double(upper),
        procedure=procedure.name,
        rule=procedure.decision_rule,
        required_tur=job.required,
        risk_basis=basis,
        prospects=tuple(prospects),
    )


def _family(
    spec: SetPointSpec, family: str, history: FoundInTolerance, stated: float | None
) -> tuple[float | None, str]:
    """Standard deviation of the family's true errors about the set point, and its basis.

    From history the probability is (x + 1/2)/(n + 1), the mean of the Jeffreys posterior: no
    failures yet does not make failures impossible. It was observed with an uncertainty, whose
    share is taken out again. ``None`` with the reason where there is no such family.
    """
    lower, upper = (None if x is None else float(x - spec.set_point) for x in spec.limits())
    if stated is not None:
        basis = f"true in-tolerance probability {stated:g}, as stated"
        kind, probability, u = Reliability.TRUE, stated, None
    elif history.tested == 0:
        return None, (
            f"no as-found results of family '{family}' yet: no risk can be stated; state an "
            "in-tolerance probability"
        )
    else:
        probability = (history.inside + 0.5) / (history.tested + 1)
        basis = (
            f"in-tolerance probability {probability:.3f} of family '{family}' from this site's "
            f"history ({history.inside} of {history.tested} as-found results inside; "
            "(x + 1/2)/(n + 1), the Jeffreys mean"
            + (f", {history.left_out} without judged readings left out" if history.left_out else "")
        )
        two_sided = lower is not None and upper is not None
        if two_sided and history.u_ratio is not None and lower is not None and upper is not None:
            kind, u = Reliability.OBSERVED, history.u_ratio * (upper - lower) / 2
            basis += "), observed: the uncertainty of those results is taken out"
        else:
            kind, u = Reliability.TRUE, None
            basis += "), taken as true"
    try:
        return float(sigma_from_reliability(probability, lower, upper, kind=kind, u=u)), basis
    except RiskInfeasible as error:
        return None, f"{basis}; no risk can be stated: {error.message}"


@dataclass(frozen=True)
class _Job:
    """What every prospect is computed for."""

    spec: SetPointSpec
    method: Method
    pooled: tuple[float, float] | None
    required: float
    sigma: float | None

    def prospect(self, option: GaugeOption, use: GaugeUse, static: Fraction | None) -> Prospect:
        obstacles = tuple(r for r in option.reasons if r not in option.expected_too_poor)
        named = _named(option, obstacles=obstacles)
        try:
            return self._reached(named, use, static)
        except CalfleetError as error:
            return _named(option, obstacles=obstacles, note=error.message)

    def supposed(self, U: Fraction) -> Prospect:
        """A gauge bought for this job: reads the value itself, U with k = 2, drift inside U."""
        if U <= 0:
            raise BadQuantity(
                f"A supposed expanded uncertainty of {float(U):g} {self.spec.unit}.",
                rule="An expanded uncertainty is above zero.",
                next_step="Give the U that a maker or laboratory offers, in the switch's unit.",
            )
        low, high = self.spec.bottom, self.spec.top
        curve = CertificateCurve(
            tuple(CertificatePoint(x, x, float(U), 2.0, None) for x in (low, high)), self.spec.unit
        )
        gauge = GaugeSpec(self.spec.unit, low, high, resolution=U / 1000, mode=self.spec.mode)
        named = Prospect(
            f"supposed, U {float(U):g} {self.spec.unit}", "a gauge bought for it, k = 2", None
        )
        return self._reached(named, GaugeUse(gauge, curve), None)

    def _reached(self, named: Prospect, use: GaugeUse, static: Fraction | None) -> Prospect:
        spec = self.spec
        seen = outlook(
            spec, static, use, None, self.method, self.pooled,
            barometric=planning_atmosphere(spec),
        )  # fmt: skip
        budget, zone, ratio = seen.budget, seen.zone, seen.tur
        lower, upper = spec.limits()
        pfa = pfr = None
        if self.sigma is not None:
            low, high, accept_low, accept_high = (
                None if x is None else float(x - spec.set_point)
                for x in (lower, upper, zone.lower, zone.upper)
            )
            risk = global_risk(
                low, high, sigma_x=self.sigma, u=budget.u_c,
                accept_lower=accept_low, accept_upper=accept_high,
            )  # fmt: skip
            pfa, pfr = float(risk.pfa), float(risk.pfr)
        scale = abs(float(convert_difference(1, use.spec.unit, spec.unit)))
        at = convert_difference(spec.set_point, spec.unit, use.spec.unit)
        error = float(use.spec.permissible_error(at)) * scale
        nothing = zone.lower is not None and zone.upper is not None and zone.lower > zone.upper
        return Prospect(
            name=named.name,
            description=named.description,
            certificate=named.certificate,
            expanded_uncertainty=budget.U,
            coverage_factor=budget.k,
            tur=ratio,
            tur_text=seen.tur_text,
            tar=tar(lower, upper, error) if error > 0 else None,
            lower_acceptance=None if nothing else _double(zone.lower),
            upper_acceptance=None if nothing else _double(zone.upper),
            pfa=pfa,
            pfr=pfr,
            enough=ratio is None or ratio >= self.required,
            obstacles=named.obstacles,
            note="the guard bands meet: nothing would be accepted" if nothing else named.note,
        )


def _named(option: GaugeOption, *, obstacles: tuple[str, ...] = (), note: str = "") -> Prospect:
    return Prospect(
        name=option.gauge.code,
        description=option.gauge.description,
        certificate=option.certificate,
        obstacles=obstacles or (option.reasons if note else ()),
        note=note,
    )


def _static_on(switch: Switch, gauge: Gauge) -> Fraction | None:
    if not switch.static_nominal or switch.line_unit is None:
        return None
    return convert_difference(Fraction(switch.static_nominal), switch.line_unit, gauge.unit)


def _double(value: Fraction | None) -> float | None:
    return None if value is None else float(value)
