"""Drafts, reviews, attachments, the audit trail and the calibration report, as a user runs them."""

from __future__ import annotations

import csv
import hashlib
import io
import sys
from pathlib import Path
from typing import Any

import pytest

A_PDF = b"%PDF-1.7\nas received\n%%EOF\n"
GUIDED = "y\nP02\nRG-202\n\n20.4\n41\n250.8\n276.8\nlater\n"


@pytest.fixture
def signed(shop: Any, readings: Any) -> Any:
    """A shop in which PSL-1108 was drafted and signed as C2026-0146."""
    path = readings()
    shop.ok("record", "--from", str(path), "--draft", "--note", "for review")
    shop.ok("draft", "sign", "PSL-1108", "--as", "P02")
    return shop


# --- drafts -----------------------------------------------------------------------------


def test_a_readings_file_is_put_down_completed_and_signed(
    shop: Any, readings: Any, tmp_path: Path
) -> None:
    half = readings((r"^humidity = .*\n", ""), (r"^adjusted = false\n", ""))
    out = shop.ok("record", "--from", str(half), "--draft", "--note", "called away")
    assert "Put down as draft D2026-0001 of PSL-1108." in out
    assert "Still missing: the humidity, whether it was adjusted." in out
    (row,) = shop.run("draft", "list", "-f", "json").json()
    assert (row["draft"], row["tag"], row["runs"], row["state"], row["note"]) == (
        "D2026-0001", "PSL-1108", 3, "open", "called away",
    )  # fmt: skip
    refused = shop.run("draft", "sign", "D2026-0001", "--as", "P02")
    assert refused.code == 3
    assert "the humidity, whether it was adjusted are missing" in " ".join(refused.err.split())
    written = tmp_path / "completed.toml"
    assert shop.run("draft", "show", "PSL-1108", "--out", str(written)).code == 0
    text = written.read_text(encoding="utf-8")
    assert "# humidity =" in text
    written.write_text(
        text.replace("# humidity =", "humidity = 0.41").replace("# adjusted =", "adjusted = false"),
        encoding="utf-8",
    )
    out = shop.ok("record", "--from", str(written), "--draft")
    assert "D2026-0002 of PSL-1108 in place of D2026-0001" in out
    out = shop.ok("draft", "show", "PSL-1108")
    assert "Calibration (not yet recorded) of PSL-1108" in out
    before = shop.state()
    assert "Checked only" in shop.ok("draft", "sign", "PSL-1108", "--check", "--as", "P02")
    assert shop.state() == before
    out = shop.ok("draft", "sign", "PSL-1108", "--as", "p02")
    assert "Signed as C2026-0146" in out
    assert "NOT REVIEWED" in out
    assert shop.ask(
        "SELECT d.number, c.number, c.recorded_by FROM draft_signed s JOIN draft d ON "
        "d.id = s.draft_id JOIN calibration c ON c.id = s.calibration_id"
    ) == [("D2026-0002", "C2026-0146", "P02")]
    assert "No draft waits" in shop.ok("draft", "list")
    states = [r["state"] for r in shop.run("draft", "list", "--all", "-f", "json").json()]
    assert states == ["replaced", "signed"]


def test_a_draft_takes_what_there_is(shop: Any, tmp_path: Path) -> None:
    """A tag and nothing else; no table; a static reading whose gauge is not named yet."""
    path = tmp_path / "begun.toml"
    for text, lacking, runs in (
        ('tag = "PSL-1108"\n', ("the date", "the procedure", "the gauges", "the readings"), 0),
        ('tag = "PSL-1108"\ndate = 2026-11-25\n[gauges]\n', ("the gauges", "the humidity"), 0),
        (
            'tag = "PDSL-4104"\ndate = 2026-11-25\n[[cycles]]\nphase = "as-found"\n'
            'set_point = "L"\nrun = 1\nstatic = 1583.6\ntrip = 1654.8\nreset = 1661.0\n',
            ("the procedure", "the gauges"),
            1,
        ),
    ):
        path.write_text(text, encoding="utf-8")
        refused = shop.run("record", "--from", str(path), "--as", "P02")
        assert refused.code == 1, "without --draft it is refused"
        out = " ".join(shop.ok("record", "--from", str(path), "--draft", "--as", "P02").split())
        assert "Put down as draft" in out
        for words in lacking:
            assert words in out
        assert shop.run("draft", "list", "-f", "json").json()[-1]["runs"] == runs
    path.write_text('tag = "PSL-1108"\n[gauge]\noperating = "RG-202"\n', encoding="utf-8")
    wrong = shop.run("record", "--from", str(path), "--draft", "--as", "P02")
    assert wrong.code == 1
    assert "No such key" in wrong.err
    path.write_text("date = 2026-11-25\n", encoding="utf-8")
    bare = shop.run("record", "--from", str(path), "--draft", "--as", "P02")
    assert bare.code == 1
    assert "tag" in bare.err


def test_the_same_file_recorded_or_signed_gives_the_same_record(
    signed: Any, demo_site: Path, tmp_path: Path, readings: Any
) -> None:
    import shutil

    other = type(signed)(Path(shutil.copytree(demo_site, tmp_path / "other")))
    other.ok("record", "--from", str(readings()))
    one, two = (s.run("result", "C2026-0146", "-f", "json").json() for s in (signed, other))
    for plain in (one, two):
        for key in ("recorded_at", "states"):
            del plain[key]
    assert one == two


def test_later_at_a_question_puts_the_job_down(shop: Any) -> None:
    done = shop.run("record", "PSL-1108", typed=GUIDED)
    assert done.code == 0, done.err
    assert "Put down as draft D2026-0001 of PSL-1108." in done.out
    ((content, by),) = shop.ask("SELECT content, recorded_by FROM draft")
    assert '"trip":"250.8"' in content
    assert '"humidity":"0.41"' in content
    assert '"adjusted"' not in content
    assert by == "P02"
    assert shop.ask("SELECT count(*) FROM calibration WHERE number = 'C2026-0146'") == [(0,)]


def test_later_before_anything_is_there(shop: Any) -> None:
    before = shop.state()
    done = shop.run("record", "PSL-1108", typed="y\nlater\n")
    assert done.code == 2
    assert "nothing to put down yet" in done.err
    assert shop.state() == before


def test_a_guided_record_put_down_as_a_draft(shop: Any) -> None:
    typed = GUIDED.replace("later\n", "252.5\n276.7\n252.3\n276.4\nn\n\n\n\n\n\n\n\n\n")
    done = shop.run("record", "PSL-1108", "--draft", "--note", "to be read again", typed=typed)
    assert done.code == 0, done.err
    assert "Still missing" not in done.out
    assert "Signed as C2026-0146" in shop.ok("draft", "sign", "PSL-1108", "--as", "P02")


@pytest.mark.parametrize(
    ("words", "code", "says"),
    [
        (("draft", "sign", "PSL-1108"), 2, "Nobody is named who signs"),
        (("draft", "sign", "D1", "--as", "P02"), 2, "No draft named 'D1'"),
        (("draft", "sign", "D2026-0001", "--as", "P02"), 3, "is signed already"),
        (("draft", "show", "D2026-0001", "--out", "x.csv"), 2, "does not end in .toml"),
        (("record", "PSL-1108", "--note", "x"), 2, "--note goes with --draft"),
        (("record", "--from", "x.toml", "--draft", "--check"), 2, "Both --draft and --check"),
        (("review", "accept", "C2026-0146"), 2, "Nobody is named who reviews"),
        (("review", "accept", "C2026-0146", "--as", "P02"), 3, "performed C2026-0146"),
        (("review", "accept", "C2026-0146", "--as", "P08"), 3, "is not a reviewer"),
        (("review", "accept", "H00320", "--as", "P06"), 3, "moved in as history"),
        (("review", "return", "C2026-0146", "--as", "P06"), 2, "--reason"),
        (("review", "return", "C2026-0146", "--as", "P06", "--reason", " "), 3, "no reason"),
        (("attachment", "0123456789", "--out", "x.pdf"), 2, "No file named"),
        (("attachments", "--to", "invoice", "1"), 2, "kind of record"),
        (("trail", "99"), 2, "No audit entry named '99'"),
        (("trail", "1", "--by", "P02"), 2, "choice of entries"),
        (("trail", "--since", "today"), 2, "not a date"),
        (("result", "C2026-0146", "--report", "x.txt"), 2, "does not end in .pdf"),
    ],
)
def test_what_is_refused(
    signed: Any, words: tuple[str, ...], code: int, says: str, monkeypatch: Any, tmp_path: Path
) -> None:
    monkeypatch.chdir(tmp_path)
    before = signed.state()
    done = signed.run(*words)
    assert done.code == code, done.err
    assert says in " ".join(done.err.split())
    assert signed.state() == before


# --- review -----------------------------------------------------------------------------


def test_a_review_and_where_it_shows(signed: Any) -> None:
    rows = signed.run("review", "list", "-f", "json").json()
    assert {r["calibration"]: r["state"] for r in rows}["C2026-0146"] == "to review"
    out = signed.ok("review", "return", "PSL-1108", "--as", "P06", "--reason", "Seal missing")
    assert "C2026-0146 of PSL-1108 returned by P06 (reading 1)" in out
    first = signed.run("review", "list", "-f", "json").json()[0]
    assert (first["calibration"], first["state"], first["reason"], first["returned_by"]) == (
        "C2026-0146", "returned", "Seal missing", "P06",
    )  # fmt: skip
    assert "by P06: Seal missing" in " ".join(signed.ok("result", "PSL-1108").split())
    rows = list(csv.DictReader(io.StringIO(signed.ok("history", "PSL-1108", "-f", "csv"))))
    assert rows[0]["state"] == "returned"
    assert {r["state"] for r in rows[1:]} == {"moved in"}
    states = signed.run("trace", "C2026-0146", "-f", "json").json()["states"]["C2026-0146"]
    assert [s["state"] for s in states] == ["draft", "signed", "returned"]
    bare = ("review", "accept", "C2026-0146", "--as", "P07", "--note", "Seal seen")
    refused = signed.run(*bare)
    assert refused.code == 3
    assert "was returned by P06 on 2026-11-25: Seal missing" in " ".join(refused.err.split())
    assert 'replacement_reason = "' in out
    signed.ok(*bare, "--uncorrected")
    assert signed.ask("SELECT reading, outcome, reason FROM review ORDER BY reading") == [
        (1, "returned", "Seal missing"), (2, "accepted", "Seal seen"),
    ]  # fmt: skip
    waits = signed.run("review", "list", "-f", "json").json()
    assert "C2026-0146" not in {r["calibration"] for r in waits}
    assert "history: nobody here signed them" in signed.ok("review", "list")


# --- attachments ------------------------------------------------------------------------


def test_a_certificate_is_attached_checked_and_got_out_again(signed: Any, tmp_path: Path) -> None:
    file = tmp_path / "\u202ecertificate.pdf"
    file.write_bytes(A_PDF)
    digest = hashlib.sha256(A_PDF).hexdigest()
    out = signed.ok(
        "attach", str(file), "--to", "certificate", "nmh-25-0399", "--as", "P01", "--note", "scan"
    )
    assert "Kept under the name certificate.pdf." in out
    assert digest in out
    kept = signed.root / "attachments" / digest[:2] / digest[2:]
    assert kept.read_bytes() == A_PDF
    (row,) = signed.run("attachments", "-f", "json").json()
    assert (row["to"], row["number"], row["name"], row["media_type"], row["size_bytes"]) == (
        "certificate", "NMH-25-0399", "certificate.pdf", "application/pdf", len(A_PDF),
    )  # fmt: skip
    assert "1 attached files checked" in signed.run("verify").out
    folder = tmp_path / "out"
    folder.mkdir()
    assert signed.run("attachment", digest[:12], "--out", str(folder)).code == 0
    assert (folder / "certificate.pdf").read_bytes() == A_PDF
    again = signed.run("attachment", digest[:12], "--out", str(folder))
    assert again.code == 3
    kept.chmod(0o644)
    kept.write_bytes(b"%PDF-1.7\nforged\n%%EOF\n")
    done = signed.run("verify", "-f", "json")
    assert done.code == 1
    assert [d["check"] for d in done.json()] == ["attachments"]
    assert signed.run("attachment", digest[:12], "--out", str(tmp_path / "x.pdf")).code == 3
    assert not (tmp_path / "x.pdf").exists()


def test_a_file_that_is_not_kept(signed: Any, tmp_path: Path) -> None:
    program = tmp_path / "certificate.pdf"
    program.write_bytes(b"MZ\x00\x01")
    before = signed.state()
    for words, code in (
        ((str(program), "--to", "certificate", "NMH-25-0399"), 3),
        ((str(tmp_path), "--to", "certificate", "NMH-25-0399"), 2),
        ((str(tmp_path / "none.pdf"), "--to", "certificate", "NMH-25-0399"), 2),
    ):
        assert signed.run("attach", *words, "--as", "P01").code == code
    program.write_bytes(A_PDF)
    for words in (("event", "E1"), ("cross-check", "X1"), ("certificate", "none"), ("x", "1")):
        assert signed.run("attach", str(program), "--to", *words, "--as", "P01").code == 2
    assert signed.run("attach", str(program), "--to", "certificate", "NMH-25-0399").code == 2
    settings = signed.root / "calfleet.toml"
    text = settings.read_text(encoding="utf-8")
    settings.write_text(text + "\n[attachments]\nlimit_mib = 0.00001\n", encoding="utf-8")
    done = signed.run("attach", str(program), "--to", "certificate", "NMH-25-0399", "--as", "P01")
    assert done.code == 3
    assert "limit_mib" in done.err
    settings.write_text(text, encoding="utf-8")
    assert signed.state() == before


def test_a_file_whose_record_failed_is_told_by_verify_and_harmless(
    signed: Any, tmp_path: Path, monkeypatch: Any
) -> None:
    from calfleet.services import attach

    def fails(*_: object, **__: object) -> None:
        raise RuntimeError("power cut")

    file = tmp_path / "c.pdf"
    file.write_bytes(A_PDF)
    words = ("attach", str(file), "--to", "certificate", "NMH-25-0399", "--as", "P01")
    with monkeypatch.context() as patched:
        patched.setattr(attach, "attach", fails)
        with pytest.raises(RuntimeError, match="power cut"):
            signed.run(*words)
    done = signed.run("verify")
    assert done.code == 0
    assert "the attaching was broken off" in " ".join(done.out.split())
    signed.ok(*words)
    assert "broken off" not in signed.run("verify").out


# --- the trail --------------------------------------------------------------------------


def test_the_trail_and_one_entry(signed: Any) -> None:
    rows = signed.run("trail", "-f", "json").json()
    assert [r["action"] for r in rows[:3]] == ["sign draft", "put down draft", "record calibration"]
    assert (rows[1]["by"], rows[1]["subject"], rows[1]["reason"], rows[1]["kinds"]) == (
        "P02", "PSL-1108", "for review", "draft",
    )  # fmt: skip
    head = signed.ask("SELECT position, digest FROM audit_entry ORDER BY position DESC LIMIT 1")[0]
    assert f"entry {head[0]}, {head[1]}" in signed.ok("trail")
    assert rows[0]["digest"] == head[1]
    text = signed.ok("trail", str(head[0]))
    assert "calibration C2026-0146, new" in text
    assert "bench.cycles[L as-found 1].trip: 250.8" in text
    assert f"Head of the audit trail: entry {head[0]}, {head[1]}" in text
    plain = signed.run("trail", str(head[0]), "-f", "json").json()
    assert plain["sealed"] is True
    assert [(f["kind"], f["key"]) for f in plain["facts"]] == [
        ("calibration", "C2026-0146"), ("draft signed", "D2026-0001"),
    ]  # fmt: skip
    table = list(csv.DictReader(io.StringIO(signed.ok("trail", str(head[0]), "-f", "csv"))))
    assert {row["kind"] for row in table} == {"calibration", "draft signed"}
    assert all(row["before"] == "" for row in table)
    assert len(signed.run("trail", "--about", "psl-1108 d2026", "-f", "json").json()) == 1


def test_a_correction_is_shown_before_and_after(signed: Any, readings: Any) -> None:
    path = readings(
        (r'^person = "P02"', 'person = "P02"\nreplaces = "C2026-0146"\n'
                             'replacement_reason = "Misread"'),
        (r"^trip = 252.5", "trip = 252.4"),
        name="corrected.toml",
    )  # fmt: skip
    signed.ok("record", "--from", str(path))
    last = signed.run("trail", "-f", "json").json()[0]
    assert (last["action"], last["subject"], last["reason"]) == (
        "record calibration", "PSL-1108", "Misread",
    )  # fmt: skip
    text = signed.ok("trail", str(last["entry"]))
    assert "calibration C2026-0147, after C2026-0146" in text
    assert "bench.cycles[L as-found 2].trip: 252.5 → 252.4" in text


# --- the report -------------------------------------------------------------------------


def test_a_report_is_written_once(signed: Any, tmp_path: Path) -> None:
    pytest.importorskip("typst")
    out = tmp_path / "report.pdf"
    assert signed.run("result", "C2026-0146", "--report", str(out)).code == 0
    made = out.read_bytes()
    assert made.startswith(b"%PDF-")
    assert signed.run("result", "C2026-0146", "--report", str(out)).code == 3
    assert out.read_bytes() == made
    same = tmp_path / "same.pdf"
    signed.run("result", "PSL-1108", "--report", str(same))
    assert same.read_bytes() == made, "the same record at the same head gives the same bytes"


def test_without_the_optional_part_the_report_says_what_to_install(
    signed: Any, tmp_path: Path, monkeypatch: Any
) -> None:
    monkeypatch.setitem(sys.modules, "typst", None)
    out = tmp_path / "report.pdf"
    done = signed.run("result", "C2026-0146", "--report", str(out))
    assert done.code == 2
    assert "pip install 'calfleet[pdf]'" in done.err
    assert not out.exists()
