"""The picture of a trace."""

from __future__ import annotations

import re
from itertools import pairwise

import defusedxml.ElementTree as ElementTree
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from stillwell.reading.trace.graph import Edge, Graph, trace_of
from stillwell.reading.trace.picture import MOST, trace_svg
from stillwell.reading.trace.trace import trace, trace_forward
from tests.reading.recorded import ID, recorded

SVG = "{http://www.w3.org/2000/svg}"


@pytest.fixture(scope="module")
def archive(tmp_path_factory):
    """Make the archive once."""
    return recorded(tmp_path_factory.mktemp("recorded")).archive


def _parsed(traced, **how):
    return ElementTree.fromstring(trace_svg(traced, **how).encode())


def _boxes(svg):
    boxes = ((group.get("data-id"), group.find(f"{SVG}rect")) for group in svg.findall(f"{SVG}g"))
    return {name: tuple(float(box.get(k)) for k in ("x", "y", "width", "height")) for name, box in boxes}


def test_every_node_has_its_box_and_every_edge_its_line(archive):
    """A trace small enough is drawn whole, and a screen reader is told what it is."""
    traced = trace(archive, ID)
    svg = _parsed(traced)
    assert {node.id for node in traced.nodes} == set(_boxes(svg))
    assert len(traced.edges) == len(svg.findall(f"{SVG}path"))
    assert (svg.get("role"), svg.get("aria-labelledby")) == ("img", "trace-title trace-desc")
    assert ID in svg.find(f"{SVG}title").text
    assert "2 revisions" in svg.find(f"{SVG}desc").text
    assert "prefers-color-scheme" in svg.find(f"{SVG}style").text


def test_no_box_covers_another_and_all_are_on_the_page(archive):
    """Boxes keep apart and inside the picture; every edge leads to the right."""
    for traced in (trace(archive, ID), trace_forward(archive, "S1")):
        svg = _parsed(traced)
        boxes = sorted(_boxes(svg).values())
        for (x1, y1, w1, h1), (x2, y2, _, _) in pairwise(boxes):
            assert x2 >= x1 + w1 or (x1 == x2 and y2 >= y1 + h1)
        assert all(x >= 0 and x + w <= float(svg.get("width")) for x, _, w, _ in boxes)
        assert all(y >= 0 and y + h <= float(svg.get("height")) for _, y, _, h in boxes)
        for path in svg.findall(f"{SVG}path"):
            numbers = [float(n) for n in re.findall(r"[\d.]+", path.get("d"))]
            assert numbers[0] < numbers[-2]


def test_of_many_some_of_each_kind_are_drawn_and_the_rest_counted():
    """Thousands of gaugings on one meter: a capped picture that says how many it leaves out."""
    graph = Graph(edges=[Edge(f"revision:g{i}/1", "instrument:M", "measured with", 1) for i in range(5000)])
    graph.edges += [Edge(f"gauging:g{i}", f"revision:g{i}/1", "is", 1) for i in range(5000)]
    svg = _parsed(trace_of(graph, "M", "instrument:M", graph.edges, forward=True))
    drawn = list(_boxes(svg))
    assert len(drawn) == MOST
    notes = [t.text for t in svg.findall(f"{SVG}text") if t.get("class") == "note"]
    gaugings = sum(name.startswith("gauging:") for name in drawn)
    assert gaugings > 10
    assert [f"and {5000 - gaugings} more gaugings", f"and {5000 - (MOST - 1 - gaugings)} more revisions"] == notes


@settings(max_examples=60)
@given(st.text(max_size=80), st.text(max_size=80))
def test_no_label_breaks_out_of_its_box(label, code):
    """Whatever a label holds, the picture is well-formed XML without a script, and holds the label as text only."""
    graph = Graph()
    graph.describe("gauging:a", label, [(code, label)])
    graph.describe(f"site:{code}", code)
    edges = [Edge("gauging:a", f"site:{code}", label, 1)]
    svg = _parsed(trace_of(graph, label, "gauging:a", edges, forward=False, notes=[label]))
    known = {"svg", "title", "desc", "style", "rect", "text", "path", "g"}
    assert known >= {element.tag.removeprefix(SVG) for element in svg.iter()}


@pytest.mark.parametrize("label", ["</text><script>alert(1)</script>", "]]>&\"'<!--", "\u202eabc\x00\x1b", "x" * 5000])
def test_hostile_labels_are_text(label):
    """Marks of XML, control characters and very long labels stay text, cut in the box and whole in its title."""
    graph = Graph()
    graph.describe("gauging:a", label)
    svg = _parsed(trace_of(graph, label, "gauging:a", [], forward=False))
    assert svg.find(f".//{SVG}script") is None
    assert all(len(text.text) <= 80 for text in svg.iter(f"{SVG}text"))
    assert svg.find(f"{SVG}g/{SVG}title").text.isprintable()
