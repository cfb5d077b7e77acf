"""What needs a person, in sentences: read off what is recorded; decides nothing."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from typing import Any

import pandas as pd

from stillwell.archive.tables.current_rows import newest_rows
from stillwell.pages import urls
from stillwell.pages.data.archive_view import View

MOST_NAMED = 12


Names = list[tuple[str, str]]
"""Codes, each with the address of its page."""


def attention(
    view: View, gaugings: pd.DataFrame, findings: pd.DataFrame, site: str | None = None
) -> list[dict[str, Any]]:
    """Collect what waits for a person.

    Parameters
    ----------
    view : View
    gaugings, findings : DataFrame
        Those that stand, already narrowed to what is asked about.
    site : str, optional
        Only this site; without it sites without a gauging are named too.

    Returns
    -------
    list of dict
        ``what`` in words, ``count``, ``names`` of gaugings, meters or sites, ``more`` (how many names are left out).
    """
    kinds = [] if gaugings.empty else _kinds(view, gaugings, findings, site)
    if site is None:
        silent = sorted(set(view.standing("sites")["site"]) - set(gaugings["site"] if len(gaugings) else []))
        kinds.append(("Sites without a gauging in this season", _named(silent, urls.site)))
    out = [_item(what, names) for what, names in kinds if names]
    count = int((gaugings["status"] == "provisional").sum()) if len(gaugings) else 0
    if count:
        out.append(_item("Provisional gaugings in all, waiting for a review", []) | {"count": count})
    return out


def _item(what: str, names: Names) -> dict[str, Any]:
    return {"what": what, "names": names[:MOST_NAMED], "more": max(len(names) - MOST_NAMED, 0), "count": len(names)}


def _named(codes: Iterable[str], address: Callable[[str], str]) -> Names:
    return [(code, address(code)) for code in codes]


def _kinds(view: View, gaugings: pd.DataFrame, findings: pd.DataFrame, site: str | None) -> list[tuple[str, Names]]:
    provisional = set(gaugings.loc[gaugings["status"] == "provisional", "gauging_id"])
    severity = findings["severity"] if len(findings) else pd.Series(dtype="str")
    unfit = findings["code"] == "meter-unfit" if len(findings) else severity == ""

    def of(chosen: pd.Series) -> set[str]:
        return set(findings.loc[chosen, "gauging_id"]) if len(findings) else set()

    def missing(column: str) -> set[str]:
        return set(gaugings.loc[gaugings[column].isna(), "gauging_id"])

    kinds = (
        ("Gaugings with an unusable finding, to be included, excluded or withdrawn", of(severity == "unusable")),
        ("Gaugings with a candidate that waits beside an approved revision", _candidates(view, gaugings)),
        (
            "Provisional gaugings with a suspect finding of their own, to be reviewed",
            of((severity == "suspect") & ~unfit) & provisional,
        ),
        ("Gaugings whose meter was found unfit and that nobody has reviewed", of(unfit) & provisional),
        ("Gaugings without a gauge height, which cannot speak to a rating", missing("gauge_height_m")),
        ("Gaugings without a discharge", missing("discharge_m3_s")),
    )
    named = [(what, _named(sorted(names), urls.gauging)) for what, names in kinds]
    return [*named, ("Meters whose newest check found them unfit", _unfit_meters(view, gaugings, site))]


def _candidates(view: View, gaugings: pd.DataFrame) -> set[str]:
    """Name gaugings of which a newer revision waits."""
    rows = newest_rows(view.every("gaugings", sorted(gaugings["site"].unique())))
    waiting = rows[rows["candidate"].fillna(False).astype("bool") & (rows["status"] == "provisional")]
    return set(waiting["gauging_id"]) & set(gaugings["gauging_id"])


def _unfit_meters(view: View, gaugings: pd.DataFrame, site: str | None) -> Names:
    checks = view.standing("checks")
    if checks.empty:
        return []
    newest = checks.sort_values("checked_at", kind="stable").drop_duplicates("instrument", keep="last")
    unfit = newest[newest["verdict"] == "unfit"]
    if site is not None:
        unfit = unfit[unfit["instrument"].isin(set(gaugings["instrument"].dropna()))]
    return [
        (f"{meter} ({at:%Y-%m-%d}: {why})", urls.meter(meter))
        for meter, at, why in zip(unfit["instrument"], unfit["checked_at"], unfit["reasons"], strict=True)
    ]
