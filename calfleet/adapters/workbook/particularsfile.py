"""particulars.toml of a site's input: makers, models, addresses, places. It may be absent::

    [[shop]]                    # as calibration reports print it
    effective_on = 2026-01-01
    shop_name = "Instrument shop"
    shop_address = "Works Road 1"
    customer_name = "Operations"
    customer_address = "Gate 2"

    [[gauges]]
    gauge = "RG-202"
    effective_on = 2026-01-01
    maker = "..."
    model = "..."
    software_version = "2.1"
    kept_at = "Cabinet 3"
    maintenance = "battery once a year"

    [[switches]]
    tag = "PSL-1108"
    effective_on = 2026-01-01
    maker = "..."
    model = "..."
    stands_at = "Feedwater platform"

Each entry is a whole version from its day on. ``reason`` may be given in each; at least one other
thing must be told.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date
from pathlib import Path

from calfleet import records as rec
from calfleet.adapters.workbook.sources import TomlTable, read_toml
from calfleet.adapters.workbook.tables import Names, Row
from calfleet.errors import Problem

FILE = "particulars.toml"
_SHOP = ("shop_name", "shop_address", "customer_name", "customer_address")
_GAUGE = ("maker", "model", "software_version", "kept_at", "maintenance")
_SWITCH = ("maker", "model", "stands_at")
_LONG = {"shop_address", "customer_address", "maintenance"}


def read_particulars(
    path: Path, problems: list[Problem], *, gauges: Names, tags: Names
) -> rec.ParticularsInput:
    """What the file tells, in its order; nothing where there is no file.

    ``problems`` gets every problem found: keys not known, names not there, a day twice.
    """
    if not path.exists():
        return rec.ParticularsInput()
    data = read_toml(path, problems)
    if data is None:
        return rec.ParticularsInput()
    top = TomlTable(data, path.name, problems, (), ("shop", "gauges", "switches"))
    seen: set[tuple[str, str, object]] = set()

    def told(row: Row, kind: str, name: str, fields: Sequence[str]) -> tuple[date, dict[str, str]]:
        """The day of one version, and what it tells by field."""
        found = {f: row.prose(f) if f in _LONG else row.text_or(f, "") or "" for f in fields}
        day = row.day("effective_on")
        if not any(found.values()) and not row.bad:
            row.problem(fields[0], f"Nothing is told; one of {', '.join(fields)} must be.")
        if (kind, name, day) in seen and not row.bad:
            row.problem("effective_on", f"There is a version of {day} already.")
        seen.add((kind, name, day))
        return day, {**found, "reason": row.prose("reason")}

    shop, of_gauges, of_switches = [], [], []
    for part in top.parts("shop", ("effective_on", *_SHOP, "reason")):
        row = part.row
        day, values = told(row, "shop", "", _SHOP)
        shop.append(rec.SiteParticulars(day, **values))
    for part in top.parts("gauges", ("gauge", "effective_on", *_GAUGE, "reason")):
        row = part.row
        code = row.reference("gauge", gauges)
        day, values = told(row, "gauge", code, _GAUGE)
        of_gauges.append(rec.GaugeParticulars(code, day, **values))
    for part in top.parts("switches", ("tag", "effective_on", *_SWITCH, "reason")):
        row = part.row
        tag = row.reference("tag", tags)
        day, values = told(row, "switch", tag, _SWITCH)
        of_switches.append(rec.SwitchParticulars(tag, day, **values))
    return rec.ParticularsInput(tuple(shop), tuple(of_gauges), tuple(of_switches))
