"""A trace as a picture: SVG in layers away from the subject, by itself complete, for light and dark pages."""

from __future__ import annotations

from collections import Counter
from xml.sax.saxutils import escape, quoteattr

from stillwell.reading.trace.graph import Edge, Node, Trace, called, harmless, order

MOST = 60
BOX, HIGH, GAP, ROW, EDGE = 240, 52, 170, 66, 24
"""Width and height of a box, space between columns, height of a row, margin; in px."""
LETTERS = 28
"""Characters that fit in a line of a box."""
SWEEPS = 6

COLOURS = {
    "day": ("#dbeafe", "#1e3a5f", "#2563eb"),
    "value": ("#dbeafe", "#1e3a5f", "#2563eb"),
    "record": ("#e0f2fe", "#164e63", "#0284c7"),
    "rating": ("#fce7f3", "#500f33", "#be185d"),
    "adoption": ("#fce7f3", "#500f33", "#be185d"),
    "shift": ("#fdf2f8", "#45112f", "#db2777"),
    "correction": ("#fff1f2", "#4c1420", "#e11d48"),
    "condition": ("#f0f9ff", "#12384d", "#0369a1"),
    "series": ("#ecfdf5", "#0f3d30", "#059669"),
    "sensor": ("#ccfbf1", "#134e4a", "#0f766e"),
    "gauging": ("#dbeafe", "#1e3a5f", "#2563eb"),
    "revision": ("#e0f2fe", "#164e63", "#0284c7"),
    "finding": ("#fee2e2", "#5f1e1e", "#dc2626"),
    "review": ("#fae8ff", "#4a1d52", "#a21caf"),
    "commit": ("#f3f4f6", "#374151", "#6b7280"),
    "software": ("#ede9fe", "#3b2a66", "#7c3aed"),
    "policy": ("#fef3c7", "#54400f", "#b45309"),
    "map": ("#ffedd5", "#5a3413", "#c2410c"),
    "check": ("#dcfce7", "#14432a", "#15803d"),
    "instrument": ("#ccfbf1", "#134e4a", "#0f766e"),
    "site": ("#e7f5d8", "#2f4a12", "#4d7c0f"),
    "rows": ("#f5f5f4", "#3f3a36", "#78716c"),
    "deposit": ("#fef9c3", "#4d4310", "#a16207"),
    "file": ("#e5e7eb", "#1f2937", "#4b5563"),
}
"""By kind: fill on a light page, fill on a dark page, stroke on both."""

_Places = dict[str, tuple[int, int]]


def trace_svg(trace: Trace, most: int = MOST) -> str:
    """Draw a trace.

    Parameters
    ----------
    trace : Trace
    most : int
        Boxes drawn at most; of what is left out the picture says how many of each kind.

    Returns
    -------
    str
        An SVG document. Every label is escaped, and cut where it is too long; the whole of it is the box's title.
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
        '<?xml version="1.0" encoding="UTF-8"?>',
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {width} {height:.0f}" width="{width}" '
        f'height="{height:.0f}" role="img" aria-labelledby="title desc">',
        f'<title id="title">{_text(title)}</title>',
        f'<desc id="desc">{_text(_described(trace, notes))}</desc>',
        f"<style>{_style()}</style>",
        f'<rect class="page" width="{width}" height="{height:.0f}"/>',
        f'<text class="title" x="{EDGE}" y="{EDGE + 10}">{_text(_cut(title, int(width // 9)))}</text>',
        *_edges(links, places),
        *(_box(nodes[name], *places[name]) for name in nodes),
        *(f'<text class="note" x="{EDGE}" y="{low + 18 * i:.0f}">{_text(n)}</text>' for i, n in enumerate(notes)),
        "</svg>",
    ]
    return "\n".join(parts) + "\n"


def _drawn(trace: Trace, most: int) -> set[str]:
    """Choose what is drawn: outward from the subject, so many of each kind that every kind has its turn."""
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
        path = f"M{x1} {y1}C{x1 + bend} {y1} {x2 - bend} {y2} {x2} {y2}"
        title = f"{edge.relation}, commit {edge.commit}" if edge.commit else edge.relation
        out.append(f'<path class="edge" d="{path}"><title>{_text(title)}</title></path>')
        relations.setdefault(end, set()).add(edge.relation)
    for end, all_of in relations.items():
        x, y = places[end]
        text = _cut(", ".join(sorted(all_of)), 24)
        out.append(f'<text class="relation" x="{x - 6:.0f}" y="{y + HIGH / 2 - 4:.0f}">{_text(text)}</text>')
    return out


def _box(node: Node, x: float, y: float) -> str:
    label = harmless(node.label)
    cut = (
        label
        if len(label) <= LETTERS
        else label[: label.rfind(" ", 8, LETTERS) if " " in label[8:LETTERS] else LETTERS]
    )
    lines = [cut, _cut(label[len(cut) :].strip(), LETTERS)]
    kind = node.kind if node.kind in COLOURS else "other"
    whole = "\n".join([f"{called(node.kind)} {node.label}", *(f"{name}: {value}" for name, value in node.details)])
    texts = "".join(
        f'<text class="label" x="{x + 10:.0f}" y="{y + 31 + 14 * i:.0f}">{_text(line)}</text>'
        for i, line in enumerate(lines)
        if line
    )
    return (
        f'<g class="node k-{kind}" data-id={quoteattr(harmless(node.id))}><title>{_text(whole)}</title>'
        f'<rect x="{x:.0f}" y="{y:.0f}" width="{BOX}" height="{HIGH}" rx="6"/>'
        f'<text class="kind" x="{x + 10:.0f}" y="{y + 15:.0f}">{_text(called(node.kind))}</text>{texts}</g>'
    )


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


def _text(text: str) -> str:
    return escape("\n".join(harmless(line) for line in text.split("\n")))


def _style() -> str:
    both = "".join(f".k-{kind} rect{{fill:{light};stroke:{line}}}" for kind, (light, _, line) in COLOURS.items())
    dark = "".join(f".k-{kind} rect{{fill:{fill}}}" for kind, (_, fill, _) in COLOURS.items())
    return (
        "text{font-family:system-ui,-apple-system,'Segoe UI',Roboto,'Noto Sans',sans-serif;fill:#111827}"
        ".page{fill:#fff}.title{font-size:16px;font-weight:600}.kind{font-size:11px;fill:#4b5563}"
        ".label{font-size:12px}.note{font-size:13px}.relation{font-size:11px;fill:#4b5563;text-anchor:end;paint-order:stroke;stroke:#fff;stroke-width:3px}"
        ".edge{fill:none;stroke:#9ca3af;stroke-width:1.3}rect{fill:#f9fafb;stroke:#6b7280}.page{stroke:none}"
        f"{both}@media (prefers-color-scheme:dark){{text{{fill:#f3f4f6}}.page{{fill:#111827}}"
        ".kind,.relation{fill:#d1d5db}.relation{stroke:#111827}"
        f".edge{{stroke:#6b7280}}.k-other rect{{fill:#1f2937}}{dark}}}"
    )
