"""The proposed mapping: headers in the words of the trade, values, units, dates, merged heads."""

from __future__ import annotations

from datetime import date
from pathlib import Path
from typing import Any

import pytest
from moving_books import Rows, field_of, kinds, opened, site, xlsx

from calfleet.adapters.workbook.loose import DateOrder, Decimals
from calfleet.adapters.workbook.moving_map import Certainty, ColumnUse, Mapping, TableKind
from calfleet.adapters.workbook.moving_propose import propose
from calfleet.adapters.workbook.moving_toml import to_toml

KNOWN = site(switches=True)


def proposed(tmp_path: Path, rows: Rows, finish: Any = None, title: str = "Sheet1") -> Mapping:
    return propose([opened(xlsx(tmp_path / "book.xlsx", {title: rows}, finish))], KNOWN)


def column(mapping: Mapping, header: str) -> ColumnUse:
    return next(u for u in mapping.tables[0].columns if u.header == header)


# common practice, no source: the words that registers of instrument shops use
@pytest.mark.parametrize(
    ("header", "field"),
    [
        ("Instr. No", "Tag"), ("TAG NUMBER", "Tag"), ("Switch No.", "Tag"), ("Tag-No", "Tag"),
        ("S/P", "Set point"), ("SP", "Set point"), ("Set pt", "Set point"),
        ("Setpoint", "Set point"),
        ("Set Pt.", "Set point"), ("Acting", "Direction"), ("Ser. No.", "Serial number"),
        ("S/N", "Serial number"), ("Serial #", "Serial number"), ("Loc.", "Area"),
        ("Range", "Range"), ("Adj. range", "Range"), ("Range min", "Range low"),
        ("Lower range", "Range low"), ("Range (max)", "Range"), ("Max. range", "Range high"),
        ("Tol.", "Tolerance"), ("± Tolerance", "Tolerance"), ("A/L tol.", "As-left tolerance"),
        ("Max. working pressure", "Proof pressure"), ("Static press.", "Static pressure"),
        ("Cal. freq.", None), ("Frequency", "Interval policy"), ("Crit.", "Criticality"),
        ("Proc.", "Procedure"), ("Shutdown only", "Outage-bound"), ("Fluid", "Medium"),
        ("Mfr", None), ("Colour", None),
    ],
)  # fmt: skip
def test_words_of_a_register(header: str, field: str | None, tmp_path: Path) -> None:
    others = ["Tag", "Service", "Set point", "Range", "Serial number", "Quantity"]
    heads = [h for h in others if h != field]
    mapping = proposed(tmp_path, [[*heads, header], ["PSL-1102", "a", "1 bar", "b", "c", "d", "e"]])
    assert mapping.tables[0].kind is TableKind.SWITCHES
    use = column(mapping, header)
    assert use.field == (field or "")
    assert use.sample  # shown either way
    assert use.reason


@pytest.mark.parametrize(
    ("header", "field", "phase", "run"),
    [
        ("AF trip", "trip", "as-found", None), ("A/F Trip", "trip", "as-found", None),
        ("As found", "trip", "as-found", None), ("As-found reset", "reset", "as-found", None),
        ("A/L trip 2", "trip", "as-left", 2), ("As left reset run 3", "reset", "as-left", 3),
        ("Trip as found (bar)", "trip", "as-found", None),
        ("As found result", "", "", None), ("Cal due", "", "", None),
    ],
)  # fmt: skip
def test_words_of_a_history(
    header: str, field: str, phase: str, run: int | None, tmp_path: Path
) -> None:
    heads = ["Tag", "Date tested", "Tech.", "Ref. gauge", "A/F trip 9", header]
    mapping = proposed(tmp_path, [heads, ["PSL-1102", "2024-01-02", "P02", "RG-202", "9", "9"]])
    assert mapping.tables[0].kind is TableKind.CALIBRATIONS
    use = column(mapping, header)
    assert (use.field, use.phase, use.run) == (field, phase, run)


def test_heads_of_two_rows_merged_or_not(tmp_path: Path) -> None:
    rows = [
        ["Tag", "Date", "Tech", "As found", None, "As left", None, "Gauge"],
        [None, None, None, "Trip", "Reset", "Trip", "Reset", None],
        ["PSL-1102", date(2024, 1, 2), "P02", 9, 9.5, 9, 9.5, "RG-206"],
    ]

    def merge(book: Any) -> None:
        for area in ("D1:E1", "F1:G1", "A1:A2", "B1:B2", "C1:C2", "H1:H2"):
            book["History"].merge_cells(area)

    for finish in (None, merge):
        mapping = proposed(tmp_path, rows, finish, "History")
        (table,) = mapping.tables
        assert (table.header_rows, table.first_row) == ((1, 2), 3)
        assert [(u.header, u.field, u.phase) for u in table.columns] == [
            ("Tag", "tag", ""), ("Date", "performed_on", ""), ("Tech", "performed_by", ""),
            ("As found Trip", "trip", "as-found"), ("As found Reset", "reset", "as-found"),
            ("As left Trip", "trip", "as-left"), ("As left Reset", "reset", "as-left"),
            ("Gauge", "operating_gauge", ""),
        ]  # fmt: skip


def test_title_rows_stand_above_the_header(tmp_path: Path) -> None:
    rows = [["Pressure switch register"], ["Rev. 7, 3 March 2026"], [],
            ["Tag", "Service", "Range", "S/P"], ["PSL-1102", "x", "0-10 bar", "2 bar"]]  # fmt: skip
    (table,) = proposed(tmp_path, rows).tables
    assert (table.header_rows, table.first_row) == ((4,), 5)


@pytest.mark.parametrize(
    ("header", "unit"),
    [("Range (bar)", "bar"), ("Range [kPa]", "kPa"), ("Range, mbar", "mbar"),
     ("Range barg", "barg"), ("Range", ""), ("Range (see note)", ""), ("Range (inH2O)", "")],
)  # fmt: skip
def test_units_in_headers(header: str, unit: str, tmp_path: Path) -> None:
    mapping = proposed(
        tmp_path, [["Tag", "Service", "Serial", header], ["PSL-1102", "x", "1", "0-10"]]
    )
    use = column(mapping, header)
    assert (use.field, use.unit) == ("Range", unit)
    if "inH2O" in header:
        assert "several meanings" in use.reason


@pytest.mark.parametrize(
    ("header", "unit"),
    [("Tol. (% span)", "% of span"), ("Tolerance % FS", "% of span"), ("Tol (% of set point)",
     "% of set point"), ("Tolerance (%)", "%"), ("Tol (bar)", "bar")],
)  # fmt: skip
def test_bases_of_tolerances_in_headers(header: str, unit: str, tmp_path: Path) -> None:
    rows = [["Tag", "Service", "Serial", "Set point", header], ["PSL-1102", "x", "1", "2", "0.5"]]
    assert column(proposed(tmp_path, rows), header).unit == unit


def test_the_order_of_dates_is_that_of_the_cells_that_tell_it(tmp_path: Path) -> None:
    heads = ["Cert. No.", "Gauge", "Lab", "Cal date", "Issue date"]
    rows = [heads, ["C1", "RG-202", "WES", "03/04/2024", "25/04/2024"],
            ["C2", "RG-202", "WES", "05/06/2025", "07/06/2025"]]  # fmt: skip
    mapping = proposed(tmp_path, rows)
    assert column(mapping, "Issue date").date_order is DateOrder.DMY
    first = column(mapping, "Cal date")  # does not tell it: as in the other columns
    assert first.date_order is DateOrder.DMY
    assert "as in the other columns" in first.reason


def test_an_unclear_order_is_left_open_and_said(tmp_path: Path) -> None:
    rows = [["Cert. No.", "Gauge", "Lab", "Cal date"], ["C1", "RG-202", "WES", "03/04/2024"]]
    use = column(proposed(tmp_path, rows), "Cal date")
    assert use.date_order is None
    assert "not clear" in use.reason
    assert "add date_order" in to_toml(proposed(tmp_path, rows))


def test_the_decimal_sign_is_taken_from_all_columns(tmp_path: Path) -> None:
    rows = [["Tag", "Service", "Serial", "Set point", "Proof pressure"],
            ["PSL-1102", "x", "1", "2,5 bar", "1,234 bar"]]  # fmt: skip
    mapping = proposed(tmp_path, rows)
    assert column(mapping, "Proof pressure").decimals is Decimals.COMMA


def test_words_in_cells_are_translated_and_strange_ones_named(tmp_path: Path) -> None:
    rows = [["Tag", "Service", "Serial", "Set point", "Direction", "Shutdown only"],
            ["PSL-1102", "x", "1", "2", "Inc.", "Y"], ["PSL-1103", "x", "2", "2", "↓", "N"],
            ["PSL-1104", "x", "3", "2", "widdershins", "n/a"]]  # fmt: skip
    mapping = proposed(tmp_path, rows)
    way = column(mapping, "Direction")
    assert dict(way.words) == {"Inc.": "rising", "↓": "falling"}
    assert "'widdershins'" in way.reason
    assert dict(column(mapping, "Shutdown only").words) == {"Y": "yes", "N": "no", "n/a": ""}


def test_a_column_of_known_tags_needs_no_header(tmp_path: Path) -> None:
    tags = [s.tag for s in KNOWN.switches[:4]]
    rows = [["Kennung", "Service", "Range", "Ser. No.", "Set point"]]
    rows += [[tag, "x", "0-10 bar", "1", "2 bar"] for tag in tags]
    use = column(proposed(tmp_path, rows), "Kennung")
    assert use.field == "Tag"
    assert use.certainty is Certainty.LIKELY
    assert use.reason == "its cells are names that the site knows"


def test_nothing_is_lost(tmp_path: Path) -> None:
    rows = [["Tag", "Service", "Range", "Colour", None, "Range"],
            ["PSL-1102", "x", "0-10 bar", "red", "loose note", "0-1 bar"]]  # fmt: skip
    mapping = proposed(tmp_path, rows)
    assert [u.column for u in mapping.tables[0].unused()] == ["D", "E", "F"]
    text = to_toml(mapping)
    assert "# not used: no word of the header is known; holds for example 'red'" in text
    assert "# not used: the column has no header; holds for example 'loose note'" in text
    assert "# not used: Range is given by column C; holds for example '0-1 bar'" in text


def test_a_sheet_of_something_else_is_ignored_with_its_columns(tmp_path: Path) -> None:
    mapping = proposed(tmp_path, [["Holiday plan"], ["Wren", "July"], ["Oswin", "August"]])
    assert kinds(mapping) == [TableKind.IGNORED]
    table = mapping.tables[0]
    assert [(u.header, u.sample) for u in table.columns] == [
        ("Wren", "'Oswin'"), ("July", "'August'"),
    ]  # fmt: skip
    assert (table.header_rows, table.first_row) == ((2,), 3)


def test_a_sheet_in_another_language_needs_only_its_kind_and_fields(tmp_path: Path) -> None:
    """What is not understood is proposed with its header, so that fields can be filled in."""
    head = ["Stelle", "Bezeichnung", "Bereich", "Schaltpunkt"]
    mapping = proposed(
        tmp_path, [["Anlage 7"], [], head, ["P-1", "Kuehlwasser", "0-10 bar", "2,5 bar"]]
    )
    table = mapping.tables[0]
    assert (table.kind, table.header_rows, table.first_row) == (TableKind.IGNORED, (3,), 4)
    assert [u.header for u in table.columns] == head
    assert not any(u.field for u in table.columns)


def test_dates_that_contradict_each_other_take_no_order_from_other_columns(
    tmp_path: Path,
) -> None:
    rows = [
        ["Date", "Tag", "By", "Gauge", "As found trip", "Returned on"],
        ["25/11/2025", "PSL-1", "P02", "G1", "2.5 bar", "13/02/2025"],
        ["11/25/2025", "PSL-2", "P02", "G1", "2.5 bar", "14/02/2025"],
        ["03/04/2025", "PSL-3", "P02", "G1", "2.5 bar", "15/02/2025"],
    ]
    (column,) = [u for u in proposed(tmp_path, rows).tables[0].columns if u.header == "Date"]
    assert column.date_order is None
    assert column.certainty is Certainty.GUESS
    assert "contradict" in column.reason
    assert "03/04/2025" in column.reason


def test_iso_dates_leave_the_order_of_the_others_as_it_is(tmp_path: Path) -> None:
    rows = [
        ["Date", "Tag", "By", "Gauge", "As found trip"],
        ["2025-11-25", "PSL-1", "P02", "G1", "2.5 bar"],
        ["25/11/2025", "PSL-2", "P02", "G1", "2.5 bar"],
        ["03/04/2025", "PSL-3", "P02", "G1", "2.5 bar"],
    ]
    (column,) = [u for u in proposed(tmp_path, rows).tables[0].columns if u.header == "Date"]
    assert column.date_order is DateOrder.DMY


def test_what_no_column_gives_is_listed_to_be_filled_in(tmp_path: Path) -> None:
    rows = [["Tag", "Service", "Range", "S/P"], ["PSL-9102", "x", "0-10 bar", "2 bar"]]
    (table,) = proposed(tmp_path, rows).tables
    assert {"Area", "Effective on", "Bench minutes", "Tolerance minus"} <= set(table.missing)
    assert not {"Unit", "Range low", "Label", "Quantity"} & set(table.missing)
    # a switch that the site knows needs nothing more
    rows[1][0] = "PSL-1102"
    assert proposed(tmp_path, rows).tables[0].missing == ()


def test_guesses_from_tags_are_called_guesses(tmp_path: Path) -> None:
    rows = [["Tag", "Service", "Range", "S/P"], ["PSHH-9102", "x", "0-10 bar", "2 bar"],
            ["PDSL-9103", "x", "0-10 bar", "2 bar"]]  # fmt: skip
    mapping = proposed(tmp_path, rows)
    assert field_of(mapping, "A") == ["Tag", "Quantity", "Label", "Direction"]
    guesses = [u for u in mapping.tables[0].columns if u.column == "A" and u.field != "Tag"]
    assert {u.certainty for u in guesses} == {Certainty.GUESS}
    assert dict(guesses[0].words) == {"PD*": "differential pressure", "P*": "pressure"}
    assert dict(guesses[1].words) == {"*SHH*": "HH", "*SL*": "L"}


def test_dead_bands_are_told_apart_by_their_cells(tmp_path: Path) -> None:
    heads = ["Tag", "Service", "Serial", "Set point", "Dead band"]
    for cell, field in (("fixed", "Dead band"), ("0.2-0.5 bar", "Dead band range"),
                        ("0,5 bar", "Dead band range")):  # fmt: skip
        mapping = proposed(tmp_path, [heads, ["PSL-1102", "x", "1", "2", cell]])
        assert column(mapping, "Dead band").field == field
