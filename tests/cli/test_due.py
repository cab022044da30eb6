"""``calfleet due``: one list in three forms, filtered, ordered, totalled."""

from __future__ import annotations

import csv
import io
import re
from collections import Counter
from datetime import date
from typing import Any

import pytest

TODAY = date(2026, 11, 25)
RANK = {"safety": 0, "environment": 1, "production": 2, "general": 3}


def lines(demo: Any, *words: str) -> list[dict[str, Any]]:
    found: list[dict[str, Any]] = demo.run("due", "-f", "json", *words).json()
    return found


def tags(demo: Any, *words: str) -> list[str]:
    return [line["tag"] for line in lines(demo, *words)]


def test_table_csv_and_json_are_one_list(demo: Any) -> None:
    words = ("--month", "2026-12")
    told = lines(demo, *words)
    table = demo.ok("due", *words, columns=500).splitlines()
    rows = list(csv.DictReader(io.StringIO(demo.ok("due", "-f", "csv", *words))))
    assert len(told) == len(rows) > 20
    shown = table[3 : 3 + len(told)]
    for line, row, text in zip(told, rows, shown, strict=True):
        assert list(line) == list(row)
        for key, value in line.items():
            plain = "" if value is None else str(value)
            if isinstance(value, bool):
                plain = "yes" if value else "no"
            assert row[key] == plain, key
        assert text.split()[0] == line["tag"]
        for key in ("service", "area", "criticality", "set_point", "last_result", "due_on"):
            assert line[key] in text
        assert f" {line['bench_hours']:.1f} " in text
        days, status = line["days_left"], line["status"]
        left = rf"  {abs(days)} d" + (r" (overdue|late)" if days < 0 else "")
        assert re.search(rf"{left}(, {status})?  ", text), text
        assert (f"  {line['gauge']} (" if line["gauge_ready"] else "  NONE: ") in text
    assert table[0] == "Due by 2026-12-31 as of 2026-11-25"


def test_the_most_urgent_comes_first(demo: Any) -> None:
    found = lines(demo, "--within", "400")
    keys = [(x["due_on"], RANK[x["criticality"]], x["tag"]) for x in found]
    assert keys == sorted(keys)
    assert found[0]["days_left"] < 0


def test_what_is_due_is_all_that_is_due_by_then(demo: Any) -> None:
    everything = lines(demo, "--within", "36500")
    in_service = demo.ask(
        "SELECT count(*) FROM (SELECT s.tag, r.status, max(r.revision) FROM switch s "
        "JOIN switch_revision r ON r.switch_id = s.id WHERE r.effective_on <= '2026-11-25' "
        "GROUP BY s.id) WHERE status = 'in service'"
    )
    assert len(everything) == in_service[0][0]
    for words, until in (
        (["--month", "2026-12"], "2026-12-31"),
        (["--month", "2027-02"], "2027-02-28"),
        (["--within", "30"], "2026-12-25"),
        (["--within", "0"], "2026-11-25"),
        ([], "2026-11-30"),
    ):
        expected = [x["tag"] for x in everything if x["due_on"] <= until]
        assert tags(demo, *words) == expected


def test_days_left_are_counted_from_the_day_asked(demo: Any) -> None:
    for words, day in (([], TODAY), (["--as-of", "2026-10-01"], date(2026, 10, 1))):
        for line in lines(demo, "--within", "90", *words):
            assert line["days_left"] == (date.fromisoformat(line["due_on"]) - day).days


def test_as_of_a_past_day_what_came_later_had_not_happened(demo: Any) -> None:
    """PDSL-4104 was due in December 2026 until the demo recorded its calibration."""
    assert "PDSL-4104" not in tags(demo, "--month", "2026-12")
    before = {x["tag"]: x for x in lines(demo, "--month", "2026-12", "--as-of", "2026-11-24")}
    assert before["PDSL-4104"]["last_calibration"] == "H00444"
    assert before["PDSL-4104"]["last_done_on"] == "2025-12-22"


@pytest.mark.parametrize(
    ("words", "key", "wanted"),
    [
        (["--area", "FWS"], "area", {"FWS"}),
        (["--area", "FWS", "--area", "GBH"], "area", {"FWS", "GBH"}),
        (["--criticality", "safety"], "criticality", {"safety"}),
        (["--criticality", "Saf"], "criticality", {"safety"}),
        (
            ["--criticality", "general", "--criticality", "production"],
            "criticality",
            {"general", "production"},
        ),
        (["--quantity", "vacuum"], "quantity", {"vacuum"}),
        (["--quantity", "differential pressure"], "quantity", {"differential pressure"}),
    ],
)
def test_filters_keep_what_they_name_in_the_same_order(
    demo: Any, words: list[str], key: str, wanted: set[str]
) -> None:
    everything = lines(demo, "--within", "400")
    found = lines(demo, "--within", "400", *words)
    assert found == [x for x in everything if x[key] in wanted]
    assert {x[key] for x in found} == wanted


def test_filters_combine(demo: Any) -> None:
    everything = lines(demo, "--within", "400")
    found = lines(demo, "--within", "400", "--area", "GBH", "--criticality", "safety", "--overdue")
    assert found == [
        x
        for x in everything
        if x["area"] == "GBH" and x["criticality"] == "safety" and x["days_left"] < 0
    ]
    assert found


def test_overdue_only(demo: Any) -> None:
    overdue = lines(demo, "--overdue")
    assert overdue
    assert overdue == [x for x in lines(demo, "--within", "400") if x["due_on"] < "2026-11-25"]


def test_the_totals_add_up(demo: Any) -> None:
    told = lines(demo, "--month", "2026-12")
    text = " ".join(demo.ok("due", "--month", "2026-12").split())
    overdue = sum(x["days_left"] < 0 for x in told)
    hours = sum(x["bench_hours"] for x in told)
    without = sum(not x["gauge_ready"] for x in told)
    grace = sum(x["status"] == "in grace" for x in told)
    assert (
        f"{len(told)} due: {overdue} overdue ({grace} of them within grace), {hours:.1f} bench "
        f"hours; {without} without a valid and adequate reference gauge on the day."
    ) in text
    areas: Counter[str] = Counter()
    for x in told:
        areas[x["area"]] += x["bench_hours"]
    said = ", ".join(f"{area} {h:.1f} h" for area, h in sorted(areas.items()))
    assert f"By area: {said}" in text


def test_nothing_due_is_said_so(demo: Any) -> None:
    words = ("--area", "HEX", "--overdue", "--quantity", "vacuum")
    assert demo.ok("due", *words).splitlines()[1:] == ["Nothing is due."]
    assert demo.run("due", "-f", "json", *words).json() == []
    header = demo.ok("due", "-f", "csv", *words)
    assert header.splitlines() == [header.strip()]
    assert header.startswith("tag,service,area,")


def test_why_is_said_below_each(demo: Any) -> None:
    """A line that is due without a gauge at hand says which gauge is missing, and why."""
    told = {x["tag"]: x for x in lines(demo, "--month", "2026-12")}
    text = " ".join(demo.ok("due", "--month", "2026-12", "--why").split())
    for line in told.values():
        assert line["why"] in text
    vacuum = told["VSL-7205"]
    assert not vacuum["gauge_ready"]
    assert "RG-204" in vacuum["gauge_reason"]
    assert f"No gauge then: {vacuum['gauge_reason']}" in text


def test_the_gauge_is_judged_on_the_day_of_the_job(demo: Any) -> None:
    """RG-303's certificate ends on 2026-12-04: good before, and after only once it is back."""
    found = [x for x in lines(demo, "--within", "60") if x["gauge"] == "RG-303"]
    assert found
    for line in found:
        if line["due_on"] <= "2026-12-04":
            assert line["gauge_back_on"] is None, line["tag"]
        else:
            assert "2026-12-04" < line["gauge_back_on"] <= line["due_on"], line["tag"]
    assert any(line["gauge_back_on"] for line in found)


def test_a_correction_moves_no_due_date_twice(shop: Any, readings: Any) -> None:
    """After a record the due list is another, computed anew from what is stored."""
    assert "PSL-1108" in tags(shop, "--overdue")
    shop.ok("record", "--from", str(readings()))
    assert "PSL-1108" not in tags(shop, "--month", "2027-10")
    (line,) = [x for x in lines(shop, "--month", "2027-11") if x["tag"] == "PSL-1108"]
    assert (line["due_on"], line["last_done_on"]) == ("2027-11-30", "2026-11-25")


@pytest.mark.parametrize("columns", [80, 100, 120, 200])
def test_the_list_fits_the_terminal(demo: Any, columns: int) -> None:
    for words in (["--month", "2026-12"], ["--month", "2026-12", "--why"]):
        text = demo.ok("due", *words, columns=columns)
        assert max(map(len, text.splitlines())) <= columns
        for tag in tags(demo, "--month", "2026-12"):
            assert any(line.startswith(tag) for line in text.splitlines())
