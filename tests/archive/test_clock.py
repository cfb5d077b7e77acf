"""A writer stops where the clock stands too far from the newest commit, unless told that it is right."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import pytest

from stillwell.archive.archive import Archive
from stillwell.archive.ledger.clock import AFTER, BEHIND, RightClock
from stillwell.archive.writing.compact import sweep
from stillwell.archive.writing.writer import Commit, open_writer
from stillwell.errors import ClockRefused
from stillwell.pipeline.audit import audit, audit_part
from stillwell.pipeline.ingest import take as taken
from tests.pipeline.season import NOW, season

WHEN = datetime(2025, 5, 1, 8, tzinfo=UTC)
TICK = timedelta(microseconds=1)


@pytest.fixture
def root(tmp_path, write):
    """Make an archive with one commit."""
    write(tmp_path / "archive", now=lambda: WHEN)
    return tmp_path / "archive"


@pytest.mark.parametrize("away", [-BEHIND, timedelta(0), AFTER])
def test_a_clock_within_the_limits_is_believed(root, write, away):
    """Five minutes behind the newest commit and 400 days after it are both still allowed."""
    assert write(root, now=lambda: WHEN + away).recorded_at == max(WHEN + away, WHEN + TICK)


@pytest.mark.parametrize("away", [-BEHIND - TICK, AFTER + TICK, timedelta(days=36_525)])
def test_a_clock_beyond_them_writes_nothing_and_both_times_are_said(root, write, tree, away):
    """A minute too early, a day too late, a hundred years: refused, with the commit's time and the clock's."""
    before, now = tree(root), WHEN + away
    with pytest.raises(ClockRefused, match=f"2025-05-01T08:00:00Z; found .* {now:%Y-%m-%dT%H:%M:%S}Z") as refused:
        write(root, now=lambda: now)
    assert ("5 minutes before" if away < TICK else "400 days after") in str(refused.value)
    assert tree(root) == before
    assert write(root, now=RightClock(lambda: now)).recorded_at == max(now, WHEN + TICK)


def test_the_clock_is_looked_at_before_each_commit_of_one_writer(root):
    """A clock that jumps while one writer makes several commits is refused at the next."""
    moments = [WHEN, WHEN, WHEN + timedelta(days=401)]
    with open_writer(root, software_version="0", by="x", now=lambda: moments.pop(0)) as writer:
        writer.commit(Commit())
        with pytest.raises(ClockRefused):
            writer.commit(Commit())


def test_a_writer_with_nothing_to_write_does_not_stop(tmp_path):
    """Bytes already taken change nothing, however long ago; a night in which nothing changed needs no clock."""
    root = season(tmp_path)
    known = [Archive(root).sealed.read(note["deposit"]) for note in Archive(root).ledger.entry(2).deposits]
    later = lambda: datetime(2040, 1, 1, tzinfo=UTC)  # noqa: E731
    assert taken(root, known, by="T1", now=later).entry is None
    fresh = [type(known[0])("again", known[0].kind, "0" * 64, known[0].files)]
    with pytest.raises(ClockRefused):
        taken(root, fresh, by="T1", now=later)


def test_a_sweep_that_would_go_by_a_wrong_clock_removes_nothing(root, write):
    """What was replaced today stays though a clock a century ahead says it is old."""
    write(root, documents={"provenance/1.json": b"{}"}, now=lambda: WHEN)
    write(root, replaced=["provenance/1.json"], now=lambda: WHEN)
    late = WHEN + timedelta(days=36_525)
    with open_writer(root, software_version="0", by="x", now=lambda: late) as writer, pytest.raises(ClockRefused):
        sweep(writer, late - timedelta(days=7))
    assert (root / "provenance" / "1.json").exists()
    with open_writer(root, software_version="0", by="x", now=lambda: WHEN) as writer:
        assert sweep(writer, WHEN + timedelta(days=7)) == ["provenance/1.json"]
    assert not (root / "provenance").exists()


def test_the_audit_notes_a_newest_commit_in_the_future(tmp_path):
    """It is no fault, since the bytes are as written; a clock within five minutes of it is not spoken of."""
    root = season(tmp_path)
    newest = Archive(root).ledger.head().recorded_at
    for report in (audit(root, recompute=False, now=newest - BEHIND - TICK), audit_part(root, 1, newest - 2 * BEHIND)):
        assert report.faults == ()
        assert any("2026-01-01T00:00" in line and "in the future" in line for line in report.remarks)
    for report in (audit(root, recompute=False, now=newest - BEHIND), audit_part(root, 1, NOW())):
        assert not any("in the future" in line for line in report.remarks)
