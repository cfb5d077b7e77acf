"""Traces a daily mean or one discharge back to sealed bytes: record, rating, shifts, lines of stage.

What a record rests on comes from provenance documents. Only the figures themselves and the lines that hold the stage
of the moment or day are read from tables.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Any

import pandas as pd

from stillwell.archive.archive import Archive
from stillwell.archive.at_commit import commit_at, recorded_by
from stillwell.archive.ledger.entries import utc_text
from stillwell.archive.provenance.beside_gaugings import short, with_sensor
from stillwell.archive.provenance.line_ranges import places
from stillwell.archive.provenance.mapping import GAP, USED
from stillwell.archive.provenance.names import DIGITS
from stillwell.archive.tables.current_rows import newest_revisions
from stillwell.errors import QueryError
from stillwell.reading.trace.documents import add_document, add_lines, documents, numbers
from stillwell.reading.trace.graph import REPLACED, Facts, Trace, harmless
from stillwell.reading.trace.names import parted
from stillwell.reading.trace.series import sensor_id
from stillwell.reading.trace.walk import back, gathered

_DAY = re.compile(r"(.+)[ /](\d{4}-\d{2}-\d{2})", re.DOTALL)
_MOMENT = re.compile(r"(.+)@(\d{4}-\d{2}-\d{2}[T ].*)", re.DOTALL)

NUMBERS = {
    "mean_m3_s": ("mean", "m3/s"),
    "discharge_m3_s": ("discharge", "m3/s"),
    "uncertainty_m3_s": ("uncertainty, 95 % (k = 2)", "m3/s"),
    "minimum_m3_s": ("minimum", "m3/s"),
    "maximum_m3_s": ("maximum", "m3/s"),
    "stage_m": ("stage, corrected", "m"),
    "shift_m": ("shift", "m"),
    "share_known": ("share known", ""),
    "largest_gap_s": ("largest gap", "s"),
    "values": ("values", ""),
}
"""Columns shown of a figure: label and unit."""
WORDS = {"rating": "rating", "sensor": "sensor", "marks": "marks"}
DISCHARGE = (
    "time", "sensor", "stage_m", "shift_m", "rating", "discharge_m3_s", "uncertainty_m3_s", "marks", "revision",
    "recorded_at",
)  # fmt: skip
WITHIN, JOINED = "stands on", "joined at its ends to"
"""Relation of stage to its lines: within a figure's moments, and next to them."""
NO_TIME = pd.Timedelta(0)
STAGE = ("sensor", "time", "deposit", "row_file", "row_line", "revision", "recorded_at")


@dataclass(frozen=True)
class Figure:
    """A figure of a record: where it stands, the moments ``[since, until)`` it tells of, and its rows by revision."""

    site: str
    table: str
    root: str
    label: str
    since: pd.Timestamp
    until: pd.Timestamp
    rows: tuple[Mapping[str, Any], ...]
    """Oldest revision first; the last one stands."""

    def acts(self, since: str, until: str) -> bool:
        """Return whether a half-open span of two texts meets the figure's moments."""
        return since < utc_text(self.until) and until > utc_text(self.since)


def is_figure(subject: str) -> bool:
    """Return whether a subject is written as a day or a moment at a site."""
    return bool(_DAY.fullmatch(subject) or _MOMENT.fullmatch(subject))


def trace_figure(archive: Archive, subject: str) -> Trace:
    """Trace a daily mean, ``SITE/2025-05-01``, or one discharge, ``SITE@2025-05-01T12:00Z``, back to bytes.

    Parameters
    ----------
    archive : Archive
    subject : str
        A space may stand for the ``/``.

    Returns
    -------
    Trace

    Raises
    ------
    QueryError
        If there is no such site, day or moment in a record.
    ArchiveDamaged
        If a provenance document or a sealed deposit on the way is not as it was written.
    """
    figure = _figure(archive, subject)
    number = commit_at(archive.ledger, figure.rows[-1]["recorded_at"])
    document = _document(archive, number)
    values = _values(archive, figure, _bridged_s(document) if figure.table == "daily" else 0.0)
    supplied = _supplied(figure, _stage(archive, figure, values))
    facts, recorded = _facts(archive, figure, number, document, {series for series, *_ in supplied}, values)
    record = _record_id(figure, number)
    facts.describe(figure.root, figure.label, _details(figure))
    if recorded:
        facts.links.append((figure.root, record, "row of", number))
    for series, deposit, text, relation in supplied:
        start = series if series in facts.recorded else figure.root
        facts.links.append((start, add_lines(facts, deposit, text), relation, facts.recorded.get(start, number)))
    notes = [] if recorded else [f"commit {number} does not tell what its records rest on"]
    return back(archive, facts, subject, figure.root, notes)


def _record_id(figure: Figure, number: int) -> str:
    return parted("record", figure.site, str(number), figure.table)


def _document(archive: Archive, number: int) -> dict[str, Any]:
    """Read the provenance document of a commit, empty where it has none."""
    listed = [n for n in numbers(archive) if n == number]
    return next((document for _, document in documents(archive, listed)), {})


def _bridged_s(document: Mapping[str, Mapping[str, Any]]) -> float:
    """Return the longest gap a derivation bridged, in s."""
    return max((float(activity.get(GAP, 0.0)) for activity in document.get("activity", {}).values()), default=0.0)


def _supplied(figure: Figure, stage: pd.DataFrame) -> list[tuple[str, str, str, str]]:
    """Return each series with its deposit, lines and relation, within a figure's moments and next to them."""
    supplied = []
    for relation, rows in ((WITHIN, stage[~stage["joined"]]), (JOINED, stage[stage["joined"]])):
        for (sensor, deposit), lines in places(rows, ["sensor", "deposit"]).items():
            series = parted("series", figure.site, str(sensor), str(deposit)[:DIGITS])
            supplied += [(series, str(deposit), text, relation) for text in lines]
    return supplied


def _figure(archive: Archive, subject: str) -> Figure:
    if match := _DAY.fullmatch(subject):
        return _day(archive, *match.groups())
    match = _MOMENT.fullmatch(subject)
    if match is None:
        msg = f"expected SITE/DAY or SITE@TIME, found {harmless(subject)!r}"
        raise QueryError(msg)
    return _moment(archive, *match.groups())


def _day(archive: Archive, site: str, day: str) -> Figure:
    days = archive.read("daily", [site])
    _refuse_unknown(days, site)
    rows = days[days["day"] == day].sort_values("revision", kind="stable")
    if rows.empty:
        msg = (
            f"expected a day of the record of {harmless(site)}, {days['day'].min()} to {days['day'].max()}; found {day}"
        )
        raise QueryError(msg)
    revisions: tuple[Any, ...] = tuple(rows.to_dict("records"))
    since, until = revisions[-1]["starts_at"], revisions[-1]["ends_at"]
    return Figure(site, "daily", parted("day", site, day), f"of {day} at {site}", since, until, revisions)


def _moment(archive: Archive, site: str, text: str) -> Figure:
    try:
        moment = datetime.fromisoformat(text)
    except ValueError as error:
        msg = f"expected a time as in 2025-05-01T12:00Z, found {harmless(text)!r}"
        raise QueryError(msg) from error
    if moment.tzinfo is None:
        msg = f"expected a time with its offset from UTC, as in {harmless(text)}Z; found none"
        raise QueryError(msg)
    at = pd.Timestamp(moment).tz_convert("UTC").as_unit("us")
    values = archive.read("discharge", [site], DISCHARGE)
    _refuse_unknown(values, site)
    rows = values[(values["time"] == at).to_numpy()].sort_values("revision", kind="stable")
    if rows.empty:
        times = values["time"]
        near = [times[times < at].max(), times[times > at].min()]
        nearest = " and ".join(short(one) for one in near if not pd.isna(one))
        msg = f"expected a moment of the record of {harmless(site)}, found none at {short(at)}; nearest: {nearest}"
        raise QueryError(msg)
    revisions: tuple[Any, ...] = tuple(rows.to_dict("records"))
    root = f"value:{parted('', site)[1:]}@{short(at)}"
    return Figure(
        site, "discharge", root, f"of {short(at)} at {site}", at, at + pd.Timedelta(microseconds=1), revisions
    )


def _refuse_unknown(rows: pd.DataFrame, site: str) -> None:
    if rows.empty:
        msg = f"expected a site with a derived record, found none at {harmless(site)!r}"
        raise QueryError(msg)


def _details(figure: Figure) -> Iterator[tuple[str, str]]:
    """Return the values of the figure, and those of earlier revisions."""
    stands = figure.rows[-1]
    for column, (word, unit) in NUMBERS.items():
        if column in stands:
            yield word, _number(stands[column], unit)
    if figure.table == "daily":
        yield from (("from", utc_text(figure.since)), ("to", utc_text(figure.until)))
    yield from ((word, str(stands[name])) for name, word in WORDS.items() if not pd.isna(stands.get(name)))
    yield "revision", str(stands["revision"])
    main, unit = ("mean_m3_s" if figure.table == "daily" else "discharge_m3_s"), "m3/s"
    for row in figure.rows[:-1]:
        yield f"revision {row['revision']}", f"{_number(row[main], unit)}, recorded at {utc_text(row['recorded_at'])}"


def _number(value: Any, unit: str) -> str:
    """Write a number as it is stored."""
    if pd.isna(value):
        return "missing"
    return f"{float(value)!r} {unit}" if unit else f"{value}"


def _values(archive: Archive, figure: Figure, bridged_s: float) -> pd.DataFrame:
    """Read which sensor and rating gave the values of a figure, as they stood when it was derived.

    ``joined`` are values before and after it to which a line from its own, or across it, was drawn.
    """
    names = ["time", "sensor", "rating", "discharge_m3_s", "revision", "recorded_at"]
    rows = with_sensor(archive.read("discharge", [figure.site], names))
    rows = _then(rows, figure, ["time"], pd.Timedelta(seconds=bridged_s))
    inside = (rows["time"] >= figure.since) & (rows["time"] < figure.until)
    known = rows.loc[rows["discharge_m3_s"].notna(), "time"]
    own = known[inside]
    before, after = known[known < figure.since].max(), known[known >= figure.until].min()
    first, last = (own.min(), own.max()) if len(own) else (after, before)
    near = []
    if first > figure.since and (first - before).total_seconds() <= bridged_s:
        near.append(before)
    if (after - last).total_seconds() <= bridged_s:
        near.append(after)
    joined = rows["time"].isin(near)
    return rows[inside | joined].assign(joined=joined)


def _stage(archive: Archive, figure: Figure, values: pd.DataFrame) -> pd.DataFrame:
    """Read the rows of stage that these values came from."""
    margin = max(figure.since - values["time"].min(), values["time"].max() - figure.until) if len(values) else NO_TIME
    rows = with_sensor(archive.read("stage", [figure.site], STAGE))
    rows = _then(rows, figure, ["sensor", "time"], max(margin, NO_TIME))
    return rows.merge(values[["sensor", "time", "joined"]], on=["sensor", "time"])


def _then(rows: pd.DataFrame, figure: Figure, key: list[str], margin: pd.Timedelta) -> pd.DataFrame:
    """Pick the rows of a figure's moments and around them that stood when its newest revision was derived."""
    near = (rows["time"] >= figure.since - margin) & (rows["time"] <= figure.until + margin)
    rows = recorded_by(rows[near.to_numpy(dtype=bool)], figure.rows[-1]["recorded_at"]).reset_index(drop=True)
    return newest_revisions(rows, key).sort_values(key)


def _facts(
    archive: Archive,
    figure: Figure,
    number: int,
    document: Mapping[str, Mapping[str, Any]],
    supplied: set[str],
    values: pd.DataFrame,
) -> tuple[Facts, bool]:
    """Collect what a figure rests on, of all its record does, and whether the document describes the record."""
    record, first = _record_id(figure, number), Facts()
    add_document(first, number, document)
    ends = {end for start, end, _, _ in first.links if start == record}
    if not ends:
        return Facts(), False
    facts = gathered(archive, {end for end in ends if not end.startswith("series:") or end in supplied})
    add_document(facts, number, document)
    reach = replace(
        figure,
        since=min([figure.since, *values["time"]]),
        until=max([figure.until, *(values["time"] + pd.Timedelta(microseconds=1))]),
    )
    acting = _acting(facts, reach, ends, supplied, values)
    facts.links = [
        link
        for link in facts.links
        if not (link[0] == record and link[1].partition(":")[0] in USED and link[1] not in acting)
        and not (link[0] in supplied and link[2] == "stands on")
    ]
    for _, before, _, _ in [link for link in facts.aside if link[0] == record and link[2] == REPLACED]:
        _tell_before(archive, facts, before)
    return facts, True


def _tell_before(archive: Archive, facts: Facts, record: str) -> None:
    """Describe a record that was replaced, without what it rests on."""
    alone, number = Facts(), int(record.rsplit("/", 2)[1])
    add_document(alone, number, _document(archive, number))
    node = alone.node(record)
    facts.describe(record, node.label, node.details)


def _acting(facts: Facts, figure: Figure, ends: set[str], supplied: set[str], values: pd.DataFrame) -> set[str]:
    """Return the entities that act on a figure, of all that its record used.

    Series and the site always act; a rating where a value was computed with it; corrections, conditions and shifts
    where their spans meet the moments of the figure.
    """
    # a document names the span of a whole deposit, so a set may act on the record and not on this figure
    ratings = {f"rating:{name}" for name in values["rating"].dropna()}
    sensors = {sensor_id(figure.site, sensor) for sensor in values["sensor"]}
    of = {start: end for start, end, relation, _ in facts.links if relation in ("a state of", "shifts", "corrects")}
    spans = {name: facts.spans.get(name, ("", "")) for name in ends}
    acting = {name for name in ends if name in supplied or name.startswith("site:") or of.get(name) in ratings}
    acting -= _idle_shifts(figure, {name: spans[name] for name in acting if name.startswith("shift:")}, of)
    corrected = {name for name in ends if name.startswith("correction:") and of.get(name) in sensors}
    spanning = corrected | {name for name in ends if name.startswith("condition:")}
    return acting | {name for name in spanning if figure.acts(*spans[name])}


def _idle_shifts(figure: Figure, spans: Mapping[str, tuple[str, str]], of: Mapping[str, str]) -> set[str]:
    """Return the sets of shifts without a moment within the figure and without the last before or first after it."""
    since, until = utc_text(figure.since), utc_text(figure.until)
    idle = set()
    for rating in {of[name] for name in spans}:
        mine = {name: span for name, span in spans.items() if of[name] == rating}
        before = [last if last <= since else first for first, last in mine.values() if first <= since]
        after = [first if first >= until else last for first, last in mine.values() if last >= until]
        low, high = max(before, default=since), min(after, default=until)
        idle |= {name for name, (first, last) in mine.items() if last < low or first > high}
    return idle
