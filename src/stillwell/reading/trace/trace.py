"""Traces a number back to the bytes it rests on, and a meter, rating, deposit or policy forward to what rests on it.

Answers come from the provenance documents, each checked against its digest; tables give only the figures of a record,
what acts on them and the lines that hold their stage. A trace back ends at the sealed files.
"""

from __future__ import annotations

import difflib
import json
import re
from collections.abc import Iterable

from stillwell.archive.archive import Archive
from stillwell.archive.disk.layout import SEALED
from stillwell.archive.sealed import object_folder
from stillwell.errors import QueryError
from stillwell.fingerprint import sha512
from stillwell.reading.trace.days import figure_of, graph_of
from stillwell.reading.trace.documents import read_all, read_below
from stillwell.reading.trace.graph import (
    ALWAYS,
    ENDING,
    RECORDED,
    WORDS,
    Edge,
    Graph,
    Node,
    Trace,
    called,
    harmless,
    reached,
    trace_of,
)

__all__ = ["Edge", "Node", "Trace", "trace", "trace_forward"]

SUBJECTS = ("instrument", "deposit", "policy", "site", "rating", "sensor", "check", "map", "software")
"""Kinds a trace forward can start from; of two that share a digest the first is meant."""

BY_DIGEST = ("deposit", "policy", "map")
LEAST_DIGITS = 8
NEAR = 5

_FORWARD = (
    "an instrument, a deposit, a policy, a site, a rating, a sensor, a check, an intake map or a software version"
)
_DIGITS = re.compile(rf"[0-9a-f]{{{LEAST_DIGITS},64}}")


def trace(archive: Archive, subject: str) -> Trace:
    """Trace a gauging, a daily mean or a discharge back: software, policy, meter or rating, lines, sealed files.

    Parameters
    ----------
    archive : Archive
    subject : str
        Archive id of a gauging; with ``/2`` after it, its second revision only and what that rests on. Or
        ``SITE/2025-05-01``, a daily mean, or ``SITE@2025-05-01T12:00Z``, one discharge.

    Returns
    -------
    Trace

    Raises
    ------
    QueryError
        If no provenance document tells of such a gauging, or the record has no such day or moment.
    ArchiveDamaged
        If a provenance document or a sealed deposit on the way is not as it was written.
    """
    figure = figure_of(archive, subject)
    if figure is not None:
        graph, notes = graph_of(archive, figure)
        return _back(archive, graph, subject, figure.root, notes)
    gauging, _, revision = subject.rpartition("/")
    names = {f"gauging:{subject}": f"gauging:{subject}"}
    if gauging and revision.isdigit():
        names[f"revision:{subject}"] = f"gauging:{gauging}"
    graph = Graph()
    read_below(archive, graph, names.values())
    resting = {edge.start for edge in graph.edges}
    root = next((name for name in names if name in resting), None)
    if root is None:
        raise QueryError(_no_gauging(archive, subject))
    return _back(archive, graph, subject, root)


def trace_forward(archive: Archive, subject: str) -> Trace:
    """Trace forward: every gauging, revision, finding, review, record and commit that rests on something.

    Parameters
    ----------
    archive : Archive
    subject : str
        Code of an instrument or site, name of a rating, ``SITE/SENSOR``, label of a check, software version, or digest
        of a deposit, policy or intake map, of which the first 8 characters will do if they are of one only.
        ``site:NAME`` and the like say which kind is meant.

    Returns
    -------
    Trace

    Raises
    ------
    QueryError
        If the documents tell of no such thing, or of several.
    ArchiveDamaged
        If a provenance document is not as it was written.
    """
    graph = read_all(archive)
    root = _subject(graph.names(), subject)
    nodes, edges = reached(graph, root, forward=True)
    edges |= _recorded(graph, [n for n, since in nodes.items() if n != root and graph.recorded.get(n, 0) >= since])
    return trace_of(graph, subject, root, edges, forward=True, notes=_silences(graph, nodes))


def _back(archive: Archive, graph: Graph, subject: str, root: str, notes: Iterable[str] = ()) -> Trace:
    """Walk from a node down to the sealed files."""
    nodes, edges = reached(graph, root, forward=False)
    edges |= _files(archive, graph, nodes, edges)
    edges |= _recorded(graph, nodes) | {e for e in graph.edges if e.relation in ENDING and e.start in nodes}
    return trace_of(graph, subject, root, edges, forward=False, notes=[*notes, *_silences(graph, nodes)])


def _recorded(graph: Graph, names: Iterable[str]) -> set[Edge]:
    """Return edges from nodes to the commits that recorded them; a trace ends there."""
    commits = ((name, graph.recorded[name]) for name in names if name in graph.recorded)
    return {Edge(name, f"commit:{number}", RECORDED, number) for name, number in commits}


def _silences(graph: Graph, names: Iterable[str]) -> list[str]:
    """Return a note on each commit whose document lacks the site, meter and lines of its gaugings."""
    located = {edge.start for edge in graph.edges if edge.relation == "made at"}
    silent = sorted({graph.recorded[name] for name in names if name.startswith("revision:") and name not in located})
    return [f"commit {number} does not tell the site, meter or lines of what it made" for number in silent]


def _files(archive: Archive, graph: Graph, names: Iterable[str], edges: Iterable[Edge]) -> set[Edge]:
    """Tie lines to the sealed files they stand in, reading and checking every byte of their deposits.

    A deposit of which no line is named is tied to all its files.
    """
    rows_of: dict[str, list[str]] = {name: [] for name in names if name.startswith("deposit:")}
    for edge in edges:
        if edge.end in rows_of and edge.start.startswith("rows:"):
            rows_of[edge.end].append(edge.start)
    out: set[Edge] = set()
    for deposit, rows in rows_of.items():
        files = _described_files(archive, graph, deposit.removeprefix("deposit:"))
        for row in rows:
            path = dict(graph.node(row).details).get("file", "")
            # a line stands in the file itself, in the workbook of the sheet, or in the one archive file it is in
            held = files.get(path) or files.get(path.rpartition(":")[0])
            in_files = [held] if held else list(files.values()) if len(files) == 1 else []
            out |= {Edge(row, file, "stand in", ALWAYS) for file in in_files}
        if not rows:
            out |= {Edge(deposit, file, "holds", ALWAYS) for file in files.values()}
    return out


def _described_files(archive: Archive, graph: Graph, digest: str) -> dict[str, str]:
    """Read a sealed deposit and describe its files; return ids by path in the deposit."""
    deposit = archive.sealed.read(digest)
    folder = f"{SEALED}/{object_folder(digest)}"
    manifest = json.loads((archive.root / folder / "inventory.json").read_bytes())["manifest"]
    names = {}
    for file in deposit.files:
        sealed = sha512(file.data)
        names[file.path] = f"file:{digest}/{file.path}"
        details = [("path", f"{folder}/{manifest[sealed][0]}"), ("sha512", sealed), ("bytes", str(len(file.data)))]
        graph.describe(names[file.path], file.path, details)
    return names


def _subject(names: set[str], subject: str) -> str:
    """Find the one node a trace forward starts from."""
    kind, colon, rest = subject.partition(":")
    kind = next((name for name, word in WORDS.items() if word == kind), kind)
    wanted = dict.fromkeys(SUBJECTS, subject) | ({kind: rest} if colon and kind in SUBJECTS else {})
    matches = [f"{kind}:{text}" for kind, text in wanted.items() if f"{kind}:{text}" in names]
    if not matches and colon and kind == "sensor" and f"{subject}/" in names:
        matches = [f"{subject}/"]
    if not matches:
        for kind in (kind for kind in BY_DIGEST if _DIGITS.fullmatch(wanted[kind].lower())):
            start = f"{kind}:{wanted[kind].lower()}"
            matches += sorted(name for name in names if name.startswith(start))
    alike = {name.partition(":")[2] for name in matches}
    if matches and len(alike) == 1 and (len(matches) == 1 or all(n.partition(":")[0] in BY_DIGEST for n in matches)):
        return matches[0]
    if matches:
        shown = ", ".join(name[:80] for name in matches[:NEAR])
        msg = (
            f"expected one thing to trace from, found {len(matches)} called {harmless(subject)!r}: {harmless(shown)}; "
            f"say which, as in {harmless(matches[0])}"
        )
        raise QueryError(msg)
    raise QueryError(_nothing(names, subject))


def _no_gauging(archive: Archive, subject: str) -> str:
    names = read_all(archive).names()
    msg = f"expected the archive id of a gauging, ID/revision, SITE/DAY or SITE@TIME, found {harmless(subject)!r}"
    other = [name for name in SUBJECTS if f"{name}:{subject}" in names]
    if other:
        return f"{msg}, which is a {called(other[0])}; trace forward to see what rests on it"
    return f"{msg}{_near(names, subject, ('gauging',))}; a trace forward starts from {_FORWARD}"


def _nothing(names: set[str], subject: str) -> str:
    msg = f"expected {_FORWARD}, found {harmless(subject)!r}"
    if {f"gauging:{subject}", f"revision:{subject}"} & names:
        return f"{msg}, which is a gauging; trace it back to see what it rests on"
    if re.fullmatch(r"[0-9a-f]{4,7}", subject):
        msg += f" (a digest needs {LEAST_DIGITS} characters at least)"
    return f"{msg}{_near(names, subject, SUBJECTS)}; a trace back starts from the archive id of a gauging"


def _near(names: set[str], subject: str, kinds: tuple[str, ...]) -> str:
    """Return names that are spelled much like a subject."""
    by_name = {name.partition(":")[2]: name for name in sorted(names) if name.partition(":")[0] in kinds}
    folded = {name.casefold(): name for name in by_name}
    starts = [name for name in by_name if name.casefold().startswith(subject.casefold()) and subject][:NEAR]
    close = [folded[name] for name in difflib.get_close_matches(subject.casefold(), folded, NEAR, 0.6)]
    near = list(dict.fromkeys([*starts, *close]))[:NEAR]
    shown = ", ".join(f"{called(by_name[name].partition(':')[0])} {harmless(name)}" for name in near)
    return f"; near it: {shown}" if near else ""
