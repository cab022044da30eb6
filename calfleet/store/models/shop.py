"""The site, its areas, people and laboratories."""

from __future__ import annotations

from sqlalchemy import CheckConstraint, ForeignKey, UniqueConstraint
from sqlalchemy.orm import Mapped, mapped_column, relationship

from calfleet.records import LaboratoryKind, Quantity, Role
from calfleet.store.base import Base
from calfleet.store.columns import Code, Day, Flag, Line, Ref, Word
from calfleet.store.models.fact import Fact, one_of


class SiteRow(Fact, Base):
    __tablename__ = "site"
    code: Mapped[Code]
    name: Mapped[Line]
    __table_args__ = (UniqueConstraint("code"),)


class AreaRow(Fact, Base):
    __tablename__ = "area"
    site_id: Mapped[Ref] = mapped_column(ForeignKey("site.id"))
    code: Mapped[Code]
    name: Mapped[Line]
    __table_args__ = (UniqueConstraint("site_id", "code"),)


class PersonRow(Fact, Base):
    __tablename__ = "person"
    site_id: Mapped[Ref] = mapped_column(ForeignKey("site.id"))
    code: Mapped[Code]
    name: Mapped[Line]
    roles: Mapped[list[PersonRoleRow]] = relationship(lazy="raise", order_by="PersonRoleRow.id")
    qualifications: Mapped[list[QualificationRow]] = relationship(
        lazy="raise", order_by="QualificationRow.id"
    )
    __table_args__ = (UniqueConstraint("site_id", "code"),)


class PersonRoleRow(Fact, Base):
    """A role taken up (``held``) or given up on a day."""

    __tablename__ = "person_role"
    person_id: Mapped[Ref] = mapped_column(ForeignKey("person.id"), index=True)
    role: Mapped[Word]
    effective_on: Mapped[Day]
    held: Mapped[Flag]
    __table_args__ = (
        UniqueConstraint("person_id", "role", "effective_on"),
        one_of("role", Role, "role_known"),
    )


class QualificationRow(Fact, Base):
    __tablename__ = "qualification"
    person_id: Mapped[Ref] = mapped_column(ForeignKey("person.id"), index=True)
    quantity: Mapped[Word]
    granted_on: Mapped[Day]
    expires_on: Mapped[Day]
    granted_by: Mapped[Code]
    __table_args__ = (
        UniqueConstraint("person_id", "quantity", "granted_on"),
        one_of("quantity", Quantity, "quantity_known"),
        CheckConstraint("expires_on >= granted_on", name="dates_in_order"),
    )


class LaboratoryRow(Fact, Base):
    __tablename__ = "laboratory"
    site_id: Mapped[Ref] = mapped_column(ForeignKey("site.id"))
    code: Mapped[Code]
    name: Mapped[Line]
    kind: Mapped[Word]
    accreditations: Mapped[list[AccreditationRow]] = relationship(
        lazy="raise", order_by="AccreditationRow.id"
    )
    __table_args__ = (
        UniqueConstraint("site_id", "code"),
        one_of("kind", LaboratoryKind, "kind_known"),
    )


class AccreditationRow(Fact, Base):
    __tablename__ = "accreditation"
    laboratory_id: Mapped[Ref] = mapped_column(ForeignKey("laboratory.id"), index=True)
    number: Mapped[Code]
    valid_from: Mapped[Day]
    valid_until: Mapped[Day]
    scope: Mapped[Line]
    __table_args__ = (
        UniqueConstraint("laboratory_id", "number", "valid_from"),
        CheckConstraint("valid_until >= valid_from", name="dates_in_order"),
    )
