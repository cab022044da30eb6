"""particulars.toml: what is told of the shop, of gauges and of switches when a site is built."""

from __future__ import annotations

import shutil
from datetime import date
from pathlib import Path

import pytest

from calfleet.adapters.workbook.sitefiles import read_site
from calfleet.errors import DataProblems
from calfleet.records import (
    GaugeParticulars,
    ParticularsInput,
    SiteParticulars,
    SwitchParticulars,
)

SAMPLE = Path(__file__).resolve().parents[3] / "sample_site"
DAY = date(2026, 1, 1)

GOOD = (
    """
[[shop]]
effective_on = 2026-01-01
shop_name = "Works bench"
shop_address = """
    + '"""\nRoad 1\nTown"""'
    + """

[[gauges]]
gauge = "RG-202"
effective_on = 2026-01-01
maker = "Orrin Works"
software_version = "2.1"
reason = "from its plate"

[[gauges]]
gauge = "RG-202"
effective_on = 2026-07-01
maker = "Orrin Works"
software_version = "2.2"

[[switches]]
tag = "PSL-1108"
effective_on = 2026-01-01
stands_at = "platform 2"
"""
)


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    return Path(shutil.copytree(SAMPLE, tmp_path / "site"))


def test_what_is_told_is_read(folder: Path) -> None:
    (folder / "particulars.toml").write_text(GOOD, encoding="utf-8")
    assert read_site(folder).particulars == ParticularsInput(
        shop=(SiteParticulars(DAY, shop_name="Works bench", shop_address="Road 1\nTown"),),
        gauges=(
            GaugeParticulars(
                "RG-202", DAY, maker="Orrin Works", software_version="2.1", reason="from its plate"
            ),
            GaugeParticulars(
                "RG-202", date(2026, 7, 1), maker="Orrin Works", software_version="2.2"
            ),
        ),
        switches=(SwitchParticulars("PSL-1108", DAY, stands_at="platform 2"),),
    )


def test_the_file_may_be_absent(folder: Path) -> None:
    assert read_site(folder).particulars == ParticularsInput()


@pytest.mark.parametrize(
    ("old", "new", "says"),
    [
        ('gauge = "RG-202"', 'gauge = "RG-2020"', "No gauge named 'RG-2020'"),
        ('tag = "PSL-1108"', 'tag = "PSL-11080"', "No switch named 'PSL-11080'"),
        ("effective_on = 2026-07-01", "effective_on = 2026-01-01", "a version of 2026-01-01"),
        ('stands_at = "platform 2"', "", "Nothing is told; one of maker, model, stands_at"),
        ("software_version", "firmware", "No such key"),
        ("[[shop]]", "[[shops]]", "No such key"),
        ("effective_on = 2026-07-01", "", "effective_on"),
    ],
)
def test_every_problem_is_named(folder: Path, old: str, new: str, says: str) -> None:
    (folder / "particulars.toml").write_text(GOOD.replace(old, new, 1), encoding="utf-8")
    with pytest.raises(DataProblems) as refusal:
        read_site(folder)
    told = [str(p) for p in refusal.value.problems]
    assert len(told) == 1, told
    assert told[0].startswith("particulars.toml, ")
    assert says in told[0]
