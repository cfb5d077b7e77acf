"""Sections and panels for drawing, and what a drawing holds once parsed."""

from __future__ import annotations

import re
from collections.abc import Sequence
from xml.etree.ElementTree import Element

import defusedxml.ElementTree as ElementTree
import numpy as np
import pandas as pd

SVG = "{http://www.w3.org/2000/svg}"


def verticals(
    x: Sequence[float], d: Sequence[float], v: Sequence[float], channel: Sequence[int] | None = None
) -> pd.DataFrame:
    """Make verticals of a mid-section: widths from half-way to half-way, computed here on their own."""
    x, d, v = (np.asarray(a, dtype=float) for a in (x, d, v))
    channel = np.ones(x.size, dtype=int) if channel is None else np.asarray(channel)
    width = np.zeros(x.size)
    for i in range(x.size):
        for j in (i - 1, i + 1):
            if 0 <= j < x.size and channel[j] == channel[i]:
                width[i] += abs(x[j] - x[i]) / 2
    q = width * d * v
    gross = np.abs(q).sum()
    return pd.DataFrame(
        {
            "vertical": pd.array(range(1, x.size + 1), dtype="Int64"),
            "order_walked": pd.array(range(1, x.size + 1), dtype="Int64"),
            "position_m": x,
            "depth_m": d,
            "kind": ["edge" if depth == 0 else "open" for depth in d],
            "mean_velocity_m_s": v,
            "width_m": width,
            "discharge_m3_s": q,
            "share_pct": 100 * np.abs(q) / gross if gross else 0 * q,
            "channel": pd.array(channel, dtype="Int64"),
        }
    )


def points(rows: pd.DataFrame, depths: Sequence[float] = (0.6,)) -> pd.DataFrame:
    """Make points at some relative depths of every open vertical, all with the vertical's mean."""
    open_ = rows[rows["kind"] == "open"]
    made = [
        open_.assign(point_depth_m=open_["depth_m"] * r, normal_velocity_m_s=open_["mean_velocity_m_s"]) for r in depths
    ]
    columns = ["vertical", "point_depth_m", "normal_velocity_m_s"]
    return pd.concat(made)[columns].assign(ice_underside_m=np.nan).reset_index(drop=True)


def parsed(svg: str) -> Element:
    """Parse a drawing; what is no XML, or refers to a document type or entity, fails."""
    return ElementTree.fromstring(svg)


def texts(svg: str) -> list[str]:
    """List what is written on a drawing."""
    return [t.text or "" for t in parsed(svg).iter(f"{SVG}text")]


def numbers(path: Element) -> np.ndarray:
    """Read the places of a path, one row each."""
    return np.array([float(n) for n in re.findall(r"-?[\d.]+", path.get("d"))]).reshape(-1, 2)
