"""Doubts about recorded stage, put into words with where each rule comes from. Finds nothing itself."""

from __future__ import annotations

import numpy as np
import pandas as pd

from stillwell.assessment.policy import Policy

PRACTICE = "common practice, no source"

SAID: dict[str, tuple[str, str]] = {
    "time-repeated": ("note", "{rows:.0f} values were handed in again at times that had the same value"),
    "time-contradicted": ("suspect", "values of one time differ by up to {value:.3f} m; the one handed in last stands"),
    "time-back": ("suspect", "time goes back by {value:.0f} s in the order recorded"),
    "loggers-overlap": ("suspect", "two loggers seem to have recorded this span, {value:+.3f} m apart"),
    "clock-step": ("suspect", "the clock of the logger seems to have moved by {value:+.0f} s"),
    "interval-changed": ("note", "from here on a value every {value:.0f} s"),
    "resolution-changed": ("note", "from here on stage comes in steps of {value:.4g} m"),
    "flat-line": ("suspect", "the same value for {value:.1f} h; is the sensor free, is the water still?"),
    "spike": ("suspect", "the value stands {value:.2f} m out from those around it ({rows:.0f} in all)"),
    "gap": ("note", "nothing was recorded for {value:.1f} h"),
}
"""Severity and sentence of each code of ``stage_series.check_series``."""


def doubts_in_words(spans: pd.DataFrame, policy: Policy) -> pd.DataFrame:
    """Put spans of doubt into words.

    Parameters
    ----------
    spans : DataFrame
        As ``stage_series.check_series`` finds them.
    policy : Policy
        Gaps that the policy bridges are not told.

    Returns
    -------
    DataFrame
        ``code``, ``from``, ``to``, ``severity``, ``value``, ``message``, ``source``; one row per code and start.
    """
    short = (spans["code"] == "gap") & (spans["value"] * 3600 <= policy.value("gap_bridged_s"))
    rows = spans[~short].drop_duplicates(["code", "from_us"]).reset_index(drop=True)
    said = zip(rows["code"], rows["value"], rows["rows"], strict=True)
    return pd.DataFrame(
        {
            "code": rows["code"],
            "from": pd.to_datetime(rows["from_us"].to_numpy(dtype=np.int64), unit="us", utc=True),
            "to": pd.to_datetime(rows["to_us"].to_numpy(dtype=np.int64), unit="us", utc=True),
            "severity": pd.Series([SAID[code][0] for code in rows["code"]], dtype="str"),
            "value": rows["value"],
            "message": pd.Series([SAID[c][1].format(value=v, rows=n) for c, v, n in said], dtype="str"),
            "source": PRACTICE,
        }
    )
