"""The parts of a bench sheet's form: names of tabs, formulas compared, inclusive limits."""

from __future__ import annotations

import pytest

from calfleet.adapters.workbook.sheet_form import (
    Curve,
    at,
    fixed,
    noise_places,
    outside,
    places_of,
    sheet_title,
)
from calfleet.adapters.workbook.sheet_return import same_formula


def test_tabs_have_names_that_a_workbook_allows() -> None:
    taken: set[str] = {"round"}
    assert sheet_title("PS/1[a]:*?\\'", taken) == "PS-1-a------"
    assert sheet_title("Round", taken) == "Round (2)"
    assert sheet_title("round", taken) == "round (3)"
    long = sheet_title("X" * 60, taken)
    assert len(long) <= 31
    assert len(sheet_title("X" * 60, taken)) <= 31
    assert sheet_title("\x01 ", taken) == "switch"


@pytest.mark.parametrize(
    ("one", "other", "same"),
    [
        ("=IF($A$1>0.5,1,2)", "=IF( $A$1 > .5E0 , 1, 2 )".replace(".5E0", "0.50"), True),
        ("=ROUND(A1,10)", "=round(A1,10)", True),
        ("=A1*0.00000158123", "=A1*1.58123E-06", True),
        ('=IF(A1=1,"OUT late","")', '=IF(A1=1,"OUT late", "")', True),
        ('=IF(A1=1,"OUT late","")', '=IF(A1=1,"out late","")', False),
        ("=A1+1", "=A1+2", False),
        ("=$O$12", "=$O$13", False),
        ("=A1", "A1", False),
    ],
)
def test_formulas_are_the_same_however_a_program_writes_them(
    one: str, other: str, same: bool
) -> None:
    assert (same_formula(one) == same_formula(other)) is same


def test_a_limit_is_inside() -> None:
    assert outside("A1", "B1", "C1", 9) == "OR(ROUND(A1-B1,9)<0,ROUND(A1-C1,9)>0)"
    assert outside("A1", None, "C1", 9) == "ROUND(A1-C1,9)>0"
    assert outside("A1", None, None, 9) == "FALSE()"


def test_noise_is_far_below_what_can_be_read() -> None:
    assert noise_places(100) == 8
    assert noise_places(0.05) == 11
    assert noise_places(25_000_000) == 2
    assert noise_places(0) == 9


def test_a_certificate_of_one_point_has_one_error() -> None:
    assert Curve(16, 0).error("E1") == "0"
    assert Curve(16, 1).error("E1") == "$Q$2"
    assert "MATCH(E1,$P$2:$P$4,1)" in Curve(16, 3).error("E1")


def test_names_of_cells() -> None:
    assert (at(3, 27), fixed(12, 15), places_of("0.05"), places_of("5")) == ("AA3", "$O$12", 2, 0)
