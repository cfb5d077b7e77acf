"""Scales, ticks and colours."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from stillwell.drawing.colours import DARK, LIGHT, ramp
from stillwell.drawing.scales import Scale, log_scale_over, scale_over, step_of, time_ticks


@given(st.floats(-1e4, 1e4), st.floats(1e-3, 1e6))
def test_ticks_are_round_and_within(low, span):
    """Ticks lie within the scale, evenly, by 1, 2 or 5 times a power of ten, and are neither few nor many."""
    scale = Scale(low, low + span, 0, 100)
    values = np.array([v for v, _ in scale.ticks(6)])
    assert 2 <= values.size <= 13
    step = step_of(span, 6)
    assert float(f"{step:.6e}"[:1]) in (1, 2, 5)
    hair = 2e-9 * step + 1e-12
    assert ((values >= low - hair) & (values <= low + span + hair)).all()


@given(st.lists(st.floats(1e-4, 1e5), min_size=1, max_size=20))
def test_log_scale_holds_all_and_keeps_ratios(values):
    """Every positive value lies within, and equal ratios are equal lengths."""
    scale = log_scale_over(np.array(values), 0, 500)
    placed = scale(np.array(values))
    assert ((placed >= 0) & (placed <= 500)).all()
    middle = np.sqrt(scale.low * scale.high)
    assert pytest.approx(scale.at(middle)) == 250
    assert 1 <= len(scale.ticks(6)) <= 14


def test_what_has_no_logarithm_has_no_place():
    """0, negative and missing values are missing on a scale by ratio."""
    assert np.isnan(log_scale_over(np.array([1.0, 2.0]), 0, 1)(np.array([0.0, -1.0, np.nan]))).all()


def test_a_single_value_or_none_still_makes_a_scale():
    """One value, none, or zeros only give a scale with a span above 0 that holds them."""
    for values in ([], [np.nan], [0.0], [3.0, 3.0], [-2.0]):
        for zero in (False, True):
            scale = scale_over(np.array(values), 0, 1, zero=zero)
            assert scale.high > scale.low
            assert all(scale.low <= v <= scale.high for v in values if np.isfinite(v))


@pytest.mark.parametrize(("days", "letters"), [(0.01, 16), (0.5, 16), (6, 10), (200, 7), (20_000, 4)])
def test_time_ticks_fit_their_span(days, letters):
    """From minutes to decades ticks are whole minutes, hours, days, months or years in UTC, within the span, rising."""
    low = np.datetime64("1969-11-29T05:17", "us").astype(np.int64)
    high = low + int(days * 86_400e6)
    ticks = time_ticks(float(low), float(high))
    assert 2 <= len(ticks) <= 12
    assert all(low <= us <= high for us, _ in ticks)
    assert sorted({us for us, _ in ticks}) == [us for us, _ in ticks]
    assert all(len(said) == letters for _, said in ticks)
    assert all(str(np.datetime64(int(us), "us")).replace("T", " ").startswith(said) for us, said in ticks)


def _luminance(colour):
    parts = (int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5))
    linear = [p / 12.92 if p <= 0.04045 else ((p + 0.055) / 1.055) ** 2.4 for p in parts]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def test_words_can_be_read_on_both_pages():
    """Every colour used for words has a contrast of at least 4.5 to 1 to the paper (WCAG 2.1, 1.4.3, as remembered)."""
    for colours in (LIGHT, DARK):
        paper = _luminance(colours["paper"])
        for name in ("ink", "soft", "river", "ochre", "plum", "stone", "rust"):
            light, dark = sorted((_luminance(colours[name]), paper), reverse=True)
            assert (light + 0.05) / (dark + 0.05) >= 4.5, name


def test_ramp_darkens_both_ways():
    """The faster, the darker, downstream and upstream; so the field can be read without hue."""
    for sign in (1, -1):
        levels = [_luminance(c) for c in ramp(sign * np.linspace(0, 1, 30))]
        assert levels == sorted(levels, reverse=True)
        assert len(set(levels)) == 30
    assert ramp(np.array([0.0])) == ramp(np.array([-0.0]))
    assert ramp(np.array([np.nan])) == ["#a0a0a0"]
