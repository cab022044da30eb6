"""Questions about bench sheets handed out, and about those that came back."""

from __future__ import annotations

import json
from dataclasses import dataclass
from datetime import datetime
from typing import TYPE_CHECKING

from calfleet.records import BenchSheet, BenchSheetReturn
from calfleet.store.queries.reader import DAY, Question, ask, question

if TYPE_CHECKING:
    from calfleet.store.queries.reader import Reader


@dataclass(frozen=True, slots=True)
class HeldSheet:
    """A sheet with when and by whom it was handed out, and the calibration it became, if any."""

    sheet: BenchSheet
    recorded_at: datetime
    recorded_by: str
    calibration: str | None = None


@dataclass(frozen=True, slots=True)
class HeldReturn:
    returned: BenchSheetReturn
    recorded_at: datetime
    recorded_by: str


_SHEET = """
    SELECT b.number, s.tag, r.revision, p.code, v.revision, b.for_on, b.content, b.recorded_at,
           b.recorded_by, c.number
    FROM bench_sheet b
    JOIN switch s ON s.id = b.switch_id
    JOIN switch_revision r ON r.id = b.switch_revision_id
    JOIN procedure_revision v ON v.id = b.procedure_revision_id
    JOIN procedure p ON p.id = v.procedure_id
    LEFT JOIN bench_sheet_return x ON x.bench_sheet_id = b.id
    LEFT JOIN calibration c ON c.id = x.calibration_id
"""


def _sheet_question(rest: str) -> Question:
    return question(
        _SHEET + rest, for_on=DAY, content=json.loads, recorded_at=datetime.fromisoformat
    )


_SHEETS = _sheet_question("ORDER BY b.id")
_ONE_SHEET = _sheet_question("WHERE b.number = :number")
_COUNT = question("SELECT count(*) FROM bench_sheet WHERE number LIKE :pattern")
_TAKEN = question("SELECT number FROM bench_sheet WHERE number = :number")


def bench_sheets(reader: Reader) -> list[HeldSheet]:
    """Every sheet handed out, in the order of handing out."""
    return [_held(row) for row in ask(reader, _SHEETS)]


def bench_sheet(reader: Reader, number: str) -> HeldSheet | None:
    """The sheet of that number, or ``None``."""
    rows = ask(reader, _ONE_SHEET, number=number)
    return _held(rows[0]) if rows else None


def _held(row: tuple[object, ...]) -> HeldSheet:
    *sheet, at, by, calibration = row
    return HeldSheet(BenchSheet(*sheet), at, by, calibration)  # type: ignore[arg-type]


def sheets_in_year(reader: Reader, year: int) -> int:
    """How many sheets have a number of that year."""
    return int(ask(reader, _COUNT, pattern=f"B{year}-%")[0][0])


def sheet_exists(reader: Reader, number: str) -> bool:
    """Whether a sheet of that number was handed out."""
    return bool(ask(reader, _TAKEN, number=number))


_RETURNS = question(
    """
    SELECT b.number, c.number AS calibration, x.digest, x.recorded_at, x.recorded_by
    FROM bench_sheet_return x
    JOIN bench_sheet b ON b.id = x.bench_sheet_id
    JOIN calibration c ON c.id = x.calibration_id
    ORDER BY x.id
    """,
    recorded_at=datetime.fromisoformat,
)


def bench_sheet_returns(reader: Reader) -> list[HeldReturn]:
    """Every sheet that came back, in the order of coming back."""
    return [
        HeldReturn(BenchSheetReturn(sheet, calibration, digest), at, by)
        for sheet, calibration, digest, at, by in ask(reader, _RETURNS)
    ]


_FIRST = question("SELECT digest FROM audit_entry WHERE position = 1")


def site_identity(reader: Reader) -> str:
    """The digest of the first audit entry: no two databases have the same. Empty without one."""
    rows = ask(reader, _FIRST)
    return str(rows[0][0]) if rows else ""
