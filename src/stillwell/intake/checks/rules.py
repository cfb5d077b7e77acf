"""The rules of a gauging: what gives it back although each cell by itself is possible. Vectorised over the batch."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from stillwell.hydrometry.gauging.section import edges_pair, on_dry_ground, position_order
from stillwell.hydrometry.grouped import Groups, sorted_rows
from stillwell.intake.problem_collector import ProblemCollector
from stillwell.schemas.words import OBSERVED_ZERO, WITH_VERTICALS
from stillwell.shared_types import RULES

Flags = NDArray[np.bool_]
Problem = dict[str, Any]

OF_VERTICALS = ("g", "position_m", "depth_m", "kind", "ice_underside_m")
"""Columns of points that say something of their vertical. Where it was handed in is looked up only for a problem."""
_LEVEL = "the level of the uncertainty, 68 or 95"
WITH_POINTS = (WITH_VERTICALS, "other velocity-area")


@dataclass(frozen=True)
class _Rows:
    gaugings: pd.DataFrame
    points: pd.DataFrame
    """Sorted by gauging and vertical, with ``g`` and ``v``, number of gauging and vertical."""
    verticals: pd.DataFrame
    """What the first point of each vertical says of it, with ``row``, where that point stands in ``points``, ``walked``
    and ``velocities``, its number of velocities."""


def violations(
    gaugings: pd.DataFrame, points: pd.DataFrame, collector: ProblemCollector, rules: int = RULES
) -> Iterator[Problem]:
    """Find everything in a batch that a gauging is given back for.

    Parameters
    ----------
    gaugings, points : DataFrame
        Canonical rows of the whole batch, the bad ones included.
    collector : ProblemCollector
        Receives what is only worth a note.
    rules : int
        By which rules; under the first an uncertainty without its level was returned.

    Yields
    ------
    dict
        Arguments of ``ProblemCollector.add`` but the consequence.
    """
    batch, orphans = _batch(gaugings, points)
    yield from _orphans(orphans, collector)
    yield from _headers(batch)
    if rules < 2:
        yield from _violations(batch.gaugings, _without_level(batch), "uncertainty_level", _LEVEL, "uncertainty_level")
    else:
        _note_level(batch, collector)
    yield from _of_points(batch)
    yield from _of_verticals(batch)
    yield from _sections(batch)
    _note_order(batch, collector)


_SHEET_OF_POINTS = "a gauging of that label in this deposit"


def _batch(gaugings: pd.DataFrame, points: pd.DataFrame) -> tuple[_Rows, pd.DataFrame]:
    gaugings = gaugings.dropna(subset=["gauging"]).reset_index(drop=True)
    index = pd.MultiIndex.from_frame(gaugings[["deposit", "gauging"]])
    first = ~index.duplicated()
    places = np.flatnonzero(first)
    rows_of_points = index[first].get_indexer(pd.MultiIndex.from_frame(points[["deposit", "gauging"]]))
    known = rows_of_points >= 0
    usable = known & points["vertical"].notna().to_numpy()
    mine = points if usable.all() else points[usable]
    mine = _sorted(mine.assign(g=places[rows_of_points[usable]]))
    g, vertical = mine["g"].to_numpy(), mine["vertical"].to_numpy(dtype="int64")
    groups = Groups.of(g, vertical)
    begins = groups.first
    mine = mine.assign(v=groups.owner)
    verticals = mine[list(OF_VERTICALS)].iloc[begins].reset_index(drop=True)
    velocity = (mine["velocity_m_s"].notna() | mine["revolutions"].notna()).to_numpy()
    depths = mine.loc[velocity, ["v", "relative_depth"]].drop_duplicates()["v"]
    walked = verticals.groupby("g").cumcount().to_numpy() if begins.size else begins
    verticals = verticals.assign(row=begins, velocities=np.bincount(depths, minlength=begins.size), walked=walked)
    orphans = points[~known & points["gauging"].notna().to_numpy()]
    return _Rows(gaugings, mine, verticals), orphans


def _sorted(points: pd.DataFrame) -> pd.DataFrame:
    """Sort points by gauging, vertical, depth and repeat, those without a depth last; not copied where they are."""
    depth = points["relative_depth"].fillna(np.inf).to_numpy()
    repeat = points["repeat"].to_numpy(dtype="float64", na_value=np.inf)
    return sorted_rows(points, points["g"].to_numpy(), points["vertical"].to_numpy(dtype="int64"), depth, repeat)


def _orphans(points: pd.DataFrame, collector: ProblemCollector) -> Iterator[Problem]:
    rows = points.drop_duplicates(["deposit", "gauging"])
    for problem in _violations(rows, np.ones(len(rows), dtype=bool), "gauging", _SHEET_OF_POINTS, "gauging"):
        file = collector.broken_file(problem["deposit"], "gaugings")
        yield problem | {
            "actual": f"no gauging {problem['actual']}{f': problems in {file}, listed here' if file else ''}"
        }


def _headers(b: _Rows) -> Iterator[Problem]:
    g = b.gaugings
    labels = pd.MultiIndex.from_frame(g[["deposit", "gauging"]])
    has_points = labels.isin(pd.MultiIndex.from_frame(b.points[["deposit", "gauging"]].drop_duplicates()))
    twice = g.duplicated(["deposit", "gauging"], keep=False)
    yield from _violations(g, twice, "gauging", "every label once in a deposit", "gauging")
    backwards = g["ended_at"] < g["started_at"]
    both = zip(g["ended_at"], g["started_at"], strict=True)
    spans = [f"ended_at {_shown(end)}, started_at {_shown(start)}" for end, start in both]
    yield from _violations(
        g.assign(span=pd.Series(spans, dtype="str")),
        backwards,
        "ended_at",
        "an end that is not before the start",
        "span",
    )
    strange = has_points & g["method"].notna() & ~g["method"].isin(WITH_POINTS)
    yield from _violations(g, strange, "method", f"{' or '.join(WITH_POINTS)} for a gauging with points", "method")
    zero = g["method"] == OBSERVED_ZERO
    flowing = zero & g["discharge_m3_s"].notna() & (g["discharge_m3_s"] != 0)
    yield from _violations(g, flowing, "discharge_m3_s", "0 or nothing for an observed zero", "discharge_m3_s")
    empty = ~has_points & ~zero & g["method"].notna() & g["discharge_m3_s"].isna()
    yield from _violations(g, empty, "discharge_m3_s", "points, or a discharge where there are none", "discharge_m3_s")


def _without_level(b: _Rows) -> pd.Series:
    return b.gaugings["uncertainty_pct"].notna() & b.gaugings["uncertainty_level"].isna()


def _note_level(b: _Rows, collector: ProblemCollector) -> None:
    """Note the gaugings whose uncertainty came without its level; it counts as one standard uncertainty."""
    for row in b.gaugings[_without_level(b)].to_dict("records"):
        message = (
            f"gauging {row['gauging']}: uncertainty without its level (68 or 95); taken as one standard uncertainty, 68"
        )
        collector.note(row["deposit"], row["row_file"], message)


def _of_points(b: _Rows) -> Iterator[Problem]:
    p = b.points
    kind, depth = p["kind"], p["depth_m"]
    read, turned = p["velocity_m_s"].notna(), p["revolutions"].notna()
    flows = read | turned
    key = ["g", "vertical", "relative_depth", "repeat"]
    yield from _violations(p, p.duplicated(key), "repeat", "each point once; a repeat has its number", "repeat")
    wet = kind.isin(["open", "ice"])
    yield from _violations(
        p,
        wet & flows & p["relative_depth"].isna(),
        "relative_depth",
        "where in the depth it was read",
        "relative_depth",
    )
    yield from _violations(p, read & turned, "revolutions", "a velocity or revolutions, not both", "revolutions")
    yield from _violations(
        p, turned & p["exposure_s"].isna(), "exposure_s", "the time the revolutions took", "exposure_s"
    )
    meter = b.gaugings["instrument"].isna().to_numpy()[p["g"].to_numpy()]
    yield from _violations(p, turned & meter, "revolutions", "a gauging that names its meter", "revolutions")
    still = (kind == "dry") & flows
    yield from _violations(p, still, "velocity_m_s", "no velocity at a dry vertical", "velocity_m_s")
    yield from _violations(p, (kind == "dry") & (depth > 0), "depth_m", "0 at a dry vertical", "depth_m")
    bank = (kind == "edge") & (depth == 0) & (turned | (read & (p["velocity_m_s"] != 0)))
    yield from _violations(p, bank, "velocity_m_s", "no velocity at an edge without depth", "velocity_m_s")
    inner = p["edge_velocity_ratio"].notna() & ((kind != "edge") | (depth == 0))
    yield from _violations(
        p, inner, "edge_velocity_ratio", "nothing but at a wall, an edge with depth", "edge_velocity_ratio"
    )
    yield from _angles(p)
    yield from _ice(p)


def _angles(p: pd.DataFrame) -> Iterator[Problem]:
    angle, cosine = p["flow_angle_deg"], p["angle_cosine"]
    yield from _violations(
        p, angle.notna() & cosine.notna(), "angle_cosine", "an angle or its cosine, not both", "angle_cosine"
    )
    oblique = (angle.notna() & (angle != 0)) | (cosine.notna() & (cosine != 1))
    unsaid = oblique & p["velocity_is_normal"].isna()
    yield from _violations(
        p, unsaid, "velocity_is_normal", "true or false wherever an angle is not zero", "velocity_is_normal"
    )


def _ice(p: pd.DataFrame) -> Iterator[Problem]:
    ice, under = p["kind"] == "ice", p["ice_underside_m"]
    yield from _violations(p, ice & under.isna(), "ice_underside_m", "the underside of the ice", "ice_underside_m")
    yield from _violations(p, ice & (under > p["depth_m"]), "ice_underside_m", "ice above the bed", "ice_underside_m")
    yield from _violations(p, ~ice & under.notna(), "ice_underside_m", "kind ice where there is ice", "kind")


def _of_verticals(b: _Rows) -> Iterator[Problem]:
    p, v = b.points, b.points["v"].to_numpy()
    for name in ("position_m", "depth_m", "kind", "ice_underside_m"):
        first = b.verticals[name].iloc[v].reset_index(drop=True)
        differs = ~((p[name] == first) | (p[name].isna() & first.isna())).fillna(False).astype("bool")
        yield from _violations(p, differs, name, "the same at every point of a vertical", name)
    many = b.verticals["velocities"].to_numpy()[v] > 1
    refused = p["method_coefficient"].notna() & (many | p["kind"].isin(["edge", "dry"]))
    yield from _violations(
        p, refused, "method_coefficient", "a coefficient only where one point was read", "method_coefficient"
    )


def _sections(b: _Rows) -> Iterator[Problem]:
    def of_verticals(verticals: pd.DataFrame, mask: Flags, column: str, expected: str, shown: str) -> Iterator[Problem]:
        first = b.points.iloc[verticals["row"].to_numpy()[np.asarray(mask)]]
        yield from _violations(first, np.ones(len(first), dtype=bool), column, expected, shown)

    whole = b.verticals.dropna(subset=["position_m", "depth_m", "kind"]).reset_index(drop=True)
    if whole.empty:
        return
    g, x = whole["g"].to_numpy(), whole["position_m"].to_numpy()
    depth, walked = whole["depth_m"].to_numpy(), whole["walked"].to_numpy()
    rows = whole.iloc[position_order(g, x, depth, walked)].reset_index(drop=True)
    g, x = rows["g"].to_numpy(), rows["position_m"].to_numpy()
    edge = (rows["kind"] == "edge").to_numpy(dtype=bool)
    groups = Groups.of(g)
    same = np.r_[False, groups.joined & (x[1:] == x[:-1])]
    both = edge & np.r_[False, edge[:-1]]
    third = same & np.r_[False, same[:-1]]
    twice = same & (~both | third)
    yield from of_verticals(
        rows, twice, "position_m", "one vertical on a position, or a step of two edges", "position_m"
    )
    head = rows.iloc[groups.first].reset_index(drop=True)
    none = ~groups.reduce(np.logical_or, edge)
    yield from of_verticals(head, none, "kind", "rows of kind edge where the water ends", "kind")
    pairs = edges_pair(groups, x, edge)
    unpaired = ~none & ~pairs
    yield from of_verticals(
        head, unpaired, "kind", "inner edges in pairs, one closing and one opening a channel", "kind"
    )
    bare = on_dry_ground(groups, x, edge) & (rows["depth_m"].to_numpy() > 0) & ~edge & groups.spread(pairs)
    yield from of_verticals(rows, bare, "depth_m", "no water between an edge that closes and one that opens", "depth_m")
    flowing = (rows["velocities"] > 0).to_numpy() & ~edge
    still = ~groups.reduce(np.logical_or, flowing)
    yield from of_verticals(head, still, "velocity_m_s", "a velocity at one vertical at least", "velocity_m_s")


def _note_order(b: _Rows, collector: ProblemCollector) -> None:
    """Note gaugings whose verticals were not walked from one side to the other."""
    g, x = b.verticals["g"].to_numpy(), b.verticals["position_m"].to_numpy()
    step = np.where(g[1:] == g[:-1], np.sign(np.diff(x)), 0) if g.size else np.zeros(0)
    owner = g[1:]
    forth = np.bincount(owner[step > 0], minlength=len(b.gaugings)) > 0
    back = np.bincount(owner[step < 0], minlength=len(b.gaugings)) > 0
    for i in np.flatnonzero(forth & back):
        row = b.gaugings.iloc[i]
        collector.note(row["deposit"], row["row_file"], f"gauging {row['gauging']}: verticals were walked out of order")


def _shown(value: Any) -> str:
    if pd.isna(value):
        return "nothing"
    return value.isoformat() if isinstance(value, pd.Timestamp) else str(value)


def _violations(rows: pd.DataFrame, mask: Any, column: str, expected: str, shown: str) -> Iterator[Problem]:
    """Describe the flagged rows as problems; ``shown`` is the column whose value is reported."""
    wrong = np.flatnonzero(np.asarray(pd.array(mask, dtype="boolean").fillna(False), dtype=bool))
    for row in rows.iloc[wrong].to_dict("records") if wrong.size else ():
        value = row[shown]
        yield {
            "deposit": row["deposit"],
            "gauging": row["gauging"],
            "file": row["row_file"],
            "line": int(row["row_line"]),
            "column": column,
            "expected": expected,
            "actual": _shown(value),
        }
