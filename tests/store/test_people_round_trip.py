"""What people and laboratories are granted later is a fact of its own, on both databases."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from datetime import UTC, date, datetime
from typing import Any

import pytest
from sqlalchemy import Engine
from sqlalchemy.orm import Session

from calfleet import records as rec
from calfleet.errors import RecordRefused, UnknownName
from calfleet.records import Quantity, Role
from calfleet.store import facts, people_facts
from calfleet.store.engine import open_engine
from calfleet.store.queries import audit, shop
from calfleet.store.work import Work

AT = datetime(2026, 11, 28, 9, 0, tzinfo=UTC)
LATER = datetime(2026, 11, 28, 9, 0, 0, 1, tzinfo=UTC)
FIRST = rec.LaterRole("P1", Role.TECHNICIAN, date(2026, 12, 1))
ROLES = (FIRST, rec.LaterRole("P3", Role.APPROVER, date(2026, 12, 1)))
HELD = (
    rec.LaterQualification("P1", Quantity.DIFFERENTIAL, date(2026, 12, 1), date(2029, 1, 31), "P3"),
    rec.LaterQualification("P2", Quantity.PRESSURE, date(2026, 12, 1), date(2029, 1, 31), "P3"),
)
ACCREDITED = rec.LaterAccreditation("SHOP", "S-1", date(2026, 1, 1), date(2030, 1, 1), "all")


@pytest.fixture
def engine(database_url: str, shop: Any) -> Iterator[Engine]:
    made = open_engine(database_url)
    with Work(made, actor="T", at=AT, action="build", subject="x") as work:
        shop.add_registers(work)
        work.commit()
    yield made
    made.dispose()


def enter(engine: Engine, add: Callable[[Work], None], at: datetime = LATER) -> None:
    with Work(engine, actor="T", at=at, action="enter", subject="x") as work:
        add(work)
        work.commit()


def grant(work: Work) -> None:
    for role in ROLES:
        people_facts.add_role(work, role)
    for one in HELD:
        people_facts.add_qualification(work, one)
    people_facts.add_accreditation(work, ACCREDITED)


def noted(session: Session) -> set[tuple[str, str, str]]:
    return {fact for entry in audit.entries(session) for fact in entry.facts()}


def test_what_is_granted_later_is_a_fact_beside_those_there_are(engine: Engine) -> None:
    with Session(engine) as session:
        before = set(audit.all_facts(session))
        assert before == noted(session)
    enter(engine, grant)
    with Session(engine) as session:
        after = set(audit.all_facts(session))
        assert after == noted(session)
        assert before < after
        assert sorted((kind, key) for kind, key, _ in after - before) == [
            ("accreditation", "SHOP S-1 from 2026-01-01"),
            ("person role", "P1 technician from 2026-12-01"),
            ("person role", "P3 approver from 2026-12-01"),
            ("qualification", "P1 differential pressure from 2026-12-01"),
            ("qualification", "P2 pressure from 2026-12-01"),
        ]


def test_who_asks_about_a_person_is_told_all_of_it(engine: Engine) -> None:
    with Session(engine) as session:
        before = shop.people(session)
    with Work(engine, actor="T", at=LATER, action="enter", subject="x") as work:
        shop.people(work.session)  # what was read before the grant does not hide it
        grant(work)
        people = shop.people(work.session)
        assert people["P1"].roles == (*before["P1"].roles, FIRST.grant)
        assert people["P2"].qualifications == (HELD[1].grant,)
        assert not people["P1"].holds(Role.TECHNICIAN, date(2026, 11, 30))
        assert people["P1"].holds(Role.TECHNICIAN, date(2026, 12, 1))
        assert shop.laboratories(work.session)["SHOP"].accreditations == (ACCREDITED.grant,)
        assert {p.code: p for p, _ in shop.people_as_entered(work.session)} == before


def test_a_grant_in_the_step_of_the_person_is_refused(engine: Engine) -> None:
    def both(work: Work) -> None:
        facts.add_person(work, rec.Person("P9", "New"))
        people_facts.add_role(work, rec.LaterRole("P9", Role.AUDITOR, date(2026, 1, 1)))

    with pytest.raises(RecordRefused, match="same step"):
        enter(engine, both)
    with pytest.raises(RecordRefused, match="same step"):
        enter(engine, lambda work: people_facts.add_accreditation(work, ACCREDITED), AT)
    with Session(engine) as session:
        assert "P9" not in shop.people(session)


def test_the_same_grant_twice_and_unknown_names(engine: Engine) -> None:
    enter(engine, grant)
    for twice in (
        lambda work: people_facts.add_role(work, FIRST),
        lambda work: people_facts.add_qualification(work, HELD[0]),
        lambda work: people_facts.add_accreditation(work, ACCREDITED),
    ):
        with pytest.raises(RecordRefused):
            enter(engine, twice)
    with pytest.raises(UnknownName):
        enter(
            engine,
            lambda work: people_facts.add_role(
                work, rec.LaterRole("P99", Role.AUDITOR, date(2026, 1, 1))
            ),
        )
