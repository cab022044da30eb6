"""What planning stands on, and the plans themselves."""

from __future__ import annotations

from sqlalchemy import CheckConstraint, ForeignKey, Index, UniqueConstraint
from sqlalchemy.orm import Mapped, mapped_column, relationship

from calfleet.store.base import Base
from calfleet.store.columns import (
    Code,
    Count,
    Day,
    Flag,
    Line,
    Number,
    Plain,
    Prose,
    Ref,
    Typed,
    Word,
)
from calfleet.store.models.fact import Fact, Keyed


class DeferralRow(Fact, Base):
    """A due date put off; the date itself is never overwritten."""

    __tablename__ = "deferral"
    switch_id: Mapped[Ref] = mapped_column(ForeignKey("switch.id"))
    due_on: Mapped[Day]
    until: Mapped[Day]
    reason: Mapped[Prose]
    risk: Mapped[Prose]
    requested_by_id: Mapped[Ref] = mapped_column(ForeignKey("person.id"))
    requested_on: Mapped[Day]
    approved_by_id: Mapped[Ref] = mapped_column(ForeignKey("person.id"))
    approved_on: Mapped[Day]
    __table_args__ = (
        UniqueConstraint("switch_id", "due_on", "until"),
        CheckConstraint("requested_by_id <> approved_by_id", name="approved_by_another_person"),
        CheckConstraint("until > due_on", name="puts_something_off"),
        CheckConstraint("approved_on >= requested_on", name="requested_first"),
        CheckConstraint("approved_on <= due_on", name="approved_in_time"),
        CheckConstraint("length(reason) > 0 AND length(risk) > 0", name="reason_and_risk_stated"),
    )


class OutageRow(Fact, Base):
    __tablename__ = "outage"
    site_id: Mapped[Ref] = mapped_column(ForeignKey("site.id"))
    code: Mapped[Code]
    revision: Mapped[Count]
    name: Mapped[Line]
    first_on: Mapped[Day]
    last_on: Mapped[Day]
    reason: Mapped[Prose]
    areas: Mapped[list[OutageAreaRow]] = relationship(lazy="raise", order_by="OutageAreaRow.id")
    __table_args__ = (
        UniqueConstraint("site_id", "code", "revision"),
        CheckConstraint("revision > 0", name="revision_positive"),
        CheckConstraint("last_on >= first_on", name="dates_in_order"),
    )


class OutageAreaRow(Keyed, Base):
    __tablename__ = "outage_area"
    outage_id: Mapped[Ref] = mapped_column(ForeignKey("outage.id"))
    area_id: Mapped[Ref] = mapped_column(ForeignKey("area.id"))
    __table_args__ = (UniqueConstraint("outage_id", "area_id"),)


class HolidayRow(Fact, Base):
    __tablename__ = "holiday"
    site_id: Mapped[Ref] = mapped_column(ForeignKey("site.id"))
    day: Mapped[Day]
    name: Mapped[Line]
    __table_args__ = (UniqueConstraint("site_id", "day"),)


class WorkingHoursRow(Fact, Base):
    __tablename__ = "working_hours"
    person_id: Mapped[Ref] = mapped_column(ForeignKey("person.id"))
    effective_on: Mapped[Day]
    minutes_per_week: Mapped[Count]
    __table_args__ = (
        UniqueConstraint("person_id", "effective_on"),
        CheckConstraint(
            "minutes_per_week >= 0 AND minutes_per_week <= 10080", name="fits_into_a_week"
        ),
    )


class GaugeAbsenceRow(Fact, Base):
    __tablename__ = "gauge_absence"
    gauge_id: Mapped[Ref] = mapped_column(ForeignKey("gauge.id"))
    first_on: Mapped[Day]
    last_on: Mapped[Day]
    reason: Mapped[Line]
    __table_args__ = (
        UniqueConstraint("gauge_id", "first_on", "last_on"),
        CheckConstraint("last_on >= first_on", name="dates_in_order"),
    )


class LaboratoryTermsRow(Fact, Base):
    __tablename__ = "laboratory_terms"
    laboratory_id: Mapped[Ref] = mapped_column(ForeignKey("laboratory.id"))
    effective_on: Mapped[Day]
    transit_days: Mapped[Count]
    turnaround_days: Mapped[Count]
    review_days: Mapped[Count]
    __table_args__ = (
        UniqueConstraint("laboratory_id", "effective_on"),
        CheckConstraint(
            "transit_days >= 0 AND turnaround_days >= 0 AND review_days >= 0",
            name="days_not_negative",
        ),
    )


class UsageRuleRow(Fact, Base):
    __tablename__ = "usage_rule"
    switch_id: Mapped[Ref] = mapped_column(ForeignKey("switch.id"))
    name: Mapped[Word]
    limit: Mapped[Typed]
    limit_value: Mapped[Number]
    effective_on: Mapped[Day]
    __table_args__ = (
        UniqueConstraint("switch_id", "name", "effective_on"),
        CheckConstraint("limit_value > 0", name="limit_positive"),
    )


class UsageReadingRow(Fact, Base):
    __tablename__ = "usage_reading"
    switch_id: Mapped[Ref] = mapped_column(ForeignKey("switch.id"))
    name: Mapped[Word]
    value: Mapped[Typed]
    value_value: Mapped[Number]
    read_on: Mapped[Day]
    __table_args__ = (
        UniqueConstraint("switch_id", "name", "read_on"),
        CheckConstraint("value_value >= 0", name="value_not_negative"),
    )


class RedundantGroupRow(Fact, Base):
    __tablename__ = "redundant_group"
    site_id: Mapped[Ref] = mapped_column(ForeignKey("site.id"))
    code: Mapped[Code]
    weeks_apart: Mapped[Count]
    channels: Mapped[list[RedundantChannelRow]] = relationship(
        lazy="raise", order_by="RedundantChannelRow.id"
    )
    __table_args__ = (
        UniqueConstraint("site_id", "code"),
        CheckConstraint("weeks_apart >= 1", name="apart_at_least_a_week"),
    )


class RedundantChannelRow(Keyed, Base):
    __tablename__ = "redundant_channel"
    redundant_group_id: Mapped[Ref] = mapped_column(ForeignKey("redundant_group.id"))
    switch_id: Mapped[Ref] = mapped_column(ForeignKey("switch.id"))
    __table_args__ = (UniqueConstraint("redundant_group_id", "switch_id"),)


class PlanRow(Fact, Base):
    """A levelled plan as it was made; a later one names it as what it is based on."""

    __tablename__ = "plan"
    site_id: Mapped[Ref] = mapped_column(ForeignKey("site.id"))
    number: Mapped[Code]
    as_of: Mapped[Day]
    first_week_on: Mapped[Day]
    weeks: Mapped[Count]
    based_on_id: Mapped[Ref | None] = mapped_column(ForeignKey("plan.id"))
    settings: Mapped[Plain]
    outcome: Mapped[Plain]
    assignments: Mapped[list[PlanAssignmentRow]] = relationship(
        lazy="raise", order_by="PlanAssignmentRow.id"
    )
    __table_args__ = (
        UniqueConstraint("site_id", "number"),
        CheckConstraint("weeks > 0", name="weeks_positive"),
        CheckConstraint("based_on_id IS NULL OR based_on_id <> id", name="not_based_on_itself"),
    )


class PlanAssignmentRow(Keyed, Base):
    __tablename__ = "plan_assignment"
    plan_id: Mapped[Ref] = mapped_column(ForeignKey("plan.id"))
    switch_id: Mapped[Ref] = mapped_column(ForeignKey("switch.id"))
    due_on: Mapped[Day]
    week_on: Mapped[Day]
    person_id: Mapped[Ref | None] = mapped_column(ForeignKey("person.id"))
    gauge_id: Mapped[Ref | None] = mapped_column(ForeignKey("gauge.id"))
    fixed: Mapped[Flag]
    note: Mapped[Line]
    __table_args__ = (
        UniqueConstraint("plan_id", "switch_id", "due_on"),
        Index("ix_plan_assignment_week", "plan_id", "week_on"),
    )


class PlanAcceptanceRow(Fact, Base):
    __tablename__ = "plan_acceptance"
    plan_id: Mapped[Ref] = mapped_column(ForeignKey("plan.id"))
    accepted_on: Mapped[Day]
    accepted_by_id: Mapped[Ref] = mapped_column(ForeignKey("person.id"))
    __table_args__ = (UniqueConstraint("plan_id"),)


class PersonLeaveRow(Fact, Base):
    """Days on which a person is not at the bench, ends included."""

    __tablename__ = "person_leave"
    person_id: Mapped[Ref] = mapped_column(ForeignKey("person.id"))
    first_on: Mapped[Day]
    last_on: Mapped[Day]
    reason: Mapped[Line]
    __table_args__ = (
        UniqueConstraint("person_id", "first_on", "last_on"),
        CheckConstraint("last_on >= first_on", name="dates_in_order"),
    )


class ShopClosureRow(Fact, Base):
    """Days on which the whole shop is shut, ends included."""

    __tablename__ = "shop_closure"
    site_id: Mapped[Ref] = mapped_column(ForeignKey("site.id"))
    first_on: Mapped[Day]
    last_on: Mapped[Day]
    name: Mapped[Line]
    __table_args__ = (
        UniqueConstraint("site_id", "first_on", "last_on"),
        CheckConstraint("last_on >= first_on", name="dates_in_order"),
    )


class PlanningWithdrawalRow(Fact, Base):
    """A holiday, leave, closure, absence or group that no longer counts, and why."""

    __tablename__ = "planning_withdrawal"
    reason: Mapped[Prose]
    holiday_id: Mapped[Ref | None] = mapped_column(ForeignKey("holiday.id"))
    person_leave_id: Mapped[Ref | None] = mapped_column(ForeignKey("person_leave.id"))
    shop_closure_id: Mapped[Ref | None] = mapped_column(ForeignKey("shop_closure.id"))
    gauge_absence_id: Mapped[Ref | None] = mapped_column(ForeignKey("gauge_absence.id"))
    redundant_group_id: Mapped[Ref | None] = mapped_column(ForeignKey("redundant_group.id"))
    __table_args__ = (
        UniqueConstraint("holiday_id"),
        UniqueConstraint("person_leave_id"),
        UniqueConstraint("shop_closure_id"),
        UniqueConstraint("gauge_absence_id"),
        UniqueConstraint("redundant_group_id"),
        CheckConstraint("length(reason) > 0", name="reason_stated"),
        CheckConstraint(
            "(CASE WHEN holiday_id IS NULL THEN 0 ELSE 1 END"
            " + CASE WHEN person_leave_id IS NULL THEN 0 ELSE 1 END"
            " + CASE WHEN shop_closure_id IS NULL THEN 0 ELSE 1 END"
            " + CASE WHEN gauge_absence_id IS NULL THEN 0 ELSE 1 END"
            " + CASE WHEN redundant_group_id IS NULL THEN 0 ELSE 1 END) = 1",
            name="withdraws_one_thing",
        ),
    )
