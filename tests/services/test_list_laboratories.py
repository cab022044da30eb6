"""Laboratories with their accreditations and areas with their switches, on a day."""

from __future__ import annotations

import sqlite3
from contextlib import closing
from dataclasses import replace
from datetime import date, timedelta
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy.orm import Session

from calfleet.records import Accreditation, Laboratory, LaboratoryKind
from calfleet.services.list_laboratories import (
    accreditations_ending,
    list_areas,
    list_laboratories,
)
from calfleet.site import read_settings
from calfleet.store.engine import open_engine

TODAY = date(2026, 11, 25)
ENDS = date(2027, 1, 10)
HELD = Accreditation("A-1", date(2023, 1, 11), ENDS, "gauge pressure")
LAB = Laboratory("ACC", "x", LaboratoryKind.ACCREDITED, (HELD,))


@pytest.mark.parametrize(
    ("after", "told"),
    [
        (None, True),
        (Accreditation("A-1", ENDS + timedelta(1), date(2031, 1, 1), "pressure"), False),
        (Accreditation("A-2", ENDS + timedelta(1), date(2031, 1, 1), "gauge pressure"), False),
        (Accreditation("A-1", ENDS + timedelta(2), date(2031, 1, 1), "gauge pressure"), True),
        (Accreditation("A-3", date(2025, 1, 1), date(2031, 1, 1), "temperature"), True),
    ],
    ids=["none", "number", "scope", "gap", "other"],
)
def test_an_accreditation_that_ends_without_a_renewal(
    after: Accreditation | None, told: bool
) -> None:
    """60 days: common practice, no source."""
    lab = LAB if after is None else replace(LAB, accreditations=(HELD, after))
    expected = [("ACC", HELD)] if told else []
    assert accreditations_ending([lab], ENDS - timedelta(60)) == expected
    assert accreditations_ending([lab], ENDS) == expected
    assert accreditations_ending([lab], ENDS - timedelta(61)) == []
    assert accreditations_ending([lab], ENDS + timedelta(1)) == []


def test_the_laboratories_of_the_sample_site(demo_site: Path) -> None:
    """Numbers and days as in the sample input."""
    with read_settings(demo_site).reading() as session:
        now = {x.laboratory.code: x for x in list_laboratories(session, TODAY)}
        between = {x.laboratory.code: x for x in list_laboratories(session, date(2025, 3, 1))}
    bel = now["BEL"]
    assert bel.accreditation is not None
    assert (bel.accreditation.number, bel.standing) == ("AVC-0342", "in force")
    assert (bel.accreditation.valid_until, bel.days_left) == (date(2028, 5, 31), 553)
    assert bel.gauges == ("RG-104",)
    assert now["NMH"].standing == "needs none"
    assert now["SHOP"].standing.startswith("none: ")
    assert between["TOL"].accreditation is None
    assert between["TOL"].standing == "ended on 2024-12-31, begins on 2025-07-01"
    held = [x.laboratory for x in now.values()]
    told = [(code, a.number) for code, a in accreditations_ending(held, date(2024, 11, 15))]
    assert told == [("TOL", "AVC-0509")]
    assert accreditations_ending(held, date(2024, 2, 1)) == []  # WES renews on the day after


def test_two_scopes_at_once_are_two_lines(little: Any, sqlite_url: str) -> None:
    engine = open_engine(sqlite_url)
    second = replace(HELD, number="A-9", valid_until=ENDS - timedelta(9), scope="temperature")
    both = (replace(LAB, accreditations=(HELD, second)),)
    known = tuple(x for x in little.given.laboratories if x.code != "ACC")
    little.build(engine, laboratories=(*known, *both))
    with Session(engine) as session:
        rows = [x for x in list_laboratories(session, TODAY) if x.laboratory.code == "ACC"]
    assert [x.accreditation and x.accreditation.number for x in rows] == ["A-9", "A-1"]
    engine.dispose()


COUNT = """
SELECT area.code, COUNT(*), SUM(r.status = 'in service') FROM switch_revision AS r
JOIN area ON area.id = r.area_id
WHERE r.status != 'scrapped' AND r.revision = (
    SELECT MAX(other.revision) FROM switch_revision AS other
    WHERE other.switch_id = r.switch_id AND other.effective_on <= ?
) GROUP BY area.code ORDER BY area.code
"""


def test_the_areas_count_their_switches(demo_site: Path) -> None:
    """Counted again by SQL, beside the service."""
    with read_settings(demo_site).reading() as session:
        rows = [(x.area.code, x.switches, x.in_service) for x in list_areas(session, TODAY)]
    uri = f"{(demo_site / 'site.sqlite').as_uri()}?mode=ro"
    with closing(sqlite3.connect(uri, uri=True)) as reader:
        assert rows == reader.execute(COUNT, (TODAY.isoformat(),)).fetchall()
    assert any(in_service < switches for _, switches, in_service in rows)
