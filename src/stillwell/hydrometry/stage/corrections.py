"""Dated corrections of stage: their sum at a moment, and proposals from readings of the staff. Adopts nothing."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from stillwell.hydrometry.grouped import numbered
from stillwell.hydrometry.stage.convert import Floats, Ints, interpolated


@dataclass(frozen=True)
class Corrections:
    """Corrections of one sensor: each adds ``start + (end - start) (t - from)/(to - from)`` (m) over ``[from, to)``.

    ``from_us`` and ``to_us`` microseconds since 1970; ``start_m`` at from, ``end_m`` towards to, m. Several that
    hold at one moment add up.
    """

    from_us: Ints
    to_us: Ints
    start_m: Floats
    end_m: Floats

    def __post_init__(self) -> None:
        bad = np.flatnonzero((self.to_us <= self.from_us) | ~np.isfinite(self.start_m + self.end_m))
        if bad.size:
            msg = f"expected corrections that end after they start, with two values; correction {bad[0]} does not"
            raise ValueError(msg)

    def at(self, time_us: Ints) -> Floats:
        """Sum the corrections (m) at each time; exactly 0 where none holds.

        Parameters
        ----------
        time_us : int array, shape (values,)
            In any order.

        Returns
        -------
        float array, shape (values,)
        """
        if not self.from_us.size or not time_us.size:
            return np.zeros(time_us.size)
        cuts = np.unique(np.r_[self.from_us, self.to_us])
        low, high = np.searchsorted(cuts, self.from_us), np.searchsorted(cuts, self.to_us)
        owner, number = numbered(high - low)
        piece = low[owner] + number
        length = (self.to_us - self.from_us)[owner]
        change = (self.end_m - self.start_m)[owner]
        ends = []
        for cut in (cuts[piece], cuts[piece + 1]):
            value = self.start_m[owner] + change * ((cut - self.from_us[owner]) / length)
            ends.append(np.bincount(piece, weights=value, minlength=cuts.size - 1))
        at = np.searchsorted(cuts, time_us, side="right") - 1
        inside = (at >= 0) & (at < cuts.size - 1)
        at = np.where(inside, at, 0)
        part = (time_us - cuts[at]) / np.diff(cuts)[at]
        return np.asarray(np.where(inside, ends[0][at] + part * (ends[1][at] - ends[0][at]), 0.0))


def staff_against_sensor(
    time_us: Ints, stage_m: Floats, read_us: Ints, staff_m: Floats, bridged_s: float = 7200.0
) -> pd.DataFrame:
    """Compare the sensor with the staff at each visit.

    Parameters
    ----------
    time_us, stage_m : arrays, shape (values,)
        The series, in order of time; NaN where missing.
    read_us, staff_m : arrays, shape (visits,)
        When the staff was read, and what was read, m.
    bridged_s : float
        Longest time between two values of the sensor that is bridged, s (common practice, no source).

    Returns
    -------
    DataFrame
        One row per reading, in order of time: ``read_us``, ``staff_m``, ``sensor_m`` (interpolated; NaN in a gap),
        ``difference_m`` (staff less sensor: what would have to be added), ``change_m`` (of the sensor between the two
        values around the reading: a steep one makes a poor comparison).
    """
    known = np.isfinite(stage_m)
    t, v = time_us[known], stage_m[known]
    order = np.argsort(read_us, kind="stable")
    read, staff = read_us[order], staff_m[order]
    sensor = interpolated(read, t, v, bridged_s)
    change = np.full(read.size, np.nan)
    if t.size:
        low = np.clip(np.searchsorted(t, read, side="right") - 1, 0, t.size - 1)
        change = np.where(np.isnan(sensor), np.nan, v[np.minimum(low + 1, t.size - 1)] - v[low])
    columns = {"read_us": read, "staff_m": staff, "sensor_m": sensor, "difference_m": staff - sensor}
    return pd.DataFrame({**columns, "change_m": change})


def propose_corrections(visits: pd.DataFrame, until_us: int, reading_m: float = 0.005) -> pd.DataFrame:
    """Propose corrections that bring the sensor to the staff, each with its reason.

    Two differences agree when they lie within ``2 sqrt(2) u``, and one is nothing when it lies within ``2 u``: u
    standard uncertainty of one difference. Between two visits the difference is taken to run linearly; where both agree
    their mean is an offset; where both are nothing none is proposed. After the last visit its difference is held.

    Parameters
    ----------
    visits : DataFrame
        As from ``staff_against_sensor``, of the uncorrected sensor.
    until_us : int
        Moment after the last value; what is held ends there.
    reading_m : float
        u, m (common practice, no source: half a centimetre).

    Returns
    -------
    DataFrame
        ``from_us``, ``to_us``, ``start_m``, ``end_m``, ``kind`` (offset, drift, held), ``reason``. A proposal: a person
        adopts it, or not. A sensor moved in one go between two visits looks like drift here.
    """
    usable = visits[np.isfinite(visits["difference_m"].to_numpy())].drop_duplicates("read_us")
    time, apart = usable["read_us"].to_numpy(), usable["difference_m"].to_numpy()
    columns = ["from_us", "to_us", "start_m", "end_m", "kind", "reason"]
    if not time.size:
        return pd.DataFrame({c: pd.Series(dtype="str" if c in {"kind", "reason"} else "float64") for c in columns})
    begin, end = time, np.r_[time[1:], max(until_us, int(time[-1]))]
    start, finish = apart, np.r_[apart[1:], apart[-1]]
    agree = np.abs(finish - start) <= 2 * np.sqrt(2) * reading_m
    mean = (start + finish) / 2
    last = np.arange(time.size) == time.size - 1
    nothing = (np.abs(start) <= 2 * reading_m) & (np.abs(finish) <= 2 * reading_m)
    kind = np.where(last, "held", np.where(agree, "offset", "drift"))
    sentences = {
        "held": "the staff stood {a:+.3f} m from the sensor at the last visit; held until the next",
        "offset": "the staff stood {a:+.3f} m and {b:+.3f} m from the sensor at both visits: an offset",
        "drift": "the staff stood {a:+.3f} m from the sensor at one visit and {b:+.3f} m at the next: "
        "the change is spread evenly between them",
    }
    out = pd.DataFrame(
        {
            "from_us": begin,
            "to_us": end,
            "start_m": np.where(agree, mean, start),
            "end_m": np.where(agree, mean, finish),
            "kind": kind,
            "reason": [sentences[k].format(a=a, b=b) for k, a, b in zip(kind, start, finish, strict=True)],
        }
    )
    return out[~nothing & (end > begin)].reset_index(drop=True)
