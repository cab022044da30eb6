"""Filled bench sheets taken back: known again, judged as at the bench, recorded and linked."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime
from typing import TYPE_CHECKING

from calfleet.errors import (
    CalfleetError,
    DateRefused,
    ExtrapolationRefused,
    GaugeRefused,
    PersonRefused,
    Problem,
    ProcedureRefused,
    ReadingRefused,
)
from calfleet.records import (
    BenchRecord,
    BenchSheet,
    BenchSheetReturn,
    Calibration,
    FilledSheet,
    SheetMarks,
)
from calfleet.services.bench_facts import in_force
from calfleet.services.hand_out import content_digest
from calfleet.services.record import Context, context_for, judge, judge_record
from calfleet.services.record import record as add
from calfleet.services.sheet_content import FORM
from calfleet.store import sheet_facts
from calfleet.store.queries import calibrations as calibration_queries
from calfleet.store.queries import sheets as sheet_queries
from calfleet.store.queries.sheets import HeldSheet
from calfleet.store.work import Work

if TYPE_CHECKING:
    from sqlalchemy.orm import Session

AGAIN = "Have a new sheet handed out, or enter the readings with 'calfleet record'."
OBJECTIONS = ("gauge", "person", "procedure", "date", "reading", "rule")
"""Findings under these codes are rules broken, where a judgement does not stop at the first."""


@dataclass(frozen=True, slots=True)
class Known:
    """A sheet known again by its marks, with the digest of what was handed out."""

    marks: SheetMarks
    sheet: BenchSheet
    digest: str


@dataclass(frozen=True, slots=True)
class Taken:
    """A sheet taken back and the calibration it became (without a number when only checked)."""

    filled: FilledSheet
    calibration: Calibration


def know_again(
    session: Session, marks: Sequence[SheetMarks], problems: list[Problem]
) -> list[Known]:
    """The sheets that can come back, in order; for each other one a problem with the reason."""
    identity = sheet_queries.site_identity(session)
    seen: dict[str, SheetMarks] = {}
    found = []
    for one in marks:
        problem = _unknown(session, one, identity, seen)
        held = None if problem else sheet_queries.bench_sheet(session, one.number)
        if problem is None and held is not None:
            problem = _not_again(one, held)
        if problem is not None or held is None:
            problems += [problem] if problem else []
            continue
        seen[one.number] = one
        found.append(Known(one, held.sheet, content_digest(held.sheet)))
    return found


def _at(marks: SheetMarks, cell: str) -> str:
    return f"{marks.file}, {marks.title}!{cell}"


def _unknown(
    session: Session, one: SheetMarks, identity: str, seen: dict[str, SheetMarks]
) -> Problem | None:
    if one.database != identity:
        return Problem(
            _at(one, "O4"), f"{one.number} was handed out by another database.",
            "Take it back where it came from.",
        )  # fmt: skip
    if one.form != FORM:
        return Problem(
            _at(one, "O1"), f"{one.number} has the form {one.form or 'unknown'}; this program "
            f"takes back the form {FORM}.", AGAIN,
        )  # fmt: skip
    if not sheet_queries.sheet_exists(session, one.number):
        return Problem(_at(one, "O2"), f"No sheet {one.number!r} was handed out.", AGAIN)
    if one.number in seen:
        other = seen[one.number]
        return Problem(
            _at(one, "O2"), f"{one.number} is there twice: also in {other.file}, {other.title}.",
            "Take back the one that was filled in.",
        )  # fmt: skip
    return None


def _not_again(one: SheetMarks, held: HeldSheet) -> Problem | None:
    if held.sheet.tag != one.tag:
        return Problem(
            _at(one, "O5"), f"{one.number} was handed out for {held.sheet.tag}, not for {one.tag}.",
            AGAIN,
        )  # fmt: skip
    if content_digest(held.sheet) != one.digest:
        return Problem(
            _at(one, "O3"), f"The marks of {one.number} are not those that were handed out.", AGAIN
        )
    if held.calibration is not None:
        return Problem(
            _at(one, "O2"), f"{one.number} came back already, as {held.calibration}.",
            f"'calfleet result {held.calibration}' shows it; --only SHEET takes the others back.",
        )  # fmt: skip
    return None


def check(
    session: Session,
    filled: Sequence[FilledSheet],
    problems: list[Problem],
    *,
    today: date,
    at: datetime,
    by: str,
) -> list[Taken]:
    """Each sheet judged as it would be recorded; nothing is written. Problems are noted."""
    taken = []
    for one in filled:
        judged = _judged(session, one, problems, today=today, at=at, by=by)
        if judged is not None:
            taken.append(Taken(one, judged))
    return taken


def take_back(
    work: Work, filled: Sequence[FilledSheet], problems: list[Problem], *, today: date
) -> list[Taken]:
    """Each sheet judged and recorded in turn, linked to the sheet handed out.

    The caller commits, and does not where a problem was noted: all sheets or none.
    """
    taken = []
    for one in filled:
        judged = _judged(work.session, one, problems, today=today, at=work.at, by=work.actor)
        if judged is None:
            continue
        made = add(work, judged)
        sheet_facts.add_return(work, BenchSheetReturn(one.marks.number, made.number, one.digest))
        taken.append(Taken(one, made))
    return taken


def _judged(
    session: Session,
    one: FilledSheet,
    problems: list[Problem],
    *,
    today: date,
    at: datetime,
    by: str,
) -> Calibration | None:
    context = context_for(session, one.bench.tag)
    before = len(problems)
    problems += _of_another_time(session, one, context)
    if len(problems) > before:
        return None
    try:
        return judge(session, one.bench, today=today, at=at, recorded_by=by)
    except CalfleetError as refusal:
        problems += _objections(context, one, refusal, today=today, at=at)
        return None


def _of_another_time(session: Session, one: FilledSheet, context: Context) -> list[Problem]:
    """What changed since the sheet was handed out: data sheet, procedure, the job itself."""
    held = sheet_queries.bench_sheet(session, one.marks.number)
    if held is None:
        return []
    sheet, done = held.sheet, one.bench.performed_on
    found = []
    switch = in_force(context.switches[sheet.tag], done)
    if switch is not None and switch.revision != sheet.switch_revision:
        found.append(
            Problem(
                _at(one.marks, "A1"),
                f"{sheet.number} is for revision {sheet.switch_revision} of {sheet.tag}; on {done} "
                f"revision {switch.revision} was in force since {switch.effective_on}.",
                AGAIN,
            )
        )
    procedure = in_force(context.facts.procedures.get(sheet.procedure, ()), done)
    if procedure is not None and procedure.revision != sheet.procedure_revision:
        found.append(
            Problem(
                one.cells.get("performed_on", _at(one.marks, "A1")),
                f"{sheet.number} is by {sheet.procedure} rev {sheet.procedure_revision}; on {done} "
                f"revision {procedure.revision} was in force since {procedure.effective_on}.",
                AGAIN,
            )
        )
    for other in calibration_queries.calibrations_of(session, sheet.tag):
        later = other.recorded_at > held.recorded_at
        handed = date.fromisoformat(str(held.sheet.content["handed_out"]["on"]))  # type: ignore[index]
        if other.replaced_by is None and later and other.bench.performed_on >= handed:
            found.append(
                Problem(
                    _at(one.marks, "A1"),
                    f"The job of {sheet.number} was recorded already, as {other.number}, done on "
                    f"{other.bench.performed_on} and entered after the sheet was handed out.",
                    f"'calfleet result {other.number}' shows it.",
                )
            )
    return found


# --- every rule broken, each with its cell ----------------------------------------------


def _objections(
    context: Context, one: FilledSheet, refusal: CalfleetError, *, today: date, at: datetime
) -> list[Problem]:
    """All that stands against a sheet, not the first alone."""
    found = [_problem(one, refusal)]
    found += _bad_runs(context, one, today=today, at=at)
    try:
        seen = judge_record(context, one.bench, today=today, at=at, strict=False)
    except CalfleetError:
        return _once(found)
    by_code = {"gauge": "agrees:0", "person": "performed_by", "date": "performed_on"}
    for finding in seen.findings:
        if finding.code in OBJECTIONS and finding.code != "reading":
            where = one.cells.get(by_code.get(finding.code, ""), _at(one.marks, "A1"))
            found.append(Problem(where, finding.text))
    return _once(found)


def _once(problems: list[Problem]) -> list[Problem]:
    """The problems without those that say the same of the same thing."""
    found: list[Problem] = []
    for one in problems:
        said = one.message.split(". ")[0].rstrip(".")
        if not any(said == p.message.split(". ")[0].rstrip(".") for p in found):
            found.append(one)
    return found


def _problem(one: FilledSheet, refusal: CalfleetError) -> Problem:
    """A refusal with the cell it is most likely about."""
    text = f"{refusal.message} {refusal.rule}".strip()
    return Problem(_place(one, refusal), text, refusal.next_step)


def _place(one: FilledSheet, refusal: CalfleetError) -> str:
    bench = one.bench
    key = ""
    if isinstance(refusal, PersonRefused):
        own = bench.verified_by in (bench.performed_by, bench.returned_by)
        key = "verified_by" if bench.verified_by is not None and own else "performed_by"
    elif isinstance(refusal, DateRefused | ProcedureRefused):
        key = "performed_on"
    elif isinstance(refusal, GaugeRefused):
        key = "agrees:0"
    elif isinstance(refusal, ReadingRefused | ExtrapolationRefused):
        key = next((k for k in one.cells if k.startswith("trip:")), "")
    return one.cells.get(key, _at(one.marks, "A1"))


def _bad_runs(context: Context, one: FilledSheet, *, today: date, at: datetime) -> list[Problem]:
    """Each run that is refused by itself, at its own cell."""
    found = []
    bench = one.bench
    labels: dict[str, int] = {}
    for cycle in bench.cycles:
        labels.setdefault(cycle.set_point, len(labels))
    static = None
    for cycle in bench.cycles:
        static = cycle.static if cycle.static is not None else static
        alone = replace(cycle, static=static) if static is not None else cycle
        single: BenchRecord = replace(bench, cycles=(alone,), adjusted=False)
        try:
            judge_record(context, single, today=today, at=at, strict=True)
        except (ReadingRefused, ExtrapolationRefused) as refusal:
            key = f"trip:{labels[cycle.set_point]}:{cycle.phase}:{cycle.run}"
            found.append(
                Problem(
                    one.cells.get(key, _at(one.marks, "A1")),
                    f"{cycle.set_point} {cycle.phase} run {cycle.run}: {refusal.message}",
                    refusal.next_step,
                )
            )
        except CalfleetError:
            return found  # another rule stands in the way; it is told by itself
    return found
