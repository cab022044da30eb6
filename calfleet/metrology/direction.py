"""Rising or falling: from which side a pressure was approached."""

from __future__ import annotations

from enum import StrEnum


class Direction(StrEnum):
    """The way the pressure was moving when a reading was taken or a contact changed over."""

    RISING = "rising"
    FALLING = "falling"

    @property
    def opposite(self) -> Direction:
        """The other direction: a switch that trips rising resets falling.

        >>> Direction.RISING.opposite
        <Direction.FALLING: 'falling'>
        """
        return Direction.FALLING if self is Direction.RISING else Direction.RISING
