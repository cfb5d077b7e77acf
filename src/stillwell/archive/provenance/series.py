"""What a commit took beside gaugings, told in its provenance: stage, corrections, conditions, ratings, shifts.

One entity for what one deposit says of a site, sensor or rating, never one for a value: its label tells the span, and
it is derived from the lines of the deposit it stands on.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import pandas as pd

from stillwell.archive.ledger.entries import utc_text
from stillwell.archive.provenance.line_ranges import places
from stillwell.archive.provenance.names import handed_in_name, safe
from stillwell.intake.values.constant import only_value


@dataclass(frozen=True)
class Kind:
    """How rows of a table are told: prefix of their name, what they are called, their key, and their span."""

    prefix: str
    words: tuple[str, str]
    """What one row is called, and several."""
    key: tuple[str, ...]
    since: str
    until: str = ""
    """Column of the end of a row's span; empty where rows are moments."""


KINDS = {
    "stage": Kind("series", ("value of stage", "values of stage"), ("site", "sensor"), "time"),
    "corrections": Kind("correction", ("correction", "corrections"), ("site", "sensor"), "from", "to"),
    "conditions": Kind("condition", ("condition", "conditions"), ("site",), "from", "to"),
    "shifts": Kind("shift", ("shift", "shifts"), ("rating",), "from"),
}
"""By table; ratings are told by ``_add_ratings``."""

RATING = ("ratings", "rating_segments")


def add_recorded(document: dict[str, Any], tables: Mapping[str, pd.DataFrame]) -> None:
    """Add what the rows of a commit say of stage, corrections, conditions, ratings and shifts.

    Parameters
    ----------
    document : dict
        PROV-JSON by section; added to.
    tables : mapping of str to DataFrame
        Rows of the commit.
    """
    for table, kind in KINDS.items():
        if table in tables:
            _add(document, kind, with_sensor(tables[table]))
    _add_ratings(document, tables)


def with_sensor(rows: pd.DataFrame) -> pd.DataFrame:
    """Write the site's only sensor, which is blank, as an empty word."""
    return rows.assign(sensor=rows["sensor"].fillna("")) if "sensor" in rows and rows["sensor"].isna().any() else rows


def _add(document: dict[str, Any], kind: Kind, rows: pd.DataFrame) -> None:
    lines, spans = places(rows, [*kind.key, "deposit"]), _spans(rows, kind)
    for (*parts, deposit), (since, until, count) in spans.items():
        said = dict(zip(kind.key, parts, strict=True))
        of = ", sensor ".join(part for part in parts if part)
        extent = f"{short(since)} to {short(until)}" if since != until else short(since)
        about = {
            "prov:label": f"{count} {kind.words[count > 1]} of {of}, {extent}",
            "said:from": utc_text(since),
            "said:to": utc_text(until),
            **{f"said:{name}": part for name, part in said.items()},
        }
        name = handed_in_name(kind.prefix, tuple(parts), deposit)
        document["entity"][name] = about
        _stands_on(document, name, deposit, lines.get((*parts, deposit), []))


def _spans(rows: pd.DataFrame, kind: Kind) -> dict[tuple[str, ...], tuple[pd.Timestamp, pd.Timestamp, int]]:
    """Find the first and last moment and the number of rows of each key and deposit."""
    key, until = [*kind.key, "deposit"], kind.until or kind.since
    if len(rows) and all(only_value(rows[name]) is not None for name in key):
        said = rows[kind.since].min(), rows[until].max(), len(rows)
        return {tuple(map(str, rows[key].iloc[0])): said}
    groups = rows.groupby(key, sort=True)
    first, last, count = groups[kind.since].min(), groups[until].max(), groups.size()
    keys = [tuple(map(str, key)) for key in first.index]
    return dict(zip(keys, zip(first, last, count.tolist(), strict=True), strict=True))


def _add_ratings(document: dict[str, Any], tables: Mapping[str, pd.DataFrame]) -> None:
    """Add each rating as a deposit lays it down, its row and its segments, and the rating that it is a state of."""
    lines: dict[tuple[str, str], list[str]] = {}
    for table in RATING:
        for (rating, deposit), found in places(tables.get(table), ["rating", "deposit"]).items():
            lines.setdefault((str(rating), str(deposit)), []).extend(found)
    rows = tables.get("ratings")
    heads = {} if rows is None else {(row["rating"], row["deposit"]): row for row in rows.to_dict("records")}
    for (rating, deposit), found in lines.items():
        name, general = handed_in_name("adoption", (rating,), deposit), f"rating:{safe(rating)}"
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
        of = {"prov:specificEntity": name, "prov:generalEntity": general}
        document.setdefault("specializationOf", {})[f"_:of-{tag(name)}"] = of
        _stands_on(document, name, deposit, found)


def _fitted_to(document: dict[str, Any], name: str, gaugings: str) -> None:
    """Add the revisions of gaugings that a rating says it was fitted to."""
    for written in filter(None, gaugings.split("; ")):
        gauging, _, revision = written.rpartition("/")
        source = {"prov:generatedEntity": name, "prov:usedEntity": f"gauging:{safe(gauging)}/{safe(revision)}"}
        document["wasDerivedFrom"][f"_:fitted-{tag(name)}-{safe(gauging)}~{safe(revision)}"] = source


def _stands_on(document: dict[str, Any], name: str, deposit: str, lines: list[str]) -> None:
    source: dict[str, Any] = {"prov:generatedEntity": name, "prov:usedEntity": f"deposit:{deposit}"}
    document["wasDerivedFrom"][f"_:from-{tag(name)}"] = source | ({"said:row": lines} if lines else {})


def tag(name: str) -> str:
    """Write a name so that it can stand in the name of a relation."""
    return name.replace(":", "-", 1).replace("/", "~")


def short(moment: pd.Timestamp) -> str:
    """Write a moment without what is zero after its minutes."""
    text = utc_text(moment).removesuffix("Z")
    for tail in (".000000", ":00"):
        text = text.removesuffix(tail) if len(text) > len("2025-01-01T00:00") else text
    return f"{text}Z"
