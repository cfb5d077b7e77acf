"""A trace as a picture whose boxes are links, and as lists."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from markupsafe import Markup
from starlette.requests import Request
from starlette.responses import Response

from stillwell.errors import QueryError
from stillwell.pages import urls
from stillwell.pages.data.archive_view import View
from stillwell.pages.formats import drawn
from stillwell.reading.trace.graph import RECORDED, Node, Trace, called
from stillwell.reading.trace.picture import trace_svg
from stillwell.reading.trace.trace import trace, trace_forward
from stillwell.room.page import page
from stillwell.room.query_params import one_of

FIRST = 100
"""Things of one kind that are listed."""


def trace_page(view: View, request: Request) -> Response:
    """Answer with a trace, or with the form that asks for one."""
    subject = request.query_params.get("of", "").strip()
    if not subject:
        return page(view, request, "trace", traced=None, subject="", way="back", drawn=None, groups=[], counts=[])
    way = one_of(request.query_params, "way") if request.query_params.get("way") else _way(view, subject)
    walk = trace_forward if way == "forward" else trace
    traced = view.memo(("trace", way, subject), lambda: walk(view.archive, subject))
    drawn = view.memo(("trace-drawn", way, subject), lambda: with_links(traced))
    root = traced.by_id()[traced.root]
    return page(
        view,
        request,
        "trace",
        traced=traced,
        subject=subject,
        way=way,
        drawn=drawn,
        groups=_groups(traced),
        root=root,
        open_page=_open(root),
        counts=[(called(kind, many), many) for kind, _, many in _groups(traced)],
    )


def _way(view: View, subject: str) -> str:
    """Trace a gauging back and anything else forward."""
    try:
        view.memo(("trace", "back", subject), lambda: trace(view.archive, subject))
    except QueryError:
        return "forward"
    return "back"


def with_links(traced: Trace) -> Markup:
    """Draw a trace whose boxes, but for the subject's, are links."""
    hrefs = {node.id: urls.node(node.id, dict(node.details)) for node in traced.nodes if node.id != traced.root}
    return drawn(trace_svg(traced, hrefs=hrefs))


def _groups(traced: Trace) -> list[tuple[str, list[dict[str, Any]], int]]:
    """List the nodes by kind in the order of the trace, each with how it hangs on the others."""
    relations: dict[str, list[str]] = {}
    nodes = traced.by_id()
    for start, end, edge in traced.away():
        if edge.relation != RECORDED or end.startswith("commit:"):
            relations.setdefault(end, []).append(f"{nodes[start].label}: {edge.relation}")
    kinds = dict.fromkeys(node.kind for node in traced.nodes if node.id != traced.root)
    out = []
    for kind in kinds:
        members = [node for node in traced.of_kind(kind) if node.id != traced.root]
        out.append((kind, [_listed(node, relations) for node in members[:FIRST]], len(members)))
    return out


def _listed(node: Node, relations: dict[str, list[str]]) -> dict[str, Any]:
    reasons = relations.get(node.id, [])
    more = f" and {len(reasons) - 3} more" if len(reasons) > 3 else ""
    details = dict(node.details)
    return {
        "label": node.label,
        "href": urls.node(node.id, details),
        "open": _open(node),
        "details": node.details,
        "since": "; ".join(reasons[:3]) + more,
    }


def _open(node: Node) -> str:
    """Return the address of the page of a thing itself, empty where it has none."""
    kind, _, rest = node.id.partition(":")
    if kind in {"gauging", "finding", "review"}:
        return urls.gauging(rest.split("/")[0])
    if kind == "revision":
        gauging, _, revision = rest.rpartition("/")
        return urls.gauging(gauging, revision=revision)
    pages: dict[str, Callable[[str], str]] = {"site": urls.site, "instrument": urls.meter, "deposit": urls.deposit}
    return pages[kind](rest) if kind in pages else ""
