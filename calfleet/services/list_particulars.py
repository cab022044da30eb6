"""Particulars of gauges, switches and the shop as they are on a day, and every version of them."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, fields
from datetime import date
from enum import StrEnum
from typing import TYPE_CHECKING, TypeVar

from calfleet.errors import UnknownName
from calfleet.records import (
    GaugeParticulars,
    SiteParticulars,
    SwitchParticulars,
    SwitchReceipt,
)
from calfleet.services.bench_facts import in_force
from calfleet.services.nearest import nearest_names
from calfleet.store.queries import gauges as gauge_queries
from calfleet.store.queries import particulars
from calfleet.store.queries import switches as switch_queries

if TYPE_CHECKING:
    from sqlalchemy.orm import Session

Version = TypeVar("Version", GaugeParticulars, SwitchParticulars, SiteParticulars)


class Of(StrEnum):
    """What particulars are about."""

    GAUGE = "gauge"
    SWITCH = "switch"
    SHOP = "shop"


@dataclass(frozen=True, slots=True)
class ParticularLine:
    """One thing told of a gauge, a switch or the shop; ``name`` is empty for the shop.

    ``in_force``: the version it belongs to is the one in force on the day asked for.
    """

    of: Of
    name: str
    effective_on: date
    field: str
    value: str
    reason: str
    in_force: bool


_WORDS = {
    "maker": "maker",
    "model": "model",
    "software_version": "software version",
    "kept_at": "kept at",
    "maintenance": "maintenance planned",
    "stands_at": "stands at",
    "shop_name": "name of the shop",
    "shop_address": "address of the shop",
    "customer_name": "customer",
    "customer_address": "address of the customer",
}


def list_particulars(
    session: Session, on: date, *, name: str | None = None, every: bool = False
) -> list[ParticularLine]:
    """What is told, of the shop, then of gauges, then of switches, each by name and day.

    name: only of this gauge or switch. every: versions not in force on ``on`` too.

    Raises: UnknownName.
    """
    lines = list(_lines(session, on))
    if name is not None:
        known = [*gauge_queries.gauges(session), *switch_queries.tags(session)]
        wanted = {n for n in known if n.casefold() == name.strip().casefold()}
        if not wanted:
            raise UnknownName("gauge or switch", name, nearest_names(name, known))
        lines = [line for line in lines if line.name in wanted]
    return [line for line in lines if every or line.in_force]


def _lines(session: Session, on: date) -> Iterator[ParticularLine]:
    yield from _versions(Of.SHOP, "", particulars.site_particulars(session), on)
    by_gauge: dict[str, list[GaugeParticulars]] = {}
    for gauge in particulars.gauge_particulars(session):
        by_gauge.setdefault(gauge.gauge, []).append(gauge)
    for code, of_gauge in by_gauge.items():
        yield from _versions(Of.GAUGE, code, of_gauge, on)
    by_tag: dict[str, list[SwitchParticulars]] = {}
    for switch in particulars.switch_particulars(session):
        by_tag.setdefault(switch.tag, []).append(switch)
    for tag, of_switch in by_tag.items():
        yield from _versions(Of.SWITCH, tag, of_switch, on)


def _versions(
    of: Of, name: str, held: list[Version] | tuple[Version, ...], on: date
) -> Iterator[ParticularLine]:
    standing = in_force(held, on)
    for version in held:
        for field in fields(version):
            value = getattr(version, field.name)
            if field.name in _WORDS and value:
                yield ParticularLine(
                    of, name, version.effective_on, _WORDS[field.name], value, version.reason,
                    version is standing,
                )  # fmt: skip


def shop_on(session: Session, on: date) -> SiteParticulars | None:
    """What is told of the shop on ``on``; ``None`` where nothing is."""
    return in_force(particulars.site_particulars(session), on)


def gauges_on(session: Session, on: date) -> dict[str, GaugeParticulars]:
    """What is told of each gauge on ``on``, by code; gauges of which nothing is told are absent."""
    found: dict[str, GaugeParticulars] = {}
    for version in particulars.gauge_particulars(session):
        if version.effective_on <= on:
            found[version.gauge] = version
    return found


def switch_on(session: Session, tag: str, on: date) -> SwitchParticulars | None:
    """What is told of the switch on ``on``; ``None`` where nothing is."""
    held = [p for p in particulars.switch_particulars(session) if p.tag == tag]
    return in_force(held, on)


def receipt_before(session: Session, tag: str, on: date) -> SwitchReceipt | None:
    """The last receipt of the switch at the bench not after ``on``; ``None`` without one."""
    held = [r for r in particulars.switch_receipts(session) if r.tag == tag and r.received_on <= on]
    return held[-1] if held else None
