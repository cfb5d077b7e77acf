"""Traces a daily mean or one discharge back to what it rests on: record, rating, shifts, lines of stage.

What a commit derived, and of what, comes from its provenance document; which of that acts on the moments of a figure,
its numbers, and the lines that hold its stage come from the rows that stood when it was derived.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

import pandas as pd

from stillwell.archive.archive import Archive
from stillwell.archive.at_commit import commit_at
from stillwell.archive.ledger.entries import utc_text
from stillwell.archive.provenance.beside_gaugings import short, with_sensor
from stillwell.archive.provenance.line_ranges import places
from stillwell.archive.provenance.mapping import GAP, USED
from stillwell.archive.provenance.names import DIGITS
from stillwell.archive.provenance.sources import names_between, rating_names
from stillwell.errors import QueryError
from stillwell.reading.select.described import describe
from stillwell.reading.select.filters import Question
from stillwell.reading.select.moments import moment
from stillwell.reading.select.rows import answer
from stillwell.reading.select.spans import INSTANT, Bound, Span
from stillwell.reading.trace.documents import add_document, add_lines, documents, id_of, parted, read_below
from stillwell.reading.trace.graph import REPLACED, Edge, Graph, harmless

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
VALUES = ("time", "sensor", "rating", "discharge_m3_s")
STAGE = ("sensor", "time", "deposit", "row_file", "row_line")
WITHIN, JOINED = "stands on", "joined at its ends to"
"""Relation of stage to its lines: within a figure's moments, and next to them."""


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

    @property
    def derived_at(self) -> pd.Timestamp:
        """When its newest revision was recorded."""
        return self.rows[-1]["recorded_at"]


def figure_of(archive: Archive, subject: str) -> Figure | None:
    """Read the figure that ``SITE/2025-05-01`` or ``SITE@2025-05-01T12:00Z`` names; None where the text names none.

    Parameters
    ----------
    archive : Archive
    subject : str
        A space may stand for the ``/``.

    Raises
    ------
    QueryError
        If there is no such site, day or moment in a record.
    """
    if match := _DAY.fullmatch(subject):
        return _day(archive, *match.groups())
    if match := _MOMENT.fullmatch(subject):
        return _moment(archive, *match.groups())
    return None


def graph_of(archive: Archive, figure: Figure) -> tuple[Graph, list[str]]:
    """Read what a figure rests on, of all that its record does.

    Parameters
    ----------
    archive : Archive
    figure : Figure

    Returns
    -------
    Graph
    list of str
        A note where the document of its derivation does not describe the record.

    Raises
    ------
    ArchiveDamaged
        If a provenance document on the way is not as it was written.
    """
    graph, number = Graph(), commit_at(archive.ledger, figure.derived_at)
    document = _add_derivation(archive, graph, number)
    values, stage = _values_and_stage(archive, figure, _bridged_s(document) if figure.table == "daily" else 0.0)
    lines = _lines(figure, stage)
    record = parted("record", figure.site, str(number), figure.table)
    described = any(edge.start == record for edge in graph.edges)
    if described:
        series = {name for name, *_ in lines}
        _keep_acting(archive, graph, record, series | _acting(archive, figure, values))
        # a document names the lines of a whole series; those of the figure's moments take their place below
        graph.edges = [edge for edge in graph.edges if edge.start not in series or edge.relation != WITHIN]
        graph.edges.append(Edge(figure.root, record, "row of", number))
    graph.describe(figure.root, figure.label, _details(figure))
    for name, deposit, text, relation in lines:
        start = name if name in graph.recorded else figure.root
        commit = graph.recorded.get(start, number)
        graph.edges.append(Edge(start, add_lines(graph, deposit, text), relation, commit))
    return graph, [] if described else [f"commit {number} does not tell what its records rest on"]


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
    at = moment(text, "time")
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
    root = f"{parted('value', site)}@{short(at)}"
    return Figure(site, "discharge", root, f"of {short(at)} at {site}", at, at + INSTANT, revisions)


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


def _add_derivation(archive: Archive, graph: Graph, number: int) -> Mapping[str, Any]:
    """Add the document of a commit to a graph and return it; empty where the commit has none."""
    document: Mapping[str, Any] = next((document for _, document in documents(archive, [number])), {})
    add_document(graph, number, document)
    return document


def _bridged_s(document: Mapping[str, Any]) -> float:
    """Return the longest gap a derivation bridged, in s."""
    return max((float(activity.get(GAP, 0.0)) for activity in document.get("activity", {}).values()), default=0.0)


def _values_and_stage(archive: Archive, figure: Figure, bridged_s: float) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Read the values of a figure and the stage they came from, as they stood when it was derived.

    ``joined`` are values before and after it to which a line from its own, or across it, was drawn.
    """
    margin = pd.Timedelta(seconds=bridged_s)
    span = Span(Bound(figure.since - margin), Bound(figure.until + margin + INSTANT))
    rows_of = {}
    for table, columns in (("discharge", VALUES), ("stage", STAGE)):
        question = Question(describe(archive, table), (figure.site,), span, columns=columns)
        rows_of[table] = with_sensor(answer(archive.at(figure.derived_at), question, None))
    rows = rows_of["discharge"]
    inside = (rows["time"] >= figure.since) & (rows["time"] < figure.until)
    known = rows.loc[rows["discharge_m3_s"].notna(), "time"]
    own = known[inside]
    before, after = known[known < figure.since].max(), known[known >= figure.until].min()
    first, last = (own.min(), own.max()) if len(own) else (after, before)
    near = []
    if first > figure.since and first - before <= margin:
        near.append(before)
    if after - last <= margin:
        near.append(after)
    joined = rows["time"].isin(near)
    values = rows[inside | joined].assign(joined=joined)
    return values, rows_of["stage"].merge(values[["sensor", "time", "joined"]], on=["sensor", "time"])


def _lines(figure: Figure, stage: pd.DataFrame) -> list[tuple[str, str, str, str]]:
    """Return each series with its deposit, lines and relation, within a figure's moments and next to them."""
    lines = []
    for relation, rows in ((WITHIN, stage[~stage["joined"]]), (JOINED, stage[stage["joined"]])):
        for (sensor, deposit), texts in places(rows, ["sensor", "deposit"]).items():
            series = parted("series", figure.site, str(sensor), str(deposit)[:DIGITS])
            lines += [(series, str(deposit), text, relation) for text in texts]
    return lines


def _acting(archive: Archive, figure: Figure, values: pd.DataFrame) -> set[str]:
    """Return ids of what acts on a figure beside its stage.

    Those are the site, corrections and conditions that meet the moments of its values, and the ratings these were
    computed with, with the shifts around them.
    """
    since = min([figure.since, *values["time"]])
    last = max([figure.until - INSTANT, *values["time"]])
    current = archive.at(figure.derived_at).standing
    corrections = with_sensor(current("corrections", [figure.site]))
    corrections = corrections[corrections["sensor"].isin(values["sensor"])]
    names = names_between("corrections", corrections, since, last)
    names |= names_between("conditions", current("conditions", [figure.site]), since, last)
    names |= rating_names(current, set(values["rating"].dropna()), since, last + INSTANT)
    return {f"site:{figure.site}", *map(id_of, names)}


def _keep_acting(archive: Archive, graph: Graph, record: str, acting: set[str]) -> None:
    """Leave a record what acts and who derived it, and add what that rests on, and the record it replaced by name."""
    graph.edges = [
        edge
        for edge in graph.edges
        if edge.start != record or edge.end.partition(":")[0] not in USED or edge.end in acting
    ]
    ends = {(edge.end, edge.relation) for edge in graph.edges if edge.start == record}
    read_below(archive, graph, {end for end, relation in ends if relation != REPLACED})
    for replaced in (end for end, relation in ends if relation == REPLACED):
        alone = Graph()
        _add_derivation(archive, alone, int(replaced.rsplit("/", 2)[1]))
        graph.nodes[replaced] = alone.node(replaced)
