"""What a chain is judged from, and what was in force on a day."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import date
from typing import Protocol, TypeVar

from calfleet.records import (
    Calibration,
    Certificate,
    Gauge,
    Laboratory,
    Person,
    ProcedureRevision,
    Switch,
)
from calfleet.traceability.links import Link, Node


@dataclass(frozen=True, slots=True)
class ChainFacts:
    """Everything a chain is judged from, by natural keys; all revisions of what has revisions.

    ``procedures`` and ``gauges`` hold every revision, so that what was in force on a day can be
    told; ``switches`` by tag and revision. ``certificates`` should hold all of them: a newer or a
    correcting one is found there. ``valid_until``: certificate number to the last day on which it
    may be used; ``None`` or missing where no due policy gives one.
    """

    calibrations: Mapping[str, Calibration]
    switches: Mapping[tuple[str, int], Switch]
    procedures: Mapping[str, tuple[ProcedureRevision, ...]]
    people: Mapping[str, Person]
    gauges: Mapping[str, tuple[Gauge, ...]]
    certificates: Mapping[str, Certificate]
    laboratories: Mapping[str, Laboratory]
    valid_until: Mapping[str, date | None]


class _Dated(Protocol):
    @property
    def effective_on(self) -> date: ...

    @property
    def revision(self) -> int: ...


_Version = TypeVar("_Version", bound=_Dated)


def in_force(versions: Iterable[_Version], day: date) -> _Version | None:
    """The version in effect on ``day``: the last effective, of two on one day the higher number."""
    return max(
        (v for v in versions if v.effective_on <= day),
        key=lambda v: (v.effective_on, v.revision),
        default=None,
    )


@dataclass(frozen=True, slots=True)
class Use:
    """A gauge used on a day with a certificate: one step of the chain still to be followed."""

    gauge: str
    certificate: str
    day: date

    @property
    def key(self) -> str:
        """The key of the gauge's node: one per gauge and certificate."""
        return f"gauge {self.gauge} on {self.certificate or 'no certificate'}"


def certificate_key(number: str) -> str:
    """The key of the certificate's node."""
    return f"certificate {number}"


@dataclass(frozen=True, slots=True)
class Step:
    """Nodes and links found in one place, and the gauges used there."""

    nodes: tuple[Node, ...] = ()
    links: tuple[Link, ...] = ()
    uses: tuple[Use, ...] = ()
