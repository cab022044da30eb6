"""What does not fit its column is refused before it is sent, on both databases with one message."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import replace
from datetime import UTC, date, datetime
from decimal import Decimal
from typing import Any

import pytest
from sqlalchemy import Engine, Enum, Integer, String, text
from sqlalchemy.exc import DataError

from calfleet import records as rec
from calfleet.errors import RecordRefused
from calfleet.store import facts
from calfleet.store.base import Base
from calfleet.store.engine import open_engine
from calfleet.store.lengths import check_row
from calfleet.store.models import AreaRow
from calfleet.store.work import Work

AT = datetime(2026, 3, 4, 5, 6, 7, tzinfo=UTC)


@pytest.fixture
def engine(database_url: str) -> Iterator[Engine]:
    made = open_engine(database_url)
    yield made
    made.dispose()


def unit(engine: Engine, actor: str = "P1", reason: str = "why") -> Work:
    return Work(engine, actor=actor, at=AT, action="enter", subject="s", reason=reason)


def enter(engine: Engine, add: Callable[[Work], object], **more: str) -> None:
    with unit(engine, **more) as work:
        facts.add_site(work, rec.Site("W", "Works (fictional)"))
        add(work)
        work.commit()


def count(engine: Engine, table: str) -> int:
    with engine.connect() as connection:
        return int(connection.execute(text(f"SELECT count(*) FROM {table}")).scalar_one())


def refused(engine: Engine, add: Callable[[Work], object], **more: str) -> RecordRefused:
    with pytest.raises(RecordRefused) as caught:
        enter(engine, add, **more)
    assert count(engine, "site") == count(engine, "area") == count(engine, "audit_entry") == 0
    assert caught.value.next_step
    return caught.value


LIMITED = [
    (mapper.class_, attribute.key, attribute.columns[0].type.length)
    for mapper in sorted(Base.registry.mappers, key=lambda m: m.class_.__name__)
    for attribute in mapper.column_attrs
    if isinstance(attribute.columns[0].type, String)
    and not isinstance(attribute.columns[0].type, Enum)
    and attribute.columns[0].type.length
]


@pytest.mark.parametrize(("row", "key", "limit"), LIMITED, ids=lambda x: getattr(x, "__name__", x))
def test_every_text_column_takes_its_length_and_no_more(row: Any, key: str, limit: int) -> None:
    check_row(row(**{key: "ä" * limit}))
    with pytest.raises(RecordRefused, match=f"has {limit + 1} characters") as caught:
        check_row(row(**{key: "ä" * (limit + 1)}))
    assert caught.value.rule == f"It holds at most {limit} characters."
    with pytest.raises(RecordRefused, match="NUL"):
        check_row(row(**{key: "a\0"}))


def test_every_table_with_a_length_is_among_them() -> None:
    wanted = {
        table.name
        for table in Base.metadata.sorted_tables
        if any(
            isinstance(c.type, String) and not isinstance(c.type, Enum) and c.type.length
            for c in table.columns
        )
    }
    assert {row.__tablename__ for row, _, _ in LIMITED} == wanted
    assert len(LIMITED) > 100


def test_a_text_that_is_too_long(engine: Engine) -> None:
    found = refused(engine, lambda work: facts.add_area(work, rec.Area("A1", "n" * 301)))
    assert found.message == f"Name of the area 'A1' has 301 characters: '{'n' * 37}...'."
    assert found.rule == "It holds at most 300 characters."
    assert found.next_step == "Nothing was written. Shorten it and enter it again."


def test_characters_are_counted_not_bytes(engine: Engine) -> None:
    """300 characters of which each is more than one byte fit; both databases count alike."""
    name = "Ω🔧" * 150
    enter(engine, lambda work: facts.add_area(work, rec.Area("A1", name)))
    with engine.connect() as connection:
        assert connection.execute(text("SELECT name FROM area")).scalar_one() == name


def test_a_text_without_a_length_may_be_long(engine: Engine) -> None:
    enter(engine, lambda work: None, reason="n" * 100_000)
    with engine.connect() as connection:
        kept = connection.execute(text("SELECT length(reason) FROM audit_entry")).scalar_one()
    assert kept == 100_000


def test_a_code_that_many_rows_would_refer_to(engine: Engine) -> None:
    person = rec.Person("P" * 61, "Moss Tarnley")
    found = refused(engine, lambda work: facts.add_person(work, person))
    assert found.message.startswith(f"Code of the person '{'P' * 37}...' has 61 characters")


def test_a_row_that_comes_with_another(engine: Engine) -> None:
    held = rec.Accreditation("N" * 61, date(2024, 1, 1), date(2026, 1, 1))
    house = rec.Laboratory("ACC", "Measuring house", rec.LaboratoryKind.ACCREDITED, (held,))
    found = refused(engine, lambda work: facts.add_laboratory(work, house))
    assert found.message.startswith("Number of the accreditation 'N")


def test_a_number_with_too_many_digits_as_typed(engine: Engine) -> None:
    policy = rec.IntervalPolicy(
        "Y", date(2024, 1, 1), rec.IntervalBasis.LAST_DONE, 12, rec.IntervalUnit.MONTH,
        grace_fraction=Decimal("0." + "1" * 38),
    )  # fmt: skip
    enter(engine, lambda work: facts.add_policy(work, policy))
    longer = replace(policy, effective_on=date(2025, 1, 1), grace_fraction=Decimal("0." + "1" * 39))
    said = "Grace fraction of the interval policy 'Y' has 41"
    with pytest.raises(RecordRefused, match=said), unit(engine) as work:
        facts.add_policy(work, longer)
    assert count(engine, "interval_policy") == 1


def test_a_whole_number_that_is_too_large(engine: Engine) -> None:
    policy = rec.IntervalPolicy(
        "Y", date(2024, 1, 1), rec.IntervalBasis.LAST_DONE, 2**31, rec.IntervalUnit.DAY
    )
    found = refused(engine, lambda work: facts.add_policy(work, policy))
    assert found.message == "Every of the interval policy 'Y' is 2147483648."
    assert found.rule == "A whole number lies between -2147483648 and 2147483647."


def test_who_enters_and_why(engine: Engine) -> None:
    found = refused(engine, lambda work: None, actor="P" * 500)
    assert "has 500 characters" in found.message
    found = refused(engine, lambda work: facts.add_area(work, rec.Area("A1", "a\0b")))
    assert found.message == "Name of the area 'A1' holds a NUL character: 'a?b'."


def test_a_refusal_in_a_later_flush_takes_everything_back(engine: Engine) -> None:
    def add(work: Work) -> None:
        facts.add_area(work, rec.Area("A1", "Boilers"))
        facts.add_area(work, rec.Area("A2", "n" * 301))

    refused(engine, add)


INSERT = text(
    "INSERT INTO area (site_id, code, name, recorded_at, recorded_by) "
    "VALUES (1, 'A9', :name, '2026-01-01T00:00:00.000000Z', 'x')"
)


@pytest.mark.parametrize("name", ["n" * 301, "a\0b"])
def test_the_databases_differ_where_this_rule_does_not_stand_between(
    engine: Engine, name: str
) -> None:
    """What the rule is for: PostgreSQL refuses both, SQLite takes them."""
    enter(engine, lambda work: None)
    with engine.connect() as connection:
        if engine.dialect.name == "sqlite":
            connection.execute(INSERT, {"name": name})
        else:
            with pytest.raises(DataError):
                connection.execute(INSERT, {"name": name})
        connection.rollback()


def test_none_is_not_a_text_and_other_columns_are_left_alone() -> None:
    check_row(AreaRow(site_id=1, code="A1", name=None))
    assert isinstance(AreaRow.__table__.columns["site_id"].type, Integer)
