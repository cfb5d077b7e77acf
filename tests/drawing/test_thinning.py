"""What is drawn of a long series."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from stillwell.drawing.thinning import spans, thinned, thinned_limits, usual_step

QUARTER = 900_000_000


def test_fifty_years_keep_every_peak():
    """Of 50 years of quarter hours, the least and the greatest value stay, and at most two values a span."""
    count = 1_753_000
    times = np.arange(count, dtype=np.int64) * QUARTER
    values = np.sin(np.arange(count) / 5000.0)
    values[123_457], values[1_400_001] = 9.75, -7.25
    picked = thinned(times, values, int(times[0]), int(times[-1]) + 1, 1000, QUARTER)
    assert (picked.values.max(), picked.values.min()) == (9.75, -7.25)
    assert (picked.high, picked.low) == (9.75, -7.25)
    assert picked.times[picked.values.argmax()] == times[123_457]
    assert picked.times.size <= 2000
    assert picked.taken == count


@given(st.lists(st.floats(-100, 100, allow_nan=False), min_size=1, max_size=300), st.integers(2, 20))
def test_every_span_keeps_its_extremes(values, width):
    """In each span the least and the greatest value are among those drawn, found independently span by span."""
    v = np.array(values)
    times = np.arange(v.size, dtype=np.int64) * 1000
    end = int(times[-1]) + 1000
    picked = thinned(times, v, 0, end, width)
    assert picked.values.size
    for i in range(width):
        low = int(i * (end / width)) if i else 0
        high = int((i + 1) * (end / width)) if i < width - 1 else end + 1
        inside = v[(times >= low) & (times < high)]
        shown = picked.values[(picked.times >= low) & (picked.times < high)]
        if inside.size:
            assert (inside.min(), inside.max()) == (shown.min(), shown.max())


def test_drawn_values_are_the_series_own():
    """No value is made up: each drawn value stands at its own time in the series."""
    rng = np.random.default_rng(7)
    times = np.sort(rng.choice(10**9, 5000, replace=False)).astype(np.int64)
    values = rng.normal(size=5000)
    picked = thinned(times, values, int(times[100]), int(times[4000]), 50)
    assert (values[np.searchsorted(times, picked.times)] == picked.values).all()
    assert (np.diff(picked.times) > 0).all()


def test_a_missing_value_breaks_the_line():
    """No line is drawn across a missing value."""
    times = np.arange(6, dtype=np.int64) * QUARTER
    picked = thinned(times, np.array([1, 2, np.nan, 3, 4, 5.0]), 0, int(times[-1]), 100, QUARTER)
    assert picked.values.tolist() == [1, 2, 3, 4, 5]
    assert picked.breaks.tolist() == [False, False, True, False, False]


def test_a_hole_in_time_breaks_the_line():
    """No line is drawn across a hole of more than three usual steps."""
    times = np.array([0, 1, 2, 3, 9, 10], dtype=np.int64) * QUARTER
    assert usual_step(times) == QUARTER
    picked = thinned(times, np.ones(6), 0, int(times[-1]), 100, QUARTER)
    assert picked.breaks.tolist() == [False, False, False, False, True, False]


@pytest.mark.parametrize("values", [[], [np.nan, np.nan]])
def test_nothing_to_draw(values):
    """A series without values draws nothing and says that it knows no extremes."""
    v = np.array(values, dtype=float)
    picked = thinned(np.arange(v.size, dtype=np.int64), v, 0, 10, 5)
    assert (picked.times.size, picked.taken) == (0, 0)
    assert np.isnan(picked.low)


def test_a_thinned_band_holds_every_limit():
    """The least lower and the greatest upper limit of a long band survive, and a hole interrupts line and band."""
    n = 200_000
    times = np.arange(n, dtype=np.int64) * QUARTER
    values = np.sin(np.arange(n) / 500)
    values[123_456], values[77_777] = 9.0, -9.0
    values[50_000:60_000] = np.nan
    window = (0, int(times[-1]) + 1)
    picked = thinned(times, values, *window, 800, QUARTER)
    band = thinned_limits(picked, 0, times, values - 1, values + 1, window, 800)
    assert picked.thinned
    assert picked.times[picked.breaks].tolist() == [60_000 * QUARTER]
    assert (band.low.min(), band.high.max()) == (-10.0, 10.0)
    assert int(band.breaks.sum()) == 1


def test_spans_cover_what_holds():
    """A single flagged value is one span of the picture, neighbours join, nothing flagged is nothing."""
    times = np.arange(1000, dtype=np.int64) * 100
    flags = np.zeros(1000, dtype=bool)
    assert spans(times, flags, (0, 100_000), 100, 100.0) == []
    flags[500] = True
    flags[100:200] = True
    assert spans(times, flags, (0, 100_000), 100, 100.0) == [[10_000, 20_000], [50_000, 51_000]]
