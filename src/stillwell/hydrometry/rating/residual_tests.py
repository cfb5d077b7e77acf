"""Is a rating fair to its gaugings: signs, runs, bias, and new gaugings against old. Fits nothing and rejects nothing.

Formulas of ISO 1100-2 and IS 2914 as remembered, unverified; residuals in order of stage, or of time where drift is
asked after. A departure of exactly 0 is dropped from signs and runs, half the distance to the next whole count is
taken off (0.5), and what is then below 0 counts as 0.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import special

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Verdict:
    """One test: its statistic, the value it must not pass, and what it says. NaN where it cannot be made."""

    name: str
    statistic: float
    critical: float
    sentence: str

    @property
    def passed(self) -> bool:
        """Say whether the test finds nothing; a test that cannot be made finds nothing."""
        return not self.statistic > self.critical


def _verdict(name: str, statistic: float, critical: float, result: str, finding: str) -> Verdict:
    if np.isnan(statistic):
        return Verdict(name, statistic, critical, f"{name}: too few gaugings to say")
    says = finding if statistic > critical else "nothing to object to"
    return Verdict(name, statistic, critical, f"{name}: {result}; t = {statistic:.2f} against {critical:.2f}: {says}")


def signs(departure: Floats, level: float = 95) -> Verdict:
    """Test whether as many gaugings lie above as below: ``t = (|n1 - N/2| - 0.5)/sqrt(N/4)``.

    Parameters
    ----------
    departure : float array, shape (gaugings,)
        Percent or any measure of the same sign.
    level : float
        Percent of chance variation let pass; the critical value is normal, 1.96 at 95.
    """
    sign = np.sign(departure[departure != 0])
    n, above = sign.size, int((sign > 0).sum())
    t = max(abs(above - n / 2) - 0.5, 0.0) / np.sqrt(n / 4) if n else np.nan
    return _verdict(
        "signs", t, float(special.ndtri(0.5 + level / 200)), f"{above} of {n} above", "the curve lies to one side"
    )


def runs(departure: Floats, level: float = 95) -> Verdict:
    """Test whether signs change as often as chance would: ``t = (|n' - (N - 1)/2| - 0.5)/sqrt((N - 1)/4)``.

    n' changes of sign between neighbours, in the order handed in.
    """
    sign = np.sign(departure[departure != 0])
    n = sign.size
    changes = int((sign[1:] != sign[:-1]).sum())
    t = max(abs(changes - (n - 1) / 2) - 0.5, 0.0) / np.sqrt((n - 1) / 4) if n > 1 else np.nan
    finding = "departures of one sign keep together" if changes < (n - 1) / 2 else "signs change oddly often"
    return _verdict("runs", t, float(special.ndtri(0.5 + level / 200)), f"{changes} changes of sign in {n}", finding)


def bias(departure_pct: Floats, level: float = 95) -> Verdict:
    """Test whether the mean departure is 0: ``t = |Pbar|/(s_P/sqrt(N))``, Student's t of N - 1."""
    n = departure_pct.size
    error = float(departure_pct.std(ddof=1)) / np.sqrt(n) if n > 1 else np.nan
    mean = float(departure_pct.mean()) if n else np.nan
    t = abs(mean) / error if error > 0 else np.nan
    critical = float(special.stdtrit(n - 1, 0.5 + level / 200)) if n > 1 else np.nan
    return _verdict("bias", t, critical, f"mean departure {mean:.2f} %", "the curve is biased")


def new_against_old(new_pct: Floats, old_pct: Floats, level: float = 95) -> Verdict:
    """Test whether new gaugings still belong: ``t = |d1 - d2|/(S sqrt(1/N1 + 1/N2))``, S pooled, N1 + N2 - 2.

    Parameters
    ----------
    new_pct, old_pct : float arrays
        Departures (%) from one and the same curve.
    """
    n1, n2 = new_pct.size, old_pct.size
    freedom = n1 + n2 - 2
    name = "new against old"
    if min(n1, n2) < 1 or freedom < 1:
        return _verdict(name, np.nan, np.nan, "", "")
    square = ((new_pct - new_pct.mean()) ** 2).sum() + ((old_pct - old_pct.mean()) ** 2).sum()
    error = float(np.sqrt(square / freedom * (1 / n1 + 1 / n2)))
    apart = float(new_pct.mean() - old_pct.mean())
    t = abs(apart) / error if error > 0 else np.nan
    result = f"{n1} new gaugings depart {apart:+.2f} % from {n2} old ones"
    return _verdict(name, t, float(special.stdtrit(freedom, 0.5 + level / 200)), result, "the relation has changed")


def verdicts(stage: Floats, departure_pct: Floats, level: float = 95) -> tuple[Verdict, ...]:
    """Make the three tests of one rating, departures (%) put in order of stage (m), missing ones left out."""
    known = np.flatnonzero(np.isfinite(departure_pct))
    ordered = departure_pct[known[np.lexsort((departure_pct[known], stage[known]))]]
    return signs(ordered, level), runs(ordered, level), bias(ordered, level)
