"""Bench sheets as pages to print and write on: two pages A4 for each switch."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date
from pathlib import Path

from calfleet.adapters.documents import typeset
from calfleet.records import BenchSheet

TEMPLATE = "sheet_page.typ"


def sheet_pages(sheets: Sequence[BenchSheet], *, on: date) -> bytes:
    """The PDF of the sheets, in order; the QR code of each holds its number.

    ``on``: the day the file says it was made. Same sheets, same bytes.

    Raises: UsageError where the part 'pdf' is not installed.
    """
    template = Path(__file__).with_name(TEMPLATE).read_text(encoding="utf-8")
    return typeset.compile(
        template,
        {"sheets": [{**sheet.content, "number": sheet.number} for sheet in sheets]},
        on=on,
        files={f"qr-{n}.svg": typeset.qr_svg(sheet.number) for n, sheet in enumerate(sheets)},
    )
