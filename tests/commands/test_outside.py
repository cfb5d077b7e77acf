"""Nothing but deposits goes into an archive: answers, pages, copies and publications lie outside it."""

from __future__ import annotations

import pytest

from tests.commands.test_commands import ID, SELECT, run
from tests.pipeline.season import season


@pytest.fixture(scope="module")
def root(tmp_path_factory):
    """Make an archive of two gaugings."""
    return season(tmp_path_factory.mktemp("season"))


def _files(root):
    return {p.relative_to(root).as_posix(): p.read_bytes() for p in root.rglob("*") if p.is_file()}


@pytest.mark.parametrize("place", ["README.txt", "ledger/00000001.json", "page.html", "work/answer"])
@pytest.mark.parametrize("command", [("query", SELECT, "--format", "csv"), ("report", ID), ("trace", ID)])
def test_no_answer_is_written_into_an_archive(root, command, place):
    """Not over what is there and not beside it: exit 2, where it lies and what to type."""
    before = _files(root)
    code, out, err = run(*command, "--output", root / place, root=root)
    assert (code, out) == (2, "")
    assert f"expected a file outside the archive {root}" in err
    assert "next: the same command with --output FILE in another folder" in err
    assert _files(root) == before


def test_a_link_does_not_lead_into_an_archive_either(root, tmp_path):
    """What counts is where the file would be."""
    link = tmp_path / "link.csv"
    link.symlink_to(root / "README.txt")
    before = _files(root)
    assert run("query", SELECT, "--output", link, root=root)[0] == 2
    assert _files(root) == before


@pytest.mark.parametrize("command", [("replicate", "--to"), ("rebuild", "--into")])
@pytest.mark.parametrize("place", ["copy", "work/copy", "."])
def test_no_copy_is_made_inside_the_archive_it_copies(root, command, place):
    """A copy that goes down with the archive is none, and the audit would name every file of it."""
    before = _files(root)
    code, _, err = run(*command, root / place, root=root)
    assert code == 1
    assert f"expected a folder outside the archive {root}" in err
    assert _files(root) == before
