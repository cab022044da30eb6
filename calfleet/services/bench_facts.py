"""The facts a judgement stands on, gathered once from the store for one day's work."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import date
from functools import cached_property
from typing import TYPE_CHECKING, Protocol, TypeVar

from calfleet.errors import RecordRefused
from calfleet.records import (
    Certificate,
    Gauge,
    GaugeAbsence,
    IntervalPolicy,
    Person,
    ProcedureRevision,
)
from calfleet.scheduling.due import valid_until
from calfleet.store.queries import doubts as doubt_queries
from calfleet.store.queries import due as due_queries
from calfleet.store.queries import gauges as gauge_queries
from calfleet.store.queries import planning as planning_queries
from calfleet.store.queries.procedures import procedures

if TYPE_CHECKING:
    from sqlalchemy.orm import Session

    from calfleet.store.queries.doubts import FoundUnfit
    from calfleet.store.queries.reader import Reader


class Dated(Protocol):
    """A version of something, in force from a day on."""

    @property
    def effective_on(self) -> date: ...


class Outlook(Protocol):
    """What is expected of the gauges on days after ``as_of`` (``gauge_outlook`` makes one)."""

    @property
    def as_of(self) -> date: ...

    def why_not(self, code: str, day: date) -> str | None: ...

    def back_on(self, code: str, day: date) -> date | None: ...


Version = TypeVar("Version", bound=Dated)


def in_force(versions: Sequence[Version], day: date) -> Version | None:
    """The last version in effect on ``day`` (of two on one day the later listed), or ``None``."""
    found: Version | None = None
    for version in versions:
        if version.effective_on <= day and (
            found is None or version.effective_on >= found.effective_on
        ):
            found = version
    return found


@dataclass(frozen=True)
class BenchFacts:
    """Gauges, certificates, policies, procedures and people, by their natural keys."""

    gauges: Mapping[str, tuple[Gauge, ...]]
    certificates: Mapping[str, Certificate]
    policies: Mapping[str, tuple[IntervalPolicy, ...]]
    procedures: Mapping[str, tuple[ProcedureRevision, ...]]
    people: Mapping[str, Person]
    repeatability: Mapping[str, tuple[float, int]] = field(default_factory=dict)
    """Switch family to pooled standard deviation of trips over the span, and its dof."""
    absences: tuple[GaugeAbsence, ...] = ()
    unfit: tuple[FoundUnfit, ...] = ()
    """Gauges found bad: each unusable until it is calibrated again."""
    outlook: Outlook | None = None
    """Where set, whether a gauge is at hand on a coming day is told from it."""

    _until: dict[str, tuple[Certificate, date]] = field(
        default_factory=dict, init=False, repr=False, compare=False
    )

    def policy(self, code: str, day: date) -> IntervalPolicy:
        """The policy of that code in force on ``day``; before its first version, the first.

        Raises: RecordRefused when there is no such policy.
        """
        versions = self.policies.get(code, ())
        if not versions:
            raise RecordRefused(
                f"No interval policy {code!r} is recorded.",
                rule="Every switch and gauge follows a recorded interval policy.",
                next_step="Add the policy to the site, or correct the item's policy.",
            )
        return in_force(versions, day) or versions[0]

    def valid_until(self, certificate: Certificate) -> date:
        """The last day on which ``certificate`` may be used, by its gauge's policy that day."""
        held = self._until.get(certificate.number)
        if held is None or held[0] is not certificate:
            held = self._until[certificate.number] = (certificate, self._valid_until(certificate))
        return held[1]

    def _valid_until(self, certificate: Certificate) -> date:
        gauge = in_force(self.gauges[certificate.gauge], certificate.calibrated_on)
        gauge = gauge or self.gauges[certificate.gauge][0]
        policy = self.policy(gauge.policy, certificate.calibrated_on)
        return valid_until(policy, certificate.calibrated_on)

    @cached_property
    def certificates_by_gauge(self) -> dict[str, list[Certificate]]:
        """Each gauge's certificates, oldest calibration first; corrected ones are among them."""
        found: dict[str, list[Certificate]] = {}
        for c in sorted(
            self.certificates.values(), key=lambda c: (c.calibrated_on, c.issued_on, c.number)
        ):
            found.setdefault(c.gauge, []).append(c)
        return found

    @cached_property
    def corrected_on(self) -> dict[str, date]:
        """Each corrected certificate's number, and the day its correction was issued."""
        return {c.replaces: c.issued_on for c in self.certificates.values() if c.replaces}

    def certificate_on(self, gauge: str, day: date) -> Certificate | None:
        """The newest certificate issued, neither withdrawn nor corrected, by ``day``; valid or not.

        A gauge cannot be used on the strength of a certificate not yet issued.
        """
        held = [
            c
            for c in self.certificates_by_gauge.get(gauge, [])
            if c.issued_on <= day
            and not (c.withdrawal and c.withdrawal.withdrawn_on <= day)
            and self.corrected_on.get(c.number, date.max) > day
        ]
        return held[-1] if held else None

    def found_unfit(
        self, gauge: str, day: date, certificate: Certificate | None
    ) -> FoundUnfit | None:
        """The last event that keeps ``gauge`` from use on ``day``, or ``None``.

        ``certificate``: the one in force that day. One of a calibration on the day found or later
        shows the gauge fit again (ISO/IEC 17025:2017 6.4.9, from memory); closing the event does
        not.
        """
        held = [u for u in self.unfit if u.gauge == gauge and u.found_on <= day]
        if not held:
            return None
        last = max(held, key=lambda u: u.found_on)
        shown = certificate is not None and certificate.calibrated_on >= last.found_on
        return None if shown else last

    def certificates_from(self, gauge: str, day: date) -> set[str]:
        """Numbers of the certificates that are ``certificate_on`` on ``day`` or any later day."""
        held = self.certificates_by_gauge.get(gauge, [])
        turns = {c.issued_on for c in held}
        turns |= {c.withdrawal.withdrawn_on for c in held if c.withdrawal}
        found = (self.certificate_on(gauge, d) for d in {day, *(t for t in turns if t > day)})
        return {c.number for c in found if c is not None}


def gather(session: Session) -> BenchFacts:
    """All bench facts of the site (gauges and certificates are few; switches are not here)."""
    from calfleet.store.queries import shop  # loads the models, which planning does without

    return replace(gather_for_planning(session), people=shop.people(session))


def gather_for_planning(reader: Reader, *, in_use_on: date | None = None) -> BenchFacts:
    """The bench facts without people, through a connection or a session.

    With ``in_use_on`` only the certificates that gauges can stand on from that day on come with
    their points.
    """
    facts = BenchFacts(
        gauges=gauge_queries.gauges(reader),
        certificates=gauge_queries.certificates(reader, with_points=in_use_on is None),
        policies=due_queries.policies(reader),
        procedures=procedures(reader),
        people={},
        repeatability=due_queries.pooled_repeatability(reader),
        absences=planning_queries.absences(reader),
        unfit=doubt_queries.unfit_gauges(reader),
    )
    if in_use_on is None:
        return facts
    wanted: set[str] = set()
    for code in facts.certificates_by_gauge:
        wanted |= facts.certificates_from(code, in_use_on)
    return replace(
        facts,
        certificates=gauge_queries.with_points_of(reader, dict(facts.certificates), wanted),
    )
