"""``calfleet doubt`` and the cross checks, through the program, on a copy of the demo's site."""

from __future__ import annotations

import csv
import io
import json
import xml.etree.ElementTree as ET
from pathlib import Path
from typing import Any
from urllib.parse import unquote

import pytest
from prov.model import (
    ProvAttribution,
    ProvDerivation,
    ProvDocument,
    ProvInvalidation,
    ProvRecord,
)

REPORTED = ("doubt", "report", "RG-301", "--as", "P02", "--note", "far off")
FOUND = (
    "H00471", "H00462", "H00413", "H00377", "H00381", "H00486", "H00474", "H00495", "H00491",
    "H00347", "H00428", "H00402",
)  # fmt: skip
"""What the event of RG-301 touches and leaves as it is, most urgent first."""


def said(shop: Any, *words: str, code: int = 3) -> str:
    """What the program said of a command it refused, in one line; nothing was written."""
    before = shop.state()
    done = shop.run(*words)
    assert done.code == code, done.err
    assert done.out == ""
    assert shop.state() == before
    assert "  Rule: " in done.err
    assert "  Next: " in done.err
    return " ".join(done.err.split())


@pytest.fixture
def reported(shop: Any) -> Any:
    text = shop.ok(*REPORTED)
    assert text.startswith("E2026-001: RG-301, as-found errors, found on 2026-05-05.\n")
    rests = "16 calibrations and 0 certificates of other gauges rest on it."
    assert rests in " ".join(text.split())
    return shop


def test_reported_decided_told_closed(reported: Any) -> None:
    shop = reported
    assert shop.ask("SELECT number, kind, found_on, note FROM gauge_event") == [
        ("E2026-001", "as-found errors", "2026-05-05", "far off")
    ]
    text = shop.ok(
        "doubt", "decide", "E2026-001", "none", "--all", "kept", "--as", "P05", "--reason", "inside"
    )
    lines = text.splitlines()
    assert [line.split()[0] for line in lines[:-1]] == list(FOUND)
    assert lines[0] == "H00471 PSLL-2106, safety, kept: none."
    assert lines[-1] == "4 calibrations without a decision."
    text = shop.ok(
        "doubt", "decide", "e2026-001", "recall", "h00479", "--as", "P05", "--reason", "below"
    )
    assert "Due at once until calibrated: PSLL-2206." in text
    (line,) = [x for x in shop.run("due", "-f", "json").json() if x["tag"] == "PSLL-2206"]
    assert line["due_on"] == "2026-11-25"
    assert line["why"].startswith("Due at once, recalled: event E2026-001 (H00479")
    text = shop.ok(
        "doubt", "decide", "E2026-001", "recall", "H00345", "H00358", "H00464", "--as", "P06",
        "--reason", "to be sure",
    )  # fmt: skip
    assert "! PSL-1111: calibrated since the gauge was found bad" in text
    assert text.endswith("Every calibration is decided upon.\n")
    text = shop.ok("doubt", "tell", "E2026-001", "the insurer", "--on", "2026-11-20", "--as", "P02")
    assert text == "2026-11-20 the insurer, told by P02.\n"
    shop.ok("doubt", "tell", "E2026-001", "--everybody", "--as", "P02")
    assert shop.ok(
        "doubt", "close", "E2026-001", "--statement", "done", "--as", "P07"
    ) == "E2026-001 closed on 2026-11-25 by P07.\n"  # fmt: skip
    (row,) = shop.run("doubt", "list", "-f", "json").json()
    assert (row["event"], row["touched"], row["undecided"], row["told"], row["state"]) == (
        "E2026-001", 16, 0, 6, "closed 2026-11-25",
    )  # fmt: skip
    assert shop.run("doubt", "list", "--open", "-f", "json").json() == []
    assert "Everything is as it was entered" in shop.run("verify").out
    actions = [row[0] for row in shop.ask("SELECT action FROM audit_entry ORDER BY position")]
    assert actions[2:] == [
        "report gauge found bad", "decide about results in doubt", "decide about results in doubt",
        "decide about results in doubt", "tell of gauge found bad", "tell of gauge found bad",
        "close event",
    ]  # fmt: skip


def test_the_report_as_text_data_and_picture(reported: Any, tmp_path: Path) -> None:
    shop = reported
    shop.ok("doubt", "decide", "E2026-001", "assess", "H00479", "--as", "P05", "--reason", "first")
    shop.ok("doubt", "decide", "E2026-001", "recall", "H00479", "--as", "P07", "--reason", "below")
    shop.ok("cross-check", "RG-301", "--against", "RG-201", "--point", "10.00=10.01", "--as", "P02")
    text = shop.ok("doubt", "show", "E2026-001")
    for part in (
        "State             open\n",
        "Reported by       Tamsin Copperreed (P02)\n",
        "Disposition: recall (Liv Marrowbeck (P07), 2026-11-25): below",
        "Disposition: none yet.",
        "... and 17 more.",
        "1 of 16 calibrations decided upon: recall 1.",
        "H00479: assess (Edda Thistlewick (P05), 2026-11-25: first) was changed by decision 2.",
        "X2026-001 of 2026-11-25: RG-301 and RG-201 agreed: 10.000 ± 0.041 against",
        "Nobody is on record.",
        "- 20 results of 15 calibrations without a decision: ",
        "\nDecision on each result (22)\n",
        "H00479 PSLL-2206 LL as-left, flipped to out of tolerance: recall [1]\n",
        "PSLL-2106 LL as-found, kept: NO DECISION YET\n",
        "[1] recall, Liv Marrowbeck (P07), 2026-11-25: below\n",
        "Open; it cannot be closed yet.",
        "Head of the audit trail: entry 6, ",
    ):
        assert part in text, part
    assert max(map(len, text.splitlines())) <= 110
    assert "Name, signature" not in text
    whole = shop.ok("doubt", "show", "E2026-001", "--all")
    assert "... and" not in whole
    assert FOUND[-1] in whole

    file = tmp_path / "event.json"
    done = shop.run("doubt", "show", "E2026-001", "-f", "json", "--out", str(file))
    assert (done.code, done.out) == (0, "")
    data = json.loads(file.read_text(encoding="utf-8"))
    assert data["state"] == "open"
    assert len(data["results"]) == 22
    decided = [r for r in data["results"] if r["decision"]]
    assert {r["calibration"] for r in decided} == {"H00479"}
    assert decided[0]["decision"] == {
        "action": "recall", "reason": "below", "by": "P07", "on": "2026-11-25", "number": 2,
    }  # fmt: skip
    assert [c["decided"] for c in data["calibrations"]].count(None) == 15
    assert data["cross_checks"][0]["agrees"] is True
    digest = shop.ask("SELECT digest FROM audit_entry ORDER BY position DESC LIMIT 1")[0][0]
    assert data["audit_head"] == {"entry": 6, "digest": digest}
    assert digest in text
    again = shop.run("doubt", "show", "E2026-001", "--out", str(file))
    assert again.code == 3
    rows = list(csv.DictReader(io.StringIO(shop.ok("doubt", "show", "E2026-001", "-f", "csv"))))
    assert len(rows) == 22
    assert {
        (
            r["calibration"],
            r["set_point"],
            r["phase"],
            r["decision"],
            r["decided_by"],
            r["decision_reason"],
        )
        for r in rows
        if r["decision"]
    } == {("H00479", "LL", phase, "recall", "P07", "below") for phase in ("as-found", "as-left")}
    drawn = shop.ok("doubt", "show", "E2026-001", "-f", "svg")
    assert ET.fromstring(drawn).tag.endswith("svg")


def read_prov(text: str) -> ProvDocument:
    """The text read back by a library for W3C PROV that knows nothing of this program."""
    document = ProvDocument.deserialize(content=text, format="json")
    assert isinstance(document, ProvDocument)
    return document


def ends(document: ProvDocument, kind: type[ProvRecord]) -> set[tuple[str, ...]]:
    """The two ends of each relation of a kind, by local name."""
    return {
        tuple(unquote(str(value.localpart)) for _, value in one.formal_attributes[:2])
        for one in document.get_records(kind)
    }


def test_the_preview_as_prov(shop: Any) -> None:
    document = read_prov(shop.ok("found-bad", "RG-301", "-f", "prov"))
    judged = "result H00479 LL as-left, judged again"
    assert (judged, "result H00479 LL as-left") in ends(document, ProvDerivation)
    invalidated = ends(document, ProvInvalidation)
    assert len(invalidated) == 4
    assert ("result H00479 LL as-left", "judging again after RG-301 2026-05-05") in invalidated


def test_an_event_as_prov_with_who_decided_what(reported: Any, tmp_path: Path) -> None:
    shop = reported
    shop.ok("doubt", "decide", "E2026-001", "assess", "H00479", "--as", "P05", "--reason", "first")
    shop.ok("doubt", "decide", "E2026-001", "recall", "H00479", "--as", "P07", "--reason", "below")
    file = tmp_path / "event.prov.json"
    done = shop.run("doubt", "show", "E2026-001", "-f", "prov", "--out", str(file))
    assert (done.code, done.out) == (0, "")
    document = read_prov(file.read_text(encoding="utf-8"))
    one, two = "decision E2026-001 H00479 1", "decision E2026-001 H00479 2"
    attributed = ends(document, ProvAttribution)
    assert {(one, "person P05"), (two, "person P07")} <= attributed
    derived = ends(document, ProvDerivation)
    assert {(two, one), (two, "result H00479 LL as-left, judged again")} <= derived
    assert (one, "result H00479 LL as-left, judged again") not in derived


def test_errors_are_typed_with_their_direction(shop: Any) -> None:
    shop.ok(
        "doubt", "report", "RG-201", "--error", "0=0", "--error", "30.0=+0.05 rising",
        "--error", "30.0=-0.02 falling", "--error", "60=−0.10", "--unit", "bar",
        "--found-on", "2026-11-20", "--as", "P02",
    )  # fmt: skip
    assert shop.ask("SELECT indication, error, direction FROM gauge_event_point ORDER BY id") == [
        ("0", "0", None), ("30.0", "-0.02", "falling"), ("30.0", "0.05", "rising"),
        ("60", "-0.10", None),
    ]  # fmt: skip
    (gauge,) = [g for g in shop.run("gauges", "-f", "json").json() if g["gauge"] == "RG-201"]
    assert gauge["status"] == "found bad on 2026-11-20 (as-found errors, E2026-001)"


def test_a_withdrawn_certificate(shop: Any) -> None:
    text = shop.ok(
        "doubt", "report", "RG-202", "--withdrawn", "--certificate", "SHOP-26-005", "--as", "P02"
    )
    assert "Certificate SHOP-26-005 is withdrawn from 2026-11-25 on." in text
    assert "is not to be used" not in text
    assert shop.ask("SELECT withdrawn_on, reason FROM certificate_withdrawal WHERE reason LIKE "
                    "'event%'") == [("2026-11-25", "event E2026-001")]  # fmt: skip


@pytest.mark.parametrize(
    ("words", "code", "part"),
    [
        (("report", "RG-301"), 2, "Nobody is named who"),
        (("report", "RG-301", "--as", "P99"), 2, "No person named 'P99'"),
        (("report", "RG-301", "--lost", "--damaged", "--as", "P02"), 2, "More than one of"),
        (("report", "RG-301", "--error", "12", "--as", "P02"), 2, "is not two numbers"),
        (("report", "RG-301", "--error", "1,2=3", "--as", "P02"), 2, "decimal comma"),
        (("report", "RG-301", "--error", "1=3 up", "--as", "P02"), 2, "no way of approach"),
        (("report", "RG-301", "--lost", "--found-on", "5/5", "--as", "P02"), 2, "not a date"),
        (("show", "E2026-007"), 2, "No event named 'E2026-007'"),
        (("close", "E2026-007", "--as", "P07"), 2, "'calfleet doubt list' lists them."),
    ],
)
def test_what_cannot_be_understood(shop: Any, words: tuple[str, ...], code: int, part: str) -> None:
    assert part in said(shop, "doubt", *words, code=code)


def test_what_the_rules_refuse(reported: Any) -> None:
    shop = reported
    assert "reported already: E2026-001" in said(shop, *REPORTED)
    text = said(shop, "doubt", "close", "E2026-001", "--statement", "x", "--as", "P07")
    assert "16 calibrations without a decision: H00479, " in text
    assert "nobody was told" in text
    decide = ("doubt", "decide", "E2026-001", "none")
    assert "may not decide" in said(shop, *decide, "H00479", "--reason", "x", "--as", "P02")
    assert "does not rest on RG-301" in said(
        shop, *decide, "H00001", "--reason", "x", "--as", "P05"
    )
    assert "no reason" in said(shop, *decide, "H00479", "--as", "P05", code=2)


# --- cross checks -------------------------------------------------------------------------------


def test_cross_checks_are_kept_and_listed(shop: Any) -> None:
    agreed = shop.ok(
        "cross-check", "RG-202", "--against", "rg-201", "--unit", "bar", "--point", "10.00=9.99",
        "--as", "P02",
    )  # fmt: skip
    assert agreed.startswith(
        "X2026-001 of 2026-11-25: RG-202 (SHOP-26-005) and RG-201 (SHOP-26-004) agree.\n"
    )
    apart = shop.ok(
        "cross-check", "RG-202", "--against", "RG-201", "--unit", "bar", "--point", "10.00=10.10",
        "--U", "0.03", "--against-U", "0.04", "--note", "after a knock", "--as", "P02",
    )  # fmt: skip
    assert "do not agree" in apart
    assert "have the one that differs calibrated" in apart
    rows = shop.run("cross-checks", "RG-201", "-f", "json").json()
    assert [(r["number"], r["agreed"], r["note"]) for r in rows] == [
        ("X2026-001", True, ""), ("X2026-002", False, "after a knock"),
    ]  # fmt: skip
    assert shop.run("cross-checks", "RG-301", "-f", "csv").out.count("\n") == 1
    assert "No cross check" in shop.ok("cross-checks", "RG-301")
    assert shop.ask("SELECT gauge_uncertainty, reference_uncertainty FROM cross_check_point "
                    "WHERE cross_check_id = 2") == [("0.03", "0.04")]  # fmt: skip


def test_a_cross_check_of_a_gauge_in_doubt_says_what_it_is_worth(shop: Any) -> None:
    """As the rules in period.py: a check with RG-201, found bad, counts for neither of the two."""
    shop.ok("doubt", "report", "RG-201", "--error", "10=+0.05", "--unit", "bar", "--as", "P02")
    (before,) = shop.run("doubt", "list", "-f", "json").json()
    check = ("cross-check", "RG-202", "--against", "RG-201", "--unit", "bar", "--point", "10=9.99")
    out = " ".join(shop.ok(*check, "--as", "P02").split())
    assert (
        "! RG-201 is in doubt already (E2026-001): this check does not shorten that doubt, nor "
        "does it count for RG-202." in out
    )
    assert "! RG-202 is in doubt" not in out
    (after,) = shop.run("doubt", "list", "-f", "json").json()
    assert after["since"] == before["since"]
    shop.ok("doubt", "report", "RG-202", "--error", "10=+0.05", "--unit", "bar", "--as", "P02")
    assert all(x["since"] < "2026-11-25" for x in shop.run("doubt", "list", "-f", "json").json())


def test_a_gauge_that_was_calibrated_since_is_not_in_doubt(reported: Any) -> None:
    """RG-301 was found bad by the certificate it has now: that one was made after the finding."""
    check = ("cross-check", "RG-301", "--against", "RG-201", "--point", "10.00=10.01")
    assert "in doubt already" not in reported.ok(*check, "--as", "P02")


@pytest.mark.parametrize(
    ("words", "code", "part"),
    [
        (("RG-202", "--against", "RG-201", "--point", "1=1"), 2, "Nobody is named who"),
        (("RG-202", "--against", "RG-201", "--point", "1", "--as", "P02"), 2, "not two numbers"),
        (("RG-202", "--against", "RG-202", "--point", "1=1", "--as", "P02"), 2, "with itself"),
        (("RG-202", "--against", "RG-303", "--point", "1=1", "--as", "P02"), 3, "pressure"),
        (("RG-202", "--against", "RG-207", "--point", "1=1", "--as", "P02"), 3, "degC"),
        (("RG-202", "--against", "RG-201", "--point", "1=1", "--U", "-1", "--as", "P02"), 2,
         "expanded uncertainty"),
    ],
)  # fmt: skip
def test_what_is_no_cross_check(shop: Any, words: tuple[str, ...], code: int, part: str) -> None:
    assert part in said(shop, "cross-check", *words, code=code)
