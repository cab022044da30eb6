"""An absence of a reference gauge entered, with the jobs that would have used it."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import date

from calfleet.errors import RecordRefused
from calfleet.records import GaugeAbsence
from calfleet.services.enter_days_off import cancelled_before, in_order, overlap
from calfleet.services.nearest import pick
from calfleet.services.touched_jobs import Touched, jobs_of_gauge
from calfleet.store import planning_facts
from calfleet.store.queries.gauges import gauges
from calfleet.store.queries.planning import everything_entered, planning_input
from calfleet.store.work import Work


@dataclass(frozen=True, slots=True)
class SetAbsence:
    """The absence as entered, and the jobs on its days that would use the gauge."""

    absence: GaugeAbsence
    touched: Touched


def enter_absence(work: Work, given: GaugeAbsence, *, today: date) -> SetAbsence:
    """The absence as added, with the jobs that it touches; the caller commits.

    Raises: UnknownName; RecordRefused without a reason, for days in the wrong order, an overlap
    with another absence of the same gauge, or days that were entered and cancelled.
    """
    session = work.session
    code = pick("gauge", given.gauge, {c: c for c in gauges(session)})
    made = replace(given, gauge=code, reason=given.reason.strip())
    in_order(made.first_on, made.last_on, f"The absence of {code}")
    if not made.reason:
        raise RecordRefused(
            f"The absence of {code} has no reason.",
            rule="An absence says where the gauge is: at a laboratory, lent, in repair.",
            next_step="Give the reason.",
        )
    for known in planning_input(session).absences:
        if known.gauge == code and overlap(made, known):
            raise RecordRefused(
                f"{code} is away from {known.first_on} to {known.last_on} already: {known.reason}.",
                rule="Absences of one gauge do not overlap.",
                next_step="Enter only the days that are missing, or cancel the other absence "
                f"first: 'calfleet shop cancel absence {code} --from {known.first_on}'.",
            )
    if any(
        (k.gauge, k.first_on, k.last_on) == (code, made.first_on, made.last_on)
        for k in everything_entered(session).absences
    ):
        raise cancelled_before(
            f"An absence of {code} from {made.first_on} to {made.last_on}",
            made.first_on,
            made.last_on,
        )
    touched = jobs_of_gauge(session, code, made.first_on, made.last_on, today=today)
    planning_facts.add_absence(work, made)
    return SetAbsence(made, touched)
