"""People, roles, qualifications, accreditations entered after the site was built."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import replace
from datetime import date, timedelta
from typing import Any

import pytest
from sqlalchemy import Engine
from sqlalchemy.orm import Session

from calfleet.errors import CalfleetError, PersonRefused, RecordRefused, UnknownName, UsageError
from calfleet.records import (
    LaboratoryKind,
    LaterAccreditation,
    LaterQualification,
    LaterRole,
    Person,
    Qualification,
    Quantity,
    Role,
    RoleGrant,
)
from calfleet.services import trail
from calfleet.services.accredit import accredit
from calfleet.services.change_role import change_role, who_gives
from calfleet.services.enter_person import enter_area, enter_laboratory, enter_person
from calfleet.services.look_up import ending_soon, nobody_qualified
from calfleet.services.qualify import qualify
from calfleet.services.verify import verify
from calfleet.store.engine import open_engine
from calfleet.store.queries import shop
from calfleet.store.work import Work

DAY = date(2026, 4, 1)
END = date(2028, 12, 31)
PRESSURE = LaterQualification("t2", Quantity.PRESSURE, DAY, END, "A1")
TECHNICIAN = LaterRole("T3", Role.TECHNICIAN, DAY)
RENEWED = LaterAccreditation("acc", " A-77 ", date(2030, 1, 1), date(2034, 12, 31), "pressure")


@pytest.fixture
def engine(database_url: str, little: Any) -> Iterator[Engine]:
    made = open_engine(database_url)
    little.build(made)
    yield made
    made.dispose()


@pytest.fixture
def do(engine: Engine, little: Any) -> Callable[..., Any]:
    steps = iter(range(1, 100))

    def run(verb: Callable[[Work], Any], actor: str = "A1") -> Any:
        at = little.now + timedelta(seconds=next(steps))
        with Work(engine, actor=actor, at=at, action="test", subject="x") as work:
            made = verb(work)
            work.commit()
        return made

    return run


def test_a_shop_gets_a_new_technician(engine: Engine, do: Any, little: Any) -> None:
    made = do(lambda w: enter_person(w, " T9 ", "Ivo  Reedmace"), "P1")
    assert made == Person("T9", "Ivo Reedmace")
    role = LaterRole("t9", Role.TECHNICIAN, DAY)
    given = do(lambda w: change_role(w, role, actor="A1", today=little.today))
    assert "not qualified for anything yet" in given.remark
    one = replace(PRESSURE, person="t9", granted_by="a1")
    granted = do(lambda w: qualify(w, one, actor="A1"))
    assert (granted.qualification.granted_by, granted.before, granted.remark) == ("A1", None, "")
    with Session(engine) as session:
        person = shop.people(session)["T9"]
        assert verify(session).differences == ()
        last = trail.entry(session, trail.head(session).position)
        changes = trail.changes(session, last)
    assert person == Person(
        "T9", "Ivo Reedmace", (RoleGrant(Role.TECHNICIAN, DAY),),
        (Qualification(Quantity.PRESSURE, DAY, END, "A1"),),
    )  # fmt: skip
    assert {c.key for c in changes} == {"T9 pressure from 2026-04-01"}
    assert all(c.intact and c.before_key is None for c in changes)


def test_a_renewal_names_the_one_before(engine: Engine, do: Any) -> None:
    assert do(lambda w: qualify(w, PRESSURE, actor="A1")).before == date(2025, 12, 31)
    second = replace(PRESSURE, granted_on=END, expires_on=END + timedelta(365))
    do(lambda w: qualify(w, second, actor="A1"))
    with Session(engine) as session:
        last = trail.entry(session, trail.head(session).position)
        changes = trail.changes(session, last)
        assert verify(session).differences == ()
    assert {c.before_key for c in changes} == {"T2 pressure from 2026-04-01"}
    assert "expires_on" in {c.field for c in changes}


def test_an_accreditation_is_renewed_and_places_are_entered(engine: Engine, do: Any) -> None:
    made = do(lambda w: accredit(w, RENEWED), "P1")
    assert (made.accreditation.laboratory, made.accreditation.number) == ("ACC", "A-77")
    do(lambda w: enter_laboratory(w, "NEW", "New House", LaboratoryKind.ACCREDITED), "P1")
    do(lambda w: enter_area(w, "W", "West"), "P1")
    with Session(engine) as session:
        held = shop.laboratories(session)
        assert held["ACC"].accreditation(date(2032, 1, 1)) == made.accreditation.grant
        assert held["NEW"].accreditations == ()
        assert "W" in {a.code for a in shop.areas(session)}
        assert verify(session).differences == ()


REFUSED: list[tuple[Callable[[Work], Any], type[CalfleetError], str]] = [
        (lambda w: enter_person(w, "t1", "Other"), RecordRefused, "T1 is taken: Corwin Peat"),
        (lambda w: enter_person(w, " ", "Other"), UsageError, "no code"),
        (lambda w: enter_person(w, "T8", " "), UsageError, "no name"),
        (lambda w: enter_area(w, "n", "x"), RecordRefused, "taken"),
        (lambda w: enter_laboratory(w, "acc", "x", LaboratoryKind.NATIONAL), RecordRefused,
         "taken"),
        (lambda w: qualify(w, replace(PRESSURE, person="T99"), actor="A1"), UnknownName, "T99"),
        (lambda w: qualify(w, replace(PRESSURE, granted_by="T99"), actor="A1"), UnknownName,
         "T99"),
        (lambda w: qualify(w, replace(PRESSURE, granted_by="T1"), actor="A1"), PersonRefused,
         "may not grant qualifications"),
        (lambda w: qualify(w, replace(PRESSURE, person="A1"), actor="A1"), PersonRefused,
         "A1's own qualification"),
        (lambda w: qualify(w, replace(PRESSURE, person="A1"), actor="P1"), PersonRefused,
         "A1's own qualification"),
        (lambda w: qualify(w, replace(PRESSURE, expires_on=date(2026, 3, 31)), actor="A1"),
         RecordRefused, "before it begins"),
        (lambda w: qualify(w, replace(PRESSURE, person="T1", expires_on=date(2027, 12, 31)),
                           actor="A1"), RecordRefused, "already"),
        (lambda w: accredit(w, replace(RENEWED, laboratory="NONE")), UnknownName, "NONE"),
        (lambda w: accredit(w, replace(RENEWED, number=" ")), UsageError, "no number"),
        (lambda w: accredit(w, replace(RENEWED, valid_until=DAY)), RecordRefused,
         "before it begins"),
    ]  # fmt: skip


def test_what_is_refused(engine: Engine, do: Any) -> None:
    with Session(engine) as session:
        before = trail.head(session)
    for verb, kind, says in REFUSED:
        with pytest.raises(kind, match=says) as refusal:
            do(verb)
        assert refusal.value.rule
        assert refusal.value.next_step or kind is UnknownName
    with Session(engine) as session:
        assert trail.head(session) == before


def test_the_same_twice_is_refused(do: Any, little: Any) -> None:
    for verb in (
        lambda w: change_role(w, TECHNICIAN, actor="A1", today=little.today),
        lambda w: qualify(w, PRESSURE, actor="A1"),
        lambda w: accredit(w, RENEWED),
    ):
        do(verb)
        with pytest.raises(RecordRefused, match="already"):
            do(verb)


UNCHANGED: list[tuple[LaterRole, str, type[CalfleetError], str]] = [
    (LaterRole("A1", Role.TECHNICIAN, DAY), "A1", PersonRefused, "own roles"),
    (LaterRole("T1", Role.TECHNICIAN, DAY), "A1", RecordRefused, "holds the role"),
    (LaterRole("T1", Role.REVIEWER, DAY, False), "A1", RecordRefused, "does not hold"),
    (LaterRole("A1", Role.APPROVER, DAY, False), "P1", RecordRefused, "nobody would be appr"),
    (LaterRole("P1", Role.PLANNER, DAY, False), "A1", RecordRefused, "nobody would be plan"),
    (LaterRole("X", Role.PLANNER, DAY), "A1", UnknownName, "X"),
]


def test_roles_that_are_not_changed(do: Any, little: Any) -> None:
    for role, actor, kind, says in UNCHANGED:
        with pytest.raises(kind, match=says):
            do(lambda w, r=role, a=actor: change_role(w, r, actor=a, today=little.today))


def test_the_last_one_goes_when_another_is_there_for_good(do: Any, little: Any) -> None:
    def change(role: LaterRole) -> None:
        do(lambda w: change_role(w, role, actor="A1", today=little.today))

    change(LaterRole("T1", Role.PLANNER, DAY))
    later = DAY + timedelta(30)
    change(LaterRole("T1", Role.PLANNER, later, False))
    with pytest.raises(RecordRefused, match=f"planner on {later}"):
        change(LaterRole("P1", Role.PLANNER, DAY + timedelta(1), False))
    change(LaterRole("T2", Role.PLANNER, later))
    change(LaterRole("P1", Role.PLANNER, DAY + timedelta(1), False))


def test_without_an_approver_a_planner_makes_one(little: Any, sqlite_url: str) -> None:
    made = open_engine(sqlite_url)
    people = tuple(replace(p, roles=()) if p.code == "A1" else p for p in little.given.people)
    little.build(made, people=people)
    with Session(made) as session:
        assert who_gives(session, "P1", Role.APPROVER, little.today) == "P1"
        with pytest.raises(PersonRefused) as refusal:
            who_gives(session, "P1", Role.TECHNICIAN, little.today)
    assert "A planner makes somebody else one first" in refusal.value.next_step
    made.dispose()


def test_qualifications_that_end_soon() -> None:
    ends = date(2026, 5, 31)
    held = (Qualification(Quantity.PRESSURE, date(2024, 1, 1), ends, "A1"),)
    person = Person("T1", "x", (RoleGrant(Role.TECHNICIAN, date(2024, 1, 1)),), held)
    told = [("T1", Quantity.PRESSURE, ends)]
    assert ending_soon([person], ends - timedelta(60)) == told
    assert ending_soon([person], ends) == told
    assert ending_soon([person], ends - timedelta(61)) == []
    assert ending_soon([person], ends + timedelta(1)) == []
    assert ending_soon([replace(person, roles=())], ends) == []
    next_one = Qualification(Quantity.PRESSURE, ends + timedelta(1), END, "A1")
    assert ending_soon([replace(person, qualifications=(*held, next_one))], ends) == []
    gap = replace(next_one, granted_on=ends + timedelta(2))
    assert ending_soon([replace(person, qualifications=(*held, gap))], ends) == told
    assert not nobody_qualified([person], ends)
    assert nobody_qualified([person], ends + timedelta(1))
    assert nobody_qualified([replace(person, roles=())], ends)
