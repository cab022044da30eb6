"""Drafts: put down incomplete, replaced, refused while incomplete, signed by the performer."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from datetime import date
from decimal import Decimal
from typing import Any

import pytest
from sqlalchemy import Engine
from sqlalchemy.orm import Session

from calfleet import records as rec
from calfleet.errors import PersonRefused, ReadingRefused, RecordRefused, UnknownName
from calfleet.services import drafts
from calfleet.services.calibration_state import State, course
from calfleet.services.find_calibration import find_calibration
from calfleet.store.engine import open_engine
from calfleet.store.queries import due as due_queries
from calfleet.store.work import Work

SINCE = date(2024, 1, 2)


@pytest.fixture
def engine(database_url: str, little: Any) -> Iterator[Engine]:
    made = open_engine(database_url)
    little.build(made)
    yield made
    made.dispose()


def work(engine: Engine, little: Any, by: str = "T1") -> Work:
    return Work(engine, actor=by, at=little.now, action="draft", subject="x")


def put(engine: Engine, little: Any, content: dict[str, object], note: str = "") -> rec.Draft:
    with work(engine, little) as unit:
        made = drafts.put_down(unit, content, note=note)
        unit.commit()
    return made


def test_a_draft_is_kept_as_it_is_and_counts_for_nothing(engine: Engine, little: Any) -> None:
    content = drafts.content_of(little.bench(), without=("humidity", "adjusted"))
    with Session(engine) as session:
        before = due_queries.performed_days(session)
    made = put(engine, little, {**content, "tag": "ps-1"}, note=" called away ")
    assert (made.number, made.tag, made.replaces, made.note) == (
        "D2026-0001", "PS-1", None, "called away",
    )  # fmt: skip
    with Session(engine) as session:
        (line,) = drafts.list_drafts(session)
        assert due_queries.performed_days(session) == before
    assert line.held.draft == made
    assert line.missing == ("the humidity", "whether it was adjusted")
    assert line.runs == 3
    assert line.state == "open"
    assert (line.held.recorded_by, line.held.recorded_at) == ("T1", little.now)


def test_a_later_draft_of_the_switch_takes_the_place_of_the_open_one(
    engine: Engine, little: Any
) -> None:
    first = put(engine, little, drafts.content_of(little.bench(), without=("cycles",)))
    other = put(engine, little, drafts.content_of(little.difference()))
    second = put(engine, little, drafts.content_of(little.bench()))
    assert (other.replaces, second.replaces) == (None, first.number)
    with Session(engine) as session:
        assert [x.held.draft.number for x in drafts.list_drafts(session)] == [
            other.number, second.number,
        ]  # fmt: skip
        every = drafts.list_drafts(session, every=True)
        assert [x.state for x in every] == ["replaced", "open", "open"]
        assert drafts.find_draft(session, "ps-1").held.draft == second
        assert drafts.find_draft(session, "d2026-0001").held.draft == first
        with pytest.raises(RecordRefused, match="replaced by D2026-0003"):
            drafts.judge_draft(session, every[0], today=little.today, at=little.now, signer="T1")


def test_signing_records_what_recording_it_would_have(engine: Engine, little: Any) -> None:
    bench = little.bench(
        barometric=Decimal("101.30"), barometric_unit="kPa", remarks="cleaned\n\"dry\" ü",
        replaces=None,
    )  # fmt: skip
    put(engine, little, drafts.content_of(bench, without=("cycles",)), note="first")
    draft = put(engine, little, drafts.content_of(bench))
    with work(engine, little) as unit:
        made = drafts.sign(unit, drafts.find_draft(unit.session, "PS-1"), today=little.today)
        unit.commit()
    with Session(engine) as session:
        held = find_calibration(session, made.number)
        line = drafts.find_draft(session, draft.number)
        through = course(session, held)
        assert drafts.list_drafts(session) == []
    assert held == made
    assert held.bench == replace(
        bench, gauges=(rec.GaugeUsed(rec.GaugeRole.OPERATING, "G-BENCH",
                                     held.bench.gauges[0].certificate),)
    )  # fmt: skip
    assert [str(c.trip) for c in held.bench.cycles] == ["401.9", "402.0", "402.1"]
    assert (held.recorded_by, line.held.calibration, line.state) == ("T1", made.number, "signed")
    assert [(m.state, m.record) for m in through.marks] == [
        (State.DRAFT, "D2026-0001"), (State.DRAFT, "D2026-0002"), (State.SIGNED, ""),
    ]  # fmt: skip
    assert through.state is State.SIGNED
    with (
        pytest.raises(RecordRefused, match=f"signed already: it became {made.number}"),
        work(engine, little) as unit,
    ):
        drafts.sign(unit, drafts.find_draft(unit.session, draft.number), today=little.today)


def test_only_the_performer_signs(engine: Engine, little: Any) -> None:
    put(engine, little, drafts.content_of(little.bench()))
    with pytest.raises(PersonRefused) as refusal, work(engine, little, by="A1") as unit:
        drafts.sign(unit, drafts.find_draft(unit.session, "PS-1"), today=little.today)
    assert "T1 performed it" in refusal.value.message
    assert refusal.value.next_step == "Have T1 sign it."


@pytest.mark.parametrize("field", drafts.NEEDED)
def test_what_is_missing_is_named(own_works: Engine, little: Any, field: str) -> None:
    content = drafts.content_of(little.bench(), without=(field,))
    assert drafts.missing(content) == (drafts.NEEDED[field],)
    if field == "tag":
        with pytest.raises(RecordRefused, match="names no switch"), work(own_works, little) as unit:
            drafts.put_down(unit, content)
        return
    put(own_works, little, content)
    with Session(own_works) as session, pytest.raises(RecordRefused) as refusal:
        drafts.judge_draft(
            session, drafts.find_draft(session, "PS-1"), today=little.today, at=little.now,
            signer="T1",
        )  # fmt: skip
    assert drafts.NEEDED[field] in refusal.value.message
    assert "--out FILE" in refusal.value.next_step


def test_a_draft_is_judged_when_it_is_signed(engine: Engine, little: Any) -> None:
    swapped = little.cycles("H", rec.Phase.AS_FOUND, ("380.9", "401.9"))
    put(engine, little, drafts.content_of(little.bench(cycles=swapped)))
    with Session(engine) as session, pytest.raises(ReadingRefused):
        drafts.judge_draft(
            session, drafts.find_draft(session, "PS-1"), today=little.today, at=little.now,
            signer="T1",
        )  # fmt: skip


@pytest.mark.parametrize(
    "spoiled",
    [
        {"humidity": "wet"},
        {"performed_on": "yesterday"},
        {"cycles": ["x"]},
        {"gauges": [{"role": "third", "gauge": "G-BENCH"}]},
        {"cycles": [{"set_point": "H", "phase": "as-found", "run": 1, "trip": "x", "reset": "1"}]},
    ],
)
def test_a_draft_that_cannot_be_read_is_refused(little: Any, spoiled: dict[str, object]) -> None:
    draft = rec.Draft("D1", "PS-1", {**drafts.content_of(little.bench()), **spoiled})
    with pytest.raises(RecordRefused, match=r"D1 of PS-1 cannot be read"):
        drafts.bench_of(draft)


def test_names_that_are_not_there(engine: Engine, little: Any) -> None:
    with pytest.raises(UnknownName), work(engine, little) as unit:
        drafts.put_down(unit, {"tag": "PS-999"})
    with pytest.raises(UnknownName), work(engine, little) as unit:
        drafts.put_down(unit, {"tag": "PS-1", "performed_by": "T99"})
    with Session(engine) as session, pytest.raises(UnknownName, match="D2026-0001"):
        drafts.find_draft(session, "D2026-0001")
