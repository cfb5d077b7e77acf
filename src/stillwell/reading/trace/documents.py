"""Reads provenance documents into a graph; reads no table.

A document is the PROV-JSON of one commit, written and read by the names of ``archive.provenance.mapping``.
"""

from __future__ import annotations

import json
import re
from collections.abc import Callable, Iterable, Iterator, Mapping
from typing import Any
from urllib.parse import unquote

from stillwell.archive.archive import Archive
from stillwell.archive.provenance.document import provenance_path
from stillwell.archive.provenance.mapping import GAUGING_LINKS, INTAKE_MAP, KINDS, ROWS, USED, related
from stillwell.archive.provenance.names import safe
from stillwell.errors import ArchiveDamaged
from stillwell.reading.trace.graph import ALWAYS, FITTED, REPLACED, Edge, Graph, reached

PARTED = KINDS.keys() | {"record"}
"""Kinds whose names have several parts, joined by ``/``; a ``/`` within a part is written ``%2F``."""
READ = frozenset({"gauging", *KINDS})
"""Kinds of things read from deposits, with an intake map where one was used."""
FROM_ENTITY = {
    ("record", "record"): REPLACED,
    ("adoption", "revision"): FITTED,
    ("revision", "revision"): "revises",
    ("finding", "revision"): "found in",
    ("finding", "check"): "because of",
}
"""Relation of a thing to another that it was derived from, by their kinds; others are made from it."""

Document = Mapping[str, Mapping[str, Any]]


def documents(
    archive: Archive, numbers: Iterable[int], needles: Iterable[str] | None = None
) -> Iterator[tuple[int, dict[str, Any]]]:
    """Read the provenance documents of some commits, each checked against its digest.

    Parameters
    ----------
    archive : Archive
    numbers : iterable of int
        Commits; those without a document are passed over.
    needles : iterable of str, optional
        Only documents in which one of these stands are parsed; all are checked.

    Yields
    ------
    int, dict

    Raises
    ------
    ArchiveDamaged
        If one is missing, not as it was written, or no PROV-JSON.
    """
    any_of = None if needles is None else re.compile(b"|".join(re.escape(text.encode()) for text in needles))
    listed = archive.listing()
    for number, path in ((number, provenance_path(number)) for number in numbers):
        if path not in listed:
            continue
        data = archive.document(path)
        if any_of is not None and not any_of.search(data):
            continue
        try:
            document = json.loads(data)
            sections = all(isinstance(section, dict) for section in document.values())
        except (ValueError, AttributeError) as error:
            msg = f"{path}: expected PROV-JSON, found what cannot be read ({error}); nothing can be traced through it"
            raise ArchiveDamaged(msg) from error
        if not sections:
            msg = f"{path}: expected PROV-JSON, found something else; nothing can be traced through it"
            raise ArchiveDamaged(msg)
        yield number, document


def read_below(archive: Archive, graph: Graph, names: Iterable[str]) -> None:
    """Add to a graph the documents that describe some nodes and what these rest on, and no others."""
    read, searched = set[int](), set[str]()
    names = todo = set(names)
    while needles := [needle for name in sorted(todo) for needle in _needles(name)]:
        unread = (number for number in range(1, archive.ledger.head_number() + 1) if number not in read)
        for number, document in documents(archive, list(unread), needles):
            add_document(graph, number, document)
            read.add(number)
        searched |= todo
        todo = {name for start in names for name in reached(graph, start, forward=False)[0]} - searched


def read_all(archive: Archive) -> Graph:
    """Read every document."""
    graph = Graph()
    for number, document in documents(archive, range(1, archive.ledger.head_number() + 1)):
        add_document(graph, number, document)
    return graph


def _needles(name: str) -> list[str]:
    """Return texts of which a document that says what a node rests on holds at least one."""
    kind, _, rest = name.partition(":")
    if kind == "gauging":
        return [f'"gauging:{safe(rest)}/', f'"review:{safe(rest)}/']
    if kind in {"site", "instrument", "check", "policy"}:
        return [f'"prov:generatedEntity":"{kind}:{safe(rest)}"']
    if kind in PARTED:
        parts = (part.replace("%2F", "/").replace("%25", "%") for part in rest.split("/"))
        entity = "prov:entity" if kind == "record" else "prov:generatedEntity"
        return [f'"{entity}":"{kind}:{"/".join(map(safe, parts))}"']
    return []


def id_of(qualified: str) -> str:
    """Turn a name of a document into an id: ``gauging:ID/1`` is a revision, everything else as it is called."""
    prefix, _, local = qualified.partition(":")
    if prefix in PARTED:
        return parted(prefix, *(unquote(part) for part in local.split("/")))
    return f"{'revision' if prefix == 'gauging' else prefix}:{unquote(local)}"


def parted(kind: str, *parts: str) -> str:
    """Make the id of a thing whose name has parts."""
    return f"{kind}:{'/'.join(part.replace('%', '%25').replace('/', '%2F') for part in parts)}"


def add_document(graph: Graph, number: int, document: Document) -> None:
    """Add the nodes and edges of the document of a commit.

    Raises
    ------
    ArchiveDamaged
        If a relation lacks one of its ends.
    """
    try:
        for add in _STEPS:
            add(graph, number, document)
    except (KeyError, TypeError, AttributeError) as error:
        msg = f"{provenance_path(number)}: expected PROV-JSON of a commit, found {error!r}; it is not believed"
        raise ArchiveDamaged(msg) from error


def _add_commit(graph: Graph, number: int, document: Document) -> None:
    commit = f"commit:{number}"
    times = {str(activity.get("prov:startTime", "")) for activity in document.get("activity", {}).values()}
    associated = [(agent, about) for _, agent, about in related(document, "wasAssociatedWith")]
    by = dict.fromkeys(unquote(agent[3:]) for agent, about in associated if "prov:plan" not in about)
    graph.describe(commit, f"commit {number}", [("recorded at", max(times, default="")), ("by", ", ".join(by))])
    for agent, about in document.get("agent", {}).items():
        if agent.startswith("software:"):
            graph.describe(id_of(agent), str(about.get("prov:label", agent)))
    for agent, about in associated:
        if "prov:plan" in about:
            graph.edges.append(Edge(commit, id_of(agent), "written by", number))
            graph.edges.append(Edge(commit, id_of(about["prov:plan"]), "judged under", number))
    for intake_map in _maps(document):
        graph.edges.append(Edge(commit, intake_map, "read with", number))
        graph.edges.append(Edge(intake_map, f"deposit:{intake_map.removeprefix('map:')}", "sealed as", number))


def _maps(document: Document) -> list[str]:
    """Return the ids of the intake maps that a commit used."""
    uses = related(document, "used")
    return [f"map:{used.removeprefix('deposit:')}" for _, used, about in uses if about.get("prov:role") == INTAKE_MAP]


def _add_entities(graph: Graph, number: int, document: Document) -> None:
    by = {entity: id_of(agent)[3:] for entity, agent, _ in related(document, "wasAttributedTo")}
    for name, about in document.get("entity", {}).items():
        kind, label = name.partition(":")[0], str(about.get("prov:label", name))
        if kind == "gauging":
            _add_revision(graph, number, id_of(name), label, about)
        elif kind == "deposit":
            _add_deposit(graph, number, name, label, about, by.get(name, ""))
        elif kind == "policy":
            digest = name.removeprefix("policy:")
            graph.describe(name, f"office policy {digest[:12]}", [("sha256", digest)])
        elif kind != "commit":
            _add_other(graph, number, id_of(name), label, about)


def _add_revision(graph: Graph, number: int, revision: str, label: str, about: Mapping[str, Any]) -> None:
    local = revision.removeprefix("revision:")
    codes = _listed(about.get("said:finding"))
    reason = str(about.get("dcterms:description", ""))
    label, _, status = label.rpartition(", ") if ", " in label else (label, "", "")
    graph.describe(revision, label, [("reason", reason), ("recorded as", status), ("findings", ", ".join(codes))])
    graph.edges.append(Edge(f"gauging:{local.rpartition('/')[0]}", revision, "is", number))
    graph.record(revision, number)
    for column, (kind, relation) in GAUGING_LINKS.items():
        named = _listed(about.get(f"said:{column}"))
        graph.edges += [Edge(revision, f"{kind}:{code}", relation, number) for code in named]
    for code in codes:
        finding = f"finding:{local}/{code}"
        graph.describe(finding, f"{code}: {label}")
        graph.edges.append(Edge(finding, revision, "found in", number))
        graph.record(finding, number)


def _add_deposit(graph: Graph, number: int, name: str, label: str, about: Mapping[str, Any], by: str) -> None:
    sha256 = ("sha256", name.removeprefix("deposit:"))
    if "dcterms:extent" in about:
        extent = about["dcterms:extent"]
        size = str(extent.get("$", "")) if isinstance(extent, dict) else str(extent)
        kind = str(about.get("dcterms:format", ""))
        graph.describe(name, label, [sha256, ("handed in as", kind), ("bytes", size), ("handed in by", by)])
        graph.edges.append(Edge(f"commit:{number}", name, "received", number))
        graph.record(name, number)
    elif name not in graph.nodes:
        graph.describe(name, label, [sha256])


def _add_other(graph: Graph, number: int, node: str, label: str, about: Mapping[str, Any]) -> None:
    """Add a site, meter, check, finding, review, rating, record, or what a deposit says of one of them."""
    kind = node.partition(":")[0]
    label = f"{label}, commit {number}" if kind == "record" else label
    texts = {"reason": "dcterms:description", "from": "said:from", "to": "said:to"}
    graph.describe(node, label, [(word, str(about.get(attribute, ""))) for word, attribute in texts.items()])
    graph.record(node, number)
    if kind == "check" and "said:instrument" in about:
        graph.edges.append(Edge(node, f"instrument:{about['said:instrument']}", "check of", number))
    elif kind == "review" and "said:gauging" in about:
        graph.edges.append(Edge(f"gauging:{about['said:gauging']}", node, "decided on by", number))
    elif kind in KINDS and KINDS[kind].of == "rating":
        graph.edges.append(Edge(node, f"rating:{about['said:rating']}", KINDS[kind].relation, number))
    elif kind in KINDS and about.get("said:site") is not None:
        site = place = f"site:{about['said:site']}"
        if KINDS[kind].of == "sensor":
            place = _add_sensor(graph, str(about["said:site"]), str(about.get("said:sensor") or ""))
            graph.edges.append(Edge(place, site, "stands at", number))
        graph.edges.append(Edge(node, place, KINDS[kind].relation, number))


def _add_sensor(graph: Graph, site: str, sensor: str) -> str:
    """Describe a sensor, ``sensor:SITE/SENSOR``; nothing after the ``/`` is the site's only one."""
    name = parted("sensor", site, sensor)
    graph.describe(name, f"sensor {sensor} of {site}" if sensor else f"the only sensor of {site}")
    return name


def _add_made(graph: Graph, number: int, document: Document) -> None:
    """Tie what a step made to its software and policy, and to the stage, ratings and the like that it used."""
    of_step: dict[str, list[tuple[str, str]]] = {}
    for activity, agent, about in related(document, "wasAssociatedWith"):
        if "prov:plan" in about:
            ends = [(id_of(agent), "computed by"), (id_of(about["prov:plan"]), "judged under")]
            of_step.setdefault(activity, []).extend(ends)
    for activity, entity, _ in related(document, "used"):
        if (prefix := entity.partition(":")[0]) in USED:
            of_step.setdefault(activity, []).append((id_of(entity), USED[prefix]))
    for made, activity, _ in related(document, "wasGeneratedBy"):
        graph.edges += [Edge(id_of(made), end, relation, number) for end, relation in of_step.get(activity, ())]


def _add_derived(graph: Graph, number: int, document: Document) -> None:
    """Tie things to the lines of deposits they stand on, to the maps these were read with, and to one another."""
    maps = _maps(document)
    received = {used for _, used, about in related(document, "used") if about.get("prov:role") != INTAKE_MAP}
    for made, used, about in related(document, "wasDerivedFrom"):
        start, end = id_of(made), id_of(used)
        if not used.startswith("deposit:"):
            relation = FROM_ENTITY.get((start.partition(":")[0], end.partition(":")[0]), "made from")
            graph.edges.append(Edge(start, end, relation, number))
            continue
        lines = [(relation, text) for name, relation in ROWS.items() for text in _listed(about.get(f"said:{name}"))]
        for relation, text in lines:
            graph.edges.append(Edge(start, add_lines(graph, end.removeprefix("deposit:"), text), relation, number))
        if not lines:
            graph.edges.append(Edge(start, end, "made from", number))
        if made.partition(":")[0] in READ and used in received:
            graph.edges += [Edge(start, intake_map, "read with", number) for intake_map in maps]
    for adopted, rating, _ in related(document, "specializationOf"):
        graph.edges.append(Edge(id_of(adopted), id_of(rating), "a state of", number))


def _add_reviewed(graph: Graph, number: int, document: Document) -> None:
    """Tie revisions to the decisions that changed their status."""
    changed: dict[str, list[str]] = {}
    for revision, review, _ in related(document, "wasInfluencedBy"):
        start, end = id_of(revision), id_of(review)
        graph.edges.append(Edge(start, end, "status by", number))
        changed.setdefault(end, []).append(f"revision {start.rpartition('/')[2]}")
    for name, revisions in changed.items():
        graph.describe(name, graph.node(name).label, [("changed the status of", ", ".join(sorted(revisions)))])


def add_lines(graph: Graph, digest: str, text: str) -> str:
    """Add lines of a file in a deposit, as in ``points.csv 2-8``, and return their id."""
    rows = f"rows:{digest}/{text}"
    file, _, lines = text.rpartition(" ")
    words = f"some of lines {lines[1:]}" if lines.startswith("~") else f"line{'' if lines.isdigit() else 's'} {lines}"
    graph.describe(rows, f"{file} {words}", [("file", file), ("lines", lines)])
    graph.edges.append(Edge(rows, f"deposit:{digest}", "lines of", ALWAYS))
    return rows


def _listed(value: Any) -> list[str]:
    """Read an attribute that may hold one value or several."""
    return [str(one) for one in (value if isinstance(value, list) else [] if value is None else [value])]


_STEPS: tuple[Callable[[Graph, int, Document], None], ...] = (
    _add_commit,
    _add_entities,
    _add_made,
    _add_derived,
    _add_reviewed,
)
