"""Moving history in: the cost of a calibration does not grow with how many there are.

500 calibrations and 2,000 of the same switches are compared, judged and stored. A ratio, so that
the machine does not matter; with ``CALFLEET_BENCHMARK_HISTORY`` the larger number is another.
"""

from __future__ import annotations

import os
import time
from collections.abc import Callable
from dataclasses import replace
from datetime import date, timedelta
from pathlib import Path

import pytest
from sqlalchemy.orm import Session

from calfleet import records as rec
from calfleet.adapters.workbook.sitefiles import read_site
from calfleet.services.build_site import build_site
from calfleet.services.compare_incoming import compare
from calfleet.services.move_in import move_in
from calfleet.site import new_site, sample_folder
from calfleet.store.queries import calibrations
from calfleet.store.work import Work

SMALL, LARGE = 500, int(os.environ.get("CALFLEET_BENCHMARK_HISTORY", "2000"))
TODAY = date(2026, 11, 25)
MOST = 2.0
"""So many times as much may one of many cost as one of few: above, something grows with them."""


def _history(given: rec.SiteInput, count: int) -> tuple[rec.BenchRecord, ...]:
    """The demo's, again and again, each time some days earlier (no corrections among them)."""
    single = [b for b in given.history if b.replaces is None and b.number]
    corrected = {b.replaces for b in given.history}
    single = [b for b in single if b.number not in corrected]
    made: list[rec.BenchRecord] = []
    for shift in range(count // len(single) + 1):
        made += [
            replace(b, number=f"{b.number}-{shift}", performed_on=b.performed_on - timedelta(shift))
            for b in single
        ]
    return tuple(made[:count])


def _cost(root: Path, given: rec.SiteInput, count: int) -> float:
    """Seconds of CPU for each calibration moved into a new site that holds the registers."""
    site = new_site(root, fixed_day=TODAY)
    engine = site.engine()
    with Work(engine, actor="x", at=site.now(), action="b", subject="s") as work:
        build_site(work, replace(given, history=()), today=TODAY)
        work.commit()
    incoming = replace(
        given, areas=(), people=(), laboratories=(), policies=(), procedures=(), switches=(),
        gauges=(), certificates=(), history=_history(given, count),
    )  # fmt: skip
    start = time.process_time()
    with Work(engine, actor="P01", at=site.now(), action="m", subject="s") as work:
        found = compare(work.session, incoming, {}, today=TODAY)
        made, told = move_in(work, found, mapping={}, files=(), leave_out=True)
        work.commit()
    cost = (time.process_time() - start) / count
    assert made is not None
    with Session(engine) as session:
        assert len(calibrations.numbers(session)) == told.added
    assert told.added + len(told.refused) == count
    assert told.added > 0.9 * count
    engine.dispose()
    return cost


def test_one_of_many_costs_what_one_of_few_costs(
    tmp_path: Path, record_property: Callable[[str, object], None]
) -> None:
    given = read_site(sample_folder())
    _cost(tmp_path / "warm", given, 50)
    few = _cost(tmp_path / "few", given, SMALL)
    many = _cost(tmp_path / "many", given, LARGE)
    record_property("ms_each_of_few", round(1000 * few, 3))
    record_property("ms_each_of_many", round(1000 * many, 3))
    if many > MOST * few:
        pytest.fail(f"{1000 * few:.2f} ms each of {SMALL}, {1000 * many:.2f} ms each of {LARGE}")
