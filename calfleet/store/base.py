"""The declarative base and the naming convention of every constraint."""

from __future__ import annotations

from sqlalchemy import MetaData
from sqlalchemy.orm import DeclarativeBase

NAMING = {
    "ix": "ix_%(table_name)s_%(column_0_N_name)s",
    "uq": "uq_%(table_name)s_%(column_0_N_name)s",
    "ck": "ck_%(table_name)s_%(constraint_name)s",
    "fk": "fk_%(table_name)s_%(column_0_N_name)s",
    "pk": "pk_%(table_name)s",
}


class Base(DeclarativeBase):
    """Every table is append-only: rows are inserted and read, never changed or removed.

    What changes in the world (a data sheet, a status, a policy) is a further row with the day
    it took effect, so that the state on any past day can be read back.
    """

    metadata = MetaData(naming_convention=NAMING)
