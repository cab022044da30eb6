"""Switches recalled because a gauge was found bad: due at once, until calibrated again."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import date
from typing import TYPE_CHECKING

from calfleet.scheduling.due import Standing, Status
from calfleet.store.queries.doubts import Recalled, recalled

if TYPE_CHECKING:
    from calfleet.store.queries.reader import Reader


def recalls(
    reader: Reader, as_of: date, performed: Mapping[str, Sequence[date]]
) -> dict[str, Recalled]:
    """Per tag the first recall that stands on ``as_of``: no calibration of the switch since.

    ``performed``: the days on which each tag was calibrated. A calibration counts that was done
    after the gauge was found bad and after the one that is recalled. Closing an event does not
    calibrate a switch: the recall stands.
    """
    found: dict[str, Recalled] = {}
    for one in recalled(reader, as_of):
        since = max(one.found_on, one.performed_on)
        done = any(since < day <= as_of for day in performed.get(one.tag, ()))
        if not done and one.tag not in found:
            found[one.tag] = one
    return found


def with_recall(standing: Standing, one: Recalled | None) -> Standing:
    """``standing``, or due since the decision when the switch was recalled."""
    if one is None:
        return standing
    due_on = min(one.decided_on, standing.due_on or one.decided_on)
    calendar = f" By the calendar {standing.due_on}." if standing.due_on else ""
    return replace(
        standing,
        status=Status.OVERDUE,
        due_on=due_on,
        latest_on=due_on,
        original_due_on=standing.due_on,
        why=f"Due at once, recalled: event {one.event} ({one.calibration} of {one.performed_on} "
        f"rests on a gauge found bad on {one.found_on}), until it is calibrated again.{calendar}",
    )
