"""What views and their cache keep between questions."""

from __future__ import annotations

import threading
from concurrent.futures import ThreadPoolExecutor

import pytest

from stillwell.pages import urls
from stillwell.pages.data.archive_view import ArchiveViews
from stillwell.pages.data.cache import LEAST, Kept
from stillwell.pages.data.series import series_of
from tests.room.conftest import archive_of, deposit


def test_made_once_however_many_ask():
    """Of many who ask at once for one thing, one makes it and all get it."""
    kept, made, gate = Kept(), [], threading.Barrier(8)

    def make():
        made.append(1)
        return object()

    def ask(_):
        gate.wait(10)
        return kept.get("key", make)

    with ThreadPoolExecutor(8) as pool:
        got = set(pool.map(ask, range(8)))
    assert (len(got), len(made)) == (1, 1)


def test_the_longest_unasked_for_goes_first():
    """When there is no more room, what nobody asked for longest is given up."""
    kept = Kept(most=3 * (LEAST + 1000))
    for key in "abc":
        kept.get(key, lambda: "x" * 1000)
    kept.get("a", lambda: "not made again")
    kept.get("d", lambda: "x" * 1000)
    assert kept.get("a", lambda: "gone") != "gone"
    assert kept.get("b", lambda: "gone") == "gone"


def test_what_cannot_be_made_is_not_kept():
    """A failure is told to whoever asked, and the next one tries again."""
    kept = Kept()
    with pytest.raises(ValueError, match="no"):
        kept.get("key", lambda: (_ for _ in ()).throw(ValueError("no")))
    assert kept.get("key", lambda: 7) == 7


def test_a_commit_to_one_site_leaves_the_series_of_another_in_memory(tmp_path):
    """What rests on files that a commit did not add to is not read again; what it added to is."""
    root = archive_of(tmp_path / "archive", deposit(tmp_path / "one", "S1"))
    views = ArchiveViews(root)
    before = views.view()
    series, gaugings = series_of(before, "S1"), before.standing("gaugings", "S1")
    archive_of(root, deposit(tmp_path / "two", "S2", start="2025-06-01T10:00+00:00"))
    after = views.view()
    assert after.number == before.number + 2  # the deposit and its rendering
    assert series_of(after, "S1") is series
    assert after.standing("gaugings", "S1") is gaugings
    assert after.standing("gaugings", "S2")["site"].tolist() == ["S2"]
    archive_of(root, deposit(tmp_path / "three", "S1", start="2025-07-01T10:00+00:00"))
    assert len(views.view().standing("gaugings", "S1")) == len(gaugings) + 1


def test_addresses():
    """A query leaves out what was not asked, and escapes what was."""
    assert urls.with_query("/x", {"a": "", "b": None, "c": "1&2"}) == "/x?c=1%262"
    assert urls.node("revision:a/b/2") == "/trace?of=a%2Fb%2F2&way=back"
    assert urls.node("commit:7") == "/ledger/7"
    assert (
        urls.node("rows:abc/p.csv 3-4", {"file": "p.csv", "lines": "3-4"}) == "/bytes?deposit=abc&file=p.csv&lines=3-4"
    )
    assert urls.node("instrument:M/1") == "/trace?of=instrument%3AM%2F1&way=forward"
