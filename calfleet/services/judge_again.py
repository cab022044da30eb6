"""The results that rest on a gauge found bad, judged again from what is recorded."""

from __future__ import annotations

from dataclasses import replace
from datetime import date
from decimal import Decimal
from fractions import Fraction
from typing import TYPE_CHECKING

from calfleet.metrology.evaluation import Phase as EvaluatedPhase
from calfleet.metrology.switch import Cycle as SeenCycle
from calfleet.metrology.switch import Outcome
from calfleet.metrology.units import convert
from calfleet.records import Calibration, GaugeRole, Quantity, Result
from calfleet.services.event_facts import calibrations_on, uncollected
from calfleet.services.fit_gauges import CurveCache
from calfleet.services.measurands import gauge_use, method, set_point_spec
from calfleet.store.queries import shop
from calfleet.store.queries import switches as switch_queries
from calfleet.store.queries.resting import calibrations_of
from calfleet.traceability.chain import ChainFacts
from calfleet.traceability.event import FoundBad
from calfleet.traceability.facts import in_force
from calfleet.traceability.impact import Impact, Inputs, InputsOf, impact, recorded_scatter

if TYPE_CHECKING:
    from sqlalchemy.orm import Session


def judged_again(session: Session, chain: ChainFacts, event: FoundBad, today: date) -> Impact:
    """Every result that ``event`` touches, judged again with the error found.

    ``chain``: the gauges, certificates and procedures of the site; calibrations are fetched as
    columns, and whole only those that are to be judged from their readings.

    Raises: UnknownName, BadQuantity, RecordRefused.
    """
    with uncollected():
        facts = replace(
            chain, switches={(s.tag, s.revision): s for s in switch_queries.revisions(session)}
        )
        return impact(
            facts,
            event,
            columns=calibrations_on(session, chain, [event]),
            records=lambda numbers: calibrations_of(session, numbers),
            inputs=inputs_of(facts),
            areas={a.code: a.name for a in shop.areas(session)},
            asked_on=today,
        )


def inputs_of(facts: ChainFacts) -> InputsOf:
    """What gives the evaluation's inputs of a recorded result, with its budget, again."""
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
