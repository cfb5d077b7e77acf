"""Frames for tests: canonical rows from a few words."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import pandas as pd

from stillwell.assessment.evidence import Evidence
from stillwell.assessment.policy import Policy
from stillwell.hydrometry.choices import Choices
from stillwell.hydrometry.gauging.compute import Computed, compute
from stillwell.schemas import ARCHIVE_TABLES, DEPOSIT_TABLES
from stillwell.schemas.derive import FRAME_TYPES, columns


def frame(table: str, rows: Sequence[Mapping[str, Any]], *, kept: bool = False) -> pd.DataFrame:
    """Make a frame of a deposit's table, or of the archive's with ``kept``, from rows that say what matters."""
    model = (ARCHIVE_TABLES if kept else DEPOSIT_TABLES)[table]
    trail = {"deposit": "d" * 64, "row_file": f"{table}.csv"}
    full = [trail | {"row_line": i + 2} | dict(row) for i, row in enumerate(rows)]
    out = {}
    for c in columns(model):
        values = pd.Series([row.get(c.name) for row in full], dtype="object")
        if c.kind == "time":
            out[c.name] = pd.to_datetime(values, utc=True).dt.as_unit("us").astype("datetime64[us, UTC]")
        else:
            out[c.name] = values.astype(FRAME_TYPES[c.kind])
    return pd.DataFrame(out)


def gaugings(count: int = 1, **said: Any) -> pd.DataFrame:
    """Make gaugings of one hour, alike but for their label."""
    row = {
        "site": "S1",
        "started_at": "2025-05-01T10:00Z",
        "ended_at": "2025-05-01T11:00Z",
        "offset_given": "+00:00",
        "method": "wading verticals",
        "section_method": "mid-section",
    }
    return frame("gaugings", [row | {"gauging": f"G{i + 1}"} | said for i in range(count)])


def points(rows: Sequence[Mapping[str, Any]], g: int = 0) -> pd.DataFrame:
    """Make points of one gauging; kind open and repeat 1 unless said, verticals numbered as they come."""
    base = {"gauging": f"G{g + 1}", "kind": "open", "repeat": 1}
    return frame("points", [base | {"vertical": i + 1} | dict(row) for i, row in enumerate(rows)]).assign(g=g)


def one_point_section(
    x: Sequence[float], d: Sequence[float], v: Sequence[float | None], g: int = 0, **said: Any
) -> pd.DataFrame:
    """Make a section with one point at 0.6 in each vertical and an edge at both ends."""
    last = len(x) - 1
    rows = []
    for i, (position, depth, velocity) in enumerate(zip(x, d, v, strict=True)):
        edge = i in (0, last)
        at = {"relative_depth": None if edge else 0.6, "kind": "edge" if edge else "open"}
        rows.append({"position_m": position, "depth_m": depth, "velocity_m_s": None if edge else velocity} | at | said)
    return points(rows, g)


def panel_rows(*, position: Any, depth: Any, velocity: Any, width: Any, inner: Any, **columns: Any) -> pd.DataFrame:
    """Lay out panels as the rows of verticals that an uncertainty is computed from; one not inside is an edge."""
    named = {"position_m": position, "effective_depth_m": depth, "mean_velocity_m_s": velocity, "width_m": width}
    return pd.DataFrame(named | {"edge": [not one for one in inner]} | columns)


def computed(
    points_: pd.DataFrame,
    gaugings_: pd.DataFrame | None = None,
    heights: Sequence[Mapping[str, Any]] = (),
    calibrations: Sequence[Mapping[str, Any]] = (),
    choices: Choices | None = None,
) -> Computed:
    """Compute some points."""
    count = int(points_["g"].max()) + 1 if len(points_) else 1
    return compute(
        gaugings(count) if gaugings_ is None else gaugings_,
        points_,
        frame("gauge_heights", [{"site": "S1"} | dict(h) for h in heights]),
        frame("calibrations", calibrations, kept=True),
        choices or Choices(),
    )


def evidence(headers: pd.DataFrame, made: Computed, policy: Policy) -> Evidence:
    """Lay out what was computed for the checks, with nothing known beside it and no meter ever checked."""
    count = len(headers)
    ties = pd.DataFrame(
        {
            "check_before": pd.Series([None] * count, dtype="str"),
            "check_after": pd.Series([None] * count, dtype="str"),
            "verdict_before": pd.Series([None] * count, dtype="str"),
            "verdict_after": pd.Series([None] * count, dtype="str"),
            "no_check_within": [False] * count,
            "nearest_days": [float("nan")] * count,
            "suspect_since_healthy": [False] * count,
        }
    )
    headers = headers.assign(gauging_id=headers["gauging"], points_digest="")
    return Evidence(
        gaugings=headers,
        results=made.results,
        verticals=made.verticals,
        points=made.points,
        readings=made.readings,
        policy=policy,
        sites=frame("sites", [], kept=True),
        instruments=frame("instruments", [], kept=True),
        history=frame("gaugings", [], kept=True),
        ties=ties,
    )
