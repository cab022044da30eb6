"""History judged in shares, by processes or not, is what it is when judged one after the other."""

from __future__ import annotations

import pickle
from collections.abc import Callable
from dataclasses import replace
from datetime import date, timedelta
from decimal import Decimal
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import text
from sqlalchemy.orm import Session

from calfleet import records as rec
from calfleet.adapters.workbook.sitefiles import read_site
from calfleet.records import BenchRecord, Calibration
from calfleet.services import side_by_side
from calfleet.services.bench_facts import BenchFacts
from calfleet.services.build_site import build_site, grouped
from calfleet.services.compare_incoming import compare
from calfleet.services.history import Before, Spread, in_order
from calfleet.services.move_in import move_in
from calfleet.services.record import Context
from calfleet.services.side_by_side import Judging, Refusal, judge_all
from calfleet.services.verify import verify
from calfleet.site import new_site, sample_folder
from calfleet.store.queries.calibrations import all_calibrations
from calfleet.store.work import Work, digest_of
from calfleet.workers import Workers


@pytest.fixture(scope="module")
def demo() -> rec.SiteInput:
    return read_site(sample_folder())


def judging(given: rec.SiteInput, little: Any) -> Judging:
    spread = Spread()
    facts = BenchFacts(
        gauges=grouped(given.gauges, lambda g: g.code, lambda g: g.revision),
        certificates={c.number: c for c in given.certificates},
        policies=grouped(given.policies, lambda p: p.code, lambda p: p.effective_on),
        procedures=grouped(given.procedures, lambda p: p.code, lambda p: p.revision),
        people={p.code: p for p in given.people},
        repeatability=spread.pooled,
    )
    performed: dict[str, Any] = {}
    switches = grouped(given.switches, lambda s: s.tag, lambda s: s.revision)
    before = Before(Context(facts, switches, performed), spread, performed)
    return Judging(before, {}, little.today.replace(year=2027), little.now, "P1")


def numbered(given: rec.SiteInput) -> list[BenchRecord]:
    """The demo's history with what cannot be judged in the midst of it."""
    history = [b if b.number else replace(b, number=f"N{n}") for n, b in enumerate(given.history)]
    some = history[40]
    other = next(b for b in history[41:] if b.tag != some.tag)
    later = timedelta(days=1)
    bad = [
        replace(some, number="X1", replaces="nobody", replacement_reason="x"),
        replace(some, number="X2", replaces=other.number, replacement_reason="x",
                performed_on=other.performed_on + later),
        replace(some, number="X3", performed_by="ZZ", performed_on=some.performed_on + later),
        replace(some, number="X4", replaces=some.number, replacement_reason=" ",
                performed_on=some.performed_on + later),
        replace(some, number="X5", temperature_c=Decimal(120),
                performed_on=some.performed_on + later),
        # of another switch, and of one that cannot be judged itself
        replace(other, number="X6", replaces="X3", replacement_reason="x",
                performed_on=some.performed_on + 2 * later),
    ]  # fmt: skip
    return list(in_order([*history, *bad]))


class _Now:
    """An answer that is there."""

    def __init__(self, told: Any) -> None:
        self._told = told

    def result(self) -> Any:
        return self._told


class _Here:
    """What a worker does, in this process: everything goes through pickle as there."""

    def __init__(self, state: object) -> None:
        self._state = pickle.loads(pickle.dumps(state))
        self.asked = 0

    def ask(self, do: Callable[[Any, Any], Any], given: object) -> _Now:
        self.asked += 1
        return _Now(pickle.loads(pickle.dumps(do(self._state, pickle.loads(pickle.dumps(given))))))


class _HereAll:
    def __init__(self, count: int) -> None:
        self.count = count
        self.started: list[_Here] = []

    def start(self, state: object) -> _Here:
        self.started.append(_Here(state))
        return self.started[-1]


def outcome(made: Calibration | Refusal) -> str:
    return repr(made) if isinstance(made, Refusal) else f"{made.number} {digest_of(made)}"


def alone(given: rec.SiteInput, history: list[BenchRecord], little: Any) -> list[str]:
    found = list(judge_all(judging(given, little), history))
    assert [bench for bench, _, _ in found] == history
    assert all(digest is None for _, _, digest in found)
    return [outcome(made) for _, made, _ in found]


@pytest.mark.parametrize("count", [1, 2, 3])
def test_in_shares_as_one_after_the_other(
    demo: rec.SiteInput, little: Any, monkeypatch: pytest.MonkeyPatch, count: int
) -> None:
    monkeypatch.setattr(side_by_side, "FEW", 10)
    monkeypatch.setattr(side_by_side, "PORTION", 7)
    history = numbered(demo)
    here = _HereAll(count)
    found = list(judge_all(judging(demo, little), history, here))
    assert [bench for bench, _, _ in found] == history
    assert [outcome(made) for _, made, _ in found] == alone(demo, history, little)
    refused = {b.number: made for b, made, _ in found if isinstance(made, Refusal)}
    assert set(refused) == {"X1", "X2", "X3", "X4", "X5", "X6"}
    assert refused["X1"].next_step.startswith("Move the record in that this one corrects")
    tags = {b.number: b.tag for b in history}
    for number, corrected in (("X2", next(b.replaces for b in history if b.number == "X2")),
                              ("X6", "X3")):  # fmt: skip
        assert refused[number] == Refusal(
            f"{corrected} is a calibration of {tags[corrected]}, not of {tags[number]}.",
            "A correction replaces a record of the same switch.",
            "Check the number and the tag.",
        )
    assert refused["X5"] == Refusal(
        "A room temperature of 120 °C.", "A room has -50 to 80 °C.", "Correct it."
    )
    for _, made, digest in found:
        assert digest == (None if isinstance(made, Refusal) else digest_of(made))
    assert len(here.started) == count
    assert min(one.asked for one in here.started) > 5


def test_by_processes_as_one_after_the_other(
    demo: rec.SiteInput, little: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(side_by_side, "FEW", 10)
    history = numbered(demo)
    workers = Workers(2)
    try:
        found = list(judge_all(judging(demo, little), history, workers))
    finally:
        workers.stop()
    assert [outcome(made) for _, made, _ in found] == alone(demo, history, little)


def shares(given: rec.SiteInput, history: list[BenchRecord], little: Any, count: int) -> Any:
    return side_by_side._shares(judging(given, little), history, count)


def test_no_family_is_parted_and_a_mistaken_correction_ties_none(
    demo: rec.SiteInput, little: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Corrections of a record of each other family, by mistake: as many shares as without."""
    monkeypatch.setattr(side_by_side, "FEW", 10)
    families = {s.tag: {r.family for r in demo.switches if r.tag == s.tag} for s in demo.switches}
    history = numbered(demo)
    first = {family: b for b in reversed(history) for family in families[b.tag]}
    assert len(first) > 3
    wrong = [
        replace(b, number=f"Y{n}-{m}", replaces=other.number, replacement_reason="x",
                performed_on=date(2026, 10, 1) + timedelta(days=n))
        for n, b in enumerate(first.values())
        for m, other in enumerate(first.values())
        if other.tag != b.tag
    ]  # fmt: skip
    history = list(in_order([*history, *wrong]))
    found = shares(demo, history, little, 3)
    assert len(found) == 3
    assert sorted(n for share in found for n in share) == list(range(len(history)))
    assert all(share == sorted(share) for share in found)
    seen: dict[str, int] = {}
    for which, share in enumerate(found):
        for n in share:
            for family in families[history[n].tag]:
                assert seen.setdefault(family, which) == which
    monkeypatch.setattr(side_by_side, "PORTION", 7)
    told = list(judge_all(judging(demo, little), history, _HereAll(3)))
    assert [outcome(made) for _, made, _ in told] == alone(demo, history, little)
    refused = {b.number for b, made, _ in told if isinstance(made, Refusal)}
    assert refused >= {b.number for b in wrong}


def test_a_switch_that_changed_its_family_ties_both(
    demo: rec.SiteInput, little: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(side_by_side, "FEW", 10)
    families = sorted({s.family for s in demo.switches})
    assert len(families) > 1
    one = demo.switches[0]
    changed = [replace(one, revision=90 + n, family=family) for n, family in enumerate(families)]
    tied = replace(demo, switches=(*demo.switches, *changed))
    history = numbered(demo)
    assert any(b.tag == one.tag for b in history)
    assert len(shares(tied, history, little, 3)) == 1


@pytest.mark.parametrize("odd", ["few", "without number", "unknown switch"])
def test_what_may_stand_on_any_other_is_judged_alone(
    demo: rec.SiteInput, little: Any, monkeypatch: pytest.MonkeyPatch, odd: str
) -> None:
    monkeypatch.setattr(side_by_side, "FEW", 10)
    history = numbered(demo)
    if odd == "few":
        history = history[:9]
    elif odd == "without number":
        history[3] = replace(history[3], number=None)
    else:
        history[3] = replace(history[3], tag=history[3].tag.lower())
    here = _HereAll(2)
    found = list(judge_all(judging(demo, little), history, here))
    assert not here.started
    assert len(found) == len(history)


def moved_in(folder: Path, given: rec.SiteInput, workers: Workers | None, little: Any) -> Any:
    """The facts of the audit entry, and every result, of a site into which history was moved."""
    engine = new_site(folder, fixed_day=little.today.replace(year=2027)).engine()
    with Work(engine, actor="x", at=little.now, action="build", subject="s") as work:
        build_site(work, replace(given, history=()), today=little.today.replace(year=2027))
        work.commit()
    incoming = replace(
        given, areas=(), people=(), laboratories=(), policies=(), procedures=(), switches=(),
        gauges=(), certificates=(), history=tuple(numbered(given)),
    )  # fmt: skip
    with Work(engine, actor="P01", at=little.now, action="move in", subject="s") as work:
        found = compare(work.session, incoming, {}, today=little.today.replace(year=2027))
        _, told = move_in(
            work, found, mapping={}, files=(), leave_out=True, workers=workers
        )  # fmt: skip
        work.commit()
    assert told.added > 500
    assert "X2" in {item.key for item in told.refused}
    with Session(engine) as session:
        assert verify(session).differences == ()
        made = all_calibrations(session)
    with engine.connect() as connection:
        chain = connection.execute(text("SELECT digest FROM audit_entry ORDER BY position")).all()
    engine.dispose()
    return [tuple(row) for row in chain], made


def test_what_is_stored_and_its_digests_are_the_same(
    demo: rec.SiteInput, little: Any, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(side_by_side, "FEW", 10)
    workers = Workers(2)
    try:
        together = moved_in(tmp_path / "together", demo, workers, little)
        assert len(workers._started) == 2
    finally:
        workers.stop()
    assert together == moved_in(tmp_path / "alone", demo, None, little)
