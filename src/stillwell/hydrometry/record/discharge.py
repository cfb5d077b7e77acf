"""Stage to discharge: every value with its uncertainty and its marks. Averages nothing; judges nothing."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from stillwell.hydrometry.rating.spans_in_force import Bits, Floats, Ints, Mark, RatingInForce, Spans, spans_of_ratings

BLOCK = 1 << 15
"""Values computed at a time, so that what a step makes is still in the cache when the next one reads it."""

EVER = (int(np.iinfo(np.int64).min), int(np.iinfo(np.int64).max))


@dataclass(frozen=True)
class Record:
    """A discharge record, value by value.

    ``time_us`` microseconds since 1970 (UTC); ``stage_m`` as corrected; ``shift_m`` the shift used;
    ``discharge_m3_s`` NaN where stage or rating is missing; ``uncertainty_m3_s`` standard (k = 1); ``marks`` bits of
    ``Mark``; ``rating`` number of the rating used, -1 for none.
    """

    time_us: Ints
    stage_m: Floats
    shift_m: Floats
    discharge_m3_s: Floats
    uncertainty_m3_s: Floats
    marks: Bits
    rating: NDArray[np.int16]


def discharge_record(
    time_us: Ints,
    stage_m: Floats,
    ratings: Sequence[RatingInForce],
    stage_uncertainty_m: float | Floats = 0.0,
    conditions: Spans | None = None,
) -> Record:
    """Rate every stage with the rating and shift of its moment: ``Q = rating(h + s)``.

    ``u_Q^2 = (u_r Q)^2 + (dQ/dh)^2 (u_h^2 + u_s^2)``: u_r relative standard uncertainty of the mean relation (1),
    dQ/dh slope of the rating at h + s (m2/s), u_h and u_s standard uncertainty of stage and shift (m). Close to the
    stage of zero flow the second part is never taken as less than what ``Rating.rated`` says of the kind.

    Parameters
    ----------
    time_us : int array, shape (values,)
        Microseconds since 1970, UTC, never going back.
    stage_m : float array, shape (values,)
        Corrected stage, m; NaN where missing.
    ratings : sequence of RatingInForce
        In the order they hold; before the first there is no discharge.
    stage_uncertainty_m : float or float array, shape (values,)
        Standard uncertainty of stage, m.
    conditions : Spans, optional
        Ice, backwater, estimated: spans that only mark.

    Returns
    -------
    Record

    Raises
    ------
    ValueError
        Times go back, arrays differ in length, ratings out of order.
    """
    n = time_us.size
    if stage_m.size != n or np.size(stage_uncertainty_m) not in (1, n):
        msg = f"expected one stage and one uncertainty per time, found {n} times and {stage_m.size} stages"
        raise ValueError(msg)
    if n and (back := np.flatnonzero(time_us[1:] < time_us[:-1])).size:
        msg = f"expected times that never go back, found one that does at value {back[0] + 1}; put them in order first"
        raise ValueError(msg)
    blank = Record(
        time_us, stage_m, np.full(n, np.nan), np.full(n, np.nan), np.full(n, np.nan),
        np.zeros(n, dtype=np.uint8), np.full(n, -1, dtype=np.int16),
    )  # fmt: skip
    return _fill(blank, ratings, stage_uncertainty_m, conditions, EVER)


def recompute(
    record: Record,
    ratings: Sequence[RatingInForce],
    stage_uncertainty_m: float | Floats = 0.0,
    conditions: Spans | None = None,
    span_us: tuple[int, int] = EVER,
) -> Record:
    """Compute a record again in one span only, after a change of rating or shift; elsewhere it stays bit for bit.

    Parameters
    ----------
    record : Record
    ratings, stage_uncertainty_m, conditions
        As for ``discharge_record``; the uncertainty is of the whole record.
    span_us : (int, int)
        ``[from, to)``, microseconds since 1970.

    Returns
    -------
    Record
        A new one; the one handed in is not touched.
    """
    fresh = replace(
        record,
        shift_m=record.shift_m.copy(),
        discharge_m3_s=record.discharge_m3_s.copy(),
        uncertainty_m3_s=record.uncertainty_m3_s.copy(),
        marks=record.marks.copy(),
        rating=record.rating.copy(),
    )
    return _fill(fresh, ratings, stage_uncertainty_m, conditions, span_us)


def _fill(
    record: Record,
    ratings: Sequence[RatingInForce],
    unsure: float | Floats,
    conditions: Spans | None,
    span_us: tuple[int, int],
) -> Record:
    """Compute the values of a record in a span, in its own arrays."""
    time = record.time_us
    first, last = np.searchsorted(time, span_us) if span_us != EVER else (0, time.size)
    for values in (record.shift_m, record.discharge_m3_s, record.uncertainty_m3_s):
        values[first:last] = np.nan
    record.marks[first:last] = Mark.NO_RATING
    record.rating[first:last] = -1
    u_h = np.asarray(unsure, dtype=np.float64)
    for number, (rating, span) in enumerate(zip(ratings, spans_of_ratings(ratings), strict=True)):
        low, high = np.clip(np.searchsorted(time, span), first, last)
        record.rating[low:high] = number
        for start in range(int(low), int(high), BLOCK):
            rows = slice(start, min(start + BLOCK, int(high)))
            _rate(record, rating, u_h[rows] if u_h.ndim and u_h.size > 1 else u_h.reshape(()), rows)
    if conditions is not None:
        record.marks[first:last] |= conditions.marks(time[first:last])
    return record


def _rate(record: Record, rating: RatingInForce, u_h: Floats, rows: slice) -> None:
    """Compute a block of values that one rating holds for."""
    stage = record.stage_m[rows]
    rated, variance = stage, u_h**2
    marks = np.zeros(stage.size, dtype=np.uint8)
    if rating.shifts is not None:
        shift, u_s, outside = rating.shifts.at(record.time_us[rows], stage)
        record.shift_m[rows] = shift
        rated, variance = stage + shift, variance + u_s**2
        marks[outside] = Mark.SHIFT_HELD | Mark.ESTIMATED
    else:
        record.shift_m[rows] = 0.0
    discharge, by_stage = rating.curve.rated(rated, np.sqrt(variance))
    record.discharge_m3_s[rows] = discharge
    by_rating = rating.uncertainty(rated)
    by_rating *= discharge
    np.multiply(by_rating, by_rating, out=by_rating)
    np.multiply(by_stage, by_stage, out=by_stage)
    by_rating += by_stage
    np.sqrt(by_rating, out=record.uncertainty_m3_s[rows])
    marks |= (rated < rating.lowest_m).view(np.uint8) * np.uint8(Mark.BELOW_GAUGED)
    marks |= (rated > rating.highest_m).view(np.uint8) * np.uint8(Mark.ABOVE_GAUGED)
    record.marks[rows] = marks
