"""What many judgements share, made once."""

from __future__ import annotations

from collections.abc import Callable
from typing import TypeVar, cast

Thing = TypeVar("Thing")


class Once:
    """What is made of records that many judgements share, made once for each.

    A record is known again by being the very same object, which is kept here with what was made.
    """

    def __init__(self) -> None:
        self._made: dict[tuple[object, ...], tuple[tuple[object, ...], object]] = {}

    def of(self, kind: object, make: Callable[[], Thing], *records: object) -> Thing:
        """What ``make`` gives, called the first time only for this kind and these records."""
        key = (kind, *map(id, records))
        held = self._made.get(key)
        if held is None:
            held = self._made[key] = (records, make())
        return cast("Thing", held[1])
