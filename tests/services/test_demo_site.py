"""The demo's site: every stored figure comes out of its raw readings again, and its stories show.

The stories are those told at the head of ``sample_site/make_sample_site.py``.
"""

from __future__ import annotations

import math
import statistics
from bisect import bisect_left
from collections import Counter, defaultdict
from collections.abc import Iterator
from dataclasses import fields, replace
from datetime import date
from decimal import Decimal
from fractions import Fraction
from functools import cache
from pathlib import Path
from typing import Any

import pytest
from scipy.stats import t as student
from sqlalchemy import Engine
from sqlalchemy.orm import Session

from calfleet import records as rec
from calfleet.adapters.workbook.sitefiles import read_bench_file, read_site
from calfleet.metrology.units import PressureMode
from calfleet.records import GaugeRole, Phase
from calfleet.services.bench_facts import BenchFacts, gather
from calfleet.services.build_site import build_site
from calfleet.services.list_due import list_due
from calfleet.services.record import Context, judge, judge_record, record
from calfleet.services.trace import trace
from calfleet.site import read_settings, sample_folder
from calfleet.store.engine import open_engine
from calfleet.store.queries import calibrations as queries
from calfleet.store.queries import due as due_queries
from calfleet.store.queries import gauges as gauge_queries
from calfleet.store.queries import shop
from calfleet.store.queries import switches as switch_queries
from calfleet.store.work import Work
from calfleet.traceability.chain import ChainFacts, ChainVerdict, trace_results

TODAY = date(2026, 11, 25)
NEWEST = "C2026-0145"


@pytest.fixture(scope="module")
def engine(demo_site: Path) -> Iterator[Engine]:
    made = open_engine(read_settings(demo_site).url)
    yield made
    made.dispose()


@pytest.fixture(scope="module")
def session(engine: Engine) -> Iterator[Session]:
    with Session(engine) as opened:
        yield opened


@pytest.fixture(scope="module")
def calibrations(session: Session) -> list[rec.Calibration]:
    """All of them, in the order in which they were entered (which was that of their days)."""
    return queries.all_calibrations(session)


@pytest.fixture(scope="module")
def facts(session: Session) -> BenchFacts:
    return gather(session)


@pytest.fixture(scope="module")
def sheets(session: Session) -> dict[str, tuple[rec.Switch, ...]]:
    found: dict[str, tuple[rec.Switch, ...]] = defaultdict(tuple)
    for switch in switch_queries.revisions(session):
        found[switch.tag] = (*found[switch.tag], switch)
    return found


# --- everything can be re-derived -------------------------------------------------------


def close(one: object, other: object) -> bool:
    """Equal, floats to twelve digits; inside lists and dicts as well."""
    if isinstance(one, float) and isinstance(other, float):
        return math.isclose(one, other, rel_tol=1e-12, abs_tol=1e-300)
    if isinstance(one, dict) and isinstance(other, dict):
        return one.keys() == other.keys() and all(close(one[k], other[k]) for k in one)
    if isinstance(one, list | tuple) and isinstance(other, list | tuple):
        return len(one) == len(other) and all(map(close, one, other))
    return one == other


class Pool:
    """Pooled repeatability of a family over its as-left series so far, written anew for the test.

    Pooled variance of series: sum(nu_i s_i^2) / sum(nu_i) (JCGM 100:2008 4.2.4), here of trips
    over the span.
    """

    def __init__(self) -> None:
        self.series: dict[str, list[tuple[int, float]]] = defaultdict(list)

    def add(self, calibration: rec.Calibration, sheet: rec.Switch) -> None:
        span = float(sheet.range_high - sheet.range_low)
        for result in calibration.results:
            if result.phase is Phase.AS_LEFT and result.trip_sd is not None:
                self.series[sheet.family].append((result.runs, result.trip_sd / span))

    def now(self) -> dict[str, tuple[float, int]]:
        return {
            family: (
                math.sqrt(
                    math.fsum((n - 1) * s * s for n, s in held) / sum(n - 1 for n, _ in held)
                ),
                sum(n - 1 for n, _ in held),
            )
            for family, held in self.series.items()
        }


def test_judging_every_stored_record_again_gives_every_stored_figure(
    calibrations: list[rec.Calibration],
    facts: BenchFacts,
    sheets: dict[str, tuple[rec.Switch, ...]],
) -> None:
    """Each is judged with what was known when it was entered: the pooled repeatability is that
    of the calibrations before it, not of all.
    """
    pool = Pool()
    performed: dict[str, list[date]] = defaultdict(list)
    differences: list[tuple[object, ...]] = []
    for stored in calibrations:
        tag = stored.bench.tag
        context = Context(
            replace(facts, repeatability=pool.now()), {tag: sheets[tag]}, {tag: performed[tag]}
        )
        again = judge_record(
            context, stored.bench, today=TODAY, at=stored.recorded_at,
            recorded_by=stored.recorded_by, strict=stored.origin is rec.Origin.BENCH,
        )  # fmt: skip
        for field in fields(rec.Calibration):
            one, other = getattr(stored, field.name), getattr(again, field.name)
            if field.name == "results":
                differences += [
                    (
                        stored.number,
                        was.set_point,
                        f.name,
                        getattr(was, f.name),
                        getattr(now, f.name),
                    )
                    for was, now in zip(one, other, strict=True)
                    for f in fields(rec.Result)
                    if not close(getattr(was, f.name), getattr(now, f.name))
                ]
            elif field.name not in ("number", "replaced_by") and one != other:
                differences.append((stored.number, field.name, one, other))
        performed[tag].append(stored.bench.performed_on)
        pool.add(stored, next(s for s in sheets[tag] if s.revision == stored.switch_revision))
    assert differences == []
    assert len(calibrations) == 592


def test_the_pool_makes_a_difference(calibrations: list[rec.Calibration], session: Session) -> None:
    """So that the test above could fail: many budgets rest on a pooled s, many on their own."""
    notes = Counter(
        part["note"].split(",")[0]
        for c in calibrations
        for r in c.results
        for part in r.budget["components"]  # type: ignore[attr-defined]
        if part["name"] == "repeatability"
    )
    assert notes["pooled s"] > 200
    assert sum(notes.values()) - notes["pooled s"] > 30
    pool = Pool()
    sheets = {(s.tag, s.revision): s for s in switch_queries.revisions(session)}
    for calibration in calibrations:
        pool.add(calibration, sheets[calibration.bench.tag, calibration.switch_revision])
    assert close(pool.now(), due_queries.pooled_repeatability(session))


PASCAL = {
    "kPa": Fraction(1000),
    "mbar": Fraction(100),
    "bar": Fraction(100_000),
    # pound-force per square inch: 0.45359237 kg x 9.80665 m/s2 / (0.0254 m)^2 (SP 811, exact)
    "psi": Fraction("0.45359237") * Fraction("9.80665") / Fraction("0.0254") ** 2,
    "inH2O_20C": Fraction("248.641"),  # as the site's certificates state it
    "degC": Fraction(1),
}


@cache
def branch(certificate: rec.Certificate, direction: str) -> tuple[list[Fraction], list[Fraction]]:
    """Indications in order and the errors there, of the points in use."""
    points = certificate.points_in(Phase.AS_LEFT) or certificate.points_in(Phase.AS_FOUND)
    own = sorted(
        (Fraction(p.indication), Fraction(p.indication) - Fraction(p.reference))
        for p in points
        if p.direction == direction
    )
    return [i for i, _ in own], [e for _, e in own]


def corrected(
    reading: Decimal, gauge: rec.Gauge, certificate: rec.Certificate, way: str
) -> Fraction:
    """The reading less the error at it, on the straight line between two points (own code)."""
    value = Fraction(reading)
    if not gauge.use_corrections:
        return value
    assert certificate.unit == gauge.unit
    at, errors = branch(certificate, way)
    right = min(max(bisect_left(at, value), 1), len(at) - 1)
    place = min(max(value, at[0]), at[-1])  # beyond an end point: the error of that point
    share = (place - at[right - 1]) / (at[right] - at[right - 1])
    return value - (errors[right - 1] + share * (errors[right] - errors[right - 1]))


def seen(
    calibration: rec.Calibration, cycle: rec.Cycle, point: rec.SetPoint, sheet: rec.Switch,
    facts: BenchFacts,
) -> tuple[Fraction | None, Fraction | None]:  # fmt: skip
    """Trip and reset in the switch's unit, from the raw readings alone."""
    used = {u.role: u for u in calibration.bench.gauges}
    on = calibration.bench.performed_on

    def sheet_of(code: str) -> rec.Gauge:
        return max(
            (g for g in facts.gauges[code] if g.effective_on <= on),
            key=lambda g: (g.effective_on, g.revision),
        )

    gauge = sheet_of(used[GaugeRole.OPERATING].gauge)
    paper = facts.certificates[used[GaugeRole.OPERATING].certificate]
    way = str(point.direction)
    back = "falling" if way == "rising" else "rising"
    low = Fraction(0)
    if cycle.static and gauge.mode is not PressureMode.DIFFERENTIAL:
        other = used.get(GaugeRole.STATIC, used[GaugeRole.OPERATING])
        static_gauge = sheet_of(other.gauge)
        low = corrected(cycle.static, static_gauge, facts.certificates[other.certificate], "rising")
        low *= PASCAL[static_gauge.unit] / PASCAL[sheet.unit]
    factor = PASCAL[gauge.unit] / PASCAL[sheet.unit]
    trip = None if cycle.trip is None else corrected(cycle.trip, gauge, paper, way) * factor - low
    reset = (
        None if cycle.reset is None else corrected(cycle.reset, gauge, paper, back) * factor - low
    )
    return trip, reset


def near(stored: float | None, wanted: Fraction | float | None, scale: float = 0.0) -> bool:
    if stored is None or wanted is None:
        return stored is None and wanted is None
    return math.isclose(stored, float(wanted), rel_tol=1e-9, abs_tol=1e-11 * scale)


def test_set_points_found_come_out_of_the_raw_readings_by_hand_written_code(
    calibrations: list[rec.Calibration],
    facts: BenchFacts,
    sheets: dict[str, tuple[rec.Switch, ...]],
) -> None:
    """Mean, first trip, error, dead band, spread and s of every result, recomputed independently
    of the program's own evaluation.
    """
    wrong = []
    checked = 0
    for calibration in calibrations:
        sheet = next(
            s for s in sheets[calibration.bench.tag] if s.revision == calibration.switch_revision
        )
        for result in calibration.results:
            point = next(p for p in sheet.set_points if p.label == result.set_point)
            cycles = sorted(
                (
                    c
                    for c in calibration.bench.cycles
                    if (c.set_point, c.phase) == (result.set_point, result.phase)
                ),
                key=lambda c: c.run,
            )
            both = [seen(calibration, c, point, sheet, facts) for c in cycles]
            counts = [c.outcome.value not in ("no trip", "chatter") for c in cycles]
            trips = [t for (t, _), good in zip(both, counts, strict=True) if good and t is not None]
            bands = [
                abs(t - r)
                for (t, r), good in zip(both, counts, strict=True)
                if good and t is not None and r is not None
            ]
            mean = sum(trips) / len(trips) if trips else None
            error = None if mean is None else mean - Fraction(point.value)
            late = None
            if error:
                late = (error > 0) == (point.direction == "rising")
            scale = float(sheet.range_high)
            spread = max(trips) - min(trips) if len(trips) > 1 else None
            s = statistics.stdev(map(float, trips)) if len(trips) > 1 else None
            pairs = {
                "found": (result.found, mean),
                "first_trip": (result.first_trip, both[0][0] if counts[0] else None),
                "error": (result.error, error),
                "dead_band": (result.dead_band, sum(bands) / len(bands) if bands else None),
                "repeatability": (result.repeatability, spread),
            }
            wrong += [
                (calibration.number, result.set_point, result.phase, name, stored, wanted)
                for name, (stored, wanted) in pairs.items()
                if not near(stored, wanted, scale)
            ]
            if s is None:
                assert result.trip_sd is None or len(trips) > 1
            else:
                assert result.trip_sd == pytest.approx(s, rel=1e-6, abs=1e-12 * scale)
            assert result.late is late
            assert result.runs == len(trips)
            assert result.required == point.value
            checked += 1
    assert wrong == []
    assert checked == 733


def test_uncertainties_and_ratios_come_out_of_their_stored_budgets(
    calibrations: list[rec.Calibration], sheets: dict[str, tuple[rec.Switch, ...]]
) -> None:
    """u_c (JCGM 100:2008 eq. 10, 16), nu_eff (eq. G.2b), k = t(nu_eff) cut to a whole number
    (G.4.1), U = k u_c, TUR = (T_U - T_L) / (2 U) (ANSI/NCSL Z540.3).
    """
    checked = 0
    for calibration in calibrations:
        for result in calibration.results:
            budget: Any = result.budget
            parts = {p["name"]: p["u"] * p["sensitivity"] for p in budget["components"]}
            square = math.fsum(u * u for u in parts.values())
            square += math.fsum(
                2 * r * parts[one] * parts[other] for one, other, r in budget["correlations"]
            )
            u = math.sqrt(square)
            assert result.standard_uncertainty == pytest.approx(u, rel=1e-9)
            if budget["coverage_basis"] == "t" and not budget["correlations"]:
                lost = math.fsum(
                    parts[p["name"]] ** 4 / p["dof"]
                    for p in budget["components"]
                    if p["dof"] != "inf"
                )
                nu = u**4 / lost if lost else math.inf
                if result.effective_dof is not None:
                    assert result.effective_dof == pytest.approx(nu, rel=1e-6)
                whole = math.inf if math.isinf(nu) else math.floor(nu + 0.005)
                k = 1.9599639845 if math.isinf(whole) else float(student.ppf(0.975, whole))
                assert result.coverage_factor == pytest.approx(k, rel=1e-6)
                checked += 1
            assert result.coverage_factor is not None
            assert result.expanded_uncertainty is not None
            assert result.expanded_uncertainty == pytest.approx(
                result.coverage_factor * u, rel=1e-9
            )
            sheet = next(
                s
                for s in sheets[calibration.bench.tag]
                if s.revision == calibration.switch_revision
            )
            point = next(p for p in sheet.set_points if p.label == result.set_point)
            if point.tolerance_minus is None or point.tolerance_plus is None:
                assert result.tur is None
                continue
            width = float(point.tolerance_minus + point.tolerance_plus)
            width *= {
                "absolute": 1.0,
                "% of span": float(sheet.range_high - sheet.range_low) / 100,
                "% of upper range value": float(sheet.range_high) / 100,
                "% of set point": abs(float(point.value)) / 100,
            }[point.tolerance_basis]
            assert result.tur == pytest.approx(width / (2 * result.expanded_uncertainty), rel=1e-9)
    assert checked > 500


def test_a_verdict_is_a_pass_only_where_every_judged_trip_is_accepted(
    calibrations: list[rec.Calibration], facts: BenchFacts,
    sheets: dict[str, tuple[rec.Switch, ...]],
) -> None:  # fmt: skip
    """As found: the first trip and every run inside the acceptance limits that are stored."""
    for calibration in calibrations:
        sheet = next(
            s for s in sheets[calibration.bench.tag] if s.revision == calibration.switch_revision
        )
        for result in calibration.results:
            if result.phase is not Phase.AS_FOUND or result.verdict != "pass":
                continue
            point = next(p for p in sheet.set_points if p.label == result.set_point)
            for cycle in calibration.bench.cycles:
                if (cycle.set_point, cycle.phase) != (result.set_point, result.phase):
                    continue
                trip, _ = seen(calibration, cycle, point, sheet, facts)
                assert trip is not None
                slack = Fraction(1, 10**9) * Fraction(sheet.range_high)
                if result.lower_acceptance is not None:
                    assert trip >= Fraction(result.lower_acceptance) - slack
                if result.upper_acceptance is not None:
                    assert trip <= Fraction(result.upper_acceptance) + slack


# --- the same on PostgreSQL -------------------------------------------------------------


@pytest.fixture
def other(postgres_url: str) -> Iterator[Engine]:
    made = open_engine(postgres_url)
    yield made
    made.dispose()


@pytest.mark.postgres
def test_the_same_input_gives_the_same_site_on_both_databases(
    engine: Engine, calibrations: list[rec.Calibration], other: Engine
) -> None:
    """Records to the last bit, due list and chain; all but the times of entry."""
    at = calibrations[0].recorded_at
    with Work(other, actor="demo", at=at, action="build", subject="demo") as work:
        build_site(work, read_site(sample_folder()), today=TODAY)
        work.commit()
    bench = read_bench_file(sample_folder() / "new_calibration.toml")
    with Work(other, actor=bench.performed_by, at=at, action="r", subject="s") as work:
        record(work, judge(work.session, bench, today=TODAY, at=at))
        work.commit()
    with Session(other) as theirs, Session(engine) as ours:
        found = queries.all_calibrations(theirs)
        assert len(found) == len(calibrations)
        for one, two in zip(calibrations, found, strict=True):
            assert replace(two, recorded_at=one.recorded_at) == one
        until = date(2026, 12, 31)
        assert list_due(theirs, as_of=TODAY, until=until) == list_due(
            ours, as_of=TODAY, until=until
        )
        assert trace(theirs, NEWEST) == trace(ours, NEWEST)
        assert gauge_queries.certificates(theirs) == gauge_queries.certificates(ours)


# --- the stories ------------------------------------------------------------------------


@pytest.fixture(scope="module")
def verdicts(
    calibrations: list[rec.Calibration],
    facts: BenchFacts,
    sheets: dict[str, tuple[rec.Switch, ...]],
    session: Session,
) -> dict[str, Any]:
    """The chain of every result, its standards judged once."""
    given = ChainFacts(
        calibrations={c.number: c for c in calibrations},
        switches={(s.tag, s.revision): s for held in sheets.values() for s in held},
        procedures=facts.procedures,
        people=facts.people,
        gauges=facts.gauges,
        certificates=facts.certificates,
        laboratories=shop.laboratories(session),
        valid_until={c.number: facts.valid_until(c) for c in facts.certificates.values()},
    )
    numbers = [c.number for c in calibrations]
    return dict(zip(numbers, trace_results(given), strict=True))


def used(calibration: rec.Calibration, gauge: str) -> bool:
    return any(u.gauge == gauge for u in calibration.bench.gauges)


def test_the_dropped_gauge_was_used_eight_times(calibrations: list[rec.Calibration]) -> None:
    """S1: RG-301, dropped on 2026-01-20 and found out on 2026-05-05."""
    uses = [
        c
        for c in calibrations
        if used(c, "RG-301") and date(2026, 1, 20) <= c.bench.performed_on < date(2026, 5, 5)
    ]
    assert len(uses) == 8
    (one,) = [c for c in uses if c.bench.tag == "PSLL-2206"]
    assert (one.bench.performed_on.year, one.bench.performed_on.month) == (2026, 3)
    assert one.passed_as_found  # as recorded then


def test_the_repaired_gauge_was_found_outside_its_accuracy(session: Session) -> None:
    from calfleet.services.list_gauges import list_certificates

    lines = list_certificates(session, "RG-301")
    assert lines[0].certificate.calibrated_on == date(2026, 5, 5)
    assert lines[0].within_accuracy.startswith("no,")
    assert [x.within_accuracy for x in lines[1:]] == ["yes"] * (len(lines) - 1)


def test_the_lapse_is_kept_as_findings_and_breaks_the_chain(
    calibrations: list[rec.Calibration], verdicts: dict[str, Any]
) -> None:
    """S2: RG-207 used after 2025-03-11 and before its certificate of 2025-04-22."""
    lapsed = [
        c
        for c in calibrations
        if used(c, "RG-207") and date(2025, 3, 12) <= c.bench.performed_on <= date(2025, 4, 21)
    ]
    assert lapsed
    found = [c for c in calibrations if any(f.code == "gauge" for f in c.findings)]
    assert [c.number for c in found] == [c.number for c in lapsed]
    for calibration in lapsed:
        assert "overdue since 2025-03-11" in calibration.findings[0].text
        chain = verdicts[calibration.number]
        assert chain.verdict is ChainVerdict.BROKEN
        assert [r.code for _, r in chain.problems] == ["certificate.expired"]


def test_the_broken_chain_is_broken_in_its_time_only(
    calibrations: list[rec.Calibration], verdicts: dict[str, Any]
) -> None:
    """S3: RG-302 from 2025-04-10 until 2026-04-01, through RG-205 to a laboratory whose
    accreditation had ended.
    """
    inside: list[str] = []
    outside: list[str] = []
    for calibration in calibrations:
        if used(calibration, "RG-302"):
            day = calibration.bench.performed_on
            certificate = calibration.bench.gauges[0].certificate
            hit = date(2025, 4, 10) <= day <= date(2026, 4, 1) and "-25-" in certificate
            (inside if hit else outside).append(calibration.number)
    assert len(inside) > 10
    assert len(outside) > 10
    for number in inside:
        assert verdicts[number].verdict is ChainVerdict.BROKEN
        assert "laboratory.not-accredited" in [r.code for _, r in verdicts[number].problems]
        assert any("TOL-25-0358" in r.text for _, r in verdicts[number].problems)
    for number in outside:
        assert verdicts[number].verdict is ChainVerdict.UNBROKEN


def test_every_other_chain_is_unbroken_and_ends_at_a_laboratory(
    calibrations: list[rec.Calibration], verdicts: dict[str, Any]
) -> None:
    for calibration in calibrations:
        chain = verdicts[calibration.number]
        codes = {r.code for _, r in chain.problems}
        if "laboratory.not-accredited" in codes:
            # only through the gauge of that laboratory's certificate
            keys = {node.key for node in chain.nodes}
            assert "certificate TOL-25-0358" in keys
            continue
        assert chain.ends
        if "certificate.expired" not in codes:
            assert chain.verdict is not ChainVerdict.BROKEN, calibration.number


@pytest.mark.parametrize("name", ["H00320", "H00336", "H00479", NEWEST])
def test_the_service_tells_the_same_chain(
    name: str, session: Session, verdicts: dict[str, Any]
) -> None:
    assert trace(session, name) == verdicts[name]


def test_jobs_of_december_without_a_gauge(session: Session) -> None:
    """S4: the vacuum gauges are away; S6: two switches no gauge serves well enough.

    A vacuum job of a day on which a gauge is expected back has it, and tells from when.
    """
    found = list_due(session, as_of=TODAY, until=date(2026, 12, 31))
    without = {x.tag: x.readiness for x in found.lines if not x.readiness.ready}
    vacuum = {x.tag: x for x in found.lines if x.quantity is rec.Quantity.VACUUM}
    assert len(vacuum) == 6
    assert set(without) == {"VSH-6107", "VSL-7205", "PDSH-4413"}
    assert "RG-204 away 2026-11-16" in without["VSL-7205"].reason
    assert "RG-303 not good enough" in without["VSH-6107"].reason
    assert "not good enough" in without["PDSH-4413"].reason
    for tag in vacuum.keys() - without.keys():
        back = vacuum[tag].readiness.back_on
        assert back is not None
        assert date(2026, 12, 4) < back <= vacuum[tag].due_on


def test_the_due_list_of_the_demo(session: Session) -> None:
    """Six overdue, three due at the end of November (by the head of the generator)."""
    found = list_due(session, as_of=TODAY, until=date(2026, 12, 31))
    assert found.totals.overdue == 6
    assert sum(x.due_on == date(2026, 11, 30) for x in found.lines) == 3
    overdue = {x.tag for x in found.lines[:6]}
    assert overdue == {
        "TSH-4306", "PDSL-5101", "PSL-1108", "PSHH-2202B", "PSL-4410", "VSL-7205",
    }  # fmt: skip
    assert found.totals.bench_minutes == sum(x.bench_minutes for x in found.lines)
    assert not {"PSH-1212", "PSL-5303"} & {x.tag for x in found.lines}  # S9: in the store


def test_a_qualification_that_ended_is_refused(session: Session) -> None:
    """S7: P04 for temperature until 2026-03-31."""
    from calfleet.errors import PersonRefused

    base = next(
        c
        for c in reversed(queries.calibrations_of(session, "TSH-4306"))
        if c.origin is rec.Origin.HISTORY
    )
    bench = replace(
        base.bench, performed_on=TODAY, performed_by="P04", verified_by=None, returned_by=None
    )
    with pytest.raises(PersonRefused, match="expired on 2026-03-31") as told:
        judge(session, bench, today=TODAY, at=base.recorded_at)
    assert "P02" in told.value.next_step


def test_the_certificate_issued_again(facts: BenchFacts) -> None:
    """S8: WES-24-0397 of RG-206, issued 2024-05-08, withdrawn and issued again 2024-05-27."""
    for day, wanted in (
        (date(2024, 5, 7), "WES-23-0298"),
        (date(2024, 5, 8), "WES-24-0397"),
        (date(2024, 5, 26), "WES-24-0397"),
        (date(2024, 5, 27), "WES-24-0397-R1"),
    ):
        found = facts.certificate_on("RG-206", day)
        assert found is not None
        assert found.number == wanted


def test_revised_data_sheets_are_judged_by(calibrations: list[rec.Calibration]) -> None:
    """S9: PSL-2105 and PDSH-7101 got another set point."""
    for tag in ("PSL-2105", "PDSH-7101"):
        required = {
            c.switch_revision: {r.required for r in c.results}
            for c in calibrations
            if c.bench.tag == tag
        }
        assert set(required) == {1, 2}
        assert required[1] != required[2]


def test_functions_that_failed_count_as_such(calibrations: list[rec.Calibration]) -> None:
    """S5: a switch that did not act is out, whatever it read in other runs."""
    categories = Counter(r.category for c in calibrations for r in c.results)
    for category in ("no trip", "no reset", "chatter"):
        assert categories[category] >= 1
    for calibration in calibrations:
        for result in calibration.results:
            if result.category in ("no trip", "no reset", "chatter"):
                assert result.verdict == "fail"
