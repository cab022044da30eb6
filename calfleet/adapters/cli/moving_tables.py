"""What ``move-in`` prints: the mapping, what would become of each record, and every problem."""

from __future__ import annotations

import sys
from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from operator import attrgetter
from pathlib import Path
from typing import TYPE_CHECKING, Any, NamedTuple

from calfleet.adapters.cli.render import Column, Format, as_json, listing, paragraph

if TYPE_CHECKING:
    from calfleet.adapters.workbook.moving_map import ColumnUse, Mapping
    from calfleet.errors import Problem
    from calfleet.services.comparison import Comparison, Item
    from calfleet.services.move_in import HistoryJudged

SHOWN = 40
"""So many problems, or changes, are printed; CSV and JSON have all."""
REMARKS_SHOWN = 15
NOT_READ = "rows_not_read"


@dataclass
class Told:
    """Everything that ``move-in`` found out."""

    mapping: Mapping
    comparison: Comparison | None = None
    judged: HistoryJudged | None = None
    problems: list[Problem] = field(default_factory=list)
    remarks: list[Problem] = field(default_factory=list)
    rows_read: dict[str, int] = field(default_factory=dict)
    rows_not_read: dict[tuple[str, str], int] = field(default_factory=dict)
    """Rows that gave no record, by kind of record and sheet."""
    name: str = ""
    proposed: bool = False
    only_mapping: bool = False
    ran: bool = False
    written: str = ""
    checked: str = ""
    """The check value of what is told."""
    again: str = ""
    """The command that adds it."""
    copies: list[Path] = field(default_factory=list)
    unmarked: list[Problem] = field(default_factory=list)
    """Places of problems that no copy shows."""
    output: Format = Format.TABLE


class _Line(NamedTuple):
    """One line of the CSV: a record, one field of it that changes, a problem or a remark."""

    what: str
    kind: str = ""
    key: str = ""
    place: str = ""
    field: str = ""
    before: str = ""
    after: str = ""
    message: str = ""
    next_step: str = ""


def show(told: Told) -> None:
    """Print it all: as a table for a person, as lines of CSV, or as one object of JSON."""
    if told.output is Format.JSON:
        as_json(_object(told))
    elif told.output is Format.CSV:
        listing(list(_lines(told)), _CSV, Format.CSV)
    else:
        _table(told)
    for copy in told.copies:
        print(f"Marked: {copy}", file=sys.stderr)
    for one in told.unmarked:
        print(f"Not marked: {one}", file=sys.stderr)


_CSV: list[Column[_Line]] = [Column(name, name, attrgetter(name)) for name in _Line._fields]


# --- for a person -----------------------------------------------------------------------


def _table(told: Told) -> None:
    if told.proposed:
        _mapping_table(told)
    else:
        _mapping_line(told)
    if told.comparison is not None:
        _summary(told.comparison, told)
        _changes(told.comparison)
    _notes(told.problems, "problem", SHOWN)
    what = ": what was understood rather than stated, or looks odd"
    _notes(told.remarks, "remark", REMARKS_SHOWN, what)
    print()
    for line in _ending(told):
        # a command is copied: it stays on one line
        print(line if line.startswith("  ") else paragraph(line))


def _mapping_table(told: Told) -> None:
    for table in told.mapping.tables:
        print()
        print(paragraph(f"{table.name}: {table.kind}, {table.certainty}. {table.reason}".strip()))
        if str(table.kind) == "ignored":
            continue
        listing(
            [c for c in table.columns if c.field],
            [
                Column("Column", "column", lambda c: c.column),
                Column("Header", "header", lambda c: c.header, fold=True),
                Column("Is", "field", lambda c: _field(c), fold=True),
                Column("Unit", "unit", lambda c: c.unit),
                Column("Sure?", "certainty", lambda c: c.certainty),
                Column("Why", "reason", _why, fold=True),
                Column("Sample", "sample", lambda c: c.sample, fold=True),
            ],
            Format.TABLE,
            empty="No column of it is understood.",
        )
        unused = [f"{c.column} {c.header!r}" for c in table.unused()]
        if unused:
            print(paragraph(", ".join(unused), indent="Not used: "))
        if table.missing:
            print(paragraph(", ".join(table.missing), indent="Still to be given, in a column "
                            "or as a constant: "))  # fmt: skip


def _why(use: ColumnUse) -> str:
    """Why a column is taken so; nothing where its header is the very name of the field."""
    told = f"the header {use.header!r} says {use.field}"
    return use.reason.removeprefix(told).lstrip("; ") if use.header == use.field else use.reason


def _field(use: ColumnUse) -> str:
    of = " ".join(
        str(part)
        for part in (use.set_point, use.phase, f"run {use.run}" if use.run else "")
        if part
    )
    return f"{use.field} ({of})" if of else use.field


def _mapping_line(told: Told) -> None:
    used = [c for t in told.mapping.tables for c in t.columns if c.field]
    unused = [f"{t.name} {c.column}" for t in told.mapping.tables for c in t.unused()]
    tables = [t for t in told.mapping.tables if str(t.kind) != "ignored"]
    text = f"Read by {told.name}: {_n(len(tables), 'sheet')}, {_n(len(used), 'column')} used"
    print(paragraph(f"{text}, {len(unused)} not used."))


def _n(count: int, what: str) -> str:
    return f"{count:,} {what}{'' if count == 1 else 's'}"


def _summary(found: Comparison, told: Told) -> None:
    print()
    rows = list(_records(found, told).items())
    listing(
        rows,
        [
            Column("Record", "kind", lambda r: r[0]),
            *(_count(state) for state in ("added", "changed", "unchanged", "refused")),
            Column("Rows not read", NOT_READ, lambda r: r[1][NOT_READ], right=True),
        ],
        Format.TABLE,
        empty="The files bring no records.",
    )
    read = sum(told.rows_read.values())
    lost = sum(told.rows_not_read.values())
    text = f"; {lost:,} of them gave no record, for the problems below" if lost else ""
    print(paragraph(f"{_n(read, 'row')} read{text}."))
    judged = told.judged
    if judged is None or not judged.added:
        return
    verdicts = ", ".join(f"{n:,} {what}" for what, n in sorted(judged.verdicts.items()))
    print(paragraph(f"{_n(judged.added, 'calibration')} judged from their readings: {verdicts}."))
    if judged.findings:
        most = sorted(judged.findings.items(), key=lambda pair: (-pair[1], pair[0]))
        kinds = ", ".join(f"{what} ({n:,})" for what, n in most)
        print(paragraph(f"Kept with a finding that says so: {kinds}."))


def _records(found: Comparison | None, told: Told) -> dict[str, dict[str, int]]:
    """What becomes of the records of each kind, and how many rows gave none."""
    from calfleet.services.comparison import KINDS, State

    counts = found.counts() if found is not None else {}
    lost = Counter[str]()
    for (kind, _), number in told.rows_not_read.items():
        lost[kind] += number
    return {
        kind: {**counts.get(kind, dict.fromkeys(map(str, State), 0)), NOT_READ: lost[kind]}
        for kind in KINDS
        if kind in counts or lost[kind]
    }


def _count(state: str) -> Column[tuple[str, dict[str, int]]]:
    return Column(state.capitalize(), state, lambda row: row[1][state], right=True)


def _changes(found: Comparison) -> None:
    rows = [(item, change) for item in _changed(found) for change in item.changes]
    if not rows:
        return
    print("\nChanges, as new revisions")
    listing(
        rows[:SHOWN],
        [
            Column("Record", "key", lambda r: f"{r[0].kind} {r[0].key}", fold=True),
            Column("Field", "field", lambda r: r[1].field, fold=True),
            Column("Before", "before", lambda r: r[1].before, fold=True),
            Column("After", "after", lambda r: r[1].after, fold=True),
            Column("Place", "place", lambda r: r[0].place, fold=True),
        ],
        Format.TABLE,
    )
    if len(rows) > SHOWN:
        print(f"... and {len(rows) - SHOWN:,} more: '-f csv' and '-f json' have all.")


def _changed(found: Comparison) -> list[Item]:
    return [i for i in found.items if str(i.state) == "changed"]


def _notes(found: Sequence[Problem], name: str, shown: int, told: str = "") -> None:
    """Problems or remarks with their places, the first ``shown`` of them; nothing of none."""
    if not found:
        return
    from calfleet.adapters.workbook.moving_in import summarised

    few = summarised(found)
    print(f"\n{_n(len(found), name)}{told}")
    for one in few[:shown]:
        print(paragraph(f"{one.message} {one.hint}".strip(), indent=f"  {one.where}: "))
    if len(few) > shown:
        print(f"... and {len(few) - shown:,} more: '-f csv' and '-f json' have all.")


def _ending(told: Told) -> Iterable[str]:
    if told.only_mapping:
        yield (
            f"Read {told.name} and correct it; then 'calfleet move-in FILES --mapping "
            f"{told.name}' tells what moving in would do. Nothing was moved in."
        )
        return
    found = told.comparison
    if told.written:
        counts = found.counts() if found is not None else {}
        added = sum(c["added"] + c["changed"] for c in counts.values())
        text = f"Moved in as {told.written}: {_n(added, 'record')} added."
        left = len(told.problems)
        yield f"{text} {_n(left, 'problem')} left out, listed above." if left else text
        return
    if told.problems:
        yield f"Nothing was written: {_n(len(told.problems), 'problem')}."
        step = "Correct the cells named, or the mapping, and run the command again"
        if found is not None and found.writes and told.again:
            yield f"{step}; or leave out what is refused:"
            yield f"  {told.again} --leave-out-refused"
        else:
            yield f"{step}."
        return
    if found is not None and not found.items:
        yield (
            "The files bring no records: no sheet of theirs is mapped to a kind of record. Look at "
            "the mapping. Nothing was written."
        )
        return
    if found is not None and not found.writes:
        yield "There is nothing to add: the site holds all of it already. Nothing was written."
        return
    if told.proposed:
        yield (
            "Dry run by the proposed mapping: nothing was written. Write it with --propose "
            "FILE.toml, read it, and do the dry run with --mapping FILE.toml."
        )
        return
    yield "Dry run: nothing was written. To add just this:"
    yield f"  {told.again}"


# --- for programs -----------------------------------------------------------------------


def _lines(told: Told) -> Iterable[_Line]:
    for table in told.mapping.tables:
        for use in table.columns:
            yield _Line(
                "column" if use.field else "column not used", str(table.kind),
                use.field, f"{table.name} {use.column}", use.header, use.sample, use.unit,
                use.reason, str(use.certainty),
            )  # fmt: skip
    if told.comparison is not None:
        yield _Line("check value", key=told.checked)
        for (kind, sheet), number in told.rows_not_read.items():
            yield _Line(
                "rows not read", kind, str(number), sheet,
                message=f"{number} of {told.rows_read.get(sheet, number)} rows gave no record.",
            )  # fmt: skip
        for item in told.comparison.items:
            yield _Line(
                str(item.state), item.kind, item.key, item.place, message=item.message,
                next_step=item.next_step,
            )  # fmt: skip
            for change in item.changes:
                yield _Line(
                    "field", item.kind, item.key, item.place, change.field, change.before,
                    change.after,
                )  # fmt: skip
    refused = {i.problem for i in told.comparison.refused} if told.comparison else set()
    for problem in told.problems:
        if problem not in refused:
            yield _Line(
                "problem", place=problem.where, message=problem.message, next_step=problem.hint
            )
    for remark in told.remarks:
        yield _Line("remark", place=remark.where, message=remark.message, next_step=remark.hint)


def _object(told: Told) -> dict[str, Any]:
    from calfleet.adapters.workbook.moving_map import mapping_plain

    found = told.comparison
    return {
        "mapping": mapping_plain(told.mapping),
        "rows_read": told.rows_read,
        "rows_not_read": {sheet: n for (_, sheet), n in told.rows_not_read.items()},
        "records": _records(found, told) if found is not None else {},
        "changes": [
            {
                "kind": i.kind, "key": i.key, "place": i.place,
                "fields": [
                    {"field": c.field, "before": c.before, "after": c.after} for c in i.changes
                ],
            }
            for i in (_changed(found) if found is not None else ())
        ],
        "history": {
            "judged": told.judged.added,
            "verdicts": dict(told.judged.verdicts),
            "findings": dict(told.judged.findings),
        }
        if told.judged is not None
        else None,
        "problems": [
            {"place": p.where, "message": p.message, "next_step": p.hint} for p in told.problems
        ],
        "remarks": [
            {"place": p.where, "message": p.message, "next_step": p.hint} for p in told.remarks
        ],
        "checked": told.checked or None,
        "written": told.written or None,
    }  # fmt: skip
