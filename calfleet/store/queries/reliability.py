"""How often switches of a family were found in tolerance, and how well that was measured."""

from __future__ import annotations

import math
from datetime import date
from typing import TYPE_CHECKING, NamedTuple

from calfleet.store.queries.reader import NUMBER, ask, question

if TYPE_CHECKING:
    from calfleet.store.queries.reader import Reader


class FoundInTolerance(NamedTuple):
    """``inside`` of ``tested`` as-found results; ``left_out`` had no judged reading.

    ``u_ratio``: root mean square of standard uncertainty over half the tolerance, of the
    two-sided ones; ``None`` where there was none.
    """

    inside: int = 0
    tested: int = 0
    left_out: int = 0
    u_ratio: float | None = None


_AS_FOUND = question(
    """
    SELECT v.family,
           SUM(CASE WHEN r.category LIKE 'inside%' THEN 1 ELSE 0 END) AS inside,
           SUM(CASE WHEN r.category <> 'not judged' THEN 1 ELSE 0 END) AS tested,
           SUM(CASE WHEN r.category = 'not judged' THEN 1 ELSE 0 END) AS left_out,
           AVG(4 * r.standard_uncertainty * r.standard_uncertainty
               / ((r.upper_limit - r.lower_limit) * (r.upper_limit - r.lower_limit))) AS square
    FROM calibration_result r
    JOIN calibration c ON c.id = r.calibration_id
    JOIN switch_revision v ON v.id = c.switch_revision_id
    WHERE r.phase = 'as-found' AND c.performed_on <= :day
      AND NOT EXISTS (SELECT 1 FROM calibration n WHERE n.replaces_id = c.id)
    GROUP BY v.family ORDER BY v.family
    """,
    inside=int,
    tested=int,
    left_out=int,
    square=NUMBER,
)


def found_in_tolerance(reader: Reader, day: date) -> dict[str, FoundInTolerance]:
    """Per switch family the as-found results until ``day`` inside the tolerance, that count.

    A function that failed counts as outside (a blank is never taken for inside); a result that
    could not be judged is left out and counted apart. Corrected records are left out.
    """
    return {
        family: FoundInTolerance(
            inside, tested, left_out, None if square is None else math.sqrt(square)
        )
        for family, inside, tested, left_out, square in ask(reader, _AS_FOUND, day=day)
    }
