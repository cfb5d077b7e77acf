"""The kinds of rating: from rows as the archive keeps them to a ``Rating``. A new kind adds its line to ``MAKERS``."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from types import MappingProxyType
from typing import Any

import pandas as pd

from stillwell.hydrometry.rating.rating import Rating
from stillwell.hydrometry.rating.segments import curve_of

POWER_LAWS = "power laws"
"""Kind of a rating whose row names none; all that the table ``ratings`` knows today."""

Maker = Callable[[pd.DataFrame, object], Rating]
"""From the rows of ``rating_segments`` and the text of ``ratings.covariance``, which may be missing."""

MAKERS: Mapping[str, Maker] = MappingProxyType({POWER_LAWS: curve_of})


def rating_of(row: Mapping[Any, Any], segments: pd.DataFrame) -> Rating:
    """Make the rating of a row of ``ratings`` and its rows of ``rating_segments``.

    Raises
    ------
    RatingError
        The rows make no rating of that kind.
    """
    return MAKERS[row.get("kind") or POWER_LAWS](segments, row.get("covariance"))
