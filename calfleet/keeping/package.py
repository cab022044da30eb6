"""The description of an export for other programs: a Data Package with a Table Schema per table.

Source: Data Package and Table Schema specifications, version 1 with ``uniqueKeys`` of version 2
(published by the Open Knowledge Foundation).
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

from calfleet.keeping.containers import FileNote
from calfleet.keeping.tables import table_path
from calfleet.store.transfer import ColumnShape, TableShape

PACKAGE = "datapackage.json"
TYPES: dict[str, dict[str, str]] = {
    "integer": {"type": "integer"},
    "number": {"type": "number"},
    "decimal": {"type": "number"},
    "text": {"type": "string"},
    "boolean": {"type": "boolean"},
    "date": {"type": "date"},
    "time": {"type": "datetime", "format": "%Y-%m-%dT%H:%M:%S.%fZ"},
    "json": {"type": "object"},
}
WORDS = {
    "decimal": "A number as it was typed: its digits are information.",
    "number": "A binary double in its shortest decimal form.",
    "time": "Coordinated universal time.",
    "json": "Canonical JSON: keys sorted, no blanks.",
}
READ_ME = (
    "Every record of the site, one CSV file (RFC 4180, UTF-8) for each table. An empty cell is a "
    "missing value where the column may be missing, and empty text where it is required. In a "
    "text column that may be missing, text that is empty or begins with a backslash is written "
    "with one backslash more in front. Cells are data exactly as recorded: import every column as "
    "text into a spreadsheet program, which would else run a cell that begins with = + - or @, and "
    "drop zeros that count."
)


def data_package(
    tables: Iterable[TableShape],
    rows: Mapping[str, int],
    notes: Iterable[FileNote],
    *,
    site: tuple[str, str],
    made_at: str,
    revision: str,
) -> dict[str, Any]:
    """The descriptor as plain data; ``rows`` and ``notes`` tell of the table files written."""
    files = {note.path: note for note in notes}
    return {
        "name": f"calfleet-{_plain_name(site[0])}",
        "title": f"{site[1]} ({site[0]}): all records" if site[0] else "All records",
        "description": READ_ME,
        "created": made_at,
        "profile": "tabular-data-package",
        "schema_revision": revision,
        "resources": [
            {
                "name": table.name,
                "path": table_path(table.name),
                "profile": "tabular-data-resource",
                "format": "csv",
                "mediatype": "text/csv",
                "encoding": "utf-8",
                "bytes": files[table_path(table.name)].bytes,
                "hash": f"sha256:{files[table_path(table.name)].sha256}",
                "rows": rows[table.name],
                "dialect": {
                    "delimiter": ",",
                    "quoteChar": '"',
                    "doubleQuote": True,
                    "lineTerminator": "\r\n",
                    "header": True,
                    "skipInitialSpace": False,
                },
                "schema": _schema(table),
            }
            for table in tables
        ],
    }


def _plain_name(code: str) -> str:
    return "".join(c if c.isascii() and c.isalnum() else "-" for c in code.lower()) or "site"


def _schema(table: TableShape) -> dict[str, Any]:
    single = {keys[0] for keys in table.unique if len(keys) == 1}
    nullable = {column.name for column in table.columns if column.nullable}
    schema: dict[str, Any] = {
        "fields": [_field(column, column.name in single) for column in table.columns],
        "primaryKey": list(table.key),
        "missingValues": [""],
    }
    several = [list(keys) for keys in table.unique if len(keys) > 1]
    if several:
        schema["uniqueKeys"] = several
    pointing = [_foreign_key(table.name, one, nullable) for one in table.references]
    if pointing:
        schema["foreignKeys"] = pointing
        # as the database has them: with a missing value in any column, nothing is pointed at
        schema["references"] = [
            {"fields": list(one.columns), "table": one.table, "targets": list(one.targets)}
            for one in table.references
        ]
    if table.checks:
        schema["checks"] = [{"name": name, "sql": sql} for name, sql in table.checks]
    return schema


def _foreign_key(table: str, one: Any, nullable: set[str]) -> dict[str, Any]:
    """A reference as Table Schema can say it: of several columns, those that may be missing only,
    because a reader would else look for a row with the missing value in its key."""
    pairs = list(zip(one.columns, one.targets, strict=True))
    missing = [pair for pair in pairs if pair[0] in nullable]
    kept = missing if missing and len(missing) < len(pairs) else pairs
    return {
        "fields": [here for here, _ in kept],
        "reference": {
            "resource": "" if one.table == table else one.table,
            "fields": [there for _, there in kept],
        },
    }


def _field(column: ColumnShape, unique: bool) -> dict[str, Any]:
    field: dict[str, Any] = {"name": column.name, **TYPES[column.kind]}
    if column.kind in WORDS:
        field["description"] = WORDS[column.kind]
    constraints: dict[str, Any] = {}
    if not column.nullable:
        constraints["required"] = True
        if column.kind == "text":
            field["missingValues"] = []  # empty text is a value
    if unique:
        constraints["unique"] = True
    if column.kind == "text" and column.most_characters is not None:
        constraints["maxLength"] = column.most_characters + (1 if column.nullable else 0)
    if column.words:
        constraints["enum"] = list(column.words)
    if constraints:
        field["constraints"] = constraints
    return field
