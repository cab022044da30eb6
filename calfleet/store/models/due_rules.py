"""Rules about the dates of one switch, a family or the site, and further intervals."""

from __future__ import annotations

from sqlalchemy import CheckConstraint, ForeignKey, UniqueConstraint
from sqlalchemy.orm import Mapped, mapped_column

from calfleet.records import RuleScope
from calfleet.store.base import Base
from calfleet.store.columns import Code, Count, Day, Flag, Prose, Ref, Word
from calfleet.store.models.fact import Fact, one_of


class DueRuleRow(Fact, Base):
    """A rule as it stands from ``effective_on``; a later row of the same subject replaces it."""

    __tablename__ = "due_rule"
    site_id: Mapped[Ref] = mapped_column(ForeignKey("site.id"))
    scope: Mapped[Word]
    subject: Mapped[Code]
    switch_id: Mapped[Ref | None] = mapped_column(ForeignKey("switch.id"))
    effective_on: Mapped[Day]
    reason: Mapped[Prose]
    policy: Mapped[Code]
    before_use: Mapped[Flag | None]
    grid_anchor: Mapped[Day | None]
    shelf_limit_days: Mapped[Count | None]
    hard_stop: Mapped[Day | None]
    deferrals_allowed: Mapped[Count | None]
    __table_args__ = (
        UniqueConstraint("site_id", "scope", "subject", "effective_on"),
        one_of("scope", RuleScope, "scope_known"),
        CheckConstraint("(scope = 'site') = (subject = '')", name="the_site_has_no_subject"),
        CheckConstraint("(scope = 'switch') = (switch_id IS NOT NULL)", name="a_switch_is_known"),
        CheckConstraint("length(reason) > 0", name="reason_stated"),
        CheckConstraint(
            "shelf_limit_days IS NULL OR shelf_limit_days > 0", name="shelf_limit_positive"
        ),
        CheckConstraint(
            "deferrals_allowed IS NULL OR deferrals_allowed >= 0", name="deferrals_not_negative"
        ),
    )


class FurtherIntervalRow(Fact, Base):
    __tablename__ = "further_interval"
    switch_id: Mapped[Ref] = mapped_column(ForeignKey("switch.id"))
    name: Mapped[Word]
    policy: Mapped[Code]
    effective_on: Mapped[Day]
    held: Mapped[Flag]
    __table_args__ = (UniqueConstraint("switch_id", "name", "effective_on"),)


class OtherWorkRow(Fact, Base):
    __tablename__ = "other_work"
    switch_id: Mapped[Ref] = mapped_column(ForeignKey("switch.id"))
    name: Mapped[Word]
    done_on: Mapped[Day]
    done_by_id: Mapped[Ref] = mapped_column(ForeignKey("person.id"))
    note: Mapped[Prose]
    __table_args__ = (UniqueConstraint("switch_id", "name", "done_on"),)
