"""What a policy file may say, and how it is refused."""

from __future__ import annotations

from dataclasses import fields
from importlib import resources

import pytest

from stillwell.assessment.policy import LIMITS, policy_from, refuse_retired
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
        ("[office]\nnom = 'a'\n", ("line 2", "nom", "name")),
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


RANGES = {
    (0, 1): "day_share",
    (0, 2): "coefficient_range",
    (0, 5): "check_history_least_c",
    (0, 10): "velocity_error_m_s stage_uncertainty_m shift_uncertainty_m rating_exponent_range wading_product_m2_s"
    " staff_differs_m",
    (0, 20): "check_history_least_db",
    (0, 30): "check_temperature_c temperature_differs_c",
    (0, 90): "tilt_deg angle_deg",
    (0, 100): "check_snr_low_db check_snr_unusable_db check_spread_db check_drift_db check_receivers_apart_db"
    " snr_low_db snr_unusable_db two_points_from_m two_points_not_below_m stage_change_m velocity_error_pct spikes_pct"
    " sound_speed_pct spacing_pct area_falls_pct share_high_pct share_raised_pct"
    " discharge_differs_pct mean_depth_differs_pct",
    (0, 1000): "check_rate_hz uncertainty_large_pct rating_uncertainty_pct rating_departure_pct discharge_floor_m3_s",
    (0, 60 * 60): "exposure_s",
    (0, 10 * 365): "check_days",
    (0, 10_000): "verticals_widths_m",
    (0, 30 * 24 * 60 * 60): "gap_bridged_s",
    (1, 100): "check_history_sigmas profile_steep_factor uncertainties_factor depth_unlike_factor"
    " velocity_unlike_factor",
    (1, 1000): "verticals_fewest check_history rating_segment_fewest extrapolation_factor max_over_mean_factor",
    (1, 10**6): "check_samples",
}
"""An angle up to a right one, a share up to the whole, a factor from 1, a count from 1, an hour, ten years, a month."""


@pytest.mark.parametrize(("bounds", "name"), [(key, name) for key, names in RANGES.items() for name in names.split()])
def test_a_limit_may_lie_on_either_bound_and_not_beyond(bounds, name):
    """Both bounds are used as they are said; a hundredth below the least or above the greatest is refused."""
    base = policy_from(DEFAULT)
    form = "[{0}, {0}]" if isinstance(base.limits[name].value, tuple) else "{0}"
    text = f"[limits]\n{name} = {{{{ value = {form}, source = 'office' }}}}\n"
    used = [policy_from(text.format(bound), base).limits[name].value for bound in bounds]
    assert used == [(bound, bound) if form != "{0}" else bound for bound in bounds]
    with pytest.raises(PolicyError, match=f"line 2, {name}"):
        policy_from(text.format(bounds[0] - 0.01), base)
    with pytest.raises(PolicyError, match=f"line 2, {name}"):
        policy_from(text.format(bounds[1] + 0.01), base)


def test_every_limit_has_its_bounds_held():
    """The bounds of every limit are written down once more beside the code."""
    assert sorted(" ".join(RANGES.values()).split()) == sorted(LIMITS)


RETIRED_LINE = "[limits]\n\nquality_thresholds_pct = { value = [2.0, 5.0, 8.0], source = 'ours' }\n"


def test_a_policy_kept_before_may_name_a_retired_limit():
    """It is read as ever, and the limit is none."""
    assert "quality_thresholds_pct" not in policy_from(RETIRED_LINE, policy_from(DEFAULT)).limits


def test_a_new_policy_may_not_set_a_retired_limit():
    """The line and the reason are said; a policy without it passes."""
    with pytest.raises(PolicyError, match=r"line 3, quality_thresholds_pct: .*2, 5 and 8 percent in every office"):
        refuse_retired(RETIRED_LINE)
    refuse_retired(DEFAULT)


def test_two_wall_distances_are_enough_and_one_is_not():
    """A ratio by distance from a wall needs two points for its line."""
    base = policy_from(DEFAULT)
    text = "[choices]\nwall_distances = {}\nwall_ratios = {}\n"
    two = policy_from(text.format("[0.0, 1]", "[0.5, 1]"), base).choices
    assert (two.wall_distances, two.wall_ratios) == ((0.0, 1.0), (0.5, 1.0))
    assert {type(number) for number in (*two.wall_distances, *two.wall_ratios)} == {float}
    with pytest.raises(PolicyError, match="line 2, wall_distances: expected a list of two numbers or more"):
        policy_from(text.format("[0.0]", "[0.5]"), base)
    with pytest.raises(PolicyError, match="line 3, wall_ratios: expected as many ratios as distances"):
        policy_from(text.format("[0.0, 1]", "[0.5, 0.7, 1]"), base)


@pytest.mark.parametrize(
    ("distances", "used"),
    [("[0.0, 1e6]", True), ("[0.0, 1100000.0]", False), ("[-1.0, 1.0]", False), ("[0.0, 'far']", False)],
)
def test_every_number_of_a_list_lies_within_its_bounds(distances, used):
    """From 0 to a million, both included; one that does not is enough to refuse the list."""
    text = f"[choices]\nwall_distances = {distances}\nwall_ratios = [0.5, 1.0]\n"
    if used:
        assert policy_from(text, policy_from(DEFAULT)).choices.wall_distances == (0.0, 1e6)
    else:
        with pytest.raises(PolicyError, match="line 2, wall_distances: expected a list of two numbers or more"):
            policy_from(text, policy_from(DEFAULT))
