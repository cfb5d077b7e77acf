"""One rule says which rating holds, and everything that names a rating names that one."""

from __future__ import annotations

import re

import numpy as np
import pandas as pd
import pytest

from stillwell import open as opened
from stillwell.archive.archive import Archive
from stillwell.hydrometry.rating.which_rating_holds import ratings_in_order, ratings_passed_over
from stillwell.pages.data.archive_view import ArchiveViews
from stillwell.pages.ratings import ratings_at
from stillwell.pipeline.adopt import adopt
from stillwell.pipeline.audit import audit
from stillwell.pipeline.derive import derive
from stillwell.pipeline.ingest import compact
from stillwell.reading.rating.shifts import proposal_of
from stillwell.reading.rating.site_ratings import newest_rating
from stillwell.reporting import gauging_report, site_report
from tests.pipeline.season import NOW, season, take
from tests.reading.recorded_stage import logger, rating

GAUGING = "S1.20250501T100000Z.M1"


@pytest.fixture(scope="module", params=["as committed", "after compaction"])
def root(request, tmp_path_factory):
    """An archive in which R-A, recorded after R-Z, is valid from the same moment; an earlier rating R-M too."""
    tmp = tmp_path_factory.mktemp("ties")
    root = season(tmp)
    take(root, logger(tmp / "a", "a", 24))
    for name, since, coefficient in (
        ("R-M", "2024-01-01T00:00Z", 5.0),
        ("R-Z", "2025-01-01T00:00Z", 10.0),
        ("R-A", "2025-01-01T00:00Z", 20.0),
    ):
        adopt(root, rating(name, since, coefficient), by="H1", now=NOW)
    derive(root, by="H1", now=NOW)
    if request.param == "after compaction":
        assert compact(root, most=1, by="H1", now=NOW)[0]
    return root


def test_every_reader_names_the_rating_recorded_last(root):
    """Record, reports, reading room, proposal of shifts and plot name R-A, whatever the order of rows in the files."""
    archive = Archive(root)
    assert set(archive.standing("discharge")["rating"]) == {"R-A"}
    assert [r.name for r in ratings_at(ArchiveViews(root).view(), "S1")] == ["R-M", "R-A"]
    assert newest_rating(archive, "S1")["rating"] == "R-A"
    assert proposal_of(archive, "S1", "by gauging")[0] == "R-A"
    gauging, site = (
        re.sub(r"<[^>]+>", "", page) for page in (gauging_report(archive, GAUGING), site_report(archive, "S1"))
    )
    assert re.findall(r"from rating (R-.)|Rating (R-.) gives", gauging)[0] in {("R-A", ""), ("", "R-A")}
    named = re.findall(r"Rating (R-.)", site)
    assert "R-A" in named
    assert "R-Z" not in named
    pytest.importorskip("matplotlib")
    labels = [line.get_label() for line in opened(root).plot_rating("S1").axes[0].lines]
    assert "R-A" in labels
    assert "R-Z" not in labels


def test_the_tie_is_a_finding_and_the_archive_audits_clean(root):
    """The derived record carries the finding with both names; deriving it again gives the same rows."""
    found = Archive(root).standing("series_doubts").set_index("code").loc["ratings-one-moment"]
    assert (found["severity"], found["value"]) == ("suspect", 2)
    assert "ratings R-Z and R-A are valid from one moment, 2025-01-01T00:00:00Z; R-A holds" in found["message"]
    assert audit(root).faults == ()


def test_the_rule_needs_no_order_of_rows():
    """By valid_from; of ties the row recorded last, then the name that sorts last; every permutation gives the same."""
    rows = pd.DataFrame(
        [("B", 1, 5), ("A", 1, 7), ("D", 3, 5), ("C", 3, 5), ("E", 2, 1), ("F", 9, 9)],
        columns=["rating", "valid_from", "recorded_at"],
    ).assign(site=["S"] * 5 + ["other"])
    for column in ("valid_from", "recorded_at"):
        rows[column] = pd.Timestamp("2025-01-01", tz="UTC") + pd.to_timedelta(rows[column], unit="h")
    rng = np.random.default_rng(3)
    for _ in range(20):
        shuffled = rows.iloc[rng.permutation(len(rows))]
        held = ratings_in_order(shuffled, "S")
        assert held["rating"].tolist() == ["A", "E", "D"]
        assert held["until"].iloc[:2].tolist() == held["valid_from"].iloc[1:].tolist()
        assert pd.isna(held["until"].iloc[2])
        passed = ratings_passed_over(shuffled, "S")
        assert dict(zip(passed["rating"], passed["holds"], strict=True)) == {"B": "A", "C": "D"}
