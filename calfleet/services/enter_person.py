"""A person, an area or a laboratory entered after the site was built."""

from __future__ import annotations

from collections.abc import Iterable

from calfleet.errors import RecordRefused, UsageError
from calfleet.records import Area, Laboratory, LaboratoryKind, Person
from calfleet.store import facts
from calfleet.store.queries import shop
from calfleet.store.work import Work


def enter_person(work: Work, code: str, name: str) -> Person:
    """The person as added, without any role; the caller commits.

    Raises: UsageError without a code or a name; RecordRefused for a code that is taken.
    """
    known = {p.code: p.name for p in shop.people(work.session).values()}
    made = Person(*_new("person", code, name, known))
    facts.add_person(work, made)
    return made


def enter_area(work: Work, code: str, name: str) -> Area:
    """The area as added; the caller commits. Raises: as ``enter_person``."""
    known = {a.code: a.name for a in shop.areas(work.session)}
    made = Area(*_new("area", code, name, known))
    facts.add_area(work, made)
    return made


def enter_laboratory(work: Work, code: str, name: str, kind: LaboratoryKind) -> Laboratory:
    """The laboratory as added, without accreditation; the caller commits.

    Raises: as ``enter_person``.
    """
    known = {p.code: p.name for p in shop.laboratories(work.session).values()}
    made = Laboratory(*_new("laboratory", code, name, known), kind)
    facts.add_laboratory(work, made)
    return made


def _new(kind: str, code: str, name: str, known: dict[str, str]) -> tuple[str, str]:
    """Code and name, tidied; the code is nobody else's, whatever the case of its letters."""
    code, name = " ".join(code.split()), " ".join(name.split())
    if not code or not name:
        raise UsageError(
            f"The {kind} has no {'name' if code else 'code'}.",
            rule="Each has a code and a name.",
            next_step="Give both.",
        )
    taken = next((k for k in known if k.casefold() == code.casefold()), None)
    if taken is not None:
        raise RecordRefused(
            f"The code {taken} is taken: {known[taken]}.",
            rule=f"A code names one {kind} for ever; letter case makes no other code.",
            next_step=f"Choose another code.{_near(code, known)}",
        )
    return code, name


def _near(code: str, known: Iterable[str]) -> str:
    """The codes that begin alike, to choose one that is free."""
    begin = code.rstrip("0123456789").casefold()
    alike = sorted(k for k in known if k.casefold().startswith(begin))
    return f" Taken: {', '.join(alike)}." if alike else ""
