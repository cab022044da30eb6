"""A mapping proposed from what stands in the files: header words, values, merged cells."""

from __future__ import annotations

import re
from collections.abc import Collection, Iterable, Iterator, Sequence
from dataclasses import dataclass, replace

from calfleet import records as rec
from calfleet.adapters.workbook.grids import Book, Broken, Grid, Shown
from calfleet.adapters.workbook.loose import (
    DateOrder,
    Decimals,
    clean,
    column_dates,
    column_decimals,
)
from calfleet.adapters.workbook.moving_cells import blank, plain
from calfleet.adapters.workbook.moving_headers import (
    WITH_UNIT,
    Match,
    column_of,
    dates_of,
    decimals_of,
    fitting,
    guess,
    is_range,
    match_of,
    sample_of,
    together,
    unit_of,
    words_of,
)
from calfleet.adapters.workbook.moving_map import (
    FIELDS,
    KEYS,
    SET_POINT_FIELDS,
    Certainty,
    ColumnUse,
    Mapping,
    Sort,
    TableKind,
    TableUse,
)
from calfleet.adapters.workbook.moving_missing import POINT_NEEDS, missing
from calfleet.adapters.workbook.moving_names import folded
from calfleet.adapters.workbook.moving_rows import header_areas, header_of
from calfleet.adapters.workbook.moving_words import (
    PHRASES,
    SHEET_WORDS,
    vocabulary,
)
from calfleet.adapters.workbook.sources import letter
from calfleet.adapters.workbook.tables import CODE

_LOOK = 40
"""Rows at the top of a sheet among which the header is looked for."""
_DEEP = 3
_CLEAR = 4
"""So many fields must be clear where the kind of a sheet is guessed."""
_WORTH = {Certainty.SURE: 1.0, Certainty.LIKELY: 0.6, Certainty.GUESS: 0.2}
_HEAVY = {
    TableKind.SWITCHES: {"Set point", "Range", "Direction", "Quantity", "Range low", "Service"},
    TableKind.GAUGES: {"Accuracy", "Resolution", "Drift per year", "Mode"},
    TableKind.CERTIFICATES: {"calibrated_on", "issued_on", "laboratory", "certificate"},
    TableKind.POINTS: {"expanded_uncertainty", "coverage_factor", "indication", "reference"},
    TableKind.STANDARDS: {"standard_certificate"},
    TableKind.CALIBRATIONS: {"performed_on", "performed_by", "trip", "reset"},
    TableKind.READINGS: {"performed_on", "performed_by", "trip", "reset", "phase", "reading"},
    TableKind.PEOPLE: {"role", "name"},
    TableKind.QUALIFICATIONS: {"granted_on", "expires_on", "quantity"},
    TableKind.PROCEDURES: {"approved_on", "rule", "required_tur", "as_found"},
    TableKind.LABORATORIES: {"accreditation"},
    TableKind.POLICIES: {"every", "basis"},
}
_FAMILY = frozenset(
    {"Dead band", "Dead band range", "Range", "Range low", "Range high", "Tolerance minus",
     "Tolerance plus"}
)  # fmt: skip


_SIDES = ("H", "L")
"""How labels of set points begin that tell the direction."""


def propose(books: Sequence[Book], known: rec.SiteInput) -> Mapping:
    """How the files are most likely meant; each column with reason and certainty.

    Nothing is left out: a column that is not understood is in the mapping without a field, with
    a sample of its values, and a sheet that is not understood is ``ignored``.
    """
    names = _Names(known)
    tables = [
        _Sheet(book, grid, names).table() for book in books for grid in book.grids if grid.rows
    ]
    if not any(_gives_points(table) for table in tables):
        tables = [_without_points(table) for table in tables]
    return Mapping(tuple(tables), tuple(_new_areas(books, tables, known)))


def _gives_points(table: TableUse) -> bool:
    return any(use.field == "Set point" for use in table.columns)


def _without_points(table: TableUse) -> TableUse:
    """The table with the fields of set points as missing, unless the site knows its switches."""
    if table.kind is not TableKind.SWITCHES or not table.missing:
        return table
    given = {use.field for use in table.columns}
    more = [name for name in POINT_NEEDS if name not in given and name not in table.missing]
    return replace(table, missing=(*table.missing, *more))


def _listed(columns: Iterable[ColumnUse]) -> Iterator[ColumnUse]:
    """Each column once, without a field: the sheet is ignored."""
    seen: set[str] = set()
    for use in columns:
        if use.column not in seen:
            seen.add(use.column)
            reason = f"it looks like {use.field}" if use.field else use.reason
            yield ColumnUse(use.column, use.header, reason=reason, sample=use.sample)


def _number_points(found: dict[int, Match], again: dict[int, Match]) -> None:
    """Gives each of several set points of a row its own name, so that none is left out."""
    if any(match.field == "Set point" for match in again.values()):
        _number_again(found, again)
    labels = {m.set_point for m in found.values() if m.field == "Set point"}
    if labels == {"1"}:  # a number alone sets nothing apart
        for column, match in found.items():
            if match.set_point == "1":
                found[column] = replace(match, set_point="")
        return
    if "" not in labels or len(labels) == 1:
        return
    own = next(str(n) for n in range(1, len(labels) + 1) if str(n) not in labels)
    twins = {m.field for m in found.values() if m.set_point}
    for column, match in found.items():
        if not match.set_point and match.field in twins:
            found[column] = replace(
                match, set_point=own, certainty=Certainty.GUESS,
                reason=f"{match.reason}; there are others, so this set point is called {own}",
            )  # fmt: skip


def _number_again(found: dict[int, Match], again: dict[int, Match]) -> None:
    """The same headers once for each set point: they are numbered as they stand."""
    count: dict[str, int] = {}
    repeated = {m.field for m in again.values() if not m.set_point}
    for column in sorted({*found, *again}):
        match = found.get(column) or again[column]
        if match.field not in repeated or match.field not in SET_POINT_FIELDS:
            continue
        count[match.field] = count.get(match.field, 0) + 1
        number = str(count[match.field])
        found[column] = replace(
            match, set_point=number, certainty=Certainty.GUESS,
            reason=f"{match.reason}, which stands there several times: taken as set point {number}",
        )  # fmt: skip


class _Names:
    """What the site knows, folded, by kind of key."""

    def __init__(self, known: rec.SiteInput) -> None:
        self.tags = {folded(each.tag) for each in known.switches}
        self.gauges = {folded(each.code) for each in known.gauges}
        self.certificates = {folded(each.number) for each in known.certificates}
        self.people = {folded(each.code) for each in known.people}

    def of(self, kind: TableKind) -> Collection[str]:
        key = KEYS.get(kind, "")
        return {
            "Tag": self.tags, "tag": self.tags, "Gauge": self.gauges,
            "certificate": self.certificates, "person": self.people,
        }.get(key, frozenset())  # fmt: skip


# --- one sheet ----------------------------------------------------------------------------


@dataclass
class _Try:
    """A sheet read as one kind with one choice of header rows."""

    kind: TableKind
    rows: tuple[int, ...]
    headers: list[str]
    matches: dict[int, Match]
    score: float
    lacks: str = ""
    """A field without which the kind is only a guess."""


class _Sheet:
    def __init__(self, book: Book, grid: Grid, names: _Names) -> None:
        self.book = book
        self.grid = grid
        self.names = names
        self.numbers = sorted(grid.rows)
        self.areas = header_areas(grid, self.numbers[:_LOOK][-1] + 1 if self.numbers else 0)

    def table(self) -> TableUse:
        best = self._best() or self._best(guess=True)
        if best is None:
            return TableUse(
                self.book.name, self.grid.name, TableKind.IGNORED, *self._plain_header(),
                certainty=Certainty.GUESS,
                reason="no row was understood as a header of anything that can be moved in; if "
                "it is one, say its kind, and the field of each column",
                columns=tuple(self._plain_columns()),
            )  # fmt: skip
        first = max(best.rows) + 1
        columns = self._columns(best, first)
        table = TableUse(
            self.book.name, self.grid.name, best.kind, best.rows, first, None, tuple(columns),
            certainty=Certainty.SURE if best.score >= 6 else Certainty.LIKELY,
            reason=f"its headers are those of {best.kind}",
        )  # fmt: skip
        table = replace(
            table,
            missing=tuple(
                missing(
                    table,
                    lambda use, most: self._values(column_of(use), first, most),
                    all_known=self._all_known(table, first),
                )
            ),
        )
        if best.lacks:
            table = replace(
                table, certainty=Certainty.GUESS,
                reason=f"its headers are most like those of {best.kind}, yet none says "
                f"{best.lacks}: give that field to its column",
            )  # fmt: skip
        if self.grid.hidden:
            table = replace(
                table, kind=TableKind.IGNORED, certainty=Certainty.GUESS, missing=(),
                columns=tuple(_listed(columns)),
                reason=f'the sheet is hidden; it looks like "{best.kind}": say so if it counts, '
                "and give its columns their fields",
            )  # fmt: skip
        return table

    # header and kind -----------------------------------------------------------------------

    def _best(self, *, guess: bool = False) -> _Try | None:
        """The header and kind that fit best; ``guess``: one field that the kind needs may lack."""
        best: _Try | None = None
        top = self.numbers[:_LOOK]
        for start in range(len(top)):
            for depth in range(1, _DEEP + 1):
                rows = top[start : start + depth]
                if len(rows) < depth or rows[-1] - rows[0] != depth - 1:
                    break
                if depth > 1 and not self._texts(rows[-1]):
                    break
                if not self._texts(rows[0]):
                    break
                found = self._as_kinds(tuple(row + 1 for row in rows), guess=guess)
                if found is not None and (best is None or found.score > best.score + 0.01):
                    best = found
        return best if best is not None and best.score >= 2.5 else None

    def _texts(self, row: int) -> bool:
        """Whether a row may be one of a header: nothing but short texts, no known names."""
        cells = [cell for cell in self.grid.rows[row] if not blank(cell)]
        for cell in cells:
            if not isinstance(cell, str) or len(cell) > 120:
                return False
            if folded(cell) in self.names.tags or re.fullmatch(r"[-+]?\d+[.,]\d+", cell.strip()):
                return False
        return bool(cells)

    def _as_kinds(self, rows: tuple[int, ...], *, guess: bool) -> _Try | None:
        columns = range(self.grid.width)
        headers = [header_of(self.grid, rows, column, self.areas) for column in columns]
        lowest = [header_of(self.grid, rows[-1:], column, self.areas) for column in columns]
        filled = sum(bool(each) for each in headers)
        best: _Try | None = None
        if filled < 2:
            return None
        for kind in PHRASES:
            matches = self._matches(kind, headers, lowest, max(rows) + 1)
            key = KEYS[kind]
            column = next((i for i, m in matches.items() if m.field == key), None)
            if column is None and kind is TableKind.READINGS:
                column = next((i for i, m in matches.items() if m.field == "calibration"), None)
            bonus = 0.0
            if column is None or matches[column].certainty is not Certainty.SURE:
                by_value = self._known_column(kind, max(rows))
                if by_value is not None:
                    column = by_value
                    matches[by_value] = Match(
                        key, Certainty.LIKELY, "its cells are names that the site knows"
                    )
            if column is None and not guess:
                continue
            if column is not None and self._share_known(kind, column, max(rows)) >= 0.5:
                bonus += 3
            if re.search(SHEET_WORDS[kind], f"{self.grid.name} {self._title(rows[0])}".casefold()):
                bonus += 1.5
            heavy = _HEAVY.get(kind, set())
            fields: dict[str, float] = {}
            for match in matches.values():
                worth = _WORTH[match.certainty] * (2 if match.field in heavy else 1)
                fields[match.field] = max(fields.get(match.field, 0.0), worth)
            score = sum(fields.values()) * (0.4 + 0.6 * len(matches) / filled)
            score += min(bonus, score) - 0.05 * len(rows)
            lacks = ""
            if guess:
                lacks = self._lacking(kind, fields, matches)
                if not lacks:
                    continue
            elif not self._possible(kind, fields):
                continue
            if best is None or score > best.score:
                best = _Try(kind, rows, headers, matches, score, lacks)
        return best

    def _lacking(self, kind: TableKind, fields: Collection[str], matches: dict[int, Match]) -> str:
        """The one field with which the headers would be those of the kind; '' for none.

        Only where much else is clear: four fields, one of them hardly found in other kinds.
        """
        clear = {m.field for m in matches.values() if m.certainty is not Certainty.GUESS}
        if len(clear) < _CLEAR or not clear & _HEAVY.get(kind, set()):
            return ""
        key = KEYS[kind]
        tries = FIELDS[kind] if key in fields else [key]
        return next(
            (f for f in tries if f not in fields and self._possible(kind, {*fields, f})), ""
        )

    @staticmethod
    def _possible(kind: TableKind, fields: Collection[str]) -> bool:
        own = set(fields)
        if kind is TableKind.SWITCHES:
            return len(own - set(SET_POINT_FIELDS) - {"Tag", "Revision", "Unit"}) >= 2
        if kind is TableKind.SET_POINTS:
            return bool(own & {"Set point", "Tolerance"})
        if kind is TableKind.CALIBRATIONS:
            read = bool(own & {"trip", "outcome"}) or {"calibration", "operating_gauge"} <= own
            return "performed_on" in own and read and "phase" not in own
        if kind is TableKind.READINGS:
            return bool(own & {"trip", "reading"}) and "phase" in own
        if kind is TableKind.GAUGES:
            return len(own - {"Gauge", "Revision", "Effective on", "Reason", "Unit"}) >= 2
        needed: dict[TableKind, set[str]] = {
            TableKind.CERTIFICATES: {"gauge", "certificate", "calibrated_on"},
            TableKind.STANDARDS: {"description"},
            TableKind.PEOPLE: {"name"}, TableKind.QUALIFICATIONS: {"quantity", "expires_on"},
            TableKind.PROCEDURES: {"title", "revision"}, TableKind.AREAS: {"name"},
            TableKind.LABORATORIES: {"name", "kind"}, TableKind.POLICIES: {"every"},
            TableKind.POINTS: {"reference", "expanded_uncertainty"},
        }  # fmt: skip
        return needed.get(kind, set()) <= own

    def _title(self, first: int) -> str:
        """The texts above the header."""
        return " ".join(
            plain(cell)
            for row in self.numbers
            if row < first - 1
            for cell in self.grid.rows[row][:5]
            if isinstance(cell, str)
        )[:200]

    def _matches(
        self, kind: TableKind, headers: Sequence[str], lowest: Sequence[str], first: int
    ) -> dict[int, Match]:
        """The best column for each field; a field is given once."""
        taken: dict[tuple[str, str, str, int | None], int] = {}
        found: dict[int, Match] = {}
        again: dict[int, Match] = {}
        for column, header in enumerate(headers):
            match = match_of(kind, header)
            below = match_of(kind, lowest[column])
            if match is None or (
                below is not None
                and _WORTH[below.certainty] > _WORTH[match.certainty]
                # the rows above may say of which set point: "Set point 2" over "dir."
                and not (match.field == below.field and match.set_point)
            ):
                match = below
            if match is None:
                continue
            field = self._by_values(kind, column, match.field, first)
            if field != match.field:
                said = f"{match.reason}; its cells are those of {field}"
                match = replace(match, field=field, reason=said)
            other = taken.get(match.key)
            if other is not None:
                if folded(header) == folded(headers[other]):
                    again[column] = match
                if _WORTH[match.certainty] <= _WORTH[found[other].certainty]:
                    continue
                del found[other]
            taken[match.key] = column
            found[column] = match
        if kind in (TableKind.SWITCHES, TableKind.SET_POINTS):
            _number_points(found, again)
        return found

    def _values(self, column: int, first: int, most: int = 100_000) -> Iterator[object]:
        for row in self.numbers:
            if row >= first - 1:
                value = self.grid.cell(row, column)
                if not blank(value) and not isinstance(value, Broken):
                    yield value
                    most -= 1
                    if not most:
                        return

    def _share_known(self, kind: TableKind, column: int, last_header: int) -> float:
        names = self.names.of(kind)
        if not names:
            return 0.0
        values = [folded(plain(v)) for v in self._values(column, last_header + 1, 200)]
        return sum(v in names for v in values) / len(values) if values else 0.0

    def _known_column(self, kind: TableKind, last_header: int) -> int | None:
        if not self.names.of(kind):
            return None
        shares = [
            (self._share_known(kind, column, last_header), -column)
            for column in range(min(self.grid.width, 30))
        ]
        best = max(shares, default=(0.0, 0))
        return -best[1] if best[0] >= 0.5 else None

    def _sample_of(self, column: int, first: int) -> str:
        """What a column holds, from a row that is no title."""
        for row in self.numbers:
            value = self.grid.cell(row, column)
            if row >= first - 1 and not blank(value) and not isinstance(value, Broken):
                cells = self.grid.rows[row]
                if sum(not blank(each) for each in cells) >= min(3, self.grid.width):
                    return sample_of(value)
        return sample_of(next(self._values(column, first, 1), None))

    # columns -------------------------------------------------------------------------------

    def _plain_header(self) -> tuple[tuple[int, ...], int]:
        """The first row with several texts and nothing else, and the row below it (from 1)."""
        for row in self.numbers[:_LOOK]:
            filled = [each for each in self.grid.rows[row] if not blank(each)]
            if len(filled) > 1 and all(isinstance(each, str) for each in filled):
                return (row + 1,), row + 2
        return (), 1

    def _plain_columns(self) -> Iterator[ColumnUse]:
        """The columns of a sheet that is not understood, by the header that it seems to have."""
        if not self.numbers:
            return
        rows, first = self._plain_header()
        for column in range(self.grid.width):
            header = header_of(self.grid, rows, column, self.areas) if rows else ""
            sample = next(self._values(column, first, 1), None)
            if header or sample is not None:
                yield ColumnUse(letter(column), header, sample=sample_of(sample))

    def _columns(self, best: _Try, first: int) -> list[ColumnUse]:
        fields = FIELDS[best.kind]
        texts = {
            column: {
                v
                for v in self._values(column, first)
                if isinstance(v, str) and not isinstance(v, Shown)
            }
            for column in best.matches
        }
        numeric = [
            column
            for column, match in best.matches.items()
            if fields[match.field] in (*WITH_UNIT, Sort.NUMBER, Sort.SHARE)
        ]
        days = [c for c, match in best.matches.items() if fields[match.field] is Sort.DAY]
        decimals = together(column_decimals(texts[column]) for column in numeric)
        order = together(column_dates(texts[column]) for column in days)
        taken = {match.key: column for column, match in best.matches.items()}
        out: list[ColumnUse] = []
        for column in range(self.grid.width):
            header = best.headers[column]
            sample = self._sample_of(column, first)
            match = best.matches.get(column)
            if match is None:
                if not header and not sample:
                    continue
                other = match_of(best.kind, header)
                reason = "no word of the header is known" if header else "the column has no header"
                if other is not None and other.key in taken:
                    reason = f"{other.field} is given by column {letter(taken[other.key])}"
                out.append(ColumnUse(letter(column), header, reason=reason, sample=sample))
                continue
            use = self._use(best, column, match, texts[column], sample, decimals, order, first)
            out.append(use)
            out.extend(self._derived(best, use, first))
        return out

    def _use(
        self,
        best: _Try,
        column: int,
        match: Match,
        texts: set[str],
        sample: str,
        decimals: Decimals | None,
        order: DateOrder | None,
        first: int,
    ) -> ColumnUse:
        field, certainty, reasons = match.field, match.certainty, [match.reason]
        header = best.headers[column]
        sort = FIELDS[best.kind][field]
        unit, said = unit_of(header, sort, field)
        if said:
            reasons.append(said)
        own_order: DateOrder | None = None
        if sort is Sort.DAY:
            own_order, said, ok = dates_of(texts, order)
            if said:
                reasons.append(said)
            if not ok:
                certainty = Certainty.GUESS
        own_decimals: Decimals | None = None
        if sort in (*WITH_UNIT, Sort.NUMBER, Sort.SHARE, Sort.WHOLE) and any(
            re.search(r"\d[.,]\d", text) for text in texts
        ):
            own_decimals, said, ok = decimals_of(texts, decimals)
            if said:
                reasons.append(said)
            if not ok:
                certainty = Certainty.GUESS
        words, said = words_of(field, sort, texts, self._values(column, first))
        if said:
            reasons.append(said)
        fill = self._fills(best, column, field, first)
        if fill:
            reasons.append("its blank cells repeat the one above")
        return ColumnUse(
            letter(column), header, field, unit, own_order, own_decimals, words,
            match.set_point, match.phase, match.run, fill,
            certainty=certainty, reason="; ".join(reasons), sample=sample,
        )  # fmt: skip

    def _by_values(self, kind: TableKind, column: int, field: str, first: int) -> str:
        """Another field of the same family where the cells say so."""
        if field not in _FAMILY:
            return field
        texts = []
        numbers = 0
        for value in self._values(column, first, 50):
            if isinstance(value, str):
                texts.append(clean(value).casefold())
            else:
                numbers += 1
        choice = field
        if field in ("Dead band", "Dead band range"):
            kinds = set(vocabulary("dead band"))
            # a total or a title may stand among them
            told = bool(texts) and not numbers and sum(t in kinds for t in texts) * 2 >= len(texts)
            choice = "Dead band" if told else "Dead band range" if texts or numbers else field
        elif field == "Range" and numbers and not any(is_range(text) for text in texts):
            choice = "Range high"
        elif field in ("Range low", "Range high") and texts and all(is_range(t) for t in texts):
            choice = "Range"
        elif field in ("Tolerance minus", "Tolerance plus") and any("±" in text for text in texts):
            choice = "Tolerance"
        return choice if choice in FIELDS[kind] else field

    def _fills(self, best: _Try, column: int, field: str, first: int) -> bool:
        """Whether blank cells of a key column stand below the name they belong to."""
        if field not in (KEYS[best.kind], "calibration", "performed_on") or best.kind not in (
            TableKind.SET_POINTS, TableKind.READINGS, TableKind.SWITCHES, TableKind.POINTS,
        ):  # fmt: skip
            return False
        merged = {
            row
            for top, left, bottom, _ in self.grid.merged
            if left == column
            for row in range(top, min(bottom, self.numbers[-1]) + 1)
        }
        others = [c for c, m in best.matches.items() if c != column and m.field != "Tag"]
        blanks = filled = 0
        for row in self.numbers:
            if row < first - 1:
                continue
            if not blank(self.grid.cell(row, column)) or row in merged:
                filled += 1
            elif sum(not blank(self.grid.cell(row, c)) for c in others) >= 2:
                blanks += 1
        return blanks >= 2 and filled > 0

    def _derived(self, best: _Try, use: ColumnUse, first: int) -> Iterator[ColumnUse]:
        """Further fields that a column tells besides its own: only guesses, shown as such."""
        if best.kind not in (TableKind.SWITCHES, TableKind.SET_POINTS):
            return
        fields = {m.field for m in best.matches.values()}
        has_points = "Set point" in fields
        if use.field == "Set point" and use.set_point[:1] in _SIDES and "Direction" not in fields:
            meant = "rising" if use.set_point.startswith("H") else "falling"
            yield replace(
                use, field="Direction", unit="", decimals=None, words=(("*", meant),),
                certainty=Certainty.GUESS, reason=f"a set point {use.set_point} trips {meant}",
            )  # fmt: skip
        if use.field == "Label" and "Direction" not in fields:
            labels = {clean(plain(v)) for v in self._values(column_of(use), first)}
            words = {
                label: "rising" if label.casefold().startswith("h") else "falling"
                for label in sorted(labels)
                if re.fullmatch(r"(?i)h{1,3}|l{1,3}|high(?:-high| high)?|low(?:-low| low)?", label)
            }
            if words and len(words) == len(labels):
                yield guess(use, "Direction", words, "high trips rising, low falling")
        if use.field != "Tag":
            return
        tags = {clean(plain(v)) for v in self._values(column_of(use), first)}
        if best.kind is TableKind.SWITCHES and "Quantity" not in fields:
            patterns = {"PD*": "differential pressure", "P*": "pressure", "T*": "temperature"}
            words = fitting(tags, patterns)
            if words:
                yield guess(use, "Quantity", words, "the first letters of the tags tell it")
        grouped = any(m.set_point for m in best.matches.values())
        if has_points and "Label" not in fields and not grouped:
            by_label = {"*SHH*": "HH", "*SLL*": "LL", "*SH*": "H", "*SL*": "L"}
            words = fitting(tags, by_label)
            if words:
                yield guess(use, "Label", words, "the letters of the tags tell it")
                if "Direction" not in fields:
                    ways = {
                        k: "rising" if v.startswith("H") else "falling" for k, v in words.items()
                    }
                    yield guess(use, "Direction", ways, "high trips rising, low falling")

    def _all_known(self, table: TableUse, first: int) -> bool:
        """Whether the site holds every switch (or gauge) of the sheet."""
        if table.kind not in (TableKind.SWITCHES, TableKind.SET_POINTS, TableKind.GAUGES):
            return False
        key = next((use for use in table.columns if use.field == KEYS[table.kind]), None)
        if key is None:
            return False
        return self._share_known(table.kind, column_of(key), first - 1) == 1


def _new_areas(
    books: Sequence[Book], tables: Sequence[TableUse], known: rec.SiteInput
) -> Iterator[rec.Area]:
    """Areas that rows name and neither the site nor a sheet of areas has."""
    if any(table.kind is TableKind.AREAS for table in tables):
        return
    names = {folded(each) for area in known.areas for each in (area.code, area.name)}
    for table in tables:
        use = next((u for u in table.columns if u.field == "Area"), None)
        if use is None or table.kind is not TableKind.SWITCHES:
            continue
        for book in books:
            for grid in book.grids:
                if (book.name, grid.name) != (table.file, table.sheet):
                    continue
                for row in sorted(grid.rows):
                    value = grid.cell(row, column_of(use))
                    if row < table.first_row - 1 or not isinstance(value, str) or blank(value):
                        continue
                    text = plain(value)
                    if folded(text) not in names and len(text) <= CODE:
                        names.add(folded(text))
                        yield rec.Area(text, text)
