"""The graph of a trace: nodes, edges, and the walk along them. Reads no archive.

An edge points from a thing to what it rests on, with the commit that recorded it. Nothing rests on what was recorded
later: along a path down, commits never increase.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field

ALWAYS = 0
"""Commit of an edge that holds of itself: lines belong to their deposit."""

KINDS = (
    "day", "value", "record", "gauging", "revision", "finding", "review", "commit", "software", "policy", "map",
    "rating", "adoption", "shift", "correction", "condition", "series", "sensor", "check", "instrument", "site",
    "rows", "deposit", "file",
)  # fmt: skip
"""Kinds of nodes in order of output; others follow by name."""

WORDS = {
    "map": "intake map", "rows": "lines", "file": "sealed file", "software": "software version", "day": "daily mean",
    "value": "discharge", "adoption": "rating as adopted", "shift": "set of shifts",
    "correction": "set of corrections", "condition": "set of conditions", "series": "span of recorded stage",
}  # fmt: skip
"""Names of kinds for people, where they differ from the kind itself."""

PLURALS = {
    "policy": "policies", "rows": "places in files", "day": "daily means", "value": "values of discharge",
    "adoption": "ratings as adopted", "shift": "sets of shifts", "correction": "sets of corrections",
    "condition": "sets of conditions", "series": "spans of recorded stage",
}  # fmt: skip
RECORDED = "recorded in"
"""Relation to the commit that recorded something."""
REPLACED = "takes the place of"
"""Relation to the record whose rows are superseded; no number rests on the one it replaced."""
FITTED = "fitted to"
"""Relation of a rating to a gauging: shown in a trace back, which ends there; followed in a trace forward."""
ASIDE = frozenset({RECORDED, REPLACED})
"""Relations that are shown and never followed."""


def called(kind: str, count: int = 1) -> str:
    """Return the word for one or several things of a kind."""
    word = WORDS.get(kind, kind)
    return word if count == 1 else PLURALS.get(kind, f"{word}s")


_PARTS = re.compile(r"[0-9]+|[^0-9]+")


@dataclass(frozen=True)
class Node:
    """One thing of a trace: ``id`` is kind and name with a colon between, ``details`` are names and values."""

    id: str
    kind: str
    label: str
    details: tuple[tuple[str, str], ...] = ()


@dataclass(frozen=True)
class Edge:
    """``start`` rests on ``end``, as ``relation`` says, by what ``commit`` recorded (0: it holds of itself)."""

    start: str
    end: str
    relation: str
    commit: int = ALWAYS


@dataclass(frozen=True)
class Trace:
    """What a subject rests on, or, ``forward``, what rests on it.

    ``root`` is the node of the subject. Nodes are ordered by kind and name, edges by where they start and end;
    ``notes`` name what the documents do not say.
    """

    subject: str
    forward: bool
    root: str
    nodes: tuple[Node, ...]
    edges: tuple[Edge, ...]
    notes: tuple[str, ...] = ()

    def by_id(self) -> dict[str, Node]:
        """Return the nodes by id."""
        return {node.id: node for node in self.nodes}

    def of_kind(self, kind: str) -> tuple[Node, ...]:
        """Return the nodes of a kind."""
        return tuple(node for node in self.nodes if node.kind == kind)

    def away(self) -> Iterator[tuple[str, str, Edge]]:
        """Go through the edges as they lead away from the root: from, to, edge."""
        for edge in self.edges:
            turned = self.forward and edge.relation not in ASIDE
            yield (edge.end, edge.start, edge) if turned else (edge.start, edge.end, edge)


Link = tuple[str, str, str, int]
"""An edge as a plain tuple, as long as there may be a million."""


@dataclass
class Facts:
    """Content of provenance documents: labels and details by node, edges, and the commits that recorded a node.

    ``aside`` are edges that are shown and not followed; ``spans`` the start and end of a node, as texts.
    """

    described: dict[str, tuple[str, tuple[tuple[str, str], ...]]] = field(default_factory=dict)
    links: list[Link] = field(default_factory=list)
    recorded: dict[str, int] = field(default_factory=dict)
    aside: list[Link] = field(default_factory=list)
    spans: dict[str, tuple[str, str]] = field(default_factory=dict)

    def describe(self, name: str, label: str, details: Iterable[tuple[str, str]] = ()) -> None:
        """Describe a node; earlier details hold unless they are given again."""
        earlier = dict(self.described[name][1]) if name in self.described else {}
        self.described[name] = label, tuple((earlier | {key: value for key, value in details if value}).items())

    def record(self, name: str, number: int) -> None:
        """Note the first commit that recorded a node."""
        self.recorded[name] = min(number, self.recorded.get(name, number))

    def node(self, name: str) -> Node:
        """Make the node of an id; one that no document describes goes by its name."""
        kind, _, rest = name.partition(":")
        label, details = self.described.get(name, (rest, ()))
        return Node(name, kind, label, details)

    def names(self) -> set[str]:
        """Return the ids of all nodes."""
        return {end for link in self.links for end in link[:2]} | set(self.described)


def reached(facts: Facts, root: str, *, forward: bool) -> tuple[dict[str, float], set[Link]]:
    """Walk from a node to everything it rests on, or to everything that rests on it.

    Parameters
    ----------
    facts : Facts
    root : str
    forward : bool

    Returns
    -------
    dict of str to float
        Ids of the nodes, the root among them, each with the first commit by which it rests on the root; downward,
        with the last commit, negative, by which the root rests on it.
    set of tuple
        Edges between them that hold on the way.
    """
    by_node: dict[str, list[tuple[str, Link]]] = {}
    for link in facts.links:
        origin, target = (link[1], link[0]) if forward else (link[0], link[1])
        by_node.setdefault(origin, []).append((target, link))
    # the way up starts before every commit, the way down after every one: counted down, both may only grow
    sign = 1 if forward else -1
    best = {root: float("-inf")}
    todo = [root]
    while todo:
        name = todo.pop()
        for target, link in by_node.get(name, ()):
            moment = sign * link[3]
            if best[name] <= moment < best.get(target, float("inf")):
                best[target] = moment
                todo.append(target)
    followed = {link for name, since in best.items() for _, link in by_node.get(name, ()) if sign * link[3] >= since}
    return best, followed


def trace_of(
    facts: Facts, subject: str, root: str, links: Iterable[Link], *, forward: bool, notes: Iterable[str] = ()
) -> Trace:
    """Make the nodes and edges of a trace, in order.

    Parameters
    ----------
    facts : Facts
    subject : str
        As asked.
    root : str
    links : iterable of tuple
    forward : bool
    notes : iterable of str

    Returns
    -------
    Trace
    """
    links = set(links)
    names = {root} | {end for link in links for end in link[:2]}
    place = {name: i for i, name in enumerate(sorted(names, key=order))}
    edges = (Edge(*link) for link in sorted(links, key=lambda link: (place[link[0]], place[link[1]], *link[2:])))
    return Trace(subject, forward, root, tuple(facts.node(name) for name in place), tuple(edges), tuple(notes))


def order(name: str) -> tuple[int, str, tuple[tuple[int, int, str], ...]]:
    """Return what ids are sorted by: kind, then name with its numbers as numbers."""
    kind, _, rest = name.partition(":")
    place = KINDS.index(kind) if kind in KINDS else len(KINDS)
    return place, kind, _natural(rest)


def _natural(text: str) -> tuple[tuple[int, int, str], ...]:
    """Split a name so that its numbers are compared as numbers, however long: by their digits, then one by one."""
    parts = ((part, part.lstrip("0")) for part in _PARTS.findall(text))
    return tuple(
        (0, len(digits), f"{digits} {part}") if part[0] in "0123456789" else (1, 0, part) for part, digits in parts
    )


def harmless(text: str) -> str:
    """Escape control characters, marks of direction and all else that is not printable."""
    return text if text.isprintable() else "".join(c if c.isprintable() else f"\\u{ord(c):04x}" for c in text)


def as_dict(trace: Trace) -> dict[str, object]:
    """Lay a trace out for JSON; edges point from what rests to what it rests on.

    Parameters
    ----------
    trace : Trace

    Returns
    -------
    dict
        ``subject``, ``direction`` (back or forward), ``root``, ``nodes``, ``edges``, ``remarks``.
    """
    nodes: list[Mapping[str, object]] = [
        {"id": n.id, "kind": n.kind, "label": n.label, "details": dict(n.details)} for n in trace.nodes
    ]
    edges = [{"from": e.start, "to": e.end, "relation": e.relation, "commit": e.commit or None} for e in trace.edges]
    return {
        "subject": trace.subject,
        "direction": "forward" if trace.forward else "back",
        "root": trace.root,
        "nodes": nodes,
        "edges": edges,
        "remarks": list(trace.notes),
    }
