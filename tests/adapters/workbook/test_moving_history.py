"""Calibration history from a shop's records, with readings in columns and one in a row."""

from __future__ import annotations

from dataclasses import replace
from datetime import date
from decimal import Decimal
from pathlib import Path

import pytest
from moving_books import Rows, opened, read, said, site, with_constants, xlsx

from calfleet import records as rec
from calfleet.adapters.workbook.moving_in import Incoming, read_incoming
from calfleet.adapters.workbook.moving_map import Mapping, TableKind
from calfleet.adapters.workbook.moving_propose import propose

HEADER = ["Tag", "Cal date", "Tech.", "Proc.", "Proc. rev", "Ref. gauge", "Temp", "RH", "Adj.",
          "AF trip (bar)", "AF reset (bar)", "AL trip (bar)", "AL reset (bar)"]  # fmt: skip
KNOWN = site(switches=True)
GAUGE = "RG-206"  # in bar
TAG = "PSL-1102"  # in bar, one falling set point


def row(**changes: object) -> list[object]:
    names = ["tag", "day", "by", "proc", "rev", "gauge", "temp", "rh", "adj", "aft", "afr", "alt",
             "alr"]  # fmt: skip
    out: list[object] = [TAG, date(2024, 3, 11), "P02", "PS-GEN", 1, GAUGE, 21.5, "45 %", "no",
                         Decimal("9.02"), Decimal("9.55"), None, None]  # fmt: skip
    for name, value in changes.items():
        out[names.index(name)] = value
    return out


def history(
    tmp_path: Path,
    rows: Rows,
    header: list[str] | None = None,
    known: rec.SiteInput = KNOWN,
    mapping: Mapping | None = None,
    **constants: object,
) -> Incoming:
    path = xlsx(tmp_path / "history.xlsx", {"History": [header or HEADER, *rows]})
    return read([opened(path)], known, mapping, **constants)


def only(incoming: Incoming) -> rec.BenchRecord:
    assert incoming.problems == (), said(incoming.problems)
    (record,) = incoming.given.history
    return record


def test_one_row_is_one_calibration(tmp_path: Path) -> None:
    incoming = history(tmp_path, [row()])
    record = only(incoming)
    assert (record.tag, record.performed_on, record.performed_by) == (TAG, date(2024, 3, 11), "P02")
    assert record.number == "H-PSL-1102-20240311"
    assert record.temperature_c == Decimal("21.5")
    assert record.humidity == Decimal("0.45")
    (cycle,) = record.cycles  # nothing was adjusted: the blank columns are no readings
    assert (cycle.set_point, cycle.phase, cycle.run) == ("L", rec.Phase.AS_FOUND, 1)
    assert (cycle.trip, cycle.reset) == (Decimal("9.02"), Decimal("9.55"))
    assert incoming.places == {("calibration", "H-PSL-1102-20240311"): "history.xlsx, History!A2"}


def test_the_certificate_in_force_is_taken(tmp_path: Path) -> None:
    record = only(history(tmp_path, [row()]))
    (used,) = record.gauges
    certificates = {c.number: c for c in KNOWN.certificates}
    found = certificates[used.certificate]
    assert found.gauge == GAUGE
    assert found.issued_on <= record.performed_on
    # worked out again: no other certificate of that gauge was issued between
    later = [
        c.number
        for c in KNOWN.certificates
        if c.gauge == GAUGE and found.calibrated_on < c.calibrated_on
        and c.issued_on <= record.performed_on
    ]  # fmt: skip
    assert later == []


def test_no_certificate_in_force_is_a_problem(tmp_path: Path) -> None:
    incoming = history(tmp_path, [row(day=date(2023, 1, 20))])
    assert f"History!F2: No certificate of {GAUGE} was in force on 2023-01-20." in said(
        incoming.problems
    )
    assert incoming.given.history == ()


def test_the_same_rows_give_the_same_numbers_and_a_second_that_day_its_own(tmp_path: Path) -> None:
    rows = [row(), row(aft=Decimal("9.10")), row(day=date(2025, 3, 11))]
    first = history(tmp_path, rows)
    assert first.problems == (), said(first.problems)
    assert [r.number for r in first.given.history] == [
        "H-PSL-1102-20240311", "H-PSL-1102-20240311-2", "H-PSL-1102-20250311",
    ]  # fmt: skip
    assert history(tmp_path, rows).given == first.given


def test_a_row_that_says_the_same_twice_is_a_problem(tmp_path: Path) -> None:
    incoming = history(tmp_path, [row(), row()])
    assert "History!A3: The row says the same as history.xlsx, History!2:2." in said(
        incoming.problems
    )
    assert len(incoming.given.history) == 1


def test_runs_and_merged_heads(tmp_path: Path) -> None:
    upper = [*HEADER[:9], "As found", None, None, None, "As left", None]
    lower = [*[None] * 9, "Trip 1", "Reset 1", "Trip 2", "Reset 2", "Trip", "Reset"]
    cells = [*row()[:9], "9,02 bar", "9,55 bar", "9,04 bar", "9,56 bar", "9,00 bar", "9,50 bar"]
    path = xlsx(tmp_path / "h.xlsx", {"History": [upper, lower, cells]})
    record = only(read([opened(path)], KNOWN))
    assert [(str(c.phase), c.run, c.trip) for c in record.cycles] == [
        ("as-found", 1, Decimal("9.02")), ("as-found", 2, Decimal("9.04")),
        ("as-left", 1, Decimal("9.00")),
    ]  # fmt: skip


@pytest.mark.parametrize(
    "style", ["%d/%m/%Y", "%d.%m.%Y", "%d-%b-%y", "%Y%m%d", "%Y/%m/%d", "serial"]
)
def test_dates_as_text_and_numbers(style: str, tmp_path: Path) -> None:
    days = [date(2024, 3, 11), date(2024, 4, 25)]
    if style == "serial":
        rows = [row(day=(d - date(1899, 12, 30)).days) for d in days]
    else:
        rows = [row(day=d.strftime(style)) for d in days]
    incoming = history(tmp_path, rows)
    assert incoming.problems == (), said(incoming.problems)
    assert [r.performed_on for r in incoming.given.history] == days


def test_american_dates_are_known_by_one_that_decides(tmp_path: Path) -> None:
    incoming = history(tmp_path, [row(day="03/11/2024"), row(day="04/25/2024")])
    assert [r.performed_on for r in incoming.given.history] == [
        date(2024, 3, 11),
        date(2024, 4, 25),
    ]


def test_dates_that_nothing_decides_are_problems_that_name_the_key(tmp_path: Path) -> None:
    incoming = history(tmp_path, [row(day="03/11/2024"), row(day="04/10/2024")])
    assert len(incoming.problems) == 2
    assert "may be 2024-03-11 or 2024-11-03" in incoming.problems[0].message
    assert "date_order" in incoming.problems[0].hint
    assert incoming.problems[0].where == "history.xlsx, History!B2"


def test_units_other_than_the_gauges_are_converted_exactly(tmp_path: Path) -> None:
    record = only(history(tmp_path, [row(aft="902 kPa", afr="9550 mbar")]))
    assert (record.cycles[0].trip, record.cycles[0].reset) == (Decimal("9.02"), Decimal("9.55"))


def test_a_reading_without_unit_between_two_units_is_a_problem(tmp_path: Path) -> None:
    header = [h.replace(" (bar)", "") for h in HEADER]
    cells = row(gauge="RG-202", aft=902, afr=955)  # in kPa
    incoming = history(tmp_path, [cells], header)
    assert "History!J2: The reading names no unit; the switch is in 'bar', the gauge in 'kPa'." in (
        said(incoming.problems)
    )
    incoming = history(tmp_path, [cells], header, unit="of the gauge")
    assert only(incoming).cycles[0].trip == 902
    incoming = history(tmp_path, [row(gauge="RG-202")], header, unit="of the switch")
    assert only(incoming).cycles[0].trip == 902  # 9.02 bar


@pytest.mark.parametrize("word", ["no trip", "NT", "did not trip"])
def test_a_word_in_the_place_of_a_trip_is_an_outcome(word: str, tmp_path: Path) -> None:
    record = only(history(tmp_path, [row(aft=word, afr=None)]))
    assert record.cycles[0].outcome is rec.CycleOutcome.NO_TRIP
    assert record.cycles[0].trip is None


def test_a_switch_with_two_set_points_needs_labels(tmp_path: Path) -> None:
    two = next(s for s in KNOWN.switches if len(s.set_points) == 2 and s.unit in ("bar", "kPa"))
    a, b = two.set_points
    cells = row(tag=two.tag, proc=two.procedure, gauge="RG-202", day=date(2024, 3, 11))
    incoming = history(tmp_path, [cells])
    assert f"{two.tag} has several set points" in said(incoming.problems)
    header = [*HEADER[:9], f"{a.label} AF trip ({two.unit})", f"{b.label} AF trip ({two.unit})"]
    rows = [[*cells[:9], str(a.value), str(b.value)]]
    record = only(history(tmp_path, rows, header))
    assert [c.set_point for c in record.cycles] == [a.label, b.label]


def test_one_row_for_each_set_point_is_one_calibration(tmp_path: Path) -> None:
    two = next(s for s in KNOWN.switches if len(s.set_points) == 2 and s.unit in ("bar", "kPa"))
    rows = []
    for point in two.set_points:
        cells = row(
            tag=two.tag, proc=two.procedure, gauge="RG-202", aft=f"{point.value} {two.unit}"
        )
        cells[10] = None
        rows.append([*cells, point.label])
    record = only(history(tmp_path, rows, [*HEADER, "Set point label"]))
    assert [c.set_point for c in record.cycles] == [p.label for p in two.set_points]


LONG = ["Tag", "Date", "Tech", "Procedure", "Proc rev", "Gauge", "Temp", "RH", "Adjusted", "Phase",
        "Run", "Reading type", "Value (bar)"]  # fmt: skip


def test_one_row_for_each_reading(tmp_path: Path) -> None:
    rows = [
        [*row()[:9], phase, run, kind, value]
        for phase, run, kind, value in [
            ("A/F", 1, "Trip", Decimal("9.02")), ("A/F", 1, "Reset", Decimal("9.55")),
            ("A/F", 2, "Trip", Decimal("9.04")), ("A/F", 2, "Reset", Decimal("9.56")),
            ("A/L", 1, "Trip", Decimal("9.00")), ("A/L", 1, "Reset", Decimal("9.50")),
        ]
    ]  # fmt: skip
    path = xlsx(tmp_path / "h.xlsx", {"Readings": [LONG, *rows]})
    book = opened(path)
    mapping = propose([book], KNOWN)
    assert [t.kind for t in mapping.tables] == [TableKind.READINGS]
    record = only(read([book], KNOWN, mapping))
    assert [(str(c.phase), c.run, c.trip, c.reset) for c in record.cycles] == [
        ("as-found", 1, Decimal("9.02"), Decimal("9.55")),
        ("as-found", 2, Decimal("9.04"), Decimal("9.56")),
        ("as-left", 1, Decimal("9.00"), Decimal("9.50")),
    ]


def test_what_old_records_lack_comes_from_constants(tmp_path: Path) -> None:
    header = [h for h in HEADER if h not in ("Temp", "RH", "Proc. rev", "Adj.")]
    cells = [c for h, c in zip(HEADER, row(), strict=True) if h in header]
    incoming = history(tmp_path, [cells, [*cells[:1], date(2024, 6, 3), *cells[2:]]], header)
    told = said(incoming.problems)
    assert len(incoming.problems) == 4, told
    for line in ('"temperature_c" = 20', '"humidity" = 0.5', '"procedure_revision" = 1',
                 '"adjusted" = false'):  # fmt: skip
        assert line in told
    record = only(
        history(tmp_path, [cells], header, temperature_c=Decimal("20.0"), humidity=Decimal("0.5"),
                procedure_revision=1, adjusted=False)
    )  # fmt: skip
    assert record.temperature_c == Decimal("20.0")


def test_names_and_serial_numbers_stand_for_codes(tmp_path: Path) -> None:
    serial = next(g.serial for g in KNOWN.gauges if g.code == GAUGE)
    incoming = history(tmp_path, [row(by="Tamsin Copperreed", gauge=serial, tag="PSL1102")])
    record = only(incoming)
    assert (record.tag, record.performed_by, record.gauges[0].gauge) == (TAG, "P02", GAUGE)
    told = said(incoming.remarks)
    assert "'Tamsin Copperreed' is taken as the person P02." in told
    assert f"{serial!r} is taken as the gauge {GAUGE}." in told
    assert "'PSL1102' is taken as the switch PSL-1102." in told


@pytest.mark.parametrize(
    ("changes", "cell", "message"),
    [
        ({"tag": "PSL-9999"}, "A2", "No switch named 'PSL-9999'"),
        ({"day": "soon"}, "B2", "is not a date"),
        ({"by": "P99"}, "C2", "No person named 'P99'"),
        ({"proc": "XX"}, "D2", "No procedure named 'XX'"),
        ({"rev": 9}, "E2", "has no revision 9"),
        ({"gauge": "RG-999"}, "F2", "No gauge named 'RG-999'"),
        ({"temp": "warm"}, "G2", "is not a number"),
        ({"rh": 45}, "H2", "is not a share between 0 and 1"),
        ({"adj": "perhaps"}, "I2", "is neither yes nor no"),
        ({"aft": "9.02 furlong"}, "J2", "No unit named 'furlong'"),
        ({"afr": "8.50 bar"}, "K2", "wrong side of the trip"),
        ({"aft": 99, "afr": 100}, "J2", "lies outside the range"),
    ],
)
def test_a_bad_cell_is_named_and_hides_no_other_row(
    changes: dict[str, object], cell: str, message: str, tmp_path: Path
) -> None:
    incoming = history(tmp_path, [row(**changes), row(day=date(2024, 9, 2))])
    where = {p.where for p in incoming.problems if message in p.message}
    assert f"history.xlsx, History!{cell}" in where, said(incoming.problems)
    assert [r.performed_on for r in incoming.given.history] == [date(2024, 9, 2)]


def test_one_bad_cell_is_one_problem(tmp_path: Path) -> None:
    for changes in ({"tag": "PSL-9999"}, {"gauge": "RG-999"}, {"day": "soon"}, {"aft": "x"}):
        incoming = history(tmp_path, [row(**changes)])
        assert len(incoming.problems) == 1, said(incoming.problems)


def test_registers_and_history_of_one_move_go_together(tmp_path: Path) -> None:
    known = replace(site(), switches=())
    register = [
        ["Tag", "Service", "Range", "S/P", "Tol.", "Acting", "Serial", "Area"],
        ["PSL-9102", "Drum low", "2-25 bar", "9 bar", "±1 % FS", "falling", "77", "BIO"],
    ]
    path = xlsx(
        tmp_path / "all.xlsx", {"History": [HEADER, row(tag="PSL-9102")], "Switches": register}
    )
    from moving_books import REGISTER_CONSTANTS

    incoming = read(
        [opened(path)], known, **REGISTER_CONSTANTS | {"Effective_on": date(2020, 1, 1)}
    )
    assert incoming.problems == (), said(incoming.problems)
    assert [s.tag for s in incoming.given.switches] == ["PSL-9102"]
    assert [r.cycles[0].set_point for r in incoming.given.history] == ["L"]


def test_half_of_a_correction_names_the_fields_and_the_cell(tmp_path: Path) -> None:
    header = [*HEADER, "replaces"]
    first = only(history(tmp_path, [row()]))
    incoming = history(tmp_path, [[*row(aft=Decimal("9.03")), first.number]], header)
    (problem,) = [p for p in incoming.problems if "corrects another" in p.message]
    assert problem.where == "history.xlsx, History!N2"
    assert "'replacement_reason' is not given" in problem.message
    assert "'replacement_reason'" in problem.hint


def test_a_reason_for_all_corrections_of_a_sheet_is_no_correction(tmp_path: Path) -> None:
    """A constant tells why; only the row that names a number corrects."""
    header = [*HEADER, "replaces"]
    rows = [[*row(day=date(2024, 3, 12)), None], [*row(day=date(2024, 3, 13)), "H-OLD"]]
    mapping = propose(
        [opened(xlsx(tmp_path / "history.xlsx", {"History": [header, *rows]}))], KNOWN
    )
    book = opened(tmp_path / "history.xlsx")
    mapping = with_constants(mapping, replacement_reason="misread")
    incoming = read_incoming([book], mapping, KNOWN, lambda *_: None, {"H-OLD"})
    assert incoming.problems == (), said(incoming.problems)
    assert [(r.replaces, r.replacement_reason) for r in incoming.given.history] == [
        (None, None), ("H-OLD", "misread"),
    ]  # fmt: skip


def test_rows_of_a_calibration_that_is_not_taken_are_counted(tmp_path: Path) -> None:
    """Trip and reset of one calibration in two rows: a fault of one leaves both out."""
    good, bad = row(), row(day=date(2024, 3, 13), afr=None)
    other = row(day=date(2024, 3, 13), aft=None, alt="a lot")
    incoming = history(tmp_path, [good, bad, other])
    assert len(incoming.given.history) == 1
    assert incoming.rows_not_read == {("calibration", "history.xlsx, History"): 2}


def test_a_calibration_is_not_taken_without_a_reading_that_cannot_be_read(tmp_path: Path) -> None:
    """One reading in a row, without numbers: the trip alone would be judged as no reset."""
    rows = [
        [*row(day=date(2024, 3, day))[:9], "A/F", 1, kind, value]
        for day, kind, value in [
            (12, "Trip", Decimal("9.02")), (12, "Reset", Decimal("9.55")),
            (13, "Trip", Decimal("9.02")), (13, "Reset", "a lot"),
        ]
    ]  # fmt: skip
    book = opened(xlsx(tmp_path / "h.xlsx", {"Readings": [LONG, *rows]}))
    incoming = read([book], KNOWN, propose([book], KNOWN))
    assert [r.performed_on.day for r in incoming.given.history] == [12]
    assert [p.where for p in incoming.problems] == ["h.xlsx, Readings!M5"]
    assert incoming.rows_not_read == {("calibration", "h.xlsx, Readings"): 2}
