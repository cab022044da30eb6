"""A mapping as TOML: written and read back, its mistakes named by line."""

from __future__ import annotations

import tomllib
from datetime import date
from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from calfleet import records as rec
from calfleet.adapters.workbook.loose import DateOrder, Decimals
from calfleet.adapters.workbook.moving_map import (
    FIELDS,
    ColumnUse,
    Duplicates,
    Mapping,
    Sort,
    TableKind,
    TableUse,
)
from calfleet.adapters.workbook.moving_toml import from_toml, to_toml
from calfleet.errors import Problem

TEXT = st.text(
    st.characters(exclude_categories=["Cs"], exclude_characters="\r"), max_size=30
)  # a lone surrogate cannot be written at all
NAME = TEXT.filter(bool)
UNITS = st.sampled_from(["", "bar", "barg", "kPa", "% of span", "%", "psi"])


@st.composite
def columns(draw: st.DrawFn, kind: TableKind) -> tuple[ColumnUse, ...]:
    out = []
    seen = set()
    letters = draw(st.lists(st.sampled_from("ABCDEFGHAAAB"), max_size=6))
    for letter in letters:
        field = draw(st.sampled_from(["", *FIELDS[kind]]))
        use = ColumnUse(
            letter, draw(TEXT), field, draw(UNITS),
            draw(st.sampled_from([None, *DateOrder])), draw(st.sampled_from([None, *Decimals])),
            tuple(draw(st.dictionaries(TEXT, TEXT, max_size=3)).items()),
            draw(st.sampled_from(["", "HH", "L"])), draw(st.sampled_from(["", "as-found"])),
            draw(st.sampled_from([None, 1, 3])), draw(st.booleans()),
            reason=draw(TEXT), sample=draw(TEXT),
        )  # fmt: skip
        key = (field, use.set_point, use.phase, use.run)
        if field and key in seen:
            continue
        seen.add(key)
        out.append(use)
    return tuple(out)


CONSTANT = st.one_of(
    TEXT, st.booleans(), st.integers(-1000, 1000), st.dates(),
    st.decimals(-1000, 1000, places=2, allow_nan=False),
)  # fmt: skip


@st.composite
def tables(draw: st.DrawFn) -> TableUse:
    kind = draw(st.sampled_from([k for k in TableKind if k is not TableKind.IGNORED]))
    first = draw(st.integers(3, 9))
    names = draw(st.lists(st.sampled_from(list(FIELDS[kind])), max_size=3, unique=True))
    return TableUse(
        draw(NAME), draw(NAME), kind, draw(st.sampled_from([(), (1,), (1, 2)])), first,
        draw(st.sampled_from([None, first + 4])), draw(columns(kind)),
        tuple((name, draw(CONSTANT)) for name in names),
        draw(st.sampled_from(list(Duplicates))), draw(st.booleans()), reason=draw(TEXT),
        missing=tuple(draw(st.lists(st.sampled_from(list(FIELDS[kind])), max_size=2))),
    )  # fmt: skip


@given(
    st.lists(tables(), min_size=1, max_size=3, unique_by=lambda t: (t.file, t.sheet)),
    st.lists(st.builds(rec.Area, NAME, NAME), max_size=2, unique_by=lambda a: a.code),
)
def test_what_is_written_is_read_back_the_same(each: list[TableUse], areas: list[rec.Area]) -> None:
    mapping = Mapping(tuple(each), tuple(areas))
    text = to_toml(mapping)
    tomllib.loads(text)
    problems: list[Problem] = []
    assert from_toml(text, problems) == mapping, problems
    assert problems == []


SIMPLE = Mapping(
    (
        TableUse(
            "register.xlsx", "PS", TableKind.SWITCHES, (3, 4), 5,
            columns=(
                ColumnUse("B", "Tag No.", "Tag"),
                ColumnUse("C", "Range (bar)", "Range", unit="bar", decimals=Decimals.COMMA),
                ColumnUse("D", "Made by", sample="'Brassvale'", reason="no word is known"),
                ColumnUse("E", "Acting", "Direction", words=(("↑", "rising"),)),
            ),
            constants=(("Area", "BIO"), ("Effective on", date(2026, 1, 1))),
            missing=("Bench minutes", "Service"),
        ),
        TableUse(
            "register.xlsx", "History", TableKind.CALIBRATIONS, (1,), 2,
            columns=(ColumnUse("A", "AF", "trip", phase="as-found", run=2),),
            constants=(("temperature_c", Decimal("20.50")),),
        ),
    )
)  # fmt: skip


def test_the_file_explains_itself() -> None:
    text = to_toml(SIMPLE)
    assert "# not used: no word is known; holds for example 'Brassvale'\n" in text
    assert '{ column = "D", header = "Made by" },' in text
    assert '# "Service" = "..."' in text
    assert '# "Bench minutes" = 1' in text
    assert 'temperature_c" = 20.50' in text


def line_of(text: str, part: str) -> int:
    return text[: text.rindex(part)].count("\n") + 1


@pytest.mark.parametrize(
    ("old", "new", "message"),
    [
        ('field = "Tag"', 'field = "Tgg"', "'Tgg' is no field of switches. Nearest: Tag."),
        ('field = "Tag"', 'field = "tag"', "'tag' is no field of switches. Nearest: Tag."),
        ('unit = "bar"', 'unit = "barn"', "No unit named 'barn'."),
        ('unit = "bar"', 'unit = "inH2O"', "The unit 'inH2O' has several meanings."),
        ('"comma"', '"komma"', "decimals = 'komma' is not one of the words. Nearest: comma."),
        ("first_row = 5", "first_row = 4", "The first row 4 is not below the header."),
        ("first_row = 2", "first_row = 0", "first_row = 0 is no number of a row."),
        ('"Area" = "BIO"', '"Aera" = "BIO"', "'Aera' is no field of switches. Nearest: Area."),
        ('"Area" = "BIO"', '"Area" = [1]', "Area = a list is no plain value."),
        ("run = 2", "run = 0", "run = 0 is no whole number from 1 on."),
        ('phase = "as-found"', 'phase = "found"', "phase = 'found' is not one of the words."),
        ('column = "B"', 'column = "2"', "column = '2' is no column."),
        ('column = "B"', 'colum = "B"', "No such key: 'colum'."),
        ('kind = "calibrations"', 'kind = "calibration"', "kind = 'calibration' is not one"),
        ('duplicates = "problem"', 'duplicates = "all"', "duplicates = 'all' is not one of the"),
        ('hidden_rows = true', 'hidden_rows = "yes"', "hidden_rows = 'yes' is neither true nor"),
        ('{ "↑" = "rising" }', '{ "↑" = 1 }', "words must say what each text means"),
        ('field = "Direction"', 'field = "Tag"', "'Tag' is given by column B already."),
    ],
)  # fmt: skip
def test_a_mistake_is_named_with_its_line(old: str, new: str, message: str) -> None:
    head, body = to_toml(SIMPLE).split("# -------- ", 1)
    text = f"{head}# -------- {body.replace(old, new, 1)}"
    problems: list[Problem] = []
    assert from_toml(text, problems, "map.toml") is None
    found = [each for each in problems if message in str(each)]
    assert found, [str(each) for each in problems]
    assert found[0].where == f"map.toml, line {line_of(text, new)}"


def test_all_mistakes_are_told_at_once() -> None:
    text = to_toml(SIMPLE).replace('"Tag"', '"Tgg"').replace('= "comma"', '= "komma"')
    text = text.replace("run = 2", "run = -1").replace('"Area"', '"Aera"')
    problems: list[Problem] = []
    assert from_toml(text, problems) is None
    assert len(problems) == 4


def test_lines_are_right_behind_texts_of_several_lines() -> None:
    text = 'x = """\none\ntwo [[tables]]\n"""\n[[tables]]\nfile = "a"\nsheet = "b"\nkind = "c"\n'
    problems: list[Problem] = []
    assert from_toml(text, problems, "m") is None
    assert {each.where for each in problems} == {"m, line 1", "m, line 8"}


def test_broken_toml_names_the_line() -> None:
    problems: list[Problem] = []
    assert from_toml('[[tables]]\nfile = "a\n', problems, "m.toml") is None
    assert problems[0].where == "m.toml, line 2"


@pytest.mark.parametrize("text", ["", "tables = 3", "areas = [1]", "[tables]\n", "[[tables]]\n"])
def test_a_file_that_is_no_mapping_is_refused(text: str) -> None:
    problems: list[Problem] = []
    assert from_toml(text, problems) is None
    assert problems


def test_every_field_has_a_sort() -> None:
    assert all(isinstance(s, Sort) for fields in FIELDS.values() for s in fields.values())
