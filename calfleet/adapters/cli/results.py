"""What was recorded: one result, a switch's history, and the trace to the standards."""

from __future__ import annotations

import sys
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from calfleet.adapters.cli.app import (
    AUDITOR,
    FormatOption,
    PersonOption,
    SiteOption,
    app,
    day,
    refuse_existing,
    write_new,
)
from calfleet.adapters.cli.render import Column, Format, as_json, listing, paragraph
from calfleet.adapters.cli.workbooks import (
    Book,
    WorkbookOption,
    listing_and_book,
    places_of,
    site_and_day,
)
from calfleet.errors import UsageError

if TYPE_CHECKING:
    from collections.abc import Sequence

    from calfleet.records import Calibration
    from calfleet.services.calibration_state import Course
    from calfleet.services.events_about import AboutCalibration
    from calfleet.site import SiteFolder


@app.command(rich_help_panel=AUDITOR)
def result(
    name: Annotated[
        str, typer.Argument(metavar="RESULT", help="A calibration's number, or a tag (newest).")
    ],
    budget: Annotated[
        bool, typer.Option("--budget", help="Show the uncertainty budget of each set point.")
    ] = False,
    report: Annotated[
        Path | None,
        typer.Option(metavar="FILE", help="Write the calibration report, a new PDF file."),
    ] = None,
    issue: Annotated[
        bool,
        typer.Option(
            "--issue", help="With --report: note it as issued, as a reviewer or approver."
        ),
    ] = False,
    reason: Annotated[
        str, typer.Option(metavar="TEXT", help="With --issue: why it is issued again.")
    ] = "",
    person: PersonOption = None,
    output: FormatOption = Format.TABLE,
    site: SiteOption = None,
) -> None:
    """Show a recorded calibration: figures, uncertainty, decision, findings, next due date.

    Lists the reports that were issued of it; 'calfleet report-check FILE' tells whether a PDF is
    one of them.
    """
    from calfleet.adapters.cli.bench import result_columns, show_budgets, show_calibration
    from calfleet.records import to_plain
    from calfleet.services.calibration_state import course
    from calfleet.services.events_about import events_about
    from calfleet.services.find_calibration import find_calibration
    from calfleet.services.issue_report import issues
    from calfleet.site import find_site

    folder = find_site(site)
    if (issue or reason) and (report is None or not issue):
        raise UsageError(
            "--issue goes with --report, and --reason with --issue.",
            rule="What is issued is a file.",
            next_step="Name the file with --report, or leave them out.",
        )
    if report is not None:
        _report(folder, name, report, issue=issue, reason=reason, person=person)
        return
    with folder.reading() as session:
        found = find_calibration(session, name)
        if output is Format.JSON:
            plain = to_plain(found)
            more = {
                "states": _states(course(session, found)),
                "gauges_found_bad": _found_bad(events_about(session, found)),
                "issued_reports": [
                    {
                        "issue": i.report.issue,
                        "at": to_plain(i.recorded_at),
                        "by": i.recorded_by,
                        "sha256": i.report.digest,
                        "size": i.report.size,
                        "audit_head": {
                            "entry": i.report.audit_entries,
                            "digest": i.report.audit_head,
                        },
                    }
                    for i in issues(session, found.number)
                ],
            }
            as_json({**plain, **more} if isinstance(plain, dict) else plain)
            return
        if output is Format.CSV:
            listing(found.results, result_columns(found), output)
            return
        show_calibration(session, found)
        issued = issues(session, found.number)
        about = events_about(session, found)
    if about:
        print("\n  Gauges found bad")
    for one_event in about:
        mark = "" if one_event.settled else "! "
        print(paragraph(f"{mark}{one_event.words}.", indent="  "))
    if budget:
        show_budgets(found)
    if issued:
        print("\n  Reports issued")
    for one in issued:
        taken = "" if one is issued[-1] else f"; issue {issued[-1].report.issue} takes its place"
        print(
            paragraph(
                f"issue {one.report.issue}, {one.recorded_at:%Y-%m-%d %H:%M} UTC by "
                f"{one.recorded_by}, SHA-256 {one.report.digest}{taken}"
            )
        )


def _report(
    folder: SiteFolder, name: str, out: Path, *, issue: bool, reason: str, person: str | None
) -> None:
    """Write the calibration report of ``name``, as it stands now, to a new file; or issue it."""
    from calfleet.adapters.documents import typeset
    from calfleet.adapters.documents.calibration_report import report_pdf
    from calfleet.services.calibration_report import report_facts

    refuse_existing(out)
    if out.suffix.casefold() != ".pdf":
        raise UsageError(
            f"{out} does not end in .pdf.",
            rule="A calibration report is a PDF.",
            next_step="Name a file that ends in .pdf.",
        )
    typeset.require()
    if issue:
        _issue(folder, name, out, reason, person)
        return
    with folder.reading() as session:
        facts = report_facts(session, name, issued_on=folder.today())
    made = report_pdf(facts)
    with out.open("xb") as file:
        file.write(made)
    print(f"Written: {out}", file=sys.stderr)


def _issue(folder: SiteFolder, name: str, out: Path, reason: str, person: str | None) -> None:
    """Make the report, write it, and note it as issued: both, or neither."""
    import hashlib

    from calfleet.adapters.cli.events import entered
    from calfleet.adapters.documents.calibration_report import report_pdf
    from calfleet.services.issue_report import issue, to_issue

    today = folder.today()
    with entered(folder, person, "issue calibration report", name, reason) as (work, who):
        facts = to_issue(work.session, name, person=who, reason=reason, today=today)
        work.subject = f"{facts.calibration.bench.tag} {facts.calibration.number}"
        made = report_pdf(facts)
        digest = hashlib.sha256(made).hexdigest()
        noted = issue(work, facts, digest=digest, size=len(made))
        with out.open("xb") as file:
            try:
                file.write(made)
                file.flush()
                work.commit()
            except BaseException:
                out.unlink()
                raise
    print(f"Written: {out}", file=sys.stderr)
    print(paragraph(f"Issue {noted.issue} of the report {noted.calibration} is on record."))
    print(f"SHA-256 {noted.digest}")


@app.command("report-check", rich_help_panel=AUDITOR)
def report_check(
    file: Annotated[Path, typer.Argument(metavar="FILE", help="A calibration report, a PDF.")],
    site: SiteOption = None,
) -> None:
    """Tell whether a calibration report is one that the shop issued, unaltered, and still stands.

    The exit code is 1 when it is not.
    """
    import hashlib

    from calfleet.services.check_report import check_report
    from calfleet.site import find_site

    if not file.is_file():
        raise UsageError(
            f"There is no file {file}.",
            rule="A report is checked by its file.",
            next_step="Check the name and the folder.",
        )
    folder = find_site(site)
    with file.open("rb") as opened:
        digest = hashlib.file_digest(opened, "sha256").hexdigest()
    with folder.reading() as session:
        found = check_report(session, digest)
    print(f"SHA-256 {digest}")
    if found is None:
        print(
            paragraph(
                "✗ No report with this content was issued here: it was altered or made elsewhere, "
                "or it is a print that was never issued. Do not rely on it. Ask for the report "
                "by its number: 'calfleet result NUMBER' lists what was issued."
            )
        )
        raise typer.Exit(1)
    issued = found.issued
    if not found.sealed:
        print(
            paragraph(
                "✗ The database names a report with this content as issue "
                f"{issued.report.issue} of {issued.report.calibration}, but the audit trail does "
                "not: it was put there by other means than issuing. Do not rely on it, and keep "
                "the database as it is: 'calfleet verify'."
            )
        )
        raise typer.Exit(1)
    print(
        paragraph(
            f"Issue {issued.report.issue} of the report {issued.report.calibration} of "
            f"{found.tag}, issued {issued.recorded_at:%Y-%m-%d %H:%M} UTC by "
            f"{issued.recorded_by}: byte for byte as it was issued."
        )
    )
    for text in found.cautions:
        print(paragraph(f"! It no longer stands: {text}."))
    for text in found.doubts:
        print(paragraph(f"! It is in doubt: {text}."))
    for text in found.weighed:
        print(paragraph(f"Beside: {text}."))
    if not found.head_held:
        print(
            paragraph(
                f"✗ The audit trail does not hold the head that the report names, entry "
                f"{issued.report.audit_entries}: the database was rewritten. 'calfleet verify'."
            )
        )
    if found.cautions or found.doubts or not found.head_held:
        raise typer.Exit(1)


def _found_bad(about: Sequence[AboutCalibration]) -> list[dict[str, object]]:
    """The events that touch a calibration, as JSON data; ``decision`` null where there is none."""
    from calfleet.records import to_plain

    return [
        {
            "event": a.event.number,
            "gauge": a.event.gauge,
            "found_on": to_plain(a.event.found_on),
            "kind": str(a.event.kind),
            "decision": None if a.decision is None else str(a.decision.action),
            "reason": None if a.decision is None else a.decision.reason,
        }
        for a in about
    ]


def _states(through: Course) -> list[dict[str, object]]:
    """The states of a calibration as JSON data."""
    from calfleet.records import to_plain

    return [
        {
            "state": str(m.state),
            "at": to_plain(m.at),
            "by": m.by,
            "record": m.record or None,
            "reason": m.reason or None,
        }
        for m in through.marks
    ]


@app.command(rich_help_panel=AUDITOR)
def history(
    tag: Annotated[str, typer.Argument(metavar="TAG", help="The switch's tag.")],
    workbook: WorkbookOption = None,
    output: FormatOption = Format.TABLE,
    site: SiteOption = None,
) -> None:
    """List a switch's calibrations, newest first; a corrected record says so."""
    from calfleet.adapters.cli.bench import figure
    from calfleet.services.calibration_state import State, courses
    from calfleet.services.look_up import history_of

    folder, today = site_and_day(site, None, workbook)
    with folder.reading() as session:
        tag, calibrations = history_of(session, tag)
        states = courses(session, calibrations)
    rows = [(c, r) for c in calibrations for r in c.results]

    def note(one: Calibration, *, told: bool) -> str | None:
        """What is worth knowing of the record; ``told``: its state too, where it has one."""
        state = states[one.number].state
        said = [str(state)] if told and state not in (State.MOVED_IN, State.REPLACED) else []
        said += [f"corrected by {one.replaced_by}"] * bool(one.replaced_by)
        said += [f"corrects {one.bench.replaces}"] * bool(one.bench.replaces)
        return "; ".join([*said, *dict.fromkeys(f.code for f in one.findings)]) or None

    units = {r.unit for _, r in rows}
    unit = units.pop() if len(units) == 1 else ""  # several: the column beside it tells
    listing_and_book(
        rows,
        [
            Column("Calibration", "calibration", lambda x: x[0].number),
            Column("Done", "performed_on", lambda x: x[0].bench.performed_on),
            Column("By", "performed_by", lambda x: x[0].bench.performed_by),
            Column("Set point", "set_point", lambda x: x[1].set_point),
            Column("Phase", "phase", lambda x: x[1].phase),
            Column(
                "Required",
                "",
                lambda x: f"{format(x[1].required, 'f')} {x[1].unit}",
                right=True,
                fold=True,
                table_only=True,
            ),
            Column("", "required", lambda x: x[1].required, unit=unit),
            Column("", "unit", lambda x: x[1].unit),
            Column(
                "Error ± U",
                "",
                lambda x: figure(x[1].error, x[1].expanded_uncertainty, x[1].unit, sign=True),
                right=True,
                fold=True,
                table_only=True,
            ),
            Column(
                "",
                "error",
                lambda x: x[1].error,
                unit=unit,
                digits=lambda x: places_of(x[1].expanded_uncertainty),
            ),
            Column(
                "",
                "expanded_uncertainty",
                lambda x: x[1].expanded_uncertainty,
                unit=unit,
                digits=lambda x: places_of(x[1].expanded_uncertainty),
            ),
            Column("Verdict", "verdict", lambda x: x[1].verdict, fold=True),
            Column("Counts as", "category", lambda x: x[1].category, fold=True),
            Column(
                "Gauge",
                "gauges",
                lambda x: ", ".join(dict.fromkeys(u.gauge for u in x[0].bench.gauges)),
            ),
            Column("", "state", lambda x: states[x[0].number].state),
            Column("Note", "", lambda x: note(x[0], told=True), fold=True, table_only=True),
            Column("", "note", lambda x: note(x[0], told=False)),
        ],
        output,
        Book(workbook, folder, tag, today),
        title=f"Calibrations of {tag}, newest first",
        footer=["", "Without a state: history that was moved in, which is not reviewed."],
    )  # fmt: skip


class TraceFormat(StrEnum):
    """How a trace is given: text or JSON to read, SVG or DOT to draw, W3C PROV to hand on."""

    TEXT = "text"
    JSON = "json"
    SVG = "svg"
    DOT = "dot"
    PROV = "prov"


class TraceKind(StrEnum):
    """What a name to be traced can stand for."""

    RESULT = "result"
    GAUGE = "gauge"
    CERTIFICATE = "certificate"


@app.command(rich_help_panel=AUDITOR)
def trace(
    name: Annotated[
        str,
        typer.Argument(
            metavar="NAME",
            help="A calibration's number, a tag (newest), a gauge, or a certificate.",
        ),
    ],
    on: Annotated[
        str | None,
        typer.Option(metavar="DATE", help="With a gauge: the day on which it was read (today)."),
    ] = None,
    kind: Annotated[
        TraceKind | None,
        typer.Option(help="What the name stands for, where it is the name of several."),
    ] = None,
    output: Annotated[
        TraceFormat,
        typer.Option(
            "--format",
            "-f",
            help="text or json to read, svg or dot as a picture, prov (W3C PROV, JSON).",
        ),
    ] = TraceFormat.TEXT,
    out: Annotated[
        Path | None, typer.Option(metavar="FILE", help="Write to this new file.")
    ] = None,
    site: SiteOption = None,
) -> None:
    """Trace a result, a gauge's reading or a certificate to its standards.

    Each link is judged as it stood on the day of use.
    """
    import json

    from calfleet.adapters.cli.render import terminal_width
    from calfleet.adapters.documents import chain_views
    from calfleet.services.calibration_state import states_in
    from calfleet.services.events_about import events_about
    from calfleet.services.find_calibration import find_calibration
    from calfleet.services.trace import Traced
    from calfleet.services.trace import trace as trace_service
    from calfleet.site import find_site

    refuse_existing(out)
    folder = find_site(site)
    today = folder.today()
    with folder.reading() as session:
        chain = trace_service(
            session,
            name,
            kind=None if kind is None else Traced(kind.value),
            on=None if on is None else day(on, today),
            today=today,
        )
        states = states_in(session, chain)
        about = {n: events_about(session, find_calibration(session, n)) for n in states}
    if output is TraceFormat.TEXT:
        text = chain_views.tree_text(chain, width=min(110, terminal_width()))
        for number, through in states.items():
            said = "; ".join(mark.words() for mark in through.marks)
            text += "\n" + paragraph(said, indent=f"{number}: ")
        for number, events in about.items():
            for one in events:
                mark = "" if one.settled else "! "
                text += "\n" + paragraph(f"{mark}{number}: {one.words}.")
    elif output is TraceFormat.JSON:
        plain = chain_views.to_plain(chain)
        plain["states"] = {number: _states(through) for number, through in states.items()}
        plain["gauges_found_bad"] = {n: _found_bad(events) for n, events in about.items()}
        text = json.dumps(plain, indent=2, ensure_ascii=False)
    elif output is TraceFormat.SVG:
        text = chain_views.svg(chain)
    elif output is TraceFormat.PROV:
        from calfleet.adapters.documents.prov_export import chain_to_prov, prov_text

        text = prov_text(chain_to_prov(chain)).rstrip("\n")
    else:
        text = chain_views.dot(chain)
    if out is None:
        print(text)
    else:
        write_new(out, text + "\n")
