"""What a fit may move and how far: the shape of a law, its bounds, and the task in ranges of gauged stage."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from stillwell.errors import RatingError
from stillwell.hydrometry.rating.gaugings import Gaugings
from stillwell.hydrometry.rating.loss import Loss
from stillwell.hydrometry.rating.solve import GAP, Task

Floats = NDArray[np.float64]

DEEPEST = 10.0
"""How far under the lowest gauging a stage of zero flow is sought, in ranges of gauged stage (chosen)."""


@dataclass(frozen=True)
class FitChoices:
    """What may be chosen of a fit; every default is ours unless marked.

    ``segments`` None: the least criterion decides, up to ``most_segments``. ``breaks_m`` given fixes their stages, and
    with them the number of segments. ``zero_stage_m``: one stage of zero flow for all segments, or one for each.
    ``zero_bounds_m``: where the lowest one is sought. ``zeros``: upper segments share the lowest one's, have their
    own, or the criterion decides. ``fewest`` gaugings (visits) a segment needs.
    """

    segments: int | None = None
    most_segments: int = 4
    breaks_m: tuple[float, ...] = ()
    zero_stage_m: tuple[float, ...] = ()
    zero_bounds_m: tuple[float, float] = (-np.inf, np.inf)
    zeros: str = "own"
    loss: Loss = "tukey"
    fewest: float = 5.0
    exponents: tuple[float, float] = (0.3, 6.0)

    def __post_init__(self) -> None:
        """Refuse choices that contradict each other."""
        count = len(self.breaks_m) + 1 if self.breaks_m else self.segments
        if count is not None and not 1 <= count <= 4:
            msg = f"one to four segments expected, found {count}; no rating is made"
            raise RatingError(msg)
        if self.breaks_m and self.segments not in (None, count):
            msg = (
                f"{len(self.breaks_m)} breaks make {count} segments, but {self.segments} were asked for; give"
                f" one of both"
            )
            raise RatingError(msg)
        if len(self.zero_stage_m) > 1 and len(self.zero_stage_m) != count:
            msg = (
                f"one stage of zero flow for all or one for each segment expected, found"
                f" {len(self.zero_stage_m)} for {count}"
            )
            raise RatingError(msg)
        if list(self.breaks_m) != sorted(set(self.breaks_m)):
            msg = f"breaks that rise expected, found {self.breaks_m}; no rating is made"
            raise RatingError(msg)
        if self.zeros not in ("shared", "own", "either"):
            msg = f"zeros shared, own or either expected, found {self.zeros!r}"
            raise RatingError(msg)

    @property
    def counts(self) -> tuple[int, ...]:
        """Numbers of segments to try."""
        if self.breaks_m:
            return (len(self.breaks_m) + 1,)
        return (self.segments,) if self.segments else tuple(range(1, self.most_segments + 1))


@dataclass(frozen=True)
class Shape:
    """One kind of law to try: how many segments, whose the upper stages of zero flow are, what is given (scaled)."""

    count: int
    own: bool
    zero: Floats
    breaks: Floats

    @property
    def words(self) -> str:
        """How stages of zero flow are had."""
        if not np.isnan(self.zero).any():
            return "given"
        return "own" if self.own or self.count == 1 else "shared"

    def free(self) -> Floats:
        """Give the numbers of the law that move with each free number, shape (3 S, p)."""
        count = self.count
        columns = list(np.eye(3 * count)[: 1 + count])
        zeros = np.eye(3 * count)[1 + count : 1 + 2 * count]
        unknown = np.isnan(self.zero)
        if unknown.any():
            columns += list(zeros[unknown]) if self.own else [zeros.sum(axis=0)]
        if not self.breaks.size:
            columns += list(np.eye(3 * count)[1 + 2 * count :])
        return np.array(columns).T


def shapes(gaugings: Gaugings, choices: FitChoices) -> list[Shape]:
    """List the shapes to try, stages in ranges of gauged stage above the lowest gauging.

    Raises
    ------
    RatingError
        A stage of zero flow given is at or above the lowest gauging, below an observed zero, or above the foot of its
        segment.
    """
    given = (np.array(choices.zero_stage_m) - gaugings.low) / gaugings.span
    breaks = (np.array(choices.breaks_m) - gaugings.low) / gaugings.span
    _refuse_zero(gaugings, choices)
    out = []
    for count in choices.counts:
        zero = np.broadcast_to(given, (count,)).copy() if given.size else np.full(count, np.nan)
        kinds = {"shared": (False,), "own": (True,), "either": (False, True)}[choices.zeros]
        if count == 1 or given.size:
            kinds = (False,)
        out += [Shape(count, own, zero, breaks) for own in kinds]
    return out


def _refuse_zero(gaugings: Gaugings, choices: FitChoices) -> None:
    feet = (gaugings.low, *choices.breaks_m)
    for i, zero in enumerate(choices.zero_stage_m):
        if zero >= feet[min(i, len(feet) - 1)]:
            where = "lowest gauging with flow" if i == 0 else "foot of its segment"
            msg = (
                f"a stage of zero flow below the {where} ({feet[min(i, len(feet) - 1)]:.3f} m) expected, found"
                f" {zero:.3f} m;"
                " no rating is made"
            )
            raise RatingError(msg)
    if choices.zero_stage_m and choices.zero_stage_m[0] < gaugings.highest_zero_m:
        msg = (
            f"no flow was seen at {gaugings.highest_zero_m:.3f} m, so a stage of zero flow at or above it was"
            f" expected, found"
            f" {choices.zero_stage_m[0]:.3f} m; no rating is made"
        )
        raise RatingError(msg)
    outside = [b for b in choices.breaks_m if not gaugings.low < b < gaugings.low + gaugings.span]
    if outside:
        msg = (
            f"breaks inside the gauged range {gaugings.low:.3f} to {gaugings.low + gaugings.span:.3f} m"
            f" expected, found {outside}"
        )
        raise RatingError(msg)


def bounds(gaugings: Gaugings, choices: FitChoices, shape: Shape) -> tuple[Floats, Floats]:
    """Bound every number of the law, stages in ranges; an observed zero is the least the lowest zero stage may be.

    Raises
    ------
    RatingError
        Nothing is left between the bounds of the stage of zero flow.
    """
    count = shape.count
    lowest = max(choices.zero_bounds_m[0], gaugings.highest_zero_m)
    low = max((lowest - gaugings.low) / gaugings.span, -DEEPEST)
    high = min((choices.zero_bounds_m[1] - gaugings.low) / gaugings.span, -GAP)
    if high < low < 0 and np.isinf(choices.zero_bounds_m[1]):
        high = low / 2
    if low > high:
        msg = (
            f"a stage of zero flow between {lowest:.3f} and {choices.zero_bounds_m[1]:.3f} m and below the"
            f" lowest gauging"
            f" ({gaugings.low:.3f} m) expected; there is none, so no rating is made"
        )
        raise RatingError(msg)
    lower, upper = np.full(3 * count, -np.inf), np.full(3 * count, np.inf)
    lower[1 : 1 + count], upper[1 : 1 + count] = choices.exponents
    zeros = slice(1 + count, 1 + 2 * count)
    lower[zeros], upper[zeros] = (-DEEPEST, 1.0) if shape.own else (low, high)
    lower[1 + count], upper[1 + count] = low, high
    lower[1 + 2 * count :] = np.where(np.isnan(shape.zero[1:]), 0.0, shape.zero[1:] + GAP)
    upper[1 + 2 * count :] = 1.0
    return lower, upper


def task_of(gaugings: Gaugings, choices: FitChoices, shape: Shape, precision: Floats) -> Task:
    """Put the gaugings and the shape together, stages in ranges and ln Q about its mean."""
    lower, upper = bounds(gaugings, choices, shape)
    log_q = np.log(gaugings.discharge)
    fewest = choices.fewest if not shape.breaks.size else 1.0
    return Task(
        stage=(gaugings.stage - gaugings.low) / gaugings.span,
        log_q=log_q - log_q.mean(),
        precision=precision,
        share=gaugings.share,
        free=shape.free(),
        lower=lower,
        upper=upper,
        fewest=fewest if shape.count > 1 else 1.0,
        loss=choices.loss,
    )
