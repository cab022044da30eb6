"""Chains and impacts as W3C PROV, read back by a library for PROV that knows nothing of us."""

from __future__ import annotations

from collections import Counter
from datetime import date
from decimal import Decimal

import networkx as nx
import pytest
from prov.graph import prov_to_graph
from prov.model import (
    ProvActivity,
    ProvAgent,
    ProvAssociation,
    ProvAttribution,
    ProvDerivation,
    ProvDocument,
    ProvEntity,
    ProvGeneration,
    ProvInvalidation,
    ProvMembership,
    ProvRecord,
    ProvUsage,
)

from calfleet.adapters.documents.prov_export import (
    NAMESPACE,
    chain_to_prov,
    dossier_to_prov,
    impact_to_prov,
    prov_text,
)
from calfleet.metrology.conformity import Verdict
from calfleet.metrology.units import PressureMode
from calfleet.records import (
    Action,
    Criticality,
    Disposition,
    EventClosure,
    Gauge,
    GaugeEvent,
    GaugeStatus,
    Phase,
)
from calfleet.traceability.chain import Chain, Fact, Link, LinkState, Node, NodeKind, Reason
from calfleet.traceability.dossier import Dossier, HeldEvent
from calfleet.traceability.impact import (
    Consequence,
    FoundBad,
    FoundPoint,
    Impact,
    Kind,
    LastGood,
    RestingGauge,
    Row,
    State,
)

DAY = date(2026, 6, 15)


def link(source: str, target: str, relation: str, *reasons: Reason, rests: bool = True) -> Link:
    return Link(source, target, relation, DAY, reasons, (), rests)


CHAIN = Chain(
    "result C-1",
    "calibration C-1",
    (
        Node("calibration C-1", NodeKind.CALIBRATION, "C-1 of PSH-1 “α”"),
        Node("result C-1 H", NodeKind.RESULT, "H as-found", (Fact("found", "5.00 ± 0.02 bar"),)),
        Node("readings C-1", NodeKind.READINGS, "3 runs"),
        Node("person P1", NodeKind.TECHNICIAN, "P1"),
        Node("procedure PR rev 1", NodeKind.PROCEDURE, "PR rev 1"),
        Node("gauge RG-1 on K1", NodeKind.GAUGE, "RG-1"),
        Node("certificate K1", NodeKind.CERTIFICATE, "K1"),
        Node("certificate K1/2: ä", NodeKind.CERTIFICATE, "K1/2", known=False),
        Node("laboratory LAB", NodeKind.LABORATORY, "LAB"),
        Node("data sheet PSH-1", NodeKind.DATA_SHEET, "PSH-1 rev 1"),
    ),
    (
        link("calibration C-1", "result C-1 H", "states"),
        link("result C-1 H", "readings C-1", "worked out from"),
        link("calibration C-1", "data sheet PSH-1", "judged against"),
        link("readings C-1", "person P1", "taken by"),
        link("readings C-1", "procedure PR rev 1", "by procedure"),
        link("readings C-1", "gauge RG-1 on K1", "operating pressure read on"),
        link("gauge RG-1 on K1", "certificate K1", "stands on",
             Reason("x", LinkState.BROKEN, "It had expired.")),
        link("certificate K1", "laboratory LAB", "calibrated by"),
        link("certificate K1", "certificate K1/2: ä", "replaced by", rests=False),
    ),
)  # fmt: skip


def read(document: dict[str, object]) -> ProvDocument:
    """The document as the library reads it; it must survive being written and read again."""
    found = ProvDocument.deserialize(content=prov_text(document), format="json")
    assert isinstance(found, ProvDocument)
    again = ProvDocument.deserialize(content=found.serialize(format="json"), format="json")
    assert found == again
    return found


def ends(document: ProvDocument, kind: type[ProvRecord]) -> list[tuple[str, ...]]:
    """The names at the ends of every relation of a kind, as keys of ours."""
    from urllib.parse import unquote

    return [
        tuple(unquote(str(value).removeprefix("cf:")) for value in one.args if value is not None)
        for one in document.get_records(kind)
    ]


def test_a_chain_is_read_back() -> None:
    document = read(chain_to_prov(CHAIN))
    assert str(next(iter(document.namespaces)).uri) == NAMESPACE
    assert len(list(document.get_records(ProvEntity))) == 8
    assert len(list(document.get_records(ProvAgent))) == 2
    assert len(list(document.get_records(ProvActivity))) == 1
    doing = "doing calibration C-1"
    assert set(ends(document, ProvGeneration)) == {
        ("calibration C-1", doing), ("result C-1 H", doing),
    }  # fmt: skip
    assert ends(document, ProvMembership) == [("calibration C-1", "result C-1 H")]
    assert set(ends(document, ProvUsage)) == {
        (doing, "data sheet PSH-1"), (doing, "gauge RG-1 on K1"),
    }  # fmt: skip
    assert ends(document, ProvAssociation) == [(doing, "person P1", "procedure PR rev 1")]
    assert set(ends(document, ProvAttribution)) == {
        ("readings C-1", "person P1"), ("certificate K1", "laboratory LAB"),
    }  # fmt: skip
    assert set(ends(document, ProvDerivation)) == {
        ("result C-1 H", "readings C-1"), ("calibration C-1", "data sheet PSH-1"),
        ("readings C-1", "procedure PR rev 1"), ("readings C-1", "gauge RG-1 on K1"),
        ("gauge RG-1 on K1", "certificate K1"), ("certificate K1/2: ä", "certificate K1"),
    }  # fmt: skip


def test_judgements_and_facts_are_attributes() -> None:
    text = read(chain_to_prov(CHAIN)).get_provn()
    assert 'cf:reason="It had expired."' in text
    assert 'cf:state="broken"' in text
    assert 'cf:fact="found: 5.00 ± 0.02 bar"' in text
    assert '"2026-06-15" %% xsd:date' in text
    assert "prov:type='prov:Revision'" in text


def test_every_link_of_a_chain_is_in_the_graph() -> None:
    """The graph the library makes: from the result every node of its chain can be reached."""
    graph = nx.DiGraph(prov_to_graph(read(chain_to_prov(CHAIN)).unified()))
    start = next(n for n in graph if "result%20C-1%20H" in str(n.identifier))
    reached = {str(n.identifier) for n in nx.descendants(graph, start)}
    for word in ("readings", "person", "procedure", "RG-1", "certificate%20K1", "LAB"):
        assert any(word in name for name in reached), word


# --- an impact ------------------------------------------------------------------------------------

GAUGE = Gauge(
    code="RG-1", revision=1, effective_on=date(2020, 1, 1), reason="", serial="SN-1",
    description="bench gauge", status=GaugeStatus.IN_SERVICE, mode=PressureMode.GAUGE, unit="bar",
    range_low=Decimal(0), range_high=Decimal(10), resolution=Decimal("0.01"),
    accuracy=Decimal("0.1"), accuracy_basis="% of span", drift_per_year=Decimal(0),
    temperature_coefficient=Decimal(0), reference_temperature_c=Decimal(20),
    use_corrections=True, tier=2, policy="R12",
)  # fmt: skip


def row(number: str, consequence: Consequence, path: tuple[str, ...], *, known: bool) -> Row:
    before = State(Verdict.PASS, 0.03, 4.93, 4.93, 4.93, 0.014)
    worst = State(Verdict.FAIL, -0.019, 4.881, 4.881, 4.881, 0.014) if known else None
    return Row(
        calibration=number, tag="PSH-1", service="", area="A1", area_name="",
        criticality=Criticality.SAFETY, in_use=True, performed_on=DAY, set_point="H",
        phase=Phase.AS_FOUND, unit="bar", gauge="RG-1", certificate=path[-1] if path else "K1",
        tier=len(path) + 1, path=path, fraction=0.5, lower=4.9, upper=5.1,
        recorded_verdict="pass", before=before, worst=worst, linear=worst,
        shift_worst=0.049 if known else None, shift_linear=None, under_worst=consequence,
        under_linear=consequence, consequence=consequence, why_unknown="", later=None,
        describes_now=True, exact=True,
    )  # fmt: skip


ROWS = (
    row("C1", Consequence.FLIPPED_OUT, (), known=True),
    row("C2", Consequence.NOT_SURE, ("K2", "K3"), known=False),
)
IMPACT = Impact(
    FoundBad(
        "RG-1", DAY, Kind.AS_FOUND, LastGood(date(2026, 1, 1), "K1", "calibration"),
        (FoundPoint(Decimal(5), Decimal("0.05")),), "bar", by="P7",
    ),
    GAUGE, ("How.",), ROWS,
    (
        RestingGauge("RG-2", "K2", DAY, 1, ("K2",), "bar", 0.05, "", 0, in_force=True),
        RestingGauge("RG-3", "K3", DAY, 2, ("K2", "K3"), "bar", None, "why", 1, in_force=True),
    ),
    (), (), (), Counter((r.consequence, r.criticality) for r in ROWS),
)  # fmt: skip


def test_an_impact_is_read_back() -> None:
    document = read(impact_to_prov(IMPACT))
    derived = set(ends(document, ProvDerivation))
    assert derived == {
        ("event RG-1 2026-06-15", "gauge RG-1"),
        ("certificate K2", "gauge RG-1"), ("certificate K3", "certificate K2"),
        ("result C1 H as-found", "gauge RG-1"), ("result C2 H as-found", "certificate K3"),
        ("result C1 H as-found, judged again", "result C1 H as-found"),
        ("result C2 H as-found, judged again", "result C2 H as-found"),
    }  # fmt: skip
    judging = "judging again after RG-1 2026-06-15"
    assert ends(document, ProvInvalidation) == [("result C1 H as-found", judging)]
    assert len(ends(document, ProvGeneration)) == len(ROWS)
    assert ends(document, ProvAttribution) == [("event RG-1 2026-06-15", "person P7")]


def test_the_advice_for_a_switch_out_of_service_goes_by_its_day() -> None:
    """Years later it has been in service and out again: what counts is since when."""
    one = ROWS[0]._replace(in_use=False, performed_on=date(2021, 3, 4))
    assert one.advice == (
        "the switch is not in service now: calibrate PSH-1 before it is used, and assess what it "
        "meant where it was in use since 2021-03-04"
    )
    assert "until 2024-01-05" in one._replace(later="2024-01-05").advice


def test_an_event_is_read_back_with_decisions_and_closing() -> None:
    def decided(number: str, count: int, by: str) -> Disposition:
        return Disposition("E1", number, count, Action.RECALL, f"reason {count}", by, DAY)

    held = HeldEvent(
        GaugeEvent("E1", "RG-1", Kind.AS_FOUND, DAY, "P7"),
        decisions=(decided("C1", 1, "P1"), decided("C1", 2, "P2"), decided("C2", 1, "P1")),
        closure=EventClosure("E1", "P3", DAY, "All seen."),
    )
    dossier = Dossier(
        held, IMPACT, {}, (), (), (), (1, ""), DAY, "W", {"P1": "Wren Ashlock"}
    )  # fmt: skip
    document = read(dossier_to_prov(dossier))
    attributed = set(ends(document, ProvAttribution))
    first, second, other = "decision E1 C1 1", "decision E1 C1 2", "decision E1 C2 1"
    assert attributed >= {(first, "person P1"), (second, "person P2"), (other, "person P1")}
    derived = set(ends(document, ProvDerivation))
    assert derived >= {
        (second, first),
        (second, "result C1 H as-found, judged again"),
        (other, "result C2 H as-found, judged again"),
    }
    assert (first, "result C1 H as-found, judged again") not in derived
    used = {one for one in ends(document, ProvUsage) if one[0] == "closing E1"}
    assert used == {
        ("closing E1", "event RG-1 2026-06-15"), ("closing E1", second), ("closing E1", other),
    }  # fmt: skip
    assert ends(document, ProvAssociation) == [("closing E1", "person P3")]
    assert 'prov:label="Wren Ashlock"' in document.get_provn()


@pytest.mark.parametrize("number", ["C1", "C2"])
def test_every_result_leads_back_to_the_gauge(number: str) -> None:
    graph = nx.DiGraph(prov_to_graph(read(impact_to_prov(IMPACT)).unified()))
    names = {str(n.identifier): n for n in graph}
    start = names[f"cf:result%20{number}%20H%20as-found%2C%20judged%20again"]
    assert nx.has_path(graph, start, names["cf:gauge%20RG-1"])
    again = names[f"cf:result%20{number}%20H%20as-found"]
    assert nx.has_path(graph, again, names["cf:gauge%20RG-1"])


def test_numbers_are_doubles() -> None:
    (again,) = (
        one
        for one in read(impact_to_prov(IMPACT)).get_records(ProvEntity)
        if "C1" in str(one.identifier) and "judged" in str(one.identifier)
    )
    values = {str(name): value for name, value in again.extra_attributes}
    assert values["cf:shift_worst"] == pytest.approx(0.049)
    assert values["cf:worst_margin"] == pytest.approx(-0.019)
    assert "below the lower limit" in str(values["cf:reason"])
