"""What commands say in words, as documents for programs: the same facts, unrounded, by key.

docs/json.md names every key.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import pandas as pd

from stillwell.archive.archive import Archive
from stillwell.archive.at_commit import recorded_by
from stillwell.archive.tables.current_rows import newest_rows
from stillwell.reading.printed.commit_contents import check_rows, earlier_rows, taken_rows
from stillwell.reading.printed.json_values import rows_of
from stillwell.reading.printed.rendering import rendered_after
from stillwell.reading.printed.show import CAUTION, GRAVITY, gauging_rows_known, own_rows
from stillwell.reading.printed.summary import TakenLike
from stillwell.shared_types import Understood

Document = dict[str, Any]

FINDING = ("severity", "code", "message", "table", "key", "column", "value", "limit", "source")
_RETURNED = ("file", "line", "column", "gauging", "expected", "found", "consequence")


def taken_document(taken: TakenLike) -> Document:
    """Lay out what a batch of deposits came to.

    Parameters
    ----------
    taken : TakenLike

    Returns
    -------
    dict
        ``commit`` (None where nothing was new), ``deposits``, ``already_sealed``, ``rendered``, ``gaugings``,
        ``taken``, ``checks``, ``earlier_gaugings``, ``returned``, ``notes``.
    """
    deposits = [{"name": one.name, "deposit": one.digest, "kind": one.kind} for one in taken.deposits]
    known = [
        {"name": one.name, "deposit": one.digest, "kind": one.kind, "pages": taken.pages.get(one.digest, [])}
        for one in taken.known
    ]
    out: Document = {"commit": None, "deposits": deposits, "already_sealed": known, "taken": []}
    out["rendered"] = rendered_after([taken.rendered])
    if taken.prepared is None:
        return out | {"gaugings": [], "checks": [], "earlier_gaugings": [], "returned": [], "notes": []}
    names = {one.digest: one.name for one in taken.deposits}
    return out | {
        "commit": taken.entry.number if taken.entry else None,
        "gaugings": _gaugings(taken.prepared),
        "taken": taken_rows(taken.prepared.tables) if taken.entry else [],
        "checks": check_rows(taken.prepared.tables) if taken.entry else [],
        "earlier_gaugings": earlier_rows(taken.prepared.tables, taken.prepared.outcomes) if taken.entry else [],
        "returned": returned_rows(taken.prepared.problems, names),
        "notes": [
            {"deposit": names.get(note.deposit, note.deposit), "file": note.file, "note": note.note}
            for note in taken.prepared.notes.itertuples()
        ],
    }


def _gaugings(prepared: Any) -> list[Document]:
    rows = prepared.tables.get("gaugings")
    results = {} if rows is None else {(r.gauging_id, r.revision): r for r in rows.itertuples()}
    findings = prepared.tables.get("findings")
    grouped = {} if findings is None else dict(iter(findings.groupby(["gauging_id", "revision"])))
    out = []
    for outcome in prepared.outcomes.itertuples():
        key = (outcome.gauging_id, outcome.revision)
        made = results.get(key) if outcome.action in ("new", "revision") else None
        of_revision = grouped.get(key) if made is not None else None
        out.append(
            {
                "gauging_id": outcome.gauging_id,
                "label": outcome.gauging,
                "action": outcome.action,
                "revision": outcome.revision,
                "candidate": outcome.candidate,
                "discharge_m3_s": None if made is None else made.discharge_m3_s,
                "verticals": None if made is None else made.verticals,
                "findings": [] if of_revision is None else finding_rows(of_revision),
            }
        )
    return out


def finding_rows(findings: pd.DataFrame) -> list[Document]:
    """Lay out findings, the most severe first."""
    ordered = findings.sort_values("severity", key=lambda s: s.map(GRAVITY), kind="stable")
    return rows_of(ordered[list(FINDING)])


def returned_rows(problems: pd.DataFrame, names: Mapping[str, str]) -> list[Document]:
    """Lay out what is returned: where, what was expected, what was found, what happens now."""
    deposits = [{"deposit": names.get(digest, digest)} for digest in problems["deposit"]]
    return [one | row for one, row in zip(deposits, rows_of(problems[list(_RETURNED)]), strict=True)]


def preview_document(tables: Mapping[str, pd.DataFrame], understood: Understood, names: Mapping[str, str]) -> Document:
    """Lay out what a map makes of deposits: first rows of ``tables``, ``would_be_taken``, ``would_be_returned``."""
    shown = {name: rows_of(rows) for name, rows in tables.items()}
    taken = taken_rows(understood.tables, left_out=())
    return {"tables": shown, "would_be_taken": taken, "would_be_returned": returned_rows(understood.problems, names)}


def gauging_document(archive: Archive, gauging_id: str, as_of: Any = None, *, revisions: bool = False) -> Document:
    """Lay out a gauging as ``show_gauging`` writes it.

    Parameters
    ----------
    archive : Archive
    gauging_id : str
    as_of : datetime, optional
    revisions : bool

    Returns
    -------
    dict
        ``gauging_id``; ``standing``, a sheet or None; ``sheets``, one per revision where asked for; ``revisions``;
        ``caution``. A sheet holds ``gauging``, ``uncertainty_budget``, ``verticals`` and ``findings``.

    Raises
    ------
    QueryError
        If the archive holds no such gauging.
    """
    known, standing = gauging_rows_known(archive, gauging_id, as_of)
    then = archive.at(as_of)
    by_then = recorded_by(known, as_of)
    sheets = [_sheet(then, row) for _, row in newest_rows(by_then).iterrows()] if revisions else []
    columns = ["revision", "status", "candidate", "discharge_m3_s", "recorded_at", "revision_reason", "deposit"]
    return {
        "gauging_id": gauging_id,
        "standing": _sheet(then, standing.iloc[0]) if len(standing) else None,
        "sheets": sheets,
        "revisions": rows_of(known.sort_values(["revision", "recorded_at"])[columns]),
        "caution": CAUTION,
    }


def _sheet(archive: Archive, row: pd.Series) -> Document:
    return {
        "gauging": row.to_dict(),
        "uncertainty_budget": rows_of(own_rows(archive, "uncertainty_budget", row)),
        "verticals": rows_of(own_rows(archive, "verticals", row).sort_values("position_m")),
        "findings": finding_rows(own_rows(archive, "findings", row)),
    }


def derived_document(commits: list[int], sites: list[Document], left_out: list[Document], up_to_date: int) -> Document:
    """Lay out what a derivation changed.

    Parameters
    ----------
    commits : list of int
        Their numbers; none where every record was up to date.
    sites : list of dict
        As of ``derived_sites``.
    left_out : list of dict
        Sites of which no record is derived; ``site``, ``lacks`` and ``words``.
    up_to_date : int
        Records whose inputs are unchanged.

    Returns
    -------
    dict
        ``commits``, ``sites``, ``unrated`` (those of ``left_out`` with stage), ``left_out``, ``up_to_date``.
    """
    unrated = [one["site"] for one in left_out if "stage" not in one["lacks"]]
    document: Document = {"commits": commits, "sites": sites, "unrated": unrated, "left_out": left_out}
    return document | {"up_to_date": up_to_date}


def derived_sites(rows: Mapping[str, pd.DataFrame]) -> list[Document]:
    """Lay out what the rows of one commit of a derivation say of each of its sites."""
    return [_derived(site, rows) for site in sorted({str(site) for frame in rows.values() for site in frame["site"]})]


def _derived(site: str, rows: Mapping[str, pd.DataFrame]) -> Document:
    mine = {name: frame[frame["site"] == site] for name, frame in rows.items()}
    values, days, findings = (mine.get(name, pd.DataFrame()) for name in ("discharge", "daily", "series_doubts"))
    known = values["discharge_m3_s"].dropna() if len(values) else pd.Series(dtype="float64")
    marks = values["marks"].dropna().str.split("; ").explode() if len(values) else pd.Series(dtype="str")
    return {
        "site": site,
        "values": len(values),
        "with_discharge": len(known),
        "from": values["time"].min() if len(values) else None,
        "to": values["time"].max() if len(values) else None,
        "greatest_m3_s": known.max() if len(known) else None,
        "marks": {str(mark): int(count) for mark, count in marks.value_counts().sort_index().items()},
        "days": len(days),
        "days_with_mean": int(days["mean_m3_s"].notna().sum()) if len(days) else 0,
        "doubts": [
            {
                "severity": same.iloc[0]["severity"],
                "code": code,
                "count": len(same),
                "first_from": same.iloc[0]["from"],
                "first_message": same.iloc[0]["message"],
            }
            for code, same in (findings.groupby("code", sort=True) if len(findings) else ())
        ],
    }
