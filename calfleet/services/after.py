"""What follows a calibration: when the switch is next due, and what to mind before return."""

from __future__ import annotations

from datetime import date
from typing import TYPE_CHECKING

from calfleet.records import Calibration
from calfleet.scheduling.due import Standing
from calfleet.services.bench_facts import gather_for_planning, in_force
from calfleet.services.cautions import Caution, cautions_for
from calfleet.services.list_due import switch_standing, with_failure
from calfleet.services.plan_facts import due_facts
from calfleet.store.queries import calibrations as calibration_queries
from calfleet.store.queries import switches as switch_queries
from calfleet.store.queries.due import LastResult

if TYPE_CHECKING:
    from sqlalchemy.orm import Session


def next_due(session: Session, calibration: Calibration) -> Standing:
    """The standing of the switch right after this calibration, on the day it was performed."""
    on = calibration.bench.performed_on
    days: list[date] = [
        c.bench.performed_on
        for c in calibration_queries.calibrations_of(session, calibration.bench.tag)
        if c.replaced_by is None and c.bench.performed_on <= on
    ]
    switch = switch_queries.switch_on(session, calibration.bench.tag, on)
    if switch is None:
        raise LookupError(f"{calibration.bench.tag} had no data sheet on {on}")
    standing = switch_standing(
        switch, [*days, on], gather_for_planning(session), on, moved_by=due_facts(session)
    )
    verdicts = tuple((r.set_point, str(r.phase), r.verdict) for r in calibration.results)
    return with_failure(standing, LastResult(calibration.number or "this one", on, verdicts))


def cautions_after(session: Session, calibration: Calibration) -> tuple[Caution, ...]:
    """The cautions that still bind when the switch goes back: bypass and return to service."""
    facts = gather_for_planning(session)
    bench = calibration.bench
    switch = switch_queries.switch_on(session, bench.tag, bench.performed_on)
    procedure = in_force(facts.procedures[bench.procedure], bench.performed_on)
    if switch is None:
        return ()
    wanted = cautions_for(switch, () if procedure is None else procedure.hazards)
    return tuple(c for c in wanted if "service" in c.heading or "ypass" in c.heading)
