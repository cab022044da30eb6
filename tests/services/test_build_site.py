"""Building a site from its input: registers, then history judged as it goes."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from datetime import date, datetime, timedelta
from decimal import Decimal
from typing import Any

import pytest
from sqlalchemy import Engine
from sqlalchemy.orm import Session

from calfleet import records as rec
from calfleet.errors import UnknownName
from calfleet.records import Phase
from calfleet.services.build_site import build_site
from calfleet.services.record import judge, record
from calfleet.services.verify import verify
from calfleet.store.engine import open_engine
from calfleet.store.queries import calibrations as queries
from calfleet.store.queries import due as due_queries
from calfleet.store.queries import gauges, shop, switches
from calfleet.store.queries.procedures import procedures
from calfleet.store.work import Work

D = Decimal


@pytest.fixture
def empty(sqlite_url: str) -> Iterator[Engine]:
    engine = open_engine(sqlite_url)
    yield engine
    engine.dispose()


def test_everything_given_is_there(session: Session, little: Any) -> None:
    given = little.given
    assert shop.site(session) == given.site
    assert shop.areas(session) == list(given.areas)
    assert list(shop.people(session).values()) == sorted(given.people, key=lambda p: p.code)
    assert list(shop.laboratories(session).values()) == list(given.laboratories)
    assert {p for held in due_queries.policies(session).values() for p in held} == set(
        given.policies
    )
    assert [p for held in procedures(session).values() for p in held] == sorted(
        given.procedures, key=lambda p: (p.code, p.revision)
    )
    assert switches.revisions(session) == sorted(given.switches, key=lambda s: (s.tag, s.revision))
    assert {g for held in gauges.gauges(session).values() for g in held} == set(given.gauges)
    assert set(gauges.certificates(session).values()) == set(given.certificates)
    assert sorted(queries.numbers(session)) == ["H001", "H002", "H003", "H004", "H005"]


def test_what_is_made_is_what_is_stored(empty: Engine, little: Any) -> None:
    made = little.build(empty)
    with Session(empty) as session:
        assert queries.all_calibrations(session) == made
    assert [c.number for c in made] == ["H001", "H004", "H003", "H005", "H002"]  # by their days
    assert all(c.origin is rec.Origin.HISTORY and c.findings == () for c in made)
    assert all(c.recorded_by == "clerk" and c.recorded_at == little.now for c in made)


def test_steps_are_counted_and_nothing_is_kept_without_a_commit(empty: Engine, little: Any) -> None:
    steps: list[int] = []
    with Work(empty, actor="clerk", at=little.now, action="build", subject="works") as work:
        build_site(work, little.given, today=little.today, step=lambda: steps.append(1))
    assert len(steps) == len(little.given.history)
    with Session(empty) as session:
        assert shop.site(session) is None


def test_history_without_numbers_is_numbered_by_year(empty: Engine, little: Any) -> None:
    bare = tuple(replace(b, number=None) for b in little.given.history)
    made = little.build(empty, history=bare)
    assert [c.number for c in made] == [
        "C2024-0001", "C2025-0001", "C2025-0002", "C2025-0003", "C2025-0004",
    ]  # fmt: skip


def test_history_is_judged_by_the_data_sheet_and_procedure_of_its_day(
    empty: Engine, little: Any
) -> None:
    first = little.switch("PS-1")
    tighter = replace(
        first, revision=2, effective_on=date(2025, 7, 8), reason="tighter",
        set_points=(replace(first.set_points[0], value=D("395")),),
    )  # fmt: skip
    made = little.build(empty, switches=(*little.given.switches, tighter))
    of_first = {c.number: c for c in made if c.bench.tag == "PS-1"}
    assert of_first["H001"].switch_revision == 1
    assert of_first["H002"].switch_revision == 2
    assert of_first["H002"].results[0].required == D("395")


def correction(little: Any, **changes: Any) -> rec.BenchRecord:
    base = next(b for b in little.given.history if b.number == "H002")
    made: rec.BenchRecord = replace(
        base, number="H006", replaces="H002", replacement_reason="typing", **changes
    )
    return made


@pytest.mark.parametrize("day", [date(2025, 7, 8), date(2025, 7, 1), date(2025, 7, 20)])
def test_a_correction_in_history_may_be_of_any_day(day: date, empty: Engine, little: Any) -> None:
    """Also of one before the record it corrects, which is entered first all the same."""
    history = (correction(little, performed_on=day), *little.given.history)
    made = little.build(empty, history=history)
    numbers = [c.number for c in made]
    assert numbers.index("H006") > numbers.index("H002")
    assert next(c for c in made if c.number == "H006").findings == ()
    with Session(empty) as session:
        old = queries.calibration(session, "H002")
        assert old is not None
        assert old.replaced_by == "H006"
        assert due_queries.performed_days(session)["PS-1"] == [date(2024, 7, 10), day]


def test_a_correction_of_nothing_is_refused_and_not_lost(empty: Engine, little: Any) -> None:
    odd = replace(correction(little), replaces="H999")
    with pytest.raises(UnknownName, match="H999"):
        little.build(empty, history=(*little.given.history, odd))
    with Session(empty) as session:
        assert shop.site(session) is None


def scattered(little: Any, number: str, day: date, *trips: str, **changes: Any) -> rec.BenchRecord:
    cycles = tuple(
        rec.Cycle("H", phase, n, D(trip), D(trip) - 20)
        for phase in Phase
        for n, trip in enumerate(trips, 1)
    )
    made: rec.BenchRecord = little.bench(
        number=number, performed_on=day, procedure_revision=1, cycles=cycles, **changes
    )
    return made


def test_the_pooled_repeatability_is_that_of_the_calibrations_before(
    empty: Engine, little: Any
) -> None:
    """From ten degrees of freedom on the family's own scatter is used: here after five series
    of three as-left runs with s = 1.0, 1.0, 1.0, 1.0, 1.0 kPa over a span of 500 kPa.
    """
    history = tuple(
        scattered(little, f"N{n}", date(2025, 8, n), "401", "402", "403") for n in range(1, 8)
    )
    made = little.build(empty, history=history)
    notes = [
        part["note"]
        for calibration in made
        for part in calibration.results[0].budget["components"]
        if part["name"] == "repeatability"
    ]
    assert notes == ["s of 3 runs"] * 5 + ["pooled s, 3 runs"] * 2
    with Session(empty) as session:
        s, dof = due_queries.pooled_repeatability(session)["PX"]
    assert s == pytest.approx(1 / 500, rel=1e-12)
    assert dof == 14


def test_a_corrected_series_leaves_the_pool_in_building_as_in_asking(
    empty: Engine, little: Any
) -> None:
    """N1 scattered wildly and was a mistake; its correction is judged without it, and so is
    everything after. What building pooled is what the database pools.
    """
    calm = [scattered(little, f"N{n}", date(2025, 8, n), "401", "402", "403") for n in range(2, 8)]
    wild = scattered(little, "N1", date(2025, 8, 1), "391", "402", "413")
    right = scattered(
        little, "N8", date(2025, 8, 8), "401", "402", "403", replaces="N7",
        replacement_reason="typing",
    )  # fmt: skip
    mended = scattered(
        little, "N9", date(2025, 8, 1), "401", "402", "403", replaces="N1",
        replacement_reason="typing",
    )  # fmt: skip
    last = scattered(little, "N99", date(2025, 8, 9), "401", "402", "403")
    made = {c.number: c for c in little.build(empty, history=(*calm, wild, right, mended, last))}
    part = next(
        p for p in made["N99"].results[0].budget["components"] if p["name"] == "repeatability"
    )
    # independently: u = s / sqrt(3), s = 1 kPa from N2..N6, N8, N9 with two degrees each
    assert part["u"] == pytest.approx(1 / 3**0.5, rel=1e-9)
    assert part["dof"] == 14
    with Session(empty) as session:
        s, dof = due_queries.pooled_repeatability(session, without="N99")["PX"]
    assert s == pytest.approx(1 / 500, rel=1e-9)
    assert dof == 14


def test_corrections_are_verified_as_they_were_judged(empty: Engine, little: Any) -> None:
    """Every figure comes out again although what was pooled then is not what is pooled now, and
    although a clock was set back between two entries.
    """
    calm = [scattered(little, f"N{n}", date(2025, 8, n), "401", "402", "403") for n in range(2, 8)]
    wild = scattered(little, "N1", date(2025, 8, 1), "391", "402", "413")
    mended = scattered(
        little, "N9", date(2025, 8, 1), "401", "402", "403", replaces="N1",
        replacement_reason="typing",
    )  # fmt: skip
    little.build(empty, history=(*calm, wild, mended))

    def enter(at: datetime, *trips: str, **changes: Any) -> rec.Calibration:
        bench = replace(scattered(little, "", little.today, *trips, **changes), number=None)
        bench = replace(bench, procedure_revision=2)
        with Work(empty, actor="T1", at=at, action="record", subject="PS-1") as work:
            made = judge(work.session, bench, today=little.today, at=at, recorded_by="T1")
            made = record(work, made)
            work.commit()
        return made

    first = enter(little.now, "399", "402", "405")
    enter(little.now - timedelta(hours=3), "400", "401", "402")
    enter(
        little.now + timedelta(hours=1), "401", "401", "402", replaces=first.number,
        replacement_reason="typing",
    )  # fmt: skip
    with Session(empty) as session:
        found = verify(session)
        entered = queries.numbers_as_entered(session)
    assert found.differences == ()
    assert found.figures > 100
    assert entered[-3:] == ["C2026-0001", "C2026-0002", "C2026-0003"]
    assert entered[:2] == ["N1", "N9"]


def test_input_is_added_whatever_its_order(empty: Engine, little: Any) -> None:
    given = little.given
    turned = replace(
        given,
        switches=given.switches[::-1],
        gauges=given.gauges[::-1],
        procedures=given.procedures[::-1],
        certificates=given.certificates[::-1],
        policies=given.policies[::-1],
        history=given.history[::-1],
    )
    with Work(empty, actor="clerk", at=little.now, action="b", subject="s") as work:
        made = build_site(work, turned, today=little.today)
        work.commit()
    assert [c.number for c in made] == ["H001", "H004", "H003", "H005", "H002"]
    with Session(empty) as session:
        assert [s.revision for s in switches.revisions(session, "PS-7")] == [1, 2]
