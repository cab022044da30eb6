"""Handing out bench sheets for a round of jobs: which jobs, with which gauge, and the record."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import date, timedelta
from decimal import Decimal
from typing import TYPE_CHECKING

from calfleet.errors import CalfleetError, RecordRefused, Refused, UsageError
from calfleet.records import BenchSheet
from calfleet.services.list_due import list_due
from calfleet.services.make_plan import find_plan
from calfleet.services.nearest import pick
from calfleet.services.plan_bench import BenchPlan, choose_tools, plan_bench
from calfleet.services.sheet_content import HandOut, sheet_content
from calfleet.store import sheet_facts
from calfleet.store.queries import due as due_queries
from calfleet.store.queries import sheets as sheet_queries
from calfleet.store.queries import shop
from calfleet.store.work import Work, digest_of

if TYPE_CHECKING:
    from sqlalchemy.orm import Session


@dataclass(frozen=True, slots=True)
class Job:
    """One job of a round; the gauge that a plan gave it is taken where it will do."""

    tag: str
    gauge: str | None = None


@dataclass(frozen=True, slots=True)
class Tooling:
    """What was asked for by hand: gauges, and a static pressure as read beforehand."""

    gauge: str | None = None
    static_gauge: str | None = None
    static: Decimal | None = None


@dataclass(frozen=True, slots=True)
class Round:
    """The sheets of a round, in order, and the jobs that got none, each with its reason."""

    sheets: tuple[BenchSheet, ...]
    left_out: tuple[tuple[str, str], ...] = ()


def content_digest(sheet: BenchSheet) -> str:
    """SHA-256 (hex) of a sheet: what it says and for what."""
    return digest_of(sheet)


def jobs_by_end_of(session: Session, month: tuple[int, int], *, today: date) -> list[Job]:
    """What is due by the end of that (year, month), overdue first, in the order of the due list."""
    year, number = month
    after = date(year + number // 12, number % 12 + 1, 1)
    found = list_due(session, as_of=today, until=after - timedelta(days=1))
    return [Job(line.tag) for line in found.lines]


def jobs_of_week(
    session: Session, week: date, *, today: date
) -> tuple[list[Job], list[tuple[str, str]]]:
    """What the last plan has in the week of that day, and what of it is left out, with reasons.

    Raises: RecordRefused without a plan, or where the plan has nothing in that week.
    """
    plan = find_plan(session, None)
    monday = week - timedelta(days=week.weekday())
    days = due_queries.performed_days(session)
    jobs, left_out = [], []
    for a in plan.assignments:
        if a.week_on != monday:
            continue
        last = max(days.get(a.tag, ()), default=None)
        if last is not None and plan.as_of <= last <= today:
            left_out.append((a.tag, f"done on {last} already"))
        else:
            jobs.append(Job(a.tag, a.gauge))
    if not jobs and not left_out:
        raise RecordRefused(
            f"Plan {plan.number} has no job in the week of {monday}.",
            rule="A round by week holds what the last plan has in that week.",
            next_step=f"'calfleet plan show {plan.number}' shows its weeks.",
        )
    return jobs, left_out


def prepare_round(
    session: Session,
    jobs: Sequence[Job],
    tooling: Tooling,
    *,
    on: date,
    by: str,
    today: date,
    strict: bool,
) -> Round:
    """The sheets of ``jobs`` for the day ``on``, without numbers yet; nothing is written.

    With ``strict`` a job that cannot have a sheet is refused; else it is left out with its reason.

    Raises: UsageError for no job, a day passed, or a static reading for several; UnknownName;
    GaugeRefused; RecordRefused.
    """
    if on < today:
        raise UsageError(
            f"Sheets for {on}, which is before today, {today}.",
            rule="A sheet is handed out before the work.",
            next_step="Give a day from today on; a calibration already done is entered with "
            "'calfleet record'.",
        )
    if tooling.static is not None and len(jobs) != 1:
        raise UsageError(
            f"One static reading for {len(jobs)} switches.",
            rule="A static pressure belongs to one switch.",
            next_step="Hand out that sheet by itself, or leave the reading out: the targets follow "
            "what is typed into the sheet.",
        )
    given = _hand_out(session, by, today)
    areas = {a.code: a.name for a in shop.areas(session)}
    sheets: list[BenchSheet] = []
    left_out: list[tuple[str, str]] = []
    for job in _once(jobs):
        try:
            plan = plan_bench(session, job.tag, on=on)
            sheet = _sheet(plan, _tooled(plan, job, tooling), areas, given)
        except Refused as refusal:
            if strict:
                raise
            left_out.append((job.tag, f"{refusal.message} {refusal.rule}".strip()))
            continue
        if sheet.tag in {s.tag for s in sheets}:
            continue
        sheets.append(sheet)
    if not sheets:
        raise RecordRefused(
            "No sheet can be handed out for this round.",
            rule=" ".join(f"{tag}: {reason}" for tag, reason in left_out),
            next_step="Choose other jobs or another day.",
        )
    return Round(tuple(sheets), tuple(left_out))


def _once(jobs: Iterable[Job]) -> list[Job]:
    """The jobs without those named twice."""
    found: dict[str, Job] = {}
    for job in jobs:
        found.setdefault(job.tag.strip().casefold(), job)
    return list(found.values())


def _hand_out(session: Session, by: str, today: date) -> HandOut:
    site = shop.site(session)
    person = pick("person", by, shop.people(session))
    return HandOut(
        on=today,
        by=person.code,
        by_name=person.name,
        site_code="" if site is None else site.code,
        site_name="" if site is None else site.name,
        identity=sheet_queries.site_identity(session),
    )


def _tooled(plan: BenchPlan, job: Job, tooling: Tooling) -> Tooling:
    """The gauge asked for by hand; else the planned one where it will do; else the first choice."""
    if tooling.gauge is not None or job.gauge is None:
        return tooling
    planned = any(o.gauge.code == job.gauge and o.usable for o in plan.options)
    return replace(tooling, gauge=job.gauge) if planned else tooling


def _sheet(plan: BenchPlan, tooling: Tooling, areas: dict[str, str], given: HandOut) -> BenchSheet:
    tools = choose_tools(plan, tooling.gauge, tooling.static_gauge)
    try:
        content = sheet_content(plan, tools, tooling.static, areas, given)
    except CalfleetError as error:
        if isinstance(error, Refused):
            raise
        raise RecordRefused(
            f"{plan.switch.tag}: {error.message}", rule=error.rule, next_step=error.next_step
        ) from error
    return BenchSheet(
        number="",
        tag=plan.switch.tag,
        switch_revision=plan.switch.revision,
        procedure=plan.procedure.code,
        procedure_revision=plan.procedure.revision,
        for_on=plan.on,
        content=content,
    )


def hand_out(work: Work, made: Round, *, today: date) -> Round:
    """The round as recorded, each sheet with its number; the caller commits."""
    place = sheet_queries.sheets_in_year(work.session, today.year)
    numbered = []
    for sheet in made.sheets:
        place += 1
        while sheet_queries.sheet_exists(work.session, f"B{today.year}-{place:04d}"):
            place += 1
        given = replace(sheet, number=f"B{today.year}-{place:04d}")
        sheet_facts.add_bench_sheet(work, given)
        numbered.append(given)
    return replace(made, sheets=tuple(numbered))
