"""Column types of the models, named once (how values are kept is in ``types``)."""

from __future__ import annotations

from datetime import date, datetime
from decimal import Decimal
from typing import Annotated, Any

from sqlalchemy import BigInteger, Boolean, Date, Double, Integer, String, Text
from sqlalchemy.orm import mapped_column

from calfleet.store.types import PlainJson, TypedNumber, UtcTime

Key = Annotated[int, mapped_column(Integer, primary_key=True, autoincrement=True)]
Ref = Annotated[int, mapped_column(Integer)]
Sequence = Annotated[int, mapped_column(BigInteger().with_variant(Integer, "sqlite"))]
Code = Annotated[str, mapped_column(String(60))]
Word = Annotated[str, mapped_column(String(40))]
Line = Annotated[str, mapped_column(String(300))]
Prose = Annotated[str, mapped_column(Text)]
UnitCode = Annotated[str, mapped_column(String(20))]
Typed = Annotated[Decimal, mapped_column(TypedNumber)]
Number = Annotated[float, mapped_column(Double)]
Count = Annotated[int, mapped_column(Integer)]
Flag = Annotated[bool, mapped_column(Boolean(create_constraint=False))]
Day = Annotated[date, mapped_column(Date)]
Moment = Annotated[datetime, mapped_column(UtcTime)]
Plain = Annotated[dict[str, Any], mapped_column(PlainJson)]
