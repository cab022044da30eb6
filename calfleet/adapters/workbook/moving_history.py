"""Calibrations from lines of a shop's records: readings in columns, or one reading in a row.

Rows that belong to one calibration: those with one number; without numbers those of one tag and
one day, as long as no reading stands there twice. A second calibration of that day begins where
one does. A calibration without number is called by tag and day (``H-PSL-1102-20240311``, the
second that day with ``-2``), so that the same file read again gives the same numbers.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterator, Sequence
from dataclasses import dataclass, field, replace
from datetime import date
from decimal import Decimal

from calfleet import records as rec
from calfleet.adapters.workbook.loose import Misread
from calfleet.adapters.workbook.moving_cells import (
    OF_GAUGE,
    OF_SWITCH,
    Outcome,
    Value,
    in_unit,
)
from calfleet.adapters.workbook.moving_map import READING_FIELDS, TableKind
from calfleet.adapters.workbook.moving_names import MovingRows
from calfleet.adapters.workbook.moving_rows import (
    Line,
    MovedRow,
    Placed,
    SheetRows,
    without_idle_reason,
)
from calfleet.adapters.workbook.siterows import CALIBRATIONS
from calfleet.adapters.workbook.sources import Table
from calfleet.adapters.workbook.tables import shown, squeezed

CHUNK = 2000
_REFERENCES = frozenset(
    squeezed(each)
    for each in (
        "performed_by", "returned_by", "verified_by", "procedure", "operating_gauge",
        "operating_certificate", "static_gauge", "static_certificate",
    )
)  # fmt: skip
_FIELDS = tuple((name, squeezed(name)) for name in CALIBRATIONS.all)
_SPOT = tuple[str, str, int]


@dataclass
class _Reading:
    """What one row says of one run: the raw value of trip, reset ... with its column."""

    line: Line
    values: dict[str, tuple[object, Placed]]
    set_point: str
    phase: str
    run: int


@dataclass
class _Job:
    """A calibration while its rows are gathered."""

    line: Line
    tag: str
    day: date | None
    number: str
    runs: dict[_SPOT, _Reading] = field(default_factory=dict)
    twice: list[_Reading] = field(default_factory=list)


class History:
    """Gathers the rows of all sheets with calibrations."""

    def __init__(
        self,
        moving: MovingRows,
        sheets: Sequence[SheetRows],
        progress: Callable[[str, int, int], None],
        numbers: Collection[str] = (),
    ) -> None:
        self.moving = moving
        self.sheets = [
            each
            for each in sheets
            if each.table.kind in (TableKind.CALIBRATIONS, TableKind.READINGS)
        ]
        self.progress = progress
        self.numbers = numbers
        self.jobs: dict[str, _Job] = {}
        self.open: dict[tuple[str, date | None], list[_Job]] = {}
        self._certificates: dict[str, list[rec.Certificate]] = {}

    def read(self) -> Iterator[tuple[MovedRow, rec.BenchRecord]]:
        """Each calibration that the files give, with its row; bad ones are marked so."""
        # the heads of calibrations first: rows of readings may name them by number
        self.sheets.sort(key=lambda each: each.table.kind is TableKind.READINGS)
        for sheet in self.sheets:
            self._check_sheet(sheet)
            total = len(sheet.grid.rows)
            for done, line in enumerate(sheet.lines(self.moving.tags.names), 1):
                self._line(line)
                if done % CHUNK == 0:
                    self.progress(sheet.table.name, done, total)
            self.progress(sheet.table.name, total, total)
        for certificate in self.moving.certificates.values():
            self._certificates.setdefault(certificate.gauge, []).append(certificate)
        for each in self._certificates.values():
            each.sort(key=lambda c: (c.calibrated_on, c.issued_on, c.number))
        numbers = {*self.numbers, *self.jobs}
        waiting = list(self.jobs.values())
        self.jobs, self.open = {}, {}
        waiting.reverse()
        total, done = len(waiting), 0
        while waiting:
            part = [waiting.pop() for _ in range(min(CHUNK, len(waiting)))]
            rows: list[MovedRow] = []
            runs: list[MovedRow] = []
            for job in part:
                row = self._row(job)
                rows.append(row)
                before = len(runs)
                runs.extend(self._runs(job, row))
                if len(runs) == before and not row.bad and not job.line.bad:
                    row.problem("tag", "The calibration has no readings.",
                                "Fill in trip and reset, or delete the row.")  # fmt: skip
                    # said here in the words of the sheet
                    row.bad = True
            found = self.moving.history_from(
                Table(tuple(rows), complete=True), Table(tuple(runs), complete=False), numbers
            )
            spoilt = set()
            for moved, record in found:
                if isinstance(moved, MovedRow):
                    moved.bad = moved.bad or moved.line.bad
                    if moved.bad:
                        spoilt.add(moved.raw("calibration"))
                    yield moved, record
            for run in runs if spoilt else ():
                if run.raw("calibration") in spoilt:
                    run.bad = True  # its calibration is not taken, so the row is not either
            done += len(part)
            self.progress("calibrations", done, total)

    # what a sheet must say -----------------------------------------------------------------

    def _check_sheet(self, sheet: SheetRows) -> None:
        """What is wrong with the whole sheet is said once."""
        readings = [p for p in sheet.columns if p.use.field in READING_FIELDS]
        if sheet.table.kind is TableKind.READINGS and sheet.gives("reading"):
            return
        elsewhere = sheet.gives("calibration") and any(
            each.table.kind is TableKind.READINGS for each in self.sheets
        )
        if not elsewhere and not any(p.use.field in ("trip", "outcome") for p in readings):
            sheet.notes.problem(
                sheet.table.name, "No column gives the readings (trip).",
                "Map the columns of the readings, or the sheet as ignored.",
            )  # fmt: skip
        if not sheet.gives("phase"):
            for placed in readings:
                if not placed.use.phase:
                    sheet.notes.problem(
                        sheet.place((sheet.table.header_rows or (1,))[-1] - 1, placed.index),
                        f"The mapping does not say whether {placed.use.header!r} is as-found or "
                        "as-left.",
                        'Add phase = "as-found" or phase = "as-left" to the column.',
                    )

    # rows to jobs --------------------------------------------------------------------------

    def _line(self, line: Line) -> None:
        tag = self.moving.refer(line, "tag") or ""
        found = line.get("performed_on")
        day = found if isinstance(found, date) else None
        stated = line.get("calibration")
        number = stated if isinstance(stated, str) else ""
        head = self.jobs.get(number) if number else None
        if head is not None and not tag and day is None:
            tag, day = head.tag, head.day  # a row of readings that names its calibration
        readings = list(self._readings(line, tag, day))
        job = self._job_for(line, tag, day, number, readings)
        for each in readings:
            spot = (each.phase, each.set_point, each.run)
            there = job.runs.get(spot)
            if there is None:
                job.runs[spot] = each
            elif not set(there.values) & set(each.values):
                there.values.update(each.values)  # trip in one row, reset in the next
                there.line.bad = there.line.bad or line.bad
            else:
                job.twice.append(each)
        if line.bad:
            job.line.bad = True

    def _job_for(
        self, line: Line, tag: str, day: date | None, number: str, readings: Sequence[_Reading]
    ) -> _Job:
        if number:
            job = self.jobs.get(number)
            if job is None:
                job = self.jobs[number] = _Job(line, tag, day, number)
            elif (job.tag, job.day) != (tag, day):
                line.problem(
                    "calibration",
                    f"The calibration {number} is of {job.tag} on {job.day} at "
                    f"{job.line.where('calibration')}.",
                    "One number belongs to one calibration.",
                )
            return job
        if not tag or day is None:  # nothing to know it by
            job = _Job(line, tag, day, f"row at {line.at(None)}")
            self.jobs[job.number] = job
            return job
        of_day = self.open.setdefault((tag, day), [])
        # a row whose reading cannot be read may be the other half of the one before: that one is
        # not taken without it
        unread = line.bad and not readings
        if of_day and (unread or self._belongs(of_day[-1], readings)):
            return of_day[-1]
        base = f"H-{tag}-{day:%Y%m%d}"
        job = _Job(line, tag, day, base if not of_day else f"{base}-{len(of_day) + 1}")
        while job.number in self.jobs:
            job.number += "-x"
        same = next((each for each in of_day if self._says_the_same(each, line)), None)
        if same is not None:
            line.problem(
                "tag", f"The row says the same as {same.line.at(None)}.",
                "Delete one of them; a second calibration has readings of its own.",
            )  # fmt: skip
        of_day.append(job)
        self.jobs[job.number] = job
        return job

    @staticmethod
    def _belongs(job: _Job, readings: Sequence[_Reading]) -> bool:
        """Whether readings of a row complete the calibration instead of beginning another."""
        if not readings:
            return False
        for each in readings:
            there = job.runs.get((each.phase, each.set_point, each.run))
            if there is not None and set(there.values) & set(each.values):
                return False
        return True

    @staticmethod
    def _says_the_same(job: _Job, line: Line) -> bool:
        return job.line.sheet is line.sheet and list(job.line.cells) == list(line.cells)

    def _readings(self, line: Line, tag: str, day: date | None) -> Iterator[_Reading]:
        sheet = line.sheet
        row_phase, row_point, row_run = line.get("phase"), line.get("set_point"), line.get("run")
        phase_here = row_phase if isinstance(row_phase, str) else ""
        point_here = row_point if isinstance(row_point, str) else ""
        run_here = int(row_run) if isinstance(row_run, int | Decimal) else 1
        single: dict[str, tuple[object, Placed]] = {}
        for name in READING_FIELDS:
            placed = sheet.at.get(name)
            if placed is not None:
                value = line.read(placed)
                if value is not None:
                    single[name] = (value, placed)
        placed = sheet.at.get("reading")
        if placed is not None:
            value = line.read(placed)
            kind = line.get("kind_of_reading")
            name = kind.casefold() if isinstance(kind, str) else "trip"
            if name not in READING_FIELDS:
                line.problem("kind_of_reading", f"{shown(kind)} is no kind of reading.",
                             "Use: trip, reset, static, outcome.")  # fmt: skip
            elif value is not None:
                single[name] = (value, placed)
        groups: list[tuple[tuple[str, str, int | None], dict[str, tuple[object, Placed]]]] = []
        if single:
            groups.append((("", "", None), single))
        for key, group in sheet.groups.items():
            values = {}
            for name, each in group.items():
                value = line.read(each)
                if value is not None:
                    values[name] = (value, each)
            if values:
                groups.append((key, values))
        for (point, phase, run), values in groups:
            label = point or point_here or self._only_label(tag, day)
            if not label and tag:
                known = self.moving.switches.get(tag)
                if known:
                    labels = ", ".join(p.label for p in known[-1].set_points)
                    line.problem(
                        "set_point", f"{tag} has several set points ({labels}); none is named.",
                        'Map a column to set_point, or add set_point = "..." to the columns.',
                    )  # fmt: skip
            yield _Reading(
                line, values, label, (phase or phase_here).casefold(),
                run if run is not None else run_here,
            )  # fmt: skip

    def _only_label(self, tag: str, day: date | None) -> str:
        """The label of a switch that has one set point."""
        known = self.moving.switches.get(tag)
        if not known:
            return ""
        current = [s for s in known if day is None or s.effective_on <= day] or known[:1]
        points = current[-1].set_points
        return points[0].label if len(points) == 1 else ""

    # jobs to canonical rows -----------------------------------------------------------------

    def _row(self, job: _Job) -> MovedRow:
        line, moving = job.line, self.moving
        values: dict[str, object] = {"calibration": job.number, "tag": job.tag or None}
        quiet: set[str] = set()
        for name, key in _FIELDS:
            if key in values:
                continue
            value = moving.refer(line, name) if key in _REFERENCES else line.get(name)
            if value is None and key in line.failed:
                quiet.add(key)
            if value is not None:
                values[key] = value
        without_idle_reason(values, line)
        unit = values.get("barometric unit")
        if isinstance(unit, Value):
            values["barometric unit"] = unit.unit
        air = values.get("barometric")
        if isinstance(air, Value):
            values["barometric"] = air.number
            values.setdefault("barometric unit", air.unit)
        row = MovedRow(values, line, quiet=quiet)
        for role in ("operating", "static"):
            code = values.get(f"{role} gauge")
            if not isinstance(code, str):
                if role == "operating" and "operating gauge" not in quiet:
                    quiet.add("operating certificate")  # the missing gauge is named
                continue
            if values.get(f"{role} certificate") is None:
                number = self._in_force(code, job.day)
                if number:
                    values[f"{role} certificate"] = number
                    continue
                quiet.add(f"{role} certificate")
                if job.day is not None and code in moving.gauge_names.names:
                    row.problem(
                        f"{role}_gauge",
                        f"No certificate of {code} was in force on {job.day}.",
                        f"Move in that certificate, too, or name it in a column for "
                        f"{role}_certificate.",
                    )
        return row

    def _in_force(self, gauge: str, day: date | None) -> str:
        """The newest certificate issued, neither withdrawn nor corrected, by the day; else ''.

        As for work at the bench: a gauge cannot be used on a certificate not yet issued.
        """
        if day is None:
            return ""
        certificates = self._certificates.get(gauge, ())
        corrected = {
            c.replaces for c in certificates if c.replaces is not None and c.issued_on <= day
        }
        found = [
            c
            for c in certificates
            if c.issued_on <= day
            and c.calibrated_on <= day
            and c.number not in corrected
            and (c.withdrawal is None or c.withdrawal.withdrawn_on > day)
        ]
        return found[-1].number if found else ""

    def _runs(self, job: _Job, row: MovedRow) -> Iterator[MovedRow]:
        switch = self._switch(job)
        roles = {"trip": "operating gauge", "reset": "operating gauge", "static": "static gauge"}
        units = {name: self._gauge_unit(row.raw(role), job.day) for name, role in roles.items()}
        for each in (*job.runs.values(), *job.twice):
            line = each.line
            values: dict[str, object] = {
                "calibration": job.number, "phase": each.phase or None,
                "set point": each.set_point or None, "run": each.run,
            }  # fmt: skip
            quiet = set()
            if not each.phase:
                quiet.add("phase")
            if not each.set_point:
                quiet.add("set point")
            place = _place_of(each)
            for name, (value, placed) in each.values.items():
                if isinstance(value, Outcome):
                    values["outcome"] = value.word
                elif isinstance(value, Value):
                    values[name] = self._number(line, placed, value, units[name], switch)
                else:
                    values[name] = value
            yield MovedRow(values, line, place, quiet)

    def _switch(self, job: _Job) -> rec.Switch | None:
        known = self.moving.switches.get(job.tag)
        if not known:
            return None
        current = [s for s in known if job.day is None or s.effective_on <= job.day]
        return (current or known[:1])[-1]

    def _gauge_unit(self, code: object, day: date | None) -> str:
        known = self.moving.gauges.get(code) if isinstance(code, str) else None
        if not known:
            return ""
        current = [g for g in known if day is None or g.effective_on <= day]
        return (current or known[:1])[-1].unit

    @staticmethod
    def _number(
        line: Line, placed: Placed, value: Value, unit: str, switch: rec.Switch | None
    ) -> Decimal | None:
        """A reading in the unit of its gauge."""
        if not value.unit:
            told = line.get("unit")
            if isinstance(told, Value):
                value = replace(value, unit=told.unit)
        if value.mode is not None and switch is not None:
            absolute = switch.quantity is rec.Quantity.ABSOLUTE
            if absolute != (str(value.mode) == "absolute"):
                line.problem(placed, f"The unit is one of {value.mode} pressure, {switch.tag} is "
                             f"for {switch.quantity}.", "Correct the unit.")  # fmt: skip
                return value.number
        if value.unit == OF_GAUGE:
            return value.number
        if value.unit == OF_SWITCH:
            value = replace(value, unit=switch.unit if switch is not None else "")
        elif not value.unit and unit and switch is not None and switch.unit != unit:
            line.problem(
                placed,
                f"The reading names no unit; the switch is in '{switch.unit}', the gauge in "
                f"'{unit}'.",
                f'Add unit = "{OF_SWITCH}", unit = "{OF_GAUGE}" or the unit to the column in the '
                "mapping.",
            )
            return value.number
        try:
            return in_unit(value, unit)
        except Misread as error:
            line.problem(placed, error.message, error.hint)
            return value.number


def _place_of(reading: _Reading) -> Callable[[str], str]:
    def place(name: str) -> str:
        found = reading.values.get(squeezed(name))
        if found is None and squeezed(name) in ("set point", "phase", "run"):
            line = reading.line
            if line.sheet.at.get(squeezed(name)) is not None:
                return line.where(name)
            found = reading.values.get("trip") or next(iter(reading.values.values()), None)
        return reading.line.at(found[1]) if found is not None else reading.line.where(name)

    return place
