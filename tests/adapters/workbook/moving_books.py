"""Hand-made books as shops have them, for the tests of moving in."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import replace
from datetime import date
from decimal import Decimal
from functools import lru_cache
from pathlib import Path
from typing import Any

from calfleet import records as rec
from calfleet.adapters.workbook.grids import Book, read_book
from calfleet.adapters.workbook.moving_in import Incoming, read_incoming
from calfleet.adapters.workbook.moving_map import Mapping as Map
from calfleet.adapters.workbook.moving_map import TableKind
from calfleet.adapters.workbook.moving_propose import propose
from calfleet.adapters.workbook.sitefiles import read_site
from calfleet.errors import Problem

SAMPLE = Path(__file__).parents[3] / "sample_site"

Rows = Sequence[Sequence[Any]]


@lru_cache(maxsize=1)
def whole_site() -> rec.SiteInput:
    """The sample site as its own files say it."""
    return read_site(SAMPLE)


def site(*, switches: bool = False, gauges: bool = True) -> rec.SiteInput:
    """The sample site without history; with or without its registers."""
    whole = whole_site()
    return replace(
        whole,
        history=(),
        switches=whole.switches if switches else (),
        gauges=whole.gauges if gauges else (),
        certificates=whole.certificates if gauges else (),
    )


def xlsx(
    path: Path, sheets: Mapping[str, Rows], finish: Callable[[Any], None] | None = None
) -> Path:
    """A workbook with these rows; ``finish`` gets the workbook before it is saved.

    A ``Decimal`` becomes a number whose format shows its digits.
    """
    import openpyxl

    book = openpyxl.Workbook()
    book.remove(book.active)
    for title, rows in sheets.items():
        sheet = book.create_sheet(title)
        for r, row in enumerate(rows, 1):
            for c, value in enumerate(row, 1):
                if value is None:
                    continue
                cell = sheet.cell(r, c)
                if isinstance(value, Decimal):
                    cell.value = float(value)
                    places = max(0, -int(value.as_tuple().exponent))
                    cell.number_format = f"0.{'0' * places}" if places else "0"
                else:
                    cell.value = value
                    if isinstance(value, date):
                        cell.number_format = "dd.mm.yyyy"
    if finish is not None:
        finish(book)
    book.save(path)
    return path


def opened(path: Path) -> Book:
    problems: list[Problem] = []
    book = read_book(path, problems)
    assert not problems, problems
    assert book is not None
    return book


def with_constants(mapping: Map, **constants: object) -> Map:
    """The mapping with what a person adds: names of fields with _ for blanks and hyphens."""

    def name(table: Any, key: str) -> str:
        from calfleet.adapters.workbook.moving_map import FIELDS

        wanted = re.sub(r"[\W_]", "", key).casefold()
        for field in FIELDS[table.kind]:
            if re.sub(r"[\W_]", "", field).casefold() == wanted:
                return field
        return ""

    tables = []
    for table in mapping.tables:
        added = [(name(table, key), value) for key, value in constants.items() if name(table, key)]
        kept = [(k, v) for k, v in table.constants if k not in dict(added)]
        tables.append(replace(table, constants=(*kept, *added)))  # type: ignore[arg-type]
    return replace(mapping, tables=tuple(tables))


def read(
    books: Sequence[Book], known: rec.SiteInput, mapping: Map | None = None, **constants: object
) -> Incoming:
    """The books read by the mapping that is proposed, with constants that a person adds."""
    found = mapping if mapping is not None else propose(books, known)
    return read_incoming(books, with_constants(found, **constants), known, lambda *_: None)


REGISTER_CONSTANTS: dict[str, object] = {
    "Effective_on": date(2025, 1, 1), "Family": "piston", "Proof_pressure": "60 bar",
    "Outage_bound": False, "Procedure": "PS-GEN", "Bench_minutes": 45, "Dead_band": "fixed",
    "Contact_form": "SPDT", "Action": "alarm", "Energised_state": "de-energise to trip",
    "Status": "in service", "Interval_policy": "S12", "Criticality": "general",
}  # fmt: skip


def field_of(mapping: Map, column: str, table: int = 0) -> list[str]:
    """The fields that a column gives in a table."""
    return [u.field for u in mapping.tables[table].columns if u.column == column]


def said(problems: Iterable[Problem]) -> str:
    return "\n".join(str(each) for each in problems)


def kinds(mapping: Map) -> list[TableKind]:
    return [each.kind for each in mapping.tables]
