"""What planning stands on comes back as it was entered, on both databases."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import replace
from datetime import UTC, date, datetime
from decimal import Decimal
from pathlib import Path

import pytest
from sqlalchemy import Engine, text

from calfleet.adapters.workbook.sitefiles import read_site
from calfleet.errors import RecordRefused
from calfleet.records import DeferralRecord, Outage, Plan, PlanAssignment, SiteInput
from calfleet.services.build_site import build_site
from calfleet.store import planning_facts
from calfleet.store.engine import open_engine
from calfleet.store.queries.planning import outages, planning_input, plans
from calfleet.store.work import Work

AT = datetime(2026, 11, 25, 9, 0, tzinfo=UTC)
SAMPLE = Path(__file__).resolve().parents[2] / "sample_site"


@pytest.fixture(scope="module")
def given() -> SiteInput:
    """The sample site with a few switches: registers and planning only."""
    site = read_site(SAMPLE)
    groups = site.planning.redundant_groups[:2]
    tags = {tag for group in groups for tag in group.tags} | {"PSL-1108", "VSL-7205"}
    planning = site.planning
    tags |= {x.tag for x in (*planning.usage_rules, *planning.deferrals)}
    return replace(
        site,
        switches=tuple(s for s in site.switches if s.tag in tags),
        certificates=(),
        history=(),
        planning=replace(planning, redundant_groups=groups),
    )


@pytest.fixture
def engine(database_url: str, given: SiteInput) -> Iterator[Engine]:
    made = open_engine(database_url)
    with Work(made, actor="T", at=AT, action="build", subject="x") as work:
        build_site(work, given, today=AT.date())
        work.commit()
    yield made
    made.dispose()


def work(engine: Engine) -> Work:
    return Work(engine, actor="P01", at=AT, action="plan", subject="x")


def refused(engine: Engine, add: Callable[[Work], None]) -> None:
    """``add`` is refused by a constraint of the database, and nothing is written."""
    with pytest.raises(RecordRefused, match=r"ck_|violates check"), work(engine) as unit:
        add(unit)
    with engine.connect() as reader:
        assert reader.execute(text("SELECT COUNT(*) FROM audit_entry")).scalar() == 1


def test_planning_input_comes_back(engine: Engine, given: SiteInput) -> None:
    with engine.connect() as reader:
        found = planning_input(reader)
    assert sorted(found.outages, key=lambda o: o.code) == sorted(
        given.planning.outages, key=lambda o: o.code
    )
    for name in ("holidays", "hours", "absences", "terms", "usage_rules", "usage_readings"):
        assert sorted(map(repr, getattr(found, name))) == sorted(
            map(repr, getattr(given.planning, name))
        ), name
    assert set(found.redundant_groups) == set(given.planning.redundant_groups)
    assert found.deferrals == given.planning.deferrals


def test_an_outage_that_moved_is_told_as_last_revised(engine: Engine, given: SiteInput) -> None:
    first = next(o for o in given.planning.outages if o.code == "REV-2027")
    moved = replace(first, revision=2, last_on=date(2027, 7, 30), reason="Longer boiler work")
    with work(engine) as unit:
        planning_facts.add_outage(unit, moved)
        unit.commit()
    with engine.connect() as reader:
        assert [o for o in outages(reader) if o.code == "REV-2027"] == [moved]


def test_a_plan_comes_back_with_its_assignments_and_acceptance(engine: Engine) -> None:
    plan = Plan(
        number="PL-1",
        as_of=date(2026, 11, 25),
        first_week_on=date(2026, 11, 23),
        weeks=52,
        based_on=None,
        settings={"weights": {"late": 1000}, "pull_forward": "0.25"},
        outcome={"bound": 12.5, "unplanned": []},
        assignments=(
            PlanAssignment("PSL-1108", date(2026, 9, 30), date(2026, 11, 23), "P02", "RG-202"),
            PlanAssignment(
                "VSL-7205", date(2026, 10, 31), date(2026, 12, 21), None, None, True, "by hand"
            ),
        ),
    )
    with work(engine) as unit:
        planning_facts.add_plan(unit, plan)
        unit.commit()
    with work(engine) as unit:
        planning_facts.accept_plan(unit, plan, "P06")
        unit.commit()
    with engine.connect() as reader:
        (found,) = plans(reader, with_assignments_of="PL-1")
        (bare,) = plans(reader)
    assert found == replace(plan, accepted_on=AT.date(), accepted_by="P06")
    assert bare.assignments == ()


@pytest.mark.parametrize(
    "bad",
    [
        {"approved_by": "P01"},
        {"until": date(2026, 12, 2)},
        {"approved_on": date(2026, 12, 3)},
        {"requested_on": date(2026, 11, 26)},
        {"risk": ""},
    ],
)
def test_the_database_itself_refuses_an_impossible_deferral(
    engine: Engine, bad: dict[str, object]
) -> None:
    good = DeferralRecord(
        "PSL-1108", date(2026, 12, 2), date(2026, 12, 30), "why", "risk", "P01",
        date(2026, 11, 20), "P07", date(2026, 11, 25),
    )  # fmt: skip
    refused(engine, lambda unit: planning_facts.add_deferral(unit, replace(good, **bad)))  # type: ignore[arg-type]


def test_a_window_that_ends_before_it_begins_is_refused(engine: Engine) -> None:
    bad = Outage("BAD", 1, "x", date(2027, 1, 2), date(2027, 1, 1))
    refused(engine, lambda unit: planning_facts.add_outage(unit, bad))


def test_usage_keeps_its_digits(engine: Engine) -> None:
    with engine.connect() as reader:
        rules = planning_input(reader).usage_rules
    assert {r.limit for r in rules} == {Decimal(20000), Decimal(50000)}
