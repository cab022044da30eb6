"""What a bench sheet shows while it is filled in is what the program finds from the readings.

Random readings are typed into sheets, LibreOffice works their formulas out, and each figure is
compared with the judgement of the same readings. Needs LibreOffice (``sh .setup/office``).
"""

from __future__ import annotations

import random
import shutil
import subprocess
from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import date
from decimal import Decimal
from fractions import Fraction
from pathlib import Path
from typing import Any

import openpyxl
import pytest

from calfleet import records as rec
from calfleet.adapters.workbook.sheet_book import ToPrint, workbook_bytes
from calfleet.adapters.workbook.sheet_form import Form, at
from calfleet.adapters.workbook.sheet_layout import lay_out
from calfleet.metrology.direction import Direction
from calfleet.metrology.units import PressureMode
from calfleet.records import GaugeRole, GaugeUsed, Phase, Quantity
from calfleet.scheduling.due import Standing
from calfleet.services.cautions import cautions_for
from calfleet.services.fit_gauges import fit_gauges
from calfleet.services.plan_bench import BenchPlan, choose_tools, targets_for, usual_head
from calfleet.services.record import Context, judge_record
from calfleet.services.sheet_content import HandOut, sheet_content

SOFFICE = shutil.which("soffice")
pytestmark = pytest.mark.skipif(
    SOFFICE is None, reason="LibreOffice is missing: sh .setup/office installs it"
)
D = Decimal
GIVEN = HandOut(date(2026, 3, 2), "P1", "Isolde Rushbrook", "LW", "Little Works", "0" * 64)


@dataclass(frozen=True)
class Job:
    """A job prepared, its sheet, and the gauges by role."""

    plan: BenchPlan
    sheet: rec.BenchSheet
    gauges: tuple[GaugeUsed, ...]


def job(little: Any, tag: str, gauge: str, *, static_gauge: str | None = None,
        static: Decimal | None = None, **changes: Any) -> Job:  # fmt: skip
    """A job of the little works, without a database; ``changes`` go to the facts or the switch."""
    switch = replace(little.switch(tag), **changes.pop("switch", {}))
    facts = little.facts(**changes)
    procedure = facts.procedures[switch.procedure][-1 if switch.procedure == "PR-D" else 1]
    plan = BenchPlan(
        switch=switch,
        procedure=procedure,
        cautions=cautions_for(switch, procedure.hazards),
        options=tuple(fit_gauges(switch, facts, little.today)),
        standing=Standing(due_on=little.today, why="Due today.", **_rest()),
        on=little.today,
        context=Context(facts=facts, switches={tag: [switch]}, performed={tag: []}),
    )
    tools = choose_tools(plan, gauge, static_gauge)
    content = sheet_content(plan, tools, static, {"N": "North", "S": "South"}, GIVEN)
    sheet = rec.BenchSheet(
        "B2026-0001", tag, switch.revision, procedure.code, procedure.revision, plan.on, content
    )
    used = [GaugeUsed(GaugeRole.OPERATING, gauge, "")]
    if content["static"]:
        used.append(GaugeUsed(GaugeRole.STATIC, static_gauge or gauge, ""))
    return Job(plan, sheet, tuple(used))


def _rest() -> dict[str, Any]:
    """The fields of a standing that a sheet does not show."""
    import dataclasses

    known = {"due_on", "why"}
    return {f.name: None for f in dataclasses.fields(Standing) if f.name not in known}


def typed(one: Job, form: Form, bench: rec.BenchRecord) -> dict[str, object]:
    """What somebody types into the form to report ``bench``."""
    entries: dict[str, object] = {
        "temperature": float(bench.temperature_c),
        "humidity": float(bench.humidity * 100),
    }
    for key, value in (
        ("barometer", bench.barometric), ("head_height", bench.head_height_m),
        ("head_density", bench.head_density_kg_m3),
    ):  # fmt: skip
        if value is not None:
            entries[key] = float(value)
    labels = [p.label for p in one.plan.switch.set_points]
    for c in bench.cycles:
        place = f"{labels.index(c.set_point)}:{c.phase}:{c.run}"
        if c.outcome != "tripped":
            entries[f"outcome:{place}"] = str(c.outcome)
        for what in ("static", "trip", "reset"):
            value = getattr(c, what)
            if value is not None and f"{what}:{place}" in form.fields:
                entries[f"{what}:{place}"] = float(value)
    return entries


def recalculated(book: bytes, folder: Path, fill: Callable[[Any], None]) -> Any:
    """The workbook after it was filled in, worked out and saved by LibreOffice."""
    handed, filled, saved = folder / "handed.xlsx", folder / "filled.xlsx", folder / "saved"
    handed.write_bytes(book)
    opened = openpyxl.load_workbook(handed)
    fill(opened)
    opened.save(filled)
    subprocess.run(
        [str(SOFFICE), "--headless", "--norestore", f"-env:UserInstallation=file://{folder}/lo",
         "--convert-to", "xlsx", "--outdir", str(saved), str(filled)],
        check=True, capture_output=True, timeout=180,
    )  # fmt: skip
    return openpyxl.load_workbook(saved / "filled.xlsx", data_only=True)


def readings(one: Job, dice: random.Random, phase: Phase) -> list[rec.Cycle]:
    """Random runs around the set points, on the gauge's steps; some fail, some sit on a limit."""
    found = []
    for n, point in enumerate(one.plan.switch.set_points):
        target = one.sheet.content["points"][n]["targets"]
        gauge = one.plan.option(one.gauges[0].gauge).gauge
        step = gauge.resolution
        low, high = (D(target[k] or target["set_point"]) for k in ("lower", "upper"))
        width = max(abs(high - low), 10 * step)
        rising = D(target["start"]) == D(target["exercise_bottom"])
        edges = [low, high, low - step, high + step, D(target["set_point"])]
        calm = dice.random() < 0.6  # a switch as most are; else one with all that can be wrong
        ends = [D(target[k]) for k in ("reset_low", "reset_high") if target[k] is not None]
        usual = abs(sum(ends) / len(ends) - D(target["set_point"])) if ends else 5 * step
        for run in range(1, 4):
            outcome = rec.CycleOutcome.TRIPPED
            if not calm and dice.random() < 0.12:
                outcome = dice.choice(list(rec.CycleOutcome)[1:])
            trip = D(str(round(dice.uniform(float(low - width / 4), float(high + width / 4)), 6)))
            if dice.random() < 0.4:
                trip = dice.choice(edges)
            if calm:
                trip = D(target["set_point"]) + D(dice.randint(-3, 3)) * step
            trip = (trip / step).to_integral_value() * step
            trip = min(max(trip, gauge.range_low + 20 * step), gauge.range_high - 20 * step)
            back = D(dice.randint(0, 30)) * step * max(1, int(width / step / 20))
            if calm:
                back = (usual / step).to_integral_value() * step
            reset: Decimal | None = trip - back if rising else trip + back
            reset = min(max(reset or trip, gauge.range_low), gauge.range_high)
            given: Decimal | None = trip
            if outcome in (rec.CycleOutcome.NO_TRIP, rec.CycleOutcome.CHATTER):
                given = reset = None
            elif outcome is rec.CycleOutcome.NO_RESET:
                reset = None
            static = None
            if one.sheet.content["static"] and (run == 1 or dice.random() < 0.5):
                code = one.sheet.content["static"]["gauge"]
                reader = next(o.gauge for o in one.plan.options if o.gauge.code == code)
                nominal = D(one.sheet.content["static"]["nominal"])
                static = nominal + D(dice.randint(-8, 8)) * reader.resolution * (not calm)
            found.append(rec.Cycle(point.label, phase, run, given, reset, static, outcome))
    return found


def bench_of(one: Job, dice: random.Random, cycles: list[rec.Cycle]) -> rec.BenchRecord:
    content = one.sheet.content
    return rec.BenchRecord(
        tag=one.plan.switch.tag,
        performed_on=one.plan.on,
        performed_by="T1",
        procedure=one.plan.procedure.code,
        procedure_revision=one.plan.procedure.revision,
        gauges=one.gauges,
        cycles=tuple(cycles),
        temperature_c=D(str(round(dice.uniform(16, 27), 1))),
        humidity=D(dice.randint(20, 70)) / 100,
        adjusted=True,
        exercise_cycles=3,
        barometric=D(dice.randint(9700, 10400)) / 10 if content["barometer"] else None,
        barometric_unit="hPa" if content["barometer"] else None,
        head_height_m=D(dice.choice((0, 0, -150, 75))) / 100 if content["head"] else None,
        head_density_kg_m3=D("998.2") if content["head"] else None,
    )


def jobs(little: Any) -> list[Job]:
    """Jobs that differ in unit, mode, direction, static pressure, gauges and certificates."""
    given = little.given
    psi = replace(
        little.gauge("G-BENCH"), code="G-PSI", unit="psi", range_high=D("250"),
        resolution=D("0.05"),
        drift_per_year=D("0.02"), temperature_coefficient=D("0.001"),
    )  # fmt: skip
    bent = tuple(
        rec.CertificatePoint(
            Phase.AS_FOUND, direction, D(reference),
            D(reference) + D(error) + (D("0.02") if direction is Direction.FALLING else 0),
            D("0.06"), D("2"),
        )
        for direction in Direction
        for reference, error in ((0, "0.03"), (40, "0.11"), (75, "-0.07"), (130, "0.05"),
                                 (250, "0.18"))
    )  # fmt: skip
    psi_certificate = replace(
        little.certificate("BENCH-25"), number="PSI-25", gauge="G-PSI", unit="psi", points=bent
    )
    vacuum = replace(
        little.gauge("G-BENCH"), code="G-VAC", mode=PressureMode.GAUGE, range_low=D("-100"),
        range_high=D("100"), resolution=D("0.02"), drift_per_year=D("0.02"),
        temperature_coefficient=D("0.001"), accuracy=D("0.01"),
    )  # fmt: skip
    below = tuple(
        rec.CertificatePoint(Phase.AS_FOUND, direction, D(r), D(r) + D("0.04"), D("0.05"), D("2"))
        for direction in Direction
        for r in (-100, -50, 0, 50, 100)
    )
    vacuum_certificate = replace(
        little.certificate("BENCH-25"), number="VAC-25", gauge="G-VAC", points=below
    )
    compound = replace(
        little.gauge("G-BENCH"), code="G-COMP", range_low=D("-102"), range_high=D("1000")
    )
    spread = tuple(
        rec.CertificatePoint(Phase.AS_FOUND, direction, D(r), D(r) + D("0.3"), D("0.5"), D("2"))
        for direction in Direction
        for r in (-102, 0, 300, 1000)
    )
    compound_certificate = replace(
        little.certificate("BENCH-25"), number="COMP-25", gauge="G-COMP", points=spread
    )
    more = {
        "gauges": (*given.gauges, psi, vacuum, compound),
        "certificates": (
            *given.certificates, psi_certificate, vacuum_certificate, compound_certificate,
        ),
    }  # fmt: skip
    low = replace(
        little.switch("PS-1").set_points[0], label="LL", value=D("180"),
        direction=Direction.FALLING, tolerance_minus=None, dead_band_min=None,
    )  # fmt: skip
    two = {"set_points": (*little.switch("PS-1").set_points, low)}
    absolute = {
        "quantity": Quantity.ABSOLUTE, "range_low": D("120"), "range_high": D("700"),
    }  # fmt: skip
    return [
        job(little, "PS-1", "G-BENCH"),
        job(little, "PS-1", "G-PSI", switch=two, **more),
        job(little, "PDS-2", "G-BENCH"),
        job(little, "PDS-2", "G-PSI", static_gauge="G-REF", **more),
        job(little, "PDS-2", "G-DIFF", **more),
        job(little, "PSO-3", "G-OXY"),
        job(little, "VS-4", "G-VAC", **more),
        job(little, "PS-1", "G-COMP", switch=absolute, **more),
    ]


EACH = 2
"""Sheets of each job, each with readings of its own."""


def test_the_live_figures_are_those_of_the_program(little: Any, tmp_path: Path) -> None:
    dice = random.Random(20261125)
    prepared = [one for one in jobs(little) for _ in range(EACH)]
    benches = []
    for one in prepared:
        cycles = readings(one, dice, Phase.AS_FOUND) + readings(one, dice, Phase.AS_LEFT)
        benches.append(bench_of(one, dice, cycles))
    book = workbook_bytes([ToPrint(one.sheet, "d") for one in prepared])
    forms: list[Form] = []

    def fill(opened: Any) -> None:
        pages = [page for page in opened.worksheets if page.title != "Round"]
        for page, one, bench in zip(pages, prepared, benches, strict=True):
            form = lay_out(one.sheet.content, number="B2026-0001", digest="d", title=page.title)
            forms.append(form)
            for key, value in typed(one, form, bench).items():
                field = form.fields[key]
                page.cell(field.row, field.column).value = value

    saved = recalculated(book, tmp_path, fill)
    pages = [page for page in saved.worksheets if page.title != "Round"]
    compared = {"PASS": 0, "FAIL": 0, "other": 0}
    for page, one, bench, form in zip(pages, prepared, benches, forms, strict=True):
        compare(page, form, one, bench, compared)
    assert compared["PASS"] >= 8, compared
    assert compared["FAIL"] >= 8, compared


def compare(
    page: Any, form: Form, one: Job, bench: rec.BenchRecord, compared: dict[str, int]
) -> None:
    """Each series of a sheet against the judgement of its readings."""
    judged = judge_record(one.plan.context, bench, today=one.plan.on, at=_now(), strict=False)
    for n, point in enumerate(one.plan.switch.set_points):
        for phase in Phase:
            result = next(
                r for r in judged.results if r.set_point == point.label and r.phase is phase
            )
            last = max(f.row for k, f in form.fields.items() if k.startswith(f"trip:{n}:{phase}:"))
            place = f"{page.title} {point.label} {phase}"
            mean = {c: page.cell(last + 1, c).value for c in (7, 8, 9, 10, 11)}
            spread = page.cell(last + 2, 7).value
            near(mean[7], result.found, place)
            near(mean[8], result.error, place)
            near(mean[10], result.dead_band, place)
            near(spread, result.repeatability, place)
            side = {None: "on it", True: "late", False: "early"}[result.late]
            if result.error is not None:
                assert mean[9] == side, place
            state = str(mean[11])
            assert not state.startswith("CHECK"), (place, state)
            if state.startswith("guard"):
                compared["other"] += 1
                continue
            word = "PASS" if state == "PASS" else "FAIL"
            assert state.startswith(word), (place, state)
            # what is inside the tolerance and passes; a ratio too small is told apart on return
            passed = result.verdict in ("pass", "conditional pass")
            assert (word == "PASS") is passed, (place, state, result.verdict, result.reason)
            compared[word] += 1


def near(shown: object, found: float | None, place: str) -> None:
    if found is None:
        assert shown in (None, ""), place
    else:
        assert shown == pytest.approx(found, rel=1e-9, abs=1e-9), place


def _now() -> Any:
    from datetime import UTC, datetime

    return datetime(2026, 3, 2, 9, 30, tzinfo=UTC)


def test_the_live_targets_follow_what_is_entered(little: Any, tmp_path: Path) -> None:
    """Static pressure, height and air move the targets as ``targets`` would give them."""
    prepared = jobs(little)
    book = workbook_bytes([ToPrint(one.sheet, "d") for one in prepared])
    given = {"head_height": D("1.5"), "head_density": D("998.2"), "barometer": D("987.6")}
    statics: dict[int, Decimal] = {}
    forms: list[Form] = []

    def fill(opened: Any) -> None:
        pages = [page for page in opened.worksheets if page.title != "Round"]
        for n, (page, one) in enumerate(zip(pages, prepared, strict=True)):
            form = lay_out(one.sheet.content, number="B2026-0001", digest="d", title=page.title)
            forms.append(form)
            entries = {k: v for k, v in given.items() if k in form.fields}
            if "static" in form.fields:
                nominal = D(one.sheet.content["static"]["nominal"])
                statics[n] = entries["static"] = nominal - D("3.7")
            for key, value in entries.items():
                field = form.fields[key]
                page.cell(field.row, field.column).value = float(value)

    saved = recalculated(book, tmp_path, fill)
    pages = [page for page in saved.worksheets if page.title != "Round"]
    for n, (page, one, form) in enumerate(zip(pages, prepared, forms, strict=True)):
        options = {o.gauge.code: o.gauge for o in one.plan.options}
        gauge = options[one.gauges[0].gauge]
        second = options[one.gauges[-1].gauge]
        expected = targets_for(
            one.plan.switch, gauge, statics.get(n), static_gauge=second,
            barometric=Fraction("98.76") if one.sheet.content["barometer"] else None,
            head=usual_head(given["head_height"], given["head_density"], one.plan.switch),
        )  # fmt: skip
        rows = [c.row for c in form.cells if c.style == "target"]
        for row, line in zip(rows, expected, strict=True):
            t = line.targets
            wanted = (
                t.start, t.set_point, t.lower, t.upper, t.as_left_lower, t.as_left_upper,
                t.reset_low, t.reset_high, t.exercise_bottom, t.exercise_top,
            )  # fmt: skip
            for column, value in enumerate(wanted, 3):
                shown = page.cell(row, column).value
                place = f"{page.title}!{at(row, column)}"
                if value is None:
                    assert shown == "open", place
                else:
                    assert shown == pytest.approx(float(value), abs=1e-9), place
