"""Moving in: what files bring is judged and added in one unit of work, with where it stood."""

from __future__ import annotations

import json
from collections import Counter
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import date, datetime
from hashlib import sha256
from typing import TYPE_CHECKING, Any

from calfleet import records as rec
from calfleet.errors import (
    DataProblems,
    PersonRefused,
)
from calfleet.services.bench_facts import gather
from calfleet.services.build_site import grouped
from calfleet.services.comparison import Comparison, Item, State, merged
from calfleet.services.event_facts import next_number
from calfleet.services.history import Before, Spread, in_order, no_collecting
from calfleet.services.record import Context
from calfleet.services.side_by_side import Judging, Refusal, Workers, judge_all
from calfleet.services.who_grants import refuse_granting
from calfleet.store import calibration_facts, facts, people_facts
from calfleet.store.moving_facts import add_move_in
from calfleet.store.queries import benches, moving
from calfleet.store.work import Work

if TYPE_CHECKING:
    from sqlalchemy.orm import Session

LONGEST_PLACE = 300
"""Characters of a place that are kept."""


@dataclass
class HistoryJudged:
    """What became of the history that was judged.

    ``refused``: what cannot be judged at all. ``verdicts`` of the results, as-found and as-left;
    ``findings``: how many calibrations have a finding of that code; ``added`` calibrations;
    ``digest`` (SHA-256, hex) of the verdicts and codes of each, in order.
    """

    added: int = 0
    refused: list[Item] = field(default_factory=list)
    verdicts: Counter[str] = field(default_factory=Counter)
    findings: Counter[str] = field(default_factory=Counter)
    digest: str = ""

    def count(self, calibration: rec.Calibration) -> None:
        self.added += 1
        self.verdicts.update(f"{r.phase} {r.verdict}" for r in calibration.results)
        self.findings.update({f.code for f in calibration.findings})
        each = (
            calibration.number,
            [(r.set_point, r.phase, r.verdict) for r in calibration.results],
            [f.code for f in calibration.findings],
        )
        # chained: none of many calibrations is kept for it
        self.digest = sha256((self.digest + json.dumps(each)).encode()).hexdigest()


def judge_history(
    session: Session,
    comparison: Comparison,
    *,
    at: datetime,
    recorded_by: str = "",
    step: Callable[[], object] = lambda: None,
    workers: Workers | None = None,
) -> HistoryJudged:
    """The history of ``comparison`` judged as it would be when moved in; nothing is written.

    ``step`` is called after each calibration. Much of it is judged by ``workers``, where given.
    """
    told = HistoryJudged()
    with no_collecting():
        for _ in _judged(session, comparison, told, at, recorded_by, step, workers):
            pass
    return told


def with_refused(comparison: Comparison, told: HistoryJudged) -> Comparison:
    """The comparison in which history that cannot be judged is refused."""
    late = {item.key: item for item in told.refused}
    items = tuple(
        late.get(item.key, item) if item.kind == "calibration" and item.writes else item
        for item in comparison.items
    )
    return replace(comparison, items=items)


def move_in(
    work: Work,
    comparison: Comparison,
    *,
    mapping: Mapping[str, object],
    files: Sequence[tuple[str, str]],
    leave_out: bool = False,
    step: Callable[[], object] = lambda: None,
    workers: Workers | None = None,
) -> tuple[rec.MoveIn | None, HistoryJudged]:
    """What was moved in and noted, ``None`` when there was nothing to add; and the history judged.

    ``mapping``: how the files were read, as plain data; ``files``: name and SHA-256 (hex) of each.
    Registers first, then history, judged as it goes (by ``workers``, where given and much) by the
    rules and procedures of its days. With ``leave_out`` what is refused is left out; without it
    nothing is added then. The caller commits, and rolls back when anything is raised.

    Raises: DataProblems with everything that is refused; PersonRefused for a role or a
    qualification that who moves in may not give; RecordRefused, UnknownName.
    """
    told = HistoryJudged()
    if comparison.refused and not leave_out:
        raise DataProblems([i.problem for i in comparison.refused])
    if not comparison.writes:
        return None, told
    refuse_mover(comparison, work.actor)
    moved: list[tuple[str, str, str]] = []
    for item in comparison.items:
        if item.writes and item.kind != "calibration":
            _ADD[item.kind](work, item.record)
            moved.append((item.kind, item.key, item.place[:LONGEST_PLACE]))
    places = {i.key: i.place for i in comparison.of("calibration", State.ADDED)}

    digests: dict[str, str] = {}

    def judged() -> Iterator[rec.Calibration]:
        for calibration, digest in _judged(
            work.session, comparison, told, work.at, work.actor, step, workers
        ):
            if digest is not None:
                digests[calibration.number] = digest
            moved.append(
                ("calibration", calibration.number, places[calibration.number][:LONGEST_PLACE])
            )
            yield calibration

    with no_collecting():
        calibration_facts.add_calibrations(work, judged(), digests)
    if told.refused and not leave_out:
        raise DataProblems([i.problem for i in told.refused])
    if not moved:
        return None, told
    final = with_refused(comparison, told)
    held = moving.move_ins(work.session, with_records=False)
    number = next_number("M", work.at.date(), (h.move.number for h in held))
    made = rec.MoveIn(
        number=number,
        files=tuple(files),
        mapping=dict(mapping),
        outcome=outcome_of(final, told),
        moved=tuple(moved),
    )
    add_move_in(work, made)
    return made, told


def refuse_mover(comparison: Comparison, actor: str) -> None:
    """Nothing where ``actor`` may move in all that is to be added.

    Roles and qualifications are given by an approver, everything else is moved in by a planner.

    Raises: PersonRefused.
    """
    people = {p.code: p for p in comparison.known.people}
    granted = comparison.grants
    for item in granted:
        try:
            refuse_granting(people, actor, item.kind, item.record, comparison.today)
        except PersonRefused as error:
            where = f"{item.place}: " if item.place else ""
            raise PersonRefused(
                f"{where}{error.message}", rule=error.rule, next_step=error.next_step
            ) from error
    others = sum(item.writes for item in comparison.items) > len(granted)
    held = people.get(actor)
    if others and (held is None or not held.holds(rec.Role.PLANNER, comparison.today)):
        able = [p.code for p in people.values() if p.holds(rec.Role.PLANNER, comparison.today)]
        raise PersonRefused(
            f"{actor} may not move in all of this.",
            rule="An approver moves in roles and qualifications alone; for the rest the role "
            f"planner is needed on {comparison.today}: {', '.join(able) or 'nobody'}.",
            next_step="Let a planner move the files in first, with --leave-out-refused; then an "
            "approver moves the same files in, which adds the roles and qualifications.",
        )


def outcome_of(comparison: Comparison, told: HistoryJudged) -> dict[str, object]:
    """What came of it as plain data: counts by kind, verdicts, findings, and what was left out."""
    return {
        "records": comparison.counts(),
        "verdicts": dict(sorted(told.verdicts.items())),
        "findings": dict(sorted(told.findings.items())),
        "left_out": [
            {"kind": i.kind, "key": i.key, "place": i.place, "why": i.message}
            for i in comparison.refused
        ],
    }


_ADD: dict[str, Callable[[Work, Any], None]] = {
    "area": facts.add_area,
    "person": facts.add_person,
    "person role": people_facts.add_role,
    "qualification": people_facts.add_qualification,
    "laboratory": facts.add_laboratory,
    "accreditation": people_facts.add_accreditation,
    "interval policy": facts.add_policy,
    "procedure revision": facts.add_procedure_revision,
    "switch": facts.add_switch,
    "gauge": facts.add_gauge,
    "certificate": facts.add_certificate,
}


def _judged(
    session: Session,
    comparison: Comparison,
    told: HistoryJudged,
    at: datetime,
    recorded_by: str,
    step: Callable[[], object],
    workers: Workers | None,
) -> Iterator[tuple[rec.Calibration, str | None]]:
    """The calibrations that can be judged, in order, each with its digest if that is at hand.

    The others are noted as refused.
    """
    items = {i.key: i for i in comparison.of("calibration", State.ADDED)}
    if not items:
        return
    before, tags = _before(session, comparison)
    before.taken.update(items)
    judging = Judging(before, tags, comparison.today, at, recorded_by)
    history = in_order(i.record for i in items.values())
    for bench, made, digest in judge_all(judging, history, workers):
        if isinstance(made, Refusal):
            told.refused.append(_refused(items[bench.number or ""], made))
        else:
            told.count(made)
            yield made, digest
        step()


def _before(session: Session, comparison: Comparison) -> tuple[Before, dict[str, str]]:
    """What the history stands on, and the tag of each calibration there is, by number."""
    site = merged(comparison.known, comparison.items)
    spread = Spread()
    for number, (family, own) in benches.as_left_series(session).items():
        spread.add_series(number, family, own)
    facts_now = replace(
        gather(session),
        gauges=grouped(site.gauges, lambda g: g.code, lambda g: g.revision),
        certificates={c.number: c for c in site.certificates},
        policies=grouped(site.policies, lambda p: p.code, lambda p: p.effective_on),
        procedures=grouped(site.procedures, lambda p: p.code, lambda p: p.revision),
        people={p.code: p for p in site.people},
        repeatability=spread.pooled,
    )
    performed: dict[str, list[date]] = {}
    days: dict[str, date] = {}
    tags: dict[str, str] = {}
    for held in benches.held_days(session):
        tags[held.number] = held.tag
        if not held.corrected:
            days[held.number] = held.performed_on
            performed.setdefault(held.tag, []).append(held.performed_on)
    switches = grouped(site.switches, lambda s: s.tag, lambda s: s.revision)
    before = Before(
        Context(facts_now, switches, performed), spread, performed, days, taken=set(tags)
    )
    return before, tags


def _refused(item: Item, why: Refusal) -> Item:
    message = f"{item.key}: {why.message}"
    step = f"{why.rule} {why.next_step}".strip()
    return replace(item, state=State.REFUSED, message=message, next_step=step)
