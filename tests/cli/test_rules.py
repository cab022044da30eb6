"""The planner's rules, other work, counters, outages and the gauges' calendar, as typed."""

from __future__ import annotations

import csv
import io
import json
from pathlib import Path
from typing import TYPE_CHECKING
from xml.etree import ElementTree

import pytest

if TYPE_CHECKING:
    from conftest import Shop


def test_a_due_rule_is_kept_shown_and_named_by_why(shop: Shop) -> None:
    out = shop.ok(
        "due-rule", "--tag", "PSH-3102", "--policy", "S06", "--reason", "Failed twice",
        "--as", "P01",
    )  # fmt: skip
    assert "PSH-3102: 2026-11-30 -> 2026-05-17." in out
    assert shop.ask("SELECT scope, subject, policy, recorded_by FROM due_rule") == [
        ("switch", "PSH-3102", "S06", "P01")
    ]
    (row,) = shop.run("due-rules", "-f", "json").json()
    assert (row["subject"], row["policy"], row["in_force"]) == ("PSH-3102", "S06", True)
    text = " ".join(shop.ok("due", "--area", "GTR", "--why").split())
    assert "By the rule for switch PSH-3102 since 2026-11-25: policy S06." in text
    assert shop.run("verify").code == 0


@pytest.mark.parametrize(
    ("words", "code", "says"),
    [
        (("due-rule", "--reason", "x", "--policy", "S06", "--as", "P01"), 2, "none or several"),
        (("due-rule", "--whole-site", "--reason", "x", "--as", "P01"), 2, "says nothing"),
        (
            ("due-rule", "--whole-site", "--end", "--policy", "S06", "--reason", "x"),
            2,
            "--end was given together",
        ),
        (("due-rule", "--whole-site", "--policy", "S06", "--reason", "x"), 2, "Nobody is named"),
        (
            ("due-rule", "--whole-site", "--policy", "S06", "--reason", "x", "--as", "P02"),
            3,
            "may not set due rules",
        ),
        (
            ("due-rule", "--whole-site", "--before-use", "--hard-stop", "2027-01-01", "--reason",
             "x", "--as", "P01"),
            3,
            "contradicts itself",
        ),
        (("policy", "S06", "--every", "0", "--as", "P01"), 3, "interval of 0"),
        (("policy", "S06", "--every", "6", "--grace", "x", "--as", "P01"), 2, "x"),
        (("further-interval", "PSH-3102", "contacts", "--as", "P01"), 2, "policy is missing"),
        (("other-work", "PSH-3102", "contacts", "--as", "P02"), 2, "No other work named"),
        (("usage", "PSL-1108", "cycles", "100", "--as", "P02"), 3, "does not fit in"),
        (("usage", "PSL-1108", "cycles", "100"), 2, "Nobody is named"),
        (("usage-limit", "PSL-1108", "cycles", "-1", "--as", "P01"), 2, "-1"),
        (("outage", "NEW", "--first", "2027-01-01", "--as", "P01"), 3, "is missing"),
        (("gauge-schedule", "--conflicts", "--if-lapses", "RG-202"), 2, "One question"),
        (("gauge-schedule", "--lapses-on", "2027-01-01"), 2, "belong to the gauge"),
        (("gauge-schedule", "--if-lapses", "RG-999"), 2, "RG-999"),
    ],
)  # fmt: skip
def test_what_cannot_be_is_told_and_nothing_is_kept(
    shop: Shop, words: tuple[str, ...], code: int, says: str
) -> None:
    before = shop.state()
    told = shop.run(*words)
    assert told.code == code, told.err
    assert says in " ".join(told.err.split())
    assert "Next:" in told.err
    assert shop.state() == before


def test_an_outage_past_hard_stops_lists_them_and_changes_nothing(shop: Shop) -> None:
    before = shop.state()
    told = shop.run(
        "outage", "REV-2027", "--first", "2027-10-01", "--last", "2027-10-20", "--reason", "crane",
        "--as", "P01",
    )  # fmt: skip
    assert told.code == 3
    assert " ".join(told.err.split()).count("(hard stop 2027-08-") == 15
    assert shop.state() == before
    out = shop.ok(
        "outage", "REV-2027", "--last", "2027-07-16", "--reason", "shorter", "--as", "P01"
    )
    assert "was 2027-07-05 to 2027-07-23" in out
    assert "15 of the outage-bound switches" in out
    rows = shop.run("outages", "-f", "json").json()
    assert next(r for r in rows if r["code"] == "REV-2027")["waiting"] == 15


def test_other_work_and_counters_from_interval_to_record(shop: Shop) -> None:
    shop.ok("further-interval", "PSH-3102", "contact inspection", "--policy", "S06", "--from",
            "2026-06-01", "--as", "P01")  # fmt: skip
    table = shop.ok("due", "--area", "GTR")
    assert "contact inspection" in table
    shop.ok("other-work", "PSH-3102", "contact inspection", "--on", "2026-11-20", "--note",
            "Clean", "--as", "P02")  # fmt: skip
    (row,) = shop.run("further-intervals", "-f", "json").json()
    assert (row["last_on"], row["last_by"], row["due_on"]) == ("2026-11-20", "P02", "2027-05-20")
    assert shop.ask("SELECT note FROM other_work") == [("Clean",)]
    (line,) = [r for r in shop.run("due", "--area", "GTR", "-f", "json").json()
               if r["tag"] == "PSH-3102"]  # fmt: skip
    assert line["work"] == "calibration"
    out = shop.ok("usage", "PSL-1108", "cycles", "18000", "--as", "P02")
    assert "18000 cycles read on 2026-11-25" in out
    shop.ok("usage-limit", "PSH-3102", "hours", "500", "--as", "P01")
    cells = list(csv.DictReader(io.StringIO(shop.ok("usage-limits", "-f", "csv"))))
    assert {c["tag"]: c["counter"] for c in cells}["PSL-1108"] == "18000"
    shop.ok("policy", "S09", "--every", "9", "--grace-days", "10", "--as", "P01")
    rows = shop.run("policies", "-f", "json").json()
    assert next(r for r in rows if r["policy"] == "S09")["interval"] == 9
    assert shop.run("verify").code == 0


def test_the_gauges_calendar_in_every_form(demo: Shop, tmp_path: Path) -> None:
    table = demo.ok("gauge-schedule")
    rows = json.loads(demo.ok("gauge-schedule", "-f", "json"))
    assert {r["gauge"] for r in rows} >= {"RG-101", "RG-204", "RG-303"}
    assert all(r["gauge"] in table for r in rows)
    assert "No plan is accepted yet" in table
    told = demo.ok("gauge-schedule", "--conflicts")
    assert "(1) Pull the job forward to 2027-09-15" in told
    choices = list(
        csv.DictReader(io.StringIO(demo.ok("gauge-schedule", "--conflicts", "-f", "csv")))
    )
    assert {c["choice"] for c in choices if c["tag"] == "PSL-2201"} == {
        "pull the job forward", "send the gauge earlier", "send the gauge later",
    }  # fmt: skip
    lapse = json.loads(demo.ok("gauge-schedule", "--if-lapses", "RG-204", "-f", "json"))
    assert lapse
    assert all(r["blocked"] for r in lapse)
    picture = tmp_path / "gauges.svg"
    assert demo.run("gauge-schedule", "--picture", str(picture)).code == 0
    drawn = ElementTree.parse(picture).getroot()
    names = {e.text for e in drawn.iter("{http://www.w3.org/2000/svg}text")}
    assert {r["gauge"] for r in rows} <= names
    again = demo.run("gauge-schedule", "--picture", str(picture))
    assert again.code == 3
    assert again.out == ""
