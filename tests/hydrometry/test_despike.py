"""Laws of despiking and of the error of a mean. Closed forms are DERIVED; records are invented and seeded."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from stillwell.hydrometry.meter.despike import FEWEST, _farthest, _radius, spikes, summaries

ONE = st.integers(0, 2**32 - 1)


def _one(values):
    return spikes(np.zeros(len(values), dtype=int), np.asarray(values, dtype=float))


def _series(phi, records, n, seed):
    """Make records of an autoregressive series of first order, deviation 1."""
    rng = np.random.default_rng(seed)
    out = rng.normal(size=(records, n))
    for i in range(1, n):
        out[:, i] = phi * out[:, i - 1] + np.sqrt(1 - phi**2) * out[:, i]
    return np.repeat(np.arange(records), n), out.ravel()


@pytest.mark.parametrize("level", [0.0, 0.1, -3.7])
def test_a_constant_record_has_no_spike(level):
    """Nothing is a spike where nothing varies."""
    assert not _one(np.full(40, level)).any()


@pytest.mark.parametrize("place", range(FEWEST))
def test_the_one_sample_that_differs_is_the_spike(place):
    """In a record otherwise constant the one wild sample is marked and no other, at the ends too."""
    values = np.full(FEWEST, 0.5)
    values[place] = 2.0
    assert np.flatnonzero(_one(values)).tolist() == [place]


def test_too_short_to_tell():
    """A record of fewer samples stays as it is, and so does one without any."""
    assert not _one([0.5] * (FEWEST - 2) + [9.0]).any()
    assert _one([]).size == 0


@given(ONE, st.sampled_from([0.5, 3.0, -2.0, 64.0]), st.floats(-5, 5))
def test_shift_scale_and_sign_change_nothing(seed, factor, shift):
    """The samples marked are the same after the velocity is shifted, scaled or turned round."""
    rng = np.random.default_rng(seed)
    values = rng.normal(0.4, 0.05, 60)
    values[rng.integers(60)] += 0.6
    assert np.array_equal(_one(values), _one(factor * values + shift))


@given(ONE)
def test_time_reversed_gives_the_same_spikes(seed):
    """Backwards in time the same samples are marked."""
    values = np.random.default_rng(seed).standard_t(3, 80)
    assert np.array_equal(_one(values)[::-1], _one(values[::-1]))


@given(ONE)
def test_records_do_not_touch_each_other(seed):
    """A record alone and among others has the same spikes, whatever the numbers of the records."""
    rng = np.random.default_rng(seed)
    values = [rng.standard_t(3, n) for n in (40, 7, 25, 60)]
    numbers = np.repeat([2, 3, 7, 11], [40, 7, 25, 60])
    assert np.array_equal(np.concatenate([_one(v) for v in values]), spikes(numbers, np.concatenate(values)))


@given(ONE)
def test_half_of_a_record_always_stays(seed):
    """However wild a record, at most half of it are spikes: what lies nearer to the median than half of it stays."""
    values = np.random.default_rng(seed).standard_t(1, 50)
    found = _one(values)
    inner = np.abs(values - np.median(values)) < np.median(np.abs(values - np.median(values))) / 4
    assert found.mean() <= 0.5
    assert not found[inner].any()


def test_a_meter_that_swings_between_two_values_has_no_spike():
    """Where all samples lie equally far from the median none stands out, also at the ends."""
    assert not _one(np.where(np.arange(40) % 2, 0.41, 0.39)).any()


@pytest.mark.parametrize("missing", [np.nan, np.inf, -np.inf])
def test_missing_samples_are_neither_spikes_nor_counted(missing):
    """What is not finite is left out of the record, of the mean and of the count of spikes."""
    rng = np.random.default_rng(3)
    values = rng.normal(0.4, 0.02, 40)
    values[25] = 1.5
    gaps = np.insert(values, [5, 20], missing)
    found = _one(gaps)
    assert np.array_equal(np.delete(found, [5, 21]), _one(values))
    assert not found[[5, 21]].any()
    summed = summaries(np.zeros(42, dtype=int), gaps, found)
    plain = summaries(np.zeros(40, dtype=int), values, _one(values))
    assert summed.mean == pytest.approx(plain.mean)
    assert summed.samples.tolist() == plain.samples.tolist()


def test_short_records_of_noise_are_not_devoured():
    """Of 2,000 records of forty samples of noise none loses more than a fifth, and one in a hundred at most a tenth and
    more: what went before must not narrow the ellipses without end.
    """
    record, value = _series(0.0, 2000, 40, 5)
    lost = np.bincount(record, weights=spikes(record, value)) / 40
    assert lost.max() <= 0.2
    assert (lost > 0.15).mean() < 0.01


def test_means_leave_spikes_out():
    """Spikes are counted and do not enter the mean; deviation and error are those of what is left."""
    found = summaries(np.zeros(4, dtype=int), np.array([1.0, 2.0, 3.0, 50.0]), np.array([False, False, False, True]))
    assert (found.mean[0], found.deviation[0], found.samples[0], found.spikes[0]) == (2.0, 1.0, 3, 1)
    assert found.error[0] == pytest.approx(1 / np.sqrt(found.effective[0]))


def test_where_nothing_can_be_said():
    """Without a sample there is no mean, with one no error; constant samples have the error 0."""
    record = np.array([0, 2, 3, 3, 3])
    found = summaries(record, np.array([0.3, 0.4, 0.5, 0.5, 0.5]), np.array([False, True, False, False, False]))
    assert found.mean[[0, 3]] == pytest.approx([0.3, 0.5])
    assert np.isnan(found.mean[[1, 2]]).all()
    assert np.isnan(found.error[[0, 1, 2]]).all()
    assert np.isnan(found.effective[[0, 1, 2]]).all()
    assert found.error[3] == 0
    nothing = summaries(np.zeros(0, dtype=int), np.zeros(0), np.zeros(0, dtype=bool))
    assert nothing.mean.size == 0


def test_white_noise_counts_in_full():
    """Independent samples keep their number, and the error is s/sqrt(n)."""
    record, value = _series(0.0, 200, 1000, 9)
    found = summaries(record, value, np.zeros(value.size, dtype=bool))
    assert found.effective.mean() == pytest.approx(1000, rel=0.05)
    assert found.error.mean() == pytest.approx(1 / np.sqrt(1000), rel=0.03)


@pytest.mark.parametrize(
    ("phi", "n", "within"), [(0.3, 1000, 0.05), (0.6, 1000, 0.05), (0.8, 2000, 0.05), (0.6, 40, 0.2)]
)
def test_a_sluggish_series_counts_for_less(phi, n, within):
    """Samples of an autoregressive series count for (1 - phi)/(1 + phi) n, the error is the scatter of means."""
    record, value = _series(phi, 400, n, 10)
    found = summaries(record, value, np.zeros(value.size, dtype=bool))
    assert np.median(found.effective) == pytest.approx(n * (1 - phi) / (1 + phi), rel=within)
    assert found.error.mean() == pytest.approx(found.mean.std(), rel=0.1)


@pytest.mark.parametrize(("phi", "least"), [(0.0, 0.94), (0.3, 0.91), (0.6, 0.89), (0.8, 0.85)])
def test_twice_the_error_of_forty_samples_holds_the_truth(phi, least):
    """In records of forty samples twice the error holds the true mean about as often as the docstring says."""
    record, value = _series(phi, 3000, 40, 12)
    found = summaries(record, value, np.zeros(value.size, dtype=bool))
    assert least < (np.abs(found.mean) < 2 * found.error).mean() < 0.98


def test_a_point_on_an_ellipse_is_at_one():
    """At ``(a cos p, b sin p)`` for any p, twice as far out at 4; an axis without width counts for nothing."""
    p = np.linspace(0, 6, 7)
    a2, b2 = np.full(7, 0.3**2), np.full(7, 0.8**2)
    np.testing.assert_allclose(_radius(0.3 * np.cos(p), a2, 0.8 * np.sin(p), b2), 1.0, rtol=1e-12)
    np.testing.assert_allclose(_radius(0.6 * np.cos(p), a2, 1.6 * np.sin(p), b2), 4.0, rtol=1e-12)
    np.testing.assert_allclose(_radius(0.3 * np.cos(p), a2, np.ones(7), np.zeros(7)), np.cos(p) ** 2, rtol=1e-12)


def test_how_far_out_a_sample_lies_is_told_by_the_worst_of_three_ellipses():
    """Each record by itself: semi-axes ``sqrt(2 ln n)`` root mean squares, the third turned and solved for."""
    rng = np.random.default_rng(8)
    record = np.repeat([0, 1], [60, 75])
    cloud = rng.normal(size=(3, 135)) * np.array([[0.3], [0.2], [0.5]])
    cloud[2] += 0.5 * cloud[0]
    got = _farthest(record, cloud, np.zeros((3, 135)))
    for k, n in ((0, 60), (1, 75)):
        u, du, d2u = cloud[:, record == k]
        p, r, q = (2 * np.log(n) * (x**2).mean() for x in (u, du, d2u))
        theta = np.arctan((u * d2u).sum() / (u**2).sum())
        c, s = np.cos(theta), np.sin(theta)
        a2, b2 = np.linalg.solve([[c**2, s**2], [s**2, c**2]], [p, q])
        assert min(a2, b2) > 0
        along, across = u * c + d2u * s, d2u * c - u * s
        each = [u**2 / p + du**2 / r, du**2 / r + d2u**2 / q, along**2 / a2 + across**2 / b2]
        assert set(np.argmax(each, axis=0)) == {0, 1, 2}
        np.testing.assert_allclose(got[record == k], np.max(each, axis=0), rtol=1e-9)
