"""Finding what somebody meant: an exact name, else an error with the nearest ones."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import TypeVar

from calfleet.errors import UnknownName

Thing = TypeVar("Thing")


def nearest_names(name: str, known: Iterable[str], count: int = 4) -> list[str]:
    """Up to ``count`` of ``known`` that look most like ``name``, best first; may be empty."""
    import difflib

    folded = {k.casefold(): k for k in known}
    wanted = name.strip().casefold()
    close = difflib.get_close_matches(wanted, folded, n=count, cutoff=0.5)
    inside = [k for k in folded if wanted and wanted in k and k not in close]
    return [folded[k] for k in (*close, *sorted(inside))][:count]


def pick(kind: str, name: str, known: Mapping[str, Thing], *, next_step: str = "") -> Thing:
    """``known[name]``; letter case does not matter where that is unambiguous.

    Raises: UnknownName with the nearest names.
    """
    if name in known:
        return known[name]
    folded = [k for k in known if k.casefold() == name.strip().casefold()]
    if len(folded) == 1:
        return known[folded[0]]
    raise UnknownName(kind, name, nearest_names(name, known), next_step=next_step)


def pick_policy(code: str, policies: Iterable[str]) -> str:
    """The interval policy's code as recorded.

    Raises: UnknownName with the nearest codes, or all of them where none is near.
    """
    known = sorted(policies)
    told = f"The site has {', '.join(known)}." if known else "'calfleet policy' sets one."
    near = nearest_names(code, known)
    return pick("interval policy", code, {p: p for p in known}, next_step="" if near else told)
