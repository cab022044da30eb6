"""One unit of work: everything and its audit entry, or nothing."""

from __future__ import annotations

import hashlib
import json
import threading
from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, datetime, timedelta, timezone
from typing import Any

import pytest
from sqlalchemy import Engine, select, text
from sqlalchemy.orm import Session

from calfleet import records as rec
from calfleet.errors import RecordRefused, StoreRefused, UnknownName
from calfleet.store import calibration_facts, facts
from calfleet.store import engine as engine_module
from calfleet.store.engine import open_engine, refusals
from calfleet.store.models import AreaRow, SiteRow
from calfleet.store.queries import calibrations as calibration_queries
from calfleet.store.queries import due, gauges, switches
from calfleet.store.queries import shop as shop_queries
from calfleet.store.queries.procedures import procedures
from calfleet.store.work import FIRST_PREVIOUS, Work, digest_of

AT = datetime(2026, 3, 4, 5, 6, 7, 8, tzinfo=UTC)


@pytest.fixture
def engine(database_url: str) -> Iterator[Engine]:
    made = open_engine(database_url)
    yield made
    made.dispose()


def unit(engine: Engine, *, at: datetime = AT, subject: str = "s", reason: str = "why") -> Work:
    return Work(engine, actor="P1", at=at, action="enter", subject=subject, reason=reason)


def rows(engine: Engine) -> dict[str, int]:
    """How many rows each table holds, the empty ones left out."""
    from calfleet.store.base import Base

    with engine.connect() as connection:
        counts = {
            table.name: connection.execute(text(f"SELECT count(*) FROM {table.name}")).scalar_one()
            for table in Base.metadata.sorted_tables
        }
    return {name: count for name, count in counts.items() if count}


def entries(engine: Engine) -> list[dict[str, Any]]:
    with engine.connect() as connection:
        found = connection.execute(text("SELECT * FROM audit_entry ORDER BY position")).mappings()
        return [dict(entry) for entry in found]


def recomputed(entry: dict[str, Any]) -> str:
    """An entry's digest from its stored columns, without any code of the program."""
    form = {name: value for name, value in entry.items() if name != "digest"}
    form["content"] = json.loads(entry["content"])
    canonical = json.dumps(form, sort_keys=True, separators=(",", ":"), ensure_ascii=False)
    return hashlib.sha256(canonical.encode("utf-8")).hexdigest()


def test_commit_writes_everything_and_one_audit_entry(engine: Engine, shop: Any) -> None:
    with unit(engine, subject="Ärea 51 °C", reason='a "quoted" reason\nof two lines') as work:
        facts.add_site(work, shop.site)
        facts.add_area(work, shop.areas[0])
        assert work.count(AreaRow) == 1
        digest = work.commit()
    assert rows(engine) == {"site": 1, "area": 1, "audit_entry": 1}
    (entry,) = entries(engine)
    assert entry["digest"] == digest == recomputed(entry)
    assert entry["previous"] == FIRST_PREVIOUS == "0" * 64
    assert (entry["position"], entry["actor"], entry["action"]) == (1, "P1", "enter")
    assert entry["at"] == "2026-03-04T05:06:07.000008Z"
    assert entry["subject"] == "Ärea 51 °C"
    kinds = [(f["kind"], f["key"]) for f in json.loads(entry["content"])["facts"]]
    assert kinds == [("site", "W"), ("area", "A1")]


def test_every_entry_names_the_one_before(engine: Engine, shop: Any) -> None:
    digests = []
    with unit(engine) as work:
        facts.add_site(work, shop.site)
        digests.append(work.commit())
    for area in shop.areas:
        with unit(engine, at=AT + timedelta(days=1), subject=area.code, reason="") as work:
            facts.add_area(work, area)
            digests.append(work.commit())
    found = entries(engine)
    assert [e["position"] for e in found] == [1, 2, 3]
    assert [e["digest"] for e in found] == digests
    assert [e["previous"] for e in found] == [FIRST_PREVIOUS, *digests[:-1]]
    assert all(recomputed(e) == e["digest"] for e in found)


@pytest.mark.parametrize("column", ["at", "actor", "action", "subject", "reason", "content"])
def test_a_changed_entry_shows(column: str, engine: Engine, shop: Any) -> None:
    with unit(engine) as work:
        facts.add_site(work, shop.site)
        work.commit()
    (entry,) = entries(engine)
    other = json.dumps({"facts": []}) if column == "content" else entry[column] + " "
    assert recomputed(entry | {column: other}) != entry["digest"]


def test_the_digest_of_every_fact_is_that_of_the_record_read_back(
    engine: Engine, shop: Any
) -> None:
    """An auditor can compare what is stored today with what was entered then."""
    entered = shop.calibrations[0]
    with Work(
        engine, actor=entered.recorded_by, at=entered.recorded_at, action="a", subject="s"
    ) as work:
        shop.add_all(work)
        work.commit()
    (entry,) = entries(engine)
    noted = {(f["kind"], f["key"]): f["digest"] for f in json.loads(entry["content"])["facts"]}
    with Session(engine) as session:
        site = shop_queries.site(session)
        assert site is not None
        found: dict[tuple[str, str], object] = {("site", site.code): site}
        found |= {("area", a.code): a for a in shop_queries.areas(session)}
        found |= {("person", p.code): p for p in shop_queries.people(session).values()}
        found |= {("laboratory", x.code): x for x in shop_queries.laboratories(session).values()}
        found |= {
            ("interval policy", f"{p.code} from {p.effective_on}"): p
            for versions in due.policies(session).values()
            for p in versions
        }
        found |= {
            ("procedure revision", p.name): p
            for revisions in procedures(session).values()
            for p in revisions
        }
        found |= {("switch", f"{s.tag} rev {s.revision}"): s for s in switches.revisions(session)}
        found |= {
            ("gauge", f"{g.code} rev {g.revision}"): g
            for revisions in gauges.gauges(session).values()
            for g in revisions
        }
        # what came to a record later (a withdrawal, a correction) is a fact of its own
        for paper in gauges.certificates(session).values():
            found["certificate", paper.number] = replace(paper, withdrawal=None)
            if paper.withdrawal is not None:
                found["certificate withdrawal", paper.number] = paper.withdrawal
        found |= {
            ("calibration", c.number): replace(c, replaced_by=None)
            for c in calibration_queries.all_calibrations(session)
        }
    assert noted == {key: digest_of(record) for key, record in found.items()}


def test_the_digest_does_not_depend_on_the_zone_of_a_time() -> None:
    east = AT.astimezone(timezone(timedelta(hours=9)))
    assert digest_of({"at": east}) == digest_of({"at": AT})
    assert digest_of({"at": AT}) != digest_of({"at": AT + timedelta(microseconds=1)})


def test_the_digest_keeps_the_digits_typed() -> None:
    from decimal import Decimal

    assert digest_of(Decimal("100.0")) != digest_of(Decimal("100.00"))


def test_leaving_without_commit_leaves_nothing(engine: Engine, shop: Any) -> None:
    with unit(engine) as work:
        facts.add_site(work, shop.site)
    assert rows(engine) == {}


@pytest.mark.parametrize("what", [ValueError("boom"), KeyboardInterrupt(), SystemExit(2)])
def test_an_exception_or_interrupt_leaves_nothing(
    what: BaseException, engine: Engine, shop: Any
) -> None:
    def stopped() -> None:
        with unit(engine) as work:
            shop.add_registers(work)
            raise what

    with pytest.raises(type(what)):
        stopped()
    assert rows(engine) == {}


def test_a_refused_part_leaves_nothing_of_the_whole(engine: Engine, shop: Any) -> None:
    bad = replace(shop, switches=(*shop.switches, replace(shop.switches[2], bench_minutes=0)))
    bad = replace(bad, switches=(*bad.switches[:3], replace(bad.switches[3], revision=2)))
    name = "ck_switch_revision_bench_minutes_positive"
    with pytest.raises(RecordRefused, match=name) as told, unit(engine) as work:
        bad.add_registers(work)
    assert "Nothing was written" in told.value.next_step
    assert told.value.rule == "Constraint ck_switch_revision_bench_minutes_positive."
    assert rows(engine) == {}


def test_a_taken_key_is_refused_alike_on_both_databases(engine: Engine, shop: Any) -> None:
    with unit(engine) as work:
        shop.add_all(work)
        work.commit()
    before = rows(engine)
    with pytest.raises(RecordRefused) as told, unit(engine) as work:
        calibration_facts.add_calibration(work, replace(shop.calibrations[0], replaced_by=None))
    assert told.value.exit_code == 3
    assert "calibration" in told.value.message
    with pytest.raises(RecordRefused), unit(engine) as work:
        facts.add_switch(work, shop.switches[0])
    assert rows(engine) == before


def test_a_second_correction_of_one_record_is_refused(engine: Engine, shop: Any) -> None:
    with unit(engine) as work:
        shop.add_all(work)
        work.commit()
    with pytest.raises(RecordRefused), unit(engine) as work:
        calibration_facts.add_calibration(work, replace(shop.calibrations[1], number="C3"))
    with Session(engine) as session:
        first = calibration_queries.calibration(session, "H1")
        assert first is not None
        assert first.replaced_by == "C2"
        assert calibration_queries.calibration(session, "C3") is None


@pytest.mark.parametrize(
    ("kind", "change"),
    [
        ("person", {"performed_by": "P9"}),
        ("person", {"verified_by": "P9"}),
        ("switch", {"tag": "PDS-9"}),
        ("procedure revision", {"procedure_revision": 9}),
        ("procedure", {"procedure": "XX"}),
        ("calibration", {"replaces": "H9"}),
        ("gauge", {"gauges": (rec.GaugeUsed(rec.GaugeRole.OPERATING, "G-9", "IN-1"),)}),
        ("certificate", {"gauges": (rec.GaugeUsed(rec.GaugeRole.OPERATING, "G-1", "IN-9"),)}),
    ],
)
def test_a_reference_to_nothing_is_named(
    kind: str, change: dict[str, Any], engine: Engine, shop: Any
) -> None:
    bare, full = shop.calibrations
    with unit(engine) as work:
        shop.add_registers(work)
        calibration_facts.add_calibration(work, replace(bare, replaced_by=None))
        work.commit()
    before = rows(engine)
    with pytest.raises(UnknownName) as told, unit(engine) as work:
        calibration_facts.add_calibration(work, replace(full, bench=replace(full.bench, **change)))
    assert told.value.kind == kind
    assert rows(engine) == before


def test_a_calibration_before_its_gauge_was_there_is_refused(engine: Engine, shop: Any) -> None:
    from datetime import date

    bare = shop.calibrations[0]
    early = replace(bare, bench=replace(bare.bench, performed_on=date(2023, 4, 30)))
    with unit(engine) as work:
        shop.add_registers(work)
        with pytest.raises(UnknownName, match="gauge in force on that day"):
            calibration_facts.add_calibration(work, replace(early, replaced_by=None))


def test_facts_need_a_site(engine: Engine, shop: Any) -> None:
    with unit(engine) as work, pytest.raises(UnknownName, match="No site"):
        facts.add_area(work, shop.areas[0])


# --- two at a time ----------------------------------------------------------------------


def test_a_second_writer_on_sqlite_is_told_to_wait(
    sqlite_url: str, shop: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(engine_module, "BUSY_TIMEOUT_MS", 50)
    first, second = open_engine(sqlite_url), open_engine(sqlite_url)
    with unit(first) as work:
        facts.add_site(work, shop.site)
        with pytest.raises(StoreRefused, match="busy") as told, unit(second):
            pytest.fail("two units of work at once")
        assert "Wait a moment" in told.value.next_step
        assert sqlite_url.removeprefix("sqlite:///") in told.value.message
        work.commit()
    assert rows(first) == {"site": 1, "audit_entry": 1}
    with unit(second) as later:  # and afterwards it goes on, in the same process
        facts.add_area(later, shop.areas[0])
        later.commit()
    assert rows(first) == {"site": 1, "area": 1, "audit_entry": 2}
    first.dispose()
    second.dispose()


def test_reading_goes_on_while_another_writes(engine: Engine, shop: Any) -> None:
    reader = open_engine(engine.url.render_as_string(hide_password=False))
    with unit(engine) as work:
        facts.add_site(work, shop.site)
        with Session(reader) as session:
            assert shop_queries.site(session) is None
        work.commit()
    with Session(reader) as session:
        assert shop_queries.site(session) == shop.site
    reader.dispose()


def test_writers_at_once_make_one_chain(engine: Engine, shop: Any) -> None:
    """Each waits for the one before; no entry is lost and none has two successors."""
    with unit(engine) as work:
        facts.add_site(work, shop.site)
        work.commit()
    url = engine.url.render_as_string(hide_password=False)
    failures: list[BaseException] = []

    def enter(n: int) -> None:
        own = open_engine(url)
        try:
            with unit(own, subject=f"area {n}") as work:
                facts.add_area(work, rec.Area(f"N{n}", "new"))
                work.commit()
        except BaseException as error:  # noqa: BLE001 - shown by the assertion below
            failures.append(error)
        finally:
            own.dispose()

    threads = [threading.Thread(target=enter, args=(n,)) for n in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(timeout=30)
    assert failures == []
    found = entries(engine)
    assert [e["position"] for e in found] == [1, 2, 3, 4, 5]
    assert [e["previous"] for e in found][1:] == [e["digest"] for e in found][:-1]
    assert all(recomputed(e) == e["digest"] for e in found)
    assert rows(engine) == {"site": 1, "area": 4, "audit_entry": 5}


# --- refusals of the guards through the session ------------------------------------------


@pytest.mark.parametrize("how", ["change", "remove"])
def test_a_row_changed_through_the_models_is_refused(how: str, engine: Engine, shop: Any) -> None:
    with unit(engine) as work:
        facts.add_site(work, shop.site)
        work.commit()

    def meddle() -> None:
        with refusals(str(engine.url)), Session(engine) as session:
            row = session.scalars(select(SiteRow)).one()
            if how == "change":
                row.name = "Other"
            else:
                session.delete(row)
            session.commit()

    with pytest.raises(StoreRefused, match="append-only") as told:
        meddle()
    assert told.value.rule == "Records of measurement are only ever added."
    with Session(engine) as session:
        assert shop_queries.site(session) == shop.site
