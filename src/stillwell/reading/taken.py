"""What a commit took beside gaugings, table by table: rows, places and spans of time."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import Any

import pandas as pd

from schemas import DEPOSIT_TABLES
from stillwell.reading.render import time_text
from stillwell.words import counted

OF_GAUGINGS = ("gaugings", "points", "samples")
"""Tables of which a line per gauging speaks."""
_NAMED = 3
"""Sites named; of more only the number is given."""


def taken_rows(tables: Mapping[str, pd.DataFrame], left_out: Sequence[str] = OF_GAUGINGS) -> list[dict[str, Any]]:
    """Count rows by deposit table; of recorded stage by site and sensor, with the span of time.

    Parameters
    ----------
    tables : mapping of str to DataFrame
        Rows new in the archive, or as a map understands them; tables that nobody hands in are passed over.
    left_out : sequence of str
        Tables not counted.

    Returns
    -------
    list of dict
        ``table``, ``rows``, ``sites``, ``sensor``, ``from`` and ``to``; the last three are None but for stage.
    """
    out: list[dict[str, Any]] = []
    for name in DEPOSIT_TABLES:
        rows = tables.get(name) if name in tables and name not in left_out else None
        if rows is None or rows.empty:
            continue
        if name == "stage":
            out += _spans(rows)
        else:
            sites = sorted(set(rows["site"].dropna())) if "site" in rows else []
            out.append({"table": name, "rows": len(rows), "sites": sites, "sensor": None, "from": None, "to": None})
    return out


def _spans(stage: pd.DataFrame) -> Iterator[dict[str, Any]]:
    for (site, sensor), rows in stage.groupby(["site", "sensor"], dropna=False, sort=True):
        name = str(sensor) if isinstance(sensor, str) and sensor else None
        span = {"from": rows["time"].min(), "to": rows["time"].max()}
        yield {"table": "stage", "rows": len(rows), "sites": [str(site)], "sensor": name, **span}


def taken_sentences(taken: Sequence[Mapping[str, Any]], word: str = "taken") -> list[str]:
    """Write a line per element of ``taken_rows``.

    Parameters
    ----------
    taken : sequence of mapping
    word : str
        What became of the rows, or would become.
    """
    return [f"{word}: {_sentence(one)}" for one in taken]


def _sentence(one: Mapping[str, Any]) -> str:
    thing = "value" if one["table"] == "stage" else "row"
    sites = one["sites"]
    where = f" at {', '.join(sites) if len(sites) <= _NAMED else counted(len(sites), 'site')}" if sites else ""
    sensor = f", sensor {one['sensor']}" if one["sensor"] else ""
    span = "" if one["from"] is None else f", {time_text(one['from'])} to {time_text(one['to'])}"
    return f"{one['table']}: {counted(one['rows'], thing)}{where}{sensor}{span}"
