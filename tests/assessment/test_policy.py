"""What a policy file may say, and how it is refused."""

from __future__ import annotations

from dataclasses import fields
from importlib import resources

import pytest

from stillwell.assessment.policy import LIMITS, policy_from
from stillwell.errors import PolicyError
from stillwell.hydrometry.choices import Choices

DEFAULT = resources.files("stillwell.assessment").joinpath("policy.toml").read_text(encoding="utf-8")


def test_default_policy_says_everything_once():
    """The policy shipped holds every limit with a source, and the choices are the defaults of the code."""
    policy = policy_from(DEFAULT)
    assert set(policy.limits) == set(LIMITS)
    assert all(len(limit.source) > 10 for limit in policy.limits.values())
    assert policy.choices == Choices()
    assert all(f.name in DEFAULT for f in fields(Choices))


def test_an_office_changes_only_what_it_says():
    """What an office's own file is silent about stays as in the base."""
    base = policy_from(DEFAULT)
    mine = policy_from('[limits]\nexposure_s = { value = 30, source = "office rule 4" }\n', base)
    assert mine.value("exposure_s") == 30
    assert mine.limits["exposure_s"].source == "office rule 4"
    assert mine.value("angle_deg") == base.value("angle_deg")
    assert mine.choices == base.choices


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("[limits]\nexposure_s = { value = -1, source = 'x' }\n", ("line 2", "exposure_s", "from 0", "-1")),
        ("[limits]\n\nexposure_s = { value = '40', source = 'x' }\n", ("line 3", "a number")),
        ("[limits]\nexposure_s = 40\n", ("line 2", "value", "source")),
        ("[limits]\nexposure_m = { value = 40, source = 'x' }\n", ("line 2", "exposure_m")),
        ("[limits]\nexposure_s = { value = nan, source = 'x' }\n", ("line 2", "nan")),
        ("[limits]\nexposure_s = { value = true, source = 'x' }\n", ("line 2", "True")),
        ("[limits]\nverticals_fewest = { value = [5, 3], source = 'x' }\n", ("line 2", "do not fall")),
        ("[choices]\nedge_rule = 'round'\n", ("line 2", "plain")),
        ("[choices]\nbed_exponent = -6\n", ("line 2", "not below 0")),
        ("[choices]\nwall_ratios = [0.5]\n", ("line 2", "two numbers")),
        ("[offices]\n", ("line 1", "offices")),
        ("[office]\nname = ''\n", ("line 2", "a text")),
        ("[limits\n", ("TOML",)),
        ("limits = 3\n", ("line 1", "a section")),
    ],
)
def test_a_policy_that_cannot_be_used_names_its_line(text, words):
    """An unknown name, a wrong type, sign or range is refused with the line, what was expected and what was found."""
    with pytest.raises(PolicyError) as refused:
        policy_from(text, policy_from(DEFAULT))
    assert all(word in str(refused.value) for word in words)


def test_a_first_policy_must_be_whole():
    """Without a base nothing may be left out."""
    with pytest.raises(PolicyError, match=r"limits\.angle_deg"):
        policy_from("[office]\nname = 'a'\n")
