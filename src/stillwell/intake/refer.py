"""Rows that name a site, meter or calibration which nobody ever handed in are given back."""

from __future__ import annotations

import re
from collections.abc import Set
from typing import Any

import numpy as np
import pandas as pd

from stillwell.errors import RatingError
from stillwell.hydrometry.meters import calibrated_velocity
from stillwell.hydrometry.rating_segments import curve_of
from stillwell.intake.alike import alike, known_codes
from stillwell.intake.constant import taken
from stillwell.intake.interpret import OF_GAUGINGS, without_gaugings
from stillwell.intake.limits import MOST_REASONS
from stillwell.intake.trouble import RETURNED, ROW_LEFT_OUT
from stillwell.records import PROBLEM_COLUMNS, RULES, Understood

SITED = ("gaugings", "gauge_heights", "datums", "stage", "corrections", "conditions", "ratings")
_NAMED = re.compile(r"([^;]+/[1-9]\d*(; [^;]+/[1-9]\d*)*)?")
RATED = ("rating_segments", "shifts")
METERED = ("gaugings", "calibrations", "checks")


def refer(
    understood: Understood,
    *,
    sites: Set[str],
    instruments: Set[str],
    calibrations: pd.DataFrame,
    segments: pd.DataFrame,
    ratings: Set[str] = frozenset(),
    rules: int = RULES,
) -> Understood:
    """Hold what a batch refers to against what is known, from the archive and from the batch itself.

    Parameters
    ----------
    understood : Understood
    sites, instruments : set of str
        Codes in the archive.
    calibrations : DataFrame
        Calibrations that stand in the archive.
    segments : DataFrame
        Segments of ratings that stand in the archive.
    ratings : set of str
        Names of ratings in the archive.
    rules : int
        By which rules; under the first, codes that differ only by case or Unicode form were two.

    Returns
    -------
    Understood
        Without the rows that refer to nothing; each is a problem.
    """
    tables = dict(understood.tables)
    found: list[dict[str, Any]] = []
    if rules >= 2:
        found += _without_alike(tables, {"site": sites, "instrument": instruments, "rating": ratings})
    known = {
        "site": set(sites) | set(tables["sites"]["site"]),
        "instrument": set(instruments) | set(tables["instruments"]["instrument"]),
    }
    for column, names in (("site", SITED), ("instrument", METERED)):
        for name in names:
            rows = tables[name]
            strange = (rows[column].notna() & ~rows[column].isin(known[column])).to_numpy(dtype=bool)
            if not strange.any():
                continue
            what = f"the code of {'a site' if column == 'site' else 'an instrument'} in the register {column}s"
            found += _problems(name, rows[strange], column, what)
            tables[name] = taken(rows, ~strange)
    found += _without_calibration(tables, calibrations)
    for name in ("corrections", "conditions"):
        rows = tables[name]
        bad = (rows["to"] <= rows["from"]).fillna(False).astype("bool")
        found += _problems(name, rows[bad], "to", "an end after the start")
        tables[name] = rows[~bad]
    found += _unusable_ratings(tables, segments)
    if not found:
        return understood
    problems = pd.concat([understood.problems, _frame(found)], ignore_index=True)
    tables = without_gaugings(tables, problems)
    return Understood(tables, problems, understood.notes)


def _without_alike(tables: dict[str, pd.DataFrame], kept: dict[str, Set[str]]) -> list[dict[str, Any]]:
    """Take out the rows whose code is a known one but for case or Unicode form."""
    found: list[dict[str, Any]] = []
    users = {"site": ("sites", *SITED), "instrument": ("instruments", *METERED), "rating": ("ratings", *RATED)}
    for column, names in users.items():
        known = known_codes(kept[column], tables[f"{column}s"][column].dropna())
        for name in names:
            rows = tables[name]
            for code, other in alike(rows[column], known).items():
                mine = (tables[name][column] == code).fillna(False).astype("bool")
                expected = f"the known code {other}, from which this differs only by case or Unicode form"
                found += _problems(name, tables[name][mine], column, expected)
                tables[name] = tables[name][~mine]
    return found


def _unusable_ratings(tables: dict[str, pd.DataFrame], kept: pd.DataFrame) -> list[dict[str, Any]]:
    """Find ratings whose segments make none, and segments and shifts of ratings that nobody handed in.

    A rating that cannot be used is left out with its segments; nothing of it holds.
    """
    ratings, incoming = tables["ratings"], tables["rating_segments"]
    found: list[dict[str, Any]] = []
    wrong: set[str] = set()
    for name, row in ratings.drop_duplicates("rating", keep="last").set_index("rating", drop=False).iterrows():
        mine = incoming[incoming["rating"] == name]
        mine = mine if len(mine) else kept[kept["rating"] == name]
        try:
            curve_of(mine)
        except RatingError as error:
            wrong.add(str(name))
            found += _problems("ratings", pd.DataFrame([row]), "rating", f"a rating whose segments make one: {error}")
            continue
        if not _NAMED.fullmatch("" if pd.isna(row["gaugings"]) else row["gaugings"]):
            wrong.add(str(name))
            expected = "archive ids of gaugings with their revisions, as ID/1; ID/2"
            found += _problems("ratings", pd.DataFrame([row]), "gaugings", expected)
    known = (set(ratings["rating"]) | set(kept["rating"])) - wrong
    tables["ratings"] = ratings[~ratings["rating"].isin(wrong)]
    for table in RATED:
        rows = tables[table]
        strange = ~rows["rating"].isin(known)
        named = rows[strange & ~rows["rating"].isin(wrong)]
        found += _problems(table, named, "rating", "the name of a rating handed in before or with it")
        tables[table] = rows[~strange]
    return found


def _without_calibration(tables: dict[str, pd.DataFrame], kept: pd.DataFrame) -> list[dict[str, Any]]:
    """Find revolutions for which no calibration of that meter holds on the day and at the rate."""
    gaugings, points = tables["gaugings"].reset_index(drop=True), tables["points"]
    turned = points[points["revolutions"].notna()]
    if turned.empty:
        return []
    index = pd.MultiIndex.from_frame(gaugings[["deposit", "gauging"]])
    g = index.get_indexer(pd.MultiIndex.from_frame(turned[["deposit", "gauging"]]))
    turned = turned[g >= 0].assign(g=g[g >= 0]).reset_index(drop=True)
    incoming = tables["calibrations"]
    columns = [c for c in incoming.columns if c in kept.columns]
    everything = pd.concat([kept[columns], incoming[columns]], ignore_index=True)
    velocity = calibrated_velocity(turned, gaugings["instrument"], gaugings["started_at"], everything)
    bare = turned[np.isnan(velocity)].drop_duplicates(["deposit", "gauging"])
    return _problems("points", bare, "revolutions", "a calibration of that meter for the day and the rate")


def _problems(table: str, rows: pd.DataFrame, column: str, expected: str) -> list[dict[str, Any]]:
    of_gauging = table in OF_GAUGINGS
    if len(rows) > MOST_REASONS:
        # every one of them is left out; one reason stands for those a person would never read
        first = rows.iloc[:MOST_REASONS]
        rest = rows.iloc[MOST_REASONS:].drop_duplicates("deposit")
        more = _problems(table, rest, column, f"{expected}, as in the {len(rows) - MOST_REASONS} rows after it")
        return _problems(table, first, column, expected) + more
    labels = rows["gauging"] if of_gauging else [None] * len(rows)
    said = zip(rows["deposit"], labels, rows["row_file"], rows["row_line"], rows[column], strict=True)
    consequence = RETURNED if of_gauging else ROW_LEFT_OUT
    return [
        dict(zip(PROBLEM_COLUMNS, (d, label, file, int(line), column, expected, str(value), consequence), strict=True))
        for d, label, file, line, value in said
    ]


def _frame(found: list[dict[str, Any]]) -> pd.DataFrame:
    frame = pd.DataFrame(found, columns=list(PROBLEM_COLUMNS))
    return frame.assign(line=pd.array(frame["line"].tolist(), dtype="Int64"))
