"""A small works written by hand: eight switches, seven gauges, a little history.

Built through ``build_site`` on migrated databases; people, laboratories and places are invented.
"""

from __future__ import annotations

import shutil
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime
from decimal import Decimal
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import Engine, text
from sqlalchemy.orm import Session

from calfleet import records as rec
from calfleet.metrology.direction import Direction
from calfleet.metrology.units import PressureMode
from calfleet.records import GaugeRole, Hazard, Phase, Quantity, Role
from calfleet.services.bench_facts import BenchFacts
from calfleet.services.build_site import build_site
from calfleet.services.record import judge, record
from calfleet.store.base import Base
from calfleet.store.engine import open_engine
from calfleet.store.work import Work

D = Decimal
TODAY = date(2026, 3, 2)
NOW = datetime(2026, 3, 2, 9, 30, tzinfo=UTC)
SINCE = date(2024, 1, 2)


def _set_point(
    label: str,
    value: str,
    direction: Direction,
    tolerance: str,
    as_left: str,
    dead_band: tuple[str | None, str | None] = (None, None),
    repeatability: str | None = "1.0",
) -> rec.SetPoint:
    low, high = dead_band
    return rec.SetPoint(
        label=label,
        value=D(value),
        direction=direction,
        tolerance_minus=D(tolerance),
        tolerance_plus=D(tolerance),
        tolerance_basis="absolute",
        as_left_minus=D(as_left),
        as_left_plus=D(as_left),
        dead_band_kind="fixed",
        dead_band_min=None if low is None else D(low),
        dead_band_max=None if high is None else D(high),
        repeatability_limit=None if repeatability is None else D(repeatability),
        contact_form="change-over",
        action="alarm",
        energised_state="closed",
    )


def _switches() -> tuple[rec.Switch, ...]:
    rising, falling = Direction.RISING, Direction.FALLING
    first = rec.Switch(
        tag="PS-1",
        revision=1,
        effective_on=SINCE,
        reason="taken over",
        serial="S-1",
        area="N",
        service="steam drum",
        family="PX",
        quantity=Quantity.PRESSURE,
        unit="kPa",
        range_low=D("100"),
        range_high=D("600"),
        line_unit="kPa",
        proof_pressure=D("1000"),
        static_nominal=D("0"),
        medium="steam",
        criticality=rec.Criticality.SAFETY,
        outage_bound=False,
        status=rec.SwitchStatus.IN_SERVICE,
        policy="Y12",
        procedure="PR-P",
        bench_minutes=40,
        hazards=(Hazard.HOT,),
        set_points=(_set_point("H", "400", rising, "10", "5", ("5", "40"), "3.0"),),
    )
    difference = replace(
        first,
        tag="PDS-2",
        area="S",
        service="filter",
        family="DX",
        quantity=Quantity.DIFFERENTIAL,
        range_low=D("20"),
        range_high=D("100"),
        proof_pressure=D("2500"),
        static_nominal=D("800"),
        criticality=rec.Criticality.PRODUCTION,
        procedure="PR-D",
        bench_minutes=60,
        hazards=(),
        set_points=(_set_point("H", "60", rising, "8", "4", (None, "12")),),
    )
    oxygen = replace(
        first,
        tag="PSO-3",
        service="oxygen header",
        range_low=D("500"),
        range_high=D("2000"),
        proof_pressure=D("4000"),
        criticality=rec.Criticality.ENVIRONMENT,
        policy="G12",
        bench_minutes=30,
        hazards=(Hazard.OXYGEN,),
        set_points=(_set_point("L", "1500", falling, "40", "20", (None, None)),),
    )
    vacuum = replace(
        first,
        tag="VS-4",
        service="condenser",
        family="VX",
        quantity=Quantity.VACUUM,
        range_low=D("10"),
        range_high=D("90"),
        criticality=rec.Criticality.GENERAL,
        hazards=(),
        set_points=(_set_point("H", "60", rising, "3", "2"),),
    )
    never = replace(
        first,
        tag="PS-5",
        area="S",
        effective_on=date(2025, 8, 1),
        criticality=rec.Criticality.GENERAL,
        bench_minutes=20,
    )
    revised = replace(
        never, revision=2, effective_on=date(2026, 1, 15), reason="new set point",
        set_points=(_set_point("H", "450", rising, "10", "5", ("5", "40"), "3.0"),),
    )  # fmt: skip
    stored = replace(first, tag="PS-6", status=rec.SwitchStatus.IN_STORE)
    scrapped = replace(first, tag="PS-7")
    gone = replace(
        scrapped, revision=2, effective_on=date(2026, 1, 10), reason="corroded",
        status=rec.SwitchStatus.SCRAPPED,
    )  # fmt: skip
    high_line = replace(
        difference,
        tag="PDS-8",
        criticality=rec.Criticality.ENVIRONMENT,
        static_nominal=D("1800"),
        bench_minutes=50,
    )
    return (
        first, difference, oxygen, vacuum, never, revised, stored, scrapped, gone, high_line,
    )  # fmt: skip


def _gauge(code: str, tier: int, high: str, **changes: Any) -> rec.Gauge:
    made = rec.Gauge(
        code=code,
        revision=1,
        effective_on=date(2023, 6, 1),
        reason="bought",
        serial=f"SN {code}",
        description="Digital gauge",
        status=rec.GaugeStatus.IN_SERVICE,
        mode=PressureMode.GAUGE,
        unit="kPa",
        range_low=D("0"),
        range_high=D(high),
        resolution=D("0.1"),
        accuracy=D("0.1"),
        accuracy_basis="% of span",
        drift_per_year=D("0.2"),
        temperature_coefficient=D("0.02"),
        reference_temperature_c=D("20"),
        use_corrections=True,
        tier=tier,
        policy="R12",
    )
    return replace(made, **changes)


def _gauges() -> tuple[rec.Gauge, ...]:
    away = _gauge("G-AWAY", 2, "1000")
    return (
        _gauge("G-REF", 1, "7000", policy="R24"),
        _gauge("G-BENCH", 3, "1600"),
        _gauge("G-POOR", 3, "1600"),
        _gauge("G-OLD", 3, "1000"),
        away,
        replace(
            away, revision=2, effective_on=date(2026, 2, 10), reason="recalibration",
            status=rec.GaugeStatus.AT_LABORATORY,
        ),
        _gauge("G-OXY", 2, "2500", oxygen_clean=True),
        _gauge(
            "G-DIFF", 2, "200", mode=PressureMode.DIFFERENTIAL, resolution=D("0.01"),
            static_limit=D("1000"), drift_per_year=D("0.05"),
            temperature_coefficient=D("0.003"),
        ),
    )  # fmt: skip


def _certificate(
    number: str, gauge: str, on: date, top: int, U: str, error: str = "0", **changes: Any
) -> rec.Certificate:
    points = tuple(
        rec.CertificatePoint(
            Phase.AS_FOUND, direction, D(top * k) / 4, D(top * k) / 4 + D(error), D(U), D("2")
        )
        for direction in Direction
        for k in range(5)
    )
    made = rec.Certificate(
        number=number,
        gauge=gauge,
        laboratory="ACC",
        calibrated_on=on,
        issued_on=on,
        unit="kPa",
        temperature_c=D("20"),
        humidity=D("0.45"),
        adjusted=False,
        points=points,
    )
    return replace(made, **changes)


def _certificates() -> tuple[rec.Certificate, ...]:
    spoilt = rec.CertificateWithdrawal(date(2026, 2, 1), "wrong reference used")
    return (
        _certificate("REF-25", "G-REF", date(2025, 1, 15), 7000, "0.5"),
        _certificate("BENCH-24", "G-BENCH", date(2024, 6, 3), 1600, "0.8", "0.5"),
        _certificate("BENCH-25", "G-BENCH", date(2025, 6, 2), 1600, "0.8", "1.0"),
        _certificate("POOR-25", "G-POOR", date(2025, 10, 1), 1600, "8"),
        _certificate("OLD-25", "G-OLD", date(2025, 1, 20), 1000, "0.5"),
        _certificate("AWAY-25", "G-AWAY", date(2025, 9, 1), 1000, "0.4"),
        _certificate("OXY-24", "G-OXY", date(2024, 12, 1), 2500, "0.6"),
        _certificate("OXY-25", "G-OXY", date(2025, 12, 1), 2500, "0.6", withdrawal=spoilt),
        _certificate(
            "OXY-25-R1", "G-OXY", date(2025, 12, 1), 2500, "0.7", issued_on=date(2026, 2, 5),
            replaces="OXY-25", replacement_reason="right reference",
        ),
        _certificate("DIFF-25", "G-DIFF", date(2025, 11, 3), 200, "0.1"),
    )  # fmt: skip


def _procedures() -> tuple[rec.ProcedureRevision, ...]:
    first = rec.ProcedureRevision(
        code="PR-P",
        title="Pressure on the bench",
        revision=1,
        approved_on=date(2023, 12, 1),
        approved_by="A1",
        effective_on=date(2024, 1, 1),
        quantities=(Quantity.PRESSURE, Quantity.VACUUM),
        exercise_cycles=2,
        as_found_runs=3,
        as_left_runs=3,
        ramp_limit_fraction_per_s=D("0.01"),
        temperature_min_c=D("15"),
        temperature_max_c=D("28"),
        humidity_max=D("0.75"),
        required_tur=D("4"),
        decision_rule="simple acceptance",
        guard_factor=D("1"),
        coverage_probability=D("0.95"),
        hazards=(Hazard.TRIP,),
        steps=("Isolate.", "Read."),
    )
    return (
        first,
        replace(first, revision=2, effective_on=date(2026, 1, 1)),
        replace(first, revision=3, effective_on=date(2027, 1, 1)),
        replace(first, code="PR-D", title="Difference", quantities=(Quantity.DIFFERENTIAL,)),
    )


def _people() -> tuple[rec.Person, ...]:
    def qualified(*quantities: Quantity, until: date) -> tuple[rec.Qualification, ...]:
        return tuple(rec.Qualification(q, SINCE, until, "A1") for q in quantities)

    technician = rec.RoleGrant(Role.TECHNICIAN, SINCE)
    return (
        rec.Person("P1", "Isolde Rushbrook", (rec.RoleGrant(Role.PLANNER, SINCE),)),
        rec.Person(
            "T1", "Corwin Peat", (technician,), qualified(*Quantity, until=date(2027, 12, 31))
        ),
        rec.Person(
            "T2", "Linnet Marsh", (technician,),
            qualified(Quantity.PRESSURE, until=date(2025, 12, 31)),
        ),
        rec.Person(
            "T3", "Bracken Hale", (technician, rec.RoleGrant(Role.TECHNICIAN, TODAY, held=False)),
            qualified(*Quantity, until=date(2027, 12, 31)),
        ),
        rec.Person("A1", "Sorrel Finch", (rec.RoleGrant(Role.APPROVER, SINCE),)),
    )  # fmt: skip


def _cycles(
    point: str, phase: Phase, *readings: tuple[str, str], static: str | None = None
) -> tuple[rec.Cycle, ...]:
    line = None if static is None else D(static)
    return tuple(
        rec.Cycle(point, phase, n, D(trip), D(reset), line)
        for n, (trip, reset) in enumerate(readings, 1)
    )


def _bench(
    tag: str, on: date, gauge: str, cycles: tuple[rec.Cycle, ...], **more: Any
) -> rec.BenchRecord:
    made = rec.BenchRecord(
        tag=tag,
        performed_on=on,
        performed_by="T1",
        procedure="PR-D" if tag.startswith("PDS") else "PR-P",
        procedure_revision=2 if on >= date(2026, 1, 1) and tag.startswith("PS") else 1,
        gauges=(rec.GaugeUsed(GaugeRole.OPERATING, gauge, ""),),
        cycles=cycles,
        temperature_c=D("21"),
        humidity=D("0.4"),
        adjusted=False,
        verified_by="A1",
        returned_by="T1",
    )
    return replace(made, **more)


def _history() -> tuple[rec.BenchRecord, ...]:
    found = Phase.AS_FOUND
    good = _cycles("H", found, ("402.0", "382.0"), ("401.5", "381.5"), ("401.4", "381.4"))
    difference = _cycles(
        "H", found, ("861.0", "853.0"), ("861.2", "853.1"), ("861.1", "853.0"), static="800.0"
    )
    return (
        _bench("PS-1", date(2024, 7, 10), "G-BENCH", good, number="H001"),
        _bench("PS-1", date(2025, 7, 8), "G-BENCH", good, number="H002"),
        _bench("PDS-2", date(2025, 2, 20), "G-BENCH", difference, number="H003"),
        _bench(
            "PSO-3", date(2025, 2, 15), "G-OXY",
            _cycles("L", found, ("1495.0", "1530.0"), ("1496.0", "1531.0"), ("1496.0", "1530.0")),
            number="H004",
        ),
        _bench(
            "PDS-8", date(2025, 3, 25), "G-REF",
            _cycles(
                "H", found, ("1861.0", "1853.0"), ("1861.2", "1853.1"), ("1861.1", "1853.0"),
                static="1800.0",
            ),
            number="H005",
        ),
    )  # fmt: skip


def _given() -> rec.SiteInput:
    def policy(code: str, every: int, **more: Any) -> rec.IntervalPolicy:
        return rec.IntervalPolicy(
            code, SINCE, rec.IntervalBasis.LAST_DONE, every, rec.IntervalUnit.MONTH, **more
        )

    accreditation = rec.Accreditation("X-1", date(2020, 1, 1), date(2030, 1, 1), "pressure")
    return rec.SiteInput(
        site=rec.Site("LW", "Little Works (fictional)"),
        areas=(rec.Area("N", "North"), rec.Area("S", "South")),
        people=_people(),
        laboratories=(
            rec.Laboratory(
                "ACC", "Hillside Laboratory", rec.LaboratoryKind.ACCREDITED, (accreditation,)
            ),
        ),
        policies=(
            policy("Y12", 12),
            policy("G12", 12, grace_days=30),
            policy("R12", 12),
            policy("R24", 24),
        ),
        procedures=_procedures(),
        switches=_switches(),
        gauges=_gauges(),
        certificates=_certificates(),
        history=_history(),
    )


@dataclass(frozen=True)
class Little:
    """The small works, and what tests of it need again and again."""

    given: rec.SiteInput
    today: date = TODAY
    now: datetime = NOW

    def switch(self, tag: str, revision: int | None = None) -> rec.Switch:
        found = [s for s in self.given.switches if s.tag == tag]
        return next((s for s in found if s.revision == revision), found[-1])

    def gauge(self, code: str) -> rec.Gauge:
        return [g for g in self.given.gauges if g.code == code][-1]

    def certificate(self, number: str) -> rec.Certificate:
        return next(c for c in self.given.certificates if c.number == number)

    def facts(self, **changes: Any) -> BenchFacts:
        """The bench facts of the works with some records replaced, without any database."""

        def grouped(items: Any, key: str) -> dict[str, tuple[Any, ...]]:
            found: dict[str, tuple[Any, ...]] = {}
            for item in items:
                code = getattr(item, key)
                found[code] = (*found.get(code, ()), item)
            return found

        given = replace(self.given, **changes)
        return BenchFacts(
            gauges=grouped(given.gauges, "code"),
            certificates={c.number: c for c in given.certificates},
            policies=grouped(given.policies, "code"),
            procedures=grouped(given.procedures, "code"),
            people={p.code: p for p in given.people},
        )

    @staticmethod
    def cycles(
        point: str, phase: Phase, *readings: tuple[str, str], static: str | None = None
    ) -> tuple[rec.Cycle, ...]:
        return _cycles(point, phase, *readings, static=static)

    def bench(self, **changes: Any) -> rec.BenchRecord:
        """A good calibration of PS-1 on G-BENCH today: trips 400.9, 401.0, 401.1 kPa."""
        cycles = _cycles(
            "H", Phase.AS_FOUND, ("401.9", "380.9"), ("402.0", "381.0"), ("402.1", "381.1")
        )
        return replace(_bench("PS-1", self.today, "G-BENCH", cycles), **changes)

    def difference(self, **changes: Any) -> rec.BenchRecord:
        """A good calibration of PDS-2 at static 800 kPa on G-BENCH today."""
        cycles = _cycles(
            "H", Phase.AS_FOUND, ("862.0", "854.0"), ("862.1", "854.0"), ("862.0", "854.1"),
            static="801.0",
        )  # fmt: skip
        return replace(_bench("PDS-2", self.today, "G-BENCH", cycles), **changes)

    def build(self, engine: Engine, **changes: Any) -> list[rec.Calibration]:
        """Build the works (with changes to its input) in a migrated database."""
        with Work(engine, actor="clerk", at=self.now, action="build", subject="works") as work:
            made = build_site(work, replace(self.given, **changes), today=self.today)
            work.commit()
        return made

    def record(self, engine: Engine, bench: rec.BenchRecord, **more: Any) -> rec.Calibration:
        """Judge and record a calibration, as the command does."""
        with Work(engine, actor="T1", at=self.now, action="record", subject=bench.tag) as work:
            made = judge(work.session, bench, today=self.today, at=self.now, **more)
            made = record(work, made)
            work.commit()
        return made


def count_rows(engine: Engine) -> dict[str, int]:
    with engine.connect() as connection:
        return {
            table.name: connection.execute(text(f"SELECT count(*) FROM {table.name}")).scalar_one()
            for table in Base.metadata.sorted_tables
        }


@pytest.fixture(scope="session")
def little() -> Little:
    return Little(_given())


@pytest.fixture(scope="session")
def built_sqlite(
    little: Little, migrated_sqlite: Path, tmp_path_factory: pytest.TempPathFactory
) -> Path:
    path = tmp_path_factory.mktemp("little") / "little.sqlite"
    shutil.copy(migrated_sqlite, path)
    engine = open_engine(f"sqlite:///{path}")
    little.build(engine)
    engine.dispose()
    return path


@pytest.fixture(scope="session")
def built_postgres(little: Little, copy_of_postgres: Callable[[], str]) -> str:
    url = copy_of_postgres()
    engine = open_engine(url)
    little.build(engine)
    engine.dispose()
    return url


@pytest.fixture(params=["sqlite", pytest.param("postgresql", marks=pytest.mark.postgres)])
def works(request: pytest.FixtureRequest) -> Iterator[Engine]:
    """The small works in a database shared by all tests, which only read it."""
    if request.param == "sqlite":
        url = f"sqlite:///{request.getfixturevalue('built_sqlite')}"
    else:
        url = request.getfixturevalue("built_postgres")
    engine = open_engine(url)
    before = count_rows(engine)
    yield engine
    assert count_rows(engine) == before, "a test wrote to the works it shares with others"
    engine.dispose()


@pytest.fixture
def session(works: Engine) -> Iterator[Session]:
    with Session(works) as opened:
        yield opened


@pytest.fixture
def own_works(built_sqlite: Path, tmp_path: Path) -> Iterator[Engine]:
    """A copy of the small works for one test to write to."""
    path = tmp_path / "own.sqlite"
    shutil.copy(built_sqlite, path)
    engine = open_engine(f"sqlite:///{path}")
    yield engine
    engine.dispose()


@pytest.fixture
def judged(little: Little, session: Session) -> Callable[[rec.BenchRecord], rec.Calibration]:
    """Judges a bench record against the works; writes nothing."""

    def judge_it(bench: rec.BenchRecord) -> rec.Calibration:
        return judge(session, bench, today=little.today, at=little.now, recorded_by="T1")

    return judge_it
