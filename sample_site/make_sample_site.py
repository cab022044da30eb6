"""Writes the input files of a fictional heat and power works, the same every time.

    python make_sample_site.py [FOLDER]        (default: the folder of this script)

Stand-alone: the standard library and openpyxl. Every number comes from the tables below and from
random streams seeded with ``SEED`` and the name of the thing simulated, so a change to one switch
leaves the others as they were. Workbook times and zip dates are fixed: two runs are identical
byte for byte. Works, people, laboratories and serial numbers are invented.

What is written
    site.toml, people.csv, qualifications.csv, procedures/CODE-rN.toml,
    switches.xlsx ('Switches', 'Set points'), gauges.xlsx ('Gauges', one row per revision),
    certificates.csv, certificate_points.csv, certificate_standards.csv,
    calibrations.csv, cycles.csv (June 2023 to 20 November 2026), new_calibration.toml
    (one readings file dated 2026-11-25, not part of the history), planning.toml.

Numbers: text as typed in CSV and TOML. In workbooks a numeric cell whose number format shows the
digits typed (``2.50`` is the number 2.5 with format ``0.00``).

How the history is made
    Every switch has a true trip point per set point. After an adjustment it lies near the set
    point as the reference gauge showed it; then it drifts with a rate of its own and a random
    walk. The first as-found trip is a little late (the switch sticks), the runs scatter. A reading
    is the true pressure plus the *true* error of the gauge on that day, rounded to the gauge's
    resolution, in the gauge's unit. With one gauge and a locked low side the reading at the trip
    is static + difference. Each gauge has a true error curve that drifts between certificates;
    certificates show it within their uncertainty, and an adjusted gauge starts again near zero.
    A certificate without adjustment repeats its as-found lines as as-left lines.
    For each job the poorest gauge that meets the procedure's ratio is taken, so that the bench
    gauges do most of the work.

Stories in the data
    S1  RG-301 (bench gauge, 0 to 16 bar) is dropped on 2026-01-20. Readings from then on carry up
        to +0.11 bar. Its as-found on 2026-05-05 shows it (permissible error 0.032 bar); it is
        repaired, adjusted, and gets a second data-sheet revision. PSLL-2206, calibrated on it in
        March 2026, was recorded inside its tolerance and was outside.
    S2  RG-207 (thermometer): certificate of 2024-03-11 ends on 2025-03-11, the next is of
        2025-04-22. It was used in between, on the lapsed certificate.
    S3  RG-205 was calibrated on 2025-03-18 by laboratory TOL, whose accreditation had ended on
        2024-12-31 (the next began on 2025-07-01). RG-302's certificate of 2025-04-10 names it:
        every result on RG-302 until 2026-04-01 rests on a broken chain.
    S4  RG-204 (vacuum) left for its laboratory on 2026-11-16 and is away in December; RG-303
        (draught) has a certificate that ends on 2026-12-04. Vacuum jobs have no gauge until the
        two are back.
    S5  Failures: no trip, no reset, chatter and gross drift, see ``FAILURES``.
    S6  Two switches no gauge of the shop can serve well enough: VSH-6107 and PDSH-4413.
    S7  P04's temperature qualification ended on 2026-03-31.
    S8  Certificate WES-24-0397 of RG-206 was withdrawn and issued again as WES-24-0397-R1.
    S9  Data sheets revised: PSL-2105 and PDSH-7101 (set points), PSL-3207 and TSH-5404 (taken out
        of service); PSH-1212 and PSL-5303 lie in the store.
As of 2026-11-25 six switches are overdue (``OVERDUE``) and twenty-three fall due in December 2026
(``DECEMBER``), three at the end of November.
"""

from __future__ import annotations

import csv
import datetime as dt
import io
import math
import random
import re
import sys
import zipfile
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field, replace
from decimal import ROUND_HALF_EVEN, Decimal
from pathlib import Path
from statistics import NormalDist
from typing import Any

# ruff: noqa: C408 - the tables below read better as dict(code=..., basis=...)
SEED = "fenhollow-2023"
HISTORY_FROM = dt.date(2023, 6, 1)
HISTORY_TO = dt.date(2026, 11, 20)
SHEETS_FROM = dt.date(2023, 1, 9)  # data sheets were taken over on this day
D = Decimal
Day = dt.date

PASCAL_PER = {
    "Pa": 1.0,
    "kPa": 1000.0,
    "bar": 1.0e5,
    "mbar": 100.0,
    "psi": 6894.757293168361,
    "inH2O_20C": 248.641,  # water at 20 degC, as the shop uses it
    "degC": 1.0,
}


class Stream:
    """Random numbers of one named thing; only ``random()`` is used, whose sequence is fixed."""

    def __init__(self, *names: object) -> None:
        self._source = random.Random("|".join([SEED, *map(str, names)]))

    def uniform(self, low: float, high: float) -> float:
        return low + (high - low) * self._source.random()

    def normal(self, mean: float = 0.0, sigma: float = 1.0) -> float:
        share = min(max(self._source.random(), 1e-4), 1 - 1e-4)
        return mean + sigma * NormalDist().inv_cdf(share)

    def pick(self, items: Sequence[Any]) -> Any:
        return items[min(int(self._source.random() * len(items)), len(items) - 1)]


def months_after(day: Day, months: int) -> Day:
    """``day`` plus whole months, the month end clamped."""
    index = day.year * 12 + day.month - 1 + months
    year, month = divmod(index, 12)
    month += 1
    last = (dt.date(year + month // 12, month % 12 + 1, 1) - dt.timedelta(days=1)).day
    return dt.date(year, month, min(day.day, last))


def month_end(day: Day) -> Day:
    return months_after(day.replace(day=1), 1) - dt.timedelta(days=1)


def shop_open(day: Day) -> bool:
    """Monday to Friday, but not from Christmas to New Year."""
    festive = (day.month == 12 and day.day >= 24) or (day.month == 1 and day.day == 1)
    return day.weekday() < 5 and not festive


def workday(day: Day, step: int = -1) -> Day:
    while not shop_open(day):
        day += dt.timedelta(days=step)
    return day


def places(step: str) -> int:
    return max(0, -int(D(step).as_tuple().exponent))


def typed(value: float, step: str) -> str:
    """``value`` rounded to a whole number of ``step``, with the digits of ``step``."""
    grid = D(step)
    number = (D(repr(value)) / grid).quantize(D(1), rounding=ROUND_HALF_EVEN) * grid
    text = format(number.quantize(D(1).scaleb(-places(step))), "f")
    return text[1:] if text.startswith("-") and not D(text) else text


# --- the shop ---------------------------------------------------------------------------------

AREAS = [
    ("BIO", "Biomass boilers 1 and 2"),
    ("GBH", "Gas boilers 1 to 3"),
    ("GTR", "Gas train"),
    ("FWS", "Feedwater and oxygen dosing"),
    ("AIR", "Fans and dampers"),
    ("LUB", "Turbine, lube oil and condenser"),
    ("FLT", "Flue-gas filters"),
    ("HEX", "Heat exchangers and network"),
]

POLICIES: list[dict[str, Any]] = [
    dict(code="S06", effective_on=dt.date(2022, 1, 1), basis="last done", every=6, unit="month",
         note="Burner safety switches: half-yearly, no grace"),
    dict(code="S12", effective_on=dt.date(2022, 1, 1), basis="last done", every=12, unit="month",
         end_of_month=True, note="Yearly, by the last day of the month"),
    dict(code="S24", effective_on=dt.date(2022, 1, 1), basis="last done", every=24, unit="month",
         grace_fraction=D("0.25"), note="Every two years, a quarter of it as grace"),
    dict(code="S24", effective_on=dt.date(2025, 1, 1), basis="last done", every=24, unit="month",
         grace_fraction=D("0.04"), note="Grace cut to one month"),
    dict(code="O12", effective_on=dt.date(2022, 1, 1), basis="fixed grid", every=12, unit="month",
         grace_days=30, note="At the yearly summer outage"),
    dict(code="R12", effective_on=dt.date(2021, 1, 1), basis="last done", every=12, unit="month",
         note="Reference gauges in daily use"),
    dict(code="R24", effective_on=dt.date(2021, 1, 1), basis="last done", every=24, unit="month",
         note="First-tier reference gauges"),
]  # fmt: skip
MONTHS = {"S06": 6, "S12": 12, "S24": 24, "O12": 12, "R12": 12, "R24": 24}

LABORATORIES: list[dict[str, Any]] = [
    dict(code="NMH", name="National Measurement House of Avelond", kind="national",
         accreditations=[]),
    dict(code="WES", name="Westfell Pressure Laboratory", kind="accredited",
         accreditations=[
             ("AVC-0117", dt.date(2020, 3, 1), dt.date(2024, 2, 29),
              "gauge pressure -100 kPa to 7 MPa"),
             ("AVC-0117", dt.date(2024, 3, 1), dt.date(2029, 2, 28),
              "gauge pressure -100 kPa to 7 MPa, oxygen-clean handling"),
         ]),
    dict(code="BEL", name="Bellmarsh Thermometry", kind="accredited",
         accreditations=[
             ("AVC-0342", dt.date(2021, 6, 1), dt.date(2028, 5, 31), "thermometers -40 to 600 degC")
         ]),
    dict(code="TOL", name="Tollgate Instrument Laboratory", kind="accredited",
         accreditations=[
             ("AVC-0509", dt.date(2021, 1, 1), dt.date(2024, 12, 31), "gauge pressure to 20 kPa"),
             ("AVC-0633", dt.date(2025, 7, 1), dt.date(2029, 6, 30), "gauge pressure to 20 kPa"),
         ]),
    dict(code="SHOP", name="Instrument shop of the works", kind="in-house", accreditations=[]),
]  # fmt: skip

SINCE = dt.date(2022, 1, 10)
# code, name, [(role, from, held)]
PEOPLE: list[tuple[str, str, list[tuple[str, Day, bool]]]] = [
    ("P01", "Maren Quillstone", [("planner", SINCE, True)]),
    ("P02", "Tamsin Copperreed", [("technician", SINCE, True)]),
    ("P03", "Oswin Lanternfield", [("technician", SINCE, True)]),
    ("P04", "Brill Hazelmark", [("technician", SINCE, True)]),
    ("P05", "Edda Thistlewick", [
        ("technician", SINCE, True), ("technician", dt.date(2026, 1, 1), False),
        ("reviewer", dt.date(2026, 1, 1), True)]),
    ("P06", "Corin Ashvellum", [("reviewer", SINCE, True), ("planner", dt.date(2024, 5, 1), True)]),
    ("P07", "Liv Marrowbeck", [("approver", SINCE, True), ("reviewer", SINCE, True)]),
    ("P08", "Sable Inkwater", [("auditor", dt.date(2023, 3, 1), True)]),
]  # fmt: skip
P, DP, V, T = "pressure", "differential pressure", "vacuum", "temperature"
# person, quantity, granted, expires
QUALIFICATIONS: list[tuple[str, str, Day, Day]] = [
    *[("P02", q, dt.date(2022, 1, 24), dt.date(2025, 1, 31)) for q in (P, DP, V, T)],
    *[("P02", q, dt.date(2025, 1, 20), dt.date(2028, 1, 31)) for q in (P, DP, V, T)],
    *[("P03", q, dt.date(2022, 6, 13), dt.date(2025, 6, 30)) for q in (P, DP, V)],
    *[("P03", q, dt.date(2025, 6, 16), dt.date(2028, 6, 30)) for q in (P, DP, V)],
    *[("P04", q, dt.date(2022, 3, 7), dt.date(2025, 3, 31)) for q in (P, DP)],
    *[("P04", q, dt.date(2025, 3, 17), dt.date(2028, 3, 31)) for q in (P, DP)],
    ("P04", T, dt.date(2023, 3, 20), dt.date(2026, 3, 31)),
    *[("P05", q, dt.date(2022, 1, 24), dt.date(2025, 12, 31)) for q in (P, DP, V, T)],
]


@dataclass(frozen=True)
class Procedure:
    code: str
    title: str
    revision: int
    approved_on: Day
    effective_on: Day
    quantities: tuple[str, ...]
    required_tur: str
    decision_rule: str
    hazards: tuple[str, ...]
    steps: tuple[str, ...]
    runs: tuple[int, int, int] = (3, 3, 3)  # exercise, as found, as left
    ramp: str = "0.01"
    guard_factor: str = "1.0"
    coverage: str = "0.95"
    conformance: str | None = None
    climate: tuple[str, str, str] = ("15", "28", "0.75")


ISOLATE = (
    "Take the permit to work under the site's rules, tell the control room which trip or alarm is "
    "affected, and have any bypass entered with its owner and its end."
)
RETURN = (
    "Return to service by the site's line-up list: leak check, wiring, contact in its normal "
    "state, bypass removed, control room confirms; a second person checks and signs."
)
AS_FOUND = (
    "Do not exercise before the as-found readings: the first trip shows what the plant would have "
    "had. Read trip and reset, approaching slowly over the last tenth."
)
ADJUST = (
    "If a reading lies outside the as-left band, adjust to the reference gauge (not to the "
    "switch's own scale), exercise, take the as-left runs, then seal the adjuster."
)
CONTACT = "Prove both circuits dead, then check the contact both ways and note the resistance."

PROCEDURES = [
    Procedure("PS-GEN", "Pressure switches on the bench", 1, dt.date(2022, 2, 14),
              dt.date(2022, 3, 1), (P,), "4", "simple acceptance",
              ("trip", "stored pressure", "foreign voltage"),
              (ISOLATE, "Isolate, drain, prove zero on a gauge, remove to the bench.", AS_FOUND,
               ADJUST, CONTACT, RETURN), runs=(3, 3, 3)),
    Procedure("PS-GEN", "Pressure switches on the bench", 2, dt.date(2024, 8, 19),
              dt.date(2024, 9, 1), (P,), "4", "simple acceptance",
              ("trip", "stored pressure", "foreign voltage"),
              (ISOLATE, "Isolate, drain, prove zero on a gauge, remove to the bench.",
               "For oxygen service use only the oxygen-clean gauge, hose and gas.", AS_FOUND,
               ADJUST, CONTACT, RETURN)),
    Procedure("PS-GAS", "Pressure switches of burners and gas train", 1, dt.date(2022, 2, 14),
              dt.date(2022, 3, 1), (P, DP), "4", "simple acceptance",
              ("trip", "flammable", "stored pressure", "foreign voltage"),
              (ISOLATE, "Isolate gas by the site's gas procedure, purge, prove gas-free.",
               AS_FOUND, ADJUST, CONTACT, RETURN)),
    Procedure("PS-GAS", "Pressure switches of burners and gas train", 2, dt.date(2025, 3, 17),
              dt.date(2025, 4, 1), (P, DP), "4", "guarded acceptance",
              ("trip", "flammable", "stored pressure", "foreign voltage"),
              (ISOLATE, "Isolate gas by the site's gas procedure, purge, prove gas-free.",
               "Test with air or nitrogen only.", AS_FOUND, ADJUST, CONTACT, RETURN)),
    Procedure("DP-LOW", "Low differential pressure, low side open", 1, dt.date(2022, 2, 14),
              dt.date(2022, 3, 1), (DP,), "3", "simple acceptance", ("trip", "foreign voltage"),
              (ISOLATE, "Mount in the service attitude; low side open to the room, no draught.",
               AS_FOUND, ADJUST, CONTACT, RETURN), ramp="0.005"),
    Procedure("DP-STAT", "Differential pressure at line pressure", 1, dt.date(2022, 2, 14),
              dt.date(2022, 3, 1), (DP,), "4", "simple acceptance",
              ("trip", "stored pressure", "one-sided overpressure", "foreign voltage"),
              (ISOLATE, "Open the equalising valve before either isolation is closed.",
               "Bring both sides to line pressure together, lock the low side, read the static "
               "pressure, then move the high side only.", AS_FOUND, ADJUST, CONTACT,
               "Equalise before venting.", RETURN)),
    Procedure("DP-STAT", "Differential pressure at line pressure", 2, dt.date(2025, 9, 15),
              dt.date(2025, 10, 1), (DP,), "4", "managed risk",
              ("trip", "stored pressure", "one-sided overpressure", "foreign voltage"),
              (ISOLATE, "Open the equalising valve before either isolation is closed.",
               "Bring both sides to line pressure together, lock the low side, read the static "
               "pressure before every run, then move the high side only.",
               "With a differential gauge set its zero at line pressure first.", AS_FOUND, ADJUST,
               CONTACT, "Equalise before venting.", RETURN)),
    Procedure("VAC", "Vacuum and draught switches", 1, dt.date(2022, 2, 14), dt.date(2022, 3, 1),
              (V,), "3", "conformance probability", ("trip", "foreign voltage"),
              (ISOLATE, "Mount in the service attitude, note the barometric pressure.", AS_FOUND,
               ADJUST, CONTACT, RETURN), ramp="0.005", conformance="0.95"),
    Procedure("TS-GEN", "Temperature switches in bath or block", 1, dt.date(2022, 2, 14),
              dt.date(2022, 3, 1), (T,), "4", "simple acceptance",
              ("trip", "hot", "foreign voltage"),
              (ISOLATE, "Let it cool; immerse the whole bulb; wait until steady.", AS_FOUND,
               ADJUST, CONTACT, RETURN), runs=(1, 3, 3), ramp="0.002"),
    Procedure("TS-GEN", "Temperature switches in bath or block", 2, dt.date(2024, 2, 12),
              dt.date(2024, 3, 1), (T,), "4", "non-binary", ("trip", "hot", "foreign voltage"),
              (ISOLATE, "Let it cool; immerse the whole bulb; wait until steady.",
               "Change by no more than 1 K per minute near the trip.", AS_FOUND, ADJUST, CONTACT,
               RETURN), runs=(1, 3, 3), ramp="0.002"),
]  # fmt: skip


# --- reference gauges -------------------------------------------------------------------------


@dataclass(frozen=True)
class Gauge:
    code: str
    description: str
    mode: str  # '' for a thermometer
    unit: str
    low: str
    high: str
    resolution: str
    accuracy: str
    basis: str
    drift: str
    coefficient: str
    tier: int
    corrections: bool
    uncertainty: tuple[float, float]  # U (k = 2) of its certificates: constant part, per reading
    parent: str  # laboratory code, or the gauge it is calibrated against in-house
    dates: tuple[Day, ...]
    oxygen: bool = False
    correlation: str = "0"
    static_limit: str = ""  # line pressure a differential gauge stands, in its unit

    @property
    def span(self) -> float:
        return float(self.high) - float(self.low)

    @property
    def permissible(self) -> float:
        size = float(self.accuracy)
        return size if self.basis == "absolute" else size / 100 * self.span


def days(*texts: str) -> tuple[Day, ...]:
    return tuple(dt.date.fromisoformat(text) for text in texts)


GAUGES = [
    Gauge("RG-101", "Digital pressure standard 70 bar", "gauge", "kPa", "0", "7000", "0.1",
          "0.02", "% of span", "0.4", "0.03", 1, True, (0.10, 1e-4), "NMH",
          days("2021-10-12", "2023-09-26", "2025-09-16")),
    Gauge("RG-102", "Digital pressure standard 7 bar", "gauge", "kPa", "0", "700", "0.01",
          "0.025", "% of span", "0.05", "0.003", 1, True, (0.02, 8e-5), "WES",
          days("2022-02-08", "2024-01-23", "2026-01-13"), correlation="0.5"),
    Gauge("RG-103", "Low-pressure standard 350 mbar", "gauge", "kPa", "0", "35.000", "0.001",
          "0.03", "% of span", "0.004", "0.0002", 1, True, (0.002, 1e-4), "NMH",
          days("2021-11-16", "2023-10-31", "2025-10-14")),
    Gauge("RG-104", "Resistance thermometer standard", "", "degC", "-20", "450", "0.01",
          "0.20", "absolute", "0.05", "0.001", 1, True, (0.04, 1e-4), "BEL",
          days("2022-05-10", "2024-04-23", "2026-03-24")),
    Gauge("RG-201", "Digital gauge 60 bar", "gauge", "bar", "0", "60.000", "0.001",
          "0.05", "% of span", "0.010", "0.0005", 2, True, (0.006, 1.5e-4), "RG-101",
          days("2022-11-08", "2023-10-24", "2024-10-08", "2025-09-30", "2026-09-15")),
    Gauge("RG-202", "Digital gauge 25 bar", "gauge", "kPa", "0", "2500.0", "0.1",
          "0.05", "% of span", "0.3", "0.02", 2, True, (0.25, 1.2e-4), "RG-101",
          days("2023-03-07", "2024-02-20", "2025-02-11", "2026-02-03")),
    Gauge("RG-203", "Differential gauge 200 kPa, body 40 bar", "differential", "kPa", "0",
          "200.00", "0.01", "0.05", "% of span", "0.04", "0.003", 2, True, (0.03, 1e-4), "RG-102",
          days("2023-02-14", "2024-02-06", "2025-01-28", "2026-01-27"), static_limit="4000"),
    Gauge("RG-204", "Vacuum gauge 100 kPa", "vacuum", "kPa", "0", "100.00", "0.01",
          "0.1", "% of span", "0.04", "0.002", 2, True, (0.03, 1e-4), "WES",
          days("2022-12-06", "2023-12-05", "2024-12-03", "2025-11-25")),
    Gauge("RG-205", "Low-pressure gauge 100 mbar", "gauge", "mbar", "0", "100.00", "0.01",
          "0.1", "% of span", "0.03", "0.002", 2, True, (0.03, 2e-4), "RG-103",
          days("2023-04-04", "2024-03-26", "2025-03-18", "2025-09-02", "2026-08-25")),
    Gauge("RG-206", "Digital gauge 25 bar, oxygen-clean", "gauge", "bar", "0", "25.000", "0.001",
          "0.05", "% of span", "0.005", "0.0003", 2, True, (0.003, 2e-4), "WES",
          days("2023-05-09", "2024-04-30", "2025-04-15", "2026-04-08"), oxygen=True),
    Gauge("RG-207", "Block thermometer", "", "degC", "0", "400.0", "0.1",
          "0.6", "absolute", "0.20", "0.005", 2, True, (0.12, 5e-4), "RG-104",
          days("2023-03-14", "2024-03-11", "2025-04-22", "2026-04-14")),
    Gauge("RG-301", "Bench gauge 16 bar", "gauge", "bar", "0", "16.00", "0.01",
          "0.2", "% of span", "0.010", "0.001", 3, False, (0.008, 6e-4), "RG-202",
          days("2023-05-30", "2024-05-21", "2025-05-13", "2026-05-05")),
    Gauge("RG-302", "Bench gauge 20 in water", "differential", "inH2O_20C", "0", "20.00", "0.01",
          "0.25", "% of span", "0.02", "0.001", 3, True, (0.015, 6e-4), "RG-205",
          days("2023-05-16", "2024-04-30", "2025-04-10", "2026-04-01")),
    Gauge("RG-303", "Bench draught gauge 50 mbar", "vacuum", "mbar", "0", "50.00", "0.01",
          "0.2", "% of span", "0.03", "0.002", 3, True, (0.03, 4e-4), "RG-103",
          days("2022-12-15", "2023-12-13", "2024-12-09", "2025-12-04")),
]  # fmt: skip
GAUGE = {g.code: g for g in GAUGES}
DROPPED_ON = dt.date(2026, 1, 20)
LAPSE = (dt.date(2025, 3, 12), dt.date(2025, 4, 21))
ABSENT = [("RG-204", dt.date(2026, 11, 16), dt.date(2027, 1, 15))]


def gauge_rows() -> list[list[Any]]:
    """One row per revision of every gauge."""
    rows = []
    for gauge in GAUGES:
        first = [gauge.code, 1, gauge.dates[0], "taken over", f"FH-{gauge.code[3:]}-{gauge.tier}",
                 gauge.description, "in service", gauge.mode or "thermometer", gauge.unit,
                 N(gauge.low), N(gauge.high), N(gauge.resolution), N(gauge.accuracy), gauge.basis,
                 N(gauge.drift), N(gauge.coefficient), N("20.0"),
                 "yes" if gauge.corrections else "no", gauge.tier,
                 "R24" if gauge.tier == 1 else "R12", "yes" if gauge.oxygen else "no",
                 N(gauge.correlation),
                 N(gauge.static_limit) if gauge.static_limit else ""]  # fmt: skip
        rows.append(first)
        if gauge.code == "RG-301":
            later = list(first)
            later[1:4] = [2, dt.date(2026, 5, 5), "linkage replaced after a fall; wider drift"]
            later[14] = N("0.015")
            rows.append(later)
        if gauge.code == "RG-204":
            later = list(first)
            later[1:4] = [2, dt.date(2026, 11, 16), "sent to laboratory WES for recalibration"]
            later[6] = "at laboratory"
            rows.append(later)
    return rows


class Curve:
    """The true error of a gauge as a function of the true value, between two certificates."""

    def __init__(self, gauge: Gauge, slope: float, bow: float, start: Day, rate: float) -> None:
        self.gauge, self.slope, self.bow, self.start, self.rate = gauge, slope, bow, start, rate

    def at(self, value: float, day: Day) -> float:
        gauge = self.gauge
        share = (value - float(gauge.low)) / gauge.span
        years = (day - self.start).days / 365.25
        error = (self.slope + self.rate * years) * share + self.bow * math.sin(math.pi * share)
        if (
            gauge.code == "RG-301"
            and DROPPED_ON <= day <= dt.date(2026, 5, 5)
            and (self.start < DROPPED_ON)
        ):
            error += 0.11 * (1 - math.exp(-5 * share))
        return error


@dataclass
class Issued:
    """A certificate of the sample with the true curve that holds after it."""

    number: str
    gauge: Gauge
    laboratory: str
    calibrated_on: Day
    issued_on: Day
    adjusted: bool
    after: Curve
    points: list[list[str]]
    standards: list[tuple[str, str, str]]
    climate: tuple[str, str]
    remarks: str = ""
    extra: dict[str, str] = field(default_factory=dict)

    @property
    def valid_until(self) -> Day:
        return months_after(self.calibrated_on, 24 if self.gauge.tier == 1 else 12)


def climate(day: Day, who: str) -> tuple[str, str]:
    """Shop temperature (degC) and humidity (fraction) by season."""
    stream = Stream("climate", day, who)
    season = math.sin(2 * math.pi * (day.timetuple().tm_yday - 110) / 365.25)
    return (
        typed(21.4 + 2.2 * season + stream.normal(0, 0.5), "0.1"),
        typed(0.44 + 0.12 * season + stream.normal(0, 0.03), "0.01"),
    )


def certificate_levels(gauge: Gauge) -> list[float]:
    """Nominal references over the whole range: the tiers differ in how many."""
    count = {1: 11, 2: 9, 3: 7}[gauge.tier]
    low, step = float(gauge.low), gauge.span / (count - 1)
    return [low + step * index for index in range(count)]


def uncertainty_at(gauge: Gauge, value: float) -> str:
    """U of the certificate at ``value`` to two significant digits."""
    size = gauge.uncertainty[0] + gauge.uncertainty[1] * abs(value)
    exponent = math.floor(math.log10(size))
    return typed(size, format(D(1).scaleb(exponent - 1), "f"))


def certificate_points(
    gauge: Gauge, before: Curve, after: Curve, day: Day, adjusted: bool, stream: Stream
) -> list[list[str]]:
    """The table: as-found then as-left, each rising then falling.

    The reference is stated to one digit more than the gauge shows, the indication as shown. At
    the low end a pressure gauge is set to zero before the run, so its error there is nil.
    """
    fine = format(D(gauge.resolution) / 10, "f")
    table: list[list[str]] = []
    for phase, curve in (("as-found", before), ("as-left", after)):
        if phase == "as-left" and not adjusted:
            table += [["as-left", *line[1:]] for line in table]
            break
        levels = certificate_levels(gauge)
        for direction, order in (("rising", levels), ("falling", levels[::-1])):
            for level in order:
                zero = gauge.mode != "" and level == 0
                reference = level if zero else level + stream.normal(0, 0.02) * gauge.permissible
                hysteresis = 0.0 if zero or direction == "rising" else 0.06 * gauge.permissible
                size = float(uncertainty_at(gauge, level))
                noise = 0.0 if zero else stream.normal(0, 0.12) * size
                stated = typed(reference, fine)
                shown = float(stated) + curve.at(float(stated), day) + hysteresis + noise
                table.append(
                    [phase, direction, stated, typed(shown, gauge.resolution),
                     uncertainty_at(gauge, level), "2"]
                )  # fmt: skip
    return table


class Shelf:
    """The gauges' certificates, and which one a gauge stood on at any day."""

    def __init__(self) -> None:
        self.issued: dict[str, list[Issued]] = {}
        counters: dict[tuple[str, int], int] = {}
        for gauge in GAUGES:
            stream = Stream("gauge", gauge.code)
            size = gauge.permissible
            curve = Curve(gauge, stream.uniform(-0.35, 0.35) * size,
                          stream.uniform(-0.25, 0.25) * size, gauge.dates[0],
                          stream.normal(0, 0.45) * float(gauge.drift))  # fmt: skip
            for day in gauge.dates:
                levels = certificate_levels(gauge)
                worst = max(abs(curve.at(level, day)) for level in levels)
                adjusted = worst > 0.55 * size
                rate = stream.normal(0, 0.45) * float(gauge.drift)
                if adjusted:
                    after = Curve(gauge, stream.uniform(-0.2, 0.2) * size,
                                  stream.uniform(-0.1, 0.1) * size, day, rate)  # fmt: skip
                else:
                    years = (day - curve.start).days / 365.25
                    after = Curve(gauge, curve.slope + curve.rate * years, curve.bow, day, rate)
                laboratory = gauge.parent if gauge.parent in LAB_CODES else "SHOP"
                if (gauge.code, day) == ("RG-205", dt.date(2025, 3, 18)):
                    laboratory = "TOL"
                in_house = laboratory == "SHOP"
                issued_on = day if in_house else workday(day + dt.timedelta(days=8), 1)
                key = (laboratory, day.year)
                start = 3 if in_house else int(Stream("numbers", *key).uniform(100, 320))
                counters[key] = counters.get(key, start) + (1 if in_house else 44)
                number = f"{laboratory}-{day:%y}-{counters[key]:0{3 if in_house else 4}d}"
                if (gauge.code, day.year) == ("RG-206", 2024):
                    number = "WES-24-0397"
                certificate = Issued(
                    number, gauge, laboratory, day, issued_on, adjusted, after,
                    certificate_points(gauge, curve, after, day, adjusted, stream), [],
                    climate(day, "climate " + laboratory) if in_house else
                    (typed(20 + stream.normal(0, 0.3), "0.1"),
                     typed(0.45 + stream.normal(0, 0.04), "0.01")),
                )  # fmt: skip
                if worst > size:
                    certificate.remarks = (
                        "As found outside the permissible error; repaired, adjusted and repeated."
                    )
                elif adjusted:
                    certificate.remarks = "Adjusted; more than half of the permissible error used."
                self.issued.setdefault(gauge.code, []).append(certificate)
                curve = after
        self._reissue()
        for certificates in self.issued.values():
            for certificate in certificates:
                certificate.standards = self._standards(certificate)

    def _reissue(self) -> None:
        """S8: the certificate whose oxygen statement was missing, issued again."""
        line = self.issued["RG-206"]
        index = next(i for i, c in enumerate(line) if c.number == "WES-24-0397")
        first = line[index]
        second = replace(
            first, number="WES-24-0397-R1", issued_on=dt.date(2024, 5, 27), extra={
                "replaces": first.number,
                "replacement_reason": "statement of oxygen-clean handling added"},
        )  # fmt: skip
        first.extra = {
            "withdrawn_on": "2024-05-27",
            "withdrawal_reason": "issued without the statement of oxygen-clean handling",
        }
        line.insert(index + 1, second)

    def _standards(self, certificate: Issued) -> list[tuple[str, str, str]]:
        words = {
            "NMH": "National pressure balance group NMH-PB-2",
            "WES": "Pressure balance WP-4, calibrated by the National Measurement House of Avelond",
            "BEL": "Standard thermometer BT-1 and fixed points, traceable to the national standard",
            "TOL": "Liquid-column manometer TC-2, calibrated by Westfell Pressure Laboratory",
        }
        if certificate.laboratory in words:
            return [(words[certificate.laboratory], "", "")]
        parent = certificate.gauge.parent
        used = self.in_force(parent, certificate.calibrated_on)
        if used is None:
            raise ValueError(f"{certificate.number}: {parent} had no certificate")
        return [(GAUGE[parent].description, parent, used.number)]

    def all(self) -> list[Issued]:
        every = [c for line in self.issued.values() for c in line]
        return sorted(every, key=lambda c: (c.calibrated_on, c.issued_on, c.number))

    def in_force(self, code: str, day: Day) -> Issued | None:
        """The certificate a gauge may be used on that day, ``None`` while away or lapsed."""
        for gauge, away, back in ABSENT:
            if code == gauge and away <= day <= back:
                return None
        for certificate in self.issued[code]:
            if certificate.laboratory != "SHOP":
                # packed a week before, back on the day of issue
                away = certificate.calibrated_on - dt.timedelta(days=7)
                if certificate.calibrated_on != GAUGE[code].dates[0] and (
                    away <= day <= certificate.issued_on
                ):
                    return None
            elif day == certificate.calibrated_on:
                return None
        current = [c for c in self.issued[code] if c.issued_on <= day]
        if not current:
            return None
        lapsed = code == "RG-207" and LAPSE[0] <= day <= LAPSE[1]
        return current[-1] if day <= current[-1].valid_until or lapsed else None

    def error(self, code: str, value: float, day: Day) -> float:
        """True error of the gauge at the true ``value``."""
        line = [c for c in self.issued[code] if c.calibrated_on <= day]
        return line[-1].after.at(value, day)

    def believed(self, code: str, value: float, day: Day) -> float:
        """The error the shop corrects for: the certificate's, or nothing."""
        certificate = self.in_force(code, day)
        if certificate is None or not GAUGE[code].corrections:
            return 0.0
        return certificate.after.at(value, certificate.calibrated_on)


LAB_CODES = {str(lab["code"]) for lab in LABORATORIES}


# --- switches ---------------------------------------------------------------------------------


@dataclass(frozen=True)
class SetPoint:
    label: str
    value: str
    direction: str
    minus: str | None
    plus: str | None
    basis: str
    band: tuple[str, str | None, str | None]  # kind, min, max
    repeatability: str | None
    contact: str
    action: str
    energised: str

    def as_left(self, side: str | None) -> str | None:
        """Half of the tolerance, kept to the tolerance's digits and one more."""
        if side is None:
            return None
        return format((D(side) / 2).normalize() + D(0).quantize(D(1).scaleb(-places(side) - 1)),
                      "f")  # fmt: skip


@dataclass(frozen=True)
class Switch:
    tag: str
    area: str
    service: str
    family: str
    quantity: str
    unit: str
    low: str
    high: str
    line_unit: str
    proof: str
    static: str
    medium: str
    criticality: str
    outage: bool
    policy: str
    procedure: str
    minutes: int
    hazards: tuple[str, ...]
    points: tuple[SetPoint, ...]
    effective_on: Day = SHEETS_FROM
    revision: int = 1
    reason: str = "taken over"
    status: str = "in service"

    def tolerance(self, point: SetPoint) -> float:
        """The smaller side of the tolerance in the switch's unit."""
        size = min(float(side) for side in (point.minus, point.plus) if side is not None)
        whole = {
            "absolute": 100.0,
            "% of span": float(self.high) - float(self.low),
            "% of upper range value": float(self.high),
            "% of set point": float(point.value),
        }[point.basis]
        return size * whole / 100


R, F = "rising", "falling"


def sp(label: str, value: str, direction: str, tol: str | tuple[str | None, str | None],
       band: tuple[str, str | None, str | None], action: str, *, basis: str = "absolute",
       rep: str | None = None, contact: str = "SPDT",
       energised: str = "de-energise to trip") -> SetPoint:  # fmt: skip
    minus, plus = (tol, tol) if isinstance(tol, str) else tol
    return SetPoint(label, value, direction, minus, plus, basis, band, rep, contact, action,
                    energised)  # fmt: skip


def fixed(low: str | None, high: str) -> tuple[str, str | None, str | None]:
    return ("fixed", low, high)


def adjustable(low: str, high: str) -> tuple[str, str | None, str | None]:
    return ("adjustable", low, high)


# fmt: off
def build_switches() -> list[Switch]:
    """Every switch's first data sheet."""
    out: list[Switch] = []

    def add(area: str, letters: str, number: int, suffixes: str, service: str, family: str,
            quantity: str, unit: str, low: str, high: str, points: SetPoint | tuple[SetPoint, ...],
            criticality: str, policy: str, procedure: str, *, static: str = "0",
            line: str | None = "bar", proof: str = "", medium: str, outage: bool = False,
            minutes: int = 60, hazards: tuple[str, ...] = ()) -> None:  # fmt: skip
        points = points if isinstance(points, tuple) else (points,)
        for suffix in suffixes or " ":
            tag = f"{letters}-{number}{suffix.strip()}"
            name = f"{service}, channel {suffix}" if suffix.strip() else service
            out.append(
                Switch(tag, area, name, family, quantity, unit, low, high,
                       "" if quantity == T else (line or unit), "" if quantity == T else proof,
                       static, medium, criticality, outage, policy, procedure, minutes, hazards,
                       points)
            )  # fmt: skip

    trip = ("trip",)
    for b in (1, 2):
        n, boiler = 1000 + 100 * b, f"Biomass boiler {b}"
        add("BIO", "PSHH", n + 1, "AB", f"{boiler} steam pressure high-high", "piston", P, "bar",
            "2", "25", sp("HH", "16.00", R, "1.0", fixed("0.20", "1.20"), "boiler trip",
                          basis="% of span", rep="0.10"), "safety", "O12", "PS-GEN", proof="60",
            medium="saturated steam", outage=True, hazards=(*trip, "hot", "stored pressure"))
        add("BIO", "PSL", n + 2, "", f"{boiler} drum pressure low", "piston", P, "bar", "2", "25",
            sp("L", "9.00", F, "1.5", fixed("0.20", "1.20"), "alarm", basis="% of span"),
            "general", "S24", "PS-GEN", proof="60", medium="saturated steam",
            hazards=("hot", "stored pressure"))
        add("BIO", "PSH", n + 3, "", f"{boiler} steam pressure high, two steps", "piston", P,
            "bar", "2", "25", (
                sp("H", "14.50", R, "0.25", fixed("0.20", "1.00"), "alarm"),
                sp("HH", "15.20", R, "0.25", fixed("0.20", "1.00"), "firing stop"),
            ), "production", "S12", "PS-GEN", proof="60", medium="saturated steam", minutes=90,
            hazards=("hot", "stored pressure"))
        add("BIO", "VSL", n + 4, "AB", f"{boiler} furnace draught low", "draught capsule", V,
            "mbar", "0.5", "10.0", sp("L", "1.50", F, "0.40", fixed("0.10", "0.60"),
                                      "boiler trip", rep="0.15"), "safety", "S12", "VAC",
            line="mbar", proof="100", medium="flue gas", hazards=trip)
        add("BIO", "VSH", n + 5, "", f"{boiler} furnace draught high", "draught capsule", V,
            "mbar", "1.0", "25.0", sp("H", "18.00", R, "0.80", fixed("0.30", "2.00"), "alarm"),
            "production", "S12", "VAC", line="mbar", proof="100", medium="flue gas")
        add("BIO", "PDSL", n + 6, "", f"{boiler} primary air difference low", "DP capsule", DP,
            "inH2O_20C", "0.5", "12.0", sp("L", "4.00", F, "0.25", fixed("0.10", "0.80"),
                                           "firing stop"), "production", "S12", "DP-LOW",
            line="mbar", proof="350", medium="air")
        add("BIO", "PDSL", n + 7, "", f"{boiler} secondary air difference low", "DP capsule", DP,
            "mbar", "2", "40", sp("L", "12.00", F, "2.0", adjustable("0.80", "3.00"), "alarm",
                                  basis="% of upper range value"), "production", "S12", "DP-LOW",
            line="mbar", proof="350", medium="air")
        add("BIO", "PSL", n + 8, "", f"{boiler} grate cooling water low", "bellows", P, "bar",
            "0.5", "6.0", sp("L", "2.50", F, "0.12", adjustable("0.10", "0.60"),
                             "start standby pump"), "production", "S12", "PS-GEN", proof="16",
            medium="water", hazards=("stored pressure",))
        add("BIO", "TSHH", n + 9, "AB", f"{boiler} flue gas temperature high-high", "bulb", T,
            "degC", "80", "300", sp("HH", "230.0", R, ("3.0", "3.0"), fixed("2.0", "12.0"),
                                    "boiler trip"), "safety", "O12", "TS-GEN", medium="flue gas",
            outage=True, minutes=120, hazards=(*trip, "hot"))
        add("BIO", "TSH", n + 10, "", f"{boiler} fuel screw back-burn", "bulb", T, "degC", "20",
            "120", sp("H", "70.0", R, (None, "2.0"), fixed("1.0", "8.0"), "quench water on",
                      energised="energise to trip"), "safety", "S12", "TS-GEN",
            medium="wood chips", minutes=120, hazards=trip)
        add("BIO", "PSL", n + 11, "", f"{boiler} quench water pressure low", "bellows", P, "bar",
            "1.0", "10.0", sp("L", "4.00", F, "0.20", adjustable("0.20", "0.90"), "alarm"),
            "safety", "S12", "PS-GEN", proof="25", medium="water", hazards=("stored pressure",))
        add("BIO", "PSH", n + 12, "", f"{boiler} grate ram pressure high", "piston", P, "bar",
            "10", "60", sp("H", "45.0", R, "1.2", fixed("1.0", "5.0"), "ram stop"),
            "production", "S24", "PS-GEN", proof="250", medium="hydraulic oil",
            hazards=("stored pressure",))

    gas = (*trip, "flammable")
    for g in (1, 2, 3):
        n, boiler = 2000 + 100 * g, f"Gas boiler {g}"
        add("GBH", "PSL", n + 1, "", f"{boiler} burner gas pressure low", "gas diaphragm", P,
            "mbar", "5", "150", sp("L", "45.0", F, "2.0", fixed("0.5", "8.0"), "burner trip",
                                   rep="1.0"), "safety", "S06", "PS-GAS", line="mbar",
            proof="600", medium="natural gas", hazards=gas)
        add("GBH", "PSHH", n + 2, "AB", f"{boiler} burner gas pressure high-high",
            "gas diaphragm", P, "mbar", "30", "300", sp("HH", "180.0", R, "4.0",
                                                        fixed("1.0", "14.0"), "burner trip",
                                                        rep="2.0"), "safety", "S06", "PS-GAS",
            line="mbar", proof="600", medium="natural gas", hazards=gas)
        add("GBH", "PDSL", n + 3, "AB", f"{boiler} burner air difference low", "DP capsule", DP,
            "mbar", "1.0", "30.0", sp("L", "6.00", F, "0.50", fixed("0.10", "1.20"),
                                      "burner trip", rep="0.20"), "safety", "S06", "PS-GAS",
            line="mbar", proof="350", medium="air", hazards=trip)
        add("GBH", "PSH", n + 4, "", f"{boiler} furnace pressure high", "gas diaphragm", P,
            "mbar", "5", "60", sp("H", "28.0", R, "1.2", fixed("0.5", "4.0"), "burner trip"),
            "safety", "S12", "PS-GEN", line="mbar", proof="350", medium="flue gas", hazards=trip)
        add("GBH", "PSL", n + 5, "", f"{boiler} network pressure at boiler low", "bellows", P,
            "bar", "1.0", "16.0", sp("L", "8.00", F, "0.30", adjustable("0.20", "1.50"),
                                     "alarm"), "production", "S12", "PS-GEN", proof="40",
            medium="hot water", hazards=("hot", "stored pressure"))
        add("GBH", "PSLL", n + 6, "", f"{boiler} water pressure low-low", "bellows", P, "bar",
            "0.5", "10.0", sp("LL", "4.50", F, "0.20", fixed("0.10", "0.80"), "burner trip",
                              rep="0.10"), "safety", "S12", "PS-GEN", proof="25",
            medium="hot water", hazards=(*trip, "hot", "stored pressure"))
        add("GBH", "TSHH", n + 7, "", f"{boiler} water temperature high-high", "bulb", T, "degC",
            "50", "200", sp("HH", "142.0", R, "2.0", fixed("1.0", "9.0"), "burner trip"),
            "safety", "S12", "TS-GEN", medium="hot water", minutes=120, hazards=(*trip, "hot"))
        add("GBH", "TSH", n + 8, "", f"{boiler} flue gas temperature, two steps", "bulb", T,
            "degC", "50", "300", (
                sp("H", "180.0", R, "4.0", fixed("2.0", "12.0"), "alarm"),
                sp("HH", "200.0", R, "4.0", fixed("2.0", "12.0"), "load down"),
            ), "environment", "S24", "TS-GEN", medium="flue gas", minutes=150, hazards=("hot",))
        add("GBH", "PDSL", n + 9, "", f"{boiler} water flow difference low", "DP capsule", DP,
            "kPa", "5", "60", sp("L", "18.0", F, "1.2", fixed("0.5", "4.0"), "burner trip"),
            "safety", "S12", "DP-STAT", static="8.00", proof="40", medium="hot water",
            minutes=90, hazards=(*trip, "hot", "stored pressure", "one-sided overpressure"))

    for t in (1, 2):
        n, line_name = 3000 + 100 * t, f"Gas line {t}"
        kind: dict[str, Any] = dict(medium="natural gas", hazards=("flammable",))
        add("GTR", "PSL", n + 1, "", f"{line_name} inlet pressure low", "bellows", P, "bar",
            "0.5", "6.0", sp("L", "2.00", F, "0.10", adjustable("0.10", "0.60"), "alarm"),
            "production", "S12", "PS-GAS", proof="16", **kind)
        add("GTR", "PSH", n + 2, "", f"{line_name} inlet pressure high", "bellows", P, "bar",
            "0.5", "6.0", sp("H", "4.60", R, "2.6", fixed("0.05", "0.50"), "alarm",
                             basis="% of set point"), "safety", "S12", "PS-GAS", proof="16",
            **kind)
        add("GTR", "PDSH", n + 3, "", f"{line_name} gas filter difference high", "DP capsule",
            DP, "kPa", "2", "50", sp("H", "25.0", R, "1.5", fixed("0.5", "4.0"), "alarm"),
            "general", "S24", "DP-STAT", static="4.00", proof="16", medium="natural gas",
            minutes=90, hazards=("flammable", "one-sided overpressure"))
        add("GTR", "PSHH", n + 4, "AB", f"{line_name} regulated pressure high-high",
            "gas diaphragm", P, "mbar", "100", "600", sp("HH", "380.0", R, "8.0",
                                                         fixed("2.0", "30.0"), "slam-shut",
                                                         rep="4.0"), "safety", "S06", "PS-GAS",
            line="mbar", proof="1500", medium="natural gas", hazards=gas)
        add("GTR", "PSL", n + 5, "", f"{line_name} regulated pressure low", "gas diaphragm", P,
            "mbar", "50", "400", sp("L", "150.0", F, "6.0", fixed("1.0", "20.0"),
                                    "burners off"), "production", "S12", "PS-GAS", line="mbar",
            proof="1500", **kind)
        add("GTR", "PSH", n + 6, "", f"{line_name} valve proving", "gas diaphragm", P, "mbar",
            "20", "200", sp("H", "90.0", R, "3.0", fixed("1.0", "10.0"), "start interlock"),
            "safety", "S06", "PS-GAS", line="mbar", proof="600", medium="natural gas",
            hazards=gas)
        add("GTR", "PSL", n + 7, "", f"{line_name} instrument air low", "bellows", P, "psi",
            "10", "120", sp("L", "60.0", F, "2.0", adjustable("2.0", "12.0"), "alarm"),
            "general", "S24", "PS-GEN", line="psi", proof="300", medium="air",
            hazards=("stored pressure",))

    for p in (1, 2, 3):
        n, pump = 4000 + 100 * p, f"Feedwater pump {p}"
        add("FWS", "PSL", n + 1, "", f"{pump} suction pressure low", "bellows", P, "bar", "0.2",
            "4.0", sp("L", "1.20", F, "0.06", fixed("0.05", "0.30"), "pump trip"),
            "production", "S12", "PS-GEN", proof="16", medium="feedwater",
            hazards=("hot", "stored pressure"))
        add("FWS", "PDSH", n + 2, "", f"{pump} strainer difference high", "DP capsule", DP,
            "kPa", "10", "100", sp("H", "50.0", R, "2.5", fixed("1.0", "7.0"), "alarm"),
            "general", "S12", "DP-STAT", static="2.50", proof="25", medium="feedwater",
            minutes=90, hazards=("hot", "one-sided overpressure"))
        add("FWS", "PSH", n + 3, "", f"{pump} discharge pressure high", "piston", P, "bar", "10",
            "60", sp("H", "42.0", R, "0.8", fixed("0.5", "4.0"), "alarm"), "production", "S12",
            "PS-GEN", proof="160", medium="feedwater", hazards=("hot", "stored pressure"))
        add("FWS", "PDSL", n + 4, "", f"{pump} minimum-flow difference low", "DP capsule", DP,
            "kPa", "20", "160", sp("L", "70.0", F, "5.0", fixed("1.5", "12.0"),
                                   "open minimum-flow valve", rep="2.5"), "production", "S12",
            "DP-STAT", static="16.00", proof="60", medium="feedwater", minutes=90,
            hazards=(*trip, "hot", "stored pressure", "one-sided overpressure"))
        add("FWS", "PSL", n + 5, "", f"{pump} lube oil pressure low", "bellows", P, "bar", "0.2",
            "4.0", sp("L", "0.80", F, "0.08", fixed("0.05", "0.30"), "pump trip"),
            "production", "S12", "PS-GEN", proof="16", medium="lube oil")
        add("FWS", "TSH", n + 6, "", f"{pump} bearing temperature high", "bulb", T, "degC", "30",
            "130", sp("H", "95.0", R, "2.0", fixed("1.0", "7.0"), "alarm"), "production", "S24",
            "TS-GEN", medium="lube oil", minutes=120)
    add("FWS", "PSH", 4401, "", "Deaerator pressure high", "bellows", P, "bar", "0.10", "2.00",
        sp("H", "0.450", R, "0.030", fixed("0.010", "0.120"), "alarm"), "production", "S12",
        "PS-GEN", proof="10", medium="steam", hazards=("hot",))
    add("FWS", "PSL", 4402, "", "Deaerator pressure low", "bellows", P, "bar", "0.05", "1.00",
        sp("L", "0.120", F, "0.020", fixed("0.005", "0.080"), "alarm"), "general", "S24",
        "PS-GEN", proof="10", medium="steam", hazards=("hot",))
    oxygen = ("oxygen", "stored pressure")
    add("FWS", "PSL", 4410, "", "Oxygen dosing supply pressure low", "oxygen bellows", P, "bar",
        "1.0", "16.0", sp("L", "6.00", F, "0.25", fixed("0.20", "1.00"), "alarm"), "general",
        "S12", "PS-GEN", proof="60", medium="oxygen", hazards=oxygen)
    add("FWS", "PSH", 4411, "", "Oxygen dosing pressure high", "oxygen bellows", P, "bar", "1.0",
        "16.0", sp("H", "12.00", R, "0.30", fixed("0.20", "1.00"), "dosing stop"), "safety",
        "S12", "PS-GEN", proof="60", medium="oxygen", hazards=(*oxygen, "trip"))
    add("FWS", "PDSH", 4412, "", "Oxygen filter difference high", "oxygen capsule", DP, "kPa",
        "20", "200", sp("H", "100", R, "12", fixed("4", "18"), "alarm"), "general", "S24",
        "DP-STAT", static="8.00", proof="40", medium="oxygen", minutes=90,
        hazards=(*oxygen, "one-sided overpressure"))
    add("FWS", "PDSH", 4413, "", "Oxygen fine filter difference high", "oxygen capsule", DP,
        "kPa", "2", "30", sp("H", "14.0", R, "0.8", fixed("0.4", "2.5"), "alarm"), "general",
        "S12", "DP-STAT", static="8.00", proof="40", medium="oxygen", minutes=90,
        hazards=(*oxygen, "one-sided overpressure"))

    for f, fan in enumerate(("Primary air fan", "Secondary air fan", "Flue gas fan", "Gas fan"), 1):
        n = 5000 + 100 * f
        add("AIR", "PDSL", n + 1, "", f"{fan} pressure rise low", "DP capsule", DP, "inH2O_20C",
            "0.5", "10.0", sp("L", "3.20", F, "0.20", fixed("0.08", "0.60"), "start standby fan"),
            "production", "S12", "DP-LOW", line="mbar", proof="350", medium="air")
        add("AIR", "PDSH", n + 2, "", f"{fan} inlet filter difference high", "DP capsule", DP,
            "inH2O_20C", "0.20", "5.00", sp("H", "2.00", R, "2.0", fixed("0.05", "0.40"), "alarm",
                                            basis="% of span"), "general", "S24", "DP-LOW",
            line="mbar", proof="350", medium="air")
        add("AIR", "PSL", n + 3, "", f"{fan} damper drive air low", "bellows", P, "psi", "20",
            "150", sp("L", "75.0", F, "3.0", adjustable("3.0", "15.0"), "damper to safe position"),
            "production", "S24", "PS-GEN", line="psi", proof="300", medium="air",
            hazards=("stored pressure",))
        add("AIR", "TSH", n + 4, "", f"{fan} bearing temperature high", "bulb", T, "degC", "30",
            "120", sp("H", "90.0", R, "2.0", fixed("1.0", "7.0"), "alarm"), "production", "S24",
            "TS-GEN", medium="grease", minutes=120)

    add("LUB", "PSL", 6101, "", "Lube oil header low, two steps", "bellows", P, "bar", "0.2",
        "4.0", (sp("L", "1.40", F, "0.06", fixed("0.05", "0.25"), "start standby pump"),
                sp("LL", "1.10", F, "0.06", fixed("0.05", "0.25"), "start emergency pump")),
        "production", "S12", "PS-GEN", proof="16", medium="lube oil", minutes=90)
    add("LUB", "PSLL", 6102, "ABC", "Lube oil header low-low", "bellows", P, "bar", "0.2", "4.0",
        sp("LL", "1.00", F, "0.05", fixed("0.05", "0.25"), "turbine trip", rep="0.02"), "safety",
        "S12", "PS-GEN", proof="16", medium="lube oil", hazards=trip)
    add("LUB", "PDSH", 6103, "AB", "Lube oil filter difference high", "DP capsule", DP, "kPa",
        "20", "250", sp("H", "120", R, "6", fixed("3", "18"), "alarm"), "general", "S12",
        "DP-STAT", static="4.50", proof="25", medium="lube oil", minutes=90,
        hazards=("one-sided overpressure",))
    add("LUB", "TSH", 6104, "", "Oil cooler outlet temperature high", "bulb", T, "degC", "20",
        "90", sp("H", "55.0", R, "1.0", fixed("0.5", "4.0"), "alarm"), "production", "S12",
        "TS-GEN", medium="lube oil", minutes=120)
    add("LUB", "PSL", 6105, "", "Jacking oil pressure low", "piston", P, "bar", "10", "60",
        sp("L", "38.0", F, "2.0", fixed("1.0", "5.0"), "turning gear interlock",
           basis="% of span"), "production", "O12", "PS-GEN", proof="250", medium="lube oil",
        outage=True, hazards=("stored pressure",))
    add("LUB", "VSL", 6106, "AB", "Condenser vacuum low", "vacuum bellows", V, "kPa", "20", "95",
        sp("L", "72.0", F, "1.0", fixed("0.5", "4.0"), "turbine trip", rep="0.4"), "safety",
        "S12", "VAC", line="kPa", proof="300", medium="steam and air", hazards=trip)
    add("LUB", "VSH", 6107, "", "Oil tank vapour extraction vacuum high", "draught capsule", V,
        "mbar", "0.5", "15.0", sp("H", "6.00", R, "0.10", fixed("0.05", "0.60"), "alarm"),
        "general", "S12", "VAC", line="mbar", proof="100", medium="oil mist")
    add("LUB", "VSL", 6108, "", "Gland steam condenser vacuum low", "vacuum bellows", V, "kPa",
        "2", "30", sp("L", "8.00", F, "0.40", fixed("0.20", "1.50"), "alarm"), "production",
        "S12", "VAC", line="kPa", proof="300", medium="steam and air")
    add("LUB", "PSH", 6109, "", "Control oil pressure high", "piston", P, "bar", "5", "40",
        sp("H", "28.0", R, "0.5", fixed("0.5", "3.0"), "alarm"), "production", "S24", "PS-GEN",
        proof="160", medium="control oil", hazards=("stored pressure",))
    add("LUB", "TSHH", 6110, "AB", "Thrust bearing temperature high-high", "bulb", T, "degC",
        "40", "150", sp("HH", "110.0", R, (None, "2.0"), fixed("1.0", "7.0"), "turbine trip"),
        "safety", "O12", "TS-GEN", medium="lube oil", outage=True, minutes=120, hazards=trip)
    add("LUB", "PSL", 6111, "", "Seal air pressure low", "bellows", P, "psi", "5", "60",
        sp("L", "25.0", F, "0.8", fixed("0.5", "4.0"), "alarm"), "production", "S12", "PS-GEN",
        line="psi", proof="150", medium="air")

    for f in (1, 2):
        n, unit_name = 7000 + 100 * f, f"Bag filter {f}"
        add("FLT", "PDSH", n + 1, "", f"{unit_name} tube-sheet difference, two steps",
            "DP capsule", DP, "mbar", "2", "40", (
                sp("H", "14.00", R, "0.80", fixed("0.20", "2.00"), "cleaning start"),
                sp("HH", "18.00", R, "0.80", fixed("0.20", "2.00"), "load down"),
            ), "environment", "S12", "DP-LOW", line="mbar", proof="350", medium="flue gas",
            minutes=90, hazards=("hot", "toxic"))
        add("FLT", "PDSL", n + 2, "", f"{unit_name} difference low (broken bag)", "DP capsule",
            DP, "mbar", "1.0", "20.0", sp("L", "3.00", F, "0.40", fixed("0.10", "0.80"), "alarm"),
            "environment", "S12", "DP-LOW", line="mbar", proof="350", medium="flue gas",
            hazards=("hot", "toxic"))
        add("FLT", "PSL", n + 3, "", f"{unit_name} pulse air low", "bellows", P, "psi", "20",
            "150", sp("L", "70.0", F, "3.0", adjustable("3.0", "15.0"), "alarm"), "environment",
            "S24", "PS-GEN", line="psi", proof="300", medium="air", hazards=("stored pressure",))
        add("FLT", "TSHH", n + 4, "AB", f"{unit_name} inlet temperature high-high", "bulb", T,
            "degC", "80", "300", sp("HH", "190.0", R, "3.0", fixed("1.5", "10.0"), "open bypass"),
            "environment", "O12", "TS-GEN", medium="flue gas", outage=True, minutes=120,
            hazards=("trip", "hot", "toxic"))
        add("FLT", "VSL", n + 5, "", f"{unit_name} ash conveying vacuum low", "vacuum bellows", V,
            "kPa", "5", "70", sp("L", "25.0", F, "1.2", fixed("0.5", "4.0"), "alarm"), "general",
            "S12", "VAC", line="kPa", proof="300", medium="ash and air")
        add("FLT", "TSL", n + 6, "", f"{unit_name} hopper temperature low", "bulb", T, "degC",
            "40", "160", sp("L", "90.0", F, "3.0", fixed("1.5", "9.0"), "heating on"),
            "environment", "S24", "TS-GEN", medium="ash", minutes=120, hazards=("hot",))

    for x in (1, 2, 3):
        n, exchanger = 8000 + 100 * x, f"Heat exchanger {x}"
        wet = ("hot", "stored pressure", "one-sided overpressure")
        add("HEX", "PDSH", n + 1, "", f"{exchanger} primary difference high", "DP capsule", DP,
            "kPa", "20", "160", sp("H", "90.0", R, "5.0", fixed("1.5", "12.0"), "alarm"),
            "production", "S12", "DP-STAT", static="10.00", proof="40", medium="hot water",
            minutes=90, hazards=wet)
        add("HEX", "PDSL", n + 2, "", f"{exchanger} secondary flow difference low", "DP capsule",
            DP, "kPa", "5", "60", sp("L", "15.0", F, "1.0", fixed("0.4", "3.5"),
                                     "primary valve shut"), "production", "S12", "DP-STAT",
            static="6.00", proof="25", medium="network water", minutes=90, hazards=wet)
        add("HEX", "TSH", n + 3, "", f"{exchanger} supply temperature, two steps", "bulb", T,
            "degC", "40", "160", (
                sp("H", "115.0", R, "2.0", fixed("1.0", "8.0"), "alarm"),
                sp("HH", "120.0", R, "2.0", fixed("1.0", "8.0"), "primary valve shut"),
            ), "safety", "S12", "TS-GEN", medium="network water", minutes=150, hazards=("hot",))
        add("HEX", "PSL", n + 4, "", f"{exchanger} secondary pressure low", "bellows", P, "bar",
            "0.5", "10.0", sp("L", "3.00", F, "0.20", adjustable("0.15", "0.80"), "alarm"),
            "production", "S12", "PS-GEN", proof="25", medium="network water",
            hazards=("hot", "stored pressure"))
    add("HEX", "PSHH", 8401, "AB", "Network pressure high-high", "bellows", P, "bar", "1.0",
        "16.0", sp("HH", "13.50", R, "0.30", fixed("0.20", "1.20"), "network pumps trip",
                   rep="0.15", contact="DPDT"), "safety", "S12", "PS-GEN", proof="40",
        medium="network water", hazards=(*trip, "hot", "stored pressure"))
    add("HEX", "PSL", 8402, "", "Network return pressure low", "bellows", P, "bar", "1.0", "16.0",
        sp("L", "4.00", F, "0.30", adjustable("0.20", "1.20"), "make-up pump start"),
        "production", "S12", "PS-GEN", proof="40", medium="network water",
        hazards=("hot", "stored pressure"))
    add("HEX", "PDSL", 8403, "", "Network pump difference low", "DP capsule", DP, "kPa", "20",
        "160", sp("L", "60.0", F, "6.0", adjustable("3.0", "14.0"), "start standby pump"),
        "production", "S12", "DP-STAT", static="12.00", proof="60", medium="network water",
        minutes=90, hazards=("hot", "stored pressure", "one-sided overpressure"))
    return out


# fmt: on


def revise(switches: list[Switch]) -> dict[str, list[Switch]]:
    """Each tag with its data sheets in order (stories S9)."""
    sheets = {switch.tag: [switch] for switch in switches}

    def later(tag: str, day: str, reason: str, **changes: Any) -> None:
        last = sheets[tag][-1]
        sheets[tag].append(
            replace(last, revision=last.revision + 1, effective_on=dt.date.fromisoformat(day),
                    reason=reason, **changes)
        )  # fmt: skip

    point = sheets["PSL-2105"][0].points[0]
    later("PSL-2105", "2025-02-03", "network pressure lowered",
          points=(replace(point, value="7.50"),))  # fmt: skip
    first, second = sheets["PDSH-7101"][0].points
    later("PDSH-7101", "2024-10-07", "new bags: steps lowered",
          points=(replace(first, value="12.00"), replace(second, value="16.00")))  # fmt: skip
    later("PSL-3207", "2026-05-11", "gas line 2 moved to works air", status="out of service")
    later("TSH-5404", "2026-08-03", "fan stopped for rebuilding", status="out of service")
    later("PSH-1212", "2026-02-16", "ram removed, spare kept", status="in store")
    later("PSL-5303", "2026-06-22", "drive replaced, spare kept", status="in store")
    return sheets


# --- when each switch was done ----------------------------------------------------------------

OVERDUE = {
    "PSL-1108": "2026-09-30", "PDSL-5101": "2026-09-30", "TSH-4306": "2026-08-14",
    "VSL-7205": "2026-10-31", "PSL-4410": "2026-10-31", "PSHH-2202B": "2026-10-09",
}  # fmt: skip
NOVEMBER = {"PSH-3102": "2026-11-30", "PDSH-4302": "2026-11-30", "PSL-6111": "2026-11-30"}
DECEMBER = {
    "PDSL-4104": "2026-12-31", "PDSL-8403": "2026-12-31", "PDSH-8101": "2026-12-31",
    "PDSL-2109": "2026-12-31", "VSL-6106A": "2026-12-31", "VSL-6108": "2026-12-31",
    "VSL-1104A": "2026-12-31", "VSH-1205": "2026-12-31", "PSL-2101": "2026-12-08",
    "PSHH-2102A": "2026-12-09", "PDSL-2103A": "2026-12-10", "PSHH-3104A": "2026-12-15",
    "PSH-3106": "2026-12-16", "TSH-8103": "2026-12-31", "TSHH-2307": "2026-12-31",
    "PSLL-6102A": "2026-12-31", "PDSL-1106": "2026-12-31", "TSH-5104": "2026-12-10",
    "PSL-7103": "2026-12-14", "PDSH-4413": "2026-12-31", "VSH-6107": "2026-12-31",
    "PDSH-5202": "2026-12-18", "TSL-7206": "2026-12-02",
}  # fmt: skip
FORCED_DONE = {
    "PSLL-2206": dt.date(2026, 3, 17), "PSLL-2106": dt.date(2026, 2, 19),
    "PSL-8304": dt.date(2026, 2, 24), "PSL-8402": dt.date(2026, 3, 31),
    "PSL-2205": dt.date(2026, 4, 14),
}  # fmt: skip
# one gauge on each side: RG-102 reads the high side, RG-202 the locked low side
TWO_GAUGES = ("PDSH-4102",)
# tag -> (year, or year and month, of the calibration, what happened)
FAILURES: dict[str, tuple[str, str]] = {
    "PSL-2305": ("2025", "no trip"),
    "VSH-1105": ("2024", "no trip"),
    "PDSL-1207": ("2025", "chatter"),
    "PSL-4205": ("2024", "no reset"),
    "TSH-1110": ("2025", "gross"),
    "PDSH-6103A": ("2025", "gross"),
    "PSHH-2302A": ("2024-12", "gross"),
    "PSLL-2206": ("2026", "masked"),
}


def done_days(sheets: list[Switch]) -> list[Day]:
    """The days a switch was calibrated, oldest first, from its next due date backwards."""
    switch = sheets[0]
    stream = Stream("days", switch.tag)
    months = MONTHS[switch.policy]
    due_text = OVERDUE.get(switch.tag) or NOVEMBER.get(switch.tag) or DECEMBER.get(switch.tag)
    if switch.tag in FORCED_DONE:
        done = FORCED_DONE[switch.tag]
    elif due_text:
        due = dt.date.fromisoformat(due_text)
        if switch.policy == "S12":
            done = workday(months_after(due.replace(day=1), -12)
                           + dt.timedelta(days=int(stream.uniform(1, 21))), 1)  # fmt: skip
        else:
            done = months_after(due, -months)
    elif switch.policy == "O12":
        done = dt.date(2026, 7, 6) + dt.timedelta(days=int(stream.uniform(0, 12)))
    else:
        ahead = {"S06": (38, 160), "S12": (38, 352), "S24": (38, 700)}[switch.policy]
        due = dt.date(2026, 11, 25) + dt.timedelta(days=int(stream.uniform(*ahead)))
        done = months_after(due, -months)
        if done > HISTORY_TO - dt.timedelta(days=4):
            done = HISTORY_TO - dt.timedelta(days=4 + int(stream.uniform(0, 12)))
    ending = next((s.effective_on for s in sheets if s.status != "in service"), None)
    if ending and done >= ending:
        done = months_after(done, -months)
    out = [workday(done, 1)]
    while True:
        slack = int(stream.uniform(0, 3 if switch.policy == "O12" else 16))
        earlier = workday(months_after(out[-1], -months) + dt.timedelta(days=slack), 1)
        if earlier < HISTORY_FROM:
            break
        out.append(earlier)
    return out[::-1]


# --- one calibration --------------------------------------------------------------------------


def convert(value: float, source: str, target: str) -> float:
    return value * PASCAL_PER[source] / PASCAL_PER[target]


def procedure_on(code: str, day: Day) -> Procedure:
    return [p for p in PROCEDURES if p.code == code and p.effective_on <= day][-1]


MODES = {P: ("gauge",), DP: ("differential", "gauge"), V: ("vacuum",), T: ("",)}


def planned_ratio(gauge: Gauge, switch: Switch) -> float | None:
    """Tolerance / U before any reading with the gauge a year old; ``None``: it does not fit."""
    if gauge.mode not in MODES[switch.quantity]:
        return None
    if "oxygen" in switch.hazards and not gauge.oxygen:
        return None
    if gauge.oxygen and "oxygen" not in switch.hazards:
        return None  # kept apart
    one_gauge = gauge.mode == "gauge" and float(switch.static) > 0
    static = convert(float(switch.static), switch.line_unit or "Pa", gauge.unit) if one_gauge else 0
    top = static + convert(float(switch.high), switch.unit, gauge.unit)
    bottom = static + convert(float(switch.low), switch.unit, gauge.unit)
    if top > float(gauge.high) * (1 + 1e-9) or bottom < float(gauge.low):
        return None
    worst = math.inf
    for point in switch.points:
        at = static + convert(float(point.value), switch.unit, gauge.unit)
        parts = [
            (gauge.uncertainty[0] + gauge.uncertainty[1] * at) / 2,
            float(gauge.drift) / math.sqrt(3),
            float(gauge.resolution) / math.sqrt(12),
            3 * float(gauge.coefficient) / math.sqrt(3),
        ]
        if not gauge.corrections:
            parts.append(gauge.permissible / math.sqrt(3))
        variance = sum(part * part for part in parts)
        if one_gauge:
            variance *= 2 * (1 - float(gauge.correlation) / 2)
        tolerance = convert(switch.tolerance(point), switch.unit, gauge.unit)
        worst = min(worst, tolerance / (2 * math.sqrt(variance)))
    return worst


def scale_share(gauge: Gauge, switch: Switch) -> float:
    """Where on the gauge's scale the first set point lies, static pressure counted."""
    value = convert(float(switch.points[0].value), switch.unit, gauge.unit)
    if gauge.mode == "gauge" and float(switch.static) > 0:
        value += convert(float(switch.static), switch.line_unit, gauge.unit)
    return value / float(gauge.high)


def choose_gauge(switch: Switch, day: Day, required: float, shelf: Shelf) -> Gauge | None:
    """The poorest gauge that meets the ratio, or the best one where none does."""
    usable = []
    if switch.tag in TWO_GAUGES and shelf.in_force("RG-102", day):
        return GAUGE["RG-102"]
    for gauge in GAUGES:
        ratio = planned_ratio(gauge, switch)
        if ratio is not None and shelf.in_force(gauge.code, day) is not None:
            usable.append((ratio, gauge))
    if not usable:
        return None
    good = [item for item in usable if item[0] >= required]
    if good:
        # not in the lowest part of a scale if another gauge serves
        return min(good, key=lambda i: (scale_share(i[1], switch) < 0.15, -i[1].tier, i[0]))[1]
    return max(usable, key=lambda item: item[0])[1]


class Trip:
    """The true state of one set point: offset from its set value, in the switch's unit."""

    def __init__(self, switch: Switch, point: SetPoint) -> None:
        stream = Stream("trip", switch.tag, point.label)
        self.tolerance = switch.tolerance(point)
        self.offset = stream.normal(0, 0.15) * self.tolerance
        self.rate = stream.normal(0.04, 0.26) * self.tolerance
        low = float(point.band[1]) if point.band[1] else 0.0
        high = float(point.band[2]) if point.band[2] else 3 * low
        self.dead_band = low + stream.uniform(0.3, 0.65) * (high - low)
        limit = float(point.repeatability) if point.repeatability else math.inf
        self.scatter = min(stream.uniform(0.010, 0.038) * self.tolerance, limit / 8)
        self.sticking = abs(stream.normal(0, 0.05)) * self.tolerance
        self.last: Day | None = None

    def age(self, day: Day, stream: Stream) -> None:
        if self.last is not None:
            years = (day - self.last).days / 365.25
            self.offset += self.rate * years + stream.normal(0, 0.17) * self.tolerance * (
                math.sqrt(years)
            )
        self.last = day


@dataclass
class Calibration:
    key: str
    row: dict[str, str]
    cycles: list[dict[str, str]]


NOTES = {
    "no trip": "Micro-switch seized; replaced, then set and checked.",
    "no reset": "Lever bent; straightened, then set and checked.",
    "chatter": "Contact worn; micro-switch replaced.",
    "gross": "Range spring slack; lock nut was loose. Set again and locked.",
}


class History:
    """Simulates every calibration in order of date."""

    def __init__(self, sheets: dict[str, list[Switch]], shelf: Shelf) -> None:
        self.sheets, self.shelf = sheets, shelf
        self.trips: dict[tuple[str, str], Trip] = {}
        self.calibrations: list[Calibration] = []

    def run(self) -> None:
        jobs: list[tuple[Day, str]] = []
        for tag, sheets in self.sheets.items():
            jobs += [(self._bench_day(tag, day), tag) for day in done_days(sheets)]
        for day, tag in sorted(jobs):
            self.calibrations.append(self.calibrate(tag, day, f"H{len(self.calibrations) + 1:05d}"))

    def sheet(self, tag: str, day: Day) -> Switch:
        return [s for s in self.sheets[tag] if s.effective_on <= day][-1]

    def _bench_day(self, tag: str, day: Day) -> Day:
        """The wished day, or the nearest one within the month with a good enough gauge."""
        for shift in sorted(range(-21, 22), key=abs):
            moved = day + dt.timedelta(days=shift)
            if not shop_open(moved) or (moved.year, moved.month) != (day.year, day.month):
                continue
            if moved > HISTORY_TO or moved < HISTORY_FROM:
                continue
            switch = self.sheet(tag, moved)
            required = float(procedure_on(switch.procedure, moved).required_tur)
            gauge = choose_gauge(switch, moved, required, self.shelf)
            if gauge is None:
                continue
            if (planned_ratio(gauge, switch) or 0) >= required or tag in ("VSH-6107", "PDSH-4413"):
                return moved
        return day

    def person(self, switch: Switch, day: Day, stream: Stream) -> tuple[str, str]:
        able = []
        for code, _, roles in PEOPLE:
            grants = [(since, held) for role, since, held in roles
                      if role == "technician" and since <= day]  # fmt: skip
            qualified = any(c == code and q == switch.quantity and a <= day <= b
                            for c, q, a, b in QUALIFICATIONS)  # fmt: skip
            if grants and max(grants)[1] and qualified:
                able.append(code)
        performer = stream.pick(able)
        return performer, stream.pick([c for c in ("P02", "P03", "P04", "P06") if c != performer])

    def calibrate(self, tag: str, day: Day, key: str) -> Calibration:
        switch = self.sheet(tag, day)
        stream = Stream("calibration", tag, day)
        procedure = procedure_on(switch.procedure, day)
        gauge = choose_gauge(switch, day, float(procedure.required_tur), self.shelf)
        if gauge is None:
            raise ValueError(f"{tag} on {day}: no gauge")
        certificate = self.shelf.in_force(gauge.code, day)
        if certificate is None:
            raise ValueError(f"{gauge.code} on {day}: no certificate")
        static_gauge = gauge if gauge.mode == "gauge" and float(switch.static) > 0 else None
        if tag in TWO_GAUGES and static_gauge is not None and self.shelf.in_force("RG-202", day):
            static_gauge = GAUGE["RG-202"]
        bench = Bench(switch, gauge, static_gauge, day, stream, self.shelf)
        when, story = FAILURES.get(tag, ("", ""))
        story = story if when and day.isoformat().startswith(when) else ""
        story = "demo" if key == "new" else story
        cycles: list[dict[str, str]] = []
        adjust = story in NOTES
        trips = []
        for point in switch.points:
            trip = self.trips.setdefault((tag, point.label), Trip(switch, point))
            trip.age(day, stream)
            late = 1 if point.direction == R else -1
            if story == "gross":
                trip.offset = late * stream.uniform(1.6, 2.4) * trip.tolerance
            if story == "masked":
                trip.offset = -1.24 * trip.tolerance
            if story == "demo":
                trip.offset = -0.66 * trip.tolerance
            trips.append(trip)
            found = []
            for run in range(1, procedure.runs[1] + 1):
                stuck = late * trip.sticking if run == 1 and story != "masked" else 0.0
                cycle, seen = bench.cycle(point, trip, "as-found", run, stuck)
                if story == "no trip":
                    cycle |= {"trip": "", "reset": "", "outcome": "no trip"}
                elif story == "no reset" and run > 1:
                    cycle |= {"reset": "", "outcome": "no reset"}
                elif story == "chatter" and run == 2:
                    cycle |= {"outcome": "chatter"}
                cycles.append(cycle)
                found.append(seen)
            band = trip.tolerance / 2
            mean = sum(found) / len(found)
            adjust = adjust or abs(mean) > band or any(abs(x) > 1.4 * band for x in found)
        if adjust:
            for point, trip in zip(switch.points, trips, strict=True):
                late = 1 if point.direction == R else -1
                hidden = bench.hidden_error(point)
                trip.offset = stream.normal(0, 0.10) * trip.tolerance - hidden
                trip.sticking = abs(stream.normal(0, 0.05)) * trip.tolerance
                for run in range(1, procedure.runs[2] + 1):
                    cycle, _ = bench.cycle(point, trip, "as-left", run, 0.0)
                    cycles.append(cycle)
        performer, second = self.person(switch, day, stream)
        safety = switch.criticality == "safety"
        shop = climate(day, "bench")
        row = {
            "calibration": key, "tag": tag, "performed_on": day.isoformat(),
            "performed_by": performer, "procedure": procedure.code,
            "procedure_revision": str(procedure.revision), "operating_gauge": gauge.code,
            "operating_certificate": certificate.number,
            "static_gauge": static_gauge.code if static_gauge else "",
            "static_certificate": "", "temperature_c": shop[0], "humidity": shop[1],
            "adjusted": "yes" if adjust else "no",
            "adjustment_note": NOTES.get(story, "Main screw turned, lock checked.")
            if adjust else "",
            "barometric": typed(stream.normal(1008, 6), "0.1") if switch.quantity == V else "",
            "barometric_unit": "hPa" if switch.quantity == V else "",
            "exercised_before_as_found": "no", "exercise_cycles": str(procedure.runs[0]),
            "contact_check": f"closed {typed(stream.uniform(0.1, 0.6), '0.1')} ohm, open clear",
            "seal": f"S{int(stream.uniform(10000, 99999))}" if adjust else "unbroken",
            "permit": f"W{day:%y%m%d}-{int(stream.uniform(1, 40)):02d}",
            "bypass": f"bypass by shift lead until {day.isoformat()} 16:00"
            if "trip" in switch.hazards else "",
            "returned_by": performer, "verified_by": second if safety else "",
            "work_order": f"J{int(stream.uniform(100000, 999999))}", "replaces": "",
            "replacement_reason": "", "remarks": "",
        }  # fmt: skip
        if static_gauge is not None:
            held = self.shelf.in_force(static_gauge.code, day)
            row["static_certificate"] = held.number if held else ""
        if "oxygen" in switch.hazards:
            row["remarks"] = "Oxygen-clean kept."
        return Calibration(key, row, [{"calibration": key, **cycle} for cycle in cycles])


class Bench:
    """Turns true trips into readings of the gauges of one calibration."""

    def __init__(self, switch: Switch, gauge: Gauge, static_gauge: Gauge | None, day: Day,
                 stream: Stream, shelf: Shelf) -> None:  # fmt: skip
        self.switch, self.gauge, self.static_gauge = switch, gauge, static_gauge
        self.day, self.stream, self.shelf = day, stream, shelf
        self.static = 0.0  # true, in the operating gauge's unit
        if static_gauge is not None:
            nominal = convert(float(switch.static), switch.line_unit, gauge.unit)
            self.static = nominal * (1 + stream.uniform(-0.012, 0.004))

    def read(self, gauge: Gauge, value: float) -> str:
        shown = value + self.shelf.error(gauge.code, value, self.day)
        shown = min(max(shown, float(gauge.low)), float(gauge.high))
        return typed(shown, gauge.resolution)

    def hidden_error(self, point: SetPoint) -> float:
        """What the shop does not know of the gauge's error, in the switch's unit."""
        gauge = self.gauge
        at = self.static + convert(float(point.value), self.switch.unit, gauge.unit)
        hidden = self.shelf.error(gauge.code, at, self.day) - self.shelf.believed(
            gauge.code, at, self.day
        )
        return convert(hidden, gauge.unit, self.switch.unit)

    def cycle(
        self, point: SetPoint, trip: Trip, phase: str, run: int, stuck: float
    ) -> tuple[dict[str, str], float]:
        """One line of cycles.csv, and the error of the trip as the shop sees it."""
        switch, gauge, stream = self.switch, self.gauge, self.stream
        x = float(point.value) + trip.offset + stuck + stream.normal(0, 1) * trip.scatter
        band = trip.dead_band * (1 + stream.normal(0, 0.03))
        back = x - band if point.direction == R else x + band
        static_now = self.static * (1 + stream.normal(0, 0.0004))
        static_text = ""
        seen_static = 0.0
        if self.static_gauge is not None:
            true = convert(static_now, gauge.unit, self.static_gauge.unit)
            static_text = self.read(self.static_gauge, true)
            seen_static = convert(
                float(static_text) - self.shelf.believed(self.static_gauge.code, true, self.day),
                self.static_gauge.unit, switch.unit,
            )  # fmt: skip
        at = static_now + convert(x, switch.unit, gauge.unit)
        trip_text = self.read(gauge, at)
        reset_text = self.read(gauge, static_now + convert(back, switch.unit, gauge.unit))
        seen = convert(
            float(trip_text) - self.shelf.believed(gauge.code, at, self.day), gauge.unit,
            switch.unit,
        )  # fmt: skip
        line = {"phase": phase, "set_point": point.label, "run": str(run), "outcome": "tripped",
                "trip": trip_text, "reset": reset_text, "static": static_text}  # fmt: skip
        return line, seen - seen_static - float(point.value)


# --- files ------------------------------------------------------------------------------------


class N(str):
    """A number as typed, for a numeric cell that shows the same digits."""

    __slots__ = ()


def quoted(value: object) -> str:
    """``value`` as TOML."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, (list, tuple)):
        if any(len(str(item)) > 60 for item in value):
            return "[\n" + "".join(f"    {quoted(item)},\n" for item in value) + "]"
        return "[" + ", ".join(quoted(item) for item in value) + "]"
    if isinstance(value, (int, Decimal, dt.date)):
        return str(value)
    return '"' + str(value).replace("\\", "\\\\").replace('"', '\\"') + '"'


def table(pairs: Iterable[tuple[str, object]]) -> str:
    return "".join(f"{key} = {quoted(value)}\n" for key, value in pairs)


def write_csv(path: Path, header: Sequence[str], rows: Iterable[Sequence[str]]) -> None:
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(header)
    writer.writerows(rows)
    path.write_text(text.getvalue(), encoding="utf-8", newline="\n")


def write_workbook(path: Path, sheets: dict[str, tuple[list[str], list[list[Any]]]]) -> None:
    """A workbook with fixed times: header row frozen, numbers shown with the digits typed."""
    import openpyxl
    from openpyxl.styles import Font

    book = openpyxl.Workbook()
    book.remove(book.worksheets[0])
    book.properties.creator = "make_sample_site.py"
    book.properties.created = dt.datetime(2026, 11, 20, 12, 0, 0)  # noqa: DTZ001 - fixed, zoneless
    for title, (header, rows) in sheets.items():
        sheet = book.create_sheet(title)
        sheet.append(header)
        for cell in sheet[1]:
            cell.font = Font(bold=True)
        for row in rows:
            sheet.append([_plain(value) for value in row])
            for cell, value in zip(sheet[sheet.max_row], row, strict=True):
                if isinstance(value, N):
                    digits = places(str(value))
                    cell.number_format = "0" + ("." + "0" * digits if digits else "")
                elif isinstance(value, dt.date):
                    cell.number_format = "yyyy-mm-dd"
        for index, name in enumerate(header, 1):
            longest = max([len(name), *(len(str(row[index - 1] or "")) for row in rows)])
            letter = sheet.cell(1, index).column_letter
            sheet.column_dimensions[letter].width = min(longest + 2, 48)
        sheet.freeze_panes = "B2"
    raw = io.BytesIO()
    book.save(raw)
    with zipfile.ZipFile(raw) as source, zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as target:
        for name in source.namelist():
            data = source.read(name)
            if name == "docProps/core.xml":
                data = re.sub(rb"(<dcterms:modified[^>]*>)[^<]*", rb"\g<1>2026-11-20T12:00:00Z",
                              data)  # fmt: skip
            entry = zipfile.ZipInfo(name, (2026, 11, 20, 12, 0, 0))
            entry.compress_type = zipfile.ZIP_DEFLATED
            entry.external_attr = 0o644 << 16
            target.writestr(entry, data)


def _plain(value: Any) -> Any:
    if isinstance(value, N):
        return int(value) if places(str(value)) == 0 else float(value)
    return None if value == "" else value


def write_site(folder: Path) -> None:
    parts = ["# The works, its areas, interval policies and laboratories.\n\n[site]\n",
             table([("code", "FHW"),
                    ("name", "Fenhollow Heat and Power Works (fictional)")])]  # fmt: skip
    for code, name in AREAS:
        parts += ["\n[[areas]]\n", table([("code", code), ("name", name)])]
    for policy in POLICIES:
        parts += ["\n[[policies]]\n", table(policy.items())]
    for lab in LABORATORIES:
        parts += ["\n[[laboratories]]\n", table((k, lab[k]) for k in ("code", "name", "kind"))]
        for number, start, end, scope in lab["accreditations"]:
            parts += ["\n[[laboratories.accreditations]]\n",
                      table([("number", number), ("valid_from", start), ("valid_until", end),
                             ("scope", scope)])]  # fmt: skip
    (folder / "site.toml").write_text("".join(parts), encoding="utf-8", newline="\n")


def write_people(folder: Path) -> None:
    write_csv(folder / "people.csv", ["person", "name", "role", "effective_on", "held"],
              [[code, name, role, since.isoformat(), "yes" if held else "no"]
               for code, name, roles in PEOPLE for role, since, held in roles])  # fmt: skip
    write_csv(folder / "qualifications.csv",
              ["person", "quantity", "granted_on", "expires_on", "granted_by"],
              [[code, quantity, start.isoformat(), end.isoformat(), "P07"]
               for code, quantity, start, end in QUALIFICATIONS])  # fmt: skip


def write_procedures(folder: Path) -> None:
    target = folder / "procedures"
    target.mkdir(exist_ok=True)
    for p in PROCEDURES:
        decision: list[tuple[str, object]] = [
            ("required_tur", D(p.required_tur)), ("rule", p.decision_rule),
            ("guard_factor", D(p.guard_factor)), ("coverage_probability", D(p.coverage)),
        ]  # fmt: skip
        if p.conformance:
            decision.append(("conformance_probability", D(p.conformance)))
        text = (
            table([("code", p.code), ("title", p.title), ("revision", p.revision),
                   ("approved_on", p.approved_on), ("approved_by", "P07"),
                   ("effective_on", p.effective_on), ("quantities", p.quantities),
                   ("hazards", p.hazards), ("steps", p.steps)])
            + "\n[runs]\n"
            + table([("exercise_cycles", p.runs[0]), ("as_found", p.runs[1]),
                     ("as_left", p.runs[2]), ("ramp_limit_fraction_per_s", D(p.ramp))])
            + "\n[environment]\n"
            + table([("temperature_min_c", D(p.climate[0])), ("temperature_max_c", D(p.climate[1])),
                     ("humidity_max", D(p.climate[2]))])
            + "\n[decision]\n" + table(decision)
        )  # fmt: skip
        name = f"{p.code}-r{p.revision}.toml"
        (target / name).write_text(text, encoding="utf-8", newline="\n")


SWITCH_HEADER = [
    "Tag", "Revision", "Effective on", "Reason", "Serial number", "Area", "Service", "Family",
    "Quantity", "Unit", "Range low", "Range high", "Line unit", "Proof pressure",
    "Static pressure", "Medium", "Criticality", "Outage-bound", "Status", "Interval policy",
    "Procedure", "Bench minutes", "Hazards",
]  # fmt: skip
SET_POINT_HEADER = [
    "Tag", "Revision", "Label", "Set point", "Direction", "Tolerance minus", "Tolerance plus",
    "Tolerance basis", "As-left minus", "As-left plus", "Dead band", "Dead band min",
    "Dead band max", "Repeatability limit", "Contact form", "Action", "Energised state",
]  # fmt: skip
GAUGE_HEADER = [
    "Gauge", "Revision", "Effective on", "Reason", "Serial number", "Description", "Status",
    "Mode", "Unit", "Range low", "Range high", "Resolution", "Accuracy", "Accuracy basis",
    "Drift per year", "Temperature coefficient", "Reference temperature", "Use corrections",
    "Tier", "Interval policy", "Oxygen clean", "Same-gauge correlation", "Static limit",
]  # fmt: skip


def serial(tag: str) -> str:
    return f"{int(Stream('serial', tag).uniform(100000, 999999))}"


def write_switches(folder: Path, sheets: dict[str, list[Switch]]) -> None:
    number: Callable[[str | None], object] = lambda text: N(text) if text else ""  # noqa: E731
    rows, points = [], []
    for tag in sheets:
        for s in sheets[tag]:
            rows.append([
                s.tag, s.revision, s.effective_on, s.reason, serial(s.tag), s.area, s.service,
                s.family, s.quantity, s.unit, N(s.low), N(s.high), s.line_unit, number(s.proof),
                N(s.static), s.medium, s.criticality, "yes" if s.outage else "no", s.status,
                s.policy, s.procedure, s.minutes, ", ".join(s.hazards),
            ])  # fmt: skip
            for p in s.points:
                points.append([
                    s.tag, s.revision, p.label, N(p.value), p.direction, number(p.minus),
                    number(p.plus), p.basis, number(p.as_left(p.minus)),
                    number(p.as_left(p.plus)), p.band[0], number(p.band[1]), number(p.band[2]),
                    number(p.repeatability), p.contact, p.action, p.energised,
                ])  # fmt: skip
    write_workbook(
        folder / "switches.xlsx",
        {"Switches": (SWITCH_HEADER, rows), "Set points": (SET_POINT_HEADER, points)},
    )


def write_certificates(folder: Path, shelf: Shelf) -> None:
    main, points, standards = [], [], []
    for c in shelf.all():
        get = c.extra.get
        main.append([
            c.number, c.gauge.code, c.laboratory, c.calibrated_on.isoformat(),
            c.issued_on.isoformat(), c.gauge.unit, *c.climate, "yes" if c.adjusted else "no",
            get("withdrawn_on", ""), get("withdrawal_reason", ""), get("replaces", ""),
            get("replacement_reason", ""), c.remarks,
        ])  # fmt: skip
        points += [[c.number, *line] for line in c.points]
        standards += [[c.number, *line] for line in c.standards]
    write_csv(folder / "certificates.csv", [
        "certificate", "gauge", "laboratory", "calibrated_on", "issued_on", "unit",
        "temperature_c", "humidity", "adjusted", "withdrawn_on", "withdrawal_reason", "replaces",
        "replacement_reason", "remarks"], main)  # fmt: skip
    write_csv(folder / "certificate_points.csv", [
        "certificate", "phase", "direction", "reference", "indication", "expanded_uncertainty",
        "coverage_factor"], points)  # fmt: skip
    write_csv(
        folder / "certificate_standards.csv",
        ["certificate", "description", "gauge", "standard_certificate"],
        standards,
    )


def write_history(folder: Path, history: History) -> None:
    rows = [c.row for c in history.calibrations]
    write_csv(folder / "calibrations.csv", list(rows[0]), [list(row.values()) for row in rows])
    cycles = [line for c in history.calibrations for line in c.cycles]
    write_csv(folder / "cycles.csv", list(cycles[0]), [list(line.values()) for line in cycles])


def write_new_calibration(folder: Path, history: History) -> None:
    """The readings file of the demo: PDSL-4104 on 2026-11-25, found low and adjusted."""
    job = history.calibrate("PDSL-4104", dt.date(2026, 11, 25), "new")
    row = job.row
    parts = [
        "# Readings of one calibration, as taken at the bench. They stand exactly as the gauge\n"
        "# showed them (trailing zeros too), in the gauge's own unit. The low side was locked at\n"
        "# line pressure, so one gauge reads both the static pressure and the trip:\n"
        "# difference = trip - static.\n\n",
        table([("tag", row["tag"]), ("date", dt.date(2026, 11, 25)), ("person", "P02"),
               ("work_order", row["work_order"]), ("permit", row["permit"]),
               ("bypass", "bypass by shift lead until 2026-11-25 16:00"),
               ("returned_by", "P02"), ("verified_by", "P03"),
               ("remarks", "Strainer side rinsed before removal.")]),
        "\n[procedure]\n",
        table([("code", row["procedure"]), ("revision", int(row["procedure_revision"]))]),
        "\n[gauges]            # the certificate in force is found by the date\n",
        table([("operating", row["operating_gauge"]), ("static", row["static_gauge"])]),
        "\n[conditions]\n",
        table([("temperature_c", D(row["temperature_c"])), ("humidity", D(row["humidity"]))]),
        "\n[adjustment]\n",
        table([("adjusted", row["adjusted"] == "yes"), ("note", row["adjustment_note"]),
               ("exercised_before_as_found", False), ("exercise_cycles", 3),
               ("seal", row["seal"]), ("contact_check", row["contact_check"])]),
    ]  # fmt: skip
    for line in job.cycles:
        parts += ["\n[[cycles]]\n",
                  table([("phase", line["phase"]), ("set_point", line["set_point"]),
                         ("run", int(line["run"])), ("static", D(line["static"])),
                         ("trip", D(line["trip"])), ("reset", D(line["reset"]))])]  # fmt: skip
    (folder / "new_calibration.toml").write_text("".join(parts), encoding="utf-8", newline="\n")


# What planning stands on: invented, as everything here.
OUTAGES = [
    ("REV-2026", "Summer revision 2026", dt.date(2026, 7, 6), dt.date(2026, 7, 24), ()),
    ("FWS-2027", "Feedwater pump stop", dt.date(2027, 3, 15), dt.date(2027, 3, 19), ("FWS",)),
    ("REV-2027", "Summer revision 2027", dt.date(2027, 7, 5), dt.date(2027, 7, 23), ()),
]
HOLIDAYS = [
    (dt.date(2026, 12, 24), "Midwinter eve"),
    (dt.date(2026, 12, 25), "Midwinter day"),
    (dt.date(2027, 1, 1), "New year"),
    (dt.date(2027, 5, 3), "Works anniversary"),
    (dt.date(2027, 12, 24), "Midwinter eve"),
]
HOURS = [("P02", 4), ("P03", 4), ("P04", 2)]
ABSENCES = [
    ("RG-204", dt.date(2026, 11, 16), dt.date(2026, 12, 18), "recalibration at WES"),
    ("RG-303", dt.date(2026, 12, 7), dt.date(2026, 12, 11), "calibration in the shop"),
]
LABORATORY_TERMS = [("NMH", 5, 20, 3), ("WES", 3, 15, 2), ("BEL", 3, 12, 2), ("TOL", 2, 10, 2),
                    ("SHOP", 0, 2, 1)]  # fmt: skip
USAGE = [("PSL-1108", "cycles", 20000, 17200), ("PSL-6111", "cycles", 50000, 11000)]


def write_planning(folder: Path, sheets: dict[str, list[Switch]]) -> None:
    parts = ["# What planning stands on: stops of the plant, hours, absences, redundancy.\n"]

    def add(table_name: str, /, **pairs: object) -> None:
        parts.extend([f"\n[[{table_name}]]\n", table(pairs.items())])

    for code, title, first, last, areas in OUTAGES:
        given: dict[str, object] = {"areas": areas} if areas else {}
        add("outages", code=code, name=title, first_on=first, last_on=last, **given)
    for day, title in HOLIDAYS:
        add("holidays", day=day, name=title)
    for person, hours in HOURS:
        add("hours", person=person, effective_on=SINCE, hours_per_week=hours)
    for gauge, first, last, reason in ABSENCES:
        add("gauge_absences", gauge=gauge, first_on=first, last_on=last, reason=reason)
    for lab, transit, turnaround, review in LABORATORY_TERMS:
        add("laboratory_terms", laboratory=lab, effective_on=SINCE, transit_days=transit,
            turnaround_days=turnaround, review_days=review)  # fmt: skip
    for tag, unit, limit, value in USAGE:
        add("usage_rules", tag=tag, name=unit, limit=limit, effective_on=dt.date(2025, 1, 1))
        add("usage_readings", tag=tag, name=unit, value=value, read_on=dt.date(2026, 11, 2))
    groups: dict[str, list[str]] = {}
    for tag in sheets:
        if tag[-1] in "ABC" and tag[-2].isdigit():
            groups.setdefault(tag[:-1], []).append(tag)
    for code, tags in groups.items():
        if len(tags) > 1:
            add("redundant_groups", code=code, tags=tags, weeks_apart=1)
    add("deferrals", tag="TSL-7206", due_on=dt.date(2026, 12, 2), until=dt.date(2026, 12, 18),
        reason="Hopper cannot be opened before the ash silo is emptied.",
        risk="Low temperature is also watched by the operator round twice a shift.",
        requested_by="P01", requested_on=dt.date(2026, 11, 16), approved_by="P07",
        approved_on=dt.date(2026, 11, 18))  # fmt: skip
    (folder / "planning.toml").write_text("".join(parts), encoding="utf-8", newline="\n")


def make(folder: Path) -> None:
    """Every input file of the sample site in ``folder`` (made if absent)."""
    folder.mkdir(parents=True, exist_ok=True)
    sheets = revise(build_switches())
    shelf = Shelf()
    history = History(sheets, shelf)
    history.run()
    write_site(folder)
    write_people(folder)
    write_procedures(folder)
    write_switches(folder, sheets)
    write_workbook(folder / "gauges.xlsx", {"Gauges": (GAUGE_HEADER, gauge_rows())})
    write_certificates(folder, shelf)
    write_history(folder, history)
    write_new_calibration(folder, history)
    write_planning(folder, sheets)


if __name__ == "__main__":
    make(Path(sys.argv[1]) if len(sys.argv) > 1 else Path(__file__).resolve().parent)
