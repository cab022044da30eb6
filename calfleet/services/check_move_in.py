"""What a dry run of a move-in told, as a short value that the run can be held to."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterable, Mapping, Sequence
from typing import TYPE_CHECKING

from calfleet.errors import Problem, RecordRefused

if TYPE_CHECKING:
    from calfleet.services.comparison import Comparison
    from calfleet.services.move_in import HistoryJudged

_PARTS = ("the files are not the same", "the mapping is another", "the outcome is another")
_OF_THE_DAY = frozenset({"effective on", "reason"})
"""Fields of a revision that a run may fill otherwise than the dry run: its day, its reason."""


def check_value(
    files: Sequence[tuple[str, str]],
    mapping: Mapping[str, object],
    comparison: Comparison,
    judged: HistoryJudged,
    problems: Iterable[Problem],
) -> str:
    """Three groups of six digits (hex): of the files, of the mapping, and of the outcome.

    ``files``: name and SHA-256 of each. The outcome is what becomes of each record, which fields
    change, why it is refused, the verdicts and findings of each calibration, and the ``problems``
    that reading found. It is no protection against intent: 24 bits of SHA-256 each.
    """
    outcome: list[object] = [
        [
            item.kind, item.key, str(item.state), item.message,
            [[c.field, c.before, c.after] for c in item.changes if c.field not in _OF_THE_DAY],
        ]
        for item in comparison.items
    ]  # fmt: skip
    outcome.append(judged.digest)
    outcome += [[each.where, each.message] for each in problems]
    return "-".join(map(_digits, (sorted(files), mapping, outcome)))


def _digits(part: object) -> str:
    text = json.dumps(part, sort_keys=True, default=str, ensure_ascii=False)
    return hashlib.sha256(text.encode("utf-8", "surrogatepass")).hexdigest()[:6]


def refuse_other(checked: str, found: str) -> None:
    """Nothing where both values are the same. Raises: RecordRefused, which says what differs."""
    if checked == found:
        return
    pairs = zip(checked.split("-"), found.split("-"), _PARTS, strict=True)
    differ = [said for a, b, said in pairs if a != b]
    cause = differ[0] if len(differ) == 1 else f"{', '.join(differ[:-1])} and {differ[-1]}"
    if differ == [_PARTS[-1]]:
        cause += ", so what the site holds, the day, or who moves in is another"
    raise RecordRefused(
        f"This is not what the dry run {checked} told: {cause}.",
        rule="Nothing is added but what the dry run told.",
        next_step="Do the dry run again for the same person and read it; its value is now "
        f"{found}.",
    )
