"""Tables as CSV: any value comes back as it was; the canonical text of each kind."""

from __future__ import annotations

import io
from contextlib import contextmanager
from datetime import UTC, date
from decimal import Decimal
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from calfleet.errors import Problem
from calfleet.keeping.containers import FolderSink, FolderSource
from calfleet.keeping.tables import read_table, write_table
from calfleet.store.transfer import (
    TEXTS,
    ColumnShape,
    Row,
    TableShape,
    number_text,
    stored_value,
)
from calfleet.store.types import canonical_json, utc_text

WORDS = st.text(
    st.characters(exclude_categories=("Cs",), exclude_characters="\0"), max_size=12
) | st.sampled_from(
    ["", "\\", "\\\\", "\\N", "=1+1", "\r", "\n", "\r\n", '"', ",", " a ", "\ufeff"]
)
COLUMNS: dict[str, tuple[ColumnShape, st.SearchStrategy[str | None]]] = {
    "id": (ColumnShape("id", "integer", False), st.nothing()),
    "word": (ColumnShape("word", "text", False), WORDS),
    "maybe": (ColumnShape("maybe", "text", True), st.none() | WORDS),
    "x": (
        ColumnShape("x", "number", True),
        st.none() | st.floats().map(number_text),
    ),
    "typed": (
        ColumnShape("typed", "decimal", True),
        st.none() | st.decimals(allow_nan=False, allow_infinity=False).map(lambda d: f"{d:f}"),
    ),
    "day": (ColumnShape("day", "date", True), st.none() | st.dates().map(date.isoformat)),
    "at": (
        ColumnShape("at", "time", False),
        st.datetimes(timezones=st.just(UTC)).filter(lambda t: t.year >= 1000).map(utc_text),
    ),
    "flag": (ColumnShape("flag", "boolean", True), st.sampled_from([None, "true", "false"])),
    "data": (
        ColumnShape("data", "json", False),
        st.dictionaries(WORDS, st.integers() | WORDS | st.booleans(), max_size=3).map(
            canonical_json
        ),
    ),
}
TABLE = TableShape("t", tuple(c for c, _ in COLUMNS.values()), ("id",), (), (), ())
NARROW = TableShape(
    "t",
    (ColumnShape("id", "integer", False), ColumnShape("m", "text", True)),
    ("id",),
    (),
    (),
    (),
)
ROWS = st.lists(st.tuples(*(values for name, (_, values) in COLUMNS.items() if name != "id")))


def there_and_back(folder: Path, rows: list[Row]) -> tuple[list[list[object]], list[Problem]]:
    sink = FolderSink(folder)
    assert write_table(sink, TABLE, rows) == len(rows)
    problems: list[Problem] = []
    found = [row for _, row in read_table(FolderSource(folder), sink.notes[0], TABLE, problems)]
    return found, problems


@given(ROWS)
def test_any_value_comes_back(tmp_path_factory: pytest.TempPathFactory, rows: list[Row]) -> None:
    numbered: list[Row] = [(str(n), *row) for n, row in enumerate(rows, 1)]
    found, problems = there_and_back(tmp_path_factory.mktemp("t"), numbered)
    assert problems == []
    again = [
        tuple(
            None if value is None else TEXTS[column.kind](value)
            for column, value in zip(TABLE.columns, row, strict=True)
        )
        for row in found
    ]
    assert again == numbered


def test_null_and_empty_text_are_two_things(tmp_path: Path) -> None:
    sink = FolderSink(tmp_path)
    write_table(sink, NARROW, [("1", None), ("2", ""), ("3", "\\"), ("4", "a\\b")])
    assert (tmp_path / "tables" / "t.csv").read_bytes() == (
        b"id,m\r\n1,\r\n2,\\\r\n3,\\\\\r\n4,a\\b\r\n"
    )


def test_a_backslash_that_stands_for_nothing_is_refused(tmp_path: Path) -> None:
    sink = FolderSink(tmp_path)
    write_table(sink, NARROW, [("1", "\\x")])
    path = tmp_path / "tables" / "t.csv"
    path.write_bytes(path.read_bytes().replace(b"\\\\", b"\\"))
    problems: list[Problem] = []
    assert list(read_table(FolderSource(tmp_path), sink.notes[0], NARROW, problems)) == []
    assert "backslash that stands for nothing" in problems[0].message
    assert "changed while it was read" in problems[1].message


@pytest.mark.parametrize(
    ("kind", "words"),
    [
        ("integer", "1.0"), ("integer", "+1"), ("integer", "01"), ("integer", "-0"),
        ("integer", " 1"),
        ("integer", "9223372036854775808"), ("integer", "2147483648"), ("integer", "١"),
        ("number", "1"), ("number", "1.50"), ("number", "inf"), ("number", "1e5"), ("number", ""),
        ("number", "1_0.0"), ("decimal", "1e5"), ("decimal", "NaN"), ("decimal", ".5"),
        ("decimal", "1,5"), ("decimal", "1_0"), ("decimal", "+1"), ("boolean", "True"),
        ("boolean", "1"), ("date", "2026-2-1"), ("date", "20260201"), ("date", "2026-02-29"),
        ("time", "2026-11-25T08:30:00Z"), ("time", "2026-11-25T08:30:00.000000+00:00"),
        ("time", "2026-11-25T25:30:00.000000Z"), ("json", "{ }"), ("json", '{"b":1,"a":2}'),
        ("json", "{"), ("json", "[" * 10_000), ("json", "NaN"), ("text", "a\0b"),
        ("text", "x" * 11),
    ],
)  # fmt: skip
def test_a_value_written_another_way_is_refused(kind: str, words: str) -> None:
    with pytest.raises(ValueError):
        stored_value(
            ColumnShape("c", kind, True, most_characters=10 if kind == "text" else None), words
        )


def test_what_only_one_kind_of_database_takes() -> None:
    """An SQLite site of an earlier version may hold it, and gets it back."""
    for kind, words in (("text", "x" * 11), ("text", "a\0b"), ("integer", "2147483648")):
        column = ColumnShape("c", kind, True, most_characters=10 if kind == "text" else None)
        assert str(stored_value(column, words, everywhere=False)) == words
        with pytest.raises(ValueError):
            stored_value(column, words)


def test_a_value_that_must_be_there() -> None:
    with pytest.raises(ValueError, match="must not be"):
        stored_value(ColumnShape("c", "date", False), None)
    assert stored_value(ColumnShape("c", "date", True), None) is None
    assert stored_value(ColumnShape("c", "integer", False, large=True), "2147483648") == 2**31


@pytest.mark.parametrize(
    ("value", "words"),
    # shortest digits that give the double again: the doubles of IEEE 754, computed by Python
    [(0.1, "0.1"), (100.0, "100.0"), (1e22, "1e+22"), (5e-324, "5e-324"), (-0.0, "-0.0")],
)
def test_the_text_of_a_double(value: float, words: str) -> None:
    assert number_text(value) == words
    assert stored_value(ColumnShape("c", "number", False), words) == value


def test_digits_typed_are_kept() -> None:
    for words in ("100.00", "-0.0", "0.000", str(Decimal("1") / 3)):
        assert stored_value(ColumnShape("c", "decimal", False), words) == words


def test_memory_does_not_grow_with_the_table() -> None:
    """Rows are asked for one by one: what is written can be as long as the disk."""
    import tracemalloc

    class Nowhere(FolderSink):
        @contextmanager
        def _open(self, path: str):  # type: ignore[no-untyped-def]
            yield io.BytesIO() if path == "" else Sunk()

    class Sunk(io.RawIOBase):
        def write(self, data, /):  # type: ignore[no-untyped-def]
            return len(data)

    def rows(count: int):  # type: ignore[no-untyped-def]
        for n in range(count):
            yield (str(n), "word", None, "0.5", "1.50", None, "t", "true", "{}")

    def peak(count: int) -> int:
        tracemalloc.start()
        write_table(Nowhere(Path()), TABLE, rows(count))
        found = tracemalloc.get_traced_memory()[1]
        tracemalloc.stop()
        return found

    peak(10)
    assert peak(20_000) < peak(1_000) + 50_000
