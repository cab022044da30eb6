"""Particulars, upkeep of gauges, receipts of switches: what is told beside what is measured."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from enum import StrEnum
from typing import TYPE_CHECKING, Annotated, Any

import typer

from calfleet.adapters.cli.app import (
    BENCH,
    HELD,
    AsOfOption,
    FormatOption,
    Group,
    PersonOption,
    SiteOption,
    app,
    day,
    planner,
)
from calfleet.adapters.cli.events import entered
from calfleet.adapters.cli.render import Column, Format, paragraph
from calfleet.adapters.cli.workbooks import Book, WorkbookOption, listing_and_book, site_and_day

if TYPE_CHECKING:
    from datetime import date
    from pathlib import Path


particulars_app = typer.Typer(
    cls=Group,
    no_args_is_help=True,
    rich_markup_mode=None,
    help="Makers, models, addresses, places: what reports print beside what is measured.",
)
app.add_typer(particulars_app, name="particulars", rich_help_panel=HELD)

SinceOption = Annotated[
    str | None, typer.Option("--from", metavar="DATE", help="From when it is so (today).")
]
ReasonOption = Annotated[str, typer.Option(metavar="TEXT", help="Why it changes.")]
MakerOption = Annotated[str | None, typer.Option(metavar="TEXT", help="Who made it.")]
ModelOption = Annotated[str | None, typer.Option(metavar="TEXT", help="Its model or type.")]


class Upkeep(StrEnum):
    """What can be done to a gauge, or befall it."""

    MAINTENANCE = "maintenance"
    REPAIR = "repair"
    MODIFICATION = "modification"
    DAMAGE = "damage"


@contextmanager
def _telling(
    site: Path | None, since: str | None, person: str | None, what: str, subject: str, reason: str
) -> Iterator[tuple[Any, date]]:
    """A planner's unit of work that is committed at its end, and from when what is told holds."""
    from calfleet.site import find_site

    folder = find_site(site)
    today = folder.today()
    on = day(since, today)
    actor = planner(folder, person, today, to="tell particulars")
    action = f"tell {what} particulars"
    with folder.work(actor=actor, action=action, subject=subject, reason=reason) as work:
        yield work, on
        work.commit()


@particulars_app.command("gauge")
def gauge(
    code: Annotated[str, typer.Argument(metavar="GAUGE", help="The gauge's code.")],
    maker: MakerOption = None,
    model: ModelOption = None,
    software: Annotated[
        str | None,
        typer.Option(metavar="VERSION", help="Version of the software or firmware in it."),
    ] = None,
    kept_at: Annotated[str | None, typer.Option(metavar="TEXT", help="Where it is kept.")] = None,
    maintenance: Annotated[
        str | None, typer.Option(metavar="TEXT", help="What maintenance is planned, and when.")
    ] = None,
    since: SinceOption = None,
    reason: ReasonOption = "",
    person: PersonOption = None,
    site: SiteOption = None,
) -> None:
    """Tell maker, model, software version, place or planned maintenance of a gauge.

    What is not given stays as it was; an empty text takes it back.
    """
    from calfleet.services.tell_particulars import tell_gauge

    told = {
        "maker": maker,
        "model": model,
        "software_version": software,
        "kept_at": kept_at,
        "maintenance": maintenance,
    }
    with _telling(site, since, person, "gauge", code, reason) as (work, on):
        made = tell_gauge(work, code, told, effective_on=on, reason=reason)
    print(f"Particulars of {made.gauge} from {made.effective_on} on are on record.")


@particulars_app.command("switch")
def switch(
    tag: Annotated[str, typer.Argument(metavar="TAG", help="The switch's tag.")],
    maker: MakerOption = None,
    model: ModelOption = None,
    stands_at: Annotated[
        str | None, typer.Option(metavar="TEXT", help="Where in the plant it stands.")
    ] = None,
    since: SinceOption = None,
    reason: ReasonOption = "",
    person: PersonOption = None,
    site: SiteOption = None,
) -> None:
    """Tell maker and model of a switch, and where in the plant it stands.

    What is not given stays as it was; an empty text takes it back.
    """
    from calfleet.services.tell_particulars import tell_switch

    told = {"maker": maker, "model": model, "stands_at": stands_at}
    with _telling(site, since, person, "switch", tag, reason) as (work, on):
        made = tell_switch(work, tag, told, effective_on=on, reason=reason)
    print(f"Particulars of {made.tag} from {made.effective_on} on are on record.")


@particulars_app.command("shop")
def shop(
    name: Annotated[str | None, typer.Option(metavar="TEXT", help="Name of the shop.")] = None,
    address: Annotated[str | None, typer.Option(metavar="TEXT", help="Its address.")] = None,
    customer: Annotated[
        str | None, typer.Option(metavar="TEXT", help="For whom it calibrates.")
    ] = None,
    customer_address: Annotated[
        str | None, typer.Option(metavar="TEXT", help="How to reach the customer.")
    ] = None,
    since: SinceOption = None,
    reason: ReasonOption = "",
    person: PersonOption = None,
    site: SiteOption = None,
) -> None:
    """Tell name and address of the shop and of its customer, as calibration reports print them.

    What is not given stays as it was; an empty text takes it back.
    """
    from calfleet.services.tell_particulars import tell_shop

    told = {
        "shop_name": name,
        "shop_address": address,
        "customer_name": customer,
        "customer_address": customer_address,
    }
    with _telling(site, since, person, "shop", "shop", reason) as (work, on):
        made = tell_shop(work, told, effective_on=on, reason=reason)
    print(f"Particulars of the shop from {made.effective_on} on are on record.")


@particulars_app.command("list")
def list_(
    name: Annotated[
        str | None, typer.Argument(metavar="[NAME]", help="Only of this gauge or switch.")
    ] = None,
    every: Annotated[
        bool, typer.Option("--all", help="Every version, not only the one in force.")
    ] = False,
    as_of: AsOfOption = None,
    workbook: WorkbookOption = None,
    output: FormatOption = Format.TABLE,
    site: SiteOption = None,
) -> None:
    """List what is told of the shop, of gauges and of switches."""
    from calfleet.services.list_particulars import list_particulars

    folder, on = site_and_day(site, as_of, workbook)
    with folder.reading() as session:
        rows = list_particulars(session, on, name=name, every=every)
    listing_and_book(
        rows,
        [
            Column("Of", "of", lambda x: x.of),
            Column("Name", "name", lambda x: x.name or None),
            Column("From", "effective_on", lambda x: x.effective_on),
            Column("What", "what", lambda x: x.field),
            Column("Is", "value", lambda x: x.value, fold=True),
            Column("In force", "in_force", lambda x: x.in_force),
            Column("Why", "reason", lambda x: x.reason or None, fold=True),
        ],
        output,
        Book(workbook, folder, "Particulars", on),
        title="Particulars, every version" if every else f"Particulars on {on}",
        empty="Nothing is told yet.",
    )


# --- upkeep of gauges ---------------------------------------------------------------------

upkeep_app = typer.Typer(
    cls=Group,
    no_args_is_help=True,
    rich_markup_mode=None,
    help="Maintenance, repair, modification and damage of gauges.",
)
app.add_typer(upkeep_app, name="gauge-upkeep", rich_help_panel=BENCH)


@upkeep_app.command("note")
def note_upkeep(
    gauge: Annotated[str, typer.Argument(metavar="GAUGE", help="The gauge's code.")],
    kind: Annotated[
        Upkeep,
        typer.Argument(metavar="KIND", help="maintenance, repair, modification or damage."),
    ],
    note: Annotated[
        str, typer.Option(metavar="TEXT", help="What was done, or what happened.")
    ] = "",
    done_on: Annotated[
        str | None, typer.Option("--on", metavar="DATE", help="When (today).")
    ] = None,
    done_by: Annotated[
        str | None, typer.Option("--by", metavar="PERSON", help="Who did it (who enters it).")
    ] = None,
    person: PersonOption = None,
    site: SiteOption = None,
) -> None:
    """Note maintenance, repair, modification or damage of a gauge.

    It is a note and takes the gauge out of use for nobody: 'calfleet doubt report' does.
    """
    from calfleet.records import GaugeUpkeep, UpkeepKind
    from calfleet.services.note_upkeep import note_upkeep as service
    from calfleet.site import find_site

    folder = find_site(site)
    today = folder.today()
    with entered(folder, person, f"note {kind.value}", gauge, note) as (work, who):
        given = GaugeUpkeep(
            gauge, UpkeepKind(kind.value), day(done_on, today), done_by or who, note
        )
        made = service(work, given, today=today)
        work.commit()
    u = made.upkeep
    print(f"{u.gauge}: {u.kind} on {u.done_on} by {u.done_by} is on record.")
    if made.after:
        print(paragraph(f"! {made.after}"))


@upkeep_app.command("list")
def list_upkeep(
    gauge: Annotated[
        str | None, typer.Argument(metavar="[GAUGE]", help="Only of this gauge.")
    ] = None,
    workbook: WorkbookOption = None,
    output: FormatOption = Format.TABLE,
    site: SiteOption = None,
) -> None:
    """List what was done to gauges or befell them, newest first."""
    from calfleet.services.note_upkeep import list_upkeep as service

    folder, today = site_and_day(site, None, workbook)
    with folder.reading() as session:
        rows = service(session, gauge)
    listing_and_book(
        rows,
        [
            Column("Gauge", "gauge", lambda x: x.gauge),
            Column("What", "kind", lambda x: x.kind),
            Column("On", "done_on", lambda x: x.done_on),
            Column("By", "done_by", lambda x: x.done_by),
            Column("Note", "note", lambda x: x.note, fold=True),
        ],
        output,
        Book(workbook, folder, "Upkeep of gauges", today),
        title="Upkeep of gauges, newest first",
        empty="No upkeep is on record.",
    )


# --- receipts of switches -----------------------------------------------------------------

receipt_app = typer.Typer(
    cls=Group,
    no_args_is_help=True,
    rich_markup_mode=None,
    help="Switches as they come to the bench.",
)
app.add_typer(receipt_app, name="receipt", rich_help_panel=BENCH)


@receipt_app.command("note")
def note_receipt(
    tag: Annotated[str, typer.Argument(metavar="TAG", help="The switch's tag.")],
    condition: Annotated[str, typer.Option(metavar="TEXT", help="In what condition it came.")] = "",
    received_on: Annotated[
        str | None, typer.Option("--on", metavar="DATE", help="When it came (today).")
    ] = None,
    received_by: Annotated[
        str | None, typer.Option("--by", metavar="PERSON", help="Who took it (who enters it).")
    ] = None,
    person: PersonOption = None,
    site: SiteOption = None,
) -> None:
    """Note that a switch came to the bench, and in what condition."""
    from calfleet.records import SwitchReceipt
    from calfleet.services.receive_switch import receive
    from calfleet.site import find_site

    folder = find_site(site)
    today = folder.today()
    with entered(folder, person, "receive switch", tag, condition) as (work, who):
        given = SwitchReceipt(tag, day(received_on, today), received_by or who, condition)
        made = receive(work, given, today=today)
        work.commit()
    said = f": {made.condition}" if made.condition else ""
    print(paragraph(f"{made.tag} received on {made.received_on} by {made.received_by}{said}."))


@receipt_app.command("list")
def list_receipts(
    tag: Annotated[str | None, typer.Argument(metavar="[TAG]", help="Only of this switch.")] = None,
    workbook: WorkbookOption = None,
    output: FormatOption = Format.TABLE,
    site: SiteOption = None,
) -> None:
    """List when switches came to the bench, newest first."""
    from calfleet.services.receive_switch import list_receipts as service

    folder, today = site_and_day(site, None, workbook)
    with folder.reading() as session:
        rows = service(session, tag)
    listing_and_book(
        rows,
        [
            Column("Tag", "tag", lambda x: x.tag),
            Column("Received", "received_on", lambda x: x.received_on),
            Column("By", "received_by", lambda x: x.received_by),
            Column("Condition", "condition", lambda x: x.condition or None, fold=True),
        ],
        output,
        Book(workbook, folder, "Receipts", today),
        title="Switches received at the bench, newest first",
        empty="No receipt is on record.",
    )
