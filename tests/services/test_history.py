"""Much history at once: the same as one by one, in any context, and with what fails put back."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta
from typing import Any

import pytest
from sqlalchemy import Engine, text
from sqlalchemy.orm import Session

from calfleet.adapters.workbook.sitefiles import read_site
from calfleet.errors import RecordRefused, UnknownName
from calfleet.records import Calibration, to_plain
from calfleet.services.bench_facts import BenchFacts
from calfleet.services.build_site import grouped
from calfleet.services.history import Before, Spread, in_order, judge_next
from calfleet.services.record import Context, judge_record
from calfleet.site import sample_folder
from calfleet.store import calibration_facts
from calfleet.store.engine import open_engine
from calfleet.store.queries import calibrations as calibration_queries
from calfleet.store.queries.benches import benches
from calfleet.store.types import canonical_json
from calfleet.store.work import Work, digest_of


def _facts(given: Any, spread: Spread) -> BenchFacts:
    return BenchFacts(
        gauges=grouped(given.gauges, lambda g: g.code, lambda g: g.revision),
        certificates={c.number: c for c in given.certificates},
        policies=grouped(given.policies, lambda p: p.code, lambda p: p.effective_on),
        procedures=grouped(given.procedures, lambda p: p.code, lambda p: p.revision),
        people={p.code: p for p in given.people},
        repeatability=spread.pooled,
        absences=given.planning.absences,
    )


def _before(given: Any) -> Before:
    spread = Spread()
    performed: dict[str, Any] = {}
    switches = grouped(given.switches, lambda s: s.tag, lambda s: s.revision)
    return Before(Context(_facts(given, spread), switches, performed), spread, performed)


def test_what_is_shared_between_judgements_changes_none_of_them(little: Any) -> None:
    """Every seventh of the demo's calibrations: judged in a row, and each in a context of its own
    in which nothing was made before."""
    given = read_site(sample_folder())
    before = _before(given)
    count = 0
    for n, bench in enumerate(in_order(given.history)):
        alone = None
        if n % 7 == 0:
            performed = {tag: list(days) for tag, days in before.performed.items()}
            pooled = dict(before.spread.pooled)
            facts = replace(before.context.facts, repeatability=pooled)
            corrects = before.days.get(bench.replaces or "")
            if corrects is None:
                alone = judge_record(
                    Context(facts, before.context.switches, performed), bench,
                    today=little.today.replace(year=2027), at=little.now, recorded_by="x",
                    strict=False,
                )  # fmt: skip
        made = judge_next(
            before, bench, today=little.today.replace(year=2027), at=little.now, recorded_by="x"
        )
        if alone is not None:
            count += 1
            assert replace(alone, number=made.number) == made
    assert count > 80


def _rows(engine: Engine) -> dict[str, list[Any]]:
    tables = ("calibration", "calibration_gauge", "calibration_cycle", "calibration_result",
              "calibration_finding")  # fmt: skip
    with engine.connect() as connection:
        return {
            name: [tuple(r) for r in connection.execute(text(f"SELECT * FROM {name} ORDER BY id"))]
            for name in tables
        }


def test_many_at_once_are_stored_as_one_by_one(
    database_url: str, own_works: Engine, little: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    """In portions of two, on either database, against one by one on SQLite."""
    monkeypatch.setattr(calibration_facts, "PORTION", 2)
    many = open_engine(database_url)
    little.build(many)
    monkeypatch.undo()
    with Session(own_works) as session:
        made = calibration_queries.all_calibrations(session)
    with Session(many) as session:
        assert calibration_queries.all_calibrations(session) == made
        assert [c.number for c in calibration_queries.each_calibration(session)] == [
            c.number for c in made
        ]
    keys = [row[:2] for row in _rows(many)["calibration_cycle"]]
    assert keys == [row[:2] for row in _rows(own_works)["calibration_cycle"]]
    many.dispose()


def test_bench_records_without_what_was_made_of_them(session: Session) -> None:
    whole = {c.number: c for c in calibration_queries.all_calibrations(session)}
    held = list(benches(session))
    assert {h.number: h.bench for h in held} == {n: c.bench for n, c in whole.items()}
    assert {h.number: h.replaced_by for h in held} == {n: c.replaced_by for n, c in whole.items()}


def test_a_text_too_long_among_many_is_refused(own_works: Engine, little: Any) -> None:
    with Session(own_works) as session:
        one = calibration_queries.all_calibrations(session)[0]
    many = [replace(one, number=f"N{n}") for n in range(5)]
    many.append(replace(one, number="N" * 61))
    with (
        Work(own_works, actor="T1", at=little.now, action="record", subject="x") as work,
        pytest.raises(RecordRefused, match="61 characters"),
    ):
        calibration_facts.add_calibrations(work, many)


def test_a_correction_that_fails_puts_back_what_it_corrects(little: Any) -> None:
    given = little.given
    before = _before(given)
    for bench in in_order(given.history):
        judge_next(before, bench, today=little.today, at=little.now, recorded_by="x")
    first = given.history[0]
    state = (dict(before.days), {k: sorted(v) for k, v in before.performed.items()},
             dict(before.spread.pooled))  # fmt: skip
    wrong = replace(
        first, number="NEW", replaces=first.number, replacement_reason="x", performed_by="ZZ",
        performed_on=first.performed_on + timedelta(days=1),
    )  # fmt: skip
    with pytest.raises(UnknownName):
        judge_next(before, wrong, today=little.today, at=little.now, recorded_by="x")
    assert state == (
        dict(before.days), {k: sorted(v) for k, v in before.performed.items()},
        dict(before.spread.pooled),
    )  # fmt: skip


def test_the_short_digest_is_that_of_the_plain_form(session: Session) -> None:
    import hashlib

    def long_way(record: object) -> str:
        return hashlib.sha256(canonical_json(to_plain(record)).encode()).hexdigest()

    every = calibration_queries.all_calibrations(session)
    assert every
    for calibration in every:
        assert digest_of(calibration) == long_way(calibration)
    odd: Calibration = replace(
        every[0],
        results=tuple(replace(r, effective_dof=float("inf")) for r in every[0].results),
    )
    assert digest_of(odd) == long_way(odd)
