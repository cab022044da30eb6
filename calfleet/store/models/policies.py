"""Interval policies: how often, counted from what, with how much grace."""

from __future__ import annotations

from sqlalchemy import CheckConstraint, ForeignKey, UniqueConstraint
from sqlalchemy.orm import Mapped, mapped_column

from calfleet.records import IntervalBasis, IntervalUnit
from calfleet.store.base import Base
from calfleet.store.columns import Code, Count, Day, Flag, Line, Number, Ref, Typed, Word
from calfleet.store.models.fact import Fact, one_of


class IntervalPolicyRow(Fact, Base):
    """A policy as it stands from ``effective_on``; a later row of the same code replaces it."""

    __tablename__ = "interval_policy"
    site_id: Mapped[Ref] = mapped_column(ForeignKey("site.id"))
    code: Mapped[Code]
    effective_on: Mapped[Day]
    basis: Mapped[Word]
    every: Mapped[Count]
    unit: Mapped[Word]
    end_of_month: Mapped[Flag]
    grace_fraction: Mapped[Typed]
    grace_fraction_value: Mapped[Number]
    grace_days: Mapped[Count]
    note: Mapped[Line]
    __table_args__ = (
        UniqueConstraint("site_id", "code", "effective_on"),
        one_of("basis", IntervalBasis, "basis_known"),
        one_of("unit", IntervalUnit, "unit_known"),
        CheckConstraint("every > 0", name="interval_positive"),
        CheckConstraint("grace_days >= 0", name="grace_days_not_negative"),
        CheckConstraint(
            "grace_fraction_value >= 0 AND grace_fraction_value <= 1", name="grace_is_a_fraction"
        ),
        CheckConstraint("grace_days = 0 OR grace_fraction_value = 0", name="one_kind_of_grace"),
    )
