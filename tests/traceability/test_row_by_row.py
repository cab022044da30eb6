"""All results at once against each by itself: every row the same, on sites made at random.

The slow way here takes one record after the other with Python's own numbers, straight from the
definition at the top of ``traceability.shifts``: the recorded value of each run less its shift
(exact fractions), against the recorded limits. It is how the program did it at first.
"""

from __future__ import annotations

import math
import random
from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from decimal import Decimal
from fractions import Fraction
from itertools import pairwise

import pytest

from calfleet.metrology.conformity import Rule, Verdict
from calfleet.metrology.direction import Direction
from calfleet.metrology.units import PressureMode, convert_difference
from calfleet.records import (
    BenchRecord,
    Calibration,
    Certificate,
    CertificatePoint,
    Criticality,
    Cycle,
    CycleOutcome,
    Gauge,
    GaugeRole,
    GaugeStatus,
    GaugeUsed,
    Origin,
    Phase,
    ProcedureRevision,
    Quantity,
    Result,
    SetPoint,
    StandardUsed,
    Switch,
    SwitchStatus,
)
from calfleet.traceability.affected import ShiftBook, find_affected
from calfleet.traceability.facts import ChainFacts
from calfleet.traceability.impact import (
    Beyond,
    Course,
    FoundBad,
    FoundPoint,
    Kind,
    LastGood,
    Row,
    State,
    impact,
)
from calfleet.traceability.rejudge import consequence
from calfleet.traceability.shifts import Shifts, flips

D = Decimal
START, FOUND = date(2025, 1, 1), date(2026, 1, 1)
AT = datetime(2026, 1, 1, tzinfo=UTC)
UNITS = ("bar", "kPa", "psi")


# --- sites --------------------------------------------------------------------------------------


def some_gauge(chance: random.Random, code: str, tier: int) -> Gauge:
    unit = chance.choice(UNITS)
    top = {"bar": D(20), "kPa": D(2000), "psi": D(300)}[unit]
    return Gauge(
        code=code, revision=1, effective_on=date(2020, 1, 1), reason="", serial=code,
        description="gauge", status=GaugeStatus.IN_SERVICE,
        mode=chance.choice((PressureMode.GAUGE, PressureMode.GAUGE, PressureMode.VACUUM)),
        unit=unit, range_low=-top, range_high=top, resolution=D("0.001"),
        accuracy=D("0.1"), accuracy_basis=chance.choice(("% of span", "% of reading")),
        drift_per_year=D(0), temperature_coefficient=D(0), reference_temperature_c=D(20),
        use_corrections=chance.random() < 0.7, tier=tier, policy="R12",
    )  # fmt: skip


def some_certificate(
    chance: random.Random, own: Gauge, day: date, standards: tuple[StandardUsed, ...]
) -> Certificate:
    """Eleven points from minus the range to the range; sometimes rising and falling apart."""
    ways: tuple[Direction | None, ...] = chance.choice(((None,), tuple(Direction)))
    points = []
    for way in ways:
        for k in range(-5, 6):
            indication = own.range_high * k / 5
            error = own.range_high * D(chance.randint(-5, 5)) / D(20000)
            points.append(
                CertificatePoint(
                    Phase.AS_FOUND, way, indication - error, indication,
                    own.range_high / D(2000), D(2),
                )
            )  # fmt: skip
    return Certificate(
        f"K-{own.code}", own.code, "LAB", day, day, own.unit, D(20), D("0.5"), False,
        tuple(points), standards,
    )  # fmt: skip


def number(chance: random.Random, low: float, high: float) -> Decimal:
    return D(str(round(chance.uniform(low, high), 3)))


def some_site(seed: int) -> tuple[ChainFacts, FoundBad]:
    """Gauges in three tiers and a sound one; calibrations with everything that makes a
    difference: static readings, runs that did not act, corrections, missing sheets and gauges."""
    chance = random.Random(seed)
    gauges: dict[str, tuple[Gauge, ...]] = {}
    certificates: dict[str, Certificate] = {}
    above: list[str] = []
    for tier, count in enumerate((1, 2, 3)):
        row = [f"G{tier}-{i}" for i in range(count)]
        for code in row:
            own = some_gauge(chance, code, tier + 1)
            gauges[code] = (own,)
            rests = tuple(StandardUsed("", a, f"K-{a}") for a in above[:1])
            one = some_certificate(chance, own, START + timedelta(20 * tier), rests)
            certificates[one.number] = one
        above = row
    gauges["SOUND"] = (some_gauge(chance, "SOUND", 1),)
    certificates["K-SOUND"] = some_certificate(chance, gauges["SOUND"][0], START, ())
    procedure = ProcedureRevision(
        "PR", "Pressure", 1, date(2019, 1, 1), "P1", date(2020, 1, 1),
        (Quantity.PRESSURE, Quantity.VACUUM), 0, 3, 3, D(0), D(10), D(30), D("0.8"), D(4),
        "simple acceptance", D(1), D("0.95"),
    )  # fmt: skip
    switches: dict[tuple[str, int], Switch] = {}
    for i in range(12):
        points = tuple(
            SetPoint(
                label, D(value), chance.choice(tuple(Direction)), D("0.5"), D("0.5"), "absolute",
                chance.choice((None, D("0.1"))), chance.choice((None, D("0.6"))), "fixed",
                D("0.1"), chance.choice((None, D("0.1"))), D("0.5"), "NO", "trip", "open",
            )
            for label, value in (("H", 10), ("L", 5))
        )  # fmt: skip
        for revision in (1, 2):
            if chance.random() < 0.1:
                continue
            switches[f"S{i}", revision] = Switch(
                f"S{i}", revision, date(2019 + revision, 1, 1), f"service {i}", "",
                f"A{chance.randint(1, 3)}", "", "F",
                chance.choice((Quantity.PRESSURE, Quantity.VACUUM)), "bar", D(0), D(20), "bar",
                D(30), D(0), "air", chance.choice(tuple(Criticality)), False,
                chance.choice(tuple(SwitchStatus)), "P", "PR", 30, (), points,
            )  # fmt: skip
    codes = list(gauges)
    calibrations: dict[str, Calibration] = {}
    for i in range(150):
        revision = chance.randint(1, 2)
        uses = [used(GaugeRole.OPERATING, chance.choice(codes))]
        if chance.random() < 0.3:
            uses.append(used(GaugeRole.STATIC, chance.choice(codes)))
        if chance.random() < 0.05:
            uses[0] = replace(uses[0], certificate="K-MISSING")
        tag = f"S{chance.randint(0, 11)}"
        cycles, results = readings(chance, len(uses) > 1)
        bench = BenchRecord(
            tag, START + timedelta(chance.randint(0, 400)), "P1", "PR", chance.choice((1, 1, 2)),
            tuple(uses), cycles, D(20), D("0.5"), False,
        )  # fmt: skip
        later = f"C{i - 1}" if i and chance.random() < 0.05 else None
        calibrations[f"C{i}"] = Calibration(
            f"C{i}", bench, revision, results, (), Origin.BENCH, "1",
            AT + timedelta(seconds=chance.randint(0, 5)), "P1", replaced_by=later,
        )  # fmt: skip
    bad = gauges["G0-0"][0]
    size = bad.range_high * number(chance, 0.002, 0.02)
    reach = chance.choice((5, 5, 2))  # now and then the points found end early
    event = FoundBad(
        "G0-0", FOUND, Kind.AS_FOUND, LastGood(START, "K-G0-0", "calibration"),
        tuple(
            FoundPoint(bad.range_high * k / 5, size * k / 5) for k in range(-reach, reach + 1)
        ),
        bad.unit, beyond=chance.choice(tuple(Beyond)),
    )  # fmt: skip
    facts = ChainFacts(
        calibrations, switches, {"PR": (procedure,)}, {}, gauges, certificates, {}, {}
    )
    return facts, event


def used(role: GaugeRole, code: str) -> GaugeUsed:
    return GaugeUsed(role, code, f"K-{code}")


def readings(chance: random.Random, static: bool) -> tuple[tuple[Cycle, ...], tuple[Result, ...]]:
    cycles: list[Cycle] = []
    results: list[Result] = []
    for label, value in (("H", 10.0), ("L", 5.0)):
        for phase in Phase:
            if chance.random() < 0.3:
                continue
            near = chance.gauss(value, 0.25)
            runs = chance.randint(0 if chance.random() < 0.05 else 1, 4)
            mine = []
            for run in range(1, runs + 1):
                outcome = CycleOutcome.TRIPPED
                if chance.random() < 0.05:
                    outcome = chance.choice(tuple(CycleOutcome))
                trip = number(chance, near - 0.03, near + 0.03)
                mine.append(
                    Cycle(
                        label, phase, run,
                        None if outcome is CycleOutcome.NO_TRIP else trip,
                        None if chance.random() < 0.2 else trip - number(chance, 0, 0.7),
                        number(chance, 0, 3) if static and chance.random() < 0.6 else None,
                        outcome,
                    )
                )  # fmt: skip
            chance.shuffle(mine)
            cycles += mine
            results.append(some_result(chance, label, phase, value, near))
    return tuple(cycles), tuple(results)


def some_result(
    chance: random.Random, label: str, phase: Phase, value: float, near: float
) -> Result:
    low, high = value - 0.5, value + 0.5
    sides = chance.choice(((low, high), (low, high), (None, high), (low, None)))
    guard = chance.choice((0.0, 0.05))
    return Result(
        label, phase, "bar", D(str(value)), None if chance.random() < 0.03 else near, near,
        near - value, None, 0.5, 0.05, 3, 0.02, 0.015, 2.0,
        None if chance.random() < 0.05 else chance.choice((0.03, 0.2)), None, 0.95,
        chance.choice((None, 2.0, 16.0)), *sides,
        None if sides[0] is None else sides[0] + guard,
        None if sides[1] is None else sides[1] - guard,
        chance.choice(tuple(Rule)), "", chance.choice(tuple(Verdict)), "", "", 0.0,
    )  # fmt: skip


# --- the slow way -------------------------------------------------------------------------------


class Slow:
    """Judges one result after the other."""

    def __init__(self, facts: ChainFacts, event: FoundBad) -> None:
        self.facts, self.event = facts, event
        self.book = ShiftBook(facts, event, find_affected(facts, event))
        self.certificates = self.book.affected.certificates

    def tier(self, use: GaugeUsed, day: date) -> int:
        if use.gauge == self.event.gauge and self.event.touches(
            self.facts.certificates.get(use.certificate), use.certificate, day
        ):
            return 1
        found = self.certificates.get(use.certificate)
        return found.tier + 1 if found else 0

    def results(self) -> Iterator[tuple[Calibration, Result]]:
        for c in self.facts.calibrations.values():
            touched = any(self.tier(u, c.bench.performed_on) for u in c.bench.gauges)
            known = any(s.tag == c.bench.tag for s in self.facts.switches.values())
            if touched and known and c.replaced_by is None:
                yield from ((c, r) for r in c.results)

    def shifts(self, use: GaugeUsed, day: date) -> Shifts | None:
        return self.book.of(use.gauge, use.certificate, day, affected=self.tier(use, day) > 0)

    def judge(self, c: Calibration, r: Result) -> tuple[State, State | None, State | None] | None:
        """The states before and after, worst and linear; ``None`` where nothing can be judged."""
        day = c.bench.performed_on
        switch = self.facts.switches.get((c.bench.tag, c.switch_revision))
        cycles = sorted(
            (y for y in c.bench.cycles if (y.set_point, y.phase) == (r.set_point, r.phase)),
            key=lambda y: y.run,
        )
        by_role = {u.role: u for u in reversed(c.bench.gauges)}
        operating = by_role[GaugeRole.OPERATING]
        if switch is None or not cycles or self.shifts(operating, day) is None:
            return None
        static = by_role.get(GaugeRole.STATIC, operating)
        pressed = any(y.static for y in cycles)
        if pressed and self.shifts(static, day) is None:
            return None
        point = next((p for p in switch.set_points if p.label == r.set_point), None)
        assert point is not None
        sign, way = self.sense(operating, switch, point.direction)
        low_sign, held = self.sense(static, switch, Direction.RISING)
        seen: list[tuple[Fraction | None, ...]] = []
        band: list[tuple[Fraction | None, ...]] = []
        current: Decimal | None = None
        for y in cycles:
            current = y.static if y.static is not None else current
            if y.trip is None or y.outcome is CycleOutcome.CHATTER:
                continue
            trip = self.reading(operating, day, Fraction(y.trip), way)
            low: list[Fraction | None] = [Fraction(0)] * 3
            if pressed:  # before the first static reading there was no pressure
                low = self.reading(static, day, Fraction(current or 0), held)
            values = [None if a is None or b is None else sign * a - low_sign * b
                      for a, b in zip(trip, low, strict=True)]  # fmt: skip
            seen.append(tuple(values))
            if y.reset is not None:
                back = self.reading(operating, day, Fraction(y.reset), way.opposite)
                turn = sign if point.direction is Direction.RISING else -sign
                band.append(
                    tuple(None if a is None or b is None else turn * (a - b)
                          for a, b in zip(trip, back, strict=True))
                )  # fmt: skip
        before = self.state(c, r, point, cycles, seen, band, 0)
        contradicts = any(b[0] is not None and b[0] < 0 for b in band)
        states: list[State | None] = []
        for n in (1, 2):
            unknown = any(v[n] is None for v in (*seen, *band))
            refused = not contradicts and any(b[n] is not None and b[n] < 0 for b in band)  # type: ignore[operator]
            made = None if unknown or refused else self.state(c, r, point, cycles, seen, band, n)
            states.append(made)
        return before, states[0], states[1]

    def sense(self, use: GaugeUsed, switch: Switch, way: Direction) -> tuple[Fraction, Direction]:
        """One unit of the gauge in the switch's unit, and the way its reading moved."""
        gauge = self.facts.gauges[use.gauge][0]
        turned = flips(gauge.mode, switch.quantity.gauge_modes[0])
        factor = convert_difference(1, gauge.unit, switch.unit)
        return (-factor if turned else factor), way.opposite if turned else way

    def reading(
        self, use: GaugeUsed, day: date, value: Fraction, way: Direction
    ) -> list[Fraction | None]:
        """The reading less its error: as recorded, and with the shift of either course."""
        shifts = self.shifts(use, day)
        assert shifts is not None
        if not shifts.covers(value, way):
            return [None, None, None]
        corrected = value
        if self.facts.gauges[use.gauge][0].use_corrections:
            corrected = value - error_at(shifts, value, way)
        moved: list[Fraction | None] = [corrected]
        for course in (Course.WORST, Course.LINEAR):
            shift = shifts.at(value, way, course, self.event.fraction(day))
            moved.append(None if shift is None else corrected - shift)
        return moved

    def state(
        self,
        c: Calibration,
        r: Result,
        point: SetPoint,
        cycles: list[Cycle],
        seen: list[tuple[Fraction | None, ...]],
        band: list[tuple[Fraction | None, ...]],
        n: int,
    ) -> State:
        recorded = [float(v[0]) for v in seen if v[0] is not None]
        offset = math.nan
        if recorded and r.found is not None:
            offset = r.found - sum(recorded) / len(recorded)
        values = [float(v[n]) + offset for v in seen if v[n] is not None]  # type: ignore[arg-type]
        values = [v for v in values if not math.isnan(v)]
        bands = [float(b[n]) for b in band if b[n] is not None]  # type: ignore[arg-type]
        lower, upper = edge(r.lower_limit, -1), edge(r.upper_limit, 1)
        accept_low, accept_high = edge(r.lower_acceptance, -1), edge(r.upper_acceptance, 1)
        failed = any(y.outcome is not CycleOutcome.TRIPPED for y in cycles)
        limits = []
        if len(values) > 1 and max(values) - min(values) > edge(point.repeatability_limit, 1):
            limits.append("repeatability")
        mean = sum(bands) / len(bands) if bands else math.nan
        if mean < edge(point.dead_band_min, -1) or mean > edge(point.dead_band_max, 1):
            limits.append("dead band")
        verdict = Verdict.PASS
        if failed or limits:
            verdict = Verdict.FAIL
        elif values:
            verdict = self.verdict(c, r, values, (lower, upper), (accept_low, accept_high))
        margins = [min(v - lower, upper - v) for v in values]
        return State(
            verdict, min(margins, default=None), sum(values) / len(values) if values else None,
            min(values, default=None), max(values, default=None), r.expanded_uncertainty or 0.0,
            " ".join(limits), failed,
        )  # fmt: skip

    def verdict(
        self,
        c: Calibration,
        r: Result,
        values: list[float],
        tolerance: tuple[float, float],
        accept: tuple[float, float],
    ) -> Verdict:
        def within(low: float, high: float) -> bool:
            return all(low <= v <= high for v in values)

        procedures = self.facts.procedures[c.bench.procedure]
        required = next(
            (p.required_tur for p in procedures if p.revision == c.bench.procedure_revision), None
        )
        if r.decision_rule == Rule.SIMPLE and required and r.tur and r.tur < required:
            return Verdict.CONDITIONAL_PASS if within(*tolerance) else Verdict.FAIL
        if within(*accept):
            return Verdict.PASS
        if r.decision_rule != Rule.NON_BINARY:
            return Verdict.FAIL
        guard = accept[0] - tolerance[0] if math.isfinite(accept[0]) else tolerance[1] - accept[1]
        if within(*tolerance):
            return Verdict.CONDITIONAL_PASS
        if within(tolerance[0] - guard, tolerance[1] + guard):
            return Verdict.CONDITIONAL_FAIL
        return Verdict.FAIL


def edge(limit: float | Decimal | None, side: int) -> float:
    return side * math.inf if limit is None else float(limit)


def error_at(shifts: Shifts, reading: Fraction, way: Direction) -> Fraction:
    """The recorded error, a straight line between knots."""
    knots = shifts.branch(way)
    for low, high in pairwise(knots):
        if low.indication <= reading <= high.indication:
            part = (reading - low.indication) / (high.indication - low.indication)
            return low.error + part * (high.error - low.error)
    raise AssertionError(reading)


# --- the two against each other -----------------------------------------------------------------


def agree(row: Row, slow: tuple[State, State | None, State | None], near: float) -> None:
    for made, wanted in zip((row.before, row.worst, row.linear), slow, strict=True):
        assert (made is None) is (wanted is None), row
        if made is None or wanted is None:
            continue
        for name in ("margin", "found", "low", "high", "U"):
            a, b = getattr(made, name), getattr(wanted, name)
            assert (a is None) is (b is None), (name, row)
            assert a is None or a == pytest.approx(b, rel=1e-12, abs=near), (name, row)
        assert made.verdict is wanted.verdict, row
        assert bool(made.limits) is bool(wanted.limits), row
        assert made.failed is wanted.failed
    assert row.under_worst is consequence(slow[0], slow[1])
    assert row.under_linear is consequence(slow[0], slow[2])


@pytest.mark.parametrize("seed", range(12))
def test_every_row_is_what_it_is_by_itself(seed: int) -> None:
    facts, event = some_site(seed)
    found = impact(facts, event, exact_up_to=0)
    slow = Slow(facts, event)
    rows = {(row.calibration, row.set_point, row.phase): row for row in found.rows}
    assert len(rows) == len(found.rows)
    wanted = list(slow.results())
    assert rows.keys() == {(c.number, r.set_point, r.phase) for c, r in wanted}
    assert len(rows) > 50
    judged = 0
    for c, r in wanted:
        row = rows[c.number, r.set_point, r.phase]
        states = slow.judge(c, r)
        tiers = [t for u in c.bench.gauges if (t := slow.tier(u, c.bench.performed_on))]
        assert row.tier == min(tiers)
        if states is None:
            assert row.worst is None
            assert row.why_unknown
            continue
        judged += 1
        agree(row, states, 1e-12)
    assert judged > 30
    agree_in_order(found.rows)


def agree_in_order(rows: object) -> None:
    """Sorted as the head of ``traceability.impact`` says."""
    weights = list(Criticality)
    keys = [
        (
            row.consequence.rank, weights.index(row.criticality), not row.describes_now,
            -math.inf if (row.worst or row.before).margin is None
            else (row.worst or row.before).margin,
            row.performed_on, row.calibration, row.set_point, row.phase,
        )
        for row in rows  # type: ignore[attr-defined]
    ]  # fmt: skip
    assert keys == sorted(keys)


@pytest.mark.parametrize("seed", range(3))
def test_the_last_word_on_a_switch(seed: int) -> None:
    """``later`` and ``describes_now`` from the records, one after the other."""
    facts, event = some_site(seed)
    for row in impact(facts, event, exact_up_to=0).rows:
        own = sorted(
            (c for c in facts.calibrations.values()
             if c.bench.tag == row.tag and c.replaced_by is None),
            key=lambda c: (c.bench.performed_on, c.recorded_at, c.number),
        )  # fmt: skip
        place = [c.number for c in own].index(row.calibration)
        after = own[place + 1].number if place + 1 < len(own) else None
        assert row.later == after
        left = any(
            r.set_point == row.set_point and r.phase is Phase.AS_LEFT for r in own[place].results
        )
        assert row.describes_now is (after is None and (row.phase is Phase.AS_LEFT or not left))


def test_rows_are_made_when_asked_for() -> None:
    facts, event = some_site(1)
    found = impact(facts, event, exact_up_to=0)
    whole = list(found.rows)
    assert found.rows[0] == whole[0]
    assert found.rows[-1] == whole[-1]
    assert found.rows[3:7] == whole[3:7]
    assert found.rows == whole
    assert found.rows != whole[:-1]
    with pytest.raises(IndexError):
        found.rows[len(whole)]
    for what in {row.consequence for row in whole}:
        own = [row for row in whole if row.consequence is what]
        assert list(found.rows_of(what)) == own
        assert list(found.rows_of(what, 2)) == own[:2]
        assert found.count(what) == len(own)
