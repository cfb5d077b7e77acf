"""From a daily mean or one discharge down to bytes: the record of its commit, rating, shifts, lines of stage.

What a record rests on is read out of provenance documents. Only the figures themselves and the lines on which the
stage of the moment or day stands are read from tables.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Any

import pandas as pd

from stillwell.archive.archive import Archive
from stillwell.archive.ledger.entries import utc_text
from stillwell.archive.provenance.line_ranges import places
from stillwell.archive.provenance.mapping import GAP, USED
from stillwell.archive.provenance.names import DIGITS
from stillwell.archive.provenance.series import short, with_sensor
from stillwell.archive.provenance.sources import commit_at
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
"""Columns told of a figure: what they are called, and their unit."""
WORDS = {"rating": "rating", "sensor": "sensor", "marks": "marks"}
DISCHARGE = (
    "time", "sensor", "stage_m", "shift_m", "rating", "discharge_m3_s", "uncertainty_m3_s", "marks", "revision",
    "recorded_at",
)  # fmt: skip
WITHIN, BESIDE = "stands on", "joined at its ends to"
"""How stage rests on its lines: within a figure's moments, and next to them."""
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
    said = _document(archive, number)
    values = _values(archive, figure, _bridged_s(said) if figure.table == "daily" else 0.0)
    supplied = _supplied(figure, _stage(archive, figure, values))
    facts, told = _facts(archive, figure, number, said, {series for series, *_ in supplied}, values)
    record = _record_id(figure, number)
    facts.tell(figure.root, figure.label, _details(figure))
    if told:
        facts.links.append((figure.root, record, "row of", number))
    for series, deposit, text, relation in supplied:
        start = series if series in facts.recorded else figure.root
        facts.links.append((start, add_lines(facts, deposit, text), relation, facts.recorded.get(start, number)))
    remarks = [] if told else [f"commit {number} does not tell what its records rest on"]
    return back(archive, facts, subject, figure.root, remarks)


def _record_id(figure: Figure, number: int) -> str:
    return parted("record", figure.site, str(number), figure.table)


def _document(archive: Archive, number: int) -> dict[str, Any]:
    """Read the provenance document of a commit, empty where it has none."""
    there = [n for n in numbers(archive) if n == number]
    return next((said for _, said in documents(archive, there)), {})


def _bridged_s(said: Mapping[str, Mapping[str, Any]]) -> float:
    """Return the longest gap a derivation bridged, in s."""
    return max((float(activity.get(GAP, 0.0)) for activity in said.get("activity", {}).values()), default=0.0)


def _supplied(figure: Figure, stage: pd.DataFrame) -> list[tuple[str, str, str, str]]:
    """Say which series stands on which lines of which deposit, within a figure's moments and next to them."""
    found = []
    for relation, rows in ((WITHIN, stage[~stage["beside"]]), (BESIDE, stage[stage["beside"]])):
        for (sensor, deposit), lines in places(rows, ["sensor", "deposit"]).items():
            series = parted("series", figure.site, str(sensor), str(deposit)[:DIGITS])
            found += [(series, str(deposit), text, relation) for text in lines]
    return found


def _figure(archive: Archive, subject: str) -> Figure:
    if found := _DAY.fullmatch(subject):
        return _day(archive, *found.groups())
    found = _MOMENT.fullmatch(subject)
    if found is None:
        msg = f"expected SITE/DAY or SITE@TIME, found {harmless(subject)!r}"
        raise QueryError(msg)
    return _moment(archive, *found.groups())


def _day(archive: Archive, site: str, day: str) -> Figure:
    kept = archive.read("daily", [site])
    _refuse_unknown(kept, site)
    rows = kept[kept["day"] == day].sort_values("revision", kind="stable")
    if rows.empty:
        msg = (
            f"expected a day of the record of {harmless(site)}, {kept['day'].min()} to {kept['day'].max()}; found {day}"
        )
        raise QueryError(msg)
    told: tuple[Any, ...] = tuple(rows.to_dict("records"))
    since, until = told[-1]["starts_at"], told[-1]["ends_at"]
    return Figure(site, "daily", parted("day", site, day), f"of {day} at {site}", since, until, told)


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
    kept = archive.read("discharge", [site], DISCHARGE)
    _refuse_unknown(kept, site)
    rows = kept[(kept["time"] == at).to_numpy()].sort_values("revision", kind="stable")
    if rows.empty:
        times = kept["time"]
        near = [times[times < at].max(), times[times > at].min()]
        said = " and ".join(short(one) for one in near if not pd.isna(one))
        msg = f"expected a moment of the record of {harmless(site)}, found none at {short(at)}; nearest: {said}"
        raise QueryError(msg)
    told: tuple[Any, ...] = tuple(rows.to_dict("records"))
    root = f"value:{parted('', site)[1:]}@{short(at)}"
    return Figure(site, "discharge", root, f"of {short(at)} at {site}", at, at + pd.Timedelta(microseconds=1), told)


def _refuse_unknown(rows: pd.DataFrame, site: str) -> None:
    if rows.empty:
        msg = f"expected a site with a derived record, found none at {harmless(site)!r}"
        raise QueryError(msg)


def _details(figure: Figure) -> Iterator[tuple[str, str]]:
    """Say what the figure is, and what it was before."""
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

    ``beside`` are values before and after it to which a line from its own, or across it, was drawn.
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
    beside = rows["time"].isin(near)
    return rows[inside | beside].assign(beside=beside)


def _stage(archive: Archive, figure: Figure, values: pd.DataFrame) -> pd.DataFrame:
    """Read the rows of stage that these values came from."""
    margin = max(figure.since - values["time"].min(), values["time"].max() - figure.until) if len(values) else NO_TIME
    rows = with_sensor(archive.read("stage", [figure.site], STAGE))
    rows = _then(rows, figure, ["sensor", "time"], max(margin, NO_TIME))
    return rows.merge(values[["sensor", "time", "beside"]], on=["sensor", "time"])


def _then(rows: pd.DataFrame, figure: Figure, key: list[str], margin: pd.Timedelta) -> pd.DataFrame:
    """Pick the rows of a figure's moments and around them that stood when its newest revision was derived."""
    near = (rows["time"] >= figure.since - margin) & (rows["time"] <= figure.until + margin)
    rows = rows[(near & (rows["recorded_at"] <= figure.rows[-1]["recorded_at"])).to_numpy()]
    return rows.sort_values("revision", kind="stable").drop_duplicates(key, keep="last").sort_values(key)


def _facts(
    archive: Archive,
    figure: Figure,
    number: int,
    said: Mapping[str, Mapping[str, Any]],
    supplied: set[str],
    values: pd.DataFrame,
) -> tuple[Facts, bool]:
    """Gather what a figure rests on, out of all that its record does, and say whether the record is told."""
    record, first = _record_id(figure, number), Facts()
    add_document(first, number, said)
    ends = {end for start, end, _, _ in first.links if start == record}
    if not ends:
        return Facts(), False
    facts = gathered(archive, {end for end in ends if not end.startswith("series:") or end in supplied})
    add_document(facts, number, said)
    reach = replace(
        figure,
        since=min([figure.since, *values["time"]]),
        until=max([figure.until, *(values["time"] + pd.Timedelta(microseconds=1))]),
    )
    kept = _acting(facts, reach, ends, supplied, values)
    facts.links = [
        link
        for link in facts.links
        if not (link[0] == record and link[1].partition(":")[0] in USED and link[1] not in kept)
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
    facts.tell(record, node.label, node.details)


def _acting(facts: Facts, figure: Figure, ends: set[str], supplied: set[str], values: pd.DataFrame) -> set[str]:
    """Pick what bears on a figure: its series, ratings by name, corrections, conditions and shifts by their spans."""
    ratings = {f"rating:{name}" for name in values["rating"].dropna()}
    sensors = {sensor_id(figure.site, sensor) for sensor in values["sensor"]}
    of = {start: end for start, end, relation, _ in facts.links if relation in ("a state of", "shifts", "corrects")}
    spans = {name: facts.spans.get(name, ("", "")) for name in ends}
    kept = {name for name in ends if name in supplied or name.startswith("site:") or of.get(name) in ratings}
    kept -= _idle_shifts(figure, {name: spans[name] for name in kept if name.startswith("shift:")}, of)
    corrected = {name for name in ends if name.startswith("correction:") and of.get(name) in sensors}
    spanning = corrected | {name for name in ends if name.startswith("condition:")}
    return kept | {name for name in spanning if figure.acts(*spans[name])}


def _idle_shifts(figure: Figure, spans: Mapping[str, tuple[str, str]], of: Mapping[str, str]) -> set[str]:
    """Pick the sets of shifts that hold neither a moment within, nor the last before, nor the first after."""
    since, until = utc_text(figure.since), utc_text(figure.until)
    idle = set()
    for rating in {of[name] for name in spans}:
        mine = {name: span for name, span in spans.items() if of[name] == rating}
        before = [last if last <= since else first for first, last in mine.values() if first <= since]
        after = [first if first >= until else last for first, last in mine.values() if last >= until]
        low, high = max(before, default=since), min(after, default=until)
        idle |= {name for name, (first, last) in mine.items() if last < low or first > high}
    return idle
