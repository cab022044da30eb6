"""Tracing a result, a gauge's reading on a day, or a certificate to the standards behind it."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import replace
from datetime import date
from enum import StrEnum
from typing import TYPE_CHECKING

from calfleet.errors import UnknownName, UsageError
from calfleet.services.bench_facts import BenchFacts, gather
from calfleet.services.events_about import touching
from calfleet.services.find_calibration import find_calibration
from calfleet.services.nearest import nearest_names
from calfleet.store.queries import calibrations as queries
from calfleet.store.queries import shop
from calfleet.store.queries import switches as switch_queries
from calfleet.traceability.chain import (
    Chain,
    ChainFacts,
    Reason,
    trace_certificate,
    trace_reading,
    trace_result,
)
from calfleet.traceability.links import weak

if TYPE_CHECKING:
    from sqlalchemy.orm import Session


class Traced(StrEnum):
    """What a name can stand for: a calibration by its number or tag, a gauge, a certificate."""

    RESULT = "result"
    GAUGE = "gauge"
    CERTIFICATE = "certificate"


def trace(
    session: Session,
    name: str,
    *,
    kind: Traced | None = None,
    on: date | None = None,
    today: date | None = None,
) -> Chain:
    """The chain from the result, gauge or certificate called ``name`` to its standards.

    ``kind`` decides where a name stands for several. A gauge is traced from a reading on the day
    ``on``, else ``today``; ``on`` goes with a gauge only.

    Raises: UnknownName, UsageError for a name of several things, or a day that does not fit.
    """
    bench = gather(session)
    found = dict(_meant(session, bench, name))
    if kind is not None:
        found = {k: v for k, v in found.items() if k is kind}
    if not found:
        raise _unknown(session, bench, name, kind)
    if len(found) > 1:
        raise UsageError(
            f"{name.strip()} is the name of {' and of '.join(f'a {k}' for k in found)}.",
            rule="One thing is traced.",
            next_step=f"Say which with --kind: {', '.join(found)}.",
        )
    ((what, known),) = found.items()
    if on is not None and what is not Traced.GAUGE:
        raise UsageError(
            f"{known} is a {what}, and a day is given.",
            rule="A result and a certificate are traced as of their own days; a day goes with a "
            "gauge.",
            next_step="Leave --on out, or name the gauge.",
        )
    if what is Traced.CERTIFICATE:
        return trace_certificate(_facts(session, bench), known)
    if what is Traced.GAUGE:
        return _of_reading(session, bench, known, on, today)
    return _of_result(session, bench, known)


def _meant(session: Session, bench: BenchFacts, name: str) -> Iterator[tuple[Traced, str]]:
    """What the name can stand for, each with the name as it is recorded."""
    wanted = name.strip().casefold()
    calibrations = (name.strip(), name.strip().upper())
    number = next((n for n in calibrations if queries.number_exists(session, n)), None)
    tag = _same(wanted, switch_queries.tags(session))
    if number is not None or tag is not None:
        yield Traced.RESULT, number or tag or ""
    for kind, known in ((Traced.GAUGE, bench.gauges), (Traced.CERTIFICATE, bench.certificates)):
        held = _same(wanted, known)
        if held is not None:
            yield kind, held


def _same(wanted: str, known: Iterable[str]) -> str | None:
    return next((k for k in known if k.casefold() == wanted), None)


def _unknown(session: Session, bench: BenchFacts, name: str, kind: Traced | None) -> UnknownName:
    names: list[str] = []
    if kind in (None, Traced.RESULT):
        names += [*queries.numbers(session), *switch_queries.tags(session)]
    if kind in (None, Traced.GAUGE):
        names += bench.gauges
    if kind in (None, Traced.CERTIFICATE):
        names += bench.certificates
    what = {
        None: "calibration, tag, gauge or certificate",
        Traced.RESULT: "calibration or tag",
    }.get(kind, str(kind))
    return UnknownName(
        what,
        name,
        nearest_names(name, names),
        next_step="'calfleet history TAG' lists calibrations, 'calfleet gauges' the gauges, "
        "'calfleet certificates GAUGE' its certificates.",
    )


def _facts(session: Session, bench: BenchFacts) -> ChainFacts:
    """All that chains are made of, but for calibrations and switches."""
    return ChainFacts(
        calibrations={},
        switches={},
        procedures=bench.procedures,
        people=bench.people,
        gauges=bench.gauges,
        certificates=bench.certificates,
        laboratories=shop.laboratories(session),
        valid_until={c.number: bench.valid_until(c) for c in bench.certificates.values()},
    )


def _of_reading(
    session: Session, bench: BenchFacts, gauge: str, on: date | None, today: date | None
) -> Chain:
    day = on or today
    if day is None:
        raise UsageError(
            f"On which day was {gauge} read?",
            rule="A gauge's reading is traced as of the day of the reading.",
            next_step="Give the day with --on.",
        )
    if today is not None and day > today:
        raise UsageError(
            f"{gauge} is to be traced on {day}, which is after today, {today}.",
            rule="A reading is traced after it was taken.",
            next_step="Check the day.",
        )
    certificate = bench.certificate_on(gauge, day)
    unfit = bench.found_unfit(gauge, day, certificate)
    reasons: list[Reason] = []
    if unfit is not None:
        reasons.append(
            weak(
                "gauge.found-bad",
                f"{gauge} was found bad on {unfit.found_on} ({unfit.event}, {unfit.kind}) and not "
                f"calibrated again by {day}.",
            )
        )
    number = "" if certificate is None else certificate.number
    for held, event in touching(session, [(gauge, number)], day):
        if unfit is not None and held.number == unfit.event:
            continue
        through = "" if event.gauge == gauge else f", on which certificate {number} rests,"
        reasons.append(
            weak(
                "gauge.in-doubt",
                f"{event.gauge}{through} was found bad on {event.found_on} ({held.number}, "
                f"{event.kind}); it is in doubt from {event.last_good.on} on.",
            )
        )
    return trace_reading(_facts(session, bench), gauge, number, day, reasons)


def _of_result(session: Session, bench: BenchFacts, name: str) -> Chain:
    found = find_calibration(session, name)
    shown = {found.number: found}
    for other in (found.bench.replaces, found.replaced_by):
        if other is not None:
            corrected = queries.calibration(session, other)
            if corrected is not None:
                shown[other] = corrected
    facts = replace(
        _facts(session, bench),
        calibrations=shown,
        switches={
            (s.tag, s.revision): s for s in switch_queries.revisions(session, found.bench.tag)
        },
    )
    return trace_result(facts, found.number)
