"""No sentence prints ``nan`` or ``inf``: whatever cannot be said is said in words."""

from __future__ import annotations

import re

import numpy as np
import pandas as pd
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from typer.testing import CliRunner

from stillwell.archive.archive import Archive
from stillwell.assessment.rating_checks import no_limits, rating_findings
from stillwell.assessment.stage_findings import findings_in_words
from stillwell.cli import app
from stillwell.errors import RatingError
from stillwell.hydrometry.rating.curve import Curve
from stillwell.hydrometry.rating.fit import fit
from stillwell.hydrometry.rating.next_gauging import of_site, ranked
from stillwell.hydrometry.rating.shape import FitChoices
from stillwell.hydrometry.rating.shift_proposal import propose
from stillwell.hydrometry.stage.check_series import check_series
from stillwell.hydrometry.stage.flags import SPAN_COLUMNS
from stillwell.pipeline.committing import office_policy
from stillwell.reading.rating.document import rating_document
from stillwell.reading.rating.shifts import proposal_text
from stillwell.reading.rating.site_fit import Candidates, rating_text
from stillwell.reporting import site_report
from tests.pipeline.season import registers, take

BAD = re.compile(r"\b(?:nan|inf)\b", re.IGNORECASE)
POLICY = office_policy()[0]
QUICK = settings(max_examples=10, deadline=None, suppress_health_check=[HealthCheck.too_slow])
DAY = np.datetime64("2025-01-01", "us")

cases = st.tuples(
    st.integers(0, 10_000), st.integers(4, 14), st.floats(0.2, 5.0), st.floats(-0.2, 0.49), st.sampled_from([0, 1, 3])
)
"""Seed, gaugings, exponent, stage of zero flow and observed zeros of an invented site."""


def _site(seed, count, exponent, zero, zeros):
    rng = np.random.default_rng(seed)
    stage = np.sort(rng.uniform(0.5, 2.5, count))
    flow = 4 * (stage - zero) ** exponent * np.exp(0.1 * rng.normal(size=count))
    return np.r_[np.full(zeros, 0.49), stage], np.r_[np.zeros(zeros), flow]


def _times(size):
    return DAY + np.arange(size) * np.timedelta64(86_400_000_000, "us")


def _words_of_fit(case):
    """Collect all that is said of a fit, or why there is none."""
    stage, flow = _site(*case)
    try:
        made = fit(stage, flow, choices=FitChoices(segments=1))
    except RatingError as refused:
        return str(refused)
    rows = pd.DataFrame({"gauging_id": [f"G{i}" for i in range(stage.size)], "site": "S1"})
    found = Candidates(rows, np.full(stage.size, "", dtype=object))
    held = made.gaugings.assign(gauging_id=rows["gauging_id"])
    said = rating_findings(made.curve, held[held["discharge_m3_s"] > 0], made.at_bound, POLICY)
    document = rating_document(found, made, findings=said)
    assert (document["no_limits"] is None) == (not made.at_bound)
    messages = [one["message"] for one in document["findings"]]
    words = " ".join([rating_text(found, made, said), no_limits(made.at_bound), *messages, *document["notes"]])
    record = np.r_[np.nan, 0.1, stage]
    passed = np.r_[np.nan, 0.0, flow]
    try:
        out = of_site(made, _times(stage.size), record, passed, DAY + np.timedelta64(60, "D"))
    except RatingError as refused:
        return f"{words} {refused}"
    assert np.isnan(out.stage_m) == (ranked({"S1": out})["gain_pct"].iloc[0] == 0)
    return " ".join([words, *out.sentences])


@QUICK
@given(cases)
def test_words_of_a_fit_and_of_what_it_asks_for(case):
    """A fit's text, findings and outlook over a record with holes and dry stages; also where there are no limits."""
    assert not BAD.search(_words_of_fit(case))


@QUICK
@given(cases, st.floats(0.3, 3.0), st.sampled_from(["by gauging", "by time", "by stage"]))
def test_words_of_proposed_shifts(case, zero, way):
    """Also of a rating that says 0 at some or all of the gaugings."""
    stage, flow = _site(*case)
    rating = Curve(*(np.array([value]) for value in (zero, 5.0, zero, 1.8)))
    assert not BAD.search(proposal_text("R", propose(rating, _times(stage.size), stage, flow, way=way)))


@QUICK
@given(st.integers(0, 10_000), st.floats(0.0, 0.9))
def test_words_of_doubts_about_stage(seed, missing):
    """Two loggers one after the other over the same days, with any share of their values missing."""
    rng = np.random.default_rng(seed)
    time = np.tile(np.arange(60) * 3_600_000_000, 2) + np.repeat([0, 600_000_000], 60)
    stage = np.where(rng.random(120) < missing, np.nan, 1 + 0.01 * rng.normal(size=120))
    stage[:60] = np.nan if seed % 2 else stage[:60]
    words = findings_in_words(check_series(time, stage).spans, POLICY)
    assert not words["message"].str.contains(BAD).any()


def test_two_loggers_that_no_value_compares_are_said_in_words():
    """Where no value says how far apart two loggers are, no figure is printed."""
    spans = pd.DataFrame([["loggers-overlap", 0, 10**11, np.nan, 60]], columns=list(SPAN_COLUMNS)).astype(SPAN_COLUMNS)
    assert findings_in_words(spans, POLICY)["message"].iloc[0].endswith("no value says how far apart")


@pytest.fixture(scope="module")
def root(tmp_path_factory):
    """Results of a control whose zero flow lies just under the lowest one gauged, a rating that is dry, and stage."""
    tmp = tmp_path_factory.mktemp("bound")
    folder = tmp / "results"
    folder.mkdir()
    stages = np.linspace(0.5, 2.0, 12)
    flow = 5 * (stages - 0.4999) ** 0.5 * np.exp(0.03 * np.random.default_rng(3).normal(size=12))
    lines, heights = ["gauging,site,started_at,ended_at,method,discharge_m3_s"], ["site,read_at,gauge_height_m,gauging"]
    for i, (h, q) in enumerate(zip(stages, flow, strict=True), 1):
        lines.append(f"G{i},S1,2025-05-{i:02d}T10:00Z,2025-05-{i:02d}T11:00Z,float,{q:.5g}")
        heights += [f"S1,2025-05-{i:02d}T{t}Z,{h:.4f},G{i}" for t in ("09:55", "11:05")]
    (folder / "gaugings.csv").write_text("\n".join(lines) + "\n")
    (folder / "gauge_heights.csv").write_text("\n".join(heights) + "\n")
    take(tmp / "archive", registers(tmp / "registers"))
    assert take(tmp / "archive", folder).all_good
    return tmp / "archive"


def _run(*words):
    return CliRunner().invoke(app, [*words], catch_exceptions=False)


def test_a_fit_at_its_bound_is_told_and_adopted_without_limits(root):
    """No limits are given and why; adopted it has no covariance, and the report of the site shows its findings."""
    got = _run("rate", "S1", "--segments", "1", "--archive", str(root))
    assert got.exit_code == 0
    assert not BAD.search(got.output)
    assert "no limits are given: zero_stage_1" in got.output
    assert "rating-at-bound" in got.output
    assert "rating-exponent" in got.output
    words = ("--adopt", "A", "--valid-from", "2025-01-01T00:00Z", "--by", "H1", "--reason", "test")
    got = _run("rate", "S1", "--segments", "1", *words, "--archive", str(root))
    assert got.exit_code == 0, got.output
    assert Archive(root).standing("ratings")["covariance"].isna().all()
    assert "rating-exponent" in site_report(Archive(root), "S1")
