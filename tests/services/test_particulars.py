"""Particulars in dated versions, upkeep of gauges and receipts of switches, on both databases."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import replace
from datetime import date, timedelta
from typing import Any

import pytest
from sqlalchemy import Engine
from sqlalchemy.orm import Session

from calfleet.errors import (
    CalfleetError,
    DateRefused,
    PersonRefused,
    RecordRefused,
    UnknownName,
    UsageError,
)
from calfleet.records import (
    GaugeParticulars,
    GaugeUpkeep,
    ParticularsInput,
    SiteParticulars,
    SwitchParticulars,
    SwitchReceipt,
    UpkeepKind,
)
from calfleet.services.list_particulars import (
    gauges_on,
    list_particulars,
    receipt_before,
    shop_on,
    switch_on,
)
from calfleet.services.note_upkeep import Noted, list_upkeep, note_upkeep
from calfleet.services.receive_switch import list_receipts, receive
from calfleet.services.tell_particulars import tell_gauge, tell_shop, tell_switch
from calfleet.services.verify import verify
from calfleet.store.engine import open_engine
from calfleet.store.work import Work

FIRST, THEN = date(2025, 1, 1), date(2026, 2, 1)


@pytest.fixture
def engine(database_url: str, little: Any) -> Iterator[Engine]:
    made = open_engine(database_url)
    little.build(made)
    yield made
    made.dispose()


@pytest.fixture
def do(engine: Engine, little: Any) -> Callable[[Callable[[Work], Any]], Any]:
    def run(verb: Callable[[Work], Any]) -> Any:
        with Work(engine, actor="T1", at=little.now, action="test", subject="x") as work:
            made = verb(work)
            work.commit()
        return made

    return run


def test_a_later_version_keeps_what_is_not_told(engine: Engine, do: Any) -> None:
    told = {"maker": " Orrin  Works ", "software_version": "1.2", "kept_at": "cabinet 3"}
    do(lambda w: tell_gauge(w, "g-bench", told, effective_on=FIRST))
    second = do(
        lambda w: tell_gauge(
            w, "G-BENCH", {"software_version": "2.0", "kept_at": "", "maker": None},
            effective_on=THEN, reason=" new firmware ",
        )
    )  # fmt: skip
    assert second == GaugeParticulars(
        "G-BENCH", THEN, maker="Orrin Works", software_version="2.0", reason="new firmware"
    )
    with Session(engine) as session:
        assert gauges_on(session, FIRST - timedelta(1)) == {}
        assert gauges_on(session, THEN - timedelta(1))["G-BENCH"].software_version == "1.2"
        assert gauges_on(session, THEN) == {"G-BENCH": second}
        standing = list_particulars(session, THEN)
        every = list_particulars(session, THEN, name="g-bench", every=True)
        assert list_particulars(session, THEN, name="PS-1") == []
        assert verify(session).differences == ()
    assert [(x.field, x.value) for x in standing] == [
        ("maker", "Orrin Works"), ("software version", "2.0"),
    ]  # fmt: skip
    assert [x.in_force for x in every] == [False, False, False, True, True]


def test_the_shop_and_a_switch(engine: Engine, do: Any) -> None:
    shop = do(
        lambda w: tell_shop(
            w, {"shop_name": "Shop", "shop_address": "1 Works Road \n\n  Town "},
            effective_on=FIRST,
        )
    )  # fmt: skip
    assert shop.shop_address == "1 Works Road\nTown"
    do(lambda w: tell_switch(w, "ps-1", {"stands_at": "platform 2"}, effective_on=FIRST))
    with Session(engine) as session:
        assert shop_on(session, FIRST) == shop
        assert shop_on(session, FIRST - timedelta(1)) is None
        found = switch_on(session, "PS-1", THEN)
        assert found is not None
        assert (found.stands_at, found.maker) == ("platform 2", "")
        assert switch_on(session, "PDS-2", THEN) is None
        lines = list_particulars(session, THEN)
    assert [(str(x.of), x.name) for x in lines] == [("shop", ""), ("shop", ""), ("switch", "PS-1")]


@pytest.mark.parametrize(
    ("verb", "kind", "says"),
    [
        (lambda w: tell_gauge(w, "G-NONE", {"maker": "x"}, effective_on=THEN), UnknownName,
         "G-NONE"),
        (lambda w: tell_switch(w, "PS-99", {"maker": "x"}, effective_on=THEN), UnknownName,
         "PS-99"),
        (lambda w: tell_gauge(w, "G-BENCH", {"maker": None}, effective_on=THEN), UsageError,
         "Nothing is told of G-BENCH"),
        (lambda w: tell_gauge(w, "G-BENCH", {"maker": "x"}, effective_on=FIRST), RecordRefused,
         "change on 2025-01-01 already"),
        (lambda w: tell_gauge(w, "G-BENCH", {"maker": "Orrin"}, effective_on=THEN), RecordRefused,
         "Nothing changes"),
        (lambda w: tell_shop(w, {"shop_name": " "}, effective_on=THEN), RecordRefused,
         "Nothing changes in the particulars of the shop"),
    ],
)  # fmt: skip
def test_what_is_no_version(
    engine: Engine, do: Any, verb: Any, kind: type[CalfleetError], says: str
) -> None:
    do(lambda w: tell_gauge(w, "G-BENCH", {"maker": "Orrin"}, effective_on=FIRST))
    with pytest.raises(kind, match=says) as refusal:
        do(verb)
    if kind is not UnknownName:
        assert refusal.value.next_step
    with Session(engine) as session:
        assert len(list_particulars(session, THEN, every=True)) == 1


def test_a_site_is_built_with_what_its_file_tells(little: Any, sqlite_url: str) -> None:
    told = ParticularsInput(
        (SiteParticulars(FIRST, shop_name="Shop"),),
        (GaugeParticulars("G-BENCH", FIRST, maker="Orrin Works"),),
        (SwitchParticulars("PS-1", FIRST, stands_at="platform 2"),),
    )
    made = open_engine(sqlite_url)
    little.build(made, particulars=told)
    with Session(made) as session:
        lines = list_particulars(session, THEN)
        assert verify(session).differences == ()
    made.dispose()
    assert [(x.name, x.value) for x in lines] == [
        ("", "Shop"), ("G-BENCH", "Orrin Works"), ("PS-1", "platform 2"),
    ]  # fmt: skip


# --- upkeep and receipts --------------------------------------------------------------------------


def upkeep(little: Any, kind: UpkeepKind, **changes: Any) -> GaugeUpkeep:
    return replace(GaugeUpkeep("g-bench", kind, little.today, "t1", " seen to "), **changes)


@pytest.mark.parametrize(
    ("kind", "says"),
    [
        (UpkeepKind.MAINTENANCE, ""),
        (UpkeepKind.REPAIR, "have it calibrated before it is used again"),
        (UpkeepKind.MODIFICATION, "from before this modification"),
        (UpkeepKind.DAMAGE, "calfleet doubt report G-BENCH --damaged"),
    ],
)
def test_upkeep_says_what_has_to_follow(
    engine: Engine, do: Any, little: Any, kind: UpkeepKind, says: str
) -> None:
    noted: Noted = do(lambda w: note_upkeep(w, upkeep(little, kind), today=little.today))
    assert noted.upkeep == GaugeUpkeep("G-BENCH", kind, little.today, "T1", "seen to")
    assert says in noted.after
    assert bool(noted.after) is bool(says)
    with Session(engine) as session:
        assert list_upkeep(session) == list_upkeep(session, "g-bench") == [noted.upkeep]
        assert list_upkeep(session, "G-POOR") == []
        assert verify(session).differences == ()


def test_a_repair_before_the_certificate_needs_nothing_more(do: Any, little: Any) -> None:
    made_on = little.certificate("BENCH-25").calibrated_on
    for day, empty in ((made_on, True), (made_on - timedelta(1), True), (little.today, False)):
        given = upkeep(little, UpkeepKind.REPAIR, done_on=day)
        noted = do(lambda w, g=given: note_upkeep(w, g, today=little.today))
        assert (noted.after == "") is empty, day


def test_upkeep_that_is_refused(do: Any, little: Any) -> None:
    damage = upkeep(little, UpkeepKind.DAMAGE)
    do(lambda w: note_upkeep(w, damage, today=little.today))
    for given, kind, says in (
        (damage, RecordRefused, "already"),
        (replace(damage, gauge="G-NONE"), UnknownName, "G-NONE"),
        (replace(damage, done_by="A1"), PersonRefused, "A1"),
        (replace(damage, done_on=little.today + timedelta(1)), DateRefused, "to come"),
        (replace(damage, kind=UpkeepKind.REPAIR, note=" \n"), UsageError, "without a word"),
    ):
        with pytest.raises(kind, match=says):
            do(lambda w, g=given: note_upkeep(w, g, today=little.today))


def test_a_switch_is_received(engine: Engine, do: Any, little: Any) -> None:
    given = SwitchReceipt("ps-1", little.today, "t1", " dusty ")
    made = do(lambda w: receive(w, given, today=little.today))
    assert made == SwitchReceipt("PS-1", little.today, "T1", "dusty")
    earlier = do(
        lambda w: receive(w, replace(given, received_on=FIRST + timedelta(200)), today=little.today)
    )
    with Session(engine) as session:
        assert list_receipts(session) == list_receipts(session, "PS-1") == [made, earlier]
        assert receipt_before(session, "PS-1", little.today - timedelta(1)) == earlier
        assert receipt_before(session, "PS-1", FIRST) is None
        assert list_receipts(session, "PDS-2") == []
    for wrong, kind, says in (
        (given, RecordRefused, "already"),
        (replace(given, tag="PS-99"), UnknownName, "PS-99"),
        (replace(given, tag="PDS-2", received_by="A1"), PersonRefused, "A1"),
        (replace(given, received_on=little.today + timedelta(1)), DateRefused, "to come"),
    ):
        with pytest.raises(kind, match=says):
            do(lambda w, g=wrong: receive(w, g, today=little.today))
