"""The due list of the small works on 2026-03-02, line by line, on both databases."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta
from decimal import Decimal
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import Engine
from sqlalchemy.orm import Session

from calfleet import records as rec
from calfleet.records import Criticality, Quantity
from calfleet.services.list_due import DueList, Filters, list_due
from calfleet.store.queries.reader import quick_reader
from calfleet.store.revision import require_head

YEAR_END = date(2026, 12, 31)


def due(session: Session, little: Any, until: date = YEAR_END, **filters: Any) -> DueList:
    return list_due(session, as_of=little.today, until=until, filters=Filters(**filters))


def tags(found: DueList) -> list[str]:
    return [line.tag for line in found.lines]


def line(found: DueList, tag: str) -> rec.DueLine:
    return next(x for x in found.lines if x.tag == tag)


def test_most_urgent_first(session: Session, little: Any) -> None:
    """Due: VS-4 2024-01-02 (never done), PS-5 2025-08-01 (never done), PSO-3 2026-02-15,
    PDS-2 2026-02-20, PDS-8 2026-03-25, PS-1 2026-07-08; counted by hand from the history.
    """
    found = due(session, little)
    assert [(x.tag, x.due_on) for x in found.lines] == [
        ("VS-4", date(2024, 1, 2)),
        ("PS-5", date(2025, 8, 1)),
        ("PSO-3", date(2026, 2, 15)),
        ("PDS-2", date(2026, 2, 20)),
        ("PDS-8", date(2026, 3, 25)),
        ("PS-1", date(2026, 7, 8)),
    ]
    assert (found.as_of, found.until) == (little.today, YEAR_END)


def test_on_one_day_the_worst_consequence_comes_first_then_the_tag(
    own_works: Engine, little: Any
) -> None:
    """PDS-2 (production), PS-1 (safety), PDS-8 (environment), PSO-3 (environment): all today."""
    day = date(2026, 3, 2)
    for bench in (little.bench(), little.difference()):
        little.record(own_works, replace(bench, performed_on=day))
    high = little.difference(
        tag="PDS-8", gauges=(rec.GaugeUsed(rec.GaugeRole.OPERATING, "G-REF", ""),),
        cycles=little.cycles("H", rec.Phase.AS_FOUND, ("1861", "1853"), static="1800"),
    )  # fmt: skip
    little.record(own_works, high)
    with Session(own_works) as session:
        found = list_due(session, as_of=day, until=date(2027, 3, 2))
    same = [x.tag for x in found.lines if x.due_on == date(2027, 3, 2)]
    assert same == ["PS-1", "PDS-8", "PDS-2"]


def test_the_end_of_the_period_counts_and_overdue_is_always_there(
    session: Session, little: Any
) -> None:
    assert tags(due(session, little, date(2026, 3, 24))) == ["VS-4", "PS-5", "PSO-3", "PDS-2"]
    assert tags(due(session, little, date(2026, 3, 25)))[-1] == "PDS-8"
    # a period that ended before today still shows all that is overdue today
    assert tags(due(session, little, date(2026, 2, 15))) == ["VS-4", "PS-5", "PSO-3", "PDS-2"]


def test_overdue_begins_the_day_after(own_works: Engine, little: Any) -> None:
    with Session(own_works) as session:
        for day, overdue in ((date(2026, 2, 20), False), (date(2026, 2, 21), True)):
            found = list_due(session, as_of=day, until=day)
            two = line(found, "PDS-2")
            assert two.days_left == (date(2026, 2, 20) - day).days
            assert two.status == ("overdue" if overdue else "due")
            only = list_due(session, as_of=day, until=day, filters=Filters(overdue_only=True))
            assert ("PDS-2" in tags(only)) is overdue


def test_grace_keeps_the_due_date_and_is_told(session: Session, little: Any) -> None:
    """PSO-3: due 2026-02-15 with 30 days of grace, to 2026-03-17."""
    three = line(due(session, little), "PSO-3")
    assert (three.status, three.due_on, three.latest_on) == (
        "in grace", date(2026, 2, 15), date(2026, 3, 17),
    )  # fmt: skip
    assert three.days_left == -15
    assert "15 of 30 days of grace used" in three.why
    later = list_due(session, as_of=date(2026, 3, 18), until=YEAR_END)
    assert line(later, "PSO-3").status == "overdue"
    last = list_due(session, as_of=date(2026, 3, 17), until=YEAR_END)
    assert line(last, "PSO-3").status == "in grace"


def test_never_calibrated_counts_from_the_first_data_sheet(session: Session, little: Any) -> None:
    five = line(due(session, little), "PS-5")
    assert five.status == "never calibrated"
    assert five.due_on == date(2025, 8, 1)  # not 2026-01-15, when its sheet was revised
    assert (five.last_number, five.last_on, five.last_verdict) == (None, None, "none recorded")
    assert five.set_points == "450 kPa ↑"  # of the revised sheet
    before = list_due(session, as_of=date(2026, 1, 14), until=YEAR_END)
    assert line(before, "PS-5").set_points == "400 kPa ↑"
    assert "PS-5" not in tags(list_due(session, as_of=date(2025, 7, 31), until=YEAR_END))


def test_what_is_not_in_service_is_not_listed(session: Session, little: Any) -> None:
    found = tags(due(session, little))
    assert "PS-6" not in found  # in the store
    assert "PS-7" not in found  # scrapped on 2026-01-10
    assert "PS-7" in tags(list_due(session, as_of=date(2026, 1, 9), until=YEAR_END))


def test_a_line_tells_what_the_planner_needs(session: Session, little: Any) -> None:
    two = line(due(session, little), "PDS-2")
    assert two == rec.DueLine(
        tag="PDS-2",
        service="filter",
        area="S",
        quantity=Quantity.DIFFERENTIAL,
        criticality=Criticality.PRODUCTION,
        set_points="60 kPa ↑",
        last_number="H003",
        last_on=date(2025, 2, 20),
        last_verdict="as-found pass",
        due_on=date(2026, 2, 20),
        latest_on=date(2026, 2, 20),
        days_left=-10,
        status="overdue",
        why=two.why,
        bench_minutes=60,
        outage_bound=False,
        readiness=two.readiness,
    )
    assert "2026-02-20" in two.why
    assert "2025-02-20" in two.why


@pytest.mark.parametrize(
    ("filters", "wanted"),
    [
        ({"areas": ("S",)}, ["PS-5", "PDS-2", "PDS-8"]),
        ({"areas": ("N", "S")}, ["VS-4", "PS-5", "PSO-3", "PDS-2", "PDS-8", "PS-1"]),
        ({"areas": ("X",)}, []),
        ({"criticalities": (Criticality.SAFETY,)}, ["PS-1"]),
        (
            {"criticalities": (Criticality.SAFETY, Criticality.ENVIRONMENT)},
            ["PSO-3", "PDS-8", "PS-1"],
        ),
        ({"quantities": (Quantity.DIFFERENTIAL,)}, ["PDS-2", "PDS-8"]),
        ({"quantities": (Quantity.VACUUM, Quantity.TEMPERATURE)}, ["VS-4"]),
        ({"overdue_only": True}, ["VS-4", "PS-5", "PSO-3", "PDS-2"]),
        ({"overdue_only": True, "areas": ("S",)}, ["PS-5", "PDS-2"]),
        (
            {"areas": ("S",), "quantities": (Quantity.PRESSURE,),
             "criticalities": (Criticality.GENERAL,)},
            ["PS-5"],
        ),
    ],
)  # fmt: skip
def test_filters(filters: dict[str, Any], wanted: list[str], session: Session, little: Any) -> None:
    found = due(session, little, **filters)
    assert tags(found) == wanted
    assert found.totals.count == len(wanted)


def test_totals_are_of_the_lines_listed(session: Session, little: Any) -> None:
    """Minutes by hand: VS-4 40, PS-5 20, PSO-3 30, PDS-2 60, PDS-8 50, PS-1 40."""
    totals = due(session, little).totals
    assert (totals.count, totals.overdue, totals.in_grace) == (6, 4, 1)
    assert totals.without_gauge == 1  # the vacuum switch
    assert totals.bench_minutes == 240
    assert list(totals.minutes_by_area.items()) == [("N", 110), ("S", 130)]
    nothing = due(session, little, areas=("X",)).totals
    assert (nothing.count, nothing.bench_minutes, dict(nothing.minutes_by_area)) == (0, 0, {})


def test_an_overdue_job_is_judged_for_its_gauge_today_any_other_on_its_day(
    session: Session, little: Any
) -> None:
    """G-BENCH ends on 2026-06-02."""
    found = due(session, little)
    assert line(found, "PDS-2").readiness.gauge == "G-BENCH"
    assert line(found, "PS-5").readiness.gauge == "G-BENCH"  # due 2025-08-01, to be done today
    # on 2026-07-08 the bench gauge has run out and the first-tier one steps in
    assert line(found, "PS-1").readiness.gauge == "G-REF"
    assert line(found, "PSO-3").readiness.gauge == "G-OXY"
    past = list_due(session, as_of=date(2026, 6, 3), until=YEAR_END)
    assert line(past, "PDS-2").readiness.gauge == "G-DIFF"  # the second tier before the first


def test_a_job_without_a_gauge_says_so(session: Session, little: Any) -> None:
    ready = line(due(session, little), "VS-4").readiness
    assert not ready.ready
    assert (ready.gauge, ready.tur) == (None, None)
    assert ready.short == ready.reason == "no gauge of this kind and range"
    without = line(list_due(session, as_of=date(2026, 12, 2), until=YEAR_END), "PSO-3").readiness
    assert not without.ready
    assert without.short == "G-OXY overdue since 2026-12-01 (certificate OXY-25-R1)"


def test_a_past_day_is_asked_with_what_was_recorded_for_it(session: Session, little: Any) -> None:
    """H002 of 2025-07-08 was not there on 2025-07-07; neither is its verdict."""
    found = list_due(session, as_of=date(2025, 7, 7), until=date(2025, 7, 31))
    first = line(found, "PS-1")
    assert (first.last_number, first.due_on) == ("H001", date(2025, 7, 10))
    later = list_due(session, as_of=date(2025, 7, 8), until=YEAR_END + timedelta(days=365))
    assert line(later, "PS-1").last_number == "H002"


def test_the_last_result_is_the_worst_of_its_set_points(own_works: Engine, little: Any) -> None:
    low = rec.Cycle("H", rec.Phase.AS_FOUND, 1, Decimal("420"), Decimal("400"))
    left = little.cycles("H", rec.Phase.AS_LEFT, ("401.5", "381"), ("401.6", "381"))
    little.record(own_works, little.bench(cycles=(low, *left), adjusted=True, exercise_cycles=2))
    with Session(own_works) as session:
        found = list_due(session, as_of=little.today, until=date(2027, 12, 31))
    assert line(found, "PS-1").last_verdict == "as-found fail, as-left pass"
    assert line(found, "PS-1").due_on == date(2027, 3, 2)


@pytest.mark.parametrize("day", [date(2025, 1, 1), date(2026, 2, 3), date(2026, 3, 2)])
def test_the_quick_way_gives_the_same_list(day: date, built_sqlite: Path, little: Any) -> None:
    from calfleet.store.engine import open_engine

    with quick_reader(built_sqlite, require_head) as reader:
        quick = list_due(reader, as_of=day, until=YEAR_END)
    engine = open_engine(f"sqlite:///{built_sqlite}")
    with Session(engine) as session:
        assert list_due(session, as_of=day, until=YEAR_END) == quick
    engine.dispose()
    assert quick.lines


@pytest.mark.postgres
def test_both_databases_give_the_same_list(
    built_sqlite: Path, built_postgres: str, little: Any
) -> None:
    from calfleet.store.engine import open_engine

    found = []
    for url in (f"sqlite:///{built_sqlite}", built_postgres):
        engine = open_engine(url)
        with Session(engine) as session:
            found.append(list_due(session, as_of=little.today, until=YEAR_END))
        engine.dispose()
    assert found[0] == found[1]
