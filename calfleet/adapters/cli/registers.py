"""What the site holds: switches, gauges, certificates, people, laboratories, areas, procedures."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated

import typer

from calfleet.adapters.cli.app import HELD, AsOfOption, FormatOption, SiteOption, app, day
from calfleet.adapters.cli.render import Column, Format, as_json, facts, listing, paragraph
from calfleet.adapters.cli.workbooks import Book, WorkbookOption, listing_and_book, site_and_day

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence
    from datetime import date

    from calfleet.records import ProcedureRevision
    from calfleet.services.list_gauges import GaugeLine


@app.command(rich_help_panel=HELD)
def switches(
    area: Annotated[
        list[str] | None, typer.Option(metavar="CODE", help="Only this area; may be repeated.")
    ] = None,
    as_of: AsOfOption = None,
    workbook: WorkbookOption = None,
    output: FormatOption = Format.TABLE,
    site: SiteOption = None,
) -> None:
    """List the switches as their data sheets stood on a day."""
    from calfleet.services.list_due import set_point_text
    from calfleet.services.look_up import switches_on

    folder, on = site_and_day(site, as_of, workbook)
    with folder.reading() as session:
        rows = switches_on(session, on, area or ())
    listing_and_book(
        rows,
        [
            Column("Tag", "tag", lambda x: x.tag),
            Column("Service", "service", lambda x: x.service, fold=True),
            Column("Area", "area", lambda x: x.area),
            Column("Quantity", "quantity", lambda x: x.quantity, fold=True),
            Column(
                "Range",
                "range",
                lambda x: f"{x.range_low} to {x.range_high} {x.unit}",
                fold=True,
                table_only=True,
            ),
            Column("", "range_low", lambda x: x.range_low),
            Column("", "range_high", lambda x: x.range_high),
            Column("", "unit", lambda x: x.unit),
            Column(
                "Set points",
                "set_points",
                lambda x: "; ".join(set_point_text(p, x.unit) for p in x.set_points),
                fold=True,
            ),
            Column(
                "Static",
                "static",
                lambda x: f"{x.static_nominal} {x.line_unit}" if x.static_nominal else None,
                table_only=True,
            ),
            Column("", "static", lambda x: x.static_nominal or None),
            Column("", "static_unit", lambda x: x.line_unit if x.static_nominal else None),
            Column("Criticality", "criticality", lambda x: x.criticality),
            Column("Status", "status", lambda x: x.status),
            Column("Procedure", "procedure", lambda x: x.procedure),
            Column("Interval", "interval_policy", lambda x: x.policy),
        ],
        output,
        Book(workbook, folder, "Switches", on),
        title=f"Switches on {on}",
        footer=["", f"{len(rows)} switches."],
    )


@app.command(rich_help_panel=HELD)
def gauges(
    for_tag: Annotated[
        str | None,
        typer.Option("--for", metavar="TAG", help="Judge each for calibrating this switch."),
    ] = None,
    as_of: AsOfOption = None,
    workbook: WorkbookOption = None,
    output: FormatOption = Format.TABLE,
    site: SiteOption = None,
) -> None:
    """List the reference gauges: certificate, last valid day, status; or which fit a switch."""
    from calfleet.metrology.rounding import cut_ratio, significant
    from calfleet.services.list_gauges import fitting_gauges, list_gauges

    folder, on = site_and_day(site, as_of, workbook)
    if for_tag is not None:
        with folder.reading() as session:
            choice = fitting_gauges(session, for_tag, on=on, today=folder.today())
        listing_and_book(
            choice.options,
            [
                Column("Gauge", "gauge", lambda x: x.gauge.code),
                Column("What it is", "description", lambda x: x.gauge.description, fold=True),
                Column("Certificate", "certificate", lambda x: x.certificate),
                Column("Valid until", "valid_until", lambda x: x.valid_until),
                Column(
                    f"U ({choice.switch.unit})",
                    "expanded_uncertainty",
                    lambda x: x.expanded_uncertainty,
                    lambda u: significant(u, 2),
                    right=True,
                ),
                Column("", "unit", lambda _: choice.switch.unit),
                Column("TUR", "tur", lambda x: x.tur, lambda t: f"{cut_ratio(t)}:1", right=True),
                Column("Usable", "usable", lambda x: x.usable),
                Column(
                    "Back" if any(o.back_on for o in choice.options) else "",
                    "back_on",
                    lambda x: x.back_on,
                    name="Back",
                ),
                Column("Why not", "reasons", lambda x: "; ".join(x.reasons) or None, fold=True),
            ],
            output,
            Book(workbook, folder, f"Gauges for {choice.switch.tag}", on),
            title=choice.heading,
            footer=["", paragraph(choice.basis)],
        )
        return
    with folder.reading() as session:
        rows = list_gauges(session, on)

    def told(field: str) -> Callable[[GaugeLine], str | None]:
        return lambda x: None if x.particulars is None else getattr(x.particulars, field) or None

    def particular(heading: str, field: str) -> Column[GaugeLine]:
        # in the table only where something is told; CSV, JSON and workbooks have one form
        known = any(told(field)(x) for x in rows)
        return Column(heading if known else "", field, told(field), fold=True, name=heading)

    listing_and_book(
        rows,
        [
            Column("Gauge", "gauge", lambda x: x.gauge.code),
            Column("What it is", "description", lambda x: x.gauge.description, fold=True),
            Column("Tier", "tier", lambda x: x.gauge.tier, right=True),
            Column(
                "Range",
                "range",
                lambda x: f"{x.gauge.range_low} to {x.gauge.range_high} {x.gauge.unit}",
                fold=True,
                table_only=True,
            ),
            Column("", "range_low", lambda x: x.gauge.range_low),
            Column("", "range_high", lambda x: x.gauge.range_high),
            Column("", "unit", lambda x: x.gauge.unit),
            Column("Reads", "mode", lambda x: x.gauge.mode or "temperature"),
            Column("Certificate", "certificate", lambda x: x.certificate),
            Column("Laboratory", "laboratory", lambda x: x.laboratory),
            Column("Calibrated", "calibrated_on", lambda x: x.calibrated_on),
            Column("Valid until", "valid_until", lambda x: x.valid_until),
            Column("Days left", "days_left", lambda x: x.days_left, right=True, unit="d"),
            Column("Status", "status", lambda x: x.standing, fold=True),
            particular("Maker", "maker"),
            particular("Model", "model"),
            particular("Software", "software_version"),
            particular("Kept at", "kept_at"),
            particular("Maintenance planned", "maintenance"),
        ],
        output,
        Book(workbook, folder, "Gauges", on),
        title=f"Reference gauges on {on}",
    )


@app.command(rich_help_panel=HELD)
def certificates(
    gauge: Annotated[
        str | None, typer.Argument(metavar="GAUGE", help="A gauge's code: only its certificates.")
    ] = None,
    workbook: WorkbookOption = None,
    output: FormatOption = Format.TABLE,
    site: SiteOption = None,
) -> None:
    """List certificates of reference gauges, newest first."""
    from calfleet.services.list_gauges import list_certificates

    folder, today = site_and_day(site, None, workbook)
    with folder.reading() as session:
        rows = list_certificates(session, gauge)
    listing_and_book(
        rows,
        [
            Column("Certificate", "certificate", lambda x: x.certificate.number),
            Column("Gauge", "gauge", lambda x: x.certificate.gauge),
            Column("Laboratory", "laboratory", lambda x: x.certificate.laboratory),
            Column("Calibrated", "calibrated_on", lambda x: x.certificate.calibrated_on),
            Column("Valid until", "valid_until", lambda x: x.valid_until),
            Column("Points", "points", lambda x: len(x.certificate.points), right=True),
            Column("Largest error", "largest_error", lambda x: x.largest_error, fold=True),
            Column(
                "Within its accuracy", "within_accuracy", lambda x: x.within_accuracy, fold=True
            ),
            Column("Standards", "standards", lambda x: x.standards, fold=True),
            Column("Remarks", "remarks", lambda x: x.remarks or None, fold=True),
        ],
        output,
        Book(workbook, folder, "Certificates", today),
        title="Certificates" + (f" of {gauge.upper()}" if gauge else ""),
    )


@app.command(rich_help_panel=HELD)
def people(
    as_of: AsOfOption = None,
    workbook: WorkbookOption = None,
    output: FormatOption = Format.TABLE,
    site: SiteOption = None,
) -> None:
    """List people with the roles they hold and what they are qualified for on a day.

    Technicians' qualifications that end within 60 days without a renewal are told below the table.
    """
    from calfleet.records import Quantity, Role
    from calfleet.services.look_up import ending_soon, everybody

    folder, on = site_and_day(site, as_of, workbook)
    with folder.reading() as session:
        rows = everybody(session)
    listing_and_book(
        rows,
        [
            Column("Code", "code", lambda x: x.code),
            Column("Name", "name", lambda x: x.name),
            Column("Roles", "roles", lambda x: ", ".join(r for r in Role if x.holds(r, on))),
            Column(
                "Qualified for (until)",
                "qualifications",
                lambda x: (
                    ", ".join(
                        f"{q} ({held.expires_on})"
                        for q in Quantity
                        if (held := x.qualification(q, on)) is not None
                    )
                    or None
                ),
                fold=True,
            ),
        ],
        output,
        Book(workbook, folder, "People", on),
        title=f"People on {on}",
        footer=_ending(
            "Qualifications",
            ending_soon(rows, on),
            "'calfleet person qualify' renews one.",
        ),
    )


def _ending(what: str, soon: Sequence[tuple[str, str, date]], then: str) -> list[str]:
    """The warning below a listing of what ends soon: whose, which, its last day."""
    if not soon:
        return []
    told = "; ".join(f"{whose} {which} on {last}" for whose, which, last in soon)
    return ["", paragraph(f"! {what} that end within 60 days: {told}. {then}")]


@app.command(rich_help_panel=HELD)
def laboratories(
    as_of: AsOfOption = None,
    workbook: WorkbookOption = None,
    output: FormatOption = Format.TABLE,
    site: SiteOption = None,
) -> None:
    """List laboratories with the accreditations in force on a day, and the gauges they calibrate.

    Accreditations that end within 60 days without a renewal are told below the table.
    """
    from calfleet.services.list_laboratories import accreditations_ending, list_laboratories

    folder, on = site_and_day(site, as_of, workbook)
    with folder.reading() as session:
        rows = list_laboratories(session, on)
    ending = accreditations_ending({x.laboratory.code: x.laboratory for x in rows}.values(), on)
    listing_and_book(
        rows,
        [
            Column("Laboratory", "laboratory", lambda x: x.laboratory.code),
            Column("Name", "name", lambda x: x.laboratory.name, fold=True),
            Column("Kind", "kind", lambda x: x.laboratory.kind),
            Column(
                "Accreditation",
                "accreditation",
                lambda x: x.accreditation and x.accreditation.number,
            ),
            Column("From", "valid_from", lambda x: x.accreditation and x.accreditation.valid_from),
            Column(
                "Until", "valid_until", lambda x: x.accreditation and x.accreditation.valid_until
            ),
            Column("Days left", "days_left", lambda x: x.days_left, right=True, unit="d"),
            Column("Standing", "standing", lambda x: x.standing, fold=True),
            Column(
                "Scope",
                "scope",
                lambda x: x.accreditation and (x.accreditation.scope or None),
                fold=True,
            ),
            Column("Gauges", "gauges", lambda x: ", ".join(x.gauges) or None, fold=True),
        ],
        output,
        Book(workbook, folder, "Laboratories", on),
        title=f"Laboratories on {on}",
        footer=_ending(
            "Accreditations",
            [(c, a.number, a.valid_until) for c, a in ending],
            "A certificate that an accredited laboratory measures later breaks its chain. "
            "'calfleet laboratory accredit' notes a renewal.",
        ),
        empty="No laboratory is on record.",
    )


@app.command(rich_help_panel=HELD)
def areas(
    as_of: AsOfOption = None,
    workbook: WorkbookOption = None,
    output: FormatOption = Format.TABLE,
    site: SiteOption = None,
) -> None:
    """List the areas with how many switches each has on a day; scrapped ones are not counted."""
    from calfleet.services.list_laboratories import list_areas

    folder, on = site_and_day(site, as_of, workbook)
    with folder.reading() as session:
        rows = list_areas(session, on)
    listing_and_book(
        rows,
        [
            Column("Area", "area", lambda x: x.area.code),
            Column("Name", "name", lambda x: x.area.name, fold=True),
            Column("Switches", "switches", lambda x: x.switches, right=True),
            Column("In service", "in_service", lambda x: x.in_service, right=True),
        ],
        output,
        Book(workbook, folder, "Areas", on),
        title=f"Areas on {on}",
        empty="No area is on record.",
    )


@app.command(rich_help_panel=HELD)
def procedures(
    workbook: WorkbookOption = None,
    output: FormatOption = Format.TABLE,
    site: SiteOption = None,
) -> None:
    """List procedures and their revisions."""
    from calfleet.services.look_up import all_procedures

    folder, today = site_and_day(site, None, workbook)
    with folder.reading() as session:
        rows = all_procedures(session)
    listing_and_book(
        rows,
        [
            Column("Procedure", "procedure", lambda x: x.code),
            Column("Revision", "revision", lambda x: x.revision, right=True),
            Column("Title", "title", lambda x: x.title, fold=True),
            Column("For", "quantities", lambda x: ", ".join(x.quantities), fold=True),
            Column("In force from", "effective_on", lambda x: x.effective_on),
            Column("Approved by", "approved_by", lambda x: x.approved_by),
            Column(
                "Required TUR",
                "required_tur",
                lambda x: x.required_tur,
                lambda ratio: f"{ratio}:1",
                right=True,
            ),
            Column("Decision rule", "decision_rule", lambda x: x.decision_rule, fold=True),
        ],
        output,
        Book(workbook, folder, "Procedures", today),
        title="Procedures",
    )


@app.command(rich_help_panel=HELD)
def procedure(
    code: Annotated[str, typer.Argument(metavar="PROCEDURE", help="The procedure's code.")],
    revision: Annotated[
        int | None,
        typer.Option(metavar="NUMBER", help="A particular revision; else the one in force."),
    ] = None,
    as_of: AsOfOption = None,
    output: FormatOption = Format.TABLE,
    site: SiteOption = None,
) -> None:
    """Show a procedure: cautions first, then its steps and limits."""
    from calfleet.metrology.rounding import percent
    from calfleet.records import to_plain
    from calfleet.services.cautions import DEFERENCE, cautions_of
    from calfleet.services.look_up import one_procedure
    from calfleet.site import find_site

    folder = find_site(site)
    on = day(as_of, folder.today())
    with folder.reading() as session:
        found = one_procedure(session, code, revision, on)
    if output is Format.JSON:
        as_json(to_plain(found))
        return
    if output is Format.CSV:
        listing(
            _fields(found),
            [Column("", "field", lambda x: x[0]), Column("", "value", lambda x: x[1])],
            output,
        )
        return
    print(f"{found.name}: {found.title}")
    print(
        f"In force from {found.effective_on}, approved {found.approved_on} by {found.approved_by}"
    )
    print("\nCautions")
    for caution in cautions_of(found.hazards):
        print(paragraph(f"{caution.heading}. {caution.text}", indent="  ! "))
    print(paragraph(DEFERENCE, indent="  "))
    print("\nSteps")
    for n, step in enumerate(found.steps, 1):
        print(paragraph(step, indent=f"  {n}. "))
    print("\nLimits")
    for line in facts(
        [
            ("For", ", ".join(found.quantities)),
            ("Runs", f"{found.as_found_runs} as found, {found.as_left_runs} as left"),
            ("Exercise", f"{found.exercise_cycles} cycles, after the as-found readings"),
            (
                "Ramp",
                f"at most {percent(found.ramp_limit_fraction_per_s)} % of the range per second",
            ),
            ("Temperature", f"{found.temperature_min_c} to {found.temperature_max_c} °C"),
            ("Humidity", f"at most {percent(found.humidity_max)} %"),
            ("Required TUR", f"{found.required_tur}:1"),
            ("Decision rule", found.decision_rule),
            ("Coverage", f"probability {found.coverage_probability} of the expanded uncertainty"),
        ]
    ):
        print(f"  {line}")


def _fields(found: ProcedureRevision) -> list[tuple[str, object]]:
    """The procedure as field and value, of a list one row for each of its parts."""
    from calfleet.records import to_plain

    plain: dict[str, object] = dict(to_plain(found))  # type: ignore[call-overload]
    return [
        (key, part)
        for key, value in plain.items()
        for part in (value if isinstance(value, list) else [value])
    ]
