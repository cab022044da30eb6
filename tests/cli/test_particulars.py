"""Particulars, upkeep, receipts, and reports issued and checked, on a copy of the demo's site."""

from __future__ import annotations

import csv
import hashlib
import io
from pathlib import Path
from typing import Any

import openpyxl
import pytest


def said(shop: Any, *words: str, code: int) -> str:
    """What the program said of a command it refused, in one line; nothing was written."""
    before = shop.state()
    done = shop.run(*words)
    assert (done.code, done.out) == (code, ""), done.err
    assert shop.state() == before
    return " ".join(done.err.split())


def test_particulars_are_told_listed_and_shown(shop: Any, tmp_path: Path) -> None:
    assert shop.ok("particulars", "list").endswith("\nNothing is told yet.\n")
    assert "Maker" not in shop.ok("gauges")
    shop.ok("particulars", "shop", "--name", "Works bench", "--address", "Road 1", "--as", "P01")
    shop.ok(
        "particulars", "gauge", "rg-202", "--maker", "Orrin Works", "--software", "2.0",
        "--kept-at", "cabinet 3", "--from", "2026-01-01", "--as", "P01",
    )  # fmt: skip
    shop.ok(
        "particulars", "gauge", "RG-202", "--software", "2.1", "--reason", "new firmware", "--as",
        "P01",
    )  # fmt: skip
    out = shop.ok("particulars", "switch", "PDSL-4104", "--stands-at", "rack 2", "--as", "P01")
    assert out == "Particulars of PDSL-4104 from 2026-11-25 on are on record.\n"
    rows = shop.run("particulars", "list", "RG-202", "-f", "json").json()
    assert [(r["effective_on"], r["what"], r["value"]) for r in rows] == [
        ("2026-11-25", "maker", "Orrin Works"), ("2026-11-25", "software version", "2.1"),
        ("2026-11-25", "kept at", "cabinet 3"),
    ]  # fmt: skip
    every = list(csv.DictReader(io.StringIO(
        shop.ok("particulars", "list", "--all", "--as-of", "2026-06-01", "-f", "csv")
    )))  # fmt: skip
    assert {(r["value"], r["in_force"]) for r in every if r["what"] == "software version"} == {
        ("2.0", "yes"), ("2.1", "no"),
    }  # fmt: skip
    book = tmp_path / "told.xlsx"
    shop.run("particulars", "list", "--workbook", str(book))
    written = str([[c.value for c in row] for row in openpyxl.load_workbook(book).active.rows])
    assert "cabinet 3" in written
    gauges = {g["gauge"]: g for g in shop.run("gauges", "-f", "json").json()}
    assert (gauges["RG-202"]["maker"], gauges["RG-202"]["software_version"]) == (
        "Orrin Works", "2.1",
    )  # fmt: skip
    assert gauges["RG-201"]["maker"] is None
    table = shop.ok("gauges", columns=240)
    assert "Orrin Works" in table
    assert "Maintenance planned" not in table
    assert shop.ask("SELECT action FROM audit_entry ORDER BY position")[-4:] == [
        ("tell shop particulars",), ("tell gauge particulars",), ("tell gauge particulars",),
        ("tell switch particulars",),
    ]  # fmt: skip


def test_who_tells_particulars(shop: Any) -> None:
    text = said(shop, "particulars", "gauge", "RG-202", "--maker", "x", "--as", "P02", code=3)
    assert "may not tell particulars" in text
    assert "Nobody is named" in said(shop, "particulars", "shop", "--name", "x", code=2)
    text = said(shop, "particulars", "gauge", "RG-2020", "--maker", "x", "--as", "P01", code=2)
    assert "RG-202" in text
    assert "Nothing is told" in said(shop, "particulars", "switch", "PSL-1108", "--as", "P01",
                                     code=2)  # fmt: skip


def test_upkeep_and_receipts(shop: Any) -> None:
    out = shop.ok("gauge-upkeep", "note", "RG-202", "damage", "--note", "it fell", "--as", "P02")
    assert out.startswith("RG-202: damage on 2026-11-25 by P02 is on record.\n! If RG-202 may have")
    assert "calfleet doubt report RG-202 --damaged" in " ".join(out.split())
    (row,) = shop.run("gauge-upkeep", "list", "rg-202", "-f", "json").json()
    assert row == {
        "gauge": "RG-202", "kind": "damage", "done_on": "2026-11-25", "done_by": "P02",
        "note": "it fell",
    }  # fmt: skip
    assert "already" in said(
        shop, "gauge-upkeep", "note", "RG-202", "damage", "--note", "again", "--as", "P02", code=3
    )
    assert "without a word" in said(
        shop, "gauge-upkeep", "note", "RG-202", "repair", "--as", "P02", code=2
    )
    out = shop.ok("receipt", "note", "pdsl-4104", "--condition", "dusty", "--as", "P02")
    assert out == "PDSL-4104 received on 2026-11-25 by P02: dusty.\n"
    assert "dusty" in shop.ok("receipt", "list", "PDSL-4104")
    assert "Received    2026-11-25 by P02: dusty" in shop.ok("result", "PDSL-4104")
    assert "Everything is as it was entered" in shop.run("verify").out


# --- reports issued -------------------------------------------------------------------------------


@pytest.fixture
def accepted(shop: Any) -> Any:
    pytest.importorskip("typst")
    shop.ok("review", "accept", "PDSL-4104", "--as", "P06")
    return shop


def issue(shop: Any, file: Path, *more: str) -> str:
    done = shop.run("result", "PDSL-4104", "--report", str(file), "--issue", "--as", "P07", *more)
    assert done.code == 0, done.err
    assert done.err == f"Written: {file}\n"
    return str(done.out)


def test_a_report_is_issued_known_again_and_issued_anew(accepted: Any, tmp_path: Path) -> None:
    shop, first, second = accepted, tmp_path / "first.pdf", tmp_path / "second.pdf"
    out = issue(shop, first)
    digest = hashlib.sha256(first.read_bytes()).hexdigest()
    assert out == f"Issue 1 of the report C2026-0145 is on record.\nSHA-256 {digest}\n"
    assert shop.ask("SELECT issue, digest, size, recorded_by FROM issued_report") == [
        (1, digest, first.stat().st_size, "P07")
    ]
    out = shop.ok("report-check", str(first))
    assert "Issue 1 of the report C2026-0145 of PDSL-4104, issued 2026-11-25" in out
    assert "byte for byte" in out
    text = said(shop, "result", "PDSL-4104", "--report", str(second), "--issue", "--as", "P07",
                code=2)  # fmt: skip
    assert "issued already: issue 1 of 2026-11-25" in text
    assert not second.exists()
    issue(shop, second, "--reason", "Address corrected")
    old = shop.run("report-check", str(first))
    assert old.code == 1
    assert "It no longer stands: issue 2 takes its place" in " ".join(old.out.split())
    assert shop.run("report-check", str(second)).code == 0
    listed = shop.run("result", "PDSL-4104", "-f", "json").json()["issued_reports"]
    assert [(i["issue"], i["by"]) for i in listed] == [(1, "P07"), (2, "P07")]
    assert listed[0]["sha256"] == digest
    shown = " ".join(shop.ok("result", "PDSL-4104").split())
    assert f"SHA-256 {digest}; issue 2 takes its place" in shown
    assert "Everything is as it was entered" in shop.run("verify").out


def test_an_altered_or_unissued_report_is_told(accepted: Any, tmp_path: Path) -> None:
    shop, file = accepted, tmp_path / "report.pdf"
    issue(shop, file)
    forged = tmp_path / "forged.pdf"
    forged.write_bytes(file.read_bytes().replace(b"%PDF-1", b"%PDF-1", 1) + b"\n")
    bare = tmp_path / "print.pdf"
    shop.run("result", "PDSL-4104", "--report", str(bare))
    for one in (forged, bare):
        done = shop.run("report-check", str(one))
        assert done.code == 1
        assert "No report with this content was issued here" in " ".join(done.out.split())
    assert "There is no file" in said(shop, "report-check", str(tmp_path / "no.pdf"), code=2)


def test_a_file_is_issued_whole_or_not_at_all(
    accepted: Any, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from calfleet.store.work import Work

    def fails(_: Work) -> str:
        raise RuntimeError("power cut")

    file = tmp_path / "report.pdf"
    before = accepted.state()
    with monkeypatch.context() as patched:
        patched.setattr(Work, "commit", fails)
        with pytest.raises(RuntimeError, match="power cut"):
            accepted.run("result", "PDSL-4104", "--report", str(file), "--issue", "--as", "P07")
    assert not file.exists()
    assert accepted.state() == before
    issue(accepted, file)


def test_what_is_not_issued(shop: Any, tmp_path: Path) -> None:
    pytest.importorskip("typst")
    file = str(tmp_path / "r.pdf")
    for words, code, says in (
        (("PDSL-4104", "--issue", "--as", "P07"), 2, "--issue goes with --report"),
        (("PDSL-4104", "--report", file, "--reason", "x"), 2, "--issue goes with --report"),
        (("PDSL-4104", "--report", file, "--issue"), 2, "Nobody is named"),
        (("PDSL-4104", "--report", file, "--issue", "--as", "P07"), 3, "is not reviewed yet"),
        (("PDSL-4104", "--report", file, "--issue", "--as", "P02"), 3, "may not issue"),
    ):
        assert says in said(shop, "result", *words, code=code), words
        assert not Path(file).exists()
