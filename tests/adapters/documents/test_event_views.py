"""The report on an event: cross checks in words, its plain data, and what a reader is told."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, date, datetime
from decimal import Decimal

import pytest

from calfleet.adapters.documents.event_views import (
    check_plain,
    check_text,
    point_figures,
    report_text,
    to_plain,
)
from calfleet.metrology.units import PressureMode
from calfleet.records import (
    Action,
    Disposition,
    EventClosure,
    EventNotice,
    FoundBadKind,
    Gauge,
    GaugeEvent,
    GaugeStatus,
)
from calfleet.traceability.dossier import Dossier, HeldEvent
from calfleet.traceability.event import CrossCheck, FoundBad, LastGood
from calfleet.traceability.impact import Impact
from calfleet.traceability.period import Compared

D = Decimal
ON, FOUND = date(2026, 1, 10), date(2026, 7, 1)
POINT = CrossCheck("RG-1", "RG-2", ON, "bar", D("10.03"), D("0.03"), D("9.99"), D("0.04"))
CHECK = Compared("X2026-001", "RG-1", "K1", "RG-2", "K2", ON, (POINT,))
GAUGE = Gauge(
    code="RG-1", revision=1, effective_on=date(2020, 1, 1), reason="", serial="SN-1",
    description="bench gauge", status=GaugeStatus.IN_SERVICE, mode=PressureMode.GAUGE, unit="bar",
    range_low=D(0), range_high=D(10), resolution=D("0.01"), accuracy=D("0.1"),
    accuracy_basis="% of span", drift_per_year=D(0), temperature_coefficient=D(0),
    reference_temperature_c=D(20), use_corrections=True, tier=2, policy="R12",
)  # fmt: skip


def dossier(held: HeldEvent, **changes: object) -> Dossier:
    """A dossier of an event that touches nothing."""
    found = FoundBad("RG-1", FOUND, FoundBadKind.LOST, LastGood(ON, "K1", "calibration"), by="P1")
    made = Dossier(
        held=held,
        impact=Impact(found, GAUGE, (), (), (), (), (), ()),
        touched={},
        checks=(CHECK,),
        open_points=(),
        remarks=(),
        head=(7, "ab" * 32),
        asked_on=date(2026, 8, 1),
        site="W",
        names={"P1": "Wren Ashlock"},
    )
    return replace(made, **changes)  # type: ignore[arg-type]


HELD = HeldEvent(GaugeEvent("E2026-001", "RG-1", FoundBadKind.LOST, FOUND, "P1"))


def test_a_cross_check_in_words() -> None:
    """0.04 against sqrt(0.03^2 + 0.04^2) = 0.05, by hand: E_n 0.80."""
    assert check_text(CHECK) == (
        "X2026-001 of 2026-01-10: RG-1 and RG-2 agreed: 10.030 ± 0.030 against 9.990 ± 0.040 bar, "
        "E_n 0.80."
    )
    apart = replace(CHECK, points=(replace(POINT, value=D("10.05")),))
    assert "did not agree" in check_text(apart)
    plain = check_plain(apart)
    assert (plain["agrees"], plain["largest_en"]) == (False, pytest.approx(1.2))


def test_figures_are_written_to_the_places_of_their_uncertainty() -> None:
    fine = replace(POINT, value=D("9.997679744"), U=D("0.00495"), other_U=D(0))
    assert point_figures(fine) == ("9.9977", "0.0050", "9.9900", "0")
    assert point_figures(replace(POINT, U=D(0))) == ("10.030", "0", "9.990", "0.040")


def test_a_check_that_is_left_out_is_named_with_its_reason() -> None:
    """In the head of the report, where the period is told, and in the data."""
    told = "Cross check X2026-001 of 2026-01-10 with RG-2 is not counted: it was entered late."
    bare = dossier(HELD)
    event = replace(bare.impact.event, left_out=(told,))
    late = replace(CHECK, entered_at=datetime(2026, 7, 2, 8, 0, tzinfo=UTC))
    shown = replace(bare, impact=replace(bare.impact, event=event), checks=(late,))
    text = " ".join(report_text(shown).split())
    assert f"! Left out {told}" in text
    assert "E_n 0.80. Entered on 2026-07-02." in text
    plain = to_plain(shown)
    assert plain["event"]["last_good"]["left_out"] == [told]  # type: ignore[index]
    assert plain["cross_checks"][0]["entered_at"] == (  # type: ignore[index]
        "2026-07-02T08:00:00+00:00"
    )
    assert "Left out" not in report_text(bare)


def test_an_open_event_says_so() -> None:
    text = report_text(dossier(HELD, open_points=("nobody was told; to be told: the owner",)))
    for part in (
        "Event E2026-001, site W\n",
        "State             open\n",
        "Judged as of      2026-08-01\n",
        "Reported by       Wren Ashlock (P1)\n",
        "No result rests on RG-1 in the period.",
        "Open points\n-----------\n- Nobody was told; to be told: the owner.\n",
        "Open; it cannot be closed yet.",
        f"Head of the audit trail: entry 7, {'ab' * 32}\n",
    ):
        assert part in text, part
    assert "Open; it can be closed." in report_text(dossier(HELD))
    assert max(map(len, report_text(dossier(HELD), 10).splitlines())) <= 110


def test_a_closed_event_with_all_that_was_done() -> None:
    first = Disposition("E2026-001", "C1", 1, Action.ASSESS, "to see", "P1", FOUND)
    held = replace(
        HELD,
        decisions=(first, replace(first, decision=2, action=Action.NONE, reason="seen")),
        notices=(EventNotice("E2026-001", "the owner", FOUND, "P9", "by letter"),),
        closure=EventClosure("E2026-001", "P1", date(2026, 7, 9), "all done"),
    )
    assert held.standing["C1"].action is Action.NONE
    text = report_text(dossier(held, remarks=("A remark.",)))
    for part in (
        "State             closed on 2026-07-09 by Wren Ashlock (P1)\n",
        "0 of 0 calibrations decided upon.",
        "C1: assess (Wren Ashlock (P1), 2026-07-01: to see) was changed by decision 2.",
        "2026-07-01 the owner, by P9: by letter\n",
        "- A remark.\n",
        "Closed on 2026-07-09 by Wren Ashlock (P1): all done\n",
    ):
        assert part in text, part
    plain = to_plain(dossier(held))
    assert plain["state"] == "closed"
    assert plain["closure"] == {"by": "P1", "on": "2026-07-09", "statement": "all done"}
    assert plain["notices"] == [
        {"told": "the owner", "on": "2026-07-01", "by": "P9", "note": "by letter"}
    ]
    assert [d["number"] for d in plain["decisions"]] == [1, 2]  # type: ignore[attr-defined]
    assert plain["audit_head"] == {"entry": 7, "digest": "ab" * 32}
