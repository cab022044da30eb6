"""Tracing a result, or a certificate, to the standards behind it."""

from __future__ import annotations

from typing import TYPE_CHECKING

from calfleet.services.bench_facts import gather
from calfleet.services.find_calibration import find_calibration
from calfleet.store.queries import calibrations as queries
from calfleet.store.queries import shop
from calfleet.store.queries import switches as switch_queries
from calfleet.traceability.chain import Chain, ChainFacts, trace_certificate, trace_result

if TYPE_CHECKING:
    from sqlalchemy.orm import Session


def trace(session: Session, name: str) -> Chain:
    """The chain from the result (or the certificate) called ``name`` to its standards.

    Raises: UnknownName.
    """
    bench = gather(session)
    valid_until = {c.number: bench.valid_until(c) for c in bench.certificates.values()}
    laboratories = shop.laboratories(session)
    if name in bench.certificates:
        facts = ChainFacts(
            calibrations={},
            switches={},
            procedures=bench.procedures,
            people=bench.people,
            gauges=bench.gauges,
            certificates=bench.certificates,
            laboratories=laboratories,
            valid_until=valid_until,
        )
        return trace_certificate(facts, name)
    found = find_calibration(session, name)
    shown = {found.number: found}
    for other in (found.bench.replaces, found.replaced_by):
        if other is not None:
            corrected = queries.calibration(session, other)
            if corrected is not None:
                shown[other] = corrected
    facts = ChainFacts(
        calibrations=shown,
        switches={
            (s.tag, s.revision): s for s in switch_queries.revisions(session, found.bench.tag)
        },
        procedures=bench.procedures,
        people=bench.people,
        gauges=bench.gauges,
        certificates=bench.certificates,
        laboratories=laboratories,
        valid_until=valid_until,
    )
    return trace_result(facts, found.number)
