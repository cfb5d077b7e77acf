"""The walk over what rests on what: up and down agree, and nothing rests on what was said after it."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from stillwell.reading.trace.graph import Edge, Graph, harmless, order, reached

NAMES = [f"kind:{i}" for i in range(6)]
EDGES = st.lists(
    st.builds(Edge, st.sampled_from(NAMES), st.sampled_from(NAMES), st.just("on"), st.integers(0, 3)), max_size=14
)


def _ways(edges, name, last):
    """Find by trying every way what a node rests on: along a way down commits never grow."""
    out, todo, seen = {name}, [(name, last)], set()
    while todo:
        place, bound = todo.pop()
        for start, end, _, commit in edges:
            if start == place and commit <= bound and (end, commit) not in seen:
                seen.add((end, commit))
                out.add(end)
                todo.append((end, commit))
    return out


@given(EDGES)
def test_down_is_what_every_way_leads_to(edges):
    """The walk down finds what trying all ways finds, loops or not."""
    graph = Graph(edges=list(edges))
    assert NAMES
    for name in NAMES:
        assert _ways(edges, name, 99) == set(reached(graph, name, forward=False)[0])


@given(EDGES)
def test_up_and_down_agree(edges):
    """One thing is above another exactly when the other is below it."""
    graph = Graph(edges=list(edges))
    below = {name: set(reached(graph, name, forward=False)[0]) for name in NAMES}
    above = {name: set(reached(graph, name, forward=True)[0]) for name in NAMES}
    assert all((a in below[b]) == (b in above[a]) for a in NAMES for b in NAMES)


def test_what_was_said_later_is_no_ground():
    """A revision of commit 2 rests on its meter as described in commit 1, not as described in commit 3."""
    edges = [("revision:1", "meter:M", "with", 2), ("meter:M", "rows:a", "on", 1), ("meter:M", "rows:b", "on", 3)]
    graph = Graph(edges=[Edge(*edge) for edge in edges])
    assert {"revision:1", "meter:M", "rows:a"} == set(reached(graph, "revision:1", forward=False)[0])
    assert {"rows:b", "meter:M"} == set(reached(graph, "rows:b", forward=True)[0])
    assert {"rows:a", "meter:M", "revision:1"} == set(reached(graph, "rows:a", forward=True)[0])


def test_a_kind_nobody_knows_yet_is_only_more_nodes():
    """A daily mean that rests on a rating that rests on a gauging is reached like everything else."""
    edges = [Edge("daily mean:d", "rating:r", "by", 9), Edge("rating:r", "revision:A/1", "fitted to", 8)]
    graph = Graph(edges=edges)
    assert {"daily mean:d", "rating:r", "revision:A/1"} == set(reached(graph, "revision:A/1", forward=True)[0])
    assert sorted(graph.names(), key=order) == ["revision:A/1", "rating:r", "daily mean:d"]


def test_numbers_in_names_are_ordered_as_numbers():
    """Commit 10 comes after commit 9, and line 2 before line 10."""
    assert sorted(["rows:x 10", "commit:10", "rows:x 2", "commit:9"], key=order) == [
        "commit:9",
        "commit:10",
        "rows:x 2",
        "rows:x 10",
    ]


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("a\nb", "a\\u000ab"),
        ("\u202egnp", "\\u202egnp"),
        ("\x1b[2J", "\\u001b[2J"),
        ("Río 川", "Río 川"),
        ("\ud800", "\\ud800"),
    ],
)
def test_what_would_move_a_cursor_or_turn_a_line_is_escaped(text, expected):
    """Control characters, marks of direction and lone surrogates are written out; letters stay."""
    assert expected == harmless(text)
