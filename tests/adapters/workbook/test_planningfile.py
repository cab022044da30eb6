"""planning.toml: rules about due dates, further intervals and other work."""

from __future__ import annotations

import shutil
from datetime import date
from pathlib import Path

import pytest

from calfleet.adapters.workbook.sitefiles import read_site
from calfleet.errors import DataProblems
from calfleet.records import (
    DueRule,
    FurtherInterval,
    OtherWork,
    PersonLeave,
    PlanningInput,
    RuleScope,
    ShopClosure,
)

SAMPLE = Path(__file__).resolve().parents[3] / "sample_site"

GOOD = """
[[due_rules]]
tag = "PSL-1108"
effective_on = 2026-01-01
reason = "Fails often"
policy = "S06"
deferrals_allowed = 0

[[due_rules]]
family = "DP capsule"
effective_on = 2026-01-01
reason = "Kept ready"
before_use = true

[[due_rules]]
effective_on = 2026-01-01
reason = "Custom of the site"
shelf_limit_days = 365

[[further_intervals]]
tag = "PSL-1108"
name = "contact inspection"
policy = "S24"
effective_on = 2026-01-01

[[other_work]]
tag = "PSL-1108"
name = "contact inspection"
done_on = 2026-02-03
done_by = "P02"
"""


def read(tmp_path: Path, more: str) -> PlanningInput:
    site = Path(shutil.copytree(SAMPLE, tmp_path / "input"))
    with (site / "planning.toml").open("a", encoding="utf-8") as file:
        file.write(more)
    return read_site(site).planning


def test_everything_comes_as_it_stands_there(tmp_path: Path) -> None:
    found = read(tmp_path, GOOD)
    start = date(2026, 1, 1)
    assert found.due_rules == (
        DueRule(RuleScope.SWITCH, "PSL-1108", start, "Fails often", "S06", deferrals_allowed=0),
        DueRule(RuleScope.FAMILY, "DP capsule", start, "Kept ready", before_use=True),
        DueRule(RuleScope.SITE, "", start, "Custom of the site", shelf_limit_days=365),
    )
    assert found.further_intervals == (
        FurtherInterval("PSL-1108", "contact inspection", "S24", start),
    )
    assert found.other_work == (
        OtherWork("PSL-1108", "contact inspection", date(2026, 2, 3), "P02"),
    )


LEAVE = '[[leave]]\nperson = "P02"\nfirst_on = 2027-02-15\nlast_on = 2027-02-19\n'
CLOSURE = '[[closures]]\nfirst_on = 2026-12-28\nlast_on = 2026-12-31\nname = "Winter stop"\n'


def test_leave_and_closures_come_as_they_stand_there(tmp_path: Path) -> None:
    found = read(tmp_path, LEAVE + 'reason = "course"\n' + LEAVE.replace("P02", "P03") + CLOSURE)
    first, last = date(2027, 2, 15), date(2027, 2, 19)
    assert found.leaves == (
        PersonLeave("P02", first, last, "course"),
        PersonLeave("P03", first, last),
    )
    assert found.closures == (ShopClosure(date(2026, 12, 28), date(2026, 12, 31), "Winter stop"),)


GROUP = '[[redundant_groups]]\ncode = "NEW"\nweeks_apart = 1\n'
HOURS = '[[hours]]\nperson = "P02"\neffective_on = 2027-01-01\n'
RULE = '[[due_rules]]\neffective_on = 2026-01-01\nreason = "x"\n'


@pytest.mark.parametrize(
    ("more", "where", "says"),
    [
        (LEAVE.replace("P02", "P99"), "person", "P99"),
        (LEAVE.replace("02-19", "02-09"), "last_on", "2027-02-09 lies before 2027-02-15"),
        (LEAVE + LEAVE.replace("02-15", "02-19"), "first_on", "P02 is on leave then already"),
        (CLOSURE.replace("12-31", "12-01"), "last_on", "2026-12-01 lies before 2026-12-28"),
        (CLOSURE + CLOSURE.replace("12-28", "12-30"), "first_on", "overlaps another one"),
        (CLOSURE.replace('name = "Winter stop"', ""), "name", "missing"),
        (GROUP + 'tags = ["PSH-3102", "PSH-3102"]', "tags", "at least two channels"),
        (GROUP + 'tags = ["PSH-3102", "PSHH-1101A"]', "tags", "in another redundant group"),
        (HOURS + "hours_per_week = 121", "hours_per_week", "120"),
        (RULE + 'tag = "NO-1"\npolicy = "S06"', "tag", "NO-1"),
        (RULE + 'family = "no such"\npolicy = "S06"', "family", "no such"),
        (RULE + 'tag = "PSL-1108"\nfamily = "DP capsule"\npolicy = "S06"', "family", "not both"),
        (RULE + 'policy = "S99"', "policy", "S99"),
        (RULE + 'policy = "S06"\nbefore_use = true', "effective_on", "contradicts itself"),
        (RULE + "shelf_limit_days = 0", "shelf_limit_days", "0"),
        (
            RULE + 'tag = "PSL-1108"\nhard_stop_on = 2027-01-01',
            "hard_stop_on",
            "outage-bound",
        ),
        (RULE + 'tag = "PSL-1108"\nfirst_due_on = 2027-01-01', "first_due_on", "fixed dates"),
        (
            RULE + "deferrals_allowed = 1\n" + RULE + "deferrals_allowed = 2",
            "effective_on",
            "that day",
        ),
        (
            '[[other_work]]\ntag = "PSL-1108"\nname = "x"\ndone_on = 2026-01-01\ndone_by = "P02"',
            "name",
            "no interval",
        ),
        (
            '[[further_intervals]]\ntag = "PSL-1108"\nname = "Calibration"\npolicy = "S06"\n'
            "effective_on = 2026-01-01",
            "name",
            "other work",
        ),
    ],
)  # fmt: skip
def test_what_contradicts_itself_is_told_with_its_place(
    tmp_path: Path, more: str, where: str, says: str
) -> None:
    with pytest.raises(DataProblems) as told:
        read(tmp_path, more)
    (problem,) = told.value.problems
    assert "planning.toml" in problem.where
    assert where in problem.where
    assert says in problem.message


@pytest.mark.parametrize(
    ("old", "new", "says"),
    [
        ("every = 6\n", "every = 6\ngrace_days = 200\n", "grace of 200 days"),
        ('every = 6\nunit = "month"', 'every = 6\nunit = "day"\nend_of_month = true', "end"),
    ],
)
def test_a_policy_that_contradicts_itself_is_refused(
    tmp_path: Path, old: str, new: str, says: str
) -> None:
    site = Path(shutil.copytree(SAMPLE, tmp_path / "input"))
    text = (site / "site.toml").read_text(encoding="utf-8")
    assert old in text
    (site / "site.toml").write_text(text.replace(old, new, 1), encoding="utf-8")
    with pytest.raises(DataProblems) as told:
        read_site(site)
    (problem,) = told.value.problems
    assert "site.toml" in problem.where
    assert says in problem.message
