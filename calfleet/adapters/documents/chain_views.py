"""A traced chain for readers: a tree of text, plain data, a graph description, a picture."""

from __future__ import annotations

import textwrap
import unicodedata
from collections import Counter, deque
from dataclasses import dataclass

from calfleet.adapters.documents.chain_picture import svg
from calfleet.traceability.chain import Chain, Fact, Link, LinkState, Node

__all__ = ["tree_text", "to_plain", "dot", "svg"]

_MARK = {LinkState.SOUND: "ok", LinkState.WEAK: "weak", LinkState.BROKEN: "BROKEN"}
_PLAIN_CHARACTERS = {
    "→": "->", "±": "+/-", "°": "deg", "×": "x", "−": "-", "–": "-", "“": '"', "”": '"',
    "’": "'", "·": ";", "µ": "u", "│": "|", "├─": "|-", "└─": "`-",
}  # fmt: skip
_LEAST = 20  # a column narrower than this is not worth reading
_INDENT = 9  # of the facts of a branch, against the branch above it


@dataclass(frozen=True, slots=True)
class _Branch:
    """A link to be shown at ``prefix`` under its source; ``last`` of its siblings."""

    link: Link
    prefix: str
    last: bool


def tree_text(chain: Chain, width: int = 100, ascii: bool = False) -> str:
    """The chain as a tree drawn in text, with the verdict and every reason below it.

    ``width``: columns to fill (at least 40 are used). A thing that several others rest on is
    shown once, marked ``[a]``, and referred to afterwards. Branches that run too deep for the
    width go on below at the margin. With ``ascii`` nothing but ASCII characters is used.
    """
    width = max(width, 40)
    numbers: dict[int, list[int]] = {}
    for number, (link, _) in enumerate(chain.problems, 1):
        numbers.setdefault(id(link), []).append(number)
    lines = _tree(chain, width, numbers)
    lines += ["", *textwrap.wrap(chain.statement, width)]
    for number, (link, reason) in enumerate(chain.problems, 1):
        head = f"{number:>3}. {reason.state}, {link.day}, {chain.place(link)}:"
        lines += textwrap.wrap(head, width, subsequent_indent="     ", break_on_hyphens=False)
        lines += textwrap.wrap(
            reason.text,
            width,
            initial_indent="     ",
            subsequent_indent="     ",
            break_on_hyphens=False,
        )
    text = "\n".join(lines) + "\n"
    return _to_ascii(text) if ascii else text


def _tree(chain: Chain, width: int, numbers: dict[int, list[int]]) -> list[str]:
    """Depth first, without recursion: a chain may be deeper than Python's stack."""
    arrivals = Counter([chain.root, *(link.target for link in chain.links)])
    labels: dict[str, str] = {}
    shown: set[str] = {chain.root}

    def titled(node: Node, *, labelled: bool = False) -> str:
        if labelled or arrivals[node.key] > 1:
            labels.setdefault(node.key, _letters(len(labels)))
        label = labels.get(node.key)
        return f"{node.title} [{label}]" if label else node.title

    root = chain.node(chain.root)
    lines = [titled(root), *_wrapped(_facts(root.facts), "   ", width)]
    starts: deque[str] = deque([chain.root])
    while starts:
        start = starts.popleft()
        if start != chain.root:
            lines += ["", f"{titled(chain.node(start))}, continued:"]
        waiting = _branches(chain, start, "")
        while waiting:
            branch = waiting.pop()
            link, node = branch.link, chain.node(branch.link.target)
            under = branch.prefix + ("   " if branch.last else "│  ")
            first = link.target not in shown
            shown.add(link.target)
            parts = bool(chain.links_from(link.target)) and first
            too_deep = parts and len(under) + _INDENT + _LEAST > width
            title = titled(node, labelled=too_deep)
            if not first:
                title = f"{node.title}: see [{labels[node.key]}]"
            elif too_deep:
                title += ", continued below"
                starts.append(link.target)
            lead = branch.prefix + ("└─ " if branch.last else "├─ ")
            stem = under + ("│  " if parts and not too_deep else "   ")
            line = f"{_mark(link, numbers)} {link.day} {link.relation}: {title}"
            lines += _wrapped(line, lead, width, stem + "  ")
            facts = (*link.facts, *node.facts) if first else link.facts
            lines += _wrapped(_facts(facts), stem + "   ", width)
            if first and not too_deep:
                waiting += _branches(chain, link.target, under)
    return lines


def _mark(link: Link, numbers: dict[int, list[int]]) -> str:
    own = numbers.get(id(link))
    return f"[{_MARK[link.state]}{' ' + ','.join(map(str, own)) if own else ''}]"


def _branches(chain: Chain, key: str, prefix: str) -> list[_Branch]:
    links = chain.links_from(key)
    return [_Branch(link, prefix, link is links[-1]) for link in reversed(links)]


def _letters(number: int) -> str:
    text = ""
    number += 1
    while number:
        number, rest = divmod(number - 1, 26)
        text = chr(ord("a") + rest) + text
    return text


def _facts(facts: tuple[Fact, ...]) -> str:
    return "; ".join(f"{fact.label} {fact.value}" for fact in facts)


def _wrapped(text: str, lead: str, width: int, under: str | None = None) -> list[str]:
    if not text:
        return []
    return textwrap.wrap(
        text,
        max(width, len(lead) + _LEAST),
        initial_indent=lead,
        subsequent_indent=lead if under is None else under,
        break_on_hyphens=False,
    )


def _to_ascii(text: str) -> str:
    for sign, plain in _PLAIN_CHARACTERS.items():
        text = text.replace(sign, plain)
    text = unicodedata.normalize("NFKD", text)
    text = "".join(c for c in text if not unicodedata.combining(c))
    return text.encode("ascii", "replace").decode("ascii")


def to_plain(chain: Chain) -> dict[str, object]:
    """The chain as JSON-ready data: verdict, statement, problems, nodes and links.

    Dates are ISO text; facts are lists of ``{"label", "value"}``; a link's ``from`` and ``to``
    are keys of nodes.
    """
    return {
        "subject": chain.subject,
        "verdict": chain.verdict.value,
        "statement": chain.statement,
        "root": chain.root,
        "problems": [
            {
                "state": reason.state.value,
                "code": reason.code,
                "where": chain.place(link),
                "from": link.source,
                "to": link.target,
                "day": link.day.isoformat(),
                "text": reason.text,
            }
            for link, reason in chain.problems
        ],
        "nodes": [
            {
                "key": node.key,
                "kind": node.kind.value,
                "title": node.title,
                "recorded": node.known,
                "facts": _plain_facts(node.facts),
            }
            for node in chain.nodes
        ],
        "links": [
            {
                "from": link.source,
                "to": link.target,
                "relation": link.relation,
                "day": link.day.isoformat(),
                "state": link.state.value,
                "rests_on": link.rests_on,
                "facts": _plain_facts(link.facts),
                "reasons": [
                    {"code": r.code, "state": r.state.value, "text": r.text} for r in link.reasons
                ],
            }
            for link in chain.links
        ],
    }


def _plain_facts(facts: tuple[Fact, ...]) -> list[dict[str, str]]:
    return [{"label": fact.label, "value": fact.value} for fact in facts]


_DOT_STYLE = {
    LinkState.SOUND: 'color="#0072b2", style=solid, penwidth=1.4',
    LinkState.WEAK: 'color="#b35900", style=dashed, penwidth=2',
    LinkState.BROKEN: 'color="#a4002e", style=dotted, penwidth=3',
}


def dot(chain: Chain) -> str:
    """The chain as a directed graph in the DOT language, one record per node and link."""
    lines = [
        "digraph chain {",
        f"  label={_quoted([chain.statement])};",
        '  labelloc="t"; rankdir="TB";',
        '  node [shape=box, style=rounded, fontname="sans-serif", fontsize=10];',
        '  edge [fontname="sans-serif", fontsize=9];',
    ]
    for node in chain.nodes:
        facts = [f"{fact.label}: {fact.value}" for fact in node.facts]
        frame = "" if node.known else ', style="rounded,dashed", color="#a4002e"'
        label = _quoted([node.kind.upper(), node.title, *facts], left=True)
        lines.append(f"  {_quoted([node.key])} [label={label}{frame}];")
    for link in chain.links:
        words = [link.relation, f"{link.day}: {link.state}", *(r.text for r in link.reasons)]
        head = "" if link.rests_on else ", arrowhead=empty"
        lines.append(
            f"  {_quoted([link.source])} -> {_quoted([link.target])} "
            f"[label={_quoted(words, left=True)}, {_DOT_STYLE[link.state]}{head}];"
        )
    return "\n".join([*lines, "}"]) + "\n"


def _quoted(lines: list[str], *, left: bool = False) -> str:
    """A DOT string of several lines (``\\l`` sets a line flush left), wrapped at 44 columns."""
    cleaned = (" ".join(line.replace("\\", "\\\\").replace('"', '\\"').split()) for line in lines)
    if not left:
        return '"' + "\\n".join(cleaned) + '"'
    pieces = [p for line in cleaned for p in textwrap.wrap(line, 44, break_long_words=False)]
    return '"' + "".join(f"{piece}\\l" for piece in pieces) + '"'
