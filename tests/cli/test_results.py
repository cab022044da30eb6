"""What was recorded, as it is shown: result, history, trace."""

from __future__ import annotations

import csv
import io
import json
import xml.etree.ElementTree as ET
from pathlib import Path
from typing import Any

import pytest
from prov.model import ProvDocument

NUMBER = "C2026-0145"


def test_a_result_by_number_or_by_tag(demo: Any) -> None:
    assert demo.ok("result", NUMBER) == demo.ok("result", "PDSL-4104")
    text = " ".join(demo.ok("result", NUMBER).split())
    for part in (
        f"Calibration {NUMBER} of PDSL-4104",
        "2026-11-25 by P02",
        "DP-STAT rev 2",
        "RG-202 (operating, SHOP-26-005), RG-202 (static, SHOP-26-005)",
        "20.1 °C, 33 % relative humidity",
        "yes: Main screw turned, lock checked.",
        "by P02, verified by P03",
        "bypass by shift lead until 2026-11-25 16:00",
        "Next due: 2027-11-30, the end of the month 12 months after",
        "tolerance 65 to 75 kPa",
        "managed risk",
    ):
        assert part in text


def test_the_figures_shown_are_the_stored_ones(demo: Any) -> None:
    """Table, CSV and JSON against the rows of the database."""
    stored = demo.ask(
        "SELECT r.phase, r.found, r.error, r.dead_band, r.repeatability, r.expanded_uncertainty, "
        "r.tur, r.verdict FROM calibration_result r JOIN calibration c ON c.id = r.calibration_id "
        "WHERE c.number = ? ORDER BY r.phase",
        NUMBER,
    )
    told = demo.run("result", NUMBER, "-f", "json").json()["results"]
    rows = list(csv.DictReader(io.StringIO(demo.ok("result", NUMBER, "-f", "csv"))))
    table = demo.ok("result", NUMBER, columns=200).splitlines()
    assert len(stored) == len(told) == len(rows) == 2
    for values, line, row in zip(stored, told, rows, strict=True):
        phase, found, error, band, spread, U, ratio, verdict = values
        for other in (line, row):
            assert other["phase"] == phase
            assert float(other["found"]) == found
            assert float(other["error"]) == error
            assert float(other["expanded_uncertainty"]) == U
            assert float(other["tur"]) == ratio
            assert other["verdict"] == verdict
        (shown,) = [x.split() for x in table if x.startswith(f"  L          {phase}")]
        if phase == "as-found":  # the first trip stands apart
            assert shown.pop(4) == f"{line['first_trip']:.2f}"
        assert shown[2:5] == ["kPa", "70.0", f"{found:.2f}"]
        assert shown[5:7] == [f"{error:+.2f}", "late"]
        assert shown[7] == f"{U:.2f}"
        assert shown[9:11] == [f"{band:.2f}", f"{spread:.2f}"]
        assert shown[11] == f"{int(ratio * 10) / 10}:1"
        assert shown[12] == verdict.upper()


def test_the_budget_adds_up(demo: Any) -> None:
    text = demo.ok("result", NUMBER, "--budget", columns=200)
    assert text.count("Budget of L as-") == 2
    for result in demo.run("result", NUMBER, "-f", "json").json()["results"]:
        parts = result["budget"]["components"]
        variance = sum((x["u"] * x["sensitivity"]) ** 2 for x in parts)
        assert variance**0.5 == pytest.approx(result["standard_uncertainty"], rel=1e-9)
        for part in parts:
            assert any(line.startswith(f"  {part['name']}") for line in text.splitlines())
    shares = [
        float(line.split(" %")[0].split()[-1])
        for line in text.splitlines()
        if " % " in line and ("█" in line or "▏" in line)
    ]
    assert sum(shares) == pytest.approx(200, abs=1)  # two budgets, shares rounded to 0.1 %


@pytest.mark.parametrize("columns", [80, 100, 200])
def test_a_result_fits_the_terminal(demo: Any, columns: int) -> None:
    lines = demo.ok("result", NUMBER, "--budget", columns=columns).splitlines()
    assert max(map(len, lines)) <= columns


def test_history_newest_first_with_every_phase(demo: Any) -> None:
    lines = demo.run("history", "PDSL-4104", "-f", "json").json()
    stored = demo.ask(
        "SELECT count(*) FROM calibration_result r JOIN calibration c ON c.id = r.calibration_id "
        "JOIN switch_revision v ON v.id = c.switch_revision_id JOIN switch s ON s.id = v.switch_id "
        "WHERE s.tag = 'PDSL-4104'"
    )
    assert len(lines) == stored[0][0]
    days = [x["performed_on"] for x in lines]
    assert days == sorted(days, reverse=True)
    assert lines[0]["calibration"] == NUMBER
    assert "+5.03 ± 0.80 kPa" in demo.ok("history", "PDSL-4104")  # what failed in 2025


def test_a_corrected_record_says_so(shop: Any, readings: Any) -> None:
    shop.ok("record", "--from", str(readings()))
    ((first,),) = shop.ask("SELECT max(number) FROM calibration WHERE number LIKE 'C%'")
    words = f'"J1"\nreplaces = "{first}"\nreplacement_reason = "second reading mistyped"'
    changed = readings(('"J1"', words), ("252.5", "251.5"), name="again.toml")
    done = shop.ok("record", "--from", str(changed))
    ((second,),) = shop.ask("SELECT max(number) FROM calibration WHERE number LIKE 'C%'")
    assert second > first
    assert f"corrects {first}: second reading mistyped" in done
    assert f"CORRECTED by {second}" in shop.ok("result", first)
    notes = {
        x["calibration"]: x["note"] for x in shop.run("history", "PSL-1108", "-f", "json").json()
    }
    assert f"corrected by {second}" in notes[first]
    assert f"corrects {first}" in notes[second]
    # the newest stands for the tag, and cannot be overtaken by the corrected one
    assert f"Calibration {second} of" in shop.ok("result", "PSL-1108")
    again = shop.run("record", "--from", str(changed))
    assert again.code == 3
    assert f"corrected by {second} already" in again.err


# --- trace ------------------------------------------------------------------------------


def test_a_trace_ends_at_a_national_laboratory(demo: Any) -> None:
    text = " ".join(demo.ok("trace", NUMBER).split())
    for part in ("RG-202", "SHOP-26-005", "RG-101", "NMH-25-0355", "P02", "DP-STAT rev 2"):
        assert part in text
    assert "Unbroken: every link" in text
    assert "National Measurement House of Avelond" in text
    assert demo.ok("trace", "PDSL-4104") == demo.ok("trace", NUMBER)


def test_a_broken_chain_says_where(demo: Any) -> None:
    """A result on RG-207 while its certificate had lapsed, of which the demo holds some."""
    ((number,),) = demo.ask(
        "SELECT c.number FROM calibration c JOIN calibration_gauge g ON g.calibration_id = c.id "
        "JOIN certificate t ON t.id = g.certificate_id "
        "JOIN gauge x ON x.id = t.gauge_id WHERE x.code = 'RG-207' AND c.performed_on "
        "BETWEEN '2025-03-12' AND '2025-04-21' ORDER BY c.number LIMIT 1"
    )
    text = " ".join(demo.ok("trace", number).split())
    assert "Unbroken" not in text
    assert "Broken" in text
    assert "RG-207" in text
    told = json.loads(demo.ok("trace", number, "-f", "json"))
    whole = json.loads(demo.ok("trace", NUMBER, "-f", "json"))
    assert told["verdict"] != whole["verdict"]


def test_a_trace_of_a_certificate(demo: Any) -> None:
    text = demo.ok("trace", "SHOP-26-005")
    assert "RG-202" in text
    assert "NMH-25-0355" in text


def test_a_trace_of_a_gauge_on_a_day(demo: Any) -> None:
    text = demo.ok("trace", "rg-202")
    assert text.startswith("a reading of RG-202 on 2026-11-25\n")
    assert "SHOP-26-005" in text
    earlier = json.loads(demo.ok("trace", "RG-202", "--on", "2025-12-01", "-f", "json"))
    assert "certificate SHOP-25-005" in {n["key"] for n in earlier["nodes"]}
    prov = ProvDocument.deserialize(content=demo.ok("trace", "RG-202", "-f", "prov"), format="json")
    assert "SHOP-26-005" in prov.get_provn()
    for words, code, says in (
        (("trace", "RG-999"), 2, "No calibration, tag, gauge or certificate named 'RG-999'"),
        (("trace", NUMBER, "--on", "2026-11-25"), 2, "is a result, and a day is given"),
        (("trace", "RG-202", "--on", "2026-11-26"), 2, "after today"),
        (("trace", "RG-202", "--on", "yesterday"), 2, "is not a date"),
        (("trace", "RG-202", "--kind", "certificate"), 2, "No certificate named 'RG-202'"),
    ):
        done = demo.run(*words)
        assert (done.code, done.out) == (code, ""), words
        assert says in " ".join(done.err.split())


def test_the_same_chain_in_every_form(demo: Any) -> None:
    told = json.loads(demo.ok("trace", NUMBER, "-f", "json"))
    svg = demo.ok("trace", NUMBER, "-f", "svg")
    root = ET.fromstring(svg)
    assert root.tag == "{http://www.w3.org/2000/svg}svg"
    written = " ".join(root.itertext())
    dot = demo.ok("trace", NUMBER, "-f", "dot")
    assert dot.startswith("digraph")
    assert dot.count("{") == dot.count("}")
    prov = demo.ok("trace", NUMBER, "-f", "prov")
    read_back = ProvDocument.deserialize(
        content=prov, format="json"
    )  # W3C PROV-JSON, by its library
    assert len(list(read_back.get_records())) > 10
    for name in ("RG-202", "SHOP-26-005", "RG-101", "NMH-25-0355", NUMBER):
        assert name in json.dumps(told)
        assert name in prov
        assert name in written
        assert name in dot


@pytest.mark.parametrize("form", ["text", "json", "svg", "dot", "prov"])
def test_a_trace_into_a_file(demo: Any, tmp_path: Path, form: str) -> None:
    out = tmp_path / f"trace.{form}"
    done = demo.run("trace", NUMBER, "-f", form, "--out", str(out))
    assert (done.code, done.out) == (0, "")
    assert str(out) in done.err
    assert out.read_text(encoding="utf-8") == demo.ok("trace", NUMBER, "-f", form)
    before = out.read_bytes()
    again = demo.run("trace", NUMBER, "-f", form, "--out", str(out))
    assert again.code == 3
    assert "exists already" in " ".join(again.err.split())
    assert out.read_bytes() == before


def test_a_trace_into_a_folder_that_is_not_there(demo: Any, tmp_path: Path) -> None:
    done = demo.run("trace", NUMBER, "--out", str(tmp_path / "no" / "trace.txt"))
    assert done.code == 2
    assert "could not be used" in " ".join(done.err.split())
    assert done.out == ""


@pytest.mark.parametrize("columns", [80, 120])
def test_a_trace_fits_the_terminal(demo: Any, columns: int) -> None:
    assert max(map(len, demo.ok("trace", NUMBER, columns=columns).splitlines())) <= columns


def test_the_head_is_taken_as_it_was_printed_and_a_slip_of_the_pen_is_no_tampering(
    demo: Any,
) -> None:
    printed = demo.run("verify").out.strip().splitlines()[-1]
    assert printed.startswith("Head of the audit trail: entry ")
    digest = printed.rpartition(" ")[2]
    for given in (printed, digest.upper(), printed.partition(": ")[2]):
        assert demo.run("verify", "--head", given).code == 0
    for slip in (digest[:12], digest[:-1] + "g", ""):
        done = demo.run("verify", "--head", slip)
        assert done.code == 2
        assert "is not the head of an audit trail" in " ".join(done.err.split())
