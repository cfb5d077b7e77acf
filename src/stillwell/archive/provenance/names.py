"""Names of entities in provenance documents, and codes as local parts of names."""

from __future__ import annotations

import re

DIGITS = 16
"""Characters of a deposit's digest in the name of what came in it."""

_PLAIN = re.compile(r"[A-Za-z0-9_.-]*")


def safe(text: str) -> str:
    """Write a code as the local part of a name, percent-encoding whatever else it holds."""
    if _PLAIN.fullmatch(text):
        return text
    return "".join(c if _PLAIN.fullmatch(c) else "".join(f"%{byte:02X}" for byte in c.encode("utf-8")) for c in text)


def qname(name: str) -> dict[str, str]:
    """Write a name as a value."""
    return {"$": name, "type": "prov:QUALIFIED_NAME"}


def handed_in_name(prefix: str, parts: tuple[str, ...], deposit: str) -> str:
    """Name what one deposit says of something: ``series:SITE/SENSOR/`` and the first characters of the digest."""
    return f"{prefix}:{'/'.join(map(safe, parts))}/{deposit[:DIGITS]}"


def record_name(site: str, number: int, table: str) -> str:
    """Name the rows of a table that a commit derived at a site."""
    return f"record:{safe(site)}/{number}/{table}"
