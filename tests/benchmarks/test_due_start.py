"""How fast the due list answers: against the libraries it could have been built on, and growing.

Nothing here fails for being slow: a busy machine would make that a lottery. The ratios are
measured side by side, printed, and kept in the benchmark's extra information.
"""

from __future__ import annotations

import json
import shutil
import sqlite3
import statistics
import subprocess
import sys
import time
from contextlib import closing
from datetime import date
from pathlib import Path
from typing import Any

import pytest

RUNS, THROWN_AWAY = 6, 1
TARGET_RATIO = 1.5
NOT_LOADED = ("numpy", "scipy", "pandas", "openpyxl", "alembic", "sqlalchemy")
TODAY = date(2026, 11, 25)
UNTIL = date(2026, 12, 31)

LOADED = """\
import json, sys
from calfleet.adapters.cli.commands import app
try:
    app(["due", "--month", "2026-12", "--site", sys.argv[1]], prog_name="calfleet")
except SystemExit as end:
    code = end.code
print(json.dumps([code, sorted({name.partition(".")[0] for name in sys.modules})]))
"""


def seconds(command: list[str], folder: Path) -> float:
    """The time a process took from its start to its end; it must succeed."""
    start = time.perf_counter()
    subprocess.run(command, cwd=folder, check=True, stdout=subprocess.DEVNULL)
    return time.perf_counter() - start


def say(capsys: pytest.CaptureFixture[str], text: str) -> None:
    with capsys.disabled():
        sys.stdout.write(f"\n  {text}\n")


def test_due_starts_as_fast_as_its_libraries_would(
    demo_site: Path, benchmark: Any, capsys: pytest.CaptureFixture[str]
) -> None:
    """``calfleet due`` against an empty program that imports typer and sqlalchemy.orm.

    Run in turn, so that what else the machine does weighs on both; the first runs of each fill
    the caches and are not counted.
    """
    due = [sys.executable, "-m", "calfleet", "due", "--month", "2026-12"]
    imports = [sys.executable, "-c", "import typer, sqlalchemy.orm"]
    times = [(seconds(due, demo_site), seconds(imports, demo_site)) for _ in range(RUNS)]
    counted = times[THROWN_AWAY:]
    benchmark.pedantic(seconds, args=(due, demo_site), rounds=1)  # for the table
    ours = statistics.median(a for a, _ in counted)
    theirs = statistics.median(b for _, b in counted)
    ratio = statistics.median(a / b for a, b in counted)
    benchmark.extra_info |= {
        "due_s": ours,
        "imports_s": theirs,
        "ratio": ratio,
        "target_ratio": TARGET_RATIO,
    }
    say(
        capsys,
        f"calfleet due {ours:.3f} s, import typer, sqlalchemy.orm {theirs:.3f} s: "
        f"ratio {ratio:.2f} (wanted: below {TARGET_RATIO})",
    )
    assert len(counted) == RUNS - THROWN_AWAY
    assert ours > 0
    assert theirs > 0


def test_due_loads_none_of_the_slow_libraries(demo_site: Path) -> None:
    done = subprocess.run(
        [sys.executable, "-c", LOADED, str(demo_site)],
        check=True,
        capture_output=True,
        text=True,
    )
    code, loaded = json.loads(done.stdout.splitlines()[-1])
    assert code == 0
    assert "typer" in loaded  # the list is not empty
    assert "calfleet" in loaded
    assert not set(NOT_LOADED) & set(loaded)


COPIED = (
    "switch", "switch_revision", "switch_hazard", "set_point", "calibration", "calibration_gauge",
    "calibration_cycle", "calibration_result", "calibration_finding",
)  # fmt: skip
STEP = 1_000_000


def grown(site: Path, target: Path, times: int) -> Path:
    """A copy of the site's database with ``times`` as many switches, each with its own history.

    The rows of every table that hangs on a switch are copied with new keys and tags; what the
    copies share (gauges, procedures, people) stays one. Guards are lifted in the copy only.
    """
    shutil.copy(site / "site.sqlite", target)
    with closing(sqlite3.connect(target)) as writer, writer:
        writer.execute("PRAGMA foreign_keys = OFF")
        for (name,) in writer.execute(
            "SELECT name FROM sqlite_master WHERE type = 'trigger'"
        ).fetchall():
            writer.execute(f'DROP TRIGGER "{name}"')
        for table in COPIED:
            columns = [row[1] for row in writer.execute(f"PRAGMA table_info({table})")]
            keys = {
                row[3]
                for row in writer.execute(f"PRAGMA foreign_key_list({table})")
                if row[2] in COPIED and row[3].endswith("_id")
            }
            for n in range(1, times):
                made = [
                    f"{column} + {n * STEP}"
                    if column == "id" or column in keys
                    else f"{column} || '-{n}'"
                    if (table, column) in (("switch", "tag"), ("calibration", "number"))
                    else column
                    for column in columns
                ]
                writer.execute(
                    f"INSERT INTO {table} ({', '.join(columns)}) "
                    f"SELECT {', '.join(made)} FROM {table} WHERE id < {STEP}"
                )
    return target


def test_the_list_grows_no_faster_than_its_work(
    demo_site: Path, tmp_path: Path, benchmark: Any, capsys: pytest.CaptureFixture[str]
) -> None:
    """Four times the switches and calibrations: the time may grow four times, not sixteen."""
    from calfleet.services.list_due import list_due
    from calfleet.store.queries.reader import quick_reader

    def asking(file: Path) -> int:
        with quick_reader(file, lambda found, name: None) as reader:
            return len(list_due(reader, as_of=TODAY, until=UNTIL).lines)

    def once(file: Path) -> float:
        start = time.perf_counter()
        asking(file)
        return time.perf_counter() - start

    one = grown(demo_site, tmp_path / "one.sqlite", 1)
    four = grown(demo_site, tmp_path / "four.sqlite", 4)
    assert asking(four) == 4 * asking(one) > 0  # the copies are due as their originals
    times = [(once(one), once(four)) for _ in range(7)][2:]
    benchmark.pedantic(asking, args=(one,), rounds=5, warmup_rounds=1)
    growth = statistics.median(b / a for a, b in times)
    benchmark.extra_info |= {"growth_for_4_times_the_switches": growth}
    say(
        capsys,
        f"due list: {statistics.median(a for a, _ in times) * 1000:.0f} ms, with 4 times the "
        f"switches {statistics.median(b for _, b in times) * 1000:.0f} ms: {growth:.1f} times",
    )


def test_expected_uncertainties_a_second(
    demo_site: Path,
    benchmark: Any,
    capsys: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """What the due list does most: the U that a gauge would reach for a set point.

    The calls are those that one due list makes on the demo's site.
    """
    from calfleet.metrology.evaluation import PlannedFigures, planned_figures
    from calfleet.services import fit_gauges
    from calfleet.services.list_due import list_due
    from calfleet.store.queries.reader import quick_reader

    calls: list[tuple[Any, ...]] = []

    def noted(*arguments: Any) -> PlannedFigures:
        found = planned_figures(*arguments)
        calls.append(arguments)
        return found

    monkeypatch.setattr(fit_gauges, "planned_figures", noted)
    with quick_reader(demo_site / "site.sqlite", lambda found, name: None) as reader:
        list_due(reader, as_of=TODAY, until=date(2028, 12, 31))
    assert len(calls) > 100

    def again() -> float:
        start = time.perf_counter()
        found = [planned_figures(*arguments) for arguments in calls]
        assert all(one.U > 0 for one in found)
        return time.perf_counter() - start

    rate = len(calls) / statistics.median([again() for _ in range(7)][2:])
    benchmark.pedantic(again, rounds=5)
    benchmark.extra_info |= {"calls": len(calls), "per_second": rate}
    say(capsys, f"planned_figures: {rate:,.0f} calls a second")
