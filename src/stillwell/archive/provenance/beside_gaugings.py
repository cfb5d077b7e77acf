"""Provenance of stage, corrections, conditions, ratings and shifts that a commit took in.

One entity stands for all rows that one deposit gives of a site, sensor or rating, never for a single value: its label
gives the span, and it is derived from the lines of the deposit.
"""

from __future__ import annotations

from collections.abc import Mapping

import pandas as pd

from stillwell.archive.ledger.entries import utc_text
from stillwell.archive.provenance.line_ranges import places
from stillwell.archive.provenance.mapping import ADOPTION, HANDED_IN, Document, Kind, relate
from stillwell.archive.provenance.names import handed_in_name, safe
from stillwell.intake.values.one_value import only_value


def add_recorded(document: Document, tables: Mapping[str, pd.DataFrame]) -> None:
    """Add entities of the stage, corrections, conditions, ratings and shifts in the rows of a commit.

    Parameters
    ----------
    document : dict
        PROV-JSON by section; added to.
    tables : mapping of str to DataFrame
        Rows of the commit.
    """
    for table, kind in HANDED_IN.items():
        if kind is not ADOPTION and table in tables:
            _add(document, kind, with_sensor(tables[table]))
    _add_ratings(document, tables)


def with_sensor(rows: pd.DataFrame) -> pd.DataFrame:
    """Replace the missing name of a site's only sensor by an empty text."""
    return rows.assign(sensor=rows["sensor"].fillna("")) if "sensor" in rows and rows["sensor"].isna().any() else rows


def handed_in_names(table: str, rows: pd.DataFrame) -> set[str]:
    """Name the entities that rows of a table of ``HANDED_IN`` belong to; they need its key and ``deposit``."""
    kind = HANDED_IN[table]
    pairs = with_sensor(rows)[[*kind.key, "deposit"]].drop_duplicates().to_numpy(dtype=object).tolist()
    return {handed_in_name(kind.prefix, tuple(map(str, key)), str(deposit)) for *key, deposit in pairs}


def _add(document: Document, kind: Kind, rows: pd.DataFrame) -> None:
    lines, spans = places(rows, [*kind.key, "deposit"]), _spans(rows, kind)
    for (*parts, deposit), (since, until, count) in spans.items():
        of = ", sensor ".join(part for part in parts if part)
        extent = f"{short(since)} to {short(until)}" if since != until else short(since)
        about = {
            "prov:label": f"{count} {kind.words[count > 1]} of {of}, {extent}",
            "said:from": utc_text(since),
            "said:to": utc_text(until),
            **{f"said:{name}": part for name, part in zip(kind.key, parts, strict=True)},
        }
        name = handed_in_name(kind.prefix, tuple(parts), deposit)
        document["entity"][name] = about
        _stands_on(document, name, deposit, lines.get((*parts, deposit), []))


def _spans(rows: pd.DataFrame, kind: Kind) -> dict[tuple[str, ...], tuple[pd.Timestamp, pd.Timestamp, int]]:
    """Find the first and last moment and the number of rows of each key and deposit."""
    key, until = [*kind.key, "deposit"], kind.until or kind.since
    if len(rows) and all(only_value(rows[name]) is not None for name in key):
        span = rows[kind.since].min(), rows[until].max(), len(rows)
        return {tuple(map(str, rows[key].iloc[0])): span}
    groups = rows.groupby(key, sort=True)
    first, last, count = groups[kind.since].min(), groups[until].max(), groups.size()
    keys = [tuple(map(str, key)) for key in first.index]
    return dict(zip(keys, zip(first, last, count.tolist(), strict=True), strict=True))


def _add_ratings(document: Document, tables: Mapping[str, pd.DataFrame]) -> None:
    """Add each rating as adopted by a deposit, from its row and segments, and the rating it is a state of."""
    lines: dict[tuple[str, str], list[str]] = {}
    for table in (table for table, kind in HANDED_IN.items() if kind is ADOPTION):
        for (rating, deposit), texts in places(tables.get(table), ["rating", "deposit"]).items():
            lines.setdefault((str(rating), str(deposit)), []).extend(texts)
    rows = tables.get("ratings")
    heads = {} if rows is None else {(row["rating"], row["deposit"]): row for row in rows.to_dict("records")}
    for (rating, deposit), texts in lines.items():
        name, general = handed_in_name(ADOPTION.prefix, (rating,), deposit), f"rating:{safe(rating)}"
        about = {"prov:label": f"segments of {rating}", "said:rating": rating}
        row = heads.get((rating, deposit))
        if row is not None:
            since = row["valid_from"]
            about["prov:label"] = f"{rating} of {row['site']}, valid from {short(since)}, adopted by {row['by']}"
            about |= {"dcterms:description": row["reason"], "said:site": row["site"], "said:from": utc_text(since)}
        document["entity"][name] = about
        document["entity"].setdefault(general, {"prov:label": rating})
        fitted = None if row is None else row.get("gaugings")
        _fitted_to(document, name, "" if pd.isna(fitted) else str(fitted))
        relate(document, "specializationOf", f"of-{tag(name)}", name, general)
        _stands_on(document, name, deposit, texts)


def _fitted_to(document: Document, name: str, gaugings: str) -> None:
    """Add the revisions of gaugings that a rating says it was fitted to."""
    for written in filter(None, gaugings.split("; ")):
        gauging, _, revision = written.rpartition("/")
        relation = f"fitted-{tag(name)}-{safe(gauging)}~{safe(revision)}"
        relate(document, "wasDerivedFrom", relation, name, f"gauging:{safe(gauging)}/{safe(revision)}")


def _stands_on(document: Document, name: str, deposit: str, lines: list[str]) -> None:
    stands = {"said:row": lines} if lines else {}
    relate(document, "wasDerivedFrom", f"from-{tag(name)}", name, f"deposit:{deposit}", **stands)


def tag(name: str) -> str:
    """Rewrite the name of an entity for use within the name of a relation."""
    return name.replace(":", "-", 1).replace("/", "~")


def short(moment: pd.Timestamp) -> str:
    """Write a moment, leaving out seconds and fractions of a second that are zero."""
    text = utc_text(moment).removesuffix("Z")
    for tail in (".000000", ":00"):
        text = text.removesuffix(tail) if len(text) > len("2025-01-01T00:00") else text
    return f"{text}Z"
