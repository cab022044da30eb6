"""Reviews: who may, what waits, a return until its correction, a second reading."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from datetime import date
from typing import Any

import pytest
from sqlalchemy import Engine
from sqlalchemy.orm import Session

from calfleet import records as rec
from calfleet.errors import PersonRefused, RecordRefused, UnknownName
from calfleet.records import ReviewOutcome, Role
from calfleet.services.calibration_state import State, course, courses, states_in
from calfleet.services.find_calibration import find_calibration
from calfleet.services.review import awaited, moved_in, review
from calfleet.services.trace import trace
from calfleet.store.engine import open_engine
from calfleet.store.queries import calibrations as queries
from calfleet.store.work import Work

SINCE = date(2024, 1, 2)
ACCEPTED, RETURNED = ReviewOutcome.ACCEPTED, ReviewOutcome.RETURNED


@pytest.fixture
def engine(database_url: str, little: Any) -> Iterator[Engine]:
    """The small works with two reviewers more; its technician is one too."""
    reviewer = rec.RoleGrant(Role.REVIEWER, SINCE)
    people = tuple(
        replace(p, roles=(*p.roles, reviewer)) if p.code == "T1" else p for p in little.given.people
    )
    late = rec.RoleGrant(Role.REVIEWER, date(2026, 3, 3))
    given_up = rec.RoleGrant(Role.REVIEWER, little.today, held=False)
    people += (
        rec.Person("R1", "Alder Quince", (reviewer,)),
        rec.Person("R2", "Teasel Brook", (reviewer,)),
        rec.Person("R3", "Vetch Larkin", (late,)),
        rec.Person("R4", "Sedge Harrow", (reviewer, given_up)),
    )
    made = open_engine(database_url)
    little.build(made, people=people)
    yield made
    made.dispose()


def read(engine: Engine, little: Any, name: str, outcome: ReviewOutcome, by: str,
         reason: str = "", *, uncorrected: bool = False) -> rec.Review:  # fmt: skip
    with Work(engine, actor=by, at=little.now, action="review", subject=name) as unit:
        made = review(
            unit, name, outcome, reviewer=by, on=little.today, reason=reason,
            uncorrected=uncorrected,
        )  # fmt: skip
        unit.commit()
    return made


def state(engine: Engine, number: str) -> State:
    with Session(engine) as session:
        return course(session, find_calibration(session, number)).state


def test_what_is_signed_waits_until_another_person_accepts_it(engine: Engine, little: Any) -> None:
    with Session(engine) as session:
        assert awaited(session) == []
        history = moved_in(session)
        assert history == len(queries.all_calibrations(session)) > 3
    made = little.record(engine, little.bench(), recorded_by="T1")
    with Session(engine) as session:
        (waits,) = awaited(session)
        assert moved_in(session) == history
    assert (waits.calibration.number, waits.state, waits.reason) == (made.number, "to review", "")
    done = read(engine, little, "ps-1", ACCEPTED, "R1")
    assert done == rec.Review(made.number, 1, ACCEPTED, "R1", little.today, "")
    with Session(engine) as session:
        assert awaited(session) == []
        through = course(session, find_calibration(session, made.number))
    assert [m.state for m in through.marks] == [State.SIGNED, State.REVIEWED]
    assert (through.signed.by, through.signed.at) == ("T1", little.now)
    assert through.review is not None
    assert (through.review.by, through.review.at) == ("R1", little.now)


def test_a_returned_one_waits_with_its_reason_until_a_new_record_corrects_it(
    engine: Engine, little: Any
) -> None:
    first = little.record(engine, little.bench(), recorded_by="T1")
    other = little.record(engine, little.difference(), recorded_by="T1")
    read(engine, little, first.number, RETURNED, "R1", " seal number missing ")
    with Session(engine) as session:
        waits = awaited(session)
    assert [(w.calibration.number, w.state, w.reason) for w in waits] == [
        (first.number, "returned", "seal number missing"),
        (other.number, "to review", ""),
    ]
    second = little.record(
        engine,
        little.bench(seal="S7", replaces=first.number, replacement_reason="Seal number entered"),
        recorded_by="T1",
    )
    with Session(engine) as session:
        assert [w.calibration.number for w in awaited(session)] == [other.number, second.number]
        held = {c.number: c for c in queries.all_calibrations(session)}
        found = courses(session, held.values())
        assert set(found) == set(held)
        shown = states_in(session, trace(session, second.number))
    assert [m.state for m in found[first.number].marks] == [
        State.SIGNED, State.RETURNED, State.REPLACED,
    ]  # fmt: skip
    assert found[first.number].marks[-1].record == second.number
    assert found[first.number].marks[-1].reason == "Seal number entered"
    assert found[second.number].state is State.SIGNED
    assert set(shown) == {first.number, second.number}, "the trace shows both records"
    with pytest.raises(RecordRefused, match=f"corrected by {second.number}"):
        read(engine, little, first.number, ACCEPTED, "R1")


def test_a_second_review_is_a_further_reading_and_the_last_one_counts(
    engine: Engine, little: Any
) -> None:
    made = little.record(engine, little.bench(), recorded_by="T1")
    read(engine, little, made.number, RETURNED, "R1", "why so late?")
    assert state(engine, made.number) is State.RETURNED
    told = read(engine, little, made.number, ACCEPTED, "R2", "asked: the plant", uncorrected=True)
    assert (told.reading, told.reason) == (2, "asked: the plant")
    assert state(engine, made.number) is State.REVIEWED
    assert read(engine, little, made.number, RETURNED, "R2", "wrong gauge").reading == 3
    with Session(engine) as session:
        (waits,) = awaited(session)
    assert (waits.state, waits.reason, len(waits.readings)) == ("returned", "wrong gauge", 3)


def test_what_was_returned_is_not_accepted_as_it_is(engine: Engine, little: Any) -> None:
    """Neither by who returned it nor by another reviewer, with a note or without one."""
    made = little.record(engine, little.bench(), recorded_by="T1")
    with pytest.raises(RecordRefused, match="was not returned"):
        read(engine, little, made.number, ACCEPTED, "R1", "why", uncorrected=True)
    read(engine, little, made.number, RETURNED, "R1", "Seal number missing")
    for by in ("R1", "R2"):
        for reason, uncorrected in (("", False), ("seen", False), ("", True), (" \n", True)):
            with pytest.raises(RecordRefused, match="Seal number missing") as refusal:
                read(engine, little, made.number, ACCEPTED, by, reason, uncorrected=uncorrected)
            assert "'replacement_reason'" in refusal.value.next_step
    assert state(engine, made.number) is State.RETURNED
    corrected = little.record(
        engine,
        little.bench(seal="S7", replaces=made.number, replacement_reason="Seal number entered"),
        recorded_by="T1",
    )
    assert read(engine, little, corrected.number, ACCEPTED, "R2").reading == 1
    assert state(engine, corrected.number) is State.REVIEWED


@pytest.mark.parametrize(
    ("by", "says"),
    [
        ("T1", "performed"),
        ("A1", "is not a reviewer"),
        ("R3", "is not a reviewer"),
        ("R4", "is not a reviewer"),
    ],
)
def test_who_may_not_review(engine: Engine, little: Any, by: str, says: str) -> None:
    made = little.record(engine, little.bench(), recorded_by="T1")
    with pytest.raises(PersonRefused, match=says) as refusal:
        read(engine, little, made.number, ACCEPTED, by)
    assert "R1, R2" in refusal.value.next_step


def test_who_entered_it_does_not_review_it(engine: Engine, little: Any) -> None:
    from calfleet.services.record import judge, record

    with Work(engine, actor="R1", at=little.now, action="record", subject="PS-1") as unit:
        made = judge(unit.session, little.bench(), today=little.today, at=little.now)
        made = record(unit, made)
        unit.commit()
    with pytest.raises(PersonRefused, match=r"R1 .* entered") as refusal:
        read(engine, little, made.number, ACCEPTED, "R1")
    assert refusal.value.next_step == "May review it: R2."
    read(engine, little, made.number, ACCEPTED, "R2")


def test_history_is_not_reviewed(engine: Engine, little: Any) -> None:
    with Session(engine) as session:
        history = queries.of_origin(session, rec.Origin.HISTORY, standing=True)
    assert state(engine, history[0].number) is State.MOVED_IN
    with pytest.raises(RecordRefused, match="moved in as history"):
        read(engine, little, history[0].number, ACCEPTED, "R1")


@pytest.mark.parametrize("reason", ["", "  \n"])
def test_a_return_has_a_reason(engine: Engine, little: Any, reason: str) -> None:
    made = little.record(engine, little.bench(), recorded_by="T1")
    with pytest.raises(RecordRefused, match="gives no reason"):
        read(engine, little, made.number, RETURNED, "R1", reason)


def test_names_that_are_not_there(engine: Engine, little: Any) -> None:
    with pytest.raises(UnknownName):
        read(engine, little, "C1999-0001", ACCEPTED, "R1")
    made = little.record(engine, little.bench(), recorded_by="T1")
    with pytest.raises(UnknownName):
        read(engine, little, made.number, ACCEPTED, "R99")
