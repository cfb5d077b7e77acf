"""From the provenance documents of an archive to facts: what each says of gaugings, deposits, meters. Asks no table."""

from __future__ import annotations

import json
import re
from collections.abc import Callable, Iterable, Iterator, Mapping
from typing import Any
from urllib.parse import unquote

from stillwell.archive.archive import Archive
from stillwell.archive.provenance.document import INTAKE_MAP, provenance_path, safe
from stillwell.errors import ArchiveDamaged
from stillwell.reading.trace.graph import ALWAYS, Facts
from stillwell.reading.trace.names import PARTED, id_of, listed, name_of
from stillwell.reading.trace.series import add_series

TOLD = {
    "said:site": ("site", "made at"),
    "said:instrument": ("instrument", "measured with"),
    "said:check_before": ("check", "meter last checked by"),
    "said:check_after": ("check", "meter next checked by"),
}
"""What is told of a gauging under a plain name: the kind it names, and how the gauging rests on it."""

ROWS = {
    "said:row": "stands on",
    "said:points": "points stand on",
    "said:samples": "samples stand on",
    "said:gauge_heights": "gauge read on",
}
"""Where rows stand in a deposit, by what they hold."""

READ = frozenset({"gauging", *PARTED} - {"record"})
"""Kinds of things read out of deposits, with an intake map where one was used."""

_FOUND = {"revision": "found in", "check": "because of"}


def numbers(archive: Archive) -> list[int]:
    """List the commits that have a provenance document."""
    listed = archive.listing()
    return [n for n in range(1, archive.ledger.head_number() + 1) if provenance_path(n) in listed]


def documents(
    archive: Archive, wanted: Iterable[int], needles: Iterable[str] | None = None
) -> Iterator[tuple[int, dict[str, Any]]]:
    """Read provenance documents, each held against its digest.

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
            said = json.loads(data)
            sections = all(isinstance(section, dict) for section in said.values())
        except (ValueError, AttributeError) as error:
            msg = f"{path}: expected PROV-JSON, found what cannot be read ({error}); nothing can be traced through it"
            raise ArchiveDamaged(msg) from error
        if not sections:
            msg = f"{path}: expected PROV-JSON, found something else; nothing can be traced through it"
            raise ArchiveDamaged(msg)
        yield number, said


def needles_of(name: str) -> list[str]:
    """Say what must stand in a document that tells what a node rests on."""
    kind, _, rest = name.partition(":")
    if kind == "gauging":
        return [f'"gauging:{safe(rest)}/', f'"review:{safe(rest)}/']
    if kind in {"site", "instrument", "check", "policy"}:
        return [f'"prov:generatedEntity":"{kind}:{safe(rest)}"']
    if kind in PARTED:
        return [f'"{"prov:entity" if kind == "record" else "prov:generatedEntity"}":"{name_of(name)}"']
    return []


def add_document(facts: Facts, number: int, said: Mapping[str, Mapping[str, Any]]) -> None:
    """Add what one document says.

    Parameters
    ----------
    facts : Facts
        Added to.
    number : int
        Of the commit.
    said : mapping
        PROV-JSON.

    Raises
    ------
    ArchiveDamaged
        If a relation lacks one of its ends.
    """
    try:
        for add in _STEPS:
            add(facts, number, said)
    except (KeyError, TypeError, AttributeError) as error:
        msg = f"{provenance_path(number)}: expected PROV-JSON of a commit, found {error!r}; it is not believed"
        raise ArchiveDamaged(msg) from error


def _commit(facts: Facts, number: int, said: Mapping[str, Mapping[str, Any]]) -> None:
    name = f"commit:{number}"
    times = {str(activity.get("prov:startTime", "")) for activity in said.get("activity", {}).values()}
    by = dict.fromkeys(
        unquote(who["prov:agent"][3:]) for who in said.get("wasAssociatedWith", {}).values() if "prov:plan" not in who
    )
    details = [("recorded at", max(times, default="")), ("by", ", ".join(by))]
    facts.tell(name, f"commit {number}", details)
    for agent, about in said.get("agent", {}).items():
        if agent.startswith("software:"):
            facts.tell(id_of(agent), str(about.get("prov:label", agent)))
    for who in said.get("wasAssociatedWith", {}).values():
        if "prov:plan" in who:
            facts.links.append((name, id_of(who["prov:agent"]), "written by", number))
            facts.links.append((name, id_of(who["prov:plan"]), "judged under", number))
    for use in said.get("used", {}).values():
        if use.get("prov:role") == INTAKE_MAP:
            facts.links.append((name, _map(use["prov:entity"]), "read with", number))
            facts.links.append((_map(use["prov:entity"]), use["prov:entity"], "sealed as", number))


def _map(deposit: str) -> str:
    return "map:" + deposit.removeprefix("deposit:")


def _entities(facts: Facts, number: int, said: Mapping[str, Mapping[str, Any]]) -> None:
    by = {use["prov:entity"]: id_of(use["prov:agent"])[3:] for use in said.get("wasAttributedTo", {}).values()}
    for name, about in said.get("entity", {}).items():
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
                facts.tell(name, label, details)
                facts.links.append((f"commit:{number}", name, "received", number))
                facts.record(name, number)
            elif name not in facts.told:
                facts.tell(name, label, details[:1])
        elif kind == "policy":
            digest = name.removeprefix("policy:")
            facts.tell(name, f"office policy {digest[:12]}", [("sha256", digest)])
        elif kind != "commit":
            facts.tell(id_of(name), label, [("reason", str(about.get("dcterms:description", "")))])
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
    facts.tell(revision, label, [("reason", reason), ("recorded as", status), ("findings", ", ".join(codes))])
    facts.links.append((gauging, revision, "is", number))
    facts.record(revision, number)
    for attribute, (kind, relation) in TOLD.items():
        facts.links += [(revision, f"{kind}:{code}", relation, number) for code in listed(about.get(attribute))]
    for code in codes:
        finding = f"finding:{revision.removeprefix('revision:')}/{code}"
        facts.tell(finding, f"{code}: {label}")
        facts.links.append((finding, revision, "found in", number))
        facts.record(finding, number)


def _made(facts: Facts, number: int, said: Mapping[str, Mapping[str, Any]]) -> None:
    """Tie each revision made to the software and the policy of the step that made it, and to the intake map."""
    rests: dict[str, list[tuple[str, str]]] = {}
    for who in said.get("wasAssociatedWith", {}).values():
        if "prov:plan" in who:
            ends = [(id_of(who["prov:agent"]), "computed by"), (id_of(who["prov:plan"]), "judged under")]
            rests.setdefault(who["prov:activity"], []).extend(ends)
    uses = said.get("used", {}).values()
    maps = [_map(use["prov:entity"]) for use in uses if use.get("prov:role") == INTAKE_MAP]
    taken = {use["prov:entity"] for use in uses if use.get("prov:role") != INTAKE_MAP}
    for made in said.get("wasGeneratedBy", {}).values():
        name = id_of(made["prov:entity"])
        facts.links += [(name, end, relation, number) for end, relation in rests.get(made["prov:activity"], ())]
    for derived in said.get("wasDerivedFrom", {}).values() if maps else ():
        name = derived["prov:generatedEntity"]
        if name.partition(":")[0] in READ and derived["prov:usedEntity"] in taken:
            facts.links += [(id_of(name), used, "read with", number) for used in maps]


def _derived(facts: Facts, number: int, said: Mapping[str, Mapping[str, Any]]) -> None:
    for derived in said.get("wasDerivedFrom", {}).values():
        start, used = id_of(derived["prov:generatedEntity"]), derived["prov:usedEntity"]
        end = id_of(used)
        if start.startswith("record:") or (start.startswith("adoption:") and end.startswith("revision:")):
            continue
        if not used.startswith("deposit:"):
            relation = "revises" if start.startswith("revision:") else _FOUND.get(end.partition(":")[0], "made from")
            facts.links.append((start, end, relation, number))
            continue
        stands = [(relation, text) for key, relation in ROWS.items() for text in listed(derived.get(key))]
        for relation, text in stands:
            facts.links.append((start, add_lines(facts, end.removeprefix("deposit:"), text), relation, number))
        if not stands:
            facts.links.append((start, end, "made from", number))
    changed: dict[str, list[str]] = {}
    for one in said.get("wasInfluencedBy", {}).values():
        start, end = id_of(one["prov:influencee"]), id_of(one["prov:influencer"])
        facts.links.append((start, end, "status by", number))
        changed.setdefault(end, []).append(f"revision {start.rpartition('/')[2]}")
    for review, revisions in changed.items():
        facts.tell(review, facts.node(review).label, [("changed the status of", ", ".join(sorted(revisions)))])


def add_lines(facts: Facts, digest: str, text: str) -> str:
    """Tell of lines of a file in a deposit, as in ``points.csv 2-8``, and return their id."""
    rows = f"rows:{digest}/{text}"
    file, _, lines = text.rpartition(" ")
    facts.tell(rows, f"{file} {_lines(lines)}", [("file", file), ("lines", lines)])
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
