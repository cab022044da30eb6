"""Telling particulars of a gauge, a switch or the shop: dated versions, each complete in itself.

What is not told stays as it was in the version in force on that day; an empty text takes it back.

Source: what is kept follows ISO/IEC 17025:2017 6.4.13 a, b, d, g (of gauges) and 7.8.2.1 b, c, e, g
(of switches and the shop).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import date
from typing import TypeVar

from calfleet.errors import RecordRefused, UsageError
from calfleet.records import GaugeParticulars, SiteParticulars, SwitchParticulars
from calfleet.services.bench_facts import in_force
from calfleet.services.nearest import pick
from calfleet.store import particular_facts
from calfleet.store.queries import gauges as gauge_queries
from calfleet.store.queries import particulars
from calfleet.store.queries import switches as switch_queries
from calfleet.store.work import Work

Version = TypeVar("Version", GaugeParticulars, SwitchParticulars, SiteParticulars)
Told = Mapping[str, str | None]
"""What is told, by field; ``None`` leaves it as it was."""


def tell_gauge(
    work: Work, gauge: str, told: Told, *, effective_on: date, reason: str = ""
) -> GaugeParticulars:
    """The particulars of a gauge as added, in force from ``effective_on``; the caller commits.

    told: maker, model, software_version, kept_at, maintenance.

    Raises: UnknownName, UsageError where nothing is told, RecordRefused where nothing changes or
    there is a version of that day.
    """
    known = {code: code for code in gauge_queries.gauges(work.session)}
    code = pick("gauge", gauge, known)
    held = [p for p in particulars.gauge_particulars(work.session) if p.gauge == code]
    made = _next(code, held, GaugeParticulars(code, effective_on), told, reason)
    particular_facts.add_gauge_particulars(work, made)
    return made


def tell_switch(
    work: Work, tag: str, told: Told, *, effective_on: date, reason: str = ""
) -> SwitchParticulars:
    """The particulars of a switch as added; told: maker, model, stands_at. Else as ``tell_gauge``.

    Raises: as ``tell_gauge``.
    """
    known = pick("switch", tag, {t: t for t in switch_queries.tags(work.session)})
    held = [p for p in particulars.switch_particulars(work.session) if p.tag == known]
    made = _next(known, held, SwitchParticulars(known, effective_on), told, reason)
    particular_facts.add_switch_particulars(work, made)
    return made


def tell_shop(work: Work, told: Told, *, effective_on: date, reason: str = "") -> SiteParticulars:
    """The particulars of the shop as added; told: shop_name, shop_address, customer_name,
    customer_address. Else as ``tell_gauge``.

    Raises: as ``tell_gauge``, but for UnknownName.
    """
    held = list(particulars.site_particulars(work.session))
    made = _next("the shop", held, SiteParticulars(effective_on), told, reason)
    particular_facts.add_site_particulars(work, made)
    return made


def _next(
    what: str, held: Sequence[Version], empty: Version, told: Told, reason: str
) -> Version:  # fmt: skip
    given = {field: _tidy(text) for field, text in told.items() if text is not None}
    if not given:
        raise UsageError(
            f"Nothing is told of {what}.",
            rule="A version of particulars tells at least one thing.",
            next_step=f"Tell one of: {', '.join(field.replace('_', ' ') for field in told)}.",
        )
    day = empty.effective_on
    if any(p.effective_on == day for p in held):
        raise RecordRefused(
            f"The particulars of {what} change on {day} already.",
            rule="They change once a day at most; changes are only added.",
            next_step="Let this change take effect on another day.",
        )
    before = in_force(held, day) or empty
    made: Version = replace(before, effective_on=day, reason=reason.strip(), **given)
    if replace(made, effective_on=day, reason="") == replace(before, effective_on=day, reason=""):
        raise RecordRefused(
            f"Nothing changes in the particulars of {what} on {day}.",
            rule="A version differs from the one before it.",
            next_step="'calfleet particulars list' shows what is on record.",
        )
    return made


def _tidy(text: str) -> str:
    """The text without spaces at the ends of its lines, and without empty lines."""
    return "\n".join(" ".join(line.split()) for line in text.splitlines() if line.strip())
