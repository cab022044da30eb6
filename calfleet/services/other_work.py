"""Further intervals of a switch, and the other work they call for as it is done."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import date
from typing import TYPE_CHECKING

from calfleet.errors import DateRefused, PersonRefused, RecordRefused
from calfleet.records import FurtherInterval, OtherWork, Role, SwitchStatus
from calfleet.scheduling.due import Standing, check_policy, standing
from calfleet.services.bench_facts import BenchFacts, gather
from calfleet.services.list_due import CALIBRATION, gather_dates
from calfleet.services.nearest import pick, pick_policy
from calfleet.services.plan_facts import DueFacts, due_facts
from calfleet.store import rule_facts
from calfleet.store.queries import rules as rule_queries
from calfleet.store.queries import switches as switch_queries
from calfleet.store.work import Work

if TYPE_CHECKING:
    from sqlalchemy.orm import Session


def set_further_interval(
    work: Work, given: FurtherInterval, *, today: date
) -> tuple[FurtherInterval, Standing]:
    """The further interval as added (or ended), and how the switch stands with it.

    Raises: UnknownName for tag or policy; RecordRefused without a name of its own, for a second
    one from that day, for the end of one that is not held, or a policy that contradicts itself.
    """
    session = work.session
    on = max(today, given.effective_on)
    facts = gather(session)
    switches = {s.tag: s for s in switch_queries.in_force(session, on)}
    switch = pick("switch", given.tag, switches)
    name = " ".join(given.name.split())
    known = [f for f in rule_queries.further_intervals(session) if f.tag == switch.tag]
    same = [f for f in known if f.name.casefold() == name.casefold()]
    if same:
        name = same[0].name
    if not name or name.casefold() == CALIBRATION:
        raise RecordRefused(
            f"{given.name!r} does not name other work.",
            rule="A further interval is for work that is not the calibration itself.",
            next_step="Name the work, for example 'contact inspection'.",
        )
    if given.held:  # before the day is judged: a wrong name is not a question of the day
        pick_policy(given.policy, facts.policies)
    before = [f for f in same if f.effective_on < given.effective_on]
    if any(f.effective_on == given.effective_on for f in same):
        raise RecordRefused(
            f"The interval of {name} on {switch.tag} changes on {given.effective_on} already.",
            rule="An interval changes once a day at most; changes are only added.",
            next_step="Let it change on another day.",
        )
    if not given.held and not (before and before[-1].held):
        raise RecordRefused(
            f"{name} has no interval on {switch.tag} that could end on {given.effective_on}.",
            rule="What ends was begun before.",
            next_step="'calfleet further-intervals' lists them.",
        )
    policy = given.policy if given.held else before[-1].policy
    code = pick_policy(policy, facts.policies)
    for version in facts.policies[code]:
        check_policy(version)
    made = replace(given, tag=switch.tag, name=name, policy=code)
    rule_facts.add_further_interval(work, made)
    return made, gather_dates(session, on, facts).standing(switch)


def record_other_work(work: Work, given: OtherWork, *, today: date) -> tuple[OtherWork, Standing]:
    """The work as added, and how the switch stands after it; the caller commits.

    Raises: UnknownName for tag, person, or work without a further interval; DateRefused for a day
    to come; PersonRefused for somebody who is no technician; RecordRefused when it is there.
    """
    session = work.session
    facts = gather(session)
    switch = pick("switch", given.tag, {s.tag: s for s in switch_queries.in_force(session, today)})
    names = {f.name: f.name for f in rule_queries.further_intervals(session) if f.tag == switch.tag}
    name = pick(
        "other work",
        " ".join(given.name.split()),
        names,
        next_step=f"Wanted on {switch.tag}: {', '.join(sorted(names)) or 'none'}. "
        "'calfleet further-interval' adds an interval.",
    )
    person = pick("person", given.done_by, facts.people)
    if given.done_on > today:
        raise DateRefused(
            f"{name} on {switch.tag} is dated {given.done_on}, which is to come.",
            rule="What is recorded as done was done by today.",
            next_step="Correct the date.",
        )
    if not person.holds(Role.TECHNICIAN, given.done_on):
        able = [p.code for p in facts.people.values() if p.holds(Role.TECHNICIAN, given.done_on)]
        raise PersonRefused(
            f"{person.code} ({person.name}) is not a technician on {given.done_on}.",
            rule="Work on a switch is done by a technician.",
            next_step=f"On that day: {', '.join(able) or 'nobody'}.",
        )
    made = replace(given, tag=switch.tag, name=name, done_by=person.code)
    if any(
        (w.tag, w.name, w.done_on) == (made.tag, made.name, made.done_on)
        for w in rule_queries.other_work(session)
    ):
        raise RecordRefused(
            f"{name} on {switch.tag} is recorded for {made.done_on} already.",
            rule="Work is recorded once a day.",
            next_step="Check the day.",
        )
    rule_facts.add_other_work(work, made)
    return made, gather_dates(session, today, facts).standing(switch)


@dataclass(frozen=True, slots=True)
class FurtherLine:
    """A further interval on a day: when last done, by whom, when due, how that stands."""

    tag: str
    area: str
    name: str
    policy: str
    since: date
    last_on: date | None
    last_by: str | None
    due_on: date | None
    latest_on: date | None
    days_left: int | None
    status: str
    why: str


def list_further_intervals(session: Session, on: date) -> list[FurtherLine]:
    """Every further interval held on ``on`` of a switch in service, by due date, then tag."""
    facts = gather(session)
    moved = due_facts(session)
    by_whom = {(w.tag, w.name, w.done_on): w.done_by for w in rule_queries.other_work(session)}
    lines = []
    for switch in switch_queries.in_force(session, on):
        if switch.status is SwitchStatus.IN_SERVICE and switch.tag in moved.further:
            lines += _lines(switch.tag, switch.area, on, facts, moved, by_whom)
    return sorted(lines, key=lambda x: (x.due_on or date.max, x.tag, x.name))


def _lines(
    tag: str,
    area: str,
    on: date,
    facts: BenchFacts,
    moved: DueFacts,
    by_whom: dict[tuple[str, str, date], str],
) -> list[FurtherLine]:
    found = []
    for clock in moved.clocks_of(tag, on, facts.policy):
        begins = max(filter(None, (clock.begins_on, moved.first_use(tag, on))), default=on)
        now = standing(clock.policy, clock.performed, as_of=on, first_use=begins)
        found.append(
            FurtherLine(
                tag=tag,
                area=area,
                name=clock.name,
                policy=clock.policy.code,
                since=clock.begins_on or begins,
                last_on=now.last_on,
                last_by=None
                if now.last_on is None
                else by_whom.get((tag, clock.name, now.last_on)),
                due_on=now.due_on,
                latest_on=now.latest_on,
                days_left=now.days_left,
                status=str(now.status) if now.last_on else "never done",
                why=now.why.replace("calibrated", "done"),
            )
        )
    return found
