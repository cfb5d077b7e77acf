"""Where the strips of a section begin and end, and which way its tag line runs on paper."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from stillwell.drawing.axes import LEFT, RIGHT, WIDTH
from stillwell.drawing.scales import Scale

Floats = NDArray[np.float64]


def ordered(verticals: pd.DataFrame) -> pd.DataFrame:
    """Put verticals in order along the tag line; of one place in the order walked."""
    return verticals.sort_values(["position_m", "order_walked"], kind="stable").reset_index(drop=True)


def strips(verticals: pd.DataFrame, *, mean_section: bool = False) -> tuple[Floats, Floats]:
    """Say from where to where each vertical speaks.

    Half-way to its neighbours in the same channel, or, of a mean-section, from the vertical before to its own place.

    Parameters
    ----------
    verticals : DataFrame
        In the order of ``ordered``; ``position_m``, ``channel``.
    mean_section : bool

    Returns
    -------
    low, high : float arrays
        m along the tag line; equal where a vertical stands in no channel.
    """
    x = verticals["position_m"].to_numpy(dtype=np.float64)
    channel = verticals["channel"].to_numpy(dtype=np.float64, na_value=0.0)
    joined = (channel[1:] == channel[:-1]) & (channel[1:] > 0)
    low, high = x.copy(), x.copy()
    if mean_section:
        low[1:] = np.where(joined, x[:-1], x[1:])
        return low, high
    middle = (x[1:] + x[:-1]) / 2
    low[1:] = np.where(joined, middle, x[1:])
    high[:-1] = np.where(joined, middle, x[:-1])
    return low, high


@dataclass(frozen=True)
class Across:
    """The level axis of a section: facing downstream, left bank to the left where the banks are known."""

    scale: Scale
    px_per_m: float
    left_bank: str
    right_bank: str


def across(verticals: pd.DataFrame, start_bank: str | None, most_px_per_m: float = np.inf) -> Across:
    """Lay the tag line on paper.

    Parameters
    ----------
    verticals : DataFrame
        In the order of ``ordered``.
    start_bank : str, optional
        Bank the party started from, left or right, facing downstream.
    most_px_per_m : float
        Greatest scale wanted; a narrow and deep section is set in the middle.
    """
    x = verticals["position_m"].to_numpy(dtype=np.float64)
    low, high = float(x.min()), float(x.max())
    if high <= low:
        low, high = low - 0.5, high + 0.5
    room = WIDTH - LEFT - RIGHT
    px = min(room / (high - low), most_px_per_m)
    start = LEFT + (room - px * (high - low)) / 2
    end = start + px * (high - low)
    walked = verticals.sort_values("order_walked", kind="stable")["position_m"].to_numpy(dtype=np.float64)
    rising = bool(walked[-1] >= walked[0])
    if start_bank not in ("left", "right"):
        return Across(Scale(low, high, start, end), px, "", "")
    mirrored = (start_bank == "left") != rising
    return Across(Scale(low, high, *((end, start) if mirrored else (start, end))), px, "left bank", "right bank")
