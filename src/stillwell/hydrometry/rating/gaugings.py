"""The gaugings a rating may rest on: refusals in words, zeros as bounds, a visit counted once, weights.

Fits nothing.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from stillwell.errors import RatingError

Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]
Ints = NDArray[np.int64]


@dataclass(frozen=True)
class Gaugings:
    """Gaugings with flow in order of stage, and what observed zeros say.

    ``row`` leads back to the rows handed in; ``name`` is what sentences call each; ``share`` is 1 over the gaugings of
    the visit; ``uncertainty`` the relative standard uncertainty (1), NaN throughout where none was given;
    ``highest_zero_m`` the highest stage seen without flow.
    """

    row: Ints
    stage: Floats
    discharge: Floats
    share: Floats
    uncertainty: Floats
    highest_zero_m: float
    zeros: int
    name: NDArray[np.object_]

    @property
    def visits(self) -> float:
        """How many gaugings there are, a visit counted once."""
        return float(self.share.sum())

    @property
    def low(self) -> float:
        """Lowest stage gauged with flow (m)."""
        return float(self.stage[0])

    @property
    def span(self) -> float:
        """Range of stage gauged with flow (m)."""
        return float(self.stage[-1] - self.stage[0])


def gathered(
    stage: Floats,
    discharge: Floats,
    uncertainty: Floats,
    visit: NDArray[np.object_],
    used: Flags,
    name: NDArray[np.object_] | None = None,
) -> Gaugings:
    """Check the gaugings that are used and put them in order.

    Raises
    ------
    RatingError
        A stage or discharge is missing or not finite, water ran backwards, an uncertainty is not above zero, nothing
        flowed, all gaugings lie at one stage, or a zero was seen at or above the lowest gauging with flow.
    """
    name = np.array([f"row {i}" for i in range(stage.size)], dtype=object) if name is None else name
    _refuse_unfit(stage, discharge, uncertainty, used, name)
    flows = np.flatnonzero(used & (discharge > 0))
    dry = used & (discharge == 0)
    if not flows.size:
        msg = f"a rating needs gaugings with flow; of {int(used.sum())} none has any; no rating is made"
        raise RatingError(msg)
    rows = flows[np.lexsort((discharge[flows], stage[flows]))]
    which = _visits(visit[rows])
    count = np.bincount(which)
    highest = float(stage[dry].max()) if dry.any() else -np.inf
    low = float(stage[rows[0]])
    if np.ptp(stage[rows]) == 0:
        msg = f"gaugings at several stages expected, found all {rows.size} at {low:.3f} m; no rating is made"
        raise RatingError(msg)
    if highest >= low:
        msg = (
            f"no flow was seen at {highest:.3f} m, but {discharge[rows[0]]:.4g} m3/s was gauged at {low:.3f} m,"
            f" no higher: one"
            " curve cannot say both; leave out what belongs to another state of the control, or give it a"
            " rating of its own"
        )
        raise RatingError(msg)
    return Gaugings(
        rows,
        stage[rows],
        discharge[rows],
        1 / count[which],
        _filled(uncertainty[rows]),
        highest,
        int(dry.sum()),
        name[rows],
    )


def _visits(visit: NDArray[np.object_]) -> Ints:
    """Give each visit a number; a gauging whose visit is not named is one by itself."""
    number = pd.factorize(visit)[0].astype(np.int64)
    alone = number < 0
    number[alone] = number.max() + 1 + np.arange(int(alone.sum()))
    return number


def _refuse_unfit(
    stage: Floats, discharge: Floats, uncertainty: Floats, used: Flags, names: NDArray[np.object_]
) -> None:
    for name, value, unit in (("stage", stage, "m"), ("discharge", discharge, "m3/s")):
        bad = used & ~np.isfinite(value)
        if bad.any():
            msg = (
                f"a finite {name} ({unit}) expected of every gauging used, found {value[bad][0]} in"
                f" {names[int(bad.argmax())]}"
                f" ({int(bad.sum())} such); leave it out with a reason or give the {name}"
            )
            raise RatingError(msg)
    backwards = used & (discharge < 0)
    if backwards.any():
        at = int(backwards.argmax())
        msg = (
            f"discharge of 0 or more expected, found {discharge[at]:.4g} m3/s in {names[at]}: reversed flow has no"
            f" place on a"
            " rating of stage alone; leave it out with a reason"
        )
        raise RatingError(msg)
    odd = used & (discharge > 0) & ((uncertainty <= 0) | np.isinf(uncertainty))
    if odd.any():
        at = int(odd.argmax())
        msg = (
            f"a relative standard uncertainty above 0 expected, found {uncertainty[at]} in {names[at]}; leave it"
            f" blank if unknown"
        )
        raise RatingError(msg)


def _filled(uncertainty: Floats) -> Floats:
    """Give gaugings of unknown uncertainty the median of the known ones; all NaN where none is known."""
    known = ~np.isnan(uncertainty)
    return np.where(known, uncertainty, np.median(uncertainty[known])) if known.any() else uncertainty


def precision(uncertainty: Floats, remnant: float, share: Floats) -> Floats:
    """Weigh gaugings by ``1/(u^2 + r^2)``, scaled to a mean of 1; all alike where u is unknown.

    u is a gauging's relative standard uncertainty, r the remnant: the relative scatter of the relation itself. Without
    r a gauging said to be good to 1 % would rule the curve, though the river scatters more than that around any curve.
    """
    if np.isnan(uncertainty).any():
        return np.ones_like(uncertainty)
    raw = 1 / (uncertainty**2 + remnant**2)
    return np.asarray(raw * share.sum() / (share * raw).sum())


def remnant(residual: Floats, uncertainty: Floats, effective: Floats, freedom: float) -> float:
    """Find the scatter r beyond the gaugings' own uncertainty: ``sum w d^2/(u^2 + r^2) = freedom``; 0 if there is none.

    d residuals of ln Q, w their effective weights (shares, times trust under a robust loss, made consistent). Paule and
    Mandel's way (remembered) of splitting scatter between and within.
    """
    if np.isnan(uncertainty).any():
        return float(np.sqrt((effective * residual**2).sum() / freedom))

    def beyond(square: float) -> float:
        return float((effective * residual**2 / (uncertainty**2 + square)).sum() - freedom)

    if beyond(0.0) <= 0:
        return 0.0
    most = float((effective * residual**2).sum() / freedom)
    from scipy import optimize  # it takes a process long to import, and few need it

    return float(np.sqrt(optimize.brentq(beyond, 0.0, most * (1 + 1e-9), xtol=1e-16)))
