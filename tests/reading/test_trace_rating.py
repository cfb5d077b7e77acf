"""A rating names the gaugings it was fitted to, on the way down and on the way up."""

from __future__ import annotations

import shutil
from datetime import UTC, datetime
from pathlib import Path

import pytest

from stillwell.archive.archive import Archive
from stillwell.pipeline import adopt as adopting
from stillwell.pipeline.audit import audit
from stillwell.pipeline.derive import derive
from stillwell.reading.rating.site_fit import candidates, fitted
from stillwell.reading.trace.trace import trace, trace_forward
from tests.pipeline.season import clock

SAMPLE = Path(__file__).parents[2] / "sample_archive" / "archive"
SINCE = datetime(2024, 10, 1, tzinfo=UTC)


@pytest.fixture(scope="module")
def fitted_to(tmp_path_factory):
    """Fit a rating to the gaugings of a sample site, adopt it and derive; the archive, and what it was fitted to."""
    root = tmp_path_factory.mktemp("rated") / "archive"
    shutil.copytree(SAMPLE, root)
    chosen = candidates(Archive(root), "INV-KES")
    deposit = adopting.rating_deposit(
        "INV-KES", "INV-KES-B", fitted(chosen), gaugings=chosen.names, valid_from=SINCE, by="INV-H1", reason="a trial"
    )
    now = clock(datetime(2026, 1, 1, tzinfo=UTC))
    adopting.adopt(root, deposit, by="INV-H1", now=now)
    derive(root, ["INV-KES"], by="INV-H1", now=now)
    return root, chosen


def test_down_from_a_day_every_gauging_of_its_rating_is_named(fitted_to):
    """Each of them once, with its revision, and a trace of a day does not go through all their sheets."""
    root, chosen = fitted_to
    traced = trace(Archive(root), "INV-KES/2025-01-08")
    ends = {edge.end for edge in traced.edges if edge.relation == "fitted to"}
    assert ends == {f"revision:{name}" for name in chosen.names}
    assert not [edge for edge in traced.edges if edge.start in ends and edge.relation == "points stand on"]


def test_up_from_a_meter_the_records_rated_by_its_gaugings_are_named(fitted_to):
    """What a meter measured bears the rating, and through it every value rated since."""
    root, chosen = fitted_to
    meter = chosen.rows.loc[chosen.used, "instrument"].iloc[0]
    traced = trace_forward(Archive(root), str(meter))
    records = [node.id for node in traced.nodes if node.kind == "record"]
    assert any("INV-KES/" in name and name.endswith("/daily") for name in records)


def test_the_archive_is_sound(fitted_to):
    """The row keeps them as it was handed in, and the audit computes it again."""
    root, chosen = fitted_to
    rows = Archive(root).standing("ratings").set_index("rating")
    assert rows.loc["INV-KES-B", "gaugings"].split("; ") == chosen.names
    assert audit(root, recompute=False).faults == ()


@pytest.mark.parametrize("written", ["G1", "G1/0", "G1/1;G2/1", "/1"])
def test_a_list_of_gaugings_that_cannot_be_read_returns_the_rating(fitted_to, written):
    """What names no revision of a gauging would lead a trace nowhere, so the rating is handed back with the reason."""
    root, _ = fitted_to
    chosen = candidates(Archive(root), "INV-KES")
    deposit = adopting.rating_deposit(
        "INV-KES", "INV-KES-C", fitted(chosen), gaugings=[written], valid_from=SINCE, by="INV-H1", reason="a trial"
    )
    taken = adopting.adopt(root, deposit, by="INV-H1", now=clock(datetime(2027, 1, 1, tzinfo=UTC)))
    (problem,) = taken.prepared.problems.to_dict("records")
    assert (problem["column"], problem["found"]) == ("gaugings", written)
    assert "INV-KES-C" not in set(Archive(root).standing("ratings")["rating"])
