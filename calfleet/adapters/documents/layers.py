"""Boxes and arrows in layers: where each box stands and along which points each arrow runs.

The usual four steps: turn round the edges that close a circle, put every box one layer below the
lowest box above it, order each layer by the middle of its neighbours so that few edges cross,
and place it so that neighbours stand above each other. An edge that skips layers runs through
empty columns kept free for it, so no edge passes behind a box. Pure geometry; y grows downwards.

Source of the method: K. Sugiyama, S. Tagawa, M. Toda, "Methods for visual understanding of
hierarchical system structures" (1981), from memory; placement by pooling adjacent violators.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise

_LANE = 16.0  # width kept free for an edge that passes a layer
_SWEEPS = 12


@dataclass(frozen=True, slots=True)
class Size:
    width: float
    height: float


@dataclass(frozen=True, slots=True)
class Place:
    """A box: its upper left corner and its size."""

    x: float
    y: float
    width: float
    height: float

    @property
    def middle(self) -> float:
        return self.x + self.width / 2


@dataclass(frozen=True, slots=True)
class Layout:
    """``places`` by key; ``routes`` in the order of the edges, each from its source to its target.

    A route is a list of points with an even number of straight and curved stretches: vertical
    within a layer, free between two layers. ``upward`` marks the edges that closed a circle.
    """

    places: dict[str, Place]
    routes: tuple[tuple[tuple[float, float], ...], ...]
    upward: tuple[bool, ...]
    width: float
    height: float


@dataclass(slots=True)
class _Slot:
    """A box, or a lane of an edge, in its layer."""

    width: float
    key: str | None = None
    x: float = 0.0  # of the middle


def layered(
    sizes: Mapping[str, Size],
    edges: Sequence[tuple[str, str]],
    *,
    gap_x: float = 28.0,
    gap_y: float = 56.0,
) -> Layout:
    """The layout of boxes of the given sizes, joined by ``edges`` (source key, target key).

    Edges may be repeated and may form circles; the order of ``sizes`` is the first guess for the
    order within a layer. Empty input gives an empty layout.

    Raises: KeyError for an edge to a box without a size.
    """
    for source, target in edges:
        sizes[source], sizes[target]
    upward = _closing(list(sizes), edges)
    down = [
        (target, source) if turned else (source, target)
        for (source, target), turned in zip(edges, upward, strict=True)
    ]
    level = _levels(list(sizes), down)
    layers: list[list[_Slot]] = [[] for _ in range(max(level.values(), default=-1) + 1)]
    slots = {key: _Slot(size.width, key) for key, size in sizes.items()}
    for key, slot in slots.items():
        layers[level[key]].append(slot)
    paths: list[list[_Slot]] = []
    for source, target in down:
        lanes = [_Slot(_LANE) for _ in range(level[source] + 1, level[target])]
        for number, lane in enumerate(lanes, level[source] + 1):
            layers[number].append(lane)
        paths.append([slots[source], *lanes, slots[target]])
    pairs = [pair for path in paths for pair in pairwise(path)]
    above = _neighbours((lower, upper) for upper, lower in pairs)
    below = _neighbours(pairs)
    _order(layers, above, below)
    _place(layers, above, below, gap_x)

    left = min((s.x - s.width / 2 for layer in layers for s in layer), default=0.0)
    tops: list[float] = []
    bottoms: list[float] = []
    y = 0.0
    for layer in layers:
        tops.append(y)
        bottoms.append(y + max((sizes[s.key].height for s in layer if s.key), default=0.0))
        y = bottoms[-1] + gap_y
    places = {
        key: Place(slot.x - slot.width / 2 - left, tops[level[key]], slot.width, sizes[key].height)
        for key, slot in slots.items()
    }
    routes = _routes(paths, places, level, (tops, bottoms), left)
    turned_back = [
        tuple(reversed(route)) if turned else tuple(route)
        for route, turned in zip(routes, upward, strict=True)
    ]
    width = max((s.x + s.width / 2 for layer in layers for s in layer), default=0.0) - left
    return Layout(places, tuple(turned_back), tuple(upward), width, bottoms[-1] if bottoms else 0.0)


def _closing(keys: Sequence[str], edges: Sequence[tuple[str, str]]) -> list[bool]:
    """For each edge, whether it leads back into the path along which it was reached."""
    out: dict[str, list[tuple[int, str]]] = {key: [] for key in keys}
    for number, (source, target) in enumerate(edges):
        out[source].append((number, target))
    closing = [False] * len(edges)
    open_keys: set[str] = set()
    finished: set[str] = set()
    for start in keys:
        if start in finished:
            continue
        stack: list[tuple[str, Iterator[tuple[int, str]]]] = [(start, iter(out[start]))]
        open_keys.add(start)
        while stack:
            key, rest = stack[-1]
            step = next(rest, None)
            if step is None:
                stack.pop()
                open_keys.discard(key)
                finished.add(key)
                continue
            number, target = step
            if target in open_keys:
                closing[number] = True
            elif target not in finished:
                open_keys.add(target)
                stack.append((target, iter(out[target])))
    return closing


def _levels(keys: Sequence[str], edges: Sequence[tuple[str, str]]) -> dict[str, int]:
    """For each key the length of the longest path to it; ``edges`` without circles."""
    out: dict[str, list[str]] = {key: [] for key in keys}
    waits = dict.fromkeys(keys, 0)
    for source, target in edges:
        if source != target:
            out[source].append(target)
            waits[target] += 1
    level = dict.fromkeys(keys, 0)
    ready = [key for key in keys if waits[key] == 0]
    while ready:
        key = ready.pop()
        for target in out[key]:
            level[target] = max(level[target], level[key] + 1)
            waits[target] -= 1
            if waits[target] == 0:
                ready.append(target)
    return level


def _neighbours(pairs: Iterable[tuple[_Slot, _Slot]]) -> dict[int, list[_Slot]]:
    """For each first slot (by identity) the second slots it is paired with."""
    found: dict[int, list[_Slot]] = {}
    for slot, other in pairs:
        found.setdefault(id(slot), []).append(other)
    return found


def _order(
    layers: list[list[_Slot]], above: dict[int, list[_Slot]], below: dict[int, list[_Slot]]
) -> None:
    """Sort each layer by the mean place of its neighbours; the order with least crossings stays."""
    best = [list(layer) for layer in layers]
    fewest = _crossings(layers, below)
    for sweep in range(_SWEEPS):
        down = sweep % 2 == 0
        towards = above if down else below
        for layer in layers[1:] if down else layers[-2::-1]:
            at = {id(s): i for other in layers for i, s in enumerate(other)}
            keys = {
                id(s): (
                    sum(at[id(n)] for n in towards[id(s)]) / len(towards[id(s)])
                    if id(s) in towards
                    else float(at[id(s)])
                )
                for s in layer
            }
            layer.sort(key=lambda s: keys[id(s)])
        count = _crossings(layers, below)
        if count < fewest:
            fewest, best = count, [list(layer) for layer in layers]
    layers[:] = best


def _crossings(layers: list[list[_Slot]], below: dict[int, list[_Slot]]) -> int:
    total = 0
    for upper, lower in pairwise(layers):
        at = {id(s): i for i, s in enumerate(lower)}
        ends = [sorted(at[id(n)] for n in below.get(id(s), ())) for s in upper]
        seen: list[int] = []
        for own in ends:
            total += sum(earlier > end for end in own for earlier in seen)
            seen += own
    return total


def _place(
    layers: list[list[_Slot]],
    above: dict[int, list[_Slot]],
    below: dict[int, list[_Slot]],
    gap: float,
) -> None:
    """Give every slot its x: as near to the mean of its neighbours as the order allows."""
    for layer in layers:
        _set_apart(layer, [0.0] * len(layer), gap)
    for sweep in range(_SWEEPS):
        down = sweep % 2 == 0
        towards = above if down else below
        for layer in layers[1:] if down else layers[-2::-1]:
            wanted = []
            for slot in layer:
                near = towards.get(id(slot))
                wanted.append(sum(n.x for n in near) / len(near) if near else slot.x)
            _set_apart(layer, wanted, gap)


def _set_apart(layer: list[_Slot], wanted: list[float], gap: float) -> None:
    """Least-squares positions near ``wanted``, in order and ``gap`` apart.

    With the distances from the first slot taken off, the positions must not fall: pooling
    adjacent violators gives the nearest such sequence.
    """
    offsets = [0.0]
    for left, right in pairwise(layer):
        offsets.append(offsets[-1] + (left.width + right.width) / 2 + gap)
    pools: list[tuple[float, int]] = []  # sum of what was wanted, count
    for want, offset in zip(wanted, offsets, strict=False):
        total, count = want - offset, 1
        while pools and pools[-1][0] / pools[-1][1] > total / count:
            before, number = pools.pop()
            total, count = total + before, count + number
        pools.append((total, count))
    at = [total / count for total, count in pools for _ in range(count)]
    for slot, base, offset in zip(layer, at, offsets, strict=False):
        slot.x = base + offset


def _routes(
    paths: list[list[_Slot]],
    places: dict[str, Place],
    level: dict[str, int],
    bands: tuple[list[float], list[float]],
    left: float,
) -> list[list[tuple[float, float]]]:
    """Each path as points: out of the box below, straight through lanes, into the box on top."""
    tops, bottoms = bands
    starts = _ports([(path[0], path[1]) for path in paths], places, left)
    ends = _ports([(path[-1], path[-2]) for path in paths], places, left)
    routes = []
    for path, start, end in zip(paths, starts, ends, strict=True):
        first, last = path[0].key or "", path[-1].key or ""
        box = places[first]
        route = [(start, box.y + box.height), (start, bottoms[level[first]])]
        for number, lane in enumerate(path[1:-1], level[first] + 1):
            route += [(lane.x - left, tops[number]), (lane.x - left, bottoms[number])]
        route.append((end, places[last].y))
        routes.append(route)
    return routes


def _ports(ends: list[tuple[_Slot, _Slot]], places: dict[str, Place], left: float) -> list[float]:
    """The x at which each edge meets its box: spread over it, in the order of the other ends."""
    ports = [0.0] * len(ends)
    at_box: dict[str, list[tuple[float, int]]] = {}
    for number, (own, other) in enumerate(ends):
        at_box.setdefault(own.key or "", []).append((other.x - left, number))
    for key, others in at_box.items():
        place = places[key]
        for rank, (_, number) in enumerate(sorted(others), 1):
            ports[number] = place.x + place.width * rank / (len(others) + 1)
    return ports
