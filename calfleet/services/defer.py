"""Putting a due date off: a record with reason, risk and a second person's approval."""

from __future__ import annotations

from datetime import date

from calfleet.errors import CalfleetError, PersonRefused
from calfleet.records import DeferralRecord, Role, Switch
from calfleet.scheduling.calendar import add_interval
from calfleet.scheduling.due import Deferral, Standing, check_deferral
from calfleet.services.bench_facts import gather
from calfleet.services.list_due import Dates, gather_dates, policy_for
from calfleet.services.nearest import pick
from calfleet.store import planning_facts
from calfleet.store.queries import switches as switch_queries
from calfleet.store.work import Work

MOST_DEFERRALS = 1
"""How often a switch may be deferred between two calibrations, where no due rule says it."""


def why_no_deferral(dates: Dates, switch: Switch, until: date) -> str | None:
    """Why ``defer`` would refuse to put the switch's date off to ``until``; ``None``: it would not.

    Whoever asks and approves is left aside.
    """
    standing = dates.standing(switch)
    today = dates.as_of
    try:
        asked = Deferral(
            standing.due_on or until, until, "asked", "asked", "one", today, "another", today
        )
        _check(asked, standing, dates, switch)
    except CalfleetError as error:
        return error.message
    return None


def _check(asked: Deferral, standing: Standing, dates: Dates, switch: Switch) -> None:
    today = dates.as_of
    rule = dates.moved.rule_for(switch, today)
    allowed = rule.deferrals_allowed
    first = standing.original_due_on or standing.latest_on or standing.due_on
    policy = policy_for(switch, dates.facts, rule, today)
    check_deferral(
        asked,
        standing,
        earlier=dates.moved.deferrals_of(switch.tag, today),
        max_count=MOST_DEFERRALS if allowed is None else allowed,
        # a year mistyped must not take a switch out of the list for ten
        not_after=None if first is None else add_interval(first, policy.every, policy.unit),
    )


def defer(
    work: Work,
    tag: str,
    *,
    until: date,
    reason: str,
    risk: str,
    requested_by: str,
    requested_on: date,
    approved_by: str,
    approved_on: date,
    today: date,
) -> tuple[DeferralRecord, Standing]:
    """The deferral as added, and how the switch stands with it; the caller commits.

    The due date itself is kept: the deferral names it.

    Raises: UnknownName, PersonRefused, RecordRefused, DateRefused.
    """
    facts = gather(work.session)
    switches = {s.tag: s for s in switch_queries.in_force(work.session, today)}
    switch = pick("switch", tag, switches)
    requester = pick("person", requested_by, facts.people)
    approver = pick("person", approved_by, facts.people)
    for person, role, what in (
        (requester, (Role.PLANNER, Role.APPROVER), "ask for"),
        (approver, (Role.APPROVER,), "approve"),
    ):
        if not any(person.holds(r, approved_on) for r in role):
            able = [
                p.code for p in facts.people.values() if any(p.holds(r, approved_on) for r in role)
            ]
            raise PersonRefused(
                f"{person.code} ({person.name}) may not {what} a deferral.",
                rule=f"The role {' or '.join(role)} is needed on {approved_on}.",
                next_step=f"On that day: {', '.join(able) or 'nobody'}.",
            )
    dates = gather_dates(work.session, today, facts)
    standing = dates.standing(switch)
    made = DeferralRecord(
        tag=switch.tag,
        due_on=standing.due_on or until,
        until=until,
        reason=reason.strip(),
        risk=risk.strip(),
        requested_by=requester.code,
        requested_on=requested_on,
        approved_by=approver.code,
        approved_on=approved_on,
    )
    asked = Deferral(
        made.due_on, made.until, made.reason, made.risk, made.requested_by, made.requested_on,
        made.approved_by, made.approved_on,
    )  # fmt: skip
    _check(asked, standing, dates, switch)
    planning_facts.add_deferral(work, made)
    return made, gather_dates(work.session, today, facts).standing(switch)
