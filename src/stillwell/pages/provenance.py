"""What a gauging rests on, from a trace, as the rows of a page."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from stillwell.errors import ArchiveError, QueryError
from stillwell.pages.data.archive_view import View
from stillwell.reading.trace.graph import Node, Trace
from stillwell.reading.trace.trace import trace

RELATIONS = {
    "stands on": "the gauging's own lines",
    "points stand on": "its points",
    "samples stand on": "its raw samples",
    "gauge read on": "readings of the gauge",
}


@dataclass(frozen=True)
class Rests:
    """Facts by name, sealed files with the lines used, and deposits; ``problem`` says why they cannot be shown."""

    facts: list[tuple[str, str]]
    files: list[dict[str, Any]]
    deposits: list[dict[str, str]]
    notes: list[str]
    problem: str = ""


def rests_on(view: View, gauging_id: str, revision: int) -> Rests:
    """Trace a revision of a gauging to its sealed bytes.

    Parameters
    ----------
    view : View
    gauging_id : str
    revision : int

    Returns
    -------
    Rests
        Damaged or withheld content is reported in ``problem``; the page is still written.
    """
    try:
        traced = trace(view.archive, f"{gauging_id}/{revision}")
    except (ArchiveError, QueryError) as error:
        return Rests([], [], [], [], str(error))
    return Rests(_facts(traced), _files(traced), _deposits(traced), list(traced.notes))


def _facts(traced: Trace) -> list[tuple[str, str]]:
    nodes = traced.by_id()
    out = []
    for kind, name in (("software", "computed by"), ("policy", "judged under"), ("map", "read with")):
        for node in traced.of_kind(kind):
            details = dict(node.details)
            digest = details.get("sha256", "")
            out.append((name, f"{node.label}{f', sha256 {digest}' if digest else ''}"))
    for edge in traced.edges:
        if edge.start == traced.root and edge.relation in ("meter last checked by", "meter next checked by"):
            out.append((edge.relation, nodes[edge.end].label))
    return list(dict.fromkeys(out))


def _files(traced: Trace) -> list[dict[str, Any]]:
    """List the sealed files, each with the lines of it and what they are to the gauging."""
    nodes = traced.by_id()
    why: dict[str, list[str]] = {}
    for edge in traced.edges:
        if edge.end.startswith("rows:"):
            start = nodes[edge.start]
            relation = RELATIONS.get(edge.relation) if start.kind == "revision" else f"{start.kind} {start.label}"
            why.setdefault(edge.end, []).append(relation or edge.relation)
    lines: dict[str, list[tuple[str, str]]] = {}
    for edge in traced.edges:
        if edge.end.startswith("file:") and edge.start.startswith("rows:"):
            used = dict(nodes[edge.start].details).get("lines", "")
            lines.setdefault(edge.end, []).append((used, ", ".join(dict.fromkeys(why.get(edge.start, [])))))
    return [_file(node, sorted(lines.get(node.id, []))) for node in traced.of_kind("file")]


def _file(node: Node, lines: list[tuple[str, str]]) -> dict[str, Any]:
    details = dict(node.details)
    deposit = node.id.removeprefix("file:").partition("/")[0]
    return {
        "name": node.label,
        "path": details.get("path", ""),
        "sha512": details.get("sha512", ""),
        "bytes": details.get("bytes", ""),
        "deposit": deposit,
        "lines": lines,
    }


def _deposits(traced: Trace) -> list[dict[str, str]]:
    out = []
    for node in traced.of_kind("deposit"):
        details = dict(node.details)
        out.append(
            {
                "name": node.label,
                "digest": details.get("sha256", node.id.removeprefix("deposit:")),
                "kind": details.get("handed in as", ""),
                "by": details.get("handed in by", ""),
                "bytes": details.get("bytes", ""),
            }
        )
    return out
