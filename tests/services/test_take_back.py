"""Handing out and taking back, without a workbook: what changed meanwhile, rounds by week."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta
from decimal import Decimal
from typing import Any

import pytest
from sqlalchemy import Engine
from sqlalchemy.orm import Session

from calfleet import records as rec
from calfleet.errors import GaugeRefused, Problem, RecordRefused, UsageError
from calfleet.services.hand_out import (
    Job,
    Tooling,
    content_digest,
    hand_out,
    jobs_by_end_of,
    jobs_of_week,
    prepare_round,
)
from calfleet.services.take_back import Taken, check, know_again, take_back
from calfleet.store import facts as store_facts
from calfleet.store import planning_facts
from calfleet.store.queries import sheets as sheet_queries
from calfleet.store.work import Work

D = Decimal


def handed_out(engine: Engine, little: Any, *tags: str, **tools: Any) -> tuple[rec.BenchSheet, ...]:
    with Session(engine) as session:
        made = prepare_round(
            session, [Job(tag) for tag in tags], Tooling(**tools), on=little.today, by="P1",
            today=little.today, strict=True,
        )  # fmt: skip
    with Work(engine, actor="P1", at=little.now, action="hand out", subject="round") as work:
        given = hand_out(work, made, today=little.today)
        work.commit()
    return given.sheets


def marks_of(engine: Engine, sheet: rec.BenchSheet, **changes: Any) -> rec.SheetMarks:
    with Session(engine) as session:
        identity = sheet_queries.site_identity(session)
    made = rec.SheetMarks(
        "f.xlsx", sheet.tag, "1", sheet.number, content_digest(sheet), identity, sheet.tag
    )
    return replace(made, **changes)


def filled(
    engine: Engine, sheet: rec.BenchSheet, bench: rec.BenchRecord, **changes: Any
) -> rec.FilledSheet:
    cells = {key: f"f.xlsx, {sheet.tag}!{key}" for key in
             ("performed_on", "performed_by", "verified_by", "agrees:0", "trip:0:as-found:1",
              "trip:0:as-found:2", "trip:0:as-found:3")}  # fmt: skip
    return rec.FilledSheet(marks_of(engine, sheet, **changes), "ab" * 32, bench, cells)


def checked(
    engine: Engine, little: Any, one: rec.FilledSheet, *, today: date | None = None
) -> tuple[list[Taken], list[Problem]]:
    problems: list[Problem] = []
    with Session(engine) as session:
        taken = check(session, [one], problems, today=today or little.today, at=little.now, by="T1")
    return taken, problems


def test_a_sheet_says_what_the_targets_say(own_works: Engine, little: Any) -> None:
    (sheet,) = handed_out(own_works, little, "PDS-2", gauge="G-BENCH", static=D("803.4"))
    (point,) = sheet.content["points"]  # type: ignore[misc]
    assert point["targets"]["static"] == "803.4"
    assert point["targets"]["set_point"] == "863.4"
    assert (point["targets"]["lower"], point["targets"]["upper"]) == ("855.4", "871.4")
    assert point["limits"]["as-left"]["upper"] == 64.0
    assert (sheet.number, sheet.procedure, sheet.procedure_revision) == ("B2026-0001", "PR-D", 1)
    assert sheet.content["head"] is True
    with Session(own_works) as session:
        held = sheet_queries.bench_sheet(session, "B2026-0001")
        assert held is not None
        assert held.sheet == sheet  # what is read back is what was handed out
        assert content_digest(held.sheet) == content_digest(sheet)
        assert (held.recorded_at, held.recorded_by, held.calibration) == (little.now, "P1", None)


def test_numbers_go_on(own_works: Engine, little: Any) -> None:
    first = handed_out(own_works, little, "PS-1", "PDS-2")
    second = handed_out(own_works, little, "PS-1")
    assert [s.number for s in (*first, *second)] == ["B2026-0001", "B2026-0002", "B2026-0003"]


def test_what_is_taken_back_is_recorded_and_linked(own_works: Engine, little: Any) -> None:
    (sheet,) = handed_out(own_works, little, "PS-1")
    one = filled(own_works, sheet, little.bench())
    later = little.now + timedelta(hours=2)
    problems: list[Problem] = []
    with Work(own_works, actor="T1", at=later, action="take back", subject="B") as work:
        (taken,) = take_back(work, [one], problems, today=little.today)
        work.commit()
    assert problems == []
    with Session(own_works) as session:
        (held,) = sheet_queries.bench_sheet_returns(session)
        assert held.returned == rec.BenchSheetReturn(
            sheet.number, taken.calibration.number, "ab" * 32
        )
        assert know_again(session, [one.marks], problems) == []
    assert f"came back already, as {taken.calibration.number}" in problems[0].message


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({"database": "other"}, "was handed out by another database"),
        ({"form": "0"}, "has the form 0"),
        ({"number": "B2026-0099"}, "No sheet 'B2026-0099' was handed out"),
        ({"digest": "0" * 64}, "are not those that were handed out"),
        ({"tag": "PDS-2"}, "was handed out for PS-1, not for PDS-2"),
    ],
)
def test_marks_that_do_not_fit_are_refused(
    own_works: Engine, little: Any, changes: dict[str, str], said: str
) -> None:
    (sheet,) = handed_out(own_works, little, "PS-1")
    problems: list[Problem] = []
    with Session(own_works) as session:
        assert know_again(session, [marks_of(own_works, sheet, **changes)], problems) == []
    (problem,) = problems
    assert said in problem.message
    assert problem.where.startswith("f.xlsx, PS-1!O")


def add_revision(engine: Engine, little: Any, made: rec.Switch | rec.ProcedureRevision) -> None:
    with Work(engine, actor="P1", at=little.now, action="revise", subject="x") as work:
        if isinstance(made, rec.Switch):
            store_facts.add_switch(work, made)
        else:
            store_facts.add_procedure_revision(work, made)
        work.commit()


def test_a_data_sheet_revised_meanwhile_is_refused(own_works: Engine, little: Any) -> None:
    (sheet,) = handed_out(own_works, little, "PS-1")
    add_revision(
        own_works, little,
        replace(little.switch("PS-1"), revision=2, effective_on=little.today, reason="new spring"),
    )  # fmt: skip
    taken, problems = checked(own_works, little, filled(own_works, sheet, little.bench()))
    assert taken == []
    (problem,) = problems
    assert "is for revision 1 of PS-1" in problem.message
    assert f"revision 2 was in force since {little.today}" in problem.message


def test_a_procedure_revised_meanwhile_is_refused(own_works: Engine, little: Any) -> None:
    (sheet,) = handed_out(own_works, little, "PDS-2")
    procedure = next(p for p in little.given.procedures if p.code == "PR-D")
    add_revision(own_works, little, replace(procedure, revision=2, effective_on=little.today))
    one = filled(own_works, sheet, little.difference())
    taken, problems = checked(own_works, little, one)
    assert taken == []
    assert "is by PR-D rev 1" in problems[0].message
    assert problems[0].where == "f.xlsx, PDS-2!performed_on"


def test_a_job_recorded_since_is_refused_and_an_earlier_one_is_not(
    own_works: Engine, little: Any
) -> None:
    """A calibration entered before the sheet was handed out is another job."""
    little.record(own_works, little.bench())
    later = replace(little, now=little.now + timedelta(hours=1))
    (sheet,) = handed_out(own_works, later, "PS-1")
    cycles = little.cycles("H", rec.Phase.AS_FOUND, ("401.0", "380.0"), ("401.1", "380.1"),
                           ("401.2", "380.2"))  # fmt: skip
    again = little.bench(cycles=cycles)
    taken, problems = checked(own_works, later, filled(own_works, sheet, again))
    assert (len(taken), problems) == (1, [])
    latest = replace(little, now=little.now + timedelta(hours=2))
    other = little.cycles("H", rec.Phase.AS_FOUND, ("400.0", "380.0"), ("400.1", "380.1"),
                          ("400.2", "380.2"))  # fmt: skip
    made = latest.record(own_works, little.bench(cycles=other))
    taken, problems = checked(own_works, later, filled(own_works, sheet, again))
    assert taken == []
    assert f"was recorded already, as {made.number}" in problems[0].message


def test_everything_that_stands_against_a_sheet_is_told(own_works: Engine, little: Any) -> None:
    (sheet,) = handed_out(own_works, little, "PS-1")
    bad = little.bench(
        performed_by="T2",  # whose qualification expired
        gauges=(rec.GaugeUsed(rec.GaugeRole.OPERATING, "G-AWAY", ""),),
    )
    taken, problems = checked(own_works, little, filled(own_works, sheet, bad))
    assert taken == []
    said = {p.where.split("!")[1]: p.message for p in problems}
    assert "T2 (Linnet Marsh) is not qualified" in said["performed_by"]
    assert "at laboratory since" in said["agrees:0"]


def test_each_run_that_cannot_be_is_told(own_works: Engine, little: Any) -> None:
    (sheet,) = handed_out(own_works, little, "PS-1")
    cycles = little.cycles("H", rec.Phase.AS_FOUND, ("401.0", "480.0"), ("401.1", "380.1"),
                           ("1598.0", "1590.0"))  # fmt: skip
    _, problems = checked(own_works, little, filled(own_works, sheet, little.bench(cycles=cycles)))
    places = [p.where.split("!")[1] for p in problems]
    assert "trip:0:as-found:1" in places
    assert "trip:0:as-found:3" in places
    assert "trip:0:as-found:2" not in places


# --- rounds -----------------------------------------------------------------------------


def test_a_round_by_month_holds_what_is_due_by_its_end(session: Session, little: Any) -> None:
    jobs = jobs_by_end_of(session, (2026, 3), today=little.today)
    tags = [job.tag for job in jobs]
    assert "PDS-2" in tags  # due in February: still to be done
    assert "PS-1" not in tags  # due in July
    assert set(tags) < {j.tag for j in jobs_by_end_of(session, (2026, 12), today=little.today)}


def test_a_round_by_week_follows_the_plan(own_works: Engine, little: Any) -> None:
    monday = date(2026, 3, 2)
    plan = rec.Plan(
        number="PL2026-001", as_of=date(2026, 3, 1), first_week_on=monday, weeks=2, based_on=None,
        settings={}, outcome={},
        assignments=(
            rec.PlanAssignment("PDS-2", date(2026, 2, 20), monday, "T1", "G-REF", False, ""),
            rec.PlanAssignment("PS-1", date(2026, 3, 8), monday, "T1", "G-OLD", False, ""),
            rec.PlanAssignment("PS-5", date(2026, 3, 20), date(2026, 3, 9), "T1", None, False, ""),
        ),
    )  # fmt: skip
    with Work(own_works, actor="P1", at=little.now, action="plan", subject="x") as work:
        planning_facts.add_plan(work, plan)
        work.commit()
    with Session(own_works) as session:
        jobs, left = jobs_of_week(session, date(2026, 3, 5), today=little.today)
        assert left == []
        made = prepare_round(
            session, jobs, Tooling(), on=little.today, by="P1", today=little.today, strict=False
        )
        with pytest.raises(RecordRefused, match="no job in the week"):
            jobs_of_week(session, date(2026, 4, 1), today=little.today)
    used = {s.tag: s.content["gauges"][0]["code"] for s in made.sheets}  # type: ignore[index]
    assert used["PDS-2"] == "G-REF"  # as planned
    assert used["PS-1"] == "G-BENCH"  # the planned one is overdue: the first that will do
    little.record(own_works, little.bench())
    with Session(own_works) as session:
        jobs, left = jobs_of_week(session, monday, today=little.today)
    assert [job.tag for job in jobs] == ["PDS-2"]
    assert left == [("PS-1", f"done on {little.today} already")]


def prepared(session: Session, little: Any, *tags: str, **how: Any) -> Any:
    given: dict[str, Any] = {
        "on": little.today, "by": "P1", "today": little.today, "strict": True
    } | how  # fmt: skip
    tools = {k: given.pop(k) for k in ("gauge", "static_gauge", "static") if k in given}
    return prepare_round(session, [Job(t) for t in tags], Tooling(**tools), **given)


def test_a_switch_named_twice_gets_one_sheet(session: Session, little: Any) -> None:
    assert [s.tag for s in prepared(session, little, "PS-1", "ps-1", " PS-1").sheets] == ["PS-1"]


def test_what_is_refused_stands_by_itself_or_is_left_out(session: Session, little: Any) -> None:
    with pytest.raises(GaugeRefused, match="No reference gauge will do for VS-4"):
        prepared(session, little, "PS-1", "VS-4")
    made = prepared(session, little, "PS-1", "VS-4", "PS-7", strict=False)
    assert [s.tag for s in made.sheets] == ["PS-1"]
    assert [tag for tag, _ in made.left_out] == ["VS-4", "PS-7"]
    assert "is scrapped" in made.left_out[1][1]
    with pytest.raises(RecordRefused, match="No sheet can be handed out"):
        prepared(session, little, "VS-4", strict=False)


def test_a_second_gauge_must_be_able_to_read_the_static_pressure(
    session: Session, little: Any
) -> None:
    (sheet,) = prepared(session, little, "PDS-2", gauge="G-BENCH", static_gauge="G-REF").sheets
    assert [g["role"] for g in sheet.content["gauges"]] == ["operating", "static"]
    assert sheet.content["static"]["gauge"] == "G-REF"
    for code, why in (
        ("G-DIFF", "read on a gauge-pressure gauge"), ("G-AWAY", "at laboratory since"),
        ("G-OLD", "overdue since"),
    ):  # fmt: skip
        with pytest.raises(GaugeRefused, match=why):
            prepared(session, little, "PDS-2", gauge="G-BENCH", static_gauge=code)
    with pytest.raises(GaugeRefused, match="needs no static reading"):
        prepared(session, little, "PDS-2", gauge="G-DIFF", static_gauge="G-REF")


def test_a_day_that_is_past_is_refused(session: Session, little: Any) -> None:
    with pytest.raises(UsageError, match="before today"):
        prepared(session, little, "PS-1", on=little.today - timedelta(days=1))
