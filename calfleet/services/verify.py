"""Verifying a site: nothing was changed behind its back, and every figure can be derived again.

What is checked: the database's own integrity and references; every append-only guard; the chain
of the audit trail; every fact against the digest noted when it was entered, and that nothing is
there that the trail does not know; every stored figure of every calibration, computed again from
its raw readings; every attached file against the digest it was attached with.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, fields
from typing import TYPE_CHECKING

from calfleet.errors import CalfleetError
from calfleet.records import Calibration, KeptFile, Result
from calfleet.services.attach import check_files
from calfleet.services.bench_facts import gather
from calfleet.services.history import Spread
from calfleet.services.record import Context, judge_record
from calfleet.store import integrity
from calfleet.store.queries import audit as audit_queries
from calfleet.store.queries import calibrations as calibration_queries
from calfleet.store.queries import papers
from calfleet.store.queries import switches as switch_queries
from calfleet.store.queries.audit import AuditEntry
from calfleet.store.queries.papers import HeldAttachment

if TYPE_CHECKING:
    from sqlalchemy.orm import Session

NO_ENTRY = "0" * 64
CLOSE = 1e-9
"""Relative difference below which a figure counts as the same: another processor or library may
differ in the last bits."""


@dataclass(frozen=True, slots=True)
class Difference:
    """Something that is not as it should be: which check, where, what."""

    check: str
    where: str
    text: str


@dataclass(frozen=True, slots=True)
class Verification:
    """What was checked and what was found; ``head`` is the digest of the last audit entry."""

    entries: int
    facts: int
    figures: int
    head: str
    head_position: int
    differences: tuple[Difference, ...]
    files: int = 0
    remarks: tuple[Difference, ...] = ()
    """What is worth knowing and no difference: files left by an attaching that was broken off."""


def verify(
    session: Session,
    *,
    kept_head: str | None = None,
    files: Iterable[KeptFile] | None = None,
    with_figures: bool = True,
    progress: Callable[[str], None] = lambda _: None,
) -> Verification:
    """Everything checked, every difference named; nothing is written.

    ``kept_head``: a digest kept elsewhere earlier; it must still be in the trail, else the
    history before it was rewritten. ``files``: what lies in the folder of attachments; ``None``
    leaves them unchecked. ``with_figures``: work every figure out again, which takes longest.
    """
    found: list[Difference] = []
    progress("Database, references and guards")
    found += [Difference(check, where, text) for check, where, text in integrity.problems(session)]
    progress("Audit trail")
    entries = audit_queries.entries(session)
    found += _chain(entries, kept_head)
    progress("Facts against their digests")
    count, differences = _facts(session, entries)
    found += differences
    figures = 0
    if with_figures:
        progress("Figures, from the raw readings")
        for number in _figures(session, found):
            figures += number
    remarks: list[Difference] = []
    attached = _attached(session, found)
    if files is not None:
        progress("Attached files")
        for wrong, where, text in check_files(attached, files):
            (found if wrong else remarks).append(Difference("attachments", where, text))
    last = entries[-1] if entries else None
    return Verification(
        entries=len(entries),
        facts=count,
        figures=figures,
        head=last.digest if last else NO_ENTRY,
        head_position=last.position if last else 0,
        differences=tuple(found),
        files=0 if files is None else len({a.attachment.digest for a in attached}),
        remarks=tuple(remarks),
    )


def _attached(session: Session, found: list[Difference]) -> list[HeldAttachment]:
    try:
        return papers.attachments(session)
    except (ValueError, TypeError) as error:
        text = f"A stored value cannot be read: {error}."
        found.append(Difference("attachments", "database", text))
        return []


def _chain(entries: list[AuditEntry], kept_head: str | None) -> Iterator[Difference]:
    """Each entry's digest is that of its words, and names the one before; none is missing."""
    previous = NO_ENTRY
    for place, entry in enumerate(entries, 1):
        where = f"audit entry {entry.position}"
        if entry.position != place:
            yield Difference("audit trail", where, f"Entry {place} is missing before it.")
        if entry.previous != previous:
            yield Difference("audit trail", where, "It does not follow the entry before it.")
        if entry.recomputed() != entry.digest:
            yield Difference("audit trail", where, "Its words are not those it was sealed with.")
        previous = entry.digest
    if kept_head is not None and kept_head not in {e.digest for e in entries}:
        yield Difference(
            "audit trail", "head kept elsewhere", "It is not in this trail: history was rewritten."
        )


def _facts(session: Session, entries: list[AuditEntry]) -> tuple[int, list[Difference]]:
    noted: dict[tuple[str, str], list[str]] = {}
    for entry in entries:
        for kind, key, digest in entry.facts():
            noted.setdefault((kind, key), []).append(digest)
    found: list[Difference] = []
    count = 0
    try:
        for kind, key, digest in audit_queries.all_facts(session):
            count += 1
            where = f"{kind} {key}"
            if (kind, key) not in noted:
                found.append(Difference("facts", where, "The audit trail does not know it."))
            elif digest not in noted[kind, key]:
                found.append(Difference("facts", where, "It is not as it was entered."))
            else:
                noted[kind, key].remove(digest)
                if not noted[kind, key]:
                    del noted[kind, key]
    except (ValueError, KeyError, TypeError, ArithmeticError) as error:
        # a value no writer of ours would have stored
        found.append(Difference("facts", "database", f"A stored value cannot be read: {error}."))
        return count, found
    wrong = {f.where for f in found}
    found += [
        Difference("facts", f"{kind} {key}", "It was entered, but is no longer there.")
        for kind, key in noted
        if f"{kind} {key}" not in wrong
    ]
    return count, found


def _figures(session: Session, found: list[Difference]) -> Iterator[int]:
    """The number of figures checked of each calibration; differences are added to ``found``.

    Judged in the order in which they were entered, with the pooled repeatability of those before,
    as it was then.
    """
    try:
        facts = gather(session)
        switches: dict[str, list] = {}  # type: ignore[type-arg]
        for sheet in switch_queries.revisions(session):
            switches.setdefault(sheet.tag, []).append(sheet)
    except _UNREADABLE as error:
        found.append(Difference("figures", "database", f"A stored value cannot be read: {error}."))
        return
    spread = Spread()
    facts = _with_spread(facts, spread)
    context = Context(facts, switches, {})
    for one in _as_entered(session, found):
        if one.bench.replaces is not None:
            spread.remove(one.bench.replaces)  # as it was judged: without what it corrects
        try:
            again = judge_record(
                context,
                one.bench,
                today=max(one.recorded_at.date(), one.bench.performed_on),
                at=one.recorded_at,
                strict=False,
            )
        except CalfleetError as error:
            found.append(Difference("figures", one.number, f"Cannot be judged: {error.message}"))
            continue
        yield sum(1 for _ in _compare(one, again, found))
        spread.add(one, tuple(switches[one.bench.tag]))


_UNREADABLE = (ValueError, KeyError, TypeError, ArithmeticError)
"""What a value raises that no writer of ours would have stored."""


def _as_entered(session: Session, found: list[Difference]) -> Iterator[Calibration]:
    """Every calibration in the order of entry, one after the other, up to one that is no record."""
    try:
        yield from calibration_queries.each_calibration(session)
    except _UNREADABLE as error:
        found.append(Difference("figures", "database", f"A stored value cannot be read: {error}."))


def _with_spread(facts, spread: Spread):  # type: ignore[no-untyped-def]
    from dataclasses import replace

    return replace(facts, repeatability=spread.pooled)


def _compare(
    one: Calibration, again: Calibration, found: list[Difference]
) -> Iterator[tuple[str, str]]:
    older = ""
    if one.evaluation_version != again.evaluation_version:
        older = (
            f" It was computed by version {one.evaluation_version}, now by version "
            f"{again.evaluation_version}: see the list of changes."
        )
    stored = {(r.set_point, r.phase): r for r in one.results}
    derived = {(r.set_point, r.phase): r for r in again.results}
    for key in stored.keys() | derived.keys():
        where = f"{one.number} {key[0]} {key[1]}"
        if key not in stored or key not in derived:
            text = "There are readings but no result." if key in derived else "No readings."
            found.append(Difference("figures", where, text))
            continue
        for field in fields(Result):
            a, b = getattr(stored[key], field.name), getattr(derived[key], field.name)
            yield where, field.name
            if not _same(a, b):
                found.append(
                    Difference(
                        "figures", where, f"{field.name} is stored as {_shown(a)}; from the "
                        f"readings it is {_shown(b)}.{older}",
                    )
                )  # fmt: skip


def _same(a: object, b: object) -> bool:
    if isinstance(a, float) and isinstance(b, float):
        return math.isclose(a, b, rel_tol=CLOSE, abs_tol=1e-12)
    if isinstance(a, dict) and isinstance(b, dict):
        return a.keys() == b.keys() and all(_same(a[k], b[k]) for k in a)
    if isinstance(a, list) and isinstance(b, list):
        return len(a) == len(b) and all(_same(x, y) for x, y in zip(a, b, strict=True))
    return a == b


def _shown(value: object) -> str:
    text = str(value)
    return text if len(text) <= 60 else text[:57] + "..."
