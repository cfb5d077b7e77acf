"""Scales of a drawing, and the round numbers and moments written on its axes."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

DAY_US = 86_400_000_000
_MINUTES = (1, 5, 15, 30, 60, 180, 360, 720)
_DAYS = (1, 2, 5, 10)
_MONTHS = (1, 2, 3, 6)
_YEARS = (1, 2, 5, 10, 20, 50, 100)


@dataclass(frozen=True)
class Scale:
    """A scale from ``low`` at ``start`` to ``high`` at ``end`` (px); ``log`` spaces by ratio."""

    low: float
    high: float
    start: float
    end: float
    log: bool = False

    def __call__(self, values: Floats | float) -> Floats:
        """Place values; NaN where a value has no logarithm."""
        numbers = np.asarray(values, dtype=np.float64)
        if not self.log:
            return self.start + (numbers - self.low) / (self.high - self.low) * (self.end - self.start)
        logs = np.log(numbers, out=np.full(numbers.shape, np.nan), where=numbers > 0)
        low, high = math.log(self.low), math.log(self.high)
        return np.asarray(self.start + (logs - low) / (high - low) * (self.end - self.start))

    def at(self, value: float) -> float:
        """Place one value."""
        return float(self(value))

    def clipped(self, values: Floats | float) -> Floats:
        """Place values, those beyond an end of the scale at that end."""
        return self(np.clip(values, self.low, self.high))

    def ticks(self, about: int = 6) -> list[tuple[float, str]]:
        """Choose round numbers within the scale, with their texts."""
        values = _log_ticks(self.low, self.high, about) if self.log else _even_ticks(self.low, self.high, about)
        return [(value, plain(value)) for value in values]


def plain(value: float) -> str:
    """Write a round number without noise of its last digits."""
    text = f"{value:.10g}"
    return "0" if text == "-0" else text


def step_of(span: float, about: int) -> float:
    """Choose a round step, 1, 2 or 5 times a power of ten, of which about so many fit a span."""
    rough = span / max(about, 1)
    power = 10.0 ** math.floor(math.log10(rough))
    return power * next(m for m in (1.0, 2.0, 5.0, 10.0) if rough <= m * power * (1 + 1e-9))


def _even_ticks(low: float, high: float, about: int) -> list[float]:
    step = step_of(high - low, about)
    first, last = math.ceil(low / step - 1e-9), math.floor(high / step + 1e-9)
    return [round(i * step, 12) for i in range(first, last + 1)]


def _log_ticks(low: float, high: float, about: int) -> list[float]:
    first, last = math.floor(math.log10(low)), math.ceil(math.log10(high))
    for digits in ((1, 1.5, 2, 3, 4, 5, 6, 7, 8, 9), (1, 2, 3, 5, 7), (1, 2, 5), (1, 3), (1,)):
        values = [d * 10.0**p for p in range(first, last + 1) for d in digits]
        within = [v for v in values if low * (1 - 1e-9) <= v <= high * (1 + 1e-9)]
        if len(within) <= 1.6 * about:
            return within
    return within[:: max(1, len(within) // about)]


def scale_over(values: Floats, start: float, end: float, *, zero: bool = False, room: float = 0.04) -> Scale:
    """Make an even scale that holds some values, a little wider than they are.

    Parameters
    ----------
    values : float array
        NaN are passed over; without any other, 0 to 1.
    start, end : float
        px.
    zero : bool
        Hold 0 too.
    room : float
        Share of the span added at both ends (not below a 0 that is held).
    """
    known = values[np.isfinite(values)]
    if zero or not known.size:
        known = np.r_[known, 0.0]
    low, high = float(known.min()), float(known.max())
    if high <= low:
        wide = abs(high) * 0.1 or 1.0
        low, high = (0.0, high + wide) if zero and low == 0 else (low - wide, high + wide)
    more = (high - low) * room
    return Scale(low if zero and low == 0 else low - more, high if zero and high == 0 else high + more, start, end)


def log_scale_over(values: Floats, start: float, end: float) -> Scale:
    """Make a scale by ratio that holds every positive value."""
    known = values[np.isfinite(values) & (values > 0)]
    low, high = (float(known.min()), float(known.max())) if known.size else (1.0, 10.0)
    low, high = (low / 1.5, high * 1.5) if high < low * 1.5 else (low / 1.12, high * 1.12)
    return Scale(low, high, start, end, log=True)


def time_ticks(low_us: float, high_us: float, about: int = 8) -> list[tuple[float, str]]:
    """Choose round moments (UTC) between two, microseconds since 1970, with their texts."""
    days = (high_us - low_us) / DAY_US
    for minutes in _MINUTES:
        if days * 1440 / minutes <= about:
            return _moments(low_us, high_us, np.timedelta64(minutes, "m"), 16)
    for count in _DAYS:
        if days / count <= about:
            return _moments(low_us, high_us, np.timedelta64(count, "D"), 10)
    for count in _MONTHS:
        if days / 30.4 / count <= about:
            return _months(low_us, high_us, count, 7)
    years = next((n for n in _YEARS if days / 365.25 / n <= about), _YEARS[-1])
    return _months(low_us, high_us, 12 * years, 4)


def _moments(low_us: float, high_us: float, step: np.timedelta64, letters: int) -> list[tuple[float, str]]:
    wide = int(step / np.timedelta64(1, "us"))
    whole = np.arange(math.ceil(low_us / wide), math.floor(high_us / wide) + 1, dtype=np.int64) * wide
    return _with_texts(whole, letters)


def _months(low_us: float, high_us: float, step: int, letters: int) -> list[tuple[float, str]]:
    first, last = (np.datetime64(int(v), "us").astype("datetime64[M]").astype(np.int64) for v in (low_us, high_us))
    months = np.arange(-(-first // step) * step - step, last + 1, step, dtype=np.int64)
    if step % 12 == 0:
        since = 1970 * 12
        months = np.arange((first + since) // step * step, last + since + 1, step, dtype=np.int64) - since
    whole = months.astype("datetime64[M]").astype("datetime64[us]").astype(np.int64)
    return _with_texts(whole[(whole >= low_us) & (whole <= high_us)], letters)


def _with_texts(whole: Ints, letters: int) -> list[tuple[float, str]]:
    texts = (str(np.datetime64(int(us), "us"))[:letters].replace("T", " ") for us in whole)
    return [(float(us), text) for us, text in zip(whole, texts, strict=True)]
