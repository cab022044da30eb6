"""Questions about what planning stands on, and about plans."""

from __future__ import annotations

import json
from dataclasses import replace
from datetime import date
from typing import TYPE_CHECKING, Any

from calfleet.records import (
    DeferralRecord,
    GaugeAbsence,
    Holiday,
    LaboratoryTerms,
    Outage,
    PersonLeave,
    Plan,
    PlanAssignment,
    PlanningInput,
    PlanningWithdrawal,
    RedundantGroup,
    Role,
    RoleGrant,
    ShopClosure,
    UsageReading,
    UsageRule,
    Withdrawable,
    WorkingHours,
)
from calfleet.store.queries.reader import DAY, FLAG, TYPED, Question, ask, question
from calfleet.store.queries.rules import due_rules, further_intervals, other_work

if TYPE_CHECKING:
    from calfleet.store.queries.reader import Reader

_DEFERRALS = question(
    """
    SELECT s.tag, d.due_on, d.until, d.reason, d.risk, r.code, d.requested_on, a.code,
           d.approved_on
    FROM deferral d
    JOIN switch s ON s.id = d.switch_id
    JOIN person r ON r.id = d.requested_by_id
    JOIN person a ON a.id = d.approved_by_id
    ORDER BY s.tag, d.due_on, d.until
    """,
    due_on=DAY,
    until=DAY,
    requested_on=DAY,
    approved_on=DAY,
)


def deferrals(reader: Reader) -> dict[str, list[DeferralRecord]]:
    """Every deferral by tag, in order of the date put off, then of its end."""
    found: dict[str, list[DeferralRecord]] = {}
    for row in ask(reader, _DEFERRALS):
        found.setdefault(row[0], []).append(DeferralRecord(*row))
    return found


_OUTAGES = question(
    """
    SELECT id, code, revision, name, first_on, last_on, reason FROM outage ORDER BY code, revision
    """,
    first_on=DAY,
    last_on=DAY,
)
_OUTAGE_AREAS = question(
    "SELECT o.outage_id, a.code FROM outage_area o JOIN area a ON a.id = o.area_id "
    "ORDER BY o.outage_id, o.id"
)


def outages(reader: Reader) -> list[Outage]:
    """Each outage as its last revision says, by its first day, then code."""
    latest = {o.code: o for o in outage_revisions(reader)}
    return sorted(latest.values(), key=lambda o: (o.first_on, o.code))


def outage_revisions(reader: Reader) -> list[Outage]:
    """Every revision of every outage, by code and revision."""
    areas: dict[int, list[str]] = {}
    for key, code in ask(reader, _OUTAGE_AREAS):
        areas.setdefault(key, []).append(code)
    found = []
    for key, *v in ask(reader, _OUTAGES):
        values = [*v, tuple(areas.get(key, ()))]
        found.append(Outage(*values))
    return found


_USAGE_RULES = question(
    """
    SELECT s.tag, u.name, u."limit", u.effective_on
    FROM usage_rule u JOIN switch s ON s.id = u.switch_id
    ORDER BY s.tag, u.name, u.effective_on
    """,
    limit=TYPED,
    effective_on=DAY,
)
_USAGE_READINGS = question(
    """
    SELECT s.tag, u.name, u.value, u.read_on
    FROM usage_reading u JOIN switch s ON s.id = u.switch_id
    ORDER BY s.tag, u.name, u.read_on
    """,
    value=TYPED,
    read_on=DAY,
)
_HOLIDAYS = question("SELECT day, name FROM holiday ORDER BY day", day=DAY)
_HOURS = question(
    """
    SELECT p.code, h.effective_on, h.minutes_per_week
    FROM working_hours h JOIN person p ON p.id = h.person_id ORDER BY p.code, h.effective_on
    """,
    effective_on=DAY,
)
_ABSENCES = question(
    """
    SELECT g.code, a.first_on, a.last_on, a.reason
    FROM gauge_absence a JOIN gauge g ON g.id = a.gauge_id ORDER BY g.code, a.first_on, a.id
    """,
    first_on=DAY,
    last_on=DAY,
)
_TERMS = question(
    """
    SELECT l.code, t.effective_on, t.transit_days, t.turnaround_days, t.review_days
    FROM laboratory_terms t JOIN laboratory l ON l.id = t.laboratory_id
    ORDER BY l.code, t.effective_on
    """,
    effective_on=DAY,
)
_GROUPS = question(
    """
    SELECT g.code, g.weeks_apart, s.tag
    FROM redundant_group g
    JOIN redundant_channel c ON c.redundant_group_id = g.id
    JOIN switch s ON s.id = c.switch_id
    ORDER BY g.code, c.id
    """
)


_LEAVES = question(
    """
    SELECT p.code, l.first_on, l.last_on, l.reason
    FROM person_leave l JOIN person p ON p.id = l.person_id ORDER BY p.code, l.first_on, l.id
    """,
    first_on=DAY,
    last_on=DAY,
)
_CLOSURES = question(
    "SELECT first_on, last_on, name FROM shop_closure ORDER BY first_on, last_on",
    first_on=DAY,
    last_on=DAY,
)
_WITHDRAWN = question(
    """
    SELECT h.day, l.first_on AS leave_first, l.last_on AS leave_last, p.code AS person,
           c.first_on AS closure_first, c.last_on AS closure_last,
           a.first_on AS absence_first, a.last_on AS absence_last, g.code AS gauge,
           r.code AS grouped, w.reason
    FROM planning_withdrawal w
    LEFT JOIN holiday h ON h.id = w.holiday_id
    LEFT JOIN person_leave l ON l.id = w.person_leave_id
    LEFT JOIN person p ON p.id = l.person_id
    LEFT JOIN shop_closure c ON c.id = w.shop_closure_id
    LEFT JOIN gauge_absence a ON a.id = w.gauge_absence_id
    LEFT JOIN gauge g ON g.id = a.gauge_id
    LEFT JOIN redundant_group r ON r.id = w.redundant_group_id
    ORDER BY w.id
    """,
    day=DAY,
    leave_first=DAY,
    leave_last=DAY,
    closure_first=DAY,
    closure_last=DAY,
    absence_first=DAY,
    absence_last=DAY,
)


def withdrawals(reader: Reader) -> tuple[PlanningWithdrawal, ...]:
    """Everything that was taken back, in the order entered."""
    return tuple(_withdrawal(*row) for row in ask(reader, _WITHDRAWN))


def _withdrawal(
    day: date | None,
    leave_first: date | None,
    leave_last: date | None,
    person: str | None,
    closure_first: date | None,
    closure_last: date | None,
    absence_first: date | None,
    absence_last: date | None,
    gauge: str | None,
    grouped: str | None,
    reason: str,
) -> PlanningWithdrawal:
    if day is not None:
        return PlanningWithdrawal(Withdrawable.HOLIDAY, "", day, day, reason)
    if person is not None:
        return PlanningWithdrawal(Withdrawable.LEAVE, person, leave_first, leave_last, reason)
    if closure_first is not None:
        return PlanningWithdrawal(Withdrawable.CLOSURE, "", closure_first, closure_last, reason)
    if gauge is not None:
        return PlanningWithdrawal(Withdrawable.ABSENCE, gauge, absence_first, absence_last, reason)
    return PlanningWithdrawal(Withdrawable.GROUP, grouped or "", None, None, reason)


def usage(reader: Reader) -> tuple[tuple[UsageRule, ...], tuple[UsageReading, ...]]:
    """Every usage rule and counter reading, by tag, name and day."""
    rules = tuple(UsageRule(*row) for row in ask(reader, _USAGE_RULES))
    return rules, tuple(UsageReading(*row) for row in ask(reader, _USAGE_READINGS))


def absences(reader: Reader) -> tuple[GaugeAbsence, ...]:
    """Every planned absence of a gauge that was not taken back, by gauge and first day."""
    gone = _gone(withdrawals(reader))
    return _standing_absences(_all(reader, _ABSENCES, GaugeAbsence), gone)


def laboratory_terms(reader: Reader) -> tuple[LaboratoryTerms, ...]:
    """Every laboratory's times, by laboratory and day of effect."""
    return _all(reader, _TERMS, LaboratoryTerms)


_Gone = frozenset[tuple[Withdrawable, str, date | None, date | None]]


def _gone(withdrawn: tuple[PlanningWithdrawal, ...]) -> _Gone:
    return frozenset((w.kind, w.subject, w.first_on, w.last_on) for w in withdrawn)


def _standing_absences(found: tuple[GaugeAbsence, ...], gone: _Gone) -> tuple[GaugeAbsence, ...]:
    kind = Withdrawable.ABSENCE
    return tuple(a for a in found if (kind, a.gauge, a.first_on, a.last_on) not in gone)


def planning_input(reader: Reader) -> PlanningInput:
    """Everything that planning stands on; outages as last revised, without what was taken back."""
    given = everything_entered(reader)
    gone = _gone(withdrawals(reader))
    if not gone:
        return given
    return replace(
        given,
        holidays=tuple(
            h for h in given.holidays if (Withdrawable.HOLIDAY, "", h.day, h.day) not in gone
        ),
        absences=_standing_absences(given.absences, gone),
        redundant_groups=tuple(
            g
            for g in given.redundant_groups
            if (Withdrawable.GROUP, g.code, None, None) not in gone
        ),
        leaves=tuple(
            x
            for x in given.leaves
            if (Withdrawable.LEAVE, x.person, x.first_on, x.last_on) not in gone
        ),
        closures=tuple(
            c
            for c in given.closures
            if (Withdrawable.CLOSURE, "", c.first_on, c.last_on) not in gone
        ),
    )


def everything_entered(reader: Reader) -> PlanningInput:
    """As :func:`planning_input`, with what was taken back since."""
    rules, readings = usage(reader)
    groups: dict[str, tuple[int, list[str]]] = {}
    for code, apart, tag in ask(reader, _GROUPS):
        groups.setdefault(code, (apart, []))[1].append(tag)
    return PlanningInput(
        outages=tuple(outages(reader)),
        holidays=_all(reader, _HOLIDAYS, Holiday),
        hours=_all(reader, _HOURS, WorkingHours),
        absences=_all(reader, _ABSENCES, GaugeAbsence),
        terms=_all(reader, _TERMS, LaboratoryTerms),
        usage_rules=rules,
        usage_readings=readings,
        redundant_groups=tuple(
            RedundantGroup(code, tuple(tags), apart) for code, (apart, tags) in groups.items()
        ),
        deferrals=tuple(d for held in deferrals(reader).values() for d in held),
        due_rules=due_rules(reader),
        further_intervals=further_intervals(reader),
        other_work=other_work(reader),
        leaves=_all(reader, _LEAVES, PersonLeave),
        closures=_all(reader, _CLOSURES, ShopClosure),
    )


def _all(reader: Reader, asked: Question, record: Any) -> tuple[Any, ...]:
    return tuple(record(*row) for row in ask(reader, asked))


_ROLES = question(
    """
    SELECT p.code, r.role, r.effective_on, r.held
    FROM person_role r JOIN person p ON p.id = r.person_id
    ORDER BY p.code, r.effective_on, r.id
    """,
    effective_on=DAY,
    held=FLAG,
)


def role_grants(reader: Reader) -> dict[str, tuple[RoleGrant, ...]]:
    """The roles taken up and given up, by person, in order of day; only people with any."""
    found: dict[str, list[RoleGrant]] = {}
    for person, role, effective_on, held in ask(reader, _ROLES):
        found.setdefault(person, []).append(RoleGrant(Role(role), effective_on, held))
    return {person: tuple(grants) for person, grants in found.items()}


_PLANS = question(
    """
    SELECT p.id, p.number, p.as_of, p.first_week_on, p.weeks, b.number, p.settings, p.outcome,
           c.accepted_on, w.code
    FROM plan p
    LEFT JOIN plan b ON b.id = p.based_on_id
    LEFT JOIN plan_acceptance c ON c.plan_id = p.id
    LEFT JOIN person w ON w.id = c.accepted_by_id
    ORDER BY p.id
    """,
    as_of=DAY,
    first_week_on=DAY,
    settings=json.loads,
    outcome=json.loads,
    accepted_on=DAY,
)
_ASSIGNMENTS = question(
    """
    SELECT s.tag, a.due_on, a.week_on, p.code, g.code, a.fixed, a.note
    FROM plan_assignment a
    JOIN switch s ON s.id = a.switch_id
    LEFT JOIN person p ON p.id = a.person_id
    LEFT JOIN gauge g ON g.id = a.gauge_id
    WHERE a.plan_id = :plan
    ORDER BY a.week_on, s.tag, a.due_on
    """,
    due_on=DAY,
    week_on=DAY,
    fixed=FLAG,
)


def plans(reader: Reader, *, with_assignments_of: str | None = None) -> list[Plan]:
    """Every plan in the order made; assignments only of the one named (by week, tag, due date)."""
    found = []
    for key, *v in ask(reader, _PLANS):
        assignments: tuple[PlanAssignment, ...] = ()
        if v[0] == with_assignments_of:
            rows = ask(reader, _ASSIGNMENTS, plan=key)
            assignments = tuple(PlanAssignment(*row) for row in rows)
        values = [*v[:7], assignments, *v[7:]]
        found.append(Plan(*values))
    return found


_STATIC = question(
    """
    SELECT s.tag
    FROM (
        SELECT calibration.*, ROW_NUMBER() OVER (
            PARTITION BY switch_id ORDER BY performed_on DESC, id DESC
        ) AS place
        FROM calibration
        WHERE NOT EXISTS (SELECT 1 FROM calibration n WHERE n.replaces_id = calibration.id)
    ) c
    JOIN switch s ON s.id = c.switch_id
    JOIN calibration_gauge t ON t.calibration_id = c.id AND t.role = 'static'
    JOIN calibration_gauge o ON o.calibration_id = c.id AND o.role = 'operating'
    WHERE c.place = 1 AND o.gauge_id <> t.gauge_id
    ORDER BY s.tag
    """
)


def static_gauge_users(reader: Reader) -> frozenset[str]:
    """The tags whose newest calibration took a second gauge to read the static pressure."""
    return frozenset(tag for (tag,) in ask(reader, _STATIC))


_RECENT = question(
    """
    SELECT s.tag, c.performed_on, p.code, g.code
    FROM calibration c
    JOIN switch s ON s.id = c.switch_id
    JOIN person p ON p.id = c.performed_by_id
    JOIN calibration_gauge u ON u.calibration_id = c.id AND u.role = 'operating'
    JOIN gauge g ON g.id = u.gauge_id
    WHERE c.performed_on >= :since
      AND NOT EXISTS (SELECT 1 FROM calibration n WHERE n.replaces_id = c.id)
    ORDER BY c.performed_on, s.tag
    """,
    performed_on=DAY,
)


def recent_work(reader: Reader, since: date) -> list[tuple[str, date, str, str]]:
    """(tag, day, person, operating gauge) of calibrations from ``since`` on, by day and tag."""
    return [
        (tag, day, person, gauge) for tag, day, person, gauge in ask(reader, _RECENT, since=since)
    ]
