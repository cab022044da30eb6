"""When one item is due, how late it may be, its status that day, and the reason in a sentence.

Everything is counted from facts: the policy in force and the days the item was calibrated. A due
date is the last day the item is in date; it is overdue from the day after. Nothing is chained:
the n-th date of a grid is the first one plus n intervals.

Last done
    The due date is the last performance plus the interval. Early work pulls it earlier, late work
    pushes it later.
Fixed grid
    The dates are ``anchor + n * interval``. The anchor is the first due date, where somebody has
    set one; else the first performance. A performance satisfies the latest grid date that it
    follows, or precedes by no more than a quarter of the interval (with the end of month: or by
    no more than to the first of that month). Earlier work is extra and satisfies nothing new, so
    early work never stretches an interval by more than that; late work satisfies the date that it
    missed, and the next date stands.
Grace
    Counted from the previous performance: the work may be done up to ``interval + grace`` after
    it, and never more than the grace past the due date. A share of the interval is taken of its
    days and rounded down to whole days. A first calibration has no grace. Grace in use is shown
    (``IN_GRACE``, ``grace_days_used``); the due date does not move.
Several limits
    Further intervals and usage limits each give a date; the earliest is the due date, and the
    sentence says so. A usage limit has no grace.
Storage
    A stored item is never overdue and must not be used. When issued within its shelf limit, its
    clock starts on the day of issue; after it, the item must be calibrated before use.
Outage-bound
    The work is due in an outage. The calendar date is the aim, the hard stop (the last day of
    grace, unless set) the limit: the last outage beginning in the quarter interval before the
    calendar date, or else the first one beginning before the hard stop. Where no outage begins
    by then, a deferral is needed.
Deferral
    A record beside the due date, which stays as ``original_due_on``.

Sources: the 25 % extension as worded in a plant's technical specifications 4.0.2 (NRC ADAMS
ML20077M339); everything else is common practice, no source.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import date
from decimal import ROUND_FLOOR, Decimal
from enum import StrEnum
from itertools import pairwise

from calfleet.errors import BadQuantity, DateRefused, RecordRefused
from calfleet.records import IntervalBasis, IntervalPolicy, IntervalUnit
from calfleet.scheduling.calendar import Window, add_days, add_interval

EARLY_SHARE = Decimal("0.25")
"""How much of an interval before a fixed date still counts as that date's work."""

NOTICE_DAYS = 30
"""So many days before the due date an item is called due."""


class Status(StrEnum):
    """How an item stands on a day."""

    NOT_DUE = "not due"
    DUE = "due"
    IN_GRACE = "in grace"
    OVERDUE = "overdue"
    DEFERRED = "deferred"
    NEVER_CALIBRATED = "never calibrated"
    CALIBRATE_BEFORE_USE = "calibrate before use"
    IN_STORE = "in store"
    NOT_IN_SERVICE = "not in service"
    WAITS_FOR_OUTAGE = "waits for outage"
    NEEDS_DEFERRAL = "needs deferral"


# --- facts ------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class UsageLimit:
    """A limit on use since the last calibration, in cycles or hours.

    ``used`` stood on the counter (counted from the last calibration) on ``read_on``.
    ``rate_per_day`` may be left out: it is then ``used`` over the days since the calibration.
    A counter read before the last calibration stands at zero on the day of the calibration.
    Raises BadQuantity for a limit that is not positive, or a negative count or rate.
    """

    name: str
    limit: Decimal
    used: Decimal
    read_on: date
    rate_per_day: Decimal | None = None

    def __post_init__(self) -> None:
        values = (self.limit, self.used, self.rate_per_day or Decimal(0))
        if not all(v.is_finite() for v in values) or self.limit <= 0 or min(values) < 0:
            raise BadQuantity(
                f"The usage limit of {self.limit} {self.name} with {self.used} used is not usable.",
                rule="A limit is above zero; what is used and the rate are zero or more.",
                next_step="Correct the limit, the counter reading or the rate.",
            )


@dataclass(frozen=True, slots=True)
class Storage:
    """An item kept in store after its calibration, until ``issued_on`` (``None``: still there).

    ``shelf_limit_days``: so long after its calibration it may be issued without another one, and
    its clock then starts on the day of issue. ``None``: storage does not stop the clock.
    """

    issued_on: date | None = None
    shelf_limit_days: int | None = None

    def __post_init__(self) -> None:
        if self.shelf_limit_days is not None and self.shelf_limit_days <= 0:
            raise BadQuantity(
                f"A shelf limit of {self.shelf_limit_days} days is not usable.",
                rule="A shelf limit is at least one day.",
                next_step="Give the longest time in store, or leave the limit out.",
            )


@dataclass(frozen=True, slots=True)
class Clock:
    """A further interval on the same item, with the days on which its own work was done.

    ``begins_on``: since when it is to be followed; work never done is due that day, but not before
    the item's first use. ``None``: on its first use.
    """

    name: str
    policy: IntervalPolicy
    performed: tuple[date, ...]
    begins_on: date | None = None


@dataclass(frozen=True, slots=True)
class Outages:
    """The outages in which an outage-bound item can be worked on.

    ``hard_stop``: the last permitted day; ``None``: the due date plus the policy's grace.
    """

    windows: tuple[Window, ...]
    hard_stop: date | None = None


@dataclass(frozen=True, slots=True)
class Deferral:
    """A due date put off: the date that is deferred, until when, why, at what risk, by whom.

    Raises RecordRefused when a text is empty, when requester and approver are one person, or when
    ``until`` is not after ``due_on``; DateRefused when it was approved after the date it defers
    or before it was requested.
    """

    due_on: date
    until: date
    reason: str
    risk: str
    requested_by: str
    requested_on: date
    approved_by: str
    approved_on: date

    def __post_init__(self) -> None:
        name = f"The deferral of {self.due_on} to {self.until}"
        missing = [
            word
            for word, text in (
                ("reason", self.reason),
                ("risk statement", self.risk),
                ("requester", self.requested_by),
                ("approver", self.approved_by),
            )
            if not text.strip()
        ]
        if missing:
            raise RecordRefused(
                f"{name} lacks: {', '.join(missing)}.",
                rule="A deferral states reason, risk, requester and approver.",
                next_step="Give what is missing.",
            )
        if self.requested_by.strip().casefold() == self.approved_by.strip().casefold():
            raise RecordRefused(
                f"{name} is requested and approved by {self.approved_by}.",
                rule="Nobody approves their own deferral.",
                next_step="Have another person with the role of approver approve it.",
            )
        if self.until <= self.due_on:
            raise RecordRefused(
                f"{name} puts nothing off.",
                rule="A deferral ends after the date that it defers.",
                next_step="Give a later day.",
            )
        if self.approved_on < self.requested_on:
            raise DateRefused(
                f"{name} was approved on {self.approved_on}, before it was requested on "
                f"{self.requested_on}.",
                rule="A request comes before its approval.",
                next_step="Correct one of the two dates.",
            )
        if self.approved_on > self.due_on:
            raise DateRefused(
                f"{name} was approved on {self.approved_on}, when the date had passed.",
                rule="A deferral is approved on or before the date that it defers.",
                next_step="Calibrate the item, or take it out of service until it is done.",
            )


# --- answers ----------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Limit:
    """One date that binds an item: name, due date, latest date with grace, and from what.

    ``work``: the further interval's name; empty: the calibration. ``estimated``: from a rate of
    use, so that it moves with every counter reading.
    """

    name: str
    due_on: date
    latest_on: date
    text: str
    work: str = ""
    estimated: bool = False


@dataclass(frozen=True, slots=True)
class Standing:
    """How one item stands on ``as_of``.

    ``due_on`` is the last day in date (a deferral's end, if deferred: then ``original_due_on`` is
    the date by the policy); ``None`` where nothing is due. ``latest_on`` includes the grace.
    ``days_left`` counts to ``due_on`` and is negative after it, in grace as well. ``usable``:
    whether the item may be relied on that day. ``limits``: all dates found, earliest first.
    """

    as_of: date
    status: Status
    why: str
    last_on: date | None
    due_on: date | None
    latest_on: date | None = None
    original_due_on: date | None = None
    grace_days: int = 0
    grace_days_used: int = 0
    usable: bool = True
    outage: Window | None = None
    limits: tuple[Limit, ...] = ()

    @property
    def days_left(self) -> int | None:
        return None if self.due_on is None else (self.due_on - self.as_of).days

    def works_due(self, until: date) -> tuple[str, ...]:
        """The work that falls due by ``until`` or is the next to fall due; empty: calibration.

        In order of date. Where no limits were found, the calibration is what is due.
        """
        if not self.limits:
            return () if self.due_on is None else ("",)
        due = [x.work for n, x in enumerate(self.limits) if n == 0 or x.due_on <= until]
        return tuple(dict.fromkeys(due))


@dataclass(frozen=True, slots=True)
class GraceUse:
    """How one past performance stood to its due date; days are zero or more."""

    due_on: date
    latest_on: date
    done_on: date
    days_late: int
    grace_days: int
    grace_days_used: int
    days_past_grace: int


# --- policies ---------------------------------------------------------------------------


def check_policy(policy: IntervalPolicy) -> None:
    """Nothing, when ``policy`` can be followed.

    Raises RecordRefused for an interval below 1, grace that is negative, given twice, or as long
    as the interval, and for an end of month with an interval in days.
    """
    name = f"The interval policy {policy.code}"
    if policy.every < 1:
        raise RecordRefused(
            f"{name} has an interval of {policy.every} {policy.unit}s.",
            rule="An interval is at least 1.",
            next_step="Give the interval, or mark the item as calibrated before use.",
        )
    if policy.grace_days < 0 or not 0 <= policy.grace_fraction < 1:
        raise RecordRefused(
            f"{name} has a grace of {policy.grace_fraction} and {policy.grace_days} days.",
            rule="Grace is a share from 0 to below 1, or days from 0.",
            next_step="Correct the grace.",
        )
    if policy.grace_days and policy.grace_fraction:
        raise RecordRefused(
            f"{name} states grace twice: {policy.grace_fraction} of the interval and "
            f"{policy.grace_days} days.",
            rule="Grace is a share of the interval or a number of days.",
            next_step="Keep one of the two.",
        )
    shortest = policy.every * (28 if policy.unit is IntervalUnit.MONTH else 1)
    if policy.grace_days >= shortest:
        raise RecordRefused(
            f"{name} has a grace of {policy.grace_days} days on an interval of "
            f"{interval_text(policy)}.",
            rule="Grace is shorter than the interval.",
            next_step="Shorten the grace, or state the interval that is meant.",
        )
    if policy.end_of_month and policy.unit is IntervalUnit.DAY:
        raise RecordRefused(
            f"{name} counts days and ends with the month.",
            rule="An interval in days fixes the day; the end of the month would move it.",
            next_step="Count the interval in months, or drop the end of the month.",
        )


def interval_text(policy: IntervalPolicy) -> str:
    """The interval in words, such as ``12 months``."""
    return f"{policy.every} {policy.unit}{'' if policy.every == 1 else 's'}"


def extended_days(interval_days: int, grace_fraction: Decimal) -> Decimal:
    """An interval in days with its grace, not rounded.

    >>> extended_days(31, Decimal("0.25"))
    Decimal('38.75')
    """
    return interval_days * (1 + grace_fraction)


def nth_date(policy: IntervalPolicy, start: date, n: int) -> date:
    """``start`` plus ``n`` intervals of ``policy``, counted in one step.

    With ``end_of_month`` the end of that month, for n = 0 too. Raises BadDate outside the calendar.
    """
    return add_interval(start, n * policy.every, policy.unit, end_of_month=policy.end_of_month)


def interval_days(policy: IntervalPolicy, start: date) -> int:
    """The days of one interval that begins on ``start`` (the end of the month not counted in)."""
    return (add_interval(start, policy.every, policy.unit) - start).days


def grace_length(policy: IntervalPolicy, start: date) -> int:
    """The whole days of grace after an interval that begins on ``start``."""
    if policy.grace_days:
        return policy.grace_days
    share = policy.grace_fraction * interval_days(policy, start)
    return int(share.to_integral_value(ROUND_FLOOR))


def grid_index(policy: IntervalPolicy, anchor: date, performed: date) -> int:
    """The number n of the grid date that work on ``performed`` satisfies; -1: none yet.

    The grid is ``anchor + n * interval``. See the head of this module for the rule.
    """

    def opens(n: int) -> date:
        fixed = nth_date(policy, anchor, n)
        length = (fixed - nth_date(policy, anchor, n - 1)).days
        early = add_days(fixed, -int(EARLY_SHARE * length))
        # Due by the end of a month: that month's work is never too early.
        return min(early, fixed.replace(day=1)) if policy.end_of_month else early

    longest_day_count = 31 if policy.unit is IntervalUnit.MONTH else 1
    n = max((performed - anchor).days // (policy.every * longest_day_count) - 1, -1)
    while opens(n + 1) <= performed:
        n += 1
    return n


def valid_until(
    policy: IntervalPolicy, calibrated_on: date, *, grid_anchor: date | None = None
) -> date:
    """The last day on which a gauge calibrated on ``calibrated_on`` may be used; without grace.

    On a fixed grid without an anchor the calibration itself is the anchor.
    Raises RecordRefused when the policy contradicts itself.

    >>> yearly = IntervalPolicy(
    ...     "R12", date(2024, 1, 1), IntervalBasis.LAST_DONE, 12, IntervalUnit.MONTH
    ... )
    >>> valid_until(yearly, date(2025, 3, 10))
    datetime.date(2026, 3, 10)
    """
    check_policy(policy)
    return _calendar_limit(policy, calibrated_on, calibrated_on, grid_anchor).due_on


# --- the question -----------------------------------------------------------------------


def standing(
    policy: IntervalPolicy,
    performed: Sequence[date],
    *,
    as_of: date,
    in_service: bool = True,
    first_use: date | None = None,
    grid_anchor: date | None = None,
    storage: Storage | None = None,
    usage: Sequence[UsageLimit] = (),
    also: Sequence[Clock] = (),
    outages: Outages | None = None,
    deferrals: Sequence[Deferral] = (),
    before_each_use: bool = False,
    notice_days: int = NOTICE_DAYS,
) -> Standing:
    """How the item stands on ``as_of``: due date, latest date, status, and why.

    ``performed``: the days it was calibrated, in any order; later ones than ``as_of`` are not
    known yet and left out. ``first_use``: when an item that was never calibrated came into use;
    it is due that day. ``grid_anchor``: the first due date of a fixed grid. ``before_each_use``:
    no due date, usable on the day of its calibration. Raises RecordRefused when a policy
    contradicts itself, or a hard stop lies before the last calibration.

    >>> yearly = IntervalPolicy(
    ...     "S12", date(2024, 1, 1), IntervalBasis.LAST_DONE, 12, IntervalUnit.MONTH
    ... )
    >>> now = standing(yearly, [date(2025, 3, 10)], as_of=date(2026, 3, 1))
    >>> print(now.status, now.days_left, now.why, sep="; ")
    due; 9; Due 2026-03-10, 12 months after it was last done on 2025-03-10 (policy S12).
    """
    check_policy(policy)
    done = [day for day in performed if day <= as_of]
    last = max(done, default=None)

    stored = storage is not None and (storage.issued_on is None or storage.issued_on > as_of)
    if stored or not in_service:
        return _idle(last, as_of, storage if stored else None)
    clocks = [_clock_limit(clock, first_use, as_of) for clock in also]
    if before_each_use:
        return _before_each_use(last, as_of, clocks, notice_days)
    if last is None:
        never = _never(as_of, first_use, grid_anchor if _on_grid(policy) else None)
        return _never_among(never, clocks)

    start = last
    if storage is not None and storage.issued_on is not None and storage.issued_on > last:
        limit_days = storage.shelf_limit_days
        if limit_days is not None and (storage.issued_on - last).days > limit_days:
            return _shelf_passed(last, as_of, storage.issued_on, limit_days)
        if limit_days is not None:
            start = storage.issued_on

    anchor = grid_anchor if grid_anchor is not None else min(done)
    limits = [_calendar_limit(policy, last, start, anchor)]
    limits += clocks
    limits += [found for u in usage if (found := _usage_limit(u, start)) is not None]
    limits.sort(key=lambda x: (x.due_on, x.latest_on))
    first = limits[0]
    # Every limit binds, so the permitted end is the earliest of all.
    latest = min(x.latest_on for x in limits)
    text = first.text
    if len(limits) > 1:
        text += f"; the earliest of {len(limits)} limits, next {limits[1].name} {limits[1].due_on}"

    if outages is not None:
        answer = _at_outage(policy, outages, first, latest, last, start, as_of, notice_days, text)
    else:
        answer = _plain(first.due_on, latest, as_of, notice_days, text, last)
    return _deferred(answer, deferrals, last, as_of, tuple(limits))


def _plain(
    due_on: date, latest: date, as_of: date, notice_days: int, text: str, last: date | None
) -> Standing:
    grace = (latest - due_on).days
    late = (as_of - due_on).days
    if as_of > latest:
        status = Status.OVERDUE
        text += f"; overdue by {_days(late)}"
        text += f", the grace of {_days(grace)} ended on {latest}" if grace else ""
    elif late > 0:
        status = Status.IN_GRACE
        text += f"; {late} of {_days(grace)} of grace used, it ends on {latest}"
    else:
        status = Status.DUE if -late <= notice_days else Status.NOT_DUE
    return Standing(
        as_of=as_of,
        status=status,
        why=f"Due {due_on}, {text}.",
        last_on=last,
        due_on=due_on,
        latest_on=latest,
        grace_days=grace,
        grace_days_used=min(max(late, 0), grace),
        usable=as_of <= latest,
    )


def _at_outage(
    policy: IntervalPolicy,
    outages: Outages,
    first: Limit,
    latest: date,
    last: date,
    start: date,
    as_of: date,
    notice_days: int,
    text: str,
) -> Standing:
    """The standing of an outage-bound item: due at an outage, hard stop as its latest day."""
    aim = first.due_on
    stop = outages.hard_stop if outages.hard_stop is not None else latest
    if stop <= last:
        raise RecordRefused(
            f"The hard stop {stop} is not after the last calibration on {last}.",
            rule="A hard stop is the last day for the next calibration.",
            next_step="Set a hard stop for the coming cycle, or leave it to the policy's grace.",
        )
    opens = add_days(aim, -int(EARLY_SHARE * max((aim - start).days, 0)))
    ahead = sorted(w for w in outages.windows if w.first > last and w.last >= as_of)
    on_time = [w for w in ahead if opens <= w.first <= min(aim, stop)]
    in_grace = [w for w in ahead if aim < w.first <= stop]
    chosen = on_time[-1] if on_time else in_grace[0] if in_grace else None
    calendar = f"the calendar date is {aim}, {text}"
    if chosen is not None:
        due_on = min(chosen.last, stop)
        cut = f", cut by the hard stop {stop}" if chosen.last > stop else ""
        why = f"Due {due_on} at the outage {_window(chosen)}{cut}; {calendar}; hard stop {stop}"
        if as_of >= chosen.first:
            status = Status.DUE
        elif (aim - as_of).days <= notice_days:
            status = Status.WAITS_FOR_OUTAGE
        else:
            status = Status.NOT_DUE
    else:
        due_on = stop
        beyond = next((w for w in ahead if w.first > stop), None)
        why = f"Due {stop}, its hard stop: no outage begins from {opens} to that day"
        if beyond is not None:
            why += f", the next one {_window(beyond)} is past it, a deferral is needed"
        why += f"; {calendar}"
        near = (aim - as_of).days <= notice_days
        status = Status.NEEDS_DEFERRAL if beyond is not None or near else Status.NOT_DUE
    late = (as_of - aim).days
    grace = max((stop - aim).days, 0)
    if as_of > stop:
        status = Status.OVERDUE
        why += f"; overdue by {_days((as_of - stop).days)}"
    elif late > 0:
        why += f"; {late} of {_days(grace)} up to the hard stop used"
    return Standing(
        as_of=as_of,
        status=status,
        why=f"{why}.",
        last_on=last,
        due_on=due_on,
        latest_on=stop,
        grace_days=grace,
        grace_days_used=min(max(late, 0), grace),
        usable=as_of <= stop,
        outage=chosen,
    )


def _deferred(
    answer: Standing,
    deferrals: Iterable[Deferral],
    last: date,
    as_of: date,
    limits: tuple[Limit, ...],
) -> Standing:
    """``answer`` with the limits, put off by the deferral in force for this cycle, if any."""
    answer = replace(answer, limits=limits)
    current = [d for d in deferrals if d.approved_on <= as_of and _of_this_cycle(d, last)]
    newest = max(current, key=lambda d: (d.approved_on, d.until), default=None)
    due_on = answer.due_on
    if newest is None or due_on is None or newest.until <= due_on:
        return answer
    # A deferral names the date that it puts off: what falls due later for another reason binds.
    # (An estimate moves with each counter reading and is not held to the day.)
    put_off = max(d.due_on for d in current)
    others = [x.due_on for x in limits if x.due_on > put_off and not x.estimated]
    if limits and len(others) == len(limits):
        return answer
    newest = replace(newest, until=min([newest.until, *others]))
    until = newest.until
    latest = until if answer.latest_on is None else max(answer.latest_on, until)
    text = answer.why.removesuffix(".").split("; overdue by")[0]
    times = f", put off {len(current)} times" if len(current) > 1 else ""
    why = (
        f"Deferred from {due_on} to {until} (approved by {newest.approved_by} on "
        f"{newest.approved_on}{times}: {newest.reason.strip().rstrip('.')}); first {_lower(text)}"
    )
    if as_of > latest:
        status = Status.OVERDUE
        why += f"; overdue by {_days((as_of - until).days)}"
    else:
        status = Status.DEFERRED if as_of <= until else Status.IN_GRACE
    return replace(
        answer,
        status=status,
        why=f"{why}.",
        due_on=until,
        latest_on=latest,
        original_due_on=due_on,
        usable=as_of <= latest,
    )


def _of_this_cycle(deferral: Deferral, last: date | None) -> bool:
    """A deferral of an earlier cycle was spent when the work was done."""
    return last is None or (deferral.approved_on >= last and deferral.due_on > last)


# --- items without a calendar date ------------------------------------------------------


def _idle(last: date | None, as_of: date, storage: Storage | None) -> Standing:
    since = "never calibrated" if last is None else f"last calibrated on {last}"
    if storage is None:
        why = f"Not in service, so nothing is due and it must not be used; {since}."
        return Standing(as_of, Status.NOT_IN_SERVICE, why, last, None, usable=False)
    if last is None:
        why = "In store and never calibrated: to be calibrated before it is used."
        return Standing(as_of, Status.CALIBRATE_BEFORE_USE, why, last, None, usable=False)
    why = f"In store, so never overdue and not to be used; {since}"
    if storage.shelf_limit_days is None:
        return Standing(as_of, Status.IN_STORE, f"{why}.", last, None, usable=False)
    end = add_days(last, storage.shelf_limit_days)
    shelf = f"its shelf limit of {_days(storage.shelf_limit_days)}"
    if as_of > end:
        why = f"In store past {shelf}, which ended on {end}: to be calibrated before it is used"
        return Standing(as_of, Status.CALIBRATE_BEFORE_USE, f"{why}.", last, None, usable=False)
    why += f"; {shelf} ends on {end}, issued by then its clock starts on the day of issue"
    return Standing(as_of, Status.IN_STORE, f"{why}.", last, None, usable=False)


def _before_each_use(
    last: date | None, as_of: date, clocks: Sequence[Limit], notice_days: int
) -> Standing:
    today = last == as_of
    why = "It is calibrated before each use and has no due date; " + (
        f"done on {last}, the day asked for."
        if today
        else ("never done." if last is None else f"last done on {last}, not on {as_of}.")
    )
    if not clocks:
        return Standing(as_of, Status.CALIBRATE_BEFORE_USE, why, last, None, usable=today)
    limits = tuple(sorted(clocks, key=lambda x: (x.due_on, x.latest_on)))
    latest = min(x.latest_on for x in limits)
    found = _plain(limits[0].due_on, latest, as_of, notice_days, limits[0].text, last)
    return replace(found, why=f"{found.why} {why}", usable=today and found.usable, limits=limits)


def _never_among(never: Standing, clocks: Sequence[Limit]) -> Standing:
    """The standing of an item that was never calibrated, with its further work."""
    due_on = never.due_on
    if not clocks or due_on is None:
        return never
    own = Limit("calibration", due_on, due_on, "never calibrated")
    limits = sorted((own, *clocks), key=lambda x: (x.due_on, x.latest_on))
    return replace(never, limits=tuple(limits))


def _never(as_of: date, first_use: date | None, anchor: date | None) -> Standing:
    if anchor is not None:
        due_on, reason = anchor, f"its first due date, set to {anchor}"
    elif first_use is not None:
        due_on, reason = first_use, f"the day of its first use, {first_use}"
    else:
        due_on, reason = as_of, "at once"
    late = (as_of - due_on).days
    tail = f"; overdue by {_days(late)}" if late > 0 else ""
    why = f"Never calibrated: due {reason}, without grace since there is nothing to count from"
    return Standing(
        as_of,
        Status.NEVER_CALIBRATED,
        f"{why}{tail}.",
        None,
        due_on,
        latest_on=due_on,
        usable=False,
    )


def _shelf_passed(last: date, as_of: date, issued_on: date, limit_days: int) -> Standing:
    why = (
        f"To be calibrated before use: issued on {issued_on}, {_days((issued_on - last).days)} "
        f"after its calibration on {last}, past its shelf limit of {_days(limit_days)}."
    )
    return Standing(
        as_of,
        Status.CALIBRATE_BEFORE_USE,
        why,
        last,
        issued_on,
        latest_on=issued_on,
        usable=False,
    )


# --- limits -----------------------------------------------------------------------------


def _on_grid(policy: IntervalPolicy) -> bool:
    return policy.basis is IntervalBasis.FIXED_GRID


def _calendar_limit(policy: IntervalPolicy, last: date, start: date, anchor: date | None) -> Limit:
    """The date by ``policy``: counted from ``start``, or the grid date after the one satisfied."""
    every = interval_text(policy)
    if _on_grid(policy):
        origin = start if anchor is None else anchor
        n = grid_index(policy, origin, start)
        due_on = nth_date(policy, origin, n + 1)
        met = f"{nth_date(policy, origin, n)} was met on {last}" if n >= 0 else f"done on {last}"
        text = f"the next of the fixed dates every {every} from {origin}; {met}"
    else:
        due_on = nth_date(policy, start, 1)
        of_month = "the end of the month " if policy.end_of_month else ""
        did = f"it was last done on {last}" if start == last else f"its issue on {start}"
        text = f"{of_month}{every} after {did}"
        if due_on.day < start.day and not policy.end_of_month and policy.unit is IntervalUnit.MONTH:
            text += f", that month having no day {start.day}"
    grace = grace_length(policy, start)
    counted = add_days(start, interval_days(policy, start) + grace)
    latest = max(due_on, min(counted, add_days(due_on, grace)))
    kept = (latest - due_on).days
    if kept < grace:
        text += f", early work leaving {kept} of {_days(grace)} of grace"
    return Limit(f"policy {policy.code}", due_on, latest, f"{text} (policy {policy.code})")


def _clock_limit(clock: Clock, first_use: date | None, as_of: date) -> Limit:
    check_policy(clock.policy)
    name = clock.name
    done = [day for day in clock.performed if day <= as_of]
    if not done:
        known = [day for day in (first_use, clock.begins_on) if day is not None]
        due_on = max(known, default=as_of)
        since = f", wanted since {clock.begins_on}," if due_on == clock.begins_on else ","
        return Limit(name, due_on, due_on, f"for {name}{since} which was never done", name)
    found = _calendar_limit(clock.policy, max(done), max(done), min(done))
    return Limit(name, found.due_on, found.latest_on, f"for {name}: {found.text}", name)


def _usage_limit(usage: UsageLimit, start: date) -> Limit | None:
    """The day the counter reaches its limit; ``None`` when no rate tells it."""
    used, read_on = (usage.used, usage.read_on) if usage.read_on >= start else (Decimal(0), start)
    left = usage.limit - used
    name = f"{_plain_number(usage.limit)} {usage.name}"
    if left <= 0:
        text = f"when the limit of {name} was seen reached ({_plain_number(used)} read)"
        return Limit(name, read_on, read_on, text, estimated=True)
    rate = usage.rate_per_day
    if rate is None:
        days = (read_on - start).days
        rate = used / days if days else Decimal(0)
    if not rate:
        return None
    days_ahead = int((left / rate).to_integral_value(ROUND_FLOOR))
    if days_ahead > (date.max - read_on).days:
        return None
    due_on = add_days(read_on, days_ahead)
    text = (
        f"when the limit of {name} is expected ({_plain_number(used)} on {read_on}, "
        f"{float(rate):.3g} a day)"
    )
    return Limit(name, due_on, due_on, text, estimated=True)


def usage_rate(usage: UsageLimit, start: date) -> Decimal:
    """What is used a day: the rate given, or what was used since ``start``; 0: nothing tells it."""
    if usage.rate_per_day is not None:
        return usage.rate_per_day
    days = (usage.read_on - start).days
    return usage.used / days if days > 0 else Decimal(0)


# --- deferrals, outages, history --------------------------------------------------------


def check_deferral(
    deferral: Deferral,
    now: Standing,
    *,
    earlier: Sequence[Deferral] = (),
    max_count: int = 1,
    not_after: date | None = None,
) -> None:
    """Nothing, when ``deferral`` may be recorded for an item that stands as ``now``.

    ``earlier``: deferrals already recorded for the item; those of this cycle count towards
    ``max_count``. ``not_after``: the last day that may be given at all.
    Raises RecordRefused when nothing is due, the date is not the item's, there were too many, or
    it reaches past ``not_after``; DateRefused when the due date has passed.
    """
    name = f"The deferral to {deferral.until}"
    if now.due_on is None:
        raise RecordRefused(
            f"{name} defers nothing: the item is {now.status}.",
            rule="Only an item with a due date can be deferred.",
            next_step="Check the tag and the status of the item.",
        )
    if deferral.due_on != now.due_on:
        raise RecordRefused(
            f"{name} is for {deferral.due_on}, but the item is due on {now.due_on}.",
            rule="A deferral names the due date that it defers.",
            next_step=f"State {now.due_on}, or check the tag.",
        )
    if now.status is Status.NEVER_CALIBRATED or now.status is Status.CALIBRATE_BEFORE_USE:
        raise RecordRefused(
            f"{name} is for an item that is to be calibrated before use.",
            rule="Only a calibrated item can run on past its due date.",
            next_step="Calibrate the item.",
        )
    if now.as_of > now.due_on:
        raise DateRefused(
            f"{name} comes {_days((now.as_of - now.due_on).days)} after the due date.",
            rule="A deferral is approved on or before the date that it defers.",
            next_step="Calibrate the item, or take it out of service until it is done.",
        )
    count = sum(_of_this_cycle(d, now.last_on) for d in earlier)
    if count >= max_count:
        raise RecordRefused(
            f"{name} would be number {count + 1} since the last calibration on {now.last_on}.",
            rule=f"An item may be deferred {_times(max_count)} between two calibrations.",
            next_step="Calibrate the item, or take it out of service.",
        )
    if not_after is not None and deferral.until > not_after:
        raise RecordRefused(
            f"{name} reaches past {not_after}.",
            rule="A deferral puts one due date off, by one interval past its latest day at most.",
            next_step=f"Defer to {not_after} at the latest; a longer interval is set by a policy "
            "or a due rule.",
        )


def check_outage(outage: Window, hard_stop: date, *, tag: str) -> None:
    """Nothing, when the work on ``tag`` can be done in ``outage`` before its hard stop.

    Raises RecordRefused when the outage begins after the hard stop.
    """
    if outage.first > hard_stop:
        raise RecordRefused(
            f"The outage {_window(outage)} begins after the hard stop {hard_stop} of {tag}.",
            rule="Outage-bound work is done by its hard stop.",
            next_step=f"Keep an outage on or before {hard_stop}, or have {tag} deferred first.",
        )


def grace_history(
    policy: IntervalPolicy, performed: Sequence[date], *, grid_anchor: date | None = None
) -> tuple[GraceUse, ...]:
    """How each performance after the first stood to its due date by ``policy``, oldest first.

    Grace that is used again and again is a longer interval in disguise. Fewer than two
    performances: empty. Raises RecordRefused when the policy contradicts itself.
    """
    check_policy(policy)
    days = sorted(set(performed))
    uses = []
    for before, done in pairwise(days):
        anchor = days[0] if grid_anchor is None else grid_anchor
        found = _calendar_limit(policy, before, before, anchor)
        late = max((done - found.due_on).days, 0)
        grace = (found.latest_on - found.due_on).days
        uses.append(
            GraceUse(
                due_on=found.due_on,
                latest_on=found.latest_on,
                done_on=done,
                days_late=late,
                grace_days=grace,
                grace_days_used=min(late, grace),
                days_past_grace=max(late - grace, 0),
            )
        )
    return tuple(uses)


def recurrences(
    policy: IntervalPolicy,
    done_on: date,
    *,
    counted_from: date | None = None,
    grid_anchor: date | None = None,
) -> Iterator[date]:
    """The due dates after work on ``done_on``, without end, each done on its due date.

    ``counted_from`` keeps the anchor of a last-done interval when ``done_on`` is itself one of
    its due dates, so that a day clamped at a short month does not stay lost. The iterator ends
    at the end of the calendar.
    """
    if _on_grid(policy):
        origin = done_on if grid_anchor is None else grid_anchor
        n = grid_index(policy, origin, done_on) + 1
    else:
        origin, n = done_on, 1
        if counted_from is not None and nth_date(policy, counted_from, 1) == done_on:
            origin, n = counted_from, 2
    step = policy.every * (31 if policy.unit is IntervalUnit.MONTH else 1)
    while (date.max - origin).days > (n + 1) * step:
        yield nth_date(policy, origin, n)
        n += 1


# --- words ------------------------------------------------------------------------------


def _times(count: int) -> str:
    return {0: "not even once", 1: "once"}.get(count, f"{count} times")


def _days(count: int) -> str:
    return f"{count} day{'' if count == 1 else 's'}"


def _window(window: Window) -> str:
    span = f"{window.first} to {window.last}"
    return f"{window.name} ({span})" if window.name else span


def _lower(sentence: str) -> str:
    return sentence[:1].lower() + sentence[1:]


def _plain_number(value: Decimal) -> str:
    text = format(value, "f")
    return text.rstrip("0").rstrip(".") if "." in text else text
