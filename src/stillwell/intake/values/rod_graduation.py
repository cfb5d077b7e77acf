"""Depths in feet that no rod could have shown, while they are still digits as written. Converts nothing."""

from __future__ import annotations

import re
from collections.abc import Iterator
from decimal import Decimal

import numpy as np
import pandas as pd
import pyarrow as pa

from stillwell.intake.values.cells import NUMBER

READ_TO_FT = Decimal("0.05")
"""A rod marked in tenths of feet, estimated to half a tenth: common practice, no source."""
IN_FEET = ("depth_ft", "depth_ftus")


def off_graduation(
    gauging: pa.StringArray, vertical: pa.StringArray, depth: pa.StringArray, step: Decimal = READ_TO_FT
) -> Iterator[str]:
    """Say of each gauging how many of its depths are not on a graduation.

    Parameters
    ----------
    gauging, vertical, depth : array of str
        Cells of a table of points, depths in feet with a decimal point; every vertical counts once.
    step : Decimal
        Least difference of depth the rod is read to, in feet.

    Yields
    ------
    str
        A note on each gauging that has such a depth.
    """
    coded = depth.dictionary_encode()
    between = np.array([_between(text, step) for text in coded.dictionary.to_pylist()] + [False])
    off = between[coded.indices.to_numpy(zero_copy_only=False)]
    if not off.any():
        return
    rows = pd.DataFrame({"gauging": gauging.to_pylist(), "vertical": vertical.to_pylist(), "off": off})
    by_gauging = rows.groupby(["gauging", "vertical"], sort=False)["off"].any().groupby("gauging", sort=False)
    for label, count, total in zip(by_gauging.sum().index, by_gauging.sum(), by_gauging.size(), strict=True):
        if count and label:
            yield (
                f"gauging {label}: {count} of {total} depths are not on a graduation of {step} ft, as a rod marked in "
                "tenths of feet and read to half a tenth would give (common practice, no source)"
            )


def _between(text: str, step: Decimal) -> bool:
    return bool(re.fullmatch(NUMBER, text)) and Decimal(text) % step != 0
