"""Reads provenance documents into facts: nodes and edges of gaugings, deposits, meters. Reads no table."""

from __future__ import annotations

import json
import re
from collections.abc import Callable, Iterable, Iterator, Mapping
from typing import Any
from urllib.parse import unquote

from stillwell.archive.archive import Archive
from stillwell.archive.provenance.document import provenance_path
from stillwell.archive.provenance.mapping import GAUGING_LINKS, INTAKE_MAP, ROWS, related
from stillwell.archive.provenance.names import safe
from stillwell.errors import ArchiveDamaged
from stillwell.reading.trace.graph import ALWAYS, Facts
from stillwell.reading.trace.names import PARTED, id_of, listed, name_of
from stillwell.reading.trace.series import add_series

READ = frozenset({"gauging", *PARTED} - {"record"})
"""Kinds of things read from deposits, with an intake map where one was used."""

_FINDING = {"revision": "found in", "check": "because of"}


def numbers(archive: Archive) -> list[int]:
    """List the commits that have a provenance document."""
    listed = archive.listing()
    return [n for n in range(1, archive.ledger.head_number() + 1) if provenance_path(n) in listed]


def documents(
    archive: Archive, wanted: Iterable[int], needles: Iterable[str] | None = None
) -> Iterator[tuple[int, dict[str, Any]]]:
    """Read provenance documents, each checked against its digest.

    Parameters
    ----------
    archive : Archive
    wanted : iterable of int
        Commits.
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
    for number in wanted:
        path = provenance_path(number)
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


def needles_of(name: str) -> list[str]:
    """Return texts of which a document that says what a node rests on holds at least one."""
    kind, _, rest = name.partition(":")
    if kind == "gauging":
        return [f'"gauging:{safe(rest)}/', f'"review:{safe(rest)}/']
    if kind in {"site", "instrument", "check", "policy"}:
        return [f'"prov:generatedEntity":"{kind}:{safe(rest)}"']
    if kind in PARTED:
        return [f'"{"prov:entity" if kind == "record" else "prov:generatedEntity"}":"{name_of(name)}"']
    return []


def add_document(facts: Facts, number: int, document: Mapping[str, Mapping[str, Any]]) -> None:
    """Add the nodes and edges of one document.

    Parameters
    ----------
    facts : Facts
        Added to.
    number : int
        Of the commit.
    document : mapping
        PROV-JSON.

    Raises
    ------
    ArchiveDamaged
        If a relation lacks one of its ends.
    """
    try:
        for add in _STEPS:
            add(facts, number, document)
    except (KeyError, TypeError, AttributeError) as error:
        msg = f"{provenance_path(number)}: expected PROV-JSON of a commit, found {error!r}; it is not believed"
        raise ArchiveDamaged(msg) from error


def _commit(facts: Facts, number: int, document: Mapping[str, Mapping[str, Any]]) -> None:
    name = f"commit:{number}"
    times = {str(activity.get("prov:startTime", "")) for activity in document.get("activity", {}).values()}
    associated = [(agent, about) for _, agent, about in related(document, "wasAssociatedWith")]
    by = dict.fromkeys(unquote(agent[3:]) for agent, about in associated if "prov:plan" not in about)
    details = [("recorded at", max(times, default="")), ("by", ", ".join(by))]
    facts.describe(name, f"commit {number}", details)
    for agent, about in document.get("agent", {}).items():
        if agent.startswith("software:"):
            facts.describe(id_of(agent), str(about.get("prov:label", agent)))
    for agent, about in associated:
        if "prov:plan" in about:
            facts.links.append((name, id_of(agent), "written by", number))
            facts.links.append((name, id_of(about["prov:plan"]), "judged under", number))
    for _, used, about in related(document, "used"):
        if about.get("prov:role") == INTAKE_MAP:
            facts.links.append((name, _map(used), "read with", number))
            facts.links.append((_map(used), used, "sealed as", number))


def _map(deposit: str) -> str:
    return "map:" + deposit.removeprefix("deposit:")


def _entities(facts: Facts, number: int, document: Mapping[str, Mapping[str, Any]]) -> None:
    by = {entity: id_of(agent)[3:] for entity, agent, _ in related(document, "wasAttributedTo")}
    for name, about in document.get("entity", {}).items():
        kind, label = name.partition(":")[0], str(about.get("prov:label", name))
        if kind == "gauging":
            _revision(facts, number, name, label, about)
        elif kind == "deposit":
            extent = about.get("dcterms:extent", {})
            details = [
                ("sha256", name.removeprefix("deposit:")),
                ("handed in as", str(about.get("dcterms:format", ""))),
                ("bytes", str(extent.get("$", "")) if isinstance(extent, dict) else str(extent)),
                ("handed in by", by.get(name, "")),
            ]
            if "dcterms:extent" in about:
                facts.describe(name, label, details)
                facts.links.append((f"commit:{number}", name, "received", number))
                facts.record(name, number)
            elif name not in facts.described:
                facts.describe(name, label, details[:1])
        elif kind == "policy":
            digest = name.removeprefix("policy:")
            facts.describe(name, f"office policy {digest[:12]}", [("sha256", digest)])
        elif kind != "commit":
            facts.describe(id_of(name), label, [("reason", str(about.get("dcterms:description", "")))])
            facts.record(id_of(name), number)
        if kind == "check" and "said:instrument" in about:
            facts.links.append((id_of(name), f"instrument:{about['said:instrument']}", "check of", number))
        if kind == "review" and "said:gauging" in about:
            facts.links.append((f"gauging:{about['said:gauging']}", id_of(name), "decided on by", number))


def _revision(facts: Facts, number: int, name: str, label: str, about: Mapping[str, Any]) -> None:
    revision = id_of(name)
    gauging = "gauging:" + revision.removeprefix("revision:").rpartition("/")[0]
    codes = listed(about.get("said:finding"))
    reason = str(about.get("dcterms:description", ""))
    label, _, status = label.rpartition(", ") if ", " in label else (label, "", "")
    facts.describe(revision, label, [("reason", reason), ("recorded as", status), ("findings", ", ".join(codes))])
    facts.links.append((gauging, revision, "is", number))
    facts.record(revision, number)
    for column, (kind, relation) in GAUGING_LINKS.items():
        codes_of = listed(about.get(f"said:{column}"))
        facts.links += [(revision, f"{kind}:{code}", relation, number) for code in codes_of]
    for code in codes:
        finding = f"finding:{revision.removeprefix('revision:')}/{code}"
        facts.describe(finding, f"{code}: {label}")
        facts.links.append((finding, revision, "found in", number))
        facts.record(finding, number)


def _made(facts: Facts, number: int, document: Mapping[str, Mapping[str, Any]]) -> None:
    """Tie each revision made to the software and the policy of the step that made it, and to the intake map."""
    rests: dict[str, list[tuple[str, str]]] = {}
    for activity, agent, about in related(document, "wasAssociatedWith"):
        if "prov:plan" in about:
            ends = [(id_of(agent), "computed by"), (id_of(about["prov:plan"]), "judged under")]
            rests.setdefault(activity, []).extend(ends)
    uses = [(used, about.get("prov:role")) for _, used, about in related(document, "used")]
    maps = [_map(used) for used, role in uses if role == INTAKE_MAP]
    deposits = {used for used, role in uses if role != INTAKE_MAP}
    for made, activity, _ in related(document, "wasGeneratedBy"):
        facts.links += [(id_of(made), end, relation, number) for end, relation in rests.get(activity, ())]
    for made, used, _ in related(document, "wasDerivedFrom") if maps else ():
        if made.partition(":")[0] in READ and used in deposits:
            facts.links += [(id_of(made), intake_map, "read with", number) for intake_map in maps]


def _derived(facts: Facts, number: int, document: Mapping[str, Mapping[str, Any]]) -> None:
    for made, used, about in related(document, "wasDerivedFrom"):
        start, end = id_of(made), id_of(used)
        if start.startswith("record:") or (start.startswith("adoption:") and end.startswith("revision:")):
            continue
        if not used.startswith("deposit:"):
            relation = "revises" if start.startswith("revision:") else _FINDING.get(end.partition(":")[0], "made from")
            facts.links.append((start, end, relation, number))
            continue
        stands = [(relation, text) for name, relation in ROWS.items() for text in listed(about.get(f"said:{name}"))]
        for relation, text in stands:
            facts.links.append((start, add_lines(facts, end.removeprefix("deposit:"), text), relation, number))
        if not stands:
            facts.links.append((start, end, "made from", number))
    changed: dict[str, list[str]] = {}
    for revision, by, _ in related(document, "wasInfluencedBy"):
        start, end = id_of(revision), id_of(by)
        facts.links.append((start, end, "status by", number))
        changed.setdefault(end, []).append(f"revision {start.rpartition('/')[2]}")
    for review, revisions in changed.items():
        facts.describe(review, facts.node(review).label, [("changed the status of", ", ".join(sorted(revisions)))])


def add_lines(facts: Facts, digest: str, text: str) -> str:
    """Add lines of a file in a deposit, as in ``points.csv 2-8``, and return their id."""
    rows = f"rows:{digest}/{text}"
    file, _, lines = text.rpartition(" ")
    facts.describe(rows, f"{file} {_lines(lines)}", [("file", file), ("lines", lines)])
    facts.links.append((rows, f"deposit:{digest}", "lines of", ALWAYS))
    return rows


def _lines(text: str) -> str:
    if text.startswith("~"):
        return f"some of lines {text[1:]}"
    return f"line {text}" if text.isdigit() else f"lines {text}"


_STEPS: tuple[Callable[[Facts, int, Mapping[str, Mapping[str, Any]]], None], ...] = (
    _commit,
    _entities,
    _made,
    _derived,
    add_series,
)
