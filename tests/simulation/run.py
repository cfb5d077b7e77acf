"""How near discharge comes to the truth, and how often 95 % intervals hold it: ``python -m tests.simulation.run``."""

from __future__ import annotations

import sys
from dataclasses import dataclass

import numpy as np

from stillwell.hydrometry.choices import Choices
from stillwell.hydrometry.gauging.compute import compute
from tests.making import frame
from tests.simulation.rivers import Party, Rivers, measured

COUNT = 2000
SEED = 20251125
PARTIES = {
    "one point, 10 verticals": Party(10, two_points=False),
    "one point, 20 verticals": Party(20, two_points=False),
    "one point, 30 verticals": Party(30, two_points=False),
    "two points, 20 verticals": Party(20, two_points=True),
    "two points, 30 verticals": Party(30, two_points=True),
    "one point, 20 verticals, 30 s": Party(20, two_points=False, exposure_s=30.0),
}


@dataclass(frozen=True)
class Outcome:
    """What a party's gaugings came to against the truth."""

    bias_pct: float
    spread_pct: float
    table_holds_pct: float
    scatter_holds_pct: float
    table_pct: float
    """Median expanded uncertainty, k = 2."""
    scatter_pct: float
    error_pct: np.ndarray


def outcome(party: Party, count: int = COUNT, seed: int = SEED) -> Outcome:
    """Measure many rivers once each and compare with the truth."""
    rivers = Rivers.drawn(count, seed)
    truth = rivers.discharge()
    heads, points = measured(rivers, party, seed + 1)
    made = compute(heads, points, frame("gauge_heights", []), frame("calibrations", [], kept=True), Choices()).results
    found = made["discharge_m3_s"].to_numpy()
    error = found - truth
    share = 100 * error / truth
    table, scatter = (made[f"uncertainty_{name}_m3_s"].to_numpy() for name in ("table", "scatter"))
    return Outcome(
        bias_pct=float(share.mean()),
        spread_pct=float(share.std(ddof=1)),
        table_holds_pct=float(100 * np.mean(np.abs(error) <= table)),
        scatter_holds_pct=float(100 * np.mean(np.abs(error) <= scatter)),
        table_pct=float(np.median(100 * table / found)),
        scatter_pct=float(np.median(100 * scatter / found)),
        error_pct=share,
    )


def table() -> str:
    """Write the outcomes of every party as Markdown."""
    head = "| party | bias % | spread % | tables: U % | tables hold % | scatter: U % | scatter holds % |\n"
    lines = [head, "|---|---|---|---|---|---|---|\n"]
    for name, party in PARTIES.items():
        o = outcome(party)
        cells = (o.bias_pct, o.spread_pct, o.table_pct, o.table_holds_pct, o.scatter_pct, o.scatter_holds_pct)
        lines.append(f"| {name} | " + " | ".join(f"{value:.1f}" for value in cells) + " |\n")
    return "".join(lines)


if __name__ == "__main__":
    sys.stdout.write(f"{COUNT} rivers each, seed {SEED}\n\n{table()}")
