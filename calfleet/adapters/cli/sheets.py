"""Bench sheets: handed out as a workbook or on paper, and taken back filled."""

from __future__ import annotations

import re
import sys
from collections.abc import Sequence
from dataclasses import replace
from datetime import date
from decimal import Decimal
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from calfleet.adapters.cli.app import (
    BENCH,
    FormatOption,
    PersonOption,
    SiteOption,
    app,
    day,
    refuse_existing,
)
from calfleet.adapters.cli.render import Column, Format, listing, paragraph
from calfleet.errors import BadDate, Problem, RecordRefused, UnknownName, UsageError

if TYPE_CHECKING:
    from sqlalchemy.orm import Session

    from calfleet.records import BenchSheet, FilledSheet, Result
    from calfleet.services.hand_out import Job
    from calfleet.services.take_back import Taken
    from calfleet.site import SiteFolder


@app.command("bench-sheets", rich_help_panel=BENCH)
def bench_sheets(
    out: Annotated[Path, typer.Argument(metavar="OUT.xlsx", help="The new workbook.")],
    tags: Annotated[
        list[str] | None, typer.Argument(metavar="[TAG]...", help="The switches of the round.")
    ] = None,
    month: Annotated[
        str | None,
        typer.Option(metavar="YYYY-MM", help="Instead: everything due by the end of that month."),
    ] = None,
    plan_week: Annotated[
        str | None,
        typer.Option(metavar="DATE", help="Instead: what the last plan has in that day's week."),
    ] = None,
    gauge: Annotated[
        str | None,
        typer.Option(metavar="GAUGE", help="The reference gauge; else that of first choice."),
    ] = None,
    static_gauge: Annotated[
        str | None,
        typer.Option(metavar="GAUGE", help="A second gauge that reads the static pressure."),
    ] = None,
    static: Annotated[
        str | None,
        typer.Option(metavar="READING", help="The static pressure as read, for one switch."),
    ] = None,
    for_on: Annotated[
        str | None, typer.Option(metavar="DATE", help="The day of the work (today).")
    ] = None,
    pdf: Annotated[
        Path | None, typer.Option(metavar="FILE", help="A page to print and write on, too.")
    ] = None,
    output: FormatOption = Format.TABLE,
    person: PersonOption = None,
    site: SiteOption = None,
) -> None:
    """Hand out bench sheets for a round: targets, cautions, cells for readings, checks.

    Each sheet is recorded with its number, so that it is known again when it comes back.
    """
    from calfleet.services.hand_out import Tooling, content_digest, hand_out, prepare_round
    from calfleet.services.look_up import person_code
    from calfleet.site import find_site

    if out.suffix.casefold() != ".xlsx":
        raise UsageError(
            f"The workbook {out.name} has no name that ends in .xlsx.",
            rule="Bench sheets are written as an .xlsx workbook.",
            next_step=f"Name it {out.stem}.xlsx.",
        )
    refuse_existing(out)
    refuse_existing(pdf)
    folder = find_site(site)
    folder.require_writable()
    today = folder.today()
    on = day(for_on, today)
    tooling = Tooling(gauge, static_gauge, _reading(static))
    if pdf is not None:
        from calfleet.adapters.documents import typeset

        typeset.require()
    with folder.reading() as session:
        by = person_code(session, _who(person))
        jobs, left_out, named = _jobs(session, tags or [], month, plan_week, today=today)
        made = prepare_round(session, jobs, tooling, on=on, by=by, today=today, strict=named)
    subject = ", ".join(sheet.tag for sheet in made.sheets)
    with folder.work(actor=by, action="hand out bench sheets", subject=subject) as work:
        given = hand_out(work, made, today=today)
        left_out += list(given.left_out)
        digests = [content_digest(sheet) for sheet in given.sheets]
        _write(out, pdf, given.sheets, digests, left_out, today)
        try:
            work.commit()
        except BaseException:
            out.unlink(missing_ok=True)  # sheets that are not recorded must not go round
            if pdf is not None:
                pdf.unlink(missing_ok=True)
            raise
    listing(given.sheets, _columns(), output, title=f"Bench sheets for {on}",
            footer=_left_out_lines(left_out))  # fmt: skip
    for path in (out, pdf):
        if path is not None:
            print(f"Written: {path}", file=sys.stderr)


@app.command("take-back", rich_help_panel=BENCH)
def take_back(
    files: Annotated[
        list[Path],
        typer.Argument(metavar="FILES...", help="Workbooks with filled sheets (.xlsx, .ods)."),
    ],
    only: Annotated[
        list[str] | None,
        typer.Option(metavar="SHEET", help="Only this sheet of them (B2026-0001); repeatable."),
    ] = None,
    check: Annotated[bool, typer.Option("--check", help="Judge and show, write nothing.")] = False,
    output: FormatOption = Format.TABLE,
    person: PersonOption = None,
    site: SiteOption = None,
) -> None:
    """Take filled bench sheets back: readings are judged anew and recorded, all sheets or none.

    A formula's result is never read. A sheet that was altered, revised meanwhile, recorded before
    or handed out elsewhere is refused with its cell and the reason; one not begun is passed over.
    """
    from calfleet.errors import DataProblems
    from calfleet.services.look_up import person_code
    from calfleet.services.take_back import check as judge_only
    from calfleet.services.take_back import take_back as record_all
    from calfleet.site import find_site

    folder = find_site(site)
    if not check:
        folder.require_writable()
    today = folder.today()
    problems: list[Problem] = []
    with folder.reading() as session:
        by = person_code(session, _who(person))
        filled, empty = _filled(session, files, only or [], problems)
        taken = judge_only(session, filled, problems, today=today, at=folder.now(), by=by)
        if problems:
            raise DataProblems(problems)
        if not filled:
            raise RecordRefused(
                "No sheet was filled in.",
                rule="A sheet without any entry is passed over.",
                next_step="Save the workbook after filling it in, and name that file.",
            )
    if not check:
        subject = ", ".join(one.marks.number for one in filled)
        with folder.work(actor=by, action="take back bench sheets", subject=subject) as work:
            # judged again inside the unit of work: what it stands on may have changed meanwhile
            taken = record_all(work, filled, problems, today=today)
            if problems:
                raise DataProblems(problems)
            work.commit()
    _show_taken(folder, taken, empty, output, check=check)


def _filled(
    session: Session, files: Sequence[Path], only: Sequence[str], problems: list[Problem]
) -> tuple[list[FilledSheet], list[str]]:
    """The filled sheets of the files, and the names of those not begun."""
    from calfleet.adapters.workbook.sheet_return import open_sheets, read_sheet
    from calfleet.services.take_back import know_again

    opened = [file for path in files if (file := open_sheets(path, problems)) is not None]
    wanted = {number.strip().casefold() for number in only}
    marks = [
        m for file in opened for m in file.marks if not wanted or m.number.casefold() in wanted
    ]
    there = {m.number.casefold() for file in opened for m in file.marks}
    for number in only:
        if number.strip().casefold() not in there:
            raise UnknownName(
                "sheet in these files", number, [m.number for file in opened for m in file.marks]
            )
    by_name = {(file.name, m.title): file for file in opened for m in file.marks}
    filled, empty = [], []
    for known in know_again(session, marks, problems):
        before = len(problems)
        file = by_name[known.marks.file, known.marks.title]
        sheet = read_sheet(file, known.marks, known.sheet, known.digest, problems)
        if sheet is not None:
            filled.append(sheet)
        elif len(problems) == before:
            empty.append(f"{known.marks.number} {known.sheet.tag}")
    return filled, empty


def _show_taken(
    folder: SiteFolder,
    taken: Sequence[Taken],
    empty: Sequence[str],
    output: Format,
    *,
    check: bool,
) -> None:
    from calfleet.adapters.cli.bench import show_calibration

    if output is not Format.TABLE:
        listing([(t, r) for t in taken for r in t.calibration.results], _taken_columns(check),
                output)  # fmt: skip
        return
    with folder.reading() as session:
        for one in taken:
            shown = replace(one.calibration, number="") if check else one.calibration
            print(f"Sheet {one.filled.marks.number}")
            show_calibration(session, shown, with_cautions=not check)
            if not check:
                print(f"Trace it: calfleet trace {one.calibration.number}")
            print()
    if empty:
        print(paragraph(f"Not begun, passed over: {', '.join(empty)}.", indent=""))
    count = f"{len(taken)} sheet{'s' if len(taken) != 1 else ''}"
    print("Checked only; nothing was written." if check else f"{count} taken back.")


def _taken_columns(check: bool) -> list[Column[tuple[Taken, Result]]]:
    return [
        Column("", "sheet", lambda x: x[0].filled.marks.number),
        Column("", "calibration", lambda x: None if check else x[0].calibration.number),
        Column("", "tag", lambda x: x[0].calibration.bench.tag),
        Column("", "performed_on", lambda x: x[0].calibration.bench.performed_on),
        *(
            Column("", name, lambda x, name=name: getattr(x[1], name))  # type: ignore[misc]
            for name in (
                "set_point", "phase", "unit", "required", "found", "first_trip", "error", "late",
                "dead_band", "repeatability", "expanded_uncertainty", "verdict", "category",
                "reason",
            )
        ),
    ]  # fmt: skip


def _who(person: str | None) -> str:
    if person is None:
        raise UsageError(
            "Who enters this is not told.",
            rule="Sheets are recorded with who handed them out, and with who took them back.",
            next_step="Give --as PERSON, or set CALFLEET_PERSON.",
        )
    return person


def _reading(text: str | None) -> Decimal | None:
    from calfleet.metrology.readings import parse_number

    if text is None:
        return None
    parse_number(text)
    return Decimal(text.strip())


def _jobs(
    session: Session, tags: Sequence[str], month: str | None, week: str | None, *, today: date
) -> tuple[list[Job], list[tuple[str, str]], bool]:
    """The jobs of the round, those left out, and whether each was named by hand."""
    from calfleet.services.hand_out import Job, jobs_by_end_of, jobs_of_week

    if sum((bool(tags), month is not None, week is not None)) != 1:
        raise UsageError(
            "Name the switches, or give --month, or --plan-week.",
            rule="A round is one of the three.",
            next_step="'calfleet due' lists what is due.",
        )
    if tags:
        return [Job(tag) for tag in tags], [], True
    if month is not None:
        found = re.fullmatch(r"(\d{4})-(\d\d)", month.strip(), re.ASCII)
        if found is None or not 1 <= int(found[2]) <= 12:
            raise BadDate(
                f"{month!r} is not a month.",
                rule="A month is written YYYY-MM, for example 2026-12.",
                next_step="Type it that way.",
            )
        return jobs_by_end_of(session, (int(found[1]), int(found[2])), today=today), [], False
    jobs, left_out = jobs_of_week(session, day(week, today), today=today)
    return jobs, left_out, False


def _write(
    out: Path,
    pdf: Path | None,
    sheets: Sequence[BenchSheet],
    digests: Sequence[str],
    left_out: Sequence[tuple[str, str]],
    today: date,
) -> None:
    from calfleet.adapters.workbook.sheet_book import ToPrint, workbook_bytes

    pairs = [ToPrint(sheet, digest) for sheet, digest in zip(sheets, digests, strict=True)]
    book = workbook_bytes(pairs, left_out)
    page = b""
    if pdf is not None:
        from calfleet.adapters.documents.sheet_page import sheet_pages

        page = sheet_pages(sheets, on=today)
    for path, content in ((out, book), (pdf, page)):
        if path is not None:
            with path.open("xb") as stream:
                stream.write(content)


def _columns() -> list[Column[BenchSheet]]:
    def gauges(sheet: BenchSheet) -> str:
        held: list[dict[str, object]] = sheet.content["gauges"]  # type: ignore[assignment]
        return ", ".join(str(g["code"]) for g in held)

    return [
        Column("Sheet", "sheet", lambda s: s.number),
        Column("Tag", "tag", lambda s: s.tag),
        Column("Data sheet", "data_sheet_revision", lambda s: s.switch_revision, right=True),
        Column("Procedure", "procedure", lambda s: f"{s.procedure} rev {s.procedure_revision}"),
        Column("Gauge", "gauges", gauges),
        Column("For", "for_on", lambda s: s.for_on),
    ]


def _left_out_lines(left_out: Sequence[tuple[str, str]]) -> list[str]:
    if not left_out:
        return []
    return ["", "Left out:", *(paragraph(why, indent=f"  {tag}  ") for tag, why in left_out)]
