"""A gauge in doubt: what rests on it, judged again; which gauge would hurt most; weak chains."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date
from decimal import Decimal
from fractions import Fraction
from typing import TYPE_CHECKING

from calfleet.errors import RecordRefused, UsageError
from calfleet.metrology.evaluation import Phase as EvaluatedPhase
from calfleet.metrology.switch import Cycle as SeenCycle
from calfleet.metrology.switch import Outcome
from calfleet.metrology.units import convert
from calfleet.records import Calibration, Certificate, GaugeRole, Phase, Quantity, Result
from calfleet.services.bench_facts import gather
from calfleet.services.fit_gauges import CurveCache
from calfleet.services.measurands import gauge_use, method, set_point_spec
from calfleet.services.nearest import pick
from calfleet.store.queries import calibrations as calibration_queries
from calfleet.store.queries import shop
from calfleet.store.queries import switches as switch_queries
from calfleet.traceability.chain import ChainFacts
from calfleet.traceability.exposure import Exposure, exposures
from calfleet.traceability.facts import in_force
from calfleet.traceability.impact import (
    FoundBad,
    Impact,
    Inputs,
    InputsOf,
    Kind,
    impact,
    last_known_good,
    points_found,
    recorded_scatter,
)
from calfleet.traceability.weak_chains import WeakChain, weak_chains

if TYPE_CHECKING:
    from sqlalchemy.orm import Session


@dataclass(frozen=True, slots=True)
class Doubt:
    """What was found wrong with a gauge: by an as-found certificate, or lost, or damaged."""

    gauge: str
    certificate: str | None = None
    kind: Kind = Kind.AS_FOUND
    found_on: date | None = None
    note: str = ""


def in_doubt(session: Session, doubt: Doubt, *, today: date) -> Impact:
    """Every result that rests on the gauge since it was last known good, judged again.

    With ``certificate`` the errors are its as-found lines and the day is its calibration;
    without one, the newest certificate of the gauge that has as-found lines is taken.

    Raises: UnknownName, UsageError, RecordRefused, DateRefused.
    """
    facts = site_facts(session)
    gauge = pick("gauge", doubt.gauge, facts.gauges)[0].code
    if doubt.kind is Kind.AS_FOUND:
        certificate = _as_found(facts, gauge, doubt.certificate)
        found_on, points, unit = certificate.calibrated_on, points_found(certificate), (
            certificate.unit
        )  # fmt: skip
        by = f"certificate {certificate.number} of {certificate.laboratory}"
    else:
        if doubt.certificate is not None:
            raise UsageError(
                f"{gauge} is {doubt.kind} and a certificate is named.",
                rule="As-found errors come from a certificate; a lost or damaged gauge has none.",
                next_step="Give one of the two.",
            )
        found_on, points, unit, by = doubt.found_on or today, (), "", ""
    if found_on > today:
        raise UsageError(
            f"{gauge} was found bad on {found_on}, which is after today, {today}.",
            rule="An event is told after it happened.",
            next_step="Check the date.",
        )
    event = FoundBad(
        gauge=gauge,
        found_on=found_on,
        kind=doubt.kind,
        last_good=last_known_good(facts.certificates, gauge, found_on),
        points=points,
        unit=unit,
        note=doubt.note,
        by=by,
    )
    return impact(
        facts,
        event,
        inputs=inputs_of(facts),
        areas={a.code: a.name for a in shop.areas(session)},
        asked_on=today,
    )


def _as_found(facts: ChainFacts, gauge: str, number: str | None) -> Certificate:
    own = {c.number: c for c in facts.certificates.values() if c.gauge == gauge}
    if number is not None:
        certificate = pick(f"certificate of {gauge}", number, own)
        if not certificate.points_in(Phase.AS_FOUND):
            raise RecordRefused(
                f"Certificate {certificate.number} has no as-found lines.",
                rule="The error found is what the gauge showed before adjustment.",
                next_step="Name a certificate that has them, or say --lost or --damaged.",
            )
        return certificate
    with_lines = [c for c in own.values() if c.points_in(Phase.AS_FOUND)]
    if not with_lines:
        raise RecordRefused(
            f"{gauge} has no certificate with as-found lines.",
            rule="The error found is what the gauge showed before adjustment.",
            next_step="Enter the certificate first, or say --lost or --damaged.",
        )
    return max(with_lines, key=lambda c: (c.calibrated_on, c.number))


def exposed(session: Session, *, on: date) -> tuple[Exposure, ...]:
    """For every gauge, the current results that rest on it on ``on``; most hurtful first."""
    return exposures(site_facts(session), on)


def weak(session: Session) -> Iterator[WeakChain]:
    """Every calibration whose chain is broken or weak, oldest first."""
    yield from weak_chains(site_facts(session))


def site_facts(session: Session) -> ChainFacts:
    """All facts of the site that chains are made of."""
    bench = gather(session)
    return ChainFacts(
        calibrations={c.number: c for c in calibration_queries.all_calibrations(session)},
        switches={(s.tag, s.revision): s for s in switch_queries.revisions(session)},
        procedures=bench.procedures,
        people=bench.people,
        gauges=bench.gauges,
        certificates=bench.certificates,
        laboratories=shop.laboratories(session),
        valid_until={c.number: bench.valid_until(c) for c in bench.certificates.values()},
    )


def inputs_of(facts: ChainFacts) -> InputsOf:
    """What gives the evaluation's inputs of a recorded result again."""
    cache = CurveCache()

    def give(calibration: Calibration, result: Result) -> Inputs | None:
        bench = calibration.bench
        switch = facts.switches[bench.tag, calibration.switch_revision]
        point = next(p for p in switch.set_points if p.label == result.set_point)
        procedure = next(
            p for p in facts.procedures[bench.procedure] if p.revision == bench.procedure_revision
        )
        uses = {}
        for used in bench.gauges:
            gauge = in_force(facts.gauges[used.gauge], bench.performed_on)
            if gauge is None:
                return None
            use = gauge_use(
                gauge,
                facts.certificates[used.certificate],
                bench.performed_on,
                float(bench.temperature_c),
                cache.curves.get(used.certificate),
            )
            cache.curves.setdefault(used.certificate, use.curve)
            uses[used.role] = use
        operating = uses[GaugeRole.OPERATING]
        static = uses.get(GaugeRole.STATIC)
        air = None
        if switch.quantity is not Quantity.TEMPERATURE and bench.barometric is not None:
            air = convert(bench.barometric, bench.barometric_unit or "", switch.unit)
        return Inputs(
            spec=set_point_spec(switch, point),
            cycles=tuple(
                SeenCycle(
                    c.run, _exact(c.trip), _exact(c.reset), _exact(c.static), Outcome(c.outcome)
                )
                for c in bench.cycles
                if c.set_point == result.set_point and c.phase is result.phase
            ),
            operating=operating,
            static=None if static == operating else static,
            method=method(procedure, switch, bench),
            phase=EvaluatedPhase(result.phase.value),
            pooled=recorded_scatter(result),
            barometric=air,
        )

    return give


def _exact(value: Decimal | None) -> Fraction | None:
    return None if value is None else Fraction(value)
