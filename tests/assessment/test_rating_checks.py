"""What is doubtful about a rating is said, with the limit and its source; no gauging is the worse for it."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from stillwell.assessment.policy import policy_from
from stillwell.assessment.rating_checks import no_limits, rating_findings
from stillwell.errors import PolicyError
from stillwell.hydrometry.rating.curve import Curve
from stillwell.hydrometry.rating.fit import fit
from stillwell.pipeline.committing import office_policy

POLICY = office_policy()[0]
NINE = Path(__file__).parents[1] / "data" / "teaching_rating_gaugings_9.csv"


def curve(*exponents, feet=(0.2, 1.0, 2.0)):
    """Make segments with these exponents; their coefficients do not matter here."""
    n = len(exponents)
    return Curve(np.array(feet[:n]), np.ones(n), np.full(n, 0.1), np.array(exponents, dtype=float))


def gaugings(stages, departures=0.0, shares=1.0):
    """Make gaugings of a rating."""
    rows = pd.DataFrame({"stage_m": stages}).assign(departure_pct=departures, visit_share=shares)
    return rows.assign(gauging_id=[f"G{i}" for i in range(len(rows))])


def codes(found):
    """Name the codes found."""
    return [one.code for one in found]


@pytest.mark.parametrize(("exponent", "doubted"), [(0.99, True), (1.0, False), (3.5, False), (3.51, True)])
def test_exponents_outside_the_range_are_named_by_segment(exponent, doubted):
    """On both sides of both limits, in the second of two segments."""
    found = rating_findings(curve(2.0, exponent), None, (), POLICY)
    assert codes(found) == (["rating-exponent"] if doubted else [])
    assert not doubted or f"{exponent:.2f} in segment 2; 1 to 3.5 is usual" in found[0].message


@pytest.mark.parametrize(("worst", "doubted"), [(24.9, False), (25.0, False), (25.1, True), (-53.0, True)])
def test_departures_beyond_the_limit_are_named_the_farthest_first(worst, doubted):
    """One of seven gaugings beyond 25 % is enough, above or below."""
    departures = [1.0, -3.0, worst, 8.0, -2.0, 4.0, 0.5]
    found = rating_findings(curve(2.0), gaugings(np.linspace(0.3, 0.9, 7), departures), (), POLICY)
    assert codes(found) == (["rating-departure"] if doubted else [])
    assert not doubted or f"1 of 7 gaugings depart from it by more than 25 %: G2 {worst:+.0f} %" in found[0].message


def test_a_segment_with_few_gaugings_is_named_and_a_visit_counts_once():
    """Six in the lower segment will do; of six in the upper one two share a visit, which makes five."""
    stages = np.r_[np.linspace(0.3, 0.9, 6), np.linspace(1.1, 1.9, 6)]
    shares = np.r_[np.ones(10), 0.5, 0.5]
    found = rating_findings(curve(2.0, 1.5), gaugings(stages, shares=shares), (), POLICY)
    assert codes(found) == ["rating-few"]
    assert found[0].message == "segment 2 rests on 5 gaugings (a visit counted once); 6 are wanted"
    assert rating_findings(curve(2.0, 1.5), gaugings(stages), (), POLICY) == ()


def test_each_finding_carries_its_source():
    """Limits marked chosen say so; the office's own limit and source take their place."""
    own = policy_from("[limits]\nrating_exponent_range = { value = [1.6, 2.0], source = 'our rule 4' }\n", POLICY)
    assert rating_findings(curve(1.5), None, (), own)[0].source == "our rule 4"
    assert rating_findings(curve(0.5), None, (), POLICY)[0].source.startswith("chosen: ")
    with pytest.raises(PolicyError, match="a least and a greatest value"):
        policy_from("[limits]\nrating_exponent_range = { value = [1.6], source = 'x' }\n", POLICY)


def test_nine_gaugings_of_a_teaching_notebook_do_not_pass_without_a_word():
    """Fitted they leave an exponent below 1 and departures far beyond the limit (data read, CC BY 4.0)."""
    rows = pd.read_csv(NINE, names=["date", "discharge", "stage"], header=0)
    made = fit(rows["stage"].to_numpy(), rows["discharge"].to_numpy())
    held = made.gaugings.assign(gauging_id=rows["date"])
    found = rating_findings(made.curve, held, made.at_bound, POLICY)
    assert {"rating-exponent", "rating-departure"} <= set(codes(found))


def test_a_number_at_its_bound_is_a_finding_and_there_are_no_limits():
    """A stage of zero flow pressed under the lowest gauging is named, and a sentence says why no limits are given."""
    stages = np.linspace(0.5, 2.0, 12)
    noise = np.exp(0.03 * np.random.default_rng(3).normal(size=12))
    made = fit(stages, 5 * (stages - 0.4999) ** 0.5 * noise)
    assert made.at_bound == ("zero_stage_1",)
    found = rating_findings(made.curve, None, made.at_bound, POLICY)
    assert "rating-at-bound" in codes(found)
    assert "zero_stage_1" in no_limits(made.at_bound)
    assert fit(stages, 5 * (stages - 0.2) ** 2 * noise).at_bound == ()
    assert no_limits(()) == ""


@pytest.mark.parametrize(("beyond", "named"), [
    ([30, -50, 40], "G1 -50 %, G2 +40 %, G0 +30 %"),
    ([31, -32, 33, -34, 35], "G4 +35 %, G3 -34 %, G2 +33 %, G1 -32 %, G0 +31 %"),
    ([31, -32, 33, -34, 35, 36], "G5 +36 %, G4 +35 %, G3 -34 %, G2 +33 %, G1 -32 %, ..."),
])  # fmt: skip
def test_five_departures_are_named_and_more_are_hinted_at(beyond, named):
    """The farthest first, on whichever side."""
    departures = [*map(float, beyond), 0.0, 1.0]
    found = rating_findings(curve(2.0), gaugings(np.linspace(0.3, 0.9, len(departures)), departures), (), POLICY)
    assert found[0].message.startswith(f"{len(beyond)} of {len(departures)} gaugings depart")
    assert found[0].message.endswith(f"25 %: {named}")
