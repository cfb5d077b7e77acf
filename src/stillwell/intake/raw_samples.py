"""Raw samples become the velocity of the point they were taken at, with its standard error."""

from __future__ import annotations

import numpy as np
import pandas as pd

from stillwell.hydrometry.meter.despike import spikes, summaries

POINT = ["deposit", "gauging", "vertical", "relative_depth"]
FILLED = {
    "velocity_m_s": "mean",
    "velocity_sd_m_s": "deviation",
    "velocity_se_m_s": "error",
    "samples": "samples",
    "spikes": "spikes",
}


def with_samples(points: pd.DataFrame, samples: pd.DataFrame) -> pd.DataFrame:
    """Give points that lack a velocity the mean of their samples, without spikes.

    Parameters
    ----------
    points, samples : DataFrame
        As in the schemas of both, of the whole batch.

    Returns
    -------
    DataFrame
        ``points``; what was handed in beside samples stays as handed in.
    """
    usable = samples.dropna(subset=[*POINT, "sample", "velocity_x_m_s"])
    if usable.empty or points.empty:
        return points
    usable = usable.sort_values([*POINT, "sample"], kind="stable").reset_index(drop=True)
    key = usable.groupby(POINT, sort=True)
    record = np.asarray(key.ngroup(), dtype=np.int64)
    velocity = usable["velocity_x_m_s"].to_numpy()
    bad = spikes(record, velocity)
    summary = summaries(record, velocity, bad)
    names = usable[POINT].drop_duplicates()
    place = pd.MultiIndex.from_frame(names).get_indexer(pd.MultiIndex.from_frame(points[POINT]))
    mine = (place >= 0) & points["velocity_m_s"].isna().to_numpy() & points["revolutions"].isna().to_numpy()
    rows = np.flatnonzero(mine)
    out = points.copy()
    for column, name in FILLED.items():
        values = pd.Series(getattr(summary, name)[place[rows]], index=out.index[rows])
        missing = out[column].iloc[rows].isna()
        out.loc[out.index[rows][missing], column] = values[missing].astype(out[column].dtype)
    weakest = usable.groupby(POINT)["snr_db"].min().to_numpy()
    blank = out["snr_db"].iloc[rows].isna()
    out.loc[out.index[rows][blank], "snr_db"] = weakest[place[rows]][blank.to_numpy()]
    return out
