"""What is written into a workbook or a CSV comes back as the text it was, never as a formula."""

from __future__ import annotations

import csv
import io
from datetime import date
from typing import Any

import openpyxl
from bad_workbooks import INJECTIONS
from hypothesis import example, given, settings
from hypothesis import strategies as st

from calfleet.adapters.cli.render import Column, csv_text
from calfleet.adapters.documents.tidy_workbook import (
    Origin,
    Sheet,
    SheetColumn,
    workbook_bytes,
)

ANY = st.text(max_size=60) | st.text(
    st.characters(categories=("Cc", "Cf", "Cs", "Co", "Cn", "Zl", "Zp", "Zs")), max_size=20
)
"""Any text: control characters, halves of characters, what is not assigned."""
STARTS = st.builds(
    lambda start, rest: start + rest, st.sampled_from([*"=+-@\t\r\n", "\uff1d", "'", " ="]), ANY
)
TEXTS = ANY | STARTS | st.sampled_from(INJECTIONS)
RUN = ("=", "+", "-", "@", "\t", "\r", "\n")
"""What makes a program take the text of a CSV cell for a formula, or look behind it for one."""


def kept(text: str) -> str:
    """A text without what no workbook can hold, and the signs that stand for it."""
    return "".join(c for c in text if c.isprintable() and not "\u2400" <= c <= "\u241f").replace(
        "\ufffd", ""
    )


@settings(max_examples=60)
@given(texts=st.lists(TEXTS, min_size=1, max_size=12), title=TEXTS, heading=TEXTS, note=TEXTS)
@example(texts=["=1+1"], title="'", heading="&A", note="@")
@example(texts=["\x00\x0b\ud800\uffff"], title="a/b:c" * 20, heading="\x00", note="\r\n")
def test_any_text_in_a_tidy_workbook_comes_back_as_text(
    texts: list[str], title: str, heading: str, note: str
) -> None:
    columns = [SheetColumn(heading or "x"), SheetColumn("b", note)]
    sheet = Sheet(title, columns, [[text, text] for text in texts], heading, [note])
    origin = Origin(heading, date(2026, 11, 25), None, note, {title: note})
    book = openpyxl.load_workbook(io.BytesIO(workbook_bytes([sheet, sheet], origin)))
    assert len(book.sheetnames) == 3
    assert len({name.casefold() for name in book.sheetnames}) == 3
    for page in book.worksheets:
        assert 0 < len(page.title) <= 31
        assert not page.title.startswith("'")
        assert not page.title.endswith("'")
        for row in page.iter_rows():
            for cell in row:
                assert cell.data_type != "f", cell.value
                if isinstance(cell.value, str):
                    assert cell.data_type in ("s", "inlineStr")
                if isinstance(cell.value, str) and cell.value.startswith(RUN):
                    assert cell.quotePrefix, "it would become a formula when it is edited"
    for page in book.worksheets[:2]:
        for row, text in enumerate(texts, 2):
            for column in (1, 2):
                value = page.cell(row, column).value
                if "_x" not in text:  # that is how a workbook writes a character by its number
                    assert kept("" if value is None else str(value)) == kept(text)


@settings(max_examples=100)
@given(texts=st.lists(TEXTS, min_size=1, max_size=10))
def test_any_text_in_a_csv_listing_is_no_formula(texts: list[str]) -> None:
    columns: list[Column[Any]] = [
        Column("", "=key", lambda row: row), Column("", "b", lambda row: row)
    ]  # fmt: skip
    written = csv_text(texts, columns[1:] * 2)
    rows = list(csv.reader(io.StringIO(written, newline="")))
    assert len(rows) == len(texts) + 1
    for text, cells in zip(texts, rows[1:], strict=True):
        same = text.replace("\r\n", "\n").replace("\r", "\n")
        for cell in cells:
            assert cell in (same, "'" + same)
            if cell.startswith(RUN):
                float(cell)  # one number alone: what a program makes of it is that number
