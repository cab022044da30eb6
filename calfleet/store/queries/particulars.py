"""Questions about particulars of gauges, switches and the shop, upkeep, and receipts."""

from __future__ import annotations

from typing import TYPE_CHECKING

from calfleet.records import (
    GaugeParticulars,
    GaugeUpkeep,
    SiteParticulars,
    SwitchParticulars,
    SwitchReceipt,
    UpkeepKind,
)
from calfleet.store.queries.reader import DAY, ask, question

if TYPE_CHECKING:
    from calfleet.store.queries.reader import Reader

_GAUGES = question(
    """
    SELECT g.code, p.effective_on, p.maker, p.model, p.software_version, p.kept_at,
           p.maintenance, p.reason
    FROM gauge_particulars p JOIN gauge g ON g.id = p.gauge_id ORDER BY g.code, p.effective_on
    """,
    effective_on=DAY,
)
_SWITCHES = question(
    """
    SELECT s.tag, p.effective_on, p.maker, p.model, p.stands_at, p.reason
    FROM switch_particulars p JOIN switch s ON s.id = p.switch_id ORDER BY s.tag, p.effective_on
    """,
    effective_on=DAY,
)
_SITE = question(
    """
    SELECT effective_on, shop_name, shop_address, customer_name, customer_address, reason
    FROM site_particulars ORDER BY effective_on
    """,
    effective_on=DAY,
)
_UPKEEP = question(
    """
    SELECT g.code, u.kind, u.done_on, p.code AS person, u.note
    FROM gauge_upkeep u
    JOIN gauge g ON g.id = u.gauge_id
    JOIN person p ON p.id = u.done_by_id
    ORDER BY g.code, u.done_on, u.kind
    """,
    kind=UpkeepKind,
    done_on=DAY,
)
_RECEIPTS = question(
    """
    SELECT s.tag, r.received_on, p.code, r.condition
    FROM switch_receipt r
    JOIN switch s ON s.id = r.switch_id
    JOIN person p ON p.id = r.received_by_id
    ORDER BY s.tag, r.received_on
    """,
    received_on=DAY,
)


def gauge_particulars(reader: Reader) -> tuple[GaugeParticulars, ...]:
    """Every version of every gauge's particulars, by gauge and day of effect (unique)."""
    return tuple(GaugeParticulars(*row) for row in ask(reader, _GAUGES))


def switch_particulars(reader: Reader) -> tuple[SwitchParticulars, ...]:
    """Every version of every switch's particulars, by tag and day of effect (unique)."""
    return tuple(SwitchParticulars(*row) for row in ask(reader, _SWITCHES))


def site_particulars(reader: Reader) -> tuple[SiteParticulars, ...]:
    """Every version of the shop's particulars, by day of effect (unique)."""
    return tuple(SiteParticulars(*row) for row in ask(reader, _SITE))


def gauge_upkeep(reader: Reader) -> tuple[GaugeUpkeep, ...]:
    """All upkeep of gauges, by gauge, day and kind (unique)."""
    return tuple(GaugeUpkeep(*row) for row in ask(reader, _UPKEEP))


def switch_receipts(reader: Reader) -> tuple[SwitchReceipt, ...]:
    """Every receipt of a switch at the bench, by tag and day (unique)."""
    return tuple(SwitchReceipt(*row) for row in ask(reader, _RECEIPTS))
