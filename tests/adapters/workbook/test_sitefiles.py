"""The sample site is read as promised; bad data is named by file, sheet and cell."""

from __future__ import annotations

import csv
import datetime as dt
import filecmp
import re
import runpy
import shutil
import subprocess
import sys
from collections import Counter
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from decimal import Decimal
from pathlib import Path
from typing import Any

import openpyxl
import pytest

from calfleet.adapters.workbook.sitefiles import read_bench_file, read_site
from calfleet.adapters.workbook.sources import number_shown
from calfleet.errors import DataProblems
from calfleet.metrology.units import PressureMode
from calfleet.records import (
    CycleOutcome,
    GaugeRole,
    GaugeStatus,
    Phase,
    Quantity,
    Role,
    SiteInput,
    SwitchStatus,
)

SAMPLE = Path(__file__).resolve().parents[3] / "sample_site"

# --- the sample site ----------------------------------------------------------------------


@pytest.fixture(scope="module")
def site() -> SiteInput:
    return read_site(SAMPLE)


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The sample site generated again, by the script itself, in another process."""
    folder = tmp_path_factory.mktemp("again")
    subprocess.run(
        [sys.executable, str(SAMPLE / "make_sample_site.py"), str(folder)],
        check=True,
        timeout=120,
    )
    return folder


def test_sample_site_holds_what_it_promises(site: SiteInput) -> None:
    tags = {switch.tag for switch in site.switches}
    assert 155 <= len(tags) <= 170
    assert {s.quantity for s in site.switches} == set(Quantity) - {Quantity.ABSOLUTE}
    assert {s.unit for s in site.switches} == {"kPa", "bar", "mbar", "psi", "inH2O_20C", "degC"}
    assert len({g.code for g in site.gauges}) == 14
    assert {g.tier for g in site.gauges} == {1, 2, 3}
    assert len({g.code for g in site.gauges if g.mode is None}) == 2
    assert {g.code for g in site.gauges if g.oxygen_clean} == {"RG-206"}
    assert len({p.code for p in site.procedures}) == 6
    assert len(site.procedures) == 10
    assert {p.decision_rule for p in site.procedures} == {
        "simple acceptance", "guarded acceptance", "non-binary", "managed risk",
        "conformance probability",
    }  # fmt: skip
    assert len(site.people) == 8
    assert min(b.performed_on for b in site.history) < dt.date(2023, 7, 1)
    assert dt.date(2026, 11, 1) < max(b.performed_on for b in site.history) <= dt.date(2026, 11, 20)
    assert len(site.history) > 550
    assert any(len(s.set_points) == 2 for s in site.switches)
    assert {s.status for s in site.switches} >= {SwitchStatus.IN_STORE, SwitchStatus.OUT_OF_SERVICE}


def test_sample_site_tells_its_stories(site: SiteInput) -> None:
    by_number = {c.number: c for c in site.certificates}
    labs = {lab.code: lab for lab in site.laboratories}
    # a certificate used after its year
    late = [
        b
        for b in site.history
        for used in b.gauges
        if used.gauge == "RG-207"
        and (b.performed_on - by_number[used.certificate].calibrated_on).days > 366
    ]
    assert len(late) == 3
    # a chain that breaks at a laboratory whose accreditation had ended
    unaccredited = [
        c.number
        for c in site.certificates
        if labs[c.laboratory].kind == "accredited"
        and labs[c.laboratory].accreditation(c.calibrated_on) is None
    ]
    assert len(unaccredited) == 1
    assert any(
        s.certificate == unaccredited[0] and c.gauge == "RG-302"
        for c in site.certificates
        for s in c.standards
    )
    # a gauge found out of tolerance: permissible error 0.2 % of 16 bar
    dropped = max((c for c in site.certificates if c.gauge == "RG-301"), key=lambda c: c.issued_on)
    worst = max(abs(p.error) for p in dropped.points_in(Phase.AS_FOUND))
    assert worst > 2 * Decimal("0.032")
    assert max(abs(p.error) for p in dropped.points_in(Phase.AS_LEFT)) < Decimal("0.032")
    assert dropped.adjusted
    outcomes = Counter(c.outcome for b in site.history for c in b.cycles)
    assert all(outcomes[each] for each in CycleOutcome)
    assert [g.status for g in site.gauges if g.code == "RG-204"] == [
        GaugeStatus.IN_SERVICE,
        GaugeStatus.AT_LABORATORY,
    ]
    withdrawn = [c for c in site.certificates if c.withdrawal]
    assert [c.number for c in site.certificates if c.replaces == withdrawn[0].number]
    expired = [p for p in site.people if p.qualification(Quantity.TEMPERATURE, dt.date(2026, 3, 1))
               and not p.qualification(Quantity.TEMPERATURE, dt.date(2026, 11, 25))]  # fmt: skip
    assert {p.code for p in expired} == {"P04"}


def test_sample_history_is_done_by_people_who_may(site: SiteInput) -> None:
    people = {p.code: p for p in site.people}
    switches = {s.tag: s for s in site.switches}
    for bench in site.history:
        person = people[bench.performed_by]
        assert person.holds(Role.TECHNICIAN, bench.performed_on), bench
        assert person.qualification(switches[bench.tag].quantity, bench.performed_on), bench
        if switches[bench.tag].criticality == "safety":
            assert bench.verified_by not in (None, bench.performed_by)


def test_sample_readings_have_the_gauges_digits(site: SiteInput) -> None:
    gauges = {g.code: g for g in site.gauges}
    for bench in site.history:
        for used in bench.gauges:
            gauge = gauges[used.gauge]
            for cycle in bench.cycles:
                readings = [cycle.static] if used.role is GaugeRole.STATIC else [cycle.trip]
                for reading in readings:
                    if reading is not None:
                        assert reading.as_tuple().exponent == gauge.resolution.as_tuple().exponent
                        assert reading % gauge.resolution == 0


def test_sample_differences_at_line_pressure_read_static_plus_difference(site: SiteInput) -> None:
    switches = {s.tag: s for s in site.switches}
    gauges = {g.code: g for g in site.gauges}
    seen = 0
    for bench in site.history:
        if [u.gauge for u in bench.gauges] != ["RG-202", "RG-202"]:
            continue
        point = switches[bench.tag].set_points[0]
        assert gauges["RG-202"].mode is PressureMode.GAUGE
        assert switches[bench.tag].unit == "kPa"
        for cycle in bench.cycles:
            assert cycle.trip is not None
            assert cycle.static is not None
            seen += 1
            assert abs(cycle.trip - cycle.static - point.value) < 3 * (point.tolerance_plus or 0)
    assert seen > 60


def test_sample_certificates_span_the_range(site: SiteInput) -> None:
    gauges = {g.code: g for g in site.gauges}
    for certificate in site.certificates:
        gauge = gauges[certificate.gauge]
        span = gauge.range_high - gauge.range_low
        for phase in Phase:
            for direction in ("rising", "falling"):
                points = [p for p in certificate.points_in(phase) if p.direction == direction]
                assert 6 <= len(points) <= 11
                assert min(p.reference for p in points) <= gauge.range_low + span / 100
                assert max(p.reference for p in points) >= gauge.range_high - span / 100


def test_numbers_of_workbooks_keep_the_digits_shown(site: SiteInput) -> None:
    first = next(s for s in site.switches if s.tag == "PSHH-1101A")
    assert str(first.set_points[0].value) == "16.00"
    assert str(first.set_points[0].repeatability_limit) == "0.10"
    assert str(next(g for g in site.gauges if g.code == "RG-203").range_high) == "200.00"


def test_generator_gives_the_files_beside_it(made: Path) -> None:
    names = sorted(str(p.relative_to(made)) for p in made.rglob("*") if p.is_file())
    kept = sorted(
        str(p.relative_to(SAMPLE))
        for p in SAMPLE.rglob("*")
        if p.is_file() and p.suffix in (".csv", ".toml", ".xlsx")
    )
    assert names == kept
    texts = [name for name in names if not name.endswith(".xlsx")]
    match, mismatch, errors = filecmp.cmpfiles(made, SAMPLE, texts, shallow=False)
    assert (sorted(match), mismatch, errors) == (sorted(texts), [], [])
    for name in ("switches.xlsx", "gauges.xlsx"):
        # cell by cell, because another release of openpyxl may write other XML
        assert _cells(made / name) == _cells(SAMPLE / name)


def test_generator_run_twice_is_identical_byte_for_byte(made: Path, tmp_path: Path) -> None:
    runpy.run_path(str(SAMPLE / "make_sample_site.py"))["make"](tmp_path)
    for path in made.rglob("*"):
        if path.is_file():
            assert path.read_bytes() == (tmp_path / path.relative_to(made)).read_bytes(), path


def _cells(path: Path) -> dict[str, list[list[tuple[Any, str]]]]:
    book = openpyxl.load_workbook(path)
    return {
        sheet.title: [[(cell.value, cell.number_format) for cell in row] for row in sheet]
        for sheet in book.worksheets
    }


# --- a small site to break ----------------------------------------------------------------


@dataclass
class Small:
    """The files of a small good site, to be changed before ``write``."""

    folder: Path
    toml: str = """
[site]
code = "S1"
name = "Small works"
[[areas]]
code = "A1"
name = "Hall"
[[policies]]
code = "Y1"
effective_on = 2022-01-01
basis = "last done"
every = 12
unit = "month"
[[laboratories]]
code = "LAB"
name = "A laboratory"
kind = "accredited"
[[laboratories.accreditations]]
number = "X-1"
valid_from = 2020-01-01
valid_until = 2029-12-31
"""
    procedure: str = """
code = "PR"
title = "Bench"
revision = 1
approved_on = 2022-01-10
approved_by = "P1"
effective_on = 2022-02-01
quantities = ["pressure", "differential pressure"]
hazards = ["trip"]
steps = ["Do it."]
[runs]
exercise_cycles = 3
as_found = 1
as_left = 3
ramp_limit_fraction_per_s = 0.01
[environment]
temperature_min_c = 15
temperature_max_c = 28.0
humidity_max = 0.75
[decision]
required_tur = 4
rule = "simple acceptance"
guard_factor = 1.0
coverage_probability = 0.95
"""
    tables: dict[str, list[dict[str, Any]]] = field(default_factory=dict)
    skip: set[str] = field(default_factory=set)

    def write(self) -> Path:
        (self.folder / "procedures").mkdir(parents=True, exist_ok=True)
        self.put("site.toml", self.toml)
        self.put("procedures/PR-r1.toml", self.procedure)
        books = {"switches.xlsx": ("Switches", "Set points"), "gauges.xlsx": ("Gauges",)}
        for name, titles in books.items():
            if name in self.skip:
                continue
            book = openpyxl.Workbook()
            book.remove(book.worksheets[0])
            for title in titles:
                if title in self.skip:
                    continue
                rows = self.tables[title]
                sheet = book.create_sheet(title)
                sheet.append(list(rows[0]))
                for row in rows:
                    sheet.append(list(row.values()))
            if not book.worksheets:
                book.create_sheet("Else")
            book.save(self.folder / name)
        for name, rows in self.tables.items():
            if name.endswith(".csv") and name not in self.skip:
                with (self.folder / name).open("w", encoding="utf-8", newline="") as stream:
                    writer = csv.writer(stream)
                    writer.writerow(list(rows[0]))
                    writer.writerows([list(row.values()) for row in rows])
        return self.folder

    def put(self, name: str, text: str) -> None:
        if name not in self.skip:
            (self.folder / name).write_text(text, encoding="utf-8")

    def problems(self) -> list[str]:
        with pytest.raises(DataProblems) as caught:
            read_site(self.write())
        assert caught.value.exit_code == 1
        return [str(problem) for problem in caught.value.problems]


SWITCH: dict[str, Any] = {
    "Tag": "PS-1", "Revision": 1, "Effective on": dt.date(2023, 1, 2), "Reason": "",
    "Serial number": 12345, "Area": "A1", "Service": "Water low", "Family": "bellows",
    "Quantity": "pressure", "Unit": "bar", "Range low": 1, "Range high": 10,
    "Line unit": "bar", "Proof pressure": 25, "Static pressure": 0, "Medium": "water",
    "Criticality": "safety", "Outage-bound": "no", "Status": "in service",
    "Interval policy": "Y1", "Procedure": "PR", "Bench minutes": 60, "Hazards": "trip, hot",
}  # fmt: skip
POINT: dict[str, Any] = {
    "Tag": "PS-1", "Revision": 1, "Label": "L", "Set point": 4.0, "Direction": "falling",
    "Tolerance minus": 0.2, "Tolerance plus": 0.2, "Tolerance basis": "absolute",
    "As-left minus": 0.1, "As-left plus": 0.1, "Dead band": "fixed", "Dead band min": 0.1,
    "Dead band max": 0.8, "Repeatability limit": None, "Contact form": "SPDT",
    "Action": "trip", "Energised state": "de-energise to trip",
}  # fmt: skip
GAUGE: dict[str, Any] = {
    "Gauge": "G-1", "Revision": 1, "Effective on": dt.date(2023, 1, 2), "Reason": "",
    "Serial number": "77", "Description": "Bench gauge", "Status": "in service",
    "Mode": "gauge", "Unit": "bar", "Range low": 0, "Range high": 16, "Resolution": 0.01,
    "Accuracy": 0.1, "Accuracy basis": "% of span", "Drift per year": 0.01,
    "Temperature coefficient": 0.001, "Reference temperature": 20, "Use corrections": "yes",
    "Tier": 1, "Interval policy": "Y1", "Oxygen clean": "no", "Same-gauge correlation": 0,
    "Static limit": None,
}  # fmt: skip


@pytest.fixture
def small(tmp_path: Path) -> Small:
    certificate = {
        "certificate": "C-1", "gauge": "G-1", "laboratory": "LAB", "calibrated_on": "2023-01-10",
        "issued_on": "2023-01-12", "unit": "bar", "temperature_c": "20.1", "humidity": "0.45",
        "adjusted": "no", "withdrawn_on": "", "withdrawal_reason": "", "replaces": "",
        "replacement_reason": "", "remarks": "",
    }  # fmt: skip
    points = [
        {"certificate": "C-1", "phase": "as-left", "direction": "rising", "reference": value,
         "indication": value, "expanded_uncertainty": "0.005", "coverage_factor": "2"}
        for value in ("0.00", "8.00", "16.00")
    ]  # fmt: skip
    calibration = {
        "calibration": "K1", "tag": "PS-1", "performed_on": "2023-03-01", "performed_by": "P1",
        "procedure": "PR", "procedure_revision": "1", "operating_gauge": "G-1",
        "operating_certificate": "C-1", "static_gauge": "", "static_certificate": "",
        "temperature_c": "21.0", "humidity": "45 %", "adjusted": "no", "verified_by": "P2",
    }  # fmt: skip
    cycle = {"calibration": "K1", "phase": "as-found", "set_point": "L", "run": "1",
             "trip": "4.00", "reset": "4.30", "static": "", "outcome": ""}  # fmt: skip
    return Small(
        tmp_path / "small",
        tables={
            "people.csv": [
                {"person": "P1", "name": "One", "role": "technician", "effective_on": "2022-01-01"},
                {"person": "P2", "name": "Two", "role": "approver", "effective_on": "2022-01-01"},
            ],
            "qualifications.csv": [
                {"person": "P1", "quantity": "pressure", "granted_on": "2022-01-01",
                 "expires_on": "2025-01-01", "granted_by": "P2"},
            ],
            "Switches": [dict(SWITCH)],
            "Set points": [dict(POINT)],
            "Gauges": [dict(GAUGE)],
            "certificates.csv": [certificate],
            "certificate_points.csv": points,
            "certificate_standards.csv": [
                {"certificate": "C-1", "description": "balance", "gauge": "",
                 "standard_certificate": ""},
            ],
            "calibrations.csv": [calibration],
            "cycles.csv": [cycle],
        },
    )  # fmt: skip


def test_small_site_is_good(small: Small) -> None:
    names: list[str] = []
    site = read_site(small.write(), names.append)
    assert names[0] == "site.toml"
    assert names[-3:] == ["cycles.csv", "planning.toml", "particulars.toml"]
    assert site.switches[0].serial == "12345"
    assert [str(h) for h in site.switches[0].hazards] == ["trip", "hot"]
    bench = site.history[0]
    assert bench.number == "K1"
    assert bench.humidity == Decimal("0.45")
    assert str(bench.cycles[0].trip) == "4.00"
    assert bench.gauges[0].certificate == "C-1"


Change = Callable[[Small], object]


def _set(table: str, column: str, value: object, row: int = 0) -> Change:
    return lambda small: small.tables[table][row].update({column: value})


def _replace(old: str, new: str, name: str = "toml") -> Change:
    def change(small: Small) -> None:
        text = getattr(small, name)
        assert old in text
        setattr(small, name, text.replace(old, new))

    return change


def _again(table: str, **changes: object) -> Change:
    return lambda small: small.tables[table].append({**small.tables[table][0], **changes})


CASES: dict[str, tuple[Change, str, str]] = {
    # name: (what is broken, where it must be found, words of the message)
    "missing file": (lambda s: s.skip.add("people.csv"), "people.csv", "is missing"),
    "missing workbook": (lambda s: s.skip.add("gauges.xlsx"), "gauges.xlsx", "is missing"),
    "missing sheet": (lambda s: s.skip.add("Set points"), "switches.xlsx", "'Set points'"),
    "missing csv column": (
        lambda s: [r.pop("granted_on") for r in s.tables["qualifications.csv"]],
        "qualifications.csv, line 1", "'granted_on' is missing"),
    "missing sheet column": (
        lambda s: [r.pop("Unit") for r in s.tables["Gauges"]],
        "gauges.xlsx, Gauges!1:1", "'Unit' is missing"),
    "unknown column": (
        _set("people.csv", "rolle", ""), "people.csv, line 1", "No such column: 'rolle'"),
    "text for a number": (
        _set("Switches", "Range low", "low"), "switches.xlsx, Switches!K2", "not a number"),
    "decimal comma": (
        _set("cycles.csv", "trip", "4,00"), "cycles.csv, line 2, column trip", "Write 4.00"),
    "text for a date": (
        _set("qualifications.csv", "granted_on", "1.1.2022"),
        "qualifications.csv, line 2, column granted_on", "YYYY-MM-DD"),
    "day not in the calendar": (
        _set("people.csv", "effective_on", "2022-02-30"),
        "people.csv, line 2, column effective_on", "calendar"),
    "number for a flag": (
        _set("Switches", "Outage-bound", 3), "switches.xlsx, Switches!R2", "yes nor no"),
    "word not in the list": (
        _set("Set points", "Direction", "up"), "switches.xlsx, Set points!E2", "rising, falling"),
    "ambiguous unit": (
        _set("Switches", "Unit", "inH2O"), "switches.xlsx, Switches!J2", "inH2O_20C"),
    "unknown unit": (_set("Gauges", "Unit", "baar"), "gauges.xlsx, Gauges!I2", "baar"),
    "unit of another kind": (
        _set("Gauges", "Unit", "degC"), "gauges.xlsx, Gauges!I2", "not a unit of pressure"),
    "unknown area": (_set("Switches", "Area", "A2"), "switches.xlsx, Switches!F2", "Nearest: A1"),
    "unknown procedure": (
        _set("Switches", "Procedure", "PX"), "switches.xlsx, Switches!U2", "No procedure"),
    "unknown policy": (
        _set("Gauges", "Interval policy", "Z"), "gauges.xlsx, Gauges!T2", "No interval policy"),
    "unknown laboratory": (
        _set("certificates.csv", "laboratory", "LAP"),
        "certificates.csv, line 2, column laboratory", "Nearest: LAB"),
    "unknown gauge": (
        _set("calibrations.csv", "operating_gauge", "G-2"),
        "calibrations.csv, line 2, column operating_gauge", "Nearest: G-1"),
    "unknown certificate": (
        _set("calibrations.csv", "operating_certificate", "C-9"),
        "calibrations.csv, line 2, column operating_certificate", "No certificate"),
    "unknown person": (
        _set("calibrations.csv", "performed_by", "P9"),
        "calibrations.csv, line 2, column performed_by", "No person"),
    "unknown tag": (
        _set("calibrations.csv", "tag", "PS-2"), "calibrations.csv, line 2, column tag", "PS-1"),
    "unknown set point": (
        _set("cycles.csv", "set_point", "LL"), "cycles.csv, line 2, column set_point",
        "Nearest: L"),
    "duplicate tag": (_again("Switches"), "switches.xlsx, Switches!A3", "First: switches.xlsx"),
    "duplicate gauge": (_again("Gauges"), "gauges.xlsx, Gauges!A3", "twice"),
    "duplicate certificate": (
        _again("certificates.csv"), "certificates.csv, line 3, column certificate", "twice"),
    "duplicate set point": (_again("Set points"), "switches.xlsx, Set points!C3", "twice"),
    "duplicate run": (_again("cycles.csv"), "cycles.csv, line 3, column run", "twice"),
    "duplicate area": (
        _replace("[[policies]]", '[[areas]]\ncode = "A1"\nname = "x"\n[[policies]]'),
        "site.toml, [[areas]] 2, code", "twice"),
    "revision before its time": (
        _again("Gauges", **{"Revision": 2, "Effective on": dt.date(2022, 1, 1)}),
        "gauges.xlsx, Gauges!C3", "wrong order"),
    "qualification ends before it starts": (
        _set("qualifications.csv", "expires_on", "2021-01-01"),
        "qualifications.csv, line 2, column expires_on", "wrong order"),
    "issued before calibrated": (
        _set("certificates.csv", "issued_on", "2023-01-01"),
        "certificates.csv, line 2, column issued_on", "wrong order"),
    "certificate after its use": (
        _set("calibrations.csv", "performed_on", "2023-01-05"),
        "calibrations.csv, line 2, column operating_certificate", "wrong order"),
    "calibration before the data sheet": (
        _set("calibrations.csv", "performed_on", "2022-12-01"),
        "calibrations.csv, line 2, column performed_on", "2023-01-02"),
    "accreditation reversed": (
        _replace("valid_until = 2029", "valid_until = 2019"),
        "site.toml, [[laboratories]] 1, [[accreditations]] 1, valid_until", "wrong order"),
    "procedure in force before approval": (
        _replace("effective_on = 2022-02-01", "effective_on = 2022-01-01", "procedure"),
        "procedures/PR-r1.toml, effective_on", "wrong order"),
    "empty range": (
        _set("Switches", "Range high", 1), "switches.xlsx, Switches!L2", "1 to 1 is empty"),
    "set point outside the range": (
        _set("Set points", "Set point", 11), "switches.xlsx, Set points!D2", "outside the range"),
    "dead band reversed": (
        _set("Set points", "Dead band max", 0.05), "switches.xlsx, Set points!M2", "reversed"),
    "negative tolerance": (
        _set("Set points", "Tolerance minus", -1), "switches.xlsx, Set points!F2", "below 0"),
    "no tolerance": (
        lambda s: s.tables["Set points"][0].update(
            {"Tolerance minus": None, "Tolerance plus": None}),
        "switches.xlsx, Set points!F2", "no tolerance"),
    "as-left wider than tolerance": (
        _set("Set points", "As-left plus", 0.3), "switches.xlsx, Set points!J2", "wider"),
    "above the proof pressure": (
        _set("Switches", "Proof pressure", 9), "switches.xlsx, Switches!N2", "proof pressure"),
    "humidity in per cent": (
        _set("certificates.csv", "humidity", "45"),
        "certificates.csv, line 2, column humidity", "45 % is 0.45"),
    "no resolution": (_set("Gauges", "Resolution", 0), "gauges.xlsx, Gauges!L2", "above 0"),
    "static limit of a gauge that has none": (
        _set("Gauges", "Static limit", 40), "gauges.xlsx, Gauges!W2", "Only a differential"),
    "uncertainty of zero": (
        _set("certificate_points.csv", "expanded_uncertainty", "0", 1),
        "certificate_points.csv, line 3, column expanded_uncertainty", "above 0"),
    "reset on the wrong side": (
        _set("cycles.csv", "reset", "3.80"), "cycles.csv, line 2, column reset",
        "trips falling resets above"),
    "reading outside the gauge": (
        _set("cycles.csv", "reset", "16.5"), "cycles.csv, line 2, column reset",
        "outside the range 0 to 16 bar of G-1"),
    "static without a gauge": (
        _set("cycles.csv", "static", "1.00"), "cycles.csv, line 2, column static", "no gauge"),
    "no trip with a reading": (
        _set("cycles.csv", "outcome", "no trip"), "cycles.csv, line 2, column trip", "no trip"),
    "second person is the first": (
        _set("calibrations.csv", "verified_by", "P1"),
        "calibrations.csv, line 2, column verified_by", "second person"),
    "calibration without readings": (
        _again("calibrations.csv", calibration="K2"),
        "calibrations.csv, line 3, column calibration", "no readings"),
    "certificate of another gauge": (
        lambda s: (_again("Gauges", Gauge="G-2")(s),
                   _set("calibrations.csv", "operating_gauge", "G-2")(s)),
        "calibrations.csv, line 2, column operating_certificate", "certificate of G-1"),
    "standard named without certificate": (
        _set("certificate_standards.csv", "gauge", "G-1"),
        "certificate_standards.csv, line 2, column standard_certificate", "together"),
    "toml syntax": (_replace('code = "S1"', "code = S1"), "site.toml", "not valid TOML"),
    "toml key": (_replace("every =", "evry ="), "site.toml, [[policies]] 1, evry", "every"),
    "unknown decision rule": (
        _replace("simple acceptance", "easy", "procedure"),
        "procedures/PR-r1.toml, [decision], rule", "guarded acceptance"),
}  # fmt: skip


@pytest.mark.parametrize("name", CASES)
def test_bad_data_is_named_with_its_place(small: Small, name: str) -> None:
    change, where, words = CASES[name]
    change(small)
    problems = small.problems()
    found = [text for text in problems if text.startswith(where + ": ")]
    assert found, problems
    assert any(words in text for text in found), found


def test_several_problems_are_reported_at_once_in_order(small: Small) -> None:
    for name in ("duplicate tag", "ambiguous unit", "reset on the wrong side", "toml key",
                 "unknown area"):  # fmt: skip
        CASES[name][0](small)
    problems = small.problems()
    wheres = [text.split(": ")[0] for text in problems]
    for expected in (
        "site.toml, [[policies]] 1, evry",
        "switches.xlsx, Switches!J2",
        "switches.xlsx, Switches!F2",
        "switches.xlsx, Switches!A3",
        "cycles.csv, line 2, column reset",
    ):
        assert expected in wheres
    assert wheres.index("site.toml, [[policies]] 1, evry") == 0
    assert wheres[-1].startswith("cycles.csv")


def test_a_missing_file_does_not_make_every_reference_a_problem(small: Small) -> None:
    small.skip.add("people.csv")
    assert len(small.problems()) == 1


def test_folder_that_is_not_there(tmp_path: Path) -> None:
    with pytest.raises(DataProblems, match="1 problem"):
        read_site(tmp_path / "nowhere")


@pytest.mark.parametrize("content", [b"", b"not a zip", b"PK\x03\x04broken" * 40])
def test_damaged_workbook_is_one_problem(small: Small, content: bytes) -> None:
    folder = small.write()
    (folder / "gauges.xlsx").write_bytes(content)
    with pytest.raises(DataProblems) as caught:
        read_site(folder)
    assert [p.where for p in caught.value.problems] == ["gauges.xlsx"]


def test_every_truncation_of_a_workbook_is_a_problem_not_a_crash(small: Small) -> None:
    folder = small.write()
    whole = (folder / "gauges.xlsx").read_bytes()
    for size in range(0, len(whole), 97):
        (folder / "gauges.xlsx").write_bytes(whole[:size])
        with pytest.raises(DataProblems):
            read_site(folder)


def test_text_that_is_not_utf8(small: Small) -> None:
    folder = small.write()
    (folder / "people.csv").write_bytes("person,name\nP1,Äpfel".encode("latin-1"))
    with pytest.raises(DataProblems) as caught:
        read_site(folder)
    assert "UTF-8" in str(caught.value.problems[0])


def test_csv_from_a_spreadsheet_with_mark_and_semicolons(small: Small) -> None:
    folder = small.write()
    good = (folder / "people.csv").read_text(encoding="utf-8")
    (folder / "people.csv").write_text("\ufeff" + good.replace("\n", "\r\n"), encoding="utf-8")
    assert len(read_site(folder).people) == 2
    (folder / "people.csv").write_text(good.replace(",", ";"), encoding="utf-8")
    with pytest.raises(DataProblems) as caught:
        read_site(folder)
    assert "semicolons" in str(caught.value.problems[0])


def test_line_with_a_comma_too_many(small: Small) -> None:
    folder = small.write()
    with (folder / "people.csv").open("a", encoding="utf-8") as stream:
        stream.write("P3,Three,the third,technician,2022-01-01\n")
    with pytest.raises(DataProblems) as caught:
        read_site(folder)
    assert str(caught.value.problems[0]).startswith("people.csv, line 4: The line has 5 cells")


def test_formula_gives_its_stored_value_or_a_problem(small: Small) -> None:
    small.tables["Set points"][0]["As-left plus"] = "=G2/2"
    assert any("Set points!J2: The formula has no stored result." in text
               for text in small.problems())  # fmt: skip


def test_error_value_in_a_cell(small: Small) -> None:
    small.tables["Gauges"][0]["Accuracy"] = "#REF!"
    assert any("Gauges!M2: The cell holds the error #REF!" in text for text in small.problems())


def test_blank_rows_and_a_wrong_stated_size_do_not_matter(small: Small) -> None:
    folder = small.write()
    book = openpyxl.load_workbook(folder / "gauges.xlsx")
    sheet = book["Gauges"]
    sheet.insert_rows(2)
    sheet.cell(9, 3).value = "  "
    book.save(folder / "gauges.xlsx")
    assert [g.code for g in read_site(folder).gauges] == ["G-1"]
    small.tables["Gauges"][0]["Tier"] = 0
    book["Gauges"]["S3"] = 0
    book.save(folder / "gauges.xlsx")
    with pytest.raises(DataProblems) as caught:
        read_site(folder)
    assert caught.value.problems[0].where == "gauges.xlsx, Gauges!S3"


@pytest.mark.parametrize(
    ("value", "shown", "text"),
    [(2.5, "0.00", "2.50"), (0.1 + 0.2, "General", "0.3"), (1600, "0", "1600"),
     (1.25, "0.0", "1.25"), (-3.0, "#,##0.000", "-3.000"), (1e-5, "General", "0.00001"),
     (1e300, "0.00", "1" + "0" * 300)],
)  # fmt: skip
def test_number_of_a_cell(value: float, shown: str, text: str) -> None:
    assert str(format(number_shown(value, shown), "f")) == text


# --- readings files -----------------------------------------------------------------------

CSV_FILE = """tag,PDSL-4104
date,2026-11-25
person,P02
verified by,P03
procedure,DP-STAT
procedure revision,2
operating gauge,RG-202
static gauge,RG-202
temperature_c,20.1
humidity,33 %
adjusted,no
cycles
phase,set_point,run,static,trip,reset,outcome
as-found,L,1,1583.6,1650.60,1656.8,tripped
as-found,L,2,1583.2,,,no trip
"""


@pytest.fixture
def bench(tmp_path: Path) -> Iterator[Callable[[str, str], Path]]:
    def write(name: str, text: str) -> Path:
        path = tmp_path / name
        path.write_text(text, encoding="utf-8")
        return path

    return write


def _bench_problems(path: Path) -> list[str]:
    with pytest.raises(DataProblems) as caught:
        read_bench_file(path)
    return [str(problem) for problem in caught.value.problems]


def test_readings_file_of_the_sample_site() -> None:
    record = read_bench_file(SAMPLE / "new_calibration.toml")
    assert record.tag == "PDSL-4104"
    assert record.performed_on == dt.date(2026, 11, 25)
    assert [(u.role, u.gauge, u.certificate) for u in record.gauges] == [
        (GaugeRole.OPERATING, "RG-202", ""),
        (GaugeRole.STATIC, "RG-202", ""),
    ]
    assert Counter(c.phase for c in record.cycles) == {Phase.AS_FOUND: 3, Phase.AS_LEFT: 3}
    assert record.adjusted
    assert record.number is None


def test_toml_readings_keep_their_zeros(bench: Callable[[str, str], Path]) -> None:
    text = (SAMPLE / "new_calibration.toml").read_text(encoding="utf-8")
    first = text.index("trip = ")
    line = text[first : text.index("\n", first)]
    record = read_bench_file(bench("a.toml", text.replace(line, "trip = 1650.50", 1)))
    assert str(record.cycles[0].trip) == "1650.50"


def test_csv_readings_file(bench: Callable[[str, str], Path]) -> None:
    record = read_bench_file(bench("a.csv", CSV_FILE))
    assert str(record.cycles[0].trip) == "1650.60"
    assert record.cycles[1].outcome is CycleOutcome.NO_TRIP
    assert record.cycles[1].trip is None
    assert record.humidity == Decimal("0.33")
    assert record.verified_by == "P03"
    assert not record.adjusted


@pytest.mark.parametrize(
    ("old", "new", "where", "words"),
    [
        ("date,2026-11-25", "date,25.11.2026", "a.csv, line 2", "YYYY-MM-DD"),
        ("person,P02\n", "", "a.csv, person", "missing"),
        ("adjusted,no\n", "", "a.csv, adjusted", "missing"),
        ("temperature_c", "temprature", "a.csv, line 9", "temperature"),
        ("operating gauge,RG-202\n", "", "a.csv, operating gauge", "missing"),
        ("static gauge,RG-202\n", "", "a.csv, line 13, column static", "no static gauge"),
        ("1650.60", "1650,60", "a.csv, line 14, column outcome", "8 cells"),
        ("1650.60", "abc", "a.csv, line 14, column trip", "not a number"),
        ("as-found,L,2", "as-found,L,1", "a.csv, line 15, column run", "twice"),
        (",,,no trip", ",1650,,no trip", "a.csv, line 15, column trip", "no trip"),
        ("tag,PDSL-4104\n", "tag,A\ntag,B\n", "a.csv, line 2", "twice"),
        ("verified by,P03", "verified by,P02", "a.csv, line 4", "second person"),
        ("phase,set_point", "phase,point", "a.csv, line 13", "'set_point' is missing"),
    ],
)
def test_bad_csv_readings(
    bench: Callable[[str, str], Path], old: str, new: str, where: str, words: str
) -> None:
    assert old in CSV_FILE
    problems = _bench_problems(bench("a.csv", CSV_FILE.replace(old, new, 1)))
    assert any(text.startswith(where) and words in text for text in problems), problems


@pytest.mark.parametrize(
    ("old", "new", "where", "words"),
    [
        ("date = 2026-11-25", 'date = "soon"', "a.toml, date", "YYYY-MM-DD"),
        ("humidity = 0.", "humidity = 33 #", "a.toml, [conditions], humidity", "0.45"),
        ("adjusted = true", 'adjusted = "perhaps"', "a.toml, [adjustment], adjusted", "yes nor no"),
        ("revision = 2", 'revision = "two"', "a.toml, [procedure], revision", "not a number"),
        ('phase = "as-found"', 'phase = "found"', "a.toml, [[cycles]] 1, phase", "as-found"),
        ("run = 1", "run = 1.5", "a.toml, [[cycles]] 1, run", "whole number"),
        ("[gauges]", "[gages]", "a.toml, gages", "gauges"),
        ("tag = ", "tagg = ", "a.toml, tagg", "tag"),
        ("static = 15", "statik = 15", "a.toml, [[cycles]] 1, statik", "static"),
        ("trip = 1", "trip = nan #", "a.toml, [[cycles]] 1, trip", "not a number"),
        ("[procedure]", "[procedure", "a.toml", "not valid TOML"),
        ("trip = 1", "trip = 1e999999999 #", "a.toml, [[cycles]] 1, trip", "not a number"),
        ("run = 1", f"run = {'9' * 5000}", "a.toml", "not valid TOML"),
        ("tag = ", f"x = {'[' * 5000}\ntag = ", "a.toml", "not valid TOML"),
        ('tag = "PDSL-4104"', "tag = [1, 2]", "a.toml, tag", "a list is not text"),
        ("date = ", "date = 1 #", "a.toml, date", "not a date"),
        ('phase = "as-found"', "phase = 2026-01-01", "a.toml, [[cycles]] 1, phase", "not text"),
    ],
)
def test_bad_toml_readings(
    bench: Callable[[str, str], Path], old: str, new: str, where: str, words: str
) -> None:
    text = (SAMPLE / "new_calibration.toml").read_text(encoding="utf-8")
    assert old in text
    problems = _bench_problems(bench("a.toml", text.replace(old, new, 1)))
    assert any(line.startswith(where) and words in line for line in problems), problems


def test_readings_file_missing_or_of_another_kind(tmp_path: Path) -> None:
    assert _bench_problems(tmp_path / "none.toml") == [
        "none.toml: The file is missing. Put it beside the others."
    ]
    assert ".toml or .csv" in _bench_problems(tmp_path / "a.txt")[0]


def test_readings_file_without_readings(bench: Callable[[str, str], Path]) -> None:
    text = CSV_FILE[: CSV_FILE.index("cycles")]
    assert _bench_problems(bench("a.csv", text)) == [
        "a.csv, cycles: There are no readings. Add the cycles."
    ]


def test_formats_in_the_docstring_are_good(bench: Callable[[str, str], Path]) -> None:
    parts = re.split(r"\.\. code-block:: \w+\n", str(read_bench_file.__doc__))
    blocks = []
    for part in parts[1:]:
        lines = []
        for line in part.splitlines():
            if line.strip() and not line.startswith("        "):
                break
            lines.append(line[8:])
        blocks.append("\n".join(lines).strip() + "\n")
    assert read_bench_file(bench("doc.toml", blocks[0])).tag == "PDSL-4104"
    assert read_bench_file(bench("doc.csv", blocks[1])).tag == "PDSL-4104"


def test_sample_site_can_be_read_from_a_copy(tmp_path: Path, site: SiteInput) -> None:
    copy = tmp_path / "copy"
    shutil.copytree(SAMPLE, copy)
    assert read_site(copy) == site
