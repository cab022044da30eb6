"""``calfleet shop`` as a planner types it: entered, refused, listed, cancelled."""

from __future__ import annotations

import csv
import io
from pathlib import Path
from typing import TYPE_CHECKING
from xml.etree import ElementTree

import pytest
from openpyxl import load_workbook

if TYPE_CHECKING:
    from conftest import Shop

AS = ("--as", "P01")


def told(text: str) -> str:
    return " ".join(text.split())


def test_everything_is_entered_listed_and_kept(shop: Shop) -> None:
    shop.ok("shop", "add-holiday", "2027-01-06", "--name", "Lantern day", *AS)
    shop.ok("shop", "add-closure", "2026-12-28", "2026-12-31", "--name", "Winter stop", *AS)
    shop.ok("shop", "add-leave", "P02", "2026-12-07", "2026-12-11", *AS)
    shop.ok("shop", "add-leave", "P03", "2026-12-07", "--reason", "course", *AS)
    shop.ok("shop", "add-absence", "RG-202", "2027-02-01", "2027-02-05", "--reason", "lent", *AS)
    out = shop.ok("shop", "set-hours", "P04", "7.5", "--from", "2027-01-04", *AS)
    assert "P04: 7.5 bench hours a week from 2027-01-04 (2 h before)." in out
    out = shop.ok(
        "shop", "set-terms", "WES", "--transit", "4", "--there", "25", "--review", "2", *AS
    )
    assert "RG-206 by 2027-03-08 instead of 2027-03-19" in told(out)
    shop.ok("shop", "add-group", "PS-31", "PSH-3102", "PSH-3106", "--weeks-apart", "2", *AS)
    assert shop.ask(
        "SELECT p.code, l.first_on, l.last_on, l.reason, l.recorded_by FROM person_leave l "
        "JOIN person p ON p.id = l.person_id ORDER BY l.id"
    ) == [
        ("P02", "2026-12-07", "2026-12-11", "", "P01"),
        ("P03", "2026-12-07", "2026-12-07", "course", "P01"),
    ]
    assert shop.ask("SELECT first_on, last_on, name FROM shop_closure") == [
        ("2026-12-28", "2026-12-31", "Winter stop")
    ]
    rows = shop.run("shop", "calendar", "-f", "json").json()
    leave = next(r for r in rows if r["subject"] == "P02")
    assert (leave["kind"], leave["days"], leave["working_days"]) == ("leave", 5, 5)
    assert leave["cancelled_because"] is None
    assert [r["first_on"] for r in rows] == sorted(r["first_on"] for r in rows)
    only = shop.run("shop", "calendar", "--kind", "closure", "--kind", "leave", "-f", "csv").out
    kinds = [r["kind"] for r in csv.DictReader(io.StringIO(only))]
    assert kinds == ["leave", "leave", "closure"]
    (p04,) = [
        r
        for r in shop.run("shop", "hours", "-f", "json").json()
        if (r["person"], r["counts"]) == ("P04", "to come")
    ]
    assert p04["hours_per_week"] == 7.5
    wes = [r for r in shop.run("shop", "terms", "-f", "json").json() if r["laboratory"] == "WES"]
    assert [(r["days_away"], r["standing"]) for r in wes] == [(20, "replaced"), (31, "in force")]
    groups = shop.run("shop", "groups", "-f", "json").json()
    assert {"group": "PS-31", "tags": "PSH-3102, PSH-3106", "weeks_apart": 2,
            "cancelled_because": None} in groups  # fmt: skip
    assert shop.run("verify").code == 0


def test_cancelled_is_shown_with_its_reason_when_asked(shop: Shop) -> None:
    shop.ok("shop", "add-leave", "P02", "2026-12-07", "2026-12-11", *AS)
    with_leave = shop.run("forecast", "--months", "2", "-f", "json").json()
    out = shop.ok(
        "shop", "cancel", "leave", "P02", "--from", "2026-12-07", "--reason", "moved to May", *AS
    )
    assert "Cancelled: leave P02 from 2026-12-07 to 2026-12-11." in told(out)
    assert "P02" not in shop.ok("shop", "calendar")
    everything = shop.ok("shop", "calendar", "--all")
    assert "Cancelled because" in everything
    assert "moved to May" in everything
    assert shop.ask("SELECT reason, recorded_by FROM planning_withdrawal") == [
        ("moved to May", "P01")
    ]
    after = shop.run("forecast", "--months", "2", "-f", "json").json()
    assert [r["lost_to_leave_hours"] for r in with_leave] == [0.0, 4.0, 0.0]
    assert [r["lost_to_leave_hours"] for r in after] == [0.0, 0.0, 0.0]
    assert after[1]["capacity_hours"] == with_leave[1]["capacity_hours"] + 4.0
    assert shop.run("verify").code == 0


def test_the_name_of_a_holiday_may_be_given_as_before(shop: Shop) -> None:
    """As an argument, as earlier versions took it."""
    out = shop.ok("shop", "add-holiday", "2027-01-06", "Lantern day", *AS)
    assert out.startswith("Holiday on 2027-01-06: Lantern day.")


@pytest.mark.parametrize(
    ("words", "code", "says"),
    [
        (("add-holiday", "2026-12-25", "x"), 3, "2026-12-25 is a holiday already: Midwinter day"),
        (("add-holiday", "2026-13-25", "x"), 2, "is not a date"),
        (("add-holiday", "2027-01-06"), 3, "The holiday on 2027-01-06 has no name"),
        (("add-holiday", "2027-01-06", "x", "--name", "y"), 2, "given twice: 'x' and 'y'"),
        (("add-closure", "2026-12-28", "2026-12-20", "--name", "x"), 3, "before it begins"),
        (("add-closure", "2026-12-28"), 3, "has no name"),
        (("add-leave", "P12", "2026-12-28"), 2, "No person named 'P12'"),
        (("add-leave", "P02", "2026-12-28", "2026-12-27"), 3, "before it begins"),
        (("add-absence", "RG-204", "2026-12-01", "--reason", "x"), 3, "away from 2026-11-16"),
        (("add-absence", "RG-202", "2026-12-01"), 3, "has no reason"),
        (("set-hours", "P02", "121"), 2, "0 to 120 hours"),
        (("set-hours", "P02", "many"), 2, "many"),
        (("set-terms", "WES", "--transit", "-1", "--there", "2", "--review", "3"), 2, "-1"),
        (("set-terms", "WSE", "--transit", "1", "--there", "2", "--review", "3"), 2, "WES"),
        (("set-terms", "WES", "--transit", "1"), 2, "--there"),
        (("add-group", "X", "PSH-3102"), 3, "at least two switches"),
        (("add-group", "X", "PSH-3102", "PSH-3106", "--weeks-apart", "0"), 2, "0 weeks"),
        (("cancel", "holiday", "--from", "2026-12-24"), 3, "without a reason"),
        (("cancel", "leave", "--from", "2026-12-24", "--reason", "x"), 2, "person is missing"),
        (("cancel", "hours", "P02", "--reason", "x"), 2, "hours"),
        (("cancel", "group", "PSHH-1109", "--reason", "x"), 2, "TSHH-1109"),
    ],
)
def test_what_cannot_be_is_told_and_nothing_is_kept(
    shop: Shop, words: tuple[str, ...], code: int, says: str
) -> None:
    before = shop.state()
    done = shop.run("shop", *words, *AS)
    assert done.code == code, done.err
    assert says in told(done.err)
    assert "Next:" in done.err
    assert shop.state() == before


@pytest.mark.parametrize(
    "words",
    [
        ("add-holiday", "2027-01-06", "x"),
        ("add-closure", "2026-12-28", "--name", "x"),
        ("add-leave", "P02", "2026-12-28"),
        ("add-absence", "RG-202", "2026-12-28", "--reason", "x"),
        ("set-hours", "P02", "8"),
        ("set-terms", "WES", "--transit", "1", "--there", "2", "--review", "3"),
        ("add-group", "X", "PSH-3102", "PSH-3106"),
        ("cancel", "holiday", "--from", "2026-12-24", "--reason", "x"),
    ],
)
def test_only_a_named_planner_may(shop: Shop, words: tuple[str, ...]) -> None:
    before = shop.state()
    nobody = shop.run("shop", *words)
    assert (nobody.code, "Nobody is named" in nobody.err) == (2, True)
    technician = shop.run("shop", *words, "--as", "P02")
    assert (technician.code, "The role planner is needed" in told(technician.err)) == (3, True)
    assert shop.state() == before


@pytest.mark.parametrize("name", ["calendar", "hours", "terms", "groups"])
def test_each_listing_is_a_workbook_too(demo: Shop, name: str, tmp_path: Path) -> None:
    path = tmp_path / "shop.xlsx"
    done = demo.run("shop", name, "-f", "json", "--workbook", str(path))
    assert done.code == 0
    sheet = load_workbook(path).worksheets[0]
    cells = {str(c.value) for row in sheet.iter_rows() for c in row if c.value is not None}
    key = {"calendar": "first_on", "hours": "person", "terms": "laboratory", "groups": "group"}
    wanted = {str(row[key[name]]) for row in done.json()}
    assert wanted
    assert all(any(w in cell for cell in cells) for w in wanted)
    assert demo.run("shop", name, "--workbook", str(path)).code == 3


def test_planned_jobs_on_leave_are_told_with_the_command(shop: Shop) -> None:
    assert shop.run("plan", "make", "--weeks", "8", *AS).code == 0
    shop.ok("plan", "accept", *AS)
    out = told(shop.ok("shop", "add-leave", "P02", "2026-11-30", "2026-12-04", *AS))
    assert "Plan PL2026-001 gives P02" in out
    assert "'calfleet plan show PL2026-001 --week 2026-W49' shows the week" in out
    listed = shop.run("plan", "show", "PL2026-001", "--week", "2026-W49", "-f", "json").json()
    count = sum(r["person"] == "P02" for r in listed)
    assert f"gives P02 {count} job" in out
    conflicts = shop.ok("gauge-schedule", "--conflicts")
    assert "P02 is away from 2026-11-30 to 2026-12-04" in told(conflicts)
    assert shop.run("plan", "make", "--weeks", "8", *AS).code == 0
    anew = shop.run("plan", "show", "--week", "2026-W49", "-f", "json").json()
    assert all(r["person"] != "P02" for r in anew)


def test_no_bench_time_is_refused_in_the_plan_and_told_in_the_forecast(
    shop: Shop, tmp_path: Path
) -> None:
    shop.ok("shop", "add-closure", "2026-11-23", "2027-02-28", "--name", "Moving house", *AS)
    refused = shop.run("plan", "make", "--weeks", "8", *AS)
    assert refused.code == 3
    assert "There is no bench time" in told(refused.err)
    assert "Moving house 2026-11-23 to 2027-02-28" in told(refused.err)
    assert "closures" in told(refused.err)
    picture = tmp_path / "load.svg"
    done = shop.run("forecast", "--months", "2", "--picture", str(picture))
    assert done.code == 0
    assert (
        "The shop has no bench time from 2026-11-25 to 2027-01-24: the shop works on no day "
        "(Moving house 2026-11-23 to 2027-02-28)."
    ) in told(done.out)
    ElementTree.parse(picture)
    (first, *_) = shop.run("forecast", "--months", "2", "-f", "json").json()
    assert (first["capacity_hours"], first["load_share"]) == (0.0, None)
    assert first["lost_to_closures_hours"] == 8.0


def test_the_forecast_says_what_is_lost_and_why(shop: Shop, tmp_path: Path) -> None:
    shop.ok("shop", "add-leave", "P02", "2026-12-07", "2026-12-18", *AS)
    shop.ok("shop", "add-closure", "2026-12-28", "2026-12-31", "--name", "Winter stop", *AS)
    picture = tmp_path / "load.svg"
    out = shop.run("forecast", "--months", "2", "--picture", str(picture)).out
    assert "4.0 holidays, 8.0 closures, 8.0 leave" in out
    assert "Winter stop: shop closed 2026-12-28 to 2026-12-31." in out
    assert "P02 on leave: 2026-12-07 to 2026-12-18." in out
    drawn = picture.read_text(encoding="utf-8")
    assert "P02 on leave" in drawn
    assert "Winter stop" in drawn
