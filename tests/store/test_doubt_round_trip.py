"""Gauges found bad, what was decided and told about them, and cross checks come back as entered."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, date, datetime
from typing import Any

import pytest
from sqlalchemy import Engine
from sqlalchemy.orm import Session

from calfleet import records as rec
from calfleet.errors import RecordRefused, UnknownName
from calfleet.store import doubt_facts
from calfleet.store.queries import audit, doubts
from calfleet.store.queries import calibrations as calibration_queries
from calfleet.store.queries.resting import calibrations_of, resting_on
from calfleet.store.work import Work
from calfleet.traceability.columns import columns_of

AT = datetime(2026, 2, 3, tzinfo=UTC)
ASKED = {
    "add_event": doubts.events,
    "add_notice": doubts.notices,
    "add_disposition": doubts.dispositions,
    "add_closure": lambda reader: list(doubts.closures(reader).values()),
    "add_cross_check": doubts.cross_checks,
}


def entered(doubts_entered: Any, add: str) -> list[Any]:
    return [record for name, record in doubts_entered if name == add]


@pytest.mark.parametrize("add", ASKED)
def test_every_record_comes_back(add: str, filled: Engine, doubts_entered: Any) -> None:
    with filled.connect() as reader:
        found = ASKED[add](reader)
    assert sorted(map(repr, found)) == sorted(map(repr, entered(doubts_entered, add)))
    assert found


def test_the_audit_trail_knows_every_one(filled: Engine, doubts_entered: Any) -> None:
    with Session(filled) as session:
        noted = {(k, key): d for e in audit.entries(session) for k, key, d in e.facts()}
        kept = {(kind, key): digest for kind, key, digest in audit.all_facts(session)}
        position, digest = audit.head(session)
        assert (position, digest) == (1, audit.entries(session)[-1].digest)
    kinds = ("gauge event", "event notice", "disposition", "event closure", "cross check")
    own = {what: d for what, d in kept.items() if what[0] in kinds}
    assert len(own) == len(doubts_entered)
    assert all(noted[what] == digest for what, digest in own.items())


def test_the_decision_that_stands_on_a_day_recalls(filled: Engine) -> None:
    """Decision 1 of the 17th says assess, decision 2 of the 18th recall."""
    with filled.connect() as reader:
        assert doubts.recalled(reader, date(2026, 1, 17)) == []
        (one,) = doubts.recalled(reader, date(2026, 1, 18))
    assert one == doubts.Recalled(
        "PDS-1", "E2026-001", date(2026, 1, 15), "C2", date(2025, 3, 10), date(2026, 1, 18)
    )


def test_a_later_decision_lifts_a_recall(filled: Engine) -> None:
    made = rec.Disposition("E2026-001", "C2", 3, rec.Action.NONE, "x", "P2", date(2026, 1, 19))
    with work(filled) as unit:
        doubt_facts.add_disposition(unit, made)
        unit.session.flush()
        assert len(doubts.recalled(unit.session, date(2026, 1, 18))) == 1
        assert doubts.recalled(unit.session, date(2026, 1, 19)) == []


def test_gauges_that_are_unfit(filled: Engine) -> None:
    with filled.connect() as reader:
        found = doubts.unfit_gauges(reader)
    assert [(u.gauge, u.event, u.kind) for u in found] == [
        ("G-1", "E2026-001", rec.FoundBadKind.AS_FOUND),
        ("G-2", "E2026-002", rec.FoundBadKind.LOST),
    ]


def work(engine: Engine) -> Work:
    """A unit of work that is never committed: the database is shared by all tests."""
    return Work(engine, actor="clerk", at=AT, action="test", subject="x")


def test_a_withdrawal_that_comes_later_is_a_fact(filled: Engine) -> None:
    gone = rec.CertificateWithdrawal(date(2026, 1, 20), "wrong load")
    with work(filled) as unit:
        doubt_facts.add_withdrawal(unit, "OUT-1", gone)
        unit.session.flush()
        records = [r for k, key, r in audit.all_records(unit.session)
                   if (k, key) == ("certificate withdrawal", "OUT-1")]  # fmt: skip
    assert records == [gone]


def test_what_is_not_there_cannot_be_named(filled: Engine, doubts_entered: Any) -> None:
    event = entered(doubts_entered, "add_event")[0]
    notice = entered(doubts_entered, "add_notice")[0]
    for add, record in (
        (doubt_facts.add_event, replace(event, number="N", gauge="G-9")),
        (doubt_facts.add_event, replace(event, number="N", certificate="K-9")),
        (doubt_facts.add_notice, replace(notice, event="E-9")),
    ):
        with pytest.raises(UnknownName), work(filled) as unit:
            add(unit, record)  # type: ignore[operator]
    with pytest.raises(RecordRefused), work(filled) as unit:
        doubt_facts.add_event(unit, replace(event, number="N", certificate="OUT-1"))  # of G-2


def test_calibrations_read_quickly_are_as_they_are_elsewhere(filled: Engine) -> None:
    """The quick way of reading against the whole records: all but words and findings."""
    with Session(filled) as session:
        whole = {c.number: c for c in calibration_queries.all_calibrations(session)}
        quick = calibrations_of(session, whole.keys() | {"C9"})
        assert calibrations_of(session, ()) == {}
    assert quick.keys() == whole.keys()
    for number, one in quick.items():
        full = whole[number]
        bench = replace(
            one.bench,
            **{
                name: getattr(full.bench, name)
                for name in (
                    "adjustment_note", "exercised_before_as_found", "exercise_cycles",
                    "contact_check", "seal", "permit", "bypass", "returned_by", "verified_by",
                    "work_order", "remarks", "replacement_reason",
                )
            },
        )  # fmt: skip
        results = tuple(
            replace(r, reason=f.reason, rule_statement=f.rule_statement)
            for r, f in zip(one.results, full.results, strict=True)
        )
        made = replace(one, bench=bench, results=results, findings=full.findings)
        assert made == full
        assert [r.budget for r in one.results] == [r.budget for r in full.results]


def by_names(columns: rec.CalibrationColumns) -> dict[str, object]:
    """What the columns say, with names in place of keys; text of times left out."""
    number = dict(zip(columns.keys, columns.numbers, strict=True))
    return {
        "calibrations": [
            (n, columns.sheets[s], columns.procedures[p], day, replaced)
            for n, s, p, day, replaced in zip(
                columns.numbers, columns.sheet, columns.procedure, columns.performed_on,
                columns.replaced, strict=True,
            )
        ],
        "uses": sorted(
            (number[c], str(role), columns.gauges[g], columns.certificates[k])
            for c, role, g, k in columns.uses
        ),
        "cycles": sorted(
            ((number[c], columns.points[p], str(phase), run, *(str(v) for v in rest))
             for c, p, phase, run, *rest in columns.cycles),
        ),
        "results": sorted(
            ((number[c], columns.points[p], str(phase), *(str(v) for v in rest))
             for c, p, phase, *rest in columns.results),
        ),
    }  # fmt: skip


def test_what_rests_on_a_gauge_is_read_as_columns(filled: Engine) -> None:
    """The columns of the database against those made of the records themselves."""
    with Session(filled) as session:
        whole = [
            c for c in calibration_queries.all_calibrations(session) if c.number in ("H1", "C2")
        ]
        quick = resting_on(session, gauges={"G-1"}, certificates=set())
        again = resting_on(session, gauges=(), certificates={"IN-1", "OUT-1"})
        nothing = resting_on(session, gauges={"G-9"}, certificates={"K-9"})
        light = resting_on(session, gauges={"G-2"}, certificates=(), with_readings=False)
        assert not resting_on(session, gauges=(), certificates=()).numbers
    assert by_names(quick) == by_names(columns_of(whole))
    assert quick == again
    assert not nothing.numbers
    order = sorted(range(len(whole)), key=lambda n: quick.recorded_at[n])
    assert [quick.numbers[n] for n in order] == [
        c.number for c in sorted(whole, key=lambda c: c.recorded_at)
    ]
    # H1 used G-1 only: it is there as another calibration of the switch of C2
    assert list(light.numbers) == ["H1", "C2"]
    number = dict(zip(light.keys, light.numbers, strict=True))
    assert [(number[u[0]], light.gauges[u[2]]) for u in light.uses] == [
        ("C2", "G-1"),
        ("C2", "G-2"),
    ]
    assert not light.results
    assert not light.cycles
