"""The marks of gaugings on a drawing, their legend, and which are drawn where there are very many."""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from stillwell.drawing.axes import Sign
from stillwell.drawing.svg import element, hint, line, link, mark

Floats = NDArray[np.float64]

MOST_GAUGINGS = 400
"""Gaugings drawn in one picture; of more, as many evenly spread over time."""
CROWD = 120
"""Gaugings from which on they are drawn small."""

SIGNS = {
    ("other", True): Sign("circle", "full", "gauging, approved"),
    ("other", False): Sign("circle", "open", "gauging, provisional"),
    ("suspect", True): Sign("triangle", "s-ochre", "with a suspect finding, approved"),
    ("suspect", False): Sign("triangle", "o-ochre", "with a suspect finding, provisional"),
    ("out", True): Sign("cross", "struck crossed", "kept out of ratings"),
    ("out", False): Sign("cross", "struck", "kept out of ratings"),
    ("this", True): Sign("diamond", "this", "this gauging"),
    ("this", False): Sign("diamond", "this", "this gauging"),
}
"""Mark of a gauging by its role and approval. Shape and colour both show the role."""


def sign_of(role: str, approved: bool) -> Sign:
    """Return the mark of a gauging; an unknown role is drawn as any other gauging."""
    return SIGNS.get((role, approved), SIGNS["other", approved])


def evenly_spread(rows: pd.DataFrame) -> pd.DataFrame:
    """Select all rows where they can be drawn, else as many evenly spread, the first and the last among them."""
    if len(rows) <= MOST_GAUGINGS:
        return rows
    return rows.iloc[np.unique(np.linspace(0, len(rows) - 1, MOST_GAUGINGS).astype(np.int64))]


def drawn_first(rows: pd.DataFrame) -> pd.DataFrame:
    """Select the gaugings to draw, faint ones only where there is room, in the order they are drawn in.

    Faint ones come first and the gauging asked about last, so that the last stand on top.
    """
    faint = _faint(rows)
    clear = rows[~faint]
    rest = rows[faint].tail(max(MOST_GAUGINGS - len(clear), 0))
    chosen = pd.concat([rest, evenly_spread(clear)])
    return chosen.assign(_last=chosen["role"] == "this").sort_values("_last", kind="stable").drop(columns="_last")


def _faint(rows: pd.DataFrame) -> NDArray[np.bool_]:
    return rows["faint"].to_numpy(dtype=bool) if "faint" in rows else np.zeros(len(rows), dtype=bool)


def gauging_marks(rows: pd.DataFrame, x: Floats, y: Floats, ends: tuple[Floats, Floats], *, level: bool) -> list[str]:
    """Draw gaugings, each with its interval, as a link where it has an address.

    Parameters
    ----------
    rows : DataFrame
        ``role`` (this, out, suspect or other), ``approved``, ``hint`` (its numbers in words); optional ``href`` and
        ``faint``.
    x, y : float arrays, shape (n,)
        Places, px.
    ends : pair of float arrays
        Ends of the intervals, px, NaN where there is none: places across where ``level``, else up.
    level : bool
        Whether intervals lie level.

    Returns
    -------
    list of str
    """
    size = 4.6 if len(rows) <= CROWD else 3.0
    hrefs = rows["href"] if "href" in rows else [""] * len(rows)
    columns = zip(rows["role"], rows["approved"], rows["hint"], hrefs, _faint(rows), x, y, *ends, strict=True)
    out = []
    for role, approved, text, href, faint, a, b, low, high in columns:
        sign = sign_of(str(role), bool(approved))
        whisker = ""
        if np.isfinite(low) and np.isfinite(high):
            whisker = line(low, b, high, b, "whisker") if level else line(a, low, a, high, "whisker")
        shape = mark(sign.shape, a, b, size * (1.3 if role == "this" else 1), sign.css, data_role=str(role))
        css = "gauging faint" if faint else "gauging"
        group = element("g", {"class": css}, hint(str(text)), whisker, shape)
        out.append(link(str(href), str(text), group) if href else group)
    return out


def gauging_signs(rows: pd.DataFrame) -> list[Sign]:
    """List the marks that occur, for a legend."""
    pairs = set(zip(rows["role"].astype("str"), rows["approved"].astype("bool"), strict=True))
    used = {sign_of(role, approved) for role, approved in pairs}
    out = {sign.meaning: sign for sign in SIGNS.values() if sign in used}
    signs = list(out.values())
    if rows["uncertainty"].notna().any():
        signs.append(Sign("", "whisker", "its interval of 95 %"))
    return signs
