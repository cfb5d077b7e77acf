"""Reads as few provenance documents as a trace needs, and closes a trace back at the sealed files."""

from __future__ import annotations

from collections.abc import Iterable

from stillwell.archive.archive import Archive
from stillwell.reading.trace.documents import add_document, documents, needles_of, numbers
from stillwell.reading.trace.graph import RECORDED, Facts, Link, Trace, reached, trace_of
from stillwell.reading.trace.sealed_bytes import add_files


def gathered(archive: Archive, names: Iterable[str]) -> Facts:
    """Read only the documents that tell of some nodes and of what these rest on."""
    facts, read, asked = Facts(), set[int](), set[str]()
    todo = set(names)
    while needles := [needle for name in sorted(todo) for needle in needles_of(name)]:
        fresh = [number for number in numbers(archive) if number not in read]
        for number, said in documents(archive, fresh, needles):
            add_document(facts, number, said)
            read.add(number)
        asked |= todo
        found = {name for start in names for name in reached(facts, start, forward=False)[0]}
        todo = found - asked
    return facts


def whole(archive: Archive) -> Facts:
    """Read every document."""
    facts = Facts()
    for number, said in documents(archive, numbers(archive)):
        add_document(facts, number, said)
    return facts


def back(archive: Archive, facts: Facts, subject: str, root: str, remarks: Iterable[str] = ()) -> Trace:
    """Walk from a node down to the sealed files.

    Parameters
    ----------
    archive : Archive
    facts : Facts
    subject : str
        As asked.
    root : str
    remarks : iterable of str
        Told beside what the documents are silent about.

    Returns
    -------
    Trace
    """
    found, links = reached(facts, root, forward=False)
    ends = add_files(archive, facts, found, links)
    links |= ends | recorded(facts, found) | {link for link in facts.aside if link[0] in found}
    return trace_of(facts, subject, root, links, forward=False, remarks=[*remarks, *silences(facts, found)])


def recorded(facts: Facts, names: Iterable[str]) -> set[Link]:
    """Tie what a trace holds to the commits that recorded it; nothing is traced on from there."""
    commits = ((name, facts.recorded[name]) for name in names if name in facts.recorded)
    return {(name, f"commit:{number}", RECORDED, number) for name, number in commits}


def silences(facts: Facts, names: Iterable[str]) -> list[str]:
    """Say which commits were recorded before site, meter and lines were told."""
    telling = {start for start, _, relation, _ in facts.links if relation == "made at"}
    silent = sorted({facts.recorded[name] for name in names if name.startswith("revision:") and name not in telling})
    return [f"commit {number} does not tell the site, meter or lines of what it made" for number in silent]
