"""``calfleet what-if``: what each gauge would reach, and what a better one would buy."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated

import typer

from calfleet.adapters.cli.app import PLANNER, AsOfOption, FormatOption, SiteOption, app
from calfleet.adapters.cli.render import Column, Format, listing, paragraph
from calfleet.adapters.cli.workbooks import WorkbookOption, site_and_day, write_listing

if TYPE_CHECKING:
    from calfleet.services.what_if import Prospect


@app.command("what-if", rich_help_panel=PLANNER)
def what_if(
    tag: Annotated[str, typer.Argument(metavar="TAG", help="The switch's tag.")],
    set_point: Annotated[
        str | None, typer.Option(metavar="LABEL", help="Which set point; else the first.")
    ] = None,
    with_u: Annotated[
        list[str] | None,
        typer.Option(
            "--with-u",
            metavar="U",
            help="Suppose a gauge with this expanded uncertainty (k = 2, switch's unit); "
            "may be repeated.",
        ),
    ] = None,
    in_tolerance: Annotated[
        str | None,
        typer.Option(
            metavar="P", help="True in-tolerance probability of the family, instead of history."
        ),
    ] = None,
    as_of: AsOfOption = None,
    workbook: WorkbookOption = None,
    output: FormatOption = Format.TABLE,
    site: SiteOption = None,
) -> None:
    """Compare gauges for a set point: U, ratio, acceptance limits, risk of a wrong verdict.

    Every gauge that reads the quantity is shown, whether or not it is free that day, and any
    gauge you suppose with --with-u: what would it buy?
    """
    from calfleet.errors import BadQuantity
    from calfleet.metrology.readings import parse_number
    from calfleet.services.what_if import what_if as service

    supposed = [parse_number(text) for text in with_u or ()]
    probability = None if in_tolerance is None else float(parse_number(in_tolerance))
    if probability is not None and not 0 < probability < 1:
        raise BadQuantity(
            f"An in-tolerance probability of {in_tolerance}.",
            rule="It is a fraction between 0 and 1, for example 0.95.",
            next_step="Give it that way, or leave it out to use the site's history.",
        )
    folder, on = site_and_day(site, as_of, workbook)
    with folder.reading() as session:
        found = service(
            session,
            tag,
            on=on,
            set_point=set_point,
            supposed=supposed,
            reliability=probability,
        )
    s, p = found.switch, found.point
    unit = s.unit
    shown = found.prospects
    footer: list[str] = []
    if output is Format.TABLE:
        shown = tuple(x for x in found.prospects if x.expanded_uncertainty is not None)
        others = [x.name for x in found.prospects if x.expanded_uncertainty is None]
        if others:
            footer.append(
                paragraph(
                    f"Not for this range or value: {', '.join(others)} "
                    f"('calfleet gauges --for {s.tag}' says why)."
                )
            )
    title = (
        f"{s.tag} {p.label} ({s.service}), set point {p.value} {unit} {p.direction}, "
        f"tolerance {_limit(found.lower)} to {_limit(found.upper)} {unit}, on {found.on}"
    )
    basis = paragraph(
        f"{found.procedure}: {found.rule}, required TUR {found.required_tur:g}:1. "
        f"Risks: {found.risk_basis}. False accept: out of tolerance and accepted; false "
        "reject: in tolerance and rejected; both of all switches of the family."
    )
    columns = _columns(unit)
    listing(shown, columns, output, title=title, footer=["", *footer, basis])
    write_listing(
        workbook, folder, found.prospects, columns, title=f"What if {s.tag} {p.label}",
        heading=f"What each gauge would reach for {s.tag} {p.label}", as_of=found.on,
        notes=[title, basis],
    )  # fmt: skip


def _limit(value: float | None) -> str:
    return "open" if value is None else f"{value:.6g}"


def _columns(unit: str) -> list[Column[Prospect]]:
    from calfleet.metrology.rounding import cut_ratio, significant

    def two(value: float) -> str:
        return significant(value, 2) if value else "0"

    def share(value: float) -> str:
        return "<0.001 %" if value < 1e-5 else f"{100 * value:.2g} %"

    return [
        Column("Gauge", "gauge", lambda x: x.name),
        Column("What it is", "description", lambda x: x.description, fold=True),
        Column(f"U ({unit})", "expanded_uncertainty", lambda x: x.expanded_uncertainty, two, True),
        Column("k", "coverage_factor", lambda x: x.coverage_factor, lambda k: f"{k:.2f}", True),
        Column("TUR", "tur", lambda x: x.tur, lambda t: cut_ratio(t, 2), True),
        Column("TAR", "tar", lambda x: x.tar, lambda t: f"{t:.1f}", True),
        Column(
            f"Accepted from ({unit})",
            "lower_acceptance",
            lambda x: x.lower_acceptance,
            lambda v: f"{v:.6g}",
            True,
        ),
        Column(
            "to",
            "upper_acceptance",
            lambda x: x.upper_acceptance,
            lambda v: f"{v:.6g}",
            True,
            name="Accepted to",
            unit=unit,
        ),
        Column("False accept", "false_accept", lambda x: x.pfa, share, True),
        Column("False reject", "false_reject", lambda x: x.pfr, share, True),
        Column(
            "Ratio enough",
            "ratio_enough",
            lambda x: x.enough if x.tur is not None else None,
            lambda yes: "yes" if yes else "no",
        ),
        Column(
            "In the way that day",
            "obstacles",
            lambda x: "; ".join((*x.obstacles, *([x.note] if x.note else []))) or None,
            fold=True,
        ),
    ]
