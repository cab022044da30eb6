"""The calibration report: figures rounded with U, its state plainly shown, the same bytes again."""

from __future__ import annotations

import shutil
import subprocess
from dataclasses import replace
from datetime import UTC, date, datetime
from pathlib import Path
from typing import Any

import pytest

from calfleet.adapters.documents.calibration_report import report_data, report_pdf, stamp, status
from calfleet.errors import BadQuantity
from calfleet.records import (
    GaugeParticulars,
    Origin,
    Phase,
    ReportFacts,
    ReportIssue,
    ReportState,
    SiteParticulars,
    SwitchParticulars,
    SwitchReceipt,
)
from calfleet.services.calibration_report import report_facts
from calfleet.site import read_settings

ISSUED = date(2026, 11, 25)
AT = datetime(2026, 11, 25, 10, 0, tzinfo=UTC)


@pytest.fixture(scope="module")
def facts(demo_site: Path) -> ReportFacts:
    """The demo's own calibration: a differential switch, adjusted, with a static gauge."""
    with read_settings(demo_site).reading() as session:
        return report_facts(session, "PDSL-4104", issued_on=ISSUED)


def marked(facts: ReportFacts, *more: ReportState, **changes: Any) -> ReportFacts:
    calibration = replace(facts.calibration, **changes)
    return replace(facts, calibration=calibration, states=(*facts.states, *more))


REVIEWED = ReportState("reviewed", AT, "P06")
BACK = "RETURNED BY THE REVIEWER: to be corrected"
RETURNED = ReportState("returned", AT, "P06", reason="Seal missing")


def test_figures_are_rounded_with_their_uncertainty(facts: ReportFacts) -> None:
    rows: Any = report_data(facts)["results"]
    for row, r in zip(rows, facts.calibration.results, strict=True):
        places = len(row["U"].partition(".")[2])
        assert len(row["U"].replace(".", "").lstrip("0")) == 2, "two digits of U"
        for name in ("found", "error", "dead_band", "repeatability"):
            text = row[name].split()[0]
            assert len(text.partition(".")[2]) == places, name
            assert float(text) == pytest.approx(getattr(r, name), abs=0.5 * 10**-places)
        assert row["error"][0] in "+-"
        assert row["error"].endswith("late" if r.late else "early")
        assert row["required"] == format(r.required, "f")
    assert [row["phase"] for row in rows] == ["as-found", "as-left"]


def test_readings_stand_as_typed(facts: ReportFacts) -> None:
    readings: Any = report_data(facts)["readings"]
    assert readings["static"] is True
    assert [row[3:6] for row in readings["rows"]] == [
        [str(c.static), str(c.trip), str(c.reset)] for c in facts.calibration.bench.cycles
    ]


def test_a_gauge_that_reads_both_pressures_is_named_once(facts: ReportFacts) -> None:
    (standard,) = report_data(facts)["standards"]  # type: ignore[misc]
    assert standard["role"] == "operating and static"
    assert standard["certificate"] == "SHOP-26-005"


def test_what_did_not_act_has_no_figures(facts: ReportFacts) -> None:
    first = facts.calibration.results[0]
    dead = replace(
        first, found=None, error=None, late=None, dead_band=None, repeatability=None,
        expanded_uncertainty=None, coverage_factor=None, tur=None, probability_outside=None,
        lower_limit=None, upper_limit=None, lower_acceptance=None, upper_acceptance=None,
        verdict="fail",
    )  # fmt: skip
    data = report_data(marked(facts, results=(dead,)))
    (row,) = data["results"]  # type: ignore[misc]
    shown = {name: row[name] for name in ("found", "error", "U", "k", "limits", "dead_band")}
    assert set(shown.values()) == {"–"}
    assert "No uncertainty can be stated" in str(data["uncertainty"])


@pytest.mark.parametrize(
    ("change", "heading", "warns"),
    [
        (lambda f: f, "NOT REVIEWED", True),
        (lambda f: marked(f, REVIEWED), "Reviewed", False),
        (lambda f: marked(f, RETURNED), BACK, True),
        (lambda f: marked(f, RETURNED, REVIEWED), "Reviewed", False),
        (lambda f: marked(f, REVIEWED, RETURNED), BACK, True),
        (
            lambda f: marked(
                f, REVIEWED, ReportState("replaced", AT, "P02", "C9", "misread"), replaced_by="C9"
            ),
            "REPLACED by C9: do not use this report",
            True,
        ),
        (lambda f: marked(f, origin=Origin.HISTORY), "HISTORY, moved in: NOT REVIEWED", True),
    ],
)  # fmt: skip
def test_the_state_is_plain(facts: ReportFacts, change: Any, heading: str, warns: bool) -> None:
    told = status(change(facts))
    assert (told["heading"], told["warns"]) == (heading, warns)


@pytest.mark.parametrize("more", [(), (RETURNED,), (REVIEWED, RETURNED)])
def test_nothing_says_reviewed_while_it_is_not(
    facts: ReportFacts, tmp_path: Path, more: tuple[ReportState, ...]
) -> None:
    """Nor "reviewed by", but in the course of the record, where it was so once."""
    pytest.importorskip("typst")
    text = " ".join(" ".join(pages(report_pdf(marked(facts, *more)), tmp_path)).split())
    before, _, after = text.partition("Course of the record:")
    assert "Reviewed" not in before + after
    assert BACK in text if more else "NOT REVIEWED" in text


def test_what_was_returned_and_accepted_uncorrected_says_both(facts: ReportFacts) -> None:
    again = replace(REVIEWED, by="P07", reason="None is fitted")
    told = status(marked(facts, RETURNED, again))
    assert told["heading"] == "Reviewed"
    assert told["lines"] == [
        "By Liv Marrowbeck (P07) on 2026-11-25.",
        "Returned before by Corin Ashvellum (P06): Seal missing",
        "Accepted without a correction: None is fitted",
    ]


# --- particulars and issues ---------------------------------------------------------------------

SHOP = SiteParticulars(
    ISSUED, "Works bench", "1 Works Road\nFenhollow", "Works, operations", "Gate 2\nFenhollow"
)


def whole(facts: ReportFacts) -> ReportFacts:
    """The facts with everything told that can be, issued a second time."""
    gauge = GaugeParticulars(
        "RG-202", ISSUED, maker="Orrin Works", model="OD-25", software_version="2.1"
    )
    return replace(
        facts,
        shop=SHOP,
        particulars=SwitchParticulars(
            "PDSL-4104", ISSUED, maker="Tarn Switchgear", model="T4", stands_at="platform 2, rack B"
        ),
        receipt=SwitchReceipt("PDSL-4104", ISSUED, "P02", "dusty, seal whole"),
        gauges=tuple(replace(g, particulars=gauge) for g in facts.gauges),
        issue=ReportIssue(2, "P06", "issue 1 of 2026-11-20", "Address corrected"),
    )


def test_what_is_told_is_printed(facts: ReportFacts, tmp_path: Path) -> None:
    data = report_data(whole(facts))
    assert data["laboratory"] == [
        "Works bench", "1 Works Road", "Fenhollow",
        f"{facts.site.name}, site {facts.site.code}",
    ]  # fmt: skip
    item = dict(data["item"])  # type: ignore[call-overload]
    assert item["Maker, model"] == "Tarn Switchgear, T4"
    assert item["Stands at"] == "platform 2, rack B"
    assert item["Received"] == "2026-11-25, by Tamsin Copperreed (P02): dusty, seal whole"
    assert item["Customer"].startswith("Works, operations, Gate 2, Fenhollow; area FWS")
    work = dict(data["work"])  # type: ignore[call-overload]
    assert work["Where"] == "Works bench"
    assert work["Report issued on"] == "2026-11-25 by Corin Ashvellum (P06), issue 2"
    (standard,) = data["standards"]  # type: ignore[misc]
    assert standard["gauge"].endswith(" (Orrin Works, OD-25; software 2.1)")
    lines: Any = data["status"]["lines"]  # type: ignore[index]
    assert "This report takes the place of issue 1 of 2026-11-20. Reason: Address corrected." in (
        lines
    )
    assert str(data["issue"]).startswith("C2026-0145, issue 2, issued 2026-11-25 at audit entry ")
    pytest.importorskip("typst")
    text = " ".join(" ".join(pages(report_pdf(whole(facts)), tmp_path)).split())
    for part in ("1 Works Road", "Tarn Switchgear, T4", "platform 2, rack B", "issue 2, issued"):
        assert part in text, part


def test_what_is_not_told_is_left_out(facts: ReportFacts) -> None:
    data = report_data(facts)
    labels = {label for label, _ in data["item"]}  # type: ignore[attr-defined]
    assert not labels & {"Maker, model", "Stands at", "Received"}
    assert dict(data["item"])["Customer"].startswith("own plant: area ")  # type: ignore[call-overload]
    only = replace(facts, particulars=SwitchParticulars("PDSL-4104", ISSUED, model="T4"))
    assert dict(report_data(only)["item"])["Maker, model"] == "T4"  # type: ignore[call-overload]


def test_a_print_that_is_not_issued_says_so(facts: ReportFacts, tmp_path: Path) -> None:
    data = report_data(facts)
    assert dict(data["work"])["Report issued on"] == (  # type: ignore[call-overload]
        "not issued; printed on 2026-11-25"
    )
    assert str(data["issue"]).endswith("NOT AN ISSUED REPORT")
    pytest.importorskip("typst")
    for page in pages(report_pdf(facts), tmp_path):
        assert "NOT AN ISSUED REPORT" in " ".join(page.split())


def test_a_corrected_record_says_what_it_replaces_and_why(facts: ReportFacts) -> None:
    bench = replace(facts.calibration.bench, replaces="C1", replacement_reason="Misread")
    lines: Any = status(marked(facts, bench=bench))["lines"]
    assert lines[-1] == (
        "Corrected record: this report takes the place of that of C1. Reason: Misread."
    )
    weak = replace(facts, chain_verdict="unbroken with weak links")
    lines = status(weak)["lines"]
    assert lines[-1] == "Chain to the standards: unbroken with weak links."


def test_who_signed_and_reviewed(facts: ReportFacts) -> None:
    pairs: Any = report_data(facts)["signatures"]
    assert pairs[0][0] == "Signed by"
    assert pairs[0][1].startswith("Tamsin Copperreed (P02), ")
    assert pairs[1] == ["Review", "NOT REVIEWED"]
    pairs = report_data(marked(facts, RETURNED))["signatures"]
    assert pairs[1] == ["Returned by", "Corin Ashvellum (P06), 2026-11-25 10:00 UTC: Seal missing"]


def test_no_interval_and_no_due_date_is_recommended(facts: ReportFacts) -> None:
    """ISO/IEC 17025:2017 7.8.4.3."""
    text = str(report_data(facts)).casefold()
    assert "due" not in text
    assert "interval" not in text


def test_the_stamp_holds_number_record_and_head(facts: ReportFacts) -> None:
    number, record, audit = stamp(facts).splitlines()
    assert number == facts.calibration.number
    assert record == f"record {facts.record_digest}"
    assert audit == f"audit {facts.head_position} {facts.head_digest}"


# --- the pages --------------------------------------------------------------------------


def test_the_same_facts_give_the_same_bytes(facts: ReportFacts) -> None:
    pytest.importorskip("typst")
    made = report_pdf(facts)
    assert made[:5] == b"%PDF-"
    assert report_pdf(facts) == made
    assert report_pdf(replace(facts, head_position=facts.head_position + 1)) != made


def pages(pdf: bytes, tmp_path: Path) -> list[str]:
    """The text of each page, as poppler reads it."""
    reader = shutil.which("pdftotext")
    if reader is None:
        pytest.skip("pdftotext (poppler-utils) is not installed: the pages were not read")
    path = tmp_path / "report.pdf"
    path.write_bytes(pdf)
    done = subprocess.run([reader, "-layout", str(path), "-"], capture_output=True, check=True)
    return done.stdout.decode().split("\f")[:-1]


def test_the_pages_say_all_of_it(facts: ReportFacts, tmp_path: Path) -> None:
    pytest.importorskip("typst")
    found = pages(report_pdf(facts), tmp_path)
    text = " ".join(" ".join(found).split())
    for part in (
        "Calibration report No. C2026-0145", "NOT REVIEWED", "PDSL-4104", "DP-STAT rev 2",
        "SHOP-26-005", "Decision rule", "relate only to the item", "Page 1 of",
        "End of calibration report C2026-0145", facts.head_digest, facts.record_digest,
    ):  # fmt: skip
        assert part in text, part


def test_a_long_report_has_its_number_and_state_on_every_page(
    facts: ReportFacts, tmp_path: Path
) -> None:
    pytest.importorskip("typst")
    cycles = tuple(
        replace(facts.calibration.bench.cycles[0], run=n, phase=Phase.AS_FOUND)
        for n in range(1, 121)
    )
    bench = replace(facts.calibration.bench, cycles=cycles)
    found = pages(report_pdf(marked(facts, bench=bench)), tmp_path)
    assert len(found) > 2
    for n, page in enumerate(found, 1):
        assert f"Page {n} of {len(found)}" in page
        assert "C2026-0145" in page
        assert "NOT REVIEWED" in page
        assert facts.head_digest in page
    # the head of the readings' table is repeated where it goes on
    assert sum("Outcome" in page for page in found) > 1
    assert ["End of calibration report" in page for page in found][-1]


@pytest.mark.parametrize("text", ["#set page(1) $x$ @a <b> \\c *d* _e_", "Ω Δ ± ≤ °C µ é ü ß ł"])
def test_any_sign_in_a_text_is_printed_as_it_is(
    facts: ReportFacts, tmp_path: Path, text: str
) -> None:
    pytest.importorskip("typst")
    bench = replace(facts.calibration.bench, remarks=text)
    found = pages(report_pdf(marked(facts, bench=bench)), tmp_path)
    assert text in " ".join(" ".join(found).split())


def test_a_sign_that_no_font_holds_is_refused(facts: ReportFacts) -> None:
    pytest.importorskip("typst")
    bench = replace(facts.calibration.bench, remarks="中")
    with pytest.raises(BadQuantity):
        report_pdf(marked(facts, bench=bench))


def test_a_remark_as_long_as_may_be_is_set(facts: ReportFacts) -> None:
    pytest.importorskip("typst")
    bench = replace(facts.calibration.bench, remarks="Strainer rinsed. " * 600)
    assert report_pdf(marked(facts, bench=bench))[:5] == b"%PDF-"
