"""A trace as a picture: boxes in columns away from the subject, joined by what rests on what."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping

from stillwell.drawing.svg import box, element, escaped, hint, link, picture, words
from stillwell.reading.trace.graph import Edge, Node, Trace, called, harmless, order

MOST = 60
BOX, HIGH, GAP, ROW, EDGE = 240, 52, 170, 66, 24
"""Width and height of a box, space between columns, height of a row, margin; in px."""
LETTERS = 28
"""Characters that fit in a line of a box."""
SWEEPS = 6

GROUPS = {
    "bed": ("rows", "deposit", "file"),
    "haze": ("day", "value", "record", "gauging", "revision", "series"),
    "ochre": ("finding", "condition", "correction"),
    "plum": ("review", "adoption", "rating", "shift", "policy", "map"),
    "stone": ("instrument", "sensor", "check", "site"),
}
"""Kinds by the colour of their boxes: sealed bytes, numbers, what is wrong, decisions, where and with what."""
COLOUR_OF = {kind: colour for colour, kinds in GROUPS.items() for kind in kinds}
STYLE = (
    ".trace .title{font-size:16px;font-weight:600}.trace .edge{fill:none;stroke:var(--soft);stroke-width:1.2}"
    ".trace .relation{font-size:11px;fill:var(--soft);text-anchor:end;paint-order:stroke;stroke:var(--paper);"
    "stroke-width:3px}.trace .kind{font-size:11px}.trace .label{font-size:12px}"
    ".trace .node rect{fill:var(--paper);stroke:var(--rule);stroke-width:1.4}.trace a:hover rect{stroke-width:3}"
    ".trace .k-bed rect{fill:var(--bed);stroke:var(--soft)}.trace .k-haze rect{fill:var(--haze);stroke:var(--river)}"
    ".trace .k-ochre rect{stroke:var(--ochre)}.trace .k-plum rect{stroke:var(--plum)}"
    ".trace .k-stone rect{stroke:var(--stone)}"
)
"""Style of traces, beside that of all drawings."""

_Places = dict[str, tuple[int, int]]


def trace_svg(trace: Trace, most: int = MOST, hrefs: Mapping[str, str] | None = None) -> str:
    """Draw a trace.

    Parameters
    ----------
    trace : Trace
    most : int
        Boxes drawn at most; of what is left out the picture says how many of each kind.
    hrefs : mapping of str to str, optional
        Addresses that boxes lead to, by the id of their node.

    Returns
    -------
    str
        An SVG element. Every label is escaped, and cut where it is too long; the whole of it is the box's title.
    """
    drawn = _drawn(trace, most)
    nodes = {node.id: node for node in trace.nodes if node.id in drawn}
    left_out = Counter(node.kind for node in trace.nodes if node.id not in drawn)
    links = [(start, end, edge) for start, end, edge in trace.away() if start in drawn and end in drawn]
    columns = _columns(trace.root, list(nodes), links)
    places = {
        name: (EDGE + i * (BOX + GAP), EDGE + 34 + ROW * j)
        for i, col in enumerate(columns)
        for j, name in enumerate(col)
    }
    low = max(y for _, y in places.values()) + ROW
    notes = [f"and {count} more {called(kind, count)}" for kind, count in sorted(left_out.items(), key=_kind_order)]
    notes += [f"note: {note}" for note in trace.notes]
    width = max(EDGE * 2 + len(columns) * BOX + (len(columns) - 1) * GAP, 2 * EDGE + BOX + GAP)
    height = low + 18 * len(notes) + EDGE
    title = f"{'What rests on' if trace.forward else 'What it rests on:'} {trace.subject}"
    parts = [
        words(EDGE, EDGE + 10, _cut(title, int(width // 9)), "title"),
        *_edges(links, places),
        *(_box(nodes[name], *places[name], (hrefs or {}).get(name, "")) for name in nodes),
        *(words(EDGE, low + 18 * i, text, "note") for i, text in enumerate(notes)),
    ]
    return picture("trace", title, _described(trace, notes), width, height, parts, css="trace", sheet=STYLE)


def trace_document(trace: Trace) -> str:
    """Draw a trace as an SVG document of its own."""
    return f'<?xml version="1.0" encoding="UTF-8"?>\n{trace_svg(trace)}'


def _drawn(trace: Trace, most: int) -> set[str]:
    """Choose the boxes drawn, outward from the subject, with a share for each kind before any kind gets more."""
    below: dict[str, list[str]] = {}
    for start, end, _ in trace.away():
        below.setdefault(start, []).append(end)
    share = max(most // max(len({node.kind for node in trace.nodes}), 1), 1)
    drawn, counts = {trace.root}, Counter({trace.root.partition(":")[0]: 1})
    for limit in (share, most):
        queue, seen = [trace.root], {trace.root}
        for name in queue:
            for end in below.get(name, ()):
                kind = end.partition(":")[0]
                if end not in drawn and len(drawn) < most and counts[kind] < limit:
                    drawn.add(end)
                    counts[kind] += 1
                if end in drawn and end not in seen:
                    seen.add(end)
                    queue.append(end)
    return drawn


def _columns(root: str, names: list[str], links: list[tuple[str, str, Edge]]) -> list[list[str]]:
    """Put each node behind everything that leads to it, and order columns so that few edges cross."""
    depth = {root: 0}
    for _ in names:
        moved = False
        for start, end, _ in links:
            if start in depth and depth.get(end, -1) < depth[start] + 1 <= len(names) and end != root:
                depth[end] = depth[start] + 1
                moved = True
        if not moved:
            break
    columns: list[list[str]] = [[] for _ in range(max(depth.values()) + 1)]
    for name in sorted(names, key=order):
        columns[depth.get(name, 0)].append(name)
    columns = [column for column in columns if column]
    near: dict[str, set[str]] = {name: set() for name in names}
    for start, end, _ in links:
        near[start].add(end)
        near[end].add(start)
    for sweep in range(SWEEPS):
        place = {name: j - len(column) / 2 for column in columns for j, name in enumerate(column)}
        for column in columns if sweep % 2 == 0 else columns[::-1]:
            middle = {n: sum(place[o] for o in near[n]) / len(near[n]) if near[n] else place[n] for n in column}
            column.sort(key=lambda n: (middle[n], order(n)))
            place |= {name: j - len(column) / 2 for j, name in enumerate(column)}
    return columns


def _edges(links: list[tuple[str, str, Edge]], places: _Places) -> list[str]:
    out, relations = [], dict[str, set[str]]()
    for start, end, edge in links:
        (x1, y1), (x2, y2) = ((x, y + HIGH // 2) for x, y in (places[start], places[end]))
        x1, bend = x1 + BOX, GAP // 2
        curve = f"M{x1} {y1}C{x1 + bend} {y1} {x2 - bend} {y2} {x2} {y2}"
        text = f"{edge.relation}, commit {edge.commit}" if edge.commit else edge.relation
        out.append(element("path", {"class": "edge", "d": curve}, hint(text)))
        relations.setdefault(end, set()).add(edge.relation)
    for end, all_of in relations.items():
        x, y = places[end]
        out.append(words(x - 6, y + HIGH / 2 - 4, _cut(", ".join(sorted(all_of)), 24), "relation"))
    return out


def _box(node: Node, x: float, y: float, href: str) -> str:
    label = harmless(node.label)
    cut = (
        label
        if len(label) <= LETTERS
        else label[: label.rfind(" ", 8, LETTERS) if " " in label[8:LETTERS] else LETTERS]
    )
    lines = [cut, _cut(label[len(cut) :].strip(), LETTERS)]
    name = f"{called(node.kind)} {node.label}"
    # each line is escaped by itself, since a line break would become a visible escape
    whole = "\n".join(escaped(text) for text in (name, *(f"{key}: {value}" for key, value in node.details)))
    texts = [words(x + 10, y + 31 + 14 * i, text, "label") for i, text in enumerate(lines) if text]
    group = element(
        "g",
        {"class": f"node k-{COLOUR_OF.get(node.kind, 'other')}", "data_id": node.id},
        f"<title>{whole}</title>",
        box(x, y, BOX, HIGH, "", rx=6),
        words(x + 10, y + 15, called(node.kind), "kind soft"),
        *texts,
    )
    return link(href, name, group) if href else group


def _described(trace: Trace, notes: list[str]) -> str:
    counts = Counter(node.kind for node in trace.nodes if node.id != trace.root)
    counted = ", ".join(f"{n} {called(kind, n)}" for kind, n in sorted(counts.items(), key=_kind_order)) or "nothing"
    holds = "On it rest" if trace.forward else "It rests, nearest first, on"
    left = f" Not drawn: {'; '.join(notes)}." if notes else ""
    return f"Boxes in columns away from {trace.subject}, joined by what rests on what. {holds} {counted}.{left}"


def _kind_order(item: tuple[str, int]) -> tuple[int, str]:
    return order(f"{item[0]}:")[:2]


def _cut(text: str, letters: int) -> str:
    text = harmless(text)
    return text if len(text) <= letters else text[: letters - 1] + "…"
