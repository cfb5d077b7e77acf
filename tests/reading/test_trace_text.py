"""A trace on a terminal."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from stillwell.reading.trace.graph import Edge, Graph, trace_of
from stillwell.reading.trace.text import trace_text
from stillwell.reading.trace.trace import trace, trace_forward
from tests.reading.recorded import ID, recorded


@pytest.fixture(scope="module")
def archive(tmp_path_factory):
    """Make the archive once."""
    return recorded(tmp_path_factory.mktemp("recorded")).archive


def test_back_it_is_a_tree_that_tells_everything_once(archive):
    """Each node is told where it is first met; the path, digest and size of every sealed file are there."""
    traced = trace(archive, ID)
    text = trace_text(traced)
    lines = text.splitlines()
    assert max(map(len, lines)) <= 100
    assert f"gauging {ID}" == lines[0]
    assert f"  is revision {ID} revision 1" in lines
    joined = "".join(line.strip() for line in lines)
    for node in traced.of_kind("file"):
        details = dict(node.details)
        assert joined.count(details["sha512"]) == 1
        assert joined.count(details["path"]) == 1
    assert sum(line.strip() == "measured with instrument M1, acoustic point" for line in lines) == 1
    assert sum(line.strip() == "measured with instrument M1, acoustic point (told elsewhere)" for line in lines) == 1


def test_forward_it_counts_and_names_the_first(archive):
    """So many of each kind, the first of them by name, and how many more there are."""
    text = trace_text(trace_forward(archive, "software:0.1.0"), first=2)
    assert "3 gaugings, 4 revisions" in text
    assert "\n  and 1 more\n" in text
    whole = trace_text(trace_forward(archive, "software:0.1.0"), first=None)
    assert "more" not in whole
    assert all(f"\n  commit {number}\n" in whole + "\n" for number in range(1, 8))


def test_nothing_rests_on_it():
    """A meter that nobody used is said to carry nothing."""
    graph = Graph()
    graph.describe("instrument:M9", "M9, acoustic point")
    text = trace_text(trace_of(graph, "M9", "instrument:M9", [], forward=True))
    assert text == "instrument M9, acoustic point\nNothing rests on it.\n"


@given(st.text(max_size=300), st.text(max_size=300), st.booleans())
def test_no_label_breaks_out_of_its_lines(label, value, forward):
    """Whatever a label holds, every line has at most 100 columns and no control character."""
    graph = Graph()
    graph.describe("gauging:a", label, [("x", value)])
    graph.describe("site:b", value)
    edges = [Edge("gauging:a", "site:b", "made at", 1)]
    root = "site:b" if forward else "gauging:a"
    text = trace_text(trace_of(graph, "a", root, edges, forward=forward, notes=[value]))
    assert all(len(line) <= 100 for line in text.split("\n"))
    assert all(letter == "\n" or letter.isprintable() for letter in text)


def test_a_long_chain_of_revisions_stays_on_the_page():
    """Hundreds of revisions, each of the one before, do not walk off the right edge."""
    graph = Graph(edges=[Edge(f"revision:a/{i + 1}", f"revision:a/{i}", "revises", i + 1) for i in range(1, 600)])
    text = trace_text(trace_of(graph, "a/600", "revision:a/600", graph.edges, forward=False))
    assert len(text.splitlines()) == 600
    assert max(map(len, text.splitlines())) <= 100
