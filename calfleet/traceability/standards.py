"""What a certificate rests on: its laboratory, and the standards used."""

from __future__ import annotations

class _Shares:
    """Which points of a certificate one standard covers, and its standard uncertainty there.

    Indices count the certificate's points; ``u`` is in the certificate's unit. ``problem`` says
    why nothing can be compared.
    """

    def __init__(self) -> None:
        self.in_range: set[int] = set()
        self.in_points: set[int] = set()
        self.u: dict[int, float] = {}
        self.problem: str | None = None
        self.other_quantity = False
        self.modes_differ = False
        self.auxiliary = False
        self.carried_by_any: set[int] = set()
        self.small_enough_in_any: set[int] = set()

    @property
    def covered(self) -> set[int]:
        return self.in_range & self.in_points


def _u_of(certificate: Certificate, i: int) -> float:
    point = certificate.points[i]
    return float(point.expanded_uncertainty / point.coverage_factor)


def _proportion(upper: float, lower: float) -> float:
    return math.inf if lower == 0 else upper / lower


class Standards:
    def _behind_certificate(self, certificate: Certificate) -> Step:
        if certificate.number not in self._behind:
            self._behind[certificate.number] = self._judge_behind(certificate)
        return self._behind[certificate.number]

    def _judge_behind(self, certificate: Certificate) -> Step:
        laboratory = self._laboratory(certificate)
        nodes, links = list(laboratory.nodes), list(laboratory.links)
        uses: list[Use] = []
        recorded = self.facts.laboratories.get(certificate.laboratory)
        ends = links[0].state is not LinkState.BROKEN and (
            recorded is not None and recorded.kind is not LaboratoryKind.IN_HOUSE
        )
        if not ends:
            in_house = recorded is not None and recorded.kind is LaboratoryKind.IN_HOUSE
            for step in self._standards(certificate, in_house=in_house):
                nodes += step.nodes
                links += step.links
                uses += step.uses
        for step in self._certificate_corrections(certificate):
            nodes += step.nodes
            links += step.links
        return Step(tuple(nodes), tuple(links), tuple(uses))

    def _laboratory(self, certificate: Certificate) -> Step:
        code, day = certificate.laboratory, certificate.calibrated_on
        key = f"laboratory {code}"
        source = certificate_key(certificate.number)
        laboratory = self.facts.laboratories.get(code)
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
            shown = (Fact("end of chain", "national laboratory"),)
        elif laboratory.kind is LaboratoryKind.ACCREDITED:
            held = laboratory.accreditation(day)
            if held is not None:
                shown = (
                    Fact("end of chain", f"accreditation {held.number} in force"),
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
        carriers = self._carriers(certificate, ours)
        for standard, shares in zip(ours, carriers, strict=True):
            yield self._standard(certificate, standard, shares)
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

    def _carriers(
        self, certificate: Certificate, standards: Sequence[StandardUsed]
    ) -> list[_Shares]:
        """For each standard: which points of the certificate it can have carried, and how well."""
        shares = [self._share(certificate, standard) for standard in standards]
        # A standard of another quantity (the thermometer beside a pressure balance) is an
        # auxiliary one as long as some standard is of the right quantity.
        if any(share.problem is None for share in shares):
            for share in shares:
                share.auxiliary = share.problem is not None and share.other_quantity
        carried: set[int] = set()
        small_enough: set[int] = set()
        for share in shares:
            carried |= share.covered
            small_enough |= {i for i in share.u if share.u[i] < _u_of(certificate, i)}
        for share in shares:
            share.carried_by_any = carried
            share.small_enough_in_any = small_enough
        return shares

    def _share(self, certificate: Certificate, standard: StandardUsed) -> _Shares:
        share = _Shares()
        gauge = in_force(
            self.facts.gauges.get(standard.gauge or "", ()), certificate.calibrated_on
        )
        curve = self._curve(standard.certificate or "")
        if gauge is None or not isinstance(curve, CertificateCurve):
            share.problem = "unknown"
            return share
        own = in_force(self.facts.gauges.get(certificate.gauge, ()), certificate.calibrated_on)
        if (
            own is not None
            and PressureMode.ABSOLUTE in (own.mode, gauge.mode)
            and own.mode is not gauge.mode
            and None not in (own.mode, gauge.mode)
        ):
            share.problem = (
                f"{certificate.gauge} reads {own.mode} and {gauge.code} {gauge.mode} pressure"
            )
            share.modes_differ = True
            return share
        low, high = Fraction(gauge.range_low), Fraction(gauge.range_high)
        try:
            for i, point in enumerate(certificate.points):
                in_gauge = to_unit(point.reference, certificate.unit, gauge.unit)
                in_curve = to_unit(point.reference, certificate.unit, curve.unit)
                direction = direction_held(curve, point.direction)
                if low <= in_gauge <= high:
                    share.in_range.add(i)
                if not curve.covers(in_curve, direction):
                    continue
                share.in_points.add(i)
                u = curve.at(in_curve, direction).u
                share.u[i] = u * float(convert_difference(1, curve.unit, certificate.unit))
        except UnitsDiffer as error:
            share.problem = str(error)
            share.other_quantity = True
        share.u = {i: share.u[i] for i in share.covered}
        return share

    def _standard(self, certificate: Certificate, standard: StandardUsed, share: _Shares) -> Step:
        code, number = standard.gauge or "", standard.certificate or ""
        day = certificate.calibrated_on
        use = Use(code, number, day)
        reasons = list(self._judge_gauge(code, number, day))
        gauge = in_force(self.facts.gauges.get(code, ()), day)
        shown = list(_gauge_state(gauge))
        if code == certificate.gauge:
            reasons.append(
                broken(
                    "standard.itself",
                    f"Certificate {certificate.number} names {code} as standard for {code} itself.",
                )
            )
        if share.auxiliary:
            shown.append(Fact("use", f"auxiliary: {share.problem}"))
        elif share.modes_differ:
            reasons.append(
                weak(
                    "standard.mode",
                    f"Range and uncertainty cannot be compared: {share.problem}, and certificate "
                    f"{certificate.number} states no barometric pressure.",
                )
            )
        elif share.other_quantity:
            reasons.append(
                broken("standard.unit", f"{code} cannot be the standard: {share.problem}")
            )
        elif gauge is not None and share.problem is None:
            more, compared = self._judge_share(certificate, gauge, number, share)
            reasons += more
            shown += compared
        link = Link(
            certificate_key(certificate.number),
            use.key,
            "standard used",
            day,
            tuple(reasons),
            tuple(shown),
        )
        return Step((self._gauge_node(use),), (link,), (use,))

    def _judge_share(
        self, certificate: Certificate, gauge: Gauge, number: str, share: _Shares
    ) -> tuple[list[Reason], list[Fact]]:
        reasons: list[Reason] = []
        shown: list[Fact] = []
        unit = certificate.unit
        points = certificate.points
        readings = [
            Reading(
                f"the {p.phase} {p.direction} point of {certificate.number}",
                p.reference,
                unit,
                p.direction,
            )
            for p in points
        ]
        uncarried = [i for i in range(len(points)) if i not in share.carried_by_any]
        curve = self._curve(number)
        if uncarried and isinstance(curve, CertificateCurve):
            low, high = (to_unit(v, gauge.unit, unit) for v in (gauge.range_low, gauge.range_high))
            out = [
                (max(low - Fraction(points[i].reference), Fraction(points[i].reference) - high), i)
                for i in uncarried
                if i not in share.in_range
            ]
            if out:
                limits = (
                    f"the range of {gauge.code}, "
                    f"{span_text(gauge.range_low, gauge.range_high, gauge.unit)}"
                )
                found = [(distance, readings[i]) for distance, i in out]
                reasons.append(broken("standard.range", outside_text(readings, found, limits)))
            reach = curve.in_unit(unit).range(None)
            out = [
                (
                    max(
                        reach[0] - Fraction(points[i].reference),
                        Fraction(points[i].reference) - reach[1],
                    ),
                    i,
                )
                for i in uncarried
                if i not in share.in_points
            ]
            if out:
                limits = f"the points of certificate {number}, {span_text(*curve.range(), curve.unit)}"
                found = [(distance, readings[i]) for distance, i in out]
                reasons.append(broken("standard.points", outside_text(readings, found, limits)))
        if share.covered:
            carried = sorted(share.covered)
            if len(carried) < len(points):
                shown.append(Fact("points carried", f"{len(carried)} of {len(points)}"))
            shown.append(Fact("points", spread_text([readings[i] for i in carried])))
            impossible = [i for i in carried if i not in share.small_enough_in_any]
            least = min(carried, key=lambda i: _proportion(_u_of(certificate, i), share.u[i]))
            ratio = _proportion(_u_of(certificate, least), share.u[least])
            at = with_unit(points[least].reference, unit)
            if math.isfinite(ratio):
                shown.append(Fact("certified U to standard's U, least", f"{ratio_text(ratio)} at {at}"))
            if impossible:
                worst = min(
                    impossible, key=lambda i: _proportion(_u_of(certificate, i), share.u[i])
                )
                point = points[worst]
                k = point.coverage_factor
                reasons.append(
                    broken(
                        "standard.uncertainty",
                        f"Certificate {certificate.number} claims U = "
                        f"{with_unit(point.expanded_uncertainty, unit)} (k = {without_zeros(k)}) at "
                        f"{with_unit(point.reference, unit)}, where {gauge.code} itself is known to "
                        f"{significant(share.u[worst] * float(k), 2)} {symbol(unit)} only (ratio "
                        f"{ratio_text(_proportion(_u_of(certificate, worst), share.u[worst]))}; "
                        f"{len(impossible)} of {counted(len(points), 'point')}).",
                    )
                )
        else:
            shown.append(Fact("points carried", f"0 of {len(points)}"))
        return reasons, shown

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



