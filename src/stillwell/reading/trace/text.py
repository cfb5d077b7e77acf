"""A trace for a terminal: back as an indented tree, forward as counts and the first of each kind."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterator

from stillwell.reading.printed.text import significant
from stillwell.reading.trace.graph import ASIDE, KINDS, Edge, Node, Trace, called, harmless

WIDTH = 100
FIRST = 10
DEEPEST = 12
"""Levels of indentation; what lies deeper is not moved further in."""

SELF_LABELLED = {"rows", "policy", "record", "series", "sensor", "shift", "correction", "condition"}
"""Kinds whose labels name the kind."""
IN_LABEL = {kind: {"from", "to"} for kind in (*SELF_LABELLED, "adoption")} | {"rows": {"file", "lines"}}
"""Details by kind that the label already shows."""

FIGURES = ("day", "value")
"""Kinds whose details are numbers; they are rounded for the eye, as in a table."""
_NUMBER = re.compile(r"(?<![\w:.-])-?\d+\.\d+(?:e[+-]?\d+)?(?= m3/s| m\b| s\b|$)")


def trace_text(trace: Trace, first: int | None = FIRST) -> str:
    """Write a trace for a terminal.

    Parameters
    ----------
    trace : Trace
    first : int, optional
        How many of each kind a trace forward names; None for all.

    Returns
    -------
    str
        Lines of at most ``WIDTH`` columns; characters that would move the cursor are written as escapes.
    """
    lines = _forward(trace, first) if trace.forward else _back(trace)
    notes = (line for note in trace.notes for line in _wrapped(f"Note: {note}", 0))
    return "\n".join([*lines, *notes]) + "\n"


def _forward(trace: Trace, first: int | None) -> Iterator[str]:
    nodes = trace.by_id()
    root = nodes[trace.root]
    kinds = sorted({n.kind for n in trace.nodes}, key=lambda k: (KINDS.index(k) if k in KINDS else len(KINDS), k))
    resting = {kind: [n for n in trace.of_kind(kind) if n.id != trace.root] for kind in kinds}
    counts = [f"{len(some)} {called(kind, len(some))}" for kind, some in resting.items() if some]
    yield from _wrapped(_named(root), 0)
    yield from _details(root, 1)
    yield from _wrapped(f"On it rest {', '.join(counts)}." if counts else "Nothing rests on it.", 0)
    for kind, some in resting.items():
        if not some:
            continue
        yield ""
        yield called(kind, 2)
        for node in some[:first]:
            yield from _wrapped(node.label, 1)
        if first is not None and len(some) > first:
            yield f"  and {len(some) - first} more"


def _back(trace: Trace) -> Iterator[str]:
    """Write each node in full where it is nearest to the root, elsewhere only its name."""
    nodes, below = trace.by_id(), dict[str, list[tuple[str, Edge]]]()
    for start, end, edge in trace.away():
        below.setdefault(start, []).append((end, edge))
    described_at, queue = {trace.root: ""}, [trace.root]
    for name in queue:
        for end, edge in below.get(name, ()):
            if end not in described_at and edge.relation not in ASIDE:
                described_at[end] = name
                queue.append(end)
    yield from _wrapped(_named(nodes[trace.root]), 0)
    yield from _details(nodes[trace.root], 1)
    todo = [(end, edge, 1) for end, edge in reversed(below.get(trace.root, []))]
    written = {trace.root}
    while todo:
        name, edge, depth = todo.pop()
        in_full = described_at.get(name) == edge.start and name not in written
        short = "" if in_full or edge.relation in ASIDE else " (told elsewhere)"
        yield from _wrapped(f"{edge.relation} {_named(nodes[name])}{short}", depth)
        if in_full:
            written.add(name)
            yield from _details(nodes[name], depth + 1)
            todo += [(end, edge, depth + 1) for end, edge in reversed(below.get(name, []))]
        elif edge.relation in ASIDE and name not in written:
            written.add(name)
            yield from _details(nodes[name], depth + 1)


def _named(node: Node) -> str:
    label = node.label
    return label if label.startswith(node.kind) or node.kind in SELF_LABELLED else f"{called(node.kind)} {label}"


def _details(node: Node, depth: int) -> Iterator[str]:
    for name, value in node.details:
        if name not in IN_LABEL.get(node.kind, ()):
            shown = _NUMBER.sub(_rounded, value) if node.kind in FIGURES else value
            yield from _wrapped(f"{name}: {shown}", depth, hanging=2)


def _rounded(number: re.Match[str]) -> str:
    return significant(float(number[0]))


def _wrapped(text: str, depth: int, hanging: int = 4) -> Iterator[str]:
    """Break a text into lines, at a space where there is one."""
    start, room = 2 * min(depth, DEEPEST), WIDTH - 2 * min(depth, DEEPEST)
    left = harmless(text)
    while True:
        fits = _fitting(left, room)
        if fits == len(left):
            yield " " * start + left
            return
        space = left.rfind(" ", 1, fits + 1)
        cut = space if space > fits // 3 else fits
        yield " " * start + left[:cut].rstrip()
        left = left[cut:].lstrip()
        start, room = 2 * min(depth, DEEPEST) + hanging, WIDTH - 2 * min(depth, DEEPEST) - hanging


def _fitting(text: str, room: int) -> int:
    """Count the characters that fit; those of East Asian scripts take two columns."""
    used = 0
    for i, letter in enumerate(text):
        used += 2 if unicodedata.east_asian_width(letter) in "WF" else 1
        if used > room:
            return i
    return len(text)
