"""A gauge found bad from report to closing, on the small works, on both databases."""

from __future__ import annotations

import shutil
from collections.abc import Callable, Iterator
from dataclasses import replace
from datetime import UTC, date, datetime, time, timedelta
from decimal import Decimal
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import Engine
from sqlalchemy.orm import Session

from calfleet import records as rec
from calfleet.errors import (
    CalfleetError,
    DateRefused,
    GaugeRefused,
    PersonRefused,
    RecordRefused,
    UnknownName,
    UsageError,
)
from calfleet.records import Action, ErrorPoint, FoundBadKind, Role
from calfleet.services.bench_facts import gather
from calfleet.services.close_event import close
from calfleet.services.cross_check import (
    NewCheck,
    NewPoint,
    clears,
    cross_check,
    cross_checks,
)
from calfleet.services.decide_event import Decided, decide
from calfleet.services.doubt import Doubt, in_doubt
from calfleet.services.fit_gauges import judge_gauge
from calfleet.services.list_due import list_due
from calfleet.services.list_gauges import list_gauges
from calfleet.services.report_event import NewEvent, Reported, report_event
from calfleet.services.show_event import dossier, event_lines
from calfleet.services.tell_event import tell
from calfleet.services.verify import verify
from calfleet.store.engine import open_engine
from calfleet.store.work import Work
from calfleet.traceability.dossier import Dossier
from calfleet.traceability.impact import Consequence

D = Decimal
FOUND = date(2026, 2, 20)
KIND = FoundBadKind


class Works:
    """The works in a database of its own, and the verbs with their usual arguments."""

    def __init__(self, engine: Engine, little: Any) -> None:
        self.engine, self.little, self.today = engine, little, little.today

    def work(self, entered_on: date | None = None) -> Work:
        at = self.little.now
        if entered_on is not None:
            at = datetime.combine(entered_on, time(9), UTC)
        return Work(self.engine, actor="R1", at=at, action="test", subject="x")

    def do(self, verb: Callable[[Work], Any], entered_on: date | None = None) -> Any:
        with self.work(entered_on) as unit:
            made = verb(unit)
            unit.commit()
        return made

    def report(self, new: NewEvent, person: str = "R1") -> Reported:
        made: Reported = self.do(lambda w: report_event(w, new, person=person, today=self.today))
        return made

    def decide(self, action: Action, *calibrations: str, **how: Any) -> Decided:
        given: dict[str, Any] = {"reason": "read", "person": "R1", "today": self.today} | how
        number = given.pop("number", "E2026-001")
        made: Decided = self.do(
            lambda w: decide(w, number, action, calibrations=calibrations, **given)
        )
        return made

    def tell(self, *told: str, **how: Any) -> Any:
        given: dict[str, Any] = {"person": "R1", "today": self.today} | how
        return self.do(lambda w: tell(w, "E2026-001", told=told, **given))

    def close(self, **how: Any) -> rec.EventClosure:
        given: dict[str, Any] = {"statement": "done", "person": "A1", "today": self.today} | how
        made: rec.EventClosure = self.do(lambda w: close(w, "E2026-001", **given))
        return made

    def show(self, number: str = "E2026-001") -> Dossier:
        with Session(self.engine) as session:
            return dossier(session, number, today=self.today)

    def refused(self, verb: Callable[[], Any], kind: type[CalfleetError]) -> CalfleetError:
        """The refusal; every one says its rule and the next step, and leaves nothing behind."""
        with self.engine.connect() as connection:
            before = connection.exec_driver_sql("SELECT count(*) FROM audit_entry").scalar()
        with pytest.raises(kind) as caught:
            verb()
        with self.engine.connect() as connection:
            after = connection.exec_driver_sql("SELECT count(*) FROM audit_entry").scalar()
        assert before == after
        assert caught.value.rule
        return caught.value

    def due(self, tag: str, on: date | None = None) -> Any:
        with Session(self.engine) as session:
            lines = list_due(
                session, as_of=on or self.today, until=(on or self.today) + timedelta(7)
            ).lines
        return next((line for line in lines if line.tag == tag), None)


def input_of(little: Any) -> dict[str, Any]:
    """The works with a reviewer, a gauge calibrated in the shop with G-BENCH, and a use of it."""
    given = little.given
    since = date(2024, 1, 2)
    low = replace(little.gauge("G-BENCH"), code="G-LOW", serial="SN G-LOW", tier=4)
    shop = rec.Laboratory("SHOP", "Instrument shop", rec.LaboratoryKind.IN_HOUSE)
    made = replace(
        little.certificate("BENCH-25"), number="LOW-25", gauge="G-LOW", laboratory="SHOP",
        calibrated_on=date(2025, 8, 1), issued_on=date(2025, 8, 1),
        standards=(rec.StandardUsed("", "G-BENCH", "BENCH-25"),),
    )  # fmt: skip
    other = replace(
        little.certificate("BENCH-25"), number="POOR-26", gauge="G-POOR",
        calibrated_on=date(2025, 12, 1), issued_on=date(2025, 12, 1), standards=(),
    )  # fmt: skip
    use = little.bench(
        tag="PS-5", performed_on=date(2025, 9, 15), procedure_revision=1, number="H006",
        gauges=(rec.GaugeUsed(rec.GaugeRole.OPERATING, "G-LOW", ""),),
    )  # fmt: skip
    return {
        "people": (
            *given.people,
            rec.Person("R1", "Teasel Brook", (rec.RoleGrant(Role.REVIEWER, since),)),
            rec.Person("R2", "Lark Hollin", (rec.RoleGrant(Role.REVIEWER, since),)),
        ),
        "laboratories": (*given.laboratories, shop),
        "gauges": (*given.gauges, low),
        "certificates": (*given.certificates, made, other),
        "history": (*given.history, use),
    }


@pytest.fixture(scope="module")
def built(little: Any, migrated_sqlite: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("events") / "works.sqlite"
    shutil.copy(migrated_sqlite, path)
    engine = open_engine(f"sqlite:///{path}")
    little.build(engine, **input_of(little))
    engine.dispose()
    return path


@pytest.fixture
def works_of(built: Path, little: Any, tmp_path: Path) -> Iterator[Works]:
    """A copy of the works to write to."""
    shutil.copy(built, tmp_path / "own.sqlite")
    engine = open_engine(f"sqlite:///{tmp_path / 'own.sqlite'}")
    yield Works(engine, little)
    engine.dispose()


@pytest.fixture
def works_on_both(database_url: str, little: Any) -> Iterator[Works]:
    """The works on each of the two databases."""
    engine = open_engine(database_url)
    little.build(engine, **input_of(little))
    yield Works(engine, little)
    engine.dispose()


def off(by: str) -> tuple[ErrorPoint, ...]:
    """G-BENCH, whose certificate states +1.0 kPa, found to read that much more than true."""
    return tuple(ErrorPoint(D(p), D(by)) for p in (0, 400, 1600))


BAD = NewEvent("g-bench", KIND.AS_FOUND, found_on=FOUND, points=off("12.0"), note="dropped")


def test_the_whole_life_of_an_event(works_on_both: Works) -> None:
    """Reported, shown, decided, told, closed; every step in the audit trail, all verified.

    By hand: H002 tripped at 402.0, 401.5 and 401.4 kPa, less the stated 1.0 kPa; found 12.0 kPa
    high, the largest comes to 390.0 and the least to 389.4, below the lower limit 390 kPa.
    """
    works_of = works_on_both
    made = works_of.report(BAD)
    assert made.event.number == "E2026-001"
    assert made.event.gauge == "G-BENCH"
    assert made.event.unit == "kPa"
    assert made.found.last_good.certificate == "BENCH-25"
    assert list(made.affected.calibrations) == ["H002", "H006"]
    assert list(made.affected.certificates) == ["LOW-25"]

    shown = works_of.show()
    assert list(shown.touched) == ["H002", "H006"]
    row = shown.touched["H002"].rows[0]
    assert row.consequence is Consequence.FLIPPED_OUT
    assert row.shift_worst == pytest.approx(11.0)
    assert row.worst is not None
    assert row.worst.low == pytest.approx(389.4)
    assert shown.touched["H002"].proposed is Action.RECALL
    assert shown.touched["H006"].rows[0].tier == 2
    assert shown.touched["H006"].rows[0].path == ("LOW-25",)
    assert shown.impact.told == (
        "the owner of area N (North)",
        "whoever answers for functional safety",
        "the owner of area S (South)",
    )
    assert len(shown.open_points) == 2
    assert shown.state == "open"

    error = works_of.refused(works_of.close, RecordRefused)
    assert "2 calibrations without a decision: H002 and H006" in error.message
    assert "nobody was told" in error.message

    first = works_of.decide(Action.ASSESS, "h002")
    assert [(d.calibration, d.decision) for d, _ in first.made] == [("H002", 1)]
    assert first.left == 1
    again = works_of.decide(Action.RECALL, "H002", "H006", person="A1", reason="below")
    assert [(d.calibration, d.decision) for d, _ in again.made] == [("H002", 2), ("H006", 1)]
    assert again.left == 0
    shown = works_of.show()
    assert shown.held.standing["H002"].action is Action.RECALL
    assert shown.undecided == ()

    error = works_of.refused(works_of.close, RecordRefused)
    assert "without a decision" not in error.message
    told = works_of.tell(everybody=True, note="by telephone")
    assert [n.told for n in told] == list(shown.impact.told)
    works_of.tell("the insurer", told_on=FOUND)
    closed = works_of.close()
    assert (closed.closed_by, closed.closed_on) == ("A1", works_of.today)
    shown = works_of.show()
    assert shown.open_points == ()
    assert shown.state == "closed on 2026-03-02 by Sorrel Finch (A1)"
    with Session(works_of.engine) as session:
        (line,) = event_lines(session)
        assert (line.touched, line.undecided, line.state) == (2, 0, "closed 2026-03-02")
        assert verify(session).differences == ()


def test_a_recalled_switch_is_due_at_once_until_calibrated(works_on_both: Works) -> None:
    works_of = works_on_both
    works_of.report(BAD)
    assert works_of.due("PS-1") is None
    works_of.decide(Action.RECALL, "H002")
    line = works_of.due("PS-1")
    assert line.due_on == works_of.today
    assert line.status == "overdue"
    assert "recalled: event E2026-001 (H002 of 2025-07-08" in line.why
    assert "By the calendar 2026-07-08." in line.why
    assert works_of.due("PS-1", works_of.today - timedelta(1)) is None  # decided the day after
    works_of.decide(Action.NONE, "H002", reason="a later decision stands")
    assert works_of.due("PS-1") is None
    works_of.decide(Action.RECALL, "H002")
    assert works_of.due("PS-1") is not None
    gauge = (rec.GaugeUsed(rec.GaugeRole.OPERATING, "G-POOR", ""),)
    works_of.little.record(works_of.engine, works_of.little.bench(gauges=gauge))
    assert works_of.due("PS-1") is None
    late = works_of.decide(Action.RECALL, "H002", reason="again")
    assert late.done_since == ("PS-1",)


def test_closing_does_not_calibrate_a_recalled_switch(works_of: Works) -> None:
    works_of.report(BAD)
    works_of.decide(Action.RECALL, "H002", "H006")
    works_of.tell("the owner")
    works_of.close()
    assert works_of.due("PS-1") is not None


def option(works_of: Works, gauge: str, on: date) -> tuple[str, ...]:
    with Session(works_of.engine) as session:
        switch = works_of.little.switch("PS-1")
        return judge_gauge(gauge, switch, gather(session), on, None).reasons


@pytest.mark.parametrize("kind", [KIND.LOST, KIND.DAMAGED, KIND.AS_FOUND])
def test_a_gauge_found_bad_is_not_used_until_calibrated_again(
    works_of: Works, kind: FoundBadKind
) -> None:
    points = off("1.0") if kind is KIND.AS_FOUND else ()
    assert option(works_of, "G-BENCH", FOUND) == ()
    works_of.report(NewEvent("G-BENCH", kind, found_on=FOUND, points=points))
    says = f"found bad on 2026-02-20 ({kind}, E2026-001), not calibrated since"
    assert option(works_of, "G-BENCH", FOUND - timedelta(1)) == ()
    assert option(works_of, "G-BENCH", FOUND) == (says,)
    with Session(works_of.engine) as session:
        (line,) = [g for g in list_gauges(session, works_of.today) if g.gauge.code == "G-BENCH"]
    assert line.standing == f"found bad on 2026-02-20 ({kind}, E2026-001)"
    error = works_of.refused(
        lambda: works_of.little.record(works_of.engine, works_of.little.bench()), GaugeRefused
    )
    assert says in error.message
    if kind is KIND.LOST:
        works_of.decide(Action.NONE, "H002", "H006")
        works_of.tell("the owner")
        works_of.close()  # is about the results, not about the gauge
        assert option(works_of, "G-BENCH", works_of.today) == (says,)


def test_a_new_certificate_makes_it_usable(works_of: Works) -> None:
    from calfleet.store import facts

    works_of.report(NewEvent("G-BENCH", KIND.DAMAGED, found_on=FOUND))
    new = replace(
        works_of.little.certificate("BENCH-25"), number="BENCH-26",
        calibrated_on=FOUND + timedelta(2), issued_on=FOUND + timedelta(4),
    )  # fmt: skip
    works_of.do(lambda w: facts.add_certificate(w, new))
    assert option(works_of, "G-BENCH", FOUND + timedelta(3)) != ()  # not issued yet
    assert option(works_of, "G-BENCH", FOUND + timedelta(4)) == ()
    assert works_of.show().impact.event.used_until == new.calibrated_on


def test_a_lost_gauge_leaves_nothing_sure(works_of: Works) -> None:
    works_of.report(NewEvent("G-BENCH", KIND.LOST, found_on=FOUND))
    shown = works_of.show()
    assert {t.consequence for t in shown.touched.values()} == {Consequence.NOT_SURE}
    error = works_of.refused(
        lambda: works_of.decide(Action.NONE, outcomes=[Consequence.NOT_SURE]), RecordRefused
    )
    assert "more than 'none' is proposed" in error.message
    assert "H002" in error.message
    assert works_of.show().held.decisions == ()
    works_of.decide(Action.ASSESS, "H002", reason="no demand in the log")  # by name it may be
    made = works_of.decide(Action.ASSESS, outcomes=[Consequence.NOT_SURE])
    assert [d.calibration for d, _ in made.made] == ["H006"]
    error = works_of.refused(
        lambda: works_of.decide(Action.NONE, outcomes=[Consequence.NOT_SURE]), RecordRefused
    )
    assert "No calibration without a decision" in error.message


def test_all_of_an_outcome_at_once_leaves_the_others(works_of: Works) -> None:
    works_of.report(replace(BAD, points=off("1.2")))  # 0.2 kPa off: nothing comes of it
    shown = works_of.show()
    assert {t.consequence for t in shown.touched.values()} == {Consequence.KEPT}
    assert shown.impact.told == ()
    made = works_of.decide(Action.NONE, outcomes=[Consequence.KEPT], reason="well inside")
    assert made.left == 0
    assert works_of.show().open_points == ()  # nobody need be told
    works_of.close()


def test_a_withdrawn_certificate_is_withdrawn_with_its_event(works_of: Works) -> None:
    made = works_of.report(
        NewEvent("G-BENCH", KIND.WITHDRAWN, "bench-25", points=off("12.0"), note="wrong load")
    )
    assert made.withdrawn
    assert made.event.certificate == "BENCH-25"
    with Session(works_of.engine) as session:
        facts = gather(session)
        assert facts.certificates["BENCH-25"].withdrawal == rec.CertificateWithdrawal(
            works_of.today, "wrong load"
        )
        assert verify(session).differences == ()
    shown = works_of.show()
    assert set(shown.touched) == {"H002", "H006"}
    row = shown.touched["H002"].rows[0]
    assert row.shift_worst == row.shift_linear == pytest.approx(11.0)
    assert any(
        "BENCH-24" in r or "overdue" in r for r in option(works_of, "G-BENCH", works_of.today)
    )
    again = works_of.report(replace(BAD, points=off("2.0")))
    assert again.event.number == "E2026-002"
    assert again.found.last_good.certificate == "BENCH-24"
    assert not works_of.report(
        NewEvent("G-OXY", KIND.WITHDRAWN, "OXY-25", note="as said before")
    ).withdrawn


def test_what_contradicts_itself_is_not_reported(works_of: Works) -> None:
    def report(**changes: Any) -> Callable[[], Any]:
        return lambda: works_of.report(replace(BAD, **changes))

    unknown = works_of.refused(report(gauge="G-BENHC"), UnknownName)
    assert "G-BENCH" in unknown.next_step
    for changes, kind, says in (
        ({"certificate": "BENCH-25"}, UsageError, "stated twice"),
        ({"kind": KIND.LOST}, UsageError, "its errors are stated"),
        ({"kind": KIND.DAMAGED, "points": (), "certificate": "BENCH-25"}, UsageError, "stated"),
        ({"kind": KIND.WITHDRAWN}, UsageError, "Which certificate"),
        ({"kind": KIND.WITHDRAWN, "certificate": "REF-25"}, UnknownName, "REF-25"),
        ({"kind": KIND.WITHDRAWN, "certificate": "BENCH-25", "found_on": date(2025, 1, 1)},
         UsageError, "was issued on"),
        ({"found_on": date(2026, 3, 3)}, UsageError, "after today"),
        ({"points": (), "certificate": "BENCH-25"}, UsageError, "not on 2026-02-20"),
        ({"points": (*off("1"), ErrorPoint(D(400), D(2)))}, RecordRefused, "stated twice"),
        ({"unit": "degC"}, RecordRefused, "degC"),
        ({"unit": "furlong"}, UsageError, "furlong"),
        ({"found_on": date(2024, 1, 1)}, RecordRefused, "No certificate shows"),
    ):  # fmt: skip
        assert says in works_of.refused(report(**changes), kind).message, changes
    works_of.report(BAD)
    twice = works_of.refused(report(note="once more"), RecordRefused)
    assert "reported already: E2026-001" in twice.message
    nobody = works_of.refused(
        lambda: works_of.report(replace(BAD, found_on=works_of.today), person="ZZ"), UnknownName
    )
    assert nobody.message.startswith("No person")


def test_who_may_not_and_what_cannot_be_decided(works_of: Works) -> None:
    works_of.report(BAD)

    def refused(kind: type[CalfleetError], *names: str, **how: Any) -> str:
        return works_of.refused(lambda: works_of.decide(Action.NONE, *names, **how), kind).message

    assert "may not decide" in refused(PersonRefused, "H002", person="T1")
    assert "no reason" in refused(UsageError, "H002", reason=" ")
    assert "Nothing to decide" in refused(UsageError)
    assert "Two ways" in refused(UsageError, "H002", outcomes=[Consequence.KEPT])
    assert "does not rest on G-BENCH" in refused(RecordRefused, "H001")
    assert "H022" in refused(UnknownName, "H022")
    assert "E2026-009" in refused(UnknownName, "H002", number="E2026-009")
    error = works_of.refused(lambda: works_of.close(person="P1"), PersonRefused)
    assert error.next_step == "On that day: A1, R1, R2."
    works_of.decide(Action.NONE, "H002", "H006")
    works_of.refused(lambda: works_of.tell(), UsageError)
    works_of.refused(lambda: works_of.tell("x", told_on=FOUND - timedelta(1)), DateRefused)
    works_of.tell("the owner")
    twice = works_of.refused(lambda: works_of.tell("the owner"), RecordRefused)
    assert "is on record" in twice.message
    works_of.refused(lambda: works_of.close(statement=""), UsageError)
    alone = works_of.refused(lambda: works_of.close(person="R1"), PersonRefused)
    assert "second person" in alone.rule
    works_of.close(person="R2")
    assert "was closed on" in refused(RecordRefused, "H002")
    works_of.tell("the works council")  # may still be told
    works_of.tell(everybody=True)
    error = works_of.refused(lambda: works_of.tell(everybody=True), RecordRefused)
    assert "Nobody is left" in error.message


def test_what_comes_to_rest_on_the_gauge_later_shows(works_of: Works) -> None:
    """A calibration of that time entered after the closing, and a correction of a decided one."""
    works_of.report(BAD)
    works_of.decide(Action.NONE, "H002", "H006")
    works_of.tell("the owner")
    works_of.close()
    corrected = works_of.little.bench(
        performed_on=date(2025, 7, 8), replaces="H002", replacement_reason="wrong run",
        procedure_revision=1,
    )  # fmt: skip
    made = works_of.little.record(works_of.engine, corrected)
    shown = works_of.show()
    assert set(shown.touched) == {made.number, "H006"}
    assert shown.undecided == (made.number,)
    assert shown.impact.replaced == ("H002",)
    assert shown.remarks[0].startswith("Since the event was closed 1 calibration came to rest")
    assert "no longer touched" in shown.remarks[1]


def test_a_milder_decision_than_proposed_and_a_second_event_are_remarked(works_of: Works) -> None:
    works_of.report(BAD)
    works_of.decide(Action.NONE, "H002", reason="the process never comes near")
    works_of.report(NewEvent("G-LOW", KIND.DAMAGED, found_on=FOUND))
    shown = works_of.show()
    assert shown.remarks == (
        "H002 of PS-1: none was decided where recall is proposed (flipped to out of tolerance).",
        "Event E2026-002 (G-LOW) touches 1 calibration of these, too, and is judged by itself: "
        "H006.",
    )
    other = works_of.show("E2026-002")
    assert "itself in doubt" in other.impact.event.last_good.how


def test_the_preview_says_what_the_event_will(works_of: Works, little: Any) -> None:
    with Session(works_of.engine) as session:
        before = in_doubt(
            session, Doubt("G-BENCH", kind=KIND.LOST, found_on=FOUND), today=little.today
        )
    works_of.report(NewEvent("G-BENCH", KIND.LOST, found_on=FOUND))
    after = works_of.show().impact
    assert before.rows == after.rows
    assert before.gauges == after.gauges


# --- cross checks -------------------------------------------------------------------------------


def check(works_of: Works, *points: NewPoint, **how: Any) -> Any:
    given: dict[str, Any] = {"gauge": "G-BENCH", "against": "G-POOR"} | how
    person = given.pop("person", "T1")
    entered_on = given.pop("entered_on", None)
    new = NewCheck(points=points, **given)
    return works_of.do(
        lambda w: cross_check(w, new, person=person, today=works_of.today), entered_on
    )


def test_a_cross_check_takes_its_uncertainties_from_the_budgets(works_on_both: Works) -> None:
    """By hand for G-BENCH on 2026-02-01 at 400 kPa, 244 days after its calibration, in kPa:
    certificate 0.8/2, drift 0.2 · 244/365.25/√3, resolution 0.05/√3, temperature 0.02 · 5/√3;
    the root of the squares is 0.4123; k = 1.96 (normal) gives 0.808."""
    works_of = works_on_both
    made, outcome = check(works_of, NewPoint(D("401.0"), D("401.2")), done_on=date(2026, 2, 1))
    assert made.number == "X2026-001"
    assert (made.certificate, made.against_certificate) == ("BENCH-25", "POOR-26")
    assert float(made.points[0].gauge_uncertainty) == pytest.approx(0.808, abs=0.002)
    assert outcome.points[0].value == D("400.0")  # both certificates state +1.0 kPa
    assert outcome.points[0].other_value == D("400.2")
    assert outcome.agrees
    with Session(works_of.engine) as session:
        assert cross_checks(session) == cross_checks(session, "g-poor") == [(made, outcome)]
        assert cross_checks(session, "G-REF") == []
        assert verify(session).differences == ()


def test_a_cross_check_bounds_the_period(works_of: Works) -> None:
    # at both ends of the errors found: one point between them would have shown nothing of the rest
    check(
        works_of, *(NewPoint(D(x), D(x) - D("0.1"), D("0.5"), D("0.5")) for x in (1, 1600)),
        done_on=date(2025, 12, 20), entered_on=date(2025, 12, 20),
    )  # fmt: skip
    made = works_of.report(BAD)
    assert made.found.left_out == ()
    assert made.found.last_good.on == date(2025, 12, 20)
    assert made.affected.calibrations == ()
    shown = works_of.show()
    assert [c.number for c in shown.checks] == ["X2025-001"] or shown.checks[
        0
    ].number == "X2026-001"
    assert shown.open_points == ()


def test_a_cross_check_entered_after_the_finding_bounds_nothing_and_is_named(
    works_on_both: Works,
) -> None:
    """Found on 2026-02-20, reported and entered on 2026-03-02 with a day before the finding."""
    works_of = works_on_both
    first = works_of.report(BAD)
    check(
        works_of, *(NewPoint(D(x), D(x) - D("0.1"), D("0.5"), D("0.5")) for x in (1, 1600)),
        done_on=date(2025, 12, 20), entered_on=date(2026, 3, 3),
    )  # fmt: skip
    shown = works_of.show()
    assert shown.impact.event.last_good == first.found.last_good
    assert set(shown.touched) == set(first.affected.calibrations)
    assert shown.impact.event.left_out == (
        "Cross check X2026-001 of 2025-12-20 with G-POOR is not counted: it was entered on "
        "2026-03-03, after the event was reported. Whoever decides about a result may weigh it, "
        "and says so in the reason.",
    )
    with Session(works_of.engine) as session:
        preview = in_doubt(session, Doubt("G-BENCH", None, KIND.LOST, FOUND), today=works_of.today)
    assert "after the gauge was found bad" in preview.event.left_out[0]


def test_a_lost_gauge_is_cleared_only_over_its_whole_range(works_of: Works) -> None:
    day = date(2025, 12, 20)
    one = NewPoint(D("401.0"), D("400.9"), D("0.5"), D("0.5"))
    _, outcome = check(works_of, one, done_on=day, entered_on=day)
    with Session(works_of.engine) as session:
        assert set(clears(session, outcome)) == {"G-BENCH", "G-POOR"}
        assert "from end to end" in clears(session, outcome)["G-BENCH"]
    made = works_of.report(NewEvent("G-BENCH", KIND.LOST, found_on=FOUND))
    assert made.found.last_good.on == date(2025, 6, 2)
    assert "it compared at 400 kPa" in made.found.left_out[0]


def test_a_cross_check_that_disagrees_bounds_nothing(works_of: Works) -> None:
    point = NewPoint(D("400.0"), D("409.0"), D("0.5"), D("0.5"))
    _, outcome = check(works_of, point, done_on=date(2025, 12, 20))
    assert not outcome.agrees
    assert outcome.largest_en == pytest.approx(9 / 0.5**0.5)  # 9 against sqrt(0.5^2 + 0.5^2)
    assert len(works_of.report(BAD).affected.calibrations) == 2


def test_a_cross_check_in_another_unit_is_the_same(works_of: Works) -> None:
    made, outcome = check(works_of, NewPoint(D("4.010"), D("4.012")), unit="bar")
    assert made.unit == "bar"
    assert outcome.points[0].value == D("4.000")
    assert float(made.points[0].gauge_uncertainty) == pytest.approx(0.0081, rel=0.01)


def test_what_cannot_be_compared_is_refused(works_of: Works) -> None:
    good = NewPoint(D("400"), D("400"))
    for points, changes, kind, says in (
        ((), {}, UsageError, "No point"),
        ((good,), {"against": "g-bench"}, UsageError, "with itself"),
        ((good,), {"done_on": date(2026, 3, 3)}, UsageError, "after today"),
        ((good,), {"against": "G-OLD"}, GaugeRefused, "overdue since 2026-01-20"),
        ((good,), {"done_on": date(2024, 1, 1)}, GaugeRefused, "no certificate"),
        ((good,), {"unit": "degC"}, RecordRefused, "degC"),
        ((NewPoint(D("1700"), D("1700")),), {}, CalfleetError, "outside the gauge's range"),
        ((NewPoint(D("4"), D("4"), D("-1")),), {}, UsageError, "expanded uncertainty"),
        ((NewPoint(D("4"), D("4"), D(0), D(0)),), {}, UsageError, "expanded"),
        ((good,), {"person": "ZZ"}, UnknownName, "ZZ"),
    ):
        error = works_of.refused(
            lambda points=points, changes=changes: check(  # type: ignore[misc]
                works_of, *points, **changes
            ),
            kind,
        )
        assert says in error.message, changes
