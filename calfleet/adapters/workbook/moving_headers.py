"""What a header, and the cells below it, most likely mean."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Collection, Iterable
from dataclasses import dataclass, replace
from decimal import Decimal
from functools import lru_cache
from typing import Any

from calfleet.adapters.workbook.grids import Broken
from calfleet.adapters.workbook.loose import (
    DateOrder,
    Decimals,
    Misread,
    clean,
    column_dates,
    column_signs,
    date_orders,
    deciding_dates,
    measured,
    span,
)
from calfleet.adapters.workbook.moving_cells import plain, unit_and_mode
from calfleet.adapters.workbook.moving_map import (
    FIELDS,
    READING_FIELDS,
    SET_POINT_FIELDS,
    Certainty,
    ColumnUse,
    Sort,
    TableKind,
)
from calfleet.adapters.workbook.moving_words import (
    NOT_THERE,
    PHRASES,
    brackets,
    label_of,
    number_of,
    plain_header,
    point_of,
    vocabulary,
    yes_and_no,
)
from calfleet.adapters.workbook.siterows import ACCURACY_BASES, TOLERANCE_BASES
from calfleet.adapters.workbook.tables import shown, squeezed

_NOT_YET = frozenset({"due", "next", "planned", "forecast", "previous"})
WITH_UNIT = (Sort.VALUE, Sort.SPREAD, Sort.BAND, Sort.RANGE, Sort.SPREADS)


@dataclass(frozen=True)
class Match:
    field: str
    certainty: Certainty
    reason: str
    set_point: str = ""
    phase: str = ""
    run: int | None = None

    @property
    def key(self) -> tuple[str, str, str, int | None]:
        return (self.field, self.set_point, self.phase, self.run)


# --- one header ---------------------------------------------------------------------------


@lru_cache(maxsize=64)
def _phrases(kind: TableKind) -> dict[str, str]:
    """Plain phrase to field, the first that claims it."""
    found: dict[str, str] = {}
    for field in FIELDS[kind]:
        found.setdefault(squeezed(field), field)
        found.setdefault(plain_header(field), field)
    for field, phrases in PHRASES.get(kind, {}).items():
        for each in phrases.split("|"):
            found.setdefault(plain_header(each), field)
    # a tolerance without sides is the band, whatever the canonical columns are called
    return found


@lru_cache(maxsize=20_000)
def match_of(kind: TableKind, header: str) -> Match | None:
    """The field that a header most likely means."""
    if not header:
        return None
    phrases = _phrases(kind)
    if squeezed(header) in phrases and kind not in (TableKind.SWITCHES, TableKind.SET_POINTS):
        field = phrases[squeezed(header)]
        if field not in READING_FIELDS:
            return Match(field, Certainty.SURE, f"the header {shown(header)} says {field}")
    if kind in (TableKind.CALIBRATIONS, TableKind.READINGS):
        reading = _reading(kind, header)
        if reading is not None:
            return reading
    text = plain_header(header)
    if text in phrases:
        # a bare "No." may as well count the rows
        certainty = Certainty.LIKELY if text == "no" else Certainty.SURE
        return Match(phrases[text], certainty, f"the header {shown(header)} says {phrases[text]}")
    if kind in (TableKind.SWITCHES, TableKind.SET_POINTS):
        label, rest = label_of(header)
        field = phrases.get(rest, "")
        if label and field in SET_POINT_FIELDS and field != "Label":
            return Match(
                field, Certainty.LIKELY, f"the header {shown(header)} says {field} of {label}",
                set_point=label,
            )  # fmt: skip
        number, rest = number_of(header)
        field = phrases.get(rest) or phrases.get(rest.removeprefix("setpoint "), "")
        if number and field in SET_POINT_FIELDS and field != "Label":
            return Match(
                field, Certainty.LIKELY,
                f"the header {shown(header)} says {field} of set point {number}",
                set_point=number,
            )  # fmt: skip
    return _part(kind, header, text, phrases)


def _part(kind: TableKind, header: str, text: str, phrases: dict[str, str]) -> Match | None:
    """The longest phrase that is part of the header."""
    words = text.split()
    if not 2 <= len(words) <= 12 or _NOT_YET.intersection(words):
        return None  # a sentence is no header, and what is due has not happened
    for size in range(len(words) - 1, 0, -1):
        if size * 2 < len(words) and size < 2:
            break
        for start in range(len(words) - size + 1):
            field = phrases.get(" ".join(words[start : start + size]))
            if field is None or (
                field in READING_FIELDS and kind in (TableKind.CALIBRATIONS, TableKind.READINGS)
            ):
                continue  # of the latter: "as found result" is no trip
            certainty = Certainty.LIKELY if size / len(words) >= 0.6 else Certainty.GUESS
            return Match(field, certainty, f"a part of the header {shown(header)} says {field}")
    return None


def _reading(kind: TableKind, header: str) -> Match | None:
    """A column of readings: phase, label, run and what was read."""
    label, text = label_of(header)
    if not label:
        label, numbered = point_of(header)
        text = numbered if label else text
    words = text.split()
    phase = ""
    for word, meant in (("asfound", "as-found"), ("asleft", "as-left")):
        if word in words:
            phase = meant
            words.remove(word)
    run: int | None = None
    digits = [word for word in words if word.isdecimal() and 1 <= int(word) <= 20]
    rest = [
        word for word in words if word not in ("run", "no", "cycle", "reading", "value", "test")
    ]
    if len(digits) == 1:
        run = int(digits[0])
        rest.remove(digits[0])
    what = " ".join(rest)
    phrases = {
        plain_header(each): field
        for field in READING_FIELDS
        for each in PHRASES[kind][field].split("|")
    }
    field = phrases.get(what, "")
    if not what and phase:
        field = "trip"
    if not field or (
        not phase and kind is TableKind.CALIBRATIONS and field not in ("trip", "reset")
    ):
        return None
    if not phase and not what:
        return None
    about = " ".join(each for each in (phase, field, f"of {label}" if label else "") if each)
    sure = Certainty.SURE if what and (phase or kind is TableKind.READINGS) else Certainty.LIKELY
    return Match(field, sure, f"the header {shown(header)} says {about}", label, phase, run)


# --- cells below a header ---------------------------------------------------------------


def column_of(use: ColumnUse) -> int:
    """The number of a column from 0."""
    number = 0
    for character in use.column:
        number = number * 26 + ord(character) - 64
    return number - 1


def guess(use: ColumnUse, field: str, words: dict[str, str], reason: str) -> ColumnUse:
    return replace(
        use, field=field, unit="", decimals=None, date_order=None, words=tuple(words.items()),
        certainty=Certainty.GUESS, reason=reason,
    )  # fmt: skip


def fitting(tags: Iterable[str], patterns: dict[str, str]) -> dict[str, str]:
    """The patterns that are needed, where every tag fits one."""
    from fnmatch import fnmatchcase

    used: Counter[str] = Counter()
    for tag in tags:
        if not re.match(r"[A-Za-z]{2,6}[\s\-_]?\d", tag):
            continue  # a title between the rows, totals
        found = next((p for p in patterns if fnmatchcase(tag.upper(), p)), None)
        if found is None:
            return {}
        used[found] += 1
    return {p: meant for p, meant in patterns.items() if used[p]}


def together(found: Iterable[DateOrder | Decimals | None]) -> Any:
    """What all columns that tell it agree on, ``None`` where none does or they differ."""
    told = {each for each in found if each is not None}
    return told.pop() if len(told) == 1 else None


def sample_of(value: object) -> str:
    return shown(plain(value)) if value is not None and not isinstance(value, Broken) else ""


def is_range(text: str) -> bool:
    try:
        span(text)
    except Misread as error:
        return "may be" in error.message or "higher to its lower" in error.message
    return True


def unit_in(text: str) -> str:
    for reader in (span, measured):
        try:
            return reader(text).unit
        except Misread:
            continue
    found = re.search(r"([^\d\s.,;:+-]+)\s*$", text)
    return found[1] if found else ""


def unit_of(header: str, sort: Sort, field: str) -> tuple[str, str]:
    """The unit of a header, and what to say about it."""
    if sort not in (*WITH_UNIT, Sort.NUMBER, Sort.SHARE):
        return "", ""
    last = len(brackets(header))
    in_brackets = len(re.findall(r"[(\[{][^)\]}]{1,40}[)\]}]", header))
    for number, text in enumerate(brackets(header)[:last]):
        if text.startswith("%"):
            if text == "%" and any(len(each) > 1 and each[0] == "%" for each in brackets(header)):
                continue  # of what it is stands in a longer piece
            if sort is Sort.SHARE:
                return "%", "in per cent"
            basis = vocabulary("tolerance basis").get(text.casefold()) or vocabulary(
                "accuracy basis"
            ).get(text.casefold())
            if basis in (*TOLERANCE_BASES, *ACCURACY_BASES):
                return basis, f"in {basis}"
            if sort in (Sort.BAND, Sort.SPREAD):
                return "%", "in per cent, of what is not told: map or add the basis"
            continue
        if number >= in_brackets and (len(text) < 2 or text.casefold() in ("at", "in", "k")):
            continue
        try:
            code, _ = unit_and_mode(text)
        except Misread as error:
            if "several meanings" in error.message:
                return "", f"{error.message} Add the unit: {error.hint}"
            continue
        if sort is Sort.NUMBER and code not in ("degC", "degF", "K") and field != "barometric":
            continue
        return text, f"in {text}"
    return "", ""


def dates_of(texts: Collection[str], order: DateOrder | None) -> tuple[DateOrder | None, str, bool]:
    """The order of a column's dates, what to say, and whether its cells are clear dates."""
    digits = [text for text in texts if date_orders(text)]
    if not digits:
        bad = [text for text in texts if not re.search(r"\d", text)]
        return None, "", not bad or len(bad) < len(texts)
    own = column_dates(texts)
    unclear = [text for text in digits if len(date_orders(text)) > 1]
    told = deciding_dates(sorted(texts))
    if len(told) > 1 and unclear:
        some = " and ".join(shown(each) for each in told.values())
        return None, (
            f"its dates contradict each other ({some}), so {shown(sorted(unclear)[0])} is open: "
            "write such dates as YYYY-MM-DD"
        ), False  # fmt: skip
    if own is DateOrder.YMD and not unclear:
        return None, "", True
    if own is not None:
        return own, f"dates are {own}, as some of them show", True
    if not unclear:
        orders = {next(iter(date_orders(text))) for text in digits}
        if len(orders) > 1:
            return None, "its dates are in several orders, each clear by itself", True
        return None, "", True
    if order is not None:
        return order, f"dates are {order}, as in the other columns", True
    return None, (
        f"the order of its dates is not clear ({shown(sorted(unclear)[0])}): add date_order"
    ), False  # fmt: skip


def decimals_of(
    texts: Collection[str], others: Decimals | None
) -> tuple[Decimals | None, str, bool]:
    """The decimal sign of a column, what to say, and whether its own cells are clear about it.

    ``others``: that of the other columns. A sign that would make thousands of a number which may
    as well have a fraction is not proposed: the person says it, or the cell is refused.
    """
    signs = column_signs(sorted(texts))
    decided, either = signs.decided, signs.open
    if len(decided) > 1:
        some = " and ".join(shown(each) for each in decided.values())
        return None, (
            f"its decimal signs contradict each other ({some}): each cell is read by itself, and "
            "one that can be read in two ways is a problem"
        ), False  # fmt: skip
    own = next(iter(decided), None)
    sign = own or others
    if sign is not None and sign in either and not signs.grouped:
        where = "other cells have" if own else "other columns have"
        return None, (
            f"{shown(either[sign])} may have a fraction or thousands ({where} a decimal {sign}): "
            "add decimals"
        ), False  # fmt: skip
    if own is not None:
        return own, f"the decimal sign is the {own}", True
    if others is not None:
        return others, f"the decimal sign is the {others}, as in the other columns", False
    if Decimals.POINT in either:
        return None, "the decimal sign is not clear: add decimals", False
    if either:
        return None, "a point is taken as the decimal sign: add decimals if it is not", False
    return None, "", True


def words_of(
    field: str, sort: Sort, texts: Collection[str], values: Iterable[object]
) -> tuple[tuple[tuple[str, str], ...], str]:
    """Translations of what stands in the cells, and what could not be translated."""
    found: dict[str, str] = {}
    strange: list[str] = []
    canonical: set[str] = set()
    other: dict[str, str] = {}
    name = squeezed(field)
    if sort is Sort.FLAG:
        canonical, other = {"yes", "no", "true", "false"}, yes_and_no()
        texts = {*texts, *(plain(v) for v in values if isinstance(v, Decimal))}
    elif sort in (Sort.WORD, Sort.LIST):
        other = vocabulary(name)
        canonical = set(other.values())
    elif name in READING_FIELDS or name == "reading":
        texts = {text for text in texts if not re.search(r"\d", text)}
        other = {k: v for k, v in vocabulary("outcome").items() if v != "tripped"}
        canonical = set(other.values())
    for text in sorted(texts)[:2000]:
        parts = re.split(r"[,;/\n]", text) if sort is Sort.LIST else [text]
        for part in parts:
            word = clean(part)
            folded_word = word.casefold()
            if not word or folded_word in canonical:
                continue
            bare = folded_word.rstrip(".: ")
            if folded_word in other or bare in other:
                found[word] = other.get(folded_word) or other[bare]
            elif folded_word in NOT_THERE:
                found[word] = ""
            elif canonical and name not in READING_FIELDS:
                strange.append(word)
    if sort in (*WITH_UNIT, Sort.NUMBER, Sort.DAY):
        found.update({t: "" for t in texts if t.casefold() in NOT_THERE and t != "?"})
    said = ""
    if strange:
        listed = ", ".join(shown(word) for word in sorted(set(strange))[:5])
        said = f"not understood, add them to words: {listed}"
    return tuple(sorted(found.items())[:200]), said
