"""On which day of its week each job of a plan begins: a proposal, made after the levelling.

Each person does first what is due first, on the first day on which job, person and gauge agree and
on which the person has minutes left; what does not fit into a day goes on the next one. Where the
order of due dates would leave a job without room, the one whose days end sooner goes first.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace

from calfleet.scheduling.plan_grid import Grid
from calfleet.scheduling.plan_model import Assignment


def with_days(assignments: Iterable[Assignment], grid: Grid) -> list[Assignment]:
    """The assignments with a day each, in the order given."""
    held = list(assignments)
    number = {job.key: j for j, job in enumerate(grid.jobs)}
    rows: dict[tuple[int, int], list[tuple[int, int]]] = {}
    place: dict[str, tuple[int, int]] = {}
    for a in held:
        week, worker = grid.index_of[a.week], grid.worker_no[a.worker]
        place[a.key] = week, worker
        rows.setdefault((week, worker), []).append((number[a.key], _bits(grid, number[a.key], a)))
    weekday: dict[int, int] = {}
    for (week, worker), jobs in rows.items():
        found: dict[int, int] = {}
        for by_due in (True, False):
            found = _in_turn(grid, week, worker, jobs, by_due=by_due)
            if len(found) == len(jobs):
                break
        weekday |= {j: bits.bit_length() - 1 for j, bits in jobs} | found
    return [replace(a, day=grid.day(place[a.key][0], weekday[number[a.key]])) for a in held]


def _bits(grid: Grid, j: int, a: Assignment) -> int:
    week = grid.index_of[a.week]
    hands = grid.worker_no[a.worker], grid.gauge_no[a.gauge]
    return next(c.bits for c in grid.combos(j, week) if (c.worker, c.gauge) == hands)


def _in_turn(
    grid: Grid, week: int, worker: int, jobs: list[tuple[int, int]], *, by_due: bool
) -> dict[int, int]:
    """Job -> the weekday on which it begins, for the jobs that found room."""
    rate = grid.worker_rate[worker][week]
    left = [rate if grid.worker_days[worker][week] >> d & 1 else 0 for d in range(7)]

    def urgency(item: tuple[int, int]) -> tuple[object, ...]:
        j, bits = item
        due, ends = grid.jobs[j].due_on, bits.bit_length()
        return (due, ends, j) if by_due else (ends, due, j)

    found: dict[int, int] = {}
    for j, bits in sorted(jobs, key=urgency):
        need = grid.minutes[j]
        taken: list[tuple[int, int]] = []
        for d in range(7):
            if bits >> d & 1 and left[d] > 0 and need > 0:
                taken.append((d, min(need, left[d])))
                need -= taken[-1][1]
        if need == 0:
            for d, minutes in taken:
                left[d] -= minutes
            found[j] = taken[0][0]
    return found
