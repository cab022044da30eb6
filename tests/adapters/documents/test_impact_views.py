"""The report on a gauge found bad, its plain data and its picture."""

from __future__ import annotations

import json
import re
import xml.etree.ElementTree as ET
from collections import Counter
from datetime import date, timedelta
from decimal import Decimal

import pytest

from calfleet.adapters.documents.chain_picture import text_width
from calfleet.adapters.documents.impact_views import (
    MOST_RESULTS,
    Disposition,
    exposure_plain,
    exposure_text,
    report_text,
    svg,
    to_plain,
)
from calfleet.metrology.conformity import Verdict
from calfleet.metrology.direction import Direction
from calfleet.metrology.units import PressureMode
from calfleet.records import Criticality, Gauge, GaugeStatus, Phase
from calfleet.traceability.exposure import Exposure
from calfleet.traceability.impact import (
    Consequence,
    FoundBad,
    FoundPoint,
    Impact,
    Job,
    Kind,
    LastGood,
    RestingGauge,
    Row,
    State,
)

GOOD, FOUND = date(2026, 1, 1), date(2026, 4, 11)
SVG = "{http://www.w3.org/2000/svg}"

GAUGE = Gauge(
    code="RG-1", revision=1, effective_on=date(2020, 1, 1), reason="", serial="SN-1 <&>",
    description="bench gauge", status=GaugeStatus.IN_SERVICE, mode=PressureMode.GAUGE, unit="bar",
    range_low=Decimal(0), range_high=Decimal(10), resolution=Decimal("0.01"),
    accuracy=Decimal("0.1"), accuracy_basis="% of span", drift_per_year=Decimal(0),
    temperature_coefficient=Decimal(0), reference_temperature_c=Decimal(20),
    use_corrections=True, tier=2, policy="R12",
)  # fmt: skip

EVENT = FoundBad(
    "RG-1", FOUND, Kind.AS_FOUND, LastGood(GOOD, "K1", "calibration of 2026-01-01"),
    (FoundPoint(Decimal("5.05"), Decimal("0.05"), Direction.RISING),), "bar", by="P7",
)  # fmt: skip


def state(found: float, verdict: Verdict = Verdict.PASS) -> State:
    return State(verdict, min(found - 4.9, 5.1 - found), found, found, found, 0.014)


def row(
    number: str,
    consequence: Consequence,
    criticality: Criticality = Criticality.SAFETY,
    *,
    day: date = date(2026, 2, 20),
    gauge: str = "RG-1",
    path: tuple[str, ...] = (),
    known: bool = True,
) -> Row:
    after = {Consequence.FLIPPED_OUT: 4.881, Consequence.NOT_SURE: 4.905}.get(consequence, 5.0)
    verdict = Verdict.FAIL if consequence is Consequence.FLIPPED_OUT else Verdict.PASS
    before = state(5.13, Verdict.FAIL) if consequence is Consequence.FLIPPED_IN else state(4.93)
    worst = state(after, verdict) if known else None
    return Row(
        calibration=number, tag=f"PSH-{number}", service="feed pressure", area="A1",
        area_name="Boiler house", criticality=criticality, in_use=True, performed_on=day,
        set_point="H", phase=Phase.AS_FOUND, unit="bar", gauge=gauge,
        certificate=path[-1] if path else "K1", tier=len(path) + 1, path=path, fraction=0.5,
        lower=4.9, upper=5.1, recorded_verdict=before.verdict.value, before=before, worst=worst,
        linear=worst, shift_worst=0.049 if known else None, shift_linear=0.025 if known else None,
        under_worst=consequence, under_linear=consequence, consequence=consequence,
        why_unknown="" if known else "it was lost", later=None, describes_now=True, exact=True,
    )  # fmt: skip


def made(*rows: Row, gauges: tuple[RestingGauge, ...] = (), event: FoundBad = EVENT) -> Impact:
    return Impact(
        event=event, gauge=GAUGE, method=("Every result was taken.",), rows=rows, gauges=gauges,
        jobs=(Job("calibrate PSH-C1 by 2026-04-12", date(2026, 4, 12), "It flipped out.",
                  tag="PSH-C1", criticality=Criticality.SAFETY, calibrations=("C1",)),),
        replaced=(), notes=("Two records were corrected.",),
        counts=Counter((r.consequence, r.criticality) for r in rows),
    )  # fmt: skip


SECOND = RestingGauge("RG-2", "K2", date(2026, 2, 1), 1, ("K2",), "bar", 0.05, "", 1, in_force=True)
THIRD = RestingGauge(
    "RG-3", "K3", date(2026, 3, 1), 2, ("K2", "K3"), "bar", None, "no points", 1, in_force=True
)

ALL = made(
    row("C1", Consequence.FLIPPED_OUT),
    row("C2", Consequence.NOT_SURE, Criticality.PRODUCTION, gauge="RG-2", path=("K2",)),
    row("C3", Consequence.NOT_SURE, known=False, gauge="RG-3", path=("K2", "K3")),
    row("C4", Consequence.FLIPPED_IN, Criticality.GENERAL),
    row("C5", Consequence.KEPT),
    row("C6", Consequence.KEPT, day=date(2026, 3, 30)),
    gauges=(SECOND, THIRD),
)


# --- the report -----------------------------------------------------------------------------------


@pytest.mark.parametrize("width", [40, 80, 100, 140])
def test_report_keeps_its_width_and_order(width: int) -> None:
    text = report_text(ALL, width)
    assert max(map(len, text.splitlines())) <= max(width, 76)
    flat = " ".join(text.split())
    for part in (
        "Gauge found bad: RG-1", "SN-1 <&>", "+0.05 at 5.05 rising", "as-found errors",
        "2026-01-01 (calibration of 2026-01-01; certificate then K1)", "Reported by P7",
        "Every result was taken.", "6 results on RG-1: 1 flipped to out of tolerance",
        "RG-2, K2 of 2026-02-01, tier 1, 1 result: K2 of RG-2 is off by up to 0.05 bar",
        "tier 2, through K2", "off by an unknown amount: no points", "Rests on it through K2 → K3.",
        "0.019 bar below the lower limit 4.9 bar", "how far it was off cannot be told: it was lost",
        "recall PSH-C1 and calibrate it again", "whoever answers for functional safety",
        "calibrate PSH-C1 by 2026-04-12", "Two records were corrected.",
        "4 results without a disposition: the event cannot be closed.", "Reviewed by",
        "End of the report on RG-1",
    ):  # fmt: skip
        assert part in flat, part
    places = [text.index(f"PSH-C{i} H") for i in range(1, 7)]
    assert places == sorted(places)


def test_report_counts_by_consequence_and_criticality() -> None:
    """The table: one line per consequence, one column per criticality, the sum last."""
    lines = {
        c: re.split(r" {2,}", line)
        for c in Consequence
        for line in report_text(ALL).splitlines()
        if re.match(rf"{c} +\d", line)
    }
    assert lines[Consequence.FLIPPED_OUT][1:] == ["1", "0", "0", "0", "1"]
    assert lines[Consequence.NOT_SURE][1:] == ["1", "0", "1", "0", "2"]
    assert lines[Consequence.FLIPPED_IN][1:] == ["0", "0", "0", "1", "1"]
    assert lines[Consequence.KEPT][1:] == ["2", "0", "0", "0", "2"]


def test_dispositions_take_the_place_of_the_line_to_sign() -> None:
    empty = report_text(ALL)
    assert empty.count("Disposition: ____") == 4
    decided = [
        Disposition(r.calibration, r.set_point, r.phase, "accept", "P3", FOUND, "margin is enough")
        for r in ALL.rows[:4]
    ]
    text = report_text(ALL, dispositions=decided)
    assert "____" not in text.split("Closing")[0]
    assert text.count("Disposition: accept (P3, 2026-04-11): margin is enough") == 4
    assert "Every result has its disposition: the event can be closed." in text
    assert "3 results without a disposition" in report_text(ALL, dispositions=decided[:1])


def test_kept_results_can_be_cut_but_are_counted() -> None:
    text = report_text(ALL, most_kept=1)
    assert "PSH-C5" in text
    assert "PSH-C6" not in text
    assert "... and 1 more." in text


def test_of_very_many_results_the_most_urgent_are_listed() -> None:
    many = made(*(row(f"C{n}", Consequence.NOT_SURE) for n in range(MOST_RESULTS + 3)))
    text = report_text(many, most_kept=0)
    assert f"No longer sure ({MOST_RESULTS + 3})" in text
    assert f"PSH-C{MOST_RESULTS - 1}," in text or f"PSH-C{MOST_RESULTS - 1} " in text
    assert f"PSH-C{MOST_RESULTS}" not in text
    assert "... and 3 more, less urgent: --all lists them, --format csv and json have all." in text
    assert f"PSH-C{MOST_RESULTS + 2}" in report_text(many)


def test_report_of_nothing() -> None:
    nothing = report_text(made())
    assert "No result rests on RG-1 in the period." in nothing
    assert "Every result has its disposition" in nothing


# --- plain data -----------------------------------------------------------------------------------


def test_plain_is_json_and_complete() -> None:
    plain = json.loads(json.dumps(to_plain(ALL)))
    assert plain["event"]["points"] == [
        {"indication": "5.05", "error": "0.05", "direction": "rising"}
    ]
    assert [r["calibration"] for r in plain["results"]] == [r.calibration for r in ALL.rows]
    first, _, unknown, *_ = plain["results"]
    assert (first["consequence"], first["action"]) == ("flipped to out of tolerance", "recall")
    assert first["after_worst"]["margin"] == pytest.approx(-0.019)
    assert unknown["after_worst"] is unknown["shift_worst"] is None
    assert sum(c["results"] for c in plain["counts"]) == len(ALL.rows)
    assert plain["gauges"][1]["path"] == ["K2", "K3"]
    assert plain["jobs"][0]["by"] == "2026-04-12"


# --- the picture ----------------------------------------------------------------------------------


def shapes(text: str, role: str) -> list[ET.Element]:
    return [e for e in ET.fromstring(text).iter() if e.get("data-role") == role]


def test_picture_has_a_lane_per_gauge_and_a_mark_per_result() -> None:
    text = svg(ALL)
    assert len(shapes(text, "lane")) == 3
    assert len(shapes(text, "result")) == 6
    assert len(shapes(text, "calibration")) == 2
    assert len(shapes(text, "period")) == 3 + 2 + 2
    words = [e.text or "" for e in ET.fromstring(text).iter(f"{SVG}text")]
    assert "last known good 2026-01-01" in words
    assert "found bad 2026-04-11" in words
    assert "tier 3, calibrated with RG-2" in words
    marks = Counter(e.tag.removeprefix(SVG) for e in shapes(text, "result"))
    assert marks == {"polygon": 2, "rect": 2, "circle": 2}


def test_results_of_a_day_share_a_mark_with_their_number() -> None:
    many = made(*(row(f"C{i}", Consequence.KEPT) for i in range(1200)))
    text = svg(many)
    (mark,) = shapes(text, "result")
    assert mark.findtext(f"{SVG}title") == "1200 results"
    assert "1k" in [e.text for e in ET.fromstring(text).iter(f"{SVG}text")]


def test_picture_stays_inside_its_frame_and_lanes_do_not_overlap() -> None:
    far = made(
        *(row(f"C{i}", c, day=GOOD + timedelta(days=31 * i)) for i in range(40)
          for c in Consequence),
        gauges=(SECOND, THIRD),
    )  # fmt: skip
    for impact in (ALL, far, made(), made(event=FoundBad(
        "RG-1", FOUND, Kind.LOST, LastGood(FOUND, "K1", "cross check")
    ))):  # fmt: skip
        root = ET.fromstring(svg(impact))
        width, height = float(root.get("width") or 0), float(root.get("height") or 0)
        for element in root.iter(f"{SVG}rect"):
            x, y = float(element.get("x") or 0), float(element.get("y") or 0)
            assert 0 <= x <= x + float(element.get("width") or 0) <= width
            assert 0 <= y <= y + float(element.get("height") or 0) <= height
        for element in root.iter(f"{SVG}text"):
            size, x = float(element.get("font-size") or 0), float(element.get("x") or 0)
            wide = text_width(element.text or "", size, bold=element.get("font-weight") == "bold")
            back = {"middle": wide / 2, "end": wide}.get(element.get("text-anchor") or "", 0.0)
            assert x - back >= 0, element.text
            assert x - back + wide <= width, element.text
        lanes = [e for e in root.iter() if e.get("data-role") == "lane"]
        tops = [float(e.get("y") or 0) for e in lanes]
        heights = [float(e.get("height") or 0) for e in lanes]
        assert all(a + h <= b for a, h, b in zip(tops, heights, tops[1:], strict=False))


def test_too_many_gauges_are_counted() -> None:
    gauges = tuple(
        RestingGauge(f"G{i}", f"Q{i}", FOUND, 1, (f"Q{i}",), "bar", 0.1, "", 0, in_force=True)
        for i in range(60)
    )
    text = svg(made(gauges=gauges))
    assert len(shapes(text, "lane")) == 40
    assert "21 more gauges without a lane." in text


def test_a_withdrawn_certificate_has_no_end() -> None:
    event = FoundBad(
        "RG-1", FOUND, Kind.WITHDRAWN, LastGood(GOOD, "K1", "calibration"), certificate="K1"
    )
    text = svg(made(row("C1", Consequence.NOT_SURE, known=False), event=event))
    assert "certificate withdrawn 2026-04-11" in text
    assert len(shapes(text, "period")) == 2
    assert "certificate withdrawn, K1" in report_text(made(event=event))


# --- before it happens ------------------------------------------------------------------------


EXPOSED = (
    Exposure("RG-1", "K1", GOOD, {Criticality.SAFETY: 3}, {Criticality.GENERAL: 2}, ("RG-2",)),
    Exposure("RG-9", "", None, {}, {}, ()),
)


def test_exposures_as_table_and_data() -> None:
    head, first, last = exposure_text(EXPOSED).splitlines()
    assert head.split() == ["gauge", *Criticality, "all", "through"]
    assert first.split() == ["RG-1", "3", "0", "0", "2", "5", "2", "by", "RG-2"]
    assert last.split() == ["RG-9", "0", "0", "0", "0", "0"]
    plain = json.loads(json.dumps(exposure_plain(EXPOSED)))
    assert plain[0]["direct"]["safety"] == 3
    assert plain[0]["statement"] == (
        "If RG-1 failed, 5 current results would be in doubt (3 safety, 2 general), 2 of them "
        "through RG-2."
    )
    assert plain[1]["since"] is None
