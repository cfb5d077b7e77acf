"""Traces a number back to the bytes it rests on, and a meter, rating, deposit or policy forward to what rests on it.

Answers come from the provenance documents, each checked against its digest; tables give only the figures of a record
and the lines that hold their stage.
"""

from __future__ import annotations

import difflib
import re

from stillwell.archive.archive import Archive
from stillwell.errors import QueryError
from stillwell.reading.trace.days import is_figure, trace_figure
from stillwell.reading.trace.graph import FITTED, WORDS, Edge, Facts, Node, Trace, called, harmless, reached, trace_of
from stillwell.reading.trace.walk import back, gathered, recorded, silences, whole

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
    if is_figure(subject):
        return trace_figure(archive, subject)
    gauging, _, revision = subject.rpartition("/")
    names = {f"gauging:{subject}": f"gauging:{subject}"}
    if gauging and revision.isdigit():
        names[f"revision:{subject}"] = f"gauging:{gauging}"
    facts = gathered(archive, names.values())
    known = facts.names()
    root = next((name for name in names if name in known), None)
    if root is None:
        raise QueryError(_no_gauging(archive, subject))
    return back(archive, facts, subject, root)


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
    facts = whole(archive)
    # in a trace back a rating names its gaugings and ends there; forward they lead to the records it rated
    facts.links += [link for link in facts.aside if link[2] == FITTED]
    root = _subject(facts, subject)
    nodes, links = reached(facts, root, forward=True)
    links |= recorded(facts, [n for n, since in nodes.items() if n != root and facts.recorded.get(n, 0) >= since])
    return trace_of(facts, subject, root, links, forward=True, notes=silences(facts, nodes))


def _subject(facts: Facts, subject: str) -> str:
    """Find the one node a trace forward starts from."""
    names = facts.names()
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
    names = whole(archive).names()
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
