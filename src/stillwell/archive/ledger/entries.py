"""What one commit says in the ledger, and how it is written down. Reads and writes no file."""

from __future__ import annotations

import json
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime
from typing import Any

from stillwell.archive.disk.layout import is_inside
from stillwell.errors import ArchiveDamaged
from stillwell.fingerprint import canonical_json, sha256
from stillwell.shared_types import ListedFile

DIGEST = "digest"
"""Field of a self-checked document: sha256 of the canonical JSON of all its other fields."""


@dataclass(frozen=True)
class Move:
    """A file staged whole before the commit point and renamed to its final path after it."""

    staged: str
    final: str
    sha256: str
    size: int


@dataclass(frozen=True)
class Entry:
    """One commit: who took what in, when, with which software, and every file it wrote.

    ``previous`` is the sha256 of the bytes of the entry before, empty for the first. ``software`` names the policy the
    software ships with by its digest, and holds its text where the entry before named another. ``links`` pairs the site
    a gauging is named after with another site it was corrected to. ``made_from`` names, for each thing that the commit
    derived (the path of a NetCDF file, or ``record:SITE``), its inputs: what each is called, and its digest.
    """

    number: int
    previous: str
    recorded_at: datetime
    by: str
    software: Mapping[str, str]
    reason: str
    schema_version: str
    deposits: tuple[Mapping[str, Any], ...] = ()
    files: tuple[ListedFile, ...] = ()
    replaced: tuple[str, ...] = ()
    moves: tuple[Move, ...] = ()
    links: tuple[tuple[str, str], ...] = ()
    counts: Mapping[str, int] | None = None
    made_from: Mapping[str, Mapping[str, str]] = field(default_factory=dict)

    @property
    def shipped_policy(self) -> str:
        """Digest of the policy the software shipped with; empty in archives older than schema 1.3."""
        return str(self.software.get("policy", ""))

    @property
    def format(self) -> int:
        """Major number of the schema version it was written by."""
        return major(self.schema_version)

    @property
    def rules(self) -> int:
        """Rules by which its rows were made; see ``shared_types.RULES``."""
        return int(self.software.get("rules", 1))

    def paths(self) -> Iterator[str]:
        """Name every path that the entry speaks of, relative to the archive's folder."""
        yield from (file.path for file in self.files)
        yield from self.replaced
        for move in self.moves:
            yield from (move.staged, move.final)

    def to_json(self) -> bytes:
        """Write the entry as canonical JSON that carries its own digest."""
        return self_checked(
            {
                "number": self.number,
                "previous": self.previous,
                "recorded_at": utc_text(self.recorded_at),
                "by": self.by,
                "software": dict(self.software),
                "reason": self.reason,
                "schema_version": self.schema_version,
                "deposits": [dict(note) for note in self.deposits],
                "files": [_fields(file) for file in self.files],
                "replaced": list(self.replaced),
                "moves": [[m.staged, m.final, m.sha256, m.size] for m in self.moves],
                "links": [list(link) for link in self.links],
                "counts": dict(self.counts or {}),
            }
            | ({"made_from": {name: dict(inputs) for name, inputs in self.made_from.items()}} if self.made_from else {})
        )

    @classmethod
    def from_json(cls, data: bytes, where: str) -> Entry:
        """Read an entry.

        Parameters
        ----------
        data : bytes
        where : str
            Path to name in an error.

        Raises
        ------
        ArchiveDamaged
            If it is not an entry as it was written.
        """
        document = checked(data, where)
        try:
            entry = cls(
                number=document["number"],
                previous=document["previous"],
                recorded_at=datetime.fromisoformat(document["recorded_at"]),
                by=document["by"],
                software=document["software"],
                reason=document["reason"],
                schema_version=document["schema_version"],
                deposits=tuple(document["deposits"]),
                files=tuple(_file(fields) for fields in document["files"]),
                replaced=tuple(document["replaced"]),
                moves=tuple(Move(*move) for move in document["moves"]),
                links=tuple((first, second) for first, second in document["links"]),
                counts=document["counts"],
                made_from=document.get("made_from", {}),
            )
            outside = [path for path in entry.paths() if not is_inside(path)]
        except (AttributeError, KeyError, TypeError, ValueError) as error:
            msg = f"{where}: expected a ledger entry, found {error!r}; damaged, or of a newer kind"
            raise ArchiveDamaged(msg) from error
        if outside:
            msg = f"{where}: expected paths within the archive, found {outside[0]!r}; it was not written by stillwell"
            raise ArchiveDamaged(msg)
        return entry


def major(schema_version: str) -> int:
    """Return the first number of a schema version, that of the archive's format."""
    return int(schema_version.partition(".")[0])


def _fields(file: ListedFile) -> dict[str, Any]:
    """Write how a file is listed; what says nothing is left out."""
    fields = vars(file) | {"sites": list(file.sites), "years": list(file.years)}
    return {name: value for name, value in fields.items() if value not in ("", 0, []) or name in ("size", "sha256")}


FIELDS = frozenset({"path", "size", "sha256", "table", "site", "sites", "rows", "years"})
"""What an entry says of a listed file; one of format 2.0 says ``sites``, an earlier one ``site``."""


def _file(fields: dict[str, Any]) -> ListedFile:
    """Read how a file is listed; before format 2.0 an entry named the one site of a file as ``site``."""
    site = fields.get("site", "")
    sites = tuple(fields.get("sites") or ([site] if site else ()))
    known = fields["path"], fields["size"], fields["sha256"], fields.get("table", "")
    if not FIELDS.issuperset(fields):
        msg = f"fields {', '.join(sorted(set(fields) - FIELDS))} of a listed file"
        raise ValueError(msg)
    return ListedFile(*known, sites, fields.get("rows", 0), tuple(fields.get("years", ())))


def utc_text(moment: datetime) -> str:
    """Write an instant in UTC with microseconds, always the same length."""
    return moment.astimezone(UTC).strftime("%Y-%m-%dT%H:%M:%S.%fZ")


def self_checked(fields: dict[str, Any]) -> bytes:
    """Write fields as canonical JSON with their digest among them; one key at least must sort after it."""
    return canonical_json(fields | {DIGEST: sha256(canonical_json(fields))})


def checked(data: bytes, where: str) -> dict[str, Any]:
    """Read what ``self_checked`` wrote.

    Parameters
    ----------
    data : bytes
    where : str
        Path to name in an error.

    Returns
    -------
    dict
        The fields without their digest.

    Raises
    ------
    ArchiveDamaged
        If a single bit is not as it was written.
    """
    try:
        fields: dict[str, Any] = json.loads(data)
        stated = fields.pop(DIGEST)
        # cut out of the bytes as they stand: to write a large listing anew costs more than to read it
        rest = data.replace(f'"{DIGEST}":"{stated}",'.encode(), b"", 1)
    except (ValueError, KeyError, TypeError, AttributeError, RecursionError) as error:
        msg = f"{where}: expected JSON with its digest, found what cannot be read ({error}); damaged"
        raise ArchiveDamaged(msg) from error
    if sha256(rest) != stated:
        msg = f"{where}: expected the digest {stated}, found {sha256(rest)}; not as written"
        raise ArchiveDamaged(msg)
    return fields


def shipped_policies(entries: Iterable[Entry]) -> dict[str, str]:
    """Collect the policies that software shipped with while an archive was written.

    Parameters
    ----------
    entries : iterable of Entry

    Returns
    -------
    dict of str to str
        Texts by their sha256.
    """
    return {e.shipped_policy: str(e.software["policy_text"]) for e in entries if "policy_text" in e.software}
