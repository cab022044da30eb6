"""Reference gauges on the calendar: when to send them, and which jobs lack one meanwhile.

A gauge is away from the day it is sent until it is back and its certificate reviewed. Its next
interval is counted from the day the laboratory calibrated it, not from the day it came back. It
is valid through its due date, and again from the day it is back and reviewed. All this is common
practice, no source; that a gauge must be valid on the day of the job is ISO/IEC 17025:2017 6.4.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import date
from enum import StrEnum

from calfleet.errors import BadQuantity, UnknownName
from calfleet.records import IntervalPolicy
from calfleet.scheduling.calendar import Window, WorkingCalendar, add_days, merge_windows
from calfleet.scheduling.due import interval_days, valid_until
from calfleet.scheduling.forecast import ship_by
from calfleet.scheduling.plan_model import NO_GAUGE, GaugeAvailability, PlanJob

OWN_CALIBRATION = "its own calibration"
"""Why a gauge is away, where no absence on record says it."""


@dataclass(frozen=True, slots=True)
class GaugeCare:
    """A gauge, the day through which it is valid, and what its own calibration takes.

    Days are calendar days; ``transit_days`` both ways together. ``away``: absences already known
    (at a laboratory, lent, in repair). ``sent_on``: it is on its way, from that day. ``policy``
    gives the dates after the next calibration. ``ends``: from when on a data sheet takes it out of
    service, as what. ``without_terms``: the laboratory whose terms are not entered; nobody can
    say then when it would be back. Raises BadQuantity for negative days.
    """

    code: str
    due_on: date
    policy: IntervalPolicy
    transit_days: int = 0
    laboratory_days: int = 0
    review_days: int = 0
    valid_from: date = date.min
    away: tuple[Window, ...] = ()
    sent_on: date | None = None
    minutes_per_day: int | None = None
    ends: tuple[date, str] | None = None
    without_terms: str = ""

    def __post_init__(self) -> None:
        if min(self.transit_days, self.laboratory_days, self.review_days) < 0:
            raise BadQuantity(
                f"The gauge {self.code} takes {self.transit_days}, {self.laboratory_days} and "
                f"{self.review_days} days.",
                rule="Transit, laboratory and review take zero days or more.",
                next_step="Correct the times.",
            )

    @property
    def no_terms(self) -> str:
        """Why its return is not known; empty: it is."""
        return f"terms of {self.without_terms} are not entered" if self.without_terms else ""

    @property
    def absence_days(self) -> int:
        """Days from sending to back and reviewed."""
        return self.transit_days + self.laboratory_days + self.review_days


@dataclass(frozen=True, slots=True)
class Trip:
    """One calibration of a gauge: sent, calibrated, usable again, and until when then.

    ``ship_on`` is the last day on which it can be sent and still be back on ``due_on``, or the day
    it was sent, or the first day of the horizon where that day has passed. Away from ``ship_on``
    through the day before ``back_on``; not valid from ``due_on`` + 1 to then, if that is later.
    """

    gauge: str
    due_on: date
    ship_on: date
    calibrated_on: date
    back_on: date
    next_due_on: date
    recorded: bool = False
    """Whether the absence is on record, not worked out."""

    @property
    def away(self) -> Window | None:
        """The days it is gone; ``None`` when its calibration takes none."""
        if self.back_on <= self.ship_on:
            return None
        return Window(self.ship_on, add_days(self.back_on, -1), f"{self.gauge} for calibration")

    @property
    def days_lapsed(self) -> int:
        """Days between its due date and its return; 0 when it is back in time."""
        return max(0, (self.back_on - self.due_on).days - 1)


def trips(care: GaugeCare, first: date, last: date) -> tuple[Trip, ...]:
    """The calibrations of a gauge that begin from ``first`` through ``last``, in order.

    A trip under way is the first one, and is not over on ``first``. A known absence near a due
    date (within a quarter of the interval) is taken for that calibration, from its first to its
    last day. Each later trip follows from the calibration before. Without times on record only
    what is on record is a trip: nothing is assumed of the rest.
    Raises RecordRefused when the policy contradicts itself, BadQuantity when one calibration
    takes as long as the interval.
    """
    found: list[Trip] = []
    due_on, sent_on = care.due_on, care.sent_on
    unused = sorted(w for w in care.away if w.last >= first or sent_on is not None)
    while True:
        known = _recorded(care.policy, due_on, sent_on, unused)
        planned = ship_by(
            due_on,
            transit_days=care.transit_days,
            laboratory_days=care.laboratory_days,
            review_days=care.review_days,
        )
        ship_on = sent_on if sent_on is not None else max(planned, first)
        if known is not None:
            unused.remove(known)
            ship_on = known.first
        if ship_on > last or (known is None and care.without_terms):
            return tuple(found)
        # Half of the transit is the way out; where it is odd the longer half is.
        at_laboratory = add_days(ship_on, (care.transit_days + 1) // 2)
        calibrated_on = add_days(at_laboratory, care.laboratory_days)
        back_on = add_days(ship_on, care.absence_days)
        if known is not None:
            back_on = add_days(known.last, 1)
            calibrated_on = min(calibrated_on, known.last)
        if sent_on is not None:
            back_on = max(back_on, add_days(first, 1))
        next_due_on = valid_until(care.policy, calibrated_on)
        trip = Trip(
            gauge=care.code,
            due_on=due_on,
            ship_on=ship_on,
            calibrated_on=calibrated_on,
            back_on=back_on,
            next_due_on=next_due_on,
            recorded=known is not None,
        )
        if add_days(next_due_on, -care.absence_days) < trip.back_on:
            raise BadQuantity(
                f"The gauge {care.code} is away {care.absence_days} days for each calibration, and "
                f"would have to be sent again before its return.",
                rule="A gauge's interval is longer than its calibration takes.",
                next_step="Correct the times or the interval, or choose another laboratory.",
            )
        found.append(trip)
        due_on, sent_on = next_due_on, None


def _recorded(
    policy: IntervalPolicy, due_on: date, sent_on: date | None, away: Sequence[Window]
) -> Window | None:
    """The known absence that stands for the calibration due on ``due_on``, or ``None``."""
    quarter = interval_days(policy, due_on) // 4
    near = Window(add_days(due_on, -quarter), add_days(due_on, quarter))
    for window in away:
        if sent_on is not None and sent_on in window:
            return window
        if sent_on is None and window.last >= near.first and window.first <= near.last:
            return window
    return None


def availability(care: GaugeCare, first: date, last: date) -> GaugeAvailability:
    """When the gauge can be used in the horizon, if it is sent as ``trips`` says.

    What is not sent yet is still there on ``first`` itself: that day is told from the records.
    """
    journeys = trips(care, first, last)
    valid = [Window(care.valid_from, care.due_on)] if care.valid_from <= care.due_on else []
    valid += [Window(t.back_on, max(t.next_due_on, t.back_on)) for t in journeys]
    away = [w for t in journeys if (w := _further_away(care, t, first))]
    if care.sent_on is not None and not journeys:
        since = f"at the laboratory since {care.sent_on}, {care.no_terms}"
        away.append(Window(care.sent_on, date.max, since))
    if care.ends is not None:
        away.append(Window(care.ends[0], date.max, f"{care.ends[1]} from {care.ends[0]} on"))
    return GaugeAvailability(
        code=care.code,
        valid=merge_windows(valid),
        away=merge_windows([*care.away, *away]),
        minutes_per_day=care.minutes_per_day,
        note=care.no_terms,
    )


def _further_away(care: GaugeCare, trip: Trip, first: date) -> Window | None:
    """The days a trip keeps the gauge away, where they are not on record already."""
    away = trip.away
    if away is None or any(w.first <= away.first and w.last >= away.last for w in care.away):
        return None
    away = replace(away, name=OWN_CALIBRATION)
    if care.sent_on == trip.ship_on or trip.recorded or away.first > first:
        return away
    return replace(away, first=add_days(first, 1)) if away.last > first else None


# --- whether a gauge will be usable -------------------------------------------------------


class Fleet:
    """Whether each gauge will be usable on a day of a horizon, and why not.

    The one answer that the due list, the plan, the forecast and the gauge schedule rest on.
    Gauges are sent as ``trips`` says. On ``first`` itself the records decide.
    """

    def __init__(self, cares: Iterable[GaugeCare], first: date, last: date) -> None:
        self.first, self.last = first, last
        self.cares = {c.code: c for c in cares}
        self.trips = {code: trips(c, first, last) for code, c in self.cares.items()}
        self.free = {code: availability(c, first, last) for code, c in self.cares.items()}

    def usable(self, code: str, day: date) -> bool:
        """Whether the gauge will be there and valid on ``day``.

        Raises UnknownName for a gauge that the fleet does not hold.
        """
        if code not in self.free:
            raise UnknownName("gauge", code, next_step="Give its due date and its absences.")
        return self.free[code].usable_on(day)

    def why_not(self, code: str, day: date) -> str | None:
        """Why the gauge will not be usable on ``day``; ``None``: it will."""
        if self.usable(code, day):
            return None
        gauge = self.free[code]
        back = self._back_after(code, day)
        for window in gauge.away:
            if day in window and window.last == date.max:
                return window.name
            if day in window:
                said = f"away {window.first} to {window.last}"
                return f"{said}: {window.name}" if window.name else said
        earlier = [w.last for w in gauge.valid if w.last < day]
        if earlier:
            known = f", back on {back}" if back else ""
            if not back and self.cares[code].without_terms:
                known = f", {self.cares[code].no_terms}"
            return f"overdue since {max(earlier)}{known}"
        later = [w.first for w in gauge.valid if w.first > day]
        return f"not valid before {min(later)}" if later else "not valid"

    def back_on(self, code: str, day: date) -> date | None:
        """The return after ``first`` on which its use on ``day`` rests; ``None``: on none.

        Without it the gauge could not be used then: a planner may want to look after it.
        """
        held = [t.back_on for t in self.trips.get(code, ()) if t.back_on <= day]
        return max(held, default=None)

    def _back_after(self, code: str, day: date) -> date | None:
        return min((t.back_on for t in self.trips[code] if t.back_on > day), default=None)


# --- conflicts ----------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Use:
    """A job and the day it is meant to be done; ``gauge``, ``person``: planned for it, if any.

    ``overdue``: it is past its latest day already, whatever day it is done on.
    """

    job: PlanJob
    day: date
    gauge: str | None = None
    person: str | None = None
    overdue: bool = False


class ChoiceKind(StrEnum):
    OTHER_GAUGE = "use another gauge"
    PULL_FORWARD = "pull the job forward"
    PUT_BACK = "do the job later"
    SEND_EARLIER = "send the gauge earlier"
    SEND_LATER = "send the gauge later"


@dataclass(frozen=True, slots=True)
class Choice:
    """One way out of a conflict, in words and as data.

    ``day``: the new day of the job, or the day to send the gauge. ``also_blocks``: other jobs that
    would lack a gauge if the gauge were sent then.
    """

    kind: ChoiceKind
    text: str
    gauge: str
    day: date
    also_blocks: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Conflict:
    """A job that lacks its gauge on its day: the reason for each gauge, and what can be done."""

    key: str
    tag: str
    day: date
    missing: tuple[tuple[str, str], ...]
    choices: tuple[Choice, ...]

    @property
    def text(self) -> str:
        """The conflict in one sentence."""
        if not self.missing:
            return f"{self.tag} on {self.day}: no gauge is in range and good enough for it."
        why = "; ".join(f"{code} {reason}" for code, reason in self.missing)
        return f"{self.tag} on {self.day}: {why}."


def conflicts(
    uses: Iterable[Use],
    cares: Iterable[GaugeCare],
    calendar: WorkingCalendar,
    *,
    as_of: date,
    until: date,
    staffed: Staffed = lambda job, day: True,
) -> tuple[Conflict, ...]:
    """The jobs without their gauge on their day, by day, then key, each with the choices left.

    A job with a planned ``gauge`` lacks it when that one cannot be used, or is not among those
    that are in range and good enough; a job without lacks one when none of its usable gauges can.
    A job that needs a second gauge for the static pressure lacks it likewise. Gauges are sent as
    ``trips`` says, from ``as_of``; nothing is proposed before ``as_of``, outside a job's own days
    or, by ``staffed``, on a day without anybody for it.

    Raises UnknownName for a gauge that a job names and ``cares`` does not.
    """
    fleet = Fleet(cares, as_of, until)
    days = _Days(fleet, calendar, staffed)
    known = sorted(uses, key=lambda u: (u.day, u.job.key))
    found = []
    for use in known:
        if NO_GAUGE in use.job.gauges:
            continue
        asked = (use.gauge,) if use.gauge is not None else use.job.gauges
        able = [c for c in asked if c in use.job.gauges and fleet.usable(c, use.day)]
        missing = [(code, _why_not(code, use, fleet)) for code in asked]
        blocked = use
        if able:
            statics = use.job.static_gauges
            if not statics or _has_second(able, statics, fleet, use.day):
                continue
            others = tuple(s for s in statics if s not in able) or statics
            missing = [(c, _no_second(c, use.day, fleet)) for c in others]
            pair = replace(use.job, gauges=others, static_gauges=use.job.gauges)
            blocked = replace(use, gauge=None, job=pair)
        found.append(
            Conflict(
                key=use.job.key,
                tag=use.job.tag,
                day=use.day,
                missing=tuple(missing),
                choices=tuple(_choices(blocked, fleet, days, known)),
            )
        )
    return tuple(found)


def _has_second(able: Sequence[str], statics: Sequence[str], fleet: Fleet, day: date) -> bool:
    """Whether two different gauges are there: one of ``able``, and one for the static pressure."""
    return any(s != c and fleet.usable(s, day) for c in able for s in statics)


def _no_second(code: str, day: date, fleet: Fleet) -> str:
    reason = fleet.why_not(code, day) or "wanted for the job itself"
    return f"is {reason}, and is to read the static pressure"


def _why_not(code: str, use: Use, fleet: Fleet) -> str:
    if code not in use.job.gauges:
        return "is not in range or not good enough that day"
    return f"is {fleet.why_not(code, use.day) or 'there'}"


Staffed = Callable[[PlanJob, date], bool]
"""Whether somebody who may do a job is there on a day."""


@dataclass(frozen=True)
class _Days:
    """What decides whether a job can be done on a day."""

    fleet: Fleet
    calendar: WorkingCalendar
    staffed: Staffed

    def possible(self, code: str, job: PlanJob, day: date) -> bool:
        """Whether job, shop, people and gauges agree on ``day``."""
        return (
            (job.outages is None or any(day in w for w in job.outages))
            and self.calendar.is_working(day)
            and self.gauges(code, job, day)
            and self.staffed(job, day)
        )

    def gauges(self, code: str, job: PlanJob, day: date) -> bool:
        """Whether ``code`` can be used on ``day``, and a second gauge where the job needs one."""
        return self.fleet.usable(code, day) and (
            not job.static_gauges or _has_second([code], job.static_gauges, self.fleet, day)
        )

    def nearest(self, code: str, job: PlanJob, day: date, step: int) -> date | None:
        """The day of the job nearest to ``day`` in that direction on which it is possible."""
        first, last = max(job.earliest_on, self.fleet.first), min(job.latest_on, self.fleet.last)
        candidate = add_days(day, step)
        candidate = min(candidate, last) if step < 0 else max(candidate, first)
        while first <= candidate <= last:
            if self.possible(code, job, candidate):
                return candidate
            candidate = add_days(candidate, step)
        return None


def _choices(use: Use, fleet: Fleet, days: _Days, uses: Sequence[Use]) -> Iterable[Choice]:
    job, day = use.job, use.day
    for code in job.gauges:
        if code != use.gauge and days.gauges(code, job, day):
            text = f"Use {code}, which is there and valid on {day}."
            yield Choice(ChoiceKind.OTHER_GAUGE, text, code, day)
    for code in job.gauges:
        before = days.nearest(code, job, day, -1)
        if before is not None:
            text = f"Pull the job forward to {before} or earlier, while {code} can be used."
            yield Choice(ChoiceKind.PULL_FORWARD, text, code, before)
    for code in job.gauges:
        after = days.nearest(code, job, day, +1)
        if after is not None:
            grace = ""
            if use.overdue:
                grace = "; it stays overdue until then"
            elif after > job.due_on:
                late = (after - job.due_on).days
                grace = f", {late} day{'' if late == 1 else 's'} into its grace"
            text = f"Do the job on {after}, when {code} can be used{grace}."
            yield Choice(ChoiceKind.PUT_BACK, text, code, after)
    for code in job.gauges if use.gauge is None else (use.gauge,):
        if code in job.gauges:
            yield from _sendings(code, use, fleet, uses)


def _sendings(code: str, use: Use, fleet: Fleet, uses: Sequence[Use]) -> Iterable[Choice]:
    """Other days to send the gauge, where it is a trip still to come that is in the way."""
    care, day = fleet.cares[code], use.day
    trip = next(
        (t for t in fleet.trips[code] if t.ship_on <= day and (day < t.back_on)),
        None,
    )
    if trip is None or trip.ship_on == care.sent_on:
        return
    if any(day in window for window in care.away):
        return
    early = add_days(day, -care.absence_days)
    if early >= fleet.first:
        also = _blocked_by(Window(early, add_days(day, -1)), trip, code, use, fleet, uses)
        text = f"Send {code} by {early} instead of {trip.ship_on}, so that it is back on {day}"
        yield Choice(ChoiceKind.SEND_EARLIER, text + _also(also), code, early, also)
    if day <= trip.due_on:
        late = add_days(day, 1)
        back = add_days(late, care.absence_days)
        also = _blocked_by(
            Window(late, max(late, add_days(back, -1))), trip, code, use, fleet, uses
        )
        lapse = f", though it is then out of date until {back}" if back > trip.due_on else ""
        text = f"Send {code} on {late} instead of {trip.ship_on}, after the job{lapse}"
        yield Choice(ChoiceKind.SEND_LATER, text + _also(also), code, late, also)


def _blocked_by(
    gone: Window, instead_of: Trip, code: str, use: Use, fleet: Fleet, uses: Sequence[Use]
) -> tuple[str, ...]:
    """Other jobs that lose their last gauge when ``code`` is gone then, and not as planned."""
    return tuple(
        other.job.key
        for other in uses
        if other.job.key != use.job.key
        and other.day in gone
        and not instead_of.ship_on <= other.day < instead_of.back_on
        and code in other.job.gauges
        and fleet.usable(code, other.day)
        and not any(fleet.usable(g, other.day) for g in other.job.gauges if g != code)
    )


def _also(keys: Sequence[str]) -> str:
    if not keys:
        return "."
    jobs = "job then lacks a gauge" if len(keys) == 1 else "jobs then lack a gauge"
    return f"; {len(keys)} other {jobs}: {', '.join(keys)}."


# --- a lapse ------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class LapseImpact:
    """What the lapse of one gauge does to the jobs from ``lapses_on``, by day.

    ``blocked``: jobs without any other gauge on their day. ``can_move``: jobs that use it but have
    another one, with that one. ``minutes`` of the blocked ones.
    """

    gauge: str
    lapses_on: date
    until: date | None
    blocked: tuple[Use, ...]
    can_move: tuple[tuple[Use, str], ...]

    @property
    def minutes(self) -> int:
        return sum(use.job.minutes for use in self.blocked)

    @property
    def text(self) -> str:
        """The impact in one sentence."""
        end = f" to {self.until}" if self.until is not None else ""
        return (
            f"Without {self.gauge} from {self.lapses_on}{end}, {_jobs(len(self.blocked))} "
            f"({self.minutes} minutes) cannot be done, and {_jobs(len(self.can_move))} must use "
            "another gauge."
        )


def _jobs(count: int) -> str:
    return f"{count} job{'' if count == 1 else 's'}"


def lapse_impact(
    gauge: str,
    uses: Iterable[Use],
    cares: Iterable[GaugeCare],
    *,
    as_of: date,
    until: date,
    lapses_on: date | None = None,
    back_on: date | None = None,
) -> LapseImpact:
    """All jobs through ``until`` that a gauge's lapse would block, and those that could switch.

    ``lapses_on``: the first day without it; ``None``: the day after its due date, as if it were
    not sent at all. ``back_on``: the first day it can be used again; ``None``: never. Jobs with
    another gauge planned are not touched. Raises UnknownName for a gauge that is not in ``cares``.
    """
    fleet = Fleet(cares, as_of, until)
    if gauge not in fleet.cares:
        raise UnknownName("gauge", gauge, next_step="Give its due date and its absences.")
    start = add_days(fleet.cares[gauge].due_on, 1) if lapses_on is None else lapses_on
    blocked: list[Use] = []
    can_move: list[tuple[Use, str]] = []
    for use in sorted(uses, key=lambda u: (u.day, u.job.key)):
        if not start <= use.day <= until or (back_on is not None and use.day >= back_on):
            continue
        if gauge not in use.job.gauges or use.gauge not in (None, gauge):
            continue
        other = next((g for g in use.job.gauges if g != gauge and fleet.usable(g, use.day)), None)
        if other is None:
            blocked.append(use)
        elif use.gauge == gauge or use.job.gauges[0] == gauge:
            can_move.append((use, other))
    end = add_days(back_on, -1) if back_on is not None else None
    return LapseImpact(gauge, start, end, tuple(blocked), tuple(can_move))
