"""At the bench: gauge targets, guided recording, recording from a file, and the result shown."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from decimal import Decimal
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from calfleet.adapters.cli.app import (
    BENCH,
    INTERRUPTED,
    AsOfOption,
    FormatOption,
    PersonOption,
    SiteOption,
    app,
    day,
)
from calfleet.adapters.cli.render import (
    Column,
    Format,
    facts,
    fitting_lines,
    listing,
    paragraph,
    terminal_width,
)
from calfleet.errors import (
    BadNumber,
    CalfleetError,
    ExtrapolationRefused,
    ReadingRefused,
    UsageError,
)

if TYPE_CHECKING:
    from sqlalchemy.orm import Session

    from calfleet.records import BenchRecord, Calibration, Cycle, Gauge, Phase, Result, SetPoint
    from calfleet.services.fit_gauges import GaugeOption
    from calfleet.services.plan_bench import BenchPlan, TargetLine
    from calfleet.site import SiteFolder


# --- what a result looks like -----------------------------------------------------------


def figure(value: float | None, U: float | None, unit: str, *, sign: bool = False) -> str:
    """A value rounded with its expanded uncertainty, both in ``unit``; empty without a value."""
    from calfleet.metrology.rounding import significant, with_uncertainty

    if value is None:
        return ""
    if not U:
        return f"{significant(value, 6)} {unit}"
    text, spread = with_uncertainty(value, U)
    plus = "+" if sign and not text.startswith("-") else ""
    return f"{plus}{text} ± {spread} {unit}"


def to_place_of(value: float | None, U: float | None) -> str:
    """A value rounded to the place that its uncertainty is given to."""
    from calfleet.metrology.rounding import significant, with_uncertainty

    if value is None:
        return "–"
    return with_uncertainty(value, U)[0] if U else significant(value, 5)


def result_columns(found: Calibration) -> list[Column[Result]]:
    """The columns of a result in CSV: full figures, units in a column of their own."""
    return [
        Column("", "calibration", lambda _: found.number),
        Column("", "tag", lambda _: found.bench.tag),
        Column("", "performed_on", lambda _: found.bench.performed_on),
        *(
            Column("", name, lambda r, name=name: getattr(r, name))  # type: ignore[misc]
            for name in (
                "set_point", "phase", "unit", "required", "found", "first_trip", "error", "late",
                "dead_band", "repeatability", "expanded_uncertainty", "coverage_factor",
                "effective_dof", "coverage_probability", "tur", "lower_limit", "upper_limit",
                "lower_acceptance", "upper_acceptance", "decision_rule", "verdict", "category",
                "probability_outside", "reason",
            )
        ),
    ]  # fmt: skip


def show_calibration(session: Session, found: Calibration, *, with_cautions: bool = False) -> None:
    """Print a judged calibration as its reader needs it: verdicts first, then how certain."""
    from calfleet.metrology.rounding import percent
    from calfleet.services.after import next_due
    from calfleet.services.cautions import DEFERENCE
    from calfleet.services.list_particulars import receipt_before, switch_on
    from calfleet.services.look_up import stood

    bench = found.bench
    told = switch_on(session, bench.tag, bench.performed_on)
    came = receipt_before(session, bench.tag, bench.performed_on)
    gauges = ", ".join(f"{u.gauge} ({u.role}, {u.certificate})" for u in bench.gauges)
    state = ""
    if found.replaced_by:
        state = f"CORRECTED by {found.replaced_by}: read that one"
    elif bench.replaces:
        state = f"corrects {bench.replaces}: {bench.replacement_reason}"
    print(f"Calibration {found.number or '(not yet recorded)'} of {bench.tag}")
    for line in facts(
        [
            ("Record", state),
            ("State", _state_words(session, found)),
            ("Made by", ", ".join(p for p in (told.maker, told.model) if p) if told else ""),
            ("Stands at", told.stands_at if told else ""),
            (
                "Received",
                f"{came.received_on} by {came.received_by}: {came.condition}".rstrip(": ")
                if came
                else "",
            ),
            ("Done", f"{bench.performed_on} by {bench.performed_by}"),
            ("Procedure", f"{bench.procedure} rev {bench.procedure_revision}"),
            ("Gauges", gauges),
            (
                "Conditions",
                f"{bench.temperature_c} °C, {percent(bench.humidity)} % relative humidity",
            ),
            ("Adjusted", f"yes: {bench.adjustment_note}".rstrip(": ") if bench.adjusted else "no"),
            ("Contact", bench.contact_check),
            ("Seal", bench.seal),
            ("Permit", bench.permit),
            ("Bypass", bench.bypass),
            ("Work order", bench.work_order),
            ("Returned", _returned(bench)),
            ("Remarks", bench.remarks),
            (
                "Entered",
                f"{found.recorded_at:%Y-%m-%d %H:%M} UTC by {found.recorded_by}"
                if found.number
                else "",
            ),
            ("Came from", stood(session, "calibration", found.number) if found.number else ""),
        ]
    ):
        print(f"  {line}")
    print()
    headings = ["Set point", "Phase", "Unit", "Required", "First trip", "Found", "Error", "U (k)",
                "Dead band", "Repeat.", "TUR", "Verdict"]  # fmt: skip
    cells = [_result_cells(r) for r in found.results]
    right = [False, False, False, *[True] * 8, False]
    fold = [False, False, False, False, False, False, True, True, False, False, True, True]
    _indented_table(headings, cells, right, fold)
    print()
    for r in found.results:
        print(paragraph(r.reason, indent=f"  {r.set_point} {r.phase}: "))
        limits = _limits_text(r)
        print(paragraph(limits, indent="    "))
    if found.findings:
        print("\n  Findings")
        for finding in found.findings:
            print(paragraph(finding.text, indent="  ! "))
    due = next_due(session, found)
    why = due.why if due.due_on is None else due.why.removeprefix("Due ")
    print()
    print(paragraph(why, indent="  Next due: "))
    if with_cautions:
        print("\n  Before return to service")
        for caution in _return_cautions(session, found):
            print(paragraph(f"{caution.heading}. {caution.text}", indent="  ! "))
        print(paragraph(DEFERENCE, indent="  "))


def _state_words(session: Session, found: Calibration) -> str:
    """The states the calibration went through, each with who and when; empty before recording."""
    from calfleet.services.calibration_state import State, course

    if not found.number:
        return ""
    through = course(session, found)
    words = "; ".join(mark.words() for mark in through.marks)
    if through.state is State.SIGNED:
        words += "; NOT REVIEWED"
    elif through.state is State.MOVED_IN:
        words += "; history is not reviewed"
    return words


def _returned(bench: BenchRecord) -> str:
    parts = [
        f"by {bench.returned_by}" if bench.returned_by else "",
        f"verified by {bench.verified_by}" if bench.verified_by else "",
    ]
    return ", ".join(part for part in parts if part)


def _indented_table(
    headings: list[str], cells: list[list[str]], right: list[bool], fold: list[bool]
) -> None:
    for line in fitting_lines(headings, cells, right=right, width=terminal_width() - 2, fold=fold):
        print(f"  {line}".rstrip())


def _return_cautions(session: Session, found: Calibration):  # type: ignore[no-untyped-def]
    from calfleet.services.after import cautions_after

    return cautions_after(session, found)


def _result_cells(r: Result) -> list[str]:
    U = r.expanded_uncertainty
    k = "" if r.coverage_factor is None else f" ({r.coverage_factor:.2f})"
    from calfleet.metrology.rounding import cut_ratio, significant

    side = "" if r.late is None else (" late" if r.late else " early")
    error = to_place_of(r.error, U)
    if r.error is not None and not error.startswith("-"):
        error = f"+{error}"
    return [
        r.set_point,
        str(r.phase),
        r.unit,
        format(r.required, "f"),
        # what the plant would have had; after an adjustment it tells nothing of its own
        to_place_of(r.first_trip, U) if r.phase == "as-found" else "",
        to_place_of(r.found, U),
        (error + side) if r.error is not None else "–",
        "–" if U is None else f"{significant(U, 2)}{k}",
        to_place_of(r.dead_band, U),
        to_place_of(r.repeatability, U),
        "not defined" if r.tur is None else f"{cut_ratio(r.tur)}:1",
        r.verdict.upper(),
    ]


def _limits_text(r: Result) -> str:
    def limit(value: float | None) -> str:
        return "open" if value is None else f"{value:.6g}"

    what = "as-left band" if r.phase == "as-left" else "tolerance"
    text = f"{what} {limit(r.lower_limit)} to {limit(r.upper_limit)} {r.unit}"
    if (r.lower_acceptance, r.upper_acceptance) != (r.lower_limit, r.upper_limit):
        text += f", accepted {limit(r.lower_acceptance)} to {limit(r.upper_acceptance)} {r.unit}"
    text += f"; {r.rule_statement}; coverage {r.coverage_probability:g}"
    if r.probability_outside is not None:
        text += f"; probability of being outside this {_probability(r.probability_outside)}"
    return text + "."


def _probability(p: float) -> str:
    return "below 0.0001" if p < 1e-4 else f"{p:.2g}"


BAR = 24


def show_budgets(found: Calibration) -> None:
    """Print the stored uncertainty budget of each result as a table with bars."""
    from calfleet.metrology.budget import Budget
    from calfleet.metrology.rounding import significant

    for r in found.results:
        budget = Budget.from_plain(r.budget)
        print(f"\n  Budget of {r.set_point} {r.phase}, in {r.unit}")
        cells = []
        for part, share in zip(budget.components, budget.shares, strict=True):
            width = max(0, round(share * BAR))
            cells.append(
                [
                    part.name,
                    str(part.distribution),
                    "" if part.half_width is None else significant(part.half_width, 2),
                    f"{part.divisor:.3g}" if part.divisor else "",
                    significant(part.u, 2) if part.u else "0",
                    f"{part.sensitivity:.4g}",
                    significant(part.contribution, 2) if part.contribution else "0",
                    "∞" if part.dof == float("inf") else f"{part.dof:.3g}",
                    f"{share * 100:5.1f} % " + "█" * width + ("▏" if not width else ""),
                ]
            )
        headings = ["Influence", "Distribution", "Half-width, U or s", "Divisor", "u",
                    "Sensitivity", "u in " + r.unit, "dof", "Share of the variance"]  # fmt: skip
        right = [False, False, True, True, True, True, True, True, False]
        fold = [True, True, False, False, False, False, False, False, False]
        _indented_table(headings, cells, right, fold)
        for a, b, rho in budget.correlations:
            print(f"  correlated: {a} with {b}, r = {rho:g}")
        dof = "above 1000" if budget.nu_eff > 1000 else f"{budget.nu_eff:.1f}"
        print(
            paragraph(
                f"u = {significant(budget.u_c, 2)} {r.unit}, effective dof {dof}, "
                f"k = {budget.k:.2f} ({budget.coverage_basis}, coverage "
                f"{budget.coverage_probability:g}), U = {significant(budget.U, 2)} {r.unit}",
                indent="  ",
            )
        )


# --- targets ----------------------------------------------------------------------------


def target_columns() -> list[Column[TargetLine]]:
    from calfleet.metrology.rounding import exact_text

    def number(name: str) -> Callable[[TargetLine], Decimal | None]:
        def value(line: TargetLine) -> Decimal | None:
            found = getattr(line.targets, name)
            return None if found is None else Decimal(exact_text(found))

        return value

    def shown(heading: str, name: str) -> Column[TargetLine]:
        get = number(name)
        if name == "static":
            return Column(heading, name, lambda x: get(x) if x.needs_static else None, right=True)
        return Column(heading, name, get, right=True)

    def window(heading: str, low: str, high: str) -> list[Column[TargetLine]]:
        """One column to read, and its two ends as numbers for programs."""
        bottom, top = number(low), number(high)

        def text(line: TargetLine) -> str:
            ends = bottom(line), top(line)
            if ends == (None, None):
                return "not limited"
            return " to ".join("open" if end is None else format(end, "f") for end in ends)

        return [
            Column(heading, "", text, right=True, fold=True, table_only=True),
            Column("", low, bottom),
            Column("", high, top),
        ]

    return [
        Column("Set point", "set_point", lambda x: x.point.label),
        Column("Direction", "direction", lambda x: x.point.direction),
        Column("Unit", "unit", lambda x: x.targets.unit),
        shown("Static", "static"),
        shown("Start at", "start"),
        Column("TARGET", "target", number("set_point"), right=True),
        *window("Tolerance", "lower", "upper"),
        *window("As-left band", "as_left_lower", "as_left_upper"),
        *window("Reset", "reset_low", "reset_high"),
        *window("Exercise", "exercise_bottom", "exercise_top"),
    ]


@app.command(rich_help_panel=BENCH)
def targets(
    tag: Annotated[str, typer.Argument(metavar="TAG", help="The switch's tag.")],
    gauge: Annotated[
        str | None,
        typer.Option(metavar="GAUGE", help="The gauge's code; else the gauge of first choice."),
    ] = None,
    static: Annotated[
        str | None,
        typer.Option(
            metavar="READING",
            help="The static pressure as read on the gauge, in the gauge's unit; else the nominal.",
        ),
    ] = None,
    as_of: AsOfOption = None,
    output: FormatOption = Format.TABLE,
    site: SiteOption = None,
) -> None:
    """What to read on the gauge for each set point, with cautions and steps first."""
    from calfleet.services.plan_bench import choose_tools, plan_bench, targets_for
    from calfleet.site import find_site

    folder = find_site(site)
    on = day(as_of, folder.today())
    with folder.reading() as session:
        plan = plan_bench(session, tag, on=on)
    option = choose_tools(plan, gauge, None).operating
    lines = targets_for(plan.switch, option.gauge, _number(static) if static else None)
    if output is Format.TABLE:
        _show_plan(plan)
        print()
    listing(
        lines,
        target_columns(),
        output,
        title=f"Targets on {option.gauge.code} ({option.gauge.description}, resolution "
        f"{option.gauge.resolution} {option.gauge.unit})",
        footer=_target_notes(lines),
    )


def _target_notes(lines: Sequence[TargetLine]) -> list[str]:
    notes = ["", "Limits are rounded inwards to what the gauge can show."]
    if any(x.needs_static for x in lines):
        notes.append(
            "Target = static + set point: read the static pressure first; with another static "
            "give it with --static."
        )
    if any(x.needs_barometer for x in lines):
        notes.append("Targets between absolute and gauge pressure are for air at 1013.25 hPa.")
    return notes


def _show_plan(plan: BenchPlan) -> None:
    from calfleet.services.cautions import DEFERENCE

    s = plan.switch
    print(f"{s.tag}: {s.service}")
    for line in facts(
        [
            ("Switch", f"{s.family}, serial {s.serial}, {s.range_low} to {s.range_high} {s.unit}"),
            ("Medium", s.medium),
            ("Static", f"{s.static_nominal} {s.line_unit}" if s.static_nominal else ""),
            ("Proof", f"{s.proof_pressure} {s.line_unit}" if s.proof_pressure else ""),
            ("Criticality", str(s.criticality)),
            ("Procedure", f"{plan.procedure.name}, {plan.procedure.title}"),
            ("When due", plan.standing.why),
        ]
    ):
        print(f"  {line}")
    print("\nCautions")
    for caution in plan.cautions:
        print(paragraph(f"{caution.heading}. {caution.text}", indent="  ! "))
    print(paragraph(DEFERENCE, indent="  "))
    print("\nSteps")
    for n, step in enumerate(plan.procedure.steps, 1):
        print(paragraph(step, indent=f"  {n}. "))


# --- recording --------------------------------------------------------------------------


@app.command(rich_help_panel=BENCH)
def record(
    tag: Annotated[
        str | None,
        typer.Argument(metavar="TAG", help="The switch's tag; questions guide the rest."),
    ] = None,
    source: Annotated[
        Path | None,
        typer.Option("--from", metavar="FILE", help="Instead: a readings file, TOML or CSV."),
    ] = None,
    check: Annotated[
        bool, typer.Option("--check", help="With --from: judge and show, write nothing.")
    ] = False,
    draft: Annotated[
        bool,
        typer.Option("--draft", help="Put it down as a draft: complete or not, not judged yet."),
    ] = False,
    note: Annotated[str, typer.Option(metavar="TEXT", help="With --draft: a note on it.")] = "",
    person: PersonOption = None,
    site: SiteOption = None,
) -> None:
    """Record a calibration: guided at the bench, or from a readings file.

    Nothing is written before everything is entered, judged and (at the bench) confirmed. Type
    'later' at a question to put down what is there as a draft.
    """
    from calfleet.adapters.cli.put_down import put_down_draft
    from calfleet.site import find_site

    folder = find_site(site)
    if (tag is None) == (source is None):
        raise UsageError(
            "Give a tag to be guided, or a readings file with --from.",
            rule="One of the two.",
            next_step="'calfleet due' lists what is due.",
        )
    if draft and check:
        raise UsageError(
            "Both --draft and --check.",
            rule="A draft is not judged.",
            next_step="Give one of them.",
        )
    if note and not draft:
        raise UsageError("--note goes with --draft.", next_step="Leave it out.")
    if not check:
        folder.require_writable()
    if source is not None:
        if not source.is_file():
            raise UsageError(
                f"There is no readings file {source}.",
                rule="A readings file is a TOML or CSV file.",
                next_step="Check the name and the folder.",
            )
        from calfleet.adapters.workbook.sitefiles import read_bench_draft, read_bench_file

        if draft:
            put_down_draft(folder, read_bench_draft(source), person, note=note)
            return
        bench = read_bench_file(source)
        _enter(folder, bench, person or bench.performed_by, confirm=False, check=check)
    else:
        if check:
            raise UsageError("--check goes with --from.", next_step="Leave it out.")
        _guided(folder, tag or "", person, as_draft=draft, note=note)


def _enter(
    folder: SiteFolder, bench: BenchRecord, actor: str, *, confirm: bool, check: bool = False
) -> None:
    from calfleet.services.look_up import person_code
    from calfleet.services.record import judge
    from calfleet.services.record import record as add

    with folder.reading() as session:
        actor = person_code(session, actor)
        judged = judge(session, bench, today=folder.today(), at=folder.now(), recorded_by=actor)
        if check or confirm:
            show_calibration(session, replace(judged, number=""))
    if check:
        print("\nChecked only; nothing was written.")
        return
    if confirm and not _confirm("Record this calibration?"):
        raise INTERRUPTED
    with folder.work(
        actor=actor,
        action="record calibration",
        subject=bench.tag,
        reason=why_recorded(bench),
    ) as work:
        # judged again inside the unit of work: what it stands on may have changed meanwhile
        made = add(
            work,
            judge(work.session, bench, today=folder.today(), at=folder.now(), recorded_by=actor),
        )
        work.commit()
    if confirm:
        print(f"\nRecorded as {made.number}.")
    else:
        with folder.reading() as session:
            show_calibration(session, made, with_cautions=True)
    print(f"Trace it: calfleet trace {made.number}")


def why_recorded(bench: BenchRecord) -> str:
    """What the audit trail is told as the reason: that of a correction, else the work order."""
    return bench.replacement_reason or (f"work order {bench.work_order}" * bool(bench.work_order))


LATER = "later"


class _PutDown(Exception):
    """Somebody typed LATER: what is there is put down as a draft."""


def _ask(text: str, default: str | None = None) -> str:
    """One line typed by the technician, trimmed; Ctrl-C and end of input stop the recording."""
    try:
        answer = typer.prompt(text, default=default, show_default=default is not None)
    except typer.Abort as error:
        raise INTERRUPTED from error
    return _unless_later(str(answer).strip())


def _ask_optional(text: str) -> str:
    try:
        answer = typer.prompt(text, default="", show_default=False)
    except typer.Abort as error:
        raise INTERRUPTED from error
    return _unless_later(str(answer).strip())


def _unless_later(answer: str) -> str:
    if answer.casefold() == LATER:
        raise _PutDown
    return answer


def _confirm(text: str) -> bool:
    try:
        return typer.confirm(text)
    except typer.Abort as error:
        raise INTERRUPTED from error


def _number(text: str) -> Decimal:
    from calfleet.metrology.readings import parse_number

    parse_number(text)
    return Decimal(text.strip())


def _ask_number(
    text: str,
    default: str | None = None,
    *,
    low: int | None = None,
    high: int | None = None,
    whole: bool = False,
) -> Decimal:
    """A number within the limits given, asked for until it is one."""
    while True:
        try:
            value = _number(_ask(text, default))
        except BadNumber as error:
            print(paragraph(f"{error.message} {error.next_step}", indent="  ✗ "))
            continue
        if whole and value != value.to_integral_value():
            print(f"  ✗ {value} is not a whole number.")
        elif low is not None and value < low:
            print(f"  ✗ {value} is less than {low}.")
        elif high is not None and value > high:
            print(f"  ✗ {value} is more than {high}.")
        else:
            return value


def _ask_other_person(plan: BenchPlan, text: str, *done_by: str) -> str | None:
    """The code of a person who is none of ``done_by``, or ``None`` when nothing is typed."""
    from calfleet.services.nearest import pick

    while typed := _ask_optional(text):
        try:
            code = pick("person", typed, plan.context.facts.people).code
        except CalfleetError as error:
            print(paragraph(f"{error.message} {error.next_step}", indent="  ✗ "))
            continue
        if code not in done_by:
            return code
        print(f"  ✗ {code} did the work: a second person verifies it, or leave it empty.")
    return None


NO_TRIP, CHATTER = "none", "chatter"
NO_TIME = datetime(2000, 1, 1, tzinfo=UTC)
"""For a judgement that is not kept: nothing in it rests on the time of entry."""


class _Sketch:
    """What was entered so far: the content of a draft, should the job be put down."""

    def __init__(self) -> None:
        self.content: dict[str, object] = {}

    def take(self, record: BenchRecord, *, without: Sequence[str] = ()) -> None:
        from calfleet.services.drafts import content_of

        self.content = content_of(record, without=without)


def _guided(folder: SiteFolder, tag: str, person: str | None, *, as_draft: bool, note: str) -> None:
    from calfleet.adapters.cli.put_down import put_down_draft

    sketch = _Sketch()
    try:
        record = _guide(folder, tag, person, sketch)
    except _PutDown:
        print()
        if not sketch.content:
            raise UsageError(
                "There is nothing to put down yet.",
                rule="A draft holds at least who performs it and on which gauge.",
                next_step="Start again when the job begins.",
            ) from None
        put_down_draft(folder, sketch.content, person, note=note)
        return
    if as_draft:
        sketch.take(record)
        put_down_draft(folder, sketch.content, person, note=note)
    else:
        _enter(folder, record, record.performed_by, confirm=True)


def _guide(folder: SiteFolder, tag: str, person: str | None, sketch: _Sketch) -> BenchRecord:
    """The bench record as entered, question by question; ``sketch`` holds what is there so far."""
    from calfleet.adapters.cli.set_up import ask_set_up
    from calfleet.records import BenchRecord, Phase
    from calfleet.services.plan_bench import plan_bench, reads_static, targets_for

    on = folder.today()
    with folder.reading() as session:
        plan = plan_bench(session, tag, on=on)
    _show_plan(plan)
    print(f"\nType '{LATER}' at a question to put down what is there as a draft.")
    if not _confirm("Permit in hand, cautions read, energy proved zero?"):
        raise UsageError(
            "Not started.",
            rule="The job begins with the permit and the cautions.",
            next_step="Start again when the job is safe.",
        )
    performer = _ask_person(plan, person)
    option = _ask_gauge(plan)
    gauge = option.gauge
    set_up = ask_set_up(plan, option, _ask, _ask_number)
    static = None
    if reads_static(plan.switch, gauge):
        static = _ask_static(plan, option, set_up.static_gauge)
    print()
    unit = plan.switch.unit
    lines = targets_for(
        plan.switch, gauge, static, static_gauge=set_up.static_gauge, barometric=set_up.air(unit),
        head=set_up.head(plan.switch),
    )  # fmt: skip
    listing(lines, target_columns(), Format.TABLE, title=f"Targets on {gauge.code}",
            footer=_target_notes(lines))  # fmt: skip
    print()
    draft = BenchRecord(
        tag=plan.switch.tag,
        performed_on=on,
        performed_by=performer,
        procedure=plan.procedure.code,
        procedure_revision=plan.procedure.revision,
        gauges=set_up.gauges(option, with_static=static is not None),
        cycles=(),
        temperature_c=Decimal(0),
        humidity=Decimal(0),
        adjusted=False,
    )
    draft = set_up.onto(draft)
    sketch.take(draft, without=("temperature_c", "humidity", "adjusted"))
    temperature = _ask_number("Room temperature (°C)", low=-50, high=80)
    humidity = _ask_number("Relative humidity (%)", low=0, high=100) / 100
    _say_conditions(plan, temperature, humidity)
    draft = replace(draft, temperature_c=temperature, humidity=humidity)
    sketch.take(draft, without=("adjusted",))
    print("\nAs found: do not exercise first; the first trip is what the plant would have had.")
    print(f"Type '{NO_TRIP}' where it did not act, '{CHATTER}' where the contact chattered.")
    bench = _Bench(plan, option, set_up.static_gauge)
    draft = _ask_phase(bench, draft, Phase.AS_FOUND, static, sketch)
    _say_as_found(plan, list(draft.cycles))
    if _confirm("Was the switch adjusted?"):
        least = plan.procedure.exercise_cycles
        sketch.take(replace(draft, adjusted=True))
        note = _ask("What was adjusted")
        exercised = _ask_number(
            f"Exercised how many times over the full range (at least {least})",
            str(least),
            low=0,
            high=1000,
            whole=True,
        )
        print("\nAs left: every set point again, one screw moves the others too.")
        draft = replace(draft, adjustment_note=note, exercise_cycles=int(exercised))
        draft = _ask_phase(bench, draft, Phase.AS_LEFT, static, sketch)
        draft = replace(draft, adjusted=True)
    sketch.take(draft)
    return _ask_closing(plan, draft)


def _ask_closing(plan: BenchPlan, draft: BenchRecord) -> BenchRecord:
    """The record completed with what is checked before the switch goes back into service."""
    print("\nBefore return to service")
    for caution in plan.cautions:
        if "service" in caution.heading or "ypass" in caution.heading:
            print(paragraph(f"{caution.heading}. {caution.text}", indent="  ! "))
    print("\nClosing checks; leave empty what was not done.")
    record = replace(
        draft,
        contact_check=_ask_optional("Contact check (resistance, both ways)"),
        seal=_ask_optional("Seal number"),
        permit=_ask_optional("Permit to work"),
        bypass=_ask_optional("Bypass: owner and expiry, or 'removed'"),
        work_order=_ask_optional("Work order"),
        returned_by=_ask_other_person(plan, "Returned to service by (code)"),
    )
    done_by = [code for code in (draft.performed_by, record.returned_by) if code]
    record = replace(
        record,
        verified_by=_ask_other_person(plan, "Verified by a second person (code)", *done_by),
        remarks=_ask_optional("Remarks"),
    )
    print()
    return record


@dataclass(frozen=True)
class _Bench:
    """A job at the bench: prepared, with its gauge, and a second one where it reads the static."""

    plan: BenchPlan
    option: GaugeOption
    static_gauge: Gauge | None


def _ask_static(plan: BenchPlan, option: GaugeOption, second: Gauge | None) -> Decimal:
    """The static pressure as read on its gauge, asked for until the gauge can show it."""
    from calfleet.metrology.rounding import to_resolution
    from calfleet.metrology.units import convert_difference
    from calfleet.services.plan_bench import comment_on_cycle

    gauge, switch = second or option.gauge, plan.switch
    nominal = to_resolution(
        convert_difference(switch.static_nominal, switch.line_unit or gauge.unit, gauge.unit),
        gauge.resolution,
    )
    while True:
        static = _ask_number(
            f"Establish the static pressure; reading on {gauge.code} ({gauge.unit})",
            f"{float(nominal):g}",
        )
        comments = comment_on_cycle(
            plan, option, plan.switch.set_points[0], trip=None, reset=None, static=static,
            as_left=False, static_gauge=second,
        )  # fmt: skip
        for comment in comments:
            print(paragraph(comment.text, indent="  ✗ "))
        if not any(comment.again for comment in comments):
            return static


def _say_conditions(plan: BenchPlan, temperature: Decimal, humidity: Decimal) -> None:
    """Say at once what the procedure does not allow; the record will hold it as a finding."""
    p = plan.procedure
    if not p.temperature_min_c <= temperature <= p.temperature_max_c:
        print(
            f"  ! {p.name} asks for {p.temperature_min_c} to {p.temperature_max_c} °C: wait, or "
            "the record will say so."
        )
    if humidity > p.humidity_max:
        print(
            f"  ! {p.name} allows at most {float(p.humidity_max) * 100:g} % relative humidity: "
            "wait, or the record will say so."
        )


def _ask_person(plan: BenchPlan, given: str | None) -> str:
    """The code of a qualified technician: the one given, else asked for until one is named."""
    from calfleet.services.nearest import pick
    from calfleet.services.record import able_people, unqualified

    people = plan.context.facts.people
    quantity = plan.switch.quantity
    able = [p.code for p in able_people(people.values(), quantity, plan.on)]
    while True:
        typed = given or _ask(f"Who performs it ({', '.join(able) or 'nobody is qualified'})")
        try:
            person = pick("person", typed, people)
            if person.code not in able:
                raise unqualified(person, quantity, plan.on, people.values())
        except CalfleetError as error:
            if given is not None:
                raise
            print(paragraph(f"{error.message} {error.next_step}", indent="  ✗ "))
            continue
        return person.code


def _ask_gauge(plan: BenchPlan) -> GaugeOption:
    from calfleet.metrology.rounding import cut_ratio
    from calfleet.services.plan_bench import choose_tools

    usable = plan.usable
    first = choose_tools(plan, None, None).operating
    print("Reference gauges that will do:")
    for o in usable:
        ratio = "TUR not defined" if o.tur is None else f"TUR {cut_ratio(o.tur)}:1"
        said = f"certificate {o.certificate}, valid until {o.valid_until}, {ratio}"
        print(paragraph(f"{o.gauge.description}, {said}", indent=f"  {o.gauge.code}  "))
    while True:
        typed = _ask("Gauge", first.gauge.code)
        try:
            return plan.option(typed)
        except CalfleetError as error:
            print(paragraph(f"{error.message} {error.next_step}", indent="  ✗ "))


def _ask_phase(
    bench: _Bench,
    draft: BenchRecord,
    phase: Phase,
    static: Decimal | None,
    sketch: _Sketch,
) -> BenchRecord:
    """``draft`` with the runs of every set point of one phase; each run kept is sketched too."""
    from calfleet.records import Phase

    plan, option = bench.plan, bench.option
    wanted = plan.procedure.as_found_runs
    if phase is Phase.AS_LEFT:
        wanted = plan.procedure.as_left_runs
    for point in plan.switch.set_points:
        print(f"\n{point.label} {phase}, {point.direction}, readings in {option.gauge.unit}")
        run = 1
        while run <= wanted:
            cycle = _ask_cycle(point, phase, run, static)
            longer = replace(draft, cycles=(*draft.cycles, cycle))
            if _keep(bench, point, cycle, longer):
                draft = longer
                if phase is Phase.AS_FOUND:
                    sketch.take(draft, without=("adjusted",))
                else:  # a run is judged alone, before the other set points are read again
                    sketch.take(replace(draft, adjusted=True))
                run += 1
    return draft


def _ask_cycle(point: SetPoint, phase: Phase, run: int, static: Decimal | None) -> Cycle:
    from calfleet.records import Cycle, CycleOutcome

    held = static
    if static is not None:
        held = _ask_number(f"  run {run} static", format(static, "f"))
    trip = _ask_reading(f"  run {run} trip")
    if trip == NO_TRIP:
        return Cycle(point.label, phase, run, None, None, held, CycleOutcome.NO_TRIP)
    if trip == CHATTER:
        return Cycle(point.label, phase, run, None, None, held, CycleOutcome.CHATTER)
    reset = _ask_reading(f"  run {run} reset")
    outcome = {NO_TRIP: CycleOutcome.NO_RESET, CHATTER: CycleOutcome.CHATTER}.get(
        reset, CycleOutcome.TRIPPED
    )
    back = _number(reset) if outcome is CycleOutcome.TRIPPED else None
    return Cycle(point.label, phase, run, _number(trip), back, held, outcome)


def _keep(bench: _Bench, point: SetPoint, cycle: Cycle, longer: BenchRecord) -> bool:
    """Whether the run just typed stays, after everything there is to say about it was said.

    A run that could not be recorded in the end is asked for again now, not after the last run.
    """
    from calfleet.services.plan_bench import comment_on_cycle
    from calfleet.services.record import judge_record

    plan = bench.plan
    comments = comment_on_cycle(
        plan, bench.option, point, trip=cycle.trip, reset=cycle.reset, static=cycle.static,
        as_left=cycle.phase == "as-left", static_gauge=bench.static_gauge, bench=longer,
    )  # fmt: skip
    for comment in comments:
        print(paragraph(comment.text, indent="    ✗ " if comment.again else "    ! "))
    try:
        judge_record(plan.context, longer, today=plan.on, at=NO_TIME, strict=True)
    except (ReadingRefused, ExtrapolationRefused) as refusal:
        if not any(comment.again for comment in comments):
            print(paragraph(f"{refusal.message} {refusal.next_step}", indent="    ✗ "))
        print("    Read this run again.")
        return False
    return not any(c.again for c in comments) or _confirm("    Keep this run as read?")


def _ask_reading(text: str) -> str:
    while True:
        typed = _ask(text)
        if typed.casefold() in (NO_TRIP, CHATTER):
            return typed.casefold()
        try:
            _number(typed)
        except BadNumber as error:
            print(paragraph(f"{error.message} {error.next_step}", indent="    ✗ "))
            continue
        return typed


def _say_as_found(plan: BenchPlan, cycles: list[Cycle]) -> None:
    failed = [c for c in cycles if c.outcome != "tripped"]
    if failed:
        print(
            paragraph(
                "A function failed as found. Tell the owner of the function before going on.",
                indent="\n  ! ",
            )
        )
    elif plan.switch.criticality == "safety":
        print("\nA safety item: keep the as-found readings before touching the adjuster.")
