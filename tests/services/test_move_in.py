"""Moving in: what is added, changed, unchanged or refused, and that it is all of it or nothing."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from datetime import date, timedelta
from typing import Any

import pytest
from sqlalchemy import Engine
from sqlalchemy.orm import Session

from calfleet import records as rec
from calfleet.errors import DataProblems, PersonRefused, RecordRefused
from calfleet.services.check_move_in import check_value
from calfleet.services.compare_incoming import compare, known_site
from calfleet.services.comparison import Comparison, Item, State, merged
from calfleet.services.differences import differences
from calfleet.services.history import Spread
from calfleet.services.look_up import moves, stood
from calfleet.services.move_in import (
    HistoryJudged,
    _judged,
    judge_history,
    move_in,
    with_refused,
)
from calfleet.services.verify import verify
from calfleet.store import calibration_facts
from calfleet.store.engine import open_engine
from calfleet.store.queries import calibrations as calibration_queries
from calfleet.store.queries import due, switches
from calfleet.store.work import Work
from tests.services.conftest import count_rows

FILES = (("register.xlsx", "a" * 64), ("history.csv", "b" * 64))


def bare(given: rec.SiteInput) -> rec.SiteInput:
    """What a shop has that moves everything else in: itself, and its people."""
    return replace(
        given, areas=(), laboratories=(), policies=(), procedures=(), switches=(), gauges=(),
        certificates=(), history=(), planning=rec.PlanningInput(),
    )  # fmt: skip


def incoming(given: rec.SiteInput) -> rec.SiteInput:
    """All else, as files would bring it: each calibration has a number there."""
    history = tuple(
        b if b.number else replace(b, number=f"H-{n:03d}") for n, b in enumerate(given.history)
    )
    return replace(given, people=(), history=history, planning=rec.PlanningInput())


def keys_of(given: rec.SiteInput) -> dict[tuple[str, str], str]:
    found = [("area", a.code) for a in given.areas]
    found += [("laboratory", p.code) for p in given.laboratories]
    found += [("interval policy", f"{p.code} from {p.effective_on}") for p in given.policies]
    found += [("procedure revision", p.name) for p in given.procedures]
    found += [("switch", f"{s.tag} rev {s.revision}") for s in given.switches]
    found += [("gauge", f"{g.code} rev {g.revision}") for g in given.gauges]
    found += [("certificate", c.number) for c in given.certificates]
    found += [("calibration", b.number or "") for b in given.history]
    return {key: f"register.xlsx, {key[0]}!A{n}" for n, key in enumerate(found, 2)}


class Mover:
    """Moves records in on one database, as the command does."""

    def __init__(self, engine: Engine, today: date, at: Any) -> None:
        self.engine = engine
        self.today = today
        self.at = at

    def compare(self, given: rec.SiteInput, actor: str | None = None) -> Comparison:
        with Session(self.engine) as session:
            found = compare(
                session, given, keys_of(given), today=self.today, reason="moved", actor=actor
            )
            told = judge_history(session, found, at=self.at)
        return with_refused(found, told)

    def run(
        self, given: rec.SiteInput, *, leave_out: bool = False, actor: str = "P1"
    ) -> tuple[rec.MoveIn | None, HistoryJudged]:
        with Work(
            self.engine, actor=actor, at=self.at, action="move in", subject="register.xlsx"
        ) as work:
            found = compare(work.session, given, keys_of(given), today=self.today, reason="moved")
            done = move_in(work, found, mapping={}, files=FILES, leave_out=leave_out)
            if done[0] is not None:
                work.commit()
        return done


@pytest.fixture
def empty(database_url: str) -> Iterator[Engine]:
    engine = open_engine(database_url)
    yield engine
    engine.dispose()


@pytest.fixture
def site(empty: Engine, little: Any) -> Mover:
    """A site that holds its people alone."""
    little.build(empty, **{
        name: getattr(bare(little.given), name)
        for name in ("areas", "laboratories", "policies", "procedures", "switches", "gauges",
                     "certificates", "history", "planning")
    })  # fmt: skip
    return Mover(empty, little.today, little.now)


@pytest.fixture
def moved(site: Mover, little: Any) -> Mover:
    """The same with everything moved in."""
    assert site.run(incoming(little.given))[0] is not None
    return site


def states(found: Comparison) -> dict[str, set[str]]:
    held: dict[str, set[str]] = {}
    for item in found.items:
        held.setdefault(item.kind, set()).add(str(item.state))
    return held


def one(found: Comparison, key: str) -> Item:
    (item,) = [i for i in found.items if i.key == key]
    return item


def test_a_shop_moves_everything_in(site: Mover, little: Any) -> None:
    given = incoming(little.given)
    before = count_rows(site.engine)
    assert site.compare(given).writes
    assert count_rows(site.engine) == before
    made, told = site.run(given)
    assert made is not None
    assert made.number == "M2026-001"
    assert told.added == len(given.history)
    with Session(site.engine) as session:
        held = known_site(session)
        assert set(held.switches) == set(given.switches)
        assert set(held.gauges) == set(given.gauges)
        assert set(held.certificates) == set(given.certificates)
        assert {c.number for c in calibration_queries.all_calibrations(session)} == {
            b.number for b in given.history
        }
        (known,) = moves(session)
        assert known.move.files == FILES
        assert stood(session, "certificate", given.certificates[0].number).endswith("by M2026-001")
        assert stood(session, "person", "T1") == ""
        assert not verify(session).differences


def test_what_is_moved_in_is_what_a_build_makes(
    site: Mover, little: Any, own_works: Engine
) -> None:
    site.run(incoming(little.given))

    def made(engine: Engine) -> dict[str, rec.Calibration]:
        with Session(engine) as session:
            return {
                c.number: replace(c, recorded_by="") for c in
                calibration_queries.all_calibrations(session)
            }  # fmt: skip

    assert made(site.engine) == made(own_works)


def test_twice_adds_nothing(moved: Mover, little: Any) -> None:
    before = count_rows(moved.engine)
    found = moved.compare(incoming(little.given))
    assert {state for held in states(found).values() for state in held} == {"unchanged"}
    assert moved.run(incoming(little.given)) == (None, HistoryJudged())
    assert count_rows(moved.engine) == before


def test_a_failure_at_the_last_record_leaves_nothing(
    site: Mover, little: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    given = incoming(little.given)
    before = count_rows(site.engine)
    collect = calibration_facts._collect
    seen: list[int] = []

    def fails(*arguments: Any) -> None:
        collect(*arguments)
        seen.append(1)
        if len(seen) == len(given.history):
            raise RecordRefused("No.", rule="A test.", next_step="None.")

    monkeypatch.setattr(calibration_facts, "_collect", fails)
    with pytest.raises(RecordRefused):
        site.run(given)
    assert len(seen) == len(given.history)
    assert count_rows(site.engine) == before


def test_a_changed_row_makes_the_next_revision_and_nothing_else(moved: Mover, little: Any) -> None:
    given = incoming(little.given)
    latest = little.switch("PS-1")
    changed = replace(latest, revision=latest.revision + 1, service="renamed")
    unchanged = [
        replace(s, revision=s.revision + 1)
        for s in {s.tag: s for s in given.switches}.values()
        if s.tag != "PS-1"
    ]
    register = replace(bare(little.given), people=(), switches=(changed, *unchanged))
    mover = Mover(moved.engine, little.today + timedelta(days=1), little.now)
    found = mover.compare(register)
    assert found.counts()["switch"] == {
        "added": 0, "changed": 1, "unchanged": len(unchanged), "refused": 0,
    }  # fmt: skip
    item = one(found, f"PS-1 rev {changed.revision}")
    assert {(c.field, c.after) for c in item.changes} == {
        ("service", "renamed"),
        ("effective on", str(mover.today)),
        ("reason", "moved"),
    }
    before = count_rows(moved.engine)
    made, _ = mover.run(register)
    assert made is not None
    assert made.moved == (("switch", item.key, item.place),)
    after = count_rows(moved.engine)
    grown = {name: after[name] - before[name] for name in after if after[name] != before[name]}
    assert grown == {
        "switch_revision": 1, "set_point": len(changed.set_points),
        **({"switch_hazard": len(changed.hazards)} if changed.hazards else {}),
        "move_in": 1, "move_in_file": 2, "moved_record": 1, "audit_entry": 1,
    }  # fmt: skip
    with Session(moved.engine) as session:
        made_one = switches.revisions(session, "PS-1")[-1]
        assert (made_one.service, made_one.effective_on) == ("renamed", mover.today)
        assert not verify(session).differences


def test_a_revision_does_not_reach_back_behind_what_it_judged(moved: Mover, little: Any) -> None:
    latest = little.switch("PS-1")
    back = replace(
        latest, revision=latest.revision + 1, service="renamed",
        effective_on=latest.effective_on + timedelta(days=1),
    )  # fmt: skip
    found = moved.compare(replace(bare(little.given), people=(), switches=(back,)))
    (item,) = found.refused
    assert item.place.startswith("register.xlsx, ")
    assert "was calibrated on" in item.message
    assert "Effective on" in item.next_step


def test_what_is_there_with_other_content_is_refused(moved: Mover, little: Any) -> None:
    given = incoming(little.given)
    certificate = given.certificates[0]
    bench = given.history[0]
    other = replace(
        given,
        areas=(replace(given.areas[0], name="Other"),),
        laboratories=(),
        policies=(replace(given.policies[0], every=given.policies[0].every + 1),),
        procedures=(replace(given.procedures[0], title="Other"),),
        switches=(replace(given.switches[0], service="other"),),
        gauges=(),
        certificates=(replace(certificate, remarks="other"),),
        history=(replace(bench, remarks="other"),),
    )
    found = moved.compare(other)
    assert {(i.kind, i.state) for i in found.items} == {
        (kind, State.REFUSED)
        for kind in ("area", "interval policy", "procedure revision", "switch", "certificate",
                     "calibration")
    }  # fmt: skip
    assert all(i.problem.where.startswith("register.xlsx, ") for i in found.refused)
    assert "remarks none in the site, other in the file" in one(found, certificate.number).message
    assert "'replaces'" in one(found, bench.number or "").next_step
    before = count_rows(moved.engine)
    with pytest.raises(DataProblems) as caught:
        moved.run(other)
    assert len(caught.value.problems) == len(found.items)
    assert moved.run(other, leave_out=True)[0] is None
    assert count_rows(moved.engine) == before


def test_readings_that_are_there_under_another_number(moved: Mover, little: Any) -> None:
    given = incoming(little.given)
    again = tuple(replace(b, number=f"X-{b.number}") for b in given.history if not b.replaces)
    replaced = {b.replaces for b in given.history}
    found = moved.compare(replace(bare(little.given), people=(), history=again))
    for item in found.items:
        there = item.key.removeprefix("X-")
        if there not in replaced:
            assert item.state is State.REFUSED
            assert f"as {there}" in item.message


def test_history_that_cannot_be_judged_is_told_all_at_once(site: Mover, little: Any) -> None:
    given = incoming(little.given)
    early = replace(given.history[0], number="EARLY", performed_on=date(1999, 1, 1))
    later = given.history[0].performed_on + timedelta(days=2)
    nobody = replace(given.history[0], number="NOBODY", performed_by="ZZ", performed_on=later)
    alone = replace(
        given.history[0], number="ALONE", replaces="NONE", replacement_reason="typing error",
        performed_on=given.history[0].performed_on + timedelta(days=1),
    )  # fmt: skip
    more = replace(given, history=(*given.history, early, nobody, alone))
    found = site.compare(more)
    refused = {i.key: i.message for i in found.refused}
    assert set(refused) == {"EARLY", "NOBODY", "ALONE"}
    assert "no data sheet in force" in refused["EARLY"]
    before = count_rows(site.engine)
    with pytest.raises(DataProblems) as caught:
        site.run(more)
    assert {p.where for p in caught.value.problems} == {i.place for i in found.refused}
    assert count_rows(site.engine) == before
    made, told = site.run(more, leave_out=True)
    assert made is not None
    assert told.added == len(given.history)
    assert {line["key"] for line in made.outcome["left_out"]} == set(refused)  # type: ignore[attr-defined]
    with Session(site.engine) as session:
        assert not verify(session).differences


def test_what_names_something_refused_is_refused_too(site: Mover, little: Any) -> None:
    given = incoming(little.given)
    areas = tuple(a for a in given.areas if a.code != "N")
    found = site.compare(replace(given, areas=areas, history=()))
    lost = [i for i in found.items if i.kind == "switch" and i.state is State.REFUSED]
    assert {i.key.split()[0] for i in lost} == {s.tag for s in given.switches if s.area == "N"}
    assert all("names area N" in i.message for i in lost)


def test_the_running_spread_is_that_of_the_stored_query(moved: Mover) -> None:
    """Against pooling all series of the database at once, before and after one is taken out."""
    with Session(moved.engine) as session:
        spread = Spread()
        sheets: dict[str, list[rec.Switch]] = {}
        for sheet in switches.revisions(session):
            sheets.setdefault(sheet.tag, []).append(sheet)
        every = calibration_queries.all_calibrations(session)
        for calibration in every:
            spread.add(calibration, sheets[calibration.bench.tag])
        for calibration in every:
            if calibration.replaced_by is not None:
                spread.remove(calibration.number)
        assert spread.pooled == due.pooled_repeatability(session)
        last = next(c for c in reversed(every) if c.replaced_by is None)
        spread.remove(last.number)
        assert spread.pooled == due.pooled_repeatability(session, without=last.number)


def test_differences_are_told_field_by_field(little: Any) -> None:
    switch = little.switch("PS-1")
    point = switch.set_points[0]
    other = replace(switch, medium="other", set_points=(replace(point, value=point.value + 1),))
    told = {c.field: (c.before, c.after) for c in differences(switch, other)}
    assert told == {
        "medium": (switch.medium or "none", "other"),
        f"set point {point.label}: value": (str(point.value), str(point.value + 1)),
    }
    assert differences(switch, switch) == ()


def test_who_is_known_takes_up_what_is_granted(moved: Mover, little: Any) -> None:
    day, end = date(2026, 5, 1), date(2029, 4, 30)
    (lab,) = little.given.laboratories
    further = rec.Accreditation("A-9", day, end, "pressure")
    people = {p.code: p for p in little.given.people}
    role = rec.RoleGrant(rec.Role.APPROVER, day)
    boss = replace(people["T1"], roles=(*people["T1"].roles, role))
    renewed = replace(
        people["T2"], roles=(),
        qualifications=(rec.Qualification(rec.Quantity.PRESSURE, day, end, "A1"),),
    )  # fmt: skip
    given = replace(
        bare(little.given),
        people=(boss, renewed, rec.Person("T9", "New One")),
        laboratories=(replace(lab, accreditations=(*lab.accreditations, further)),),
    )
    moved.at += timedelta(seconds=1)  # a later step than that of the laboratory
    found = moved.compare(given)
    added = [(i.kind, i.key) for i in found.items if i.writes]
    assert added == [
        ("person", "T9"), ("person role", "T1 approver from 2026-05-01"),
        ("qualification", "T2 pressure from 2026-05-01"),
        ("accreditation", "ACC A-9 from 2026-05-01"),
    ]  # fmt: skip
    assert list(found.counts()) == [
        "person", "person role", "qualification", "laboratory", "accreditation",
    ]  # fmt: skip
    with pytest.raises(PersonRefused, match="P1 may not give a role or a qualification"):
        moved.run(given)
    with pytest.raises(PersonRefused, match="A1 may not move in all of this") as refusal:
        moved.run(given, actor="A1")
    assert "planner is needed on 2026-03-02: P1" in refusal.value.rule
    assert "a planner move the files in first, with --leave-out-refused" in refusal.value.next_step
    made, _ = moved.run(replace(given, people=(boss, renewed), laboratories=()), actor="A1")
    moved.at += timedelta(seconds=1)
    rest, _ = moved.run(given)
    assert made is not None
    assert rest is not None
    assert [(k, key) for k, key, _ in made.moved] == added[1:3]
    assert [(k, key) for k, key, _ in rest.moved] == [added[0], added[3]]
    with Session(moved.engine) as session:
        known = known_site(session)
        assert verify(session).differences == ()
    assert known.people == merged(found.known, found.items).people
    assert known.laboratories == merged(found.known, found.items).laboratories
    again = moved.compare(given)
    assert {str(i.state) for i in again.items} == {"unchanged"}


def test_grants_that_are_refused(moved: Mover, little: Any) -> None:
    day, end = date(2026, 5, 1), date(2029, 4, 30)
    (lab,) = little.given.laboratories
    people = {p.code: p for p in little.given.people}

    def moving(**changes: Any) -> rec.SiteInput:
        return replace(bare(little.given), **{"people": (), **changes})

    own = rec.Qualification(rec.Quantity.PRESSURE, day, end, "T2")
    given_up = rec.RoleGrant(rec.Role.APPROVER, day, held=False)
    other_end = replace(lab.accreditations[0], valid_until=end)
    for given, key, says in (
        (moving(people=(replace(people["T2"], qualifications=(own,)),)),
         "T2 pressure from 2026-05-01", "own qualification"),
        (moving(people=(replace(people["A1"], roles=(given_up,)),)),
         "A1 approver from 2026-05-01", "nobody would be approver"),
        (moving(people=(replace(people["T2"], name="Other"),)), "T2", "other content: name"),
        (moving(laboratories=(replace(lab, accreditations=(other_end,)),)),
         f"ACC {other_end.number} from {other_end.valid_from}", "already"),
        (moving(laboratories=(replace(lab, kind=rec.LaboratoryKind.NATIONAL),)), "ACC",
         "other content: kind"),
    ):  # fmt: skip
        item = one(moved.compare(given), key)
        assert item.state is State.REFUSED, key
        assert says in item.message
        assert item.next_step


OWN, NO_APPROVER, NOT_GRANTED = (
    "who moves it in", "may not give a role or a qualification", "may not grant qualifications"
)  # fmt: skip


@pytest.mark.parametrize(
    ("code", "actor", "says"),
    [
        ("T1", None, ""), ("T1", "A1", ""), ("T1", "P1", NO_APPROVER), ("T1", "T2", NO_APPROVER),
        ("A1", "A1", OWN), ("P1", "P1", OWN), ("T9", "A1", ""), ("T9", "P1", NO_APPROVER),
        ("T8", "P1", ""),
    ],
)  # fmt: skip
def test_roles_are_moved_in_as_they_are_given_by_the_command(
    moved: Mover, little: Any, code: str, actor: str | None, says: str
) -> None:
    """A planner alone gives nobody a role; T8 and T9 are new, T8 without a role."""
    role = rec.RoleGrant(rec.Role.REVIEWER, date(2026, 5, 1))
    people = {p.code: p for p in little.given.people}
    new = {"T8": rec.Person("T8", "New"), "T9": rec.Person("T9", "Newer", (role,))}
    person = new[code] if code in new else replace(people[code], roles=(role,))
    given = replace(bare(little.given), people=(person,))
    found = moved.compare(given, actor)
    key = code if code in new else f"{code} reviewer from 2026-05-01"
    item = one(found, key)
    assert (item.state is State.REFUSED, says in item.message) == (bool(says), True)
    if actor is None:
        assert [i.key for i in found.grants] == [key]
        return
    if says:
        assert item.next_step
        with pytest.raises(PersonRefused, match=says):  # the run is no way round it
            moved.run(given, actor=actor)
    else:
        assert moved.run(given, actor=actor)[0] is not None


@pytest.mark.parametrize("code", ["T2", "T9"])
def test_a_qualification_that_no_approver_granted_is_refused(
    moved: Mover, little: Any, code: str
) -> None:
    one_by_t1 = rec.Qualification(rec.Quantity.PRESSURE, date(2026, 5, 1), date(2029, 4, 30), "T1")
    people = {p.code: p for p in little.given.people} | {"T9": rec.Person("T9", "New")}
    given = replace(
        bare(little.given), people=(replace(people[code], qualifications=(one_by_t1,)),)
    )
    (item,) = moved.compare(given, "A1").refused
    assert NOT_GRANTED in item.message
    assert "A1" in item.next_step


def up(role: rec.Role, day: date, held: bool = True) -> rec.RoleGrant:
    return rec.RoleGrant(role, day, held)


def pressure(first: date, last: date, by: str) -> rec.Qualification:
    return rec.Qualification(rec.Quantity.PRESSURE, first, last, by)


APPROVER, TECHNICIAN = rec.Role.APPROVER, rec.Role.TECHNICIAN
D1, D2, D3 = date(2026, 1, 5), date(2026, 2, 5), date(2029, 2, 4)


@pytest.mark.parametrize(
    ("roles", "qualifications", "says"),
    [
        ((up(APPROVER, D1),), (pressure(D2, D3, "T9"),), "T9 may not grant T9's own"),
        ((up(TECHNICIAN, D1), up(TECHNICIAN, D2)), (), "holds the role technician on 2026-02-05"),
        ((up(TECHNICIAN, D1), up(TECHNICIAN, D1, False)), (), "takes up the role technician"),
        ((up(TECHNICIAN, D1, False),), (), "does not hold the role technician on 2026-01-05"),
        ((), (pressure(D1, D3, "A1"), pressure(D2, D3, "A1")), "through 2029-02-04 already"),
        ((), (pressure(D2, D1, "A1"),), "before it begins on 2026-02-05"),
    ],
)
def test_a_new_person_is_granted_no_more_than_one_who_is_there(
    moved: Mover, little: Any, roles: Any, qualifications: Any, says: str
) -> None:
    """Refused with the message that the same rows get for a person whom the site knows."""
    bare_one = rec.Person("T9", "New One")
    given = replace(bare(little.given), people=(replace(
        bare_one, roles=roles, qualifications=qualifications
    ),))  # fmt: skip
    (item,) = moved.compare(given, "A1").items
    assert (item.kind, item.state) == ("person", State.REFUSED)
    assert says in item.message
    assert item.next_step
    before = count_rows(moved.engine)
    with pytest.raises(DataProblems):
        moved.run(given, actor="A1")
    assert count_rows(moved.engine) == before
    assert moved.run(replace(given, people=(bare_one,)))[0] is not None
    assert item.message in {i.message for i in moved.compare(given, "A1").refused}


def test_new_people_grant_to_each_other_in_any_order(moved: Mover, little: Any) -> None:
    """What is stored of each is one record, as it was given, roles given up in the past too."""
    past = (up(APPROVER, date(2010, 1, 5)), up(APPROVER, date(2012, 1, 5), False))
    people = (
        rec.Person("T7", "One", (up(APPROVER, D1),), (pressure(D2, D3, "T8"),)),
        rec.Person("T8", "Two", (up(APPROVER, D1),), (pressure(D2, D3, "T7"),)),
        rec.Person("T9", "Three", past, (pressure(D2, D3, "T7"),)),
    )
    for order in (people, people[::-1]):
        found = moved.compare(replace(bare(little.given), people=order), "A1")
        assert [(i.kind, i.record, i.state) for i in found.items] == [
            ("person", person, State.ADDED) for person in order
        ]
    assert moved.run(replace(bare(little.given), people=people), actor="A1")[0] is not None
    assert set(people) <= set(known_of(moved).people)
    with Session(moved.engine) as session:
        assert verify(session).differences == ()


def test_whom_a_refused_person_granted_something_is_refused_too(moved: Mover, little: Any) -> None:
    twice = (up(APPROVER, D1), up(APPROVER, D2))
    people = (
        rec.Person("T7", "One", (), (pressure(D2, D3, "T8"),)),
        rec.Person("T8", "Two", twice),
        rec.Person("T9", "Three", (), (pressure(D2, D3, "A1"),)),
    )
    found = moved.compare(replace(bare(little.given), people=people), "A1")
    assert [i.key for i in found.refused] == ["T7", "T8"]
    assert "T7 names person T8, who is neither in the site" in found.refused[0].message


def test_where_nobody_is_approver_a_planner_makes_the_first(site: Mover, little: Any) -> None:
    people = {p.code: p for p in little.given.people}
    known = known_of(site)
    without = replace(
        known, people=tuple(replace(p, roles=()) if p.code == "A1" else p for p in known.people)
    )
    for role, refused in ((rec.Role.APPROVER, False), (rec.Role.TECHNICIAN, True)):
        grant = rec.RoleGrant(role, site.today)
        given = replace(bare(little.given), people=(replace(people["A1"], roles=(grant,)),))
        with Session(site.engine) as session:
            found = compare(session, given, {}, today=site.today, known=without, actor="P1")
        assert bool(found.refused) is refused


def known_of(site: Mover) -> rec.SiteInput:
    with Session(site.engine) as session:
        return known_site(session)


def test_the_check_value_tells_files_mapping_and_outcome_apart(moved: Mover, little: Any) -> None:
    def value(given: rec.SiteInput, files: Any = FILES, **mapping: object) -> list[str]:
        found = moved.compare(given)
        return check_value(files, mapping, found, HistoryJudged(), []).split("-")

    register = replace(bare(little.given), people=(), switches=little.given.switches)
    changed = replace(little.switch("PS-1"), medium="other")
    other = replace(register, switches=(changed, *register.switches[1:]))

    def same(found: list[str]) -> list[bool]:
        return [a == b for a, b in zip(first, found, strict=True)]

    first = value(register)
    assert same(value(register)) == [True, True, True]
    assert same(value(other)) == [True, True, False]
    assert same(value(register, [(name, "0" * 64) for name, _ in FILES])) == [False, True, True]
    assert same(value(register, sheet="x")) == [True, False, True]
    before = value(other)
    moved.today += timedelta(1)  # the day from which a revision holds is that of the run
    assert value(other) == before


def swapped(calibration: rec.Calibration, verdict: str) -> rec.Calibration:
    results = tuple(replace(r, verdict=verdict) for r in calibration.results)
    return replace(calibration, results=results)


def test_the_check_value_tells_which_calibration_has_which_verdict(
    moved: Mover, little: Any
) -> None:
    """Two that swap their verdicts, or their findings, leave every count as it is."""
    with Session(moved.engine) as session:
        one, other = calibration_queries.all_calibrations(session)[:2]
    found = moved.compare(incoming(little.given))

    def told(*made: rec.Calibration) -> tuple[HistoryJudged, str]:
        judged = HistoryJudged()
        for each in made:
            judged.count(each)
        return judged, check_value(FILES, {}, found, judged, [])

    for this, that in (
        ((swapped(one, "pass"), swapped(other, "fail")),
         (swapped(one, "fail"), swapped(other, "pass"))),
        ((replace(one, findings=(rec.Finding("runs", "x"),)), replace(other, findings=())),
         (replace(one, findings=()), replace(other, findings=(rec.Finding("runs", "x"),)))),
    ):  # fmt: skip
        (a, first), (b, second) = told(*this), told(*that)
        assert (a.findings, sum(a.verdicts.values())) == (b.findings, sum(b.verdicts.values()))
        assert first.split("-")[:2] == second.split("-")[:2]
        assert first != second
        assert told(*this)[1] == first


def test_the_check_value_tells_why_something_is_refused(moved: Mover, little: Any) -> None:
    found = moved.compare(replace(
        bare(little.given), people=(), areas=(replace(little.given.areas[0], name="Other"),)
    ))  # fmt: skip
    (item,) = found.refused
    reworded = replace(found, items=(replace(item, message=f"{item.message} And more."),))
    values = [check_value(FILES, {}, each, HistoryJudged(), []) for each in (found, reworded)]
    assert values[0][:-6] == values[1][:-6]
    assert values[0] != values[1]


def stored(mover: Mover) -> dict[str, rec.Calibration]:
    """The calibrations of the site, whenever and by whomever they were moved in."""
    with Session(mover.engine) as session:
        return {
            c.number: replace(c, recorded_by="", recorded_at=mover.at)
            for c in calibration_queries.all_calibrations(session)
        }


def test_history_is_judged_in_order_whatever_the_order_of_the_rows(
    site: Mover, little: Any, own_works: Engine
) -> None:
    """Against what a build makes; a correction comes before its record."""
    given = incoming(little.given)
    last = next(b for b in given.history if b.number == "H002")
    correction = replace(
        last, number="A1", replaces="H002", replacement_reason="misread", remarks="again",
        performed_on=last.performed_on - timedelta(days=1),
    )  # fmt: skip
    _, told = site.run(replace(given, history=(correction, *given.history[::-1])))
    assert (told.added, told.refused) == (len(given.history) + 1, [])
    made = stored(site)
    assert made.pop("A1").bench.replaces == "H002"
    with Session(own_works) as session:
        built = {c.number: c for c in calibration_queries.all_calibrations(session)}
    assert {n: (c.results, c.findings) for n, c in made.items()} == {
        n: (c.results, c.findings) for n, c in built.items()
    }


def test_the_repeatability_of_what_the_site_holds_counts(site: Mover, little: Any) -> None:
    """A single run after twelve as left (ten degrees of freedom count): one move after the other,
    against both at once."""
    given = incoming(little.given)
    first, last = (b for b in given.history if b.tag == "PS-1")
    left = tuple(
        replace(first.cycles[n % 3], phase=rec.Phase.AS_LEFT, run=n + 1) for n in range(12)
    )
    many = replace(first, cycles=(*first.cycles, *left), adjusted=True)
    single = replace(last, cycles=last.cycles[:1])
    registers = replace(given, history=())
    with Session(site.engine) as session:
        found = compare(
            session, replace(given, history=(many, single)), {}, today=site.today, reason="moved"
        )
        at_once: dict[str, rec.Calibration] = {}
        told = HistoryJudged()
        for made, _ in _judged(session, found, told, site.at, "", lambda: None, None):
            at_once[made.number] = replace(made, recorded_by="", recorded_at=site.at)
    site.run(replace(registers, history=(many,)))
    site.at += timedelta(seconds=1)
    site.run(replace(registers, history=(single,)))
    after = stored(site)
    assert after["H002"].results == at_once["H002"].results
    assert after["H002"].findings == at_once["H002"].findings


@pytest.mark.parametrize("corrected", [True, False])
def test_the_day_of_a_corrected_record_is_no_day_of_a_calibration(
    moved: Mover, little: Any, corrected: bool
) -> None:
    """A record of a day before that of one that was corrected to an earlier day still."""
    last = next(b for b in incoming(little.given).history if b.number == "H002")
    day = last.performed_on
    correction = replace(
        last, number="K1", replaces="H002", replacement_reason="wrong day",
        performed_on=day - timedelta(days=7),
    )  # fmt: skip
    between = replace(last, number="K2", performed_on=day - timedelta(days=4))
    history = replace(bare(little.given), people=(), history=(correction,))
    if corrected:
        moved.at += timedelta(seconds=1)
        assert moved.run(history)[1].added == 1
    moved.at += timedelta(seconds=1)
    assert moved.run(replace(history, history=(between,)))[1].added == 1
    texts = " ".join(f.text for f in stored(moved)["K2"].findings)
    assert (f"has one of {day} already" in texts) is not corrected
