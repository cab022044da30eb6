"""A traced chain, or what rests on a gauge found bad, as W3C PROV in its JSON form.

*Chain.* Results, readings, certificates, gauges on a certificate, data sheets, procedures are
entities; the technician and laboratories are agents; a calibration is an activity and, as the
record it left, an entity with its results as members. What rests on something was derived from
it; every relation carries the day on which it was judged, how well it holds and why not.

*Impact.* The event is an entity; judging again is an activity that used it and every recorded
result, and generated a new figure from each, derived from the recorded one. A result that flipped
out of tolerance was invalidated by that activity. Certificates and results lead back to the gauge.

Sources: W3C PROV-DM, PROV-N; PROV-JSON (W3C Member Submission of 24 April 2013).
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping
from datetime import date
from urllib.parse import quote

from calfleet.traceability.chain import Chain, Fact, Link, Node, NodeKind
from calfleet.traceability.dossier import Dossier, covered
from calfleet.traceability.impact import Consequence, Impact, Row, State

__all__ = ["chain_to_prov", "impact_to_prov", "dossier_to_prov", "prov_text", "NAMESPACE"]

NAMESPACE = "urn:calfleet:"
"""The namespace of names and attributes, written with the prefix ``cf``."""

Attributes = dict[str, object]

_AGENTS = {NodeKind.TECHNICIAN: "prov:Person", NodeKind.LABORATORY: "prov:Organization"}
_READ_ON = ("pressure read on", "temperature read on")


def prov_text(document: Mapping[str, object]) -> str:
    """The document as JSON text, keys in the order in which they were made."""
    return json.dumps(document, indent=2, ensure_ascii=False) + "\n"


class _Document:
    """A PROV-JSON document in the making; an attribute of ``None`` or of no value is left out."""

    def __init__(self) -> None:
        self._parts: dict[str, dict[str, Attributes]] = {}
        self._count = 0

    def add(self, kind: str, name: str, attributes: Mapping[str, object]) -> str:
        """The qualified name of a new entity, activity or agent (the first one stands)."""
        key = _name(name)
        kept = {k: v for k, v in attributes.items() if v is not None and v != []}
        self._parts.setdefault(kind, {}).setdefault(key, kept)
        return key

    def relate(self, kind: str, ends: Mapping[str, str], attributes: Mapping[str, object]) -> None:
        self._count += 1
        kept = {k: v for k, v in attributes.items() if v is not None and v != []}
        self._parts.setdefault(kind, {})[f"_:r{self._count}"] = {**ends, **kept}

    def done(self) -> dict[str, object]:
        prefix = {"cf": NAMESPACE, "xsd": "http://www.w3.org/2001/XMLSchema#"}
        return {"prefix": prefix, **self._parts}


def _name(key: str) -> str:
    return f"cf:{quote(key, safe='-_.~')}"


def _day(day: date) -> Attributes:
    return {"$": day.isoformat(), "type": "xsd:date"}


def _number(value: float | None) -> Attributes | None:
    return None if value is None else {"$": repr(float(value)), "type": "xsd:double"}


def _type(name: str) -> Attributes:
    return {"$": name, "type": "prov:QUALIFIED_NAME"}


def _facts(facts: Iterable[Fact]) -> list[str]:
    return [f"{fact.label}: {fact.value}" for fact in facts]


# --- a chain ------------------------------------------------------------------------------------


def chain_to_prov(chain: Chain) -> dict[str, object]:
    """The chain as a PROV-JSON document: its nodes by their keys, its links with their judgement.

    ``json.dumps`` writes it; :func:`prov_text` does so readably.
    """
    document = _Document()
    doing: dict[str, str] = {}
    for node in chain.nodes:
        attributes: Attributes = {
            "prov:label": node.title,
            "prov:type": _type(_AGENTS.get(node.kind, f"cf:{quote(str(node.kind))}")),
            "cf:kind": str(node.kind),
            "cf:recorded": {"$": "true" if node.known else "false", "type": "xsd:boolean"},
            "cf:fact": _facts(node.facts),
        }
        if node.kind in _AGENTS:
            document.add("agent", node.key, attributes)
            continue
        if node.kind is NodeKind.PROCEDURE:
            attributes["prov:type"] = _type("prov:Plan")
        if node.kind is NodeKind.CALIBRATION:
            attributes["prov:type"] = _type("prov:Collection")
            done = {"prov:label": f"calibrating: {node.title}"}
            doing[node.key] = document.add("activity", f"doing {node.key}", done)
        document.add("entity", node.key, attributes)
        if node.key in doing:
            ends = {"prov:entity": _name(node.key), "prov:activity": doing[node.key]}
            document.relate("wasGeneratedBy", ends, {})
    activity = doing.get(chain.root)
    for link in chain.links:
        _relate(document, chain, link, activity)
    return document.done()


def _relate(document: _Document, chain: Chain, link: Link, activity: str | None) -> None:
    source, target = chain.node(link.source), chain.node(link.target)
    one, other = _name(source.key), _name(target.key)
    judged: Attributes = {
        "cf:relation": link.relation,
        "cf:day": _day(link.day),
        "cf:state": str(link.state),
        "cf:reason": [reason.text for reason in link.reasons],
        "cf:fact": _facts(link.facts),
    }
    if not link.rests_on:
        newer, older = (one, other) if link.relation == "replaces" else (other, one)
        ends = {"prov:generatedEntity": newer, "prov:usedEntity": older}
        document.relate("wasDerivedFrom", ends, {"prov:type": _type("prov:Revision"), **judged})
        return
    if source.kind is NodeKind.CALIBRATION and target.kind is NodeKind.RESULT:
        document.relate("hadMember", {"prov:collection": one, "prov:entity": other}, {})
        if activity is not None:
            ends = {"prov:entity": other, "prov:activity": activity}
            document.relate("wasGeneratedBy", ends, judged)
        return
    if target.kind in _AGENTS:
        document.relate("wasAttributedTo", {"prov:entity": one, "prov:agent": other}, judged)
        if target.kind is NodeKind.TECHNICIAN and activity is not None:
            ends = {"prov:activity": activity, "prov:agent": other}
            document.relate("wasAssociatedWith", _with_plan(ends, chain, link), {})
        return
    ends = {"prov:generatedEntity": one, "prov:usedEntity": other}
    document.relate("wasDerivedFrom", ends, judged)
    if activity is not None and _used_at_the_bench(source, link):
        document.relate("used", {"prov:activity": activity, "prov:entity": other}, {})


def _with_plan(ends: dict[str, str], chain: Chain, link: Link) -> dict[str, str]:
    """The association with the procedure as its plan, where one is known."""
    for other in chain.links_from(link.source):
        if chain.node(other.target).kind is NodeKind.PROCEDURE:
            return {**ends, "prov:plan": _name(other.target)}
    return ends


def _used_at_the_bench(source: Node, link: Link) -> bool:
    read = link.relation.endswith(_READ_ON)
    return source.kind is NodeKind.CALIBRATION or (source.kind is NodeKind.READINGS and read)


# --- an impact ----------------------------------------------------------------------------------


def impact_to_prov(impact: Impact) -> dict[str, object]:
    """What rests on a gauge found bad, and how it was judged again, as a PROV-JSON document."""
    document = _Document()
    _impact(document, impact)
    return document.done()


def dossier_to_prov(dossier: Dossier) -> dict[str, object]:
    """An event on record as a PROV-JSON document: its impact, with who decided what, and why.

    A decision is an entity attributed to the person who made it, and derived from each result,
    judged again, that it covers; one that was changed was revised by the later one. Closing the
    event is an activity of the person who closed it, which used the decisions.
    """
    document = _Document()
    _impact(document, dossier.impact)
    held = dossier.held
    found = _name(f"event {held.event.gauge} {held.event.found_on}")

    def person(code: str) -> str:
        label = dossier.names.get(code, code)
        return document.add(
            "agent", f"person {code}", {"prov:type": _type("prov:Person"), "prov:label": label}
        )

    names: dict[tuple[str, int], str] = {}
    for one in sorted(held.decisions, key=lambda d: (d.calibration, d.decision)):
        name = document.add(
            "entity",
            f"decision {held.number} {one.calibration} {one.decision}",
            {
                "prov:label": f"{one.calibration}: {one.action}",
                "prov:type": _type("cf:decision"),
                "cf:action": str(one.action),
                "cf:reason": one.reason,
                "cf:decided_on": _day(one.decided_on),
            },
        )
        names[one.calibration, one.decision] = name
        by = person(one.decided_by)
        document.relate("wasAttributedTo", {"prov:entity": name, "prov:agent": by}, {})
        _derived(document, name, found, {"cf:relation": "decided under"})
        before = names.get((one.calibration, one.decision - 1))
        if before is not None:
            _derived(document, name, before, {"prov:type": _type("prov:Revision")})
    for row, made in covered(held, dossier.impact.rows):
        if made is not None:
            again = _name(f"result {row.calibration} {row.set_point} {row.phase}, judged again")
            name = names[made.calibration, made.decision]
            _derived(document, name, again, {"cf:relation": "covers"})
    if held.closure is not None:
        closing = document.add(
            "activity",
            f"closing {held.number}",
            {
                "prov:label": f"event {held.number} closed",
                "cf:closed_on": _day(held.closure.closed_on),
                "cf:statement": held.closure.statement,
            },
        )
        by = person(held.closure.closed_by)
        ends = {"prov:activity": closing, "prov:agent": by}
        document.relate("wasAssociatedWith", ends, {})
        document.relate("used", {"prov:activity": closing, "prov:entity": found}, {})
        for made in held.standing.values():
            name = names[made.calibration, made.decision]
            document.relate("used", {"prov:activity": closing, "prov:entity": name}, {})
    return document.done()


def _impact(document: _Document, impact: Impact) -> None:
    event = impact.event
    gauge = document.add(
        "entity",
        f"gauge {event.gauge}",
        {
            "prov:label": f"{event.gauge} {impact.gauge.description}",
            "prov:type": _type("cf:gauge"),
            "cf:serial": impact.gauge.serial,
        },
    )
    found = document.add(
        "entity",
        f"event {event.gauge} {event.found_on}",
        {
            "prov:label": f"{event.gauge} found bad: {event.kind}",
            "prov:type": _type("cf:event"),
            "cf:found_on": _day(event.found_on),
            "cf:last_good_on": _day(event.last_good.on),
            "cf:last_good": event.last_good.how,
            "cf:left_out": list(event.left_out),
            "cf:error": [
                f"{p.error:+f} {event.unit} at {p.indication:f}"
                f"{f' {p.direction}' if p.direction else ''}"
                for p in event.points
            ],
        },
    )
    _derived(document, found, gauge, {"cf:relation": "found on"})
    if event.by:
        agent = document.add(
            "agent", f"person {event.by}", {"prov:type": _type("prov:Person"),
                                            "prov:label": event.by}
        )  # fmt: skip
        document.relate("wasAttributedTo", {"prov:entity": found, "prov:agent": agent}, {})
    judging = document.add(
        "activity",
        f"judging again after {event.gauge} {event.found_on}",
        {"prov:label": "results judged again", "cf:method": list(impact.method)},
    )
    document.relate("used", {"prov:activity": judging, "prov:entity": found}, {})
    for one in impact.gauges:
        name = document.add(
            "entity",
            f"certificate {one.certificate}",
            {
                "prov:label": f"{one.certificate} of {one.gauge}",
                "prov:type": _type("cf:certificate"),
                "cf:calibrated_on": _day(one.calibrated_on),
                "cf:tier": {"$": str(one.tier), "type": "xsd:int"},
                "cf:largest_shift": _number(one.largest_shift),
                "cf:unit": one.unit,
                "cf:reason": one.reason,
            },
        )
        above = _name(f"certificate {one.path[-2]}") if len(one.path) > 1 else gauge
        _derived(document, name, above, {"cf:relation": "standard used"})
    for row in impact.rows:
        _row(document, row, gauge, judging)


def _row(document: _Document, row: Row, gauge: str, judging: str) -> None:
    key = f"result {row.calibration} {row.set_point} {row.phase}"
    recorded = document.add(
        "entity",
        key,
        {
            "prov:label": f"{row.tag} {row.set_point} {row.phase}, {row.calibration}",
            "prov:type": _type("cf:result"),
            "cf:performed_on": _day(row.performed_on),
            "cf:criticality": str(row.criticality),
            "cf:verdict": row.recorded_verdict,
            "cf:unit": row.unit,
            **_state("", row.before),
        },
    )
    _derived(
        document,
        recorded,
        _name(f"certificate {row.certificate}") if row.path else gauge,
        {"cf:relation": f"read on {row.gauge}", "cf:day": _day(row.performed_on)},
    )
    again = document.add(
        "entity",
        f"{key}, judged again",
        {
            "prov:label": f"{row.tag} {row.set_point} {row.phase}: {row.consequence}",
            "prov:type": _type("cf:result"),
            "cf:consequence": str(row.consequence),
            "cf:worst_case": str(row.under_worst),
            "cf:linear_with_time": str(row.under_linear),
            "cf:shift_worst": _number(row.shift_worst),
            "cf:shift_linear": _number(row.shift_linear),
            **_state("worst_", row.worst),
            **_state("linear_", row.linear),
            "cf:reason": row.reason,
            "cf:action": str(row.action),
            "cf:told": list(row.told),
        },
    )
    document.relate("used", {"prov:activity": judging, "prov:entity": recorded}, {})
    document.relate("wasGeneratedBy", {"prov:entity": again, "prov:activity": judging}, {})
    _derived(document, again, recorded, {"prov:type": _type("prov:Revision")})
    if row.consequence is Consequence.FLIPPED_OUT:
        ends = {"prov:entity": recorded, "prov:activity": judging}
        document.relate("wasInvalidatedBy", ends, {"cf:reason": row.reason})


def _derived(document: _Document, one: str, other: str, attributes: Mapping[str, object]) -> None:
    ends = {"prov:generatedEntity": one, "prov:usedEntity": other}
    document.relate("wasDerivedFrom", ends, attributes)


def _state(prefix: str, state: State | None) -> Attributes:
    if state is None:
        return {}
    return {
        f"cf:{prefix}found": _number(state.found),
        f"cf:{prefix}margin": _number(state.margin),
        f"cf:{prefix}expanded_uncertainty": _number(state.U),
    }
