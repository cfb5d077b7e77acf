"""Names in provenance documents to ids of nodes and back."""

from __future__ import annotations

from typing import Any
from urllib.parse import unquote

from stillwell.archive.provenance.mapping import KINDS
from stillwell.archive.provenance.names import safe

PARTED = KINDS.keys() | {"record"}
"""Prefixes whose names have several parts, joined by ``/``; a ``/`` within a part is written ``%2F``."""


def id_of(qualified: str) -> str:
    """Turn a name of a document into an id: ``gauging:ID/1`` is a revision, everything else as it is called."""
    prefix, _, local = qualified.partition(":")
    if prefix in PARTED:
        return parted(prefix, *(unquote(part) for part in local.split("/")))
    return f"{'revision' if prefix == 'gauging' else prefix}:{unquote(local)}"


def parted(kind: str, *parts: str) -> str:
    """Make the id of a thing whose name has parts."""
    return f"{kind}:{'/'.join(part.replace('%', '%25').replace('/', '%2F') for part in parts)}"


def name_of(node: str) -> str:
    """Turn the id of a thing whose name has parts into its name in documents."""
    kind, _, rest = node.partition(":")
    parts = (part.replace("%2F", "/").replace("%25", "%") for part in rest.split("/"))
    return f"{kind}:{'/'.join(map(safe, parts))}"


def listed(value: Any) -> list[str]:
    """Read an attribute that may hold one value or several."""
    return [str(one) for one in (value if isinstance(value, list) else [] if value is None else [value])]
