"""Each finding code of gaugings and ratings has a bad example that it finds and a good one that it leaves alone."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from functools import cache
from pathlib import Path

import pytest

from stillwell.archive.archive import Archive
from stillwell.archive.revisions.snapshot import History
from stillwell.assessment.checks import CHECKS
from stillwell.assessment.stage_findings import PASSED_OVER
from stillwell.intake.readers.deposit import read_deposit
from stillwell.pipeline.derive import derive
from stillwell.pipeline.ingest import ingest, understand
from stillwell.prepare import CommitContext, policy_in_force, prepare
from stillwell.reading.policy import default_policy_text
from stillwell.schemas import ARCHIVE_TABLES
from tests.making import frame

HERE = Path(__file__).parent
NOW = datetime(2026, 1, 1, tzinfo=UTC)
NOTHING = History({name: frame(name, [], kept=True) for name in ARCHIVE_TABLES}).before(NOW)
"""An archive in which nothing stands yet."""


@cache
def _found(code: str, kind: str) -> frozenset[str]:
    deposit = read_deposit(HERE / code / kind)
    understood = understand([deposit])
    assert understood.problems.empty, understood.problems.to_dict("records")
    policy = policy_in_force(NOTHING, understood, default_policy_text())
    findings = prepare(NOTHING, [deposit], understood, CommitContext(1, NOW, "T1", "0", *policy)).tables.get("findings")
    if findings is None:
        return frozenset()
    assert findings["message"].str.len().min() > 20
    assert findings["source"].str.len().min() > 10
    return frozenset(findings["code"])


@pytest.mark.parametrize("code", [check.code for check in CHECKS])
def test_the_bad_example_is_found(code):
    """The check finds what is wrong in its bad example."""
    assert code in _found(code, "bad")


@pytest.mark.parametrize("code", [check.code for check in CHECKS])
def test_the_good_example_is_left_alone(code):
    """The check finds nothing in its good example, which lies as near to the limit as it may."""
    assert code not in _found(code, "good")


@pytest.mark.parametrize(("kind", "found"), [("bad", [PASSED_OVER]), ("good", [])])
def test_ratings_valid_from_one_moment_are_found(tmp_path, kind, found):
    """Two ratings of a site with one valid_from are a finding of the derived record; a second apart they are none."""
    moments = iter(NOW + timedelta(seconds=i) for i in range(20))
    ingest(tmp_path / "archive", [HERE / PASSED_OVER / kind], by="T1", now=lambda: next(moments))
    derive(tmp_path / "archive", by="T1", now=lambda: next(moments))
    rows = Archive(tmp_path / "archive").standing("series_doubts")
    assert rows.loc[rows["code"].str.startswith("ratings"), "code"].tolist() == found
    if found:
        assert "EX-B holds" in rows.set_index("code").loc[PASSED_OVER, "message"]
