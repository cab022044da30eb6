"""The same register in every kind of file that shops have."""

from __future__ import annotations

import csv
import io
import shutil
import subprocess
from datetime import date
from pathlib import Path

import pytest
from moving_books import REGISTER_CONSTANTS, opened, read, said, site, xlsx

from calfleet import records as rec
from calfleet.adapters.workbook.moving_in import Incoming

SOFFICE = shutil.which("soffice")
HEADER = ["Tag No.", "Service", "Range", "S/P", "Tol.", "Acting", "Ser. No.", "Area", "Valid from"]
ROWS = [
    ["PSH-9001 ", "Kessel hoch", "0–10 bar", "6,5 bar", "± 2 % FS", "rising", "S1", "BIO"],
    ["PSL-9002", "Überdruck; tief", "0-10 bar", "2,25 bar", "±0,1 bar", "falling", "S2", "BIO"],
]
CONSTANTS = {k: v for k, v in REGISTER_CONSTANTS.items() if k != "Effective_on"}


def expected(incoming: Incoming) -> None:
    assert incoming.problems == (), said(incoming.problems)
    found = [
        (s.tag, s.service, str(s.range_high), str(s.set_points[0].value), s.effective_on)
        for s in incoming.given.switches
    ]
    assert found == [
        ("PSH-9001", "Kessel hoch", "10", "6.5", date(2025, 1, 4)),
        ("PSL-9002", "Überdruck; tief", "10", "2.25", date(2025, 4, 25)),
    ]


def known() -> rec.SiteInput:
    return site()


@pytest.mark.parametrize("separator", [",", ";", "\t"])
@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "cp1252", "utf-16"])
def test_csv(encoding: str, separator: str, tmp_path: Path) -> None:
    text = io.StringIO(newline="")
    writer = csv.writer(text, delimiter=separator)
    writer.writerow(["Pressure switches"])
    writer.writerow([])
    writer.writerow(HEADER)
    for cells, day in zip(ROWS, ("04.01.2025", "25.04.2025"), strict=True):
        writer.writerow([*cells, day])
    writer.writerow(["Total: 2"])
    path = tmp_path / "register.csv"
    path.write_bytes(text.getvalue().encode(encoding))
    incoming = read([opened(path)], known(), **CONSTANTS)
    expected(incoming)
    assert incoming.places["switch", "PSL-9002 rev 1"] == "register.csv, line 5, column A"


def workbook(tmp_path: Path) -> Path:
    days = [date(2025, 1, 4), date(2025, 4, 25)]
    rows = [["Pressure switches"], [], HEADER]
    rows += [[*cells, day] for cells, day in zip(ROWS, days, strict=True)]  # type: ignore[list-item]
    return xlsx(tmp_path / "register.xlsx", {"Switches": rows})


def test_xlsx(tmp_path: Path) -> None:
    expected(read([opened(workbook(tmp_path))], known(), **CONSTANTS))


@pytest.mark.skipif(SOFFICE is None, reason="NEEDS LibreOffice to write it")
@pytest.mark.parametrize("kind", ["ods", "xls"])
def test_other_workbooks(kind: str, tmp_path: Path) -> None:
    path = workbook(tmp_path)
    subprocess.run(
        [
            str(SOFFICE), "--headless", f"-env:UserInstallation={(tmp_path / 'lo').as_uri()}",
            "--convert-to", kind, "--outdir", str(tmp_path), str(path),
        ],
        check=True, capture_output=True, timeout=180,
    )  # fmt: skip
    incoming = read([opened(tmp_path / f"register.{kind}")], known(), **CONSTANTS)
    expected(incoming)
    assert incoming.places["switch", "PSL-9002 rev 1"] == f"register.{kind}, Switches!A5"


def test_a_csv_export_of_another_file_name_is_read_by_a_pattern(tmp_path: Path) -> None:
    from dataclasses import replace

    from calfleet.adapters.workbook.moving_propose import propose

    book = opened(workbook(tmp_path))
    mapping = propose([book], known())
    mapping = replace(mapping, tables=(replace(mapping.tables[0], file="register*.xlsx"),))
    later = tmp_path / "register 2026.xlsx"
    (tmp_path / "register.xlsx").rename(later)
    expected(read([opened(later)], known(), mapping, **CONSTANTS))
