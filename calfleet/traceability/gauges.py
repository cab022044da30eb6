"""A gauge on the day of its use, and the certificate it stood on."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date

from calfleet.metrology.certificate import CertificateCurve
from calfleet.metrology.rounding import significant
from calfleet.records import Certificate, Gauge, GaugeStatus, LaboratoryKind
from calfleet.traceability.curves import Curves
from calfleet.traceability.facts import ChainFacts, Step, Use, certificate_key, in_force
from calfleet.traceability.links import Fact, Link, Node, NodeKind, Reason, broken, weak
from calfleet.traceability.words import counted, listed, not_recorded, span_text, symbol


def state_facts(gauge: Gauge | None) -> tuple[Fact, ...]:
    """The status of a gauge's revision, as shown on a link; nothing for ``None``."""
    if gauge is None:
        return ()
    return (Fact("status", f"{gauge.status}, revision {gauge.revision}"),)


def _changes(then: Gauge, now: Gauge) -> list[str]:
    """What of a gauge's measuring properties differs between two revisions, in words."""
    return [
        name
        for name, before, after in (
            ("mode", then.mode, now.mode),
            ("unit", then.unit, now.unit),
            ("range", (then.range_low, then.range_high), (now.range_low, now.range_high)),
            ("resolution", then.resolution, now.resolution),
        )
        if before != after
    ]


class Gauges:
    """Judges gauges and their certificates; what was judged once is kept."""

    def __init__(self, facts: ChainFacts) -> None:
        self.facts = facts
        self.curves = Curves(facts.certificates)
        self._uses: dict[Use, Step] = {}
        self._certificates: dict[str, Node] = {}
        self._replaced_by: dict[str, list[Certificate]] = {}
        self._of_gauge: dict[str, list[Certificate]] = {}
        for certificate in facts.certificates.values():
            self._of_gauge.setdefault(certificate.gauge, []).append(certificate)
            if certificate.replaces is not None:
                self._replaced_by.setdefault(certificate.replaces, []).append(certificate)

    def on(self, code: str, day: date) -> Gauge | None:
        """The gauge's revision in force on ``day``."""
        return in_force(self.facts.gauges.get(code, ()), day)

    # --- a gauge on a day

    def gauge_node(self, use: Use) -> Node:
        """The gauge as its revision in force that day describes it."""
        revisions = self.facts.gauges.get(use.gauge, ())
        gauge = in_force(revisions, use.day) or (revisions[0] if revisions else None)
        if gauge is None:
            return Node(use.key, NodeKind.GAUGE, not_recorded(use.gauge), (), False)
        shown = (
            Fact("serial number", gauge.serial),
            Fact("range", span_text(gauge.range_low, gauge.range_high, gauge.unit)),
            Fact("mode", "thermometer" if gauge.mode is None else gauge.mode.value),
            Fact("tier", str(gauge.tier)),
        )
        return Node(use.key, NodeKind.GAUGE, f"{gauge.code} {gauge.description}", shown)

    def judge(self, code: str, certificate: str, day: date) -> Iterator[Reason]:
        """Register and status of a gauge on a day, and whether a certificate is named at all."""
        revisions = self.facts.gauges.get(code, ())
        if not revisions:
            yield broken("gauge.unknown", f"Gauge {code} is not in the register.")
        else:
            gauge = in_force(revisions, day)
            if gauge is None:
                first = min(r.effective_on for r in revisions)
                yield broken(
                    "gauge.not-yet",
                    f"{code} entered the register on {first}, after its use on {day}.",
                )
            elif gauge.status is not GaugeStatus.IN_SERVICE:
                yield broken(
                    "gauge.status",
                    f"{code} was {gauge.status} on {day} (revision {gauge.revision} of "
                    f"{gauge.effective_on}: {gauge.reason}).",
                )
        if not certificate:
            yield broken("gauge.no-certificate", f"No certificate is named for {code} on {day}.")

    # --- a gauge and its certificate on a day

    def use(self, use: Use) -> Step:
        """The gauge and the certificate it stood on that day, judged."""
        if use not in self._uses:
            self._uses[use] = self._judge_use(use)
        return self._uses[use]

    def _judge_use(self, use: Use) -> Step:
        node = self.gauge_node(use)
        if not use.certificate:
            return Step((node,))
        target = self.certificate_node(use.certificate)
        certificate = self.facts.certificates.get(use.certificate)
        if certificate is None:
            text = f"Certificate {use.certificate}, named for {use.gauge}, is not recorded."
            reasons: tuple[Reason, ...] = (broken("certificate.unknown", text),)
            shown: tuple[Fact, ...] = ()
        else:
            reasons = tuple(self._judge_certificate(certificate, use.gauge, use.day))
            until = self.facts.valid_until.get(certificate.number)
            shown = (Fact("valid until", str(until) if until is not None else "not known"),)
        link = Link(use.key, target.key, "stands on", use.day, reasons, shown)
        return Step((node, target), (link,))

    def _judge_certificate(
        self, certificate: Certificate, gauge: str, day: date
    ) -> Iterator[Reason]:
        number = certificate.number
        if certificate.gauge != gauge:
            yield broken(
                "certificate.other-gauge",
                f"Certificate {number} belongs to {certificate.gauge}, not to {gauge}.",
            )
        curve = self.curves.of(number)
        if isinstance(curve, str):
            yield broken("certificate.no-points", f"Certificate {number} cannot be used: {curve}")
        if certificate.calibrated_on > day:
            yield broken(
                "certificate.after-use",
                f"Certificate {number} is of a calibration on {certificate.calibrated_on}, after "
                f"the use of {gauge} on {day}.",
            )
        else:
            yield from self._judge_in_force(certificate, gauge, day)
        if certificate.withdrawal is not None:
            since, why = certificate.withdrawal.withdrawn_on, certificate.withdrawal.reason
            if since <= day:
                yield broken(
                    "certificate.withdrawn",
                    f"Certificate {number} had been withdrawn on {since} ({why}) when {gauge} was "
                    f"used on {day}.",
                )
            else:
                yield weak(
                    "certificate.withdrawn-later",
                    f"Certificate {number} was withdrawn on {since} ({why}), after the use of "
                    f"{gauge} on {day}.",
                )

    def _judge_in_force(self, certificate: Certificate, gauge: str, day: date) -> Iterator[Reason]:
        """A certificate of a calibration on or before the day: its limit, and what came after."""
        number = certificate.number
        until = self.facts.valid_until.get(number)
        if until is None:
            yield weak(
                "certificate.no-limit",
                f"No due policy states until when certificate {number} is valid.",
            )
        elif day > until:
            late = (day - until).days
            yield broken(
                "certificate.expired",
                f"Certificate {number} was valid until {until}; {gauge} was used on {day}, "
                f"{counted(late, 'day')} later.",
            )
        if certificate.issued_on > day:
            yield weak(
                "certificate.not-issued",
                f"Certificate {number} was issued on {certificate.issued_on}, after the use of "
                f"{gauge} on {day}.",
            )
        corrections = self._corrections(number)
        for newer in corrections:
            if newer.issued_on <= day:
                yield weak(
                    "certificate.replaced",
                    f"Certificate {number} had been replaced by {newer.number} on "
                    f"{newer.issued_on}, before the use of {gauge} on {day}.",
                )
        yield from self._newer(certificate, gauge, day, {c.number for c in corrections})
        yield from self._changed_since(certificate, gauge, day)

    def _corrections(self, number: str) -> list[Certificate]:
        """The certificates that replace this one, and those that replace them, oldest first."""
        found: dict[str, Certificate] = {}
        waiting = [number]
        while waiting:
            for newer in self._replaced_by.get(waiting.pop(), ()):
                if newer.number not in found and newer.number != number:
                    found[newer.number] = newer
                    waiting.append(newer.number)
        return sorted(found.values(), key=lambda c: (c.issued_on, c.number))

    def _newer(
        self, certificate: Certificate, gauge: str, day: date, corrections: set[str]
    ) -> Iterator[Reason]:
        """Later calibrations of the same gauge by the day of use."""
        number = certificate.number
        later = sorted(
            (
                c
                for c in self._of_gauge.get(certificate.gauge, ())
                if c.calibrated_on > certificate.calibrated_on and c.number not in corrections
            ),
            key=lambda c: (c.calibrated_on, c.issued_on, c.number),
        )
        adjusted = [c for c in later if c.adjusted and c.calibrated_on < day]
        if adjusted:
            last = adjusted[-1]
            yield broken(
                "certificate.adjusted-since",
                f"{gauge} was adjusted on {last.calibrated_on} (certificate {last.number}): "
                f"certificate {number} no longer described it on {day}.",
            )
        held = [
            c
            for c in later
            if c.issued_on <= day
            and not (c.withdrawal is not None and c.withdrawal.withdrawn_on <= day)
        ]
        if held and held[-1] not in adjusted:
            last = held[-1]
            yield weak(
                "certificate.newer",
                f"A newer certificate, {last.number} of {last.calibrated_on}, had been issued on "
                f"{last.issued_on} when {gauge} was used on {day} on {number}.",
            )

    def _changed_since(self, certificate: Certificate, gauge: str, day: date) -> Iterator[Reason]:
        """What the register says changed in the gauge between its calibration and its use."""
        revisions = self.facts.gauges.get(gauge, ())
        then = in_force(revisions, certificate.calibrated_on)
        if then is None:
            return
        since = sorted(
            (r for r in revisions if certificate.calibrated_on < r.effective_on <= day),
            key=lambda r: (r.effective_on, r.revision),
        )
        for now in since:
            if now.serial != then.serial:
                yield broken(
                    "gauge.other-serial",
                    f"Certificate {certificate.number} is for serial number {then.serial}; from "
                    f"{now.effective_on} on {gauge} is serial number {now.serial}.",
                )
                break
        for now in since:
            changed = _changes(then, now)
            if changed:
                yield weak(
                    "gauge.changed",
                    f"The {listed(changed)} of {gauge} changed on {now.effective_on} "
                    f"({now.reason}), after the calibration of {certificate.calibrated_on}.",
                )
                break

    def certificate_node(self, number: str) -> Node:
        """The certificate: of what, when, its points and its largest uncertainty."""
        if number not in self._certificates:
            self._certificates[number] = self._certificate_node(number)
        return self._certificates[number]

    def _certificate_node(self, number: str) -> Node:
        key = certificate_key(number)
        certificate = self.facts.certificates.get(number)
        if certificate is None:
            return Node(key, NodeKind.CERTIFICATE, not_recorded(number), (), False)
        shown = [
            Fact("gauge", certificate.gauge),
            Fact("calibrated on", str(certificate.calibrated_on)),
            Fact("issued on", str(certificate.issued_on)),
        ]
        curve = self.curves.of(number)
        if isinstance(curve, CertificateCurve):
            points = len(curve.points)
            if not curve.directions:
                low, high = curve.range()
            else:
                ranges = [curve.range(direction) for direction in curve.directions]
                low, high = min(r[0] for r in ranges), max(r[1] for r in ranges)
            shown.append(Fact("points", f"{points} from {span_text(low, high, certificate.unit)}"))
            widest = max(curve.points, key=lambda p: p.U)
            shown.append(
                Fact(
                    "U, largest",
                    f"{significant(widest.U, 2)} {symbol(certificate.unit)} (k = {widest.k:g})",
                )
            )
        if certificate.adjusted:
            shown.append(Fact("adjusted", "yes, as-left points in use"))
        if certificate.withdrawal is not None:
            shown.append(
                Fact(
                    "withdrawn",
                    f"{certificate.withdrawal.withdrawn_on}: {certificate.withdrawal.reason}",
                )
            )
        laboratory = self.facts.laboratories.get(certificate.laboratory)
        if laboratory is None or laboratory.kind is not LaboratoryKind.IN_HOUSE:
            words = [s.description for s in certificate.standards]
            if words:
                shown.append(Fact("standards stated", "; ".join(words)))
        return Node(key, NodeKind.CERTIFICATE, number, tuple(shown))

    def owner(self, certificate: Certificate) -> Step:
        """The gauge a traced certificate is about, judged on its calibration day."""
        day = certificate.calibrated_on
        use = Use(certificate.gauge, certificate.number, day)
        key = f"gauge {certificate.gauge}"
        node = self.gauge_node(use)
        node = Node(key, node.kind, node.title, node.facts, node.known)
        reasons: list[Reason] = []
        revisions = self.facts.gauges.get(certificate.gauge, ())
        if not revisions:
            reasons.append(
                broken("gauge.unknown", f"Gauge {certificate.gauge} is not in the register.")
            )
        curve = self.curves.of(certificate.number)
        if isinstance(curve, str):
            reasons.append(
                broken(
                    "certificate.no-points",
                    f"Certificate {certificate.number} cannot be used: {curve}",
                )
            )
        if certificate.withdrawal is not None:
            reasons.append(
                broken(
                    "certificate.withdrawn",
                    f"Certificate {certificate.number} was withdrawn on "
                    f"{certificate.withdrawal.withdrawn_on} ({certificate.withdrawal.reason}).",
                )
            )
        link = Link(
            certificate_key(certificate.number), key, "states the errors of", day, tuple(reasons)
        )
        return Step((node,), (link,))

    def corrected(self, certificate: Certificate) -> Iterator[Step]:
        """The certificates that replace this one, and the one that it replaces."""
        number = certificate.number
        source = certificate_key(number)
        for newer in self._replaced_by.get(number, ()):
            why = f" ({newer.replacement_reason})" if newer.replacement_reason else ""
            reason = weak(
                "certificate.corrected",
                f"Certificate {number} was replaced by {newer.number} on {newer.issued_on}{why}.",
            )
            node = self.certificate_node(newer.number)
            link = Link(source, node.key, "replaced by", newer.issued_on, (reason,), rests_on=False)
            yield Step((node,), (link,))
        if certificate.replaces is not None:
            node = self.certificate_node(certificate.replaces)
            shown = (
                (Fact("reason", certificate.replacement_reason),)
                if certificate.replacement_reason
                else ()
            )
            link = Link(
                source, node.key, "replaces", certificate.issued_on, (), shown, rests_on=False
            )
            yield Step((node,), (link,))
