"""What was recorded: one result, a switch's history, and the trace to the standards."""

from __future__ import annotations

from enum import StrEnum
from pathlib import Path
from typing import Annotated

import typer

from calfleet.adapters.cli.app import (
    AUDITOR,
    FormatOption,
    SiteOption,
    app,
    refuse_existing,
    write_new,
)
from calfleet.adapters.cli.render import Column, Format, as_json, listing


@app.command(rich_help_panel=AUDITOR)
def result(
    name: Annotated[
        str, typer.Argument(metavar="RESULT", help="A calibration's number, or a tag (newest).")
    ],
    budget: Annotated[
        bool, typer.Option("--budget", help="Show the uncertainty budget of each set point.")
    ] = False,
    output: FormatOption = Format.TABLE,
    site: SiteOption = None,
) -> None:
    """Show a recorded calibration: figures, uncertainty, decision, findings, next due date."""
    from calfleet.adapters.cli.bench import result_columns, show_budgets, show_calibration
    from calfleet.records import to_plain
    from calfleet.services.find_calibration import find_calibration
    from calfleet.site import find_site

    with find_site(site).reading() as session:
        found = find_calibration(session, name)
        if output is Format.JSON:
            as_json(to_plain(found))
            return
        if output is Format.CSV:
            listing(found.results, result_columns(found), output)
            return
        show_calibration(session, found)
    if budget:
        show_budgets(found)


@app.command(rich_help_panel=AUDITOR)
def history(
    tag: Annotated[str, typer.Argument(metavar="TAG", help="The switch's tag.")],
    output: FormatOption = Format.TABLE,
    site: SiteOption = None,
) -> None:
    """List a switch's calibrations, newest first; a corrected record says so."""
    from calfleet.adapters.cli.bench import figure
    from calfleet.services.look_up import history_of
    from calfleet.site import find_site

    with find_site(site).reading() as session:
        tag, calibrations = history_of(session, tag)
    rows = [(c, r) for c in calibrations for r in c.results]
    listing(
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
            Column("", "required", lambda x: x[1].required),
            Column("", "unit", lambda x: x[1].unit),
            Column(
                "Error ± U",
                "",
                lambda x: figure(x[1].error, x[1].expanded_uncertainty, x[1].unit, sign=True),
                right=True,
                fold=True,
                table_only=True,
            ),
            Column("", "error", lambda x: x[1].error),
            Column("", "expanded_uncertainty", lambda x: x[1].expanded_uncertainty),
            Column("Verdict", "verdict", lambda x: x[1].verdict, fold=True),
            Column("Counts as", "category", lambda x: x[1].category, fold=True),
            Column(
                "Gauge",
                "gauges",
                lambda x: ", ".join(dict.fromkeys(u.gauge for u in x[0].bench.gauges)),
            ),
            Column(
                "Note",
                "note",
                lambda x: "; ".join(
                    [f"corrected by {x[0].replaced_by}"] * bool(x[0].replaced_by)
                    + [f"corrects {x[0].bench.replaces}"] * bool(x[0].bench.replaces)
                    + list(dict.fromkeys(f.code for f in x[0].findings))
                )
                or None,
                fold=True,
            ),
        ],
        output,
        title=f"Calibrations of {tag}, newest first",
    )  # fmt: skip


class TraceFormat(StrEnum):
    """How a trace is given: text or JSON to read, SVG or DOT to draw."""

    TEXT = "text"
    JSON = "json"
    SVG = "svg"
    DOT = "dot"


@app.command(rich_help_panel=AUDITOR)
def trace(
    name: Annotated[
        str,
        typer.Argument(
            metavar="RESULT", help="A calibration's number, a tag (newest), or a certificate."
        ),
    ],
    output: Annotated[
        TraceFormat,
        typer.Option("--format", "-f", help="text or json to read, svg or dot as a picture."),
    ] = TraceFormat.TEXT,
    out: Annotated[
        Path | None, typer.Option(metavar="FILE", help="Write to this new file.")
    ] = None,
    site: SiteOption = None,
) -> None:
    """Trace a result to its standards; each link is judged as it stood on the day of use."""
    import json

    from calfleet.adapters.cli.render import terminal_width
    from calfleet.adapters.documents import chain_views
    from calfleet.services.trace import trace as trace_service
    from calfleet.site import find_site

    refuse_existing(out)
    with find_site(site).reading() as session:
        chain = trace_service(session, name)
    if output is TraceFormat.TEXT:
        text = chain_views.tree_text(chain, width=min(110, terminal_width()))
    elif output is TraceFormat.JSON:
        text = json.dumps(chain_views.to_plain(chain), indent=2, ensure_ascii=False)
    elif output is TraceFormat.SVG:
        text = chain_views.svg(chain)
    else:
        text = chain_views.dot(chain)
    if out is None:
        print(text)
    else:
        write_new(out, text + "\n")
