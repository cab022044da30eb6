"""Deciding about results that a gauge found bad has touched: recall, assess, or nothing.

Source: ISO/IEC 17025:2017 7.10.1 c) significance and impact on previous results, d) acceptability;
7.10.2 records of it.
"""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass
from datetime import date

from calfleet.errors import RecordRefused, UnknownName, UsageError
from calfleet.records import Action, Disposition, Role
from calfleet.services.event_facts import event_facts, open_event, require_role
from calfleet.services.nearest import nearest_names, pick
from calfleet.services.show_event import judged
from calfleet.store import doubt_facts
from calfleet.store.queries import calibrations as calibration_queries
from calfleet.store.queries import due as due_queries
from calfleet.store.work import Work
from calfleet.traceability.dossier import Touched, touched_calibrations, undecided
from calfleet.traceability.impact import Consequence, Impact

MAY_DECIDE = (Role.REVIEWER, Role.APPROVER)


@dataclass(frozen=True, slots=True)
class Decided:
    """The decisions as added, with what each is about; ``left``: how many are still without one.

    ``done_since``: switches recalled that were calibrated since the gauge was found bad, so that
    the recall makes nothing due.
    """

    made: tuple[tuple[Disposition, Touched], ...]
    left: int
    done_since: tuple[str, ...]


def decide(
    work: Work,
    number: str,
    action: Action,
    *,
    calibrations: Sequence[str] = (),
    outcomes: Collection[Consequence] = (),
    reason: str,
    person: str,
    today: date,
) -> Decided:
    """One decision about each calibration named, or about all of some outcomes; caller commits.

    With ``outcomes`` only calibrations about which nothing was decided yet are meant: the gravest
    result of each counts. A calibration that is named may have been decided about before; the
    later decision stands.

    Raises: UnknownName, PersonRefused, RecordRefused for a closed event, a result not touched, or
    less than is proposed for one of many that are not named; UsageError without a reason or
    anything to decide about.
    """
    held = open_event(work.session, number)
    if bool(calibrations) is bool(outcomes):
        raise UsageError(
            "Nothing to decide about." if not calibrations else "Two ways to name the results.",
            rule="A decision names calibrations, or says of which outcome all of them are meant.",
            next_step="Name calibrations, or give --all with an outcome.",
        )
    if not reason.strip():
        raise UsageError(
            "The decision has no reason.",
            rule="Whoever decides says why.",
            next_step="Give it with --reason.",
        )
    facts = event_facts(work.session)
    people = facts.chain.people
    who = pick("person", person, people)
    require_role(who, MAY_DECIDE, today, "decide about results in doubt", people.values())
    found = judged(work.session, facts, held.number, today)
    touched = touched_calibrations(found)
    if calibrations:
        names = list(dict.fromkeys(_named(work, n, touched, found) for n in calibrations))
    else:
        names = [n for n in undecided(held, touched) if touched[n].consequence in outcomes]
        if not names:
            raise RecordRefused(
                f"No calibration without a decision is '{' or '.join(outcomes)}'.",
                rule="With --all every such calibration is meant that was not decided about.",
                next_step=f"'calfleet doubt show {held.number}' lists what is open; to decide "
                "again, name the calibration.",
            )
        _refuse_milder(held.number, action, [touched[n] for n in names])
    before = {d.calibration: d.decision for d in held.decisions}
    made = []
    for name in names:
        count = max((d.decision for d in held.decisions if d.calibration == name), default=0)
        one = Disposition(held.number, name, count + 1, action, reason.strip(), who.code, today)
        doubt_facts.add_disposition(work, one)
        made.append((one, touched[name]))
    left = [n for n in touched if n not in before and n not in names]
    return Decided(tuple(made), len(left), _done_since(work, made, held.event.found_on))


_GRAVITY = (Action.NONE, Action.ASSESS, Action.RECALL)


def milder(action: Action, about: Touched) -> bool:
    """Whether ``action`` is less than what the analysis proposes for the calibration."""
    return _GRAVITY.index(action) < _GRAVITY.index(about.proposed)


def _refuse_milder(number: str, action: Action, about: Sequence[Touched]) -> None:
    """Nothing when no calibration is decided about more mildly than proposed.

    Raises: RecordRefused: less than what is proposed needs a look at each result.
    """
    less = [t for t in about if milder(action, t)]
    if not less:
        return
    few = ", ".join(f"{t.calibration} ({t.tag}, {t.criticality}: {t.proposed})" for t in less[:5])
    more = f" and {len(less) - 5} more" if len(less) > 5 else ""
    raise RecordRefused(
        f"For {few}{more} more than '{action}' is proposed.",
        rule="Less than what is proposed is decided calibration by calibration, each by its name "
        "and with its own reason.",
        next_step="Decide these by name, then --all takes the rest; "
        f"'calfleet doubt show {number}' tells what is proposed and why.",
    )


def _named(work: Work, name: str, touched: dict[str, Touched], found: Impact) -> str:
    wanted = {n.casefold(): n for n in touched}.get(name.strip().casefold())
    if wanted is not None:
        return wanted
    if name in found.replaced:
        raise RecordRefused(
            f"{name} was corrected by a later record.",
            rule="The record that stands is decided about.",
            next_step="Name the record that replaces it.",
        )
    if calibration_queries.number_exists(work.session, name):
        raise RecordRefused(
            f"{name} does not rest on {found.event.gauge} in the period of this event.",
            rule="Only what the event touches is decided about under it.",
            next_step="Check the number; 'calfleet trace NUMBER' shows on what it rests.",
        )
    raise UnknownName("calibration", name, nearest_names(name, touched))


def _done_since(
    work: Work, made: Sequence[tuple[Disposition, Touched]], found_on: date
) -> tuple[str, ...]:
    days = due_queries.performed_days(work.session)
    return tuple(
        dict.fromkeys(
            about.tag
            for one, about in made
            if one.action is Action.RECALL
            and any(day > max(found_on, about.performed_on) for day in days.get(about.tag, ()))
        )
    )
