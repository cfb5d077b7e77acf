"""What a commit took beside gaugings, table by table: rows, places and spans of time; verdicts of meter checks."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import Any

import pandas as pd

from stillwell.number_words import counted
from stillwell.reading.printed.text import time_text
from stillwell.schemas import DEPOSIT_TABLES

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
        ``table``, ``rows``, ``sites``, ``sensor``, ``from``, ``to`` and ``replacing``, the number of rows in the place
        of a value recorded before; the last four are None but for stage.
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
            of_stage = dict.fromkeys(("sensor", "from", "to", "replacing"))
            out.append({"table": name, "rows": len(rows), "sites": sites, **of_stage})
    return out


def _spans(stage: pd.DataFrame) -> Iterator[dict[str, Any]]:
    for (site, sensor), rows in stage.groupby(["site", "sensor"], dropna=False, sort=True):
        name = str(sensor) if isinstance(sensor, str) and sensor else None
        replacing = int((rows["revision"] > 1).sum()) if "revision" in rows else 0
        span = {"from": rows["time"].min(), "to": rows["time"].max(), "replacing": replacing}
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
    replacing = f", {one['replacing']} in the place of values recorded before" if one["replacing"] else ""
    return f"{one['table']}: {counted(one['rows'], thing)}{where}{sensor}{span}{replacing}"


def check_rows(tables: Mapping[str, pd.DataFrame]) -> list[dict[str, Any]]:
    """List the meter checks of a commit with their verdicts.

    Parameters
    ----------
    tables : mapping of str to DataFrame
        Rows new in the archive.

    Returns
    -------
    list of dict
        ``check``, ``instrument``, ``checked_at``, ``verdict`` (healthy, watch, unfit), ``reasons`` (empty if healthy).
    """
    rows = tables.get("checks")
    if rows is None:
        return []
    columns = ["check", "instrument", "checked_at", "verdict", "reasons"]
    plain = rows[columns].assign(reasons=rows["reasons"].fillna(""))
    return [dict(zip(columns, row, strict=True)) for row in plain.itertuples(index=False)]


def check_sentences(checks: Sequence[Mapping[str, Any]]) -> list[str]:
    """Write a line per element of ``check_rows``: the meter, when it was checked, the verdict and why."""
    return [
        f"check: meter {one['instrument']}, {time_text(one['checked_at'])}: {one['verdict']}"
        + (f": {one['reasons']}" if one["reasons"] else "")
        for one in checks
    ]


def earlier_rows(tables: Mapping[str, pd.DataFrame], outcomes: pd.DataFrame) -> list[dict[str, Any]]:
    """Count the findings that a commit adds to gaugings taken earlier, by code.

    Parameters
    ----------
    tables : mapping of str to DataFrame
        Rows new in the archive.
    outcomes : DataFrame
        What became of each gauging handed in: ``gauging_id``, ``action``.

    Returns
    -------
    list of dict
        ``code``, ``severity``, ``gaugings`` (their ids, in order); a gauging new or revised in this commit is left out.
    """
    findings = tables.get("findings")
    if findings is None:
        return []
    made = outcomes.loc[outcomes["action"].isin(["new", "revision"]), "gauging_id"]
    of_others = findings[findings["gauging_id"].notna() & ~findings["gauging_id"].isin(made)]
    return [
        {"code": code, "severity": severity, "gaugings": sorted(set(rows["gauging_id"]))}
        for (code, severity), rows in of_others.groupby(["code", "severity"], sort=True)
    ]


def earlier_sentences(earlier: Sequence[Mapping[str, Any]]) -> list[str]:
    """Write a line per element of ``earlier_rows``; of many gaugings the first are named."""
    return [
        f"new finding at {counted(len(one['gaugings']), 'gauging')} taken earlier: {one['severity']} {one['code']}: "
        + ", ".join(one["gaugings"][:_NAMED])
        + (" and others" if len(one["gaugings"]) > _NAMED else "")
        for one in earlier
    ]
