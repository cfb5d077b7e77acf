"""Propose shifts from the gaugings of one rating, and say in sentences why. Adopts nothing."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from stillwell.errors import RatingError
from stillwell.hydrometry.rating import shift as sh
from stillwell.hydrometry.rating.rating import Rating
from stillwell.hydrometry.rating.residual_tests import runs, signs

Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]
Way = Literal["by gauging", "by time", "by stage"]

USUAL = 0.05
"""Uncertainty (95 %, relative) taken for a gauging that gives none (common practice as remembered: 5 %)."""

LASTING = 4
"""Gaugings of one sign beyond their uncertainty, one after another, after which a new rating is proposed (chosen)."""


@dataclass(frozen=True)
class Proposal:
    """Shifts to be adopted or not, and why.

    ``entries``: start, stage_m (NaN: every stage), shift_m, as the table of shifts has them. ``gaugings``: as
    ``shift.held_against`` gives it, with ``applied_shift_m`` and ``departure_after_pct`` of the proposed shifts.
    ``between``: how they go on in time.
    """

    way: Way
    between: sh.Between
    entries: pd.DataFrame
    gaugings: pd.DataFrame
    sentences: tuple[str, ...]

    @property
    def shifts(self) -> sh.Shifts:
        """Give the proposed shifts, ready to be asked; they state no uncertainty."""
        stage, size = (self.entries[name].to_numpy(dtype="float64") for name in ("stage_m", "shift_m"))
        return sh.Shifts(_microseconds(self.entries["start"].to_numpy()), stage, size, np.full(size.size, np.nan))


def propose(
    rating: Rating,
    time: sh.Times,
    stage: Floats,
    discharge: Floats,
    *,
    uncertainty: Floats | None = None,
    stage_uncertainty_m: float = 0.0,
    way: Way = "by time",
    valid_from: np.datetime64 | None = None,
) -> Proposal:
    """Propose shifts of a rating from the gaugings made while it holds.

    A gauging within its uncertainty proposes 0: it says the rating holds then. By gauging, each shift holds until the
    next gauging; by time, shifts run straight from one to the next; by stage, one shift curve through all, from the
    start.

    Parameters
    ----------
    time : datetime64 array, shape (gaugings,)
        Middle of each gauging; any order.
    stage, discharge : float arrays, shape (gaugings,)
        m and m3/s.
    uncertainty : float array, optional
        Expanded (95 %) relative uncertainty; NaN: 5 % is taken and said.
    stage_uncertainty_m : float
        Expanded (95 %) uncertainty of a gauging's stage, which counts as ``beta U/(h - e)`` of discharge.
    valid_from : datetime64, optional
        When a shift curve by stage begins; the first gauging without it.

    Raises
    ------
    RatingError
        A moment, stage or discharge is missing, or water ran backwards.
    """
    if np.isnat(time).any() or not (
        np.isfinite(stage).all() and np.isfinite(discharge).all() and (discharge >= 0).all()
    ):
        msg = (
            "a moment, a stage and a discharge of 0 or more expected of every gauging; leave the others out; no"
            " shift is proposed"
        )
        raise RatingError(msg)
    given = np.full(stage.size, np.nan) if uncertainty is None else uncertainty
    allowed = np.where(np.isnan(given), USUAL, given)
    order = np.lexsort((stage, time))
    time, stage, discharge, allowed = time[order], stage[order], discharge[order], allowed[order]
    allowed = _with_stage(rating, stage, allowed, stage_uncertainty_m)
    plain = sh.held_against(rating, time, stage, discharge, allowed)
    size = np.where(plain["within"].to_numpy(), 0.0, plain["shift_m"].to_numpy())
    entries = _entries(way, time, stage, size, valid_from)
    between: sh.Between = "held" if way == "by gauging" else "linear"
    proposal = Proposal(way, between, entries, plain, ())
    applied = proposal.shifts.at(_microseconds(time), stage, between)[0]
    frame = plain.assign(
        applied_shift_m=applied, departure_after_pct=sh.departure(discharge, sh.shifted(rating, stage, applied))
    )
    return Proposal(way, between, entries, frame, _sentences(frame, way, int(np.isnan(given).sum())))


def _microseconds(time: sh.Times) -> sh.Ints:
    return time.astype("datetime64[us]").astype(np.int64)


def _with_stage(rating: Rating, stage: Floats, allowed: Floats, stage_uncertainty_m: float) -> Floats:
    """Add what the uncertainty of stage makes of discharge, in quadrature."""
    rated = rating.discharge(stage)
    part = np.divide(rating.slope(stage) * stage_uncertainty_m, rated, out=np.zeros(stage.size), where=rated > 0)
    return np.hypot(allowed, part)


def _entries(way: Way, time: sh.Times, stage: Floats, size: Floats, valid_from: np.datetime64 | None) -> pd.DataFrame:
    """Make rows of shifts; gaugings at one moment, or at one stage of a shift curve, are averaged."""
    rows = pd.DataFrame({"start": time, "stage_m": np.full(stage.size, np.nan), "shift_m": size})
    if way == "by stage":
        rows["start"], rows["stage_m"] = (time[0] if valid_from is None else valid_from) if time.size else time, stage
        return pd.DataFrame(rows.groupby(["start", "stage_m"], as_index=False, sort=True)["shift_m"].mean())
    means = rows.groupby("start", as_index=False, sort=True)["shift_m"].mean()
    return means.assign(stage_m=np.nan)[["start", "stage_m", "shift_m"]]


def _sentences(frame: pd.DataFrame, way: Way, unknown: int) -> tuple[str, ...]:
    """Say of each gauging what it says, then what they say together."""
    if frame.empty:
        return ("no gauging was made under this rating: no shift is proposed, and all of its record is estimated",)
    out = [_of_one(row) for row in frame.itertuples(index=False)]
    if unknown:
        out.append(f"{unknown} gaugings give no uncertainty: 5 % was taken for them")
    beyond = int((~frame["within"].to_numpy(bool)).sum())
    before, after = (frame[name].abs().median() for name in ("departure_pct", "departure_after_pct"))
    depart = f"{beyond} of {len(frame)} gaugings depart by more than their uncertainty"
    if np.isnan(before) or np.isnan(after):
        out.append(f"{depart}; the rating says 0 at all of them, so no departure in percent can be given")
    else:
        out.append(f"{depart}; shifts {way} bring the median departure from {before:.1f} to {after:.1f} %")
    first, last = frame["time"].iloc[0], frame["time"].iloc[-1]
    if way == "by stage":
        out.append(
            "a shift curve through single gaugings lets each of them rule its stage; look at it before adopting it"
        )
    else:
        out.append(
            f"before {first:%Y-%m-%d %H:%M} and after {last:%Y-%m-%d %H:%M} the nearest shift is held and the"
            f" record estimated"
        )
    out += [verdict.sentence for verdict in (signs(_known(frame)), runs(_known(frame)))]
    out += _lasting(frame)
    return tuple(out)


def _known(frame: pd.DataFrame) -> Floats:
    return frame["departure_pct"].dropna().to_numpy()


def _of_one(row: Any) -> str:
    at, departs, allowed = row.time, row.departure_pct, row.uncertainty_pct
    measured = f"{at:%Y-%m-%d}: {row.discharge_m3_s:.4g} m3/s at {row.stage_m:.3f} m"
    if np.isnan(departs):
        if row.within:
            return f"{measured}, where the rating says 0 too: no shift"
        return f"{measured}, where the rating says 0: shift {row.shift_m:+.3f} m"
    if row.within:
        return f"{measured}, {departs:+.1f} % from the rating and within {allowed:.1f} %: no shift"
    return f"{measured}, {departs:+.1f} % from the rating and beyond {allowed:.1f} %: shift {row.shift_m:+.3f} m"


def _lasting(frame: pd.DataFrame) -> list[str]:
    """Say since when gaugings have kept to one side beyond their uncertainty."""
    outside = ~frame["within"].to_numpy(bool)
    side = np.where(outside, np.sign(frame["shift_m"].to_numpy()), 0.0)
    broken = np.flatnonzero(side != side[-1])
    length = side.size - (broken[-1] + 1 if broken.size else 0)
    if side[-1] == 0 or length < LASTING:
        return []
    since = frame["time"].iloc[side.size - length]
    where = "below" if side[-1] < 0 else "above"
    return [
        f"the last {length} gaugings, since {since:%Y-%m-%d}, all lie {where} the rating beyond their"
        f" uncertainty: a lasting"
        " change wants a new rating, not a shift"
    ]
