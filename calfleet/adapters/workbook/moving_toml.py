"""A mapping written as a TOML file that a person edits, and read back."""

from __future__ import annotations

import json
import re
import tomllib
from collections.abc import Sequence
from datetime import date, datetime
from decimal import Decimal
from enum import StrEnum
from typing import TypeVar

from calfleet import records as rec
from calfleet.adapters.workbook.loose import DateOrder, Decimals, Misread
from calfleet.adapters.workbook.moving_cells import unit_and_mode
from calfleet.adapters.workbook.moving_map import (
    FIELDS,
    ColumnUse,
    Constant,
    Duplicates,
    Mapping,
    Sort,
    TableKind,
    TableUse,
)
from calfleet.adapters.workbook.siterows import ACCURACY_BASES, TOLERANCE_BASES
from calfleet.adapters.workbook.tables import CODE, nearest, shown
from calfleet.errors import Problem

_Word = TypeVar("_Word", bound=StrEnum)

_HEAD = """\
# How these files are read when they are moved in. Everything behind a "#" is explanation.
#
# Each [[tables]] is one sheet. Check its kind (what one row is), its header rows, and each column.
# file and sheet may hold * for any text: file = "history*.csv", sheet = "*" reads every file of
# that name (the sheet of a CSV file is called as the file). The first table that fits counts.
# Kinds: KINDS
#
#   column, header  where it stands; the header is looked for if the column has moved
#   field           what it gives; a column without field is not used
#   unit            of numbers that name none ("bar"; for tolerances also "% of span")
#   date_order      "day month year", "month day year" or "year month day"
#   decimals        "point" or "comma"
#   words           what stands in the cells = what it means; "" is blank, * is any text
#   set_point, phase ("as-found", "as-left"), run: whose reading the column holds
#   fill_down       true: a blank cell repeats the one above
# A column may be listed twice to give two fields. Values that hold for every row, and that the
# sheet does not have, stand under [tables.constants]: enter only what you know to be true.
""".replace("KINDS", ", ".join(str(kind) for kind in TableKind))
_TABLE_KEYS = (
    "file", "sheet", "kind", "header_rows", "first_row", "last_row", "duplicates", "hidden_rows",
    "columns", "constants",
)  # fmt: skip
_COLUMN_KEYS = (
    "column", "header", "field", "unit", "date_order", "decimals", "words", "set_point", "phase",
    "run", "fill_down",
)  # fmt: skip
_EXAMPLES = {
    Sort.DAY: "2026-01-31", Sort.WHOLE: "1", Sort.NUMBER: "20", Sort.SHARE: "0.5",
    Sort.FLAG: "false",
}  # fmt: skip


# --- writing ------------------------------------------------------------------------------


def to_toml(mapping: Mapping) -> str:
    """The mapping as TOML, each line explained; ``from_toml`` gives the same mapping back."""
    lines = [_HEAD]
    if mapping.areas:
        lines.append(
            "# Areas that the rows name and the site does not know yet. Give them names.\n"
        )
    for area in mapping.areas:
        lines.append(f"[[areas]]\ncode = {_text(area.code)}\nname = {_text(area.name)}\n")
    for table in mapping.tables:
        lines.append(_table_text(table))
    return "\n".join(lines)


def _table_text(table: TableUse) -> str:
    out = [f"# {'-' * 8} {_comment(table.file)}, sheet {_comment(table.sheet)} {'-' * 8}", ""]
    out += ["[[tables]]", f"file = {_text(table.file)}", f"sheet = {_text(table.sheet)}"]
    why = f"  # {table.certainty}: {_comment(table.reason)}" if table.reason else ""
    out.append(f"kind = {_text(table.kind)}{why}")
    if table.header_rows:
        out.append(f"header_rows = {list(table.header_rows)}")
    if table.kind is not TableKind.IGNORED or table.first_row != 1:
        out.append(f"first_row = {table.first_row}  # the first row of data")
    if table.last_row is not None:
        out.append(f"last_row = {table.last_row}  # the last row of data")
    if table.kind is not TableKind.IGNORED or table.duplicates is not Duplicates.PROBLEM:
        out.append(
            f"duplicates = {_text(table.duplicates)}  # of two rows with one name: "
            '"problem", or the "first" or the "last" counts'
        )
    if table.kind is not TableKind.IGNORED or not table.hidden_rows:
        out.append(f"hidden_rows = {_plain(table.hidden_rows)}  # whether hidden rows count")
    if table.columns:
        out.append("columns = [")
        for use in table.columns:
            out += [f"    # {_about(use)}", f"    {_column_text(use)},"]
        out.append("]")
    missing = [name for name in table.missing if name not in dict(table.constants)]
    if table.constants or missing:
        out += ["", "[tables.constants]"]
        out += [f"{_text(name)} = {_plain(value)}" for name, value in table.constants]
    if missing:
        out.append("# No column gives these. Take away the # and enter what holds for every row:")
        for name in missing:
            example = _EXAMPLES.get(FIELDS[table.kind].get(name, Sort.TEXT), '"..."')
            out.append(f"# {_text(name)} = {example}")
    out.append("")
    return "\n".join(out)


def _about(use: ColumnUse) -> str:
    """The comment above a column."""
    sample = f"; holds for example {_comment(use.sample)}" if use.sample else ""
    if not use.field:
        why = f": {_comment(use.reason)}" if use.reason else ""
        return f"not used{why}{sample}"
    if not use.reason:
        return f"gives {use.field}{sample}"
    return f"{use.certainty}: {_comment(use.reason)}{sample}"


def _column_text(use: ColumnUse) -> str:
    parts = [f"column = {_text(use.column)}", f"header = {_text(use.header)}"]
    for key, value in (
        ("field", use.field), ("set_point", use.set_point), ("phase", use.phase),
        ("run", use.run), ("unit", use.unit), ("date_order", use.date_order),
        ("decimals", use.decimals),
    ):  # fmt: skip
        if value is not None and value != "":
            parts.append(f"{key} = {_plain(value)}")
    if use.fill_down:
        parts.append("fill_down = true")
    if use.words:
        words = ", ".join(f"{_text(said)} = {_text(meant)}" for said, meant in use.words)
        parts.append(f"words = {{ {words} }}")
    return f"{{ {', '.join(parts)} }}"


def _text(text: str) -> str:
    return json.dumps(str(text), ensure_ascii=False).replace("\x7f", "\\u007f")


def _plain(value: Constant) -> str:
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        return _text(value)
    if isinstance(value, Decimal):
        return format(value, "f")
    if isinstance(value, date):
        return value.isoformat()
    return str(value)


def _comment(text: str) -> str:
    """``text`` on one line, without what a comment must not hold."""
    return re.sub(r"[\x00-\x1f\x7f\u2028\u2029]+", " ", text)[:160]


# --- reading ------------------------------------------------------------------------------


def from_toml(text: str, problems: list[Problem], name: str = "mapping.toml") -> Mapping | None:
    """The mapping of a TOML text; ``None`` with every problem noted by its line."""
    try:
        data = tomllib.loads(text, parse_float=Decimal)
    except (ValueError, RecursionError) as error:
        found = re.search(r"\(at line (\d+), column \d+\)", str(error))
        where = f"{name}, line {found[1]}" if found else name
        problems.append(
            Problem(
                where,
                f"The file is not valid TOML: {error}.",
                "Text stands between quotation marks; a comma stands between two columns.",
            )
        )
        return None
    reader = _Reader(text, name)
    mapping = reader.mapping(data)
    problems.extend(reader.problems)
    return None if reader.problems else mapping


class _Reader:
    def __init__(self, text: str, name: str) -> None:
        self.name = name
        self.places = _places(text)
        self.problems: list[Problem] = []

    def problem(self, where: Sequence[object], message: str, hint: str = "") -> None:
        """``where``: the path of a key; the line is that of the longest part that has one."""
        path = tuple(where)
        while path and path not in self.places:
            path = path[:-1]
        place = f"{self.name}, line {self.places[path]}" if path else self.name
        self.problems.append(Problem(place, message, hint))

    def mapping(self, data: dict[str, object]) -> Mapping:
        for key in data:
            if key not in ("tables", "areas"):
                self.problem(
                    (key,), f"No such key: {shown(key)}.", nearest(key, ["tables", "areas"])
                )
        areas: list[rec.Area] = []
        for index, each in enumerate(self._list(data, "areas")):
            where = ("areas", index)
            self._keys(each, ("code", "name"), where)
            code, name = self._str(each, "code", where), self._str(each, "name", where)
            if not code or not name:
                self.problem(where, "An area needs a code and a name.")
            elif len(code) > CODE:
                self.problem(where, f"The code has {len(code)} characters; {CODE} are allowed.")
            if any(code == area.code for area in areas):
                self.problem(where, f"The area {code!r} is there twice.")
            areas.append(rec.Area(code, name))
        tables: list[TableUse] = []
        for index, each in enumerate(self._list(data, "tables")):
            table = self._table(each, ("tables", index))
            if any((t.file, t.sheet) == (table.file, table.sheet) for t in tables):
                self.problem(("tables", index), f"The sheet {table.name!r} is there twice.")
            tables.append(table)
        if not tables and not self.problems:
            self.problem((), "There is no [[tables]].", "Propose the mapping anew.")
        return Mapping(tuple(tables), tuple(areas))

    def _list(self, data: dict[str, object], key: str) -> list[dict[str, object]]:
        value = data.get(key, [])
        if isinstance(value, list) and all(isinstance(each, dict) for each in value):
            return value
        self.problem((key,), f"{key!r} is no list of tables.", f"Write [[{key}]].")
        return []

    def _keys(
        self, table: dict[str, object], keys: Sequence[str], where: tuple[object, ...]
    ) -> None:
        for key in table:
            if key not in keys:
                self.problem((*where, key), f"No such key: {shown(key)}.", nearest(key, keys))

    def _str(self, table: dict[str, object], key: str, where: tuple[object, ...]) -> str:
        value = table.get(key, "")
        if isinstance(value, str):
            return value
        self.problem((*where, key), f"{key} = {shown(value)} is no text.", "Use quotation marks.")
        return ""

    def _word(
        self, table: dict[str, object], key: str, choices: type[_Word], where: tuple[object, ...]
    ) -> _Word | None:
        text = self._str(table, key, where)
        if not text:
            return None
        for each in choices:
            if str(each) == text.strip().casefold():
                return each
        words = [str(each) for each in choices]
        hint = nearest(text, words) or f"Use: {', '.join(words)}."
        self.problem((*where, key), f"{key} = {shown(text)} is not one of the words.", hint)
        return None

    def _row(self, table: dict[str, object], key: str, where: tuple[object, ...]) -> int | None:
        value = table.get(key)
        if value is None or (
            isinstance(value, int) and not isinstance(value, bool) and 1 <= value <= 1_048_576
        ):
            return value
        self.problem((*where, key), f"{key} = {shown(value)} is no number of a row.",
                     "Rows count from 1.")  # fmt: skip
        return None

    def _flag(
        self, table: dict[str, object], key: str, where: tuple[object, ...], *, default: bool
    ) -> bool:
        value = table.get(key, default)
        if isinstance(value, bool):
            return value
        self.problem((*where, key), f"{key} = {shown(value)} is neither true nor false.")
        return default

    def _table(self, data: dict[str, object], where: tuple[object, ...]) -> TableUse:
        self._keys(data, _TABLE_KEYS, where)
        file, sheet = self._str(data, "file", where), self._str(data, "sheet", where)
        for key, value in (("file", file), ("sheet", sheet)):
            if not value and not isinstance(data.get(key), int):
                self.problem(where, f"The table does not name its {key}.", f'Add {key} = "...".')
        kind = self._word(data, "kind", TableKind, where)
        if kind is None and "kind" not in data:
            self.problem(where, "The table does not say what a row is.", 'Add kind = "...".')
        header = data.get("header_rows", [])
        rows: list[int] = []
        if isinstance(header, list):
            for each in header:
                found = self._row({"header_rows": each}, "header_rows", where)
                rows.extend([found] if found is not None else [])
        else:
            self.problem((*where, "header_rows"), "header_rows is no list.", "Write [1] or [3, 4].")
        first = self._row(data, "first_row", where) or (max(rows) + 1 if rows else 1)
        last = self._row(data, "last_row", where)
        if rows and first <= max(rows) and kind is not TableKind.IGNORED:
            self.problem((*where, "first_row"), f"The first row {first} is not below the header.",
                         f"The header ends in row {max(rows)}.")  # fmt: skip
        if last is not None and last < first:
            self.problem((*where, "last_row"), f"The last row {last} is above the first.")
        columns = tuple(
            self._column(each, kind, (*where, "columns", index))
            for index, each in enumerate(self._columns(data, where))
        )
        if kind is not TableKind.IGNORED:
            self._fields_twice(columns, where)
        return TableUse(
            file, sheet, kind or TableKind.IGNORED, tuple(rows), first, last, columns,
            self._constants(data, kind, where),
            self._word(data, "duplicates", Duplicates, where) or Duplicates.PROBLEM,
            self._flag(data, "hidden_rows", where, default=True),
        )  # fmt: skip

    def _columns(
        self, data: dict[str, object], where: tuple[object, ...]
    ) -> list[dict[str, object]]:
        value = data.get("columns", [])
        if isinstance(value, list) and all(isinstance(each, dict) for each in value):
            return value
        self.problem(
            (*where, "columns"),
            "columns is no list of columns.",
            'Write columns = [ { column = "A", header = "...", field = "..." }, ].',
        )
        return []

    def _column(
        self, data: dict[str, object], kind: TableKind | None, where: tuple[object, ...]
    ) -> ColumnUse:
        self._keys(data, _COLUMN_KEYS, where)
        column = self._str(data, "column", where).strip().upper()
        if not re.fullmatch(r"[A-Z]{1,3}", column):
            self.problem((*where, "column"), f"column = {shown(column)} is no column.",
                         'Columns are named by letters: column = "F".')  # fmt: skip
        field = self._str(data, "field", where)
        fields = FIELDS[kind] if kind is not None else {}
        left_alone = kind is None or kind is TableKind.IGNORED
        if field and not left_alone and field not in fields:
            near = {each.casefold(): each for each in fields}.get(field.casefold())
            hint = f"Nearest: {near}." if near else nearest(field, fields)
            self.problem((*where, "field"), f"{field!r} is no field of {kind}.", hint)
        unit = self._str(data, "unit", where)
        if not left_alone:
            self._check_unit(unit, field, (*where, "unit"))
        run = data.get("run")
        if run is not None and (not isinstance(run, int) or isinstance(run, bool) or run < 1):
            self.problem((*where, "run"), f"run = {shown(run)} is no whole number from 1 on.")
            run = None
        words = data.get("words", {})
        if not isinstance(words, dict) or not all(isinstance(v, str) for v in words.values()):
            self.problem((*where, "words"), "words must say what each text means, as text.",
                         'Write words = { "up" = "rising" }.')  # fmt: skip
            words = {}
        phase = self._word(data, "phase", rec.Phase, where)
        return ColumnUse(
            column=column, header=self._str(data, "header", where), field=field, unit=unit,
            date_order=self._word(data, "date_order", DateOrder, where),
            decimals=self._word(data, "decimals", Decimals, where),
            words=tuple((str(said), str(meant)) for said, meant in words.items()),
            set_point=self._str(data, "set_point", where),
            phase=str(phase) if phase is not None else "",
            run=run if isinstance(run, int) else None,
            fill_down=self._flag(data, "fill_down", where, default=False),
        )  # fmt: skip

    def _check_unit(self, unit: str, field: str, where: tuple[object, ...]) -> None:
        bases = (*TOLERANCE_BASES, *ACCURACY_BASES, "%")
        if not unit or unit in bases or not field:
            return
        if unit.startswith("%"):
            self.problem(where, f"unit = {shown(unit)} is no basis.",
                         f"Use: {', '.join(b for b in bases if b.startswith('%'))}.")  # fmt: skip
            return
        if field in ("Bench minutes", "head_height_m", "head_height_half_width_m",
                     "head_density_kg_m3"):  # fmt: skip
            return
        try:
            unit_and_mode(unit)
        except Misread as error:
            self.problem(where, error.message, error.hint)

    def _fields_twice(self, columns: Sequence[ColumnUse], where: tuple[object, ...]) -> None:
        seen: dict[tuple[object, ...], str] = {}
        for index, use in enumerate(columns):
            if not use.field:
                continue
            key = (use.field, use.set_point, use.phase, use.run)
            if key in seen:
                self.problem(
                    (*where, "columns", index),
                    f"{use.field!r} is given by column {seen[key]} already.",
                    "Take the field from one of them, or say set_point, phase and run.",
                )  # fmt: skip
            seen.setdefault(key, use.column)

    def _constants(
        self, data: dict[str, object], kind: TableKind | None, where: tuple[object, ...]
    ) -> tuple[tuple[str, Constant], ...]:
        value = data.get("constants", {})
        where = (*where, "constants")
        if not isinstance(value, dict):
            self.problem(where, "constants is no table.", "Write [tables.constants].")
            return ()
        out: list[tuple[str, Constant]] = []
        fields = FIELDS[kind] if kind not in (None, TableKind.IGNORED) else None
        for name, each in value.items():
            if fields is not None and name not in fields:
                near = {f.casefold(): f for f in fields}.get(name.casefold())
                hint = f"Nearest: {near}." if near else nearest(name, fields)
                self.problem((*where, name), f"{name!r} is no field of {kind}.", hint)
            elif isinstance(each, datetime) or not isinstance(
                each, str | bool | int | Decimal | date
            ):
                self.problem((*where, name), f"{name} = {shown(each)} is no plain value.",
                             "Enter text, a number, a date, true or false.")  # fmt: skip
            elif isinstance(each, Decimal) and not each.is_finite():
                self.problem((*where, name), f"{name} = {each} is not a number.")
            else:
                out.append((name, each))
        return tuple(out)


# --- in which line a key stands -----------------------------------------------------------

_TOKEN = re.compile(
    r'"""(?:\\.|[^\\])*?"""|\'\'\'.*?\'\'\'|"(?:\\.|[^"\\\n])*"|\'[^\'\n]*\'|#[^\n]*|'
    r"\n|[\[\]{}=,]|[^\s\[\]{}=,#\"']+",
    re.DOTALL,
)


def _places(text: str) -> dict[tuple[object, ...], int]:
    """The line of each key by its path: ("tables", 0, "columns", 3, "field") and so on.

    ``text`` is valid TOML.
    """
    found: dict[tuple[object, ...], int] = {}
    counts: dict[str, int] = {}
    base: tuple[object, ...] = ()
    path: tuple[object, ...] = ()  # of the key whose value comes
    open_ones: list[tuple[str, tuple[object, ...]]] = []
    numbers: list[int] = []  # of the items seen in each open bracket
    line, key, key_line = 1, "", 1
    begins, in_header = True, False
    for match in _TOKEN.finditer(text):
        token = match[0]
        if token == "\n":
            line, begins, in_header = line + 1, True, False
        elif token.startswith("#") or in_header:
            pass
        elif token == "[" and begins and not open_ones:
            header = text[match.start() :].partition("\n")[0]
            base = _base(header.partition("#")[0], counts)
            found.setdefault(base, line)
            in_header = True
        elif token == "=":
            path = (*(open_ones[-1][1] if open_ones else base), key)
            found.setdefault(path, key_line)
        elif token in "[{":
            own = path
            if open_ones and open_ones[-1][0] == "[":
                own = (*open_ones[-1][1], numbers[-1])
                numbers[-1] += 1
                found.setdefault(own, line)
            open_ones.append((token, own))
            numbers.append(0)
        elif token in "]}":
            if open_ones:
                open_ones.pop()
                numbers.pop()
        elif token != ",":
            key, key_line = _unquoted(token), line
            line += token.count("\n")
        begins = begins and token == "\n"
    return found


def _base(header: str, counts: dict[str, int]) -> tuple[object, ...]:
    """The path that a header such as [[tables]] or [tables.constants] begins."""
    name = header.strip().strip("[]").strip()
    parts = [_unquoted(part.strip()) for part in name.split(".")]
    if header.lstrip().startswith("[["):
        counts[name] = counts.get(name, -1) + 1
        return (*parts, counts[name])
    if parts[0] in counts:
        return (parts[0], counts[parts[0]], *parts[1:])
    return tuple(parts)


def _unquoted(token: str) -> str:
    if token[:1] == '"':
        try:
            return str(json.loads(token))
        except ValueError:
            return token.strip('"')
    return token.strip("'")
