"""The proposed mapping: headers in the words of the trade, values, units, dates, merged heads."""

from __future__ import annotations

from datetime import date
from pathlib import Path
from typing import Any

import pytest
from moving_books import Rows, field_of, kinds, opened, read, said, site, xlsx

from calfleet.adapters.workbook.loose import DateOrder, Decimals
from calfleet.adapters.workbook.moving_map import Certainty, ColumnUse, Mapping, TableKind
from calfleet.adapters.workbook.moving_propose import propose
from calfleet.adapters.workbook.moving_toml import from_toml, to_toml
from calfleet.errors import Problem

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
    assert use.certainty is Certainty.GUESS
    assert "not clear" in use.reason
    assert "add date_order" in to_toml(proposed(tmp_path, rows))


def test_the_decimal_sign_is_taken_from_all_columns(tmp_path: Path) -> None:
    rows = [["Tag", "Service", "Serial", "Set point", "Proof pressure"],
            ["PSL-1102", "x", "1", "2,5 bar", "1,234 bar"]]  # fmt: skip
    mapping = proposed(tmp_path, rows)
    use = column(mapping, "Proof pressure")
    assert use.decimals is Decimals.COMMA
    assert use.certainty is Certainty.GUESS  # its own cells do not tell it
    assert "as in the other columns" in use.reason
    assert column(mapping, "Set point").certainty is Certainty.SURE


def test_a_column_that_contradicts_itself_takes_no_decimal_sign_from_another(
    tmp_path: Path,
) -> None:
    """With the comma of the other column, 0.001 bar would be read as 1 bar."""
    rows = [["Gauge", "Serial no.", "Range", "Resolution", "Accuracy"],
            ["G1", "1", "0-10 bar", "0,001 bar", "0,05 % of span"],
            ["G2", "2", "0-10 bar", "0.001 bar", "0,05 % of span"]]  # fmt: skip
    use = column(proposed(tmp_path, rows), "Resolution")
    assert use.decimals is None
    assert use.certainty is Certainty.GUESS
    assert "contradict" in use.reason
    assert "'0,001 bar'" in use.reason
    assert "'0.001 bar'" in use.reason


HISTORY = ["Date", "Tag", "By", "Gauge", "AF trip", "Room temp"]


@pytest.mark.parametrize(
    "trips",
    [["4.125", "5.875"],  # only the other column has a comma
     ["4.125", "5,5"]],  # its own
)  # fmt: skip
def test_a_point_before_three_digits_is_no_thousand_for_sure(
    trips: list[str], tmp_path: Path
) -> None:
    rows = [HISTORY, *(["2024-05-02", "PSL-1102", "P02", "RG-202", t, "21,5"] for t in trips)]
    book = opened(xlsx(tmp_path / "book.xlsx", {"History": rows}))
    mapping = propose([book], KNOWN)
    use = column(mapping, "AF trip")
    assert use.decimals is None
    assert use.certainty is Certainty.GUESS
    assert "'4.125'" in use.reason
    assert "add decimals" in use.reason
    # nor is it read as the one or the other until a person says which
    found = said(read([book], KNOWN, mapping).problems)
    assert "book.xlsx, History!E2: '4.125': 4.125 may be 4.125 or 4125" in found


def test_thousands_that_show_themselves_leave_no_doubt(tmp_path: Path) -> None:
    rows = [["Tag", "Service", "Serial", "Set point"], ["PSL-1102", "x", "1", "1.234,5 mbar"],
            ["PSL-1103", "x", "2", "1.500 mbar"]]  # fmt: skip
    use = column(proposed(tmp_path, rows), "Set point")
    assert (use.decimals, use.certainty) == (Decimals.COMMA, Certainty.SURE)


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
    head = ["Kennung", "Benennung", "Stufe", "Grenzwert"]
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


# --- several set points in a row ----------------------------------------------------------


def points_of(mapping: Mapping) -> list[tuple[str, str, str]]:
    """(column, field, set point) of the columns of set points."""
    return [
        (u.column, u.field, u.set_point)
        for u in mapping.tables[0].columns
        if u.field in ("Set point", "Direction")
    ]


BOTH = [("D", "Set point", "1"), ("E", "Direction", "1"), ("F", "Set point", "2"),
        ("G", "Direction", "2")]  # fmt: skip
SWITCH = ["PSH-9102", "x", "0-10 bar", "4 bar", "rising", "5 bar", "falling"]


@pytest.mark.parametrize(
    "heads",
    [
        ["Set point 1", "Direction 1", "Set point 2", "Direction 2"],
        ["SP1", "Dir. 1", "SP2", "Dir. 2"],
        ["1st set point", "1st direction", "2nd set point", "2nd direction"],
        ["Set point", "Direction", "Set point 2", "Direction 2"],
        ["Set point", "Dir.", "Set point", "Dir."],
    ],
)
def test_every_set_point_of_a_row_is_proposed(heads: list[str], tmp_path: Path) -> None:
    rows = [["Tag", "Service", "Range", *heads], SWITCH]
    mapping = proposed(tmp_path, rows)
    assert points_of(mapping) == BOTH
    assert not mapping.tables[0].unused()
    guess = [u for u in mapping.tables[0].columns if u.column in "DEFG"]
    assert not any(u.certainty is Certainty.SURE for u in guess)


def test_set_points_in_a_header_of_two_rows(tmp_path: Path) -> None:
    rows = [["Tag", "Duty", "Range", "Set point 1", None, "Set point 2", None],
            [None, None, None, "value", "dir.", "value", "dir."], SWITCH]  # fmt: skip

    def merge(book: Any) -> None:
        for area in ("D1:E1", "F1:G1", "A1:A2", "B1:B2", "C1:C2"):
            book["Sheet1"].merge_cells(area)

    mapping = proposed(tmp_path, rows, merge)
    assert mapping.tables[0].header_rows == (1, 2)
    assert points_of(mapping) == BOTH


def test_a_number_behind_the_only_set_point_names_nothing(tmp_path: Path) -> None:
    rows = [["Tag", "Service", "Range", "Set point 1", "Direction"], SWITCH[:5]]
    assert points_of(proposed(tmp_path, rows)) == [("D", "Set point", ""), ("E", "Direction", "")]


def test_a_set_point_without_a_label_beside_one_with_a_label(tmp_path: Path) -> None:
    rows = [["Tag", "Service", "Range", "Set point", "HH set point"], [*SWITCH[:4], "5 bar"]]
    found = [each for each in points_of(proposed(tmp_path, rows)) if each[1] == "Set point"]
    assert found == [("D", "Set point", "1"), ("E", "Set point", "HH")]


def test_a_register_without_set_points_is_told_that_they_are_missing(tmp_path: Path) -> None:
    head = ["Tag", "Service", "Range", "Area"]
    mapping = proposed(tmp_path, [head, ["PSH-9102", "x", "0-10 bar", "A1"]])
    assert {"Set point", "Direction", "Tolerance minus"} <= set(mapping.tables[0].missing)
    # another sheet gives them
    points = [["Tag", "Label", "Set point", "Direction"], ["PSH-9102", "H", "2 bar", "rising"]]
    book = xlsx(tmp_path / "two.xlsx", {"Register": [head, ["PSH-9102", "x", "0-10 bar", "A1"]],
                                        "Set points": points})  # fmt: skip
    first = propose([opened(book)], KNOWN).tables[0]
    assert "Set point" not in first.missing


# --- sheets that are understood in part ---------------------------------------------------


def test_a_sheet_with_one_header_unknown_keeps_what_is_known(tmp_path: Path) -> None:
    rows = [["When", "Tag", "Technician", "Gauge", "As found trip", "As found reset"],
            ["2024-05-02", "PSL-1102", "P02", "RG-202", "4.1", "4.3"]]  # fmt: skip
    (table,) = proposed(tmp_path, rows, title="Sheet1").tables
    assert (table.kind, table.certainty) == (TableKind.CALIBRATIONS, Certainty.GUESS)
    assert "performed_on" in table.reason
    assert "performed_on" in table.missing
    assert [u.field for u in table.columns] == [
        "", "tag", "performed_by", "operating_gauge", "trip", "reset",
    ]  # fmt: skip


def test_a_register_whose_tags_have_a_strange_header(tmp_path: Path) -> None:
    rows = [["Kennung", "Service", "Range", "Set point", "Direction"],
            ["PSX-1", "x", "0-10 bar", "2 bar", "rising"]]  # fmt: skip
    (table,) = proposed(tmp_path, rows).tables
    assert (table.kind, table.certainty) == (TableKind.SWITCHES, Certainty.GUESS)
    assert "Tag" in table.missing


def test_words_of_a_history_in_german(tmp_path: Path) -> None:
    rows = [["Prüfdatum", "Messstelle", "Prüfer", "Gauge", "Schaltpunkt", "Bemerkung"],
            ["2024-05-02", "PSL-1102", "P02", "RG-202", "4.1", "gut"]]  # fmt: skip
    (table,) = proposed(tmp_path, rows).tables
    assert table.kind is TableKind.CALIBRATIONS
    fields = ["performed_on", "tag", "performed_by", "operating_gauge", "trip", "remarks"]
    assert [u.field for u in table.columns] == fields


def test_words_of_registers_in_german(tmp_path: Path) -> None:
    rows = [["Messstelle", "Service", "Bereich", "Schaltpunkt", "Toleranz"],
            ["PSX-1", "x", "0-10 bar", "2 bar", "0.1 bar"]]  # fmt: skip
    mapping = proposed(tmp_path, rows)
    assert [field_of(mapping, c)[0] for c in "ABCDE"] == [
        "Tag", "Service", "Range", "Set point", "Tolerance",
    ]  # fmt: skip
    rows = [["Gauge", "Bereich", "Genauigkeit", "Auflösung", "Why"],
            ["G1", "0-10 bar", "0.05 %", "0.001 bar", "new"]]  # fmt: skip
    mapping = proposed(tmp_path, rows)
    assert [field_of(mapping, c)[0] for c in "ABCDE"] == [
        "Gauge", "Range", "Accuracy", "Resolution", "Reason",
    ]  # fmt: skip


def test_short_words_of_certificates(tmp_path: Path) -> None:
    rows = [["No.", "Gauge", "Lab", "Cal. date", "Room °C", "Hum."],
            ["C1", "RG-202", "WES", "2024-05-02", "20.5", "45 %"]]  # fmt: skip
    mapping = proposed(tmp_path, rows, title="Certificates")
    uses = mapping.tables[0].columns
    assert [u.field for u in uses] == [
        "certificate", "gauge", "laboratory", "calibrated_on", "temperature_c", "humidity",
    ]  # fmt: skip
    assert uses[0].certainty is Certainty.LIKELY  # it may as well count the rows
    rows = [["Cert. no.", "up/down", "Reference", "Indication", "U", "k"],
            ["C1", "up", "1.0", "1.0", "0.004", "2"]]  # fmt: skip
    assert field_of(proposed(tmp_path, rows), "B") == ["direction"]


def test_the_scale_interval_is_the_resolution(tmp_path: Path) -> None:
    rows = [["Gauge", "Serial no.", "Range", "Scale interval"], ["G1", "1", "0-10 bar", "0.1 bar"]]
    assert field_of(proposed(tmp_path, rows), "D") == ["Resolution"]


def test_a_proposal_with_a_hidden_register_can_be_read_back(tmp_path: Path) -> None:
    head = ["Tag", "Service", "Range", "Set point"]

    def hide(book: Any) -> None:
        book["Old"].sheet_state = "hidden"

    path = xlsx(tmp_path / "r.xlsx", {"Old": [head, SWITCH[:4]], "PS": [head, SWITCH[:4]]}, hide)
    mapping = propose([opened(path)], KNOWN)
    old = mapping.tables[0]
    assert (old.kind, [u.field for u in old.columns]) == (TableKind.IGNORED, [""] * 4)
    assert [u.header for u in old.columns] == head
    text = to_toml(mapping)
    assert "# not used: it looks like Tag" in text
    problems: list[Problem] = []
    assert from_toml(text, problems) == mapping
    # nor do fields in an ignored sheet matter to the loader
    switches = text.replace('kind = "switches"', 'kind = "ignored"')
    assert 'field = "Set point"' in switches
    assert from_toml(switches, problems) is not None
    assert not problems
