"""Rows that name a site, meter or calibration which nobody ever handed in are given back."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping, Sequence, Set
from typing import Any

import numpy as np
import pandas as pd

from stillwell.errors import RatingError
from stillwell.hydrometry.meter.velocities import calibrated_velocity
from stillwell.hydrometry.rating.kinds import rating_of
from stillwell.intake.checks.lookalike_codes import Code, asked, incoming_codes, known_codes, rows_alike
from stillwell.intake.interpret import OF_GAUGINGS, without_gaugings
from stillwell.intake.limits import MOST_REASONS
from stillwell.intake.problem_collector import RETURNED, ROW_LEFT_OUT, problem_frame
from stillwell.intake.values.constant import taken
from stillwell.schemas import ARCHIVE_TABLES
from stillwell.schemas.base import Thing
from stillwell.schemas.naming import REGISTERS, Naming, naming
from stillwell.shared_types import PROBLEM_COLUMNS, RULES, Understood

_NAMED = re.compile(r"([^;]+/[1-9]\d*(; [^;]+/[1-9]\d*)*)?")
_USES = asked(RULES)
REFERENCES = tuple(use for use in _USES if use.column == use.kind and use.registered and not use.registers)
"""Columns of codes that must be in a register."""
RATED = tuple(use.table for use in REFERENCES if use.kind == "rating")

Codes = Callable[[str, Sequence[str], Sequence[str] | None], Set[Code]]
"""Finds the different codes of a table in the archive by its name, columns of text, and sites."""


def refer(
    understood: Understood,
    *,
    sites: Set[str],
    instruments: Set[str],
    calibrations: pd.DataFrame,
    segments: pd.DataFrame,
    ratings: Set[str],
    codes: Codes,
    deposits: Sequence[str],
    rules: int = RULES,
) -> Understood:
    """Check the references of a batch against the codes known in the archive and in the batch itself.

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
    codes : callable
        Finds codes in the archive that no register holds; asked only for kinds that the batch uses.
    deposits : sequence of str
        Digests of the deposits in the order handed in.
    rules : int
        By which rules; under the first, codes that differ only by case or Unicode form were two.

    Returns
    -------
    Understood
        Without the rows that refer to nothing; each is a problem.
    """
    tables = dict(understood.tables)
    registered: dict[Thing, Set[str]] = {"site": sites, "instrument": instruments, "rating": ratings}
    problems = _without_alike(tables, rules, deposits, registered)
    problems += _without_unknown(tables, {"site": set(sites), "instrument": set(instruments)})
    problems += _without_calibration(tables, calibrations)
    for name in ("corrections", "conditions"):
        rows = tables[name]
        bad = (rows["to"] <= rows["from"]).fillna(False).astype("bool")
        problems += _problems(name, rows[bad], "to", "an end after the start")
        tables[name] = rows[~bad]
    if problems and rules >= 3:
        # a gauging that goes back makes no code known
        tables = without_gaugings(tables, problem_frame(problems))
    problems += _without_alike(tables, rules, deposits, codes)
    problems += _unusable_ratings(tables, segments)
    if not problems:
        return understood
    joined = pd.concat([understood.problems, problem_frame(problems)], ignore_index=True)
    tables = without_gaugings(tables, joined)
    return Understood(tables, joined, understood.notes)


def _without_unknown(tables: dict[str, pd.DataFrame], known: dict[Thing, set[str]]) -> list[dict[str, Any]]:
    """Take out the rows that name a site or an instrument in no register."""
    problems: list[dict[str, Any]] = []
    for kind, codes in known.items():
        register = f"the register {REGISTERS[kind]}"
        codes |= set(tables[REGISTERS[kind]][kind])
        for use in (use for use in REFERENCES if use.kind == kind):
            rows = tables[use.table]
            strange = (rows[use.column].notna() & ~rows[use.column].isin(codes)).to_numpy(dtype=bool)
            if strange.any():
                what = f"the code of {'a site' if kind == 'site' else 'an instrument'} in {register}"
                problems += _problems(use.table, rows[strange], use.column, what)
                tables[use.table] = taken(rows, ~strange)
    return problems


def _without_alike(
    tables: dict[str, pd.DataFrame], rules: int, deposits: Sequence[str], kept: Mapping[Thing, Set[str]] | Codes
) -> list[dict[str, Any]]:
    """Take out the rows whose code is a known one but for case or Unicode form; of kinds with a register, or others."""
    problems: list[dict[str, Any]] = []
    by_kind: dict[Thing, list[Naming]] = {}
    for use in asked(rules):
        if use.registered != callable(kept):
            by_kind.setdefault(use.kind, []).append(use)
    for kind, uses in by_kind.items():
        if callable(kept):
            incoming = incoming_codes(tables, uses, deposits)
            known = known_codes(_kept_codes(kept, kind, incoming), incoming)
        else:
            incoming = incoming_codes(tables, [use for use in uses if use.registers], deposits)
            known = known_codes(((code,) for code in kept[kind]), incoming)
        for use in uses:
            rows = tables[use.table]
            out = np.zeros(len(rows), dtype=bool)
            for other, places in rows_alike(rows, use, known):
                expected = f"the known code {other}, from which this differs only by case or Unicode form"
                problems += _problems(use.table, rows.iloc[places], use.column, expected)
                out[places] = True
            if out.any():
                tables[use.table] = taken(rows, ~out)
    return problems


def _kept_codes(codes: Codes, kind: Thing, incoming: Sequence[Code]) -> set[Code]:
    """Find the codes of a kind in the archive, of the sites at hand; nothing is read where the batch has none."""
    if not incoming:
        return set()
    sites = sorted({code[0] for code in incoming}) if len(incoming[0]) > 1 else None
    uses = (use for use in naming(ARCHIVE_TABLES) if use.kind == kind)
    return {code for use in uses for code in codes(use.table, use.columns, sites)}


def _unusable_ratings(tables: dict[str, pd.DataFrame], kept: pd.DataFrame) -> list[dict[str, Any]]:
    """Find ratings whose segments make none, and segments and shifts of ratings that nobody handed in.

    A rating that cannot be used is left out with its segments; nothing of it holds.
    """
    ratings, incoming = tables["ratings"], tables["rating_segments"]
    problems: list[dict[str, Any]] = []
    wrong: set[str] = set()
    for name, row in ratings.drop_duplicates("rating", keep="last").set_index("rating", drop=False).iterrows():
        mine = incoming[incoming["rating"] == name]
        mine = mine if len(mine) else kept[kept["rating"] == name]
        try:
            rating_of(dict(row), mine)
        except RatingError as error:
            wrong.add(str(name))
            problems += _problems(
                "ratings", pd.DataFrame([row]), "rating", f"a rating whose segments make one: {error}"
            )
            continue
        if not _NAMED.fullmatch("" if pd.isna(row["gaugings"]) else row["gaugings"]):
            wrong.add(str(name))
            expected = "archive ids of gaugings with their revisions, as ID/1; ID/2"
            problems += _problems("ratings", pd.DataFrame([row]), "gaugings", expected)
    known = (set(ratings["rating"]) | set(kept["rating"])) - wrong
    tables["ratings"] = ratings[~ratings["rating"].isin(wrong)]
    for table in RATED:
        rows = tables[table]
        strange = ~rows["rating"].isin(known)
        named = rows[strange & ~rows["rating"].isin(wrong)]
        problems += _problems(table, named, "rating", "the name of a rating handed in before or with it")
        tables[table] = rows[~strange]
    return problems


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
    cells = zip(rows["deposit"], labels, rows["row_file"], rows["row_line"], rows[column], strict=True)
    consequence = RETURNED if of_gauging else ROW_LEFT_OUT
    return [
        dict(zip(PROBLEM_COLUMNS, (d, label, file, int(line), column, expected, str(value), consequence), strict=True))
        for d, label, file, line, value in cells
    ]
