"""What is on record about the gauges that a calibration rests on: found bad, and what was decided.

Source: ISO/IEC 17025:2017 7.10.1 (what non-conforming work did to earlier results is evaluated, a
decision is taken and whoever relies on them is told; from memory).
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date
from typing import TYPE_CHECKING

from calfleet.records import Action, Calibration, Disposition, GaugeEvent
from calfleet.services.event_facts import event_facts
from calfleet.store.queries import doubts
from calfleet.traceability.affected import affected_certificates
from calfleet.traceability.dossier import HeldEvent
from calfleet.traceability.event import FoundBad

if TYPE_CHECKING:
    from sqlalchemy.orm import Session


@dataclass(frozen=True, slots=True)
class AboutCalibration:
    """An event that touches a calibration, and the decision that stands about it, if any."""

    event: GaugeEvent
    decision: Disposition | None

    @property
    def settled(self) -> bool:
        """Whether somebody decided that nothing need be done about the calibration."""
        return self.decision is not None and self.decision.action is Action.NONE

    @property
    def words(self) -> str:
        """As a sentence without its full stop."""
        said = f"it rests on {self.event.gauge}, found bad on {self.event.found_on}"
        what = f"{said} ({self.event.number}, {self.event.kind})"
        if self.decision is None:
            return f"{what}; nothing is decided about it yet"
        by, on = self.decision.decided_by, self.decision.decided_on
        return f"{what}; decided by {by} on {on}: {self.decision.action}, {self.decision.reason}"


def events_about(session: Session, calibration: Calibration) -> tuple[AboutCalibration, ...]:
    """Every event that touches the calibration, in the order reported; mostly none."""
    uses = [(used.gauge, used.certificate) for used in calibration.bench.gauges]
    return tuple(
        AboutCalibration(held.event, held.standing.get(calibration.number))
        for held, _ in touching(session, uses, calibration.bench.performed_on)
    )


def touching(
    session: Session, uses: Iterable[tuple[str, str]], day: date
) -> list[tuple[HeldEvent, FoundBad]]:
    """The events that touch a use of one of the gauges, each on its certificate, on ``day``."""
    if not doubts.events(session):
        return []
    facts = event_facts(session)
    certificates = facts.chain.certificates
    given = list(uses)
    found = []
    for number, event in facts.found.items():
        rests = affected_certificates(facts.chain, event)
        if any(
            certificate in rests
            or (
                gauge == event.gauge
                and event.touches(certificates.get(certificate), certificate, day)
            )
            for gauge, certificate in given
        ):
            found.append((facts.held[number], event))
    return found
