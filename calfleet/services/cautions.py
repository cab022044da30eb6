"""The cautions for a job: the general ones, then those of the service at hand.

They remind; they do not replace the site's procedures, permits, local codes or licensed
practice, and every list says so first.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from calfleet.records import Hazard, Quantity, Switch

DEFERENCE = (
    "These reminders do not replace the site's procedures, permits to work, local codes or "
    "licensed practice; where they differ, those govern."
)


@dataclass(frozen=True, slots=True)
class Caution:
    """A caution: a short heading and what to do. Common practice, no source."""

    heading: str
    text: str


_ALWAYS = (
    Caution(
        "Isolate and prove zero energy",
        "Electrical supply, process pressure, springs and trapped pressure are separate "
        "energies: isolate each, vent, and prove zero on a gauge before undoing a fitting.",
    ),
    Caution(
        "Pressure rating",
        "Switch, hose, pump and reference gauge must each stand the highest pressure of the "
        "test; depressurise slowly and never tighten a joint under pressure.",
    ),
)

_OF_HAZARD = {
    Hazard.TRIP: Caution(
        "Bypass of a trip",
        "Tell the control room which function is lost. A bypass has an owner, a start and an "
        "expiry, is logged, and is removed and confirmed before the job is closed.",
    ),
    Hazard.STORED_PRESSURE: Caution(
        "Stored pressure",
        "Long impulse lines, accumulators and closed volumes hold pressure after isolation: "
        "vent at the switch and watch for it building up again.",
    ),
    Hazard.ONE_SIDED: Caution(
        "One-sided overpressure",
        "Open the equalising valve before closing either isolation, and raise both sides "
        "together: full line pressure on one side can destroy a differential element.",
    ),
    Hazard.OXYGEN: Caution(
        "Oxygen-clean",
        "No oil or grease: use the cleaned hoses, an oxygen-clean reference gauge and oil-free "
        "gas, open valves slowly, and record that the part was kept clean.",
    ),
    Hazard.TOXIC: Caution(
        "Harmful medium",
        "The switch comes to the bench flushed and tagged with a decontamination statement; "
        "refuse it without one and wear what the permit requires.",
    ),
    Hazard.FLAMMABLE: Caution(
        "Flammable medium",
        "Gas-free statement before opening, instruments fit for the zone, joints leak-tested "
        "before return to service.",
    ),
    Hazard.HOT: Caution(
        "Hot surfaces and steam",
        "Let impulse lines cool; condensate flashes when vented. Refill condensate pots "
        "before the line is opened again.",
    ),
    Hazard.FOREIGN_VOLTAGE: Caution(
        "Foreign voltages",
        "Contacts may be fed from another panel, and two circuits may share one housing: prove "
        "every terminal dead before touching it, and measure continuity on dead contacts only.",
    ),
}

_RETURN = Caution(
    "Return to service with a second person",
    "Valve line-up, leak test, terminals, contact state, bypass removed, alarm clear: a second "
    "person verifies each and signs separately.",
)


def cautions_for(switch: Switch, procedure_hazards: Iterable[Hazard] = ()) -> tuple[Caution, ...]:
    """The cautions for calibrating ``switch``, general ones first, return to service last.

    A differential switch always gets the one-sided-overpressure caution, and a switch whose
    set point acts as a trip the bypass caution, whether or not its data sheet says so.
    """
    hazards = {*switch.hazards, *procedure_hazards}
    if switch.quantity is Quantity.DIFFERENTIAL:
        hazards.add(Hazard.ONE_SIDED)
    if any("trip" in point.action for point in switch.set_points):
        hazards.add(Hazard.TRIP)
    return (
        *_ALWAYS,
        *(caution for hazard, caution in _OF_HAZARD.items() if hazard in hazards),
        _RETURN,
    )


def cautions_of(hazards: Iterable[Hazard]) -> tuple[Caution, ...]:
    """The cautions a procedure shows: the general ones, those of its hazards, return to service."""
    wanted = set(hazards)
    return (*_ALWAYS, *(c for h, c in _OF_HAZARD.items() if h in wanted), _RETURN)
