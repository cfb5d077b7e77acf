"""A fitted rating and proposed shifts as documents for programs; docs/json.md names every key."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from stillwell.assessment.rating_checks import RatingFinding, no_limits
from stillwell.hydrometry.rating.fit import RatingFit
from stillwell.hydrometry.rating.segments import rows_of as segments_of
from stillwell.hydrometry.rating.shift_proposal import Proposal
from stillwell.reading.printed.json_values import rows_of
from stillwell.reading.rating.site_fit import Candidates, Sampled, shown_stages, verdicts_of

Document = dict[str, Any]


def rating_document(
    selected: Candidates, made: RatingFit, sampled: Sampled | None = None, findings: Sequence[RatingFinding] = ()
) -> Document:
    """Lay out a fit as ``rating_text`` writes it.

    Parameters
    ----------
    selected : Candidates
    made : RatingFit
    sampled : Sampled, optional
        The ensemble, where one was asked for.
    findings : sequence of RatingFinding

    Returns
    -------
    dict
        ``site``, ``gaugings_used``, ``visits``, ``zeros``, ``gauged_from_m``, ``gauged_to_m``, ``standard_error_pct``,
        ``freedom``, ``remnant_pct``, ``segments``, ``findings``, ``limits``, ``no_limits``, ``shapes_tried``,
        ``tests``, ``gaugings``, ``notes``, ``ensemble``.
    """
    stages = shown_stages(made)
    band = made.band(stages)
    known = np.nan if made.at_bound else 1.0
    return {
        "site": selected.rows["site"].iloc[0],
        "gaugings_used": int(selected.used.sum()),
        "visits": made.visits,
        "zeros": made.zeros,
        "gauged_from_m": made.lowest_m,
        "gauged_to_m": made.highest_m,
        "standard_error_pct": 100 * made.standard_error,
        "freedom": made.freedom,
        "remnant_pct": 100 * made.remnant,
        "segments": rows_of(segments_of(made.curve)),
        "findings": [vars(one) for one in findings],
        "limits": _limits(stages, band.discharge, *(limit * known for limit in (band.lower, band.upper))),
        "no_limits": no_limits(made.at_bound) or None,
        "shapes_tried": rows_of(made.criterion),
        "tests": [
            {"test": v.name, "statistic": v.statistic, "critical": v.critical, "passed": v.passed, "words": v.sentence}
            for v in verdicts_of(made)
        ],
        "gaugings": _gaugings(selected, made),
        "notes": list(made.notes),
        "ensemble": None if sampled is None else _ensemble(sampled),
    }


def _limits(stages: NDArray[np.float64], *columns: NDArray[np.float64]) -> list[Document]:
    names = ("stage_m", "discharge_m3_s", "lower_m3_s", "upper_m3_s")
    return [dict(zip(names, row, strict=True)) for row in zip(stages, *columns, strict=True)]


def _gaugings(selected: Candidates, made: RatingFit) -> list[Document]:
    rows = zip(selected.rows["gauging_id"], made.gaugings.to_dict("records"), selected.why, strict=True)
    return [
        {
            "gauging_id": gauging,
            "stage_m": fitted_row["stage_m"],
            "discharge_m3_s": fitted_row["discharge_m3_s"],
            "departure_pct": fitted_row["departure_pct"],
            "shift_m": fitted_row.get("shift_m"),
            "left_out": why or None,
        }
        for gauging, fitted_row, why in rows
    ]


def _ensemble(sampled: Sampled) -> Document:
    ensemble = sampled.ensemble
    return {
        "curves": len(ensemble.laws),
        "limits": _limits(sampled.stages, *ensemble.interval(sampled.stages)),
        "steps_per_independent": ensemble.steps_per_independent,
        "accepted": ensemble.accepted,
        "notes": list(ensemble.notes),
    }


def proposal_document(rating: str, site: str, proposal: Proposal) -> Document:
    """Lay out proposed shifts as ``proposal_text`` writes them.

    Parameters
    ----------
    rating, site : str
    proposal : Proposal

    Returns
    -------
    dict
        ``site``, ``rating``, ``way``, ``words``, ``entries``.
    """
    entries = [
        {
            "from": pd.Timestamp(row["start"]).tz_localize("UTC"),
            "stage_m": row["stage_m"],
            "shift_m": row["shift_m"],
        }
        for row in proposal.entries.to_dict("records")
    ]
    return {
        "site": site,
        "rating": rating,
        "way": proposal.way,
        "words": list(proposal.sentences),
        "entries": entries,
    }
