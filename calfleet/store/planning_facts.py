"""Adding what planning stands on, and plans: one function per kind of record."""

from __future__ import annotations

from dataclasses import replace

from sqlalchemy import Select, select

from calfleet.errors import UnknownName
from calfleet.records import (
    DeferralRecord,
    GaugeAbsence,
    Holiday,
    LaboratoryTerms,
    Outage,
    PersonLeave,
    Plan,
    PlanningInput,
    PlanningWithdrawal,
    RedundantGroup,
    ShopClosure,
    UsageReading,
    UsageRule,
    Withdrawable,
    WorkingHours,
)
from calfleet.store.facts import insert, known, site_id
from calfleet.store.models import (
    AreaRow,
    DeferralRow,
    GaugeAbsenceRow,
    GaugeRow,
    HolidayRow,
    LaboratoryRow,
    LaboratoryTermsRow,
    OutageAreaRow,
    OutageRow,
    PersonLeaveRow,
    PersonRow,
    PlanAcceptanceRow,
    PlanAssignmentRow,
    PlanningWithdrawalRow,
    PlanRow,
    RedundantChannelRow,
    RedundantGroupRow,
    ShopClosureRow,
    SwitchRow,
    UsageReadingRow,
    UsageRuleRow,
    WorkingHoursRow,
)
from calfleet.store.rule_facts import add_due_rule, add_further_interval, add_other_work
from calfleet.store.work import Work


def add_planning_input(work: Work, given: PlanningInput) -> None:
    """Everything that planning stands on, in an order in which each finds what it refers to."""
    for outage in given.outages:
        add_outage(work, outage)
    for holiday in given.holidays:
        add_holiday(work, holiday)
    for hours in given.hours:
        add_hours(work, hours)
    for absence in given.absences:
        add_absence(work, absence)
    for terms in given.terms:
        add_terms(work, terms)
    for rule in given.usage_rules:
        add_usage_rule(work, rule)
    for reading in given.usage_readings:
        add_usage_reading(work, reading)
    for group in given.redundant_groups:
        add_redundant_group(work, group)
    for deferral in given.deferrals:
        add_deferral(work, deferral)
    for due_rule in given.due_rules:
        add_due_rule(work, due_rule)
    for interval in given.further_intervals:
        add_further_interval(work, interval)
    for done in given.other_work:
        add_other_work(work, done)
    for leave in given.leaves:
        add_leave(work, leave)
    for closure in given.closures:
        add_closure(work, closure)


def add_outage(work: Work, outage: Outage) -> None:
    row = OutageRow(
        site_id=site_id(work),
        code=outage.code,
        revision=outage.revision,
        name=outage.name,
        first_on=outage.first_on,
        last_on=outage.last_on,
        reason=outage.reason,
        areas=[OutageAreaRow(area_id=known(work, AreaRow, "area", a)) for a in outage.areas],
        **work.marks(),
    )
    insert(work, row, "outage", f"{outage.code} rev {outage.revision}", outage)


def add_holiday(work: Work, holiday: Holiday) -> None:
    row = HolidayRow(site_id=site_id(work), day=holiday.day, name=holiday.name, **work.marks())
    insert(work, row, "holiday", holiday.day.isoformat(), holiday)


def add_hours(work: Work, hours: WorkingHours) -> None:
    row = WorkingHoursRow(
        person_id=known(work, PersonRow, "person", hours.person),
        effective_on=hours.effective_on,
        minutes_per_week=hours.minutes_per_week,
        **work.marks(),
    )
    insert(work, row, "working hours", f"{hours.person} from {hours.effective_on}", hours)


def add_absence(work: Work, absence: GaugeAbsence) -> None:
    row = GaugeAbsenceRow(
        gauge_id=known(work, GaugeRow, "gauge", absence.gauge),
        first_on=absence.first_on,
        last_on=absence.last_on,
        reason=absence.reason,
        **work.marks(),
    )
    insert(work, row, "gauge absence", f"{absence.gauge} from {absence.first_on}", absence)


def leave_key(leave: PersonLeave) -> str:
    """What a leave is called in the audit trail."""
    return f"{leave.person} from {leave.first_on} to {leave.last_on}"


def add_leave(work: Work, leave: PersonLeave) -> None:
    row = PersonLeaveRow(
        person_id=known(work, PersonRow, "person", leave.person),
        first_on=leave.first_on,
        last_on=leave.last_on,
        reason=leave.reason,
        **work.marks(),
    )
    insert(work, row, "leave", leave_key(leave), leave)


def closure_key(closure: ShopClosure) -> str:
    """What a closure of the shop is called in the audit trail."""
    return f"from {closure.first_on} to {closure.last_on}"


def add_closure(work: Work, closure: ShopClosure) -> None:
    row = ShopClosureRow(
        site_id=site_id(work),
        first_on=closure.first_on,
        last_on=closure.last_on,
        name=closure.name,
        **work.marks(),
    )
    insert(work, row, "closure", closure_key(closure), closure)


def withdrawal_key(withdrawal: PlanningWithdrawal) -> str:
    """What a withdrawal is called in the audit trail."""
    days = (str(d) for d in (withdrawal.first_on, withdrawal.last_on) if d is not None)
    return " ".join(
        [str(withdrawal.kind), *([withdrawal.subject] * bool(withdrawal.subject)), *days]
    )


def withdraw(work: Work, withdrawal: PlanningWithdrawal) -> None:
    """Note that something planning stood on no longer counts.

    Raises: UnknownName for what is not there; RecordRefused for what was withdrawn before.
    """
    column, row = _to_withdraw(work, withdrawal)
    found = work.session.scalar(row)
    if found is None:
        raise UnknownName(
            str(withdrawal.kind),
            withdrawal_key(withdrawal).removeprefix(f"{withdrawal.kind} "),
            next_step="List what is there and name its subject and both days.",
        )
    made = PlanningWithdrawalRow(**{column: found}, reason=withdrawal.reason, **work.marks())
    insert(work, made, "planning withdrawal", withdrawal_key(withdrawal), withdrawal)


def _to_withdraw(work: Work, withdrawal: PlanningWithdrawal) -> tuple[str, Select[int]]:
    """The column that names the thing, and the question for its key."""
    first, last, subject = withdrawal.first_on, withdrawal.last_on, withdrawal.subject
    match withdrawal.kind:
        case Withdrawable.HOLIDAY:
            return "holiday_id", select(HolidayRow.id).where(HolidayRow.day == first)
        case Withdrawable.CLOSURE:
            return "shop_closure_id", select(ShopClosureRow.id).where(
                ShopClosureRow.first_on == first, ShopClosureRow.last_on == last
            )
        case Withdrawable.LEAVE:
            return "person_leave_id", select(PersonLeaveRow.id).where(
                PersonLeaveRow.person_id == known(work, PersonRow, "person", subject),
                PersonLeaveRow.first_on == first,
                PersonLeaveRow.last_on == last,
            )
        case Withdrawable.ABSENCE:
            return "gauge_absence_id", select(GaugeAbsenceRow.id).where(
                GaugeAbsenceRow.gauge_id == known(work, GaugeRow, "gauge", subject),
                GaugeAbsenceRow.first_on == first,
                GaugeAbsenceRow.last_on == last,
            )
        case Withdrawable.GROUP:
            return "redundant_group_id", select(RedundantGroupRow.id).where(
                RedundantGroupRow.code == subject
            )


def add_terms(work: Work, terms: LaboratoryTerms) -> None:
    row = LaboratoryTermsRow(
        laboratory_id=known(work, LaboratoryRow, "laboratory", terms.laboratory),
        effective_on=terms.effective_on,
        transit_days=terms.transit_days,
        turnaround_days=terms.turnaround_days,
        review_days=terms.review_days,
        **work.marks(),
    )
    insert(work, row, "laboratory terms", f"{terms.laboratory} from {terms.effective_on}", terms)


def add_usage_rule(work: Work, rule: UsageRule) -> None:
    row = UsageRuleRow(
        switch_id=known(work, SwitchRow, "switch", rule.tag, "tag"),
        name=rule.name,
        limit=rule.limit,
        limit_value=float(rule.limit),
        effective_on=rule.effective_on,
        **work.marks(),
    )
    insert(work, row, "usage rule", f"{rule.tag} {rule.name} from {rule.effective_on}", rule)


def add_usage_reading(work: Work, reading: UsageReading) -> None:
    row = UsageReadingRow(
        switch_id=known(work, SwitchRow, "switch", reading.tag, "tag"),
        name=reading.name,
        value=reading.value,
        value_value=float(reading.value),
        read_on=reading.read_on,
        **work.marks(),
    )
    key = f"{reading.tag} {reading.name} on {reading.read_on}"
    insert(work, row, "usage reading", key, reading)


def add_redundant_group(work: Work, group: RedundantGroup) -> None:
    row = RedundantGroupRow(
        site_id=site_id(work),
        code=group.code,
        weeks_apart=group.weeks_apart,
        channels=[
            RedundantChannelRow(switch_id=known(work, SwitchRow, "switch", tag, "tag"))
            for tag in group.tags
        ],
        **work.marks(),
    )
    insert(work, row, "redundant group", group.code, group)


def add_deferral(work: Work, deferral: DeferralRecord) -> None:
    row = DeferralRow(
        switch_id=known(work, SwitchRow, "switch", deferral.tag, "tag"),
        due_on=deferral.due_on,
        until=deferral.until,
        reason=deferral.reason,
        risk=deferral.risk,
        requested_by_id=known(work, PersonRow, "person", deferral.requested_by),
        requested_on=deferral.requested_on,
        approved_by_id=known(work, PersonRow, "person", deferral.approved_by),
        approved_on=deferral.approved_on,
        **work.marks(),
    )
    insert(work, row, "deferral", f"{deferral.tag} {deferral.due_on}", deferral)


def add_plan(work: Work, plan: Plan) -> None:
    row = PlanRow(
        site_id=site_id(work),
        number=plan.number,
        as_of=plan.as_of,
        first_week_on=plan.first_week_on,
        weeks=plan.weeks,
        based_on_id=None
        if plan.based_on is None
        else known(work, PlanRow, "plan", plan.based_on, "number"),
        settings=plan.settings,
        outcome=plan.outcome,
        assignments=[
            PlanAssignmentRow(
                switch_id=known(work, SwitchRow, "switch", a.tag, "tag"),
                due_on=a.due_on,
                week_on=a.week_on,
                person_id=None if a.person is None else known(work, PersonRow, "person", a.person),
                gauge_id=None if a.gauge is None else known(work, GaugeRow, "gauge", a.gauge),
                fixed=a.fixed,
                note=a.note,
            )
            for a in plan.assignments
        ],
        **work.marks(),
    )
    bare = replace(plan, accepted_on=None, accepted_by=None)
    insert(work, row, "plan", plan.number, bare)


def accept_plan(work: Work, plan: Plan, person: str) -> None:
    """Note that ``person`` accepted ``plan`` on the day of this unit of work."""
    row = PlanAcceptanceRow(
        plan_id=known(work, PlanRow, "plan", plan.number, "number"),
        accepted_on=work.at.date(),
        accepted_by_id=known(work, PersonRow, "person", person),
        **work.marks(),
    )
    insert(
        work,
        row,
        "plan acceptance",
        plan.number,
        {"plan": plan.number, "on": work.at.date(), "by": person},
    )
