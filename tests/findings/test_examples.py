"""Every finding code has a bad example that it finds and a good one that it leaves alone."""

from __future__ import annotations

from pathlib import Path

import pytest

from stillwell.assessment.assess import assess
from stillwell.assessment.checks import CHECKS
from stillwell.assessment.evidence import Evidence
from stillwell.assessment.policy import policy_from
from stillwell.hydrometry.compute import compute
from stillwell.intake.deposit import read_deposit
from stillwell.intake.interpret import interpret
from stillwell.pipeline import office_policy

HERE = Path(__file__).parent
DEFAULT, _ = office_policy()


def _found(code: str, kind: str) -> set[str]:
    understood = interpret([read_deposit(HERE / code / kind)])
    assert understood.problems.empty, understood.problems.to_dict("records")
    own = HERE / code / "policy.toml"
    policy = policy_from(own.read_text(encoding="utf-8"), DEFAULT) if own.exists() else DEFAULT
    tables = understood.tables
    points = tables["points"].assign(g=0)
    made = compute(tables["gaugings"], points, tables["gauge_heights"], tables["calibrations"], policy.choices)
    findings = assess(
        Evidence(
            tables["gaugings"], made.results, made.verticals, made.points, made.readings, policy, tables["sites"],
            tables["instruments"],
        )
    )  # fmt: skip
    assert findings["message"].str.len().min() > 20 or findings.empty
    return set(findings["code"])


@pytest.mark.parametrize("code", [check.code for check in CHECKS])
def test_the_bad_example_is_found(code):
    """The check finds what is wrong in its bad example."""
    assert code in _found(code, "bad")


@pytest.mark.parametrize("code", [check.code for check in CHECKS])
def test_the_good_example_is_left_alone(code):
    """The check finds nothing in its good example, which lies as near to the limit as it may."""
    assert code not in _found(code, "good")
