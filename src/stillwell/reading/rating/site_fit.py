"""A site's gaugings held up to a rating: which take part and why, the fit, and its words. Adopts nothing."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from stillwell.archive.archive import Archive
from stillwell.assessment.rating_checks import RatingFinding, no_limits
from stillwell.errors import QueryError
from stillwell.hydrometry.gauging.uncertainty_in_use import level_sentence, standard_uncertainty
from stillwell.hydrometry.rating.fit import RatingFit, fit
from stillwell.hydrometry.rating.notes import repeated
from stillwell.hydrometry.rating.residual_tests import Verdict, verdicts
from stillwell.hydrometry.rating.segments import rows_of
from stillwell.hydrometry.rating.shape import FitChoices
from stillwell.reading.printed.text import as_table, significant
from stillwell.reading.select.spans import EVER, Span

if TYPE_CHECKING:
    from stillwell.hydrometry.rating.bayes import Control, Ensemble

Floats = NDArray[np.float64]

LEFT_OUT = {
    "no stage": "no gauge height",
    "no discharge": "no discharge",
    "reversed": "water ran backwards",
    "unusable": "an unusable finding; a review may include it",
    "estimated": "estimated, not measured; a review may include it",
    "excluded": "excluded by a review",
    "again": "says again what an earlier gauging says",
    "outside": "outside the span asked for",
}
"""Why a gauging takes no part."""


@dataclass(frozen=True)
class Candidates:
    """Gaugings of a site in order of time; ``why`` is empty for those that take part."""

    rows: pd.DataFrame
    why: NDArray[np.object_]

    @property
    def used(self) -> NDArray[np.bool_]:
        """Which take part."""
        return np.asarray(self.why == "")

    @property
    def names(self) -> list[str]:
        """Those that take part, each as ``archive id/revision``."""
        part = self.rows[self.used]
        return [f"{name}/{revision}" for name, revision in zip(part["gauging_id"], part["revision"], strict=True)]


def candidates(archive: Archive, site: str, span: Span = EVER) -> Candidates:
    """Collect the gaugings of a site and say of each whether it takes part in a rating, and why not.

    Parameters
    ----------
    archive : Archive
    site : str
    span : Span
        Only gaugings that start within it take part.

    Returns
    -------
    Candidates

    Raises
    ------
    QueryError
        If the site has no gauging.
    """
    rows = archive.standing("gaugings", [site]).sort_values("started_at", kind="stable").reset_index(drop=True)
    if rows.empty:
        msg = f"expected a site with gaugings, found none at {site!r}"
        raise QueryError(msg)
    stage, q = numbers_of(rows, "gauge_height_m"), rated_discharge(rows)
    findings = archive.standing("findings", [site])
    unusable = rows["gauging_id"].isin(set(findings.loc[findings["severity"] == "unusable", "gauging_id"])).to_numpy()
    decided = archive.standing("reviews").sort_values("decided_at", kind="stable")
    decided = decided[decided["decision"].isin(["included", "excluded"])].drop_duplicates("subject", keep="last")
    decisions = dict(zip(decided["subject"], decided["decision"], strict=True))
    decision = np.array([decisions.get(name, "") for name in rows["gauging_id"]], dtype=object)
    why = np.full(len(rows), "", dtype=object)
    outside = ~span.holds(rows["started_at"])
    estimated = (rows["method"] == "estimated").to_numpy() & (decision != "included")
    known = np.isfinite(stage) & np.isfinite(q)
    again = np.zeros(len(rows), dtype=bool)
    again[known] = repeated(stage[known], q[known], rows["started_at"].to_numpy()[known]) >= 0
    for mask, reason in (
        (outside, "outside"),
        (again, "again"),
        (decision == "excluded", "excluded"),
        (estimated, "estimated"),
        (unusable & (decision != "included"), "unusable"),
        (q < 0, "reversed"),
        (~np.isfinite(q), "no discharge"),
        (~np.isfinite(stage), "no stage"),
    ):
        why[mask] = LEFT_OUT[reason]
    return Candidates(rows, why)


def numbers_of(rows: pd.DataFrame, name: str) -> Floats:
    """Read a column as floats, missing as NaN."""
    return np.asarray(rows[name].to_numpy(dtype="float64", na_value=np.nan))


def rated_discharge(rows: pd.DataFrame) -> Floats:
    """Take the discharge at the gauge where storage was allowed for, else the one measured."""
    at_gauge = numbers_of(rows, "discharge_at_gauge_m3_s")
    return np.where(np.isnan(at_gauge), numbers_of(rows, "discharge_m3_s"), at_gauge)


def fitted(selected: Candidates, choices: FitChoices | None = None) -> RatingFit:
    """Fit a rating to the gaugings that take part; see ``rating.fit.fit``."""
    rows = selected.rows
    made = fit(
        numbers_of(rows, "gauge_height_m"),
        rated_discharge(rows),
        uncertainty=standard_uncertainty(rows),
        visit=rows["visit"].to_numpy(dtype=object),
        used=selected.used,
        name=rows["gauging_id"].to_numpy(dtype=object),
        choices=choices,
    )
    sentence = level_sentence(rows[selected.used])
    return replace(made, notes=(*made.notes, sentence)) if sentence else made


@dataclass(frozen=True)
class Sampled:
    """Ratings that agree with beliefs about the controls, and the stages they are shown at (m)."""

    ensemble: Ensemble
    stages: Floats


def shown_stages(made: RatingFit) -> Floats:
    """Give the stages (m) a rating is written out at."""
    return np.linspace(made.lowest_m, made.highest_m, 6)


def sampled(selected: Candidates, made: RatingFit, controls: Sequence[str], seed: int = 1) -> Sampled:
    """Sample ratings that agree with beliefs about the controls.

    Parameters
    ----------
    selected : Candidates
    made : RatingFit
        Where the sampling starts, and the stages shown.
    controls : sequence of str
        From the lowest up, as ``kind:zero:sd`` or ``kind:zero:sd:foot:sd``, stages in m.
    seed : int

    Returns
    -------
    Sampled

    Raises
    ------
    QueryError
        If a belief is not written so.
    """
    from stillwell.hydrometry.rating.bayes import sample

    rows = selected.rows
    ensemble = sample(
        numbers_of(rows, "gauge_height_m"),
        rated_discharge(rows),
        tuple(_control(text) for text in controls),
        seed=seed,
        uncertainty=standard_uncertainty(rows),
        visit=rows["visit"].to_numpy(dtype=object),
        used=selected.used,
        start=made if made.curve.lower_m.size == len(controls) else None,
    )
    return Sampled(ensemble, shown_stages(made))


def ensemble_text(given: Sampled) -> str:
    """Write out the median and the 95 % interval of sampled ratings."""
    ensemble, stages = given.ensemble, given.stages
    shown = [
        {"stage_m": f"{h:.3f}", "m3/s": significant(q), "lower": significant(a), "upper": significant(b)}
        for h, q, a, b in zip(stages, *ensemble.interval(stages), strict=True)
    ]
    head = f"Ensemble of {len(ensemble.laws)} curves from beliefs about the controls: median and 95 % of them"
    apart, accepted = ensemble.steps_per_independent, 100 * ensemble.accepted
    about = f"  {apart:.0f} steps to an independent curve, {accepted:.0f} % accepted"
    notes = [f"  {note}" for note in ensemble.notes]
    return "\n".join([head, as_table(shown, ["stage_m", "m3/s", "lower", "upper"]), about, *notes]) + "\n"


def _control(text: str) -> Control:
    from stillwell.hydrometry.rating.bayes import Control

    kind, *numbers = text.split(":")
    try:
        given = [float(number) for number in numbers]
    except ValueError:
        given = []
    if len(given) not in (2, 4):
        msg = f"expected a belief as KIND:ZERO:SD or KIND:ZERO:SD:FOOT:SD with stages in m, found {text!r}"
        raise QueryError(msg)
    foot = (given[2], given[3]) if len(given) == 4 else None
    return Control(kind, (given[0], given[1]), foot)


def rating_text(selected: Candidates, made: RatingFit, findings: Sequence[RatingFinding] = ()) -> str:
    """Write out a fit: segments, findings, how sure it is, shapes tried, tests, every gauging's departure, notes."""
    return "\n\n".join(_parts(selected, made, findings)) + "\n"


def _parts(selected: Candidates, made: RatingFit, findings: Sequence[RatingFinding]) -> Iterator[str]:
    site = selected.rows["site"].iloc[0]
    error = 100 * made.standard_error
    yield (
        f"Rating of {site} from {int(selected.used.sum())} of {len(selected.rows)} gaugings "
        f"({made.visits:g} visits with flow, {made.zeros} observed zeros)\n"
        f"gauged from {made.lowest_m:.3f} to {made.highest_m:.3f} m; scatter {error:.1f} % (standard), "
        f"{made.freedom:g} degrees of freedom; beyond the gaugings' own uncertainty {100 * made.remnant:.1f} %"
    )
    segments = rows_of(made.curve).to_dict("records")
    yield "Q = C (h - e)^beta\n" + as_table(
        [
            {
                "from_m": f"{row['from_m']:.3f}",
                "C": significant(row["coefficient"], 5),
                "e_m": f"{row['zero_stage_m']:.3f}",
                "beta": f"{row['exponent']:.3f}",
            }
            for row in segments
        ],
        ["from_m", "C", "e_m", "beta"],
    )
    if findings:
        yield "Findings\n" + "\n".join(
            f"  {one.severity:<8} {one.code}: {one.message} [{one.source}]" for one in findings
        )
    yield _limits(made)
    tried = made.criterion.rename(columns={"scatter": "bounded scatter"})
    tried["bounded scatter"] = [f"{100 * v:.1f} %" if v == v else "" for v in tried["bounded scatter"]]
    yield "Shapes tried (least criterion taken)\n" + as_table(
        [{str(k): _cell(v) for k, v in row.items()} for row in tried.to_dict("records")],
        [str(c) for c in tried.columns],
    )
    yield "Tests (5 %)\n" + "\n".join(f"  {verdict.sentence}" for verdict in verdicts_of(made))
    yield "Gaugings\n" + as_table(
        list(_gaugings(selected, made)), ["gauging", "stage_m", "m3/s", "departure", "shift_m", "left out"]
    )
    if made.notes:
        yield "Notes\n" + "\n".join(f"  {note}" for note in made.notes)


def _limits(made: RatingFit) -> str:
    """Write the mean relation with its limits, or without them and why."""
    stages = shown_stages(made)
    band = made.band(stages)
    rows = [
        {"stage_m": f"{h:.3f}", "m3/s": significant(q), "lower": significant(a), "upper": significant(b)}
        for h, q, a, b in zip(stages, band.discharge, band.lower, band.upper, strict=True)
    ]
    if made.at_bound:
        why = no_limits(made.at_bound)
        return f"Mean relation\n{as_table(rows, ['stage_m', 'm3/s'])}\n  {why}"
    return "Limits of the mean relation, 95 %\n" + as_table(rows, ["stage_m", "m3/s", "lower", "upper"])


def verdicts_of(made: RatingFit) -> tuple[Verdict, ...]:
    """Test the departures of the gaugings that take part."""
    gaugings = made.gaugings
    flowing = gaugings["used"].to_numpy(dtype=bool) & np.isfinite(gaugings["departure_pct"].to_numpy())
    return tuple(verdicts(gaugings["stage_m"].to_numpy()[flowing], gaugings["departure_pct"].to_numpy()[flowing]))


def _gaugings(selected: Candidates, made: RatingFit) -> Iterator[dict[str, str]]:
    for (_, row), fitted_row, why in zip(
        selected.rows.iterrows(), made.gaugings.to_dict("records"), selected.why, strict=True
    ):
        departs = fitted_row["departure_pct"]
        yield {
            "gauging": row["gauging_id"],
            "stage_m": "" if pd.isna(fitted_row["stage_m"]) else f"{fitted_row['stage_m']:.3f}",
            "m3/s": "" if pd.isna(fitted_row["discharge_m3_s"]) else significant(fitted_row["discharge_m3_s"]),
            "departure": "" if pd.isna(departs) else f"{departs:+.1f} %",
            "shift_m": "" if pd.isna(fitted_row.get("shift_m")) else f"{fitted_row['shift_m']:+.3f}",
            "left out": why,
        }


def _cell(value: object) -> str:
    if isinstance(value, float):
        return "" if np.isnan(value) else f"{value:.4g}"
    return str(value)
