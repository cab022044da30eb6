"""Places for many jobs: insertion, ejection, and search for cheaper ones; always the same way.

The state never breaks a hard rule: every step looks for room first.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence

from calfleet.scheduling.plan_cost import Place
from calfleet.scheduling.plan_grid import SPANS, Combo, Grid, hull

_EPSILON = 1e-7
_FULL = -1.0
_DEAR = 10.0  # minutes above its cheapest week from which others are moved for a job
_FORCED = 400
_VISIT = 60  # jobs of an area in a week up to which it is tried to move them all
_EJECTIONS = 60_000  # so many times in all another job is lifted to see whether room appears
_FORCES = 60_000  # the same, in each pass of the search
_TIE = 1e-4  # per unit of share: equal costs go to the person who has least to do


class Bin:
    """The minutes of one person or gauge in one week, and of the work bound to some of its days."""

    __slots__ = ("bits", "cap", "hi", "lo", "load", "rate", "short")

    def __init__(self, bits: int, rate: int) -> None:
        self.bits = bits
        self.rate = rate
        self.cap = rate * bits.bit_count()
        self.load = 0
        self.lo, self.hi = hull(bits) if bits else (0, 6)
        self.short: Counter[tuple[int, int]] = Counter()

    def takes(self, minutes: int, lo: int, hi: int) -> bool:
        """Whether work of ``minutes`` that falls on days ``lo`` to ``hi`` still fits."""
        if self.load + minutes > self.cap:
            return False
        if lo <= self.lo and hi >= self.hi:
            return True
        for a in range(lo, self.lo - 1, -1):
            for b in range(hi, self.hi + 1):
                if a == self.lo and b == self.hi:
                    continue
                inside = sum(n for (x, y), n in self.short.items() if a <= x and y <= b)
                if inside + minutes > self.rate * (self.bits & SPANS[a][b]).bit_count():
                    return False
        return True

    def add(self, minutes: int, lo: int, hi: int) -> None:
        self.load += minutes
        if not (lo <= self.lo and hi >= self.hi):
            self.short[lo, hi] += minutes
            if not self.short[lo, hi]:
                del self.short[lo, hi]


class Search:
    """Jobs in their places, with everything that a change of place needs to know."""

    def __init__(self, grid: Grid, *, peak: float = 0.0) -> None:
        self.grid = grid
        weeks = range(len(grid.weeks))
        self.place: list[Place | None] = [None] * len(grid.jobs)
        self.spans: list[tuple[int, int]] = [(0, 6)] * len(grid.jobs)
        self.worker_bins = [
            [Bin(row[w], rates[w]) for w in weeks]
            for row, rates in zip(grid.worker_days, grid.worker_rate, strict=True)
        ]
        self.gauge_bins = [
            [Bin(row[w], rate) for w in weeks] if rate is not None else None
            for row, rate in zip(grid.gauge_days, grid.gauge_rate, strict=True)
        ]
        self.week_load = [0] * len(grid.weeks)
        self.visits: Counter[tuple[int, int]] = Counter()
        self.setups: Counter[tuple[int, int]] = Counter()
        self.in_week: list[set[int]] = [set() for _ in weeks]
        self.order = [[w for _, w in sorted((c, w) for w, c in cost.items())] for cost in grid.cost]
        self.peak = peak
        self.ceiling = 1.0
        self.effort = 0  # a count, not a clock: the result must not depend on the machine

    # --- single steps -----------------------------------------------------------------

    def put(self, j: int, week: int, combo: Combo) -> None:
        lo, hi = hull(combo.bits)
        self._shift(j, week, combo.worker, combo.gauge, lo, hi, +1)
        self.place[j] = (week, combo.worker, combo.gauge)
        self.spans[j] = (lo, hi)
        self.in_week[week].add(j)

    def take(self, j: int) -> tuple[int, Combo]:
        """The place of ``j``, which has none afterwards."""
        place = self.place[j]
        if place is None:
            raise LookupError(j)
        week, worker, gauge = place
        lo, hi = self.spans[j]
        self._shift(j, week, worker, gauge, lo, hi, -1)
        self.place[j] = None
        self.in_week[week].discard(j)
        return week, Combo(worker, gauge, SPANS[lo][hi])

    def _shift(self, j: int, week: int, k: int, g: int, lo: int, hi: int, sign: int) -> None:
        minutes = sign * self.grid.minutes[j]
        self.worker_bins[k][week].add(minutes, lo, hi)
        bins = self.gauge_bins[g]
        if bins is not None:
            bins[week].add(minutes, lo, hi)
        self.week_load[week] += minutes
        self.visits[self.grid.area[j], week] += sign
        self.setups[g, week] += sign

    def fits(self, j: int, week: int, combo: Combo) -> bool:
        """Whether person and gauge have room; redundant partners are looked at elsewhere."""
        if not self.person_fits(j, week, combo):
            return False
        bins = self.gauge_bins[combo.gauge]
        return bins is None or bins[week].takes(self.grid.minutes[j], *hull(combo.bits))

    def person_fits(self, j: int, week: int, combo: Combo) -> bool:
        """Whether the person has room, whatever the gauge has."""
        minutes = self.grid.minutes[j]
        bin_ = self.worker_bins[combo.worker][week]
        if bin_.load + minutes > self.ceiling * bin_.cap:
            return False
        return bin_.takes(minutes, *hull(combo.bits))

    def clear_of_partners(self, j: int, week: int) -> bool:
        apart = self.grid.apart[j]
        for i in self.grid.group[j]:
            place = self.place[i]
            if i != j and place is not None and abs(place[0] - week) < apart:
                return False
        return True

    def taken_hands(self, j: int) -> set[tuple[int, int]]:
        tag = self.grid.jobs[j].tag
        return {
            place[1:]
            for i in self.grid.group[j]
            if (place := self.place[i]) is not None and self.grid.jobs[i].tag != tag
        }

    def best(
        self,
        j: int,
        *,
        below: float = float("inf"),
        weeks: Sequence[int] | None = None,
        avoid: int = -1,
    ) -> tuple[float, int, Combo] | None:
        """The cheapest place with room for ``j``: added cost, week, hands; ``None``: none.

        Only places that add less than ``below``; only ``weeks`` (any order), never ``avoid``.
        """
        grid, weights = self.grid, self.grid.weights
        cost, minutes, area = grid.cost[j], grid.minutes[j], grid.area[j]
        rank, before = grid.rank[j], grid.previous[j]
        taken = self.taken_hands(j) if grid.group[j] else ()
        found: tuple[float, int, Combo] | None = None
        for week in self.order[j] if weeks is None else weeks:
            base = cost[week]
            if base >= below:
                if weeks is None:
                    break
                continue
            if week == avoid:
                continue
            if not self.visits[area, week]:
                base += weights.area_visit
            over = self.week_load[week] + minutes - grid.level[week]
            if over > 0:
                base += weights.above_level * min(over, minutes)
            if base >= below or (grid.group[j] and not self.clear_of_partners(j, week)):
                continue
            shares: dict[int, float] = {}
            for combo in grid.combos(j, week):
                worker = combo.worker
                share = shares.get(worker, 0.0)
                if not share:
                    bin_ = self.worker_bins[worker][week]
                    load = bin_.load + minutes
                    share = load / bin_.cap if load <= self.ceiling * bin_.cap else _FULL
                    shares[worker] = share
                if share == _FULL:
                    continue
                added = base + _TIE * share + weights.preference * rank[combo.gauge]
                if (
                    before is not None
                    and before[0] == week
                    and before != (week, worker, combo.gauge)
                ):
                    added += weights.moved_hands
                if share > self.peak:
                    added += weights.peak * (share - self.peak)
                if added < below and not self.setups[combo.gauge, week]:
                    added += weights.gauge_setup
                if (
                    added < below
                    and (worker, combo.gauge) not in taken
                    and self.fits(j, week, combo)
                ):
                    below = added
                    found = added, week, combo
        return found

    def insert(self, j: int, *, weeks: Sequence[int] | None = None) -> bool:
        """Whether ``j`` was put in its cheapest place."""
        found = self.best(j, weeks=weeks)
        if found is None:
            return False
        self.put(j, found[1], found[2])
        return True

    # --- building ---------------------------------------------------------------------

    def build(self, hints: Mapping[int, Sequence[int]], keep: bool) -> None:
        """A place for as many jobs as can be found one.

        ``hints``: weeks to try first, best first. ``keep``: start from the previous plan's places.
        """
        grid = self.grid
        order = sorted(grid.placeable, key=self._urgency)
        fixed = [j for j in order if grid.jobs[j].fixed is not None]
        for j in fixed:
            self.insert(j)
        if keep:
            for j in order:
                if self.place[j] is None:
                    self._as_before(j)
        for wanted in (1, 2):
            for j in order:
                weeks = hints.get(j, ())
                if self.place[j] is None and weeks and (wanted == 2 or len(weeks) == 1):
                    self.insert(j, weeks=weeks)
        self.effort = _EJECTIONS
        for j in order:
            if self.place[j] is None and not self.insert(j):
                self.eject_for(j)

    def _urgency(self, j: int) -> tuple[object, ...]:
        job = self.grid.jobs[j]
        return (len(self.grid.days[j]) > 2, job.criticality.rank, -job.minutes, j)

    def _as_before(self, j: int) -> None:
        before = self.grid.previous[j]
        if before is None or before[0] not in self.grid.days[j]:
            return
        week, worker, gauge = before
        if not self.clear_of_partners(j, week):
            return
        taken = self.taken_hands(j)
        for combo in self.grid.combos(j, week):
            if (
                (combo.worker, combo.gauge) == (worker, gauge)
                and (worker, gauge) not in taken
                and self.fits(j, week, combo)
            ):
                self.put(j, week, combo)
                return

    def eject_for(self, j: int, depth: int = 2) -> bool:
        """Whether ``j`` found room by moving others; as a last resort, one worth less gives way."""
        if self._swap_in(j, depth):
            return True
        worth = self.grid.unplanned_cost(j)
        for week in self.order[j]:
            for i in self._blockers(j, week):
                if self.grid.unplanned_cost(i) >= worth:
                    continue
                old = self.take(i)
                if self.insert(j, weeks=(week,)):
                    if not self.insert(i):
                        self._swap_in(i, depth - 1)
                    return True
                self.put(i, *old)
        return False

    def _swap_in(self, j: int, depth: int) -> bool:
        if depth <= 0:
            return False
        tried = 0
        for week in self.order[j]:
            for i in self._blockers(j, week):
                tried += 1
                self.effort -= 1
                if tried > 400 or self.effort < 0:
                    return False
                old = self.take(i)
                if self.insert(j, weeks=(week,)):
                    if self.insert(i):
                        return True
                    if depth > 1 and self._swap_in(i, depth - 1):
                        return True
                    self.take(j)
                self.put(i, *old)
        return False

    def _blockers(self, j: int, week: int) -> list[int]:
        """Jobs whose leaving might make room for ``j`` in ``week``, most promising first."""
        grid = self.grid
        workers = {c.worker for c in grid.combos(j, week)}
        gauges = {c.gauge for c in grid.combos(j, week)}
        found = set()
        for i in self.in_week[week]:
            place = self.place[i]
            if place is not None and (place[1] in workers or place[2] in gauges):
                found.add(i)
        for i in grid.group[j]:
            place = self.place[i]
            if i != j and place is not None:
                found.add(i)
        need = grid.minutes[j]
        return sorted(
            (i for i in found if grid.jobs[i].fixed is None),
            key=lambda i: (grid.minutes[i] < need, -len(grid.days[i]), grid.minutes[i], i),
        )[:60]

    # --- improving --------------------------------------------------------------------

    def improve(self, passes: int) -> None:
        """Cheaper places, job by job and visit by visit, until none is found or passes end."""
        for _ in range(passes):
            self.peak = self.true_peak()
            moved = self._relocate(self.grid.placeable)
            moved += self._close_visits()
            moved += self._lower_peak()
            moved += self._force_in()
            if not moved:
                return

    def true_peak(self) -> float:
        return max((b.load / b.cap for row in self.worker_bins for b in row if b.load), default=0.0)

    def _relocate(self, jobs: Iterable[int]) -> int:
        moved = 0
        for j in jobs:
            if self.place[j] is None:
                moved += self.insert(j)
                continue
            week, combo = self.take(j)
            found = self.best(j, below=self._added(j, week, combo) - _EPSILON - 2 * _TIE)
            if found is None:
                self.put(j, week, combo)
            else:
                self.put(j, found[1], found[2])
                moved += 1
        return moved

    def _added(self, j: int, week: int, combo: Combo) -> float:
        """What ``j`` costs in this place, on top of the state without it."""
        grid, weights = self.grid, self.grid.weights
        minutes = grid.minutes[j]
        bin_ = self.worker_bins[combo.worker][week]
        share = (bin_.load + minutes) / bin_.cap
        added = grid.cost[j][week] + grid.hands_cost(j, week, combo.worker, combo.gauge)
        added += _TIE * share
        if not self.visits[grid.area[j], week]:
            added += weights.area_visit
        if not self.setups[combo.gauge, week]:
            added += weights.gauge_setup
        over = self.week_load[week] + minutes - grid.level[week]
        if over > 0:
            added += weights.above_level * min(over, minutes)
        if share > self.peak:
            added += weights.peak * (share - self.peak)
        return added

    def _close_visits(self) -> int:
        """How many area visits were saved by moving all jobs of one to other weeks."""
        grid = self.grid
        rooms: dict[tuple[int, int], list[int]] = {}
        for j in grid.placeable:
            place = self.place[j]
            if place is not None:
                rooms.setdefault((grid.area[j], place[0]), []).append(j)
        saved = 0
        for (area, week), _ in sorted(rooms.items(), key=lambda item: (len(item[1]), item[0])):
            jobs = [j for j in self.in_week[week] if grid.area[j] == area]
            if not 1 < len(jobs) <= _VISIT or any(grid.jobs[j].fixed is not None for j in jobs):
                continue
            saved += self._try_moving(sorted(jobs), week)
        return saved

    def _try_moving(self, jobs: list[int], week: int) -> bool:
        """Whether all ``jobs`` found cheaper places outside ``week``; else nothing changed."""
        old: list[tuple[int, int, Combo]] = []
        gain = 0.0
        for j in jobs:
            place = self.take(j)
            old.append((j, *place))
            gain += self._added(j, *place)
        new: list[int] = []
        for j in jobs:
            found = self.best(j, below=gain - _EPSILON, avoid=week)
            if found is None:
                break
            gain -= found[0]
            self.put(j, found[1], found[2])
            new.append(j)
        else:
            if gain > 2 * _TIE * len(jobs):
                return True
        for j in new:
            self.take(j)
        for j, at, combo in reversed(old):
            self.put(j, at, combo)
        return False

    def _force_in(self) -> int:
        """How many dear jobs got a cheaper week by moving others out of it at less cost."""
        grid = self.grid
        dear = []
        for j in grid.placeable:
            place = self.place[j]
            if place is None:
                dear.append((-grid.unplanned_cost(j), j))
            elif grid.jobs[j].fixed is None:
                regret = grid.cost[j][place[0]] - grid.cost[j][self.order[j][0]]
                if regret > _DEAR:
                    dear.append((-regret, j))
        self.effort = _FORCES
        moved = 0
        for _, j in sorted(dear)[:_FORCED]:
            if self.effort < 0:
                break
            moved += self._force(j)
        return moved

    def _force(self, j: int) -> bool:
        """Whether ``j`` took the place of jobs that had another one; else nothing changed."""
        grid = self.grid
        here = self.take(j) if self.place[j] is not None else None
        was = grid.unplanned_cost(j) if here is None else self._added(j, *here)
        for week in self.order[j]:
            if grid.cost[j][week] + _DEAR / 2 > was:
                break
            if (here is not None and week == here[0]) or not self.clear_of_partners(j, week):
                continue
            taken = self.taken_hands(j) if grid.group[j] else ()
            workers: dict[int, Combo] = {}
            for combo in grid.combos(j, week):
                if (combo.worker, combo.gauge) not in taken:
                    workers.setdefault(combo.worker, combo)
            for combo in workers.values():
                if self._force_beside(j, week, combo, was):
                    return True
        if here is not None:
            self.put(j, *here)
        return False

    def _force_beside(self, j: int, week: int, combo: Combo, was: float) -> bool:
        """Whether room for ``j`` was made for less than ``was``; else everything is as before."""
        grid = self.grid
        left = was - self._added(j, week, combo) - _DEAR / 4
        offers = []
        for i in sorted(self.in_week[week]):
            place = self.place[i]
            if place is None or place[1] != combo.worker or grid.jobs[i].fixed is not None:
                continue
            self.effort -= 1
            there = self.take(i)
            here = self._added(i, *there)
            found = self.best(i, below=here + left, avoid=week)
            self.put(i, *there)
            if found is not None:
                offers.append(((found[0] - here) / grid.minutes[i], i))
        undo: list[tuple[int, int, Combo]] = []
        for _, i in sorted(offers):
            there = self.take(i)
            undo.append((i, *there))
            here = self._added(i, *there)
            found = self.best(i, below=here + left, avoid=week)
            if found is None:
                undo.pop()
                self.put(i, *there)
                continue
            left -= found[0] - here
            self.put(i, found[1], found[2])
            if (
                self.fits(j, week, combo)
                and self.clear_of_partners(j, week)
                and (combo.worker, combo.gauge) not in self.taken_hands(j)
            ):
                self.put(j, week, combo)
                return True
        for i, at, back in reversed(undo):
            self.take(i)
            self.put(i, at, back)
        return False

    def _lower_peak(self) -> int:
        """How often the fullest person-weeks were relieved for less than that is worth."""
        steps = 0
        step = 0.04
        while step > 0.002:
            self.peak = self.true_peak()
            if self.peak <= 0 or not self._relieve(self.peak * (1 - step)):
                step /= 2
                continue
            steps += 1
        self.peak = self.true_peak()
        return steps

    def _relieve(self, target: float) -> bool:
        """Whether every person-week came down to ``target`` at a profit; else nothing changed."""
        grid = self.grid
        budget = grid.weights.peak * (self.peak - target)
        self.peak, was = target, self.peak
        self.ceiling, ceiling = target, self.ceiling
        undo: list[tuple[int, int, Combo]] = []
        full = [
            (k, w)
            for k, row in enumerate(self.worker_bins)
            for w, b in enumerate(row)
            if b.load > target * b.cap
        ]
        done = True
        for k, w in full:
            bin_ = self.worker_bins[k][w]
            jobs = [
                j
                for j in sorted(self.in_week[w])
                if (place := self.place[j]) is not None
                and place[1] == k
                and grid.jobs[j].fixed is None
            ]
            offers = []
            for j in jobs:
                week, combo = self.take(j)
                here = self._added(j, week, combo) - self._excess(j, week, combo)
                found = self.best(j, below=here + budget)
                self.put(j, week, combo)
                if found is not None and (found[1], found[2].worker) != (w, k):
                    offers.append(((found[0] - here) / grid.minutes[j], j))
            for _, j in sorted(offers):
                if bin_.load <= target * bin_.cap:
                    break
                week, combo = self.take(j)
                here = self._added(j, week, combo) - self._excess(j, week, combo)
                found = self.best(j, below=here + budget)
                if found is None or (found[1], found[2].worker) == (w, k):
                    self.put(j, week, combo)
                    continue
                budget -= found[0] - here
                undo.append((j, week, combo))
                self.put(j, found[1], found[2])
            if bin_.load > target * bin_.cap:
                done = False
                break
        self.peak, self.ceiling = was, ceiling
        if done and budget > _EPSILON:
            return True
        for j, week, combo in reversed(undo):
            self.take(j)
            self.put(j, week, combo)
        return False

    def _excess(self, j: int, week: int, combo: Combo) -> float:
        """The part of ``_added`` that stands for going above the peak."""
        bin_ = self.worker_bins[combo.worker][week]
        share = (bin_.load + self.grid.minutes[j]) / bin_.cap
        return self.grid.weights.peak * max(0.0, share - self.peak)
