"""Adding particulars of gauges, switches and the shop, upkeep of gauges, and receipts."""

from __future__ import annotations

from calfleet.records import (
    GaugeParticulars,
    GaugeUpkeep,
    ParticularsInput,
    SiteParticulars,
    SwitchParticulars,
    SwitchReceipt,
)
from calfleet.store.facts import insert, known, site_id
from calfleet.store.models import (
    GaugeParticularsRow,
    GaugeRow,
    GaugeUpkeepRow,
    PersonRow,
    SiteParticularsRow,
    SwitchParticularsRow,
    SwitchReceiptRow,
    SwitchRow,
)
from calfleet.store.work import Work


def add_particulars(work: Work, told: ParticularsInput) -> None:
    """Raises: UnknownName for a gauge or a switch that is not there."""
    for shop in told.shop:
        add_site_particulars(work, shop)
    for gauge in told.gauges:
        add_gauge_particulars(work, gauge)
    for switch in told.switches:
        add_switch_particulars(work, switch)


def add_gauge_particulars(work: Work, told: GaugeParticulars) -> None:
    row = GaugeParticularsRow(
        gauge_id=known(work, GaugeRow, "gauge", told.gauge),
        effective_on=told.effective_on,
        maker=told.maker,
        model=told.model,
        software_version=told.software_version,
        kept_at=told.kept_at,
        maintenance=told.maintenance,
        reason=told.reason,
        **work.marks(),
    )
    insert(work, row, "gauge particulars", f"{told.gauge} from {told.effective_on}", told)


def add_switch_particulars(work: Work, told: SwitchParticulars) -> None:
    row = SwitchParticularsRow(
        switch_id=known(work, SwitchRow, "switch", told.tag, "tag"),
        effective_on=told.effective_on,
        maker=told.maker,
        model=told.model,
        stands_at=told.stands_at,
        reason=told.reason,
        **work.marks(),
    )
    insert(work, row, "switch particulars", f"{told.tag} from {told.effective_on}", told)


def add_site_particulars(work: Work, told: SiteParticulars) -> None:
    row = SiteParticularsRow(
        site_id=site_id(work),
        effective_on=told.effective_on,
        shop_name=told.shop_name,
        shop_address=told.shop_address,
        customer_name=told.customer_name,
        customer_address=told.customer_address,
        reason=told.reason,
        **work.marks(),
    )
    insert(work, row, "site particulars", f"site from {told.effective_on}", told)


def upkeep_key(done: GaugeUpkeep) -> str:
    """What a piece of upkeep is called in the audit trail."""
    return f"{done.gauge} {done.kind} on {done.done_on}"


def add_gauge_upkeep(work: Work, done: GaugeUpkeep) -> None:
    row = GaugeUpkeepRow(
        gauge_id=known(work, GaugeRow, "gauge", done.gauge),
        kind=done.kind,
        done_on=done.done_on,
        done_by_id=known(work, PersonRow, "person", done.done_by),
        note=done.note,
        **work.marks(),
    )
    insert(work, row, "gauge upkeep", upkeep_key(done), done)


def add_switch_receipt(work: Work, receipt: SwitchReceipt) -> None:
    row = SwitchReceiptRow(
        switch_id=known(work, SwitchRow, "switch", receipt.tag, "tag"),
        received_on=receipt.received_on,
        received_by_id=known(work, PersonRow, "person", receipt.received_by),
        condition=receipt.condition,
        **work.marks(),
    )
    insert(work, row, "switch receipt", f"{receipt.tag} on {receipt.received_on}", receipt)
