"""Shifts proposed for the rating in force at a site, and what a derivation changed, in words."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import cast, get_args

import numpy as np
import pandas as pd

from stillwell.archive.archive import Archive
from stillwell.errors import QueryError, RatingError
from stillwell.hydrometry.gauging.uncertainty_in_use import level_sentence, standard_uncertainty
from stillwell.hydrometry.rating.kinds import rating_of
from stillwell.hydrometry.rating.rating import Rating
from stillwell.hydrometry.rating.shift_proposal import Proposal, Way, propose
from stillwell.number_words import counted
from stillwell.reading.printed.text import significant
from stillwell.reading.rating.site_fit import candidates, numbers_of, rated_discharge
from stillwell.reading.rating.site_ratings import newest_rating
from stillwell.reading.select.spans import span_of


def proposal_of(archive: Archive, site: str, way: str) -> tuple[str, Proposal]:
    """Propose shifts of a site's newest rating from the gaugings made since it holds.

    Parameters
    ----------
    archive : Archive
    site : str
    way : str
        ``by gauging``, ``by time`` or ``by stage``.

    Returns
    -------
    str, Proposal
        Name of the rating, and the proposal.

    Raises
    ------
    QueryError
        If there is no such way, or the site has no rating.
    """
    if way not in get_args(Way):
        msg = f"expected one of {', '.join(get_args(Way))}; found {way!r}"
        raise QueryError(msg)
    row, rating = rating_with_curve(archive, site)
    selected = candidates(archive, site, span_of(row["valid_from"], None))
    rows = selected.rows[selected.used]
    middle = rows["started_at"] + (rows["ended_at"] - rows["started_at"]) / 2
    proposal = propose(
        rating,
        middle.dt.tz_localize(None).to_numpy(),
        numbers_of(rows, "gauge_height_m"),
        rated_discharge(rows),
        uncertainty=2 * standard_uncertainty(rows),
        way=cast("Way", way),
        valid_from=np.datetime64(row["valid_from"].tz_localize(None)),
    )
    sentence = level_sentence(rows)
    return str(row["rating"]), replace(proposal, sentences=(*proposal.sentences, sentence)) if sentence else proposal


def rating_with_curve(archive: Archive, site: str) -> tuple[pd.Series, Rating]:
    """Read the rating of a site that holds last, its row and the rating itself.

    Raises
    ------
    QueryError
        If the site has no rating.
    """
    row = newest_rating(archive, site)
    if row is None:
        msg = f"expected a site with a rating, found none at {site!r}"
        raise QueryError(msg)
    segments = archive.standing("rating_segments")
    return row, rating_of(dict(row), segments[segments["rating"] == row["rating"]])


def proposal_text(rating: str, proposal: Proposal) -> str:
    """Write out a proposal: the convention, each gauging, what they say together, and the entries."""
    lines = [f"Shifts proposed for rating {rating}, {proposal.way}"]
    lines.append("Q = rating(h + shift); departure = 100 (Q - rated)/rated")
    lines += [f"  {sentence}" for sentence in proposal.sentences]
    lines.append("Entries")
    for row in proposal.entries.to_dict("records"):
        stage = "" if pd.isna(row["stage_m"]) else f" at {row['stage_m']:.3f} m"
        lines.append(f"  from {pd.Timestamp(row['start']):%Y-%m-%d %H:%M} UTC{stage}: {row['shift_m']:+.3f} m")
    return "\n".join(lines) + "\n"


def derived_lines(rows: dict[str, pd.DataFrame]) -> str:
    """Write a line per site of a derivation, then its marks, days and findings on stage by kind."""
    sites = sorted({str(site) for frame in rows.values() for site in frame["site"]})
    return "".join(f"{line}\n" for site in sites for line in _site_lines(site, rows))


def current_line(count: int) -> str:
    """Say how many records a derivation left alone because their inputs are unchanged; nothing of none."""
    if not count:
        return ""
    return "1 record up to date, not read\n" if count == 1 else f"{count} records up to date, not read\n"


def _site_lines(site: str, rows: dict[str, pd.DataFrame]) -> Iterator[str]:
    mine = {name: frame[frame["site"] == site] for name, frame in rows.items()}
    values, days, findings = (mine.get(name, pd.DataFrame()) for name in ("discharge", "daily", "series_doubts"))
    if len(values):
        known = values["discharge_m3_s"].dropna()
        most = f", greatest {significant(known.max())} m3/s" if len(known) else ""
        span = f"{values['time'].min():%Y-%m-%dT%H:%MZ} to {values['time'].max():%Y-%m-%dT%H:%MZ}"
        yield f"{site}  {counted(len(values), 'value')}, {len(known):,} with discharge, {span}{most}"
        counts = values["marks"].dropna().str.split("; ").explode().value_counts().sort_index()
        yield from (f"    {mark}: {counted(count, 'value')}" for mark, count in counts.items())
    if len(days):
        span = f"{days['day'].min()} to {days['day'].max()} by the site's offset"
        yield f"    {counted(len(days), 'day')}, {span}, {int(days['mean_m3_s'].notna().sum())} with a mean"
    for code, same in findings.groupby("code", sort=True) if len(findings) else ():
        first = same.iloc[0]
        since = f"the first {first['from']:%Y-%m-%dT%H:%MZ}: {first['message']}"
        yield f"    {first['severity']:<8} {code}: {len(same)}; {since}"


def left_ratings(archive: Archive) -> dict[str, str]:
    """Name the sites whose rating the last gaugings no longer hold to, and say so in a sentence.

    A rating is said not to hold when the newest gaugings, ``shift_proposal.LASTING`` or more of them one after
    another, all lie on one side of it beyond their uncertainty, shifts left aside.
    """
    sentences: dict[str, str] = {}
    for site in sorted(set(archive.standing("ratings")["site"])):
        try:
            _, proposal = proposal_of(archive, site, "by gauging")
        except (QueryError, RatingError):
            continue
        lasting = [sentence for sentence in proposal.sentences if "a lasting change" in sentence]
        if lasting:
            sentences[site] = lasting[0]
    return sentences


def records_markdown(archive: Path, changed: str) -> str:
    """Write what a night's derivation changed, and the sites whose rating no longer holds, for a flow's page."""
    text = changed or "Every record is what its stage, ratings and shifts make.\n"
    left = left_ratings(Archive(archive))
    lines = [f"- {site}: {sentence}" for site, sentence in left.items()] or ["- none"]
    return "\n".join(
        ["# Records", "", "```", text.rstrip("\n"), "```", "", "## Ratings that no longer hold", "", *lines, ""]
    )
