"""A plan made better week by week: the jobs of a few weeks placed anew, to the optimum.

First the weeks around each job that found no place, most critical first; then, where no earlier
plan is to be kept to, stretches of weeks from the first to the last. Each step is an integer
program (see ``plan_exact``) small enough to be solved at once, and is kept when the whole plan
costs less. What limits it are counts, not a clock, so that the same input gives the same plan.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from calfleet.scheduling.plan_cost import Place, objective
from calfleet.scheduling.plan_exact import Part, choices_of, part_of, solve_exactly
from calfleet.scheduling.plan_grid import Grid

STEP_CHOICES = 600
"""At most so many choices of week, person and gauge in one step."""
BUDGET = 18_000
"""So many choices in all steps together."""
NODES = 5
NEAR = 0.005
"""A step need not be nearer to its optimum than this fraction."""
ROUNDS = 2
_GAIN = 1e-6


def refined(
    grid: Grid, places: Sequence[Place | None], *, budget: int = BUDGET
) -> list[Place | None]:
    """Places that cost no more than ``places``, by solving one stretch of weeks after another."""
    best = list(places)
    cost = objective(grid, best).total
    left = budget
    for _ in range(ROUNDS):
        before = cost
        for part in _parts(grid, best):
            size = choices_of(grid, part)
            if size > left:
                return best
            left -= size
            found = solve_exactly(grid, nodes=NODES, gap=NEAR, part=part).places
            if found is None:
                continue
            now = objective(grid, found).total
            if now < cost - _GAIN:
                best, cost = found, now
        if cost > before - max(1.0, 0.001 * before):
            break
    return best


def _parts(grid: Grid, best: list[Place | None]) -> Iterator[Part]:
    """The stretches to solve, of the plan as it is when each one comes up."""
    left_out = [j for j in grid.placeable if best[j] is None]
    for j in sorted(left_out, key=lambda j: (-grid.unplanned_cost(j), j)):
        if best[j] is None:
            part = _around(grid, best, sorted(grid.days[j]))
            if part is not None:
                yield part
    week = 0
    while week < len(grid.weeks) and not grid.given.previous:
        part = _around(grid, best, [week])
        if part is None:
            week += 1
            continue
        yield part
        week += max(1, len(part.weeks) // 2)


def _around(grid: Grid, best: list[Place | None], core: list[int]) -> Part | None:
    """As many weeks around ``core`` as one step can solve; ``None``: not even one of them."""
    found: Part | None = None
    weeks: list[int] = []
    reach = [*core, *_outward(core, len(grid.weeks))]
    for week in reach:
        part = part_of(grid, best, [*weeks, week])
        if choices_of(grid, part) > STEP_CHOICES:
            break
        weeks.append(week)
        found = part
    return found if found is not None and found.loose else None


def _outward(core: list[int], count: int) -> Iterator[int]:
    """The weeks after and before ``core``, nearest first."""
    for n in range(1, count):
        if core[-1] + n < count:
            yield core[-1] + n
        if core[0] - n >= 0:
            yield core[0] - n
