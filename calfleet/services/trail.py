"""Reading the audit trail: who did what when and why, and each entry's facts before and after.

The trail names each fact by kind and key with its digest; what the fact says is read from the
database as it is now, and whether that still has the digest of the day is told beside it.
Before-and-after follows from the facts themselves: a revision follows the revision before it, a
version "from" a day the version before that day, a correction the record it replaces, a further
reading the reading before. What has nothing before it is new.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from datetime import date
from typing import TYPE_CHECKING

from calfleet.errors import UnknownName
from calfleet.records import to_plain
from calfleet.store.queries import audit as audit_queries
from calfleet.store.queries import calibrations as calibration_queries
from calfleet.store.queries.audit import AuditEntry
from calfleet.store.work import digest_of

if TYPE_CHECKING:
    from sqlalchemy.orm import Session

__all__ = ["AuditEntry", "Change", "Head", "changes", "differences", "entries", "entry", "head"]

_ORDERED = re.compile(r"(?P<what>.+) (?P<by>rev|reading|decision) (?P<number>\d+)")
_DATED = re.compile(r"(?P<what>.+) (?P<by>from|on) (?P<day>\d{4}-\d\d-\d\d)")
FEW = 50
_NAMES = ("label", "set_point", "role", "name", "code", "phase", "direction", "run")
"""Fields that tell the items of a list apart, in the order in which they are said."""


@dataclass(frozen=True, slots=True)
class Change:
    """One field of one fact: what it was before (``None``: nothing) and what it is after."""

    kind: str
    key: str
    before_key: str | None
    field: str
    before: str | None
    after: str | None
    intact: bool
    """Whether the fact still has the digest that the entry noted."""


@dataclass(frozen=True, slots=True)
class Head:
    """The end of the trail: position and digest of its last entry (0 and zeros without one)."""

    position: int
    digest: str


def head(session: Session) -> Head:
    """The head of the trail as it is now."""
    entries = audit_queries.last_entry(session)
    return Head(0, "0" * 64) if entries is None else Head(*entries)


def entries(
    session: Session,
    *,
    by: str | None = None,
    since: date | None = None,
    about: str | None = None,
) -> list[AuditEntry]:
    """The entries, newest first: by one person, from a day on, about a subject or a fact's key.

    ``about`` is found anywhere in the subject or a key, letter case aside.
    """
    wanted = None if about is None else about.casefold()
    return [
        e
        for e in reversed(audit_queries.entries(session))
        if (by is None or e.actor.casefold() == by.casefold())
        and (since is None or e.at.date() >= since)
        and (
            wanted is None
            or wanted in e.subject.casefold()
            or any(wanted in key.casefold() for _, key, _ in e.facts())
        )
    ]


def entry(session: Session, position: int) -> AuditEntry:
    """The entry at that position.

    Raises: UnknownName.
    """
    for one in audit_queries.entries(session):
        if one.position == position:
            return one
    raise UnknownName(
        "audit entry", str(position), next_step=f"The last one is {head(session).position}."
    )


def changes(session: Session, one: AuditEntry) -> list[Change]:
    """What the entry changed, fact by fact and field by field, in the order entered.

    A fact that is no longer there has one change without values, not intact.
    """
    noted = list(one.facts())
    records: dict[tuple[str, str], object] = {}
    keys: dict[str, list[str]] = {}
    for kind, key, record in _facts_for(session, noted):
        records[kind, key] = record
        keys.setdefault(kind, []).append(key)
    found: list[Change] = []
    for kind, key, digest in noted:
        record = records.get((kind, key))
        if record is None:
            found.append(Change(kind, key, None, "(no longer there)", None, None, False))
            continue
        plain = to_plain(record)
        before_key = _before(key, plain, keys[kind])
        earlier = None if before_key is None else to_plain(records[kind, before_key])
        intact = digest_of(record) == digest
        found += [
            Change(kind, key, before_key, field, before, after, intact)
            for field, before, after in differences(earlier, plain)
        ]
    return found


def _facts_for(
    session: Session, noted: list[tuple[str, str, str]]
) -> Iterator[tuple[str, str, object]]:
    """Every fact, but of the calibrations only those noted, and what they replaced, where few."""
    wanted = {key for kind, key, _ in noted if kind == "calibration"}
    few = len(wanted) <= FEW
    yield from audit_queries.all_records(session, with_calibrations=not few)
    if not few:
        return
    for key in sorted(wanted):
        one = calibration_queries.calibration(session, key)
        if one is None:
            continue
        yield audit_queries.calibration_fact(one)
        replaced = one.bench.replaces
        if replaced is not None and replaced not in wanted:
            earlier = calibration_queries.calibration(session, replaced)
            if earlier is not None:
                yield audit_queries.calibration_fact(earlier)


def differences(before: object, after: object) -> Iterator[tuple[str, str | None, str | None]]:
    """(field, before, after) of every value that is not the same; without a before, of every value.

    Fields of nested data are joined by dots, items of lists named by what tells them apart.

    >>> list(differences({"a": "1", "b": ["x"]}, {"a": "2", "b": ["x"]}))
    [('a', '1', '2')]
    >>> list(differences(None, {"a": "1", "b": ""}))
    [('a', None, '1')]
    """
    old = dict(_flat(before)) if before is not None else {}
    new = dict(_flat(after))
    for field in dict.fromkeys([*new, *old]):
        if old.get(field) != new.get(field):
            yield field, old.get(field), new.get(field)


def _flat(value: object, path: str = "") -> Iterator[tuple[str, str]]:
    """Every value that is given, as text under its path; what is empty is left out."""
    if isinstance(value, Mapping):
        if path.endswith("budget"):
            # hundreds of figures that follow from the readings: that it changed is enough
            if value:
                yield path, f"digest {digest_of(value)[:16]}"
            return
        for key, item in value.items():
            yield from _flat(item, f"{path}.{key}" if path else str(key))
    elif isinstance(value, list):
        if all(not isinstance(item, Mapping | list) for item in value):
            if value:
                yield path, ", ".join(map(_text, value))
            return
        taken: set[str] = set()
        for number, item in enumerate(value, 1):
            name = _item_name(item)
            if not name or name in taken:
                name = str(number)
            taken.add(name)
            yield from _flat(item, f"{path}[{name}]")
    elif value is not None and value != "":
        yield path, _text(value)


def _item_name(item: object) -> str:
    if not isinstance(item, Mapping):
        return ""
    said = [str(item[name]) for name in _NAMES if isinstance(item.get(name), str | int)]
    return " ".join(said)


def _text(value: object) -> str:
    return {True: "yes", False: "no"}[value] if isinstance(value, bool) else str(value)


def _before(key: str, plain: object, known: Iterable[str]) -> str | None:
    """The key of the fact of the same kind that this one follows, if there is one."""
    replaces = None
    if isinstance(plain, Mapping):
        bench = plain.get("bench")
        inside = bench.get("replaces") if isinstance(bench, Mapping) else None
        replaces = plain.get("replaces") or inside
    if isinstance(replaces, str):
        return replaces if replaces in set(known) else None
    for pattern in (_ORDERED, _DATED):
        own = pattern.fullmatch(key)
        if own is None:
            continue
        earlier = []
        for other in known:
            match = pattern.fullmatch(other)
            if match and match["what"] == own["what"] and match["by"] == own["by"]:
                place = _place(match)
                if place < _place(own):
                    earlier.append((place, other))
        return max(earlier)[1] if earlier else None
    return None


def _place(match: re.Match[str]) -> tuple[int, str]:
    found = match.groupdict()
    return (int(found["number"]), "") if found.get("number") else (0, found["day"])
