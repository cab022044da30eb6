"""planning.toml of a site's input: outages, holidays, hours, absences, usage, redundancy.

The file may be absent. Every list may be absent::

    [[outages]]                 # a planned stop; areas left out: the whole site
    code = "REV-2027"
    name = "Summer revision"
    first_on = 2027-07-05
    last_on = 2027-07-23
    areas = ["BIO", "LUB"]

    [[holidays]]
    day = 2026-12-25
    name = "Winter holiday"

    [[hours]]                   # bench hours a week
    person = "P02"
    effective_on = 2026-01-01
    hours_per_week = 16

    [[gauge_absences]]
    gauge = "RG-204"
    first_on = 2026-11-16
    last_on = 2026-12-18
    reason = "recalibration"

    [[laboratory_terms]]
    laboratory = "WES"
    effective_on = 2024-01-01
    transit_days = 3
    turnaround_days = 15
    review_days = 2

    [[usage_rules]]             # due when so much was used since the last calibration
    tag = "PSL-1108"
    name = "cycles"
    limit = 20000
    effective_on = 2025-01-01

    [[usage_readings]]          # what the counter showed, since first use
    tag = "PSL-1108"
    name = "cycles"
    value = 15000
    read_on = 2026-10-01

    [[redundant_groups]]
    code = "PSHH-1101"
    tags = ["PSHH-1101A", "PSHH-1101B"]
    weeks_apart = 2

    [[deferrals]]
    tag = "TSL-7206"
    due_on = 2026-12-02
    until = 2026-12-30
    reason = "..."
    risk = "..."
    requested_by = "P01"
    requested_on = 2026-11-20
    approved_by = "P07"
    approved_on = 2026-11-23
"""

from __future__ import annotations

from collections.abc import Iterator
from decimal import Decimal
from pathlib import Path

from calfleet import records as rec
from calfleet.adapters.workbook.sources import TomlTable, read_toml
from calfleet.adapters.workbook.tables import CODE, WORD, Names, Row
from calfleet.errors import Problem

FILE = "planning.toml"
_LISTS = (
    "outages",
    "holidays",
    "hours",
    "gauge_absences",
    "laboratory_terms",
    "usage_rules",
    "usage_readings",
    "redundant_groups",
    "deferrals",
)
_TERMS = ("laboratory", "effective_on", "transit_days", "turnaround_days", "review_days")
_ZERO = Decimal(0)


class PlanningFile:
    """Reads planning.toml against the names the other files brought; notes every problem."""

    def __init__(
        self,
        problems: list[Problem],
        *,
        areas: Names,
        people: Names,
        gauges: Names,
        laboratories: Names,
        tags: Names,
    ) -> None:
        self.problems = problems
        self.areas = areas
        self.people = people
        self.gauges = gauges
        self.laboratories = laboratories
        self.tags = tags

    def read(self, path: Path) -> rec.PlanningInput:
        """What the file says; nothing when it is not there."""
        if not path.exists():
            return rec.PlanningInput()
        data = read_toml(path, self.problems)
        if data is None:
            return rec.PlanningInput()
        top = TomlTable(data, path.name, self.problems, (), _LISTS)
        return rec.PlanningInput(
            outages=tuple(self._outages(top)),
            holidays=tuple(
                rec.Holiday(row.day("day"), row.text("name"))
                for row in _rows(top, "holidays", ("day", "name"))
            ),
            hours=tuple(self._hours(top)),
            absences=tuple(self._absences(top)),
            terms=tuple(
                rec.LaboratoryTerms(
                    row.reference("laboratory", self.laboratories),
                    row.day("effective_on"),
                    row.integer("transit_days", 0),
                    row.integer("turnaround_days", 0),
                    row.integer("review_days", 0),
                )
                for row in _rows(top, "laboratory_terms", _TERMS)
            ),
            usage_rules=tuple(
                rec.UsageRule(
                    row.reference("tag", self.tags),
                    row.text("name", WORD),
                    row.number("limit", _ZERO),
                    row.day("effective_on"),
                )
                for row in _rows(top, "usage_rules", ("tag", "name", "limit", "effective_on"))
            ),
            usage_readings=tuple(
                rec.UsageReading(
                    row.reference("tag", self.tags),
                    row.text("name", WORD),
                    row.number("value", _ZERO),
                    row.day("read_on"),
                )
                for row in _rows(top, "usage_readings", ("tag", "name", "value", "read_on"))
            ),
            redundant_groups=tuple(self._groups(top)),
            deferrals=tuple(self._deferrals(top)),
        )

    def _outages(self, top: TomlTable) -> Iterator[rec.Outage]:
        for row in _rows(top, "outages", ("code", "name", "first_on", "last_on", "areas")):
            first, last = row.day("first_on"), row.day("last_on")
            row.before("first_on", "last_on", first, last)
            yield rec.Outage(
                row.text("code", CODE), 1, row.text("name"), first, last,
                areas=self._names(row, "areas", self.areas, "area"),
            )  # fmt: skip

    def _hours(self, top: TomlTable) -> Iterator[rec.WorkingHours]:
        for row in _rows(top, "hours", ("person", "effective_on", "hours_per_week")):
            hours = row.number("hours_per_week", _ZERO, Decimal(168))
            yield rec.WorkingHours(
                row.reference("person", self.people), row.day("effective_on"), int(hours * 60)
            )

    def _absences(self, top: TomlTable) -> Iterator[rec.GaugeAbsence]:
        for row in _rows(top, "gauge_absences", ("gauge", "first_on", "last_on", "reason")):
            first, last = row.day("first_on"), row.day("last_on")
            row.before("first_on", "last_on", first, last)
            yield rec.GaugeAbsence(
                row.reference("gauge", self.gauges), first, last, row.text("reason")
            )

    def _groups(self, top: TomlTable) -> Iterator[rec.RedundantGroup]:
        for row in _rows(top, "redundant_groups", ("code", "tags", "weeks_apart")):
            tags = self._names(row, "tags", self.tags, "switch")
            if len(tags) < 2 and not row.bad:
                row.problem("tags", "A redundant group has at least two channels.")
            yield rec.RedundantGroup(row.text("code", CODE), tags, row.integer("weeks_apart", 1))

    def _deferrals(self, top: TomlTable) -> Iterator[rec.DeferralRecord]:
        keys = (
            "tag", "due_on", "until", "reason", "risk", "requested_by", "requested_on",
            "approved_by", "approved_on",
        )  # fmt: skip
        for row in _rows(top, "deferrals", keys):
            found = rec.DeferralRecord(
                tag=row.reference("tag", self.tags),
                due_on=row.day("due_on"),
                until=row.day("until"),
                reason=row.text("reason"),
                risk=row.text("risk"),
                requested_by=row.reference("requested_by", self.people),
                requested_on=row.day("requested_on"),
                approved_by=row.reference("approved_by", self.people),
                approved_on=row.day("approved_on"),
            )
            if not row.bad and found.requested_by == found.approved_by:
                row.problem("approved_by", "Nobody approves their own deferral.")
            row.before("requested_on", "approved_on", found.requested_on, found.approved_on)
            row.before("approved_on", "due_on", found.approved_on, found.due_on)
            row.before("due_on", "until", found.due_on, found.until)
            yield found

    def _names(self, row: Row, key: str, known: Names, kind: str) -> tuple[str, ...]:
        value = row.raw(key)
        if value is None:
            return ()
        if not isinstance(value, list) or not all(isinstance(item, str) for item in value):
            row.problem(key, "A list of names is expected.")
            return ()
        for item in value:
            if not known.knows(item):
                row.problem(key, f"No {kind} named {item!r}.")
        return tuple(value)


def _rows(top: TomlTable, key: str, names: tuple[str, ...]) -> Iterator[Row]:
    for part in top.parts(key, names):
        yield part.row
