"""Findings about the stage, the staff and the ratings of a site, made from its current rows. Writes nothing."""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from stillwell.archive.at_commit import AtCommit
from stillwell.archive.revisions.registers import VALUE_KEY
from stillwell.archive.tables.current_rows import newest_of_keys, standing_rows
from stillwell.assessment.policy import Policy
from stillwell.assessment.stage_findings import (
    FORMERLY_LAPSED,
    LAPSED,
    findings_in_words,
    ratings_in_words,
    visits_in_words,
)
from stillwell.hydrometry.gauging.gauge_height import microseconds
from stillwell.hydrometry.rating.which_rating_holds import ratings_passed_over
from stillwell.hydrometry.stage.check_series import check_series
from stillwell.hydrometry.stage.check_times import with_holes_filled
from stillwell.hydrometry.stage.flags import SeriesLimits
from stillwell.hydrometry.stage.visits import visits_of
from stillwell.schemas import ARCHIVE_TABLES
from stillwell.schemas.derive import key_names
from stillwell.shared_types import RULES

_HANDED_IN = ["recorded_at", "deposit"]
"""Columns alike in values that were handed in together."""


def findings_of_stage(
    view: AtCommit, site: str, recorded: pd.DataFrame, policy: Policy, rules: int = RULES
) -> pd.DataFrame:
    """Check the stage of a site by itself and against the readings of its staff; ``recorded`` as of ``stage_findings``.

    The limits are medians over the whole series: one more value can change any finding, so every row is needed.
    """
    stands = standing_rows("stage", recorded)
    return pd.concat(
        [stage_findings(recorded, policy, rules), _visit_findings(view, site, stands, policy)], ignore_index=True
    )


def findings_of_ratings(view: AtCommit, site: str, rules: int = RULES) -> list[pd.DataFrame]:
    """Find ratings of a site that are valid from the same moment; the first rules do not check this."""
    if rules < 2:
        return []
    return [ratings_in_words(ratings_passed_over(view.standing("ratings", [site]), site))]


def stage_findings(recorded: pd.DataFrame, policy: Policy, rules: int = RULES) -> pd.DataFrame:
    """Check the stage of a site, sensor by sensor, as handed in; a value that was corrected since is not checked.

    Parameters
    ----------
    recorded : DataFrame
        Rows of ``stage`` of every revision.
    policy : Policy
    rules : int
        Number of the rules. The first rules also check corrected values, and take a correction for time that goes
        back; rules before 5 do so with a value that fills a hole.
    """
    rows = recorded.sort_values(["recorded_at", "deposit", "row_file", "row_line"], kind="stable")
    if rules >= 2:
        rows = _in_place(rows, _HANDED_IN if rules >= 5 else ["deposit"])
    frames = []
    for name, mine in rows.groupby(rows["sensor"].fillna(""), sort=True):
        mine, part = _with_holes_filled(mine) if rules >= 5 else (mine, None)
        checked = check_series(microseconds(mine["time"]), mine["stage_m"].to_numpy(dtype="float64"), part=part)
        words = findings_in_words(checked.spans, policy, _values_handed_in(mine), rules)
        frames.append(words.assign(sensor=name or None))
    if not frames:
        return findings_in_words(check_series(np.zeros(0, dtype=np.int64), np.zeros(0)).spans, policy).assign(
            sensor=None
        )
    return pd.concat(frames, ignore_index=True)


def _values_handed_in(rows: pd.DataFrame) -> dict[int, str]:
    """List the values of each moment that has several rows, with file and line."""
    several = rows[rows.duplicated(VALUE_KEY, keep=False) & rows["stage_m"].notna()]
    texts = [
        f"{value:.3f} m ({file} line {line})"
        for value, file, line in zip(several["stage_m"], several["row_file"], several["row_line"], strict=True)
    ]
    out: dict[int, str] = {}
    for moment, text in zip(microseconds(several["time"]).tolist(), texts, strict=True):
        out[moment] = f"{out[moment]}, {text}" if moment in out else text
    return out


def _with_holes_filled(rows: pd.DataFrame) -> tuple[pd.DataFrame, NDArray[np.int64]]:
    """Put values of a sensor that fill a hole into it, and number the deposit that first gave each moment."""
    part = rows["part"].to_numpy(dtype=np.int64)
    order = with_holes_filled(microseconds(rows["time"]), part, SeriesLimits())
    return rows.iloc[order], part[order]


def _in_place(rows: pd.DataFrame, handing_in: list[str]) -> pd.DataFrame:
    """Keep what is newest at each moment, in the place where a value of the moment was first handed in.

    Values handed in together (alike in the columns ``handing_in``) keep their own places, so that a clock set back is
    seen; a later correction takes the place of what it corrects. ``part`` numbers what first gave each moment.
    """
    rows = rows.reset_index(drop=True)
    rows["part"] = rows.groupby(handing_in, sort=False).ngroup()
    if not rows.duplicated(VALUE_KEY).any():
        return rows
    first = rows.drop_duplicates(VALUE_KEY)
    moments = pd.MultiIndex.from_frame(rows[VALUE_KEY].fillna({"sensor": ""}))
    places = pd.MultiIndex.from_frame(first[VALUE_KEY].fillna({"sensor": ""})).get_indexer(moments)
    part = first["part"].to_numpy()[places]
    place = np.where(rows["part"] == part, np.arange(len(rows)), first.index.to_numpy()[places])
    newest = rows["revision"] == rows.groupby(VALUE_KEY, dropna=False)["revision"].transform("max")
    return rows.assign(_place=place, part=part)[newest].sort_values("_place", kind="stable").drop(columns="_place")


def _visit_findings(view: AtCommit, site: str, stage: pd.DataFrame, policy: Policy) -> pd.DataFrame:
    """Check the sensors of a site against the readings of its staff."""
    readings, corrections = view.standing("gauge_heights", [site]), view.standing("corrections", [site])
    return visits_in_words(visits_of(stage, readings, corrections, policy.value("gap_bridged_s")), policy)


def lapsed(new: pd.DataFrame, kept: pd.DataFrame, rules: int = RULES) -> pd.DataFrame:
    """Make a row of each current finding that is no longer made: it has lapsed. No row is removed."""
    key = key_names(ARCHIVE_TABLES["series_doubts"])
    newest = newest_of_keys(kept, key)
    left, right = (pd.MultiIndex.from_frame(rows[key].fillna({"sensor": ""})) for rows in (newest, new))
    gone = newest[~left.isin(right) & ~newest["message"].isin([LAPSED, FORMERLY_LAPSED]).to_numpy()]
    sentence = LAPSED if rules >= 5 else FORMERLY_LAPSED
    return gone.drop(columns=["revision"]).assign(severity="note", message=sentence, value=np.nan)
