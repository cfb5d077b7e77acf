"""Sentences and sources of findings about recorded stage. Computes none of them."""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType

import numpy as np
import pandas as pd

from stillwell.assessment.policy import Policy
from stillwell.hydrometry.stage.visits import differing, unit_findings
from stillwell.shared_types import RULES

PRACTICE = "common practice, no source"

SENTENCES: dict[str, tuple[str, str]] = {
    "time-repeated": ("note", "{rows:.0f} values were handed in again at times that had the same value"),
    "time-contradicted": (
        "suspect",
        "values of one time in one deposit differ by up to {value:.3f} m: {values}; none of them stands",
    ),
    "time-back": ("suspect", "time goes back by {value:.0f} s in the order recorded"),
    "loggers-overlap": ("suspect", "two loggers seem to have recorded this span, {value:+.3f} m apart"),
    "clock-step": ("suspect", "the clock of the logger seems to have moved by {value:+.0f} s"),
    "interval-changed": ("note", "from here on a value every {value:.0f} s"),
    "resolution-changed": ("note", "from here on stage comes in steps of {value:.4g} m"),
    "flat-line": ("suspect", "the same value for {value:.1f} h; is the sensor free, is the water still?"),
    "spike": ("suspect", "the value stands {value:.2f} m out from those around it ({rows:.0f} in all)"),
    "gap": ("note", "nothing was recorded for {value:.1f} h"),
}
"""Severity and sentence of each code of ``stage.check_series.check_series``."""

UNKNOWN = {
    "loggers-overlap": (2, "two loggers seem to have recorded this span; no value says how far apart"),
    "resolution-changed": (5, "from here on stage comes in no fixed steps"),
}
"""Sentences where there is no figure, and the rules from which on they are used."""

FIRST_RULES = {
    "time-contradicted": "values of one time differ by up to {value:.3f} m; the one handed in last stands",
    "loggers-overlap": SENTENCES["loggers-overlap"][1],
}
"""Sentences under the first rules (``shared_types.RULES``), whatever the figure."""

DIFFERS = (
    "at {count} visit{s} in a row the staff stood up to {apart:+.3f} m from the sensor as recorded, {left:+.3f} m "
    "from it as corrected; {limit:g} m are allowed"
)
UNIT = (
    "stage reads like {unit} and not like metres: {count} readings of the staff lie {misfit:.3f} m from it then, "
    "{given:.3f} m from it as handed in{level}; nothing was converted"
)
PASSED_OVER = "ratings-one-moment"
ONE_MOMENT = (
    "ratings {others} and {holds} are valid from one moment, {moment}; {holds} holds: of such ratings the one recorded "
    "last holds, and of those recorded in one commit the one whose name sorts last"
)
"""Sentence of ratings of a site that are valid from one moment."""
LAPSED = "no longer doubted by the stage, readings and corrections that stand now"
"""Sentence of a finding that no longer results from what stands."""
FORMERLY_LAPSED = "no longer doubted: what this rested on was recorded, read or corrected anew"
"""The same, under rules before 5."""


def findings_in_words(
    spans: pd.DataFrame, policy: Policy, values: Mapping[int, str] = MappingProxyType({}), rules: int = RULES
) -> pd.DataFrame:
    """Write the findings of the spans of a series.

    Parameters
    ----------
    spans : DataFrame
        As ``stage.check_series.check_series`` finds them.
    policy : Policy
        Gaps that the policy bridges are left out.
    values : mapping of int to str
        By moment (microseconds, UTC), the values that contradict each other.
    rules : int
        By which rules; see ``shared_types.RULES``.

    Returns
    -------
    DataFrame
        ``code``, ``from``, ``to``, ``severity``, ``value``, ``message``, ``source``; one row per code and start.
    """
    short = (spans["code"] == "gap") & (spans["value"] * 3600 <= policy.value("gap_bridged_s"))
    rows = spans[~short].drop_duplicates(["code", "from_us"]).reset_index(drop=True)
    figures = zip(rows["code"], rows["value"], rows["rows"], rows["from_us"], strict=True)
    return pd.DataFrame(
        {
            "code": rows["code"],
            "from": pd.to_datetime(rows["from_us"].to_numpy(dtype=np.int64), unit="us", utc=True),
            "to": pd.to_datetime(rows["to_us"].to_numpy(dtype=np.int64), unit="us", utc=True),
            "severity": pd.Series([SENTENCES[code][0] for code in rows["code"]], dtype="str"),
            "value": rows["value"],
            "message": pd.Series(
                [_sentence(c, v, n, values.get(at, ""), rules) for c, v, n, at in figures], dtype="str"
            ),
            "source": PRACTICE,
        }
    )


def _sentence(code: str, value: float, rows: int, values: str, rules: int) -> str:
    sentence = SENTENCES[code][1]
    if rules < 2:
        sentence = FIRST_RULES.get(code, sentence)
    elif np.isnan(value) and rules >= UNKNOWN.get(code, (rules + 1, ""))[0]:
        sentence = UNKNOWN[code][1]
    return sentence.format(value=value, rows=rows, values=values)


def ratings_in_words(passed_over: pd.DataFrame) -> pd.DataFrame:
    """Report each moment from which more than one rating of a site is valid.

    Parameters
    ----------
    passed_over : DataFrame
        As ``hydrometry.rating.which_rating_holds.ratings_passed_over`` selects them.

    Returns
    -------
    DataFrame
        As of ``findings_in_words``, with ``sensor``; ``value`` is the number of ratings.
    """
    rows = []
    for moment, same in passed_over.groupby("valid_from", sort=True):
        start, holds = pd.Timestamp(str(moment)), str(same["holds"].iloc[0])
        message = ONE_MOMENT.format(others=", ".join(same["rating"]), holds=holds, moment=f"{start:%Y-%m-%dT%H:%M:%SZ}")
        rows.append(_row(PASSED_OVER, "", (start, same["until"].iloc[0]), "suspect", len(same) + 1, message))
    return _frame(rows)


def _frame(rows: list[dict[str, object]]) -> pd.DataFrame:
    empty: dict[str, list[object]] = {
        name: [] for name in ("code", "from", "to", "severity", "value", "message", "source", "sensor")
    }
    return pd.DataFrame(rows if rows else empty)


def visits_in_words(visits: pd.DataFrame, policy: Policy) -> pd.DataFrame:
    """Doubt sensors by the readings of the staff: those it stands away from, and units it does not go with.

    Parameters
    ----------
    visits : DataFrame
        As ``hydrometry.stage.visits.visits_of`` finds them.
    policy : Policy

    Returns
    -------
    DataFrame
        As of ``findings_in_words``, with ``sensor``. Visits in a row that say alike make one row, at the worst of them;
        a note where corrections in force take the difference away, else suspect.
    """
    limit = policy.value("staff_differs_m")
    rows = [_differs(sensor, run, limit) for sensor, run in _in_a_row(visits, limit)]
    for sensor, finding in unit_findings(visits).items():
        mine = visits[visits["sensor"] == sensor]
        level = ", levels aside" if finding.level_left_out else ""
        message = UNIT.format(
            unit=finding.unit,
            count=finding.readings,
            misfit=finding.misfit_m,
            given=finding.misfit_as_given_m,
            level=level,
        )
        span = mine["read_at"].min(), mine["read_at"].max()
        rows.append(_row("unit-doubted", sensor, span, "suspect", finding.misfit_as_given_m, message))
    return _frame(rows)


def _in_a_row(visits: pd.DataFrame, limit: float) -> list[tuple[str, pd.DataFrame]]:
    """Part the visits that differ into runs of one sensor, with no visit between them that does not."""
    runs = []
    for sensor, mine in visits.groupby("sensor", sort=True):
        steady = mine[mine["change_m"].abs() <= limit].reset_index(drop=True)
        away = steady["read_at"].isin(differing(steady, limit)["read_at"]).to_numpy()
        unusable = (steady["left_m"].abs() > limit).to_numpy()
        kind = np.where(away, 1 + unusable, 0)
        number = np.cumsum(np.r_[True, kind[1:] != kind[:-1]]) if len(kind) else kind
        runs += [(str(sensor), run) for _, run in steady[away].groupby(number[away], sort=True)]
    return runs


def _differs(sensor: str, run: pd.DataFrame, limit: float) -> dict[str, object]:
    left = float(run["left_m"].iloc[int(run["left_m"].abs().argmax())])
    apart = float(run["difference_m"].iloc[int(run["difference_m"].abs().argmax())])
    count = len(run)
    message = DIFFERS.format(count=count, s="s" * (count > 1), apart=apart, left=left, limit=limit)
    beyond = abs(left) > limit
    span = run["read_at"].iloc[0], run["read_at"].iloc[-1]
    return _row("staff-differs", sensor, span, "suspect" if beyond else "note", left if beyond else apart, message)


def _row(
    code: str, sensor: str, span: tuple[pd.Timestamp, pd.Timestamp], severity: str, value: float, message: str
) -> dict[str, object]:
    return {
        "code": code,
        "from": span[0],
        "to": span[1],
        "severity": severity,
        "value": value,
        "message": message,
        "source": PRACTICE,
        "sensor": sensor or None,
    }
