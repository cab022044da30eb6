"""The audit trail read: which entries, what each changed, and what is no longer as entered."""

from __future__ import annotations

import sqlite3
from contextlib import closing
from dataclasses import replace
from datetime import date, timedelta
from decimal import Decimal
from typing import Any

import pytest
from sqlalchemy import Engine
from sqlalchemy.orm import Session

from calfleet.errors import UnknownName
from calfleet.records import ReviewOutcome, Switch
from calfleet.services import trail
from calfleet.services.drafts import content_of, put_down
from calfleet.store import facts, paper_facts
from calfleet.store.queries import audit
from calfleet.store.work import Work


def work(engine: Engine, little: Any, by: str = "T1", **more: Any) -> Work:
    given = {"at": little.now, "action": "do", "subject": "x"} | more
    return Work(engine, actor=by, **given)


def shown(engine: Engine, position: int) -> dict[str, tuple[str | None, str | None]]:
    with Session(engine) as session:
        found = trail.changes(session, trail.entry(session, position))
    assert all(c.intact for c in found)
    return {c.field: (c.before, c.after) for c in found}


def revised(little: Any) -> Switch:
    first = little.switch("PS-1")
    point = replace(first.set_points[0], tolerance_plus=Decimal("12.0"))
    return replace(
        first, revision=first.revision + 1, effective_on=date(2026, 3, 1), reason="wider",
        set_points=(point,),
    )  # fmt: skip


def test_a_revision_shows_what_it_changed(own_works: Engine, little: Any) -> None:
    with work(own_works, little) as unit:
        facts.add_switch(unit, revised(little))
        unit.commit()
    first = little.switch("PS-1")
    assert shown(own_works, 2) == {
        "revision": (str(first.revision), str(first.revision + 1)),
        "effective_on": (first.effective_on.isoformat(), "2026-03-01"),
        "reason": (first.reason, "wider"),
        "set_points[H rising].tolerance_plus": ("10", "12.0"),
    }


def test_a_correction_shows_what_it_changed(own_works: Engine, little: Any) -> None:
    made = little.record(own_works, little.bench(), recorded_by="T1")
    cycles = little.bench().cycles
    changed = replace(cycles[1], trip=Decimal("402.10"))
    little.record(
        own_works,
        little.bench(cycles=(cycles[0], changed, cycles[2]), replaces=made.number,
                     replacement_reason="misread"),
        recorded_by="T1",
    )  # fmt: skip
    found = shown(own_works, 3)
    assert found["bench.cycles[H as-found 2].trip"] == ("402.0", "402.10")
    assert found["bench.replaces"] == (None, made.number)
    assert found["bench.replacement_reason"] == (None, "misread")
    assert found["results[H as-found].budget"][0] != found["results[H as-found].budget"][1]
    assert "bench.cycles[H as-found 1].trip" not in found, "what stayed the same is not told"
    assert "bench.tag" not in found


def test_a_new_fact_shows_its_values(own_works: Engine, little: Any) -> None:
    made = little.record(own_works, little.bench(), recorded_by="T1")
    found = shown(own_works, 2)
    assert found["number"] == (None, made.number)
    assert found["bench.cycles[H as-found 1].trip"] == (None, "401.9")
    assert found["bench.adjusted"] == (None, "no")
    with Session(own_works) as session:
        (kind,) = {(c.kind, c.key, c.before_key)
                   for c in trail.changes(session, trail.entry(session, 2))}  # fmt: skip
    assert kind == ("calibration", made.number, None)


def test_a_draft_and_a_review_follow_the_one_before(own_works: Engine, little: Any) -> None:
    from calfleet.records import Review

    made = little.record(own_works, little.bench(), recorded_by="T1")
    for note in ("first", "second"):
        with work(own_works, little) as unit:
            put_down(unit, content_of(little.difference()), note=note)
            unit.commit()
    assert shown(own_works, 4) == {
        "number": ("D2026-0001", "D2026-0002"),
        "replaces": (None, "D2026-0001"),
        "note": ("first", "second"),
    }
    for reading, outcome in ((1, ReviewOutcome.RETURNED), (2, ReviewOutcome.ACCEPTED)):
        with work(own_works, little, "A1") as unit:
            paper_facts.add_review(
                unit, Review(made.number, reading, outcome, "A1", little.today, "seal?")
            )
            unit.commit()
    assert shown(own_works, 6) == {"reading": ("1", "2"), "outcome": ("returned", "accepted")}


def test_a_dated_version_follows_the_version_before(own_works: Engine, little: Any) -> None:
    policy = little.given.policies[0]
    later = replace(policy, effective_on=policy.effective_on + timedelta(700), every=3)
    with work(own_works, little) as unit:
        facts.add_policy(unit, later)
        unit.commit()
    found = shown(own_works, 2)
    assert found["every"] == (str(policy.every), "3")
    assert set(found) == {"every", "effective_on"}


def test_what_is_not_as_entered_says_so(own_works: Engine, little: Any) -> None:
    made = little.record(own_works, little.bench(), recorded_by="T1")
    file = own_works.url.database or ""
    with closing(sqlite3.connect(file)) as raw:
        raw.execute("DROP TRIGGER guard_calibration_update")
        raw.execute("UPDATE calibration SET seal = 'S9'")
        raw.commit()
    with Session(own_works) as session:
        found = trail.changes(session, trail.entry(session, 2))
    assert {c.intact for c in found} == {False}
    with closing(sqlite3.connect(file)) as raw:
        raw.execute("DROP TRIGGER guard_calibration_delete")
        raw.execute("DELETE FROM calibration WHERE number = ?", (made.number,))
        raw.commit()
    with Session(own_works) as session:
        (gone,) = trail.changes(session, trail.entry(session, 2))
    assert (gone.field, gone.intact) == ("(no longer there)", False)


def test_many_calibrations_in_one_entry(own_works: Engine, monkeypatch: Any) -> None:
    """Read all at once or one by one, an entry tells the same."""
    with Session(own_works) as session:
        one = trail.entry(session, 1)
        few = trail.changes(session, one)
        monkeypatch.setattr(trail, "FEW", -1)
        assert trail.changes(session, one) == few
    assert len({(c.kind, c.key) for c in few}) == len(list(one.facts()))


def test_choosing_entries(own_works: Engine, little: Any) -> None:
    little.record(own_works, little.bench(), recorded_by="T1")
    later = little.now + timedelta(days=1)
    with work(own_works, little, "P1", at=later, subject="PDS-2 note", reason="why") as unit:
        unit.commit()
    with Session(own_works) as session:
        every = trail.entries(session)
        assert [e.position for e in every] == [3, 2, 1]
        assert [e.position for e in trail.entries(session, by="t1")] == [2]
        assert [e.position for e in trail.entries(session, since=later.date())] == [3]
        assert [e.position for e in trail.entries(session, about="pds-2 n")] == [3]
        assert [e.position for e in trail.entries(session, about="ps-1 rev 1")] == [1]
        assert trail.entries(session, about="nothing of the kind") == []
        end = trail.head(session)
        assert (end.position, end.digest) == (3, every[0].digest)
        with pytest.raises(UnknownName, match="4"):
            trail.entry(session, 4)


def test_an_empty_trail_has_zeros_for_its_head(sqlite_url: str) -> None:
    from calfleet.store.engine import open_engine

    engine = open_engine(sqlite_url)
    with Session(engine) as session:
        assert trail.head(session) == trail.Head(0, "0" * 64)
        assert audit.last_entry(session) is None
        assert trail.entries(session) == []
    engine.dispose()
