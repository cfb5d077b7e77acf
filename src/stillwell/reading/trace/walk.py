"""Reads the provenance documents that a trace needs, and ends a trace back at the sealed files."""

from __future__ import annotations

from collections.abc import Iterable

from stillwell.archive.archive import Archive
from stillwell.reading.trace.documents import add_document, documents, needles_of, numbers
from stillwell.reading.trace.graph import RECORDED, Facts, Link, Trace, reached, trace_of
from stillwell.reading.trace.sealed_bytes import add_files


def gathered(archive: Archive, names: Iterable[str]) -> Facts:
    """Read only the documents that describe some nodes and what these rest on."""
    facts, read, searched = Facts(), set[int](), set[str]()
    todo = set(names)
    while needles := [needle for name in sorted(todo) for needle in needles_of(name)]:
        fresh = [number for number in numbers(archive) if number not in read]
        for number, document in documents(archive, fresh, needles):
            add_document(facts, number, document)
            read.add(number)
        searched |= todo
        nodes = {name for start in names for name in reached(facts, start, forward=False)[0]}
        todo = nodes - searched
    return facts


def whole(archive: Archive) -> Facts:
    """Read every document."""
    facts = Facts()
    for number, document in documents(archive, numbers(archive)):
        add_document(facts, number, document)
    return facts


def back(archive: Archive, facts: Facts, subject: str, root: str, notes: Iterable[str] = ()) -> Trace:
    """Walk from a node down to the sealed files.

    Parameters
    ----------
    archive : Archive
    facts : Facts
    subject : str
        As asked.
    root : str
    notes : iterable of str
        Notes added to those of ``silences``.

    Returns
    -------
    Trace
    """
    nodes, links = reached(facts, root, forward=False)
    ends = add_files(archive, facts, nodes, links)
    links |= ends | recorded(facts, nodes) | {link for link in facts.aside if link[0] in nodes}
    return trace_of(facts, subject, root, links, forward=False, notes=[*notes, *silences(facts, nodes)])


def recorded(facts: Facts, names: Iterable[str]) -> set[Link]:
    """Return links from nodes to the commits that recorded them; a trace ends there."""
    commits = ((name, facts.recorded[name]) for name in names if name in facts.recorded)
    return {(name, f"commit:{number}", RECORDED, number) for name, number in commits}


def silences(facts: Facts, names: Iterable[str]) -> list[str]:
    """Return a note on each commit whose document lacks the site, meter and lines of its gaugings."""
    telling = {start for start, _, relation, _ in facts.links if relation == "made at"}
    silent = sorted({facts.recorded[name] for name in names if name.startswith("revision:") and name not in telling})
    return [f"commit {number} does not tell the site, meter or lines of what it made" for number in silent]
