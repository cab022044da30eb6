"""What a name to be traced stands for, and a gauge's reading on a day, on the small works."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from datetime import date, timedelta
from decimal import Decimal
from typing import Any

import pytest
from sqlalchemy import Engine
from sqlalchemy.orm import Session

from calfleet.errors import CalfleetError, UnknownName, UsageError
from calfleet.records import FoundBadKind
from calfleet.services.report_event import NewEvent, report_event
from calfleet.services.trace import Traced, trace
from calfleet.store.engine import open_engine
from calfleet.store.work import Work
from calfleet.traceability.chain import Chain, ChainVerdict, NodeKind

D = Decimal
ON = date(2026, 2, 1)


@pytest.fixture
def engine(database_url: str, little: Any) -> Iterator[Engine]:
    """The works with a gauge that is named like a switch, and one named like a certificate."""
    like_tag = replace(little.gauge("G-BENCH"), code="PS-1", serial="SN like a tag")
    like_certificate = replace(little.gauge("G-BENCH"), code="bench-25", serial="SN like a paper")
    made = open_engine(database_url)
    little.build(made, gauges=(*little.given.gauges, like_tag, like_certificate))
    yield made
    made.dispose()


def traced(engine: Engine, name: str, **how: Any) -> Chain:
    with Session(engine) as session:
        return trace(session, name, **how)


def test_a_reading_of_a_gauge_stands_on_the_certificate_of_its_day(
    engine: Engine, little: Any
) -> None:
    chain = traced(engine, "g-bench", on=ON, today=little.today)
    assert chain.subject == "the reading of G-BENCH on 2026-02-01"
    first = chain.node(chain.root)
    assert (first.kind, first.title) == (NodeKind.READINGS, "a reading of G-BENCH on 2026-02-01")
    (link,) = chain.links_from(chain.root)
    assert (link.relation, link.day) == ("read on", ON)
    (stands,) = chain.links_from(link.target)
    assert stands.target == "certificate BENCH-25"
    # what is behind the certificate is what a trace of the certificate shows
    behind = traced(engine, "BENCH-25", kind=Traced.CERTIFICATE)
    assert {n.key for n in behind.nodes} <= {n.key for n in chain.nodes} | {"gauge G-BENCH"}
    today = traced(engine, "G-BENCH", today=little.today)
    assert today.subject == f"the reading of G-BENCH on {little.today}"


def test_a_reading_on_an_overdue_gauge_is_broken_and_before_any_certificate_too(
    engine: Engine, little: Any
) -> None:
    overdue = traced(engine, "G-OLD", on=ON, today=little.today)
    assert overdue.verdict is ChainVerdict.BROKEN
    assert "was valid until 2026-01-20" in str(overdue.problems)
    before = traced(engine, "G-BENCH", on=date(2024, 3, 1), today=little.today)
    assert before.verdict is ChainVerdict.BROKEN
    assert "No certificate is named for G-BENCH" in str(before.problems)


def test_a_reading_on_a_gauge_found_bad_says_so(engine: Engine, little: Any) -> None:
    found_on = little.today - timedelta(5)
    with Work(engine, actor="T1", at=little.now, action="report", subject="G-BENCH") as work:
        new = NewEvent("G-BENCH", FoundBadKind.LOST, found_on=found_on)
        report_event(work, new, person="T1", today=little.today)
        work.commit()
    after = traced(engine, "G-BENCH", today=little.today)
    assert after.verdict is ChainVerdict.WEAK
    assert f"was found bad on {found_on} (E{little.today.year}-001, lost)" in str(after.problems)
    good = little.certificate("BENCH-25").calibrated_on
    earlier = traced(engine, "G-BENCH", on=found_on - timedelta(1), today=little.today)
    assert earlier.verdict is ChainVerdict.WEAK
    assert f"it is in doubt from {good} on" in str(earlier.problems)
    before = traced(engine, "G-BENCH", on=good - timedelta(1), today=little.today)
    assert "in doubt" not in str(before.problems)


def test_a_name_of_several_things_asks_which(engine: Engine, little: Any) -> None:
    for name, kinds in (("ps-1", "result, gauge"), ("BENCH-25", "gauge, certificate")):
        with pytest.raises(UsageError, match="is the name of a") as refusal:
            traced(engine, name, today=little.today)
        assert refusal.value.next_step == f"Say which with --kind: {kinds}."
    gauge = traced(engine, "PS-1", kind=Traced.GAUGE, today=little.today)
    assert gauge.subject == f"the reading of PS-1 on {little.today}"
    assert traced(engine, "PS-1", kind=Traced.RESULT).subject.startswith("result ")
    assert traced(engine, "bench-25", kind=Traced.CERTIFICATE).subject == "certificate BENCH-25"


@pytest.mark.parametrize(
    ("name", "how", "kind", "says"),
    [
        ("G-BENHC", {}, UnknownName, "calibration, tag, gauge or certificate"),
        ("G-BENCH", {"kind": Traced.CERTIFICATE}, UnknownName, "certificate"),
        ("PS-1", {"kind": Traced.RESULT, "on": ON}, UsageError, "PS-1 is a result, and a day"),
        ("BENCH-25", {"kind": Traced.CERTIFICATE, "on": ON}, UsageError, "is a certificate"),
        ("G-BENCH", {"on": date(2026, 12, 1)}, UsageError, "after today"),
        ("G-BENCH", {"today": None}, UsageError, "On which day"),
    ],
)
def test_what_cannot_be_traced(
    engine: Engine,
    little: Any,
    name: str,
    how: dict[str, Any],
    kind: type[CalfleetError],
    says: str,
) -> None:
    with pytest.raises(kind) as refusal:
        traced(engine, name, **({"today": little.today} | how))
    assert says in refusal.value.message
    assert refusal.value.next_step
