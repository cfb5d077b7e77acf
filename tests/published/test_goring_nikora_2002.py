"""Phase-space despiking, Goring and Nikora 2002 (abstract, and the summary in Wahl's discussion of 2003, READ; formulas
REMEMBERED). No published numbers could be read: thresholds and chances are DERIVED, records are invented and seeded.
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import norm

from stillwell.hydrometry.meter.despike import spikes, universal_threshold


def _records(n, records, seed):
    rng = np.random.default_rng(seed)
    return np.repeat(np.arange(records), n), rng.normal(0.5, 0.05, n * records), rng


@pytest.mark.parametrize(("n", "threshold"), [(20, 2.4477), (40, 2.7162), (100, 3.0349), (1000, 3.7169)])
def test_universal_threshold(n, threshold):
    """lambda_U = sqrt(2 ln n)."""
    assert universal_threshold(np.array([n]))[0] == pytest.approx(threshold, abs=5e-5)


@pytest.mark.parametrize("n", [20, 40, 100, 1000])
def test_normal_noise_loses_about_what_the_threshold_expects(n):
    """A sample of noise lies outside one ellipse with the chance exp(-lambda^2/2) = 1/n, so a record loses no more than
    three samples on average, and no less than half of those beyond lambda in u alone.
    """
    record, value, _ = _records(n, 100_000 // n, 11)
    lost = spikes(record, value).sum() / (record[-1] + 1)
    assert n * np.exp(-np.log(n)) == pytest.approx(1)
    assert n * norm.sf(np.sqrt(2 * np.log(n))) < lost < 3


@pytest.mark.parametrize("n", [20, 40, 100, 400])
@pytest.mark.parametrize("share", [0.05, 0.10])
def test_planted_spikes_are_found_and_good_samples_kept(n, share):
    """Of spikes of eight deviations in a twentieth or a tenth of the samples 95 % and more are found; of the others,
    the neighbours of spikes among them, less than 3 % are lost.
    """
    record, value, rng = _records(n, 40_000 // n, 7)
    first = np.arange(0, value.size, n)[:, None]
    planted = (first + np.argsort(rng.random((first.size, n)), axis=1)[:, : max(1, int(share * n))]).ravel()
    value[planted] += 0.4 * rng.choice([-1, 1], planted.size)
    found = spikes(record, value)
    assert found[planted].mean() > 0.95
    assert np.delete(found, planted).mean() < 0.03
