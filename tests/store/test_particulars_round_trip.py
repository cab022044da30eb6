"""Particulars, upkeep, receipts, reports issued, leave and what was moved in come back whole."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from datetime import UTC, date, datetime
from typing import Any

import pytest
from sqlalchemy import Engine
from sqlalchemy.orm import Session

from calfleet import records as rec
from calfleet.errors import RecordRefused, UnknownName
from calfleet.store import planning_facts
from calfleet.store.engine import open_engine
from calfleet.store.queries import audit, moving, papers, particulars, planning
from calfleet.store.work import Work

AT = datetime(2026, 11, 28, 9, 0, tzinfo=UTC)
W = rec.Withdrawable
HOLIDAY = rec.Holiday(date(2026, 12, 25), "Midwinter")
LEAVES = (
    rec.PersonLeave("P1", date(2026, 7, 1), date(2026, 7, 9), "summer"),
    rec.PersonLeave("P1", date(2026, 7, 1), date(2026, 7, 12)),
)
CLOSURE = rec.ShopClosure(date(2026, 8, 1), date(2026, 8, 9), "Stocktaking")
ABSENCE = rec.GaugeAbsence("G-1", date(2026, 9, 1), date(2026, 9, 20), "laboratory")
GROUP = rec.RedundantGroup("V1", ("PDS-1", "TS-2"), 2)
WITHDRAWN = (
    rec.PlanningWithdrawal(W.HOLIDAY, "", HOLIDAY.day, HOLIDAY.day, "worked"),
    rec.PlanningWithdrawal(W.LEAVE, "P1", LEAVES[0].first_on, LEAVES[0].last_on, "longer"),
    rec.PlanningWithdrawal(W.CLOSURE, "", CLOSURE.first_on, CLOSURE.last_on, "put off"),
    rec.PlanningWithdrawal(W.ABSENCE, "G-1", ABSENCE.first_on, ABSENCE.last_on, "not sent"),
    rec.PlanningWithdrawal(W.GROUP, "V1", None, None, "one channel is gone"),
)


@pytest.fixture
def engine(database_url: str, shop: Any) -> Iterator[Engine]:
    made = open_engine(database_url)
    with Work(made, actor="T", at=AT, action="build", subject="x") as work:
        shop.add_all(work)
        work.commit()
    yield made
    made.dispose()


def enter(engine: Engine, add: Callable[[Work], None]) -> None:
    with Work(engine, actor="P1", at=AT, action="enter", subject="x") as work:
        add(work)
        work.commit()


def add_planning(work: Work) -> None:
    planning_facts.add_planning_input(
        work,
        rec.PlanningInput(
            holidays=(HOLIDAY,),
            absences=(ABSENCE,),
            redundant_groups=(GROUP,),
            leaves=LEAVES,
            closures=(CLOSURE,),
        ),
    )


def withdraw_all(work: Work) -> None:
    for one in WITHDRAWN:
        planning_facts.withdraw(work, one)


def test_what_was_entered_comes_back_as_the_trail_noted_it(filled: Engine) -> None:
    with Session(filled) as session:
        known = set(audit.all_facts(session))
        noted = {fact for entry in audit.entries(session) for fact in entry.facts()}
    assert noted <= known
    kinds = {kind for kind, _, _ in noted}
    assert kinds >= {
        "gauge particulars", "switch particulars", "site particulars", "gauge upkeep",
        "switch receipt", "issued report", "move in",
    }  # fmt: skip


def test_each_reads_back_what_it_was(filled: Engine) -> None:
    with filled.connect() as reader:
        gauge = particulars.gauge_particulars(reader)
        assert [g.effective_on for g in gauge] == [date(2026, 1, 1), date(2026, 2, 1)]
        assert gauge[0].kept_at == "shelf 3, Ø"
        assert particulars.gauge_upkeep(reader)[0].kind is rec.UpkeepKind.REPAIR
        assert particulars.switch_receipts(reader)[0].condition == "dented cover"
        assert particulars.site_particulars(reader)[0].shop_address == "Works road\nTown"
        assert papers.issued_reports(reader)[0].report.size == 2**33
        empty, full = moving.move_ins(reader)
        assert empty.move.files == ()
        assert full.move.files[1][0] == "history ü.csv"
        assert full.move.moved == (("gauge", "G-1 rev 1", "register.xlsx, Gauges!4:4"),)
        bare = moving.move_ins(reader, with_records=False)
        assert [m.move.moved for m in bare] == [(), ()]
        (stood,) = moving.stood(reader, "gauge", "G-1 rev 1")
        assert stood == moving.Stood("M2026-002", "register.xlsx, Gauges!4:4")
        assert moving.stood(reader, "gauge", "G-1 rev 2") == []


def test_what_was_taken_back_no_longer_counts_and_is_still_there(engine: Engine) -> None:
    enter(engine, add_planning)
    with engine.connect() as reader:
        before = planning.planning_input(reader)
    assert (before.holidays, before.leaves, before.closures) == ((HOLIDAY,), LEAVES, (CLOSURE,))
    assert (before.absences, before.redundant_groups) == ((ABSENCE,), (GROUP,))

    enter(engine, withdraw_all)
    with engine.connect() as reader:
        after = planning.planning_input(reader)
        assert planning.withdrawals(reader) == WITHDRAWN
        assert planning.absences(reader) == ()
        assert planning.everything_entered(reader) == before
    assert (after.holidays, after.leaves, after.closures) == ((), LEAVES[1:], ())
    assert (after.absences, after.redundant_groups) == ((), ())
    with Session(engine) as session:
        known = set(audit.all_facts(session))
        noted = {fact for entry in audit.entries(session) for fact in entry.facts()}
    planned = {fact for fact in noted if fact[0] != "calibration"}  # entered at another time
    assert planned <= known


def test_what_is_not_there_cannot_be_taken_back_nor_twice(engine: Engine) -> None:
    enter(engine, add_planning)
    for one in WITHDRAWN:
        other = rec.PlanningWithdrawal(
            one.kind,
            "V2" if one.kind is W.GROUP else one.subject,
            None if one.first_on is None else date(2030, 1, 1),
            None if one.first_on is None else date(2030, 1, 1),
            "why",
        )
        with pytest.raises(UnknownName):
            enter(engine, lambda work, w=other: planning_facts.withdraw(work, w))
        enter(engine, lambda work, w=one: planning_facts.withdraw(work, w))
        with pytest.raises(RecordRefused):
            enter(engine, lambda work, w=one: planning_facts.withdraw(work, w))
    with engine.connect() as reader:
        assert planning.withdrawals(reader) == WITHDRAWN


def test_a_fact_needs_what_it_refers_to(engine: Engine) -> None:
    with pytest.raises(UnknownName):
        enter(
            engine,
            lambda work: planning_facts.add_leave(
                work, rec.PersonLeave("NO", date(2026, 7, 1), date(2026, 7, 2))
            ),
        )
