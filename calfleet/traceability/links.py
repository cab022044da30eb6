"""What a chain is made of: nodes, links, the reasons a link is weak or broken, and circles.

Nothing here knows an instrument; ``chain`` and its judges fill it.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from datetime import date
from enum import StrEnum
from typing import NamedTuple

from calfleet.traceability.words import counted, listed

END_OF_CHAIN = "end of chain"
"""The label of the fact that marks a link to a laboratory behind which nothing is asked for."""


class LinkState(StrEnum):
    """How well one thing rests on another, best first."""

    SOUND = "sound"
    WEAK = "weak"
    BROKEN = "broken"

    @property
    def rank(self) -> int:
        return list(LinkState).index(self)


class ChainVerdict(StrEnum):
    """What holds for a chain as a whole: that of its worst link."""

    UNBROKEN = "unbroken"
    WEAK = "unbroken with weak links"
    BROKEN = "broken"


class NodeKind(StrEnum):
    """What a node of a chain stands for."""

    CALIBRATION = "calibration"
    RESULT = "result"
    READINGS = "raw readings"
    DATA_SHEET = "data sheet"
    TECHNICIAN = "technician"
    PROCEDURE = "procedure"
    GAUGE = "reference gauge"
    CERTIFICATE = "certificate"
    LABORATORY = "laboratory"
    STANDARD = "standard in words"


class Fact(NamedTuple):
    """A label and its value as text, unit included."""

    label: str
    value: str


@dataclass(frozen=True, slots=True)
class Reason:
    """Why a link is weak or broken: a stable ``code`` and one sentence."""

    code: str
    state: LinkState
    text: str

    def __str__(self) -> str:
        return self.text


@dataclass(frozen=True, slots=True)
class Node:
    """One thing in the chain; ``known`` is false when it is named but not recorded."""

    key: str
    kind: NodeKind
    title: str
    facts: tuple[Fact, ...] = ()
    known: bool = True


@dataclass(frozen=True, slots=True)
class Link:
    """``source`` rests on ``target``, judged on ``day``.

    ``facts`` are what was compared (ranges, uncertainties, ratios). ``rests_on`` is false for a
    link that only shows a correction: what is behind it carries nothing.
    """

    source: str
    target: str
    relation: str
    day: date
    reasons: tuple[Reason, ...] = ()
    facts: tuple[Fact, ...] = ()
    rests_on: bool = True

    @property
    def state(self) -> LinkState:
        """The worst state among the reasons; sound without any."""
        return max((r.state for r in self.reasons), key=lambda s: s.rank, default=LinkState.SOUND)


@dataclass(frozen=True, slots=True)
class Chain:
    """A traced chain: ``root`` is the key of what was traced; nodes and links as found from it.

    Links that rest on each other in a circle are kept; the one that closes a circle is broken.
    """

    subject: str
    root: str
    nodes: tuple[Node, ...]
    links: tuple[Link, ...]
    _nodes: dict[str, Node] = field(init=False, repr=False, compare=False)
    _links: dict[str, tuple[Link, ...]] = field(init=False, repr=False, compare=False)

    def __post_init__(self) -> None:
        object.__setattr__(self, "_nodes", {node.key: node for node in self.nodes})
        grouped: dict[str, list[Link]] = {}
        for link in self.links:
            grouped.setdefault(link.source, []).append(link)
        object.__setattr__(self, "_links", {key: tuple(own) for key, own in grouped.items()})

    def node(self, key: str) -> Node:
        """The node of that key; KeyError when there is none."""
        return self._nodes[key]

    def links_from(self, key: str) -> tuple[Link, ...]:
        """The links that start at the node of that key, in the order of the chain."""
        return self._links.get(key, ())

    @property
    def verdict(self) -> ChainVerdict:
        states = {link.state for link in self.links}
        if LinkState.BROKEN in states:
            return ChainVerdict.BROKEN
        return ChainVerdict.WEAK if LinkState.WEAK in states else ChainVerdict.UNBROKEN

    @property
    def problems(self) -> tuple[tuple[Link, Reason], ...]:
        """Every reason with its link: the broken ones first, each in the order of the chain."""
        found = [(link, reason) for link in self.links for reason in link.reasons]
        return tuple(sorted(found, key=lambda pair: -pair[1].state.rank))

    @property
    def ends(self) -> tuple[str, ...]:
        """Keys of the laboratories that end the chain, each once, in the order of the chain."""
        found = [k.target for k in self.links if any(f.label == END_OF_CHAIN for f in k.facts)]
        return tuple(dict.fromkeys(found))

    def place(self, link: Link) -> str:
        """Where a link is, in words: the titles of its two ends."""
        return f"{self.node(link.source).title} → {self.node(link.target).title}"

    @property
    def statement(self) -> str:
        """The verdict in one sentence, with the number of broken and weak places."""
        if self.verdict is ChainVerdict.UNBROKEN:
            ends = [self.node(key).title for key in self.ends]
            upto = f", up to {listed(ends)}" if ends else ""
            return f"Unbroken: every link of {self.subject} is sound on its day of use{upto}."
        broken = sum(link.state is LinkState.BROKEN for link in self.links)
        weak = sum(link.state is LinkState.WEAK for link in self.links)
        counts = [counted(broken, "broken link")] if broken else []
        counts += [counted(weak, "weak link")] if weak else []
        opening = "Broken" if broken else "Unbroken with weak links"
        return f"{opening}: {self.subject} has {' and '.join(counts)}."


def broken(code: str, text: str) -> Reason:
    """A reason that breaks its link."""
    return Reason(code, LinkState.BROKEN, text)


def weak(code: str, text: str) -> Reason:
    """A reason that weakens its link."""
    return Reason(code, LinkState.WEAK, text)


# --- circles ------------------------------------------------------------------------------------


def with_circles_broken(chain: Chain) -> Chain:
    """The same chain with every link that closes a circle broken, naming the circle."""
    closing = dict(_closing_links(chain.root, chain.links_from))
    if not closing:
        return chain
    links = []
    for link in chain.links:
        circle = closing.get((link.source, link.target)) if link.rests_on else None
        if circle is None:
            links.append(link)
            continue
        titles = " → ".join(chain.node(key).title for key in circle)
        reason = broken("chain.circle", f"The chain runs in a circle: {titles}.")
        links.append(replace(link, reasons=(*link.reasons, reason)))
    return Chain(chain.subject, chain.root, chain.nodes, tuple(links))


def _closing_links(
    root: str, links_from: Callable[[str], Sequence[Link]]
) -> Iterator[tuple[tuple[str, str], tuple[str, ...]]]:
    """Each pair of keys whose link leads back into the path from the root, with the circle.

    Depth first without recursion, so that the depth of a chain is not limited by Python's stack.
    """
    path: list[str] = [root]
    on_path = {root}
    finished: set[str] = set()
    pending: list[Iterator[Link]] = [iter(links_from(root))]
    while path:
        link = next(pending[-1], None)
        if link is None:
            pending.pop()
            done = path.pop()
            on_path.discard(done)
            finished.add(done)
            continue
        if not link.rests_on or link.target in finished:
            continue
        if link.target in on_path:
            start = path.index(link.target)
            yield (link.source, link.target), (*path[start:], link.target)
            continue
        path.append(link.target)
        on_path.add(link.target)
        pending.append(iter(links_from(link.target)))
