"""planning.toml of a site's input: outages, holidays, closures, leave, hours, absences, usage,
redundancy, rules about due dates and further intervals.

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

    [[leave]]                   # a person's days away from the bench; the reason may be left out
    person = "P02"
    first_on = 2027-02-15
    last_on = 2027-02-19
    reason = "..."

    [[closures]]                # days on which nobody works in the shop
    first_on = 2026-12-28
    last_on = 2026-12-31
    name = "Winter stop"

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

    [[due_rules]]               # for one switch (tag), one family, or (neither) the whole site
    tag = "PSL-1108"
    effective_on = 2026-01-01
    reason = "..."
    policy = "S06"              # instead of the data sheet's; all below may be left out
    before_use = false          # true: calibrated before each use, no due date
    first_due_on = 2027-03-31   # of a policy with fixed dates
    shelf_limit_days = 365
    hard_stop_on = 2027-08-15
    deferrals_allowed = 1

    [[further_intervals]]       # other work on a switch, with an interval of its own
    tag = "PSL-1108"
    name = "contact inspection"
    policy = "S24"
    effective_on = 2026-01-01

    [[other_work]]              # when it was done
    tag = "PSL-1108"
    name = "contact inspection"
    done_on = 2026-02-03
    done_by = "P02"
    note = "..."
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from decimal import Decimal
from pathlib import Path

from calfleet import records as rec
from calfleet.adapters.workbook.sources import TomlTable, read_toml
from calfleet.adapters.workbook.tables import CODE, WORD, Names, Row
from calfleet.errors import Problem, RecordRefused
from calfleet.scheduling.rules import check_rule

FILE = "planning.toml"
_LISTS = (
    "outages",
    "holidays",
    "hours",
    "gauge_absences",
    "leave",
    "closures",
    "laboratory_terms",
    "usage_rules",
    "usage_readings",
    "redundant_groups",
    "deferrals",
    "due_rules",
    "further_intervals",
    "other_work",
)
_RULE = (
    "tag", "family", "effective_on", "reason", "policy", "before_use", "first_due_on",
    "shelf_limit_days", "hard_stop_on", "deferrals_allowed",
)  # fmt: skip
_TERMS = ("laboratory", "effective_on", "transit_days", "turnaround_days", "review_days")
_ZERO = Decimal(0)
_WEEK = Decimal(120)
"""A week's bench hours are spread over its five weekdays."""


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
        policies: Sequence[rec.IntervalPolicy] = (),
        switches: Sequence[rec.Switch] = (),
    ) -> None:
        self.problems = problems
        self.areas = areas
        self.people = people
        self.gauges = gauges
        self.laboratories = laboratories
        self.tags = tags
        self.policies = Names("policy", {p.code for p in policies})
        self.bases = {p.code: p.basis for p in policies}
        self.switches = switches
        self.families = Names("family", {s.family for s in switches}, complete=tags.complete)

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
            leaves=tuple(self._leaves(top)),
            closures=tuple(self._closures(top)),
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
            due_rules=tuple(self._due_rules(top)),
            further_intervals=(further := tuple(self._further(top))),
            other_work=tuple(self._other_work(top, {(f.tag, f.name) for f in further})),
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
            hours = row.number("hours_per_week", _ZERO, _WEEK)
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

    def _leaves(self, top: TomlTable) -> Iterator[rec.PersonLeave]:
        held: dict[str, list[rec.PersonLeave]] = {}
        for row in _rows(top, "leave", ("person", "first_on", "last_on", "reason")):
            first, last = row.day("first_on"), row.day("last_on")
            row.before("first_on", "last_on", first, last)
            found = rec.PersonLeave(
                row.reference("person", self.people), first, last, row.text_or("reason", "") or ""
            )
            others = held.setdefault(found.person, [])
            if not row.bad:
                if any(first <= o.last_on and o.first_on <= last for o in others):
                    row.problem("first_on", f"{found.person} is on leave then already.")
                others.append(found)
            yield found

    def _closures(self, top: TomlTable) -> Iterator[rec.ShopClosure]:
        held: list[rec.ShopClosure] = []
        for row in _rows(top, "closures", ("first_on", "last_on", "name")):
            first, last = row.day("first_on"), row.day("last_on")
            row.before("first_on", "last_on", first, last)
            found = rec.ShopClosure(first, last, row.text("name"))
            if not row.bad:
                if any(first <= o.last_on and o.first_on <= last for o in held):
                    row.problem("first_on", "The closure overlaps another one.")
                held.append(found)
            yield found

    def _groups(self, top: TomlTable) -> Iterator[rec.RedundantGroup]:
        grouped: set[str] = set()
        for row in _rows(top, "redundant_groups", ("code", "tags", "weeks_apart")):
            tags = self._names(row, "tags", self.tags, "switch")
            if len(set(tags)) < 2 and not row.bad:
                row.problem("tags", "A redundant group has at least two channels.")
            for tag in sorted(grouped.intersection(tags)):
                row.problem("tags", f"{tag} is in another redundant group already.")
            grouped.update(tags)
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

    def _due_rules(self, top: TomlTable) -> Iterator[rec.DueRule]:
        seen = set()
        for row in _rows(top, "due_rules", _RULE):
            tag = row.reference_or_none("tag", self.tags)
            family = row.reference_or_none("family", self.families)
            if tag and family:
                row.problem("family", "A rule is for one switch or for one family, not both.")
            scope = rec.RuleScope.SITE
            if tag or family:
                scope = rec.RuleScope.SWITCH if tag else rec.RuleScope.FAMILY
            rule = rec.DueRule(
                scope=scope,
                subject=tag or family or "",
                effective_on=row.day("effective_on"),
                reason=row.prose("reason"),
                policy=row.reference_or_none("policy", self.policies) or "",
                before_use=row.flag("before_use") if row.given("before_use") else None,
                grid_anchor=row.day_or_none("first_due_on"),
                shelf_limit_days=_integer(row, "shelf_limit_days", 1),
                hard_stop=row.day_or_none("hard_stop_on"),
                deferrals_allowed=_integer(row, "deferrals_allowed", 0),
            )
            key = (rule.scope, rule.subject, rule.effective_on)
            if key in seen:
                row.problem("effective_on", "A rule for the same takes effect on that day.")
            seen.add(key)
            if not row.bad:
                self._check_rule(row, rule)
            yield rule

    def _check_rule(self, row: Row, rule: rec.DueRule) -> None:
        """Notes where a rule contradicts itself, or means nothing for what it is made for."""
        try:
            check_rule(rule)
        except RecordRefused as refusal:
            row.problem("reason" if not rule.reason else "effective_on", refusal.message,
                        refusal.next_step)  # fmt: skip
        made_for = [
            s for s in self.switches
            if rule.scope is rec.RuleScope.SITE or rule.subject in (s.tag, s.family)
        ]  # fmt: skip
        if rule.hard_stop is not None and not any(s.outage_bound for s in made_for):
            row.problem("hard_stop_on", "Nothing that this rule is for is outage-bound.")
        bases = {self.bases.get(rule.policy or s.policy) for s in made_for}
        if rule.grid_anchor is not None and rec.IntervalBasis.FIXED_GRID not in bases:
            row.problem("first_due_on", "Nothing that this rule is for has fixed dates.")

    def _further(self, top: TomlTable) -> Iterator[rec.FurtherInterval]:
        seen = set()
        keys = ("tag", "name", "policy", "effective_on", "held")
        for row in _rows(top, "further_intervals", keys):
            found = rec.FurtherInterval(
                row.reference("tag", self.tags),
                row.text("name", WORD),
                row.reference("policy", self.policies),
                row.day("effective_on"),
                held=row.flag("held", default=True),
            )
            key = (found.tag, found.name, found.effective_on)
            if key in seen:
                row.problem("effective_on", "This interval changes on that day already.")
            seen.add(key)
            if found.name.casefold() == "calibration":
                row.problem("name", "A further interval is for other work than the calibration.")
            yield found

    def _other_work(self, top: TomlTable, wanted: set[tuple[str, str]]) -> Iterator[rec.OtherWork]:
        seen = set()
        for row in _rows(top, "other_work", ("tag", "name", "done_on", "done_by", "note")):
            found = rec.OtherWork(
                row.reference("tag", self.tags),
                row.text("name", WORD),
                row.day("done_on"),
                row.reference("done_by", self.people),
                row.prose("note"),
            )
            if not row.bad and (found.tag, found.name) not in wanted:
                row.problem("name", f"{found.name!r} has no interval on {found.tag}.")
            key = (found.tag, found.name, found.done_on)
            if key in seen:
                row.problem("done_on", "This work is there for that day already.")
            seen.add(key)
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


def _integer(row: Row, name: str, low: int) -> int | None:
    return row.integer(name, low) if row.given(name) else None


def _rows(top: TomlTable, key: str, names: tuple[str, ...]) -> Iterator[Row]:
    for part in top.parts(key, names):
        yield part.row
