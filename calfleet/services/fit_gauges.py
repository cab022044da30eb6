"""Which reference gauge will do for a switch on a day, and why another will not.

A gauge will do when, on that day, it is in service, its certificate is valid, it reads what the
switch responds to, static pressure plus full range fits inside its range, its cleanliness suits
the medium, and the expected test uncertainty ratio reaches what the procedure requires.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field, replace
from datetime import date
from decimal import Decimal
from fractions import Fraction
from typing import TYPE_CHECKING

from calfleet.errors import CalfleetError, UnknownName
from calfleet.metrology.budget import whole_dof
from calfleet.metrology.certificate import CertificateCurve
from calfleet.metrology.conformity import acceptance, tur
from calfleet.metrology.evaluation import (
    GaugeUse,
    Method,
    PlannedFigures,
    planned_figures,
)
from calfleet.metrology.rounding import cut_ratio
from calfleet.metrology.switch import SetPointSpec
from calfleet.metrology.units import (
    Dimension,
    PressureMode,
    convert,
    convert_difference,
    convert_mode,
    find_unit,
)
from calfleet.records import (
    Certificate,
    Gauge,
    GaugeAbsence,
    GaugeReadiness,
    GaugeStatus,
    Hazard,
    ProcedureRevision,
    Switch,
)
from calfleet.services.bench_facts import BenchFacts, in_force
from calfleet.services.measurands import (
    gauge_use,
    method,
    pooled_for,
    set_point_spec,
)
from calfleet.services.once import Once
from calfleet.services.plan_facts import absence_on
from calfleet.traceability.curves import certificate_curve

if TYPE_CHECKING:
    from calfleet.store.queries.doubts import FoundUnfit


@dataclass(frozen=True, slots=True)
class GaugeOption:
    """One gauge judged for one switch; ``reasons`` is empty exactly when it is usable.

    ``tur`` and ``expanded_uncertainty`` (switch's unit) are expected values at the set point where
    the gauge does worst; ``None`` where they were not reached or, for ``tur``, not defined.
    """

    gauge: Gauge
    certificate: str | None
    valid_until: date | None
    tur: float | None
    expanded_uncertainty: float | None
    reasons: tuple[str, ...]
    expected_too_poor: tuple[str, ...] = ()
    """Those of the reasons that rest on the expected ratio, which readings can still refute."""
    dated: tuple[str, ...] = ()
    """Those of the reasons that only the day makes: away, at the laboratory, overdue."""
    back_on: date | None = None
    """The return still to come on which its use rests that day, if any."""

    @property
    def usable(self) -> bool:
        return not self.reasons

    @property
    def only_a_date(self) -> bool:
        """Whether it is usable on some day, whatever it is on this one."""
        return set(self.reasons) <= set(self.dated)


@dataclass(frozen=True, slots=True)
class Readiness:
    """The first gauge that will do, or why none will: every one that came close, nearest first."""

    option: GaugeOption | None
    close: tuple[GaugeOption, ...] = ()
    fault: str = ""

    def view(self) -> GaugeReadiness:
        found = self.option
        nothing = self.fault or "no gauge of this kind and range"
        said = [f"{o.gauge.code} {', '.join(o.reasons)}" for o in self.close]
        nearest = [f"{o.gauge.code} {o.reasons[0]}" for o in self.close]
        return GaugeReadiness(
            ready=found is not None,
            gauge=None if found is None else found.gauge.code,
            tur=None if found is None else found.tur,
            reason="" if found else "; ".join(said) or nothing,
            short="" if found else (nearest or [nothing])[0],
            back_on=None if found is None else found.back_on,
        )


@dataclass(frozen=True)
class _Job:
    """What every gauge is judged against."""

    switch: Switch
    procedure: ProcedureRevision
    specs: tuple[SetPointSpec, ...]
    method: Method
    pooled: tuple[float, float] | None
    static: Fraction
    on: date


@dataclass
class CurveCache:
    """Certificate curves built once, however many switches ask."""

    curves: dict[str, CertificateCurve] = field(default_factory=dict)
    uses: dict[tuple[str, date], GaugeUse] = field(default_factory=dict)
    once: Once = field(default_factory=Once)

    def use(self, gauge: Gauge, certificate: Certificate, on: date) -> GaugeUse:
        key = (certificate.number, on)
        if key not in self.uses:
            curve = self.curves.get(certificate.number)
            if curve is None:
                curve = self.curves[certificate.number] = certificate_curve(certificate)
            self.uses[key] = gauge_use(gauge, certificate, on, None, curve)
        return self.uses[key]


def fit_gauges(
    switch: Switch,
    facts: BenchFacts,
    on: date,
    *,
    static: Decimal | None = None,
    cache: CurveCache | None = None,
) -> list[GaugeOption]:
    """Every gauge known on ``on`` judged for ``switch``; usable first, in order of choice.

    Order of choice: the tier furthest from the national standard first (the better standards are
    kept for calibrating gauges), then the larger ratio, then the code. Of the others those that a
    day or a certificate may change come first, the fewest reasons first. ``static`` is in the
    switch's line unit; ``None`` takes the nominal one.
    """
    job = _job(switch, facts, on, static)
    cache = cache or CurveCache()
    options = [_judge(gauge, job, facts, cache) for gauge in _known(facts, on)]
    return sorted(
        options,
        key=lambda o: (
            not o.usable,
            _never_fits(o),
            -o.gauge.tier if o.usable else len(o.reasons),
            -(o.tur or 0.0),
            o.gauge.code,
        ),
    )


def ready_gauge(
    switch: Switch,
    facts: BenchFacts,
    on: date,
    cache: CurveCache | None = None,
    *,
    needs_static: bool = False,
) -> Readiness:
    """The gauge of first choice for ``switch`` on ``on``, or why there is none.

    Judges no more gauges than it needs: gauges in order of choice until a tier has one that will
    do. The reason names the gauges that came closest. ``needs_static``: a second gauge must be
    there for the static pressure.
    """
    try:
        job = _job(switch, facts, on, None)
    except CalfleetError as error:
        return Readiness(None, fault=error.message)
    cache = cache or CurveCache()
    statics = _statics_there(job, facts) if needs_static else None
    refused: list[GaugeOption] = []
    best: GaugeOption | None = None
    for gauge in sorted(_known(facts, on), key=lambda g: (-g.tier, g.code)):
        if best is not None and gauge.tier < best.gauge.tier:
            break
        option = _with_second(_judge(gauge, job, facts, cache), statics)
        if not option.usable:
            refused.append(option)
        elif best is None or (option.tur or 0.0) > (best.tur or 0.0):
            best = option
    if best is not None:
        return Readiness(best)
    return Readiness(None, _close(refused))


def static_gauges(switch: Switch, facts: BenchFacts, on: date) -> tuple[str, ...]:
    """Gauges that can read the static pressure of ``switch`` by their range, by code."""
    if not switch.static_nominal or switch.line_unit is None:
        return ()
    found = []
    for gauge in _known(facts, on):
        if gauge.mode is not PressureMode.GAUGE:
            continue
        line = convert_difference(switch.static_nominal, switch.line_unit, gauge.unit)
        if gauge.range_low <= line <= gauge.range_high:
            found.append(gauge.code)
    return tuple(sorted(found))


def _statics_there(job: _Job, facts: BenchFacts) -> tuple[set[str], list[str]] | None:
    """Gauges for the static pressure that are at hand, and why others are not.

    ``None``: there is no static pressure that one of the gauges could read.
    """
    there: set[str] = set()
    reasons = []
    for code in static_gauges(job.switch, facts, job.on):
        gauge = in_force(facts.gauges[code], job.on)
        certificate = facts.certificate_on(code, job.on)
        until = None if certificate is None else facts.valid_until(certificate)
        if gauge is None:
            continue
        dated, _ = _dated(gauge, certificate, until, job, facts)
        if dated:
            reasons.append(f"{code} {dated[0]}")
        else:
            there.add(code)
    return (there, reasons) if there or reasons else None


def _with_second(option: GaugeOption, statics: tuple[set[str], list[str]] | None) -> GaugeOption:
    """``option``, not usable where nothing beside it can read the static pressure."""
    if statics is None or not option.usable or statics[0] - {option.gauge.code}:
        return option
    why = f" ({', '.join(statics[1])})" if statics[1] else ""
    reason = f"has no second gauge beside it for the static pressure{why}"
    return replace(option, reasons=(reason,), dated=(reason,))


def judge_gauge(
    code: str,
    switch: Switch,
    facts: BenchFacts,
    on: date,
    static: Decimal | None,
    *,
    expected: bool = True,
    cache: CurveCache | None = None,
) -> GaugeOption:
    """That one gauge judged for ``switch`` on ``on``; the gauge must be known on that day.

    Without ``expected`` the ratio to expect is left out, and what rests on it: of a calibration
    that was done the ratio is known.
    """
    gauge = in_force(facts.gauges[code], on)
    if gauge is None:
        raise UnknownName("gauge in force on that day", code)
    cache = cache or CurveCache()
    return _judge(gauge, _job(switch, facts, on, static, cache), facts, cache, expected=expected)


def _job(
    switch: Switch,
    facts: BenchFacts,
    on: date,
    static: Decimal | None,
    cache: CurveCache | None = None,
) -> _Job:
    revisions = facts.procedures.get(switch.procedure, ())
    procedure = in_force(revisions, on) or revisions[-1]
    once = Once() if cache is None else cache.once
    return _Job(
        switch=switch,
        procedure=procedure,
        specs=once.of(
            "specs", lambda: tuple(set_point_spec(switch, p) for p in switch.set_points), switch
        ),
        method=once.of("method", lambda: method(procedure, switch), procedure, switch),
        pooled=pooled_for(switch, facts.repeatability),
        static=Fraction(switch.static_nominal if static is None else static),
        on=on,
    )


def _known(facts: BenchFacts, on: date) -> Iterator[Gauge]:
    for revisions in facts.gauges.values():
        gauge = in_force(revisions, on)
        if gauge is not None:
            yield gauge


def _judge(
    gauge: Gauge, job: _Job, facts: BenchFacts, cache: CurveCache, *, expected: bool = True
) -> GaugeOption:
    certificate = facts.certificate_on(gauge.code, job.on)
    until = None if certificate is None else facts.valid_until(certificate)
    dated, back_on = _dated(gauge, certificate, until, job, facts)
    reasons = [
        *cache.once.of("unsuited", lambda: tuple(_unsuited(gauge, job)), gauge, job.switch),
        *dated,
        *_found_bad(facts.found_unfit(gauge.code, job.on, certificate)),
    ]
    if certificate is None or any("reads" in r or "unit" in r for r in reasons):
        return GaugeOption(
            gauge, _number(certificate), until, None, None, tuple(reasons), (), dated, back_on
        )
    out_of_range = cache.once.of(
        ("range", job.static), lambda: tuple(_out_of_range(gauge, job)), gauge, job.switch
    )
    reasons += out_of_range
    ratio, uncertainty = None, None
    poor: list[str] = []
    if expected and not out_of_range:
        ratio, uncertainty, poor = _good_enough(cache.use(gauge, certificate, job.on), gauge, job)
        reasons += poor
    return GaugeOption(
        gauge, certificate.number, until, ratio, uncertainty, tuple(reasons), tuple(poor), dated,
        back_on,
    )  # fmt: skip


def _dated(
    gauge: Gauge, certificate: Certificate | None, until: date | None, job: _Job, facts: BenchFacts
) -> tuple[tuple[str, ...], date | None]:
    """Why the gauge is not at hand on the day, and the return on which its use rests.

    Today and on past days the records tell it, on coming days the outlook, where there is one.
    """
    outlook = facts.outlook
    if outlook is None or job.on <= outlook.as_of:
        return tuple(_not_at_hand(gauge, certificate, until, job, facts.absences)), None
    reason = outlook.why_not(gauge.code, job.on)
    if reason is not None:
        return (reason,), None
    return (), outlook.back_on(gauge.code, job.on)


def _number(certificate: Certificate | None) -> str | None:
    return None if certificate is None else certificate.number


def _unsuited(gauge: Gauge, job: _Job) -> Iterator[str]:
    """Reasons that no calendar will change."""
    switch = job.switch
    if gauge.mode not in switch.quantity.gauge_modes:
        reads = gauge.mode or "temperature"
        yield f"reads {reads} pressure" if gauge.mode else f"reads {reads}"
        return
    if find_unit(gauge.unit).dimension is not find_unit(switch.unit).dimension:
        yield f"its unit {gauge.unit} is of another kind"
        return
    if Hazard.OXYGEN in switch.hazards and not gauge.oxygen_clean:
        yield "not oxygen-clean"
    if gauge.oxygen_clean and Hazard.OXYGEN not in switch.hazards:
        yield "kept oxygen-clean for oxygen service only"


def _not_at_hand(
    gauge: Gauge,
    certificate: Certificate | None,
    until: date | None,
    job: _Job,
    absences: Iterable[GaugeAbsence],
) -> Iterator[str]:
    away = absence_on(absences, gauge.code, job.on)
    if away is not None:
        yield f"away {away.first_on} to {away.last_on}: {away.reason}"
    elif gauge.status is not GaugeStatus.IN_SERVICE:
        yield f"{gauge.status} since {gauge.effective_on}"
    if certificate is None:
        yield f"no certificate on {job.on}"
    elif until is not None and until < job.on:
        yield f"overdue since {until} (certificate {certificate.number})"


def _found_bad(event: FoundUnfit | None) -> Iterator[str]:
    if event is not None:
        yield f"found bad on {event.found_on} ({event.kind}, {event.event}), not calibrated since"


def _out_of_range(gauge: Gauge, job: _Job) -> list[str]:
    """Static plus full range must fit inside the gauge's range."""
    low, high = Fraction(gauge.range_low), Fraction(gauge.range_high)
    static = Fraction(0)
    reasons = []
    if job.static and job.switch.line_unit is not None:
        if gauge.mode is not PressureMode.DIFFERENTIAL:
            static = convert_difference(job.static, job.switch.line_unit, gauge.unit)
        elif gauge.static_limit is None:
            reasons.append("no static rating recorded for this differential gauge")
        else:
            line = convert_difference(job.static, job.switch.line_unit, gauge.unit)
            if line > gauge.static_limit:
                reasons.append(
                    f"stands static {gauge.static_limit} {gauge.unit}, the job needs "
                    f"{_short(line)} {gauge.unit}"
                )
    for spec in job.specs:
        bottom, top = sorted(static + _on_gauge(end, spec, gauge) for end in _ends(spec))
        if top > high or bottom < low:
            with_static = " with its static pressure" if static else ""
            reasons.append(
                f"range {gauge.range_low} to {gauge.range_high} {gauge.unit} does not hold the "
                f"switch's full range{with_static}, {_short(bottom)} to {_short(top)} {gauge.unit}"
            )
            break
    return reasons


STANDARD_ATMOSPHERE_PA = Fraction(101_325)
"""Stands in for the barometric pressure of the day while a job is only planned."""


def _ends(spec: SetPointSpec) -> tuple[Fraction, Fraction]:
    return spec.bottom, spec.top


def _on_gauge(value: Fraction, spec: SetPointSpec, gauge: Gauge) -> Fraction:
    """What ``gauge`` would read where the switch sees ``value``."""
    target = gauge.mode
    if spec.mode in (None, PressureMode.DIFFERENTIAL) or target is None or target is spec.mode:
        return convert(value, spec.unit, gauge.unit)
    seen = convert_mode(value, spec.unit, spec.mode, target, planning_atmosphere(spec))
    return convert(seen, spec.unit, gauge.unit)


def planning_atmosphere(spec: SetPointSpec) -> Fraction | None:
    """The standard atmosphere in the set point's unit; ``None`` for a temperature."""
    if find_unit(spec.unit).dimension is Dimension.TEMPERATURE:
        return None
    return convert(STANDARD_ATMOSPHERE_PA, "Pa", spec.unit)


def _good_enough(
    use: GaugeUse, gauge: Gauge, job: _Job
) -> tuple[float | None, float | None, list[str]]:
    """The worst expected ratio over the set points, its U, and why it is not enough."""
    worst_ratio: float | None = None
    worst_U: float | None = None
    reasons: list[str] = []
    required = float(job.procedure.required_tur)
    static = None
    if job.static and job.switch.line_unit is not None:
        static = convert_difference(job.static, job.switch.line_unit, gauge.unit)
    for spec in job.specs:
        try:
            expected = _expected(spec, static, use, job)
        except CalfleetError as error:
            return worst_ratio, worst_U, [error.message.rstrip(".")]
        lower, upper = spec.limits()
        U = expected.U
        ratio = tur(lower, upper, expected.U95)
        if ratio is None:
            zone = acceptance(
                lower, upper, U=U, u=expected.u_c, rule=job.method.decision_rule,
                dof=whole_dof(expected.nu_eff), U95=expected.U95,
            )  # fmt: skip
            inside = (zone.lower is None or spec.set_point >= zone.lower) and (
                zone.upper is None or spec.set_point <= zone.upper
            )
            worst_U = U if worst_U is None else max(worst_U, U)
            if not inside:
                reasons.append("too uncertain: the guard band leaves the set point outside")
        elif worst_ratio is None or ratio < worst_ratio:
            worst_ratio, worst_U = ratio, U
    if worst_ratio is not None and worst_ratio < required:
        reasons.append(
            f"not good enough: TUR {cut_ratio(worst_ratio, 2)}:1, {job.procedure.name} requires "
            f"{job.procedure.required_tur}:1"
        )
    return worst_ratio, worst_U, reasons


def _expected(
    spec: SetPointSpec, static: Fraction | None, use: GaugeUse, job: _Job
) -> PlannedFigures:
    if {spec.mode, use.spec.mode} == {PressureMode.ABSOLUTE, PressureMode.GAUGE}:
        return planned_figures(
            spec, static, use, None, job.method, job.pooled, barometric=planning_atmosphere(spec)
        )
    return planned_figures(spec, static, use, None, job.method, job.pooled)


def _short(value: Fraction) -> str:
    return f"{float(value):.6g}"


UNSUITED = (
    "reads", "its unit", "range", "stands", "kept", "not oxygen-clean", "no static rating",
)  # fmt: skip


def _never_fits(option: GaugeOption) -> bool:
    """Whether it fails for something that no day and no certificate will change."""
    return any(reason.startswith(UNSUITED) for reason in option.reasons)


def _close(refused: list[GaugeOption]) -> tuple[GaugeOption, ...]:
    """Up to three gauges that fail for the fewest reasons, and for none that nothing can change."""
    suited = [o for o in refused if not _never_fits(o)]
    suited.sort(key=lambda o: (len(o.reasons), -(o.tur or 0.0), o.gauge.code))
    return tuple(suited[:3])
