"""What a calibration refers to: the revision of its day, and a record of the same portion."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from typing import Any

import pytest
from sqlalchemy import Engine, select

from calfleet.store import calibration_facts, facts
from calfleet.store.models import CalibrationRow, GaugeRevisionRow
from calfleet.store.queries import calibrations as calibration_queries
from calfleet.store.work import Work

AT = datetime(2026, 5, 6, 7, 8, 9, tzinfo=UTC)
LATE = date(2026, 5, 1)


@pytest.fixture
def work(filled: Engine) -> Iterator[Work]:
    """A unit of work that is rolled back."""
    with Work(filled, actor="P1", at=AT, action="a", subject="s") as made:
        yield made


def revision_of(work: Work, key: int) -> int:
    found = work.session.scalar(select(GaugeRevisionRow.revision).where(GaugeRevisionRow.id == key))
    assert found is not None
    return found


def test_a_gauge_counts_as_it_was_on_the_very_day(work: Work, shop: Any) -> None:
    latest = [g for g in shop.gauges if g.code == shop.gauges[0].code][-1]
    assert latest.effective_on < LATE
    for further in (1, 2):  # two on one day: the later of them
        new = replace(latest, revision=latest.revision + further, effective_on=LATE, reason="x")
        facts.add_gauge(work, new)
    work.session.flush()
    keys = calibration_facts._Keys(work, [])
    told = {
        days: revision_of(work, keys.gauge_revision(latest.code, LATE + timedelta(days)))
        for days in (-1, 0, 1)
    }
    last = latest.revision + 2
    assert told == {-1: latest.revision, 0: last, 1: last}


def test_a_correction_in_the_portion_of_what_it_corrects(work: Work, shop: Any) -> None:
    bare, full = shop.calibrations
    assert full.bench.replaces == bare.number
    first = replace(bare, number="N1", replaced_by=None)
    second = replace(full, number="N2", bench=replace(full.bench, replaces="N1"))
    calibration_facts.add_calibrations(work, [first, second])
    keys = {
        number: (key, replaced)
        for number, key, replaced in work.session.execute(
            select(CalibrationRow.number, CalibrationRow.id, CalibrationRow.replaces_id)
        )
    }
    assert keys["N2"][1] == keys["N1"][0]
    found = calibration_queries.calibration(work.session, "N1")
    assert found is not None
    assert found.replaced_by == "N2"
