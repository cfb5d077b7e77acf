"""Same-day flow and level of station 08GA072, 2011-2016 (Government of Canada data, CC BY 4.0, see tests/data).

Data and marks READ. The published flow is itself computed from the level, so open-water days follow the office's own
rating almost exactly; days marked as ice leave it. Everything expected is DERIVED.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from stillwell.hydrometry.rating.fit import fit
from stillwell.hydrometry.rating.shape import FitChoices

DATA = Path(__file__).parents[1] / "data" / "cheakamus_daily_flow_level_2011_2016.csv"


@pytest.fixture(scope="module")
def days():
    """Days of 2013 with both values: level, flow, marks."""
    rows = pd.read_csv(DATA, skipinitialspace=True)
    rows.columns = [name.strip() for name in rows.columns]
    rows = rows[rows["Date"].str.startswith("2013")]
    flow, level = (rows[rows["PARAM"] == which].set_index("Date")[["Value", "SYM"]] for which in (1, 2))
    both = pd.concat({"q": flow, "h": level}, axis=1).dropna(subset=[("q", "Value"), ("h", "Value")])
    return pd.DataFrame(
        {
            "q": both["q", "Value"],
            "h": both["h", "Value"],
            "ice": both["q", "SYM"] == "B",
            "open": both["q", "SYM"].isna(),
        }
    )


def test_ice_days_leave_the_rating_of_open_water(days):
    """Of 272 open days of 2013 95 % lie within 1 % of one curve; of 90 days with ice most lie more than 3 % off."""
    got = fit(
        days["h"].to_numpy(), days["q"].to_numpy(), used=days["open"].to_numpy(), choices=FitChoices(most_segments=3)
    )
    departs = got.gaugings["departure_pct"].abs().to_numpy()
    assert (days["open"].sum(), days["ice"].sum()) == (272, 90)
    assert np.quantile(departs[days["open"]], 0.95) < 1
    assert (departs[days["ice"]] > 3).mean() > 0.85
    assert np.median(got.gaugings["departure_pct"][days["ice"].to_numpy()]) < -10
