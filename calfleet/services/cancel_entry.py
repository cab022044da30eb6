"""A holiday, closure, leave, gauge absence or redundant group cancelled, with the reason."""

from __future__ import annotations

from datetime import date

from calfleet.errors import RecordRefused, UnknownName, UsageError
from calfleet.records import PlanningWithdrawal, Withdrawable
from calfleet.services.nearest import nearest_names, pick
from calfleet.store import planning_facts
from calfleet.store.queries import gauges as gauge_queries
from calfleet.store.queries.planning import planning_input, withdrawals
from calfleet.store.queries.shop import people
from calfleet.store.work import Work

OF_SOMEBODY = {Withdrawable.LEAVE: "person", Withdrawable.ABSENCE: "gauge"}


def cancel_entry(
    work: Work,
    kind: Withdrawable,
    subject: str | None,
    *,
    first_on: date | None,
    last_on: date | None = None,
    reason: str,
) -> PlanningWithdrawal:
    """What no longer counts, and why; the caller commits. The entry itself stays on record.

    ``subject``: the person, the gauge or the group; ``first_on``: the first day of the rest.
    ``last_on`` is needed only where two begin on one day.

    Raises: UsageError where one of these is missing or too much; UnknownName; RecordRefused
    without a reason, for what was cancelled before, or is not there.
    """
    reason = reason.strip()
    if not reason:
        raise RecordRefused(
            f"The {kind} would be cancelled without a reason.",
            rule="What is cancelled stays on record with the reason.",
            next_step="Give the reason.",
        )
    named = _named(work, kind, subject)
    days = _standing(work, kind, named)
    if kind is Withdrawable.GROUP:
        if first_on is not None:
            raise UsageError(
                "A day was given for a redundant group.",
                rule="A group is named by its code alone.",
                next_step="Leave the day out.",
            )
        made = PlanningWithdrawal(kind, named, None, None, reason)
    else:
        if first_on is None:
            raise UsageError(
                f"The first day of the {kind} is missing.",
                rule="A holiday, closure, leave or absence is named by its first day.",
                next_step="Give it with --from; 'calfleet shop calendar' lists them.",
            )
        fitting = [(a, b) for a, b in days if a == first_on and (last_on is None or b == last_on)]
        whose = f"{kind} of {named}" if named else str(kind)
        if not fitting:
            raise _not_there(work, kind, named, whose, first_on, last_on, days)
        if len(fitting) > 1:
            raise UsageError(
                f"{len(fitting)} entries, {whose}, begin on {first_on}; they end on "
                f"{', '.join(str(b) for _, b in fitting)}.",
                rule="One entry is cancelled at a time.",
                next_step="Give the last day with --to.",
            )
        made = PlanningWithdrawal(kind, named, *fitting[0], reason)
    planning_facts.withdraw(work, made)
    return made


def _named(work: Work, kind: Withdrawable, subject: str | None) -> str:
    """The person, gauge or group as recorded; empty for what belongs to the whole shop."""
    if kind in (Withdrawable.HOLIDAY, Withdrawable.CLOSURE):
        if subject is not None:
            raise UsageError(
                f"A {kind} of {subject!r}.",
                rule=f"A {kind} is that of the whole shop.",
                next_step="Give its first day with --from, and nobody.",
            )
        return ""
    if subject is None:
        whose = OF_SOMEBODY.get(kind, "group")
        raise UsageError(
            f"The {whose} is missing.",
            rule=f"A {kind} is named by its {whose}.",
            next_step=f"Name the {whose} behind the kind.",
        )
    if kind is Withdrawable.LEAVE:
        return pick("person", subject, people(work.session)).code
    if kind is Withdrawable.ABSENCE:
        return pick("gauge", subject, {c: c for c in gauge_queries.gauges(work.session)})
    groups = [g.code for g in planning_input(work.session).redundant_groups]
    gone = [w.subject for w in withdrawals(work.session) if w.kind is kind]
    if subject in gone and subject not in groups:
        raise RecordRefused(
            f"The redundant group {subject} was cancelled before.",
            rule="An entry is cancelled once.",
            next_step="'calfleet shop groups --all' shows when and why.",
        )
    return pick(
        "redundant group", subject, {c: c for c in groups}, next_step="'calfleet shop groups'."
    )


def _standing(work: Work, kind: Withdrawable, named: str) -> list[tuple[date, date]]:
    """First and last day of every entry of that kind that still counts."""
    given = planning_input(work.session)
    match kind:
        case Withdrawable.HOLIDAY:
            return [(h.day, h.day) for h in given.holidays]
        case Withdrawable.CLOSURE:
            return [(c.first_on, c.last_on) for c in given.closures]
        case Withdrawable.LEAVE:
            return [(x.first_on, x.last_on) for x in given.leaves if x.person == named]
        case Withdrawable.ABSENCE:
            return [(a.first_on, a.last_on) for a in given.absences if a.gauge == named]
        case Withdrawable.GROUP:
            return []


def _not_there(
    work: Work,
    kind: Withdrawable,
    named: str,
    whose: str,
    first_on: date,
    last_on: date | None,
    days: list[tuple[date, date]],
) -> RecordRefused | UnknownName:
    before = [
        w
        for w in withdrawals(work.session)
        if (w.kind, w.subject, w.first_on) == (kind, named, first_on)
        and last_on in (None, w.last_on)
    ]
    if before:
        return RecordRefused(
            f"The {whose} from {first_on} to {before[-1].last_on} was cancelled before: "
            f"{before[-1].reason}",
            rule="An entry is cancelled once.",
            next_step="'calfleet shop calendar --all' shows it.",
        )
    began = [str(a) for a, _ in days]
    told = f"from {first_on}" + (f" to {last_on}" if last_on else "")
    near = nearest_names(str(first_on), began) or began[:4]
    return UnknownName(
        whose,
        told,
        near,
        next_step="'calfleet shop calendar' lists what there is.",
    )
