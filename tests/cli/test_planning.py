"""The planner's commands that look ahead, and the auditor's that look back; databases re-opened."""

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


def test_forecast_adds_up_and_is_the_same_in_every_form(demo: Shop) -> None:
    table = demo.ok("forecast", "--months", "6")
    rows = json.loads(demo.ok("forecast", "--months", "6", "--format", "json"))
    cells = list(csv.DictReader(io.StringIO(demo.ok("forecast", "--months", "6", "-f", "csv"))))
    assert [r["period"] for r in rows] == [c["period"] for c in cells]
    for row in rows:
        groups = sum(v for k, v in row.items() if k.startswith("hours_"))
        assert groups == pytest.approx(row["hours"])
        assert row["period"] in table
    assert "more than the shop has" in table
    assert "come round again" in table


def test_a_deferral_is_kept_and_shown(shop: Shop) -> None:
    words = ["defer", "PSH-3102", "--until", "2026-12-10", "--reason", "Spare part", "--risk",
             "Watched", "--requested-by", "P01", "--approved-by", "P07"]  # fmt: skip
    out = shop.ok(*words)
    assert "due 2026-11-30, now until 2026-12-10" in out
    assert shop.ask("SELECT due_on, until, reason FROM deferral WHERE reason = 'Spare part'") == [
        ("2026-11-30", "2026-12-10", "Spare part")
    ]
    before = shop.state()
    later = ["2026-12-20" if word == "2026-12-10" else word for word in words]
    again = shop.run(*later)
    assert again.code == 3
    assert "once between two calibrations" in again.err
    assert shop.state() == before


def test_a_plan_is_made_fixed_shown_and_accepted(shop: Shop) -> None:
    made = shop.run("plan", "make", "--weeks", "8", "--as", "P06")
    assert made.code == 0
    assert "Kept as PL2026-001" in made.out
    assert "Without a place" in made.out
    (count,) = shop.ask("SELECT COUNT(*) FROM plan_assignment")[0]
    listed = shop.run("plan", "show", "--format", "json").json()
    assert len(listed) == count > 10
    before = shop.state()
    as_planner = ("--reason", "asked for by operations", "--as", "P06")
    refused = shop.run("plan", "fix", "PSL-6111", "--week", "2027-W03", *as_planner)
    assert refused.code == 3
    assert "cannot be fixed there" in refused.err
    assert shop.state() == before
    movable = next(r for r in listed if r["due_on"] > "2026-12-20" and r["gauge"] == "RG-203")
    fixed = shop.run("plan", "fix", movable["tag"], "--week", "2026-W50", *as_planner)
    assert fixed.code == 0, fixed.err
    shown = shop.run("plan", "show", "--week", "2026-W50", "--format", "json").json()
    assert any(r["tag"] == movable["tag"] and r["fixed"] for r in shown)
    assert shop.run("plan", "accept").code == 2
    assert shop.run("plan", "accept", "--as", "P02").code == 3
    assert "accepted on 2026-11-25 by P06" in shop.ok("plan", "accept", "--as", "P06")
    assert shop.ask("SELECT COUNT(*) FROM plan_acceptance") == [(1,)]


def test_a_checked_plan_keeps_nothing(shop: Shop) -> None:
    before = shop.state()
    out = shop.run("plan", "make", "--weeks", "4", "--check").out
    assert "nothing was kept" in out
    assert shop.state() == before


def test_what_if_shows_what_a_better_gauge_buys(demo: Shop) -> None:
    out = demo.ok("what-if", "VSH-6107", "--with-u", "0.02")
    assert "supposed, U 0.02 mbar" in out
    assert "required TUR 3:1" in out
    assert demo.run("what-if", "VSH-6107", "--with-u", "0").code == 2
    assert demo.run("what-if", "VSH-6107", "--in-tolerance", "95").code == 2


def test_verify_finds_the_demo_whole_and_prints_the_head(demo: Shop) -> None:
    done = demo.run("verify")
    assert done.code == 0
    assert "Everything is as it was entered" in done.out
    (head,) = demo.ask("SELECT digest FROM audit_entry ORDER BY position DESC LIMIT 1")[0]
    assert head in done.out
    assert demo.run("verify", "--head", "0" * 64).code == 1


def test_a_gauge_found_bad_reports_every_result_since(demo: Shop, tmp_path: Path) -> None:
    """The demo's story: RG-301 was dropped; PSLL-2206 passed on it and was outside."""
    out = demo.ok("found-bad", "RG-301")
    assert "recall PSLL-2206" in out
    plain = json.loads(demo.ok("found-bad", "RG-301", "--format", "json"))
    (count,) = demo.ask(
        "SELECT COUNT(*) FROM calibration_gauge u JOIN gauge g ON g.id = u.gauge_id JOIN "
        "calibration c ON c.id = u.calibration_id WHERE g.code = 'RG-301' AND "
        "c.performed_on BETWEEN '2025-05-13' AND '2026-05-05' AND u.role = 'operating'"
    )[0]
    assert len({r["calibration"] for r in plain["results"]}) == count
    picture = tmp_path / "doubt.svg"
    assert demo.run("found-bad", "RG-301", "-f", "svg", "--out", str(picture)).code == 0
    ElementTree.parse(picture)
    again = demo.run("found-bad", "RG-301", "-f", "svg", "--out", str(picture))
    assert again.code == 3


def test_a_lost_gauge_leaves_nothing_sure(demo: Shop) -> None:
    out = demo.ok("found-bad", "RG-202", "--lost")
    assert "no longer sure" in out
    assert "RG-301, SHOP-26-009" in out, "through the gauge that was calibrated with it"


@pytest.mark.parametrize(
    ("words", "code"),
    [
        (("found-bad", "RG-999"), 2),
        (("found-bad", "RG-301", "--lost", "--damaged"), 2),
        (("found-bad", "RG-301", "--found-on", "2026-01-01"), 2),
        (("found-bad", "RG-301", "--lost", "--found-on", "2027-01-01"), 2),
        (("found-bad", "RG-301", "--lost", "--certificate", "SHOP-26-009"), 2),
        (("plan", "show", "PL1999-001"), 3),
        (("plan", "make", "--weeks", "0"), 2),
        (("forecast", "--months", "0"), 2),
    ],
)
def test_what_cannot_be_asked_is_told(demo: Shop, words: tuple[str, ...], code: int) -> None:
    done = demo.run(*words)
    assert done.code == code
    assert "✗" in done.err


def test_what_rests_on_each_gauge_and_which_chains_are_weak(demo: Shop) -> None:
    rows = json.loads(demo.ok("rests-on", "--format", "json"))
    assert [r["safety"] for r in rows] == sorted((r["safety"] for r in rows), reverse=True)
    through = next(r for r in rows if r["gauge"] == "RG-101")
    assert "RG-301" in through["through"]
    weak = json.loads(demo.ok("weak-chains", "--format", "json"))
    lapsed = [r for r in weak if "Tollgate" in r["why"]]
    assert len(lapsed) == 26, "25 results on RG-302 and 1 on RG-205 (the demo's story)"


def test_the_due_list_and_the_forecast_go_into_files(demo: Shop, tmp_path: Path) -> None:
    """RFC 5545 read back by a general-purpose library; the picture is well-formed SVG."""
    from icalendar import Calendar

    file, picture = tmp_path / "due.ics", tmp_path / "load.svg"
    rows = demo.run("due", "--month", "2026-12", "--calendar", str(file), "-f", "json").json()
    events = Calendar.from_ical(file.read_bytes()).walk("VEVENT")
    assert sorted(str(e.decoded("DTSTART")) for e in events) == sorted(r["due_on"] for r in rows)
    assert len({str(e["UID"]) for e in events}) == len(rows)
    assert demo.run("forecast", "--picture", str(picture)).code == 0
    assert ElementTree.parse(picture).getroot().tag.endswith("svg")
    for words in (("due", "--calendar", str(file)), ("forecast", "--picture", str(picture))):
        refused = demo.run(*words)
        assert refused.code == 3
        assert refused.out == ""
