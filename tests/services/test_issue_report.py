"""Reports issued and checked: who may issue what, what a further issue says, what is told later."""

from __future__ import annotations

import hashlib
from collections.abc import Iterator
from dataclasses import replace
from datetime import date
from typing import Any

import pytest
from sqlalchemy import Engine, text
from sqlalchemy.orm import Session

from calfleet import records as rec
from calfleet.errors import PersonRefused, RecordRefused, UnknownName, UsageError
from calfleet.records import ReviewOutcome, Role
from calfleet.services.check_report import check_report
from calfleet.services.decide_event import decide
from calfleet.services.issue_report import issue, issues, to_issue
from calfleet.services.report_event import NewEvent, report_event
from calfleet.services.review import review
from calfleet.services.verify import verify
from calfleet.store.engine import open_engine
from calfleet.store.queries import calibrations as queries
from calfleet.store.work import Work

REVIEWER = rec.RoleGrant(Role.REVIEWER, date(2024, 1, 2))


@pytest.fixture
def engine(database_url: str, little: Any) -> Iterator[Engine]:
    """The works with a reviewer more; its technician is one too."""
    people = tuple(
        replace(p, roles=(*p.roles, REVIEWER)) if p.code == "T1" else p for p in little.given.people
    )
    made = open_engine(database_url)
    little.build(made, people=(*people, rec.Person("R1", "Alder Quince", (REVIEWER,))))
    yield made
    made.dispose()


def read(engine: Engine, little: Any, number: str, outcome: ReviewOutcome, **how: Any) -> None:
    with Work(engine, actor="R1", at=little.now, action="review", subject=number) as work:
        review(work, number, outcome, reviewer="R1", on=little.today, **how)
        work.commit()


def issued(
    engine: Engine, little: Any, number: str, file: bytes, reason: str = ""
) -> rec.ReportFacts:
    with Work(engine, actor="R1", at=little.now, action="issue", subject=number) as work:
        facts = to_issue(work.session, number, person="R1", reason=reason, today=little.today)
        issue(work, facts, digest=digest(file), size=len(file))
        work.commit()
    return facts


def digest(file: bytes) -> str:
    return hashlib.sha256(file).hexdigest()


@pytest.fixture
def accepted(engine: Engine, little: Any) -> str:
    made: rec.Calibration = little.record(engine, little.bench(), recorded_by="T1")
    read(engine, little, made.number, ReviewOutcome.ACCEPTED)
    return made.number


def test_what_was_accepted_is_issued_and_known_again(
    engine: Engine, little: Any, accepted: str
) -> None:
    facts = issued(engine, little, accepted, b"first")
    assert facts.issue == rec.ReportIssue(1, "R1")
    with Session(engine) as session:
        (held,) = issues(session, accepted)
        found = check_report(session, digest(b"first"))
        assert check_report(session, digest(b"first, altered")) is None
        assert verify(session).differences == ()
    assert (held.report.issue, held.report.size, held.recorded_by) == (1, 5, "R1")
    assert (held.report.audit_entries, held.report.audit_head) == (
        facts.head_position, facts.head_digest,
    )  # fmt: skip
    assert found is not None
    assert (found.issued, found.tag, found.cautions, found.head_held) == (held, "PS-1", (), True)


def test_a_further_issue_says_why_and_the_first_no_longer_stands(
    engine: Engine, little: Any, accepted: str
) -> None:
    issued(engine, little, accepted, b"first")
    with pytest.raises(UsageError, match="issued already: issue 1 of"):
        issued(engine, little, accepted, b"second")
    facts = issued(engine, little, accepted, b"second", "Address corrected")
    assert facts.issue is not None
    assert (facts.issue.number, facts.issue.reason) == (2, "Address corrected")
    assert facts.issue.replaces == f"issue 1 of {little.now:%Y-%m-%d}"
    with Session(engine) as session:
        first, second = (check_report(session, digest(b)) for b in (b"first", b"second"))
    assert first is not None
    assert second is not None
    assert first.cautions == ("issue 2 takes its place",)
    assert second.cautions == ()


def test_the_report_of_a_correction_names_the_issue_it_takes_the_place_of(
    engine: Engine, little: Any, accepted: str
) -> None:
    issued(engine, little, accepted, b"first")
    second = little.record(
        engine,
        little.bench(seal="S7", replaces=accepted, replacement_reason="Seal number entered"),
        recorded_by="T1",
    ).number
    with pytest.raises(RecordRefused, match=f"corrected by {second}"):
        issued(engine, little, accepted, b"again", "again")
    read(engine, little, second, ReviewOutcome.ACCEPTED)
    facts = issued(engine, little, second, b"corrected")
    assert facts.issue is not None
    assert facts.issue.number == 1
    assert facts.issue.replaces.startswith(f"issue 1 of the report {accepted} of ")
    assert facts.issue.reason == "Seal number entered"
    with Session(engine) as session:
        first = check_report(session, digest(b"first"))
    assert first is not None
    assert first.cautions == (f"the calibration was corrected by {second}",)


def test_a_correction_of_a_correction_names_the_issue_that_is_out(
    engine: Engine, little: Any, accepted: str
) -> None:
    issued(engine, little, accepted, b"first")
    corrected = accepted
    for seal in ("S7", "S8"):  # the first correction is never issued
        corrected = little.record(
            engine,
            little.bench(seal=seal, replaces=corrected, replacement_reason=f"Seal is {seal}"),
            recorded_by="T1",
        ).number
    read(engine, little, corrected, ReviewOutcome.ACCEPTED)
    facts = issued(engine, little, corrected, b"corrected")
    assert facts.issue is not None
    assert facts.issue.replaces.startswith(f"issue 1 of the report {accepted} of ")
    assert facts.issue.reason == "Seal is S8"


def test_an_issue_put_into_the_database_by_other_means_is_told(
    engine: Engine, little: Any, accepted: str
) -> None:
    issued(engine, little, accepted, b"first")
    with engine.begin() as raw:  # the guards let rows be added; only the trail tells
        raw.execute(
            text(
                "INSERT INTO issued_report SELECT 99, calibration_id, 2, :digest, size, "
                "audit_entries, audit_head, recorded_at, recorded_by FROM issued_report"
            ),
            {"digest": digest(b"forged")},
        )
    with Session(engine) as session:
        forged, first = (check_report(session, digest(b)) for b in (b"forged", b"first"))
        assert [d.where for d in verify(session).differences] == [
            f"issued report {accepted} issue 2"
        ]
    assert forged is not None
    assert first is not None
    assert (forged.sealed, first.sealed) == (False, True)


def test_a_report_on_a_gauge_found_bad_since_is_in_doubt_until_that_is_decided(
    engine: Engine, little: Any, accepted: str
) -> None:
    facts = issued(engine, little, accepted, b"first")
    assert facts.doubts == ()
    gauge = facts.gauges[0].gauge.code
    with Work(engine, actor="R1", at=little.now, action="report", subject=gauge) as work:
        new = NewEvent(gauge, rec.FoundBadKind.DAMAGED, found_on=little.today)
        event = report_event(work, new, person="R1", today=little.today).event.number
        work.commit()
    with Session(engine) as session:
        found = check_report(session, digest(b"first"))
        again = to_issue(session, accepted, person="R1", reason="asked for", today=little.today)
    assert found is not None
    (doubt,) = found.doubts
    assert event in doubt
    assert gauge in doubt
    assert "nothing is decided" in doubt
    assert again.doubts == found.doubts
    for action in (rec.Action.RECALL, rec.Action.NONE):
        with Work(engine, actor="R1", at=little.now, action="decide", subject=event) as work:
            decide(
                work, event, action, calibrations=[accepted], reason="Looked into", person="R1",
                today=little.today,
            )  # fmt: skip
            work.commit()
        with Session(engine) as session:
            found = check_report(session, digest(b"first"))
        assert found is not None
        assert len(found.doubts) == (action is rec.Action.RECALL)
        assert len(found.weighed) == (action is rec.Action.NONE)
        assert f"{action}, Looked into" in (*found.doubts, *found.weighed)[0]


def test_what_was_not_accepted_is_not_issued(engine: Engine, little: Any) -> None:
    made = little.record(engine, little.bench(), recorded_by="T1").number
    with pytest.raises(RecordRefused, match="is not reviewed yet"):
        issued(engine, little, made, b"x")
    read(engine, little, made, ReviewOutcome.RETURNED, reason="Seal missing")
    with pytest.raises(RecordRefused, match="was returned: Seal missing"):
        issued(engine, little, made, b"x")
    read(engine, little, made, ReviewOutcome.ACCEPTED, reason="none fitted", uncorrected=True)
    issued(engine, little, made, b"x")
    read(engine, little, made, ReviewOutcome.RETURNED, reason="Wrong gauge")
    with Session(engine) as session:
        found = check_report(session, digest(b"x"))
    assert found is not None
    assert found.cautions == ("the calibration was returned since: Wrong gauge",)


def test_history_is_issued_as_what_it_is(engine: Engine, little: Any) -> None:
    with Session(engine) as session:
        history = queries.of_origin(session, rec.Origin.HISTORY, standing=True)[0].number
    facts = issued(engine, little, history, b"history")
    assert facts.calibration.origin is rec.Origin.HISTORY


@pytest.mark.parametrize(
    ("name", "person", "kind", "says"),
    [
        ("PS-1", "T1", PersonRefused, "performed"),
        ("PS-1", "R9", UnknownName, "R9"),
        ("PS-99", "R1", UnknownName, "PS-99"),
    ],
)
def test_who_may_not_issue(
    engine: Engine, little: Any, accepted: str, name: str, person: str, kind: Any, says: str
) -> None:
    with Session(engine) as session, pytest.raises(kind, match=says):
        to_issue(session, name, person=person, today=little.today)


def test_a_planner_does_not_issue(engine: Engine, little: Any, accepted: str) -> None:
    people = little.given.people
    bare = next(
        p.code
        for p in people
        if not any(p.holds(r, little.today) for r in (Role.REVIEWER, Role.APPROVER))
        and p.code != "T1"
    )
    with Session(engine) as session, pytest.raises(PersonRefused, match="may not issue"):
        to_issue(session, accepted, person=bare, today=little.today)


def test_nothing_may_be_entered_between_the_making_and_the_issuing(
    engine: Engine, little: Any, accepted: str
) -> None:
    with Session(engine) as session:
        facts = to_issue(session, accepted, person="R1", today=little.today)
    issued(engine, little, accepted, b"first")
    with (
        Work(engine, actor="R1", at=little.now, action="issue", subject=accepted) as work,
        pytest.raises(RecordRefused, match="Something was entered"),
    ):
        issue(work, facts, digest=digest(b"late"), size=4)
