"""Raw samples of velocity, all records at once: spikes in phase space, and a mean with its standard error."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Flags = NDArray[np.bool_]

FEWEST = 10
"""Samples below which a record is left as it is: an ellipse of so few points means nothing (chosen)."""

ROBUST = 1.4826
"""Ratio of standard deviation to median absolute deviation of a normal distribution (an identity)."""

EVEN = 1e-9
"""Relative difference below which two figures are the same number, rounded differently."""

REACH = 2
"""Samples to each side that one spike disturbs through both differences (derived from their stencils)."""


@dataclass(frozen=True)
class Summary:
    """What each record comes to."""

    mean: Floats
    deviation: Floats
    error: Floats
    """Standard error of the mean, with autocorrelation allowed for."""
    samples: Ints
    """Samples in the mean."""
    spikes: Ints
    effective: Floats
    """Independent samples that would give the same error; NaN where no error can be said."""


def universal_threshold(samples: Ints) -> Floats:
    """Return ``sqrt(2 ln n)``, the largest deviation expected among n independent normal samples, in deviations.

    Parameters
    ----------
    samples : int array
        n, 1 or more.

    Returns
    -------
    float array
    """
    return np.asarray(np.sqrt(2 * np.log(samples)))


def spikes(record: Ints, value: Floats) -> Flags:
    """Mark the samples outside the ellipsoid of phase space, again and again until none is new.

    With u the deviation from the record's median, ``du_i = (u_(i+1) - u_(i-1))/2`` and ``d2u`` the same of du, a sample
    is a spike outside any of the ellipses u-du, du-d2u and u-d2u with semi-axes ``lambda sigma``,
    ``lambda = sqrt(2 ln n)``, sigma the root mean square of u, du or d2u in the record of n samples; the last ellipse
    is turned by ``theta = atan(sum(u d2u)/sum(u^2))``.

    Parameters
    ----------
    record : int array, shape (samples,)
        Number of each sample's record; samples of a record are contiguous and in order of time.
    value : float array, shape (samples,)
        m/s. What is not finite is missing: no spike, and left out of its record.

    Returns
    -------
    bool array, shape (samples,)

    Notes
    -----
    Goring and Nikora 2002, J. Hydraul. Eng. 128(1) 117-126: abstract and the summary in Wahl's discussion of 2003 read,
    formulas as remembered. Of replacing and leaving out, the latter is chosen: a spike is bridged by the line between
    its good neighbours only to find others, and nothing bridged enters a mean. Three things are our own, because the
    plain iteration devours short records of normal noise (a quarter of the samples at n = 20, by simulation): of the
    samples one spike disturbs only the one farthest out is marked in a round; lambda is widened where an axis would
    fall below lambda times ``1.4826 median|x|``, x = u, du, d2u of the record before anything was bridged; and a sample
    no farther from the median than half of them stays, since it cannot harm a mean.
    """
    spiked = np.zeros(value.size, dtype=bool)
    rows = _long_enough(record, np.isfinite(value))
    r, v = _numbered(record[rows]), value[rows]
    bad = np.zeros(r.size, dtype=bool)
    floor = np.stack([ROBUST * _medians(r, np.abs(x))[r] for x in _cloud(r, v)])
    while r.size:
        cloud = _cloud(r, _bridged(r, v, bad))
        inner = np.abs(cloud[0]) <= (1 + EVEN) * floor[0] / ROBUST
        far = np.where(bad | inner, 0.0, _farthest(r, cloud, floor))
        fresh = (far > 1 + EVEN) & (far >= _largest_near(r, far))
        spiked[rows[fresh]] = True
        bad |= fresh
        again = (np.bincount(r, weights=fresh) > 0)[r]
        rows, v, bad, floor = rows[again], v[again], bad[again], floor[:, again]
        r = _numbered(r[again])
    return spiked


def _long_enough(record: Ints, present: Flags) -> Ints:
    """Return the rows of present samples whose record has enough of them."""
    count = np.bincount(record[present], minlength=int(record.max(initial=-1)) + 1)
    return np.flatnonzero(present & (count >= FEWEST)[record])


def _numbered(record: Ints) -> Ints:
    """Give contiguous records numbers from 0 without a gap."""
    new = np.diff(record, prepend=record[:1]) != 0
    return np.cumsum(new, dtype=np.int64)


def _cloud(record: Ints, value: Floats) -> Floats:
    """Return u, du and d2u, shape (3, samples)."""
    u = value - _medians(record, value)[record]
    du = _slope(record, u)
    return np.stack([u, du, _slope(record, du)])


def _slope(record: Ints, u: Floats) -> Floats:
    """Take half the difference of both neighbours; at an end of a record the sample there is its own neighbour."""
    rows = np.arange(u.size)
    change = record[1:] != record[:-1]
    before = np.maximum(rows - 1 + np.concatenate(([False], change)), 0)
    after = np.minimum(rows + 1 - np.concatenate((change, [False])), u.size - 1)
    return np.asarray((u[after] - u[before]) / 2)


def _farthest(record: Ints, cloud: Floats, floor: Floats) -> Floats:
    """Return how far out each sample lies in the worst of the three ellipses; 1 is on the ellipse."""
    count = np.bincount(record)

    def mean(values: Floats) -> Floats:
        return np.bincount(record, weights=values) / count

    # the half axes of an ellipse are the deviations times a limit; samples divided by the limit make it the unit one.
    # Samples bridged make the deviations smaller round by round: the limit grows by as much as they fall below the
    # robust deviation of the record as recorded, so that no ellipse is narrower than that
    s0, s1, s2 = sigma = np.stack([np.sqrt(mean(x**2))[record] for x in cloud])
    short = np.divide(floor, sigma, out=np.ones(sigma.shape), where=sigma > 0)
    limit = universal_threshold(count)[record] * np.maximum(1.0, short.max(axis=0))
    u, du, d2u = cloud / limit
    square = mean(u**2)
    theta = np.arctan(np.divide(mean(u * d2u), square, out=np.zeros(count.size), where=square > 0))[record]
    c, s = np.cos(theta), np.sin(theta)
    # u and d2u go together, so that their ellipse is turned by theta: its axes are those whose shadows on u and d2u are
    # their deviations, and the samples are turned back onto them
    a2, b2 = _semi_axes(s0**2, s2**2, c**2, s**2)
    turned = _radius(u * c + d2u * s, a2, d2u * c - u * s, b2)
    return np.maximum(turned, np.maximum(_radius(u, s0**2, du, s1**2), _radius(du, s1**2, d2u, s2**2)))


def _semi_axes(p: Floats, q: Floats, c2: Floats, s2: Floats) -> tuple[Floats, Floats]:
    """Solve ``p = a^2 cos^2 + b^2 sin^2`` and ``q = a^2 sin^2 + b^2 cos^2``; p and q themselves where that fails."""
    determinant = c2 - s2
    sound = np.abs(determinant) > 1e-9
    safe = np.where(sound, determinant, 1.0)
    a2 = np.where(sound, (p * c2 - q * s2) / safe, p)
    b2 = np.where(sound, (q * c2 - p * s2) / safe, q)
    return np.where(a2 > 0, a2, p), np.where(b2 > 0, b2, q)


def _radius(x: Floats, a2: Floats, y: Floats, b2: Floats) -> Floats:
    """Return ``x^2/a^2 + y^2/b^2``; an axis without width counts for nothing."""
    first = np.divide(x**2, a2, out=np.zeros(x.size), where=a2 > 0)
    return first + np.divide(y**2, b2, out=np.zeros(y.size), where=b2 > 0)


def _largest_near(record: Ints, far: Floats) -> Floats:
    """Return the largest value among the samples of the same record that one spike disturbs."""
    out = far.copy()
    for step in range(1, REACH + 1):
        same = record[step:] == record[:-step]
        out[step:] = np.maximum(out[step:], np.where(same, far[:-step], 0.0))
        out[:-step] = np.maximum(out[:-step], np.where(same, far[step:], 0.0))
    return out


def _bridged(record: Ints, value: Floats, bad: Flags) -> Floats:
    """Draw a line over bad samples between the good ones of the same record."""
    if not bad.any():
        return value
    rows = np.arange(value.size)
    good = ~bad
    low = np.maximum.accumulate(np.where(good, rows, -1))
    high = np.minimum.accumulate(np.where(good, rows, rows.size)[::-1])[::-1]
    has_low = (low >= 0) & (record[np.maximum(low, 0)] == record)
    has_high = (high < rows.size) & (record[np.minimum(high, rows.size - 1)] == record)
    low = np.where(has_low, low, np.where(has_high, high, rows))
    high = np.where(has_high, high, low)
    part = np.divide(rows - low, high - low, out=np.zeros(rows.size), where=high > low)
    return np.asarray(value[low] + part * (value[high] - value[low]))


def _medians(record: Ints, value: Floats) -> Floats:
    """Return the median of each record; records are numbered without a gap."""
    if not record.size:
        return np.zeros(0)
    ordered = value[np.lexsort((value, record))]
    count = np.bincount(record)
    start = np.cumsum(count) - count
    return np.asarray((ordered[start + (count - 1) // 2] + ordered[start + count // 2]) / 2)


def summaries(record: Ints, value: Floats, bad: Flags) -> Summary:
    """Average each record without its spikes.

    ``error = s / sqrt(n_e)``, ``n_e = n (1 - phi)/(1 + phi)``, ``phi = r + (1 + 4 r)/n``: s standard deviation, n good
    samples, r correlation of a sample with the next good one; phi no less than 0, n_e no less than 1.

    Parameters
    ----------
    record, value : array
        As in ``spikes``.
    bad : bool array, shape (samples,)

    Returns
    -------
    Summary
        One entry per record from 0 to the highest number; NaN where nothing is left, no error with fewer than two
        samples.

    Notes
    -----
    n_e is that of a long autoregressive series of first order (derived, closed form). In short records r falls short of
    phi by (1 + 4 phi)/n (Kendall 1954, Marriott and Pope 1954, as remembered); what is added makes up for it to the
    first order. How often twice the error holds the truth in 40 samples, by simulation: 96 % at phi = 0, 93 % at 0.3,
    91 % at 0.6, 88 % at 0.8.
    """
    size = int(record.max(initial=-1)) + 1
    good = ~bad & np.isfinite(value)
    r, v = record[good], value[good]
    count = np.bincount(r, minlength=size)

    def quotient(above: Floats, below: NDArray[np.generic]) -> Floats:
        return np.divide(above, below, out=np.full(size, np.nan), where=np.asarray(below) > 0)

    mean = quotient(np.bincount(r, weights=v, minlength=size).astype(np.float64), count)
    off = v - mean[r]
    square = np.bincount(r, weights=off**2, minlength=size).astype(np.float64)
    deviation = np.sqrt(quotient(square, count - 1))
    same = r[1:] == r[:-1]
    lagged = np.bincount(r[1:][same], weights=(off[1:] * off[:-1])[same], minlength=size).astype(np.float64)
    phi = np.nan_to_num(quotient(lagged, square))
    phi = np.clip(phi + quotient(1 + 4 * phi, count), 0.0, 1.0)
    effective = np.where(count > 1, np.maximum(count * (1 - phi) / (1 + phi), 1.0), np.nan)
    spiked = np.bincount(record[bad], minlength=size)
    return Summary(mean, deviation, deviation / np.sqrt(effective), count, spiked, effective)
