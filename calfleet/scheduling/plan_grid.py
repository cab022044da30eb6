"""A plan's input as weeks, days and small whole numbers, and why a job has no week at all.

Days of a week are the bits 0 (Monday) to 6 (Sunday) of a whole number.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from datetime import date

from calfleet.records import Quantity
from calfleet.scheduling.calendar import Window, add_days
from calfleet.scheduling.plan_model import (
    Cause,
    Fixed,
    PlanInput,
    PlanJob,
    PlanWorker,
    Unplanned,
)

SPANS = tuple(tuple(((1 << max(0, hi - lo + 1)) - 1) << lo for hi in range(7)) for lo in range(7))
"""``SPANS[lo][hi]``: the bits from day ``lo`` through day ``hi``."""


def hull(bits: int) -> tuple[int, int]:
    """The first and the last day set in ``bits``, which is not 0."""
    return (bits & -bits).bit_length() - 1, bits.bit_length() - 1


@dataclass(frozen=True, slots=True)
class Combo:
    """A person and a gauge that can do a job in a week, and the days on which they can."""

    worker: int
    gauge: int
    bits: int


class Grid:
    """The input by index: what each job may do in each week, and what it costs there.

    ``days[j]``: week -> days on which the job is allowed and the shop works; only weeks in which
    some person and gauge can do it. ``cost[j]``: week -> late, lost and moved-week cost.
    ``hopeless``: jobs without any such week, with the reason; they have no entry in ``days``.
    """

    def __init__(self, given: PlanInput) -> None:
        self.given = given
        self.weights = given.weights
        self.weeks = given.week_list
        self.index_of = {week: n for n, week in enumerate(self.weeks)}
        self.monday = self.weeks[0].first
        count = len(self.weeks)
        self.open = self._bits(given.days, given.calendar.is_working)
        self.jobs = tuple(sorted(given.jobs, key=lambda j: j.key))
        self.workers = tuple(sorted(given.workers, key=lambda w: w.code))
        self.gauges = tuple(sorted(given.gauges, key=lambda g: g.code))
        self.worker_no = {w.code: n for n, w in enumerate(self.workers)}
        self.gauge_no = {g.code: n for n, g in enumerate(self.gauges)}
        working = [
            date.fromordinal(self.monday.toordinal() + 7 * w + d)
            for w in range(count)
            for d in range(7)
            if self.open[w] >> d & 1
        ]
        self.worker_days = [self._bits(working, w.present_on) for w in self.workers]
        self.gauge_days = [self._bits(working, g.usable_on) for g in self.gauges]
        self.worker_rate = [[w.minutes_in(week) for week in self.weeks] for w in self.workers]
        self.gauge_rate = [g.minutes_per_day for g in self.gauges]
        self.worker_cap = [
            [rate * bits.bit_count() for rate, bits in zip(rates, row, strict=True)]
            for rates, row in zip(self.worker_rate, self.worker_days, strict=True)
        ]
        self.gauge_cap = [
            [None if rate is None else rate * bits.bit_count() for bits in row]
            for rate, row in zip(self.gauge_rate, self.gauge_days, strict=True)
        ]
        self.week_cap = [sum(row[w] for row in self.worker_cap) for w in range(count)]
        quantities = sorted({j.quantity for j in self.jobs})
        self.quantity_no = {q: n for n, q in enumerate(quantities)}
        self.skill_days = [
            [self._skilled_days(w, q, working) for q in quantities] for w in self.workers
        ]
        self.areas = tuple(sorted({j.area for j in self.jobs}))
        area_no = {a: n for n, a in enumerate(self.areas)}
        self.area = [area_no[j.area] for j in self.jobs]
        self.quantity = [self.quantity_no[j.quantity] for j in self.jobs]
        self.minutes = [j.minutes for j in self.jobs]
        self.usable = [tuple(self.gauge_no[g] for g in j.gauges) for j in self.jobs]
        self.statics = [tuple(self.gauge_no[g] for g in j.static_gauges) for j in self.jobs]
        self.rank = [{g: n for n, g in enumerate(usable)} for usable in self.usable]
        self._combos: dict[tuple[object, ...], tuple[Combo, ...]] = {}
        self._groups()
        self._previous()
        self.days: list[dict[int, int]] = []
        self.cost: list[dict[int, float]] = []
        self.hopeless: dict[int, Unplanned] = {}
        for j, job in enumerate(self.jobs):
            allowed = self._allowed(job)
            options = {
                w: bits
                for w, bits in allowed.items()
                if w not in self.barred_weeks[j] and self.combos(j, w, bits)
            }
            fixed = job.fixed
            if fixed is not None:
                week = self.index_of.get(fixed.week, -1)
                options = {w: bits for w, bits in options.items() if w == week}
            self.days.append(options)
            if not options:
                self.hopeless[j] = self._why_never(j, allowed)
            self.cost.append({w: self._cost(j, w, bits) for w, bits in options.items()})
        placeable = [j for j in range(len(self.jobs)) if j not in self.hopeless]
        share = sum(self.minutes[j] for j in placeable) / max(1, sum(self.week_cap))
        self.placeable = tuple(placeable)
        self.level = [share * cap for cap in self.week_cap]

    # --- days -------------------------------------------------------------------------

    def _bits(self, days: Iterable[date], holds: Callable[[date], bool]) -> list[int]:
        """Per week, the bits of those ``days`` for which ``holds``."""
        rows = [0] * len(self.weeks)
        start = self.monday.toordinal()
        for day in days:
            if holds(day):
                week, weekday = divmod(day.toordinal() - start, 7)
                rows[week] |= 1 << weekday
        return rows

    def _skilled_days(self, w: PlanWorker, q: Quantity, working: list[date]) -> list[int]:
        rates = self.worker_rate[self.worker_no[w.code]]
        found = self._bits(working, lambda day: w.present_on(day) and w.qualified_on(q, day))
        return [bits if rate else 0 for rate, bits in zip(rates, found, strict=True)]

    def day(self, week: int, weekday: int) -> date:
        return add_days(self.monday, 7 * week + weekday)

    def _between(self, first: date, last: date) -> dict[int, int]:
        """Week -> working days from ``first`` through ``last`` inside the horizon."""
        start = self.monday.toordinal()
        lo = max(first.toordinal() - start, 0)
        hi = min(last.toordinal() - start, 7 * len(self.weeks) - 1)
        found = {}
        for week in range(lo // 7, hi // 7 + 1) if lo <= hi else ():
            a, b = max(lo - 7 * week, 0), min(hi - 7 * week, 6)
            if bits := SPANS[a][b] & self.open[week]:
                found[week] = bits
        return found

    def _allowed(self, job: PlanJob) -> dict[int, int]:
        if job.outages is None:
            return self._between(job.earliest_on, job.latest_on)
        found: dict[int, int] = {}
        for outage in job.outages:
            first = max(outage.first, job.earliest_on)
            last = min(outage.last, job.latest_on)
            for week, bits in self._between(first, last).items():
                found[week] = found.get(week, 0) | bits
        return found

    # --- people and gauges ------------------------------------------------------------

    def combos(self, j: int, week: int, bits: int | None = None) -> tuple[Combo, ...]:
        """Who can do job ``j`` in ``week`` with what, by place of the gauge, then person."""
        if bits is None:
            bits = self.days[j][week]
        fixed = self.jobs[j].fixed
        hands = (fixed.worker, fixed.gauge) if fixed else (None, None)
        key = (
            self.quantity[j],
            self.usable[j],
            self.statics[j],
            self.minutes[j],
            week,
            bits,
            hands,
            self.barred_hands[j],
        )
        known = self._combos.get(key)
        if known is None:
            known = tuple(self._find_combos(j, week, bits, hands))
            self._combos[key] = known
        return known

    def _find_combos(
        self, j: int, week: int, bits: int, hands: tuple[str | None, str | None]
    ) -> list[Combo]:
        found = []
        for g in self.usable[j]:
            gauge_bits = bits & self.gauge_days[g][week]
            if self.statics[j]:
                gauge_bits &= self.static_days(j, g, week)
            if not gauge_bits or hands[1] not in (None, self.gauges[g].code):
                continue
            for k in range(len(self.workers)):
                both = gauge_bits & self.skill_days[k][self.quantity[j]][week]
                if (
                    both
                    and hands[0] in (None, self.workers[k].code)
                    and (k, g) not in self.barred_hands[j]
                    and self._long_enough(j, week, k, g, both)
                ):
                    found.append(Combo(k, g, both))
        return found

    def static_days(self, j: int, gauge: int, week: int) -> int:
        """The days of ``week`` on which another gauge can read the static pressure of job ``j``."""
        bits = 0
        for s in self.statics[j]:
            if s != gauge:
                bits |= self.gauge_days[s][week]
        return bits

    def _long_enough(self, j: int, week: int, worker: int, gauge: int, bits: int) -> bool:
        """Whether the job alone fits in the minutes of person and gauge on those days."""
        lo, hi = hull(bits)
        span = SPANS[lo][hi]
        rate = self.gauge_rate[gauge]
        return (
            self.minutes[j]
            <= self.worker_rate[worker][week] * (self.worker_days[worker][week] & span).bit_count()
        ) and (
            rate is None
            or self.minutes[j] <= rate * (self.gauge_days[gauge][week] & span).bit_count()
        )

    def _groups(self) -> None:
        members: dict[str, list[int]] = {}
        for j, job in enumerate(self.jobs):
            if job.redundant_group is not None:
                members.setdefault(job.redundant_group, []).append(j)
        self.group = [members.get(job.redundant_group or "", []) for job in self.jobs]
        widest = {name: max(self.jobs[j].apart_weeks for j in m) for name, m in members.items()}
        self.apart = [widest.get(job.redundant_group or "", 0) for job in self.jobs]
        self.group_list = [(m, widest[name]) for name, m in sorted(members.items()) if len(m) > 1]
        self.barred_weeks: list[frozenset[int]] = []
        self.barred_hands: list[frozenset[tuple[int, int]]] = []
        recents: dict[str, list[tuple[int, str, int, int]]] = {}
        for r in self.given.recent:
            week = (r.week.first - self.monday).days // 7
            hands = self.worker_no.get(r.worker, -1), self.gauge_no.get(r.gauge, -1)
            recents.setdefault(r.redundant_group, []).append((week, r.tag, *hands))
        for j, job in enumerate(self.jobs):
            done = recents.get(job.redundant_group or "", []) if job.redundant_group else []
            reach = self.apart[j] - 1
            self.barred_weeks.append(
                frozenset(n for week, *_ in done for n in range(week - reach, week + reach + 1))
            )
            self.barred_hands.append(frozenset((k, g) for _, tag, k, g in done if tag != job.tag))

    def _previous(self) -> None:
        before = {a.key: a for a in self.given.previous}
        self.previous: list[tuple[int, int, int] | None] = []
        for job in self.jobs:
            a = before.get(job.key)
            week = self.index_of.get(a.week, -1) if a else -1
            self.previous.append(
                (week, self.worker_no.get(a.worker, -1), self.gauge_no.get(a.gauge, -1))
                if a and week >= 0
                else None
            )

    # --- costs ------------------------------------------------------------------------

    def timing(self, j: int, week: int, bits: int | None = None) -> tuple[int, int]:
        """Days early and days late of job ``j`` in ``week``; one of the two is 0.

        Counted from the last allowed day of the week that is not after the due date, or else from
        the first one after it.
        """
        if bits is None:
            bits = self.days[j][week]
        due = (self.jobs[j].due_on - self.monday).days - 7 * week
        in_date = bits & SPANS[0][min(due, 6)] if due >= 0 else 0
        if in_date:
            return due - (in_date.bit_length() - 1), 0
        return 0, hull(bits)[0] - due

    def lost_minutes(self, j: int, week: int) -> float:
        job = self.jobs[j]
        return job.minutes * self.timing(j, week)[0] / job.interval_days

    def _cost(self, j: int, week: int, bits: int) -> float:
        job = self.jobs[j]
        early, late = self.timing(j, week, bits)
        cost = self.weights.lost * job.minutes * early / job.interval_days
        cost += self.weights.late_cost(job.criticality) * late
        before = self.previous[j]
        if before is not None and before[0] != week:
            cost += self.weights.moved_week
        return cost

    def hands_cost(self, j: int, week: int, worker: int, gauge: int) -> float:
        """What this person and gauge cost for the job: place in its list, change of hands."""
        cost = self.weights.preference * self.rank[j][gauge]
        before = self.previous[j]
        if before is not None and before[0] == week and before[1:] != (worker, gauge):
            cost += self.weights.moved_hands
        return cost

    def unplanned_cost(self, j: int) -> float:
        return self.weights.unplanned_cost(self.jobs[j].criticality)

    # --- why not ----------------------------------------------------------------------

    def _why_never(self, j: int, allowed: dict[int, int]) -> Unplanned:
        job, given = self.jobs[j], self.given
        span = f"from {job.earliest_on} to {job.latest_on}"

        def no(cause: Cause, reason: str) -> Unplanned:
            return Unplanned(job.key, job.tag, cause, reason, proven=True)

        if job.latest_on < given.first:
            return no(
                Cause.PAST, f"Its latest day was {job.latest_on}, before the plan's {given.first}."
            )
        if job.earliest_on > given.last:
            return no(
                Cause.BEYOND,
                f"It may begin on {job.earliest_on}, after the plan ends on {given.last}.",
            )
        if not allowed:
            if job.outages is not None and not any(
                w.first <= job.latest_on and w.last >= job.earliest_on for w in job.outages
            ):
                known = ", ".join(_window(w) for w in job.outages) or "none"
                return no(
                    Cause.NO_OUTAGE,
                    f"It waits for an outage {span}; the known outages are: {known}.",
                )
            within = " in an outage" if job.outages is not None else ""
            return no(
                Cause.NO_WORKING_DAY,
                f"The shop works on no day {span}{within} within the plan.",
            )
        named = self._weeks_text(allowed)
        q = self.quantity[j]
        skilled = [w for w in self.workers if any(s.quantity is job.quantity for s in w.skills)]
        if not any(
            self.skill_days[k][q][w] & bits
            for k in range(len(self.workers))
            for w, bits in allowed.items()
        ):
            if not skilled:
                return no(Cause.NOBODY_QUALIFIED, f"Nobody is qualified for {job.quantity}.")
            each = "; ".join(self._person_text(w, job, allowed) for w in skilled)
            return no(
                Cause.NOBODY_QUALIFIED,
                f"Nobody qualified for {job.quantity} is there {named}: {each}.",
            )
        if not job.gauges:
            return no(Cause.NO_GAUGE, "No gauge is in range and good enough for it.")
        if not any(
            self.gauge_days[g][w] & bits for g in self.usable[j] for w, bits in allowed.items()
        ):
            each = "; ".join(self._gauge_text(g) for g in self.usable[j])
            return no(Cause.NO_GAUGE, f"No usable gauge is there and valid {named}: {each}.")
        if self.statics[j] and not any(
            self.gauge_days[g][w] & self.static_days(j, g, w) & bits
            for g in self.usable[j]
            for w, bits in allowed.items()
        ):
            names = ", ".join(job.static_gauges)
            return no(
                Cause.NO_GAUGE,
                f"No second gauge for its static pressure is there {named} beside the first: "
                f"{names}.",
            )
        loose = {w: pairs for w, bits in allowed.items() if (pairs := self._pairs(j, w, bits))}
        if not loose:
            return no(
                Cause.NO_COMMON_DAY,
                f"On no day {named} are a person qualified for {job.quantity} and one of "
                f"{', '.join(job.gauges)} there together.",
            )
        long = {
            w: pairs
            for w, found in loose.items()
            if (pairs := [c for c in found if self._long_enough(j, w, c.worker, c.gauge, c.bits)])
        }
        if not long:
            return no(
                Cause.TOO_LONG,
                f"Its {job.minutes} minutes are more than any person and gauge have together in "
                f"one week {named}.",
            )
        if all(
            w in self.barred_weeks[j]
            or all((c.worker, c.gauge) in self.barred_hands[j] for c in pairs)
            for w, pairs in long.items()
        ):
            done = [r for r in given.recent if r.redundant_group == job.redundant_group]
            names = ", ".join(f"{r.tag} in {r.week}" for r in done)
            return no(
                Cause.SEPARATION,
                f"Every week it could be done in is nearer than {self.apart[j]} weeks to, or has "
                f"only the same person and gauge as, work done in its redundant group: {names}.",
            )
        return no(Cause.FIXED, self._why_not_fixed(j, allowed, job.fixed))

    def _pairs(self, j: int, week: int, bits: int) -> list[Combo]:
        """Who is there with what that week, whatever their minutes and what was fixed."""
        return [
            Combo(k, g, both)
            for g in self.usable[j]
            for k in range(len(self.workers))
            if (
                both := bits
                & self.gauge_days[g][week]
                & self.skill_days[k][self.quantity[j]][week]
                & (self.static_days(j, g, week) if self.statics[j] else ~0)
            )
        ]

    def _why_not_fixed(self, j: int, allowed: dict[int, int], fixed: Fixed | None) -> str:
        job = self.jobs[j]
        if fixed is None:  # pragma: no cover - every other way has been told above
            return "No week fits it."
        place = f"It is fixed to {fixed.week}"
        week = self.index_of.get(fixed.week, -1)
        if week < 0:
            return f"{place}, outside the plan's {self.weeks[0]} to {self.weeks[-1]}."
        if week not in allowed:
            return (
                f"{place}, where it may not be done: its days are {job.earliest_on} to "
                f"{job.latest_on}" + (" within its outages." if job.outages is not None else ".")
            )
        if week in self.barred_weeks[j]:
            return f"{place}, nearer than {self.apart[j]} weeks to work in its redundant group."
        bits = allowed[week]
        if fixed.worker is not None:
            k = self.worker_no.get(fixed.worker, -1)
            if k < 0 or not self.skill_days[k][self.quantity[j]][week] & bits:
                return f"{place} with {fixed.worker}, who is then not there or not qualified."
        if fixed.gauge is not None:
            if fixed.gauge not in job.gauges:
                return f"{place} with {fixed.gauge}, which is not one of its usable gauges."
            if not self.gauge_days[self.gauge_no[fixed.gauge]][week] & bits:
                return f"{place} with {fixed.gauge}, which is then away or not valid."
        return f"{place}, where no person and gauge left to it have {job.minutes} minutes together."

    def _person_text(self, w: PlanWorker, job: PlanJob, allowed: dict[int, int]) -> str:
        """Why somebody who had the qualification once cannot do a job on its days."""
        k = self.worker_no[w.code]
        if not any(self.worker_rate[k][week] for week in allowed):
            return f"{w.code} without bench hours"
        first, last = self.weeks[min(allowed)].first, self.weeks[max(allowed)].last
        away = [_window(x) for x in w.away if x.last >= first and x.first <= last]
        held = [
            _window(s.window)
            for s in w.skills
            if s.quantity is job.quantity and s.window is not None
        ]
        told = [f"away {' and '.join(away)}"] if away else []
        if held and not any(
            w.qualified_on(job.quantity, self.day(week, d))
            for week, bits in allowed.items()
            for d in range(7)
            if bits >> d & 1
        ):
            told.append(f"qualified {' and '.join(held)}")
        return f"{w.code} {', '.join(told) or 'without bench hours on these days'}"

    def _gauge_text(self, g: int) -> str:
        gauge = self.gauges[g]
        valid = " and ".join(_window(w) for w in gauge.valid) or "at no time"
        away = "".join(f", away {_window(w)}" for w in gauge.away)
        note = f" ({gauge.note})" if gauge.note else ""
        return f"{gauge.code} valid {valid}{away}{note}"

    def _weeks_text(self, weeks: dict[int, int]) -> str:
        first, last = self.weeks[min(weeks)], self.weeks[max(weeks)]
        return f"in {first}" if first == last else f"from {first} to {last}"

    def soonest_days(self, j: int) -> dict[int, int]:
        """Week -> working days after the job's latest day (outages kept), for a late proposal."""
        job = self.jobs[j]
        after = date.fromordinal(job.latest_on.toordinal() + 1)
        spans = [Window(after, self.given.last)] if after <= self.given.last else []
        if job.outages is not None:
            spans = [Window(max(w.first, after), w.last) for w in job.outages if w.last >= after]
        found: dict[int, int] = {}
        for span in spans:
            for week, bits in self._between(span.first, span.last).items():
                found[week] = found.get(week, 0) | bits
        return found


def _window(window: Window) -> str:
    return f"{window.first} to {window.last}"
