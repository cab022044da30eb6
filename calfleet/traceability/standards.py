"""What a certificate rests on: its laboratory, and the standards used."""

from __future__ import annotations

from collections.abc import Iterator

from calfleet.records import Certificate, Laboratory, LaboratoryKind
from calfleet.traceability.facts import Step, Use, certificate_key
from calfleet.traceability.gauges import Gauges, state_facts
from calfleet.traceability.links import (
    END_OF_CHAIN,
    Fact,
    Link,
    LinkState,
    Node,
    NodeKind,
    Reason,
    broken,
    weak,
)
from calfleet.traceability.shares import Share, Shares
from calfleet.traceability.words import not_recorded


class Standards:
    """Judges what certificates rest on; each is judged once and kept."""

    def __init__(self, gauges: Gauges) -> None:
        self._facts = gauges.facts
        self._gauges = gauges
        self._behind: dict[str, Step] = {}

    def behind(self, certificate: Certificate) -> Step:
        """The laboratory, the standards and the corrections of a certificate, judged on its day."""
        if certificate.number not in self._behind:
            self._behind[certificate.number] = self._judge_behind(certificate)
        return self._behind[certificate.number]

    def _judge_behind(self, certificate: Certificate) -> Step:
        laboratory = self._laboratory(certificate)
        nodes, links = list(laboratory.nodes), list(laboratory.links)
        uses: list[Use] = []
        recorded = self._facts.laboratories.get(certificate.laboratory)
        ends = links[0].state is not LinkState.BROKEN and (
            recorded is not None and recorded.kind is not LaboratoryKind.IN_HOUSE
        )
        if not ends:
            in_house = recorded is not None and recorded.kind is LaboratoryKind.IN_HOUSE
            for step in self._standards(certificate, in_house=in_house):
                nodes += step.nodes
                links += step.links
                uses += step.uses
        for step in self._gauges.corrected(certificate):
            nodes += step.nodes
            links += step.links
        return Step(tuple(nodes), tuple(links), tuple(uses))

    def _laboratory(self, certificate: Certificate) -> Step:
        code, day = certificate.laboratory, certificate.calibrated_on
        key = f"laboratory {code}"
        source = certificate_key(certificate.number)
        laboratory = self._facts.laboratories.get(code)
        if laboratory is None:
            reason = broken(
                "laboratory.unknown",
                f"Laboratory {code}, named on certificate {certificate.number}, is not recorded.",
            )
            node = Node(key, NodeKind.LABORATORY, not_recorded(code), (), False)
            return Step((node,), (Link(source, key, "calibrated by", day, (reason,)),))
        node = Node(
            key,
            NodeKind.LABORATORY,
            f"{laboratory.name} ({code})",
            (Fact("kind", f"{laboratory.kind} laboratory"),),
        )
        reasons: tuple[Reason, ...] = ()
        shown: tuple[Fact, ...] = ()
        if laboratory.kind is LaboratoryKind.NATIONAL:
            shown = (Fact(END_OF_CHAIN, "national laboratory"),)
        elif laboratory.kind is LaboratoryKind.ACCREDITED:
            held = laboratory.accreditation(day)
            if held is not None:
                shown = (
                    Fact(END_OF_CHAIN, f"accreditation {held.number} in force"),
                    Fact("accredited", f"{held.valid_from} to {held.valid_until}"),
                )
                if held.scope:
                    shown += (Fact("scope", held.scope),)
            else:
                reasons = (_not_accredited(laboratory, certificate),)
        return Step((node,), (Link(source, key, "calibrated by", day, reasons, shown),))

    def _standards(self, certificate: Certificate, *, in_house: bool) -> Iterator[Step]:
        day, source = certificate.calibrated_on, certificate_key(certificate.number)
        ours = [s for s in certificate.standards if s.gauge is not None]
        words = [s for s in certificate.standards if s.gauge is None]
        if in_house and not certificate.standards:
            node = Node(
                f"no standard of {certificate.number}",
                NodeKind.STANDARD,
                not_recorded("standard used"),
                (),
                False,
            )
            reason = broken(
                "standard.none",
                f"Certificate {certificate.number} is in-house and names no standard.",
            )
            yield Step((node,), (Link(source, node.key, "standard used", day, (reason,)),))
        shares = Shares(certificate, ours, self._gauges)
        for share in shares.shares:
            yield self._standard(certificate, share, shares)
        if not in_house:
            return
        for number, standard in enumerate(words, 1):
            key = f"standard {number} in words of {certificate.number}"
            node = Node(key, NodeKind.STANDARD, standard.description)
            text = (
                f"In-house certificate {certificate.number} names the standard "
                f"“{standard.description}” in words only, without gauge and certificate."
            )
            reason = weak("standard.words", text) if ours else broken("standard.words", text)
            yield Step((node,), (Link(source, key, "standard used", day, (reason,)),))

    def _standard(self, certificate: Certificate, share: Share, shares: Shares) -> Step:
        code, number = share.standard.gauge or "", share.standard.certificate or ""
        day = certificate.calibrated_on
        use = Use(code, number, day)
        reasons = list(self._gauges.judge(code, number, day))
        if code == certificate.gauge:
            text = f"Certificate {certificate.number} names {code} as standard for {code} itself."
            reasons.append(broken("standard.itself", text))
        more, compared = shares.judge(share)
        link = Link(
            certificate_key(certificate.number),
            use.key,
            "standard used",
            day,
            (*reasons, *more),
            (*state_facts(share.gauge), *compared),
        )
        return Step((self._gauges.gauge_node(use),), (link,), (use,))


def _not_accredited(laboratory: Laboratory, certificate: Certificate) -> Reason:
    day = certificate.calibrated_on
    before = max(
        (a for a in laboratory.accreditations if a.valid_until < day),
        key=lambda a: a.valid_until,
        default=None,
    )
    after = min(
        (a for a in laboratory.accreditations if a.valid_from > day),
        key=lambda a: a.valid_from,
        default=None,
    )
    detail = []
    if before is not None:
        detail.append(f"{before.number} had ended on {before.valid_until}")
    if after is not None:
        detail.append(f"{after.number} began on {after.valid_from}")
    if not laboratory.accreditations:
        detail.append("none is recorded")
    return broken(
        "laboratory.not-accredited",
        f"No accreditation of {laboratory.name} was in force on {day}, when certificate "
        f"{certificate.number} was measured: {' and '.join(detail)}.",
    )
