"""The cautions stand where the work is done, before it is done, and defer to the site's rules."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from calfleet.services.cautions import DEFERENCE

GENERAL = ("Isolate and prove zero energy", "Pressure rating")
RETURN = "Return to service with a second person"

OF_HAZARD = {
    "trip": "Bypass of a trip",
    "stored pressure": "Stored pressure",
    "one-sided overpressure": "One-sided overpressure",
    "oxygen": "Oxygen-clean",
    "toxic": "Harmful medium",
    "flammable": "Flammable medium",
    "hot": "Hot surfaces and steam",
    "foreign voltage": "Foreign voltages",
}


def flat(text: str) -> str:
    return " ".join(text.split())


def hazards_of(demo: Any) -> dict[str, str]:
    """Each hazard of the demo's data sheets with one switch that has it."""
    return dict(
        demo.ask(
            "SELECT h.hazard, min(s.tag) FROM switch_hazard h "
            "JOIN switch_revision r ON r.id = h.switch_revision_id "
            "JOIN switch s ON s.id = r.switch_id WHERE r.status = 'in service' GROUP BY h.hazard"
        )
    )


def test_the_cautions_of_the_service_come_before_the_targets(demo: Any) -> None:
    found = hazards_of(demo)
    assert set(OF_HAZARD) - set(found) <= {"foreign voltage"}, "no switch for a hazard known"
    for hazard, tag in found.items():
        done = demo.run("targets", tag)
        if done.code == 3:  # no gauge for it that day: the same cautions stand in the recording
            done = demo.run("record", tag, typed="n\n")
        text = flat(done.out)
        for heading in (*GENERAL, OF_HAZARD[hazard], RETURN):
            assert f"! {heading}. " in text, (tag, heading)
        assert DEFERENCE in text
        assert text.index("Cautions") < text.index("Steps")
        if done.code == 0:
            assert text.index("Steps") < text.index("Targets on")


def test_a_switch_without_that_hazard_does_not_show_its_caution(demo: Any) -> None:
    text = demo.ok("targets", "PSL-1108")  # cooling water
    for heading in ("Oxygen-clean", "Harmful medium", "Flammable medium"):
        assert heading not in text


@pytest.mark.parametrize("tag", ["PDSL-4104", "PSL-4410"])
def test_guided_recording_shows_them_before_the_first_reading(demo: Any, tag: str) -> None:
    done = demo.run("record", tag, typed="y\nP02\n\n")  # ends where the static or room is asked
    assert done.code == 130
    text = flat(done.out)
    special = "One-sided overpressure" if tag.startswith("PD") else "Oxygen-clean"
    for heading in (*GENERAL, special, RETURN):
        assert text.index(f"! {heading}. ") < text.index("Permit in hand"), heading
    assert text.index(DEFERENCE) < text.index("Permit in hand")


def test_a_recorded_file_reminds_of_the_return_to_service(
    shop: Any, readings: Callable[..., Path]
) -> None:
    text = flat(shop.ok("record", "--from", str(readings())))
    assert "Before return to service" in text
    assert f"! {RETURN}. " in text
    assert DEFERENCE in text


@pytest.mark.parametrize("code", ["DP-LOW", "DP-STAT", "PS-GAS", "PS-GEN", "TS-GEN", "VAC"])
def test_a_procedure_shows_its_cautions_before_its_steps(demo: Any, code: str) -> None:
    text = flat(demo.ok("procedure", code))
    own = demo.run("procedure", code, "-f", "json").json()["hazards"]
    assert own
    for heading in (*GENERAL, *(OF_HAZARD[h] for h in own), RETURN):
        assert text.index(f"! {heading}. ") < text.index("Steps")
    assert text.index(DEFERENCE) < text.index("Steps")


def test_the_demo_shows_them_too(demo_site: Path) -> None:
    text = flat((demo_site.parent / "demo-site.txt").read_text(encoding="utf-8"))
    assert f"! {OF_HAZARD['trip']}. " in text
    assert f"! {RETURN}. " in text
    assert f"Cautions: {DEFERENCE}" in text
