"""A shop's own files read into records: every oddity that registers have, one by one."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import date
from decimal import Decimal
from pathlib import Path
from typing import Any

import pytest
from moving_books import REGISTER_CONSTANTS, Rows, opened, read, said, site, whole_site, xlsx

from calfleet import records as rec
from calfleet.adapters.workbook.moving_in import Incoming, summarised
from calfleet.adapters.workbook.moving_map import Duplicates, TableKind
from calfleet.adapters.workbook.moving_map import Mapping as Map
from calfleet.adapters.workbook.moving_propose import propose
from calfleet.errors import Problem
from calfleet.metrology.direction import Direction

HEADER = ["Tag No.", "Service", "Range", "S/P", "Tol.", "Acting", "Ser. No.", "Area"]
GOOD = ["PSH-9001", "Drum high", "0-10 bar", "6.5 bar", "+/- 2 % of span", "rising", "S1", "BIO"]


def register(
    tmp_path: Path,
    rows: Rows,
    known: rec.SiteInput | None = None,
    finish: Any = None,
    header: Sequence[str] = HEADER,
    **more: object,
) -> Incoming:
    path = xlsx(tmp_path / "register.xlsx", {"PS": [header, *rows]}, finish)
    return read([opened(path)], known or site(), **(REGISTER_CONSTANTS | more))


def row(**changes: object) -> list[object]:
    """A good row with some cells changed, by the field it gives."""
    names = ["tag", "service", "range", "sp", "tol", "way", "serial", "area"]
    out: list[object] = list(GOOD)
    for name, value in changes.items():
        out[names.index(name)] = value
    return out


def only(incoming: Incoming) -> rec.Switch:
    assert incoming.problems == (), said(incoming.problems)
    (switch,) = incoming.given.switches
    return switch


# --- cells ----------------------------------------------------------------------------------


def test_a_wide_row_gives_a_switch_with_its_set_point(tmp_path: Path) -> None:
    incoming = register(tmp_path, [GOOD])
    switch = only(incoming)
    assert (switch.tag, switch.revision, switch.unit) == ("PSH-9001", 1, "bar")
    assert (switch.range_low, switch.range_high) == (0, 10)
    assert (switch.line_unit, switch.proof_pressure) == ("bar", 60)
    (point,) = switch.set_points
    assert (point.label, point.value, point.direction) == ("H", Decimal("6.5"), Direction.RISING)
    assert (point.tolerance_minus, point.tolerance_basis) == (2, "% of span")
    assert incoming.places == {("switch", "PSH-9001 rev 1"): "register.xlsx, PS!A2"}
    assert incoming.rows_read == {"register.xlsx, PS": 1}


@pytest.mark.parametrize(
    ("changes", "expected"),
    [
        ({"sp": "6,5 bar"}, {"value": Decimal("6.5")}),
        ({"sp": " 6.50 bar "}, {"value": Decimal("6.50")}),
        ({"sp": Decimal("6.50")}, {"value": Decimal("6.50")}),
        ({"sp": "650 kPa"}, {"value": Decimal("6.5")}),
        ({"sp": "6500 mbar"}, {"value": Decimal("6.5")}),
        ({"tol": "±0.1 bar"}, {"tolerance_plus": Decimal("0.1"), "tolerance_basis": "absolute"}),
        ({"tol": "± 10 kPa"}, {"tolerance_plus": Decimal("0.1"), "tolerance_basis": "absolute"}),
        ({"tol": "+0,2/-0,1 bar"}, {"tolerance_minus": Decimal("0.1")}),
        ({"tol": "+0.2/open bar"}, {"tolerance_minus": None, "tolerance_plus": Decimal("0.2")}),
        ({"tol": "open/-0.1 bar"}, {"tolerance_minus": Decimal("0.1"), "tolerance_plus": None}),
        ({"tol": "1 % FS"}, {"tolerance_plus": Decimal(1), "tolerance_basis": "% of span"}),
        ({"way": "increasing"}, {"direction": Direction.RISING}),
        ({"way": "↑"}, {"direction": Direction.RISING}),
    ],
)
def test_what_people_type_into_a_set_point(
    changes: dict[str, object], expected: dict[str, object], tmp_path: Path
) -> None:
    (point,) = only(register(tmp_path, [row(**changes)])).set_points
    assert {name: getattr(point, name) for name in expected} == expected


@pytest.mark.parametrize(
    ("text", "low", "high", "unit"),
    [
        ("0-10 bar", 0, 10, "bar"),
        ("-1 ... 9 bar", -1, 9, "bar"),
        ("0 to 1000 kPa", 0, 1000, "kPa"),
        ("0..10,0 bar", 0, 10, "bar"),
        ("0/10 barg", 0, 10, "bar"),
        ("0 – 10 kg/cm²", 0, 10, "kgf/cm2"),
    ],
)
def test_ranges_as_text(text: str, low: int, high: int, unit: str, tmp_path: Path) -> None:
    value = "6.5" if unit != "kPa" else "650"
    switch = only(register(tmp_path, [row(range=text, sp=value, tol="2 % of span")]))
    assert (switch.range_low, switch.range_high, switch.unit) == (low, high, unit)


@pytest.mark.parametrize(
    ("changes", "cell", "message"),
    [
        ({"sp": "6,5.1 bar"}, "D2", "is not"),
        ({"sp": "95 psi"}, "D2", "no number with an end"),
        ({"sp": "65 inH2O"}, "D2", "several meanings"),
        ({"sp": "12 bar"}, "D2", "lies outside the range"),
        ({"range": "10-0 bar"}, "C2", "from its higher to its lower end"),
        ({"range": "0-10 bara"}, "C2", "The unit is one of absolute pressure"),
        ({"tol": "about 2"}, "E2", "is not a tolerance"),
        ({"tol": "+0,2 bar"}, "E2", "not clear whether this is both sides"),
        ({"tol": "-0.1 bar"}, "E2", "not clear whether this is both sides"),
        ({"sp": "HH 8.2 bar / H 6.8 bar"}, "D2", "is more than one set point"),
        ({"way": "sideways"}, "F2", "is not one of the words"),
        ({"area": None}, "H2", "is missing"),
        ({"serial": None}, "G2", "is missing"),
    ],
)
def test_a_problem_names_its_cell(
    changes: dict[str, object], cell: str, message: str, tmp_path: Path
) -> None:
    incoming = register(tmp_path, [row(**changes), row(tag="PSH-9002", serial="S2")])
    assert [p.where for p in incoming.problems] == [f"register.xlsx, PS!{cell}"], said(
        incoming.problems
    )
    assert message in incoming.problems[0].message
    assert [s.tag for s in incoming.given.switches] == ["PSH-9002"]  # the other row is good


@pytest.mark.parametrize(
    ("sp", "step"),
    [
        ("95 psi", "Or give the whole row in psi, beginning with the range."),
        ("12 bar", "Check the decimal sign and the unit, of the range too."),
        ("HH 8.2 bar / H 6.8 bar", 'set_point = "HH"'),
    ],
)
def test_what_to_do_about_a_set_point(sp: str, step: str, tmp_path: Path) -> None:
    (problem,) = register(tmp_path, [row(sp=sp)]).problems
    assert step in problem.hint


@pytest.mark.parametrize(
    ("sp", "number"),
    [("6.5 kg/cm2", "6.5"), ("6.5 bar/g", ""), ("6 1/2 bar", ""), ("6.5\nbar", "6.5")],
)
def test_one_value_is_not_several_set_points(sp: str, number: str, tmp_path: Path) -> None:
    incoming = register(tmp_path, [row(range=f"0-10 {'kg/cm2' if 'kg' in sp else 'bar'}", sp=sp)])
    assert "more than one set point" not in said(incoming.problems)
    if number:
        assert only(incoming).set_points[0].value == Decimal(number)


def test_problems_of_all_rows_and_cells_are_told_at_once(tmp_path: Path) -> None:
    bad = [
        row(sp="high", tol="about 2", way="sideways"),
        row(tag="PSH-9002", range="10-0 bar"),
        row(tag=None),
    ]
    incoming = register(tmp_path, bad)
    assert {p.where.partition("!")[2] for p in incoming.problems} == {"D2", "E2", "F2", "C3", "A4"}


# --- lines ----------------------------------------------------------------------------------


def test_titles_blank_lines_totals_and_headers_again_are_no_rows(tmp_path: Path) -> None:
    rows = [
        ["Pressure switches of the works"], ["printed 3 March 2026"], [], HEADER,
        ["Boiler house"], GOOD, [], HEADER, row(tag="PSH-9002", serial="S2"), ["Total: 2"],
    ]  # fmt: skip
    path = xlsx(tmp_path / "register.xlsx", {"PS": rows})
    incoming = read([opened(path)], site(), **REGISTER_CONSTANTS)
    assert incoming.problems == (), said(incoming.problems)
    assert [s.tag for s in incoming.given.switches] == ["PSH-9001", "PSH-9002"]
    told = said(incoming.remarks)
    assert "PS!5:5: Left out as a title or a note: 'Boiler house'." in told
    assert "PS!8:8: The header stands here again" in told
    assert "PS!10:10: Left out as a line of totals: 'Total: 2'." in told


def test_a_tag_alone_is_no_title(tmp_path: Path) -> None:
    incoming = register(tmp_path, [GOOD, ["PSH-9002"]])
    assert any(p.where.endswith("!3:3") or "3" in p.where for p in incoming.problems)


def test_hidden_rows_are_read_and_told(tmp_path: Path) -> None:
    def hide(book: Any) -> None:
        book["PS"].row_dimensions[3].hidden = True

    rows = [GOOD, row(tag="PSH-9002", serial="S2")]
    incoming = register(tmp_path, rows, finish=hide)
    assert len(incoming.given.switches) == 2
    assert "1 hidden row (3) was read as well." in said(incoming.remarks)
    book = opened(tmp_path / "register.xlsx")
    mapping = propose([book], site())
    without = replace(mapping, tables=(replace(mapping.tables[0], hidden_rows=False),))
    incoming = read([book], site(), without, **REGISTER_CONSTANTS)
    assert [s.tag for s in incoming.given.switches] == ["PSH-9001"]
    assert "was left out, as the mapping says" in said(incoming.remarks)


def test_a_hidden_sheet_is_ignored_until_the_mapping_says_otherwise(tmp_path: Path) -> None:
    def hide(book: Any) -> None:
        book["Old"].sheet_state = "hidden"

    path = xlsx(tmp_path / "r.xlsx", {"PS": [HEADER, GOOD], "Old": [HEADER, GOOD]}, hide)
    book = opened(path)
    mapping = propose([book], site())
    assert [t.kind for t in mapping.tables] == [TableKind.SWITCHES, TableKind.IGNORED]
    incoming = read([book], site(), mapping, **REGISTER_CONSTANTS)
    assert len(incoming.given.switches) == 1
    assert "r.xlsx, Old: The hidden sheet is ignored" in said(incoming.remarks)
    # and read, it is the same tag twice
    first, hidden = mapping.tables
    hidden = replace(hidden, kind=TableKind.SWITCHES, columns=first.columns)
    both = replace(mapping, tables=(first, hidden))
    incoming = read([book], site(), both, **REGISTER_CONSTANTS)
    assert "PSH-9001 is there twice" in said(incoming.problems)


def test_results_of_formulas_are_taken_and_told(tmp_path: Path) -> None:
    import zipfile

    path = xlsx(tmp_path / "register.xlsx", {"PS": [HEADER, row(sp=Decimal("6.5"))]})
    # a spreadsheet program stores the result beside the formula; openpyxl does not
    out = tmp_path / "formula.xlsx"
    with zipfile.ZipFile(path) as old, zipfile.ZipFile(out, "w") as new:
        for name in old.namelist():
            data = old.read(name)
            if name.endswith("sheet1.xml"):
                data = data.replace(b"<v>6.5</v>", b"<f>13/2</f><v>6.5</v>")
                assert b"<f>" in data
            new.writestr(name, data)
    incoming = read([opened(out)], site(), **REGISTER_CONSTANTS)
    assert only(incoming).set_points[0].value == Decimal("6.5")
    assert "Column D holds 1 formula; the stored results were taken" in said(incoming.remarks)


def test_a_formula_without_result_is_a_problem(tmp_path: Path) -> None:
    incoming = register(tmp_path, [row(sp="=13/2")])
    assert "PS!D2: The formula has no stored result." in said(incoming.problems)


def test_merged_tags_stand_for_all_their_rows(tmp_path: Path) -> None:
    header = [*HEADER, "Label"]
    rows = [
        [*GOOD, "H"],
        [None, None, None, "8 bar", "±0.1 bar", "rising", None, None, "HH"],
        [*row(tag="PSL-9002", serial="S2", way="falling", sp="2 bar"), "L"],
    ]

    def merge(book: Any) -> None:
        book["PS"].merge_cells("A2:A3")
        book["PS"].merge_cells("C2:C3")

    incoming = register(tmp_path, rows, finish=merge, header=header)
    assert incoming.problems == (), said(incoming.problems)
    first, second = incoming.given.switches
    assert [p.label for p in first.set_points] == ["H", "HH"]
    assert [p.label for p in second.set_points] == ["L"]


def test_several_set_points_in_one_wide_row(tmp_path: Path) -> None:
    header = [
        "Tag",
        "Service",
        "Range (bar)",
        "H S/P",
        "HH S/P",
        "Tol. (% of span)",
        "Serial",
        "Area",
    ]
    rows = [["PSH-9001", "Drum", "0-10", 6, 8, 2, "S1", "BIO"]]
    switch = only(register(tmp_path, rows, header=header))
    assert [(p.label, p.value, str(p.direction)) for p in switch.set_points] == [
        ("H", 6, "rising"), ("HH", 8, "rising"),
    ]  # fmt: skip
    assert {p.tolerance_basis for p in switch.set_points} == {"% of span"}


# --- duplicates -----------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("policy", "serials"), [(Duplicates.FIRST, ["S1"]), (Duplicates.LAST, ["S2"])]
)
def test_a_tag_twice_is_a_problem_unless_the_mapping_says_which_counts(
    policy: Duplicates, serials: list[str], tmp_path: Path
) -> None:
    rows = [GOOD, row(serial="S2")]
    incoming = register(tmp_path, rows)
    assert "PS!A3: PSH-9001 is there twice, first at register.xlsx, PS!A2." in said(
        incoming.problems
    )
    book = opened(tmp_path / "register.xlsx")
    mapping = propose([book], site())
    mapping = replace(mapping, tables=(replace(mapping.tables[0], duplicates=policy),))
    incoming = read([book], site(), mapping, **REGISTER_CONSTANTS)
    assert incoming.problems == (), said(incoming.problems)
    assert [s.serial for s in incoming.given.switches] == serials
    assert "counts" in said(incoming.remarks)


def test_of_two_rows_that_differ_none_is_taken(tmp_path: Path) -> None:
    """Nobody said which counts: neither does, whatever is left out."""
    rows = [GOOD, row(sp="9.1 bar"), row(tag="PSH-9002", serial="S2"), row(tag="PSH-9003"),
            row(tag="PSH-9003")]  # fmt: skip
    incoming = register(tmp_path, rows)
    assert [s.tag for s in incoming.given.switches] == ["PSH-9002", "PSH-9003"]
    assert [p.where.partition("!")[2] for p in incoming.problems] == ["A2", "A3", "A6"]
    assert incoming.rows_not_read == {("switch", "register.xlsx, PS"): 3}


def test_of_two_gauges_and_two_certificates_that_differ_none_is_taken(tmp_path: Path) -> None:
    known = site()
    gauge = next(g for g in known.gauges if g.unit == "kPa")
    heads = ["Cert. No.", "Gauge", "Lab", "Cal date", "Issue date", "Unit", "Temp °C", "RH %",
             "Adjusted"]  # fmt: skip
    one = ["C-1", gauge.code, "WES", "2.5.2025", "14.5.2025", "kPa", "20,5", "45", "no"]
    points = [["Cert. No.", "Phase", "Direction", "Applied (kPa)", "Error (kPa)", "U (kPa)", "k"],
              ["C-1", "A/F", "up", "100", "0,1", "0,2", 2]]  # fmt: skip
    other = [*one[:6], "21,5", *one[7:]]
    path = xlsx(tmp_path / "c.xlsx", {"Certificates": [heads, one, other], "Cert points": points})
    incoming = read([opened(path)], known)
    assert incoming.given.certificates == ()
    assert {p.where for p in incoming.problems} == {
        "c.xlsx, Certificates!A2", "c.xlsx, Certificates!A3",
    }  # fmt: skip
    assert incoming.rows_not_read == {
        ("certificate", "c.xlsx, Certificates"): 2, ("certificate", "c.xlsx, Cert points"): 1,
    }  # fmt: skip
    incoming = gauges(tmp_path, [GAUGE, [GAUGE[0], "Other", *GAUGE[2:]]])
    assert incoming.given.gauges == ()
    assert [p.where[-2:] for p in incoming.problems] == ["A2", "A3"]


# --- what the site holds --------------------------------------------------------------------


def test_a_known_switch_keeps_what_the_register_does_not_say(tmp_path: Path) -> None:
    known = site(switches=True)
    held = next(s for s in known.switches if s.tag == "PSL-1102")
    path = xlsx(
        tmp_path / "r.xlsx",
        {
            "PS": [
                ["Tag", "Service", "Serial", "Location"],
                ["psl 1102", held.service, "NEW", "BIO"],
            ]
        },
    )
    incoming = read([opened(path)], known)
    assert incoming.problems == (), said(incoming.problems)
    (switch,) = incoming.given.switches
    assert switch == replace(
        held, revision=held.revision + 1, serial="NEW", reason=""
    )  # the day of effect is that of the site: whoever enters it must give one
    assert "'psl 1102' is taken as the switch PSL-1102" in said(incoming.remarks)


def test_set_points_alone_change_a_known_switch(tmp_path: Path) -> None:
    known = site(switches=True)
    held = next(s for s in known.switches if s.tag == "PSL-1102")
    (point,) = held.set_points
    header = ["Tag", "Label", "Set point", "Direction", "Tolerance", "Dead band type",
              "Dead band min", "Dead band max", "Contact", "Action", "Energised"]  # fmt: skip
    rows = [["PSL-1102", "L", "8.50 bar", "falling", "±1.5 % of span", "fixed", 0.2, 1.2, "SPDT",
             "alarm", "de-energise to trip"]]  # fmt: skip
    path = xlsx(tmp_path / "sp.xlsx", {"Set points": [header, *rows]})
    incoming = read([opened(path)], known)
    assert incoming.problems == (), said(incoming.problems)
    (switch,) = incoming.given.switches
    assert (switch.revision, switch.serial) == (held.revision + 1, held.serial)
    assert switch.set_points[0].value == Decimal("8.50")
    assert switch.set_points[0].tolerance_minus == point.tolerance_minus


def test_what_nobody_says_is_one_problem_with_the_line_to_add(tmp_path: Path) -> None:
    path = xlsx(tmp_path / "r.xlsx", {"PS": [HEADER, GOOD, row(tag="PSH-9002", serial="S2")]})
    constants = {k: v for k, v in REGISTER_CONSTANTS.items() if k != "Bench_minutes"}
    incoming = read([opened(path)], site(), **constants)
    (problem,) = incoming.problems
    assert problem.where == "r.xlsx, PS"
    assert "No column gives 'Bench minutes'" in problem.message
    assert '"Bench minutes" = 1' in problem.hint


def test_new_areas_are_proposed_and_given(tmp_path: Path) -> None:
    path = xlsx(tmp_path / "r.xlsx", {"PS": [HEADER, row(area="Tank farm")]})
    book = opened(path)
    mapping = propose([book], site())
    assert mapping.areas == (rec.Area("Tank farm", "Tank farm"),)
    incoming = read([book], site(), mapping, **REGISTER_CONSTANTS)
    assert only(incoming).area == "Tank farm"
    assert incoming.given.areas == mapping.areas
    assert ("area", "Tank farm") in incoming.places


# --- the mapping and the file ---------------------------------------------------------------


def test_a_column_that_moved_is_found_by_its_header(tmp_path: Path) -> None:
    mapping = propose([opened(xlsx(tmp_path / "register.xlsx", {"PS": [HEADER, GOOD]}))], site())
    turned = xlsx(tmp_path / "register.xlsx", {"PS": [HEADER[::-1], GOOD[::-1]]})
    incoming = read([opened(turned)], site(), mapping, **REGISTER_CONSTANTS)
    assert only(incoming).serial == "S1"
    assert "was A in the mapping and is H now" in said(incoming.remarks)


def test_a_header_that_changed_is_a_problem(tmp_path: Path) -> None:
    mapping = propose([opened(xlsx(tmp_path / "register.xlsx", {"PS": [HEADER, GOOD]}))], site())
    changed = xlsx(tmp_path / "register.xlsx", {"PS": [[*HEADER[:6], "Bin", "Area"], GOOD]})
    incoming = read([opened(changed)], site(), mapping, **REGISTER_CONSTANTS)
    assert incoming.given.switches == ()
    assert (
        "register.xlsx, PS!G1: Column G is called 'Bin'; the mapping expects 'Ser. No.' there"
        in said(incoming.problems)
    )


def test_a_new_column_and_a_new_sheet_are_not_lost_silently(tmp_path: Path) -> None:
    mapping = propose([opened(xlsx(tmp_path / "register.xlsx", {"PS": [HEADER, GOOD]}))], site())
    more = xlsx(
        tmp_path / "register.xlsx", {"PS": [[*HEADER, "Colour"], [*GOOD, "red"]], "New": [["x"]]}
    )
    incoming = read([opened(more)], site(), mapping, **REGISTER_CONSTANTS)
    assert "The column 'Colour' is not in the mapping; it is not used." in said(incoming.remarks)
    assert "register.xlsx, New: The mapping does not name this sheet." in said(incoming.problems)


# --- what can be read and is hardly meant so ------------------------------------------------


def doubts(incoming: Incoming) -> list[str]:
    """The remarks on the values themselves, with their cells."""
    assert incoming.problems == (), said(incoming.problems)
    return [str(each) for each in incoming.remarks if "Check the" in each.hint]


@pytest.mark.parametrize(
    ("tol", "odd"),
    [("20 bar", True), ("10 bar", False), ("120 % of span", True), ("+0.1/-11 bar", True),
     ("160 % of set point", True), ("2 %  of span", False), ("2000 kPa", True)],
)  # fmt: skip
def test_a_tolerance_wider_than_the_range_is_told(tol: str, odd: bool, tmp_path: Path) -> None:
    """More than the whole span is no tolerance; common practice, no source."""
    told = doubts(register(tmp_path, [row(tol=tol)]))
    assert len(told) == odd, told
    if odd:
        assert told[0].startswith("register.xlsx, PS!E2: A tolerance of ")
        assert "wider than the whole range 0 to 10 bar of PSH-9001." in told[0]


def test_full_scale_is_told_where_the_range_does_not_begin_at_zero(tmp_path: Path) -> None:
    rows = [row(range="2-10 bar", tol="2 % FS"), row(tag="PSH-9002", serial="S2", tol="2 % FS"),
            row(tag="PSH-9003", range="2-10 bar", tol="2 % of span")]  # fmt: skip
    incoming = register(tmp_path, rows)
    assert incoming.problems == (), said(incoming.problems)
    (told,) = [str(each) for each in incoming.remarks if "% FS" in each.message]
    assert told.startswith("register.xlsx, PS!E2: '2 % FS' is taken as per cent of the span 8 bar")
    assert "% of upper range value" in told


def test_a_range_without_a_unit_that_takes_another_is_told(tmp_path: Path) -> None:
    incoming = register(tmp_path, [row(range="0 ... 10")])
    assert only(incoming).unit == "bar"
    told = "register.xlsx, PS!C2: The range names no unit; bar of the set point is taken."
    assert told in said(incoming.remarks)
    assert "names no unit" not in said(register(tmp_path, [GOOD]).remarks)


GAUGE = ["RG-901", "Digital gauge", "G1", "0...20 bar", "0,001 bar", "±0.05 % FS", "gage",
         date(2024, 5, 2), "in use", "0,5 kPa", 0.0003, "R24"]  # fmt: skip


def gauges(tmp_path: Path, rows: Rows) -> Incoming:
    header = ["Gauge No.", "Description", "Serial No", "Range", "Resolution", "Accuracy", "Mode",
              "In use since", "Status", "Drift per year", "Temp. coefficient",
              "Interval"]  # fmt: skip
    path = xlsx(tmp_path / "g.xlsx", {"Reference gauges": [header, *rows]})
    return read([opened(path)], site(), Reference_temperature=20, Use_corrections=True, Tier=2)


@pytest.mark.parametrize(
    ("column", "text", "cell"),
    [(4, "1 bar", None), (4, "1,1 bar", "E2"), (5, "±2 bar", None), (5, "±2,1 bar", "F2"),
     (5, "±11 % of span", "F2")],
)  # fmt: skip
def test_a_gauge_too_coarse_for_its_range_is_told(
    column: int, text: str, cell: str | None, tmp_path: Path
) -> None:
    """A twentieth and a tenth of the span are the ends; common practice, no source."""
    told = doubts(gauges(tmp_path, [[*GAUGE[:column], text, *GAUGE[column + 1 :]]]))
    assert [each.partition("!")[2][:2] for each in told] == ([cell] if cell else [])


# --- gauges, certificates, people, procedures -----------------------------------------------


def test_gauges_in_the_words_of_a_shop(tmp_path: Path) -> None:
    header = ["Gauge No.", "Description", "Serial No", "Range", "Resolution", "Accuracy", "Mode",
              "In use since", "Status", "Drift per year", "Temp. coefficient",
              "Interval"]  # fmt: skip
    rows = [["RG-901", "Digital gauge", "G1", "0...25 bar", "0,001 bar", "±0.05 % FS", "gage",
             date(2024, 5, 2), "in use", "0,5 kPa", 0.0003, "R24"]]  # fmt: skip
    path = xlsx(tmp_path / "g.xlsx", {"Reference gauges": [header, *rows]})
    incoming = read([opened(path)], site(), Reference_temperature=20, Use_corrections=True, Tier=2)
    assert incoming.problems == (), said(incoming.problems)
    (gauge,) = incoming.given.gauges
    assert (gauge.code, gauge.unit, gauge.range_high) == ("RG-901", "bar", 25)
    assert gauge.resolution == Decimal("0.001")
    assert (gauge.accuracy, gauge.accuracy_basis) == (Decimal("0.05"), "% of span")
    assert gauge.drift_per_year == Decimal("0.005")  # 0.5 kPa
    assert gauge.effective_on == date(2024, 5, 2)
    assert incoming.places == {("gauge", "RG-901 rev 1"): "g.xlsx, Reference gauges!A2"}


def test_certificates_with_points_in_another_unit_and_errors(tmp_path: Path) -> None:
    known = site()
    gauge = next(g for g in known.gauges if g.unit == "kPa")
    heads = [
        [
            "Cert. No.",
            "Gauge",
            "Lab",
            "Cal date",
            "Issue date",
            "Unit",
            "Temp °C",
            "RH %",
            "Adjusted",
        ],
        ["C-1", gauge.code, "wes", "2.5.2025", "14.5.2025", "kPa", "20,5", "45", "no"],
    ]
    points = [
        ["Cert. No.", "Phase", "Direction", "Applied (bar)", "Error (bar)", "U (bar)", "k"],
        ["C-1", "A/F", "up", "1,0", "0,001", "0,002", 2],
        ["C-1", "A/L", "up", "2,0", "-0,001", "0,002", 2],
    ]
    path = xlsx(tmp_path / "c.xlsx", {"Certificates": heads, "Cert points": points})
    book = opened(path)
    mapping = propose([book], known)
    incoming = read([book], known, mapping)
    assert incoming.problems == (), said(incoming.problems)
    (found,) = incoming.given.certificates
    assert (found.laboratory, found.calibrated_on, found.issued_on) == (
        "WES", date(2025, 5, 2), date(2025, 5, 14),
    )  # fmt: skip
    assert (found.temperature_c, found.humidity) == (Decimal("20.5"), Decimal("0.45"))
    first = found.points[0]
    assert (first.phase, first.reference, first.indication) == (
        rec.Phase.AS_FOUND, Decimal("100"), Decimal("100.1"),
    )  # fmt: skip
    assert first.expanded_uncertainty == Decimal("0.2")


def test_people_and_their_qualifications(tmp_path: Path) -> None:
    people = [["Code", "Name", "Role", "Since"], ["P90", "Wren Aldershaw", "Tech", "2024-01-02"]]
    held = [
        ["Technician", "Qualified for", "Granted on", "Expires", "Approved by"],
        ["Wren Aldershaw", "pressure", "2024-01-02", "2027-01-01", "P07"],
    ]
    path = xlsx(tmp_path / "p.xlsx", {"People": people, "Qualifications": held})
    incoming = read([opened(path)], site())
    assert incoming.problems == (), said(incoming.problems)
    (person,) = incoming.given.people
    assert (person.code, person.roles[0].role) == ("P90", rec.Role.TECHNICIAN)
    assert person.qualifications[0].expires_on == date(2027, 1, 1)


def test_a_qualification_of_somebody_whom_the_site_knows_needs_no_name(tmp_path: Path) -> None:
    known = site()
    someone = known.people[0]
    held = [["Technician", "Qualified for", "Granted on", "Expires", "Approved by"],
            [someone.code, "vacuum", "2024-01-02", "2027-01-01", "P07"],
            ["ZZ", "vacuum", "2024-01-02", "2027-01-01", "P07"]]  # fmt: skip
    path = xlsx(tmp_path / "p.xlsx", {"Qualifications": held})
    incoming = read([opened(path)], known)
    assert [p.where for p in incoming.problems] == ["p.xlsx, Qualifications!A3"]
    (person,) = incoming.given.people
    assert (person.code, person.name, person.roles) == (someone.code, someone.name, ())
    assert person.qualifications[0].quantity is rec.Quantity.VACUUM
    assert incoming.rows_not_read == {("qualification", "p.xlsx, Qualifications"): 1}


def test_a_policy_that_stands_twice_is_not_taken(tmp_path: Path) -> None:
    header = ["code", "effective_on", "basis", "every", "unit"]
    rows = [["Q1", "2026-01-01", "last done", 12, "month"],
            ["Q1", "2026-01-01", "last done", 24, "month"],
            ["Q2", "2026-01-01", "last done", 24, "month"]]  # fmt: skip
    path = xlsx(tmp_path / "p.xlsx", {"Interval policies": [header, *rows]})
    incoming = read([opened(path)], site())
    assert "is there twice" in said(incoming.problems)
    assert [p.code for p in incoming.given.policies] == ["Q2"]


def test_a_switch_without_a_set_point_is_told_in_the_terms_of_the_mapping(tmp_path: Path) -> None:
    header = [*HEADER[:3], *HEADER[6:]]
    incoming = register(tmp_path, [[*GOOD[:3], *GOOD[6:]]], header=header)
    found = [p for p in incoming.problems if "has no set point" in p.message]
    assert [p.where for p in found] == ["register.xlsx, PS!A2"], said(incoming.problems)
    assert 'Map a column to "Set point"' in found[0].hint


def test_procedures_from_a_sheet(tmp_path: Path) -> None:
    header: list[str] = []
    for part in (
        "Procedure|Title|Rev.|Approved on|Approved by|Effective on|Quantities|Exercise cycles",
        "As found runs|As left runs|Ramp limit|Temp min|Temp max|Humidity max|TUR|Decision rule",
        "Guard factor|Coverage probability|Steps",
    ):
        header += part.split("|")
    rows = [["PS-NEW", "Pressure switches", 1, date(2026, 1, 5), "P07", date(2026, 2, 1),
             "pressure, vacuum", 3, 3, 3, 0.01, 15, 28, "75 %", 4, "managed risk", 1, 0.95,
             "Take the permit to work under the site's rules.\nRead trip and reset."]]  # fmt: skip
    path = xlsx(tmp_path / "m.xlsx", {"Procedures": [header, *rows]})
    incoming = read([opened(path)], site())
    assert incoming.problems == (), said(incoming.problems)
    (found,) = incoming.given.procedures
    assert (found.name, found.humidity_max) == ("PS-NEW rev 1", Decimal("0.75"))
    assert len(found.steps) == 2
    assert ("procedure revision", "PS-NEW rev 1") in incoming.places


# --- many problems --------------------------------------------------------------------------


def test_the_same_problem_in_a_column_is_told_once_and_kept_for_each_cell(tmp_path: Path) -> None:
    rows = [row(tag=f"PSH-{9000 + n}", serial=f"S{n}", way=f"way {n}") for n in range(40)]
    incoming = register(tmp_path, rows)
    assert len(incoming.problems) == 40
    (one,) = summarised(incoming.problems)
    assert one.where == "register.xlsx, PS!F2"
    told = "The like in 39 further cells: F3 ('way 1'), F4 ('way 2'), F5 ('way 3') and 36 more."
    assert told in one.message


def test_a_cell_counts_once_among_those_of_which_the_same_is_said() -> None:
    """Two set points of one row may share the cell of their direction."""
    said_twice = [Problem(f"a.xlsx, S!I{n}", "'x' is not one.") for n in (6, 6, 13, 14, 15)]
    (one,) = summarised(said_twice)
    assert one.message == "'x' is not one. The same in 3 further cells: I13, I14, I15."
    steps = [replace(each, hint="abcde"[n]) for n, each in enumerate(said_twice)]
    assert summarised(steps) == tuple(steps)  # another step is not the same


def test_what_is_said_of_a_whole_sheet_is_told_for_each_field() -> None:
    many = [Problem("a.csv, sheet", f"No column gives '{name}'.") for name in "ABCDE"]
    assert summarised(many) == tuple(many)


def test_a_point_is_not_guessed_where_commas_are_decimal_signs_too(tmp_path: Path) -> None:
    """1.250 mbar is 1250 in a column of decimal commas, and 1.25 in one of points."""
    rows = [
        row(tag="PSH-9002", serial="S2", sp="3,50 bar"),
        row(tag="PSH-9003", serial="S3", sp="3.60 bar"),  # so that the column decides nothing
        row(sp="1.250 bar"),
    ]
    incoming = register(tmp_path, rows)
    assert [p.where for p in incoming.problems] == ["register.xlsx, PS!D4"], said(incoming.problems)
    assert "may be 1.25 or 1250" in incoming.problems[0].message
    alone = register(tmp_path, [row(sp="1.250 bar"), row(tag="PSH-9003", serial="S3")])
    assert alone.given.switches[0].set_points[0].value == Decimal("1.250")


def test_a_number_without_its_unit_is_told_with_what_stands_there(tmp_path: Path) -> None:
    header = [*HEADER, "Proof pressure"]
    incoming = register(
        tmp_path, [[*GOOD, "15"], [*row(tag="PSH-9002", serial="S2"), "15 bar"]], header=header,
        **{"Proof pressure": None, "Line unit": None},
    )  # fmt: skip
    assert [p.where for p in incoming.problems] == ["register.xlsx, PS!I2"], said(incoming.problems)
    assert incoming.problems[0].message == "'15' names no unit."


def formats(*codes: tuple[str, str]) -> Any:
    def finish(book: Any) -> None:
        for cell, code in codes:
            book["PS"][cell].number_format = code

    return finish


def test_a_unit_that_only_the_number_format_shows_counts(tmp_path: Path) -> None:
    """The cell holds 6500 and shows '6500 mbar': it is 6.5 bar, never 6500."""
    rows = [row(sp=6500, tol=0.02), row(tag="PSH-9002", serial=7, sp="6,5 bar", tol="0,5 %")]
    rows[0][6] = 12
    finish = formats(("D2", '0 "mbar"'), ("E2", "0.000%_)"), ("G2", '0 "pcs"'))
    incoming = register(tmp_path, rows, None, finish, **{"Tolerance basis": "% of span"})
    assert incoming.problems == (), said(incoming.problems)
    first = incoming.given.switches[0]
    assert first.set_points[0].value == Decimal("6.5")
    assert first.set_points[0].tolerance_plus == Decimal(2)  # not 2000, beside decimal commas
    assert first.serial == "12 pcs"  # a text is what is shown


def test_a_number_format_with_an_unknown_unit_is_a_problem(tmp_path: Path) -> None:
    incoming = register(tmp_path, [row(sp=6.5)], None, formats(("D2", '0.0 "ubar"')))
    assert [p.where for p in incoming.problems] == ["register.xlsx, PS!D2"]


def test_a_mode_that_does_not_fit_is_told_once(tmp_path: Path) -> None:
    incoming = register(tmp_path, [row(sp="6.5 bara")])
    (problem,) = incoming.problems
    assert problem.where == "register.xlsx, PS!D2"
    assert "unit is one of absolute pressure, the switch is for pressure" in problem.message


def test_a_procedure_for_another_quantity_names_those_that_fit(tmp_path: Path) -> None:
    incoming = register(tmp_path, [GOOD], Procedure="TS-GEN")
    (problem,) = incoming.problems
    assert problem.message == "TS-GEN is not for pressure."
    assert problem.hint.startswith("Name one that is (PS-GAS, PS-GEN")


def test_a_tolerance_without_basis_is_told_with_what_stands_there(tmp_path: Path) -> None:
    incoming = register(tmp_path, [row(tol="2 %"), row(tag="PSH-9002", serial="S2")])
    (problem,) = incoming.problems
    assert problem.where == "register.xlsx, PS!E2"
    assert problem.message == "'2 %' does not say in which unit, or per cent of what."


def test_a_basis_in_the_cells_against_a_constant_says_how_to_map_it(tmp_path: Path) -> None:
    rows = [row(tol="0.1 bar"), row(tag="PSH-9002", serial="S2", tol="2 %")]
    incoming = register(tmp_path, rows, **{"Tolerance basis": "% of span"})
    (problem,) = incoming.problems
    assert problem.where == "register.xlsx, PS!E2"
    assert 'unit = "% of span"' in problem.hint


def test_few_problems_are_not_summarised() -> None:
    few = [Problem(f"a.csv, line {n}, column B", "'x' is not a date.") for n in range(3)]
    assert summarised(few) == tuple(few)


def test_the_input_files_of_a_site_are_read_the_same_as_a_shops_files() -> None:
    """The whole sample site through proposal and mapping: equal to what its own reader gives."""
    from moving_books import SAMPLE

    from calfleet.adapters.workbook.moving_cells import OF_GAUGE

    names = ["people.csv", "qualifications.csv", "switches.xlsx", "gauges.xlsx", "certificates.csv",
             "certificate_points.csv", "certificate_standards.csv", "calibrations.csv",
             "cycles.csv"]  # fmt: skip
    books = [opened(SAMPLE / name) for name in names]
    whole = whole_site()
    known = replace(whole, people=(), switches=(), gauges=(), certificates=(), history=())
    mapping = propose(books, known)
    mapping = replace(
        mapping,
        tables=tuple(
            replace(
                table,
                columns=tuple(
                    replace(c, unit=OF_GAUGE) if c.field in ("trip", "reset", "static") else c
                    for c in table.columns
                ),
            )
            for table in mapping.tables
        ),
    )
    incoming = read(books, known, mapping)
    assert incoming.problems == (), said(summarised(incoming.problems))
    for part in ("people", "switches", "gauges", "certificates", "history"):
        assert getattr(incoming.given, part) == getattr(whole, part), part


# --- the next files by the same mapping ---------------------------------------------------


def test_tables_without_a_file_are_a_remark_where_another_has_one(tmp_path: Path) -> None:
    book = opened(xlsx(tmp_path / "r.xlsx", {"PS": [HEADER, GOOD]}))
    mapping = propose([book], site())
    gone = replace(mapping.tables[0], file="history-2024.csv", sheet="history-2024")
    incoming = read(
        [book], site(), replace(mapping, tables=(*mapping.tables, gone)), **REGISTER_CONSTANTS
    )
    assert incoming.problems == ()
    assert len(incoming.given.switches) == 1
    assert "history-2024.csv, history-2024: The mapping names this sheet" in said(incoming.remarks)
    # where nothing of the mapping is there, it is the wrong mapping
    incoming = read([book], site(), replace(mapping, tables=(gone,)))
    assert "history-2024.csv, history-2024: The mapping names this sheet" in said(incoming.problems)
    unnamed = next(p for p in incoming.problems if "does not name this sheet" in p.message)
    assert 'sheet = "*"' in unnamed.hint


def test_a_table_of_any_name_reads_the_next_file(tmp_path: Path) -> None:
    first = opened(xlsx(tmp_path / "jan.xlsx", {"PS": [HEADER, GOOD]}))
    (table,) = propose([first], site()).tables
    mapping = Map((replace(table, file="*", sheet="*"),))
    following = opened(xlsx(tmp_path / "feb.xlsx", {"Tabelle1": [HEADER, GOOD]}))
    incoming = read([following], site(), mapping, **REGISTER_CONSTANTS)
    assert incoming.problems == ()
    assert len(incoming.given.switches) == 1


def test_totals_of_a_csv_are_left_out(tmp_path: Path) -> None:
    """The word stands in the first column, its count below the tags, as no workbook formula."""
    path = tmp_path / "history.csv"
    path.write_text(
        "Date;Tag;By;Gauge;AF trip\n2024-05-02;PSL-1102;P02;RG-202;4,1\nSumme;40\n\nTotal;1;;\n"
    )
    known = site(switches=True)
    incoming = read([opened(path)], known)
    assert "line 3: Left out as a line of totals: 'Summe'" in said(incoming.remarks)
    assert "line 5: Left out as a line of totals: 'Total'" in said(incoming.remarks)
    assert incoming.rows_read == {"history.csv, history": 1}
