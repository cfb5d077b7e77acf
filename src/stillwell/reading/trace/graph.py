"""The graph of a trace: nodes, edges, and the walk along them. Reads no archive.

An edge points from a thing to what it rests on, with the commit that recorded it. Nothing rests on what was recorded
later: along a path down, commits never increase.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from typing import NamedTuple

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
ENDING = frozenset({REPLACED, FITTED})
"""Relations in provenance documents that a trace back shows and does not follow."""


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


class Edge(NamedTuple):
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


@dataclass
class Graph:
    """Content of provenance documents: nodes by id, edges, and the first commit that recorded each node."""

    nodes: dict[str, Node] = field(default_factory=dict)
    edges: list[Edge] = field(default_factory=list)
    recorded: dict[str, int] = field(default_factory=dict)

    def describe(self, name: str, label: str, details: Iterable[tuple[str, str]] = ()) -> None:
        """Describe a node; earlier details hold unless they are given again."""
        known = dict(self.node(name).details) | {key: value for key, value in details if value}
        self.nodes[name] = Node(name, name.partition(":")[0], label, tuple(known.items()))

    def record(self, name: str, number: int) -> None:
        """Note a commit that recorded a node."""
        self.recorded[name] = min(number, self.recorded.get(name, number))

    def node(self, name: str) -> Node:
        """Return the node of an id; one that no document describes goes by its name."""
        kind, _, rest = name.partition(":")
        return self.nodes.get(name) or Node(name, kind, rest)

    def names(self) -> set[str]:
        """Return the ids of all nodes."""
        return {end for edge in self.edges for end in edge[:2]} | set(self.nodes)


def reached(graph: Graph, root: str, *, forward: bool) -> tuple[dict[str, float], set[Edge]]:
    """Walk from a node to everything it rests on, or to everything that rests on it.

    Parameters
    ----------
    graph : Graph
    root : str
    forward : bool

    Returns
    -------
    dict of str to float
        Ids of the nodes, the root among them, each with the first commit by which it rests on the root; downward,
        with the last commit, negative, by which the root rests on it.
    set of Edge
        Edges between them that hold on the way.
    """
    shown_only = ASIDE if forward else ASIDE | ENDING
    leaving: dict[str, list[tuple[str, Edge]]] = {}
    for edge in graph.edges:
        if edge.relation not in shown_only:
            origin, target = (edge.end, edge.start) if forward else (edge.start, edge.end)
            leaving.setdefault(origin, []).append((target, edge))
    # the way up starts before every commit, the way down after every one: counted down, both may only grow
    sign = 1 if forward else -1
    best = {root: float("-inf")}
    todo = [root]
    while todo:
        name = todo.pop()
        for target, edge in leaving.get(name, ()):
            moment = sign * edge.commit
            if best[name] <= moment < best.get(target, float("inf")):
                best[target] = moment
                todo.append(target)
    followed = {
        edge for name, since in best.items() for _, edge in leaving.get(name, ()) if sign * edge.commit >= since
    }
    return best, followed


def trace_of(
    graph: Graph, subject: str, root: str, edges: Iterable[Edge], *, forward: bool, notes: Iterable[str] = ()
) -> Trace:
    """Make a trace of some edges of a graph, nodes and edges in order; ``subject`` is the text that was asked."""
    edges = set(edges)
    names = {root} | {end for edge in edges for end in edge[:2]}
    place = {name: i for i, name in enumerate(sorted(names, key=order))}
    ordered = sorted(edges, key=lambda edge: (place[edge.start], place[edge.end], edge.relation, edge.commit))
    return Trace(subject, forward, root, tuple(graph.node(name) for name in place), tuple(ordered), tuple(notes))


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
