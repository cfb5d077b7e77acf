"""Straight lines through numbers as written: exact on the digits, rounded once, a column at a time."""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
from numpy.typing import NDArray

_PLAIN = r"^[+-]?[0-9]*\.?[0-9]*$"
_EXACT = 2.0**53
"""Whole numbers up to here are floats exactly, and the quotient of two such floats is the nearest there is."""
_MOST_DIGITS = 15


@dataclass(frozen=True)
class Line:
    """``y = factor x + constant``."""

    factor: Fraction
    constant: Fraction

    def then(self, factor: Fraction, constant: Fraction = Fraction(0)) -> Line:
        """Put a line behind this one: ``factor (self) + constant``."""
        return Line(self.factor * factor, self.constant * factor + constant)


def on_line(digits: pa.StringArray, line: Line) -> NDArray[np.float64]:
    """Compute ``y = factor x + constant`` from numbers as written.

    Parameters
    ----------
    digits : string array
        Decimal numbers with a point; null where missing.
    line : Line

    Returns
    -------
    float array
        The floats nearest to the exact results; NaN where missing.
    """
    coded = digits.dictionary_encode()
    words = coded.dictionary
    table = np.append(_distinct(words, line), np.nan)
    return table[pc.fill_null(coded.indices, len(words)).to_numpy(zero_copy_only=False)]


def _distinct(words: pa.StringArray, line: Line) -> NDArray[np.float64]:
    out = np.full(len(words), np.nan)
    mantissa, decimals, quick = _whole(words)
    denominator = int(np.lcm(line.factor.denominator, line.constant.denominator, dtype=object))
    a, b = int(line.factor * denominator), int(line.constant * denominator)
    # With k decimals a result is a fraction of whole numbers. Where both are below 2^53 floats hold them exactly, and
    # the one division rounds once, as the exact result would; all others are computed one by one as fractions.
    for k in np.unique(decimals[quick]):
        below, above = denominator * 10 ** int(k), b * 10 ** int(k)
        mine = quick & (decimals == k)
        # bounds in floats, generous by far more than a float errs
        fits = mine & (np.abs(mantissa.astype(np.float64)) * abs(a) + abs(above) < _EXACT / 2)
        if below >= _EXACT or abs(a) >= _EXACT or abs(above) >= _EXACT or not fits.any():
            continue
        out[fits] = (mantissa[fits] * a + above).astype(np.float64) / float(below)
    left = np.flatnonzero(np.isnan(out))
    out[left] = [_one(word, line) for word in words.take(pa.array(left)).to_pylist()]
    return out


def _whole(words: pa.StringArray) -> tuple[NDArray[np.int64], NDArray[np.int64], NDArray[np.bool_]]:
    """Split numbers into all their digits and how many stand behind the point; and say which could be."""
    point = pc.find_substring(words, ".")
    digits = pc.replace_substring_regex(words, r"[.+]", "")
    plain = pc.and_(pc.match_substring_regex(words, _PLAIN), pc.less_equal(pc.utf8_length(digits), _MOST_DIGITS))
    plain = pc.and_(plain, pc.match_substring_regex(digits, "[0-9]"))
    whole = pc.cast(pc.if_else(plain, digits, "0"), pa.int64()).to_numpy(zero_copy_only=False)
    size = pc.utf8_length(words).to_numpy(zero_copy_only=False).astype(np.int64)
    at = point.to_numpy(zero_copy_only=False).astype(np.int64)
    return whole, np.where(at < 0, 0, size - at - 1), plain.to_numpy(zero_copy_only=False).astype(bool)


def _one(word: str, line: Line) -> float:
    exact = line.factor * Fraction(word) + line.constant
    try:
        return float(exact)
    except OverflowError:
        return float("inf") if exact > 0 else float("-inf")
